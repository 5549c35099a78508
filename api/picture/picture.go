// Package picture draws a rig with its loads: side view and plan, what rests on
// each support, and how much of each limit is used. It works nothing out: every
// figure is one of package loads, or was entered.
//
// The drawing keeps to what is common in engineering and statics: a support is a
// triangle, a force an arrow, a coupling a small circle, a centre of mass a
// quartered one. Lengths that are given are to one scale; what is not given is
// drawn dashed or dotted and said to be out of scale. Heights are never to scale.
//
// Nothing is told by colour, and all that is drawn is also said in words: in the
// description, which is all that some readers get.
package picture

import (
	"fmt"

	"drawgear/api/figure"
	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

// Sizes in millimetres.
const (
	// Width is that of every picture: the text of an A4 page.
	Width = 170
	// maxHeight is that of a picture on a page of its own.
	maxHeight = 250
	// sheetHeight is that of a picture which keeps its size among other text.
	sheetHeight = 174

	size   = 3.0 // of all text: 2.8 mm from the top of its letters to the foot
	pitch  = 3.8 // from line to line
	margin = 2.0
	inner  = Width - 2*margin
)

// Strokes.
var (
	thin    = figure.Stroke{Width: 0.2}
	medium  = figure.Stroke{Width: 0.35}
	thick   = figure.Stroke{Width: 0.8}
	dotted  = figure.Stroke{Width: 0.25, Dash: figure.Dotted}
	dashed  = figure.Stroke{Width: 0.35, Dash: figure.Dashed}
	centred = figure.Stroke{Width: 0.18, Dash: figure.Chain}
)

// Rig is the whole in one picture of at most a page. Where there are more judged
// limits than have room, those nearest to or beyond their limit are drawn and the
// others counted; Sheets draws them all.
func Rig(r *rig.Rig, l *loads.Loads) figure.Figure {
	s := sheet{y: margin}
	s.views(r, l)
	s.limits(l)
	return s.figure("The rig and its loads", describe(r, l))
}

// Sheets is the same over several pictures that keep their size among the text of
// a page: the views and loads first, then every limit.
func Sheets(r *rig.Rig, l *loads.Loads) []figure.Figure {
	first := sheet{y: margin}
	first.views(r, l)
	out := []figure.Figure{first.figure("The rig and its loads", describeRig(r, l))}
	more := limitSheets(l)
	for i := range more {
		title := "How much of each limit is used"
		if len(more) > 1 {
			title += fmt.Sprintf(", sheet %d of %d", i+1, len(more))
		}
		out = append(out, more[i].figure(title, more[i].said))
	}
	return out
}

// sheet is a picture that is being drawn from the top down.
type sheet struct {
	shapes []figure.Shape
	y      float64 // down to which it is drawn
	said   string  // what it shows, in words
}

func (s *sheet) figure(title, desc string) figure.Figure {
	return figure.Figure{Title: title, Desc: desc, Lang: "en", Width: Width, Height: s.y + margin, Shapes: s.shapes}
}

func (s *sheet) add(shapes ...figure.Shape) { s.shapes = append(s.shapes, shapes...) }

func (s *sheet) line(stroke figure.Stroke, points ...figure.Point) {
	s.add(figure.Line{Points: points, Stroke: stroke})
}

func (s *sheet) arrow(from, to figure.Point, stroke figure.Stroke) {
	s.add(figure.Line{Points: []figure.Point{from, to}, Stroke: stroke, Heads: figure.AtEnd})
}

func (s *sheet) text(x, y float64, a figure.Anchor, bold bool, words string) {
	s.add(figure.Text{At: figure.Point{X: x, Y: y}, Size: size, Anchor: a, Bold: bold, Words: words})
}

// para sets lines one below the other and moves on.
func (s *sheet) para(x float64, bold bool, lines ...string) {
	for _, words := range lines {
		s.y += pitch
		s.text(x, s.y-1, figure.Start, bold, words)
	}
}

func pt(x, y float64) figure.Point { return figure.Point{X: x, Y: y} }
