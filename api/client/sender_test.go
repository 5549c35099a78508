package client

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"drawgear/openapi"
)

// TestWithKey: the operations that are sent with a key are those of the
// contract that take one, also below a path.
func TestWithKey(t *testing.T) {
	for _, op := range openapi.Operations() {
		want := false
		for _, p := range op.Parameters {
			want = want || p.In == "header" && p.Name == "Idempotency-Key"
		}
		path := strings.NewReplacer("{id}", "AAAA", "{version}", "1", "{code}", "GB", "{asset}", "page.css", "{name}", "internal", "{row}", "1", "{kind}", "trailers", "{delivery}", "BBBB").Replace(op.Path)
		if strings.Contains(path, "{") {
			t.Fatalf("%s: a parameter has no value here", op.Path)
		}
		for _, base := range []string{"http://localhost", "https://gate.example/drawgear"} {
			req, err := http.NewRequest(op.Method, base+path, nil)
			if err != nil {
				t.Fatal(err)
			}
			if got := takesKey(req); got != want {
				t.Errorf("%s %s: a key is sent: %v, want %v", op.Method, base+path, got, want)
			}
		}
	}
}

// script answers each try with the next of its replies.
type script struct {
	replies []reply
	sent    []string    // bodies
	keys    []string    // idempotency keys
	at      []time.Time // of each try
}

type reply struct {
	status int // 0: the network fails
	after  string
	kind   string
}

func (s *script) Do(req *http.Request) (*http.Response, error) {
	body := []byte{}
	if req.Body != nil {
		var err error
		if body, err = io.ReadAll(req.Body); err != nil {
			return nil, err
		}
	}
	r := s.replies[min(len(s.at), len(s.replies)-1)]
	s.sent, s.keys, s.at = append(s.sent, string(body)), append(s.keys, req.Header.Get("Idempotency-Key")), append(s.at, time.Now())
	if r.status == 0 {
		return nil, errors.New("the network is away")
	}
	out := &http.Response{StatusCode: r.status, Header: http.Header{}, Body: io.NopCloser(strings.NewReader(fmt.Sprintf(
		`{"type":"/problems/timeout","title":"T","status":%d,"detail":"D.","advice":"A.","instance":"/requests/1"}`, r.status)))}
	out.Header.Set("Content-Type", r.kind)
	if r.kind == "" {
		out.Header.Set("Content-Type", "application/problem+json")
	}
	if r.after != "" {
		out.Header.Set("Retry-After", r.after)
	}
	return out, nil
}

// TestRetries: what is sent again, how often, and after how long.
func TestRetries(t *testing.T) {
	const post, loads = "/v1/assessments", "/v1/loads"
	for name, tt := range map[string]struct {
		method, path string
		key          string
		within       time.Duration // of the context
		replies      []reply
		tries        int
		least, most  time.Duration // between the first try and the last
		status       int           // that comes out; 0 for the network
	}{
		"good":                       {"GET", post, "", 0, []reply{{200, "", "application/json"}}, 1, 0, 0, 200},
		"a read, once away":          {"GET", post, "", 0, []reply{{}, {200, "", "application/json"}}, 2, time.Second / 2, time.Second, 200},
		"a read, always away":        {"GET", post, "", 0, []reply{{}}, 4, 3500 * time.Millisecond, 7 * time.Second, 0},
		"seconds to wait":            {"GET", post, "", 0, []reply{{429, "7", ""}, {200, "", "application/json"}}, 2, 7 * time.Second, 7 * time.Second, 200},
		"a time to wait for":         {"GET", post, "", 0, []reply{{503, "Sat, 01 Jan 2000 00:00:09 GMT", ""}, {200, "", "application/json"}}, 2, 9 * time.Second, 9 * time.Second, 200},
		"a time that is past":        {"GET", post, "", 0, []reply{{503, "Fri, 31 Dec 1999 00:00:00 GMT", ""}, {200, "", "application/json"}}, 2, time.Second / 2, time.Second, 200},
		"a wait that is too long":    {"GET", post, "", 0, []reply{{503, "21", ""}}, 1, 0, 0, 503},
		"the longest wait":           {"GET", post, "", 0, []reply{{503, "20", ""}, {200, "", "application/json"}}, 2, 20 * time.Second, 20 * time.Second, 200},
		"a wait past the context":    {"GET", post, "", 3 * time.Second, []reply{{503, "5", ""}}, 1, 0, 0, 503},
		"a proxy":                    {"GET", post, "", 0, []reply{{502, "", "text/html"}, {504, "", ""}, {408, "", ""}, {200, "", "application/json"}}, 4, 3500 * time.Millisecond, 7 * time.Second, 200},
		"a fault of the service":     {"GET", post, "", 0, []reply{{500, "", ""}}, 1, 0, 0, 500},
		"a refusal":                  {"PUT", post, "", 0, []reply{{422, "", ""}}, 1, 0, 0, 422},
		"a change that is named":     {"POST", post, "", 0, []reply{{503, "1", ""}, {201, "", "application/json"}}, 2, time.Second, time.Second, 201},
		"a change named by caller":   {"POST", post, "mine", 0, []reply{{}, {201, "", "application/json"}}, 2, time.Second / 2, time.Second, 201},
		"a post that takes no key":   {"POST", loads, "", 0, []reply{{503, "1", ""}}, 1, 0, 0, 503},
		"a post away":                {"POST", loads, "", 0, []reply{{}}, 1, 0, 0, 0},
		"not ready is no problem":    {"GET", "/readyz", "", 0, []reply{{503, "", "application/json"}}, 1, 0, 0, 503},
		"a replacement, away":        {"PUT", "/v1/rulesets/x/versions/1", "", 0, []reply{{}, {200, "", "application/json"}}, 2, time.Second / 2, time.Second, 200},
		"a revocation, store away":   {"DELETE", "/v1/keys/x", "", 0, []reply{{503, "2", ""}, {204, "", "application/json"}}, 2, 2 * time.Second, 2 * time.Second, 204},
		"a wait that is not written": {"GET", post, "", 0, []reply{{503, "soon", ""}, {200, "", "application/json"}}, 2, time.Second / 2, time.Second, 200},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx := t.Context()
				if tt.within > 0 {
					var cancel context.CancelFunc
					ctx, cancel = context.WithTimeout(ctx, tt.within)
					defer cancel()
				}
				req, err := http.NewRequestWithContext(ctx, tt.method, "http://localhost"+tt.path, bytes.NewReader([]byte("body")))
				if err != nil {
					t.Fatal(err)
				}
				if tt.key != "" {
					req.Header.Set("Idempotency-Key", tt.key)
				}
				s := &script{replies: tt.replies}
				got, err := sender{Options{HTTP: s, Tries: 4, Backoff: time.Second, MaxWait: 20 * time.Second}}.Do(req)
				status := 0
				if problem, ok := errors.AsType[*Error](err); ok {
					status = problem.Status
				} else if err == nil {
					status = got.StatusCode
				}
				if status != tt.status || len(s.at) != tt.tries {
					t.Errorf("came out with %d (%v) after %d tries, want %d after %d", status, err, len(s.at), tt.status, tt.tries)
				}
				if took := s.at[len(s.at)-1].Sub(s.at[0]); took < tt.least || took > tt.most {
					t.Errorf("tried for %s, want %s to %s", took, tt.least, tt.most)
				}
				for _, body := range s.sent {
					if body != "body" {
						t.Errorf("sent %q", body)
					}
				}
				keys := slices.Compact(s.keys)
				if len(keys) != 1 || (keys[0] != "") != (tt.method == "POST" && tt.path == post) || tt.key != "" && keys[0] != tt.key {
					t.Errorf("sent the idempotency keys %q", s.keys)
				}
			})
		})
	}
}

// TestContextEnds: a caller who gives up is not kept waiting.
func TestContextEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, cancel)
		req, err := http.NewRequestWithContext(ctx, "GET", "http://localhost/", nil)
		if err != nil {
			t.Fatal(err)
		}
		s := &script{replies: []reply{{503, "10", ""}}}
		start := time.Now()
		_, err = sender{Options{HTTP: s, Tries: 4, Backoff: time.Second, MaxWait: time.Minute}}.Do(req)
		if took := time.Since(start); took != time.Second || len(s.at) != 1 || !errors.Is(err, ProblemTimeout) {
			t.Errorf("after %s and %d tries: %v", took, len(s.at), err)
		}
	})
}

// TestBodyThatCannotBeRead again is said to be so, with what went wrong first.
func TestBodyThatCannotBeReadAgain(t *testing.T) {
	req, err := http.NewRequest("PUT", "http://localhost/", io.MultiReader(strings.NewReader("body")))
	if err != nil {
		t.Fatal(err)
	}
	s := &script{replies: []reply{{503, "", ""}}}
	_, err = sender{Options{HTTP: s, Tries: 4, Backoff: time.Millisecond, MaxWait: time.Second}}.Do(req)
	if len(s.at) != 1 || !errors.Is(err, ProblemTimeout) || !strings.Contains(err.Error(), "second time") {
		t.Errorf("after %d tries: %v", len(s.at), err)
	}
}

// TestProblemOfOthers: what is no problem of the service has no type of it.
func TestProblemOfOthers(t *testing.T) {
	for name, reply := range map[string]*http.Response{
		"HTML":        {StatusCode: 403, Header: http.Header{"Content-Type": {"text/html"}}, Body: io.NopCloser(strings.NewReader("<html>"))},
		"no kind":     {StatusCode: 403, Header: http.Header{}, Body: http.NoBody},
		"broken JSON": {StatusCode: 403, Header: http.Header{"Content-Type": {"application/problem+json"}}, Body: io.NopCloser(strings.NewReader(`{"type":"/problems/internal"`))},
	} {
		problem, ok := errors.AsType[*Error](problemOf(reply))
		if !ok || problem.Type != "about:blank" || problem.Status != 403 || problem.Error() != "403 Forbidden" {
			t.Errorf("%s: %+v", name, problem)
		}
	}
}
