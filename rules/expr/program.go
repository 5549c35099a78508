package expr

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"slices"
	"strings"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Text returns the expression as written, without surrounding space.
func (p *Program) Text() string { return p.text }

// Truth evaluates a condition.
func (p *Program) Truth(r *rig.Rig) Truth { return p.root.truth(r) }

// Value evaluates an amount: numerator over denominator, in base units.
func (p *Program) Value(r *rig.Rig) (v Value, known bool) {
	num, known := p.root.value(r)
	return Value{num, p.root.den, p.unit()}, known
}

// Unit is the unit in which the law writes the amount.
func (p *Program) unit() quantity.Unit {
	if p.root.unit != 0 || p.root.kind != kindQuantity {
		return p.root.unit
	}
	return p.root.dim.BaseUnit()
}

// Constant reports whether the expression reads no fact.
func (p *Program) Constant() bool { return len(p.Facts()) == 0 }

// Value is an exact amount: num/den base units, shown in unit.
type Value struct {
	Num, Den int64
	Unit     quantity.Unit
}

// Of makes the Value of a quantity.
func Of(q quantity.Quantity) Value { return Value{q.Base(), 1, q.Unit()} }

// Cmp compares two amounts of one dimension exactly, by cross-multiplying.
func (v Value) Cmp(w Value) int {
	if v.Den == w.Den {
		return cmp.Compare(v.Num, w.Num)
	}
	hi, lo := wide(v.Num, w.Den)
	hi2, lo2 := wide(w.Num, v.Den)
	return cmp.Or(cmp.Compare(hi, hi2), cmp.Compare(lo, lo2))
}

// wide multiplies into 128 bits, which hold every product.
func wide(a, b int64) (hi int64, lo uint64) {
	h, lo := bits.Mul64(uint64(a), uint64(b))
	hi = int64(h)
	if a < 0 { // as unsigned it counted for 2^64 more
		hi -= b
	}
	if b < 0 {
		hi -= a
	}
	return hi, lo
}

// Sub returns v - w, shown in v's unit.
func (v Value) Sub(w Value) Value {
	if v.Den == 1 && w.Den == 1 {
		// The rest is for what 64 bits do not hold, or could not with the sign turned.
		if d := v.Num - w.Num; (d < v.Num) == (w.Num > 0) && d != math.MinInt64 {
			return Value{d, 1, v.Unit}
		}
	}
	a := new(big.Int).Mul(big.NewInt(v.Num), big.NewInt(w.Den))
	b := new(big.Int).Mul(big.NewInt(w.Num), big.NewInt(v.Den))
	r := new(big.Rat).SetFrac(a.Sub(a, b), new(big.Int).Mul(big.NewInt(v.Den), big.NewInt(w.Den)))
	num, den := r.Num(), r.Denom()
	if !num.IsInt64() || !den.IsInt64() {
		// Beyond 64 bits only the print is at stake: cut to one base unit.
		num, den = new(big.Int).Quo(num, den), big.NewInt(1)
	}
	if most := big.NewInt(math.MaxInt64); num.CmpAbs(most) > 0 {
		num.Mul(most, big.NewInt(int64(num.Sign()))) // so that it can be negated, too
	}
	return Value{num.Int64(), den.Int64(), v.Unit}
}

// In shows the amount in another unit of its dimension.
func (v Value) In(u quantity.Unit) Value { v.Unit = u; return v }

// quantity is the amount to the nearest base unit, for print.
func (v Value) quantity() quantity.Quantity {
	num, rest := v.Num/v.Den, v.Num%v.Den
	switch { // twice the rest could exceed 64 bits
	case rest >= v.Den-rest:
		num++
	case rest < 0 && -rest >= v.Den+rest:
		num--
	}
	return quantity.New(num, v.Unit)
}

// Text prints the amount for people.
func (v Value) Text() string { return v.quantity().Text() }

// TextIn is Text, written among the notes.
func (v Value) TextIn(n *rig.Notes) string { return n.Amount(v.quantity()) }

// String prints the amount exactly where its decimal ends, so that it can be
// read back.
func (v Value) String() string { return v.quantity().String() }

// walk visits every node, parents first.
func (n *node) walk(visit func(*node)) {
	visit(n)
	for _, k := range n.kids {
		k.walk(visit)
	}
}

// Facts lists the facts the expression reads, in table order. The result must not
// be changed.
func (p *Program) Facts() []rig.ID { return p.facts }

// Missing lists the unknown facts on which an unknown result waits: decided
// branches are left out. It is empty if the result is known.
func (p *Program) Missing(r *rig.Rig) []rig.ID {
	var out []rig.ID
	p.root.missing(r, &out)
	slices.Sort(out)
	return slices.Compact(out)
}

func (n *node) missing(r *rig.Rig, out *[]rig.ID) {
	if n.known(r) {
		return
	}
	if n.op == opFact {
		*out = append(*out, n.fact)
		return
	}
	if n.op == opIf {
		switch n.kids[0].truth(r) {
		case True:
			n.kids[1].missing(r, out)
		case False:
			n.kids[2].missing(r, out)
		default:
			n.kids[0].missing(r, out)
		}
		return
	}
	for _, k := range n.kids {
		k.missing(r, out)
	}
}

func (n *node) known(r *rig.Rig) bool {
	switch n.kind {
	case kindBool:
		return n.truth(r) != Unknown
	case kindWord:
		_, ok := n.text(r)
		return ok
	case kindWords:
		_, ok := r.Set(n.fact)
		return ok
	default:
		_, ok := n.value(r)
		return ok
	}
}

// Threshold is a place where the outcome of an expression can change: one fact
// compared with a constant.
type Threshold struct {
	Fact         rig.ID
	Operator     string // as written with the fact on the left
	Constant     Value  // for masses and other amounts, counts and days (unit 0)
	Line, Column int
}

var opText = [opNamed + 1]string{opEq: "==", opNe: "!=", opLt: "<", opLe: "<=", opGt: ">", opGe: ">="}

var mirrored = [opNamed + 1]op{opEq: opEq, opNe: opNe, opLt: opGt, opLe: opGe, opGt: opLt, opGe: opLe}

// Thresholds lists them in the order of the text.
func (p *Program) Thresholds() []Threshold {
	var out []Threshold
	p.root.walk(func(n *node) {
		if opText[n.op] == "" || n.kids[0].kind == kindWord || n.kids[0].kind == kindBool {
			return
		}
		a, b, o := n.kids[0], n.kids[1], n.op
		if a.op == opConst {
			a, b, o = b, a, mirrored[o]
		}
		if a.op != opFact || b.op != opConst {
			return
		}
		out = append(out, Threshold{a.fact, opText[o], Value{b.num, b.den, b.unit}, n.line, n.column})
	})
	return out
}

// Reason is one comparison or flag that decided a condition.
type Reason struct {
	Text   string // "GTM 2200 kg is over 2000 kg by 200 kg"
	Facts  []rig.ID
	Limit  string // the constant or computed side, in the law's unit
	Margin string // distance to it, in the law's unit
}

// Explain gives the comparisons that made the condition true or false; none if
// it is unknown. term names a fact in the words of the place.
func (p *Program) Explain(r *rig.Rig, term func(rig.ID) string) []Reason {
	return p.Reasons(&rig.Notes{Rig: r, Term: term}, nil)
}

// Reasons is Explain, written among the notes: it appends to out.
func (p *Program) Reasons(w *rig.Notes, out []Reason) []Reason {
	if t := p.root.truth(w.Rig); t != Unknown {
		p.root.explain(w, t, &out)
	}
	return out
}

func (n *node) explain(w *rig.Notes, t Truth, out *[]Reason) {
	switch n.op {
	case opConst:
	case opAnd, opOr:
		for _, k := range n.kids {
			if k.truth(w.Rig) != t {
				continue
			}
			k.explain(w, t, out)
			// One false part makes && false, one true part makes || true.
			if (n.op == opAnd) == (t == False) {
				return
			}
		}
	case opNot:
		n.kids[0].explain(w, t.Not(), out)
	case opNamed:
		n.kids[0].explain(w, t, out)
	case opIf:
		c := n.kids[0].truth(w.Rig)
		n.kids[0].explain(w, c, out)
		if c == True {
			n.kids[1].explain(w, t, out)
		} else {
			n.kids[2].explain(w, t, out)
		}
	default:
		if n.kids != nil && n.op != opInList && n.op != opInSet && n.kids[0].kind == kindBool {
			// Both sides of a comparison of truths count, each for what it is.
			for _, k := range n.kids {
				k.explain(w, k.truth(w.Rig), out)
			}
			return
		}
		*out = append(*out, n.reason(w, t))
	}
}

func (n *node) reason(w *rig.Notes, t Truth) Reason {
	reason := Reason{Facts: n.facts}
	switch n.op {
	case opFact:
		reason.Text = w.Join(w.Term(n.fact), ": ", w.Text(n.fact))
		return reason
	case opInList:
		reason.Text = w.Join(w.Term(n.kids[0].fact), " is ", w.Text(n.kids[0].fact))
		return reason
	case opInSet:
		verb := " do not include "
		if t == True {
			verb = " include "
		}
		reason.Text = w.Join(w.Term(n.kids[0].fact), verb, n.word)
		return reason
	}
	a, b, o := n.kids[0], n.kids[1], n.op
	if a.op == opConst {
		a, b, o = b, a, mirrored[o]
	}
	if a.kind == kindWord {
		is, text := phrase[o].of(t), w.Text(a.fact)
		if b.op == opConst && b.word == text {
			reason.Text = w.Join(w.Term(a.fact), " ", is, " ", text)
			return reason
		}
		parts := append(a.describe(w, 0, make([]string, 0, 16)), " ", is, " ")
		reason.Text = w.Join(b.describe(w, 0, parts)...)
		return reason
	}
	unit := a.unit
	if b.unit != 0 {
		unit = b.unit
	}
	if unit == 0 && a.kind == kindQuantity {
		unit = a.dim.BaseUnit()
	}
	words := phrase[o].of(t)
	if a.kind == kindDay {
		words = dayPhrase[o].of(t)
	}
	parts := append(a.describe(w, unit, make([]string, 0, 16)), " ", words, " ")
	parts = b.describe(w, unit, parts)
	if a.kind != kindQuantity {
		reason.Text = w.Join(parts...)
		return reason
	}
	x, _ := a.value(w.Rig)
	y, _ := b.value(w.Rig)
	diff, side := Value{x, a.den, unit}.Sub(Value{y, b.den, unit}), " above)"
	if diff.Num < 0 {
		diff.Num, side = -diff.Num, " below)"
	}
	if reason.Limit = b.said; b.op != opConst {
		reason.Limit = Value{y, b.den, unit}.TextIn(w)
	}
	reason.Margin = diff.TextIn(w)
	switch {
	case diff.Num == 0 || o == opEq || o == opNe:
	case words == "is over" || words == "is under":
		parts = append(parts, " by ", reason.Margin)
	default:
		parts = append(parts, " (", reason.Margin, side)
	}
	reason.Text = w.Join(parts...)
	return reason
}

// said are the words of a comparison that does not hold, and of one that does.
type said [2]string

func (s said) of(t Truth) string {
	if t == True {
		return s[1]
	}
	return s[0]
}

var phrase = [opNamed + 1]said{
	opEq: {"is not", "is"},
	opNe: {"is", "is not"},
	opLt: {"is not under", "is under"},
	opLe: {"is over", "is not over"},
	opGt: {"is not over", "is over"},
	opGe: {"is under", "is at least"},
}

// dayPhrase is the same for days.
var dayPhrase = [opNamed + 1]said{
	opEq: {"is not", "is"},
	opNe: {"is", "is not"},
	opLt: {"is not before", "is before"},
	opLe: {"is after", "is not after"},
	opGt: {"is not after", "is after"},
	opGe: {"is before", "is not before"},
}

// describe adds the text of one side: a fact by its term and value (in the law's
// unit too, where the rig used another), a constant, or a formula with its value.
func (n *node) describe(w *rig.Notes, unit quantity.Unit, parts []string) []string {
	switch n.op {
	case opFact:
		parts = append(parts, w.Term(n.fact), " ", w.Text(n.fact))
		if q, ok := w.Quantity(n.fact); ok && unit != 0 && q.Unit() != unit {
			parts = append(parts, " (", w.Amount(q.In(unit)), ")")
		}
		return parts
	case opConst:
		return append(parts, n.said)
	}
	v, ok := n.value(w.Rig)
	if !ok || n.kind != kindQuantity {
		return append(parts, n.formula(w.Term))
	}
	return append(parts, Value{v, n.den, unit}.TextIn(w), " (", n.formula(w.Term), ")")
}

// note keeps what is said of a node without looking at a rig.
func (n *node) note() {
	switch {
	case n.op == opConst:
		n.said = n.constant()
	case n.kind == kindBool && n.facts == nil: // a named condition was noted when it was compiled
		n.facts = []rig.ID{}
		n.walk(func(k *node) {
			if k.op == opFact {
				n.facts = append(n.facts, k.fact)
			}
		})
	}
}

func (n *node) constant() string {
	switch n.kind {
	case kindQuantity:
		return quantity.New(n.num, n.unit).Text()
	case kindDay:
		return rig.Day(n.num).String()
	case kindWord:
		return n.word
	case kindBool:
		if n.num != 0 {
			return "yes"
		}
		return "no"
	default:
		return decimal(quantity.Ratio{Num: n.num, Den: n.den})
	}
}

// decimal prints a factor as the law writes it: it came from a decimal text.
func decimal(r quantity.Ratio) string {
	s := new(big.Rat).SetFrac64(r.Num, r.Den).FloatString(18)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// formula prints an expression in the terms of the place.
func (n *node) formula(term func(rig.ID) string) string {
	bin := map[op]string{opAdd: "%s + %s", opSub: "%s - %s", opMin: "lesser of %s and %s", opMax: "greater of %s and %s"}
	switch n.op {
	case opFact:
		return term(n.fact)
	case opConst:
		return n.said
	case opMul:
		return fmt.Sprintf("%s x %s", decimal(n.factor), n.kids[0].operand(term))
	case opIf:
		return fmt.Sprintf("%s or %s", n.kids[1].operand(term), n.kids[2].operand(term))
	}
	if f := bin[n.op]; f != "" {
		return fmt.Sprintf(f, n.kids[0].operand(term), n.kids[1].operand(term))
	}
	return "…"
}

// operand is a formula within another, in brackets where it has parts of its
// own: 2 x (a + b) is not 2 x a + b.
func (n *node) operand(term func(rig.ID) string) string {
	s := n.formula(term)
	if len(n.kids) < 2 {
		return s
	}
	return "(" + s + ")"
}

// Formula prints the expression in the terms of the place.
func (p *Program) Formula(term func(rig.ID) string) string { return p.root.formula(term) }

// Sets reports whether the text itself names a unit, as kg(750) does.
func (p *Program) Sets() bool { return p.root.unit != 0 }
