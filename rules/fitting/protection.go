package fitting

import (
	"slices"

	"drawgear/rules"
	"drawgear/rules/circuit"
)

// protection sizes the device near the battery.
func (b *builder) protection() {
	p := &b.p.Protection
	*p = Protection{State: Open, WaitsFor: []Pointer{}, Notes: []string{}, Sources: []circuit.Source{}}
	switch {
	case b.p.Circuit.State == NotNeeded:
		p.State = NotNeeded
		return
	case !b.solved:
		p.WaitsFor = append(p.WaitsFor, b.p.Circuit.WaitsFor...)
		for _, at := range p.WaitsFor {
			b.forToo("protection", at)
		}
		return
	}
	in := circuit.Feed{Amps: b.p.Circuit.Peak, Conductor: b.least}
	if b.kind == Magnets {
		in.Axles = b.braked
	}
	if t, err := circuit.Celsius("/wiring/ambient", b.q.Wiring.Ambient); err == nil {
		in.Ambient = &t
	}
	got, err := circuit.Protect(in)
	if err != nil {
		p.State = Unfit
		p.Notes = append(p.Notes, "No protection can be sized: "+why(err)+".")
		return
	}
	p.State, p.Least, p.Sources = Designed, got.Rules[0].Least, got.Sources
	p.Notes = append(p.Notes, got.Says)
	if got.Limit != nil {
		p.Most = got.Limit.Amps
	}
	for _, r := range got.Rules {
		if r.Name == "North American practice" || p.Practice == 0 && r.Name == "Australian practice" {
			p.Practice = r.Amps
		}
		if r.Source.Title == practice(low).Title {
			p.Notes = append(p.Notes, upper(r.Name)+": "+r.Says)
		}
	}
	if got.Rating == nil {
		p.State = Unfit
		b.find(Finding{ID: "protection.rating", Level: "practice", Status: rules.NotMet, Summary: got.Says, Remedy: "Fit larger conductors, so that a rating exists that carries the load and guards them.", Source: practice(high)})
		return
	}
	p.Rating = got.Rating.Amps
	b.find(Finding{ID: "protection.rating", Level: "practice", Status: rules.Met, Summary: got.Says, Source: practice(high)})
}

// forToo notes that something else waits for an input already listed.
func (b *builder) forToo(what string, at Pointer) {
	for i := range b.p.Missing {
		if m := &b.p.Missing[i]; m.Pointer == at && !slices.Contains(m.For, what) {
			m.For = append(m.For, what)
		}
	}
}
