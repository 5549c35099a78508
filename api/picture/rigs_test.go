package picture

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"strings"
	"testing"

	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

// decode reads a rig document.
func decode(t interface {
	Helper()
	Fatal(...any)
}, document string,
) *rig.Rig {
	t.Helper()
	r, err := rig.Decode([]byte(document))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// float is the horse float of Saltmarsh Yard as it stands among the demo rigs,
// with its lengths and what it carries; change edits the tree.
func float(t *testing.T, change ...func(vehicle, trailer, root map[string]any)) string {
	t.Helper()
	data, err := os.ReadFile("../../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	var root map[string]any
	if err := json.Unmarshal(data, &root); err != nil {
		t.Fatal(err)
	}
	vehicle, trailer := root["vehicle"].(map[string]any), root["trailer"].(map[string]any)
	maps.Copy(vehicle, map[string]any{"wheelbase": "3200 mm", "ball_overhang": "1200 mm"})
	maps.Copy(trailer, map[string]any{
		"ball_to_axle": "3.3 m", "axle_spread": "0.8 m", "axles_equalised": true, "length": "5.4 m", "width": "2.2 m",
		"body": map[string]any{"starts": "1.5 m", "ends": "5.1 m"}, "tare_ball": "120 kg",
		"items": []any{
			map[string]any{"name": "Bay mare", "mass": "520 kg", "behind_coupling": "3.2 m"},
			map[string]any{"name": "Grey gelding", "mass": "430 kg", "behind_coupling": "3.3 m"},
			map[string]any{"name": "Tack and feed", "mass": "50 kg", "behind_coupling": "1.8 m"},
		},
	})
	vehicle["items"] = []any{map[string]any{"name": "Hay", "mass": "60 kg", "behind_front_axle": "3.9 m"}}
	for _, f := range change {
		f(vehicle, trailer, root)
	}
	out, err := json.Marshal(root)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// sample is a rig that the tests look at.
type sample struct{ name, document string }

func samples(t *testing.T) []sample {
	t.Helper()
	overloaded := float(t, func(vehicle, trailer, root map[string]any) {
		trailer["laden"] = map[string]any{"total": "7200 kg", "ball": "560 kg"}
		delete(trailer, "items")
		for i, p := range root["parts"].([]any) {
			p.(map[string]any)["rated_ball"] = fmt.Sprint(100+50*i, " kg")
		}
	})
	upward := float(t, func(vehicle, trailer, _ map[string]any) {
		trailer["laden"] = map[string]any{"total": "2300 kg"}
		trailer["items"] = []any{map[string]any{"name": "Round bale", "mass": "1000 kg", "behind_coupling": "4.9 m"}}
	})
	many := make([]any, 64)
	roles := []string{"towbar", "ball", "coupling", "chain", "shackle", "drawbar", "receiver", "ball_mount"}
	for i := range many {
		many[i] = map[string]any{"role": roles[i%len(roles)], "rated_mass": fmt.Sprint(2000+17*i, " kg"), "rated_ball": fmt.Sprint(100+7*i, " kg"), "breaking_mass": "3 t"}
	}
	parts := float(t, func(_, _, root map[string]any) { root["parts"] = many })
	axles := float(t, func(_, trailer, _ map[string]any) {
		trailer["axle_count"], trailer["axle_spread"], trailer["ball_to_axle"] = 12, "13 m", "12 m"
		trailer["body"] = map[string]any{"starts": "3 m", "ends": "20 m"}
		trailer["brakes"] = map[string]any{"kind": "air"}
		delete(trailer, "items")
	})
	const long = "A name of quite some length, as long as the document lets it be"
	names := float(t, func(vehicle, trailer, _ map[string]any) {
		var items []any
		for i := range 50 {
			items = append(items, map[string]any{"name": strings.Repeat("W", 64), "mass": "123.456789 kg", "behind_coupling": fmt.Sprint(160+7*i, " cm")})
		}
		trailer["items"] = items
		vehicle["items"] = []any{map[string]any{"name": long, "mass": "1 lb"}, map[string]any{"name": long, "behind_front_axle": "2 m"}}
	})
	fifth := float(t, func(vehicle, trailer, _ map[string]any) {
		trailer["hitch"], trailer["layout"] = "fifth_wheel", "semi"
		vehicle["ball_overhang"] = "0 m"
		trailer["ball_to_axle"] = "6.2 m"
		trailer["body"] = map[string]any{"starts": "0 m", "ends": "8.1 m"}
	})
	ahead := float(t, func(_, trailer, _ map[string]any) {
		trailer["laden"] = map[string]any{"total": "1300 kg", "ball": "1300 kg"}
		trailer["tare"] = "900 kg"
		delete(trailer, "items")
	})
	flush := float(t, func(vehicle, _, _ map[string]any) { vehicle["ball_overhang"] = "0 mm" })
	levelled := float(t, func(_, trailer, root map[string]any) {
		trailer["front_restored"] = "50 %"
		root["parts"] = append(root["parts"].([]any), map[string]any{"role": "load_levelling", "rated_mass": "2400 kg", "rated_ball": "250 kg"})
	})
	plain, err := os.ReadFile("../../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	return []sample{
		{"float", float(t)},
		{"demo", string(plain)},
		{"bare", `{"jurisdiction":"GB"}`},
		{"little", `{"jurisdiction":"GB","vehicle":{"wheelbase":"2.7 m"},"trailer":{"axle_count":2,"laden":{"total":"750 kg"},"rated":{"total":"750 kg"}}}`},
		{"overloaded", overloaded},
		{"upward", upward},
		{"parts", parts},
		{"axles", axles},
		{"names", names},
		{"fifth", fifth},
		{"fifthbehind", strings.Replace(fifth, `"ball_overhang":"0 m"`, `"ball_overhang":"1 m"`, 1)},
		{"ahead", ahead},
		{"flush", flush},
		{"levelled", levelled},
		{"noaxle", `{"jurisdiction":"GB","trailer":{"axle_count":0}}`},
		{"twelve", `{"jurisdiction":"GB","trailer":{"axle_count":12}}`},
		{"under", `{"jurisdiction":"GB","vehicle":{"wheelbase":"6 m","ball_overhang":"0.1 m"},"trailer":{"ball_to_axle":"0.3 m","axle_count":3,"axle_spread":"11 m","laden":{"total":"1234.567 lb","ball":"12 lb"}}}`},
	}
}

// of is the rig with its loads, the law left out.
func of(t *testing.T, s sample) (*rig.Rig, *loads.Loads) {
	t.Helper()
	r := decode(t, s.document)
	return r, loads.Of(r, nil, nil)
}
