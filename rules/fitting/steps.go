package fitting

import (
	"fmt"
	"slices"
	"strings"

	"drawgear/rules"
	"drawgear/rules/circuit"
)

// measuredIn says in which step a proof is taken, by the beginning of its id;
// the longest that fits counts.
var measuredIn = []struct{ proof, step string }{
	{"polarity", "polarity"},
	{"supply_rest", "prove-supply"},
	{"supply_loaded", "prove-output"},
	{"battery_loaded", "prove-output"},
	{"insulation", "prove-line"},
	{"bank_resistance", "prove-line"},
	{"stop_", "prove-stop"},
	{"output_", "prove-idle"},
	{"output/", "prove-output"},
	{"axle_current/", "prove-output"},
	{"magnet_voltage", "prove-output"},
	{"pump_current", "prove-output"},
	{"feed_drop", "prove-output"},
	{"return_drop", "prove-output"},
	{"radio_noise", "prove-output"},
	{"override_works", "setup-walk"},
	{"override_lamps", "setup-walk"},
	{"mechanical/wheels_", "adjust"},
	{"mechanical/coupling_moves", "overrun"},
	{"mechanical/reverses", "setup-reverse"},
	{"mechanical/parking_holds", "parking"},
	{"breakaway/", "prove-breakaway"},
	{"breakaway/scope", "find-out"},
	{"road/", "setup-road"},
	{"road/laden", "setup-laden"},
	{"scope", "find-out"},
}

// stepOf is the step of a plan in which a proof is taken; empty if the plan has
// none for it.
func stepOf(p *Plan, proof string) string {
	best, length := "", -1
	for _, m := range measuredIn {
		if strings.HasPrefix(proof, m.proof) && len(m.proof) > length {
			best, length = m.step, len(m.proof)
		}
	}
	if slices.ContainsFunc(p.Steps, func(s Step) bool { return s.ID == best }) {
		return best
	}
	return ""
}

// Hazards that several steps share.
const (
	hazardJack    = "A trailer that rolls or drops off a jack kills: chock, stands on firm level ground, nobody under a load that only a jack holds."
	hazardFire    = "An unprotected conductor on a battery sets fire to the vehicle; a battery gives off gas that explodes, and its acid burns: no sparks, goggles on, tools kept off both posts."
	hazardAirbag  = "Restraint systems can fire: keep to the waiting time of the vehicle maker, stay out of the way of airbags, never probe or splice their wiring."
	hazardRunaway = "A rig under test can run away or jackknife: closed or empty ground, low speed first, nobody in the way, and the vehicle's own brakes sound."
	hazardHot     = "Magnets and brake drums get hot enough to burn."
)

// step adds a step. Steps that it is to come after and that the plan does not
// have are left out; since steps are added in order, none can come before what
// it depends on.
func (b *builder) step(s Step, after ...string) {
	s.After = []string{}
	for _, id := range after {
		if slices.ContainsFunc(b.p.Steps, func(x Step) bool { return x.ID == id }) {
			s.After = append(s.After, id)
		}
	}
	if s.Waits == nil {
		s.Waits = []Pointer{}
	}
	if s.Source.Title == "" {
		s.Source = practice(high)
	}
	s.Measure = []Measure{}
	b.p.Steps = append(b.p.Steps, s)
}

// waits are the missing inputs for any of some parts of the plan.
func (b *builder) waits(parts ...string) []Pointer {
	out := []Pointer{}
	for _, part := range parts {
		out = appendNew(out, missingFor(b.p, part)...)
	}
	return out
}

// steps makes the order of work from what this rig is missing and what was
// chosen for it.
func (b *builder) steps() {
	if len(b.p.Missing) > 0 {
		var what []string
		for _, m := range b.p.Missing {
			what = append(what, m.Meaning)
		}
		b.step(Step{ID: "find-out", Title: "Find out what is missing", Do: "Read plates, manuals and the rig itself for: " + strings.Join(what, "; ") + ". Then plan again.", Reason: "What is not known is not guessed; the steps that wait for it say so.", Waits: b.waits("electrical", "circuit", "protection", "stop_signal", "connector", "breakaway", "needs", "european")})
	}
	if b.p.Proof.Braked == rules.No && b.p.Electrical.Needed == rules.No {
		return
	}
	b.step(Step{
		ID: "secure", Title: "Secure the rig", Do: "Level firm ground; chock vehicle and trailer on both sides of a wheel; stands under the frame before a wheel is lifted.",
		Reason: "The brakes are out of action during the work.", Hazard: hazardJack,
	}, "find-out")
	switch b.p.Electrical.Needed {
	case rules.Yes:
		b.partsStep()
		b.vehicleSteps()
		b.trailerSteps()
		b.adjustStep()
		b.powerSteps()
	case rules.No:
		b.adjustStep()
	}
	b.mechanicalSteps()
	b.setupSteps()
	b.attachMeasures()
}

// attachMeasures puts every expectation into the step where it is taken.
func (b *builder) attachMeasures() {
	for _, x := range Expect(b.p) {
		for i := range b.p.Steps {
			if s := &b.p.Steps[i]; s.ID == x.Step {
				s.Measure = append(s.Measure, Measure{Proof: x.ID, What: x.Measure, Expected: x.Title + ": " + x.Expected})
			}
		}
	}
}

// partsStep: whether the controller and the actuator are fit for this rig.
func (b *builder) partsStep() {
	var wrong, better, open []string
	for _, n := range b.p.Needs {
		switch {
		case n.Status == rules.NotMet && n.Level == "practice":
			better = append(better, n.Needs)
		case n.Status == rules.NotMet:
			wrong = append(wrong, n.Needs)
		case n.Status == rules.Unknown:
			open = append(open, n.Needs)
		}
	}
	do := "Hold the papers of controller and actuator against the needs of this plan."
	if len(wrong) > 0 {
		do = "Do not fit what is told of: it is not up to this rig. It lacks: " + strings.Join(wrong, " ")
	}
	if len(better) > 0 {
		do += " Practice would have, and it has not: " + strings.Join(better, " ")
	}
	if len(open) > 0 {
		do += " Still to be read: " + strings.Join(open, " ")
	}
	b.step(Step{ID: "parts", Title: "Check the parts before fitting them", Do: do, Reason: "A part that is too weak or of the wrong voltage cannot be wired right.", Waits: b.waits("needs")}, "find-out")
}

// work says what is to be done with a run: lay what was chosen, keep what is
// fitted, or replace it.
func (b *builder) work(names ...string) string {
	var say []string
	for _, s := range b.p.Circuit.Sections {
		if !slices.ContainsFunc(names, func(n string) bool { return s.Name == n || strings.HasSuffix(n, " ") && strings.HasPrefix(s.Name, n) }) || s.Conductor == "" || s.Length == 0 {
			continue
		}
		what := fmt.Sprintf("%s, %s m one way: ", s.Name, figure(s.Length))
		switch {
		case s.Chosen:
			what += "lay " + s.Conductor
		case b.p.Circuit.State == Unfit:
			what += "replace the " + s.Conductor + ", see the changes under the circuit"
		default:
			what += "look over the " + s.Conductor + " that is fitted, along its whole length"
		}
		say = append(say, what)
	}
	if len(say) == 0 {
		return "The size is not known yet: it waits for inputs."
	}
	return upper(strings.Join(say, "; ")) + "."
}

// vehicleSteps: the vehicle side, battery isolated.
func (b *builder) vehicleSteps() {
	b.step(Step{
		ID: "isolate", Title: "Isolate the battery", Do: "Ignition off; wait until the modules sleep; take battery negative off first and tie it back. Note what radio and windows will need afterwards. If the trailer has a battery, take its negative off too.",
		Reason: "No conductor is worked on that a battery can feed.", Hazard: hazardFire + " " + hazardAirbag,
	}, "secure")
	b.mountStep()
	b.step(Step{
		ID: "route", Title: "Lay the conductors in the vehicle", Do: b.work("feed", "output") + " Keep them from heat, moving and sharp parts and high-voltage cables, and apart from aerial leads and other loads' cables; clip them so that nothing hangs.",
		Reason: "A chafed or hot conductor fails; one beside others picks up their noise.", Hazard: "On hybrid and battery vehicles stay clear of the high-voltage cables; a qualified person works near them.", Waits: b.waits("circuit"),
	}, "isolate")
	b.step(Step{ID: "bulkhead", Title: "Pass bulkheads", Do: "Through every hole in metal a grommet that fits it, sealed against water and fumes; never through a hole shared with a steering shaft or pedal.", Reason: "Bare metal cuts insulation."}, "route")
	b.step(Step{ID: "protection", Title: "Set the protection near the battery", Do: b.protect(), Reason: "Ahead of the protection nothing guards the conductor: keep that stretch short.", Hazard: hazardFire, Waits: b.waits("protection")}, "route")
	b.step(Step{ID: "earth", Title: "Earth the controller", Do: b.earth(), Reason: "An earth that others share moves the controller's zero: lamps and radio then brake the trailer.", Hazard: hazardFire}, "route", "mount")
	b.returnStep()
	b.stopStep()
	b.socketStep()
	b.step(Step{ID: "cold-polarity", Title: "Prove polarity without power", Do: "Battery still off: continuity from the feed end to the protection and from the earth end to battery negative's lead; none between the two, none from the brake output to earth with the trailer unplugged.", Reason: "A crossed pair is found while it can do no harm."}, "protection", "earth", "return", "stop", "socket")
}

// mountStep: where the controller goes, if one is to be fitted at all.
func (b *builder) mountStep() {
	c := b.q.Controller
	switch {
	case c.VehicleBuiltIn != nil && *c.VehicleBuiltIn:
		b.step(Step{ID: "mount", Title: "Use the control that the vehicle has", Do: "Fit no second controller. Use the maker's provision for trailer brakes, and tell the vehicle of the trailer as its maker says.", Reason: "Two controllers work against each other, and the vehicle looks for the magnets to know that a trailer is there."}, "isolate", "parts")
	case c.OnTrailer != nil && *c.OnTrailer:
		b.step(Step{ID: "mount", Title: "Mount the controller on the trailer", Do: "Fix the controller rigidly to the frame, dry and away from the wheels, within the angles that its maker allows; on more than one axle with a height-adjustable drawbar, to the chassis.", Reason: "A sensor that tilts with the drawbar misreads."}, "isolate", "parts")
	default:
		do := "Fix the controller rigidly where the driver's hand reaches it, out of the way of knees and airbags; do not drill blind into the dash."
		if c.Principle == ByDeceleration || c.Principle == "" {
			do += " One that feels deceleration is set in line with the vehicle and within the angles that its maker allows."
		}
		b.step(Step{ID: "mount", Title: "Mount the controller", Do: do, Reason: "A loose or tilted sensor misreads; a part in the wrong place injures.", Hazard: hazardAirbag}, "isolate", "parts")
	}
}

func (b *builder) protect() string {
	const where = "Within 200 to 300 mm of battery positive, on a conductor of its own, not on accessory, ignition or lamp wiring; leave it open until told to close it."
	p := b.p.Protection
	switch {
	case p.Rating > 0:
		return fmt.Sprintf("Fit a holder for %s. %s", amps(p.Rating), where)
	case p.State == Unfit:
		return "No rating suits this circuit as it stands: change the conductors first. " + where
	}
	return "The rating is not known yet: it waits for inputs. " + where
}

func (b *builder) earth() string {
	const good = "A clean ring terminal at battery negative or, where a battery sensor sits on that post, at the chassis point on the body side of it."
	if b.q.Wiring.EarthAt != "" && !slices.Contains(circuit.EarthPlaces[:2], b.q.Wiring.EarthAt) {
		return "Move the earth from the " + spaced(b.q.Wiring.EarthAt) + ". " + good
	}
	return good
}

func (b *builder) returnStep() {
	do := "Lay a return from the earth contact of the socket to the controller's earth point, at least as large as the brake output and larger if lamps share it. The coupling is no earth."
	if b.q.Wiring.Return == ReturnChassis {
		do = "The request takes the frame for the return. Between the vehicles a conductor through the connector is needed in any case; better lay one all the way. Clean every point where the current enters or leaves the frame, and measure the whole path."
	}
	b.step(Step{ID: "return", Title: "Bring the current back", Do: do, Reason: "Half of what the line loses, it loses on the way back."}, "route")
}

func (b *builder) stopStep() {
	s := b.p.StopSignal
	do := s.PickUp
	if do == "" {
		do = "Find out first how the stop lamps are fed: this decides where the signal may be taken."
	}
	switch s.Diode {
	case rules.Yes:
		do += fmt.Sprintf(" Fit a diode that conducts from vehicle to controller, for at least %s.", amps(s.DiodeAmp))
	case rules.DontKnow:
		do += " Whether a diode belongs in the wire is open."
	}
	b.step(Step{ID: "stop", Title: "Take the stop signal", Do: do, Reason: "On the wrong wire the brakes come on by themselves, or not at all, or a module is upset.", Hazard: "The vehicle maker's workshop manual overrules this advice.", Waits: b.waits("stop_signal")}, "isolate", "mount")
}

func (b *builder) socketStep() {
	c := b.p.Connector
	do := c.Says
	switch c.Result {
	case string(circuit.Refused):
		do = "Do not plug the two together. " + do
	case string(circuit.Adaptor):
		do = "Wire an adaptor, by function. " + do
	}
	for _, f := range b.p.Findings {
		if f.ID == "connector.brake_pin" && f.Status == rules.NotMet {
			do += " " + f.Summary + " " + f.Remedy
		}
	}
	var pins []string
	for _, p := range c.Pins {
		if p.Function == string(circuit.Brake) || p.Function == string(circuit.Earth) {
			pins = append(pins, strings.TrimSpace(fmt.Sprintf("%s %s", p.Trailer, p.Does)))
		}
	}
	if len(pins) > 0 {
		do += " Contacts that the brakes need: " + strings.Join(pins, ", ") + "; every contact stands under connector."
	}
	b.step(Step{ID: "socket", Title: "Terminate socket and plug", Do: do + " Crimp with the tool of the terminal, pull each crimp, seal against water. Wire by function and meter, never by colour.", Reason: "A wrong contact works the brakes by a lamp, or not at all.", Waits: b.waits("connector")}, "route", "return")
}

// trailerSteps: the line on the trailer and the breakaway set.
func (b *builder) trailerSteps() {
	b.step(Step{
		ID: "trailer-line", Title: "Lay the line on the trailer", Do: b.work("trunk", "jumper ", "lead ") + " Support it at least every 600 mm (the figure of an Australian bulletin, second-hand), insulate every joint, leave slack where axles move, and cover it fully where it can chafe: a frame channel alone is no cover.",
		Reason: "Road dirt, water and moving axles break trailer lines before anything else.", Hazard: hazardJack, Waits: b.waits("circuit"),
	}, "secure", "find-out")
	w := b.p.Breakaway
	if w.Electric != rules.Yes {
		return
	}
	do := "Fix the battery upright and dry, with a fuse of its own for the whole bank, and join it to the brake line with conductors as heavy as the line. Fix the pin's cable to the vehicle itself: long enough for a tight turn, short enough to pull before the chains come tight."
	switch {
	case w.Adequate == rules.NotMet:
		do = fmt.Sprintf("Replace the battery: at least %s Ah are needed for %s min. ", enough(w.Needed), figure(w.Hold)) + do
	case w.Needed > 0 && w.Fitted == 0:
		do = fmt.Sprintf("Take a battery of at least %s Ah for %s min. ", enough(w.Needed), figure(w.Hold)) + do
	}
	if w.Charged == rules.Yes {
		do += " Lay a fused charge line through the connector, isolated by a diode or relay; the law of the place asks for it."
	}
	if w.Indicator == rules.Yes {
		do += " Fit the display of the battery where the driver sees it; the law of the place asks for it."
	}
	b.step(Step{ID: "breakaway", Title: "Fit the breakaway set", Do: do, Reason: "It stops the trailer when all else has failed.", Hazard: hazardFire, Waits: b.waits("breakaway")}, "trailer-line")
}

// adjustStep: the brakes themselves.
func (b *builder) adjustStep() {
	do := "Lift and secure each braked wheel; set the clearance as the axle maker says, turning the wheel forwards; see that linings, drums, seals and wheel bearings are sound."
	if b.p.Proof.Overrun {
		do = "Linkage and parking brake slack: set each wheel brake first as the axle maker says, then the linkage without preload, then the cables; never take up worn linings with the linkage."
	}
	b.step(Step{ID: "adjust", Title: "Adjust the wheel brakes", Do: do, Reason: "No current and no lever makes up for a brake that is out of adjustment.", Hazard: hazardJack + " Brake dust is not to be breathed."}, "secure")
}

// powerSteps: the proofs on the stand, and power.
func (b *builder) powerSteps() {
	b.step(Step{ID: "prove-line", Title: "Prove the trailer by itself", Do: "Unplugged: insulation of the brake line, then all magnets together. Do not go on before both are right.", Reason: "A short on the trailer is found before it meets a controller.", Hazard: hazardHot}, "trailer-line", "adjust", "breakaway")
	b.step(Step{ID: "reconnect", Title: "Reconnect the battery last", Do: "Everything terminated, the protection still open, the controller still unplugged: battery positive if it was off, then battery negative last. Enter what radio and windows want.", Reason: "Until now no mistake could do harm.", Hazard: hazardFire}, "cold-polarity", "prove-line", "bulkhead")
	b.step(Step{ID: "polarity", Title: "Prove polarity with power", Do: "Close the protection with the controller still unplugged, and measure. Then open it again.", Reason: "A reversed feed destroys most controllers at once.", Hazard: hazardFire}, "reconnect")
	b.step(Step{ID: "connect", Title: "Connect the controller", Do: "Protection open: connect the controller. Then close the protection.", Reason: "Nothing is plugged in under power."}, "polarity")
	b.step(Step{ID: "prove-supply", Title: "Measure the supply", Do: "Engine running.", Reason: "Every other figure follows from it.", Hazard: "Keep clear of belts and fans; exhaust gas kills in a closed shop."}, "connect")
	b.step(Step{ID: "prove-stop", Title: "Prove the stop signal", Do: strings.Join(b.p.StopSignal.Tests, " "), Reason: "The driver's foot, and nothing else, may work the trailer brakes."}, "prove-supply")
	if b.p.Proof.Actuator == Magnets {
		b.step(Step{ID: "prove-idle", Title: "Prove that nothing brakes by itself", Do: "Trailer plugged in, pedal up; then position lamps, turn signals, hazards.", Reason: "A brake that is always a little on burns."}, "prove-stop")
	}
	b.step(Step{ID: "prove-output", Title: "Measure at full output", Do: b.outputHow(), Reason: "Feed, return and every magnet show under load only.", Hazard: hazardHot}, "prove-stop", "prove-idle")
	b.step(Step{ID: "prove-breakaway", Title: "Prove the breakaway", Do: b.awayHow(), Reason: "Nothing else shows that the trailer stops by itself.", Hazard: hazardJack, Waits: b.waits("breakaway")}, "prove-output")
}

func (b *builder) outputHow() string {
	how := "With the trailer plugged in, by the manual override, a step at a time up to full output."
	switch b.p.Proof.LoadSensing {
	case rules.Yes:
		how += " This controller senses the load or motion: without the trailer, or with a lamp in its place, it reads nothing or wrong. Use the trailer itself; what only motion brings out is proven on the road."
	case rules.DontKnow:
		how += " If the controller senses load or motion, readings without the trailer mean nothing."
	}
	if b.p.Proof.Principle == ByDeceleration {
		how += " At a standstill the pedal brings little or no output; that is no fault."
	}
	return how
}

func (b *builder) awayHow() string {
	how := "Chocked and level. Unplug the trailer, so that nothing is driven back into the controller. Pull the pin; see by current and by each wheel that the brakes are on; time a real hold; refit the pin, see the wheels free, charge the battery. A test lamp that shows voltage without load proves nothing."
	if b.p.Breakaway.Hold > 0 {
		how += fmt.Sprintf(" Hold for %s min.", figure(b.p.Breakaway.Hold))
	}
	return how
}

// mechanicalSteps: what works without current.
func (b *builder) mechanicalSteps() {
	if b.p.Proof.Overrun {
		b.step(Step{ID: "overrun", Title: "Check the overrun device", Do: "Push the sliding shaft in and let it go; look at damper, shaft play, grease and bellows. Compare the range of trailer mass on its plate with this trailer.", Reason: "It is both the coupling and the brake control."}, "adjust")
	}
	if b.p.Proof.Parking {
		b.step(Step{ID: "parking", Title: "Set and prove the parking brake", Do: "Uncoupled on a grade, chocks at a hand's width, nobody behind or below.", Reason: "It holds the trailer when it stands alone.", Hazard: hazardJack}, "adjust", "prove-line")
	}
	if b.p.Electrical.Needed == rules.No && b.p.Proof.Breakaway != rules.No {
		b.step(Step{ID: "prove-breakaway", Title: "Prove the breakaway cable", Do: "Hook the cable to the point that the vehicle maker gives, not to the ball or a removable part; long enough for a tight turn. Then, uncoupled and chocked, pull it by hand: it sets the parking brake and is meant to part only after that.", Reason: "It stops the trailer if the coupling lets go.", Hazard: hazardJack}, "adjust", "parking")
	}
}

// setupSteps: the run at the end. Common practice; no source.
func (b *builder) setupSteps() {
	if b.p.Proof.Braked != rules.Yes || b.p.Electrical.Needed == rules.DontKnow {
		return
	}
	run := []string{"prove-output", "prove-breakaway", "overrun", "parking", "adjust"}
	if b.p.Electrical.Needed == rules.Yes {
		b.step(Step{
			ID: "setup-walk", Title: "Override at walking pace", Do: "Coupled, gain at its lowest, level empty ground: at walking pace apply the override alone. The trailer must slow the rig, the stop lamps must light, and the wheels must come free again.",
			Reason: "The first run at a speed at which nothing can go far wrong.", Hazard: hazardRunaway, Source: practice(high),
		}, run...)
		b.step(Step{
			ID: "setup-gain", Title: "Set the gain from low upwards", Do: "Dry, level, sealed road without traffic; brakes bedded in and warm; low speed, about 40 km/h. Apply the override alone, raise the gain a step at a time until the trailer wheels are just short of locking, then take it back a little. Repeat with the pedal. Never begin high.",
			Reason: "Too little leaves all braking to the vehicle; too much locks the trailer's wheels.", Hazard: hazardRunaway, Source: practice(high),
		}, "setup-walk")
	}
	if b.p.Proof.Overrun {
		b.step(Step{ID: "setup-reverse", Title: "Reverse", Do: "Back slowly up a slight rise; the trailer must not hold the rig.", Reason: "The device has to let go in reverse.", Hazard: hazardRunaway}, run...)
	}
	b.step(Step{ID: "setup-road", Title: "Road test with the trailer", Do: "From walking pace up to the speed to be recorded: stop, record speed, surface, and deceleration or distance; watch for a pull and for locking wheels.", Reason: "Only a stop shows that the rig stops.", Hazard: hazardRunaway}, "setup-gain", "setup-reverse", "adjust")
	b.step(Step{ID: "setup-laden", Title: "Repeat laden", Do: "The same with the load that the trailer is to carry; with an adjustable gain set it anew, and note both settings for the driver.", Reason: "What suits an empty trailer is too weak for a laden one.", Hazard: hazardRunaway, Source: practice(high)}, "setup-road")
	b.step(Step{ID: "record", Title: "Record and hand over", Do: "Enter every reading, batch and serial numbers of the parts, who did the work and when; explain to the driver what to check before each trip.", Reason: "What is not recorded cannot be shown later."}, "setup-laden", "prove-breakaway")
}

// cautions are what the plan can and cannot be relied on for.
func (b *builder) cautions() {
	add := func(s string) { b.p.Cautions = appendNew(b.p.Cautions, s) }
	add("This plans work and approves nothing. Local codes, the makers' instructions for vehicle, trailer and every part, and licensed practice come first; brake and vehicle wiring is done or checked by a qualified person where the place asks for it.")
	if len(b.p.Steps) > 0 {
		add(hazardJack)
	}
	switch b.p.Electrical.Needed {
	case rules.Yes:
		add("The voltage shocks nobody; the current starts fires. " + hazardFire)
		add(hazardRunaway)
		add("Figures hold to two or three digits. A cable that passes here has been sized, not approved.")
		add("Orders of work, tolerances and set-up runs are common practice with no published source, unless one is named beside them.")
		add("A manual override is for tests, sway and emergencies; some places forbid its use in place of the service brake.")
		if b.p.Proof.LoadSensing == rules.Yes {
			add("The controller senses the load or motion: it cannot be proven on the bench, and the job counts as proven only with a road test with the trailer.")
		}
	case rules.No:
		add("Lamps and their connector are wired as their standard has it and are not part of this plan.")
	default:
		add("What the job is cannot be told yet; nothing here means that nothing is needed.")
	}
	for _, x := range b.p.Needs {
		if x.ID == "controller.single" && x.Status == rules.NotMet {
			add("The vehicle has trailer brake control of its own: a second controller usually must not be added.")
		}
	}
	for _, l := range b.p.Law {
		for _, c := range l.Citations {
			if c.NeedsConfirming {
				add("Some of the law rests on second-hand reports or memory and needs confirming: see the citations under law.")
			}
		}
	}
}
