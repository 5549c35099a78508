package library_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/rules/expr"
	"drawgear/rules/law"
	"drawgear/rules/library"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

func book(t testing.TB) *rules.Book {
	t.Helper()
	b, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// programs lists the expressions of a rule.
func programs(r *law.Rule) []*expr.Program {
	var out []*expr.Program
	if r.When != nil {
		out = append(out, r.When)
	}
	for i := range r.Duties {
		out = append(out, r.Duties[i].Programs()...)
	}
	return out
}

// candidates are texts worth trying for each fact: the constants with which
// the law compares it, a step to either side, and plain values.
type candidates map[string][]any

func (c candidates) add(path string, v any) {
	if !slices.Contains(c[path], v) {
		c[path] = append(c[path], v)
	}
}

func candidatesOf(list []*law.Rule) candidates {
	c := candidates{}
	for _, f := range rig.Fields() {
		if f.Derived() || f.Path == "as_of" {
			continue
		}
		switch f.Kind {
		case rig.KindBool:
			c[f.Path] = []any{true, false}
		case rig.KindWord:
			for _, w := range f.Words {
				c.add(f.Path, w)
			}
		case rig.KindWords:
			c.add(f.Path, "[]")
			for _, w := range f.Words {
				c.add(f.Path, "["+w)
			}
		case rig.KindCount:
			c[f.Path] = []any{0, 1, 2, 3, 4}
		case rig.KindCounts:
			c[f.Path] = []any{"#1", "#2", "#1 2", "#2 3"}
		case rig.KindDate:
			c[f.Path] = []any{"1950-01-01", "1995-06-15", "2024-06-01"}
		case rig.KindText:
			c[f.Path] = []any{"AU-NSW", "other"}
		case rig.KindMasses:
			c[f.Path] = []any{"@500 kg", "@1400 kg", "@2500 kg"}
		case rig.KindQuantity:
			for _, x := range []string{"0", "1", "10", "50", "100"} {
				if x == "0" && f.NotZero {
					continue
				}
				c.add(f.Path, x+" "+f.Dim.BaseUnit().Symbol())
			}
			if f.Dim == quantity.Mass {
				for _, x := range []string{"60", "300", "700", "1200", "1600", "2200", "3000", "5000"} {
					c.add(f.Path, x+" kg")
				}
			}
		}
	}
	c.addThresholds(list)
	return c
}

func (c candidates) addThresholds(list []*law.Rule) {
	for _, r := range list {
		for _, p := range programs(r) {
			for _, th := range p.Thresholds() {
				f := rig.ByID(th.Fact)
				for _, step := range []int64{-1, 0, 1} {
					switch f.Kind {
					case rig.KindQuantity:
						d := step * max(1, th.Constant.Num/th.Constant.Den/1000)
						if n := th.Constant.Num/th.Constant.Den + d; n >= 0 {
							c.add(f.Path, quantity.New(n, f.Dim.BaseUnit()).String())
						}
					case rig.KindDate:
						c.add(f.Path, rig.Day(th.Constant.Num+step).String())
					case rig.KindCount:
						if n := th.Constant.Num + step; n >= 0 {
							c.add(f.Path, int(n))
						}
					}
				}
			}
		}
	}
}

// tree reads a candidate as a rig document has it.
func tree(v any) any {
	s, ok := v.(string)
	if !ok || s == "" {
		return v
	}
	switch s[0] {
	case '[':
		if s == "[]" {
			return []any{}
		}
		return []any{s[1:]}
	case '#':
		var out []any
		for _, x := range strings.Fields(s[1:]) {
			out = append(out, int(x[0]-'0'))
		}
		return out
	case '@':
		return []any{s[1:], s[1:]}
	}
	return s
}

// inputs lists the entered paths through which the facts of a rule, and of the
// rules that may switch it off, are known.
func inputs(r *law.Rule, overriders map[string][]*law.Rule, seen map[string]bool) []string {
	if seen[r.ID] {
		return nil
	}
	seen[r.ID] = true
	var out []string
	for _, id := range r.Facts() {
		for _, p := range rig.ByID(id).Pointers() {
			out = append(out, strings.ReplaceAll(p[1:], "/", "."))
		}
	}
	for _, o := range overriders[r.ID] {
		out = append(out, inputs(o, overriders, seen)...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// partSets are parts worth trying, from none known to strong and weak ones.
var partSets = []any{
	[]any{},
	[]any{map[string]any{"role": "chain", "count": 0}, map[string]any{"role": "sway_device", "count": 0}},
	allParts("750 kg", 1), allParts("2000 kg", 2), allParts("3500 kg", 2), allParts("20000 kg", 2),
}

func allParts(rated string, count int) []any {
	var out []any
	for _, role := range rig.PartRoles {
		if role == "cable" {
			continue
		}
		out = append(out, map[string]any{"role": role, "rated_mass": rated, "breaking_mass": rated, "size": "13 mm", "count": count})
	}
	return out
}

// places names, for each ruleset, a jurisdiction in which its rules apply.
func places(b *rules.Book) map[string][]string {
	out := map[string][]string{}
	for _, j := range b.Jurisdictions() {
		for _, ref := range j.Rulesets {
			out[ref.ID] = append(out[ref.ID], j.Code)
		}
	}
	return out
}

// TestMissingInputs: for every rule and every input that it reads there is a
// rig for which the rule is decided, and from which taking that input away
// leaves the rule's finding unknown and waiting for exactly that pointer. And
// for no rig may a finding stay decided without an input of which some value
// would have decided it the other way.
func TestMissingInputs(t *testing.T) {
	if testing.Short() {
		t.Skip("a long search; the full run makes it")
	}
	b := book(t)
	at := places(b)
	for _, rs := range b.Rulesets() {
		overriders := map[string][]*law.Rule{}
		for _, other := range b.Rulesets() {
			if !slices.ContainsFunc(at[other.Ruleset], func(c string) bool { return slices.Contains(at[rs.Ruleset], c) }) {
				continue
			}
			for _, r := range other.Rules {
				for _, id := range r.Overrides {
					overriders[id] = append(overriders[id], r)
				}
			}
		}
		t.Run(rs.Ruleset, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(1, 2)) // the same rigs every run
			tried := map[string]bool{}         // defined conditions are tried at their first use
			for _, r := range rs.Rules {
				if len(r.Duties) == 0 {
					continue // a notice decides nothing
				}
				m := missingTest{b: b, rule: r, places: at[rs.Ruleset], rng: rng, paths: inputs(r, overriders, map[string]bool{}), day: dayOf(r, rs)}
				list := []*law.Rule{r}
				for _, os := range overriders {
					list = append(list, os...)
				}
				m.candidates, m.narrow = candidatesOf(list), candidates{}
				m.narrow.addThresholds(list)
				for _, id := range toTry(rs, r, tried) {
					f := rig.ByID(id)
					for _, ptr := range f.Pointers() {
						if slices.Contains(f.Also, ptr) {
							continue // another way to the same
						}
						if ptr != "/as_of" && !m.seesUnknown(t, ptr, id) {
							t.Errorf("%s: no rig found for which taking %s away leaves it unknown", r.ID, ptr)
						}
					}
				}
			}
		})
	}
}

// toTry lists the facts of a rule, less those that it reads only through a
// defined condition already tried with an earlier rule.
func toTry(rs *law.Ruleset, r *law.Rule, tried map[string]bool) []rig.ID {
	if r.When == nil {
		return r.Facts()
	}
	var known []rig.ID
	for _, name := range r.When.Uses() {
		if tried[name] {
			known = append(known, rs.Named[name].Facts()...)
		}
		tried[name] = true
	}
	return slices.DeleteFunc(r.Facts(), func(id rig.ID) bool { return slices.Contains(known, id) })
}

// dayOf is a day on which the rule is in force.
func dayOf(r *law.Rule, rs *law.Ruleset) string {
	for _, d := range []law.Day{r.Effective.To, rs.Effective.To, rs.Reviewed, r.Effective.From} {
		if d.Valid && r.Effective.Contains(d.Day) && rs.Effective.Contains(d.Day) {
			return d.String()
		}
	}
	return rs.Reviewed.String()
}

type missingTest struct {
	b          *rules.Book
	rule       *law.Rule
	places     []string
	rng        *rand.Rand
	paths      []string
	day        string
	candidates candidates // all values worth trying
	narrow     candidates // only those next to a threshold of the rule
}

// pick draws a value: mostly one next to a threshold, because that is where
// one input decides.
func (m *missingTest) pick(path string) any {
	c := m.narrow[path]
	if len(c) == 0 || m.rng.IntN(4) == 0 {
		c = m.candidates[path]
	}
	return tree(c[m.rng.IntN(len(c))])
}

// random draws a rig that has the wanted input. Others are left out now and
// then: where several inputs could each decide, one must be seen to do it alone.
func (m *missingTest) random(wanted string) map[string]any {
	doc := map[string]any{"parts": partSets[m.rng.IntN(len(partSets))]}
	sparse := m.rng.IntN(3)
	for _, p := range m.paths {
		if p == "as_of" || p != wanted && m.rng.IntN(4) < sparse {
			continue
		}
		doc, _ = cases.With(doc, p, m.pick(p))
	}
	return doc
}

// findings answers in the place and returns the rule's findings.
func (m *missingTest) findings(place string, doc map[string]any) map[string]rules.Finding {
	a, err := cases.Check{Name: m.rule.ID, Jurisdiction: place, AsOf: m.day, Rig: doc}.Assess(m.b)
	if err != nil {
		return nil // a contradictory rig
	}
	out := map[string]rules.Finding{}
	for _, f := range a.Findings {
		if f.Rule == m.rule.ID && f.Citation.Ruleset == m.rule.Ruleset.Ruleset {
			out[f.ID] = f
		}
	}
	return out
}

func decided(s rules.Status) bool { return s == rules.Met || s == rules.NotMet }

func (m *missingTest) seesUnknown(t *testing.T, ptr string, id rig.ID) bool {
	path := strings.ReplaceAll(ptr[1:], "/", ".")
	for range 20_000 {
		doc := m.random(path)
		place := m.places[m.rng.IntN(len(m.places))]
		full := m.findings(place, doc)
		if !slices.ContainsFunc(values(full), func(f rules.Finding) bool { return decided(f.Status) }) {
			continue
		}
		without := m.without(doc, path, id)
		if without == nil {
			continue
		}
		seen := false
		for fid, f := range m.findings(place, without) {
			if !decided(full[fid].Status) {
				continue
			}
			if f.Status == rules.Unknown {
				seen = seen || slices.Contains(f.WaitsFor, ptr)
				continue
			}
			m.sound(t, place, doc, path, fid, f.Status)
		}
		if seen {
			return true
		}
	}
	return false
}

// without takes an input away, and with it whatever else the fact would still
// follow from; nil if the rig then contradicts itself.
func (m *missingTest) without(doc map[string]any, path string, id rig.ID) map[string]any {
	doc, _ = cases.With(doc, path, nil)
	for range 4 {
		r, err := rig.FromTree(doc)
		if err != nil {
			return nil
		}
		if !r.Known(id) {
			return doc
		}
		for _, in := range r.Inputs(id) {
			doc, _ = cases.With(doc, strings.ReplaceAll(strings.Split(in.Pointer, "/axles/")[0][1:], "/", "."), nil)
		}
	}
	return nil
}

// sound: a finding that stays decided without an input must be the same for
// every value of it.
func (m *missingTest) sound(t *testing.T, place string, doc map[string]any, path, fid string, without rules.Status) {
	for _, v := range m.candidates[path] {
		other, _ := cases.With(doc, path, tree(v))
		if f, ok := m.findings(place, other)[fid]; ok && decided(f.Status) && decided(without) && f.Status != without {
			t.Errorf("%s is %s without %s, though %v makes it %s", fid, without, path, v, f.Status)
			return
		}
	}
}

func values(m map[string]rules.Finding) []rules.Finding {
	var out []rules.Finding
	for _, f := range m {
		out = append(out, f)
	}
	return out
}

// drawn is a random rig for a random place: each fact that the law of the
// place reads is there or not.
func drawn(t *rapid.T, b *rules.Book, cs map[string]candidates, paths map[string][]string) (place string, doc map[string]any) {
	var codes []string
	for _, j := range b.Jurisdictions() {
		codes = append(codes, j.Code)
	}
	place = rapid.SampledFrom(codes).Draw(t, "place")
	doc = map[string]any{}
	for _, p := range paths[place] {
		if p == "as_of" || !rapid.Bool().Draw(t, p+" given") {
			continue
		}
		doc, _ = cases.With(doc, p, tree(rapid.SampledFrom(cs[place][p]).Draw(t, p)))
	}
	if rapid.Bool().Draw(t, "parts given") {
		doc["parts"] = rapid.SampledFrom(partSets).Draw(t, "parts")
	}
	return place, doc
}

func wholeLibrary(t testing.TB) (*rules.Book, map[string]candidates, map[string][]string) {
	b := book(t)
	at := places(b)
	cs, paths := map[string]candidates{}, map[string][]string{}
	for _, j := range b.Jurisdictions() {
		var list []*law.Rule
		for _, rs := range b.Rulesets() {
			if slices.Contains(at[rs.Ruleset], j.Code) {
				list = append(list, rs.Rules...)
			}
		}
		cs[j.Code] = candidatesOf(list)
		seen := map[string]bool{}
		for _, r := range list {
			paths[j.Code] = append(paths[j.Code], inputs(r, nil, seen)...)
		}
		slices.Sort(paths[j.Code])
		paths[j.Code] = slices.Compact(paths[j.Code])
	}
	return b, cs, paths
}

const propertyDay = "2026-11-25"

func assess(b *rules.Book, place string, doc map[string]any) (*rules.Answer, error) {
	return cases.Check{Name: "drawn", Jurisdiction: place, AsOf: propertyDay, Rig: doc}.Assess(b)
}

func bytesOf(t *rapid.T, a *rules.Answer) string {
	out, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// TestReplay: the same rig, day and ruleset versions give the same bytes.
func TestReplay(t *testing.T) {
	b, cs, paths := wholeLibrary(t)
	rapid.Check(t, func(t *rapid.T) {
		place, doc := drawn(t, b, cs, paths)
		first, err := assess(b, place, doc)
		if err != nil {
			t.Skip("contradictory")
		}
		second, _ := assess(b, place, doc)
		c := cases.Check{Jurisdiction: place, AsOf: propertyDay, Rig: doc}
		r, err := rig.FromTree(c.Document())
		if err != nil {
			t.Fatal(err)
		}
		day, _ := r.AsOf()
		again, err := b.AssessWith(r, day, first.Rulesets)
		if err != nil {
			t.Fatal(err)
		}
		if x := bytesOf(t, first); x != bytesOf(t, second) || x != bytesOf(t, again) {
			t.Fatalf("not the same bytes for %v", doc)
		}
	})
}

// TestMoreInformation: filling in a missing input never turns a decided
// finding into its opposite, nor one verdict that was decided into another.
func TestMoreInformation(t *testing.T) {
	b, cs, paths := wholeLibrary(t)
	rapid.Check(t, func(t *rapid.T) {
		place, doc := drawn(t, b, cs, paths)
		before, err := assess(b, place, doc)
		if err != nil {
			t.Skip("contradictory")
		}
		absent := slices.DeleteFunc(slices.Clone(paths[place]), func(p string) bool { return p == "as_of" || has(doc, p) })
		if len(absent) == 0 {
			t.Skip("everything is known")
		}
		path := rapid.SampledFrom(absent).Draw(t, "added")
		more, _ := cases.With(doc, path, tree(rapid.SampledFrom(cs[place][path]).Draw(t, "value")))
		after, err := assess(b, place, more)
		if err != nil {
			t.Skip("contradictory")
		}
		is := map[string]rules.Status{}
		for _, f := range after.Findings {
			is[f.ID+f.Citation.Ruleset] = f.Status
		}
		for _, f := range before.Findings {
			if now := is[f.ID+f.Citation.Ruleset]; decided(f.Status) && now != f.Status {
				t.Fatalf("%s was %s and with %s is %q", f.ID, f.Status, path, now)
			}
		}
		if before.Verdict != rules.Undetermined && before.Verdict != after.Verdict {
			t.Fatalf("verdict was %s and with %s is %s", before.Verdict, path, after.Verdict)
		}
	})
}

func has(doc map[string]any, path string) bool {
	var at any = doc
	for _, name := range strings.Split(path, ".") {
		m, ok := at.(map[string]any)
		if !ok {
			return false
		}
		if at, ok = m[name]; !ok {
			return false
		}
	}
	return true
}

// TestUnitOfEntry: a mass entered in pounds and the same mass entered in
// kilograms (1 lb = 0.45359237 kg exactly, international yard and pound
// agreement of 1959) give the same statuses and verdict.
func TestUnitOfEntry(t *testing.T) {
	b, cs, paths := wholeLibrary(t)
	rapid.Check(t, func(t *rapid.T) {
		place, doc := drawn(t, b, cs, paths)
		inPounds, inKilograms := doc, doc
		for _, p := range paths[place] {
			f, ok := rig.Lookup(p)
			if !ok || f.Dim != quantity.Mass || f.Kind != rig.KindQuantity || !has(doc, p) {
				continue
			}
			hundredths := rapid.IntRange(0, 1_500_000).Draw(t, p+" lb/100")
			if rapid.Bool().Draw(t, p+" round") {
				hundredths -= hundredths % 50_000 // the law likes multiples of 500 lb
			}
			// 0.45359237 x hundredths / 100 in text, without our own conversion.
			kg := int64(hundredths) * 45_359_237
			inPounds, _ = cases.With(inPounds, p, fmt.Sprintf("%d.%02d lb", hundredths/100, hundredths%100))
			inKilograms, _ = cases.With(inKilograms, p, fmt.Sprintf("%d.%010d kg", kg/10_000_000_000, kg%10_000_000_000))
		}
		x, err1 := assess(b, place, inPounds)
		y, err2 := assess(b, place, inKilograms)
		if (err1 == nil) != (err2 == nil) {
			t.Fatalf("only one is refused: %v, %v", err1, err2)
		}
		if err1 != nil {
			t.Skip("contradictory")
		}
		if x.Verdict != y.Verdict || statuses(x) != statuses(y) {
			t.Fatalf("pounds %s\n%s\nkilograms %s\n%s", x.Verdict, statuses(x), y.Verdict, statuses(y))
		}
	})
}

func statuses(a *rules.Answer) string {
	var sb strings.Builder
	for _, f := range a.Findings {
		fmt.Fprintf(&sb, "%s %s\n", f.ID, f.Status)
	}
	return sb.String()
}

// masses are the figures that make a trailer heavier.
var masses = []string{"trailer.rated.total", "trailer.rated.axles", "trailer.laden.total", "trailer.laden.axles", "trailer.tare", "trailer.registered_total"}

// TestHeavier: with everything else as it was, a heavier trailer is never
// freed from an obligation that lay on it: what was asked is never answered
// with "not asked".
func TestHeavier(t *testing.T) {
	b, cs, paths := wholeLibrary(t)
	rapid.Check(t, func(t *rapid.T) {
		place, doc := drawn(t, b, cs, paths)
		light, heavy := doc, doc
		for _, p := range masses {
			if !has(doc, p) {
				continue
			}
			kg := rapid.IntRange(0, 4500).Draw(t, p)
			more := rapid.IntRange(0, 3000).Draw(t, p+" more")
			light, _ = cases.With(light, p, fmt.Sprintf("%d kg", kg))
			heavy, _ = cases.With(heavy, p, fmt.Sprintf("%d kg", kg+more))
		}
		x, err1 := assess(b, place, light)
		y, err2 := assess(b, place, heavy)
		if err1 != nil || err2 != nil {
			t.Skip("contradictory")
		}
		for _, q := range []string{"service_brakes.required", "breakaway.required", "parking_brake.required"} {
			if asked(x, q) == "true" && asked(y, q) == "false" {
				t.Fatalf("%s: %s is asked of the lighter trailer and not of the heavier\n%v\n%v", place, q, light, heavy)
			}
		}
	})
}

func asked(a *rules.Answer, question string) string {
	for _, x := range a.Asks {
		if x.Question == question {
			return x.Value
		}
	}
	return "not_covered"
}
