package mech_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules/mech"
	"drawgear/rules/quantity"
)

func near(t *rapid.T, name string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-9*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g", name, got, want)
	}
}

// TestInverses goes from masses to a coupling value and back.
func TestInverses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		veh, trl := draw(t, "vehicle", 500, 12000), draw(t, "trailer", 100, 12000)
		d, err := mech.D(veh, trl)
		ok(t, err)
		r, limited, err := mech.MaxTrailer(d, veh)
		ok(t, err)
		isTrue(t, "trailer limited", limited)
		near(t, "trailer", r, trl)
		v, limited, err := mech.MaxVehicle(d, trl)
		ok(t, err)
		isTrue(t, "vehicle limited", limited)
		near(t, "vehicle", v, veh)

		c, err := mech.Dc(veh, trl)
		ok(t, err)
		near(t, "Dc of the same mass", c, d)

		u := draw(t, "u", 0, 0.9) * math.Min(veh, trl)
		sd, err := mech.SemiD(veh, trl, u)
		ok(t, err)
		r, limited, err = mech.MaxSemi(sd, veh, u)
		ok(t, err)
		isTrue(t, "semi-trailer limited", limited)
		near(t, "semi-trailer", r, trl)

		x, l, air := draw(t, "x", 1, 10), draw(t, "l", 1, 8), rapid.Bool().Draw(t, "air")
		vert, err := mech.V(trl, x, l, air)
		ok(t, err)
		axles, err := mech.MaxAxles(vert.KN, x, l, air)
		ok(t, err)
		near(t, "axles", axles, trl)
	})
}

func ok(t *rapid.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func isTrue(t *rapid.T, what string, b bool) {
	t.Helper()
	if !b {
		t.Errorf("%s: false", what)
	}
}

// TestUnlimited tries couplings on both sides of g times the vehicle's mass: no
// trailer, however heavy, asks for more than that.
func TestUnlimited(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		veh := draw(t, "vehicle", 500, 12000)
		all := 9.81 * veh / 1000
		_, limited, err := mech.MaxTrailer(all*draw(t, "above", 1, 3), veh)
		ok(t, err)
		isTrue(t, "unlimited", !limited)
		r, limited, err := mech.MaxTrailer(all*draw(t, "below", 0.01, 0.999), veh)
		ok(t, err)
		isTrue(t, "limited", limited && r > 0)
		d, err := mech.D(veh, 1e9)
		ok(t, err)
		isTrue(t, "D stays below g T", d < all)
	})
}

// TestMonotone holds what must grow, or fall, when one input grows.
func TestMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := draw(t, "a", 100, 5000), draw(t, "b", 100, 5000)
		m, more := draw(t, "m", 100, 5000), draw(t, "more", 1, 1000)
		rises := func(name string, f func(float64) (float64, error)) {
			t.Helper()
			lo, err := f(m)
			ok(t, err)
			hi, err := f(m + more)
			ok(t, err)
			if hi <= lo {
				t.Errorf("%s: %v at %v and %v at %v", name, lo, m, hi, m+more)
			}
		}
		falls := func(name string, f func(float64) (float64, error)) {
			t.Helper()
			rises(name, func(v float64) (float64, error) { r, err := f(v); return -r, err })
		}
		rises("D with the trailer", func(v float64) (float64, error) { return mech.D(a, v) })
		rises("D with the vehicle", func(v float64) (float64, error) { return mech.D(v, a) })
		rises("V with the axles", func(v float64) (float64, error) { r, err := mech.V(v, 5, 4, false); return r.KN, err })
		rises("ball load with mass ahead", func(v float64) (float64, error) {
			r, err := mech.BallFromItems(4, 1000, 50, []mech.Item{{Mass: v, Ahead: 0.5}})
			return r.Load, err
		})
		falls("ball load with mass behind", func(v float64) (float64, error) {
			r, err := mech.BallFromItems(4, 1000, 50, []mech.Item{{Mass: v, Ahead: -0.5}})
			return r.Load, err
		})
		falls("front axle with the ball load", func(v float64) (float64, error) {
			r, err := mech.FromBall(v, 3, 1)
			return r.Front, err
		})
		falls("rear axle with the bars", func(v float64) (float64, error) {
			r, err := mech.Level(500, 3, 1, 4, v)
			return r.Rear, err
		})
		falls("unbraked deceleration with the trailer", func(v float64) (float64, error) {
			r, err := mech.Unbraked(7, a, v)
			return r.Deceleration, err
		})
		rises("stopping distance with speed", func(v float64) (float64, error) { r, err := mech.Stopping(v/50, 1, 6); return r.Total, err })
		rises("thrust with mass", func(v float64) (float64, error) { r, err := mech.OverrunBalance(v, 5, 0.4); return r.Thrust, err })
		rises("force on a slope", func(v float64) (float64, error) { r, err := mech.Grade(a, v/100); return r.Force, err })
		rises("tractive force with mass", func(v float64) (float64, error) { return mech.TowingGrade(v, 12, 0.01) })

		d, err := mech.D(a, b)
		ok(t, err)
		peak, err := mech.PeakD(a + b)
		ok(t, err)
		isTrue(t, "no split asks for more than the even one", d <= peak*(1+1e-12))
	})
}

// TestBraking ties the braking formulas to each other.
func TestBraking(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v, r := draw(t, "vehicle", 500, 4000), draw(t, "trailer", 100, 4000)
		zv, zt := draw(t, "zv", 0.1, 0.9), draw(t, "zt", 0, 0.9)
		z, err := mech.CombinedRate(zv, v, zt, r)
		ok(t, err)

		// The trailer pushes with what its brakes leave; the vehicle's brakes
		// stop the vehicle and that thrust.
		o, err := mech.OverrunBalance(r, z*mech.G, zt)
		ok(t, err)
		near(t, "force on the vehicle", zv*v*mech.G-o.Thrust+1e5, v*z*mech.G+1e5)

		rate, err := mech.Rate(o.Brakes, r)
		ok(t, err)
		near(t, "trailer rate", rate+1, zt+1)

		// An unbraked trailer is a trailer that brakes with nothing.
		u, err := mech.Unbraked(zv*mech.G, v, r)
		ok(t, err)
		z0, err := mech.CombinedRate(zv, v, 0, r)
		ok(t, err)
		near(t, "unbraked", u.Deceleration, z0*mech.G)
		same, _, err := mech.UnbrakedR13H(zv*mech.G, v, r)
		ok(t, err)
		near(t, "R13-H form", same, u.Deceleration)

		// A test in which the trailer alone brakes gives its rate back, with
		// the vehicle resisting by rolling.
		zrm, err := mech.CombinedRate(mech.RollingResistance, v, zt+mech.RollingResistance, r)
		ok(t, err)
		zr, err := mech.TrailerRate(zrm, v, r)
		ok(t, err)
		near(t, "trailer rate from the test", zr+1, zt+mech.RollingResistance+1)

		// A steady stop measured between its marks has its own deceleration.
		v0, a := draw(t, "v0", 40, 120), draw(t, "a", 1, 9)
		at := func(share float64) float64 {
			s := v0 / 3.6
			e := share * s
			return (s*s - e*e) / (2 * a)
		}
		d, err := mech.MFDD(v0, at(0.8), at(0.1))
		ok(t, err)
		near(t, "MFDD", d, a)

		// Climbing without rolling resistance is holding.
		slope, err := mech.Grade(v, 100*zt)
		ok(t, err)
		f, err := mech.TowingGrade(v, 100*zt, 0)
		ok(t, err)
		near(t, "tractive force", f+1, slope.Force+1)
		near(t, "share against grip", slope.Share, slope.Grip/math.Sqrt(1+slope.Grip*slope.Grip))
	})
}

// TestLowestTies names every limit that shares the least.
func TestLowestTies(t *testing.T) {
	got, err := mech.LargestTrailer(mech.Figures{Share: 0.1, Towbar: new(2500.0), BallLoad: new(250.0), Vehicle: new(3000.0)})
	if err != nil {
		t.Fatal(err)
	}
	if got.Kg != 2500 || len(got.Weakest) != 2 || got.Weakest[0] != "towbar" || got.Weakest[1] != "ball_load" {
		t.Errorf("largest = %v by %v, want 2500 by towbar and ball_load", got.Kg, got.Weakest)
	}
	rapid.Check(t, func(t *rapid.T) {
		var limits []mech.Limit
		for i := range rapid.IntRange(0, 6).Draw(t, "n") {
			limits = append(limits, mech.Limit{Name: string(rune('a' + i)), Kg: float64(rapid.IntRange(0, 3).Draw(t, "kg"))})
		}
		kg, names := mech.Lowest(limits)
		n := 0
		for _, l := range limits {
			isTrue(t, "none is below the least", l.Kg >= kg)
			if l.Kg == kg {
				n++
			}
		}
		isTrue(t, "all that share it are named", n == len(names))
	})
}

// TestLargestTrailer holds the edges: a rig already at its limit, nothing
// known, and a coupling that takes nothing from the front axle.
func TestLargestTrailer(t *testing.T) {
	over, err := mech.LargestTrailer(mech.Figures{Share: 0.1, VehicleTotal: new(2500.0), VehicleLaden: new(2600.0)})
	if err != nil || over.Kg != 0 || len(over.Weakest) != 1 || over.Weakest[0] != "vehicle_total" {
		t.Errorf("an overladen vehicle: %+v, %v, want 0 by vehicle_total", over, err)
	}
	none, err := mech.LargestTrailer(mech.Figures{Share: 0.1})
	if err != nil || len(none.Limits) != 0 || len(none.Weakest) != 0 || len(none.Missing) != 12 {
		t.Errorf("nothing known: %+v, %v, want 12 missing", none, err)
	}
	fifth, err := mech.LargestTrailer(mech.Figures{Share: 0.2, Overhang: new(-0.1)})
	if err != nil || len(fifth.Missing) != 11 {
		t.Errorf("coupling ahead of the rear axle: %v, %v, want no front axle limit", fifth.Missing, err)
	}
	front, err := mech.LargestTrailer(mech.Figures{
		Share: 0.1, FrontLaden: new(1100.0), FrontLeast: new(1000.0), Wheelbase: new(3.0), Overhang: new(1.5),
	})
	if err != nil || math.Abs(front.Kg-2000) > 1e-9 || front.Limits[0].From != mech.FactVehicleAxles {
		t.Errorf("front axle: %+v, %v, want 2000: 200 kg on the ball take 100 kg off", front, err)
	}
}

// TestQuantities reads exact quantities as the nearest float64.
func TestQuantities(t *testing.T) {
	type read = func(quantity.Quantity) (float64, bool)
	for _, c := range []struct {
		dim  quantity.Dimension
		text string
		read read
		want float64
	}{
		{quantity.Mass, "1000.1 kg", mech.Kg, 1000.1},
		{quantity.Mass, "3000 lb", mech.Kg, 1360.77711},
		{quantity.Length, "2.85 m", mech.Metres, 2.85},
		{quantity.Length, "1.875 in", mech.Millimetres, 47.625},
		{quantity.Force, "17.2 kN", mech.Newtons, 17200},
		{quantity.Force, "17.2 kN", mech.KN, 17.2},
		{quantity.Force, "1 lbf", mech.Newtons, 4.4482216152605},
		{quantity.Speed, "60 mph", mech.KMH, 96.56064},
		{quantity.Acceleration, "5.4 m/s2", mech.MS2, 5.4},
		{quantity.Grade, "18 %", mech.Percent, 18},
		{quantity.Percentage, "50 %", mech.Percent, 50},
	} {
		if got, ok := c.read(quantity.MustParse(c.dim, c.text)); !ok || got != c.want {
			t.Errorf("%s reads %v, %v, want %v", c.text, got, ok, c.want)
		}
	}
	for _, r := range []read{mech.Kg, mech.Metres, mech.Millimetres, mech.Newtons, mech.KN, mech.KMH, mech.MS2, mech.Percent} {
		if v, ok := r(quantity.Quantity{}); ok || v != 0 {
			t.Errorf("no quantity reads %v, %v, want false", v, ok)
		}
	}
	if v, ok := mech.Kg(quantity.MustParse(quantity.Mass, "0 kg")); !ok || v != 0 {
		t.Errorf("0 kg reads %v, %v, want a known nothing", v, ok)
	}
	defer func() {
		if recover() == nil {
			t.Error("a length read as a mass does not panic")
		}
	}()
	mech.Kg(quantity.MustParse(quantity.Length, "1 m"))
}

// TestPounds holds the units to their definitions.
func TestPounds(t *testing.T) {
	if got := mech.Pounds(1).Kg(); got != 0.45359237 {
		t.Errorf("1 lb = %v kg", got)
	}
	if got := mech.PoundsForce(1).N(); got != 4.4482216152605 || math.Abs(got-0.45359237*mech.GKgf) > 1e-15 {
		t.Errorf("1 lbf = %v N", got)
	}
	if got := mech.InPounds(45.359237); math.Abs(float64(got)-100) > 1e-12 {
		t.Errorf("45.359237 kg = %v lb", got)
	}
	if mech.G != 9.81 {
		t.Errorf("G = %v", mech.G)
	}
}
