package loads

import (
	"math/big"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// unit is a unit that figures are held in or shown in.
type unit struct {
	symbol string
	of     fraction // how many of the unit that amounts are held in
}

// Units that amounts are held in: Figure.Number counts them.
var (
	kilogram   = unit{"kg", one}
	metre      = unit{"m", one}
	kilonewton = unit{"kN", one}
	newton     = unit{"N", one}
	percent    = unit{"%", one}
	kmh        = unit{"km/h", one}
	ms2        = unit{"m/s2", one}
	kgMetre    = unit{"kg m", one}
	bare       = unit{"", one}
)

var (
	one     = frac(1, 1)
	hundred = frac(100, 1)
	gravity = frac(981, 100) // m/s2; mech.G, which is 9.81 exactly
)

// held are the units in which amounts of a dimension are held.
var held = map[quantity.Dimension]unit{
	quantity.Mass: kilogram, quantity.Length: metre, quantity.Force: kilonewton, quantity.Percentage: percent,
	quantity.Grade: percent, quantity.Speed: kmh, quantity.Acceleration: ms2,
}

// amount is an exact figure with its working. It is never changed once made.
type amount struct {
	v          fraction // in the unit held
	held       unit
	shown      unit
	bound      Bound
	formula    string
	inputs     []rig.Input
	missing    []string // what would make it known, or firm where it is only estimated
	assumption string
	reason     string
}

func (a amount) known() bool { return a.v.known() }

// exact is an amount that is known for what it is.
func exact(v fraction, u unit) amount { return amount{v: v, held: u, shown: u, bound: Exact} }

// unknown is an amount for which pointers are missing, or that cannot be worked
// out for a reason.
func unknown(reason string, missing ...string) amount {
	return amount{missing: missing, reason: reason}
}

// ofQuantity is an entered amount.
func ofQuantity(q quantity.Quantity, inputs ...rig.Input) amount {
	d := q.Dimension()
	return amount{v: frac(q.Base(), bases[d]), held: held[d], shown: shownIn[q.Unit()], bound: Exact, inputs: inputs}
}

// bases are the base units in one unit held, of each dimension; shownIn is how
// each unit relates to the one held.
var bases, shownIn = func() (map[quantity.Dimension]int64, map[quantity.Unit]unit) {
	b, s := map[quantity.Dimension]int64{}, map[quantity.Unit]unit{}
	for d, h := range held {
		b[d] = quantity.MustParse(d, "1 "+h.symbol).Base()
		for _, u := range d.Units() {
			s[u] = unit{u.Symbol(), frac(quantity.MustParse(d, "1 "+u.Symbol()).Base(), b[d])}
		}
	}
	return b, s
}()

// as names the working of an amount.
func (a amount) as(formula string) amount {
	a.formula = formula
	return a
}

// assuming turns an amount into one that only stands in a certain way to the
// true one; the pointers would make it firm.
func (a amount) assuming(b Bound, assumption string, firm ...string) amount {
	if a.known() {
		a.bound, a.assumption, a.missing = b, joined(a.assumption, assumption), union(a.missing, firm)
	}
	return a
}

// flip turns a bound round, as a minus does.
func (b Bound) flip() Bound {
	switch b {
	case NoLess:
		return NoMore
	case NoMore:
		return NoLess
	}
	return b
}

// join is the bound of a sum.
func (b Bound) join(c Bound) Bound {
	switch {
	case b == Exact:
		return c
	case c == Exact || b == c:
		return b
	}
	return Estimate
}

func union[T comparable](a []T, more ...[]T) []T {
	out := slices.Clip(a) // so that appending copies
	for _, list := range more {
		for _, x := range list {
			if !slices.Contains(out, x) {
				out = append(out, x)
			}
		}
	}
	return out
}

// with merges the working of several amounts into one without a value.
func with(as ...amount) amount {
	var out amount
	for _, a := range as {
		out.inputs = union(out.inputs, a.inputs)
		out.missing = union(out.missing, a.missing)
		out.assumption = joined(out.assumption, a.assumption)
		out.reason = joined(out.reason, a.reason)
	}
	return out
}

func joined(a, b string) string {
	if a == "" || a == b {
		return b
	}
	if b == "" || strings.Contains(a, b) {
		return a
	}
	return a + "; " + b
}

func allKnown(as ...amount) bool {
	return !slices.ContainsFunc(as, func(a amount) bool { return !a.known() })
}

// plus is the sum of amounts of one unit, shown in that of the first.
func plus(as ...amount) amount {
	out := with(as...)
	if !allKnown(as...) {
		return out
	}
	out.v, out.held, out.shown, out.bound = frac(0, 1), as[0].held, as[0].shown, Exact
	for _, a := range as {
		out.v = out.v.add(a.v)
		out.bound = out.bound.join(a.bound)
	}
	return out
}

// negative is minus a.
func negative(a amount) amount {
	if a.known() {
		a.v, a.bound = a.v.neg(), a.bound.flip()
	}
	return a
}

func minus(a, b amount) amount { return plus(a, negative(b)) }

// times is a product, held and shown as a is. Bounds survive where the sign of
// the other factor is certain.
func times(a, b amount) amount {
	out := with(a, b)
	if !allKnown(a, b) {
		return out
	}
	out.v, out.held, out.shown = a.v.mul(b.v), a.held, a.shown
	switch {
	case b.bound == Exact:
		out.bound = a.bound.scaled(b.v.sign())
	case a.bound == Exact:
		out.bound = b.bound.scaled(a.v.sign())
	default:
		out.bound = Estimate
	}
	return out
}

func (b Bound) scaled(sign int) Bound {
	if sign < 0 {
		return b.flip()
	}
	return b
}

// over is a quotient, held and shown as a is; of nothing it is not known.
func over(a, b amount) amount {
	out := with(a, b)
	if !allKnown(a, b) {
		return out
	}
	if b.v.sign() == 0 {
		out.reason = joined(out.reason, "it would divide by zero")
		return out
	}
	out.v, out.held, out.shown = a.v.quo(b.v), a.held, a.shown
	switch {
	case b.bound == Exact:
		out.bound = a.bound.scaled(b.v.sign())
	case a.bound == Exact && b.v.sign() > 0:
		out.bound = b.bound.flip().scaled(a.v.sign())
	default:
		out.bound = Estimate
	}
	return out
}

// in gives the amount another unit, after its value was brought into it.
func (a amount) in(u unit) amount {
	a.held, a.shown = u, u
	return a
}

// whole is a plain number as an amount.
func whole(n int64) amount { return exact(frac(n, 1), bare) }

// number is the nearest floating-point value.
func number(v fraction) *float64 {
	f := v.float()
	return &f
}

// figure prints an amount.
func (a amount) figure() Figure {
	f := Figure{Formula: a.formula, Inputs: a.inputs, Missing: a.missing, Assumption: a.assumption, Reason: a.reason}
	if a.known() {
		f.Value, f.Number, f.Unit, f.Bound = a.text(), number(a.v), a.held.symbol, a.bound
	}
	return f
}

// text prints an amount in the unit it is shown in.
func (a amount) text() string {
	s := a.v.quo(a.shown.of).decimal()
	if a.shown.symbol != "" {
		s += " " + a.shown.symbol
	}
	return s
}

const (
	decimals    = 6 // beyond which an exact figure is no help to read
	significant = 6 // digits of a rounded one
)

// decimal prints the exact decimal if it is short, else "about" and six
// significant digits.
func decimal(v *big.Rat) string {
	if v.IsInt() {
		return v.Num().String()
	}
	if n, ok := v.FloatPrec(); ok && n <= decimals {
		return v.FloatString(n)
	}
	f, _ := v.Float64()
	s := strconv.FormatFloat(f, 'g', significant, 64)
	if strings.Contains(s, "e") {
		f, _ = strconv.ParseFloat(s, 64)
		s = strconv.FormatFloat(f, 'f', -1, 64)
	}
	return "about " + s
}
