package loads

import (
	"fmt"
	"strings"

	"drawgear/rules"
	"drawgear/rules/mech"
	"drawgear/rules/quantity"
)

// static tells where the load rests.
func (c *chain) static(advice []Advice) Static {
	out := Static{
		Now: c.picture(c.now), Full: c.picture(c.full), Ball: c.ballLoad(), BallLimits: c.ballLimits(advice), Moves: c.moves(),
		Sources: []Source{from(mech.FactBallItems), from(mech.FactOnWheels), from(mech.FactAxleGroup), from(mech.FactVehicleAxles), from(mech.FactPayload), from(mech.FactCoupled)},
	}
	if c.levelling {
		out.Sources = append(out.Sources, from(mech.FactLevel), from(mech.FactRestore))
	}
	return out
}

// picture is one column for print.
func (c *chain) picture(s *state) State {
	p := State{
		TrailerTotal: s.total.figure(), BallLoad: s.ball.figure(), BallShare: s.share.figure(), CentreOfMass: s.centre.figure(),
		TrailerAxles: s.axles.figure(), EachTrailerAxle: s.each.figure(),
		VehicleUncoupled: s.solo.figure(), VehicleCoupled: s.gross.figure(), FrontUncoupled: s.front.figure(), RearUncoupled: s.rear.figure(),
		FrontCoupled: s.onFront(s.plain).figure(), RearCoupled: s.onRear(s.plain).figure(), Combination: s.both.figure(),
		TrailerPayload: minus(fact(c.r, trailerRatedTotal), s.total).as("trailer.rated.total - trailer total").figure(),
		VehiclePayload: minus(fact(c.r, vehicleRatedTotal), s.gross).as("vehicle.rated.total - vehicle coupled").figure(),
	}
	if c.levelling {
		// A share k on the trailer's axles is a couple of k l about the coupling.
		couple := times(times(s.ball, s.spread.axles), fact(c.r, trailerBallToAxle)).in(kgMetre)
		p.Levelled = &Level{
			Moment:       couple.as("front_restored x ball load x overhang x ball_to_axle / (ball_to_axle + overhang)").figure(),
			Passed:       minus(s.ball, times(s.ball, s.spread.axles)).as("ball load - moment / ball_to_axle").figure(),
			Front:        s.coupledFront().figure(),
			Rear:         s.coupledRear().figure(),
			TrailerAxles: s.coupledAxles().figure(),
		}
	}
	return p
}

// ballLoad tells how the ball load was found.
func (c *chain) ballLoad() Ball {
	b := Ball{
		Used: c.used, Measured: c.measured.figure(), Itemised: c.items.ball.figure(),
		Difference: minus(c.measured, c.items.ball).as("measured - itemised").figure(),
		Lifts:      c.now.ball.known() && c.now.ball.v.sign() < 0,
	}
	switch {
	case c.used == "unknown":
		b.Text = "The load on the coupling is not known: weigh it, or give the empty trailer with its coupling load and every thing on it with mass and place."
	case c.used == "itemised":
		b.Text = "The load on the coupling is worked out from the empty trailer and the things on it; a scale under the coupling is the better witness."
	case c.items.ball.known():
		b.Text = fmt.Sprintf("The load on the coupling as weighed is used; the things listed would make it %s.", c.items.ball.text())
	default:
		b.Text = "The load on the coupling as weighed is used."
	}
	return b
}

// ballLimits are the bounds of the coupling load: ratings, the law, practice.
func (c *chain) ballLimits(advice []Advice) []BallLimit {
	out := []BallLimit{}
	var least fraction
	for _, e := range c.lines {
		if !e.ofBall() {
			continue
		}
		if e.limit.known() && (!least.known() || e.limit.v.cmp(least) < 0) {
			least = e.limit.v
		}
	}
	for _, e := range c.lines {
		if !e.ofBall() {
			continue
		}
		out = append(out, BallLimit{
			From: LevelRating, Ref: e.ID, Name: e.Name, Relation: e.Relation, Value: e.Rating.Value, Number: e.Rating.Number, Now: e.Now.Status,
			Lowest: least.known() && e.limit.known() && e.limit.v.cmp(least) == 0,
		})
	}
	for _, f := range c.law.Findings {
		rel, ok := map[string]Relation{"ball_load.at_least": AtLeast, "ball_load.at_most": AtMost}[f.Question]
		if !ok || f.Level == LevelRating || f.Status == rules.NotApplicable {
			continue
		}
		b := BallLimit{From: f.Level, Ref: f.ID, Name: f.Summary, Relation: rel, Value: f.Limit, Now: f.Status}
		if q, err := quantity.Parse(quantity.Mass, f.Limit); err == nil {
			b.Number = ofQuantity(q).figure().Number
		}
		out = append(out, b)
	}
	for _, a := range advice {
		if a.ID == "ball_share" {
			out = append(out, BallLimit{From: LevelPractice, Ref: a.ID, Name: a.Range, Relation: Range, Now: rules.NotApplicable})
		}
	}
	return out
}

// ofBall reports whether a line limits the coupling load from above.
func (e entry) ofBall() bool {
	return e.ID == "vehicle.ball" || strings.HasSuffix(e.ID, ".rated_ball")
}

// moves tells what 100 mm forward, and 10 kg more, of each thing does: on the
// trailer to the coupling load, on the vehicle to its rear axle. Both loads are
// linear in place and mass, so the figures hold for any distance and mass.
func (c *chain) moves() []Move {
	out := []Move{}
	step, more := exact(frac(1, 10), metre), exact(frac(10, 1), kilogram)
	reach, base := fact(c.r, trailerBallToAxle), fact(c.r, vehicleWheelbase)
	for i, it := range c.r.TrailerItems {
		m, at := item("/trailer/items/", i, it, "behind_coupling")
		out = append(out, Move{
			Pointer: fmt.Sprintf("/trailer/items/%d", i), Name: it.Name, Affects: "ball_load",
			PerMove:  times(m, over(step, reach)).as("mass x 0.1 m / ball_to_axle").figure(),
			PerAdded: times(more, over(minus(reach, at), reach)).as("10 kg x (ball_to_axle - behind_coupling) / ball_to_axle").figure(),
		})
	}
	for i, it := range c.r.VehicleItems {
		m, at := item("/vehicle/items/", i, it, "behind_front_axle")
		out = append(out, Move{
			Pointer: fmt.Sprintf("/vehicle/items/%d", i), Name: it.Name, Affects: "rear_axle",
			PerMove:  times(m, negative(over(step, base))).as("- mass x 0.1 m / wheelbase").figure(),
			PerAdded: times(more, over(at, base)).as("10 kg x behind_front_axle / wheelbase").figure(),
		})
	}
	return out
}
