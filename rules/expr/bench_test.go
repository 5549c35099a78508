package expr_test

import (
	"testing"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// typical is a condition of the usual length, with a factor in it.
const typical = `trailer.rated.axles > kg(750) && trailer.built >= date("1988-07-01") && (trailer.axle_count > 1 || ` +
	`trailer.brakes.kind in ["electric", "air"]) && trailer.laden.total <= 1.5 * vehicle.unladen`

func typicalRigs(t testing.TB) map[string]*rig.Rig {
	return map[string]*rig.Rig{
		"known": doc(t, map[string]any{
			"trailer.rated.axles": "2200 kg", "trailer.built": "2024-06-01", "trailer.axle_count": 1, "trailer.brakes.kind": "electric",
			"trailer.laden.total": "2300 kg", "vehicle.unladen": "4400 lb",
		}),
		"unknown": doc(t, map[string]any{"trailer.rated.axles": "2200 kg", "trailer.axle_count": 2}),
	}
}

// TestNoAllocation keeps evaluation free of garbage: a question touches hundreds
// of conditions.
func TestNoAllocation(t *testing.T) {
	conditions := []*expr.Program{cond(t, typical)}
	var amounts []*expr.Program
	for _, e := range lawExprs(t) {
		if _, err := expr.CompileAmount(e.program.Text(), quantity.Mass); err == nil {
			amounts = append(amounts, e.program)
		} else if _, err := expr.CompileCondition(e.program.Text()); err == nil {
			conditions = append(conditions, e.program)
		}
	}
	for name, r := range typicalRigs(t) {
		for _, p := range conditions {
			if n := testing.AllocsPerRun(10, func() { sinkTruth = p.Truth(r) }); n != 0 {
				t.Errorf("%s, %s: %v allocations", name, p.Text(), n)
			}
		}
		for _, p := range amounts {
			if n := testing.AllocsPerRun(10, func() { sinkValue, _ = p.Value(r) }); n != 0 {
				t.Errorf("%s, %s: %v allocations", name, p.Text(), n)
			}
		}
	}
}

var (
	sinkTruth   expr.Truth
	sinkValue   expr.Value
	sinkProgram *expr.Program
	sinkAny     any
)

func BenchmarkCompile(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		p, err := expr.CompileCondition(typical)
		if err != nil {
			b.Fatal(err)
		}
		sinkProgram = p
	}
}

// BenchmarkEvaluate sets the lowered nodes beside cel-go on the same condition.
func BenchmarkEvaluate(b *testing.B) {
	for name, r := range typicalRigs(b) {
		b.Run("nodes/"+name, func(b *testing.B) {
			p := cond(b, typical)
			b.ReportAllocs()
			for b.Loop() {
				sinkTruth = p.Truth(r)
			}
		})
		b.Run("cel-go/"+name, func(b *testing.B) {
			ref, vars := newReference(b, typical), facts(r, nil)
			b.ReportAllocs()
			for b.Loop() {
				v, _, err := ref.program.Eval(vars)
				if err != nil {
					b.Fatal(err)
				}
				sinkAny = v
			}
		})
	}
}

func BenchmarkExplain(b *testing.B) {
	p, r := cond(b, typical), typicalRigs(b)["known"]
	b.ReportAllocs()
	for b.Loop() {
		sinkAny = p.Explain(r, path)
	}
}
