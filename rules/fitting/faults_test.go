package fitting_test

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules"
	"drawgear/rules/fitting"
	"drawgear/rules/quantity"
)

// enter writes computed readings into measurements as a fitter would, to a
// hundredth.
func enter(t testing.TB, m *fitting.Measurements, p *fitting.Plan, r map[string]float64) {
	t.Helper()
	q := func(dim quantity.Dimension, v float64, unit string) quantity.Quantity {
		x, err := quantity.Parse(dim, strconv.FormatFloat(math.Max(0, v), 'f', 3, 64)+" "+unit)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	volts := map[string]*quantity.Quantity{
		"supply_rest": &m.SupplyRest, "supply_loaded": &m.SupplyLoaded, "battery_loaded": &m.BatteryLoaded, "magnet_voltage": &m.MagnetVoltage,
		"feed_drop": &m.FeedDrop, "return_drop": &m.ReturnDrop, "stop_released": &m.StopReleased, "stop_pressed": &m.StopPressed, "stop_flashing": &m.StopFlashing,
		"output_idle": &m.OutputIdle, "output_lamps": &m.OutputLamps, "output_flashing": &m.OutputFlashing,
	}
	m.AxleCurrents = make([]quantity.Quantity, len(p.Proof.Network.Axles))
	for id, v := range r {
		if at := volts[id]; at != nil {
			*at = q(quantity.Voltage, v, "V")
		}
		switch id {
		case "bank_resistance":
			m.Bank = q(quantity.Resistance, math.Min(v, 5e6), "ohm")
		case "insulation":
			m.Insulation = q(quantity.Resistance, v, "ohm")
		case "output/100":
			m.Output = []fitting.OutputStep{{Demand: quantity.MustParse(quantity.Percentage, "100 %"), Socket: q(quantity.Voltage, v, "V")}}
		}
		for i, a := range p.Proof.Network.Axles {
			if id == "axle_current/"+strconv.Itoa(a.Axle) {
				m.AxleCurrents[i] = q(quantity.Current, v, "A")
			}
		}
	}
}

// sick is a set of readings with one fault, simulated by the reference.
type sick struct {
	fault  string   // the id that must come first
	alike  []string // ids that these readings cannot tell from it
	wrong  wrong
	change map[string]float64 // readings that do not follow from the circuit
	seen   func(*fitting.Measurements)
}

func (s sick) measure(t testing.TB, p *fitting.Plan) fitting.Measurements {
	t.Helper()
	n := p.Proof.Network
	m, err := fitting.DecodeMeasurements([]byte(boatReadings))
	if err != nil {
		t.Fatal(err)
	}
	r := read(n, p.Proof.Supply, (n.MagnetLow+n.MagnetHigh)/2, s.wrong)
	for id, v := range s.change {
		r[id] = v
	}
	enter(t, &m, p, r)
	if s.seen != nil {
		s.seen(&m)
	}
	return m
}

// first reports the ids that share the first rank.
func first(j *fitting.Judgement) []string {
	var out []string
	for _, f := range j.Faults {
		if f.Rank == 1 {
			out = append(out, f.ID)
		}
	}
	return out
}

func (s sick) check(t testing.TB, p *fitting.Plan) {
	t.Helper()
	m := s.measure(t, p)
	j := fitting.Judge(p, m)
	if j.Proven || len(j.Failed) == 0 {
		t.Fatalf("%s: nothing is found wrong; open %v", s.fault, j.Open)
	}
	top := first(j)
	if !slices.Contains(top, s.fault) {
		t.Fatalf("%s: ranked first are %v of %v; failed %v", s.fault, top, j.Faults, j.Failed)
	}
	for _, id := range top {
		if id != s.fault && !slices.Contains(s.alike, id) {
			t.Fatalf("%s: %s shares its rank; %v", s.fault, id, j.Faults)
		}
	}
	f := j.Faults[slices.Index(top, s.fault)]
	if len(f.Explains) == 0 || f.Look == "" || f.Title == "" {
		t.Fatalf("%+v", f)
	}
	if len(f.Leaves) > 0 {
		t.Errorf("%s leaves unexplained %v", s.fault, f.Leaves)
	}
	// What the package predicts for the circuit is what the reference computed.
	computed := read(p.Proof.Network, p.Proof.Supply, (p.Proof.Network.MagnetLow+p.Proof.Network.MagnetHigh)/2, s.wrong)
	for _, x := range f.Predicts {
		want, ok := computed[x.Proof]
		if _, changed := s.change[x.Proof]; ok && !changed && want < 1e3 && math.Abs(x.Predicted-want) > 0.02+0.01*want {
			t.Errorf("%s: %s is predicted %g, the reference has %g", s.fault, x.Proof, x.Predicted, want)
		}
	}
}

// timed: a controller that rises by time is at full output while it believes
// that the driver brakes.
func sicknesses(full float64) []sick {
	no := false
	yes := true
	open := math.Inf(1)
	return []sick{
		{fault: "open_return_vehicle", wrong: wrong{back: 1e6}, seen: func(m *fitting.Measurements) { m.OverrideWorks = &no }},
		{fault: "open_return_trailer", wrong: wrong{trunkBack: 1e6}, seen: func(m *fitting.Measurements) { m.OverrideWorks = &no }},
		{fault: "open_feed_vehicle", wrong: wrong{output: 1e6}, seen: func(m *fitting.Measurements) { m.OverrideWorks = &no }, alike: []string{"controller_dead"}},
		{fault: "open_feed_trailer", wrong: wrong{trunk: 1e6}, seen: func(m *fitting.Measurements) { m.OverrideWorks = &no }},
		{fault: "poor_return_vehicle", wrong: wrong{back: 0.4}, alike: []string{"shared_earth"}},
		{fault: "poor_return_trailer", wrong: wrong{trunkBack: 0.4}},
		{fault: "poor_feed_vehicle", wrong: wrong{output: 0.3}},
		{fault: "poor_feed_trailer", wrong: wrong{trunk: 0.3}},
		{fault: "poor_supply", wrong: wrong{feed: 0.15}},
		{fault: "weak_vehicle_battery", wrong: wrong{source: 0.15}},
		{fault: "undersized", wrong: wrong{thin: 4}},
		{fault: "magnet_open/1", wrong: wrong{magnets: map[string]float64{"0 far 0": open}}},
		{fault: "magnet_open/1", wrong: wrong{magnets: map[string]float64{"0 near 0": open}}},
		{fault: "magnet_open/2", wrong: wrong{magnets: map[string]float64{"1 far 0": open}}},
		{fault: "magnet_short/1", wrong: wrong{magnets: map[string]float64{"0 far 0": 1.5}}},
		{fault: "magnet_short/2", wrong: wrong{magnets: map[string]float64{"1 far 0": 1.0}}},
		{fault: "axle_dead/2", wrong: wrong{magnets: map[string]float64{"1 near 0": open, "1 far 0": open}}, seen: func(m *fitting.Measurements) { m.MagnetVoltage = quantity.Quantity{} }},
		{fault: "line_short", wrong: wrong{leak: 4}, change: map[string]float64{"insulation": 4}},
		{fault: "shared_earth", wrong: wrong{back: 0.2}, change: map[string]float64{"output_flashing": 1.4}, seen: func(m *fitting.Measurements) { m.RadioNoise = &yes }},
		{fault: "controller_low", wrong: wrong{drive: 0.6}},
		{fault: "pickup_live_side", change: map[string]float64{"stop_released": 12.9, "stop_pressed": 12.9, "stop_flashing": 12.9, "output_idle": full, "output_lamps": full, "output_flashing": full}},
		{fault: "pickup_behind_turn_switch", change: map[string]float64{"stop_flashing": 12.9, "output_flashing": full}},
		{fault: "pickup_dead", change: map[string]float64{"stop_pressed": 0}},
		{fault: "pickup_logic", change: map[string]float64{"stop_pressed": 4.8}},
		{fault: "lamp_on_brake_contact", change: map[string]float64{"output_lamps": 12.8}},
		{fault: "cable_beside_others", seen: func(m *fitting.Measurements) { m.RadioNoise = &yes }, alike: []string{"controller_earth_poor"}},
		{fault: "crossed_polarity", seen: func(m *fitting.Measurements) {
			*m = fitting.Measurements{Polarity: "reversed"}
		}},
		{fault: "weak_breakaway_battery", seen: func(m *fitting.Measurements) {
			m.Breakaway.Hold = quantity.MustParse(quantity.Duration, "7 min")
			m.Breakaway.End = quantity.MustParse(quantity.Voltage, "8 V")
		}},
		{fault: "breakaway_open", seen: func(m *fitting.Measurements) {
			m.Breakaway = fitting.BreakawayTest{Applies: &no, Hold: quantity.MustParse(quantity.Duration, "0 min"), Current: quantity.MustParse(quantity.Current, "0 A"), Start: quantity.MustParse(quantity.Voltage, "12.7 V")}
		}},
		{fault: "breakaway_lead_thin", seen: func(m *fitting.Measurements) {
			m.Breakaway.Current = quantity.MustParse(quantity.Current, "6 A")
		}},
		{fault: "gain_high", seen: func(m *fitting.Measurements) { m.Road[0].WheelLock = &yes }},
		{fault: "brakes_uneven", seen: func(m *fitting.Measurements) { m.Road[0].Pull = "left" }},
		{fault: "brakes_drag", seen: func(m *fitting.Measurements) { m.Mechanical.WheelsFree = &no }},
	}
}

// TestEachFaultIsRankedFirst simulates every fault by the reference and asks
// that it come first, alone or with those that the readings cannot tell from it.
func TestEachFaultIsRankedFirst(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	full := read(p.Proof.Network, 13, 3.35, wrong{})["output/100"]
	for i, s := range sicknesses(full) {
		t.Run(fmt.Sprint(s.fault, "-", i), func(t *testing.T) { s.check(t, p) })
	}
}

// TestOtherTrailers: one axle, and three, are diagnosed as well as two.
func TestOtherTrailers(t *testing.T) {
	for name, x := range map[string]struct{ rig, request string }{
		"one axle": {
			swap(t, boatRig, `"axle_count": 2`, `"axle_count": 1`, `"braked_axles": 2, "magnets": 4`, `"braked_axles": 1, "magnets": 2`),
			swap(t, boatRequest, `[{"lead": "1.5 m"}, {"jumper": "1 m", "lead": "1.5 m"}]`, `[{"lead": "1.5 m"}]`),
		},
		"three axles": {
			swap(t, boatRig, `"axle_count": 2`, `"axle_count": 3`, `"braked_axles": 2, "magnets": 4`, `"braked_axles": 3, "magnets": 6`),
			swap(t, boatRequest, `[{"lead": "1.5 m"}, {"jumper": "1 m", "lead": "1.5 m"}]`, `[{"lead": "1.5 m"}, {"jumper": "1 m", "lead": "1.5 m"}, {"jumper": "1 m", "lead": "1.5 m"}]`, `"ambient"`, `"drop": {"volts": "2 V"}, "ambient"`),
		},
	} {
		p := plan(t, x.rig, x.request)
		if p.Proof.Network == nil {
			t.Fatalf("%s: %s", name, p.Circuit.Says)
		}
		strip := func(m *fitting.Measurements) { m.Breakaway = fitting.BreakawayTest{} }
		sick{fault: "magnet_open/1", wrong: wrong{magnets: map[string]float64{"0 far 0": math.Inf(1)}}, seen: strip}.check(t, p)
		sick{fault: "magnet_short/1", wrong: wrong{magnets: map[string]float64{"0 far 0": 1.2}}, seen: strip}.check(t, p)
		sick{fault: "poor_return_trailer", wrong: wrong{trunkBack: 0.4}, seen: strip}.check(t, p)
		sick{fault: "open_return_vehicle", wrong: wrong{back: 1e6}, seen: strip}.check(t, p)
		if len(p.Proof.Network.Axles) == 3 {
			sick{fault: "axle_dead/2", wrong: wrong{magnets: map[string]float64{"1 near 0": math.Inf(1), "1 far 0": math.Inf(1)}}, seen: strip}.check(t, p)
			sick{fault: "magnet_open/3", wrong: wrong{magnets: map[string]float64{"2 near 0": math.Inf(1)}}, seen: strip}.check(t, p)
		}
	}
}

// TestDeadShort: a dead short opens the protection, and no current is left to
// measure: the bank tells it all the same.
func TestDeadShort(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	sick{fault: "magnet_short/1", alike: []string{"magnet_short/2"}, change: map[string]float64{
		"bank_resistance": read(p.Proof.Network, 13, 3.35, wrong{magnets: map[string]float64{"0 far 0": 0.02}})["bank_resistance"],
		"supply_loaded":   0, "output/100": 0, "axle_current/1": 0, "axle_current/2": 0, "magnet_voltage": 0, "feed_drop": 0, "return_drop": 0,
	}}.check(t, p)
}

// TestFewReadings: with little measured, faults share a rank and the judgement
// says what to read next to tell them apart.
func TestFewReadings(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	m, err := fitting.DecodeMeasurements([]byte(`{"supply_rest": "13 V", "axle_currents": ["5.1 A", "5.1 A"]}`))
	if err != nil {
		t.Fatal(err)
	}
	j := fitting.Judge(p, m)
	top := first(j)
	for _, want := range []string{"poor_return_vehicle", "poor_return_trailer", "poor_feed_vehicle", "poor_feed_trailer"} {
		if !slices.Contains(top, want) {
			t.Errorf("%s is not among %v", want, top)
		}
	}
	if len(j.NextRead) == 0 {
		t.Error("nothing is said of what to read next")
	}
	for _, id := range j.NextRead {
		if proof(j, id).Measured != "" {
			t.Errorf("%s was read already", id)
		}
	}
}

// TestFaultSizes: whatever its size, as long as something fails, the fault comes
// first.
func TestFaultSizes(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	rapid.Check(t, func(rt *rapid.T) {
		r := rapid.Float64Range(0.12, 5).Draw(rt, "ohm")
		s := rapid.SampledFrom([]sick{
			{fault: "poor_return_vehicle", wrong: wrong{back: r}, alike: []string{"shared_earth"}},
			{fault: "poor_return_trailer", wrong: wrong{trunkBack: r}},
			{fault: "poor_feed_vehicle", wrong: wrong{output: r}},
			{fault: "poor_feed_trailer", wrong: wrong{trunk: r}},
			{fault: "poor_supply", wrong: wrong{feed: r}},
			{fault: "weak_vehicle_battery", wrong: wrong{source: r}},
		}).Draw(rt, "fault")
		m := s.measure(t, p)
		j := fitting.Judge(p, m)
		if len(j.Failed) == 0 {
			return
		}
		if top := first(j); !slices.Contains(top, s.fault) {
			rt.Fatalf("%s of %g ohm: %v", s.fault, r, j.Faults)
		}
	})
}

// TestSoundCircuitsAreMet: whatever the circuit, readings of a sound one, worked
// out by the reference with magnets anywhere in their band, are met.
func TestSoundCircuitsAreMet(t *testing.T) {
	base := plan(t, boatRig, boatRequest)
	rapid.Check(t, func(rt *rapid.T) {
		r := func(name string, hi float64) float64 { return rapid.Float64Range(0.001, hi).Draw(rt, name) }
		low := rapid.Float64Range(2, 6).Draw(rt, "magnet")
		n := &fitting.Network{
			Feed: r("feed", 0.05), Output: r("output", 0.05), Return: r("return", 0.05), Trunk: r("trunk", 0.05), TrunkBack: r("trunk back", 0.05),
			MagnetLow: low, MagnetHigh: low * rapid.Float64Range(1, 1.2).Draw(rt, "band"), Rating: 40,
		}
		for i := range rapid.IntRange(1, 4).Draw(rt, "axles") {
			a := fitting.AxleOhms{Axle: i + 1, Magnets: rapid.IntRange(1, 4).Draw(rt, "magnets"), Lead: r("lead", 0.02), LeadBack: r("lead back", 0.02)}
			if i > 0 {
				a.Jumper, a.JumperBack = r("jumper", 0.02), r("jumper back", 0.02)
			}
			n.Axles = append(n.Axles, a)
		}
		p := *base
		p.Proof.Network = n
		magnet := n.MagnetLow + rapid.Float64Range(0, 1).Draw(rt, "at")*(n.MagnetHigh-n.MagnetLow)
		supply := rapid.Float64Range(12.5, 14.5).Draw(rt, "supply")
		m, err := fitting.DecodeMeasurements([]byte(boatReadings))
		if err != nil {
			rt.Fatal(err)
		}
		m.Breakaway.Current = quantity.Quantity{}
		m.StopPressed = quantity.Quantity{}
		enter(t, &m, &p, read(n, supply, magnet, wrong{}))
		for _, x := range fitting.Judge(&p, m).Proofs {
			if x.Status == rules.NotMet {
				rt.Fatalf("%s: %s", x.ID, x.Summary)
			}
		}
	})
}

// TestUnmeasuredIsUnknown: leaving out any one reading of a proven job leaves its
// proof unknown, and the job unproven if it is required.
func TestUnmeasuredIsUnknown(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	whole := readings(t, p, nil)
	cuts := map[string]func(*fitting.Measurements){
		"polarity":              func(m *fitting.Measurements) { m.Polarity = "" },
		"supply_rest":           func(m *fitting.Measurements) { m.SupplyRest = quantity.Quantity{} },
		"supply_loaded":         func(m *fitting.Measurements) { m.SupplyLoaded = quantity.Quantity{} },
		"bank_resistance":       func(m *fitting.Measurements) { m.Bank = quantity.Quantity{} },
		"insulation":            func(m *fitting.Measurements) { m.Insulation = quantity.Quantity{} },
		"output_idle":           func(m *fitting.Measurements) { m.OutputIdle = quantity.Quantity{} },
		"output_lamps":          func(m *fitting.Measurements) { m.OutputLamps = quantity.Quantity{} },
		"output_flashing":       func(m *fitting.Measurements) { m.OutputFlashing = quantity.Quantity{} },
		"output/100":            func(m *fitting.Measurements) { m.Output = nil },
		"axle_current/2":        func(m *fitting.Measurements) { m.AxleCurrents = m.AxleCurrents[:1] },
		"magnet_voltage":        func(m *fitting.Measurements) { m.MagnetVoltage = quantity.Quantity{} },
		"stop_released":         func(m *fitting.Measurements) { m.StopReleased = quantity.Quantity{} },
		"stop_pressed":          func(m *fitting.Measurements) { m.StopPressed = quantity.Quantity{} },
		"stop_flashing":         func(m *fitting.Measurements) { m.StopFlashing = quantity.Quantity{} },
		"override_works":        func(m *fitting.Measurements) { m.OverrideWorks = nil },
		"breakaway/applies":     func(m *fitting.Measurements) { m.Breakaway.Applies = nil },
		"breakaway/hold":        func(m *fitting.Measurements) { m.Breakaway.Hold = quantity.Quantity{} },
		"breakaway/end_voltage": func(m *fitting.Measurements) { m.Breakaway.End = quantity.Quantity{} },
		"breakaway/releases":    func(m *fitting.Measurements) { m.Breakaway.Releases = nil },
		"mechanical/wheels_free": func(m *fitting.Measurements) {
			m.Mechanical.WheelsFree = nil
		},
		"mechanical/wheels_braked": func(m *fitting.Measurements) { m.Mechanical.WheelsBraked = nil },
		"road/run":                 func(m *fitting.Measurements) { m.Road = nil },
		"road/straight":            func(m *fitting.Measurements) { m.Road[1].Pull = "" },
		"road/no_lock":             func(m *fitting.Measurements) { m.Road[0].WheelLock = nil },
	}
	for id, cut := range cuts {
		m := whole
		m.Road = slices.Clone(whole.Road)
		cut(&m)
		j := fitting.Judge(p, m)
		x := proof(j, id)
		if x.Status != rules.Unknown || j.Proven || !slices.Contains(j.Open, id) {
			t.Errorf("%s left out: %s, proven %v, open %v", id, x.Status, j.Proven, j.Open)
		}
		if len(x.WaitsFor) == 0 || x.WaitsFor[0].Document != fitting.InMeasurements {
			t.Errorf("%s waits for %v", id, x.WaitsFor)
		}
	}
	for _, e := range fitting.Expect(p) {
		if _, cut := cuts[e.ID]; e.Required && !cut && e.ID != "plan" && !strings.HasPrefix(e.ID, "axle_current/") {
			t.Errorf("%s is required and not tried here", e.ID)
		}
	}
}

// TestBoundaries of what is judged exactly.
func TestBoundaries(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	for _, x := range []struct {
		id, doc string
		want    rules.Status
	}{
		{"breakaway/hold", `{"breakaway": {"hold": "15 min"}}`, rules.Met},
		{"breakaway/hold", `{"breakaway": {"hold": "900 s"}}`, rules.Met},
		{"breakaway/hold", `{"breakaway": {"hold": "899 s"}}`, rules.NotMet},
		// Practice: 9.6 to 10.5 V at a lead-acid battery; between the two it disagrees.
		{"breakaway/end_voltage", `{"breakaway": {"end_voltage": "10.5 V"}}`, rules.Met},
		{"breakaway/end_voltage", `{"breakaway": {"end_voltage": "10.499 V"}}`, rules.Unknown},
		{"breakaway/end_voltage", `{"breakaway": {"end_voltage": "9.6 V"}}`, rules.Unknown},
		{"breakaway/end_voltage", `{"breakaway": {"end_voltage": "9.599 V"}}`, rules.NotMet},
		// 5 % under the 13 V of the design, and what overcharges 12 V.
		{"supply_rest", `{"supply_rest": "12.35 V"}`, rules.Met},
		{"supply_rest", `{"supply_rest": "12.34 V"}`, rules.NotMet},
		{"supply_rest", `{"supply_rest": "15.5 V"}`, rules.Met},
		{"supply_rest", `{"supply_rest": "15.51 V"}`, rules.NotMet},
		{"stop_released", `{"stop_released": "0.5 V"}`, rules.Met},
		{"stop_released", `{"stop_released": "0.501 V"}`, rules.NotMet},
		{"insulation", `{"insulation": "100000 ohm"}`, rules.Met},
		{"insulation", `{"insulation": "99999 ohm"}`, rules.NotMet},
		{"insulation", `{"leakage": "1 mA"}`, rules.Met},
		{"insulation", `{"leakage": "1.1 mA"}`, rules.NotMet},
		// Four magnets of 3.2 to 3.5 ohm make 0.80 to 0.875 ohm, three 1.07 to 1.17.
		{"bank_resistance", `{"bank_resistance": "0.85 ohm"}`, rules.Met},
		{"bank_resistance", `{"bank_resistance": "1.07 ohm"}`, rules.NotMet},
		{"bank_resistance", `{"bank_resistance": "0.6 ohm"}`, rules.NotMet},
		{"polarity", `{"polarity": "reversed"}`, rules.NotMet},
		{"radio_noise", `{"radio_noise": false}`, rules.Met},
		{"radio_noise", `{"radio_noise": true}`, rules.NotMet},
		{"road/run", `{"road": [{"speed": "40 km/h", "surface": "gravel"}]}`, rules.Unknown},
		{"road/laden", `{"road": [{"speed": "40 km/h", "surface": "gravel", "distance": "20 m", "laden": false}]}`, rules.Unknown},
		{"axle_current/1", `{"axle_currents": ["7 A", "7 A", "7 A"]}`, rules.Unknown},
		{"output/62.5", `{"supply_rest": "13 V", "output": [{"demand": "62.5 %", "socket": "7.6 V"}]}`, rules.Met},
	} {
		m, err := fitting.DecodeMeasurements([]byte(x.doc))
		if err != nil {
			t.Fatal(err)
		}
		if got := proof(fitting.Judge(p, m), x.id); got.Status != x.want {
			t.Errorf("%s: %s, want %s (%s)", x.doc, got.Status, x.want, got.Summary)
		}
	}
}

// TestSupplyScales: at another supply the same circuit is judged by that supply.
func TestSupplyScales(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	m := readings(t, p, nil)
	enter(t, &m, p, read(p.Proof.Network, 14.4, 3.35, wrong{}))
	m.StopPressed = quantity.MustParse(quantity.Voltage, "14.3 V")
	if j := fitting.Judge(p, m); len(j.Failed) != 0 {
		t.Errorf("at 14.4 V: %v", j.Failed)
	}
}

func BenchmarkJudge(b *testing.B) {
	p := plan(b, boatRig, boatRequest)
	m := sick{wrong: wrong{back: 0.4}}.measure(b, p)
	b.ReportAllocs()
	for b.Loop() {
		fitting.Judge(p, m)
	}
}

func BenchmarkPlan(b *testing.B) {
	r := decodeRig(b, boatRig)
	a := assess(b, r)
	q, err := fitting.Decode([]byte(boatRequest))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		fitting.NewPlan(r, a, q)
	}
}
