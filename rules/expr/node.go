package expr

import (
	"slices"

	"cel.dev/cel-go/common/operators"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

type kind uint8

const (
	kindBool kind = iota + 1
	kindNumber
	kindQuantity
	kindDay
	kindWord
	kindWords
)

type op uint8

const (
	opConst op = iota + 1
	opFact
	opAnd
	opOr
	opNot
	opEq
	opNe
	opLt
	opLe
	opGt
	opGe
	opAdd
	opSub
	opMin
	opMax
	opMul
	opIf
	opInList // fact in [words]
	opInSet  // word in list fact
	opNamed  // a condition defined once, by its name
)

var (
	logic      = map[string]op{operators.LogicalAnd: opAnd, operators.LogicalOr: opOr, operators.LogicalNot: opNot}
	comparison = map[string]op{
		operators.Equals: opEq, operators.NotEquals: opNe,
		operators.Less: opLt, operators.LessEquals: opLe, operators.Greater: opGt, operators.GreaterEquals: opGe,
	}
	arithmetic = map[string]op{
		operators.Add: opAdd, operators.Subtract: opSub, fnMin: opMin, fnMax: opMax,
		operators.Multiply: opMul, operators.Conditional: opIf,
	}
)

// node is one operation. A numeric node stands for value/den base units, where
// den is fixed when compiling: only constants bring fractions.
type node struct {
	op           op
	kind         kind
	kids         []*node
	fact         rig.ID
	num, den     int64 // opConst: num/den; others: den of the result
	fa, fb       int64 // factors that bring the two sides to one denominator
	factor       quantity.Ratio
	bound        uint64 // largest |value| that any accepted rig can give
	dim          quantity.Dimension
	unit         quantity.Unit // the unit in which the law writes, if it does
	word         string
	words        []string
	facts        []rig.ID // of a kindBool node: what is read below it, in the order of the text
	said         string   // of a constant
	line, column int
}

// Truth is a three-valued truth.
type Truth uint8

// The three values. The zero Truth is Unknown.
const (
	Unknown Truth = iota
	False
	True
)

func truth(b bool) Truth {
	if b {
		return True
	}
	return False
}

// And is false if either is false, else unknown if either is unknown.
func (t Truth) And(u Truth) Truth {
	switch {
	case t == False || u == False:
		return False
	case t == Unknown || u == Unknown:
		return Unknown
	default:
		return True
	}
}

// Or is true if either is true, else unknown if either is unknown.
func (t Truth) Or(u Truth) Truth { return t.Not().And(u.Not()).Not() }

// Not swaps true and false.
func (t Truth) Not() Truth {
	switch t {
	case True:
		return False
	case False:
		return True
	default:
		return Unknown
	}
}

// truth evaluates a kindBool node.
func (n *node) truth(r *rig.Rig) Truth {
	switch n.op {
	case opConst:
		return truth(n.num != 0)
	case opFact:
		v := r.Get(n.fact)
		if !v.Known {
			return Unknown
		}
		return truth(v.Num != 0)
	case opAnd:
		if a := n.kids[0].truth(r); a != False {
			return a.And(n.kids[1].truth(r))
		}
		return False
	case opOr:
		if a := n.kids[0].truth(r); a != True {
			return a.Or(n.kids[1].truth(r))
		}
		return True
	case opNot:
		return n.kids[0].truth(r).Not()
	case opNamed:
		return n.kids[0].truth(r)
	case opIf:
		switch n.kids[0].truth(r) {
		case True:
			return n.kids[1].truth(r)
		case False:
			return n.kids[2].truth(r)
		}
		return Unknown
	case opInList:
		v := r.Get(n.kids[0].fact)
		if !v.Known {
			return Unknown
		}
		return truth(slices.Contains(n.words, v.Word))
	case opInSet:
		set, known := r.Set(n.kids[0].fact)
		if !known {
			return Unknown
		}
		return truth(slices.Contains(set, n.word))
	}
	return n.compare(r)
}

func (n *node) compare(r *rig.Rig) Truth {
	a, b := n.kids[0], n.kids[1]
	switch a.kind {
	case kindBool:
		x, y := a.truth(r), b.truth(r)
		if x == Unknown || y == Unknown {
			return Unknown
		}
		return truth((x == y) == (n.op == opEq))
	case kindWord:
		x, okx := a.text(r)
		y, oky := b.text(r)
		if !okx || !oky {
			return Unknown
		}
		return truth((x == y) == (n.op == opEq))
	}
	x, okx := a.value(r)
	y, oky := b.value(r)
	if !okx || !oky {
		return Unknown
	}
	x, y = x*n.fa, y*n.fb
	switch n.op {
	case opEq:
		return truth(x == y)
	case opNe:
		return truth(x != y)
	case opLt:
		return truth(x < y)
	case opLe:
		return truth(x <= y)
	case opGt:
		return truth(x > y)
	default:
		return truth(x >= y)
	}
}

func (n *node) text(r *rig.Rig) (string, bool) {
	if n.op == opConst {
		return n.word, true
	}
	v := r.Get(n.fact)
	return v.Word, v.Known
}

// value evaluates a numeric node to a numerator over n.den.
func (n *node) value(r *rig.Rig) (int64, bool) {
	switch n.op {
	case opConst:
		return n.num, true
	case opFact:
		v := r.Get(n.fact)
		return v.Num, v.Known
	case opMul:
		x, ok := n.kids[0].value(r)
		return x * n.fa, ok
	case opIf:
		switch n.kids[0].truth(r) {
		case True:
			x, ok := n.kids[1].value(r)
			return x * n.fa, ok
		case False:
			x, ok := n.kids[2].value(r)
			return x * n.fb, ok
		}
		return 0, false
	}
	x, okx := n.kids[0].value(r)
	y, oky := n.kids[1].value(r)
	if !okx || !oky {
		return 0, false
	}
	x, y = x*n.fa, y*n.fb
	switch n.op {
	case opAdd:
		return x + y, true
	case opSub:
		return x - y, true
	case opMin:
		return min(x, y), true
	default:
		return max(x, y), true
	}
}
