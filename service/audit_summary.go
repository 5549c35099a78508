package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// auditCautions stand under every summary.
var auditCautions = []string{
	"An audit informs; it does not certify a rig, and it is no inspection. It is as true as the rows that were sent.",
	"Undetermined means that an input is missing or that nothing is encoded for a question: such a rig neither passes nor fails.",
	"Refused means that a row could not be read as a rig. It was not judged, and nothing of it was guessed.",
	"Findings of the level law come from published law, those of the level rating from plates and makers' ratings, and a tenant's own rules stand under ids that begin with house. Advice of practice is not counted.",
	"Parts are named as far as a finding says what is wanted. An offer is rated for the mass that was asked; whether it fits, its maker says.",
}

// maxWhy is how many reasons are told of one vehicle or trailer.
const maxWhy = 3

// Summary sums up what is answered so far.
func (a *Auditor) Summary(ctx context.Context, id string) (AuditSummary, error) {
	audit, err := a.Get(ctx, id)
	if err != nil {
		return AuditSummary{}, err
	}
	sum, err := a.tallies(ctx, id)
	if err != nil {
		return AuditSummary{}, err
	}
	words, err := a.wording(ctx, &audit.Ask, slices.Collect(maps.Keys(sum.Places)))
	if err != nil {
		return AuditSummary{}, err
	}
	out := AuditSummary{
		Audit: audit, Outcomes: everyOutcome(sum.Outcomes), Failing: ranked(sum.Failing, words.finding), Missing: ranked(sum.Missing, missing),
		Parts: []AuditPartCount{}, Places: []AuditPlace{}, Moves: moves(sum.Moves), Cautions: auditCautions,
	}
	all := map[string]string{}
	for _, role := range slices.Sorted(maps.Keys(sum.Parts)) {
		p := sum.Parts[role]
		out.Parts = append(out.Parts, AuditPartCount{Role: role, Rows: p.Rows, Strongest: p.Strongest, Offered: p.Offered, Cost: costs(p.Cost)})
		for currency, amount := range p.Cost {
			all[currency] = addMoney(all[currency], amount)
		}
	}
	slices.SortStableFunc(out.Parts, func(x, y AuditPartCount) int { return cmp.Compare(y.Rows, x.Rows) })
	out.Cost = costs(all)
	for _, place := range slices.Sorted(maps.Keys(sum.Places)) {
		out.Places = append(out.Places, AuditPlace{place, everyOutcome(sum.Places[place])})
	}
	out.Vehicles, out.Trailers = sidesOf(sum.Vehicles, words), sidesOf(sum.Trailers, words)
	return out, nil
}

// wording tells findings in the words of the law by which rows were answered.
type wording map[string]*law.Rule

// wording finds the rules of the law of an audit, and of that it is held against.
// A place may have put a rule of its own under the id of a frame's: its words hold
// only if all rows are of that place. Where a draft has changed since, ids stand for
// themselves.
func (a *Auditor) wording(ctx context.Context, ask *AuditAsk, places []string) (wording, error) {
	w := wording{}
	rank := func(rs *law.Ruleset) int { // those of the greatest stand
		switch {
		case rs.Jurisdiction == "":
			return 1
		case len(places) == 0 || slices.ContainsFunc(places, func(p string) bool { return p != rs.Jurisdiction && !strings.HasPrefix(p, rs.Jurisdiction+"-") }):
			return 0
		default:
			return 1 + len(rs.Jurisdiction) // the nearest
		}
	}
	for _, l := range []*AuditLaw{ask.Against, &ask.Law} { // the later one last: its words stand
		if l == nil {
			continue
		}
		book, err := a.bookOf(ctx, l)
		if errors.Is(err, errDraftChanged) {
			continue
		}
		if err != nil {
			return nil, err
		}
		sets := slices.Clone(book.Rulesets())
		slices.SortStableFunc(sets, func(x, y *law.Ruleset) int { return cmp.Compare(rank(x), rank(y)) })
		for _, rs := range sets {
			for _, r := range rs.Rules {
				w[r.ID] = r
			}
		}
	}
	return w, nil
}

// finding counts a finding, in the words of its rule: those of a row have its
// figures in them.
func (w wording) finding(id string, rows int64) AuditCount {
	c := AuditCount{Key: id, Title: id, Rows: rows}
	rule, _, _ := strings.Cut(id, "/")
	if r := w[rule]; r != nil {
		c.Title, c.Level = r.Says, r.Level
	}
	return c
}

// pointerTitles are what facts are, by their pointers.
var pointerTitles = func() map[string]string {
	m := map[string]string{"/jurisdiction": "Whose law is meant.", "/parts/-": "A part that the rig does not list."}
	for _, f := range rig.Fields() {
		if !f.Derived() {
			m[f.Pointer] = f.Doc
		}
	}
	return m
}()

// missing counts a missing input.
func missing(pointer string, rows int64) AuditCount {
	c := AuditCount{Key: pointer, Title: pointerTitles[pointer], Rows: rows}
	if names := strings.Split(pointer, "/"); c.Title == "" && len(names) == 4 && names[1] == "parts" {
		c.Title = fmt.Sprintf("The %s of a part.", strings.ReplaceAll(names[3], "_", " "))
	}
	if c.Title == "" {
		c.Title = pointer
	}
	return c
}

// ranked lists counts: of most rows first and, of as many, by key.
func ranked(m map[string]int64, count func(key string, rows int64) AuditCount) []AuditCount {
	out := make([]AuditCount, 0, len(m))
	for _, key := range slices.Sorted(maps.Keys(m)) {
		out = append(out, count(key, m[key]))
	}
	slices.SortStableFunc(out, func(x, y AuditCount) int { return cmp.Compare(y.Rows, x.Rows) })
	return out
}

func costs(m map[string]string) []AuditCost {
	out := make([]AuditCost, 0, len(m))
	for _, currency := range slices.Sorted(maps.Keys(m)) {
		out = append(out, AuditCost{currency, m[currency]})
	}
	return out
}

// sidesOf tells how vehicles or trailers fare, by id.
func sidesOf(m map[string]*sideSum, words wording) []AuditSide {
	var out []AuditSide
	for _, id := range slices.Sorted(maps.Keys(m)) {
		why := ranked(m[id].Failing, words.finding)
		out = append(out, AuditSide{ID: id, Outcomes: everyOutcome(m[id].Outcomes), Why: why[:min(len(why), maxWhy)]})
	}
	return out
}

// outcomeOrder is the order in which moves are told.
var outcomeOrder = []Outcome{rules.Compliant, rules.Undetermined, rules.NonCompliant, OutcomeRefused}

func moves(m map[Outcome]counts) []AuditMove {
	var out []AuditMove
	for _, from := range outcomeOrder {
		for _, to := range outcomeOrder {
			if n := m[from][to]; n > 0 {
				out = append(out, AuditMove{from, to, n})
			}
		}
	}
	return out
}
