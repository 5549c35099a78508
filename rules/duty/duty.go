// Package duty is the closed vocabulary of obligations: what a rule of law may
// ask of a rig, and for each thing asked one checker that holds it against the
// rig with three values.
//
// A key of the vocabulary, such as service_brakes.kinds, is called a question.
package duty

import (
	"fmt"
	"slices"
	"strings"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Status is the outcome of holding a rig against one duty.
type Status string

// The statuses, from worst to least.
const (
	NotMet        Status = "not_met"
	Unknown       Status = "unknown"
	Met           Status = "met"
	NotApplicable Status = "not_applicable"
)

// Need is an input without which a check stays unknown.
type Need struct {
	Pointer string // JSON Pointer of the field to supply
	Meaning string // what belongs there
	Fact    rig.ID // the fact, or -1 for a field of a part
}

// Result is what a checker found.
type Result struct {
	Status  Status
	Summary string
	Inputs  []rig.Input
	Limit   string
	Margin  string
	Remedy  string
	Needs   []Need
}

// Term names a fact in the words of the place (GTM, MAM, GVWR).
type Term func(rig.ID) string

// Merge says how the demands of several rules on one question combine into the
// strictest.
type Merge uint8

// The ways to merge.
const (
	MergeAny       Merge = iota + 1 // true wins
	MergeIntersect                  // only what all permit
	MergeMost                       // the largest amount
	MergeLeast                      // the smallest amount
	MergeWheels                     // all, half, rear_axle, one_axle
	MergeNone                       // no single figure: only findings
)

// Demand is what a duty asks on its question, in the form that merges.
type Demand struct {
	Merge  Merge
	Bool   bool
	Words  []string
	Amount *expr.Program // for amounts that depend on the rig
	Value  expr.Value    // for constants
}

// Duty is one compiled demand with its checker.
type Duty struct {
	Question string
	Demand   Demand
	Relief   bool // states that nothing is asked; it moves no verdict
	Conduct  bool // about how the rig is driven, not what it is: unknown moves no verdict
	check    func(c *Case) Result
	programs []*expr.Program
	reads    []rig.ID
}

// Check holds the rig against the duty.
func (d *Duty) Check(r *rig.Rig, term Term) Result {
	return d.Hold(&Case{Notes: &rig.Notes{Rig: r, Term: term}})
}

// Status is that of Check, without the words.
func (d *Duty) Status(r *rig.Rig) Status {
	return d.Hold(&Case{Notes: &rig.Notes{Rig: r}, Brief: true}).Status
}

// Hold is Check for one of many duties.
func (d *Duty) Hold(c *Case) Result { return d.check(c) }

// Programs lists the expressions in the duty.
func (d *Duty) Programs() []*expr.Program { return d.programs }

// Reads lists the facts that the checker looks at, beside those of Programs.
func (d *Duty) Reads() []rig.ID { return d.reads }

// Case is a rig that is held against many duties.
type Case struct {
	*rig.Notes
	Formulas map[*expr.Program]string // in the terms of the place; may be empty
	Brief    bool                     // only status and needs are wanted
}

// Text is that of the notes, if words are wanted.
func (c *Case) Text(id rig.ID) string {
	if c.Brief {
		return ""
	}
	return c.Notes.Text(id)
}

func (c *Case) formula(p *expr.Program) string {
	if c.Brief {
		return ""
	}
	if f, ok := c.Formulas[p]; ok {
		return f
	}
	return p.Formula(c.Term)
}

// say joins the parts of a text that is for people.
func (c *Case) say(parts ...string) string {
	if c.Brief {
		return ""
	}
	return c.Join(parts...)
}

func (c *Case) amount(v expr.Value) string {
	if c.Brief {
		return ""
	}
	return v.TextIn(c.Notes)
}

// upper is say with a great letter first.
func (c *Case) upper(first string, parts ...string) string {
	if c.Brief {
		return ""
	}
	return c.Join(append(append(make([]string, 0, 16), rig.Initial(first), first[1:]), parts...)...)
}

// source is what there is to say of a fact that is missing.
type source struct {
	Need
	behind []Need // of a derived fact: the entered fields behind it
}

// sources are those of all facts, by ID.
var sources = func() []source {
	out := make([]source, rig.FieldCount())
	for i, f := range rig.Fields() {
		x := source{Need: Need{f.Pointer, f.Doc, f.ID}}
		for _, p := range f.Sources {
			x.Pointer = p // the last one, where all are there and the figure still does not follow
			if src, ok := rig.Lookup(strings.ReplaceAll(strings.TrimPrefix(p, "/"), "/", ".")); ok {
				x.behind = append(x.behind, Need{src.Pointer, src.Doc, src.ID})
			}
		}
		out[i] = x
	}
	return out
}()

// appendNeed appends the Need of a fact: the entered fields behind it that are not
// known.
func appendNeed(out []Need, r *rig.Rig, id rig.ID) []Need {
	x, open := &sources[id], false
	for _, n := range x.behind {
		if !r.Known(n.Fact) {
			out, open = appendNew(out, n), true
		}
	}
	if !open {
		out = appendNew(out, x.Need)
	}
	return out
}

// NeedsOf turns missing facts into Needs.
func NeedsOf(r *rig.Rig, ids []rig.ID) []Need {
	var out []Need
	for _, id := range ids {
		out = appendNeed(out, r, id)
	}
	return out
}

// appendNew appends what is not there yet: two figures may rest on one field.
func appendNew[T comparable](out []T, more ...T) []T {
	for _, x := range more {
		if !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	return out
}

func (c *Case) unknown(what string, ids ...rig.ID) Result {
	res := Result{Status: Unknown, Summary: what}
	for _, id := range ids {
		if c.Known(id) {
			if !c.Brief {
				res.Inputs = appendNew(res.Inputs, c.Inputs(id)...)
			}
			continue
		}
		res.Needs = appendNeed(res.Needs, c.Rig, id)
	}
	return res
}

func (c *Case) inputs(ids ...rig.ID) []rig.Input {
	if c.Brief {
		return nil
	}
	return c.With(nil, ids...)
}

// asks begins a duty whose checker reads the given facts.
func asks(question string, d Demand, check func(*Case) Result, reads ...rig.ID) Duty {
	return Duty{Question: question, Demand: d, check: check, reads: reads}
}

// relief states that the law asks nothing on the question.
func relief(question, text string) Duty {
	return Duty{
		Question: question, Demand: Demand{Merge: MergeAny}, Relief: true,
		check: func(*Case) Result { return Result{Status: Met, Summary: text} },
	}
}

// flag asks that a true-or-false fact be true, where the thing is there at all.
func flag(question string, id rig.ID, yes, no, remedy string, only *guard) Duty {
	open := "It is not known whether " + lowerFirst(yes) + "."
	yes, no = yes+".", no+"."
	return asks(question, Demand{Merge: MergeAny, Bool: true}, func(c *Case) Result {
		if res, stop := only.stop(c); stop {
			return res
		}
		v, known := c.Bool(id)
		if !known {
			return c.unknown(open, id)
		}
		if v {
			return Result{Status: Met, Summary: yes, Inputs: c.inputs(id)}
		}
		return Result{Status: NotMet, Summary: no, Inputs: c.inputs(id), Remedy: remedy}
	}, only.with(id)...)
}

// guard limits a check to rigs that have the thing asked about.
type guard struct {
	id   rig.ID
	word string // the word the fact must hold; empty for a flag that must be true
	none string // what to say when there is none
}

func (g *guard) with(ids ...rig.ID) []rig.ID {
	if g == nil {
		return ids
	}
	return append([]rig.ID{g.id}, ids...)
}

func (g *guard) stop(c *Case) (Result, bool) {
	if g == nil {
		return Result{}, false
	}
	v := c.Get(g.id)
	if !v.Known {
		return c.unknown(c.say("It is not known whether ", g.none, "."), g.id), true
	}
	if g.word == "" && v.Num == 0 || g.word != "" && v.Word != g.word {
		return Result{Status: NotApplicable, Summary: c.upper(g.none, "."), Inputs: c.inputs(g.id)}, true
	}
	return Result{}, false
}

// oneOf asks that a word fact be among those permitted.
func oneOf(question string, id rig.ID, words []string, what, remedy string, only *guard) Duty {
	permitted := list(words)
	return asks(question, Demand{Merge: MergeIntersect, Words: words}, func(c *Case) Result {
		if res, stop := only.stop(c); stop {
			return res
		}
		v := c.Get(id)
		if !v.Known {
			return c.unknown(c.say(what, " is not known; permitted: ", permitted, "."), id)
		}
		if slices.Contains(words, v.Word) {
			return Result{Status: Met, Summary: c.say(what, " ", spaced(v.Word), " is permitted."), Inputs: c.inputs(id), Limit: permitted}
		}
		return Result{
			Status: NotMet, Summary: c.say(what, " ", spaced(v.Word), " is not among those permitted: ", permitted, "."),
			Inputs: c.inputs(id), Limit: permitted, Remedy: remedy,
		}
	}, only.with(id)...)
}

// relation is how a measured amount must lie to its limit.
type relation uint8

const (
	atMost relation = iota + 1
	lessThan
	atLeast
	moreThan
)

func (rel relation) holds(cmp int) bool {
	switch rel {
	case atMost:
		return cmp <= 0
	case lessThan:
		return cmp < 0
	case atLeast:
		return cmp >= 0
	default:
		return cmp > 0
	}
}

// margin is how far inside the limit the measured amount lies.
func (rel relation) margin(measured, limit expr.Value) expr.Value {
	if rel == atMost || rel == lessThan {
		return limit.Sub(measured.In(limit.Unit))
	}
	return measured.In(limit.Unit).Sub(limit)
}

var relationWords = [...][2]string{ // met, not met
	atMost:   {"is within", "is over"},
	lessThan: {"is under", "is not under"},
	atLeast:  {"reaches", "is under"},
	moreThan: {"is over", "is not over"},
}

// judge compares and tells it in numbers.
func (c *Case) judge(what string, measured, limit expr.Value, rel relation, why, remedy string, inputs []rig.Input) Result {
	words := relationWords[rel]
	res := Result{Status: Met, Inputs: inputs, Limit: c.amount(limit)}
	verb := words[0]
	if !rel.holds(measured.Cmp(limit)) {
		res.Status, verb, res.Remedy = NotMet, words[1], remedy
	}
	if c.Brief {
		return res
	}
	margin := rel.margin(measured, limit)
	res.Margin = margin.TextIn(c.Notes)
	parts := append(make([]string, 0, 16), " ", measured.TextIn(c.Notes))
	if measured.Unit != limit.Unit {
		parts = append(parts, " (", measured.In(limit.Unit).TextIn(c.Notes), ")")
	}
	parts = append(parts, " ", verb, " ", res.Limit)
	if why != "" && why != res.Limit {
		parts = append(parts, " (", why, ")")
	}
	switch {
	case margin.Num == 0:
		parts = append(parts, ", exactly.")
	case margin.Num < 0:
		margin.Num = -margin.Num
		parts = append(parts, ", by ", margin.TextIn(c.Notes), ".")
	default:
		parts = append(parts, ", by ", res.Margin, ".")
	}
	res.Summary = c.upper(what, parts...)
	return res
}

// limits asks that a quantity fact lie within a constant or computed limit.
func limits(question string, merge Merge, id rig.ID, what string, rel relation, limit *expr.Program, remedy string, only *guard) Duty {
	reads := append([]rig.ID{id}, limit.Facts()...)
	d := asks(question, Demand{Merge: merge, Amount: limit}, func(c *Case) Result {
		if res, stop := only.stop(c); stop {
			return res
		}
		q, known := c.Quantity(id)
		lim, limKnown := limit.Value(c.Rig)
		if !known || !limKnown {
			ids := append([]rig.ID{id}, limit.Missing(c.Rig)...)
			return c.unknown(c.upper(what, " cannot be compared with its limit, ", c.formula(limit), "."), ids...)
		}
		return c.judge(what, expr.Of(q), shownAs(c, limit, lim), rel, c.formula(limit), remedy, c.inputs(reads...))
	}, only.with(id)...)
	d.programs = []*expr.Program{limit}
	return d
}

// measured asks the same with a constant limit.
func measured(question string, merge Merge, id rig.ID, what string, rel relation, limit quantity.Quantity, remedy string, only *guard) Duty {
	open := fmt.Sprintf("%s is not known; the limit is %s.", upperFirst(what), limit.Text())
	return asks(question, Demand{Merge: merge, Value: expr.Of(limit)}, func(c *Case) Result {
		if res, stop := only.stop(c); stop {
			return res
		}
		q, known := c.Quantity(id)
		if !known {
			return c.unknown(open, id)
		}
		return c.judge(what, expr.Of(q), expr.Of(limit), rel, "", remedy, c.inputs(id))
	}, only.with(id)...)
}

func list(words []string) string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = spaced(w)
	}
	return strings.Join(out, ", ")
}

// spaced prints a word of the contract for people.
func spaced(word string) string { return strings.ReplaceAll(word, "_", " ") }

func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }
func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
