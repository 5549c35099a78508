package service

import (
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

	Verdict  rules.Verdict   `json:"-"`
	Verdicts []rules.Verdict `json:"-"` // one a place in the order asked
}

// Trip answers for a rig in each of several places and for all of them
// together. The jurisdiction in the document is asked only if it is among them. If
// record is set, the answer of each place is kept as an assessment of its own,
// whose rig names the place: it is replayed and proven like any other. Within a
// step that happens once (Idempotency) all are kept or none.
func (s *Assessor) Trip(ctx context.Context, document []byte, places []string, record bool) (TripAssessment, error) {
	t, _, err := s.trip(ctx, document, places, record)
	return t, err
}

func (s *Assessor) trip(ctx context.Context, document []byte, places []string, record bool) (TripAssessment, *rules.Trip, error) {
	q, err := s.ask(ctx, document, time.Time{})
	if err != nil {
		return TripAssessment{}, nil, err
	}
	trip, err := q.book.Trip(q.rig, places, q.day)
	if err != nil {
		return TripAssessment{}, nil, fmt.Errorf("assess the trip: %w", err)
	}
	out := TripAssessment{Rig: appendTight(nil, document), Kept: []string{}, Verdict: trip.Verdict}
	for _, a := range trip.Places {
		out.Verdicts = append(out.Verdicts, a.Verdict)
	}
	if out.Trip, err = json.Marshal(trip); err != nil {
		return TripAssessment{}, nil, fmt.Errorf("write the answer: %w", err)
	}
	if !record {
		return out, trip, nil
	}
	for _, place := range places {
		there, err := inPlace(out.Rig, place, q.day)
		if err != nil {
			return TripAssessment{}, nil, err
		}
		a, err := s.Assess(ctx, there, true)
		if err != nil {
			return TripAssessment{}, nil, fmt.Errorf("keep the answer of %s: %w", place, err)
		}
		out.Kept = append(out.Kept, a.ID)
	}
	return out, trip, nil
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
