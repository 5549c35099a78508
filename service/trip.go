package service

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"time"

	"drawgear/rules"
	"drawgear/rules/rig"
)

// TripAssessment is a rig that goes through several places, and the answers.
type TripAssessment struct {
	Rig  json.RawMessage `json:"rig"`  // as sent, without white space between values
	Trip json.RawMessage `json:"trip"` // as rules gave it
	// Kept lists the assessments that were kept, one a place in the order asked;
	// empty if nothing was.
	Kept []string `json:"kept"`

	Verdict rules.Verdict `json:"-"`
}

// Trip answers for a rig in each of several places and for all of them
// together. The jurisdiction in the document is asked only if it is among them. If
// record is set, the answer of each place is kept as an assessment of its own,
// whose rig names the place: it is replayed and proven like any other. Within a
// step that happens once (Idempotency) all are kept or none.
func (s *Assessor) Trip(ctx context.Context, document []byte, places []string, record bool) (TripAssessment, error) {
	q, err := s.ask(ctx, document, time.Time{})
	if err != nil {
		return TripAssessment{}, err
	}
	trip, err := q.book.Trip(q.rig, places, q.day)
	if err != nil {
		return TripAssessment{}, fmt.Errorf("assess the trip: %w", err)
	}
	out := TripAssessment{Kept: []string{}, Verdict: trip.Verdict}
	if out.Trip, err = json.Marshal(trip); err != nil {
		return TripAssessment{}, fmt.Errorf("write the answer: %w", err)
	}
	var tight bytes.Buffer
	if err := json.Compact(&tight, document); err != nil {
		return TripAssessment{}, fmt.Errorf("tighten the rig: %w", err)
	}
	out.Rig = tight.Bytes()
	if !record {
		return out, nil
	}
	for _, place := range places {
		there, err := inPlace(tight.Bytes(), place, q.day)
		if err != nil {
			return TripAssessment{}, err
		}
		a, err := s.Assess(ctx, there, true)
		if err != nil {
			return TripAssessment{}, fmt.Errorf("keep the answer of %s: %w", place, err)
		}
		out.Kept = append(out.Kept, a.ID)
	}
	return out, nil
}

// inPlace is a rig document asked in a place on a day.
func inPlace(document []byte, place string, day rig.Day) ([]byte, error) {
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(document, &fields); err != nil {
		return nil, fmt.Errorf("read the rig: %w", err)
	}
	for name, value := range map[string]string{"jurisdiction": place, "as_of": day.String()} {
		text, err := json.Marshal(value)
		if err != nil {
			return nil, fmt.Errorf("write %s: %w", name, err)
		}
		fields[name] = text
	}
	out, err := json.Marshal(fields)
	if err != nil {
		return nil, fmt.Errorf("write the rig: %w", err)
	}
	return out, nil
}
