package expr_test

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// maximal are the rigs with the largest facts that decoding accepts: every
// figure at its maximum as far as it is entered, and the sums made of as many
// such figures as they can be.
func maximal(t testing.TB) []*rig.Rig {
	const most = "100000 kg"
	axles := func(n int) []any {
		var list []any
		for range n {
			list = append(list, most)
		}
		return list
	}
	var rigs []*rig.Rig
	for _, values := range []map[string]any{
		{ // every sum worked out
			"vehicle.rated.total": most, "vehicle.rated.axles": axles(rig.MaxList), "vehicle.laden.axles": axles(rig.MaxList), "trailer.tare": "0 kg",
			"trailer.rated.axles": most, "trailer.rated.ball": most, "trailer.laden.axles": most, "trailer.laden.ball": most,
		},
		{ // the largest sums less nothing
			"trailer.rated.total": most, "trailer.rated.ball": "0 kg", "trailer.laden.total": most, "trailer.laden.axles": "0 kg",
		},
		{ // every sum entered
			"vehicle.rated.total": most, "vehicle.rated.combination": most, "vehicle.laden.total": most, "vehicle.kerb": most, "vehicle.unladen": most,
			"vehicle.towing.braked": most, "vehicle.towing.unbraked": most, "vehicle.towing.ball": most, "trailer.brakes.kind": "air",
			"trailer.rated.total": most, "trailer.laden.total": most, "trailer.tare": most, "trailer.registered_total": most,
			"trailer.tare_ball": most, "vehicle.rated.front_minimum": most,
		},
		{
			"trailer.rated.axles": most, "trailer.laden.ball": most, "trailer.rated.total": most, "trailer.brakes.kind": "none",
			"vehicle.towing.unbraked": most, "use.speed": "1000 km/h", "vehicle.towing.combination_speed": "1000 km/h", "vehicle.wheelbase": "1000 km",
			"vehicle.ball_overhang": "1000 km", "trailer.ball_to_axle": "1000 km", "trailer.load_length": "1000 km",
			"trailer.body.starts": "1000 km", "trailer.body.ends": "1000 km", "trailer.front_restored": "1000 %", "vehicle.electrical.voltage": "100 kV", "trailer.axle_spread": "1000 km", "trailer.length": "1000 km",
			"trailer.width": "1000 km", "trailer.breakaway.hold": "100000 h", "trailer.breakaway.holds_grade": "1000 %",
			"trailer.breakaway.battery": "100000 Ah", "trailer.parking_brake_grade": "1000 %", "trailer.coupling.height": "1000 km",
			"evidence.stopping.from": "1000 km/h", "evidence.stopping.within": "1000 km", "evidence.deceleration": "1000 m/s2",
			"evidence.trailer_deceleration": "1000 m/s2", "evidence.efficiency": "1000 %",
		},
		{"trailer.rated.ball": most, "trailer.rated.total": most},
	} {
		byID := map[rig.ID]any{}
		for p, v := range values {
			byID[rig.Must(p)] = v
		}
		kept := len(byID)
		rigs = append(rigs, makeRig(t, byID))
		if len(byID) != kept {
			t.Fatalf("the rig of %v contradicts itself", values)
		}
	}
	return rigs
}

// TestFactBounds shows that what compiling assumes of the size of a fact holds,
// and that it is no larger than it must be: every fact reaches its bound.
func TestFactBounds(t *testing.T) {
	rigs := maximal(t)
	for _, f := range rig.Fields() {
		if f.Kind != rig.KindQuantity {
			continue
		}
		var most int64
		for _, r := range rigs {
			if v := r.Get(f.ID); v.Known {
				most = max(most, v.Num)
			}
		}
		if want := uint64(f.Dim.Max()) * expr.SumOf(f.Path); uint64(most) != want {
			t.Errorf("%s reaches %d, compiling assumes %d", f.Path, most, want)
		}
	}
}

// TestNoOverflow finds the largest factors that still compile, for facts of every
// size, and holds the results at the largest rigs equal to the reference, which
// computes in fractions of unbounded size. One more, and nothing compiles.
func TestNoOverflow(t *testing.T) {
	rigs := maximal(t)
	masses := []string{"trailer.tare", "trailer.rated.total", "combination.rated.total", "vehicle.laden.total", "combination.laden.total"}
	for _, form := range []string{
		"%d * FACT < OTHER", "OTHER >= FACT * %d", "%d * FACT - OTHER > kg(0)", "kg(0) - %d * FACT < OTHER", "%d * (FACT + OTHER) == kg(1)",
		"max(%d * FACT, 0.5 * OTHER) != kg(3)", "0.4 * OTHER < 1.75 * (%d * FACT)", "(use.commercial || true ? %d * FACT : OTHER) > 0.7 * OTHER",
		"%d * (0.1 * FACT) > OTHER", "FACT > %d * lb(0.001)", "0.25 * (0.2 * (%d * FACT)) <= kg(1)",
	} {
		tried := 0
		for _, f := range masses {
			for _, other := range masses {
				text := func(k int64) string {
					return strings.NewReplacer("FACT", f, "OTHER", other).Replace(fmt.Sprintf(form, k))
				}
				if !compiles(text(1)) { // too large as it is
					continue
				}
				tried++
				low, high := int64(1), int64(2)
				for compiles(text(high)) {
					low, high = high, 2*high
				}
				for high-low > 1 {
					if mid := low + (high-low)/2; compiles(text(mid)) {
						low = mid
					} else {
						high = mid
					}
				}
				p, err := expr.CompileCondition(text(low))
				if err != nil {
					t.Fatal(err)
				}
				ref := newReference(t, text(low))
				for _, r := range rigs {
					if err := p.CheckBounds(r); err != nil {
						t.Error(err)
					}
					if got, want := condition(p, r), ref.eval(t, facts(r, nil)); got != want {
						t.Errorf("%s: got %+v, want %+v", text(low), got, want)
					}
					for _, reason := range p.Explain(r, path) {
						if strings.Contains(reason.Text, "-") && !strings.Contains(form, " - ") {
							t.Errorf("%s: a sum has wrapped round: %s", text(low), reason.Text)
						}
					}
				}
			}
		}
		if tried == 0 {
			t.Errorf("%s compiles for no fact", form)
		}
	}
}

func compiles(text string) bool { _, err := expr.CompileCondition(text); return err == nil }

// TestValueArithmetic holds Cmp, Sub and printing to unbounded fractions at the
// ends of the range.
func TestValueArithmetic(t *testing.T) {
	kg := unit(t, "kg")
	ends := []expr.Value{
		{Num: 0, Den: 1},
		{Num: 1, Den: 3},
		{Num: -1, Den: 3},
		{Num: 5, Den: 2},
		{Num: -5, Den: 2},
		{Num: -17, Den: 10},
		{Num: math.MaxInt64, Den: 1},
		{Num: -math.MaxInt64, Den: 1},
		{Num: math.MaxInt64, Den: math.MaxInt64 - 1},
		{Num: 6 << 60, Den: math.MaxInt64},
		{Num: math.MaxInt64, Den: 2},
		{Num: -math.MaxInt64, Den: 7},
		{Num: 1, Den: math.MaxInt64},
	}
	limit := new(big.Rat).SetInt64(math.MaxInt64)
	for _, v := range ends {
		v.Unit = kg
		x := big.NewRat(v.Num, v.Den)
		// Half away from nothing, to a whole base unit.
		near := new(big.Rat).Add(new(big.Rat).Abs(x), big.NewRat(1, 2))
		whole := new(big.Int).Quo(near.Num(), near.Denom())
		if x.Sign() < 0 {
			whole.Neg(whole)
		}
		if want := quantity.New(whole.Int64(), kg).String(); v.String() != want {
			t.Errorf("%d/%d prints %s, want %s", v.Num, v.Den, v, want)
		}
		for _, w := range ends {
			w.Unit = unit(t, "lb")
			y := big.NewRat(w.Num, w.Den)
			if v.Cmp(w) != x.Cmp(y) {
				t.Errorf("%v against %v: %d", x, y, v.Cmp(w))
			}
			got, want := v.Sub(w), new(big.Rat).Sub(x, y)
			if got.Unit != kg || got.Den <= 0 {
				t.Errorf("%v - %v = %+v", x, y, got)
			}
			// Exact where 64 bits hold it, else within one base unit or at the end.
			diff := new(big.Rat).Sub(big.NewRat(got.Num, got.Den), want)
			switch {
			case new(big.Rat).Abs(want).Cmp(limit) <= 0 && want.Num().IsInt64() && want.Denom().IsInt64():
				if diff.Sign() != 0 {
					t.Errorf("%v - %v = %d/%d", x, y, got.Num, got.Den)
				}
			case new(big.Rat).Abs(want).Cmp(limit) > 0:
				if got.Num != int64(want.Sign())*math.MaxInt64 || got.Den != 1 {
					t.Errorf("%v - %v = %d/%d", x, y, got.Num, got.Den)
				}
			default:
				if diff.Abs(diff).Cmp(big.NewRat(1, 1)) >= 0 {
					t.Errorf("%v - %v = %d/%d", x, y, got.Num, got.Den)
				}
			}
		}
	}
}

func unit(t testing.TB, symbol string) quantity.Unit {
	u, ok := quantity.LookupUnit(symbol, quantity.Mass)
	if !ok {
		t.Fatalf("no unit %s", symbol)
	}
	return u
}
