package api_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules"
	comparison "drawgear/rules/compare"
	"drawgear/rules/law"
	"drawgear/service"
)

// zzLaw is the law of a place that is not.
const zzLaw = `ruleset: zz-light-trailers
version: 1
title: Light trailers in Zz
jurisdiction: ZZ
effective: {from: 2014-07-01}
reviewed: 2026-11-25
sources:
  - {id: zz-code, title: Code, publisher: State of Zz, published: undated, kind: regulation, checked: {how: text, on: 2026-11-25}}
rules:
  - id: zz.brakes
    says: Over 750 kg every trailer is braked.
    when: trailer.rated.axles > kg(750)
    oblige: {service_brakes: {required: true}}
    cite: {source: zz-code, clause: "1", how: text, confidence: high}
`

// yardRules are house rules of the place.
const yardRules = `ruleset: house-yard
version: 1
title: Saltmarsh Yard
jurisdiction: ZZ
effective: {from: 2020-01-01}
reviewed: 2026-11-25
extends: [zz-light-trailers]
sources:
  - {id: yard-book, title: Yard book, publisher: Saltmarsh Yard, edition: third, kind: practice, checked: {how: text, on: 2026-11-25}}
rules:
  - id: house.brakes
    says: Over 500 kg we fit brakes.
    level: practice
    when: trailer.rated.axles > kg(500)
    oblige: {service_brakes: {required: true}}
    cite: {source: yard-book, clause: "2", how: text}
examples:
  - name: heavy
    rig: {trailer: {rated: {axles: 501 kg}, brakes: {kind: none}}}
    expect: {findings: {house.brakes: not_met}}
`

// office is a service with keys whose law changes.
type office struct {
	h           http.Handler
	author      header // of Saltmarsh Yard
	approver    header
	reader      header
	valley      header // everything, of Tarn Valley
	store       *memory.Store
	secondsPast *atomic.Int64
}

func newOffice(t testing.TB) office {
	t.Helper()
	o := office{store: memory.New(0), secondsPast: new(atomic.Int64)}
	now := func() time.Time { return clock().Add(time.Duration(o.secondsPast.Load()) * time.Second) }
	log := slog.New(slog.DiscardHandler)
	snapshots := service.NewSnapshots(o.store, log, now)
	if err := snapshots.Start(t.Context(), [][]byte{[]byte(zzLaw)}); err != nil {
		t.Fatal(err)
	}
	keys := service.NewKeyring(o.store, now)
	key := func(tenant, name string, scopes ...service.Scope) header {
		if err := o.store.PutTenant(t.Context(), service.Tenant{ID: tenant, Name: name, CreatedAt: now()}); err != nil {
			t.Fatal(err)
		}
		_, text, err := keys.Issue(service.WithCaller(t.Context(), service.Operator(tenant)), name, scopes, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		return bearer(text.Reveal())
	}
	const saltmarsh, tarn = "00000000-0000-0000-0000-00000000005a", "00000000-0000-0000-0000-00000000007a"
	o.author = key(saltmarsh, "author", service.ScopeAuthor, service.ScopeAssess, service.ScopeRead)
	o.approver = key(saltmarsh, "approver", service.ScopeApprove, service.ScopeAuthor)
	o.reader = key(saltmarsh, "reader", service.ScopeRead)
	o.valley = key(tarn, "valley", service.Scopes...)
	o.h = api.New(api.Config{
		Service: service.NewLive(snapshots, o.store, now), Authoring: service.NewAuthoring(o.store, snapshots, now),
		Auth: service.Bearers{Keys: keys}, Keys: keys,
	})
	return o
}

const yardPath = "/v1/rulesets/house-yard/versions/1"

var asYAML = header{"Content-Type", "application/yaml"}

func match(r openapitest.Reply) header { return header{"If-Match", r.Header.Get("ETag")} }

func wantStatus(t testing.TB, what string, r openapitest.Reply, status int) openapitest.Reply {
	t.Helper()
	if r.Status != status {
		t.Fatalf("%s: status %d, want %d: %s", what, r.Status, status, r.Body)
	}
	return r
}

func wantProblem(t testing.TB, what string, r openapitest.Reply, status int, kind string) openapitest.Problem {
	t.Helper()
	p := r.Problem(t)
	if r.Status != status || p.Type != "/problems/"+kind {
		t.Errorf("%s: status %d, %s, want %d, %s: %s", what, r.Status, p.Type, status, kind, r.Body)
	}
	return p
}

// publish takes the yard's rules through their life.
func (o office) publish(t testing.TB, document string) openapitest.Reply {
	t.Helper()
	r := wantStatus(t, "draft", call(t, o.h, "POST", "/v1/rulesets", document, o.author, asYAML), 201)
	path := r.Header.Get("Location")
	r = wantStatus(t, "approve", call(t, o.h, "POST", path+"/approve", "", o.approver, match(r)), 200)
	o.secondsPast.Add(1)
	return wantStatus(t, "publish", call(t, o.h, "POST", path+"/publish", "", o.approver, match(r)), 200)
}

const light = `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"600 kg"},"brakes":{"kind":"none"}}}`

func (o office) rulesetsFor(t testing.TB, target string, key header) []rules.RulesetRef {
	t.Helper()
	r := call(t, o.h, "POST", target, light, key)
	if r.Status >= 300 {
		t.Fatalf("assess: %d %s", r.Status, r.Body)
	}
	var answer rules.Answer
	if err := json.Unmarshal(decode[service.Assessment](t, r).Answer, &answer); err != nil {
		t.Fatal(err)
	}
	return answer.Rulesets
}

func TestLifeOfRuleset(t *testing.T) {
	o := newOffice(t)
	draft := wantStatus(t, "draft", call(t, o.h, "POST", "/v1/rulesets", yardRules, o.author, asYAML), 201)
	if draft.Header.Get("Location") != yardPath || draft.Header.Get("ETag") == "" {
		t.Errorf("the draft has headers %v", draft.Header)
	}
	read := wantStatus(t, "read", call(t, o.h, "GET", yardPath, "", o.reader), 200)
	if string(read.Body) != string(draft.Body) || match(read) != match(draft) {
		t.Errorf("it reads as %s, was %s", read.Body, draft.Body)
	}
	if r := call(t, o.h, "HEAD", yardPath, "", o.reader); r.Status != 200 || match(r) != match(draft) {
		t.Errorf("HEAD: %d %v", r.Status, r.Header)
	}
	version := decode[service.RulesetVersion](t, draft)
	if sum := sha256.Sum256(version.Document); version.State != service.Draft || version.SHA256 != hex.EncodeToString(sum[:]) || version.AuthoredBy == "" {
		t.Errorf("the draft is %+v", version)
	}
	report := decode[service.Report](t, wantStatus(t, "check", call(t, o.h, "POST", yardPath+"/check", "", o.author), 200))
	if !report.Passes || report.Examples.Run != 1 || len(report.Untried) != 1 || len(report.Survey) != 1 {
		t.Errorf("the report is %+v", report)
	}
	wantProblem(t, "again", call(t, o.h, "POST", "/v1/rulesets", yardRules, o.author, asYAML), 409, "ruleset-exists")
	wantProblem(t, "no tag", call(t, o.h, "PUT", yardPath, yardRules, o.author, asYAML), 428, "precondition-required")
	wantProblem(t, "stale", call(t, o.h, "PUT", yardPath, yardRules, o.author, asYAML, header{"If-Match", `"gone"`}), 412, "stale")
	p := wantProblem(t, "another path", call(t, o.h, "PUT", yardPath, strings.Replace(yardRules, "version: 1", "version: 2", 1), o.author, asYAML, match(draft)), 422, "invalid-ruleset")
	if len(p.Errors) != 1 || *p.Errors[0].Pointer != "/version" {
		t.Errorf("another path: %+v", p)
	}
	wantProblem(t, "nothing there", call(t, o.h, "PUT", "/v1/rulesets/house-yard/versions/7", yardRules, o.author, asYAML, match(draft)), 404, "not-found")

	next := wantStatus(t, "replace", call(t, o.h, "PUT", yardPath, strings.Replace(yardRules, "Over 500", "Above 500", 1), o.author, asYAML, match(draft)), 200)
	wantProblem(t, "stale approval", call(t, o.h, "POST", yardPath+"/approve", "", o.approver, match(draft)), 412, "stale")
	wantProblem(t, "blind approval", call(t, o.h, "POST", yardPath+"/approve", "", o.approver), 428, "precondition-required")
	wantProblem(t, "early", call(t, o.h, "POST", yardPath+"/publish", "", o.approver, match(next)), 409, "ruleset-state")
	// Who may do both still needs another for their own text.
	own := wantStatus(t, "replace", call(t, o.h, "PUT", yardPath, yardRules, o.approver, asYAML, match(next)), 200)
	wantProblem(t, "own text", call(t, o.h, "POST", yardPath+"/approve", "", o.approver, match(own)), 409, "own-text")
	wantProblem(t, "without scope", call(t, o.h, "POST", yardPath+"/approve", "", o.author, match(own)), 403, "forbidden")
	next = wantStatus(t, "replace", call(t, o.h, "PUT", yardPath, yardRules, o.author, asYAML, match(own)), 200)
	next = wantStatus(t, "approve", call(t, o.h, "POST", yardPath+"/approve", "", o.approver, match(next)), 200)
	wantProblem(t, "too late", call(t, o.h, "PUT", yardPath, yardRules, o.author, asYAML, match(next)), 409, "ruleset-state")
	if got := o.rulesetsFor(t, "/v1/assessments?record=false", o.author); len(got) != 1 {
		t.Errorf("what is not published answers: %+v", got)
	}
	next = wantStatus(t, "publish", call(t, o.h, "POST", yardPath+"/publish", "", o.approver, match(next)), 200)
	published := decode[service.RulesetVersion](t, next)
	if published.State != service.Published || published.ApprovedBy == published.AuthoredBy || published.PublishedAt.IsZero() {
		t.Errorf("published: %+v", published)
	}
	if got := o.rulesetsFor(t, "/v1/assessments?record=false", o.author); len(got) != 2 || got[1].SHA256 != published.SHA256 {
		t.Errorf("answered by %+v", got)
	}
	if got := o.rulesetsFor(t, "/v1/assessments?record=false", o.valley); len(got) != 1 {
		t.Errorf("another tenant is answered by %+v", got)
	}
	kept := wantStatus(t, "assess", call(t, o.h, "POST", "/v1/assessments", light, o.author), 201).Header.Get("Location")

	wantProblem(t, "no reason", call(t, o.h, "POST", yardPath+"/withdraw", `{"reason":""}`, o.approver, match(next)), 422, "invalid-body")
	wantProblem(t, "no body", call(t, o.h, "POST", yardPath+"/withdraw", `{}`, o.approver, match(next)), 422, "invalid-body")
	gone := wantStatus(t, "withdraw", call(t, o.h, "POST", yardPath+"/withdraw", `{"reason":"All trailers get brakes."}`, o.approver, match(next)), 200)
	wantProblem(t, "again", call(t, o.h, "POST", yardPath+"/withdraw", `{"reason":"again"}`, o.approver, match(gone)), 409, "ruleset-state")
	if got := o.rulesetsFor(t, "/v1/assessments?record=false", o.author); len(got) != 1 {
		t.Errorf("what is withdrawn answers: %+v", got)
	}
	if r := decode[service.Replay](t, call(t, o.h, "POST", kept+"/replay", "", o.reader)); !r.Same {
		t.Error("the replay is another answer")
	}
	lines := decode[service.All[service.VersionLine]](t, call(t, o.h, "GET", "/v1/rulesets/house-yard/versions", "", o.reader)).Items
	if len(lines) != 1 || lines[0].State != service.Withdrawn || lines[0].Reason != "All trailers get brakes." || lines[0].WithdrawnAt.IsZero() || lines[0].AuthoredBy != published.AuthoredBy {
		t.Errorf("it is listed as %+v", lines)
	}
	for _, path := range []string{"", "/check", "/approve", "/publish", "/withdraw", "/compare?with=1"} {
		method, body := "POST", ""
		switch path {
		case "", "/compare?with=1":
			method = "GET"
		case "/withdraw":
			body = `{"reason":"theirs"}`
		}
		wantProblem(t, "another tenant: "+path, call(t, o.h, method, yardPath+path, body, o.valley, match(gone)), 404, "not-found")
	}
	wantProblem(t, "another tenant: list", call(t, o.h, "GET", "/v1/rulesets/house-yard/versions", "", o.valley), 404, "not-found")
	wantProblem(t, "what ships", call(t, o.h, "POST", "/v1/rulesets/zz-light-trailers/versions/1/withdraw", `{"reason":"no"}`, o.approver, header{"If-Match", "*"}), 404, "not-found")
}

// TestDraftForms: a document may come in YAML or in JSON, and in nothing else.
func TestDraftForms(t *testing.T) {
	o := newOffice(t)
	var tree any
	if err := yaml.Unmarshal([]byte(strings.NewReplacer("2020-01-01", `"2020-01-01"`, "2026-11-25", `"2026-11-25"`).Replace(yardRules)), &tree); err != nil {
		t.Fatal(err)
	}
	asJSON, err := json.MarshalIndent(tree, "", "\t")
	if err != nil {
		t.Fatal(err)
	}
	want := decode[service.RulesetVersion](t, wantStatus(t, "YAML", call(t, o.h, "POST", "/v1/rulesets", yardRules, o.author, asYAML), 201)).SHA256
	for name, h := range map[string]header{
		"JSON": {"Content-Type", "application/json"}, "JSON in capitals": {"Content-Type", "Application/JSON; charset=UTF-8"},
	} {
		r := wantStatus(t, name, call(t, o.h, "PUT", yardPath, string(asJSON), o.author, h, header{"If-Match", "*"}), 200)
		if got := decode[service.RulesetVersion](t, r).SHA256; got != want {
			t.Errorf("%s is another text than YAML", name)
		}
	}
	wantStatus(t, "YAML with parameters", call(t, o.h, "PUT", yardPath, yardRules, o.author, header{"Content-Type", "application/yaml; charset=utf-8"}, header{"If-Match", "*"}), 200)
	for name, c := range map[string]struct {
		body   string
		hs     []header
		status int
		kind   string
	}{
		"text":                     {yardRules, []header{{"Content-Type", "text/plain"}}, 415, "unsupported-media-type"},
		"a kind alike":             {yardRules, []header{{"Content-Type", "application/yamlish"}}, 415, "unsupported-media-type"},
		"compressed":               {yardRules, []header{asYAML, {"Content-Encoding", "gzip"}}, 415, "unsupported-media-type"},
		"another script":           {yardRules, []header{{"Content-Type", "application/yaml; charset=utf-16"}}, 415, "unsupported-media-type"},
		"too large":                {yardRules + strings.Repeat("#", law.MaxBytes), []header{asYAML}, 413, "body-too-large"},
		"too large, length unsaid": {yardRules + strings.Repeat("#", law.MaxBytes), []header{asYAML, {"Transfer-Encoding", "chunked"}}, 413, "body-too-large"},
		"no YAML":                  {"a: [", []header{asYAML}, 422, "invalid-ruleset"},
		"no JSON":                  {"{", []header{{"Content-Type", "application/json"}}, 422, "invalid-ruleset"},
		"nothing":                  {" ", []header{asYAML}, 422, "invalid-ruleset"},
	} {
		wantProblem(t, name, call(t, o.h, "POST", "/v1/rulesets", c.body, append(c.hs, o.author)...), c.status, c.kind)
	}
	wantProblem(t, "no body", call(t, o.h, "POST", "/v1/rulesets", "", o.author, asYAML), 400, "malformed-json")
	if page := decode[service.All[service.Ruleset]](t, call(t, o.h, "GET", "/v1/rulesets", "", o.reader)); len(page.Items) != 2 {
		t.Errorf("something refused was kept: %+v", page.Items)
	}
}

// TestDraftFaults: every fault has its place.
func TestDraftFaults(t *testing.T) {
	o := newOffice(t)
	text := strings.NewReplacer("kg(500)", "m(500)", "level: practice", "level: advice", `clause: "2"`, `clouse: "2"`).Replace(yardRules)
	p := wantProblem(t, "a name that is none", call(t, o.h, "POST", "/v1/rulesets", text, o.author, asYAML), 422, "invalid-ruleset")
	if len(p.Errors) != 1 || p.Errors[0].Line != 16 || !strings.Contains(p.Errors[0].Message, "clouse") {
		t.Errorf("a name that is none: %+v", p.Errors)
	}
	p = wantProblem(t, "two faults", call(t, o.h, "POST", "/v1/rulesets", strings.Replace(text, "clouse", "clause", 1), o.author, asYAML), 422, "invalid-ruleset")
	at := map[string]string{}
	for _, e := range p.Errors {
		at[fmt.Sprintf("%d:%d", e.Line, e.Column)] = e.Message
	}
	if len(at) != 2 || !strings.Contains(at["11:5"], "level") || !strings.Contains(at["14:31"], "found no matching form") {
		t.Errorf("two faults: %v", at)
	}
	p = wantProblem(t, "a relief", call(t, o.h, "POST", "/v1/rulesets", strings.Replace(yardRules, "required: true", "required: false", 1), o.author, asYAML), 422, "invalid-ruleset")
	if len(p.Errors) != 1 || *p.Errors[0].Pointer != "/rules/0/oblige" || p.Errors[0].Line != 15 {
		t.Errorf("a relief: %+v", p.Errors)
	}
	many := strings.Replace(yardRules, "extends: [zz-light-trailers]", "extends: ["+strings.Repeat("none, ", 200)+"zz-light-trailers]", 1)
	if p := wantProblem(t, "many", call(t, o.h, "POST", "/v1/rulesets", many, o.author, asYAML), 422, "invalid-ruleset"); len(p.Errors) != 25 {
		t.Errorf("many: %d faults are told", len(p.Errors))
	}
}

func TestFailedCheck(t *testing.T) {
	o := newOffice(t)
	text := strings.NewReplacer("house.brakes: not_met", "house.brakes: met", "examples:", `  - id: house.air
    says: Air brakes.
    level: practice
    oblige: {service_brakes: {kinds: [air]}}
    cite: {source: yard-book, how: text}
  - id: house.electric
    says: Electric brakes.
    level: practice
    oblige: {service_brakes: {kinds: [electric]}}
    cite: {source: yard-book, how: text}
examples:`).Replace(yardRules)
	draft := wantStatus(t, "draft", call(t, o.h, "POST", "/v1/rulesets", text, o.author, asYAML), 201)
	p := wantProblem(t, "approve", call(t, o.h, "POST", yardPath+"/approve", "", o.approver, match(draft)), 409, "check-failed")
	if len(p.Errors) != 2 || !strings.Contains(p.Errors[0].Message, "want met") || !strings.Contains(p.Errors[1].Message, "house.air") {
		t.Errorf("told is %+v", p.Errors)
	}
	report := decode[service.Report](t, wantStatus(t, "check", call(t, o.h, "POST", yardPath+"/check", "", o.author), 200))
	if report.Passes || report.Conflicts != 1 || len(report.Citations) != 2 {
		t.Errorf("the report is %+v", report)
	}
}

func TestTooManyDrafts(t *testing.T) {
	o := newOffice(t)
	for i := range service.MaxDrafts + 1 {
		r := call(t, o.h, "POST", "/v1/rulesets", strings.Replace(yardRules, "version: 1", fmt.Sprintf("version: %d", i+1), 1), o.author, asYAML)
		if i == service.MaxDrafts {
			wantProblem(t, "one more", r, 409, "too-many-drafts")
		} else {
			wantStatus(t, "a draft", r, 201)
		}
	}
}

func TestRulesetInUse(t *testing.T) {
	o := newOffice(t)
	base := o.publish(t, yardRules)
	o.publish(t, strings.NewReplacer("house-yard", "house-more", "[zz-light-trailers]", "[house-yard]", "house.brakes", "house.more").Replace(yardRules))
	p := wantProblem(t, "withdraw", call(t, o.h, "POST", yardPath+"/withdraw", `{"reason":"not wanted"}`, o.approver, match(base)), 409, "ruleset-in-use")
	if !strings.Contains(p.Detail, "house-more") {
		t.Errorf("the detail is %q", p.Detail)
	}
}

func TestCompareOverHTTP(t *testing.T) {
	o := newOffice(t)
	o.publish(t, yardRules)
	two := strings.NewReplacer("version: 1", "version: 2", "kg(500)", "kg(600)", "501 kg", "601 kg", "level: practice", "level: rating").Replace(yardRules)
	wantStatus(t, "draft", call(t, o.h, "POST", "/v1/rulesets", two, o.author, asYAML), 201)
	for _, target := range []string{yardPath + "/compare?with=2", "/v1/rulesets/house-yard/versions/2/compare?with=1&jurisdiction=ZZ&as_of=2026-11-25"} {
		c := decode[comparison.Comparison](t, wantStatus(t, target, call(t, o.h, "GET", target, "", o.reader), 200))
		if c.Older != 1 || c.Newer != 2 || len(c.Changed) != 1 || len(c.Rigs) == 0 || c.Tried == 0 {
			t.Errorf("%s: %+v", target, c)
		}
	}
	for query, kind := range map[string]string{
		"": "bad-query", "?with=": "bad-query", "?with=x": "bad-query", "?with=1&with=2": "bad-query", "?with=2&as_of=tomorrow": "bad-query",
		"?with=3": "not-found", "?with=2&jurisdiction=YY": "unknown-jurisdiction",
	} {
		status := map[string]int{"bad-query": 400, "not-found": 404, "unknown-jurisdiction": 422}[kind]
		wantProblem(t, "compare"+query, call(t, o.h, "GET", yardPath+"/compare"+query, "", o.reader), status, kind)
	}
}

func TestKnownAtOverHTTP(t *testing.T) {
	o := newOffice(t)
	before := clock().Add(500 * time.Millisecond).UTC().Format("2006-01-02T15:04:05.000Z")
	o.publish(t, yardRules)
	o.secondsPast.Add(10)
	if got := o.rulesetsFor(t, "/v1/assessments?record=false", o.author); len(got) != 2 {
		t.Errorf("as known now: %+v", got)
	}
	if got := o.rulesetsFor(t, "/v1/assessments?record=false&known_at="+before, o.author); len(got) != 1 {
		t.Errorf("as known before: %+v", got)
	}
	r := wantStatus(t, "keep", call(t, o.h, "POST", "/v1/assessments?known_at="+before, light, o.author), 201)
	a := decode[service.Assessment](t, r)
	read := wantStatus(t, "read", call(t, o.h, "GET", r.Header.Get("Location"), "", o.reader), 200)
	if a.KnownAt.Format("2006-01-02T15:04:05.000Z") != before || string(read.Body) != string(r.Body) {
		t.Errorf("kept %s, read %s", r.Body, read.Body)
	}
	if again := decode[service.Replay](t, call(t, o.h, "POST", r.Header.Get("Location")+"/replay", "", o.reader)); !again.Same {
		t.Error("the replay is another answer")
	}
	later := clock().Add(time.Hour).UTC().Format(time.RFC3339)
	for _, text := range []string{"", "yesterday", "2026-11-25", "2026-13-25T12:00:00Z", "2026-11-25T12:00:00%2B01:00", "2026-11-25T12:00:00.1234567Z", later, before + "&known_at=" + before} {
		p := wantProblem(t, text, call(t, o.h, "POST", "/v1/assessments?record=false&known_at="+text, light, o.author), 400, "bad-query")
		if len(p.Errors) > 1 || len(p.Errors) == 1 && p.Errors[0].Parameter != "known_at" {
			t.Errorf("%q: %+v", text, p)
		}
	}
	wantProblem(t, "long ago", call(t, o.h, "POST", "/v1/assessments?record=false&known_at=0001-01-01T00:00:00Z", light, o.author), 422, "unknown-jurisdiction")
}

// TestLawThatStays: a service over a fixed book says that nothing is written
// here.
func TestLawThatStays(t *testing.T) {
	h := newServer(t)
	wantProblem(t, "draft", call(t, h, "POST", "/v1/rulesets", yardRules, asYAML), 404, "not-found")
	id := book(t).Rulesets()[0]
	path := fmt.Sprintf("/v1/rulesets/%s/versions/%d", id.Ruleset, id.Version)
	r := wantStatus(t, "read", call(t, h, "GET", path, ""), 200)
	if v := decode[service.RulesetVersion](t, r); v.State != service.Published || v.AuthoredBy != "" {
		t.Errorf("what ships reads as %+v", v.Life)
	}
	wantStatus(t, "compare", call(t, h, "GET", path+fmt.Sprintf("/compare?with=%d", id.Version), ""), 200)
	for _, step := range []string{"/check", "/approve", "/publish"} {
		wantProblem(t, step, call(t, h, "POST", path+step, "", header{"If-Match", "*"}), 404, "not-found")
	}
	wantProblem(t, "replace", call(t, h, "PUT", path, yardRules, asYAML, header{"If-Match", "*"}), 404, "not-found")
	wantProblem(t, "withdraw", call(t, h, "POST", path+"/withdraw", `{"reason":"no"}`, header{"If-Match", "*"}), 404, "not-found")
}
