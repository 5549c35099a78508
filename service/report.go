package service

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"time"

	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

// AssessmentReport is a kept assessment with what it takes to print it. All that it says
// of the law is the answer as it was recorded; what is worked out anew beside it
// is worked out under the law of then.
type AssessmentReport struct {
	ID           string
	CreatedAt    time.Time
	KnownAt      time.Time // zero unless a knowledge time was asked for
	Engine       string    // version of the program that answered
	Rig          *rig.Rig
	Answer       *rules.Answer
	AnswerSHA256 string            // of its bytes as recorded
	Terms        map[rig.ID]string // what the place calls a fact; none where its law is not loaded
	Loads        *loads.Loads      // nil where the recorded answer could not be come to again
	NoLoads      string            // why that was
}

// Report gathers what is printed of an assessment.
func (s *Assessor) Report(ctx context.Context, id string) (AssessmentReport, error) {
	rec, err := s.store.Get(ctx, id)
	if err != nil {
		return AssessmentReport{}, fmt.Errorf("get an assessment: %w", err)
	}
	out := AssessmentReport{
		ID: rec.ID, CreatedAt: rec.CreatedAt.UTC(), KnownAt: rec.KnownAt.UTC(), Engine: rec.Engine,
		Answer: new(rules.Answer), AnswerSHA256: digest(rec.Answer), Terms: map[rig.ID]string{},
	}
	if err := json.Unmarshal(rec.Answer, out.Answer); err != nil {
		return AssessmentReport{}, fmt.Errorf("read the recorded answer: %w", err)
	}
	if out.Rig, err = decode(rec.Rig); err != nil {
		// Not wrapped: the fault is not in what the caller sent.
		return AssessmentReport{}, fmt.Errorf("read the recorded rig: %v", err)
	}
	day, err := rig.ParseDay(out.Answer.AsOf)
	if err != nil {
		return AssessmentReport{}, fmt.Errorf("read the recorded day: %w", err)
	}
	versions, err := s.law.under(ctx, out.Answer.Rulesets)
	switch {
	case errors.Is(err, ErrRulesetUnavailable):
		out.NoLoads = "A ruleset version under which this was answered is not loaded in this service."
		return out, nil
	case err != nil:
		return AssessmentReport{}, fmt.Errorf("find the rulesets of then: %w", err)
	}
	for _, v := range versions { // the nearest comes last, and its terms win
		maps.Copy(out.Terms, v.TermOf)
	}
	out.Loads, out.NoLoads, err = loadsOf(rec.Answer, out.Rig, day, versions)
	return out, err
}

// loadsOf works out the loads of a recorded rig beside the law's answer of then,
// if that comes out as it was recorded; else it says why there are none.
func loadsOf(recorded []byte, r *rig.Rig, day rig.Day, versions []*law.Ruleset) (*loads.Loads, string, error) {
	now, err := rules.AssessUnder(r, day, versions)
	if err != nil {
		return nil, "The ruleset versions under which this was answered cannot be linked by this version of the service.", nil
	}
	replayed, err := json.Marshal(now)
	if err != nil {
		return nil, "", fmt.Errorf("write the answer: %w", err)
	}
	if !bytes.Equal(recorded, replayed) {
		return nil, "Evaluated again, this version of the service comes to another answer than the recorded one.", nil
	}
	var full *rules.Answer
	if plated, ok := loads.Plated(r); ok {
		if full, err = rules.AssessUnder(plated, day, versions); err != nil {
			return nil, "", fmt.Errorf("assess the rig laden to its plates: %w", err)
		}
	}
	return loads.Of(r, now, full), "", nil
}
