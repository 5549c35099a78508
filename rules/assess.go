package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"

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
	return &plan{terms: map[rig.ID]string{}, names: plainNames}, nil
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
	p := &plan{terms: map[rig.ID]string{}, rulesets: versions, said: map[*law.Rule]*said{}}
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
	words []Finding // those of the findings, unless it is brief
	duty.Case
	notes   rig.Notes
	reasons []expr.Reason // of the rule that is looked at
	facts   []rig.ID      // that they name
	wanted  []wanted
	at      map[string]int // places in wanted, by pointer
}

// found is a finding with what only the evaluation needs.
type found struct {
	*Finding        // one of the words; where there are none, what is said whatever the rig, which is only read
	Status   Status // in place of that of the finding until the answer is made
	asked    *asked
	duty     *duty.Duty
	truth    expr.Truth
	rule     *law.Rule
	needs    []duty.Need
}

// run evaluates the law of the plan for a rig.
func (p *plan) run(r *rig.Rig, day rig.Day) *run { return p.runIn(new(run), r, day, false) }

// runs are evaluations of which an answer was made, for their memory.
var runs = sync.Pool{New: func() any { return new(run) }}

// release gives back an evaluation of which nothing is wanted any more.
func (e *run) release() {
	clear(e.rules)
	clear(e.found)
	clear(e.words)
	clear(e.reasons)
	clear(e.wanted)
	e.plan, e.rig, e.Case = nil, nil, duty.Case{}
	e.notes.Begin(nil, nil)
	runs.Put(e)
}

// runIn is run in the memory of an evaluation. In brief, only what Judge gives is
// worked out.
func (p *plan) runIn(e *run, r *rig.Rig, day rig.Day, brief bool) *run {
	r = r.WithDay(day)
	e.plan, e.rig = p, r
	e.rules, e.found = slices.Grow(e.rules[:0], len(p.rules))[:len(p.rules)], slices.Grow(e.found[:0], p.duties)
	if e.words = e.words[:0]; !brief {
		e.words = slices.Grow(e.words, p.duties) // findings point into it
	}
	e.notes.Begin(r, p.term)
	e.Case = duty.Case{Notes: &e.notes, Formulas: p.formulas, Brief: brief}
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
	if len(h.Duties) == 0 || e.Brief && h.truth == expr.False { // what does not apply counts for nothing
		return
	}
	var needs []duty.Need
	if h.truth == expr.Unknown {
		needs = e.needs(h)
	}
	because := e.because(h, needs)
	if h.truth == expr.False {
		f := e.next(h, 0, &h.none)
		f.Status, f.Because, f.Summary, f.Inputs = NotApplicable, because, h.not, e.inputs(nil)
		if h.when == expr.True {
			f.Replaced = h.by
		}
		return
	}
	for i := range h.Duties {
		f := e.next(h, i, &h.said.duties[i])
		var res duty.Result
		if h.truth == expr.Unknown {
			res = duty.Result{Status: Unknown, Summary: h.open, Needs: needs}
		} else {
			res = f.duty.Hold(&e.Case)
		}
		if f.Status, f.needs = res.Status, res.Needs; e.Brief {
			continue
		}
		f.Because, f.Summary, f.Limit, f.Margin, f.Inputs = because, res.Summary, res.Limit, res.Margin, e.inputs(res.Inputs)
		if f.Status == NotMet {
			f.Remedy = cmp.Or(h.Remedy, res.Remedy)
		}
		// A yes-or-no duty takes its figures from the line that brought it on.
		if f.Limit == "" && h.truth == expr.True && len(e.reasons) == 1 && e.reasons[0].Limit != "" {
			f.Limit, f.Margin = e.reasons[0].Limit, e.reasons[0].Margin
		}
		if f.Status == Unknown {
			for _, n := range f.needs {
				if !slices.Contains(f.WaitsFor, n.Pointer) {
					f.WaitsFor = append(f.WaitsFor, n.Pointer)
				}
			}
		}
	}
}

// next begins the finding of a duty of a rule, in its place.
func (e *run) next(h *held, i int, x *asked) *found {
	said := &x.Finding
	if !e.Brief {
		e.words = append(e.words, *said)
		said = &e.words[len(e.words)-1]
	}
	e.found = append(e.found, found{Finding: said, asked: x, duty: &h.Duties[i], truth: h.truth, rule: h.Rule})
	return &e.found[len(e.found)-1]
}

// inputs adds to the inputs of a check those that brought the rule on.
func (e *run) inputs(inputs []rig.Input) []rig.Input {
	e.facts = e.facts[:0]
	for i := range e.reasons {
		e.facts = append(e.facts, e.reasons[i].Facts...)
	}
	return e.With(inputs, e.facts...)
}

// because tells why the rule holds, does not, or cannot be decided, and keeps the
// reasons.
func (e *run) because(h *held, needs []duty.Need) string {
	e.reasons = e.reasons[:0]
	switch {
	case e.Brief:
		return ""
	case h.when == expr.True && h.truth == expr.False:
		return e.Join(h.by, " takes its place.")
	case h.truth == expr.Unknown:
		parts := append(make([]string, 0, 16), "Waits for ")
		for i, n := range needs {
			if i > 0 {
				parts = append(parts, ", ")
			}
			parts = append(parts, n.Pointer)
		}
		return e.Join(append(parts, ".")...)
	case h.When == nil:
		return always
	}
	e.reasons = h.When.Reasons(e.Notes, e.reasons)
	if len(e.reasons) == 0 {
		return always
	}
	parts := make([]string, 0, 16)
	for i := range e.reasons {
		text := e.reasons[i].Text
		switch {
		case i > 0:
			parts = append(parts, "; ", text)
		case text != "":
			parts = append(parts, rig.Initial(text), text[1:])
		}
	}
	return e.Join(append(parts, ".")...)
}

const always = "Always applies."

// needs lists the inputs that would settle whether a rule holds: those of its
// condition, or those of the rules that may switch it off.
func (e *run) needs(h *held) []duty.Need {
	if h.when == expr.Unknown {
		return duty.NeedsOf(e.rig, h.When.Missing(e.rig))
	}
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

// sources describes every publication that the answer cites, by id. Where two
// versions describe one id differently, that of the first rule stands.
func (e *run) sources() []Source {
	first := make([]*Source, e.plan.sources)
	cited := 0
	for i := range e.rules {
		if h := &e.rules[i]; h.active && first[h.sourceAt] == nil {
			first[h.sourceAt] = &h.source
			cited++
		}
	}
	out := make([]Source, 0, cited)
	for _, s := range first {
		if s != nil {
			out = append(out, *s)
		}
	}
	return out
}

// counts reports whether a finding can move the verdict: law and plates do,
// advice and mere relief do not, and how the rig is driven does only when it
// is known to be wrong.
func (f *found) counts() bool {
	return f.Level != "practice" && !f.duty.Relief && (!f.duty.Conduct || f.Status != Unknown)
}

func (p *plan) assess(r *rig.Rig, day rig.Day) *Answer {
	e := p.runIn(runs.Get().(*run), r, day, false)
	defer e.release()
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
	a.Findings = e.findings()
	a.Cautions = e.cautions(a)
	return a
}

// findings lists the findings, the worst first.
func (e *run) findings() []Finding {
	out := make([]Finding, 0, len(e.found))
	for _, status := range []Status{NotMet, Unknown, Met, NotApplicable} {
		for i := range e.found {
			if f := &e.found[i]; f.Status == status {
				f.Finding.Status = status
				out = append(out, *f.Finding)
			}
		}
	}
	return out
}

// desk are the questions of the answer, with the obligations behind each and
// the keys that say whether anything is asked at all.
var desk = [...]deskQuestion{
	{"brakes", []string{"service_brakes."}, []string{"service_brakes.required"}, true},
	{"breakaway", []string{"breakaway."}, []string{"breakaway.required"}, true},
	{"safety_chains", []string{"safety_chains."}, []string{"safety_chains.required", "safety_chains.count"}, false},
	// A parking brake bears on leaving the trailer, not on towing it: a place
	// where nothing is encoded on it is told, and does not hold up the verdict.
	{"parking_brake", []string{"parking_brake."}, []string{"parking_brake.required"}, false},
	{"parts_rated", []string{"part_rating.", "mass_limit.", "mass_ratio.", "ball_load."}, nil, true},
}

type deskQuestion struct {
	name     string
	prefixes []string
	speaks   []string // questions whose duty answers "required"
	critical bool     // must be covered before a verdict can be compliant
}

// Places in desk of the questions that must be answered before a verdict can be
// compliant.
const (
	brakesAsked    = 0
	breakawayAsked = 1
)

// tallies gathers the findings by desk question.
func (e *run) tallies() (out [len(desk)]tally) {
	for i := range e.found {
		if f := &e.found[i]; f.bears() {
			out[f.asked.desk].add(f)
		}
	}
	return out
}

// bears reports whether the finding bears on its desk question.
func (f *found) bears() bool {
	return f.asked.desk >= 0 && f.Level != "practice" && f.truth != expr.False
}

// answers answers the desk questions and decides the verdict.
func (e *run) answers(a *Answer) {
	tallies := e.tallies()
	out := [len(desk)]*Question{&a.Answers.Brakes, &a.Answers.Breakaway, &a.Answers.SafetyChains, &a.Answers.ParkingBrake, &a.Answers.PartsRated}
	for k := range desk {
		*out[k] = tallies[k].question()
		if !out[k].Covered {
			a.NotCovered = append(a.NotCovered, desk[k].name)
		}
	}
	for i := range e.found {
		if f := &e.found[i]; f.bears() {
			to := &out[f.asked.desk].Findings
			*to = append(*to, f.ID)
		}
	}
	a.Verdict = e.verdict(&tallies)
	a.Answers.Brakes.Permitted = e.permitted("service_brakes.kinds")
	a.Answers.Breakaway.Permitted = e.permitted("breakaway.any_of")
}

func hasPrefix(s string, prefixes []string) bool {
	return slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(s, p) })
}

// deskOf is the place of the desk question on which an obligation bears, or -1.
func deskOf(question string) int {
	return slices.IndexFunc(desk[:], func(q deskQuestion) bool { return hasPrefix(question, q.prefixes) })
}

// tally gathers the findings on one desk question.
type tally struct {
	asked, maybe, freed, maybeFreed bool
	notMet, unknown, met            bool
}

func (t *tally) add(f *found) {
	// House rules are no law: they can fail a rig, and neither cover a question
	// on which the law is silent nor say what it asks.
	if f.rule.Ruleset.House() {
		t.notMet, t.unknown = t.notMet || f.Status == NotMet, t.unknown || f.Status == Unknown
		return
	}
	if f.asked.speaks {
		switch {
		case f.duty.Relief && f.truth == expr.True:
			t.freed = true
		case f.duty.Relief:
			t.maybeFreed = true
		case f.truth == expr.True:
			t.asked = true
		default:
			t.maybe = true
		}
	}
	if f.duty.Relief {
		return
	}
	t.notMet = t.notMet || f.Status == NotMet
	t.unknown = t.unknown || f.Status == Unknown
	t.met = t.met || f.Status == Met
}

// covered reports whether some rule in force speaks of it.
func (t *tally) covered() bool { return t.asked || t.maybe || t.freed || t.maybeFreed }

// required says whether anything is asked.
func (t *tally) required() Tri {
	switch {
	case t.asked:
		return Yes
	case t.freed && !t.maybe:
		return No
	}
	return DontKnow
}

// question is what the findings say together; they themselves are listed later.
func (t *tally) question() Question {
	return Question{Required: t.required(), Holds: t.holds(), Covered: t.covered(), Findings: make([]string, 0, 8)}
}

// holds says whether the rig does what is asked.
func (t *tally) holds() Tri {
	required := t.required()
	switch {
	case t.notMet:
		return No
	case t.unknown || !t.covered() || required == DontKnow:
	case t.met || required == No:
		return Yes
	}
	return DontKnow
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

func (e *run) verdict(tallies *[len(desk)]tally) Verdict {
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
	for k := range desk {
		unknown = unknown || desk[k].critical && !tallies[k].covered()
	}
	// A relief that may or may not hold leaves its question open.
	if unknown || tallies[brakesAsked].required() == DontKnow || tallies[breakawayAsked].required() == DontKnow {
		return Undetermined
	}
	return Compliant
}

// wanted is an input that findings wait for.
type wanted struct {
	duty.Need
	rules []string  // that wait for it, unless the evaluation is brief
	count int       // how many they are
	last  *law.Rule // of these; a rule makes its findings one after the other
}

// wants lists the inputs that findings wait for, the most wanted first: that is the
// field to ask the customer for.
func (e *run) wants() []wanted {
	if e.at == nil {
		e.at = map[string]int{}
	}
	clear(e.at)
	e.wanted = e.wanted[:0]
	for i := range e.found {
		f := &e.found[i]
		if f.Status != Unknown {
			continue
		}
		for _, n := range f.needs {
			k, there := e.at[n.Pointer]
			if !there {
				k = len(e.wanted)
				e.at[n.Pointer], e.wanted = k, append(e.wanted, wanted{Need: n})
			}
			w := &e.wanted[k]
			if w.last == f.rule {
				continue
			}
			w.last = f.rule
			if w.count++; !e.Brief {
				w.rules = append(w.rules, f.Rule)
			}
		}
	}
	slices.SortFunc(e.wanted, func(v, w wanted) int {
		return cmp.Or(cmp.Compare(w.count, v.count), strings.Compare(v.Pointer, w.Pointer))
	})
	return e.wanted
}

func (e *run) missing() []Missing {
	list := e.wants()
	out := make([]Missing, len(list))
	for i, w := range list {
		out[i] = Missing{Pointer: w.Pointer, Meaning: w.Meaning, Rules: w.rules}
		if w.Fact >= 0 {
			out[i].Term = e.terms[w.Fact]
		}
	}
	return out
}

func (e *run) notices() []Notice {
	out := make([]Notice, 0, e.plan.notices)
	for i := range e.rules {
		h := &e.rules[i]
		if h.Oblige.Notice == nil || !h.active || h.truth == expr.False {
			continue
		}
		n := Notice{Rule: h.ID, About: h.Oblige.Notice.About.Text, Text: h.Says, Applies: DontKnow, Citation: h.citation}
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
	var low, high []*found
	for _, fs := range e.byQuestion(func(f *found) bool { return f.truth == expr.True }) {
		q := fs[0].Question
		if c, ok := reliefAgainstDuty(q, fs); ok {
			out = append(out, c)
		}
		if fs[0].duty.Demand.Merge == duty.MergeIntersect && len(fs) > 1 && len(e.permitted(q)) == 0 {
			out = append(out, conflict(q, "These rules permit nothing in common.", fs))
		}
		switch q {
		case "ball_load.at_least":
			low = fs
		case "ball_load.at_most":
			high = fs
		}
	}
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

// byQuestion groups the findings of law and plates of the kind asked for, in the
// order in which their questions come up.
func (e *run) byQuestion(keep func(*found) bool) [][]*found {
	group := make([]int, len(e.found)) // of each finding, counted from 1
	questions, sizes, all := make([]string, 0, 64), make([]int, 0, 64), 0
	for i := range e.found {
		f := &e.found[i]
		if f.Level == "practice" || !keep(f) {
			continue
		}
		k := slices.Index(questions, f.Question)
		if k < 0 {
			k, questions, sizes = len(questions), append(questions, f.Question), append(sizes, 0)
		}
		group[i] = k + 1
		sizes[k]++
		all++
	}
	groups, room := make([][]*found, len(sizes)), make([]*found, all)
	for k, size := range sizes {
		groups[k], room = room[:0:size], room[size:]
	}
	for i, k := range group {
		if k > 0 {
			groups[k-1] = append(groups[k-1], &e.found[i])
		}
	}
	return groups
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
	out := append(make([]string, 0, 32), informs)
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
