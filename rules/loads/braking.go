package loads

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules"
	"drawgear/rules/mech"
	"drawgear/rules/quantity"
)

// reaction is the time before the brakes act that the estimates take, in s. Common
// practice, no published source.
var reaction = frac(1, 1)

// braking tells what stops and holds the rig. Nothing here decides anything: a
// brake is proven on the road or on a roller, not worked out.
func (c *chain) braking() Braking {
	b := Braking{Required: c.required(), Stopping: []Stopping{}, Parking: []Parking{}, Sources: []Source{
		from(mech.FactUnbraked), from(mech.FactStopping), from(mech.FactGrade),
	}}
	share := over(c.now.gross, c.now.both)
	b.VehicleShare = times(share, exact(hundred, bare)).in(percent).
		as("100 x mass on the vehicle's wheels / mass of both, the vehicle's brake force being all there is").figure()
	alone := c.alone()
	unbraked := times(alone, share).as("retardation of the vehicle alone x its share of the mass")
	b.Unbraked = unbraked.figure()
	b.Thrust = times(times(unbraked, c.now.axles), exact(frac(1, 1000), bare)).in(kilonewton).as("trailer axle load x retardation / 1000").figure()
	b.Stopping = c.stops(unbraked)
	for _, ask := range c.law.Asks {
		if ask.Question == "parking_brake.holds_grade" || ask.Question == "breakaway.holds_grade" {
			b.Parking = append(b.Parking, Parking{
				Question: ask.Question, Grade: ask.Value, Rules: ask.Rules,
				Now: hold(c.now.total, ask.Value), Full: hold(c.full.total, ask.Value),
			})
		}
	}
	return b
}

// required lists what the law, and practice, asks of braking.
func (c *chain) required() []Required {
	out := []Required{}
	for _, ask := range c.law.Asks {
		if strings.HasPrefix(ask.Question, "braking_performance.") {
			out = append(out, Required{ask.Question, LevelLaw, ask.Value, ask.Rules})
		}
	}
	for _, f := range c.law.Findings {
		// A stop from a speed within a distance is no one figure; practice is not among what is asked.
		if strings.HasPrefix(f.Question, "braking_performance.") && f.Status != rules.NotApplicable && (f.Level == LevelPractice || f.Question == "braking_performance.stop") {
			out = append(out, Required{f.Question, f.Level, cmp.Or(f.Limit, f.Summary), []string{f.Rule}})
		}
	}
	return out
}

// alone is the retardation that the vehicle is taken to manage by itself: what
// UN R13-H asks of a new car, where the vehicle is one. Source: mech.FactR13HStop.
func (c *chain) alone() amount {
	kind := c.r.Get(vehicleCategory)
	switch {
	case !kind.Known:
		return unknown("", pointer(vehicleCategory))
	case !slices.Contains([]string{"car", "light_truck"}, kind.Word):
		return unknown("no figure is held for the brakes of this kind of vehicle")
	}
	a := exact(frac(643, 100), ms2)
	a.inputs = c.r.Inputs(vehicleCategory)
	return a.assuming(Estimate, "the vehicle alone is taken to manage 6.43 m/s2, the least of a new car in the type-approval test (from memory)")
}

// stops are the estimates of a stopping distance. Source: mech.FactStopping.
func (c *chain) stops(unbraked amount) []Stopping {
	out := []Stopping{}
	add := func(kind, text string, rate amount) {
		v := fact(c.r, useSpeed)
		ms := times(v, exact(frac(10, 36), bare)).in(metre)
		before := times(ms, exact(reaction, bare)).in(metre)
		stop := over(times(ms, ms), times(rate, whole(2))).in(metre)
		assumed := []string{
			"one second passes before the brakes act (common practice, no published source)",
			"dry, level road and a steady retardation; heat, worn brakes or a wet road lengthen it",
		}
		if rate.assumption != "" {
			assumed = append([]string{rate.assumption}, assumed...)
		}
		total := plus(before, stop).as("v x t + v2 / (2 x a)").assuming(Estimate, "")
		out = append(out, Stopping{
			Case: kind, Text: text, From: v.figure(), Rate: rate.figure(), Reaction: before.as("v x t").figure(), Distance: total.figure(), Assumptions: assumed,
		})
	}
	if m := fact(c.r, evidenceRate); m.known() {
		add("measured", "With the retardation that was measured on the laden rig.", m)
	}
	if a, ok := c.askedRate(); ok {
		add("as_asked", "If the rig slows as the law asks at the least.", a)
	}
	add("vehicle_alone", "If the trailer has no brakes, or they fail.", unbraked)
	return out
}

// askedRate is the least retardation of the rig that the law asks, as such or as
// an efficiency: that share of 9.81 m/s2.
func (c *chain) askedRate() (amount, bool) {
	for _, q := range []string{"braking_performance.deceleration", "braking_performance.efficiency"} {
		if _, ok := c.law.ask(q); !ok {
			continue
		}
		a := c.law.demand(q)
		if a.known() && a.held == percent {
			a = times(a, exact(gravity.quo(hundred), bare)).in(ms2).as("efficiency x 9.81 m/s2")
		}
		return a, true
	}
	return amount{}, false
}

// hold is the force along the road that holds a mass on a grade. Source:
// mech.FactGrade; a sine, held to four digits.
func hold(m amount, grade string) Figure {
	q, err := quantity.Parse(quantity.Grade, grade)
	if err != nil {
		m = with(m, unknown("the grade that the law asks cannot be decided"))
	}
	f := with(m).as("mass x 9.81 x sin(atan(grade / 100)), to four digits").figure()
	if !m.known() {
		return f
	}
	g, _ := mech.Percent(q)
	s, err := mech.Grade(*number(m.v), g)
	if err != nil {
		f.Reason = joined(f.Reason, err.Error())
		return f
	}
	n, _ := strconv.ParseFloat(strconv.FormatFloat(s.Force, 'g', 4, 64), 64)
	f.Value, f.Number, f.Unit, f.Bound = "about "+strconv.FormatFloat(n, 'f', -1, 64)+" N", &n, newton.symbol, m.bound
	return f
}
