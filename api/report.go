package api

import (
	"context"
	"fmt"
	"net/http"

	"drawgear/api/page"
)

// GetAssessmentReport prints a kept assessment.
func (h *handlers) GetAssessmentReport(ctx context.Context, r GetAssessmentReportRequestObject) (GetAssessmentReportResponseObject, error) {
	kept, err := h.service.Report(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return onPaper(ctx, reportPage(kept, h.ledger != nil), string(r.Params.Paper))
}

// onPaper prints a document in the kind that was chosen, on the paper of the
// name or, where there is none, on A4.
func onPaper(ctx context.Context, doc *page.Document, name string) (recordReply, error) {
	paper := page.A4
	if name != "" {
		var err error
		if paper, err = page.ParsePaper(name); err != nil {
			return recordReply{}, fmt.Errorf("choose paper: %w", err)
		}
	}
	reply, draw := recordReply{kind: kindPDF}, doc.PDF
	if chosenKind(ctx) == kindHTML {
		reply, draw = recordReply{kind: kindHTML + "; charset=utf-8", policy: page.ContentSecurityPolicy(paper)}, doc.HTML
	}
	var err error
	if reply.body, err = draw(paper); err != nil {
		return recordReply{}, fmt.Errorf("print a document: %w", err)
	}
	return reply, nil
}

// VisitGetAssessmentReportResponse says 200.
func (r recordReply) VisitGetAssessmentReportResponse(w http.ResponseWriter) error {
	return r.VisitGetFittingRecordResponse(w)
}
