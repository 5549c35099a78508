package service

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// Report is what the check of a ruleset version found. Faults, failed examples
// and conflicts keep it from being approved; the rest is for its author to weigh.
type Report struct {
	Ruleset   string         `json:"ruleset"`
	Version   int            `json:"version"`
	SHA256    string         `json:"sha256"`
	State     State          `json:"state"`
	Passes    bool           `json:"passes"`
	Faults    law.Faults     `json:"faults"` // it does not compile, link, or stay within what house rules may be
	Rules     int            `json:"rules"`  // how many it has
	Examples  ExampleReport  `json:"examples"`
	Untried   []string       `json:"untried"`   // thresholds that no example tries on both sides
	Citations []Incomplete   `json:"citations"` // rules whose source is not fully described
	Day       string         `json:"day"`       // of the survey
	Survey    []rules.Survey `json:"survey"`    // of each question on which it speaks
	Conflicts int            `json:"conflicts"` // overlaps of its rules that cannot both be obeyed
}

// ExampleReport is how the worked examples came out.
type ExampleReport struct {
	Run    int      `json:"run"`
	Failed []string `json:"failed"`
}

// Incomplete is a rule whose citation leaves out something.
type Incomplete struct {
	Rule    string   `json:"rule"`
	Source  string   `json:"source"`
	Missing []string `json:"missing"` // clause, edition_or_date, comparison
}

const (
	// surveyCells bounds the cells of one question that a check looks at.
	surveyCells = 50_000
	// maxListed bounds each list of a report.
	maxListed = 100
)

// Check reads, links and tries a version.
func (a *Authoring) Check(ctx context.Context, id string, version int) (Report, error) {
	if err := need(ctx, ScopeAuthor); err != nil {
		return Report{}, err
	}
	v, err := a.store.GetVersion(ctx, id, version)
	if err != nil {
		return Report{}, fmt.Errorf("get a version: %w", err)
	}
	return a.check(ctx, v)
}

func (a *Authoring) check(ctx context.Context, v Version) (Report, error) {
	leave, err := a.law.alone(ctx)
	if err != nil {
		return Report{}, err
	}
	defer leave()
	r := Report{
		Ruleset: v.Ruleset, Version: v.Number, SHA256: v.SHA256, State: v.State, Faults: law.Faults{},
		Examples: ExampleReport{Failed: []string{}}, Untried: []string{}, Citations: []Incomplete{}, Survey: []rules.Survey{},
	}
	rs, err := law.ParseDraft(v.Document)
	if err != nil {
		if fs, ok := errors.AsType[law.Faults](err); ok {
			r.Faults = fs
			return r, nil
		}
		return Report{}, fmt.Errorf("read %s version %d: %w", v.Ruleset, v.Number, err)
	}
	r.Rules = len(rs.Rules)
	r.Citations = incomplete(rs)
	book, err := a.law.with(ctx, rs)
	if err != nil {
		r.Faults = append(r.Faults, law.Fault{Message: err.Error()})
		return r, nil
	}
	if v.Tenant != "" {
		r.Faults = append(r.Faults, book.CheckHouse(rs)...)
		r.Faults.Locate(v.Document)
	}
	if err := r.try(ctx, book, rs); err != nil {
		return Report{}, err
	}
	if err := r.survey(book, rs, a.now().Unix()/86400); err != nil {
		return Report{}, err
	}
	r.Passes = len(r.Faults) == 0 && len(r.Examples.Failed) == 0 && r.Conflicts == 0
	return r, nil
}

// try runs the examples.
func (r *Report) try(ctx context.Context, book *rules.Book, rs *law.Ruleset) error {
	checks, err := cases.Examples(rs, rs.Jurisdiction)
	if err != nil {
		r.Examples.Failed = append(r.Examples.Failed, err.Error())
		return nil
	}
	for _, c := range checks {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("run the examples: %w", err)
		}
		r.Examples.Run++
		answer, err := c.Assess(book)
		if err != nil {
			r.Examples.Failed = append(r.Examples.Failed, err.Error())
			continue
		}
		for _, d := range c.Compare(answer) {
			r.Examples.Failed = append(r.Examples.Failed, c.Name+": "+d)
		}
	}
	r.Examples.Failed = first(r.Examples.Failed)
	if untried := cases.Uncovered(rs, checks); untried != nil {
		r.Untried = first(untried)
	}
	return nil
}

// survey looks for what the ruleset leaves open and what it says twice, on the
// day nearest to today on which it is in force.
func (r *Report) survey(book *rules.Book, rs *law.Ruleset, today int64) error {
	if rs.Jurisdiction == "" {
		return nil // a frame is in force nowhere of itself
	}
	day := rig.Day(today)
	if from := rs.Effective.From; from.Valid && from.Day > day {
		day = from.Day
	}
	if to := rs.Effective.To; to.Valid && to.Day < day {
		day = to.Day
	}
	r.Day = day.String()
	var err error
	if r.Survey, err = book.SurveyWith(rs, rs.Jurisdiction, day, surveyCells); err != nil {
		return fmt.Errorf("survey %s: %w", rs.Jurisdiction, err)
	}
	own := func(id string) bool {
		return slices.ContainsFunc(rs.Rules, func(rule *law.Rule) bool { return rule.ID == id })
	}
	for i := range r.Survey {
		s := &r.Survey[i]
		for _, o := range s.Overlaps {
			if o.Conflict && slices.ContainsFunc(o.Rules, own) {
				r.Conflicts++
			}
		}
		// What must be seen comes first, in case not all of it is shown.
		slices.SortStableFunc(s.Overlaps, func(x, y rules.Overlap) int { return rank(y) - rank(x) })
		s.Open, s.Overlaps = first(s.Open), first(s.Overlaps)
	}
	return nil
}

func rank(o rules.Overlap) int {
	if o.Conflict {
		return 1
	}
	return 0
}

func first[T any](list []T) []T { return list[:min(len(list), maxListed)] }

// incomplete lists rules of which it is not said where in a source they stand,
// which edition or date of it is meant, or that it was compared. A source with
// no title or publisher, or of which it is not said how it was compared, does
// not compile.
func incomplete(rs *law.Ruleset) []Incomplete {
	out := []Incomplete{}
	for _, r := range rs.Rules {
		var missing []string
		s := r.Source
		if r.Cite.Clause == "" {
			missing = append(missing, "clause")
		}
		if s.Edition == "" && (s.Published == "" || s.Published == "undated") {
			missing = append(missing, "edition_or_date")
		}
		if s.Checked.How == "memory" || r.Cite.How == "memory" {
			missing = append(missing, "comparison")
		}
		if missing != nil && len(out) < maxListed {
			out = append(out, Incomplete{r.ID, s.ID, missing})
		}
	}
	return out
}
