package quantity

import (
	"fmt"
	"math/bits"
	"strconv"
	"strings"
)

// Kind classifies why a text was refused.
type Kind string

// The kinds of ParseError.
const (
	// WrongDimension: the unit is known but measures something else.
	WrongDimension Kind = "wrong_dimension"
	// UnknownUnit: the unit is missing or none that is accepted.
	UnknownUnit Kind = "unknown_unit"
	// Negative: the amount is below zero, or below absolute zero.
	Negative Kind = "negative"
	// NotANumber: what stands before the unit is no plain decimal number, or
	// the text is longer than any quantity.
	NotANumber Kind = "not_a_number"
	// TooPrecise: the number has more digits than can be held exactly.
	TooPrecise Kind = "too_precise"
	// TooLarge: the amount exceeds Max of the dimension.
	TooLarge Kind = "too_large"
	// Empty: there is no text.
	Empty Kind = "empty"
)

// ParseError says why a text is not a quantity (or not a number, for
// ParseRatio), for the person who wrote it.
type ParseError struct {
	// Kind is the reason, for programs.
	Kind Kind
	// Dimension is the one asked for; 0 from ParseAny when the unit did not
	// settle it, and from ParseRatio.
	Dimension Dimension
	// Text is the refused text as it was given, valid UTF-8 and cut to 64
	// bytes if longer.
	Text string
	// Message is one line saying what is wrong and what to write instead.
	Message string
}

// Error returns Message.
func (e *ParseError) Error() string { return e.Message }

// maxText bounds the work and the size of messages. The longest exact amount
// needs fewer than 40 bytes.
const maxText = 64

// Parse reads text as a quantity of dimension dim, in the grammar of the
// package comment; the quantity keeps the unit it was written in. The amount
// is between 0 and dim.Max base units (0 K and 2000 K for temperatures) and is
// held exactly or refused. A value that is no dimension refuses every text. A
// non-nil error is always a *ParseError.
func Parse(dim Dimension, text string) (Quantity, error) {
	q, err := parseAs(dim, text)
	if err != nil {
		return Quantity{}, err // a nil *ParseError must not become a non-nil error
	}
	return q, nil
}

// ParseAny reads text as Parse does, taking the dimension from the unit. "g"
// is read as gram and "%" as Percentage. A non-nil error is always a
// *ParseError.
func ParseAny(text string) (Quantity, error) {
	q, err := parse(0, text)
	if err != nil {
		return Quantity{}, err
	}
	return q, nil
}

// ParseIn reads a plain number as so many of a unit: it is Parse of the number, a
// space and the symbol of the unit.
func ParseIn(unit Unit, number string) (Quantity, error) {
	if unit.Dimension() != 0 && number != "" && len(number) <= maxPlaces {
		n, rest, fault := scan(number)
		if fault == "" && rest == "" && !n.negative {
			if base, kind := n.scale(unit); kind == "" {
				return Quantity{base: base, unit: unit}, nil
			}
		}
	}
	return Parse(unit.Dimension(), number+" "+unit.Symbol())
}

// MustParse is Parse for tests and fixed tables. It panics on an error.
func MustParse(dim Dimension, text string) Quantity {
	q, err := parseAs(dim, text)
	if err != nil {
		panic("quantity: " + err.Message)
	}
	return q
}

// fail builds the error for text. what completes a sentence that starts with
// the quoted text; advice, if any, is a sentence of its own after a colon.
func fail(kind Kind, dim Dimension, text, what string) *ParseError {
	text = shorten(text)
	return &ParseError{Kind: kind, Dimension: dim, Text: text, Message: strconv.Quote(text) + " " + what}
}

func shorten(text string) string {
	if len(text) > maxText {
		text = text[:maxText]
	}
	return strings.ToValidUTF8(text, "")
}

// number is a decimal that has been split but not scaled: whole + frac/10^places.
type number struct {
	negative bool
	whole    uint64
	frac     uint64
	places   int
	// huge and fine mark parts with too many digits to hold, kept apart so
	// that a wrong unit is still reported before them.
	huge, fine bool
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// digits returns the length of the run of digits at the start of s.
func digits(s string) int {
	n := 0
	for n < len(s) && isDigit(s[n]) {
		n++
	}
	return n
}

// uintOf reads a run of digits, and reports whether it has at most 19
// significant ones, which always fit.
func uintOf(s string) (uint64, bool) {
	s = strings.TrimLeft(s, "0")
	if len(s) > maxPlaces {
		return 0, false
	}
	var n uint64
	for i := range len(s) {
		n = n*10 + uint64(s[i]-'0')
	}
	return n, true
}

// scan splits a number off the start of s. An empty fault means success.
func scan(s string) (n number, rest, fault string) {
	if s[0] == '-' {
		n.negative = true
		s = s[1:]
	}
	w := digits(s)
	if w == 0 {
		switch {
		case !n.negative && s[0] == '+':
			return n, "", "has a plus sign: leave it out"
		case len(s) > 1 && (s[0] == '.' || s[0] == ',') && isDigit(s[1]):
			return n, "", "needs a digit before the decimal point: write 0.5, not .5"
		}
		return n, "", "does not start with a number"
	}
	whole, ok := uintOf(s[:w])
	n.whole, n.huge = whole, !ok
	s = s[w:]
	if len(s) > 0 && s[0] == '.' {
		f := digits(s[1:])
		if f == 0 {
			return n, "", "needs a digit after the decimal point: write 5 or 5.0, not 5."
		}
		frac := strings.TrimRight(s[1:1+f], "0")
		s = s[1+f:]
		// Beyond maxPlaces no unit can hold the last digit, however small it is.
		if n.places = len(frac); n.places > maxPlaces {
			n.fine = true
		} else {
			n.frac, _ = uintOf(frac)
		}
	}
	if s == "" {
		return n, s, ""
	}
	switch next := s[1:]; s[0] {
	case ',':
		return n, "", "has a comma: use a point for decimals and nothing between thousands, for example 1234.5"
	case '.':
		return n, "", "has more than one decimal point: nothing goes between thousands, for example 1234.5"
	case '\'', '_':
		return n, "", "has a mark between digits: write the digits together, for example 1234.5"
	case 'e', 'E':
		if next != "" && (isDigit(next[0]) || next[0] == '+' || next[0] == '-') {
			return n, "", "has an exponent: write the number out, for example 1500"
		}
	}
	return n, s, ""
}

// parseAs keeps a dimension that was never set from being read as "any".
func parseAs(dim Dimension, text string) (Quantity, *ParseError) {
	if dim == 0 || dim > Percentage {
		return Quantity{}, fail(WrongDimension, dim, text, "cannot be read here: no quantity is expected")
	}
	return parse(dim, text)
}

// parse reads text; dim is a dimension or 0 for any.
func parse(dim Dimension, text string) (Quantity, *ParseError) {
	info := dim.info()
	if len(text) > maxText {
		return Quantity{}, fail(NotANumber, dim, text,
			fmt.Sprintf("and what follows is too long: write %s in at most %d characters, for example %q", info.phrase, maxText, info.example))
	}
	body := strings.Trim(text, " ")
	if body == "" {
		return Quantity{}, &ParseError{
			Kind: Empty, Dimension: dim, Text: text,
			Message: fmt.Sprintf("nothing is written here: write %s, for example %q", info.phrase, info.example),
		}
	}
	n, rest, fault := scan(body)
	if fault == "" {
		rest = strings.TrimLeft(rest, " ")
		if rest != "" && isDigit(rest[0]) {
			fault = "has a space between digits: write the digits together, for example 1234.5"
		}
	}
	if fault != "" {
		return Quantity{}, fail(NotANumber, dim, text, fault)
	}
	unit, kind, fault := findUnit(rest, dim)
	if fault != "" {
		return Quantity{}, fail(kind, dim, text, fault)
	}
	dim = unit.Dimension()
	info = dim.info()
	if n.negative && dim != Temperature {
		return Quantity{}, fail(Negative, dim, text, "is negative: write "+info.phrase+" of zero or more")
	}
	base, kind := n.scale(unit)
	if kind != "" {
		return Quantity{}, fail(kind, dim, text, rangeFault(kind, unit))
	}
	return Quantity{base: base, unit: unit}, nil
}

// findUnit resolves the text of a unit; dim 0 is any dimension. An empty fault
// means success.
func findUnit(symbol string, dim Dimension) (unit Unit, kind Kind, fault string) {
	u, ok := Unit(0), false
	if dim == 0 {
		u, ok = lookupAny(symbol)
	} else {
		u, ok = LookupUnit(symbol, dim)
	}
	if ok {
		return u, "", ""
	}
	info := dim.info()
	if symbol == "" {
		return 0, UnknownUnit, fmt.Sprintf("has no unit: write the unit, for example %q", info.example)
	}
	if other, known := lookupAny(symbol); known {
		return 0, WrongDimension, fmt.Sprintf("is %s, but %s is needed here: write it in %s, for example %q",
			other.Dimension().info().phrase, info.phrase, info.list, info.example)
	}
	var hint string
	if lower := strings.ToLower(symbol); (lower == "ton" || lower == "tons") && (dim == 0 || dim == Mass) {
		hint = "a ton means different masses in different places, so write t for the tonne of 1000 kg, or give the mass in lb"
	} else if meant := spelled(symbol, dim); meant != 0 {
		hint = "did you mean " + meant.Symbol() + "?"
	} else {
		hint = fmt.Sprintf("write it in %s, for example %q", info.list, info.example)
	}
	return 0, UnknownUnit, fmt.Sprintf("has the unit %q, which is not known: %s", symbol, hint)
}

// spellings are ways people write a unit that are refused, since only one
// spelling of each is accepted, but whose meaning is clear. Keys are in lower
// case; the ohm sign and the capital omega both become "ω".
var spellings = map[string]string{
	"lbs": "lb", "kgs": "kg", "kilo": "kg", "kilos": "kg", "tonne": "t", "tonnes": "t",
	"mm²": "mm2", "mm^2": "mm2", "sqmm": "mm2", "cm²": "cm2", "m²": "m2", "in²": "in2", "m/s²": "m/s2", "m/s^2": "m/s2",
	"volt": "V", "volts": "V", "amp": "A", "amps": "A", "ω": "ohm", "ohms": "ohm",
	"sec": "s", "secs": "s", "mins": "min", "minutes": "min", "hr": "h", "hrs": "h", "hours": "h",
	"kph": "km/h", "kmh": "km/h", "kmph": "km/h", "mi/h": "mph", "°": "deg", "degrees": "deg",
	"\"": "in", "inch": "in", "inches": "in", "'": "ft", "feet": "ft", "miles": "mi", "percent": "%",
}

// spelled finds the unit meant by a spelling that is not accepted, 0 if it is
// not clear. Letters in another case are clear only if one unit has them.
func spelled(symbol string, dim Dimension) Unit {
	lower := strings.ToLower(symbol)
	if s, ok := spellings[lower]; ok {
		if dim == 0 {
			u, _ := lookupAny(s)
			return u
		}
		u, _ := LookupUnit(s, dim)
		return u
	}
	var found Unit
	for u := Unit(1); u < unitEnd; u++ {
		if dim != 0 && u.Dimension() != dim || strings.ToLower(u.Symbol()) != lower {
			continue
		}
		if found != 0 {
			return 0
		}
		found = u
	}
	return found
}

// scale turns n units into base units. An empty Kind means success.
func (n number) scale(unit Unit) (int64, Kind) {
	info := unit.info()
	// Every factor is at least 1000, so 20 digits of units exceed every Max.
	if n.huge {
		if n.negative {
			return 0, Negative
		}
		return 0, TooLarge
	}
	if n.fine {
		return 0, TooPrecise
	}
	hi, whole := bits.Mul64(n.whole, info.factor)
	if hi != 0 || whole > 1<<62 {
		if n.negative {
			return 0, Negative
		}
		return 0, TooLarge
	}
	// frac < 10^places, so the quotient is below the factor and fits.
	hi, lo := bits.Mul64(n.frac, info.factor)
	part, remainder := bits.Div64(hi, lo, pow10[n.places])
	if remainder != 0 {
		return 0, TooPrecise
	}
	return bounded(n.negative, whole+part, info)
}

// bounded applies the sign and the zero of the unit to a magnitude below 1<<63
// and checks the range of the dimension.
func bounded(negative bool, magnitude uint64, info *unitInfo) (int64, Kind) {
	base := int64(magnitude)
	if negative {
		base = -base
	}
	if base > info.dim.Max()-info.offset {
		return 0, TooLarge
	}
	if base += info.offset; base < 0 {
		return 0, Negative
	}
	return base, ""
}

// rangeFault words a failed scaling to unit.
func rangeFault(kind Kind, unit Unit) string {
	dim := unit.Dimension()
	switch kind {
	case Negative:
		if dim == Temperature {
			return "is below absolute zero, -273.15 degC"
		}
		return "is negative: write " + dim.info().phrase + " of zero or more"
	case TooLarge:
		top := Quantity{base: dim.Max(), unit: dim.BaseUnit()}
		return "is too large: the most accepted is " + top.Text()
	case TooPrecise:
		if heldPlaces(unit) == 0 {
			return "has too many decimals to be held exactly: in " + unit.Symbol() + " write a whole number"
		}
		return fmt.Sprintf("has too many decimals to be held exactly: in %s write at most %d", unit.Symbol(), heldPlaces(unit))
	}
	return "cannot be held"
}

// Ratio is an exact fraction, in lowest terms with Den above zero as
// ParseRatio makes it. It carries no unit.
type Ratio struct {
	Num, Den int64
}

// Limits of ParseRatio, within which both parts of the fraction fit.
const (
	ratioDigits = 15
	ratioPlaces = 18
)

// ParseRatio reads a plain decimal such as "1.5", "0.4" or "750" as an exact
// fraction in lowest terms. A leading minus is read; spaces, signs, exponents
// and separators otherwise are not. It refuses more than 15 digits, not
// counting leading zeros or zeros that end the decimals, and more than 18
// decimals (TooPrecise with decimals, TooLarge without). A non-nil error is
// always a *ParseError.
func ParseRatio(decimal string) (Ratio, error) {
	if decimal == "" {
		return Ratio{}, &ParseError{Kind: Empty, Message: `nothing is written here: write a number, for example "1.5"`}
	}
	if len(decimal) > maxText {
		return Ratio{}, fail(NotANumber, 0, decimal, fmt.Sprintf("and what follows is too long: write at most %d digits", ratioDigits))
	}
	n, rest, fault := scan(decimal)
	if fault == "" && rest != "" {
		fault = "is not a plain number, for example 1.5"
	}
	if fault != "" {
		return Ratio{}, fail(NotANumber, 0, decimal, fault)
	}
	tooMany := fmt.Sprintf("has more than %d digits", ratioDigits)
	if n.huge || n.whole >= pow10[ratioDigits] {
		return Ratio{}, fail(TooLarge, 0, decimal, tooMany)
	}
	if n.fine || n.places > ratioPlaces {
		return Ratio{}, fail(TooPrecise, 0, decimal, fmt.Sprintf("has more than %d decimals", ratioPlaces))
	}
	// whole*10^places can exceed 64 bits only when there are too many digits.
	hi, num := bits.Mul64(n.whole, pow10[n.places])
	num, carry := bits.Add64(num, n.frac, 0)
	if hi != 0 || carry != 0 || num >= pow10[ratioDigits] {
		return Ratio{}, fail(TooPrecise, 0, decimal, tooMany)
	}
	den := pow10[n.places]
	g := gcd(num, den)
	r := Ratio{Num: int64(num / g), Den: int64(den / g)}
	if n.negative {
		r.Num = -r.Num
	}
	return r, nil
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// String returns the fraction as "3/2", or "750" for a whole number.
func (r Ratio) String() string {
	if r.Den == 1 {
		return strconv.FormatInt(r.Num, 10)
	}
	return strconv.FormatInt(r.Num, 10) + "/" + strconv.FormatInt(r.Den, 10)
}

// FromNumber returns exactly r units of u, shown in u. The error is a
// *ParseError: NotANumber when r.Den is not above zero, UnknownUnit when u is
// no unit, TooPrecise when the amount cannot be held exactly, TooLarge above
// Max of the dimension, and Negative below zero (below absolute zero for
// temperatures).
func FromNumber(r Ratio, u Unit) (Quantity, error) {
	info := u.info()
	text := r.String() + " " + info.symbol
	if info.dim == 0 {
		return Quantity{}, fail(UnknownUnit, 0, text, "has no unit")
	}
	if r.Den <= 0 {
		return Quantity{}, fail(NotANumber, info.dim, text, "is not a number: the lower part of a fraction must be above zero")
	}
	negative, num := r.Num < 0, uint64(r.Num)
	if negative {
		num = -num
	}
	// Settled here so that a tiny negative amount is not taken for zero below.
	if negative && info.dim != Temperature {
		return Quantity{}, fail(Negative, info.dim, text, rangeFault(Negative, u))
	}
	kind, base := TooLarge, int64(0)
	if negative {
		kind = Negative
	}
	hi, lo := bits.Mul64(num, info.factor)
	if den := uint64(r.Den); hi < den {
		magnitude, remainder := bits.Div64(hi, lo, den)
		switch {
		case magnitude > 1<<62:
		case remainder != 0:
			kind = TooPrecise
		default:
			base, kind = bounded(negative, magnitude, info)
		}
	}
	if kind != "" {
		return Quantity{}, fail(kind, info.dim, text, rangeFault(kind, u))
	}
	return Quantity{base: base, unit: u}, nil
}
