package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"drawgear/rules/rig"
	"drawgear/service"
)

// maxTable is the most bytes of a table that is imported.
const maxTable = 64 << 20

// errNoRegister: there is no store to keep a register in.
var errNoRegister = refuse(ProblemNotFound, "This service keeps no register.")

// EntryDocument is what is written of an entry of the register, as it was sent:
// the service reads the document in it, of which only the text itself still has
// repeated names.
type EntryDocument struct {
	write    service.RegisterWrite
	fittedTo json.RawMessage
}

func (e *EntryDocument) fields() map[string]any {
	return map[string]any{
		"since": &e.write.Since, "yard": &e.write.Yard, "fitted_to": &e.fittedTo, "note": &e.write.Note, "document": &e.write.Document,
	}
}

// entry is the document as the service takes it.
func (e *EntryDocument) entry() (service.RegisterWrite, error) {
	w := e.write
	if e.fittedTo == nil {
		return w, nil
	}
	w.FittedTo = new(service.RegisterFitted)
	err := readObject(e.fittedTo, map[string]any{"kind": &w.FittedTo.Kind, "id": &w.FittedTo.ID})
	var faults service.Invalid
	if errors.As(err, &faults) {
		for i := range faults {
			faults[i].Pointer = "/fitted_to" + faults[i].Pointer
		}
	}
	return w, err
}

// RegisterQuestion is a question about what the register holds, as it was sent.
type RegisterQuestion struct{ ask service.RegisterAsk }

func (q *RegisterQuestion) fields() map[string]any {
	return map[string]any{
		"pairing": &q.ask.Pairing, "vehicle": &q.ask.Vehicle, "trailer": &q.ask.Trailer,
		"jurisdiction": &q.ask.Jurisdiction, "as_of": &q.ask.AsOf, "use": &q.ask.Use,
	}
}

// entryReply sends an entry with its tag.
type entryReply struct {
	entry   service.RegisterEntry
	created bool
}

func (e entryReply) write(w http.ResponseWriter) error {
	body, err := json.Marshal(e.entry)
	if err != nil {
		return fmt.Errorf("write an entry of the register: %w", err)
	}
	status := http.StatusOK
	if e.created {
		status = http.StatusCreated
		w.Header().Set("Location", "/v1/register/"+string(e.entry.Kind)+"/"+url.PathEscape(e.entry.ID))
	}
	w.Header().Set("ETag", e.entry.ETag())
	return writeJSON(w, status, append(body, '\n'))
}

// VisitGetRegisterEntryResponse says 200.
func (e entryReply) VisitGetRegisterEntryResponse(w http.ResponseWriter) error { return e.write(w) }

// VisitRemoveRegisterEntryResponse says 200.
func (e entryReply) VisitRemoveRegisterEntryResponse(w http.ResponseWriter) error { return e.write(w) }

// VisitPutRegisterEntryResponse says 201 and where, or 200 if there was one.
func (e entryReply) VisitPutRegisterEntryResponse(w http.ResponseWriter) error { return e.write(w) }

// PutRegisterEntry writes an entry.
func (h *handlers) PutRegisterEntry(ctx context.Context, r PutRegisterEntryRequestObject) (PutRegisterEntryResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	match, fresh := r.Params.IfMatch, r.Params.IfNoneMatch
	if fresh != "" && (fresh != "*" || match != "") {
		no := refuse(ProblemBadQuery, "The precondition is refused.")
		no.faults = []Fault{{Parameter: "If-None-Match", Code: FaultCodeBadValue, Message: "must be * and stand without If-Match", Advice: "Send If-None-Match: * for a new entry, or the ETag that was seen in If-Match."}}
		return nil, no
	}
	write, err := r.Body.entry()
	if err != nil {
		return nil, err
	}
	// Without a precondition it is tried first as a new one, so that the reply can tell which it was.
	if match == "" {
		e, err := h.register.Put(ctx, r.Kind, r.ID, "", true, write)
		if err == nil {
			return entryReply{e, true}, nil
		}
		if fresh != "" || !errors.Is(err, service.ErrStale) {
			return nil, asBody(err)
		}
	}
	e, err := h.register.Put(ctx, r.Kind, r.ID, match, false, write)
	if err != nil {
		return nil, asBody(err)
	}
	return entryReply{entry: e}, nil
}

// asBody makes faults of a document that is no rig faults of the body.
func asBody(err error) error {
	var issues rig.Issues
	if errors.As(err, &issues) {
		return service.Invalid(issues)
	}
	return err
}

// asQuery makes faults of what stood in the query faults of its parameters.
func asQuery(err error) error {
	var (
		issues  rig.Issues
		invalid service.Invalid
	)
	if errors.As(err, &issues) {
		invalid = service.Invalid(issues)
	}
	if !errors.As(err, &invalid) && invalid == nil {
		return err
	}
	r := refuse(ProblemBadQuery, "The query is refused.")
	for _, is := range invalid {
		r.faults = append(r.faults, Fault{Parameter: strings.TrimPrefix(is.Pointer, "/"), Code: FaultCode(is.Code), Message: is.Message, Advice: is.Advice})
	}
	return r
}

// GetRegisterEntry gives an entry.
func (h *handlers) GetRegisterEntry(ctx context.Context, r GetRegisterEntryRequestObject) (GetRegisterEntryResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	e, err := h.register.Get(ctx, r.Kind, r.ID)
	if err != nil {
		return nil, err
	}
	return entryReply{entry: e}, nil
}

// RemoveRegisterEntry ends an entry.
func (h *handlers) RemoveRegisterEntry(ctx context.Context, r RemoveRegisterEntryRequestObject) (RemoveRegisterEntryResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	e, err := h.register.Remove(ctx, r.Kind, r.ID, r.Params.IfMatch, r.Params.Note)
	if err != nil {
		return nil, asQuery(err)
	}
	return entryReply{entry: e}, nil
}

// ListRegister gives a page of entries, or all of them as a table.
func (h *handlers) ListRegister(ctx context.Context, r ListRegisterRequestObject) (ListRegisterResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	p := r.Params
	if chosenKind(ctx) == kindCSV {
		if p.FittedTo != "" || p.Removed || p.Cursor != "" || p.Limit != 0 {
			no := refuse(ProblemBadQuery, "A table has all entries.")
			no.faults = []Fault{{Code: FaultCodeUnknownParameter, Message: "of the parameters only yard goes with a table", Advice: "Leave the others out, or ask for application/json."}}
			return nil, no
		}
		return tableReply{onlyHead(ctx), func(out io.Writer) error { return h.register.Export(ctx, r.Kind, p.Yard, out) }}, nil
	}
	q := service.RegisterQuery{Kind: r.Kind, Yard: p.Yard, Removed: p.Removed, Cursor: p.Cursor, Limit: p.Limit}
	if p.FittedTo != "" {
		kind, id, _ := strings.Cut(p.FittedTo, "/")
		q.FittedTo = service.FittedTo{Kind: service.EntryKind(kind), ID: id}
	}
	page, err := h.register.List(ctx, q)
	if err != nil {
		return nil, err
	}
	return ListRegister200JSONResponse{Body: page, Headers: ListRegister200ResponseHeaders{Vary: "Accept"}}, nil
}

// tableReply streams a table. What is refused before the first byte comes as a
// problem; if the store goes away later the reply breaks off.
type tableReply struct {
	head  bool // nobody sees the table
	table func(out io.Writer) error
}

// VisitListRegisterResponse writes the table.
func (t tableReply) VisitListRegisterResponse(w http.ResponseWriter) error {
	out := &begunReply{ResponseWriter: steadily(w)}
	if t.head {
		out.begin()
		return nil
	}
	switch err := t.table(out); {
	case err != nil && out.begun:
		panic(http.ErrAbortHandler) // a complete reply must not be mistaken for a complete table
	case err != nil:
		return err
	}
	out.begin()
	return nil
}

// begunReply says 200 and that a table comes with the first byte of it.
type begunReply struct {
	http.ResponseWriter
	begun bool
}

func (b *begunReply) begin() {
	if !b.begun {
		b.begun = true
		b.Header().Set("Content-Type", kindCSV+"; charset=utf-8")
		b.WriteHeader(http.StatusOK)
	}
}

// Write writes more of the table.
func (b *begunReply) Write(p []byte) (int, error) {
	b.begin()
	return b.ResponseWriter.Write(p)
}

// ListRegisterHistory gives a page of revisions.
func (h *handlers) ListRegisterHistory(ctx context.Context, r ListRegisterHistoryRequestObject) (ListRegisterHistoryResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	page, err := h.register.History(ctx, r.Kind, r.ID, r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	return ListRegisterHistory200JSONResponse(page), nil
}

// ListRegisterFitted gives what was fitted to a vehicle or trailer.
func (h *handlers) ListRegisterFitted(ctx context.Context, r ListRegisterFittedRequestObject) (ListRegisterFittedResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	fits, err := h.register.Fitted(ctx, service.FittedTo{Kind: r.Kind, ID: r.ID}, r.Params.On)
	if err != nil {
		return nil, asQuery(err)
	}
	return ListRegisterFitted200JSONResponse{Items: fits}, nil
}

// GetRegisterTemplate gives a table to fill in.
func (h *handlers) GetRegisterTemplate(_ context.Context, r GetRegisterTemplateRequestObject) (GetRegisterTemplateResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	table, err := h.register.Template(r.Kind, r.Params.Place)
	if err != nil {
		return nil, asQuery(err)
	}
	return templateReply(table), nil
}

// templateReply is a table to fill in.
type templateReply string

// VisitGetRegisterTemplateResponse says 200.
func (t templateReply) VisitGetRegisterTemplateResponse(w http.ResponseWriter) error {
	out := &begunReply{ResponseWriter: w}
	_, err := io.WriteString(out, string(t))
	return err
}

// CreateRegisterAssessment assesses a rig that the register holds.
func (h *handlers) CreateRegisterAssessment(ctx context.Context, r CreateRegisterAssessmentRequestObject) (CreateRegisterAssessmentResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	a, err := h.register.Assess(ctx, r.Body.ask, r.Params.Record == nil || *r.Params.Record)
	if err != nil {
		return nil, err
	}
	return newAssessmentReply(a)
}

// VisitCreateRegisterAssessmentResponse says 201 and where, or 200 if nothing was
// kept.
func (a assessmentReply) VisitCreateRegisterAssessmentResponse(w http.ResponseWriter) error {
	return a.VisitCreateAssessmentResponse(w)
}

// ImportRegister writes what a table holds.
func (h *handlers) ImportRegister(ctx context.Context, r ImportRegisterRequestObject) (ImportRegisterResponseObject, error) {
	if h.register == nil {
		return nil, errNoRegister
	}
	var decimal byte
	if r.Params.Decimal != "" {
		decimal = r.Params.Decimal[0]
	}
	done, err := h.register.Import(ctx, r.Kind, r.Params.Place, decimal, r.Body)
	if err != nil {
		return nil, asQuery(err)
	}
	return ImportRegister200JSONResponse(done), nil
}

// takeTable hands the handler of imports the table as it comes.
func takeTable(most int64, within time.Duration) StrictMiddlewareFunc {
	most = min(most, maxTable)
	return func(next StrictHandlerFunc, _ string) StrictHandlerFunc {
		return func(c echo.Context, request any) (any, error) {
			r, ok := request.(ImportRegisterRequestObject)
			if !ok {
				return next(c, request)
			}
			if err := checkMediaType(c.Request().Header, []string{kindCSV}); err != nil {
				return nil, err
			}
			file, err := newUpload(c, service.AuditCSV, most, within)
			if err != nil {
				return nil, err
			}
			r.Body = file
			return next(c, r)
		}
	}
}

// addRegisterLanes gives imports the lane of other files that come, and exports
// one of their own.
func addRegisterLanes(lanes map[string]*lane, c Config) {
	lanes["POST /v1/register/:kind"] = lanes["POST /v1/audits"]
	lanes["GET /v1/register/:kind"] = &lane{limitExports, c.UploadTime, wantsTable, make(chan struct{}, maxExports)}
}

// wantsTable says whether a table may be what the caller asks for.
func wantsTable(r *http.Request) bool {
	return strings.Contains(strings.ToLower(r.Header.Get("Accept")), kindCSV)
}
