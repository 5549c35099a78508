package rules

import (
	"cmp"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"drawgear/rules/duty"
	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// track is a rig on which one figure moves, in equal steps, while all that
// depends on it moves along and the rest stands still. Every amount that a rule
// compares is then linear in that figure, or switches between linear forms, so
// that the places where a finding can change are known exactly: between two of
// them one look is enough.
//
// Where several figures move in proportion, a step is the least mass of which
// all are whole base units, and the places on the track are multiples of it. The
// ends of what is found are then looked for between two places, see edge.
type track struct {
	plan   *plan
	day    rig.Day
	unit   quantity.Unit // to write the figure in, where the law names none
	least  int64         // base units: the figure is never less
	step   int64         // base units
	lo, hi int64         // first and last place, in steps
	at     func(base int64) (*rig.Rig, error)
	today  int64 // base units: what the figure is, where that matters

	rules []tracked
	cuts  []cut // places after lo at which a finding may change, ascending
	dense bool  // a rule has more places than are looked at: nothing can be said
	built int64 // the place for which rig was made
	rig   *rig.Rig
	err   error

	scratch run // of look and plain: what they return is good until the next of them
}

// cut is the first place at which something may be another than just before,
// with the breaks that make it one.
type cut struct {
	place  int64
	breaks []expr.Break
}

// tracked is a rule on a track: its outcomes, each worked out once between cuts.
type tracked struct {
	*planned
	active bool
	when   outcomes[expr.Truth]
	duties []outcomes[duty.Status]
}

// outcomes are those of one test along a track.
type outcomes[T any] struct {
	still bool // nothing that it reads moves
	cuts  []int64
	known []bool
	value []T
}

func newOutcomes[T any](moves bool, places []int64) outcomes[T] {
	return outcomes[T]{!moves, places, make([]bool, len(places)+1), make([]T, len(places)+1)}
}

func (o *outcomes[T]) at(place int64, work func() T) T {
	i, found := slices.BinarySearch(o.cuts, place)
	if found {
		i++
	}
	if !o.known[i] {
		o.known[i], o.value[i] = true, work()
	}
	return o.value[i]
}

// lay makes ready a track whose ends and whose way of setting the figure are
// given. It fails if no rig can be at either end.
func (t *track) lay() error {
	line, at, err := t.line()
	if err != nil {
		return err
	}
	all := map[int64][]expr.Break{}
	t.rules = make([]tracked, len(t.plan.rules))
	for i, r := range t.plan.rules {
		x := &t.rules[i]
		x.planned, x.active = r, r.Effective.Contains(t.day)
		if !x.active {
			continue
		}
		if r.When != nil {
			breaks := t.sane(r.When.Breaks(at, line))
			x.when = newOutcomes[expr.Truth](r.When.Moves(line), t.cutsAt(breaks, all))
		}
		for k := range r.Duties {
			breaks, moves := t.dutyBreaks(&r.Duties[k], at, line)
			x.duties = append(x.duties, newOutcomes[duty.Status](moves, t.cutsAt(breaks, all)))
		}
	}
	for _, place := range slices.Sorted(maps.Keys(all)) {
		t.cuts = append(t.cuts, cut{place, all[place]})
	}
	return nil
}

// line works out how the facts move, from the rig at both ends: whatever
// follows from the moving figure does so by sums and differences.
func (t *track) line() (expr.Line, *rig.Rig, error) {
	first, err := t.at(t.lo * t.step)
	if err != nil {
		return nil, nil, fmt.Errorf("set the figure to its least: %w", err)
	}
	last, err := t.at(t.hi * t.step)
	if err != nil {
		return nil, nil, fmt.Errorf("set the figure to its most: %w", err)
	}
	t.rig, t.built = first.WithDay(t.day), t.lo
	line := expr.Line{}
	if t.hi == t.lo {
		return line, first, nil
	}
	run := big.NewRat(t.hi-t.lo, 1)
	for _, f := range rig.Fields() {
		a, b := first.Get(f.ID), last.Get(f.ID)
		if f.Kind != rig.KindQuantity || !a.Known || !b.Known || a.Num == b.Num {
			continue
		}
		slope := new(big.Rat).Quo(big.NewRat(b.Num-a.Num, 1), run)
		begins := new(big.Rat).Sub(big.NewRat(a.Num, 1), new(big.Rat).Mul(slope, big.NewRat(t.lo, 1)))
		line[f.ID] = expr.Linear{A: slope, B: begins}
	}
	return line, first, nil
}

func (t *track) sane(breaks []expr.Break, ok bool) []expr.Break {
	t.dense = t.dense || !ok
	return breaks
}

// cutsAt turns breaks into the places at which each is reached and is passed,
// and enters them among all.
func (t *track) cutsAt(breaks []expr.Break, all map[int64][]expr.Break) []int64 {
	var out []int64
	for _, b := range breaks {
		whole, rest := new(big.Int).DivMod(b.At.Num(), b.At.Denom(), new(big.Int))
		if !whole.IsInt64() {
			continue
		}
		passed := whole.Int64() + 1
		reached := passed
		if rest.Sign() == 0 {
			reached--
		}
		for _, place := range []int64{reached, passed} {
			if place > t.lo && place <= t.hi {
				out = append(out, place)
				all[place] = append(all[place], b)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// side is one of the amounts that a checker holds against each other.
type side struct {
	forms []expr.Linear
	unit  quantity.Unit
}

// dutyBreaks lists where the outcome of a checker can change: within its
// amounts, and where any two of the figures that it may compare meet. moves is
// false if it reads nothing that moves.
func (t *track) dutyBreaks(d *duty.Duty, at *rig.Rig, line expr.Line) (breaks []expr.Break, moves bool) {
	var sides []side
	for _, p := range d.Programs() {
		if p.Moves(line) {
			moves = true
			breaks = append(breaks, t.sane(p.Breaks(at, line))...)
		}
		forms, ok := p.Forms(at, line)
		t.dense = t.dense || !ok
		sides = append(sides, side{forms, unitOf(p, at, line)})
	}
	for _, id := range d.Reads() {
		if rig.ByID(id).Dim != quantity.Mass {
			continue
		}
		if l, on := line[id]; on {
			moves = true
			sides = append(sides, side{[]expr.Linear{l}, 0})
		} else if q, known := at.Quantity(id); known {
			sides = append(sides, side{[]expr.Linear{expr.Fixed(expr.Of(q))}, q.Unit()})
		}
	}
	if !moves {
		return nil, false
	}
	for _, v := range duty.Strengths(at, d.Question) {
		sides = append(sides, side{[]expr.Linear{expr.Fixed(v)}, v.Unit})
	}
	for i, a := range sides {
		for _, b := range sides[i+1:] {
			unit := a.unit
			if unit == 0 {
				unit = b.unit
			}
			breaks = append(breaks, expr.Crossings(a.forms, b.forms, unit)...)
		}
	}
	return breaks, true
}

// unitOf is the unit of an amount that stands still: the law's, or else that in
// which its first figure was entered.
func unitOf(p *expr.Program, r *rig.Rig, line expr.Line) quantity.Unit {
	if p.LawUnit() != 0 || p.Moves(line) {
		return p.LawUnit()
	}
	for _, id := range p.Facts() {
		if q, known := r.Quantity(id); known && q.Dimension() == quantity.Mass {
			return q.Unit()
		}
	}
	return 0
}

// rigAt is the rig at a place, kept until another is asked for.
func (t *track) rigAt(place int64) *rig.Rig {
	if t.built != place {
		t.rig, t.built = t.rigOf(place*t.step), place
	}
	return t.rig
}

// rigOf is the rig whose figure is so many base units. lay tried both ends, and
// what can be there can be between.
func (t *track) rigOf(base int64) *rig.Rig {
	r, err := t.at(base)
	if err != nil {
		t.err = fmt.Errorf("set the figure to %d base units: %w", base, err)
		return t.rig
	}
	return r.WithDay(t.day)
}

// full evaluates the rules at a figure in base units. What is lifted counts as
// met.
func (t *track) full(base int64, lifted []string) *run {
	e := t.plan.run(t.rigOf(base), t.day)
	for i := range e.found {
		if slices.Contains(lifted, e.found[i].ID) {
			e.found[i].Status = Met
		}
	}
	return e
}

// unitAt is the unit in which the law writes what changes at a place.
func (t *track) unitAt(place int64) quantity.Unit {
	if i, found := slices.BinarySearchFunc(t.cuts, place, func(c cut, p int64) int { return cmp.Compare(c.place, p) }); found {
		for _, b := range t.cuts[i].breaks {
			if b.Unit != 0 {
				return b.Unit
			}
		}
	}
	return t.unit
}

// edge is the last figure, in base units, that is as the last place of a stretch
// is, when the next place is not: one base unit more is not. With it comes the
// unit of the law that ends there.
func (t *track) edge(last int64, lifted []string, good func(*run) bool) (int64, quantity.Unit) {
	unit := t.unitAt(last + 1)
	low, high := last*t.step, (last+1)*t.step
	if i, found := slices.BinarySearchFunc(t.cuts, last+1, func(c cut, p int64) int { return cmp.Compare(c.place, p) }); found && t.step > 1 {
		for _, b := range t.cuts[i].breaks {
			at := new(big.Rat).Mul(b.At, big.NewRat(t.step, 1))
			base := new(big.Int).Div(at.Num(), at.Denom()).Int64()
			for _, c := range []int64{base, base - 1} {
				if c >= low && c < high && t.good(c, lifted, good) && !t.good(c+1, lifted, good) {
					return c, unit
				}
			}
		}
	}
	for high-low > 1 {
		if middle := low + (high-low)/2; t.good(middle, lifted, good) {
			low = middle
		} else {
			high = middle
		}
	}
	return low, unit
}

func (t *track) good(base int64, lifted []string, good func(*run) bool) bool {
	return good(t.plain(base, lifted))
}

// look finds, at a place, the status of every finding, without the words that
// explain it. What is lifted counts as met.
func (t *track) look(place int64, lifted []string) *run {
	return t.findings(lifted, func(x *tracked) expr.Truth {
		return x.when.at(place, func() expr.Truth { return x.When.Truth(t.rigAt(place)) })
	}, func(x *tracked, k int) Status {
		return x.duties[k].at(place, func() Status { return x.Duties[k].Status(t.rigAt(place)) })
	})
}

// plain is look for a figure in base units, on a place or not. What reads
// nothing that moves is not worked out again.
func (t *track) plain(base int64, lifted []string) *run {
	r := t.rigOf(base)
	return t.findings(lifted, func(x *tracked) expr.Truth {
		if x.when.still {
			return x.when.at(base, func() expr.Truth { return x.When.Truth(r) })
		}
		return x.When.Truth(r)
	}, func(x *tracked, k int) Status {
		if x.duties[k].still {
			return x.duties[k].at(base, func() Status { return x.Duties[k].Status(r) })
		}
		return x.Duties[k].Status(r)
	})
}

func (t *track) findings(lifted []string, when func(*tracked) expr.Truth, check func(*tracked, int) Status) *run {
	e := &t.scratch
	e.plan, e.rules, e.found = t.plan, slices.Grow(e.rules[:0], len(t.rules))[:len(t.rules)], e.found[:0]
	for i := range t.rules {
		x, h := &t.rules[i], &e.rules[i]
		*h = held{planned: x.planned, active: x.active}
		switch {
		case !x.active:
			h.truth, h.done = expr.False, true
		case x.When == nil:
			h.when = expr.True
		default:
			h.when = when(x)
		}
	}
	for i := range t.rules {
		e.settle(i)
		x, h := &t.rules[i], &e.rules[i]
		if !x.active || len(x.Duties) == 0 {
			continue
		}
		if h.truth == expr.False {
			e.found = append(e.found, x.bare(0, &x.none, h.truth, NotApplicable))
			continue
		}
		for k := range x.Duties {
			f := x.bare(k, &x.said.duties[k], h.truth, Unknown)
			if h.truth == expr.True {
				f.Status = check(x, k)
			}
			if slices.Contains(lifted, f.ID) {
				f.Status = Met
			}
			e.found = append(e.found, f)
		}
	}
	return e
}

// bare is a finding without words.
func (x *tracked) bare(k int, said *asked, truth expr.Truth, status Status) found {
	return found{Finding: &said.Finding, Status: status, asked: said, duty: &x.Duties[k], truth: truth, rule: x.Rule}
}

// outcome is the verdict on what was found, with the questions that hold it up
// because they are not covered.
func (e *run) outcome() (Verdict, []string) {
	tallies, uncovered := e.tallies(), []string{}
	for k, q := range desk {
		if q.critical && !tallies[k].covered() {
			uncovered = append(uncovered, q.name)
		}
	}
	return e.verdict(&tallies), uncovered
}

// failing lists the findings that fail the rig.
func (e *run) failing() []*found {
	var out []*found
	for i := range e.found {
		if f := &e.found[i]; f.counts() && f.Status == NotMet {
			out = append(out, f)
		}
	}
	return out
}

// stretch is a run of places with one verdict.
type stretch struct {
	from, to int64
	verdict  Verdict
	failing  int // findings that are not met
}

// stretches divides the whole track where a finding may change.
func (t *track) stretches(lifted []string) []stretch {
	var out []stretch
	add := func(place int64) {
		e := t.look(place, lifted)
		s := stretch{from: place, to: t.hi, failing: len(e.failing())}
		s.verdict, _ = e.outcome()
		if n := len(out); n > 0 {
			out[n-1].to = place - 1
		}
		out = append(out, s)
	}
	add(t.lo)
	for _, c := range t.cuts {
		add(c.place)
	}
	return out
}

// joined puts neighbours of one verdict together.
func joined(list []stretch) []stretch {
	var out []stretch
	for _, s := range list {
		if n := len(out); n > 0 && out[n-1].verdict == s.verdict {
			out[n-1].to = s.to
			continue
		}
		out = append(out, s)
	}
	return out
}

// massText writes a mass exactly: in the unit if its decimal ends there.
func massText(base int64, unit quantity.Unit) string {
	q := quantity.New(base, unit)
	if unit.Dimension() != quantity.Mass || !q.Exact() {
		q = quantity.New(base, quantity.Mass.BaseUnit())
	}
	return q.String()
}

// turned lists the findings that are worse at the second of two looks and make
// its verdict what it is.
func turned(before, after *run, verdict Verdict) []*found {
	was := map[string]Status{}
	for i := range before.found {
		was[before.found[i].ID] = before.found[i].Status
	}
	want := NotMet
	if verdict == Undetermined {
		want = Unknown
	}
	var out []*found
	for i := range after.found {
		f := &after.found[i]
		if f.counts() && f.Status == want && was[f.ID] != want {
			out = append(out, f)
		}
	}
	return out
}

// weakest points at the parts whose rating or strength the question holds
// against its limit: the least of them, or all that count together.
func weakest(r *rig.Rig, question string) []string {
	role, rating := strings.CutPrefix(question, "part_rating.")
	key, chain := strings.CutPrefix(question, "safety_chains.")
	if !rating && !(chain && slices.Contains([]string{"each_rated", "each_breaking", "each_breaking_over", "together_breaking"}, key)) {
		return nil
	}
	var out []string
	var least *expr.Value
	for i, p := range r.Parts {
		if p.Count == 0 || rating && p.Role != role || chain && p.Role != "chain" && p.Role != "cable" {
			continue
		}
		field, one := "rated_mass", p
		if chain && key != "each_rated" {
			field = "breaking_mass"
			if p.BreakingMass.IsZero() {
				field = "breaking_force"
			}
		}
		one.Count = 1
		v, ok := strength(r, one, question)
		if !ok {
			continue
		}
		pointer := fmt.Sprintf("/parts/%d/%s", i, field)
		switch {
		case key == "together_breaking" || least != nil && v.Cmp(*least) == 0:
			out = append(out, pointer)
		case least == nil || v.Cmp(*least) < 0:
			out, least = []string{pointer}, &v
		}
	}
	return out
}

// strength is what one part alone brings to the question.
func strength(r *rig.Rig, p rig.Part, question string) (expr.Value, bool) {
	alone := *r
	alone.Parts = []rig.Part{p}
	list := duty.Strengths(&alone, question)
	if len(list) == 0 {
		return expr.Value{}, false
	}
	if question == "safety_chains.each_rated" {
		return list[0], !p.RatedMass.IsZero()
	}
	v := list[len(list)-1] // of chains, what breaks them
	return v, v.Num > 0
}
