package api_test

import (
	"bytes"
	"html"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"drawgear/openapi"
	"drawgear/openapi/openapitest"
	"drawgear/rules"
)

// TestDocs: the page and all that it names are there for everybody, under a
// policy that lets in nothing else.
func TestDocs(t *testing.T) {
	h := newLocked(t).h
	page := call(t, h, "GET", "/docs", "")
	if page.Status != http.StatusOK || page.Header.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("%d %s", page.Status, page.Header.Get("Content-Type"))
	}
	if got := page.Header.Get("Content-Security-Policy"); got != openapi.DocsPolicy {
		t.Errorf("the policy is %q", got)
	}
	for _, m := range regexp.MustCompile(`(?:src|href)="([^"#]+)"`).FindAllStringSubmatch(string(page.Body), -1) {
		target := "/" + m[1]
		plain := call(t, h, "GET", target, "")
		if plain.Status != http.StatusOK {
			t.Errorf("%s: %d", target, plain.Status)
		}
		if !strings.HasPrefix(target, "/docs/") {
			continue
		}
		asset := openapi.Assets()[strings.TrimPrefix(target, "/docs/")]
		if plain.Header.Get("Content-Encoding") != "" || !bytes.Equal(plain.Body, asset.Bytes) {
			t.Errorf("%s: %d bytes coded %q", target, len(plain.Body), plain.Header.Get("Content-Encoding"))
		}
		for accepts, want := range map[string]bool{
			"gzip": true, "gzip, deflate, br, zstd": true, "deflate, GZIP;q=0.5": true,
			"gzip;q=0": false, "gzip; q=0.0": false, "br": false, "identity": false, "gzip;q=zebra": false,
		} {
			r := call(t, h, "GET", target, "", header{"Accept-Encoding", accepts})
			packed := r.Header.Get("Content-Encoding") == "gzip"
			if packed != (want && asset.GZIP != nil) || packed && !bytes.Equal(r.Body, asset.GZIP) {
				t.Errorf("%s for Accept-Encoding %s: packed %v, %d bytes", target, accepts, packed, len(r.Body))
			}
		}
	}
	for _, target := range []string{"/docs/", "/docs/zebra.css", "/docs/page.html", "/docs/..%2fopenapi.yaml", "/docs/PAGE.css"} {
		if r := call(t, h, "GET", target, ""); r.Status != http.StatusNotFound {
			t.Errorf("%s: %d", target, r.Status)
		}
	}
}

// TestDocsCommand: what the command on the page sends is answered, and with
// what the README says.
func TestDocsCommand(t *testing.T) {
	h := newServer(t)
	page := html.UnescapeString(string(call(t, h, "GET", "/docs", "").Body))
	rig := regexp.MustCompile(`-d '(\{.*\})'`).FindStringSubmatch(page)
	target := regexp.MustCompile(`</span>(/v1/\S+)'`).FindStringSubmatch(page)
	if rig == nil || target == nil {
		t.Fatalf("the page has no command: %s", page)
	}
	r := call(t, h, "POST", target[1], rig[1])
	if r.Status != http.StatusOK {
		t.Fatalf("%d %s", r.Status, r.Body)
	}
	a := decode[struct {
		Answer struct{ Verdict rules.Verdict }
	}](t, r)
	if a.Answer.Verdict != rules.Compliant {
		t.Errorf("the verdict is %s", a.Answer.Verdict)
	}
}

// TestProblemKinds: the type of every problem leads to what it means, in both
// forms.
func TestProblemKinds(t *testing.T) {
	h := newLocked(t).h
	doc, err := openapitest.Document()
	if err != nil {
		t.Fatal(err)
	}
	for _, word := range doc.Components.Schemas["Problem"].Value.Properties["type"].Value.Enum {
		kind := word.(string)
		r := call(t, h, "GET", kind, "")
		told := decode[openapi.ProblemKind](t, r)
		if r.Status != http.StatusOK || told.Type != kind || told.Title == "" || told.Meaning == "" || told.Advice == "" {
			t.Errorf("%s: %d %s", kind, r.Status, r.Body)
		}
		r = call(t, h, "GET", kind, "", header{"Accept", "text/html,application/xhtml+xml,*/*;q=0.8"})
		if page := html.UnescapeString(string(r.Body)); r.Status != http.StatusOK || !strings.Contains(page, told.Title) || !strings.Contains(page, told.Advice) || !strings.Contains(page, told.Meaning) {
			t.Errorf("%s as a page: %d %s", kind, r.Status, page)
		}
		if got := r.Header.Get("Content-Security-Policy"); got != openapi.DocsPolicy {
			t.Errorf("%s: the policy is %q", kind, got)
		}
	}
	for target, want := range map[string]int{"/problems/zebra": 404, "/problems/Internal": 404, "/problems": 404, "/problems/internal?x=1": 400} {
		if r := call(t, h, "GET", target, ""); r.Status != want {
			t.Errorf("%s: %d", target, r.Status)
		}
	}
	if r := call(t, h, "GET", "/problems/internal", "", header{"Accept", "image/png"}); r.Status != http.StatusNotAcceptable {
		t.Errorf("as a picture: %d", r.Status)
	}
	// What the problem itself says is the same as its page.
	p := call(t, h, "GET", "/v1/assessments", "").Problem(t)
	if told := decode[openapi.ProblemKind](t, call(t, h, "GET", p.Type, "")); told.Title != p.Title || told.Status != p.Status || told.Advice != p.Advice {
		t.Errorf("the page says %+v and the problem %+v", told, p)
	}
}
