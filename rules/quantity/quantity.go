package quantity

import (
	"errors"
	"fmt"
	"math/bits"
	"strconv"
)

// Quantity is an exact amount of one dimension together with the unit it is
// shown in. The zero value is "no quantity" (see IsZero), which differs from
// an amount of nothing such as "0 kg".
//
// Values are small and immutable, and == compares both amount and unit: "1 t"
// and "1000 kg" are not ==. Use Cmp to compare amounts.
type Quantity struct {
	base int64
	unit Unit
}

// Errors of Add and Sub.
var (
	// ErrDimension means the two amounts are not of one dimension, or one of
	// them is no quantity.
	ErrDimension = errors.New("quantity: amounts of different dimensions")
	// ErrTemperature means temperatures: they are points on a scale, so a sum
	// of two has no meaning (10 degC and 10 degC are not 20 degC).
	ErrTemperature = errors.New("quantity: temperatures cannot be added or subtracted")
	// ErrOverflow means the result is beyond 64 bits of base units.
	ErrOverflow = errors.New("quantity: result too large")
)

// New returns base base units (see the package comment for the scale of each
// dimension), shown in unit. For a temperature base counts from absolute zero.
// It checks no range: the caller guarantees the magnitude. A value that is no
// Unit gives the zero Quantity.
func New(base int64, unit Unit) Quantity {
	if unit.info().dim == 0 {
		return Quantity{}
	}
	return Quantity{base: base, unit: unit}
}

// IsZero reports whether q is no quantity at all. "0 kg" is a quantity. The
// method also makes the omitzero option of JSON struct tags drop the field.
func (q Quantity) IsZero() bool { return q.unit == 0 }

// Base returns the amount in base units of the dimension (see the package
// comment). It is the same whatever unit the amount was written in.
func (q Quantity) Base() int64 { return q.base }

// Unit returns the unit q is shown in, the zero Unit for no quantity.
func (q Quantity) Unit() Unit { return q.unit }

// Dimension returns the dimension of q, 0 for no quantity.
func (q Quantity) Dimension() Dimension { return q.unit.Dimension() }

// In returns the same amount shown in unit u. No rounding takes place: the
// amount is kept, and only how it prints changes. It panics when u measures
// another dimension, which is a programming error as for Cmp.
func (q Quantity) In(u Unit) Quantity {
	if u.Dimension() != q.Dimension() {
		panic(fmt.Sprintf("quantity: cannot show %s in %q", q.Dimension().info().phrase, u.Symbol()))
	}
	return Quantity{base: q.base, unit: u}
}

// Cmp compares the amounts of q and o exactly, whatever units they are shown
// in, and returns -1, 0 or +1. It panics when the dimensions differ: which
// dimensions meet is checked when rules compile, so a difference here is a
// programming error.
func (q Quantity) Cmp(o Quantity) int {
	if q.unit != o.unit && q.Dimension() != o.Dimension() {
		panic(fmt.Sprintf("quantity: cannot compare %s with %s", q.Dimension().info().phrase, o.Dimension().info().phrase))
	}
	switch {
	case q.base < o.base:
		return -1
	case q.base > o.base:
		return 1
	}
	return 0
}

// Add returns a+b exactly, shown in their unit if they share one and in the
// base unit of the dimension otherwise. The error is ErrDimension,
// ErrTemperature or ErrOverflow. The sum may exceed Max of its dimension.
func Add(a, b Quantity) (Quantity, error) {
	unit, err := commonUnit(a, b)
	if err != nil {
		return Quantity{}, err
	}
	sum := a.base + b.base
	if (sum > a.base) != (b.base > 0) {
		return Quantity{}, ErrOverflow
	}
	return Quantity{base: sum, unit: unit}, nil
}

// Sub returns a-b exactly, with the unit and errors of Add. The difference may
// be negative, although Parse reads no negative amounts.
func Sub(a, b Quantity) (Quantity, error) {
	unit, err := commonUnit(a, b)
	if err != nil {
		return Quantity{}, err
	}
	diff := a.base - b.base
	if (diff < a.base) != (b.base > 0) {
		return Quantity{}, ErrOverflow
	}
	return Quantity{base: diff, unit: unit}, nil
}

func commonUnit(a, b Quantity) (Unit, error) {
	dim := a.Dimension()
	switch {
	case dim == 0 || dim != b.Dimension():
		return 0, ErrDimension
	case dim == Temperature:
		return 0, ErrTemperature
	case a.unit == b.unit:
		return a.unit, nil
	}
	return dim.BaseUnit(), nil
}

// split returns the sign and magnitude of q relative to the zero of its unit.
// Unsigned arithmetic wraps to the right magnitude for every int64.
func (q Quantity) split() (negative bool, magnitude uint64, factor uint64) {
	info := q.unit.info()
	if q.base < info.offset {
		return true, uint64(info.offset) - uint64(q.base), info.factor
	}
	return false, uint64(q.base) - uint64(info.offset), info.factor
}

// places returns how many decimals q needs in its own unit, and false when no
// number of decimals is enough. Long division by a factor of fewer than 2^60
// ends within maxPlaces decimals or never: the factor has at most 19 twos and
// 15 fives (a test holds the table to that).
func (q Quantity) places() (int, bool) {
	if q.unit == 0 {
		return 0, true
	}
	_, magnitude, factor := q.split()
	rest := magnitude % factor
	for n := range maxPlaces + 1 {
		if rest == 0 {
			return n, true
		}
		rest = rest * 10 % factor
	}
	return 0, false
}

// maxPlaces is the most decimals that any exact amount can need.
const maxPlaces = 19

// heldPlaces returns how many decimals unit always holds exactly: the power of
// ten in its factor.
func heldPlaces(u Unit) int {
	n := 0
	for f := u.info().factor; f != 0 && f%10 == 0; f /= 10 {
		n++
	}
	return n
}

// Exact reports whether String is the exact amount, that is whether the amount
// is a terminating decimal in the unit of q. It is for everything Parse
// returns, and may fail to be after In or arithmetic: 1 kg has no exact
// decimal in lb.
func (q Quantity) Exact() bool {
	_, ok := q.places()
	return ok
}

// String returns the number and symbol, such as "1360.77711 kg", without
// superfluous zeros; it is empty for no quantity. The decimal is exact if
// Exact reports true, and Parse of it then gives q again if q is within the
// range of Parse. Otherwise it is rounded half-even to as many decimals as the
// unit always holds (4 or more for mass, none for lbf), so that Parse can still
// read it.
func (q Quantity) String() string {
	if q.unit == 0 {
		return ""
	}
	var buf [64]byte
	return string(q.append(buf[:0]))
}

// AppendText appends String to b. The error is always nil.
func (q Quantity) AppendText(b []byte) ([]byte, error) { return q.append(b), nil }

// MarshalText returns String. The error is always nil. There is no
// UnmarshalText: text can only be read with the dimension its field expects.
func (q Quantity) MarshalText() ([]byte, error) { return q.append(nil), nil }

// MarshalJSON returns String as a JSON string, and null for no quantity. The
// error is always nil. There is no UnmarshalJSON, as for MarshalText.
func (q Quantity) MarshalJSON() ([]byte, error) {
	if q.unit == 0 {
		return []byte("null"), nil
	}
	// Nothing needs escaping: digits, a point, a space and an ASCII symbol.
	b := append(make([]byte, 0, 32), '"')
	return append(q.append(b), '"'), nil
}

func (q Quantity) append(b []byte) []byte {
	if q.unit == 0 {
		return b
	}
	n, ok := q.places()
	if !ok {
		n = heldPlaces(q.unit)
	}
	return q.appendRounded(b, n)
}

// appendRounded appends q in its unit with n decimals at most, rounded
// half-even. n is at most maxPlaces.
func (q Quantity) appendRounded(b []byte, n int) []byte {
	negative, magnitude, factor := q.split()
	whole, rest := magnitude/factor, magnitude%factor
	// rest < factor, so that hi < factor and the quotient is below 10^n.
	hi, lo := bits.Mul64(rest, pow10[n])
	frac, rest := bits.Div64(hi, lo, factor)
	last := frac
	if n == 0 {
		last = whole
	}
	if 2*rest > factor || 2*rest == factor && last%2 == 1 {
		frac++
		if frac == pow10[n] {
			whole, frac = whole+1, 0
		}
	}
	for n > 0 && frac%10 == 0 {
		n, frac = n-1, frac/10
	}
	if negative && (whole != 0 || frac != 0) {
		b = append(b, '-')
	}
	b = strconv.AppendUint(b, whole, 10)
	if n > 0 && frac > 0 {
		b = append(b, '.')
		for i := n - 1; i > 0 && frac < pow10[i]; i-- {
			b = append(b, '0')
		}
		b = strconv.AppendUint(b, frac, 10)
	}
	return appendSymbol(b, q.unit)
}

func appendSymbol(b []byte, u Unit) []byte {
	b = append(b, ' ')
	return append(b, u.Symbol()...)
}

// Sizes of the text for people.
const (
	textPlaces = 6 // decimals beyond which an exact amount is no help to read
	textDigits = 6 // significant digits of a rounded amount
)

// Text returns the amount for people to read: the exact decimal if it has at
// most 6 decimals, otherwise "about" and the amount rounded half-even to 6
// significant digits, such as "about 2204.62 lb". It is empty for no quantity.
// It is never to be read back.
func (q Quantity) Text() string {
	var buf [64]byte
	return string(q.AppendReadable(buf[:0]))
}

// AppendReadable appends Text to b.
func (q Quantity) AppendReadable(b []byte) []byte {
	if q.unit == 0 {
		return b
	}
	if n, ok := q.places(); ok && n <= textPlaces {
		return q.appendRounded(b, n)
	}
	negative, magnitude, factor := q.split()
	whole, rest := magnitude/factor, magnitude%factor

	// Long division gives the digits one at a time. A zero before the first
	// significant digit is not counted, so a small amount keeps all of them.
	var digits [64]byte
	d := digits[:0]
	if whole > 0 {
		d = strconv.AppendUint(d, whole, 10)
	}
	point := len(d) // the decimal point stands before d[point]
	for len(d) < textDigits+1 {
		rest *= 10
		digit := byte('0' + rest/factor)
		rest %= factor
		if len(d) == 0 && digit == '0' {
			point--
			continue
		}
		d = append(d, digit)
	}
	// If more whole digits than are kept leave the loop idle, rest is not zero:
	// a whole amount was returned as exact above.
	sticky := rest != 0
	next := d[textDigits]
	kept := d[:textDigits]
	if next > '5' || next == '5' && (sticky || (kept[textDigits-1]-'0')%2 == 1) {
		i := textDigits - 1
		for ; i >= 0 && kept[i] == '9'; i-- {
			kept[i] = '0'
		}
		if i >= 0 {
			kept[i]++
		} else {
			kept[0] = '1' // 999999.9 became 1000000: the other digits are zeros
			point++
		}
	}

	b = append(b, "about "...)
	if negative {
		b = append(b, '-')
	}
	if point <= 0 {
		b = append(b, '0')
	}
	for i := range point {
		if i < textDigits {
			b = append(b, kept[i])
		} else {
			b = append(b, '0')
		}
	}
	end := textDigits
	for end > 0 && kept[end-1] == '0' {
		end--
	}
	if end > point {
		b = append(b, '.')
		for i := point; i < end; i++ {
			if i < 0 {
				b = append(b, '0')
			} else {
				b = append(b, kept[i])
			}
		}
	}
	return appendSymbol(b, q.unit)
}

// pow10 holds the powers of ten that fit in 64 bits.
var pow10 = [maxPlaces + 1]uint64{
	1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9,
	1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19,
}
