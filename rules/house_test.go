package rules_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// houseRuleset are house rules over the law of XX.
func houseRuleset(ruleText string) string {
	return strings.Replace(rulesetText("house-yard", "XX", "xx", 1, "from: 2000-01-01", ruleText), "terms: {trailer.rated.axles: GTM}\n", "", 1)
}

// TestHouseRulesAreNeverMilder draws law, house rules that pass for an addition
// to it, and rigs: with the house rules an answer is never more favourable, and
// what it says of the law is the same.
func TestHouseRulesAreNeverMilder(t *testing.T) {
	conditions := []string{
		"true", "trailer.rated.axles > kg(500)", "trailer.rated.axles <= kg(750)", "use.commercial", "trailer.axle_count > 1", `trailer.brakes.kind == "electric"`,
	}
	asked := []string{
		"service_brakes: {required: true}", "service_brakes: {required: true, kinds: [electric, air]}", "service_brakes: {required: true, wheels: all}",
		"breakaway: {required: true}", "breakaway: {any_of: [automatic], hold: 15 min}", "parking_brake: {required: true}",
		"safety_chains: {required: true, count: 2}", "part_rating: {roles: [ball], at_least: trailer.rated.total}", "ball_load: {at_most: kg(100)}",
	}
	freed := []string{"service_brakes: {required: false}", "breakaway: {required: false}", "safety_chains: {required: false}"}
	rapid.Check(t, func(t *rapid.T) {
		some := func(prefix, level string, least int, duties []string) string {
			var out string
			for i := range rapid.IntRange(least, 3).Draw(t, prefix+" rules") {
				more := level
				if more == "" {
					more = "level: " + rapid.SampledFrom([]string{"rating", "rating", "practice"}).Draw(t, prefix+" level")
				}
				out += rule(fmt.Sprintf("%s.r%d", prefix, i), rapid.SampledFrom(conditions).Draw(t, prefix+" when"), rapid.SampledFrom(duties).Draw(t, prefix+" duty"), more)
			}
			return out
		}
		// Whole law, under which a rig can be compliant, or what chance brings.
		base := rule("xx.a", "true", "part_rating: {roles: [ball], at_least: kg(1)}", "")
		if rapid.Bool().Draw(t, "whole") {
			base += rule("xx.b", "trailer.axle_count < 2", "service_brakes: {required: false}, breakaway: {required: false}", "") +
				rule("xx.c", "trailer.axle_count > 1", "service_brakes: {required: true}, breakaway: {required: true}", "")
		}
		base = rulesetText("xx", "XX", "", 1, "from: 2000-01-01", base+some("xx", "level: law", 0, append(freed, asked...)))
		house := houseRuleset(some("house", "", 1, asked))
		doc := map[string]any{"jurisdiction": "XX"}
		trailer := map[string]any{}
		doc["trailer"] = trailer
		least := rapid.IntRange(-1, 0).Draw(t, "least known")
		field := func(into map[string]any, name string, values ...any) {
			if i := rapid.IntRange(least, len(values)-1).Draw(t, name); i >= 0 {
				into[name] = values[i]
			}
		}
		field(doc, "use", map[string]any{"commercial": true}, map[string]any{"commercial": false})
		field(doc, "parts", []any{map[string]any{"role": "ball", "rated_mass": "3500 kg"}, map[string]any{"role": "chain", "rated_mass": "2000 kg", "count": 2}})
		field(trailer, "rated", map[string]any{"axles": "600 kg", "total": "700 kg"}, map[string]any{"axles": "2000 kg", "total": "2200 kg"})
		field(trailer, "axle_count", 1, 2)
		field(trailer, "brakes", map[string]any{"kind": "none"}, map[string]any{"kind": "electric", "braked_axles": 1}, map[string]any{"kind": "overrun"})
		field(trailer, "breakaway", map[string]any{"kind": "none"}, map[string]any{"kind": "automatic", "hold": "20 min"})
		field(trailer, "parking_brake", true, false)
		field(trailer, "laden", map[string]any{"ball": "90 kg"}, map[string]any{"ball": "120 kg"})
		if _, err := rig.FromTree(doc); err != nil {
			t.Skip("the rig contradicts itself")
		}
		was, is := withAndWithout(t, base, house, doc)
		neverMilder(t, was, is)
	})
}

// TestHouseRulesMoveVerdicts: house rules can fail what the law passes or cannot
// decide, and pass what it passes.
func TestHouseRulesMoveVerdicts(t *testing.T) {
	base := rulesetText("xx", "XX", "", 1, "from: 2000-01-01", rule("xx.a", "true", "part_rating: {roles: [ball], at_least: trailer.rated.total}", "")+
		rule("xx.b", "true", "service_brakes: {required: false}, breakaway: {required: false}", ""))
	rigOf := func(total string) map[string]any {
		rated := map[string]any{}
		if total != "" {
			rated["total"] = total
		}
		return map[string]any{
			"jurisdiction": "XX",
			"parts":        []any{map[string]any{"role": "ball", "rated_mass": "1000 kg"}},
			"trailer":      map[string]any{"rated": rated, "brakes": map[string]any{"kind": "none"}},
		}
	}
	for _, c := range []struct {
		name, asked string
		rig         map[string]any
		was, is     rules.Verdict
	}{
		{"more asked and held", "part_rating: {roles: [ball], at_least: kg(1000)}", rigOf("900 kg"), rules.Compliant, rules.Compliant},
		{"more asked than is held", "part_rating: {roles: [ball], at_least: kg(1001)}", rigOf("900 kg"), rules.Compliant, rules.NonCompliant},
		{"more asked where the law waits", "part_rating: {roles: [ball], at_least: kg(1001)}", rigOf(""), rules.Undetermined, rules.NonCompliant},
		{"held where the law waits", "part_rating: {roles: [ball], at_least: kg(1000)}", rigOf(""), rules.Undetermined, rules.Undetermined},
		{"held where the law fails", "part_rating: {roles: [ball], at_least: kg(1000)}", rigOf("1100 kg"), rules.NonCompliant, rules.NonCompliant},
	} {
		t.Run(c.name, func(t *testing.T) {
			was, is := withAndWithout(t, base, houseRuleset(rule("house.a", "true", c.asked, "level: rating")), c.rig)
			if was.Verdict != c.was || is.Verdict != c.is {
				t.Errorf("the verdict was %s and is %s, not %s and %s", was.Verdict, is.Verdict, c.was, c.is)
			}
			neverMilder(t, was, is)
		})
	}
}

// failer is a test, drawn or not.
type failer interface {
	Helper()
	Errorf(string, ...any)
	Fatalf(string, ...any)
}

// withAndWithout answers a rig by the law alone, and by house rules too.
func withAndWithout(t failer, lawText, houseText string, doc map[string]any) (was, is *rules.Answer) {
	t.Helper()
	must := func(err error) {
		if err != nil {
			t.Fatalf("%v", err)
		}
	}
	shipped, err := law.Parse([]byte(lawText))
	must(err)
	extra, err := law.Parse([]byte(houseText))
	must(err)
	alone, err := rules.NewBook([]*law.Ruleset{shipped})
	must(err)
	both, err := rules.NewBook([]*law.Ruleset{shipped, extra})
	must(err)
	if fs := both.CheckHouse(extra); fs != nil {
		t.Fatalf("refused: %v", fs)
	}
	r, err := rig.FromTree(doc)
	must(err)
	day, err := rig.ParseDay("2026-11-25")
	must(err)
	was, err = alone.Assess(r, day)
	must(err)
	is, err = both.Assess(r, day)
	must(err)
	return was, is
}

// neverMilder compares the answer by the law alone with that by house rules too.
func neverMilder(t failer, was, is *rules.Answer) {
	order := map[rules.Verdict]int{rules.NonCompliant: 0, rules.Undetermined: 1, rules.Compliant: 2}
	if order[is.Verdict] > order[was.Verdict] {
		t.Errorf("the verdict was %s and is %s", was.Verdict, is.Verdict)
	}
	if !slices.Equal(is.NotCovered, was.NotCovered) {
		t.Errorf("not covered was %v and is %v", was.NotCovered, is.NotCovered)
	}
	for _, q := range [][2]rules.Question{
		{was.Answers.Brakes, is.Answers.Brakes},
		{was.Answers.Breakaway, is.Answers.Breakaway},
		{was.Answers.ParkingBrake, is.Answers.ParkingBrake},
		{was.Answers.SafetyChains, is.Answers.SafetyChains},
		{was.Answers.PartsRated, is.Answers.PartsRated},
	} {
		milder := q[0].Holds == rules.No && q[1].Holds != rules.No || q[0].Holds == rules.DontKnow && q[1].Holds == rules.Yes
		if q[0].Required != q[1].Required || q[0].Covered != q[1].Covered || milder {
			t.Errorf("a question was answered %+v and is %+v", q[0], q[1])
		}
	}
	for _, f := range was.Findings {
		if !slices.ContainsFunc(is.Findings, func(g rules.Finding) bool { return g.ID == f.ID && g.Status == f.Status && g.Summary == f.Summary }) {
			t.Errorf("the finding %s is gone or another", f.ID)
		}
	}
}

// ladder is rules each of which is overridden by the two after it.
func ladder(n int) string {
	var out string
	for i := range n {
		more := ""
		if i+2 < n {
			more = fmt.Sprintf("overrides: [xx.r%d, xx.r%d]", i+1, i+2)
		}
		when := "trailer.tare > kg(1)"
		if i == 0 {
			when = "use.commercial" // unknown, and so is all that follows
		}
		out += rule(fmt.Sprintf("xx.r%d", i), when, "service_brakes: {required: true}", more)
	}
	return out
}

// TestLadder: there are more ways down a ladder than anybody could go.
func TestLadder(t *testing.T) {
	b := newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01", ladder(300)))
	start := time.Now()
	a := ask(t, b, `{"jurisdiction":"XX","trailer":{"tare":"2 kg"}}`)
	if len(a.Missing) != 1 || a.Missing[0].Pointer != "/use/commercial" {
		t.Errorf("missing is %+v", a.Missing)
	}
	day, _ := rig.ParseDay("2026-11-25")
	if _, err := b.Survey("XX", day); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(start); took > 5*time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestNothingInCommon(t *testing.T) {
	kinds := func(id, when, list string) string {
		return rule(id, when, "service_brakes: {required: true, kinds: ["+list+"]}", "")
	}
	for name, c := range map[string]struct {
		rules     string
		conflicts int
	}{
		"something in common":             {kinds("xx.a", "true", "electric, air") + kinds("xx.b", "true", "air, surge"), 0},
		"nothing in common":               {kinds("xx.a", "true", "electric") + kinds("xx.b", "true", "air"), 1},
		"two by two, and nothing for all": {kinds("xx.a", "true", "electric, air") + kinds("xx.b", "true", "air, surge") + kinds("xx.c", "true", "surge, electric"), 1},
		"nothing in common, never both":   {kinds("xx.a", "use.commercial", "electric") + kinds("xx.b", `"!use.commercial"`, "air"), 0},
	} {
		conflicts := 0
		for _, o := range survey(t, "service_brakes.kinds", c.rules).Overlaps {
			if o.Conflict {
				conflicts++
			}
		}
		if conflicts != c.conflicts {
			t.Errorf("%s: %d conflicts, want %d", name, conflicts, c.conflicts)
		}
	}
}

// TestSurveyWith looks at the questions of one ruleset only, counts its
// practice, and keeps to the cells it may look at.
func TestSurveyWith(t *testing.T) {
	b := newBook(t,
		rulesetText("xx", "XX", "", 1, "from: 2000-01-01", ruleOf("xx.a", "trailer.rated.axles > kg(750)", true, "")+rule("xx.b", "true", "parking_brake: {required: true}", "")),
		houseRuleset(ruleOf("house.a", "trailer.rated.axles > kg(500)", true, "level: practice")))
	day, _ := rig.ParseDay("2026-11-25")
	rs, ok := b.Version("house-yard", 1)
	if !ok {
		t.Fatal("there are no house rules")
	}
	for most, want := range map[int]struct {
		cells, governed int
		partial         bool
	}{100: {5, 3, false}, 4: {1, 0, true}} {
		all, err := b.SurveyWith(rs, "XX", day, most)
		if err != nil || len(all) != 1 || all[0].Question != "service_brakes.required" {
			t.Fatalf("%+v (%v)", all, err)
		}
		if s := all[0]; s.Cells != want.cells || s.Governed != want.governed || s.Partial != want.partial {
			t.Errorf("of at most %d cells: %+v", most, s)
		}
	}
}
