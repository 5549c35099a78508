package rules

import "drawgear/rules/rig"

// Trip is the answer for a rig that is to go through several places.
type Trip struct {
	AsOf    string    `json:"as_of"`
	Verdict Verdict   `json:"verdict"` // the worst of all places
	Asks    []Ask     `json:"asks"`    // the strictest of all places together, question by question
	Places  []*Answer `json:"places"`  // in the order asked
}

// MaxTrip is how many places one trip may name.
const MaxTrip = 20

// Trip answers for every place and for all together: what satisfies the
// strictest of them on each question satisfies them all. The error is
// *UnknownJurisdiction for a place without rulesets.
func (b *Book) Trip(r *rig.Rig, codes []string, day rig.Day) (*Trip, error) {
	trip := &Trip{AsOf: day.String(), Verdict: Compliant, Places: []*Answer{}}
	all := &run{rig: r.WithDay(day), plan: &plan{}}
	for _, code := range codes {
		p, err := b.planOn(code, day)
		if err != nil {
			return nil, err
		}
		here := *r
		here.Jurisdiction = code
		all.found = append(all.found, p.run(&here, day).found...)
		a := p.assess(&here, day)
		trip.Places = append(trip.Places, a)
		trip.Verdict = worse(trip.Verdict, a.Verdict)
	}
	trip.Asks = all.asks()
	return trip, nil
}

func worse(a, b Verdict) Verdict {
	for _, v := range []Verdict{NonCompliant, Undetermined} {
		if a == v || b == v {
			return v
		}
	}
	return Compliant
}
