package mech_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"drawgear/rules/mech"
)

// solve returns x of a x = b. The tests below write equilibrium out as it
// stands, one row a body and direction, and leave the algebra to the solver.
func solve(t *rapid.T, a [][]float64, b []float64) []float64 {
	n := len(b)
	m := mat.NewDense(n, n, nil)
	for i, row := range a {
		m.SetRow(i, row)
	}
	var x mat.VecDense
	if err := x.SolveVec(m, mat.NewVecDense(n, b)); err != nil {
		t.Fatalf("solving equilibrium: %v", err)
	}
	return x.RawVector().Data
}

func close9(t *rapid.T, name string, got, want, scale float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-9*math.Max(1, scale)) {
		t.Errorf("%s = %.15g, equilibrium gives %.15g", name, got, want)
	}
}

func draw(t *rapid.T, name string, low, high float64) float64 {
	return rapid.Float64Range(low, high).Draw(t, name)
}

// TestBallEquilibrium holds the ball load to a trailer standing on its coupling
// and its axles, loaded with points.
func TestBallEquilibrium(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := draw(t, "l", 1, 8)
		tare := draw(t, "tare", 100, 3000)
		tareBall := tare * draw(t, "tare share", -0.1, 0.5)
		// Origin at the coupling, distances back from it.
		mass, about := tare, (tare-tareBall)*l
		var items []mech.Item
		for range rapid.IntRange(0, 6).Draw(t, "items") {
			it := mech.Item{Mass: draw(t, "mass", 0, 500), Ahead: draw(t, "ahead", -3, l)}
			items = append(items, it)
			mass += it.Mass
			about += it.Mass * (l - it.Ahead)
		}
		b, err := mech.BallFromItems(l, tare, tareBall, items)
		if err != nil {
			t.Fatal(err)
		}
		x := solve(t, [][]float64{{1, 1}, {0, l}}, []float64{mass, about}) // ball, axles
		close9(t, "ball", b.Load, x[0], mass)
		close9(t, "axles", b.Axles, x[1], mass)
		close9(t, "mass", b.Mass, mass, mass)
		close9(t, "centre", l-b.Ahead, about/mass, l)

		one, err := mech.BallLoad(b.Mass, b.Ahead, l)
		if err != nil {
			t.Fatal(err)
		}
		close9(t, "ball from the centre of mass", one.Load, x[0], mass)
		wheels, err := mech.OnWheels(b.Mass, b.Load)
		if err != nil {
			t.Fatal(err)
		}
		close9(t, "wheels", wheels, x[1], mass)
	})
}

// TestVehicleEquilibrium holds axle loads to a vehicle standing on two axles.
func TestVehicleEquilibrium(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wheelbase := draw(t, "wheelbase", 1.5, 5)
		overhang := draw(t, "overhang", -1, 2.5)
		ball := draw(t, "ball", -100, 1500)
		mass, about := ball, ball*(wheelbase+overhang)
		var loads []mech.Load
		for range rapid.IntRange(0, 5).Draw(t, "loads") {
			l := mech.Load{Mass: draw(t, "mass", 0, 800), Behind: draw(t, "behind", -1, 6)}
			loads = append(loads, l)
			mass += l.Mass
			about += l.Mass * l.Behind
		}
		fromBall, err := mech.FromBall(ball, wheelbase, overhang)
		if err != nil {
			t.Fatal(err)
		}
		fromLoads, err := mech.FromPayload(wheelbase, loads)
		if err != nil {
			t.Fatal(err)
		}
		x := solve(t, [][]float64{{1, 1}, {0, wheelbase}}, []float64{mass, about}) // front, rear
		scale := math.Abs(about) + math.Abs(mass)
		close9(t, "front", fromBall.Front+fromLoads.Front, x[0], scale)
		close9(t, "rear", fromBall.Rear+fromLoads.Rear, x[1], scale)
	})
}

// TestLevelEquilibrium holds the load-levelling hitch to two bodies joined by a
// vertical force and a couple: four equations, four unknowns.
func TestLevelEquilibrium(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wheelbase := draw(t, "wheelbase", 1.5, 5)
		h := draw(t, "overhang", 0, 2.5)
		l := draw(t, "l", 1, 8)
		ball := draw(t, "ball", 0, 800)
		moment := draw(t, "moment", 0, 600)
		// The trailer: mass whose centre gives that ball load without bars.
		mass := ball + draw(t, "axles", 500, 3000)
		centre := l - ball*l/mass // behind the coupling
		got, err := mech.Level(ball, wheelbase, h, l, moment)
		if err != nil {
			t.Fatal(err)
		}
		// Unknowns: force on the vehicle at the coupling, front, rear, trailer axles.
		x := solve(t, [][]float64{
			{1, 0, 0, 1},                        // trailer, vertical
			{0, 0, 0, l},                        // trailer, about the coupling, the couple raising its front
			{-1, 1, 1, 0},                       // vehicle, vertical
			{-(wheelbase + h), 0, wheelbase, 0}, // vehicle, about the front axle, the couple raising its rear
		}, []float64{mass, mass*centre + moment, 0, -moment})
		close9(t, "vertical", got.Vertical, x[0], mass)
		close9(t, "front", got.Front, x[1], mass)
		close9(t, "rear", got.Rear, x[2], mass)
		close9(t, "trailer", got.Axles, x[3]-(mass-ball), mass)
		close9(t, "mass kept", got.Front+got.Rear+got.Axles, ball, mass)
	})
}

// TestRestoringMoment holds that the moment restores what it says, found by the
// solver with the moment among the unknowns.
func TestRestoringMoment(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wheelbase := draw(t, "wheelbase", 1.5, 5)
		h := draw(t, "overhang", 0.1, 2.5)
		l := draw(t, "l", 1, 8)
		ball := draw(t, "ball", 1, 800)
		r := draw(t, "r", 0, 1)
		got, err := mech.RestoringMoment(ball, h, l, r)
		if err != nil {
			t.Fatal(err)
		}
		// Unknowns: vertical, front, rear, moment.
		x := solve(t, [][]float64{
			{1, 0, 0, 1 / l},                    // V = ball - M/l
			{-1, 1, 1, 0},                       // vehicle, vertical
			{-(wheelbase + h), 0, wheelbase, 1}, // vehicle, about the front axle
			{0, 1, 0, 0},                        // the front keeps (1-r) of its loss
		}, []float64{ball, 0, 0, -(1 - r) * ball * h / wheelbase})
		close9(t, "moment", got, x[3], ball*l)
		after, err := mech.Level(ball, wheelbase, h, l, got)
		if err != nil {
			t.Fatal(err)
		}
		close9(t, "front after", after.Front, x[1], ball)
	})
}

// TestLargestTrailerStands loads the vehicle with the answer and finds the part
// that was named at its limit and none over it.
func TestLargestTrailerStands(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wheelbase, overhang := draw(t, "wheelbase", 2, 4), draw(t, "overhang", 0.5, 2)
		front, rear := draw(t, "front", 800, 1500), draw(t, "rear", 800, 2000)
		f := mech.Figures{
			Share: draw(t, "share", 0.02, 0.25), BallLoad: new(draw(t, "ball", 50, 400)),
			VehicleTotal: new(front + rear + draw(t, "spare", 10, 800)), VehicleLaden: new(front + rear),
			AxleGroup: new(draw(t, "group", 500, 4000)), Tyres: new(draw(t, "tyres", 500, 4000)),
			Combination: new(front + rear + draw(t, "combination", 500, 4000)),
			RearRated:   new(rear + draw(t, "spare rear", 10, 500)), RearLaden: new(rear),
			FrontLeast: new(front - draw(t, "spare front", 1, 300)), FrontLaden: new(front),
			Wheelbase: new(wheelbase), Overhang: new(overhang),
		}
		got, err := mech.LargestTrailer(f)
		if err != nil {
			t.Fatal(err)
		}
		w := got.Kg
		// Everything the largest trailer does to the rig, found by the solver.
		x := solve(t, [][]float64{{1, 1}, {0, wheelbase}},
			[]float64{front + rear + f.Share*w, rear*wheelbase + f.Share*w*(wheelbase+overhang)})
		room := map[string]float64{
			"ball_load":     *f.BallLoad - f.Share*w,
			"vehicle_total": *f.VehicleTotal - (x[0] + x[1]),
			"axle_group":    *f.AxleGroup - (1-f.Share)*w,
			"tyres":         *f.Tyres - (1-f.Share)*w,
			"combination":   *f.Combination - (front + rear + w),
			"rear_axle":     *f.RearRated - x[1],
			"front_axle":    x[0] - *f.FrontLeast,
		}
		for name, r := range room {
			if r < -1e-8 {
				t.Errorf("%s is %g kg over with the largest trailer", name, -r)
			}
		}
		for _, name := range got.Weakest {
			if math.Abs(room[name]) > 1e-8 {
				t.Errorf("%s limits but has %g kg left", name, room[name])
			}
		}
		if len(got.Weakest) == 0 {
			t.Error("nothing limits")
		}
	})
}

// TestGroupCentre holds the centre of an axle group to the balance of moments.
func TestGroupCentre(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var axles []mech.AxleShare
		for range rapid.IntRange(1, 3).Draw(t, "axles") {
			axles = append(axles, mech.AxleShare{Share: draw(t, "share", 0.1, 1), At: draw(t, "at", -2, 8)})
		}
		c, err := mech.GroupCentre(axles)
		if err != nil {
			t.Fatal(err)
		}
		var left float64
		for _, a := range axles {
			left += a.Share * (a.At - c)
		}
		close9(t, "moment about the centre", left, 0, 1)
	})
	if got, err := mech.PerAxle(2200, 200, 2); err != nil || got != 1000 {
		t.Errorf("PerAxle = %v, %v, want 1000: (2200 - 200)/2", got, err)
	}
}
