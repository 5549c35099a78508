package mech

import "drawgear/rules/quantity"

// Units. Exact by definition; FactUnits.
const (
	// G is the free fall in m/s2 that vehicle rules print for D, Dc and V
	// values, test forces and braking rates: 9.81 exactly.
	G = 9.81
	// GKgf is the free fall in m/s2 behind one kilogram-force, for turning the
	// force of a chain into a working load limit. The two are kept apart.
	GKgf = 9.80665

	pound      = 0.45359237      // kg
	poundForce = 4.4482216152605 // N
	foot       = 0.3048          // m
	mile       = 1.609344        // km
)

// Pounds is a mass in avoirdupois pounds, as North American tables print it.
type Pounds float64

// Kg returns the mass in kg.
func (p Pounds) Kg() float64 { return float64(p) * pound }

// PoundsForce is a force in pounds-force.
type PoundsForce float64

// N returns the force in N.
func (p PoundsForce) N() float64 { return float64(p) * poundForce }

// InPounds returns a mass in kg as pounds.
func InPounds(kg float64) Pounds { return Pounds(kg / pound) }

// Kg returns a mass in kg; false for no quantity. Like the functions beside it
// it panics when q measures something else, which is a programming error.
func Kg(q quantity.Quantity) (float64, bool) { return amount(q, quantity.Mass, 1e11) }

// Metres returns a length in m; false for no quantity.
func Metres(q quantity.Quantity) (float64, bool) { return amount(q, quantity.Length, 1e9) }

// Millimetres returns a length in mm; false for no quantity.
func Millimetres(q quantity.Quantity) (float64, bool) { return amount(q, quantity.Length, 1e6) }

// Newtons returns a force in N; false for no quantity.
func Newtons(q quantity.Quantity) (float64, bool) { return amount(q, quantity.Force, 2e12) }

// KN returns a force in kN; false for no quantity.
func KN(q quantity.Quantity) (float64, bool) { return amount(q, quantity.Force, 2e15) }

// KMH returns a speed in km/h; false for no quantity.
func KMH(q quantity.Quantity) (float64, bool) { return amount(q, quantity.Speed, 1e12) }

// MS2 returns an acceleration in m/s2; false for no quantity.
func MS2(q quantity.Quantity) (float64, bool) { return amount(q, quantity.Acceleration, 1e12) }

// Percent returns a grade or a percentage in percent; false for no quantity.
func Percent(q quantity.Quantity) (float64, bool) {
	if q.Dimension() == quantity.Grade {
		return amount(q, quantity.Grade, 1e7)
	}
	return amount(q, quantity.Percentage, 1e7)
}

// amount divides the whole base units of q by their number in one unit of the
// result.
func amount(q quantity.Quantity, d quantity.Dimension, scale float64) (float64, bool) {
	if q.IsZero() {
		return 0, false
	}
	if q.Dimension() != d {
		panic("mech: " + q.Dimension().String() + " where a " + d.String() + " belongs")
	}
	return float64(q.Base()) / scale, true
}
