package quantity

// Dimension is the physical kind of a quantity. Only quantities of one
// dimension can be compared or added. The zero Dimension is no dimension.
type Dimension uint8

// The dimensions. The largest magnitude Parse accepts is given for each; its
// units are those of Units.
const (
	Mass         Dimension = iota + 1 // kg, g, t, lb; up to 100000 kg
	Length                            // m, mm, cm, km, in, ft, mi; up to 1000 km
	Force                             // N, daN, kN, lbf; up to 1000000 N
	Area                              // mm2, cm2, m2, in2; up to 1000 m2
	Voltage                           // V, mV, kV; up to 100 kV
	Current                           // A, mA; up to 100000 A
	Charge                            // Ah, mAh, C; up to 100000 Ah
	Resistance                        // ohm, mohm; up to 100000000 ohm
	Duration                          // s, ms, min, h; up to 100000 h
	Temperature                       // degC, degF, K; from 0 K to 2000 K
	Angle                             // deg; up to 360 deg
	Grade                             // %, rise over run, 100 % being 45 deg; up to 1000 %
	Speed                             // km/h, mph, m/s, ft/s; up to 1000 km/h
	Acceleration                      // m/s2, ft/s2, g; up to 1000 m/s2
	Percentage                        // %; up to 1000 %
)

// Unit is one accepted unit of one dimension. A symbol that two dimensions
// share ("g", "%") is two units. The zero Unit is no unit.
type Unit uint8

const (
	unitKilogram Unit = iota + 1
	unitGram
	unitTonne
	unitPound

	unitMetre
	unitMillimetre
	unitCentimetre
	unitKilometre
	unitInch
	unitFoot
	unitMile

	unitNewton
	unitDecanewton
	unitKilonewton
	unitPoundForce

	unitSquareMillimetre
	unitSquareCentimetre
	unitSquareMetre
	unitSquareInch

	unitVolt
	unitMillivolt
	unitKilovolt

	unitAmpere
	unitMilliampere

	unitAmpereHour
	unitMilliampereHour
	unitCoulomb

	unitOhm
	unitMilliohm

	unitSecond
	unitMillisecond
	unitMinute
	unitHour

	unitCelsius
	unitFahrenheit
	unitKelvin

	unitDegree

	unitGradePercent

	unitKilometrePerHour
	unitMilePerHour
	unitMetrePerSecond
	unitFootPerSecond

	unitMetrePerSecondSquared
	unitFootPerSecondSquared
	unitStandardGravity

	unitPercent

	unitEnd
)

type unitInfo struct {
	symbol string
	dim    Dimension
	// factor is how many base units one unit is. It stays below 1<<60 so that
	// ten remainders of a division by it fit in 64 bits.
	factor uint64
	// offset is the base value of zero units; only temperatures have one.
	offset int64
}

// unitTable has one row per Unit, at its index. Factors are relative to the
// scales listed in the package comment.
var unitTable = [unitEnd]unitInfo{
	unitKilogram: {symbol: "kg", dim: Mass, factor: 100_000_000_000},
	unitGram:     {symbol: "g", dim: Mass, factor: 100_000_000},
	// The metric tonne, 1000 kg (SI Brochure, table 8). The short and long
	// tons are left out: "ton" alone does not say which is meant.
	unitTonne: {symbol: "t", dim: Mass, factor: 100_000_000_000_000},
	// 0.45359237 kg exactly (international yard and pound agreement 1959;
	// NIST SP 811 appendix B).
	unitPound: {symbol: "lb", dim: Mass, factor: 45_359_237_000},

	unitMetre:      {symbol: "m", dim: Length, factor: 1_000_000_000},
	unitMillimetre: {symbol: "mm", dim: Length, factor: 1_000_000},
	unitCentimetre: {symbol: "cm", dim: Length, factor: 10_000_000},
	unitKilometre:  {symbol: "km", dim: Length, factor: 1_000_000_000_000},
	// 25.4 mm, 304.8 mm and 1609.344 m exactly (international yard and pound
	// agreement 1959: the yard is 0.9144 m).
	unitInch: {symbol: "in", dim: Length, factor: 25_400_000},
	unitFoot: {symbol: "ft", dim: Length, factor: 304_800_000},
	unitMile: {symbol: "mi", dim: Length, factor: 1_609_344_000_000},

	unitNewton:     {symbol: "N", dim: Force, factor: 2_000_000_000_000},
	unitDecanewton: {symbol: "daN", dim: Force, factor: 20_000_000_000_000},
	unitKilonewton: {symbol: "kN", dim: Force, factor: 2_000_000_000_000_000},
	// 4.4482216152605 N exactly: the pound at standard gravity (0.45359237 kg
	// x 9.80665 m/s2; NIST SP 811 appendix B).
	unitPoundForce: {symbol: "lbf", dim: Force, factor: 8_896_443_230_521},

	unitSquareMillimetre: {symbol: "mm2", dim: Area, factor: 1_000_000_000},
	unitSquareCentimetre: {symbol: "cm2", dim: Area, factor: 100_000_000_000},
	unitSquareMetre:      {symbol: "m2", dim: Area, factor: 1_000_000_000_000_000},
	// 645.16 mm2 exactly: 25.4 mm squared.
	unitSquareInch: {symbol: "in2", dim: Area, factor: 645_160_000_000},

	unitVolt:      {symbol: "V", dim: Voltage, factor: 1_000_000},
	unitMillivolt: {symbol: "mV", dim: Voltage, factor: 1_000},
	unitKilovolt:  {symbol: "kV", dim: Voltage, factor: 1_000_000_000},

	unitAmpere:      {symbol: "A", dim: Current, factor: 1_000_000},
	unitMilliampere: {symbol: "mA", dim: Current, factor: 1_000},

	// 3600 C exactly: one ampere for an hour of 3600 s (SI Brochure).
	unitAmpereHour:      {symbol: "Ah", dim: Charge, factor: 3_600_000_000},
	unitMilliampereHour: {symbol: "mAh", dim: Charge, factor: 3_600_000},
	unitCoulomb:         {symbol: "C", dim: Charge, factor: 1_000_000},

	unitOhm:      {symbol: "ohm", dim: Resistance, factor: 1_000_000_000},
	unitMilliohm: {symbol: "mohm", dim: Resistance, factor: 1_000_000},

	// 60 s and 3600 s (SI Brochure, table 8).
	unitSecond:      {symbol: "s", dim: Duration, factor: 1_000_000},
	unitMillisecond: {symbol: "ms", dim: Duration, factor: 1_000},
	unitMinute:      {symbol: "min", dim: Duration, factor: 60_000_000},
	unitHour:        {symbol: "h", dim: Duration, factor: 3_600_000_000},

	// 0 degC is 273.15 K (SI Brochure 2.3.1); a degree Fahrenheit is 5/9 K and
	// 0 degF is 459.67 of them above absolute zero (NIST SP 811 appendix B).
	unitCelsius:    {symbol: "degC", dim: Temperature, factor: 9_000_000, offset: 2_458_350_000},
	unitFahrenheit: {symbol: "degF", dim: Temperature, factor: 5_000_000, offset: 2_298_350_000},
	unitKelvin:     {symbol: "K", dim: Temperature, factor: 9_000_000},

	unitDegree: {symbol: "deg", dim: Angle, factor: 1_000_000_000},

	unitGradePercent: {symbol: "%", dim: Grade, factor: 10_000_000},

	// The mile per hour is 1.609344 km/h and the foot per second 1.09728 km/h
	// exactly, from the mile and foot above; 1 m/s is 3.6 km/h.
	unitKilometrePerHour: {symbol: "km/h", dim: Speed, factor: 1_000_000_000_000},
	unitMilePerHour:      {symbol: "mph", dim: Speed, factor: 1_609_344_000_000},
	unitMetrePerSecond:   {symbol: "m/s", dim: Speed, factor: 3_600_000_000_000},
	unitFootPerSecond:    {symbol: "ft/s", dim: Speed, factor: 1_097_280_000_000},

	// The foot is 0.3048 m; standard gravity is 9.80665 m/s2 exactly (third
	// CGPM, 1901).
	unitMetrePerSecondSquared: {symbol: "m/s2", dim: Acceleration, factor: 1_000_000_000_000},
	unitFootPerSecondSquared:  {symbol: "ft/s2", dim: Acceleration, factor: 304_800_000_000},
	unitStandardGravity:       {symbol: "g", dim: Acceleration, factor: 9_806_650_000_000},

	unitPercent: {symbol: "%", dim: Percentage, factor: 10_000_000},
}

type dimensionInfo struct {
	name    string
	phrase  string // the name with its article, for messages
	example string // a valid entry, for messages
	list    string // the accepted units, for messages
	max     int64
	first   Unit // the base unit; the others follow it in unitTable
	end     Unit // one past the last
}

var dimensionTable = [Percentage + 1]dimensionInfo{
	{name: "quantity", phrase: "a quantity", example: "750 kg", list: "a known unit"},
	Mass:         {"mass", "a mass", "750 kg", "kg, g, t or lb", 100_000 * 100_000_000_000, unitKilogram, unitMetre},
	Length:       {"length", "a length", "1.8 m", "m, mm, cm, km, in, ft or mi", 1_000_000 * 1_000_000_000, unitMetre, unitNewton},
	Force:        {"force", "a force", "25 kN", "N, daN, kN or lbf", 1_000_000 * 2_000_000_000_000, unitNewton, unitSquareMillimetre},
	Area:         {"area", "an area", "6 mm2", "mm2, cm2, m2 or in2", 1000 * 1_000_000_000_000_000, unitSquareMillimetre, unitVolt},
	Voltage:      {"voltage", "a voltage", "12 V", "V, mV or kV", 100_000 * 1_000_000, unitVolt, unitAmpere},
	Current:      {"current", "a current", "20 A", "A or mA", 100_000 * 1_000_000, unitAmpere, unitAmpereHour},
	Charge:       {"charge", "an electric charge", "75 Ah", "Ah, mAh or C", 100_000 * 3_600_000_000, unitAmpereHour, unitOhm},
	Resistance:   {"resistance", "a resistance", "4.7 ohm", "ohm or mohm", 100_000_000 * 1_000_000_000, unitOhm, unitSecond},
	Duration:     {"duration", "a duration", "15 min", "s, ms, min or h", 100_000 * 3_600_000_000, unitSecond, unitCelsius},
	Temperature:  {"temperature", "a temperature", "20 degC", "degC, degF or K", 2000 * 9_000_000, unitCelsius, unitDegree},
	Angle:        {"angle", "an angle", "10 deg", "deg", 360 * 1_000_000_000, unitDegree, unitGradePercent},
	Grade:        {"grade", "a grade", "12 %", "%", 1000 * 10_000_000, unitGradePercent, unitKilometrePerHour},
	Speed:        {"speed", "a speed", "80 km/h", "km/h, mph, m/s or ft/s", 1000 * 1_000_000_000_000, unitKilometrePerHour, unitMetrePerSecondSquared},
	Acceleration: {"acceleration", "an acceleration", "5 m/s2", "m/s2, ft/s2 or g", 1000 * 1_000_000_000_000, unitMetrePerSecondSquared, unitPercent},
	Percentage:   {"percentage", "a percentage", "12 %", "%", 1000 * 10_000_000, unitPercent, unitEnd},
}

// info answers the row of "no dimension" for a value that is no Dimension, so
// that no method can panic on one.
func (d Dimension) info() *dimensionInfo {
	if int(d) >= len(dimensionTable) {
		d = 0
	}
	return &dimensionTable[d]
}

func (u Unit) info() *unitInfo {
	if int(u) >= len(unitTable) {
		u = 0
	}
	return &unitTable[u]
}

// String returns the English name in lower case, such as "mass" or
// "percentage", and "quantity" for a value that is no dimension.
func (d Dimension) String() string { return d.info().name }

// Dimensions returns every dimension, in the order of their constants. The
// slice is the caller's.
func Dimensions() []Dimension {
	all := make([]Dimension, 0, Percentage)
	for d := Mass; d <= Percentage; d++ {
		all = append(all, d)
	}
	return all
}

// Max returns the largest base value Parse and FromNumber accept, in the base
// scale of the dimension (see the package comment). The smallest they accept
// is 0. It is far above anything a towing rig has, and low enough that at
// least four such amounts can be added; 0 for a value that is no dimension.
func (d Dimension) Max() int64 { return d.info().max }

// BaseUnit returns the unit that results of arithmetic are shown in: kg, m, N,
// mm2, V, A, Ah, ohm, s, degC, deg, %, km/h, m/s2 or %. It is the first of
// Units, and the zero Unit for a value that is no dimension.
func (d Dimension) BaseUnit() Unit { return d.info().first }

// Units returns the accepted units in a fixed order, the base unit first. The
// slice is the caller's.
func (d Dimension) Units() []Unit {
	info := d.info()
	all := make([]Unit, 0, info.end-info.first)
	for u := info.first; u < info.end; u++ {
		all = append(all, u)
	}
	return all
}

// Symbol returns the symbol the unit is printed with, such as "kg"; always
// ASCII. It is empty for the zero Unit.
func (u Unit) Symbol() string { return u.info().symbol }

// Dimension returns the dimension the unit measures, 0 for the zero Unit.
func (u Unit) Dimension() Dimension { return u.info().dim }

// String returns Symbol.
func (u Unit) String() string { return u.Symbol() }

// LookupUnit finds the unit of dim written symbol. Case matters. The false
// result means that dim has no such unit; another dimension may have one.
func LookupUnit(symbol string, dim Dimension) (Unit, bool) {
	switch symbol {
	case "°C":
		symbol = "degC"
	case "°F":
		symbol = "degF"
	}
	info := dim.info()
	for u := info.first; u < info.end; u++ {
		if unitTable[u].symbol == symbol {
			return u, true
		}
	}
	return 0, false
}

// lookupAny finds a unit in whichever dimension has it. "g" is the gram since
// Mass comes first; "%" is the percentage, the broader of its two readings.
func lookupAny(symbol string) (Unit, bool) {
	if symbol == "%" {
		return unitPercent, true
	}
	for _, d := range allDimensions {
		if u, ok := LookupUnit(symbol, d); ok {
			return u, true
		}
	}
	return 0, false
}

var allDimensions = Dimensions()
