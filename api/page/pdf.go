package page

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"

	"codeberg.org/go-pdf/fpdf"

	"drawgear/api/figure"
)

// PDF is the document on paper. Equal documents give equal bytes (under one
// version of Go, whose compression may change from one to the next).
func (d *Document) PDF(p Paper) ([]byte, error) {
	if err := p.check(); err != nil {
		return nil, fmt.Errorf("print document: %w", err)
	}
	if err := d.Check(); err != nil {
		return nil, fmt.Errorf("print document: %w", err)
	}
	foot := newFooter(d, p)
	l := newLayout(d, p, foot.height)
	l.document(d)
	if len(l.sheets) > MaxPages {
		return nil, fmt.Errorf("print document: it takes more than %d pages", MaxPages)
	}

	c := newCanvas(d, p)
	for i, s := range l.sheets {
		c.pdf.AddPage()
		for _, paint := range s {
			paint(c)
		}
		foot.paint(c, i+1, len(l.sheets))
	}
	var out bytes.Buffer
	if err := c.pdf.Output(&out); err != nil {
		return nil, fmt.Errorf("print document: %w", err)
	}
	mended, err := mend(out.Bytes())
	if err != nil {
		return nil, fmt.Errorf("print document: %w", err)
	}
	return mended, nil
}

// footer is what stands at the foot of every page: the id and the page number, and the hash below.
type footer struct {
	words    *Words
	id, hash []line
	width    float64
	y        float64 // of its first line
	height   float64
}

func newFooter(d *Document, p Paper) footer {
	width, height := p.size()
	f := footer{words: d.words(), width: width - 2*marginSide}
	f.id = footStyle.wrap([]span{{text: d.ID}}, f.width*0.75)
	f.hash = footStyle.wrap([]span{{text: d.Hash}}, f.width)
	f.height = float64(len(f.id)+len(f.hash)) * footStyle.lead
	f.y = height - marginFoot - f.height
	return f
}

func (f footer) paint(c *canvas, number, count int) {
	c.rule(marginSide, f.y-1, marginSide+f.width, f.y-1, 0.2, figure.Solid)
	text, _ := printable(f.words.Page + " " + strconv.Itoa(number) + " " + f.words.Of + " " + strconv.Itoa(count))
	page := footStyle.set(footStyle.glyphs([]span{{text: text}}))
	c.line(marginSide+f.width-page.width, f.y, page)
	y := f.y
	for _, ln := range slices.Concat(f.id, f.hash) {
		c.line(marginSide, y, ln)
		y += ln.height
	}
}

// canvas paints on the pages of a PDF, in millimetres from the top left corner.
// As a figure.Canvas it paints at an origin, to a scale and up to a width.
//
// It never saves and restores the state of the page: the library would go on
// believing in the colours and the font that a restore takes back.
type canvas struct {
	pdf    *fpdf.Fpdf
	origin figure.Point
	scale  float64
	width  float64
}

const fontFamily = "go"

func newCanvas(d *Document, p Paper) *canvas {
	width, height := p.size()
	pdf := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: width, Ht: height}})
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetCatalogSort(true)
	// The library writes times without their zone.
	pdf.SetCreationDate(d.Created.In(time.UTC))
	pdf.SetModificationDate(d.Created.In(time.UTC))
	pdf.SetProducer("drawgear", false)
	pdf.SetLang(d.Lang)
	pdf.SetTitle(utf16Text(d.Title), false)
	pdf.SetSubject(utf16Text(d.ID), false)
	for i, weight := range []string{"", "B"} {
		// The library writes to the bytes of a font as it takes out what is used.
		pdf.AddUTF8FontFromBytes(fontFamily, weight, slices.Clone(faces()[i].file))
	}
	return &canvas{pdf: pdf, scale: 1, width: width}
}

// utf16Text is text as PDF takes it outside of pages. The library's own way
// spoils characters beyond U+FFFF.
func utf16Text(text string) string {
	out := []byte{0xFE, 0xFF}
	for _, unit := range utf16.Encode([]rune(clean(text))) {
		out = binary.BigEndian.AppendUint16(out, unit)
	}
	return string(out)
}

// line paints a line of type whose top left corner is at x and y.
func (c *canvas) line(x, y float64, l line) {
	if l.picture != nil {
		c.picture(x, y, l.width, l.picture)
		return
	}
	em := l.style.size * mmPerPoint
	base := y + l.height/2 + 0.35*em // capitals are 0.7 em high
	for _, r := range l.runs {
		if r.symbol != nil {
			side := l.style.symbolWidth()
			c.picture(x+r.x, base-0.35*em-side/2, side, r.symbol)
			continue
		}
		c.words(x+r.x, base, l.style.size, r.bold, r.text)
	}
}

func (c *canvas) words(x, base, points float64, bold bool, text string) {
	weight := ""
	if bold {
		weight = "B"
	}
	c.pdf.SetFont(fontFamily, weight, points)
	c.pdf.Text(x, base, text)
}

// picture paints a figure, which was checked, to a width.
func (c *canvas) picture(x, y, width float64, f *figure.Figure) {
	within := &canvas{pdf: c.pdf, origin: figure.Point{X: x, Y: y}, scale: width / f.Width, width: width}
	if err := f.Draw(within); err != nil {
		c.pdf.SetError(err)
	}
}

// bookmark enters a heading into the outline. All are of one level: the library
// counts no children, which a strict reader refuses.
func (c *canvas) bookmark(text string, y float64) {
	c.pdf.SetFont(fontFamily, "B", 10) // so that the library takes the text for UTF-8
	c.pdf.Bookmark(text, 0, y)
}

// stroke sets the look of lines and says how the library calls what is drawn.
func (c *canvas) stroke(fill figure.Fill, s figure.Stroke) (how string, drawn bool) {
	grey, filled := map[figure.Fill]int{figure.White: 255, figure.Tint: tintGrey, figure.Black: 0}[fill]
	if filled {
		c.pdf.SetFillColor(grey, grey, grey)
		how = "F"
	}
	if s.Width > 0 {
		c.pdf.SetLineWidth(s.Width * c.scale)
		pattern := s.Dash.Pattern()
		for i := range pattern {
			pattern[i] *= c.scale
		}
		c.pdf.SetDashPattern(pattern, 0)
		how += "D"
	}
	return how, how != ""
}

// tintGrey is the grey of figure.Tint and of the heads of tables: black text on it has a contrast of 15 to 1.
const tintGrey = 0xDD

func (c *canvas) place(p figure.Point) (x, y float64) {
	return c.origin.X + p.X*c.scale, c.origin.Y + p.Y*c.scale
}

// Line draws an open line.
func (c *canvas) Line(points []figure.Point, s figure.Stroke) {
	if _, drawn := c.stroke(figure.Clear, s); !drawn {
		return
	}
	c.pdf.MoveTo(c.place(points[0]))
	for _, p := range points[1:] {
		c.pdf.LineTo(c.place(p))
	}
	c.pdf.DrawPath("D")
}

// Polygon draws an area.
func (c *canvas) Polygon(points []figure.Point, fill figure.Fill, s figure.Stroke) {
	how, drawn := c.stroke(fill, s)
	if !drawn {
		return
	}
	corners := make([]fpdf.PointType, len(points))
	for i, p := range points {
		corners[i].X, corners[i].Y = c.place(p)
	}
	c.pdf.Polygon(corners, how)
}

// Circle draws a circle.
func (c *canvas) Circle(centre figure.Point, radius float64, fill figure.Fill, s figure.Stroke) {
	if how, drawn := c.stroke(fill, s); drawn {
		x, y := c.place(centre)
		c.pdf.Circle(x, y, radius*c.scale, how)
	}
}

// Text draws words, smaller where they would leave the picture.
func (c *canvas) Text(t figure.Text) {
	s := style{size: t.Size * c.scale / mmPerPoint}
	text, _ := printable(t.Words)
	text = strings.ReplaceAll(text, "\n", " ")
	width := s.set(s.glyphs([]span{{text: text, bold: t.Bold}})).width
	x, y := c.place(t.At)
	left, right := x-c.origin.X, c.origin.X+c.width-x
	room, before := right, 0.0 // before is the share of the text that is left of its point
	switch t.Anchor {
	case figure.Middle:
		room, before = 2*min(left, right), 0.5
	case figure.End:
		room, before = left, 1
	}
	shrink := 1.0
	if width > room {
		shrink = max(room/width, leastShrink)
	}
	c.words(x-before*width*shrink, y, s.size*shrink, t.Bold, text)
}

// leastShrink keeps words of a picture readable, even beyond its edge.
const leastShrink = 0.5

// rule draws a straight line on the page.
func (c *canvas) rule(x1, y1, x2, y2, width float64, dash figure.Dash) {
	c.Line([]figure.Point{{X: x1, Y: y1}, {X: x2, Y: y2}}, figure.Stroke{Width: width, Dash: dash})
}

// tint covers a rectangle of the page with light grey.
func (c *canvas) tint(x, y, width, height float64) {
	c.rectangle(x, y, width, height, figure.Tint, 0)
}

// frame draws along the inside of a rectangle of the page.
func (c *canvas) frame(x, y, width, height, stroke float64) {
	c.rectangle(x+stroke/2, y+stroke/2, width-stroke, height-stroke, figure.Clear, stroke)
}

func (c *canvas) rectangle(x, y, width, height float64, fill figure.Fill, stroke float64) {
	c.Polygon([]figure.Point{{X: x, Y: y}, {X: x + width, Y: y}, {X: x + width, Y: y + height}, {X: x, Y: y + height}}, fill, figure.Stroke{Width: stroke})
}
