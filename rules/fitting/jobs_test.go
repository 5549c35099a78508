package fitting_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/fitting"
	"drawgear/rules/library"
	"drawgear/rules/rig"
)

// The two jobs of Saltmarsh Yard.
const (
	// A light horse float with overrun brakes, in Britain.
	floatRig = `{
  "jurisdiction": "GB", "as_of": "2026-11-25", "use": {"commercial": false},
  "vehicle": {"category": "car", "kerb": "1900 kg", "rated": {"total": "2500 kg", "combination": "4500 kg"}, "towing": {"braked": "2000 kg", "unbraked": "750 kg", "ball": "100 kg"}, "built": "2020-05-01", "first_registered": "2020-06-01", "connector": "iso11446-13", "electrical": {"voltage": "12 V", "stop_signal": "body_computer", "assisted_stability": true}},
  "trailer": {"layout": "centre_axle", "axle_count": 2, "hitch": "ball", "purpose": "livestock", "built": "2023-06-01", "rated": {"total": "1600 kg", "axles": "1500 kg"}, "tare": "800 kg", "laden": {"total": "1500 kg", "axles": "1420 kg", "ball": "80 kg"}, "brakes": {"kind": "overrun", "braked_axles": 2, "auto_reverse": true, "damped": true, "working": true}, "breakaway": {"kind": "automatic"}, "parking_brake": true, "connector": "iso11446-13"},
  "parts": [{"role": "ball", "rated_mass": "2000 kg", "size": "50 mm"}, {"role": "coupling", "rated_mass": "2000 kg"}]
}`
	// A tandem boat trailer with four magnets, in New South Wales.
	boatRig = `{
  "jurisdiction": "AU-NSW", "as_of": "2026-11-25",
  "vehicle": {"category": "light_truck", "kerb": "2250 kg", "unladen": "2150 kg", "modified": false, "rated": {"total": "3100 kg", "combination": "6000 kg", "axles": ["1450 kg", "1800 kg"]}, "laden": {"axles": ["1250 kg", "1400 kg"]}, "towing": {"braked": "3500 kg", "unbraked": "750 kg", "ball": "350 kg"}, "first_registered": "2022-03-01", "connector": "as4177.5-flat7", "electrical": {"voltage": "12 V", "stop_signal": "switched", "assisted_stability": true}},
  "trailer": {"layout": "centre_axle", "axle_count": 2, "hitch": "ball", "purpose": "boat", "built": "2024-06-01", "first_registered": "2024-06-20", "rated": {"total": "2700 kg", "axles": "2500 kg"}, "tare": "900 kg", "laden": {"total": "2600 kg", "axles": "2400 kg", "ball": "200 kg"}, "brakes": {"kind": "electric", "braked_axles": 2, "magnets": 4, "operable_from_cab": true, "working": true}, "breakaway": {"kind": "automatic", "hold": "15 min", "battery": "18 Ah"}, "coupling": {"quick_release": true, "positive_lock": true, "secondary_lock": true, "marked": true}, "connector": "as4177.5-flat7"},
  "parts": [{"role": "ball", "rated_mass": "3500 kg", "size": "50 mm"}, {"role": "towbar", "rated_mass": "3500 kg"}, {"role": "coupling", "rated_mass": "3500 kg"}, {"role": "chain", "rated_mass": "3500 kg", "count": 2}, {"role": "shackle", "rated_mass": "3500 kg", "count": 2}]
}`
	boatRequest = `{
  "actuator": {"resistance": "3.2 ohm", "resistance_most": "3.5 ohm", "rated_voltage": "12 V"},
  "wiring": {"supply": "13 V", "feed": {"length": "3 m"}, "output": {"length": "5 m", "joints": "10 mohm"}, "trunk": {"length": "5 m", "joints": "20 mohm"}, "axles": [{"lead": "1.5 m"}, {"jumper": "1 m", "lead": "1.5 m"}], "ambient": "40 degC", "fed_from": "battery", "protected_at": "250 mm", "earth_at": "battery_negative", "return": "conductor"},
  "breakaway": {"chemistry": "agm", "peukert": "1.15", "coldest": "0 degC"},
  "controller": {"supply_least": "10 V", "supply_most": "16 V", "maximum_current": "25 A", "axles_served": 2, "principle": "timed", "manual_override": true, "load_sensing": true, "adjustable_from_seat": true, "override_lights_stop": true, "feeds_back": false, "signal_current": "100 mA"}
}`
	boatReadings = `{
  "polarity": "correct", "supply_rest": "13 V", "insulation": "2000000 ohm", "output_idle": "0 V", "output_lamps": "0 V", "output_flashing": "0 V",
  "stop_released": "0 V", "stop_pressed": "12.9 V", "stop_flashing": "0 V", "radio_noise": false, "override_works": true, "override_lamps": true,
  "breakaway": {"applies": true, "hold": "16 min", "start_voltage": "12.7 V", "end_voltage": "11 V", "current": "14 A", "releases": true},
  "mechanical": {"wheels_free": true, "wheels_braked": true},
  "road": [{"speed": "40 km/h", "surface": "dry_sealed", "laden": false, "distance": "14 m", "pull": "none", "wheel_lock": false}, {"speed": "40 km/h", "surface": "dry_sealed", "laden": true, "deceleration": "5.4 m/s2", "pull": "none", "wheel_lock": false}]
}`
	boatRecord = `{
  "job": {"reference": "SY-2041", "title": "Boat trailer, brakes and line", "vehicle": "ute", "trailer": "tandem boat trailer", "began": "2026-11-24", "ended": "2026-11-25"},
  "parts": [{"role": "brake", "description": "magnet set", "batch": "B-77"}, {"role": "other", "description": "breakaway battery", "serial": "0042"}, {"role": "other", "description": "socket"}],
  "sign_off": {"name": "fitter 3", "on": "2026-11-25", "licence": "as supplied"}
}`
)

func decodeRig(t testing.TB, doc string) *rig.Rig {
	t.Helper()
	r, err := rig.Decode([]byte(doc))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func assess(t testing.TB, r *rig.Rig) *rules.Answer {
	t.Helper()
	b, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	day, known := r.AsOf()
	if !known {
		t.Fatal("the rig has no day")
	}
	a, err := b.Assess(r, day)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func plan(t testing.TB, rigDoc, request string) *fitting.Plan {
	t.Helper()
	q, err := fitting.Decode([]byte(request))
	if err != nil {
		t.Fatal(err)
	}
	r := decodeRig(t, rigDoc)
	return fitting.NewPlan(r, assess(t, r), q)
}

// swap replaces text that must be there.
func swap(t testing.TB, doc string, pairs ...string) string {
	t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(doc, pairs[i]) {
			t.Fatalf("%s is not in %s", pairs[i], doc)
		}
		doc = strings.Replace(doc, pairs[i], pairs[i+1], 1)
	}
	return doc
}

func finding(p *fitting.Plan, id string) *fitting.Finding {
	for i := range p.Findings {
		if p.Findings[i].ID == id {
			return &p.Findings[i]
		}
	}
	return nil
}

func TestLightFloatNeedsNothingElectrical(t *testing.T) {
	p := plan(t, floatRig, `{}`)
	if p.Electrical.Needed != rules.No || !strings.Contains(p.Electrical.Reason, "without current") {
		t.Errorf("%+v", p.Electrical)
	}
	for name, s := range map[string]fitting.State{
		"circuit": p.Circuit.State, "protection": p.Protection.State, "stop signal": p.StopSignal.State, "connector": p.Connector.State, "breakaway": p.Breakaway.State,
	} {
		if s != fitting.NotNeeded {
			t.Errorf("%s is %s", name, s)
		}
	}
	if len(p.Needs) != 0 || len(p.Missing) != 0 {
		t.Errorf("needs %v, missing %v", p.Needs, p.Missing)
	}
	var ids []string
	for _, s := range p.Steps {
		ids = append(ids, s.ID)
	}
	want := []string{"secure", "adjust", "overrun", "parking", "prove-breakaway", "setup-reverse", "setup-road", "setup-laden", "record"}
	if !slices.Equal(ids, want) {
		t.Errorf("steps %v, want %v", ids, want)
	}
	// Law: brakes asked for, overrun among those permitted, each with a citation.
	var kinds *fitting.LawAsk
	for i := range p.Law {
		if len(p.Law[i].Citations) == 0 {
			t.Errorf("%s cites nothing", p.Law[i].Question)
		}
		if p.Law[i].Question == "service_brakes.kinds" {
			kinds = &p.Law[i]
		}
	}
	if kinds == nil || kinds.Status != rules.Met || !slices.Contains(kinds.Permitted, "overrun") {
		t.Errorf("kinds: %+v", kinds)
	}
	// It is proven by hand and on the road, without one volt.
	m, err := fitting.DecodeMeasurements([]byte(`{
	  "mechanical": {"wheels_free": true, "wheels_braked": true, "coupling_moves": true, "parking_holds": true, "reverses": true},
	  "breakaway": {"applies": true, "releases": true},
	  "road": [{"speed": "40 km/h", "surface": "dry_sealed", "laden": true, "deceleration": "4.5 m/s2", "pull": "none", "wheel_lock": false}]}`))
	if err != nil {
		t.Fatal(err)
	}
	j := fitting.Judge(p, m)
	for _, x := range j.Proofs {
		if x.Status != rules.Met {
			t.Errorf("%s is %s: %s", x.ID, x.Status, x.Summary)
		}
	}
	if !j.Proven {
		t.Errorf("not proven: %v", j.Open)
	}
	// The efficiency rule depends on the age of the vehicle: without it the job
	// waits, and says for what.
	p = plan(t, swap(t, floatRig, `"first_registered": "2020-06-01", `, ``), `{}`)
	j = fitting.Judge(p, m)
	if x := proof(j, "road/braking_performance.efficiency"); j.Proven || x.Status != rules.Unknown || !waits(x.WaitsFor, "/vehicle/first_registered") {
		t.Errorf("proven %v: %+v", j.Proven, x)
	}
}

// TestEfficiency: Britain asks for 45 percent of this rig; 0.45 g is 4.413 m/s2 (g
// is 9.80665 m/s2, CGPM 1901).
func TestEfficiency(t *testing.T) {
	p := plan(t, floatRig, `{}`)
	if len(p.Proof.Asked) != 1 {
		t.Fatalf("asked: %+v", p.Proof.Asked)
	}
	for _, x := range []struct {
		run  string
		want rules.Status
	}{
		{`{"speed": "40 km/h", "surface": "dry_sealed", "laden": true, "deceleration": "4.413 m/s2"}`, rules.Met},
		{`{"speed": "40 km/h", "surface": "dry_sealed", "laden": true, "deceleration": "0.45 g"}`, rules.Met},
		{`{"speed": "40 km/h", "surface": "dry_sealed", "laden": true, "deceleration": "4.412 m/s2"}`, rules.NotMet},
		{`{"speed": "40 km/h", "surface": "wet_sealed", "laden": true, "deceleration": "4.412 m/s2"}`, rules.Unknown},
		{`{"speed": "40 km/h", "surface": "dry_sealed", "laden": false, "deceleration": "6 m/s2"}`, rules.Unknown},
		{`{"speed": "40 km/h", "surface": "dry_sealed", "deceleration": "6 m/s2"}`, rules.Unknown},
		{`{"speed": "40 km/h", "surface": "dry_sealed", "laden": true, "distance": "5 m"}`, rules.Unknown},
	} {
		m, err := fitting.DecodeMeasurements([]byte(`{"road": [` + x.run + `]}`))
		if err != nil {
			t.Fatal(err)
		}
		if got := proof(fitting.Judge(p, m), "road/braking_performance.efficiency"); got.Status != x.want {
			t.Errorf("%s: %s, want %s", x.run, got.Status, x.want)
		}
	}
}

// TestStop: the Northern Territory asks for a stop, whose figures stand in the
// words of the finding; this holds those words.
func TestStop(t *testing.T) {
	p := plan(t, swap(t, boatRig, `"AU-NSW"`, `"AU-NT"`, `"hitch": "ball"`, `"hitch": "a_frame"`, `"layout": "centre_axle"`, `"layout": "full"`), boatRequest)
	if len(p.Proof.Asked) == 0 {
		t.Fatal("nothing is asked")
	}
	for _, a := range p.Proof.Asked {
		if a.Question == "braking_performance.stop" && (a.From != 35 || a.Within != 16.5) {
			t.Errorf("%+v", a)
		}
	}
	for run, want := range map[string]rules.Status{
		`{"speed": "35 km/h", "surface": "dry_sealed", "laden": true, "distance": "16.5 m"}`: rules.Met,
		`{"speed": "50 km/h", "surface": "dry_sealed", "laden": true, "distance": "12 m"}`:   rules.Met,
		`{"speed": "35 km/h", "surface": "dry_sealed", "laden": true, "distance": "17 m"}`:   rules.NotMet,
		`{"speed": "35 km/h", "surface": "gravel", "laden": true, "distance": "17 m"}`:       rules.Unknown,
		`{"speed": "30 km/h", "surface": "dry_sealed", "laden": true, "distance": "9 m"}`:    rules.Unknown,
	} {
		m, err := fitting.DecodeMeasurements([]byte(`{"road": [` + run + `]}`))
		if err != nil {
			t.Fatal(err)
		}
		seen := false
		for _, x := range fitting.Judge(p, m).Proofs {
			if strings.HasPrefix(x.ID, "road/braking_performance.stop") {
				seen = true
				if x.Status != want {
					t.Errorf("%s: %s is %s, want %s", run, x.ID, x.Status, want)
				}
			}
		}
		if !seen {
			t.Error("no stop is judged")
		}
	}
}

func proof(j *fitting.Judgement, id string) fitting.Proof {
	for _, x := range j.Proofs {
		if x.ID == id {
			return x
		}
	}
	return fitting.Proof{Status: "absent"}
}

// TestBoatTrailer: everything is called for. Figures by hand.
func TestBoatTrailer(t *testing.T) {
	// 12 AWG has 3.3088 mm2 (ASTM B258), and so 5.2107 ohm/km at 20 degC with
	// 0.017241 ohm mm2/m (NBS Handbook 100). The feed is a millimetre: 10 m out and
	// 10 m back have 0.10421 ohm. 13 V over that and 0.8 ohm drive 14.377 A and
	// leave 11.502 V; the full 16.25 A would lose 1.6935 V.
	p := plan(t, boatRig, `{"actuator": {"resistance": "3.2 ohm"}, "wiring": {"supply": "13 V", "ambient": "20 degC",
	  "feed": {"length": "1 mm", "conductor": "2 AWG"}, "output": {"length": "5 m", "conductor": "12 AWG"}, "trunk": {"length": "5 m", "conductor": "12 AWG"},
	  "axles": [{"lead": "0 m"}, {"jumper": "0 m", "lead": "0 m"}]}}`)
	c := p.Circuit
	near(t, "peak current, 4 x 13 V / 3.2 ohm", c.Peak, 16.25, 1e-9)
	near(t, "current", c.Current, 14.377, 1e-3)
	near(t, "furthest magnet", c.Furthest, 11.502, 1e-3)
	near(t, "drop at peak current, 16.25 A over 0.10421 ohm", c.Drop, 1.6935, 2e-4)
	if f := finding(p, "line.drop"); f == nil || f.Status != rules.NotMet || c.State != fitting.Unfit {
		t.Errorf("1.69 V of 1.2 V allowed: %+v, circuit %s", f, c.State)
	}
	// Common practice: 16.25 A over 0.8 asks for 20.31 A, the next rating is 25 A,
	// and practice says 20 A.
	near(t, "least rating", p.Protection.Least, 20.3125, 1e-9)
	near(t, "rating", p.Protection.Rating, 25, 0)
	near(t, "practice", p.Protection.Practice, 20, 0)
	if p.Electrical.Needed != rules.Yes || p.Breakaway.Required != rules.Yes || p.Breakaway.Hold != 15 || !strings.Contains(p.Breakaway.HoldFrom, "the law") {
		t.Errorf("%+v %+v", p.Electrical, p.Breakaway)
	}

	// 0.5 V over 10 m at 16.25 A asks for 11.207 mm2, 6 AWG.
	p = plan(t, boatRig, `{"actuator": {"resistance": "3.2 ohm"}, "wiring": {"supply": "13 V", "ambient": "20 degC", "family": "awg", "drop": {"volts": "0.5 V"},
	  "feed": {"length": "1 mm", "conductor": "2 AWG"}, "output": {"length": "5 m"}, "trunk": {"length": "5 m"}, "axles": [{"lead": "0 m"}, {"jumper": "0 m", "lead": "0 m"}]}}`)
	if s := section(p, "trunk"); s.Conductor != "6 AWG" || !s.Chosen {
		t.Errorf("the trunk is %+v", s)
	}
}

func section(p *fitting.Plan, name string) fitting.Section {
	for _, s := range p.Circuit.Sections {
		if s.Name == name {
			return s
		}
	}
	return fitting.Section{}
}

// TestBreakawayBattery, by Peukert's law: 12 A for 15 min at exponent 1.15 with 0.8 x 0.8 x 0.8 asks for 10.377 Ah;
// 7 Ah hold 9.54 min.
func TestBreakawayBattery(t *testing.T) {
	request := `{"actuator": {"resistance": "4 ohm"}, "wiring": {"supply": "12 V", "ambient": "20 degC", "feed": {"length": "3 m"}, "output": {"length": "5 m"}, "trunk": {"length": "5 m"}, "axles": [{"lead": "1 m"}, {"jumper": "1 m", "lead": "1 m"}]},
	  "breakaway": {"chemistry": "agm", "peukert": "1.15"}}`
	p := plan(t, swap(t, boatRig, `"18 Ah"`, `"7 Ah"`), request)
	near(t, "current", p.Breakaway.Current, 12, 1e-9)
	near(t, "nameplate", p.Breakaway.Needed, 10.377, 1e-3)
	near(t, "hold", p.Breakaway.Expected, 9.54, 1e-2)
	if p.Breakaway.Adequate != rules.NotMet || p.Breakaway.State != fitting.Unfit {
		t.Errorf("7 Ah: %+v", p.Breakaway)
	}
	p = plan(t, swap(t, boatRig, `"18 Ah"`, `"10.38 Ah"`), request)
	if p.Breakaway.Adequate != rules.Met {
		t.Errorf("10.38 Ah: %s after %g min", p.Breakaway.Adequate, p.Breakaway.Expected)
	}
	// Nameplate alone makes no battery adequate.
	p = plan(t, boatRig, swap(t, request, `, "peukert": "1.15"`, ``))
	if p.Breakaway.Adequate != rules.Unknown || !waits(p.Breakaway.WaitsFor, "/breakaway/capacity_15min") {
		t.Errorf("no rate: %+v", p.Breakaway)
	}
	// Rig and request that differ leave it open.
	p = plan(t, boatRig, swap(t, request, `"chemistry"`, `"capacity": "20 Ah", "chemistry"`))
	if f := finding(p, "breakaway.capacity"); f == nil || f.Status != rules.Unknown || p.Breakaway.Adequate != rules.Unknown {
		t.Errorf("two capacities: %+v", f)
	}
}

func waits(at []fitting.Pointer, ptr string) bool {
	return slices.ContainsFunc(at, func(p fitting.Pointer) bool { return p.Pointer == ptr })
}

// TestEuropeanCurrent: the ceiling of 15 A (Directive 71/320/EEC Annex XI 1.5) against
// four magnets at 13 V: 16.25 A of 3.2 ohm, 13.68 A of 3.8 ohm.
func TestEuropeanCurrent(t *testing.T) {
	approved := swap(t, boatRig, `"purpose": "boat"`, `"purpose": "boat", "approvals": ["un-r13"]`)
	for ohm, want := range map[string]rules.Status{"3.2 ohm": rules.NotMet, "3.8 ohm": rules.Met} {
		p := plan(t, approved, swap(t, boatRequest, `"resistance": "3.2 ohm", "resistance_most": "3.5 ohm"`, fmt.Sprintf(`"resistance": %q`, ohm)))
		if f := finding(p, "eu.current"); f == nil || f.Status != want || f.Level != "law" {
			t.Errorf("%s: %+v", ohm, f)
		}
		if f := finding(p, "eu.regulator_on_trailer"); f == nil || f.Status != rules.Unknown || !waits(f.WaitsFor, "/controller/on_trailer") {
			t.Errorf("regulator: %+v", f)
		}
	}
	if finding(plan(t, boatRig, boatRequest), "eu.current") != nil {
		t.Error("the European ceiling is held against an Australian trailer")
	}
}

// TestConnectorTrap, after the pin tables of ISO 1724 and AS 2513: an Australian round
// plug in a socket wired to ISO 1724 is refused, and the brakes would come on
// with the right-hand position lamps.
func TestConnectorTrap(t *testing.T) {
	p := plan(t, swap(t, boatRig, `"connector": "as4177.5-flat7", "electrical"`, `"connector": "iso1724-12n", "electrical"`, `"connector": "as4177.5-flat7"`, `"connector": "as2513-round7"`), boatRequest)
	if p.Connector.Result != "refused" || p.Connector.State != fitting.Unfit || !strings.Contains(strings.Join(p.Connector.Hazards, " "), "brakes come on with the vehicle's right position") {
		t.Errorf("%+v", p.Connector)
	}
	if f := finding(p, "connector.brake_pin"); f == nil || f.Status != rules.NotMet {
		t.Errorf("brake pin: %+v", f)
	}
	if j := fitting.Judge(p, readings(t, p, nil)); j.Proven || !slices.Contains(j.Open, "plan") {
		t.Errorf("good readings prove a job whose plug must not be mated: %v", j.Open)
	}
}

// readings are those of a sound job, by the reference, with changes by id.
func readings(t testing.TB, p *fitting.Plan, changes map[string]float64) fitting.Measurements {
	t.Helper()
	m, err := fitting.DecodeMeasurements([]byte(boatReadings))
	if err != nil {
		t.Fatal(err)
	}
	n := p.Proof.Network
	if n == nil {
		t.Fatal("the plan has no circuit")
	}
	r := read(n, p.Proof.Supply, (n.MagnetLow+n.MagnetHigh)/2, wrong{})
	for id, v := range changes {
		r[id] = v
	}
	enter(t, &m, p, r)
	return m
}

func TestSoundJobIsProven(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	if len(p.Missing) != 0 {
		t.Errorf("missing: %v", p.Missing)
	}
	for _, n := range p.Needs {
		if n.Status != rules.Met && n.ID != "controller.graduated" {
			t.Errorf("%s is %s", n.ID, n.Status)
		}
	}
	j := fitting.Judge(p, readings(t, p, nil))
	for _, x := range j.Proofs {
		if x.Status != rules.Met && x.Required {
			t.Errorf("%s is %s: %s (%s measured, %s expected)", x.ID, x.Status, x.Summary, x.Measured, x.Expected)
		}
	}
	if !j.Proven || len(j.Open)+len(j.Failed)+len(j.Faults) != 0 {
		t.Errorf("proven %v, open %v, failed %v, faults %v", j.Proven, j.Open, j.Failed, j.Faults)
	}
	// Sized by the most that the magnets draw: four of 3.2 ohm at 13 V.
	near(t, "breakaway current", p.Breakaway.Current, 16.25, 1e-9)
	// The controller senses the load: without a road test nothing is proven.
	m := readings(t, p, nil)
	m.Road = nil
	j = fitting.Judge(p, m)
	if j.Proven || !slices.Contains(j.Open, "road/run") {
		t.Errorf("proven on the bench: %v", j.Open)
	}
	if !strings.Contains(strings.Join(p.Cautions, " "), "cannot be proven on the bench") {
		t.Error("the plan does not say so")
	}
}

// TestKeptPlan: a plan written as JSON and read again is judged alike.
func TestKeptPlan(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	data, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(data), "null") {
		t.Error("a list is null")
	}
	var kept fitting.Plan
	if err := json.Unmarshal(data, &kept); err != nil {
		t.Fatal(err)
	}
	m := readings(t, p, map[string]float64{"axle_current/2": 3.6, "bank_resistance": 1.09})
	a, errA := json.Marshal(fitting.Judge(p, m))
	b, errB := json.Marshal(fitting.Judge(&kept, m))
	if errA != nil || errB != nil || string(a) != string(b) {
		t.Errorf("%s\n%s", a, b)
	}
	if strings.Contains(string(a), "null") {
		t.Error("a list is null")
	}
}

// TestMissingInputs: without any one input of the request, what rests on it is
// unknown and names it, and nothing is proven by good readings.
func TestMissingInputs(t *testing.T) {
	whole := plan(t, boatRig, boatRequest)
	good := readings(t, whole, nil)
	for _, x := range []struct{ cut, with, waits, part string }{
		{`"resistance": "3.2 ohm", "resistance_most": "3.5 ohm", `, ``, "/actuator/resistance", "circuit"},
		{`"supply": "13 V", `, ``, "/wiring/supply", "circuit"},
		{`"feed": {"length": "3 m"}, `, ``, "/wiring/feed/length", "circuit"},
		{`"output": {"length": "5 m", "joints": "10 mohm"}, `, ``, "/wiring/output/length", "circuit"},
		{`"trunk": {"length": "5 m", "joints": "20 mohm"}, `, ``, "/wiring/trunk/length", "circuit"},
		{`"jumper": "1 m", "lead": "1.5 m"`, `"lead": "1.5 m"`, "/wiring/axles/1/jumper", "circuit"},
		{`[{"lead": "1.5 m"}`, `[{}`, "/wiring/axles/0/lead", "circuit"},
		{`"axles": [{"lead": "1.5 m"}, {"jumper": "1 m", "lead": "1.5 m"}], `, ``, "/wiring/axles", "circuit"},
		{`"return": "conductor"`, `"return": "chassis"`, "/wiring/chassis_return", "circuit"},
		{`"maximum_current": "25 A", `, ``, "/controller/maximum_current", "needs"},
		{`"axles_served": 2, `, ``, "/controller/axles_served", "needs"},
		{`"supply_most": "16 V", `, ``, "/controller/supply_most", "needs"},
		{`, "rated_voltage": "12 V"`, ``, "/actuator/rated_voltage", "needs"},
	} {
		t.Run(x.waits, func(t *testing.T) {
			p := plan(t, boatRig, swap(t, boatRequest, x.cut, x.with))
			i := slices.IndexFunc(p.Missing, func(m fitting.Missing) bool { return m.Pointer.Pointer == x.waits })
			if i < 0 || p.Missing[i].Document != fitting.InRequest || p.Missing[i].Meaning == "" || !slices.Contains(p.Missing[i].For, x.part) {
				t.Fatalf("%s is not asked for: %+v", x.waits, p.Missing)
			}
			if x.part == "circuit" && (p.Circuit.State != fitting.Open || p.Protection.State != fitting.Open || !waits(p.Circuit.WaitsFor, x.waits)) {
				t.Errorf("circuit %s, protection %s", p.Circuit.State, p.Protection.State)
			}
			if j := fitting.Judge(p, good); j.Proven || len(j.Open) == 0 {
				t.Errorf("proven without %s", x.waits)
			}
			if j := fitting.Judge(p, good); len(j.Failed) != 0 {
				t.Errorf("failed without %s: %v", x.waits, j.Failed)
			}
			if !slices.ContainsFunc(p.Steps, func(s fitting.Step) bool { return s.ID == "find-out" && waits(s.Waits, x.waits) }) {
				t.Error("no step is to find it out")
			}
		})
	}
	for _, x := range []struct{ cut, waits, part string }{
		{`"magnets": 4, `, "/trailer/brakes/magnets", "circuit"},
		{`"kind": "electric", `, "/trailer/brakes/kind", "electrical"},
		{`"voltage": "12 V", `, "/vehicle/electrical/voltage", "circuit"},
		{`"stop_signal": "switched", `, "/vehicle/electrical/stop_signal", "stop_signal"},
		{`"connector": "as4177.5-flat7", `, "/vehicle/connector", "connector"},
	} {
		t.Run(x.waits, func(t *testing.T) {
			p := plan(t, swap(t, boatRig, x.cut, ``), boatRequest)
			if !slices.ContainsFunc(p.Missing, func(m fitting.Missing) bool {
				return m.Pointer.Pointer == x.waits && m.Document == fitting.InRig && slices.Contains(m.For, x.part)
			}) {
				t.Errorf("%s is not asked for: %+v", x.waits, p.Missing)
			}
		})
	}
	p := plan(t, swap(t, boatRig, `"kind": "electric", `, ``), boatRequest)
	if j := fitting.Judge(p, good); j.Proven || proof(j, "scope").Status != rules.Unknown {
		t.Errorf("proven although it is not known what brakes there are: %+v", j.Open)
	}
}

// TestContradictions between rig and request leave open what rests on them.
func TestContradictions(t *testing.T) {
	for id, q := range map[string]string{
		"actuator.kind":  `"resistance": "3.2 ohm", "resistance_most": "3.5 ohm"` + "\x00" + `"kind": "electric_hydraulic", "current": "20 A"`,
		"actuator.count": `"resistance": "3.2 ohm"` + "\x00" + `"count": 2, "resistance": "3.2 ohm"`,
		"wiring.axles":   `{"jumper": "1 m", "lead": "1.5 m"}` + "\x00" + `{"jumper": "1 m", "lead": "1.5 m"}, {"jumper": "1 m", "lead": "1.5 m"}`,
	} {
		from, to, _ := strings.Cut(q, "\x00")
		p := plan(t, boatRig, swap(t, boatRequest, from, to))
		f := finding(p, id)
		if f == nil || f.Status != rules.Unknown || len(f.WaitsFor) != 2 {
			t.Errorf("%s: %+v", id, f)
		}
		if p.Circuit.State == fitting.Designed {
			t.Errorf("%s: the circuit is designed all the same", id)
		}
	}
}

// TestNeeds: each characteristic against a controller that has it, has not, or
// of which it is not told.
func TestNeeds(t *testing.T) {
	for _, x := range []struct{ id, has, hasNot, none string }{
		{"controller.supply", `"supply_least": "10 V"`, `"supply_least": "13.1 V"`, ``},
		{"controller.supply", `"supply_most": "13 V"`, `"supply_most": "12.9 V"`, ``},
		{"controller.current", `"maximum_current": "16.25 A"`, `"maximum_current": "16.249 A"`, ``},
		{"controller.axles", `"axles_served": 2`, `"axles_served": 1`, ``},
		{"controller.override", `"manual_override": true`, `"manual_override": false`, ``},
		{"controller.adjustable", `"adjustable_from_seat": true`, `"adjustable_from_seat": false`, ``},
		{"controller.override_lamps", `"override_lights_stop": true`, `"override_lights_stop": false`, ``},
		{"controller.graduated", `"principle": "proportional_to_pedal"`, `"principle": "on_off"`, ``},
	} {
		key, _, _ := strings.Cut(x.has, ":")
		start := strings.Index(boatRequest, key)
		end := start + strings.IndexAny(boatRequest[start:], ",}")
		for doc, want := range map[string]rules.Status{x.has: rules.Met, x.hasNot: rules.NotMet, x.none: rules.Unknown} {
			q := boatRequest[:start] + doc + boatRequest[end:]
			q = strings.ReplaceAll(strings.ReplaceAll(q, ", ,", ","), "{, ", "{")
			p := plan(t, boatRig, q)
			i := slices.IndexFunc(p.Needs, func(n fitting.Need) bool { return n.ID == x.id })
			if i < 0 {
				t.Fatalf("%s is not needed", x.id)
			}
			if n := p.Needs[i]; n.Status != want || (want == rules.Unknown) != (len(n.WaitsFor) > 0) {
				t.Errorf("%s with %q: %s, waits for %v", x.id, doc, n.Status, n.WaitsFor)
			}
		}
	}
	// 24 V on 12 V magnets: four times the power.
	p := plan(t, swap(t, boatRig, `"voltage": "12 V"`, `"voltage": "24 V"`), swap(t, boatRequest, `"13 V"`, `"26 V"`))
	i := slices.IndexFunc(p.Needs, func(n fitting.Need) bool { return n.ID == "actuator.voltage" })
	if i < 0 || p.Needs[i].Status != rules.NotMet || !strings.Contains(p.Needs[i].Because, "4 times") {
		t.Errorf("%+v", p.Needs)
	}
	// A vehicle with trailer brake control of its own.
	p = plan(t, boatRig, swap(t, boatRequest, `"axles_served": 2`, `"axles_served": 2, "vehicle_built_in": true`))
	if !slices.ContainsFunc(p.Needs, func(n fitting.Need) bool { return n.ID == "controller.single" && n.Status == rules.NotMet }) {
		t.Error("a second controller goes unremarked")
	}
}

// TestPump: an electric-hydraulic actuator is no magnet.
func TestPump(t *testing.T) {
	pumpRig := swap(t, boatRig, `"kind": "electric"`, `"kind": "electric_hydraulic"`, `"magnets": 4, `, ``)
	p := plan(t, pumpRig, `{"actuator": {"current": "20 A", "least_voltage": "10 V", "rated_voltage": "12 V"},
	  "wiring": {"supply": "13 V", "ambient": "20 degC", "feed": {"length": "6 m", "conductor": "10 mm2"}, "trunk": {"length": "4 m", "conductor": "10 mm2"}}}`)
	// 10 mm2 class 5 has 1.91 ohm/km: 20 A over 2 x 10 m lose 0.764 V.
	near(t, "drop", p.Circuit.Drop, 0.764, 1e-9)
	near(t, "at the pump", p.Circuit.Furthest, 12.236, 1e-9)
	if p.Circuit.State != fitting.Designed || p.Proof.Network != nil || p.Proof.Pump == nil {
		t.Errorf("%+v", p.Circuit)
	}
	if p.Breakaway.Adequate != rules.Unknown {
		t.Error("a pump's battery is sized by magnet sums")
	}
	if !slices.ContainsFunc(p.Needs, func(n fitting.Need) bool { return n.ID == "controller.electric_hydraulic" && n.Status == rules.Unknown }) {
		t.Errorf("%+v", p.Needs)
	}
	m, err := fitting.DecodeMeasurements([]byte(`{"pump_current": "23 A", "magnet_voltage": "9.9 V"}`))
	if err != nil {
		t.Fatal(err)
	}
	j := fitting.Judge(p, m)
	for _, id := range []string{"pump_current", "magnet_voltage"} {
		if proof(j, id).Status != rules.NotMet {
			t.Errorf("%s: %+v", id, proof(j, id))
		}
	}
}

// TestStepOrder: no step before what it depends on; battery isolated before any
// wiring, reconnected after all of it, polarity before the controller.
func TestStepOrder(t *testing.T) {
	for name, p := range map[string]*fitting.Plan{
		"boat": plan(t, boatRig, boatRequest), "boat, nothing told": plan(t, boatRig, `{}`), "float": plan(t, floatRig, `{}`),
		"unknown brakes": plan(t, swap(t, boatRig, `"kind": "electric", `, ``), `{}`),
	} {
		at := map[string]int{}
		for i, s := range p.Steps {
			if _, twice := at[s.ID]; twice || s.Title == "" || s.Do == "" || s.Reason == "" || s.Source.Title == "" {
				t.Errorf("%s: step %+v", name, s)
			}
			at[s.ID] = i
			for _, before := range s.After {
				if j, there := at[before]; !there || j >= i {
					t.Errorf("%s: %s stands before %s", name, s.ID, before)
				}
			}
		}
		for _, e := range fitting.Expect(p) {
			if _, there := at[e.Step]; !there && e.ID != "plan" {
				t.Errorf("%s: %s is measured in no step", name, e.ID)
			}
		}
		if p.Electrical.Needed != rules.Yes {
			continue
		}
		order := []string{"secure", "isolate", "mount", "route", "bulkhead", "protection", "earth", "return", "stop", "socket", "cold-polarity", "trailer-line", "breakaway", "prove-line", "reconnect", "polarity", "connect", "prove-supply", "prove-stop", "prove-idle", "prove-output", "prove-breakaway", "setup-walk", "setup-gain", "setup-road", "setup-laden", "record"}
		for i, id := range order {
			if _, there := at[id]; !there {
				t.Errorf("%s: there is no step %s", name, id)
			}
			if i > 0 && at[order[i-1]] >= at[id] {
				t.Errorf("%s: %s does not come after %s", name, id, order[i-1])
			}
		}
		for id, before := range map[string][]string{
			"reconnect": {"cold-polarity", "prove-line"}, "polarity": {"reconnect"}, "connect": {"polarity"}, "prove-supply": {"connect"},
			"mount": {"isolate"}, "route": {"isolate"}, "stop": {"isolate"}, "cold-polarity": {"protection", "earth", "stop", "socket"}, "setup-gain": {"setup-walk"},
		} {
			for _, b := range before {
				if !slices.Contains(p.Steps[at[id]].After, b) {
					t.Errorf("%s: %s does not wait for %s", name, id, b)
				}
			}
		}
		for _, id := range []string{"isolate", "protection", "prove-output", "setup-gain", "adjust"} {
			if p.Steps[at[id]].Hazard == "" {
				t.Errorf("%s: %s tells no hazard", name, id)
			}
		}
	}
}

// TestStepsFollowTheRig: the work is made from what is chosen, fitted or wrong.
func TestStepsFollowTheRig(t *testing.T) {
	do := func(p *fitting.Plan, id string) string {
		for _, s := range p.Steps {
			if s.ID == id {
				return s.Do
			}
		}
		return ""
	}
	p := plan(t, boatRig, boatRequest)
	if s := do(p, "trailer-line"); !strings.Contains(s, "lay "+section(p, "trunk").Conductor) {
		t.Error(s)
	}
	if s := do(p, "protection"); !strings.Contains(s, "25 A") {
		t.Error(s)
	}
	p = plan(t, boatRig, swap(t, boatRequest, `"trunk": {"length": "5 m"`, `"trunk": {"length": "5 m", "conductor": "16 mm2"`))
	if s := do(p, "trailer-line"); !strings.Contains(s, "look over the 16 mm2") {
		t.Error(s)
	}
	p = plan(t, boatRig, swap(t, boatRequest, `"output": {"length": "5 m"`, `"output": {"length": "5 m", "conductor": "1.5 mm2"`, `"trunk": {"length": "5 m"`, `"trunk": {"length": "5 m", "conductor": "1.5 mm2"`))
	if s := do(p, "trailer-line"); !strings.Contains(s, "replace the 1.5 mm2") || p.Circuit.State != fitting.Unfit || len(p.Circuit.Changes) == 0 {
		t.Error(s, p.Circuit.Changes)
	}
	if f := finding(p, "line.floor"); f == nil || f.Status != rules.NotMet {
		t.Errorf("floor: %+v", f)
	}
	p = plan(t, swap(t, boatRig, `"battery": "18 Ah"`, `"battery": "7 Ah"`), boatRequest)
	if s := do(p, "breakaway"); !strings.Contains(s, "Replace the battery") {
		t.Error(s)
	}
	p = plan(t, boatRig, swap(t, boatRequest, `"earth_at": "battery_negative"`, `"earth_at": "dash"`))
	if s := do(p, "earth"); !strings.Contains(s, "Move the earth") {
		t.Error(s)
	}
	p = plan(t, swap(t, boatRig, `"stop_signal": "switched"`, `"stop_signal": "body_computer"`), boatRequest)
	if s := do(p, "stop"); !strings.Contains(s, "module") || !strings.Contains(s, "diode") {
		t.Error(s)
	}
}

// TestAutoCable: 6 mm auto cable has 4.59 mm2 (Australian auto-cable tables).
func TestAutoCable(t *testing.T) {
	p := plan(t, boatRig, swap(t, boatRequest, `"trunk": {"length": "5 m"`, `"trunk": {"length": "5 m", "conductor": "6 mm auto cable"`, `"ambient"`, `"drop": {"volts": "3 V"}, "ambient"`))
	near(t, "copper", section(p, "trunk").Area, 4.59, 1e-9)
}

// TestHotMagnets: figures read hot give a lower cold resistance; a winding at 80
// degC has 1.2358 times its resistance at 20 (NBS Handbook 100: 1 + 0.00393 x 60), so that one at
// 100 has more.
func TestHotMagnets(t *testing.T) {
	cold := plan(t, boatRig, boatRequest)
	hot := plan(t, boatRig, swap(t, boatRequest, `"rated_voltage"`, `"winding": "hot", "rated_voltage"`))
	if hot.Circuit.Peak < 1.2358*cold.Circuit.Peak {
		t.Errorf("%g A, cold %g A", hot.Circuit.Peak, cold.Circuit.Peak)
	}
	near(t, "temperature factor", circuit.TemperatureFactor(80), 1.2358, 1e-9)
	// A current at a voltage says the same as a resistance: 13 V / 4.0625 A is 3.2 ohm.
	p := plan(t, boatRig, swap(t, boatRequest, `"resistance": "3.2 ohm", "resistance_most": "3.5 ohm"`, `"current": "4.0625 A", "voltage": "13 V"`))
	near(t, "resistance", p.Circuit.Magnet, 3.2, 1e-12)
}

func TestHandover(t *testing.T) {
	r := decodeRig(t, boatRig)
	a := assess(t, r)
	p := plan(t, boatRig, boatRequest)
	rec, err := fitting.DecodeRecord([]byte(boatRecord))
	if err != nil {
		t.Fatal(err)
	}
	h := fitting.NewHandover(r, a, p, fitting.Judge(p, readings(t, p, nil)), rec)
	if !h.Proven || !h.Signed || h.Verdict != rules.Compliant || len(h.Open) != 0 || !slices.Equal(h.Untraced, []string{"socket"}) {
		t.Errorf("proven %v, signed %v, %s, open %v, untraced %v", h.Proven, h.Signed, h.Verdict, h.Open, h.Untraced)
	}
	for _, l := range h.Law {
		for _, c := range l.Citations {
			if !slices.ContainsFunc(h.LawSources, func(s rules.Source) bool { return s.ID == c.Source }) {
				t.Errorf("%s cites %s, which is not described", l.Question, c.Source)
			}
		}
	}
	if !slices.ContainsFunc(h.Rig, func(l fitting.Line) bool {
		return l.Pointer == "/trailer/brakes/magnets" && l.Value == "4" && l.Meaning != ""
	}) {
		t.Error("the rig is not told")
	}
	var checks []string
	for _, c := range h.BeforeTrip {
		checks = append(checks, c.Do)
	}
	for _, want := range []string{"override", "Breakaway pin", "battery charged", "Gain"} {
		if !strings.Contains(strings.Join(checks, " "), want) {
			t.Errorf("the driver is not told of %s", want)
		}
	}
	data, err := json.Marshal(h)
	if err != nil || strings.Contains(string(data), "null") {
		t.Errorf("%v, or a list is null", err)
	}

	// Nothing measured, nobody signed: it says so.
	h = fitting.NewHandover(r, a, p, fitting.Judge(p, fitting.Measurements{}), fitting.Record{})
	if h.Proven || h.Signed || len(h.Open) < 20 || !strings.Contains(h.Cautions[0], "not proven") {
		t.Errorf("proven %v, signed %v, %d open, %v", h.Proven, h.Signed, len(h.Open), h.Cautions)
	}
	// The float's driver is told of its cable, not of a battery.
	fr := decodeRig(t, floatRig)
	fa, fp := assess(t, fr), plan(t, floatRig, `{}`)
	h = fitting.NewHandover(fr, fa, fp, fitting.Judge(fp, fitting.Measurements{}), fitting.Record{})
	all := fmt.Sprint(h.BeforeTrip)
	if !strings.Contains(all, "Breakaway cable") || strings.Contains(all, "battery") || strings.Contains(all, "Gain") {
		t.Error(all)
	}
}

func TestExpectedFiguresAreThoseOfTheReference(t *testing.T) {
	p := plan(t, boatRig, boatRequest)
	n := p.Proof.Network
	lo, hi := read(n, 13, n.MagnetLow, wrong{}), read(n, 13, n.MagnetHigh, wrong{})
	checked := 0
	for _, e := range fitting.Expect(p) {
		a, okA := lo[e.ID]
		b, okB := hi[e.ID]
		if !okA || !okB || e.Nominal == nil {
			continue
		}
		checked++
		near(t, e.ID, *e.Nominal, (a+b)/2, 2e-3*math.Max(1, a))
	}
	// Package circuit solves the same network as a tree of branches.
	near(t, "current", p.Circuit.Current, lo["axle_current/1"]+lo["axle_current/2"], 1e-3)
	near(t, "furthest magnet", p.Circuit.Furthest, lo["magnet_voltage"], 1e-3)
	near(t, "drop", p.Circuit.DropFlowing, lo["feed_drop"]+lo["return_drop"], 1e-3)
	if checked < 9 {
		t.Errorf("only %d figures were compared", checked)
	}
}

// TestScope: whether anything electrical is called for, by brakes and law.
func TestScope(t *testing.T) {
	small := swap(t, boatRig, `"rated": {"total": "2700 kg", "axles": "2500 kg"}, "tare": "900 kg", "laden": {"total": "2600 kg", "axles": "2400 kg", "ball": "200 kg"}`,
		`"rated": {"total": "745 kg", "axles": "700 kg"}, "tare": "200 kg", "laden": {"total": "700 kg", "axles": "650 kg", "ball": "50 kg"}`,
		`"axle_count": 2`, `"axle_count": 1`, `"breakaway": {"kind": "automatic", "hold": "15 min", "battery": "18 Ah"}, `, ``)
	boat := swap(t, boatRig, `"purpose": "boat"`, `"purpose": "boat", "approvals": []`)
	bare := swap(t, boat, `"breakaway": {"kind": "automatic", "hold": "15 min", "battery": "18 Ah"}, `, ``)
	const magnets = `"kind": "electric", "braked_axles": 2, "magnets": 4, "operable_from_cab": true, "working": true`
	for _, x := range []struct {
		name, rig, request string
		want               rules.Tri
		waits              string
	}{
		{"no brakes and none asked for", swap(t, small, magnets, `"kind": "none"`), `{}`, rules.No, ""},
		{"overrun on a light trailer", swap(t, small, magnets, `"kind": "overrun", "braked_axles": 1, "operable_from_cab": false`), `{}`, rules.No, ""},
		{"overrun where the driver must work the brakes", swap(t, boat, magnets, `"kind": "overrun", "braked_axles": 2, "operable_from_cab": false`), `{}`, rules.DontKnow, "/actuator/kind"},
		{"and magnets are to be fitted", swap(t, boat, magnets, `"kind": "overrun", "braked_axles": 2, "operable_from_cab": false`), `{"actuator": {"kind": "magnets", "count": 4}}`, rules.Yes, ""},
		{"and something else is", swap(t, boat, magnets, `"kind": "overrun", "braked_axles": 2, "operable_from_cab": false`), `{"actuator": {"kind": "none"}}`, rules.No, ""},
		{"overrun, masses not known", swap(t, boatRig, magnets, `"kind": "overrun", "braked_axles": 2, "operable_from_cab": false`, `"rated": {"total": "2700 kg", "axles": "2500 kg"}, "tare"`, `"tare"`), `{}`, rules.DontKnow, ""},
		{"overrun where no law is held", swap(t, boatRig, magnets, `"kind": "overrun", "braked_axles": 2`, `"2026-11-25"`, `"1905-01-01"`, `"built": "2024-06-01", "first_registered": "2024-06-20", `, ``, `"first_registered": "2022-03-01", `, ``), `{}`, rules.DontKnow, ""},
		{"no brakes where brakes are asked for", swap(t, bare, magnets, `"kind": "none"`), `{}`, rules.DontKnow, "/actuator/kind"},
		{"brakes not known", swap(t, boatRig, magnets, `"operable_from_cab": true`), `{}`, rules.DontKnow, "/trailer/brakes/kind"},
	} {
		t.Run(x.name, func(t *testing.T) {
			p := plan(t, x.rig, x.request)
			if p.Electrical.Needed != x.want || p.Electrical.Reason == "" {
				t.Errorf("%+v", p.Electrical)
			}
			if x.waits != "" && !slices.ContainsFunc(p.Missing, func(m fitting.Missing) bool { return m.Pointer.Pointer == x.waits }) {
				t.Errorf("%s is not asked for: %v", x.waits, p.Missing)
			}
			j := fitting.Judge(p, fitting.Measurements{})
			if j.Proven && p.Proof.Braked != rules.No {
				t.Error("proven with nothing measured")
			}
			data, err := json.Marshal([]any{p, j, fitting.Expect(p)})
			if err != nil || strings.Contains(string(data), "null") {
				t.Errorf("%v, or a list is null", err)
			}
		})
	}
}

// TestThinLineIsNotProven: readings that fit a line that is too thin prove
// nothing.
func TestThinLineIsNotProven(t *testing.T) {
	p := plan(t, boatRig, swap(t, boatRequest, `"output": {"length": "5 m"`, `"output": {"length": "5 m", "conductor": "2.5 mm2"`, `"trunk": {"length": "5 m"`, `"trunk": {"length": "5 m", "conductor": "2.5 mm2"`))
	if p.Circuit.State != fitting.Unfit {
		t.Fatalf("the line is %s: %s", p.Circuit.State, p.Circuit.Says)
	}
	if j := fitting.Judge(p, readings(t, p, nil)); j.Proven || proof(j, "plan").Status != rules.NotMet {
		t.Errorf("proven %v: %+v", j.Proven, proof(j, "plan"))
	}
}

// TestFrameReturn: the frame as the return counts only with its resistance
// measured, and practice speaks against it.
func TestFrameReturn(t *testing.T) {
	p := plan(t, boatRig, swap(t, boatRequest, `"return": "conductor"`, `"return": "chassis", "chassis_return": "10 mohm"`))
	// The output run's own joints are 10 mohm, half of them on the way back.
	near(t, "return", section(p, "output").Return, 0.015, 1e-12)
	near(t, "return of a lead", section(p, "lead 1").Return, 0, 0)
	if f := finding(p, "return.conductor"); f == nil || f.Status != rules.NotMet {
		t.Errorf("%+v", f)
	}
}

// TestStopLampLoad: the switch against what hangs on it; 3.5 A of two 21 W lamps
// (P/V at 12 V) and the controller's input.
func TestStopLampLoad(t *testing.T) {
	for rating, want := range map[string]rules.Status{"3.6 A": rules.Met, "3.599 A": rules.NotMet} {
		p := plan(t, boatRig, swap(t, boatRequest, `"fed_from"`, fmt.Sprintf(`"stop_lamp_load": "3.5 A", "stop_lamp_switch": %q, "fed_from"`, rating)))
		if f := finding(p, "stop.load"); f == nil || f.Status != want {
			t.Errorf("%s: %+v", rating, f)
		}
	}
	p := plan(t, boatRig, swap(t, boatRequest, `"fed_from"`, `"stop_lamp_load": "3.5 A", "fed_from"`))
	if f := finding(p, "stop.load"); f == nil || f.Status != rules.Unknown || !waits(f.WaitsFor, "/wiring/stop_lamp_switch") {
		t.Errorf("%+v", f)
	}
}

// TestHoldOpen: where the law's answer on the hold waits for a mass, so does the
// battery; where the law names no time, 15 minutes are taken and called
// customary.
func TestHoldOpen(t *testing.T) {
	p := plan(t, swap(t, boatRig, `"rated": {"total": "2700 kg", "axles": "2500 kg"}, "tare"`, `"tare"`), boatRequest)
	if p.Breakaway.Adequate != rules.Unknown || p.Breakaway.Hold != 0 || !waits(p.Breakaway.WaitsFor, "/trailer/rated/axles") {
		t.Errorf("%+v", p.Breakaway)
	}
	if x := proof(fitting.Judge(p, readings(t, plan(t, boatRig, boatRequest), nil)), "breakaway/hold"); x.Status != rules.Unknown {
		t.Errorf("16 minutes are %s although nobody knows what is asked", x.Status)
	}
	// At 2 t on the axles the Australian duty has not begun.
	p = plan(t, swap(t, boatRig, `"axles": "2500 kg"}, "tare"`, `"axles": "2000 kg"}, "tare"`, `"total": "2600 kg", "axles": "2400 kg"`, `"total": "2100 kg", "axles": "1900 kg"`), boatRequest)
	if p.Breakaway.Required != rules.No || p.Breakaway.Hold != 15 || !strings.Contains(p.Breakaway.HoldFrom, "customary") {
		t.Errorf("%+v", p.Breakaway)
	}
}

// TestGermany: UN Regulation 13 is part of the law there.
func TestGermany(t *testing.T) {
	p := plan(t, swap(t, boatRig, `"AU-NSW"`, `"DE"`), swap(t, boatRequest, `"axles_served": 2`, `"axles_served": 2, "on_trailer": false`))
	if f := finding(p, "eu.regulator_on_trailer"); f == nil || f.Status != rules.NotMet || f.Level != "law" || f.Source.How != "text" {
		t.Errorf("%+v", f)
	}
	// 900 kg empty of 2700 kg is a third: below 75 percent.
	if f := finding(p, "eu.load_regulated"); f == nil || f.Status != rules.Unknown {
		t.Errorf("%+v", f)
	}
	if j := fitting.Judge(p, readings(t, p, nil)); j.Proven {
		t.Error("a controller in the cab is proven where the law wants it on the trailer")
	}
}

// TestParkingGrade: the grade of the law stands in what is to be measured.
func TestParkingGrade(t *testing.T) {
	for _, e := range fitting.Expect(plan(t, floatRig, `{}`)) {
		if e.ID == "mechanical/parking_holds" && !strings.Contains(e.Measure, "16 %") {
			t.Error(e.Measure)
		}
	}
}

// TestBuiltIn: where the vehicle has a control of its own no second one is mounted.
func TestBuiltIn(t *testing.T) {
	p := plan(t, boatRig, swap(t, boatRequest, `"axles_served": 2`, `"axles_served": 2, "vehicle_built_in": true`))
	i := slices.IndexFunc(p.Steps, func(s fitting.Step) bool { return s.ID == "mount" })
	if i < 0 || !strings.Contains(p.Steps[i].Do, "no second controller") {
		t.Error("a second one is mounted")
	}
}

// TestPlaces: axles keep their own numbers where the rig lists which are braked.
func TestPlaces(t *testing.T) {
	p := plan(t, swap(t, boatRig, `"axle_count": 2`, `"axle_count": 3`, `"braked_axles": 2`, `"braked_axles": 2, "axle_positions": [3, 1]`), boatRequest)
	if len(p.Circuit.Axles) != 2 || p.Circuit.Axles[0].Axle != 1 || p.Circuit.Axles[1].Axle != 3 {
		t.Errorf("%+v", p.Circuit.Axles)
	}
}

// TestSameBytes: equal questions give equal bytes.
func TestSameBytes(t *testing.T) {
	say := func() string {
		p := plan(t, boatRig, boatRequest)
		j := fitting.Judge(p, readings(t, p, map[string]float64{"axle_current/2": 3.6, "output/100": 9}))
		data, err := json.Marshal([]any{p, fitting.Expect(p), j})
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	want := say()
	for range 10 {
		if say() != want {
			t.Fatal("two answers to one question differ")
		}
	}
}

// TestReturnPassesTheController: the current comes back past the controller to
// battery negative. 10 mm2 of class 5 has 1.91 ohm/km (IEC 60228): 5 m out and 8 m
// back, with 5 mohm of joints each way.
func TestReturnPassesTheController(t *testing.T) {
	p := plan(t, boatRig, swap(t, boatRequest, `"output": {"length": "5 m"`, `"output": {"length": "5 m", "conductor": "10 mm2"`))
	near(t, "output", section(p, "output").Feed, 5*1.91e-3+5e-3, 1e-12)
	near(t, "return", section(p, "output").Return, 8*1.91e-3+5e-3, 1e-12)
}
