package rules_test

import (
	"fmt"
	"strings"
	"testing"

	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// rulesetText writes a ruleset of the made-up country XX around some rules.
func rulesetText(id, jurisdiction, extends string, version int, effective, ruleText string) string {
	if jurisdiction != "" {
		jurisdiction = "jurisdiction: " + jurisdiction
	}
	return fmt.Sprintf(`
ruleset: %s
version: %d
title: Test
%s
effective: {%s}
reviewed: 2026-11-25
extends: [%s]
terms: {trailer.rated.axles: GTM}
sources: [{id: code, title: Code, publisher: State, kind: regulation, checked: {how: text, on: 2026-11-25}}]
rules:%s
`, id, version, jurisdiction, effective, extends, ruleText)
}

func rule(id, when, oblige, more string) string {
	return fmt.Sprintf(`
  - id: %s
    says: What %s says.
    when: %s
    oblige: {%s}
    cite: {source: code, clause: "%s", how: text}
    %s`, id, id, when, oblige, id, more)
}

func newBook(t *testing.T, texts ...string) *rules.Book {
	t.Helper()
	b, err := tryBook(t, texts...)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func tryBook(t *testing.T, texts ...string) (*rules.Book, error) {
	t.Helper()
	var list []*law.Ruleset
	for _, text := range texts {
		rs, err := law.Parse([]byte(text))
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		list = append(list, rs)
	}
	return rules.NewBook(list)
}

func ask(t *testing.T, b *rules.Book, document string) *rules.Answer {
	t.Helper()
	r, err := rig.Decode([]byte(document))
	if err != nil {
		t.Fatal(err)
	}
	day, ok := r.AsOf()
	if !ok {
		day, _ = rig.ParseDay("2026-11-25")
	}
	a, err := b.Assess(r, day)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func finding(t *testing.T, a *rules.Answer, id string) rules.Finding {
	t.Helper()
	for _, f := range a.Findings {
		if rule, _, _ := strings.Cut(id, "/"); f.ID == id || f.ID == rule {
			return f
		}
	}
	t.Fatalf("there is no finding %s", id)
	return rules.Finding{}
}

func value(a *rules.Answer, question string) string {
	for _, x := range a.Asks {
		if x.Question == question {
			return x.Value + strings.Join(x.Permitted, "+")
		}
	}
	return "not_covered"
}

const gtm = `{"jurisdiction":"XX","trailer":{"rated":{"axles":"%s"}%s}}`

// TestOverride: an overriding rule switches the overridden one off where it
// holds, leaves it alone where it does not, and leaves it unknown where that
// is unknown.
func TestOverride(t *testing.T) {
	b := newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01",
		rule("xx.heavy", "trailer.rated.axles > kg(750)", "service_brakes: {required: true}", "")+
			rule("xx.old", `trailer.built < date("1988-07-01")`, "service_brakes: {required: false}", "overrides: [xx.heavy]")))
	for _, c := range []struct{ built, asked, status, by string }{
		{`,"built":"1988-06-30"`, "false", "not_applicable", "xx.old"},
		{`,"built":"1988-07-01"`, "true", "unknown", ""}, // whether brakes are fitted is not said
		{"", "unknown", "unknown", ""},
	} {
		a := ask(t, b, fmt.Sprintf(gtm, "1000 kg", c.built))
		f := finding(t, a, "xx.heavy/service_brakes.required")
		if got := value(a, "service_brakes.required"); got != c.asked || string(f.Status) != c.status || f.Replaced != c.by {
			t.Errorf("built %q: asked %s, %s, displaced by %q; want %s, %s, %q", c.built, got, f.Status, f.Replaced, c.asked, c.status, c.by)
		}
	}
	a := ask(t, b, fmt.Sprintf(gtm, "1000 kg", ""))
	if got := finding(t, a, "xx.heavy/service_brakes.required").WaitsFor; len(got) != 1 || got[0] != "/trailer/built" {
		t.Errorf("waits for %v, want the day of manufacture", got)
	}
}

// TestOverriddenOverride: a rule that is itself switched off switches nothing
// off.
func TestOverriddenOverride(t *testing.T) {
	b := newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01",
		rule("xx.a", "true", "service_brakes: {required: true}", "")+
			rule("xx.b", "true", "service_brakes: {required: false}", "overrides: [xx.a]")+
			rule("xx.c", "use.commercial", "service_brakes: {kinds: [air]}", "overrides: [xx.b]")))
	for commercial, want := range map[string]string{"true": "true", "false": "false"} {
		a := ask(t, b, `{"jurisdiction":"XX","use":{"commercial":`+commercial+`}}`)
		if got := value(a, "service_brakes.required"); got != want {
			t.Errorf("commercial %s: asked %s, want %s", commercial, got, want)
		}
	}
}

// TestConflict: within one ruleset a duty and a relief with no order between
// them are shown with both citations, and the duty is held; a nation's relief
// beside a state's duty is not a conflict, because law adds up.
func TestConflict(t *testing.T) {
	duty := rule("xx.duty", "true", "service_brakes: {required: true}", "")
	relief := rule("xx.relief", "true", "service_brakes: {required: false}", "")
	one := ask(t, newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01", duty+relief)), `{"jurisdiction":"XX"}`)
	if len(one.Conflicts) != 1 || len(one.Conflicts[0].Citations) != 2 || value(one, "service_brakes.required") != "true" {
		t.Errorf("conflicts %+v, asked %s", one.Conflicts, value(one, "service_brakes.required"))
	}
	two := ask(t, newBook(t,
		rulesetText("xx", "XX", "", 1, "from: 2000-01-01", relief),
		rulesetText("xx-yy", "XX-YY", "xx", 1, "from: 2000-01-01", duty)), `{"jurisdiction":"XX-YY"}`)
	if len(two.Conflicts) != 0 || value(two, "service_brakes.required") != "true" {
		t.Errorf("conflicts %+v, asked %s", two.Conflicts, value(two, "service_brakes.required"))
	}
	kinds := ask(t, newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01",
		rule("xx.one", "true", "service_brakes: {kinds: [air]}", "")+rule("xx.two", "true", "service_brakes: {kinds: [electric]}", ""))),
		`{"jurisdiction":"XX"}`)
	if len(kinds.Conflicts) != 1 {
		t.Errorf("kinds that exclude each other: %+v", kinds.Conflicts)
	}
}

// TestStricter: duties of nation and state add up, so the stricter is asked.
func TestStricter(t *testing.T) {
	b := newBook(t,
		rulesetText("xx", "XX", "", 1, "from: 2000-01-01", rule("xx.a", "true",
			"service_brakes: {kinds: [overrun, electric, air], wheels: one_axle}, breakaway: {any_of: [automatic, secondary_coupling], hold: 15 min}, safety_chains: {count: 1, each_rated: trailer.rated.total}", "")),
		rulesetText("xx-yy", "XX-YY", "xx", 1, "from: 2000-01-01", rule("xx-yy.a", "true",
			"service_brakes: {kinds: [electric, air], wheels: all}, breakaway: {any_of: [automatic], hold: 10 min}, safety_chains: {count: 2, each_rated: kg(1000)}", "")))
	a := ask(t, b, `{"jurisdiction":"XX-YY","trailer":{"rated":{"total":"1500 kg"}}}`)
	for q, want := range map[string]string{
		"service_brakes.kinds": "listedelectric+air", "service_brakes.wheels": "all", "breakaway.hold": "15 min",
		"breakaway.any_of": "listedautomatic", "safety_chains.count": "2", "safety_chains.each_rated": "1500 kg",
	} {
		if got := value(a, q); got != want {
			t.Errorf("%s is %s, want %s", q, got, want)
		}
	}
}

// TestReplaceById: a state that extends its nation replaces a rule by its id.
func TestReplaceById(t *testing.T) {
	b := newBook(t,
		rulesetText("xx", "XX", "", 1, "from: 2000-01-01", rule("xx.line", "trailer.rated.axles > kg(750)", "service_brakes: {required: true}", "")),
		rulesetText("xx-yy", "XX-YY", "xx", 1, "from: 2000-01-01", rule("xx.line", "trailer.rated.axles > kg(500)", "service_brakes: {required: true}", "")))
	a := ask(t, b, `{"jurisdiction":"XX-YY","trailer":{"rated":{"axles":"600 kg"}}}`)
	f := finding(t, a, "xx.line/service_brakes.required")
	if f.Citation.Ruleset != "xx-yy" || value(a, "service_brakes.required") != "true" {
		t.Errorf("%+v", f)
	}
}

// TestDays: a version and a rule answer from their first to their last day,
// both included.
func TestDays(t *testing.T) {
	b := newBook(t,
		rulesetText("xx", "XX", "", 1, "from: 2000-01-01, to: 2009-12-31", rule("xx.a", "true", "service_brakes: {wheels: one_axle}", "")),
		rulesetText("xx", "XX", "", 2, "from: 2010-01-01", rule("xx.a", "true", "service_brakes: {wheels: half}", "")+
			rule("xx.b", "true", "service_brakes: {wheels: all}", "effective: {from: 2015-06-01, to: 2016-05-31}")))
	for day, want := range map[string]string{
		"1999-12-31": "not_covered", "2000-01-01": "one_axle", "2009-12-31": "one_axle", "2010-01-01": "half",
		"2015-05-31": "half", "2015-06-01": "all", "2016-05-31": "all", "2016-06-01": "half",
	} {
		a := ask(t, b, `{"jurisdiction":"XX","as_of":"`+day+`"}`)
		if got := value(a, "service_brakes.wheels"); got != want {
			t.Errorf("on %s %s, want %s", day, got, want)
		}
	}
	before := ask(t, b, `{"jurisdiction":"XX","as_of":"1999-12-31"}`)
	if before.Verdict != rules.Undetermined || len(before.Rulesets) != 0 || !strings.Contains(before.Cautions[1], "No law is held") {
		t.Errorf("before all law: %+v", before)
	}
}

// TestExplains: a finding names the measured value, the limit, the margin, the
// unit of the law and the term of the place.
func TestExplains(t *testing.T) {
	b := newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01",
		rule("xx.heavy", "trailer.rated.axles > lb(3000)", "service_brakes: {required: true}", "")))
	a := ask(t, b, fmt.Sprintf(gtm, "1361 kg", `,"brakes":{"kind":"none"}`))
	f := finding(t, a, "xx.heavy/service_brakes.required")
	// 1361 kg less 1360.77711 kg is 0.22289 kg, which is 0.49138... lb.
	for _, want := range []string{"GTM 1361 kg", "about 3000.49 lb", "is over 3000 lb by about 0.491388 lb"} {
		if !strings.Contains(f.Because, want) {
			t.Errorf("%q does not say %q", f.Because, want)
		}
	}
	if f.Limit != "3000 lb" || f.Status != rules.NotMet || f.Remedy == "" {
		t.Errorf("%+v", f)
	}
}

// TestVerdict: law and plates move it, advice does not, and silence is not
// leave.
func TestVerdict(t *testing.T) {
	base := rule("xx.brakes", "true", "service_brakes: {required: false}", "") + rule("xx.away", "true", "breakaway: {required: false}", "") +
		rule("xx.parts", "true", "part_rating: {roles: [towbar], at_least: kg(1000)}", "level: rating")
	for _, c := range []struct {
		name, rules, rig string
		want             rules.Verdict
	}{
		{"all is well", base, `"parts":[{"role":"towbar","rated_mass":"1000 kg"}]`, rules.Compliant},
		{"a plate is exceeded", base, `"parts":[{"role":"towbar","rated_mass":"999.999 kg"}]`, rules.NonCompliant},
		{"a plate is not known", base, `"parts":[{"role":"towbar"}]`, rules.Undetermined},
		{
			"advice is not followed", base + rule("xx.advice", "true", "parking_brake: {required: true}", "level: practice"),
			`"trailer":{"parking_brake":false},"parts":[{"role":"towbar","rated_mass":"1000 kg"}]`, rules.Compliant,
		},
		{
			"advice is not known", base + rule("xx.advice", "true", "parking_brake: {required: true}", "level: practice"),
			`"parts":[{"role":"towbar","rated_mass":"1000 kg"}]`, rules.Compliant,
		},
		{
			"the speed is not known", base + rule("xx.speed", "true", "speed: {at_most: 100 km/h}", ""),
			`"parts":[{"role":"towbar","rated_mass":"1000 kg"}]`, rules.Compliant,
		},
		{
			"the speed is too high", base + rule("xx.speed", "true", "speed: {at_most: 100 km/h}", ""),
			`"use":{"speed":"100.001 km/h"},"parts":[{"role":"towbar","rated_mass":"1000 kg"}]`, rules.NonCompliant,
		},
		{
			"nothing is encoded on breakaway", rule("xx.brakes", "true", "service_brakes: {required: false}", "") + rule("xx.parts", "true", "part_rating: {roles: [towbar], at_least: kg(1000)}", "level: rating"),
			`"parts":[{"role":"towbar","rated_mass":"1000 kg"}]`, rules.Undetermined,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01", c.rules))
			if a := ask(t, b, `{"jurisdiction":"XX",`+c.rig+`}`); a.Verdict != c.want {
				t.Errorf("%s, want %s", a.Verdict, c.want)
			}
		})
	}
}

func TestBookRefusals(t *testing.T) {
	a := rule("xx.a", "true", "service_brakes: {required: true}", "")
	for _, c := range []struct {
		name  string
		texts []string
		want  string
	}{
		{"a version twice", []string{rulesetText("xx", "XX", "", 1, "from: 2000-01-01", a), rulesetText("xx", "XX", "", 1, "from: 2001-01-01", a)}, "xx version 1 stands twice"},
		{"extends nothing", []string{rulesetText("xx", "XX", "yy", 1, "from: 2000-01-01", a)}, "extends yy, which is not held"},
		{"overrides nothing", []string{rulesetText("xx", "XX", "", 1, "from: 2000-01-01", rule("xx.a", "true", "service_brakes: {required: true}", "overrides: [xx.b]"))}, "overrides xx.b, which is not a rule here"},
		{"a circle", []string{rulesetText("xx", "XX", "", 1, "from: 2000-01-01",
			rule("xx.a", "true", "service_brakes: {required: true}", "overrides: [xx.b]")+rule("xx.b", "true", "service_brakes: {required: true}", "overrides: [xx.a]"))}, "run in a circle"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := tryBook(t, c.texts...); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("says %v, want it to say %q", err, c.want)
			}
		})
	}
}

// TestTrip: a rig that goes through two places is asked the stricter of both on
// each question, and its verdict is the worse.
func TestTrip(t *testing.T) {
	b := newBook(t,
		rulesetText("xx", "XX", "", 1, "from: 2000-01-01", rule("xx.a", "true", "service_brakes: {kinds: [overrun, electric], wheels: one_axle}, breakaway: {any_of: [automatic], hold: 10 min}", "")),
		rulesetText("yy", "YY", "", 1, "from: 2000-01-01", rule("yy.a", "true", "service_brakes: {kinds: [electric, air], wheels: all}, breakaway: {any_of: [automatic, secondary_coupling], hold: 15 min}", "")))
	r, err := rig.Decode([]byte(`{"trailer":{"axle_count":2,"brakes":{"kind":"overrun","braked_axles":1},"breakaway":{"kind":"automatic","hold":"20 min"}}}`))
	if err != nil {
		t.Fatal(err)
	}
	day, _ := rig.ParseDay("2026-11-25")
	trip, err := b.Trip(r, []string{"YY", "XX"}, day)
	if err != nil {
		t.Fatal(err)
	}
	for q, want := range map[string]string{
		"service_brakes.kinds": "listedelectric", "service_brakes.wheels": "all", "breakaway.hold": "15 min", "breakaway.any_of": "listedautomatic",
	} {
		if got := value(&rules.Answer{Asks: trip.Asks}, q); got != want {
			t.Errorf("%s is %s, want %s", q, got, want)
		}
	}
	if trip.Verdict != rules.NonCompliant || len(trip.Places) != 2 || trip.Places[0].Jurisdiction != "YY" || trip.Places[1].Verdict == rules.NonCompliant {
		t.Errorf("%s; %s, %s", trip.Verdict, trip.Places[0].Verdict, trip.Places[1].Verdict)
	}
	if _, err := b.Trip(r, []string{"XX", "ZZ"}, day); err == nil {
		t.Error("a place without law is accepted")
	}
}
