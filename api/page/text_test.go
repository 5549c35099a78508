package page

import (
	"math"
	"strings"
	"testing"
	"unicode"

	"pgregory.net/rapid"
)

// TestWidths compares our widths with those that the PDF library reads from the same
// fonts, since it is the latter's that a page is shown by.
func TestWidths(t *testing.T) {
	c := newCanvas(&Document{}, A4)
	for i, weight := range []string{"", "B"} {
		c.pdf.SetFont(fontFamily, weight, 10)
		for r, width := range faces()[i].widths {
			if got := float64(c.pdf.GetStringSymbolWidth(string(r))); math.Abs(got-width) > 0.51 {
				t.Errorf("%s %U: %.1f, the library says %.1f", weight, r, width, got)
			}
		}
	}
	for r := range faces()[0].widths {
		if _, ok := faces()[1].widths[r]; !ok {
			t.Errorf("%U is not in bold", r)
		}
	}
	if err := c.pdf.Error(); err != nil {
		t.Fatal(err)
	}
}

// TestWrap holds that lines keep to their width and that no letter is lost or moved.
func TestWrap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		letters := []rune("aWi-/. \n\u00A0\u200Bé")
		draw := rapid.Map(rapid.SliceOf(rapid.SampledFrom(letters)), func(r []rune) string { return string(r) })
		spans := []span{{text: draw.Draw(t, "first")}, {symbol: beware}, {text: draw.Draw(t, "second"), bold: true}}
		width := rapid.Float64Range(0, 60).Draw(t, "width")
		var out strings.Builder
		for _, l := range bodyStyle.wrap(spans, width) {
			glyphs, symbols := 0, 0
			for _, r := range l.runs {
				glyphs += len([]rune(r.text))
				if r.symbol != nil {
					symbols++
				}
				out.WriteString(r.text)
			}
			if l.width > width+1e-9 && glyphs+symbols > 1 {
				t.Fatalf("a line of %d characters is %.2f mm wide, more than %.2f", glyphs, l.width, width)
			}
		}
		if got, want := bare(out.String()), bare(spans[0].text+spans[2].text); got != want {
			t.Fatalf("%q became %q", want, got)
		}
	})
}

func bare(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) && r != '\u00A0' || r == zeroSpace {
			return -1
		}
		return r
	}, text)
}

func TestWrapWhere(t *testing.T) {
	for _, c := range []struct {
		text  string
		width float64 // in letters x
		want  string
	}{
		{"xx xx xx", 5.1, "xx xx|xx"},
		{"xx  xx", 3.1, "xx|xx"},
		{"xxxxx", 2.1, "xx|xx|x"},
		{"x xxxxx", 2.1, "x|xx|xx|x"},
		{"xx\nxx", 9, "xx|xx"},
		{"xx\n\nxx", 9, "xx||xx"},
		{"xx\n", 9, "xx|"},
		{"", 9, ""},
		{"xxxx-xxxx", 6.1, "xxxx-|xxxx"},
		{"xxx -5 x", 4.6, "xxx|-5 x"},           // a sign stays with its number
		{"xx\u00A0xx xx", 5.1, "xx\u00A0xx|xx"}, // so does a unit
		{"xxx\u200Bxxx", 5.1, "xxx|xxx"},
	} {
		var lines []string
		for _, l := range bodyStyle.wrap([]span{{text: c.text}}, c.width*bodyStyle.width('x', false)) {
			text := ""
			for _, r := range l.runs {
				text += r.text
			}
			lines = append(lines, text)
		}
		if got := strings.Join(lines, "|"); got != c.want {
			t.Errorf("%q: %s, want %s", c.text, got, c.want)
		}
	}
}

// TestMendRefuses shows that a PDF of another make is refused rather than spoilt.
func TestMendRefuses(t *testing.T) {
	var whole strings.Builder
	if err := newCanvas(&Document{Lang: "en"}, A4).pdf.Output(&whole); err != nil {
		t.Fatal(err)
	}
	for name, file := range map[string]string{
		"empty":                    "",
		"no names":                 strings.ReplaceAll(whole.String(), wideRange, "x"),
		"names of one font":        strings.Replace(whole.String(), wideRange, "x", 1),
		"names outside of streams": strings.ReplaceAll(whole.String(), streamLength, "x"),
		"another version":          strings.Replace(whole.String(), "%PDF-1.3", "%PDF-9.9", 1),
		"no table":                 strings.Replace(whole.String(), "startxref", "x", 1),
		"a table beyond the end":   strings.Replace(whole.String(), "startxref\n", "startxref\n9", 1),
		"no entries":               strings.Replace(whole.String(), "xref\n0 ", "xref\nx ", 1),
		"too many entries":         strings.Replace(whole.String(), "xref\n0 ", "xref\n0 9", 1),
	} {
		if _, err := mend([]byte(file)); err == nil {
			t.Errorf("%s: mended", name)
		}
	}
	if _, err := mend([]byte(whole.String())); err != nil {
		t.Error(err)
	}
}
