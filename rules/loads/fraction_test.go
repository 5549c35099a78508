package loads

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// TestFraction holds fractions to math/big: every operation, with numbers small,
// such as figures of rigs are, and at the ends of 64 bits and beyond them.
func TestFraction(t *testing.T) {
	whole := rapid.OneOf(
		rapid.Int64Range(-100, 100), rapid.Int64Range(-5_000_000, 5_000_000), rapid.Int64(),
		rapid.SampledFrom([]int64{0, 1, -1, math.MaxInt64, math.MinInt64, math.MinInt64 + 1, 1 << 53, 1<<53 + 1, 1e11, 350000000000000, 45359237, 980665}),
	)
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) (fraction, *big.Rat) {
			n, d := whole.Draw(t, name), whole.Filter(func(d int64) bool { return d != 0 }).Draw(t, name+" over")
			f, r := frac(n, d), big.NewRat(n, d)
			if rapid.IntRange(0, 5).Draw(t, name+" wide") == 0 {
				by := new(big.Rat).SetFrac(new(big.Int).Exp(big.NewInt(10), big.NewInt(20), nil), big.NewInt(7))
				f, r = f.mul(fractionOf(by)), new(big.Rat).Mul(r, by)
			}
			return f, r
		}
		f, x := draw("f")
		g, y := draw("g")
		same := func(name string, got fraction, want *big.Rat) {
			t.Helper()
			if !got.known() || got.rat().Cmp(want) != 0 {
				t.Fatalf("%s of %v and %v is %v, want %v", name, x, y, got, want)
			}
			// One number has one form.
			if n, d := want.Num(), want.Denom(); (got.wide == nil) != (n.IsInt64() && d.IsInt64() && n.Int64() != math.MinInt64) || got.wide == nil && (got.n != n.Int64() || got.d != d.Int64()) {
				t.Fatalf("%s of %v and %v has the form %+v", name, x, y, got)
			}
		}
		same("the first", f, x)
		same("the sum", f.add(g), new(big.Rat).Add(x, y))
		same("the difference", f.sub(g), new(big.Rat).Sub(x, y))
		same("the product", f.mul(g), new(big.Rat).Mul(x, y))
		same("the negative", f.neg(), new(big.Rat).Neg(x))
		if y.Sign() != 0 {
			same("the quotient", f.quo(g), new(big.Rat).Quo(x, y))
		}
		if f.cmp(g) != x.Cmp(y) || f.cmp(f) != 0 || f.sign() != x.Sign() {
			t.Fatalf("%v against %v: %d, sign %d", x, y, f.cmp(g), f.sign())
		}
		if want, _ := x.Float64(); f.float() != want {
			t.Fatalf("%v is %v, want %v", x, f.float(), want)
		}
		if got, want := f.decimal(), decimal(x); got != want {
			t.Fatalf("%v prints %q, want %q", x, got, want)
		}
	})
	if (fraction{}).known() || !frac(0, 1).known() {
		t.Error("nothing is a number, or zero is none")
	}
}

// TestDecimal: decimals of numbers that end.
func TestDecimal(t *testing.T) {
	for want, f := range map[string]fraction{
		"0": frac(0, 5), "1.5": frac(3, 2), "-0.000001": frac(-1, 1_000_000), "0.125": frac(1, 8), "-12": frac(24, -2), "2300": frac(230000000000000, 1e11), "about 0.333333": frac(1, 3), "about 0.0000001": frac(1, 10_000_000),
	} {
		if got := f.decimal(); got != want {
			t.Errorf("%v is %q, want %q", f, got, want)
		}
	}
}
