package api

import (
	"context"
	"net/http"

	"drawgear/openapi"
	"drawgear/service"
)

// handlers answer the operations of the contract.
type handlers struct {
	service *service.Assessor
}

var _ StrictServerInterface = (*handlers)(nil)

// CreateAssessment assesses a rig and, unless told not to, keeps the answer.
func (h *handlers) CreateAssessment(ctx context.Context, r CreateAssessmentRequestObject) (CreateAssessmentResponseObject, error) {
	record := r.Params.Record == nil || *r.Params.Record
	a, err := h.service.Assess(ctx, *r.Body, record)
	if err != nil {
		return nil, err
	}
	return newAssessmentReply(a)
}

// assessmentReply sends an assessment in the bytes that the service gives it.
type assessmentReply struct {
	location string // of one that was just kept
	body     []byte
}

func newAssessmentReply(a service.Assessment) (assessmentReply, error) {
	body, err := a.Encode()
	if err != nil || a.ID == "" {
		return assessmentReply{body: body}, err
	}
	return assessmentReply{location: "/v1/assessments/" + a.ID, body: body}, nil
}

// VisitCreateAssessmentResponse says 201 and where, or 200 if nothing was kept.
func (a assessmentReply) VisitCreateAssessmentResponse(w http.ResponseWriter) error {
	if a.location == "" {
		return writeJSON(w, http.StatusOK, a.body)
	}
	w.Header().Set("Location", a.location)
	return writeJSON(w, http.StatusCreated, a.body)
}

// VisitGetAssessmentResponse says 200.
func (a assessmentReply) VisitGetAssessmentResponse(w http.ResponseWriter) error {
	return writeJSON(w, http.StatusOK, a.body)
}

func writeJSON(w http.ResponseWriter, status int, body []byte) error {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, err := w.Write(body)
	return err
}

// ListAssessments gives a page of what was kept.
func (h *handlers) ListAssessments(ctx context.Context, r ListAssessmentsRequestObject) (ListAssessmentsResponseObject, error) {
	page, err := h.service.List(ctx, service.Query{
		Jurisdiction: r.Params.Jurisdiction, Verdict: r.Params.Verdict, Limit: r.Params.Limit, Cursor: r.Params.Cursor,
	})
	if err != nil {
		return nil, err
	}
	return ListAssessments200JSONResponse(page), nil
}

// GetAssessment gives what was kept under an id.
func (h *handlers) GetAssessment(ctx context.Context, r GetAssessmentRequestObject) (GetAssessmentResponseObject, error) {
	a, err := h.service.Get(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return newAssessmentReply(a)
}

// ReplayAssessment evaluates what was kept again.
func (h *handlers) ReplayAssessment(ctx context.Context, r ReplayAssessmentRequestObject) (ReplayAssessmentResponseObject, error) {
	again, err := h.service.Replay(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return ReplayAssessment200JSONResponse(again), nil
}

// ListJurisdictions lists the places whose law is encoded.
func (h *handlers) ListJurisdictions(context.Context, ListJurisdictionsRequestObject) (ListJurisdictionsResponseObject, error) {
	return ListJurisdictions200JSONResponse(h.service.Jurisdictions()), nil
}

// GetJurisdiction gives one place.
func (h *handlers) GetJurisdiction(_ context.Context, r GetJurisdictionRequestObject) (GetJurisdictionResponseObject, error) {
	j, err := h.service.Jurisdiction(r.Code)
	if err != nil {
		return nil, err
	}
	return GetJurisdiction200JSONResponse(j), nil
}

// ListRulesets lists all rulesets.
func (h *handlers) ListRulesets(context.Context, ListRulesetsRequestObject) (ListRulesetsResponseObject, error) {
	return ListRulesets200JSONResponse(h.service.Rulesets()), nil
}

// GetRuleset gives one ruleset without its rules.
func (h *handlers) GetRuleset(_ context.Context, r GetRulesetRequestObject) (GetRulesetResponseObject, error) {
	rs, err := h.service.Ruleset(r.ID)
	if err != nil {
		return nil, err
	}
	return GetRuleset200JSONResponse(rs), nil
}

// ListRulesetVersions lists the versions of a ruleset.
func (h *handlers) ListRulesetVersions(_ context.Context, r ListRulesetVersionsRequestObject) (ListRulesetVersionsResponseObject, error) {
	rs, err := h.service.Ruleset(r.ID)
	if err != nil {
		return nil, err
	}
	return ListRulesetVersions200JSONResponse{Items: rs.Versions}, nil
}

// GetRulesetVersion gives one version with its rules.
func (h *handlers) GetRulesetVersion(_ context.Context, r GetRulesetVersionRequestObject) (GetRulesetVersionResponseObject, error) {
	v, err := h.service.RulesetVersion(r.ID, r.Version)
	if err != nil {
		return nil, err
	}
	return GetRulesetVersion200JSONResponse(v), nil
}

// ListSources lists the publications that rules cite.
func (h *handlers) ListSources(context.Context, ListSourcesRequestObject) (ListSourcesResponseObject, error) {
	return ListSources200JSONResponse(h.service.Sources()), nil
}

// GetSource gives one publication.
func (h *handlers) GetSource(_ context.Context, r GetSourceRequestObject) (GetSourceResponseObject, error) {
	s, err := h.service.Source(r.ID)
	if err != nil {
		return nil, err
	}
	return GetSource200JSONResponse(s), nil
}

// contractReply sends the contract as it is: the generated reply would lose
// the type that keeps raw JSON raw.
type contractReply []byte

// VisitGetContractResponse writes the contract.
func (c contractReply) VisitGetContractResponse(w http.ResponseWriter) error {
	return writeJSON(w, http.StatusOK, c)
}

// GetContract gives the contract.
func (h *handlers) GetContract(context.Context, GetContractRequestObject) (GetContractResponseObject, error) {
	return contractReply(openapi.JSON()), nil
}

// GetLiveness says that the process serves requests.
func (h *handlers) GetLiveness(context.Context, GetLivenessRequestObject) (GetLivenessResponseObject, error) {
	return GetLiveness200JSONResponse{Status: Alive}, nil
}

// GetReadiness says whether requests can be answered.
func (h *handlers) GetReadiness(ctx context.Context, _ GetReadinessRequestObject) (GetReadinessResponseObject, error) {
	r := h.service.Ready(ctx)
	if !r.Ready {
		return GetReadiness503JSONResponse(r), nil
	}
	return GetReadiness200JSONResponse(r), nil
}
