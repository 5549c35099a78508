package circuit_test

import (
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules/circuit"
	"drawgear/rules/rig"
)

// names refuses an error that does not name arg.
func names(t *testing.T, arg string, err error) {
	t.Helper()
	var bad *circuit.Bad
	if !errors.As(err, &bad) || bad.Arg != arg || bad.Why == "" {
		t.Errorf("want %s named: %v", arg, err)
	}
}

// TestProtection by hand: load over 0.8, the next rating, and the lowest
// published limit of the conductor.
func TestProtection(t *testing.T) {
	for _, c := range []struct {
		name      string
		feed      circuit.Feed
		rating    float64 // 0: none
		practice  []float64
		says      string
		conductor circuit.Status // of the strict rating
	}{
		{"two axles on 10 AWG", circuit.Feed{Amps: 16.25, Conductor: cond("10 AWG"), Axles: 2}, 25, []float64{20, 30}, "disagree", circuit.Met},
		{"two axles on 12 AWG", circuit.Feed{Amps: 16.25, Conductor: cond("12 AWG"), Axles: 2}, 0, []float64{20, 30}, "larger conductor", circuit.NotMet},
		{"three axles on 8 AWG", circuit.Feed{Amps: 24.38, Conductor: cond("8 AWG"), Axles: 3}, 35, []float64{30, 30}, "disagree", circuit.Met},
		{"four axles on 8 AWG", circuit.Feed{Amps: 32, Conductor: cond("8 AWG"), Axles: 4}, 40, []float64{40, 30}, "would trip", circuit.Met},
		{"more axles than practice knows", circuit.Feed{Amps: 8, Conductor: cond("8 AWG"), Axles: 5}, 10, []float64{30}, "Fit 10 A", circuit.Met},
		{"axles not known", circuit.Feed{Amps: 12, Conductor: cond("10 AWG")}, 15, nil, "Fit 15 A (blue)", circuit.Met},
		{"exactly at a rating", circuit.Feed{Amps: 8, Conductor: cond("10 AWG")}, 10, nil, "Fit 10 A", circuit.Met},
		{"just above it", circuit.Feed{Amps: 8.000001, Conductor: cond("10 AWG")}, 15, nil, "Fit 15 A", circuit.Met},
		{"more than any fuse", circuit.Feed{Amps: 33, Conductor: cond("16 mm2")}, 0, nil, "No blade fuse", circuit.Unknown},
		{"a conductor that no table has", circuit.Feed{Amps: 2, Conductor: cond("0.35 mm2 ISO 6722")}, 0, nil, "No published limit", circuit.Unknown},
		{"hotter than any table", circuit.Feed{Amps: 2, Conductor: cond("10 AWG"), Ambient: p(90.0)}, 0, nil, "No published limit", circuit.Unknown},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := must[circuit.Protection](t)(circuit.Protect(c.feed))
			if (x.Rating == nil) != (c.rating == 0) || x.Rating != nil && x.Rating.Amps != c.rating {
				t.Errorf("rating %+v, want %v A", x.Rating, c.rating)
			}
			same(t, "strict", x.Rules[0].Status, c.conductor)
			var customary []float64
			for _, r := range x.Rules[2:] {
				customary = append(customary, r.Amps)
				same(t, "confidence", r.Source.How, "memory")
			}
			if !slices.Equal(customary, c.practice) {
				t.Errorf("practice %v, want %v", customary, c.practice)
			}
			all := x.Says
			for _, r := range x.Rules {
				all += " " + r.Says
			}
			if !strings.Contains(all, c.says) {
				t.Errorf("says %q, want %q", all, c.says)
			}
		})
	}
	rapid.Check(t, func(t *rapid.T) {
		f := circuit.Feed{Amps: rapid.Float64Range(0.1, 60).Draw(t, "amps"), Conductor: rapid.SampledFrom(circuit.Conductors(circuit.Metric)).Draw(t, "conductor")}
		x, err := circuit.Protect(f)
		if err != nil {
			t.Fatal(err)
		}
		if x.Rating == nil {
			return
		}
		h, _ := f.Conductor.HeatLimit(nil)
		if x.Rating.Amps > h.Amps || f.Amps > 0.8*x.Rating.Amps*(1+1e-9) {
			t.Errorf("%v A protects %s with %v A", x.Rating.Amps, f.Conductor, f.Amps)
		}
	})
	for _, c := range []struct {
		arg  string
		feed circuit.Feed
	}{
		{"/amps", circuit.Feed{Conductor: cond("6 mm2")}},
		{"/amps", circuit.Feed{Amps: math.NaN(), Conductor: cond("6 mm2")}},
		{"/conductor", circuit.Feed{Amps: 5}},
		{"/ambient_c", circuit.Feed{Amps: 5, Conductor: cond("6 mm2"), Ambient: p(math.Inf(1))}},
		{"/axles", circuit.Feed{Amps: 5, Conductor: cond("6 mm2"), Axles: 99}},
	} {
		_, err := circuit.Protect(c.feed)
		names(t, c.arg, err)
	}
}

func TestCheckFeed(t *testing.T) {
	good := circuit.Fed{From: "battery", Protected: p(0.3), Earth: "battery_negative", ReturnConductor: p(true), Feed: cond("4 mm2"), Return: cond("4 mm2")}
	for _, k := range must[[]circuit.Check](t)(circuit.CheckFeed(good)) {
		same(t, k.ID, k.Status, circuit.Met)
	}
	for _, c := range []struct {
		id     string
		change func(*circuit.Fed)
		want   circuit.Status
		needs  string
	}{
		{"feed.from_battery", func(f *circuit.Fed) { f.From = "fuse_panel" }, circuit.NotMet, ""},
		{"feed.from_battery", func(f *circuit.Fed) { f.From = "accessory" }, circuit.NotMet, ""},
		{"feed.from_battery", func(f *circuit.Fed) { f.From = "" }, circuit.Unknown, "/from"},
		{"feed.near_battery", func(f *circuit.Fed) { f.Protected = p(0.300001) }, circuit.NotMet, ""},
		{"feed.near_battery", func(f *circuit.Fed) { f.Protected = nil }, circuit.Unknown, "/protected_at_m"},
		{"earth.direct", func(f *circuit.Fed) { f.Earth = "ball" }, circuit.NotMet, ""},
		{"earth.direct", func(f *circuit.Fed) { f.Earth = "chassis_point" }, circuit.Met, ""},
		{"earth.direct", func(f *circuit.Fed) { f.Earth = "" }, circuit.Unknown, "/earth"},
		{"return.conductor", func(f *circuit.Fed) { f.ReturnConductor = p(false) }, circuit.NotMet, ""},
		{"return.conductor", func(f *circuit.Fed) { f.ReturnConductor = nil }, circuit.Unknown, "/return_conductor"},
		{"return.size", func(f *circuit.Fed) { f.Return = cond("2.5 mm2") }, circuit.NotMet, ""},
		{"return.size", func(f *circuit.Fed) { f.Return = circuit.Conductor{} }, circuit.Unknown, "/return"},
		{"return.size", func(f *circuit.Fed) { f.Feed = circuit.Conductor{} }, circuit.Unknown, "/feed"},
	} {
		f := good
		c.change(&f)
		k := find(t, must[[]circuit.Check](t)(circuit.CheckFeed(f)), c.id)
		if k.Status != c.want || strings.Join(k.Needs, " ") != c.needs {
			t.Errorf("%s: %+v, want %s %s", c.id, k, c.want, c.needs)
		}
	}
	for arg, f := range map[string]circuit.Fed{"/from": {From: "dash"}, "/earth": {Earth: "towball"}, "/protected_at_m": {Protected: p(-1.0)}} {
		_, err := circuit.CheckFeed(f)
		names(t, arg, err)
	}
}

// european is a system that keeps every rule with nothing to spare.
func european() circuit.European {
	return circuit.European{
		Volts: p(12.0), Amps: p(15.0), RegulatorOnTrailer: p(true), FromVehicle: p(true), ByServiceBrake: p(true), OwnPlug: p(true),
		BatteryCharged: p(true), ChargeCut: p(true), UnladenShare: p(0.5), LoadRegulated: p(true), ForceAt7V: p(0.2),
		ServiceForce: p(0.5), ServiceRate: p(5.6), SingleAxle: p(false), Inclination: p(true), AdjustableDrawbar: p(true), SensorOnChassis: p(true),
		ElectricBreakaway: p(true), HoldMinutes: p(15.0), HoldForce: p(0.25), Response: p(0.4), ConnectionVolts: p(9.6),
		ByStopLamp: p(true), Parallel: p(true), SwitchAmps: p(10.0), StopAndBrakeAmps: p(10.0),
	}
}

// TestEuropean: each figure at its boundary, just beyond it and missing.
func TestEuropean(t *testing.T) {
	for _, k := range must[[]circuit.Check](t)(circuit.CheckEuropean(european())) {
		if k.Status != circuit.Met || k.Level != circuit.Law || k.Source.Clause == "" || len(k.Needs) > 0 {
			t.Errorf("%+v", k)
		}
	}
	for _, c := range []struct {
		id     string
		change func(*circuit.European)
		want   circuit.Status
		needs  string
	}{
		{"eu.voltage", func(e *circuit.European) { e.Volts = p(24.0) }, circuit.NotMet, ""},
		{"eu.voltage", func(e *circuit.European) { e.Volts = nil }, circuit.Unknown, "/nominal_v"},
		{"eu.current", func(e *circuit.European) { e.Amps = p(15.000001) }, circuit.NotMet, ""},
		{"eu.current", func(e *circuit.European) { e.Amps = nil }, circuit.Unknown, "/amps"},
		{"eu.regulator_on_trailer", func(e *circuit.European) { e.RegulatorOnTrailer = p(false) }, circuit.NotMet, ""},
		{"eu.own_plug", func(e *circuit.European) { e.OwnPlug = nil }, circuit.Unknown, "/own_plug"},
		{"eu.charge_cut", func(e *circuit.European) { e.ChargeCut = p(false) }, circuit.NotMet, ""},
		{"eu.charge_cut", func(e *circuit.European) { e.ChargeCut, e.BatteryCharged = p(false), nil }, circuit.Unknown, "/battery_charged"},
		{"eu.charge_cut", func(e *circuit.European) { e.BatteryCharged = nil }, circuit.Met, ""},
		{"eu.charge_cut", func(e *circuit.European) { e.ChargeCut, e.BatteryCharged = nil, nil }, circuit.Unknown, "/battery_charged /charge_cut"},
		{"eu.charge_cut", func(e *circuit.European) { e.ChargeCut, e.BatteryCharged = p(false), p(false) }, circuit.NotApplicable, ""},
		{"eu.load_regulated", func(e *circuit.European) { e.LoadRegulated = p(false) }, circuit.NotMet, ""},
		{"eu.load_regulated", func(e *circuit.European) { e.LoadRegulated, e.UnladenShare = p(false), p(0.75) }, circuit.NotApplicable, ""},
		{"eu.load_regulated", func(e *circuit.European) { e.LoadRegulated, e.UnladenShare = p(false), p(0.749999) }, circuit.NotMet, ""},
		{"eu.force_at_7v", func(e *circuit.European) { e.ForceAt7V = p(0.199999) }, circuit.NotMet, ""},
		{"eu.sensor_on_chassis", func(e *circuit.European) { e.SensorOnChassis = p(false) }, circuit.NotMet, ""},
		{"eu.sensor_on_chassis", func(e *circuit.European) { e.SensorOnChassis, e.SingleAxle = p(false), p(true) }, circuit.NotApplicable, ""},
		{"eu.sensor_on_chassis", func(e *circuit.European) { e.SensorOnChassis, e.AdjustableDrawbar = p(false), nil }, circuit.Unknown, "/adjustable_drawbar"},
		{"eu.sensor_on_chassis", func(e *circuit.European) { e.SensorOnChassis, e.SingleAxle, e.Inclination = nil, nil, p(false) }, circuit.NotApplicable, ""},
		{"eu.service_force", func(e *circuit.European) { e.ServiceForce = p(0.499999) }, circuit.NotMet, ""},
		{"eu.service_deceleration", func(e *circuit.European) { e.ServiceRate = p(5.7) }, circuit.NotMet, ""},
		{"eu.service_deceleration", func(e *circuit.European) { e.ServiceRate, e.SingleAxle = p(5.9), p(true) }, circuit.Met, ""},
		{"eu.service_deceleration", func(e *circuit.European) { e.ServiceRate, e.SingleAxle = p(5.900001), p(true) }, circuit.NotMet, ""},
		{"eu.service_deceleration", func(e *circuit.European) { e.ServiceRate, e.SingleAxle = p(5.7), nil }, circuit.Unknown, "/single_axle"},
		{"eu.service_deceleration", func(e *circuit.European) { e.ServiceRate, e.SingleAxle = p(5.6), nil }, circuit.Met, ""},
		{"eu.service_deceleration", func(e *circuit.European) { e.ServiceRate, e.SingleAxle = p(6.0), nil }, circuit.NotMet, ""},
		{"eu.service_deceleration", func(e *circuit.European) { e.ServiceRate, e.SingleAxle = nil, nil }, circuit.Unknown, "/service_deceleration /single_axle"},
		{"eu.hold_time", func(e *circuit.European) { e.HoldMinutes = p(14.999999) }, circuit.NotMet, ""},
		{"eu.hold_time", func(e *circuit.European) { e.HoldMinutes, e.ElectricBreakaway = nil, p(false) }, circuit.NotApplicable, ""},
		{"eu.hold_force", func(e *circuit.European) { e.HoldForce = p(0.249999) }, circuit.NotMet, ""},
		{"eu.response", func(e *circuit.European) { e.Response = p(0.400001) }, circuit.NotMet, ""},
		{"eu.connection", func(e *circuit.European) { e.ConnectionVolts = p(9.599999) }, circuit.NotMet, ""},
		{"eu.stop_lamp_parallel", func(e *circuit.European) { e.Parallel = p(false) }, circuit.NotMet, ""},
		{"eu.stop_lamp_load", func(e *circuit.European) { e.StopAndBrakeAmps = p(10.000001) }, circuit.NotMet, ""},
		{"eu.stop_lamp_load", func(e *circuit.European) { e.StopAndBrakeAmps = nil }, circuit.Unknown, "/stop_load_amps"},
		{"eu.stop_lamp_load", func(e *circuit.European) { e.SwitchAmps, e.StopAndBrakeAmps = nil, nil }, circuit.Unknown, "/switch_amps /stop_load_amps"},
		{"eu.stop_lamp_load", func(e *circuit.European) { e.ByStopLamp, e.SwitchAmps = p(false), nil }, circuit.NotApplicable, ""},
	} {
		e := european()
		c.change(&e)
		k := find(t, must[[]circuit.Check](t)(circuit.CheckEuropean(e)), c.id)
		if k.Status != c.want || strings.Join(k.Needs, " ") != c.needs {
			t.Errorf("%s: %s, needs %q, want %s %q", c.id, k.Status, k.Needs, c.want, c.needs)
		}
	}
}

// TestEuropeanMissing: with nothing known nothing is decided, and each pointer
// that is waited for is a field of the question.
func TestEuropeanMissing(t *testing.T) {
	fields := map[string]bool{}
	for f := range reflect.TypeFor[circuit.European]().Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		fields["/"+name] = true
	}
	waited := map[string]bool{}
	for _, k := range must[[]circuit.Check](t)(circuit.CheckEuropean(circuit.European{})) {
		same(t, k.ID, k.Status, circuit.Unknown)
		for _, n := range k.Needs {
			waited[n] = true
		}
	}
	if !reflect.DeepEqual(fields, waited) {
		t.Errorf("fields %v\nwaited for %v", fields, waited)
	}
	for arg, e := range map[string]circuit.European{
		"/amps": {Amps: p(-1.0)}, "/hold_min": {HoldMinutes: p(math.NaN())}, "/unladen_share": {UnladenShare: p(1.1)},
	} {
		_, err := circuit.CheckEuropean(e)
		names(t, arg, err)
	}
}

func TestLampAndRun(t *testing.T) {
	same(t, "no voltage", must[circuit.Check](t)(circuit.CheckLamp(12.8, nil)).Status, circuit.Unknown)
	_, err := circuit.CheckLamp(0, nil)
	names(t, "/design_v", err)
	for x, want := range map[float64]circuit.Status{0.6: circuit.Met, 0.600001: circuit.NotMet} {
		same(t, "support", must[[]circuit.Check](t)(circuit.CheckRun(&x, nil))[0].Status, want)
	}
	k := must[[]circuit.Check](t)(circuit.CheckRun(nil, p(false)))
	same(t, "support", k[0].Status, circuit.Unknown)
	same(t, "return", k[1].Status, circuit.NotMet)
	_, err = circuit.CheckRun(p(-1.0), nil)
	names(t, "/support_spacing_m", err)
}

func TestHold(t *testing.T) {
	warm := &circuit.Derating{Ageing: 1, Cold: 1, Depth: 1}
	for _, c := range []struct {
		name   string
		hold   circuit.Hold
		enough circuit.Status
		needs  string
	}{
		// 12 A for 15 min is 3 Ah; times 1/0.512 it is 5.86 Ah.
		{"the maker's figure, just enough", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Derating: warm, Table: &circuit.Table{AmpHours: 3, Minutes: 15}}, circuit.Met, ""},
		{"the maker's figure, just not", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Derating: warm, Table: &circuit.Table{AmpHours: 2.999999, Minutes: 15}}, circuit.NotMet, ""},
		{"derated by default", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Table: &circuit.Table{AmpHours: 5.85, Minutes: 15}}, circuit.NotMet, ""},
		{"derated by default, enough", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Table: &circuit.Table{AmpHours: 5.86, Minutes: 15}}, circuit.Met, ""},
		{"lamps held on too", circuit.Hold{Magnets: 4, AmpsEach: 3, Other: 3.5, Minutes: 15, Derating: warm, Table: &circuit.Table{AmpHours: 3.8, Minutes: 15}}, circuit.NotMet, ""},
		{"a table for a slower rate cannot pass", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Derating: warm, Table: &circuit.Table{AmpHours: 5, Minutes: 1200}}, circuit.Unknown, "/table"},
		{"but it can fail", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Derating: warm, Table: &circuit.Table{AmpHours: 2.9, Minutes: 1200}}, circuit.NotMet, ""},
		{"a table for a faster rate cannot fail", circuit.Hold{Magnets: 2, AmpsEach: 3, Minutes: 60, Derating: warm, Table: &circuit.Table{AmpHours: 5, Minutes: 15}}, circuit.Unknown, "/table"},
		{"nameplate alone is never enough", circuit.Hold{Magnets: 2, AmpsEach: 3, Minutes: 15, Battery: p(100.0)}, circuit.Unknown, "/table"},
		{"but may be too little", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Battery: p(5.8)}, circuit.NotMet, ""},
		{"no battery", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15}, circuit.Unknown, "/table /battery_ah"},
		{"Peukert without a battery", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Peukert: &circuit.Peukert{Exponent: 1.1, Hours: 20, Kind: "agm"}}, circuit.Unknown, "/battery_ah"},
		// The nameplate of the published check is 10.377 Ah.
		{"Peukert, enough", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Battery: p(10.38), Peukert: &circuit.Peukert{Exponent: 1.15, Hours: 20}}, circuit.Met, ""},
		{"Peukert, not enough", circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Battery: p(10.37), Peukert: &circuit.Peukert{Exponent: 1.15, Hours: 20}}, circuit.NotMet, ""},
	} {
		x, err := circuit.SizeHold(c.hold)
		if err != nil || x.Enough != c.enough || strings.Join(x.Needs, " ") != c.needs {
			t.Errorf("%s: %s, needs %q, %v; want %s %q", c.name, x.Enough, x.Needs, err, c.enough, c.needs)
		}
		if len(x.Assumes) == 0 || len(x.Cautions) == 0 || len(x.Sources) == 0 || x.Digits != 2 || x.Says == "" {
			t.Errorf("%s: %+v", c.name, x)
		}
	}
	// The words never promise more than the figures: 10.377 Ah and 14.99 minutes.
	x := must[circuit.HoldResult](t)(circuit.SizeHold(circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15, Battery: p(10.37), Peukert: &circuit.Peukert{Exponent: 1.15, Hours: 20}}))
	if !strings.Contains(x.Says, "at least 11 Ah") || !strings.Contains(x.Says, "about 14 minutes: not enough") {
		t.Errorf("says %q", x.Says)
	}
	good := circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15}
	for _, c := range []struct {
		arg    string
		change func(*circuit.Hold)
	}{
		{"/magnets", func(h *circuit.Hold) { h.Magnets = -1 }},
		{"/amps_each", func(h *circuit.Hold) { h.AmpsEach = math.NaN() }},
		{"/amps_each", func(h *circuit.Hold) { h.AmpsEach = 0 }},
		{"/other_a", func(h *circuit.Hold) { h.Other = -1 }},
		{"/minutes", func(h *circuit.Hold) { h.Minutes = 0 }},
		{"/derating/cold", func(h *circuit.Hold) { h.Derating = &circuit.Derating{Ageing: 1, Cold: 0, Depth: 1} }},
		{"/derating/depth", func(h *circuit.Hold) { h.Derating = &circuit.Derating{Ageing: 1, Cold: 1, Depth: 1.1} }},
		{"/battery_ah", func(h *circuit.Hold) { h.Battery = p(0.0) }},
		{"/peukert/exponent", func(h *circuit.Hold) { h.Peukert = &circuit.Peukert{Exponent: 0.9, Hours: 20} }},
		{"/peukert/exponent", func(h *circuit.Hold) { h.Peukert = &circuit.Peukert{Exponent: 1.4, Hours: 20, Kind: "agm"} }},
		{"/peukert/kind", func(h *circuit.Hold) { h.Peukert = &circuit.Peukert{Exponent: 1.1, Hours: 20, Kind: "lead"} }},
		{"/peukert/hours", func(h *circuit.Hold) { h.Peukert = &circuit.Peukert{Exponent: 1.1} }},
		{"/table/minutes", func(h *circuit.Hold) { h.Table = &circuit.Table{AmpHours: 3} }},
		{"/table/amp_hours", func(h *circuit.Hold) { h.Table = &circuit.Table{Minutes: 3} }},
		{"/table", func(h *circuit.Hold) {
			h.Table, h.Peukert = &circuit.Table{AmpHours: 3, Minutes: 15}, &circuit.Peukert{Exponent: 1.1, Hours: 20}
		}},
	} {
		h := good
		c.change(&h)
		_, err := circuit.SizeHold(h)
		names(t, c.arg, err)
	}
	rapid.Check(t, func(t *rapid.T) {
		amps, minutes := rapid.Float64Range(1, 40).Draw(t, "amps"), rapid.Float64Range(1, 600).Draw(t, "minutes")
		k := rapid.Float64Range(1, 1.6).Draw(t, "exponent")
		c := circuit.PeukertCapacity(amps, minutes, 20, k)
		if back := circuit.HoldTime(c, amps, 20, k); math.Abs(back-minutes) > 1e-9*minutes {
			t.Errorf("%v Ah last %v minutes, not %v", c, back, minutes)
		}
		if circuit.HoldTime(c, 1.1*amps, 20, k) >= minutes {
			t.Error("a larger current lasts as long")
		}
	})
}

func TestColdAndVoltage(t *testing.T) {
	for c, want := range map[float64]float64{25: 1, 20: 1, 19.9: 0.8, 0: 0.8, -0.1: 0.6, -18: 0.6} {
		got, ok := circuit.ColdFactor(c)
		if !ok || got != want {
			t.Errorf("%v degC: %v, %v, want %v", c, got, ok, want)
		}
	}
	for _, c := range []float64{-18.1, math.NaN()} {
		if f, ok := circuit.ColdFactor(c); ok {
			t.Errorf("%v degC has the factor %v", c, f)
		}
	}
	for v, want := range map[float64]circuit.Status{9.599999: circuit.NotMet, 9.6: circuit.Unknown, 10.499999: circuit.Unknown, 10.5: circuit.Met} {
		same(t, "end", must[circuit.Check](t)(circuit.CheckHoldVolts(&v)).Status, want)
	}
	k := must[circuit.Check](t)(circuit.CheckHoldVolts(nil))
	if k.Status != circuit.Unknown || !slices.Equal(k.Needs, []string{"/end_v"}) {
		t.Errorf("%+v", k)
	}
	_, err := circuit.CheckHoldVolts(p(-1.0))
	names(t, "/end_v", err)
}

// TestBank: parallel resistances worked out by hand.
func TestBank(t *testing.T) {
	four := circuit.Bank{Magnets: 4, Low: 3.2, High: 3.5, Leads: p(0.0)}
	for _, c := range []struct {
		ohms    float64
		finding string
		open    int
	}{
		{0.79, "short", 0},
		{0, "short", 0},
		{0.8, "good", 0},
		{0.875, "good", 0},
		{0.876, "poor_joint", 0},
		{1.0, "poor_joint", 0},
		{1.1, "open", 1}, // three: 1.067 to 1.167
		{1.7, "open", 2}, // two: 1.6 to 1.75
		{3.3, "open", 3},
		{3.6, "poor_joint", 0},
	} {
		b := four
		b.Measured = &c.ohms
		r := must[circuit.BankResult](t)(circuit.JudgeBank(b))
		if r.Finding != c.finding || r.Open != c.open {
			t.Errorf("%v ohm: %s, %d open, want %s, %d", c.ohms, r.Finding, r.Open, c.finding, c.open)
		}
	}
	with := four
	with.Measured, with.Leads = p(1.05), p(0.2)
	same(t, "leads taken off", must[circuit.BankResult](t)(circuit.JudgeBank(with)).Finding, "good")
	with.Leads = nil
	r := must[circuit.BankResult](t)(circuit.JudgeBank(with))
	if r.Finding != "unknown" || !slices.Equal(r.Needs, []string{"/leads_ohm"}) {
		t.Errorf("leads not known: %+v", r)
	}
	with.Measured = p(0.7)
	same(t, "short whatever the leads", must[circuit.BankResult](t)(circuit.JudgeBank(with)).Finding, "short")
	r = must[circuit.BankResult](t)(circuit.JudgeBank(circuit.Bank{Magnets: 4, Low: 3.2, High: 3.5}))
	if r.Finding != "unknown" || !slices.Equal(r.Needs, []string{"/measured_ohm"}) {
		t.Errorf("not measured: %+v", r)
	}
	for arg, b := range map[string]circuit.Bank{
		"/magnets": {Low: 3.2, High: 3.5}, "/low_ohm": {Magnets: 4, High: 3.5}, "/high_ohm": {Magnets: 4, Low: 3.5, High: 3.2},
		"/measured_ohm": {Magnets: 4, Low: 3.2, High: 3.5, Measured: p(math.NaN())},
		"/leads_ohm":    {Magnets: 4, Low: 3.2, High: 3.5, Measured: p(0.5), Leads: p(0.6)},
	} {
		_, err := circuit.JudgeBank(b)
		names(t, arg, err)
	}
}

func TestOnVoltage(t *testing.T) {
	same(t, "like on like", must[circuit.Overvoltage](t)(circuit.OnVoltage(24, 24)).Allowed, true)
	weak := must[circuit.Overvoltage](t)(circuit.OnVoltage(24, 12))
	same(t, "12 V on 24 V magnets", weak.Allowed, false)
	near(t, "power", weak.PowerRatio, 0.25, 9)
	_, err := circuit.OnVoltage(0, 12)
	names(t, "rated", err)
	_, err = circuit.OnVoltage(12, math.NaN())
	names(t, "system", err)
}

func TestTakeStop(t *testing.T) {
	ids := func(all []circuit.Advice) string {
		var s []string
		for _, a := range all {
			s = append(s, a.ID)
		}
		return strings.Join(s, " ")
	}
	for _, c := range []struct {
		name   string
		stop   circuit.Stop
		pickUp string
		diode  string
		needs  string
	}{
		{"nothing known", circuit.Stop{Volts: 12}, "stop.switched stop.not_at_pedal stop.lamp_output", "unknown", "/kind /assisted_stability"},
		{"an older vehicle", circuit.Stop{Volts: 12, Kind: "switched", Assisted: p(false)}, "stop.switched", "no", ""},
		{"switched, assistance not known", circuit.Stop{Volts: 12, Kind: "switched"}, "stop.switched", "unknown", "/assisted_stability"},
		{"assisted, override not known", circuit.Stop{Volts: 12, Kind: "switched", Assisted: p(true)}, "stop.switched", "unknown", "/back_feed"},
		{"a body computer", circuit.Stop{Volts: 12, Kind: "body_computer", Assisted: p(true), BackFeed: p(false)}, "stop.not_at_pedal stop.lamp_output", "yes", ""},
		{"override must light the lamps", circuit.Stop{Volts: 12, Kind: "body_computer", BackFeed: p(true)}, "stop.not_at_pedal stop.lamp_output", "no", ""},
	} {
		a := must[circuit.StopAdvice](t)(circuit.TakeStop(c.stop))
		same(t, c.name, ids(a.PickUp), c.pickUp)
		same(t, c.name+": diode", a.Diode.Fit, c.diode)
		same(t, c.name+": needs", strings.Join(a.Needs, " "), c.needs)
		if !strings.Contains(a.Manual, "workshop manual") || len(a.Prove) < 5 {
			t.Errorf("%s: %+v", c.name, a)
		}
	}
	// Two 21 W lamps through silicon: twice 3.5 A, up to 1 V.
	a := must[circuit.StopAdvice](t)(circuit.TakeStop(circuit.Stop{Volts: 12, Kind: "body_computer", BackFeed: p(false), Amps: p(3.5)}))
	same(t, "rating", a.Diode.Amps, 7)
	same(t, "reverse", a.Diode.Reverse, 200)
	same(t, "arrives", a.Diode.Arrives, 11)
	same(t, "heat", a.Diode.Watts, 3.5)
	a = must[circuit.StopAdvice](t)(circuit.TakeStop(circuit.Stop{Volts: 24, Diode: "schottky", LED: p(false)}))
	same(t, "reverse on 24 V", a.Diode.Reverse, 400)
	same(t, "arrives", a.Diode.Arrives, 23.5)
	if strings.Contains(ids(a.Cautions), "stop.led") {
		t.Error("LED lamps are told of where there are none")
	}
	for arg, s := range map[string]circuit.Stop{"/volts": {}, "/kind": {Volts: 12, Kind: "wireless"}, "/diode": {Volts: 12, Diode: "zener"}, "/amps": {Volts: 12, Amps: p(-1.0)}} {
		_, err := circuit.TakeStop(s)
		names(t, arg, err)
	}
}

// TestConnectorIDs: every connector is one of the rig document, and the labels
// claim no more than is known.
func TestConnectorIDs(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range circuit.Connectors {
		if !slices.Contains(rig.Connectors, c.ID) || seen[c.ID] || len(c.Pins) == 0 || c.Body == "" {
			t.Errorf("%s: not of the rig document, listed twice or empty", c.ID)
		}
		seen[c.ID] = true
		numbers := map[string]bool{}
		for _, x := range c.Pins {
			if x.Pin != "" && numbers[x.Pin] || x.Function == "" || x.Says == "" || x.Source.How == "text" {
				t.Errorf("%s pin %q: %+v", c.ID, x.Pin, x)
			}
			numbers[x.Pin] = true
		}
	}
	for _, id := range rig.Connectors {
		if id != "none" && id != "other" && !seen[id] {
			t.Errorf("%s is not covered", id)
		}
	}
}

// TestBrakePins: which connectors carry the output of electric brakes. ISO
// connectors have none, nor has SAE J560.
func TestBrakePins(t *testing.T) {
	for _, c := range circuit.Connectors {
		var at []string
		for _, x := range c.Pins {
			if x.Function == circuit.Brake {
				at = append(at, x.Pin)
			}
		}
		want := map[string][]string{"as2513-round7": {"5"}, "as4177.5-flat7": {"5"}, "as4177.5-flat12": {"5"}, "sae-j2863-7": {""}}[c.ID]
		if !slices.Equal(at, want) {
			t.Errorf("%s has brakes on %q, want %q", c.ID, at, want)
		}
	}
	j2863, _ := circuit.ConnectorOf("sae-j2863-7")
	for _, x := range j2863.Pins {
		same(t, "position told", x.Pin, "")
	}
}

func TestMatch(t *testing.T) {
	side := func(id string, volts float64) circuit.Side { return circuit.Side{Connector: id, Volts: volts} }
	for _, c := range []struct {
		name             string
		vehicle, trailer circuit.Side
		want             circuit.Result
		says             string // in the verdict or a caution
	}{
		{"like to like", side("iso11446-13", 0), side("iso11446-13", 0), circuit.Direct, "3, 11 and 13"},
		{"flat 7 on flat 12", side("as4177.5-flat12", 12), side("as4177.5-flat7", 12), circuit.Direct, "meter"},
		{"flat 12 on flat 7", side("as4177.5-flat7", 12), side("as4177.5-flat12", 12), circuit.Adaptor, "more pins"},
		{"Australian voltages not known", side("as4177.5-flat7", 0), side("as4177.5-flat7", 12), circuit.Undecided, "voltages"},
		{"12 V on 24 V", side("as4177.5-flat7", 24), side("as4177.5-flat7", 12), circuit.Refused, "converter"},
		{"two standards of two voltages", side("iso1185-24n", 0), side("sae-j560-7", 0), circuit.Refused, "24 V"},
		{"a vehicle that is not what its socket says", side("iso1724-12n", 24), side("iso1724-12n", 0), circuit.Refused, "is for 12 V"},
		{"ISO plug in an Australian socket", side("as2513-round7", 12), side("iso1724-12n", 0), circuit.Refused, "brake output drives the trailer's right position"},
		{"heavy bodies that look alike", side("iso1185-24n", 0), side("as4735-heavy7", 24), circuit.Refused, "Pin 7"},
		{"7 on 13 pins", side("iso11446-13", 0), side("iso1724-12n", 0), circuit.Adaptor, "by function"},
		{"brakes on a European socket", side("iso11446-13", 0), side("as4177.5-flat7", 12), circuit.Adaptor, "no brake output"},
		{"brakes across the Pacific", side("sae-j2863-7", 0), side("as4177.5-flat7", 12), circuit.Adaptor, "converter"},
		{"nothing in common", side("iso7638-2", 0), side("sae-j1239-4", 0), circuit.Refused, "no function in common"},
		{"not an open standard", side("other", 0), side("iso1724-12n", 0), circuit.NotCovered, `"other"`},
		{"no connector", side("none", 0), side("other", 0), circuit.NotCovered, `"none" and "other"`},
	} {
		x := must[circuit.Plan](t)(circuit.Match(c.vehicle, c.trailer))
		if x.Result != c.want || !strings.Contains(x.Says, c.says) && !anySays(x.Cautions, c.says) {
			t.Errorf("%s: %s, %s %q; want %s, %q", c.name, x.Result, x.Says, x.Cautions, c.want, c.says)
		}
	}
	for arg, s := range map[string]circuit.Side{"/vehicle/connector": {}, "/vehicle/volts": {Connector: "other", Volts: math.NaN()}} {
		_, err := circuit.Match(s, side("other", 0))
		names(t, arg, err)
	}
}

// TestPlan goes through one adaptor pin by pin, from the two published tables:
// ISO 11446 on the vehicle, the Australian flat 7 on the trailer.
func TestPlan(t *testing.T) {
	x := must[circuit.Plan](t)(circuit.Match(
		circuit.Side{Connector: "iso11446-13"}, circuit.Side{Connector: "as4177.5-flat7", Volts: 12, ElectricBrakes: p(true)}))
	var links []string
	for _, l := range x.Links {
		links = append(links, l.Vehicle.Pin+">"+l.Trailer.Pin)
	}
	same(t, "links", strings.Join(links, " "), "1>1 8>2 3>3 4>4 6>6 7>7")
	same(t, "unserved", len(x.Unserved), 1)
	same(t, "unserved", x.Unserved[0].Function, circuit.Brake)
	near(t, "return", x.Links[2].MinArea, 2.5, 9) // ISO 11446: 2.5 mm2 for contact 3
	if !anySays(x.Cautions, "one side only") {
		t.Errorf("cautions: %q", x.Cautions)
	}
	var conflicts []string
	for _, c := range x.Conflicts {
		conflicts = append(conflicts, c.Pin)
	}
	same(t, "same number, another function", strings.Join(conflicts, " "), "2 5")
}

// TestLikePins: pins of one function keep their numbers.
func TestLikePins(t *testing.T) {
	for _, c := range circuit.Connectors {
		x := must[circuit.Plan](t)(circuit.Match(circuit.Side{Connector: c.ID, Volts: c.Volts}, circuit.Side{Connector: c.ID, Volts: c.Volts}))
		for _, l := range x.Links {
			same(t, c.ID+" "+string(l.Function), l.Vehicle, l.Trailer)
		}
	}
}

// TestMatchHolds: whatever meets, no link joins two functions of different kinds
// of wire, and what is direct has no conflict.
func TestMatchHolds(t *testing.T) {
	for _, v := range circuit.Connectors {
		for _, tr := range circuit.Connectors {
			for _, volts := range []float64{0, 12, 24} {
				x := must[circuit.Plan](t)(circuit.Match(circuit.Side{Connector: v.ID, Volts: volts}, circuit.Side{Connector: tr.ID, Volts: volts}))
				if x.Result == circuit.Direct && (len(x.Conflicts) > 0 || v.Body != tr.Body || volts == 0 && v.Volts == 0) {
					t.Errorf("%s on %s is direct: %+v", tr.ID, v.ID, x.Conflicts)
				}
				if v.Volts != 0 && tr.Volts != 0 && v.Volts != tr.Volts && x.Result != circuit.Refused {
					t.Errorf("%s on %s is %s", tr.ID, v.ID, x.Result)
				}
				for _, l := range x.Links {
					if (l.Vehicle.Function == circuit.Brake) != (l.Trailer.Function == circuit.Brake) || earth(l.Vehicle) != earth(l.Trailer) {
						t.Errorf("%s on %s joins %s and %s", tr.ID, v.ID, l.Vehicle.Function, l.Trailer.Function)
					}
				}
			}
		}
	}
}

func earth(p circuit.Pin) bool { return strings.Contains(string(p.Function), "earth") }

func TestCheckJoined(t *testing.T) {
	for _, c := range []struct {
		connector string
		joined    []string
		want      circuit.Status
	}{
		{"iso11446-13", nil, circuit.Met},
		{"iso11446-13", []string{"3", "12"}, circuit.Met}, // the coding bridge
		{"iso11446-13", []string{"3", "11"}, circuit.NotMet},
		{"iso11446-13", []string{"13", "11"}, circuit.NotMet},
		{"iso11446-13", []string{"5", "7"}, circuit.NotMet},
		{"iso1724-12n", []string{"7", "5"}, circuit.NotMet},
		{"iso1724-12n", []string{"5", "6"}, circuit.Met},
		{"as2513-round7", []string{"1", "2"}, circuit.Unknown},
	} {
		same(t, c.connector+" "+strings.Join(c.joined, " "), must[circuit.Check](t)(circuit.CheckJoined(c.connector, c.joined)).Status, c.want)
	}
	_, err := circuit.CheckJoined("other", nil)
	names(t, "/connector", err)
	for _, pin := range []string{"14", ""} {
		_, err = circuit.CheckJoined("iso11446-13", []string{"3", pin})
		names(t, "/joined/1", err)
	}
}

// TestAnswersAreJSON: every answer can be written, without numbers that JSON has
// not.
func TestAnswersAreJSON(t *testing.T) {
	c := must[circuit.Circuit](t)(open(13, 2, 3.2, 5, 6).Circuit())
	filled := c
	filled.Line = fill(c.Line, cond("6 mm2"))
	for _, x := range []any{
		must[circuit.Solution](t)(circuit.Solve(filled)),
		must[[]circuit.Choice](t)(circuit.Choose(c, circuit.Demand{Drop: 0.5})),
		must[circuit.Protection](t)(circuit.Protect(circuit.Feed{Amps: 16, Conductor: cond("10 AWG"), Axles: 2})),
		must[[]circuit.Check](t)(circuit.CheckEuropean(circuit.European{})),
		must[circuit.HoldResult](t)(circuit.SizeHold(circuit.Hold{Magnets: 4, AmpsEach: 3, Minutes: 15})),
		must[circuit.StopAdvice](t)(circuit.TakeStop(circuit.Stop{Volts: 12})),
		must[circuit.Plan](t)(circuit.Match(circuit.Side{Connector: "iso1724-12n"}, circuit.Side{Connector: "as2513-round7"})),
		circuit.BreakawayWiring(), circuit.DropFigures, circuit.Magnets, circuit.Fuses,
	} {
		b, err := json.Marshal(x)
		if err != nil || len(b) < 3 {
			t.Errorf("%T: %v", x, err)
		}
	}
}
