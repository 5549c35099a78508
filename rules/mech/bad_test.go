package mech_test

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules/mech"
)

// formulas are all functions that can refuse, with arguments that they take and
// the names of those arguments.
var formulas = []struct {
	name string
	fn   any
	args string
	good []any
}{
	{"D", mech.D, "t r", []any{2000.0, 1500.0}},
	{"Dc", mech.Dc, "t c", []any{2000.0, 1500.0}},
	{"SemiD", mech.SemiD, "t r u", []any{17000.0, 33000.0, 10500.0}},
	{"V", mech.V, "c x l air", []any{9000.0, 7.0, 5.5, false}},
	{"MaxTrailer", mech.MaxTrailer, "d t", []any{11.0, 2500.0}},
	{"MaxVehicle", mech.MaxVehicle, "d r", []any{11.0, 2500.0}},
	{"MaxSemi", mech.MaxSemi, "d t u", []any{83.0, 17000.0, 10000.0}},
	{"MaxAxles", mech.MaxAxles, "v x l air", []any{30.0, 7.0, 5.5, true}},
	{"PeakD", mech.PeakD, "m", []any{7000.0}},
	{"ChainPoint", mech.ChainPoint, "atm", []any{3500.0}},
	{"LightDrawbar", mech.LightDrawbar, "atm", []any{3500.0}},
	{"HeavyDrawbar", mech.HeavyDrawbar, "d", []any{150.0}},
	{"BallLoad", mech.BallLoad, "mass e l", []any{1800.0, 0.25, 3.6}},
	{"BallFromItems", mech.BallFromItems, "l tare tareBall items", []any{4.0, 1200.0, 70.0, []mech.Item{{Mass: 80, Ahead: 1.5}}}},
	{"OnWheels", mech.OnWheels, "mass ball", []any{1800.0, 125.0}},
	{"PerAxle", mech.PerAxle, "mass ball n", []any{1800.0, 125.0, 2}},
	{"GroupCentre", mech.GroupCentre, "axles", []any{[]mech.AxleShare{{Share: 1, At: 3}}}},
	{"FromBall", mech.FromBall, "ball wheelbase overhang", []any{150.0, 2.85, 1.1}},
	{"FromPayload", mech.FromPayload, "wheelbase loads", []any{3.0, []mech.Load{{Mass: 150, Behind: 1.5}}}},
	{"Level", mech.Level, "ball wheelbase overhang l moment", []any{150.0, 2.85, 1.1, 4.2, 120.0}},
	{"RestoringMoment", mech.RestoringMoment, "ball overhang l r", []any{150.0, 1.1, 4.2, 1.0}},
	{"Coupling", mech.Coupling, "uncoupled ball trailer", []any{2600.0, 180.0, 2100.0}},
	{"CentreAxleBall", mech.CentreAxleBall, "mam", []any{3500.0}},
	{"BallInBelgium", mech.BallInBelgium, "mass mam s", []any{1300.0, 1500.0, 75.0}},
	{"TyreLoad", mech.TyreLoad, "index", []any{96}},
	{"AxleTyres", mech.AxleTyres, "tyres single dual", []any{2, 96, 0}},
	{"PMetric", mech.PMetric, "load", []any{690.0}},
	{"SafetyChainFor", mech.SafetyChainFor, "atm", []any{2000.0}},
	{"ChainBreaking", mech.ChainBreaking, "d stress", []any{8.0, 800.0}},
	{"ShackleAngle", mech.ShackleAngle, "deg", []any{45.0}},
	{"GuideShackleFor", mech.GuideShackleFor, "atm", []any{2000.0}},
	{"CheckShackle", mech.CheckShackle, "working atm", []any{500.0, 1600.0}},
	{"HitchClassOf", mech.HitchClassOf, "gross", []any{mech.Pounds(8000)}},
	{"HitchTestFor", mech.HitchTestFor, "gross", []any{mech.Pounds(3500)}},
	{"Category", mech.Category, "axles", []any{2000.0}},
	{"Rate", mech.Rate, "force mass", []any{6621.75, 1500.0}},
	{"CombinedRate", mech.CombinedRate, "zv vehicle zt trailer", []any{0.65, 2100.0, 0.5, 1500.0}},
	{"Unbraked", mech.Unbraked, "av vehicle trailer", []any{7.0, 1500.0, 600.0}},
	{"UnbrakedR13H", mech.UnbrakedR13H, "dm vehicle trailer", []any{6.43, 1600.0, 500.0}},
	{"OverrunBalance", mech.OverrunBalance, "mass a z", []any{1500.0, 5.0, 0.45}},
	{"OverrunLimit", mech.OverrunLimit, "mass pivoted", []any{1500.0, true}},
	{"OverrunInBelgium", mech.OverrunInBelgium, "mass axles", []any{1500.0, 1}},
	{"TrailerRate", mech.TrailerRate, "zrm vehicle trailer", []any{0.15, 1600.0, 1400.0}},
	{"Stopping", mech.Stopping, "v t a", []any{100.0, 1.0, 6.5}},
	{"TypicalStop", mech.TypicalStop, "v", []any{100.0}},
	{"MFDD", mech.MFDD, "v0 sb se", []any{100.0, 26.0, 62.0}},
	{"R13HStop", mech.R13HStop, "v", []any{100.0}},
	{"Grade", mech.Grade, "mass percent", []any{1500.0, 18.0}},
	{"TowingGrade", mech.TowingGrade, "mass percent crr", []any{3500.0, 12.0, 0.01}},
}

// call runs a formula and returns its results and its error.
func call(fn any, args []any) ([]reflect.Value, error) {
	f := reflect.ValueOf(fn)
	in := make([]reflect.Value, len(args))
	for i, a := range args {
		in[i] = reflect.ValueOf(a).Convert(f.Type().In(i))
	}
	out := f.Call(in)
	err, _ := out[len(out)-1].Interface().(error)
	return out[:len(out)-1], err
}

// TestNamesBadArgument puts what no formula can compute with in the place of
// each number in turn; the error must name that place.
func TestNamesBadArgument(t *testing.T) {
	for _, f := range formulas {
		if _, err := call(f.fn, f.good); err != nil {
			t.Errorf("%s refuses good arguments: %v", f.name, err)
		}
		names := strings.Fields(f.args)
		if len(names) != len(f.good) {
			t.Fatalf("%s: %d names for %d arguments", f.name, len(names), len(f.good))
		}
		for i, name := range names {
			if _, number := asFloat(f.good[i]); !number {
				continue
			}
			for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
				args := append([]any{}, f.good...)
				args[i] = v
				_, err := call(f.fn, args)
				var b *mech.Bad
				if !errors.As(err, &b) || b.Arg != name || b.Why == "" {
					t.Errorf("%s with %s = %v: %v, want a *Bad for %s", f.name, name, v, err, name)
				}
			}
		}
	}
}

func asFloat(v any) (float64, bool) {
	switch v := v.(type) {
	case float64:
		return v, true
	case mech.Pounds:
		return float64(v), true
	}
	return 0, false
}

// TestFiniteOrRefused draws any numbers at all: a formula either refuses with a
// *Bad, or every figure in its result is finite.
func TestFiniteOrRefused(t *testing.T) {
	odd := rapid.OneOf(
		rapid.Float64(),
		rapid.Float64Range(-1e4, 1e4),
		rapid.SampledFrom([]float64{0, 1, -1, 1e-320, 1e-12, 1e12, math.MaxFloat64, math.NaN(), math.Inf(1), math.Inf(-1)}),
	)
	for _, f := range formulas {
		t.Run(f.name, rapid.MakeCheck(func(t *rapid.T) {
			args := append([]any{}, f.good...)
			for i := range args {
				if _, number := asFloat(args[i]); number && rapid.Bool().Draw(t, "change") {
					args[i] = odd.Draw(t, "value")
				}
				if n, whole := args[i].(int); whole {
					args[i] = rapid.OneOf(rapid.Just(n), rapid.Int()).Draw(t, "count")
				}
			}
			out, err := call(f.fn, args)
			if err != nil {
				bad(t, err)
				return
			}
			for _, v := range out {
				allFinite(t, v)
			}
		}))
	}
}

func allFinite(t *rapid.T, v reflect.Value) {
	switch v.Kind() {
	case reflect.Float64:
		if f := v.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
			t.Errorf("result %v", f)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			allFinite(t, v.Field(i))
		}
	}
}

// TestRefusals holds what each formula refuses beyond numbers that are none.
func TestRefusals(t *testing.T) {
	only := func(_ any, err error) error { return err }
	inv := func(_ float64, _ bool, err error) error { return err }
	item := mech.Item{Mass: 1, Ahead: 1}
	for i, c := range []struct {
		err error
		arg string
	}{
		{only(mech.D(0, 1)), "t"},
		{only(mech.D(1, -1)), "r"},
		{only(mech.SemiD(10, 20, 11)), "u"},
		{only(mech.SemiD(20, 10, 11)), "u"},
		{only(mech.SemiD(20, 20, -1)), "u"},
		{only(mech.V(1, 1, 0, false)), "l"},
		{only(mech.V(1, 0, 1, false)), "x"},
		{inv(mech.MaxTrailer(0, 1)), "d"},
		{inv(mech.MaxSemi(1, 2, 3)), "u"},
		{only(mech.BallLoad(1800, 0.25, 0)), "l"},
		{only(mech.BallLoad(1800, 4, 3.6)), "e"},
		{only(mech.BallFromItems(0, 1, 0, nil)), "l"},
		{only(mech.BallFromItems(4, 0, 0, nil)), "items"},
		{only(mech.BallFromItems(4, 10, 11, nil)), "tareBall"},
		{only(mech.BallFromItems(4, 1, 0, []mech.Item{item, {Mass: -1}})), "items.1.mass"},
		{only(mech.BallFromItems(4, 1, 0, []mech.Item{{Mass: 1, Ahead: math.NaN()}})), "items.0.ahead"},
		{only(mech.BallFromItems(4, 1, 1, []mech.Item{{Mass: 100, Ahead: 5}})), "items"},
		{only(mech.OnWheels(100, 101)), "ball"},
		{only(mech.PerAxle(100, 10, 0)), "n"},
		{only(mech.GroupCentre(nil)), "axles"},
		{only(mech.GroupCentre([]mech.AxleShare{{At: 1}})), "axles"},
		{only(mech.GroupCentre([]mech.AxleShare{{Share: 1}, {Share: -1}})), "axles.1.share"},
		{only(mech.GroupCentre([]mech.AxleShare{{Share: 1, At: math.Inf(1)}})), "axles.0.at"},
		{only(mech.FromBall(150, 0, 1.1)), "wheelbase"},
		{only(mech.FromBall(150, -2.85, 1.1)), "wheelbase"},
		{only(mech.FromPayload(0, nil)), "wheelbase"},
		{only(mech.FromPayload(3, []mech.Load{{Mass: 1}, {Mass: -2}})), "loads.1.mass"},
		{only(mech.FromPayload(3, []mech.Load{{Mass: 1, Behind: math.NaN()}})), "loads.0.behind"},
		{only(mech.Level(150, 2.85, -1, 4.2, 1)), "overhang"},
		{only(mech.Level(150, 2.85, 1, 0, 1)), "l"},
		{only(mech.Level(150, 2.85, 1, 4, -1)), "moment"},
		{only(mech.RestoringMoment(150, 1, 4, 1.1)), "r"},
		{only(mech.RestoringMoment(150, 1, 4, -0.1)), "r"},
		{only(mech.Coupling(0, 1, 2)), "uncoupled"},
		{only(mech.Coupling(1, 3, 2)), "ball"},
		{only(mech.LargestTrailer(mech.Figures{})), "share"},
		{only(mech.LargestTrailer(mech.Figures{Share: 1})), "share"},
		{only(mech.LargestTrailer(mech.Figures{Share: math.NaN()})), "share"},
		{only(mech.LargestTrailer(mech.Figures{Share: 0.1, RearLaden: new(-1.0)})), "rear_laden"},
		{only(mech.LargestTrailer(mech.Figures{Share: 0.1, Tyres: new(math.NaN())})), "tyres"},
		{only(mech.LargestTrailer(mech.Figures{Share: 0.1, Wheelbase: new(0.0)})), "wheelbase"},
		{only(mech.LargestTrailer(mech.Figures{Share: 0.1, Wheelbase: new(3.0), Overhang: new(-3.0)})), "overhang"},
		{only(mech.TyreLoad(49)), "index"},
		{only(mech.TyreLoad(151)), "index"},
		{only(mech.AxleTyres(3, 96, 96)), "tyres"},
		{only(mech.AxleTyres(2, 0, 96)), "single"},
		{only(mech.AxleTyres(4, 96, 0)), "dual"},
		{only(mech.SafetyChainFor(3500.001)), "atm"},
		{only(mech.GuideShackleFor(3500.001)), "atm"},
		{only(mech.Tiedown("3/4", 30)), "size"},
		{only(mech.Tiedown("1/4", 50)), "grade"},
		{only(mech.HitchClassOf(10000.01)), "gross"},
		{only(mech.HitchTestFor(0)), "gross"},
		{only(mech.ShackleAngle(91)), "deg"},
		{only(mech.OverrunInBelgium(1, 0)), "axles"},
		{only(mech.TrailerRate(0.009, 1, 1)), "zrm"},
		{only(mech.Stopping(100, 1, 0)), "a"},
		{only(mech.Stopping(-1, 1, 1)), "v"},
		{only(mech.MFDD(100, 62, 26)), "se"},
		{only(mech.MFDD(100, 26, 26)), "se"},
		{only(mech.Grade(1, -1)), "percent"},
	} {
		if got := bad(t, c.err); got != c.arg {
			t.Errorf("case %d names %q, want %q (%v)", i, got, c.arg, c.err)
		}
	}
	if got := fmt.Sprint(only(mech.FromBall(150, 0, 1.1))); got != "wheelbase must be above zero" {
		t.Errorf("message %q", got)
	}
}
