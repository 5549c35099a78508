package fleet

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// slot is a place of the rig document, or an id beside it, that a cell fills.
type slot struct {
	path   string // canonical name of the column
	kind   rig.Kind
	dim    quantity.Dimension
	group  group
	role   string   // of a part; empty if a cell tells it
	n      int      // which part of that role, or which thing carried, 1 first
	number bool     // of an extra column: cells are plain numbers
	names  []string // of a fact: the way to it; else the name of the field alone
	id     rig.ID   // of a fact; -1 for the jurisdiction, which is none
}

type group uint8

const (
	skipped group = iota
	facts
	ids
	extras
	parts
	vehicleItems
	trailerItems
)

// column is one column of a file.
type column struct {
	name string // as the header writes it
	slot slot
	unit quantity.Unit // 0 if each cell carries its own
	part int           // which of the table's parts it tells of
}

type member struct {
	name string
	kind rig.Kind
	dim  quantity.Dimension
	doc  string
}

// partMembers are the fields of a part, in the order of rig.PartFields; its
// role is told by the name of the column.
var partMembers = []member{
	{"rated_mass", rig.KindQuantity, quantity.Mass, "Working rating as a mass."},
	{"breaking_mass", rig.KindQuantity, quantity.Mass, "Breaking strength as a mass."},
	{"breaking_force", rig.KindQuantity, quantity.Force, "Breaking strength as a force."},
	{"rated_ball", rig.KindQuantity, quantity.Mass, "Rated static vertical load."},
	{"d_value", rig.KindQuantity, quantity.Force, "D-value."},
	{"dc_value", rig.KindQuantity, quantity.Force, "Dc-value."},
	{"v_value", rig.KindQuantity, quantity.Force, "V-value."},
	{"working_load", rig.KindQuantity, quantity.Mass, "Working load limit of a shackle or chain."},
	{"least_mass", rig.KindQuantity, quantity.Mass, "Least trailer mass for which an overrun device is made."},
	{"size", rig.KindQuantity, quantity.Length, "Diameter of the ball, the link or the wire."},
	{"grade", rig.KindText, 0, "Marking or grade of steel."},
	{"load_index", rig.KindCount, 0, "Load index of a tyre fitted singly."},
	{"load_index_dual", rig.KindCount, 0, "Load index of a tyre fitted in twins."},
	{"speed_symbol", rig.KindText, 0, "Speed symbol of a tyre."},
	{"on", rig.KindWord, 0, "Where it sits: vehicle or trailer."},
	{"axle", rig.KindCount, 0, "On which axle, counted from the front."},
	{"count", rig.KindCount, 0, "How many alike; 0 if there is none, one if it is left out."},
}

var (
	vehicleItemMembers = itemMembers("behind_front_axle", "Distance back from the front axle.")
	trailerItemMembers = itemMembers("behind_coupling", "Distance back from the coupling.")
)

func itemMembers(place, doc string) []member {
	return []member{
		{"name", rig.KindText, 0, "What is carried."},
		{"mass", rig.KindQuantity, quantity.Mass, "Its mass."},
		{place, rig.KindQuantity, quantity.Length, doc},
	}
}

const maxItems = 50 // things carried that a rig document may list

// idPaths are the columns that name the rig and its halves.
var idPaths = []string{"id", "vehicle.id", "trailer.id"}

// slotOf finds the place that a path names.
func slotOf(path string) (slot, bool) {
	if slices.Contains(idPaths, path) {
		return slot{path: path, kind: rig.KindText, group: ids}, true
	}
	if path == "jurisdiction" {
		return slot{path: path, kind: rig.KindWord, group: facts, names: []string{path}, id: -1}, true
	}
	if f, ok := rig.Lookup(path); ok && !f.Derived() {
		return slot{path: path, kind: f.Kind, dim: f.Dim, group: facts, names: strings.Split(path, "."), id: f.ID}, true
	}
	if s, ok := itemSlot(path); ok {
		return s, true
	}
	return partSlot(path)
}

// partSlot reads chain.count, and chain.2.count of the second entry of chains;
// likewise part.role of listed parts.
func partSlot(path string) (slot, bool) {
	names := strings.Split(path, ".")
	n := 1
	if len(names) == 3 {
		var ok bool
		if n, ok = ordinal(names[1], rig.MaxParts); !ok {
			return slot{}, false
		}
		names = []string{names[0], names[2]}
	}
	if len(names) != 2 {
		return slot{}, false
	}
	role, members := names[0], partMembers
	switch {
	case role == listedPart:
		role, members = "", listedMembers
	case !slices.Contains(rig.PartRoles, role):
		return slot{}, false
	}
	for _, m := range members {
		if m.name == names[1] {
			return slot{path: partPath(names[0], n, m.name), kind: m.kind, dim: m.dim, group: parts, role: role, n: n, names: names[1:]}, true
		}
	}
	return slot{}, false
}

func partPath(role string, n int, name string) string {
	if n == 1 {
		return role + "." + name
	}
	return role + "." + strconv.Itoa(n) + "." + name
}

// itemSlot reads trailer.items.1.mass.
func itemSlot(path string) (slot, bool) {
	names := strings.Split(path, ".")
	if len(names) != 4 || names[1] != "items" {
		return slot{}, false
	}
	n, ok := ordinal(names[2], maxItems)
	if !ok {
		return slot{}, false
	}
	var members []member
	g := vehicleItems
	switch names[0] {
	case "vehicle":
		members = vehicleItemMembers
	case "trailer":
		members, g = trailerItemMembers, trailerItems
	}
	for _, m := range members {
		if m.name == names[3] {
			return slot{path: path, kind: m.kind, dim: m.dim, group: g, n: n, names: names[3:]}, true
		}
	}
	return slot{}, false
}

// ordinal reads a whole number from 1, written in one way only.
func ordinal(text string, most int) (int, bool) {
	n, err := strconv.Atoi(text)
	return n, err == nil && n >= 1 && n <= most && strconv.Itoa(n) == text
}

// heading resolves one name of the header.
func heading(name string, o Options) (column, *Fault) {
	name = strings.TrimSpace(name)
	c := column{name: name}
	fault := func(msg, advice string) (column, *Fault) { return c, &Fault{Name: name, Message: msg, Advice: advice} }
	if strings.HasPrefix(name, "#") {
		return c, nil
	}
	bare, unit, hasUnit := strings.Cut(name, "[")
	bare = strings.TrimSpace(bare)
	if bare == "" {
		return fault("the column has no name", "Name the fact that it holds, or begin the name with # to pass it over.")
	}
	var ok bool
	if c.slot, ok = slotOf(bare); !ok {
		c.slot, ok = extraSlot(bare, o.Extra)
	}
	if !ok {
		if f, derived := rig.Lookup(bare); derived && f.Derived() {
			return fault("this figure is worked out, not entered", "Give "+strings.Join(f.Sources, ", ")+" instead, or begin the name with # to pass it over.")
		}
		paths, elsewhere := meanings(bare, o.Place)
		switch {
		case len(paths) == 1:
			c.slot, _ = slotOf(paths[0])
		case len(paths) > 1:
			return fault("the term can mean "+strings.Join(paths, " or "), "Write which of them is meant.")
		case len(elsewhere) > 0:
			return fault("the term is not known for "+o.Place, "Elsewhere it means "+strings.Join(elsewhere, " or ")+"; write what is meant.")
		default:
			advice := "See the list of columns, or begin the name with # to pass it over."
			if near := closest(bare, o.Extra); near != "" {
				advice = fmt.Sprintf("Did you mean %q? %s", near, advice)
			}
			return fault("there is no such column", advice)
		}
	}
	if !hasUnit {
		return c, nil
	}
	symbol, closed := strings.CutSuffix(unit, "]")
	symbol = strings.TrimSpace(symbol)
	switch {
	case !closed:
		return fault("the unit is not closed with ]", "Write it at the end, for example trailer.tare [kg].")
	case c.slot.dim == 0:
		return fault("this column has no unit", "Leave out what is in brackets.")
	}
	if c.unit, ok = quantity.LookupUnit(symbol, c.slot.dim); !ok {
		return fault(fmt.Sprintf("%q is no unit of %s", symbol, c.slot.dim), "One of "+units(c.slot.dim)+".")
	}
	return c, nil
}

func units(dim quantity.Dimension) string {
	var symbols []string
	for _, u := range dim.Units() {
		symbols = append(symbols, u.Symbol())
	}
	return strings.Join(symbols, ", ")
}

// header resolves the names of the columns. All faults are found at once.
func header(names []string, o Options, line int) ([]column, *Bad) {
	var faults []Fault
	columns := make([]column, len(names))
	first := map[string]int{}
	for i, name := range names {
		c, fault := heading(name, o)
		columns[i] = c
		if fault == nil && c.slot.group != skipped {
			if at, dup := first[c.slot.path]; dup {
				fault = &Fault{Name: c.name, Message: fmt.Sprintf("column %d (%s) holds %s too", at+1, names[at], c.slot.path), Advice: "Keep the one that is meant."}
			} else {
				first[c.slot.path] = i
			}
		}
		if fault != nil && len(faults) < maxFaults {
			fault.Line, fault.Column = line, i+1
			faults = append(faults, *fault)
		}
	}
	if faults == nil && len(first) == 0 {
		return nil, bad(line, "the header names no column that is read", "See the list of columns.")
	}
	if faults != nil {
		return nil, &Bad{faults}
	}
	return columns, nil
}

// Column documents one column that a file may have.
type Column struct {
	Name    string   // as the header writes it; <n> stands for a number from 1, <part> for a part
	Aliases []string // terms that are read as this column, with the place if they are read there only
	Units   string   // that may stand in brackets; empty if it has none
	Meaning string
}

// Columns lists every column, for documentation.
func Columns() []Column {
	out := []Column{
		{Name: "id", Meaning: "What the fleet calls the rig; given back beside its answer."},
		{Name: "vehicle.id", Meaning: "What the fleet calls the vehicle."},
		{Name: "trailer.id", Meaning: "What the fleet calls the trailer."},
		{Name: "jurisdiction", Meaning: "Place whose law is asked for, ISO 3166: AU-NSW, GB, US-CA."},
	}
	for _, f := range rig.Fields() {
		if f.Derived() {
			continue
		}
		c := Column{Name: f.Path, Aliases: aliasesOf(f.Path), Meaning: f.Doc}
		switch f.Kind {
		case rig.KindQuantity, rig.KindMasses:
			c.Units = units(f.Dim)
		case rig.KindWord:
			c.Meaning += " One of " + strings.Join(f.Words, ", ") + "."
		case rig.KindWords:
			c.Meaning += " Any of " + strings.Join(f.Words, ", ") + "; several with | between them, [] for none."
		case rig.KindBool:
			c.Meaning += " true or false."
		}
		if f.Kind == rig.KindMasses || f.Kind == rig.KindCounts {
			c.Meaning += " Entries with | between them."
		}
		out = append(out, c)
	}
	add := func(prefix, note string, members []member) {
		for _, m := range members {
			c := Column{Name: prefix + m.name, Meaning: m.doc + note}
			if m.dim != 0 {
				c.Units = units(m.dim)
			}
			out = append(out, c)
		}
	}
	add("<part>.", " A second entry of the same part is <part>.2. The part is one of "+strings.Join(rig.PartRoles, ", ")+".", partMembers)
	add(listedPart+".", " Of a part whose role stands in a cell; a second one is part.2.", listedMembers)
	add("vehicle.items.<n>.", "", vehicleItemMembers)
	add("trailer.items.<n>.", "", trailerItemMembers)
	return out
}

// known lists the names that a mistyped one may have meant.
func known(extra []Extra) []string {
	names := append([]string{"jurisdiction"}, idPaths...)
	for _, x := range extra {
		names = append(names, x.Name)
	}
	for _, m := range listedMembers {
		names = append(names, listedPart+"."+m.name)
	}
	for _, f := range rig.Fields() {
		if !f.Derived() {
			names = append(names, f.Path)
		}
	}
	for _, role := range rig.PartRoles {
		for _, m := range partMembers {
			names = append(names, role+"."+m.name)
		}
	}
	for _, m := range vehicleItemMembers {
		names = append(names, "vehicle.items.1."+m.name)
	}
	for _, m := range trailerItemMembers {
		names = append(names, "trailer.items.1."+m.name)
	}
	terms := map[string]bool{}
	for _, a := range aliases {
		terms[a.term] = true
	}
	return append(names, slices.Sorted(maps.Keys(terms))...)
}

// closest suggests the known name nearest to a mistyped one, if one is near.
func closest(name string, extra []Extra) string {
	name = plain(name)
	best, least := "", 1+min(3, len(name)/3)
	for _, k := range known(extra) {
		if d := distance(name, plain(k), least); d < least {
			best, least = k, d
		}
	}
	return best
}

// distance is the number of letters to change, add or drop to make b of a; it
// stops counting at most.
func distance(a, b string, most int) int {
	if len(a)-len(b) >= most || len(b)-len(a) >= most {
		return most
	}
	prev, cur := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := range len(a) {
		cur[0] = i + 1
		for j := range len(b) {
			change := prev[j]
			if a[i] != b[j] {
				change++
			}
			cur[j+1] = min(change, prev[j+1]+1, cur[j]+1)
		}
		prev, cur = cur, prev
	}
	return min(prev[len(b)], most)
}
