package service

import (
	"bytes"
	"encoding/json"
	"hash/fnv"
	"testing"

	"pgregory.net/rapid"
)

// TestItemsAreWritten: as encoding/json writes them.
func TestItemsAreWritten(t *testing.T) {
	text := rapid.OneOf(rapid.SampledFrom([]string{"", "A", "a<b>&c", "\"q\"", "back\\slash", "é日", "\u2028", "\x00\t\n", "\xff\xfe", "~\x7f"}), rapid.String())
	texts := rapid.OneOf(rapid.SliceOfN(text, 0, 3), rapid.Just[[]string](nil))
	rapid.Check(t, func(t *rapid.T) {
		it := AuditItem{
			Row: rapid.Int64().Draw(t, "row"), Line: rapid.IntRange(-1, 2).Draw(t, "line"), ID: text.Draw(t, "id"), Vehicle: text.Draw(t, "vehicle"), Trailer: text.Draw(t, "trailer"),
			Jurisdiction: text.Draw(t, "jurisdiction"), AsOf: text.Draw(t, "as_of"), Outcome: Outcome(text.Draw(t, "outcome")), Failing: texts.Draw(t, "failing"), Missing: texts.Draw(t, "missing"),
			Before: Outcome(text.Draw(t, "before")), Appearing: texts.Draw(t, "appearing"), Disappearing: texts.Draw(t, "disappearing"), Moved: rapid.Bool().Draw(t, "moved"),
		}
		for range rapid.IntRange(0, 2).Draw(t, "parts") {
			p := PartNeed{Role: text.Draw(t, "role"), Needs: text.Draw(t, "needs"), Has: text.Draw(t, "has")}
			if rapid.Bool().Draw(t, "offered") {
				p.Offer = &PartOffer{text.Draw(t, "offer"), text.Draw(t, "price"), text.Draw(t, "currency")}
			}
			it.Parts = append(it.Parts, p)
		}
		for range rapid.IntRange(0, 2).Draw(t, "faults") {
			it.Faults = append(it.Faults, AuditFault{rapid.IntRange(0, 2).Draw(t, "at"), rapid.IntRange(0, 2).Draw(t, "column"), text.Draw(t, "name"), text.Draw(t, "pointer"), text.Draw(t, "message"), text.Draw(t, "advice")})
		}
		if rapid.Bool().Draw(t, "whole") {
			it.complete()
		}
		var want bytes.Buffer
		enc := json.NewEncoder(&want)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(it); err != nil {
			t.Fatal(err)
		}
		if got := append(it.appendJSON([]byte("before ")), '\n'); string(got) != "before "+want.String() {
			t.Fatalf("\ngot  %s\nwant %s", got, want.String())
		}
	})
}

// TestNamedAt holds the filter, which is kept, to FNV-1a of 64 bits.
func TestNamedAt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mark, name := rapid.SampledFrom([]string{markID, markVehicle, markTrailer}).Draw(t, "mark"), rapid.String().Draw(t, "name")
		h := fnv.New64a()
		_, _ = h.Write([]byte(mark + name))
		sum := h.Sum64()
		for i, bit := range namedAt(mark, name) {
			if want := (sum + uint64(i)*(sum>>32|1)) % namedBits; bit != want {
				t.Fatalf("bit %d is %d, want %d", i, bit, want)
			}
		}
	})
}
