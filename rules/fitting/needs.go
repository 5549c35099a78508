package fitting

import (
	"fmt"
	"slices"

	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/rig"
)

// needs lists what the controller and the actuator must be able to do on this
// rig. It describes characteristics, never a product.
func (b *builder) needs() {
	if b.p.Electrical.Needed != rules.Yes || b.kind == "" || b.kind == NoActuator {
		return
	}
	b.supplyRange()
	if b.kind == Magnets {
		b.needCurrent()
		b.needAxles()
	} else {
		b.flag("controller.electric_hydraulic", "practice", "An output that works an electric-hydraulic actuator.",
			"The actuator draws its supply from elsewhere and takes only a signal from the brake output; an output made for magnets may not be read by it.",
			b.q.Controller.DrivesElectricHydraulic, true, "/controller/drives_electric_hydraulic", practice(high))
	}
	b.flag("controller.override", "practice", "A manual override that applies the trailer brakes alone, in reach of the driver.", b.whyOverride(),
		b.q.Controller.ManualOverride, true, "/controller/manual_override", practice(high))
	b.flag("controller.override_lamps", "practice", "An override that lights the trailer's stop lamps.", "Who follows must see that the trailer is braked.",
		b.q.Controller.OverrideLightsStop, true, "/controller/override_lights_stop", practice(medium))
	b.flag("controller.adjustable", "practice", "A gain that the driver sets from the seat.", b.whyAdjustable(),
		b.q.Controller.AdjustableFromSeat, true, "/controller/adjustable_from_seat", practice(high))
	b.needPrinciple()
	if v := b.q.Controller.VehicleBuiltIn; v != nil && *v {
		b.flag("controller.single", "practice", "That it is the only one: the vehicle has trailer brake control of its own.",
			"A second controller works against the first, and the vehicle's own looks for the magnets to know that a trailer is there.", ptr(false), true, "/controller/vehicle_built_in", practice(high))
	}
	b.needVoltage()
}

func ptr[T any](x T) *T { return &x }

func (b *builder) need(n Need) {
	if n.WaitsFor == nil {
		n.WaitsFor = []Pointer{}
	}
	if n.Of == "" {
		n.Of = "controller"
	}
	b.p.Needs = append(b.p.Needs, n)
}

// flag needs a thing of yes or no.
func (b *builder) flag(id, level, needs, because string, has *bool, want bool, at string, src circuit.Source) {
	n := Need{ID: id, Level: level, Needs: needs, Because: because, Status: rules.Unknown, Source: src}
	switch {
	case has == nil:
		n.WaitsFor = []Pointer{b.miss("needs", inRequest(at), "of the controller: "+needs)}
	case *has == want:
		n.Has, n.Status = yesNo(*has), rules.Met
	default:
		n.Has, n.Status = yesNo(*has), rules.NotMet
	}
	b.need(n)
}

func yesNo(v bool) string {
	if v {
		return "yes"
	}
	return "no"
}

func (b *builder) supplyRange() {
	c := b.q.Controller
	n := Need{ID: "controller.supply", Level: "rating", Needs: "A supply range that holds the voltage of this vehicle.", Because: "Outside it the controller fails or is destroyed.", Status: rules.Unknown, Source: practice(high)}
	if b.nominal > 0 {
		n.Because = fmt.Sprintf("The vehicle has %s nominal; outside its range a controller fails or is destroyed.", volts(b.nominal))
	}
	want := b.p.Circuit.Supply
	if want == 0 { // nothing is designed yet: the supply may be told all the same
		want, _ = circuit.Volts("/wiring/supply", b.q.Wiring.Supply)
	}
	switch {
	case c.SupplyLeast.IsZero():
		n.WaitsFor = append(n.WaitsFor, b.miss("needs", inRequest("/controller/supply_least"), "lowest supply voltage of the controller"))
	case c.SupplyMost.IsZero():
		n.WaitsFor = append(n.WaitsFor, b.miss("needs", inRequest("/controller/supply_most"), "highest supply voltage of the controller"))
	case want == 0 || b.nominal == 0:
		if want == 0 {
			n.WaitsFor = append(n.WaitsFor, b.miss("needs", inRequest("/wiring/supply"), "voltage at the vehicle battery, engine running"))
		}
		if b.nominal == 0 {
			n.WaitsFor = append(n.WaitsFor, b.missRig("needs", factVolts))
		}
	default:
		lo, _ := circuit.Volts("/controller/supply_least", c.SupplyLeast)
		hi, _ := circuit.Volts("/controller/supply_most", c.SupplyMost)
		n.Has = c.SupplyLeast.Text() + " to " + c.SupplyMost.Text()
		n.Status = rules.Met
		if want < lo || want > hi || b.nominal < lo || b.nominal > hi {
			n.Status = rules.NotMet
		}
	}
	b.need(n)
}

func (b *builder) needCurrent() {
	n := Need{ID: "controller.current", Level: "rating", Needs: "An output current for all magnets at once.", Because: "All magnets draw together at full output.", Status: rules.Unknown, Source: physics}
	peak := b.p.Circuit.Peak
	if peak == 0 {
		n.WaitsFor = append(n.WaitsFor, b.p.Circuit.WaitsFor...)
	} else {
		n.Needs = fmt.Sprintf("An output current of at least %s A for as long as the brakes are on.", enough(peak))
		n.Because = fmt.Sprintf("%d magnets of %s draw %s A together when cold at %s.", b.p.Circuit.Magnets, ohms(b.p.Circuit.Magnet), enough(peak), volts(b.p.Circuit.Supply))
	}
	has := b.q.Controller.MaximumCurrent
	if has.IsZero() {
		n.WaitsFor = append(n.WaitsFor, b.miss("needs", inRequest("/controller/maximum_current"), "current that the controller can put out for long"))
	} else {
		n.Has = has.Text()
		if x, err := circuit.Amps("/controller/maximum_current", has); err == nil && peak > 0 {
			n.Status = rules.Met
			if x < peak*(1-1e-9) {
				n.Status = rules.NotMet
			}
		}
	}
	b.need(n)
}

func (b *builder) needAxles() {
	n := Need{ID: "controller.axles", Level: "rating", Needs: "Made for as many braked axles as the trailer has.", Because: "Makers rate controllers by axles; more overload the output.", Status: rules.Unknown, Source: practice(high)}
	if b.braked > 0 {
		n.Needs = fmt.Sprintf("Made for at least %d braked axles.", b.braked)
	} else {
		n.WaitsFor = append(n.WaitsFor, b.missRig("needs", factBraked))
	}
	if has := b.q.Controller.AxlesServed; has == 0 {
		n.WaitsFor = append(n.WaitsFor, b.miss("needs", inRequest("/controller/axles_served"), "braked axles for which the controller is made"))
	} else {
		n.Has = fmt.Sprint(has)
		if b.braked > 0 {
			n.Status = rules.Met
			if has < b.braked {
				n.Status = rules.NotMet
			}
		}
	}
	b.need(n)
}

func (b *builder) overrideByLaw() bool {
	return b.asks("service_brakes.operable_from_cab") == rules.Yes
}

func (b *builder) whyOverride() string {
	why := "Without it the brakes can be neither set up nor tried alone, and sway cannot be calmed."
	if b.overrideByLaw() {
		why += " The law asks that the driver can work the trailer brakes from the seat; whether a hand control is what it means, read in the rule itself."
	}
	return why
}

// whyAdjustable tells how far the load of this trailer can change.
func (b *builder) whyAdjustable() string {
	tare, okTare := b.r.Quantity(factTare)
	total, okTotal := b.r.Quantity(factTotal)
	if okTare && okTotal {
		return fmt.Sprintf("The trailer weighs from %s empty to %s laden: one gain cannot suit both.", tare.Text(), total.Text())
	}
	return "The gain must follow load and surface."
}

func (b *builder) needPrinciple() {
	n := Need{
		ID: "controller.graduated", Level: "practice", Needs: "Braking that follows how hard the driver brakes.",
		Because: "A ceiling that is reached whatever the driver does brakes too hard or too little as the load changes.", Status: rules.Unknown, Source: practice(high),
	}
	switch p := b.q.Controller.Principle; p {
	case "":
		n.WaitsFor = append(n.WaitsFor, b.miss("needs", inRequest("/controller/principle"), "how the controller works out its output"))
	case ByDeceleration, ByPedal:
		n.Has, n.Status = spaced(p), rules.Met
	default:
		n.Has, n.Status = spaced(p), rules.NotMet
	}
	b.need(n)
}

// needVoltage holds the rated voltage of the actuator against the system.
func (b *builder) needVoltage() {
	n := Need{ID: "actuator.voltage", Of: "actuator", Level: "rating", Needs: "The nominal voltage of the vehicle.", Because: "Current grows with voltage and heat with its square.", Status: rules.Unknown, Source: physics}
	rated := b.q.Actuator.RatedVoltage
	if rated.IsZero() {
		n.WaitsFor = append(n.WaitsFor, b.miss("needs", inRequest("/actuator/rated_voltage"), "nominal voltage for which the magnets or the pump are made"))
	}
	if b.nominal == 0 {
		n.WaitsFor = append(n.WaitsFor, b.missRig("needs", factVolts))
	}
	if !rated.IsZero() {
		n.Has = rated.Text()
	}
	if len(n.WaitsFor) == 0 {
		x, _ := circuit.Volts("/actuator/rated_voltage", rated)
		got, err := circuit.OnVoltage(x, b.nominal)
		if err == nil {
			n.Status, n.Because = rules.Met, got.Says
			if !got.Allowed {
				n.Status = rules.NotMet
			}
		}
	}
	b.need(n)
}

// bornByUN is the frame, and the approval, under which the rules of UN
// Regulation 13 for electrical service brakes apply.
const bornByUN = "un-r13"

// european holds an electrical system against the European rules where UN
// Regulation 13 is part of the answer or the trailer is approved to it.
func (b *builder) european() {
	approvals, _ := b.r.Set(factApprovals)
	under := slices.ContainsFunc(b.a.Rulesets, func(r rules.RulesetRef) bool { return r.ID == bornByUN }) || slices.Contains(approvals, bornByUN)
	if !under || b.p.Electrical.Needed != rules.Yes || b.kind != Magnets {
		return
	}
	e := circuit.European{RegulatorOnTrailer: b.q.Controller.OnTrailer}
	if b.nominal > 0 {
		e.Volts = &b.nominal
	}
	if p := b.p.Circuit.Peak; p > 0 {
		e.Amps = &p
	}
	if tare, ok := b.r.Quantity(factTare); ok {
		if total, ok := b.r.Quantity(factTotal); ok && total.Base() > 0 {
			share := float64(tare.Base()) / float64(total.Base())
			if share <= 1 {
				e.UnladenShare = &share
			}
		}
	}
	if !b.q.Wiring.StopLampSwitch.IsZero() {
		x, _ := circuit.Amps("/wiring/stop_lamp_switch", b.q.Wiring.StopLampSwitch)
		e.SwitchAmps = &x
	}
	if !b.q.Wiring.StopLampLoad.IsZero() && !b.q.Controller.SignalCurrent.IsZero() {
		lamps, _ := circuit.Amps("/wiring/stop_lamp_load", b.q.Wiring.StopLampLoad)
		signal, _ := circuit.Amps("/controller/signal_current", b.q.Controller.SignalCurrent)
		e.StopAndBrakeAmps = ptr(lamps + signal)
		e.ByStopLamp = ptr(true)
	}
	checks, err := circuit.CheckEuropean(e)
	if err != nil {
		return
	}
	for _, c := range checks {
		at, told := europeanInputs[c.ID]
		if !told || c.Status == circuit.NotApplicable {
			continue
		}
		f := Finding{ID: c.ID, Level: string(c.Level), Status: statusOf(c.Status), Summary: c.Says, Source: c.Source}
		if c.Status == circuit.Unknown {
			for _, need := range c.Needs {
				if p, ok := at[need]; ok {
					f.WaitsFor = append(f.WaitsFor, b.miss("european", p, c.Says))
				}
			}
		}
		if c.Status == circuit.NotMet {
			f.Remedy = "This route needs brakes and a regulator approved to UN Regulation 13; see its text."
		}
		b.find(f)
	}
}

// europeanInputs are the European checks that rig and request can decide, with
// the fields behind their inputs. The others need the approval itself.
var europeanInputs = map[string]map[string]Pointer{
	"eu.voltage":              {"/nominal_v": inRig(factVolts)},
	"eu.current":              {"/amps": inRequest("/actuator/resistance")},
	"eu.regulator_on_trailer": {"/regulator_on_trailer": inRequest("/controller/on_trailer")},
	"eu.load_regulated":       {"/unladen_share": inRig(factTare)},
	"eu.stop_lamp_load":       {"/switch_amps": inRequest("/wiring/stop_lamp_switch"), "/stop_load_amps": inRequest("/wiring/stop_lamp_load")},
}

// placement holds what is told of the feed and the return against practice.
func (b *builder) placement() {
	if b.p.Electrical.Needed == rules.No {
		return
	}
	w := b.q.Wiring
	in := circuit.Fed{From: w.FedFrom, Earth: w.EarthAt}
	if !w.ProtectedAt.IsZero() {
		x, _ := circuit.Metres("/wiring/protected_at", w.ProtectedAt)
		in.Protected = &x
	}
	if w.Return != "" {
		in.ReturnConductor = ptr(w.Return == ReturnConductor)
	}
	checks, err := circuit.CheckFeed(in)
	if err != nil {
		return
	}
	told := map[string]bool{
		"feed.from_battery": w.FedFrom != "", "feed.near_battery": !w.ProtectedAt.IsZero(), "earth.direct": w.EarthAt != "", "return.conductor": w.Return != "",
	}
	for _, c := range checks {
		if !told[c.ID] { // the work plan says how it is done
			continue
		}
		f := Finding{ID: c.ID, Level: string(c.Level), Status: statusOf(c.Status), Summary: c.Says, Source: c.Source}
		if c.Status == circuit.NotMet {
			f.Remedy = "Change it; the work plan says how."
		}
		b.find(f)
	}
}

// yes reports whether a fact of the rig is told and true.
func (b *builder) yes(id rig.ID) bool {
	v, known := b.r.Bool(id)
	return known && v
}
