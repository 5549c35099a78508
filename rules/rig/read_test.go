package rig

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// readSlowly is Decode by the tree alone.
func readSlowly(data []byte) (*Rig, error) {
	tree, issues := parseJSON(data)
	if issues != nil {
		return nil, issues
	}
	return FromTree(tree)
}

// sameReading holds reading in one pass to reading by the tree: both take the same
// documents, and of each they make the same rig.
func sameReading(tb testing.TB, data []byte) {
	tb.Helper()
	got, ok := read(data)
	want, err := readSlowly(data)
	if ok != (err == nil) {
		tb.Fatalf("%.2000q: in one pass %v, by the tree %v", data, ok, err)
	}
	if ok && !reflect.DeepEqual(got, want) {
		tb.Fatalf("%.2000q: in one pass\n%+v\nby the tree\n%+v", data, got, want)
	}
	if ok && !reflect.DeepEqual(got.Derivations(), want.Derivations()) {
		tb.Fatalf("%.2000q: worked out in one pass\n%+v\nby the tree\n%+v", data, got.Derivations(), want.Derivations())
	}
}

// rigFiles are the rigs of the repository, right and wrong ones.
func rigFiles(tb testing.TB) map[string][]byte {
	tb.Helper()
	out := map[string][]byte{}
	for _, pattern := range []string{"../../testdata/rigs/*.json", "../../testdata/partner/rigs/*.json"} {
		paths, err := filepath.Glob(pattern)
		if err != nil || len(paths) == 0 {
			tb.Fatalf("no rigs at %s: %v", pattern, err)
		}
		for _, path := range paths {
			data, err := os.ReadFile(path)
			if err != nil {
				tb.Fatal(err)
			}
			out[path] = data
		}
	}
	return out
}

// oddities are documents and parts of them that one reader may take and another not.
var oddities = []string{
	example, `{}`, ` {} `, "\ufeff{}", `[]`, `null`, `1`, ``, ` `, `{`, `{}x`, `{} {}`, "{}\x00", "\v{}", `{"trailer":{}}`, `{"trailer":{},"trailer":{}}`, `{"trailer":null}`,
	`{"trailer":[]}`, `{"":{}}`, `{"trailer":{"":1}}`, `{"trailer.tare":"1 kg"}`, `{"trailer":{"tare":"1 kg",}}`, `{,}`, `{"trailer":{"tare" : "1 kg" } , "use" : { } }`,
	`{"trailer":{"tare":"1 kg" "x":1}}`, `{"trailer":{"tare":"1 kg"]}`, `{"trailer":{"tare":"1\u0020kg"}}`, `{"trailer":{"tare":"1\n kg"}}`, "{\"trailer\":{\"tare\":\"1\n kg\"}}",
	`{"tr\u0061iler":{"t\u0061re":"1 kg","tare":"1 kg"}}`, `{"tr\u0061iler":{"t\u0061re":"1 kg"}}`, `{"driver":{"licence":"\ud800"}}`, `{"driver":{"licence":"\ud83d\ude00"}}`,
	`{"driver":{"licence":"\u0000"}}`, "{\"driver\":{\"licence\":\"\x7f\"}}", "{\"driver\":{\"licence\":\"\u0085\"}}", `{"driver":{"licence":""}}`, `{"driver":{"licence":"\x"}}`, `{"driver":{"licence":"\`,
	`{"driver":{"licence":"` + strings.Repeat("é", 64) + `"}}`, `{"driver":{"licence":"` + strings.Repeat("é", 65) + `"}}`, "{\"driver\":{\"licence\":\"\xff\"}}",
	`{"trailer":{"axle_count":0}}`, `{"trailer":{"axle_count":-0}}`, `{"trailer":{"axle_count":-1}}`, `{"trailer":{"axle_count":00}}`, `{"trailer":{"axle_count":01}}`, `{"trailer":{"axle_count":100}}`,
	`{"trailer":{"axle_count":101}}`, `{"trailer":{"axle_count":1.0}}`, `{"trailer":{"axle_count":1e0}}`, `{"trailer":{"axle_count":1e999}}`, `{"trailer":{"axle_count":12345678901234567890}}`,
	`{"trailer":{"axle_count":0012}}`, `{"trailer":{"axle_count":+1}}`, `{"trailer":{"axle_count":-}}`, `{"trailer":{"axle_count":"1"}}`, `{"trailer":{"axle_count":1x}}`, `{"trailer":{"axle_count":1`,
	`{"trailer":{"parking_brake":true}}`, `{"trailer":{"parking_brake":tru}}`, `{"trailer":{"parking_brake":trueish}}`, `{"trailer":{"parking_brake":"true"}}`, `{"trailer":{"parking_brake":null}}`,
	`{"trailer":{"approvals":[]}}`, `{"trailer":{"approvals":["un-r13","un-r13"]}}`, `{"trailer":{"approvals":["un-r13",]}}`, `{"trailer":{"approvals":["x"]}}`, `{"trailer":{"approvals":{}}}`,
	`{"trailer":{"approvals":["un-r13"` + strings.Repeat(`,"un-r13"`, 11) + `]}}`, `{"trailer":{"approvals":["un-r13"` + strings.Repeat(`,"un-r13"`, 12) + `]}}`,
	`{"vehicle":{"rated":{"axles":[]}}}`, `{"vehicle":{"rated":{"axles":["1 t"]}}}`, `{"vehicle":{"rated":{"axles":["1 t","x"]}}}`, `{"vehicle":{"laden":{"axles":["1 t","1 t"],"total":"1 t"}}}`,
	`{"vehicle":{"wheelbase":"0 m"}}`, `{"vehicle":{"items":[]}}`, `{"vehicle":{"items":[{}]}}`, `{"vehicle":{"items":[{"name":"a","mass":"1 kg","behind_front_axle":"1 m"}]}}`,
	`{"vehicle":{"items":[{"behind_coupling":"1 m"}]}}`, `{"trailer":{"items":[{"name":"a","name":"a"}]}}`, `{"trailer":{"items":[{"mass":"1 kg","mass":"1 kg"}]}}`, `{"trailer":{"items":[1]}}`,
	`{"trailer":{"items":[{"behind_coupling":"1 m","behind_coupling":"1 m"}]}}`, `{"trailer":{"items":[{}` + strings.Repeat(",{}", 49) + `]}}`, `{"trailer":{"items":[{}` + strings.Repeat(",{}", 50) + `]}}`,
	`{"trailer":{"items":[{"behind_coupling":"1 m"}],"body":{"starts":"2 m"}}}`,
	`{"parts":[]}`, `{"parts":[{}]}`, `{"parts":[{"role":"chain"}]}`, `{"parts":[{"role":"chain","role":"chain"}]}`, `{"parts":[{"role":""}]}`, `{"parts":[{"role":"chain","count":0}]}`, `{"parts":{}}`,
	`{"parts":[{"role":"chain","breaking_mass":"1 t","breaking_force":"1 kN"}]}`, `{"parts":[{"role":"tyre","load_index":279,"on":"vehicle","axle":100}]}`, `{"parts":[{"role":"tyre","load_index":280}]}`,
	`{"parts":[{"role":"chain"}` + strings.Repeat(`,{"role":"chain"}`, 63) + `]}`, `{"parts":[{"role":"chain"}` + strings.Repeat(`,{"role":"chain"}`, 64) + `]}`, `{"parts":[null]}`,
	`{"jurisdiction":"GB"}`, `{"jurisdiction":"gb"}`, `{"jurisdiction":""}`, `{"jurisdiction":1}`, `{"jurisdiction":"GB","jurisdiction":"GB"}`, `{"as_of":"2024-02-29"}`, `{"as_of":"2023-02-29"}`, `{"as_of":"1899-12-31"}`,
	`{"trailer":{"laden":{"total":"2000 kg","axles":"1800 kg","ball":"199.999 kg"}}}`, `{"trailer":{"tare":"901 kg","laden":{"axles":"800 kg","ball":"100 kg"}}}`,
	`{"trailer":{"axle_count":2,"brakes":{"axle_positions":[2]}}}`, `{"trailer":{"axle_count":2,"brakes":{"axle_positions":[0]}}}`, `{"trailer":{"brakes":{"kind":"none","axle_positions":[1]}}}`,
	`{"trailer":{"rated":{"total":"3 t"},"laden":{"ball":"0.1 t"}}}`, `{"vehicle":{"towing":{"braked":"2 t","unbraked":"1 t"}}}`, `{"vehicle":{"towing":{"maker_rating":false,"braked":"2 t"}}}`,
	`{"trailer":` + strings.Repeat(`{"a":`, 12) + "1" + strings.Repeat("}", 13), `{"a":` + strings.Repeat("[", 5000), `{"driver":{"licence":"` + strings.Repeat(" ", MaxBytes) + `"}}`,
}

func TestRead(t *testing.T) {
	for _, data := range rigFiles(t) {
		sameReading(t, data)
	}
	for _, text := range oddities {
		sameReading(t, []byte(text))
	}
}

// TestReadDrawn draws rigs, which are read in one pass as by the tree, and spoils
// them.
func TestReadDrawn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data, err := json.MarshalIndent(drawRig(t).tree(func() string { return "lb" }), "", " ")
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := read(data); !ok {
			t.Fatalf("%s is not read", data)
		}
		same := func(data []byte) {
			got, ok := read(data)
			want, err := readSlowly(data)
			if ok != (err == nil) || ok && !reflect.DeepEqual(got, want) {
				t.Fatalf("%q: in one pass %+v, by the tree %+v, %v", data, got, want, err)
			}
		}
		same(data)
		from := rapid.IntRange(0, len(data)-1).Draw(t, "from")
		to := rapid.IntRange(from, min(len(data), from+20)).Draw(t, "to")
		put := rapid.SampledFrom([]string{"", ",", "}", "]", `"`, "1", "null", " ", `\`, `{"a":1}`, "\x00", "\xff", "-", "e", "."}).Draw(t, "put")
		same([]byte(string(data[:from]) + put + string(data[to:])))
	})
}

// FuzzRead holds the two ways of reading to each other.
func FuzzRead(f *testing.F) {
	for _, data := range rigFiles(f) {
		f.Add(data)
	}
	for _, text := range oddities {
		if len(text) < 8<<10 {
			f.Add([]byte(text))
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) { sameReading(t, data) })
}
