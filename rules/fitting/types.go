package fitting

import (
	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/quantity"
)

// Words of a request.
const (
	Magnets           = "magnets"            // electromagnets in the wheel brakes, fed by the controller
	ElectricHydraulic = "electric_hydraulic" // a pump on the trailer, told by the controller
	NoActuator        = "none"               // nothing on the trailer is worked electrically

	ReturnConductor = "conductor" // a wire of its own carries the current back
	ReturnChassis   = "chassis"   // the frame carries it back

	Cold = "cold" // the winding is at about 20 degC
	Hot  = "hot"  // the winding is as warm as after long braking

	ByDeceleration = "proportional_to_deceleration" // a sensor of the controller feels the vehicle slow
	ByPedal        = "proportional_to_pedal"        // pedal travel, pedal force or brake line pressure
	Timed          = "timed"                        // rises to a set ceiling while the stop signal is on
	OnOff          = "on_off"                       // full output while the stop signal is on
)

// Request is what the fitter tells beside the rig. Every field is optional.
// Connectors, the supply of the vehicle, the stop signal and the breakaway
// battery of the rig document are not asked for again.
//
// The tags dim, words, most, positive, decimal and list say what Decode takes:
// the dimension of a text with unit, a closed list of words, an upper bound, that
// zero is no amount of it, the bounds of a plain decimal, the length of a list.
type Request struct {
	Actuator   Actuator   `json:"actuator,omitzero"`
	Wiring     Wiring     `json:"wiring,omitzero"`
	Breakaway  Battery    `json:"breakaway,omitzero"`
	Controller Controller `json:"controller,omitzero"`
}

// Actuator is what works the trailer's wheel brakes. For magnets give the
// resistance, or the current at a voltage; not both.
type Actuator struct {
	Kind           string            `json:"kind,omitempty" words:"magnets electric_hydraulic none"`                     // from the rig's brake kind if left out
	Count          int               `json:"count,omitempty" most:"40" positive:"true"`                                  // magnets; from the rig if left out
	Resistance     quantity.Quantity `json:"resistance,omitzero" dim:"resistance" least:"0.01 ohm" most:"1000 ohm"`      // of one magnet; the low end of its band
	ResistanceMost quantity.Quantity `json:"resistance_most,omitzero" dim:"resistance" least:"0.01 ohm" most:"1000 ohm"` // the high end of the band
	Current        quantity.Quantity `json:"current,omitzero" dim:"current" most:"200 A" positive:"true"`                // of one magnet at Voltage, or of the pump at full pressure
	Voltage        quantity.Quantity `json:"voltage,omitzero" dim:"voltage" most:"60 V" positive:"true"`                 // at which Current is drawn
	LeastVoltage   quantity.Quantity `json:"least_voltage,omitzero" dim:"voltage" most:"60 V" positive:"true"`           // with which a pump still works
	Winding        string            `json:"winding,omitempty" words:"cold hot"`                                         // how those figures were taken; cold if left out
	RatedVoltage   quantity.Quantity `json:"rated_voltage,omitzero" dim:"voltage" most:"60 V" positive:"true"`           // nominal, of magnets or pump
}

// Wiring is the line from the battery to the brakes.
type Wiring struct {
	Supply         quantity.Quantity `json:"supply,omitzero" dim:"voltage" least:"1 V" most:"60 V"`               // at the battery, engine running, before the brakes draw
	Feed           Run               `json:"feed,omitzero"`                                                       // battery to controller; for a pump, battery to coupling socket
	Output         Run               `json:"output,omitzero"`                                                     // controller to coupling socket; none for a pump
	Trunk          Run               `json:"trunk,omitzero"`                                                      // coupling plug to the first braked axle, or to the pump
	Axles          []Tap             `json:"axles,omitempty" list:"10"`                                           // one for each braked axle, front first; none for a pump
	Family         string            `json:"family,omitempty" words:"mm2 awg sae auto_cable"`                     // size system to choose from; mm2 if left out
	Ambient        quantity.Quantity `json:"ambient,omitzero" dim:"temperature" least:"-60 degC" most:"150 degC"` // hottest surroundings of the line
	Drop           Drop              `json:"drop,omitzero"`                                                       // allowed from controller output to the furthest magnet and back
	Return         string            `json:"return,omitempty" words:"conductor chassis"`                          // how the current comes back; the plan lays a conductor if left out
	ChassisReturn  quantity.Quantity `json:"chassis_return,omitzero" dim:"resistance" most:"1000 ohm"`            // measured, of the frame path where the frame is the return
	FedFrom        string            `json:"fed_from,omitempty" words:"battery fuse_panel accessory ignition lamp"`
	ProtectedAt    quantity.Quantity `json:"protected_at,omitzero" dim:"length" most:"1000 m"` // distance of the protection from battery positive
	EarthAt        string            `json:"earth_at,omitempty" words:"battery_negative chassis_point dash accessory_stud ball"`
	StopLampLoad   quantity.Quantity `json:"stop_lamp_load,omitzero" dim:"current" most:"200 A"`                   // of all lamps on the circuit of the pick-up
	StopLampSwitch quantity.Quantity `json:"stop_lamp_switch,omitzero" dim:"current" most:"200 A" positive:"true"` // what the switch and its circuit are rated for
}

// Run is one length of the line, feed and return side by side.
type Run struct {
	Length    quantity.Quantity `json:"length,omitzero" dim:"length" most:"1000 m" positive:"true"` // one way
	Conductor string            `json:"conductor,omitempty" conductor:"true"`                       // as fitted, for example 6 mm2 or 10 AWG; chosen by the plan if left out
	Joints    quantity.Quantity `json:"joints,omitzero" dim:"resistance" most:"1000 ohm"`           // of its connections, feed and return together
}

// Tap is the line at one braked axle.
type Tap struct {
	Jumper  quantity.Quantity `json:"jumper,omitzero" dim:"length" most:"1000 m"` // one way from the braked axle in front; none at the first
	Lead    quantity.Quantity `json:"lead,omitzero" dim:"length" most:"1000 m"`   // one way from the line to the furthest magnet of the axle
	Magnets int               `json:"magnets,omitempty" most:"8" positive:"true"` // on the axle; shared out evenly if left out
}

// Drop is how much voltage the line may lose: give a share of the nominal
// voltage or volts, not both.
type Drop struct {
	Share quantity.Quantity `json:"share,omitzero" dim:"percentage" most:"50 %" positive:"true"`
	Volts quantity.Quantity `json:"volts,omitzero" dim:"voltage" most:"30 V" positive:"true"`
}

// Battery is the breakaway battery on the trailer. Give a Peukert exponent or
// the maker's 15-minute figure, not both: either corrects for the rate.
type Battery struct {
	Capacity   quantity.Quantity `json:"capacity,omitzero" dim:"charge" most:"10000 Ah" positive:"true"` // nameplate at 20 h; from the rig if left out
	Chemistry  string            `json:"chemistry,omitempty" words:"agm gel flooded lithium_iron_phosphate"`
	Peukert    string            `json:"peukert,omitempty" decimal:"1 2"`                                      // exponent
	Capacity15 quantity.Quantity `json:"capacity_15min,omitzero" dim:"charge" most:"10000 Ah" positive:"true"` // what it gives when emptied in 15 minutes, of its maker's table
	Other      quantity.Quantity `json:"other_load,omitzero" dim:"current" most:"200 A"`                       // drawn beside the brakes, such as stop lamps
	Coldest    quantity.Quantity `json:"coldest,omitzero" dim:"temperature" least:"-60 degC" most:"60 degC"`   // at which it must still hold
	Floor      quantity.Quantity `json:"floor,omitzero" dim:"voltage" most:"60 V" positive:"true"`             // voltage under load at which the hold has ended; 10.5 V a 12 V lead-acid battery if left out
}

// Controller holds the facts of the brake controller that is fitted or
// proposed. It names no product.
type Controller struct {
	SupplyLeast             quantity.Quantity `json:"supply_least,omitzero" dim:"voltage" most:"60 V"` // range of supply voltage
	SupplyMost              quantity.Quantity `json:"supply_most,omitzero" dim:"voltage" most:"60 V" positive:"true"`
	MaximumCurrent          quantity.Quantity `json:"maximum_current,omitzero" dim:"current" most:"500 A" positive:"true"` // output it can give for long
	AxlesServed             int               `json:"axles_served,omitempty" most:"10" positive:"true"`                    // braked axles for which it is made
	Principle               string            `json:"principle,omitempty" words:"proportional_to_deceleration proportional_to_pedal timed on_off"`
	ManualOverride          *bool             `json:"manual_override,omitempty"`                                          // applies the trailer brakes alone, by hand
	OverrideLightsStop      *bool             `json:"override_lights_stop,omitempty"`                                     // the override lights the trailer's stop lamps
	AdjustableFromSeat      *bool             `json:"adjustable_from_seat,omitempty"`                                     // the driver sets the gain from the driving seat
	DrivesElectricHydraulic *bool             `json:"drives_electric_hydraulic,omitempty"`                                // has an output suited to a pump
	LoadSensing             *bool             `json:"load_sensing,omitempty"`                                             // gives output only into a connected brake, or by motion
	OnTrailer               *bool             `json:"on_trailer,omitempty"`                                               // sits on the trailer, not in the vehicle
	SignalCurrent           quantity.Quantity `json:"signal_current,omitzero" dim:"current" most:"200 A" positive:"true"` // drawn from the stop-signal wire
	FeedsBack               *bool             `json:"feeds_back,omitempty"`                                               // can put voltage on the stop-signal wire
	VehicleBuiltIn          *bool             `json:"vehicle_built_in,omitempty"`                                         // the vehicle came with trailer brake control of its own
}

// Pointer is a place in one of the two documents.
type Pointer struct {
	Document string `json:"document"` // rig or request
	Pointer  string `json:"pointer"`  // JSON Pointer within it
}

// Documents a Pointer may name.
const (
	InRig     = "rig"
	InRequest = "request"
)

// Missing is an input that would decide something of the plan.
type Missing struct {
	Pointer
	Meaning string   `json:"meaning"`
	For     []string `json:"for"` // what waits for it: circuit, protection, breakaway, stop_signal, connector, needs, ...
}

// Plan is the whole of the job. Lists are in a fixed order.
type Plan struct {
	Jurisdiction string       `json:"jurisdiction"`
	AsOf         string       `json:"as_of"`
	Law          []LawAsk     `json:"law"`        // what bears on the brakes, in short
	Electrical   Electrical   `json:"electrical"` // is anything electrical called for
	Circuit      Design       `json:"circuit"`
	Protection   Protection   `json:"protection"`
	StopSignal   StopSignal   `json:"stop_signal"`
	Connector    Connector    `json:"connector"`
	Breakaway    Breakaway    `json:"breakaway"`
	Needs        []Need       `json:"needs"`    // what the controller or actuator must be able to do
	Findings     []Finding    `json:"findings"` // what is right or wrong with the plan; warnings are of level practice
	Steps        []Step       `json:"steps"`
	Missing      []Missing    `json:"missing"`
	Cautions     []string     `json:"cautions"`
	Proof        ProofContext `json:"proof"` // what Expect and Judge go by
}

// LawAsk is one thing that the law or a plate asks of the brakes.
type LawAsk struct {
	Question  string           `json:"question"` // of the vocabulary, for example breakaway.hold
	Says      string           `json:"says"`     // in words
	Value     string           `json:"value"`    // as in rules.Ask
	Permitted []string         `json:"permitted,omitempty"`
	Status    rules.Status     `json:"status"` // the worst finding on it
	Citations []rules.Citation `json:"citations"`
}

// Electrical says whether the job has an electrical side.
type Electrical struct {
	Needed rules.Tri `json:"needed"`
	Reason string    `json:"reason"`
}

// State is how far a part of the plan has come.
type State string

// The states.
const (
	Designed  State = "designed"   // worked out
	Open      State = "unknown"    // waits for inputs
	NotNeeded State = "not_needed" // nothing of the kind is called for
	Unfit     State = "unfit"      // worked out, and what is fitted or can be bought will not do
)

// Design is the brake circuit. Figures hold to two or three digits.
type Design struct {
	State       State            `json:"state"`
	WaitsFor    []Pointer        `json:"waits_for"`
	Says        string           `json:"says"`
	Actuator    string           `json:"actuator"`       // magnets, electric_hydraulic, none; empty if not known
	Supply      float64          `json:"supply_v"`       // at the battery
	Nominal     float64          `json:"nominal_v"`      // of the system
	Magnets     int              `json:"magnets"`        // in all
	Magnet      float64          `json:"magnet_ohm"`     // of one, cold, low end of its band
	MagnetTop   float64          `json:"magnet_top_ohm"` // high end
	Peak        float64          `json:"peak_a"`         // cold magnets at the full supply voltage: what conductors and protection must carry
	Current     float64          `json:"current_a"`      // what flows, magnets as resistances and everything at 20 degC
	Conductors  float64          `json:"conductors_c"`   // temperature at which the drop was worked out, degC
	Drop        float64          `json:"drop_v"`         // controller output to the furthest magnet and back, at the peak current: what the limit is held against
	DropFlowing float64          `json:"drop_flowing_v"` // the same for the current that flows, at 20 degC: what is measured
	Allowed     float64          `json:"allowed_v"`
	DropBasis   string           `json:"drop_basis"` // where the limit comes from
	Furthest    float64          `json:"furthest_magnet_v"`
	Sections    []Section        `json:"sections"` // from the battery outwards
	Axles       []AxleLoad       `json:"axles"`    // braked axles, front first
	Changes     []string         `json:"changes"`  // what would make it fit, if it does not
	Notes       []string         `json:"notes"`
	Sources     []circuit.Source `json:"sources"`
}

// Section is one run of the designed circuit.
type Section struct {
	Name      string       `json:"name"` // feed, output, trunk, jumper 2, lead 1 ...
	Length    float64      `json:"length_m"`
	Conductor string       `json:"conductor"`
	Chosen    bool         `json:"chosen"` // by the plan; otherwise as fitted
	Area      float64      `json:"area_mm2"`
	Feed      float64      `json:"feed_ohm"`   // at 20 degC, with its share of the joints
	Return    float64      `json:"return_ohm"` // likewise
	Current   float64      `json:"current_a"`  // that flows
	Drop      float64      `json:"drop_v"`     // feed and return together
	Heating   rules.Status `json:"heating"`    // the peak current against published limits
}

// AxleLoad is one braked axle.
type AxleLoad struct {
	Axle    int     `json:"axle"` // counted from the front, 1 first
	Magnets int     `json:"magnets"`
	Current float64 `json:"current_a"`
	Voltage float64 `json:"voltage_v"` // at its furthest magnet
}

// Protection is the device near the battery.
type Protection struct {
	State    State            `json:"state"`
	WaitsFor []Pointer        `json:"waits_for"`
	Rating   float64          `json:"rating_a"` // 0 if none fits
	Least    float64          `json:"least_a"`  // the load asks for at least this
	Most     float64          `json:"most_a"`   // the weakest conductor allows at most this; 0 if not known
	Practice float64          `json:"practice_a,omitempty"`
	Notes    []string         `json:"notes"`
	Sources  []circuit.Source `json:"sources"`
}

// StopSignal is where the controller learns that the driver brakes.
type StopSignal struct {
	State    State            `json:"state"`
	WaitsFor []Pointer        `json:"waits_for"`
	PickUp   string           `json:"pick_up"` // where to take it
	Diode    rules.Tri        `json:"diode"`   // does a blocking diode belong in the wire
	DiodeAmp float64          `json:"diode_a,omitempty"`
	Tests    []string         `json:"tests"` // how it is proven
	Notes    []string         `json:"notes"`
	Sources  []circuit.Source `json:"sources"`
}

// Connector is the plug and socket, pin by pin.
type Connector struct {
	State    State            `json:"state"`
	WaitsFor []Pointer        `json:"waits_for"`
	Vehicle  string           `json:"vehicle"` // word of the rig document; empty if not known
	Trailer  string           `json:"trailer"`
	Result   string           `json:"result"` // direct, adaptor, refused, not_covered or unknown
	Says     string           `json:"says"`
	Pins     []Pin            `json:"pins"` // that the trailer uses
	Hazards  []string         `json:"hazards"`
	Notes    []string         `json:"notes"`
	Sources  []circuit.Source `json:"sources"`
}

// Pin is one contact of the trailer plug and the contact of the vehicle that
// serves it. Numbers are left out where the standard's are not known firmly
// enough to wire by.
type Pin struct {
	Function string         `json:"function"`
	Trailer  string         `json:"trailer_pin,omitempty"`
	Does     string         `json:"trailer_does"`
	Vehicle  string         `json:"vehicle_pin,omitempty"`
	Gets     string         `json:"vehicle_does,omitempty"` // empty if the vehicle has nothing for it
	Colour   string         `json:"colour,omitempty"`       // customary on the trailer; never wire by it
	Least    float64        `json:"least_mm2,omitempty"`    // of the standard
	Served   bool           `json:"served"`
	Note     string         `json:"note,omitempty"`
	Source   circuit.Source `json:"source"`
}

// Breakaway is the battery against the hold that is asked for.
type Breakaway struct {
	State     State            `json:"state"`
	WaitsFor  []Pointer        `json:"waits_for"`
	Required  rules.Tri        `json:"required"`
	Electric  rules.Tri        `json:"electric"` // it works by the battery, not by a cable on the lever
	Hold      float64          `json:"hold_min"` // asked for; 0 if not known
	HoldFrom  string           `json:"hold_from"`
	Current   float64          `json:"current_a"`
	Needed    float64          `json:"needed_ah"`    // nameplate
	Fitted    float64          `json:"fitted_ah"`    // 0 if not known
	Expected  float64          `json:"expected_min"` // how long the fitted one holds; 0 if not known
	Adequate  rules.Status     `json:"adequate"`
	Floor     float64          `json:"floor_v"`   // battery voltage below which the hold has ended
	Indicator rules.Tri        `json:"indicator"` // is one asked for
	Charged   rules.Tri        `json:"charged_from_vehicle"`
	Factors   []string         `json:"factors"` // what the figure allows for
	Notes     []string         `json:"notes"`
	Sources   []circuit.Source `json:"sources"`
}

// Need is one characteristic that the controller or actuator must have for this
// rig, held against the facts of the one that is fitted.
type Need struct {
	ID       string         `json:"id"`
	Level    string         `json:"level"` // law, rating or practice
	Of       string         `json:"of"`    // controller or actuator
	Needs    string         `json:"needs"`
	Because  string         `json:"because"`
	Has      string         `json:"has"` // as told; empty if not
	Status   rules.Status   `json:"status"`
	WaitsFor []Pointer      `json:"waits_for"`
	Source   circuit.Source `json:"source"`
}

// Finding is something right or wrong with the plan itself.
type Finding struct {
	ID       string         `json:"id"`
	Level    string         `json:"level"` // law, rating or practice
	Status   rules.Status   `json:"status"`
	Summary  string         `json:"summary"`
	Remedy   string         `json:"remedy,omitempty"`
	WaitsFor []Pointer      `json:"waits_for"`
	Source   circuit.Source `json:"source"`
}

// Step is one piece of work. Its place in the list is an order in which all
// steps it depends on come first.
type Step struct {
	ID      string         `json:"id"`
	Title   string         `json:"title"`
	Do      string         `json:"do"`
	Reason  string         `json:"reason"`
	Hazard  string         `json:"hazard,omitempty"`
	Measure []Measure      `json:"measure"`
	After   []string       `json:"after"`     // ids of steps to be done before
	Waits   []Pointer      `json:"waits_for"` // inputs to find out before the step can be done as planned
	Source  circuit.Source `json:"source"`
}

// Measure is what to read off in a step.
type Measure struct {
	Proof    string `json:"proof"`    // id of the Expectation
	What     string `json:"what"`     // and how
	Expected string `json:"expected"` // with tolerance; says unknown if it cannot be computed yet
}

// ProofContext is what Expect and Judge go by: the circuit in numbers and which
// proofs are called for. It is part of the plan so that a kept plan can be judged
// later.
type ProofContext struct {
	Electrical   rules.Tri    `json:"electrical"` // electrical proofs are called for
	Actuator     string       `json:"actuator"`
	Braked       rules.Tri    `json:"braked"`            // the trailer has, or must have, service brakes
	Overrun      bool         `json:"overrun"`           // the coupling works the brakes
	Network      *Network     `json:"network,omitempty"` // of magnets; none if the circuit is not designed
	Pump         *Pump        `json:"pump,omitempty"`
	Supply       float64      `json:"supply_v"`  // 0 if not known
	Nominal      float64      `json:"nominal_v"` // of the system; 0 if not known
	Principle    string       `json:"principle,omitempty"`
	LoadSensing  rules.Tri    `json:"load_sensing"`
	Override     rules.Tri    `json:"override"`                // there is a manual override
	Breakaway    rules.Tri    `json:"breakaway"`               // one is fitted or asked for
	ByBattery    bool         `json:"by_battery"`              // and works by its battery
	Hold         float64      `json:"hold_min"`                // asked for; 0 if not known
	Floor        float64      `json:"floor_v"`                 // battery voltage that ends a hold; 0 if not known
	FloorLeast   float64      `json:"floor_least_v"`           // below this nobody accepts it; between the two practice disagrees
	Parking      bool         `json:"parking"`                 // a parking brake is fitted or asked for
	ParkingGrade string       `json:"parking_grade,omitempty"` // on which the law asks it to hold
	Indicator    rules.Tri    `json:"indicator"`               // is asked for
	Charged      rules.Tri    `json:"charged"`                 // likewise
	Asked        []AskedBrake `json:"asked"`
	WaitsFor     []Pointer    `json:"waits_for"` // inputs that computed figures wait for
}

// AskedBrake is a braking performance that law asks for.
type AskedBrake struct {
	Question     string       `json:"question"`
	Says         string       `json:"says"`
	Deceleration float64      `json:"deceleration_ms2,omitempty"`
	Efficiency   float64      `json:"efficiency,omitempty"` // a share: brake force over weight
	From         float64      `json:"from_kmh,omitempty"`   // a stop from this speed
	Within       float64      `json:"within_m,omitempty"`   // in this distance
	Shown        rules.Status `json:"shown"`                // by evidence in the rig document
	WaitsFor     []Pointer    `json:"waits_for"`            // what the law's answer waits for, where that is open
}

// Network is the healthy brake circuit at 20 degC in ohms.
type Network struct {
	Feed       float64    `json:"feed_ohm"`       // battery positive to controller
	Output     float64    `json:"output_ohm"`     // controller to the brake contact of the socket
	Return     float64    `json:"return_ohm"`     // earth contact of the socket to battery negative
	Trunk      float64    `json:"trunk_ohm"`      // brake contact to the first braked axle
	TrunkBack  float64    `json:"trunk_back_ohm"` // first braked axle to the earth contact
	MagnetLow  float64    `json:"magnet_low_ohm"`
	MagnetHigh float64    `json:"magnet_high_ohm"`
	Axles      []AxleOhms `json:"axles"`
	Rating     float64    `json:"rating_a"` // of the protection; 0 if not known
}

// AxleOhms is one braked axle of a Network. Half of its magnets, the odd one
// counted in, hang on the lead; the others sit where the lead begins.
type AxleOhms struct {
	Axle       int     `json:"axle"`
	Magnets    int     `json:"magnets"`
	Jumper     float64 `json:"jumper_ohm"` // from the axle in front
	JumperBack float64 `json:"jumper_back_ohm"`
	Lead       float64 `json:"lead_ohm"` // to the further magnets
	LeadBack   float64 `json:"lead_back_ohm"`
}

// Pump is what is expected of an electric-hydraulic actuator.
type Pump struct {
	Current float64 `json:"current_a"`
	Voltage float64 `json:"voltage_v"` // at the pump
	Least   float64 `json:"least_v"`   // with which it works; 0 if not known
}

// Expectation is one thing to be measured and what it must come to.
type Expectation struct {
	ID        string         `json:"id"` // for example axle_current/1
	Title     string         `json:"title"`
	Measure   string         `json:"measure"` // how
	Expected  string         `json:"expected"`
	Low       *float64       `json:"low,omitempty"`
	High      *float64       `json:"high,omitempty"`
	Nominal   *float64       `json:"nominal,omitempty"`
	Unit      string         `json:"unit,omitempty"`
	Tolerance string         `json:"tolerance,omitempty"`
	Required  bool           `json:"required"` // the job is not proven without it
	Because   string         `json:"because"`
	Step      string         `json:"step"` // of the plan, in which it is measured
	WaitsFor  []Pointer      `json:"waits_for"`
	Source    circuit.Source `json:"source"`
}

// Measurements is what the fitter read. Every field is optional; what is left
// out was not measured.
type Measurements struct {
	Polarity       string              `json:"polarity,omitempty" words:"correct reversed"`                  // at the ends meant for the controller, before it is connected
	SupplyRest     quantity.Quantity   `json:"supply_rest,omitzero" dim:"voltage" most:"60 V"`               // at the controller, engine running, no output
	SupplyLoaded   quantity.Quantity   `json:"supply_loaded,omitzero" dim:"voltage" most:"60 V"`             // the same at full output
	BatteryLoaded  quantity.Quantity   `json:"battery_loaded,omitzero" dim:"voltage" most:"60 V"`            // at the posts of the vehicle battery, at full output
	Bank           quantity.Quantity   `json:"bank_resistance,omitzero" dim:"resistance"`                    // brake contact to earth contact of the trailer plug, unplugged
	Insulation     quantity.Quantity   `json:"insulation,omitzero" dim:"resistance"`                         // trailer brake line to frame, magnets unplugged
	Leakage        quantity.Quantity   `json:"leakage,omitzero" dim:"current" most:"500 A"`                  // into the trailer brake line, magnets unplugged
	OutputIdle     quantity.Quantity   `json:"output_idle,omitzero" dim:"voltage" most:"60 V"`               // at the socket, pedal up, nothing switched on
	OutputLamps    quantity.Quantity   `json:"output_lamps,omitzero" dim:"voltage" most:"60 V"`              // the same with position lamps on
	OutputFlashing quantity.Quantity   `json:"output_flashing,omitzero" dim:"voltage" most:"60 V"`           // the same with turn signals and hazards on; the highest reading
	Output         []OutputStep        `json:"output,omitempty" list:"12"`                                   // at the socket, trailer connected
	AxleCurrents   []quantity.Quantity `json:"axle_currents,omitempty" dim:"current" most:"500 A" list:"10"` // braked axles, front first, at full output
	PumpCurrent    quantity.Quantity   `json:"pump_current,omitzero" dim:"current" most:"500 A"`             // of an electric-hydraulic actuator at full pressure
	MagnetVoltage  quantity.Quantity   `json:"magnet_voltage,omitzero" dim:"voltage" most:"60 V"`            // at the furthest magnet, or the pump, at full output
	FeedDrop       quantity.Quantity   `json:"feed_drop,omitzero" dim:"voltage" most:"60 V"`                 // controller output to the feed side of the furthest magnet
	ReturnDrop     quantity.Quantity   `json:"return_drop,omitzero" dim:"voltage" most:"60 V"`               // return side of the furthest magnet to battery negative
	StopReleased   quantity.Quantity   `json:"stop_released,omitzero" dim:"voltage" most:"60 V"`             // at the pick-up, pedal up
	StopPressed    quantity.Quantity   `json:"stop_pressed,omitzero" dim:"voltage" most:"60 V"`              // pedal down
	StopFlashing   quantity.Quantity   `json:"stop_flashing,omitzero" dim:"voltage" most:"60 V"`             // pedal up, turn signals and hazards on; the highest reading
	RadioNoise     *bool               `json:"radio_noise,omitempty"`                                        // braking is heard on a receiver, or a transmitter moves the output
	OverrideWorks  *bool               `json:"override_works,omitempty"`                                     // at walking pace the override alone slows the rig
	OverrideLamps  *bool               `json:"override_lamps,omitempty"`                                     // the override lights the trailer's stop lamps
	Breakaway      BreakawayTest       `json:"breakaway,omitzero"`
	Mechanical     MechanicalTest      `json:"mechanical,omitzero"`
	Road           []RoadTest          `json:"road,omitempty" list:"12"`
}

// OutputStep is the voltage at the socket at a share of full output.
type OutputStep struct {
	Demand quantity.Quantity `json:"demand" dim:"percentage" most:"100 %" required:"true"` // of full output
	Socket quantity.Quantity `json:"socket" dim:"voltage" most:"60 V" required:"true"`     // between brake and earth contact
}

// BreakawayTest is one pull of the pin.
type BreakawayTest struct {
	Applies  *bool             `json:"applies,omitempty"`                                // the brakes come on at once
	Hold     quantity.Quantity `json:"hold,omitzero" dim:"duration" most:"100 h"`        // how long they were seen to hold
	Start    quantity.Quantity `json:"start_voltage,omitzero" dim:"voltage" most:"60 V"` // of the battery at rest, before the pin is pulled
	End      quantity.Quantity `json:"end_voltage,omitzero" dim:"voltage" most:"60 V"`   // under load, at the end of the hold
	Current  quantity.Quantity `json:"current,omitzero" dim:"current" most:"500 A"`      // drawn at the start
	Releases *bool             `json:"releases,omitempty"`                               // the brakes let go once the pin is back
	Warns    *bool             `json:"indicator_works,omitempty"`                        // the driver is shown the state of the battery
	Charges  *bool             `json:"charges,omitempty"`                                // the vehicle charges the battery
}

// MechanicalTest is what is looked at on every brake, and on overrun brakes
// above all.
type MechanicalTest struct {
	WheelsFree    *bool `json:"wheels_free,omitempty"`    // each braked wheel turns freely with the brakes off
	WheelsBraked  *bool `json:"wheels_braked,omitempty"`  // each braked wheel is held with the brakes on
	CouplingMoves *bool `json:"coupling_moves,omitempty"` // the sliding shaft of an overrun device moves its travel and comes back
	ParkingHolds  *bool `json:"parking_holds,omitempty"`  // the parking brake holds the uncoupled trailer
	Reverses      *bool `json:"reverses,omitempty"`       // the trailer can be reversed without a lasting brake force
}

// RoadTest is one run with the trailer coupled.
type RoadTest struct {
	Speed        quantity.Quantity `json:"speed,omitzero" dim:"speed" most:"200 km/h" positive:"true"` // when braking began
	Surface      string            `json:"surface,omitempty" words:"dry_sealed wet_sealed gravel grass other"`
	Laden        *bool             `json:"laden,omitempty"`
	Deceleration quantity.Quantity `json:"deceleration,omitzero" dim:"acceleration" most:"20 m/s2"`      // mean, of the whole rig
	Distance     quantity.Quantity `json:"distance,omitzero" dim:"length" most:"2000 m" positive:"true"` // to a stop
	Pull         string            `json:"pull,omitempty" words:"none left right"`                       // where the rig went
	WheelLock    *bool             `json:"wheel_lock,omitempty"`                                         // a trailer wheel locked
}

// Judgement holds measurements against what was expected of them.
type Judgement struct {
	Proven   bool     `json:"proven"` // every required proof is met and no other has failed
	Open     []string `json:"open"`   // ids of required proofs that are not met or unknown
	Failed   []string `json:"failed"` // ids of proofs, required or not, that are not met
	Proofs   []Proof  `json:"proofs"`
	Faults   []Fault  `json:"faults"`    // what would explain the readings that are off, best first
	NextRead []string `json:"next_read"` // ids of proofs not measured yet that would tell the best two faults apart
	Cautions []string `json:"cautions"`
}

// Proof is one expectation held against what was measured.
type Proof struct {
	ID       string       `json:"id"`
	Title    string       `json:"title"`
	Required bool         `json:"required"`
	Status   rules.Status `json:"status"` // met, not_met or unknown
	Expected string       `json:"expected"`
	Measured string       `json:"measured"` // empty if it was not
	Summary  string       `json:"summary"`
	WaitsFor []Pointer    `json:"waits_for"` // document "measurements" for what was not measured
}

// InMeasurements is the document of a Pointer to a reading that is missing.
const InMeasurements = "measurements"

// Fault is one candidate cause of readings that are off, worked out by putting
// the fault into the circuit and comparing what a meter would then show.
type Fault struct {
	ID       string       `json:"id"`
	Title    string       `json:"title"`
	Rank     int          `json:"rank"`             // 1 is likeliest; faults that these readings cannot tell apart share a rank
	Figure   string       `json:"figure,omitempty"` // the size of the fault that fits best, for example 0.4 ohm
	Misfit   float64      `json:"misfit"`           // sum of squared errors, in tolerances; lower is better
	Explains []string     `json:"explains"`         // proofs that are not met and would not be with this fault
	Leaves   []string     `json:"leaves"`           // proofs that are not met although it would leave them right
	Against  []string     `json:"against"`          // proofs that are met although it would have them fail
	Predicts []Prediction `json:"predicts"`         // what it would have a meter show, for what was measured
	Look     string       `json:"look"`             // where to look and how to make sure
	Hazard   string       `json:"hazard,omitempty"`
}

// Prediction is one reading as a fault would have it.
type Prediction struct {
	Proof     string  `json:"proof"`
	Predicted float64 `json:"predicted"`
	Measured  float64 `json:"measured"`
	Unit      string  `json:"unit"`
}

// Record is what a handover is made of beside rig, answer, plan and readings.
type Record struct {
	Job     Job          `json:"job,omitzero"`
	Parts   []FittedPart `json:"parts,omitempty" list:"64"`
	SignOff SignOff      `json:"sign_off,omitzero"`
}

// Job names the work.
type Job struct {
	Reference string `json:"reference,omitempty"`
	Title     string `json:"title,omitempty"`
	Vehicle   string `json:"vehicle,omitempty"` // how the yard calls it
	Trailer   string `json:"trailer,omitempty"`
	Began     string `json:"began,omitempty" day:"true"` // 2006-01-02
	Ended     string `json:"ended,omitempty" day:"true"`
}

// FittedPart is a part that went into the rig, with what traces it.
type FittedPart struct {
	Role        string `json:"role,omitempty"`
	Description string `json:"description,omitempty"`
	Rating      string `json:"rating,omitempty"`
	Batch       string `json:"batch,omitempty"`
	Serial      string `json:"serial,omitempty"`
}

// SignOff is who answers for the work.
type SignOff struct {
	Name    string `json:"name,omitempty"`
	On      string `json:"on,omitempty" day:"true"` // 2006-01-02
	Licence string `json:"licence,omitempty"`       // reference as supplied; nobody checks it here
}

// Handover is the content of the printed record.
type Handover struct {
	Job        Job                `json:"job"`
	Rig        []Line             `json:"rig"`
	Law        []LawAsk           `json:"law"`
	LawSources []rules.Source     `json:"law_sources"`
	Rulesets   []rules.RulesetRef `json:"rulesets"`
	Verdict    rules.Verdict      `json:"verdict"`
	Plan       PlanSummary        `json:"plan"`
	Steps      []Step             `json:"steps"`
	Needs      []Need             `json:"needs"`
	Findings   []Finding          `json:"findings"`
	Proofs     []Proof            `json:"proofs"`
	Faults     []Fault            `json:"faults"`
	Proven     bool               `json:"proven"`
	Open       []string           `json:"open"` // what keeps the job from being proven, in words
	Parts      []FittedPart       `json:"parts"`
	Untraced   []string           `json:"untraced"` // parts with neither batch nor serial
	SignOff    SignOff            `json:"sign_off"`
	Signed     bool               `json:"signed"`      // name, day and licence reference are all given
	BeforeTrip []Check            `json:"before_trip"` // what the driver checks each time
	Missing    []Missing          `json:"missing"`
	Cautions   []string           `json:"cautions"`
}

// Line is one fact of the rig as entered.
type Line struct {
	Pointer string `json:"pointer"`
	Meaning string `json:"meaning"`
	Value   string `json:"value"`
}

// PlanSummary is the design in lines to print.
type PlanSummary struct {
	Electrical Electrical `json:"electrical"`
	Circuit    Design     `json:"circuit"`
	Protection Protection `json:"protection"`
	StopSignal StopSignal `json:"stop_signal"`
	Connector  Connector  `json:"connector"`
	Breakaway  Breakaway  `json:"breakaway"`
}

// Check is one thing that the driver looks at before a trip.
type Check struct {
	Do     string `json:"do"`
	Reason string `json:"reason"`
}
