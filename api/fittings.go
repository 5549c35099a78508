package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"

	"drawgear/rules"
	"drawgear/rules/rig"
	"drawgear/service"
)

// FittingDocument is what a fitting is planned from, as it was sent: the service
// reads the parts, of which only the text itself still has repeated names and
// the place of each fault.
type FittingDocument struct {
	assessment string
	parts      map[string]*json.RawMessage
}

func (f *FittingDocument) fields() map[string]any {
	f.parts = map[string]*json.RawMessage{}
	out := map[string]any{"assessment": &f.assessment}
	for _, name := range []string{"rig", "actuator", "wiring", "breakaway", "controller"} {
		f.parts[name] = new(json.RawMessage)
		out[name] = f.parts[name]
	}
	return out
}

// ask is the document as the service takes it.
func (f *FittingDocument) ask() (service.FittingAsk, error) {
	told := map[string]json.RawMessage{}
	for name, text := range f.parts {
		if name != "rig" && *text != nil {
			told[name] = *text
		}
	}
	request, err := json.Marshal(told)
	if err != nil {
		return service.FittingAsk{}, fmt.Errorf("write the request: %w", err)
	}
	return service.FittingAsk{Rig: *f.parts["rig"], Assessment: f.assessment, Request: request}, nil
}

// JobDocument is a document of a job as it was sent: measurements, or a
// signature.
type JobDocument []byte

// fittingReply sends a fitting with its tag.
type fittingReply struct {
	status  int
	fitting service.Fitting
}

func (f fittingReply) write(w http.ResponseWriter) error {
	body, err := f.fitting.Encode()
	if err != nil {
		return fmt.Errorf("write a fitting: %w", err)
	}
	if f.status == http.StatusCreated && f.fitting.Revision == 1 {
		w.Header().Set("Location", "/v1/fittings/"+f.fitting.ID)
	}
	if f.fitting.ID != "" {
		w.Header().Set("ETag", f.fitting.ETag())
	}
	return writeJSON(w, f.status, body)
}

// VisitCreateFittingResponse says 201 and where, or 200 if nothing was kept.
func (f fittingReply) VisitCreateFittingResponse(w http.ResponseWriter) error { return f.write(w) }

// VisitGetFittingResponse says 200.
func (f fittingReply) VisitGetFittingResponse(w http.ResponseWriter) error { return f.write(w) }

// VisitAddFittingProofResponse says 201.
func (f fittingReply) VisitAddFittingProofResponse(w http.ResponseWriter) error { return f.write(w) }

// VisitSignOffFittingResponse says 200.
func (f fittingReply) VisitSignOffFittingResponse(w http.ResponseWriter) error { return f.write(w) }

// CreateFitting plans a job and, unless told not to, keeps the plan.
func (h *handlers) CreateFitting(ctx context.Context, r CreateFittingRequestObject) (CreateFittingResponseObject, error) {
	ask, err := r.Body.ask()
	if err != nil {
		return nil, err
	}
	record := r.Params.Record == nil || *r.Params.Record
	f, err := h.service.PlanFitting(ctx, ask, record)
	if err != nil {
		return nil, err
	}
	if !record {
		return fittingReply{http.StatusOK, f}, nil
	}
	return fittingReply{http.StatusCreated, f}, nil
}

// ListFittings gives a page of fittings.
func (h *handlers) ListFittings(ctx context.Context, r ListFittingsRequestObject) (ListFittingsResponseObject, error) {
	page, err := h.service.Fittings(ctx, service.FittingQuery{State: r.Params.State, Limit: r.Params.Limit, Cursor: r.Params.Cursor})
	if err != nil {
		return nil, err
	}
	return ListFittings200JSONResponse(page), nil
}

// GetFitting gives a fitting.
func (h *handlers) GetFitting(ctx context.Context, r GetFittingRequestObject) (GetFittingResponseObject, error) {
	f, err := h.service.Fitting(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return fittingReply{http.StatusOK, f}, nil
}

// AddFittingProof adds what was measured.
func (h *handlers) AddFittingProof(ctx context.Context, r AddFittingProofRequestObject) (AddFittingProofResponseObject, error) {
	f, err := h.service.Prove(ctx, r.ID, r.Params.IfMatch, *r.Body)
	if err != nil {
		return nil, err
	}
	return fittingReply{http.StatusCreated, f}, nil
}

// SignOffFitting puts a signature under a fitting.
func (h *handlers) SignOffFitting(ctx context.Context, r SignOffFittingRequestObject) (SignOffFittingResponseObject, error) {
	f, err := h.service.SignOffFitting(ctx, r.ID, r.Params.IfMatch, *r.Body)
	if err != nil {
		return nil, err
	}
	return fittingReply{http.StatusOK, f}, nil
}

// ReplayFitting works a fitting out again.
func (h *handlers) ReplayFitting(ctx context.Context, r ReplayFittingRequestObject) (ReplayFittingResponseObject, error) {
	again, err := h.service.ReplayFitting(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return ReplayFitting200JSONResponse(again), nil
}

// ProveFitting proves the entries of a fitting.
func (h *handlers) ProveFitting(ctx context.Context, r ProveFittingRequestObject) (ProveFittingResponseObject, error) {
	if h.ledger == nil {
		return nil, errNoLedger
	}
	proofs, err := h.ledger.ProveFitting(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return ProveFitting200JSONResponse(proofs), nil
}

// GetFittingRecord gives the hand-over record in the form that is accepted.
func (h *handlers) GetFittingRecord(ctx context.Context, r GetFittingRecordRequestObject) (GetFittingRecordResponseObject, error) {
	record, err := h.service.Handover(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	if kind := chosenKind(ctx); kind != kindHTML && kind != kindPDF {
		body, err := record.Encode()
		if err != nil {
			return nil, fmt.Errorf("write a hand-over record: %w", err)
		}
		return recordReply{kind: "application/json", body: body}, nil
	}
	doc, err := handoverPage(record)
	if err != nil {
		return nil, err
	}
	return onPaper(ctx, doc, string(r.Params.Paper))
}

// Kinds of a record beside JSON.
const (
	kindHTML = "text/html"
	kindPDF  = "application/pdf"
)

// recordReply sends a record in one of its forms.
type recordReply struct {
	kind   string
	policy string // Content-Security-Policy; that of all replies if it is empty
	body   []byte
}

// VisitGetFittingRecordResponse says 200.
func (r recordReply) VisitGetFittingRecordResponse(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", r.kind)
	if r.policy != "" {
		w.Header().Set("Content-Security-Policy", r.policy)
	}
	w.WriteHeader(http.StatusOK)
	_, err := w.Write(r.body)
	return err
}

// unproven lists the proofs that keep a signature back.
func unproven(n *service.NotProven) *refusal {
	r := refuse(ProblemNotProven, "%d proofs are open or failed.", len(n.Open))
	switch len(n.Open) {
	case 0:
		r.detail = "It is not known whether anything electrical is called for, so that the plan could not say what has to be proven."
	case 1:
		r.detail = "1 proof is open or failed."
	}
	for _, p := range n.Open[:min(len(n.Open), maxFaults)] {
		advice := "Measure it and add it to the proofs."
		if p.Status == rules.NotMet {
			advice = "Find the fault, mend it and measure again."
		}
		r.faults = append(r.faults, Fault{Code: rig.CodeContradiction, Message: p.ID + ": " + p.Summary, Advice: advice})
	}
	return r
}
