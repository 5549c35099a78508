package circuit

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Function is what a pin carries.
type Function string

// The functions of pins.
const (
	Brake         Function = "brake" // output of the electric brakes
	Earth         Function = "earth" // common return
	EarthSwitched Function = "earth_switched_supply"
	EarthSupply   Function = "earth_permanent_supply"
	LeftTurn      Function = "left_turn"
	RightTurn     Function = "right_turn"
	LeftTurnStop  Function = "left_turn_and_stop"
	RightTurnStop Function = "right_turn_and_stop"
	StopLamps     Function = "stop"
	Position      Function = "position" // rear, clearance, side and registration lamps
	PositionLeft  Function = "position_left"
	PositionRight Function = "position_right"
	Clearance     Function = "clearance"
	Tail          Function = "tail"
	Reverse       Function = "reverse"
	RearFog       Function = "rear_fog"
	Permanent     Function = "permanent_supply"
	Switched      Function = "switched_supply"
	Charge        Function = "charge"
	Auxiliary     Function = "auxiliary"
	ReverseOrAux  Function = "reverse_or_auxiliary"
	Coding        Function = "coupled_coding"
	Spare         Function = "spare"
	Control       Function = "brake_control_or_supply" // older use against newer
	Sensing       Function = "sensing"
	ValveSupply   Function = "valve_supply"
	ValveEarth    Function = "valve_earth"
	Electronics   Function = "electronics_supply"
	ElectronicsGr Function = "electronics_earth"
	Warning       Function = "warning"
	Data          Function = "data"
)

// Pin is one contact.
type Pin struct {
	// Pin is its number; empty where the standard's positions are not known
	// firmly enough to be wired by.
	Pin      string   `json:"pin,omitempty"`
	Function Function `json:"function"`
	Says     string   `json:"says"`
	MinArea  float64  `json:"min_area_mm2,omitempty"` // least conductor; 0 where none is known
	MinSize  string   `json:"min_size,omitempty"`     // in the words of the table
	Colour   string   `json:"colour,omitempty"`       // customary; never wire by it
	Source   Source   `json:"source"`
}

// Connector is an open standard's plug and socket.
type Connector struct {
	ID    string  `json:"id"` // as in the rig document
	Title string  `json:"title"`
	Volts float64 `json:"volts,omitempty"` // 0 where the standard has several
	// Body is the same for connectors that can be pushed together or look as if
	// they could.
	Body   string   `json:"body"`
	Pins   []Pin    `json:"pins"`
	Notes  []string `json:"notes,omitempty"`
	Source Source   `json:"source"`
}

var (
	auPages   = Source{Title: "Australian trailer connector pin tables, three secondary pages that agree (AS 2513, AS 4177.5)", How: secondHand, Confidence: high}
	au4735    = Source{Title: "AS 4735, as tabulated on secondary pages", How: secondHand, Confidence: medium}
	au12      = Source{Title: "AS 4177.5-2004, pins 8 to 12", How: memory, Confidence: low}
	iso1724   = Source{Title: "ISO 1724:2003, type 12 N", How: secondHand, Confidence: high}
	iso3732   = Source{Title: "ISO 3732, type 12 S", How: secondHand, Confidence: medium}
	iso11446  = Source{Title: "ISO 11446-1:2012", How: secondHand, Confidence: high}
	iso1185   = Source{Title: "ISO 1185, type 24 N", How: memory, Confidence: medium}
	iso3731   = Source{Title: "ISO 3731, type 24 S", How: memory, Confidence: low}
	iso7638   = Source{Title: "ISO 7638", How: memory, Confidence: medium}
	saeJ560   = Source{Title: "SAE J560; functions and colours from a lamp maker's sheet, pin numbers and sizes from memory", How: memory, Confidence: medium}
	saeJ2863  = Source{Title: "SAE J2863", How: memory, Confidence: medium}
	saeJ1239  = Source{Title: "SAE J1239", How: secondHand, Confidence: medium}
	j560Scope = Source{Title: "SAE J560, comparison with ISO 1185 in a connector summary", How: secondHand, Confidence: high}
)

// row writes a table of pins.
type row struct {
	pin      string
	function Function
	says     string
	area     float64
	size     string
	colour   string
}

func pins(src Source, rows ...row) []Pin {
	all := make([]Pin, len(rows))
	for i, r := range rows {
		if r.size == "" && r.area > 0 {
			r.size = show(r.area) + " mm2"
		}
		all[i] = Pin{r.pin, r.function, r.says, r.area, r.size, r.colour, src}
	}
	return all
}

// auSeven are the seven functions of the light Australian connectors.
var auSeven = pins(auPages,
	row{"1", LeftTurn, "left turn", 0, "", "yellow"},
	row{"2", Reverse, "reversing signal", 0, "", "black"},
	row{"3", Earth, "earth return", 0, "", "white"},
	row{"4", RightTurn, "right turn", 0, "", "green"},
	row{"5", Brake, "service brakes", 0, "", "blue"},
	row{"6", StopLamps, "stop lamps", 0, "", "red"},
	row{"7", Position, "rear, clearance and side marker lamps", 0, "", "brown"},
)

// brakeOnly is the advice that goes with pin 5 in Australia.
const brakeOnly = "Pin 5 is kept for the service brakes; auxiliaries belong on the 12-pin connector."

// Connectors lists the open standards whose pins are covered, by the ids of the
// rig document.
var Connectors = []Connector{
	{
		ID: "as2513-round7", Title: "Australian round 7-pin", Body: "round7", Pins: auSeven, Source: auPages,
		Notes: []string{"The body of the large round type is that of ISO 1724, the functions of pins 2 and 5 are not.", brakeOnly},
	},
	{ID: "as4177.5-flat7", Title: "Australian flat 7-pin", Body: "flat", Pins: auSeven, Source: auPages, Notes: []string{brakeOnly}},
	{
		ID: "as4177.5-flat12", Title: "Australian flat 12-pin", Body: "flat", Source: au12,
		Pins: append(slices.Clone(auSeven), pins(au12,
			row{"8", Charge, "battery charger or electric winch feed", 0, "", "orange"},
			row{"9", Permanent, "auxiliaries, battery feed", 0, "", "pink"},
			row{"10", Earth, "earth return (heavy)", 0, "", "white"},
			row{"11", RearFog, "rear fog lamp", 0, "", "grey"},
			row{"12", Spare, "auxiliary or spare", 0, "", "violet"},
		)...),
		Notes: []string{brakeOnly, "That the 7-pin plug enters this socket is from memory.", "Pins 8 to 12 are from memory with low confidence and differ between trailer makers: prove each with a meter."},
	},
	{
		ID: "as4735-heavy7", Title: "Australian heavy 7-pin", Body: "heavy7", Source: au4735,
		Pins: pins(au4735,
			row{"1", Earth, "ground", 10, "10 mm2 or 8 AWG", "white"},
			row{"2", Clearance, "clearance, side, identification", 4, "4 mm2 or 12 AWG", "black"},
			row{"3", LeftTurn, "left turn", 4, "4 mm2 or 12 AWG", "yellow"},
			row{"4", StopLamps, "stop lamps", 6, "6 mm2 or 10 AWG", "red"},
			row{"5", RightTurn, "right turn", 4, "4 mm2 or 12 AWG", "green"},
			row{"6", Tail, "tail, registration", 4, "4 mm2 or 12 AWG", "brown"},
			row{"7", ReverseOrAux, "reversing or switched supply", 6, "6 mm2 or 10 AWG", "blue"},
		),
		Notes: []string{"It may carry 12 V (7 x 40 A) or 24 V (7 x 20 A): measure before mating."},
	},
	{
		ID: "iso1724-12n", Title: "ISO 1724, 7-pole 12 N", Volts: 12, Body: "round7", Source: iso1724,
		Pins: pins(iso1724,
			row{"1", LeftTurn, "left direction indicator", 1.5, "", "yellow"},
			row{"2", RearFog, "rear fog lamp (auxiliary on older vehicles)", 1.5, "", "blue"},
			row{"3", Earth, "common return", 2.5, "", "white"},
			row{"4", RightTurn, "right direction indicator", 1.5, "", "green"},
			row{"5", PositionRight, "right position, outline and registration lamps", 1.5, "", "brown"},
			row{"6", StopLamps, "stop lamps", 1.5, "", "red"},
			row{"7", PositionLeft, "left position, outline and registration lamps", 1.5, "", "black"},
		),
		Notes: []string{noBrakePin, splitPositions},
	},
	{
		ID: "iso3732-12s", Title: "ISO 3732, 7-pole 12 S", Volts: 12, Body: "round7s", Source: iso3732,
		Pins: append(
			append(pins(iso3732, row{"1", Reverse, "reversing lamp", 0, "", "yellow"}),
				pins(iso3732.as(memory, medium), row{"2", Spare, "older additional supply or charge line; not in the current allocation", 0, "", "blue"})...),
			pins(iso3732,
				row{"3", EarthSupply, "return for 4", 0, "", "white"},
				row{"4", Permanent, "permanent supply", 0, "", "green"},
				row{"5", Spare, "unallocated", 0, "", "brown"},
				row{"6", Switched, "switched supply", 0, "", "red"},
				row{"7", EarthSwitched, "return for 6", 0, "", "black"},
			)...),
		Notes: []string{noBrakePin},
	},
	{
		ID: "iso11446-13", Title: "ISO 11446, 13-pole", Volts: 12, Body: "round13", Source: iso11446,
		Pins: append(pins(iso11446,
			row{"1", LeftTurn, "left direction indicator", 1.5, "", "yellow"},
			row{"2", RearFog, "rear fog lamp", 1.5, "", "blue"},
			row{"3", Earth, "return for 1 to 8", 2.5, "", "white"},
			row{"4", RightTurn, "right direction indicator", 1.5, "", "green"},
			row{"5", PositionRight, "right position, marker and registration lamps", 1.5, "", "brown"},
			row{"6", StopLamps, "stop lamps", 1.5, "", "red"},
			row{"7", PositionLeft, "left position, marker and registration lamps", 1.5, "", "black"},
			row{"8", Reverse, "reversing lamp", 1.5, "", "pink"},
			row{"9", Permanent, "permanent supply", 2.5, "", "orange"},
			row{"10", Switched, "ignition-switched supply", 2.5, "", "grey"},
			row{"11", EarthSwitched, "return for 10", 2.5, "", "white/black"},
		), append(pins(iso11446.as(secondHand, medium), row{"12", Coding, "coupled-trailer coding, bridged to 3 on the trailer (unallocated before 2012)", 0, "", ""}),
			pins(iso11446, row{"13", EarthSupply, "return for 9", 2.5, "", "white/red"})...)...),
		Notes: []string{noBrakePin, splitPositions, "The returns 3, 11 and 13 are not joined together on the trailer."},
	},
	{
		ID: "iso1185-24n", Title: "ISO 1185, 7-pole 24 N", Volts: 24, Body: "heavy7", Source: iso1185,
		Pins: pins(iso1185,
			row{"1", Earth, "return", 2.5, "", "white"},
			row{"2", PositionLeft, "left position, outline and registration lamps", 1.5, "", "black"},
			row{"3", LeftTurn, "left direction indicator", 1.5, "", "yellow"},
			row{"4", StopLamps, "stop lamps", 1.5, "", "red"},
			row{"5", RightTurn, "right direction indicator", 1.5, "", "green"},
			row{"6", PositionRight, "right position, outline and registration lamps", 1.5, "", "brown"},
			row{"7", Control, "trailer brake control (older) or supply", 1.5, "", "blue"},
		),
	},
	{
		ID: "iso3731-24s", Title: "ISO 3731, 7-pole 24 S", Volts: 24, Body: "heavy7s", Source: iso3731,
		Pins: pins(iso3731,
			row{"1", Earth, "return", 2.5, "", "white"},
			row{"2", Spare, "unallocated", 1.5, "", "black"},
			row{"3", Reverse, "reversing lamp", 1.5, "", "yellow"},
			row{"4", Permanent, "permanent supply", 2.5, "", "red"},
			row{"5", Sensing, "sensing earth or control", 1.5, "", "green"},
			row{"6", Switched, "supply with the ignition", 2.5, "", "brown"},
			row{"7", RearFog, "rear fog lamp", 1.5, "", "blue"},
		),
		Notes: []string{"From memory with low confidence: prove each pin with a meter."},
	},
	{ID: "iso7638-1", Title: "ISO 7638-1, ABS and EBS, 24 V", Volts: 24, Body: "iso7638-24", Source: iso7638.at("part 1"), Pins: ebs, Notes: ebsNotes},
	{ID: "iso7638-2", Title: "ISO 7638-2, ABS and EBS, 12 V", Volts: 12, Body: "iso7638-12", Source: iso7638.at("part 2"), Pins: ebs, Notes: ebsNotes},
	{
		ID: "sae-j2863-7", Title: "SAE J2863, 7-way flat blade", Volts: 12, Body: "blade7", Source: saeJ2863,
		Pins: pins(saeJ2863,
			row{"", ReverseOrAux, "auxiliary or reversing lamp (centre)", 0, "16 AWG", ""},
			row{"", Brake, "electric brake output", 0, "12 AWG", "blue"},
			row{"", Position, "tail and running lamps", 0, "14 AWG", "brown"},
			row{"", LeftTurnStop, "left turn and stop", 0, "16 AWG", "yellow"},
			row{"", Earth, "ground", 0, "12 AWG", "white"},
			row{"", RightTurnStop, "right turn and stop", 0, "16 AWG", "green"},
			row{"", Permanent, "battery feed", 0, "12 AWG", ""},
		),
		Notes: []string{"Positions differ between books and between views of plug and socket, so none is given: wire by function and prove each with a meter.", "Its blue is the brake output; in SAE J560 blue is auxiliary."},
	},
	{
		ID: "sae-j560-7", Title: "SAE J560, 7-conductor", Volts: 12, Body: "heavy7", Source: saeJ560,
		Pins: pins(saeJ560,
			row{"1", Earth, "ground return", 0, "8 AWG", "white"},
			row{"2", Clearance, "clearance, side marker, registration", 0, "12 AWG", "black"},
			row{"3", LeftTurn, "left turn and hazard", 0, "12 AWG", "yellow"},
			row{"4", StopLamps, "stop lamps and antilock devices", 0, "10 or 12 AWG", "red"},
			row{"5", RightTurn, "right turn and hazard", 0, "12 AWG", "green"},
			row{"6", Tail, "tail, clearance, side marker, identification", 0, "12 AWG", "brown"},
			row{"7", Auxiliary, "auxiliary, continuous antilock power", 0, "10 AWG", "blue"},
		),
		Notes: []string{"It has no output for electric brakes. Its blue is auxiliary; in SAE J2863 blue is the brake output."},
	},
	{
		ID: "sae-j1239-4", Title: "SAE J1239, 4-way flat", Volts: 12, Body: "flat4", Source: saeJ1239,
		Pins: pins(saeJ1239,
			row{"", Earth, "ground", 0, "", ""},
			row{"", Position, "tail lamps", 0, "", ""},
			row{"", LeftTurnStop, "left turn and stop", 0, "", ""},
			row{"", RightTurnStop, "right turn and stop", 0, "", ""},
		),
		Notes: []string{"For trailers up to 4540 kg (10 000 lb) gross and at most 7.5 A of running lamps a circuit. The 4-way form has no brake output."},
	},
}

const (
	noBrakePin     = "It has no pin for the output of electric service brakes; taking that from a supply pin is a private arrangement and no part of the standard."
	splitPositions = "Left and right position lamps (7 and 5) are not joined, and no registration lamp bridges them."
)

var ebsNotes = []string{"It serves ABS and EBS only, never lamps or magnet brakes. Pins 1 and 4 have 4 mm2, or 6 mm2 on long vehicles; the 5-pole form lacks 6 and 7."}

var ebs = pins(iso7638,
	row{"1", ValveSupply, "valve supply, permanent", 4, "", "red"},
	row{"2", Electronics, "electronics supply, switched", 1.5, "", "black"},
	row{"3", ElectronicsGr, "electronics return", 1.5, "", "yellow"},
	row{"4", ValveEarth, "valve return", 4, "", "brown"},
	row{"5", Warning, "warning device, load status", 1.5, "", "white"},
	row{"6", Data, "data high (7-pole EBS)", 1.5, "", "white/green"},
	row{"7", Data, "data low (7-pole EBS)", 1.5, "", "white/brown"},
)

// ConnectorOf finds a connector by its id in the rig document; false if its pins
// are not covered.
func ConnectorOf(id string) (Connector, bool) {
	i := slices.IndexFunc(Connectors, func(c Connector) bool { return c.ID == id })
	if i < 0 {
		return Connector{}, false
	}
	return Connectors[i], true
}

// has finds the pins of a function.
func (c Connector) has(f Function) []Pin {
	var all []Pin
	for _, p := range c.Pins {
		if p.Function == f {
			all = append(all, p)
		}
	}
	return all
}

// CheckJoined judges pins joined together on the trailer. Where no rule of the
// connector is known the check is unknown.
func CheckJoined(connector string, joined []string) (Check, error) {
	c, ok := ConnectorOf(connector)
	if !ok {
		return Check{}, &Bad{"/connector", strconv.Quote(connector) + " is not covered"}
	}
	for i, p := range joined {
		if !slices.ContainsFunc(c.Pins, func(x Pin) bool { return p != "" && x.Pin == p }) {
			return Check{}, &Bad{"/joined/" + strconv.Itoa(i), strconv.Quote(p) + " is no pin of it"}
		}
	}
	apart := map[string][][]string{
		"iso11446-13": {{"3", "11", "13"}, {"5", "7"}},
		"iso1724-12n": {{"5", "7"}},
	}[connector]
	k := Check{ID: "connector.joined", Level: Practice, Status: Met, Source: c.Source.at("contact allocation")}
	if apart == nil {
		k.Status, k.Says = Unknown, "No rule on joined pins of "+c.Title+" is known."
		return k, nil
	}
	k.Level = Rated
	k.Says = "No pins are joined that " + c.Title + " keeps apart."
	for _, set := range apart {
		var found []string
		for _, p := range set {
			if slices.Contains(joined, p) {
				found = append(found, p)
			}
		}
		if len(found) > 1 {
			k.Status = NotMet
			k.Says = fmt.Sprintf("%s keeps pins %s apart on the trailer, but %s are joined.", c.Title, strings.Join(set, ", "), strings.Join(found, ", "))
		}
	}
	return k, nil
}
