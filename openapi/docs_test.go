package openapi_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"drawgear/openapi"
)

// TestDocsLoadNothingFromElsewhere: every file that the pages name is one of
// theirs, and nothing in them needs more than the policy gives.
func TestDocsLoadNothingFromElsewhere(t *testing.T) {
	problem, err := openapi.ProblemKind{Type: "/problems/invalid-rig", Title: "<b>", Status: 422, Meaning: "m", Advice: "a"}.HTML()
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(problem), "<b>") {
		t.Error("a title is not escaped")
	}
	for name, page := range map[string]string{"docs": string(openapi.Docs()), "problem": string(problem)} {
		loads := regexp.MustCompile(`(?:src|href)="([^"#]+)"`).FindAllStringSubmatch(page, -1)
		if len(loads) < 3 {
			t.Errorf("%s: names only %v", name, loads)
		}
		for _, m := range loads {
			file, ours := strings.CutPrefix(strings.TrimPrefix(m[1], "../"), "docs/")
			if _, there := openapi.Assets()[file]; ours && !there {
				t.Errorf("%s: there is no file %s", name, m[1])
			}
			if strings.Contains(m[1], "//") {
				t.Errorf("%s: %s is elsewhere", name, m[1])
			}
		}
		for _, inline := range []string{"<style", " style=", " onclick=", " onload=", "<script>", "javascript:"} {
			if strings.Contains(page, inline) {
				t.Errorf("%s: the policy forbids %s", name, inline)
			}
		}
	}
	for name, a := range openapi.Assets() {
		if a.Kind == "" || len(a.Bytes) == 0 {
			t.Errorf("%s: kind %q, %d bytes", name, a.Kind, len(a.Bytes))
		}
		if strings.HasSuffix(name, ".css") && regexp.MustCompile(`url\(["']?(https?:)?//|@import`).Match(a.Bytes) {
			t.Errorf("%s loads something from elsewhere", name)
		}
		if a.GZIP == nil {
			continue
		}
		r, err := gzip.NewReader(bytes.NewReader(a.GZIP))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if plain, err := io.ReadAll(r); err != nil || !bytes.Equal(plain, a.Bytes) {
			t.Errorf("%s: compressed it is another file (%v)", name, err)
		}
	}
	for _, open := range []string{"http", "*", "unsafe"} {
		if strings.Contains(openapi.DocsPolicy, open) {
			t.Errorf("the policy lets in %s: %s", open, openapi.DocsPolicy)
		}
	}
}

// TestExampleRig: the rig of the first example is that of the README.
func TestExampleRig(t *testing.T) {
	file, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	var got, want any
	if err := json.Unmarshal(openapi.ExampleRig(), &got); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(file, &want); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("the example of the contract is\n%s\nand the README's rig\n%s", openapi.ExampleRig(), file)
	}
	if strings.ContainsAny(string(openapi.ExampleRig()), "'\n") {
		t.Error("the example cannot stand between single quotes on one line")
	}
}

// TestProblemMeanings: each type of the contract has its meaning.
func TestProblemMeanings(t *testing.T) {
	types := contract(t).Components.Schemas["Problem"].Value.Properties["type"].Value.Enum
	if got := len(openapi.ProblemMeanings()); got != len(types) {
		t.Errorf("%d meanings for %d types", got, len(types))
	}
	for _, word := range types {
		if openapi.ProblemMeanings()[word.(string)] == "" {
			t.Errorf("%s has no meaning", word)
		}
	}
}
