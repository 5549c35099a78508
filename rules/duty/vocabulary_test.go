package duty

import (
	"encoding/json"
	"errors"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// samples has one obligation for every question, a rig in which it is decided,
// how its demands merge, and what is missed of the parts that it looks at.
var samples = []struct {
	oblige, question, rig string
	merge                 Merge
	parts                 map[string]string // taken away: pointer then needed
}{
	{"service_brakes: {required: true}", "service_brakes.required", "{trailer: {brakes: {kind: air}}}", MergeAny, nil},
	{"service_brakes: {kinds: [air]}", "service_brakes.kinds", "{trailer: {brakes: {kind: air}}}", MergeIntersect, nil},
	{"service_brakes: {wheels: all}", "service_brakes.wheels", "{trailer: {axle_count: 2, brakes: {kind: air, braked_axles: 1}}}", MergeWheels, nil},
	{"service_brakes: {wheels: half}", "service_brakes.wheels", "{trailer: {axle_count: 2, brakes: {kind: air, braked_axles: 1}}}", MergeWheels, nil},
	{"service_brakes: {wheels: rear_axle}", "service_brakes.wheels", "{trailer: {axle_count: 2, brakes: {kind: air, axle_positions: [2]}}}", MergeWheels, nil},
	{"service_brakes: {wheels: one_axle}", "service_brakes.wheels", "{trailer: {brakes: {kind: air, braked_axles: 1}}}", MergeWheels, nil},
	{"service_brakes: {operable_from_cab: true}", "service_brakes.operable_from_cab", "{trailer: {brakes: {kind: air, operable_from_cab: false}}}", MergeAny, nil},
	{"service_brakes: {auto_reverse: true}", "service_brakes.auto_reverse", "{trailer: {brakes: {kind: surge, auto_reverse: true}}}", MergeAny, nil},
	{"breakaway: {required: true}", "breakaway.required", "{trailer: {breakaway: {kind: none}}}", MergeAny, nil},
	{"breakaway: {any_of: [automatic]}", "breakaway.any_of", "{trailer: {breakaway: {kind: automatic}}}", MergeIntersect, nil},
	{"breakaway: {hold: 15 min}", "breakaway.hold", "{trailer: {breakaway: {kind: automatic, hold: 1 min}}}", MergeMost, nil},
	{"breakaway: {holds_grade: 12 %}", "breakaway.holds_grade", "{trailer: {breakaway: {kind: automatic, holds_grade: 18 %}}}", MergeMost, nil},
	{"breakaway: {battery_indicator: true}", "breakaway.battery_indicator", "{trailer: {breakaway: {kind: automatic, battery_indicator: true}}}", MergeAny, nil},
	{"breakaway: {charged_from_vehicle: true}", "breakaway.charged_from_vehicle", "{trailer: {breakaway: {kind: automatic, charged_from_vehicle: true}}}", MergeAny, nil},
	{"parking_brake: {required: true}", "parking_brake.required", "{trailer: {parking_brake: false}}", MergeAny, nil},
	{"parking_brake: {holds_grade: 18 %}", "parking_brake.holds_grade", "{trailer: {parking_brake: true, parking_brake_grade: 20 %}}", MergeMost, nil},
	{"safety_chains: {required: true}", "safety_chains.required", "{parts: [{role: chain}]}", MergeAny, map[string]string{"/parts/0": "/parts/-", "/parts": "/parts/-"}},
	{"safety_chains: {count: 2}", "safety_chains.count", "{parts: [{role: chain, count: 2}]}", MergeMost, map[string]string{"/parts/0": "/parts/-", "/parts": "/parts/-"}},
	{
		"safety_chains: {each_rated: trailer.rated.total}", "safety_chains.each_rated", "{trailer: {rated: {total: 1 t}}, parts: [{role: chain, rated_mass: 1 t}]}",
		MergeMost,
		map[string]string{"/parts/0": "/parts/-", "/parts/0/rated_mass": "/parts/0/rated_mass"},
	},
	{
		"safety_chains: {each_breaking: 1.5 * trailer.laden.load}", "safety_chains.each_breaking",
		"{trailer: {tare: 500 kg, laden: {total: 1 t}}, parts: [{role: chain, breaking_force: 1 kN}]}",
		MergeMost,
		map[string]string{"/parts/0": "/parts/-", "/parts/0/breaking_force": "/parts/0/breaking_mass"},
	},
	{
		"safety_chains: {each_breaking_over: trailer.rated.total}", "safety_chains.each_breaking_over", "{trailer: {rated: {total: 1 t}}, parts: [{role: cable, breaking_mass: 2 t}]}",
		MergeMost,
		map[string]string{"/parts/0": "/parts/-", "/parts/0/breaking_mass": "/parts/0/breaking_mass"},
	},
	{
		"safety_chains: {together_breaking: combination.rated.total}", "safety_chains.together_breaking",
		"{vehicle: {rated: {total: 2 t}}, trailer: {rated: {total: 1 t}}, parts: [{role: chain, count: 2, breaking_mass: 2 t}]}",
		MergeMost,
		map[string]string{"/parts/0": "/parts/-", "/parts/0/breaking_mass": "/parts/0/breaking_mass"},
	},
	{"safety_chains: {size: 7 mm}", "safety_chains.size", "{parts: [{role: chain, size: 8 mm}]}", MergeMost, map[string]string{"/parts/0": "/parts/-", "/parts/0/size": "/parts/0/size"}},
	{"safety_chains: {crossed: true}", "safety_chains.crossed", "{trailer: {chains_crossed: true}}", MergeAny, nil},
	{"coupling: {quick_release: true}", "coupling.quick_release", "{trailer: {coupling: {quick_release: true}}}", MergeAny, nil},
	{"coupling: {positive_lock: true}", "coupling.positive_lock", "{trailer: {coupling: {positive_lock: false}}}", MergeAny, nil},
	{"coupling: {secondary_lock: true}", "coupling.secondary_lock", "{trailer: {coupling: {secondary_lock: true}}}", MergeAny, nil},
	{"coupling: {marked: true}", "coupling.marked", "{trailer: {coupling: {marked: true}}}", MergeAny, nil},
	{
		"part_rating: {roles: [towbar], at_least: 'min(vehicle.towing.limit, trailer.rated.total)'}", "part_rating.towbar",
		"{vehicle: {towing: {braked: 2 t}}, trailer: {brakes: {kind: air}, rated: {total: 1 t}}, parts: [{role: towbar, rated_mass: 2 t}]}",
		MergeMost,
		map[string]string{"/parts/0": "/parts/-", "/parts/0/rated_mass": "/parts/0/rated_mass"},
	},
	{"mass_limit: {of: trailer.laden.total, at_most: trailer.rated.total}", "mass_limit.at_most", "{trailer: {laden: {total: 1 t}, rated: {total: 2 t}}}", MergeNone, nil},
	{"mass_limit: {of: trailer.laden.axles, less_than: kg(750)}", "mass_limit.less_than", "{trailer: {laden: {axles: 1 t}}}", MergeNone, nil},
	{"mass_limit: {of: vehicle.unladen, at_least: kg(750)}", "mass_limit.at_least", "{vehicle: {unladen: 1 t}}", MergeNone, nil},
	{"mass_limit: {of: vehicle.rated.axle_sum, more_than: vehicle.rated.total}", "mass_limit.more_than", "{vehicle: {rated: {axles: [1 t, 1 t], total: 2 t}}}", MergeNone, nil},
	{"mass_ratio: {of: trailer.laden.total, at_most: 1.5 * vehicle.unladen}", "mass_ratio.at_most", "{trailer: {laden: {total: 1 t}}, vehicle: {unladen: 2 t}}", MergeNone, nil},
	{"mass_ratio: {of: trailer.laden.total, less_than: 0.5 * vehicle.kerb}", "mass_ratio.less_than", "{trailer: {laden: {total: 1 t}}, vehicle: {kerb: 2 t}}", MergeNone, nil},
	{"mass_ratio: {of: 0.4 * vehicle.laden.axle_sum, at_least: trailer.laden.total}", "mass_ratio.at_least", "{trailer: {laden: {total: 1 t}}, vehicle: {laden: {axles: [1 t]}}}", MergeNone, nil},
	{"mass_ratio: {of: vehicle.kerb, more_than: trailer.laden.total}", "mass_ratio.more_than", "{trailer: {laden: {total: 1 t}}, vehicle: {kerb: 2 t}}", MergeNone, nil},
	{"ball_load: {at_least: 0.04 * trailer.laden.total}", "ball_load.at_least", "{trailer: {laden: {total: 1 t, ball: 50 kg}}}", MergeMost, nil},
	{"ball_load: {at_most: vehicle.towing.ball}", "ball_load.at_most", "{trailer: {laden: {ball: 50 kg}}, vehicle: {towing: {ball: 40 kg}}}", MergeLeast, nil},
	{"braking_performance: {stop: {from: 30 km/h, within: 7 m}}", "braking_performance.stop", "{evidence: {stopping: {from: 30 km/h, within: 7 m}}}", MergeNone, nil},
	{"braking_performance: {deceleration: 5 m/s2}", "braking_performance.deceleration", "{evidence: {deceleration: 5 m/s2}}", MergeMost, nil},
	{"braking_performance: {trailer_deceleration: 5 m/s2}", "braking_performance.trailer_deceleration", "{evidence: {trailer_deceleration: 5 m/s2}}", MergeMost, nil},
	{"braking_performance: {efficiency: 45 %}", "braking_performance.efficiency", "{evidence: {efficiency: 45 %}}", MergeMost, nil},
	{"device: {role: load_levelling, required: true}", "device.load_levelling", "{parts: [{role: load_levelling}]}", MergeAny, map[string]string{"/parts/0": "/parts/-"}},
	{"device: {role: sway_device, required: true}", "device.sway_device", "{parts: [{role: sway_device, count: 0}]}", MergeAny, map[string]string{"/parts/0": "/parts/-"}},
	{"connector: {any_of: [iso11446-13]}", "connector.any_of", "{trailer: {connector: iso11446-13}}", MergeIntersect, nil},
	{"speed: {at_most: 100 km/h}", "speed.at_most", "{use: {speed: 110 km/h}}", MergeLeast, nil},
}

// take removes what a pointer names, and reports whether it was there.
func take(m map[string]any, ptr string) bool {
	names := strings.Split(ptr[1:], "/")
	var at any = m
	for i, name := range names {
		last := i == len(names)-1
		switch x := at.(type) {
		case map[string]any:
			v, ok := x[name]
			if !ok {
				return false
			}
			if last {
				delete(x, name)
				return true
			}
			if list, isList := v.([]any); isList && i == len(names)-2 {
				k := int(names[i+1][0] - '0')
				x[name] = slices.Delete(list, k, k+1)
				return true
			}
			at = v
		case []any:
			at = x[int(name[0]-'0')]
		default:
			return false
		}
	}
	return false
}

// A missing input never passes and never fails: without any one of the facts
// that a duty reads it is unknown, and asks for just that.
func TestMissingInputsLeaveItUnknown(t *testing.T) {
	for _, s := range samples {
		t.Run(s.question+"/"+s.oblige, func(t *testing.T) {
			d := find(t, s.oblige, s.question)
			if d.Demand.Merge != s.merge {
				t.Errorf("merges as %d, want %d", d.Demand.Merge, s.merge)
			}
			if res := d.Check(aRig(t, s.rig), term); res.Status != Met && res.Status != NotMet {
				t.Fatalf("%s is not decided by %s: %+v", s.question, s.rig, res)
			}
			gone := map[string]string{}
			maps.Copy(gone, s.parts)
			facts := slices.Clone(d.Reads())
			for _, p := range d.Programs() {
				facts = append(facts, p.Facts()...)
			}
			if len(facts) == 0 && s.parts == nil {
				t.Error("it says that it reads nothing")
			}
			for _, id := range facts {
				n := 0
				for _, ptr := range rig.ByID(id).Pointers() {
					if take(tree(t, s.rig), ptr) {
						gone[ptr] = ptr
						n++
					}
				}
				if n == 0 {
					t.Errorf("the sample rig lacks %s, so its absence is not tried", rig.ByID(id).Path)
				}
			}
			for ptr, need := range gone {
				m := tree(t, s.rig)
				if !take(m, ptr) {
					t.Errorf("%s is not in the sample rig", ptr)
					continue
				}
				r, err := rig.FromTree(m)
				if err != nil {
					t.Fatal(err)
				}
				res := d.Check(r, term)
				if res.Status != Unknown || !slices.Contains(pointers(res.Needs), need) {
					t.Errorf("without %s it is %s and needs %v, want unknown and %s", ptr, res.Status, pointers(res.Needs), need)
				}
			}
			// And with nothing at all.
			if res := d.Check(aRig(t, "{}"), term); res.Status != Unknown || len(res.Needs) == 0 {
				t.Errorf("of an empty rig it says %+v", res)
			}
		})
	}
}

// The samples reach every key of the vocabulary.
func TestSamplesReachTheVocabulary(t *testing.T) {
	asked := map[string]bool{}
	for _, s := range samples {
		asked[s.question] = true
	}
	key := func(f reflect.StructField) string { name, _, _ := strings.Cut(f.Tag.Get("yaml"), ","); return name }
	oblige := reflect.TypeFor[Oblige]()
	for i := range oblige.NumField() {
		section := key(oblige.Field(i))
		fields := oblige.Field(i).Type.Elem()
		for j := range fields.NumField() {
			q := section + "." + key(fields.Field(j))
			switch q {
			case "part_rating.roles", "part_rating.at_least":
				q = "part_rating.towbar" // one question a role
			case "device.role", "device.required":
				q = "device.sway_device"
			case "mass_limit.of", "mass_ratio.of", "notice.about":
				continue
			}
			if !asked[q] {
				t.Errorf("no sample asks %s", q)
			}
		}
	}
}

// What a duty asks, in the form that merges with what others ask.
func TestDemands(t *testing.T) {
	mass := func(s string) expr.Value { return expr.Of(quantity.MustParse(quantity.Mass, s)) }
	r := aRig(t, "{trailer: {rated: {total: 1 t}}}")
	for _, tc := range []struct {
		oblige, question string
		bool             bool
		words            []string
		value            expr.Value
	}{
		{oblige: "service_brakes: {required: true}", question: "service_brakes.required", bool: true},
		{oblige: "service_brakes: {kinds: [air, surge]}", question: "service_brakes.kinds", words: []string{"air", "surge"}},
		{oblige: "service_brakes: {wheels: rear_axle}", question: "service_brakes.wheels", words: []string{"rear_axle"}},
		{oblige: "service_brakes: {wheels: half}", question: "service_brakes.wheels", words: []string{"half"}},
		{oblige: "breakaway: {required: true}", question: "breakaway.any_of", words: []string{"automatic", "secondary_coupling"}},
		{oblige: "breakaway: {any_of: [automatic]}", question: "breakaway.required", bool: true},
		{oblige: "breakaway: {hold: 15 min}", question: "breakaway.hold", value: expr.Of(quantity.MustParse(quantity.Duration, "15 min"))},
		{oblige: "safety_chains: {count: 2}", question: "safety_chains.count", value: expr.Value{Num: 2, Den: 1}},
		{oblige: "safety_chains: {size: 7 mm}", question: "safety_chains.size", value: expr.Of(quantity.MustParse(quantity.Length, "7 mm"))},
		{oblige: "safety_chains: {each_rated: 1.5 * trailer.rated.total}", question: "safety_chains.each_rated", value: mass("1500 kg")},
		{oblige: "part_rating: {roles: [ball, towbar], at_least: trailer.rated.total}", question: "part_rating.ball", value: mass("1 t")},
		{oblige: "ball_load: {at_most: kg(100)}", question: "ball_load.at_most", value: mass("100 kg")},
		{oblige: "speed: {at_most: 60 mph}", question: "speed.at_most", value: expr.Of(quantity.MustParse(quantity.Speed, "60 mph"))},
		{oblige: "device: {role: sway_device, required: true}", question: "device.sway_device", bool: true},
	} {
		d := find(t, tc.oblige, tc.question).Demand
		v := d.Value
		if d.Amount != nil {
			v, _ = d.Amount.Value(r)
		}
		if d.Bool != tc.bool || !slices.Equal(d.Words, tc.words) || tc.value.Den != 0 && v.Cmp(tc.value) != 0 || tc.value.Den == 0 && v.Den != 0 {
			t.Errorf("%s: %s asks %+v", tc.oblige, tc.question, d)
		}
	}
}

func TestDutiesKeepTheOrderOfTheVocabulary(t *testing.T) {
	var got []string
	for _, d := range compile(t, `
speed: {at_most: 100 km/h}
part_rating: {roles: [ball, towbar], at_least: kg(1)}
safety_chains: {count: 2, required: true}
service_brakes: {wheels: all, required: true, kinds: [air]}
`) {
		got = append(got, d.Question)
	}
	if want := []string{"service_brakes.required", "service_brakes.kinds", "service_brakes.wheels", "safety_chains.required", "safety_chains.count", "part_rating.ball", "part_rating.towbar", "speed.at_most"}; !slices.Equal(got, want) {
		t.Errorf("asks %v, want %v", got, want)
	}
}

func TestFaultsAreShownAtTheirPlace(t *testing.T) {
	for _, tc := range []struct {
		name, oblige string
		line, column int // 0: the text holds nothing to point at
		message      string
	}{
		{"brake kind", "service_brakes:\n  kinds: [electric, magic]", 2, 21, `"magic" is not one of overrun`},
		{"no brakes as a kind", "service_brakes: {kinds: [none]}", 1, 26, `"none" is not one of`},
		{"quoted word", "service_brakes: {kinds: [\"magic\"]}", 1, 27, `"magic"`},
		{"no kinds", "service_brakes: {kinds: []}", 0, 0, "service_brakes: kinds: the list must not be empty"},
		{"wheels", "service_brakes: {wheels: most}", 1, 26, `"most" is not one of all, half, rear_axle, one_axle`},
		{"seat control false", "service_brakes:\n  operable_from_cab: false", 2, 22, "operable_from_cab can only be true"},
		{"reversing false", "service_brakes: {auto_reverse: false}", 1, 32, "auto_reverse can only be true"},
		{"breakaway kind", "breakaway: {any_of: [rope]}", 1, 22, `"rope" is not one of automatic, secondary_coupling`},
		{"no breakaway kinds", "breakaway: {any_of: []}", 0, 0, "breakaway: any_of: the list must not be empty"},
		{"no breakaway, of a kind", "breakaway: {required: false, any_of: [automatic]}", 1, 23, "breakaway: required is false"},
		{"hold in kilograms", "breakaway: {hold: 15 kg}", 1, 19, "a duration is needed"},
		{"hold without unit", "breakaway: {hold: 15}", 1, 19, "no unit"},
		{"grade", "breakaway: {holds_grade: steep}", 1, 26, "does not start with a number"},
		{"parking grade", "parking_brake: {holds_grade: 18 m}", 1, 30, "a grade is needed"},
		{"no chains, two of them", "safety_chains:\n  required: false\n  count: 2", 2, 13, "nothing further can be asked"},
		{"no chains, crossed", "safety_chains: {required: false, crossed: true}", 1, 27, "nothing further can be asked"},
		{"no chain", "safety_chains: {count: 0}", 1, 24, "count must be 1 or more"},
		{"fewer than none", "safety_chains: {count: -1}", 1, 24, "count must be 1 or more"},
		{"chain in metres", "safety_chains: {each_rated: m(2)}", 1, 29, "must be an amount of mass"},
		{"chain without unit", "safety_chains: {each_breaking: 2}", 1, 32, "must be an amount of mass"},
		{"chain over without unit", "safety_chains: {each_breaking_over: trailer.axle_count}", 1, 37, "must be an amount of mass"},
		{"no such fact", "safety_chains: {together_breaking: 2 * trailer.gtm}", 1, 40, "undeclared reference"},
		// The reader takes the indent away, so only the line is exact.
		{"second line of an amount", "mass_limit:\n  at_most: kg(1)\n  of: |\n    trailer.laden.total +\n    trailer.gtm", 5, 0, "undeclared reference"},
		{"link size in kilograms", "safety_chains: {size: 7 kg}", 1, 23, "a length is needed"},
		{"crossed false", "safety_chains: {crossed: false}", 1, 26, "crossed can only be true"},
		{"coupling false", "coupling: {marked: false}", 1, 20, "marked can only be true"},
		{"role", "part_rating: {roles: [ball, hook], at_least: kg(1)}", 1, 29, `"hook" is not one of towbar`},
		{"no roles", "part_rating: {roles: [], at_least: kg(1)}", 0, 0, "part_rating: roles: the list must not be empty"},
		{"roles left out", "part_rating: {at_least: kg(1)}", 0, 0, "part_rating: roles: the list must not be empty"},
		{"rating left out", "part_rating:\n  roles: [ball]", 2, 11, "part_rating: at_least is missing"},
		{"rating in newtons", "part_rating: {roles: [ball], at_least: kN(17)}", 1, 40, "must be an amount of mass"},
		{"limit left out", "mass_limit:\n  of: trailer.laden.total", 2, 7, "mass_limit: a limit is missing"},
		{"ratio left out", "mass_ratio: {of: trailer.laden.total}", 1, 18, "mass_ratio: a limit is missing"},
		{"measured mass left out", "mass_limit: {at_most: kg(1)}", 1, 23, "mass_limit: of is missing"},
		{"mass against speed", "mass_limit: {of: use.speed, at_most: kg(1)}", 1, 18, "must be an amount of mass"},
		{"condition for an amount", "mass_limit: {of: trailer.laden.total, at_most: trailer.laden.total > kg(1)}", 1, 0, "must be an amount of mass"},
		{"mass and length", "mass_limit: {of: trailer.laden.total, at_most: kg(1) + m(1)}", 1, 0, "no matching"},
		{"ball load in newtons", "ball_load: {at_most: N(1)}", 1, 22, "must be an amount of mass"},
		{"ball load of nothing", "ball_load: {}", 0, 0, "ball_load: nothing is asked"},
		{"brakes of nothing", "service_brakes: {}", 0, 0, "service_brakes: nothing is asked"},
		{"performance of nothing", "braking_performance: {}", 0, 0, "braking_performance: nothing is asked"},
		{"stop from metres", "braking_performance: {stop: {from: 30 m, within: 7 m}}", 1, 36, "a speed is needed"},
		{"stop within an hour", "braking_performance: {stop: {from: 30 km/h, within: 1 h}}", 1, 53, "a length is needed"},
		{"stop from nothing", "braking_performance: {stop: {within: 7 m}}", 1, 38, "from is missing"},
		{"stop within nothing", "braking_performance: {stop: {from: 30 km/h}}", 1, 36, "within is missing"},
		{"deceleration", "braking_performance: {deceleration: 5 m}", 1, 37, "an acceleration is needed"},
		{"trailer deceleration", "braking_performance: {trailer_deceleration: -5 m/s2}", 1, 45, "is negative"},
		{"efficiency", "braking_performance: {efficiency: 45 kg}", 1, 35, "a percentage is needed"},
		{"device", "device: {role: ball, required: true}", 1, 16, `"ball" is not one of load_levelling, sway_device`},
		{"device asked or not", "device: {role: sway_device}", 1, 16, "required is missing"},
		{"device of no role", "device: {required: true}", 0, 0, "device: role is missing"},
		{"plug", "connector: {any_of: [usb]}", 1, 22, `"usb" is not one of none, as2513-round7`},
		{"no plugs", "connector: {}", 0, 0, "connector: any_of: the list must not be empty"},
		{"speed in metres", "speed: {at_most: 100 m}", 1, 18, "a speed is needed"},
		{"speed left out", "speed: {}", 0, 0, "speed: at_most is missing"},
		{"notice", "notice: {about: weather}", 1, 17, `"weather" is not one of inspection`},
		{"notice of nothing", "notice: {}", 0, 0, "notice: about is missing"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := tryCompile(tc.oblige)
			if err == nil {
				t.Fatalf("%s compiles", tc.oblige)
			}
			if !strings.Contains(err.Error(), tc.message) {
				t.Errorf("says %q, want %q in it", err, tc.message)
			}
			var at *Error
			if placed := errors.As(err, &at); placed != (tc.line > 0) {
				t.Fatalf("%v: a place is given: %v", err, placed)
			}
			if at != nil && (at.Line != tc.line || tc.column > 0 && at.Column != tc.column || at.Column < 1) {
				t.Errorf("at %d:%d, want %d:%d (%v)", at.Line, at.Column, tc.line, tc.column, err)
			}
		})
	}
}

// The form of a document is checked by the reader itself, by line.
func TestFormFaults(t *testing.T) {
	for _, tc := range []struct{ oblige, message string }{
		{"winch: {required: true}", "line 1: field winch not found"},
		{"service_brakes:\n  required: true\n  discs: true", "line 3: field discs not found"},
		{"service_brakes: {required: perhaps}", "line 1"},
		{"service_brakes: {required: 1}", "line 1"},
		{"service_brakes: {required: [true]}", "line 1"},
		{"safety_chains: {count: two}", "line 1: must be a whole number"},
		{"safety_chains: {count: 1.5}", "line 1: must be a whole number"},
		{"safety_chains: {count: true}", "line 1: must be a whole number"},
		{"service_brakes:\n  wheels: [all]", "line 2: must be a single value"},
		{"service_brakes: {kinds: air}", "line 1"},
		{"service_brakes: {kinds: [[air]]}", "line 1: must be a single value"},
		{"breakaway: {hold: {minutes: 15}}", "line 1: must be a single value"},
		{"service_brakes: {required: true, required: false}", "line 1"},
	} {
		if _, err := tryCompile(tc.oblige); err == nil || !strings.Contains(err.Error(), tc.message) {
			t.Errorf("%s: %v, want %q", tc.oblige, err, tc.message)
		}
	}
}

// The canonical form, from which the identity of a version is made, holds each
// value as it was written and nothing of its place.
func TestCanonicalForm(t *testing.T) {
	for _, tc := range []struct{ oblige, json string }{
		{"{}", "{}"},
		{
			"service_brakes: {required: true, kinds: [air, \"surge\"], wheels: 'all', operable_from_cab: true}",
			`{"service_brakes":{"required":true,"kinds":["air","surge"],"wheels":"all","operable_from_cab":true}}`,
		},
		{"safety_chains:\n\n  count: 2 # two\n  each_rated: trailer.rated.total", `{"safety_chains":{"count":2,"each_rated":"trailer.rated.total"}}`},
		{"breakaway: {required: false}", `{"breakaway":{"required":false}}`},
		{"mass_limit: {of: kg(1), at_most: kg(2)}", `{"mass_limit":{"of":"kg(1)","at_most":"kg(2)"}}`},
		{"device: {role: sway_device, required: false}", `{"device":{"role":"sway_device","required":false}}`},
	} {
		var o Oblige
		if err := yaml.Unmarshal([]byte(tc.oblige), &o); err != nil {
			t.Fatal(err)
		}
		out, err := json.Marshal(&o)
		if err != nil {
			t.Fatal(err)
		}
		if string(out) != tc.json {
			t.Errorf("%s is kept as %s, want %s", tc.oblige, out, tc.json)
		}
	}
}

func FuzzCompile(f *testing.F) {
	for _, s := range samples {
		f.Add(s.oblige, s.rig)
	}
	f.Add("safety_chains: {together_breaking: 'kg(1) - trailer.tare'}", "{trailer: {tare: 2 t}, parts: [{role: chain, count: 100, breaking_force: 1000 kN}]}")
	f.Add("device: {}", "{}")
	f.Add("mass_limit: {of: trailer.tare}", "{parts: []}")
	f.Fuzz(func(t *testing.T, oblige, doc string) {
		ds, err := tryCompile(oblige)
		if err != nil {
			return
		}
		var m map[string]any
		if yaml.Unmarshal([]byte(doc), &m) != nil {
			return
		}
		r, err := rig.FromTree(m)
		if err != nil {
			return
		}
		for i := range ds {
			res := ds[i].Check(r, term)
			if !slices.Contains([]Status{Met, NotMet, Unknown, NotApplicable}, res.Status) || res.Summary == "" {
				t.Fatalf("%s: %+v", ds[i].Question, res)
			}
			if (res.Status == Unknown) != (len(res.Needs) > 0) && res.Status != NotMet {
				t.Fatalf("%s: %s with needs %v", ds[i].Question, res.Status, res.Needs)
			}
		}
	})
}

func BenchmarkCheck(b *testing.B) {
	var ds []Duty
	for _, s := range samples {
		ds = append(ds, compile(b, s.oblige)...)
	}
	r := aRig(b, `{trailer: {axle_count: 2, rated: {total: 2 t}, laden: {total: 1.9 t, ball: 100 kg}, brakes: {kind: electric, braked_axles: 2}},
  vehicle: {unladen: 2 t, towing: {braked: 3 t, ball: 200 kg}}, parts: [{role: chain, count: 2, breaking_force: 50 kN, rated_mass: 2 t, size: 8 mm}, {role: towbar, rated_mass: 3 t}]}`)
	b.ReportAllocs()
	for b.Loop() {
		for i := range ds {
			ds[i].Check(r, term)
		}
	}
}
