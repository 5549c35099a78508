package figure

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// SVG is the picture as a document of its own: no script, nothing from
// elsewhere, no font by name. The same picture gives the same bytes.
func (f Figure) SVG() ([]byte, error) {
	inline, err := f.Inline("figure")
	if err != nil {
		return nil, err
	}
	return append([]byte(xml.Header), inline...), nil
}

// Inline is the picture as an element to stand in an HTML page. Its ids begin
// with id, which must be that of no other picture of the page: a letter, then
// letters, digits and hyphens.
func (f Figure) Inline(id string) ([]byte, error) {
	if !plainID.MatchString(id) {
		return nil, fmt.Errorf("draw as SVG: %q is no id for a picture", id)
	}
	s := svg{id: id}
	if err := s.render(f); err != nil {
		return nil, fmt.Errorf("draw as SVG: %w", err)
	}
	return s.Bytes(), nil
}

var plainID = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9-]*$`)

// Symbol is the picture as an element that assistive technology passes over:
// for one that only repeats the words beside it. It has no ids.
func (f Figure) Symbol() ([]byte, error) {
	var s svg
	if err := s.render(f); err != nil {
		return nil, fmt.Errorf("draw as SVG: %w", err)
	}
	return s.Bytes(), nil
}

// svg is a Canvas that writes SVG.
type svg struct {
	bytes.Buffer
	id string // of the picture; empty if it is a symbol
}

func (s *svg) render(f Figure) error {
	fmt.Fprintf(s, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %[1]s %[2]s" overflow="visible"`, number(f.Width), number(f.Height))
	if f.Lang != "" {
		fmt.Fprintf(s, ` lang="%s"`, escaped(f.Lang))
	}
	if s.id == "" {
		s.WriteString(` aria-hidden="true" focusable="false">`)
	} else {
		fmt.Fprintf(s, ` role="img" aria-labelledby="%[1]s-title %[1]s-desc"><title id="%[1]s-title">%[2]s</title><desc id="%[1]s-desc">%[3]s</desc>`,
			s.id, escaped(f.Title), escaped(f.Desc))
		// Black lines must not meet the black ground of a viewer set to dark.
		fmt.Fprintf(s, `<rect width="%s" height="%s" fill="#fff"/>`, number(f.Width), number(f.Height))
	}
	if err := f.Draw(s); err != nil {
		return err
	}
	s.WriteString("</svg>\n")
	return nil
}

// Line writes an open line.
func (s *svg) Line(points []Point, stroke Stroke) {
	s.points("polyline", points, Clear, stroke)
}

// Polygon writes a closed one.
func (s *svg) Polygon(points []Point, fill Fill, stroke Stroke) {
	s.points("polygon", points, fill, stroke)
}

func (s *svg) points(element string, points []Point, fill Fill, stroke Stroke) {
	fmt.Fprintf(s, `<%s points="`, element)
	for i, p := range points {
		if i > 0 {
			s.WriteByte(' ')
		}
		s.WriteString(number(p.X) + "," + number(p.Y))
	}
	s.WriteByte('"')
	s.paint(fill, stroke)
}

// Circle writes a circle.
func (s *svg) Circle(centre Point, radius float64, fill Fill, stroke Stroke) {
	fmt.Fprintf(s, `<circle cx="%s" cy="%s" r="%s"`, number(centre.X), number(centre.Y), number(radius))
	s.paint(fill, stroke)
}

// Text writes a line of words.
func (s *svg) Text(t Text) {
	fmt.Fprintf(s, `<text x="%s" y="%s" font-size="%s" font-family="sans-serif"`, number(t.At.X), number(t.At.Y), number(t.Size))
	if t.Bold {
		s.WriteString(` font-weight="bold"`)
	}
	if t.Anchor != Start {
		fmt.Fprintf(s, ` text-anchor="%s"`, [anchors]string{Middle: "middle", End: "end"}[t.Anchor])
	}
	fmt.Fprintf(s, ` fill="#000">%s</text>`, escaped(t.Words))
}

// paint ends an element with how it looks. Attributes rather than a style, which a
// content security policy would ask about.
func (s *svg) paint(fill Fill, stroke Stroke) {
	fmt.Fprintf(s, ` fill="%s"`, [fills]string{Clear: "none", White: "#fff", Tint: "#ddd", Black: "#000"}[fill])
	if stroke.Width > 0 {
		fmt.Fprintf(s, ` stroke="#000" stroke-width="%s"`, number(stroke.Width))
		for i, length := range stroke.Dash.Pattern() {
			s.WriteString([]string{` stroke-dasharray="`, " "}[min(i, 1)] + number(length))
		}
		if stroke.Dash != Solid {
			s.WriteByte('"')
		}
	}
	s.WriteString("/>")
}

// number is v to a thousandth of a millimetre: finer than print, and coarser
// than what machines may differ in.
func number(v float64) string {
	return strconv.FormatFloat(math.Round(v*1000)/1000+0, 'f', -1, 64) // + 0 makes -0 plain
}

func escaped(text string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(text)) // a strings.Builder takes everything
	return b.String()
}
