package mech

import "math"

// SafetyChain is a mark of AS 4177.4.
type SafetyChain struct {
	Mark  string
	Mass  float64 // kg, the largest rated trailer mass, included
	Size  float64 // mm
	Proof float64 // kN; 0: not printed in what was read
}

var safetyChains = []SafetyChain{
	{"4177-10", 1000, 6.3, 4.9},
	{"4177-16", 1600, 8, 7.9},
	{"4177-25", 2500, 10, 12.3},
	{"4177-35", 3500, 13, 0},
}

// SafetyChainFor returns the least Australian chain mark for a trailer of rated
// mass atm kg.
//
// Source: FactAS4177 (AS 4177.4, two reprints; second-hand). Errors: *Bad for
// atm, also above 3500 kg, where the standard ends.
func SafetyChainFor(atm float64) (SafetyChain, error) {
	if err := positive("atm", atm); err != nil {
		return SafetyChain{}, err
	}
	for _, c := range safetyChains {
		if atMost(atm, c.Mass) {
			return c, nil
		}
	}
	return SafetyChain{}, &Bad{"atm", "is above 3500 kg, where the chain marks end"}
}

// SafetyChainMarked returns the row of a mark such as "4177-25"; false if there
// is none. Source: FactAS4177.
func SafetyChainMarked(mark string) (SafetyChain, bool) {
	for _, c := range safetyChains {
		if c.Mark == mark {
			return c, true
		}
	}
	return SafetyChain{}, false
}

var tiedownChains = map[string]map[int]Pounds{
	"1/4":  {30: 1300, 43: 2600, 70: 3150, 80: 3500, 100: 4300},
	"5/16": {30: 1900, 43: 3900, 70: 4700, 80: 4500, 100: 5700}, // grade 80 below 70: so printed
	"3/8":  {30: 2650, 43: 5400, 70: 6600, 80: 7100, 100: 8800},
	"7/16": {30: 3700, 43: 7200, 70: 8750},
	"1/2":  {30: 4500, 43: 9200, 70: 11300, 80: 12000, 100: 15000},
	"5/8":  {30: 6900, 43: 13000, 70: 15800, 80: 18100, 100: 22600},
}

// Tiedown returns the working load limit that 49 CFR 393.108 gives welded chain
// of a size in inches ("1/4", "5/16", "3/8", "7/16", "1/2", "5/8") and a grade
// (30, 43, 70, 80, 100). Grade 0 is unmarked chain, which counts as 30. The
// table is for tiedowns: a towing chain is judged by its breaking force, and no
// ratio of the two may be assumed.
//
// Source: FactTiedownChain (two reprints; second-hand; that unmarked counts as
// 30: text). Errors: *Bad for size and grade.
func Tiedown(size string, grade int) (Pounds, error) {
	row, ok := tiedownChains[size]
	if !ok {
		return 0, &Bad{"size", "is no size of the table"}
	}
	if grade == 0 {
		grade = 30
	}
	limit, ok := row[grade]
	if !ok {
		return 0, &Bad{"grade", "is not in the table for that size"}
	}
	return limit, nil
}

// chainStress is the mean stress in N/mm2 at the breaking force.
var chainStress = map[string]float64{
	"M": 400, "4": 400,
	"P": 500, "5": 500,
	"S": 630, "6": 630,
	"T": 800, "8": 800,
	"V": 1000, "10": 1000,
}

// ChainStress returns the mean stress in N/mm2 at which short link chain of an
// ISO grade (M, P, S, T, V, or 4, 5, 6, 8, 10) breaks. North American grades
// such as 43 and 70 are none of these.
//
// Source: FactChainGrades (EN 818; second-hand). Errors: *Bad for grade.
func ChainStress(grade string) (float64, error) {
	s, ok := chainStress[grade]
	if !ok {
		return 0, &Bad{"grade", "must be M, P, S, T or V, or 4, 5, 6, 8 or 10"}
	}
	return s, nil
}

// ChainForce is what a short link chain holds.
type ChainForce struct {
	Breaking float64 // kN
	Working  float64 // kg, a quarter of it; a standard then prints a preferred number at or below
}

// ChainBreaking returns the breaking force of short link chain of d mm bar at a
// mean stress in N/mm2: both sides of a link, 2 (pi/4) d2 stress. A kilogram is
// 9.80665 N here.
//
// Source: FactChainGrades (EN 818; second-hand). Errors: *Bad for d, stress.
func ChainBreaking(d, stress float64) (ChainForce, error) {
	if err := first(positive("d", d), positive("stress", stress)); err != nil {
		return ChainForce{}, err
	}
	n := math.Pi / 2 * d * d * stress
	return ChainForce{Breaking: n / 1000, Working: n / (4 * GKgf)}, nil
}

// Grade4Chain is a row of EN 818-3, grade 4.
type Grade4Chain struct {
	MM       float64
	Working  float64 // kg
	Breaking float64 // kN
}

var grade4Chains = []Grade4Chain{{7, 750, 30.8}, {8, 1000, 40.2}, {10, 1600, 62.8}, {13, 2650, 106}, {16, 4000, 161}}

// Grade4 returns the printed row of grade 4 short link chain of a size of 7, 8,
// 10, 13 or 16 mm; false for another.
//
// Source: FactChainGrades (EN 818-3; second-hand).
func Grade4(mm float64) (Grade4Chain, bool) {
	for _, c := range grade4Chains {
		if same(c.MM, mm) {
			return c, true
		}
	}
	return Grade4Chain{}, false
}

// Shackle is a bow shackle of grade 6.
type Shackle struct {
	MM      float64 // diameter of the bow
	Working float64 // kg
	EN      bool    // within EN 13889, which begins at 0.5 t
}

var shackles = []Shackle{
	{5, 330, false},
	{6, 500, true},
	{8, 750, true},
	{9, 1000, true},
	{10, 1000, true},
	{11, 1500, true},
	{13, 2000, true},
	{16, 3250, true},
	{19, 4750, true},
	{22, 6500, true},
	{25, 8500, true},
	{28, 9500, true},
	{32, 12000, true},
	{35, 13500, true},
	{38, 17000, true},
	{45, 25000, true},
}

// ShackleOf returns the grade 6 shackle with a bow of a printed diameter in mm;
// false for another. The limit is for a pull in line. 9 and 10 mm are two
// prints of one row.
//
// Source: FactShackles (second-hand).
func ShackleOf(mm float64) (Shackle, bool) {
	for _, s := range shackles {
		if same(s.MM, mm) {
			return s, true
		}
	}
	return Shackle{}, false
}

// ShackleAngle returns the part of its working load that a shackle carries at a
// pull of deg degrees off its line: all in line, 0.7 at 45, 0.5 at 90. Between
// those the lower is taken.
//
// Source: FactShackles (second-hand); the steps between are our own, on the
// safe side. Errors: *Bad for deg.
func ShackleAngle(deg float64) (float64, error) {
	if err := between("deg", deg, 0, 90); err != nil {
		return 0, err
	}
	switch {
	case deg == 0:
		return 1, nil
	case deg <= 45:
		return 0.7, nil
	}
	return 0.5, nil
}

// GuideShackle is a row of the Queensland guide to grade S shackles on safety
// chains.
type GuideShackle struct {
	Mass    float64 // kg, the largest rated trailer mass, included
	MM      float64
	Working float64 // kg
	Proof   float64 // kN, as printed
}

var guideShackles = []GuideShackle{{1000, 6, 500, 9.9}, {1600, 6, 500, 9.9}, {2500, 8, 750, 14.8}, {3500, 10, 1000, 19.7}}

// GuideShackleFor returns the least shackle that the guide prints for a trailer
// of rated mass atm kg.
//
// Source: FactShackleGuide (second-hand, medium). Errors: *Bad for atm, also
// above 3500 kg, where the guide ends.
func GuideShackleFor(atm float64) (GuideShackle, error) {
	if err := positive("atm", atm); err != nil {
		return GuideShackle{}, err
	}
	for _, s := range guideShackles {
		if atMost(atm, s.Mass) {
			return s, nil
		}
	}
	return GuideShackle{}, &Bad{"atm", "is above 3500 kg, where the guide ends"}
}

// ShackleCheck is the working of CheckShackle, in kg.
type ShackleCheck struct {
	Breaking float64 // six times the working load limit
	Need     float64 // one and a half times the rated trailer mass
	OK       bool
}

// CheckShackle holds a grade S (6) shackle of a working load limit in kg
// against a trailer of rated mass atm kg as the guide advises: 6 working >= 1.5
// atm. For design factor 6 only.
//
// Source: FactShackle (Queensland guide; second-hand; advice). Errors: *Bad for
// working, atm.
func CheckShackle(working, atm float64) (ShackleCheck, error) {
	if err := first(positive("working", working), positive("atm", atm)); err != nil {
		return ShackleCheck{}, err
	}
	return ShackleCheck{Breaking: 6 * working, Need: 1.5 * atm, OK: atMost(1.5*atm, 6*working)}, nil
}
