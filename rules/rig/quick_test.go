package rig

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// FuzzQuickly holds the short way of reading a document to the long one: what it
// reads, the long one reads just so, and what it leaves is not a document of ours.
func FuzzQuickly(f *testing.F) {
	paths, err := filepath.Glob("../../testdata/rigs/*.json")
	if err != nil || len(paths) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, path := range paths {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	for _, seed := range []string{
		`{}`, `[]`, `[[]]`, `[[1],[2,{"a":[]}]]`, ` { "a" : [ ] , "b" : { } } `, `{"a":1,"a":2}`, `{"a":{"b":{"c":{"d":{"e":{"f":{"g":{"h":{"i":1}}}}}}}}}}`,
		`"a\"\\\u0041\ud83d\ude00\ud83d"`, `{"\u0061":1,"a":2}`, `-1.5e+10`, `[true,false,null,0]`, "\xff", `{"a":1} x`, `[1,]`, `{"a"}`, ``, `"`, `{"a":[1 ,2 , 3],"b" :"c"}`,
		`[0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0,0]`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > MaxBytes {
			t.Skip()
		}
		got, ok := quickly(data, rigForm)
		want, issues := parseSlowly(data, rigForm)
		if ok && (issues != nil || !reflect.DeepEqual(got, want)) {
			t.Fatalf("%q: quickly %#v, slowly %#v, %v", data, got, want, issues)
		}
		if !ok && issues == nil {
			t.Fatalf("%q: slowly %#v, and not quickly", data, want)
		}
	})
}
