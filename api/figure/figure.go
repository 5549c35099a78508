// Package figure holds small line drawings: a picture is a list of shapes in
// millimetres that reads the same on a screen, on paper and in black and white.
//
// There is no colour. Areas are told apart by white, a light grey, black or
// hatching, lines by their dashes, and everything that matters is also said in
// the long description, which a picture cannot be without.
//
// A picture goes onto any Canvas; SVG is the one that this package brings.
package figure

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"unicode/utf8"
)

// MaxSide is the longest side of a picture, in millimetres: no sheet that is
// printed here is longer. It also bounds how many lines a hatched area can take.
const MaxSide = 500

// maxWidth is the widest line and the largest text, in millimetres.
const maxWidth = 50

// Figure is one picture. X runs right and y down from the top left corner.
type Figure struct {
	Title string // a few words: what it shows
	Desc  string // the alternative text: all that a reader would take from looking at it
	Lang  string // language of the words, as in BCP 47; may be empty where the page around it says so

	Width, Height float64 // mm, each above 0 and at most MaxSide
	Shapes        []Shape // painted in this order
}

// Shape is one of Line, Rect, Polygon, Circle and Text.
type Shape interface {
	check(f Figure) error
	draw(c Canvas)
}

// Point is a place in the picture, in millimetres.
type Point struct{ X, Y float64 }

// Stroke is how a line or an outline looks. One of no width is not drawn.
type Stroke struct {
	Width float64 // mm
	Dash  Dash
}

// Dash tells lines apart without colour.
type Dash uint8

// The dashes.
const (
	Solid  Dash = iota
	Dashed      // long dashes
	Dotted      // short dashes
	Chain       // long and short in turn
	dashes
)

// Pattern is the dash's lengths of ink and gap in turn, in millimetres; none for a solid line.
func (d Dash) Pattern() []float64 {
	switch d {
	case Dashed:
		return []float64{3, 1.5}
	case Dotted:
		return []float64{0.6, 1}
	case Chain:
		return []float64{4, 1, 0.8, 1}
	default:
		return nil
	}
}

// Fill is what covers an area.
type Fill uint8

// The fills. The first four are plain; the rest are white with black lines or
// dots, so that a copier or a printer without greys keeps them apart.
const (
	Clear   Fill = iota // what lies beneath shows through
	White               // covers what lies beneath
	Tint                // a light grey that black text can be read on
	Black               //
	Rising              // lines from lower left to upper right
	Falling             // lines from upper left to lower right
	Crossed             // both
	Level               // level lines
	Dots                //
	fills
)

// Heads says which ends of a line have an arrow head.
type Heads uint8

// The ends.
const (
	NoHeads Heads = iota
	AtEnd
	BothEnds
	ends
)

// Line is an open line through its points.
type Line struct {
	Points []Point // two or more
	Stroke Stroke  // of some width
	Heads  Heads
}

// Rect is an upright rectangle.
type Rect struct {
	At     Point // its top left corner
	W, H   float64
	Fill   Fill
	Stroke Stroke
}

// Polygon is a closed area; where its outline crosses itself, inside is decided by even and odd.
type Polygon struct {
	Points []Point // three or more
	Fill   Fill
	Stroke Stroke
}

// Circle is a full circle.
type Circle struct {
	Centre Point
	Radius float64
	Fill   Fill
	Stroke Stroke
}

// Anchor says which part of a text is at its point.
type Anchor uint8

// The anchors.
const (
	Start Anchor = iota
	Middle
	End
	anchors
)

// Text is one line of black words. Its width depends on the font of the reader, so leave room.
type Text struct {
	At     Point   // on the baseline
	Size   float64 // mm, of the font; capital letters are about 0.7 of it
	Anchor Anchor
	Bold   bool
	Words  string
}

// Canvas is what pictures are painted on. Points are in the millimetres of the
// picture, and fill is one of the plain ones: Clear, White, Tint or Black.
type Canvas interface {
	Line(points []Point, s Stroke)
	Polygon(points []Point, fill Fill, s Stroke)
	Circle(centre Point, radius float64, fill Fill, s Stroke)
	Text(t Text)
}

// Draw paints the picture, or nothing if Check refuses it.
func (f Figure) Draw(c Canvas) error {
	if err := f.Check(); err != nil {
		return err
	}
	for _, s := range f.Shapes {
		s.draw(c)
	}
	return nil
}

// Check refuses a picture without a title or description, with a number that
// is none, or with a point outside its edges, where it would be cut off.
func (f Figure) Check() error {
	if strings.TrimSpace(f.Title) == "" || strings.TrimSpace(f.Desc) == "" {
		return errors.New("a figure needs a title and a description")
	}
	if !within(f.Width, 0, MaxSide) || !within(f.Height, 0, MaxSide) || f.Width == 0 || f.Height == 0 {
		return fmt.Errorf("figure %q: a side is not above 0 and at most %d mm", f.Title, MaxSide)
	}
	for i, s := range f.Shapes {
		if s == nil {
			return fmt.Errorf("figure %q, shape %d: there is none", f.Title, i+1)
		}
		if err := s.check(f); err != nil {
			return fmt.Errorf("figure %q, shape %d: %w", f.Title, i+1, err)
		}
	}
	return nil
}

// within is false for what is no number.
func within(v, low, high float64) bool { return v >= low && v <= high }

func (f Figure) holds(points ...Point) error {
	for _, p := range points {
		if !within(p.X, 0, f.Width) || !within(p.Y, 0, f.Height) {
			return fmt.Errorf("(%g, %g) is not in the picture", p.X, p.Y)
		}
	}
	return nil
}

func (s Stroke) check() error {
	if !within(s.Width, 0, maxWidth) || s.Dash >= dashes {
		return errors.New("there is no such stroke")
	}
	return nil
}

func checkArea(fill Fill, s Stroke) error {
	if fill >= fills {
		return errors.New("there is no such fill")
	}
	return s.check()
}

func (l Line) check(f Figure) error {
	if len(l.Points) < 2 || l.Stroke.Width == 0 || l.Heads >= ends {
		return errors.New("a line needs two points, a width and heads that there are")
	}
	return errors.Join(l.Stroke.check(), f.holds(l.Points...))
}

func (r Rect) check(f Figure) error {
	if !within(r.W, 0, MaxSide) || !within(r.H, 0, MaxSide) {
		return errors.New("a rectangle has no such size")
	}
	return errors.Join(checkArea(r.Fill, r.Stroke), f.holds(r.corners()...))
}

func (p Polygon) check(f Figure) error {
	if len(p.Points) < 3 {
		return errors.New("a polygon needs three points")
	}
	return errors.Join(checkArea(p.Fill, p.Stroke), f.holds(p.Points...))
}

func (c Circle) check(f Figure) error {
	if !within(c.Radius, 0, MaxSide) {
		return errors.New("a circle has no such radius")
	}
	r := Point{c.Radius, c.Radius}
	return errors.Join(checkArea(c.Fill, c.Stroke), f.holds(c.Centre.plus(r), c.Centre.plus(r.times(-1))))
}

func (t Text) check(f Figure) error {
	if !within(t.Size, 1, maxWidth) || t.Anchor >= anchors || !utf8.ValidString(t.Words) {
		return errors.New("a text needs a size of 1 mm or more, an anchor that there is and words in UTF-8")
	}
	return f.holds(t.At)
}

func (p Point) plus(q Point) Point        { return Point{p.X + q.X, p.Y + q.Y} }
func (p Point) times(k float64) Point     { return Point{p.X * k, p.Y * k} }
func (p Point) turned(a float64) Point    { return p.across(math.Cos(a), math.Sin(a)) }
func (p Point) across(c, s float64) Point { return Point{p.X*c - p.Y*s, p.X*s + p.Y*c} }

func (r Rect) corners() []Point {
	return []Point{r.At, {r.At.X + r.W, r.At.Y}, {r.At.X + r.W, r.At.Y + r.H}, {r.At.X, r.At.Y + r.H}}
}

func (l Line) draw(c Canvas) {
	c.Line(l.Points, l.Stroke)
	n := len(l.Points)
	if l.Heads != NoHeads {
		arrowHead(c, l.Points[n-2], l.Points[n-1])
	}
	if l.Heads == BothEnds {
		arrowHead(c, l.Points[1], l.Points[0])
	}
}

// The size of an arrow head, in millimetres.
const (
	headLength = 2.6
	headWidth  = 1.8
)

func arrowHead(c Canvas, from, tip Point) {
	length := math.Hypot(tip.X-from.X, tip.Y-from.Y)
	if length == 0 {
		return // it points nowhere
	}
	back := Point{(from.X - tip.X) / length, (from.Y - tip.Y) / length}
	side := back.across(0, 1).times(headWidth / 2)
	foot := tip.plus(back.times(headLength))
	c.Polygon([]Point{tip, foot.plus(side), foot.plus(side.times(-1))}, Black, Stroke{})
}

func (r Rect) draw(c Canvas)    { area(c, r.corners(), r.Fill, r.Stroke) }
func (p Polygon) draw(c Canvas) { area(c, p.Points, p.Fill, p.Stroke) }
func (t Text) draw(c Canvas)    { c.Text(t) }

func (o Circle) draw(c Canvas) {
	if o.Fill <= Black {
		c.Circle(o.Centre, o.Radius, o.Fill, o.Stroke)
		return
	}
	c.Circle(o.Centre, o.Radius, White, Stroke{})
	hatch(c, o.outline(), o.Fill)
	c.Circle(o.Centre, o.Radius, Clear, o.Stroke)
}

// outline is the circle as a polygon, near enough for hatching to end on.
func (o Circle) outline() []Point {
	const sides = 90
	points := make([]Point, sides)
	for i := range points {
		points[i] = o.Centre.plus(Point{o.Radius, 0}.turned(2 * math.Pi * float64(i) / sides))
	}
	return points
}

// area paints a filled outline: hatching lies over white and under the outline.
func area(c Canvas, points []Point, fill Fill, s Stroke) {
	if fill <= Black {
		c.Polygon(points, fill, s)
		return
	}
	c.Polygon(points, White, Stroke{})
	hatch(c, points, fill)
	c.Polygon(points, Clear, s)
}
