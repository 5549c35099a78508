package rig

import (
	"strings"

	"drawgear/rules/quantity"
)

// partField says how a field of a part is read: as an amount, a count, or a text
// that is free or one of some words.
type partField struct {
	name   string
	dim    quantity.Dimension
	amount func(*Part) *quantity.Quantity
	most   int // of a count
	count  func(*Part) *int
	words  []string
	text   func(*Part) *string
}

// PlaceWords say on which side of the coupling a part sits.
var PlaceWords = []string{"vehicle", "trailer"}

const maxLoadIndex = 279 // the highest that the international table lists

// partTable has the fields of an entry of parts, in contract order.
var partTable = []partField{
	{name: "role", words: PartRoles, text: func(p *Part) *string { return &p.Role }},
	{name: "rated_mass", dim: quantity.Mass, amount: func(p *Part) *quantity.Quantity { return &p.RatedMass }},
	{name: "breaking_mass", dim: quantity.Mass, amount: func(p *Part) *quantity.Quantity { return &p.BreakingMass }},
	{name: "breaking_force", dim: quantity.Force, amount: func(p *Part) *quantity.Quantity { return &p.BreakingForce }},
	{name: "rated_ball", dim: quantity.Mass, amount: func(p *Part) *quantity.Quantity { return &p.RatedBall }},
	{name: "d_value", dim: quantity.Force, amount: func(p *Part) *quantity.Quantity { return &p.DValue }},
	{name: "dc_value", dim: quantity.Force, amount: func(p *Part) *quantity.Quantity { return &p.DcValue }},
	{name: "v_value", dim: quantity.Force, amount: func(p *Part) *quantity.Quantity { return &p.VValue }},
	{name: "working_load", dim: quantity.Mass, amount: func(p *Part) *quantity.Quantity { return &p.WorkingLoad }},
	{name: "least_mass", dim: quantity.Mass, amount: func(p *Part) *quantity.Quantity { return &p.LeastMass }},
	{name: "size", dim: quantity.Length, amount: func(p *Part) *quantity.Quantity { return &p.Size }},
	{name: "grade", text: func(p *Part) *string { return &p.Grade }},
	{name: "load_index", most: maxLoadIndex, count: func(p *Part) *int { return &p.LoadIndex }},
	{name: "load_index_dual", most: maxLoadIndex, count: func(p *Part) *int { return &p.LoadIndexDual }},
	{name: "speed_symbol", text: func(p *Part) *string { return &p.SpeedSymbol }},
	{name: "on", words: PlaceWords, text: func(p *Part) *string { return &p.On }},
	{name: "axle", most: maxCount, count: func(p *Part) *int { return &p.Axle }},
	{name: "count", most: maxCount, count: func(p *Part) *int { return &p.Count }},
}

// PartFields names the fields of an entry of parts, in contract order.
var PartFields = func() (names []string) {
	for _, f := range partTable {
		names = append(names, f.name)
	}
	return names
}()

var partByName = func() map[string]int {
	m := map[string]int{}
	for i, f := range partTable {
		m[f.name] = i
	}
	return m
}()

// strengthTwice reports whether the breaking strength is given in two ways.
func (p *Part) strengthTwice() bool { return !p.BreakingMass.IsZero() && !p.BreakingForce.IsZero() }

// part reads a part, of which every fault is told.
func (d *decoder) part(ptr string, m map[string]any) Part {
	p := Part{Count: 1}
	for name, v := range m {
		at := ptr + "/" + Escape(name)
		i, known := partByName[name]
		if !known {
			d.unknown(at, name, PartFields, false)
			continue
		}
		switch f := &partTable[i]; {
		case f.amount != nil:
			*f.amount(&p), _ = d.quantity(at, f.dim, v)
		case f.count != nil:
			*f.count(&p), _ = d.count(at, v, f.most)
		case f.words != nil:
			*f.text(&p), _ = d.oneOf(at, v, f.words)
		default:
			*f.text(&p), _ = d.text(at, v)
		}
	}
	if _, ok := m["role"]; !ok {
		d.add(ptr+"/role", CodeBadValue, "a part must say what it is", "One of "+strings.Join(PartRoles, ", ")+".")
	}
	if p.strengthTwice() {
		for _, x := range [2][2]string{{"breaking_force", "breaking_mass"}, {"breaking_mass", "breaking_force"}} {
			d.add(ptr+"/"+x[0], CodeContradiction, "breaking strength stands twice, here and in "+ptr+"/"+x[1], "Keep the figure that is marked on the part.")
		}
	}
	return p
}
