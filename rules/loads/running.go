package loads

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/mech"
	"drawgear/rules/rig"
)

// trailerLines are the plates of the trailer and what it runs on.
func (c *chain) trailerLines() {
	now, full := c.now, c.full
	byPlate := notApplicable("this column is loaded to that plate")
	e := c.line("trailer.total", "the plated mass of the trailer", AtMost, fact(c.r, trailerRatedTotal), now.total, full.total, plates)
	if full.total.known() {
		e.Full, e.use[1] = byPlate, fraction{}
	}
	e = c.line("trailer.axles", "the plated load of the trailer's axles", AtMost, fact(c.r, trailerRatedAxles), now.coupledAxles(), full.coupledAxles(), plates)
	if full.axles.known() && !c.levelling {
		e.Full, e.use[1] = byPlate, fraction{}
	}
	t := c.axleSet("trailer", c.r.Get(trailerAxleCount))
	for _, k := range []runningPart{axlePart, tyrePart, wheelPart} {
		c.running(t, k)
	}
	c.brakes()
}

// vehicleRunning are the vehicle's tyres, wheels and axles where they are listed.
func (c *chain) vehicleRunning() {
	v := c.axleSet("vehicle", rig.Value{Known: true, Num: 2})
	for _, k := range []runningPart{axlePart, tyrePart, wheelPart} {
		if len(c.on(v, k)) > 0 {
			c.running(v, k)
		} else if k.role == "tyre" {
			c.unlisted = append(c.unlisted, "tyre (vehicle)")
		}
	}
}

// axles is the axles on one side of the coupling.
type axles struct {
	on    string // vehicle or trailer
	count rig.Value
	each  [2][]amount // load of each axle, now and full; nil if their number is not known
	sum   [2]amount
	gap   amount // why each is not known
}

func (c *chain) axleSet(on string, count rig.Value) axles {
	a := axles{on: on, count: count}
	if on == "vehicle" {
		for i, s := range []*state{c.now, c.full} {
			a.each[i] = []amount{s.coupledFront(), s.coupledRear()}
			a.sum[i] = plus(a.each[i]...).as("front axle + rear axle")
		}
		return a
	}
	for i, s := range []*state{c.now, c.full} {
		a.sum[i] = s.coupledAxles()
		for range count.Num {
			a.each[i] = append(a.each[i], s.each)
		}
	}
	switch {
	case !count.Known:
		a.gap = unknown("", pointer(trailerAxleCount))
	case count.Num == 0:
		a.gap = unknown("the trailer is said to have no axle", pointer(trailerAxleCount))
	}
	return a
}

// runningPart is a kind of thing that stands on or under an axle.
type runningPart struct {
	role   string
	id     string // of its lines
	counts []int  // how many of it an axle can have
	source Source
	rating func(c *chain, i, onAxle int) amount // of one
}

var (
	axlePart = runningPart{"axle", "axle_parts", []int{1}, plates, func(c *chain, i, _ int) amount { return partAmount(c.r, i, "rated_mass") }}
	// Four wheels on one axle are twins.
	wheelPart = runningPart{"wheel", "wheels", []int{2, 4}, plates, func(c *chain, i, _ int) amount { return partAmount(c.r, i, "rated_mass") }}
	tyrePart  = runningPart{"tyre", "tyres", []int{2, 4}, from(mech.FactTyreCapacity), tyreRating}
)

// tyreRating is the load of one tyre: by its first index where two stand on an
// axle, by its second where four do. Sources: mech.FactLoadIndex, FactTwinIndex.
func tyreRating(c *chain, i, onAxle int) amount {
	p, field := c.r.Parts[i], "load_index"
	index := p.LoadIndex
	if onAxle == 4 {
		field, index = "load_index_dual", p.LoadIndexDual
	}
	at := "/parts/" + strconv.Itoa(i) + "/" + field
	if index == 0 {
		return unknown("", at).as(field)
	}
	kg, err := mech.TyreLoad(index)
	if err != nil {
		return unknown("the table of load indices holds 50 to 150", at).as(field)
	}
	a := exact(ofFloat(kg), kilogram).as("load of index " + strconv.Itoa(index))
	a.inputs = []rig.Input{{Pointer: at, Value: strconv.Itoa(index)}}
	if p.On == "trailer" && country(c.r.Jurisdiction) == "US" {
		return asPassenger(a, p.Grade, partPointer(i, "grade"))
	}
	return a
}

// asPassenger takes the load of a passenger tyre on a trailer in the United States
// down to 1/1.10 of it; one whose kind is not given carries at least that. Source:
// mech.FactPMetric (memory).
func asPassenger(a amount, kind, at string) amount {
	if strings.HasPrefix(kind, "ST") || strings.HasPrefix(kind, "LT") {
		a.inputs = append(a.inputs, rig.Input{Pointer: at, Value: kind})
		return a
	}
	less := times(a, exact(frac(10, 11), bare)).as(a.formula + " / 1.10, as a passenger tyre on a trailer")
	if strings.HasPrefix(kind, "P") {
		less.inputs = append(less.inputs, rig.Input{Pointer: at, Value: kind})
		return less
	}
	return less.assuming(NoLess, "it may be a passenger (P) tyre, which on a trailer in the United States counts for its load over 1.10 (49 CFR 571.120, from memory); grade P, ST or LT tells", at)
}

// on lists the parts of a kind on one side of the coupling. Brakes and axles that
// do not say are the trailer's: those of a vehicle have their own fields.
func (c *chain) on(a axles, k runningPart) []int {
	var out []int
	for _, i := range c.fitted(k.role) {
		side := c.r.Parts[i].On
		if side == a.on || side == "" && a.on == "trailer" {
			out = append(out, i)
		}
	}
	return out
}

// running holds the tyres, wheels or single axles of one side against the load:
// all together, which is certain whatever the suspension does, and each axle.
func (c *chain) running(a axles, k runningPart) {
	parts := c.on(a, k)
	id, name := a.on+"."+k.id, "the "+a.on+"'s "+roleNames[k.role]+"s"
	if len(parts) == 0 {
		if k.role == "tyre" && !c.absent(k.role) {
			c.line(id, name, AtMost, unknown("", needPart).as("load index"), a.sum[0], a.sum[1], k.source)
		} else if k.role != "tyre" {
			c.unlisted = append(c.unlisted, k.role)
		}
		return
	}
	each, gap := c.capacities(a, k, parts)
	if each == nil {
		c.line(id, name, AtMost, gap, a.sum[0], a.sum[1], k.source)
	}
	if len(each) > 1 {
		e := c.line(id, name+" together", AtMost, plus(each...).as("sum over the axles"), a.sum[0], a.sum[1], k.source)
		if a.on == "trailer" {
			e.Note = "Necessary, and enough only if each axle is within its own."
		}
	}
	shown := 0
	for n := range each {
		if n > 0 && a.on == "trailer" && alike(each[n], each[0]) && alike(a.at(0, n), a.at(0, 0)) && alike(a.at(1, n), a.at(1, 0)) {
			continue
		}
		each[n].formula = cmp.Or(each[n].formula, "capacity of one axle")
		c.line(fmt.Sprintf("%s.%d", id, n+1), fmt.Sprintf("%s on axle %d", name, n+1), AtMost, each[n], a.at(0, n), a.at(1, n), k.source)
		shown++
	}
	if len(each) > 1 && shown == 1 {
		last := &c.lines[len(c.lines)-1]
		last.ID, last.Name = id+".each", name+" on each axle"
	}
	if k.role == "tyre" {
		for _, i := range parts {
			c.tyreSpeed(i)
		}
	}
}

func (a axles) at(column, n int) amount {
	if n >= len(a.each[column]) {
		return with(a.sum[column], a.gap)
	}
	return a.each[column][n]
}

// alike reports whether two figures are the same, with the same inputs and gaps.
func alike(a, b amount) bool {
	if a.known() != b.known() || !slices.Equal(a.missing, b.missing) || !slices.Equal(a.inputs, b.inputs) || a.reason != b.reason {
		return false
	}
	return !a.known() || a.v.cmp(b.v) == 0
}

// capacities are what the parts of a kind let each axle carry; none, and what is
// wanting, where they cannot be shared out to axles.
func (c *chain) capacities(a axles, k runningPart, parts []int) (each []amount, gap amount) {
	for _, i := range parts {
		if c.r.Parts[i].On == "" && k.role != "axle" {
			gap = with(gap, unknown("", fmt.Sprintf("/parts/%d/on", i)))
		}
	}
	if !a.count.Known || a.count.Num == 0 || len(gap.missing) > 0 {
		return nil, with(gap, a.gap)
	}
	n := int(a.count.Num)
	onAxle := make([][]int, n) // for each axle the places of its parts, one entry a piece
	for _, i := range parts {
		p, at := c.r.Parts[i], fmt.Sprintf("/parts/%d/", i)
		switch {
		case p.Axle > n:
			c.fault("parts.axle", fmt.Sprintf("A %s is said to be on axle %d of %d.", roleNames[p.Role], p.Axle, n), false, at+"axle")
			return nil, unknown(fmt.Sprintf("there is no axle %d", p.Axle), at+"axle")
		case p.Axle > 0:
			onAxle[p.Axle-1] = append(onAxle[p.Axle-1], slices.Repeat([]int{i}, p.Count)...)
		case p.Count%n == 0:
			for x := range onAxle {
				onAxle[x] = append(onAxle[x], slices.Repeat([]int{i}, p.Count/n)...)
			}
		default:
			return nil, unknown(fmt.Sprintf("%d of them cannot be shared out to %d axles", p.Count, n), at+"count", at+"axle")
		}
	}
	each = make([]amount, n)
	for x, pieces := range onAxle {
		each[x] = c.capacity(k, parts, pieces)
	}
	return each, amount{}
}

// capacity is what one axle may carry: as many times the least of its pieces as
// there are, for the load is shared alike by them.
func (c *chain) capacity(k runningPart, parts, pieces []int) amount {
	if !slices.Contains(k.counts, len(pieces)) {
		var at []string
		for _, i := range parts {
			at = append(at, fmt.Sprintf("/parts/%d/count", i), fmt.Sprintf("/parts/%d/axle", i))
		}
		return unknown(fmt.Sprintf("an axle has %s of them, not %d", orList(k.counts), len(pieces)), at...)
	}
	var least, all amount
	bound, gaps := Exact, false
	for _, i := range slices.Compact(slices.Clone(pieces)) {
		piece := k.rating(c, i, len(pieces))
		all = with(all, piece)
		bound, gaps = bound.join(piece.bound), gaps || !piece.known()
		all.formula = joined(all.formula, piece.formula)
		if piece.known() && (!least.known() || piece.v.cmp(least.v) < 0) {
			least = piece
		}
	}
	if gaps {
		return all
	}
	least.inputs, least.missing, least.bound = all.inputs, all.missing, bound
	return times(least, whole(int64(len(pieces)))).as(fmt.Sprintf("%d x %s", len(pieces), least.formula))
}

func orList(ns []int) string {
	texts := make([]string, len(ns))
	for i, n := range ns {
		texts[i] = strconv.Itoa(n)
	}
	return strings.Join(texts, " or ")
}

// tyreSpeed holds the speed of the journey against the speed symbol of a tyre.
func (c *chain) tyreSpeed(i int) {
	p, at := c.r.Parts[i], fmt.Sprintf("/parts/%d/speed_symbol", i)
	limit, src := unknown("", at), from(mech.FactSpeedSymbols)
	if p.SpeedSymbol != "" {
		v, f, ok := mech.SymbolSpeed(p.SpeedSymbol)
		limit = unknown("the speed symbol is in no table held here", at)
		if ok {
			limit = exact(ofFloat(v), kmh)
			limit.inputs = []rig.Input{{Pointer: at, Value: p.SpeedSymbol}}
			src = from(f)
		}
	}
	speed := fact(c.r, useSpeed)
	e := c.line(partID(i, "speed_symbol"), "the speed symbol of the "+c.name(i), AtMost, limit.as("speed of the symbol"), speed, speed, src)
	e.conduct = !speed.known()
	e.unranked()
	e.Note = "The load index holds up to this speed."
}

// brakes holds what the trailer's brakes are made for against the whole of it,
// which they must hold when it parts from the vehicle.
func (c *chain) brakes() {
	kind := c.r.Get(trailerBrakeKind)
	parts := c.fitted("brake")
	if len(parts) == 0 {
		if kind.Word != "none" && !c.absent("brake") {
			c.unlisted = append(c.unlisted, "brake")
		}
		return
	}
	braked := c.r.Get(trailerBraked)
	var sum, gap amount
	pieces, rated := 0, []amount{}
	for _, i := range parts {
		n := c.r.Parts[i].Count
		pieces += n
		rated = append(rated, times(partAmount(c.r, i, "rated_mass"), whole(int64(n))))
		gap = with(gap, unknown("", fmt.Sprintf("/parts/%d/count", i)))
	}
	sum = plus(rated...)
	switch {
	case !braked.Known:
		sum = with(sum, unknown("", pointer(trailerBraked)))
	case int64(pieces) != braked.Num && int64(pieces) != 2*braked.Num:
		sum = with(sum, gap, unknown(fmt.Sprintf("%d brakes do not fit %d braked axles", pieces, braked.Num)))
	default:
		sum.inputs = union(sum.inputs, c.r.Inputs(trailerBraked))
	}
	e := c.line("trailer.brakes", "the trailer's brakes", AtMost, sum.as("sum of count x rated_mass"), c.now.total, c.full.total, plates)
	e.Note = "One entry a brake or a pair; together they hold the whole trailer, as they must if it parts from the vehicle."
}
