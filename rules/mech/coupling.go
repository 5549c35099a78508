package mech

import "math"

// D returns the reference horizontal force in kN that a coupling between a
// vehicle and a drawbar trailer must carry at least: g t r/(t + r). t is the
// rated mass of the vehicle in kg, with the coupling load where one rests on
// it; r the rated mass of the trailer in kg. Rated masses, never today's. It is
// also the figure marked on a 50 mm ball, towing bracket and coupling head.
//
// Source: FactD (UN R55 01, para 2.11; second-hand). Errors: *Bad for t, r.
func D(t, r float64) (float64, error) {
	if err := first(positive("t", t), positive("r", r)); err != nil {
		return 0, err
	}
	return horizontal(t, r), nil
}

// Dc returns the reference horizontal force in kN for a centre-axle or
// rigid-drawbar trailer on a device marked with Dc: g t c/(t + c). t is the
// rated mass of the vehicle in kg including the coupling load; c the load in kg
// of the trailer's axles when it is coupled and at its rated mass.
//
// Source: FactDc (UN R55 01, para 2.11; second-hand); c is read in FactC.
// Errors: *Bad for t, c.
func Dc(t, c float64) (float64, error) {
	if err := first(positive("t", t), positive("c", c)); err != nil {
		return 0, err
	}
	return horizontal(t, c), nil
}

func horizontal(a, b float64) float64 { return G * a * b / (a + b) / 1000 }

// SemiD returns the reference horizontal force in kN at a fifth wheel: 0.6 g t
// r/(t + r - u). t is the rated mass of the vehicle in kg including u, r the
// rated mass of the semi-trailer, u the load on the fifth wheel. The 0.6
// belongs to semi-trailers alone.
//
// Source: FactSemiD (second-hand). Errors: *Bad for t, r, and for u if it is
// above either.
func SemiD(t, r, u float64) (float64, error) {
	if err := first(positive("t", t), positive("r", r), onFifthWheel(u, t, "the vehicle"), onFifthWheel(u, r, "the trailer")); err != nil {
		return 0, err
	}
	return 0.6 * G * t * r / (t + r - u) / 1000, nil
}

func onFifthWheel(u, mass float64, of string) error {
	if u > mass {
		return &Bad{"u", "must not be above the mass of " + of}
	}
	return notNegative("u", u)
}

// Vertical is the working of V.
type Vertical struct {
	A     float64 // m/s2: 1.8 on air suspension or its equivalent, else 2.4
	Ratio float64 // x2/l2 as it comes out
	Used  float64 // the ratio used, never below 1
	KN    float64 // V in kN
}

// VFrom is the rated mass in kg of a centre-axle trailer above which V counts.
// The boundary is from memory.
const VFrom = 3500

// V returns the reference amplitude of the vertical force at the coupling of a
// centre-axle trailer: a max(1, x2/l2) c. c is the load in kg of the trailer's
// axles at its rated mass, x the length in m of the loading area, l the length
// in m from the coupling to the middle of the axle group; air says that the
// vehicle's rear axle has air suspension or an equivalent.
//
// Source: FactV (UN R55 01, para 2.11; second-hand), for rated masses above
// VFrom whose coupling load is within CentreAxleBall. Errors: *Bad for c, x, l.
func V(c, x, l float64, air bool) (Vertical, error) {
	if err := first(positive("c", c), positive("x", x), positive("l", l)); err != nil {
		return Vertical{}, err
	}
	v := vertical(x, l, air)
	v.KN = v.A * v.Used * c / 1000
	return v, nil
}

func vertical(x, l float64, air bool) Vertical {
	v := Vertical{A: 2.4, Ratio: x / l * (x / l)}
	if air {
		v.A = 1.8
	}
	v.Used = math.Max(1, v.Ratio)
	return v
}

// MaxTrailer returns the largest rated trailer mass in kg for a coupling marked
// d kN behind a vehicle of rated mass t kg: d t/(g t - d). limited is false,
// and the mass 0, where the coupling never limits that vehicle (g t <= d). With
// a marked Dc the result is the largest load of the trailer's axles.
//
// Source: FactDInverse (algebra on D; the page that prints it misprints the
// denominator). Errors: *Bad for d, t.
func MaxTrailer(d, t float64) (kg float64, limited bool, err error) {
	if err := first(positive("d", d), positive("t", t)); err != nil {
		return 0, false, err
	}
	kg, limited = inverse(1000*d, G, t, 0)
	return kg, limited, nil
}

// MaxVehicle returns the largest rated vehicle mass in kg for a coupling marked
// d kN and a trailer of rated mass r kg (with a marked Dc: a load of r kg on
// the trailer's axles). limited is false, and the mass 0, where the coupling
// never limits.
//
// Source: FactDInverse. Errors: *Bad for d, r.
func MaxVehicle(d, r float64) (kg float64, limited bool, err error) {
	if err := first(positive("d", d), positive("r", r)); err != nil {
		return 0, false, err
	}
	kg, limited = inverse(1000*d, G, r, 0)
	return kg, limited, nil
}

// MaxSemi returns the largest rated semi-trailer mass in kg for a fifth wheel
// marked d kN on a vehicle of rated mass t kg that carries u kg on it: d (t -
// u)/(0.6 g t - d). A result below u means that no semi-trailer which loads the
// fifth wheel with u is within d. limited is false, and the mass 0, where the
// fifth wheel never limits.
//
// Source: algebra on FactSemiD. Errors: *Bad for d, t, u.
func MaxSemi(d, t, u float64) (kg float64, limited bool, err error) {
	if err := first(positive("d", d), positive("t", t), onFifthWheel(u, t, "the vehicle")); err != nil {
		return 0, false, err
	}
	kg, limited = inverse(1000*d, 0.6*G, t, u)
	return kg, limited, nil
}

// inverse solves n = k m x/(m + x - u) for x, n being in N.
func inverse(n, k, m, u float64) (x float64, limited bool) {
	room := k*m - n
	if atMost(k*m, n) {
		return 0, false
	}
	return n * (m - u) / room, true
}

// MaxAxles returns the largest load in kg of the trailer's axles for a coupling
// marked v kN; x, l and air as in V.
//
// Source: algebra on FactV. Errors: *Bad for v, x, l.
func MaxAxles(v, x, l float64, air bool) (float64, error) {
	if err := first(positive("v", v), positive("x", x), positive("l", l)); err != nil {
		return 0, err
	}
	w := vertical(x, l, air)
	return 1000 * v / (w.A * w.Used), nil
}

// PeakD returns the most D in kN that any split of a combination of m kg into
// vehicle and trailer asks for; it is met at halves: g m/4.
//
// Source: FactDPeak (derived). Errors: *Bad for m.
func PeakD(m float64) (float64, error) {
	if err := positive("m", m); err != nil {
		return 0, err
	}
	return G * m / 4 / 1000, nil
}
