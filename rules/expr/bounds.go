package expr

import (
	"math/big"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Linear is the amount A·x + B in base units, as a figure x moves.
type Linear struct{ A, B *big.Rat }

// At is the amount at x.
func (l Linear) At(x *big.Rat) *big.Rat {
	y := new(big.Rat).Mul(l.A, x)
	return y.Add(y, l.B)
}

func (l Linear) same(m Linear) bool { return l.A.Cmp(m.A) == 0 && l.B.Cmp(m.B) == 0 }

// Fixed is an amount that does not move.
func Fixed(v Value) Linear { return Linear{new(big.Rat), big.NewRat(v.Num, v.Den)} }

// Line says how facts move with x. What is not on it stands still.
type Line map[rig.ID]Linear

// Break is a place on a line at which a comparison can come out differently.
type Break struct {
	At   *big.Rat
	Unit quantity.Unit // in which the law writes the limit; 0 if it writes none
}

// maxForms bounds the linear forms between which an amount may switch. A sum of
// many least and greatest of amounts could have more.
const maxForms = 64

// Forms lists the linear forms of which the amount takes one or another along
// the line: several where it is the least or greatest of amounts or depends on a
// condition. A form that it never takes may be among them. ok is false if there
// are too many to list.
func (p *Program) Forms(r *rig.Rig, line Line) (forms []Linear, ok bool) {
	return p.root.forms(r, line)
}

// Breaks lists where along the line the comparisons in the expression can
// change: between two neighbours each of them has one outcome. A break at which
// nothing changes may be among them. ok is false if there are too many to list.
func (p *Program) Breaks(r *rig.Rig, line Line) (breaks []Break, ok bool) {
	ok = true
	p.root.walk(func(n *node) {
		if !ok || opText[n.op] == "" || n.kids[0].kind != kindQuantity || !n.moves(line) {
			return
		}
		var x, y []Linear
		if x, ok = n.kids[0].forms(r, line); !ok {
			return
		}
		if y, ok = n.kids[1].forms(r, line); !ok {
			return
		}
		unit := n.kids[0].unit
		if n.kids[1].unit != 0 {
			unit = n.kids[1].unit
		}
		breaks = append(breaks, Crossings(x, y, unit)...)
	})
	return breaks, ok
}

// Moves reports whether the expression reads a fact on the line.
func (p *Program) Moves(line Line) bool { return p.root.moves(line) }

// LawUnit is the unit in which the text writes an amount; 0 if it names none.
func (p *Program) LawUnit() quantity.Unit { return p.root.unit }

// Crossings lists where one of the first forms meets one of the second.
func Crossings(xs, ys []Linear, unit quantity.Unit) []Break {
	var out []Break
	for _, x := range xs {
		for _, y := range ys {
			slope := new(big.Rat).Sub(x.A, y.A)
			if slope.Sign() == 0 {
				continue
			}
			at := new(big.Rat).Sub(y.B, x.B)
			out = append(out, Break{at.Quo(at, slope), unit})
		}
	}
	return out
}

func (n *node) moves(line Line) bool {
	if n.op == opFact {
		_, on := line[n.fact]
		return on
	}
	for _, k := range n.kids {
		if k.moves(line) {
			return true
		}
	}
	return false
}

// forms of a numeric node; none if it is unknown all along the line.
func (n *node) forms(r *rig.Rig, line Line) ([]Linear, bool) {
	switch n.op {
	case opConst:
		return []Linear{Fixed(Value{Num: n.num, Den: n.den})}, true
	case opFact:
		if l, on := line[n.fact]; on {
			return []Linear{l}, true
		}
		if v := r.Get(n.fact); v.Known {
			return []Linear{Fixed(Value{Num: v.Num, Den: 1})}, true
		}
		return nil, true
	case opMul:
		forms, ok := n.kids[0].forms(r, line)
		k := big.NewRat(n.factor.Num, n.factor.Den)
		out := make([]Linear, len(forms))
		for i, f := range forms {
			out[i] = Linear{new(big.Rat).Mul(f.A, k), new(big.Rat).Mul(f.B, k)}
		}
		return out, ok
	}
	a, b := n.kids[0], n.kids[1]
	if n.op == opIf {
		a, b = n.kids[1], n.kids[2]
	}
	x, okx := a.forms(r, line)
	y, oky := b.forms(r, line)
	if !okx || !oky {
		return nil, false
	}
	var out []Linear
	switch n.op {
	case opAdd, opSub:
		for _, f := range x {
			for _, g := range y {
				if n.op == opAdd {
					out = addForm(out, Linear{new(big.Rat).Add(f.A, g.A), new(big.Rat).Add(f.B, g.B)})
				} else {
					out = addForm(out, Linear{new(big.Rat).Sub(f.A, g.A), new(big.Rat).Sub(f.B, g.B)})
				}
				if len(out) > maxForms {
					return nil, false
				}
			}
		}
	default: // least, greatest, one or the other
		for _, f := range append(x, y...) {
			out = addForm(out, f)
		}
	}
	return out, len(out) <= maxForms
}

func addForm(forms []Linear, f Linear) []Linear {
	for _, g := range forms {
		if f.same(g) {
			return forms
		}
	}
	return append(forms, f)
}
