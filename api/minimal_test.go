package api_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/service"
)

var inLittle = header{"Prefer", "return=minimal"}

// little is what the contract says that an answer in little has of the whole one,
// taken out of its JSON.
func little(t testing.TB, whole map[string]any) map[string]any {
	t.Helper()
	some := func(of any, names ...string) map[string]any {
		out := map[string]any{}
		for _, name := range names {
			v, ok := of.(map[string]any)[name]
			if !ok {
				t.Fatalf("the whole has no %s: %v", name, of)
			}
			out[name] = v
		}
		return out
	}
	each := func(of any, keep func(map[string]any) bool, names ...string) []any {
		out := []any{}
		for _, x := range of.([]any) {
			if keep(x.(map[string]any)) {
				out = append(out, some(x, names...))
			}
		}
		return out
	}
	all := func(map[string]any) bool { return true }
	out := some(whole, "jurisdiction", "as_of", "verdict", "not_covered")
	answers := map[string]any{}
	for name, q := range whole["answers"].(map[string]any) {
		answers[name] = some(q, "required", "holds", "covered")
	}
	out["answers"] = answers
	out["findings"] = each(whole["findings"], func(f map[string]any) bool {
		return f["level"] != "practice" && f["status"] != "not_applicable"
	}, "id", "status")
	out["missing"] = each(whole["missing"], all, "pointer")
	out["rulesets"] = each(whole["rulesets"], all, "id", "version", "sha256")
	out["cautions"] = whole["cautions"].([]any)[:1]
	return out
}

// sameInLittle holds an answer in little to the whole one.
func sameInLittle(t testing.TB, got, whole map[string]any) {
	t.Helper()
	own := got["cautions"].([]any)
	if len(own) != 2 || !strings.Contains(own[1].(string), "whole") {
		t.Fatalf("it does not say what is left out: %v", own)
	}
	got["cautions"] = own[:1]
	if want := little(t, whole); !reflect.DeepEqual(got, want) {
		t.Fatalf("in little it is\n%v\nwant\n%v", got, want)
	}
}

func object(t testing.TB, v any, path ...string) map[string]any {
	t.Helper()
	for _, name := range path {
		m, ok := v.(map[string]any)
		if !ok {
			t.Fatalf("nothing at %s in %v", name, v)
		}
		v = m[name]
	}
	m, ok := v.(map[string]any)
	if !ok {
		t.Fatalf("no object at %v", path)
	}
	return m
}

// TestMinimal draws rigs and places: the answer in little is what the contract says
// of the whole one, no more and no less, and what refuses one refuses the other.
func TestMinimal(t *testing.T) {
	h := newServer(t)
	document, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	var places []string
	for _, p := range book(t).Jurisdictions() {
		places = append(places, p.Code)
	}
	places = append(places, "ZZ")
	answered := 0
	rapid.Check(t, func(rt *rapid.T) {
		var rig map[string]any
		if err := json.Unmarshal(document, &rig); err != nil {
			rt.Fatal(err)
		}
		rig["jurisdiction"] = rapid.SampledFrom(places).Draw(rt, "place")
		var change func(at string, m map[string]any)
		change = func(at string, m map[string]any) {
			for _, name := range sortedNames(m) {
				if below, ok := m[name].(map[string]any); ok {
					change(at+"/"+name, below)
				}
				switch text, is := m[name].(string); rapid.IntRange(0, 9).Draw(rt, at+"/"+name) {
				case 0:
					if name != "jurisdiction" {
						delete(m, name)
					}
				case 1:
					if is && strings.HasSuffix(text, " kg") {
						m[name] = rapid.SampledFrom([]string{"100 kg", "750 kg", "750.001 kg", "2000 kg", "3500 kg", "4501 kg"}).Draw(rt, "mass")
					}
				}
			}
		}
		change("", rig)
		body, err := json.Marshal(rig)
		if err != nil {
			rt.Fatal(err)
		}
		target := "/v1/assessments?record=false"
		whole, got := call(t, h, "POST", target, string(body)), call(t, h, "POST", target, string(body), inLittle)
		if whole.Status != got.Status {
			t.Fatalf("whole %d, in little %d: %s", whole.Status, got.Status, got.Body)
		}
		if whole.Status != http.StatusOK {
			if got.Header.Get("Preference-Applied") != "" {
				t.Errorf("a preference is followed in a problem: %v", got.Header)
			}
			return
		}
		answered++
		sameInLittle(t, object(t, decode[any](t, got), "answer"), object(t, decode[any](t, whole), "answer"))
	})
	if answered == 0 {
		t.Error("no rig was answered")
	}
}

func sortedNames(m map[string]any) []string {
	var names []string
	for name := range m {
		names = append(names, name)
	}
	for i := range names { // so that draws do not depend on the order of a map
		for k := i; k > 0 && names[k] < names[k-1]; k-- {
			names[k], names[k-1] = names[k-1], names[k]
		}
	}
	return names
}

// TestPrefer: what is preferred is read as RFC 7240 writes it, and all else is as
// if it were not there.
func TestPrefer(t *testing.T) {
	h := newServer(t)
	for _, x := range []struct {
		fields  []string
		applied string
	}{
		{nil, ""},
		{[]string{""}, ""},
		{[]string{"return=minimal"}, "return=minimal"},
		{[]string{"Return=Minimal"}, "return=minimal"},
		{[]string{`return="minimal"`}, "return=minimal"},
		{[]string{"return = minimal"}, "return=minimal"},
		{[]string{"\treturn\t=\tminimal\t"}, "return=minimal"},
		{[]string{"return=minimal; foo=\"some, value\""}, "return=minimal"},
		{[]string{"respond-async, wait=10, return=minimal"}, "return=minimal"},
		{[]string{"respond-async", "return=minimal"}, "return=minimal"},
		{[]string{`foo="a\", return=representation", return=minimal`}, "return=minimal"},
		{[]string{"return=representation"}, "return=representation"},
		// Section 2: of one that stands twice the first counts.
		{[]string{"return=representation, return=minimal"}, "return=representation"},
		{[]string{"return=minimal", "return=representation"}, "return=minimal"},
		{[]string{"return=other, return=minimal"}, ""},
		// Unknown ones are passed over.
		{[]string{"handling=strict"}, ""},
		{[]string{"return=none"}, ""},
		{[]string{"returns=minimal"}, ""},
		// So is what is no preference.
		{[]string{"return"}, ""},
		{[]string{"return="}, ""},
		{[]string{`return="minimal`}, ""},
		{[]string{`return=minimal"`}, ""},
		{[]string{`return="`}, ""},
		{[]string{"return=minimal junk"}, ""},
		{[]string{"return minimal"}, ""},
		{[]string{";return=minimal"}, ""},
		{[]string{`foo="a, return=minimal"`}, ""},
		{[]string{`"`}, ""},
		{[]string{`\`, ",,;;==,", "=minimal", "\xff"}, ""},
		{[]string{strings.Repeat(",", 4000) + "return=minimal"}, "return=minimal"},
	} {
		req := httptest.NewRequest("POST", "/v1/assessments?record=false", strings.NewReader(float))
		req.Host = "localhost"
		req.Header.Set("Content-Type", "application/json")
		req.Header["Prefer"] = x.fields
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, req)
		openapitest.Check(t, req, []byte(float), openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()})
		_, whole := decode[map[string]any](t, openapitest.Reply{Body: rec.Body.Bytes()})["rig"]
		if got := rec.Header().Get("Preference-Applied"); rec.Code != 200 || got != x.applied || whole == (x.applied == "return=minimal") {
			t.Errorf("%.100q: status %d, applied %q, whole %v; want %q", x.fields, rec.Code, got, whole, x.applied)
		}
		if got := rec.Header().Values("Vary"); !reflect.DeepEqual(got, []string{"Prefer"}) {
			t.Errorf("%.100q: Vary is %q", x.fields, got)
		}
	}
}

// TestMinimalSize: it is worth asking for.
func TestMinimalSize(t *testing.T) {
	document, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	r := call(t, newServer(t), "POST", "/v1/assessments?record=false", string(document), inLittle)
	if len(r.Body) > 8<<10 {
		t.Errorf("in little it has %d bytes", len(r.Body))
	}
	t.Logf("%d bytes", len(r.Body))
}

// TestMinimalKept: what is kept is the whole, whatever was wanted back.
func TestMinimalKept(t *testing.T) {
	h := newServer(t)
	r := call(t, h, "POST", "/v1/assessments", float, inLittle)
	at := r.Header.Get("Location")
	if r.Status != http.StatusCreated || at == "" {
		t.Fatalf("status %d, Location %q: %s", r.Status, at, r.Body)
	}
	whole, again := call(t, h, "GET", at, ""), call(t, h, "GET", at, "", inLittle)
	if whole.Header.Get("Preference-Applied") != "" || again.Header.Get("Preference-Applied") != "return=minimal" {
		t.Errorf("applied %v and %v", whole.Header, again.Header)
	}
	if string(again.Body) != string(r.Body) {
		t.Errorf("it is read as\n%s\nand was\n%s", again.Body, r.Body)
	}
	got, want := object(t, decode[any](t, r)), object(t, decode[any](t, whole))
	if got["id"] != want["id"] || got["created_at"] != want["created_at"] || "/v1/assessments/"+got["id"].(string) != at {
		t.Errorf("%v and %v at %s are not the same assessment", got["id"], want["id"], at)
	}
	sameInLittle(t, object(t, got, "answer"), object(t, want, "answer"))
	same := call(t, h, "POST", at+"/replay", "")
	if !decode[service.Replay](t, same).Same {
		t.Error("what was kept is not what is answered")
	}
	if r := call(t, h, "HEAD", at, "", inLittle); r.Status != 200 || r.Header.Get("Preference-Applied") != "return=minimal" {
		t.Errorf("HEAD: %d %v", r.Status, r.Header)
	}
	if r := call(t, h, "GET", "/v1/assessments/AAAAAAAAAAAAAAAAAAAAAAAAAA", "", inLittle); r.Status != 404 || r.Header.Get("Preference-Applied") != "" {
		t.Errorf("one that is not there: %d %v", r.Status, r.Header)
	}
}

func TestMinimalTrip(t *testing.T) {
	h := newServer(t)
	for _, target := range []string{"/v1/trips?through=AU-NSW,GB&record=false", "/v1/trips?through=AU-NSW,GB"} {
		whole, got := call(t, h, "POST", target, float), call(t, h, "POST", target, float, inLittle)
		if got.Status != 200 || got.Header.Get("Preference-Applied") != "return=minimal" || got.Header.Get("Vary") != "Prefer" {
			t.Fatalf("%s: %d %v", target, got.Status, got.Header)
		}
		a, b := object(t, decode[any](t, got), "trip"), object(t, decode[any](t, whole), "trip")
		if a["as_of"] != b["as_of"] || a["verdict"] != b["verdict"] || len(a) != 3 {
			t.Errorf("%s: %v is %v", target, a, b)
		}
		places, all := a["places"].([]any), b["places"].([]any)
		if len(places) != 2 || len(all) != 2 {
			t.Fatalf("%s: %d places, and %d", target, len(places), len(all))
		}
		for i := range places {
			sameInLittle(t, object(t, places[i]), object(t, all[i]))
		}
		kept := decode[service.MinimalTripAssessment](t, got).Kept
		if want := 2 * strings.Count(target, "GB"); (len(kept) == want) == strings.Contains(target, "false") {
			t.Errorf("%s: kept %v", target, kept)
		}
		for i, id := range kept {
			a := object(t, decode[any](t, call(t, h, "GET", "/v1/assessments/"+id, "")), "answer")
			if a["jurisdiction"] != places[i].(map[string]any)["jurisdiction"] {
				t.Errorf("%s is of %v", id, a["jurisdiction"])
			}
		}
	}
	if r := call(t, h, "POST", "/v1/trips?through=AU-NSW,ZZ&record=false", float, inLittle); r.Status != 422 {
		t.Errorf("a place that is not held: %d", r.Status)
	}
}

// TestMinimalOnce: a repeat is answered as the first was, headers too; wanting
// something else back is no repeat.
func TestMinimalOnce(t *testing.T) {
	store := memory.New(0)
	h := api.New(api.Config{Service: service.New(book(t), service.InStep(store), clock), Once: service.NewIdempotency(store)})
	key := header{"Idempotency-Key", "yard-1"}
	first, again := call(t, h, "POST", "/v1/assessments", float, key, inLittle), call(t, h, "POST", "/v1/assessments", float, key, header{"Prefer", `RETURN="minimal", wait=1`})
	if first.Status != 201 || again.Status != 201 || string(first.Body) != string(again.Body) || again.Header.Get("Idempotency-Replayed") != "true" {
		t.Fatalf("%d %s\n%d %s %v", first.Status, first.Body, again.Status, again.Body, again.Header)
	}
	for _, r := range []openapitest.Reply{first, again} {
		if r.Header.Get("Preference-Applied") != "return=minimal" || !reflect.DeepEqual(r.Header.Values("Vary"), []string{"Prefer"}) {
			t.Errorf("told %v", r.Header)
		}
	}
	if r := call(t, h, "POST", "/v1/assessments", float, key); r.Status != 422 || r.Problem(t).Type != "/problems/idempotency-key-reused" {
		t.Errorf("the whole under the same key: %d %s", r.Status, r.Body)
	}
	whole := header{"Idempotency-Key", "yard-2"}
	if r := call(t, h, "POST", "/v1/assessments", float, whole); r.Status != 201 {
		t.Fatalf("%d %s", r.Status, r.Body)
	}
	if r := call(t, h, "POST", "/v1/assessments", float, whole, header{"Prefer", "return=representation"}); r.Status != 201 || r.Header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the whole, said so: %d %s", r.Status, r.Body)
	}
}
