package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"drawgear/rules/law"
	"drawgear/rules/rig"
	"drawgear/service"
)

// DraftDocument is a ruleset as its author sent it, in YAML or JSON. Its bytes
// go to law.ParseDraft untouched: JSON is YAML, and only the text itself has the
// place of each fault.
type DraftDocument []byte

func (d *DraftDocument) read(c echo.Context) error {
	body, err := readBody(c, law.MaxBytes, "application/yaml", "application/json")
	*d = body
	return err
}

// readDraft reads the document of a draft whatever the case and the parameters
// of its media type; the generated code sees to plain JSON only.
func readDraft(next StrictHandlerFunc, _ string) StrictHandlerFunc {
	return func(c echo.Context, request any) (any, error) {
		var document DraftDocument
		switch r := request.(type) {
		case CreateRulesetRequestObject:
			if r.JSONBody == nil {
				if err := document.read(c); err != nil {
					return nil, err
				}
				r.JSONBody = &document
			}
			request = r
		case ReplaceRulesetDraftRequestObject:
			if r.JSONBody == nil {
				if err := document.read(c); err != nil {
					return nil, err
				}
				r.JSONBody = &document
			}
			request = r
		}
		return next(c, request)
	}
}

// errNoAuthoring: there is no store to keep what is written.
var errNoAuthoring = refuse(ProblemNotFound, "The law of this service stays as it is.")

// versionReply sends a version with its tag, in the bytes that its digest is
// over.
type versionReply struct {
	status  int
	version service.RulesetVersion
}

func (v versionReply) write(w http.ResponseWriter) error {
	if v.status == http.StatusCreated {
		w.Header().Set("Location", fmt.Sprintf("/v1/rulesets/%s/versions/%d", v.version.ID, v.version.Version))
	}
	w.Header().Set("ETag", v.version.ETag)
	body, err := json.Marshal(v.version)
	if err != nil {
		return fmt.Errorf("write a version: %w", err)
	}
	return writeJSON(w, v.status, append(body, '\n'))
}

// VisitCreateRulesetResponse says 201 and where.
func (v versionReply) VisitCreateRulesetResponse(w http.ResponseWriter) error { return v.write(w) }

// VisitReplaceRulesetDraftResponse says 200.
func (v versionReply) VisitReplaceRulesetDraftResponse(w http.ResponseWriter) error {
	return v.write(w)
}

// VisitGetRulesetVersionResponse says 200.
func (v versionReply) VisitGetRulesetVersionResponse(w http.ResponseWriter) error { return v.write(w) }

// VisitApproveRulesetVersionResponse says 200.
func (v versionReply) VisitApproveRulesetVersionResponse(w http.ResponseWriter) error {
	return v.write(w)
}

// VisitPublishRulesetVersionResponse says 200.
func (v versionReply) VisitPublishRulesetVersionResponse(w http.ResponseWriter) error {
	return v.write(w)
}

// VisitWithdrawRulesetVersionResponse says 200.
func (v versionReply) VisitWithdrawRulesetVersionResponse(w http.ResponseWriter) error {
	return v.write(w)
}

// CreateRuleset keeps a first draft.
func (h *handlers) CreateRuleset(ctx context.Context, r CreateRulesetRequestObject) (CreateRulesetResponseObject, error) {
	if h.authoring == nil {
		return nil, errNoAuthoring
	}
	v, err := h.authoring.Draft(ctx, *r.JSONBody)
	if err != nil {
		return nil, err
	}
	return versionReply{http.StatusCreated, v}, nil
}

// ReplaceRulesetDraft replaces the text of a draft.
func (h *handlers) ReplaceRulesetDraft(ctx context.Context, r ReplaceRulesetDraftRequestObject) (ReplaceRulesetDraftResponseObject, error) {
	if h.authoring == nil {
		return nil, errNoAuthoring
	}
	v, err := h.authoring.Redraft(ctx, r.ID, r.Version, r.Params.IfMatch, *r.JSONBody)
	if err != nil {
		return nil, err
	}
	return versionReply{http.StatusOK, v}, nil
}

// CheckRulesetVersion reports on a version.
func (h *handlers) CheckRulesetVersion(ctx context.Context, r CheckRulesetVersionRequestObject) (CheckRulesetVersionResponseObject, error) {
	if h.authoring == nil {
		return nil, errNoAuthoring
	}
	report, err := h.authoring.Check(ctx, r.ID, r.Version)
	if err != nil {
		return nil, err
	}
	return CheckRulesetVersion200JSONResponse(report), nil
}

// ApproveRulesetVersion has a second person stand by a draft.
func (h *handlers) ApproveRulesetVersion(ctx context.Context, r ApproveRulesetVersionRequestObject) (ApproveRulesetVersionResponseObject, error) {
	if h.authoring == nil {
		return nil, errNoAuthoring
	}
	v, err := h.authoring.Approve(ctx, r.ID, r.Version, r.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	return versionReply{http.StatusOK, v}, nil
}

// PublishRulesetVersion puts an approved version in force.
func (h *handlers) PublishRulesetVersion(ctx context.Context, r PublishRulesetVersionRequestObject) (PublishRulesetVersionResponseObject, error) {
	if h.authoring == nil {
		return nil, errNoAuthoring
	}
	v, err := h.authoring.Publish(ctx, r.ID, r.Version, r.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	return versionReply{http.StatusOK, v}, nil
}

// WithdrawRulesetVersion takes a published version out of force.
func (h *handlers) WithdrawRulesetVersion(ctx context.Context, r WithdrawRulesetVersionRequestObject) (WithdrawRulesetVersionResponseObject, error) {
	if h.authoring == nil {
		return nil, errNoAuthoring
	}
	v, err := h.authoring.Withdraw(ctx, r.ID, r.Version, r.Params.IfMatch, r.Body.Reason)
	if err != nil {
		return nil, err
	}
	return versionReply{http.StatusOK, v}, nil
}

// CompareRulesetVersions tells two versions apart.
func (h *handlers) CompareRulesetVersions(ctx context.Context, r CompareRulesetVersionsRequestObject) (CompareRulesetVersionsResponseObject, error) {
	c, err := h.service.Compare(ctx, r.ID, r.Version, r.Params.With, r.Params.Jurisdiction, r.Params.AsOf)
	if err != nil {
		return nil, err
	}
	return CompareRulesetVersions200JSONResponse(c), nil
}

// ListJurisdictions lists the places whose law is encoded.
func (h *handlers) ListJurisdictions(ctx context.Context, _ ListJurisdictionsRequestObject) (ListJurisdictionsResponseObject, error) {
	page, err := h.service.Jurisdictions(ctx)
	if err != nil {
		return nil, err
	}
	return ListJurisdictions200JSONResponse(page), nil
}

// GetJurisdiction gives one place.
func (h *handlers) GetJurisdiction(ctx context.Context, r GetJurisdictionRequestObject) (GetJurisdictionResponseObject, error) {
	j, err := h.service.Jurisdiction(ctx, r.Code)
	if err != nil {
		return nil, err
	}
	return GetJurisdiction200JSONResponse(j), nil
}

// ListRulesets lists all rulesets.
func (h *handlers) ListRulesets(ctx context.Context, _ ListRulesetsRequestObject) (ListRulesetsResponseObject, error) {
	page, err := h.service.Rulesets(ctx)
	if err != nil {
		return nil, err
	}
	return ListRulesets200JSONResponse(page), nil
}

// GetRuleset gives one ruleset without its rules.
func (h *handlers) GetRuleset(ctx context.Context, r GetRulesetRequestObject) (GetRulesetResponseObject, error) {
	rs, err := h.service.Ruleset(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return GetRuleset200JSONResponse(rs), nil
}

// ListRulesetVersions lists the versions of a ruleset.
func (h *handlers) ListRulesetVersions(ctx context.Context, r ListRulesetVersionsRequestObject) (ListRulesetVersionsResponseObject, error) {
	rs, err := h.service.Ruleset(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return ListRulesetVersions200JSONResponse{Items: rs.Versions}, nil
}

// GetRulesetVersion gives one version with its rules.
func (h *handlers) GetRulesetVersion(ctx context.Context, r GetRulesetVersionRequestObject) (GetRulesetVersionResponseObject, error) {
	v, err := h.service.RulesetVersion(ctx, r.ID, r.Version)
	if err != nil {
		return nil, err
	}
	return versionReply{http.StatusOK, v}, nil
}

// ListSources lists the publications that rules cite.
func (h *handlers) ListSources(ctx context.Context, _ ListSourcesRequestObject) (ListSourcesResponseObject, error) {
	page, err := h.service.Sources(ctx)
	if err != nil {
		return nil, err
	}
	return ListSources200JSONResponse(page), nil
}

// GetSource gives one publication.
func (h *handlers) GetSource(ctx context.Context, r GetSourceRequestObject) (GetSourceResponseObject, error) {
	s, err := h.service.Source(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return GetSource200JSONResponse(s), nil
}

// refusedRuleset lists the faults of a document by their places.
func refusedRuleset(fs law.Faults) *refusal {
	r := refuse(ProblemInvalidRuleset, "%d faults were found in the ruleset.", len(fs))
	if len(fs) == 1 {
		r.detail = "1 fault was found in the ruleset."
	}
	r.faults = rulesetFaults(fs)
	return r
}

func rulesetFaults(fs law.Faults) []Fault {
	var out []Fault
	for _, f := range fs[:min(len(fs), maxFaults)] {
		fault := Fault{Line: f.Line, Column: f.Column, Code: rig.CodeBadValue, Message: f.Message, Advice: "Mend this place of the document."}
		if f.Pointer != "" {
			fault.Pointer = &f.Pointer
		}
		out = append(out, fault)
	}
	return out
}

// failedCheck lists what keeps a version from being approved or published.
func failedCheck(report service.Report) *refusal {
	r := refuse(ProblemCheckFailed, "The check found %d faults, %d failed examples and %d conflicts.", len(report.Faults), len(report.Examples.Failed), report.Conflicts)
	r.faults = rulesetFaults(report.Faults)
	add := func(message, advice string) {
		if len(r.faults) < maxFaults {
			r.faults = append(r.faults, Fault{Code: rig.CodeContradiction, Message: message, Advice: advice})
		}
	}
	for _, failed := range report.Examples.Failed {
		add(failed, "Mend the rule, or what the example expects.")
	}
	for _, s := range report.Survey {
		for _, o := range s.Overlaps {
			if o.Conflict {
				add(fmt.Sprintf("%s: %v cannot all be obeyed where %s", s.Question, o.Rules, o.Where), "Give the rules an order, or ask for something that the law permits.")
			}
		}
	}
	return r
}
