package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"drawgear/openapi"
	"drawgear/service"
)

// handlers answer the operations of the contract.
type handlers struct {
	service   *service.Assessor
	keys      *service.Keyring   // nil if there are none
	authoring *service.Authoring // nil if the law stays as it is
	ledger    *service.Ledger
	register  *service.Registry // nil if there is none
	hooks     *service.Hooks    // nil if there are none
	audits    *service.Auditor  // nil for none
	draining  func() bool       // the service is about to stop
}

var _ StrictServerInterface = (*handlers)(nil)

// CreateAssessment assesses a rig and, unless told not to, keeps the answer.
func (h *handlers) CreateAssessment(ctx context.Context, r CreateAssessmentRequestObject) (CreateAssessmentResponseObject, error) {
	record := r.Params.Record == nil || *r.Params.Record
	var known time.Time
	if r.Params.KnownAt != nil {
		if known = *r.Params.KnownAt; known.IsZero() { // year 1 was asked for, not now
			known = time.Unix(0, 0)
		}
	}
	if wantsMinimal(ctx) {
		a, err := h.service.AssessMinimal(ctx, *r.Body, known, record)
		if err != nil {
			return nil, err
		}
		return minimalReply{a}, nil
	}
	a, err := h.service.AssessKnown(ctx, *r.Body, known, record)
	if err != nil {
		return nil, err
	}
	return newAssessmentReply(a)
}

// assessmentReply sends an assessment in the bytes that the service gives it.
type assessmentReply struct {
	location string // of one that was just kept
	body     []byte
	answer   placed
}

func newAssessmentReply(a service.Assessment) (assessmentReply, error) {
	body, err := a.Encode()
	return assessmentReply{locationOf(a.ID), body, placed{a.Jurisdiction, a.Verdict}}, err
}

// locationOf is the address of a kept assessment, none of one that is not kept.
func locationOf(id string) string {
	if id == "" {
		return ""
	}
	return "/v1/assessments/" + id
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

// minimalReply sends an assessment in little.
type minimalReply struct{ service.MinimalAssessment }

// rooms is memory in which replies are written before they are sent.
var rooms = sync.Pool{New: func() any { return new([]byte) }}

// send hands the written reply to what sends it, for as long as that takes.
func (m minimalReply) send(as func(body []byte) error) error {
	room := rooms.Get().(*[]byte)
	defer rooms.Put(room)
	body, err := m.AppendLine((*room)[:0])
	if err != nil {
		return err
	}
	*room = body
	return as(body)
}

// VisitCreateAssessmentResponse says 201 and where, or 200 if nothing was kept.
func (m minimalReply) VisitCreateAssessmentResponse(w http.ResponseWriter) error {
	return m.send(func(body []byte) error {
		return assessmentReply{location: locationOf(m.ID), body: body}.VisitCreateAssessmentResponse(w)
	})
}

// VisitGetAssessmentResponse says 200.
func (m minimalReply) VisitGetAssessmentResponse(w http.ResponseWriter) error {
	return m.send(func(body []byte) error { return writeJSON(w, http.StatusOK, body) })
}

func writeJSON(w http.ResponseWriter, status int, body []byte) error {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	_, err := w.Write(body)
	return err
}

// CreateTrip assesses a rig in several places.
func (h *handlers) CreateTrip(ctx context.Context, r CreateTripRequestObject) (CreateTripResponseObject, error) {
	record := r.Params.Record == nil || *r.Params.Record
	places := strings.Split(r.Params.Through, ",")
	if wantsMinimal(ctx) {
		t, err := h.service.TripMinimal(ctx, *r.Body, places, record)
		if err != nil {
			return nil, err
		}
		reply := tripReply{trip: t}
		for _, a := range t.Trip.Places {
			reply.answers = append(reply.answers, placed{a.Jurisdiction, a.Verdict})
		}
		return reply, nil
	}
	t, err := h.service.Trip(ctx, *r.Body, places, record)
	if err != nil {
		return nil, err
	}
	reply := tripReply{trip: t}
	for i, verdict := range t.Verdicts {
		reply.answers = append(reply.answers, placed{places[i], verdict})
	}
	return reply, nil
}

// tripReply sends the answers of a trip.
type tripReply struct {
	trip    any // whole or in little
	answers []placed
}

// VisitCreateTripResponse says 200.
func (t tripReply) VisitCreateTripResponse(w http.ResponseWriter) error {
	body, err := json.Marshal(t.trip)
	if err != nil {
		return fmt.Errorf("write the answers of a trip: %w", err)
	}
	return writeJSON(w, http.StatusOK, append(body, '\n'))
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
	if wantsMinimal(ctx) {
		a, err := h.service.GetMinimal(ctx, r.ID)
		if err != nil {
			return nil, err
		}
		return minimalReply{a}, nil
	}
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

// CreateKey issues an API key.
func (h *handlers) CreateKey(ctx context.Context, r CreateKeyRequestObject) (CreateKeyResponseObject, error) {
	if h.keys == nil {
		return nil, errNoKeys
	}
	var expires time.Time
	if r.Body.ExpiresAt != nil {
		expires = *r.Body.ExpiresAt
		if expires.IsZero() { // year 1 was asked for, not a key without end
			expires = time.Unix(0, 0)
		}
	}
	k, text, err := h.keys.Issue(ctx, r.Body.Name, r.Body.Scopes, expires)
	if err != nil {
		return nil, err
	}
	return CreateKey201JSONResponse{
		Headers: CreateKey201ResponseHeaders{Location: "/v1/keys/" + k.ID},
		Body: IssuedKey{
			ID: k.ID, Name: k.Name, Scopes: k.Scopes, CreatedAt: k.CreatedAt.UTC(), ExpiresAt: k.ExpiresAt.UTC(), Key: text.Reveal(),
		},
	}, nil
}

// ListKeys lists the keys of the tenant.
func (h *handlers) ListKeys(ctx context.Context, _ ListKeysRequestObject) (ListKeysResponseObject, error) {
	if h.keys == nil {
		return nil, errNoKeys
	}
	keys, err := h.keys.List(ctx)
	if err != nil {
		return nil, err
	}
	page := ListKeys200JSONResponse{Items: make([]Key, len(keys))}
	for i, k := range keys {
		page.Items[i] = Key{
			ID: k.ID, Name: k.Name, Scopes: k.Scopes, CreatedAt: k.CreatedAt.UTC(), ExpiresAt: k.ExpiresAt.UTC(), RevokedAt: k.RevokedAt.UTC(),
		}
	}
	return page, nil
}

// RevokeKey ends a key of the tenant.
func (h *handlers) RevokeKey(ctx context.Context, r RevokeKeyRequestObject) (RevokeKeyResponseObject, error) {
	if h.keys == nil {
		return nil, errNoKeys
	}
	if err := h.keys.Revoke(ctx, r.ID); err != nil {
		return nil, err
	}
	return RevokeKey204Response{}, nil
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
