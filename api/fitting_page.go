package api

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"drawgear/api/page"
	"drawgear/rules"
	"drawgear/rules/circuit"
	"drawgear/rules/fitting"
	"drawgear/service"
)

// handoverPage lays a hand-over record out for print.
func handoverPage(record service.FittingHandover) (*page.Document, error) {
	var h fitting.Handover
	if err := json.Unmarshal(record.Handover, &h); err != nil {
		return nil, fmt.Errorf("read a hand-over record: %w", err)
	}
	doc := &page.Document{
		Lang: "en", Title: orElse(h.Job.Title, "Hand-over record"), Subtitle: h.Job.Reference,
		ID: record.ID, Hash: "sha256:" + record.SHA256, Created: record.At, Cautions: filled(h.Cautions),
		Facts: pairs(
			"Vehicle", h.Job.Vehicle, "Trailer", h.Job.Trailer, "Work began", h.Job.Began, "Work ended", h.Job.Ended,
			"Place", record.Jurisdiction, "Law as of", record.AsOf, "Revision", strconv.Itoa(record.Revision),
		),
	}
	proven := page.Status{Kind: page.Unknown, Word: "not proven"}
	if h.Proven {
		proven = page.Status{Kind: page.Met, Word: "proven"}
	}
	doc.Facts = append(doc.Facts,
		page.Pair{Name: "Verdict of the law", Status: verdictStatus(h.Verdict)},
		page.Pair{Name: "The work", Status: proven})
	if record.State != service.FittingSigned {
		doc.Cautions = append([]string{"This is a draft: the work is not signed off."}, doc.Cautions...)
	}
	doc.Sections = []page.Section{
		{Heading: "The rig", Blocks: []page.Block{rigTable(h.Rig)}},
		{Heading: "What the law asks of the brakes", Blocks: []page.Block{lawTable(h.Law)}},
		planSection(h),
		{Heading: "What is right or wrong with the plan", Blocks: []page.Block{findingTable(h.Findings), needTable(h.Needs)}},
		{Heading: "Work, step by step", Blocks: some(page.Steps{Items: steps(h.Steps)})},
		proofSection(h),
		{Heading: "Parts", Blocks: parts(h)},
		{Heading: "Before every trip", Blocks: some(checks(h.BeforeTrip))},
		{Heading: "What was not told", Blocks: []page.Block{missingTable(h.Missing)}},
		{Heading: "Sources", Blocks: some(sources(h), rulesetTable(h.Rulesets))},
		{Heading: "Signature", Blocks: []page.Block{
			page.Paragraph("Name and licence reference are as supplied; they were not checked against any register."),
			page.Signatures{{Role: orElse(together(", ", "Fitter", h.SignOff.Licence), "Fitter"), Name: h.SignOff.Name, Date: h.SignOff.On}},
		}},
	}
	doc.Sections = slices.DeleteFunc(doc.Sections, func(s page.Section) bool { return len(s.Blocks)+len(s.Sections) == 0 })
	return doc, nil
}

// some leaves out lists that hold nothing; a table says so itself.
func some(blocks ...page.Block) []page.Block {
	return slices.DeleteFunc(blocks, func(b page.Block) bool {
		switch b := b.(type) {
		case page.Steps:
			return len(b.Items) == 0
		case page.Checks:
			return len(b) == 0
		case page.Sources:
			return len(b) == 0
		default:
			return false
		}
	})
}

func orElse(text, other string) string {
	if strings.TrimSpace(text) == "" {
		return other
	}
	return text
}

// filled leaves out what is blank.
func filled(texts []string) []string {
	return slices.DeleteFunc(slices.Clone(texts), func(s string) bool { return strings.TrimSpace(s) == "" })
}

func together(between string, texts ...string) string { return strings.Join(filled(texts), between) }

// pairs takes names and values in turn, and leaves out those without a value.
func pairs(namesAndValues ...string) (out []page.Pair) {
	for i := 0; i+1 < len(namesAndValues); i += 2 {
		if strings.TrimSpace(namesAndValues[i+1]) != "" {
			out = append(out, page.Pair{Name: namesAndValues[i], Value: namesAndValues[i+1]})
		}
	}
	return out
}

// figureOf writes an engineering figure with its unit; nothing for none.
func figureOf(value float64, unit string) string {
	if value == 0 {
		return ""
	}
	return strconv.FormatFloat(value, 'g', 3, 64) + "\u00A0" + unit
}

func verdictStatus(v rules.Verdict) page.Status {
	kind := map[rules.Verdict]page.StatusKind{rules.Compliant: page.Met, rules.NonCompliant: page.NotMet}[v]
	if kind == page.NoStatus {
		kind = page.Unknown
	}
	return page.Status{Kind: kind, Word: strings.ReplaceAll(string(v), "_", " ")}
}

func statusOf(s rules.Status) page.Status {
	switch s {
	case rules.Met:
		return page.Status{Kind: page.Met}
	case rules.NotMet:
		return page.Status{Kind: page.NotMet}
	case rules.NotApplicable:
		return page.Status{Kind: page.NotApplicable}
	default:
		return page.Status{Kind: page.Unknown}
	}
}

func stateOf(s fitting.State) page.Status {
	switch s {
	case fitting.Designed:
		return page.Status{Kind: page.Met, Word: "worked out"}
	case fitting.NotNeeded:
		return page.Status{Kind: page.NotApplicable, Word: "not needed"}
	case fitting.Unfit:
		return page.Status{Kind: page.NotMet, Word: "will not do"}
	default:
		return page.Status{Kind: page.Unknown}
	}
}

func rigTable(lines []fitting.Line) page.Table {
	t := page.Table{Caption: "The rig as it was told", Columns: []page.Column{{Head: "What", Width: 4}, {Head: "Value", Width: 2}}, RowHead: true}
	for _, l := range lines {
		t.Rows = append(t.Rows, []page.Cell{{Text: l.Meaning}, {Text: l.Value}})
	}
	return t
}

func lawTable(asks []fitting.LawAsk) page.Table {
	t := page.Table{
		Caption: "What the law and the plates ask", RowHead: true,
		Columns: []page.Column{{Head: "Asked", Width: 4}, {Head: "Value", Width: 2}, {Head: "Rests on", Width: 3}, {Head: "Status", Width: 2}},
	}
	for _, a := range asks {
		var cites []string
		for _, c := range a.Citations {
			cites = append(cites, together(", ", c.Title, c.Clause)+" ("+c.Verification+")")
		}
		t.Rows = append(t.Rows, []page.Cell{{Text: a.Says}, {Text: a.Value}, {Text: strings.Join(cites, "; ")}, {Status: statusOf(a.Status)}})
	}
	return t
}

// planSection tells the design.
func planSection(h fitting.Handover) page.Section {
	p := h.Plan
	s := page.Section{Heading: "The design"}
	if reason := together("", p.Electrical.Reason); reason != "" {
		s.Blocks = append(s.Blocks, page.Paragraph(reason))
	}
	add := func(heading string, state fitting.State, facts []page.Pair, notes []string, more ...page.Block) {
		blocks := []page.Block{page.Pairs(append([]page.Pair{{Name: "State", Status: stateOf(state)}}, facts...))}
		for _, b := range more {
			if t, ok := b.(page.Table); ok && len(t.Rows) == 0 && state == fitting.NotNeeded {
				continue
			}
			blocks = append(blocks, b)
		}
		if notes = filled(notes); len(notes) > 0 {
			blocks = append(blocks, page.List(notes))
		}
		s.Sections = append(s.Sections, page.Section{Heading: heading, Blocks: blocks})
	}
	sections := page.Table{
		Caption: "The line, from the battery outwards", RowHead: true,
		Columns: []page.Column{
			{Head: "Run", Width: 2},
			{Head: "Length", Number: true},
			{Head: "Conductor", Width: 2},
			{Head: "Current", Number: true},
			{Head: "Drop", Number: true},
		},
	}
	for _, x := range p.Circuit.Sections {
		sections.Rows = append(sections.Rows, []page.Cell{
			{Text: x.Name}, {Text: figureOf(x.Length, "m")}, {Text: x.Conductor}, {Text: figureOf(x.Current, "A")}, {Text: figureOf(x.Drop, "V")},
		})
	}
	add("Brake circuit", p.Circuit.State, pairs(
		"Current of all brakes", figureOf(p.Circuit.Current, "A"), "Drop to the furthest and back", figureOf(p.Circuit.Drop, "V"),
		"Drop allowed", together(", ", figureOf(p.Circuit.Allowed, "V"), p.Circuit.DropBasis), "At the furthest", figureOf(p.Circuit.Furthest, "V"),
	), p.Circuit.Notes, sections)
	add("Protection", p.Protection.State, pairs("Rating", figureOf(p.Protection.Rating, "A"), "At least", figureOf(p.Protection.Least, "A"), "At most", figureOf(p.Protection.Most, "A")), p.Protection.Notes)
	add("Stop signal", p.StopSignal.State, pairs("Taken from", p.StopSignal.PickUp), p.StopSignal.Notes)
	connector := []page.Block{pinTable(p.Connector.Pins)}
	if hazards := filled(p.Connector.Hazards); len(hazards) > 0 {
		connector = append(connector, page.Callout{Kind: page.Warning, Text: hazards})
	}
	add("Plug and socket", p.Connector.State, pairs("Vehicle", p.Connector.Vehicle, "Trailer", p.Connector.Trailer), p.Connector.Notes, connector...)
	add("Breakaway", p.Breakaway.State, pairs(
		"Hold asked for", figureOf(p.Breakaway.Hold, "min"), "Battery needed", figureOf(p.Breakaway.Needed, "Ah"), "Battery fitted", figureOf(p.Breakaway.Fitted, "Ah"),
		"Expected to hold", figureOf(p.Breakaway.Expected, "min"),
	), slices.Concat(p.Breakaway.Factors, p.Breakaway.Notes))
	return s
}

func pinTable(pins []fitting.Pin) page.Table {
	t := page.Table{
		Caption: "Contacts", RowHead: true,
		Columns: []page.Column{{Head: "For", Width: 3}, {Head: "Trailer"}, {Head: "Vehicle"}, {Head: "Remark", Width: 3}},
	}
	for _, p := range pins {
		t.Rows = append(t.Rows, []page.Cell{{Text: strings.ReplaceAll(p.Function, "_", " ")}, {Text: p.Trailer}, {Text: p.Vehicle}, {Text: p.Note}})
	}
	return t
}

func findingTable(findings []fitting.Finding) page.Table {
	t := page.Table{
		Caption: "Findings on the plan", RowHead: true,
		Columns: []page.Column{{Head: "Finding", Width: 4}, {Head: "Level"}, {Head: "What to do", Width: 3}, {Head: "Status", Width: 2}},
	}
	for _, f := range findings {
		t.Rows = append(t.Rows, []page.Cell{{Text: f.Summary}, {Text: f.Level}, {Text: f.Remedy}, {Status: statusOf(f.Status)}})
	}
	return t
}

func needTable(needs []fitting.Need) page.Table {
	t := page.Table{
		Caption: "What controller and actuator must be able to do", RowHead: true,
		Columns: []page.Column{{Head: "Of", Width: 1.6}, {Head: "Needs", Width: 3}, {Head: "Because", Width: 3}, {Head: "Has", Width: 2}, {Head: "Status", Width: 2}},
	}
	for _, n := range needs {
		t.Rows = append(t.Rows, []page.Cell{{Text: n.Of}, {Text: n.Needs}, {Text: n.Because}, {Text: n.Has}, {Status: statusOf(n.Status)}})
	}
	return t
}

func steps(from []fitting.Step) (out []page.Step) {
	for _, s := range from {
		var measures []string
		for _, m := range s.Measure {
			measures = append(measures, strings.TrimSuffix(m.What, ".")+": "+m.Expected)
		}
		out = append(out, page.Step{Do: orElse(together(". ", strings.TrimSuffix(s.Title, "."), s.Do), s.ID), Reason: s.Reason, Hazard: s.Hazard, Record: strings.Join(measures, "; ")})
	}
	return out
}

func proofSection(h fitting.Handover) page.Section {
	t := page.Table{
		Caption: "What was measured", RowHead: true,
		Columns: []page.Column{{Head: "What", Width: 3}, {Head: "Expected", Width: 3}, {Head: "Measured", Width: 2}, {Head: "Status", Width: 2}},
	}
	for _, p := range h.Proofs {
		title := p.Title
		if p.Required {
			title += " (required)"
		}
		t.Rows = append(t.Rows, []page.Cell{{Text: title}, {Text: p.Expected}, {Text: p.Measured}, {Status: statusOf(p.Status)}})
	}
	s := page.Section{Heading: "Proofs", Blocks: []page.Block{t}}
	if open := filled(h.Open); len(open) > 0 {
		s.Blocks = append(s.Blocks, page.Callout{Kind: page.Warning, Text: append([]string{"The work is not proven:"}, open...)})
	}
	if len(h.Faults) > 0 {
		faults := page.Table{
			Caption: "Faults that would explain readings that are off, best first", RowHead: true,
			Columns: []page.Column{{Head: "Fault", Width: 3}, {Head: "Size", Width: 2}, {Head: "Where to look", Width: 4}},
		}
		for _, f := range h.Faults {
			faults.Rows = append(faults.Rows, []page.Cell{{Text: f.Title}, {Text: f.Figure}, {Text: f.Look}})
		}
		s.Blocks = append(s.Blocks, faults)
	}
	return s
}

func parts(h fitting.Handover) []page.Block {
	t := page.Table{
		Caption: "Parts that went in", RowHead: true,
		Columns: []page.Column{{Head: "For", Width: 2}, {Head: "Part", Width: 3}, {Head: "Rating", Width: 2}, {Head: "Batch", Width: 2}, {Head: "Serial", Width: 2}},
	}
	for _, p := range h.Parts {
		t.Rows = append(t.Rows, []page.Cell{{Text: p.Role}, {Text: p.Description}, {Text: p.Rating}, {Text: p.Batch}, {Text: p.Serial}})
	}
	blocks := []page.Block{t}
	if untraced := filled(h.Untraced); len(untraced) > 0 {
		blocks = append(blocks, page.Callout{Kind: page.Note, Text: append([]string{"With neither batch nor serial number, and so not to be traced:"}, untraced...)})
	}
	return blocks
}

func checks(from []fitting.Check) page.Checks {
	out := page.Checks{}
	for _, c := range from {
		out = append(out, page.Check{Text: orElse(together(" ", c.Do, c.Reason), "See the instructions.")})
	}
	return out
}

func missingTable(missing []fitting.Missing) page.Table {
	t := page.Table{
		Caption: "Inputs that would decide more", RowHead: true,
		Columns: []page.Column{{Head: "What", Width: 4}, {Head: "Waits for it", Width: 3}},
	}
	for _, m := range missing {
		t.Rows = append(t.Rows, []page.Cell{{Text: m.Meaning}, {Text: strings.ReplaceAll(strings.Join(m.For, ", "), "_", " ")}})
	}
	return t
}

// sources lists publications of law, and those behind the figures.
func sources(h fitting.Handover) page.Sources {
	out := page.Sources{}
	for _, s := range h.LawSources {
		out = append(out, page.Source{
			Key: s.ID, Title: s.Title, Publisher: s.Publisher, Edition: together(", ", s.Edition, s.Published), URL: s.URL,
			Checked: together(", ", s.Checked, s.CheckedOn),
		})
	}
	seen := map[circuit.Source]bool{}
	for _, s := range slices.Concat(h.Plan.Circuit.Sources, h.Plan.Protection.Sources, h.Plan.StopSignal.Sources, h.Plan.Connector.Sources, h.Plan.Breakaway.Sources) {
		if !seen[s] {
			out = append(out, page.Source{Title: s.Title, Clause: s.Clause, Checked: together(", confidence ", s.How, s.Confidence)})
		}
		seen[s] = true
	}
	return out
}

func rulesetTable(refs []rules.RulesetRef) page.Table {
	t := page.Table{
		Caption: "Ruleset versions that answered", RowHead: true,
		Columns: []page.Column{{Head: "Ruleset", Width: 3}, {Head: "Version", Number: true}, {Head: "SHA-256", Width: 5}, {Head: "Reviewed", Width: 2}},
	}
	for _, r := range refs {
		t.Rows = append(t.Rows, []page.Cell{{Text: r.Title}, {Text: strconv.Itoa(r.Version)}, {Text: r.SHA256}, {Text: r.Reviewed}})
	}
	return t
}
