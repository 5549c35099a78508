package expr

import (
	"fmt"

	"cel.dev/cel-go/cel"

	"drawgear/rules/rig"
)

// Overload is one typed form of the profile, for the reference evaluator.
type Overload struct {
	Function, ID string
	Args         []*cel.Type
}

// NewEnv is newEnv with an implementation bound to each overload.
func NewEnv(bind func(Overload) cel.OverloadOpt) (*cel.Env, error) {
	return newEnv(func(o overload) cel.OverloadOpt { return bind(Overload{o.fn, o.id, o.args}) })
}

// SumOf is the bound of a fact as a multiple of its dimension's largest entry.
func SumOf(path string) uint64 { return sumOf(path) }

// Op names a node for tests that look at the lowered tree.
type Op struct {
	Bound uint64
	Num   int64
	Known bool
}

// Numbers lists every numeric node with its value on the rig.
func (p *Program) Numbers(r *rig.Rig) []Op {
	var out []Op
	p.root.walk(func(n *node) {
		switch n.kind {
		case kindNumber, kindQuantity, kindDay:
			v, known := n.value(r)
			out = append(out, Op{n.bound, v, known})
		}
	})
	return out
}

// CheckBounds finds a node whose value exceeds what was promised of it when it
// was compiled.
func (p *Program) CheckBounds(r *rig.Rig) error {
	for i, o := range p.Numbers(r) {
		size := uint64(o.Num)
		if o.Num < 0 {
			size = -size
		}
		if o.Known && size > o.Bound {
			return fmt.Errorf("numeric node %d of %s is %d, beyond its bound %d", i, p.text, o.Num, o.Bound)
		}
	}
	return nil
}
