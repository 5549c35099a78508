package library_test

import (
	"fmt"
	"os"
	"testing"

	"drawgear/rules"
	"drawgear/rules/law"
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

// BenchmarkAssessAmong is the same rig against the law of New South Wales with
// only the rulesets that it needs loaded, and with the whole library: what one
// rig costs must not depend on how many places are held.
func BenchmarkAssessAmong(b *testing.B) {
	document, err := os.ReadFile("../../testdata/rigs/horse-float.json")
	if err != nil {
		b.Fatal(err)
	}
	r, err := rig.Decode(document)
	if err != nil {
		b.Fatal(err)
	}
	all := book(b)
	j, _ := all.Jurisdiction("AU-NSW")
	var few []*law.Ruleset
	for _, ref := range j.Rulesets {
		rs, _ := all.Version(ref.ID, ref.Version)
		few = append(few, rs)
	}
	one, err := rules.NewBook(few)
	if err != nil {
		b.Fatal(err)
	}
	day, _ := r.AsOf()
	for _, x := range []struct {
		name string
		book *rules.Book
	}{{"1 place", one}, {fmt.Sprintf("%d places", len(all.Jurisdictions())), all}} {
		b.Run(x.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := x.book.Assess(r, day); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
