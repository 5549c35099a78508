package circuit

import (
	"fmt"
	"strconv"
	"strings"
)

// Side is what one vehicle brings to the coupling.
type Side struct {
	Connector string `json:"connector"` // id, as in the rig document
	// Volts is the nominal supply, or that of lamps and magnets; the standard's
	// if left out.
	Volts float64 `json:"volts,omitempty"`
	// ElectricBrakes tells of the trailer whether it has brakes worked by a brake
	// output; nil if not known. It is not read for the vehicle.
	ElectricBrakes *bool `json:"electric_brakes,omitempty"`
}

// Result is the verdict on two connectors.
type Result string

// The verdicts.
const (
	Direct     Result = "direct"      // may be plugged together
	Adaptor    Result = "adaptor"     // goes with an adaptor wired by the plan
	Refused    Result = "refused"     // must not be joined as asked
	Undecided  Result = "unknown"     // something is missing, see Needs
	NotCovered Result = "not_covered" // the pins of one are not known
)

// Plan is how two connectors go together, pin by pin.
type Plan struct {
	Vehicle   string     `json:"vehicle"`
	Trailer   string     `json:"trailer"`
	Result    Result     `json:"result"`
	Says      string     `json:"says"`
	Links     []Link     `json:"links"`     // one for each pin that the trailer uses
	Conflicts []Conflict `json:"conflicts"` // pins of one number with two functions
	Unserved  []Pin      `json:"unserved"`  // trailer pins that the vehicle has nothing for
	Unused    []Pin      `json:"unused"`    // vehicle pins that the trailer has no use for
	Cautions  []string   `json:"cautions"`
	Needs     []string   `json:"needs,omitempty"`
	Sources   []Source   `json:"sources"`
}

// Link joins a pin of the vehicle with one of the trailer.
type Link struct {
	Function Function `json:"function"`
	Vehicle  Pin      `json:"vehicle"`
	Trailer  Pin      `json:"trailer"`
	MinArea  float64  `json:"min_area_mm2,omitempty"` // larger of the two; 0 if neither is known
	Note     string   `json:"note,omitempty"`
}

// Conflict is a pin number that means two things.
type Conflict struct {
	Pin     string `json:"pin"`
	Vehicle Pin    `json:"vehicle"`
	Trailer Pin    `json:"trailer"`
	Effect  string `json:"effect"`
}

// nearly lists the functions of a vehicle that can serve one of a trailer beside
// the same one, best first, and what to know about it.
var nearly = map[Function][]struct {
	by   Function
	note string
}{
	Position:      {{PositionLeft, oneSide}, {PositionRight, oneSide}, {Tail, ""}, {Clearance, ""}},
	PositionLeft:  {{Position, ""}, {Tail, ""}, {Clearance, ""}},
	PositionRight: {{Position, ""}, {Tail, ""}, {Clearance, ""}},
	Tail:          {{Position, ""}, {PositionLeft, oneSide}, {Clearance, ""}},
	Clearance:     {{Position, ""}, {PositionLeft, oneSide}, {Tail, ""}},
	Charge:        {{Permanent, "A permanent supply serves as charge line only with its own isolation."}},
	Reverse:       {{ReverseOrAux, proveIt}},
	ReverseOrAux:  {{Reverse, proveIt}, {Auxiliary, proveIt}},
	Auxiliary:     {{ReverseOrAux, proveIt}},
	LeftTurn:      {{LeftTurnStop, converter}},
	RightTurn:     {{RightTurnStop, converter}},
	StopLamps:     {{LeftTurnStop, converter}},
	LeftTurnStop:  {{LeftTurn, converter}},
	RightTurnStop: {{RightTurn, converter}},
}

const (
	oneSide   = "Take one side only: the vehicle's left and right position lamps must not be joined."
	proveIt   = "Prove with a meter what this pin carries."
	converter = "Combined and separate stop and turn lamps need a converter between them; brakes are not touched by it."
)

// Match plans how a trailer's plug goes to a vehicle's socket. Different
// voltages are refused, and so are connectors that can be pushed together though
// a pin means two things. An id with unknown pins is not covered.
func Match(vehicle, trailer Side) (Plan, error) {
	for _, s := range []struct {
		arg  string
		side Side
	}{{"/vehicle", vehicle}, {"/trailer", trailer}} {
		if s.side.Connector == "" {
			return Plan{}, &Bad{s.arg + "/connector", "is not given"}
		}
		if err := within(s.arg+"/volts", s.side.Volts, 0, mostVolts, "V"); err != nil {
			return Plan{}, err
		}
	}
	p := Plan{Vehicle: vehicle.Connector, Trailer: trailer.Connector}
	v, okV := ConnectorOf(vehicle.Connector)
	t, okT := ConnectorOf(trailer.Connector)
	if !okV || !okT {
		p.Result = NotCovered
		var which []string
		for _, x := range []struct {
			id string
			ok bool
		}{{p.Vehicle, okV}, {p.Trailer, okT}} {
			if !x.ok {
				which = append(which, strconv.Quote(x.id))
			}
		}
		p.Says = "The pins of " + strings.Join(which, " and ") + " are not covered."
		return p, nil
	}
	p.Sources = appendNew([]Source{v.Source}, t.Source)
	p.link(v, t)
	p.conflict(v, t)
	p.caution(v, t, trailer)
	p.decide(v, t, p.voltage(vehicle, trailer, v, t))
	return p, nil
}

func (p *Plan) link(v, t Connector) {
	used := map[int]bool{}
	for _, pin := range t.Pins {
		if pin.Function == Spare {
			continue
		}
		i, note := serve(v, pin, used)
		if i < 0 {
			p.Unserved = append(p.Unserved, pin)
			continue
		}
		used[i] = true
		p.Links = append(p.Links, Link{pin.Function, v.Pins[i], pin, max(v.Pins[i].MinArea, pin.MinArea), note})
	}
	for i, pin := range v.Pins {
		if !used[i] && pin.Function != Spare {
			p.Unused = append(p.Unused, pin)
		}
	}
}

// serve finds the vehicle's pin for one of the trailer, -1 for none: the same
// function and number first, then the same function, then one that nearly is.
func serve(v Connector, pin Pin, used map[int]bool) (at int, note string) {
	at = -1
	for i, x := range v.Pins {
		if x.Function == pin.Function && (at < 0 || x.Pin == pin.Pin || used[at] && !used[i]) {
			at = i
		}
	}
	if at >= 0 {
		return at, ""
	}
	for _, n := range nearly[pin.Function] {
		for i, x := range v.Pins {
			if x.Function == n.by {
				return i, n.note
			}
		}
	}
	return -1, ""
}

// near reports that a pin of the trailer may sit on one of the vehicle without
// more than a difference of wording: position lamps fed from one side are lit.
func near(vehicle, trailer Function) bool {
	if vehicle == trailer || vehicle == Spare || trailer == Spare || vehicle == Coding || trailer == Coding {
		return true
	}
	lamps := map[Function]bool{Position: true, PositionLeft: true, PositionRight: true, Clearance: true, Tail: true}
	return lamps[vehicle] && lamps[trailer]
}

func (p *Plan) conflict(v, t Connector) {
	for _, tp := range t.Pins {
		for _, vp := range v.Pins {
			if tp.Pin == "" || tp.Pin != vp.Pin || near(vp.Function, tp.Function) {
				continue
			}
			c := Conflict{Pin: tp.Pin, Vehicle: vp, Trailer: tp}
			switch {
			case tp.Function == Brake:
				c.Effect = "The trailer's brakes come on with the vehicle's " + vp.Says + "."
			case vp.Function == Brake:
				c.Effect = "The vehicle's brake output drives the trailer's " + tp.Says + ", and the trailer's brakes get nothing."
			case isEarth(tp.Function) != isEarth(vp.Function):
				c.Effect = "A supply meets a return: a short circuit."
			default:
				c.Effect = "The trailer's " + tp.Says + " is driven by the vehicle's " + vp.Says + "."
			}
			p.Conflicts = append(p.Conflicts, c)
		}
	}
}

func isEarth(f Function) bool {
	switch f {
	case Earth, EarthSupply, EarthSwitched, ValveEarth, ElectronicsGr:
		return true
	}
	return false
}

func (p *Plan) caution(v, t Connector, trailer Side) {
	add := func(s string) {
		for _, have := range p.Cautions {
			if have == s {
				return
			}
		}
		p.Cautions = append(p.Cautions, s)
	}
	for _, l := range p.Links {
		if l.Note != "" {
			add(l.Note)
		}
	}
	for _, c := range []Connector{v, t} {
		for _, n := range c.Notes {
			add(c.Title + ": " + n)
		}
	}
	braked := trailer.ElectricBrakes
	if braked == nil && len(t.has(Brake)) == 0 {
		p.Needs = append(p.Needs, "/trailer/electric_brakes")
	}
	if braked != nil && *braked || braked == nil && len(t.has(Brake)) > 0 {
		switch {
		case len(t.has(Brake)) == 0:
			add("The trailer's plug has no pin for electric brakes: they need a connector of their own.")
		case len(v.has(Brake)) == 0:
			add("The vehicle's socket has no brake output: electric brakes need a conductor of their own from the controller, by a connector that has the pin.")
		}
	}
	if len(v.has(EarthSupply)) > 0 && len(t.has(EarthSupply)) == 0 {
		add("The returns of the vehicle's supplies are kept apart from the lamps' return in the adaptor.")
	}
	add("Prove every pin with a meter before mating, colours included: trailers are rewired.")
}

// voltage says why two voltages cannot be joined; empty if they can, or if that
// is not known, which is added to the needs.
func (p *Plan) voltage(vehicle, trailer Side, v, t Connector) string {
	sides := []struct {
		name string
		Side
		std Connector
	}{{"vehicle", vehicle, v}, {"trailer", trailer, t}}
	var volts [2]float64
	for i, s := range sides {
		volts[i] = s.Volts
		if s.std.Volts != 0 {
			if s.Volts != 0 && s.Volts != s.std.Volts {
				return fmt.Sprintf("%s is for %s V, but the %s has %s V.", s.std.Title, show(s.std.Volts), s.name, show(s.Volts))
			}
			volts[i] = s.std.Volts
		}
		if volts[i] == 0 {
			p.Needs = append(p.Needs, "/"+s.name+"/volts")
		}
	}
	if volts[0] != 0 && volts[1] != 0 && volts[0] != volts[1] {
		return fmt.Sprintf("The vehicle has %s V and the trailer %s V: lamps, magnets and modules would be destroyed or would not work. A converter rated for all of it is needed.", show(volts[0]), show(volts[1]))
	}
	return ""
}

func (p *Plan) decide(v, t Connector, clash string) {
	mates := v.Body == t.Body
	switch {
	case clash != "":
		p.Result, p.Says = Refused, clash
		if v.Body == "heavy7" && mates {
			p.Sources = appendNew(p.Sources, j560Scope)
		}
	case mates && len(p.Conflicts) > 0:
		p.Result = Refused
		var effects []string
		for _, c := range p.Conflicts {
			effects = append(effects, "Pin "+c.Pin+": "+c.Effect)
		}
		p.Says = "The two bodies go together or look as if they do, but pins differ. " + strings.Join(effects, " ") + " Change one connector or wire an adaptor by function."
	case volted(p.Needs):
		p.Result, p.Says = Undecided, "The pins can be planned, but the voltages are not known: do not mate before they are."
	case mates && len(t.Pins) > len(v.Pins):
		p.Result, p.Says = Adaptor, "The trailer's plug has more pins than the vehicle's socket: an adaptor is needed, and some pins stay unserved."
	case mates:
		p.Result, p.Says = Direct, "The connectors go together as they are."
	default:
		p.Result, p.Says = Adaptor, "An adaptor is needed, wired by function and not by number."
		if len(p.Links) == 0 {
			p.Result, p.Says = Refused, "The two connectors have no function in common."
		}
	}
}

func volted(needs []string) bool {
	for _, n := range needs {
		if strings.HasSuffix(n, "/volts") {
			return true
		}
	}
	return false
}
