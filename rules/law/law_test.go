package law_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"drawgear/rules/law"
)

const small = `
ruleset: xx-trailers
version: 1
title: Trailers in Xx
jurisdiction: XX
effective: {from: 2014-07-01}
reviewed: 2026-11-25
terms: {trailer.rated.axles: GTM}
sources:
  - {id: code, title: Code, publisher: State of Xx, kind: regulation, checked: {how: text, on: 2026-11-25}}
rules:
  - id: xx.brakes.heavy
    says: Over 2 t every wheel is braked.
    when: trailer.rated.axles > kg(2000)
    oblige:
      service_brakes: {required: true, wheels: all}
    cite: {source: code, clause: "12", how: text}
examples:
  - name: heavy
    rig: {trailer: {rated: {axles: 2001 kg}}}
    expect: {service_brakes.wheels: all}
`

func TestParse(t *testing.T) {
	rs, err := law.Parse([]byte(small))
	if err != nil {
		t.Fatal(err)
	}
	if len(rs.Rules) != 1 || len(rs.Rules[0].Duties) != 2 || rs.Rules[0].Level != "law" {
		t.Errorf("rules %+v", rs.Rules)
	}
}

// TestRefusals: each edit of the small ruleset is refused, and the message
// says where and why. Lines are those of the text above, which begins at 1
// with an empty line.
func TestRefusals(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"unknown key", "title:", "titel:", "line 4: field titel not found"},
		{"unknown key in a rule", "    says:", "    sais:", "line 13: field sais not found"},
		{"unknown obligation", "service_brakes:", "servise_brakes:", "line 16: field servise_brakes not found"},
		{"double key", "version: 1", "version: 1\nversion: 2", `line 4: mapping key "version" already defined at line 3`},
		{"bad day", "2014-07-01", "2014-13-01", "line 6: write a day as year-month-day"},
		{"a mass compared with a length", "kg(2000)", "m(2000)", "14:31: found no matching form of"},
		{"a condition that YAML takes for a tag", "when: trailer.rated.axles > kg(2000)", "when: !use.commercial", "line 14: what begins with ! needs quotes"},
		{"an unknown fact", "trailer.rated.axles >", "trailer.rated.axels >", "rule xx.brakes.heavy: when: 14:"},
		{"outside the profile", "trailer.rated.axles > kg(2000)", "trailer.approvals.all(x, x == 'adr-38')", "rule xx.brakes.heavy: when: 14:"},
		{"not a word of the vocabulary", "wheels: all}", "wheels: every}", `16:48: "every" is not one of all`},
		{"no source", "source: code,", "source: cod,", `rule xx.brakes.heavy: there is no source "cod"`},
		{"no citation", `    cite: {source: code, clause: "12", how: text}` + "\n", "", "there is no source"},
		{"unknown verification", `"12", how: text`, `"12", how: sure`, `cite.how "sure" is not one of text, second-hand, memory`},
		{"low confidence as law", "how: text}\nexamples", "how: text, confidence: low}\nexamples", "a fact of low confidence can only be practice"},
		{"no sentence", "says: Over 2 t every wheel is braked.", "says: ''", "says is missing"},
		{"ends before it begins", "{from: 2014-07-01}", "{from: 2014-07-01, to: 2014-06-30}", "ends on 2014-06-30 before it begins"},
		{"a term for no fact", "trailer.rated.axles: GTM", "trailer.rated.axels: GTM", "there is no fact trailer.rated.axels"},
		{"no days in force", "effective: {from: 2014-07-01}\n", "", "the first day in force is missing"},
		{"two documents", "examples:", "---\nexamples:", "more than one document"},
		{"not a code", "jurisdiction: XX", "jurisdiction: Xanadu", "not an ISO 3166 code"},
		{"an alias", "{rated: {axles: 2001 kg}}", "&a {rated: *a}", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(small, c.old, c.new, 1)
			if text == small {
				t.Fatal("the edit changed nothing")
			}
			_, err := law.Parse([]byte(text))
			if err == nil {
				t.Fatal("accepted")
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("says %q, want it to say %q", err, c.want)
			}
		})
	}
}

// TestCanonical: layout, comments and the order of keys do not change a
// version's identity, and any word does.
func TestCanonical(t *testing.T) {
	sum := func(text string) string {
		rs, err := law.Parse([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return rs.SHA256
	}
	first := sum(small)
	if sum(strings.ReplaceAll(small, "\nrules:", "\n\n# the rules\nrules:")) != first {
		t.Error("layout changes the identity")
	}
	if sum(strings.Replace(small, "ruleset: xx-trailers\nversion: 1", "version: 1\nruleset: xx-trailers", 1)) != first {
		t.Error("order of keys changes the identity")
	}
	for _, edit := range [][2]string{{"kg(2000)", "kg(2001)"}, {"braked.", "braked!"}, {`"12"`, `"13"`}, {"2001 kg", "2002 kg"}} {
		if sum(strings.Replace(small, edit[0], edit[1], 1)) == first {
			t.Errorf("%q for %q does not change the identity", edit[1], edit[0])
		}
	}
}

// FuzzParse: no ruleset text makes the parser panic, and what it accepts has
// a canonical form that it accepts again with the same identity.
func FuzzParse(f *testing.F) {
	f.Add([]byte(small))
	paths, err := filepath.Glob("../library/*/*.yaml")
	if err != nil || len(paths) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, p := range paths {
		data, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		if len(data) < 3<<10 { // larger ones would leave the fuzzer no time
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		rs, err := law.Parse(data)
		if err != nil {
			return
		}
		again, err := law.Parse(rs.Canonical) // JSON is YAML
		if err != nil {
			t.Fatalf("the canonical form is refused: %v\n%s", err, rs.Canonical)
		}
		if again.SHA256 != rs.SHA256 {
			t.Fatalf("the canonical form has another identity\n%s\n%s", rs.Canonical, again.Canonical)
		}
	})
}
