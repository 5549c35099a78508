// Package compare tells two versions of a ruleset apart: by their rules, and by
// the rigs at the boundaries of either whose answer differs.
package compare

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"

	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/rules/law"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Comparison is how a newer version differs from an older one.
type Comparison struct {
	Ruleset string       `json:"ruleset"`
	Older   int          `json:"older"`
	Newer   int          `json:"newer"`
	Added   []RuleLine   `json:"added"`
	Removed []RuleLine   `json:"removed"`
	Changed []Changed    `json:"changed"`
	Rigs    []Difference `json:"rigs"` // at most MaxRigs
	Tried   int          `json:"tried"`
	Partial bool         `json:"partial"` // there were more rigs to try
}

// MaxRigs bounds the list of rigs that come out otherwise, and MaxTried how many
// are tried: examples times thresholds can be a great many. Of versions with
// many rules, each of which is looked at for each rig, they are fewer.
const (
	MaxRigs  = 50
	MaxTried = 1000
	maxWork  = 100_000 // rigs times rules
)

// RuleLine is a rule in a list.
type RuleLine struct {
	ID   string `json:"id"`
	Says string `json:"says"`
}

// Changed is a rule that both versions have, with what is otherwise.
type Changed struct {
	ID          string   `json:"id"`
	Says        string   `json:"says"`
	Differences []Detail `json:"differences"`
}

// Detail is one value of a rule in both versions; empty where there is none.
type Detail struct {
	What string `json:"what"` // a key of the rule, or a threshold of its condition
	Was  string `json:"was"`
	Is   string `json:"is"`
}

// Difference is a rig whose answer differs.
type Difference struct {
	Rig      map[string]any `json:"rig"`
	Question string         `json:"question"` // verdict, or a question of the vocabulary
	Was      string         `json:"was"`
	Is       string         `json:"is"`
}

// Rules compares the rules of two versions by id.
func Rules(older, newer *law.Ruleset) Comparison {
	c := Comparison{
		Ruleset: newer.Ruleset, Older: older.Version, Newer: newer.Version,
		Added: []RuleLine{}, Removed: []RuleLine{}, Changed: []Changed{}, Rigs: []Difference{},
	}
	was := map[string]*law.Rule{}
	for _, r := range older.Rules {
		was[r.ID] = r
	}
	is := map[string]bool{}
	for _, r := range newer.Rules {
		is[r.ID] = true
		old, ok := was[r.ID]
		if !ok {
			c.Added = append(c.Added, RuleLine{r.ID, r.Says})
			continue
		}
		if d := details(old, r); len(d) > 0 {
			c.Changed = append(c.Changed, Changed{r.ID, r.Says, d})
		}
	}
	for _, r := range older.Rules {
		if !is[r.ID] {
			c.Removed = append(c.Removed, RuleLine{r.ID, r.Says})
		}
	}
	return c
}

// details lists what differs between two rules: each key of the text, and the
// thresholds of the condition one by one, so that a moved line is seen as such.
func details(older, newer *law.Rule) []Detail {
	was, is := flat(older.RuleText), flat(newer.RuleText)
	var out []Detail
	for _, key := range keys(was, is) {
		if was[key] != is[key] {
			out = append(out, Detail{key, was[key], is[key]})
		}
	}
	return append(out, thresholds(older, newer)...)
}

func keys(ms ...map[string]string) []string {
	all := map[string]bool{}
	for _, m := range ms {
		for k := range m {
			all[k] = true
		}
	}
	return slices.Sorted(maps.Keys(all))
}

// flat writes a rule as dotted keys with their values.
func flat(r *law.RuleText) map[string]string {
	text, err := json.Marshal(r)
	if err != nil {
		panic("compare: a rule cannot be written: " + err.Error()) // it was, for its digest
	}
	var tree any
	if err := json.Unmarshal(text, &tree); err != nil {
		panic("compare: a rule cannot be read back: " + err.Error())
	}
	out := map[string]string{}
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch x := v.(type) {
		case map[string]any:
			for k, y := range x {
				walk(strings.TrimPrefix(path+"."+k, "."), y)
			}
		case []any:
			words := make([]string, len(x))
			for i, y := range x {
				words[i] = fmt.Sprint(y)
			}
			out[path] = strings.Join(words, ", ")
		default:
			out[path] = fmt.Sprint(x)
		}
	}
	walk("", tree)
	return out
}

func thresholds(older, newer *law.Rule) []Detail {
	lines := func(r *law.Rule) map[string]string {
		out := map[string]string{}
		if r.When == nil {
			return out
		}
		for _, th := range r.When.Thresholds() {
			path := "threshold " + rig.ByID(th.Fact).Path
			text := th.Operator + " " + value(th.Fact, th.Constant.Num, th.Constant.Den, th.Constant.String())
			if out[path] != "" {
				text = out[path] + ", " + text
			}
			out[path] = text
		}
		return out
	}
	was, is := lines(older), lines(newer)
	var out []Detail
	for _, k := range keys(was, is) {
		if was[k] != is[k] {
			out = append(out, Detail{k, was[k], is[k]})
		}
	}
	return out
}

func value(fact rig.ID, num, den int64, text string) string {
	switch rig.ByID(fact).Kind {
	case rig.KindDate:
		return rig.Day(num).String()
	case rig.KindCount:
		return fmt.Sprint(num / den)
	default:
		return text
	}
}

// Versions compares two versions of a ruleset of the book, and the answers to
// rigs at the boundaries of either, in the jurisdiction and on the day given.
// Each version is held to be in force on that day.
func Versions(b *rules.Book, older, newer *law.Ruleset, jurisdiction string, day rig.Day) (Comparison, error) {
	c := Rules(older, newer)
	before, err := with(b, older)
	if err != nil {
		return c, fmt.Errorf("link version %d: %w", older.Version, err)
	}
	after, err := with(b, newer)
	if err != nil {
		return c, fmt.Errorf("link version %d: %w", newer.Version, err)
	}
	most := min(MaxTried, maxWork/max(1, len(older.Rules)+len(newer.Rules)))
	for i, doc := range boundary(older, newer, most+1) {
		if len(c.Rigs) >= MaxRigs || i == most {
			c.Partial = true
			break
		}
		check := cases.Check{Name: "boundary", Jurisdiction: jurisdiction, AsOf: day.String(), Rig: doc}
		was, err := check.Assess(before)
		if err != nil {
			continue // a rig that contradicts itself shows nothing
		}
		is, err := check.Assess(after)
		if err != nil {
			return c, fmt.Errorf("assess a boundary rig: %w", err)
		}
		c.Tried++
		if d, ok := differ(doc, was, is); ok {
			c.Rigs = append(c.Rigs, d)
		}
	}
	return c, nil
}

// with links the book with just this version of its ruleset, in force always.
func with(b *rules.Book, rs *law.Ruleset) (*rules.Book, error) {
	always := *rs
	always.Effective = law.Interval{From: law.Day{Valid: true, Day: -25567}} // 1900-01-01
	list := []*law.Ruleset{&always}
	for _, other := range b.Rulesets() {
		if other.Ruleset != rs.Ruleset {
			list = append(list, other)
		}
	}
	return rules.NewBook(list)
}

// boundary makes rigs from the worked examples of both versions, each with one
// fact put at, just below and just above every threshold of either; so many at
// most, and those of the bare rig and of the newer version first.
func boundary(older, newer *law.Ruleset, most int) []map[string]any {
	at := map[string][]any{}
	for _, rs := range []*law.Ruleset{older, newer} {
		for _, r := range rs.Rules {
			if r.When == nil {
				continue
			}
			for _, th := range r.When.Thresholds() {
				f := rig.ByID(th.Fact)
				if f.Derived() || f.Path == "as_of" {
					continue
				}
				for _, step := range []int64{-1, 0, 1} {
					if v, ok := near(f, th.Constant.Num, th.Constant.Den, step); ok && !slices.Contains(at[f.Path], v) {
						at[f.Path] = append(at[f.Path], v)
					}
				}
			}
		}
	}
	var out []map[string]any
	seen := map[string]bool{}
	add := func(doc map[string]any) {
		text, err := json.Marshal(doc)
		if err == nil && !seen[string(text)] {
			seen[string(text)] = true
			out = append(out, doc)
		}
	}
	bases := []map[string]any{{}}
	for _, rs := range []*law.Ruleset{newer, older} {
		for _, e := range rs.Examples {
			bases = append(bases, e.Rig)
		}
	}
	paths := slices.Sorted(maps.Keys(at))
	for _, base := range bases {
		add(base)
		for _, path := range paths {
			for _, v := range at[path] {
				if len(out) >= most {
					return out
				}
				if doc, err := cases.With(base, path, v); err == nil {
					add(doc)
				}
			}
		}
	}
	return out
}

// near is the constant, or one smallest step to a side of it.
func near(f rig.Field, num, den, step int64) (any, bool) {
	switch f.Kind {
	case rig.KindDate:
		return rig.Day(num + step).String(), true
	case rig.KindCount:
		return int(num/den + step), num/den+step >= 0
	case rig.KindQuantity:
		n := num/den + step
		return quantity.New(n, f.Dim.BaseUnit()).String(), n >= 0
	default:
		return nil, false
	}
}

// differ finds the first question, in order, on which two answers differ; the
// verdict comes first.
func differ(doc map[string]any, was, is *rules.Answer) (Difference, bool) {
	if was.Verdict != is.Verdict {
		return Difference{doc, "verdict", string(was.Verdict), string(is.Verdict)}, true
	}
	text := func(a *rules.Answer) map[string]string {
		out := map[string]string{}
		for _, x := range a.Asks {
			out[x.Question] = strings.TrimSpace(x.Value + " " + strings.Join(x.Permitted, ", "))
		}
		return out
	}
	w, i := text(was), text(is)
	qs := keys(w, i)
	sort.Strings(qs)
	for _, q := range qs {
		if w[q] != i[q] {
			return Difference{doc, q, orNone(w[q]), orNone(i[q])}, true
		}
	}
	return Difference{}, false
}

func orNone(s string) string {
	if s == "" {
		return "not covered"
	}
	return s
}
