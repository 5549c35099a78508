package cases

import (
	"fmt"
	"math/big"

	"drawgear/rules"
	"drawgear/rules/expr"
	"drawgear/rules/law"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Report is what checking one ruleset found.
type Report struct {
	Checks    int      // examples run, one a step
	Failures  []string // examples that came out otherwise
	Uncovered []string // thresholds with no example at the boundary and close by on both sides
}

// Examples expands the worked examples of a ruleset. An example of a frame is
// asked in the jurisdiction given.
func Examples(rs *law.Ruleset, jurisdiction string) ([]Check, error) {
	if rs.Jurisdiction != "" {
		jurisdiction = rs.Jurisdiction
	}
	day := rs.Reviewed
	if !rs.Effective.Contains(day.Day) {
		day = rs.Effective.To
	}
	var out []Check
	for _, e := range rs.Examples {
		cs, err := Expand(e, jurisdiction, day)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", rs.Ruleset, err)
		}
		out = append(out, cs...)
	}
	return out, nil
}

// Verify runs the worked examples of one ruleset of a book and looks for
// thresholds that no example, and none of the further checks, tries.
func Verify(b *rules.Book, rs *law.Ruleset, further []Check) (Report, error) {
	home := rs.Jurisdiction
	if home == "" {
		var err error
		if b, home, err = frameBook(b, rs); err != nil {
			return Report{}, err
		}
	}
	examples, err := Examples(rs, home)
	if err != nil {
		return Report{}, err
	}
	rep := Report{Checks: len(examples)}
	for _, c := range examples {
		a, err := c.Assess(b)
		if err != nil {
			rep.Failures = append(rep.Failures, err.Error())
			continue
		}
		for _, d := range c.Compare(a) {
			rep.Failures = append(rep.Failures, c.Name+": "+d)
		}
	}
	rep.Uncovered = Uncovered(rs, append(examples, further...))
	return rep, nil
}

// frameJurisdiction is a code that ISO 3166-1 leaves to users: a place that
// holds nothing but the frame under test.
const frameJurisdiction = "ZZ"

// frameBook links a frame alone: it takes effect only where it is extended.
func frameBook(b *rules.Book, rs *law.Ruleset) (*rules.Book, string, error) {
	host, err := law.Parse([]byte(fmt.Sprintf(`
ruleset: host
version: 1
title: A place that holds only the frame
jurisdiction: %s
effective: {from: 1900-01-01}
reviewed: %s
extends: [%s]
sources: [{id: none, title: none, publisher: none, kind: practice, checked: {how: memory}}]
rules:
  - id: zz.none
    says: Holds nothing.
    level: practice
    oblige: {notice: {about: other}}
    cite: {source: none, how: memory}
`, frameJurisdiction, rs.Reviewed, rs.Ruleset)))
	if err != nil {
		return nil, "", fmt.Errorf("make a host for %s: %w", rs.Ruleset, err)
	}
	b, err = rules.NewBook(append([]*law.Ruleset{host}, b.Rulesets()...))
	return b, frameJurisdiction, err
}

// near is how close an example must lie to a threshold to try it.
func near(f rig.Field, constant expr.Value) expr.Value {
	switch {
	case f.Kind != rig.KindQuantity:
		return expr.Value{Num: 1, Den: 1} // a day, or one of a count
	case f.Dim == quantity.Mass:
		return expr.Of(quantity.MustParse(quantity.Mass, "1 g"))
	default: // a thousandth of the figure
		den := new(big.Int).Mul(big.NewInt(constant.Den), big.NewInt(1000))
		return expr.Value{Num: constant.Num, Den: den.Int64(), Unit: constant.Unit}
	}
}

// Uncovered lists the thresholds of a ruleset that no check tries at the
// boundary and close by on both sides.
func Uncovered(rs *law.Ruleset, checks []Check) []string {
	var rigs []*rig.Rig
	for _, c := range checks {
		if r, err := rig.FromTree(c.Document()); err == nil {
			rigs = append(rigs, r)
		}
	}
	var out []string
	seen := map[string]bool{}
	for _, rule := range rs.Rules {
		if rule.When == nil {
			continue
		}
		for _, th := range rule.When.Thresholds() {
			f := rig.ByID(th.Fact)
			text := fmt.Sprintf("%s %s %s", f.Path, th.Operator, constantText(f, th.Constant))
			if f.Path == "as_of" || seen[text] {
				continue
			}
			seen[text] = true
			if miss := sidesMissing(th, near(f, th.Constant), rigs); miss != "" {
				out = append(out, fmt.Sprintf("%s: %s has no example %s", rule.ID, text, miss))
			}
		}
	}
	return out
}

func constantText(f rig.Field, v expr.Value) string {
	switch f.Kind {
	case rig.KindQuantity:
		return v.Text()
	case rig.KindDate:
		return rig.Day(v.Num).String()
	default:
		return big.NewRat(v.Num, v.Den).RatString()
	}
}

func sidesMissing(th expr.Threshold, close expr.Value, rigs []*rig.Rig) string {
	var below, at, above bool
	for _, r := range rigs {
		v := r.Get(th.Fact)
		if !v.Known {
			continue
		}
		diff := expr.Value{Num: v.Num, Den: 1, Unit: th.Constant.Unit}.Sub(th.Constant)
		switch {
		case diff.Num == 0:
			at = true
		case diff.Num > 0 && diff.Cmp(close) <= 0:
			above = true
		case diff.Num < 0 && (expr.Value{Num: -diff.Num, Den: diff.Den, Unit: diff.Unit}).Cmp(close) <= 0:
			below = true
		}
	}
	switch {
	case !at:
		return "at the boundary"
	case !above:
		return "just above"
	case !below && rig.ByID(th.Fact).Kind != rig.KindCount: // one axle less than one is no rig
		return "just below"
	default:
		return ""
	}
}
