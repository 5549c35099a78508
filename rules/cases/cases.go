// Package cases holds worked examples: a rig, a place, a day and what the law
// is expected to say. The examples inside rulesets and the boundary cases in
// testdata share this form, and one comparison serves the rules, the service
// and HTTP.
package cases

import (
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"

	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// File is a file of cases.
type File struct {
	About string `yaml:"about"`
	Cases []Case `yaml:"cases"`
}

// Case is one case as written; a case with steps stands for one a step.
type Case struct {
	law.Example  `yaml:",inline"`
	Jurisdiction string    `yaml:"jurisdiction"`
	Law          Reference `yaml:"law"`
}

// Reference is the published source of an expected answer.
type Reference struct {
	Title  string `yaml:"title"`
	Clause string `yaml:"clause"`
	URL    string `yaml:"url"`
	How    string `yaml:"how"` // text, second-hand, memory, or common practice
}

// Check is one question with its expected answer.
type Check struct {
	Name         string
	Jurisdiction string
	AsOf         string
	Rig          map[string]any // rig document without jurisdiction and as_of
	Expect       map[string]law.Expected
}

// Parse reads a file of cases, strictly.
func Parse(data []byte) (*File, error) {
	var f File
	if err := law.Strict(data, &f); err != nil {
		return nil, fmt.Errorf("read the cases: %w", err)
	}
	for i, c := range f.Cases {
		if c.Jurisdiction == "" || c.Name == "" || c.Law.Title == "" && c.Law.How != "common practice" {
			return nil, fmt.Errorf("case %d (%s): name, jurisdiction and law are needed", i+1, c.Name)
		}
		if !slices.Contains([]string{"text", "second-hand", "memory", "common practice"}, c.Law.How) {
			return nil, fmt.Errorf("case %q: law.how %q is not text, second-hand, memory or common practice", c.Name, c.Law.How)
		}
	}
	return &f, nil
}

// Checks expands the cases of a file.
func (f *File) Checks() ([]Check, error) {
	var out []Check
	for _, c := range f.Cases {
		cs, err := Expand(c.Example, c.Jurisdiction, law.Day{})
		if err != nil {
			return nil, err
		}
		out = append(out, cs...)
	}
	return out, nil
}

// Expand turns an example into one check a step. fallback is the day of an
// example that names none.
func Expand(e law.Example, jurisdiction string, fallback law.Day) ([]Check, error) {
	day := fallback
	if e.AsOf.Valid {
		day = e.AsOf
	}
	base := Check{Name: e.Name, Jurisdiction: jurisdiction, AsOf: day.String(), Rig: e.Rig, Expect: e.Expect}
	if len(e.Steps) == 0 {
		return []Check{base}, nil
	}
	var out []Check
	for _, s := range e.Steps {
		c := base
		c.Name = fmt.Sprintf("%s: %s at %s", e.Name, e.Vary, s.At.Text)
		c.Expect = map[string]law.Expected{}
		for k, v := range e.Expect {
			c.Expect[k] = v
		}
		for k, v := range s.Expect {
			c.Expect[k] = v
		}
		if e.Vary == "as_of" {
			c.AsOf = s.At.Text
		} else {
			var v any // `at: unknown` takes the field away
			if s.At.Text != "unknown" {
				v = value(e.Vary, s.At.Text)
			}
			tree, err := With(e.Rig, e.Vary, v)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", c.Name, err)
			}
			c.Rig = tree
		}
		out = append(out, c)
	}
	return out, nil
}

// value reads a step's text as the field wants it.
func value(path, text string) any {
	if f, ok := rig.Lookup(path); ok {
		switch f.Kind {
		case rig.KindBool:
			return text == "true"
		case rig.KindCount:
			if n, err := strconv.Atoi(text); err == nil {
				return n
			}
		}
	}
	if strings.HasSuffix(path, ".count") {
		if n, err := strconv.Atoi(text); err == nil {
			return n
		}
	}
	return text
}

// With returns a copy of a rig document with one field set; nil removes it.
// The path is dotted; a number is a place in a list.
func With(tree map[string]any, path string, v any) (map[string]any, error) {
	out, err := with(tree, strings.Split(path, "."), v)
	if err != nil {
		return nil, fmt.Errorf("set %s: %w", path, err)
	}
	return out.(map[string]any), nil
}

func with(tree any, names []string, v any) (any, error) {
	if len(names) == 0 {
		return v, nil
	}
	switch t := tree.(type) {
	case []any:
		i, err := strconv.Atoi(names[0])
		if err != nil || i < 0 || i >= len(t) {
			return nil, fmt.Errorf("there is no entry %s", names[0])
		}
		out := slices.Clone(t)
		out[i], err = with(t[i], names[1:], v)
		return out, err
	case nil:
		return with(map[string]any{}, names, v)
	case map[string]any:
		out := make(map[string]any, len(t)+1)
		for k, x := range t {
			out[k] = x
		}
		x, err := with(t[names[0]], names[1:], v)
		if err != nil {
			return nil, err
		}
		out[names[0]] = x
		if x == nil {
			delete(out, names[0])
		}
		return out, nil
	default:
		return nil, fmt.Errorf("%s is not inside an object", names[0])
	}
}

// Document is the whole rig document of the check, as it is sent over HTTP.
func (c Check) Document() map[string]any {
	out := make(map[string]any, len(c.Rig)+2)
	for k, v := range c.Rig {
		out[k] = v
	}
	out["jurisdiction"] = c.Jurisdiction
	if c.AsOf != "" {
		out["as_of"] = c.AsOf
	}
	return out
}

// Assess answers the check with a book.
func (c Check) Assess(b *rules.Book) (*rules.Answer, error) {
	r, err := rig.FromTree(c.Document())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Name, err)
	}
	day, known := r.AsOf()
	if !known {
		return nil, fmt.Errorf("%s: as_of is missing", c.Name)
	}
	return b.Assess(r, day)
}

// Compare lists how an answer differs from what was expected.
func (c Check) Compare(a *rules.Answer) []string {
	var out []string
	keys := make([]string, 0, len(c.Expect))
	for k := range c.Expect {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		out = append(out, compare(k, c.Expect[k], a)...)
	}
	return out
}

func differs(key, got, want string) []string {
	if got == want {
		return nil
	}
	return []string{fmt.Sprintf("%s is %s, want %s", key, got, want)}
}

func compare(key string, want law.Expected, a *rules.Answer) []string {
	switch key {
	case "verdict":
		return differs(key, string(a.Verdict), want.Text)
	case "findings":
		var out []string
		for _, id := range sortedKeys(want.Map) {
			out = append(out, differs("finding "+id, status(a, id), want.Map[id])...)
		}
		return out
	case "notices":
		var out []string
		for _, id := range want.List {
			if !slices.ContainsFunc(a.Notices, func(n rules.Notice) bool { return n.Rule == id && n.Applies == rules.Yes }) {
				out = append(out, "notice "+id+" is not shown")
			}
		}
		return out
	case "conflicts":
		return differs(key, strconv.Itoa(len(a.Conflicts)), want.Text)
	}
	i := slices.IndexFunc(a.Asks, func(x rules.Ask) bool { return x.Question == key })
	if i < 0 {
		return differs(key, "not_covered", want.Text+strings.Join(want.List, ","))
	}
	return compareAsk(key, want, a.Asks[i])
}

func compareAsk(key string, want law.Expected, got rules.Ask) []string {
	if want.List != nil {
		w, g := slices.Sorted(slices.Values(want.List)), slices.Sorted(slices.Values(got.Permitted))
		return differs(key, strings.Join(g, ",")+map[bool]string{true: "", false: got.Value}[got.Value == "listed"], strings.Join(w, ","))
	}
	if got.Value == want.Text {
		return nil
	}
	// Amounts compare as amounts, so that a case may write the law's own unit.
	w, err := quantity.ParseAny(want.Text)
	g, err2 := quantity.ParseAny(got.Value)
	if err == nil && err2 == nil && w.Dimension() == g.Dimension() && w.Cmp(g) == 0 {
		return nil
	}
	return differs(key, got.Value, want.Text)
}

// status is the worst status of a rule's findings, or of the one named
// rule/question; "absent" if there is none. A rule that does not apply has one
// finding for all its questions.
func status(a *rules.Answer, id string) string {
	rule, _, _ := strings.Cut(id, "/")
	for _, s := range []rules.Status{rules.NotMet, rules.Unknown, rules.Met, rules.NotApplicable} {
		for i := range a.Findings {
			f := &a.Findings[i]
			if (f.Rule == id || f.ID == id || f.ID == rule) && f.Status == s {
				return string(s)
			}
		}
	}
	return "absent"
}

func sortedKeys(m map[string]string) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}
