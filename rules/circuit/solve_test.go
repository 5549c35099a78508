package circuit_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"drawgear/rules/circuit"
)

// nodal solves a circuit by nodal analysis of both wires: a node at each end of
// each conductor, conductances between them, sources as stated currents. It
// shares nothing with the ladder reduction. Conductors without resistance are
// given a nano-ohm.
type nodal struct {
	g     map[[2]int]float64
	in    map[int]float64
	nodes int
	loads []load
}

type load struct{ plus, minus int }

func (n *nodal) node() int { n.nodes++; return n.nodes }

func (n *nodal) add(a, b int, siemens float64) {
	n.g[[2]int{a, a}] += siemens
	n.g[[2]int{b, b}] += siemens
	n.g[[2]int{a, b}] -= siemens
	n.g[[2]int{b, a}] -= siemens
}

// flow makes a current source draw from a and push into b.
func (n *nodal) flow(a, b int, amps float64) {
	n.in[a] -= amps
	n.in[b] += amps
}

func ohms(l circuit.Leg, t circuit.Temperatures) float64 {
	return max(l.Conductor.OhmsPerMetre(t.Conductors)*l.Length+l.Connections, 1e-9)
}

func (n *nodal) run(r circuit.Run, plus, minus int, t circuit.Temperatures) {
	p, m := n.node(), n.node()
	n.add(plus, p, 1/ohms(r.Feed, t))
	n.add(m, minus, 1/ohms(r.Return, t))
	// Current of other circuits enters at one end of the conductor and leaves at
	// the other.
	n.flow(p, plus, r.Feed.Other)
	n.flow(minus, m, r.Return.Other)
	for _, l := range r.Loads {
		if l.Ohms > 0 {
			n.add(p, m, 1/(l.Ohms*(1+0.00393*(t.Magnets-20))))
		}
		n.flow(p, m, l.Amps)
		n.loads = append(n.loads, load{p, m})
	}
	for _, x := range r.Next {
		n.run(x, p, m, t)
	}
}

// solve gives the voltage of each load and that of the controller's output.
func nodalSolution(t *testing.T, c circuit.Circuit) (volts []float64, output float64) {
	t.Helper()
	temp := circuit.Temperatures{Conductors: 20, Magnets: 20}
	if c.Temperatures != nil {
		temp = *c.Temperatures
	}
	n := &nodal{g: map[[2]int]float64{}, in: map[int]float64{}}
	// Node 0 is battery negative; the source is a current into a large
	// conductance.
	battery, controller, out := n.node(), n.node(), n.node()
	const stiff = 1e7
	n.g[[2]int{battery, battery}] += stiff
	n.in[battery] += stiff * c.Volts
	supply := circuit.Leg{}
	if c.Supply != nil {
		supply = *c.Supply
	}
	n.add(battery, controller, 1/ohms(supply, temp))
	n.flow(controller, battery, supply.Other)
	n.add(controller, out, 1/max(c.Controller, 1e-9))
	n.run(c.Line, out, 0, temp)

	a, b := mat.NewDense(n.nodes, n.nodes, nil), mat.NewVecDense(n.nodes, nil)
	for at, g := range n.g {
		if at[0] > 0 && at[1] > 0 {
			a.Set(at[0]-1, at[1]-1, g)
		}
	}
	for at, i := range n.in {
		if at > 0 {
			b.SetVec(at-1, i)
		}
	}
	var v mat.VecDense
	if err := v.SolveVec(a, b); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) {
			t.Fatal(err)
		}
	}
	at := func(i int) float64 {
		if i == 0 {
			return 0
		}
		return v.AtVec(i - 1)
	}
	for _, l := range n.loads {
		volts = append(volts, at(l.plus)-at(l.minus))
	}
	return volts, at(out)
}

var sizes = []string{"1.5 mm2", "2.5 mm2", "4 mm2", "6 mm2", "12 AWG", "10 AWG", "SAE 12", "5 mm auto cable", "2 x 2.5 mm2", "41/0.30"}

func randomLeg(r *rand.Rand) circuit.Leg {
	l := circuit.Leg{Conductor: cond(sizes[r.IntN(len(sizes))]), Length: 0.2 + 8*r.Float64(), Connections: 0.02 * r.Float64()}
	if r.IntN(4) == 0 {
		l.Other = 5 * r.Float64()
	}
	return l
}

func randomRun(r *rand.Rand, depth int) circuit.Run {
	run := circuit.Run{Feed: randomLeg(r), Return: randomLeg(r)}
	for range r.IntN(3) {
		l := circuit.Load{Ohms: 2 + 3*r.Float64()}
		if r.IntN(5) == 0 {
			l = circuit.Load{Amps: 2 * r.Float64(), Least: 9}
		}
		run.Loads = append(run.Loads, l)
	}
	if depth > 0 {
		for range r.IntN(3) {
			run.Next = append(run.Next, randomRun(r, depth-1))
		}
	}
	return run
}

func randomCircuit(r *rand.Rand) circuit.Circuit {
	c := circuit.Circuit{Volts: 11 + 4*r.Float64(), Controller: 0.05 * r.Float64(), Line: randomRun(r, 4)}
	c.Line.Loads = append(c.Line.Loads, circuit.Load{Ohms: 3.2})
	if r.IntN(3) > 0 {
		l := randomLeg(r)
		c.Supply = &l
	}
	if r.IntN(2) == 0 {
		c.Temperatures = &circuit.Temperatures{Conductors: 80 * r.Float64(), Magnets: 150 * r.Float64()}
	}
	return c
}

// TestAgainstNodalEquations compares the ladder with nodal equations of the two
// wires, solved by gonum.
func TestAgainstNodalEquations(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	solved, loads := 0, 0
	for range 500 {
		c := randomCircuit(r)
		volts, output := nodalSolution(t, c)
		s, err := circuit.Solve(c)
		if err != nil {
			var bad *circuit.Bad
			if !errors.As(err, &bad) || bad.Arg != "/line" {
				t.Fatal(err)
			}
			if low := minOf(volts); low > 1e-4 {
				t.Errorf("refused, but the nodal equations leave %v V", low)
			}
			continue
		}
		solved++
		if len(volts) != len(s.Loads) {
			t.Fatalf("%d loads, nodal equations have %d", len(s.Loads), len(volts))
		}
		loads += len(volts)
		if math.Abs(output-s.OutputVolts) > 1e-5 {
			t.Errorf("output %v V, nodal equations have %v", s.OutputVolts, output)
		}
		for i, v := range volts {
			if math.Abs(v-s.Loads[i].Volts) > 1e-5 {
				t.Errorf("load %d gets %v V, nodal equations have %v", i, s.Loads[i].Volts, v)
			}
		}
	}
	if solved < 200 || loads < 1000 {
		t.Errorf("only %d circuits with %d loads were solved", solved, loads)
	}
}

func minOf(x []float64) float64 {
	low := math.Inf(1)
	for _, v := range x {
		low = min(low, v)
	}
	return low
}

// TestConservation: power from the source is what legs, controller and loads
// take, and the drops to the weakest load close the loop.
func TestConservation(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		c := randomCircuit(r)
		strip(&c.Line) // other currents bring power of their own
		if c.Supply != nil {
			c.Supply.Other = 0
		}
		s, err := circuit.Solve(c)
		if err != nil {
			continue
		}
		watts := s.Amps * s.Amps * c.Controller
		for _, l := range s.Legs {
			watts += l.Watts
		}
		for _, l := range s.Loads {
			watts += l.Watts
		}
		if math.Abs(watts-c.Volts*s.Amps) > 1e-9*watts {
			t.Errorf("%v W leave the source, %v W arrive", c.Volts*s.Amps, watts)
		}
		weakest := s.Loads[s.Weakest].Volts
		if math.Abs(c.Volts-s.Drop.Total-weakest) > 1e-9 {
			t.Errorf("%v V less %v V is not %v V", c.Volts, s.Drop.Total, weakest)
		}
		for _, l := range s.Loads {
			if l.Volts < weakest {
				t.Errorf("%s has less than the weakest", l.Name)
			}
		}
	}
}

func strip(r *circuit.Run) {
	r.Feed.Other, r.Return.Other = 0, 0
	for i := range r.Next {
		strip(&r.Next[i])
	}
}

// TestLineIsMonotonic: more copper, a shorter run or a better joint never lowers
// the voltage at the last magnet nor the current in all. (Magnets before the
// improvement may lose a little to those beyond it.)
func TestLineIsMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := circuit.Usual{
			Volts: rapid.Float64Range(9, 15).Draw(t, "volts"), Axles: rapid.IntRange(1, 4).Draw(t, "axles"), MagnetOhms: rapid.Float64Range(2, 6).Draw(t, "ohms"),
			Vehicle:   circuit.Leg{Conductor: cond("4 mm2"), Length: rapid.Float64Range(0.5, 8).Draw(t, "vehicle")},
			Trunk:     circuit.Leg{Conductor: cond("4 mm2"), Length: rapid.Float64Range(0.5, 12).Draw(t, "trunk")},
			Across:    circuit.Leg{Conductor: cond("2.5 mm2"), Length: 1.5},
			Connector: rapid.Float64Range(0, 0.05).Draw(t, "connector"), Spacing: 0.9,
		}
		low := solveUsual(t, u)
		better := u
		switch rapid.IntRange(0, 3).Draw(t, "what") {
		case 0:
			better.Trunk.Conductor = cond("6 mm2")
		case 1:
			better.Vehicle.Length /= 2
		case 2:
			better.Connector = 0
		case 3:
			better.Trunk.Conductor = cond("2 x 4 mm2")
		}
		high := solveUsual(t, better)
		if last := len(low.Loads) - 1; high.Loads[last].Volts < low.Loads[last].Volts-1e-12 {
			t.Errorf("the last magnet falls from %v to %v V", low.Loads[last].Volts, high.Loads[last].Volts)
		}
		if high.Drop.Line > low.Drop.Line+1e-12 || high.Amps < low.Amps-1e-12 {
			t.Errorf("drop %v to %v V, current %v to %v A", low.Drop.Line, high.Drop.Line, low.Amps, high.Amps)
		}
		// Current falls as voltage sags, and the customary sum errs upwards.
		steady, err := circuit.Solve(must2(t)(u.Circuit()).Steady())
		if err == nil && steady.Drop.Line < low.Drop.Line-1e-12 {
			t.Errorf("steady currents drop %v V, less than %v V", steady.Drop.Line, low.Drop.Line)
		}
		hot, err := circuit.Between(must2(t)(u.Circuit()), circuit.Temperatures{Conductors: 60, Magnets: 120})
		if err != nil {
			t.Fatal(err)
		}
		if hot.Hot.Amps >= hot.Cold.Amps || hot.Cold.Amps != low.Amps {
			t.Errorf("%v A hot, %v A cold", hot.Hot.Amps, hot.Cold.Amps)
		}
	})
}

func must2(t *rapid.T) func(circuit.Circuit, error) circuit.Circuit {
	return func(c circuit.Circuit, err error) circuit.Circuit {
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
}

func solveUsual(t *rapid.T, u circuit.Usual) circuit.Solution {
	s, err := circuit.Solve(must2(t)(u.Circuit()))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestUsual lays out two axles and knows each part of the way.
func TestUsual(t *testing.T) {
	u := circuit.Usual{
		Volts: 13, Axles: 2, MagnetOhms: 3.2, Connector: 0.01,
		Supply:  &circuit.Leg{Conductor: cond("6 mm2"), Length: 3},
		Vehicle: circuit.Leg{Conductor: cond("6 mm2"), Length: 5},
		Trunk:   circuit.Leg{Conductor: cond("4 mm2"), Length: 4, Connections: 0.005}, Spacing: 0.9,
		Across: circuit.Leg{Conductor: cond("2.5 mm2"), Length: 1.6},
	}
	c := must[circuit.Circuit](t)(u.Circuit())
	s := must[circuit.Solution](t)(circuit.Solve(c))
	var names []string
	for _, l := range s.Loads {
		names = append(names, l.Name)
	}
	same(t, "loads", strings.Join(names, ", "), "axle 1 near, axle 1 far, axle 2 near, axle 2 far")
	same(t, "weakest", s.Weakest, 3)
	same(t, "legs", len(s.Legs), 1+2*5)
	// By hand: 6 mm2 has 3.30 ohm/km at most (IEC 60228).
	near(t, "supply", s.Legs[0].Ohms, 0.0099, 6)
	near(t, "vehicle", s.Legs[1].Ohms, 0.0165+0.01, 6)
	near(t, "trunk", s.Legs[3].Ohms, 4*0.00495+0.005, 6)
	same(t, "axle 2 joins the trunk", s.Legs[7].Run, "axle 2")
	near(t, "spacing", s.Legs[7].Ohms, 0.9*0.00495, 6)
	for _, bad := range []circuit.Usual{{Axles: 0}, {Axles: 11}, {Axles: 1, Spacing: -1}, {Axles: 1, Connector: math.NaN()}} {
		if _, err := bad.Circuit(); err == nil {
			t.Errorf("%+v is laid out", bad)
		}
	}
}

// TestSharedReturn: lamps of 5 A in the return of a 10 A load, 10 m of 4 mm2 (4.95
// ohm/km) each way, by hand: 0.495 V in the feed, 0.7425 V in the return.
func TestSharedReturn(t *testing.T) {
	leg := circuit.Leg{Conductor: cond("4 mm2"), Length: 10}
	shared := leg
	shared.Other = 5
	s := must[circuit.Solution](t)(circuit.Solve(circuit.Circuit{Volts: 12, Line: circuit.Run{Feed: leg, Return: shared, Loads: []circuit.Load{{Amps: 10}}}}))
	near(t, "feed", s.Drop.Feed, 0.495, 9)
	near(t, "return", s.Drop.Return, 0.7425, 9)
	near(t, "current in the return", s.Legs[1].Amps, 15, 9)
	near(t, "heat in the return", s.Legs[1].Watts, 15*0.7425, 9)
	near(t, "out of the controller", s.Amps, 10, 9)
	near(t, "voltage", s.Loads[0].Volts, 12-0.495-0.7425, 9)

	// 20 A alone let a 14 AWG return (17 A) be ruled out for 12 AWG (24 A); 5 A more
	// ask for 10 AWG (31 A).
	x := circuit.Circuit{Volts: 12, Line: circuit.Run{Feed: circuit.Leg{Length: 1}, Return: circuit.Leg{Length: 1}, Loads: []circuit.Load{{Amps: 20}}}}
	same(t, "alone", choose(t, x, circuit.Demand{Drop: 1}, circuit.AWG).Line.String(), "12 AWG")
	x.Line.Return.Other = 5
	same(t, "shared", choose(t, x, circuit.Demand{Drop: 1}, circuit.AWG).Line.String(), "10 AWG")
}

// TestActuator: an electric-over-hydraulic unit draws what its maker states,
// whatever the voltage, and a line that cannot carry it is refused.
func TestActuator(t *testing.T) {
	leg := circuit.Leg{Conductor: cond("4 mm2"), Length: 10}
	c := circuit.Circuit{Volts: 12, Line: circuit.Run{Feed: leg, Return: leg, Loads: []circuit.Load{{Name: "actuator", Amps: 20}}}}
	s := must[circuit.Solution](t)(circuit.Solve(c))
	near(t, "current", s.Amps, 20, 9)
	near(t, "drop", s.Drop.Line, 2*10*0.00495*20, 9)
	if !anySays(s.Cautions, "least voltage") || !anySays(s.Assumes, "stated current") {
		t.Errorf("cautions %q, assumes %q", s.Cautions, s.Assumes)
	}
	same(t, "without a least voltage", s.Loads[0].Enough, circuit.Unknown)
	for least, want := range map[float64]circuit.Status{10.02: circuit.Met, 10.03: circuit.NotMet} { // 12 V less 1.98 V
		c.Line.Loads[0].Least = least
		same(t, "enough", must[circuit.Solution](t)(circuit.Solve(c)).Loads[0].Enough, want)
	}
	c.Line.Loads[0].Amps = 130
	if _, err := circuit.Solve(c); err == nil || !strings.HasPrefix(err.Error(), "/line: ") {
		t.Errorf("130 A through 0.099 ohm from 12 V: %v", err)
	}
}

func anySays(all []string, part string) bool {
	for _, s := range all {
		if strings.Contains(s, part) {
			return true
		}
	}
	return false
}

// TestSolveRefuses names what cannot be used.
func TestSolveRefuses(t *testing.T) {
	leg := circuit.Leg{Conductor: cond("4 mm2"), Length: 5}
	magnet := []circuit.Load{{Ohms: 3.2}}
	good := circuit.Circuit{Volts: 13, Line: circuit.Run{Feed: leg, Return: leg, Loads: magnet}}
	if _, err := circuit.Solve(good); err != nil {
		t.Fatal(err)
	}
	deep := circuit.Run{Loads: magnet}
	for range 600 {
		deep = circuit.Run{Next: []circuit.Run{deep}}
	}
	for _, c := range []struct {
		arg    string
		change func(*circuit.Circuit)
	}{
		{"/volts", func(c *circuit.Circuit) { c.Volts = 0 }},
		{"/volts", func(c *circuit.Circuit) { c.Volts = math.NaN() }},
		{"/volts", func(c *circuit.Circuit) { c.Volts = math.Inf(1) }},
		{"/controller_ohm", func(c *circuit.Circuit) { c.Controller = -1 }},
		{"/temperatures/magnets_c", func(c *circuit.Circuit) { c.Temperatures = &circuit.Temperatures{Conductors: 20, Magnets: 900} }},
		{"/temperatures/conductors_c", func(c *circuit.Circuit) { c.Temperatures = &circuit.Temperatures{Conductors: -273} }},
		{"/supply/conductor", func(c *circuit.Circuit) { c.Supply = &circuit.Leg{Length: 2} }},
		{"/line/feed/length_m", func(c *circuit.Circuit) { c.Line.Feed.Length = -1 }},
		{"/line/return/conductor", func(c *circuit.Circuit) { c.Line.Return.Conductor = circuit.Conductor{} }},
		{"/line/return/connections_ohm", func(c *circuit.Circuit) { c.Line.Return.Connections = math.NaN() }},
		{"/line/return/other_a", func(c *circuit.Circuit) { c.Line.Return.Other = -3 }},
		{"/line", func(c *circuit.Circuit) { c.Line.Loads = nil }},
		{"/line/loads/0", func(c *circuit.Circuit) { c.Line.Loads = []circuit.Load{{}} }},
		{"/line/loads/0", func(c *circuit.Circuit) { c.Line.Loads = []circuit.Load{{Ohms: 3, Amps: 3}} }},
		{"/line/loads/0/ohm", func(c *circuit.Circuit) { c.Line.Loads = []circuit.Load{{Ohms: -3}} }},
		{"/line/loads/0/amps", func(c *circuit.Circuit) { c.Line.Loads = []circuit.Load{{Amps: 1e9}} }},
		{"/line/loads/0/least_v", func(c *circuit.Circuit) { c.Line.Loads = []circuit.Load{{Amps: 1, Least: -1}} }},
		{"/line/next/0/feed/conductor", func(c *circuit.Circuit) {
			c.Line.Next = []circuit.Run{{Feed: circuit.Leg{Length: 1}, Loads: magnet}}
		}},
		{"/line/next", func(c *circuit.Circuit) { c.Line = deep }},
	} {
		x := good
		c.change(&x)
		_, err := circuit.Solve(x)
		var bad *circuit.Bad
		if !errors.As(err, &bad) || !strings.HasPrefix(bad.Arg, c.arg) {
			t.Errorf("want %s named: %v", c.arg, err)
		}
	}
}

func BenchmarkSolve(b *testing.B) {
	u := circuit.Usual{
		Volts: 13, Axles: 3, MagnetOhms: 3.2, Connector: 0.01,
		Supply:  &circuit.Leg{Conductor: cond("6 mm2"), Length: 3},
		Vehicle: circuit.Leg{Conductor: cond("6 mm2"), Length: 5},
		Trunk:   circuit.Leg{Conductor: cond("6 mm2"), Length: 6}, Spacing: 0.9,
		Across: circuit.Leg{Conductor: cond("2.5 mm2"), Length: 1.6},
	}
	c, err := u.Circuit()
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := circuit.Solve(c); err != nil {
			b.Fatal(err)
		}
	}
}
