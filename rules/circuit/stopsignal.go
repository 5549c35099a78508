package circuit

import (
	"fmt"
	"strconv"
)

// Stop describes a vehicle's stop-lamp circuit, from which a controller learns
// that the driver brakes.
type Stop struct {
	// Kind is switched (the pedal's switch feeds the lamps) or body_computer (a
	// module drives them), as in the rig document.
	Kind string `json:"kind,omitempty"`
	// Assisted tells whether stability or driver assistance can light or
	// suppress the stop lamps by itself.
	Assisted *bool `json:"assisted_stability,omitempty"`
	// LED tells whether the vehicle's stop lamps are LEDs.
	LED *bool `json:"led_lamps,omitempty"`
	// BackFeed tells whether the controller's override must light the stop lamps
	// through this wire.
	BackFeed *bool `json:"back_feed,omitempty"`
	// Volts is the nominal supply.
	Volts float64 `json:"volts"`
	// Amps is the largest current in the wire, A: that of the controller's input,
	// or of the lamps where they are fed through it. 1 A if left out.
	Amps *float64 `json:"amps,omitempty"`
	// Diode is silicon or schottky; silicon if left out.
	Diode string `json:"diode,omitempty"`
}

// Step is one measurement: what to do, what a meter should then show.
type Step struct {
	Do     string `json:"do"`
	Expect string `json:"expect"`
	Why    string `json:"why,omitempty"`
}

// StopAdvice is where to take the stop signal and how to prove it.
type StopAdvice struct {
	PickUp   []Advice `json:"pick_up"`
	Prove    []Step   `json:"prove"`
	Diode    Diode    `json:"diode"`
	Cautions []Advice `json:"cautions"`
	Needs    []string `json:"needs,omitempty"`
	// Manual is said always.
	Manual string `json:"manual"`
}

// Diode is a blocking diode in the controller's stop-lamp input.
type Diode struct {
	Fit     string  `json:"fit"` // yes, no or unknown, which see Needs
	Why     string  `json:"why"`
	Amps    float64 `json:"forward_a"` // least rating
	Reverse float64 `json:"reverse_v"` // least rating
	Loss    float64 `json:"loss_v"`    // highest forward voltage
	Watts   float64 `json:"loss_w"`    // at the current given
	Arrives float64 `json:"arrives_v"` // at the controller, from the nominal supply
	Source  Source  `json:"source"`
}

// forward is the highest forward voltage of a kind of diode, V; common practice.
var forward = map[string]float64{"silicon": 1.0, "schottky": 0.5}

// DiodeRating is the least forward rating in A for a current, twice that
// current, and the heat in W at a forward voltage; common practice.
func DiodeRating(amps, volts float64) (rating, watts float64) { return 2 * amps, volts * amps }

// LampCurrent is what n filament lamps of a power in W draw together at their
// rated voltage, A.
func LampCurrent(n int, watts, volts float64) float64 { return float64(n) * watts / volts }

// inputAmps is more than the stop-lamp input of a controller usually draws, A.
const inputAmps = 1

// TakeStop advises on the stop signal. What is not known of the vehicle is
// listed in Needs and the advice for both cases is given.
func TakeStop(s Stop) (StopAdvice, error) {
	if err := over("/volts", s.Volts, 0, mostVolts, "V"); err != nil {
		return StopAdvice{}, err
	}
	if s.Kind != "" && s.Kind != "switched" && s.Kind != "body_computer" {
		return StopAdvice{}, &Bad{"/kind", "must be switched or body_computer, not " + strconv.Quote(s.Kind)}
	}
	if s.Diode == "" {
		s.Diode = "silicon"
	}
	if forward[s.Diode] == 0 {
		return StopAdvice{}, &Bad{"/diode", "must be silicon or schottky, not " + strconv.Quote(s.Diode)}
	}
	amps := float64(inputAmps)
	if s.Amps != nil {
		amps = *s.Amps
		if err := within("/amps", amps, 0, mostAmps, "A"); err != nil {
			return StopAdvice{}, err
		}
	}
	a := StopAdvice{Manual: "Consult the vehicle's workshop manual before touching the stop-lamp circuit; it overrules this advice."}
	if s.Kind == "" {
		a.Needs = append(a.Needs, "/kind")
	}
	a.PickUp = pickUp(s.Kind)
	a.Prove = prove(s.Volts)
	a.Cautions = stopCautions(s)
	a.Diode = s.diode(amps, &a.Needs)
	return a, nil
}

func pickUp(kind string) []Advice {
	var all []Advice
	if kind != "body_computer" {
		all = append(all, Advice{"stop.switched", "Where the pedal's switch feeds the lamps, take the signal from the side of the switch that is dead until the pedal is pressed, before any switch that combines stop and turn: after it, turn signals and hazards would pulse the trailer brakes.", practice(high)})
	}
	if kind != "switched" {
		all = append(all,
			Advice{"stop.not_at_pedal", "Where a module drives the lamps, take nothing from the pedal's switch or sensor: its wire carries a small or two-channel logic signal that must not be loaded.", serviceInfo},
			Advice{"stop.lamp_output", "Take the signal where the module puts out steady direct voltage equal to the supply: a stop-lamp circuit (the high centre lamp is often the cleanest), a relay, the maker's provision for trailer brakes, or an interface that the maker approves.", serviceInfo},
		)
	}
	return all
}

func prove(volts float64) []Step {
	on := "steady direct voltage within a few tenths of that across the battery (" + show(volts) + " V nominal)"
	return []Step{
		{"Set a multimeter to direct voltage, black lead on battery negative, and measure across the battery first.", "the supply voltage, to compare with", "Every later reading is judged against this one."},
		{"Red lead on the pick-up point, pedal up, ignition off and then on.", "0 V", "Voltage here would hold the trailer brakes on."},
		{"Press the pedal.", on, "A lower or wandering reading points to a pulsed or logic signal."},
		{"With the pedal still down, read alternating voltage or the peak, tail lamps off and then on.", "no alternating voltage; peak equal to the steady reading", "A meter shows only the average of pulse-width modulation; an oscilloscope shows the pulses themselves."},
		{"Pedal up: work each turn signal and the hazards.", "0 V throughout", "Otherwise the turn signals pulse the trailer brakes."},
		{"Pedal down: work each turn signal and the hazards.", "no change", ""},
		{"Pedal down with the controller's input connected.", "no change", "A signal that falls under this load is not fit to feed it."},
	}
}

func stopCautions(s Stop) []Advice {
	all := []Advice{
		{"stop.pwm", "Outputs to LED and combined lamps may be pulse-width modulated or carry short test pulses: a controller then chatters or sees half a request.", practice(high)},
	}
	if s.Assisted == nil || *s.Assisted {
		all = append(all, Advice{"stop.assist", "Stability, traction, hill-hold, adaptive cruise and emergency braking may light or suppress the stop lamps without the pedal: try each that can be tried.", serviceInfo})
	}
	if s.LED == nil || *s.LED {
		all = append(all, Advice{"stop.led", "LED trailer lamps may draw too little for trailer detection or bulb warning, and test pulses can make them glow: use the vehicle's coding or a trailer module rather than load resistors, which run hot.", practice(high)})
	}
	return append(all,
		Advice{"stop.second_controller", "A vehicle with trailer braking of its own usually must not be given a second controller.", practice(high)},
		Advice{"stop.restraints", "Keep wiring and brackets out of the way of airbags and never probe restraint wiring. Chock the rig, disconnect battery negative first and connect it last.", practice(high)},
	)
}

// leastReverse is the reverse voltage above the load-dump peak, V: 79 to 101 V on
// 12 V and 151 to 202 V on 24 V unsuppressed, from memory of ISO 16750-2.
func leastReverse(volts float64) float64 {
	if volts > 16 {
		return 400
	}
	return 200
}

func (s Stop) diode(amps float64, needs *[]string) Diode {
	d := Diode{Fit: "unknown", Reverse: leastReverse(s.Volts), Loss: forward[s.Diode], Source: practice(medium)}
	d.Amps, d.Watts = DiodeRating(amps, d.Loss)
	d.Arrives = s.Volts - d.Loss
	sized := fmt.Sprintf(" It should carry %s A forward and block %s V; it takes up to %s V, so that about %s V arrive and %s W become heat. Check that the controller still answers.",
		show(d.Amps), show(d.Reverse), show(d.Loss), figure(d.Arrives, 3), figure(d.Watts, 3))
	watched := s.Kind == "body_computer" || s.Assisted != nil && *s.Assisted
	switch {
	case s.BackFeed != nil && *s.BackFeed:
		d.Fit, d.Why = "no", "No diode here: the controller must feed the stop lamps back on override. Where the vehicle watches this line, use a relay for that."
	case watched && s.BackFeed == nil:
		*needs = append(*needs, "/back_feed")
		d.Why = "The vehicle watches or pulses this line, which asks for a diode, unless the controller must feed the stop lamps back on override." + sized
	case watched:
		d.Fit, d.Why = "yes", "Fit a diode that conducts from the vehicle to the controller only: the vehicle watches or pulses this line, and the override must not feed back into it."+sized
	case s.Kind == "" || s.Assisted == nil:
		if s.Assisted == nil {
			*needs = append(*needs, "/assisted_stability")
		}
		d.Why = "Whether the vehicle watches this line is not known." + sized
	default:
		d.Fit, d.Why = "no", "Nothing given asks for a diode. Fit one all the same if cruise control or a shift lock senses this line and the controller's override could feed back into it."
	}
	return d
}
