package api

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"

	"drawgear/rules/fleet"
	"drawgear/service"
)

const kindCSV = "text/csv"

// ExportAudit writes what an audit says of its rows.
func (h *handlers) ExportAudit(ctx context.Context, r ExportAuditRequestObject) (ExportAuditResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	if _, err := h.audits.Get(ctx, r.ID); err != nil { // what can be refused is refused before a byte is written
		return nil, err
	}
	p := r.Params
	return auditExport{ctx, h.audits, r.ID, service.AuditItemQuery{
		Outcome: p.Outcome, Finding: p.Finding, Missing: p.Missing, Part: p.Part, ID: p.Rig, Vehicle: p.Vehicle, Trailer: p.Trailer, Moved: p.Moved,
	}}, nil
}

// auditExport streams the rows of an audit.
type auditExport struct {
	ctx    context.Context
	audits *service.Auditor
	id     string
	query  service.AuditItemQuery
}

// VisitExportAuditResponse writes the rows in the form that was chosen.
func (e auditExport) VisitExportAuditResponse(w http.ResponseWriter) error {
	kind, write := kindCSV+"; charset=utf-8", e.table
	if chosenKind(e.ctx) == "application/x-ndjson" {
		kind, write = "application/x-ndjson", e.lines
	}
	w.Header().Set("Content-Type", kind)
	w.WriteHeader(http.StatusOK)
	if onlyHead(e.ctx) {
		return nil
	}
	out := bufio.NewWriterSize(steadily(w), 64<<10)
	if write(out) != nil || out.Flush() != nil {
		// What is complete as a reply must not be taken for all rows.
		panic(http.ErrAbortHandler)
	}
	return nil
}

func (e auditExport) lines(out *bufio.Writer) error {
	enc := json.NewEncoder(out)
	return e.audits.Export(e.ctx, e.id, e.query, func(item service.AuditItem) error { return enc.Encode(item) })
}

func (e auditExport) table(out *bufio.Writer) error {
	t := csv.NewWriter(out)
	t.UseCRLF = true
	names, cells := make([]string, len(exportColumns)), make([]string, len(exportColumns))
	for i, c := range exportColumns {
		names[i] = c.name
	}
	if err := t.Write(names); err != nil {
		return err
	}
	err := e.audits.Export(e.ctx, e.id, e.query, func(item service.AuditItem) error {
		for i, c := range exportColumns {
			cells[i] = harmless(c.text(item))
		}
		return t.Write(cells)
	})
	t.Flush()
	if err != nil {
		return err
	}
	return t.Error()
}

// exportColumns are the columns of the table, as the contract lists them.
var exportColumns = []struct {
	name string
	text func(i service.AuditItem) string
}{
	{"row", func(i service.AuditItem) string { return strconv.FormatInt(i.Row, 10) }},
	{"line", func(i service.AuditItem) string { return number(i.Line) }},
	{"id", func(i service.AuditItem) string { return i.ID }},
	{"vehicle", func(i service.AuditItem) string { return i.Vehicle }},
	{"trailer", func(i service.AuditItem) string { return i.Trailer }},
	{"jurisdiction", func(i service.AuditItem) string { return i.Jurisdiction }},
	{"as_of", func(i service.AuditItem) string { return i.AsOf }},
	{"outcome", func(i service.AuditItem) string { return string(i.Outcome) }},
	{"failing", func(i service.AuditItem) string { return inOneCell(i.Failing) }},
	{"missing", func(i service.AuditItem) string { return inOneCell(i.Missing) }},
	{"parts", func(i service.AuditItem) string { return inOneCell(partTexts(i.Parts)) }},
	{"faults", func(i service.AuditItem) string { return inOneCell(faultTexts(i.Faults)) }},
	{"before", func(i service.AuditItem) string { return string(i.Before) }},
	{"moved", func(i service.AuditItem) string {
		if i.Before == "" {
			return "" // it was held against nothing
		}
		return strconv.FormatBool(i.Moved)
	}},
	{"appearing", func(i service.AuditItem) string { return inOneCell(i.Appearing) }},
	{"disappearing", func(i service.AuditItem) string { return inOneCell(i.Disappearing) }},
}

func number(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

func inOneCell(texts []string) string { return strings.Join(texts, " | ") }

// partTexts tell of each part as "chain: needs 2500 kg, has 1500 kg, chain-10 at 18.50 AUD".
func partTexts(parts []service.PartNeed) []string {
	var out []string
	for _, p := range parts {
		var about []string
		if p.Needs != "" {
			about = append(about, "needs "+p.Needs)
		}
		if p.Has != "" {
			about = append(about, "has "+p.Has)
		}
		if p.Offer != nil {
			about = append(about, p.Offer.ID+" at "+p.Offer.Price+" "+p.Offer.Currency)
		}
		text := p.Role
		if about != nil {
			text += ": " + strings.Join(about, ", ")
		}
		out = append(out, text)
	}
	return out
}

func faultTexts(faults []service.AuditFault) []string {
	var out []string
	for _, f := range faults {
		out = append(out, fleet.Fault{Line: f.Line, Column: f.Column, Name: f.Name, Pointer: f.Pointer, Message: f.Message}.String())
	}
	return out
}

// harmless keeps a spreadsheet from taking a text for a formula: an apostrophe
// says that it is text. A text that looks as if that had been done already gets
// another, so that whoever takes one away has the text as it was.
func harmless(text string) string {
	rest := strings.TrimLeft(text, "'")
	if rest != "" && strings.ContainsRune("=+-@\t\r", rune(rest[0])) {
		return "'" + text
	}
	return text
}
