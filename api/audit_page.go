package api

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"drawgear/api/figure"
	"drawgear/api/page"
	"drawgear/rules"
	"drawgear/rules/rig"
	"drawgear/service"
)

// How much of a long list is printed. The rest is counted, and stands in the items.
const (
	auditListed  = 50  // findings, inputs, places, moves, currencies, columns of a file
	auditSides   = 100 // vehicles, and trailers, of an audit of all pairs
	auditNamed   = 20  // names within a sentence
	auditCharted = 10  // bars of what fails most
	auditText    = 400 // characters of a name or a title: many of any length fill more paper than there may be
)

// auditPage lays the summary of an audit out for print. The hash at its foot is
// that of the summary as JSON, as the reply gives it but for the line feed at its end.
func auditPage(s service.AuditSummary) (*page.Document, error) {
	told, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("read the summary of an audit: %w", err)
	}
	sum := sha256.Sum256(told)
	a := newAuditSheet(s)
	doc := &page.Document{
		Lang: "en", Title: "Audit of a fleet", Subtitle: brief(a.ask.Name),
		ID: s.Audit.ID, Hash: "sha256:" + hex.EncodeToString(sum[:]), Created: s.Audit.CreatedAt,
		Facts: a.facts(), Cautions: a.cautions(),
	}
	if s.Audit.EndedAt.After(doc.Created) {
		doc.Created = s.Audit.EndedAt
	}
	add := func(when bool, section func() page.Section) {
		if when {
			doc.Sections = append(doc.Sections, section())
		}
	}
	some := a.counted > 0
	add(some && a.ask.Against != nil, a.moves)
	add(true, a.outcomes)
	add(some, a.failing)
	add(some, a.parts)
	add(some, a.missing)
	add(some && len(s.Places) > 0, a.places)
	add(some && a.ask.Source.Kind == service.AuditAllPairs, a.sides)
	add(len(a.ask.Source.Columns) > 0, a.columns)
	add(true, a.record)
	return doc, nil
}

// auditSheet is the summary of an audit on its way to paper.
type auditSheet struct {
	service.AuditSummary
	ask      service.AuditAsk
	counted  int64             // rows that the outcomes count
	open     int64             // of these, rows that are not decided
	awaited  int64             // rows that are not answered, as far as it is known how many there are
	outcomed []service.Outcome // every outcome, in the order of the page
}

func newAuditSheet(s service.AuditSummary) auditSheet {
	a := auditSheet{AuditSummary: s, ask: s.Audit.Ask, outcomed: outcomeOrder(s.Outcomes)}
	a.counted, a.open = sumOf(s.Outcomes), undecided(s.Outcomes)
	a.awaited = max(0, s.Audit.Rows-a.counted)
	return a
}

// outcomeWord is how an outcome is told. One that is not known here is not decided.
type outcomeWord struct {
	outcome service.Outcome
	word    string
	status  page.StatusKind
	fill    figure.Fill
}

var outcomeWords = []outcomeWord{
	{rules.Compliant, "complies", page.Met, figure.White},
	{rules.NonCompliant, "does not comply", page.NotMet, figure.Black},
	{rules.Undetermined, "not decided: undetermined", page.Unknown, figure.Rising},
	{service.OutcomeRefused, "not decided: refused", page.Unknown, figure.Crossed},
}

func wordOf(o service.Outcome) outcomeWord {
	if i := slices.IndexFunc(outcomeWords, func(w outcomeWord) bool { return w.outcome == o }); i >= 0 {
		return outcomeWords[i]
	}
	return outcomeWord{o, "not decided: " + orElse(spaced(string(o)), "no outcome"), page.Unknown, figure.Dots}
}

func outcomeStatus(o service.Outcome) page.Status {
	w := wordOf(o)
	return page.Status{Kind: w.status, Word: w.word}
}

// outcomeOrder has the outcomes that there are and, last, any other that is counted.
func outcomeOrder(counts map[service.Outcome]int64) (out []service.Outcome) {
	for _, w := range outcomeWords {
		out = append(out, w.outcome)
	}
	for _, o := range slices.Sorted(maps.Keys(counts)) {
		if !slices.Contains(out, o) {
			out = append(out, o)
		}
	}
	return out
}

func sumOf(counts map[service.Outcome]int64) (n int64) {
	for _, c := range counts {
		n += c
	}
	return n
}

// undecided are the rows that are neither known to comply nor known not to.
func undecided(counts map[service.Outcome]int64) int64 {
	return sumOf(counts) - counts[rules.Compliant] - counts[rules.NonCompliant]
}

// grouped writes the whole part of a decimal number in groups of three digits.
func grouped(number string) string {
	whole, part, broken := strings.Cut(number, ".")
	if strings.Trim(whole, "0123456789") != "" {
		return number
	}
	for at := len(whole) - 3; at > 0; at -= 3 {
		whole = whole[:at] + "," + whole[at:]
	}
	if broken {
		return whole + "." + part
	}
	return whole
}

func count(n int64) string { return grouped(strconv.FormatInt(n, 10)) }

// rowsIn counts rows in words.
func rowsIn(n int64) string {
	if n == 1 {
		return "1 row"
	}
	return count(n) + " rows"
}

// share is a part of the whole in percent, to a tenth. Only all is 100 %, and only
// nothing is 0 %.
func share(n, of int64) string {
	if of <= 0 || n <= 0 {
		return "0 %"
	}
	thousandths := (n*2000 + of) / (2 * of) // to the nearest
	switch {
	case n >= of:
		return "100 %"
	case n*1000 < of:
		return "under 0.1 %"
	case (of-n)*1000 < of:
		return "over 99.9 %"
	}
	return fmt.Sprintf("%d.%d %%", thousandths/10, thousandths%10)
}

// listed are the first of a list and, where there are more, a word on the rest and
// where it stands.
func listed[T any](all []T, most int, where string) (shown []T, rest []page.Block) {
	if len(all) <= most {
		return all, nil
	}
	return all[:most], []page.Block{page.Paragraph("and " + count(int64(len(all)-most)) + " more; see " + where + ".")}
}

const inItems = "the items"

// named are names in a sentence.
func named(names []string) string {
	var out []string
	for _, name := range names[:min(len(names), auditNamed)] {
		out = append(out, brief(name))
	}
	if n := len(names) - len(out); n > 0 {
		return strings.Join(out, ", ") + " and " + count(int64(n)) + " more"
	}
	return strings.Join(out, ", ")
}

// brief cuts text that goes on for too long, and shows that it did.
func brief(text string) string {
	n := 0
	for at := range text {
		if n == auditText {
			return text[:at] + "…"
		}
		n++
	}
	return text
}

// facts are what was asked, and how far it got.
func (a auditSheet) facts() []page.Pair {
	au, src := a.Audit, a.ask.Source
	pairsOnly := src.Kind == service.AuditAllPairs // whose rows name neither place nor day
	against := ""
	if a.ask.Against != nil {
		against = lawWords(*a.ask.Against)
	}
	use := ""
	if src.Kind == service.AuditAllPairs {
		use = "not told"
		if a.ask.Commercial != nil {
			use = map[bool]string{true: "yes", false: "no"}[*a.ask.Commercial]
		}
	}
	facts := []page.Pair{{Name: "State", Status: a.state(), Value: a.progress()}}
	return append(facts, pairs(
		"Why it ended so", brief(au.Note),
		"Rows come from", sourceWords(src),
		"Only kept at", brief(src.Yard),
		"Only the vehicles", named(src.Vehicles), "Only the trailers", named(src.Trailers),
		"Commercial use", use,
		"Place", orElse(forRows(a.ask.Jurisdiction, pairsOnly), "as each row names it"),
		"Day", forRows(a.ask.AsOf, pairsOnly || a.ask.EveryDay),
		"Law", lawWords(a.ask.Law), "Held against", against,
		"Asked", together(" by ", instant(au.CreatedAt), brief(au.CreatedBy)), "Began", instant(au.StartedAt), "Ended", instant(au.EndedAt),
	)...)
}

// forRows says of which rows a place or day is.
func forRows(what string, all bool) string {
	switch {
	case what == "":
		return ""
	case all:
		return what + ", for all rows"
	default:
		return what + ", for rows that name no other"
	}
}

func sourceWords(src service.AuditSource) string {
	switch src.Kind {
	case service.AuditCSV:
		out := "a table (CSV)"
		if src.Place != "" {
			out += ", its header in the terms of " + src.Place
		}
		if src.Decimal != "" {
			out += ", decimals after “" + src.Decimal + "”"
		}
		return out
	case service.AuditNDJSON:
		return "a file of rigs, one a line (NDJSON)"
	case service.AuditPairings:
		return "the pairings of the register"
	case service.AuditAllPairs:
		return "each vehicle of the register with each trailer"
	case service.AuditAssessments:
		return "recorded assessments of the last " + plural(src.Months, "month", "months")
	default:
		return orElse(spaced(string(src.Kind)), "not told")
	}
}

func lawWords(l service.AuditLaw) string {
	var out []string
	if !l.KnownAt.IsZero() {
		out = append(out, "as known at "+instant(l.KnownAt))
	}
	if l.AsOf != "" {
		out = append(out, "as of "+l.AsOf+" for all rows")
	}
	if d := l.Draft; d != nil {
		out = append(out, fmt.Sprintf("with version %d of %s, which was not published when this was asked, taken as if it were, SHA-256 %s", d.Version, brief(d.Ruleset), brief(d.SHA256)))
	}
	return strings.Join(out, "; ")
}

func (a auditSheet) finished() bool { return a.Audit.State == service.AuditDone && a.awaited == 0 }

func (a auditSheet) state() page.Status {
	switch {
	case a.finished():
		return page.Status{Kind: page.Met, Word: "finished"}
	case a.Audit.State == service.AuditCancelled:
		return page.Status{Kind: page.NotMet, Word: "not finished: cancelled"}
	case a.Audit.State == service.AuditFailed:
		return page.Status{Kind: page.NotMet, Word: "not finished: it could not be carried out"}
	case a.Audit.State == service.AuditReceiving:
		return page.Status{Kind: page.Unknown, Word: "not finished: rows are coming in"}
	default:
		return page.Status{Kind: page.Unknown, Word: "not finished: rows are being answered"}
	}
}

func (a auditSheet) progress() string {
	switch done, all := a.Audit.RowsDone, a.Audit.Rows; {
	case all == 0 && a.finished():
		return "there was no row"
	case all == 0:
		return count(done) + " answered; how many there are is not known yet"
	default:
		return count(done) + " of " + rowsIn(all) + " answered"
	}
}

// cautions come before all else: first that figures are not of all rows, then
// that some rows are not decided.
func (a auditSheet) cautions() (out []string) {
	if !a.finished() {
		text := "This audit is not finished. All figures are of the " + rowsIn(a.counted) + " answered so far"
		if a.Audit.State.Ended() {
			text = "This audit ended before all of its rows were answered. All figures are of the " + rowsIn(a.counted) + " that were"
		}
		if a.awaited > 0 {
			text += "; of " + count(a.awaited) + " nothing is known"
		}
		out = append(out, text+".")
	}
	if a.open > 0 {
		out = append(out, "Not decided: "+rowsIn(a.open)+". These rigs have neither passed nor failed. Do not take any of them for one that may go.")
	}
	return append(out, filled(a.Cautions)...)
}

// outcomes counts rows by what came of them.
func (a auditSheet) outcomes() page.Section {
	s := page.Section{Heading: "What came of the rows"}
	if a.counted == 0 {
		s.Blocks = []page.Block{page.Paragraph("No row is answered, so nothing is known of any rig.")}
		return s
	}
	t := page.Table{
		Caption: "Rows by outcome", RowHead: true,
		Columns: []page.Column{{Head: "Outcome", Width: 5}, {Head: "Rows", Width: 2, Number: true}, {Head: "Of those answered", Width: 2, Number: true}, {Head: "Outcome in the items", Width: 3}},
	}
	var bars []figure.Bar
	var said []string
	for _, o := range a.outcomed {
		n := a.Outcomes[o]
		t.Rows = append(t.Rows, []page.Cell{{Status: outcomeStatus(o)}, {Text: count(n)}, {Text: share(n, a.counted)}, {Text: string(o)}})
		w := wordOf(o)
		bars = append(bars, figure.Bar{Name: w.word, Count: n, Says: count(n) + "  (" + share(n, a.counted) + ")", Fill: w.fill})
		said = append(said, fmt.Sprintf("%s: %s, %s", w.word, rowsIn(n), share(n, a.counted)))
	}
	t.Rows = append(t.Rows, []page.Cell{{Text: "Answered"}, {Text: count(a.counted)}, {Text: share(a.counted, a.counted)}, {}})
	if a.awaited > 0 {
		t.Rows = append(t.Rows, []page.Cell{{Status: page.Status{Kind: page.Unknown, Word: "not answered"}}, {Text: count(a.awaited)}, {}, {}})
		bars = append(bars, figure.Bar{Name: "not answered", Count: a.awaited, Says: count(a.awaited), Fill: figure.White, Dash: figure.Dotted})
		said = append(said, "not answered: "+rowsIn(a.awaited))
	}
	chart := figure.Bars("Rows by outcome", "A bar for each outcome, as long as it has rows. "+capital(strings.Join(said, "; "))+".", bars...)
	s.Blocks = []page.Block{page.Picture{Figure: chart, Caption: "Rows by outcome. Percentages are of the " + rowsIn(a.counted) + " answered."}, t}
	if n := a.Outcomes[rules.Undetermined]; n > 0 {
		s.Blocks = append(s.Blocks, page.Paragraph("Undetermined: "+rowsIn(n)+". Nothing was found against these rigs, and too little is known to say that they comply."))
	}
	if n := a.Outcomes[service.OutcomeRefused]; n > 0 {
		s.Blocks = append(s.Blocks, page.Callout{Kind: page.Warning, Text: []string{
			"Refused: " + rowsIn(n) + " could not be read as a rig. Nothing at all was looked at there, and nothing of it stands under what fails, what is missing or what is to be fitted. The items say what is wrong with each.",
		}})
	}
	return s
}

// soFar hedges a sentence that says that nothing, or no more, was found.
func (a auditSheet) soFar() string {
	var of []string
	if a.open > 0 {
		of = append(of, "what is not decided ("+rowsIn(a.open)+")")
	}
	if !a.finished() {
		of = append(of, "rows that are not answered")
	}
	if of == nil {
		return ""
	}
	return "That says nothing of " + strings.Join(of, ", nor of ") + "."
}

// failing is what fails most.
func (a auditSheet) failing() page.Section {
	s := page.Section{Heading: "What fails most"}
	if len(a.Failing) == 0 {
		s.Blocks = []page.Block{page.Paragraph(together(" ", "In no row was anything found that law or ratings ask and the rig does not hold to.", a.soFar()))}
		return s
	}
	shown, rest := listed(a.Failing, auditListed, inItems)
	t := page.Table{
		Caption: "Findings that are not met", RowHead: true,
		Columns: []page.Column{{Head: "Finding", Width: 8}, {Head: "Asked by", Width: 3}, {Head: "Rows", Width: 1.8, Number: true}},
	}
	var bars []figure.Bar
	var said []string
	for i, f := range shown {
		no := strconv.Itoa(i + 1)
		t.Rows = append(t.Rows, []page.Cell{{Text: no + ". " + titled(f)}, {Text: orElse(levels[f.Level], orElse(brief(f.Level), "not told"))}, {Text: count(f.Rows)}})
		if i < auditCharted {
			bars = append(bars, figure.Bar{Name: "No. " + no, Count: f.Rows, Says: count(f.Rows), Fill: figure.Black})
			said = append(said, no+". "+brief(orElse(f.Title, f.Key))+": "+rowsIn(f.Rows))
		}
	}
	if len(bars) > 1 {
		what := "What fails most"
		caption := what + ": rows by finding. The numbers are those of the table."
		if len(a.Failing) > len(bars) {
			caption = fmt.Sprintf("%s: rows by finding, the first %d of %s. The numbers are those of the table.", what, len(bars), count(int64(len(a.Failing))))
		}
		chart := figure.Bars(what, "A bar for each finding, as long as it fails in rows. "+strings.Join(said, "; ")+".", bars...)
		s.Blocks = append(s.Blocks, page.Picture{Figure: chart, Caption: caption})
	}
	s.Blocks = append(append(s.Blocks, t), rest...)
	s.Blocks = append(s.Blocks, page.Paragraph("A row may fail in several ways, so that these figures add up to more than the rows that fail."))
	return s
}

// titled is a count's title, and its key on a line of its own.
func titled(c service.AuditCount) string {
	if c.Title == "" || c.Title == c.Key {
		return brief(c.Key)
	}
	return brief(c.Title) + "\n" + brief(c.Key)
}

// parts are those to replace or to fit.
func (a auditSheet) parts() page.Section {
	s := page.Section{Heading: "Parts to replace or to fit"}
	hedge := a.soFar()
	if len(a.Missing) > 0 {
		hedge = together(" ", hedge, "In some rows inputs are missing, so that a part may not have been judged.")
	}
	if len(a.Parts) == 0 {
		text := "No part was found that is not up to its load, or not there. " + hedge
		if hedge == "" {
			text = "No part needs to be replaced or fitted: every row is answered and decided, and no input is missing in any."
		}
		s.Blocks = []page.Block{page.Paragraph(text)}
		return s
	}
	shown, rest := listed(a.Parts, auditListed, inItems)
	t := page.Table{
		Caption: "Parts that are not up to their load, or not there", RowHead: true,
		Columns: []page.Column{
			{Head: "Part", Width: 3},
			{Head: "Rows", Width: 1.8, Number: true},
			{Head: "Strongest rating needed", Width: 2.6, Number: true},
			{Head: "Offered from stock", Width: 2, Number: true},
			{Head: "Not offered", Width: 2, Number: true},
			{Head: "Cost of the offers", Width: 3.4, Number: true},
		},
	}
	for _, p := range shown {
		t.Rows = append(t.Rows, []page.Cell{
			{Text: brief(capital(spaced(p.Role)))},
			{Text: count(p.Rows)},
			{Text: orElse(brief(p.Strongest), "cannot be told")},
			{Text: count(p.Offered)},
			{Text: count(max(0, p.Rows-p.Offered))},
			{Text: orElse(strings.Join(costs(p.Cost), "\n"), "–")},
		})
	}
	s.Blocks = append([]page.Block{t}, rest...)
	if len(a.Cost) > 0 {
		shown, rest := listed(a.Cost, auditListed, inItems)
		cost := page.Table{Caption: "Cost of all offers, by currency", RowHead: true, Columns: []page.Column{{Head: "Currency", Width: 1}, {Head: "Amount", Width: 1, Number: true}}}
		for _, c := range shown {
			cost.Rows = append(cost.Rows, []page.Cell{{Text: brief(c.Currency)}, {Text: brief(grouped(c.Amount))}})
		}
		s.Blocks = append(append(s.Blocks, cost), rest...)
		s.Blocks = append(s.Blocks, page.Paragraph("Each row is offered the cheapest part in stock that would do for it, whatever other rows are offered: one part may be offered to many rows. What is not offered is not in these amounts, nor is any work."))
	}
	if hedge != "" {
		s.Blocks = append(s.Blocks, page.Paragraph("More parts may be wanted than are listed. "+hedge))
	}
	return s
}

// costs are amounts with their currencies, the first of them.
func costs(all []service.AuditCost) (out []string) {
	for i, c := range all {
		if i == auditNamed {
			return append(out, "and "+count(int64(len(all)-i))+" more")
		}
		out = append(out, brief(grouped(c.Amount)+"\u00A0"+c.Currency))
	}
	return out
}

// missing are the inputs that rows wait for.
func (a auditSheet) missing() page.Section {
	s := page.Section{Heading: "What is missing"}
	if len(a.Missing) == 0 {
		text := "No answered row waits for an input."
		if n := a.Outcomes[rules.Undetermined]; n > 0 {
			text += " Undetermined all the same: " + rowsIn(n) + ", where the law held is silent or does not decide. That never means allowed."
		}
		s.Blocks = []page.Block{page.Paragraph(text)}
		return s
	}
	shown, rest := listed(a.Missing, auditListed, inItems)
	t := page.Table{
		Caption: "Inputs that would decide more", RowHead: true,
		Columns: []page.Column{{Head: "Fact", Width: 6}, {Head: "Field", Width: 5}, {Head: "Rows", Width: 2, Number: true}},
	}
	for _, m := range shown {
		t.Rows = append(t.Rows, []page.Cell{{Text: brief(factOf(m))}, {Text: brief(m.Key)}, {Text: count(m.Rows)}})
	}
	s.Blocks = append([]page.Block{page.Paragraph("What is not told is not known: it has neither passed nor failed. “Field” is its place in the rig document."), t}, rest...)
	return s
}

// factOf is a missing input in words.
func factOf(m service.AuditCount) string {
	if m.Title != "" && m.Title != m.Key {
		return m.Title
	}
	fields := rig.Fields()
	if i := slices.IndexFunc(fields, func(f rig.Field) bool { return f.Pointer == m.Key && m.Key != "" }); i >= 0 {
		return meaning(fields[i])
	}
	return orElse(m.Key, "not told")
}

// countColumns are the columns of a table that has a row for each of something,
// under the name of these.
func countColumns(of string, more ...page.Column) []page.Column {
	return append([]page.Column{
		{Head: of, Width: 4},
		{Head: "Complies", Width: 2, Number: true},
		{Head: "Does not comply", Width: 2, Number: true},
		{Head: "Not decided", Width: 2, Number: true},
		{Head: "Of", Width: 1.6, Number: true},
	}, more...)
}

// countCells are the fields of such a row. What is not decided bears its sign.
func countCells(name string, counts map[service.Outcome]int64) []page.Cell {
	open := page.Cell{Text: count(undecided(counts))}
	if undecided(counts) > 0 {
		open = page.Cell{Status: page.Status{Kind: page.Unknown, Word: open.Text}}
	}
	return []page.Cell{{Text: brief(name)}, {Text: count(counts[rules.Compliant])}, {Text: count(counts[rules.NonCompliant])}, open, {Text: count(sumOf(counts))}}
}

// places are the rows by jurisdiction.
func (a auditSheet) places() page.Section {
	s := page.Section{Heading: "Places"}
	shown, rest := listed(a.Places, auditListed, inItems)
	t := page.Table{Caption: "Rows by place", RowHead: true, Columns: countColumns("Place")}
	for _, p := range shown {
		t.Rows = append(t.Rows, countCells(orElse(p.Jurisdiction, "no place named"), p.Outcomes))
	}
	s.Blocks = append([]page.Block{t}, rest...)
	return s
}

// sides tell of all pairs how each vehicle and each trailer fares.
func (a auditSheet) sides() page.Section {
	intro := "“Complies” is how many of the others it may go with, as they were told and on that day; “Of” is with how many it was looked at. What is not decided must not go until it is."
	s := page.Section{Heading: "Vehicle by vehicle and trailer by trailer", Blocks: []page.Block{page.Paragraph(intro)}}
	for _, x := range []struct {
		heading, of, others string
		sides               []service.AuditSide
	}{
		{"Vehicles", "Vehicle", "trailers", a.Vehicles},
		{"Trailers", "Trailer", "vehicles", a.Trailers},
	} {
		if len(x.sides) == 0 {
			s.Sections = append(s.Sections, page.Section{Heading: x.heading, Blocks: []page.Block{page.Paragraph("None is answered.")}})
			continue
		}
		shown, rest := listed(x.sides, auditSides, inItems)
		t := page.Table{
			Caption: "Each of the " + strings.ToLower(x.heading) + " with the " + x.others, RowHead: true,
			Columns: countColumns(x.of, page.Column{Head: "Fails most", Width: 6}),
		}
		for _, side := range shown {
			var why []string
			for _, w := range side.Why {
				why = append(why, brief(orElse(w.Title, w.Key))+" ("+strings.ReplaceAll(rowsIn(w.Rows), " ", "\u00A0")+")")
			}
			t.Rows = append(t.Rows, append(countCells(side.ID, side.Outcomes), page.Cell{Text: orElse(strings.Join(why, "\n"), "–")}))
		}
		s.Sections = append(s.Sections, page.Section{Heading: x.heading, Blocks: append([]page.Block{t}, rest...)})
	}
	return s
}

// moves are what changes from the law that the audit is held against.
func (a auditSheet) moves() page.Section {
	s := page.Section{Heading: "What moves", Blocks: []page.Block{
		page.Paragraph("Each row was answered twice: “before” is by the law that it was held against, “after” by the law of the audit. A row moves if its outcome or any of its findings does."),
		page.Pairs(pairs("Before", lawWords(*a.ask.Against), "After", lawWords(a.ask.Law))),
	}}
	if len(a.Moves) == 0 {
		s.Blocks = append(s.Blocks, page.Paragraph(together(" ", "No row moves of those that were answered.", a.unanswered())))
		return s
	}
	var moved, same, lost int64
	t := page.Table{
		Caption: "Rows that move, from outcome to outcome", RowHead: true,
		Columns: []page.Column{{Head: "Before", Width: 4}, {Head: "After", Width: 4}, {Head: "Rows", Width: 2, Number: true}},
	}
	for _, m := range a.Moves {
		moved += m.Rows
		after := page.Cell{Status: outcomeStatus(m.To)}
		if m.From == m.To {
			same += m.Rows
			after.Text = "the same, with other findings"
		} else if m.From == rules.Compliant {
			lost += m.Rows
		}
		t.Rows = append(t.Rows, []page.Cell{{Status: outcomeStatus(m.From)}, after, {Text: count(m.Rows)}})
	}
	var rest []page.Block
	t.Rows, rest = listed(t.Rows, auditListed, inItems)
	s.Blocks = append(s.Blocks, page.Pairs(pairs("Rows that move", count(moved), "To another outcome", count(moved-same), "To other findings only", count(same))))
	if lost > 0 {
		s.Blocks = append(s.Blocks, page.Callout{Kind: page.Warning, Text: []string{"Complies before, and does not or is not known to after: " + rowsIn(lost) + "."}})
	}
	s.Blocks = append(append(s.Blocks, t), rest...)
	if text := a.unanswered(); text != "" {
		s.Blocks = append(s.Blocks, page.Paragraph(text))
	}
	return s
}

// unanswered says that a figure may grow.
func (a auditSheet) unanswered() string {
	if a.finished() {
		return ""
	}
	return "Of rows that are not answered nothing is known."
}

// columns are how the table was read: what was passed over was not looked at.
func (a auditSheet) columns() page.Section {
	s := page.Section{Heading: "How the columns were read"}
	t := page.Table{
		Caption: "Columns of the table", RowHead: true,
		Columns: []page.Column{{Head: "Column", Width: 1.4, Number: true}, {Head: "Its name", Width: 4}, {Head: "Read as", Width: 5}, {Head: "Unit", Width: 1.5}},
	}
	var passed []string
	for _, c := range a.ask.Source.Columns {
		read := page.Cell{Text: brief(c.Path)}
		if c.Path == "" {
			read = page.Cell{Status: page.Status{Kind: page.NotApplicable, Word: "passed over"}}
			passed = append(passed, orElse(c.Name, "column "+strconv.Itoa(c.Column)))
		}
		t.Rows = append(t.Rows, []page.Cell{{Text: strconv.Itoa(c.Column)}, {Text: brief(c.Name)}, read, {Text: brief(c.Unit)}})
	}
	if len(passed) > 0 {
		s.Blocks = append(s.Blocks, page.Callout{Kind: page.Caution, Text: []string{"Passed over, so that nothing in them counts: " + named(passed) + "."}})
	}
	var rest []page.Block
	t.Rows, rest = listed(t.Rows, auditListed, "the audit itself")
	s.Blocks = append(append(s.Blocks, t), rest...)
	return s
}

func (a auditSheet) record() page.Section {
	at := "/v1/audits/" + a.Audit.ID
	return page.Section{Heading: "The record", Blocks: []page.Block{
		page.Pairs(pairs("Audit", a.Audit.ID)),
		page.Paragraph("GET " + at + "/items gives every row with its outcome, what fails, what is missing and what is to be fitted; GET " + at + "/summary as application/json gives the figures of this page. " +
			"The hash at the foot is of that JSON without the line feed at its end: prints of one hash say the same."),
	}}
}
