package duty

import (
	"math/big"
	"slices"
	"strings"

	"drawgear/rules/expr"
	"drawgear/rules/rig"
)

// Strengths lists the ratings and strengths of parts against which the question
// may hold its limit, each as the checkers read it. It is empty for questions
// that look at no part.
func Strengths(r *rig.Rig, question string) []expr.Value {
	if role, ok := strings.CutPrefix(question, "part_rating."); ok {
		return ratedMasses(r, role)
	}
	if !strings.HasPrefix(question, "safety_chains.") {
		return nil
	}
	out := ratedMasses(r, chainRoles...)
	sum := new(big.Rat)
	for _, p := range r.Parts {
		if m, ok := breakingMass(p); ok && slices.Contains(chainRoles, p.Role) {
			v, _ := breaking(p)
			out = append(out, v)
			sum.Add(sum, m.Mul(m, big.NewRat(int64(p.Count), 1)))
		}
	}
	return append(out, massValue(sum, kilogram.Unit()))
}

func ratedMasses(r *rig.Rig, roles ...string) []expr.Value {
	var out []expr.Value
	for _, p := range r.Parts {
		if slices.Contains(roles, p.Role) && !p.RatedMass.IsZero() {
			out = append(out, expr.Of(p.RatedMass))
		}
	}
	return out
}
