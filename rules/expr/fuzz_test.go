package expr_test

import (
	"errors"
	"testing"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// FuzzCompile compiles any text: it never panics, every refusal has a place, and
// whatever compiles can be evaluated and told on an empty rig and on full ones.
func FuzzCompile(f *testing.F) {
	for _, e := range lawExprs(f) {
		f.Add(e.program.Text())
	}
	for _, text := range []string{
		"!use.commercial == true", `(trailer.purpose in ["boat"]) == use.abroad`, "0.40000000000000001 * vehicle.kerb > kg(1)", "-0.0 * trailer.tare < kg(.5)",
		"min(1.5 * vehicle.kerb, 2 * (trailer.tare - lb(1)))", `date("1988-07-01") < (use.abroad ? as_of : trailer.built)`, "[{1: 2}]", "a.b[0].c()", "\"\\x00", "é\r\n",
		"kg(0x10) < t(1) // all of it", ".trailer.`tare` > kg(1)", "1 ? 2 : 3",
	} {
		f.Add(text)
	}
	empty, err := rig.FromTree(map[string]any{})
	if err != nil {
		f.Fatal(err)
	}
	full := maximal(f)
	f.Fuzz(func(t *testing.T, text string) {
		refused := func(err error) {
			var at *expr.Error
			if !errors.As(err, &at) || at.Line < 1 || at.Column < 1 || at.Message == "" {
				t.Fatalf("%q: not an error with a place: %v", text, err)
			}
		}
		if p, err := expr.CompileCondition(text); err != nil {
			refused(err)
		} else {
			ref := newReference(t, text)
			for _, r := range append(full, empty) {
				if got, want := condition(p, r), ref.eval(t, facts(r, nil)); got != want {
					t.Fatalf("%q: %+v, want %+v", text, got, want)
				}
				p.Explain(r, path)
			}
			p.Thresholds()
			p.Formula(path)
		}
		for _, dim := range []quantity.Dimension{quantity.Mass, quantity.Speed, quantity.Duration} {
			p, err := expr.CompileAmount(text, dim)
			if err != nil {
				refused(err)
				continue
			}
			ref := newReference(t, text)
			for _, r := range append(full, empty) {
				if got, want := amount(p, r), ref.eval(t, facts(r, nil)); got != want {
					t.Fatalf("%q: %+v, want %+v", text, got, want)
				}
				if v, known := p.Value(r); known && (v.Text() == "" || v.String() == "") {
					t.Fatalf("%q: an amount without print", text)
				}
			}
			p.Formula(path)
		}
	})
}
