package service

import (
	"context"
	"fmt"
	"time"

	"drawgear/rules"
	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

// LoadSheet is what a rig carries, part by part, and the law's verdict on it.
type LoadSheet struct {
	Jurisdiction string             `json:"jurisdiction"`
	AsOf         string             `json:"as_of"`
	Verdict      rules.Verdict      `json:"verdict"` // of the law and the ratings that it reads; loads move it nowhere
	Loads        *loads.Loads       `json:"loads"`
	Rulesets     []rules.RulesetRef `json:"rulesets"`
}

// LimitSheet is how heavy the trailer of a rig may be.
type LimitSheet struct {
	Limits    *rules.Limits  `json:"limits"`    // by the law and the ratings that it reads
	Mechanics loads.MaxTotal `json:"mechanics"` // by the load on every part and axle
}

// both answers by the law for the rig as it is, and for the same rig with its
// trailer laden to the plates; the second is nil where the plated total is not
// known.
func (q asked) both() (now, full *rules.Answer, err error) {
	if now, err = q.book.Assess(q.rig, q.day); err != nil {
		return nil, nil, fmt.Errorf("assess the rig: %w", err)
	}
	laden, ok := loads.Plated(q.rig)
	if !ok {
		return now, nil, nil
	}
	if full, err = q.book.Assess(laden, q.day); err != nil {
		return nil, nil, fmt.Errorf("assess the rig laden to its plates: %w", err)
	}
	return now, full, nil
}

// Loads tells what each part of a rig carries, for what it is rated, and where
// the loads rest. Nothing is kept.
func (s *Assessor) Loads(ctx context.Context, document []byte) (LoadSheet, *rig.Rig, error) {
	q, err := s.ask(ctx, document, time.Time{})
	if err != nil {
		return LoadSheet{}, nil, err
	}
	now, full, err := q.both()
	if err != nil {
		return LoadSheet{}, nil, err
	}
	return LoadSheet{
		Jurisdiction: now.Jurisdiction, AsOf: now.AsOf, Verdict: now.Verdict, Rulesets: now.Rulesets, Loads: loads.Of(q.rig, now, full),
	}, q.rig, nil
}

// Limits tells how heavy the trailer of a rig may be, and what would have to
// change for a rig that does not comply. Nothing is kept.
func (s *Assessor) Limits(ctx context.Context, document []byte) (LimitSheet, error) {
	q, err := s.ask(ctx, document, time.Time{})
	if err != nil {
		return LimitSheet{}, err
	}
	limits, err := q.book.Limits(q.rig, q.day)
	if err != nil {
		return LimitSheet{}, fmt.Errorf("find the limits of the rig: %w", err)
	}
	now, full, err := q.both()
	if err != nil {
		return LimitSheet{}, err
	}
	return LimitSheet{Limits: limits, Mechanics: loads.Of(q.rig, now, full).MaxTotal}, nil
}
