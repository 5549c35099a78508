package expr

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"

	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Error is a refused expression, with the place in its text, both from 1.
type Error struct {
	Line, Column int
	Message      string
}

// Error gives the place and the message.
func (e *Error) Error() string { return fmt.Sprintf("%d:%d: %s", e.Line, e.Column, e.Message) }

// Program is a compiled expression. It is immutable and safe for concurrent use.
type Program struct {
	text  string
	root  *node
	uses  []string
	facts []rig.ID // in table order
}

// Uses lists the defined conditions that the expression names.
func (p *Program) Uses() []string { return p.uses }

// Names are conditions that a ruleset defines once and uses by name, written
// named.carrier in an expression.
type Names map[string]*Program

// namePrefix marks a use of a defined condition.
const namePrefix = "named."

// CompileCondition compiles a true-or-false expression.
func CompileCondition(text string) (*Program, error) { return CompileWithNames(text, nil) }

// CompileWithNames compiles a condition that may use defined ones.
func CompileWithNames(text string, names Names) (*Program, error) {
	return compile(text, names, "a condition, true or false", func(n *node) bool { return n.kind == kindBool })
}

// CompileAmount compiles an expression that yields a quantity of the dimension.
func CompileAmount(text string, dim quantity.Dimension) (*Program, error) {
	return compile(text, nil, "an amount of "+dim.String(), func(n *node) bool { return n.kind == kindQuantity && n.dim == dim })
}

func compile(text string, names Names, want string, fits func(*node) bool) (*Program, error) {
	if len(text) > MaxLength {
		return nil, &Error{1, 1, fmt.Sprintf("the expression is longer than %d bytes", MaxLength)}
	}
	if strings.TrimSpace(text) == "" {
		return nil, &Error{1, 1, "the expression is empty"}
	}
	e, err := env()
	if err != nil {
		return nil, err
	}
	if len(names) > 0 {
		if e, err = e.Extend(declare(names)...); err != nil {
			return nil, fmt.Errorf("declare the defined conditions: %w", err)
		}
	}
	checked, issues := e.Compile(text)
	if issues.Err() != nil {
		first := issues.Errors()[0]
		// A limit of the parser itself comes without a place.
		return nil, &Error{max(1, first.Location.Line()), max(1, first.Location.Column()+1), plain(first.Message)}
	}
	l := &lowerer{ast: checked.NativeRep(), text: []rune(text), names: names}
	root, err := l.lower(l.ast.Expr())
	if err != nil {
		return nil, err
	}
	if !fits(root) {
		return nil, &Error{1, 1, "this must be " + want}
	}
	slices.Sort(l.used)
	p := &Program{text: strings.TrimSpace(text), root: root, uses: slices.Compact(l.used)}
	root.walk(func(n *node) {
		n.note()
		if n.op == opFact {
			p.facts = append(p.facts, n.fact)
		}
	})
	slices.Sort(p.facts)
	p.facts = slices.Clip(slices.Compact(p.facts))
	return p, nil
}

// plain turns the checker's names of operators into what was written.
func plain(msg string) string {
	return strings.NewReplacer("'-_'", "'-' as a sign", "'_", "'", "_'", "'", "overload for", "form of", "applied to", "for").Replace(msg)
}

// size counts the nodes of a tree.
func (n *node) size() int {
	size := 1
	for _, k := range n.kids {
		size += k.size()
	}
	return size
}

type lowerer struct {
	names Names
	used  []string
	ast   *ast.AST
	text  []rune
	count int
}

func (l *lowerer) fail(e ast.Expr, format string, args ...any) error {
	loc := l.ast.SourceInfo().GetStartLocation(e.ID())
	return &Error{loc.Line(), loc.Column() + 1, fmt.Sprintf(format, args...)}
}

func (l *lowerer) lower(e ast.Expr) (*node, error) {
	if l.count++; l.count > maxNodes {
		return nil, l.fail(e, "the expression has more than %d parts", maxNodes)
	}
	loc := l.ast.SourceInfo().GetStartLocation(e.ID())
	n := &node{line: loc.Line(), column: loc.Column() + 1}
	if ref := l.ast.ReferenceMap()[e.ID()]; ref != nil && ref.Name != "" {
		return l.fact(e, n, ref.Name)
	}
	switch e.Kind() {
	case ast.LiteralKind:
		return l.literal(e, n)
	case ast.CallKind:
		return l.call(e, n)
	default:
		return nil, l.fail(e, "this form of expression is outside the profile")
	}
}

func (l *lowerer) fact(e ast.Expr, n *node, path string) (*node, error) {
	if name, ok := strings.CutPrefix(path, namePrefix); ok {
		// The definition hangs below its name; nodes are immutable once compiled
		// and may be shared.
		l.used = append(l.used, name)
		if l.count += l.names[name].root.size(); l.count > maxNodes {
			return nil, l.fail(e, "the expression has more than %d parts, with those of the conditions that it names", maxNodes)
		}
		n.op, n.kind, n.word, n.kids = opNamed, kindBool, name, []*node{l.names[name].root}
		return n, nil
	}
	f, ok := rig.Lookup(path)
	if !ok {
		return nil, l.fail(e, "there is no fact %s", path)
	}
	n.op, n.fact, n.den = opFact, f.ID, 1
	switch f.Kind {
	case rig.KindQuantity:
		n.kind, n.dim, n.bound = kindQuantity, f.Dim, uint64(f.Dim.Max())*sumOf(path)
	case rig.KindBool:
		n.kind = kindBool
	case rig.KindCount:
		n.kind, n.bound = kindNumber, 100
	case rig.KindDate:
		n.kind, n.bound = kindDay, math.MaxInt32
	case rig.KindWord, rig.KindText:
		n.kind = kindWord
	case rig.KindWords:
		n.kind = kindWords
	}
	return n, nil
}

// sumOf is of how many entered figures, each at most the dimension's Max, a fact
// can be the sum. Most are entered themselves or taken from one figure; a fact
// that can be entered may be worked out instead. A test holds this to the rig.
func sumOf(path string) uint64 {
	switch path {
	case "trailer.rated.total", "trailer.laden.total", "trailer.laden.load": // axles and ball
		return 2
	case "combination.rated.total": // vehicle and trailer, which is two
		return 3
	case "vehicle.rated.axle_sum", "vehicle.laden.axle_sum", "vehicle.laden.total":
		return rig.MaxList
	case "combination.laden.total":
		return rig.MaxList + 2
	default:
		return 1
	}
}

func (l *lowerer) literal(e ast.Expr, n *node) (*node, error) {
	n.op, n.den = opConst, 1
	switch v := e.AsLiteral().(type) {
	case types.Bool:
		n.kind = kindBool
		if v {
			n.num = 1
		}
	case types.Int:
		n.kind, n.num = kindNumber, int64(v)
	case types.Double:
		// Read from the text of the law: the double has already been rounded, so
		// that a factor of 0.40000000000000001 would pass for 0.4.
		r, err := quantity.ParseRatio(l.written(e))
		if err != nil {
			return nil, l.fail(e, "this number cannot be held exactly: %v", err)
		}
		n.kind, n.num, n.den = kindNumber, r.Num, r.Den
	case types.String:
		n.kind, n.word = kindWord, string(v)
	default:
		return nil, l.fail(e, "this literal is outside the profile")
	}
	if n.num < 0 {
		return nil, l.fail(e, "negative constants are outside the profile")
	}
	n.bound = uint64(n.num)
	return n, nil
}

// written is a literal as it stands in the text.
func (l *lowerer) written(e ast.Expr) string {
	at, ok := l.ast.SourceInfo().GetOffsetRange(e.ID())
	if !ok || at.Start < 0 || at.Start > at.Stop || int(at.Stop) > len(l.text) {
		return ""
	}
	return string(l.text[at.Start:at.Stop])
}

func (l *lowerer) call(e ast.Expr, n *node) (*node, error) {
	c := e.AsCall()
	if c.IsMemberFunction() {
		return nil, l.fail(e, "methods are outside the profile")
	}
	fn := c.FunctionName()
	if a, ok := amountUnits[fn]; ok {
		return l.amount(e, n, a)
	}
	switch fn {
	case fnDate:
		return l.day(e, n)
	case operators.In:
		return l.in(e, n)
	}
	kids := make([]*node, len(c.Args()))
	for i, arg := range c.Args() {
		k, err := l.lower(arg)
		if err != nil {
			return nil, err
		}
		kids[i] = k
	}
	n.kids = kids
	switch fn {
	case operators.LogicalAnd, operators.LogicalOr, operators.LogicalNot:
		n.op, n.kind = logic[fn], kindBool
		return n, nil
	case operators.Equals, operators.NotEquals, operators.Less, operators.LessEquals, operators.Greater, operators.GreaterEquals:
		n.op, n.kind = comparison[fn], kindBool
		return n, l.compare(e, n)
	case operators.Add, operators.Subtract, fnMin, fnMax, operators.Multiply, operators.Conditional:
		n.op = arithmetic[fn]
		return n, l.arithmetic(e, n)
	default:
		return nil, l.fail(e, "%s is outside the profile", fn)
	}
}

func (l *lowerer) amount(e ast.Expr, n *node, a amount) (*node, error) {
	arg, err := l.lower(e.AsCall().Args()[0])
	if err != nil {
		return nil, err
	}
	if arg.op != opConst {
		return nil, l.fail(e, "an amount must be written as a number")
	}
	q, err := quantity.FromNumber(quantity.Ratio{Num: arg.num, Den: arg.den}, a.unit)
	if err != nil {
		return nil, l.fail(e, "this amount cannot be held exactly: %v", err)
	}
	n.op, n.kind, n.dim, n.unit, n.num, n.den = opConst, kindQuantity, a.unit.Dimension(), a.unit, q.Base(), 1
	n.bound = uint64(n.num)
	return n, nil
}

func (l *lowerer) day(e ast.Expr, n *node) (*node, error) {
	arg := e.AsCall().Args()[0]
	s, ok := arg.AsLiteral().(types.String)
	if arg.Kind() != ast.LiteralKind || !ok {
		return nil, l.fail(e, "a day must be written out, for example date(\"1988-07-01\")")
	}
	d, err := rig.ParseDay(string(s))
	if err != nil {
		return nil, l.fail(e, "not a day: %v", err)
	}
	n.op, n.kind, n.num, n.den, n.bound = opConst, kindDay, int64(d), 1, math.MaxInt32
	return n, nil
}

// in lowers `word in [words]` and `word in trailer.approvals`.
func (l *lowerer) in(e ast.Expr, n *node) (*node, error) {
	args := e.AsCall().Args()
	left, err := l.lower(args[0])
	if err != nil {
		return nil, err
	}
	n.kind = kindBool
	if args[1].Kind() == ast.ListKind {
		for _, x := range args[1].AsList().Elements() {
			w, err := l.lower(x)
			if err != nil {
				return nil, err
			}
			if w.op != opConst {
				return nil, l.fail(x, "the list must hold words written out")
			}
			n.words = append(n.words, w.word)
		}
		if left.op != opFact || len(n.words) == 0 {
			return nil, l.fail(e, "write a fact on the left and at least one word on the right")
		}
		n.op, n.kids = opInList, []*node{left}
		return n, l.checkWords(e, left, n.words)
	}
	set, err := l.lower(args[1])
	if err != nil {
		return nil, err
	}
	if left.op != opConst || set.op != opFact {
		return nil, l.fail(e, "write a word on the left and a list fact on the right")
	}
	n.op, n.word, n.kids = opInSet, left.word, []*node{set}
	return n, l.checkWords(e, set, []string{left.word})
}

// checkWords refuses a misspelt word of a closed list, which would otherwise
// make a condition that is never true.
func (l *lowerer) checkWords(e ast.Expr, fact *node, words []string) error {
	f := rig.ByID(fact.fact)
	for _, w := range words {
		if f.Words != nil && !slices.Contains(f.Words, w) {
			return l.fail(e, "%q is not a word of %s: %s", w, f.Path, strings.Join(f.Words, ", "))
		}
	}
	return nil
}

func (l *lowerer) compare(e ast.Expr, n *node) error {
	a, b := n.kids[0], n.kids[1]
	switch a.kind {
	case kindWord:
		if a.op == opConst {
			a, b = b, a
			n.kids[0], n.kids[1] = a, b
		}
		if a.op != opFact {
			return l.fail(e, "one side must be a fact")
		}
		if b.op == opConst {
			return l.checkWords(e, a, []string{b.word})
		}
		return nil
	case kindWords:
		return l.fail(e, "lists cannot be compared; use `in`")
	case kindBool:
		return nil
	}
	return l.align(e, n, a, b)
}

// align gives a node the factors that bring two sides to one denominator, and
// proves that no rig within the sane maxima can overflow 64 bits: the check is
// made here, once, so that evaluation needs none.
func (l *lowerer) align(e ast.Expr, n, a, b *node) error {
	g := new(big.Int).GCD(nil, nil, big.NewInt(a.den), big.NewInt(b.den)).Int64()
	n.fa, n.fb = b.den/g, a.den/g
	den := new(big.Int).Mul(big.NewInt(a.den), big.NewInt(n.fa))
	ba := new(big.Int).Mul(new(big.Int).SetUint64(a.bound), big.NewInt(n.fa))
	bb := new(big.Int).Mul(new(big.Int).SetUint64(b.bound), big.NewInt(n.fb))
	sum := new(big.Int).Add(ba, bb)
	if !sum.IsInt64() || !den.IsInt64() {
		return l.fail(e, "these factors and amounts could exceed what is held exactly; use simpler numbers")
	}
	n.den = den.Int64()
	n.bound = sum.Uint64()
	return nil
}

func (l *lowerer) arithmetic(e ast.Expr, n *node) error {
	if n.op == opMul {
		return l.multiply(e, n)
	}
	a, b := n.kids[0], n.kids[1]
	if n.op == opIf {
		a, b = n.kids[1], n.kids[2]
	}
	n.kind, n.dim = a.kind, a.dim
	if n.unit = a.unit; n.unit == 0 {
		n.unit = b.unit
	}
	if a.kind != kindQuantity && a.kind != kindNumber {
		if n.op == opIf && (a.kind == kindBool || a.kind == kindDay) {
			n.fa, n.fb, n.den, n.bound = 1, 1, 1, max(a.bound, b.bound)
			return nil
		}
		return l.fail(e, "this needs amounts or numbers")
	}
	return l.align(e, n, a, b)
}

func (l *lowerer) multiply(e ast.Expr, n *node) error {
	k, x := n.kids[0], n.kids[1]
	if k.op != opConst || k.kind != kindNumber {
		k, x = x, k
	}
	if k.op != opConst || k.kind != kindNumber {
		return l.fail(e, "one side of * must be a plain number")
	}
	n.kids = []*node{x}
	num, den := big.NewInt(k.num), big.NewInt(k.den)
	// Reduce against the other side's denominator to keep the figures small.
	xd := big.NewInt(x.den)
	if g := new(big.Int).GCD(nil, nil, num, xd); g.Sign() > 0 && num.Sign() > 0 {
		num.Quo(num, g)
		xd.Quo(xd, g)
	}
	den.Mul(den, xd)
	bound := new(big.Int).Mul(new(big.Int).SetUint64(x.bound), num)
	if !bound.IsInt64() || !den.IsInt64() {
		return l.fail(e, "this factor could exceed what is held exactly; use a simpler number")
	}
	n.factor = quantity.Ratio{Num: k.num, Den: k.den}
	n.fa, n.den, n.bound = num.Int64(), den.Int64(), bound.Uint64()
	n.kind, n.dim, n.unit = x.kind, x.dim, x.unit
	return nil
}
