package rules

import (
	"fmt"
	"slices"
	"strings"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Setting is one field of the rig document with the value that it is to have.
// Without a Value the field is taken out.
type Setting struct {
	Pointer string `json:"pointer"`
	Value   any    `json:"value,omitempty"`
}

// setting is a Setting that can be made.
type setting struct {
	Setting
	make func(*rig.Draft)
}

func apply(d *rig.Draft, list []setting) {
	for _, s := range list {
		s.make(d)
	}
}

func settingOf(id rig.ID, value any, make func(*rig.Draft)) setting {
	return setting{Setting{rig.ByID(id).Pointer, value}, make}
}

func amountOf(id rig.ID, q quantity.Quantity) setting {
	if !q.Exact() { // what is written must be what is meant
		q = q.In(q.Dimension().BaseUnit())
	}
	return settingOf(id, q.String(), func(d *rig.Draft) { d.Quantity(id, q) })
}

func wordOf(id rig.ID, word string) setting {
	return settingOf(id, word, func(d *rig.Draft) { d.Word(id, word) })
}

func boolOf(id rig.ID, x bool) setting {
	return settingOf(id, x, func(d *rig.Draft) { d.Bool(id, x) })
}

func countOf(id rig.ID, n int) setting {
	return settingOf(id, n, func(d *rig.Draft) { d.Count(id, n) })
}

func countsOf(id rig.ID, ns []int) setting {
	return settingOf(id, ns, func(d *rig.Draft) { d.Counts(id, ns) })
}

func forget(id rig.ID) setting {
	return settingOf(id, nil, func(d *rig.Draft) { d.Forget(id) })
}

func partMass(i int, field string, q quantity.Quantity) setting {
	return setting{Setting{fmt.Sprintf("/parts/%d/%s", i, field), q.String()}, func(d *rig.Draft) {
		d.Part(i, func(p *rig.Part) {
			switch field {
			case "rated_mass":
				p.RatedMass = q
			case "size":
				p.Size = q
			default: // breaking_mass; a force that was given is of the old part
				p.BreakingMass, p.BreakingForce = q, quantity.Quantity{}
			}
		})
	}}
}

func partCount(i, n int) setting {
	return setting{Setting{fmt.Sprintf("/parts/%d/count", i), n}, func(d *rig.Draft) { d.Part(i, func(p *rig.Part) { p.Count = n }) }}
}

// told are the settings as a document would have them: the last word on each
// field counts, and what was not there need not be taken out.
func told(r *rig.Rig, list []setting) []Setting {
	out := []Setting{}
	for i, s := range list {
		later := slices.ContainsFunc(list[i+1:], func(x setting) bool { return x.Pointer == s.Pointer })
		if later || s.Value == nil && !strings.HasPrefix(s.Pointer, "/parts/") && !stands(r, s.Pointer) {
			continue
		}
		out = append(out, s.Setting)
	}
	return out
}

func stands(r *rig.Rig, pointer string) bool {
	return slices.ContainsFunc(rig.Fields(), func(f rig.Field) bool { return f.Pointer == pointer && r.Entered(f.ID) })
}
