package api

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"drawgear/api/page"
	"drawgear/api/picture"
	"drawgear/rules"
	"drawgear/rules/loads"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
	"drawgear/service"
)

// reportPage lays a kept assessment out for print. logged says that there is a
// log that holds it.
func reportPage(kept service.AssessmentReport, logged bool) *page.Document {
	r := report{AssessmentReport: kept, logged: logged}
	a := r.Answer
	doc := &page.Document{
		Lang: "en", Title: "Assessment of a towing rig", Subtitle: "What the law asks of it in " + a.Jurisdiction + " on " + a.AsOf,
		ID: r.ID, Hash: "sha256:" + r.AnswerSHA256, Created: r.CreatedAt, Cautions: filled(a.Cautions),
		Facts: pairs("Place", a.Jurisdiction, "Law as of", a.AsOf, "Assessed", instant(r.CreatedAt), "By what was known at", instant(r.KnownAt)),
		Sections: []page.Section{
			r.verdict(), r.rig(), r.law(), r.wrong(), r.open(), r.notCovered(), r.ratings(), r.notices(), r.conflicts(), r.practice(),
			r.rest(), r.sources(), r.record(),
		},
	}
	return doc
}

// report is an assessment on its way to paper.
type report struct {
	service.AssessmentReport
	logged bool
}

func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02 15:04:05") + " UTC"
}

// spaced makes a word of the contract one of English.
func spaced(word string) string { return strings.ReplaceAll(word, "_", " ") }

func capital(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// questionOf writes a question of the vocabulary for people.
func questionOf(key string) string {
	return capital(spaced(strings.ReplaceAll(key, ".", ": ")))
}

// findings are those of law and ratings with a status.
func (r report) findings(status rules.Status) (out []rules.Finding) {
	for _, f := range r.Answer.Findings {
		if f.Level != levelPractice && f.Status == status {
			out = append(out, f)
		}
	}
	return out
}

const levelPractice = loads.LevelPractice

// plural counts things in words.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

func (r report) verdict() page.Section {
	a := r.Answer
	wrong, open := r.findings(rules.NotMet), r.findings(rules.Unknown)
	s := page.Section{Heading: "Verdict", Blocks: []page.Block{page.Pairs{{Name: "The rig as described here", Status: verdictStatus(a.Verdict)}}}}
	say := func(texts ...string) { s.Blocks = append(s.Blocks, page.Paragraph(strings.Join(filled(texts), " "))) }
	switch a.Verdict {
	case rules.Compliant:
		unknown, silent := "", ""
		if len(open) > 0 {
			unknown = "What is not known by now holds up no verdict; a limit on how the rig is driven among it, under “" + headingMissing + "”, has to be kept all the same."
		}
		if len(a.NotCovered) > 0 {
			silent = "What is not covered is not part of this verdict."
		}
		say("The rig as described here meets all that the law held for "+a.Jurisdiction+" asked of it on "+a.AsOf+", and the ratings that it was held against.",
			"That goes no further than what was told: with another load, part, place or day it has to be assessed again, and a wrong figure makes a wrong answer.",
			unknown, silent)
	case rules.NonCompliant:
		say("The rig as described here does not comply: "+plural(len(wrong), "thing that law or ratings ask is", "things that law or ratings ask are")+" not met.",
			"It is not to be towed on a road as it is. Put right what is listed under “"+headingWrong+"”, and have the rig assessed again.")
	default:
		say("It is not known whether the rig complies. Nothing was found to be against it, and too little is known to say that it complies: do not take this for a yes.",
			"What is wanted stands under “"+headingMissing+"”, and where the law held is silent under “"+headingSilent+"”.")
	}
	s.Blocks = append(s.Blocks, page.Pairs(pairs(
		"Not met", strconv.Itoa(len(wrong)), "Not known", strconv.Itoa(len(open)), "Met", strconv.Itoa(len(r.findings(rules.Met))),
		"Does not apply", strconv.Itoa(len(r.findings(rules.NotApplicable))), "Facts wanted", strconv.Itoa(len(a.Missing)),
		"Questions not covered", strconv.Itoa(len(a.NotCovered)),
	)))
	if r.Loads == nil {
		return s
	}
	// The verdict is the law's. What is beyond a rating that no law reads must not
	// hide behind it.
	for _, f := range r.Loads.Faults {
		kind := page.Warning
		if f.Unsafe {
			kind = page.Danger
		}
		s.Blocks = append(s.Blocks, page.Callout{Kind: kind, Text: []string{f.Text}})
	}
	for _, x := range []struct {
		when   string
		column loads.Column
	}{{"As laden now", r.Loads.Now}, {"With the trailer laden to its plates", r.Loads.Full}} {
		if len(x.column.Failing) > 0 {
			s.Blocks = append(s.Blocks, page.Callout{Kind: page.Warning, Text: []string{
				x.when + ", these are beyond their limit, whatever the law's verdict is: " + strings.Join(r.lineNames(x.column.Failing), "; ") + ". See “" + headingRatings + "”.",
			}})
		}
	}
	return s
}

func (r report) lineNames(ids []string) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = id
		if k := slices.IndexFunc(r.Loads.Lines, func(l loads.Line) bool { return l.ID == id }); k >= 0 {
			out[i] = r.Loads.Lines[k].Name
		}
	}
	return out
}

// Headings that the text refers to.
const (
	headingWrong   = "What is wrong, and what to do"
	headingMissing = "What is missing"
	headingSilent  = "What is not covered"
	headingRatings = "Ratings and loads"
	headingSources = "Sources and rulesets"
)

// rig tells what was told.
func (r report) rig() page.Section {
	s := page.Section{Heading: "The rig", Blocks: []page.Block{page.Paragraph("All that follows rests on these facts, as they were told. Nobody checked them.")}}
	add := func(t page.Table) {
		if len(t.Rows) > 0 {
			s.Blocks = append(s.Blocks, t)
		}
	}
	add(r.factTable("The towing vehicle", "vehicle."))
	add(r.factTable("The trailer", "trailer."))
	add(r.partTable())
	add(r.thingTable())
	add(r.factTable("Use, driver and measured proof", "use.", "driver.", "evidence."))
	add(r.derivedTable())
	return s
}

func (r report) partTable() page.Table {
	t := page.Table{Caption: "Rated parts", RowHead: true, Columns: []page.Column{{Head: "Part", Width: 2}, {Head: "Marks and figures", Width: 5}}}
	for i, p := range r.Rig.Parts {
		t.Rows = append(t.Rows, []page.Cell{{Text: fmt.Sprintf("%s (/parts/%d)", capital(spaced(p.Role)), i)}, {Text: orElse(strings.Join(partFigures(p), "; "), "nothing told")}})
	}
	return t
}

func (r report) thingTable() page.Table {
	t := page.Table{
		Caption: "Things carried", RowHead: true,
		Columns: []page.Column{{Head: "Thing", Width: 4}, {Head: "Mass", Width: 2, Number: true}, {Head: "Place", Width: 5}},
	}
	add := func(items []rig.Item, on, behind string) {
		for i, x := range items {
			place := on
			if !x.At.IsZero() {
				place += ", " + x.At.Text() + " behind " + behind
			}
			t.Rows = append(t.Rows, []page.Cell{{Text: orElse(x.Name, fmt.Sprintf("thing %d", i+1))}, {Text: amount(x.Mass)}, {Text: place}})
		}
	}
	add(r.Rig.TrailerItems, "on the trailer", "the coupling")
	add(r.Rig.VehicleItems, "on the vehicle", "its front axle")
	return t
}

func (r report) derivedTable() page.Table {
	t := page.Table{
		Caption: "Worked out from that", RowHead: true,
		Columns: []page.Column{{Head: "Figure", Width: 4}, {Head: "Value", Width: 2, Number: true}, {Head: "Worked out as", Width: 5}},
	}
	for _, d := range r.Answer.Loads {
		how := d.Formula
		if d.Assumption != "" {
			how += "\nOnly an estimate, which decides nothing: " + d.Assumption
		}
		name := d.Figure
		if f, ok := rig.Lookup(d.Figure); ok {
			name = meaning(f)
		}
		t.Rows = append(t.Rows, []page.Cell{{Text: name}, {Text: d.Value}, {Text: how}})
	}
	return t
}

// factTable has the entered facts under the prefixes; the column of local names
// only where the place has one.
func (r report) factTable(caption string, prefixes ...string) page.Table {
	t := page.Table{Caption: caption, RowHead: true, Columns: []page.Column{{Head: "Fact", Width: 5}, {Head: "Called here", Width: 2}, {Head: "Told", Width: 3}}}
	named := false
	for _, f := range rig.Fields() {
		under := slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(f.Path, p) })
		if !under || f.Pointer == "" || !r.Rig.Entered(f.ID) {
			continue
		}
		value := r.Rig.Text(f.ID)
		if f.Kind == rig.KindWord {
			value = spaced(value)
		}
		named = named || r.Terms[f.ID] != ""
		t.Rows = append(t.Rows, []page.Cell{{Text: meaning(f)}, {Text: r.Terms[f.ID]}, {Text: value}})
	}
	if !named {
		t.Columns = slices.Delete(t.Columns, 1, 2)
		for i := range t.Rows {
			t.Rows[i] = slices.Delete(t.Rows[i], 1, 2)
		}
	}
	return t
}

// meaning is what a fact is, in words. Where the table of facts only explains its
// values, its name goes before.
func meaning(f rig.Field) string {
	doc := spaced(f.Doc)
	if slices.ContainsFunc(f.Words, func(word string) bool { return strings.HasPrefix(doc, spaced(word)+":") }) {
		return capital(strings.ReplaceAll(spaced(f.Path), ".", " ")) + ". " + capital(doc)
	}
	return doc
}

// amount is a quantity, or nothing for one that was not given.
func amount(q quantity.Quantity) string {
	if q.IsZero() {
		return ""
	}
	return q.Text()
}

// partFigures are all that is known of a part.
func partFigures(p rig.Part) (out []string) {
	number := func(n int) string {
		if n == 0 {
			return ""
		}
		return strconv.Itoa(n)
	}
	count := ""
	if p.Count != 1 {
		count = strconv.Itoa(p.Count)
	}
	for _, x := range [][2]string{
		{"how many", count},
		{"rated mass", amount(p.RatedMass)},
		{"working load limit", amount(p.WorkingLoad)},
		{"breaking strength", amount(p.BreakingMass)},
		{"breaking force", amount(p.BreakingForce)},
		{"rated load on the coupling", amount(p.RatedBall)},
		{"D-value", amount(p.DValue)},
		{"Dc-value", amount(p.DcValue)},
		{"V-value", amount(p.VValue)},
		{"least trailer mass", amount(p.LeastMass)},
		{"size", amount(p.Size)},
		{"grade", p.Grade},
		{"load index", number(p.LoadIndex)},
		{"load index in twins", number(p.LoadIndexDual)},
		{"speed symbol", p.SpeedSymbol},
		{"on the", p.On},
		{"on axle", number(p.Axle)},
	} {
		if x[1] != "" {
			out = append(out, x[0]+" "+x[1])
		}
	}
	return out
}

// citation says in full where a rule is published and how far that was verified.
func citation(c rules.Citation) string {
	return together(", ", c.Title, c.Clause) + ".\n" + verified(c)
}

func verified(c rules.Citation) string {
	out := "Verified: " + c.Verification
	if c.Confidence != "" {
		out += ", confidence " + c.Confidence
	}
	if c.NeedsConfirming {
		return out + "; needs confirming against the text."
	}
	return out + "."
}

// shortly is a citation by the key of its source.
func shortly(c rules.Citation) string {
	out := together(" ", "["+c.Source+"]", c.Clause) + " (" + c.Verification
	if c.NeedsConfirming {
		out += ", needs confirming"
	}
	return out + ")"
}

// citedBy are the citations of rules, each once.
func (r report) citedBy(ids []string) string {
	var out []string
	for _, id := range ids {
		cite := id
		if i := slices.IndexFunc(r.Answer.Findings, func(f rules.Finding) bool { return f.Rule == id }); i >= 0 {
			cite = shortly(r.Answer.Findings[i].Citation)
		}
		if !slices.Contains(out, cite) {
			out = append(out, cite)
		}
	}
	return strings.Join(out, "\n")
}

// worst is the worst status of law and ratings on a question.
func (r report) worst(question string) page.Status {
	for _, s := range []rules.Status{rules.NotMet, rules.Unknown, rules.Met} {
		for _, f := range r.findings(s) {
			if f.Question == question {
				return statusOf(s)
			}
		}
	}
	return page.Status{Kind: page.NotApplicable}
}

func (r report) law() page.Section {
	a := r.Answer
	desk := page.Table{
		Caption: "The five questions in short", RowHead: true,
		Columns: []page.Column{{Head: "Question", Width: 2}, {Head: "Asked for", Width: 2}, {Head: "Does the rig hold to it", Width: 2}, {Head: "Permitted", Width: 4}},
	}
	for _, q := range []struct {
		name string
		rules.Question
	}{
		{"Service brakes", a.Answers.Brakes},
		{"Breakaway", a.Answers.Breakaway},
		{"Safety chains", a.Answers.SafetyChains},
		{"Parking brake", a.Answers.ParkingBrake},
		{"Parts rated", a.Answers.PartsRated},
	} {
		asked := page.Cell{Text: string(q.Required)}
		if !q.Covered {
			asked.Text = "not covered, which does not mean allowed"
		}
		kind := map[rules.Tri]page.StatusKind{rules.Yes: page.Met, rules.No: page.NotMet, rules.DontKnow: page.Unknown}[q.Holds]
		desk.Rows = append(desk.Rows, []page.Cell{
			{Text: q.name}, asked, {Status: page.Status{Kind: kind, Word: string(q.Holds)}}, {Text: spaced(strings.Join(q.Permitted, ", "))},
		})
	}
	asks := page.Table{
		Caption: "What law and ratings ask, the strictest of them, question by question", RowHead: true,
		Columns: []page.Column{{Head: "Question", Width: 3}, {Head: "Asked", Width: 3}, {Head: "Status", Width: 2}, {Head: "Where it says so", Width: 5}},
	}
	for _, x := range a.Asks {
		asks.Rows = append(asks.Rows, []page.Cell{{Text: questionOf(x.Question)}, {Text: askedFor(x)}, {Status: r.worst(x.Question)}, {Text: r.citedBy(x.Rules)}})
	}
	return page.Section{
		Heading: "What the law asks, and where it says so",
		Blocks: []page.Block{
			page.Paragraph("Brackets name a source; all stand under “" + headingSources + "”. Each citation says how it was verified: “text” is the published text itself, " +
				"“second-hand” is what another publication says of it, “memory” is what is only remembered. All but “text” need confirming before anybody relies on them."),
			desk, asks,
		},
	}
}

func askedFor(x rules.Ask) string {
	switch {
	case x.Value == "true":
		return "yes"
	case x.Value == "false":
		return "no, not asked for"
	case x.Value == "listed" && len(x.Permitted) == 0:
		return "nothing is permitted by all of the rules"
	case x.Value == "listed":
		return "one of " + spaced(strings.Join(x.Permitted, ", "))
	default:
		return spaced(x.Value)
	}
}

// rest is what moves nothing any more, for those who want to see that it was
// looked at.
func (r report) rest() page.Section {
	return page.Section{Heading: "What else was looked at", Sections: []page.Section{
		{Heading: "What is met", Blocks: []page.Block{briefTable("What law and ratings ask, and the rig holds to", r.findings(rules.Met))}},
		{Heading: "What does not apply", Blocks: []page.Block{briefTable("Rules that do not apply to this rig", r.findings(rules.NotApplicable))}},
	}}
}

// briefTable has a line a finding.
func briefTable(caption string, findings []rules.Finding) page.Table {
	t := page.Table{
		Caption: caption, RowHead: true,
		Columns: []page.Column{{Head: "Finding", Width: 5}, {Head: "Why", Width: 4}, {Head: "Where it says so", Width: 4}},
	}
	for _, f := range findings {
		t.Rows = append(t.Rows, []page.Cell{{Text: f.Summary}, {Text: f.Because}, {Text: shortly(f.Citation)}})
	}
	return t
}

// levels are the words for the level of a rule.
var levels = map[string]string{"law": "law", "rating": "a plate, a maker's rating or a house rule", levelPractice: "practice"}

func (r report) wrong() page.Section {
	s := page.Section{Heading: headingWrong}
	for i, f := range r.findings(rules.NotMet) {
		facts := []page.Pair{{Name: "What is wrong", Value: orElse(f.Summary, f.ID), Status: page.Status{Kind: page.NotMet}}}
		facts = append(facts, pairs("What to do", orElse(f.Remedy, "No remedy is recorded."))...)
		facts = append(facts, boundOf(f)...)
		facts = append(facts, pairs("Why it applies", f.Because, "Figures told", inputsOf(f.Inputs), "Asked by", levels[f.Level], "Rule", f.Rule, "Where it says so", citation(f.Citation))...)
		s.Sections = append(s.Sections, page.Section{Heading: fmt.Sprintf("%d. %s", i+1, questionOf(f.Question)), Blocks: []page.Block{page.Pairs(facts)}})
	}
	if s.Sections == nil {
		s.Blocks = []page.Block{page.Paragraph("Nothing was found that law or ratings ask and the rig does not hold to. What is not known, and what is not covered, may still be wrong.")}
	}
	return s
}

// boundOf tells limit and margin of a finding that was decided. A yes-or-no duty
// carries the line that brought it on instead: that is no limit to stay within.
func boundOf(f rules.Finding) []page.Pair {
	if f.Limit != "" && !strings.Contains(f.Summary, f.Limit) {
		return pairs("Applies because of the line at", f.Limit, "Distance to that line", f.Margin)
	}
	if f.Margin == "" {
		return pairs("Asked", f.Limit)
	}
	margin := f.Margin
	if strings.HasPrefix(margin, "-") {
		margin += " (beyond the limit)"
	}
	return pairs("Limit", f.Limit, "Margin to the limit", margin)
}

func inputsOf(inputs []rig.Input) string {
	out := make([]string, len(inputs))
	for i, in := range inputs {
		out[i] = in.Pointer + ": " + in.Value
	}
	return strings.Join(out, "\n")
}

func (r report) open() page.Section {
	missing := page.Table{
		Caption: "Facts that would decide more, most wanted first", RowHead: true,
		Columns: []page.Column{{Head: "Fact", Width: 5}, {Head: "Called here", Width: 2}, {Head: "Field", Width: 4}, {Head: "Waits for it", Width: 2}},
	}
	for _, m := range r.Answer.Missing {
		what := capital(m.Meaning)
		if i := slices.IndexFunc(rig.Fields(), func(f rig.Field) bool { return f.Pointer == m.Pointer }); i >= 0 {
			what = meaning(rig.Fields()[i])
		}
		missing.Rows = append(missing.Rows, []page.Cell{{Text: what}, {Text: m.Term}, {Text: m.Pointer}, {Text: plural(len(m.Rules), "rule", "rules")}})
	}
	waiting := page.Table{
		Caption: "What could not be decided", RowHead: true,
		Columns: []page.Column{{Head: "Finding", Width: 5}, {Head: "Waits for", Width: 4}, {Head: "Where it says so", Width: 5}},
	}
	for _, f := range r.findings(rules.Unknown) {
		waiting.Rows = append(waiting.Rows, []page.Cell{{Text: f.Summary}, {Text: strings.Join(f.WaitsFor, "\n")}, {Text: citation(f.Citation)}})
	}
	return page.Section{
		Heading: headingMissing,
		Blocks:  []page.Block{page.Paragraph("What is not told is not known: it has neither passed nor failed. “Field” is its place in the rig document."), missing, waiting},
	}
}

func (r report) notCovered() page.Section {
	s := page.Section{Heading: headingSilent, Blocks: []page.Block{page.Callout{Kind: page.Warning, Text: []string{"Not covered never means allowed. Ask the authority of the place."}}}}
	if len(r.Answer.NotCovered) == 0 {
		s.Blocks = append(s.Blocks, page.Paragraph("On each of the five questions some rule is held for this place and day. On anything else this report says nothing."))
		return s
	}
	list := page.List{}
	for _, q := range r.Answer.NotCovered {
		list = append(list, capital(spaced(q)))
	}
	s.Blocks = append(s.Blocks, page.Paragraph("On these questions nothing is held for this rig, place and day. On anything beyond the five questions this report says nothing either."), list)
	return s
}

func (r report) ratings() page.Section {
	s := page.Section{Heading: headingRatings}
	if r.Loads == nil {
		s.Blocks = []page.Block{page.Callout{Kind: page.Warning, Text: []string{
			r.NoLoads + " So that nothing stands here that the recorded answer does not bear out, ratings, loads and the picture are left out. That says nothing of whether the parts are rated for their load.",
		}}}
		return s
	}
	l := r.Loads
	t := page.Table{
		Caption: "Each limit in the load path, from the vehicle back", RowHead: true,
		Columns: []page.Column{{Head: "Part or limit", Width: 4}, {Head: "Limit", Width: 2}, {Head: "As laden now", Width: 4}, {Head: "Trailer laden to its plates", Width: 4}, {Head: "Verified", Width: 2}},
	}
	for _, x := range l.Lines {
		if x.Level != levelPractice {
			t.Rows = append(t.Rows, lineRow(x))
		}
	}
	s.Blocks = []page.Block{
		page.Paragraph("Worked out beside the law, by mechanics and from plates. A part that is not listed was not judged. “Verified” says how the comparison itself was; all but “text” need confirming."),
		page.Pairs{
			{Name: "As laden now", Value: l.Now.Summary, Status: statusOf(l.Now.Status)},
			{Name: "Trailer laden to its plates", Value: l.Full.Summary, Status: statusOf(l.Full.Status)},
		},
		t,
	}
	if len(l.Unlisted) > 0 {
		s.Blocks = append(s.Blocks, page.Callout{Kind: page.Warning, Text: []string{"Nothing was told of these parts of the load path: " + spaced(strings.Join(l.Unlisted, ", ")) + "."}})
	}
	for i, f := range picture.Sheets(r.Rig, l) {
		s.Blocks = append(s.Blocks, page.Picture{Figure: f, Caption: fmt.Sprintf("Figure %d. %s.", i+1, f.Title)})
	}
	more := slices.DeleteFunc(filled(l.Cautions), func(c string) bool { return slices.Contains(r.Answer.Cautions, c) })
	if len(more) > 0 {
		s.Blocks = append(s.Blocks, page.Callout{Kind: page.Caution, Text: more})
	}
	return s
}

// lineRow is a limit with the load in both columns.
func lineRow(x loads.Line) []page.Cell {
	name := capital(x.Name)
	if x.Note != "" {
		name += "\n" + x.Note
	}
	limit := orElse(x.Rating.Value, "not known")
	if word := spaced(string(x.Relation)); x.Rating.Value != "" && x.Relation != loads.AtMost {
		limit = word + " " + limit
	}
	return []page.Cell{{Text: name}, {Text: limit}, heldCell(x.Now), heldCell(x.Full), {Text: x.Source.Verification}}
}

func heldCell(h loads.Held) page.Cell {
	parts := []string{h.Load.Value}
	if h.Margin != "" {
		parts = append(parts, "margin "+h.Margin)
	}
	if h.Status == rules.Unknown || h.Status == rules.NotApplicable {
		parts = append(parts, h.Reason)
		if len(h.Missing) > 0 {
			parts = append(parts, "waits for "+strings.Join(h.Missing, ", "))
		}
	}
	return page.Cell{Text: together("; ", parts...), Status: statusOf(h.Status)}
}

func (r report) notices() page.Section {
	t := page.Table{
		Caption: "What no fact of the rig decides", RowHead: true,
		Columns: []page.Column{{Head: "About", Width: 2}, {Head: "Notice", Width: 6}, {Head: "Applies", Width: 2}, {Head: "Where it says so", Width: 4}},
	}
	for _, n := range r.Answer.Notices {
		t.Rows = append(t.Rows, []page.Cell{{Text: capital(spaced(n.About))}, {Text: n.Text}, {Text: string(n.Applies)}, {Text: shortly(n.Citation)}})
	}
	return page.Section{Heading: "Notices", Blocks: []page.Block{t}}
}

func (r report) conflicts() page.Section {
	s := page.Section{Heading: "Conflicts between rules"}
	if len(r.Answer.Conflicts) == 0 {
		s.Blocks = []page.Block{page.Paragraph("None was found among the rules that hold.")}
		return s
	}
	t := page.Table{
		Caption: "Rules that cannot be obeyed together", RowHead: true,
		Columns: []page.Column{{Head: "Question", Width: 3}, {Head: "Conflict", Width: 4}, {Head: "Rules", Width: 4}, {Head: "Where they say so", Width: 5}},
	}
	for _, c := range r.Answer.Conflicts {
		var cites []string
		for _, x := range c.Citations {
			cites = append(cites, shortly(x))
		}
		t.Rows = append(t.Rows, []page.Cell{{Text: questionOf(c.Question)}, {Text: c.Summary}, {Text: strings.Join(c.Rules, "\n")}, {Text: strings.Join(cites, "\n")}})
	}
	s.Blocks = []page.Block{page.Callout{Kind: page.Warning, Text: []string{"These rules hold together and do not agree. Ask the authority of the place which gives way."}}, t}
	return s
}

// practice is advice, apart from law and ratings.
func (r report) practice() page.Section {
	advice := page.Table{
		Caption: "Advice, and how the rig stands to it", RowHead: true,
		Columns: []page.Column{{Head: "Advice", Width: 5}, {Head: "How it stands", Width: 3}, {Head: "What to do or know", Width: 4}, {Head: "Where it comes from", Width: 4}},
	}
	for _, f := range r.Answer.Findings {
		if f.Level == levelPractice && f.Status != rules.NotApplicable {
			advice.Rows = append(advice.Rows, []page.Cell{
				{Text: f.Summary}, {Status: statusOf(f.Status), Text: together(", ", f.WaitsFor...)}, {Text: orElse(f.Remedy, f.Because)}, {Text: shortly(f.Citation)},
			})
		}
	}
	if r.Loads != nil {
		for _, x := range r.Loads.Lines {
			if x.Level == levelPractice {
				advice.Rows = append(advice.Rows, []page.Cell{
					{Text: capital(x.Name)}, heldCell(x.Now), {Text: together("\n", x.Rating.Value, x.Note)}, {Text: publication(x.Source)},
				})
			}
		}
		for _, x := range r.Loads.Advice {
			advice.Rows = append(advice.Rows, []page.Cell{{Text: x.Text}, adviceCell(x), {Text: x.Range}, {Text: labelled(x.Label, publication(x.Source))}})
		}
	}
	return page.Section{
		Heading: "Practice",
		Blocks:  []page.Block{page.Paragraph("This is advice, neither law nor a rating. It moves no verdict."), advice},
	}
}

func adviceCell(x loads.Advice) page.Cell {
	status, known := map[string]page.StatusKind{"within": page.Met, "outside": page.NotMet, "unknown": page.Unknown}[x.Stands]
	if !known {
		return page.Cell{Text: x.Figure.Value}
	}
	return page.Cell{Text: x.Figure.Value, Status: page.Status{Kind: status, Word: x.Stands}}
}

// labelled puts a label before a text that does not say it.
func labelled(label, text string) string {
	if strings.Contains(text, label) {
		return text
	}
	return together(": ", label, text)
}

// publication is a source of mechanics in a line.
func publication(s loads.Source) string {
	return together(", ", s.Title, s.Clause) + " (" + together(", confidence ", s.Verification, s.Confidence) + ")"
}

func (r report) sources() page.Section {
	out := page.Sources{}
	for _, s := range r.Answer.Sources {
		out = append(out, page.Source{
			Key: s.ID, Title: orElse(s.Title, s.ID), Publisher: s.Publisher, Edition: together(", published ", s.Edition, s.Published), URL: s.URL,
			Checked: together(" on ", orElse(s.Checked, "not said how"), s.CheckedOn),
		})
	}
	if r.Loads != nil {
		for _, x := range slices.Concat(r.lineSources(), r.Loads.Static.Sources, r.Loads.Braking.Sources) {
			source := page.Source{Title: x.Title, Clause: x.Clause, Checked: together(", confidence ", orElse(x.Verification, "not said how"), x.Confidence)}
			if !slices.Contains(out, source) {
				out = append(out, source)
			}
		}
	}
	t := page.Table{
		Caption: "Ruleset versions that answered", RowHead: true,
		Columns: []page.Column{{Head: "Ruleset", Width: 4}, {Head: "Version", Width: 1.5, Number: true}, {Head: "In force", Width: 2.5}, {Head: "Compared with its sources", Width: 2.5}, {Head: "SHA-256", Width: 5}},
	}
	for _, x := range r.Answer.Rulesets {
		force := together(" ", after("from", x.Effective.From), after("to", x.Effective.To))
		t.Rows = append(t.Rows, []page.Cell{{Text: x.Title + "\n" + x.ID}, {Text: strconv.Itoa(x.Version)}, {Text: force}, {Text: x.Reviewed}, {Text: x.SHA256}})
	}
	return page.Section{Heading: headingSources, Blocks: some(out, t)}
}

func (r report) lineSources() []loads.Source {
	out := make([]loads.Source, len(r.Loads.Lines))
	for i, x := range r.Loads.Lines {
		out[i] = x.Source
	}
	return out
}

// after is a day after a word, or nothing for none.
func after(word, day string) string {
	if day == "" {
		return ""
	}
	return word + " " + day
}

func (r report) record() page.Section {
	s := page.Section{Heading: "The record", Blocks: []page.Block{
		page.Pairs(pairs("Assessment", r.ID, "Recorded", instant(r.CreatedAt), "Program version", r.Engine, "SHA-256 of the answer", r.AnswerSHA256)),
		page.Paragraph("The digest is of the bytes of “answer” in the reply to GET /v1/assessments/" + r.ID + ". POST to /v1/assessments/" + r.ID +
			"/replay evaluates it again and says whether the answer is the same."),
	}}
	if r.logged {
		s.Blocks = append(s.Blocks, page.Paragraph("GET /v1/assessments/"+r.ID+"/proof gives what it takes to check, without this service, that the assessment stands in the log as it was recorded: "+
			"its leaf, the path to the root of the Merkle tree, and the signed head."))
	}
	return s
}
