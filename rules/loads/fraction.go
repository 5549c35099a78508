package loads

import (
	"cmp"
	"math"
	"math/big"
	"math/bits"
	"strconv"
)

// fraction is an exact number: n/d in lowest terms with d above zero or, where one
// of them is beyond 64 bits, wide. The zero fraction is no number. It is never
// changed once made.
//
// Figures of a rig nearly always fit, and then nothing is allocated.
type fraction struct {
	n, d int64
	wide *big.Rat
}

// frac is n/d; d must not be zero.
func frac(n, d int64) fraction {
	if n == math.MinInt64 || d == math.MinInt64 {
		return fractionOf(big.NewRat(n, d))
	}
	if d < 0 {
		n, d = -n, -d
	}
	if g := common(n, d); g > 1 {
		n, d = n/g, d/g
	}
	return fraction{n: n, d: d}
}

// fractionOf is the fraction of a number that is not changed any more.
func fractionOf(r *big.Rat) fraction {
	if n, d := r.Num(), r.Denom(); n.IsInt64() && d.IsInt64() && n.Int64() != math.MinInt64 {
		return fraction{n: n.Int64(), d: d.Int64()}
	}
	return fraction{wide: r}
}

// ofFloat is exactly what a finite float holds.
func ofFloat(x float64) fraction { return fractionOf(new(big.Rat).SetFloat64(x)) }

func (f fraction) known() bool { return f.d != 0 || f.wide != nil }

// rat is the number for math/big.
func (f fraction) rat() *big.Rat {
	if f.wide != nil {
		return f.wide
	}
	return big.NewRat(f.n, f.d)
}

// common is the greatest common divisor; b must be above zero.
func common(a, b int64) int64 {
	x, y := magnitude(a), uint64(b)
	for x != 0 {
		x, y = y%x, x
	}
	return int64(y)
}

func magnitude(a int64) uint64 {
	if a < 0 {
		return -uint64(a)
	}
	return uint64(a)
}

// product is a b, if its magnitude is within 63 bits.
func product(a, b int64) (int64, bool) {
	hi, lo := bits.Mul64(magnitude(a), magnitude(b))
	if hi != 0 || lo > math.MaxInt64 {
		return 0, false
	}
	if (a < 0) != (b < 0) {
		return -int64(lo), true
	}
	return int64(lo), true
}

func (f fraction) mul(g fraction) fraction {
	if f.wide == nil && g.wide == nil {
		x, y := common(f.n, g.d), common(g.n, f.d)
		n, okn := product(f.n/x, g.n/y)
		d, okd := product(f.d/y, g.d/x)
		if okn && okd {
			return fraction{n: n, d: d}
		}
	}
	return fractionOf(new(big.Rat).Mul(f.rat(), g.rat()))
}

// quo is f/g; g must not be zero.
func (f fraction) quo(g fraction) fraction {
	if g.wide == nil {
		return f.mul(frac(g.d, g.n))
	}
	return fractionOf(new(big.Rat).Quo(f.rat(), g.rat()))
}

func (f fraction) add(g fraction) fraction {
	if f.wide == nil && g.wide == nil {
		x := common(f.d, g.d)
		a, oka := product(f.n, g.d/x)
		b, okb := product(g.n, f.d/x)
		d, okd := product(f.d, g.d/x)
		if sum := a + b; oka && okb && okd && (sum > a) == (b > 0) && sum != math.MinInt64 {
			return frac(sum, d)
		}
	}
	return fractionOf(new(big.Rat).Add(f.rat(), g.rat()))
}

func (f fraction) sub(g fraction) fraction { return f.add(g.neg()) }

func (f fraction) neg() fraction {
	if f.wide != nil {
		return fractionOf(new(big.Rat).Neg(f.wide))
	}
	return fraction{n: -f.n, d: f.d}
}

func (f fraction) sign() int {
	if f.wide != nil {
		return f.wide.Sign()
	}
	return cmp.Compare(f.n, 0)
}

func (f fraction) cmp(g fraction) int {
	if f.wide != nil || g.wide != nil {
		return f.rat().Cmp(g.rat())
	}
	if s := cmp.Compare(f.sign(), g.sign()); s != 0 || f.n == 0 {
		return s
	}
	hi, lo := bits.Mul64(magnitude(f.n), uint64(g.d))
	hi2, lo2 := bits.Mul64(magnitude(g.n), uint64(f.d))
	return f.sign() * cmp.Or(cmp.Compare(hi, hi2), cmp.Compare(lo, lo2))
}

// exactFloat is how large a whole number can be that a float64 surely holds.
const exactFloat = 1 << 53

// float is the nearest floating-point value.
func (f fraction) float() float64 {
	if f.wide == nil && magnitude(f.n) <= exactFloat && f.d <= exactFloat {
		return float64(f.n) / float64(f.d) // of two exact numbers, rounded once
	}
	x, _ := f.rat().Float64()
	return x
}

// decimal prints the exact decimal if it is short, else "about" and six
// significant digits.
func (f fraction) decimal() string {
	if f.wide == nil {
		ten := int64(1)
		for places := range decimals + 1 {
			if ten%f.d == 0 {
				if n, ok := product(f.n, ten/f.d); ok {
					return point(n, places)
				}
				break
			}
			ten *= 10
		}
	}
	return decimal(f.rat())
}

// point prints n/10^places.
func point(n int64, places int) string {
	var buf [32]byte
	b := buf[:0]
	if n < 0 {
		b = append(b, '-')
	}
	digits := strconv.FormatUint(magnitude(n), 10)
	for short := places + 1 - len(digits); short > 0; short-- {
		digits = "0" + digits
	}
	b = append(b, digits[:len(digits)-places]...)
	if places > 0 {
		b = append(append(b, '.'), digits[len(digits)-places:]...)
	}
	return string(b)
}
