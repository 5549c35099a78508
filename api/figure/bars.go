package figure

// Bar is a count in a chart.
type Bar struct {
	Name  string // at its left: 28 characters or so have room
	Count int64  // 0 or more
	Says  string // at its right: the count in words, of as many characters
	Fill  Fill
	Dash  Dash // of its outline
}

// The measures of a chart of bars, in millimetres.
const (
	barsWide  = 170 // the text of an A4 page
	barsFrom  = 58  // where bars begin
	barsMost  = 62  // the length of the greatest
	barHigh   = 5.5
	barsPitch = 8.5
	barsSize  = 3.4 // of the text
	barsEdge  = 1.5
)

// Bars is a chart of counts: level bars from one line, one below the other, as
// long as their counts are great, the greatest over the whole width. A bar of
// nothing is not drawn. Patterns and words tell bars apart; what a bar says stands
// beside it, so that there is no scale to read it from.
func Bars(title, desc string, bars ...Bar) Figure {
	f := Figure{Title: title, Desc: desc, Width: barsWide, Height: 2*barsEdge + barsPitch*float64(len(bars))}
	greatest := int64(1)
	for _, b := range bars {
		greatest = max(greatest, b.Count)
	}
	for i, b := range bars {
		top := barsEdge + barsPitch*float64(i) + (barsPitch-barHigh)/2
		base := top + barHigh/2 + 0.35*barsSize
		long := barsMost * float64(b.Count) / float64(greatest)
		f.Shapes = append(f.Shapes, Text{At: Point{barsFrom - 2, base}, Size: barsSize, Anchor: End, Words: b.Name})
		if b.Count > 0 {
			f.Shapes = append(f.Shapes, Rect{At: Point{barsFrom, top}, W: long, H: barHigh, Fill: b.Fill, Stroke: Stroke{Width: 0.35, Dash: b.Dash}})
		}
		f.Shapes = append(f.Shapes, Text{At: Point{barsFrom + long + 2, base}, Size: barsSize, Bold: true, Words: b.Says})
	}
	f.Shapes = append(f.Shapes, Line{Points: []Point{{barsFrom, barsEdge}, {barsFrom, f.Height - barsEdge}}, Stroke: Stroke{Width: 0.5}})
	return f
}
