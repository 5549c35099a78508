package library_test

import (
	"testing"

	"drawgear/rules/cases"
	"drawgear/rules/library"
	"drawgear/testdata"
)

// TestExamples runs the worked examples of every ruleset and asks that every
// threshold in a condition be tried at the boundary and close by on both
// sides, by an example or by a boundary case.
func TestExamples(t *testing.T) {
	b, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	further, err := cases.Load(testdata.Cases, "cases/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, rs := range b.Rulesets() {
		t.Run(rs.Ruleset, func(t *testing.T) {
			rep, err := cases.Verify(b, rs, further)
			if err != nil {
				t.Fatal(err)
			}
			if rep.Checks == 0 {
				t.Error("no examples")
			}
			for _, f := range rep.Failures {
				t.Error(f)
			}
			for _, u := range rep.Uncovered {
				t.Error(u)
			}
		})
	}
}

// TestBoundaryCases runs the cases that a lawyer can read, each with its
// published source, against the rules. The service and HTTP run them too.
func TestBoundaryCases(t *testing.T) {
	b, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	checks, err := cases.Load(testdata.Cases, "cases/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if len(checks) < 60 {
		t.Fatalf("only %d boundary cases", len(checks))
	}
	for _, c := range checks {
		a, err := c.Assess(b)
		if err != nil {
			t.Error(err)
			continue
		}
		for _, d := range c.Compare(a) {
			t.Errorf("%s (%s): %s", c.Name, c.Jurisdiction, d)
		}
	}
	t.Logf("%d boundary cases", len(checks))
}
