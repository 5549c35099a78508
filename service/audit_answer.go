package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// Errors of a law that is not the one by which an audit began.
var (
	errDraftChanged = fmt.Errorf("the draft has changed since the audit was asked: %w", ErrStale)
	errLawChanged   = errors.New("the law as it was known is not the one by which the audit began")
)

// settleDraft makes sure that the caller may use the draft of a law, that there is
// one, and that the law can be linked with it; and writes down which text it is.
func (a *Auditor) settleDraft(ctx context.Context, l *AuditLaw) error {
	if l == nil || l.Draft == nil {
		return nil
	}
	if err := need(ctx, ScopeAuthor); err != nil {
		return err
	}
	v, err := a.store.GetVersion(ctx, l.Draft.Ruleset, l.Draft.Version)
	if err != nil {
		return fmt.Errorf("get the draft: %w", err)
	}
	if v.State != Draft && v.State != Approved {
		return fmt.Errorf("%s version %d is %s: %w", v.Ruleset, v.Number, v.State, ErrState)
	}
	if l.Draft.SHA256 != "" && l.Draft.SHA256 != v.SHA256 {
		return fmt.Errorf("%s version %d: %w", v.Ruleset, v.Number, ErrStale)
	}
	filled := *l.Draft
	filled.SHA256 = v.SHA256
	l.Draft = &filled
	if _, err := a.bookOf(ctx, l); err != nil {
		if fs, ok := errors.AsType[law.Faults](err); ok {
			return &CheckFailed{Report{Ruleset: v.Ruleset, Version: v.Number, SHA256: v.SHA256, State: v.State, Faults: fs}}
		}
		return err
	}
	return nil
}

// bookOf links the law by which rows are answered, or finds it linked.
func (a *Auditor) bookOf(ctx context.Context, l *AuditLaw) (*rules.Book, error) {
	if l.Draft == nil {
		return a.answers.law.bookAt(ctx, l.KnownAt)
	}
	v, err := a.store.GetVersion(ctx, l.Draft.Ruleset, l.Draft.Version)
	if err != nil {
		return nil, fmt.Errorf("get the draft: %w", err)
	}
	if v.SHA256 != l.Draft.SHA256 {
		return nil, fmt.Errorf("%s version %d: %w", v.Ruleset, v.Number, errDraftChanged)
	}
	return a.answers.law.bookWith(ctx, l.KnownAt, v)
}

// lawSums tell the law of an audit, and that which it is held against, from every
// other. What a replica knows as of a time can be less than another knew: it may not
// have heard of a version yet, or the version came later under an earlier time.
type lawSums struct {
	Law     string `json:"law"`
	Against string `json:"against,omitempty"`
}

func (a *Auditor) sumLaw(ctx context.Context, ask *AuditAsk) ([]byte, error) {
	var sums lawSums
	for l, to := range map[*AuditLaw]*string{&ask.Law: &sums.Law, ask.Against: &sums.Against} {
		if l == nil {
			continue
		}
		book, err := a.bookOf(ctx, l)
		if err != nil {
			return nil, err
		}
		*to = lawSum(book)
	}
	out, err := json.Marshal(sums)
	if err != nil {
		return nil, fmt.Errorf("write the law of an audit: %w", err)
	}
	return out, nil
}

// lawSum is made of the digests of all versions.
func lawSum(b *rules.Book) string {
	var sums []string
	for _, rs := range b.Rulesets() {
		sums = append(sums, rs.SHA256)
	}
	slices.Sort(sums)
	return digest([]byte(strings.Join(sums, " ")))
}

// pinned is bookOf, held to the law by which the audit began.
func (a *Auditor) pinned(ctx context.Context, l *AuditLaw, sum string) (*rules.Book, error) {
	book, err := a.bookOf(ctx, l)
	if err != nil || lawSum(book) == sum {
		return book, err
	}
	if err := a.answers.law.Refresh(ctx); err != nil { // it may not be known here yet
		return nil, err
	}
	if book, err = a.bookOf(ctx, l); err == nil && lawSum(book) != sum {
		err = errLawChanged
	}
	return book, err
}

// judge answers rows by the law of an audit.
type judge struct {
	ask          *AuditAsk
	now, against *rules.Book // against is nil if there is none
	offers       offers
}

func (a *Auditor) judge(ctx context.Context, id string, ask *AuditAsk) (*judge, error) {
	j := &judge{ask: ask}
	shared, err := a.sharedBy(ctx, id, ask)
	if err != nil {
		return nil, err
	}
	j.offers = shared.offers
	if j.now, err = a.pinned(ctx, &ask.Law, shared.sums.Law); err != nil {
		return nil, err
	}
	if ask.Against != nil {
		if j.against, err = a.pinned(ctx, ask.Against, shared.sums.Against); err != nil {
			return nil, err
		}
	}
	return j, nil
}

// day is the one for which a row is answered under a law.
func (j *judge) day(row *auditRow, l *AuditLaw) (rig.Day, error) {
	if l.AsOf != "" {
		return rig.ParseDay(l.AsOf)
	}
	if !j.ask.EveryDay {
		if row.day != "" {
			return rig.ParseDay(row.day)
		}
		if named, ok := row.rig.AsOf(); ok {
			return named, nil
		}
	}
	return rig.ParseDay(j.ask.AsOf)
}

// judged is a row with what its answer rests on.
type judged struct {
	AuditItem
	rig         *rig.Rig      // as it was asked about; nil for a row that is refused
	day, before rig.Day       // on which it was, under the law and under that which it is held against
	said        *rules.Answer // then, of a recorded assessment
}

// answer judges a row.
func (j *judge) answer(row *auditRow) (out judged, err error) {
	out = judged{AuditItem: row.AuditItem}
	defer func() { out.complete() }()
	if row.rig == nil {
		return out, nil
	}
	if row.rig.Jurisdiction == "" {
		asked := *row.rig
		asked.Jurisdiction = j.ask.Jurisdiction
		row.rig = &asked
	}
	if row.rig.Jurisdiction == "" {
		row.refuse("/jurisdiction", "neither the row nor the audit says whose law is meant", "Give an ISO 3166 code, for example AU-NSW, GB, US-CA.")
		out.AuditItem = row.AuditItem
		return out, nil
	}
	day, err := j.day(row, &j.ask.Law)
	if err != nil {
		return judged{}, fmt.Errorf("read the day of row %d: %w", row.Row, err)
	}
	out.AsOf = day.String()
	now, err := j.now.Judge(row.rig, day)
	if _, none := errors.AsType[*rules.UnknownJurisdiction](err); none {
		// Before it was withdrawn there may have been one.
		before := *row
		row.refuse("/jurisdiction", "no law is held for "+row.rig.Jurisdiction, "See the list of places.")
		out.AuditItem = row.AuditItem
		return out, j.move(&before, &out)
	}
	if err != nil {
		return judged{}, fmt.Errorf("judge row %d: %w", row.Row, err)
	}
	out.rig, out.day, out.Jurisdiction = row.rig, day, row.rig.Jurisdiction
	out.Outcome, out.Failing, out.Missing = now.Verdict, failing(now), now.Missing
	out.Parts = j.parts(row.rig, now.Failing)
	return out, j.move(row, &out)
}

// move tells what is otherwise under the law that a row is held against. Where
// that law holds nothing for the place, the row would have been refused.
func (j *judge) move(row *auditRow, out *judged) error {
	switch {
	case j.against != nil:
		day, err := j.day(row, j.ask.Against)
		if err != nil {
			return fmt.Errorf("read the day of row %d: %w", row.Row, err)
		}
		was, err := j.against.Judge(row.rig, day)
		if _, none := errors.AsType[*rules.UnknownJurisdiction](err); none {
			out.Before, out.Appearing = OutcomeRefused, out.Failing
			break
		}
		if err != nil {
			return fmt.Errorf("judge row %d by the law it is held against: %w", row.Row, err)
		}
		before := failing(was)
		out.before, out.Before, out.Appearing, out.Disappearing = day, was.Verdict, without(out.Failing, before), without(before, out.Failing)
	case row.was != "":
		out.said, out.Before = row.said, row.was
		before := failed(out.said)
		out.Appearing, out.Disappearing = without(out.Failing, before), without(before, out.Failing)
	default:
		return nil
	}
	out.Moved = out.Before != out.Outcome || len(out.Appearing)+len(out.Disappearing) > 0
	return nil
}

// failing lists the findings of law and rating that are not met, by id.
func failing(x rules.Judgement) []string {
	if x.Failing == nil {
		return nil
	}
	out := make([]string, len(x.Failing))
	for i := range x.Failing {
		out[i] = x.Failing[i].ID
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// failed is failing, of an answer that was kept.
func failed(a *rules.Answer) []string {
	var out []string
	for i := range a.Findings {
		if f := &a.Findings[i]; f.Status == rules.NotMet && f.Level != "practice" {
			out = append(out, f.ID)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// without is what of a sorted list is not in another.
func without(list, other []string) []string {
	var out []string
	for _, s := range list {
		if _, there := slices.BinarySearch(other, s); !there {
			out = append(out, s)
		}
	}
	return out
}

// complete makes empty lists of those that are always shown.
func (it *AuditItem) complete() {
	it.Failing, it.Missing, it.Parts = notNil(it.Failing), notNil(it.Missing), notNil(it.Parts)
}
