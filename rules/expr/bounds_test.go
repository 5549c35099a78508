package expr_test

import (
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// kilogram is a kilogram in base units.
var kilogram = quantity.MustParse(quantity.Mass, "1 kg").Base()

// aTenth is the line on which the laden total moves and a tenth of it rests on
// the coupling.
func aTenth() expr.Line {
	return expr.Line{
		rig.Must("trailer.laden.total"): {A: big.NewRat(1, 1), B: new(big.Rat)},
		rig.Must("trailer.laden.ball"):  {A: big.NewRat(1, 10), B: new(big.Rat)},
		rig.Must("trailer.laden.axles"): {A: big.NewRat(9, 10), B: new(big.Rat)},
	}
}

// TestBreaks: the places worked out by hand.
func TestBreaks(t *testing.T) {
	still := doc(t, map[string]any{"vehicle.kerb": "2000 kg", "trailer.rated.total": "1500 kg"})
	for _, c := range []struct {
		text  string
		kilos []string // as fractions
	}{
		{"trailer.laden.total > kg(750)", []string{"750"}},
		{"kg(750) < trailer.laden.total", []string{"750"}},
		{"trailer.laden.axles <= kg(900)", []string{"1000"}},
		{"trailer.laden.ball >= lb(100)", []string{"453.59237"}},
		{"3 * trailer.laden.total < vehicle.kerb", []string{"2000/3"}},
		{"trailer.laden.total > trailer.rated.total && trailer.laden.ball < kg(50)", []string{"1500", "500"}},
		{"trailer.laden.total - kg(100) > vehicle.kerb - trailer.laden.axles", []string{"21000/19"}},
		{"trailer.laden.total > min(vehicle.kerb, 0.5 * trailer.laden.total + kg(600))", []string{"2000", "1200"}},
		{"trailer.laden.total > (trailer.laden.axles > kg(630) ? vehicle.kerb : kg(600))", []string{"2000", "600", "700"}},
		{"trailer.laden.axles < trailer.laden.total", []string{"0"}},
		{"vehicle.kerb > kg(1000) || trailer.brakes.fitted", nil}, // nothing moves
		{"trailer.laden.ball > vehicle.unladen", nil},             // not known at any place
		{"trailer.laden.ball == 0.1 * trailer.laden.total", nil},  // the same all along
	} {
		t.Run(c.text, func(t *testing.T) {
			breaks, ok := cond(t, c.text).Breaks(still, aTenth())
			if !ok {
				t.Fatal("too many")
			}
			var got, want []string
			for _, b := range breaks {
				got = append(got, new(big.Rat).Quo(b.At, big.NewRat(kilogram, 1)).RatString())
			}
			for _, k := range c.kilos {
				x, _ := new(big.Rat).SetString(k)
				want = append(want, x.RatString())
			}
			slices.Sort(got)
			slices.Sort(want)
			if !slices.Equal(slices.Compact(got), want) {
				t.Errorf("%v, want %v", got, want)
			}
		})
	}
}

// TestBreaksSuffice: between two neighbouring breaks an expression has one
// outcome, and its amounts follow one of their forms.
func TestBreaksSuffice(t *testing.T) {
	amounts := []string{
		"trailer.laden.total", "trailer.laden.axles", "trailer.laden.ball", "trailer.rated.total", "vehicle.kerb", "kg(700)", "lb(1500)",
		"0.5 * trailer.laden.total", "(trailer.laden.axles + trailer.laden.ball)", "(vehicle.kerb - trailer.laden.ball)",
		"min(trailer.laden.total, kg(900))", "max(vehicle.kerb, 2 * trailer.laden.axles)",
		"(trailer.laden.total > kg(800) ? trailer.laden.ball : trailer.rated.total)",
	}
	amount := rapid.Custom(func(t *rapid.T) string {
		x := rapid.SampledFrom(amounts).Draw(t, "amount")
		switch rapid.IntRange(0, 3).Draw(t, "joined") {
		case 0:
			return "min(" + x + ", " + rapid.SampledFrom(amounts).Draw(t, "other") + ")"
		case 1:
			return "(" + x + " + " + rapid.SampledFrom(amounts).Draw(t, "other") + ")"
		default:
			return x
		}
	})
	total, ball := rig.Must("trailer.laden.total"), rig.Must("trailer.laden.ball")
	rapid.Check(t, func(t *rapid.T) {
		text := amount.Draw(t, "left") + rapid.SampledFrom([]string{" < ", " <= ", " > ", " >= ", " == ", " != "}).Draw(t, "op") + amount.Draw(t, "right")
		p, err := expr.CompileCondition(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		base, err := rig.FromTree(map[string]any{"vehicle": map[string]any{"kerb": "1200 kg"}, "trailer": map[string]any{"rated": map[string]any{"total": "1000 kg"}}})
		if err != nil {
			t.Fatal(err)
		}
		at := func(x int64) *rig.Rig { // x is a multiple of 10
			r, err := base.With(func(d *rig.Draft) {
				d.Quantity(total, quantity.New(x, quantity.Mass.BaseUnit()))
				d.Quantity(ball, quantity.New(x/10, quantity.Mass.BaseUnit()))
			})
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		breaks, ok := p.Breaks(base, aTenth())
		if !ok {
			t.Fatalf("%s has too many", text)
		}
		x := 10 * rapid.Int64Range(1, 300*kilogram).Draw(t, "x")
		y := 10 * rapid.Int64Range(1, 300*kilogram).Draw(t, "y")
		low, high := big.NewRat(min(x, y), 1), big.NewRat(max(x, y), 1)
		if slices.ContainsFunc(breaks, func(b expr.Break) bool { return b.At.Cmp(low) >= 0 && b.At.Cmp(high) <= 0 }) {
			return
		}
		if a, b := p.Truth(at(x)), p.Truth(at(y)); a != b {
			t.Fatalf("%s is %v at %d and %v at %d, with no break between", text, a, x, b, y)
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		text := amount.Draw(t, "amount")
		p, err := expr.CompileAmount(text, quantity.Mass)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		x := 10 * rapid.Int64Range(1, 300*kilogram).Draw(t, "x")
		r, err := rig.FromTree(map[string]any{"vehicle": map[string]any{"kerb": "1200 kg"}, "trailer": map[string]any{
			"rated": map[string]any{"total": "1000 kg"},
			"laden": map[string]any{"total": quantity.New(x, quantity.Mass.BaseUnit()).String(), "ball": quantity.New(x/10, quantity.Mass.BaseUnit()).String()},
		}})
		if err != nil {
			t.Fatal(err)
		}
		v, known := p.Value(r)
		forms, ok := p.Forms(r, aTenth())
		if !known || !ok {
			t.Fatalf("%s: known %v, ok %v", text, known, ok)
		}
		want := big.NewRat(v.Num, v.Den)
		if !slices.ContainsFunc(forms, func(f expr.Linear) bool { return f.At(big.NewRat(x, 1)).Cmp(want) == 0 }) {
			t.Fatalf("%s is %s at %d, which is none of its forms", text, want.RatString(), x)
		}
	})
}
