package fitting

import (
	"fmt"

	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/quantity"
)

// stopSignal says where the controller learns that the driver brakes.
func (b *builder) stopSignal() {
	s := &b.p.StopSignal
	*s = StopSignal{State: NotNeeded, WaitsFor: []Pointer{}, Diode: rules.DontKnow, Tests: []string{}, Notes: []string{}, Sources: []circuit.Source{}}
	if b.p.Electrical.Needed == rules.No {
		s.Diode = rules.No
		return
	}
	s.State = Open
	in := circuit.Stop{Kind: b.word(factStop), Volts: b.nominal}
	if in.Kind == "" {
		s.WaitsFor = append(s.WaitsFor, b.missRig("stop_signal", factStop))
	}
	if b.nominal == 0 {
		s.WaitsFor = append(s.WaitsFor, b.missRig("stop_signal", factVolts))
		return
	}
	if v, known := b.r.Bool(factAssisted); known {
		in.Assisted = &v
	}
	// Only an override that feeds the lamps through this very wire keeps a diode
	// out of it.
	if back := b.q.Controller.FeedsBack; back != nil {
		feeds := *back
		if lights := b.q.Controller.OverrideLightsStop; lights != nil {
			feeds = feeds && *lights
		}
		in.BackFeed = &feeds
	}
	if x, err := circuit.Amps("/controller/signal_current", b.q.Controller.SignalCurrent); err == nil {
		in.Amps = &x
	}
	got, err := circuit.TakeStop(in)
	if err != nil {
		s.Notes = append(s.Notes, why(err))
		return
	}
	for i, x := range got.PickUp {
		if i > 0 {
			s.PickUp += " "
		}
		s.PickUp += x.Says
		s.Sources = appendNew(s.Sources, x.Source)
	}
	for _, t := range got.Prove {
		s.Tests = append(s.Tests, t.Do+" Expect "+t.Expect+".")
	}
	for _, c := range got.Cautions {
		s.Notes = append(s.Notes, c.Says)
	}
	s.Notes = append(s.Notes, got.Diode.Why, got.Manual)
	s.DiodeAmp, s.Diode = got.Diode.Amps, rules.Tri(got.Diode.Fit)
	switch s.Diode {
	case rules.No:
		s.DiodeAmp = 0
	case rules.DontKnow:
		for _, need := range got.Needs {
			switch need {
			case "/assisted_stability":
				s.WaitsFor = append(s.WaitsFor, b.missRig("stop_signal", factAssisted))
			case "/back_feed":
				s.WaitsFor = append(s.WaitsFor, b.miss("stop_signal", inRequest("/controller/feeds_back"), "whether the controller can put voltage on the stop-signal wire"))
			}
		}
	}
	if in.Kind != "" {
		s.State = Designed
	}
	b.switchLoad()
}

// switchLoad holds what the pick-up adds to the stop-lamp circuit against what
// its switch may carry, where either is told.
func (b *builder) switchLoad() {
	w, c := b.q.Wiring, b.q.Controller
	if w.StopLampSwitch.IsZero() && w.StopLampLoad.IsZero() {
		return
	}
	f := Finding{
		ID: "stop.load", Level: "rating", Status: rules.Unknown, Source: circuit.Source{Title: "UN Regulation 13, 11 series", Clause: "5.2.1.19.3", How: fromMemory, Confidence: medium},
		Summary: "Whether the stop-lamp switch and its circuit can carry the lamps and the controller's input together is open.",
	}
	for _, x := range []struct {
		q            quantity.Quantity
		ptr, meaning string
	}{
		{w.StopLampSwitch, "/wiring/stop_lamp_switch", "what the stop-lamp switch and its circuit are rated for"},
		{w.StopLampLoad, "/wiring/stop_lamp_load", "current of all lamps on the circuit of the pick-up"},
		{c.SignalCurrent, "/controller/signal_current", "current that the controller draws from the stop-signal wire"},
	} {
		if x.q.IsZero() {
			f.WaitsFor = append(f.WaitsFor, b.miss("stop_signal", inRequest(x.ptr), x.meaning))
		}
	}
	if len(f.WaitsFor) == 0 {
		rated, load := w.StopLampSwitch.Base(), w.StopLampLoad.Base()+c.SignalCurrent.Base()
		f.Status = rules.Met
		f.Summary = fmt.Sprintf("Lamps and controller take %s A together; switch and circuit are rated for %s.", figure(float64(load)/1e6), w.StopLampSwitch.Text())
		if load > rated {
			f.Status, f.Remedy = rules.NotMet, "Take the signal through a relay that the switch can carry."
		}
	}
	b.find(f)
}
