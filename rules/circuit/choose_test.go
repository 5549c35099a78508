package circuit_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules/circuit"
)

// open is a usual line whose conductors are to be chosen.
func open(volts float64, axles int, ohms, vehicle, trunk float64) circuit.Usual {
	return circuit.Usual{
		Volts: volts, Axles: axles, MagnetOhms: ohms,
		Vehicle: circuit.Leg{Length: vehicle}, Trunk: circuit.Leg{Length: trunk}, Spacing: 0.9,
		Across: circuit.Leg{Conductor: cond("2.5 mm2"), Length: 1.5},
	}
}

// fill puts a conductor in every open leg, as Choose claims to have done.
func fill(r circuit.Run, c circuit.Conductor) circuit.Run {
	put := func(l circuit.Leg) circuit.Leg {
		if l.Length > 0 && l.Conductor.IsZero() {
			l.Conductor = c
		}
		return l
	}
	r.Feed, r.Return = put(r.Feed), put(r.Return)
	next := make([]circuit.Run, len(r.Next))
	for i := range r.Next {
		next[i] = fill(r.Next[i], c)
	}
	r.Next = next
	return r
}

// TestChoiceIsSmallest: the conductor chosen keeps every limit, and the next
// smaller one breaks the limit that is named.
func TestChoiceIsSmallest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := open(13, rapid.IntRange(1, 4).Draw(t, "axles"), rapid.Float64Range(3, 4).Draw(t, "ohms"),
			rapid.Float64Range(1, 7).Draw(t, "vehicle"), rapid.Float64Range(1, 9).Draw(t, "trunk"))
		c := must2(t)(u.Circuit())
		d := circuit.Demand{
			Families: []circuit.Family{rapid.SampledFrom(append(circuit.Chosen, circuit.MetricRigid)).Draw(t, "family")},
			Drop:     rapid.Float64Range(0.3, 1.5).Draw(t, "drop"),
			Method:   rapid.SampledFrom([]circuit.Method{circuit.SteadyCurrent, circuit.Resistive}).Draw(t, "method"),
			Axles:    rapid.SampledFrom([]int{0, u.Axles}).Draw(t, "floor"),
		}
		all, err := circuit.Choose(c, d)
		if err != nil {
			t.Fatal(err)
		}
		ch := all[0]
		try := func(with circuit.Conductor) (drop, amps float64) {
			x := c
			x.Line = fill(x.Line, with)
			if d.Method == circuit.SteadyCurrent {
				x = x.Steady()
			}
			s, err := circuit.Solve(x)
			if err != nil {
				return math.Inf(1), float64(2*u.Axles) * 13 / u.MagnetOhms
			}
			return s.Drop.Line, float64(2*u.Axles) * 13 / u.MagnetOhms
		}
		least := 0.0
		if d.Axles > 0 {
			floor, _ := circuit.Floor(d.Axles)
			least = floor.Area()
		}
		keeps := func(with circuit.Conductor) bool {
			drop, amps := try(with)
			h, ok := with.HeatLimit(nil)
			return drop <= d.Drop && ok && amps <= h.Amps && with.Area() >= least
		}
		sizes := circuit.Conductors(d.Families[0])
		if !ch.Enough {
			for _, c := range sizes {
				if keeps(c) {
					t.Fatalf("%s would do: %+v", c, ch)
				}
			}
			return
		}
		if !keeps(ch.Line) {
			t.Fatalf("%s breaks a limit: %s", ch.Line, ch.Says)
		}
		for i, c := range sizes {
			if c == ch.Line && i > 0 && keeps(sizes[i-1]) {
				t.Fatalf("%s would do, %s was chosen for %q", sizes[i-1], c, ch.LineBound)
			}
		}
		drop, _ := try(ch.Line)
		if math.Abs(drop-ch.Drop) > 1e-9 {
			t.Fatalf("says %v V, it is %v V", ch.Drop, drop)
		}
	})
}

// TestBounds: what rules out the next smaller gauge, by hand. Four axles draw
// 32.5 A, more than the 31 A of 10 AWG. One axle over 2 m could have 18 AWG but
// for the customary 12 AWG. Two axles: 16.25 A over 11 m and half of it over 0.9 m,
// less 0.097 V in the leads across, leave 0.403 V for 0.017241 x 2 x 16.25 x 11.45
// / 0.403 = 15.9 mm2, between 6 and 4 AWG.
func TestBounds(t *testing.T) {
	for _, c := range []struct {
		u    circuit.Usual
		d    circuit.Demand
		want string
		why  circuit.Bound
	}{
		{open(13, 4, 3.2, 0.5, 0.5), circuit.Demand{Drop: 1.2, Axles: 4}, "8 AWG", circuit.BoundHeating},
		{open(13, 1, 3.2, 1, 1), circuit.Demand{Drop: 1.2, Axles: 1}, "12 AWG", circuit.BoundFloor},
		{open(13, 1, 3.2, 1, 1), circuit.Demand{Drop: 1.2}, "18 AWG", circuit.BoundNone},
		{open(13, 2, 3.2, 5, 6), circuit.Demand{Drop: 0.5, Axles: 2}, "4 AWG", circuit.BoundDrop},
	} {
		x := must[circuit.Circuit](t)(c.u.Circuit())
		ch := choose(t, x, c.d, circuit.AWG)
		same(t, "line", ch.Line.String(), c.want)
		same(t, "bound", ch.LineBound, c.why)
	}
}

// TestChanges: where nothing is enough, each change that is offered is tried.
func TestChanges(t *testing.T) {
	tried := map[string]int{}
	for _, u := range []circuit.Usual{
		open(13, 2, 3.2, 6, 9), open(13, 2, 3.2, 8, 14), open(13, 2, 3.8, 3, 5), open(13, 3, 3.8, 20, 60), open(13, 4, 3.2, 30, 90), open(13, 1, 3.2, 6, 6),
	} {
		c := must[circuit.Circuit](t)(u.Circuit())
		for _, ch := range must[[]circuit.Choice](t)(circuit.Choose(c, circuit.Demand{Drop: 0.5, Families: []circuit.Family{circuit.SAE, circuit.AutoCable, circuit.Metric, circuit.AWG}})) {
			if ch.Enough {
				same(t, "changes", len(ch.Changes), 0)
				continue
			}
			if !ch.Line.IsZero() || !strings.Contains(ch.Says, "No listed size") {
				t.Errorf("%s: %s", ch.Family, ch.Says)
			}
			for _, x := range ch.Changes {
				tried[x.What]++
				v := u
				limit := 0.5
				switch x.What {
				case "shorten_line":
					scale := x.Length / (u.Vehicle.Length + u.Trunk.Length + float64(u.Axles-1)*u.Spacing)
					v.Vehicle.Length *= scale
					v.Trunk.Length *= scale
					v.Spacing *= scale
				case "allow_line":
					limit = x.Drop
				}
				y := must[circuit.Circuit](t)(v.Circuit())
				y.Line = fill(y.Line, x.Conductor)
				s := must[circuit.Solution](t)(circuit.Solve(y.Steady()))
				if s.Drop.Line > limit+1e-9 {
					t.Errorf("%s: %s, but %v V are lost", ch.Family, x.Says, s.Drop.Line)
				}
			}
		}
	}
	for _, what := range []string{"double_line", "shorten_line", "allow_line"} {
		if tried[what] == 0 {
			t.Errorf("%s was never offered", what)
		}
	}
}

// TestTooHot: where heating rules a family out, no change of length or limit is
// offered, since neither cools a conductor.
func TestTooHot(t *testing.T) {
	leg := circuit.Leg{Length: 1}
	c := circuit.Circuit{Volts: 13, Line: circuit.Run{Feed: leg, Return: leg, Loads: []circuit.Load{{Amps: 60}}}}
	ch := choose(t, c, circuit.Demand{Drop: 1.2}, circuit.SAE)
	if ch.Enough || len(ch.Changes) > 0 || ch.LineBound != circuit.BoundHeating {
		t.Errorf("%+v", ch)
	}
	for _, l := range ch.Legs {
		same(t, "heating", l.Status, circuit.NotMet)
	}
}

// TestSupplyIsChosen on its own limit, by hand: 16.25 A over 4 m one way of 6
// mm2 (3.30 ohm/km) drops 0.2145 V, of 4 mm2 (4.95) 0.3218 V.
func TestSupplyIsChosen(t *testing.T) {
	u := open(13, 2, 3.2, 0, 0)
	u.Vehicle, u.Trunk = circuit.Leg{Conductor: cond("10 mm2"), Length: 5}, circuit.Leg{Conductor: cond("10 mm2"), Length: 5}
	u.Supply = &circuit.Leg{Length: 4}
	c := must[circuit.Circuit](t)(u.Circuit())
	for drop, want := range map[float64]string{0.33: "4 mm2", 0.3: "6 mm2", 0.2145: "6 mm2", 0.2: "10 mm2"} {
		ch := choose(t, c, circuit.Demand{SupplyDrop: drop}, circuit.Metric)
		same(t, "supply", ch.Supply.String(), want)
		same(t, "line", ch.Line.IsZero(), true)
	}
	ch := choose(t, c, circuit.Demand{SupplyDrop: 0.01}, circuit.Metric)
	same(t, "enough", ch.Enough, false)
	for _, x := range ch.Changes {
		if !strings.HasSuffix(x.What, "_supply") {
			t.Errorf("%+v", x)
		}
		// 16.25 A over 25 mm2, 0.780 ohm/km: 0.01 V after 0.789 m.
		if x.What == "shorten_supply" {
			near(t, "length", x.Length, 0.7, 9)
		}
		if x.What == "allow_supply" {
			near(t, "drop", x.Drop, 0.06, 9) // 0.0507 V, rounded up
		}
	}
}

func TestChooseRefuses(t *testing.T) {
	c := must[circuit.Circuit](t)(open(13, 2, 3.2, 5, 5).Circuit())
	done := c
	done.Line = fill(done.Line, cond("6 mm2"))
	supply := c
	supply.Supply = &circuit.Leg{Length: 3}
	for _, x := range []struct {
		arg string
		c   circuit.Circuit
		d   circuit.Demand
	}{
		{"/line", done, circuit.Demand{Drop: 0.5}},
		{"/drop_v", c, circuit.Demand{}},
		{"/drop_v", c, circuit.Demand{Drop: math.NaN()}},
		{"/supply_drop_v", supply, circuit.Demand{Drop: 0.5}},
		{"/method", c, circuit.Demand{Drop: 0.5, Method: "guess"}},
		{"/ambient_c", c, circuit.Demand{Drop: 0.5, Ambient: p(500.0)}},
		{"/axles", c, circuit.Demand{Drop: 0.5, Axles: -1}},
		{"/families/0", c, circuit.Demand{Drop: 0.5, Families: []circuit.Family{circuit.Strands}}},
		{"/families/1", c, circuit.Demand{Drop: 0.5, Families: []circuit.Family{circuit.AWG, circuit.AWG}}},
		{"/volts", circuit.Circuit{}, circuit.Demand{Drop: 0.5}},
	} {
		_, err := circuit.Choose(x.c, x.d)
		var bad *circuit.Bad
		if !errors.As(err, &bad) || bad.Arg != x.arg {
			t.Errorf("want %s named: %v", x.arg, err)
		}
	}
}

// TestJudgeDrop at its boundaries: 5 % and 10 % of 12 V.
func TestJudgeDrop(t *testing.T) {
	for _, c := range []struct {
		drop float64
		want circuit.Status
		says string
	}{
		{0, circuit.Met, "no more than 5 %"},
		{0.6, circuit.Met, "no more than 5 %"},
		{0.600001, circuit.Met, "Caution"},
		{1.2, circuit.Met, "Caution"},
		{1.200001, circuit.NotMet, "larger conductors"},
	} {
		k := must[circuit.Check](t)(circuit.JudgeDrop(c.drop, 12))
		if k.Status != c.want || !strings.Contains(k.Says, c.says) || k.Level != circuit.Practice {
			t.Errorf("%v V: %+v", c.drop, k)
		}
	}
	for _, c := range [][2]float64{{1, 0}, {-1, 12}, {math.NaN(), 12}} {
		if _, err := circuit.JudgeDrop(c[0], c[1]); err == nil {
			t.Errorf("%v is judged", c)
		}
	}
}

func BenchmarkChoose(b *testing.B) {
	c, err := open(13, 2, 3.2, 5, 6).Circuit()
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := circuit.Choose(c, circuit.Demand{Drop: 0.5, Axles: 2}); err != nil {
			b.Fatal(err)
		}
	}
}
