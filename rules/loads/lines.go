package loads

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/mech"
	"drawgear/rules/rig"
)

// vehicleLines are the limits of the towing vehicle.
func (c *chain) vehicleLines() {
	now, full := c.now, c.full
	limit := c.towingLimit()
	e := c.line("vehicle.towing", "the vehicle's limit for the trailer", AtMost, limit, now.total, full.total, plates)
	e.Note = "The whole trailer is held against it. Where the law counts only what the axles of a centre-axle trailer carry, this is the safe side."
	c.line("vehicle.combination", "the plated mass of vehicle and trailer", AtMost, fact(c.r, vehicleRatedBoth), now.both, full.both, from(mech.FactCoupled))
	c.line("vehicle.gross", "the plated mass of the vehicle, coupled", AtMost, fact(c.r, vehicleRatedTotal), now.gross, full.gross, from(mech.FactCoupled))

	rated := c.ratedAxles()
	c.line("vehicle.front_axle", "the vehicle's front axle", AtMost, rated[0], now.coupledFront(), full.coupledFront(), from(mech.FactVehicleAxles))
	c.line("vehicle.rear_axle", "the vehicle's rear axle", AtMost, rated[1], now.coupledRear(), full.coupledRear(), from(mech.FactVehicleAxles))
	c.line("vehicle.front_minimum", "the least load on the vehicle's front axle", AtLeast, c.frontLeast(), now.coupledFront(), full.coupledFront(), from(mech.FactVehicleAxles))
	c.line("vehicle.ball", "the vehicle's limit for the coupling load", AtMost, fact(c.r, vehicleBall), now.ball, full.ball, plates)
	none := exact(frac(0, 1), kilogram).as("no pull upwards")
	c.line("coupling.presses_down", "the coupling is pressed down, not up", AtLeast, none, now.ball, full.ball, from(mech.FactBallMoment)).unranked()
	for i := range c.lines {
		switch id := c.lines[i].ID; {
		case !c.levelling:
		case id == "vehicle.gross":
			c.lines[i].Note = "What a load-levelling hitch passes on to the trailer's axles is not taken off."
		case strings.HasSuffix(id, "_axle"), id == "vehicle.front_minimum":
			c.lines[i].Note = "With the load-levelling hitch as set; it raises no rating."
		}
	}
}

// frontLeast is the least load of the front axle. Whatever the maker wants, it is not
// less than nothing: an axle in the air fails without a figure of his.
func (c *chain) frontLeast() amount {
	if a := fact(c.r, vehicleFrontLeast); a.known() {
		return a
	}
	none := exact(frac(0, 1), kilogram).as("vehicle.rated.front_minimum")
	return none.assuming(NoLess, "no maker wants less than nothing", pointer(vehicleFrontLeast))
}

// towingLimit is the vehicle's limit for a trailer with, or without, brakes.
func (c *chain) towingLimit() amount {
	const formula = "vehicle.towing.braked if the trailer has a service brake, else vehicle.towing.unbraked"
	if given, known := c.r.Bool(vehicleMakerRates); known && !given {
		a := unknown("the maker of the vehicle gives no towing limit").as(formula)
		a.inputs = c.r.Inputs(vehicleMakerRates)
		return a
	}
	kind := c.r.Get(trailerBrakeKind)
	if !kind.Known {
		return unknown("", pointer(trailerBrakeKind)).as(formula)
	}
	id := vehicleBraked
	if kind.Word == "none" {
		id = vehicleUnbraked
	}
	a := fact(c.r, id).as(formula)
	a.inputs = union(c.r.Inputs(trailerBrakeKind), a.inputs)
	return a
}

// ratedAxles are the plated maxima of front and rear axle.
func (c *chain) ratedAxles() [2]amount {
	list := masses(c.r, vehicleRatedAxles)
	switch {
	case list == nil:
		gap := unknown("", pointer(vehicleRatedAxles)).as("vehicle.rated.axles")
		return [2]amount{gap, gap}
	case len(list) != 2:
		why := c.axlesFault("vehicle.rated.axles", len(list), vehicleRatedAxles)
		return [2]amount{why, why}
	}
	return [2]amount{list[0], list[1]}
}

// pathRoles carry the whole trailer and its coupling load.
var pathRoles = []string{"towbar", "receiver", "ball_mount", "ball", "coupling", "drawbar", "overrun_device", "load_levelling", "secondary_coupling"}

var roleNames = map[string]string{
	"towbar": "towbar", "receiver": "receiver", "ball_mount": "ball mount", "ball": "ball", "coupling": "coupling", "drawbar": "drawbar",
	"overrun_device": "overrun device", "load_levelling": "load-levelling hitch", "secondary_coupling": "secondary coupling",
	"chain": "safety chain", "cable": "safety cable", "shackle": "shackle", "tyre": "tyre", "wheel": "wheel", "axle": "axle", "brake": "brake",
}

// fitted lists the places of parts of a role that are there.
func (c *chain) fitted(roles ...string) []int {
	var out []int
	for i, p := range c.r.Parts {
		if p.Count > 0 && slices.Contains(roles, p.Role) {
			out = append(out, i)
		}
	}
	return out
}

// absent reports whether the document says that there is no such part.
func (c *chain) absent(roles ...string) bool {
	return len(c.fitted(roles...)) == 0 && slices.ContainsFunc(c.r.Parts, func(p rig.Part) bool { return slices.Contains(roles, p.Role) })
}

// name names a part for people, with its number where there are several.
func (c *chain) name(i int) string {
	role := c.r.Parts[i].Role
	name := roleNames[role]
	if alike := c.fitted(role); len(alike) > 1 {
		name += " " + strconv.Itoa(1+slices.Index(alike, i))
	}
	return name
}

func partID(i int, field string) string { return fmt.Sprintf("parts.%d.%s", i, field) }

// needPart is the place of a part that is not listed.
const needPart = "/parts/-"

// pathLines are the parts that hold vehicle and trailer together.
func (c *chain) pathLines() {
	needed := []string{"towbar", "coupling"}
	if h := word(c.r, trailerHitch); h == "" || h == "ball" || h == "gooseneck" {
		needed = []string{"towbar", "ball", "coupling"}
	}
	for _, role := range pathRoles {
		for _, i := range c.fitted(role) {
			c.pathPart(i)
		}
		switch {
		case len(c.fitted(role)) > 0 || c.absent(role):
		case slices.Contains(needed, role):
			c.line(role+".rated_mass", "the "+roleNames[role], AtMost, unknown("", needPart).as("rated_mass"), c.now.total, c.full.total, plates)
		case role == "overrun_device" && !slices.Contains([]string{"overrun", "surge"}, word(c.r, trailerBrakeKind)):
		case !slices.Contains([]string{"load_levelling", "secondary_coupling"}, role):
			c.unlisted = append(c.unlisted, role)
		}
	}
	c.ballSize()
}

func (c *chain) pathPart(i int) {
	p, name := c.r.Parts[i], c.name(i)
	marked := !p.DValue.IsZero() || !p.DcValue.IsZero()
	switch {
	case !p.RatedMass.IsZero():
		c.line(partID(i, "rated_mass"), "the "+name, AtMost, partAmount(c.r, i, "rated_mass"), c.now.total, c.full.total, plates)
	case !marked && p.Role != "secondary_coupling":
		c.line(partID(i, "rated_mass"), "the "+name, AtMost, partAmount(c.r, i, "rated_mass", "d_value"), c.now.total, c.full.total, plates)
	}
	if marked || !p.VValue.IsZero() {
		c.values(i)
	}
	if p.Role != "secondary_coupling" {
		limit := partAmount(c.r, i, "rated_ball")
		c.line(partID(i, "rated_ball"), "the "+name+" for the coupling load", AtMost, limit, c.now.ball, c.full.ball, from(mech.FactS))
	}
	if p.Role == "overrun_device" {
		least, rated := partAmount(c.r, i, "least_mass"), fact(c.r, trailerRatedTotal)
		e := c.line(partID(i, "least_mass"), "the least trailer of the overrun device", AtLeast, least, rated, rated, plates)
		e.Note = "The range of an overrun device is one of plated masses, so the plate of the trailer is held against it in both columns."
	}
}

// ballSize holds the ball against the coupling that sits on it: different sizes
// never go together, whatever their ratings.
func (c *chain) ballSize() {
	balls, heads := c.fitted("ball"), c.fitted("coupling")
	if h := word(c.r, trailerHitch); len(balls) == 0 || len(heads) == 0 || h != "" && h != "ball" && h != "gooseneck" {
		return
	}
	for _, i := range balls {
		for _, j := range heads {
			ball, head := partAmount(c.r, i, "size"), partAmount(c.r, j, "size")
			note := ""
			if a, b, same := sameBall(ball, head); same && a != b {
				note = fmt.Sprintf("%s and %s are within 0.1 mm of one standard size and are taken for it.", ball.text(), head.text())
				ball = exact(head.v, head.held).as(ball.formula).because(ball)
			}
			e := c.line(partID(i, "size")+"."+strconv.Itoa(j), "the size of ball and coupling", Equal, head, ball, ball, from(mech.FactBallSizes))
			e.Note = note
		}
	}
}

// because takes the working of another amount over.
func (a amount) because(b amount) amount {
	a.inputs, a.shown = b.inputs, b.shown
	return a
}

// sameBall reports whether two diameters mean one standard size.
func sameBall(a, b amount) (x, y float64, same bool) {
	if !allKnown(a, b) {
		return 0, 0, false
	}
	x, y = 1000**number(a.v), 1000**number(b.v)
	s, ok := mech.BallSizeOf(x)
	t, also := mech.BallSizeOf(y)
	return x, y, ok && also && s == t
}
