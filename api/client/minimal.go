package client

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
)

// ErrWhole: the service did not answer in little, as one from before it could.
var ErrWhole = errors.New("the service did not answer in little")

// AssessMinimal asks about a rig and takes the answer in little (RFC 7240, Prefer:
// return=minimal). What the service keeps is the whole. It fails with ErrWhole if
// the service does not know of that, which may have kept the answer then.
func (c *ClientWithResponses) AssessMinimal(ctx context.Context, params *CreateAssessmentParams, rig []byte) (*MinimalAssessment, error) {
	return inLittle[MinimalAssessment](c.CreateAssessmentWithBody(ctx, params, "application/json", bytes.NewReader(rig), preferMinimal))
}

// GetAssessmentMinimal takes a kept assessment in little, as AssessMinimal does.
func (c *ClientWithResponses) GetAssessmentMinimal(ctx context.Context, id AssessmentID) (*MinimalAssessment, error) {
	return inLittle[MinimalAssessment](c.GetAssessment(ctx, id, preferMinimal))
}

// TripMinimal asks about a rig that goes through several places, and takes the
// answers in little, as AssessMinimal does.
func (c *ClientWithResponses) TripMinimal(ctx context.Context, params *CreateTripParams, rig []byte) (*MinimalTripAssessment, error) {
	return inLittle[MinimalTripAssessment](c.CreateTripWithBody(ctx, params, "application/json", bytes.NewReader(rig), preferMinimal))
}

const minimal = "return=minimal"

func preferMinimal(_ context.Context, r *http.Request) error {
	r.Header.Set("Prefer", minimal)
	return nil
}

func inLittle[T any](reply *http.Response, err error) (*T, error) {
	if err != nil {
		return nil, err
	}
	defer reply.Body.Close()
	if reply.Header.Get("Preference-Applied") != minimal {
		return nil, ErrWhole
	}
	var v T
	if err := json.NewDecoder(reply.Body).Decode(&v); err != nil {
		return nil, fmt.Errorf("read the answer in little: %w", err)
	}
	return &v, nil
}
