package fitting

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules"
	"drawgear/rules/quantity"
)

// reading is one measured amount in the unit of its expectation.
type reading struct {
	value float64
	text  string
}

// amount turns a quantity into volts, amperes, ohms, minutes, metres, m/s2, km/h
// or a share. Its base units are whole, so that the nearest float64 results.
func amount(q quantity.Quantity) float64 {
	scale := map[quantity.Dimension]float64{
		quantity.Voltage: 1e6, quantity.Current: 1e6, quantity.Resistance: 1e9, quantity.Duration: 6e7,
		quantity.Length: 1e9, quantity.Acceleration: 1e12, quantity.Speed: 1e12, quantity.Percentage: 1e9,
	}[q.Dimension()]
	return float64(q.Base()) / scale
}

// share is a percentage as a share of one.
func share(q quantity.Quantity) float64 { return amount(q) }

// measured lists readings by the id of their expectation.
func (m Measurements) measured(p *Plan) map[string]reading {
	out := map[string]reading{}
	put := func(id string, q quantity.Quantity) {
		if !q.IsZero() {
			out[id] = reading{amount(q), q.Text()}
		}
	}
	yes := func(id string, v *bool) {
		if v != nil {
			x := 0.0
			if *v {
				x = 1
			}
			out[id] = reading{x, yesNo(*v)}
		}
	}
	if m.Polarity != "" {
		correct := m.Polarity == "correct"
		yes("polarity", &correct)
		out["polarity"] = reading{out["polarity"].value, m.Polarity}
	}
	put("supply_rest", m.SupplyRest)
	put("supply_loaded", m.SupplyLoaded)
	put("battery_loaded", m.BatteryLoaded)
	put("bank_resistance", m.Bank)
	put("insulation", m.Insulation)
	put("output_idle", m.OutputIdle)
	put("output_lamps", m.OutputLamps)
	put("output_flashing", m.OutputFlashing)
	for _, s := range m.Output {
		put(outputID(share(s.Demand)), s.Socket)
	}
	if n := p.Proof.Network; n != nil && len(m.AxleCurrents) <= len(n.Axles) {
		for i, q := range m.AxleCurrents {
			put("axle_current/"+strconv.Itoa(n.Axles[i].Axle), q)
		}
	}
	put("pump_current", m.PumpCurrent)
	put("magnet_voltage", m.MagnetVoltage)
	put("feed_drop", m.FeedDrop)
	put("return_drop", m.ReturnDrop)
	put("stop_released", m.StopReleased)
	put("stop_pressed", m.StopPressed)
	put("stop_flashing", m.StopFlashing)
	yes("radio_noise", m.RadioNoise)
	yes("override_works", m.OverrideWorks)
	yes("override_lamps", m.OverrideLamps)
	yes("breakaway/applies", m.Breakaway.Applies)
	put("breakaway/hold", m.Breakaway.Hold)
	put("breakaway/start_voltage", m.Breakaway.Start)
	put("breakaway/end_voltage", m.Breakaway.End)
	put("breakaway/current", m.Breakaway.Current)
	yes("breakaway/releases", m.Breakaway.Releases)
	yes("breakaway/indicator", m.Breakaway.Warns)
	yes("breakaway/charges", m.Breakaway.Charges)
	yes("mechanical/wheels_free", m.Mechanical.WheelsFree)
	yes("mechanical/wheels_braked", m.Mechanical.WheelsBraked)
	yes("mechanical/coupling_moves", m.Mechanical.CouplingMoves)
	yes("mechanical/parking_holds", m.Mechanical.ParkingHolds)
	yes("mechanical/reverses", m.Mechanical.Reverses)
	return out
}

// fieldOf is where a reading is entered.
func fieldOf(p *Plan, id string) string {
	named := map[string]string{
		"breakaway/hold": "/breakaway/hold", "breakaway/start_voltage": "/breakaway/start_voltage", "breakaway/end_voltage": "/breakaway/end_voltage",
		"breakaway/indicator": "/breakaway/indicator_works",
	}
	if at, ok := named[id]; ok {
		return at
	}
	if n := p.Proof.Network; n != nil {
		for i, a := range n.Axles {
			if id == "axle_current/"+strconv.Itoa(a.Axle) {
				return "/axle_currents/" + strconv.Itoa(i)
			}
		}
	}
	if strings.HasPrefix(id, "output/") {
		return "/output/-"
	}
	if strings.HasPrefix(id, "road/") {
		return "/road/-"
	}
	return "/" + id
}

// Judge holds what was measured against what the plan expects at the supply that
// was measured, and ranks the faults that would explain what is off.
func Judge(p *Plan, m Measurements) *Judgement {
	j := &Judgement{Open: []string{}, Failed: []string{}, Proofs: []Proof{}, Faults: []Fault{}, NextRead: []string{}, Cautions: slices.Clone(p.Cautions)}
	got := m.measured(p)
	e := expecting{p: p, supply: p.Proof.Supply}
	if r, ok := got["supply_rest"]; ok && r.value > 0 {
		e.supply = r.value
	}
	var steps []float64
	for _, s := range m.Output {
		steps = append(steps, share(s.Demand))
	}
	expected := e.all(steps)
	if n := p.Proof.Network; n != nil && len(m.AxleCurrents) > len(n.Axles) {
		j.Cautions = append(j.Cautions, fmt.Sprintf("There are %d currents for %d braked axles: none of them was judged.", len(m.AxleCurrents), len(n.Axles)))
	}
	for _, x := range expected {
		pr := judgeOne(p, x, got, m)
		if pr.Status != rules.Met && pr.Required {
			j.Open = append(j.Open, pr.ID)
		}
		if pr.Status == rules.NotMet {
			j.Failed = append(j.Failed, pr.ID)
		}
		j.Proofs = append(j.Proofs, pr)
	}
	j.Proven = len(j.Open) == 0 && len(j.Failed) == 0
	if len(j.Failed) > 0 {
		if x := newDiagnosis(p, expected, j.Proofs, got, e.supply); len(x.failed) > 0 {
			j.Faults, j.NextRead = x.rank()
			if len(j.Faults) == 0 {
				j.Cautions = append(j.Cautions, "No single fault known here explains what is off: there may be two at once, or a reading is wrong. Measure again, beginning with the supply.")
			}
		}
		j.Cautions = append(j.Cautions, "Do not drive with the trailer until what is off has been put right and measured again.")
	}
	return j
}

// judgeOne judges one expectation.
func judgeOne(p *Plan, x Expectation, got map[string]reading, m Measurements) Proof {
	pr := Proof{ID: x.ID, Title: x.Title, Required: x.Required, Status: rules.Unknown, Expected: x.Expected, WaitsFor: []Pointer{}}
	switch {
	case x.ID == "scope" || x.ID == "breakaway/scope":
		pr.Summary, pr.WaitsFor = x.Because, x.WaitsFor
		return pr
	case x.ID == "plan":
		return judgePlan(p, pr)
	case strings.HasPrefix(x.ID, "road/"):
		judgeRoad(p, x, m.Road, &pr)
		return pr
	case x.ID == "insulation":
		if _, ok := got["insulation"]; !ok && !m.Leakage.IsZero() {
			return judgeLeakage(pr, m.Leakage)
		}
	}
	r, ok := got[x.ID]
	if !ok {
		pr.Summary = "Not measured."
		pr.WaitsFor = append([]Pointer{{InMeasurements, fieldOf(p, x.ID)}}, x.WaitsFor...)
		return pr
	}
	pr.Measured = r.text
	if x.Low == nil && x.High == nil {
		pr.Summary, pr.WaitsFor = "What it must come to is not known yet.", x.WaitsFor
		return pr
	}
	pr.Status = rules.Met
	if !inside(x, r.value) {
		pr.Status = rules.NotMet
	}
	if x.ID == "breakaway/end_voltage" && pr.Status == rules.NotMet && r.value >= p.Proof.FloorLeast*(1-noise) {
		pr.Status = rules.Unknown
		pr.Summary = fmt.Sprintf("%s lies between %s and %s, where practice disagrees on the floor: judge by the brakes themselves, or tell the floor of the battery's maker.", r.text, volts(p.Proof.FloorLeast), volts(p.Proof.Floor))
		pr.WaitsFor = []Pointer{inRequest("/breakaway/floor")}
		return pr
	}
	pr.Summary = fmt.Sprintf("%s: %s measured, %s expected.", x.Title, r.text, x.Expected)
	return pr
}

// judgePlan holds the plan itself against its ratings: good readings do not make
// up for a part that is too weak or a connector that must not be joined.
func judgePlan(p *Plan, pr Proof) Proof {
	pr.Status = rules.Met
	pr.Summary = "What is fitted is up to this rig."
	note := func(s rules.Status, what string, at []Pointer) {
		if s == rules.NotMet && pr.Status != rules.NotMet || s == rules.Unknown && pr.Status == rules.Met {
			pr.Status, pr.Summary = s, what
		}
		if s == rules.Unknown {
			pr.WaitsFor = appendNew(pr.WaitsFor, at...)
		}
	}
	for _, n := range p.Needs {
		if n.Level != "practice" {
			note(n.Status, "Of the "+n.Of+": "+n.Needs, n.WaitsFor)
		}
	}
	for _, f := range p.Findings {
		if f.Level != "practice" {
			note(f.Status, f.Summary, f.WaitsFor)
		}
	}
	if p.Circuit.State == Unfit {
		note(rules.NotMet, p.Circuit.Says, nil)
	}
	if p.Protection.State == Unfit {
		note(rules.NotMet, strings.Join(p.Protection.Notes, " "), nil)
	}
	if pr.Status != rules.Unknown {
		pr.Measured = "by the plan"
	}
	return pr
}

// noise is what sums of decimals leave in a float64.
const noise = 1e-9

// inside reports that an amount lies in the range of an expectation, ends
// included.
func inside(x Expectation, v float64) bool {
	return (x.Low == nil || v >= *x.Low-noise*math.Abs(*x.Low)) && (x.High == nil || v <= *x.High+noise*math.Abs(*x.High))
}

func judgeLeakage(pr Proof, q quantity.Quantity) Proof {
	pr.Measured, pr.Status = q.Text(), rules.Met
	pr.Expected = "at most 1 mA"
	if amount(q) > mostLeakage*(1+noise) {
		pr.Status = rules.NotMet
	}
	pr.Summary = fmt.Sprintf("%s: the line takes %s, %s expected.", pr.Title, q.Text(), pr.Expected)
	return pr
}

// complete reports that a run tells how fast it was, on what, and how it ended.
func (r RoadTest) complete() bool {
	return !r.Speed.IsZero() && r.Surface != "" && (!r.Deceleration.IsZero() || !r.Distance.IsZero())
}

// judgeRoad judges what the road tests show.
func judgeRoad(p *Plan, x Expectation, runs []RoadTest, pr *Proof) {
	unknown := func(summary string, at ...string) {
		pr.Summary = summary
		for _, f := range at {
			pr.WaitsFor = append(pr.WaitsFor, Pointer{InMeasurements, f})
		}
	}
	if len(runs) == 0 && !asksPerformance(x) {
		unknown("No road test with the trailer is recorded.", "/road/-")
		return
	}
	switch x.ID {
	case "road/run":
		for _, r := range runs {
			if r.complete() {
				pr.Status, pr.Measured, pr.Summary = rules.Met, r.text(), "A road test with the trailer is recorded."
				return
			}
		}
		unknown("The road test lacks speed, surface, or deceleration or distance.", lacking(runs)...)
	case "road/straight":
		each(pr, runs, "pull", func(r RoadTest) (bool, bool) { return r.Pull == "none", r.Pull != "" }, "The rig stayed straight on every run.", "The rig pulled to a side.")
	case "road/no_lock":
		each(pr, runs, "wheel_lock", func(r RoadTest) (bool, bool) { return r.WheelLock != nil && !*r.WheelLock, r.WheelLock != nil }, "No trailer wheel locked.", "A trailer wheel locked.")
	case "road/laden":
		for _, r := range runs {
			if r.complete() && r.Laden != nil && *r.Laden {
				pr.Status, pr.Measured, pr.Summary = rules.Met, r.text(), "Repeated laden."
				return
			}
		}
		unknown("No complete run with the trailer laden is recorded.", "/road/-/laden")
	default:
		judgeAsked(p, x, runs, pr)
	}
}

func asksPerformance(x Expectation) bool {
	return x.ID != "road/run" && x.ID != "road/straight" && x.ID != "road/no_lock" && x.ID != "road/laden"
}

func (r RoadTest) text() string {
	s := r.Speed.Text() + ", " + spaced(r.Surface)
	if !r.Deceleration.IsZero() {
		s += ", " + r.Deceleration.Text()
	}
	if !r.Distance.IsZero() {
		s += ", " + r.Distance.Text()
	}
	return s
}

func lacking(runs []RoadTest) []string {
	var out []string
	for i, r := range runs {
		at := "/road/" + strconv.Itoa(i)
		if r.Speed.IsZero() {
			out = append(out, at+"/speed")
		}
		if r.Surface == "" {
			out = append(out, at+"/surface")
		}
		if r.Deceleration.IsZero() && r.Distance.IsZero() {
			out = append(out, at+"/deceleration")
		}
	}
	return out
}

// each asks the same of every run.
func each(pr *Proof, runs []RoadTest, field string, good func(RoadTest) (ok, known bool), yes, no string) {
	pr.Status, pr.Summary = rules.Met, yes
	for i, r := range runs {
		ok, known := good(r)
		switch {
		case known && !ok:
			pr.Status, pr.Summary, pr.Measured, pr.WaitsFor = rules.NotMet, no, "no", []Pointer{}
			return
		case !known:
			pr.Status, pr.Summary = rules.Unknown, "Not told for every run."
			pr.WaitsFor = append(pr.WaitsFor, Pointer{InMeasurements, "/road/" + strconv.Itoa(i) + "/" + field})
		}
	}
	if pr.Status == rules.Met {
		pr.Measured = "yes"
	}
}

// judgeAsked judges a performance that law asks for. Only runs with the trailer
// laden count; only a dry sealed road can show that it is not reached.
func judgeAsked(p *Plan, x Expectation, runs []RoadTest, pr *Proof) {
	i := slices.IndexFunc(p.Proof.Asked, func(a AskedBrake) bool { return a.expectation() == x.ID && (a.Says == x.Because) })
	if i < 0 {
		return
	}
	a := p.Proof.Asked[i]
	pr.Summary = "Not shown: it takes a run with the trailer laden, on a dry sealed road."
	if a.Question == "braking_performance.trailer_deceleration" || a.Deceleration == 0 && a.Efficiency == 0 && a.Within == 0 {
		runs = nil // no run of the rig shows it
		pr.Summary = "A run of the whole rig does not show it."
	}
	for n, r := range runs {
		if r.Laden == nil || !*r.Laden {
			continue
		}
		s := a.shownBy(r, x)
		if s == rules.NotMet && r.Surface != "dry_sealed" {
			s = rules.Unknown
		}
		if s == rules.Unknown || pr.Status == rules.Met && s == rules.Met {
			continue
		}
		pr.Status, pr.Measured = s, r.text()
		pr.Summary = fmt.Sprintf("%s Run %d: %s.", a.Says, n+1, r.text())
		if s == rules.NotMet {
			return
		}
	}
	if pr.Status != rules.Unknown {
		return
	}
	if a.Shown == rules.Met {
		pr.Status, pr.Measured, pr.Summary = rules.Met, "as in the rig document", "Shown by the evidence in the rig document."
		return
	}
	pr.WaitsFor = append(pr.WaitsFor, x.WaitsFor...)
	if runs != nil || a.Question != "braking_performance.trailer_deceleration" {
		pr.WaitsFor = append(pr.WaitsFor, Pointer{InMeasurements, "/road/-"})
	}
}

// expectation is the id under which a performance is expected.
func (a AskedBrake) expectation() string {
	id := "road/" + a.Question
	if a.Within > 0 {
		id += "/" + figure(a.From) + "-" + figure(a.Within)
	}
	return id
}

// shownBy is what one run shows of a performance. A distance says nothing certain
// of a mean fully developed deceleration, which leaves out how braking builds up.
func (a AskedBrake) shownBy(r RoadTest, x Expectation) rules.Status {
	v, d := 0.0, 0.0
	if !r.Speed.IsZero() {
		v = amount(r.Speed)
	}
	if !r.Distance.IsZero() {
		d = amount(r.Distance)
	}
	if a.Within > 0 {
		switch {
		case v == 0 || d == 0:
			return rules.Unknown
		case v >= a.From*(1-noise) && d <= a.Within*(1+noise):
			return rules.Met
		case v <= a.From*(1+noise) && d > a.Within*(1+noise):
			return rules.NotMet
		}
		return rules.Unknown
	}
	switch {
	case !r.Deceleration.IsZero() && inside(x, amount(r.Deceleration)):
		return rules.Met
	case !r.Deceleration.IsZero():
		return rules.NotMet
	}
	return rules.Unknown
}
