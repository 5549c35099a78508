package page

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"unicode"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/text/unicode/norm"

	"drawgear/api/figure"
)

// clean makes text safe to show: what is not UTF-8, and control characters
// other than tab and line feed, become U+FFFD. So do the marks that turn the
// direction of text around, since with them a document can seem to say
// something other than what it holds.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return r
		case unicode.IsControl(r), r >= '\u202A' && r <= '\u202E', r >= '\u2066' && r <= '\u2069':
			return unicode.ReplacementChar
		default:
			return r // invalid bytes arrive as U+FFFD
		}
	}, strings.ReplaceAll(text, "\r\n", "\n"))
}

// face is what setting type needs to know of a font.
type face struct {
	file   []byte
	widths map[rune]float64 // in thousandths of the size; no other character can be set
}

// faces are regular and bold. The Go fonts (BSD licence, in
// golang.org/x/image) cover Latin, Greek and Cyrillic.
var faces = sync.OnceValue(func() [2]face {
	return [2]face{newFace(goregular.TTF), newFace(gobold.TTF)}
})

func newFace(file []byte) face {
	parsed, err := sfnt.Parse(file)
	if err != nil {
		panic(fmt.Sprintf("page: a font of golang.org/x/image: %v", err))
	}
	f := face{file: file, widths: map[rune]float64{}}
	em := fixed.I(int(parsed.UnitsPerEm()))
	var buf sfnt.Buffer
	for r := ' '; r <= '\uFFFD'; r++ {
		glyph, err := parsed.GlyphIndex(&buf, r)
		if err != nil || glyph == 0 {
			continue
		}
		advance, err := parsed.GlyphAdvance(&buf, glyph, em, font.HintingNone)
		if err != nil {
			continue
		}
		f.widths[r] = float64(advance) / float64(em) * 1000
	}
	return f
}

func faceOf(bold bool) *face {
	all := faces()
	if bold {
		return &all[1]
	}
	return &all[0]
}

// alike has characters that the font lacks and what stands for them just as well.
var alike = map[rune]rune{
	'\u2010': '-', '\u2011': '-', '\u2012': '\u2013', // hyphens and the dash of figures
	'\u202F': '\u00A0', '\u2007': '\u00A0', // spaces that do not break
	'\u3000': ' ',
	'\u02BC': '\u2019',
}

const (
	zeroSpace = '\u200B' // where a word may break
	softBreak = '\u00AD'
)

// printable puts text into the characters of the font. What the font lacks
// becomes its number in brackets, so that nothing is lost in silence; lossy says so.
func printable(text string) (out string, lossy bool) {
	var b strings.Builder
	widths := faceOf(false).widths
	for _, r := range norm.NFC.String(clean(text)) {
		if other, ok := alike[r]; ok {
			r = other
		}
		switch _, ok := widths[r]; {
		case r == softBreak:
		case ok || r == '\n' || r == zeroSpace:
			b.WriteRune(r)
		case r == '\t' || unicode.Is(unicode.Zs, r):
			b.WriteByte(' ')
		case unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Variation_Selector, r):
			// joins or varies others and has no shape of its own
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
			lossy = true
		}
	}
	return b.String(), lossy
}

// span is a piece of text in one weight, or a symbol.
type span struct {
	text   string
	bold   bool
	symbol *figure.Figure
}

// style is a size of type.
type style struct {
	size float64 // points
	lead float64 // mm from line to line
}

const mmPerPoint = 25.4 / 72

// width is that of a character in millimetres.
func (s style) width(r rune, bold bool) float64 {
	return faceOf(bold).widths[r] / 1000 * s.size * mmPerPoint
}

// symbolWidth is the side of a symbol in text, and its gap the room after it.
func (s style) symbolWidth() float64 { return s.size * mmPerPoint * 0.95 }
func (s style) symbolGap() float64   { return s.size * mmPerPoint * 0.4 }

// glyph is a character or a symbol on its way into a line.
type glyph struct {
	r      rune
	bold   bool
	symbol *figure.Figure
	width  float64
}

// run is a piece of a line, from x on.
type run struct {
	x      float64
	text   string
	bold   bool
	symbol *figure.Figure
}

// line is a line of set type, or a picture.
type line struct {
	style   style
	height  float64
	width   float64
	runs    []run
	picture *figure.Figure
}

// glyphs takes spans, in printable characters, apart.
func (s style) glyphs(spans []span) []glyph {
	var all []glyph
	for _, sp := range spans {
		if sp.symbol != nil {
			all = append(all, glyph{symbol: sp.symbol, width: s.symbolWidth() + s.symbolGap()})
			continue
		}
		for _, r := range sp.text {
			all = append(all, glyph{r: r, bold: sp.bold, width: s.width(r, sp.bold)})
		}
	}
	return all
}

// wrap breaks text into lines of the width: at spaces, after hyphens and
// slashes between letters, and where nothing else helps within a word. Every
// line holds a glyph at least, however narrow it is.
func (s style) wrap(spans []span, width float64) []line {
	all := s.glyphs(spans)
	var lines []line
	start, breakAt, used := 0, 0, 0.0
	for i := 0; i < len(all); i++ {
		g := all[i]
		if g.r == '\n' {
			lines = append(lines, s.set(all[start:i]))
			start, breakAt, used = i+1, i+1, 0
			continue
		}
		if used+g.width > width && i > start && g.r != ' ' {
			if breakAt <= start {
				breakAt = i // within the word
			}
			lines = append(lines, s.set(all[start:breakAt]))
			for start = breakAt; start < len(all) && all[start].r == ' '; start++ {
			}
			i, breakAt, used = start-1, start, 0
			continue
		}
		used += g.width
		if breaksAfter(all, i) {
			breakAt = i + 1
		}
	}
	return append(lines, s.set(all[start:]))
}

func breaksAfter(all []glyph, i int) bool {
	switch all[i].r {
	case ' ', zeroSpace:
		return true
	case '-', '/', '\u2013', '\u2014':
		return i > 0 && i+1 < len(all) && unicode.IsLetter(all[i-1].r) && unicode.IsLetter(all[i+1].r)
	default:
		return false
	}
}

// set makes a line of glyphs.
func (s style) set(glyphs []glyph) line {
	for len(glyphs) > 0 && glyphs[len(glyphs)-1].r == ' ' {
		glyphs = glyphs[:len(glyphs)-1]
	}
	l := line{style: s, height: s.lead}
	for len(glyphs) > 0 {
		first := glyphs[0]
		if first.symbol != nil {
			l.runs = append(l.runs, run{x: l.width, symbol: first.symbol})
			l.width += first.width
			glyphs = glyphs[1:]
			continue
		}
		n := slices.IndexFunc(glyphs, func(g glyph) bool { return g.symbol != nil || g.bold != first.bold })
		if n < 0 {
			n = len(glyphs)
		}
		r := run{x: l.width, bold: first.bold}
		var text strings.Builder
		for _, g := range glyphs[:n] {
			if g.r != zeroSpace {
				text.WriteRune(g.r)
			}
			l.width += g.width
		}
		r.text = text.String()
		l.runs = append(l.runs, r)
		glyphs = glyphs[n:]
	}
	return l
}
