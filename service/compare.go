package service

import (
	"context"
	"fmt"

	"drawgear/rules"
	"drawgear/rules/compare"
	"drawgear/rules/rig"
)

// Compare tells two versions of a ruleset apart, the older of which is the one
// of the lower number. The place is the ruleset's own unless another is named,
// and a frame needs one; the day is today unless another is named.
func (s *Assessor) Compare(ctx context.Context, id string, version, with int, place, day string) (compare.Comparison, error) {
	one, err := s.law.version(ctx, id, min(version, with))
	if err != nil {
		return compare.Comparison{}, err
	}
	two, err := s.law.version(ctx, id, max(version, with))
	if err != nil {
		return compare.Comparison{}, err
	}
	on := rig.DayOf(s.now())
	if day != "" {
		if on, err = rig.ParseDay(day); err != nil {
			return compare.Comparison{}, Invalid{{Pointer: "/as_of", Code: rig.CodeBadValue, Message: err.Error()}}
		}
	}
	if place == "" {
		place = two.text.Jurisdiction
	}
	book, err := s.law.book(ctx)
	if err != nil {
		return compare.Comparison{}, err
	}
	leave, err := s.law.alone(ctx)
	if err != nil {
		return compare.Comparison{}, err
	}
	defer leave()
	if place == "" { // a frame by itself: its rules can be told apart, its answers not
		return compare.Rules(one.text, two.text), nil
	}
	if _, served := book.Jurisdiction(place); !served {
		return compare.Comparison{}, &rules.UnknownJurisdiction{Code: place}
	}
	c, err := compare.Versions(book, one.text, two.text, place, on)
	if err != nil {
		return compare.Comparison{}, fmt.Errorf("compare versions of %s: %w", id, err)
	}
	return c, nil
}
