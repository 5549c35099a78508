package fitting

import (
	"math"
	"strconv"
)

// Resistances that stand for something broken.
const (
	openOhms  = 1e6  // a break, as far as a meter tells
	probeOhms = 1e4  // a voltmeter, on the poor side
	shortOhms = 0.01 // a dead short
)

// state is a brake circuit as it may be: healthy, or with something wrong. All
// figures are in ohms and volts; far and near are the magnets of each axle.
type state struct {
	emf                                          float64 // at the battery without load
	source, feed, output, back, trunk, trunkBack float64
	axles                                        []axleState
	leak                                         float64 // brake line to frame at the first axle; 0 for none
	drive                                        float64 // share of full output that the controller gives
}

type axleState struct {
	axle                               int
	near, far                          []float64
	jumper, jumperBack, lead, leadBack float64
}

// healthy is the network with every magnet of r ohm at a supply.
func (n *Network) healthy(supply, r float64) state {
	s := state{emf: supply, feed: n.Feed, output: n.Output, back: n.Return, trunk: n.Trunk, trunkBack: n.TrunkBack, drive: 1}
	for _, a := range n.Axles {
		near, far := split(a.Magnets)
		s.axles = append(s.axles, axleState{
			axle: a.Axle, near: alike(near, r), far: alike(far, r),
			jumper: a.Jumper, jumperBack: a.JumperBack, lead: a.Lead, leadBack: a.LeadBack,
		})
	}
	return s
}

func alike(n int, r float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = r
	}
	return out
}

// readings are what a meter shows, by the id of the expectation.
type readings map[string]float64

// sum adds the conductances of magnets side by side.
func sum(rs []float64) float64 {
	g := 0.0
	for _, r := range rs {
		g += 1 / r
	}
	return g
}

// behind is the conductance g seen through r ohm.
func behind(g, r float64) float64 { return g / (1 + g*r) }

// solve computes every reading that follows from the circuit. It is a ladder:
// conductances are gathered from the far end inwards, voltages and currents then
// follow outwards. Package circuit solves any tree, with conductors; this one is
// run a thousand times for a diagnosis and knows ohms only. A test holds the two
// together.
func (s state) solve() readings {
	n := len(s.axles)
	at := make([]float64, n)   // conductance at each axle, with all behind it
	lead := make([]float64, n) // of each lead
	for i := n - 1; i >= 0; i-- {
		a := s.axles[i]
		lead[i] = behind(sum(a.far), a.lead+a.leadBack)
		at[i] = sum(a.near) + lead[i]
		if i == 0 && s.leak > 0 {
			at[i] += 1 / s.leak
		}
		if i+1 < n {
			at[i] += behind(at[i+1], s.axles[i+1].jumper+s.axles[i+1].jumperBack)
		}
	}
	plug := behind(at[0], s.trunk+s.trunkBack)
	line := behind(plug, s.output+s.back)
	// A controller that gives less than full output passes on a share of the
	// voltage: all that is beyond it falls with that share, since magnets are
	// resistances. What it draws falls likewise, whether it pulses or regulates.
	amps := s.drive * s.emf * behind(line, s.source+s.feed)
	out := 0.0
	if line > 0 {
		out = amps / line
	} else {
		out = s.drive * s.emf
	}
	r := readings{
		"supply_rest":     s.emf,
		"battery_loaded":  s.emf - amps*s.source,
		"supply_loaded":   s.emf - amps*(s.source+s.feed),
		"output/100":      out - amps*(s.output+s.back),
		"bank_resistance": math.Min(1/math.Max(plug, 1e-12), openOhms),
	}
	feed, back := amps*(s.output+s.trunk), amps*(s.back+s.trunkBack)
	v := out - feed - back
	for i, a := range s.axles {
		if i > 0 {
			through := v * behind(at[i], a.jumper+a.jumperBack)
			feed, back = feed+through*a.jumper, back+through*a.jumperBack
			v -= through * (a.jumper + a.jumperBack)
		}
		far := v * lead[i]
		r["axle_current/"+strconv.Itoa(a.axle)] = v*sum(a.near) + far
		if i == n-1 {
			r["feed_drop"], r["return_drop"] = feed+far*a.lead, back+far*a.leadBack
			r["magnet_voltage"] = v - far*(a.lead+a.leadBack)
		}
	}
	return r
}

// total is the current of all axles together.
func (r readings) total(n *Network) float64 {
	sum := 0.0
	for _, a := range n.Axles {
		sum += r["axle_current/"+strconv.Itoa(a.Axle)]
	}
	return sum
}
