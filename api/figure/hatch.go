package figure

import (
	"math"
	"slices"
)

// Hatching in millimetres: wide enough apart to stay open after copying twice.
const (
	hatchGap = 1.6
	dotGap   = 1.8
	dotSize  = 0.3
)

var hatchStroke = Stroke{Width: 0.18}

// hatch fills an outline with lines or dots. They are worked out here rather
// than left to clip paths or patterns, so that every canvas shows the same
// ones and a page can hold many pictures without their names meeting.
func hatch(c Canvas, outline []Point, fill Fill) {
	switch fill {
	case Rising:
		hatchLines(c, outline, -math.Pi/4)
	case Falling:
		hatchLines(c, outline, math.Pi/4)
	case Crossed:
		hatchLines(c, outline, -math.Pi/4)
		hatchLines(c, outline, math.Pi/4)
	case Level:
		hatchLines(c, outline, 0)
	case Dots:
		hatchDots(c, outline)
	}
}

// hatchLines draws lines of one direction: the outline is turned until they
// are level, cut, and the cuts turned back.
func hatchLines(c Canvas, outline []Point, angle float64) {
	turned := make([]Point, len(outline))
	for i, p := range outline {
		turned[i] = p.turned(-angle)
	}
	for _, cut := range cuts(turned, hatchGap) {
		c.Line([]Point{
			Point{cut.from, cut.y}.turned(angle),
			Point{cut.to, cut.y}.turned(angle),
		}, hatchStroke)
	}
}

func hatchDots(c Canvas, outline []Point) {
	for _, cut := range cuts(outline, dotGap) {
		// Rows are set off by half a gap in turn.
		shift := 0.0
		if math.Mod(math.Round(cut.y/dotGap), 2) != 0 {
			shift = dotGap / 2
		}
		first := math.Ceil((cut.from+dotSize-shift)/dotGap)*dotGap + shift
		for x := first; x <= cut.to-dotSize; x += dotGap {
			c.Circle(Point{x, cut.y}, dotSize, Black, Stroke{})
		}
	}
}

// cut is a piece of a level line inside an outline.
type cut struct{ y, from, to float64 }

// cuts are the pieces of the level lines at all whole multiples of gap that lie inside.
func cuts(outline []Point, gap float64) []cut {
	top, bottom := math.Inf(1), math.Inf(-1)
	for _, p := range outline {
		top, bottom = min(top, p.Y), max(bottom, p.Y)
	}
	var all []cut
	for k := math.Ceil(top / gap); k*gap <= bottom; k++ {
		y := k * gap
		var xs []float64
		for i, p := range outline {
			q := outline[(i+1)%len(outline)]
			if (p.Y <= y) != (q.Y <= y) { // a corner counts for one of its two sides
				xs = append(xs, p.X+(y-p.Y)/(q.Y-p.Y)*(q.X-p.X))
			}
		}
		slices.Sort(xs)
		for ; len(xs) >= 2; xs = xs[2:] {
			all = append(all, cut{y, xs[0], xs[1]})
		}
	}
	return all
}
