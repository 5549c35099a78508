package api_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/library"
	"drawgear/rules/rig"
	"drawgear/service"
)

// float is a dealer's horse float of which little is known.
const float = `{"jurisdiction":"AU-NSW","as_of":"2026-11-25","trailer":{"axle_count":2,"rated":{"total":"2400 kg","axles":"2200 kg"},"brakes":{"kind":"overrun"}}}`

func book(t testing.TB) *rules.Book {
	t.Helper()
	b, err := library.Book()
	if err != nil {
		t.Fatalf("load the library: %v", err)
	}
	return b
}

func clock() time.Time { return time.Date(2026, 11, 25, 23, 59, 59, 123_456_789, time.UTC) }

func newServer(t testing.TB) http.Handler {
	t.Helper()
	return api.New(api.Config{Service: service.New(book(t), memory.New(0), clock)})
}

// header is a field of a request.
type header struct{ name, value string }

// call sends a request, holds the reply to the contract and gives it back. A
// body is said to be JSON unless a header says otherwise.
func call(t testing.TB, h http.Handler, method, target, body string, hs ...header) openapitest.Reply {
	t.Helper()
	var in io.Reader
	if body != "" {
		in = strings.NewReader(body)
	}
	req := httptest.NewRequest(method, target, in)
	req.Host = "localhost:8080" // of a service that is open on this machine only
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for _, x := range hs {
		req.Header.Set(x.name, x.value)
	}
	if req.Header.Get("Transfer-Encoding") != "" {
		req.ContentLength = -1 // as net/http has it then
	}
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, req)
	r := openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()}
	if method == http.MethodHead {
		r.Body = nil // it is net/http that leaves it out; see TestHead
	}
	openapitest.Check(t, req, []byte(body), r)
	return r
}

func decode[T any](t testing.TB, r openapitest.Reply) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(r.Body, &v); err != nil {
		t.Fatalf("read the reply: %v in %s", err, r.Body)
	}
	return v
}

func TestAssessWithoutKeeping(t *testing.T) {
	h := newServer(t)
	r := call(t, h, "POST", "/v1/assessments?record=false", float)
	if r.Status != http.StatusOK {
		t.Fatalf("status %d: %s", r.Status, r.Body)
	}
	// The same bytes as a caller of the service gets, who need not use HTTP.
	a, err := service.New(book(t), memory.New(0), clock).Assess(t.Context(), []byte(float), false)
	if err != nil {
		t.Fatal(err)
	}
	want, err := a.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(r.Body, want) {
		t.Errorf("HTTP and the service differ:\n%s\n%s", r.Body, want)
	}
	// And the answer within is that of the rules.
	doc, err := rig.Decode([]byte(float))
	if err != nil {
		t.Fatal(err)
	}
	day, _ := doc.AsOf()
	answer, err := book(t).Assess(doc, day)
	if err != nil {
		t.Fatal(err)
	}
	wantAnswer, err := json.Marshal(answer)
	if err != nil {
		t.Fatal(err)
	}
	if got := decode[service.Assessment](t, r); !bytes.Equal(got.Answer, wantAnswer) || string(got.Rig) != float {
		t.Errorf("the answer is\n%s\nwant\n%s\nfor the rig %s", got.Answer, wantAnswer, got.Rig)
	}
	if page := decode[service.Page[service.Summary]](t, call(t, h, "GET", "/v1/assessments", "")); len(page.Items) != 0 {
		t.Errorf("%d assessments were kept", len(page.Items))
	}
}

func TestAssessAndKeep(t *testing.T) {
	h := newServer(t)
	spaced := "\n " + strings.ReplaceAll(float, ",", " ,\t") + "\n"
	for _, target := range []string{"/v1/assessments", "/v1/assessments?record=true"} {
		r := call(t, h, "POST", target, spaced)
		if r.Status != http.StatusCreated {
			t.Fatalf("POST %s: status %d: %s", target, r.Status, r.Body)
		}
		a := decode[service.Assessment](t, r)
		if got := r.Header.Get("Location"); got != "/v1/assessments/"+a.ID {
			t.Errorf("Location %q, id %q", got, a.ID)
		}
		if want := clock().Truncate(time.Microsecond); !a.CreatedAt.Equal(want) {
			t.Errorf("created at %v, want %v", a.CreatedAt, want)
		}
		if string(a.Rig) != float {
			t.Errorf("kept the rig as %s", a.Rig)
		}
		again := call(t, h, "GET", r.Header.Get("Location"), "")
		if again.Status != http.StatusOK || !bytes.Equal(again.Body, r.Body) {
			t.Errorf("reading it gives %d %s, want %s", again.Status, again.Body, r.Body)
		}
		sum := sha256.Sum256(a.Answer)
		page := decode[service.Page[service.Summary]](t, call(t, h, "GET", "/v1/assessments?limit=1", ""))
		if len(page.Items) != 1 || page.Items[0].AnswerSHA256 != hex.EncodeToString(sum[:]) {
			t.Errorf("listed %+v, want one with digest %x", page.Items, sum)
		}
		replay := decode[service.Replay](t, call(t, h, "POST", "/v1/assessments/"+a.ID+"/replay", ""))
		if !replay.Same || replay.RecordedSHA256 != replay.ReplayedSHA256 || replay.RecordedSHA256 != hex.EncodeToString(sum[:]) || !bytes.Equal(replay.Answer, a.Answer) {
			t.Errorf("the replay is %+v", replay)
		}
	}
}

func TestDayDefaultsToToday(t *testing.T) {
	r := call(t, newServer(t), "POST", "/v1/assessments?record=false", `{"jurisdiction":"GB"}`)
	a := decode[service.Assessment](t, r)
	var answer rules.Answer
	if err := json.Unmarshal(a.Answer, &answer); err != nil {
		t.Fatal(err)
	}
	if answer.AsOf != "2026-11-25" || string(a.Rig) != `{"jurisdiction":"GB"}` {
		t.Errorf("answered for %s, rig %s", answer.AsOf, a.Rig)
	}
}

// TestReplayWithoutTheLaw: another service, with the same store, does not hold
// the law of then.
func TestReplayWithoutTheLaw(t *testing.T) {
	store := memory.New(0)
	h := api.New(api.Config{Service: service.New(book(t), store, clock)})
	a := decode[service.Assessment](t, call(t, h, "POST", "/v1/assessments", float))
	var some []*law.Ruleset
	for _, rs := range book(t).Rulesets() {
		if rs.Jurisdiction == "" {
			some = append(some, rs)
		}
	}
	frames, err := rules.NewBook(some)
	if err != nil {
		t.Fatal(err)
	}
	h = api.New(api.Config{Service: service.New(frames, store, clock)})
	r := call(t, h, "POST", "/v1/assessments/"+a.ID+"/replay", "")
	if p := r.Problem(t); r.Status != http.StatusConflict || p.Type != "/problems/ruleset-unavailable" {
		t.Errorf("status %d, %+v", r.Status, p)
	}
	if r := call(t, h, "GET", "/v1/assessments/"+a.ID, ""); r.Status != http.StatusOK {
		t.Errorf("reading what was kept needs no law, and gave %d", r.Status)
	}
}

func TestListing(t *testing.T) {
	now := clock()
	h := api.New(api.Config{Service: service.New(book(t), memory.New(0), func() time.Time {
		now = now.Add(time.Second)
		return now
	})})
	var all []string
	for i := range 7 {
		place := []string{"GB", "AU", "AU-NSW"}[i%3]
		a := decode[service.Assessment](t, call(t, h, "POST", "/v1/assessments", fmt.Sprintf(`{"jurisdiction":%q}`, place)))
		all = append(all, a.ID)
	}
	slices.Reverse(all)
	var got []string
	target := "/v1/assessments?limit=3"
	for range 3 {
		page := decode[service.Page[service.Summary]](t, call(t, h, "GET", target, ""))
		for _, it := range page.Items {
			got = append(got, it.ID)
		}
		// A newcomer moves nothing.
		call(t, h, "POST", "/v1/assessments", float)
		if page.Next == "" {
			break
		}
		target = "/v1/assessments?limit=3&cursor=" + page.Next
	}
	if !slices.Equal(got, all) {
		t.Errorf("paged through %v, want %v", got, all)
	}
	page := decode[service.Page[service.Summary]](t, call(t, h, "GET", "/v1/assessments?jurisdiction=AU&verdict=undetermined", ""))
	if len(page.Items) != 2 || page.Next != "" {
		t.Errorf("AU has %d and next %q, want 2 and none", len(page.Items), page.Next)
	}
	for _, it := range page.Items {
		if it.Jurisdiction != "AU" || it.Verdict != rules.Undetermined {
			t.Errorf("the filter let through %+v", it)
		}
	}
	if page := decode[service.Page[service.Summary]](t, call(t, h, "GET", "/v1/assessments?jurisdiction=FR", "")); page.Items == nil || len(page.Items) != 0 {
		t.Errorf("an empty page has items %v, want an empty list", page.Items)
	}
}

// TestLibrary reads every place, ruleset, version and source that is shipped.
func TestLibrary(t *testing.T) {
	h := newServer(t)
	for _, j := range decode[service.All[rules.Jurisdiction]](t, call(t, h, "GET", "/v1/jurisdictions", "")).Items {
		if one := decode[rules.Jurisdiction](t, call(t, h, "GET", "/v1/jurisdictions/"+j.Code, "")); one.Code != j.Code || len(one.Rulesets) == 0 {
			t.Errorf("%s reads as %+v", j.Code, one)
		}
		if r := call(t, h, "POST", "/v1/assessments?record=false", fmt.Sprintf(`{"jurisdiction":%q}`, j.Code)); r.Status != http.StatusOK {
			t.Errorf("%s is listed and cannot be asked about: %s", j.Code, r.Body)
		}
	}
	count := 0
	for _, rs := range decode[service.All[service.Ruleset]](t, call(t, h, "GET", "/v1/rulesets", "")).Items {
		if one := decode[service.Ruleset](t, call(t, h, "GET", "/v1/rulesets/"+rs.ID, "")); one.ID != rs.ID || one.Title != rs.Title {
			t.Errorf("%s reads as %+v", rs.ID, one)
		}
		versions := decode[service.All[service.VersionLine]](t, call(t, h, "GET", "/v1/rulesets/"+rs.ID+"/versions", "")).Items
		if !reflect.DeepEqual(versions, rs.Versions) {
			t.Errorf("%s has versions %v, listed %v", rs.ID, versions, rs.Versions)
		}
		for _, v := range versions {
			count++
			whole := decode[service.RulesetVersion](t, call(t, h, "GET", fmt.Sprintf("/v1/rulesets/%s/versions/%d", rs.ID, v.Version), ""))
			if sum := sha256.Sum256(whole.Document); whole.SHA256 != v.SHA256 || hex.EncodeToString(sum[:]) != v.SHA256 {
				t.Errorf("%s version %d: digest %s, document %x, listed %s", rs.ID, v.Version, whole.SHA256, sum, v.SHA256)
			}
		}
	}
	if count != len(book(t).Rulesets()) || count == 0 {
		t.Errorf("%d versions are listed, %d are held", count, len(book(t).Rulesets()))
	}
	sources := decode[service.All[map[string]any]](t, call(t, h, "GET", "/v1/sources", "")).Items
	for _, s := range sources {
		one := decode[map[string]any](t, call(t, h, "GET", fmt.Sprint("/v1/sources/", s["id"]), ""))
		if !reflect.DeepEqual(one, s) || len(one["cited_by"].([]any)) == 0 {
			t.Errorf("%v reads as %v", s, one)
		}
	}
	if len(sources) != len(book(t).Sources()) || len(sources) == 0 {
		t.Errorf("%d sources are listed, %d are held", len(sources), len(book(t).Sources()))
	}
}

func TestServicePaths(t *testing.T) {
	h := newServer(t)
	if r := call(t, h, "GET", "/livez", ""); r.Status != http.StatusOK || string(r.Body) != "{\"status\":\"alive\"}\n" {
		t.Errorf("livez: %d %s", r.Status, r.Body)
	}
	r := call(t, h, "GET", "/readyz", "")
	ready := decode[service.Readiness](t, r)
	if r.Status != http.StatusOK || !ready.Ready || ready.Store.Kind != "memory" || ready.Store.Durable || !strings.Contains(ready.Store.Note, "end with the process") {
		t.Errorf("readyz: %d %s", r.Status, r.Body)
	}
	if r := call(t, h, "GET", "/openapi.json", ""); !json.Valid(r.Body) || r.Header.Get("Content-Type") != "application/json" {
		t.Errorf("openapi.json is no JSON: %.80s", r.Body)
	}
	empty, err := rules.NewBook(nil)
	if err != nil {
		t.Fatal(err)
	}
	h = api.New(api.Config{Service: service.New(empty, memory.New(0), clock)})
	if r := call(t, h, "GET", "/readyz", ""); r.Status != http.StatusServiceUnavailable || decode[service.Readiness](t, r).Ready {
		t.Errorf("without rules, readyz: %d %s", r.Status, r.Body)
	}
}

// TestRefusals has every way to be refused, with what the problem must name.
func TestRefusals(t *testing.T) {
	deep := `{"jurisdiction":"GB","trailer":` + strings.Repeat(`{"a":`, 20) + `1` + strings.Repeat(`}`, 20) + `}`
	bottomless := strings.Repeat(`{"a":`, 12000)
	many := `{"jurisdiction":"GB"`
	for i := range 40 {
		many += fmt.Sprintf(`,"x%d":1`, i)
	}
	many += "}"
	const asks, id = "/v1/assessments", "AAAAAAAAAAAAAAAAAAAAAAAAAA"
	for _, tt := range []struct {
		name, method, target, body string
		headers                    []header
		status                     int
		kind                       string
		faults                     []string // pointer or parameter, a space, code
	}{
		{name: "no body", method: "POST", target: asks, headers: []header{{"Content-Type", "application/json"}}, status: 400, kind: "malformed-json"},
		{name: "not JSON", method: "POST", target: asks, body: `jurisdiction: GB`, status: 400, kind: "malformed-json", faults: []string{" syntax"}},
		{name: "broken off", method: "POST", target: asks, body: `{"jurisdiction":"GB"`, status: 400, kind: "malformed-json", faults: []string{" syntax"}},
		{name: "more after the end", method: "POST", target: asks, body: `{"jurisdiction":"GB"}{}`, status: 400, kind: "malformed-json", faults: []string{" syntax"}},
		{name: "a byte after the end", method: "POST", target: asks, body: `{"jurisdiction":"GB"}x`, status: 400, kind: "malformed-json", faults: []string{" syntax"}},
		{name: "not UTF-8", method: "POST", target: asks, body: "{\"jurisdiction\":\"GB\",\"driver\":{\"licence\":\"\xff\"}}", status: 400, kind: "malformed-json", faults: []string{" syntax"}},
		{name: "byte order mark", method: "POST", target: asks, body: "\uFEFF{\"jurisdiction\":\"GB\"}", status: 400, kind: "malformed-json", faults: []string{" syntax"}},
		{name: "bottomless", method: "POST", target: asks, body: bottomless, status: 422, kind: "invalid-rig", faults: []string{"/a/a/a/a/a/a/a/a/a limit"}},
		{name: "a list", method: "POST", target: asks, body: `[]`, status: 422, kind: "invalid-rig", faults: []string{" wrong_type"}},
		{name: "null", method: "POST", target: asks, body: `null`, status: 422, kind: "invalid-rig", faults: []string{" wrong_type"}},
		{name: "no place", method: "POST", target: asks, body: `{}`, status: 422, kind: "invalid-rig", faults: []string{"/jurisdiction bad_value"}},
		{name: "empty place", method: "POST", target: asks, body: `{"jurisdiction":""}`, status: 422, kind: "invalid-rig", faults: []string{"/jurisdiction bad_value"}},
		{name: "a name twice", method: "POST", target: asks, body: `{"jurisdiction":"GB","trailer":{"tare":"1 t","tare":"2 t"}}`, status: 422, kind: "invalid-rig", faults: []string{"/trailer/tare contradiction"}},
		{name: "too deep", method: "POST", target: asks, body: deep, status: 422, kind: "invalid-rig", faults: []string{"/trailer/a/a/a/a/a/a/a/a limit"}},
		{name: "unknown fields", method: "POST", target: asks, body: `{"jurisdiction":"GB","trailer":{"tara":"1 t","a/b~c":1}}`, status: 422, kind: "invalid-rig", faults: []string{"/trailer/a~1b~0c unknown_field", "/trailer/tara unknown_field"}},
		{name: "a huge number", method: "POST", target: asks, body: `{"jurisdiction":"GB","trailer":{"axle_count":1e999999999}}`, status: 422, kind: "invalid-rig", faults: []string{"/trailer/axle_count wrong_type"}},
		{name: "a huge mass", method: "POST", target: asks, body: `{"jurisdiction":"GB","trailer":{"tare":"99999999999999999999999999999 kg"}}`, status: 422, kind: "invalid-rig", faults: []string{"/trailer/tare bad_quantity"}},
		{name: "a mass as number", method: "POST", target: asks, body: `{"jurisdiction":"GB","trailer":{"tare":1900}}`, status: 422, kind: "invalid-rig", faults: []string{"/trailer/tare wrong_type"}},
		{name: "a length as mass", method: "POST", target: asks, body: `{"jurisdiction":"GB","trailer":{"tare":"2 m"}}`, status: 422, kind: "invalid-rig", faults: []string{"/trailer/tare bad_quantity"}},
		{name: "null for a mass", method: "POST", target: asks, body: `{"jurisdiction":"GB","trailer":{"tare":null}}`, status: 422, kind: "invalid-rig", faults: []string{"/trailer/tare wrong_type"}},
		{name: "contradiction", method: "POST", target: asks, body: `{"jurisdiction":"GB","trailer":{"rated":{"total":"2 t","axles":"3 t"}}}`, status: 422, kind: "invalid-rig", faults: []string{"/trailer/rated/axles contradiction", "/trailer/rated/total contradiction"}},
		{name: "a place without law", method: "POST", target: asks, body: `{"jurisdiction":"AQ"}`, status: 422, kind: "unknown-jurisdiction"},
		{name: "no place at all", method: "POST", target: asks, body: `{"jurisdiction":"Xx"}`, status: 422, kind: "invalid-rig", faults: []string{"/jurisdiction bad_value"}},
		{name: "too large", method: "POST", target: asks, body: `{"jurisdiction":"GB"}` + strings.Repeat(" ", rig.MaxBytes), status: 413, kind: "body-too-large"},
		{name: "too large, length unsaid", method: "POST", target: asks, body: strings.Repeat(" ", rig.MaxBytes+1), headers: []header{{"Transfer-Encoding", "chunked"}}, status: 413, kind: "body-too-large"},
		{name: "no content type", method: "POST", target: asks, body: float, headers: []header{{"Content-Type", ""}}, status: 415, kind: "unsupported-media-type"},
		{name: "a form", method: "POST", target: asks, body: float, headers: []header{{"Content-Type", "application/x-www-form-urlencoded"}}, status: 415, kind: "unsupported-media-type"},
		{name: "like JSON", method: "POST", target: asks, body: float, headers: []header{{"Content-Type", "application/json5"}}, status: 415, kind: "unsupported-media-type"},
		{name: "another character set", method: "POST", target: asks, body: float, headers: []header{{"Content-Type", "application/json; charset=utf-16"}}, status: 415, kind: "unsupported-media-type"},
		{name: "compressed", method: "POST", target: asks, body: float, headers: []header{{"Content-Encoding", "gzip"}}, status: 415, kind: "unsupported-media-type"},
		{name: "record misspelt", method: "POST", target: asks + "?recrod=false", body: float, status: 400, kind: "bad-query", faults: []string{"recrod unknown_parameter"}},
		{name: "record no", method: "POST", target: asks + "?record=no", body: float, status: 400, kind: "bad-query", faults: []string{"record bad_value"}},
		{name: "record 0", method: "POST", target: asks + "?record=0", body: float, status: 400, kind: "bad-query", faults: []string{"record bad_value"}},
		{name: "record twice", method: "POST", target: asks + "?record=false&record=true", body: float, status: 400, kind: "bad-query", faults: []string{"record repeated_parameter"}},
		{name: "limit 0", method: "GET", target: asks + "?limit=0", status: 400, kind: "bad-query", faults: []string{"limit bad_value"}},
		{name: "limit 101", method: "GET", target: asks + "?limit=101", status: 400, kind: "bad-query", faults: []string{"limit bad_value"}},
		{name: "limit +5", method: "GET", target: asks + "?limit=%2B5", status: 400, kind: "bad-query", faults: []string{"limit bad_value"}},
		{name: "limit huge", method: "GET", target: asks + "?limit=99999999999999999999", status: 400, kind: "bad-query", faults: []string{"limit bad_value"}},
		{name: "all wrong", method: "GET", target: asks + "?limit=x&cursor=%20&jurisdiction=au&verdict=fine&page=2", status: 400, kind: "bad-query", faults: []string{"cursor bad_value", "jurisdiction bad_value", "limit bad_value", "page unknown_parameter", "verdict bad_value"}},
		{name: "empty cursor", method: "GET", target: asks + "?cursor=", status: 400, kind: "bad-query", faults: []string{"cursor bad_value"}},
		{name: "long cursor", method: "GET", target: asks + "?cursor=" + strings.Repeat("A", 129), status: 400, kind: "bad-query", faults: []string{"cursor bad_value"}},
		{name: "made-up cursor", method: "GET", target: asks + "?cursor=AAAA", status: 400, kind: "bad-query", faults: []string{"cursor bad_value"}},
		{name: "broken escape", method: "GET", target: asks + "?limit=%zz", status: 400, kind: "bad-query"},
		{name: "query where none is", method: "GET", target: "/livez?verbose", status: 400, kind: "bad-query", faults: []string{"verbose unknown_parameter"}},
		{name: "no such assessment", method: "GET", target: asks + "/" + id, status: 404, kind: "not-found"},
		{name: "no id", method: "GET", target: asks + "/x", status: 404, kind: "not-found"},
		{name: "replay of nothing", method: "POST", target: asks + "/" + id + "/replay", status: 404, kind: "not-found"},
		{name: "no such place", method: "GET", target: "/v1/jurisdictions/AQ", status: 404, kind: "not-found"},
		{name: "place in lower case", method: "GET", target: "/v1/jurisdictions/gb", status: 404, kind: "not-found"},
		{name: "no such ruleset", method: "GET", target: "/v1/rulesets/none", status: 404, kind: "not-found"},
		{name: "versions of no ruleset", method: "GET", target: "/v1/rulesets/none/versions", status: 404, kind: "not-found"},
		{name: "no such version", method: "GET", target: "/v1/rulesets/makers-ratings/versions/999", status: 404, kind: "not-found"},
		{name: "version 0", method: "GET", target: "/v1/rulesets/makers-ratings/versions/0", status: 404, kind: "not-found"},
		{name: "version one", method: "GET", target: "/v1/rulesets/makers-ratings/versions/one", status: 404, kind: "not-found"},
		{name: "no such source", method: "GET", target: "/v1/sources/none", status: 404, kind: "not-found"},
		{name: "no such path", method: "GET", target: "/v2/assessments", status: 404, kind: "not-found"},
		{name: "the root", method: "GET", target: "/", status: 404, kind: "not-found"},
		{name: "slash at the end", method: "GET", target: asks + "/", status: 404, kind: "not-found"},
		{name: "no such method", method: "DELETE", target: asks, status: 405, kind: "method-not-allowed"},
		{name: "PUT on one", method: "PUT", target: asks + "/" + id, body: float, status: 405, kind: "method-not-allowed"},
		{name: "GET a replay", method: "GET", target: asks + "/" + id + "/replay", status: 405, kind: "method-not-allowed"},
		{name: "invented method", method: "BREW", target: "/livez", status: 405, kind: "method-not-allowed"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := call(t, newServer(t), tt.method, tt.target, tt.body, tt.headers...)
			p := r.Problem(t)
			if r.Status != tt.status || p.Type != "/problems/"+tt.kind {
				t.Fatalf("status %d, type %s, want %d, %s: %s", r.Status, p.Type, tt.status, tt.kind, r.Body)
			}
			var got []string
			for _, f := range p.Errors {
				at := f.Parameter
				if f.Pointer != nil {
					at += *f.Pointer
				}
				got = append(got, at+" "+f.Code)
			}
			if !slices.Equal(got, tt.faults) {
				t.Errorf("faults are %q, want %q", got, tt.faults)
			}
			if tt.status == http.StatusMethodNotAllowed && r.Header.Get("Allow") == "" {
				t.Error("Allow is missing")
			}
			if got := r.Header.Get("Cache-Control"); got != "no-store" {
				t.Errorf("Cache-Control is %q", got)
			}
		})
	}
	t.Run("as many faults as the contract lets a problem have", func(t *testing.T) {
		if p := call(t, newServer(t), "POST", asks, many).Problem(t); len(p.Errors) != 25 {
			t.Errorf("%d faults are listed, want 25", len(p.Errors))
		}
		if p := call(t, newServer(t), "GET", asks+"?"+strings.Repeat("x&", 3)+"a=1&b=1&c=1&d=1&e=1&f=1&g=1&h=1&i=1&j=1&k=1&l=1&m=1&n=1&o=1&p=1&q=1&r=1&s=1&t=1&u=1&v=1&w=1&x=1&y=1&z=1&"+strings.Repeat("ä", 100), "").Problem(t); len(p.Errors) != 25 {
			t.Errorf("%d faults of the query are listed, want 25", len(p.Errors))
		}
	})
}

// TestTakenAsJSON: other ways to say application/json.
func TestTakenAsJSON(t *testing.T) {
	for _, kind := range []string{"application/json; charset=utf-8", "application/json;charset=UTF-8", "Application/JSON"} {
		req := httptest.NewRequest("POST", "/v1/assessments?record=false", strings.NewReader(float))
		req.Host = "localhost"
		req.Header.Set("Content-Type", kind)
		req.Header.Set("Content-Encoding", "identity")
		rec := httptest.NewRecorder()
		newServer(t).ServeHTTP(rec, req)
		if rec.Code != http.StatusOK {
			t.Errorf("%s: %d %s", kind, rec.Code, rec.Body)
		}
	}
	exactly := float + strings.Repeat(" ", rig.MaxBytes-len(float))
	if r := call(t, newServer(t), "POST", "/v1/assessments?record=false", exactly); r.Status != http.StatusOK {
		t.Errorf("a body of just %d bytes: %d %s", len(exactly), r.Status, r.Body)
	}
}

// unread is a body that nobody should look at.
type unread struct{ t *testing.T }

func (u unread) Read([]byte) (int, error) {
	u.t.Error("the body was read")
	return 0, io.EOF
}

// TestRefusedUnread: what is too large by its own word is not read first.
func TestRefusedUnread(t *testing.T) {
	req := httptest.NewRequest("POST", "/v1/assessments", unread{t})
	req.Host = "localhost"
	req.Header.Set("Content-Type", "application/json")
	req.ContentLength = rig.MaxBytes + 1
	rec := httptest.NewRecorder()
	newServer(t).ServeHTTP(rec, req)
	if rec.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("status %d: %s", rec.Code, rec.Body)
	}
}

func TestRequestID(t *testing.T) {
	h := newServer(t)
	for given, kept := range map[string]bool{
		"Tarn-Valley_7.1": true, strings.Repeat("a", 64): true, strings.Repeat("a", 65): false, "": false, "a b": false, "a/b": false, "ä": false, `"><x`: false,
	} {
		r := call(t, h, "GET", "/none", "", header{"X-Request-Id", given})
		got := r.Header.Get("X-Request-Id")
		if (got == given) != kept || !regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`).MatchString(got) {
			t.Errorf("id %q came back as %q", given, got)
		}
		if p := r.Problem(t); p.Instance != "/requests/"+got {
			t.Errorf("instance %q, id %q", p.Instance, got)
		}
	}
	a, b := call(t, h, "GET", "/livez", ""), call(t, h, "GET", "/livez", "")
	if a.Header.Get("X-Request-Id") == b.Header.Get("X-Request-Id") {
		t.Error("two requests have one id")
	}
}

func TestSecurityHeaders(t *testing.T) {
	for _, target := range []string{"/livez", "/none"} {
		r := call(t, newServer(t), "GET", target, "")
		for name, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer",
			"Content-Security-Policy": "default-src 'none'; base-uri 'none'; frame-ancestors 'none'", "Cache-Control": "no-store",
			"Strict-Transport-Security": "", // which only TLS may carry
		} {
			if got := r.Header.Get(name); got != want {
				t.Errorf("GET %s: %s is %q, want %q", target, name, got, want)
			}
		}
	}
	srv := httptest.NewTLSServer(newServer(t))
	defer srv.Close()
	res, err := srv.Client().Get(srv.URL + "/livez")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if got := res.Header.Get("Strict-Transport-Security"); got != "max-age=31536000; includeSubDomains" {
		t.Errorf("over TLS: Strict-Transport-Security is %q", got)
	}
}

// TestHead goes through a real server, which is what leaves the body out.
func TestHead(t *testing.T) {
	srv := httptest.NewServer(newServer(t))
	defer srv.Close()
	for path, want := range map[string]int{
		"/livez": 200, "/openapi.json": 200, "/v1/jurisdictions/GB": 200, "/v1/assessments": 200, "/v1/jurisdictions/AQ": 404,
		"/none": 404, "/v1/assessments?limit=0": 400, "/v1/assessments/AAAAAAAAAAAAAAAAAAAAAAAAAA/replay": 405,
	} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodHead, srv.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		res, err := srv.Client().Do(req)
		if err != nil {
			t.Fatalf("HEAD %s: %v", path, err)
		}
		body, err := io.ReadAll(res.Body)
		res.Body.Close()
		if err != nil || len(body) != 0 || res.StatusCode != want {
			t.Errorf("HEAD %s: %d with %d bytes (%v), want %d and none", path, res.StatusCode, len(body), err, want)
		}
		kind := "application/json"
		if want >= 400 {
			kind = "application/problem+json"
		}
		if got := res.Header.Get("Content-Type"); got != kind {
			t.Errorf("HEAD %s: Content-Type %q, want %q", path, got, kind)
		}
	}
}

// troubled is a store on which everything goes wrong in one way.
type troubled struct{ trouble func(context.Context) error }

func (s troubled) Put(ctx context.Context, _ service.Record) error { return s.trouble(ctx) }
func (s troubled) Get(ctx context.Context, _ string) (service.Record, error) {
	return service.Record{}, s.trouble(ctx)
}

func (s troubled) List(ctx context.Context, _ service.Filter) ([]service.Summary, error) {
	return nil, s.trouble(ctx)
}

func (s troubled) Status(ctx context.Context) (service.StoreStatus, error) {
	return service.StoreStatus{Kind: "postgres", Durable: true}, s.trouble(ctx)
}

// TestTrouble: what goes wrong in the service is told without its inside.
func TestTrouble(t *testing.T) {
	const secret = "host=10.9.8.7 password=hunter2"
	for name, tt := range map[string]struct {
		trouble func(context.Context) error
		status  int
		kind    string
	}{
		"panic":       {func(context.Context) error { panic(secret) }, 500, "internal"},
		"error":       {func(context.Context) error { return errors.New(secret) }, 500, "internal"},
		"unavailable": {func(context.Context) error { return fmt.Errorf("%s: %w", secret, service.ErrUnavailable) }, 503, "timeout"},
		"slow":        {func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }, 503, "timeout"},
	} {
		t.Run(name, func(t *testing.T) {
			var log lockedBuffer
			h := api.New(api.Config{
				Service: service.New(book(t), troubled{tt.trouble}, clock), Timeout: 20 * time.Millisecond,
				Logger: slog.New(slog.NewJSONHandler(&log, nil)),
			})
			for _, c := range []struct{ method, target, body string }{
				{"POST", "/v1/assessments", float},
				{"GET", "/v1/assessments", ""},
				{"GET", "/v1/assessments/AAAAAAAAAAAAAAAAAAAAAAAAAA", ""},
				{"POST", "/v1/assessments/AAAAAAAAAAAAAAAAAAAAAAAAAA/replay", ""},
			} {
				r := call(t, h, c.method, c.target, c.body)
				p := r.Problem(t)
				if r.Status != tt.status || p.Type != "/problems/"+tt.kind {
					t.Errorf("%s %s: %d %s, want %d %s", c.method, c.target, r.Status, p.Type, tt.status, tt.kind)
				}
				if bytes.Contains(r.Body, []byte("hunter2")) {
					t.Errorf("the reply tells what went wrong inside: %s", r.Body)
				}
				if got := r.Header.Get("Retry-After") != ""; got != (tt.status == 503) {
					t.Errorf("Retry-After set: %v", got)
				}
				id := r.Header.Get("X-Request-Id")
				if tt.status == 500 && !strings.Contains(log.String(), id) {
					t.Errorf("the log does not have %s", id)
				}
			}
			if tt.status == 500 && !strings.Contains(log.String(), "hunter2") {
				t.Error("the log does not tell what went wrong")
			}
			// What needs no store goes on.
			if r := call(t, h, "POST", "/v1/assessments?record=false", float); r.Status != 200 {
				t.Errorf("an answer that is not kept: %d %s", r.Status, r.Body)
			}
			if name == "panic" {
				return
			}
			if r := call(t, h, "GET", "/readyz", ""); r.Status != 503 || decode[service.Readiness](t, r).Ready {
				t.Errorf("readyz: %d %s", r.Status, r.Body)
			}
		})
	}
}

// lockedBuffer is a log that tests read while it is written.
type lockedBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

func TestAccessLog(t *testing.T) {
	var log lockedBuffer
	h := api.New(api.Config{Service: service.New(book(t), memory.New(0), clock), Logger: slog.New(slog.NewJSONHandler(&log, nil))})
	a := decode[service.Assessment](t, call(t, h, "POST", "/v1/assessments", float))
	r := call(t, h, "GET", "/v1/assessments/"+a.ID, "", header{"X-Request-Id", "yard-1"})
	call(t, h, "GET", "/v1/assessments?jurisdiction=GB", "")
	call(t, h, "GET", "/secret-path", "")
	text := log.String()
	for _, private := range []string{a.ID, "2400 kg", "GB", "secret-path"} {
		if strings.Contains(text, private) {
			t.Errorf("the log has %q:\n%s", private, text)
		}
	}
	lines := strings.Split(strings.TrimSpace(text), "\n")
	if len(lines) != 4 {
		t.Fatalf("%d lines for 4 requests:\n%s", len(lines), text)
	}
	var line struct {
		Msg       string  `json:"msg"`
		RequestID string  `json:"request_id"`
		Method    string  `json:"method"`
		Route     string  `json:"route"`
		Status    int     `json:"status"`
		Bytes     int     `json:"bytes"`
		Took      float64 `json:"took_ms"`
	}
	if err := json.Unmarshal([]byte(lines[1]), &line); err != nil {
		t.Fatal(err)
	}
	if line.Msg != "request" || line.RequestID != "yard-1" || line.Method != "GET" || line.Route != "/v1/assessments/:id" || line.Status != 200 || line.Bytes != len(r.Body) {
		t.Errorf("the line is %s", lines[1])
	}
	if !strings.Contains(lines[3], `"route":"none","status":404`) {
		t.Errorf("the line of a path that is not there is %s", lines[3])
	}
}

// TestSlowBody: a body that stops coming is answered as a problem.
func TestSlowBody(t *testing.T) {
	srv := httptest.NewUnstartedServer(newServer(t))
	srv.Config.ReadTimeout = 100 * time.Millisecond
	srv.Start()
	defer srv.Close()
	conn, err := new(net.Dialer).DialContext(t.Context(), "tcp", srv.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(conn, "POST /v1/assessments HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n{", len(float))
	res, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatalf("no reply: %v", err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	r := openapitest.Reply{Status: res.StatusCode, Header: res.Header, Body: body}
	if p := r.Problem(t); res.StatusCode != http.StatusRequestTimeout || p.Type != "/problems/request-timeout" {
		t.Errorf("status %d, %+v", res.StatusCode, p)
	}
}

func TestManyAtOnce(t *testing.T) {
	h := newServer(t)
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 5 {
				r := call(t, h, "POST", "/v1/assessments", float)
				if r.Status != http.StatusCreated {
					t.Errorf("status %d: %s", r.Status, r.Body)
					return
				}
				call(t, h, "GET", r.Header.Get("Location"), "")
				call(t, h, "GET", "/v1/assessments?limit=5", "")
			}
		})
	}
	wg.Wait()
}

// FuzzRigOverHTTP: whatever is sent, the answer is an answer or a problem as
// the contract says, and what is accepted is what the contract allows.
func FuzzRigOverHTTP(f *testing.F) {
	for _, seed := range []string{
		float, `{}`, `{"jurisdiction":"GB"}`, ` null `, `[[[[[[[[[[[`, `{"jurisdiction":"GB","jurisdiction":"AU"}`, `{"a":1}{"b":2}`, "\xff\xfe", "\x00",
		`{"jurisdiction":"GB","trailer":{"tare":"1e3 kg"}}`, `{"jurisdiction":"GB","trailer":{"tare":" 1.50 t ","rated":{"total":"3000 lb"}}}`,
		`{"jurisdiction":"US-CA","vehicle":{"rated":{"axles":["1 t","2 t"]},"laden":{"axles":[]}},"parts":[]}`,
		`{"jurisdiction":"AU-NSW","as_of":"1899-12-31","driver":{"licence":"\ud800\u0000"}}`, `{"jurisdiction":"NZ","as_of":"2024-02-29","trailer":{"axle_count":2.0}}`,
		`{"jurisdiction":"DE","parts":[{"role":"chain","count":2,"breaking_force":"49 kN","grade":"L<&>\u2028"}],"trailer":{"approvals":["un-r13","un-r13"],"brakes":{"kind":"none","axle_positions":[0]}}}`,
		`{"jurisdiction":"GB","trailer":{"axle_count":-0,"laden":{"total":"0 kg","axles":"0 kg","ball":"0 kg"}}}`,
	} {
		f.Add([]byte(seed))
	}
	h := newServer(f)
	f.Fuzz(func(t *testing.T, body []byte) {
		r := call(t, h, "POST", "/v1/assessments?record=false", string(body), header{"Content-Type", "application/json"})
		if r.Status >= 500 {
			t.Errorf("status %d: %s", r.Status, r.Body)
		}
		if r.Status != http.StatusOK {
			r.Problem(t)
		}
	})
}

// FuzzTarget: no path or query makes the service fail.
func FuzzTarget(f *testing.F) {
	for _, seed := range []string{
		"/v1/assessments?limit=3&cursor=MTc2.AAA", "/v1/assessments?cursor=MTIzLkFBQQ", "/v1/rulesets/../x", "/v1/rulesets/%2e%2e", "/v1/sources/%00", "/v1/jurisdictions/AU-NSW?",
		"//v1//assessments", "/v1/rulesets/makers-ratings/versions/1;2", "/openapi.json#x", "/v1/assessments/%zz", "/?=&=", "/v1/sources/a%2Fb",
	} {
		f.Add("GET", seed)
		f.Add("POST", seed)
		f.Add("HEAD", seed)
	}
	h := newServer(f)
	f.Fuzz(func(t *testing.T, method, target string) {
		req, err := http.ReadRequest(bufio.NewReader(strings.NewReader(method + " " + target + " HTTP/1.1\r\nHost: localhost\r\n\r\n")))
		if err != nil {
			t.Skip("net/http refuses it")
		}
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, req)
		r := openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()}
		if r.Status >= 500 {
			t.Errorf("%s %s: status %d: %s", method, target, r.Status, r.Body)
		}
		if r.Status >= 400 {
			r.Problem(t)
		}
	})
}

func BenchmarkAssessOverHTTP(b *testing.B) {
	h := newServer(b)
	b.ReportAllocs()
	for b.Loop() {
		req := httptest.NewRequest("POST", "/v1/assessments?record=false", strings.NewReader(float))
		req.Host = "localhost"
		req.Header.Set("Content-Type", "application/json")
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, req)
		if rec.Code != http.StatusOK {
			b.Fatalf("status %d", rec.Code)
		}
	}
}
