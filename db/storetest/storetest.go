// Package storetest is the suite that every store passes.
package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"drawgear/rules"
	"drawgear/service"
)

// Run holds a store to what service.Store promises. open gives an empty store
// to each test and cleans up with t.
func Run(t *testing.T, open func(t *testing.T) service.Store) {
	tests := []struct {
		name string
		test func(t *testing.T, s service.Store)
	}{
		{"gives back what was put", roundTrip},
		{"gives back the very bytes", exactBytes},
		{"knows what it does not have", notFound},
		{"refuses an id twice", duplicate},
		{"lists newest first", newestFirst},
		{"pages through records of one instant", sameInstant},
		{"keeps a position while others arrive", stablePosition},
		{"filters", filters},
		{"keeps its bytes to itself", isolation},
		{"serves many at once", concurrency},
		{"obeys its context", cancelled},
		{"describes itself", status},

		{"keeps what is written to a fitting", fittingsRoundTrip},
		{"writes to a fitting only what follows", fittingsInOrder},
		{"writes nothing after the signature", fittingsSigned},
		{"takes one of many that write to a fitting at once", fittingsAtOnce},
		{"lists fittings newest first", fittingsListed},
		{"keeps the bytes of fittings to itself", fittingsIsolated},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) { tt.test(t, open(t)) })
	}
}

// ctx is the context of the default caller.
func ctx(t *testing.T) context.Context { return service.WithCaller(t.Context(), service.Local()) }

var start = time.Date(2026, 11, 25, 12, 0, 0, 123_456_000, time.UTC)

// record makes the n-th record, a second younger than the one before.
func record(n int) service.Record {
	return service.Record{
		Summary: service.Summary{
			ID:           fmt.Sprintf("RECORD%020d", n),
			CreatedAt:    start.Add(time.Duration(n) * time.Second),
			Jurisdiction: "AU-NSW", AsOf: "2026-11-25", Verdict: rules.Compliant,
			AnswerSHA256: fmt.Sprintf("%064x", n),
		},
		Rig:    fmt.Appendf(nil, `{"jurisdiction":"AU-NSW","trailer":{"axle_count":%d}}`, n%7),
		Answer: fmt.Appendf(nil, `{"verdict":"compliant","n":%d}`, n),
	}
}

func put(t *testing.T, s service.Store, rs ...service.Record) {
	t.Helper()
	for _, r := range rs {
		if err := s.Put(ctx(t), r); err != nil {
			t.Fatalf("Put(%s): %v", r.ID, err)
		}
	}
}

// ids lists with a filter and gives the ids.
func ids(t *testing.T, s service.Store, f service.Filter) []string {
	t.Helper()
	items, err := s.List(ctx(t), f)
	if err != nil {
		t.Fatalf("List: %v", err)
	}
	var out []string
	for _, it := range items {
		out = append(out, it.ID)
	}
	return out
}

func equal(t *testing.T, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("listed %v, want %v", got, want)
	}
}

func sameRecord(t *testing.T, got, want service.Record) {
	t.Helper()
	if !got.CreatedAt.Equal(want.CreatedAt) {
		t.Errorf("created at %v, want %v", got.CreatedAt, want.CreatedAt)
	}
	got.CreatedAt = want.CreatedAt
	if got.Summary != want.Summary {
		t.Errorf("summary %+v, want %+v", got.Summary, want.Summary)
	}
	if !bytes.Equal(got.Rig, want.Rig) {
		t.Errorf("rig %q, want %q", got.Rig, want.Rig)
	}
	if !bytes.Equal(got.Answer, want.Answer) {
		t.Errorf("answer %q, want %q", got.Answer, want.Answer)
	}
}

func roundTrip(t *testing.T, s service.Store) {
	want := record(1)
	put(t, s, record(0), want, record(2))
	got, err := s.Get(ctx(t), want.ID)
	if err != nil {
		t.Fatalf("Get: %v", err)
	}
	sameRecord(t, got, want)
	items, err := s.List(ctx(t), service.Filter{Limit: 3})
	if err != nil || len(items) != 3 {
		t.Fatalf("List gave %d records and %v, want 3", len(items), err)
	}
	sameRecord(t, service.Record{Summary: items[1], Rig: want.Rig, Answer: want.Answer}, want)
}

// exactBytes: order of names, repeats of white space, escapes and long numbers
// must survive, since digests are taken over these bytes.
func exactBytes(t *testing.T, s service.Store) {
	r := record(1)
	r.Rig = []byte(`{"b":1,"a":"\u003c\ud800é","n":1.50000000000000000000000001e2}`)
	r.Answer = []byte("{\"z\": [ ],\t\"a\":\"\\u2028\"}")
	put(t, s, r)
	got, err := s.Get(ctx(t), r.ID)
	if err != nil {
		t.Fatalf("Get: %v", err)
	}
	sameRecord(t, got, r)
}

func notFound(t *testing.T, s service.Store) {
	put(t, s, record(1))
	for _, id := range []string{"", record(2).ID, "record00000000000000000001", "' OR 1=1 --", "\x00"} {
		if _, err := s.Get(ctx(t), id); !errors.Is(err, service.ErrNotFound) {
			t.Errorf("Get(%q) failed with %v, want ErrNotFound", id, err)
		}
	}
}

func duplicate(t *testing.T, s service.Store) {
	first, second := record(1), record(1)
	second.Answer = []byte(`{"verdict":"non_compliant"}`)
	put(t, s, first)
	if err := s.Put(ctx(t), second); err == nil {
		t.Error("an id was taken twice")
	}
	got, err := s.Get(ctx(t), first.ID)
	if err != nil {
		t.Fatalf("Get: %v", err)
	}
	sameRecord(t, got, first)
	equal(t, ids(t, s, service.Filter{Limit: 10}), []string{first.ID})
}

func newestFirst(t *testing.T, s service.Store) {
	equal(t, ids(t, s, service.Filter{Limit: 10}), nil)
	for _, n := range []int{3, 1, 4, 0, 2} { // clocks of several writers are not in step
		put(t, s, record(n))
	}
	want := []string{record(4).ID, record(3).ID, record(2).ID, record(1).ID, record(0).ID}
	equal(t, ids(t, s, service.Filter{Limit: 10}), want)
	equal(t, ids(t, s, service.Filter{Limit: 5}), want)
	equal(t, ids(t, s, service.Filter{Limit: 2}), want[:2])
}

// position is the place of a record in the list.
func position(r service.Record) *service.Position {
	return &service.Position{CreatedAt: r.CreatedAt, ID: r.ID}
}

func sameInstant(t *testing.T, s service.Store) {
	var want []string
	for n := range 7 {
		r := record(n)
		r.CreatedAt = start
		put(t, s, r)
		want = append(want, r.ID)
	}
	slices.Reverse(want)
	var got []string
	f := service.Filter{Limit: 2}
	for range len(want) {
		items, err := s.List(ctx(t), f)
		if err != nil {
			t.Fatalf("List: %v", err)
		}
		if len(items) == 0 {
			break
		}
		for _, it := range items {
			got = append(got, it.ID)
			f.After = &service.Position{CreatedAt: it.CreatedAt, ID: it.ID}
		}
	}
	equal(t, got, want)
}

func stablePosition(t *testing.T, s service.Store) {
	put(t, s, record(10), record(20), record(30), record(40))
	after := position(record(30))
	put(t, s, record(50), record(35), record(5))
	equal(t, ids(t, s, service.Filter{Limit: 10, After: after}), []string{record(20).ID, record(10).ID, record(5).ID})
	// The record of a position may be gone, or never have been here.
	equal(t, ids(t, s, service.Filter{Limit: 10, After: position(record(15))}), []string{record(10).ID, record(5).ID})
	equal(t, ids(t, s, service.Filter{Limit: 10, After: position(record(5))}), nil)
}

func filters(t *testing.T, s service.Store) {
	var all []service.Record
	for n := range 12 {
		r := record(n)
		r.Jurisdiction = []string{"AU", "AU-NSW", "GB"}[n%3]
		r.Verdict = []rules.Verdict{rules.Compliant, rules.NonCompliant}[n/3%2]
		all = append(all, r)
	}
	put(t, s, all...)
	for _, f := range []service.Filter{
		{Limit: 12, Jurisdiction: "AU"},
		{Limit: 12, Verdict: rules.NonCompliant},
		{Limit: 12, Jurisdiction: "GB", Verdict: rules.Compliant},
		{Limit: 1, Jurisdiction: "GB", Verdict: rules.Compliant},
		{Limit: 12, Jurisdiction: "AU-NSW", After: position(all[7])},
		{Limit: 12, Jurisdiction: "FR"},
		{Limit: 12, Verdict: rules.Undetermined},
	} {
		var want []string
		for i := len(all) - 1; i >= 0 && len(want) < f.Limit; i-- {
			r := all[i]
			if (f.Jurisdiction == "" || r.Jurisdiction == f.Jurisdiction) && (f.Verdict == "" || r.Verdict == f.Verdict) &&
				(f.After == nil || i < 7) {
				want = append(want, r.ID)
			}
		}
		equal(t, ids(t, s, f), want)
	}
}

func isolation(t *testing.T, s service.Store) {
	want, given := record(1), record(1)
	put(t, s, given)
	clear(given.Rig)
	clear(given.Answer)
	got, err := s.Get(ctx(t), want.ID)
	if err != nil {
		t.Fatalf("Get: %v", err)
	}
	sameRecord(t, got, want)
	clear(got.Rig)
	clear(got.Answer)
	again, err := s.Get(ctx(t), want.ID)
	if err != nil {
		t.Fatalf("Get: %v", err)
	}
	sameRecord(t, again, want)
}

func concurrency(t *testing.T, s service.Store) {
	const writers, each = 8, 25
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				r := record(w*each + i)
				if err := s.Put(ctx(t), r); err != nil {
					t.Errorf("Put(%s): %v", r.ID, err)
					return
				}
				if _, err := s.Get(ctx(t), r.ID); err != nil {
					t.Errorf("Get(%s) just after Put: %v", r.ID, err)
				}
				items, err := s.List(ctx(t), service.Filter{Limit: 10})
				if err != nil {
					t.Errorf("List: %v", err)
				}
				for j := 1; j < len(items); j++ {
					if !items[j].CreatedAt.Before(items[j-1].CreatedAt) {
						t.Errorf("%s is listed before %s", items[j-1].ID, items[j].ID)
					}
				}
			}
		})
	}
	wg.Wait()
	if got := len(ids(t, s, service.Filter{Limit: 2 * writers * each})); got != writers*each {
		t.Errorf("%d records are listed, want %d", got, writers*each)
	}
}

func cancelled(t *testing.T, s service.Store) {
	put(t, s, record(1))
	ended, cancel := context.WithCancel(ctx(t))
	cancel()
	if err := s.Put(ended, record(2)); !errors.Is(err, context.Canceled) {
		t.Errorf("Put failed with %v, want context.Canceled", err)
	}
	if _, err := s.Get(ended, record(1).ID); !errors.Is(err, context.Canceled) {
		t.Errorf("Get failed with %v, want context.Canceled", err)
	}
	if _, err := s.List(ended, service.Filter{Limit: 1}); !errors.Is(err, context.Canceled) {
		t.Errorf("List failed with %v, want context.Canceled", err)
	}
	st, err := s.Status(ended)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("Status failed with %v, want context.Canceled", err)
	}
	if st.Kind == "" || st.Available {
		t.Errorf("status beside an error is %+v, want a kind that is not available", st)
	}
	if _, err := s.Get(ctx(t), record(2).ID); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("a cancelled Put left a record behind (%v)", err)
	}
}

func status(t *testing.T, s service.Store) {
	put(t, s, record(1), record(2))
	st, err := s.Status(ctx(t))
	if err != nil {
		t.Fatalf("Status: %v", err)
	}
	if st.Kind == "" || st.Note == "" || !st.Available {
		t.Errorf("status is %+v, want a kind, a note and available", st)
	}
	if st.Kept != nil && *st.Kept != 2 {
		t.Errorf("%d records are said to be kept, want 2", *st.Kept)
	}
}
