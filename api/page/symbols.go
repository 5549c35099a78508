package page

import (
	"errors"

	"drawgear/api/figure"
)

// Status is how something stands. It is shown as a word with a shape of its own.
type Status struct {
	Kind StatusKind
	Word string // in place of the usual word
}

// StatusKind is the shape of a status.
type StatusKind uint8

// The kinds of status.
const (
	NoStatus      StatusKind = iota
	Met                      // a tick in a ring
	NotMet                   // a cross in a black octagon
	Unknown                  // a question mark in a diamond
	NotApplicable            // a bar
	statuses
)

func (s Status) check() error {
	if s.Kind >= statuses || s.Kind == NoStatus && s.Word != "" {
		return errors.New("there is no such status")
	}
	return nil
}

// The symbols are drawn on a square of this side and scaled to the text beside them.
const symbolSide = 10

var (
	bold   = figure.Stroke{Width: 1.3}
	medium = figure.Stroke{Width: 0.9}
)

var statusSymbols = [statuses]*figure.Figure{
	Met: symbol(
		figure.Circle{Centre: at(5, 5), Radius: 4.4, Fill: figure.White, Stroke: medium},
		figure.Line{Points: pts(2.6, 5.2, 4.4, 7.2, 7.6, 3), Stroke: bold},
	),
	NotMet: symbol(
		figure.Polygon{Points: pts(3, 0.2, 7, 0.2, 9.8, 3, 9.8, 7, 7, 9.8, 3, 9.8, 0.2, 7, 0.2, 3), Fill: figure.Black},
		figure.Polygon{Points: pts(3.2, 2.2, 5, 4, 6.8, 2.2, 7.8, 3.2, 6, 5, 7.8, 6.8, 6.8, 7.8, 5, 6, 3.2, 7.8, 2.2, 6.8, 4, 5, 2.2, 3.2), Fill: figure.White},
	),
	Unknown: symbol(
		figure.Polygon{Points: pts(5, 0.6, 9.4, 5, 5, 9.4, 0.6, 5), Fill: figure.White, Stroke: medium},
		figure.Text{At: at(5, 7), Size: 5.6, Anchor: figure.Middle, Bold: true, Words: "?"},
	),
	NotApplicable: symbol(
		figure.Rect{At: at(1, 4.2), W: 8, H: 1.6, Fill: figure.Black},
	),
}

var markSymbols = [marks]*figure.Figure{
	Open: symbol(box),
	Done: symbol(box, figure.Line{Points: pts(2.2, 5, 4.3, 7.4, 8, 2.4), Stroke: bold}),
	Failed: symbol(box,
		figure.Line{Points: pts(2.4, 2.4, 7.6, 7.6), Stroke: bold},
		figure.Line{Points: pts(7.6, 2.4, 2.4, 7.6), Stroke: bold},
	),
}

var box = figure.Rect{At: at(0.6, 0.6), W: 8.8, H: 8.8, Fill: figure.White, Stroke: medium}

var kindSymbols = [kinds]*figure.Figure{
	Note: symbol(
		figure.Circle{Centre: at(5, 5), Radius: 4.4, Fill: figure.White, Stroke: medium},
		figure.Circle{Centre: at(5, 2.9), Radius: 0.7, Fill: figure.Black},
		figure.Line{Points: pts(5, 4.3, 5, 7.8), Stroke: bold},
	),
	Caution: beware,
	Warning: beware,
	Danger:  beware,
}

var beware = symbol(
	figure.Polygon{Points: pts(5, 0.8, 9.4, 9, 0.6, 9), Fill: figure.White, Stroke: medium},
	figure.Line{Points: pts(5, 3.6, 5, 6.2), Stroke: bold},
	figure.Circle{Centre: at(5, 7.5), Radius: 0.7, Fill: figure.Black},
)

// symbol is a picture that stands beside its own word and needs no other.
func symbol(shapes ...figure.Shape) *figure.Figure {
	return &figure.Figure{Title: "symbol", Desc: "symbol", Width: symbolSide, Height: symbolSide, Shapes: shapes}
}

func at(x, y float64) figure.Point { return figure.Point{X: x, Y: y} }

// pts makes points of x and y in turn.
func pts(xy ...float64) []figure.Point {
	points := make([]figure.Point, 0, len(xy)/2)
	for ; len(xy) >= 2; xy = xy[2:] {
		points = append(points, at(xy[0], xy[1]))
	}
	return points
}
