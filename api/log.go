package api

import (
	"context"
	"net/http"

	"drawgear/service"
)

// errNoLedger: the service keeps no log.
var errNoLedger = refuse(ProblemNotFound, "This service keeps no log.")

// ProveAssessment gives the proof of one assessment.
func (h *handlers) ProveAssessment(ctx context.Context, r ProveAssessmentRequestObject) (ProveAssessmentResponseObject, error) {
	if h.ledger == nil {
		return nil, errNoLedger
	}
	p, err := h.ledger.Prove(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return ProveAssessment200JSONResponse(p), nil
}

// GetLogHead gives the signed head of the tenant's log.
func (h *handlers) GetLogHead(ctx context.Context, _ GetLogHeadRequestObject) (GetLogHeadResponseObject, error) {
	if h.ledger == nil {
		return nil, errNoLedger
	}
	head, err := h.ledger.Head(ctx)
	if err != nil {
		return nil, err
	}
	return GetLogHead200JSONResponse(head), nil
}

// GetLogConsistency proves that the log only grew.
func (h *handlers) GetLogConsistency(ctx context.Context, r GetLogConsistencyRequestObject) (GetLogConsistencyResponseObject, error) {
	if h.ledger == nil {
		return nil, errNoLedger
	}
	c, err := h.ledger.Consistent(ctx, int64(r.Params.From), int64(r.Params.To))
	if err != nil {
		return nil, err
	}
	return GetLogConsistency200JSONResponse(c), nil
}

// ExportLog writes the tenant's log.
func (h *handlers) ExportLog(ctx context.Context, _ ExportLogRequestObject) (ExportLogResponseObject, error) {
	if h.ledger == nil {
		return nil, errNoLedger
	}
	if _, err := h.ledger.Head(ctx); err != nil { // what can be refused is refused before a byte is written
		return nil, err
	}
	return exportReply{ctx, h.ledger}, nil
}

// exportReply streams the log. If the store goes away on the way the reply
// breaks off, and the file does not verify.
type exportReply struct {
	ctx    context.Context
	ledger *service.Ledger
}

// VisitExportLogResponse writes the lines.
func (e exportReply) VisitExportLogResponse(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", "application/x-ndjson")
	w.WriteHeader(http.StatusOK)
	if err := e.ledger.Export(e.ctx, w); err != nil {
		// A complete reply must not be mistaken for a complete log.
		panic(http.ErrAbortHandler)
	}
	return nil
}
