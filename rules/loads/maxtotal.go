package loads

import (
	"slices"
	"strings"

	"drawgear/rules/mech"
)

// maxTotal is the heaviest laden trailer by mechanics alone: the vehicle as it is,
// and on the coupling the same share p of the trailer as today. Source:
// mech.FactMaxTrailer; with k the part of a kilogram on the coupling that reaches an
// axle, an axle with room m allows m/(k p).
func (c *chain) maxTotal() MaxTotal {
	p := over(c.now.ball, c.now.total).in(bare).as("ball load now / trailer total now")
	m := &heaviest{chain: c, share: c.usable(p), out: MaxTotal{Limits: []MaxLimit{}, Weakest: []string{}, NotJudged: []Unjudged{}, Source: from(mech.FactMaxTrailer)}}
	m.out.Share = p.figure()
	for _, e := range c.lines {
		m.of(e)
	}
	m.dValues()
	m.settle()
	return m.out
}

// usable is a share that can be divided by.
func (c *chain) usable(p amount) amount {
	switch {
	case !p.known():
		return p
	case p.bound != Exact:
		return with(p, unknown("the load on the coupling is only estimated"))
	case p.v.sign() < 0:
		return with(p, unknown("the trailer pulls the coupling up"))
	case p.v.cmp(one) >= 0:
		return with(p, unknown("the whole trailer would rest on the coupling"))
	}
	return p
}

// heaviest gathers what each limit allows.
type heaviest struct {
	*chain
	share amount
	out   MaxTotal
	least []amount // totals in the order of out.Limits
}

// add takes the total that one limit allows; nothing below zero.
func (h *heaviest) add(id, name string, total amount) {
	if !total.known() || total.bound != Exact {
		h.out.NotJudged = append(h.out.NotJudged, Unjudged{ID: id, Name: name, Missing: append([]string{}, total.missing...), Reason: total.reason})
		return
	}
	if total.v.sign() < 0 {
		total.v = frac(0, 1)
	}
	h.out.Limits = append(h.out.Limits, MaxLimit{ID: id, Name: name, Total: total.figure()})
	h.least = append(h.least, total)
}

// of takes the line of a limit; lines of the law and of practice are no mechanics.
func (h *heaviest) of(e entry) {
	if e.Level != LevelRating || e.Relation != AtMost {
		return
	}
	p, limit := h.share, e.limit
	switch id := e.ID; {
	case id == "vehicle.combination":
		h.add(id, e.Name, minus(limit, h.now.solo).as("vehicle.rated.combination - vehicle uncoupled"))
	case id == "vehicle.gross":
		h.room(e, minus(limit, h.now.solo), whole(1), "(vehicle.rated.total - vehicle uncoupled) / p")
	case e.ofBall():
		h.room(e, limit, whole(1), "limit / p")
	case strings.HasPrefix(id, "vehicle.") && id != "vehicle.towing":
		h.vehicleAxle(e)
	case strings.HasPrefix(id, "trailer.") && id != "trailer.total" && id != "trailer.brakes":
		// Each kilogram of trailer puts 1 - p on its axles, and more with a load-levelling hitch.
		onAxles := plus(whole(1), negative(p), times(p, h.now.spread.axles))
		n := whole(1)
		if perAxle(id) {
			n = h.axleNumber()
		}
		h.add(id, e.Name, over(times(limit, n), onAxles).as("limit x axles it is for / (1 - p + p x load-levelled part)"))
	case id == "trailer.total", id == "trailer.brakes", id == "vehicle.towing", suffixed(id, "rated_mass"):
		h.add(id, e.Name, limit)
	}
}

func suffixed(id, field string) bool { return strings.HasSuffix(id, "."+field) }

// perAxle reports whether a line is for one axle: trailer.tyres.2, trailer.tyres.each.
func perAxle(id string) bool { return strings.Count(id, ".") > 1 }

// axleNumber is how many axles share the load, where they share it equally.
func (h *heaviest) axleNumber() amount {
	n := h.r.Get(trailerAxleCount)
	each := h.now.each
	if !n.Known || !each.known() {
		return with(each, unknown(""))
	}
	out := whole(n.Num)
	out.inputs = h.r.Inputs(trailerAxleCount)
	return out
}

// room takes a limit on what only the load on the coupling brings: part is how
// much of each kilogram there counts. Nothing on the coupling, or a part at or below
// zero, sets no limit; a limit passed before a trailer is coupled leaves no trailer.
func (h *heaviest) room(e entry, room, part amount, formula string) {
	none := h.share.known() && h.share.v.sign() == 0 || part.known() && part.v.sign() <= 0
	switch {
	case room.known() && room.v.sign() < 0:
		h.add(e.ID, e.Name, room.as("passed before a trailer is coupled"))
	case !none || !room.known():
		h.add(e.ID, e.Name, over(room, times(part, h.share)).as(formula))
	}
}

// vehicleAxle is what an axle of the vehicle, or what stands on it, allows. The
// front axle is lightened by a coupling behind the rear one, and then sets no limit.
func (h *heaviest) vehicleAxle(e entry) {
	const formula = "(limit - axle load uncoupled) / (p x part of the ball load that reaches it)"
	switch {
	case e.ID == "vehicle.front_axle", strings.HasSuffix(e.ID, "s.1"):
		h.room(e, minus(e.limit, h.now.front), h.now.spread.front, formula)
	case e.ID == "vehicle.rear_axle", strings.HasSuffix(e.ID, "s.2"):
		h.room(e, minus(e.limit, h.now.rear), h.now.spread.rear, formula)
	}
}

// dValues are the plated trailers that the marked D values allow, and the least
// front axle load. Sources: mech.FactDInverse, FactVehicleAxles.
func (h *heaviest) dValues() {
	for i := range h.lines {
		e := h.lines[i]
		switch {
		case e.ID == "vehicle.front_minimum":
			h.room(e, minus(h.now.front, e.limit), negative(h.now.spread.front), "(front axle uncoupled - vehicle.rated.front_minimum) / (p x part of the ball load that it loses)")
		case suffixed(e.ID, "d_value") && e.Source.Fact == string(mech.FactD) && e.Now.Status != "not_applicable":
			h.dValue(e)
		}
	}
}

// dValue is D T/(9.81 T - D), none where 9.81 T is at most D.
func (h *heaviest) dValue(e entry) {
	t := fact(h.r, vehicleRatedTotal)
	d := e.limit // kN
	room := minus(kN(t), d)
	if allKnown(t, d) && room.v.sign() <= 0 {
		return
	}
	// A layout that is not known, or has no formula, keeps the D value from being read.
	need, _ := h.needD(false)
	gap := with(need)
	gap.inputs, gap.missing = nil, slices.DeleteFunc(gap.missing, func(p string) bool { return p == pointer(trailerRatedTotal) })
	total := over(times(t, d), room).in(kilogram).as("D x T / (9.81 x T / 1000 - D), of the plated trailer")
	if len(gap.missing) > 0 || gap.reason != "" {
		total = with(total, gap)
	}
	h.add(e.ID, e.Name, total)
}

// settle finds the least of the limits and who sets it.
func (h *heaviest) settle() {
	var best amount
	for _, t := range h.least {
		if !best.known() || t.v.cmp(best.v) < 0 {
			best = t
		}
	}
	h.out.Total = best.as("the least of the limits").figure()
	if !best.known() {
		h.out.Total.Reason = "no limit could be worked out"
		return
	}
	for i, t := range h.least {
		if t.v.cmp(best.v) == 0 {
			h.out.Weakest = append(h.out.Weakest, h.out.Limits[i].ID)
		}
	}
}
