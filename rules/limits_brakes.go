package rules

import (
	"fmt"
	"slices"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Arrangement is a way to brake the trailer. What it leaves out stays as the
// rig has it. It never holds a measured result, which nobody can fit.
type Arrangement struct {
	Kind               string `json:"kind"`                           // of service brake, or none
	BrakedAxles        string `json:"braked_axles,omitempty"`         // one or all
	OperableFromCab    bool   `json:"operable_from_cab"`              // goes with the kind
	AutoReverse        bool   `json:"auto_reverse,omitempty"`         // of a brake that works by overrun
	Breakaway          string `json:"breakaway,omitempty"`            // automatic or secondary_coupling
	Hold               string `json:"hold,omitempty"`                 // how long an automatic breakaway holds
	BatteryIndicator   bool   `json:"battery_indicator,omitempty"`    // of its battery
	ChargedFromVehicle bool   `json:"charged_from_vehicle,omitempty"` // its battery
	ParkingBrake       bool   `json:"parking_brake,omitempty"`

	hold quantity.Quantity
}

var (
	brakesWorking  = rig.Must("trailer.brakes.working")
	brakedAxles    = rig.Must("trailer.brakes.braked_axles")
	axlePositions  = rig.Must("trailer.brakes.axle_positions")
	axleCount      = rig.Must("trailer.axle_count")
	operable       = rig.Must("trailer.brakes.operable_from_cab")
	autoReverse    = rig.Must("trailer.brakes.auto_reverse")
	breakawayKind  = rig.Must("trailer.breakaway.kind")
	breakawayHold  = rig.Must("trailer.breakaway.hold")
	breakawayGrade = rig.Must("trailer.breakaway.holds_grade")
	batteryShown   = rig.Must("trailer.breakaway.battery_indicator")
	batteryCharged = rig.Must("trailer.breakaway.charged_from_vehicle")
	parkingBrake   = rig.Must("trailer.parking_brake")
	overrunKinds   = []string{"overrun", "surge"}
	brakeFields    = []rig.ID{brakesWorking, brakedAxles, axlePositions, operable, autoReverse}
)

// settings fit the arrangement to a trailer.
func (a Arrangement) settings(r *rig.Rig) []setting {
	out := []setting{wordOf(kindFact, a.Kind)}
	for _, id := range brakeFields {
		out = append(out, forget(id))
	}
	if a.Kind == "none" {
		if r.Get(breakawayKind).Word == "automatic" && a.Breakaway == "" {
			out = append(out, wordOf(breakawayKind, "none")) // there is nothing left to apply
		}
	} else {
		out = append(out, boolOf(brakesWorking, true), boolOf(operable, a.OperableFromCab))
		out = append(out, a.axles(r)...)
		if a.AutoReverse {
			out = append(out, boolOf(autoReverse, true))
		}
	}
	return append(out, a.parting()...)
}

// axles brakes the wheels of all axles, or of the rearmost.
func (a Arrangement) axles(r *rig.Rig) []setting {
	n := r.Get(axleCount)
	switch {
	case !n.Known:
		return []setting{countOf(brakedAxles, 1)}
	case a.BrakedAxles == "one":
		return []setting{countsOf(axlePositions, []int{int(n.Num)})}
	default:
		return []setting{countOf(brakedAxles, int(n.Num))}
	}
}

// parting fits what acts when the trailer parts, and the parking brake.
func (a Arrangement) parting() []setting {
	var out []setting
	if a.Breakaway != "" {
		out = append(out, wordOf(breakawayKind, a.Breakaway))
	}
	if !a.hold.IsZero() {
		out = append(out, amountOf(breakawayHold, a.hold))
	}
	for _, x := range []struct {
		id  rig.ID
		has bool
	}{{batteryShown, a.BatteryIndicator}, {batteryCharged, a.ChargedFromVehicle}, {parkingBrake, a.ParkingBrake}} {
		if x.has {
			out = append(out, boolOf(x.id, true))
		}
	}
	return out
}

// longestHold is the longest time for which any rule of the place can ask an
// automatic breakaway to hold; none if none does.
func (p *plan) longestHold(day rig.Day) quantity.Quantity {
	var out quantity.Quantity
	for _, r := range p.rules {
		for i := range r.Duties {
			d := &r.Duties[i]
			if d.Question != "breakaway.hold" || r.Level == "practice" || !r.Effective.Contains(day) {
				continue
			}
			if q := quantity.New(d.Demand.Value.Num, d.Demand.Value.Unit); out.IsZero() || q.Cmp(out) > 0 {
				out = q
			}
		}
	}
	return out
}

// everything is the arrangement of a kind with all that can be fitted to it.
func (s *solver) everything(kind, axles string) Arrangement {
	if kind == "none" {
		return Arrangement{Kind: kind, Breakaway: "secondary_coupling"}
	}
	a := Arrangement{
		Kind: kind, BrakedAxles: axles, OperableFromCab: !slices.Contains(overrunKinds, kind), AutoReverse: slices.Contains(overrunKinds, kind),
		Breakaway: "automatic", hold: s.plan.longestHold(s.day), BatteryIndicator: true, ChargedFromVehicle: true, ParkingBrake: true,
	}
	a.Hold = a.hold.String()
	return a
}

// asked leaves of an arrangement what the asks ask for.
func (a Arrangement) asked(asks []Ask) Arrangement {
	want := map[string]bool{}
	for _, x := range asks {
		want[x.Question] = x.Value != "false"
	}
	a.AutoReverse = a.AutoReverse && want["service_brakes.auto_reverse"]
	if !want["breakaway.required"] && !want["breakaway.any_of"] {
		a.Breakaway, a.Hold, a.hold = "", "", quantity.Quantity{}
		a.BatteryIndicator, a.ChargedFromVehicle = false, false
	}
	if !want["breakaway.hold"] {
		a.Hold, a.hold = "", quantity.Quantity{}
	}
	a.BatteryIndicator = a.BatteryIndicator && want["breakaway.battery_indicator"]
	a.ChargedFromVehicle = a.ChargedFromVehicle && want["breakaway.charged_from_vehicle"]
	a.ParkingBrake = a.ParkingBrake && want["parking_brake.required"]
	return a
}

// arrangements solves the rig with every kind of brake that the rules permit at
// some mass, each with no more about it than what is asked there. All axles are
// braked only where that allows more than braking one.
func (s *solver) arrangements(r *rig.Rig) ([]Limit, error) {
	out := []Limit{}
	for _, kind := range rig.BrakeKinds {
		ways := []string{"one", "all"}
		if n := r.Get(axleCount); kind == "none" {
			ways = []string{""}
		} else if !n.Known {
			ways = []string{"one"}
		} else if n.Num <= 1 {
			ways = []string{"all"}
		}
		var last *solution
		for _, axles := range ways {
			x, err := s.arranged(r, s.everything(kind, axles))
			if err != nil {
				return nil, fmt.Errorf("with brakes of kind %s: %w", kind, err)
			}
			if x == nil || last != nil && !x.better(last) {
				continue
			}
			if last != nil && last.Status == None {
				out = out[:len(out)-1]
			}
			out, last = append(out, x.Limit), x
		}
	}
	return out, nil
}

// better reports whether a solution allows more than another: a heavier trailer,
// or one that is decided.
func (x *solution) better(y *solution) bool {
	order := []LimitStatus{None, Open, Solved, Unbounded}
	if i, j := slices.Index(order, x.Status), slices.Index(order, y.Status); i != j {
		return i > j
	}
	return x.top() > y.top() || x.top() == y.top() && x.far() > y.far()
}

// top is the heaviest, in base units.
func (x *solution) top() int64 {
	if x.place == x.track.hi {
		return quantity.Mass.Max()
	}
	return x.base
}

// far is up to where nothing is known to be against it.
func (x *solution) far() int64 {
	if x.beyond != nil {
		return x.beyond.top()
	}
	return x.top()
}

func (x *solution) as(y *solution) bool { return !x.better(y) && !y.better(x) }

// arranged solves the rig with an arrangement, cut down to what is asked if that
// allows as much; nil if its kind is not permitted at any mass.
func (s *solver) arranged(r *rig.Rig, a Arrangement) (*solution, error) {
	x, err := s.with(r, a)
	if err != nil || !x.permitted() {
		return nil, err
	}
	furthest := x.base
	if x.beyond != nil {
		furthest = x.beyond.base
	}
	if less := a.asked(x.track.full(furthest, nil).asks()); less != a {
		y, err := s.with(r, less)
		if err != nil {
			return nil, err
		}
		if y.as(x) {
			x = y
		}
	}
	return x, s.tell(x)
}

func (s *solver) with(r *rig.Rig, a Arrangement) (*solution, error) {
	fitted, err := r.With(func(d *rig.Draft) { apply(d, a.settings(r)) })
	if err != nil {
		return nil, fmt.Errorf("fit the brakes: %w", err)
	}
	return s.find(fitted, &a)
}

// permitted reports whether the kind of brake is accepted at some mass.
func (x *solution) permitted() bool {
	t := x.track
	places := []int64{t.lo}
	for _, c := range t.cuts {
		places = append(places, c.place)
	}
	return slices.ContainsFunc(places, func(place int64) bool {
		return !slices.ContainsFunc(t.look(place, nil).found, func(f found) bool {
			return f.counts() && f.Status == NotMet && f.Question == "service_brakes.kinds"
		})
	})
}
