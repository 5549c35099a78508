package service

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"drawgear/rules"
)

// MinimalAssessment is an Assessment in little, without the rig.
type MinimalAssessment struct {
	ID        string         `json:"id,omitempty"`
	CreatedAt time.Time      `json:"created_at,omitzero"`
	KnownAt   time.Time      `json:"known_at,omitzero"`
	Answer    *rules.Minimal `json:"answer"`
}

// AppendLine appends the line of JSON in which it travels.
func (a MinimalAssessment) AppendLine(b []byte) ([]byte, error) {
	b, err := appendHead(b, a.ID, a.CreatedAt, a.KnownAt)
	if err != nil {
		return nil, err
	}
	return append(a.Answer.AppendJSON(append(b, `"answer":`...)), "}\n"...), nil
}

// AssessMinimal is AssessKnown for callers who do not want the words. What is kept
// is the whole.
func (s *Assessor) AssessMinimal(ctx context.Context, document []byte, known time.Time, record bool) (MinimalAssessment, error) {
	if record {
		a, answer, err := s.assess(ctx, document, known, true)
		if err != nil {
			return MinimalAssessment{}, err
		}
		return MinimalAssessment{ID: a.ID, CreatedAt: a.CreatedAt, KnownAt: a.KnownAt, Answer: answer.Minimal()}, nil
	}
	q, err := s.ask(ctx, document, known)
	if err != nil {
		return MinimalAssessment{}, err
	}
	answer, err := q.book.Minimal(q.rig, q.day)
	if err != nil {
		return MinimalAssessment{}, fmt.Errorf("assess the rig: %w", err)
	}
	return MinimalAssessment{KnownAt: q.known, Answer: answer}, nil
}

// GetMinimal is Get for callers who do not want the words.
func (s *Assessor) GetMinimal(ctx context.Context, id string) (MinimalAssessment, error) {
	a, err := s.Get(ctx, id)
	if err != nil {
		return MinimalAssessment{}, err
	}
	var answer rules.Answer
	if err := json.Unmarshal(a.Answer, &answer); err != nil {
		return MinimalAssessment{}, fmt.Errorf("read the recorded answer: %w", err)
	}
	return MinimalAssessment{ID: a.ID, CreatedAt: a.CreatedAt, KnownAt: a.KnownAt, Answer: answer.Minimal()}, nil
}

// MinimalTripAssessment is a TripAssessment in little, without the rig.
type MinimalTripAssessment struct {
	Trip *rules.MinimalTrip `json:"trip"`
	Kept []string           `json:"kept"` // as in TripAssessment
}

// TripMinimal is Trip for callers who do not want the words. What is kept is the
// whole.
func (s *Assessor) TripMinimal(ctx context.Context, document []byte, places []string, record bool) (MinimalTripAssessment, error) {
	if record {
		t, trip, err := s.trip(ctx, document, places, true)
		if err != nil {
			return MinimalTripAssessment{}, err
		}
		return MinimalTripAssessment{Trip: trip.Minimal(), Kept: t.Kept}, nil
	}
	q, err := s.ask(ctx, document, time.Time{})
	if err != nil {
		return MinimalTripAssessment{}, err
	}
	trip, err := q.book.MinimalTrip(q.rig, places, q.day)
	if err != nil {
		return MinimalTripAssessment{}, fmt.Errorf("assess the trip: %w", err)
	}
	return MinimalTripAssessment{Trip: trip, Kept: []string{}}, nil
}
