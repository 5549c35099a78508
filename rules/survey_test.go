package rules_test

import (
	"strings"
	"testing"

	"drawgear/rules"
	"drawgear/rules/rig"
)

func survey(t *testing.T, question, ruleText string) rules.Survey {
	t.Helper()
	b := newBook(t, rulesetText("xx", "XX", "", 1, "from: 2000-01-01", ruleText))
	day, _ := rig.ParseDay("2026-11-25")
	all, err := b.Survey("XX", day)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range all {
		if s.Question == question {
			return s
		}
	}
	t.Fatalf("no survey of %s", question)
	return rules.Survey{}
}

func ruleOf(id, when string, required bool, more string) string {
	return rule(id, when, "service_brakes: {required: "+map[bool]string{true: "true", false: "false"}[required]+"}", more)
}

// TestSurvey counts, by hand, the cells of small rulesets: below, at and above
// each threshold.
func TestSurvey(t *testing.T) {
	for _, c := range []struct {
		name, rules         string
		cells, governed     int
		open                []string
		overlaps, conflicts int
	}{
		{"bands that meet", ruleOf("xx.a", "trailer.rated.axles <= kg(750)", false, "") + ruleOf("xx.b", "trailer.rated.axles > kg(750)", true, ""), 3, 3, nil, 0, 0},
		{"a gap at the boundary", ruleOf("xx.a", "trailer.rated.axles < kg(750)", false, "") + ruleOf("xx.b", "trailer.rated.axles > kg(750)", true, ""), 3, 2, []string{"trailer.rated.axles = 750 kg"}, 0, 0},
		{"an overlap at the boundary", ruleOf("xx.a", "trailer.rated.axles <= kg(750)", false, "") + ruleOf("xx.b", "trailer.rated.axles >= kg(750)", true, ""), 3, 3, nil, 1, 1},
		{"an overlap with an order", ruleOf("xx.a", "trailer.rated.axles <= kg(750)", false, "") + ruleOf("xx.b", "trailer.rated.axles >= kg(750)", true, "overrides: [xx.a]"), 3, 3, nil, 0, 0},
		{
			"a gap between bands", ruleOf("xx.a", "trailer.rated.axles <= kg(750)", false, "") + ruleOf("xx.b", "trailer.rated.axles > kg(800)", true, ""), 5, 3,
			[]string{"trailer.rated.axles = 800 kg", "trailer.rated.axles between 750 kg and 800 kg"},
			0, 0,
		},
		{
			"two duties add up", ruleOf("xx.a", "trailer.rated.axles > kg(750)", true, "") + ruleOf("xx.b", "trailer.tare > kg(500)", true, ""), 9, 5,
			[]string{"trailer.rated.axles < 750 kg; trailer.tare < 500 kg", "trailer.rated.axles < 750 kg; trailer.tare = 500 kg", "trailer.rated.axles = 750 kg; trailer.tare < 500 kg", "trailer.rated.axles = 750 kg; trailer.tare = 500 kg"},
			1, 0,
		},
		// Nothing on the axles outweighs the whole: of the nine cells three are no rig's.
		{
			"cells that no rig can be in", ruleOf("xx.a", "trailer.rated.axles > kg(2000)", true, "") + ruleOf("xx.b", "trailer.rated.total <= kg(2000)", false, ""), 6, 4,
			[]string{"trailer.rated.axles < 2000 kg; trailer.rated.total > 2000 kg", "trailer.rated.axles = 2000 kg; trailer.rated.total > 2000 kg"},
			0, 0,
		},
		{"one ratio from both sides", ruleOf("xx.a", "2 * trailer.laden.total <= vehicle.kerb", false, "") + ruleOf("xx.b", "vehicle.kerb < 2 * trailer.laden.total", true, ""), 3, 3, nil, 0, 0},
		{"fitted follows from the kind", ruleOf("xx.a", "trailer.brakes.fitted", true, "") + ruleOf("xx.b", `trailer.brakes.kind == "none"`, false, ""), 2, 2, nil, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := survey(t, "service_brakes.required", c.rules)
			conflicts := 0
			for _, o := range s.Overlaps {
				if o.Conflict {
					conflicts++
				}
			}
			var open []string
			for _, r := range s.Open {
				open = append(open, r.Where)
			}
			if s.Cells != c.cells || s.Governed != c.governed || len(s.Overlaps) != c.overlaps || conflicts != c.conflicts || s.Partial {
				t.Errorf("%+v", s)
			}
			if strings.Join(open, " | ") != strings.Join(c.open, " | ") {
				t.Errorf("open: %q, want %q", open, c.open)
			}
		})
	}
}
