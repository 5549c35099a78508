package circuit

import (
	"math"
	"strconv"
)

// Source says where a figure comes from and how that was verified.
type Source struct {
	Title      string `json:"title"`
	Clause     string `json:"clause,omitempty"`
	How        string `json:"how"`        // text, second-hand or memory
	Confidence string `json:"confidence"` // high, medium or low
}

// at is the same source at a clause of its own.
func (s Source) at(clause string) Source {
	s.Clause = clause
	return s
}

// as is the same source with the label of one fact, which may be weaker or
// stronger than that of the rest.
func (s Source) as(how, confidence string) Source {
	s.How, s.Confidence = how, confidence
	return s
}

// The labels of How and Confidence.
const (
	text       = "text"
	secondHand = "second-hand"
	memory     = "memory"

	high   = "high"
	medium = "medium"
	low    = "low"
)

// The sources of the package, labelled as their figures were verified.
var (
	directive = Source{Title: "Council Directive 71/320/EEC, Annex XI (repealed; UN Regulation 13 Annex 14 is its heir)", How: text, Confidence: high}
	unR13     = Source{Title: "UN Regulation 13, 11 series", How: memory, Confidence: medium}
	lamps85   = Source{Title: "California Code of Regulations, title 13, section 1249", How: text, Confidence: high}
	vsb1      = Source{Title: "Vehicle Standards Bulletin 1, electrical section, as restated by a trailer-building page", How: secondHand, Confidence: medium}

	copperTables = Source{Title: "NBS Handbook 100, Copper Wire Tables", Clause: "section 1", How: secondHand, Confidence: high}
	astmB258     = Source{Title: "ASTM B258, definition of AWG sizes", How: secondHand, Confidence: high}
	iec60228     = Source{Title: "IEC 60228, maximum conductor resistance", How: secondHand, Confidence: high}
	iso6722      = Source{Title: "ISO 6722-1:2011, maximum conductor resistance", How: memory, Confidence: medium}
	saeJ1128     = Source{Title: "SAE J1128, conductor areas", How: secondHand, Confidence: medium}
	autoTables   = Source{Title: "Australian auto-cable size tables, two compared", How: secondHand, Confidence: medium}
	thinWall     = Source{Title: "UK thin-wall automotive cable current, trade table", How: secondHand, Confidence: low}
	gaugeSheet   = Source{Title: "Cable current by gauge and ambient, lamp maker's sheet said to be compiled from SAE and others", How: secondHand, Confidence: low}

	serviceTable = Source{Title: "Axle makers' magnet test table, as reproduced on trade pages", How: secondHand, Confidence: medium}
	peukertLaw   = Source{Title: "Peukert's law, reference pages", How: secondHand, Confidence: medium}
	iso8820      = Source{Title: "ISO 8820-3, blade fuse ratings and colours", How: memory, Confidence: high}
	serviceInfo  = Source{Title: "Vehicle makers' service descriptions of stop-lamp circuits", How: secondHand, Confidence: medium}

	physics = Source{Title: "Ohm's law and the definition of the ampere-hour", How: memory, Confidence: high}
)

// practice labels what fitters commonly do.
func practice(confidence string) Source {
	return Source{Title: "common practice, no published source", How: memory, Confidence: confidence}
}

// Bad says which argument cannot be used and why. Arg is the JSON Pointer of
// the argument in the document given, or its bare name where there is none.
type Bad struct {
	Arg string
	Why string
}

// Error names the argument and the reason.
func (b *Bad) Error() string { return b.Arg + ": " + b.Why }

// within refuses numbers outside lo..hi, both included, and what is no number.
func within(arg string, x, lo, hi float64, unit string) error {
	if x >= lo && x <= hi {
		return nil
	}
	return &Bad{arg, "must be from " + show(lo) + " to " + show(hi) + " " + unit + ", not " + show(x)}
}

// over refuses numbers that are not above lo and at most hi.
func over(arg string, x, lo, hi float64, unit string) error {
	if x > lo && x <= hi {
		return nil
	}
	return &Bad{arg, "must be above " + show(lo) + " and at most " + show(hi) + " " + unit + ", not " + show(x)}
}

// Bounds of what a 12 V or 24 V towing rig can have; beyond them an input is a
// slip of the keyboard.
const (
	leastVolts  = 1    // V
	mostVolts   = 60   // V, the extra-low voltage of road vehicles
	mostAmps    = 500  // A
	mostOhms    = 1e6  // ohm, a joint that has come apart
	leastMagnet = 0.01 // ohm
	mostMagnet  = 1e4  // ohm
	mostLength  = 1000 // m
	coldest     = -60  // degC
	hottest     = 200  // degC
)

// noise is the relative error that sums of decimals leave in a float64. It is
// a hundred times finer than the finest step of an exact quantity at 15 A.
const noise = 1e-9

// exceeds reports that x is above a limit by more than arithmetic noise, so
// that 0.1 V + 0.2 V does not exceed 0.3 V.
func exceeds(x, limit float64) bool { return x > limit+noise*math.Abs(limit) }

// show writes a number with as many digits as it has, for messages.
func show(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// figure writes a result for people, to n significant digits and without an
// exponent.
func figure(x float64, n int) string {
	return strconv.FormatFloat(Significant(x, n), 'f', -1, 64)
}

// figureUp and figureDown are figure, never below and never above x: what is
// asked for must not be rounded away, nor what is there rounded up.
func figureUp(x float64, n int) string { return figure(-toward(-x, n), n) }

func figureDown(x float64, n int) string { return figure(toward(x, n), n) }

// toward is x to n significant digits, not above x but for noise.
func toward(x float64, n int) float64 {
	y := Significant(x, n)
	if exceeds(y, x) {
		y -= math.Pow(10, math.Floor(math.Log10(math.Abs(x)))-float64(n-1))
	}
	return y
}

// Significant rounds x to n significant digits; n below 1 counts as 1.
func Significant(x float64, n int) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', max(n, 1)-1, 64), 64)
	if err != nil { // only infinities overflow, and they round to themselves
		return x
	}
	return y
}
