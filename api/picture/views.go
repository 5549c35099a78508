package picture

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"drawgear/api/figure"
	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

// views draws everything but the limits.
func (s *sheet) views(r *rig.Rig, l *loads.Loads) {
	a := lay(r)
	for _, text := range dangers(l) {
		s.warn("UNSAFE: " + text)
	}
	s.para(margin, true, "Side view: what rests on each support now, coupled")
	s.side(a, r, l)
	s.dimensions(a, r)
	s.plan(a, r)
	s.captions(a, r, l)
	s.table(r, l)
	s.things(r, a)
}

// warn sets words after the sign of warning.
func (s *sheet) warn(words string) {
	s.add(triangle(margin+1.6, s.y+0.4, 2.8))
	s.para(margin+5, true, atMost(3, words, inner-5, true)...)
}

// triangle is the sign beside whatever is beyond its limit: black, point upwards.
func triangle(x, top, high float64) figure.Shape {
	return figure.Polygon{Points: []figure.Point{pt(x, top), pt(x+high*0.55, top+high), pt(x-high*0.55, top+high)}, Fill: figure.Black}
}

// side draws the side view: beams, wheels on the ground, a support beneath each
// axle with the force that it gives, and the load on the coupling from above.
func (s *sheet) side(a *axis, r *rig.Rig, l *loads.Loads) {
	at := supports(r, l)
	over := label{at: a.x(a.coupling), lines: wrap("C coupling: "+say(at[2].now), 70, false)}
	if upward(at[2].now) {
		over.lines = append(over.lines, "PULLED UPWARDS")
	}
	above := []label{over}
	setApart(above)
	s.labels(above, s.y)
	top := s.y + float64(len(over.lines))*pitch + 0.5

	deck := max(13, float64(a.levels)*levelHeight+2.5)
	rest := top + 4 + deck // where things on the trailer stand
	beam := rest           // the vehicle's
	if a.high {
		beam += 8
	}
	ground := beam + 7.5

	s.bodies(a, top+4, rest, beam)
	s.beams(a, rest, beam, ground)
	s.markers(a, rest, beam)
	s.massCentre(a, l, rest)

	// The load on the coupling acts on the vehicle.
	tip, tail := pt(a.x(a.coupling), rest-1.4), pt(a.x(a.coupling), top)
	s.force(at[2].now, tail, tip)
	s.add(figure.Circle{Centre: pt(a.x(a.coupling), rest), Radius: 1.2, Fill: figure.White, Stroke: medium})
	if a.high {
		post := thick
		if !a.hang {
			post = dashed
		}
		s.line(post, pt(a.x(a.coupling), rest+1.2), pt(a.x(a.coupling), beam))
	}
	s.supports(a, at, ground)
}

// force draws an arrow along which a load is met: turned round where it pulls the
// other way, and without a head where it is not known.
func (s *sheet) force(f loads.Figure, from, to figure.Point) {
	switch {
	case f.Value == "":
		s.line(dashed, from, to)
	case upward(f):
		s.arrow(to, from, figure.Stroke{Width: 0.6})
	default:
		s.arrow(from, to, figure.Stroke{Width: 0.6})
	}
}

// bodies draws the body of the trailer, and the shape of the vehicle, which is only that.
func (s *sheet) bodies(a *axis, top, rest, beam float64) {
	outline := dotted
	if a.body {
		outline = medium
	}
	from, to := a.x(a.bodyFrom), a.x(a.bodyTo)
	s.add(figure.Rect{At: pt(from, top), W: to - from, H: rest - top, Stroke: outline})

	front, back := a.x(a.front)-paperNose+1, a.tail()
	long, high := back-front, min(13, beam-top)
	if a.high {
		long *= 0.45 // the trailer reaches over the rest
		s.line(dotted, pt(a.x(a.rear), beam), pt(back, beam))
	}
	at := func(along, up float64) figure.Point { return pt(front+along*long, beam-up*high) }
	end := at(1, 0.5)
	s.add(figure.Polygon{Points: []figure.Point{
		at(0, 0), at(0, 0.5), at(0.2, 0.58), at(0.32, 1), at(0.62, 1), at(0.66, 0.5), end, at(1, 0),
	}, Stroke: dotted})
}

// beams draws what carries: whole lines where the length is given, dashed where not.
func (s *sheet) beams(a *axis, rest, beam, ground float64) {
	s.line(thin, pt(margin, ground), pt(Width-margin, ground))
	stroke := func(given bool) figure.Stroke {
		if given {
			return thick
		}
		return figure.Stroke{Width: 0.8, Dash: figure.Dashed}
	}
	front, rear, coupling := a.x(a.front), a.x(a.rear), a.x(a.coupling)
	s.line(stroke(a.base), pt(front, beam), pt(rear, beam))
	if coupling > rear {
		s.line(stroke(a.hang), pt(rear, beam), pt(coupling, beam))
	}
	s.line(stroke(a.reach), pt(coupling, rest), pt(a.x(a.group), rest))
	ends := a.x(a.bodyTo)
	for _, p := range a.axles {
		ends = max(ends, a.x(p))
	}
	if ends > a.x(a.group) {
		s.line(stroke(a.body), pt(a.x(a.group), rest), pt(ends, rest))
	}
	wheels := func(x, r, from float64, known bool) {
		outline := medium
		if !known {
			outline = dashed
		}
		s.line(thin, pt(x, from), pt(x, ground-r))
		s.add(figure.Circle{Centre: pt(x, ground-r), Radius: r, Fill: figure.White, Stroke: outline})
		s.add(figure.Circle{Centre: pt(x, ground-r), Radius: min(0.5, r/2), Fill: figure.Black})
	}
	wheels(front, wheelRadius, beam, true)
	wheels(rear, wheelRadius, beam, true)
	for _, p := range a.axles {
		wheels(a.x(p), a.wheel(), rest, a.count)
	}
}

// markers draws the numbers of the things carried, each with a line down to its place.
func (s *sheet) markers(a *axis, rest, beam float64) {
	foot := func(m marker) float64 {
		if m.high {
			return rest
		}
		return beam
	}
	for _, m := range a.markers {
		x := a.x(m.place)
		s.line(thin, pt(x, foot(m)), pt(x, foot(m)-2.4-float64(m.level)*levelHeight))
	}
	for _, m := range a.markers {
		x, bottom := a.x(m.place), foot(m)-2.4-float64(m.level)*levelHeight
		s.add(figure.Rect{At: pt(x-m.width()/2, bottom-boxHeight), W: m.width(), H: boxHeight, Fill: figure.White, Stroke: medium})
		s.text(x, bottom-1, figure.Middle, false, number(m.n))
	}
}

// massCentre marks the centre of mass of the trailer, where it lies in the picture.
func (s *sheet) massCentre(a *axis, l *loads.Loads, rest float64) {
	if x, ok := a.massCentre(l); ok {
		s.add(quartered(pt(x, rest), 2)...)
	}
}

// massCentre is the x of the centre of mass. It is known only where the distance
// from coupling to axle is, so that it is always to scale.
func (a *axis) massCentre(l *loads.Loads) (x float64, ok bool) {
	f := l.Static.Now.CentreOfMass
	if f.Number == nil || f.Bound != loads.Exact {
		return 0, false
	}
	x = a.x(a.coupling.on(*f.Number, 0))
	return x, a.holds(x)
}

// supports draws the supports, the forces that they give and what these are.
func (s *sheet) supports(a *axis, at []support, ground float64) {
	const high, arrow = 3.4, 9.0
	var labels []label
	prop := func(x, half float64, known bool) {
		outline := medium
		if !known {
			outline = dotted
		}
		s.add(figure.Polygon{Points: []figure.Point{pt(x, ground), pt(x+half, ground+high), pt(x-half, ground+high)}, Fill: figure.White, Stroke: outline})
	}
	tail := ground + high + 1 + arrow
	push := func(f loads.Figure, x float64) {
		s.force(f, pt(x, tail), pt(x, ground+high+0.8))
	}
	name := func(u support, x float64) {
		lines := append([]string{u.letter + " " + u.name}, wrap(say(u.now), 44, false)...)
		if upward(u.now) {
			lines = append(lines, "LIFTED")
		}
		labels = append(labels, label{at: x, lines: lines})
	}
	prop(a.x(a.front), 2.2, true)
	prop(a.x(a.rear), 2.2, true)
	push(at[0].now, a.x(a.front))
	push(at[1].now, a.x(a.rear))
	name(at[0], a.x(a.front))
	name(at[1], a.x(a.rear))
	for _, p := range a.axles {
		prop(a.x(p), min(2.2, a.wheel()), a.count)
	}
	if len(a.axles) > 0 {
		// One arrow for the group: how its axles share the load is another matter.
		first, last, x := a.x(a.axles[0]), a.x(a.axles[len(a.axles)-1]), a.x(a.group)
		if last > first {
			s.line(medium, pt(first, ground+high), pt(first, ground+high+1.4), pt(last, ground+high+1.4), pt(last, ground+high))
			s.force(at[3].now, pt(x, tail), pt(x, ground+high+1.8))
		} else {
			push(at[3].now, x)
		}
		name(at[3], x)
	}
	// The axles of the trailer may lie ahead of the vehicle's.
	slices.SortStableFunc(labels, func(l, m label) int { return cmp.Compare(l.at, m.at) })
	setApart(labels)
	s.leaders(labels, tail, tail+2)
	s.labels(labels, tail+2)
	s.y = tail + 2 + float64(tallest(labels))*pitch
}

// leaders join what labels belong to with labels that had to move.
func (s *sheet) leaders(labels []label, from, to float64) {
	for _, l := range labels {
		if math.Abs(l.x-l.at) > 0.5 {
			s.line(thin, pt(l.at, from), pt(l.x, to))
		}
	}
}

// labels sets them with their tops at y.
func (s *sheet) labels(labels []label, y float64) {
	for _, l := range labels {
		for i, words := range l.lines {
			s.text(l.x, y+float64(i+1)*pitch-1, figure.Middle, false, words)
		}
	}
}

// dimensions draws the chain of lengths along the rig.
func (s *sheet) dimensions(a *axis, r *rig.Rig) {
	y := s.y + 3
	var labels []label
	span := func(from, to place, given bool, what string, id rig.ID) {
		x, end := a.x(from), a.x(to)
		value := what + " not given"
		switch {
		case r.Known(id) && given:
			value = what + " " + r.Text(id)
		case r.Known(id):
			value = what + " " + r.Text(id) + ", not drawn"
		}
		labels = append(labels, label{at: (x + end) / 2, lines: wrap(value, 52, false)})
		for _, edge := range []float64{x, end} {
			s.line(thin, pt(edge, y-2), pt(edge, y+1.2))
		}
		switch stroke := thin; {
		case !given:
			stroke = figure.Stroke{Width: 0.2, Dash: figure.Dashed}
			s.line(stroke, pt(x, y), pt(end, y))
		case end-x > 6:
			s.add(figure.Line{Points: []figure.Point{pt(x, y), pt(end, y)}, Stroke: stroke, Heads: figure.BothEnds})
		case end > x:
			s.line(stroke, pt(x, y), pt(end, y))
		}
	}
	span(a.front, a.rear, a.base, "wheelbase", wheelbase)
	span(a.rear, a.coupling, a.hang, "overhang", overhang)
	span(a.coupling, a.group, a.reach, "coupling to axle", ballToAxle)
	setApart(labels)
	s.leaders(labels, y, y+2.2)
	s.labels(labels, y+1.6)
	s.y = y + 1.6 + float64(tallest(labels))*pitch
}

// plan draws the rig from above.
func (s *sheet) plan(a *axis, r *rig.Rig) {
	s.para(margin, true, "Plan, from above")
	s.add(figure.Text{At: pt(Width-margin-14, s.y-1), Size: size, Anchor: figure.End, Words: "direction of travel"})
	s.arrow(pt(Width-margin, s.y-2.2), pt(Width-margin-12, s.y-2.2), medium)
	const vehicle = 8.5
	half := vehicle
	if wide, _ := length(r, wholeWide); a.width {
		half = wide * a.scale / 2
	}
	y := s.y + 1 + max(half, vehicle)
	s.y = y + max(half, vehicle) + 1
	front, rear, coupling := a.x(a.front), a.x(a.rear), a.x(a.coupling)
	from, to := a.x(a.bodyFrom), a.x(a.bodyTo)

	s.line(centred, pt(max(front-paperNose, margin), y), pt(max(to, coupling+2), y))
	back := a.tail()
	s.add(figure.Rect{At: pt(front-paperNose+1, y-vehicle), W: back - front + paperNose - 1, H: 2 * vehicle, Stroke: dotted})
	outline := dotted
	if a.body && a.width {
		outline = medium
	}
	s.add(figure.Rect{At: pt(from, y-half), W: to - from, H: 2 * half, Stroke: outline})
	if from > coupling+2 {
		s.line(dotted, pt(from, y-half*0.6), pt(coupling, y), pt(from, y+half*0.6))
	}
	tyres := func(x, half, long float64, fill figure.Fill) {
		high := min(2.4, half)
		for _, side := range []float64{y - half, y + half - high} {
			s.add(figure.Rect{At: pt(x-long, side), W: 2 * long, H: high, Fill: fill, Stroke: thin})
		}
		s.line(thin, pt(x, y-half+high), pt(x, y+half-high))
	}
	tyres(front, vehicle*0.9, 2.8, figure.Black)
	tyres(rear, vehicle*0.9, 2.8, figure.Black)
	for _, p := range a.axles {
		fill := figure.Black
		if !a.count {
			fill = figure.White
		}
		tyres(a.x(p), half*0.9, min(2.8, 0.75*a.wheel()), fill)
	}
	s.add(figure.Circle{Centre: pt(coupling, y), Radius: 1.2, Fill: figure.White, Stroke: medium})
}

// captions say what the scale is and what is given beside.
func (s *sheet) captions(a *axis, r *rig.Rig, l *loads.Loads) {
	x := margin
	if a.given() {
		x += s.scaleBar(a) + 4
	}
	for _, text := range []string{scaleWords(a), givenWords(r)} {
		lines := atMost(3, text, Width-margin-x, false)
		s.para(x, false, lines...)
		x = margin
	}
	indent := margin
	if _, ok := a.massCentre(l); ok {
		s.add(quartered(pt(margin+1.8, s.y+2.2), 1.6)...)
		indent += 5
	}
	s.para(indent, false, atMost(2, centre(l, "C"), Width-margin-indent, false)...)
	s.y++
}

// scaleBar draws a length of 1, 2 or 5 times a power of ten, and gives the width it takes.
func (s *sheet) scaleBar(a *axis) float64 {
	m, paper := 1.0, 0.0
	exponent := math.Ceil(math.Log10(8 / a.scale))
	for _, step := range []float64{0.2, 0.5, 1} { // of the power of ten above
		m = step * math.Pow(10, exponent)
		if paper = m * a.scale; paper >= 8 {
			break
		}
	}
	words := fmt.Sprintf("%.6g m", m)
	y := s.y + 2.2
	s.line(medium, pt(margin, y), pt(margin+paper, y))
	s.line(medium, pt(margin, y-1.2), pt(margin, y+1.2))
	s.line(medium, pt(margin+paper, y-1.2), pt(margin+paper, y+1.2))
	s.text(margin+paper+1.5, s.y+pitch-1, figure.Start, false, words)
	return paper + 1.5 + width(words, false)
}

// scaleWords say what is to scale and what is not.
func scaleWords(a *axis) string {
	out := "To scale along the rig. Heights and the shape of the vehicle are not."
	switch {
	case !a.given():
		out = "Not to scale."
	case len(a.absent) > 0:
		out = "To scale where a length is given. Heights and the shape of the vehicle are not."
	}
	if len(a.absent) > 0 {
		out += " Not given, drawn dashed or dotted: " + strings.Join(a.absent, ", ") + "."
	}
	if len(a.axles) > 2 && a.spread {
		out += " Axles between the first and the last are drawn evenly apart."
	}
	return out
}

// givenWords tell the lengths that no dimension line shows.
func givenWords(r *rig.Rig) string {
	var out []string
	tell := func(before string, id rig.ID, after string) {
		if r.Known(id) {
			out = append(out, before+r.Text(id)+after)
		}
	}
	tell("axle spread ", axleSpread, "")
	if r.Known(bodyStarts) && r.Known(bodyEnds) {
		tell("body from ", bodyStarts, " to "+r.Text(bodyEnds)+" behind the coupling")
	} else {
		tell("body from ", bodyStarts, " behind the coupling")
		tell("body to ", bodyEnds, " behind the coupling")
	}
	tell("length ", wholeLong, "")
	tell("width ", wholeWide, "")
	if len(out) == 0 {
		return ""
	}
	return "Trailer: " + strings.Join(out, ", ") + "."
}

// table tells what rests on each support.
func (s *sheet) table(r *rig.Rig, l *loads.Loads) {
	ends := [3]float64{66, 116, Width - margin} // of the columns of figures
	widths := [3]float64{30, 48, 48}
	rows := supports(r, l)
	if e, ok := each(r, l); ok {
		rows = append(rows, e)
	}
	heading := "What rests on"
	if levelled(l) {
		heading += " (levelled)"
	}
	s.line(medium, pt(margin, s.y), pt(Width-margin, s.y))
	s.text(margin, s.y+pitch-1, figure.Start, true, heading)
	for i, head := range []string{"uncoupled", "coupled, now", "coupled, full"} {
		s.text(ends[i], s.y+pitch-1, figure.End, true, head)
	}
	s.y += pitch
	s.line(thin, pt(margin, s.y+0.3), pt(Width-margin, s.y+0.3))
	for _, u := range rows {
		cells := [3][]string{{"\u2013"}, wrap(say(u.now), widths[1], false), wrap(say(u.full), widths[2], false)}
		if u.alone {
			cells[0] = wrap(say(u.solo), widths[0], false)
		}
		s.text(margin, s.y+pitch-0.8, figure.Start, false, strings.TrimSpace(u.letter+" "+u.name))
		high := 1
		for i, lines := range cells {
			high = max(high, len(lines))
			for k, words := range lines {
				s.text(ends[i], s.y+float64(k+1)*pitch-0.8, figure.End, false, words)
			}
		}
		s.y += float64(high) * pitch
	}
	s.line(medium, pt(margin, s.y+0.5), pt(Width-margin, s.y+0.5))
	s.y += 1
}

// things lists what is carried by its number: as many as have room in two columns.
func (s *sheet) things(r *rig.Rig, a *axis) {
	all := things(r, "A", "C")
	if len(all) == 0 {
		return
	}
	const rows = 4
	shown := all
	if len(all) > 2*rows {
		shown = all[:2*rows-1]
	}
	cells := make([]string, 0, 2*rows)
	cells = append(cells, shown...)
	if n := len(all) - len(shown); n > 0 {
		cells = append(cells, fmt.Sprintf("and %d more, told in the description", n))
	}
	half := (len(cells) + 1) / 2
	const column = inner/2 - 1
	for i, words := range cells {
		x, y := margin, s.y+float64(i%half+1)*pitch-1
		if i >= half {
			x += inner/2 + 1
		}
		s.text(x, y, figure.Start, false, clip(words, column))
	}
	s.y += float64(half) * pitch
	if n := a.unplaced; n > 0 {
		s.para(margin, false, fmt.Sprintf("Numbers left out of the view for want of room at their place: %d.", n))
	}
	if n := len(r.VehicleItems) + len(r.TrailerItems) - len(a.markers) - a.unplaced; n > 0 {
		s.para(margin, false, fmt.Sprintf("Numbers left out of the view as their place, or the axle near it, is not given: %d.", n))
	}
}

// clip shortens the name in "1 name, mass, place" and keeps its figures.
func clip(words string, room float64) string {
	if width(words, false) <= room {
		return words
	}
	cut := strings.LastIndex(words, ", ")
	if cut > 0 {
		cut = strings.LastIndex(words[:cut], ", ")
	}
	if cut <= 0 {
		return shorten(words, room, false)
	}
	head := shorten(words[:cut], room-width(words[cut:], false), false)
	if head == "" {
		return shorten(words, room, false)
	}
	return head + words[cut:]
}
