package fitting

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules"
)

// Weights of the comparison. A misfit is counted in tolerances, squared and
// capped, so that one reading that is quite wrong cannot outvote all others.
const (
	mostMisfit   = 16.0
	silent       = 0.5                // a reading of which the fault says nothing
	contradicted = 4.0                // a reading that is right although the fault would have it wrong
	freeFigure   = 0.2                // a fault whose size is fitted explains more easily
	alikeWithin  = 0.5                // faults closer than this cannot be told apart
	mostFaults   = 8                  // listed at once
	golden       = 0.6180339887498949 // (sqrt(5)-1)/2
	tripFactor   = 1.35               // of its rating, at which protection opens before long; common practice
	lampEarth    = 7.0                // A of four 21 W lamps at 12 V, 1.75 A each (UN R37 ratings, from memory)
)

// guess is what a fault would have a meter show.
type guess struct {
	value float64
	kind  guessKind
}

type guessKind uint8

const (
	says  guessKind = iota + 1 // the value
	fails                      // out of its range, nobody knows how far
	may                        // possibly out of its range
)

// guesses are by the id of the expectation; an id left out is one of which the
// fault says nothing.
type guesses map[string]guess

func (g guesses) say(id string, v float64) { g[id] = guess{v, says} }

func (g guesses) mark(kind guessKind, ids ...string) {
	for _, id := range ids {
		if _, there := g[id]; there {
			g[id] = guess{kind: kind}
		}
	}
}

func (g guesses) forget(ids ...string) {
	for _, id := range ids {
		delete(g, id)
	}
}

// diagnosis compares candidate faults with readings.
type diagnosis struct {
	p        *Plan
	expected map[string]Expectation
	order    []string
	status   map[string]rules.Status
	got      map[string]float64
	failed   []string
	supply   float64
	ohms     float64 // of one magnet, the middle of its band
	sound    guesses // what a sound job shows
	flowing  float64 // current of a sound job
}

func newDiagnosis(p *Plan, expected []Expectation, proofs []Proof, got map[string]reading, supply float64) *diagnosis {
	x := &diagnosis{p: p, expected: map[string]Expectation{}, status: map[string]rules.Status{}, got: map[string]float64{}, supply: supply, sound: guesses{}}
	for i, e := range expected {
		pr := proofs[i]
		r, read := got[e.ID]
		road := strings.HasPrefix(e.ID, "road/") && pr.Status != rules.Unknown
		if road { // seen or not seen
			e.Low, e.High, e.Nominal, e.Unit = ptr(1.0), ptr(1.0), ptr(1.0), ""
			r, read = reading{value: 0}, true
			if pr.Status == rules.Met {
				r.value = 1
			}
		}
		x.expected[e.ID], x.status[e.ID] = e, pr.Status
		x.order = append(x.order, e.ID)
		if e.Nominal != nil {
			x.sound.say(e.ID, *e.Nominal)
		}
		if !read || e.Nominal == nil {
			continue
		}
		x.got[e.ID] = r.value
		if pr.Status == rules.NotMet {
			x.failed = append(x.failed, e.ID)
		}
	}
	if n := p.Proof.Network; n != nil {
		x.ohms = (n.MagnetLow + n.MagnetHigh) / 2
		r := n.healthy(supply, x.ohms).solve()
		x.flowing = r.total(n)
		for id, v := range r {
			if _, there := x.sound[id]; there && id != "supply_rest" {
				x.sound.say(id, v)
			}
		}
	}
	return x
}

// fault is one candidate.
type fault struct {
	id, title, look, hazard string
	// sizes are the figures to be tried; between neighbours the best is sought
	// unless they are separate cases. Nil for a fault that has no size.
	sizes    []float64
	separate bool
	figure   func(float64) string
	predict  func(float64) guesses
}

// fromCircuit makes guesses of a circuit with something wrong.
func (x *diagnosis) fromCircuit(change func(*state)) guesses {
	g := maps.Clone(x.sound)
	n := x.p.Proof.Network
	s := n.healthy(x.supply, x.ohms)
	change(&s)
	r := s.solve()
	drawn := r.total(n)
	if s.leak > 0 {
		drawn += r["output/100"] / s.leak
	}
	if n.Rating > 0 && drawn > tripFactor*n.Rating {
		r = x.tripped(r)
	}
	for id, v := range r {
		if _, there := g[id]; there && id != "supply_rest" {
			g.say(id, v)
		}
	}
	for id := range g {
		if rest, step := strings.CutPrefix(id, "output/"); step {
			if d, err := strconv.ParseFloat(rest, 64); err == nil {
				g.say(id, d/100*r["output/100"])
			}
		}
	}
	x.weaker(g, r.total(n))
	return g
}

// tripped is what a meter shows once the protection has opened.
func (x *diagnosis) tripped(r readings) readings {
	for id := range r {
		if id != "bank_resistance" && id != "supply_rest" && id != "battery_loaded" {
			r[id] = 0
		}
	}
	r["battery_loaded"] = x.supply
	return r
}

// weaker marks what brakes with less current show on the road.
func (x *diagnosis) weaker(g guesses, current float64) {
	if x.flowing == 0 {
		return
	}
	kind := guessKind(0)
	switch f := current / x.flowing; {
	case f < 0.5:
		kind = fails
	case f < 0.9:
		kind = may
	default:
		return
	}
	g.mark(kind, "override_works", "mechanical/wheels_braked")
	for id := range g {
		if strings.HasPrefix(id, "road/braking_performance") {
			g[id] = guess{kind: kind}
		}
	}
}

// span is figures from lo to hi, each a fixed factor above the one before.
func span(lo, hi float64) []float64 {
	const n = 24
	out := make([]float64, n)
	for i := range out {
		out[i] = lo * math.Pow(hi/lo, float64(i)/(n-1))
	}
	return out
}

// missed is how far a guess lies from a reading, squared, in tolerances.
func (x *diagnosis) missed(id string, g guesses) float64 {
	e, m := x.expected[id], x.got[id]
	v, there := g[id]
	good := inside(e, m)
	switch {
	case !there:
		return silent
	case v.kind == fails && good:
		return contradicted
	case v.kind == may && good:
		return silent / 2
	case v.kind != says:
		return 0
	case good && inside(e, v.value):
		return 0
	}
	d := (m - v.value) / tolerance(e, m, v.value)
	if id == "insulation" { // spans many powers of ten
		d = math.Log10(math.Max(m, 1e-3)/math.Max(v.value, 1e-3)) / 0.3
	}
	if e.Unit == "ohm" && m > 1e3 && v.value > 1e3 {
		d = 0
	}
	return math.Min(d*d, mostMisfit)
}

// tolerance of a comparison, by the unit.
func tolerance(e Expectation, a, b float64) float64 {
	big := math.Max(math.Abs(a), math.Abs(b))
	switch e.Unit {
	case "V":
		return voltTolerance(big)
	case "A":
		return math.Max(ampsLeast, ampsShare*big)
	case "ohm":
		return math.Max(bankLeast, bankShare*big)
	case "min":
		return math.Max(1, 0.1*big)
	}
	return 0.25
}

func (x *diagnosis) misfit(g guesses) float64 {
	sum := 0.0
	for _, id := range x.order {
		if _, read := x.got[id]; read {
			sum += x.missed(id, g)
		}
	}
	return sum
}

// fit finds the size of a fault that explains the readings best.
func (x *diagnosis) fit(f fault) (g guesses, size, misfit float64) {
	if f.sizes == nil {
		g = f.predict(0)
		return g, 0, x.misfit(g)
	}
	best := 0
	misfit = math.Inf(1)
	for i, s := range f.sizes {
		if m := x.misfit(f.predict(s)); m < misfit {
			best, misfit = i, m
		}
	}
	size = f.sizes[best]
	if f.separate {
		g = f.predict(size)
		return g, size, misfit
	}
	// The best lies between its neighbours: close in by the golden section.
	lo, hi := f.sizes[max(best-1, 0)], f.sizes[min(best+1, len(f.sizes)-1)]
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	fa, fb := x.misfit(f.predict(a)), x.misfit(f.predict(b))
	for range 14 {
		if fa <= fb {
			hi, b, fb = b, a, fa
			a = hi - golden*(hi-lo)
			fa = x.misfit(f.predict(a))
		} else {
			lo, a, fa = a, b, fb
			b = lo + golden*(hi-lo)
			fb = x.misfit(f.predict(b))
		}
	}
	if m := min(fa, fb); m <= misfit {
		size, misfit = a, m
		if fb < fa {
			size = b
		}
	}
	g = f.predict(size)
	return g, size, misfit + freeFigure
}

// explains reports that a failed proof would fail so with the fault.
func (x *diagnosis) explains(id string, g guesses) bool {
	v, there := g[id]
	if !there {
		return false
	}
	if v.kind != says {
		return true
	}
	return !inside(x.expected[id], v.value) && x.missed(id, g) <= 1.5*1.5
}

// rank lists the candidates that explain anything, best first, and what to read
// next to tell the best two apart.
func (x *diagnosis) rank() ([]Fault, []string) {
	type candidate struct {
		Fault
		g guesses
	}
	var all []candidate
	for _, f := range x.candidates() {
		g, size, misfit := x.fit(f)
		c := candidate{g: g, Fault: Fault{
			ID: f.id, Title: f.title, Look: f.look, Hazard: f.hazard, Misfit: math.Round(100*misfit) / 100,
			Explains: []string{}, Leaves: []string{}, Against: []string{}, Predicts: []Prediction{},
		}}
		if f.figure != nil {
			c.Figure = f.figure(size)
		}
		x.account(&c.Fault, g)
		if len(c.Explains) > 0 {
			all = append(all, c)
		}
	}
	slices.SortStableFunc(all, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(a.Misfit, b.Misfit), cmp.Compare(a.ID, b.ID))
	})
	all = all[:min(len(all), mostFaults)]
	out := []Fault{}
	rank, from := 0, math.Inf(-1)
	for i := range all {
		if all[i].Misfit-from > alikeWithin {
			rank, from = i+1, all[i].Misfit
		}
		all[i].Rank = rank
		out = append(out, all[i].Fault)
	}
	next := []string{}
	if len(all) > 1 {
		next = x.apart(all[0].g, all[1].g)
	}
	return out, next
}

// account sets down what a fault explains, leaves and speaks against.
func (x *diagnosis) account(f *Fault, g guesses) {
	for _, id := range x.order {
		m, read := x.got[id]
		if !read {
			continue
		}
		v, there := g[id]
		if there && v.kind == says {
			f.Predicts = append(f.Predicts, Prediction{Proof: id, Predicted: math.Round(1e4*v.value) / 1e4, Measured: m, Unit: x.expected[id].Unit})
		}
		switch {
		case slices.Contains(x.failed, id) && x.explains(id, g):
			f.Explains = append(f.Explains, id)
		case slices.Contains(x.failed, id):
			f.Leaves = append(f.Leaves, id)
		case there && (v.kind == fails || v.kind == says && x.missed(id, g) > 1.5*1.5):
			f.Against = append(f.Against, id)
		}
	}
}

// apart lists readings not taken yet of which two faults expect different things.
func (x *diagnosis) apart(a, b guesses) []string {
	out := []string{}
	for _, id := range x.order {
		if _, read := x.got[id]; read || len(out) == 3 {
			continue
		}
		va, okA := a[id]
		vb, okB := b[id]
		if !okA || !okB {
			continue
		}
		differ := va.kind == fails && vb.kind == says && inside(x.expected[id], vb.value) ||
			vb.kind == fails && va.kind == says && inside(x.expected[id], va.value)
		if va.kind == says && vb.kind == says {
			differ = math.Abs(va.value-vb.value) > 2*tolerance(x.expected[id], va.value, vb.value)
		}
		if differ {
			out = append(out, id)
		}
	}
	return out
}

func inOhms(r float64) string { return "about " + ohms(r) }

func times(f float64) string { return "about " + figure(f) + " times the resistance" }

// candidates are the faults that are tried.
func (x *diagnosis) candidates() []fault {
	var all []fault
	if x.p.Proof.Network != nil {
		all = append(all, x.lineFaults()...)
		all = append(all, x.magnetFaults()...)
		all = append(all, x.sourceFaults()...)
	}
	return append(append(all, x.signalFaults()...), x.otherFaults()...)
}

// lineFaults: breaks and poor joints between controller and magnets.
func (x *diagnosis) lineFaults() []fault {
	at := func(change func(*state, float64)) func(float64) guesses {
		return func(r float64) guesses { return x.fromCircuit(func(s *state) { change(s, r) }) }
	}
	broken := func(change func(*state, float64)) func(float64) guesses {
		return func(float64) guesses { return x.fromCircuit(func(s *state) { change(s, openOhms) }) }
	}
	output := func(s *state, r float64) { s.output += r }
	trunk := func(s *state, r float64) { s.trunk += r }
	back := func(s *state, r float64) { s.back += r }
	trunkBack := func(s *state, r float64) { s.trunkBack += r }
	poor := span(0.02, 20)
	return []fault{
		{id: "open_feed_vehicle", title: "Brake output broken in the vehicle", look: "Voltage along the output from controller to socket: it is there before the break and gone behind it.", predict: broken(output)},
		{id: "open_feed_trailer", title: "Brake line broken on the trailer", look: "The brake contact of the plug and the first joint behind it.", predict: broken(trunk)},
		{id: "open_return_vehicle", title: "Return broken in the vehicle", look: "From the earth contact of the socket to battery negative: the whole supply stands across the break.", predict: broken(back)},
		{id: "open_return_trailer", title: "Return broken on the trailer", look: "From the earth contact of the plug to the magnets' return: the whole supply stands across the break.", predict: broken(trunkBack)},
		{id: "poor_feed_vehicle", title: "Poor joint in the brake output of the vehicle", look: "Drop over each joint of the output, at full output.", hazard: hazardHot, sizes: poor, figure: inOhms, predict: at(output)},
		{id: "poor_feed_trailer", title: "Poor joint in the brake line of the trailer", look: "Drop over plug contact and joints of the trailer's line, at full output.", hazard: hazardHot, sizes: poor, figure: inOhms, predict: at(trunk)},
		{id: "poor_return_vehicle", title: "Poor joint in the return of the vehicle", look: "Drop from the earth contact of the socket to battery negative, at full output.", hazard: hazardHot, sizes: poor, figure: inOhms, predict: func(r float64) guesses {
			g := x.fromCircuit(func(s *state) { back(s, r) })
			g.mark(may, "radio_noise")
			return g
		}},
		{id: "poor_return_trailer", title: "Poor joint in the return of the trailer", look: "Drop from the magnets' return to the earth contact of the plug, at full output.", hazard: hazardHot, sizes: poor, figure: inOhms, predict: func(r float64) guesses {
			g := x.fromCircuit(func(s *state) { trunkBack(s, r) })
			g.mark(may, "radio_noise")
			return g
		}},
		{id: "shared_earth", title: "Earth that lamps share, with a poor joint", look: "Separate the controller's earth and the trailer's return from lamp earths; then measure again with hazards on.", sizes: span(0.08, 10), figure: inOhms, predict: func(r float64) guesses {
			g := x.fromCircuit(func(s *state) { back(s, r) })
			// The lamps' current lifts the shared point by this much.
			if _, there := g["output_flashing"]; there {
				g.say("output_flashing", math.Min(lampEarth*r, x.supply))
			}
			g.mark(may, "output_lamps", "stop_flashing")
			g.mark(fails, "radio_noise")
			return g
		}},
		{id: "undersized", title: "Conductors too thin", look: "Read the size off the cable, or measure a known length: auto cable of 6 mm has about 4.6 mm2, and copper-clad aluminium half as much again in resistance.", hazard: "A conductor that is too thin for its protection can burn.", sizes: span(1.15, 15), figure: times, predict: at(func(s *state, f float64) {
			s.output, s.back, s.trunk, s.trunkBack = f*s.output, f*s.back, f*s.trunk, f*s.trunkBack
			for i := range s.axles {
				a := &s.axles[i]
				a.jumper, a.jumperBack, a.lead, a.leadBack = f*a.jumper, f*a.jumperBack, f*a.lead, f*a.leadBack
			}
		})},
		{id: "line_short", title: "Brake line of the trailer touches the frame", look: "Unplug the magnets and part the line in halves until the contact is found.", hazard: hazardFire, sizes: span(shortOhms, 200), figure: inOhms, predict: func(r float64) guesses {
			g := x.fromCircuit(func(s *state) { s.leak = r })
			if _, there := g["insulation"]; there {
				g.say("insulation", r)
			}
			return g
		}},
	}
}

// magnetFaults: one magnet, or one axle.
func (x *diagnosis) magnetFaults() []fault {
	var all []fault
	n := x.p.Proof.Network
	for i, a := range n.Axles {
		id, name := strconv.Itoa(a.Axle), "axle "+strconv.Itoa(a.Axle)
		near, far := split(a.Magnets)
		// size 0 is a magnet at the end of the lead, 1 one where it begins.
		var sizes []float64
		if far > 0 {
			sizes = append(sizes, 0)
		}
		if near > 0 {
			sizes = append(sizes, 1)
		}
		uneven := func(g guesses) guesses {
			g.mark(may, "road/straight", "mechanical/wheels_braked")
			return g
		}
		all = append(all, fault{
			id: "magnet_open/" + id, title: "One magnet of " + name + " open", look: "Resistance of each magnet of " + name + " by itself, unplugged; then its lead where it enters the backing plate.",
			sizes: sizes, separate: true, predict: func(which float64) guesses {
				g := x.fromCircuit(func(s *state) { pick(&s.axles[i], which, func(rs []float64) []float64 { return rs[1:] }) })
				if v, there := g["breakaway/current"]; there && v.kind == says {
					count := 0
					for _, y := range n.Axles {
						count += y.Magnets
					}
					g.say("breakaway/current", v.value*float64(count-1)/float64(count))
				}
				return uneven(g)
			},
		}, fault{
			id: "magnet_short/" + id, title: "One magnet of " + name + " shorted", look: "Resistance of each magnet of " + name + " by itself, unplugged and cold; one that is low has shorted turns, or its lead touches the backing plate.",
			hazard: hazardFire, sizes: span(shortOhms, 0.7*x.ohms), figure: func(r float64) string { return "a magnet of " + inOhms(r) },
			predict: func(r float64) guesses {
				g := x.fromCircuit(func(s *state) {
					which := 0.0
					if far == 0 {
						which = 1
					}
					pick(&s.axles[i], which, func(rs []float64) []float64 { return append([]float64{r}, rs[1:]...) })
				})
				g.forget("breakaway/current")
				return uneven(g)
			},
		})
		if len(n.Axles) > 1 {
			all = append(all, fault{
				id: "axle_dead/" + id, title: "Nothing reaches " + name, look: "The joint where the line branches to " + name + ", feed and return.",
				predict: func(float64) guesses {
					g := x.fromCircuit(func(s *state) { s.axles[i].near, s.axles[i].far = nil, nil })
					g.forget("breakaway/current")
					return g
				},
			})
		}
	}
	return all
}

// pick changes the magnets at the end of the lead (0) or where it begins (1).
func pick(a *axleState, which float64, change func([]float64) []float64) {
	side := &a.far
	if which == 1 {
		side = &a.near
	}
	*side = change(slices.Clone(*side))
}

// sourceFaults: battery, feed and controller.
func (x *diagnosis) sourceFaults() []fault {
	lamps := func(g guesses) guesses {
		g.mark(may, "supply_rest")
		return g
	}
	return []fault{
		{id: "weak_vehicle_battery", title: "Vehicle battery or charging weak", look: "Voltage at the posts with the engine running and the headlamps on; test battery and alternator.", hazard: hazardFire, sizes: span(0.02, 5), figure: func(r float64) string { return inOhms(r) + " within" }, predict: func(r float64) guesses {
			return lamps(x.fromCircuit(func(s *state) { s.source = r }))
		}},
		{id: "poor_supply", title: "Poor joint or thin conductor between battery and controller", look: "Drop from battery positive to the controller, at full output: terminal, protection, each joint.", hazard: hazardHot, sizes: span(0.02, 20), figure: inOhms, predict: func(r float64) guesses {
			return x.fromCircuit(func(s *state) { s.feed += r })
		}},
		{id: "controller_low", title: "Controller gives less than full output", look: "Gain, setting and angle of the controller; then its output against its supply at its own terminals.", sizes: span(0.05, 0.95), figure: func(f float64) string { return "about " + figure(100*f) + " % of full output" }, predict: func(f float64) guesses {
			return x.fromCircuit(func(s *state) { s.drive = f })
		}},
		{id: "controller_dead", title: "Controller gives nothing", look: "Supply and earth at its own terminals first; then whether it knows that a trailer is there.", predict: func(float64) guesses {
			return x.fromCircuit(func(s *state) { s.drive = 0 })
		}},
	}
}

// signalFaults: polarity, the pick-up, and what else works the output.
func (x *diagnosis) signalFaults() []fault {
	with := func(change func(guesses)) func(float64) guesses {
		return func(float64) guesses {
			g := maps.Clone(x.sound)
			change(g)
			return g
		}
	}
	// driven is what the socket shows while the controller believes that the
	// driver brakes: full output if it works by time or at once, and something
	// that only road or pedal decide otherwise.
	driven := func(g guesses, ids ...string) {
		for _, id := range ids {
			if _, there := g[id]; !there {
				continue
			}
			full, known := x.sound["output/100"]
			switch p := x.p.Proof.Principle; {
			case (p == Timed || p == OnOff) && known:
				g.say(id, full.value)
			default:
				g.mark(may, id)
			}
		}
	}
	return []fault{
		{id: "crossed_polarity", title: "Feed and earth of the controller crossed", look: "The two ends meant for the controller; do not connect it before they are right.", hazard: "A crossed feed destroys most controllers at once.", predict: with(func(g guesses) {
			for id := range g {
				if strings.HasPrefix(id, "output") || strings.HasPrefix(id, "axle_current") || strings.HasPrefix(id, "supply") || id == "magnet_voltage" || id == "feed_drop" || id == "return_drop" || id == "override_works" {
					g.forget(id)
				}
			}
			g.mark(fails, "polarity")
		})},
		{id: "pickup_live_side", title: "Stop signal taken from the live side of the switch", look: "Move the pick-up to the side that is dead with the pedal up.", predict: with(func(g guesses) {
			g.say("stop_released", x.supply)
			g.say("stop_flashing", x.supply)
			g.say("stop_pressed", x.supply)
			driven(g, "output_idle", "output_lamps", "output_flashing")
			g.mark(may, "mechanical/wheels_free")
		})},
		{id: "pickup_behind_turn_switch", title: "Stop signal taken behind the turn-signal switch", look: "Move the pick-up ahead of any switch that combines stop and turn.", predict: with(func(g guesses) {
			g.say("stop_flashing", x.supply)
			driven(g, "output_flashing")
		})},
		{id: "pickup_dead", title: "Stop signal does not arrive", look: "Fuse, switch and the wire of the pick-up; stop lamps first.", predict: with(func(g guesses) { g.say("stop_pressed", 0) })},
		{id: "pickup_logic", title: "Stop signal taken from a logic or pulsed wire", look: "Take it where the module puts out steady full voltage; an oscilloscope shows what the wire carries.", sizes: span(0.05, 0.85), figure: func(f float64) string { return "about " + figure(100*f) + " % of the supply" }, predict: func(f float64) guesses {
			g := maps.Clone(x.sound)
			g.say("stop_pressed", f*x.supply)
			return g
		}},
		{id: "lamp_on_brake_contact", title: "A lamp circuit stands on the brake contact", look: "The socket, contact by contact: the same body may be wired to another standard.", predict: with(func(g guesses) {
			g.say("output_lamps", x.supply)
		})},
		{id: "controller_earth_poor", title: "Poor earth of the controller", look: "The controller's own earth: clean ring, straight to battery negative or the chassis point.", predict: with(func(g guesses) {
			g.mark(fails, "radio_noise")
		})},
		{id: "cable_beside_others", title: "Brake or signal cable beside aerial leads or other loads", look: "Lay the cable apart from aerial leads, injectors and fans, crossing them at a right angle.", predict: with(func(g guesses) {
			g.mark(fails, "radio_noise")
		})},
	}
}

// otherFaults: the breakaway set and the wheels.
func (x *diagnosis) otherFaults() []fault {
	with := func(change func(guesses)) func(float64) guesses {
		return func(float64) guesses {
			g := maps.Clone(x.sound)
			change(g)
			return g
		}
	}
	away := func(r, bank float64) float64 { return x.p.Proof.Nominal / (bank + r) }
	all := []fault{
		{id: "weak_breakaway_battery", title: "Breakaway battery weak or too small", look: "Charge it fully, measure at rest, repeat the hold; then replace it. Compare its size with the plan.", hazard: hazardFire, predict: with(func(g guesses) {
			g.mark(fails, "breakaway/hold", "breakaway/end_voltage")
			g.mark(may, "breakaway/start_voltage")
		})},
		{id: "breakaway_open", title: "Breakaway switch, fuse or lead open", look: "Voltage on both sides of the switch with the pin out; the fuse at the battery.", predict: with(func(g guesses) {
			g.mark(fails, "breakaway/applies", "breakaway/hold")
			g.forget("breakaway/end_voltage")
			if _, there := g["breakaway/current"]; there {
				g.say("breakaway/current", 0)
			}
		})},
		{id: "breakaway_stuck", title: "Breakaway does not let go", look: "The switch with the pin in; the cable and lever of a mechanical one.", predict: with(func(g guesses) {
			g.mark(fails, "breakaway/releases")
			g.mark(may, "mechanical/wheels_free")
		})},
		{id: "brakes_weak", title: "Brakes out of adjustment, worn or not bedded in", look: "Clearance, linings, drums and magnets' wear faces of each wheel.", hazard: hazardJack, predict: with(func(g guesses) {
			g.mark(may, "override_works", "mechanical/wheels_braked", "breakaway/applies", "mechanical/parking_holds")
			for id := range g {
				if strings.HasPrefix(id, "road/braking_performance") {
					g[id] = guess{kind: may}
				}
			}
		})},
		{id: "brakes_drag", title: "A brake set too close or a cable too tight", look: "Clearance of the wheel that drags; parking brake cable.", hazard: hazardHot, predict: with(func(g guesses) {
			g.mark(fails, "mechanical/wheels_free")
			g.mark(may, "mechanical/reverses", "road/straight")
		})},
		{id: "gain_high", title: "Gain too high for load or surface", look: "Take the gain back to its lowest and set it anew, from low upwards, with this load.", hazard: hazardRunaway, predict: with(func(g guesses) {
			g.mark(fails, "road/no_lock")
			g.mark(may, "road/straight")
		})},
		{id: "brakes_uneven", title: "One side brakes more than the other", look: "Linings, drums and clearance of both sides of each axle; oil or grease on one.", hazard: hazardJack, predict: with(func(g guesses) {
			g.mark(fails, "road/straight")
			g.mark(may, "road/no_lock", "mechanical/wheels_braked")
		})},
		{id: "override_lamps_open", title: "Override does not light the stop lamps", look: "The controller's lamp output and a relay where a diode blocks the way back.", predict: with(func(g guesses) {
			g.mark(fails, "override_lamps")
		})},
		{id: "display_open", title: "Battery display or charge line out of order", look: "Its fuse, diode or relay, and the contact of the connector.", predict: with(func(g guesses) {
			g.mark(may, "breakaway/indicator", "breakaway/charges")
		})},
	}
	if x.p.Proof.Overrun {
		all = append(all, fault{id: "overrun_sticks", title: "Overrun device sticks or its reversing release does not work", look: "Shaft, bearings, damper and grease of the device; the reversing cams of the wheel brakes.", predict: with(func(g guesses) {
			g.mark(may, "mechanical/coupling_moves", "mechanical/reverses", "mechanical/wheels_free")
		})})
	}
	if x.p.Proof.Parking {
		all = append(all, fault{id: "parking_cable", title: "Parking brake out of adjustment", look: "Lever travel, cable and equaliser, after the wheel brakes themselves.", predict: with(func(g guesses) {
			g.mark(fails, "mechanical/parking_holds")
		})})
	}
	if n := x.p.Proof.Network; n != nil && x.p.Proof.Nominal > 0 {
		count := 0
		for _, a := range n.Axles {
			count += a.Magnets
		}
		bank := x.ohms / float64(count)
		all = append(all, fault{
			id: "breakaway_lead_thin", title: "Breakaway lead too thin, or a poor joint in it", look: "Size of the lead and drop along it with the pin out: it is to be as heavy as the brake line.", hazard: hazardHot,
			sizes: span(0.05, 20), figure: inOhms, predict: func(r float64) guesses {
				g := maps.Clone(x.sound)
				if _, there := g["breakaway/current"]; there {
					g.say("breakaway/current", away(r, bank))
				}
				g.mark(may, "breakaway/applies")
				return g
			},
		})
	}
	return all
}
