package rules

import (
	"drawgear/rules/expr"
	"drawgear/rules/rig"
)

// Judgement is an answer of which nothing is told but what counts, for callers that
// answer many rigs.
type Judgement struct {
	Verdict Verdict
	Failing []Failure // what of law and rating is not met, in the order of Answer.Findings
	Missing []string  // pointers, in the order of Answer.Missing
}

// Failure is a finding that is not met.
type Failure struct {
	ID       string     // of the finding
	Question string     // of its duty
	Limit    expr.Value // the amount that the duty asks of this rig, exactly
	Limited  bool       // there is such an amount, and it is known
}

// Judge is Assess without a word of why.
func (b *Book) Judge(r *rig.Rig, day rig.Day) (Judgement, error) {
	p, err := b.planOn(r.Jurisdiction, day)
	if err != nil {
		return Judgement{}, err
	}
	e := p.runIn(runs.Get().(*run), r, day, true)
	defer e.release()
	tallies := e.tallies()
	j := Judgement{Verdict: e.verdict(&tallies)}
	for i := range e.found {
		f := &e.found[i]
		if f.Status != NotMet || f.Level == "practice" {
			continue
		}
		x := Failure{ID: f.ID, Question: f.Question}
		if amount := f.duty.Demand.Amount; amount != nil {
			x.Limit, x.Limited = amount.Value(e.rig)
		}
		j.Failing = append(j.Failing, x)
	}
	if list := e.wants(); len(list) > 0 {
		j.Missing = make([]string, len(list))
		for i := range list {
			j.Missing[i] = list[i].Pointer
		}
	}
	return j, nil
}
