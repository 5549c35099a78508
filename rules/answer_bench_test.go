package rules_test

import (
	"encoding/json"
	"os"
	"reflect"
	"testing"

	"drawgear/rules"
	"drawgear/rules/library"
	"drawgear/rules/rig"
)

// demo is the demo rig, its day, and the law.
func demo(b testing.TB) (*rig.Rig, rig.Day, *rules.Book) {
	b.Helper()
	document, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		b.Fatal(err)
	}
	r, err := rig.Decode(document)
	if err != nil {
		b.Fatal(err)
	}
	day, _ := r.AsOf()
	return r, day, book(b)
}

// book is the law that ships.
func book(t testing.TB) *rules.Book {
	t.Helper()
	b, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestFindings holds what the benchmark makes to what an answer has.
func TestFindings(t *testing.T) {
	r, day, book := demo(t)
	a, err := book.Assess(r, day)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := book.Findings(r, day); err != nil || !reflect.DeepEqual(got, a.Findings) {
		t.Errorf("%v\n%v\nnot\n%v", err, got, a.Findings)
	}
}

// BenchmarkEncode writes the answer for the demo rig.
func BenchmarkEncode(b *testing.B) {
	r, day, book := demo(b)
	a, err := book.Assess(r, day)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("AppendJSON", func(b *testing.B) {
		var out []byte
		b.ReportAllocs()
		for b.Loop() {
			out = a.AppendJSON(out[:0])
		}
		b.SetBytes(int64(len(out)))
	})
	b.Run("json.Marshal", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := json.Marshal(a); err != nil {
				b.Fatal(err)
			}
		}
	})
}
