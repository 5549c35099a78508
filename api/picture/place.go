package picture

import (
	"cmp"
	"math"
	"slices"

	"drawgear/api/figure"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Facts that place things along the rig.
var (
	wheelbase  = rig.Must("vehicle.wheelbase")
	overhang   = rig.Must("vehicle.ball_overhang")
	ballToAxle = rig.Must("trailer.ball_to_axle")
	axleCount  = rig.Must("trailer.axle_count")
	axleSpread = rig.Must("trailer.axle_spread")
	bodyStarts = rig.Must("trailer.body.starts")
	bodyEnds   = rig.Must("trailer.body.ends")
	wholeLong  = rig.Must("trailer.length")
	wholeWide  = rig.Must("trailer.width")
	hitch      = rig.Must("trailer.hitch")
)

var oneMetre = quantity.MustParse(quantity.Length, "1 m").Base()

func metres(q quantity.Quantity) float64 { return float64(q.Base()) / float64(oneMetre) }

// length is a given length in metres.
func length(r *rig.Rig, id rig.ID) (m float64, given bool) {
	q, given := r.Quantity(id)
	if !given {
		return 0, false
	}
	return metres(q), true
}

// place is a place along the rig, behind the front axle: so many metres that are
// given, and millimetres on paper for what is not.
type place struct{ m, mm float64 }

func (p place) on(m, mm float64) place { return place{p.m + m, p.mm + mm} }

// The lengths on paper of what is not given.
const (
	paperWheelbase = 46
	paperOverhang  = 20
	paperDrawbar   = 50
	paperSpread    = 9 // from axle to axle
	paperGroup     = 30
	paperBody      = 12 // of the body ahead of the first axle and behind the last
	paperNose      = 9  // of the vehicle ahead of its front axle
	wheelRadius    = 3.2
)

// The edges between which the views lie, the largest scale, and the height of the plan.
const (
	viewLeft  = 6.0
	viewRight = Width - 6.0
	maxScale  = 40 // mm for a metre
	planHigh  = 27
)

// axis places the rig along the paper.
type axis struct {
	scale float64 // mm for a metre
	left  float64 // x of the front axle

	front, rear, coupling, group place
	axles                        []place // of the trailer
	bodyFrom, bodyTo             place

	high                           bool // the trailer rests on the vehicle from above
	base, hang, reach, body, width bool // given, and drawn to scale
	count, spread                  bool
	absent                         []string // what is not given, in words
	markers                        []marker
	levels                         int // of the markers
	unplaced                       int // markers that found no room
}

// x is where a place lies on the paper.
func (a *axis) x(p place) float64 { return a.left + p.m*a.scale + p.mm }

// lay places the rig and the things on it, and finds the scale that fills the width.
func lay(r *rig.Rig) *axis {
	a := &axis{}
	lack := func(given bool, what string) {
		if !given {
			a.absent = append(a.absent, what)
		}
	}
	var m float64
	m, a.base = length(r, wheelbase)
	a.rear = a.front.on(m, paper(a.base, paperWheelbase))
	lack(a.base, "wheelbase")

	h := r.Get(hitch).Word
	a.high = h == "fifth_wheel" || h == "gooseneck"
	m, a.hang = length(r, overhang)
	switch {
	case a.high:
		// Behind the rear axle is no place for it; how far ahead the document cannot say.
		a.hang = a.hang && m == 0
		a.coupling = a.rear
		lack(a.hang, "place of the coupling over the vehicle")
	default:
		a.coupling = a.rear.on(m, paper(a.hang, paperOverhang))
		lack(a.hang, "ball overhang")
	}
	m, a.reach = length(r, ballToAxle)
	a.group = a.coupling.on(m, paper(a.reach, paperDrawbar))
	lack(a.reach, "distance from coupling to axle")
	a.layAxles(r, lack)
	a.layBody(r, lack)

	wide, given := length(r, wholeWide)
	a.width = given && a.reach && wide > 0
	lack(given, "width of the trailer")

	a.fit(r, wide)
	a.mark(r)
	return a
}

// paper is the length on paper of something not given.
func paper(given bool, mm float64) float64 {
	if given {
		return 0
	}
	return mm
}

func (a *axis) layAxles(r *rig.Rig, lack func(bool, string)) {
	n := r.Get(axleCount)
	a.count = n.Known
	lack(n.Known, "number of axles of the trailer")
	if !n.Known {
		a.axles = []place{a.group}
		return
	}
	spread, given := length(r, axleSpread)
	a.spread = given || n.Num < 2
	lack(a.spread, "axle spread")
	count := int(n.Num)
	for i := range count {
		switch across := float64(i)/float64(max(count-1, 1)) - 0.5; {
		case count == 1:
			a.axles = append(a.axles, a.group)
		case given:
			a.axles = append(a.axles, a.group.on(across*spread, 0))
		default:
			a.axles = append(a.axles, a.group.on(0, across*min(paperSpread*float64(count-1), paperGroup)))
		}
	}
}

func (a *axis) layBody(r *rig.Rig, lack func(bool, string)) {
	starts, from := length(r, bodyStarts)
	ends, to := length(r, bodyEnds)
	lack(from, "front end of the body")
	lack(to, "rear end of the body")
	a.body = from && to && a.reach
	if a.body {
		a.bodyFrom, a.bodyTo = a.coupling.on(starts, 0), a.coupling.on(ends, 0)
		return
	}
	first, last := a.group, a.group
	if len(a.axles) > 0 {
		first, last = a.axles[0], a.axles[len(a.axles)-1]
	}
	a.bodyFrom, a.bodyTo = first.on(0, -paperBody), last.on(0, paperBody)
}

// fit finds the scale and the left edge.
func (a *axis) fit(r *rig.Rig, wide float64) {
	points := []place{a.front.on(0, -paperNose), a.rear.on(0, paperNose), a.coupling.on(0, -1), a.coupling.on(0, 1), a.group, a.bodyFrom, a.bodyTo}
	for _, p := range a.axles {
		points = append(points, p.on(0, -wheelRadius), p.on(0, wheelRadius))
	}
	for _, m := range a.items(r) {
		points = append(points, m.place)
	}
	a.scale = maxScale
	if a.width {
		a.scale = min(a.scale, planHigh/wide)
	}
	for _, p := range points {
		for _, q := range points {
			if p.m > q.m {
				a.scale = min(a.scale, (viewRight-viewLeft-(p.mm-q.mm))/(p.m-q.m))
			}
		}
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range points {
		low, high = min(low, a.x(p)), max(high, a.x(p))
	}
	a.left = (viewLeft+viewRight)/2 - (low+high)/2
}

// given reports whether anything is drawn to scale along the rig.
func (a *axis) given() bool { return a.base || a.hang && a.coupling.m > a.rear.m || a.reach }

// marker is the number of a thing carried, at its place.
type marker struct {
	place place
	n     int
	level int
	high  bool // it stands on what is drawn higher
}

// items are the things whose place can be drawn: where the beam beneath is to scale.
func (a *axis) items(r *rig.Rig) []marker {
	var out []marker
	for i, it := range r.VehicleItems {
		if a.base && !it.At.IsZero() {
			out = append(out, marker{place: a.front.on(metres(it.At), 0), n: i + 1})
		}
	}
	for i, it := range r.TrailerItems {
		if a.reach && !it.At.IsZero() {
			out = append(out, marker{place: a.coupling.on(metres(it.At), 0), n: len(r.VehicleItems) + i + 1, high: a.high})
		}
	}
	return out
}

const (
	maxLevels   = 3
	levelHeight = 5
	boxHeight   = 4.2
)

func (m marker) width() float64 { return width(number(m.n), false) + 1.6 }

// mark sets the numbers of things side by side, and where they would cover each
// other in levels.
func (a *axis) mark(r *rig.Rig) {
	all := a.items(r)
	slices.SortStableFunc(all, func(m, n marker) int { return cmp.Compare(a.x(m.place), a.x(n.place)) })
	// How far each level is taken: on the vehicle, and on what is drawn higher,
	// whose levels lie between those of the vehicle.
	var low, high [maxLevels]float64
	for _, m := range all {
		x, w := a.x(m.place), m.width()
		own, other := &low, &high
		if m.high {
			own, other = other, own
		}
		i := slices.IndexFunc(own[:], func(right float64) bool { return x-w/2 > max(right, slices.Max(other[:]))+0.5 })
		if i < 0 {
			a.unplaced++
			continue
		}
		own[i] = x + w/2
		m.level = i
		a.levels = max(a.levels, i+1)
		a.markers = append(a.markers, m)
	}
}

// tail is where the vehicle is drawn to end, which is not known: ahead of the coupling.
func (a *axis) tail() float64 {
	if a.high {
		return a.x(a.rear) + paperNose
	}
	return a.x(a.rear) + min(0.7*(a.x(a.coupling)-a.x(a.rear)), paperNose)
}

// wheel is how large the wheels of the trailer are drawn, so that they keep apart.
func (a *axis) wheel() float64 {
	w := wheelRadius
	for i := 1; i < len(a.axles); i++ {
		w = min(w, 0.46*(a.x(a.axles[i])-a.x(a.axles[i-1])))
	}
	return max(w, 0.3)
}

// holds reports whether an x lies on the views.
func (a *axis) holds(x float64) bool { return x >= viewLeft && x <= viewRight }

// quartered is the sign of a centre of mass.
func quartered(c figure.Point, radius float64) []figure.Shape {
	shapes := []figure.Shape{figure.Circle{Centre: c, Radius: radius, Fill: figure.White, Stroke: medium}}
	for _, from := range []float64{0, math.Pi} {
		quarter := []figure.Point{c}
		const steps = 8
		for i := range steps + 1 {
			angle := from + math.Pi/2*float64(i)/steps
			quarter = append(quarter, pt(c.X+radius*math.Cos(angle), c.Y+radius*math.Sin(angle)))
		}
		shapes = append(shapes, figure.Polygon{Points: quarter, Fill: figure.Black})
	}
	return shapes
}
