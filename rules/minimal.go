package rules

import "drawgear/rules/rig"

// Minimal is an answer in little, for programs that act on it: the verdict, what
// it rests on and what is missing, without the words. What stands in it stands in
// the Answer, in the same place.
type Minimal struct {
	Jurisdiction string           `json:"jurisdiction"`
	AsOf         string           `json:"as_of"`
	Verdict      Verdict          `json:"verdict"`
	Answers      MinimalAnswers   `json:"answers"`
	Findings     []MinimalFinding `json:"findings"` // of law and ratings, those that concern the rig
	Missing      []MinimalMissing `json:"missing"`
	NotCovered   []string         `json:"not_covered"`
	Rulesets     []MinimalRuleset `json:"rulesets"`
	Cautions     []string         `json:"cautions"` // the first of the answer, and what is left out
}

// MinimalAnswers are Answers in little.
type MinimalAnswers struct {
	Brakes       MinimalQuestion `json:"brakes"`
	Breakaway    MinimalQuestion `json:"breakaway"`
	SafetyChains MinimalQuestion `json:"safety_chains"`
	ParkingBrake MinimalQuestion `json:"parking_brake"`
	PartsRated   MinimalQuestion `json:"parts_rated"`
}

// MinimalQuestion is a Question without the findings behind it.
type MinimalQuestion struct {
	Required Tri  `json:"required"`
	Holds    Tri  `json:"holds"`
	Covered  bool `json:"covered"`
}

// MinimalFinding is a Finding without what it rests on.
type MinimalFinding struct {
	ID     string `json:"id"`
	Status Status `json:"status"`
}

// MinimalMissing is a Missing without what it is.
type MinimalMissing struct {
	Pointer string `json:"pointer"`
}

// MinimalRuleset identifies the exact text of law that was applied.
type MinimalRuleset struct {
	ID      string `json:"id"`
	Version int    `json:"version"`
	SHA256  string `json:"sha256"`
}

// MinimalTrip is a Trip in little.
type MinimalTrip struct {
	AsOf    string     `json:"as_of"`
	Verdict Verdict    `json:"verdict"`
	Places  []*Minimal `json:"places"`
}

// informs stands first among the cautions of every answer.
const informs = "This informs a decision and certifies nothing. The law itself, the makers' ratings and plates, and licensed practice come first."

// inLittle stands among the cautions of an answer in little, so that what is left
// out is not taken for what is not there.
const inLittle = "This is an answer in little. Further cautions, notices, conflicts, advice and the sources stand in the whole one, which is had without Prefer: return=minimal."

// Minimal is the answer in little.
func (a *Answer) Minimal() *Minimal {
	m := newMinimal(a.Jurisdiction, a.AsOf, a.Verdict, len(a.Findings), a.Rulesets)
	m.Answers = MinimalAnswers{
		a.Answers.Brakes.minimal(), a.Answers.Breakaway.minimal(), a.Answers.SafetyChains.minimal(), a.Answers.ParkingBrake.minimal(), a.Answers.PartsRated.minimal(),
	}
	m.NotCovered = append(m.NotCovered, a.NotCovered...)
	for i := range a.Findings {
		if f := &a.Findings[i]; f.Level != "practice" && f.Status != NotApplicable {
			m.Findings = append(m.Findings, MinimalFinding{f.ID, f.Status})
		}
	}
	for i := range a.Missing {
		m.Missing = append(m.Missing, MinimalMissing{a.Missing[i].Pointer})
	}
	return m
}

// newMinimal has room for so many findings.
func newMinimal(place, day string, verdict Verdict, findings int, law []RulesetRef) *Minimal {
	m := &Minimal{
		Jurisdiction: place, AsOf: day, Verdict: verdict, Findings: make([]MinimalFinding, 0, findings), Missing: []MinimalMissing{},
		NotCovered: []string{}, Rulesets: make([]MinimalRuleset, len(law)), Cautions: []string{informs, inLittle},
	}
	for i := range law {
		m.Rulesets[i] = MinimalRuleset{law[i].ID, law[i].Version, law[i].SHA256}
	}
	return m
}

func (q *Question) minimal() MinimalQuestion { return MinimalQuestion{q.Required, q.Holds, q.Covered} }

// Minimal is the answer that Assess gives, in little; no words are made for it.
func (b *Book) Minimal(r *rig.Rig, day rig.Day) (*Minimal, error) {
	p, err := b.planOn(r.Jurisdiction, day)
	if err != nil {
		return nil, err
	}
	e := p.runIn(runs.Get().(*run), r, day, true)
	defer e.release()
	tallies := e.tallies()
	m := newMinimal(r.Jurisdiction, day.String(), e.verdict(&tallies), len(e.found), p.refs)
	a := &m.Answers
	for k, to := range [len(desk)]*MinimalQuestion{&a.Brakes, &a.Breakaway, &a.SafetyChains, &a.ParkingBrake, &a.PartsRated} {
		t := &tallies[k]
		if *to = (MinimalQuestion{t.required(), t.holds(), t.covered()}); !to.Covered {
			m.NotCovered = append(m.NotCovered, desk[k].name)
		}
	}
	for _, status := range [...]Status{NotMet, Unknown, Met} {
		for i := range e.found {
			if f := &e.found[i]; f.Status == status && f.Level != "practice" {
				m.Findings = append(m.Findings, MinimalFinding{f.ID, status})
			}
		}
	}
	for _, w := range e.wants() {
		m.Missing = append(m.Missing, MinimalMissing{w.Pointer})
	}
	return m, nil
}

// Minimal is the trip in little.
func (t *Trip) Minimal() *MinimalTrip {
	m := &MinimalTrip{AsOf: t.AsOf, Verdict: t.Verdict, Places: make([]*Minimal, len(t.Places))}
	for i, a := range t.Places {
		m.Places[i] = a.Minimal()
	}
	return m
}

// MinimalTrip is what Trip gives, in little; no words are made for it.
func (b *Book) MinimalTrip(r *rig.Rig, codes []string, day rig.Day) (*MinimalTrip, error) {
	trip := &MinimalTrip{AsOf: day.String(), Verdict: Compliant, Places: make([]*Minimal, len(codes))}
	for i, code := range codes {
		here := *r
		here.Jurisdiction = code
		m, err := b.Minimal(&here, day)
		if err != nil {
			return nil, err
		}
		trip.Places[i], trip.Verdict = m, worse(trip.Verdict, m.Verdict)
	}
	return trip, nil
}
