package rig_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

const standing = `{
  "vehicle": {"laden": {"axles": ["1200 kg", "1300 kg"]}, "towing": {"braked": "3500 kg", "unbraked": "750 kg"}},
  "trailer": {
    "axle_count": 2, "tare": "500 kg", "laden": {"total": "2000 kg", "ball": "150 kg"}, "rated": {"total": "2400 kg"},
    "brakes": {"kind": "overrun", "axle_positions": [2]}, "breakaway": {"kind": "automatic"}, "approvals": ["un-r13"]
  },
  "parts": [{"role": "ball", "rated_mass": "2000 kg"}]
}`

func mass(text string) quantity.Quantity { return quantity.MustParse(quantity.Mass, text) }

// facts tells all that rules can read of a rig.
func facts(r *rig.Rig) string {
	out := ""
	for _, f := range rig.Fields() {
		out += fmt.Sprintf("%s %v %s\n", f.Path, r.Get(f.ID), r.Text(f.ID))
	}
	derived, _ := json.Marshal(r.Derivations())
	return out + string(derived) + fmt.Sprint(r.Parts)
}

// TestWith: a changed rig is the rig of the changed document, with all that
// follows worked out anew, and the first is left as it was.
func TestWith(t *testing.T) {
	id := rig.Must
	for _, c := range []struct {
		name   string
		change func(*rig.Draft)
		want   string // the document
	}{
		{
			"a mass, and what follows from it", func(d *rig.Draft) { d.Quantity(id("trailer.laden.total"), mass("1.8 t")) },
			`{"vehicle": {"laden": {"axles": ["1200 kg", "1300 kg"]}, "towing": {"braked": "3500 kg", "unbraked": "750 kg"}},
			"trailer": {"axle_count": 2, "tare": "500 kg", "laden": {"total": "1.8 t", "ball": "150 kg"}, "rated": {"total": "2400 kg"},
			"brakes": {"kind": "overrun", "axle_positions": [2]}, "breakaway": {"kind": "automatic"}, "approvals": ["un-r13"]}, "parts": [{"role": "ball", "rated_mass": "2000 kg"}]}`,
		},
		{
			"no brakes, and another limit", func(d *rig.Draft) {
				d.Word(id("trailer.brakes.kind"), "none")
				d.Word(id("trailer.breakaway.kind"), "none")
				d.Forget(id("trailer.brakes.axle_positions"), id("trailer.approvals"), id("vehicle.laden.axles"))
				d.Bool(id("trailer.parking_brake"), true)
			},
			`{"vehicle": {"towing": {"braked": "3500 kg", "unbraked": "750 kg"}}, "trailer": {"axle_count": 2, "tare": "500 kg", "laden": {"total": "2000 kg", "ball": "150 kg"},
			"rated": {"total": "2400 kg"}, "brakes": {"kind": "none"}, "breakaway": {"kind": "none"}, "parking_brake": true}, "parts": [{"role": "ball", "rated_mass": "2000 kg"}]}`,
		},
		{
			"axles and a part", func(d *rig.Draft) {
				d.Count(id("trailer.axle_count"), 3)
				d.Counts(id("trailer.brakes.axle_positions"), []int{2, 3})
				d.Part(0, func(p *rig.Part) { p.RatedMass = mass("3500 kg") })
			},
			`{"vehicle": {"laden": {"axles": ["1200 kg", "1300 kg"]}, "towing": {"braked": "3500 kg", "unbraked": "750 kg"}},
			"trailer": {"axle_count": 3, "tare": "500 kg", "laden": {"total": "2000 kg", "ball": "150 kg"}, "rated": {"total": "2400 kg"},
			"brakes": {"kind": "overrun", "axle_positions": [2, 3]}, "breakaway": {"kind": "automatic"}, "approvals": ["un-r13"]}, "parts": [{"role": "ball", "rated_mass": "3500 kg"}]}`,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := decoded(t, standing)
			before := facts(r)
			got, err := r.With(c.change)
			if err != nil {
				t.Fatal(err)
			}
			if x, y := facts(got), facts(decoded(t, c.want)); x != y {
				t.Errorf("got\n%s\nwant\n%s", x, y)
			}
			if facts(r) != before {
				t.Error("the rig itself changed")
			}
		})
	}
}

func decoded(t testing.TB, document string) *rig.Rig {
	t.Helper()
	r, err := rig.Decode([]byte(document))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestWithRefuses: no change makes a rig that no document could give.
func TestWithRefuses(t *testing.T) {
	id := rig.Must
	for _, c := range []struct {
		name, code string
		change     func(*rig.Draft)
	}{
		{"more tare than the whole", rig.CodeContradiction, func(d *rig.Draft) { d.Quantity(id("trailer.laden.total"), mass("400 kg")) }},
		{"parts that do not add up", rig.CodeContradiction, func(d *rig.Draft) { d.Quantity(id("trailer.laden.axles"), mass("1 t")) }},
		{"a breakaway without brakes", rig.CodeContradiction, func(d *rig.Draft) {
			d.Forget(id("trailer.brakes.axle_positions"))
			d.Word(id("trailer.brakes.kind"), "none")
		}},
		{"an axle that is not there", rig.CodeContradiction, func(d *rig.Draft) { d.Counts(id("trailer.brakes.axle_positions"), []int{3}) }},
		{"too heavy", rig.CodeBadQuantity, func(d *rig.Draft) {
			d.Quantity(id("trailer.rated.total"), quantity.New(quantity.Mass.Max()+1, quantity.Mass.BaseUnit()))
		}},
		{"less than nothing", rig.CodeBadQuantity, func(d *rig.Draft) { d.Quantity(id("trailer.tare"), quantity.New(-1, quantity.Mass.BaseUnit())) }},
		{"a length for a mass", rig.CodeBadQuantity, func(d *rig.Draft) { d.Quantity(id("trailer.tare"), quantity.MustParse(quantity.Length, "1 m")) }},
		{"a word that is none", rig.CodeBadValue, func(d *rig.Draft) { d.Word(id("trailer.brakes.kind"), "drum") }},
		{"a count beyond", rig.CodeBadValue, func(d *rig.Draft) { d.Count(id("trailer.axle_count"), 101) }},
		{"a flag as a word", rig.CodeWrongType, func(d *rig.Draft) { d.Word(id("trailer.parking_brake"), "none") }},
		{"what is only worked out", rig.CodeUnknownField, func(d *rig.Draft) { d.Bool(id("trailer.brakes.fitted"), true) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := decoded(t, standing).With(c.change)
			issues, ok := rig.AsIssues(err)
			if !ok || issues[0].Code != c.code {
				t.Errorf("%v, want %s", err, c.code)
			}
		})
	}
}

// TestEntered tells what was entered from what follows.
func TestEntered(t *testing.T) {
	r := decoded(t, standing)
	for path, want := range map[string]bool{
		"trailer.laden.total": true, "trailer.laden.axles": false, "trailer.brakes.axle_positions": true, "trailer.brakes.braked_axles": false,
		"vehicle.laden.axles": true, "vehicle.laden.total": false, "trailer.approvals": true, "trailer.hitch": false,
	} {
		if got := r.Entered(rig.Must(path)); got != want {
			t.Errorf("%s: %v, want %v", path, got, want)
		}
	}
}

// TestWithIsDecode: setting masses is as decoding a document that has them.
func TestWithIsDecode(t *testing.T) {
	paths := []string{"trailer.tare", "trailer.laden.total", "trailer.laden.axles", "trailer.laden.ball", "trailer.rated.total", "trailer.rated.axles", "trailer.rated.ball", "vehicle.laden.total", "vehicle.rated.combination"}
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) map[string]string {
			out := map[string]string{}
			for _, p := range paths {
				if rapid.Bool().Draw(t, name+p) {
					out[p] = fmt.Sprintf("%d kg", 10*rapid.IntRange(0, 40).Draw(t, name+p+" kg"))
				}
			}
			return out
		}
		first, then := draw("first "), draw("then ")
		r, err := rig.FromTree(treeOf(first))
		if err != nil {
			t.Skip("contradictory")
		}
		got, err1 := r.With(func(d *rig.Draft) {
			for p, v := range then {
				d.Quantity(rig.Must(p), mass(v))
			}
		})
		for p, v := range then {
			first[p] = v
		}
		want, err2 := rig.FromTree(treeOf(first))
		if !reflect.DeepEqual(err1, err2) {
			t.Fatalf("%v, want %v", err1, err2)
		}
		if err1 == nil && facts(got) != facts(want) {
			t.Fatalf("got\n%s\nwant\n%s", facts(got), facts(want))
		}
	})
}

func treeOf(masses map[string]string) map[string]any {
	group := func(m map[string]any, name string) map[string]any {
		if m[name] == nil {
			m[name] = map[string]any{}
		}
		return m[name].(map[string]any)
	}
	out := map[string]any{}
	for p, v := range masses {
		at, names := out, strings.Split(p, ".")
		for _, n := range names[:len(names)-1] {
			at = group(at, n)
		}
		at[names[len(names)-1]] = v
	}
	return out
}
