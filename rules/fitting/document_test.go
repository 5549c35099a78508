package fitting_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"drawgear/rules/fitting"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// decoders are the three documents that a client sends.
var decoders = []struct {
	name   string
	of     reflect.Type
	decode func([]byte) (any, error)
}{
	{"request", reflect.TypeFor[fitting.Request](), func(b []byte) (any, error) { return fitting.Decode(b) }},
	{"measurements", reflect.TypeFor[fitting.Measurements](), func(b []byte) (any, error) { return fitting.DecodeMeasurements(b) }},
	{"record", reflect.TypeFor[fitting.Record](), func(b []byte) (any, error) { return fitting.DecodeRecord(b) }},
}

// leaf is one field of a document with the way there.
type leaf struct {
	path []string // names; "0" inside a list
	typ  reflect.Type
	tag  reflect.StructTag
}

func leaves(t reflect.Type, at []string, tag reflect.StructTag) []leaf {
	switch {
	case t == reflect.TypeFor[quantity.Quantity](), t.Kind() == reflect.String, t.Kind() == reflect.Int, t.Kind() == reflect.Pointer:
		return []leaf{{at, t, tag}}
	case t.Kind() == reflect.Slice:
		return leaves(t.Elem(), append(slices.Clone(at), "0"), tag)
	}
	var out []leaf
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		out = append(out, leaves(f.Type, append(slices.Clone(at), name), f.Tag)...)
	}
	return out
}

// nest writes a document with one value at a path; entries of lists that must
// hold more are filled.
func nest(path []string, value string) string {
	for _, name := range slices.Backward(path) {
		switch name {
		case "0":
			value = "[" + value + "]"
		case "demand":
			value = fmt.Sprintf(`{"demand": %s, "socket": "1 V"}`, value)
		case "socket":
			value = fmt.Sprintf(`{"demand": "50 %%", "socket": %s}`, value)
		default:
			value = fmt.Sprintf("{%q: %s}", name, value)
		}
	}
	return value
}

func (l leaf) pointer() string { return "/" + strings.Join(l.path, "/") }

// good is a value that the field takes when it stands alone.
func (l leaf) good() string {
	switch {
	case l.typ.Kind() == reflect.Pointer:
		return "true"
	case l.typ.Kind() == reflect.Int:
		return "2"
	case l.tag.Get("words") != "":
		return fmt.Sprintf("%q", strings.Fields(l.tag.Get("words"))[0])
	case l.tag.Get("decimal") != "":
		return `"1.15"`
	case l.tag.Get("conductor") != "":
		return `"6 mm2"`
	case l.tag.Get("day") != "":
		return `"2026-11-25"`
	case l.tag.Get("dim") != "":
		for _, d := range quantity.Dimensions() {
			if d.String() == l.tag.Get("dim") {
				return fmt.Sprintf("%q", "10 "+d.BaseUnit().Symbol())
			}
		}
	}
	return `"some text"`
}

func issues(t *testing.T, err error) rig.Issues {
	t.Helper()
	is, ok := rig.AsIssues(err)
	if !ok || len(is) == 0 {
		t.Fatalf("the error is %T %v, not issues", err, err)
	}
	for _, x := range is {
		if x.Message == "" || x.Advice == "" || x.Code == "" || x.Pointer != "" && x.Pointer[0] != '/' {
			t.Errorf("%+v lacks something", x)
		}
	}
	return is
}

func TestEveryFieldIsReadAndRefused(t *testing.T) {
	fields := 0
	for _, d := range decoders {
		for _, l := range leaves(d.of, nil, "") {
			fields++
			t.Run(d.name+l.pointer(), func(t *testing.T) {
				doc := nest(l.path, l.good())
				if l.pointer() != "/wiring/axles/0/jumper" { // the first axle has none
					got, err := d.decode([]byte(doc))
					if err != nil {
						t.Fatalf("%s is refused: %v", doc, err)
					}
					back, err := json.Marshal(got)
					if err != nil {
						t.Fatal(err)
					}
					again, err := d.decode(back)
					if err != nil || !reflect.DeepEqual(got, again) {
						t.Errorf("%s comes back as %s: %v", doc, back, err)
					}
					if !strings.Contains(string(back), l.path[len(l.path)-1]) {
						t.Errorf("%s lost its field: %s", doc, back)
					}
				}
				bad := []string{"null", "[]", "{}"}
				if l.tag.Get("dim") != "" {
					bad = append(bad, `"10"`, `"-1 V"`, `"1e3 V"`, `"10 parsec"`, "12", `""`, `"99999999999 A"`)
				}
				if l.tag.Get("positive") != "" && l.tag.Get("dim") != "" {
					_, unit, _ := strings.Cut(strings.Trim(l.good(), `"`), " ")
					bad = append(bad, fmt.Sprintf("%q", "0 "+unit))
				}
				if l.tag.Get("words") != "" {
					bad = append(bad, `"no_such_word"`, `""`)
				}
				if l.typ.Kind() == reflect.Int {
					bad = append(bad, "-1", "0", "2.5", `"2"`, "100000", "99999999999999999999")
				}
				if l.typ.Kind() == reflect.Pointer {
					bad = append(bad, `"yes"`, "1")
				}
				if l.typ.Kind() == reflect.String {
					bad = append(bad, "7", `"a\u0000b"`, `"`+strings.Repeat("x", rig.MaxText+1)+`"`)
				}
				for _, v := range bad {
					got, err := d.decode([]byte(nest(l.path, v)))
					if err == nil {
						t.Fatalf("%s is taken: %+v", nest(l.path, v), got)
					}
					if !reflect.ValueOf(got).IsZero() {
						t.Error("a refused document still gives something")
					}
					if is := issues(t, err); is[0].Pointer != l.pointer() {
						t.Errorf("%s is refused at %q", nest(l.path, v), is[0].Pointer)
					}
				}
			})
		}
	}
	if fields < 100 {
		t.Errorf("only %d fields were tried", fields)
	}
}

func TestRefusals(t *testing.T) {
	for _, x := range []struct {
		name, doc string
		decode    func([]byte) (any, error)
		want      []string // pointer code
	}{
		{"unknown field", `{"wiring": {"feeed": {}}}`, decoders[0].decode, []string{"/wiring/feeed unknown_field"}},
		{"unknown at the top", `{"product": "x"}`, decoders[0].decode, []string{"/product unknown_field"}},
		{"pointer escapes", `{"a/b~c": 1}`, decoders[0].decode, []string{"/a~1b~0c unknown_field"}},
		{"a name twice", `{"wiring": {"supply": "12 V", "supply": "13 V"}}`, decoders[0].decode, []string{"/wiring/supply contradiction"}},
		{"not an object", `[]`, decoders[0].decode, []string{" wrong_type"}},
		{"nothing", ``, decoders[0].decode, []string{" syntax"}},
		{"more after the end", `{} {}`, decoders[0].decode, []string{" syntax"}},
		{"not UTF-8", "{\"\xff\": 1}", decoders[0].decode, []string{" syntax"}},
		{"too long", strings.Repeat(" ", rig.MaxBytes+1), decoders[0].decode, []string{" limit"}},
		{"too deep", `{"a":{"a":{"a":{"a":{"a":{"a":{"a":{}}}}}}}}`, decoders[0].decode, []string{"/a/a/a/a/a/a/a limit"}},
		{"too many axles", `{"wiring": {"axles": [{},{},{},{},{},{},{},{},{},{},{}]}}`, decoders[0].decode, []string{"/wiring/axles limit"}},
		{"resistance and current", `{"actuator": {"resistance": "3.2 ohm", "current": "4 A"}}`, decoders[0].decode, []string{"/actuator/current contradiction", "/actuator/resistance contradiction"}},
		{"a pump with a magnet's resistance", `{"actuator": {"kind": "electric_hydraulic", "resistance": "3.2 ohm"}}`, decoders[0].decode, []string{"/actuator/kind contradiction", "/actuator/resistance contradiction"}},
		{"magnets on nothing", `{"actuator": {"kind": "none", "count": 4}}`, decoders[0].decode, []string{"/actuator/count contradiction", "/actuator/kind contradiction"}},
		{"a band upside down", `{"actuator": {"resistance": "3.5 ohm", "resistance_most": "3.2 ohm"}}`, decoders[0].decode, []string{"/actuator/resistance contradiction", "/actuator/resistance_most contradiction"}},
		{"two limits", `{"wiring": {"drop": {"share": "5 %", "volts": "0.5 V"}}}`, decoders[0].decode, []string{"/wiring/drop/share contradiction", "/wiring/drop/volts contradiction"}},
		{"rate counted twice", `{"breakaway": {"peukert": "1.15", "capacity_15min": "4 Ah"}}`, decoders[0].decode, []string{"/breakaway/capacity_15min contradiction", "/breakaway/peukert contradiction"}},
		{"exponent over 2", `{"breakaway": {"peukert": "2.0000000001"}}`, decoders[0].decode, []string{"/breakaway/peukert bad_value"}},
		{"supply range upside down", `{"controller": {"supply_least": "16 V", "supply_most": "10 V"}}`, decoders[0].decode, []string{"/controller/supply_least contradiction", "/controller/supply_most contradiction"}},
		{"a size that may mean two", `{"wiring": {"trunk": {"conductor": "6 mm"}}}`, decoders[0].decode, []string{"/wiring/trunk/conductor bad_value"}},
		{"a jumper before the first axle", `{"wiring": {"axles": [{"jumper": "1 m"}]}}`, decoders[0].decode, []string{"/wiring/axles/0/jumper contradiction"}},
		{"frame resistance of a conductor", `{"wiring": {"return": "conductor", "chassis_return": "0.1 ohm"}}`, decoders[0].decode, []string{"/wiring/chassis_return contradiction", "/wiring/return contradiction"}},
		{"zero supply", `{"wiring": {"supply": "0 V"}}`, decoders[0].decode, []string{"/wiring/supply bad_value"}},
		{"one step twice", `{"output": [{"demand": "50 %", "socket": "6 V"}, {"demand": "50.0 %", "socket": "7 V"}]}`, decoders[1].decode, []string{"/output/0/demand contradiction", "/output/1/demand contradiction"}},
		{"a step without a reading", `{"output": [{"demand": "50 %"}]}`, decoders[1].decode, []string{"/output/0/socket bad_value"}},
		{"an unknown surface", `{"road": [{"surface": "ice"}]}`, decoders[1].decode, []string{"/road/0/surface bad_value"}},
		{"ended before it began", `{"job": {"began": "2026-11-25", "ended": "2026-11-24"}}`, decoders[2].decode, []string{"/job/began contradiction", "/job/ended contradiction"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			_, err := x.decode([]byte(x.doc))
			if err == nil {
				t.Fatal("it is taken")
			}
			var got []string
			for _, i := range issues(t, err) {
				got = append(got, i.Pointer+" "+i.Code)
			}
			if !slices.Equal(got, x.want) {
				t.Errorf("%v, want %v", got, x.want)
			}
		})
	}
}

func fuzz(f *testing.F, decode func([]byte) (any, error), seeds ...string) {
	for _, s := range append(seeds, `{}`, `{"wiring":{"axles":[{"lead":"1 m"},null]}}`, `[`, `{"a":1,"a":2}`, "\xff", `{"x":"1e9 V"}`) {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := decode(data)
		if err != nil {
			if is, ok := rig.AsIssues(err); !ok || len(is) == 0 || !reflect.ValueOf(got).IsZero() {
				t.Fatalf("%q: %T %v", data, err, err)
			}
			return
		}
		back, err := json.Marshal(got)
		if err != nil {
			t.Fatal(err)
		}
		again, err := decode(back)
		if err != nil || !reflect.DeepEqual(again, got) {
			t.Fatalf("%q comes back as %q: %v", data, back, err)
		}
	})
}

func FuzzDecode(f *testing.F)             { fuzz(f, decoders[0].decode, boatRequest) }
func FuzzDecodeMeasurements(f *testing.F) { fuzz(f, decoders[1].decode, boatReadings) }
func FuzzDecodeRecord(f *testing.F)       { fuzz(f, decoders[2].decode, boatRecord) }
