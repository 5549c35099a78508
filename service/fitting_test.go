package service_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/rules"
	"drawgear/rules/fitting"
	shipped "drawgear/rules/library"
	"drawgear/rules/rig"
	"drawgear/service"
)

func fitted() service.FittingEntry {
	return service.FittingEntry{
		Revision: 2, At: time.Date(2026, 11, 25, 23, 0, 0, 1_999, time.FixedZone("east", 11*3600)), By: "a fitter",
		State: service.FittingProven, Engine: "1.0\né", Given: []byte("rig"), Made: []byte(""),
	}
}

// TestFittingLeaf: logs that exist are verified against this form, so it never
// changes.
func TestFittingLeaf(t *testing.T) {
	const want = "18:drawgear-fitting-1\n36:00000000-0000-0000-0000-000000000001\n26:ABCDEFGHIJKLMNOPQRSTUVWXYZ\n1:2\n" +
		"27:2026-11-25T12:00:00.000001Z\n8:a fitter\n6:proven\n6:1.0\né\n" +
		"64:c00ae0a63348054ecc8343f23278fe13bfa5c44255e208ff6102ffc2d7910a53\n" +
		"64:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855\n"
	if got := string(fitted().Leaf(service.DefaultTenant, "ABCDEFGHIJKLMNOPQRSTUVWXYZ")); got != want {
		t.Errorf("the leaf is\n%swant\n%s", got, want)
	}
}

func TestFittingLeafIsOfOne(t *testing.T) {
	leaf := func(e service.FittingEntry) string { return string(e.Leaf("T", "F")) }
	seen := map[string]string{
		leaf(fitted()): "itself", string(fitted().Leaf("U", "F")): "another tenant", string(fitted().Leaf("T", "G")): "another fitting",
	}
	if len(seen) != 3 {
		t.Error("tenant or fitting does not tell")
	}
	for name, change := range map[string]func(e *service.FittingEntry){
		"revision":    func(e *service.FittingEntry) { e.Revision = 3 },
		"time":        func(e *service.FittingEntry) { e.At = e.At.Add(time.Microsecond) },
		"subject":     func(e *service.FittingEntry) { e.By = "another" },
		"state":       func(e *service.FittingEntry) { e.State = service.FittingOpen },
		"engine":      func(e *service.FittingEntry) { e.Engine = "2" },
		"given":       func(e *service.FittingEntry) { e.Given = []byte("x") },
		"made":        func(e *service.FittingEntry) { e.Made = []byte("x") },
		"turned":      func(e *service.FittingEntry) { e.Given, e.Made = e.Made, e.Given },
		"line within": func(e *service.FittingEntry) { e.By = "a fitter\n6:proven" },
	} {
		e := fitted()
		change(&e)
		if other, taken := seen[leaf(e)]; taken {
			t.Errorf("another %s: the leaf is that of %s", name, other)
		}
		seen[leaf(e)] = name
	}
}

const (
	misnamed = `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"2200 kg"},"brakes":{"kind":"electric","braked_axles":2,"magnets":4},"name_of":1}}`
	plain    = `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"2200 kg"},"brakes":{"kind":"electric","braked_axles":2,"magnets":4}}}`
	nothing  = `{}`
)

// planned keeps a fitting of the plain rig.
func planned(t *testing.T, s *service.Assessor) service.Fitting {
	t.Helper()
	f, err := s.PlanFitting(local(t), service.FittingAsk{Rig: []byte(plain), Request: []byte(nothing)}, true)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func judged(t *testing.T, f service.Fitting) fitting.Judgement {
	t.Helper()
	var j fitting.Judgement
	if err := json.Unmarshal(f.Proofs[len(f.Proofs)-1].Judgement, &j); err != nil {
		t.Fatal(err)
	}
	return j
}

// TestMeasuredAgain: what is measured again counts as last measured, what is not
// goes on counting.
func TestMeasuredAgain(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	f := planned(t, s)
	statuses := func(measured string) map[string]rules.Status {
		t.Helper()
		var err error
		if f, err = s.Prove(local(t), f.ID, "", []byte(measured)); err != nil {
			t.Fatal(err)
		}
		out := map[string]rules.Status{}
		for _, p := range judged(t, f).Proofs {
			out[p.ID] = p.Status
		}
		return out
	}
	for _, step := range []struct {
		measured               string
		free, braked, polarity rules.Status
	}{
		{`{"mechanical":{"wheels_free":false}}`, rules.NotMet, rules.Unknown, rules.Unknown},
		{`{"mechanical":{"wheels_braked":true}}`, rules.NotMet, rules.Met, rules.Unknown},
		{`{"polarity":"reversed"}`, rules.NotMet, rules.Met, rules.NotMet},
		{`{"polarity":"correct","mechanical":{"wheels_free":true}}`, rules.Met, rules.Met, rules.Met},
		{`{"mechanical":{"wheels_braked":false}}`, rules.Met, rules.NotMet, rules.Met},
	} {
		got := statuses(step.measured)
		if got["mechanical/wheels_free"] != step.free || got["mechanical/wheels_braked"] != step.braked || got["polarity"] != step.polarity {
			t.Errorf("after %s: %v", step.measured, got)
		}
	}
	if len(f.Proofs) != 5 || f.State != service.FittingOpen {
		t.Errorf("%d proofs, state %s", len(f.Proofs), f.State)
	}
}

// TestFittingScopes: whoever may ask may plan; to prove and to sign takes a scope
// of its own.
func TestFittingScopes(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	f := planned(t, s)
	caller := service.Local()
	caller.Scopes = slices.DeleteFunc(slices.Clone(service.Scopes), func(s service.Scope) bool { return s == service.ScopeFit })
	ctx := service.WithCaller(t.Context(), caller)
	var missing *service.MissingScope
	if _, err := s.Prove(ctx, f.ID, "", []byte(`{"polarity":"correct"}`)); !errors.As(err, &missing) || missing.Scope != service.ScopeFit {
		t.Errorf("Prove without the scope: %v", err)
	}
	if _, err := s.SignOffFitting(ctx, f.ID, "*", []byte(nothing)); !errors.As(err, &missing) || missing.Scope != service.ScopeFit {
		t.Errorf("SignOffFitting without the scope: %v", err)
	}
}

func TestFittingFull(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	f := planned(t, s)
	for i := range service.MaxProofs {
		if _, err := s.Prove(local(t), f.ID, "", fmt.Appendf(nil, `{"supply_rest":"13.%02d V"}`, i)); err != nil {
			t.Fatalf("proof %d: %v", i, err)
		}
	}
	if _, err := s.Prove(local(t), f.ID, "", []byte(`{"supply_rest":"14 V"}`)); !errors.Is(err, service.ErrProofs) {
		t.Errorf("one more: %v, want ErrProofs", err)
	}
}

// TestPlannedFromAssessment: the law is that of the assessment, whatever holds
// now.
func TestPlannedFromAssessment(t *testing.T) {
	store := memory.New(0)
	old := library(t, "1", "750").Rulesets()
	strict := library(t, "2", "100").Rulesets()
	light := `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"500 kg"},"brakes":{"kind":"none"}}}`
	a, err := service.New(library(t, "1", "750"), store, at(noon)).Assess(local(t), []byte(light), true)
	if err != nil {
		t.Fatal(err)
	}
	both, err := rules.NewBook(append(slices.Clone(old), strict...))
	if err != nil {
		t.Fatal(err)
	}
	s := service.New(both, store, at(noon))
	ask := service.FittingAsk{Assessment: a.ID, Request: []byte(nothing)}
	f, err := s.PlanFitting(local(t), ask, true)
	if err != nil || len(f.Rulesets) != 1 || f.Rulesets[0].Version != 1 || string(f.Rig) != light || f.Assessment != a.ID {
		t.Fatalf("planned as %+v (%v)", f, err)
	}
	now, err := s.PlanFitting(local(t), service.FittingAsk{Rig: []byte(light), Request: []byte(nothing)}, false)
	if err != nil || now.Rulesets[0].Version != 2 || now.PlanSHA256 == f.PlanSHA256 {
		t.Errorf("from the rig it is planned by version %d (%v)", now.Rulesets[0].Version, err)
	}
	again, err := s.ReplayFitting(local(t), f.ID)
	if err != nil || !again.Same || !bytes.Equal(again.Plan, f.Plan) {
		t.Errorf("replayed it is %+v (%v)", again, err)
	}
	without := service.New(library(t, "2", "100"), store, at(noon))
	if _, err := without.PlanFitting(local(t), ask, false); !errors.Is(err, service.ErrRulesetUnavailable) {
		t.Errorf("without the law of then: %v, want ErrRulesetUnavailable", err)
	}
	if _, err := without.ReplayFitting(local(t), f.ID); !errors.Is(err, service.ErrRulesetUnavailable) {
		t.Errorf("replay without the law of then: %v, want ErrRulesetUnavailable", err)
	}
	// The record needs no law.
	if _, err := without.Handover(local(t), f.ID); err != nil {
		t.Errorf("the record without the law of then: %v", err)
	}
}

// TestKeptAnswer: an answer that was written as JSON and read again is the same,
// which the record of a fitting rests on.
func TestKeptAnswer(t *testing.T) {
	files, err := shipped.Files()
	if err != nil {
		t.Fatal(err)
	}
	law, err := shipped.Compile(files)
	if err != nil {
		t.Fatal(err)
	}
	book, err := rules.NewBook(law)
	if err != nil {
		t.Fatal(err)
	}
	document, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range [][]byte{document, []byte(`{"jurisdiction":"GB","trailer":{"rated":{"total":"740 kg"}}}`)} {
		r, err := rig.Decode(text)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := book.Assess(r, rig.Day(20782))
		if err != nil {
			t.Fatal(err)
		}
		once, err := json.Marshal(answer)
		if err != nil {
			t.Fatal(err)
		}
		var back rules.Answer
		if err := json.Unmarshal(once, &back); err != nil {
			t.Fatal(err)
		}
		plan := func(a *rules.Answer) []byte {
			out, err := json.Marshal(fitting.NewPlan(r, a, fitting.Request{}))
			if err != nil {
				t.Fatal(err)
			}
			return out
		}
		if twice, err := json.Marshal(back); err != nil || !bytes.Equal(once, twice) {
			t.Errorf("an answer read again is\n%s\nand was\n%s (%v)", twice, once, err)
		}
		if kept := plan(answer); !bytes.Equal(kept, plan(&back)) {
			t.Error("a plan by an answer that was read again is another")
		} else {
			var p fitting.Plan
			if err := json.Unmarshal(kept, &p); err != nil {
				t.Fatal(err)
			}
			if again, err := json.Marshal(p); err != nil || !bytes.Equal(again, kept) {
				t.Errorf("a plan read again is another (%v)", err)
			}
		}
	}
}

// TestFittingRefused: what is wrong is told by its place, and nothing is kept.
func TestFittingRefused(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	var invalid service.Invalid
	var issues rig.Issues
	if _, err := s.PlanFitting(local(t), service.FittingAsk{Request: []byte(nothing)}, true); !errors.As(err, &invalid) {
		t.Errorf("from nothing: %v", err)
	}
	_, err := s.PlanFitting(local(t), service.FittingAsk{Rig: []byte(misnamed), Request: []byte(nothing)}, true)
	if !errors.As(err, &issues) || issues[0].Pointer != "/rig/trailer/name_of" {
		t.Errorf("a bad rig: %v", err)
	}
	_, err = s.PlanFitting(local(t), service.FittingAsk{Rig: []byte(plain), Request: []byte(`{"wiring":{"supply":"x"}}`)}, true)
	if !errors.As(err, &invalid) || invalid[0].Pointer != "/wiring/supply" {
		t.Errorf("bad wiring: %v", err)
	}
	if page, err := s.Fittings(local(t), service.FittingQuery{}); err != nil || len(page.Items) != 0 {
		t.Errorf("kept are %+v (%v)", page, err)
	}
	ended, cancel := context.WithCancel(local(t))
	f := planned(t, s)
	cancel()
	if _, err := s.Prove(ended, f.ID, "", []byte(`{"polarity":"correct"}`)); !errors.Is(err, context.Canceled) {
		t.Errorf("after its context: %v", err)
	}
}
