package expr_test

import (
	"fmt"
	"maps"
	"math/big"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/common/types/traits"
	"pgregory.net/rapid"

	"drawgear/rules/expr"
	"drawgear/rules/law"
	"drawgear/rules/library"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// The reference is cel-go's own evaluator over the same environment, with
// unknown attributes for absent facts and fractions of unbounded size for
// amounts. It shares with the package under test the parser and the checker,
// and nothing of what comes after them.

// refAmount is an amount in the unit of unitOf.
type refAmount struct {
	dim string
	rat *big.Rat
}

// refDay counts days from 1970-01-01.
type refDay int64

func (a refAmount) ConvertToNative(reflect.Type) (any, error) { return a.rat, nil }
func (a refAmount) ConvertToType(ref.Type) ref.Val            { return a }
func (a refAmount) Type() ref.Type                            { return cel.OpaqueType(a.dim) }
func (a refAmount) Value() any                                { return a.rat }
func (a refAmount) Equal(o ref.Val) ref.Val {
	b, ok := o.(refAmount)
	return types.Bool(ok && a.dim == b.dim && a.rat.Cmp(b.rat) == 0)
}

func (d refDay) ConvertToNative(reflect.Type) (any, error) { return int64(d), nil }
func (d refDay) ConvertToType(ref.Type) ref.Val            { return d }
func (d refDay) Type() ref.Type                            { return cel.OpaqueType("day") }
func (d refDay) Value() any                                { return int64(d) }
func (d refDay) Equal(o ref.Val) ref.Val                   { return types.Bool(o == ref.Val(d)) }

func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("not a fraction: " + s)
	}
	return r
}

// unitOf is the dimension of each unit of law, and one of it in the reference's
// unit: the SI unit, km/h for speeds, per cent, coulombs. Pound, foot, inch and
// mile are those of the international yard and pound agreement of 1959.
var unitOf = map[string]struct {
	dim  quantity.Dimension
	size *big.Rat
}{
	"kg":      {quantity.Mass, rat("1")},
	"lb":      {quantity.Mass, rat("0.45359237")},
	"t":       {quantity.Mass, rat("1000")},
	"m":       {quantity.Length, rat("1")},
	"mm":      {quantity.Length, rat("0.001")},
	"ft":      {quantity.Length, rat("0.3048")},
	"inch":    {quantity.Length, rat("0.0254")},
	"kN":      {quantity.Force, rat("1000")},
	"N":       {quantity.Force, rat("1")},
	"kmh":     {quantity.Speed, rat("1")},
	"mph":     {quantity.Speed, rat("1.609344")},
	"s":       {quantity.Duration, rat("1")},
	"minutes": {quantity.Duration, rat("60")},
	"ms2":     {quantity.Acceleration, rat("1")},
	"grade":   {quantity.Grade, rat("1")},
	"percent": {quantity.Percentage, rat("1")},
	"volts":   {quantity.Voltage, rat("1")},
	"Ah":      {quantity.Charge, rat("3600")},
}

// baseSize is one base unit of each dimension, from the documented scales.
var baseSize = map[quantity.Dimension]*big.Rat{
	quantity.Mass: rat("1e-11"), quantity.Length: rat("1e-9"), quantity.Force: rat("0.5e-12"),
	quantity.Voltage: rat("1e-6"), quantity.Charge: rat("1e-6"), quantity.Duration: rat("1e-6"),
	quantity.Grade: rat("1e-7"), quantity.Speed: rat("1e-12"), quantity.Acceleration: rat("1e-12"),
	quantity.Percentage: rat("1e-7"),
}

// number reads any ordered value as a fraction. A double stands for the
// shortest decimal that reads back as it: IEEE 754 gives that for every decimal
// of at most 15 digits, and the profile has no other.
func number(v ref.Val) *big.Rat {
	switch x := v.(type) {
	case refAmount:
		return x.rat
	case refDay:
		return new(big.Rat).SetInt64(int64(x))
	case types.Int:
		return new(big.Rat).SetInt64(int64(x))
	case types.Double:
		return rat(strconv.FormatFloat(float64(x), 'f', -1, 64))
	default:
		panic(fmt.Sprintf("not ordered: %v", v))
	}
}

// like gives a fraction the type of the values it came from.
func like(r *big.Rat, of ...ref.Val) ref.Val {
	for _, v := range of {
		if a, ok := v.(refAmount); ok {
			return refAmount{a.dim, r}
		}
	}
	return types.Int(r.Num().Int64())
}

func bind(o expr.Overload) cel.OverloadOpt {
	compare := func(holds func(int) bool) cel.OverloadOpt {
		return cel.BinaryBinding(func(a, b ref.Val) ref.Val { return types.Bool(holds(number(a).Cmp(number(b)))) })
	}
	compute := func(f func(x, y *big.Rat) *big.Rat) cel.OverloadOpt {
		return cel.BinaryBinding(func(a, b ref.Val) ref.Val { return like(f(number(a), number(b)), a, b) })
	}
	switch o.Function {
	case operators.Less:
		return compare(func(c int) bool { return c < 0 })
	case operators.LessEquals:
		return compare(func(c int) bool { return c <= 0 })
	case operators.Greater:
		return compare(func(c int) bool { return c > 0 })
	case operators.GreaterEquals:
		return compare(func(c int) bool { return c >= 0 })
	case operators.Add:
		return compute(func(x, y *big.Rat) *big.Rat { return new(big.Rat).Add(x, y) })
	case operators.Subtract:
		return compute(func(x, y *big.Rat) *big.Rat { return new(big.Rat).Sub(x, y) })
	case operators.Multiply:
		return compute(func(x, y *big.Rat) *big.Rat { return new(big.Rat).Mul(x, y) })
	case "min":
		return compute(func(x, y *big.Rat) *big.Rat {
			if x.Cmp(y) < 0 {
				return x
			}
			return y
		})
	case "max":
		return compute(func(x, y *big.Rat) *big.Rat {
			if x.Cmp(y) > 0 {
				return x
			}
			return y
		})
	case operators.In:
		return cel.BinaryBinding(func(a, b ref.Val) ref.Val { return b.(traits.Container).Contains(a) })
	case "date":
		return cel.UnaryBinding(func(v ref.Val) ref.Val {
			day, err := time.Parse(time.DateOnly, string(v.(types.String)))
			if err != nil {
				return types.WrapErr(err)
			}
			return refDay(day.Unix() / 86400)
		})
	case operators.LogicalNot:
		return cel.UnaryBinding(func(v ref.Val) ref.Val { return !v.(types.Bool) })
	case operators.LogicalAnd, operators.LogicalOr, operators.Conditional, operators.Equals, operators.NotEquals:
		return nil // cel-go evaluates these itself, which is what makes it the reference
	}
	u := unitOf[o.Function]
	return cel.UnaryBinding(func(v ref.Val) ref.Val { return refAmount{u.dim.String(), new(big.Rat).Mul(number(v), u.size)} })
}

// refEnv takes longer texts than the profile: defined conditions are written out.
var refEnv = sync.OnceValues(func() (*cel.Env, error) {
	env, err := expr.NewEnv(bind)
	if err != nil {
		return nil, err
	}
	return env.Extend(cel.ParserExpressionSizeLimit(20 * expr.MaxLength))
})

var defined = regexp.MustCompile(`named\.[a-z_]+`)

type reference struct{ program cel.Program }

func newReference(t interface{ Fatalf(string, ...any) }, text string) reference {
	env, err := refEnv()
	if err != nil {
		t.Fatalf("build the reference: %v", err)
	}
	checked, issues := env.Compile(text)
	if issues.Err() != nil {
		t.Fatalf("the reference refuses %s: %v", text, issues.Err())
	}
	p, err := env.Program(checked, cel.EvalOptions(cel.OptPartialEval))
	if err != nil {
		t.Fatalf("the reference cannot plan %s: %v", text, err)
	}
	return reference{p}
}

// facts gives the rig to cel-go: what is known as variables, what is not as
// unknown attributes. only limits what is known, nil for everything.
func facts(r *rig.Rig, only func(rig.ID) bool) any {
	known := map[string]any{}
	var unknown []*cel.AttributePatternType
	for _, f := range rig.Fields() {
		v := r.Get(f.ID)
		set, listed := r.Set(f.ID)
		if !v.Known && !listed || only != nil && !only(f.ID) {
			unknown = append(unknown, cel.AttributePattern(f.Path))
			continue
		}
		switch f.Kind {
		case rig.KindQuantity:
			base := new(big.Rat).SetInt64(v.Num)
			known[f.Path] = refAmount{f.Dim.String(), base.Mul(base, baseSize[f.Dim])}
		case rig.KindBool:
			known[f.Path] = v.Num != 0
		case rig.KindCount:
			known[f.Path] = v.Num
		case rig.KindDate:
			known[f.Path] = refDay(v.Num)
		case rig.KindWord, rig.KindText:
			known[f.Path] = v.Word
		case rig.KindWords:
			known[f.Path] = set
		}
	}
	vars, err := cel.PartialVars(known, unknown...)
	if err != nil {
		panic(err)
	}
	return vars
}

// outcome is what an expression gives: an unknown with the facts it waits for,
// or a value printed in a form that both evaluators share.
type outcome struct {
	value   string // empty for unknown
	missing string
}

func (r reference) eval(t interface{ Fatalf(string, ...any) }, vars any) outcome {
	v, _, err := r.program.Eval(vars)
	if err != nil {
		t.Fatalf("the reference fails: %v", err)
	}
	switch x := v.(type) {
	case *types.Unknown:
		names := map[string]bool{}
		for _, id := range x.IDs() {
			trails, _ := x.GetAttributeTrails(id)
			for _, trail := range trails {
				names[trail.Variable()] = true
			}
		}
		return outcome{missing: strings.Join(slices.Sorted(maps.Keys(names)), " ")}
	case types.Bool:
		return outcome{value: strconv.FormatBool(bool(x))}
	case refAmount:
		return outcome{value: x.rat.RatString() + " " + x.dim}
	default:
		t.Fatalf("the reference gives a %T", v)
		return outcome{}
	}
}

var truths = map[expr.Truth]string{expr.True: "true", expr.False: "false"}

func missing(p *expr.Program, r *rig.Rig) string {
	var names []string
	for _, id := range p.Missing(r) {
		names = append(names, rig.ByID(id).Path)
	}
	slices.Sort(names)
	return strings.Join(names, " ")
}

func condition(p *expr.Program, r *rig.Rig) outcome {
	return outcome{truths[p.Truth(r)], missing(p, r)}
}

func amount(p *expr.Program, r *rig.Rig) outcome {
	out := outcome{missing: missing(p, r)}
	if v, known := p.Value(r); known {
		x := new(big.Rat).SetFrac64(v.Num, v.Den)
		dim := v.Unit.Dimension()
		out.value = x.Mul(x, baseSize[dim]).RatString() + " " + dim.String()
	}
	return out
}

func path(id rig.ID) string { return rig.ByID(id).Path }

// The rigs: every fact absent or present at random, amounts crowded around the
// figures that law uses, one base unit either side of them, and at the largest
// that a rig may hold.
var (
	pool = map[quantity.Dimension][]string{
		quantity.Mass: {
			"0 kg", "50 kg", "200 kg", "700 kg", "749.999 kg", "750 kg", "750.00000000001 kg", "1000 kg", "1360 kg", "1360.7771 kg",
			"1360.77711 kg", "1360.77711000001 kg", "1500 kg", "1999.99999999999 kg", "2000 kg", "2000.001 kg", "2500 kg", "3000 kg",
			"3500 kg", "3500.001 kg", "4500 kg", "6000 kg", "100000 kg", "1000 lb", "1360 lb", "1360.001 lb", "1500 lb", "2999.999 lb", "3000 lb",
			"3000.001 lb", "3400 lb", "4500 lb", "10000 lb", "15000 lb", "0.75 t", "2 t", "3.5 t", "100 t",
		},
		quantity.Length: {
			"0 m", "999.999 mm", "1 m", "1.0 m", "2200 mm", "2200.000001 mm", "3 m", "3.000000001 m", "6 m", "7 m", "40 ft", "10 ft", "20 in", "1000 km",
		},
		quantity.Speed:        {"0 km/h", "20 mph", "30 mph", "30.0001 mph", "32.18688 km/h", "45 mph", "80 km/h", "90 km/h", "100 km/h", "100.001 km/h", "1000 km/h"},
		quantity.Voltage:      {"0 V", "6 V", "12 V", "24 V", "100 kV"},
		quantity.Duration:     {"0 s", "899.999 s", "15 min", "900 s", "1 h", "100000 h"},
		quantity.Grade:        {"0 %", "12 %", "18 %", "18.0000001 %", "1000 %"},
		quantity.Percentage:   {"0 %", "45 %", "50 %", "1000 %"},
		quantity.Charge:       {"0 Ah", "7 Ah", "5000 mAh", "25200 C", "100000 Ah"},
		quantity.Acceleration: {"0 m/s2", "2 m/s2", "5 m/s2", "0.5 g", "14 ft/s2", "1000 m/s2"},
	}
	days = []string{
		"1900-01-01", "1966-01-01", "1967-12-31", "1968-01-01", "1969-12-31", "1970-01-01", "1971-01-01", "1982-10-01", "1988-06-30", "1988-07-01",
		"1990-11-01", "1997-01-01", "2012-10-29", "2018-05-31", "2021-07-01", "2026-11-25", "2199-12-31",
	}
	texts = []string{"AU-NSW", "GB", "US-CA", "C1E", ""}
)

// put places a value in a rig document by the pointer of its field.
func put(tree map[string]any, f rig.Field, v any) {
	names := strings.Split(strings.TrimPrefix(f.Pointer, "/"), "/")
	for _, n := range names[:len(names)-1] {
		sub, ok := tree[n].(map[string]any)
		if !ok {
			sub = map[string]any{}
			tree[n] = sub
		}
		tree = sub
	}
	tree[names[len(names)-1]] = v
}

// makeRig builds a rig of the values given. Figures that contradict each other are
// left out, which keeps random documents acceptable.
func makeRig(t interface{ Fatalf(string, ...any) }, values map[rig.ID]any) *rig.Rig {
	for {
		tree := map[string]any{}
		for id, v := range values {
			put(tree, rig.ByID(id), v)
		}
		r, err := rig.FromTree(tree)
		if err == nil {
			return r
		}
		issues, ok := rig.AsIssues(err)
		before := len(values)
		for _, is := range issues {
			if is.Code != rig.CodeContradiction && is.Code != rig.CodeBadValue { // zero, where nothing can be
				t.Fatalf("bad document: %v", err)
			}
			maps.DeleteFunc(values, func(id rig.ID, _ any) bool {
				p := rig.ByID(id).Pointer
				return is.Pointer == p || strings.HasPrefix(is.Pointer, p+"/")
			})
		}
		if !ok || len(values) == before {
			t.Fatalf("bad document: %v", err)
		}
	}
}

func drawRig(t *rapid.T) *rig.Rig {
	values := map[rig.ID]any{}
	most := rapid.IntRange(0, 9).Draw(t, "filled")
	extreme := rapid.IntRange(0, 9).Draw(t, "extreme") == 0
	amountOf := func(d quantity.Dimension) string {
		if extreme {
			return largest[d]
		}
		return rapid.SampledFrom(pool[d]).Draw(t, "amount")
	}
	for _, f := range rig.Fields() {
		if f.Derived() || rapid.IntRange(0, 9).Draw(t, f.Path) > most {
			continue
		}
		switch f.Kind {
		case rig.KindQuantity:
			values[f.ID] = amountOf(f.Dim)
		case rig.KindBool:
			values[f.ID] = rapid.Bool().Draw(t, "flag")
		case rig.KindCount:
			values[f.ID] = rapid.SampledFrom([]int{0, 1, 2, 3, 100}).Draw(t, "count")
		case rig.KindWord:
			values[f.ID] = rapid.SampledFrom(f.Words).Draw(t, "word")
		case rig.KindText:
			values[f.ID] = rapid.SampledFrom(texts).Draw(t, "text")
		case rig.KindDate:
			values[f.ID] = rapid.SampledFrom(days).Draw(t, "day")
		case rig.KindWords:
			list := []any{}
			for _, w := range rapid.SliceOfN(rapid.SampledFrom(f.Words), 0, 3).Draw(t, "words") {
				list = append(list, w)
			}
			values[f.ID] = list
		case rig.KindCounts:
			values[f.ID] = []any{rapid.IntRange(1, 3).Draw(t, "position")}
		case rig.KindMasses:
			list := []any{}
			for range rapid.SampledFrom([]int{1, 2, 3, rig.MaxList}).Draw(t, "axles") {
				list = append(list, amountOf(f.Dim))
			}
			values[f.ID] = list
		}
	}
	return makeRig(t, values)
}

// largest is the largest entry of each dimension.
var largest = map[quantity.Dimension]string{
	quantity.Mass: "100000 kg", quantity.Length: "1000 km", quantity.Speed: "1000 km/h", quantity.Voltage: "100 kV", quantity.Duration: "100000 h",
	quantity.Grade: "1000 %", quantity.Percentage: "1000 %", quantity.Charge: "100000 Ah", quantity.Acceleration: "1000 m/s2",
}

// The expressions: a generator that follows the types of the profile.
var (
	lawAmounts = map[quantity.Dimension][]string{
		quantity.Mass: {
			"kg(0)", "kg(50)", "kg(750)", "kg(2000)", "kg(3500)", "kg(1360.77711)", "t(3.5)", "t(0.75)", "lb(1000)", "lb(1360)", "lb(3000)", "lb(3400)",
			"lb(4500)", "kg(0.00000000001)", "kg(100000)", "lb(0.001)",
		},
		quantity.Length:       {"m(1)", "mm(2200)", "m(3)", "ft(40)", "inch(20)", "m(0.000000001)"},
		quantity.Force:        {"kN(17.2)", "N(25000)", "kN(25)"},
		quantity.Speed:        {"kmh(100)", "mph(30)", "mph(20)", "kmh(32.18688)"},
		quantity.Voltage:      {"volts(12)", "volts(24)"},
		quantity.Duration:     {"s(900)", "minutes(15)", "s(0.5)"},
		quantity.Grade:        {"grade(12)", "grade(18)"},
		quantity.Percentage:   {"percent(45)", "percent(50)"},
		quantity.Charge:       {"Ah(7)", "Ah(5)"},
		quantity.Acceleration: {"ms2(5)", "ms2(4.903325)"},
	}
	factors = []string{
		"1.5", "0.4", "1.75", "2", "3", "0.5", "0.1", "1.25", "0.05", "0.45", "1.3", "0.333", "10", "0.000001", "0", "1", "90", "15.37", "0.0", "0x3",
	}
	dims = slices.Sorted(maps.Keys(lawAmounts))
)

var byKind = func() map[rig.Kind][]rig.Field {
	m := map[rig.Kind][]rig.Field{}
	for _, f := range rig.Fields() {
		m[f.Kind] = append(m[f.Kind], f)
	}
	return m
}()

// pick draws one of several ways to go on, the first ones being leaves; with no
// depth left only leaves are drawn.
func pick(t *rapid.T, depth, leaves, all int) int {
	if depth <= 0 {
		all = leaves
	}
	return rapid.IntRange(0, all-1).Draw(t, "form")
}

func fact(t *rapid.T, kind rig.Kind) string {
	return rapid.SampledFrom(byKind[kind]).Draw(t, "fact").Path
}

func genBool(t *rapid.T, depth int) string {
	compare := func() string {
		return rapid.SampledFrom([]string{"<", "<=", ">", ">=", "==", "!="}).Draw(t, "comparison")
	}
	same := func() string { return rapid.SampledFrom([]string{"==", "!="}).Draw(t, "equality") }
	switch pick(t, depth, 6, 15) {
	case 0:
		return fact(t, rig.KindBool)
	case 1:
		return rapid.SampledFrom([]string{"true", "false"}).Draw(t, "constant")
	case 2: // a closed list's word, either way round
		f := rapid.SampledFrom(byKind[rig.KindWord]).Draw(t, "fact")
		w := strconv.Quote(rapid.SampledFrom(f.Words).Draw(t, "word"))
		if rapid.Bool().Draw(t, "turned") {
			return fmt.Sprintf("(%s %s %s)", w, same(), f.Path)
		}
		return fmt.Sprintf("(%s %s %s)", f.Path, same(), w)
	case 3:
		f := rapid.SampledFrom(byKind[rig.KindWord]).Draw(t, "fact")
		var ws []string
		for _, w := range rapid.SliceOfN(rapid.SampledFrom(f.Words), 1, 3).Draw(t, "words") {
			ws = append(ws, strconv.Quote(w))
		}
		return fmt.Sprintf("(%s in [%s])", f.Path, strings.Join(ws, ", "))
	case 4:
		f := rapid.SampledFrom(byKind[rig.KindWords]).Draw(t, "fact")
		return fmt.Sprintf("(%q in %s)", rapid.SampledFrom(f.Words).Draw(t, "word"), f.Path)
	case 5: // free text with free text or with a constant
		if rapid.Bool().Draw(t, "both facts") {
			return fmt.Sprintf("(%s %s %s)", fact(t, rig.KindText), same(), fact(t, rig.KindText))
		}
		return fmt.Sprintf("(%s %s %q)", fact(t, rig.KindText), same(), rapid.SampledFrom(texts).Draw(t, "text"))
	case 6, 7:
		return fmt.Sprintf("(%s && %s)", genBool(t, depth-1), genBool(t, depth-1))
	case 8, 9:
		return fmt.Sprintf("(%s || %s)", genBool(t, depth-1), genBool(t, depth-1))
	case 10:
		return "!" + genBool(t, depth-1)
	case 11:
		return fmt.Sprintf("(%s ? %s : %s)", genBool(t, depth-1), genBool(t, depth-1), genBool(t, depth-1))
	case 12:
		return fmt.Sprintf("(%s %s %s)", genBool(t, depth-1), same(), genBool(t, depth-1))
	case 13:
		if rapid.Bool().Draw(t, "day") {
			return fmt.Sprintf("(%s %s %s)", genDay(t, depth-1), compare(), genDay(t, depth-1))
		}
		// Equality of a whole number and a decimal does not compile.
		if rapid.Bool().Draw(t, "decimal") {
			op := rapid.SampledFrom([]string{"<", "<=", ">", ">="}).Draw(t, "order")
			return fmt.Sprintf("(%s %s %s)", genCount(t, depth-1), op, rapid.SampledFrom([]string{"0.5", "1.5", "2.0"}).Draw(t, "decimal"))
		}
		return fmt.Sprintf("(%s %s %s)", genCount(t, depth-1), compare(), genCount(t, depth-1))
	default:
		d := quantity.Mass // most law is about masses
		if rapid.IntRange(0, 3).Draw(t, "other dimension") == 0 {
			d = rapid.SampledFrom(dims).Draw(t, "dimension")
		}
		return fmt.Sprintf("(%s %s %s)", genAmount(t, d, depth-1), compare(), genAmount(t, d, depth-1))
	}
}

func genDay(t *rapid.T, depth int) string {
	switch pick(t, depth, 2, 3) {
	case 0:
		return fact(t, rig.KindDate)
	case 1:
		return fmt.Sprintf("date(%q)", rapid.SampledFrom(days).Draw(t, "day"))
	default:
		return fmt.Sprintf("(%s ? %s : %s)", genBool(t, depth-1), genDay(t, depth-1), genDay(t, depth-1))
	}
}

func genCount(t *rapid.T, depth int) string {
	switch pick(t, depth, 2, 6) {
	case 0:
		return fact(t, rig.KindCount)
	case 1:
		return rapid.SampledFrom([]string{"0", "1", "2", "3", "100"}).Draw(t, "count")
	case 2:
		return fmt.Sprintf("(%s %s %s)", genCount(t, depth-1), rapid.SampledFrom([]string{"+", "-"}).Draw(t, "sign"), genCount(t, depth-1))
	case 3:
		return fmt.Sprintf("(%d * %s)", rapid.IntRange(0, 5).Draw(t, "factor"), genCount(t, depth-1))
	case 4:
		return fmt.Sprintf("%s(%s, %s)", rapid.SampledFrom([]string{"min", "max"}).Draw(t, "end"), genCount(t, depth-1), genCount(t, depth-1))
	default:
		return fmt.Sprintf("(%s ? %s : %s)", genBool(t, depth-1), genCount(t, depth-1), genCount(t, depth-1))
	}
}

func genAmount(t *rapid.T, d quantity.Dimension, depth int) string {
	switch pick(t, depth, 3, 9) {
	case 0, 1:
		var fs []string
		for _, f := range byKind[rig.KindQuantity] {
			if f.Dim == d {
				fs = append(fs, f.Path)
			}
		}
		if fs != nil {
			return rapid.SampledFrom(fs).Draw(t, "fact")
		}
		fallthrough
	case 2:
		return rapid.SampledFrom(lawAmounts[d]).Draw(t, "amount")
	case 3:
		return fmt.Sprintf("(%s %s %s)", genAmount(t, d, depth-1), rapid.SampledFrom([]string{"+", "-"}).Draw(t, "sign"), genAmount(t, d, depth-1))
	case 4:
		return fmt.Sprintf("%s(%s, %s)", rapid.SampledFrom([]string{"min", "max"}).Draw(t, "end"), genAmount(t, d, depth-1), genAmount(t, d, depth-1))
	case 5:
		return fmt.Sprintf("(%s ? %s : %s)", genBool(t, depth-1), genAmount(t, d, depth-1), genAmount(t, d, depth-1))
	case 6:
		return fmt.Sprintf("(%s * %s)", genAmount(t, d, depth-1), rapid.SampledFrom(factors).Draw(t, "factor"))
	default:
		return fmt.Sprintf("(%s * %s)", rapid.SampledFrom(factors).Draw(t, "factor"), genAmount(t, d, depth-1))
	}
}

// limitsOnly reports whether a refusal is for size: a random expression of the
// profile may be too long, too deep or too large to hold, and nothing else.
func limitsOnly(err error) bool {
	for _, s := range []string{"could exceed what is held exactly", "parts", "longer than", "recursion limit"} {
		if strings.Contains(err.Error(), s) {
			return true
		}
	}
	return false
}

// same holds one program against the reference on one rig.
func same(t *rapid.T, p *expr.Program, ref reference, r *rig.Rig, eval func(*expr.Program, *rig.Rig) outcome) outcome {
	got, want := eval(p, r), ref.eval(t, facts(r, nil))
	if got != want {
		t.Fatalf("%s\n got %+v\nwant %+v", p.Text(), got, want)
	}
	if err := p.CheckBounds(r); err != nil {
		t.Fatal(err)
	}
	return got
}

// explained checks that the reasons given for an outcome are enough for it: the
// reference comes to the same with every other fact unknown.
func explained(t *rapid.T, p *expr.Program, ref reference, r *rig.Rig, got outcome) {
	reasons := p.Explain(r, path)
	if got.value == "" {
		if reasons != nil {
			t.Fatalf("%s: reasons for an unknown: %v", p.Text(), reasons)
		}
		return
	}
	var named []rig.ID
	for _, reason := range reasons {
		named = append(named, reason.Facts...)
		if strings.Contains(reason.Text, "…") || reason.Text == "" {
			t.Fatalf("%s: a reason says nothing: %q", p.Text(), reason.Text)
		}
	}
	alone := ref.eval(t, facts(r, func(id rig.ID) bool { return slices.Contains(named, id) }))
	if alone != got {
		t.Fatalf("%s is %s, but %v alone give %+v", p.Text(), got.value, reasons, alone)
	}
}

// TestReferenceConditions holds random conditions equal to cel-go on random rigs:
// same truth, and the same facts waited for where the truth is unknown.
func TestReferenceConditions(t *testing.T) {
	seen := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		text := genBool(t, rapid.IntRange(1, 5).Draw(t, "depth"))
		p, err := expr.CompileCondition(text)
		if err != nil {
			if !limitsOnly(err) {
				t.Fatalf("%s: %v", text, err)
			}
			seen["refused"]++
			return
		}
		ref := newReference(t, text)
		for range 5 {
			r := drawRig(t)
			got := same(t, p, ref, r, condition)
			explained(t, p, ref, r, got)
			seen["truth "+got.value]++
			if got.value == "" != (got.missing != "") {
				t.Fatalf("%s: %+v", text, got)
			}
		}
	})
	t.Log(seen)
	for _, v := range []string{"truth true", "truth false", "truth "} {
		if seen[v] < 50 && !testing.Short() { // a short run draws too little to tell
			t.Errorf("%q came up %d times: the test says little", v, seen[v])
		}
	}
}

// TestReferenceAmounts does the same for amounts, which must be equal exactly.
func TestReferenceAmounts(t *testing.T) {
	seen := map[bool]int{}
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom(dims).Draw(t, "dimension")
		if rapid.Bool().Draw(t, "mass") {
			d = quantity.Mass
		}
		text := genAmount(t, d, rapid.IntRange(1, 4).Draw(t, "depth"))
		p, err := expr.CompileAmount(text, d)
		if err != nil {
			if !limitsOnly(err) {
				t.Fatalf("%s: %v", text, err)
			}
			return
		}
		ref := newReference(t, text)
		for range 5 {
			got := same(t, p, ref, drawRig(t), amount)
			seen[got.value != ""]++
		}
	})
	t.Log(seen)
	if (seen[true] < 50 || seen[false] < 50) && !testing.Short() {
		t.Errorf("known and unknown came up %v: the test says little", seen)
	}
}

type lawExpr struct {
	where   string
	program *expr.Program
	ref     reference
	eval    func(*expr.Program, *rig.Rig) outcome
}

// lawExprs are all conditions and amounts of the shipped rulesets.
func lawExprs(t testing.TB) []lawExpr {
	files, err := library.Files()
	if err != nil {
		t.Fatal(err)
	}
	var out []lawExpr
	for _, f := range files {
		rs, err := law.Parse(f.Data)
		if err != nil {
			t.Fatalf("%s: %v", f.Path, err)
		}
		for _, rule := range rs.Rules {
			where := f.Path + ": " + rule.ID
			if rule.When != nil {
				text := defined.ReplaceAllStringFunc(rule.When.Text(), func(name string) string {
					return "(" + rs.Define[strings.TrimPrefix(name, "named.")].Text + ")"
				})
				out = append(out, lawExpr{where, rule.When, newReference(t, text), condition})
			}
			for i := range rule.Duties {
				for _, p := range rule.Duties[i].Programs() {
					out = append(out, lawExpr{where, p, newReference(t, p.Text()), amount})
				}
			}
		}
	}
	return out
}

// TestReferenceLibrary holds every expression of the shipped law equal to cel-go.
func TestReferenceLibrary(t *testing.T) {
	all := lawExprs(t)
	seen := make([]map[string]int, len(all))
	for i := range seen {
		seen[i] = map[string]int{}
	}
	rapid.Check(t, func(t *rapid.T) {
		r := drawRig(t)
		vars := facts(r, nil)
		for i, e := range all {
			got, want := e.eval(e.program, r), e.ref.eval(t, vars)
			if got != want {
				t.Fatalf("%s: %s\n got %+v\nwant %+v", e.where, e.program.Text(), got, want)
			}
			if err := e.program.CheckBounds(r); err != nil {
				t.Fatalf("%s: %v", e.where, err)
			}
			seen[i][got.value]++
		}
	})
	varied := 0
	for i := range all {
		if len(seen[i]) >= 3 { // unknown and two values at least
			varied++
		}
	}
	t.Logf("%d expressions of law, of which %d came out unknown and in two values or more", len(all), varied)
	if len(all) < 100 || varied < len(all)/2 && !testing.Short() { // few rigs are drawn then
		t.Error("the rigs do not reach both sides of most of the law")
	}
}
