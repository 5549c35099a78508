package picture

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"drawgear/rules"
	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

// drawRig is the document of any rig: lengths from a millimetre to a kilometre,
// each given or left out.
func drawRig(t *rapid.T) string {
	tree := map[string]any{"jurisdiction": "GB"}
	put := func(path string, v any) {
		if !rapid.Bool().Draw(t, "give "+path) {
			return
		}
		at, names := tree, strings.Split(path, ".")
		for _, n := range names[:len(names)-1] {
			if at[n] == nil {
				at[n] = map[string]any{}
			}
			at = at[n].(map[string]any)
		}
		at[names[len(names)-1]] = v
	}
	length := func(name string) string {
		unit := rapid.SampledFrom([]string{"mm", "m", "in", "cm"}).Draw(t, name+" unit")
		return fmt.Sprint(rapid.IntRange(1, 5000).Draw(t, name)) + " " + unit
	}
	mass := func(name string) string {
		return fmt.Sprintf("%d.%03d %s", rapid.IntRange(0, 40000).Draw(t, name), rapid.IntRange(0, 999).Draw(t, name+" part"), rapid.SampledFrom([]string{"kg", "lb"}).Draw(t, name+" unit"))
	}
	name := rapid.StringMatching(`[A-Za-zÀ-žŴ 日本,;&<%W]{0,64}`)
	for _, path := range []string{"vehicle.wheelbase", "vehicle.ball_overhang", "trailer.ball_to_axle", "trailer.axle_spread", "trailer.body.starts", "trailer.body.ends", "trailer.length", "trailer.width"} {
		put(path, length(path))
	}
	for _, path := range []string{"trailer.laden.total", "trailer.laden.ball", "trailer.rated.total", "trailer.rated.axles", "trailer.tare", "trailer.tare_ball", "vehicle.rated.total", "vehicle.rated.combination", "vehicle.towing.ball", "vehicle.towing.braked"} {
		put(path, mass(path))
	}
	put("vehicle.laden.axles", []any{mass("front"), mass("rear")})
	put("vehicle.rated.axles", []any{mass("rated front"), mass("rated rear")})
	put("trailer.axle_count", rapid.IntRange(0, 100).Draw(t, "axles"))
	put("trailer.axles_equalised", rapid.Bool().Draw(t, "equalised"))
	put("trailer.hitch", rapid.SampledFrom([]string{"ball", "pin", "fifth_wheel", "gooseneck", "a_frame"}).Draw(t, "hitch"))
	put("trailer.layout", rapid.SampledFrom([]string{"centre_axle", "rigid_drawbar", "full", "semi", "pole", "dolly"}).Draw(t, "layout"))
	put("trailer.front_restored", fmt.Sprint(rapid.IntRange(0, 120).Draw(t, "restored"), " %"))
	things := func(side, place string) {
		var items []any
		for i := range rapid.IntRange(0, 50).Draw(t, side+" items") {
			it := map[string]any{}
			it["name"] = name.Draw(t, "name")
			if i%5 != 3 {
				it["mass"] = mass("item")
			}
			if i%7 != 3 {
				it[place] = length("place")
			}
			items = append(items, it)
		}
		put(side+".items", items)
	}
	things("vehicle", "behind_front_axle")
	things("trailer", "behind_coupling")
	var parts []any
	for range rapid.IntRange(0, 64).Draw(t, "parts") {
		parts = append(parts, map[string]any{
			"role":       rapid.SampledFrom(rig.PartRoles).Draw(t, "role"),
			"rated_mass": mass("rated"), "rated_ball": mass("rated ball"), "size": "50 mm", "d_value": "12 kN",
		})
	}
	put("parts", parts)
	out, err := json.Marshal(tree)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// TestAnyRig: any rig that can be read is drawn within its edges, no words over
// others, and the given lengths between its supports to one scale.
func TestAnyRig(t *testing.T) {
	drawnRigs := 0
	rapid.Check(t, func(t *rapid.T) {
		r, err := rig.Decode([]byte(drawRig(t)))
		if err != nil {
			t.Skip("contradicts itself")
		}
		drawnRigs++
		for _, f := range pictures(r, loads.Of(r, nil, nil)) {
			for _, fault := range faults(f) {
				t.Fatal(fault)
			}
		}
		a := lay(r)
		if !(a.scale > 0) || a.scale > maxScale {
			t.Fatalf("a scale of %g", a.scale)
		}
	})
	if drawnRigs == 0 {
		t.Fatal("no rig was drawn")
	}
}

// TestAnyLoads: no answer, however odd, breaks the picture.
func TestAnyLoads(t *testing.T) {
	text := rapid.StringMatching(`[A-Za-z0-9 ,.%W日-]{0,120}`)
	rapid.Check(t, func(t *rapid.T) {
		figure := func() loads.Figure {
			f := loads.Figure{Bound: rapid.SampledFrom([]loads.Bound{"", loads.Exact, loads.NoLess, loads.NoMore, loads.Estimate}).Draw(t, "bound")}
			if rapid.Bool().Draw(t, "known") {
				n := rapid.Float64().Draw(t, "number")
				f.Number, f.Value = &n, rapid.StringMatching(`(about )?-?[0-9]{1,30}(\.[0-9]{1,6})? kg`).Draw(t, "value")
			}
			return f
		}
		held := func() loads.Held {
			h := loads.Held{Load: figure(), Reason: text.Draw(t, "reason"), Status: rapid.SampledFrom([]rules.Status{rules.Met, rules.NotMet, rules.Unknown, rules.NotApplicable}).Draw(t, "status")}
			if rapid.Bool().Draw(t, "measured") {
				u := rapid.OneOf(rapid.Float64(), rapid.Float64Range(0, 4), rapid.Just(math.Inf(1)), rapid.Just(math.NaN())).Draw(t, "utilisation")
				h.Utilisation = &u
			}
			return h
		}
		state := func() loads.State {
			s := loads.State{
				BallLoad: figure(), CentreOfMass: figure(), TrailerAxles: figure(), EachTrailerAxle: figure(),
				FrontUncoupled: figure(), RearUncoupled: figure(), FrontCoupled: figure(), RearCoupled: figure(),
			}
			if rapid.Bool().Draw(t, "levelled") {
				s.Levelled = &loads.Level{Front: figure(), Rear: figure(), TrailerAxles: figure()}
			}
			return s
		}
		l := &loads.Loads{Static: loads.Static{Now: state(), Full: state()}}
		for i := range rapid.IntRange(0, 60).Draw(t, "lines") {
			l.Lines = append(l.Lines, loads.Line{
				ID: fmt.Sprint("line.", i), Name: text.Draw(t, "name"), Level: rapid.SampledFrom([]string{loads.LevelRating, loads.LevelLaw, loads.LevelPractice}).Draw(t, "level"),
				Relation: rapid.SampledFrom([]loads.Relation{loads.AtMost, loads.AtLeast, loads.Below, loads.Equal}).Draw(t, "relation"),
				Rating:   figure(), Now: held(), Full: held(), Note: text.Draw(t, "note"),
			})
			if rapid.Bool().Draw(t, "weak") {
				link := loads.Link{Line: l.Lines[i].ID, Name: l.Lines[i].Name}
				l.Now.Weakest, l.Full.Weakest = append(l.Now.Weakest, link), append(l.Full.Weakest, link)
			}
		}
		for range rapid.IntRange(0, 5).Draw(t, "faults") {
			l.Faults = append(l.Faults, loads.Fault{Text: text.Draw(t, "fault"), Unsafe: rapid.Bool().Draw(t, "unsafe")})
		}
		r, err := rig.Decode([]byte(`{"jurisdiction":"GB","vehicle":{"wheelbase":"3 m","ball_overhang":"1 m"},"trailer":{"ball_to_axle":"4 m","axle_count":2}}`))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range pictures(r, l) {
			for _, fault := range faults(f) {
				t.Fatal(fault)
			}
		}
	})
}

// FuzzRig draws whatever document can be read.
func FuzzRig(f *testing.F) {
	f.Add([]byte(`{"jurisdiction":"GB"}`))
	f.Add([]byte(`{"jurisdiction":"GB","vehicle":{"wheelbase":"1 mm","ball_overhang":"0 m","items":[{"name":"x","behind_front_axle":"9999 m"}]},"trailer":{"ball_to_axle":"3 m","hitch":"gooseneck","axle_count":100,"axle_spread":"90 m","width":"9000 m"}}`))
	f.Add([]byte(`{"trailer":{"axle_count":0,"body":{"starts":"0 m","ends":"1 mm"},"ball_to_axle":"1 km","laden":{"total":"2300 kg","ball":"12.5 lb"}},"parts":[{"role":"ball","rated_mass":"0 kg"}]}`))
	f.Fuzz(func(t *testing.T, document []byte) {
		r, err := rig.Decode(document)
		if err != nil {
			return
		}
		for _, p := range pictures(r, loads.Of(r, nil, nil)) {
			if _, err := p.SVG(); err != nil {
				t.Error(err)
			}
		}
	})
}

func BenchmarkRig(b *testing.B) {
	r, err := rig.Decode([]byte(`{"jurisdiction":"GB","vehicle":{"wheelbase":"3 m","ball_overhang":"1 m"},"trailer":{"ball_to_axle":"4 m","axle_count":2,"laden":{"total":"2 t","ball":"100 kg"},"rated":{"total":"2 t"}}}`))
	if err != nil {
		b.Fatal(err)
	}
	l := loads.Of(r, nil, nil)
	for b.Loop() {
		Rig(r, l)
	}
}
