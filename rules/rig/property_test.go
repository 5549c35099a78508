package rig

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"drawgear/rules/quantity"
)

// drawn is a rig that can be: figures come from one model, so that they never
// contradict each other, and each is given or left out at random.
type drawn map[string]any // dotted path to value; masses as thousandths of a pound

type milliPounds int64

func (m milliPounds) text(unit string) string {
	q := quantity.MustParse(quantity.Mass, fmt.Sprintf("%d.%03d lb", m/1000, m%1000))
	u, ok := quantity.LookupUnit(unit, quantity.Mass)
	if !ok {
		panic("no unit " + unit)
	}
	// A pound is a whole number of 10 micrograms: kg, g and t hold it exactly.
	return q.In(u).String()
}

func drawRig(t *rapid.T) drawn {
	d := drawn{}
	give := func(path string, v any) {
		if rapid.Bool().Draw(t, "give "+path) {
			d[path] = v
		}
	}
	mass := func(name string) milliPounds {
		return milliPounds(rapid.Int64Range(0, 9_000_000).Draw(t, name))
	}
	axles, ball, tare := mass("axles"), mass("ball"), mass("tare")
	total := axles + ball
	give("trailer.laden.axles", axles)
	give("trailer.laden.ball", ball)
	give("trailer.laden.total", total)
	give("trailer.tare", min(tare, total))
	give("trailer.rated.axles", axles)
	give("trailer.rated.ball", ball)
	give("trailer.rated.total", total)
	front, rear := mass("front"), mass("rear")
	give("vehicle.laden.axles", []any{front, rear})
	give("vehicle.laden.total", front+rear)
	give("vehicle.rated.axles", []any{rear, front})
	give("vehicle.rated.total", front)
	give("vehicle.rated.combination", front+rear)
	give("vehicle.kerb", front/2)
	give("vehicle.towing.braked", mass("braked"))
	give("vehicle.towing.unbraked", mass("unbraked"))
	n := rapid.IntRange(1, 6).Draw(t, "axle count")
	kind := rapid.SampledFrom(BrakeKinds).Draw(t, "kind")
	braked := 0
	if kind != "none" {
		braked = rapid.IntRange(0, n).Draw(t, "braked axles")
	}
	positions := []any{}
	for i := range braked {
		positions = append(positions, n-i)
	}
	give("trailer.axle_count", n)
	give("trailer.brakes.kind", kind)
	give("trailer.brakes.braked_axles", braked)
	give("trailer.brakes.axle_positions", positions)
	give("trailer.parking_brake", rapid.Bool().Draw(t, "parking brake"))
	give("trailer.approvals", []any{"un-r13"})
	give("trailer.built", "2001-02-03")
	give("trailer.first_registered", "2001-02-03")
	give("use.speed", "90 km/h")
	give("driver.licence", rapid.StringMatching(`[A-Za-z0-9 é"\\]{0,20}`).Draw(t, "licence"))
	return d
}

// tree makes the document, each mass in a unit of the chooser's.
func (d drawn) tree(unit func() string) map[string]any {
	var write func(v any) any
	write = func(v any) any {
		switch x := v.(type) {
		case milliPounds:
			return x.text(unit())
		case []any:
			out := make([]any, len(x))
			for i := range x {
				out[i] = write(x[i])
			}
			return out
		}
		return v
	}
	root := map[string]any{}
	for _, path := range slices.Sorted(maps.Keys(d)) {
		at, names := root, strings.Split(path, ".")
		for _, name := range names[:len(names)-1] {
			if at[name] == nil {
				at[name] = map[string]any{}
			}
			at = at[name].(map[string]any)
		}
		at[names[len(names)-1]] = write(d[path])
	}
	return root
}

func TestDecodeIsStable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tree := drawRig(t).tree(func() string { return "lb" })
		doc, err := json.Marshal(tree)
		if err != nil {
			t.Fatal(err)
		}
		a, err := Decode(doc)
		if err != nil {
			t.Fatalf("%s is refused: %v", doc, err)
		}
		b, err := Decode(doc)
		if err != nil {
			t.Fatal(err)
		}
		c, err := FromTree(tree)
		if err != nil {
			t.Fatal(err)
		}
		for _, other := range []*Rig{b, c} {
			for _, f := range Fields() {
				if a.Known(f.ID) != other.Known(f.ID) || a.Get(f.ID) != other.Get(f.ID) || a.Text(f.ID) != other.Text(f.ID) {
					t.Fatalf("%s: %s and %s", f.Path, a.Text(f.ID), other.Text(f.ID))
				}
			}
			x, _ := json.Marshal(a.Derivations())
			y, _ := json.Marshal(other.Derivations())
			if string(x) != string(y) {
				t.Fatalf("derivations differ:\n%s\n%s", x, y)
			}
		}
	})
}

func TestUnitOfEntryDoesNotChangeFacts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawRig(t)
		a, err := FromTree(d.tree(func() string { return "lb" }))
		if err != nil {
			t.Fatal(err)
		}
		b, err := FromTree(d.tree(func() string { return rapid.SampledFrom([]string{"kg", "g", "t", "lb"}).Draw(t, "unit") }))
		if err != nil {
			t.Fatalf("in other units it is refused: %v", err)
		}
		for _, f := range Fields() {
			if a.Known(f.ID) != b.Known(f.ID) || a.Get(f.ID) != b.Get(f.ID) {
				t.Fatalf("%s is %s or %s", f.Path, a.Text(f.ID), b.Text(f.ID))
			}
		}
		if x, y := len(a.Derivations()), len(b.Derivations()); x != y {
			t.Fatalf("%d figures or %d", x, y)
		}
	})
}

// A derived figure added to the document as if entered must agree with the rest.
func TestDerivedFiguresCanBeEntered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawRig(t)
		a, err := FromTree(d.tree(func() string { return "lb" }))
		if err != nil {
			t.Fatal(err)
		}
		for _, der := range a.Derivations() {
			id := must(der.Figure)
			if der.Assumption != "" {
				if a.Known(id) {
					t.Fatalf("the estimate of %s became a fact", der.Figure)
				}
				continue
			}
			for _, in := range der.Inputs {
				names := strings.Split(in.Pointer[1:], "/")
				if _, err := strconv.Atoi(names[len(names)-1]); err == nil {
					names = names[:len(names)-1] // an entry of a list
				}
				if _, given := d[strings.Join(names, ".")]; !given {
					t.Fatalf("%s rests on %s, which was not given", der.Figure, in.Pointer)
				}
			}
			q, ok := a.Quantity(id)
			if !ok || fields[id].Derived() {
				continue
			}
			tree := d.tree(func() string { return "lb" })
			at, names := tree, strings.Split(der.Figure, ".")
			for _, name := range names[:len(names)-1] {
				if at[name] == nil {
					at[name] = map[string]any{}
				}
				at = at[name].(map[string]any)
			}
			at[names[len(names)-1]] = q.String()
			if _, err := FromTree(tree); err != nil {
				t.Fatalf("%s, worked out as %s, is refused: %v", der.Figure, q, err)
			}
		}
	})
}

// resolves reports whether a pointer leads to something in the document. Names
// are compared as the decoder writes them, cut to a length.
func resolves(doc any, ptr string) bool {
	if ptr == "" {
		return true
	}
	for _, token := range strings.Split(ptr[1:], "/") {
		switch x := doc.(type) {
		case map[string]any:
			found := false
			for _, name := range slices.Sorted(maps.Keys(x)) {
				if Escape(name) == token {
					doc, found = x[name], true
					break
				}
			}
			if !found {
				return false
			}
		case []any:
			i, err := strconv.Atoi(token)
			if err != nil || i < 0 || i >= len(x) {
				return false
			}
			doc = x[i]
		default:
			return false
		}
	}
	return true
}

func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		example, `{}`, `[]`, `null`, ``, `{"trailer": {"tare": "1 kg", "tare": "1 kg"}}`, `{"parts": [{"role": "chain", "count": 0}, {}]}`,
		`{"trailer": {"laden": {"total": "2000 kg", "axles": "1800 kg", "ball": "199.999 kg"}}}`,
		`{"trailer": {"rated": {"total": "3000 lb"}, "laden": {"ball": "100 kg"}}}`,
		`{"trailer": {"tare": "901 kg", "laden": {"axles": "800 kg", "ball": "100 kg"}}}`,
		`{"trailer": {"axle_count": 2, "brakes": {"kind": "none", "axle_positions": [1, 1, 0, 3]}}}`,
		`{"vehicle": {"laden": {"axles": ["100000 kg", "100000 kg"], "total": "1 g"}}}`,
		`{"trailer.tare": "1 kg"}`, "{\"\xff\": 1}", `{"a": "\ud800"}`, `{"trailer": {"axle_count": 1e999}}`, strings.Repeat("[", 40),
		`{"as_of": "2024-02-30", "driver": {"licence": "\u0000"}}`, `{"~/": {"x": 1}}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := Decode(data)
		var doc any
		parsed := json.Unmarshal(data, &doc) == nil
		if err != nil {
			is, ok := AsIssues(err)
			if !ok || len(is) == 0 || len(is) > maxIssues || r != nil {
				t.Fatalf("refused with %T of %d issues", err, len(is))
			}
			for i, x := range is {
				if i > 0 && is[i-1].Pointer > x.Pointer {
					t.Fatalf("issues are out of order: %v", is)
				}
				if x.Message == "" || x.Advice == "" || !utf8.ValidString(x.Pointer+x.Message+x.Advice) {
					t.Fatalf("%+q cannot be shown", x)
				}
				// What stops the reading may lie in a part that a later
				// repeat of the name replaces.
				stops := x.Code == CodeSyntax || x.Code == CodeLimit || x.Message == "this name stands twice"
				missing := strings.HasPrefix(x.Pointer, "/parts/") && strings.HasSuffix(x.Pointer, "/role")
				if parsed && !stops && !missing && !resolves(doc, x.Pointer) {
					t.Fatalf("%s leads nowhere", x.Pointer)
				}
			}
			return
		}
		if !parsed {
			t.Fatal("accepted although it is not JSON")
		}
		for _, f := range Fields() {
			text := r.Text(f.ID)
			if !utf8.ValidString(text) {
				t.Fatalf("%s prints %q", f.Path, text)
			}
			for _, in := range r.Inputs(f.ID) {
				if !resolves(doc, in.Pointer) {
					t.Fatalf("%s rests on %s, which was not given", f.Path, in.Pointer)
				}
			}
			if q, ok := r.Quantity(f.ID); ok && q.Base() < 0 {
				t.Fatalf("%s is %s", f.Path, q)
			}
		}
		for _, d := range r.Derivations() {
			if (d.Assumption == "") != r.Known(must(d.Figure)) {
				t.Fatalf("%+v", d)
			}
		}
		again, err := Decode(data)
		if err != nil {
			t.Fatalf("refused the second time: %v", err)
		}
		sameFacts(t, r, again)
	})
}

func BenchmarkDecode(b *testing.B) {
	data := []byte(example)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(data); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWithDay(b *testing.B) {
	r := mustDecode(b, example)
	b.ReportAllocs()
	for b.Loop() {
		r.WithDay(1)
	}
}
