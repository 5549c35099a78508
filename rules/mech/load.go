package mech

import "fmt"

// Ball is what a trailer puts on the coupling and on its own wheels.
type Ball struct {
	Mass   float64 // kg, the whole trailer
	Moment float64 // kg m about the axle group, positive ahead of it
	Ahead  float64 // m, centre of mass ahead of the axle group; negative behind
	Load   float64 // kg on the coupling; negative pulls it up
	Share  float64 // Load as a fraction of Mass
	Axles  float64 // kg on the trailer's wheels
	Lifts  bool    // Load pulls the coupling up: unsafe
}

// BallLoad returns the static coupling load of a level trailer of mass kg whose
// centre of mass is e m ahead of the middle of the axle group (negative
// behind), with l m from the coupling to that middle: mass e/l.
//
// Source: FactBallMoment (statics, derived). Errors: *Bad for mass and l, and
// for e if the centre lies ahead of the coupling.
func BallLoad(mass, e, l float64) (Ball, error) {
	if err := first(positive("mass", mass), finite("e", e), positive("l", l)); err != nil {
		return Ball{}, err
	}
	if e > l {
		return Ball{}, &Bad{"e", "puts the centre of mass ahead of the coupling"}
	}
	return onBall(mass, mass*e, l), nil
}

func onBall(mass, moment, l float64) Ball {
	b := Ball{Mass: mass, Moment: moment, Ahead: moment / mass, Load: moment / l}
	b.Share = b.Load / mass
	b.Axles = mass - b.Load
	b.Lifts = b.Load < 0
	return b
}

// Item is one thing loaded on a trailer.
type Item struct {
	Name  string
	Mass  float64 // kg
	Ahead float64 // m ahead of the middle of the axle group; negative behind
}

// BallFromItems returns the coupling load of a trailer of tare kg, which puts
// tareBall kg on the coupling when empty, with items on it; l is the distance
// in m from the coupling to the middle of the axle group. An item d m behind
// the coupling is l - d ahead of the axles.
//
// Source: FactBallItems (statics, derived). Errors: *Bad for tare, tareBall, l,
// items.N.mass, items.N.ahead (N from 0), and for items where all together
// weigh nothing or have their centre ahead of the coupling.
func BallFromItems(l, tare, tareBall float64, items []Item) (Ball, error) {
	if err := first(positive("l", l), notNegative("tare", tare), finite("tareBall", tareBall)); err != nil {
		return Ball{}, err
	}
	if tareBall > tare {
		return Ball{}, &Bad{"tareBall", "must not be above the mass of the empty trailer"}
	}
	mass, moment := tare, tareBall*l
	for i, it := range items {
		at := fmt.Sprintf("items.%d.", i)
		if err := first(notNegative(at+"mass", it.Mass), finite(at+"ahead", it.Ahead)); err != nil {
			return Ball{}, err
		}
		mass += it.Mass
		moment += it.Mass * it.Ahead
	}
	switch {
	case mass < least:
		return Ball{}, &Bad{"items", "and the empty trailer together have no mass"}
	case below(l*mass, moment):
		return Ball{}, &Bad{"items", "put the centre of mass ahead of the coupling"}
	}
	return onBall(mass, moment, l), nil
}

// OnWheels returns the mass in kg on the wheels of a coupled trailer of mass kg
// that puts ball kg on the coupling.
//
// Source: FactOnWheels (statics, derived). It is today's mass: the plated
// figure is the maker's and is never worked out. Errors: *Bad for mass, ball.
func OnWheels(mass, ball float64) (float64, error) {
	if err := coupled(mass, ball); err != nil {
		return 0, err
	}
	return mass - ball, nil
}

func coupled(mass, ball float64) error {
	if err := first(positive("mass", mass), finite("ball", ball)); err != nil {
		return err
	}
	if ball > mass {
		return &Bad{"ball", "must not be above the mass of the trailer"}
	}
	return nil
}

// PerAxle returns the load in kg of each of n trailer axles, IF the suspension
// shares the load equally between them: (mass - ball)/n. Without that the split
// depends on springs and drawbar height, and statics cannot tell it.
//
// Source: FactAxleGroup (statics, derived). Errors: *Bad for mass, ball, n.
func PerAxle(mass, ball float64, n int) (float64, error) {
	if err := first(coupled(mass, ball), atLeastOne("n", n)); err != nil {
		return 0, err
	}
	return (mass - ball) / float64(n), nil
}

// AxleShare is one axle of a group.
type AxleShare struct {
	Share float64 // part of the group's load it takes, on any one scale
	At    float64 // m from any one origin
}

// GroupCentre returns the place in m where the load of an axle group acts: the
// mean of the places weighted by the shares.
//
// Source: FactAxleGroup (statics, derived). Errors: *Bad for axles.N.share,
// axles.N.at, and for axles where there is none or all shares are zero.
func GroupCentre(axles []AxleShare) (float64, error) {
	var sum, moment float64
	for i, a := range axles {
		at := fmt.Sprintf("axles.%d.", i)
		if err := first(notNegative(at+"share", a.Share), finite(at+"at", a.At)); err != nil {
			return 0, err
		}
		sum += a.Share
		moment += a.Share * a.At
	}
	if sum < least {
		return 0, &Bad{"axles", "must carry something"}
	}
	return moment / sum, nil
}

// Axles is a change of the loads in kg on the axles of the vehicle.
type Axles struct {
	Front, Rear float64
}

// FromBall returns what a coupling load of ball kg adds to the axles of a
// vehicle: ball (wheelbase + overhang)/wheelbase at the rear, the rest, mostly
// below zero, in front. wheelbase is in m between axle centres (to the middle
// of a rear group); overhang in m from the rear axle back to the coupling,
// negative for a fifth wheel ahead of it.
//
// Source: FactVehicleAxles (statics, derived). Errors: *Bad for ball,
// wheelbase, overhang.
func FromBall(ball, wheelbase, overhang float64) (Axles, error) {
	if err := first(finite("ball", ball), positive("wheelbase", wheelbase), finite("overhang", overhang)); err != nil {
		return Axles{}, err
	}
	return Axles{Front: -ball * overhang / wheelbase, Rear: ball * (wheelbase + overhang) / wheelbase}, nil
}

// Load is one thing put into the vehicle.
type Load struct {
	Name   string
	Mass   float64 // kg
	Behind float64 // m behind the front axle; negative ahead of it
}

// FromPayload returns what loads add to the axles of a vehicle with a wheelbase
// in m: mass x/wheelbase at the rear, the rest in front. A load behind the rear
// axle lightens the front one.
//
// Source: FactPayload (statics, derived). Errors: *Bad for wheelbase,
// loads.N.mass, loads.N.behind.
func FromPayload(wheelbase float64, loads []Load) (Axles, error) {
	if err := positive("wheelbase", wheelbase); err != nil {
		return Axles{}, err
	}
	var a Axles
	for i, l := range loads {
		at := fmt.Sprintf("loads.%d.", i)
		if err := first(notNegative(at+"mass", l.Mass), finite(at+"behind", l.Behind)); err != nil {
			return Axles{}, err
		}
		rear := l.Mass * l.Behind / wheelbase
		a.Rear += rear
		a.Front += l.Mass - rear
	}
	return a, nil
}

// Levelled is what a load-levelling hitch leaves of a ball load, in kg.
type Levelled struct {
	Vertical    float64 // net load passed to the vehicle
	Front, Rear float64 // change of the vehicle's axles against the solo vehicle
	Axles       float64 // added to the trailer's axles
}

// Level returns where the load goes when the bars of a load-levelling hitch
// apply a moment in kg m about the ball. ball is the coupling load in kg
// without the bars; wheelbase and overhang as in FromBall; l the distance in m
// from the ball to the middle of the trailer's axle group. Front + Rear + Axles
// = ball. The ball itself then carries more than before, not less, and no
// rating rises.
//
// Source: FactLevel (two rigid bodies joined by a force and a couple, derived).
// Errors: *Bad for ball, wheelbase, overhang, l, moment.
func Level(ball, wheelbase, overhang, l, moment float64) (Levelled, error) {
	if err := first(notNegative("ball", ball), positive("wheelbase", wheelbase), notNegative("overhang", overhang),
		positive("l", l), notNegative("moment", moment)); err != nil {
		return Levelled{}, err
	}
	v := Levelled{Vertical: ball - moment/l, Axles: moment / l}
	v.Front = (moment - v.Vertical*overhang) / wheelbase
	v.Rear = v.Vertical - v.Front
	return v, nil
}

// RestoringMoment returns the moment in kg m that gives the front axle back the
// share r (0 to 1) of what the ball load took from it: r ball overhang l/(l +
// overhang). Which share to restore is the vehicle maker's word.
//
// Source: FactRestore (derived). Errors: *Bad for ball, overhang, l, r.
func RestoringMoment(ball, overhang, l, r float64) (float64, error) {
	if err := first(notNegative("ball", ball), notNegative("overhang", overhang), positive("l", l), between("r", r, 0, 1)); err != nil {
		return 0, err
	}
	return r * ball * overhang * l / (l + overhang), nil
}

// Coupled is what a vehicle and the whole combination weigh, in kg.
type Coupled struct {
	Vehicle     float64 // with the ball load on it
	Combination float64 // vehicle and trailer; the ball load counted once
}

// Coupling returns the masses of a vehicle of uncoupled kg, laden, with a
// trailer of trailer kg that puts ball kg on it.
//
// Source: FactCoupled (statics, derived). Errors: *Bad for uncoupled, ball,
// trailer.
func Coupling(uncoupled, ball, trailer float64) (Coupled, error) {
	if err := first(positive("uncoupled", uncoupled), positive("trailer", trailer), coupled(trailer, ball)); err != nil {
		return Coupled{}, err
	}
	return Coupled{Vehicle: uncoupled + ball, Combination: uncoupled + trailer}, nil
}
