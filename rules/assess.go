package rules

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"drawgear/rules/duty"
	"drawgear/rules/expr"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// Assess answers for the rig under the law of its jurisdiction on the day. The
// error is *UnknownJurisdiction if no ruleset serves the place; a day before
// the law encoded for it is answered with nothing covered.
func (b *Book) Assess(r *rig.Rig, day rig.Day) (*Answer, error) {
	p, err := b.planOn(r.Jurisdiction, day)
	if err != nil {
		return nil, err
	}
	return p.assess(r, day), nil
}

// planOn is the law of a place on a day; an empty one before all that is held.
func (b *Book) planOn(code string, day rig.Day) (*plan, error) {
	plans, ok := b.plans[code]
	if !ok {
		return nil, &UnknownJurisdiction{code}
	}
	for _, p := range plans {
		if p.span.Contains(day) {
			return p, nil
		}
	}
	return &plan{terms: map[rig.ID]string{}}, nil
}

// AssessWith answers under exactly the versions given, as an earlier answer
// lists them. It fails if one is not held or is not the text it was.
func (b *Book) AssessWith(r *rig.Rig, day rig.Day, refs []RulesetRef) (*Answer, error) {
	var versions []*law.Ruleset
	for _, ref := range refs {
		rs, ok := b.Version(ref.ID, ref.Version)
		if !ok {
			return nil, fmt.Errorf("ruleset %s version %d is not held", ref.ID, ref.Version)
		}
		if rs.SHA256 != ref.SHA256 {
			return nil, fmt.Errorf("ruleset %s version %d is not the text it was: %s, then %s", ref.ID, ref.Version, rs.SHA256, ref.SHA256)
		}
		versions = append(versions, rs)
	}
	return AssessUnder(r, day, versions)
}

// AssessUnder answers under exactly the versions given, in the order in which
// an answer lists them: what is extended comes before what extends it.
func AssessUnder(r *rig.Rig, day rig.Day, versions []*law.Ruleset) (*Answer, error) {
	p := &plan{terms: map[rig.ID]string{}, rulesets: versions}
	if err := p.resolve(); err != nil {
		return nil, err
	}
	return p.assess(r, day), nil
}

// held is one rule as it stands for one rig.
type held struct {
	*planned
	active bool       // in force on the day
	when   expr.Truth // its own condition
	truth  expr.Truth // and not switched off
	by     string     // the rule that switches it off
	done   bool
}

// run is one evaluation.
type run struct {
	*plan
	rig   *rig.Rig
	rules []held
	found []found
}

// found is a finding with what only the evaluation needs.
type found struct {
	Finding
	duty  *duty.Duty
	truth expr.Truth
	rule  *law.Rule
	needs []duty.Need
}

func (p *plan) run(r *rig.Rig, day rig.Day) *run {
	e := &run{plan: p, rig: r.WithDay(day), rules: make([]held, len(p.rules))}
	for i, rule := range p.rules {
		e.rules[i].planned = rule
		if e.rules[i].active = rule.Effective.Contains(day); !e.rules[i].active {
			e.rules[i].truth, e.rules[i].done = expr.False, true
			continue
		}
		e.rules[i].when = expr.True
		if rule.When != nil {
			e.rules[i].when = rule.When.Truth(e.rig)
		}
	}
	for i := range e.rules {
		e.settle(i)
		if e.rules[i].active {
			e.find(&e.rules[i])
		}
	}
	return e
}

// settle works out whether a rule holds once its overriders have spoken: its
// condition and not that of any overrider that itself holds. book.go made sure
// that this ends.
func (e *run) settle(i int) expr.Truth {
	h := &e.rules[i]
	if h.done {
		return h.truth
	}
	h.truth = h.when
	for _, j := range h.overriddenBy {
		t := e.settle(j)
		if t == expr.True && h.by == "" {
			h.by = e.rules[j].ID
		}
		h.truth = h.truth.And(t.Not())
	}
	h.done = true
	return h.truth
}

// find makes the findings of one rule.
func (e *run) find(h *held) {
	because, reasons := e.because(h)
	if h.truth == expr.False && len(h.Duties) > 0 {
		f := found{duty: &h.Duties[0], truth: h.truth, rule: h.Rule, Finding: Finding{
			ID: h.ID, Rule: h.ID, Question: h.Duties[0].Question, Level: h.Level, Status: NotApplicable,
			Summary: "Does not apply: " + h.Says, Because: because, Inputs: e.inputs(reasons), Citation: cite(h.Rule),
		}}
		if h.when == expr.True {
			f.Replaced = h.by
		}
		e.found = append(e.found, f)
		return
	}
	for i := range h.Duties {
		d := &h.Duties[i]
		f := found{duty: d, truth: h.truth, rule: h.Rule, Finding: Finding{
			ID: h.ID + "/" + d.Question, Rule: h.ID, Question: d.Question, Level: h.Level,
			Because: because, Citation: cite(h.Rule),
		}}
		if h.truth == expr.Unknown {
			f.Status, f.Summary = Unknown, "It cannot be decided whether this applies: "+h.Says
			f.needs, f.Inputs = e.needs(h), e.inputs(reasons)
		} else {
			res := d.Check(e.rig, e.term)
			f.Status, f.Summary, f.Limit, f.Margin = res.Status, res.Summary, res.Limit, res.Margin
			f.needs, f.Inputs = res.Needs, e.inputs(reasons, res.Inputs...)
			if f.Status == NotMet {
				f.Remedy = res.Remedy
				if h.Remedy != "" {
					f.Remedy = h.Remedy
				}
			}
			// A yes-or-no duty takes its figures from the line that brought it on.
			if f.Limit == "" && len(reasons) == 1 && reasons[0].Limit != "" {
				f.Limit, f.Margin = reasons[0].Limit, reasons[0].Margin
			}
		}
		if f.Status == Unknown {
			for _, n := range f.needs {
				if !slices.Contains(f.WaitsFor, n.Pointer) {
					f.WaitsFor = append(f.WaitsFor, n.Pointer)
				}
			}
		}
		e.found = append(e.found, f)
	}
}

// inputs adds to the inputs of a check those that brought the rule on.
func (e *run) inputs(reasons []expr.Reason, inputs ...rig.Input) []rig.Input {
	out := append([]rig.Input{}, inputs...)
	for _, reason := range reasons {
		for _, id := range reason.Facts {
			for _, in := range e.rig.Inputs(id) {
				if !slices.Contains(out, in) {
					out = append(out, in)
				}
			}
		}
	}
	return out
}

// because tells why the rule holds, does not, or cannot be decided.
func (e *run) because(h *held) (string, []expr.Reason) {
	if h.when == expr.True && h.truth == expr.False {
		return fmt.Sprintf("%s takes its place.", h.by), nil
	}
	if h.truth == expr.Unknown {
		var names []string
		for _, n := range e.needs(h) {
			names = append(names, n.Pointer)
		}
		return "Waits for " + strings.Join(names, ", ") + ".", nil
	}
	if h.When == nil {
		return "Always applies.", nil
	}
	reasons := h.When.Explain(e.rig, e.term)
	if len(reasons) == 0 {
		return "Always applies.", nil
	}
	texts := make([]string, len(reasons))
	for i, r := range reasons {
		texts[i] = r.Text
	}
	return upper(strings.Join(texts, "; ")) + ".", reasons
}

// needs lists the inputs that would settle whether a rule holds: those of its
// condition, or those of the rules that may switch it off.
func (e *run) needs(h *held) []duty.Need {
	var out []duty.Need
	seen := map[*held]bool{} // by many ways one may come to the same rule
	var visit func(h *held)
	visit = func(h *held) {
		if seen[h] {
			return
		}
		seen[h] = true
		if h.when == expr.Unknown {
			out = append(out, duty.NeedsOf(e.rig, h.When.Missing(e.rig))...)
			return
		}
		for _, j := range h.overriddenBy {
			if e.rules[j].truth == expr.Unknown {
				visit(&e.rules[j])
			}
		}
	}
	visit(h)
	return out
}

func cite(r *law.Rule) Citation {
	return Citation{
		Ruleset: r.Ruleset.Ruleset, Version: r.Ruleset.Version, Source: r.Source.ID, Title: r.Source.Title, Clause: r.Cite.Clause,
		Verification: r.Cite.How, Confidence: r.Cite.Confidence, NeedsConfirming: r.Cite.How != "text",
	}
}

// sources describes every publication that the answer cites, by id.
func (e *run) sources() []Source {
	out := []Source{}
	for i := range e.rules {
		h := &e.rules[i]
		if !h.active || slices.ContainsFunc(out, func(s Source) bool { return s.ID == h.Source.ID }) {
			continue
		}
		s := h.Source
		out = append(out, Source{
			ID: s.ID, Title: s.Title, Publisher: s.Publisher, Edition: s.Edition, Published: s.Published, URL: s.URL,
			Kind: s.Kind, Checked: s.Checked.How, CheckedOn: s.Checked.On.String(),
		})
	}
	sort.Slice(out, func(i, j int) bool { return out[i].ID < out[j].ID })
	return out
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// counts reports whether a finding can move the verdict: law and plates do,
// advice and mere relief do not, and how the rig is driven does only when it
// is known to be wrong.
func (f *found) counts() bool {
	return f.Level != "practice" && !f.duty.Relief && (!f.duty.Conduct || f.Status != Unknown)
}

func (p *plan) assess(r *rig.Rig, day rig.Day) *Answer {
	e := p.run(r, day)
	a := &Answer{
		Jurisdiction: r.Jurisdiction, AsOf: day.String(),
		Asks: e.asks(), Findings: []Finding{}, Conflicts: e.conflicts(), Notices: e.notices(), Missing: e.missing(),
		NotCovered: []string{}, Loads: e.rig.Derivations(), Rulesets: p.refs, Sources: e.sources(),
	}
	if a.Loads == nil {
		a.Loads = []rig.Derivation{}
	}
	if a.Rulesets == nil {
		a.Rulesets = []RulesetRef{}
	}
	e.answers(a)
	a.Verdict = e.verdict(a)
	a.Cautions = e.cautions(a)
	order := map[Status]int{NotMet: 0, Unknown: 1, Met: 2, NotApplicable: 3}
	sort.SliceStable(e.found, func(i, j int) bool { return order[e.found[i].Status] < order[e.found[j].Status] })
	for i := range e.found {
		a.Findings = append(a.Findings, e.found[i].Finding)
	}
	return a
}

// desk are the questions of the answer, with the obligations behind each and
// the keys that say whether anything is asked at all.
var desk = []struct {
	name     string
	prefixes []string
	speaks   []string // questions whose duty answers "required"
	critical bool     // must be covered before a verdict can be compliant
}{
	{"brakes", []string{"service_brakes."}, []string{"service_brakes.required"}, true},
	{"breakaway", []string{"breakaway."}, []string{"breakaway.required"}, true},
	{"safety_chains", []string{"safety_chains."}, []string{"safety_chains.required", "safety_chains.count"}, false},
	// A parking brake bears on leaving the trailer, not on towing it: a place
	// where nothing is encoded on it is told, and does not hold up the verdict.
	{"parking_brake", []string{"parking_brake."}, []string{"parking_brake.required"}, false},
	{"parts_rated", []string{"part_rating.", "mass_limit.", "mass_ratio.", "ball_load."}, nil, true},
}

func (e *run) answers(a *Answer) {
	out := []*Question{&a.Answers.Brakes, &a.Answers.Breakaway, &a.Answers.SafetyChains, &a.Answers.ParkingBrake, &a.Answers.PartsRated}
	for i, q := range desk {
		*out[i] = e.question(q.prefixes, q.speaks)
		if !out[i].Covered {
			a.NotCovered = append(a.NotCovered, q.name)
		}
	}
	a.Answers.Brakes.Permitted = e.permitted("service_brakes.kinds")
	a.Answers.Breakaway.Permitted = e.permitted("breakaway.any_of")
}

func hasPrefix(s string, prefixes []string) bool {
	return slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(s, p) })
}

// question merges the findings on one desk question.
func (e *run) question(prefixes, speaks []string) Question {
	q := Question{Required: DontKnow, Holds: DontKnow, Findings: []string{}}
	var asked, maybe, freed, maybeFreed bool
	var notMet, unknown, met bool
	for i := range e.found {
		f := &e.found[i]
		if f.Level == "practice" || !hasPrefix(f.Question, prefixes) || f.truth == expr.False {
			continue
		}
		q.Findings = append(q.Findings, f.ID)
		// House rules are no law: they can fail a rig, and neither cover a question
		// on which the law is silent nor say what it asks.
		if f.rule.Ruleset.House() {
			notMet, unknown = notMet || f.Status == NotMet, unknown || f.Status == Unknown
			continue
		}
		if speaks == nil || slices.Contains(speaks, f.Question) {
			switch {
			case f.duty.Relief && f.truth == expr.True:
				freed = true
			case f.duty.Relief:
				maybeFreed = true
			case f.truth == expr.True:
				asked = true
			default:
				maybe = true
			}
		}
		if f.duty.Relief {
			continue
		}
		notMet = notMet || f.Status == NotMet
		unknown = unknown || f.Status == Unknown
		met = met || f.Status == Met
	}
	q.Covered = asked || maybe || freed || maybeFreed
	switch {
	case asked:
		q.Required = Yes
	case freed && !maybe:
		q.Required = No
	}
	switch {
	case notMet:
		q.Holds = No
	case unknown || !q.Covered || q.Required == DontKnow:
	case met || q.Required == No:
		q.Holds = Yes
	}
	return q
}

// permitted is what every rule that holds on the question permits.
func (e *run) permitted(question string) []string {
	var out []string
	any := false
	for i := range e.found {
		f := &e.found[i]
		if f.Question != question || f.truth != expr.True || f.Level == "practice" {
			continue
		}
		if !any {
			out, any = slices.Clone(f.duty.Demand.Words), true
			continue
		}
		out = slices.DeleteFunc(out, func(w string) bool { return !slices.Contains(f.duty.Demand.Words, w) })
	}
	return out
}

func (e *run) verdict(a *Answer) Verdict {
	unknown := false
	for i := range e.found {
		f := &e.found[i]
		if !f.counts() {
			continue
		}
		if f.Status == NotMet {
			return NonCompliant
		}
		unknown = unknown || f.Status == Unknown
	}
	for _, q := range desk {
		if q.critical && slices.Contains(a.NotCovered, q.name) {
			unknown = true
		}
	}
	// A relief that may or may not hold leaves its question open.
	if unknown || a.Answers.Brakes.Required == DontKnow || a.Answers.Breakaway.Required == DontKnow {
		return Undetermined
	}
	return Compliant
}

func (e *run) missing() []Missing {
	type entry struct {
		duty.Need
		rules []string
	}
	at := map[string]*entry{}
	for i := range e.found {
		f := &e.found[i]
		if f.Status != Unknown {
			continue
		}
		for _, n := range f.needs {
			m := at[n.Pointer]
			if m == nil {
				m = &entry{Need: n}
				at[n.Pointer] = m
			}
			if !slices.Contains(m.rules, f.Rule) {
				m.rules = append(m.rules, f.Rule)
			}
		}
	}
	out := []Missing{}
	for ptr, m := range at {
		x := Missing{Pointer: ptr, Meaning: m.Meaning, Rules: m.rules}
		if m.Fact >= 0 {
			x.Term = e.terms[m.Fact]
		}
		out = append(out, x)
	}
	// Most wanted first: that is the field to ask the customer for.
	sort.Slice(out, func(i, j int) bool {
		if len(out[i].Rules) != len(out[j].Rules) {
			return len(out[i].Rules) > len(out[j].Rules)
		}
		return out[i].Pointer < out[j].Pointer
	})
	return out
}

func (e *run) notices() []Notice {
	out := []Notice{}
	for i := range e.rules {
		h := &e.rules[i]
		if h.Oblige.Notice == nil || !h.active || h.truth == expr.False {
			continue
		}
		n := Notice{Rule: h.ID, About: h.Oblige.Notice.About.Text, Text: h.Says, Applies: DontKnow, Citation: cite(h.Rule)}
		if h.truth == expr.True {
			n.Applies = Yes
		}
		out = append(out, n)
	}
	return out
}

// conflicts finds rules that hold together and cannot all be obeyed, or that
// one ruleset states against each other with no order between them.
func (e *run) conflicts() []Conflict {
	out := []Conflict{}
	byQuestion := map[string][]*found{}
	var order []string
	for i := range e.found {
		f := &e.found[i]
		if f.truth != expr.True || f.Level == "practice" {
			continue
		}
		if byQuestion[f.Question] == nil {
			order = append(order, f.Question)
		}
		byQuestion[f.Question] = append(byQuestion[f.Question], f)
	}
	for _, q := range order {
		fs := byQuestion[q]
		if c, ok := reliefAgainstDuty(q, fs); ok {
			out = append(out, c)
		}
		if fs[0].duty.Demand.Merge == duty.MergeIntersect && len(fs) > 1 && len(e.permitted(q)) == 0 {
			out = append(out, conflict(q, "These rules permit nothing in common.", fs))
		}
	}
	low, high := byQuestion["ball_load.at_least"], byQuestion["ball_load.at_most"]
	for _, l := range low {
		for _, h := range high {
			x, okx := l.duty.Demand.Amount.Value(e.rig)
			y, oky := h.duty.Demand.Amount.Value(e.rig)
			if okx && oky && x.Cmp(y) > 0 {
				out = append(out, conflict("ball_load", fmt.Sprintf("At least %s and at most %s are asked.", x.Text(), y.Text()), []*found{l, h}))
			}
		}
	}
	return out
}

// reliefAgainstDuty: across rulesets law adds up and the duty simply stands;
// within one, a relief and a duty on one question with no override is a fault
// of the text that must be seen.
func reliefAgainstDuty(q string, fs []*found) (Conflict, bool) {
	for _, a := range fs {
		for _, b := range fs {
			if a.duty.Relief && !b.duty.Relief && a.rule.Ruleset == b.rule.Ruleset {
				return conflict(q, "One rule asks for this and another says that nothing is asked; the duty is held until the order is known.", []*found{a, b}), true
			}
		}
	}
	return Conflict{}, false
}

func conflict(q, summary string, fs []*found) Conflict {
	c := Conflict{Question: q, Summary: summary}
	for _, f := range fs {
		c.Rules = append(c.Rules, f.Rule)
		c.Citations = append(c.Citations, f.Citation)
	}
	return c
}

// cautions are the limits of what the answer can be relied on for.
func (e *run) cautions(a *Answer) []string {
	out := []string{
		"This informs a decision and certifies nothing. The law itself, the makers' ratings and plates, and licensed practice come first.",
	}
	if len(a.Rulesets) == 0 {
		return append(out, "No law is held for "+a.Jurisdiction+" on "+a.AsOf+": nothing here means that anything is allowed.")
	}
	if len(a.NotCovered) > 0 {
		out = append(out, "Not covered for this rig, place and day, which does not mean allowed: "+strings.ReplaceAll(strings.Join(a.NotCovered, ", "), "_", " ")+".")
	}
	for _, rs := range e.rulesets {
		if rs.Coverage == "partial" {
			out = append(out, "Only part of the law is encoded in "+rs.Ruleset+" ("+rs.Title+").")
		}
	}
	rest := map[string][]string{}
	for i := range e.found {
		f := &e.found[i]
		if how := f.Citation.Verification; f.truth == expr.True && how != "text" && !slices.Contains(rest[how], f.Rule) && f.Level == "law" {
			rest[how] = append(rest[how], f.Rule)
		}
	}
	for _, how := range []string{"memory", "second-hand"} {
		if rest[how] != nil {
			out = append(out, fmt.Sprintf("Rests on %s and needs confirming against the text: %s.", map[string]string{"memory": "memory", "second-hand": "second-hand reports"}[how], strings.Join(rest[how], ", ")))
		}
	}
	for i := range e.rules {
		if h := &e.rules[i]; h.Caution != "" && h.active && h.truth != expr.False && !slices.Contains(out, h.Caution) {
			out = append(out, h.Caution)
		}
	}
	return out
}
