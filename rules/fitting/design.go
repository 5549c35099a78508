package fitting

import (
	"fmt"
	"math"
	"strconv"

	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/quantity"
)

// Figures of the design that are choices of ours or of the trade.
const (
	room = 20 // degC at which tables hold and at which a job is measured
	// hotLine is the conductor temperature taken where no ambient is told: that
	// of a line beside an exhaust, which errs towards the larger conductor.
	hotLine = 60 // degC
	// hotWinding is the hottest a magnet is taken to have been when its figures
	// were read hot; the cold resistance then comes out low, which is safe.
	hotWinding = 100 // degC
	// dropShare is the limit where none is told: 10 % of the nominal voltage,
	// beyond which practice calls a line too thin. Common practice.
	dropShare = 0.10
	// feedShare is the limit for the feed from the battery, 3 % of the nominal
	// voltage. Common practice, usual for charge lines.
	feedShare = 0.03
)

// inputs are the figures that the circuit is made of.
type inputs struct {
	supply          float64
	low, high       float64 // of one magnet, cold
	pump, pumpLeast float64 // A and V of an electric-hydraulic actuator
	feed, output    line
	trunk           line
	axles           []tap
	allowed         float64
	basis           string
	ambient         *float64
}

// line is a run of the request in figures.
type line struct {
	length, joints float64
	conductor      circuit.Conductor // zero if it is to be chosen
}

type tap struct {
	jumper, lead float64
	magnets      int
}

// design works out the circuit.
func (b *builder) design() {
	c := &b.p.Circuit
	*c = Design{
		State: Open, WaitsFor: []Pointer{}, Actuator: b.kind, Nominal: b.nominal,
		Sections: []Section{}, Axles: []AxleLoad{}, Changes: []string{}, Notes: []string{}, Sources: []circuit.Source{},
	}
	switch {
	case b.p.Electrical.Needed == rules.No:
		c.State, c.Says = NotNeeded, b.p.Electrical.Reason
		return
	case b.kind == "" || b.kind == NoActuator:
		c.Says = "What works the brakes is not settled."
		if b.p.Electrical.Needed == rules.Yes && b.kind == "" {
			c.WaitsFor = append(c.WaitsFor, b.miss("circuit", inRequest("/actuator/kind"), "what works the brakes: magnets or electric_hydraulic"))
		}
		return
	}
	in, waits := b.inputs()
	c.WaitsFor = append(c.WaitsFor, waits...)
	if len(waits) > 0 {
		c.Says = fmt.Sprintf("The circuit waits for %d inputs.", len(waits))
		return
	}
	b.lay(in)
}

// inputs gathers what the circuit is made of, and what is missing of it.
func (b *builder) inputs() (in inputs, waits []Pointer) {
	want := func(ptr, meaning string) {
		waits = append(waits, b.miss("circuit", inRequest(ptr), meaning))
	}
	read := func(ptr string, q quantity.Quantity, as func(string, quantity.Quantity) (float64, error), meaning string) float64 {
		if q.IsZero() {
			want(ptr, meaning)
			return 0
		}
		x, err := as(ptr, q)
		if err != nil { // the decoder saw to the dimension
			want(ptr, meaning)
		}
		return x
	}
	q := b.q
	if b.nominal == 0 {
		waits = append(waits, b.missRig("circuit", factVolts))
	}
	in.supply = read("/wiring/supply", q.Wiring.Supply, circuit.Volts, "voltage at the vehicle battery, engine running")
	in.feed.length = read("/wiring/feed/length", q.Wiring.Feed.Length, circuit.Metres, "length of the run from battery to controller, one way")
	in.trunk.length = read("/wiring/trunk/length", q.Wiring.Trunk.Length, circuit.Metres, "length of the run from plug to the first braked axle, one way")
	in.feed.conductor, in.trunk.conductor = conductor(q.Wiring.Feed), conductor(q.Wiring.Trunk)
	in.feed.joints, in.trunk.joints = joints(q.Wiring.Feed), joints(q.Wiring.Trunk)
	if b.kind == ElectricHydraulic {
		in.pump = read("/actuator/current", q.Actuator.Current, circuit.Amps, "current of the pump at full pressure, as its maker states it")
		if !q.Actuator.LeastVoltage.IsZero() {
			in.pumpLeast = read("/actuator/least_voltage", q.Actuator.LeastVoltage, circuit.Volts, "")
		}
	} else {
		in.output.length = read("/wiring/output/length", q.Wiring.Output.Length, circuit.Metres, "length of the run from controller to socket, one way")
		in.output.conductor, in.output.joints = conductor(q.Wiring.Output), joints(q.Wiring.Output)
		b.magnets(&in, &waits, want)
		b.taps(&in, &waits, want)
	}
	if q.Wiring.Return == ReturnChassis && q.Wiring.ChassisReturn.IsZero() {
		want("/wiring/chassis_return", "measured resistance of the frame path from the trailer's axles to battery negative")
	}
	if !q.Wiring.Ambient.IsZero() {
		if t, err := circuit.Celsius("/wiring/ambient", q.Wiring.Ambient); err == nil {
			in.ambient = &t
		}
	}
	b.limit(&in)
	return in, waits
}

func conductor(r Run) circuit.Conductor {
	c, err := circuit.ParseConductor(r.Conductor)
	if err != nil { // empty, or refused by the decoder before
		return circuit.Conductor{}
	}
	return c
}

func joints(r Run) float64 {
	if r.Joints.IsZero() {
		return 0
	}
	x, _ := circuit.Ohms("/joints", r.Joints)
	return x
}

// magnets reads the cold resistance of one magnet: as told, or from a current at
// a voltage, brought down to 20 degC if it was taken hot.
func (b *builder) magnets(in *inputs, waits *[]Pointer, want func(ptr, meaning string)) {
	a := b.q.Actuator
	switch {
	case !a.Resistance.IsZero():
		in.low, _ = circuit.Ohms("/actuator/resistance", a.Resistance)
		in.high = in.low
		if !a.ResistanceMost.IsZero() {
			in.high, _ = circuit.Ohms("/actuator/resistance_most", a.ResistanceMost)
		}
	case !a.Current.IsZero() && !a.Voltage.IsZero():
		i, _ := circuit.Amps("/actuator/current", a.Current)
		v, _ := circuit.Volts("/actuator/voltage", a.Voltage)
		in.low = v / i
		in.high = in.low
	case !a.Current.IsZero():
		want("/actuator/voltage", "the voltage at which a magnet draws the current told")
	default:
		want("/actuator/resistance", "cold resistance of one magnet, or its current at a voltage; the axle maker's service manual has it")
	}
	if a.Winding == Hot && in.low > 0 {
		f := circuit.TemperatureFactor(hotWinding)
		in.low /= f
		b.p.Circuit.Notes = append(b.p.Circuit.Notes, fmt.Sprintf("The magnets were told hot: their cold resistance is taken as down to %s, as for a winding of %d degC.", ohms(in.low), hotWinding))
	}
}

// taps reads the axles and how many magnets each has.
func (b *builder) taps(in *inputs, waits *[]Pointer, want func(ptr, meaning string)) {
	total, told := b.q.Actuator.Count, b.q.Actuator.Count > 0
	if v := b.r.Get(factMagnets); v.Known {
		if told && int64(total) != v.Num {
			b.find(Finding{
				ID: "actuator.count", Level: "rating", Status: rules.Unknown, Source: practice(high),
				Summary:  fmt.Sprintf("The rig has %d magnets and the request %d.", v.Num, total),
				Remedy:   "Count them and correct one of the two; the circuit waits for it.",
				WaitsFor: []Pointer{inRig(factMagnets), inRequest("/actuator/count")},
			})
			*waits = append(*waits, inRequest("/actuator/count"))
			return
		}
		total, told = int(v.Num), true
	}
	axles := b.q.Wiring.Axles
	if len(axles) == 0 {
		want("/wiring/axles", "for each braked axle, front first, the lengths of jumper and lead")
		return
	}
	if b.braked != len(axles) {
		b.find(Finding{
			ID: "wiring.axles", Level: "rating", Status: rules.Unknown, Source: practice(high),
			Summary:  fmt.Sprintf("The rig has %d braked axles and the request lays lines to %d.", b.braked, len(axles)),
			Remedy:   "Correct one of the two; the circuit waits for it.",
			WaitsFor: []Pointer{inRig(factBraked), inRequest("/wiring/axles")},
		})
		*waits = append(*waits, inRequest("/wiring/axles"))
		return
	}
	sum, open := 0, 0
	for i, t := range axles {
		x := tap{magnets: t.Magnets}
		if t.Magnets == 0 {
			open++
		}
		sum += t.Magnets
		at := "/wiring/axles/" + strconv.Itoa(i)
		if i > 0 {
			if t.Jumper.IsZero() {
				want(at+"/jumper", "length from the braked axle in front, one way")
			} else {
				x.jumper, _ = circuit.Metres(at+"/jumper", t.Jumper)
			}
		}
		if t.Lead.IsZero() {
			want(at+"/lead", "length from the line to the furthest magnet of the axle, one way")
		} else {
			x.lead, _ = circuit.Metres(at+"/lead", t.Lead)
		}
		in.axles = append(in.axles, x)
	}
	switch {
	case open == 0 && (!told || sum == total):
	case open == 0:
		b.find(Finding{
			ID: "actuator.count", Level: "rating", Status: rules.Unknown, Source: practice(high),
			Summary:  fmt.Sprintf("The axles have %d magnets together, but %d are told in all.", sum, total),
			Remedy:   "Count them and correct one of the two; the circuit waits for it.",
			WaitsFor: []Pointer{inRequest("/actuator/count"), inRequest("/wiring/axles")},
		})
		*waits = append(*waits, inRequest("/wiring/axles"))
	case !told:
		*waits = append(*waits, b.missRig("circuit", factMagnets))
	case total > sum && (total-sum)%open == 0:
		for i := range in.axles {
			if in.axles[i].magnets == 0 {
				in.axles[i].magnets = (total - sum) / open
			}
		}
	default:
		for i, t := range axles {
			if t.Magnets == 0 {
				want("/wiring/axles/"+strconv.Itoa(i)+"/magnets", "magnets on this axle; they do not share out evenly")
			}
		}
	}
}

// limit settles how much the line may lose.
func (b *builder) limit(in *inputs) {
	d := b.q.Wiring.Drop
	switch {
	case !d.Volts.IsZero():
		in.allowed, _ = circuit.Volts("/wiring/drop/volts", d.Volts)
		in.basis = "as asked for in the request"
	case !d.Share.IsZero():
		share, _ := circuit.Fraction("/wiring/drop/share", d.Share)
		in.allowed = share * b.nominal
		in.basis = fmt.Sprintf("%s of %s nominal, as asked for in the request", d.Share.Text(), volts(b.nominal))
	default:
		in.allowed = dropShare * b.nominal
		in.basis = fmt.Sprintf("10 %% of %s nominal: no limit is agreed, and beyond this practice calls a line too thin", volts(b.nominal))
	}
}

// circuit lays the line out with a conductor for each run that has none.
func (in inputs) circuit(b *builder, fill, fillFeed circuit.Conductor) circuit.Circuit {
	or := func(c, or circuit.Conductor) circuit.Conductor {
		if c.IsZero() {
			return or
		}
		return c
	}
	chassis := b.q.Wiring.Return == ReturnChassis
	frame := 0.0
	if chassis {
		frame, _ = circuit.Ohms("/wiring/chassis_return", b.q.Wiring.ChassisReturn)
	}
	// run lays feed and return side by side; over the frame there is no return
	// conductor, and back is what the frame has there.
	run := func(name string, l line, c circuit.Conductor, backLength, back float64) circuit.Run {
		r := circuit.Run{Name: name, Feed: circuit.Leg{Conductor: c, Length: l.length, Connections: l.joints / 2}}
		if chassis {
			r.Return = circuit.Leg{Connections: l.joints/2 + back}
			return r
		}
		r.Return = circuit.Leg{Conductor: c, Length: backLength, Connections: l.joints / 2}
		return r
	}
	trunk := or(in.trunk.conductor, fill)
	if b.kind == ElectricHydraulic {
		first := run("feed", in.feed, or(in.feed.conductor, fill), in.feed.length, frame)
		second := run("trunk", in.trunk, trunk, in.trunk.length, 0)
		second.Loads = []circuit.Load{{Name: "pump", Amps: in.pump, Least: in.pumpLeast}}
		first.Next = []circuit.Run{second}
		return circuit.Circuit{Volts: in.supply, Line: first}
	}
	// The return goes past the controller to battery negative.
	first := run("output", in.output, or(in.output.conductor, fill), in.output.length+in.feed.length, frame)
	feed := circuit.Leg{Conductor: or(in.feed.conductor, fillFeed), Length: in.feed.length, Connections: in.feed.joints}
	var axles []circuit.Run
	for i, t := range in.axles {
		id := strconv.Itoa(i + 1)
		name, l := "jumper "+id, line{length: t.jumper}
		if i == 0 {
			name, l = "trunk", in.trunk
		}
		r := run(name, l, trunk, l.length, 0)
		lead := run("lead "+id, line{length: t.lead}, trunk, t.lead, 0)
		near, far := split(t.magnets)
		r.Loads = bank("axle "+id+" near", near, in.low)
		lead.Loads = bank("axle "+id+" far", far, in.low)
		r.Next = []circuit.Run{lead}
		axles = append(axles, r)
	}
	for i := len(axles) - 1; i > 0; i-- {
		axles[i-1].Next = append(axles[i-1].Next, axles[i])
	}
	first.Next = axles[:1]
	return circuit.Circuit{Volts: in.supply, Supply: &feed, Line: first}
}

// split shares the magnets of an axle between where its lead begins and its far
// end.
func split(n int) (near, far int) { return n / 2, n - n/2 }

func bank(name string, n int, r float64) []circuit.Load {
	var out []circuit.Load
	for range n {
		out = append(out, circuit.Load{Name: name, Ohms: r})
	}
	return out
}

// lay chooses what is open, solves the circuit and holds it against its limits.
func (b *builder) lay(in inputs) {
	c := &b.p.Circuit
	c.Supply, c.Allowed, c.DropBasis = in.supply, in.allowed, in.basis
	c.Conductors = hotLine
	if in.ambient != nil {
		c.Conductors = *in.ambient
	} else {
		c.Notes = append(c.Notes, fmt.Sprintf("No ambient is told: the drop is worked out for conductors at %d degC, and heating by the hottest published figures.", hotLine))
	}
	for _, t := range in.axles {
		c.Magnets += t.magnets
		b.counts = append(b.counts, t.magnets)
	}
	c.Magnet, c.MagnetTop = in.low, in.high
	c.Peak = in.pump
	if b.kind == Magnets {
		c.Peak = circuit.CircuitCurrent(c.Magnets, in.low, in.supply)
	}
	fill, fillFeed, ok := b.choose(in)
	if !ok {
		return
	}
	b.loop = in.circuit(b, fill, fillFeed)
	hot := b.loop
	hot.Temperatures = &circuit.Temperatures{Conductors: c.Conductors, Magnets: room}
	steady, err := circuit.Solve(hot.Steady())
	if err == nil {
		_, err = circuit.Solve(b.loop)
	}
	if err != nil {
		c.State = Unfit
		c.Says = "The line cannot carry the brakes at all: " + why(err) + "."
		b.find(Finding{ID: "line.drop", Level: "practice", Status: rules.NotMet, Summary: c.Says, Remedy: "Fit larger conductors or shorten the line.", Source: physics})
		return
	}
	flowing, _ := circuit.Solve(b.loop)
	b.solved = true
	c.State = Designed
	c.Current, c.Drop, c.DropFlowing = flowing.Amps, steady.Drop.Line, flowing.Drop.Line
	c.Furthest = flowing.Loads[flowing.Weakest].Volts
	c.Notes = append(c.Notes, flowing.Assumes...)
	c.Sources = append(c.Sources, flowing.Sources...)
	b.sections(in, flowing, steady)
	b.perAxle(flowing)
	b.judgeLine(in)
	c.Says = fmt.Sprintf("%s flow of %s A at most; the line loses %s at the peak current (%s allowed), and %s reach the furthest %s.",
		amps(c.Current), enough(c.Peak), volts(c.Drop), volts(c.Allowed), volts(c.Furthest), map[string]string{Magnets: "magnet", ElectricHydraulic: "pump"}[b.kind])
}

// choose finds conductors for the runs that have none. It reports false, and
// says why, if no size will do.
func (b *builder) choose(in inputs) (fill, fillFeed circuit.Conductor, ok bool) {
	c := &b.p.Circuit
	openFeed := in.feed.conductor.IsZero() && b.kind == Magnets
	openLine := in.trunk.conductor.IsZero() || b.kind == Magnets && in.output.conductor.IsZero() || b.kind == ElectricHydraulic && in.feed.conductor.IsZero()
	if !openFeed && !openLine {
		return fill, fillFeed, true
	}
	ch, err := b.smallest(in)
	if err != nil {
		c.State, c.Says = Unfit, "No conductor can be chosen: "+why(err)+"."
		return fill, fillFeed, false
	}
	c.Notes = append(c.Notes, ch.Notes...)
	if !ch.Enough {
		c.State, c.Says = Unfit, ch.Says
		for _, x := range ch.Changes {
			c.Changes = append(c.Changes, x.Says)
		}
		b.find(Finding{ID: "line.size", Level: "practice", Status: rules.NotMet, Summary: ch.Says, Remedy: "See the changes listed under the circuit.", Source: practice(low)})
		return fill, fillFeed, false
	}
	if openFeed {
		c.Notes = append(c.Notes, fmt.Sprintf("The feed from the battery is chosen to lose at most %s, 3 %% of the nominal voltage (common practice, usual for charge lines).", volts(feedShare*b.nominal)))
	}
	return ch.Line, ch.Supply, true
}

// sections lists the runs with what flows in them.
func (b *builder) sections(in inputs, flowing, steady circuit.Solution) {
	c := &b.p.Circuit
	length := map[string]float64{"supply": in.feed.length, "feed": in.feed.length, "output": in.output.length, "trunk": in.trunk.length}
	chosen := map[string]bool{"supply": in.feed.conductor.IsZero(), "feed": in.feed.conductor.IsZero(), "output": in.output.conductor.IsZero()}
	for i, t := range in.axles {
		length["jumper "+strconv.Itoa(i+1)], length["lead "+strconv.Itoa(i+1)] = t.jumper, t.lead
	}
	for i, leg := range flowing.Legs {
		s := Section{
			Name: leg.Run, Length: length[leg.Run], Conductor: leg.Conductor.String(), Area: leg.Conductor.Area(),
			Current: leg.Amps, Drop: leg.Volts, Heating: heating(leg.Conductor, steady.Legs[i].Amps, in.ambient),
		}
		open, named := chosen[leg.Run]
		s.Chosen = open || !named && in.trunk.conductor.IsZero()
		if leg.Side == "return" {
			last := &c.Sections[len(c.Sections)-1]
			last.Return, last.Drop = leg.Ohms, last.Drop+leg.Volts
			continue
		}
		s.Feed = leg.Ohms
		if leg.Run == "supply" {
			s.Name = "feed"
		}
		if !leg.Conductor.IsZero() && (b.least.IsZero() || leg.Conductor.Area() < b.least.Area()) {
			b.least = leg.Conductor
		}
		c.Sections = append(c.Sections, s)
	}
}

// heating holds a current against what is published for a conductor.
func heating(c circuit.Conductor, amps float64, ambient *float64) rules.Status {
	if c.IsZero() {
		return rules.NotApplicable
	}
	h, ok := c.HeatLimit(ambient)
	switch {
	case !ok:
		return rules.Unknown
	case amps > h.Amps*(1+1e-9):
		return rules.NotMet
	}
	return rules.Met
}

func (b *builder) perAxle(s circuit.Solution) {
	at := b.positions()
	k := 0
	for i, n := range b.counts {
		x := AxleLoad{Axle: at[i], Magnets: n, Voltage: math.Inf(1)}
		for range n {
			x.Current += s.Loads[k].Amps
			x.Voltage = min(x.Voltage, s.Loads[k].Volts)
			k++
		}
		b.p.Circuit.Axles = append(b.p.Circuit.Axles, x)
	}
}

// judgeLine holds the line against its limits.
func (b *builder) judgeLine(in inputs) {
	c := &b.p.Circuit
	f := Finding{ID: "line.drop", Level: "practice", Status: rules.Met, Source: practice(low)}
	f.Summary = fmt.Sprintf("The line loses %s at the peak current with conductors at %s degC; allowed are %s (%s).", volts(c.Drop), figure(c.Conductors), volts(c.Allowed), c.DropBasis)
	switch {
	case c.Drop > c.Allowed*(1+1e-9):
		f.Status, f.Remedy = rules.NotMet, "Fit larger conductors, or shorten the line."
		c.State = Unfit
		b.propose(in)
	case c.Drop > 0.05*b.nominal:
		f.Summary += " It is more than 5 % of the nominal voltage: larger conductors would brake better."
	}
	b.find(f)
	var hot, dark []string
	for _, s := range c.Sections {
		switch s.Heating {
		case rules.NotMet:
			hot = append(hot, s.Name+" ("+s.Conductor+")")
		case rules.Unknown:
			dark = append(dark, s.Name+" ("+s.Conductor+")")
		}
	}
	h := Finding{ID: "line.heating", Level: "rating", Status: rules.Met, Source: circuit.Source{Title: "published cable currents, the lowest that applies", How: "second-hand", Confidence: low}}
	switch {
	case hot != nil:
		h.Status, h.Summary, h.Remedy = rules.NotMet, fmt.Sprintf("The peak current of %s A is more than is published for %s.", enough(c.Peak), join(hot)), "Fit larger conductors there."
		c.State = Unfit
	case dark != nil:
		h.Status, h.Summary = rules.Unknown, "No published current covers "+join(dark)+" there."
	default:
		h.Summary = fmt.Sprintf("Every conductor may carry the peak current of %s A.", enough(c.Peak))
	}
	b.find(h)
	if least, src := circuit.Floor(len(in.axles)); b.kind == Magnets && b.least.Area() < least.Area()*(1-1e-9) {
		b.find(Finding{
			ID: "line.floor", Level: "practice", Status: rules.NotMet, Source: src,
			Summary: fmt.Sprintf("%s has less copper than %s, the least that is customary for brake output and return.", b.least, least),
			Remedy:  fmt.Sprintf("Fit at least %s.", least),
		})
	}
}

// propose says which size would do where what is fitted will not.
func (b *builder) propose(in inputs) {
	in.output.conductor, in.trunk.conductor = circuit.Conductor{}, circuit.Conductor{}
	if b.kind == ElectricHydraulic {
		in.feed.conductor = circuit.Conductor{}
	}
	ch, err := b.smallest(in)
	if err != nil {
		return
	}
	b.p.Circuit.Changes = append(b.p.Circuit.Changes, ch.Says)
	for _, x := range ch.Changes {
		b.p.Circuit.Changes = append(b.p.Circuit.Changes, x.Says)
	}
}

// smallest finds the smallest conductor of the size system asked for that keeps
// the limits in every run that has none.
func (b *builder) smallest(in inputs) (circuit.Choice, error) {
	family := circuit.Metric
	if b.q.Wiring.Family != "" {
		family = circuit.Family(b.q.Wiring.Family)
	}
	open := in.circuit(b, circuit.Conductor{}, circuit.Conductor{})
	open.Temperatures = &circuit.Temperatures{Conductors: b.p.Circuit.Conductors, Magnets: room}
	choices, err := circuit.Choose(open, circuit.Demand{
		Families: []circuit.Family{family}, Drop: in.allowed, SupplyDrop: feedShare * b.nominal, Ambient: in.ambient, Axles: len(in.axles),
	})
	if err != nil {
		return circuit.Choice{}, err
	}
	return choices[0], nil
}
