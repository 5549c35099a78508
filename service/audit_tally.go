package service

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"

	"drawgear/rules"
	"drawgear/rules/quantity"
)

// tally sums rows up: those of a chunk, and by adding, those of an audit.
type tally struct {
	Outcomes counts              `json:"outcomes"`
	Failing  map[string]int64    `json:"failing,omitempty"`
	Missing  map[string]int64    `json:"missing,omitempty"`
	Parts    map[string]*partSum `json:"parts,omitempty"`
	Places   map[string]counts   `json:"places,omitempty"`
	Vehicles map[string]*sideSum `json:"vehicles,omitempty"` // of all pairs
	Trailers map[string]*sideSum `json:"trailers,omitempty"`
	Moves    map[Outcome]counts  `json:"moves,omitempty"` // by the outcome before
	Named    []byte              `json:"named,omitempty"` // a Bloom filter of the ids in a chunk
}

type counts map[Outcome]int64

// partSum sums up what is wanted of one role.
type partSum struct {
	Rows      int64             `json:"rows"`
	Offered   int64             `json:"offered,omitempty"`
	Strongest string            `json:"strongest,omitempty"`
	Cost      map[string]string `json:"cost,omitempty"` // by currency
}

// sideSum sums up how one vehicle or trailer fares.
type sideSum struct {
	Outcomes counts           `json:"outcomes"`
	Failing  map[string]int64 `json:"failing,omitempty"`
}

func bump[K comparable, M ~map[K]int64](m *M, k K, n int64) {
	if *m == nil {
		*m = M{}
	}
	(*m)[k] += n
}

// of returns the entry of a map, made if need be.
func of[K comparable, V any](m *map[K]*V, k K) *V {
	if *m == nil {
		*m = map[K]*V{}
	}
	v := (*m)[k]
	if v == nil {
		v = new(V)
		(*m)[k] = v
	}
	return v
}

// countIn counts an outcome under a key.
func countIn[K comparable](m *map[K]counts, k K, o Outcome, n int64) {
	if *m == nil {
		*m = map[K]counts{}
	}
	c := (*m)[k]
	bump(&c, o, n)
	(*m)[k] = c
}

// add counts a row.
func (t *tally) add(it *AuditItem, pairs bool) {
	bump(&t.Outcomes, it.Outcome, 1)
	if it.Jurisdiction != "" {
		countIn(&t.Places, it.Jurisdiction, it.Outcome, 1)
	}
	for _, id := range it.Failing {
		bump(&t.Failing, id, 1)
	}
	for _, pointer := range it.Missing {
		bump(&t.Missing, pointer, 1)
	}
	for _, p := range it.Parts {
		one := partSum{Rows: 1, Strongest: p.Needs}
		if p.Offer != nil {
			one.Offered, one.Cost = 1, map[string]string{p.Offer.Currency: p.Offer.Price}
		}
		of(&t.Parts, p.Role).plus(&one)
	}
	if it.Moved {
		countIn(&t.Moves, it.Before, it.Outcome, 1)
	}
	if pairs {
		of(&t.Vehicles, it.Vehicle).add(it)
		of(&t.Trailers, it.Trailer).add(it)
	}
	t.name(markID, it.ID)
	t.name(markVehicle, it.Vehicle)
	t.name(markTrailer, it.Trailer)
}

func (s *sideSum) add(it *AuditItem) {
	bump(&s.Outcomes, it.Outcome, 1)
	for _, id := range it.Failing {
		bump(&s.Failing, id, 1)
	}
}

func addCounts[K comparable, M ~map[K]int64](to *M, from M) {
	for k, n := range from {
		bump(to, k, n)
	}
}

// plus adds the rows of another tally; whose names are in which chunk is lost.
func (t *tally) plus(o *tally) {
	addCounts(&t.Outcomes, o.Outcomes)
	addCounts(&t.Failing, o.Failing)
	addCounts(&t.Missing, o.Missing)
	for role, p := range o.Parts {
		of(&t.Parts, role).plus(p)
	}
	for place, cs := range o.Places {
		for outcome, n := range cs {
			countIn(&t.Places, place, outcome, n)
		}
	}
	for from, cs := range o.Moves {
		for outcome, n := range cs {
			countIn(&t.Moves, from, outcome, n)
		}
	}
	for _, side := range []struct{ to, from *map[string]*sideSum }{{&t.Vehicles, &o.Vehicles}, {&t.Trailers, &o.Trailers}} {
		for id, s := range *side.from {
			to := of(side.to, id)
			addCounts(&to.Outcomes, s.Outcomes)
			addCounts(&to.Failing, s.Failing)
		}
	}
}

func (p *partSum) plus(o *partSum) {
	p.Rows, p.Offered = p.Rows+o.Rows, p.Offered+o.Offered
	p.Strongest = stronger(p.Strongest, o.Strongest)
	for currency, amount := range o.Cost {
		if p.Cost == nil {
			p.Cost = map[string]string{}
		}
		p.Cost[currency] = addMoney(p.Cost[currency], amount)
	}
}

// addMoney adds decimal amounts; an empty one is none.
func addMoney(a, b string) string {
	x, _ := parseMoney(a)
	y, _ := parseMoney(b) // both were parsed when the offers were read
	return x.plus(y).String()
}

// stronger is the greater of two ratings; an empty one is none.
func stronger(a, b string) string {
	x, err := quantity.Parse(quantity.Mass, a)
	if err != nil {
		return b
	}
	y, err := quantity.Parse(quantity.Mass, b)
	if err != nil || y.Cmp(x) <= 0 {
		return a
	}
	return b
}

// What a name in the filter is the name of.
const (
	markID      = "i"
	markVehicle = "v"
	markTrailer = "t"
)

// The filter has 16 bits for each name of the fullest chunk, and 4 are set for
// each: one in some 400 chunks is read in vain.
const (
	namedBits = 3 * AuditChunkRows * 16
	namedSet  = 4
)

func (t *tally) name(mark, name string) {
	if name == "" {
		return
	}
	if t.Named == nil {
		t.Named = make([]byte, namedBits/8)
	}
	for _, bit := range namedAt(mark, name) {
		t.Named[bit/8] |= 1 << (bit % 8)
	}
}

// names says whether the name may be in the chunk.
func (t *tally) names(mark, name string) bool {
	if len(t.Named) != namedBits/8 {
		return false
	}
	for _, bit := range namedAt(mark, name) {
		if t.Named[bit/8]&(1<<(bit%8)) == 0 {
			return false
		}
	}
	return true
}

// namedAt are the bits of a name, from its FNV-1a hash of 64 bits.
func namedAt(mark, name string) (out [namedSet]uint64) {
	sum := uint64(14695981039346656037)
	for _, s := range [...]string{mark, name} {
		for i := range len(s) {
			sum = (sum ^ uint64(s[i])) * 1099511628211
		}
	}
	for i := range out {
		out[i] = (sum + uint64(i)*(sum>>32|1)) % namedBits
	}
	return out
}

// everyOutcome counts all outcomes, also those of none.
func everyOutcome(cs counts) map[Outcome]int64 {
	out := map[Outcome]int64{rules.Compliant: 0, rules.NonCompliant: 0, rules.Undetermined: 0, OutcomeRefused: 0}
	maps.Copy(out, cs)
	return out
}

// tallyBatch is how many tallies, or items of chunks, are read at once.
const tallyBatch = 50

// tallies sums up what is answered of an audit.
func (a *Auditor) tallies(ctx context.Context, id string) (*tally, error) {
	sum := &tally{}
	return sum, a.eachTally(ctx, id, 0, func(_ AuditOutcome, t *tally) error {
		sum.plus(t)
		return nil
	})
}

// eachTally hands the chunks that are answered, from a number on, to each.
func (a *Auditor) eachTally(ctx context.Context, id string, from int, each func(AuditOutcome, *tally) error) error {
	for {
		list, err := a.store.ListAuditOutcomes(ctx, id, from, tallyBatch, false)
		if err != nil {
			return fmt.Errorf("list what came of an audit: %w", err)
		}
		for _, o := range list {
			var t tally
			if err := json.Unmarshal(o.Tally, &t); err != nil {
				return fmt.Errorf("read the sums of chunk %d: %w", o.Number, err)
			}
			if err := each(o, &t); err != nil {
				return err
			}
			from = o.Number + 1
		}
		if len(list) < tallyBatch {
			return nil
		}
	}
}
