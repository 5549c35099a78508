package law_test

import (
	"strings"
	"testing"

	"drawgear/rules/law"
)

// TestParseDraft: what Parse refuses is told with pointer, line and column.
// Lines are those of the text, which begins at 1 with an empty line.
func TestParseDraft(t *testing.T) {
	if rs, err := law.ParseDraft([]byte(small)); err != nil || rs.Ruleset != "xx-trailers" {
		t.Fatalf("%v", err)
	}
	for _, c := range []struct {
		name, old, new string
		want           law.Fault
	}{
		{"unknown key", "title:", "titel:", law.Fault{Line: 4, Column: 1, Message: "field titel not found"}},
		{"double key", "version: 1", "version: 1\nversion: 2", law.Fault{Line: 4, Column: 1, Message: `mapping key "version" already defined at line 3`}},
		{"no YAML", "title:", "title: [", law.Fault{Line: 4, Column: 1, Message: "did not find expected ',' or ']'"}},
		{"no YAML, otherwise", "title:", "title", law.Fault{Line: 4, Column: 1, Message: "could not find expected ':'"}},
		{"a condition that begins with a sign", "when: trailer.rated.axles > kg(2000)", "when: !use.commercial", law.Fault{Line: 14, Column: 11, Message: "tags are not used here"}},
		{"head", "version: 1", "version: 0", law.Fault{Pointer: "/version", Line: 3, Column: 1, Message: "version: must be 1 or more"}},
		{"a term", "trailer.rated.axles: GTM", "trailer.rated.axels: GTM", law.Fault{Pointer: "/terms/trailer.rated.axels", Line: 8, Column: 9, Message: "terms: there is no fact trailer.rated.axels"}},
		{"a source", "kind: regulation", "kind: rumour", law.Fault{Pointer: "/sources/0", Line: 10, Column: 5, Message: `source code: kind "rumour" is not one of legislation, regulation, regulator-guidance, standard, handbook, dataset, practice`}},
		{"an expression", "kg(2000)", "kg(2000) &&", law.Fault{Pointer: "/rules/0", Line: 14, Column: 44, Message: "rule xx.brakes.heavy: when: Syntax error: mismatched input '<EOF>'"}},
		{"an obligation", "wheels: all}", "wheels: every}", law.Fault{Pointer: "/rules/0", Line: 16, Column: 48, Message: `rule xx.brakes.heavy: oblige: "every" is not one of`}},
		{"a rule", "says: Over 2 t every wheel is braked.", "says: ''", law.Fault{Pointer: "/rules/0", Line: 12, Column: 5, Message: "rule xx.brakes.heavy: says is missing"}},
		{"an example", "    expect: {service_brakes.wheels: all}\n", "", law.Fault{Pointer: "/examples/0", Line: 19, Column: 5, Message: "example heavy: expects nothing"}},
		{"an anchor", "title: Trailers in Xx", "title: &x Trailers in Xx", law.Fault{Line: 4, Column: 8, Message: "anchors and aliases are not used here"}},
		{"a tag", "title: Trailers in Xx", "title: !!str Trailers in Xx", law.Fault{Line: 4, Column: 8, Message: "tags are not used here"}},
		{"a control character", "title: Trailers in Xx", `title: "Trailers\ain Xx"`, law.Fault{Line: 4, Column: 8, Message: "control characters are not used here"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(small, c.old, c.new, 1)
			if text == small {
				t.Fatal("the edit changed nothing")
			}
			_, err := law.ParseDraft([]byte(text))
			fs, ok := err.(law.Faults)
			if !ok || len(fs) == 0 {
				t.Fatalf("refused with %v", err)
			}
			got := fs[0]
			if !strings.HasPrefix(got.Message, c.want.Message) {
				t.Errorf("says %q, want %q", got.Message, c.want.Message)
			}
			if got.Message = c.want.Message; got != c.want {
				t.Errorf("is at %+v, want %+v", got, c.want)
			}
			if !strings.Contains(fs.Error(), c.want.Message) {
				t.Errorf("the error is %q", fs)
			}
		})
	}
	// All faults are told, in the order of the text.
	text := strings.NewReplacer("version: 1", "version: 0", "kind: regulation", "kind: rumour", "kg(2000)", "m(2000)").Replace(small)
	fs, _ := law.Faults(nil), error(nil)
	if _, err := law.ParseDraft([]byte(text)); err != nil {
		fs, _ = err.(law.Faults)
	}
	if len(fs) != 3 || fs[0].Line != 3 || fs[1].Line != 10 || fs[2].Line != 14 {
		t.Errorf("three faults are told as %+v", fs)
	}
}

func TestLocate(t *testing.T) {
	text := "a:\n  - b: 1\n  - {c/d: 2, \"e~f\": [3, 4]}\n"
	for pointer, want := range map[string][2]int{
		"": {1, 1}, "/a": {1, 1}, "/a/0": {2, 5}, "/a/0/b": {2, 5}, "/a/1/c~1d": {3, 6}, "/a/1/e~0f": {3, 14}, "/a/1/e~0f/1": {3, 25},
		"/a/7": {1, 1}, "/a/x": {1, 1}, "/a/1/none": {3, 5}, "/a/0/b/c": {2, 5}, "/none": {1, 1},
	} {
		fs := law.Faults{{Pointer: pointer}}
		fs.Locate([]byte(text))
		if got := [2]int{fs[0].Line, fs[0].Column}; got != want {
			t.Errorf("%q is at %v, want %v", pointer, got, want)
		}
	}
	if got := law.Pointer("a", 1, "c/d", "e~f"); got != "/a/1/c~1d/e~0f" {
		t.Errorf("a pointer is written %s", got)
	}
	fs := law.Faults{{Pointer: "/a", Line: 7}}
	if fs.Locate([]byte("a: [")); fs[0].Line != 7 {
		t.Error("a place is found where nothing can be read")
	}
}
