package api

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/ledongthuc/pdf"
	"golang.org/x/net/html"
	"pgregory.net/rapid"

	"drawgear/api/page"
	"drawgear/rules"
	"drawgear/service"
)

const auditID = "01K0TARNVA11EYF1EETAUD1TX7"

func auditDay(hour int) time.Time { return time.Date(2026, 11, 25, hour, 30, 0, 0, time.UTC) }

func outcomesOf(comply, fail, undetermined, refused int64) map[service.Outcome]int64 {
	return map[service.Outcome]int64{rules.Compliant: comply, rules.NonCompliant: fail, rules.Undetermined: undetermined, service.OutcomeRefused: refused}
}

// doneSummary is of a finished audit of the Tarn Valley fleet, a table of 12,345 rigs.
func doneSummary() service.AuditSummary {
	return service.AuditSummary{
		Audit: service.Audit{
			ID: auditID, CreatedAt: auditDay(6), CreatedBy: "key of Tarn Valley", State: service.AuditDone, Rows: 12345, RowsDone: 12345,
			StartedAt: auditDay(7), EndedAt: auditDay(8),
			Ask: service.AuditAsk{
				Name: "Spring round of the Tarn Valley fleet", Jurisdiction: "AU-NSW", AsOf: "2026-11-20",
				Source: service.AuditSource{
					Kind: service.AuditCSV, Place: "AU-NSW", Decimal: ".",
					Columns: []service.AuditColumn{
						{Column: 1, Name: "Rig", Path: "id"},
						{Column: 2, Name: "ATM (kg)", Path: "trailer.rated.total", Unit: "kg"},
						{Column: 3, Name: "Colour of the drawbar"},
					},
				},
				Law: service.AuditLaw{KnownAt: auditDay(6)},
			},
		},
		Outcomes: outcomesOf(7011, 3208, 2115, 11),
		Failing: []service.AuditCount{
			{Key: "au.brakes.over-2t/service_brakes.wheels", Title: "Over 2 t GTM every wheel is braked.", Level: "law", Rows: 2107},
			{Key: "au.coupling.rated/part_rating", Title: "The coupling is rated for the ATM.", Level: "law", Rows: 1402},
			{Key: "house.tarn.chains/safety_chains.count", Title: "Two chains, always.", Level: "rating", Rows: 409},
		},
		Missing: []service.AuditCount{
			{Key: "/trailer/brakes", Title: "the brakes of the trailer", Rows: 1611},
			{Key: "/trailer/rated/axles", Rows: 507},
		},
		Parts: []service.AuditPartCount{
			{Role: "coupling", Rows: 1402, Strongest: "3500 kg", Offered: 1301, Cost: []service.AuditCost{{Currency: "AUD", Amount: "118391.50"}}},
			{Role: "safety_chain", Rows: 409, Offered: 0},
		},
		Cost:     []service.AuditCost{{Currency: "AUD", Amount: "118391.50"}, {Currency: "NZD", Amount: "77.25"}},
		Places:   []service.AuditPlace{{Jurisdiction: "AU-NSW", Outcomes: outcomesOf(7011, 3008, 2004, 0)}, {Jurisdiction: "AU-VIC", Outcomes: outcomesOf(0, 200, 111, 11)}},
		Cautions: []string{"Rows were taken as they were told."},
	}
}

func runningSummary() service.AuditSummary {
	s := doneSummary()
	s.Audit.State, s.Audit.EndedAt, s.Audit.Rows = service.AuditRunning, time.Time{}, 20000
	s.Parts, s.Cost = nil, nil
	return s
}

func pairsSummary() service.AuditSummary {
	s := doneSummary()
	commercial := true
	s.Audit.Rows, s.Audit.RowsDone = 6, 6
	s.Audit.Ask.Name = "What may go with what at Saltmarsh Yard"
	s.Audit.Ask.Commercial = &commercial
	s.Audit.Ask.Source = service.AuditSource{Kind: service.AuditAllPairs, Yard: "Saltmarsh Yard", Vehicles: []string{"ute-1", "ute-2"}}
	s.Outcomes = outcomesOf(2, 1, 3, 0)
	s.Failing, s.Missing, s.Parts, s.Cost = s.Failing[:1], s.Missing[:1], nil, nil
	s.Failing[0].Rows, s.Missing[0].Rows = 1, 3
	s.Places = []service.AuditPlace{{Jurisdiction: "AU-NSW", Outcomes: s.Outcomes}}
	s.Vehicles = []service.AuditSide{
		{ID: "ute-1", Outcomes: outcomesOf(2, 0, 1, 0)},
		{ID: "ute-2", Outcomes: outcomesOf(0, 1, 1, 1), Why: []service.AuditCount{s.Failing[0]}},
	}
	s.Trailers = []service.AuditSide{
		{ID: "float-3", Outcomes: outcomesOf(1, 1, 0, 0), Why: []service.AuditCount{s.Failing[0]}},
		{ID: "boat-7", Outcomes: outcomesOf(1, 0, 1, 0)},
		{ID: "mower-9", Outcomes: outcomesOf(0, 0, 2, 0)},
	}
	return s
}

func againstSummary() service.AuditSummary {
	s := doneSummary()
	s.Audit.Ask.Law.Draft = &service.DraftLaw{Ruleset: "house-tarn-valley", Version: 4, SHA256: strings.Repeat("ab", 32)}
	s.Audit.Ask.Against = &service.AuditLaw{KnownAt: auditDay(5), AsOf: "2025-07-01"}
	s.Moves = []service.AuditMove{
		{From: rules.Compliant, To: rules.NonCompliant, Rows: 613},
		{From: rules.NonCompliant, To: rules.NonCompliant, Rows: 218},
		{From: rules.Compliant, To: rules.Undetermined, Rows: 47},
		{From: rules.Undetermined, To: rules.Compliant, Rows: 5},
	}
	return s
}

func emptySummary() service.AuditSummary {
	return service.AuditSummary{
		Audit: service.Audit{
			ID: auditID, CreatedAt: auditDay(6), State: service.AuditDone, StartedAt: auditDay(6), EndedAt: auditDay(6),
			Ask: service.AuditAsk{AsOf: "2026-11-25", EveryDay: true, Source: service.AuditSource{Kind: service.AuditAssessments, Months: 12}, Law: service.AuditLaw{KnownAt: auditDay(6)}},
		},
		Outcomes: outcomesOf(0, 0, 0, 0),
	}
}

// hostileTexts are what tenants may call things.
var hostileTexts = []string{
	`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, "</title></style><svg onload=x>", "]]>&lt;&amp;",
	"\u202Egnp.exe\u202C \u2066hidden\u2069", strings.Repeat("W", 3000), "\U0001F40E\U0001F69C\u200D\U0001F525", "a\x00b\xffc\x1b[2J", "{{.Audit}} %s %d", "مقطورة", "拖车",
}

func hostileSummary() service.AuditSummary {
	s := pairsSummary()
	next := 0
	text := func() string {
		next++
		return hostileTexts[next%len(hostileTexts)]
	}
	all := strings.Join(hostileTexts, " ")
	a := &s.Audit
	a.Ask.Name, a.Note, a.CreatedBy, a.State = all, all, all, service.AuditFailed
	a.Ask.Source.Yard, a.Ask.Source.Vehicles, a.Ask.Source.Trailers = all, hostileTexts, hostileTexts
	a.Ask.Against = &service.AuditLaw{Draft: &service.DraftLaw{Ruleset: text(), SHA256: text()}}
	s.Failing, s.Missing, s.Parts, s.Vehicles, s.Trailers, s.Cost = nil, nil, nil, nil, nil, nil
	for i, x := range hostileTexts {
		n := int64(1000 + i)
		count := service.AuditCount{Key: x, Title: text(), Level: text(), Rows: n}
		s.Failing, s.Missing = append(s.Failing, count), append(s.Missing, count)
		s.Cost = append(s.Cost, service.AuditCost{Currency: x, Amount: text()})
		s.Parts = append(s.Parts, service.AuditPartCount{Role: x, Rows: n, Strongest: text(), Cost: s.Cost})
		side := service.AuditSide{ID: x, Outcomes: outcomesOf(n, 2, 3, 4), Why: []service.AuditCount{count}}
		s.Vehicles, s.Trailers = append(s.Vehicles, side), append(s.Trailers, side)
		a.Ask.Source.Columns = append(a.Ask.Source.Columns, service.AuditColumn{Column: i + 1, Name: x, Unit: text()})
		s.Cautions = append(s.Cautions, x)
	}
	return s
}

func auditSummaries() map[string]service.AuditSummary {
	return map[string]service.AuditSummary{
		"done": doneSummary(), "running": runningSummary(), "all pairs": pairsSummary(), "against": againstSummary(), "empty": emptySummary(), "hostile": hostileSummary(),
	}
}

type failer interface {
	Helper()
	Fatalf(format string, args ...any)
}

func auditDoc(t failer, s service.AuditSummary) *page.Document {
	t.Helper()
	doc, err := auditPage(s)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return doc
}

// sheet is a page as a browser has it.
type sheet struct {
	nodes  []*html.Node
	tables map[string][][]string // rows of fields by caption, squeezed
	order  []string              // headings
	text   string                // all of it, squeezed
}

func readSheet(t failer, doc *page.Document) sheet {
	t.Helper()
	out, err := doc.HTML(page.A4)
	if err != nil {
		t.Fatalf("%v", err)
	}
	root, err := html.Parse(bytes.NewReader(out))
	if err != nil {
		t.Fatalf("%v", err)
	}
	d := sheet{tables: map[string][][]string{}, text: squeeze(textOf(root))}
	caption := ""
	for n := range root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		d.nodes = append(d.nodes, n)
		switch {
		case n.Data == "caption":
			caption = textOf(n)
			if _, twice := d.tables[caption]; twice {
				t.Fatalf("two tables are %q", caption)
			}
			d.tables[caption] = nil
		case n.Data == "tr" && n.Parent.Data == "tbody":
			var row []string
			for c := range n.ChildNodes() {
				if c.Type == html.ElementNode {
					row = append(row, squeeze(textOf(c)))
				}
			}
			d.tables[caption] = append(d.tables[caption], row)
		case len(n.Data) == 2 && n.Data[0] == 'h' && n.Data != "hr":
			d.order = append(d.order, n.Data+" "+textOf(n))
		}
	}
	return d
}

// textOf is the text of an element without symbols, which repeat the word beside them.
func textOf(n *html.Node) string {
	var out strings.Builder
	for c := range n.ChildNodes() {
		switch {
		case c.Type == html.TextNode:
			out.WriteString(c.Data)
		case c.Data == "svg" && attrOf(c, "aria-hidden") == "true", c.Data == "style":
		default:
			out.WriteString(textOf(c))
		}
	}
	return out.String()
}

func attrOf(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

// squeeze is text without white space.
func squeeze(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return -1
		}
		return r
	}, text)
}

func (d sheet) says(t *testing.T, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(d.text, squeeze(text)) {
			t.Errorf("it does not say %q", text)
		}
	}
}

func (d sheet) silent(t *testing.T, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if strings.Contains(d.text, squeeze(text)) {
			t.Errorf("it says %q", text)
		}
	}
}

// row wants a row in a table.
func (d sheet) row(t *testing.T, caption string, fields ...string) {
	t.Helper()
	want := make([]string, len(fields))
	for i, f := range fields {
		want[i] = squeeze(f)
	}
	for _, got := range d.tables[caption] {
		if slices.Equal(got, want) {
			return
		}
	}
	t.Errorf("%q has no row %q but %q", caption, want, d.tables[caption])
}

// alt is the description of a picture.
func (d sheet) alt(title string) (desc string, svg *html.Node) {
	for _, n := range d.nodes {
		if n.Data == "svg" && attrOf(n, "role") == "img" {
			for c := range n.ChildNodes() {
				if c.Data == "title" && textOf(c) == title {
					svg = n
				}
				if c.Data == "desc" && svg == n {
					return textOf(c), svg
				}
			}
		}
	}
	return "", nil
}

// barLengths are the widths of the outlines in a chart, in their order.
func barLengths(t *testing.T, svg *html.Node) (out []float64) {
	t.Helper()
	for n := range svg.Descendants() {
		if n.Data != "polygon" || attrOf(n, "stroke") == "" {
			continue
		}
		left, right := math.Inf(1), math.Inf(-1)
		for _, p := range strings.Fields(attrOf(n, "points")) {
			x, err := strconv.ParseFloat(p[:strings.Index(p, ",")], 64)
			if err != nil {
				t.Fatal(err)
			}
			left, right = min(left, x), max(right, x)
		}
		out = append(out, right-left)
	}
	return out
}

// inProportion holds lengths to counts; SVG has thousandths of a millimetre.
func inProportion(t *testing.T, lengths []float64, counts ...int64) {
	t.Helper()
	counts = slices.DeleteFunc(counts, func(n int64) bool { return n == 0 })
	if len(lengths) != len(counts) || len(counts) == 0 {
		t.Fatalf("%d bars for %d counts", len(lengths), len(counts))
	}
	for i := range lengths {
		for k := range lengths {
			if math.Abs(lengths[i]*float64(counts[k])-lengths[k]*float64(counts[i])) > 0.0011*float64(counts[i]+counts[k]) {
				t.Errorf("bars of %d and %d are %g and %g mm long", counts[i], counts[k], lengths[i], lengths[k])
			}
		}
	}
}

func auditPDF(t failer, doc *page.Document, p page.Paper) string {
	t.Helper()
	out, err := doc.PDF(p)
	if err != nil {
		t.Fatalf("%v", err)
	}
	r, err := pdf.NewReader(bytes.NewReader(out), int64(len(out)))
	if err != nil {
		t.Fatalf("%v", err)
	}
	var text strings.Builder
	for i := range r.NumPage() {
		one, err := r.Page(i + 1).GetPlainText(nil)
		if err != nil {
			t.Fatalf("%v", err)
		}
		text.WriteString(one)
	}
	return squeeze(text.String())
}

// TestAuditPageStructure holds every page to what those need who hear it.
func TestAuditPageStructure(t *testing.T) {
	for name, s := range auditSummaries() {
		t.Run(name, func(t *testing.T) {
			doc := auditDoc(t, s)
			d := readSheet(t, doc)
			level, ids := byte('0'), map[string]bool{}
			for _, h := range d.order {
				if h[1] > level+1 || strings.TrimSpace(h[2:]) == "" {
					t.Errorf("the heading %q follows one of level %c", h, level)
				}
				level = h[1]
			}
			for _, n := range d.nodes {
				id := attrOf(n, "id")
				if ids[id] && id != "" {
					t.Errorf("two elements have the id %s", id)
				}
				ids[id] = true
				switch n.Data {
				case "html":
					if got := attrOf(n, "lang"); got != "en" {
						t.Errorf("the language is %q", got)
					}
				case "script", "img", "iframe", "a", "form", "object", "link":
					t.Errorf("there is an element %s", n.Data)
				}
				for _, a := range n.Attr {
					if a.Key == "style" || strings.HasPrefix(a.Key, "on") {
						t.Errorf("%s has the attribute %s", n.Data, a.Key)
					}
				}
			}
			if !slices.Equal(d.order[:2], []string{"h1 Audit of a fleet", "h2 Cautions"}) {
				t.Errorf("it begins with %q", d.order[:2])
			}
			for _, p := range page.Papers {
				if text := auditPDF(t, doc, p); !strings.Contains(text, auditID) {
					t.Errorf("the PDF on %s does not name the audit", p)
				}
			}
			again := auditDoc(t, s)
			one, _ := doc.PDF(page.Letter)
			two, _ := again.PDF(page.Letter)
			if !bytes.Equal(one, two) {
				t.Error("printed again it has other bytes")
			}
		})
	}
}

// TestAuditPageFigures holds the figures of page and PDF to those of the summary.
// Percentages are worked out by hand.
func TestAuditPageFigures(t *testing.T) {
	doc := auditDoc(t, doneSummary())
	d := readSheet(t, doc)
	d.says(
		t, "Spring round of the Tarn Valley fleet", "finished – 12,345 of 12,345 rows answered", "a table (CSV), its header in the terms of AU-NSW",
		"AU-NSW, for rows that name no other", "2026-11-20, for rows that name no other", "as known at 2026-11-25 06:30:00 UTC", "2026-11-25 06:30:00 UTC by key of Tarn Valley", "2026-11-25 08:30:00 UTC", "Rows were taken as they were told.",
	)
	rows := map[string][][]string{
		"Rows by outcome": {
			{"complies", "7,011", "56.8 %", "compliant"},
			{"does not comply", "3,208", "26.0 %", "non_compliant"},
			{"not decided: undetermined", "2,115", "17.1 %", "undetermined"},
			{"not decided: refused", "11", "under 0.1 %", "refused"},
			{"Answered", "12,345", "100 %", ""},
		},
		"Findings that are not met": {
			{"1. Over 2 t GTM every wheel is braked. au.brakes.over-2t/service_brakes.wheels", "law", "2,107"},
			{"2. The coupling is rated for the ATM. au.coupling.rated/part_rating", "law", "1,402"},
			{"3. Two chains, always. house.tarn.chains/safety_chains.count", "a plate, a maker's rating or a house rule", "409"},
		},
		"Parts that are not up to their load, or not there": {
			{"Coupling", "1,402", "3500 kg", "1,301", "101", "118,391.50 AUD"},
			{"Safety chain", "409", "cannot be told", "0", "409", "–"},
		},
		"Cost of all offers, by currency": {{"AUD", "118,391.50"}, {"NZD", "77.25"}},
		"Rows by place": {
			{"AU-NSW", "7,011", "3,008", "2,004", "12,023"},
			{"AU-VIC", "0", "200", "122", "322"},
		},
		"Columns of the table": {{"1", "Rig", "id", ""}, {"2", "ATM (kg)", "trailer.rated.total", "kg"}, {"3", "Colour of the drawbar", "passed over", ""}},
	}
	text := auditPDF(t, doc, page.A4)
	for caption, want := range rows {
		if got := len(d.tables[caption]); got != len(want) {
			t.Errorf("%q has %d rows", caption, got)
		}
		for _, row := range want {
			d.row(t, caption, row...)
			if !strings.Contains(strings.ReplaceAll(text, "?", ""), squeeze(strings.ReplaceAll(strings.Join(row, ""), "?", ""))) {
				t.Errorf("the PDF has no row %q", row)
			}
		}
	}
	d.row(t, "Inputs that would decide more", "the brakes of the trailer", "/trailer/brakes", "1,611")
	if missing := d.tables["Inputs that would decide more"]; len(missing) != 2 || missing[1][0] == missing[1][1] || missing[1][2] != "507" {
		t.Errorf("an input without a title is not told in words: %q", missing)
	}
	alt, svg := d.alt("Rows by outcome")
	for _, want := range []string{"complies: 7,011 rows, 56.8 %", "does not comply: 3,208 rows, 26.0 %", "not decided: undetermined: 2,115 rows", "not decided: refused: 11 rows, under 0.1 %"} {
		if !strings.Contains(strings.ToLower(alt), want) {
			t.Errorf("the picture is not told: %q", alt)
		}
	}
	inProportion(t, barLengths(t, svg), 7011, 3208, 2115, 11)
	alt, svg = d.alt("What fails most")
	if !strings.Contains(alt, "2. The coupling is rated for the ATM.: 1,402 rows") {
		t.Errorf("the picture is not told: %q", alt)
	}
	inProportion(t, barLengths(t, svg), 2107, 1402, 409)
}

func TestAuditPageUnfinished(t *testing.T) {
	d := readSheet(t, auditDoc(t, runningSummary()))
	d.says(
		t, "not finished: rows are being answered – 12,345 of 20,000 rows answered",
		"This audit is not finished. All figures are of the 12,345 rows answered so far; of 7,655 nothing is known.",
	)
	d.row(t, "Rows by outcome", "not answered", "7,655", "", "")
	_, svg := d.alt("Rows by outcome")
	inProportion(t, barLengths(t, svg), 7011, 3208, 2115, 11, 7655)

	for name, c := range map[string]struct {
		change func(*service.Audit)
		says   []string
	}{
		"receiving": {func(a *service.Audit) { a.State, a.Rows, a.RowsDone = service.AuditReceiving, 0, 0 }, []string{"rows are coming in", "how many there are is not known yet", "This audit is not finished."}},
		"cancelled": {func(a *service.Audit) { a.State, a.Note = service.AuditCancelled, "by its asker" }, []string{"not finished: cancelled", "by its asker", "ended before all of its rows were answered", "of 7,655 nothing is known"}},
		"failed":    {func(a *service.Audit) { a.State, a.Note = service.AuditFailed, "the file broke off" }, []string{"could not be carried out", "the file broke off", "ended before all"}},
	} {
		t.Run(name, func(t *testing.T) {
			s := runningSummary()
			c.change(&s.Audit)
			d := readSheet(t, auditDoc(t, s))
			d.says(t, c.says...)
			d.silent(t, "finished – 12,345")
		})
	}
}

// TestAuditPageNeverSaysYes: that nothing is wrong, or needs to be fitted, is only
// said where every row is answered and decided.
func TestAuditPageNeverSaysYes(t *testing.T) {
	const none = "No part needs to be replaced or fitted"
	base := func() service.AuditSummary {
		s := doneSummary()
		s.Audit.Rows, s.Audit.RowsDone = 9, 9
		s.Outcomes, s.Failing, s.Missing, s.Parts, s.Cost, s.Places = outcomesOf(9, 0, 0, 0), nil, nil, nil, nil, nil
		return s
	}
	for name, c := range map[string]struct {
		change func(*service.AuditSummary)
		says   []string
		sure   bool
	}{
		"all comply":      {func(*service.AuditSummary) {}, nil, true},
		"undetermined":    {func(s *service.AuditSummary) { s.Outcomes = outcomesOf(8, 0, 1, 0) }, []string{"That says nothing of what is not decided (1 row).", "Not decided: 1 row.", "That never means allowed."}, false},
		"refused":         {func(s *service.AuditSummary) { s.Outcomes = outcomesOf(7, 0, 0, 2) }, []string{"That says nothing of what is not decided (2 rows).", "Not decided: 2 rows.", "could not be read as a rig"}, false},
		"running":         {func(s *service.AuditSummary) { s.Audit.State, s.Audit.Rows = service.AuditRunning, 10 }, []string{"That says nothing of rows that are not answered."}, false},
		"another outcome": {func(s *service.AuditSummary) { s.Outcomes["odd_one"] = 3 }, []string{"not decided: odd one", "Not decided: 3 rows."}, false},
		"fails for something else": {func(s *service.AuditSummary) {
			s.Outcomes, s.Missing = outcomesOf(8, 1, 0, 0), []service.AuditCount{{Key: "/trailer/brakes", Title: "brakes", Rows: 1}}
		}, []string{"a part may not have been judged"}, false},
	} {
		t.Run(name, func(t *testing.T) {
			s := base()
			c.change(&s)
			d := readSheet(t, auditDoc(t, s))
			d.says(t, c.says...)
			d.says(t, "In no row was anything found")
			if c.sure {
				d.says(t, none)
				d.silent(t, "Not decided:", "not answered")
			} else {
				d.silent(t, none)
			}
		})
	}
}

func TestAuditPageOfPairs(t *testing.T) {
	doc := auditDoc(t, pairsSummary())
	d := readSheet(t, doc)
	d.says(t, "each vehicle of the register with each trailer", "Saltmarsh Yard", "ute-1, ute-2", "AU-NSW, for all rows", "2026-11-20, for all rows", "Commercial use")
	why := "Over 2 t GTM every wheel is braked. (1 row)"
	d.row(t, "Each of the vehicles with the trailers", "ute-1", "2", "0", "1", "3", "–")
	d.row(t, "Each of the vehicles with the trailers", "ute-2", "0", "1", "2", "3", why) // one undetermined, one refused
	d.row(t, "Each of the trailers with the vehicles", "float-3", "1", "1", "0", "2", why)
	d.row(t, "Each of the trailers with the vehicles", "mower-9", "0", "0", "2", "2", "–")
	text := strings.ReplaceAll(auditPDF(t, doc, page.Letter), "?", "")
	for _, want := range []string{"ute-20123" + why, "mower-90022–"} {
		if !strings.Contains(text, squeeze(want)) {
			t.Errorf("the PDF has no row %q", want)
		}
	}
	if _, svg := d.alt("What fails most"); svg != nil {
		t.Error("there is a chart of one bar")
	}
}

func TestAuditPageOfMoves(t *testing.T) {
	s := againstSummary()
	d := readSheet(t, auditDoc(t, s))
	if d.order[2] != "h2 What moves" {
		t.Errorf("the moves do not come first: %q", d.order)
	}
	const caption = "Rows that move, from outcome to outcome"
	d.row(t, caption, "complies", "does not comply", "613")
	d.row(t, caption, "does not comply", "does not comply – the same, with other findings", "218")
	d.row(t, caption, "complies", "not decided: undetermined", "47")
	d.says(
		t, "Rows that move883", "To another outcome665", "To other findings only218", "Complies before, and does not or is not known to after: 660 rows.",
		"version 4 of house-tarn-valley", strings.Repeat("ab", 32), "as known at 2026-11-25 05:30:00 UTC; as of 2025-07-01 for all rows",
	)
	s.Moves = nil
	readSheet(t, auditDoc(t, s)).says(t, "No row moves of those that were answered.")
	s.Audit.State = service.AuditRunning
	readSheet(t, auditDoc(t, s)).says(t, "Of rows that are not answered nothing is known.")
}

func TestAuditPageOfNothing(t *testing.T) {
	d := readSheet(t, auditDoc(t, emptySummary()))
	d.says(t, "there was no row", "No row is answered, so nothing is known of any rig.", "recorded assessments of the last 12 months", "as each row names it", "2026-11-25, for all rows")
	d.silent(t, "No part", "In no row", "complies")
	if want := []string{"h1 Audit of a fleet", "h2 Cautions", "h2 What came of the rows", "h2 The record"}; !slices.Equal(d.order, want) {
		t.Errorf("its headings are %q", d.order)
	}
}

// TestAuditPageOfHostileNames: what is written stands as it was written, but for
// marks that turn text around and what is no text.
func TestAuditPageOfHostileNames(t *testing.T) {
	doc := auditDoc(t, hostileSummary())
	d := readSheet(t, doc)
	for _, text := range hostileTexts {
		if !strings.ContainsFunc(text, func(r rune) bool {
			return unicode.IsControl(r) || r == unicode.ReplacementChar || unicode.Is(unicode.Bidi_Control, r)
		}) {
			d.says(t, text)
		}
	}
	if at := strings.IndexFunc(d.text, func(r rune) bool {
		return unicode.IsControl(r) || r >= '\u202A' && r <= '\u202E' || r >= '\u2066' && r <= '\u2069'
	}); at >= 0 {
		t.Errorf("it holds %q", d.text[at:at+4])
	}
	for i, text := range hostileTexts {
		if rows := d.tables["Each of the vehicles with the trailers"]; len(rows) != len(hostileTexts) || rows[i][1] != fmt.Sprintf("1,0%02d", i) {
			t.Errorf("the row of %q is %q", text, rows)
		}
	}
	text := auditPDF(t, doc, page.A4)
	for _, want := range []string{"<script>alert(1)</script>", "[U+1F40E]"} {
		if !strings.Contains(text, want) {
			t.Errorf("the PDF does not say %q", want)
		}
	}
}

// TestAuditPageCuts: of long lists the first are shown and the rest is counted.
func TestAuditPageCuts(t *testing.T) {
	s := pairsSummary()
	s.Failing, s.Missing, s.Vehicles, s.Trailers, s.Places = nil, nil, nil, nil, nil
	s.Audit.Ask.Source.Vehicles = nil
	for i := range 1200 {
		name := fmt.Sprintf("n%d.", i)
		c := service.AuditCount{Key: name, Title: "What " + name, Level: "law", Rows: int64(2000 - i)}
		s.Failing, s.Missing = append(s.Failing, c), append(s.Missing, c)
		s.Vehicles = append(s.Vehicles, service.AuditSide{ID: name, Outcomes: outcomesOf(1, 0, 0, 0)})
		s.Audit.Ask.Source.Vehicles = append(s.Audit.Ask.Source.Vehicles, name)
	}
	for i := range 51 {
		s.Places = append(s.Places, service.AuditPlace{Jurisdiction: fmt.Sprintf("P%d", i), Outcomes: outcomesOf(1, 0, 0, 0)})
	}
	d := readSheet(t, auditDoc(t, s))
	for caption, want := range map[string]int{
		"Findings that are not met": 50, "Inputs that would decide more": 50, "Each of the vehicles with the trailers": 100, "Rows by place": 50,
	} {
		if got := len(d.tables[caption]); got != want {
			t.Errorf("%q has %d rows", caption, got)
		}
	}
	d.says(t, "and 1,150 more; see the items.", "and 1,100 more; see the items.", "and 1 more; see the items.", "n19. and 1,180 more", "the first 10 of 1,200")
	_, svg := d.alt("What fails most")
	inProportion(t, barLengths(t, svg), 2000, 1999, 1998, 1997, 1996, 1995, 1994, 1993, 1992, 1991)
}

// TestAuditPageOfLongNames: names of any length and number leave room on the paper.
func TestAuditPageOfLongNames(t *testing.T) {
	s := pairsSummary()
	long := strings.Repeat("W", 5_000)
	c := service.AuditCount{Key: long, Title: long, Level: long, Rows: 1}
	cost := []service.AuditCost{{Currency: long, Amount: long}}
	side := service.AuditSide{ID: long, Outcomes: outcomesOf(1, 1, 1, 1), Why: []service.AuditCount{c, c, c}}
	s.Audit.Note, s.Audit.CreatedBy, s.Audit.Ask.Name, s.Audit.Ask.Source.Yard = long, long, long, long
	s.Failing, s.Missing, s.Vehicles, s.Trailers = slices.Repeat([]service.AuditCount{c}, 200), slices.Repeat([]service.AuditCount{c}, 200), slices.Repeat([]service.AuditSide{side}, 200), slices.Repeat([]service.AuditSide{side}, 200)
	s.Parts, s.Cost = slices.Repeat([]service.AuditPartCount{{Role: long, Strongest: long, Cost: cost}}, 200), slices.Repeat(cost, 200)
	s.Places = slices.Repeat([]service.AuditPlace{{Jurisdiction: long, Outcomes: side.Outcomes}}, 200)
	s.Audit.Ask.Source.Vehicles = slices.Repeat([]string{long}, 200)
	s.Audit.Ask.Source.Columns = slices.Repeat([]service.AuditColumn{{Name: long, Unit: long}, {Name: long, Path: long}}, 100)
	doc := auditDoc(t, s)
	out, err := doc.PDF(page.Letter)
	if err != nil || len(out) == 0 {
		t.Fatal(err)
	}
	readSheet(t, doc).says(t, strings.Repeat("W", 400)+"…")
	readSheet(t, doc).silent(t, strings.Repeat("W", 401))
}

// TestShare: by hand, at and beside each bound.
func TestShare(t *testing.T) {
	for _, c := range []struct {
		n, of int64
		want  string
	}{
		{0, 0, "0 %"},
		{0, 5, "0 %"},
		{5, 5, "100 %"},
		{1, 1000, "0.1 %"},
		{1, 1001, "under 0.1 %"},
		{999, 1000, "99.9 %"},
		{1000, 1001, "over 99.9 %"},
		{1, 3, "33.3 %"},
		{2, 3, "66.7 %"},
		{1, 8, "12.5 %"},
		{1, 16, "6.3 %"}, // 6.25
		{999_999, 1_000_000, "over 99.9 %"},
		{1, 1_000_000, "under 0.1 %"},
	} {
		if got := share(c.n, c.of); got != c.want {
			t.Errorf("%d of %d is %s, want %s", c.n, c.of, got, c.want)
		}
	}
}

func TestGrouped(t *testing.T) {
	for number, want := range map[string]string{
		"0": "0", "999": "999", "1000": "1,000", "12345": "12,345", "1000000": "1,000,000", "1234.50": "1,234.50", "0.1234": "0.1234",
		"-1234": "-1234", "": "", "1e9": "1e9", "12.34.56": "12.34.56", "1234 kg": "1234 kg",
	} {
		if got := grouped(number); got != want {
			t.Errorf("%q is grouped as %q, want %q", number, got, want)
		}
	}
}

// TestAuditPageTakesAnything: whatever names and counts there are, it can be
// printed, and every outcome is counted once.
func TestAuditPageTakesAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.SampledFrom(hostileTexts))
		n := rapid.Int64Range(0, service.MaxAuditRows)
		outcomes := rapid.Custom(func(t *rapid.T) map[service.Outcome]int64 {
			return outcomesOf(n.Draw(t, "a"), n.Draw(t, "b"), n.Draw(t, "c"), n.Draw(t, "d"))
		})
		counts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) service.AuditCount {
			return service.AuditCount{Key: text.Draw(t, "key"), Title: text.Draw(t, "title"), Level: text.Draw(t, "level"), Rows: n.Draw(t, "rows")}
		}), 0, 4)
		s := service.AuditSummary{Outcomes: outcomes.Draw(t, "outcomes"), Failing: counts.Draw(t, "failing"), Missing: counts.Draw(t, "missing"), Cautions: []string{text.Draw(t, "caution")}}
		s.Audit = service.Audit{
			ID: auditID, CreatedAt: auditDay(1), Note: text.Draw(t, "note"), CreatedBy: text.Draw(t, "by"), Rows: n.Draw(t, "rows"), RowsDone: n.Draw(t, "done"),
			State: rapid.SampledFrom([]service.AuditState{service.AuditReceiving, service.AuditRunning, service.AuditDone, service.AuditCancelled, service.AuditFailed}).Draw(t, "state"),
			Ask: service.AuditAsk{
				Name: text.Draw(t, "name"), AsOf: text.Draw(t, "day"), Jurisdiction: text.Draw(t, "place"),
				Source: service.AuditSource{Kind: rapid.SampledFrom([]service.AuditSourceKind{service.AuditCSV, service.AuditNDJSON, service.AuditPairings, service.AuditAllPairs, service.AuditAssessments, "odd"}).Draw(t, "kind"), Yard: text.Draw(t, "yard")},
			},
		}
		s.Parts = []service.AuditPartCount{{Role: text.Draw(t, "role"), Rows: n.Draw(t, "rows"), Strongest: text.Draw(t, "strongest")}}
		s.Vehicles = []service.AuditSide{{ID: text.Draw(t, "vehicle"), Outcomes: outcomes.Draw(t, "outcomes"), Why: s.Failing}}
		doc := auditDoc(t, s)
		d := readSheet(t, doc)
		auditPDF(t, doc, page.A4)
		var sum int64
		rows := d.tables["Rows by outcome"]
		if rows == nil && strings.Contains(d.text, squeeze("No row is answered")) {
			return
		}
		for _, row := range rows[:4] {
			got, err := strconv.ParseInt(strings.ReplaceAll(row[1], ",", ""), 10, 64)
			if err != nil || got != s.Outcomes[service.Outcome(row[3])] {
				t.Fatalf("the row of %s is %q", row[3], row)
			}
			sum += got
		}
		if want := sumOf(s.Outcomes); sum != want || squeeze(count(want)) != rows[4][1] {
			t.Fatalf("the rows add up to %d, and %q stands beneath", sum, rows[4])
		}
	})
}
