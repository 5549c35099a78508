package mech

import (
	"fmt"
	"math"
)

// Bad says which argument of a formula cannot be computed with, and why.
type Bad struct {
	Arg string // name of the argument as the documentation of the function gives it; "items.2.mass" inside a list
	Why string // the fault, to follow the name: "must be above zero"
}

// Error gives the name and the fault.
func (e *Bad) Error() string { return e.Arg + " " + e.Why }

// Magnitudes within which no formula here can overflow or underflow; far beyond
// both ends of what a rig has.
const (
	least = 1e-12
	most  = 1e12
)

// finite refuses what is no number or beyond all rigs.
func finite(arg string, v float64) error {
	switch {
	case math.IsNaN(v):
		return &Bad{arg, "is not a number"}
	case math.Abs(v) > most:
		return &Bad{arg, "is too large"}
	}
	return nil
}

// notNegative refuses amounts below zero.
func notNegative(arg string, v float64) error {
	if v < 0 {
		return &Bad{arg, "must not be below zero"}
	}
	return finite(arg, v)
}

// positive refuses amounts at or below zero, and those that are zero but for
// rounding.
func positive(arg string, v float64) error {
	if v < least {
		return &Bad{arg, "must be above zero"}
	}
	return finite(arg, v)
}

// between refuses what is not within low and high, both included.
func between(arg string, v, low, high float64) error {
	if !(v >= low && v <= high) { // so written that NaN is refused
		return &Bad{arg, fmt.Sprintf("must be from %g to %g", low, high)}
	}
	return nil
}

// atLeastOne refuses counts below one.
func atLeastOne(arg string, n int) error {
	if n < 1 {
		return &Bad{arg, "must be at least 1"}
	}
	return nil
}

// first returns the first fault.
func first(faults ...error) error {
	for _, err := range faults {
		if err != nil {
			return err
		}
	}
	return nil
}

// same tells amounts that differ at most by rounding.
func same(a, b float64) bool {
	return math.Abs(a-b) <= 1e-12*math.Max(math.Abs(a), math.Abs(b))
}

// atMost is a <= b, taking amounts that differ by rounding as equal.
func atMost(a, b float64) bool { return a <= b || same(a, b) }

// below is a < b, taking amounts that differ by rounding as equal.
func below(a, b float64) bool { return a < b && !same(a, b) }
