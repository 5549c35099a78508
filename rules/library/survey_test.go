package library_test

import (
	"testing"

	"drawgear/rules/rig"
)

// TestSurvey looks at every cell of every question of every place: no ruleset
// may both ask for a thing and free the same rig from it without saying which
// gives way, and no cell may be left out. Gaps are allowed; the answer there is
// "not covered", and `drawgear check` lists them.
func TestSurvey(t *testing.T) {
	if testing.Short() {
		t.Skip("millions of cells; the full run looks at them")
	}
	b := book(t)
	cells, open := 0, 0
	for _, j := range b.Jurisdictions() {
		day, err := rig.ParseDay(j.Reviewed)
		if err != nil {
			t.Fatal(err)
		}
		all, err := b.Survey(j.Code, day)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range all {
			cells += s.Cells
			open += s.Cells - s.Governed
			if s.Partial {
				t.Errorf("%s %s: too many cells to look at every one", j.Code, s.Question)
			}
			for _, o := range s.Overlaps {
				if o.Conflict {
					t.Errorf("%s %s: %v contradict each other, for example where %s", j.Code, s.Question, o.Rules, o.Where)
				}
			}
		}
	}
	t.Logf("%d cells, %d of them not covered", cells, open)
}
