package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"drawgear/rules/fleet"
	"drawgear/rules/rig"
	"drawgear/service"
)

// errNoAudits: there is no store to keep audits.
var errNoAudits = refuse(ProblemNotFound, "This service runs no audits.")

// maxAuditRequest is the most bytes of a request for an audit of what the
// service holds: it may list many ids.
const maxAuditRequest = 1 << 20

// AuditDocument asks for an audit of what the service holds.
type AuditDocument struct {
	ask service.AuditAsk
}

// read reads the body of a request.
func (a *AuditDocument) read(c echo.Context) error {
	body, err := readBody(c, maxAuditRequest, "application/json")
	if err != nil {
		return err
	}
	var (
		source, draft, against json.RawMessage
		known, knownAgainst    *time.Time
	)
	if err := readObject(body, map[string]any{
		"name": &a.ask.Name, "source": &source, "jurisdiction": &a.ask.Jurisdiction, "as_of": &a.ask.AsOf, "as_of_for_all": &a.ask.EveryDay,
		"commercial": &a.ask.Commercial, "known_at": &known, "draft": &draft, "against": &against,
	}); err != nil {
		return err
	}
	if source == nil {
		return service.Invalid{{Pointer: "/source", Code: rig.CodeBadValue, Message: "it is not said what to audit", Advice: "Give source with a kind: pairings, all_pairs or assessments."}}
	}
	a.ask.Law.KnownAt = given(known)
	s := &a.ask.Source
	err = readWithin("/source", source, map[string]any{"kind": &s.Kind, "yard": &s.Yard, "vehicles": &s.Vehicles, "trailers": &s.Trailers, "months": &s.Months})
	if err == nil && (s.Kind == service.AuditCSV || s.Kind == service.AuditNDJSON) {
		err = service.Invalid{{Pointer: "/source/kind", Code: rig.CodeBadValue, Message: "a file is not named but sent", Advice: "Send the file itself with its own Content-Type."}}
	}
	if draft != nil {
		a.ask.Law.Draft = new(service.DraftLaw)
		err = alsoInvalid(err, readWithin("/draft", draft, map[string]any{"ruleset": &a.ask.Law.Draft.Ruleset, "version": &a.ask.Law.Draft.Version}))
	}
	if against != nil {
		a.ask.Against = new(service.AuditLaw)
		err = alsoInvalid(err, readWithin("/against", against, map[string]any{"as_of": &a.ask.Against.AsOf, "known_at": &knownAgainst}))
		a.ask.Against.KnownAt = given(knownAgainst)
	}
	return err
}

// given is a knowledge time as the service takes it, which is zero for now.
func given(known *time.Time) time.Time {
	switch {
	case known == nil:
		return time.Time{}
	case known.IsZero(): // year 1 was asked for
		return time.Unix(0, 0)
	}
	return *known
}

// readWithin reads an object that stands within another.
func readWithin(at string, text json.RawMessage, fields map[string]any) error {
	err := readObject(text, fields)
	var faults service.Invalid
	if !errors.As(err, &faults) {
		return err
	}
	for i := range faults {
		faults[i].Pointer = at + faults[i].Pointer
	}
	return faults
}

// alsoInvalid puts the faults of two errors together.
func alsoInvalid(err, more error) error {
	var a, b service.Invalid
	if errors.As(err, &a) && errors.As(more, &b) {
		return slices.Concat(a, b)
	}
	return errors.Join(err, more)
}

// CreateAudit starts an audit of a file or of what the service holds.
func (h *handlers) CreateAudit(ctx context.Context, r CreateAuditRequestObject) (CreateAuditResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	a, err := h.startAudit(ctx, r)
	if err != nil {
		return nil, err
	}
	return CreateAudit202JSONResponse{Headers: CreateAudit202ResponseHeaders{Location: "/v1/audits/" + a.ID, RetryAfter: pollAfter}, Body: a}, nil
}

func (h *handlers) startAudit(ctx context.Context, r CreateAuditRequestObject) (service.Audit, error) {
	p := r.Params
	if r.JSONBody != nil {
		if p != (CreateAuditParams{}) {
			return service.Audit{}, refuse(ProblemBadQuery, "The parameters of the query go with a file; a body of JSON says these things itself.")
		}
		ask := r.JSONBody.ask
		a, err := h.audits.Start(ctx, ask)
		switch {
		case errors.Is(err, service.ErrState) && ask.Law.Draft == nil:
			err = refuse(ProblemAuditEnded, "The audit was cancelled while its rows were put together.")
		case errors.Is(err, service.ErrState):
			err = refuse(ProblemRulesetState, "The version is no draft any more.")
		case errors.Is(err, service.ErrStale):
			err = refuse(ProblemRulesetState, "The draft was changed at that moment.")
		case errors.Is(err, service.ErrNotYet):
			at := "/known_at"
			if ask.Against != nil && ask.Against.KnownAt.After(ask.Law.KnownAt) {
				at = "/against/known_at"
			}
			err = service.Invalid{{Pointer: at, Code: rig.CodeBadValue, Message: "what will be known cannot be said", Advice: "Give a time that is past, or leave it out."}}
		}
		return a, err
	}
	file := r.Body.(*upload) // as takeFile has it
	a, err := h.audits.Upload(ctx, service.AuditAsk{
		Name: p.Name, Jurisdiction: p.Jurisdiction, AsOf: p.AsOf, EveryDay: p.AsOfForAll,
		Source: service.AuditSource{Kind: file.kind, Place: p.Place, Decimal: string(p.Decimal)},
	}, file)
	var invalid service.Invalid
	switch {
	case errors.As(err, &invalid):
		r := refuse(ProblemBadQuery, "What the query says of the file is refused.")
		for _, is := range invalid[:min(len(invalid), maxFaults)] {
			r.faults = append(r.faults, Fault{Parameter: path.Base(is.Pointer), Code: FaultCode(is.Code), Message: is.Message, Advice: is.Advice})
		}
		err = r
	case errors.Is(err, service.ErrState):
		err = refuse(ProblemAuditEnded, "The audit was cancelled while its rows came in.")
	}
	return a, err
}

// ListAudits gives a page of audits.
func (h *handlers) ListAudits(ctx context.Context, r ListAuditsRequestObject) (ListAuditsResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	page, err := h.audits.List(ctx, r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	return ListAudits200JSONResponse(page), nil
}

// GetAudit gives an audit with its progress.
func (h *handlers) GetAudit(ctx context.Context, r GetAuditRequestObject) (GetAuditResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	a, err := h.audits.Get(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return auditReply{a}, nil
}

// pollAfter is after how many seconds an audit is worth another look: that is how often
// who follows its events is told.
const pollAfter = int(pollEvery / time.Second)

// auditReply is an audit, which tells callers how long to wait as long as it goes on.
type auditReply struct{ service.Audit }

// VisitGetAuditResponse says 200.
func (a auditReply) VisitGetAuditResponse(w http.ResponseWriter) error {
	if !a.State.Ended() {
		w.Header().Set("Retry-After", strconv.Itoa(pollAfter))
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(http.StatusOK)
	return json.NewEncoder(w).Encode(a.Audit)
}

// CancelAudit ends an audit.
func (h *handlers) CancelAudit(ctx context.Context, r CancelAuditRequestObject) (CancelAuditResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	a, err := h.audits.Cancel(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return CancelAudit200JSONResponse(a), nil
}

// GetAuditSummary sums an audit up in the form that is accepted.
func (h *handlers) GetAuditSummary(ctx context.Context, r GetAuditSummaryRequestObject) (GetAuditSummaryResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	s, err := h.audits.Summary(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	if kind := chosenKind(ctx); kind != kindHTML && kind != kindPDF {
		body, err := json.Marshal(s)
		if err != nil {
			return nil, err
		}
		return recordReply{kind: "application/json", body: append(body, '\n')}, nil
	}
	doc, err := auditPage(s)
	if err != nil {
		return nil, err
	}
	return onPaper(ctx, doc, string(r.Params.Paper))
}

// VisitGetAuditSummaryResponse says 200.
func (r recordReply) VisitGetAuditSummaryResponse(w http.ResponseWriter) error {
	return r.VisitGetFittingRecordResponse(w)
}

// ListAuditItems gives a page of what an audit says of its rows.
func (h *handlers) ListAuditItems(ctx context.Context, r ListAuditItemsRequestObject) (ListAuditItemsResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	p := r.Params
	page, err := h.audits.Items(ctx, r.ID, service.AuditItemQuery{
		Outcome: p.Outcome, Finding: p.Finding, Missing: p.Missing, Part: p.Part, ID: p.Rig, Vehicle: p.Vehicle, Trailer: p.Trailer, Moved: p.Moved,
		Cursor: p.Cursor, Limit: p.Limit,
	})
	if err != nil {
		return nil, err
	}
	return ListAuditItems200JSONResponse(page), nil
}

// GetAuditItem gives one row with its whole answer.
func (h *handlers) GetAuditItem(ctx context.Context, r GetAuditItemRequestObject) (GetAuditItemResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	item, err := h.audits.Item(ctx, r.ID, int64(r.Row))
	if err != nil {
		return nil, err
	}
	return GetAuditItem200JSONResponse(item), nil
}

// CompareAudits holds two audits against each other.
func (h *handlers) CompareAudits(ctx context.Context, r CompareAuditsRequestObject) (CompareAuditsResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	c, err := h.audits.Compare(ctx, r.ID, r.Params.With)
	if err != nil {
		return nil, err
	}
	return CompareAudits200JSONResponse(c), nil
}

// ListAuditColumns lists the columns of a file of rigs.
func (h *handlers) ListAuditColumns(context.Context, ListAuditColumnsRequestObject) (ListAuditColumnsResponseObject, error) {
	page := ListAuditColumns200JSONResponse{}
	for _, c := range fleet.Columns() {
		page.Items = append(page.Items, FleetColumn{Name: c.Name, Aliases: c.Aliases, Units: c.Units, Meaning: c.Meaning})
	}
	return page, nil
}

// GetAuditTemplate gives a file of rigs to fill in.
func (h *handlers) GetAuditTemplate(_ context.Context, r GetAuditTemplateRequestObject) (GetAuditTemplateResponseObject, error) {
	var places []string
	if r.Params.Place != "" {
		places = strings.Split(r.Params.Place, ",")
	}
	text, err := fleet.Template(places...)
	if err != nil {
		r := refuse(ProblemBadQuery, "1 parameter of the query is wrong.")
		r.faults = []Fault{{Parameter: "place", Code: FaultCodeBadValue, Message: "one of the places is no ISO 3166 code", Advice: "Give codes such as AU-NSW, joined by commas."}}
		return nil, r
	}
	return recordReply{kind: kindCSV + "; charset=utf-8", body: []byte(text)}, nil
}

// VisitGetAuditTemplateResponse says 200.
func (r recordReply) VisitGetAuditTemplateResponse(w http.ResponseWriter) error {
	return r.VisitGetFittingRecordResponse(w)
}

// refusedFile lists the faults of a file of which nothing can be read.
func refusedFile(b *fleet.Bad) *refusal {
	r := refuse(ProblemInvalidFile, "%d faults were found in the file.", len(b.Faults))
	if len(b.Faults) == 1 {
		r.detail = "1 fault was found in the file."
	}
	for _, f := range b.Faults[:min(len(b.Faults), maxFaults)] {
		fault := Fault{Line: f.Line, Column: f.Column, Code: rig.CodeBadValue, Message: f.Message, Advice: f.Advice}
		if f.Name != "" {
			fault.Message = short(f.Name) + ": " + f.Message
		}
		r.faults = append(r.faults, fault)
	}
	return r
}
