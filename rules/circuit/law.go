package circuit

// Figures of the European law of electrical trailer brakes.
const (
	euMostAmps      = 15   // A in all, Annex XI 1.5; text
	euConnection    = 9.6  // V at 15 A, UN R13 5.2.1.19.1; memory
	euResidualVolts = 7    // V in the line, Annex XI 2.3; text
	euResidualForce = 0.20 // of the sum of maximum stationary axle loads, at 7 V
	euServiceForce  = 0.50 // of maximum total axle load, Annex XI 3.4; second-hand
	euHoldForce     = 0.25 // of maximum total axle load, Annex XI 3.6; second-hand
	euHoldMinutes   = 15
	euResponse      = 0.4  // m/s2, UN R13 Annex 14 3.1; memory
	euUnladenShare  = 0.75 // of maximum mass, Annex XI 2.2; text
)

// European is what the European rules for electrical service brakes of a light
// trailer (O2) ask about. Forces are shares: newtons of brake force for each
// newton of axle load.
type European struct {
	Volts              *float64 `json:"nominal_v,omitempty"`
	Amps               *float64 `json:"amps,omitempty"`                 // whole braking system
	RegulatorOnTrailer *bool    `json:"regulator_on_trailer,omitempty"` // what regulates the brake voltage
	FromVehicle        *bool    `json:"energy_from_vehicle,omitempty"`
	ByServiceBrake     *bool    `json:"by_service_brake,omitempty"` // worked by the vehicle's service brake
	OwnPlug            *bool    `json:"own_plug,omitempty"`         // which cannot mate with lighting sockets
	BatteryCharged     *bool    `json:"battery_charged,omitempty"`  // a trailer battery, from the vehicle
	ChargeCut          *bool    `json:"charge_cut,omitempty"`       // while the service brake is applied
	UnladenShare       *float64 `json:"unladen_share,omitempty"`    // unladen mass of maximum mass
	LoadRegulated      *bool    `json:"load_regulated,omitempty"`   // brake force follows the load by itself
	ForceAt7V          *float64 `json:"force_at_7v,omitempty"`
	ServiceForce       *float64 `json:"service_force,omitempty"`
	ServiceRate        *float64 `json:"service_deceleration,omitempty"` // of the combination when that force is reached, m/s2
	SingleAxle         *bool    `json:"single_axle,omitempty"`
	Inclination        *bool    `json:"inclination_sensor,omitempty"` // the regulator senses inclination
	AdjustableDrawbar  *bool    `json:"adjustable_drawbar,omitempty"`
	SensorOnChassis    *bool    `json:"sensor_on_chassis,omitempty"`
	ElectricBreakaway  *bool    `json:"electric_breakaway,omitempty"`
	HoldMinutes        *float64 `json:"hold_min,omitempty"`
	HoldForce          *float64 `json:"hold_force,omitempty"`
	Response           *float64 `json:"response,omitempty"`       // deceleration at which the brakes first act, m/s2
	ConnectionVolts    *float64 `json:"connection_v,omitempty"`   // with 15 A drawn, engine idling, usual equipment on
	ByStopLamp         *bool    `json:"by_stop_lamp,omitempty"`   // actuated from the stop-lamp switch
	Parallel           *bool    `json:"parallel,omitempty"`       // actuating line parallel with the stop lamp
	SwitchAmps         *float64 `json:"switch_amps,omitempty"`    // what switch and circuit may carry
	StopAndBrakeAmps   *float64 `json:"stop_load_amps,omitempty"` // lamps and actuation together
}

// CheckEuropean holds an electrical braking system against the European rules.
// Figures of the directive were read in its text, which is repealed; those of
// UN Regulation 13 are from memory, and each check says which.
func CheckEuropean(e European) ([]Check, error) {
	numbers := []struct {
		arg string
		x   *float64
		hi  float64
	}{
		{"/nominal_v", e.Volts, mostVolts},
		{"/amps", e.Amps, mostAmps},
		{"/unladen_share", e.UnladenShare, 1},
		{"/force_at_7v", e.ForceAt7V, 2},
		{"/service_force", e.ServiceForce, 2},
		{"/service_deceleration", e.ServiceRate, 20},
		{"/hold_min", e.HoldMinutes, 6000},
		{"/hold_force", e.HoldForce, 2},
		{"/response", e.Response, 20},
		{"/connection_v", e.ConnectionVolts, mostVolts},
		{"/switch_amps", e.SwitchAmps, mostAmps},
		{"/stop_load_amps", e.StopAndBrakeAmps, mostAmps},
	}
	for _, n := range numbers {
		if n.x != nil {
			if err := within(n.arg, *n.x, 0, n.hi, ""); err != nil {
				return nil, err
			}
		}
	}
	parallelText := directive.as(secondHand, high)
	checks := []Check{
		{
			ID: "eu.voltage", Says: "The nominal voltage is 12 V.", Source: directive.at("1.4"),
		},
		atMost("eu.current", "The whole electrical braking system draws at most 15 A.", "/amps", e.Amps, euMostAmps, "A", directive.at("1.5")),
		yes("eu.regulator_on_trailer", "What regulates the brake voltage sits on the trailer; a controller in the cab alone does not satisfy this.", "/regulator_on_trailer", e.RegulatorOnTrailer, directive.at("1.1")),
		yes("eu.energy_from_vehicle", "The energy comes from the towing vehicle.", "/energy_from_vehicle", e.FromVehicle, directive.at("1.2")),
		yes("eu.by_service_brake", "The brakes are worked by the vehicle's service brake.", "/by_service_brake", e.ByServiceBrake, directive.at("1.3")),
		yes("eu.own_plug", "The brake supply has a plug and socket of its own that cannot mate with the lighting sockets; plug and cable belong to the trailer.", "/own_plug", e.OwnPlug, directive.at("1.6")),
		only(e.BatteryCharged, "/battery_charged", yes("eu.charge_cut", "A trailer battery charged from the vehicle is cut off from its supply while the service brake is applied.", "/charge_cut", e.ChargeCut, directive.at("2.1"))),
		only(below(e.UnladenShare, euUnladenShare), "/unladen_share", yes("eu.load_regulated", "With an unladen mass below 75 % of the maximum mass, the brake force follows the load by itself.", "/load_regulated", e.LoadRegulated, directive.at("2.2"))),
		atLeast("eu.force_at_7v", "With 7 V in the line at least 20 % of the sum of maximum stationary axle loads remains as brake force.", "/force_at_7v", e.ForceAt7V, euResidualForce, "", directive.at("2.3")),
		sensor(e),
		atLeast("eu.service_force", "The brake force reaches at least 50 % of the maximum total axle load.", "/service_force", e.ServiceForce, euServiceForce, "", parallelText.at("3.4")),
		serviceRate(e, parallelText.at("3.4")),
		only(e.ElectricBreakaway, "/electric_breakaway", atLeast("eu.hold_time", "Where breakaway braking needs electrical energy, it lasts at least 15 minutes.", "/hold_min", e.HoldMinutes, euHoldMinutes, "min", parallelText.at("3.6"))),
		only(e.ElectricBreakaway, "/electric_breakaway", atLeast("eu.hold_force", "Where breakaway braking needs electrical energy, it gives at least 25 % of the maximum total axle load.", "/hold_force", e.HoldForce, euHoldForce, "", parallelText.at("3.6"))),
		atMost("eu.response", "The brakes respond at a deceleration of the combination of at most 0.4 m/s2.", "/response", e.Response, euResponse, "m/s2", unR13.at("Annex 14 3.1")),
		atLeast("eu.connection", "With 15 A drawn, the engine idling and the usual equipment on, at least 9.6 V stand at the connection.", "/connection_v", e.ConnectionVolts, euConnection, "V", unR13.at("5.2.1.19.1")),
		only(e.ByStopLamp, "/by_stop_lamp", yes("eu.stop_lamp_parallel", "An actuating line from the stop-lamp switch lies parallel with the stop lamp.", "/parallel", e.Parallel, unR13.at("5.2.1.19.3"))),
		only(e.ByStopLamp, "/by_stop_lamp", switchLoad(e)),
	}
	if e.Volts == nil {
		checks[0] = decided(checks[0], "/nominal_v", false, false)
	} else {
		limit := 12.0
		checks[0].Value, checks[0].Limit, checks[0].Unit = e.Volts, &limit, "V"
		checks[0] = decided(checks[0], "", true, *e.Volts == limit)
	}
	for i := range checks {
		checks[i].Level = Law
	}
	return checks, nil
}

func atMost(id, says, need string, x *float64, limit float64, unit string, src Source) Check {
	c := Check{ID: id, Says: says, Value: x, Limit: &limit, Unit: unit, Source: src}
	return decided(c, need, x != nil, x != nil && !exceeds(*x, limit))
}

func atLeast(id, says, need string, x *float64, limit float64, unit string, src Source) Check {
	c := Check{ID: id, Says: says, Value: x, Limit: &limit, Unit: unit, Source: src}
	return decided(c, need, x != nil, x != nil && !exceeds(limit, *x))
}

func yes(id, says, need string, b *bool, src Source) Check {
	return decided(Check{ID: id, Says: says, Source: src}, need, b != nil, b != nil && *b)
}

// below reports whether x is under a limit; nil if x is not known.
func below(x *float64, limit float64) *bool {
	if x == nil {
		return nil
	}
	b := exceeds(limit, *x)
	return &b
}

// only is the check where a condition holds. If the condition is not known, the
// check is met if it would be, and otherwise waits for the condition too.
func only(condition *bool, need string, c Check) Check {
	switch {
	case condition == nil && c.Status != Met:
		c.Status, c.Needs = Unknown, append([]string{need}, c.Needs...)
	case condition != nil && !*condition:
		c.Status, c.Needs = NotApplicable, nil
	}
	return c
}

func sensor(e European) Check {
	c := yes("eu.sensor_on_chassis", "On a trailer of more than one axle with a height-adjustable drawbar, an inclination-sensitive regulator is fixed to the chassis.", "/sensor_on_chassis", e.SensorOnChassis, directive.at("2.4"))
	var several *bool
	if e.SingleAxle != nil {
		b := !*e.SingleAxle
		several = &b
	}
	c = only(several, "/single_axle", c)
	for _, x := range []struct {
		b    *bool
		need string
	}{{e.AdjustableDrawbar, "/adjustable_drawbar"}, {e.Inclination, "/inclination_sensor"}} {
		if c.Status != NotApplicable {
			c = only(x.b, x.need, c)
		}
	}
	return c
}

// serviceRate is the deceleration by which the service force must be there: 5.9
// m/s2 with a single axle, 5.6 with several. A rate within the lower limit, or
// beyond the higher one, is settled without knowing the axles.
func serviceRate(e European, src Source) Check {
	const single, several = 5.9, 5.6
	says := "That force is reached while the combination slows by at most 5.9 m/s2 (a single axle) or 5.6 m/s2 (several)."
	switch {
	case e.SingleAxle != nil && *e.SingleAxle:
		return atMost("eu.service_deceleration", says, "/service_deceleration", e.ServiceRate, single, "m/s2", src)
	case e.SingleAxle != nil:
		return atMost("eu.service_deceleration", says, "/service_deceleration", e.ServiceRate, several, "m/s2", src)
	}
	strict := atMost("eu.service_deceleration", says, "/service_deceleration", e.ServiceRate, several, "m/s2", src)
	if strict.Status == NotMet && exceeds(*e.ServiceRate, single) || strict.Status == Met {
		return strict
	}
	strict.Status, strict.Needs, strict.Limit = Unknown, append(strict.Needs, "/single_axle"), nil
	return strict
}

func switchLoad(e European) Check {
	c := Check{ID: "eu.stop_lamp_load", Says: "Stop-lamp switch and circuit can carry the lamps and the actuation together.", Value: e.StopAndBrakeAmps, Limit: e.SwitchAmps, Unit: "A", Source: unR13.at("5.2.1.19.3")}
	c = decided(c, "/switch_amps", e.SwitchAmps != nil, e.SwitchAmps != nil && e.StopAndBrakeAmps != nil && !exceeds(*e.StopAndBrakeAmps, *e.SwitchAmps))
	if e.StopAndBrakeAmps == nil {
		c.Status, c.Needs = Unknown, append(c.Needs, "/stop_load_amps")
	}
	return c
}

// CheckLamp holds the voltage at a lit bulb's socket against the 85 % of the
// design voltage that California asks of lamps with the engine running. It says
// nothing of magnets. A missing voltage leaves it unknown.
func CheckLamp(design float64, at *float64) (Check, error) {
	if err := over("/design_v", design, 0, mostVolts, "V"); err != nil {
		return Check{}, err
	}
	if at != nil {
		if err := within("/lamp_v", *at, 0, mostVolts, "V"); err != nil {
			return Check{}, err
		}
	}
	c := atLeast("us_ca.lamp_voltage", "A lit bulb gets at least 85 % of its design voltage with the engine running (California; lamps only, for magnets an analogy at most).", "/lamp_v", at, 0.85*design, "V", lamps85.at("1249(c)"))
	c.Level = Law
	return c, nil
}

// CheckRun holds the laying of trailer wiring against the Australian bulletin:
// support at least every 600 mm, and a return conductor between the vehicles.
// Missing inputs leave their check unknown.
func CheckRun(spacing *float64, earth *bool) ([]Check, error) {
	if spacing != nil {
		if err := within("/support_spacing_m", *spacing, 0, mostLength, "m"); err != nil {
			return nil, err
		}
	}
	checks := []Check{
		atMost("au.support", "Wiring is supported at least every 600 mm (Australia).", "/support_spacing_m", spacing, 0.6, "m", vsb1),
		yes("au.return", "An earth return conductor joins trailer and towing vehicle (Australia).", "/return_conductor", earth, vsb1),
	}
	for i := range checks {
		checks[i].Level = Law
	}
	return checks, nil
}
