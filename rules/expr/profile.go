// Package expr is the expression language of rulesets: a small closed profile
// of CEL over the facts of a rig. cel-go parses and type-checks; the checked
// tree is lowered to nodes of our own that compute in exact integers with three
// values and without allocation, and that can be listed, explained and searched
// for their boundaries. Outside the profile nothing compiles.
package expr

import (
	"fmt"
	"maps"
	"slices"
	"sync"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/operators"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Limits of one expression.
const (
	MaxLength = 1000 // bytes of text
	maxNodes  = 200  // nodes after lowering
)

// amounts are the functions that make a quantity of law: name, unit.
var amounts = []struct {
	name string
	dim  quantity.Dimension
	unit string
}{
	{"kg", quantity.Mass, "kg"},
	{"lb", quantity.Mass, "lb"},
	{"t", quantity.Mass, "t"},
	{"m", quantity.Length, "m"},
	{"mm", quantity.Length, "mm"},
	{"ft", quantity.Length, "ft"},
	{"inch", quantity.Length, "in"},
	{"kN", quantity.Force, "kN"},
	{"N", quantity.Force, "N"},
	{"kmh", quantity.Speed, "km/h"},
	{"mph", quantity.Speed, "mph"},
	{"s", quantity.Duration, "s"},
	{"minutes", quantity.Duration, "min"},
	{"ms2", quantity.Acceleration, "m/s2"},
	{"grade", quantity.Grade, "%"},
	{"percent", quantity.Percentage, "%"},
	{"volts", quantity.Voltage, "V"},
	{"Ah", quantity.Charge, "Ah"},
}

// Amount is a constant of law such as kg(750): the function's name and its unit.
type amount struct {
	unit quantity.Unit
}

var amountUnits = func() map[string]amount {
	m := map[string]amount{}
	for _, a := range amounts {
		u, ok := quantity.LookupUnit(a.unit, a.dim)
		if !ok {
			panic("expr: no unit " + a.unit)
		}
		m[a.name] = amount{u}
	}
	return m
}()

// celType is the checker's type for a dimension: opaque, so that a mass can
// never meet a length.
func celType(d quantity.Dimension) *cel.Type { return cel.OpaqueType(d.String()) }

var dayType = cel.OpaqueType("day")

// overload is one typed form of a function or operator of the profile. The
// reference evaluator of the tests binds each; the checker needs only types.
type overload struct {
	fn, id string
	args   []*cel.Type
	result *cel.Type
}

const (
	fnMin  = "min"
	fnMax  = "max"
	fnDate = "date"
)

var comparisons = []string{operators.Less, operators.LessEquals, operators.Greater, operators.GreaterEquals}

// overloads lists the whole language.
func overloads() []overload {
	var out []overload
	add := func(fn string, result *cel.Type, args ...*cel.Type) {
		id := fn
		for _, a := range args {
			id += "_" + a.String()
		}
		out = append(out, overload{fn, id, args, result})
	}
	numbers := []*cel.Type{cel.IntType, cel.DoubleType}
	for _, d := range quantity.Dimensions() {
		t := celType(d)
		for _, op := range comparisons {
			add(op, cel.BoolType, t, t)
		}
		for _, fn := range []string{operators.Add, operators.Subtract, fnMin, fnMax} {
			add(fn, t, t, t)
		}
		for _, n := range numbers {
			add(operators.Multiply, t, n, t)
			add(operators.Multiply, t, t, n)
		}
	}
	for _, x := range numbers {
		for _, y := range numbers {
			for _, op := range comparisons {
				add(op, cel.BoolType, x, y)
			}
		}
	}
	for _, fn := range []string{operators.Add, operators.Subtract, operators.Multiply, fnMin, fnMax} {
		add(fn, cel.IntType, cel.IntType, cel.IntType)
	}
	for _, op := range comparisons {
		add(op, cel.BoolType, dayType, dayType)
	}
	for _, a := range amounts {
		for _, n := range numbers {
			add(a.name, celType(a.dim), n)
		}
	}
	add(fnDate, dayType, cel.StringType)
	add(operators.In, cel.BoolType, cel.StringType, cel.ListType(cel.StringType))
	add(operators.LogicalAnd, cel.BoolType, cel.BoolType, cel.BoolType)
	add(operators.LogicalOr, cel.BoolType, cel.BoolType, cel.BoolType)
	add(operators.LogicalNot, cel.BoolType, cel.BoolType)
	same := cel.TypeParamType("A")
	add(operators.Equals, cel.BoolType, same, same)
	add(operators.NotEquals, cel.BoolType, same, same)
	add(operators.Conditional, same, cel.BoolType, same, same)
	return out
}

// factType is the checker's type of a fact.
func factType(f rig.Field) (*cel.Type, bool) {
	switch f.Kind {
	case rig.KindQuantity:
		return celType(f.Dim), true
	case rig.KindBool:
		return cel.BoolType, true
	case rig.KindCount:
		return cel.IntType, true
	case rig.KindWord, rig.KindText:
		return cel.StringType, true
	case rig.KindDate:
		return dayType, true
	case rig.KindWords:
		return cel.ListType(cel.StringType), true
	default: // lists of masses are read through their derived sums
		return nil, false
	}
}

// newEnv builds a CEL environment of the profile. bind attaches an
// implementation to an overload, for the reference evaluator; nil for none.
func newEnv(bind func(overload) cel.OverloadOpt) (*cel.Env, error) {
	opts := []cel.EnvOption{cel.ClearMacros(), cel.ParserExpressionSizeLimit(MaxLength), cel.ParserRecursionLimit(32)}
	for _, f := range rig.Fields() {
		if t, ok := factType(f); ok {
			opts = append(opts, cel.Variable(f.Path, t))
		}
	}
	byName := map[string][]cel.FunctionOpt{}
	var order []string
	for _, o := range overloads() {
		if byName[o.fn] == nil {
			order = append(order, o.fn)
		}
		var with []cel.OverloadOpt
		if bind != nil {
			if b := bind(o); b != nil {
				with = append(with, b)
			}
		}
		byName[o.fn] = append(byName[o.fn], cel.Overload(o.id, o.args, o.result, with...))
	}
	for _, name := range order {
		opts = append(opts, cel.Function(name, byName[name]...))
	}
	return cel.NewCustomEnv(opts...)
}

// declare gives the checker the defined conditions, in a fixed order.
func declare(names Names) []cel.EnvOption {
	var opts []cel.EnvOption
	for _, name := range slices.Sorted(maps.Keys(names)) {
		opts = append(opts, cel.Variable(namePrefix+name, cel.BoolType))
	}
	return opts
}

// env is built once: it depends on nothing but the tables above.
var env = sync.OnceValues(func() (*cel.Env, error) {
	e, err := newEnv(nil)
	if err != nil {
		return nil, fmt.Errorf("build the expression environment: %w", err)
	}
	return e, nil
})
