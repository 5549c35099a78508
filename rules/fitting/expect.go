package fitting

import (
	"fmt"
	"math"
	"strconv"

	"drawgear/rules"
	"drawgear/rules/circuit"
)

// Tolerances of a reading. They allow for meters, for magnets that differ within
// their band, and for a shop that is not at 20 degC. They are a choice of ours
// where no source is named: tight enough that one open magnet in eight shows.
const (
	voltsLeast  = 0.3   // V
	voltsShare  = 0.04  // of the reading
	ampsLeast   = 0.3   // A
	ampsShare   = 0.075 // of the reading
	bankLeast   = 0.05  // ohm; what is left of the leads once they are nulled
	bankShare   = 0.075
	dropLeast   = 0.2 // V
	dropShareOf = 0.25
	stepShare   = 0.15 // of full output: few controllers are that exact between their ends

	// deadVolts is what still counts as nothing where nothing should be.
	deadVolts = 0.5
	// leastInsulation in ohm and mostLeakage in A of the trailer brake line.
	leastInsulation = 100e3
	mostLeakage     = 1e-3
	// supplyBelow and supplyAbove bound the supply around that of the design;
	// overcharge in V bounds it on 12 V nominal whatever the design. Common practice.
	supplyBelow, supplyAbove = 0.05, 0.20
	overcharge               = 15.5
	// restVolts is the rest voltage of a breakaway battery that has its charge:
	// 12.4 V of 12 V nominal, about three quarters. Common practice for lead-acid.
	restVolts = 12.4
	// standardGravity in m/s2 (CGPM 1901, exact): brake force over weight is
	// deceleration over this on a level road.
	standardGravity = 9.80665
)

// Expect lists what is to be measured for a plan and what it must come to, in
// the order of the work. Figures are for the supply of the design; Judge works
// them out again for the supply that was measured.
func Expect(p *Plan) []Expectation {
	e := expecting{p: p, supply: p.Proof.Supply, out: []Expectation{}}
	return e.all(nil)
}

// expecting makes the expectations of one plan at one supply.
type expecting struct {
	p      *Plan
	supply float64
	out    []Expectation

	low, high readings // of a sound circuit, magnets at the ends of their band; nil until asked for
}

func (e *expecting) add(x Expectation) {
	if x.WaitsFor == nil {
		x.WaitsFor = []Pointer{}
	}
	if x.Source.Title == "" {
		x.Source = practice(medium)
	}
	x.Step = stepOf(e.p, x.ID)
	e.out = append(e.out, x)
}

// all lists every expectation; steps are further shares of full output at which
// the fitter took readings.
func (e *expecting) all(steps []float64) []Expectation {
	c := e.p.Proof
	switch {
	case c.Electrical == rules.DontKnow:
		e.add(Expectation{
			ID: "scope", Title: "What the job is", Measure: "Find out what the plan is missing, and plan again.", Expected: "known", Required: true,
			Because: e.p.Electrical.Reason, WaitsFor: missingFor(e.p, "electrical"),
		})
		return e.out // everything else follows from that
	case c.Electrical == rules.Yes:
		e.add(Expectation{
			ID: "plan", Title: "The plan itself", Measure: "Nothing to be measured: the needs and findings of the plan that rest on ratings or law.", Expected: "all met", Required: true,
			Because: "Good readings do not make up for a part that is too weak.", Source: physics,
		})
		e.feed()
		if c.Actuator == Magnets {
			e.trailerLine()
			e.stopSignal()
			e.output(steps)
		} else {
			e.stopSignal()
			e.pump()
		}
	}
	e.mechanical()
	e.breakaway()
	e.road()
	return e.out
}

func missingFor(p *Plan, what string) []Pointer {
	out := []Pointer{}
	for _, m := range p.Missing {
		for _, f := range m.For {
			if f == what {
				out = append(out, m.Pointer)
			}
		}
	}
	return out
}

// within is a range with both ends.
func within(lo, hi float64) (low, high *float64) { return &lo, &hi }

// band writes a range for people.
func band(lo, hi float64, unit string) string {
	return figure(lo) + " to " + figure(hi) + " " + unit
}

// ranged adds an expectation of an amount between two.
func (e *expecting) ranged(x Expectation, lo, nominal, hi float64, unit string) {
	x.Low, x.High = within(lo, hi)
	x.Nominal, x.Unit = &nominal, unit
	x.Expected = band(lo, hi, unit)
	x.Tolerance = fmt.Sprintf("%s %s, from %s to %s", figure(nominal), unit, figure(lo), figure(hi))
	e.add(x)
}

// atMost adds an expectation of no more than an amount.
func (e *expecting) atMost(x Expectation, nominal, hi float64, unit string) {
	x.High, x.Nominal, x.Unit = &hi, &nominal, unit
	x.Expected = "at most " + figure(hi) + " " + unit
	e.add(x)
}

// atLeast adds an expectation of no less than an amount.
func (e *expecting) atLeast(x Expectation, lo, nominal float64, unit string) {
	x.Low, x.Nominal, x.Unit = &lo, &nominal, unit
	x.Expected = "at least " + figure(lo) + " " + unit
	e.add(x)
}

// yes adds an expectation of something seen.
func (e *expecting) yes(x Expectation) {
	x.Expected, x.Nominal = "yes", ptr(1.0)
	x.Low, x.High = within(1, 1)
	e.add(x)
}

// open adds an expectation whose figure waits for inputs.
func (e *expecting) open(x Expectation, unit string) {
	x.Expected, x.Unit, x.WaitsFor = "not known yet", unit, e.p.Proof.WaitsFor
	e.add(x)
}

func voltTolerance(v float64) float64 { return math.Max(voltsLeast, voltsShare*math.Abs(v)) }

// law is the first source that the law cites on a question; the others stand
// under law. Where it cites none, the proof is common practice.
func (e *expecting) law(question string) circuit.Source {
	for _, l := range e.p.Law {
		if l.Question == question && len(l.Citations) > 0 {
			c := l.Citations[0]
			return circuit.Source{Title: c.Title, Clause: c.Clause, How: c.Verification, Confidence: c.Confidence}
		}
	}
	return practice(medium)
}

// feed: what arrives at the controller.
func (e *expecting) feed() {
	const at = "Multimeter on direct voltage, at the ends meant for the controller"
	e.add(Expectation{
		ID: "polarity", Title: "Polarity of the feed", Measure: at + ", before the controller is connected: red on the feed, black on the earth.", Expected: "correct",
		Low: ptr(1.0), High: ptr(1.0), Nominal: ptr(1.0), Required: true, Because: "A reversed feed destroys most controllers at once.", Source: practice(high),
	})
	rest := Expectation{ID: "supply_rest", Title: "Supply at rest", Measure: at + ", engine running, brakes off.", Required: true, Because: "Every other figure follows from it.", Source: practice(low)}
	design := e.p.Proof.Supply
	most := design * (1 + supplyAbove)
	if n := e.p.Proof.Nominal; n > 0 {
		most = max(design, min(most, overcharge*n/12))
	}
	if design == 0 {
		rest.WaitsFor = append(rest.WaitsFor, inRequest("/wiring/supply"))
		rest.Expected, rest.Unit = "not known yet", "V"
		e.add(rest)
	} else {
		e.ranged(rest, design*(1-supplyBelow), design, most, "V")
	}
	loaded := Expectation{ID: "supply_loaded", Title: "Supply under load", Measure: at + ", at full output by the override, trailer connected.", Required: true, Because: "Shows the feed conductor and its joints at work.", Source: physics}
	battery := Expectation{ID: "battery_loaded", Title: "Battery under load", Measure: "The same at the posts of the vehicle battery.", Because: "Tells a weak battery from a poor feed.", Source: practice(medium)}
	switch {
	case e.p.Proof.Network != nil:
		e.computed(loaded, "V", voltTolerance)
		e.computed(battery, "V", voltTolerance)
	case e.p.Proof.Pump == nil:
		e.open(loaded, "V")
	}
}

// computed adds a reading that follows from the circuit, for magnets from one
// end of their band to the other.
func (e *expecting) computed(x Expectation, unit string, tolerance func(float64) float64) {
	lo, hi, ok := e.bounds(x.ID)
	if !ok {
		e.open(x, unit)
		return
	}
	e.ranged(x, max(0, lo-tolerance(lo)), (lo+hi)/2, hi+tolerance(hi), unit)
}

// bounds is a reading with magnets at both ends of their band.
func (e *expecting) bounds(id string) (lo, hi float64, ok bool) {
	n := e.p.Proof.Network
	if n == nil || e.supply <= 0 {
		return 0, 0, false
	}
	if e.low == nil {
		e.low, e.high = n.healthy(e.supply, n.MagnetLow).solve(), n.healthy(e.supply, n.MagnetHigh).solve()
	}
	return min(e.low[id], e.high[id]), max(e.low[id], e.high[id]), true
}

// trailerLine: the trailer by itself, unplugged.
func (e *expecting) trailerLine() {
	e.atLeast(Expectation{
		ID: "insulation", Title: "Insulation of the trailer brake line", Required: true, Source: practice(low),
		Measure: "Trailer unplugged and its magnets unplugged: resistance from brake contact to frame; or the current that the line takes at the supply voltage, which may be 1 mA at most.",
		Because: "A line that touches the frame feeds the brakes less and trips the protection.",
	}, leastInsulation, 1e6, "ohm")
	bank := Expectation{
		ID: "bank_resistance", Title: "Resistance of all magnets together", Required: true, Source: physics,
		Measure: "Trailer unplugged, magnets cold: brake contact to earth contact of the plug, with the resistance of the meter leads taken off.",
		Because: "Below the band points to a short, above it to an open magnet or a poor joint.",
	}
	e.computed(bank, "ohm", func(r float64) float64 { return math.Max(bankLeast, bankShare*r) })
}

// stopSignal: the pick-up.
func (e *expecting) stopSignal() {
	const at = "Multimeter on direct voltage, black on battery negative, red on the pick-up; "
	e.atMost(Expectation{ID: "stop_released", Title: "Stop signal, pedal up", Measure: at + "pedal up, ignition off and on.", Required: true, Because: "Voltage here holds the trailer brakes on.", Source: practice(high)}, 0, deadVolts, "V")
	pressed := Expectation{ID: "stop_pressed", Title: "Stop signal, pedal down", Measure: at + "pedal down.", Required: true, Because: "The controller acts on this.", Source: practice(high)}
	if e.supply > 0 {
		e.ranged(pressed, e.supply-voltTolerance(e.supply)-0.2, e.supply, e.supply+voltTolerance(e.supply), "V")
	} else {
		pressed.WaitsFor = []Pointer{inRequest("/wiring/supply")}
		pressed.Expected, pressed.Unit = "not known yet", "V"
		e.add(pressed)
	}
	e.atMost(Expectation{ID: "stop_flashing", Title: "Stop signal with turn signals and hazards", Measure: at + "pedal up; each turn signal, then the hazards; the highest reading.", Required: true, Because: "A pick-up behind the turn-signal switch pulses the trailer brakes.", Source: practice(high)}, 0, deadVolts, "V")
}

// output: the controller at work, trailer connected.
func (e *expecting) output(steps []float64) {
	const at = "At the socket between brake and earth contact, trailer connected, engine running; "
	for _, x := range []struct{ id, title, how, why string }{
		{"output_idle", "Output with the pedal up", "pedal up, everything off.", "Nothing may reach the brakes unless the driver brakes."},
		{"output_lamps", "Output with position lamps", "pedal up, position lamps on.", "Voltage here means that a lamp circuit stands on the brake contact."},
		{"output_flashing", "Output with turn signals and hazards", "pedal up, turn signals and hazards on; the highest reading.", "Voltage here means a pick-up behind the turn-signal switch, or an earth that lamps share."},
	} {
		e.atMost(Expectation{ID: x.id, Title: x.title, Measure: at + x.how, Required: true, Because: x.why, Source: practice(high)}, 0, deadVolts, "V")
	}
	full := "by the override, since a controller that senses motion gives little at a standstill."
	e.steps(steps, at, full)
	for _, a := range e.axles() {
		e.computed(Expectation{
			ID: "axle_current/" + strconv.Itoa(a), Title: "Current of axle " + strconv.Itoa(a), Required: true, Source: physics,
			Measure: "Direct-current clamp around the feed of the axle, full output " + full,
			Because: "A meter on a pulsed output reads an average of volts; current shows every magnet.",
		}, "A", func(i float64) float64 { return math.Max(ampsLeast, ampsShare*i) })
	}
	e.computed(Expectation{ID: "magnet_voltage", Title: "Voltage at the furthest magnet", Measure: "Across the furthest magnet at full output.", Required: true, Because: "What is left there brakes.", Source: physics}, "V", voltTolerance)
	for _, x := range []struct{ id, title, how string }{
		{"feed_drop", "Drop on the feed", "From the controller's output to the feed side of the furthest magnet, at full output."},
		{"return_drop", "Drop on the return", "From the return side of the furthest magnet to battery negative, at full output."},
	} {
		lo, hi, ok := e.bounds(x.id)
		exp := Expectation{ID: x.id, Title: x.title, Measure: x.how, Because: "Feed and return apart tell on which side a poor joint lies.", Source: physics}
		if !ok {
			e.open(exp, "V")
			continue
		}
		e.atMost(exp, (lo+hi)/2, hi+math.Max(dropLeast, dropShareOf*hi), "V")
	}
	e.add(Expectation{
		ID: "radio_noise", Title: "Interference", Measure: "Listen on a receiver while braking; send on every transmitter of the vehicle and watch the output.", Expected: "no",
		Low: ptr(0.0), High: ptr(0.0), Nominal: ptr(0.0), Because: "A poor earth or a brake line beside other cables couples into them.", Source: practice(medium),
	})
	e.override()
}

// axles are the braked axles of the circuit; none if it is not designed.
func (e *expecting) axles() []int {
	var out []int
	if n := e.p.Proof.Network; n != nil {
		for _, a := range n.Axles {
			out = append(out, a.Axle)
		}
	}
	return out
}

// outputID names the expectation of an output step.
func outputID(demand float64) string {
	return "output/" + strconv.FormatFloat(circuit.Significant(100*demand, 4), 'f', -1, 64)
}

func (e *expecting) steps(more []float64, at, full string) {
	shares := []float64{0.25, 0.5, 0.75, 1}
	for _, s := range more {
		known := false
		for _, x := range shares {
			known = known || outputID(x) == outputID(s)
		}
		if !known {
			shares = append(shares, s)
		}
	}
	for _, s := range shares {
		x := Expectation{
			ID: outputID(s), Title: fmt.Sprintf("Output at %s %%", figure(100*s)), Required: s == 1, Source: physics,
			Measure: at + full, Because: "The output must follow what is asked of it.",
		}
		lo, hi, ok := e.bounds("output/100")
		switch {
		case !ok:
			e.open(x, "V")
		case s == 1:
			e.computed(x, "V", voltTolerance)
		default:
			x.Source = practice(low)
			e.ranged(x, max(0, s*lo-stepShare*lo), s*(lo+hi)/2, s*hi+stepShare*hi, "V")
		}
	}
}

func (e *expecting) override() {
	if e.p.Proof.Override == rules.No {
		return
	}
	e.yes(Expectation{ID: "override_works", Title: "Manual override", Measure: "At walking pace on level ground, apply the override alone.", Required: true, Because: "Shows that the trailer brakes by itself.", Source: practice(high)})
	e.yes(Expectation{ID: "override_lamps", Title: "Stop lamps with the override", Measure: "Look at the trailer's stop lamps while the override is on.", Because: "Who follows must see that the trailer is braked.", Source: practice(medium)})
}

// pump: an electric-hydraulic actuator.
func (e *expecting) pump() {
	p := e.p.Proof.Pump
	current := Expectation{ID: "pump_current", Title: "Current of the pump", Measure: "Direct-current clamp on the supply of the pump at full pressure.", Required: true, Because: "More than its maker states points to a fault in it.", Source: physics}
	voltage := Expectation{ID: "magnet_voltage", Title: "Voltage at the pump", Measure: "Across the pump at full pressure.", Required: true, Because: "A pump that gets too little builds no pressure.", Source: physics}
	if p == nil {
		e.open(current, "A")
		e.open(voltage, "V")
	} else {
		e.atMost(current, p.Current, p.Current*(1+ampsShare), "A")
		least := p.Voltage - voltTolerance(p.Voltage)
		e.atLeast(voltage, max(least, p.Least), p.Voltage, "V")
	}
	e.override()
}

// mechanical: what is seen on the wheels.
func (e *expecting) mechanical() {
	c := e.p.Proof
	if c.Braked == rules.No {
		return
	}
	e.yes(Expectation{ID: "mechanical/wheels_free", Title: "Wheels free", Measure: "Trailer lifted and secured, brakes off: turn each braked wheel by hand.", Required: true, Because: "A brake that drags burns.", Source: practice(high)})
	e.yes(Expectation{ID: "mechanical/wheels_braked", Title: "Wheels held", Measure: "The same with the brakes on: each braked wheel is held.", Required: true, Because: "Current or a pull on the lever is no proof that a wheel is braked.", Source: practice(high)})
	if c.Overrun {
		e.yes(Expectation{ID: "mechanical/coupling_moves", Title: "Overrun device", Measure: "Push the sliding shaft in against the brakes and let it go: it moves within its maker's travel and comes back.", Required: true, Because: "A shaft that sticks brakes late or not at all.", Source: practice(high)})
		e.yes(Expectation{ID: "mechanical/reverses", Title: "Reversing", Measure: "Reverse slowly up a slight rise.", Required: true, Because: "The brakes must let go in reverse.", Source: practice(high)})
	}
	if c.Parking {
		x := Expectation{ID: "mechanical/parking_holds", Title: "Parking brake", Measure: "Uncoupled on a grade, laden, chocks at a hand's width: set the brake.", Required: true, Because: "A parked trailer that rolls kills.", Source: practice(high)}
		if c.ParkingGrade != "" {
			x.Measure = "Uncoupled on a grade of " + c.ParkingGrade + ", laden, chocks at a hand's width: set the brake."
			x.Because, x.Source = "The law asks that it hold on "+c.ParkingGrade+".", e.law("parking_brake.holds_grade")
		}
		e.yes(x)
	}
}

// breakaway: one pull of the pin.
func (e *expecting) breakaway() {
	c := e.p.Proof
	if c.Breakaway == rules.No {
		return
	}
	if c.Breakaway == rules.DontKnow {
		e.add(Expectation{
			ID: "breakaway/scope", Title: "Whether a breakaway is asked for", Measure: "Find out what the law's answer is missing, and plan again.", Expected: "known", Required: true,
			Because: "What acts when the trailer parts is not settled.", WaitsFor: []Pointer{inRig(factAway)},
		})
		return
	}
	e.yes(Expectation{ID: "breakaway/applies", Title: "Breakaway applies the brakes", Measure: "Chocked, unplugged and uncoupled from the vehicle's supply: pull the pin or the cable; every braked wheel is held at once.", Required: true, Because: "It is the last hold on a runaway trailer.", Source: practice(high)})
	e.yes(Expectation{ID: "breakaway/releases", Title: "Breakaway lets go", Measure: "Pin or lever back: every wheel is free again.", Required: true, Because: "Brakes left half on burn on the way home.", Source: practice(high)})
	if !c.ByBattery {
		return
	}
	hold := Expectation{ID: "breakaway/hold", Title: "Breakaway hold", Measure: "By the clock from the pull until a braked wheel can be turned or the time is over. Fifteen minutes is a proof, not a routine check.", Required: true, Because: e.p.Breakaway.HoldFrom, Source: e.law("breakaway.hold")}
	if c.Hold > 0 {
		e.atLeast(hold, c.Hold, c.Hold, "min")
	} else {
		hold.Expected, hold.Unit, hold.WaitsFor = "not known yet", "min", e.p.Breakaway.WaitsFor
		e.add(hold)
	}
	end := Expectation{ID: "breakaway/end_voltage", Title: "Breakaway battery at the end", Measure: "Across the battery, brakes on, when the time is over.", Required: true, Because: "A hold is judged by what the magnets still get, not by a battery being there.", Source: practice(medium)}
	if c.Floor > 0 {
		e.atLeast(end, c.Floor, c.Floor, "V")
	} else {
		end.Expected, end.Unit, end.WaitsFor = "not known yet", "V", []Pointer{inRequest("/breakaway/floor")}
		e.add(end)
	}
	if c.Nominal > 0 && e.p.Breakaway.Floor > 0 {
		e.atLeast(Expectation{ID: "breakaway/start_voltage", Title: "Breakaway battery at rest", Measure: "Across the battery before the pin is pulled, charger off for an hour.", Because: "A battery without its charge fails the hold.", Source: practice(low)}, restVolts*c.Nominal/12, restVolts*c.Nominal/12, "V")
	}
	if n := c.Network; n != nil && c.Nominal > 0 {
		count := 0
		for _, a := range n.Axles {
			count += a.Magnets
		}
		lo, hi := float64(count)*0.9*c.Nominal/n.MagnetHigh, float64(count)*1.05*c.Nominal/n.MagnetLow
		e.ranged(Expectation{ID: "breakaway/current", Title: "Breakaway current", Measure: "Direct-current clamp on the battery lead just after the pull.", Because: "Less than this means a thin lead, a poor joint or an open magnet.", Source: physics}, lo*(1-ampsShare), (lo+hi)/2, hi*(1+ampsShare), "A")
	}
	if c.Indicator == rules.Yes {
		e.yes(Expectation{ID: "breakaway/indicator", Title: "Battery display", Measure: "From the driver's seat, ignition on: the state of the breakaway battery is shown.", Required: true, Because: "Asked for by the law of the place.", Source: e.law("breakaway.battery_indicator")})
	}
	if c.Charged == rules.Yes {
		e.yes(Expectation{ID: "breakaway/charges", Title: "Charging", Measure: "Engine running, trailer connected: the battery takes charge; engine off: it does not feed the vehicle.", Required: true, Because: "Asked for by the law of the place.", Source: e.law("breakaway.charged_from_vehicle")})
	}
}

// road: the rig at work.
func (e *expecting) road() {
	c := e.p.Proof
	if c.Braked == rules.No {
		return
	}
	run := Expectation{
		ID: "road/run", Title: "Road test with the trailer", Measure: "Level, dry, sealed road without traffic, at a stated speed: brake to a stop, and record speed, surface, and deceleration or distance.",
		Expected: "recorded with speed, surface, and deceleration or distance", Required: true, Because: "Bench figures do not stop a trailer.", Source: practice(high),
	}
	if c.LoadSensing == rules.Yes {
		run.Because = "A controller that senses the load or motion cannot be proven on a bench."
	}
	e.add(run)
	e.yes(Expectation{ID: "road/straight", Title: "No pull to a side", Measure: "On every run: the rig stays straight.", Required: true, Because: "A pull means that one side brakes more.", Source: practice(high)})
	e.yes(Expectation{ID: "road/no_lock", Title: "No wheel locks", Measure: "On every run: no trailer wheel locks.", Required: true, Because: "A locked wheel neither steers nor stops.", Source: practice(high)})
	e.yes(Expectation{ID: "road/laden", Title: "Repeated laden", Measure: "The same with the load that the trailer is to carry.", Because: "A setting found empty is too weak laden, and the other way about.", Source: practice(high)})
	for _, a := range c.Asked {
		e.performance(a)
	}
}

// performance is a result that law asks of the rig.
func (e *expecting) performance(a AskedBrake) {
	x := Expectation{ID: a.expectation(), Title: "Braking performance asked by law", Measure: "On the road test, or by the evidence fields of the rig document.", Required: true, Because: a.Says, Source: e.law(a.Question)}
	switch {
	case a.Question == "braking_performance.trailer_deceleration":
		x.Measure = "Measured with the trailer's own brakes alone and entered as /evidence/trailer_deceleration of the rig; then assess and plan again."
		x.Expected = "shown in the rig document"
		if a.Deceleration > 0 {
			x.Expected = "at least " + figure(a.Deceleration) + " m/s2, shown in the rig document"
		}
		x.WaitsFor = []Pointer{{InRig, "/evidence/trailer_deceleration"}}
	case a.Deceleration > 0:
		x.Low, x.Nominal, x.Unit = ptr(a.Deceleration), ptr(a.Deceleration), "m/s2"
		x.Expected = "at least " + figure(a.Deceleration) + " m/s2"
	case a.Efficiency > 0:
		d := a.Efficiency * standardGravity
		x.Low, x.Nominal, x.Unit = ptr(d), ptr(d), "m/s2"
		x.Expected = fmt.Sprintf("at least %s m/s2: %s %% of the weight", figure(d), figure(100*a.Efficiency))
	case a.Within > 0:
		x.Expected = fmt.Sprintf("a stop from %s km/h within %s m", figure(a.From), figure(a.Within))
	default:
		x.Expected, x.WaitsFor = "not known yet", a.WaitsFor
	}
	e.add(x)
}
