package circuit

import (
	"fmt"

	"drawgear/rules/quantity"
)

// base is the scale of quantity for each dimension that circuits have: base
// units in one unit of ours.
var base = map[quantity.Dimension]float64{
	quantity.Voltage:    1e6,  // V
	quantity.Current:    1e6,  // A
	quantity.Resistance: 1e9,  // ohm
	quantity.Length:     1e9,  // m
	quantity.Area:       1e9,  // mm2
	quantity.Charge:     36e8, // Ah
	quantity.Duration:   6e7,  // minutes
	quantity.Percentage: 1e9,  // a fraction: 100 % is 1
}

// amount reads a quantity of the dimension asked for. The base units are a
// whole number, so the result is the nearest float64 to the exact amount as
// long as they stay below 2^53, which every amount of a towing rig does.
func amount(arg string, q quantity.Quantity, dim quantity.Dimension) (float64, error) {
	if q.IsZero() {
		return 0, &Bad{arg, "is not given"}
	}
	if q.Dimension() != dim {
		return 0, &Bad{arg, fmt.Sprintf("is a %s, but a %s is needed", q.Dimension(), dim)}
	}
	return float64(q.Base()) / base[dim], nil
}

// Volts reads a voltage in V. Like its fellows it answers a *Bad that names arg
// if there is no quantity or it measures something else.
func Volts(arg string, q quantity.Quantity) (float64, error) { return amount(arg, q, quantity.Voltage) }

// Amps reads a current in A.
func Amps(arg string, q quantity.Quantity) (float64, error) { return amount(arg, q, quantity.Current) }

// Ohms reads a resistance in ohm.
func Ohms(arg string, q quantity.Quantity) (float64, error) {
	return amount(arg, q, quantity.Resistance)
}

// Metres reads a length in m.
func Metres(arg string, q quantity.Quantity) (float64, error) {
	return amount(arg, q, quantity.Length)
}

// SquareMillimetres reads an area in mm2.
func SquareMillimetres(arg string, q quantity.Quantity) (float64, error) {
	return amount(arg, q, quantity.Area)
}

// AmpHours reads a charge in Ah.
func AmpHours(arg string, q quantity.Quantity) (float64, error) {
	return amount(arg, q, quantity.Charge)
}

// Minutes reads a duration in minutes.
func Minutes(arg string, q quantity.Quantity) (float64, error) {
	return amount(arg, q, quantity.Duration)
}

// Fraction reads a percentage as a fraction of one.
func Fraction(arg string, q quantity.Quantity) (float64, error) {
	return amount(arg, q, quantity.Percentage)
}

// Celsius reads a temperature in degC.
func Celsius(arg string, q quantity.Quantity) (float64, error) {
	const perKelvin, freezing = 9_000_000, 2_458_350_000 // scale of quantity; 0 degC is 273.15 K
	if q.Dimension() != quantity.Temperature {
		return amount(arg, q, quantity.Temperature) // which refuses it
	}
	return float64(q.Base()-freezing) / perKelvin, nil
}
