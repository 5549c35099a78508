package rules_test

import (
	"fmt"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// TestJudge: without words the answer is the same, in every place, on both sides
// of the lines of the law and for rigs of which little is known.
func TestJudge(t *testing.T) {
	b := book(t)
	rigs := handRigs(t)
	for _, text := range []string{
		`{"trailer": {"rated": {"axles": "2200 kg"}}, "parts": [{"role": "chain", "count": 1}, {"role": "ball", "rated_mass": "2 t"}]}`,
		`{}`,
		`{"trailer": {"laden": {"total": "1800 lb"}, "brakes": {"kind": "none"}}, "parts": [{"role": "coupling", "rated_mass": "1 t"}, {"role": "chain", "count": 0}]}`,
	} {
		r, err := rig.Decode([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		rigs = append(rigs, r)
	}
	day, _ := rig.ParseDay("2026-11-25")
	for _, r := range rigs {
		for _, place := range b.Jurisdictions() {
			sameJudgement(t, b, r, place.Code, day)
		}
	}
}

// TestJudgeAnything is TestJudge for rigs with figures changed and left out.
func TestJudgeAnything(t *testing.T) {
	b := book(t)
	places, rigs := b.Jurisdictions(), handRigs(t)
	var all, masses []rig.ID
	for _, f := range rig.Fields() {
		all = append(all, f.ID)
		if f.Kind == rig.KindQuantity && f.Dim == quantity.Mass && !f.Derived() {
			masses = append(masses, f.ID)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		r, err := rigs[rapid.IntRange(0, len(rigs)-1).Draw(t, "rig")].With(func(d *rig.Draft) {
			d.Forget(rapid.SliceOfN(rapid.SampledFrom(all), 0, 20).Draw(t, "unknown")...)
			for _, id := range rapid.SliceOfN(rapid.SampledFrom(masses), 0, 3).Draw(t, "changed") {
				d.Quantity(id, quantity.MustParse(quantity.Mass, fmt.Sprint(rapid.IntRange(1, 6000).Draw(t, "kg"), " kg")))
			}
		})
		if err != nil {
			t.Skip("contradictory")
		}
		day, _ := rig.ParseDay(rapid.SampledFrom([]string{"1990-01-01", "2015-07-01", "2026-11-25"}).Draw(t, "day"))
		sameJudgement(t, b, r, places[rapid.IntRange(0, len(places)-1).Draw(t, "place")].Code, day)
	})
}

// sameJudgement holds a judgement to what the whole answer says; limits are read
// from the duty of the rule that the answer cites.
func sameJudgement(t interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}, b *rules.Book, r *rig.Rig, place string, day rig.Day,
) {
	t.Helper()
	here := *r
	here.Jurisdiction = place
	full, err := b.Assess(&here, day)
	if err != nil {
		t.Fatal(err)
	}
	got, err := b.Judge(&here, day)
	if err != nil {
		t.Fatal(err)
	}
	want := rules.Judgement{Verdict: full.Verdict}
	for _, m := range full.Missing {
		want.Missing = append(want.Missing, m.Pointer)
	}
	for _, f := range full.Findings {
		if f.Status != rules.NotMet || f.Level == "practice" {
			continue
		}
		x := rules.Failure{ID: f.ID, Question: f.Question}
		rs, ok := b.Version(f.Citation.Ruleset, f.Citation.Version)
		if !ok {
			t.Fatal(f.Citation)
		}
		for _, rule := range rs.Rules {
			for k := range rule.Duties {
				if d := &rule.Duties[k]; rule.ID == f.Rule && d.Question == f.Question && d.Demand.Amount != nil {
					x.Limit, x.Limited = d.Demand.Amount.Value(here.WithDay(day))
				}
			}
		}
		want.Failing = append(want.Failing, x)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s: judged %+v\nassessed %+v", place, got, want)
	}
}
