package fleet

import (
	"fmt"
	"slices"
	"strconv"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// listedPart begins the columns of parts that stand in a list of their own, each
// with its role in a cell: part.role and part.rated_mass of the first,
// part.2.role of the second. They keep the order of the list, and a table of
// parts needs one set of columns whatever the roles. In a file with columns of
// both forms the listed parts come first.
const listedPart = "part"

// listedMembers are the fields of such a part.
var listedMembers = append([]member{{"role", rig.KindWord, 0, "What the part is."}}, partMembers...)

// ListedColumnsOf is ColumnsOf with parts as a list of their own.
func ListedColumnsOf(rows ...Row) []string { return columnsOf(true, rows) }

// lists reports whether one of the columns is of listed parts.
func lists(columns []column) bool {
	return slices.ContainsFunc(columns, func(c column) bool { return c.slot.group == parts && c.slot.role == "" })
}

// partEntries are the cells of a list of parts, in columns by role or as listed.
func partEntries(list []rig.Part, listed bool) []entry {
	var out []entry
	numbers := map[string]int{}
	for _, p := range list {
		under, members := p.Role, partMembers
		if listed {
			under, members = listedPart, listedMembers
		}
		numbers[under]++
		m := partObject(p)
		for _, member := range members {
			e := entry{path: partPath(under, numbers[under], member.name)}
			v, given := m[member.name]
			switch {
			case member.name == "count":
				e.words, e.implied = strconv.Itoa(p.Count), p.Count == 1 && (len(m) > 1 || listed)
			case !given:
				continue
			case member.kind == rig.KindQuantity:
				e.amounts = []quantity.Quantity{*amountOf(&p, member.name)}
			case member.kind == rig.KindText:
				e.words, e.free = guard(fmt.Sprint(v)), true
			default:
				e.words = fmt.Sprint(v)
			}
			out = append(out, e)
		}
	}
	return out
}

// amountOf is the amount of a part that has the name in partMembers.
func amountOf(p *rig.Part, name string) *quantity.Quantity {
	switch name {
	case "rated_mass":
		return &p.RatedMass
	case "breaking_mass":
		return &p.BreakingMass
	case "breaking_force":
		return &p.BreakingForce
	case "rated_ball":
		return &p.RatedBall
	case "d_value":
		return &p.DValue
	case "dc_value":
		return &p.DcValue
	case "v_value":
		return &p.VValue
	case "working_load":
		return &p.WorkingLoad
	case "least_mass":
		return &p.LeastMass
	case "size":
		return &p.Size
	}
	panic("fleet: a part has no amount " + name)
}

// countOf is likewise the whole number.
func countOf(p *rig.Part, name string) *int {
	switch name {
	case "load_index":
		return &p.LoadIndex
	case "load_index_dual":
		return &p.LoadIndexDual
	case "axle":
		return &p.Axle
	case "count":
		return &p.Count
	}
	panic("fleet: a part has no number " + name)
}

// wordOf is likewise the word or text.
func wordOf(p *rig.Part, name string) *string {
	switch name {
	case "role":
		return &p.Role
	case "grade":
		return &p.Grade
	case "speed_symbol":
		return &p.SpeedSymbol
	case "on":
		return &p.On
	}
	panic("fleet: a part has no word " + name)
}
