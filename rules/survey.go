package rules

import (
	"fmt"
	"math/big"
	"slices"
	"sort"
	"strings"

	"drawgear/rules/duty"
	"drawgear/rules/expr"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// Survey is what the law held for a place says on one question over every
// rig there can be: all rigs fall into cells within which no condition of a
// rule that bears on the question changes, and every cell is looked at.
type Survey struct {
	Question string    `json:"question"`
	Cells    int       `json:"cells"`    // looked at
	Governed int       `json:"governed"` // in which a rule answers
	Open     []Region  `json:"open"`     // in which none does: not covered
	Overlaps []Overlap `json:"overlaps"` // in which several do
	Partial  bool      `json:"partial"`  // too many cells: the rarest inputs were held at one value
}

// Region is a set of cells, described by the inputs that set it apart.
type Region struct {
	Where string `json:"where"`
	Cells int    `json:"cells"`
}

// Overlap is rules that answer the same cells.
type Overlap struct {
	Rules    []string `json:"rules"`
	Conflict bool     `json:"conflict"` // one asks and one of the same ruleset frees, with no order; or nothing pleases all
	Where    string   `json:"where"`    // one of the cells
	Cells    int      `json:"cells"`
}

// SurveyQuestions are the questions that a survey looks at.
var SurveyQuestions = []string{
	"service_brakes.required", "service_brakes.kinds", "service_brakes.wheels", "service_brakes.operable_from_cab",
	"breakaway.required", "breakaway.any_of", "breakaway.hold", "breakaway.holds_grade", "breakaway.battery_indicator",
	"parking_brake.required", "parking_brake.holds_grade",
	"safety_chains.required", "safety_chains.count", "safety_chains.each_rated", "safety_chains.each_breaking", "safety_chains.together_breaking",
	"coupling.positive_lock", "coupling.secondary_lock", "coupling.quick_release", "coupling.marked",
	"part_rating.towbar", "part_rating.ball", "part_rating.coupling", "mass_limit.at_most", "mass_ratio.at_most",
	"ball_load.at_least", "ball_load.at_most", "speed.at_most",
}

const (
	maxCells    = 2_000_000 // of one survey
	expandCells = 100_000   // up to which conditions defined by name are looked into
)

// Survey looks at every cell of every question for a place on a day.
func (b *Book) Survey(code string, day rig.Day) ([]Survey, error) {
	return b.survey(code, surveyed{day: day, most: maxCells}, SurveyQuestions)
}

// SurveyWith looks at the questions on which one ruleset speaks, in a place
// where it is in force on the day, and counts its rules of practice among those
// that answer. Of a question it looks at no more cells than most.
func (b *Book) SurveyWith(rs *law.Ruleset, code string, day rig.Day, most int) ([]Survey, error) {
	var questions []string
	for _, q := range SurveyQuestions {
		if slices.ContainsFunc(rs.Rules, func(r *law.Rule) bool { return speaksOn(r, q) }) {
			questions = append(questions, q)
		}
	}
	return b.survey(code, surveyed{day: day, most: most, with: rs}, questions)
}

// surveyed is what a survey looks at.
type surveyed struct {
	day  rig.Day
	most int          // cells of a question
	with *law.Ruleset // whose practice counts too; nil for none
}

func (b *Book) survey(code string, what surveyed, questions []string) ([]Survey, error) {
	plans, ok := b.plans[code]
	if !ok {
		return nil, &UnknownJurisdiction{code}
	}
	out := []Survey{}
	for _, p := range plans {
		if !p.span.Contains(what.day) {
			continue
		}
		for _, q := range questions {
			if s, ok := p.survey(q, what); ok {
				out = append(out, s)
			}
		}
	}
	return out, nil
}

// axis is one thing that conditions turn on, with the positions that matter.
type axis struct {
	key   string
	kind  expr.AtomKind
	fact  rig.ID
	cuts  []expr.Value // thresholds, ascending
	words []string     // words that are named; one more stands for the rest
	size  int
}

// restWord stands for every word that no condition names.
const restWord = "another"

func (p *plan) survey(question string, what surveyed) (Survey, bool) {
	speakers, involved := p.speakers(question, what)
	s := Survey{Question: question, Open: []Region{}, Overlaps: []Overlap{}}
	if len(speakers) == 0 {
		return s, false
	}
	// Conditions defined by name are looked into, so that what they share with
	// others is seen; where that makes too many cells, each counts as one thing.
	named := false
	axes := p.axes(involved, named)
	if product(axes, min(expandCells, what.most)) > min(expandCells, what.most) {
		named = true
		axes = p.axes(involved, named)
	}
	total := 1
	for i := range axes {
		if total*axes[i].size > what.most {
			axes[i].size, s.Partial = 1, true
		}
		total *= axes[i].size
	}
	limits := bounds(axes)
	tests := p.tests(involved, axes, what.day, named)
	at := make([]int, len(axes))
	var open [][]int
	overlaps := map[string]*Overlap{}
	for cell := range total {
		rest := cell
		for i := range axes {
			at[i] = rest % axes[i].size
			rest /= axes[i].size
		}
		if !feasible(axes, limits, at) {
			continue
		}
		s.Cells++
		holding := p.holding(speakers, tests, cell, at)
		switch len(holding) {
		case 0:
			open = append(open, slices.Clone(at))
		case 1:
			s.Governed++
		default:
			s.Governed++
			p.note(overlaps, holding, question, axes, at)
		}
	}
	s.Open = regions(axes, open)
	for _, o := range overlaps {
		s.Overlaps = append(s.Overlaps, *o)
	}
	sort.Slice(s.Overlaps, func(i, j int) bool {
		return strings.Join(s.Overlaps[i].Rules, " ") < strings.Join(s.Overlaps[j].Rules, " ")
	})
	return s, true
}

// speakers are the rules in force that answer the question, and involved those
// and all that may switch them off.
func (p *plan) speakers(question string, what surveyed) (speakers, involved []int) {
	seen := map[int]bool{}
	var add func(i int)
	add = func(i int) {
		if seen[i] || !p.rules[i].Effective.Contains(what.day) {
			return
		}
		seen[i] = true
		involved = append(involved, i)
		for _, j := range p.rules[i].overriddenBy {
			add(j)
		}
	}
	for i, r := range p.rules {
		if r.Level == "practice" && r.Ruleset != what.with || !r.Effective.Contains(what.day) {
			continue
		}
		if speaksOn(r.Rule, question) {
			speakers = append(speakers, i)
			add(i)
		}
	}
	return speakers, involved
}

func speaksOn(r *law.Rule, question string) bool {
	return slices.ContainsFunc(r.Duties, func(d duty.Duty) bool { return d.Question == question })
}

// product is the number of cells that the axes span, or more than most.
func product(axes []axis, most int) int {
	total := 1
	for i := range axes {
		if total *= axes[i].size; total > most {
			break
		}
	}
	return total
}

var (
	dayFact    = rig.Must("as_of")
	kindFact   = rig.Must("trailer.brakes.kind")
	fittedFact = rig.Must("trailer.brakes.fitted")
)

// axes gathers what the conditions of the rules turn on.
func (p *plan) axes(involved []int, named bool) []axis {
	byKey := map[string]*axis{}
	var order []string
	for _, i := range involved {
		if p.rules[i].When == nil {
			continue
		}
		atoms, _ := p.rules[i].When.Skeleton(named)
		for _, a := range atoms {
			if a = fromKind(a); a.Fact == dayFact && a.Kind == expr.AtomThreshold {
				continue // the day is given
			}
			x := byKey[a.Key]
			if x == nil {
				x = &axis{key: a.Key, kind: a.Kind, fact: a.Fact}
				byKey[a.Key] = x
				order = append(order, a.Key)
			}
			x.add(a)
		}
	}
	out := make([]axis, 0, len(order))
	for _, key := range order {
		x := byKey[key]
		x.settle()
		out = append(out, *x)
	}
	// The axes with most positions are kept whole if cells must be saved.
	sort.SliceStable(out, func(i, j int) bool { return out[i].size > out[j].size })
	return out
}

// fromKind turns "brakes are fitted" into what it follows from: their kind is
// any word but none.
func fromKind(a expr.Atom) expr.Atom {
	if a.Fact != fittedFact || a.Kind != expr.AtomFlag {
		return a
	}
	return expr.Atom{Kind: expr.AtomWord, Fact: kindFact, Key: rig.ByID(kindFact).Path, Words: []string{"none"}, Negated: true}
}

func (x *axis) add(a expr.Atom) {
	switch a.Kind {
	case expr.AtomThreshold:
		if !slices.ContainsFunc(x.cuts, func(v expr.Value) bool { return v.Cmp(a.Constant) == 0 }) {
			x.cuts = append(x.cuts, a.Constant)
		}
	case expr.AtomWord:
		for _, w := range a.Words {
			if !slices.Contains(x.words, w) {
				x.words = append(x.words, w)
			}
		}
	}
}

// settle counts the positions: below, at and above every threshold; every word
// that is named and one for the rest; true and false; less, equal, more.
func (x *axis) settle() {
	switch x.kind {
	case expr.AtomThreshold:
		slices.SortFunc(x.cuts, expr.Value.Cmp)
		x.size = 2*len(x.cuts) + 1
	case expr.AtomWord:
		if known := rig.ByID(x.fact).Words; known == nil || len(x.words) < len(known) {
			x.words = append(x.words, restWord)
		}
		x.size = len(x.words)
	case expr.AtomRelation:
		x.size = 3
	default:
		x.size = 2
	}
}

// cut is the position at the threshold of an atom: the odd ones are at cuts.
func (x *axis) cut(a expr.Atom) int {
	if x.kind != expr.AtomThreshold {
		return 0
	}
	return 2*slices.IndexFunc(x.cuts, func(v expr.Value) bool { return v.Cmp(a.Constant) == 0 }) + 1
}

func sign(n int) int {
	switch {
	case n < 0:
		return -1
	case n > 0:
		return 1
	default:
		return 0
	}
}

// describe names a position for people.
func (x *axis) describe(position int) string {
	name := x.key
	switch x.kind {
	case expr.AtomThreshold:
		text := func(i int) string {
			if x.fact < 0 {
				return strings.TrimRight(strings.TrimRight(big.NewRat(x.cuts[i].Num, x.cuts[i].Den).FloatString(4), "0"), ".")
			}
			if f := rig.ByID(x.fact); f.Kind == rig.KindDate {
				return rig.Day(x.cuts[i].Num).String()
			} else if f.Kind == rig.KindCount {
				return fmt.Sprint(x.cuts[i].Num / x.cuts[i].Den)
			}
			return x.cuts[i].Text()
		}
		switch {
		case position%2 == 1:
			return name + " = " + text(position/2)
		case position == 0:
			return name + " < " + text(0)
		case position == x.size-1:
			return name + " > " + text(len(x.cuts)-1)
		default:
			return name + " between " + text(position/2-1) + " and " + text(position/2)
		}
	case expr.AtomWord:
		return name + " " + x.words[position]
	case expr.AtomRelation:
		return strings.Replace(name, " : ", []string{" < ", " = ", " > "}[position], 1)
	default:
		return name + ": " + []string{"no", "yes"}[position]
	}
}

// test is the condition of a rule, ready to be asked of many cells.
type test struct {
	active bool
	truth  func(holds []bool) bool // nil: always
	atoms  []expr.Atom
	axis   []int    // of each atom; -1 where the day decides
	by     [][]bool // for each atom, its truth at each position of its axis
	holds  []bool

	cell   int  // the last that was looked at
	stands bool // there
}

func (p *plan) tests(involved []int, axes []axis, day rig.Day, named bool) map[int]*test {
	out := map[int]*test{}
	for _, i := range involved {
		t := &test{active: p.rules[i].Effective.Contains(day), cell: -1}
		out[i] = t
		if p.rules[i].When == nil {
			continue
		}
		t.atoms, t.truth = p.rules[i].When.Skeleton(named)
		t.holds = make([]bool, len(t.atoms))
		for _, a := range t.atoms {
			a = fromKind(a)
			if a.Fact == dayFact && a.Kind == expr.AtomThreshold {
				order := (expr.Value{Num: int64(day), Den: 1}).Cmp(a.Constant)
				t.axis, t.by = append(t.axis, -1), append(t.by, []bool{a.Holds(order)})
				continue
			}
			k := slices.IndexFunc(axes, func(x axis) bool { return x.key == a.Key })
			by, cut := make([]bool, axes[k].size), axes[k].cut(a)
			for position := range by {
				by[position] = axes[k].holds(a, position, cut)
			}
			t.axis, t.by = append(t.axis, k), append(t.by, by)
		}
	}
	return out
}

// holds is the truth of an atom at a position, given the one at its threshold.
func (x *axis) holds(a expr.Atom, position, cut int) bool {
	switch x.kind {
	case expr.AtomThreshold:
		return a.Holds(sign(position - cut))
	case expr.AtomRelation:
		return a.Holds(position - 1)
	case expr.AtomWord:
		return a.HoldsFor(x.words[position])
	default:
		return position == 1
	}
}

func (t *test) true(at []int) bool {
	if !t.active || t.truth == nil {
		return t.active
	}
	for i, k := range t.axis {
		position := 0
		if k >= 0 {
			position = at[k]
		}
		t.holds[i] = t.by[i][position]
	}
	return t.truth(t.holds)
}

// holding lists the speakers that hold in a cell once overriders have spoken.
func (p *plan) holding(speakers []int, tests map[int]*test, cell int, at []int) []int {
	var holds func(i int) bool
	holds = func(i int) bool {
		t := tests[i]
		if t.cell == cell { // by many ways one may come to the same rule
			return t.stands
		}
		t.cell, t.stands = cell, false
		if !t.true(at) {
			return false
		}
		for _, j := range p.rules[i].overriddenBy {
			if tests[j] != nil && holds(j) {
				return false
			}
		}
		t.stands = true
		return true
	}
	var out []int
	for _, i := range speakers {
		if holds(i) {
			out = append(out, i)
		}
	}
	return out
}

// ordered are pairs of facts of which the first never exceeds the second.
var ordered = [][2]string{
	{"trailer.rated.axles", "trailer.rated.total"},
	{"trailer.laden.axles", "trailer.laden.total"},
	{"trailer.tare", "trailer.rated.total"},
	{"trailer.tare", "trailer.laden.total"},
	{"trailer.laden.load", "trailer.laden.total"},
	{"trailer.built", "trailer.first_registered"},
	{"vehicle.rated.total", "vehicle.rated.combination"},
	{"vehicle.unladen", "vehicle.rated.total"},
	{"vehicle.kerb", "vehicle.rated.total"},
}

// bound is two axes of which the first can never lie above the second.
type bound struct{ low, high int }

// bounds finds them: the pairs of ordered facts, and their quotients with one
// and the same third fact.
func bounds(axes []axis) []bound {
	find := func(key string) int {
		return slices.IndexFunc(axes, func(x axis) bool { return x.key == key && x.kind == expr.AtomThreshold })
	}
	var out []bound
	for _, pair := range ordered {
		if i, j := find(pair[0]), find(pair[1]); i >= 0 && j >= 0 {
			out = append(out, bound{i, j})
		}
		for i := range axes {
			third, ok := strings.CutPrefix(axes[i].key, pair[0]+" / ")
			if j := find(pair[1] + " / " + third); ok && j >= 0 {
				out = append(out, bound{i, j})
			}
			// The more it is divided by, the less is left.
			first, ok := strings.CutSuffix(axes[i].key, " / "+pair[1])
			if j := find(first + " / " + pair[0]); ok && j >= 0 {
				out = append(out, bound{i, j})
			}
		}
	}
	return out
}

// feasible leaves out cells that no rig can be in: more on the axles than the
// whole weighs.
func feasible(axes []axis, bounds []bound, at []int) bool {
	for _, b := range bounds {
		low, any := axes[b.low].low(at[b.low])
		high, bounded, open := axes[b.high].high(at[b.high])
		if !any || !bounded {
			continue
		}
		if c := low.Cmp(high); c > 0 || c == 0 && (open || at[b.low]%2 == 0) {
			return false
		}
	}
	return true
}

// low is the lower end of a position; none for the first.
func (x *axis) low(position int) (expr.Value, bool) {
	if position == 0 {
		return expr.Value{Den: 1}, false
	}
	return x.cuts[(position-1)/2], true
}

// high is the upper end of a position, and whether the end itself is left out.
func (x *axis) high(position int) (v expr.Value, bounded, open bool) {
	if position == x.size-1 {
		return expr.Value{Den: 1}, false, false
	}
	return x.cuts[position/2], true, position%2 == 0
}

func (p *plan) note(overlaps map[string]*Overlap, holding []int, question string, axes []axis, at []int) {
	var ids []string
	frees, asks := map[*law.Ruleset]bool{}, map[*law.Ruleset]bool{}
	var permits [][]string
	for _, i := range holding {
		r := p.rules[i]
		ids = append(ids, r.ID)
		for _, d := range r.Duties {
			if d.Question != question {
				continue
			}
			if d.Relief {
				frees[r.Ruleset] = true
			} else {
				asks[r.Ruleset] = true
			}
			if d.Demand.Merge == duty.MergeIntersect {
				permits = append(permits, d.Demand.Words)
			}
		}
	}
	key := strings.Join(ids, " ")
	o := overlaps[key]
	if o == nil {
		o = &Overlap{Rules: ids, Where: where(axes, at)}
		o.Conflict = nothingInCommon(permits)
		for rs := range frees {
			o.Conflict = o.Conflict || asks[rs]
		}
		overlaps[key] = o
	}
	o.Cells++
}

// nothingInCommon reports whether lists leave nothing that all permit.
func nothingInCommon(permits [][]string) bool {
	return len(permits) > 1 && !slices.ContainsFunc(permits[0], func(w string) bool {
		return !slices.ContainsFunc(permits[1:], func(p []string) bool { return !slices.Contains(p, w) })
	})
}

func where(axes []axis, at []int) string {
	var parts []string
	for i := range axes {
		if axes[i].size > 1 {
			parts = append(parts, axes[i].describe(at[i]))
		}
	}
	if len(parts) == 0 {
		return "everywhere"
	}
	return strings.Join(parts, "; ")
}

// regions joins cells into as few descriptions as it takes: cells that differ
// only along one axis, and fill it, are told without it.
func regions(axes []axis, cells [][]int) []Region {
	const any = -1
	list := make([][]int, len(cells))
	copy(list, cells)
	count := make([]int, len(cells))
	for i := range count {
		count[i] = 1
	}
	for x := range axes {
		groups := map[string][]int{}
		var order []string
		for i, c := range list {
			k := fmt.Sprint(c[:x], c[x+1:])
			if groups[k] == nil {
				order = append(order, k)
			}
			groups[k] = append(groups[k], i)
		}
		var next [][]int
		var nextCount []int
		for _, k := range order {
			g := groups[k]
			if len(g) == axes[x].size {
				joined, n := slices.Clone(list[g[0]]), 0
				joined[x] = any
				for _, i := range g {
					n += count[i]
				}
				next, nextCount = append(next, joined), append(nextCount, n)
				continue
			}
			for _, i := range g {
				next, nextCount = append(next, list[i]), append(nextCount, count[i])
			}
		}
		list, count = next, nextCount
	}
	out := []Region{}
	for i, c := range list {
		var parts []string
		for x := range axes {
			if c[x] != any && axes[x].size > 1 {
				parts = append(parts, axes[x].describe(c[x]))
			}
		}
		text := strings.Join(parts, "; ")
		if text == "" {
			text = "everywhere"
		}
		out = append(out, Region{text, count[i]})
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].Cells != out[j].Cells {
			return out[i].Cells > out[j].Cells
		}
		return out[i].Where < out[j].Where
	})
	return out
}
