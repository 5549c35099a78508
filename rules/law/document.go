// Package law holds ruleset documents: law written as data, with its sources,
// days in force and worked examples. Parsing is strict, and every fault is
// reported with its line and column.
package law

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"

	"go.yaml.in/yaml/v3"

	"drawgear/rules/duty"
	"drawgear/rules/rig"
)

// Limits of a ruleset document.
const (
	MaxBytes    = 512 << 10
	maxRules    = 400
	maxExamples = 600
	maxChecks   = 1000   // examples with their steps
	maxWork     = 40_000 // rules times examples: each rule is looked at in each
	maxText     = 600    // characters of a sentence
)

// Document is a ruleset version as written.
type Document struct {
	Ruleset      string                 `yaml:"ruleset" json:"ruleset"`
	Version      int                    `yaml:"version" json:"version"`
	Title        string                 `yaml:"title" json:"title"`
	Jurisdiction string                 `yaml:"jurisdiction" json:"jurisdiction,omitempty"`
	Effective    Interval               `yaml:"effective" json:"effective,omitzero"`
	Reviewed     Day                    `yaml:"reviewed" json:"reviewed"`
	Coverage     string                 `yaml:"coverage" json:"coverage,omitempty"` // "partial" where much of the law is not encoded
	Extends      []string               `yaml:"extends" json:"extends,omitempty"`
	Terms        map[string]string      `yaml:"terms" json:"terms,omitempty"`
	Define       map[string]duty.Scalar `yaml:"define" json:"define,omitempty"`
	Sources      []Source               `yaml:"sources" json:"sources"`
	Rules        []RuleText             `yaml:"rules" json:"rules"`
	Examples     []Example              `yaml:"examples" json:"examples"`
}

// Day is a calendar day in a document; the zero Day is left out.
type Day struct {
	Day   rig.Day
	Valid bool
}

// UnmarshalYAML reads 2006-01-02.
func (d *Day) UnmarshalYAML(n *yaml.Node) error {
	v, err := rig.ParseDay(n.Value)
	if err != nil {
		return fmt.Errorf("line %d: %w", n.Line, err)
	}
	d.Day, d.Valid = v, true
	return nil
}

// String writes the day, or nothing.
func (d Day) String() string {
	if !d.Valid {
		return ""
	}
	return d.Day.String()
}

// MarshalJSON writes the day as text.
func (d Day) MarshalJSON() ([]byte, error) { return json.Marshal(d.String()) }

// IsZero reports whether the day was left out.
func (d Day) IsZero() bool { return !d.Valid }

// Interval is a span of days in force, both included; an end left out is open.
type Interval struct {
	From Day `yaml:"from" json:"from,omitzero"`
	To   Day `yaml:"to" json:"to,omitzero"`
}

// IsZero reports whether both ends are open.
func (i Interval) IsZero() bool { return i.From.IsZero() && i.To.IsZero() }

// Contains reports whether the day lies within.
func (i Interval) Contains(d rig.Day) bool {
	return (!i.From.Valid || i.From.Day <= d) && (!i.To.Valid || d <= i.To.Day)
}

// Source is a publication that rules cite.
type Source struct {
	ID        string  `yaml:"id" json:"id"`
	Title     string  `yaml:"title" json:"title"`
	Publisher string  `yaml:"publisher" json:"publisher"`
	Edition   string  `yaml:"edition" json:"edition,omitempty"`
	Published string  `yaml:"published" json:"published,omitempty"`
	URL       string  `yaml:"url" json:"url,omitempty"`
	Kind      string  `yaml:"kind" json:"kind"`
	Checked   Checked `yaml:"checked" json:"checked"`
}

// Checked says how and when a person last compared a source.
type Checked struct {
	How string `yaml:"how" json:"how"`
	On  Day    `yaml:"on" json:"on,omitzero"`
}

// RuleText is a rule as written.
type RuleText struct {
	ID        string      `yaml:"id" json:"id"`
	Says      string      `yaml:"says" json:"says"`
	Level     string      `yaml:"level" json:"level,omitempty"`
	Effective Interval    `yaml:"effective" json:"effective,omitzero"`
	When      duty.Scalar `yaml:"when" json:"when,omitzero"`
	Overrides []string    `yaml:"overrides" json:"overrides,omitempty"`
	Oblige    duty.Oblige `yaml:"oblige" json:"oblige"`
	Cite      Cite        `yaml:"cite" json:"cite"`
	Remedy    string      `yaml:"remedy" json:"remedy,omitempty"`
	Caution   string      `yaml:"caution" json:"caution,omitempty"`
}

// Cite names the place in a source on which a rule rests, and how that fact
// was verified.
type Cite struct {
	Source     string `yaml:"source" json:"source"`
	Clause     string `yaml:"clause" json:"clause,omitempty"`
	How        string `yaml:"how" json:"how"`
	Confidence string `yaml:"confidence" json:"confidence,omitempty"`
}

// Example is a worked example, run at every load.
type Example struct {
	Name   string              `yaml:"name" json:"name"`
	Rig    Tree                `yaml:"rig" json:"rig"`
	AsOf   Day                 `yaml:"as_of" json:"as_of,omitzero"`
	Vary   string              `yaml:"vary" json:"vary,omitempty"`
	Steps  []Step              `yaml:"steps" json:"steps,omitempty"`
	Expect map[string]Expected `yaml:"expect" json:"expect,omitempty"`
}

// Step is one value of the varied field with its own expectations.
type Step struct {
	At     duty.Scalar         `yaml:"at" json:"at"`
	Expect map[string]Expected `yaml:"expect" json:"expect"`
}

// Expected is the value expected of a key: one word or amount, a list of
// words, or (for `findings`) a map of statuses.
type Expected struct {
	Text string
	List []string
	Map  map[string]string
	Line int
}

// UnmarshalYAML reads any of the three forms.
func (e *Expected) UnmarshalYAML(n *yaml.Node) error {
	e.Line = n.Line
	switch n.Kind {
	case yaml.ScalarNode:
		e.Text = n.Value
		return nil
	case yaml.SequenceNode:
		e.List = []string{}
		return n.Decode(&e.List)
	case yaml.MappingNode:
		return n.Decode(&e.Map)
	default:
		return fmt.Errorf("line %d: not an expectation", n.Line)
	}
}

// MarshalJSON writes the form that was read.
func (e Expected) MarshalJSON() ([]byte, error) {
	switch {
	case e.Map != nil:
		return json.Marshal(e.Map)
	case e.List != nil:
		return json.Marshal(e.List)
	default:
		return json.Marshal(e.Text)
	}
}

// Tree is a rig document inside a YAML document.
type Tree map[string]any

// UnmarshalYAML reads maps, lists, true and false, whole numbers and text;
// days stay text, as they are in JSON.
func (t *Tree) UnmarshalYAML(n *yaml.Node) error {
	if n.Kind != yaml.MappingNode {
		return fmt.Errorf("line %d: a rig must be a mapping", n.Line)
	}
	v, err := treeOf(n, 0)
	if err != nil {
		return err
	}
	*t = v.(map[string]any)
	return nil
}

func treeOf(n *yaml.Node, depth int) (any, error) {
	if depth > rig.MaxDepth {
		return nil, fmt.Errorf("line %d: nested too deep", n.Line)
	}
	switch n.Kind {
	case yaml.MappingNode:
		m := map[string]any{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			key := n.Content[i].Value
			if _, dup := m[key]; dup {
				return nil, fmt.Errorf("line %d: %q stands twice", n.Content[i].Line, key)
			}
			v, err := treeOf(n.Content[i+1], depth+1)
			if err != nil {
				return nil, err
			}
			m[key] = v
		}
		return m, nil
	case yaml.SequenceNode:
		list := []any{}
		for _, x := range n.Content {
			v, err := treeOf(x, depth+1)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		return list, nil
	case yaml.ScalarNode:
		return ScalarValue(n.Value, n.Tag), nil
	default:
		return nil, fmt.Errorf("line %d: anchors and aliases are not used here", n.Line)
	}
}

// ScalarValue reads a YAML scalar as a rig document has it in JSON.
func ScalarValue(text, tag string) any {
	switch tag {
	case "!!bool":
		return strings.EqualFold(text, "true")
	case "!!int":
		if n, err := strconv.Atoi(text); err == nil {
			return n
		}
	case "!!null":
		return nil
	}
	return text
}

// Strict decodes exactly one YAML document into out: unknown and double keys
// are errors with their lines.
func Strict(data []byte, out any) error {
	if len(data) > MaxBytes {
		return fmt.Errorf("the document is larger than %d bytes", MaxBytes)
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	dec.KnownFields(true)
	if err := dec.Decode(out); err != nil {
		if errors.Is(err, io.EOF) {
			return errors.New("the document is empty")
		}
		return err
	}
	var rest yaml.Node
	if err := dec.Decode(&rest); !errors.Is(err, io.EOF) {
		return errors.New("there is more than one document")
	}
	return nil
}

// Parse reads and compiles a ruleset document.
func Parse(data []byte) (*Ruleset, error) {
	var doc Document
	if err := Strict(data, &doc); err != nil {
		return nil, fmt.Errorf("read the ruleset: %w", err)
	}
	return compile(&doc)
}

// ParseAll is Parse of many documents, as many at a time as there are processors.
// Rulesets and errors stand at the places of their documents.
func ParseAll(documents [][]byte) ([]*Ruleset, []error) {
	rulesets, errs := make([]*Ruleset, len(documents)), make([]error, len(documents))
	var taken atomic.Int64
	var all sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(documents)) {
		all.Go(func() {
			for {
				i := int(taken.Add(1)) - 1
				if i >= len(documents) {
					return
				}
				rulesets[i], errs[i] = Parse(documents[i])
			}
		})
	}
	all.Wait()
	return rulesets, errs
}

var (
	idForm   = regexp.MustCompile(`^[a-z0-9]+([-.][a-z0-9]+)*$`)
	ruleForm = regexp.MustCompile(`^[a-z0-9_-]+(\.[a-z0-9_-]+)+$`)
	nameForm = regexp.MustCompile(`^[a-z]+(_[a-z]+)*$`)
	kinds    = []string{"legislation", "regulation", "regulator-guidance", "standard", "handbook", "dataset", "practice"}
	hows     = []string{"text", "second-hand", "memory"}
	levels   = []string{"law", "rating", "practice"}
	trusts   = []string{"high", "medium", "low"}
)
