package law

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"drawgear/rules/duty"
	"drawgear/rules/expr"
	"drawgear/rules/rig"
)

// Ruleset is a compiled version. It is immutable.
type Ruleset struct {
	Document
	SHA256    string // of the canonical form, in hex
	Canonical []byte
	Rules     []*Rule
	TermOf    map[rig.ID]string
	Named     expr.Names // conditions defined once for several rules
}

// Rule is a compiled rule.
type Rule struct {
	*RuleText
	Ruleset *Ruleset
	When    *expr.Program // nil: always
	Duties  []duty.Duty
	Source  *Source
}

// compile checks a document and compiles its rules. All faults are reported,
// joined, in the order of the text.
func compile(doc *Document) (*Ruleset, error) {
	rs := &Ruleset{Document: *doc, TermOf: map[rig.ID]string{}, Named: expr.Names{}}
	c := &checker{doc: doc, rs: rs, sources: map[string]*Source{}}
	c.head()
	c.sourceList()
	c.definitions()
	c.ruleList()
	c.exampleList()
	if err := errors.Join(c.faults...); err != nil {
		return nil, err
	}
	var err error
	if rs.Canonical, err = canonical(doc); err != nil {
		return nil, fmt.Errorf("write the canonical form: %w", err)
	}
	sum := sha256.Sum256(rs.Canonical)
	rs.SHA256 = hex.EncodeToString(sum[:])
	return rs, nil
}

// canonical is the form whose SHA-256 names a version for ever: the document as
// JSON with fixed order of fields, sorted map keys and no space, so that
// comments and layout do not matter and every word does.
func canonical(doc *Document) ([]byte, error) { return json.Marshal(doc) }

type checker struct {
	doc     *Document
	rs      *Ruleset
	sources map[string]*Source
	at      string // JSON Pointer of what is being looked at
	faults  []error
}

// look says what is looked at next, by the keys and places that lead there.
func (c *checker) look(path ...any) { c.at = Pointer(path...) }

func (c *checker) fault(format string, args ...any) {
	if len(c.faults) < maxFaults {
		c.faults = append(c.faults, &placed{c.at, fmt.Errorf(format, args...)})
	}
}

func (c *checker) member(where, what, got string, of []string) {
	if !slices.Contains(of, got) {
		c.fault("%s: %s %q is not one of %s", where, what, got, strings.Join(of, ", "))
	}
}

func (c *checker) sentence(where, what, got string, needed bool) {
	switch {
	case needed && strings.TrimSpace(got) == "":
		c.fault("%s: %s is missing", where, what)
	case len(got) > maxText:
		c.fault("%s: %s is longer than %d characters", where, what, maxText)
	}
}

func (c *checker) head() {
	d := c.doc
	c.look("ruleset")
	if !idForm.MatchString(d.Ruleset) {
		c.fault("ruleset: %q is not an id (lower case, digits, hyphens)", d.Ruleset)
	}
	c.look("version")
	if d.Version < 1 {
		c.fault("version: must be 1 or more")
	}
	c.look("title")
	c.sentence("ruleset "+d.Ruleset, "title", d.Title, true)
	c.look("jurisdiction")
	if d.Jurisdiction != "" && !rig.ValidJurisdiction(d.Jurisdiction) {
		c.fault("jurisdiction: %q is not an ISO 3166 code", d.Jurisdiction)
	}
	c.look("effective")
	if !d.Effective.From.Valid && d.Jurisdiction != "" {
		c.fault("effective: the first day in force is missing")
	}
	c.interval("effective", d.Effective)
	c.look("coverage")
	if d.Coverage != "" {
		c.member("ruleset "+d.Ruleset, "coverage", d.Coverage, []string{"partial"})
	}
	c.look("reviewed")
	if !d.Reviewed.Valid {
		c.fault("reviewed: the day is missing")
	}
	for path, term := range d.Terms {
		c.look("terms", path)
		f, ok := rig.Lookup(path)
		if !ok {
			c.fault("terms: there is no fact %s", path)
			continue
		}
		c.sentence("terms", path, term, true)
		c.rs.TermOf[f.ID] = term
	}
	c.look("rules")
	if len(d.Rules) > maxRules || len(d.Examples) > maxExamples {
		c.fault("too many rules or examples: at most %d and %d", maxRules, maxExamples)
	}
	for i, id := range d.Extends {
		c.look("extends", i)
		if !idForm.MatchString(id) || id == d.Ruleset {
			c.fault("extends: %q is not the id of another ruleset", id)
		}
	}
}

func (c *checker) interval(where string, i Interval) {
	if i.From.Valid && i.To.Valid && i.From.Day > i.To.Day {
		c.fault("%s: ends on %s before it begins on %s", where, i.To, i.From)
	}
}

func (c *checker) sourceList() {
	c.look("sources")
	if len(c.doc.Sources) == 0 {
		c.fault("sources: at least one is needed")
	}
	for i := range c.doc.Sources {
		c.look("sources", i)
		s := &c.doc.Sources[i]
		where := "source " + s.ID
		if !idForm.MatchString(s.ID) {
			c.fault("sources: %q is not an id", s.ID)
		}
		if c.sources[s.ID] != nil {
			c.fault("%s: stands twice", where)
		}
		c.sources[s.ID] = s
		c.sentence(where, "title", s.Title, true)
		c.sentence(where, "publisher", s.Publisher, true)
		c.member(where, "kind", s.Kind, kinds)
		c.member(where, "checked.how", s.Checked.How, hows)
		// A source known only from memory was never compared with its text.
		if !s.Checked.On.Valid && s.Checked.How != "memory" {
			c.fault("%s: checked.on is missing", where)
		}
		if s.URL != "" && !strings.HasPrefix(s.URL, "https://") && !strings.HasPrefix(s.URL, "http://") {
			c.fault("%s: url must begin with http:// or https://", where)
		}
	}
}

// definitions compiles the named conditions; they do not use each other.
func (c *checker) definitions() {
	for _, name := range slices.Sorted(maps.Keys(c.doc.Define)) {
		c.look("define", name)
		if !nameForm.MatchString(name) {
			c.fault("define: %q is not a name (lower case letters and underscores)", name)
			continue
		}
		s := c.doc.Define[name]
		p, err := expr.CompileCondition(s.Text)
		if err != nil {
			c.fault("define %s: %w", name, s.At(err))
			continue
		}
		c.rs.Named[name] = p
	}
}

func (c *checker) ruleList() {
	c.look("rules")
	if len(c.doc.Rules) == 0 {
		c.fault("rules: at least one is needed")
	}
	seen := map[string]bool{}
	for i := range c.doc.Rules {
		c.look("rules", i)
		t := &c.doc.Rules[i]
		where := "rule " + t.ID
		if !ruleForm.MatchString(t.ID) {
			c.fault("rules: %q is not a rule id (lower case words joined by points)", t.ID)
		}
		if seen[t.ID] {
			c.fault("%s: stands twice", where)
		}
		seen[t.ID] = true
		if t.Level == "" {
			t.Level = "law"
		}
		if t.Cite.Confidence == "" {
			t.Cite.Confidence = "high"
		}
		c.sentence(where, "says", t.Says, true)
		c.sentence(where, "remedy", t.Remedy, false)
		c.sentence(where, "caution", t.Caution, false)
		c.member(where, "level", t.Level, levels)
		c.member(where, "cite.how", t.Cite.How, hows)
		c.member(where, "cite.confidence", t.Cite.Confidence, trusts)
		if t.Cite.Confidence == "low" && t.Level != "practice" {
			c.fault("%s: a fact of low confidence can only be practice", where)
		}
		c.interval(where, t.Effective)
		rule := &Rule{RuleText: t, Ruleset: c.rs, Source: c.sources[t.Cite.Source]}
		if rule.Source == nil {
			c.fault("%s: there is no source %q", where, t.Cite.Source)
		}
		if t.When.Text != "" && t.When.Text != "true" {
			p, err := expr.CompileWithNames(t.When.Text, c.rs.Named)
			if err != nil {
				c.fault("%s: when: %w", where, t.When.At(err))
			}
			rule.When = p
		}
		duties, err := t.Oblige.Compile()
		if err != nil {
			c.fault("%s: oblige: %w", where, err)
		}
		if len(duties) == 0 && t.Oblige.Notice == nil && err == nil {
			c.fault("%s: obliges to nothing", where)
		}
		rule.Duties = duties
		c.rs.Rules = append(c.rs.Rules, rule)
	}
}

func (c *checker) exampleList() {
	checks := 0
	for i, e := range c.doc.Examples {
		c.look("examples", i)
		most := min(maxChecks, maxWork/max(1, len(c.doc.Rules)))
		if checks += max(1, len(e.Steps)); checks > most {
			c.fault("too many examples: of so many rules at most %d with their steps", most)
			return
		}
		where := "example " + e.Name
		c.sentence("examples", "name", e.Name, true)
		if (e.Vary == "") != (len(e.Steps) == 0) {
			c.fault("%s: vary and steps go together", where)
		}
		if len(e.Steps) == 0 && len(e.Expect) == 0 {
			c.fault("%s: expects nothing", where)
		}
	}
}

// Facts lists every fact that the rule reads: in its condition, its amounts and
// its checkers.
func (r *Rule) Facts() []rig.ID {
	var out []rig.ID
	if r.When != nil {
		out = append(out, r.When.Facts()...)
	}
	for i := range r.Duties {
		out = append(out, r.Duties[i].Reads()...)
		for _, p := range r.Duties[i].Programs() {
			out = append(out, p.Facts()...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
