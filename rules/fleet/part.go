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
		amounts := map[string]quantity.Quantity{
			"rated_mass": p.RatedMass, "breaking_mass": p.BreakingMass, "breaking_force": p.BreakingForce, "rated_ball": p.RatedBall,
			"d_value": p.DValue, "dc_value": p.DcValue, "v_value": p.VValue, "working_load": p.WorkingLoad, "least_mass": p.LeastMass, "size": p.Size,
		}
		for _, member := range members {
			e := entry{path: partPath(under, numbers[under], member.name)}
			v, given := m[member.name]
			switch {
			case member.name == "count":
				e.words, e.implied = strconv.Itoa(p.Count), p.Count == 1 && (len(m) > 1 || listed)
			case !given:
				continue
			case member.kind == rig.KindQuantity:
				e.amounts = []quantity.Quantity{amounts[member.name]}
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
