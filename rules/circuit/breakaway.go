package circuit

import (
	"fmt"
	"math"
)

// Derating is what is left of a battery's nameplate: factors of 1 for age, for
// cold and for how deep it may be drained.
type Derating struct {
	Ageing float64 `json:"ageing"`
	Cold   float64 `json:"cold"`
	Depth  float64 `json:"depth"`
}

// WorstCase is the customary derating of a small sealed lead-acid battery: old,
// near freezing, drained to 80 % in an emergency. Common practice.
var WorstCase = Derating{0.8, 0.8, 0.8}

// NoDerating is a battery new and warm, drained to the last.
var NoDerating = Derating{1, 1, 1}

func (d Derating) product() float64 { return d.Ageing * d.Cold * d.Depth }

func (d Derating) check() error {
	for _, f := range []struct {
		arg string
		x   float64
	}{{"/derating/ageing", d.Ageing}, {"/derating/cold", d.Cold}, {"/derating/depth", d.Depth}} {
		if err := over(f.arg, f.x, 0, 1, "(a factor)"); err != nil {
			return err
		}
	}
	return nil
}

// ColdFactor is the customary share of capacity left at t degC: 0.8 down to 0,
// 0.6 down to -18; 1 from 20 up. It does not go between its figures, and false
// below -18, where there are none. Common practice.
func ColdFactor(t float64) (float64, bool) {
	switch {
	case t >= 20:
		return 1, true
	case t >= 0:
		return 0.8, true
	case t >= -18:
		return 0.6, true
	}
	return 0, false
}

// Peukert corrects capacity for the rate of discharge by Peukert's law. At 15
// minutes it is optimistic.
type Peukert struct {
	Exponent float64 `json:"exponent"`       // 1.05 to 1.15 AGM, 1.1 to 1.25 gel, 1.2 to 1.6 flooded
	Hours    float64 `json:"hours"`          // of the nameplate, usually 20
	Kind     string  `json:"kind,omitempty"` // agm, gel or flooded; checks the exponent
}

// PeukertRanges are the exponents found for each kind of lead-acid battery;
// second-hand.
var PeukertRanges = map[string][2]float64{"agm": {1.05, 1.15}, "gel": {1.1, 1.25}, "flooded": {1.2, 1.6}}

func (p Peukert) check() error {
	if err := within("/peukert/exponent", p.Exponent, 1, 2, ""); err != nil {
		return err
	}
	if r, ok := PeukertRanges[p.Kind]; ok {
		if err := within("/peukert/exponent", p.Exponent, r[0], r[1], "for "+p.Kind); err != nil {
			return err
		}
	} else if p.Kind != "" {
		return &Bad{"/peukert/kind", "must be agm, gel or flooded"}
	}
	return over("/peukert/hours", p.Hours, 0, 1000, "h")
}

// Table is the capacity in Ah that the battery's maker states for a discharge of
// some minutes. It already holds the rate.
type Table struct {
	AmpHours float64 `json:"amp_hours"`
	Minutes  float64 `json:"minutes"`
}

func (t Table) check() error {
	if err := over("/table/amp_hours", t.AmpHours, 0, 10000, "Ah"); err != nil {
		return err
	}
	return over("/table/minutes", t.Minutes, 0, 6000, "min")
}

// Hold is a breakaway hold: what the brakes draw, and for how long. Correct the
// rate by Peukert or by the maker's table, never by both.
type Hold struct {
	Magnets  int       `json:"magnets"`
	AmpsEach float64   `json:"amps_each"`
	Other    float64   `json:"other_a,omitempty"`  // stop lamps and electronics held on
	Minutes  float64   `json:"minutes"`            // asked for
	Derating *Derating `json:"derating,omitempty"` // WorstCase if left out
	Peukert  *Peukert  `json:"peukert,omitempty"`
	// Battery is the nameplate of the one fitted, Ah.
	Battery *float64 `json:"battery_ah,omitempty"`
	// Table is what the maker of the one fitted states.
	Table *Table `json:"table,omitempty"`
}

// HoldResult is the battery that a hold asks for, and how long the one fitted
// lasts.
type HoldResult struct {
	Amps    float64 `json:"amps"`
	Charge  float64 `json:"charge_ah"`            // drawn
	Derated float64 `json:"nameplate_no_rate_ah"` // charge over the derating factors, no correction for rate
	// Rated is the nameplate for the rate alone, and Needed that with derating;
	// both by Peukert, nil without it.
	Rated  *float64 `json:"nameplate_rate_ah,omitempty"`
	Needed *float64 `json:"nameplate_ah,omitempty"`
	// Lasts is how long the battery fitted holds, min; nil if that cannot be
	// said.
	Lasts    *float64 `json:"lasts_min,omitempty"`
	Enough   Status   `json:"enough"`
	Needs    []string `json:"needs,omitempty"`
	Says     string   `json:"says"`
	Assumes  []string `json:"assumes"`
	Cautions []string `json:"cautions"`
	Digits   int      `json:"digits"`
	Sources  []Source `json:"sources"`
}

// HoldTime is how long in minutes a battery of capacity Ah at a rated discharge
// of hours lasts at a current, by Peukert's law. Multiply the capacity by the
// derating factors first.
func HoldTime(capacity, amps, hours, exponent float64) float64 {
	return 60 * hours * math.Pow(capacity/(amps*hours), exponent)
}

// PeukertCapacity is the capacity in Ah at a rated discharge of hours that gives
// a current for some minutes, by Peukert's law; the inverse of HoldTime.
func PeukertCapacity(amps, minutes, hours, exponent float64) float64 {
	return amps * hours * math.Pow(minutes/60/hours, 1/exponent)
}

// SizeHold works out the battery for a hold and judges the one fitted. Nameplate
// alone never makes a battery adequate: without a correction for the rate the
// answer is unknown unless even the uncorrected charge is too much.
func SizeHold(h Hold) (HoldResult, error) {
	d, err := h.check()
	if err != nil {
		return HoldResult{}, err
	}
	r := HoldResult{
		Amps: float64(h.Magnets)*h.AmpsEach + h.Other, Enough: Unknown, Digits: 2,
		Sources: []Source{physics, practice(medium).at("derating factors")},
	}
	r.Charge = r.Amps * h.Minutes / 60
	r.Derated = r.Charge / d.product()
	r.Assumes = []string{
		fmt.Sprintf("Factors used: %s for age, %s for cold, %s for depth of discharge.", show(d.Ageing), show(d.Cold), show(d.Depth)),
		"The current is steady; it falls somewhat as the battery sags, and the brakes with it.",
	}
	r.Cautions = []string{
		"Judge the hold by the voltage at the magnets at its end, not by the battery being there; a lamp that shows voltage without load proves nothing.",
		"Magnet sums do not apply to electric-over-hydraulic units: take the maker's figures.",
	}
	switch {
	case h.Peukert != nil:
		r.byPeukert(h, d)
	case h.Table != nil:
		r.byTable(h, d)
	default:
		r.byCharge(h)
	}
	r.words(h)
	return r, nil
}

func (h Hold) check() (Derating, error) {
	d := WorstCase
	if h.Derating != nil {
		d = *h.Derating
	}
	if h.Magnets < 0 || h.Magnets > 4*mostAxles {
		return d, &Bad{"/magnets", fmt.Sprintf("must be from 0 to %d, not %d", 4*mostAxles, h.Magnets)}
	}
	if err := within("/amps_each", h.AmpsEach, 0, mostAmps, "A"); err != nil {
		return d, err
	}
	if err := within("/other_a", h.Other, 0, mostAmps, "A"); err != nil {
		return d, err
	}
	if float64(h.Magnets)*h.AmpsEach+h.Other <= 0 {
		return d, &Bad{"/amps_each", "nothing is drawn"}
	}
	if err := over("/minutes", h.Minutes, 0, 6000, "min"); err != nil {
		return d, err
	}
	if err := d.check(); err != nil {
		return d, err
	}
	if h.Battery != nil {
		if err := over("/battery_ah", *h.Battery, 0, 10000, "Ah"); err != nil {
			return d, err
		}
	}
	if h.Peukert != nil && h.Table != nil {
		return d, &Bad{"/table", "holds the rate already: give it or a Peukert exponent, not both, which would count the rate twice"}
	}
	if h.Peukert != nil {
		return d, h.Peukert.check()
	}
	if h.Table != nil {
		return d, h.Table.check()
	}
	return d, nil
}

func (r *HoldResult) byPeukert(h Hold, d Derating) {
	p := *h.Peukert
	rated := PeukertCapacity(r.Amps, h.Minutes, p.Hours, p.Exponent)
	needed := rated / d.product()
	r.Rated, r.Needed = &rated, &needed
	r.Sources = append(r.Sources, peukertLaw)
	r.Assumes = append(r.Assumes, fmt.Sprintf("The rate is corrected by Peukert's law with exponent %s from a %s h nameplate.", show(p.Exponent), show(p.Hours)))
	r.Cautions = append(r.Cautions, "Peukert's law is optimistic at 15 minutes: prefer the maker's 15-minute table.")
	if h.Battery == nil {
		r.Needs = []string{"/battery_ah"}
		return
	}
	lasts := HoldTime(*h.Battery*d.product(), r.Amps, p.Hours, p.Exponent)
	r.judge(lasts, h.Minutes)
}

// byTable uses the maker's capacity, which is true at one rate only. Drained more
// slowly the battery gives no less, so that the time worked out is a floor;
// drained faster it gives no more, and the time is a ceiling. A hold beyond the
// floor or within the ceiling cannot be judged by this table.
func (r *HoldResult) byTable(h Hold, d Derating) {
	lasts := 60 * h.Table.AmpHours * d.product() / r.Amps
	faster := exceeds(h.Table.Minutes, lasts)
	r.Assumes = append(r.Assumes, fmt.Sprintf("The maker's capacity for %s minutes is used and no other correction for the rate.", show(h.Table.Minutes)))
	r.judge(lasts, h.Minutes)
	switch {
	case faster && r.Enough == Met:
		r.Cautions = append(r.Cautions, "The battery is drained faster than in the maker's table and lasts less than worked out here.")
		r.Enough, r.Needs = Unknown, []string{"/table"}
	case !faster && r.Enough == NotMet:
		r.Cautions = append(r.Cautions, "The battery is drained more slowly than in the maker's table and may last longer than worked out here.")
		r.Enough, r.Needs = Unknown, []string{"/table"}
	}
}

func (r *HoldResult) byCharge(h Hold) {
	r.Needs = []string{"/table"}
	r.Cautions = append(r.Cautions, "A battery drained in minutes gives far less than its nameplate: give the maker's 15-minute capacity, or a Peukert exponent.")
	switch {
	case h.Battery == nil:
		r.Needs = append(r.Needs, "/battery_ah")
	case exceeds(r.Derated, *h.Battery):
		r.Enough, r.Needs = NotMet, nil // even at a slow rate
	}
}

func (r *HoldResult) judge(lasts, minutes float64) {
	r.Lasts, r.Enough = &lasts, Met
	if exceeds(minutes, lasts) {
		r.Enough = NotMet
	}
}

func (r *HoldResult) words(h Hold) {
	r.Says = fmt.Sprintf("%s A for %s minutes draws %s Ah.", figure(r.Amps, 3), show(h.Minutes), figureUp(r.Charge, 3))
	if r.Needed != nil {
		r.Says += fmt.Sprintf(" That asks for a nameplate of at least %s Ah.", figureUp(*r.Needed, 2))
	}
	switch {
	case r.Enough == Met:
		r.Says += fmt.Sprintf(" The battery lasts about %s minutes: enough.", figureDown(*r.Lasts, 2))
	case r.Enough == NotMet && r.Lasts != nil:
		r.Says += fmt.Sprintf(" The battery lasts about %s minutes: not enough.", figureDown(*r.Lasts, 2))
	case r.Enough == NotMet:
		r.Says += " The battery is too small even without regard to the rate."
	default:
		r.Says += " Whether the battery is enough cannot be said yet."
	}
}

// The voltages by which the end of a hold is judged.
const (
	HoldFloor    = 9.6  // V at a lead-acid battery at high rate, at the least; common practice
	HoldFloorTop = 10.5 // V, the upper end of that practice
)

// CheckHoldVolts holds the voltage at the battery at the end of a hold against
// practice: below 9.6 V it fails, from 10.5 V it is met, between the two
// practice disagrees and it is unknown.
func CheckHoldVolts(volts *float64) (Check, error) {
	limit := HoldFloorTop
	c := Check{ID: "breakaway.voltage", Level: Practice, Status: Unknown, Value: volts, Limit: &limit, Unit: "V", Source: practice(medium)}
	if volts == nil {
		c.Says, c.Needs = "The battery's voltage at the end of the hold decides whether it held.", []string{"/end_v"}
		return c, nil
	}
	if err := within("/end_v", *volts, 0, mostVolts, "V"); err != nil {
		return c, err
	}
	switch {
	case exceeds(HoldFloor, *volts):
		c.Status, c.Says = NotMet, "The battery fell below 9.6 V, the least that practice accepts."
	case exceeds(HoldFloorTop, *volts):
		c.Says = "The battery fell between 9.6 V and 10.5 V: practice disagrees on where the floor lies, so judge by the brakes themselves."
	default:
		c.Status, c.Says = Met, "The battery kept at least 10.5 V."
	}
	return c, nil
}

// BreakawayWiring tells how the battery is charged, connected and tried.
func BreakawayWiring() []Advice {
	return []Advice{
		{"breakaway.charge", "Charge through a fused auxiliary line, isolated by a diode or relay so that a parked vehicle is not drained and the battery does not feed the vehicle. Float a sealed lead-acid battery at 13.5 to 13.8 V (25 degC).", practice(medium)},
		{"breakaway.charge_diode", "A silicon diode in series can leave a sealed battery undercharged for good: allow for its drop.", practice(medium)},
		{"breakaway.lithium", "Do not charge lithium iron phosphate below 0 degC unless a management system guards it.", practice(medium)},
		{"breakaway.conductors", "Join the battery to the brake line on the trailer by conductors as heavy as the brake line, with a fuse of its own sized for the whole bank.", practice(high)},
		{"breakaway.lanyard", "Fix the pin's cable to the vehicle itself, not to a removable ball mount nor the chains; long enough for a tight turn, short enough to pull before the chains come tight.", practice(high)},
		{"breakaway.test", "Chock the trailer, unplug its connector so that nothing is driven back into the controller, pull the pin, prove the magnets by their current and the wheels by a pull, refit the pin and see them let go. Fifteen minutes by the clock, watching the voltage, is the proof.", practice(high)},
		{"breakaway.indicator", "An indicator in the cab should be seen from the driver's seat, work with the ignition on, and warn before the battery can no longer hold.", practice(medium)},
	}
}
