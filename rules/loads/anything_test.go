package loads_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules"
	"drawgear/rules/loads"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// anything draws a document of any facts and parts, most of them left out. Few
// figures are drawn, so that they often meet.
func anything(t *rapid.T) doc {
	amount := func(d quantity.Dimension, name string) string {
		n := rapid.SampledFrom([]string{"0", "1", "2", "10", "50", "100", "750", "1500", "2300.5", "3500"}).Draw(t, name)
		units := d.Units()
		return n + " " + units[rapid.IntRange(0, len(units)-1).Draw(t, name+" unit")].Symbol()
	}
	d := doc{}
	if rapid.Bool().Draw(t, "placed") {
		d["/jurisdiction"] = rapid.SampledFrom([]string{"AU-NSW", "GB", "US-TX", "DE", "NZ", "JP"}).Draw(t, "place")
	}
	for _, f := range rig.Fields() {
		if f.Derived() || rapid.IntRange(0, 2).Draw(t, f.Path+" given") == 0 {
			continue
		}
		switch f.Kind {
		case rig.KindQuantity:
			d[f.Pointer] = amount(f.Dim, f.Path)
		case rig.KindBool:
			d[f.Pointer] = rapid.Bool().Draw(t, f.Path)
		case rig.KindCount:
			d[f.Pointer] = rapid.IntRange(0, 4).Draw(t, f.Path)
		case rig.KindWord:
			d[f.Pointer] = rapid.SampledFrom(f.Words).Draw(t, f.Path)
		case rig.KindMasses:
			var list []any
			for i := range rapid.IntRange(1, 3).Draw(t, f.Path+" entries") {
				list = append(list, amount(f.Dim, fmt.Sprint(f.Path, i)))
			}
			d[f.Pointer] = list
		}
	}
	var parts []any
	for i := range rapid.IntRange(0, 8).Draw(t, "parts") {
		p := part{"role": rapid.SampledFrom(rig.PartRoles).Draw(t, fmt.Sprint("role ", i))}
		for _, name := range rig.PartFields[1:] {
			at := fmt.Sprint(name, i)
			if rapid.Bool().Draw(t, at+" left out") {
				continue
			}
			switch name {
			case "rated_mass", "breaking_mass", "rated_ball", "working_load", "least_mass":
				p[name] = amount(quantity.Mass, at)
			case "breaking_force":
				if p["breaking_mass"] == nil {
					p[name] = amount(quantity.Force, at)
				}
			case "d_value", "dc_value", "v_value":
				p[name] = amount(quantity.Force, at)
			case "size":
				p[name] = rapid.SampledFrom([]string{"50 mm", "2 in", "10 mm"}).Draw(t, at)
			case "grade":
				p[name] = rapid.SampledFrom([]string{"4177-25", "ST", "P", "70"}).Draw(t, at)
			case "speed_symbol":
				p[name] = rapid.SampledFrom([]string{"N", "A8", "Z"}).Draw(t, at)
			case "on":
				p[name] = rapid.SampledFrom(rig.PlaceWords).Draw(t, at)
			case "load_index", "load_index_dual":
				p[name] = rapid.IntRange(0, 160).Draw(t, at)
			default:
				p[name] = rapid.IntRange(0, 4).Draw(t, at)
			}
		}
		parts = append(parts, p)
	}
	d["/parts"] = parts
	for ptr, place := range map[string]string{"/trailer/items": "behind_coupling", "/vehicle/items": "behind_front_axle"} {
		if !rapid.Bool().Draw(t, ptr) {
			continue
		}
		list := []any{}
		for i := range rapid.IntRange(0, 3).Draw(t, ptr+" entries") {
			it := part{}
			if rapid.Bool().Draw(t, fmt.Sprint(ptr, i, " mass")) {
				it["mass"] = amount(quantity.Mass, fmt.Sprint(ptr, i))
			}
			if rapid.Bool().Draw(t, fmt.Sprint(ptr, i, " place")) {
				it[place] = rapid.SampledFrom([]string{"0 m", "1 m", "3 m", "6 m"}).Draw(t, fmt.Sprint(ptr, i, " at"))
			}
			list = append(list, it)
		}
		d[ptr] = list
	}
	return d
}

// accepted takes away what the decoder refuses, so that something is left.
func accepted(d doc) (*rig.Rig, bool) {
	for range 10 {
		r, err := rig.FromTree(d.tree())
		if err == nil {
			return r, true
		}
		issues, _ := rig.AsIssues(err)
		for _, is := range issues {
			for ptr := range d {
				if ptr == is.Pointer || strings.HasPrefix(is.Pointer, ptr+"/") {
					delete(d, ptr)
				}
			}
		}
	}
	return nil, false
}

// TestAnything: whatever is in the document, the answer is whole: every line has an
// id of its own, what is judged was known, what is not says what it waits for, and
// no number is beyond print.
func TestAnything(t *testing.T) {
	answered := 0
	rapid.Check(t, func(t *rapid.T) {
		r, ok := accepted(anything(t))
		if !ok {
			t.Skip("refused")
		}
		answered++
		l := loads.Of(r, nil, nil)
		if _, err := json.Marshal(l); err != nil {
			t.Fatal(err)
		}
		ids := map[string]bool{}
		for _, line := range l.Lines {
			if ids[line.ID] {
				t.Fatalf("two lines %s", line.ID)
			}
			ids[line.ID] = true
			for _, h := range []loads.Held{line.Now, line.Full} {
				switch h.Status {
				case rules.Met, rules.NotMet:
					if len(h.Missing) > 0 || h.Load.Value == "" || line.Rating.Value == "" || h.Load.Bound == loads.Estimate || line.Rating.Bound == loads.Estimate {
						t.Fatalf("%s is %s on %+v and %+v", line.ID, h.Status, h.Load, line.Rating)
					}
				case rules.Unknown:
					if len(h.Missing) == 0 && h.Reason == "" {
						t.Fatalf("%s is unknown for nothing", line.ID)
					}
				case rules.NotApplicable:
					if h.Reason == "" {
						t.Fatalf("%s does not apply for nothing", line.ID)
					}
				default:
					t.Fatalf("%s: %q", line.ID, h.Status)
				}
			}
		}
		for _, c := range []loads.Column{l.Now, l.Full} {
			if (c.Status == rules.NotMet) != (len(c.Failing) > 0) || c.Status == rules.Met && len(c.Weakest) == 0 && len(ids) > 0 {
				t.Fatalf("%+v", c)
			}
		}
		if n := l.MaxTotal.Total.Number; n != nil {
			for _, m := range l.MaxTotal.Limits {
				if *m.Total.Number < *n {
					t.Fatalf("%s allows %v, less than the least, %v", m.ID, *m.Total.Number, *n)
				}
			}
		}
	})
	if answered == 0 {
		t.Error("every document was refused")
	}
}
