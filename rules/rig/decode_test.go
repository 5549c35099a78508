package rig

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"drawgear/rules/quantity"
)

// example is a whole rig as the contract shows it, then every further field
// that some law reads.
const example = `{
  "jurisdiction": "AU-NSW", "as_of": "2026-11-25", "use": {"commercial": false, "speed": "90 km/h"},
  "vehicle": {
    "kerb": "2250 kg", "unladen": "2175 kg", "category": "light_truck", "built": "2022-01-15",
    "rated": {"total": "3100 kg", "combination": "6000 kg", "axles": ["1450 kg", "1800 kg"]},
    "laden": {"axles": ["1250 kg", "1400 kg"], "total": "2650 kg"},
    "towing": {"braked": "3500 kg", "unbraked": "750 kg", "ball": "350 kg", "combination_speed": "100 km/h"},
    "wheelbase": "3.1 m", "ball_overhang": "1.2 m", "first_registered": "2022-03-01",
    "electrical": {"voltage": "12 V", "stop_signal": "switched", "assisted_stability": true}
  },
  "trailer": {
    "layout": "centre_axle", "axle_count": 2, "built": "2024-06-01",
    "rated": {"total": "2400 kg", "axles": "2200 kg"}, "tare": "1900 kg",
    "laden": {"total": "2300 kg", "axles": "2100 kg", "ball": "200 kg"},
    "brakes": {"kind": "electric", "braked_axles": 2, "magnets": 4, "operable_from_cab": true, "axle_positions": [1, 2]},
    "breakaway": {"kind": "automatic", "hold": "15 min", "battery_indicator": true, "battery": "7 Ah"},
    "parking_brake": true, "connector": "as4177.5-flat7",
    "purpose": "camping", "axle_spread": "0.95 m", "registered_total": "2400 kg", "first_registered": "2024-07-01",
    "registered_in": "AU-NSW", "approvals": ["un-r13", "adr-38"], "hitch": "ball"
  },
  "driver": {"licence": "C"},
  "evidence": {"stopping": {"from": "30 km/h", "within": "7 m"}},
  "parts": [
    {"role": "ball", "rated_mass": "3500 kg", "size": "50 mm"},
    {"role": "towbar", "rated_mass": "3500 kg", "d_value": "17.2 kN"},
    {"role": "coupling", "rated_mass": "2500 kg"},
    {"role": "chain", "rated_mass": "2500 kg", "count": 2}, {"role": "shackle", "rated_mass": "2000 kg", "count": 2},
    {"role": "load_levelling"}, {"role": "sway_device", "count": 0}
  ]
}`

func mustDecode(tb testing.TB, doc string) *Rig {
	tb.Helper()
	r, err := Decode([]byte(doc))
	if err != nil {
		tb.Fatalf("%s\nis refused: %v", doc, err)
	}
	return r
}

func mustRefuse(tb testing.TB, doc string) Issues {
	tb.Helper()
	r, err := Decode([]byte(doc))
	if err == nil {
		tb.Fatalf("%.300s\nis accepted", doc)
	}
	if r != nil {
		tb.Error("a refused document still gives a rig")
	}
	is, ok := AsIssues(err)
	if !ok || len(is) == 0 {
		tb.Fatalf("the error is %T %v, not issues", err, err)
	}
	for _, x := range is {
		if x.Message == "" || x.Advice == "" || x.Code == "" {
			tb.Errorf("%+v lacks words", x)
		}
		if x.Pointer != "" && !strings.HasPrefix(x.Pointer, "/") {
			tb.Errorf("%q is no JSON Pointer", x.Pointer)
		}
	}
	return is
}

// nest writes a document that holds one value at a dotted path.
func nest(path, value string) string {
	names := strings.Split(path, ".")
	for _, name := range slices.Backward(names) {
		value = fmt.Sprintf("{%q: %s}", name, value)
	}
	return value
}

func TestExampleDecodesWhole(t *testing.T) {
	r := mustDecode(t, example)
	if r.Jurisdiction != "AU-NSW" {
		t.Errorf("jurisdiction %q", r.Jurisdiction)
	}
	for path, want := range map[string]string{
		"as_of": "2026-11-25", "use.commercial": "no", "use.speed": "90 km/h",
		"vehicle.kerb": "2250 kg", "vehicle.unladen": "2175 kg", "vehicle.category": "light_truck", "vehicle.built": "2022-01-15",
		"vehicle.rated.total": "3100 kg", "vehicle.rated.combination": "6000 kg", "vehicle.rated.axles": "1450 kg, 1800 kg",
		"vehicle.laden.axles": "1250 kg, 1400 kg", "vehicle.laden.total": "2650 kg",
		"vehicle.towing.braked": "3500 kg", "vehicle.towing.unbraked": "750 kg", "vehicle.towing.ball": "350 kg",
		"vehicle.towing.combination_speed": "100 km/h", "vehicle.wheelbase": "3.1 m", "vehicle.ball_overhang": "1.2 m",
		"vehicle.first_registered": "2022-03-01", "vehicle.electrical.voltage": "12 V",
		"vehicle.electrical.stop_signal": "switched", "vehicle.electrical.assisted_stability": "yes",
		"trailer.layout": "centre_axle", "trailer.axle_count": "2", "trailer.built": "2024-06-01",
		"trailer.rated.total": "2400 kg", "trailer.rated.axles": "2200 kg", "trailer.tare": "1900 kg",
		"trailer.laden.total": "2300 kg", "trailer.laden.axles": "2100 kg", "trailer.laden.ball": "200 kg",
		"trailer.brakes.kind": "electric", "trailer.brakes.braked_axles": "2", "trailer.brakes.magnets": "4",
		"trailer.brakes.operable_from_cab": "yes", "trailer.brakes.axle_positions": "1 2",
		"trailer.breakaway.kind": "automatic", "trailer.breakaway.hold": "15 min",
		"trailer.breakaway.battery_indicator": "yes", "trailer.breakaway.battery": "7 Ah",
		"trailer.parking_brake": "yes", "trailer.connector": "as4177.5-flat7", "trailer.purpose": "camping",
		"trailer.axle_spread": "0.95 m", "trailer.registered_total": "2400 kg", "trailer.first_registered": "2024-07-01",
		"trailer.registered_in": "AU-NSW", "trailer.approvals": "un-r13, adr-38", "trailer.hitch": "ball",
		"driver.licence": "C", "evidence.stopping.from": "30 km/h", "evidence.stopping.within": "7 m",
		// And what follows from them.
		"trailer.rated.ball": "200 kg", "trailer.laden.load": "400 kg", "vehicle.rated.axle_sum": "3250 kg",
		"vehicle.laden.axle_sum": "2650 kg", "vehicle.towing.limit": "3500 kg", "combination.rated.total": "5500 kg",
		"combination.laden.total": "4950 kg", "trailer.brakes.fitted": "yes", "trailer.brakes.all_wheels": "yes",
		"trailer.brakes.rear_axle": "yes", "vehicle.towing.maker_rating": "yes",
	} {
		if id := must(path); !r.Known(id) || r.Text(id) != want {
			t.Errorf("%s is %q, want %q", path, r.Text(id), want)
		}
	}
	kg := func(s string) quantity.Quantity { return quantity.MustParse(quantity.Mass, s) }
	want := []Part{
		{Role: "ball", RatedMass: kg("3500 kg"), Size: quantity.MustParse(quantity.Length, "50 mm"), Count: 1},
		{Role: "towbar", RatedMass: kg("3500 kg"), DValue: quantity.MustParse(quantity.Force, "17.2 kN"), Count: 1},
		{Role: "coupling", RatedMass: kg("2500 kg"), Count: 1},
		{Role: "chain", RatedMass: kg("2500 kg"), Count: 2},
		{Role: "shackle", RatedMass: kg("2000 kg"), Count: 2},
		{Role: "load_levelling", Count: 1},
		{Role: "sway_device", Count: 0},
	}
	if !r.PartsKnown || !slices.Equal(r.Parts, want) {
		t.Errorf("parts are %+v", r.Parts)
	}
}

// goodValues gives for every field a JSON value it accepts and how it prints.
func goodValues(f Field) map[string]string {
	unit := f.Dim.BaseUnit().Symbol()
	switch f.Kind {
	case KindQuantity:
		good := map[string]string{`"10 ` + unit + `"`: "10 " + unit, `" 1.5` + unit + `"`: "1.5 " + unit}
		if !f.NotZero {
			good[`"0 `+unit+`"`] = "0 " + unit
		}
		return good
	case KindBool:
		return map[string]string{"true": "yes", "false": "no"}
	case KindCount:
		return map[string]string{"0": "0", "2": "2", "100": "100"}
	case KindText:
		return map[string]string{`"C"`: "C", `""`: "", `"` + strings.Repeat("é", MaxText) + `"`: strings.Repeat("é", MaxText)}
	case KindDate:
		return map[string]string{`"1900-01-01"`: "1900-01-01", `"2024-02-29"`: "2024-02-29", `"2199-12-31"`: "2199-12-31"}
	case KindWords:
		return map[string]string{"[]": "", fmt.Sprintf("[%q, %q]", f.Words[0], f.Words[1]): f.Words[0] + ", " + f.Words[1]}
	case KindCounts:
		return map[string]string{"[]": "", "[1]": "1", "[1, 3]": "1 3"}
	case KindMasses:
		return map[string]string{`["1450 kg"]`: "1450 kg", `["1450 kg", "2000 lb"]`: "1450 kg, 2000 lb"}
	default:
		out := map[string]string{}
		for _, w := range f.Words {
			out[fmt.Sprintf("%q", w)] = w
		}
		return out
	}
}

type refusal struct {
	value  string
	below  string // of the field's pointer
	code   string
	advice string
}

func badValues(f Field) []refusal {
	sampleText := "For example \"" + sample(f.Dim) + "\"."
	switch f.Kind {
	case KindQuantity:
		other := "5 V"
		if f.Dim == quantity.Voltage {
			other = "5 kg"
		}
		bad := []refusal{
			{"750", "", CodeWrongType, sampleText},
			{"null", "", CodeWrongType, sampleText},
			{"true", "", CodeWrongType, sampleText},
			{"{}", "", CodeWrongType, sampleText},
			{`["1 kg"]`, "", CodeWrongType, sampleText},
			{`""`, "", CodeBadQuantity, sampleText},
			{`"12"`, "", CodeBadQuantity, sampleText},
			{`"12 stone"`, "", CodeBadQuantity, sampleText},
			{`"` + other + `"`, "", CodeBadQuantity, sampleText},
			{`"-1 ` + f.Dim.BaseUnit().Symbol() + `"`, "", CodeBadQuantity, sampleText},
			{`"NaN ` + f.Dim.BaseUnit().Symbol() + `"`, "", CodeBadQuantity, sampleText},
			{`"Inf ` + f.Dim.BaseUnit().Symbol() + `"`, "", CodeBadQuantity, sampleText},
			{`"1e3 ` + f.Dim.BaseUnit().Symbol() + `"`, "", CodeBadQuantity, sampleText},
			{`"1.0000000000000000001 ` + f.Dim.BaseUnit().Symbol() + `"`, "", CodeBadQuantity, sampleText},
			{`"99999999999 ` + f.Dim.BaseUnit().Symbol() + `"`, "", CodeBadQuantity, sampleText},
			{`"1\u0000 ` + f.Dim.BaseUnit().Symbol() + `"`, "", CodeBadQuantity, sampleText},
		}
		if f.NotZero {
			bad = append(bad, refusal{`"0 ` + f.Dim.BaseUnit().Symbol() + `"`, "", CodeBadValue, "Measure it"})
		}
		return bad
	case KindBool:
		return []refusal{
			{`"yes"`, "", CodeWrongType, "Leave the field out"},
			{`"true"`, "", CodeWrongType, "Leave the field out"},
			{"1", "", CodeWrongType, "Leave the field out"},
			{"null", "", CodeWrongType, "Leave the field out"},
		}
	case KindCount:
		return []refusal{
			{`"2"`, "", CodeWrongType, "0 to 100."},
			{"2.5", "", CodeWrongType, "0 to 100."},
			{"1e1", "", CodeWrongType, "0 to 100."},
			{"null", "", CodeWrongType, "0 to 100."},
			{"-1", "", CodeBadValue, "0 to 100."},
			{"101", "", CodeBadValue, "0 to 100."},
			{"99999999999999999999", "", CodeBadValue, "0 to 100."},
			{"-99999999999999999999", "", CodeBadValue, "0 to 100."},
		}
	case KindWord:
		return []refusal{
			{`"no such word"`, "", CodeBadValue, "One of " + strings.Join(f.Words, ", ")},
			{fmt.Sprintf("%q", strings.ToUpper(f.Words[0])), "", CodeBadValue, "One of "},
			{fmt.Sprintf("%q", f.Words[0]+" "), "", CodeBadValue, "One of "},
			{`""`, "", CodeBadValue, "One of "},
			{"1", "", CodeWrongType, "leave the field out"},
			{"null", "", CodeWrongType, "leave the field out"},
		}
	case KindText:
		return []refusal{
			{"1", "", CodeWrongType, "leave the field out"},
			{"null", "", CodeWrongType, "leave the field out"},
			{`"` + strings.Repeat("é", MaxText+1) + `"`, "", CodeLimit, "At most 64 characters."},
			{`"a\nb"`, "", CodeBadValue, "Use plain text."},
			{`"a\u0000"`, "", CodeBadValue, "Use plain text."},
			{`"a\u007f"`, "", CodeBadValue, "Use plain text."},
			{`"a\u0085"`, "", CodeBadValue, "Use plain text."}, // next line, of the second set of controls
		}
	case KindDate:
		var out []refusal
		for _, s := range []string{"2023-02-29", "2024-13-01", "25/11/2026", "2026-11", "20261125", "2026-11-25T00:00:00Z", ""} {
			out = append(out, refusal{`"` + s + `"`, "", CodeBadValue, "year-month-day"})
		}
		return append(out,
			refusal{`"1899-12-31"`, "", CodeBadValue, "between 1900 and 2199"},
			refusal{`"2200-01-01"`, "", CodeBadValue, "between 1900 and 2199"},
			refusal{"2026", "", CodeWrongType, "leave the field out"},
			refusal{"null", "", CodeWrongType, "leave the field out"})
	case KindWords:
		return []refusal{
			{fmt.Sprintf("%q", f.Words[0]), "", CodeWrongType, "square brackets"},
			{"null", "", CodeWrongType, "square brackets"},
			{"{}", "", CodeWrongType, "square brackets"},
			{fmt.Sprintf("[%q, %q]", f.Words[0], "no such word"), "/1", CodeBadValue, "One of " + strings.Join(f.Words, ", ")},
			{"[1]", "/0", CodeWrongType, "leave the field out"},
			{"[" + strings.Repeat(fmt.Sprintf("%q,", f.Words[0]), MaxList) + fmt.Sprintf("%q]", f.Words[0]), "", CodeLimit, "At most 12 entries."},
		}
	case KindCounts:
		return []refusal{
			{"1", "", CodeWrongType, "square brackets"},
			{`["1"]`, "/0", CodeWrongType, "0 to 100."},
			{"[1, 1.5]", "/1", CodeWrongType, "0 to 100."},
			{"[1, -1]", "/1", CodeBadValue, "0 to 100."},
			{"[0]", "/0", CodeBadValue, "1 first"},
			{"[1, 2, 1]", "/2", CodeBadValue, "once"},
			{"[1,2,3,4,5,6,7,8,9,10,11,12,13]", "", CodeLimit, "At most 12 entries."},
		}
	default: // KindMasses
		return []refusal{
			{`"1450 kg"`, "", CodeWrongType, "square brackets"},
			{"[]", "", CodeBadValue, "leave the field out"},
			{`["1450 kg", 1800]`, "/1", CodeWrongType, `For example "2000 kg".`},
			{`["1450 kg", "3 m"]`, "/1", CodeBadQuantity, `For example "2000 kg".`},
			{"[" + strings.Repeat(`"1 kg",`, MaxList) + `"1 kg"]`, "", CodeLimit, "At most 12 entries."},
		}
	}
}

func TestEveryFieldAcceptsAndRefuses(t *testing.T) {
	for _, f := range Fields() {
		t.Run(f.Path, func(t *testing.T) {
			if f.Derived() {
				is := mustRefuse(t, nest(f.Path, `"1 kg"`))
				// A whole section may exist only for derived figures.
				if is[0].Code != CodeUnknownField {
					t.Errorf("a derived figure was entered: %+v", is)
				}
				for _, p := range f.Sources {
					if g, ok := Lookup(strings.ReplaceAll(p[1:], "/", ".")); !ok || g.Derived() {
						t.Errorf("its source %s cannot be entered", p)
					}
				}
				return
			}
			for value, want := range goodValues(f) {
				r := mustDecode(t, nest(f.Path, value))
				if !r.Known(f.ID) || r.Text(f.ID) != want {
					t.Errorf("%s reads as %q, want %q", value, r.Text(f.ID), want)
				}
				if in := r.Inputs(f.ID); len(in) != 1 || in[0] != (Input{f.Pointer, want}) {
					t.Errorf("%s: inputs are %v", value, in)
				}
			}
			for _, bad := range badValues(f) {
				is := mustRefuse(t, nest(f.Path, bad.value))
				if x := is[0]; len(is) != 1 || x.Pointer != f.Pointer+bad.below || x.Code != bad.code || !strings.Contains(x.Advice, bad.advice) {
					t.Errorf("%s: got %+v, want %s at %s with advice %q", bad.value, is, bad.code, f.Pointer+bad.below, bad.advice)
				}
			}
			if f.Doc == "" {
				t.Error("no meaning is given")
			}
		})
	}
}

func TestJurisdiction(t *testing.T) {
	for value, code := range map[string]string{
		`"AU"`: "", `"AU-NSW"`: "", `"US-CA"`: "", `"GB"`: "", `"FR-75"`: "", `"XX-1"`: "",
		`"au"`: CodeBadValue, `"AUS"`: CodeBadValue, `"A"`: CodeBadValue, `""`: CodeBadValue, `"AU-"`: CodeBadValue,
		`"AU-ABCD"`: CodeBadValue, `"AU-nsw"`: CodeBadValue, `"AU NSW"`: CodeBadValue, `"ÄU"`: CodeBadValue, `"AU-N-S"`: CodeBadValue,
		"36": CodeWrongType, "null": CodeWrongType, `"AU\u0000"`: CodeBadValue,
	} {
		doc := nest("jurisdiction", value)
		if code == "" {
			mustDecode(t, doc)
			continue
		}
		if is := mustRefuse(t, doc); is[0].Pointer != "/jurisdiction" || is[0].Code != code {
			t.Errorf("%s: %+v", value, is)
		}
	}
}

func TestParts(t *testing.T) {
	for _, tc := range []struct {
		parts, ptr, code, advice string // no code: accepted
	}{
		{`[]`, "", "", ""},
		{`[{"role": "ball"}]`, "", "", ""},
		{`[{"role": "chain", "rated_mass": "1 t", "breaking_mass": "5000 lb", "rated_ball": "100 kg", "d_value": "1 kN", "size": "8 mm", "grade": "L", "count": 0}]`, "", "", ""},
		{`[{"role": "tyre", "load_index": 98, "load_index_dual": 96, "speed_symbol": "N", "on": "trailer", "axle": 2, "count": 4}, {"role": "shackle", "working_load": "1 t", "dc_value": "1 kN", "v_value": "1 kN", "least_mass": "0 kg"}]`, "", "", ""},
		{`[{"role": "tyre", "load_index": 280}]`, "/parts/0/load_index", CodeBadValue, "0 to 279"},
		{`[{"role": "tyre", "on": "roof"}]`, "/parts/0/on", CodeBadValue, "One of vehicle, trailer"},
		{`[{"role": "chain", "breaking_force": "49.03325 kN"}]`, "", "", ""},
		{"[" + strings.Repeat(`{"role": "axle"},`, MaxParts-1) + `{"role": "axle"}]`, "", "", ""},
		{`{}`, "/parts", CodeWrongType, "One entry a part."},
		{`null`, "/parts", CodeWrongType, "One entry a part."},
		{`["ball"]`, "/parts/0", CodeWrongType, "role, rated_mass"},
		{`[{"role": "ball"}, {}]`, "/parts/1/role", CodeBadValue, "One of towbar, ball"},
		{`[{"rated_mass": "1 kg"}]`, "/parts/0/role", CodeBadValue, "One of towbar"},
		{`[{"role": "hook"}]`, "/parts/0/role", CodeBadValue, "One of towbar"},
		{`[{"role": 1}]`, "/parts/0/role", CodeWrongType, "quotes"},
		{`[{"role": "ball", "rated_mass": 3500}]`, "/parts/0/rated_mass", CodeWrongType, "2000 kg"},
		{`[{"role": "ball", "rated_mass": "3500 N"}]`, "/parts/0/rated_mass", CodeBadQuantity, "2000 kg"},
		{`[{"role": "ball", "breaking_mass": "-1 kg"}]`, "/parts/0/breaking_mass", CodeBadQuantity, "2000 kg"},
		{`[{"role": "ball", "rated_ball": "1 m"}]`, "/parts/0/rated_ball", CodeBadQuantity, "2000 kg"},
		{`[{"role": "ball", "breaking_force": "50 kg"}]`, "/parts/0/breaking_force", CodeBadQuantity, "10 N"},
		{`[{"role": "ball", "d_value": "17.2"}]`, "/parts/0/d_value", CodeBadQuantity, "10 N"},
		{`[{"role": "ball", "size": "50 kg"}]`, "/parts/0/size", CodeBadQuantity, "10 m"},
		{`[{"role": "ball", "grade": "a\tb"}]`, "/parts/0/grade", CodeBadValue, "plain text"},
		{`[{"role": "ball", "count": -1}]`, "/parts/0/count", CodeBadValue, "0 to 100"},
		{`[{"role": "ball", "count": "two"}]`, "/parts/0/count", CodeWrongType, "0 to 100"},
		{`[{"role": "ball", "rated_mas": "1 kg"}]`, "/parts/0/rated_mas", CodeUnknownField, `"rated_mass"`},
		{`[{"role": "ball", "a/b~c": 1}]`, "/parts/0/a~1b~0c", CodeUnknownField, "Remove it"},
		{"[" + strings.Repeat(`{"role": "axle"},`, MaxParts) + `{"role": "axle"}]`, "/parts", CodeLimit, "At most 64 entries."},
		{"[" + strings.Repeat(`{"role": "axle"},`, 2*MaxParts) + `{"role": "axle"}]`, "/parts", CodeLimit, "At most 64 entries."},
	} {
		doc := nest("parts", tc.parts)
		if tc.code == "" {
			if r := mustDecode(t, doc); !r.PartsKnown {
				t.Errorf("%s: the list counts as left out", tc.parts)
			}
			continue
		}
		is := mustRefuse(t, doc)
		if x := is[0]; len(is) != 1 || x.Pointer != tc.ptr || x.Code != tc.code || !strings.Contains(x.Advice, tc.advice) {
			t.Errorf("%.80s: got %+v, want %s at %s", tc.parts, is, tc.code, tc.ptr)
		}
	}
	if mustDecode(t, `{}`).PartsKnown {
		t.Error("a list that was left out counts as known")
	}
}

func TestUnknownFieldsAreNamed(t *testing.T) {
	for _, tc := range []struct{ doc, ptr, advice string }{
		{`{"trialer": {}}`, "/trialer", `Did you mean "trailer"?`},
		{`{"vehicel": {}}`, "/vehicel", `Did you mean "vehicle"?`},
		{`{"part": []}`, "/part", `Did you mean "parts"?`},
		{`{"juristiction": "AU"}`, "/juristiction", `Did you mean "jurisdiction"?`},
		{`{"asof": "2026-11-25"}`, "/asof", `Did you mean "as_of"?`},
		{`{"trailer": {"axel_count": 2}}`, "/trailer/axel_count", `Did you mean "axle_count"?`},
		{`{"trailer": {"rated": {"axels": "1 kg"}}}`, "/trailer/rated/axels", `Did you mean "axles"?`},
		{`{"trailer": {"rated": {"gtm": "1 kg"}}}`, "/trailer/rated/gtm", "Remove it"},
		{`{"trailer": {"brakes": {"knd": "none"}}}`, "/trailer/brakes/knd", `Did you mean "kind"?`},
		{`{"trailer": {"brakes": {"fitted": true}}}`, "/trailer/brakes/fitted", "worked out, not entered"},
		{`{"trailer": {"laden": {"load": "1 kg"}}}`, "/trailer/laden/load", "worked out, not entered"},
		{`{"evidence": {"stopping": {"form": "1 km/h"}}}`, "/evidence/stopping/form", `Did you mean "from"?`},
		{`{"zzzzzz": 1}`, "/zzzzzz", "Remove it"},
		{`{"": 1}`, "/", "Remove it"},
		{`{"": {"trailer": {"tare": "1 kg"}}}`, "/", "Remove it"}, // nor is an empty name
		{`{"a/b~": 1}`, "/a~1b~0", "Remove it"},
		// A dotted name is no second way into the document: it would get past
		// the check for names that stand twice.
		{`{"trailer.tare": "1 kg"}`, "/trailer.tare", "Remove it"},
		{`{"trailer.rated": {"total": "1 kg"}}`, "/trailer.rated", "Remove it"},
		{`{"trailer": {"rated.total": "1 kg"}}`, "/trailer/rated.total", "Remove it"},
		{`{"` + strings.Repeat("x", 300) + `": 1}`, "/" + strings.Repeat("x", MaxText), "Remove it"},
		{`{"x` + strings.Repeat("é", 100) + `": 1}`, "/x" + strings.Repeat("é", 31), "Remove it"}, // the cut never splits a character
	} {
		is := mustRefuse(t, tc.doc)
		if x := is[0]; len(is) != 1 || x.Pointer != tc.ptr || x.Code != CodeUnknownField || !strings.Contains(x.Advice, tc.advice) {
			t.Errorf("%.60s: got %+v, want %s with advice %q", tc.doc, is, tc.ptr, tc.advice)
		}
	}
}

func TestSectionsMustBeObjects(t *testing.T) {
	for _, value := range []string{`"x"`, "1", "true", "null", "[]"} {
		for path := range sections {
			if path == "" {
				continue
			}
			is := mustRefuse(t, nest(path, value))
			if want := pointer(path); is[0].Pointer != want || is[0].Code != CodeWrongType || !strings.Contains(is[0].Advice, "It holds ") {
				t.Errorf("%s at %s: %+v", value, path, is)
			}
		}
	}
}

func TestDocumentIsOneJSONObjectWithinLimits(t *testing.T) {
	deep := func(n int) string { return strings.Repeat(`{"trailer":`, n) + "1" + strings.Repeat("}", n) }
	pad := func(n int) string {
		return `{"jurisdiction": "GB"}` + strings.Repeat(" ", n-len(`{"jurisdiction": "GB"}`))
	}
	for _, tc := range []struct{ name, doc, ptr, code, message string }{
		{"empty", "", "", CodeSyntax, "not a JSON document"},
		{"space", " \n", "", CodeSyntax, "not a JSON document"},
		{"list", "[]", "", CodeWrongType, "must be a JSON object"},
		{"text", `"rig"`, "", CodeWrongType, "must be a JSON object"},
		{"null", "null", "", CodeWrongType, "must be a JSON object"},
		{"cut short", `{"trailer": {`, "", CodeSyntax, "not a JSON document"},
		{"comma at the end", `{"jurisdiction": "GB",}`, "", CodeSyntax, "not a JSON document"},
		{"comma at the end of a list", `{"parts": [{"role": "ball"},]}`, "", CodeSyntax, "not a JSON document"},
		{"no colon", `{"jurisdiction" "GB"}`, "", CodeSyntax, "not a JSON document"},
		{"name without quotes", `{jurisdiction: "GB"}`, "", CodeSyntax, "not a JSON document"},
		{"comment", `{} // x`, "", CodeSyntax, "more after the end"},
		{"not a number", `{"trailer": {"axle_count": NaN}}`, "", CodeSyntax, "not a JSON document"},
		{"leading zero", `{"trailer": {"axle_count": 02}}`, "", CodeSyntax, "not a JSON document"},
		{"second object", `{} {}`, "", CodeSyntax, "more after the end"},
		{"stray brace", `{}}`, "", CodeSyntax, "more after the end"},
		{"raw control character", "{\"driver\": {\"licence\": \"a\x01\"}}", "", CodeSyntax, "not a JSON document"},
		{"byte order mark", "\ufeff{}", "", CodeSyntax, "not a JSON document"},
		{"not UTF-8 in a value", "{\"driver\": {\"licence\": \"\xff\"}}", "", CodeSyntax, "not UTF-8"},
		{"not UTF-8 in a name", "{\"\xc3\": 1}", "", CodeSyntax, "not UTF-8"},
		{"name twice", `{"trailer": {"tare": "1 kg", "tare": "1 kg"}}`, "/trailer/tare", CodeContradiction, "stands twice"},
		{"section twice", `{"trailer": {}, "vehicle": {}, "trailer": {}}`, "/trailer", CodeContradiction, "stands twice"},
		{"name twice, once escaped", `{"trailer": {"tare": "1 kg", "t\u0061re": "2 kg"}}`, "/trailer/tare", CodeContradiction, "stands twice"},
		{"name twice in a part", `{"parts": [{"role": "ball"}, {"role": "ball", "role": "axle"}]}`, "/parts/1/role", CodeContradiction, "stands twice"},
		{"too deep", deep(MaxDepth + 1), strings.Repeat("/trailer", MaxDepth+1), CodeLimit, "too deep"},
		{"far too deep", strings.Repeat("[", 5000), strings.Repeat("/0", MaxDepth+1), CodeLimit, "too deep"},
		{"too large", pad(MaxBytes + 1), "", CodeLimit, "larger than 65536 bytes"},
		{"list too long where none belongs", `{"x": [` + strings.Repeat("1,", 100) + `1]}`, "/x", CodeLimit, "too long"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			is := mustRefuse(t, tc.doc)
			if x := is[0]; len(is) != 1 || x.Pointer != tc.ptr || x.Code != tc.code || !strings.Contains(x.Message, tc.message) {
				t.Errorf("got %+v, want %s at %q: %q", is, tc.code, tc.ptr, tc.message)
			}
		})
	}
	mustDecode(t, pad(MaxBytes))
	mustDecode(t, " \r\n\t{}\n")
	// As deep as permitted it is merely unknown.
	if is := mustRefuse(t, deep(MaxDepth)); is[0].Code != CodeUnknownField {
		t.Errorf("at the limit of depth: %+v", is)
	}
}

func TestIssuesAreSortedAndBounded(t *testing.T) {
	is := mustRefuse(t, `{"vehicle": {"kerb": 1}, "trailer": {"tare": 1, "rated": {"total": 1, "axles": 1}}, "zz": 1, "as_of": 1, "parts": [{}, {"role": 1, "count": "x"}]}`)
	var got []string
	for _, x := range is {
		got = append(got, x.Pointer)
	}
	want := []string{"/as_of", "/parts/0/role", "/parts/1/count", "/parts/1/role", "/trailer/rated/axles", "/trailer/rated/total", "/trailer/tare", "/vehicle/kerb", "/zz"}
	if !slices.Equal(got, want) {
		t.Errorf("issues at %v, want %v", got, want)
	}
	if text := is.Error(); !strings.HasPrefix(text, "/as_of: must be text; /parts/0/role: ") {
		t.Errorf("as one line: %s", text)
	}
	is = mustRefuse(t, `{"parts": [`+strings.Repeat(`{"x": 1},`, 40)+`{}]}`)
	if len(is) != maxIssues {
		t.Errorf("%d issues, want %d", len(is), maxIssues)
	}
	if _, ok := AsIssues(fmt.Errorf("wrapped: %w", error(is))); !ok {
		t.Error("wrapped issues are not found")
	}
	if _, ok := AsIssues(errors.New("other")); ok {
		t.Error("another error passes for issues")
	}
}

func TestOrderOfKeysDoesNotMatter(t *testing.T) {
	a := mustDecode(t, `{"jurisdiction": "GB", "trailer": {"laden": {"axles": "1 t", "ball": "50 kg"}, "tare": "800 kg"}, "vehicle": {"kerb": "2 t"}}`)
	b := mustDecode(t, `{"vehicle": {"kerb": "2 t"}, "trailer": {"tare": "800 kg", "laden": {"ball": "50 kg", "axles": "1 t"}}, "jurisdiction": "GB"}`)
	sameFacts(t, a, b)
	if x, y := mustJSON(t, a.Derivations()), mustJSON(t, b.Derivations()); x != y {
		t.Errorf("derivations differ:\n%s\n%s", x, y)
	}
	x := mustRefuse(t, `{"b": 1, "parts": [{"q": 1, "role": 1, "a": 2}], "a": 1}`)
	y := mustRefuse(t, `{"a": 1, "parts": [{"a": 2, "role": 1, "q": 1}], "b": 1}`)
	if !slices.Equal(x, y) {
		t.Errorf("issues differ:\n%v\n%v", x, y)
	}
}

func sameFacts(tb testing.TB, a, b *Rig) {
	tb.Helper()
	for _, f := range Fields() {
		if a.Known(f.ID) != b.Known(f.ID) || a.Get(f.ID) != b.Get(f.ID) {
			tb.Fatalf("%s is %s here and %s there", f.Path, a.Text(f.ID), b.Text(f.ID))
		}
	}
}

func mustJSON(tb testing.TB, v any) string {
	tb.Helper()
	out, err := json.Marshal(v)
	if err != nil {
		tb.Fatal(err)
	}
	return string(out)
}

// Examples in rulesets are read from YAML, where counts are plain ints.
func TestFromTree(t *testing.T) {
	r, err := FromTree(map[string]any{"trailer": map[string]any{"axle_count": 2, "parking_brake": true, "approvals": []any{"un-r13"}}})
	if err != nil {
		t.Fatal(err)
	}
	if r.Text(must("trailer.axle_count")) != "2" || r.Text(must("trailer.approvals")) != "un-r13" {
		t.Error("facts are lost")
	}
	for _, bad := range []any{2.0, uint64(2), int64(2), nil, []int{2}} {
		if _, err := FromTree(map[string]any{"trailer": map[string]any{"axle_count": bad}}); err == nil {
			t.Errorf("a count of type %T is accepted", bad)
		}
	}
	if _, err := FromTree(nil); err != nil {
		t.Errorf("a rig of which nothing is known is refused: %v", err)
	}
}

func TestLookupAndClosest(t *testing.T) {
	for i, f := range Fields() {
		g, ok := Lookup(f.Path)
		if !ok || g.ID != ID(i) || ByID(g.ID).Path != f.Path || Must(f.Path) != f.ID {
			t.Errorf("%s is not found at its place", f.Path)
		}
		if !f.Derived() && f.Pointer != "/"+strings.ReplaceAll(f.Path, ".", "/") {
			t.Errorf("%s has pointer %s", f.Path, f.Pointer)
		}
		if len(f.Pointers()) == 0 {
			t.Errorf("%s cannot be supplied", f.Path)
		}
	}
	if FieldCount() != len(Fields()) {
		t.Error("the count of fields is wrong")
	}
	if _, ok := Lookup("trailer.gtm"); ok {
		t.Error("a fact that is not there is found")
	}
	defer func() {
		if recover() == nil {
			t.Error("Must accepts a path that is not there")
		}
	}()
	Must("trailer.gtm")
}

func TestDay(t *testing.T) {
	for text, want := range map[string]Day{"1970-01-01": 0, "1970-01-02": 1, "1969-12-31": -1, "2000-03-01": 11017, "1900-01-01": -25567} {
		d, err := ParseDay(text)
		if err != nil || d != want || d.String() != text {
			t.Errorf("%s is day %d (%s), %v; want %d", text, d, d, err, want)
		}
	}
}

func TestItems(t *testing.T) {
	r := mustDecode(t, `{"vehicle": {"items": [{"name": "tools", "mass": "120 kg", "behind_front_axle": "3.4 m"}]}, "trailer": {"items": [{"mass": "80 kg"}, {"behind_coupling": "0 m"}]}}`)
	if len(r.VehicleItems) != 1 || r.VehicleItems[0].Name != "tools" || r.VehicleItems[0].Mass.Text() != "120 kg" || r.VehicleItems[0].At.Text() != "3.4 m" {
		t.Errorf("the vehicle carries %+v", r.VehicleItems)
	}
	if len(r.TrailerItems) != 2 || !r.TrailerItems[0].At.IsZero() || r.TrailerItems[1].At.IsZero() || !r.TrailerItems[1].Mass.IsZero() {
		t.Errorf("the trailer carries %+v", r.TrailerItems)
	}
	for _, tc := range []refusal{
		{`{"trailer": {"items": {}}}`, "/trailer/items", CodeWrongType, "One entry"},
		{`{"trailer": {"items": [1]}}`, "/trailer/items/0", CodeWrongType, "behind_coupling"},
		{`{"trailer": {"items": [{"mass": "1 m"}]}}`, "/trailer/items/0/mass", CodeBadQuantity, "2000 kg"},
		{`{"trailer": {"items": [{"behind_coupling": "-1 m"}]}}`, "/trailer/items/0/behind_coupling", CodeBadQuantity, "10 m"},
		{`{"trailer": {"items": [{"behind_front_axle": "1 m"}]}}`, "/trailer/items/0/behind_front_axle", CodeUnknownField, ""},
		{`{"vehicle": {"items": [{"nam": "x"}]}}`, "/vehicle/items/0/nam", CodeUnknownField, `"name"`},
		{`{"vehicle": {"items": [` + strings.Repeat("{},", maxItems) + `{}]}}`, "/vehicle/items", CodeLimit, "At most 50 entries."},
	} {
		is := mustRefuse(t, tc.value)
		if x := is[0]; len(is) != 1 || x.Pointer != tc.below || x.Code != tc.code || !strings.Contains(x.Advice, tc.advice) {
			t.Errorf("%.80s: got %+v, want %s at %s", tc.value, is, tc.code, tc.below)
		}
	}
}
