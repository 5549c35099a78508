package service

import (
	"bytes"
	"encoding/json"
	"hash/fnv"
	"reflect"
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

// TestPairsAreComposed: the rig of a pair is that of a pairing of the two.
func TestPairsAreComposed(t *testing.T) {
	document := rapid.SampledFrom([]string{"", "{}", `{"towing":{"braked":"2 t"}}`, `{"registered_in":"<AU & é>"}`})
	part := rapid.SampledFrom([]string{`{"role":"ball"}`, `{"role":"chain","grade":"<S>"}`})
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) (x side) {
			x = side{ID: name, Document: json.RawMessage(document.Draw(t, name))}
			for range rapid.IntRange(0, 2).Draw(t, name+" parts") {
				x.Parts = append(x.Parts, json.RawMessage(part.Draw(t, name+" part")))
			}
			return x
		}
		v, tr := draw("vehicle"), draw("trailer")
		ask, p := AuditAsk{Jurisdiction: rapid.SampledFrom([]string{"", "AU-NSW"}).Draw(t, "place")}, pairing{Parts: append(append([]json.RawMessage{}, v.Parts...), tr.Parts...)}
		p.Jurisdiction = ask.Jurisdiction
		if rapid.Bool().Draw(t, "said") {
			yes := rapid.Bool().Draw(t, "commercial")
			ask.Commercial, p.Use = &yes, json.RawMessage(`{"commercial":false}`)
			if yes {
				p.Use = json.RawMessage(`{"commercial":true}`)
			}
		}
		whole, err := composeRig(Entry{Document: v.Document}, Entry{Document: tr.Document}, nil, p)
		if err != nil {
			t.Fatal(err)
		}
		var got, want any
		text := appendPair([]byte("before"), &ask, &v, &tr)[len("before"):]
		if err := json.Unmarshal(text, &got); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if err := json.Unmarshal(whole, &want); err != nil || !reflect.DeepEqual(got, want) {
			t.Fatalf("%s\nwant %s (%v)", text, whole, err)
		}
	})
}
