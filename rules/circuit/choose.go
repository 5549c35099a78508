package circuit

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Method is how the drop is worked out.
type Method string

const (
	// SteadyCurrent takes every magnet at its full current; the customary, safe
	// way.
	SteadyCurrent Method = "steady_current"
	// Resistive lets the current fall as the voltage sags, as it does.
	Resistive Method = "resistive"
)

// DropFigure is a limit of voltage drop in use.
type DropFigure struct {
	Volts  float64 `json:"volts"` // on 12 V nominal
	Share  float64 `json:"share"`
	Says   string  `json:"says"`
	Source Source  `json:"source"`
}

// DropFigures are the limits in use for feed and return together, from the
// controller's output to the furthest magnet at full current on 12 V. None is
// agreed and none is law.
var DropFigures = []DropFigure{
	{0.36, 0.03, "3 %, also usual for charge lines", practice(low)},
	{0.5, 0.5 / 12, "half a volt", practice(low)},
	{0.6, 0.05, "5 %; beyond it drawgear warns", practice(low)},
	{1, 1.0 / 12, "one volt", practice(low)},
	{1.2, 0.1, "10 %; beyond it drawgear calls the line too thin", practice(low)},
}

// JudgeDrop holds a drop in V, from the controller's output to the weakest
// magnet and back, against the customary limits on a nominal voltage: above 5 %
// it is met with a caution, above 10 % it is not met.
func JudgeDrop(drop, nominal float64) (Check, error) {
	if err := over("nominal", nominal, 0, mostVolts, "V"); err != nil {
		return Check{}, err
	}
	if err := within("drop", drop, 0, mostVolts, "V"); err != nil {
		return Check{}, err
	}
	limit := 0.1 * nominal
	c := Check{ID: "line.drop", Level: Practice, Status: Met, Value: &drop, Limit: &limit, Unit: "V", Source: practice(low)}
	share := figureUp(100*drop/nominal, 2)
	switch {
	case exceeds(drop, limit):
		c.Status = NotMet
		c.Says = "The line loses " + share + " % of the voltage, more than 10 %: fit larger conductors."
	case exceeds(drop, 0.05*nominal):
		c.Says = "Caution: the line loses " + share + " % of the voltage, more than 5 %; larger conductors would brake better."
	default:
		c.Says = "The line loses " + share + " % of the voltage, no more than 5 %."
	}
	c.Says += " There is no agreed limit; these are in common use."
	return c, nil
}

// Floor is the least conductor customary for a brake output and its return by
// braked axles: 12 AWG up to two, 10 AWG for three and more. A floor, not a
// sizing result; common practice.
func Floor(axles int) (Conductor, Source) {
	if axles > 2 {
		return awgConductor(10), practice(medium)
	}
	return awgConductor(12), practice(medium)
}

// Demand is what the conductors to be chosen must satisfy.
type Demand struct {
	// Families to choose in; those of Chosen if left out.
	Families []Family `json:"families,omitempty"`
	// Drop is the most that feed and return of the line may lose together, V.
	Drop float64 `json:"drop_v"`
	// SupplyDrop is the most that the feed from the battery may lose, V; needed
	// if that conductor is to be chosen.
	SupplyDrop float64 `json:"supply_drop_v,omitempty"`
	// Method is SteadyCurrent if left out.
	Method Method `json:"method,omitempty"`
	// Ambient is the hottest place that a conductor passes, degC; without it the
	// hottest published figures count.
	Ambient *float64 `json:"ambient_c,omitempty"`
	// Axles braked, for the customary floor; 0 leaves the floor out.
	Axles int `json:"axles,omitempty"`
}

// Bound is what rules out the next smaller conductor.
type Bound string

// The bounds. A conductor that is the smallest of its family has BoundNone.
const (
	BoundNone    Bound = ""
	BoundDrop    Bound = "drop"
	BoundHeating Bound = "heating"
	BoundFloor   Bound = "floor"
)

// Choice is the answer in one family.
type Choice struct {
	Family Family `json:"family"`
	// Enough reports that the family has conductors that satisfy the demand.
	Enough bool `json:"enough"`
	// Line is for every leg of the line that had no conductor, Supply for the
	// feed from the battery. Zero where nothing was to be chosen or nothing is
	// enough.
	Line        Conductor `json:"line,omitzero"`
	LineBound   Bound     `json:"line_bound,omitempty"`
	Supply      Conductor `json:"supply,omitzero"`
	SupplyBound Bound     `json:"supply_bound,omitempty"`
	// Legs hold each conductor against its limits, with those chosen, or with
	// the largest of the family if none is enough.
	Legs    []LegCheck `json:"legs"`
	Drop    float64    `json:"drop_v"` // of the line, by Method
	Limit   float64    `json:"limit_v"`
	Method  Method     `json:"method"`
	Changes []Change   `json:"changes,omitempty"` // that would make the family enough
	Says    string     `json:"says"`
	Notes   []string   `json:"notes,omitempty"`
	Assumes []string   `json:"assumes"`
	Digits  int        `json:"digits"`
	Sources []Source   `json:"sources"`
}

// LegCheck is one conductor against its current.
type LegCheck struct {
	LegResult
	Limit  *HeatLimit `json:"heat_limit,omitempty"`
	Status Status     `json:"heating"` // unknown if no table has the size
}

// Change is something that would make a family enough, worked out.
type Change struct {
	What      string    `json:"what"` // double_line, double_supply, shorten_line, shorten_supply, allow_line, allow_supply
	Conductor Conductor `json:"conductor"`
	Length    float64   `json:"length_m,omitempty"` // one way, of the legs to be chosen, to the furthest load
	Drop      float64   `json:"drop_v"`             // that then results, or must be allowed
	Says      string    `json:"says"`
}

// Choose finds the smallest conductor of each family asked for that keeps both
// the drop and the heating limit, for every leg of the circuit that has a length
// and no conductor. The legs of the line get one size. Heating is always judged
// at cold magnets and full voltage.
func Choose(c Circuit, d Demand) ([]Choice, error) {
	if err := c.check(false); err != nil {
		return nil, err
	}
	if d.Method == "" {
		d.Method = SteadyCurrent
	}
	if len(d.Families) == 0 {
		d.Families = Chosen
	}
	q := chooser{c: c, d: d}
	c.Line.every(func(r Run) { q.line = q.line || r.Feed.open() || r.Return.open() })
	q.supply = c.Supply != nil && c.Supply.open()
	if err := q.check(); err != nil {
		return nil, err
	}
	var all []Choice
	for _, f := range d.Families {
		all = append(all, q.choose(f))
	}
	return all, nil
}

// chooser is one question to Choose; line and supply tell what is open.
type chooser struct {
	c            Circuit
	d            Demand
	line, supply bool
}

func (q chooser) check() error {
	d := q.d
	if !q.line && !q.supply {
		return &Bad{"/line", "has no leg without a conductor, so there is nothing to choose"}
	}
	if q.line {
		if err := over("/drop_v", d.Drop, 0, q.c.Volts, "V"); err != nil {
			return err
		}
	}
	if q.supply {
		if err := over("/supply_drop_v", d.SupplyDrop, 0, q.c.Volts, "V"); err != nil {
			return err
		}
	}
	if d.Method != SteadyCurrent && d.Method != Resistive {
		return &Bad{"/method", "must be steady_current or resistive, not " + strconv.Quote(string(d.Method))}
	}
	if d.Ambient != nil {
		if err := within("/ambient_c", *d.Ambient, coldest, hottest, "degC"); err != nil {
			return err
		}
	}
	if d.Axles < 0 || d.Axles > mostAxles {
		return &Bad{"/axles", fmt.Sprintf("must be from 0 to %d, not %d", mostAxles, d.Axles)}
	}
	for i, f := range d.Families {
		if slices.Contains(d.Families[:i], f) {
			return &Bad{"/families/" + strconv.Itoa(i), strconv.Quote(string(f)) + " is asked for twice"}
		}
		if f.sizes() == nil {
			return &Bad{"/families/" + strconv.Itoa(i), strconv.Quote(string(f)) + " is not a family whose sizes are listed"}
		}
	}
	return nil
}

// with is the circuit with conductors in the open legs, whose lengths are scaled.
func (q chooser) with(line, supply Conductor, scale float64) Circuit {
	fill := func(l Leg, c Conductor) Leg {
		if l.open() {
			l.Conductor = c
			l.Length *= scale
		}
		return l
	}
	var fillRun func(Run) Run
	fillRun = func(r Run) Run {
		next := make([]Run, len(r.Next))
		for i, n := range r.Next {
			next[i] = fillRun(n)
		}
		r.Feed, r.Return, r.Next = fill(r.Feed, line), fill(r.Return, line), next
		return r
	}
	c := q.c
	c.Line = fillRun(c.Line)
	if c.Supply != nil {
		s := fill(*c.Supply, supply)
		c.Supply = &s
	}
	return c
}

// part is either the line or the supply, judged alike.
type part struct {
	name  string
	limit float64
	// drop works out what is lost with a conductor and its open lengths scaled.
	drop func(c Conductor, scale float64) float64
	// most is the largest current of a leg to be chosen, cold and at full
	// voltage.
	most   float64
	length float64
	floor  float64 // mm2; 0 for none
}

func (q chooser) linePart(supply Conductor) part {
	p := part{name: "line", limit: q.d.Drop, length: q.openLength(q.c.Line)}
	p.drop = func(c Conductor, scale float64) float64 {
		x := q.with(c, supply, scale)
		if q.d.Method == SteadyCurrent {
			x = x.Steady()
		}
		return x.solve().Drop.Line
	}
	steady := q.c.Steady()
	var walk func(r Run) float64
	walk = func(r Run) float64 {
		amps := 0.0
		for _, l := range r.Loads {
			amps += l.Amps
		}
		for _, n := range r.Next {
			amps += walk(n)
		}
		if r.Feed.open() {
			p.most = max(p.most, amps+r.Feed.Other)
		}
		if r.Return.open() {
			p.most = max(p.most, amps+r.Return.Other)
		}
		return amps
	}
	walk(steady.Line)
	if q.d.Axles > 0 {
		least, _ := Floor(q.d.Axles)
		p.floor = least.Area()
	}
	return p
}

func (q chooser) supplyPart() part {
	amps := steadyAmps(q.c.Steady().Line) + q.c.Supply.Other
	t := q.c.temperatures().Conductors
	return part{
		name: "supply", limit: q.d.SupplyDrop, most: amps, length: q.c.Supply.Length,
		drop: func(c Conductor, scale float64) float64 {
			return amps * (c.OhmsPerMetre(t)*q.c.Supply.Length*scale + q.c.Supply.Connections)
		},
	}
}

// steadyAmps sums the stated currents of a run and all beyond it.
func steadyAmps(r Run) float64 {
	amps := 0.0
	r.every(func(r Run) {
		for _, l := range r.Loads {
			amps += l.Amps
		}
	})
	return amps
}

// openLength is the longest way out along legs that are to be chosen, feed or
// return whichever is the longer at each run.
func (q chooser) openLength(r Run) float64 {
	own := 0.0
	for _, l := range []Leg{r.Feed, r.Return} {
		if l.open() {
			own = max(own, l.Length)
		}
	}
	beyond := 0.0
	for _, n := range r.Next {
		beyond = max(beyond, q.openLength(n))
	}
	return own + beyond
}

// fails says why a conductor will not do for a part, BoundNone if it will.
// Heating comes first since no change of length mends it.
func (q chooser) fails(p part, c Conductor) Bound {
	if h, ok := c.HeatLimit(q.d.Ambient); !ok || exceeds(p.most, h.Amps) {
		return BoundHeating
	}
	if exceeds(p.drop(c, 1), p.limit) {
		return BoundDrop
	}
	if exceeds(p.floor, c.Area()) {
		return BoundFloor
	}
	return BoundNone
}

// smallest finds the smallest conductor that will do and what rules out the one
// below it.
func (q chooser) smallest(p part, f Family) (Conductor, Bound, bool) {
	below := BoundNone
	for _, c := range Conductors(f) {
		why := q.fails(p, c)
		if why == BoundNone {
			return c, below, true
		}
		below = why
	}
	return Conductor{}, below, false
}

func (q chooser) choose(f Family) Choice {
	ch := Choice{Family: f, Enough: true, Limit: q.d.Drop, Method: q.d.Method, Digits: 2}
	largest := Conductors(f)[len(f.sizes())-1]
	line, supply := largest, largest
	pick := func(p part, c *Conductor, chosen *Conductor, bound *Bound) {
		found, why, ok := q.smallest(p, f)
		*bound = why
		if ok {
			*c, *chosen = found, found
			return
		}
		ch.Enough = false
		ch.Changes = append(ch.Changes, q.changes(p, f, largest)...)
	}
	if q.supply {
		pick(q.supplyPart(), &supply, &ch.Supply, &ch.SupplyBound)
	}
	if q.line {
		pick(q.linePart(supply), &line, &ch.Line, &ch.LineBound)
	}
	x := q.with(line, supply, 1)
	steady := x.Steady().solve() // cold magnets at full voltage: what conductors must carry
	byMethod := steady
	if q.d.Method == Resistive {
		byMethod = x.solve()
	}
	ch.Drop = byMethod.Drop.Line
	ch.Sources = append(x.sources(), practice(low).at("drop limit"))
	for _, l := range steady.Legs {
		lc := q.leg(l)
		ch.Legs = append(ch.Legs, lc)
		if lc.Limit != nil {
			for _, r := range lc.Limit.Ratings {
				ch.Sources = appendNew(ch.Sources, r.Source)
			}
		}
	}
	ch.Assumes, _ = x.assumes(x.temperatures())
	ch.Says, ch.Notes = q.words(ch, f, largest)
	return ch
}

func (q chooser) leg(l LegResult) LegCheck {
	lc := LegCheck{LegResult: l, Status: NotApplicable}
	if l.Conductor.IsZero() {
		return lc
	}
	lc.Status = Unknown
	if h, ok := l.Conductor.HeatLimit(q.d.Ambient); ok {
		lc.Limit, lc.Status = &h, Met
		if exceeds(l.Amps, h.Amps) {
			lc.Status = NotMet
		}
	}
	return lc
}

// changes works out what would make the family enough for a part.
func (q chooser) changes(p part, f Family, largest Conductor) []Change {
	var all []Change
	for _, c := range Conductors(f) {
		if two := c.Beside(2); q.fails(p, two) == BoundNone {
			drop := p.drop(two, 1)
			all = append(all, Change{"double_" + p.name, two, p.length, drop, fmt.Sprintf(
				"%s side by side, each way, lose %s V. Each must be able to carry the whole current alone.", two, figureUp(drop, 3))})
			break
		}
	}
	if h, ok := largest.HeatLimit(q.d.Ambient); !ok || exceeds(p.most, h.Amps) {
		return all // a shorter run or a larger drop heats no less
	}
	if s := q.shorter(p, largest); s > 0 {
		length := math.Floor(10*s*p.length) / 10 // rounded down to the decimetre
		if length > 0 {
			drop := p.drop(largest, length/p.length)
			all = append(all, Change{"shorten_" + p.name, largest, length, drop, fmt.Sprintf(
				"%s will do if the run is no longer than %s m one way instead of %s m.", largest, show(length), figure(p.length, 3))})
		}
	}
	if drop := p.drop(largest, 1); drop < q.c.Volts {
		allow := math.Ceil(100*drop-noise) / 100 // rounded up to the centivolt
		all = append(all, Change{"allow_" + p.name, largest, p.length, allow, fmt.Sprintf(
			"%s loses %s V: it will do only if so much is allowed.", largest, figureUp(allow, 3))})
	}
	return all
}

// shorter finds the largest factor for the lengths to be chosen with which a
// conductor keeps the limit; 0 if none does.
func (q chooser) shorter(p part, c Conductor) float64 {
	if exceeds(p.drop(c, 0), p.limit) {
		return 0
	}
	lo, hi := 0.0, 1.0
	for range 50 {
		if mid := (lo + hi) / 2; exceeds(p.drop(c, mid), p.limit) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return lo
}

func (q chooser) words(ch Choice, f Family, largest Conductor) (string, []string) {
	var notes []string
	how := "every magnet at its full current"
	if q.d.Method == Resistive {
		how = "magnets as resistances"
	}
	says := ""
	if !ch.Line.IsZero() {
		says += fmt.Sprintf("%s for the line: %s V lost of %s V allowed, with %s.", ch.Line, figureUp(ch.Drop, 3), show(q.d.Drop), how)
		notes = append(notes, ch.Line.notes()...)
	}
	if !ch.Supply.IsZero() {
		says = joined(says, ch.Supply.String()+" for the supply.")
		if ch.Supply != ch.Line {
			notes = append(notes, ch.Supply.notes()...)
		}
	}
	if !ch.Enough {
		notes = append(notes, largest.notes()...)
		says = joined(says, fmt.Sprintf("No listed size of %s is enough for everything.", f.label()))
	}
	switch least, _ := Floor(q.d.Axles); {
	case !q.line:
	case q.d.Axles == 0:
		notes = append(notes, "The customary least sizes were not applied, since the number of braked axles is not given.")
	case ch.LineBound == BoundFloor:
		notes = append(notes, fmt.Sprintf("A smaller size would keep the limits, but %s is the least that is customary.", least))
	}
	notes = append(notes, "Drop limits are common practice; no law sets one for brake circuits.")
	return says, slices.Compact(notes)
}

func joined(a, b string) string {
	if a == "" {
		return b
	}
	return a + " " + b
}
