package fitting

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/quantity"
)

// proof gathers what Expect and Judge go by.
func (b *builder) proof() {
	p := &b.p.Proof
	kind := b.word(factKind)
	*p = ProofContext{
		Electrical: b.p.Electrical.Needed, Actuator: b.kind, Braked: rules.DontKnow,
		Overrun: (kind == "overrun" || kind == "surge") && b.p.Electrical.Needed != rules.Yes,
		Nominal: b.nominal, Principle: b.q.Controller.Principle, LoadSensing: tri(b.q.Controller.LoadSensing), Override: tri(b.q.Controller.ManualOverride),
		Breakaway: rules.DontKnow, ByBattery: b.p.Breakaway.Electric == rules.Yes, Hold: b.p.Breakaway.Hold, Floor: b.p.Breakaway.Floor,
		Parking:   b.yes(factParking) || b.asks("parking_brake.required") == rules.Yes,
		Indicator: b.p.Breakaway.Indicator, Charged: b.p.Breakaway.Charged, Asked: b.asked(), WaitsFor: []Pointer{},
	}
	if a, ok := b.ask("parking_brake.holds_grade"); ok && a.Value != "unknown" {
		p.ParkingGrade = a.Value
	}
	switch {
	case b.a.Answers.Brakes.Required == rules.Yes || p.Electrical == rules.Yes || kind != "" && kind != "none":
		p.Braked = rules.Yes
	case b.a.Answers.Brakes.Required == rules.No && kind == "none":
		p.Braked = rules.No
	}
	away := b.word(factAway)
	switch {
	case away == "automatic" || b.a.Answers.Breakaway.Required == rules.Yes && away != "secondary_coupling":
		p.Breakaway = rules.Yes
	case away == "secondary_coupling" || away == "none" || b.a.Answers.Breakaway.Required == rules.No:
		p.Breakaway = rules.No
	}
	p.Supply = b.p.Circuit.Supply
	if p.Supply == 0 {
		p.Supply, _ = circuit.Volts("/wiring/supply", b.q.Wiring.Supply)
	}
	if p.Floor == 0 && p.ByBattery {
		p.Floor = b.floor()
	}
	p.FloorLeast = p.Floor
	if b.q.Breakaway.Floor.IsZero() {
		p.FloorLeast = circuit.HoldFloor / circuit.HoldFloorTop * p.Floor
	}
	switch {
	case !b.solved:
		p.WaitsFor = append(p.WaitsFor, b.p.Circuit.WaitsFor...)
	case b.kind == Magnets:
		p.Network = b.network()
	default:
		p.Pump = &Pump{Current: b.p.Circuit.Peak, Voltage: b.p.Circuit.Furthest}
		if v, err := circuit.Volts("/actuator/least_voltage", b.q.Actuator.LeastVoltage); err == nil {
			p.Pump.Least = v
		}
	}
}

func tri(v *bool) rules.Tri {
	switch {
	case v == nil:
		return rules.DontKnow
	case *v:
		return rules.Yes
	}
	return rules.No
}

// network is the designed circuit in ohms.
func (b *builder) network() *Network {
	c := b.p.Circuit
	at := map[string]Section{}
	for _, s := range c.Sections {
		at[s.Name] = s
	}
	n := &Network{
		Feed: at["feed"].Feed, Output: at["output"].Feed, Return: at["output"].Return, Trunk: at["trunk"].Feed, TrunkBack: at["trunk"].Return,
		MagnetLow: c.Magnet, MagnetHigh: c.MagnetTop, Rating: b.p.Protection.Rating,
	}
	for i, x := range c.Axles {
		id := strconv.Itoa(i + 1)
		jumper, lead := at["jumper "+id], at["lead "+id]
		n.Axles = append(n.Axles, AxleOhms{x.Axle, x.Magnets, jumper.Feed, jumper.Return, lead.Feed, lead.Return})
	}
	return n
}

// asked lists the braking performance that law asks for.
func (b *builder) asked() []AskedBrake {
	out := []AskedBrake{}
	for _, l := range b.p.Law {
		if !strings.HasPrefix(l.Question, "braking_performance.") {
			continue
		}
		x := AskedBrake{Question: l.Question, Says: l.Says, Shown: l.Status, WaitsFor: b.lawWaits(l.Question)}
		switch l.Question {
		case "braking_performance.deceleration", "braking_performance.trailer_deceleration":
			if q, err := quantity.Parse(quantity.Acceleration, l.Value); err == nil {
				x.Deceleration = float64(q.Base()) / 1e12
			}
		case "braking_performance.efficiency":
			if q, err := quantity.Parse(quantity.Percentage, l.Value); err == nil {
				x.Efficiency = float64(q.Base()) / 1e9
			}
		case "braking_performance.stop":
			// Rules that ask for a stop each stand for themselves: there is no
			// single strictest one, so that each finding makes its own line.
			out = append(out, b.stops()...)
			continue
		}
		out = append(out, x)
	}
	return out
}

// lawWaits are the facts of the rig that the law's answer on a question waits
// for.
func (b *builder) lawWaits(question string) []Pointer {
	out := []Pointer{}
	for _, f := range b.a.Findings {
		if f.Question == question && f.Level != "practice" && f.Status == rules.Unknown {
			for _, at := range f.WaitsFor {
				out = appendNew(out, Pointer{InRig, at})
			}
		}
	}
	return out
}

// stopText is how a finding tells the stop that is asked for.
var stopText = regexp.MustCompile(`^A stop from (\S+ \S+) within (\S+ \S+) is asked`)

// stops lists each stop that a rule asks for. The answer has no field for its
// figures; they stand in the words of the finding.
func (b *builder) stops() []AskedBrake {
	var out []AskedBrake
	for _, f := range b.a.Findings {
		if f.Question != "braking_performance.stop" || f.Level == "practice" || f.Status == rules.NotApplicable {
			continue
		}
		x := AskedBrake{Question: f.Question, Says: f.Summary, Shown: f.Status, WaitsFor: b.lawWaits(f.Question)}
		if m := stopText.FindStringSubmatch(f.Summary); m != nil {
			v, errV := quantity.Parse(quantity.Speed, m[1])
			d, errD := quantity.Parse(quantity.Length, m[2])
			if errV == nil && errD == nil {
				x.From, x.Within = kmh(v), float64(d.Base())/1e9
				x.Says = fmt.Sprintf("A stop from %s within %s.", v.Text(), d.Text())
			}
		}
		if !slices.ContainsFunc(out, func(y AskedBrake) bool { return y.Says == x.Says }) {
			out = append(out, x)
		}
	}
	return out
}

func kmh(q quantity.Quantity) float64 { return float64(q.Base()) / 1e12 }
