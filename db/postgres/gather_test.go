package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// behind has records wait behind one that the database does not let pass: they
// are in line, in their order, when it gives the first one its result's channel.
func behind(ctx context.Context, t *testing.T, s *postgres.Store, first service.Record, rest ...service.Record) (results []chan error) {
	t.Helper()
	for i, r := range append([]service.Record{first}, rest...) {
		done := make(chan error, 1)
		go func() { done <- s.Put(ctx, r) }()
		results = append(results, done)
		for began := time.Now(); s.Waiting(saltmarsh) != i; time.Sleep(time.Millisecond) {
			if time.Since(began) > 10*time.Second {
				t.Fatalf("%d records wait, want %d", s.Waiting(saltmarsh), i)
			}
		}
	}
	return results
}

// committed counts the transactions that wrote records.
const committed = "SELECT count(DISTINCT xmin::text) FROM assessments"

// TestOneCommit: what comes while a commit is under way shares the next, in the
// order in which it came; what comes alone has one of its own.
func TestOneCommit(t *testing.T) {
	url := pgtest.New(t)
	s, conn := open(t, postgres.Config{URL: url}), connect(t, url)
	for i := range 3 {
		put(home(t), t, s, record(fmt.Sprint("alone", i), day))
	}
	if n := ask[int](t, conn, committed); n != 3 {
		t.Errorf("3 records one after another took %d commits", n)
	}
	release := stuck(t, url)
	var rest []service.Record
	for i := range 100 {
		rest = append(rest, record(fmt.Sprintf("R%02d", i), day))
	}
	results := behind(home(t), t, s, record("first", day), rest...)
	release()
	for i, done := range results {
		if err := <-done; err != nil {
			t.Errorf("record %d: %v", i, err)
		}
	}
	// The first by itself, then 64 as the bound has it, then 36.
	if n := ask[int](t, conn, committed); n != 6 {
		t.Errorf("101 more records took %d commits, want 3", n-3)
	}
	leaves, err := s.LogLeaves(home(t), 4, 200)
	if err != nil || len(leaves) != 100 {
		t.Fatalf("%d leaves (%v)", len(leaves), err)
	}
	if !slices.IsSortedFunc(leaves, func(a, b service.LogLeaf) int { return int(a.Index - b.Index) }) || !slices.IsSortedFunc(leaves, func(a, b service.LogLeaf) int {
		if a.ID < b.ID {
			return -1
		}
		return 1
	}) {
		t.Error("the log is not in the order in which the records came")
	}
	verifyLog(home(t), t, s)
}

// TestOneAtFault: of those that share a commit only the one at fault fails.
func TestOneAtFault(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	put(home(t), t, s, record("taken", day))
	bad := record("bad", day)
	bad.AsOf = "no day"
	release := stuck(t, url)
	results := behind(home(t), t, s, record("first", day), record("A", day), record("taken", day), record("B", day), bad, record("C", day), record("C", day))
	release()
	for i, fails := range []bool{false, false, true, false, true, false, true} {
		if err := <-results[i]; (err != nil) != fails || errors.Is(err, service.ErrUnavailable) {
			t.Errorf("record %d: %v", i, err)
		}
	}
	if n, err := s.LogSize(home(t)); err != nil || n != 5 {
		t.Errorf("the log has %d entries (%v), want 5", n, err)
	}
	verifyLog(home(t), t, s)
}

// TestGivesUp: who gives up while others are committed leaves the line, and only
// that one; the rest are kept.
func TestGivesUp(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	release := stuck(t, url)
	first := behind(home(t), t, s, record("first", day))
	gone, cancel := context.WithCancel(home(t))
	leaving := make(chan error, 1)
	go func() { leaving <- s.Put(gone, record("gone", day)) }()
	for s.Waiting(saltmarsh) != 1 {
		time.Sleep(time.Millisecond)
	}
	stays := make(chan error, 1)
	go func() { stays <- s.Put(home(t), record("stays", day)) }()
	for s.Waiting(saltmarsh) != 2 {
		time.Sleep(time.Millisecond)
	}
	cancel()
	if err := <-leaving; !errors.Is(err, context.Canceled) {
		t.Errorf("who gave up is told %v", err)
	}
	release()
	if err := errors.Join(<-first[0], <-stays); err != nil {
		t.Error(err)
	}
	if _, err := s.Get(home(t), "gone"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("a record whose caller gave up before its commit: %v", err)
	}
	// Nobody is in line any more, so that nothing of the tenant is left in memory.
	for began := time.Now(); s.Lines() != 0; time.Sleep(time.Millisecond) {
		if time.Since(began) > 10*time.Second {
			t.Fatalf("%d lines are left", s.Lines())
		}
	}
}

// slowly is a context that takes its time to say that it is over, in which a
// commit of what its caller asked for would get on.
type slowly struct{ context.Context }

func (c slowly) Done() <-chan struct{} {
	time.Sleep(20 * time.Millisecond)
	return c.Context.Done()
}

// TestGaveUpBefore: a record of a caller who is gone already is not written, also
// where nobody is before it and its commit could begin at once.
func TestGaveUpBefore(t *testing.T) {
	s := open(t, postgres.Config{URL: pgtest.New(t)})
	gone, cancel := context.WithCancel(home(t))
	cancel()
	if err := s.Put(slowly{gone}, record("gone", day)); !errors.Is(err, context.Canceled) {
		t.Errorf("who is gone is told %v", err)
	}
	put(home(t), t, s, record("after", day))
	if n, err := s.LogSize(home(t)); err != nil || n != 1 {
		t.Errorf("the log has %d entries (%v), want that of the one who stayed", n, err)
	}
}

// TestWaitIsBounded: a call ends within its time, whoever is before it.
func TestWaitIsBounded(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url, Timeout: 300 * time.Millisecond})
	release := stuck(t, url)
	var wg sync.WaitGroup
	for i := range 20 {
		wg.Go(func() {
			if err := s.Put(home(t), record(fmt.Sprint("R", i), day)); !errors.Is(err, service.ErrUnavailable) {
				t.Errorf("record %d: %v, want ErrUnavailable", i, err)
			}
		})
	}
	wg.Wait()
	release()
	for began := time.Now(); s.Lines() != 0; time.Sleep(time.Millisecond) {
		if time.Since(began) > 10*time.Second {
			t.Fatalf("%d lines are left", s.Lines())
		}
	}
	recovers(t, s)
	verifyLog(home(t), t, open(t, postgres.Config{URL: url}))
}

// TestTenantsDoNotWait: one tenant's commit does not hold up another's.
func TestTenantsDoNotWait(t *testing.T) {
	url := pgtest.New(t)
	s, conn := open(t, postgres.Config{URL: url}), connect(t, url)
	valley := makeTarn(t, s)
	put(home(t), t, s, record("A", day))
	exec(t, conn, "BEGIN")
	exec(t, conn, "SELECT * FROM log_tails WHERE tenant_id = $1 FOR UPDATE", saltmarsh)
	results := behind(home(t), t, s, record("B", day), record("C", day))
	put(valley, t, s, record("A", day))
	exec(t, conn, "ROLLBACK")
	for _, done := range results {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}
