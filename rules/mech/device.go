package mech

import (
	"slices"
	"strings"
)

// Class is a class of coupling device under UN R55.
type Class struct {
	Letter  string // A to T
	Variant string // what follows the letter, such as "50-X"; empty if nothing does
	Means   string
	From    Fact
}

var classes = map[byte]Class{
	'A': {Means: "coupling ball (50 mm) and towing bracket", From: FactClasses},
	'B': {Means: "coupling head for the 50 mm ball", From: FactClasses},
	'C': {Means: "drawbar coupling, 50 mm pin, with jaw and automatic closing", From: FactClasses},
	'D': {Means: "drawbar eye", From: FactClasses},
	'E': {Means: "non-standard drawbar, with overrun devices", From: FactClassesMore},
	'F': {Means: "non-standard drawbeam", From: FactClassesMore},
	'G': {Means: "fifth wheel coupling", From: FactClassesMore},
	'H': {Means: "fifth wheel coupling pin", From: FactClassesMore},
	'J': {Means: "non-standard mounting plate", From: FactClassesMore},
	'K': {Means: "hook type coupling", From: FactClassesMore},
	'L': {Means: "toroidal drawbar eye", From: FactClassesMore},
	'S': {Means: "device that fits no other class", From: FactClassesMore},
	'T': {Means: "non-automatic dedicated drawbar coupling", From: FactClassesMore},
}

// ClassOf recognises a class as it is stamped: "B", "A50-3", "C50-X"; capital
// letters, spaces around it ignored. A variant is recognised by its form (two
// digits, then perhaps a hyphen and a digit or a capital letter), not by a
// list.
//
// Source: FactClasses (UN R55 01; text) for A to D, FactClassesMore
// (second-hand) for the rest.
func ClassOf(mark string) (Class, bool) {
	mark = strings.TrimSpace(mark)
	if mark == "" {
		return Class{}, false
	}
	c, ok := classes[mark[0]]
	if !ok || !variant(mark[1:]) {
		return Class{}, false
	}
	c.Letter, c.Variant = mark[:1], mark[1:]
	return c, true
}

func variant(s string) bool {
	digit := func(c byte) bool { return '0' <= c && c <= '9' }
	switch len(s) {
	case 0:
		return true
	case 2:
		return digit(s[0]) && digit(s[1])
	case 4:
		return digit(s[0]) && digit(s[1]) && s[2] == '-' && (digit(s[3]) || 'A' <= s[3] && s[3] <= 'Z')
	}
	return false
}

// Device is a kind of coupling device in the marking table of UN R55.
type Device string

// The devices.
const (
	BallAndBracket  Device = "ball_and_bracket"
	CouplingHead    Device = "coupling_head"
	DrawbarCoupling Device = "drawbar_coupling"
	DrawbarEye      Device = "drawbar_eye"
	Drawbar         Device = "drawbar"
	Drawbeam        Device = "drawbeam"
	FifthWheel      Device = "fifth_wheel"
	FifthWheelPin   Device = "fifth_wheel_pin"
	FifthWheelPlate Device = "fifth_wheel_plate"
	Hook            Device = "hook"
)

// Value is a figure marked on a coupling device.
type Value string

// The values: D, Dc and V in kN; S a mass in kg, not a force (FactS); U in t.
const (
	ValueD  Value = "D"
	ValueDc Value = "Dc"
	ValueS  Value = "S"
	ValueU  Value = "U"
	ValueV  Value = "V"
)

// Marks returns the values that a device must be marked with beside its class;
// nil for a word that is no device. The slice is the caller's.
//
// Source: FactMarks (UN R55 01, Annex 4; text).
func Marks(d Device) []Value {
	switch d {
	case BallAndBracket, CouplingHead:
		return []Value{ValueD, ValueS}
	case DrawbarCoupling, DrawbarEye, Drawbar, Drawbeam, Hook:
		return []Value{ValueD, ValueDc, ValueS, ValueV}
	case FifthWheel, FifthWheelPlate:
		return []Value{ValueD, ValueU}
	case FifthWheelPin:
		return []Value{ValueD}
	}
	return nil
}

// Judged returns the marked values by which a device is judged behind which a
// trailer of the layout runs: "full", "centre_axle", "rigid_drawbar" or "semi".
// Balls, brackets and heads go by D and S whatever the layout; devices that are
// marked with Dc go by D for a full trailer, by Dc and S for one with a rigid
// drawbar, and by V too for a centre-axle trailer (above VFrom). It returns nil
// where the device does not take such a trailer or the layout has no formula.
// The slice is the caller's.
//
// Source: FactWhichValues (UN R55 01, Annex 4 table; text, with the choice
// inferred from it).
func Judged(d Device, layout string) []Value {
	switch d {
	case BallAndBracket, CouplingHead:
		if slices.Contains([]string{"full", "rigid_drawbar", "centre_axle"}, layout) {
			return Marks(d)
		}
	case DrawbarCoupling, DrawbarEye, Drawbar, Drawbeam, Hook:
		switch layout {
		case "full":
			return []Value{ValueD}
		case "rigid_drawbar":
			return []Value{ValueDc, ValueS}
		case "centre_axle":
			return []Value{ValueDc, ValueS, ValueV}
		}
	case FifthWheel, FifthWheelPin, FifthWheelPlate:
		if layout == "semi" {
			return Marks(d)
		}
	}
	return nil
}

// BallSize is a standard diameter of coupling balls.
type BallSize struct {
	Name string
	MM   float64
}

var ballSizes = []BallSize{
	{"1-7/8 in", 47.625},
	{"50 mm", 50},
	{"2 in", 50.8},
	{"2-5/16 in", 58.7375},
	{"3 in", 76.2},
	{"80 mm", 80},
}

// WornBall is the diameter in mm (0 to +0.13) of the test ball that stands for
// a worn 50 mm ball. Source: FactWornBall (text).
const WornBall = 49.0

// BallSizeOf returns the standard size that a diameter in mm means; false if it
// is within 0.1 mm of none. 50 mm and 2 in are different sizes, and capacity
// follows the stamped rating, never the diameter.
//
// Source: FactBallSizes (memory). The 0.1 mm covers the 47.55 mm that some
// texts give for 1-7/8 in, and is our own choice.
func BallSizeOf(mm float64) (BallSize, bool) {
	for _, s := range ballSizes {
		if d := mm - s.MM; d >= -0.1 && d <= 0.1 {
			return s, true
		}
	}
	return BallSize{}, false
}

// TestForces are static test loads in N.
type TestForces struct {
	Longitudinal, Transverse, Vertical float64
}

// ChainPoint returns the forces in N, each held 10 s, for the attachment point
// of a safety chain on a towbar or drawbar: 9.81 atm in tension lengthways,
// half of it vertically. atm is the trailer's rated mass in kg.
//
// Source: FactChainPoint for towbars (ADR 62/02 Amendment 1, 13.4.2; text),
// FactDrawbarChainPoint for drawbars (14.4.2; second-hand). Errors: *Bad for
// atm.
func ChainPoint(atm float64) (TestForces, error) {
	if err := positive("atm", atm); err != nil {
		return TestForces{}, err
	}
	return TestForces{Longitudinal: G * atm, Vertical: 0.5 * G * atm}, nil
}

// LightDrawbar returns the static forces in N for the drawbar of a light
// trailer of rated mass atm kg: 1.5, 0.5 and 0.5 times its weight.
//
// Source: FactDrawbarLight (ADR 62/02; second-hand, medium). Errors: *Bad for
// atm.
func LightDrawbar(atm float64) (TestForces, error) {
	if err := positive("atm", atm); err != nil {
		return TestForces{}, err
	}
	return TestForces{Longitudinal: 1.5 * G * atm, Transverse: 0.5 * G * atm, Vertical: 0.5 * G * atm}, nil
}

// HeavyDrawbar returns the lengthways test force in kN of a drawbar on trailers
// above 23.5 t and converter dollies: the lesser of 350 kN and 2.25 times the D
// value, in kN, of the coupling.
//
// Source: FactDrawbarHeavy (ADR 62/02 Amendment 1, 14.2.1.1.2; text). Errors:
// *Bad for d.
func HeavyDrawbar(d float64) (float64, error) {
	if err := positive("d", d); err != nil {
		return 0, err
	}
	return min(350, 2.25*d), nil
}
