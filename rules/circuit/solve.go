package circuit

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Circuit is a brake circuit: a source, the feed from it to the controller, and
// the line from the controller's output to the magnets and back.
type Circuit struct {
	// Volts of the source: at the battery if Supply is given, else at the
	// controller's output.
	Volts float64 `json:"volts"`
	// Supply is the conductor from battery positive to the controller. The
	// controller's own earth carries next to nothing and is left out.
	Supply *Leg `json:"supply,omitempty"`
	// Controller is the resistance through the controller at full output, ohm.
	Controller float64 `json:"controller_ohm,omitempty"`
	// Line begins at the controller's output; its first return ends at battery
	// negative.
	Line Run `json:"line"`
	// Temperatures of conductors and magnets; 20 degC if left out.
	Temperatures *Temperatures `json:"temperatures,omitempty"`
}

// Temperatures in degC.
type Temperatures struct {
	Conductors float64 `json:"conductors_c"`
	Magnets    float64 `json:"magnets_c"`
}

// Leg is one conductor of a line, one way.
type Leg struct {
	// Conductor may be left out where there is no length, and in what is given
	// to Choose, which then finds it.
	Conductor Conductor `json:"conductor,omitzero"`
	Length    float64   `json:"length_m,omitempty"`
	// Connections is the resistance of joints, pins and terminals, ohm.
	Connections float64 `json:"connections_ohm,omitempty"`
	// Other is current of other circuits in the same conductor, in the same
	// direction, A: lamps that share a return.
	Other float64 `json:"other_a,omitempty"`
}

// Run is a stretch of feed and return side by side, the loads across them at
// its far end, and the runs that go on from there.
type Run struct {
	Name   string `json:"name,omitempty"`
	Feed   Leg    `json:"feed"`
	Return Leg    `json:"return"`
	Loads  []Load `json:"loads,omitempty"`
	Next   []Run  `json:"next,omitempty"`
}

// Load is a magnet, known by its resistance, or an actuator that draws a
// current stated by its maker, such as an electric-over-hydraulic unit, which
// is no magnet.
type Load struct {
	Name string  `json:"name,omitempty"`
	Ohms float64 `json:"ohm,omitempty"` // at 20 degC, of one
	Amps float64 `json:"amps,omitempty"`
	// Least is the lowest voltage at which the maker states Amps, V.
	Least float64 `json:"least_v,omitempty"`
}

// Solution is what flows in a circuit.
type Solution struct {
	Amps        float64      `json:"amps"`     // out of the controller
	OutputVolts float64      `json:"output_v"` // at the controller's output, against battery negative
	Drop        Drop         `json:"drop"`
	Loads       []LoadResult `json:"loads"`   // in order of the line
	Weakest     int          `json:"weakest"` // index in Loads of the one with the lowest voltage
	Legs        []LegResult  `json:"legs"`    // supply first, then feed and return of each run
	Assumes     []string     `json:"assumes"`
	Cautions    []string     `json:"cautions,omitempty"`
	Digits      int          `json:"digits"` // significant digits that hold
	Sources     []Source     `json:"sources"`
}

// Drop is voltage lost on the way to the weakest load, V.
type Drop struct {
	Supply     float64 `json:"supply_v"`     // battery to controller
	Controller float64 `json:"controller_v"` // in the controller
	Feed       float64 `json:"feed_v"`       // controller to the weakest load
	Return     float64 `json:"return_v"`     // weakest load to battery negative
	Line       float64 `json:"line_v"`       // feed and return: the figure that limits are set for
	Total      float64 `json:"total_v"`      // source to the weakest load
}

// LoadResult is what one load gets.
type LoadResult struct {
	Name  string  `json:"name"`
	Volts float64 `json:"volts"`
	Amps  float64 `json:"amps"`
	Watts float64 `json:"watts"`
	// Power is Watts of what the load would take at the source's voltage.
	Power float64 `json:"power_fraction"`
	// Enough tells of an actuator whether it has the least voltage that its maker
	// states: unknown if that is not given. It does not apply to magnets.
	Enough Status `json:"enough"`
}

// LegResult is what one conductor does.
type LegResult struct {
	Run       string    `json:"run"`
	Side      string    `json:"side"` // supply, feed or return
	Conductor Conductor `json:"conductor,omitzero"`
	Ohms      float64   `json:"ohm"`  // conductor and connections
	Amps      float64   `json:"amps"` // other current included
	Volts     float64   `json:"volts"`
	Watts     float64   `json:"watts"`
}

// most is how many runs and loads a circuit may have, so that a hostile one
// costs little.
const most = 500

// Solve finds every voltage and current of a circuit. Magnets are resistances,
// so their current falls as the voltage sags; the network is solved exactly,
// not by fixed currents. A *Bad names what cannot be used, and /line if a stated
// current is more than the line can carry at all.
func Solve(c Circuit) (Solution, error) {
	if err := c.check(true); err != nil {
		return Solution{}, err
	}
	s := c.solve()
	s.Assumes, s.Cautions = c.assumes(c.temperatures())
	s.Sources = c.sources()
	for _, l := range s.Loads {
		if !(l.Volts > 0) {
			return Solution{}, &Bad{"/line", "the currents asked for cannot flow: no voltage is left at " + l.Name}
		}
	}
	return s, nil
}

// check refuses what no circuit can have. Conductors may be wanting if they are
// to be chosen.
func (c Circuit) check(conductors bool) error {
	if err := within("/volts", c.Volts, leastVolts, mostVolts, "V"); err != nil {
		return err
	}
	if err := within("/controller_ohm", c.Controller, 0, mostOhms, "ohm"); err != nil {
		return err
	}
	if t := c.Temperatures; t != nil {
		if err := within("/temperatures/conductors_c", t.Conductors, coldest, hottest, "degC"); err != nil {
			return err
		}
		if err := within("/temperatures/magnets_c", t.Magnets, coldest, hottest, "degC"); err != nil {
			return err
		}
	}
	if c.Supply != nil {
		if err := c.Supply.check("/supply", conductors); err != nil {
			return err
		}
	}
	count := 0
	if err := c.Line.check("/line", conductors, &count); err != nil {
		return err
	}
	if !c.Line.loaded() {
		return &Bad{"/line", "has no load"}
	}
	return nil
}

func (l Leg) check(at string, conductor bool) error {
	if err := within(at+"/length_m", l.Length, 0, mostLength, "m"); err != nil {
		return err
	}
	if err := within(at+"/connections_ohm", l.Connections, 0, mostOhms, "ohm"); err != nil {
		return err
	}
	if err := within(at+"/other_a", l.Other, 0, mostAmps, "A"); err != nil {
		return err
	}
	if conductor && l.open() {
		return &Bad{at + "/conductor", "is not given"}
	}
	return nil
}

// open reports that the leg has a length but no conductor yet.
func (l Leg) open() bool { return l.Length > 0 && l.Conductor.IsZero() }

func (r Run) check(at string, conductors bool, count *int) error {
	if *count += 1 + len(r.Loads); *count > most {
		return &Bad{at, fmt.Sprintf("is too long: a circuit has at most %d runs and loads", most)}
	}
	if err := r.Feed.check(at+"/feed", conductors); err != nil {
		return err
	}
	if err := r.Return.check(at+"/return", conductors); err != nil {
		return err
	}
	for i, l := range r.Loads {
		if err := l.check(at + "/loads/" + strconv.Itoa(i)); err != nil {
			return err
		}
	}
	for i, n := range r.Next {
		if err := n.check(at+"/next/"+strconv.Itoa(i), conductors, count); err != nil {
			return err
		}
	}
	return nil
}

func (r Run) loaded() bool { return len(r.Loads) > 0 || slices.ContainsFunc(r.Next, Run.loaded) }

func (l Load) check(at string) error {
	switch {
	case l.Ohms != 0 && l.Amps != 0:
		return &Bad{at, "has both a resistance and a stated current: a magnet has the one, an actuator the other"}
	case l.Ohms != 0:
		return within(at+"/ohm", l.Ohms, leastMagnet, mostMagnet, "ohm")
	case l.Amps != 0:
		if err := over(at+"/amps", l.Amps, 0, mostAmps, "A"); err != nil {
			return err
		}
		return within(at+"/least_v", l.Least, 0, mostVolts, "V")
	}
	return &Bad{at, "has neither a resistance nor a stated current"}
}

// branch is a run with what it and all beyond it draw from the pair at its near
// end: g V + j for the voltage V there. A tree of resistances and currents can
// always be written so, which is why one pass inwards and one outwards solve it.
type branch struct {
	run      Run
	feed     float64 // ohm
	back     float64 // ohm
	gFar     float64 // at the far end, S
	jFar     float64 // A
	g, j     float64 // at the near end
	branches []branch
}

func (l Leg) ohms(t float64) float64 { return l.Conductor.OhmsPerMetre(t)*l.Length + l.Connections }

func (r Run) reduce(t Temperatures) branch {
	b := branch{run: r, feed: r.Feed.ohms(t.Conductors), back: r.Return.ohms(t.Conductors)}
	for _, l := range r.Loads {
		if l.Ohms > 0 {
			b.gFar += 1 / (l.Ohms * TemperatureFactor(t.Magnets))
		}
		b.jFar += l.Amps
	}
	for _, n := range r.Next {
		next := n.reduce(t)
		b.gFar += next.g
		b.jFar += next.j
		b.branches = append(b.branches, next)
	}
	// I = gFar (V - other - (feed + back) I) + jFar, other being what the
	// currents of other circuits drop in the two conductors.
	d := 1 + b.gFar*(b.feed+b.back)
	b.g = b.gFar / d
	b.j = (b.jFar - b.gFar*b.other()) / d
	return b
}

func (b branch) other() float64 { return b.feed*b.run.Feed.Other + b.back*b.run.Return.Other }

func (c Circuit) temperatures() Temperatures {
	if c.Temperatures != nil {
		return *c.Temperatures
	}
	return Temperatures{reference, reference}
}

// solve works out the figures of a circuit that has been checked, whatever
// voltages result.
func (c Circuit) solve() Solution {
	t := c.temperatures()
	line := c.Line.reduce(t)
	supply := c.Controller
	var feed Leg
	if c.Supply != nil {
		feed = *c.Supply
		supply += feed.ohms(t.Conductors)
	}
	lost := feed.ohms(t.Conductors) * feed.Other
	amps := (line.g*(c.Volts-lost) + line.j) / (1 + line.g*supply)

	s := Solution{Amps: amps, OutputVolts: c.Volts - lost - supply*amps, Digits: 2}
	if c.Supply != nil {
		leg := legResult("supply", "supply", feed, feed.ohms(t.Conductors), amps)
		s.Drop.Supply = leg.Volts
		s.Legs = append(s.Legs, leg)
	}
	s.Drop.Controller = c.Controller * amps
	ends := s.walk(line, t, s.OutputVolts, c.Volts, 0, 0, nil)
	for i, l := range s.Loads {
		if l.Volts < s.Loads[s.Weakest].Volts {
			s.Weakest = i
		}
	}
	s.Drop.Feed, s.Drop.Return = ends[s.Weakest][0], ends[s.Weakest][1]
	s.Drop.Line = s.Drop.Feed + s.Drop.Return
	s.Drop.Total = s.Drop.Supply + s.Drop.Controller + s.Drop.Line
	return s
}

// walk goes outwards from the voltage at the near end of a branch. feed and
// back are the drops up to there; ends collects those of each load.
func (s *Solution) walk(b branch, t Temperatures, volts, source, feed, back float64, ends [][2]float64) [][2]float64 {
	amps := b.g*volts + b.j
	name := b.run.Name
	if name == "" {
		name = "run " + strconv.Itoa(len(s.Legs)+1)
	}
	out := legResult(name, "feed", b.run.Feed, b.feed, amps)
	in := legResult(name, "return", b.run.Return, b.back, amps)
	s.Legs = append(s.Legs, out, in)
	volts = (volts - b.other() - (b.feed+b.back)*b.jFar) / (1 + (b.feed+b.back)*b.gFar)
	feed += out.Volts
	back += in.Volts
	for _, l := range b.run.Loads {
		r := LoadResult{Name: l.Name, Volts: volts, Amps: l.Amps, Power: volts / source, Enough: l.enough(volts)}
		if l.Ohms > 0 {
			r.Amps = volts / (l.Ohms * TemperatureFactor(t.Magnets))
			r.Power *= r.Power
		}
		if r.Name == "" {
			r.Name = "load " + strconv.Itoa(len(s.Loads)+1)
		}
		r.Watts = r.Volts * r.Amps
		s.Loads = append(s.Loads, r)
		ends = append(ends, [2]float64{feed, back})
	}
	for _, n := range b.branches {
		ends = s.walk(n, t, volts, source, feed, back, ends)
	}
	return ends
}

func (l Load) enough(volts float64) Status {
	switch {
	case l.Ohms > 0:
		return NotApplicable
	case l.Least == 0:
		return Unknown
	case exceeds(l.Least, volts):
		return NotMet
	}
	return Met
}

func legResult(run, side string, l Leg, ohms, amps float64) LegResult {
	amps += l.Other
	return LegResult{Run: run, Side: side, Conductor: l.Conductor, Ohms: ohms, Amps: amps, Volts: amps * ohms, Watts: amps * amps * ohms}
}

// every calls f for every run, from the controller outwards.
func (r Run) every(f func(Run)) {
	f(r)
	for _, n := range r.Next {
		n.every(f)
	}
}

func (c Circuit) legs() []Leg {
	var all []Leg
	if c.Supply != nil {
		all = append(all, *c.Supply)
	}
	c.Line.every(func(r Run) { all = append(all, r.Feed, r.Return) })
	return all
}

func (c Circuit) assumes(t Temperatures) (assumes, cautions []string) {
	assumes = []string{
		fmt.Sprintf("Conductors are at %s degC and magnets at %s degC.", show(t.Conductors), show(t.Magnets)),
		"The controller gives its full output, steady; a meter on a pulsed output reads an average.",
	}
	if c.Supply == nil {
		assumes = append(assumes, fmt.Sprintf("%s V stand at the controller's output; what is lost before it is not counted.", show(c.Volts)))
	}
	joints, stated := 0.0, false
	for _, l := range c.legs() {
		joints += l.Connections
	}
	if joints == 0 {
		assumes = append(assumes, "Joints, pins and terminals have no resistance: real ones do, so measure the drop on the finished job.")
	}
	c.Line.every(func(r Run) {
		for _, l := range r.Loads {
			stated = stated || l.Amps > 0
			if l.Least == 0 && l.Amps > 0 {
				cautions = append(cautions, "The least voltage of an actuator is not given, so that what it gets cannot be judged.")
			}
		}
	})
	if stated {
		assumes = append(assumes, "An actuator with a stated current draws it at any voltage; magnet figures do not apply to it.")
	}
	if t.Magnets > reference {
		cautions = append(cautions, "These are currents of hot magnets; size conductors, fuse and breakaway for cold ones, which draw more.")
	}
	slices.Sort(cautions)
	return assumes, slices.Compact(cautions)
}

func (c Circuit) sources() []Source {
	src := []Source{physics, copperTables}
	for _, l := range c.legs() {
		if !l.Conductor.IsZero() && !slices.Contains(src, l.Conductor.family.source()) {
			src = append(src, l.Conductor.family.source())
		}
	}
	return src
}

// Steady is the circuit with every magnet replaced by the current that it would
// draw cold at the full source voltage. It is the customary way to size cable
// and errs on the safe side: real currents, and so the drop, are smaller.
func (c Circuit) Steady() Circuit {
	c.Line = c.Line.steady(c.Volts)
	return c
}

func (r Run) steady(volts float64) Run {
	loads := make([]Load, len(r.Loads))
	for i, l := range r.Loads {
		if l.Ohms > 0 {
			l.Ohms, l.Amps = 0, volts/l.Ohms
		}
		loads[i] = l
	}
	next := make([]Run, len(r.Next))
	for i, n := range r.Next {
		next[i] = n.steady(volts)
	}
	r.Loads, r.Next = loads, next
	return r
}

// Range is a circuit at its two ends: cold magnets draw the most current, which
// conductors and protection must carry; with conductors and magnets hot, the
// magnets get the least.
type Range struct {
	Cold Solution `json:"cold"`
	Hot  Solution `json:"hot"`
}

// Between solves a circuit with everything at 20 degC and with the conductors
// and magnets at the hot temperatures given.
func Between(c Circuit, hot Temperatures) (Range, error) {
	c.Temperatures = nil
	cold, err := Solve(c)
	if err != nil {
		return Range{}, err
	}
	c.Temperatures = &hot
	h, err := Solve(c)
	if err != nil {
		return Range{}, err
	}
	return Range{cold, h}, nil
}

// CircuitCurrent is the total current in A of n magnets of r ohm each at v volts
// across each: the most that n magnets draw if r is the lowest published cold
// resistance.
func CircuitCurrent(n int, r, v float64) float64 { return float64(n) * v / r }

// SteadyDrop is the drop in V of a fixed current over feed and return of one
// way length m, which have the resistances given in ohm/m.
func SteadyDrop(amps, length, feed, back float64) float64 { return amps * length * (feed + back) }

// LineResistance is the most resistance in ohm of feed and return together with
// which a current in A still leaves volts of a source.
func LineResistance(source, volts, amps float64) float64 { return (source - volts) / amps }

// MinArea is the least copper in mm2 for a current over length m one way, feed
// and return alike, to drop no more than drop V at t degC.
func MinArea(amps, length, drop, t float64) float64 {
	return resistivity * TemperatureFactor(t) * 2 * length * amps / drop
}

// MaxLength is the longest one-way length in m over which a conductor, feed and
// return alike, drops no more than drop V.
func MaxLength(c Conductor, amps, drop, t float64) float64 {
	return drop / (2 * c.OhmsPerMetre(t) * amps)
}

// Magnet is a kind of brake magnet with the published cold resistance of one.
type Magnet struct {
	Brake   string  `json:"brake"`
	Low     float64 `json:"low_ohm"`
	High    float64 `json:"high_ohm"`
	Typical float64 `json:"typical_a"` // working current for energy, A each
	Most    float64 `json:"most_a"`    // current for sizing, A each at 13 V
	Source  Source  `json:"source"`
}

// Magnets are the kinds whose figures are published, for 12 V. Currents follow
// from the resistances: 3 A is what a magnet takes at 9 to 10.5 V.
var Magnets = []Magnet{
	{"7 in", 3.8, 4.0, 3.0, 3.4, serviceTable},
	{"10 in", 3.2, 3.5, 3.0, 4.1, serviceTable},
	{"12 in", 3.2, 3.5, 3.0, 4.1, serviceTable},
}

// MagnetOf finds the magnet of a brake by its drum size in inches, such as
// "10 in".
func MagnetOf(brake string) (Magnet, error) {
	i := slices.IndexFunc(Magnets, func(m Magnet) bool { return m.Brake == brake })
	if i < 0 {
		return Magnet{}, &Bad{"brake", strconv.Quote(brake) + " has no published magnet figures; known are 7 in, 10 in and 12 in: give the resistance instead"}
	}
	return Magnets[i], nil
}

// Overvoltage is how magnets rated for one voltage fare at another.
type Overvoltage struct {
	CurrentRatio float64 `json:"current_ratio"`
	PowerRatio   float64 `json:"power_ratio"`
	Allowed      bool    `json:"allowed"`
	Says         string  `json:"says"`
	Source       Source  `json:"source"`
}

// OnVoltage judges magnets of a rated voltage on a system of another, both
// nominal. Only like on like is allowed.
func OnVoltage(rated, system float64) (Overvoltage, error) {
	if err := over("rated", rated, 0, mostVolts, "V"); err != nil {
		return Overvoltage{}, err
	}
	if err := over("system", system, 0, mostVolts, "V"); err != nil {
		return Overvoltage{}, err
	}
	x := system / rated
	o := Overvoltage{CurrentRatio: x, PowerRatio: x * x, Allowed: math.Abs(x-1) < noise, Source: physics}
	switch {
	case o.Allowed:
		o.Says = "Magnets and system have the same nominal voltage."
	case x > 1:
		o.Says = fmt.Sprintf("The magnets would draw %s times their current and make %s times their heat: fit magnets for %s V or a converter rated for the whole bank. Never tap a pair of batteries in the middle.",
			figure(x, 3), figure(x*x, 3), show(system))
	default:
		o.Says = fmt.Sprintf("The magnets would get %s of their power, too little to brake: fit magnets for %s V.", figure(x*x, 3), show(system))
	}
	return o, nil
}
