package quantity

import (
	"encoding/json"
	"errors"
	"math"
	"math/big"
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// official gives the value of one unit in the SI unit of its dimension
// (percent and degree as themselves, speed in m/s), from outside sources. The
// tests compare amounts against it with math/big, never against unitTable.
//
//   - lb, in, ft, mi: international yard and pound agreement 1959 (1 lb =
//     0.45359237 kg, 1 yd = 0.9144 m), as in NIST SP 811 appendix B
//   - lbf: NIST SP 811 appendix B.9, 4.448 221 615 260 5 N
//   - g: third CGPM (1901), 9.806 65 m/s2
//   - t, min, h: SI Brochure, table 8
//   - degF: NIST SP 811 appendix B.9, K = (degF + 459.67) / 1.8
var official = []struct {
	dim    Dimension
	symbol string
	factor string // big.Rat syntax
	zero   string // SI value of 0 units
}{
	{Mass, "kg", "1", "0"},
	{Mass, "g", "0.001", "0"},
	{Mass, "t", "1000", "0"},
	{Mass, "lb", "0.45359237", "0"},
	{Length, "m", "1", "0"},
	{Length, "mm", "0.001", "0"},
	{Length, "cm", "0.01", "0"},
	{Length, "km", "1000", "0"},
	{Length, "in", "0.0254", "0"},
	{Length, "ft", "0.3048", "0"},
	{Length, "mi", "1609.344", "0"},
	{Force, "N", "1", "0"},
	{Force, "daN", "10", "0"},
	{Force, "kN", "1000", "0"},
	{Force, "lbf", "4.4482216152605", "0"},
	{Area, "mm2", "0.000001", "0"},
	{Area, "cm2", "0.0001", "0"},
	{Area, "m2", "1", "0"},
	{Area, "in2", "0.00064516", "0"},
	{Voltage, "V", "1", "0"},
	{Voltage, "mV", "0.001", "0"},
	{Voltage, "kV", "1000", "0"},
	{Current, "A", "1", "0"},
	{Current, "mA", "0.001", "0"},
	{Charge, "Ah", "3600", "0"},
	{Charge, "mAh", "3.6", "0"},
	{Charge, "C", "1", "0"},
	{Resistance, "ohm", "1", "0"},
	{Resistance, "mohm", "0.001", "0"},
	{Duration, "s", "1", "0"},
	{Duration, "ms", "0.001", "0"},
	{Duration, "min", "60", "0"},
	{Duration, "h", "3600", "0"},
	{Temperature, "degC", "1", "273.15"},
	{Temperature, "degF", "5/9", "45967/180"},
	{Temperature, "K", "1", "0"},
	{Angle, "deg", "1", "0"},
	{Grade, "%", "1", "0"},
	{Speed, "km/h", "5/18", "0"},
	{Speed, "mph", "0.44704", "0"},
	{Speed, "m/s", "1", "0"},
	{Speed, "ft/s", "0.3048", "0"},
	{Acceleration, "m/s2", "1", "0"},
	{Acceleration, "ft/s2", "0.3048", "0"},
	{Acceleration, "g", "9.80665", "0"},
	{Percentage, "%", "1", "0"},
}

// scales is how many base units the SI unit above is, as the package comment
// states them.
var scales = map[Dimension]string{
	Mass: "100000000000", Length: "1000000000", Force: "2000000000000", Area: "1000000000000000",
	Voltage: "1000000", Current: "1000000", Charge: "1000000", Resistance: "1000000000", Duration: "1000000",
	Temperature: "9000000", Angle: "1000000000", Grade: "10000000", Speed: "3600000000000",
	Acceleration: "1000000000000", Percentage: "10000000",
}

func rat(t interface{ Fatalf(string, ...any) }, s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("bad rational %q", s)
	}
	return r
}

func TestUnitsAgreeWithOfficialFactors(t *testing.T) {
	seen := map[Unit]bool{}
	for _, o := range official {
		u, ok := LookupUnit(o.symbol, o.dim)
		if !ok {
			t.Errorf("%s: no unit %q", o.dim, o.symbol)
			continue
		}
		seen[u] = true
		if u.Symbol() != o.symbol || u.Dimension() != o.dim || u.String() != o.symbol {
			t.Errorf("%q of %s is described as %q of %s", o.symbol, o.dim, u.Symbol(), u.Dimension())
		}
		scale := rat(t, scales[o.dim])
		zero := new(big.Rat).Mul(rat(t, o.zero), scale)
		one := new(big.Rat).Add(zero, new(big.Rat).Mul(rat(t, o.factor), scale))
		for text, want := range map[string]*big.Rat{"0 ": zero, "1 ": one} {
			got := MustParse(o.dim, text+o.symbol).Base()
			if want.Cmp(new(big.Rat).SetInt64(got)) != 0 {
				t.Errorf("%s%s (%s) = %d base units, want %s", text, o.symbol, o.dim, got, want.RatString())
			}
		}
	}
	if len(seen) != int(unitEnd)-1 {
		t.Errorf("%d units are checked, the table has %d", len(seen), int(unitEnd)-1)
	}
}

// The arithmetic relies on these bounds; see places, scale and unitInfo.
func TestTableBounds(t *testing.T) {
	if len(Dimensions()) != 15 {
		t.Errorf("%d dimensions, want 15", len(Dimensions()))
	}
	next := Unit(1)
	for _, d := range Dimensions() {
		units := d.Units()
		if d.BaseUnit() != units[0] {
			t.Errorf("%s: base unit %q is not first", d, d.BaseUnit())
		}
		if d.Max() <= 0 || d.Max() > math.MaxInt64/4 {
			t.Errorf("%s: maximum %d leaves no room for arithmetic", d, d.Max())
		}
		for _, u := range units {
			if u != next {
				t.Errorf("%s: unit %d is out of order", d, u)
			}
			next++
			info := u.info()
			if info.dim != d {
				t.Errorf("%q is listed in %s and tabled in %s", u, d, info.dim)
			}
			if info.factor < 1000 || info.factor >= 1<<60 {
				t.Errorf("%q: factor %d out of bounds", u, info.factor)
			}
			twos, fives := 0, 0
			for f := info.factor; f%2 == 0; f /= 2 {
				twos++
			}
			for f := info.factor; f%5 == 0; f /= 5 {
				fives++
			}
			if max(twos, fives) > maxPlaces {
				t.Errorf("%q: factor %d needs more than %d decimals", u, info.factor, maxPlaces)
			}
			if !strings.Contains(" "+strings.ReplaceAll(d.info().list, ",", "")+" ", " "+u.Symbol()+" ") {
				t.Errorf("%q is missing from the advice for %s", u, d)
			}
		}
		if _, err := Parse(d, d.info().example); err != nil {
			t.Errorf("%s: the example is refused: %v", d, err)
		}
	}
	if next != unitEnd {
		t.Errorf("dimensions list units up to %d, the table ends at %d", next, unitEnd)
	}
}

func TestBaseUnitsAndNames(t *testing.T) {
	want := []string{
		"mass kg", "length m", "force N", "area mm2", "voltage V", "current A", "charge Ah", "resistance ohm",
		"duration s", "temperature degC", "angle deg", "grade %", "speed km/h", "acceleration m/s2", "percentage %",
	}
	for i, d := range Dimensions() {
		if got := d.String() + " " + d.BaseUnit().Symbol(); got != want[i] {
			t.Errorf("dimension %d is %q, want %q", i, got, want[i])
		}
	}
}

func TestNamedMaximums(t *testing.T) {
	for _, c := range []struct {
		dim        Dimension
		most, over string
	}{
		{Mass, "100000 kg", "100000.0000000000001 t"},
		{Mass, "100 t", "100000.00000000001 kg"},
		{Length, "1000 km", "1000000.000000001 m"},
		{Force, "1000 kN", "1000000.0000000000005 N"},
		{Area, "1000 m2", "1000000000.000000001 mm2"},
		{Temperature, "2000 K", "1726.850001 degC"},
		{Angle, "360 deg", "360.000000001 deg"},
		{Speed, "1000 km/h", "1000.000000000001 km/h"},
		{Percentage, "1000 %", "1000.0000001 %"},
	} {
		q, err := Parse(c.dim, c.most)
		if err != nil || q.Base() != c.dim.Max() {
			t.Errorf("Parse(%q) = %d, %v; want the maximum %d", c.most, q.Base(), err, c.dim.Max())
		}
		refuse(t, c.dim, c.over, TooLarge)
	}
}

// Each pair is the same amount by the source named beside it.
func TestEqualAmounts(t *testing.T) {
	for _, c := range []struct {
		dim  Dimension
		a, b string
	}{
		{Mass, "1 lb", "0.45359237 kg"},          // yard and pound agreement 1959; NIST SP 811
		{Mass, "3000 lb", "1360.77711 kg"},       // 3000 x 0.45359237
		{Mass, "1.35 t", "1350 kg"},              // SI Brochure table 8
		{Mass, "750 kg", "750000 g"},             // SI
		{Length, "1 in", "25.4 mm"},              // agreement 1959
		{Length, "1 ft", "12 in"},                // agreement 1959: yard of 3 ft, 36 in
		{Length, "1 mi", "5280 ft"},              // NIST SP 811: statute mile
		{Length, "1 mi", "1.609344 km"},          // NIST SP 811
		{Speed, "1 mph", "1.609344 km/h"},        // NIST SP 811
		{Speed, "1 m/s", "3.6 km/h"},             // SI
		{Speed, "15 mph", "22 ft/s"},             // 15 x 5280 / 3600
		{Acceleration, "1 g", "9.80665 m/s2"},    // CGPM 1901
		{Acceleration, "1 ft/s2", "0.3048 m/s2"}, // agreement 1959
		{Force, "1 lbf", "4.4482216152605 N"},    // NIST SP 811 B.9
		{Force, "25 kN", "2500 daN"},             // SI
		{Area, "1 in2", "645.16 mm2"},            // 25.4 squared; NIST SP 811
		{Area, "1 m2", "10000 cm2"},              // SI
		{Charge, "1 Ah", "3600 C"},               // SI Brochure: hour of 3600 s
		{Charge, "1000 mAh", "1 Ah"},             // SI prefix
		{Duration, "15 min", "900 s"},            // SI Brochure table 8
		{Duration, "1 h", "60 min"},              // SI Brochure table 8
		{Temperature, "32 degF", "0 degC"},       // freezing point of water, both scales
		{Temperature, "212 degF", "100 degC"},    // boiling point of water, both scales
		{Temperature, "-40 degF", "-40 degC"},    // where the scales cross
		{Temperature, "0 K", "-273.15 degC"},     // SI Brochure 2.3.1
		{Temperature, "-459.67 degF", "0 K"},     // NIST SP 811
		{Temperature, "98.6 degF", "37 degC"},    // (98.6 - 32) / 1.8
		{Resistance, "4700 mohm", "4.7 ohm"},     // SI prefix
		{Voltage, "0.0125 kV", "12500 mV"},       // SI prefix
		{Temperature, "20 °C", "20degC"},         // spelling
		{Temperature, "50 °F", "10 degC"},        // (50 - 32) / 1.8
		{Mass, "  0750.000   kg  ", "750 kg"},    // zeros and spaces

	} {
		a, b := MustParse(c.dim, c.a), MustParse(c.dim, c.b)
		if a.Cmp(b) != 0 || a.Base() != b.Base() {
			t.Errorf("%q is not %q: %d and %d base units", c.a, c.b, a.Base(), b.Base())
		}
	}
}

func TestLawLimitIsNeitherMetNorMissedByRounding(t *testing.T) {
	// 3000 lb is 1360.77711 kg exactly (3000 x 0.45359237; agreement 1959).
	limit := MustParse(Mass, "3000 lb")
	for text, want := range map[string]int{
		"1360.7772 kg": -1, "1360.77711 kg": 0, "1360.77710999999 kg": 1, "1360.77711000001 kg": -1, "3000.001 lb": -1,
	} {
		if got := limit.Cmp(MustParse(Mass, text)); got != want {
			t.Errorf("3000 lb against %s: %d, want %d", text, got, want)
		}
	}
	if got := limit.In(unitKilogram).String(); got != "1360.77711 kg" {
		t.Errorf("3000 lb in kg is %q", got)
	}
}

func refuse(t *testing.T, dim Dimension, text string, kind Kind) {
	t.Helper()
	q, err := Parse(dim, text)
	var pe *ParseError
	if !errors.As(err, &pe) {
		t.Errorf("Parse(%s, %q) = %v, %v; want kind %s", dim, text, q, err, kind)
		return
	}
	if pe.Kind != kind {
		t.Errorf("Parse(%s, %q): kind %s (%s), want %s", dim, text, pe.Kind, pe.Message, kind)
	}
	if pe.Dimension != dim || pe.Message == "" || pe.Error() != pe.Message || strings.Contains(pe.Message, "\n") || !q.IsZero() {
		t.Errorf("Parse(%s, %q): bad error %#v", dim, text, pe)
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		dim  Dimension
		text string
		kind Kind
	}{
		{Mass, "", Empty},
		{Mass, "   ", Empty},

		{Mass, "25 kN", WrongDimension},
		{Force, "2000 kg", WrongDimension},
		{Temperature, "20 C", WrongDimension},
		{Acceleration, "9 kg", WrongDimension},
		{Angle, "12 %", WrongDimension},
		{0, "5 kg", WrongDimension},
		{Percentage + 1, "5 kg", WrongDimension},
		{255, "5 kg", WrongDimension},

		{Mass, "2000", UnknownUnit},
		{Mass, "2000 ", UnknownUnit},
		{Mass, "2 ton", UnknownUnit},
		{Mass, "2000 lbs", UnknownUnit},
		{Mass, "2000 KG", UnknownUnit},
		{Mass, "2000 kg kg", UnknownUnit},
		{Mass, "2000 kg.", UnknownUnit},
		{Mass, "2000\tkg", UnknownUnit},
		{Mass, "2000\u00a0kg", UnknownUnit},
		{Mass, "5 \xff\xfe", UnknownUnit},
		{Mass, "5 e kg", UnknownUnit},
		{Resistance, "5 Ω", UnknownUnit},
		{Area, "6 mm²", UnknownUnit},

		{Mass, "-5 kg", Negative},
		{Mass, "-0 kg", Negative},
		{Grade, "-5 %", Negative},
		{Mass, "-100000000000000000000000 kg", Negative},
		{Temperature, "-273.150001 degC", Negative},
		{Temperature, "-9999999999999999999 degC", Negative},
		{Temperature, "-99999999999999999999 degC", Negative},
		{Temperature, "-1 K", Negative},

		{Mass, "kg", NotANumber},
		{Mass, "NaN kg", NotANumber},
		{Mass, "Inf kg", NotANumber},
		{Mass, "-Inf kg", NotANumber},
		{Mass, "-", NotANumber},
		{Mass, "- 5 kg", NotANumber},
		{Mass, "--5 kg", NotANumber},
		{Mass, "+5 kg", NotANumber},
		{Mass, ".5 kg", NotANumber},
		{Mass, "5. kg", NotANumber},
		{Mass, ".", NotANumber},
		{Mass, "1e3 kg", NotANumber},
		{Mass, "1E+3 kg", NotANumber},
		{Mass, "1.5e-3 kg", NotANumber},
		{Mass, "1,5 t", NotANumber},
		{Mass, "1,000 kg", NotANumber},
		{Mass, "1.000.000 kg", NotANumber},
		{Mass, "1 000 kg", NotANumber},
		{Mass, "1'000 kg", NotANumber},
		{Mass, "1_000 kg", NotANumber},
		{Mass, "0x10 kg", UnknownUnit},
		{Mass, "kg 5", NotANumber},
		{Mass, "\u22125 kg", NotANumber},
		{Mass, "\u0665 kg", NotANumber}, // a digit, but not an ASCII one
		{Mass, "5" + strings.Repeat(" ", 62) + "kg", NotANumber},

		{Mass, "0.0000000000001 kg", TooPrecise},
		{Mass, "0.00001 lb", TooPrecise},
		{Mass, "0.00000000000000000000000000000001 kg", TooPrecise},
		{Force, "0.5 lbf", TooPrecise},
		{Temperature, "-1.0000001 degF", TooPrecise},
		{Percentage, "0.00000001 %", TooPrecise},

		{Mass, "100001 kg", TooLarge},
		{Mass, "18446744073709551616 kg", TooLarge},
		{Mass, "9999999999999999999 t", TooLarge},
		{Mass, strings.Repeat("9", 60) + " kg", TooLarge},
		{Temperature, "2001 K", TooLarge},
		{Force, "224809 lbf", TooLarge}, // 1 MN / 4.4482216152605 N = 224808.94...
	} {
		refuse(t, c.dim, c.text, c.kind)
	}
}

func TestTextLimit(t *testing.T) {
	if _, err := Parse(Mass, "5"+strings.Repeat(" ", 61)+"kg"); err != nil {
		t.Errorf("64 bytes are refused: %v", err)
	}
	_, err := Parse(Mass, strings.Repeat("é", 5000))
	var pe *ParseError
	if !errors.As(err, &pe) || len(pe.Text) > 64 || len(pe.Message) > 400 || !utf8.ValidString(pe.Text) {
		t.Errorf("a long text gives %#v", err)
	}
}

func TestMessages(t *testing.T) {
	for _, c := range []struct {
		dim        Dimension
		text, want string
	}{
		{Mass, "25 kN", `"25 kN" is a force, but a mass is needed here: write it in kg, g, t or lb, for example "750 kg"`},
		{Mass, "2000", `"2000" has no unit: write the unit, for example "750 kg"`},
		{Mass, "1,5 t", `"1,5 t" has a comma: use a point for decimals and nothing between thousands, for example 1234.5`},
		{Mass, "-5 kg", `"-5 kg" is negative: write a mass of zero or more`},
		{Mass, "3000 lbs", `"3000 lbs" has the unit "lbs", which is not known: did you mean lb?`},
		{Voltage, "12 v", `"12 v" has the unit "v", which is not known: did you mean V?`},
		{Mass, "200 t", `"200 t" is too large: the most accepted is 100000 kg`},
		{Mass, "0.00001 lb", `"0.00001 lb" has too many decimals to be held exactly: in lb write at most 3`},
		{Force, "0.5 lbf", `"0.5 lbf" has too many decimals to be held exactly: in lbf write a whole number`},
		{Temperature, "-300 degC", `"-300 degC" is below absolute zero, -273.15 degC`},
		{Area, "", `nothing is written here: write an area, for example "6 mm2"`},
		{Mass, "2 tons", `"2 tons" has the unit "tons", which is not known: a ton means different masses in different places, so write t for the tonne of 1000 kg, or give the mass in lb`},
	} {
		if _, err := Parse(c.dim, c.text); err == nil || err.Error() != c.want {
			t.Errorf("Parse(%s, %q):\n got %v\nwant %s", c.dim, c.text, err, c.want)
		}
	}
	for spelling, symbol := range spellings {
		if spelling != strings.ToLower(spelling) {
			t.Errorf("the spelling %q can never match", spelling)
		}
		if _, ok := lookupAny(symbol); !ok {
			t.Errorf("the spelling %q advises the unknown %q", spelling, symbol)
		}
	}
}

func TestParseAny(t *testing.T) {
	for text, want := range map[string]Dimension{
		"2000 kg": Mass, "5 g": Mass, "12 %": Percentage, "5 C": Charge, "25 kN": Force, "-5 °C": Temperature, "3 m": Length, "3 min": Duration,
	} {
		if q, err := ParseAny(text); err != nil || q.Dimension() != want {
			t.Errorf("ParseAny(%q) = %v, %v; want %s", text, q, err, want)
		}
	}
	for text, want := range map[string]Kind{
		"": Empty, "5": UnknownUnit, "5 tons": UnknownUnit, "5 xyz": UnknownUnit, "5 KG": UnknownUnit, "5 Mm": UnknownUnit, "5 MS": UnknownUnit, "5 Kmh": UnknownUnit, "5 lbs": UnknownUnit,
		"-5 kg": Negative, "x": NotANumber, "1000 t": TooLarge, "1 0 %": NotANumber,
	} {
		_, err := ParseAny(text)
		var pe *ParseError
		if !errors.As(err, &pe) || pe.Kind != want {
			t.Errorf("ParseAny(%q): %v, want kind %s", text, err, want)
		}
	}
}

func TestStringAndText(t *testing.T) {
	in := func(dim Dimension, text, unit string) Quantity {
		u, ok := LookupUnit(unit, dim)
		if !ok {
			t.Fatalf("no unit %q", unit)
		}
		return MustParse(dim, text).In(u)
	}
	for _, c := range []struct {
		q            Quantity
		exact        bool
		str, display string
	}{
		{MustParse(Mass, "750.000 kg"), true, "750 kg", "750 kg"},
		{MustParse(Mass, "0.0 kg"), true, "0 kg", "0 kg"},
		{MustParse(Mass, "1000.05 kg"), true, "1000.05 kg", "1000.05 kg"},
		{MustParse(Temperature, "-0.5 °C"), true, "-0.5 degC", "-0.5 degC"},
		{MustParse(Temperature, "-0 degC"), true, "0 degC", "0 degC"},
		{in(Mass, "3000 lb", "t"), true, "1.36077711 t", "about 1.36078 t"},
		// 1 / 0.45359237 = 2.20462262184877...
		{in(Mass, "1 kg", "lb"), false, "2.205 lb", "about 2.20462 lb"},
		{in(Mass, "1000 kg", "lb"), false, "2204.623 lb", "about 2204.62 lb"},
		// 100000 / 0.028349523125 = 3527396.19...
		// 0.000001 / 0.45359237 = 0.00000220462...
		{in(Mass, "0.001 g", "lb"), false, "0 lb", "about 0.00000220462 lb"},
		// 25000 / 4.4482216152605 = 5620.2236...
		{in(Force, "25 kN", "lbf"), false, "5620 lbf", "about 5620.22 lbf"},
		// 1 C = 1/3600 Ah = 0.000277777...
		{in(Charge, "1 C", "Ah"), false, "0.00027778 Ah", "about 0.000277778 Ah"},
		// 100/3.6 = 27.7777...
		{in(Speed, "100 km/h", "m/s"), false, "27.77777777778 m/s", "about 27.7778 m/s"},
		// -17.7777... degC
		{in(Temperature, "0 degF", "degC"), false, "-17.777778 degC", "about -17.7778 degC"},
		// 59999.99996 s = 999.999999333... min: the rounding carries
		{in(Duration, "59999.99996 s", "min"), false, "999.9999993 min", "about 1000 min"},
		// 3599999.99 s = 999.9999972... h
		{in(Duration, "3599999.99 s", "h"), false, "999.99999722 h", "about 1000 h"},
		{in(Duration, "59999.999999 s", "min"), false, "1000 min", "about 1000 min"},
		// Exact, but with more than 6 decimals; ties go to the even digit.
		{MustParse(Mass, "1.0000025 kg"), true, "1.0000025 kg", "about 1 kg"},
		{MustParse(Mass, "0.10000005 kg"), true, "0.10000005 kg", "about 0.1 kg"},
		{MustParse(Mass, "0.1000005 kg"), true, "0.1000005 kg", "about 0.1 kg"},
		{MustParse(Mass, "0.1000015 kg"), true, "0.1000015 kg", "about 0.100002 kg"},
		{MustParse(Mass, "0.10000050001 kg"), true, "0.10000050001 kg", "about 0.100001 kg"},
		{MustParse(Mass, "12345.5000001 kg"), true, "12345.5000001 kg", "about 12345.5 kg"},
		{New(-7*100_000_000_000, unitKilogram), true, "-7 kg", "-7 kg"},
		{New(-1, unitPound), false, "0 lb", "about -0.0000000000220462 lb"},
	} {
		if got := c.q.Exact(); got != c.exact {
			t.Errorf("%s: Exact() = %t", c.str, got)
		}
		if got := c.q.String(); got != c.str {
			t.Errorf("String() = %q, want %q", got, c.str)
		}
		if got := c.q.Text(); got != c.display {
			t.Errorf("Text() of %s = %q, want %q", c.str, got, c.display)
		}
	}
}

func TestZeroValueAndBadUnits(t *testing.T) {
	var none Quantity
	if !none.IsZero() || none.String() != "" || none.Text() != "" || none.Dimension() != 0 || !none.Exact() || none.Cmp(Quantity{}) != 0 {
		t.Errorf("the zero Quantity is not empty: %#v", none)
	}
	if MustParse(Mass, "0 kg").IsZero() {
		t.Error("0 kg counts as no quantity")
	}
	if q := New(5, 0); !q.IsZero() || q.Base() != 0 {
		t.Errorf("New with no unit = %#v", q)
	}
	for _, u := range []Unit{0, unitEnd, 255} {
		if !New(5, u).IsZero() || u.Symbol() != "" || u.Dimension() != 0 {
			t.Errorf("unit %d exists", u)
		}
	}
	for _, d := range []Dimension{0, Percentage + 1, 255} {
		if d.String() != "quantity" || d.Max() != 0 || len(d.Units()) != 0 || d.BaseUnit() != 0 {
			t.Errorf("dimension %d exists", d)
		}
		if _, ok := LookupUnit("", d); ok {
			t.Errorf("dimension %d has a unit", d)
		}
	}
	for u := Unit(1); u < unitEnd; u++ {
		for _, base := range []int64{math.MinInt64, -1, 0, 1, math.MaxInt64} {
			q := New(base, u)
			if _, s := q.Text(), q.String(); !strings.HasSuffix(s, " "+u.Symbol()) {
				t.Errorf("New(%d, %q) prints as %q", base, u, s)
			}
		}
	}
}

func TestJSON(t *testing.T) {
	type record struct {
		Gross Quantity            `json:"gross"`
		Nose  Quantity            `json:"nose"`
		Ball  Quantity            `json:"ball,omitzero"`
		By    map[string]Quantity `json:"by"`
	}
	got, err := json.Marshal(record{Gross: MustParse(Mass, "1.350 t"), By: map[string]Quantity{"a": MustParse(Grade, "12 %")}})
	if want := `{"gross":"1.35 t","nose":null,"by":{"a":"12 %"}}`; err != nil || string(got) != want {
		t.Errorf("got %s, %v; want %s", got, err, want)
	}
	q := MustParse(Speed, "80 km/h")
	text, err1 := q.MarshalText()
	more, err2 := q.AppendText([]byte("at "))
	if string(text) != "80 km/h" || string(more) != "at 80 km/h" || err1 != nil || err2 != nil {
		t.Errorf("MarshalText %q, AppendText %q", text, more)
	}
	// Every symbol is written into JSON without escaping.
	for u := Unit(1); u < unitEnd; u++ {
		raw, _ := New(u.info().offset, u).MarshalJSON()
		var s string
		if err := json.Unmarshal(raw, &s); err != nil || s != "0 "+u.Symbol() {
			t.Errorf("%s is not the JSON of 0 %s", raw, u)
		}
	}
}

func TestAddSub(t *testing.T) {
	m := func(s string) Quantity { return MustParse(Mass, s) }
	for _, c := range []struct{ a, b, sum, diff string }{
		{"750 kg", "250 kg", "1000 kg", "500 kg"},
		{"3 lb", "1 lb", "4 lb", "2 lb"},
		{"1 t", "1 lb", "1000.45359237 kg", "999.54640763 kg"}, // 1 lb = 0.45359237 kg
		{"1 kg", "3 kg", "4 kg", "-2 kg"},
	} {
		sum, err1 := Add(m(c.a), m(c.b))
		diff, err2 := Sub(m(c.a), m(c.b))
		if err1 != nil || err2 != nil || sum.String() != c.sum || diff.String() != c.diff {
			t.Errorf("%s and %s: sum %s (%v), difference %s (%v)", c.a, c.b, sum, err1, diff, err2)
		}
	}
	top, bottom := New(math.MaxInt64, unitKilogram), New(math.MinInt64, unitKilogram)
	one, warm := New(1, unitKilogram), MustParse(Temperature, "20 degC")
	for _, c := range []struct {
		name string
		op   func(a, b Quantity) (Quantity, error)
		a, b Quantity
		want error
	}{
		{"max+1", Add, top, one, ErrOverflow},
		{"min+min", Add, bottom, bottom, ErrOverflow},
		{"min-1", Sub, bottom, one, ErrOverflow},
		{"max-min", Sub, top, bottom, ErrOverflow},
		{"1-min", Sub, one, bottom, ErrOverflow},
		{"max+min", Add, top, bottom, nil},
		{"max+0", Add, top, New(0, unitKilogram), nil},
		{"min-0", Sub, bottom, New(0, unitKilogram), nil},
		{"min-min", Sub, bottom, bottom, nil},
		{"kg+degC", Add, one, warm, ErrDimension},
		{"grade-percentage", Sub, MustParse(Grade, "5 %"), MustParse(Percentage, "5 %"), ErrDimension},
		{"none+none", Add, Quantity{}, Quantity{}, ErrDimension},
		{"kg+none", Add, one, Quantity{}, ErrDimension},
		{"degC+degC", Add, warm, warm, ErrTemperature},
		{"degC-degC", Sub, warm, warm, ErrTemperature},
	} {
		if _, err := c.op(c.a, c.b); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}

func TestMisuseOfDimensionsPanics(t *testing.T) {
	kg, n := MustParse(Mass, "1 kg"), MustParse(Force, "1 N")
	for name, f := range map[string]func(){
		"Cmp":               func() { kg.Cmp(n) },
		"Cmp none":          func() { kg.Cmp(Quantity{}) },
		"Cmp shared symbol": func() { MustParse(Grade, "1 %").Cmp(MustParse(Percentage, "1 %")) },
		"In":                func() { kg.In(unitNewton) },
		"MustParse":         func() { MustParse(Mass, "1 N") },
		"MustParse none":    func() { MustParse(0, "1 N") },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s does not panic", name)
				}
			}()
			f()
		}()
	}
}

func TestParseRatio(t *testing.T) {
	for text, want := range map[string]Ratio{
		"1.5": {3, 2}, "0.4": {2, 5}, "750": {750, 1}, "0": {0, 1}, "0.000": {0, 1}, "-40": {-40, 1}, "007.50": {15, 2},
		"999999999999999": {999999999999999, 1}, "0.000000000000000001": {1, 1e18}, "-0": {0, 1},
		"1.0000000000000000000000": {1, 1}, "0.45359237": {45359237, 100000000},
	} {
		if got, err := ParseRatio(text); err != nil || got != want {
			t.Errorf("ParseRatio(%q) = %v, %v; want %v", text, got, err, want)
		}
	}
	for text, want := range map[string]Kind{
		"": Empty, " 1": NotANumber, "1 ": NotANumber, "1 kg": NotANumber, "1e3": NotANumber, "+1": NotANumber, ".5": NotANumber, "5.": NotANumber,
		"1,5": NotANumber, "NaN": NotANumber, "-": NotANumber, strings.Repeat("1", 65): NotANumber,
		"1000000000000000": TooLarge, "99999999999999999999": TooLarge, "1.000000000000001": TooPrecise, "12345678.12345678": TooPrecise,
		"0.0000000000000000001": TooPrecise, "0.00000000000000000000001": TooPrecise, "999999999999999.999999999999999999": TooPrecise,
	} {
		_, err := ParseRatio(text)
		var pe *ParseError
		if !errors.As(err, &pe) || pe.Kind != want {
			t.Errorf("ParseRatio(%q): %v, want kind %s", text, err, want)
		}
	}
	if a, b := (Ratio{3, 2}).String(), (Ratio{750, 1}).String(); a != "3/2" || b != "750" {
		t.Errorf("ratios print as %s and %s", a, b)
	}
}

func TestFromNumber(t *testing.T) {
	for _, c := range []struct {
		r    Ratio
		unit Unit
		want string
	}{
		{Ratio{3, 2}, unitTonne, "1.5 t"},
		{Ratio{3000, 1}, unitPound, "3000 lb"},
		{Ratio{1, 5}, unitMinute, "0.2 min"},
		{Ratio{-40, 1}, unitFahrenheit, "-40 degF"},
		{Ratio{0, 1}, unitPercent, "0 %"},
		{Ratio{-459, 1}, unitFahrenheit, "-459 degF"},
	} {
		q, err := FromNumber(c.r, c.unit)
		if err != nil || q != MustParse(c.unit.Dimension(), c.want) {
			t.Errorf("FromNumber(%v, %q) = %v, %v; want %s", c.r, c.unit, q, err, c.want)
		}
	}
	// 1/3 min is 20 s: exact in base units although no decimal in min.
	if q, err := FromNumber(Ratio{1, 3}, unitMinute); err != nil || q.Cmp(MustParse(Duration, "20 s")) != 0 || q.Exact() {
		t.Errorf("1/3 min = %v, %v", q, err)
	}
	for _, c := range []struct {
		r    Ratio
		unit Unit
		want Kind
	}{
		{Ratio{1, 3}, unitKilogram, TooPrecise},
		{Ratio{1, 2}, unitPoundForce, TooPrecise},
		{Ratio{100_001, 1}, unitKilogram, TooLarge},
		{Ratio{math.MaxInt64, 1}, unitKilogram, TooLarge},
		{Ratio{math.MaxInt64, 3}, unitTonne, TooLarge},
		{Ratio{-1, 1}, unitKilogram, Negative},
		{Ratio{-1, math.MaxInt64}, unitKilogram, Negative},
		{Ratio{math.MinInt64, 1}, unitCelsius, Negative},
		{Ratio{-274, 1}, unitCelsius, Negative},
		{Ratio{-1, math.MaxInt64}, unitCelsius, TooPrecise},
		{Ratio{1, 0}, unitKilogram, NotANumber},
		{Ratio{1, -1}, unitKilogram, NotANumber},
		{Ratio{1, 1}, 0, UnknownUnit},
		{Ratio{1, 1}, unitEnd, UnknownUnit},
	} {
		q, err := FromNumber(c.r, c.unit)
		var pe *ParseError
		if !errors.As(err, &pe) || pe.Kind != c.want || !q.IsZero() {
			t.Errorf("FromNumber(%v, %q) = %v, %v; want kind %s", c.r, c.unit, q, err, c.want)
		}
	}
}

// anyText draws a dimension, one of its units and a decimal that Parse may or
// may not accept.
func anyText(t *rapid.T) (Dimension, string) {
	dim := rapid.SampledFrom(Dimensions()).Draw(t, "dim")
	unit := rapid.SampledFrom(dim.Units()).Draw(t, "unit")
	return dim, decimalText(t, dim) + rapid.SampledFrom([]string{"", " ", "   "}).Draw(t, "gap") + unit.Symbol()
}

func decimalText(t *rapid.T, dim Dimension) string {
	text := rapid.StringMatching(`[0-9]{1,6}(\.[0-9]{1,5})?(0{0,6}[0-9]{0,6})?`).Draw(t, "number")
	if dim == Temperature && rapid.Bool().Draw(t, "minus") {
		text = "-" + text
	}
	return text
}

// siOf computes the SI value of "number symbol" from official, with math/big.
func siOf(t *rapid.T, dim Dimension, number, symbol string) *big.Rat {
	for _, o := range official {
		if o.dim == dim && o.symbol == symbol {
			v := new(big.Rat).Mul(rat(t, number), rat(t, o.factor))
			return v.Add(v, rat(t, o.zero))
		}
	}
	t.Fatalf("no official unit %q", symbol)
	return nil
}

func TestPropertyStringReadsBack(t *testing.T) {
	accepted := 0
	rapid.Check(t, func(t *rapid.T) {
		dim, text := anyText(t)
		q, err := Parse(dim, text)
		if err != nil {
			return
		}
		accepted++
		if !q.Exact() {
			t.Fatalf("%q is not exact", text)
		}
		back, err := Parse(dim, q.String())
		if err != nil || back != q {
			t.Fatalf("%q prints as %q, which reads as %v, %v", text, q, back, err)
		}
	})
	if accepted == 0 {
		t.Error("no drawn text was accepted")
	}
}

// Every base amount an exact quantity can have reads back, not only those a
// person would write.
func TestPropertyExactBaseReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dim := rapid.SampledFrom(Dimensions()).Draw(t, "dim")
		unit := rapid.SampledFrom(dim.Units()).Draw(t, "unit")
		q := New(rapid.Int64Range(0, dim.Max()).Draw(t, "base"), unit)
		back, err := Parse(dim, q.String())
		if q.Exact() {
			if err != nil || back != q {
				t.Fatalf("%d %q prints as %q, which reads as %v, %v", q.Base(), unit, q, back, err)
			}
			return
		}
		// Rounded text must still be readable; rounding up may pass the
		// maximum, and rounding down absolute zero.
		var pe *ParseError
		if errors.As(err, &pe) && pe.Kind != TooLarge && pe.Kind != Negative {
			t.Fatalf("%d %q prints as %q, which is refused: %v", q.Base(), unit, q, err)
		}
	})
}

// Parse agrees with exact rational arithmetic on the official factors, in the
// order it gives two entries and in which entries it accepts.
func TestPropertyOrderIsIndependentOfUnit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dim := rapid.SampledFrom(Dimensions()).Draw(t, "dim")
		var qs [2]Quantity
		var si [2]*big.Rat
		for i := range qs {
			unit := rapid.SampledFrom(dim.Units()).Draw(t, "unit")
			number := decimalText(t, dim)
			si[i] = siOf(t, dim, number, unit.Symbol())
			q, err := Parse(dim, number+" "+unit.Symbol())
			base := new(big.Rat).Mul(si[i], rat(t, scales[dim]))
			holds := base.IsInt() && base.Sign() >= 0 && base.Cmp(new(big.Rat).SetInt64(dim.Max())) <= 0
			if holds != (err == nil) {
				t.Fatalf("%s %s: %v, but its base amount is %s", number, unit, err, base.RatString())
			}
			if err != nil {
				return
			}
			if base.Cmp(new(big.Rat).SetInt64(q.Base())) != 0 {
				t.Fatalf("%s %s = %d base units, want %s", number, unit, q.Base(), base.RatString())
			}
			qs[i] = q
		}
		if got, want := qs[0].Cmp(qs[1]), si[0].Cmp(si[1]); got != want {
			t.Fatalf("%v against %v: %d, want %d", qs[0], qs[1], got, want)
		}
		u := rapid.SampledFrom(dim.Units()).Draw(t, "shown")
		if shown := qs[0].In(u); shown.Cmp(qs[0]) != 0 || shown.Unit() != u || shown.In(qs[0].Unit()) != qs[0] {
			t.Fatalf("%v in %q is %v", qs[0], u, shown)
		}
	})
}

// String and Text are checked against the rounding of math/big.
func TestPropertyRounding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dim := rapid.SampledFrom(Dimensions()).Draw(t, "dim")
		o := rapid.SampledFrom(official).Filter(func(o struct {
			dim                  Dimension
			symbol, factor, zero string
		},
		) bool {
			return o.dim == dim
		}).Draw(t, "unit")
		u, _ := LookupUnit(o.symbol, dim)
		q := New(rapid.Int64().Draw(t, "base"), u)
		v := new(big.Rat).Quo(new(big.Rat).SetInt64(q.Base()), rat(t, scales[dim]))
		v.Sub(v, rat(t, o.zero)).Quo(v, rat(t, o.factor))

		number := func(s string) *big.Rat {
			return rat(t, strings.TrimPrefix(strings.TrimSuffix(s, " "+o.symbol), "about "))
		}
		got := number(q.String())
		if q.Exact() {
			if got.Cmp(v) != 0 {
				t.Fatalf("%d prints as %q, want %s", q.Base(), q, v.RatString())
			}
		} else if want := halfEven(v, -heldPlaces(u)); got.Cmp(want) != 0 {
			t.Fatalf("%d prints as %q, want %s", q.Base(), q, want.FloatString(20))
		}
		text := q.Text()
		if !strings.HasPrefix(text, "about ") {
			if number(text).Cmp(v) != 0 {
				t.Fatalf("%d shows as %q, want %s", q.Base(), text, v.RatString())
			}
			return
		}
		// The exponent of the sixth significant digit.
		exp, abs := 30, new(big.Rat).Abs(v)
		for abs.Cmp(power(exp+5)) < 0 {
			exp--
		}
		if want := halfEven(v, exp); number(text).Cmp(want) != 0 {
			t.Fatalf("%d shows as %q, want %s", q.Base(), text, want.FloatString(25))
		}
	})
}

func power(exp int) *big.Rat {
	p := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(exp, -exp))), nil))
	if exp < 0 {
		p.Inv(p)
	}
	return p
}

// halfEven rounds v to a multiple of 10^exp.
func halfEven(v *big.Rat, exp int) *big.Rat {
	s := new(big.Rat).Quo(v, power(exp))
	floor := new(big.Int).Div(s.Num(), s.Denom()) // Euclidean: floor, as Denom > 0
	rest := new(big.Rat).Sub(s, new(big.Rat).SetInt(floor))
	if c := rest.Cmp(big.NewRat(1, 2)); c > 0 || c == 0 && floor.Bit(0) == 1 {
		floor.Add(floor, big.NewInt(1))
	}
	return s.Mul(new(big.Rat).SetInt(floor), power(exp))
}

func TestPropertyRatio(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`-?[0-9]{1,9}(\.[0-9]{1,9})?`).Draw(t, "decimal")
		r, err := ParseRatio(text)
		if err != nil {
			return
		}
		if want := rat(t, text); want.Num().Cmp(big.NewInt(r.Num)) != 0 || want.Denom().Cmp(big.NewInt(r.Den)) != 0 {
			t.Fatalf("ParseRatio(%q) = %v, want %s", text, r, want)
		}
		dim := rapid.SampledFrom(Dimensions()).Draw(t, "dim")
		u := rapid.SampledFrom(dim.Units()).Draw(t, "unit")
		q, err := FromNumber(r, u)
		p, perr := Parse(dim, text+" "+u.Symbol())
		if (err == nil) != (perr == nil) && !strings.HasPrefix(text, "-0") || err == nil && perr == nil && q != p {
			t.Fatalf("%s %s: FromNumber gives %v, %v and Parse %v, %v", text, u, q, err, p, perr)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{
		"2000 kg", "3000 lb", "1.35 t", "25 kN", "6 mm2", "15 min", "12 %", "-40 degF", "20 °C", "0.0000000000001 kg", "", " ", "-", "1e3 kg",
		"1,5 t", "1 000 kg", ".5 kg", "5.", "99999999999999999999999 kg", "100000.0000000000000625 kg", "\xff", "5 \xc2", "−5 kg", "+5 kg", "NaN",
	} {
		f.Add(uint8(Mass), s)
		f.Add(uint8(Temperature), s)
	}
	f.Fuzz(func(t *testing.T, d uint8, text string) {
		dim := Dimension(d)
		check := func(dim Dimension, q Quantity, err error) {
			if err != nil {
				var pe *ParseError
				if !errors.As(err, &pe) || pe.Kind == "" || pe.Message == "" || !utf8.ValidString(pe.Text) || !utf8.ValidString(pe.Message) || !q.IsZero() {
					t.Fatalf("%q: bad error %#v", text, err)
				}
				return
			}
			if q.Base() < 0 || q.Base() > q.Dimension().Max() || !q.Exact() {
				t.Fatalf("%q: out of range: %#v", text, q)
			}
			if back, err := Parse(q.Dimension(), q.String()); err != nil || back != q {
				t.Fatalf("%q prints as %q, which reads as %v, %v", text, q, back, err)
			}
			for _, u := range q.Dimension().Units() {
				if shown := q.In(u); shown.Text() == "" || shown.Cmp(q) != 0 {
					t.Fatalf("%q in %q", text, u)
				}
			}
		}
		q, err := Parse(dim, text)
		check(dim, q, err)
		if err == nil && q.Dimension() != dim {
			t.Fatalf("%q read as %s, want %s", text, q.Dimension(), dim)
		}
		q, err = ParseAny(text)
		check(0, q, err)
		if r, err := ParseRatio(text); err == nil {
			if want, ok := new(big.Rat).SetString(text); !ok || want.Cmp(big.NewRat(r.Num, r.Den)) != 0 {
				t.Fatalf("ParseRatio(%q) = %v", text, r)
			}
			for u := range unitEnd {
				q, err := FromNumber(r, u)
				if err == nil && (q.Base() < 0 || q.Base() > q.Dimension().Max()) {
					t.Fatalf("FromNumber(%v, %q) = %#v", r, u, q)
				}
			}
		}
	})
}

var (
	sinkQuantity Quantity
	sinkString   string
	sinkInt      int
)

func BenchmarkParse(b *testing.B) {
	for _, text := range []string{"2000 kg", "3000 lb", "1360.77710999999 kg"} {
		b.Run(text, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				sinkQuantity, _ = Parse(Mass, text)
			}
		})
	}
}

func BenchmarkParseAny(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sinkQuantity, _ = ParseAny("9.81 m/s2")
	}
}

func BenchmarkParseRefused(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sinkQuantity, _ = Parse(Mass, "25 kN")
	}
}

func BenchmarkCmp(b *testing.B) {
	x, y := MustParse(Mass, "3000 lb"), MustParse(Mass, "1360.7772 kg")
	b.ReportAllocs()
	for b.Loop() {
		sinkInt = x.Cmp(y)
	}
}

func BenchmarkString(b *testing.B) {
	for name, q := range map[string]Quantity{"exact": MustParse(Mass, "1360.77711 kg"), "rounded": MustParse(Mass, "1360 kg").In(unitPound)} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				sinkString = q.String()
			}
		})
	}
}

func BenchmarkText(b *testing.B) {
	q := MustParse(Mass, "1360 kg").In(unitPound)
	b.ReportAllocs()
	for b.Loop() {
		sinkString = q.Text()
	}
}

func BenchmarkAppendText(b *testing.B) {
	q, buf := MustParse(Mass, "1360.77711 kg"), make([]byte, 0, 64)
	b.ReportAllocs()
	for b.Loop() {
		buf, _ = q.AppendText(buf[:0])
	}
}

// TestParseIn: it accepts and refuses what Parse does of the whole text.
func TestParseIn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dim := rapid.SampledFrom(Dimensions()).Draw(t, "dimension")
		unit := rapid.SampledFrom(dim.Units()).Draw(t, "unit")
		number := rapid.OneOf(
			rapid.StringMatching(`-?[0-9]{0,21}[.,]?[0-9]{0,21}`),
			rapid.SampledFrom([]string{"", "0", "00.500", "-0", "1e3", "1 kg", " 1", "1 ", "+1", ".5", "5.", "1.2.3", "1000000000000000000", "999999999999999999.9"}),
		).Draw(t, "number")
		got, err := ParseIn(unit, number)
		want, wantErr := Parse(dim, number+" "+unit.Symbol())
		if got != want || !reflect.DeepEqual(err, wantErr) {
			t.Fatalf("%q %s: %v %v, want %v %v", number, unit, got, err, want, wantErr)
		}
	})
	if _, err := ParseIn(0, "5"); err == nil {
		t.Error("a number without a unit was read")
	}
}
