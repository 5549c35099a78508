package library_test

import (
	"reflect"
	"testing"

	"drawgear/rules"
	"drawgear/rules/rig"
)

// TestJudge: without words the answer is the same, in every place, on both sides
// of the lines of the law and for a rig of which little is known.
func TestJudge(t *testing.T) {
	b := book(t)
	bare, err := rig.Decode([]byte(`{"trailer": {"rated": {"axles": "2200 kg"}}, "parts": [{"role": "chain", "count": 1}, {"role": "ball", "rated_mass": "2 t"}]}`))
	if err != nil {
		t.Fatal(err)
	}
	day, _ := rig.ParseDay("2026-11-25")
	for _, r := range append(handRigs(t), bare) {
		for _, place := range b.Jurisdictions() {
			here := *r
			here.Jurisdiction = place.Code
			full, err := b.Assess(&here, day)
			if err != nil {
				t.Fatal(err)
			}
			brief, err := b.Judge(&here, day)
			if err != nil {
				t.Fatal(err)
			}
			want := rules.Answer{Verdict: full.Verdict, Answers: full.Answers, Missing: full.Missing, NotCovered: full.NotCovered}
			got := rules.Answer{Verdict: brief.Verdict, Answers: brief.Answers, Missing: brief.Missing, NotCovered: brief.NotCovered}
			for _, f := range full.Findings {
				want.Findings = append(want.Findings, rules.Finding{ID: f.ID, Rule: f.Rule, Question: f.Question, Level: f.Level, Status: f.Status, Citation: f.Citation})
			}
			for _, f := range brief.Findings {
				got.Findings = append(got.Findings, rules.Finding{ID: f.ID, Rule: f.Rule, Question: f.Question, Level: f.Level, Status: f.Status, Citation: f.Citation})
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("%s: without words %+v\nwith %+v", place.Code, got, want)
			}
		}
	}
}
