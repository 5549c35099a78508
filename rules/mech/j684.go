package mech

// HitchClass is a North American class of light trailer coupling with the
// static test loads of its coupling.
type HitchClass struct {
	Class        int
	BallIn       float64     // in, the least ball; 0: sized to the coupling
	Longitudinal PoundsForce // tension and compression
	Transverse   PoundsForce
	Vertical     PoundsForce // tension in class 4; the one figure printed in the others
	Compression  PoundsForce // vertical, class 4 only
	Chain        PoundsForce // least breaking force of a safety chain
}

// HitchClassOf returns the class for a gross trailer weight up to 10000 lb. A
// bound belongs to the lower class. The size of a receiver makes no class.
//
// Source: FactJ684Classes (COMAR 11.13.08.10 Table 1; text); Chain from
// FactJ684Chain (second-hand), which does not say whether it is for one chain.
// Errors: *Bad for gross.
func HitchClassOf(gross Pounds) (HitchClass, error) {
	if err := positive("gross", float64(gross)); err != nil {
		return HitchClass{}, err
	}
	within := func(top Pounds) bool { return atMost(float64(gross), float64(top)) }
	switch r := PoundsForce(gross); {
	case within(2000):
		return HitchClass{1, 1.875, 6000, 2000, 2500, 0, 2000}, nil
	case within(3500):
		return HitchClass{2, 2, 10500, 3000, 4500, 0, 3500}, nil
	case within(5000):
		return HitchClass{3, 2, 15000, 4000, 7000, 0, 5000}, nil
	case within(10000):
		return HitchClass{4, 0, 3 * r, r, 1.3 * r, 1.4 * r, r}, nil
	}
	return HitchClass{}, &Bad{"gross", "is above 10000 lb, where the classes end"}
}

// HitchTest are static test loads of a weight-carrying hitch.
type HitchTest struct {
	First      PoundsForce // step 1, vertical and lengthways alike
	Second     PoundsForce // steps 2 and 3, lengthways
	Vertical   PoundsForce // with Second
	Transverse PoundsForce // steps 4 and 5
}

// HitchTestFor returns the test loads of a weight-carrying hitch for a gross
// trailer weight r: 0.47 r + 480; 0.23 r + 1530 with 0.15 r; 0.20 r + 500.
//
// Source: FactHitchTest (COMAR 11.13.08.10; text, medium). Errors: *Bad for
// gross, also above 10000 lb, where the classes end.
func HitchTestFor(gross Pounds) (HitchTest, error) {
	if _, err := HitchClassOf(gross); err != nil {
		return HitchTest{}, err
	}
	r := PoundsForce(gross)
	return HitchTest{First: 0.47*r + 480, Second: 0.23*r + 1530, Vertical: 0.15 * r, Transverse: 0.20*r + 500}, nil
}
