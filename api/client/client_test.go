package client_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"drawgear/api/client"
	"drawgear/db/memory"
	"drawgear/rules"
)

const kindJSON = "application/json"

// gate lets so many requests fail in one way, and then the rest through.
type gate struct {
	next  http.Handler
	fails atomic.Int64
	fail  func(w http.ResponseWriter, r *http.Request, next http.Handler)
}

func (g *gate) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if g.fails.Add(-1) >= 0 {
		g.fail(w, r, g.next)
		return
	}
	g.next.ServeHTTP(w, r)
}

// lost does what is asked and breaks the connection instead of answering.
func lost(_ http.ResponseWriter, r *http.Request, next http.Handler) {
	next.ServeHTTP(httptest.NewRecorder(), r)
	panic(http.ErrAbortHandler)
}

// away refuses before anything is done.
func away(w http.ResponseWriter, _ *http.Request, _ http.Handler) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Retry-After", "0")
	w.WriteHeader(http.StatusServiceUnavailable)
	w.Write([]byte(`{"type":"/problems/timeout","title":"t","status":503,"detail":"d","instance":"/requests/1","advice":"a"}`))
}

// TestOnce: what is sent again after its reply was lost is done once, and after
// a refusal it is done.
func TestOnce(t *testing.T) {
	for name, fail := range map[string]func(http.ResponseWriter, *http.Request, http.Handler){"lost": lost, "away": away} {
		t.Run(name, func(t *testing.T) {
			r := serve(t, memory.New(0), nil, 0)
			g := &gate{next: *r.handler.Load(), fail: fail}
			r.become(g)
			c, err := client.New(r.url, client.Options{Key: r.tenant(t)["author"], Backoff: time.Millisecond})
			if err != nil {
				t.Fatal(err)
			}
			g.fails.Store(2)
			rig := read(t, canned+"/float-without-gtm.json")
			kept, err := c.CreateAssessmentWithBodyWithResponse(t.Context(), nil, kindJSON, bytes.NewReader(rig))
			if err != nil {
				t.Fatal(err)
			}
			if kept.JSON201 == nil || (kept.HTTPResponse.Header.Get("Idempotency-Replayed") == "true") != (name == "lost") {
				t.Fatalf("%d %v", kept.StatusCode(), kept.HTTPResponse.Header)
			}
			g.fails.Store(3)
			list, err := c.ListAssessmentsWithResponse(t.Context(), nil)
			if err != nil || list.JSON200 == nil || len(list.JSON200.Items) != 1 || list.JSON200.Items[0].ID != *kept.JSON201.ID {
				t.Errorf("kept is %s, and the list has %s (%v)", *kept.JSON201.ID, list.Body, err)
			}
			g.fails.Store(1000)
			if _, err := c.ListAssessmentsWithResponse(t.Context(), nil); err == nil || g.fails.Load() < 980 {
				t.Errorf("of 1000 failures %d are left: %v", g.fails.Load(), err)
			}
			// What takes no key is not sent again: another key would have been made.
			g.fails.Store(1)
			if _, err := c.CreateKeyWithResponse(t.Context(), client.KeyRequest{Name: "Tarn Valley", Scopes: []client.Scope{"read"}}); err == nil {
				t.Error("a key was asked for again")
			}
		})
	}
}

// TestErrors: refusals come as errors with their type, faults and advice.
func TestErrors(t *testing.T) {
	r := serve(t, memory.New(0), nil, 0)
	keys := r.tenant(t)
	ask := func(who, rig string) error {
		c, err := client.New(r.url, client.Options{Key: keys[who]})
		if err != nil {
			t.Fatal(err)
		}
		_, err = c.CreateAssessmentWithBodyWithResponse(t.Context(), nil, kindJSON, strings.NewReader(rig))
		return err
	}
	for name, tt := range map[string]struct {
		who, rig string
		want     client.ProblemType
		status   int
	}{
		"nobody":  {"nobody", `{"jurisdiction":"GB"}`, client.ProblemUnauthenticated, 401},
		"reader":  {"reader", `{"jurisdiction":"GB"}`, client.ProblemForbidden, 403},
		"no rig":  {"author", `{"jurisdiction":"GB","trailer":{"axle_cuont":2}}`, client.ProblemInvalidRig, 422},
		"no JSON": {"author", `{"jurisdiction":`, client.ProblemMalformedJSON, 400},
	} {
		err := ask(tt.who, tt.rig)
		problem, ok := errors.AsType[*client.Error](err)
		if !errors.Is(err, tt.want) || errors.Is(err, client.ProblemStale) || !ok || problem.Status != tt.status || problem.Advice == "" {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if tt.want == client.ProblemInvalidRig && (problem.Errors == nil || *(*problem.Errors)[0].Pointer != "/trailer/axle_cuont") {
			t.Errorf("%s: the faults are %v", name, problem.Errors)
		}
	}
	if _, err := client.New("http://[", client.Options{}); err == nil {
		c, _ := client.New("http://[", client.Options{})
		if _, err := c.GetReadinessWithResponse(t.Context()); err == nil {
			t.Error("an address that is none was asked")
		}
	}
}

// TestTypesLoseNothing: the generated types hold all of a rig, with what is
// false and what is not known told apart, and all of an answer.
func TestTypesLoseNothing(t *testing.T) {
	r := serve(t, memory.New(0), nil, 0)
	c, err := client.New(r.url, client.Options{Key: r.tenant(t)["author"]})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range readIndex(t).Rigs {
		if x.Verdict == "" {
			continue
		}
		file := read(t, canned+"/"+x.File)
		var rig client.Rig
		if err := json.Unmarshal(file, &rig); err != nil {
			t.Fatalf("%s: %v", x.File, err)
		}
		same(t, x.File, rig, file)
		got, err := c.CreateAssessmentWithResponse(t.Context(), &client.CreateAssessmentParams{Record: new(false)}, rig)
		if err != nil {
			t.Fatalf("%s: %v", x.File, err)
		}
		if rules.Verdict(got.JSON200.Answer.Verdict) != x.Verdict {
			t.Errorf("%s is %s", x.File, got.JSON200.Answer.Verdict)
		}
		same(t, "the answer to "+x.File, got.JSON200, got.Body)
	}
}

// same holds a value, written as JSON, to a text.
func same(t *testing.T, what string, value any, text []byte) {
	t.Helper()
	written, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	var got, want any
	if err := errors.Join(json.Unmarshal(written, &got), json.Unmarshal(text, &want)); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s comes back as\n%s\nand was\n%s", what, short(written), short(text))
	}
}
