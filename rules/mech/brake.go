package mech

import "math"

// Category returns the UN category (O1 to O4) of a trailer by the load in kg of
// its axles at its rated mass (of a full trailer that is its rated mass).
//
// Source: FactCategories (UN R13; memory). Errors: *Bad for axles.
func Category(axles float64) (string, error) {
	if err := positive("axles", axles); err != nil {
		return "", err
	}
	switch {
	case atMost(axles, 750):
		return "O1", nil
	case atMost(axles, 3500):
		return "O2", nil
	case atMost(axles, 10000):
		return "O3", nil
	}
	return "O4", nil
}

// Rate returns the braking rate z of force N on a mass of kg: force/(mass g).
//
// Source: FactRate (derived). Errors: *Bad for force, mass.
func Rate(force, mass float64) (float64, error) {
	if err := first(notNegative("force", force), positive("mass", mass)); err != nil {
		return 0, err
	}
	return force / (mass * G), nil
}

// CombinedRate returns the braking rate of a combination on straight, level
// road. vehicle and trailer are in kg on the wheels of each, the ball load
// being the vehicle's; zv and zt their rates on those masses. The deceleration
// in m/s2 is G times the rate.
//
// Source: FactRate (derived). Errors: *Bad for zv, vehicle, zt, trailer.
func CombinedRate(zv, vehicle, zt, trailer float64) (float64, error) {
	if err := first(notNegative("zv", zv), positive("vehicle", vehicle), notNegative("zt", zt), positive("trailer", trailer)); err != nil {
		return 0, err
	}
	return (zv*vehicle + zt*trailer) / (vehicle + trailer), nil
}

// UnbrakedStop is how a vehicle stops with an unbraked trailer.
type UnbrakedStop struct {
	Deceleration float64 // m/s2 of the combination
	Share        float64 // of the solo deceleration that is left
	Thrust       float64 // N, the trailer on the coupling
}

// Unbraked returns how a vehicle that brakes with av m/s2 alone stops with an
// unbraked trailer. vehicle and trailer are in kg on the wheels of each.
//
// Source: FactUnbraked (derived), where brake force and not grip limits.
// Errors: *Bad for av, vehicle, trailer.
func Unbraked(av, vehicle, trailer float64) (UnbrakedStop, error) {
	if err := first(positive("av", av), positive("vehicle", vehicle), positive("trailer", trailer)); err != nil {
		return UnbrakedStop{}, err
	}
	u := UnbrakedStop{Share: vehicle / (vehicle + trailer), Deceleration: av * vehicle / (vehicle + trailer)}
	u.Thrust = trailer * u.Deceleration
	return u, nil
}

// R13HUnbraked is the deceleration in m/s2 that UN R13-H asks, at the least, of
// a car cleared to draw an unbraked trailer. Source: FactR13HUnbraked (memory).
const R13HUnbraked = 5.4

// UnbrakedR13H returns the computed deceleration in m/s2 of a car of vehicle kg
// that reached dm m/s2 alone, with an unbraked trailer of trailer kg, and
// whether it is at least R13HUnbraked.
//
// Source: FactR13HUnbraked (UN R13-H; memory, medium; to be confirmed before it
// is shown as law). Errors: *Bad for dm, vehicle, trailer.
func UnbrakedR13H(dm, vehicle, trailer float64) (d float64, ok bool, err error) {
	if err := first(positive("dm", dm), positive("vehicle", vehicle), positive("trailer", trailer)); err != nil {
		return 0, false, err
	}
	d = dm * vehicle / (vehicle + trailer)
	return d, atMost(R13HUnbraked, d), nil
}

// Overrun is the balance of a trailer under braking, in N.
type Overrun struct {
	Brakes float64 // force of the trailer's own brakes
	Thrust float64 // of the trailer on the coupling; below zero it pulls
}

// OverrunBalance returns the thrust of a trailer of mass kg on its wheels whose
// brakes give the rate z while the combination slows with a m/s2: mass a -
// brakes. Overrun brakes need some thrust to act.
//
// Source: FactOverrunBalance (derived). Errors: *Bad for mass, a, z.
func OverrunBalance(mass, a, z float64) (Overrun, error) {
	if err := first(positive("mass", mass), notNegative("a", a), notNegative("z", z)); err != nil {
		return Overrun{}, err
	}
	o := Overrun{Brakes: z * G * mass}
	o.Thrust = mass*a - o.Brakes
	return o, nil
}

// OverrunLimit returns the most thrust in N that UN R13 leaves an overrun
// device on a trailer of mass kg: 10 percent of its weight, 6.7 percent with a
// pivoted drawbar on several axles.
//
// Source: FactR13Overrun (UN R13 Annex 12 report form; text, percentages only).
// Errors: *Bad for mass.
func OverrunLimit(mass float64, pivoted bool) (float64, error) {
	if err := positive("mass", mass); err != nil {
		return 0, err
	}
	if pivoted {
		return 0.067 * G * mass, nil
	}
	return 0.10 * G * mass, nil
}

// BelgianOverrun are limits in N of an overrun brake by Belgian law.
type BelgianOverrun struct {
	Most   float64 // of the thrust
	Starts float64 // thrust below which the brake may not act
	Brakes float64 // least brake force
}

// OverrunInBelgium returns the Belgian limits for a nationally approved trailer
// of mass kg: 9 percent thrust with one axle, 6 with more; no action below 2;
// brakes of 45. They are not those of UN R13.
//
// Source: FactBelgianOverrun (Royal Decree of 15 March 1968, art 48 par. 1;
// text). Errors: *Bad for mass, axles.
func OverrunInBelgium(mass float64, axles int) (BelgianOverrun, error) {
	if err := first(positive("mass", mass), atLeastOne("axles", axles)); err != nil {
		return BelgianOverrun{}, err
	}
	most := 0.06
	if axles == 1 {
		most = 0.09
	}
	return BelgianOverrun{Most: most * G * mass, Starts: 0.02 * G * mass, Brakes: 0.45 * G * mass}, nil
}

// RollingResistance is the share of its weight that resists a rolling rig in
// brake tests. Source: FactTrailerRate (seen in a reprint).
const RollingResistance = 0.01

// TrailerRate returns the braking rate of a trailer from a test in which only
// the trailer braked: (zrm - R)(vehicle + trailer)/trailer + R, R being
// RollingResistance. zrm is the rate of the combination; vehicle and trailer
// the loads in kg on the wheels of each.
//
// Source: FactTrailerRate (UN R13; memory, medium). Errors: *Bad for zrm (below
// R nothing braked), vehicle, trailer.
func TrailerRate(zrm, vehicle, trailer float64) (float64, error) {
	if err := first(finite("zrm", zrm), positive("vehicle", vehicle), positive("trailer", trailer)); err != nil {
		return 0, err
	}
	if below(zrm, RollingResistance) {
		return 0, &Bad{"zrm", "is below the rolling resistance of 0.01"}
	}
	return (zrm-RollingResistance)*(vehicle+trailer)/trailer + RollingResistance, nil
}

// Stop is a stopping distance, in m.
type Stop struct {
	Reaction, Braking, Total float64
}

// Stopping returns the distance to stop from v km/h with t s to react and a
// steady a m/s2.
//
// Source: FactStopping (derived). Errors: *Bad for v, t, a.
func Stopping(v, t, a float64) (Stop, error) {
	if err := first(notNegative("v", v), notNegative("t", t), positive("a", a)); err != nil {
		return Stop{}, err
	}
	ms := v / 3.6
	s := Stop{Reaction: ms * t, Braking: ms * ms / (2 * a)}
	s.Total = s.Reaction + s.Braking
	return s, nil
}

// TypicalStop returns the distance by the UK rule of thumb for a solo car from
// v km/h: as many feet as mph to react, mph2/20 feet to brake. It says nothing
// of trailers.
//
// Source: FactTypicalStop (The Highway Code, rule 126; second-hand). Errors:
// *Bad for v.
func TypicalStop(v float64) (Stop, error) {
	if err := notNegative("v", v); err != nil {
		return Stop{}, err
	}
	mph := v / mile
	s := Stop{Reaction: mph * foot, Braking: mph * mph / 20 * foot}
	s.Total = s.Reaction + s.Braking
	return s, nil
}

// PrintedStops are the typical totals in whole m as printed, by speed in mph.
// They are rounded apart from the rule: 36 stands where the rule gives 36.6.
// The map is the caller's.
//
// Source: FactTypicalStop (second-hand).
func PrintedStops() map[int]int {
	return map[int]int{20: 12, 30: 23, 40: 36, 50: 53, 60: 73, 70: 96}
}

// MFDD returns the mean fully developed deceleration in m/s2 of a stop from v0
// km/h: sb and se are the distances in m from the start to 0.8 and to 0.1 of
// v0.
//
// Source: FactMFDD (UN R13 Annex 4, 1.1.2; second-hand). Errors: *Bad for v0,
// sb, se.
func MFDD(v0, sb, se float64) (float64, error) {
	if err := first(positive("v0", v0), notNegative("sb", sb), finite("se", se)); err != nil {
		return 0, err
	}
	if se-sb < least {
		return 0, &Bad{"se", "must be above sb"}
	}
	vb, ve := 0.8*v0, 0.1*v0
	return (vb*vb - ve*ve) / (25.92 * (se - sb)), nil
}

// R13HDeceleration is the least mean fully developed deceleration in m/s2 of a
// passenger car from 100 km/h, engine disconnected. Source: FactR13HStop
// (memory).
const R13HDeceleration = 6.43

// R13HStop returns the longest stop in m allowed a passenger car from v km/h in
// the type-0 test, which is driven at 100 km/h with the engine disconnected:
// 0.1 v + 0.0060 v2.
//
// Source: FactR13HStop (UN R13-H; memory). Errors: *Bad for v.
func R13HStop(v float64) (float64, error) {
	if err := positive("v", v); err != nil {
		return 0, err
	}
	return 0.1*v + 0.0060*v*v, nil
}

// Slope is what a gradient asks of a mass.
type Slope struct {
	Force float64 // N along the road
	Share float64 // of the weight, along the road: the sine
	Grip  float64 // of the force on the road: the tangent, the gradient itself
}

// Grade returns what holding a mass of kg on a gradient in percent asks. The
// two shares differ by 1.6 percent at 18 percent.
//
// Source: FactGrade (derived). Errors: *Bad for mass, percent.
func Grade(mass, percent float64) (Slope, error) {
	if err := first(positive("mass", mass), notNegative("percent", percent)); err != nil {
		return Slope{}, err
	}
	s := Slope{Share: math.Sin(math.Atan(percent / 100)), Grip: percent / 100}
	s.Force = mass * G * s.Share
	return s, nil
}

// TowingGrade returns the tractive force in N that takes a combination of mass
// kg up a gradient in percent at a steady speed, with a rolling resistance crr.
//
// Source: FactTowingGrade (derived; values of crr, about 0.01 to 0.015, from
// memory). Errors: *Bad for mass, percent, crr.
func TowingGrade(mass, percent, crr float64) (float64, error) {
	if err := first(positive("mass", mass), notNegative("percent", percent), notNegative("crr", crr)); err != nil {
		return 0, err
	}
	angle := math.Atan(percent / 100)
	return mass * G * (math.Sin(angle) + crr*math.Cos(angle)), nil
}

// Parking is a slope on which something must hold.
type Parking struct {
	Place   string // ISO 3166; UN or EU for an international text
	What    string
	Percent float64
	From    Fact
}

// Parkings returns the slopes that texts set, national ones after the
// international. The slice is the caller's.
//
// Source: FactParking18 (second-hand), FactParking12 (memory), FactParking16
// and FactNationalParking (text).
func Parkings() []Parking {
	return []Parking{
		{"EU", "detached laden trailer, up or down, control force at most 60 kgf", 18, FactParking18},
		{"UN", "towing vehicle holding the combination, trailer brakes off", 12, FactParking12},
		{"GB", "vehicle alone", 16, FactParking16},
		{"GB", "vehicle with trailer", 12, FactNationalParking},
		{"AT", "trailer", 18, FactNationalParking},
		{"BE", "trailer", 18, FactNationalParking},
		{"DE", "trailer", 18, FactNationalParking},
		{"FR", "trailer", 18, FactNationalParking},
		{"PL", "vehicle or trailer", 16, FactNationalParking},
		{"PL", "combination first registered from 2010-07-28", 12, FactNationalParking},
		{"PL", "combination first registered earlier", 8, FactNationalParking},
		{"NL", "combination held by the towing vehicle (or 1.0 m/s2)", 10, FactNationalParking},
	}
}

// Performance is a least service braking figure: a rate (brake force over
// weight), or a deceleration.
type Performance struct {
	Place        string // ISO 3166; UN for the UN regulation
	What         string
	Rate         float64 // brake force over the weight on the wheels; 0: none
	Deceleration float64 // m/s2; 0: none
	From         Fact
}

// Performances returns the service braking figures that texts set. A rate is no
// deceleration of the rig. The slice is the caller's.
//
// Source: FactR13Trailers (UN R13; memory), FactNationalBraking (text).
func Performances() []Performance {
	return []Performance{
		{"UN", "full or centre-axle trailer", 0.50, 0, FactR13Trailers},
		{"UN", "semi-trailer", 0.45, 0, FactR13Trailers},
		{"BE", "trailer", 0.45, 0, FactNationalBraking},
		{"AT", "trailer over 25 km/h", 0.45, 0, FactNationalBraking},
		{"AT", "trailer up to 25 km/h", 0, 2.0, FactNationalBraking},
		{"DE", "trailer", 0, 5.0, FactNationalBraking},
		{"DE", "semi-trailer", 0, 4.5, FactNationalBraking},
		{"NL", "combination", 0, 4.0, FactNationalBraking},
		{"GB", "vehicle drawing a trailer that must be braked, service brake", 0.45, 0, FactNationalBraking},
		{"GB", "vehicle drawing a trailer that must be braked, secondary brake", 0.25, 0, FactNationalBraking},
	}
}
