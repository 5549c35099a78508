package expr

import (
	"fmt"
	"slices"
	"strings"

	"drawgear/rules/rig"
)

// AtomKind is the form of an elementary test within a condition.
type AtomKind uint8

// The forms of elementary test.
const (
	AtomThreshold AtomKind = iota + 1 // a fact against a constant: mass, day, count
	AtomRelation                      // two computed sides against each other
	AtomFlag                          // a true-or-false fact
	AtomWord                          // a word fact among some words
	AtomMember                        // a word within a list fact
)

// Atom is an elementary test of a condition, which the rest of it joins with
// and, or and not. Two atoms with one Key turn on the same thing.
type Atom struct {
	Kind     AtomKind
	Key      string   // what is tested: a fact, a member, or the two sides
	Fact     rig.ID   // -1 for relations and for conditions defined by name
	Words    []string // AtomWord: those that make it true (false if Negated)
	Negated  bool
	Constant Value // AtomThreshold
	op       op    // how the fact, or the first side, must lie to the other
}

// Holds reports whether the atom is true when what it tests lies below (-1), at
// (0) or above (1) the other side; for thresholds and relations.
func (a Atom) Holds(order int) bool {
	switch a.op {
	case opEq:
		return order == 0
	case opNe:
		return order != 0
	case opLt:
		return order < 0
	case opLe:
		return order <= 0
	case opGt:
		return order > 0
	default:
		return order >= 0
	}
}

// plainTerm names facts by their paths, so that keys do not depend on a place.
func plainTerm(id rig.ID) string { return rig.ByID(id).Path }

// atom makes the Atom of a leaf of the logic; ok is false for nodes that join.
// named makes one of each condition defined by name, without looking into it.
func (n *node) atom(named bool) (a Atom, ok bool) {
	switch n.op {
	case opNamed:
		return Atom{Kind: AtomFlag, Key: namePrefix + n.word, Fact: -1}, named
	case opFact:
		return Atom{Kind: AtomFlag, Key: plainTerm(n.fact), Fact: n.fact}, true
	case opInList:
		id := n.kids[0].fact
		return Atom{Kind: AtomWord, Key: plainTerm(id), Fact: id, Words: n.words}, true
	case opInSet:
		id := n.kids[0].fact
		return Atom{Kind: AtomMember, Key: n.word + " in " + plainTerm(id), Fact: id, Words: []string{n.word}}, true
	}
	if opText[n.op] == "" {
		return Atom{}, false
	}
	x, y, o := n.kids[0], n.kids[1], n.op
	switch x.kind {
	case kindBool:
		return Atom{}, false // joined: equal truths
	case kindWord:
		if y.op == opConst {
			return Atom{Kind: AtomWord, Key: plainTerm(x.fact), Fact: x.fact, Words: []string{y.word}, Negated: o == opNe}, true
		}
	}
	if x.op == opConst {
		x, y, o = y, x, mirrored[o]
	}
	if x.op == opFact && y.op == opConst {
		return Atom{Kind: AtomThreshold, Key: plainTerm(x.fact), Fact: x.fact, Constant: Value{y.num, y.den, y.unit}, op: o}, true
	}
	if u, v, cut, ok := ratio(x, y); ok {
		if v.op == opFact && plainTerm(u.fact) > plainTerm(v.fact) {
			u, v, o = v, u, mirrored[o]
			cut.Num, cut.Den = cut.Den, cut.Num
		}
		return Atom{Kind: AtomThreshold, Key: plainTerm(u.fact) + " / " + plainTerm(v.fact), Fact: -1, Constant: cut, op: o}, true
	}
	// One relation written either way round is one thing to turn on.
	left, right := x.formula(plainTerm), y.formula(plainTerm)
	if left > right {
		left, right, o = right, left, mirrored[o]
	}
	return Atom{Kind: AtomRelation, Fact: -1, Key: left + " : " + right, op: o}, true
}

// ratio reads a comparison of two facts, each with a factor, as one of their
// quotient with a number: 2 x a <= b is a / b <= 0.5. Masses are never negative.
func ratio(x, y *node) (u, v *node, cut Value, ok bool) {
	factor := func(n *node) (*node, int64, int64, bool) {
		if n.op == opMul && n.kids[0].op == opFact && n.fa > 0 {
			return n.kids[0], n.fa, n.den, true
		}
		return n, 1, 1, n.op == opFact
	}
	u, un, ud, okx := factor(x)
	v, vn, vd, oky := factor(y)
	if !okx || !oky || u.kind != kindQuantity || u.fact == v.fact {
		return nil, nil, Value{}, false
	}
	// un/ud u : vn/vd v, so u/v : (vn ud)/(vd un); both are small by compile's bound.
	return u, v, Value{Num: vn * ud, Den: vd * un}, true
}

// Skeleton takes a condition apart: its elementary tests in the order of its
// text, and a function that gives its truth from theirs. With named, conditions
// defined by name count as one test each. The function may be called from
// several goroutines.
func (p *Program) Skeleton(named bool) (atoms []Atom, truth func(holds []bool) bool) {
	at := map[*node]int{}
	var visit func(n *node)
	visit = func(n *node) {
		if n.kind == kindBool {
			if _, seen := at[n]; seen {
				return
			}
			if a, ok := n.atom(named); ok {
				at[n] = len(atoms)
				atoms = append(atoms, a)
				return
			}
		}
		for _, k := range n.kids {
			visit(k)
		}
	}
	visit(p.root)
	return atoms, func(holds []bool) bool { return p.root.join(at, holds) }
}

// join evaluates the logic above the elementary tests.
func (n *node) join(at map[*node]int, holds []bool) bool {
	if i, ok := at[n]; ok {
		return holds[i]
	}
	switch n.op {
	case opConst:
		return n.num != 0
	case opNamed:
		return n.kids[0].join(at, holds)
	case opAnd:
		return n.kids[0].join(at, holds) && n.kids[1].join(at, holds)
	case opOr:
		return n.kids[0].join(at, holds) || n.kids[1].join(at, holds)
	case opNot:
		return !n.kids[0].join(at, holds)
	case opEq:
		return n.kids[0].join(at, holds) == n.kids[1].join(at, holds)
	case opNe:
		return n.kids[0].join(at, holds) != n.kids[1].join(at, holds)
	case opIf:
		if n.kids[0].join(at, holds) {
			return n.kids[1].join(at, holds)
		}
		return n.kids[2].join(at, holds)
	default:
		panic(fmt.Sprintf("expr: no truth of %d", n.op)) // compile lets no other form be a condition
	}
}

// HoldsFor reports whether a word atom is true of the word.
func (a Atom) HoldsFor(word string) bool { return slices.Contains(a.Words, word) != a.Negated }

// String prints the atom for people.
func (a Atom) String() string {
	switch a.Kind {
	case AtomThreshold, AtomRelation:
		return strings.Replace(a.Key, " : ", " "+opText[a.op]+" ", 1)
	default:
		return a.Key
	}
}
