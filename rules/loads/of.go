package loads

import (
	"slices"

	"drawgear/rules"
	"drawgear/rules/rig"
)

// Of holds every part of the rig against its load. now is the law's answer for
// the rig; full is its answer for the same rig with the trailer laden to its
// plates, or nil, which leaves open what the law then asks where that rests on
// what the rig weighs. A nil now leaves the law out.
func Of(r *rig.Rig, now, full *rules.Answer) *Loads {
	l := newLoad(r)
	c := &chain{load: l, law: answersOf(now), lawFull: answersOf(full), unlisted: []string{}}
	c.vehicleLines()
	c.vehicleRunning()
	c.pathLines()
	c.chainLines()
	c.partRatings()
	c.trailerLines()
	advice := c.advise()
	out := &Loads{
		Now: c.column(0), Full: c.column(1), Lines: make([]Line, len(c.lines)), Unlisted: union(nil, c.unlisted),
		Static: c.static(advice), Braking: c.braking(), Advice: advice, MaxTotal: c.maxTotal(), Cautions: slices.Clone(cautions),
	}
	for i, e := range c.lines {
		out.Lines[i] = e.Line
	}
	out.Faults = append([]Fault{}, distinct(l.faults)...)
	return out
}

// Plated is the rig with its trailer laden to its plates, to ask the law about for
// the full column of Of. The coupling load is only set where its plate is entered; else
// it is left open, as in that column. ok is false where there is no plated total.
func Plated(r *rig.Rig) (full *rig.Rig, ok bool) {
	total, ok := r.Quantity(trailerRatedTotal)
	if !ok {
		return nil, false
	}
	full, err := r.With(func(d *rig.Draft) {
		d.Forget(trailerTotal, trailerAxles, trailerBall)
		d.Quantity(trailerTotal, total)
		if ball, ok := r.Quantity(trailerRatedBall); ok && r.Entered(trailerRatedBall) {
			d.Quantity(trailerBall, ball)
		}
	})
	return full, err == nil
}

// distinct drops faults that were found twice.
func distinct(faults []Fault) []Fault {
	var out []Fault
	for _, f := range faults {
		if !slices.ContainsFunc(out, func(g Fault) bool { return g.ID == f.ID && g.Text == f.Text }) {
			out = append(out, f)
		}
	}
	return out
}
