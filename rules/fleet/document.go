package fleet

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"drawgear/rules/rig"
)

// Document writes what was entered of a rig as canonical JSON: no space,
// names in order of their bytes, quantities as they were entered without
// superfluous zeros. Two rigs of which the same was entered give the same
// bytes. Figures that were worked out are left out, and so are empty lists of
// parts or things carried, which state nothing. Decode of it gives the rig.
func Document(r *rig.Rig) []byte {
	root := map[string]any{}
	put := func(path []string, v any) {
		at := root
		for _, name := range path[:len(path)-1] {
			m, ok := at[name].(map[string]any)
			if !ok {
				m = map[string]any{}
				at[name] = m
			}
			at = m
		}
		at[path[len(path)-1]] = v
	}
	if r.Jurisdiction != "" {
		put([]string{"jurisdiction"}, r.Jurisdiction)
	}
	for _, f := range rig.Fields() {
		if r.Entered(f.ID) {
			put(strings.Split(f.Path, "."), value(r, f))
		}
	}
	if len(r.Parts) > 0 {
		list := make([]any, len(r.Parts))
		for i, p := range r.Parts {
			list[i] = partObject(p)
		}
		put([]string{"parts"}, list)
	}
	for _, side := range sides {
		if items := side.items(r); len(items) > 0 {
			list := make([]any, len(items))
			for i, it := range items {
				list[i] = itemObject(it, side.place)
			}
			put([]string{side.name, "items"}, list)
		}
	}
	var doc bytes.Buffer
	enc := json.NewEncoder(&doc)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(root); err != nil { // sorts names
		panic(fmt.Sprintf("fleet: a rig that cannot be written: %v", err)) // it holds texts, numbers and lists only
	}
	return bytes.TrimSuffix(doc.Bytes(), []byte("\n"))
}

// sides are the two places where things are carried.
var sides = []struct {
	name, place string
	group       group
	items       func(*rig.Rig) []rig.Item
}{
	{"vehicle", "behind_front_axle", vehicleItems, func(r *rig.Rig) []rig.Item { return r.VehicleItems }},
	{"trailer", "behind_coupling", trailerItems, func(r *rig.Rig) []rig.Item { return r.TrailerItems }},
}

// value is a known fact as a document holds it.
func value(r *rig.Rig, f rig.Field) any {
	v := r.Get(f.ID)
	switch f.Kind {
	case rig.KindQuantity:
		q, _ := r.Quantity(f.ID)
		return q.String()
	case rig.KindBool:
		return v.Num != 0
	case rig.KindCount:
		return v.Num
	case rig.KindDate:
		return rig.Day(v.Num).String()
	case rig.KindWords:
		words, _ := r.Set(f.ID)
		return words
	case rig.KindCounts:
		counts := []int{}
		for _, digits := range strings.Fields(r.Text(f.ID)) {
			n, _ := strconv.Atoi(digits) // printed from numbers
			counts = append(counts, n)
		}
		return counts
	case rig.KindMasses:
		texts := []string{}
		for _, q := range r.Masses(f.ID) {
			texts = append(texts, q.String())
		}
		return texts
	default:
		return v.Word
	}
}

// partObject is a part as a document holds it. A count of one is what a part
// has when none is given, and is left out.
func partObject(p rig.Part) map[string]any {
	m := map[string]any{"role": p.Role}
	for _, x := range partMembers {
		switch {
		case x.name == "count":
			if p.Count != 1 {
				m[x.name] = p.Count
			}
		case x.kind == rig.KindQuantity:
			if q := *amountOf(&p, x.name); !q.IsZero() {
				m[x.name] = q.String()
			}
		case x.kind == rig.KindCount:
			if n := *countOf(&p, x.name); n != 0 {
				m[x.name] = n
			}
		default:
			if s := *wordOf(&p, x.name); s != "" {
				m[x.name] = s
			}
		}
	}
	return m
}

func itemObject(it rig.Item, place string) map[string]any {
	m := map[string]any{}
	if it.Name != "" {
		m["name"] = it.Name
	}
	if !it.Mass.IsZero() {
		m["mass"] = it.Mass.String()
	}
	if !it.At.IsZero() {
		m[place] = it.At.String()
	}
	return m
}
