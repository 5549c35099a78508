package rules_test

import (
	"encoding/json"
	"testing"
)

// BenchmarkEncode writes the answer for the demo rig.
func BenchmarkEncode(b *testing.B) {
	r := handRigs(b)[0]
	day, _ := r.AsOf()
	a, err := book(b).Assess(r, day)
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
