package figure_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/api/figure"
)

var (
	thin = figure.Stroke{Width: 0.3}
	size = 100.0
)

// of is a picture of the shapes, 100 mm by 100 mm.
func of(shapes ...figure.Shape) figure.Figure {
	return figure.Figure{Title: "A title", Desc: "A description", Width: size, Height: size, Shapes: shapes}
}

func pt(x, y float64) figure.Point { return figure.Point{X: x, Y: y} }

func everything() figure.Figure {
	var shapes []figure.Shape
	for fill := figure.Clear; fill <= figure.Dots; fill++ {
		x := 2 + 10*float64(fill)
		shapes = append(
			shapes,
			figure.Rect{At: pt(x, 2), W: 8, H: 20, Fill: fill, Stroke: thin},
			figure.Polygon{Points: []figure.Point{pt(x, 30), pt(x+8, 30), pt(x+4, 45)}, Fill: fill, Stroke: thin},
			figure.Circle{Centre: pt(x+4, 55), Radius: 4, Fill: fill, Stroke: thin},
		)
	}
	for dash := figure.Solid; dash <= figure.Chain; dash++ {
		y := 65 + 4*float64(dash)
		shapes = append(shapes, figure.Line{Points: []figure.Point{pt(0, y), pt(50, y), pt(100, y+2)}, Stroke: figure.Stroke{Width: 0.5, Dash: dash}, Heads: figure.Heads(dash % 3)})
	}
	for anchor := figure.Start; anchor <= figure.End; anchor++ {
		shapes = append(shapes, figure.Text{At: pt(50, 85+5*float64(anchor)), Size: 4, Anchor: anchor, Bold: anchor == figure.Middle, Words: "Ball load < 10 % & more"})
	}
	return of(shapes...)
}

// element is an element of an SVG as an XML parser sees it.
type element struct {
	XMLName  xml.Name
	Attrs    []xml.Attr `xml:",any,attr"`
	Text     string     `xml:",chardata"`
	Elements []element  `xml:",any"`
}

func (e element) attr(name string) string {
	for _, a := range e.Attrs {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func parse(t interface{ Fatalf(string, ...any) }, svg []byte) element {
	var e element
	d := xml.NewDecoder(bytes.NewReader(svg))
	if err := d.Decode(&e); err != nil {
		t.Fatalf("not XML: %v\n%s", err, svg)
	}
	if tok, err := d.Token(); !errors.Is(err, io.EOF) && strings.TrimSpace(string(tok.(xml.CharData))) != "" {
		t.Fatalf("something follows the picture: %v", tok)
	}
	return e
}

func TestSVG(t *testing.T) {
	f := everything()
	f.Lang = "en-AU"
	out, err := f.SVG()
	if err != nil {
		t.Fatal(err)
	}
	root := parse(t, out)
	if root.XMLName != (xml.Name{Space: "http://www.w3.org/2000/svg", Local: "svg"}) || root.attr("role") != "img" || root.attr("lang") != "en-AU" {
		t.Errorf("the root is %v %v", root.XMLName, root.Attrs)
	}
	if root.attr("width") != "100mm" || root.attr("height") != "100mm" || root.attr("viewBox") != "0 0 100 100" {
		t.Errorf("the size is %v", root.Attrs)
	}
	title, desc := root.Elements[0], root.Elements[1]
	if title.XMLName.Local != "title" || title.Text != f.Title || desc.XMLName.Local != "desc" || desc.Text != f.Desc {
		t.Errorf("titled %v, described %v", title, desc)
	}
	if got := root.attr("aria-labelledby"); got != title.attr("id")+" "+desc.attr("id") || title.attr("id") == "" || desc.attr("id") == title.attr("id") {
		t.Errorf("labelled by %q", got)
	}
	for _, e := range root.Elements[2:] {
		if !slices.Contains([]string{"rect", "polyline", "polygon", "circle", "text"}, e.XMLName.Local) || len(e.Elements) > 0 {
			t.Errorf("there is a %s", e.XMLName.Local)
		}
		for _, a := range e.Attrs {
			name := a.Name.Local
			if name == "style" || name == "href" || strings.HasPrefix(name, "on") || strings.Contains(a.Value, "url(") {
				t.Errorf("%s has %s=%q", e.XMLName.Local, name, a.Value)
			}
			if name == "font-family" && a.Value != "sans-serif" {
				t.Errorf("the font is %s", a.Value)
			}
			if (name == "fill" || name == "stroke") && !grey(a.Value) {
				t.Errorf("%s is no grey", a.Value)
			}
		}
	}
	again, err := everything().SVG()
	if err != nil {
		t.Fatal(err)
	}
	f.Lang = ""
	if first, err := f.SVG(); err != nil || !bytes.Equal(first, again) {
		t.Errorf("%v, equal pictures differ", err)
	}
}

func grey(colour string) bool {
	if colour == "none" {
		return true
	}
	return len(colour) == 4 && colour[1] == colour[2] && colour[2] == colour[3]
}

func TestInlineAndSymbol(t *testing.T) {
	one, err := of().Inline("n1")
	if err != nil {
		t.Fatal(err)
	}
	two, err := of().Inline("n2")
	if err != nil {
		t.Fatal(err)
	}
	if a, b := parse(t, one).attr("aria-labelledby"), parse(t, two).attr("aria-labelledby"); a == b || !strings.HasPrefix(a, "n1-") {
		t.Errorf("two pictures of a page are labelled by %q and %q", a, b)
	}
	for _, id := range []string{"", "1", "a b", `a"`, "é"} {
		if _, err := of().Inline(id); err == nil {
			t.Errorf("%q is taken for an id", id)
		}
	}
	symbol, err := of().Symbol()
	if err != nil {
		t.Fatal(err)
	}
	if e := parse(t, symbol); e.attr("aria-hidden") != "true" || strings.Contains(string(symbol), "id=") || len(e.Elements) != 0 {
		t.Errorf("a symbol is %s", symbol)
	}
}

func TestRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	square := []figure.Point{pt(1, 1), pt(9, 1), pt(9, 9)}
	for name, f := range map[string]figure.Figure{
		"no title":                {Desc: "x", Width: 1, Height: 1},
		"no description":          {Title: "x", Desc: " ", Width: 1, Height: 1},
		"no width":                {Title: "x", Desc: "x", Height: 1},
		"no number":               {Title: "x", Desc: "x", Width: nan, Height: 1},
		"without end":             {Title: "x", Desc: "x", Width: 1, Height: inf},
		"too large":               {Title: "x", Desc: "x", Width: 1, Height: figure.MaxSide + 0.001},
		"no shape":                of(nil),
		"a line of one point":     of(figure.Line{Points: square[:1], Stroke: thin}),
		"a line of no width":      of(figure.Line{Points: square}),
		"a line out of bounds":    of(figure.Line{Points: []figure.Point{pt(0, 0), pt(size, size+0.001)}, Stroke: thin}),
		"a line from nowhere":     of(figure.Line{Points: []figure.Point{pt(nan, 0), pt(1, 1)}, Stroke: thin}),
		"heads that are none":     of(figure.Line{Points: square, Stroke: thin, Heads: 9}),
		"a dash that is none":     of(figure.Line{Points: square, Stroke: figure.Stroke{Width: 1, Dash: 9}}),
		"a stroke below nothing":  of(figure.Polygon{Points: square, Stroke: figure.Stroke{Width: -1}}),
		"a stroke without number": of(figure.Polygon{Points: square, Stroke: figure.Stroke{Width: nan}}),
		"a fill that is none":     of(figure.Polygon{Points: square, Fill: 99}),
		"a polygon of two points": of(figure.Polygon{Points: square[:2]}),
		"a rectangle inside out":  of(figure.Rect{At: pt(5, 5), W: -1, H: 1}),
		"a rectangle over edge":   of(figure.Rect{At: pt(5, 5), W: size, H: 1}),
		"a circle over the edge":  of(figure.Circle{Centre: pt(5, 5), Radius: 5.001}),
		"a circle inside out":     of(figure.Circle{Centre: pt(5, 5), Radius: -1}),
		"a text too small":        of(figure.Text{At: pt(1, 1), Size: 0.9, Words: "x"}),
		"a text of no size":       of(figure.Text{At: pt(1, 1), Size: nan, Words: "x"}),
		"a text beyond the edge":  of(figure.Text{At: pt(-1, 1), Size: 4, Words: "x"}),
		"an anchor that is none":  of(figure.Text{At: pt(1, 1), Size: 4, Anchor: 9, Words: "x"}),
		"a text that is none":     of(figure.Text{At: pt(1, 1), Size: 4, Words: "\xff"}),
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := f.SVG(); err == nil {
				t.Error("it is drawn")
			}
			var r recorder
			if err := f.Draw(&r); err == nil || r.n > 0 {
				t.Errorf("%v, %d shapes are painted", err, r.n)
			}
		})
	}
	for name, f := range map[string]figure.Figure{
		"to the edge":   of(figure.Rect{W: size, H: size}, figure.Circle{Centre: pt(50, 50), Radius: 50, Fill: figure.Rising}),
		"the largest":   {Title: "x", Desc: "x", Width: figure.MaxSide, Height: figure.MaxSide},
		"all in a line": of(figure.Polygon{Points: []figure.Point{pt(1, 1), pt(5, 1), pt(9, 1)}, Fill: figure.Crossed}),
		"of no size":    of(figure.Rect{At: pt(3, 3), Fill: figure.Dots}, figure.Circle{Centre: pt(3, 3), Fill: figure.Falling}),
		"no direction":  of(figure.Line{Points: []figure.Point{pt(3, 3), pt(3, 3)}, Stroke: thin, Heads: figure.BothEnds}),
	} {
		if _, err := f.SVG(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// recorder is a Canvas that keeps what is painted.
type recorder struct {
	n        int
	lines    [][]figure.Point
	polygons [][]figure.Point
	dots     []figure.Point
	fills    []figure.Fill
}

func (r *recorder) Line(p []figure.Point, _ figure.Stroke) { r.n++; r.lines = append(r.lines, p) }
func (r *recorder) Polygon(p []figure.Point, f figure.Fill, _ figure.Stroke) {
	r.n++
	r.polygons = append(r.polygons, p)
	r.fills = append(r.fills, f)
}

func (r *recorder) Circle(c figure.Point, _ float64, f figure.Fill, _ figure.Stroke) {
	r.n++
	r.dots = append(r.dots, c)
	r.fills = append(r.fills, f)
}
func (r *recorder) Text(figure.Text) { r.n++ }

func painted(t interface{ Fatalf(string, ...any) }, f figure.Figure) recorder {
	var r recorder
	if err := f.Draw(&r); err != nil {
		t.Fatalf("%v", err)
	}
	return r
}

func TestCanvasGetsPlainFills(t *testing.T) {
	for _, fill := range painted(t, everything()).fills {
		if fill > figure.Black {
			t.Errorf("a canvas gets the fill %d", fill)
		}
	}
}

// TestHatchCoversItsArea compares hatching with plain geometry: lines at one distance
// cover an area when their lengths times that distance make the area (Cavalieri), and the
// area of a triangle is half the cross product of two sides.
func TestHatchCoversItsArea(t *testing.T) {
	corner := rapid.Custom(func(t *rapid.T) figure.Point {
		return pt(rapid.Float64Range(0, size).Draw(t, "x"), rapid.Float64Range(0, size).Draw(t, "y"))
	})
	gap := 1.6
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SliceOfN(corner, 3, 3).Draw(t, "corners")
		area := math.Abs((c[1].X-c[0].X)*(c[2].Y-c[0].Y)-(c[2].X-c[0].X)*(c[1].Y-c[0].Y)) / 2
		around := 0.0
		for i := range c {
			around += math.Hypot(c[i].X-c[(i+1)%3].X, c[i].Y-c[(i+1)%3].Y)
		}
		for fill, times := range map[figure.Fill]float64{figure.Rising: 1, figure.Falling: 1, figure.Level: 1, figure.Crossed: 2} {
			r := painted(t, of(figure.Polygon{Points: c, Fill: fill}))
			sum := 0.0
			for _, l := range r.lines {
				sum += math.Hypot(l[1].X-l[0].X, l[1].Y-l[0].Y)
				middle := pt((l[0].X+l[1].X)/2, (l[0].Y+l[1].Y)/2)
				if !inTriangle(middle, c) {
					t.Fatalf("fill %d: a line lies outside, around %v", fill, middle)
				}
			}
			// A line can be off by the strip at the outline.
			if math.Abs(sum*gap-times*area) > times*around*gap {
				t.Fatalf("fill %d: lines of %.1f mm for %.1f mm²", fill, sum, area)
			}
		}
		for _, dot := range painted(t, of(figure.Polygon{Points: c, Fill: figure.Dots})).dots {
			if !inTriangle(dot, c) {
				t.Fatalf("a dot lies outside, at %v", dot)
			}
		}
	})
}

// inTriangle tells by the turns along the sides whether a point is inside, or as good as on the outline.
func inTriangle(p figure.Point, c []figure.Point) bool {
	left, right := false, false
	for i := range c {
		a, b := c[i], c[(i+1)%3]
		turn := (b.X-a.X)*(p.Y-a.Y) - (b.Y-a.Y)*(p.X-a.X)
		left = left || turn > 1e-6
		right = right || turn < -1e-6
	}
	return !left || !right
}

func TestHatchLeavesHoles(t *testing.T) {
	// A frame drawn in one go: out, across, and back around the hole.
	frame := figure.Polygon{Fill: figure.Level, Points: []figure.Point{
		pt(0, 0), pt(40, 0), pt(40, 40), pt(0, 40), pt(0, 0),
		pt(10, 10), pt(10, 30), pt(30, 30), pt(30, 10), pt(10, 10),
	}}
	crossing := 0
	for _, l := range painted(t, of(frame)).lines {
		if l[0].Y > 10 && l[0].Y < 30 {
			crossing++
			if middle := (l[0].X + l[1].X) / 2; middle > 10 && middle < 30 {
				t.Errorf("a line crosses the hole at %v", l)
			}
		}
	}
	if crossing == 0 {
		t.Error("no line lies beside the hole")
	}
}

func TestArrowHeads(t *testing.T) {
	for heads, want := range map[figure.Heads][]figure.Point{
		figure.NoHeads:  nil,
		figure.AtEnd:    {pt(40, 50)},
		figure.BothEnds: {pt(40, 50), pt(10, 10)},
	} {
		r := painted(t, of(figure.Line{Points: []figure.Point{pt(10, 10), pt(40, 50)}, Stroke: thin, Heads: heads}))
		if len(r.polygons) != len(want) {
			t.Fatalf("%d heads, want %d", len(r.polygons), len(want))
		}
		for i, tip := range want {
			head := r.polygons[i]
			if head[0] != tip {
				t.Errorf("a head points at %v, want %v", head[0], tip)
			}
			// The line runs 3 across for 4 down, so the two corners behind are as far from it.
			foot := pt((head[1].X+head[2].X)/2, (head[1].Y+head[2].Y)/2)
			if off := (foot.X-10)*4 - (foot.Y-10)*3; math.Abs(off) > 1e-9 {
				t.Errorf("a head stands askew by %g", off)
			}
			if foot.X <= 10 || foot.X >= 40 {
				t.Errorf("a head lies beyond the line, at %v", foot)
			}
		}
	}
}

// FuzzWords puts any words into a picture: it stays XML, and the words come back.
func FuzzWords(f *testing.F) {
	for _, seed := range []string{"plain", `</text><script>x</script>`, `"'&<>`, "]]>", "\x00\x1b", "\xff", "漢 🐴", "&#60;", "\r\n\t"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, words string) {
		fig := of(figure.Text{At: pt(1, 5), Size: 4, Words: strings.ToValidUTF8(words, "?")})
		fig.Title, fig.Desc, fig.Lang = "t"+words, "d"+words, words
		out, err := fig.SVG()
		if err != nil {
			t.Fatal(err)
		}
		root := parse(t, out)
		if len(root.Elements) != 4 { // title, description, ground, text
			t.Fatalf("%d elements: %s", len(root.Elements), out)
		}
		if got, want := root.Elements[3].Text, shown(strings.ToValidUTF8(words, "?")); got != want {
			t.Errorf("%q became %q", want, got)
		}
		if got, want := root.Elements[0].Text, shown("t"+words); got != want {
			t.Errorf("the title %q became %q", want, got)
		}
	})
}

// shown is text with U+FFFD for what XML 1.0 (section 2.2, memory) has no character for.
func shown(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' || r == '\uFFFE' || r == '\uFFFF' {
			return '\uFFFD'
		}
		return r
	}, text) // which makes U+FFFD of bytes that are no UTF-8 too
}

// TestNumbers holds that numbers in a picture are plain and finely enough rounded.
func TestNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(0, size).Draw(t, "x")
		out, err := of(figure.Circle{Centre: pt(x, 1.0/3), Stroke: thin}).Symbol()
		if err != nil {
			t.Fatal(err)
		}
		circle := parse(t, out).Elements[0]
		got, err := strconv.ParseFloat(circle.attr("cx"), 64)
		if err != nil || math.Abs(got-x) > 0.0005000001 || strings.ContainsAny(circle.attr("cx"), "eE-") {
			t.Errorf("%g became %s", x, circle.attr("cx"))
		}
		if circle.attr("cy") != "0.333" || circle.attr("r") != "0" {
			t.Errorf("%s and %s", circle.attr("cy"), circle.attr("r"))
		}
	})
}

func BenchmarkSVG(b *testing.B) {
	f := everything()
	for b.Loop() {
		if _, err := f.SVG(); err != nil {
			b.Fatal(err)
		}
	}
}
