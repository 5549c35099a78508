package library_test

import (
	"os"
	"testing"

	"drawgear/rules"
	"drawgear/rules/library"
	"drawgear/rules/rig"
)

// BenchmarkCompile is start-up: every document parsed, compiled and linked.
func BenchmarkCompile(b *testing.B) {
	files, err := library.Files()
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		rulesets, err := library.Compile(files)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := rules.NewBook(rulesets); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkAssess is one whole rig against the law of New South Wales.
func BenchmarkAssess(b *testing.B) {
	document, err := os.ReadFile("../../testdata/rigs/horse-float.json")
	if err != nil {
		b.Fatal(err)
	}
	r, err := rig.Decode(document)
	if err != nil {
		b.Fatal(err)
	}
	bk := book(b)
	day, _ := r.AsOf()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := bk.Assess(r, day); err != nil {
			b.Fatal(err)
		}
	}
}
