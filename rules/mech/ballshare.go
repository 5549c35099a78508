package mech

// CentreAxleBall returns the most that a centre-axle trailer of rated mass mam
// kg puts on the coupling by definition: 10 percent of it or 1000 kg (10 kN),
// whichever is less.
//
// Source: FactCentreAxleBall (ISO-based term list; second-hand). Errors: *Bad
// for mam.
func CentreAxleBall(mam float64) (float64, error) {
	if err := positive("mam", mam); err != nil {
		return 0, err
	}
	return min(mam/10, 1000), nil
}

// BelgianBall is the coupling load that Belgium asks of a trailer with one
// axle, in kg.
type BelgianBall struct {
	Lower float64 // least
	Upper float64 // a load must stay below it, and may reach it where it is 1000
	OK    bool
}

// BallInBelgium judges a coupling load of s kg of a one-axle trailer that
// weighs mass kg and is permitted mam kg: at least 1 percent of mass, but not
// more than 50 kg, below 10 percent of mam, and not above 1000 kg.
//
// Source: FactBelgianBall (Royal Decree of 15 March 1968, annex 1.5.3; text in
// translation). Errors: *Bad for mass, mam, s.
func BallInBelgium(mass, mam, s float64) (BelgianBall, error) {
	if err := first(positive("mass", mass), positive("mam", mam), finite("s", s)); err != nil {
		return BelgianBall{}, err
	}
	b := BelgianBall{Lower: min(mass/100, 50), Upper: min(mam/10, 1000)}
	b.OK = atMost(b.Lower, s) && below(s, mam/10) && atMost(s, 1000)
	return b, nil
}

// ShareRange is a share of the trailer that working advice wants on the
// coupling. Outside it is a reason to warn, never to fail: the hard limits are
// the ratings.
type ShareRange struct {
	Place     string  // GB, US, CA, AU, NZ, EU
	Turntable bool    // a fifth wheel or gooseneck
	Low, High float64 // percent; High 0: none is given
	Aim       float64 // percent; 0: none is given
	Of        string  // what it is a share of
	Says      string  // what else is quoted
	Source    Source
}

var (
	guide    = sources[FactBallShares]
	practice = Source{Title: "common practice, no published source", How: "memory", Confidence: "medium", Caution: "working advice, no law"}
	makers   = Source{Title: "Owner and trailer manuals of several makers", How: "second-hand", Confidence: "medium", Caution: "working advice, no law; makers differ"}
	nzAgency = Source{Title: "Rule of thumb of the New Zealand transport agency", How: "second-hand", Confidence: "medium", Caution: "working advice, no law"}
)

const todaysMass = "what the trailer weighs now"

var ballShares = []ShareRange{
	{Place: "GB", Low: 5, High: 7, Of: todaysMass, Says: "for caravans", Source: guide},
	{Place: "US", Low: 10, High: 15, Of: todaysMass, Says: "one maker prints 9 to 11 percent, another 8 to 15", Source: makers},
	{Place: "US", Turntable: true, Low: 15, High: 25, Of: todaysMass, Source: practice},
	{Place: "CA", Low: 10, High: 15, Of: todaysMass, Says: "one maker prints 9 to 11 percent, another 8 to 15", Source: makers},
	{Place: "CA", Turntable: true, Low: 15, High: 25, Of: todaysMass, Source: practice},
	{Place: "AU", Low: 5, High: 15, Aim: 10, Of: "the rated or the present mass", Source: practice},
	{Place: "NZ", Aim: 10, Of: "the laden trailer", Source: nzAgency},
	{Place: "EU", Low: 4, Of: "the towable mass", Says: "aim near the permitted coupling load", Source: practice},
}

// BallShare returns the working range of a place: GB, US, CA, AU, NZ, or EU for
// Germany and the EU trade. turntable asks for fifth wheels and goosenecks.
//
// Source: FactBallShares, with a source of its own in each range (second-hand
// or memory, medium).
func BallShare(place string, turntable bool) (ShareRange, bool) {
	for _, s := range ballShares {
		if s.Place == place && s.Turntable == turntable {
			return s, true
		}
	}
	return ShareRange{}, false
}

// Trade advice in the UK on the laden caravan against the kerb mass of the car.
// Source: FactMassRatio (second-hand, medium); no law.
const (
	MassRatioNovice      = 0.85
	MassRatioExperienced = 1.00
)
