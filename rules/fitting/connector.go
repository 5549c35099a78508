package fitting

import (
	"slices"

	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/rig"
)

// connector plans plug and socket.
func (b *builder) connector() {
	c := &b.p.Connector
	*c = Connector{
		State: NotNeeded, WaitsFor: []Pointer{}, Vehicle: b.word(factSocket), Trailer: b.word(factPlug), Result: "unknown",
		Pins: []Pin{}, Hazards: []string{}, Notes: []string{}, Sources: []circuit.Source{},
	}
	if b.p.Electrical.Needed == rules.No {
		c.Says = "The brakes need no pin. Lamps are wired as the standard of the plug has it."
		return
	}
	c.State = Open
	for _, id := range []rig.ID{factSocket, factPlug} {
		if b.word(id) == "" {
			c.WaitsFor = append(c.WaitsFor, b.missRig("connector", id))
		}
	}
	if len(c.WaitsFor) > 0 {
		c.Says = "The connectors on both sides must be known."
		return
	}
	var braked *bool
	if yes := true; b.p.Electrical.Needed == rules.Yes {
		braked = &yes
	}
	got, err := circuit.Match(circuit.Side{Connector: c.Vehicle, Volts: b.nominal}, circuit.Side{Connector: c.Trailer, Volts: b.trailerVolts(), ElectricBrakes: braked})
	if err != nil {
		c.Says = why(err)
		return
	}
	c.Result, c.Says = string(got.Result), got.Says
	for _, l := range got.Links {
		c.Pins = append(c.Pins, Pin{
			Function: string(l.Function), Trailer: l.Trailer.Pin, Does: l.Trailer.Says, Vehicle: l.Vehicle.Pin, Gets: l.Vehicle.Says,
			Colour: l.Trailer.Colour, Least: l.MinArea, Served: true, Note: l.Note, Source: l.Trailer.Source,
		})
	}
	for _, p := range got.Unserved {
		c.Pins = append(c.Pins, Pin{Function: string(p.Function), Trailer: p.Pin, Does: p.Says, Colour: p.Colour, Least: p.MinArea, Source: p.Source})
	}
	for _, x := range got.Conflicts {
		c.Hazards = append(c.Hazards, "Pin "+x.Pin+": "+x.Effect)
	}
	c.Notes = append(c.Notes, got.Cautions...)
	c.Sources = append(c.Sources, got.Sources...)
	b.judgeConnector(got)
}

// trailerVolts is the nominal voltage of the brakes on the trailer; that of the
// vehicle if nothing else is told.
func (b *builder) trailerVolts() float64 {
	if v, err := circuit.Volts("/actuator/rated_voltage", b.q.Actuator.RatedVoltage); err == nil {
		return v
	}
	return b.nominal
}

func (b *builder) judgeConnector(got circuit.Plan) {
	c := &b.p.Connector
	f := Finding{ID: "connector.match", Level: "rating", Source: circuit.Source{Title: "open standards of the connectors, as listed under connector", How: "second-hand", Confidence: medium}, Summary: got.Says}
	switch got.Result {
	case circuit.Direct:
		c.State, f.Status = Designed, rules.Met
	case circuit.Adaptor:
		c.State, f.Status, f.Level, f.Remedy = Designed, rules.NotMet, "practice", "Wire an adaptor by the plan of pins, or change one connector."
	case circuit.Refused:
		c.State, f.Status, f.Remedy = Unfit, rules.NotMet, "Change one connector, and do not plug the two together before."
	default:
		f.Status = rules.Unknown
		if b.nominal == 0 {
			c.WaitsFor = append(c.WaitsFor, b.missRig("connector", factVolts))
		}
		f.WaitsFor = c.WaitsFor
	}
	b.find(f)
	v, okV := circuit.ConnectorOf(c.Vehicle)
	t, okT := circuit.ConnectorOf(c.Trailer)
	if !okV || !okT || b.p.Electrical.Needed != rules.Yes {
		return
	}
	carries := func(k circuit.Connector) bool {
		return slices.ContainsFunc(k.Pins, func(p circuit.Pin) bool { return p.Function == circuit.Brake })
	}
	pin := Finding{ID: "connector.brake_pin", Level: "rating", Status: rules.Met, Summary: "Plug and socket both have a contact for the brake output.", Source: f.Source}
	if !carries(v) || !carries(t) {
		pin.Status = rules.NotMet
		pin.Summary = "There is no contact for the brake output on both sides."
		pin.Remedy = "Give the brakes a plug and socket of their own, or change both to a standard that has the contact."
		c.State = Unfit
	}
	b.find(pin)
}
