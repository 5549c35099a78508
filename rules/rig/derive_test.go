package rig

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

func TestContradictions(t *testing.T) {
	for _, tc := range []struct {
		name, doc string
		at        []string // every pointer that is marked
		why       string
	}{
		{"rated axles over total", `{"trailer": {"rated": {"axles": "2000.001 kg", "total": "2000 kg"}}}`, []string{"/trailer/rated/axles", "/trailer/rated/total"}, "2000.001 kg is more than 2000 kg"},
		{"rated ball over total", `{"trailer": {"rated": {"ball": "2 t", "total": "1 t"}}}`, []string{"/trailer/rated/ball", "/trailer/rated/total"}, "2 t is more than 1 t"},
		{"laden axles over total", `{"trailer": {"laden": {"axles": "2001 kg", "total": "2000 kg"}}}`, []string{"/trailer/laden/axles", "/trailer/laden/total"}, "is more than"},
		{"laden ball over total", `{"trailer": {"laden": {"ball": "2001 kg", "total": "2000 kg"}}}`, []string{"/trailer/laden/ball", "/trailer/laden/total"}, "is more than"},
		// 1 lb is 0.45359237 kg exactly: the next gram over the line is too much.
		{"axles over total across units", `{"trailer": {"rated": {"axles": "1360.77712 kg", "total": "3000 lb"}}}`, []string{"/trailer/rated/axles", "/trailer/rated/total"}, "1360.77712 kg is more than 3000 lb"},
		{"tare over rated total", `{"trailer": {"tare": "901 kg", "rated": {"total": "900 kg"}}}`, []string{"/trailer/rated/total", "/trailer/tare"}, "is more than"},
		{"tare over laden total", `{"trailer": {"tare": "901 kg", "laden": {"total": "900 kg"}}}`, []string{"/trailer/laden/total", "/trailer/tare"}, "is more than"},
		// The laden total was not entered, so its parts are marked.
		{"tare over the laden parts", `{"trailer": {"tare": "901 kg", "laden": {"axles": "800 kg", "ball": "100 kg"}}}`, []string{"/trailer/laden/axles", "/trailer/laden/ball", "/trailer/tare"}, "901 kg is more than 900 kg"},
		{"tare over the rated parts", `{"trailer": {"tare": "901 kg", "rated": {"axles": "800 kg", "ball": "100 kg"}}}`, []string{"/trailer/rated/axles", "/trailer/rated/ball", "/trailer/tare"}, "901 kg is more than 900 kg"},
		{"vehicle total over combination", `{"vehicle": {"rated": {"total": "3501 kg", "combination": "3500 kg"}}}`, []string{"/vehicle/rated/combination", "/vehicle/rated/total"}, "is more than"},
		{"kerb over total", `{"vehicle": {"kerb": "3001 kg", "rated": {"total": "3000 kg"}}}`, []string{"/vehicle/kerb", "/vehicle/rated/total"}, "is more than"},
		{"unladen over total", `{"vehicle": {"unladen": "3001 kg", "rated": {"total": "3000 kg"}}}`, []string{"/vehicle/rated/total", "/vehicle/unladen"}, "is more than"},
		{"laden parts too small", `{"trailer": {"laden": {"total": "2000 kg", "axles": "1800 kg", "ball": "199.999 kg"}}}`, []string{"/trailer/laden/ball", "/trailer/laden/total"}, "1800 kg and 199.999 kg do not add up to 2000 kg"},
		{"laden parts too large", `{"trailer": {"laden": {"total": "2000 kg", "axles": "1800 kg", "ball": "200.001 kg"}}}`, []string{"/trailer/laden/ball", "/trailer/laden/total"}, "do not add up"},
		{"rated parts", `{"trailer": {"rated": {"total": "2000 kg", "axles": "1800 kg", "ball": "100 kg"}}}`, []string{"/trailer/rated/ball", "/trailer/rated/total"}, "do not add up"},
		{"vehicle axles and total", `{"vehicle": {"laden": {"total": "2000 kg", "axles": ["900 kg", "1101 kg"]}}}`, []string{"/vehicle/laden/axles", "/vehicle/laden/total"}, "the axles add up to 2001 kg, not 2000 kg"},
		{"braked axles over axle count", `{"trailer": {"axle_count": 2, "brakes": {"braked_axles": 3}}}`, []string{"/trailer/axle_count", "/trailer/brakes/braked_axles"}, "3 is more than 2"},
		{"no brakes, braked axles", `{"trailer": {"brakes": {"kind": "none", "braked_axles": 1}}}`, []string{"/trailer/brakes/braked_axles", "/trailer/brakes/kind"}, "there are no brakes"},
		{"no brakes, axles listed", `{"trailer": {"brakes": {"kind": "none", "axle_positions": [1]}}}`, []string{"/trailer/brakes/axle_positions", "/trailer/brakes/kind"}, "there are no brakes"},
		{"automatic breakaway without brakes", `{"trailer": {"brakes": {"kind": "none"}, "breakaway": {"kind": "automatic"}}}`, []string{"/trailer/brakes/kind", "/trailer/breakaway/kind"}, "there are none"},
		{"no such axle", `{"trailer": {"axle_count": 2, "brakes": {"axle_positions": [1, 3]}}}`, []string{"/trailer/axle_count", "/trailer/brakes/axle_positions/1"}, "there is no axle 3 among 2"},
		{"axles listed and counted", `{"trailer": {"brakes": {"axle_positions": [1, 2], "braked_axles": 1}}}`, []string{"/trailer/brakes/axle_positions", "/trailer/brakes/braked_axles"}, "2 axles are listed and 1 are said"},
		{"vehicle registered before it was built", `{"vehicle": {"built": "2020-01-02", "first_registered": "2020-01-01"}}`, []string{"/vehicle/built", "/vehicle/first_registered"}, "2020-01-02 is more than 2020-01-01"},
		{"trailer registered before it was built", `{"trailer": {"built": "2020-01-02", "first_registered": "2020-01-01"}}`, []string{"/trailer/built", "/trailer/first_registered"}, "is more than"},
		{"a limit from a maker who gives none", `{"vehicle": {"towing": {"maker_rating": false, "braked": "2 t", "unbraked": "750 kg"}}}`, []string{"/vehicle/towing/braked", "/vehicle/towing/maker_rating", "/vehicle/towing/unbraked"}, "gives none"},
		{"cargo ahead of the body", `{"trailer": {"body": {"starts": "1.5 m", "ends": "5 m"}, "items": [{"mass": "1 kg", "behind_coupling": "1.5 m"}, {"behind_coupling": "1.499 m"}]}}`, []string{"/trailer/body/starts", "/trailer/items/1/behind_coupling"}, "ahead of the body"},
		{"cargo behind the body", `{"trailer": {"body": {"ends": "5 m"}, "items": [{"behind_coupling": "5 m"}, {"behind_coupling": "5.001 m"}]}}`, []string{"/trailer/body/ends", "/trailer/items/1/behind_coupling"}, "behind the body"},
		{"body the wrong way round", `{"trailer": {"body": {"starts": "5 m", "ends": "1 m"}}}`, []string{"/trailer/body/ends", "/trailer/body/starts"}, "is more than"},
		{"more on the ball than the whole", `{"trailer": {"tare": "300 kg", "tare_ball": "301 kg"}}`, []string{"/trailer/tare", "/trailer/tare_ball"}, "is more than"},
		{"breaking strength twice", `{"parts": [{"role": "chain", "breaking_mass": "5 t", "breaking_force": "50 kN"}]}`, []string{"/parts/0/breaking_force", "/parts/0/breaking_mass"}, "stands twice"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			is := mustRefuse(t, tc.doc)
			var at []string
			said := false
			for _, x := range is {
				at = append(at, x.Pointer)
				said = said || strings.Contains(x.Message, tc.why)
				if x.Code != CodeContradiction {
					t.Errorf("code %s", x.Code)
				}
				// Each side names another, so that a form can mark both.
				if !slices.ContainsFunc(tc.at, func(p string) bool { return p != x.Pointer && strings.Contains(x.Message, p) }) {
					t.Errorf("%s does not name the other side: %s", x.Pointer, x.Message)
				}
			}
			if at = slices.Compact(at); !slices.Equal(at, tc.at) {
				t.Errorf("marked %v, want %v", at, tc.at)
			}
			if !said {
				t.Errorf("%v does not say %q", is, tc.why)
			}
		})
	}
}

// What a plate or a weighbridge can well say is not refused.
func TestNoContradiction(t *testing.T) {
	for name, doc := range map[string]string{
		"axles equal total":              `{"trailer": {"rated": {"axles": "2000 kg", "total": "2000 kg", "ball": "0 kg"}, "laden": {"axles": "1 t", "total": "1 t"}}}`,
		"across units":                   `{"trailer": {"rated": {"axles": "1360.77711 kg", "total": "3000 lb"}}}`,
		"parts add up across units":      `{"trailer": {"laden": {"total": "553.59237 kg", "axles": "1000 lb", "ball": "100 kg"}}}`,
		"tare equals laden":              `{"trailer": {"tare": "900 kg", "laden": {"total": "900 kg"}, "rated": {"total": "900 kg"}}}`,
		"every axle braked":              `{"trailer": {"axle_count": 2, "brakes": {"kind": "electric", "braked_axles": 2, "axle_positions": [1, 2]}}}`,
		"no brakes, none braked":         `{"trailer": {"axle_count": 2, "brakes": {"kind": "none", "braked_axles": 0, "axle_positions": []}, "breakaway": {"kind": "secondary_coupling"}}}`,
		"registered on the day":          `{"trailer": {"built": "2020-01-01", "first_registered": "2020-01-01"}, "vehicle": {"built": "2020-01-01", "first_registered": "2020-01-01"}}`,
		"vehicle axles add up":           `{"vehicle": {"laden": {"total": "2000 kg", "axles": ["900 kg", "1.1 t"]}}}`,
		"maker gives limits":             `{"vehicle": {"towing": {"maker_rating": true, "braked": "2 t"}}}`,
		"maker gives none":               `{"vehicle": {"towing": {"maker_rating": false}}}`,
		"combination equals total":       `{"vehicle": {"rated": {"total": "3500 kg", "combination": "3500 kg"}, "kerb": "3500 kg", "unladen": "3500 kg"}}`,
		"overloaded, which the law sees": `{"trailer": {"rated": {"total": "750 kg", "axles": "700 kg"}, "laden": {"total": "900 kg", "axles": "850 kg"}}, "vehicle": {"rated": {"axles": ["1 t", "1 t"], "total": "3 t"}, "laden": {"total": "4 t"}}}`,
	} {
		t.Run(name, func(t *testing.T) { mustDecode(t, doc) })
	}
}

func TestDerivedFacts(t *testing.T) {
	for _, tc := range []struct {
		name, doc, figure, value, formula string
		inputs                            []Input
	}{
		{
			"laden total", `{"trailer": {"laden": {"axles": "2100 kg", "ball": "200 kg"}}}`,
			"trailer.laden.total", "2300 kg", "trailer.laden.axles + trailer.laden.ball",
			[]Input{{"/trailer/laden/axles", "2100 kg"}, {"/trailer/laden/ball", "200 kg"}},
		},
		{
			"laden axles", `{"trailer": {"laden": {"total": "2300 kg", "ball": "200 kg"}}}`,
			"trailer.laden.axles", "2100 kg", "trailer.laden.total - trailer.laden.ball",
			[]Input{{"/trailer/laden/total", "2300 kg"}, {"/trailer/laden/ball", "200 kg"}},
		},
		{
			"laden ball", `{"trailer": {"laden": {"total": "2300 kg", "axles": "2100 kg"}}}`,
			"trailer.laden.ball", "200 kg", "trailer.laden.total - trailer.laden.axles",
			[]Input{{"/trailer/laden/total", "2300 kg"}, {"/trailer/laden/axles", "2100 kg"}},
		},
		{
			"rated total", `{"trailer": {"rated": {"axles": "2200 kg", "ball": "200 kg"}}}`,
			"trailer.rated.total", "2400 kg", "trailer.rated.axles + trailer.rated.ball",
			[]Input{{"/trailer/rated/axles", "2200 kg"}, {"/trailer/rated/ball", "200 kg"}},
		},
		{
			"rated axles", `{"trailer": {"rated": {"total": "2400 kg", "ball": "200 kg"}}}`,
			"trailer.rated.axles", "2200 kg", "trailer.rated.total - trailer.rated.ball",
			[]Input{{"/trailer/rated/total", "2400 kg"}, {"/trailer/rated/ball", "200 kg"}},
		},
		{
			"rated ball", `{"trailer": {"rated": {"total": "2400 kg", "axles": "2200 kg"}}}`,
			"trailer.rated.ball", "200 kg", "trailer.rated.total - trailer.rated.axles",
			[]Input{{"/trailer/rated/total", "2400 kg"}, {"/trailer/rated/axles", "2200 kg"}},
		},
		{
			"load", `{"trailer": {"tare": "1900 kg", "laden": {"total": "2300 kg"}}}`,
			"trailer.laden.load", "400 kg", "trailer.laden.total - trailer.tare",
			[]Input{{"/trailer/laden/total", "2300 kg"}, {"/trailer/tare", "1900 kg"}},
		},
		{ // a figure worked out from a figure worked out rests on what was entered
			"load over two steps", `{"trailer": {"tare": "1900 kg", "laden": {"axles": "2100 kg", "ball": "200 kg"}}}`,
			"trailer.laden.load", "400 kg", "trailer.laden.total - trailer.tare",
			[]Input{{"/trailer/laden/axles", "2100 kg"}, {"/trailer/laden/ball", "200 kg"}, {"/trailer/tare", "1900 kg"}},
		},
		{
			"plated axle sum", `{"vehicle": {"rated": {"axles": ["1450 kg", "1800 kg"]}}}`,
			"vehicle.rated.axle_sum", "3250 kg", "sum of vehicle.rated.axles",
			[]Input{{"/vehicle/rated/axles/0", "1450 kg"}, {"/vehicle/rated/axles/1", "1800 kg"}},
		},
		{
			"axle loads", `{"vehicle": {"laden": {"axles": ["1250 kg", "1400 kg"]}}}`,
			"vehicle.laden.axle_sum", "2650 kg", "sum of vehicle.laden.axles",
			[]Input{{"/vehicle/laden/axles/0", "1250 kg"}, {"/vehicle/laden/axles/1", "1400 kg"}},
		},
		{
			"vehicle laden total", `{"vehicle": {"laden": {"axles": ["1250 kg", "1400 kg"]}}}`,
			"vehicle.laden.total", "2650 kg", "sum of vehicle.laden.axles",
			[]Input{{"/vehicle/laden/axles/0", "1250 kg"}, {"/vehicle/laden/axles/1", "1400 kg"}},
		},
		{
			"axle loads from the total", `{"vehicle": {"laden": {"total": "2650 kg"}}}`,
			"vehicle.laden.axle_sum", "2650 kg", "vehicle.laden.total",
			[]Input{{"/vehicle/laden/total", "2650 kg"}},
		},
		{
			"combination rated", `{"vehicle": {"rated": {"total": "3100 kg"}}, "trailer": {"rated": {"total": "2400 kg"}}}`,
			"combination.rated.total", "5500 kg", "vehicle.rated.total + trailer.rated.total",
			[]Input{{"/vehicle/rated/total", "3100 kg"}, {"/trailer/rated/total", "2400 kg"}},
		},
		{
			"combination laden", `{"vehicle": {"laden": {"axles": ["1 t", "1 t"]}}, "trailer": {"laden": {"axles": "900 kg", "ball": "100 kg"}}}`,
			"combination.laden.total", "3000 kg", "vehicle.laden.total + trailer.laden.total",
			[]Input{{"/vehicle/laden/axles/0", "1 t"}, {"/vehicle/laden/axles/1", "1 t"}, {"/trailer/laden/axles", "900 kg"}, {"/trailer/laden/ball", "100 kg"}},
		},
		{
			"braked limit", `{"vehicle": {"towing": {"braked": "3500 kg", "unbraked": "750 kg"}}, "trailer": {"brakes": {"kind": "electric"}}}`,
			"vehicle.towing.limit", "3500 kg", "vehicle.towing.braked if the trailer has a service brake, else vehicle.towing.unbraked",
			[]Input{{"/trailer/brakes/kind", "electric"}, {"/vehicle/towing/braked", "3500 kg"}},
		},
		{
			"unbraked limit", `{"vehicle": {"towing": {"braked": "3500 kg", "unbraked": "750 kg"}}, "trailer": {"brakes": {"kind": "none"}}}`,
			"vehicle.towing.limit", "750 kg", "vehicle.towing.braked if the trailer has a service brake, else vehicle.towing.unbraked",
			[]Input{{"/trailer/brakes/kind", "none"}, {"/vehicle/towing/unbraked", "750 kg"}},
		},
		{
			"brakes", `{"trailer": {"brakes": {"kind": "surge"}}}`, "trailer.brakes.fitted", "yes", "",
			[]Input{{"/trailer/brakes/kind", "surge"}},
		},
		{
			"no brakes", `{"trailer": {"brakes": {"kind": "none"}}}`, "trailer.brakes.fitted", "no", "",
			[]Input{{"/trailer/brakes/kind", "none"}},
		},
		{
			"all wheels", `{"trailer": {"axle_count": 2, "brakes": {"braked_axles": 2}}}`, "trailer.brakes.all_wheels", "yes", "",
			[]Input{{"/trailer/brakes/braked_axles", "2"}, {"/trailer/axle_count", "2"}},
		},
		{
			"not all wheels", `{"trailer": {"axle_count": 2, "brakes": {"braked_axles": 1}}}`, "trailer.brakes.all_wheels", "no", "",
			[]Input{{"/trailer/brakes/braked_axles", "1"}, {"/trailer/axle_count", "2"}},
		},
		{ // the number of braked axles was not entered, so it is not an input
			"all wheels by positions", `{"trailer": {"axle_count": 2, "brakes": {"axle_positions": [2, 1]}}}`, "trailer.brakes.all_wheels", "yes", "",
			[]Input{{"/trailer/brakes/axle_positions", "2 1"}, {"/trailer/axle_count", "2"}},
		},
		{
			"braked axles by positions", `{"trailer": {"brakes": {"axle_positions": [2]}}}`, "trailer.brakes.braked_axles", "1", "number of trailer.brakes.axle_positions",
			[]Input{{"/trailer/brakes/axle_positions", "2"}},
		},
		{
			"rear axle", `{"trailer": {"axle_count": 2, "brakes": {"axle_positions": [2]}}}`, "trailer.brakes.rear_axle", "yes", "",
			[]Input{{"/trailer/brakes/axle_positions", "2"}, {"/trailer/axle_count", "2"}},
		},
		{
			"front axle only", `{"trailer": {"axle_count": 2, "brakes": {"axle_positions": [1]}}}`, "trailer.brakes.rear_axle", "no", "",
			[]Input{{"/trailer/brakes/axle_positions", "1"}, {"/trailer/axle_count", "2"}},
		},
		{
			"rear axle among all", `{"trailer": {"axle_count": 2, "brakes": {"braked_axles": 2}}}`, "trailer.brakes.rear_axle", "yes", "",
			[]Input{{"/trailer/brakes/braked_axles", "2"}, {"/trailer/axle_count", "2"}},
		},
		{
			"maker rating", `{"vehicle": {"towing": {"unbraked": "750 kg"}}}`, "vehicle.towing.maker_rating", "yes", "a towing limit is given",
			[]Input{{"/vehicle/towing/unbraked", "750 kg"}},
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := mustDecode(t, tc.doc)
			id := must(tc.figure)
			if !r.Known(id) || r.Text(id) != tc.value {
				t.Fatalf("%s is %s, want %s", tc.figure, r.Text(id), tc.value)
			}
			i := slices.IndexFunc(r.Derivations(), func(d Derivation) bool { return d.Figure == tc.figure })
			if i < 0 {
				t.Fatal("it is not told how it was worked out")
			}
			d := r.Derivations()[i]
			if d.Value != tc.value || tc.formula != "" && d.Formula != tc.formula || d.Formula == "" || d.Assumption != "" {
				t.Errorf("told as %+v", d)
			}
			if !slices.Equal(d.Inputs, tc.inputs) || !slices.Equal(r.Inputs(id), tc.inputs) {
				t.Errorf("inputs are %v, want %v", d.Inputs, tc.inputs)
			}
		})
	}
}

// The law tells the whole trailer from what its axles carry and from what rests
// on the coupling: one figure alone never stands in for another.
func TestNothingIsSubstituted(t *testing.T) {
	figures := []string{"trailer.rated.total", "trailer.rated.axles", "trailer.rated.ball", "trailer.laden.total", "trailer.laden.axles", "trailer.laden.ball", "trailer.tare", "trailer.registered_total"}
	for _, given := range figures {
		r := mustDecode(t, nest(given, `"1500 kg"`))
		for _, other := range figures {
			if other != given && r.Known(must(other)) {
				t.Errorf("%s follows from %s alone", other, given)
			}
		}
		if n := len(r.Derivations()); n != 0 {
			t.Errorf("%d figures follow from %s alone", n, given)
		}
	}
	for _, tc := range []struct{ doc, unknown string }{
		{`{"trailer": {"rated": {"total": "2 t"}, "laden": {"total": "2 t", "axles": "1.8 t"}}}`, "trailer.rated.axles"},
		{`{"trailer": {"rated": {"total": "2 t", "axles": "1.8 t"}}}`, "trailer.laden.ball"},
		{`{"trailer": {"rated": {"total": "2 t"}, "tare": "1 t"}}`, "trailer.laden.load"},
		{`{"vehicle": {"rated": {"axles": ["1 t", "1 t"]}}}`, "vehicle.rated.total"},
		{`{"vehicle": {"rated": {"total": "2 t"}}}`, "vehicle.rated.axle_sum"},
		{`{"vehicle": {"kerb": "2 t"}}`, "vehicle.laden.total"},
		{`{"vehicle": {"rated": {"total": "2 t"}}, "trailer": {"laden": {"total": "1 t"}}}`, "combination.rated.total"},
		{`{"vehicle": {"towing": {"braked": "2 t"}}, "trailer": {"brakes": {"kind": "none"}}}`, "vehicle.towing.limit"},
		{`{"vehicle": {"towing": {"unbraked": "2 t"}}, "trailer": {"brakes": {"kind": "air"}}}`, "vehicle.towing.limit"},
		{`{"vehicle": {"towing": {"braked": "2 t", "unbraked": "750 kg"}}}`, "vehicle.towing.limit"},
		{`{"trailer": {"axle_count": 2, "brakes": {"braked_axles": 1}}}`, "trailer.brakes.rear_axle"},
		{`{"trailer": {"brakes": {"axle_positions": [2]}}}`, "trailer.brakes.rear_axle"},
		{`{"trailer": {"axle_count": 2, "brakes": {"kind": "electric"}}}`, "trailer.brakes.all_wheels"},
		{`{}`, "vehicle.towing.maker_rating"},
	} {
		if id := must(tc.unknown); mustDecode(t, tc.doc).Known(id) {
			t.Errorf("%s gives %s", tc.doc, tc.unknown)
		}
	}
}

func TestEstimateNeverDecides(t *testing.T) {
	r := mustDecode(t, `{"trailer": {"rated": {"total": "2400 kg"}, "laden": {"ball": "200 kg"}}, "vehicle": {"rated": {"total": "3 t"}}}`)
	id := must("trailer.rated.axles")
	if _, ok := r.Quantity(id); ok || r.Known(id) || r.Get(id).Known || r.Inputs(id) != nil || r.Text(id) != "unknown" {
		t.Error("the estimate passes for a fact")
	}
	ds := r.Derivations()
	if last := ds[len(ds)-1]; last.Figure != "trailer.rated.axles" || last.Value != "2200 kg" || last.Formula != "trailer.rated.total - trailer.laden.ball" ||
		!strings.Contains(last.Assumption, "decides nothing") ||
		!slices.Equal(last.Inputs, []Input{{"/trailer/rated/total", "2400 kg"}, {"/trailer/laden/ball", "200 kg"}}) {
		t.Errorf("the estimate is told as %+v", last)
	}
	for name, doc := range map[string]string{
		"the plate is read":          `{"trailer": {"rated": {"total": "2400 kg", "axles": "2300 kg"}, "laden": {"ball": "200 kg"}}}`,
		"the plated ball is known":   `{"trailer": {"rated": {"total": "2400 kg", "ball": "100 kg"}, "laden": {"ball": "200 kg"}}}`,
		"it would be below nothing":  `{"trailer": {"rated": {"total": "100 kg"}, "laden": {"ball": "200 kg"}}}`,
		"there is nothing to go on":  `{"trailer": {"rated": {"total": "2400 kg"}}}`,
		"the total is not the plate": `{"trailer": {"laden": {"total": "2400 kg", "ball": "200 kg"}}}`,
	} {
		for _, d := range mustDecode(t, doc).Derivations() {
			if d.Assumption != "" {
				t.Errorf("%s, and still it is estimated: %+v", name, d)
			}
		}
	}
}

// An estimate must stay out of every chain of formulas too.
func TestEstimateFeedsNoFormula(t *testing.T) {
	r := mustDecode(t, `{"trailer": {"rated": {"total": "2400 kg"}, "laden": {"ball": "200 kg"}}}`)
	for _, path := range []string{"trailer.rated.axles", "trailer.rated.ball"} {
		if r.Known(must(path)) {
			t.Errorf("%s follows from an estimate", path)
		}
	}
}

func TestUnitsMixExactly(t *testing.T) {
	// 3000 lb = 1360.77711 kg (international yard and pound agreement 1959).
	for _, tc := range []struct{ axles, ball, total string }{
		{"3000 lb", "100 kg", "1460.77711 kg"},
		{"3000 lb", "300 lb", "3300 lb"},
		{"1.35 t", "50 kg", "1400 kg"},
		{"1360.77711 kg", "0 lb", "1360.77711 kg"},
		{"0.1 lb", "0.2 lb", "0.3 lb"},               // not so in binary floating point
		{"1 lb", "0.000001 kg", "about 0.453593 kg"}, // 0.45359337 kg, cut for people only
	} {
		doc := fmt.Sprintf(`{"trailer": {"laden": {"axles": %q, "ball": %q}}}`, tc.axles, tc.ball)
		r := mustDecode(t, doc)
		if got := r.Text(must("trailer.laden.total")); got != tc.total {
			t.Errorf("%s and %s make %s, want %s", tc.axles, tc.ball, got, tc.total)
		}
		// And the sum that was worked out is accepted as the sum entered.
		q, _ := r.Quantity(must("trailer.laden.total"))
		mustDecode(t, fmt.Sprintf(`{"trailer": {"laden": {"axles": %q, "ball": %q, "total": %q}}}`, tc.axles, tc.ball, q.String()))
	}
	r := mustDecode(t, `{"vehicle": {"laden": {"axles": ["2000 lb", "1 t", "500 g"]}}}`)
	if got := r.Text(must("vehicle.laden.total")); got != "1907.68474 kg" { // 907.18474 + 1000 + 0.5
		t.Errorf("axles in three units make %s", got)
	}
}

func TestLargestRigAddsUp(t *testing.T) {
	top := `"100000 kg"`
	axles := "[" + strings.Repeat(top+",", MaxList-1) + top + "]"
	r := mustDecode(t, fmt.Sprintf(`{"vehicle": {"laden": {"axles": %s}, "rated": {"axles": %s}}, "trailer": {"laden": {"axles": %s, "ball": %s}}}`, axles, axles, top, top))
	if got := r.Text(must("combination.laden.total")); got != "1400000 kg" {
		t.Errorf("the largest combination weighs %s", got)
	}
}

// A difference that could come out below nothing must have its pair among the
// figures that are refused when out of order.
func TestDifferencesCannotBeNegative(t *testing.T) {
	for _, f := range formulas {
		whole, part, ok := strings.Cut(f.text, " - ")
		if ok && f.assumption == "" && !slices.ContainsFunc(noMore, func(pair []ID) bool { return slices.Equal(pair, []ID{must(part), must(whole)}) }) {
			t.Errorf("%s could be negative", f.text)
		}
	}
	for _, f := range formulas {
		g, ok := Lookup(f.target)
		if !ok {
			t.Errorf("no field %s", f.target)
		}
		for _, in := range f.inputs {
			if h, ok := Lookup(in); !ok || g.Derived() && h.Derived() {
				t.Errorf("%s rests on %s, which cannot be asked for", f.target, in)
			}
		}
	}
}

func TestWithDayLeavesTheRigAlone(t *testing.T) {
	r := mustDecode(t, example)
	before, derived := slices.Clone(r.values), mustJSON(t, r.Derivations())
	day, err := ParseDay("1999-12-31")
	if err != nil {
		t.Fatal(err)
	}
	other := r.WithDay(day)
	if got, ok := other.AsOf(); !ok || got != day {
		t.Errorf("the other day is %s", got)
	}
	if got, _ := r.AsOf(); got.String() != "2026-11-25" {
		t.Errorf("the rig's own day became %s", got)
	}
	if !slices.Equal(before, r.values) || mustJSON(t, r.Derivations()) != derived {
		t.Error("the rig was changed")
	}
	for _, f := range Fields() {
		if f.Path != "as_of" && (r.Get(f.ID) != other.Get(f.ID) || r.Text(f.ID) != other.Text(f.ID)) {
			t.Errorf("%s differs", f.Path)
		}
	}
	if _, ok := mustDecode(t, `{}`).AsOf(); ok {
		t.Error("a day was made up")
	}
	if got := mustDecode(t, `{}`).WithDay(day).Text(must("as_of")); got != "1999-12-31" {
		t.Errorf("the day reads %s", got)
	}
}

func TestUnknownFactsReadAsUnknown(t *testing.T) {
	r := mustDecode(t, `{}`)
	for _, f := range Fields() {
		if r.Known(f.ID) || r.Get(f.ID) != (Value{}) || r.Text(f.ID) != "unknown" || r.Inputs(f.ID) != nil {
			t.Errorf("%s is known in an empty rig", f.Path)
		}
		if _, ok := r.Quantity(f.ID); ok {
			t.Errorf("%s has an amount", f.Path)
		}
		if _, ok := r.Bool(f.ID); ok {
			t.Errorf("%s has a truth", f.Path)
		}
		if _, ok := r.Set(f.ID); ok {
			t.Errorf("%s has words", f.Path)
		}
	}
	if len(r.Derivations()) != 0 {
		t.Errorf("derived from nothing: %v", r.Derivations())
	}
}
