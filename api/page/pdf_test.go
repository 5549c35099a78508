package page_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode"

	"github.com/ledongthuc/pdf"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"
	"pgregory.net/rapid"

	"drawgear/api/page"
)

type fatal interface {
	Helper()
	Fatal(args ...any)
}

func printed(t fatal, d *page.Document, p page.Paper) []byte {
	t.Helper()
	out, err := d.PDF(p)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// read is a PDF as another's reader has it, with the text of each page.
func read(t fatal, file []byte) (*pdf.Reader, []string) {
	t.Helper()
	r, err := pdf.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	pages := make([]string, r.NumPage())
	for i := range pages {
		if pages[i], err = r.Page(i + 1).GetPlainText(nil); err != nil {
			t.Fatal(err)
		}
	}
	return r, pages
}

// squeezed is text without white space: where lines end is up to the layout.
func squeezed(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return -1
		}
		return r
	}, text)
}

func TestPDFSays(t *testing.T) {
	for _, p := range page.Papers {
		_, pages := read(t, printed(t, sample(), p))
		all := squeezed(strings.Join(pages, ""))
		for _, want := range said {
			if !strings.Contains(all, squeezed(want)) {
				t.Errorf("%s: the PDF does not say %q", p, want)
			}
		}
		if i, k := strings.Index(all, squeezed(sample().Cautions[0])), strings.Index(all, "Findings"); i < 0 || i > k {
			t.Errorf("%s: the cautions do not come first", p)
		}
	}
}

// TestPDFSheets compares the size of the pages with that of the paper: A4 as in
// ISO 216, Letter 8.5 in by 11 in.
func TestPDFSheets(t *testing.T) {
	for p, size := range map[page.Paper][2]float64{page.A4: {210, 297}, page.Letter: {215.9, 279.4}} {
		d := sample()
		for range 5 {
			d.Sections = append(d.Sections, sample().Sections...)
		}
		r, pages := read(t, printed(t, d, p))
		if len(pages) < 6 {
			t.Fatalf("%s: %d pages", p, len(pages))
		}
		for i, text := range pages {
			box := r.Page(i + 1).V.Key("MediaBox")
			if box.IsNull() {
				box = r.Page(i + 1).V.Key("Parent").Key("MediaBox")
			}
			for k, want := range []float64{0, 0, size[0], size[1]} {
				if got := box.Index(k).Float64() * 25.4 / 72; math.Abs(got-want) > 0.01 {
					t.Errorf("%s, page %d: corner %d of the page is at %.2f mm, want %.2f", p, i+1, k, got, want)
				}
			}
			for _, want := range []string{fmt.Sprintf("Page %d of %d", i+1, len(pages)), d.ID, d.Hash} {
				if !strings.Contains(text, want) {
					t.Errorf("%s: page %d does not say %q", p, i+1, want)
				}
			}
		}
	}
}

func TestPDFAboutItself(t *testing.T) {
	d := sample()
	d.Title = "Übergabe \U0001F40E 漢"
	r, _ := read(t, printed(t, d, page.A4))
	info, root := r.Trailer().Key("Info"), r.Trailer().Key("Root")
	if got := info.Key("Title").Text(); got != d.Title {
		t.Errorf("the title is %q", got)
	}
	if got := root.Key("Lang").Text(); got != "en-AU" {
		t.Errorf("the language is %q", got)
	}
	if !root.Key("ViewerPreferences").Key("DisplayDocTitle").Bool() {
		t.Error("a window shows the name of the file")
	}
	if got := info.Key("CreationDate").Text(); got != "D:20261124223000" { // 09:30 at UTC+11
		t.Errorf("made at %q", got)
	}
	var headings []string
	for _, o := range r.Outline().Child {
		headings = append(headings, o.Title)
	}
	if got := strings.Join(headings, "|"); got != "Cautions|Findings|Where the loads act|Work, step by step|Proof|Sources" {
		t.Errorf("the outline is %s", got)
	}
}

func TestEqualBytes(t *testing.T) {
	later := sample()
	later.Created = later.Created.In(time.UTC)
	forms := map[string]func(*page.Document) ([]byte, error){
		"HTML": func(d *page.Document) ([]byte, error) { return d.HTML(page.A4) },
		"PDF":  func(d *page.Document) ([]byte, error) { return d.PDF(page.A4) },
	}
	for name, form := range forms {
		t.Run(name, func(t *testing.T) {
			want, err := form(sample())
			if err != nil {
				t.Fatal(err)
			}
			var wg sync.WaitGroup
			for range 8 { // side by side, as a server does it
				wg.Go(func() {
					if got, err := form(sample()); err != nil || !bytes.Equal(got, want) {
						t.Errorf("%v, the bytes differ", err)
					}
				})
			}
			wg.Wait()
			if got, err := form(later); err != nil || !bytes.Equal(got, want) {
				t.Errorf("%v, the bytes differ in another zone", err)
			}
		})
	}
}

// table is a document of one table with three columns.
func table(rows [][]page.Cell) *page.Document {
	d := sample()
	d.Sections = []page.Section{{Heading: "Rows", Blocks: []page.Block{page.Table{
		Caption: "Many rows", RowHead: true,
		Columns: []page.Column{{Head: "Number"}, {Head: "Words", Width: 3}, {Head: "Standing"}},
		Rows:    rows,
	}}}}
	return d
}

func rowsOf(n int) [][]page.Cell {
	rows := make([][]page.Cell, n)
	for i := range rows {
		rows[i] = []page.Cell{{Text: fmt.Sprintf("no-%d.", i)}, {Text: "words enough for the line to be broken once or so on this paper"}, {Status: page.Status{Kind: page.Met}}}
	}
	return rows
}

func TestHeaderOnEveryPage(t *testing.T) {
	rows := rowsOf(120)
	_, pages := read(t, printed(t, table(rows), page.A4))
	if len(pages) < 3 {
		t.Fatalf("%d pages", len(pages))
	}
	for i, text := range pages {
		if !strings.Contains(text, "Number") || !strings.Contains(text, "Standing") {
			t.Errorf("page %d has no header", i+1)
		}
	}
	all := strings.Join(pages, "")
	for _, row := range rows {
		if n := strings.Count(all, row[0].Text); n != 1 {
			t.Errorf("row %s stands %d times", row[0].Text, n)
		}
	}
}

// TestTallRow splits a row over pages: all of it is there, in order, and each
// page says that it goes on.
func TestTallRow(t *testing.T) {
	rows := rowsOf(4)
	var words []string
	for i := range 3000 {
		words = append(words, fmt.Sprintf("w%04d", i))
	}
	rows[1][1].Text = strings.Join(words, " ")
	_, pages := read(t, printed(t, table(rows), page.Letter))
	if len(pages) < 4 {
		t.Fatalf("%d pages", len(pages))
	}
	for i, text := range pages {
		if i > 0 && !strings.Contains(text, "(continued)") {
			t.Errorf("page %d does not say that the row goes on", i+1)
		}
	}
	at := 0
	all := strings.Join(pages, "")
	for _, w := range append(words, "no-2.", "no-3.") {
		next := strings.Index(all[at:], w)
		if next < 0 {
			t.Fatalf("%s is lost or out of order", w)
		}
		at += next
	}
}

// TestNarrowAndLong tries what has no natural place to break.
func TestNarrowAndLong(t *testing.T) {
	long := strings.Repeat("0123456789abcdef", 64)
	d := sample()
	columns := make([]page.Column, page.MaxColumns)
	cells := make([]page.Cell, page.MaxColumns)
	for i := range columns {
		columns[i] = page.Column{Head: "Header", Width: []float64{1e-9, 1, 1e9}[i%3]}
		cells[i] = page.Cell{Text: "cell"}
	}
	cells[1].Text = strings.Repeat("W", 300)
	d.Title, d.ID, d.Hash = long, strings.Repeat("W", page.MaxID), strings.Repeat("W", page.MaxHash)
	d.Sections = []page.Section{{Heading: strings.Repeat(long, 8), Blocks: []page.Block{
		page.Paragraph(long),
		page.Table{Caption: long, Columns: columns, Rows: [][]page.Cell{cells, cells}},
		page.Callout{Kind: page.Danger, Text: []string{strings.Repeat(long, 8)}},
		page.Steps{Items: []page.Step{{Do: "one", Reason: strings.Repeat(long, 8)}}},
		page.Checks{{Text: strings.Repeat(long, 8)}},
		page.Signatures{{Role: long, Name: strings.Repeat(long, 4)}},
		page.Pairs{{Name: long, Value: long}},
	}}}
	for _, p := range page.Papers {
		_, pages := read(t, printed(t, d, p))
		if n := strings.Count(squeezed(strings.Join(pages, "")), long); n < 20 {
			t.Errorf("%s: the long word is there only %d times", p, n)
		}
	}
}

func TestTenThousandRows(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	d := table(rowsOf(10_000))
	out, err := d.HTML(page.A4)
	if err != nil || !bytes.Contains(out, []byte("no-9999.")) {
		t.Errorf("HTML: %v", err)
	}
	file := printed(t, d, page.A4)
	r, err := pdf.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	last, err := r.Page(r.NumPage()).GetPlainText(nil)
	if err != nil || !strings.Contains(last, "no-9999.") {
		t.Errorf("the last of %d pages: %v", r.NumPage(), err)
	}
}

// letters are what the font can print, as another reader of it says.
func letters(t *testing.T) []rune {
	t.Helper()
	font, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		t.Fatal(err)
	}
	var buf sfnt.Buffer
	var all []rune
	for r := '!'; r <= '\uFFFD'; r++ {
		if glyph, err := font.GlyphIndex(&buf, r); err == nil && glyph != 0 && unicode.IsGraphic(r) && !unicode.IsSpace(r) {
			all = append(all, r)
		}
	}
	return all
}

// TestTextComesBack writes any letters of the font and reads them again.
func TestTextComesBack(t *testing.T) {
	all := letters(t)
	if len(all) < 600 {
		t.Fatalf("the font has %d letters", len(all))
	}
	rapid.Check(t, func(t *rapid.T) {
		words := string(rapid.SliceOfN(rapid.SampledFrom(all), 1, 400).Draw(t, "letters"))
		d := sample()
		d.Sections = []page.Section{{Heading: "Text", Blocks: []page.Block{page.Paragraph("begin " + words + " end.")}}}
		_, pages := read(t, printed(t, d, page.A4))
		want := norm.NFC.String("begin" + words + "end.") // some letters have two numbers in Unicode
		// The mark of a soft hyphen is no letter.
		want = strings.ReplaceAll(want, "\u00AD", "")
		if got := squeezed(strings.Join(pages, "")); !strings.Contains(got, want) {
			t.Fatalf("wrote %q, read %q", want, got)
		}
	})
}

// TestUnprintable shows that nothing gets lost in silence.
func TestUnprintable(t *testing.T) {
	for in, want := range map[string]string{
		"漢":              "[U+6F22]",
		"\U0001F40E":     "[U+1F40E]",
		"e\u0301":        "é",              // put together
		"2\u202F000":     "2\u00A0000",     // a narrow space
		"a\u2011b":       "a-b",            // a hyphen that does not break
		"soft\u00ADen":   "soften",         //
		"x\u202Ey\u202C": "x\uFFFDy\uFFFD", // turns text around
		"bad\xff":        "bad\uFFFD",      // no UTF-8
		"bell\a":         "bell\uFFFD",     // control
		"ل":              "[U+0644]",       // no such letter in the font
		"\u2713 ok":      "[U+2713] ok",    //
		"tab\tbed":       "tab bed",        //
		"woman\u200Dman": "womanman",       // a joiner has no shape
	} {
		d := sample()
		d.Sections = []page.Section{{Heading: "Text", Blocks: []page.Block{page.Paragraph("(" + in + ")")}}}
		_, pages := read(t, printed(t, d, page.A4))
		got := strings.Join(pages, "")
		if !strings.Contains(got, "("+want+")") {
			t.Errorf("%q: want %q in %q", in, want, got)
		}
		if lossy := strings.Contains(want, "[U+"); lossy != strings.Contains(got, "Characters that the print font lacks") {
			t.Errorf("%q: the note stands there: %v", in, !lossy)
		}
	}
}

func BenchmarkPDF(b *testing.B)  { benchmark(b, (*page.Document).PDF) }
func BenchmarkHTML(b *testing.B) { benchmark(b, (*page.Document).HTML) }

func benchmark(b *testing.B, form func(*page.Document, page.Paper) ([]byte, error)) {
	for name, d := range map[string]*page.Document{"record": sample(), "10000rows": table(rowsOf(10_000))} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := form(d, page.A4); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
