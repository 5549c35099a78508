package loads

import (
	"fmt"
	"slices"
	"strconv"

	"drawgear/rules/rig"
)

// state is the loads of one column.
type state struct {
	total, ball, axles  amount // trailer; axles before any load-levelling
	share, centre, each amount
	solo, front, rear   amount // vehicle uncoupled, with what is still to be loaded
	spread, plain       spread // where the ball load goes; plain without a load-levelling hitch
	gross, both         amount
}

// spread is what one kilogram on the coupling adds to each axle.
type spread struct {
	front, rear amount // of the vehicle
	axles       amount // of the trailer, on top of what it carries without levelling
}

// coupledFront and its kind are the loads as the rig stands, levelled if it has a
// hitch for that.
func (s *state) coupledFront() amount { return s.onFront(s.spread) }
func (s *state) coupledRear() amount  { return s.onRear(s.spread) }
func (s *state) coupledAxles() amount { return s.onAxles(s.spread) }

func (s *state) onFront(k spread) amount {
	return plus(s.front, times(s.ball, k.front)).as(s.front.formula + " + ball load x (" + k.front.formula + ")")
}

func (s *state) onRear(k spread) amount {
	return plus(s.rear, times(s.ball, k.rear)).as(s.rear.formula + " + ball load x (" + k.rear.formula + ")")
}

func (s *state) onAxles(k spread) amount {
	if k.axles.known() && k.axles.v.sign() == 0 {
		return s.axles
	}
	return plus(s.axles, times(s.ball, k.axles)).as(s.axles.formula + " + ball load x (" + k.axles.formula + ")")
}

// itemised is the trailer as its empty mass and the things on it make it.
type itemised struct {
	total, ball amount
}

// load is everything that both columns and the figures draw on.
type load struct {
	r         *rig.Rig
	measured  amount // ball load as entered, or from total and axles
	items     itemised
	used      string // how the ball load of now was found
	now, full *state
	levelling bool
	faults    []Fault
}

func (l *load) fault(id, text string, unsafe bool, pointers ...string) {
	l.faults = append(l.faults, Fault{ID: id, Text: text, Pointers: pointers, Unsafe: unsafe})
}

func newLoad(r *rig.Rig) *load {
	l := &load{r: r, measured: fact(r, trailerBall)}
	l.items = l.itemise()
	l.now, l.full = &state{}, &state{}
	l.trailerNow()
	l.trailerFull()
	l.vehicle()
	for _, s := range []*state{l.now, l.full} {
		l.couple(s)
	}
	return l
}

// itemise works the trailer out from its tare and what is loaded on it.
// Source: mech.FactBallItems.
func (l *load) itemise() itemised {
	r := l.r
	tare := fact(r, trailerTare)
	if r.TrailerItems == nil {
		none := unknown("", "/trailer/items")
		return itemised{total: plus(tare, none), ball: plus(fact(r, trailerTareBall), none)}
	}
	reach := fact(r, trailerBallToAxle)
	total, ball := []amount{tare}, []amount{fact(r, trailerTareBall)}
	var gaps []string
	for i, it := range r.TrailerItems {
		m, at := item("/trailer/items/", i, it, "behind_coupling")
		gaps = union(gaps, m.missing, at.missing)
		total = append(total, m)
		ball = append(ball, times(m, over(minus(reach, at), reach)))
	}
	if len(gaps) > 0 {
		l.fault("trailer.items", "Things are listed on the trailer without their mass or place: what rests on them cannot be worked out.", false, gaps...)
	}
	return itemised{
		total: plus(total...).as("trailer.tare + sum of trailer.items masses"),
		ball:  plus(ball...).as("trailer.tare_ball + sum of mass x (ball_to_axle - behind_coupling) / ball_to_axle"),
	}
}

// item is the mass and the place of a thing carried.
func item(list string, i int, it rig.Item, place string) (m, at amount) {
	ptr := list + strconv.Itoa(i)
	m, at = unknown("", ptr+"/mass"), unknown("", ptr+"/"+place)
	if !it.Mass.IsZero() {
		m = ofQuantity(it.Mass, rig.Input{Pointer: ptr + "/mass", Value: it.Mass.Text()})
	}
	if !it.At.IsZero() {
		at = ofQuantity(it.At, rig.Input{Pointer: ptr + "/" + place, Value: it.At.Text()})
	}
	return m, at
}

// trailerNow settles what the trailer weighs and puts on the coupling today:
// what was weighed goes before what adds up.
func (l *load) trailerNow() {
	s := l.now
	s.total = fact(l.r, trailerTotal)
	differ := false
	if s.total.known() && l.items.total.known() && s.total.v.cmp(l.items.total.v) != 0 {
		differ = true
		l.fault("trailer.items.total", fmt.Sprintf("The empty trailer and the things listed add up to %s; weighed it is %s.", l.items.total.text(), s.total.text()),
			false, "/trailer/items", pointer(trailerTare), pointer(trailerTotal))
	}
	if !s.total.known() {
		s.total = either(s.total, l.items.total)
	}
	l.used = "unknown"
	switch {
	case l.measured.known():
		s.ball, l.used = l.measured, "measured"
	case l.items.ball.known():
		s.ball, l.used = l.items.ball, "itemised"
		if differ {
			s.ball = s.ball.assuming(Estimate, "the things listed do not add up to the weight of the trailer", pointer(trailerBall))
		}
	default:
		s.ball = either(l.measured, l.items.ball)
	}
	s.axles = fact(l.r, trailerAxles)
	if s.axles.known() && allKnown(s.total, s.ball) && plus(s.axles, s.ball).v.cmp(s.total.v) != 0 {
		// Only where the total adds up from things listed: what is entered agrees with itself.
		l.fault("trailer.items.axles", fmt.Sprintf("The things listed make the trailer %s and its coupling load %s; with %s weighed on its axles that does not add up.",
			s.total.text(), s.ball.text(), s.axles.text()), false, "/trailer/items", pointer(trailerTare), pointer(trailerAxles))
		const why = "the things listed do not agree with the load weighed on the axles"
		s.total = s.total.assuming(Estimate, why, pointer(trailerTotal))
		if l.used == "itemised" {
			s.ball = s.ball.assuming(Estimate, why, pointer(trailerBall))
		}
	}
	if !s.axles.known() {
		s.axles = minus(s.total, s.ball).as("trailer total - ball load")
	}
	if s.ball.known() && s.total.known() && s.ball.v.cmp(s.total.v) > 0 {
		const why = "the coupling would carry more than the trailer weighs"
		l.fault("trailer.ball", "The load on the coupling and the mass of the trailer contradict each other: "+why+".", false, l.ballPointers()...)
		s.ball = with(s.ball, unknown(why)).as(s.ball.formula)
		s.axles = with(s.axles, unknown(why)).as(s.axles.formula)
	}
	if s.ball.known() && s.ball.v.sign() < 0 {
		l.fault("trailer.ball.lifts", "The trailer pulls the coupling up: too much of its load lies behind the axles. It must not be towed so.", true, l.ballPointers()...)
	}
}

func (l *load) ballPointers() []string {
	var out []string
	for _, in := range l.now.ball.inputs {
		out = union(out, []string{in.Pointer})
	}
	return out
}

// either is a figure that is missing although there are two ways to it: the
// entered one is named first, and the second only where something of it is given.
func either(direct, worked amount) amount {
	if worked.known() {
		return worked
	}
	if len(worked.inputs) == 0 {
		return direct
	}
	direct.missing = union(direct.missing, worked.missing)
	return direct
}

// trailerFull takes the trailer to its plated total.
func (l *load) trailerFull() {
	s, now, r := l.full, l.now, l.r
	s.total = fact(r, trailerRatedTotal)
	plated, today := fact(r, trailerRatedBall), over(now.ball, now.total)
	switch {
	case r.Entered(trailerRatedBall):
		s.ball = plated
	case s.total.known() && today.known() && today.v.sign() > 0 && (!plated.known() || today.v.mul(s.total.v).cmp(plated.v) > 0):
		s.ball = times(s.total, today).as("trailer.rated.total x ball load now / trailer total now").
			assuming(Estimate, "the same share of the trailer on the coupling as today", pointer(trailerRatedBall))
	case plated.known():
		s.ball = plated.as("trailer.rated.total - trailer.rated.axles").
			assuming(NoLess, "the plates leave at least this for the coupling", pointer(trailerRatedBall))
	default:
		s.ball = plated
		s.ball.missing = union(s.ball.missing, s.total.missing, today.missing)
	}
	s.axles = minus(s.total, s.ball).as("trailer.rated.total - ball load")
}

// vehicle settles what the towing vehicle weighs, and its two axles.
func (l *load) vehicle() {
	r := l.r
	solo := []amount{fact(r, vehicleLaden)}
	axles := masses(r, vehicleLadenAxles)
	var front, rear []amount
	base := fact(r, vehicleWheelbase)
	switch {
	case axles == nil:
		gap := unknown("", pointer(vehicleLadenAxles))
		front, rear = []amount{gap}, []amount{gap}
	case len(axles) != 2:
		why := l.axlesFault("vehicle.laden.axles", len(axles), vehicleLadenAxles)
		front, rear = []amount{why}, []amount{why}
	default:
		front, rear = axles[:1:1], axles[1:]
	}
	var gaps []string
	for i, it := range r.VehicleItems {
		m, at := item("/vehicle/items/", i, it, "behind_front_axle")
		gaps = union(gaps, m.missing, at.missing)
		part := over(at, base)
		solo, rear = append(solo, m), append(rear, times(m, part))
		front = append(front, times(m, minus(whole(1), part)))
	}
	if len(gaps) > 0 {
		l.fault("vehicle.items", "Things are to be loaded on the vehicle without their mass or place: what rests on them cannot be worked out.", false, gaps...)
	}
	added := func(name, share string, as []amount) amount {
		if len(r.VehicleItems) > 0 {
			name += " + sum of vehicle.items masses" + share
		}
		return plus(as...).as(name)
	}
	for _, s := range []*state{l.now, l.full} {
		s.solo = added("vehicle.laden.total", "", solo)
		s.front = added("vehicle.laden.axles[0]", " x (1 - behind_front_axle / wheelbase)", front)
		s.rear = added("vehicle.laden.axles[1]", " x behind_front_axle / wheelbase", rear)
	}
	l.spreads()
}

// axlesFault tells that lever arms need exactly two axles.
func (l *load) axlesFault(path string, n int, id rig.ID) amount {
	why := fmt.Sprintf("%s lists %d axles; a lever arm needs one in front and one behind, and which of several share a load is not said", path, n)
	l.fault(path, "The loads of the single axles of the vehicle cannot be worked out: "+why+".", false, pointer(id))
	return unknown(why)
}

// spreads settles where the ball load goes. Sources: mech.FactVehicleAxles,
// FactLevel, FactRestore; with r the share restored the front loses (1 - r) h/L of
// it and the trailer's axles take r h/(l + h).
func (l *load) spreads() {
	base, hang := fact(l.r, vehicleWheelbase), fact(l.r, vehicleOverhang)
	if h := word(l.r, trailerHitch); (h == "fifth_wheel" || h == "gooseneck") && hang.known() && hang.v.sign() > 0 {
		why := "a fifth wheel or gooseneck stands ahead of the rear axle or over it, and an overhang behind the axle is given"
		l.fault("vehicle.ball_overhang", "The axle loads of the vehicle cannot be worked out: "+why+".", false, pointer(vehicleOverhang), pointer(trailerHitch))
		hang = unknown(why)
	}
	arm := over(hang, base)
	plain := spread{
		front: negative(arm).as("- ball_overhang / wheelbase"),
		rear:  plus(whole(1), arm).as("1 + ball_overhang / wheelbase"),
		axles: whole(0).as("0"),
	}
	levelled := plain
	if r, on := l.restored(); on {
		l.levelling = true
		reach := fact(l.r, trailerBallToAxle)
		lost := times(arm, minus(whole(1), r))
		levelled.axles = times(r, over(hang, plus(reach, hang))).as("front_restored x ball_overhang / (ball_to_axle + ball_overhang)")
		levelled.front = negative(lost).as("- (1 - front_restored) x ball_overhang / wheelbase")
		levelled.rear = plus(whole(1), negative(levelled.axles), lost).as("1 - levelled.trailer_axles - levelled.front, per kg")
	}
	for _, s := range []*state{l.now, l.full} {
		s.plain, s.spread = plain, levelled
	}
}

// restored is the share of the lost front load that a load-levelling hitch gives
// back; on is false where there is no such hitch.
func (l *load) restored() (share amount, on bool) {
	hitch := func(p rig.Part) bool { return p.Role == "load_levelling" }
	i := slices.IndexFunc(l.r.Parts, hitch)
	r := fact(l.r, trailerRestored)
	fitted := slices.ContainsFunc(l.r.Parts, func(p rig.Part) bool { return hitch(p) && p.Count > 0 })
	none := i >= 0 && !fitted
	switch {
	case !r.known() && !fitted, none && r.known() && r.v.sign() == 0:
		return amount{}, false
	case none && r.known():
		why := "a share to restore is given, and the load-levelling hitch is listed as not there"
		l.fault("trailer.front_restored", "Where the ball load goes cannot be worked out: "+why+".", false, pointer(trailerRestored), "/parts/"+strconv.Itoa(i)+"/count")
		return unknown(why), true
	case !r.known():
		return r, true
	case r.v.cmp(hundred) > 0:
		why := "more than the whole of the lost front axle load is to be restored"
		l.fault("trailer.front_restored", "The load-levelling hitch is set too hard: "+why+".", true, pointer(trailerRestored))
		return unknown(why), true
	}
	return over(r, exact(hundred, bare)).in(bare), true
}

// couple joins trailer and vehicle.
func (l *load) couple(s *state) {
	s.share = times(over(s.ball, s.total), exact(hundred, bare)).in(percent).as("100 x ball load / trailer total")
	s.centre = times(fact(l.r, trailerBallToAxle), over(s.axles, s.total)).as("ball_to_axle x trailer axle load / trailer total")
	s.gross = plus(s.solo, s.ball).as(s.solo.formula + " + ball load")
	s.both = plus(s.solo, s.total).as(s.solo.formula + " + trailer total")
	s.each = l.eachAxle(s)
	if f := s.coupledFront(); s == l.now && f.known() && f.v.sign() < 0 {
		l.fault("vehicle.front_lifts", "The ball load lifts the front axle of the vehicle off the ground.", true, pointer(vehicleOverhang), pointer(vehicleWheelbase), pointer(trailerBall))
	}
}

// eachAxle is the load of each trailer axle, if the suspension shares it equally.
// Source: mech.FactAxleGroup.
func (l *load) eachAxle(s *state) amount {
	const formula = "trailer axle load / axle_count, as the axles share it equally"
	axles := s.coupledAxles()
	n := l.r.Get(trailerAxleCount)
	switch {
	case !n.Known:
		return with(axles, unknown("", pointer(trailerAxleCount))).as(formula)
	case n.Num == 0:
		return with(axles, unknown("the trailer is said to have no axle"))
	case n.Num == 1:
		return axles
	}
	equal, known := l.r.Bool(trailerEqualised)
	switch {
	case !known:
		return with(axles, unknown("", pointer(trailerEqualised))).as(formula)
	case !equal:
		return with(axles, unknown("without equalising the split between the axles depends on springs and drawbar height; weigh each axle")).as(formula)
	}
	count := whole(n.Num)
	count.inputs = union(l.r.Inputs(trailerAxleCount), l.r.Inputs(trailerEqualised))
	return over(axles, count).as(formula)
}
