package duty

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// partNeed is the Need of a field of a part. "/parts/-" is the JSON Pointer of
// the entry that is not there yet (RFC 6901).
func partNeed(i int, field, meaning string) Need {
	ptr := "/parts/-"
	if i >= 0 {
		ptr = "/parts/" + strconv.Itoa(i) + "/" + field
	}
	return Need{Pointer: ptr, Meaning: meaning, Fact: -1}
}

// withRole lists the places of parts of a role.
func (c *Case) withRole(out []int, roles ...string) []int {
	for i := range c.Parts {
		if slices.Contains(roles, c.Parts[i].Role) {
			out = append(out, i)
		}
	}
	return out
}

// none reports whether the parts at those places are listed as not there.
func (c *Case) none(parts []int) bool {
	return len(parts) > 0 && !slices.ContainsFunc(parts, func(i int) bool { return c.Parts[i].Count > 0 })
}

func (c *Case) countInputs(parts []int) []rig.Input {
	if c.Brief {
		return nil
	}
	in := make([]rig.Input, 0, len(parts))
	for _, i := range parts {
		in = append(in, c.partInput(i, "count", strconv.Itoa(c.Parts[i].Count)))
	}
	return in
}

// list is what parts give, with what the facts rest on.
func (c *Case) list(parts []rig.Input, facts []rig.ID) []rig.Input {
	if c.Brief {
		return nil
	}
	return c.With(parts, facts...)
}

// room is for some inputs, if they are wanted.
func (c *Case) room() []rig.Input {
	if c.Brief {
		return nil
	}
	return make([]rig.Input, 0, 8)
}

func (c *Case) partInput(i int, field, value string) rig.Input {
	return rig.Input{Pointer: c.Join("/parts/", strconv.Itoa(i), "/", field), Value: value}
}

func (c *compiler) partRating(o *PartRating) {
	roles := c.words("part_rating: roles", o.Roles, rig.PartRoles)
	if len(roles) == 0 || !c.needed("part_rating: at_least", o.AtLeast, o.Roles[0]) {
		return
	}
	limit := c.amount(o.AtLeast)
	for _, role := range roles {
		c.add(rated(role, limit))
	}
}

// rated asks that every part of a role be rated for a mass.
func rated(role string, limit *expr.Program) Duty {
	what := "the rated mass of the " + spaced(role)
	d := asks("part_rating."+role, Demand{Merge: MergeMost, Amount: limit}, func(c *Case) Result {
		lim, known := limit.Value(c.Rig)
		var res Result
		if !known {
			res.Needs = NeedsOf(c.Rig, limit.Missing(c.Rig))
		}
		var buf [8]int
		parts := c.withRole(buf[:0], role)
		if len(parts) == 0 {
			res.Needs = append(res.Needs, partNeed(-1, "", "a part with role "+role+" and its rated_mass"))
		}
		if c.none(parts) {
			return Result{Status: NotApplicable, Summary: "There is no " + spaced(role) + " to judge.", Inputs: c.countInputs(parts)}
		}
		var weakest quantity.Quantity
		in := c.room()
		for _, i := range parts {
			if c.Parts[i].Count == 0 {
				continue
			}
			q := c.Parts[i].RatedMass
			if q.IsZero() {
				res.Needs = append(res.Needs, partNeed(i, "rated_mass", "the mass for which the "+spaced(role)+" is rated"))
				continue
			}
			if !c.Brief {
				in = append(in, c.partInput(i, "rated_mass", c.Amount(q)))
			}
			if weakest.IsZero() || q.Cmp(weakest) < 0 {
				weakest = q
			}
		}
		res.Inputs = c.list(in, limit.Facts())
		// One part below the limit fails however many ratings are missing.
		if known && !weakest.IsZero() && (len(res.Needs) == 0 || expr.Of(weakest).Cmp(lim) < 0) {
			needs, lim := res.Needs, shownAs(c, limit, lim)
			res = c.judge(what, expr.Of(weakest), lim, atLeast, c.formula(limit), "", res.Inputs)
			if res.Needs = needs; res.Status == NotMet {
				res.Remedy = c.say("Fit a ", spaced(role), " rated for at least ", res.Limit, ".")
			}
			return res
		}
		res.Status = Unknown
		res.Summary = c.upper(what, " cannot be compared with ", c.formula(limit), ".")
		return res
	})
	d.programs = []*expr.Program{limit}
	return d
}

// chainRoles are the parts that count as safety chains.
var chainRoles = []string{"chain", "cable"}

func (c *compiler) safetyChains(o *SafetyChains) {
	asked := o.Count != nil || !o.EachRated.IsZero() || !o.EachBreaking.IsZero() || !o.EachBreakingOver.IsZero() || !o.TogetherBreaking.IsZero() || !o.Size.IsZero() || o.Crossed != nil
	switch {
	case o.Required != nil && !o.Required.Value:
		if asked {
			c.fail(o.Required.Errorf("safety_chains: required is false, so nothing further can be asked"))
		}
		c.add(relief("safety_chains.required", "No safety chains are asked for."))
		return
	case o.Required != nil:
		c.add(chainCount("safety_chains.required", Demand{Merge: MergeAny, Bool: true}, 1))
	}
	if o.Count != nil {
		n := o.Count.Value
		if n < 1 {
			c.fail(o.Count.Errorf("safety_chains: count must be 1 or more"))
		}
		c.add(chainCount("safety_chains.count", Demand{Merge: MergeMost, Value: expr.Value{Num: int64(n), Den: 1}}, n))
	}
	if !o.EachRated.IsZero() {
		c.add(eachChain("safety_chains.each_rated", c.amount(o.EachRated), atLeast, "rated_mass", "the rated mass of each chain", func(p rig.Part) (expr.Value, bool) {
			return expr.Of(p.RatedMass), !p.RatedMass.IsZero()
		}))
	}
	if !o.EachBreaking.IsZero() {
		c.add(eachChain("safety_chains.each_breaking", c.amount(o.EachBreaking), atLeast, "breaking_mass", "the breaking strength of each chain", breaking))
	}
	if !o.EachBreakingOver.IsZero() {
		c.add(eachChain("safety_chains.each_breaking_over", c.amount(o.EachBreakingOver), moreThan, "breaking_mass", "the breaking strength of each chain", breaking))
	}
	if !o.TogetherBreaking.IsZero() {
		c.add(chainsTogether(c.amount(o.TogetherBreaking)))
	}
	if !o.Size.IsZero() {
		c.add(chainSize(c.quantity(o.Size, quantity.Length)))
	}
	if c.onlyTrue(o.Crossed, "crossed") {
		c.add(flag("safety_chains.crossed", fact("trailer.chains_crossed"), "The chains cross under the coupling", "The chains do not cross", "Cross the chains under the coupling.", nil))
	}
}

// breakingMass is the mass, in base units, that a chain's breaking strength
// would hold: the marked mass, or the marked force over standard gravity
// (9.80665 m/s2, CGPM 1901). Newtons and kilograms are both exact, so the
// quotient is too.
func breakingMass(p rig.Part) (*big.Rat, bool) {
	if !p.BreakingMass.IsZero() {
		return new(big.Rat).SetInt64(p.BreakingMass.Base()), true
	}
	if p.BreakingForce.IsZero() {
		return nil, false
	}
	m := new(big.Rat).SetFrac64(p.BreakingForce.Base(), newton.Base())
	m.Mul(m, big.NewRat(100_000, 980_665))
	return m.Mul(m, new(big.Rat).SetInt64(kilogram.Base())), true
}

var (
	newton   = quantity.MustParse(quantity.Force, "1 N")
	kilogram = quantity.MustParse(quantity.Mass, "1 kg")
)

// massValue is a mass of m base units. A fraction too fine for 64 bits becomes
// the base unit below, so that a chain is never credited with more than it has.
func massValue(m *big.Rat, unit quantity.Unit) expr.Value {
	if m.Num().IsInt64() && m.Denom().IsInt64() {
		return expr.Value{Num: m.Num().Int64(), Den: m.Denom().Int64(), Unit: unit}
	}
	whole := new(big.Int).Quo(m.Num(), m.Denom())
	if !whole.IsInt64() { // many of the strongest chains: more than any limit
		return expr.Value{Num: math.MaxInt64, Den: 1, Unit: unit}
	}
	return expr.Value{Num: whole.Int64(), Den: 1, Unit: unit}
}

func breaking(p rig.Part) (expr.Value, bool) {
	if !p.BreakingMass.IsZero() {
		return expr.Of(p.BreakingMass), true
	}
	m, ok := breakingMass(p)
	if !ok {
		return expr.Value{}, false
	}
	return massValue(m, kilogram.Unit()), true
}

func (c *Case) chains() (parts []int, n int) {
	parts = c.withRole(nil, chainRoles...)
	for _, i := range parts {
		n += c.Parts[i].Count
	}
	return parts, n
}

var needChain = partNeed(-1, "", "a part with role chain or cable, its count and strength; count 0 if there is none")

func chainCount(question string, d Demand, want int) Duty {
	return asks(question, d, func(c *Case) Result {
		parts, n := c.chains()
		if len(parts) == 0 {
			return Result{Status: Unknown, Summary: fmt.Sprintf("%s asked; the parts name none.", chainsText(want)), Needs: []Need{needChain}, Limit: strconv.Itoa(want)}
		}
		res := Result{Status: Met, Summary: c.say(chainsText(want), " asked, ", strconv.Itoa(n), " fitted."), Inputs: c.countInputs(parts), Limit: strconv.Itoa(want), Margin: strconv.Itoa(n - want)}
		if n < want {
			res.Status, res.Remedy = NotMet, "Fit "+lowerFirst(chainsNamed(want))+" of the strength asked."
		}
		return res
	})
}

func chainsText(n int) string {
	if n == 1 {
		return chainsNamed(n) + " is"
	}
	return chainsNamed(n) + " are"
}

func chainsNamed(n int) string {
	if n == 1 {
		return "One safety chain or cable"
	}
	return fmt.Sprintf("%d safety chains or cables", n)
}

func eachChain(question string, limit *expr.Program, rel relation, field, what string, get func(rig.Part) (expr.Value, bool)) Duty {
	d := asks(question, Demand{Merge: MergeMost, Amount: limit}, func(c *Case) Result {
		lim, known := limit.Value(c.Rig)
		var res Result
		if !known {
			res.Needs = NeedsOf(c.Rig, limit.Missing(c.Rig))
		}
		parts, n := c.chains()
		if len(parts) > 0 && n == 0 {
			return Result{Status: NotApplicable, Summary: "There is no safety chain to judge.", Inputs: c.countInputs(parts)}
		}
		if len(parts) == 0 {
			res.Needs = append(res.Needs, needChain)
		}
		var weakest expr.Value
		found, in := false, c.room()
		for _, i := range parts {
			if c.Parts[i].Count == 0 {
				continue
			}
			v, ok := get(c.Parts[i])
			if !ok {
				res.Needs = append(res.Needs, partNeed(i, field, what))
				continue
			}
			if !c.Brief {
				in = append(in, c.partInput(i, partField(c.Parts[i], field), partText(c.Parts[i], field)))
			}
			if !found || v.Cmp(weakest) < 0 {
				weakest, found = v, true
			}
		}
		res.Inputs = c.list(in, limit.Facts())
		if known && found && (len(res.Needs) == 0 || !rel.holds(weakest.Cmp(lim))) {
			needs, lim := res.Needs, shownAs(c, limit, lim)
			res = c.judge(what, weakest, lim, rel, c.formula(limit), "", res.Inputs)
			if res.Needs = needs; res.Status == NotMet {
				res.Remedy = c.say("Fit chains each marked for at least ", res.Limit, ".")
			}
			return res
		}
		res.Status, res.Summary = Unknown, c.upper(what, " cannot be compared with ", c.formula(limit), ".")
		return res
	})
	d.programs = []*expr.Program{limit}
	return d
}

func partField(p rig.Part, field string) string {
	if field == "breaking_mass" && p.BreakingMass.IsZero() {
		return "breaking_force"
	}
	return field
}

func partText(p rig.Part, field string) string {
	switch partField(p, field) {
	case "breaking_mass":
		return p.BreakingMass.Text()
	case "breaking_force":
		return p.BreakingForce.Text()
	case "size":
		return p.Size.Text()
	default:
		return p.RatedMass.Text()
	}
}

func chainsTogether(limit *expr.Program) Duty {
	d := asks("safety_chains.together_breaking", Demand{Merge: MergeMost, Amount: limit}, func(c *Case) Result {
		lim, known := limit.Value(c.Rig)
		parts, n := c.chains()
		if len(parts) > 0 && n == 0 {
			return Result{Status: NotApplicable, Summary: "There is no safety chain to judge.", Inputs: c.countInputs(parts)}
		}
		var res Result
		if !known {
			res.Needs = NeedsOf(c.Rig, limit.Missing(c.Rig))
		}
		if len(parts) == 0 {
			res.Needs = append(res.Needs, needChain)
		}
		sum := new(big.Rat) // rounded once, at the end
		in := c.room()
		for _, i := range parts {
			if c.Parts[i].Count == 0 {
				continue
			}
			m, ok := breakingMass(c.Parts[i])
			if !ok {
				res.Needs = append(res.Needs, partNeed(i, "breaking_mass", "the breaking strength of each chain"))
				continue
			}
			if !c.Brief {
				in = append(in, c.partInput(i, partField(c.Parts[i], "breaking_mass"), partText(c.Parts[i], "breaking_mass")))
			}
			sum.Add(sum, m.Mul(m, big.NewRat(int64(c.Parts[i].Count), 1)))
		}
		res.Inputs = c.list(in, limit.Facts())
		lim = shownAs(c, limit, lim)
		total := massValue(sum, lim.Unit)
		// Enough is enough, whatever else is unmeasured.
		if known && len(parts) > 0 && (len(res.Needs) == 0 || total.Cmp(lim) >= 0) {
			return c.judge("the breaking strength of the chains together", total, lim, atLeast, c.formula(limit), "Fit chains that together hold at least "+lim.Text()+".", res.Inputs)
		}
		res.Status, res.Summary = Unknown, "The strength of the chains together cannot be compared with "+c.formula(limit)+"."
		return res
	})
	d.programs = []*expr.Program{limit}
	return d
}

func chainSize(q quantity.Quantity) Duty {
	limit := expr.Of(q)
	return asks("safety_chains.size", Demand{Merge: MergeMost, Value: limit}, func(c *Case) Result {
		parts, n := c.chains()
		if len(parts) > 0 && n == 0 {
			return Result{Status: NotApplicable, Summary: "There is no safety chain to judge.", Inputs: c.countInputs(parts)}
		}
		var res Result
		if len(parts) == 0 {
			res.Needs = append(res.Needs, needChain)
		}
		var thinnest quantity.Quantity
		for _, i := range parts {
			if c.Parts[i].Count == 0 || c.Parts[i].Role == "cable" {
				continue
			}
			s := c.Parts[i].Size
			if s.IsZero() {
				res.Needs = append(res.Needs, partNeed(i, "size", "the diameter of the link material"))
				continue
			}
			if !c.Brief {
				res.Inputs = append(res.Inputs, c.partInput(i, "size", c.Amount(s)))
			}
			if thinnest.IsZero() || s.Cmp(thinnest) < 0 {
				thinnest = s
			}
		}
		if thinnest.IsZero() && len(res.Needs) == 0 {
			return Result{Status: NotApplicable, Summary: "There is no chain whose links could be measured."}
		}
		if !thinnest.IsZero() && (len(res.Needs) == 0 || thinnest.Cmp(q) < 0) {
			needs := res.Needs
			res = c.judge("the link diameter", expr.Of(thinnest), limit, atLeast, "", "Fit chains with links of at least "+q.Text()+".", res.Inputs)
			res.Needs = needs
			return res
		}
		res.Status, res.Summary = Unknown, "The link diameter is not known; at least "+q.Text()+" is asked."
		return res
	})
}

func (c *compiler) device(o *Device) {
	if !c.needed("device: role", o.Role, Scalar{}) {
		return
	}
	role := c.word(o.Role, []string{"load_levelling", "sway_device"})
	if o.Required == nil {
		c.fail(o.Role.Errorf("device: required is missing"))
		return
	}
	question := "device." + role
	if !o.Required.Value {
		c.add(relief(question, "No "+spaced(role)+" is asked for."))
		return
	}
	c.add(asks(question, Demand{Merge: MergeAny, Bool: true}, func(c *Case) Result {
		parts := c.withRole(nil, role)
		if len(parts) == 0 {
			return Result{Status: Unknown, Summary: "A " + spaced(role) + " is asked for; the parts name none.", Needs: []Need{partNeed(-1, "", "a part with role "+role+"; count 0 if there is none")}}
		}
		in := c.countInputs(parts)
		if c.none(parts) {
			return Result{Status: NotMet, Summary: "A " + spaced(role) + " is asked for and none is fitted.", Inputs: in, Remedy: "Fit a " + spaced(role) + "."}
		}
		return Result{Status: Met, Summary: "A " + spaced(role) + " is fitted.", Inputs: in}
	}))
}
