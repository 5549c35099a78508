// Package peers measures assessments beside general engines for rules.
package peers

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"github.com/open-policy-agent/opa/v1/ast"
	"github.com/open-policy-agent/opa/v1/rego"

	"drawgear/rules"
	"drawgear/rules/expr"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// finding is what every engine says of one rule.
type finding struct{ ID, Status, Summary, Limit, Margin string }

// threshold asks that a mass of the rig be within a limit.
type threshold struct {
	name, path, field string // what the place calls it, where ours and theirs find it
	limit             int    // kg
}

func thresholds() []threshold {
	var out []threshold
	for _, of := range []struct {
		name, path, field string
		limits            []int
	}{
		{"GTM", "trailer.rated.axles", "gtm", []int{750, 2000, 2200, 2500, 3500, 4500}},
		{"ATM", "trailer.rated.total", "atm", []int{750, 2400, 2500, 3500, 4500, 6000}},
		{"GVM", "vehicle.rated.total", "gvm", []int{3000, 3100, 3500, 4500}},
		{"GCM", "vehicle.rated.combination", "gcm", []int{4500, 6000, 7000, 8000}},
		{"laden mass", "trailer.laden.total", "laden", []int{2000, 2300, 3500, 4500}},
	} {
		for _, limit := range of.limits {
			out = append(out, threshold{of.name, of.path, of.field, limit})
		}
	}
	return out
}

var amounts = map[string]int{"gtm": 2200, "atm": 2400, "gvm": 3100, "gcm": 6000, "laden": 2300}

const document = `{"jurisdiction": "XX", "as_of": "2026-11-25", "vehicle": {"rated": {"total": "3100 kg", "combination": "6000 kg"}},
 "trailer": {"rated": {"total": "2400 kg", "axles": "2200 kg"}, "laden": {"total": "2300 kg"}}}`

func (t threshold) id() string { return fmt.Sprintf("xx.%s.le-%d", t.field, t.limit) }

// ours is the law as a ruleset.
func ours(t testing.TB) func() *rules.Answer {
	t.Helper()
	var text strings.Builder
	text.WriteString(`
ruleset: xx-masses
version: 1
title: Masses in Xx
jurisdiction: XX
effective: {from: 2014-07-01}
reviewed: 2026-11-25
terms: {trailer.rated.axles: GTM, trailer.rated.total: ATM, vehicle.rated.total: GVM, vehicle.rated.combination: GCM, trailer.laden.total: laden mass}
sources:
  - {id: code, title: Code, publisher: State of Xx, kind: regulation, checked: {how: text, on: 2026-11-25}}
rules:
`)
	for _, x := range thresholds() {
		fmt.Fprintf(&text, "  - {id: %s, says: A limit., oblige: {mass_limit: {of: %s, at_most: kg(%d)}}, cite: {source: code, how: text}}\n", x.id(), x.path, x.limit)
	}
	rs, err := law.Parse([]byte(text.String()))
	if err != nil {
		t.Fatal(err)
	}
	book, err := rules.NewBook([]*law.Ruleset{rs})
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.Decode([]byte(document))
	if err != nil {
		t.Fatal(err)
	}
	day, _ := r.AsOf()
	return func() *rules.Answer {
		a, err := book.Assess(r, day)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
}

// opa is the law as a policy of Open Policy Agent, prepared, with its input parsed.
func opa(t testing.TB) func() rego.ResultSet {
	t.Helper()
	var text strings.Builder
	text.WriteString("package law\n")
	for _, x := range thresholds() {
		for _, way := range []struct{ status, op, words, by string }{
			{"not_met", ">", "is over", "by %d kg"}, {"met", "<", "is within", "by %d kg"}, {"met", "==", "is within", "exactly"},
		} {
			args := "[v]"
			if way.op != "==" {
				args = fmt.Sprintf("[v, abs(v - %d)]", x.limit)
			}
			fmt.Fprintf(&text, "findings contains f if {\n v := input.%s\n v %s %d\n f := {\"id\": %q, \"status\": %q, \"limit\": \"%d kg\", \"margin\": sprintf(\"%%d kg\", [%d - v]), \"summary\": sprintf(%q, %s)}\n}\n",
				x.field, way.op, x.limit, x.id(), way.status, x.limit, x.limit, fmt.Sprintf("%s %%d kg %s %d kg, %s.", strings.ToUpper(x.name[:1])+x.name[1:], way.words, x.limit, way.by), args)
		}
	}
	return prepared(t, "data.law.findings", text.String())
}

func prepared(t testing.TB, ask, policy string) func() rego.ResultSet {
	t.Helper()
	query, err := rego.New(rego.Query(ask), rego.Module("law.rego", policy)).PrepareForEval(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	input, err := ast.InterfaceToValue(amounts)
	if err != nil {
		t.Fatal(err)
	}
	return func() rego.ResultSet {
		out, err := query.Eval(t.Context(), rego.EvalParsedInput(input))
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
}

// celPrograms compiles an expression for each threshold.
func celPrograms(t testing.TB, text func(threshold) string) ([]cel.Program, map[string]any) {
	t.Helper()
	var options []cel.EnvOption
	vars := map[string]any{}
	for field, kg := range amounts {
		options = append(options, cel.Variable(field, cel.IntType))
		vars[field] = int64(kg)
	}
	env, err := cel.NewEnv(options...)
	if err != nil {
		t.Fatal(err)
	}
	var programs []cel.Program
	for _, x := range thresholds() {
		checked, issues := env.Compile(text(x))
		if issues.Err() != nil {
			t.Fatal(issues.Err())
		}
		p, err := env.Program(checked, cel.EvalOptions(cel.OptOptimize))
		if err != nil {
			t.Fatal(err)
		}
		programs = append(programs, p)
	}
	return programs, vars
}

// celgo is the law as expressions of cel-go, one a rule, each giving its finding.
func celgo(t testing.TB) func() []map[string]string {
	t.Helper()
	programs, vars := celPrograms(t, func(x threshold) string {
		return fmt.Sprintf(`{"id": %[1]q, "limit": "%[3]d kg", "margin": string(%[3]d - %[2]s) + " kg", "status": %[2]s > %[3]d ? "not_met" : "met",
"summary": %[4]q + string(%[2]s) + (%[2]s > %[3]d ? " kg is over %[3]d kg, by " + string(%[2]s - %[3]d) + " kg." : %[2]s == %[3]d ? " kg is within %[3]d kg, exactly." : " kg is within %[3]d kg, by " + string(%[3]d - %[2]s) + " kg.")}`,
			x.id(), x.field, x.limit, strings.ToUpper(x.name[:1])+x.name[1:]+" ")
	})
	return func() []map[string]string {
		out := make([]map[string]string, len(programs))
		for i, p := range programs {
			v, _, err := p.Eval(vars)
			if err != nil {
				t.Fatal(err)
			}
			native, err := v.ConvertToNative(stringMap)
			if err != nil {
				t.Fatal(err)
			}
			out[i] = native.(map[string]string)
		}
		return out
	}
}

// TestPeersAgree: what is measured is one and the same work.
func TestPeersAgree(t *testing.T) {
	var want []finding
	for _, f := range ours(t)().Findings {
		want = append(want, finding{f.Rule, string(f.Status), f.Summary, f.Limit, f.Margin})
	}
	var byOPA, byCEL []finding
	for _, x := range opa(t)()[0].Expressions[0].Value.([]any) {
		m := x.(map[string]any)
		byOPA = append(byOPA, finding{m["id"].(string), m["status"].(string), m["summary"].(string), m["limit"].(string), m["margin"].(string)})
	}
	for _, m := range celgo(t)() {
		byCEL = append(byCEL, finding{m["id"], m["status"], m["summary"], m["limit"], m["margin"]})
	}
	for name, got := range map[string][]finding{"Open Policy Agent": byOPA, "cel-go": byCEL} {
		for _, fs := range [][]finding{got, want} {
			slices.SortFunc(fs, func(a, b finding) int { return strings.Compare(a.ID, b.ID) })
		}
		if len(want) != len(thresholds()) || !slices.Equal(got, want) {
			t.Errorf("%s says\n%q\nand we\n%q", name, got, want)
		}
	}
}

func BenchmarkThresholds(b *testing.B) {
	b.Run("ours, the whole answer", func(b *testing.B) {
		run := ours(b)
		b.ReportAllocs()
		for b.Loop() {
			sink = run()
		}
	})
	b.Run("cel-go", func(b *testing.B) {
		run := celgo(b)
		b.ReportAllocs()
		for b.Loop() {
			sink = run()
		}
	})
	b.Run("Open Policy Agent", func(b *testing.B) {
		run := opa(b)
		b.ReportAllocs()
		for b.Loop() {
			sink = run()
		}
	})
}

// BenchmarkDecisions leaves out the words: each engine says of every limit only
// whether the rig keeps to it.
func BenchmarkDecisions(b *testing.B) {
	limits := thresholds()
	b.Run("ours", func(b *testing.B) {
		var conditions []*expr.Program
		for _, x := range limits {
			p, err := expr.CompileCondition(fmt.Sprintf("%s <= kg(%d)", x.path, x.limit))
			if err != nil {
				b.Fatal(err)
			}
			conditions = append(conditions, p)
		}
		r, err := rig.Decode([]byte(document))
		if err != nil {
			b.Fatal(err)
		}
		out := make([]expr.Truth, len(conditions))
		b.ReportAllocs()
		for b.Loop() {
			for i, p := range conditions {
				out[i] = p.Truth(r)
			}
		}
		count(b, len(limits), func(i int) bool { return out[i] == expr.True })
	})
	b.Run("cel-go", func(b *testing.B) {
		programs, vars := celPrograms(b, func(x threshold) string { return fmt.Sprintf("%s <= %d", x.field, x.limit) })
		out := make([]bool, len(programs))
		b.ReportAllocs()
		for b.Loop() {
			for i, p := range programs {
				v, _, err := p.Eval(vars)
				if err != nil {
					b.Fatal(err)
				}
				out[i] = v == types.True
			}
		}
		count(b, len(limits), func(i int) bool { return out[i] })
	})
	b.Run("Open Policy Agent", func(b *testing.B) {
		var text strings.Builder
		text.WriteString("package law\n")
		for _, x := range limits {
			fmt.Fprintf(&text, "keeps contains %q if input.%s <= %d\n", x.id(), x.field, x.limit)
		}
		run := prepared(b, "data.law.keeps", text.String())
		b.ReportAllocs()
		var out rego.ResultSet
		for b.Loop() {
			out = run()
		}
		kept := out[0].Expressions[0].Value.([]any)
		count(b, len(limits), func(i int) bool { return slices.Contains(kept, any(limits[i].id())) })
	})
}

// count sees to it that each decision came out as the numbers have it.
func count(b *testing.B, n int, kept func(int) bool) {
	b.Helper()
	for i, x := range thresholds()[:n] {
		if kept(i) != (amounts[x.field] <= x.limit) {
			b.Errorf("%s is said to be kept: %v", x.id(), kept(i))
		}
	}
}

var sink any

var stringMap = reflect.TypeFor[map[string]string]()
