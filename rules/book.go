package rules

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"

	"drawgear/rules/expr"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// Book is a library of compiled rulesets, linked: for every jurisdiction and
// every span of days it holds the list of rules in force. It is immutable and
// safe for concurrent use; a change of law is a new Book.
type Book struct {
	rulesets []*law.Ruleset // by id, then version
	byID     map[string][]*law.Ruleset
	plans    map[string][]*plan // by jurisdiction, by first day
	said     map[*law.Rule]*said
}

// plan is the law of one jurisdiction over a span of days in which no version
// begins or ends.
type plan struct {
	span     law.Interval
	rulesets []*law.Ruleset // what is extended comes before what extends it
	rules    []*planned
	terms    map[rig.ID]string
	refs     []RulesetRef

	// What the answers for all rigs share.
	said     map[*law.Rule]*said
	names    []string                 // of the facts, by ID
	formulas map[*expr.Program]string // of the amounts, in these names
	sources  int                      // how many publications are cited
	duties   int                      // how many findings there can be
	notices  int                      // how many notices
}

// planned is a rule with those that may switch it off.
type planned struct {
	*law.Rule
	*said
	overriddenBy []int // places in plan.rules
	sourceAt     int   // place of its source among those cited, by id
}

// said is what answers say of a rule whatever the rig.
type said struct {
	duties    []asked // by duty
	none      asked   // that it does not apply
	not, open string  // summaries where it does not apply, and where that cannot be decided
	citation  Citation
	source    Source
}

// asked is what answers say of a duty whatever the rig.
type asked struct {
	Finding
	desk   int  // place of the desk question on which it bears, or -1
	speaks bool // it says whether anything is asked there at all
}

func newSaid(r *law.Rule) *said {
	s := r.Source
	out := &said{
		not: "Does not apply: " + r.Says, open: "It cannot be decided whether this applies: " + r.Says,
		citation: Citation{
			Ruleset: r.Ruleset.Ruleset, Version: r.Ruleset.Version, Source: s.ID, Title: s.Title, Clause: r.Cite.Clause,
			Verification: r.Cite.How, Confidence: r.Cite.Confidence, NeedsConfirming: r.Cite.How != "text",
		},
		source: Source{
			ID: s.ID, Title: s.Title, Publisher: s.Publisher, Edition: s.Edition, Published: s.Published, URL: s.URL,
			Kind: s.Kind, Checked: s.Checked.How, CheckedOn: s.Checked.On.String(),
		},
	}
	for i := range r.Duties {
		question := r.Duties[i].Question
		x := asked{Finding{ID: r.ID + "/" + question, Rule: r.ID, Question: question, Level: r.Level, Citation: out.citation}, deskOf(question), false}
		if x.desk >= 0 {
			speaks := desk[x.desk].speaks
			x.speaks = speaks == nil || slices.Contains(speaks, question)
		}
		out.duties = append(out.duties, x)
	}
	if out.duties != nil {
		out.none = out.duties[0]
		out.none.ID = r.ID
	}
	return out
}

// UnknownJurisdiction is the error for a code that no ruleset serves.
type UnknownJurisdiction struct{ Code string }

// Error names the code.
func (e *UnknownJurisdiction) Error() string {
	return fmt.Sprintf("no ruleset is held for %s", e.Code)
}

// NewBook links rulesets. It fails on a version that stands twice, on `extends`
// or `overrides` that name nothing, and on overrides that run in a circle.
func NewBook(rulesets []*law.Ruleset) (*Book, error) {
	b := &Book{rulesets: slices.Clone(rulesets), byID: map[string][]*law.Ruleset{}, plans: map[string][]*plan{}, said: map[*law.Rule]*said{}}
	sort.Slice(b.rulesets, func(i, j int) bool {
		x, y := b.rulesets[i], b.rulesets[j]
		if x.Ruleset != y.Ruleset {
			return x.Ruleset < y.Ruleset
		}
		return x.Version < y.Version
	})
	for _, rs := range b.rulesets {
		b.byID[rs.Ruleset] = append(b.byID[rs.Ruleset], rs)
	}
	var faults []error
	for i, rs := range b.rulesets {
		if i > 0 && b.rulesets[i-1].Ruleset == rs.Ruleset && b.rulesets[i-1].Version == rs.Version {
			faults = append(faults, fmt.Errorf("%s version %d stands twice", rs.Ruleset, rs.Version))
		}
		faults = append(faults, b.checkLinks(rs)...)
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	for _, code := range b.codes() {
		plans, err := b.planFor(code)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", code, err)
		}
		b.plans[code] = plans
	}
	return b, nil
}

func (b *Book) checkLinks(rs *law.Ruleset) []error {
	var faults []error
	known := map[string]bool{}
	for _, id := range b.closure(rs) {
		if b.byID[id] == nil {
			faults = append(faults, fmt.Errorf("%s extends %s, which is not held", rs.Ruleset, id))
		}
		for _, v := range b.byID[id] {
			for _, r := range v.Rules {
				known[r.ID] = true
			}
		}
	}
	for _, r := range rs.Rules {
		for _, id := range r.Overrides {
			if !known[id] {
				faults = append(faults, fmt.Errorf("%s: rule %s overrides %s, which is not a rule here", rs.Ruleset, r.ID, id))
			}
		}
	}
	return faults
}

// closure lists the ids of a ruleset and all it extends, directly or not, in
// any version; what is extended comes first.
func (b *Book) closure(rs *law.Ruleset) []string {
	var out []string
	done := map[string]bool{}
	var visit func(id string, extends []string)
	visit = func(id string, extends []string) {
		if done[id] {
			return
		}
		done[id] = true
		for _, e := range extends {
			var next []string
			for _, v := range b.byID[e] {
				next = append(next, v.Extends...)
			}
			visit(e, next)
		}
		out = append(out, id)
	}
	visit(rs.Ruleset, rs.Extends)
	return out
}

func (b *Book) codes() []string {
	var out []string
	for _, rs := range b.rulesets {
		if rs.Jurisdiction != "" {
			out = append(out, rs.Jurisdiction)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// planFor cuts time where any version involved begins or ends and links the
// rules in force in each span.
func (b *Book) planFor(code string) ([]*plan, error) {
	var roots []string
	cuts := map[rig.Day]bool{}
	for _, rs := range b.rulesets {
		if rs.Jurisdiction != code {
			continue
		}
		roots = append(roots, rs.Ruleset)
		for _, id := range b.closure(rs) {
			for _, v := range b.byID[id] {
				if v.Effective.From.Valid {
					cuts[v.Effective.From.Day] = true
				}
				if v.Effective.To.Valid {
					cuts[v.Effective.To.Day+1] = true
				}
			}
		}
	}
	roots = slices.Compact(roots) // sorted already
	var days []rig.Day
	for d := range cuts {
		days = append(days, d)
	}
	slices.Sort(days)
	var plans []*plan
	for i, from := range days {
		span := law.Interval{From: law.Day{Day: from, Valid: true}}
		if i+1 < len(days) {
			span.To = law.Day{Day: days[i+1] - 1, Valid: true}
		}
		p, err := b.link(roots, span)
		if err != nil {
			return nil, err
		}
		if p != nil {
			plans = append(plans, p)
		}
	}
	return plans, nil
}

// inForce returns the version of a ruleset in force on a day; the highest if
// several claim it.
func (b *Book) inForce(id string, day rig.Day) *law.Ruleset {
	var out *law.Ruleset
	for _, v := range b.byID[id] {
		if v.Effective.Contains(day) {
			out = v
		}
	}
	return out
}

func (b *Book) link(roots []string, span law.Interval) (*plan, error) {
	day := span.From.Day
	p := &plan{span: span, terms: map[rig.ID]string{}, said: b.said}
	done, own := map[string]bool{}, false
	var visit func(id string)
	visit = func(id string) {
		rs := b.inForce(id, day)
		if rs == nil || done[id] {
			return
		}
		done[id] = true
		for _, e := range rs.Extends {
			visit(e)
		}
		p.rulesets = append(p.rulesets, rs)
		own = own || slices.Contains(roots, id)
	}
	for _, id := range roots {
		visit(id)
	}
	if !own {
		return nil, nil
	}
	return p, p.resolve()
}

// resolve replaces rules by id, binds overrides and terms.
func (p *plan) resolve() error {
	at := map[string]int{}
	for _, rs := range p.rulesets {
		for id, term := range rs.TermOf {
			p.terms[id] = term
		}
		p.refs = append(p.refs, Ref(rs))
		for _, r := range rs.Rules {
			// Rules of one id within a ruleset cannot be; across rulesets the one
			// that extends replaces the one extended.
			if i, ok := at[r.ID]; ok {
				p.rules[i] = p.planned(r)
				continue
			}
			at[r.ID] = len(p.rules)
			p.rules = append(p.rules, p.planned(r))
		}
	}
	for i, r := range p.rules {
		for _, id := range r.Overrides {
			// A rule of a version not in force in this span has nothing to switch off.
			if j, ok := at[id]; ok {
				p.rules[j].overriddenBy = append(p.rules[j].overriddenBy, i)
			}
		}
	}
	p.share()
	return p.acyclic()
}

func (p *plan) planned(r *law.Rule) *planned {
	s := p.said[r]
	if s == nil {
		s = newSaid(r)
		p.said[r] = s
	}
	return &planned{Rule: r, said: s}
}

// share works out what the answers for all rigs have in common.
func (p *plan) share() {
	p.names = slices.Clone(plainNames)
	for id, term := range p.terms {
		p.names[id] = term
	}
	p.formulas = map[*expr.Program]string{}
	var sources []string
	for _, r := range p.rules {
		p.duties += len(r.Duties)
		if r.Oblige.Notice != nil {
			p.notices++
		}
		sources = append(sources, r.Source.ID)
		for i := range r.Duties {
			for _, program := range r.Duties[i].Programs() {
				p.formulas[program] = program.Formula(p.term)
			}
		}
	}
	slices.Sort(sources)
	sources = slices.Compact(sources)
	p.sources = len(sources)
	for _, r := range p.rules {
		r.sourceAt, _ = slices.BinarySearch(sources, r.Source.ID)
	}
}

func (p *plan) acyclic() error {
	state := make([]uint8, len(p.rules)) // 0 new, 1 open, 2 done
	var visit func(i int, path []string) error
	visit = func(i int, path []string) error {
		path = append(path, p.rules[i].ID)
		switch state[i] {
		case 1:
			return fmt.Errorf("overrides run in a circle: %s", strings.Join(path, " by "))
		case 2:
			return nil
		}
		state[i] = 1
		for _, j := range p.rules[i].overriddenBy {
			if err := visit(j, path); err != nil {
				return err
			}
		}
		state[i] = 2
		return nil
	}
	for i := range p.rules {
		if err := visit(i, nil); err != nil {
			return err
		}
	}
	return nil
}

// term names a fact in the words of the place, or by its path.
func (p *plan) term(id rig.ID) string { return p.names[id] }

// plainNames are those of facts for which a place has no words of its own.
var plainNames = func() []string {
	var out []string
	for _, f := range rig.Fields() {
		out = append(out, strings.NewReplacer(".", " ", "_", " ").Replace(f.Path))
	}
	return out
}()

// Jurisdiction is a place for which law is held.
type Jurisdiction struct {
	Code     string            `json:"code"`
	Rulesets []RulesetRef      `json:"rulesets"` // every version in its chain
	Terms    map[string]string `json:"terms"`    // what the place calls a fact
	Rules    int               `json:"rules"`    // in force on its last reviewed span
	Earliest string            `json:"earliest"` // first day that is encoded
	Reviewed string            `json:"reviewed"` // day its own rulesets were last compared with their sources; the oldest of them
	Partial  bool              `json:"partial"`  // only part of the law is encoded
	Coverage []Coverage        `json:"coverage"` // by question, on the day of the review
}

// Jurisdictions lists the places in order of code.
func (b *Book) Jurisdictions() []Jurisdiction {
	var out []Jurisdiction
	for _, code := range b.codes() {
		out = append(out, b.jurisdiction(code))
	}
	return out
}

// Jurisdiction returns one place.
func (b *Book) Jurisdiction(code string) (Jurisdiction, bool) {
	if b.plans[code] == nil {
		return Jurisdiction{}, false
	}
	return b.jurisdiction(code), true
}

func (b *Book) jurisdiction(code string) Jurisdiction {
	j := Jurisdiction{Code: code, Terms: map[string]string{}}
	for _, rs := range b.rulesets {
		if rs.Jurisdiction != code {
			continue
		}
		j.Partial = j.Partial || rs.Coverage == "partial"
		if day := rs.Reviewed.String(); j.Reviewed == "" || day < j.Reviewed {
			j.Reviewed = day
		}
	}
	if day, err := rig.ParseDay(j.Reviewed); err == nil {
		j.Coverage, _ = b.Coverage(code, day)
	}
	for _, p := range b.plans[code] {
		if j.Earliest == "" {
			j.Earliest = p.span.From.String()
		}
		j.Rules = len(p.rules)
		for _, ref := range p.refs {
			if !slices.Contains(j.Rulesets, ref) {
				j.Rulesets = append(j.Rulesets, ref)
			}
		}
		for id, t := range p.terms {
			j.Terms[rig.ByID(id).Path] = t
		}
	}
	return j
}

// Rulesets lists every version by id and version.
func (b *Book) Rulesets() []*law.Ruleset { return b.rulesets }

// Versions lists the versions of a ruleset, oldest first; none if unknown.
func (b *Book) Versions(id string) []*law.Ruleset { return b.byID[id] }

// Version returns one version of a ruleset.
func (b *Book) Version(id string, version int) (*law.Ruleset, bool) {
	for _, v := range b.byID[id] {
		if v.Version == version {
			return v, true
		}
	}
	return nil, false
}

// Ref is the identity of a version as answers carry it.
func Ref(rs *law.Ruleset) RulesetRef {
	return RulesetRef{
		ID: rs.Ruleset, Version: rs.Version, Title: rs.Title, SHA256: rs.SHA256, Reviewed: rs.Reviewed.String(),
		Effective: Interval{From: rs.Effective.From.String(), To: rs.Effective.To.String()},
	}
}

// CitedSource is a publication with the rulesets that cite it.
type CitedSource struct {
	law.Source
	CitedBy []string `json:"cited_by"`
}

// Sources lists every publication cited, by id. Where two versions describe one
// id differently the later description stands.
func (b *Book) Sources() []CitedSource {
	at := map[string]int{}
	var out []CitedSource
	for _, rs := range b.rulesets {
		for _, s := range rs.Sources {
			i, ok := at[s.ID]
			if !ok {
				i = len(out)
				at[s.ID] = i
				out = append(out, CitedSource{})
			}
			out[i].Source = s
			if !slices.Contains(out[i].CitedBy, rs.Ruleset) {
				out[i].CitedBy = append(out[i].CitedBy, rs.Ruleset)
			}
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].ID < out[j].ID })
	return out
}
