package fitting

import (
	"errors"
	"fmt"
	"slices"
	"strconv"

	"drawgear/rules"
	"drawgear/rules/circuit"
)

// breakaway sizes the battery for the hold that is asked for.
func (b *builder) breakaway() {
	w := &b.p.Breakaway
	*w = Breakaway{
		State: Open, WaitsFor: []Pointer{}, Required: b.a.Answers.Breakaway.Required, Electric: rules.DontKnow, Adequate: rules.Unknown,
		Indicator: b.asks("breakaway.battery_indicator"), Charged: b.asks("breakaway.charged_from_vehicle"),
		Factors: []string{}, Notes: []string{}, Sources: []circuit.Source{},
	}
	kind := b.word(factAway)
	switch {
	case w.Required == rules.No && (kind == "none" || kind == "" && !b.q.Breakaway.present()):
		w.State, w.Electric, w.Adequate = NotNeeded, rules.No, rules.NotApplicable
		w.Notes = append(w.Notes, "No breakaway is asked for and none is told of.")
		return
	case kind == "secondary_coupling":
		w.State, w.Electric, w.Adequate = NotNeeded, rules.No, rules.NotApplicable
		w.Notes = append(w.Notes, "A second coupling keeps the trailer behind the vehicle; no battery takes part.")
		return
	case b.p.Electrical.Needed == rules.No:
		w.State, w.Electric, w.Adequate = NotNeeded, rules.No, rules.NotApplicable
		w.Notes = append(w.Notes, "The brakes work without current: a cable to the brake lever applies them, and no battery takes part.")
		return
	case b.p.Electrical.Needed == rules.DontKnow:
		w.Notes = append(w.Notes, "Whether the brakes need current is open, and so whether a battery takes part.")
		return
	}
	w.Electric = rules.Yes
	b.holdAsked()
	b.size()
}

// holdAsked settles for how long the battery must hold.
func (b *builder) holdAsked() {
	w := &b.p.Breakaway
	ask, ok := b.ask("breakaway.hold")
	minutes, read := parseHold(ask.Value)
	switch {
	case ok && read:
		w.Hold, w.HoldFrom = minutes, "the law: "+ask.Value
	case ok || w.Required == rules.DontKnow:
		w.HoldFrom = "the law's answer is open"
		for _, m := range b.a.Missing {
			if slices.ContainsFunc(b.a.Findings, func(f rules.Finding) bool {
				return f.Status == rules.Unknown && hasBreakaway(f.Question) && slices.Contains(f.WaitsFor, m.Pointer)
			}) {
				w.WaitsFor = append(w.WaitsFor, b.miss("breakaway", Pointer{InRig, m.Pointer}, m.Meaning))
			}
		}
	default:
		w.Hold, w.HoldFrom = 15, "customary, 15 min; the law here names no time (common practice, no published source)"
	}
}

func hasBreakaway(question string) bool {
	return question == "breakaway.hold" || question == "breakaway.required" || question == "breakaway.any_of"
}

// size works out the battery and judges the one fitted.
func (b *builder) size() {
	w := &b.p.Breakaway
	q := b.q.Breakaway
	want := func(ptr, meaning string) {
		w.WaitsFor = append(w.WaitsFor, b.miss("breakaway", inRequest(ptr), meaning))
	}
	if b.kind == ElectricHydraulic {
		w.Notes = append(w.Notes, "Magnet sums do not apply to a pump: take the battery that its maker states for the hold, and prove it by the clock.")
		w.Adequate = rules.Unknown
		return
	}
	for _, ptr := range b.p.Circuit.WaitsFor {
		if ptr.Document == InRequest && (ptr.Pointer == "/actuator/resistance" || ptr.Pointer == "/actuator/voltage" || ptr.Pointer == "/wiring/supply" || ptr.Pointer == "/actuator/count") || ptr == inRig(factMagnets) {
			w.WaitsFor = append(w.WaitsFor, ptr)
			b.forToo("breakaway", ptr)
		}
	}
	capacity, ok := b.capacity()
	if !ok {
		return
	}
	w.Fitted = capacity
	if capacity == 0 {
		want("/breakaway/capacity", "nameplate capacity of the breakaway battery")
	}
	cold := circuit.WorstCase.Cold
	if t, err := circuit.Celsius("/breakaway/coldest", q.Coldest); err == nil {
		f, known := circuit.ColdFactor(t)
		if !known {
			w.Notes = append(w.Notes, "No figure is held for batteries below -18 degC: take the maker's.")
			want("/breakaway/capacity_15min", "what the battery gives in 15 minutes at its coldest, of its maker's table")
			return
		}
		cold = f
	} else {
		w.Notes = append(w.Notes, "No lowest temperature is told: that near freezing is taken.")
	}
	d := circuit.Derating{Ageing: circuit.WorstCase.Ageing, Cold: cold, Depth: circuit.WorstCase.Depth}
	h := circuit.Hold{Magnets: b.p.Circuit.Magnets, Minutes: w.Hold, Derating: &d}
	if len(b.counts) == 0 || w.Hold == 0 || b.p.Circuit.Magnet == 0 {
		return
	}
	h.AmpsEach = b.p.Circuit.Supply / b.p.Circuit.Magnet
	if !q.Other.IsZero() {
		h.Other, _ = circuit.Amps("/breakaway/other_load", q.Other)
	}
	if capacity > 0 {
		h.Battery = &capacity
	}
	switch {
	case !q.Capacity15.IsZero():
		x, _ := circuit.AmpHours("/breakaway/capacity_15min", q.Capacity15)
		h.Table = &circuit.Table{AmpHours: x, Minutes: 15}
	case q.Peukert != "" && q.Chemistry != "lithium_iron_phosphate":
		k, _ := strconv.ParseFloat(q.Peukert, 64) // the decoder saw to its form
		h.Peukert = &circuit.Peukert{Exponent: k, Hours: 20, Kind: q.Chemistry}
	default:
		want("/breakaway/capacity_15min", "what the battery gives when emptied in 15 minutes, of its maker's table; or a Peukert exponent for a lead-acid one")
	}
	b.sized(h)
}

// capacity is the nameplate fitted, 0 if it is not known; false if rig and
// request contradict each other.
func (b *builder) capacity() (float64, bool) {
	told := b.q.Breakaway.Capacity
	entered, known := b.r.Quantity(factBattery)
	if known && !told.IsZero() && told.Cmp(entered) != 0 {
		at := []Pointer{inRig(factBattery), inRequest("/breakaway/capacity")}
		b.find(Finding{
			ID: "breakaway.capacity", Level: "rating", Status: rules.Unknown, WaitsFor: at, Source: practice(high),
			Summary: fmt.Sprintf("The rig has a breakaway battery of %s and the request one of %s.", entered.Text(), told.Text()),
			Remedy:  "Read the nameplate and correct one of the two.",
		})
		b.p.Breakaway.WaitsFor = append(b.p.Breakaway.WaitsFor, at...)
		return 0, false
	}
	if told.IsZero() {
		told = entered
	}
	if told.IsZero() {
		return 0, true
	}
	x, err := circuit.AmpHours("/breakaway/capacity", told)
	return x, err == nil
}

func (b *builder) sized(h circuit.Hold) {
	w := &b.p.Breakaway
	got, err := circuit.SizeHold(h)
	if err != nil {
		var bad *circuit.Bad
		at := []Pointer{}
		if errors.As(err, &bad) && bad.Arg == "/peukert/exponent" {
			at = append(at, inRequest("/breakaway/peukert"))
		}
		b.find(Finding{ID: "breakaway.battery", Level: "practice", Status: rules.Unknown, WaitsFor: at, Summary: "The battery cannot be sized: the exponent " + why(err) + ".", Source: practice(medium)})
		w.WaitsFor = append(w.WaitsFor, at...)
		return
	}
	w.State = Designed
	w.Current, w.Needed = got.Amps, got.Derated
	if got.Needed != nil {
		w.Needed = *got.Needed
	}
	if got.Lasts != nil {
		w.Expected = *got.Lasts
	}
	w.Adequate = statusOf(got.Enough)
	w.Floor = b.floor()
	w.Factors = append(w.Factors, got.Assumes...)
	w.Notes = append(w.Notes, got.Cautions...)
	for _, a := range circuit.BreakawayWiring() {
		if a.ID != "breakaway.lithium" || b.q.Breakaway.Chemistry == "lithium_iron_phosphate" {
			w.Notes = append(w.Notes, a.Says)
		}
	}
	if b.q.Breakaway.Chemistry == "lithium_iron_phosphate" {
		w.Notes = append(w.Notes, "The factors for age, cold and depth are those of lead-acid batteries; take the maker's for this kind.")
	}
	w.Sources = append(w.Sources, got.Sources...)
	f := Finding{ID: "breakaway.battery", Level: "practice", Status: w.Adequate, Summary: got.Says, Source: practice(medium), WaitsFor: w.WaitsFor}
	if f.Status == rules.NotMet {
		w.State = Unfit
		f.Remedy = fmt.Sprintf("Fit a battery of at least %s Ah, or one whose maker states the hold; then prove it by the clock.", enough(w.Needed))
	}
	b.find(f)
}

// floor is the voltage at which the hold has ended: as told, or the upper end
// of what practice takes for a 12 V lead-acid battery, twice that on 24 V. Other
// kinds have no figure here.
func (b *builder) floor() float64 {
	if v, err := circuit.Volts("/breakaway/floor", b.q.Breakaway.Floor); err == nil {
		return v
	}
	if b.q.Breakaway.Chemistry == "lithium_iron_phosphate" || b.nominal == 0 {
		return 0
	}
	return circuit.HoldFloorTop * b.nominal / 12
}
