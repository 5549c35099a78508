package page_test

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"drawgear/api/figure"
	"drawgear/api/page"
)

// TestRefusals tries what no document may be; each refusal names the place.
func TestRefusals(t *testing.T) {
	blocks := func(b ...page.Block) func(*page.Document) {
		return func(d *page.Document) {
			d.Sections[1].Sections = []page.Section{{Heading: "Within", Blocks: append([]page.Block{page.Paragraph("x")}, b...)}}
		}
	}
	column := []page.Column{{Head: "One"}}
	deep := page.Section{Heading: "deep"}
	for range page.MaxLevels {
		deep = page.Section{Heading: "deep", Sections: []page.Section{deep}}
	}
	partial := page.English
	partial.Danger = " "
	drawing := loads()
	drawing.Desc = ""
	for name, c := range map[string]struct {
		spoil func(*page.Document)
		says  string
	}{
		"no language":             {func(d *page.Document) { d.Lang = "" }, "language"},
		"a language with a quote": {func(d *page.Document) { d.Lang = `en" x="` }, "language"},
		"no title":                {func(d *page.Document) { d.Title = " \n" }, "title"},
		"no id":                   {func(d *page.Document) { d.ID = "" }, "id"},
		"a long id":               {func(d *page.Document) { d.ID = strings.Repeat("e", page.MaxID+1) }, "id"},
		"an id of two lines":      {func(d *page.Document) { d.ID = "a\nb" }, "id"},
		"a hash beyond ASCII":     {func(d *page.Document) { d.Hash = "é" }, "hash"},
		"no hash":                 {func(d *page.Document) { d.Hash = "" }, "hash"},
		"a long hash":             {func(d *page.Document) { d.Hash = strings.Repeat("0", page.MaxHash+1) }, "hash"},
		"no day":                  {func(d *page.Document) { d.Created = time.Time{} }, "when"},
		"words that lack one":     {func(d *page.Document) { d.Words = &partial }, "Danger"},
		"a fact without value":    {func(d *page.Document) { d.Facts = []page.Pair{{Name: "Trailer"}} }, "facts: pair 1"},
		"an empty caution":        {func(d *page.Document) { d.Cautions = []string{"x", ""} }, "cautions: item 2"},
		"no heading":              {func(d *page.Document) { d.Sections[2].Heading = "" }, "section 3"},
		"too deep":                {func(d *page.Document) { d.Sections = []page.Section{deep} }, "5 deep"},
		"no block":                {blocks(nil), "section 2.1, block 2"},
		"an empty list":           {blocks(page.List{}), "section 2.1, block 2: it holds nothing"},
		"no steps":                {blocks(page.Steps{}), "block 2"},
		"an empty paragraph":      {blocks(page.Paragraph("")), "block 2: a paragraph"},
		"a step without work":     {blocks(page.Steps{Items: []page.Step{{Hazard: "x"}}}), "step 1"},
		"steps from below":        {blocks(page.Steps{First: -1, Items: []page.Step{{Do: "x"}}}), "from 1"},
		"a table without caption": {blocks(page.Table{Columns: column}), "caption"},
		"no columns":              {blocks(page.Table{Caption: "x"}), "columns"},
		"too many columns":        {blocks(page.Table{Caption: "x", Columns: make([]page.Column, page.MaxColumns+1)}), "columns"},
		"a column without head":   {blocks(page.Table{Caption: "x", Columns: []page.Column{{}}}), "column 1"},
		"a width that is none":    {blocks(page.Table{Caption: "x", Columns: []page.Column{{Head: "x", Width: math.NaN()}}}), "column 1"},
		"a width below nothing":   {blocks(page.Table{Caption: "x", Columns: []page.Column{{Head: "x", Width: -1}}}), "column 1"},
		"a width beyond all":      {blocks(page.Table{Caption: "x", Columns: []page.Column{{Head: "x", Width: math.Inf(1)}}}), "column 1"},
		"a short row":             {blocks(page.Table{Caption: "x", Columns: column, Rows: [][]page.Cell{{{}}, {}}}), "row 2"},
		"a status that is none":   {blocks(page.Table{Caption: "x", Columns: column, Rows: [][]page.Cell{{{Status: page.Status{Kind: 99}}}}}), "row 1, column 1"},
		"a word without status":   {blocks(page.Pairs{{Name: "x", Value: "y", Status: page.Status{Word: "fine"}}}), "pair 1"},
		"a check without text":    {blocks(page.Checks{{}}), "check 1"},
		"a mark that is none":     {blocks(page.Checks{{Text: "x", Mark: 99}}), "check 1"},
		"a callout without text":  {blocks(page.Callout{}), "callout"},
		"a kind that is none":     {blocks(page.Callout{Kind: 99, Text: []string{"x"}}), "callout"},
		"a signature of nobody":   {blocks(page.Signatures{{}}), "signature 1"},
		"a drawing without words": {blocks(page.Picture{Figure: drawing}), "description"},
		"a source not verified":   {blocks(page.Sources{{Title: "x"}}), "source 1"},
	} {
		t.Run(name, func(t *testing.T) {
			d := sample()
			c.spoil(d)
			if _, err := d.HTML(page.A4); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("HTML: %v", err)
			}
			if _, err := d.PDF(page.A4); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("PDF: %v", err)
			}
		})
	}
	if _, err := sample().PDF(99); err == nil {
		t.Error("there is a paper 99")
	}
	if _, err := sample().HTML(99); err == nil {
		t.Error("there is a paper 99")
	}
}

// TestTooManyPages refuses a text that would take paper without end.
func TestTooManyPages(t *testing.T) {
	d := sample()
	d.Sections = []page.Section{{Heading: "Long", Blocks: []page.Block{page.Paragraph("a" + strings.Repeat("\n", 60*page.MaxPages) + "b")}}}
	if _, err := d.PDF(page.A4); err == nil || !strings.Contains(err.Error(), "pages") {
		t.Errorf("%v", err)
	}
}

func TestParsePaper(t *testing.T) {
	for name, want := range map[string]page.Paper{"A4": page.A4, "a4": page.A4, "letter": page.Letter, "Letter": page.Letter} {
		if got, err := page.ParsePaper(name); err != nil || got != want {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	for _, name := range []string{"", "A5", "legal"} {
		if _, err := page.ParsePaper(name); err == nil {
			t.Errorf("%q is a paper", name)
		}
	}
}

// TestOwnWords shows that nothing English is left where a document brings its words.
func TestOwnWords(t *testing.T) {
	w := page.Words{
		Page: "Seite", Of: "von", Document: "Dokument", Hash: "Prüfsumme", Cautions: "Vorsicht", NoCaution: "Keine vermerkt.",
		NoRows: "Kein Eintrag.", Continued: "(weiter)", Reason: "Grund", Hazard: "Gefahr", Measure: "Maßnahme", Record: "Eintragen",
		Name: "Name", Signature: "Unterschrift", Date: "Datum", ToFillIn: "auszufüllen", Verified: "Geprüft",
		Met: "erfüllt", NotMet: "nicht erfüllt", Unknown: "unbekannt", NotApplicable: "entfällt",
		Open: "zu prüfen", Done: "erledigt", Failed: "durchgefallen", Note: "Hinweis", Caution: "VORSICHT", Warning: "WARNUNG", Danger: "GEFAHR",
		Unprintable: "Fehlende Zeichen stehen als [U+Nummer].",
	}
	d := sample()
	d.Lang, d.Words = "de-CH", &w
	out, err := d.HTML(page.A4)
	if err != nil {
		t.Fatal(err)
	}
	_, pages := read(t, printed(t, d, page.A4))
	for form, text := range map[string]string{"HTML": string(out), "PDF": strings.Join(pages, "\n")} {
		for _, want := range []string{"nicht erfüllt", "entfällt", "GEFAHR", "Unterschrift", "Maßnahme", "erledigt", "Geprüft"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s lacks %q", form, want)
			}
		}
		for _, english := range []string{"not met", "not applicable", "Signature", "Measure", "Verified"} {
			if strings.Contains(text, english) {
				t.Errorf("%s says %q", form, english)
			}
		}
	}
	if !strings.Contains(pages[0], "Seite 1 von 2") {
		t.Error("the pages are not counted in its words")
	}
}

// everywhere is a document with one text in every place.
func everywhere(text string) *page.Document {
	status := page.Status{Kind: page.Unknown, Word: text}
	drawing := figure.Figure{
		Title: text, Desc: text, Width: 60, Height: 20,
		Shapes: []figure.Shape{figure.Text{At: figure.Point{X: 30, Y: 10}, Size: 4, Anchor: figure.Middle, Words: strings.ToValidUTF8(text, "\uFFFD")}},
	}
	return &page.Document{
		Lang: "en", Title: text, Subtitle: text, ID: "an id", Hash: "a hash", Created: time.Unix(0, 0),
		Facts:    []page.Pair{{Name: text, Value: text, Status: status}},
		Cautions: []string{text, text},
		Sections: []page.Section{{
			Heading: text,
			Blocks: []page.Block{
				page.Paragraph(text),
				page.List{text},
				page.Pairs{{Name: text, Value: text, Status: status}},
				page.Table{
					Caption: text, RowHead: true, Columns: []page.Column{{Head: text}, {Head: text, Number: true, Width: 0.2}},
					Rows: [][]page.Cell{{{Text: text}, {Text: text, Status: status}}},
				},
				page.Steps{Items: []page.Step{{Do: text, Reason: text, Hazard: text, Measure: text, Record: text}}},
				page.Checks{{Text: text}},
				page.Callout{Kind: page.Warning, Text: []string{text}},
				page.Signatures{{Role: text, Name: text, Mark: text, Date: text}},
				page.Picture{Figure: drawing, Caption: text},
				page.Sources{{Key: text, Title: text, Publisher: text, Edition: text, Clause: text, URL: "https://law.example/", Checked: text}},
			},
			Sections: []page.Section{{Heading: text}},
		}},
	}
}

// shape is the elements of a page with the names of their attributes, without any text.
func shape(t fatal, out []byte) string {
	t.Helper()
	root, err := html.Parse(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for n := range root.Descendants() {
		if n.Type == html.TextNode {
			continue
		}
		b.WriteString("<" + n.Data)
		for _, a := range n.Attr {
			b.WriteString(" " + a.Key)
		}
	}
	return b.String()
}

// FuzzText puts any text everywhere: every form can be written, and the
// page has the same elements whatever the text is.
func FuzzText(f *testing.F) {
	for _, seed := range []string{
		"plain", `<script>alert("1")</script>`, `"><svg onload=x>`, "</title></style></textarea>", "{{.}}", "]]>", "&#x202e; &lt;",
		"\x00\x01\x7f\u0085\u2028", "\u202Eevil\u202C", "bad \xff\xfe utf-8 \xed\xa0\x80", "漢字 العربية 🐴\u200D🏽 e\u0301\u0301\u0301",
		"\u200B", "-", " \t\n ", "a\nb\r\nc\rd", "\\(\\) %% << >>", strings.Repeat("W", 700), strings.Repeat("é \u00AD", 200), strings.Repeat("\n", 100), "\uFFFE\uFFFF\uF800",
	} {
		f.Add(seed)
	}
	plain, err := everywhere("x").HTML(page.A4)
	if err != nil {
		f.Fatal(err)
	}
	want := shape(f, plain)
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 2_000 {
			t.Skip("long enough")
		}
		d := everywhere(text)
		out, err := d.HTML(page.A4)
		if strings.TrimSpace(text) == "" {
			if err == nil {
				t.Error("a document without words is taken")
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if got := shape(t, out); got != want {
			t.Errorf("the text changes the page:\n%s\nwant\n%s", got, want)
		}
		if bytes.ContainsAny(out, "\u202E\u202D\u2066\u2067\u2068\x00\r") {
			t.Error("what turns or hides text is on the page")
		}
		for _, p := range page.Papers {
			if _, pages := read(t, printed(t, d, p)); !strings.Contains(pages[0], "Page 1 of ") {
				t.Errorf("the first page says %q", pages[0])
			}
		}
	})
}
