package compare_test

import (
	"strings"
	"testing"

	"drawgear/rules"
	"drawgear/rules/compare"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

const first = `
ruleset: xx
version: 1
title: Test
jurisdiction: XX
effective: {from: 2000-01-01}
reviewed: 2026-11-25
sources: [{id: code, title: Code, publisher: State, kind: regulation, checked: {how: text, on: 2026-11-25}}]
rules:
  - id: xx.light
    says: Up to the line none.
    when: trailer.rated.axles <= kg(750)
    oblige: {service_brakes: {required: false}}
    cite: {source: code, clause: "1", how: text}
  - id: xx.heavy
    says: Over the line brakes.
    when: trailer.rated.axles > kg(750)
    oblige: {service_brakes: {required: true, kinds: [overrun, electric]}}
    cite: {source: code, clause: "2", how: text}
  - id: xx.gone
    says: Goes away.
    oblige: {parking_brake: {required: true}}
    cite: {source: code, clause: "3", how: text}
examples:
  - {name: light, rig: {trailer: {rated: {axles: 700 kg}}}, expect: {service_brakes.required: false}}
`

func parse(t *testing.T, text string) *law.Ruleset {
	t.Helper()
	rs, err := law.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return rs
}

// TestVersions moves the line from 750 kg to 800 kg, takes one kind away,
// removes a rule and adds one; each must be told, and the rigs between the
// lines must be found.
func TestVersions(t *testing.T) {
	older := parse(t, first)
	second := strings.NewReplacer("version: 1", "version: 2", "kg(750)", "kg(800)", "[overrun, electric]", "[electric]",
		"xx.gone", "xx.new", "Goes away.", "Is new.", "parking_brake: {required: true}", "speed: {at_most: 80 km/h}").Replace(first)
	newer := parse(t, second)
	b, err := rules.NewBook([]*law.Ruleset{older, newer})
	if err != nil {
		t.Fatal(err)
	}
	day, _ := rig.ParseDay("2026-11-25")
	c, err := compare.Versions(b, older, newer, "XX", day)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Added) != 1 || c.Added[0].ID != "xx.new" || len(c.Removed) != 1 || c.Removed[0].ID != "xx.gone" || len(c.Changed) != 2 {
		t.Errorf("%+v", c)
	}
	heavy := c.Changed[1]
	for _, want := range []compare.Detail{
		{"oblige.service_brakes.kinds", "overrun, electric", "electric"},
		{"threshold trailer.rated.axles", "> 750 kg", "> 800 kg"},
		{"when", "trailer.rated.axles > kg(750)", "trailer.rated.axles > kg(800)"},
	} {
		found := false
		for _, d := range heavy.Differences {
			found = found || d == want
		}
		if !found {
			t.Errorf("%s does not tell %+v: %+v", heavy.ID, want, heavy.Differences)
		}
	}
	// One step over the old line: brakes then, none now. One step over the new
	// one brakes both times, of fewer kinds.
	outcome := map[string]string{}
	for _, r := range c.Rigs {
		trailer, _ := r.Rig["trailer"].(map[string]any)
		rated, _ := trailer["rated"].(map[string]any)
		axles, _ := rated["axles"].(string)
		outcome[axles+" "+r.Question] = r.Was + " -> " + r.Is
	}
	if got := outcome["750.00000000001 kg service_brakes.required"]; got != "" && got != "true -> false" {
		t.Errorf("just over the old line: %s", got)
	}
	var between bool
	for k := range outcome {
		between = between || strings.HasPrefix(k, "750.00000000001 kg") || strings.HasPrefix(k, "800 kg")
	}
	if !between || c.Tried == 0 {
		t.Errorf("no rig between the lines among %v", outcome)
	}
}

// TestSame: a version compared with itself differs in nothing.
func TestSame(t *testing.T) {
	rs := parse(t, first)
	b, err := rules.NewBook([]*law.Ruleset{rs})
	if err != nil {
		t.Fatal(err)
	}
	day, _ := rig.ParseDay("2026-11-25")
	c, err := compare.Versions(b, rs, rs, "XX", day)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Added)+len(c.Removed)+len(c.Changed)+len(c.Rigs) != 0 || c.Tried == 0 {
		t.Errorf("%+v", c)
	}
}
