package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/transparency-dev/merkle/rfc6962"

	"drawgear/service"
)

// fitting makes the n-th fitting as it is before anything is written to it, a
// second younger than the one before.
func fitting(n int) service.FittingSummary {
	f := service.FittingSummary{
		ID: fmt.Sprintf("FITTING%019d", n), CreatedAt: start.Add(time.Duration(n) * time.Second),
		Jurisdiction: "AU-NSW", AsOf: "2026-11-25", State: service.FittingPlanned,
	}
	if n%2 == 1 {
		f.Assessment = record(n).ID
	}
	return f
}

// written makes an entry of a fitting.
func written(n, revision int, state service.FittingState) service.FittingEntry {
	return service.FittingEntry{
		Revision: revision, At: start.Add(time.Duration(n)*time.Second + time.Duration(revision)*time.Millisecond), By: "somebody",
		State: state, Engine: "test",
		Given: fmt.Appendf(nil, `{"b":%d, "a":"\u003c\ud800é"}`, n), Made: fmt.Appendf(nil, "{\"z\": [ ],\t\"n\":%d}", revision),
	}
}

func plan(n int) service.FittingEntry { return written(n, 1, service.FittingPlanned) }

func proven(n, revision int) service.FittingEntry { return written(n, revision, service.FittingProven) }

// putFittings keeps fittings with their plans.
func putFittings(t *testing.T, s service.Store, ns ...int) {
	t.Helper()
	for _, n := range ns {
		must(t, s.PutFitting(ctx(t), fitting(n), plan(n)))
	}
}

// wantFitting looks at a fitting of the default caller.
func wantFitting(t *testing.T, s service.Store, n int, state service.FittingState, entries ...service.FittingEntry) {
	t.Helper()
	have, err := s.GetFitting(ctx(t), fitting(n).ID)
	must(t, err)
	want := service.FittingRecord{FittingSummary: fitting(n), Entries: entries}
	want.State, want.Revision = state, len(entries)
	utc(&have.CreatedAt, &want.CreatedAt)
	for i := range have.Entries {
		utc(&have.Entries[i].At)
	}
	same(t, "the fitting", have, want)
}

func fittingsRoundTrip(t *testing.T, s service.Store) {
	putFittings(t, s, 0, 1)
	wantFitting(t, s, 0, service.FittingPlanned, plan(0))
	open, last := written(0, 2, service.FittingOpen), proven(0, 3)
	must(t, s.AppendFitting(ctx(t), fitting(0).ID, open))
	must(t, s.AppendFitting(ctx(t), fitting(0).ID, last))
	wantFitting(t, s, 0, service.FittingProven, plan(0), open, last)
	wantFitting(t, s, 1, service.FittingPlanned, plan(1))

	for _, id := range []string{"", fitting(2).ID, service.FittingLogID(fitting(0).ID, 1), "' OR 1=1 --", "\x00"} {
		_, err := s.GetFitting(ctx(t), id)
		fails(t, fmt.Sprintf("GetFitting(%q)", id), err, service.ErrNotFound)
		fails(t, fmt.Sprintf("AppendFitting(%q)", id), s.AppendFitting(ctx(t), id, proven(0, 2)), service.ErrNotFound)
	}
	if err := s.PutFitting(ctx(t), fitting(0), plan(5)); err == nil {
		t.Error("an id was taken twice")
	}
	wantFitting(t, s, 0, service.FittingProven, plan(0), open, last)
	if _, err := s.Get(ctx(t), fitting(0).ID); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("a fitting is got as an assessment (%v)", err)
	}
}

func fittingsInOrder(t *testing.T, s service.Store) {
	if err := s.PutFitting(ctx(t), fitting(0), proven(0, 2)); err == nil {
		t.Error("a fitting began with its second entry")
	}
	_, err := s.GetFitting(ctx(t), fitting(0).ID)
	fails(t, "a fitting that did not begin", err, service.ErrNotFound)
	putFittings(t, s, 0)
	for _, revision := range []int{0, 1, 3, -1} {
		fails(t, fmt.Sprint("revision ", revision, " after 1"), s.AppendFitting(ctx(t), fitting(0).ID, proven(0, revision)), service.ErrStale)
	}
	must(t, s.AppendFitting(ctx(t), fitting(0).ID, proven(0, 2)))
	fails(t, "the same revision again", s.AppendFitting(ctx(t), fitting(0).ID, proven(0, 2)), service.ErrStale)
	wantFitting(t, s, 0, service.FittingProven, plan(0), proven(0, 2))
}

func fittingsSigned(t *testing.T, s service.Store) {
	putFittings(t, s, 0)
	signed := written(0, 2, service.FittingSigned)
	must(t, s.AppendFitting(ctx(t), fitting(0).ID, signed))
	for _, e := range []service.FittingEntry{proven(0, 2), proven(0, 3), written(0, 3, service.FittingSigned), written(0, 3, service.FittingPlanned)} {
		fails(t, fmt.Sprint("revision ", e.Revision, " ", e.State), s.AppendFitting(ctx(t), fitting(0).ID, e), service.ErrSigned)
	}
	wantFitting(t, s, 0, service.FittingSigned, plan(0), signed)
}

func fittingsAtOnce(t *testing.T, s service.Store) {
	putFittings(t, s, 0)
	const writers, each = 8, 5
	var wg sync.WaitGroup
	taken := make(chan string, writers*each)
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				// Look and write until it is the next.
				for {
					have, err := s.GetFitting(ctx(t), fitting(0).ID)
					if err != nil {
						t.Errorf("GetFitting: %v", err)
						return
					}
					e := proven(0, have.Revision+1)
					e.By = fmt.Sprint(w, " ", i)
					if err = s.AppendFitting(ctx(t), fitting(0).ID, e); err == nil {
						taken <- e.By
						break
					} else if !errors.Is(err, service.ErrStale) {
						t.Errorf("AppendFitting: %v", err)
						return
					}
				}
			}
		})
	}
	wg.Wait()
	close(taken)
	have := got[service.FittingRecord](t)(s.GetFitting(ctx(t), fitting(0).ID))
	by := map[string]bool{}
	for i, e := range have.Entries {
		if by[e.By] = true; e.Revision != i+1 {
			t.Errorf("entry %d has revision %d", i, e.Revision)
		}
	}
	for name := range taken {
		if !by[name] {
			t.Errorf("what %s wrote is lost", name)
		}
	}
	if want := 1 + writers*each; len(have.Entries) != want || have.Revision != want {
		t.Errorf("there are %d entries and the revision is %d, want %d", len(have.Entries), have.Revision, want)
	}
}

// fittingIDs lists with a filter and gives the ids.
func fittingIDs(ctx context.Context, t *testing.T, s service.Store, f service.FittingFilter) []string {
	t.Helper()
	items, err := s.ListFittings(ctx, f)
	must(t, err)
	var out []string
	for _, it := range items {
		out = append(out, it.ID)
	}
	return out
}

func fittingsListed(t *testing.T, s service.Store) {
	putFittings(t, s, 3, 1, 4, 0, 2) // clocks of several writers are not in step
	must(t, s.AppendFitting(ctx(t), fitting(1).ID, proven(1, 2)))
	must(t, s.AppendFitting(ctx(t), fitting(3).ID, written(3, 2, service.FittingSigned)))
	must(t, s.AppendFitting(ctx(t), fitting(4).ID, proven(4, 2)))
	at := func(n int) *service.Position { p := fitting(n).Position(); return &p }
	for _, tt := range []struct {
		filter service.FittingFilter
		want   []int
	}{
		{service.FittingFilter{Limit: 10}, []int{4, 3, 2, 1, 0}},
		{service.FittingFilter{Limit: 2}, []int{4, 3}},
		{service.FittingFilter{Limit: 10, After: at(3)}, []int{2, 1, 0}},
		{service.FittingFilter{Limit: 10, After: at(0)}, nil},
		{service.FittingFilter{Limit: 10, State: service.FittingPlanned}, []int{2, 0}},
		{service.FittingFilter{Limit: 10, State: service.FittingProven}, []int{4, 1}},
		{service.FittingFilter{Limit: 10, State: service.FittingProven, After: at(4)}, []int{1}},
		{service.FittingFilter{Limit: 1, State: service.FittingSigned}, []int{3}},
		{service.FittingFilter{Limit: 10, State: service.FittingOpen}, nil},
		{service.FittingFilter{Limit: 10, State: "\x00"}, nil},
	} {
		var want []string
		for _, n := range tt.want {
			want = append(want, fitting(n).ID)
		}
		equal(t, fittingIDs(ctx(t), t, s, tt.filter), want)
	}
	items := got[[]service.FittingSummary](t)(s.ListFittings(ctx(t), service.FittingFilter{Limit: 1}))
	want := fitting(4)
	want.State, want.Revision = service.FittingProven, 2
	utc(&items[0].CreatedAt)
	same(t, "the summary", items[0], want)
}

func fittingsIsolated(t *testing.T, s service.Store) {
	given, more := plan(0), proven(0, 2)
	must(t, s.PutFitting(ctx(t), fitting(0), given))
	must(t, s.AppendFitting(ctx(t), fitting(0).ID, more))
	for range 2 { // what was given, and then what was handed out
		for _, b := range [][]byte{given.Given, given.Made, more.Given, more.Made} {
			clear(b)
		}
		have := got[service.FittingRecord](t)(s.GetFitting(ctx(t), fitting(0).ID))
		given, more = have.Entries[0], have.Entries[1]
		wantFitting(t, s, 0, service.FittingProven, plan(0), proven(0, 2))
	}
}

func tenantsFittings(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	must(t, s.PutFitting(a, fitting(1), plan(1)))
	_, err := s.GetFitting(b, fitting(1).ID)
	fails(t, "GetFitting for the other tenant", err, service.ErrNotFound)
	fails(t, "AppendFitting for the other tenant", s.AppendFitting(b, fitting(1).ID, proven(1, 2)), service.ErrNotFound)
	equal(t, fittingIDs(b, t, s, service.FittingFilter{Limit: 10}), nil)
	// The same id for another tenant is another fitting.
	must(t, s.PutFitting(b, fitting(1), plan(7)))
	must(t, s.AppendFitting(b, fitting(1).ID, written(7, 2, service.FittingSigned)))
	have := got[service.FittingRecord](t)(s.GetFitting(a, fitting(1).ID))
	if have.State != service.FittingPlanned || len(have.Entries) != 1 || !bytes.Equal(have.Entries[0].Given, plan(1).Given) {
		t.Errorf("after the other tenant signed its own, the fitting is %+v", have)
	}
	if err := s.PutFitting(as(t, nobody), fitting(1), plan(1)); err == nil {
		// A store without accounts may take it; then nobody else sees it.
		equal(t, fittingIDs(a, t, s, service.FittingFilter{Limit: 10}), []string{fitting(1).ID})
	}
}

// fittingsLogged: every entry is a leaf, and what was not written is none.
func fittingsLogged(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	must(t, s.PutFitting(a, fitting(1), plan(1)))
	must(t, s.Put(a, record(1)))
	must(t, s.AppendFitting(a, fitting(1).ID, proven(1, 2)))
	fails(t, "a stale entry", s.AppendFitting(a, fitting(1).ID, proven(1, 2)), service.ErrStale)
	must(t, s.AppendFitting(a, fitting(1).ID, written(1, 3, service.FittingSigned)))
	fails(t, "an entry after the signature", s.AppendFitting(a, fitting(1).ID, proven(1, 4)), service.ErrSigned)

	id := fitting(1).ID
	want := []service.LogLeaf{
		{Index: 0, ID: service.FittingLogID(id, 1), Hash: rfc6962.DefaultHasher.HashLeaf(plan(1).Leaf(tenantA, id))},
		{Index: 1, ID: record(1).ID, Hash: rfc6962.DefaultHasher.HashLeaf(record(1).Leaf(tenantA))},
		{Index: 2, ID: service.FittingLogID(id, 2), Hash: rfc6962.DefaultHasher.HashLeaf(proven(1, 2).Leaf(tenantA, id))},
		{Index: 3, ID: service.FittingLogID(id, 3), Hash: rfc6962.DefaultHasher.HashLeaf(written(1, 3, service.FittingSigned).Leaf(tenantA, id))},
	}
	same(t, "leaves", got[[]service.LogLeaf](t)(s.LogLeaves(a, 0, 10)), want)
	for _, leaf := range want {
		if index, err := s.LogIndex(a, leaf.ID); err != nil || index != leaf.Index {
			t.Errorf("%s is at %d (%v), want %d", leaf.ID, index, err, leaf.Index)
		}
	}
}

// fittingsOnce: a step sees what others wrote before, can write after having
// been stale, and leaves nothing behind if it fails.
func fittingsOnce(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	id := fitting(1).ID
	must(t, s.PutFitting(a, fitting(1), plan(1)))
	no := errors.New("no")
	_, _, err := s.Once(a, "k", [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		must(t, s.AppendFitting(ctx, id, proven(1, 2)))
		return service.Reply{}, no
	})
	fails(t, "the step", err, no)
	_, _, err = s.Once(a, "k", [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		fails(t, "an entry too far", s.AppendFitting(ctx, id, proven(1, 3)), service.ErrStale)
		have, err := s.GetFitting(ctx, id)
		if err != nil || have.Revision != 1 {
			t.Errorf("within the step the fitting has revision %d (%v), want 1", have.Revision, err)
		}
		return service.Reply{Status: 201}, s.AppendFitting(ctx, id, proven(1, 2))
	})
	must(t, err)
	if have := got[service.FittingRecord](t)(s.GetFitting(a, id)); have.Revision != 2 || len(have.Entries) != 2 {
		t.Errorf("after the step the fitting is %+v", have)
	}
	if size := got[int64](t)(s.LogSize(a)); size != 2 {
		t.Errorf("the log has %d entries, want 2", size)
	}
}
