package mech

import "math"

// Limit is the largest laden trailer that one figure allows.
type Limit struct {
	Name string  // what limits, such as "rear_axle"
	Kg   float64 // the largest laden trailer; 0 where the rig is at its limit without one
	From Fact    // where the formula comes from
}

// Figures are the known ratings and loads of a rig, in kg and m. A nil pointer
// is not known, and what depends on it is left out and said so.
type Figures struct {
	Share float64 // coupling load as a fraction of the laden trailer, above 0 and below 1

	Vehicle  *float64 // trailer mass the vehicle may tow
	Ball     *float64 // trailer mass of the ball
	Towbar   *float64 // trailer mass of the towbar
	Coupling *float64 // trailer mass of the coupling head
	Chain    *float64 // trailer mass of the safety chains

	BallLoad *float64 // least of the coupling-load ratings

	VehicleTotal *float64 // rated mass of the vehicle
	VehicleLaden *float64 // the laden vehicle without a trailer

	AxleGroup *float64 // rated load of the trailer's axles together
	Tyres     *float64 // load that all tyres of the trailer carry together

	Combination *float64 // rated mass of vehicle and trailer together

	RearRated  *float64 // rated load of the vehicle's rear axle
	RearLaden  *float64 // its load without a trailer
	FrontLeast *float64 // least load the maker wants on the front axle
	FrontLaden *float64 // its load without a trailer
	Wheelbase  *float64 // m
	Overhang   *float64 // m from rear axle to coupling, negative ahead of it
}

// Largest is the answer of LargestTrailer.
type Largest struct {
	Limits  []Limit  // every limit that could be worked out, in the order of Figures
	Missing []string // names of limits left out for want of a figure
	Kg      float64  // the least limit; meaningless if Limits is empty
	Weakest []string // who sets it; several on a tie
}

// LargestTrailer returns the largest laden mass in kg of a trailer that puts
// the share of itself on the coupling, from all figures known, and which of
// them limit. Without a hitch that restores load. With any limit missing the
// true answer may be less.
//
// The limits, p being the share: vehicle, ball, towbar, coupling and chain as
// rated; ball_load S/p; vehicle_total (rated - laden)/p; axle_group and tyres
// c/(1-p); combination rated - laden; rear_axle (rated - laden) L/(p (L+h));
// front_axle (laden - least) L/(p h), none unless the coupling is behind the
// rear axle.
//
// Source: FactMaxTrailer (derived); front_axle from FactVehicleAxles. Errors:
// *Bad, named as the field in lower snake case ("rear_laden").
func LargestTrailer(f Figures) (Largest, error) {
	p := f.Share
	if !(p > 0 && p < 1) {
		return Largest{}, &Bad{"share", "must be above 0 and below 1"}
	}
	if err := f.check(); err != nil {
		return Largest{}, err
	}
	var out Largest
	add := func(name string, kg func() float64, needs ...*float64) {
		for _, n := range needs {
			if n == nil {
				out.Missing = append(out.Missing, name)
				return
			}
		}
		from := FactMaxTrailer
		if name == "front_axle" {
			from = FactVehicleAxles
		}
		out.Limits = append(out.Limits, Limit{Name: name, Kg: math.Max(0, kg()), From: from})
	}
	plain := func(name string, v *float64) { add(name, func() float64 { return *v }, v) }

	plain("vehicle", f.Vehicle)
	plain("ball", f.Ball)
	plain("towbar", f.Towbar)
	plain("coupling", f.Coupling)
	plain("chain", f.Chain)
	add("ball_load", func() float64 { return *f.BallLoad / p }, f.BallLoad)
	add("vehicle_total", func() float64 { return (*f.VehicleTotal - *f.VehicleLaden) / p }, f.VehicleTotal, f.VehicleLaden)
	add("axle_group", func() float64 { return *f.AxleGroup / (1 - p) }, f.AxleGroup)
	add("tyres", func() float64 { return *f.Tyres / (1 - p) }, f.Tyres)
	add("combination", func() float64 { return *f.Combination - *f.VehicleLaden }, f.Combination, f.VehicleLaden)
	add("rear_axle", func() float64 {
		return (*f.RearRated - *f.RearLaden) * *f.Wheelbase / (p * (*f.Wheelbase + *f.Overhang))
	}, f.RearRated, f.RearLaden, f.Wheelbase, f.Overhang)
	// A coupling at or ahead of the rear axle takes nothing from the front.
	if f.Overhang == nil || *f.Overhang > 0 {
		add("front_axle", func() float64 {
			return (*f.FrontLaden - *f.FrontLeast) * *f.Wheelbase / (p * *f.Overhang)
		}, f.FrontLeast, f.FrontLaden, f.Wheelbase, f.Overhang)
	}
	out.Kg, out.Weakest = Lowest(out.Limits)
	return out, nil
}

// check refuses known figures that cannot be computed with.
func (f Figures) check() error {
	for _, k := range []struct {
		arg string
		v   *float64
		fit func(string, float64) error
	}{
		{"vehicle", f.Vehicle, notNegative},
		{"ball", f.Ball, notNegative},
		{"towbar", f.Towbar, notNegative},
		{"coupling", f.Coupling, notNegative},
		{"chain", f.Chain, notNegative},
		{"ball_load", f.BallLoad, notNegative},
		{"vehicle_total", f.VehicleTotal, notNegative},
		{"vehicle_laden", f.VehicleLaden, positive},
		{"axle_group", f.AxleGroup, notNegative},
		{"tyres", f.Tyres, notNegative},
		{"combination", f.Combination, notNegative},
		{"rear_rated", f.RearRated, notNegative},
		{"rear_laden", f.RearLaden, notNegative},
		{"front_least", f.FrontLeast, notNegative},
		{"front_laden", f.FrontLaden, notNegative},
		{"wheelbase", f.Wheelbase, positive},
		{"overhang", f.Overhang, finite},
	} {
		if k.v == nil {
			continue
		}
		if err := k.fit(k.arg, *k.v); err != nil {
			return err
		}
	}
	if f.Wheelbase != nil && f.Overhang != nil && *f.Wheelbase+*f.Overhang < least {
		return &Bad{"overhang", "puts the coupling at or ahead of the front axle"}
	}
	return nil
}

// Lowest returns the least of limits and the names of all that share it within
// rounding, in order; 0 and none for no limits. The part that allows the least
// governs an assembly, a plate or a chain with its anchors alike.
//
// Source: FactWeakest (49 CFR 393.108(a); text), FactTwoPlates (second-hand).
func Lowest(limits []Limit) (kg float64, names []string) {
	kg = math.Inf(1)
	for _, l := range limits {
		kg = math.Min(kg, l.Kg)
	}
	for _, l := range limits {
		if same(l.Kg, kg) {
			names = append(names, l.Name)
		}
	}
	if len(limits) == 0 {
		return 0, nil
	}
	return kg, names
}
