package memory_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/transparency-dev/merkle/rfc6962"

	"drawgear/db/memory"
	"drawgear/db/storetest"
	"drawgear/service"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(*testing.T) service.Store { return memory.New(0) })
}

func TestFullStore(t *testing.T) {
	storetest.RunFull(t, func(*testing.T) service.FullStore { return memory.New(0) })
}

func TestJobs(t *testing.T) {
	storetest.RunJobs(t, func(_ *testing.T, again time.Duration) service.FullStore {
		s := memory.New(0)
		s.Hurry(again)
		return s
	})
}

// ctx is the context of the default caller.
func ctx(t *testing.T) context.Context { return service.WithCaller(t.Context(), service.Local()) }

func record(n, size int) service.Record {
	return service.Record{
		Summary: service.Summary{ID: fmt.Sprint("R", n), CreatedAt: time.UnixMicro(int64(n))},
		Rig:     make([]byte, size/2), Answer: make([]byte, size-size/2),
	}
}

func kept(t *testing.T, s *memory.Store, n int) bool {
	t.Helper()
	_, err := s.Get(ctx(t), fmt.Sprint("R", n))
	if err != nil && !errors.Is(err, service.ErrNotFound) {
		t.Fatalf("Get: %v", err)
	}
	return err == nil
}

// bounded gives stores that hold three records of 11 bytes.
func bounded() map[string]*memory.Store {
	return map[string]*memory.Store{"by count": memory.New(3), "by size": memory.NewBounded(0, 3*11+10)}
}

func TestOldestGo(t *testing.T) {
	for name, s := range bounded() {
		t.Run(name, func(t *testing.T) {
			for _, n := range []int{1, 2, 3, 4, 5} {
				if err := s.Put(ctx(t), record(n, 11)); err != nil {
					t.Fatalf("Put: %v", err)
				}
			}
			for n, want := range map[int]bool{1: false, 2: false, 3: true, 4: true, 5: true} {
				if got := kept(t, s, n); got != want {
					t.Errorf("record %d kept: %v, want %v", n, got, want)
				}
			}
			items, err := s.List(ctx(t), service.Filter{Limit: 10})
			if err != nil || len(items) != 3 || items[0].ID != "R5" || items[1].ID != "R4" || items[2].ID != "R3" {
				t.Errorf("listed are %v (%v), want R5, R4, R3", items, err)
			}
			if st, err := s.Status(t.Context()); err != nil || st.Kept == nil || *st.Kept != 3 || st.Durable {
				t.Errorf("status is %+v (%v), want 3 kept and not durable", st, err)
			}
		})
	}
}

// TestOldestGoOfAll: the bounds are those of the store, whoever the records
// belong to and however they came.
func TestOldestGoOfAll(t *testing.T) {
	for name, s := range bounded() {
		t.Run(name, func(t *testing.T) {
			other := service.WithCaller(t.Context(), service.Caller{Tenant: "another"})
			for _, n := range []int{1, 3} {
				if err := s.Put(ctx(t), record(n, 11)); err != nil {
					t.Fatalf("Put: %v", err)
				}
			}
			_, _, err := s.Once(other, "k", [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
				return service.Reply{}, errors.Join(s.Put(ctx, record(1, 11)), s.Put(ctx, record(2, 11)), s.Put(ctx, record(4, 11)))
			})
			if err != nil {
				t.Fatalf("Once: %v", err)
			}
			for n, want := range map[int]bool{1: false, 3: true} {
				if got := kept(t, s, n); got != want {
					t.Errorf("record %d kept: %v, want %v", n, got, want)
				}
			}
			items, err := s.List(other, service.Filter{Limit: 10})
			if err != nil || len(items) != 2 || items[0].ID != "R4" || items[1].ID != "R2" {
				t.Errorf("listed are %v (%v), want R4, R2", items, err)
			}
		})
	}
}

// TestLogOutlastsRecords: what has gone is still proven to have been.
func TestLogOutlastsRecords(t *testing.T) {
	for name, s := range bounded() {
		t.Run(name, func(t *testing.T) {
			for n := range 5 {
				if err := s.Put(ctx(t), record(n, 11)); err != nil {
					t.Fatalf("Put: %v", err)
				}
			}
			if kept(t, s, 0) {
				t.Fatal("the first record is still kept: the test has lost its point")
			}
			leaves, err := s.LogLeaves(ctx(t), 0, 10)
			if err != nil || len(leaves) != 5 {
				t.Fatalf("%d leaves (%v), want 5", len(leaves), err)
			}
			for n, leaf := range leaves {
				r := record(n, 11)
				if leaf.ID != r.ID || !bytes.Equal(leaf.Hash, rfc6962.DefaultHasher.HashLeaf(r.Leaf(service.DefaultTenant))) {
					t.Errorf("leaf %d is %+v", n, leaf)
				}
			}
			if i, err := s.LogIndex(ctx(t), "R1"); err != nil || i != 1 {
				t.Errorf("a record that has gone was at %d (%v), want 1", i, err)
			}
			if s.Put(ctx(t), record(0, 11)) == nil {
				t.Error("the id of a record that has gone was taken again")
			}
		})
	}
}

func TestOldestRepliesGo(t *testing.T) {
	for name, s := range bounded() {
		t.Run(name, func(t *testing.T) {
			ran := 0
			once := func(n int) {
				_, _, err := s.Once(ctx(t), fmt.Sprint("k", n), [32]byte{}, func(context.Context, service.FullStore) (service.Reply, error) {
					ran++
					return service.Reply{Body: make([]byte, 11)}, nil
				})
				if err != nil {
					t.Fatalf("Once: %v", err)
				}
			}
			for n := range 5 {
				once(n)
			}
			for n := 2; n < 5; n++ {
				once(n)
			}
			if ran != 5 {
				t.Errorf("%d steps were taken, want 5: the last three replies are still there", ran)
			}
			if once(1); ran != 6 {
				t.Errorf("%d steps were taken, want 6: the reply to the second has gone", ran)
			}
		})
	}
}

// TestOldestFittingsGo: they are bounded like records and apart from them, and
// the log keeps what was written to those that have gone.
func TestOldestFittingsGo(t *testing.T) {
	fitting := func(n int) service.FittingSummary {
		return service.FittingSummary{ID: fmt.Sprint("F", n), CreatedAt: time.UnixMicro(int64(n))}
	}
	entry := func(revision, size int) service.FittingEntry {
		return service.FittingEntry{Revision: revision, State: service.FittingOpen, Given: make([]byte, size/2), Made: make([]byte, size-size/2)}
	}
	for name, s := range bounded() {
		t.Run(name, func(t *testing.T) {
			if err := s.Put(ctx(t), record(0, 11)); err != nil {
				t.Fatalf("Put: %v", err)
			}
			for n := range 5 {
				if err := s.PutFitting(ctx(t), fitting(n), entry(1, 11)); err != nil {
					t.Fatalf("PutFitting: %v", err)
				}
			}
			for n, want := range []bool{false, false, true, true, true} {
				if _, err := s.GetFitting(ctx(t), fitting(n).ID); (err == nil) != want || err != nil && !errors.Is(err, service.ErrNotFound) {
					t.Errorf("fitting %d: %v, want it kept: %v", n, err, want)
				}
			}
			items, err := s.ListFittings(ctx(t), service.FittingFilter{Limit: 10})
			if err != nil || len(items) != 3 || items[0].ID != "F4" || items[2].ID != "F2" {
				t.Errorf("listed are %v (%v), want F4, F3, F2", items, err)
			}
			if !kept(t, s, 0) {
				t.Error("a record went to make room for fittings")
			}
			if n, err := s.LogSize(ctx(t)); err != nil || n != 6 {
				t.Errorf("the log has %d entries (%v), want 6", n, err)
			}
			if s.PutFitting(ctx(t), fitting(0), entry(1, 11)) == nil {
				t.Error("the id of a fitting that has gone was taken again")
			}
		})
	}
	// What is written to a fitting counts as well.
	s := memory.NewBounded(0, 40)
	for n := range 2 {
		if err := s.PutFitting(ctx(t), fitting(n), entry(1, 15)); err != nil {
			t.Fatalf("PutFitting: %v", err)
		}
	}
	if err := s.AppendFitting(ctx(t), "F1", entry(2, 15)); err != nil {
		t.Fatalf("AppendFitting: %v", err)
	}
	if _, err := s.GetFitting(ctx(t), "F0"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("the oldest is still there (%v)", err)
	}
	if err := s.AppendFitting(ctx(t), "F1", entry(3, 15)); err == nil {
		t.Error("a fitting larger than the store was taken")
	}
	if f, err := s.GetFitting(ctx(t), "F1"); err != nil || f.Revision != 2 {
		t.Errorf("after that it is %+v (%v)", f.FittingSummary, err)
	}
}

// TestStepIsOver: a store that Once gave is of no use afterwards, and does no
// harm.
func TestStepIsOver(t *testing.T) {
	s := memory.New(0)
	var leaked service.FullStore
	_, _, err := s.Once(ctx(t), "k", [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		leaked = s
		return service.Reply{}, nil
	})
	if err != nil {
		t.Fatalf("Once: %v", err)
	}
	if err := leaked.Put(ctx(t), record(1, 2)); err == nil {
		t.Error("it took a record")
	}
	if _, err := leaked.LogSize(ctx(t)); err == nil {
		t.Error("it gave the size of the log")
	}
	if kept(t, s, 1) {
		t.Error("what it took has come to the store")
	}
}

// TestWritingWithinStep: a step that writes past the store it was given waits
// for itself, but no longer than its context.
func TestWritingWithinStep(t *testing.T) {
	s := memory.New(0)
	brief, cancel := context.WithTimeout(ctx(t), 20*time.Millisecond)
	defer cancel()
	_, _, err := s.Once(ctx(t), "k", [32]byte{}, func(context.Context, service.FullStore) (service.Reply, error) {
		return service.Reply{}, s.Put(brief, record(1, 2))
	})
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("the step failed with %v, want context.DeadlineExceeded", err)
	}
	if err := s.Put(ctx(t), record(1, 2)); err != nil {
		t.Errorf("Put after that: %v", err)
	}
}

// TestStepWithinStep: the inner one stands only if the outer does.
func TestStepWithinStep(t *testing.T) {
	s := memory.New(0)
	nested := func(n int, end error) error {
		_, _, err := s.Once(ctx(t), fmt.Sprint("outer", n), [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			_, _, err := s.Once(ctx, fmt.Sprint("inner", n), [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
				return service.Reply{}, s.Put(ctx, record(n, 2))
			})
			if _, missing := s.Get(ctx, fmt.Sprint("R", n)); missing != nil {
				t.Errorf("after the inner step: %v", missing)
			}
			return service.Reply{}, errors.Join(err, end)
		})
		return err
	}
	if err := nested(1, errors.New("no")); err == nil || kept(t, s, 1) {
		t.Errorf("the outer step failed with %v, and what the inner wrote stands: %v", err, kept(t, s, 1))
	}
	if err := nested(2, nil); err != nil || !kept(t, s, 2) {
		t.Errorf("both went well (%v), and what was written stands: %v", err, kept(t, s, 2))
	}
}

// TestFailedStepLeavesTheList: a step that fails has put nothing between the
// records that are listed.
func TestFailedStepLeavesTheList(t *testing.T) {
	s := memory.New(0)
	for _, n := range []int{1, 3, 5} { // room is left for a fourth
		if err := s.Put(ctx(t), record(n, 2)); err != nil {
			t.Fatalf("Put: %v", err)
		}
	}
	_, _, err := s.Once(ctx(t), "k", [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		return service.Reply{}, errors.Join(s.Put(ctx, record(2, 2)), errors.New("no"))
	})
	if err == nil {
		t.Fatal("the step did not fail")
	}
	items, err := s.List(ctx(t), service.Filter{Limit: 10})
	if err != nil || len(items) != 3 || items[0].ID != "R5" || items[1].ID != "R3" || items[2].ID != "R1" {
		t.Errorf("listed are %v (%v), want R5, R3, R1", items, err)
	}
}

// TestToldOnce: a watcher is told once of one change, and rests until the next.
func TestToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := memory.New(0)
		watch, stop := context.WithCancel(t.Context())
		told := 0
		go s.WatchVersions(watch, func() { told++ })
		for n := 1; n < 4; n++ {
			synctest.Wait()
			if err := s.ImportVersions(t.Context(), []service.Version{{Ruleset: "x", Number: n}}); err != nil {
				t.Fatalf("ImportVersions: %v", err)
			}
			synctest.Wait()
			if told != n {
				t.Fatalf("after %d changes the watcher was told %d times", n, told)
			}
		}
		stop()
	})
}

func TestTooLargeForTheStore(t *testing.T) {
	s := memory.NewBounded(0, 20)
	if err := s.Put(ctx(t), record(1, 20)); err != nil {
		t.Fatalf("a record that just fits: %v", err)
	}
	if err := s.Put(ctx(t), record(2, 21)); err == nil {
		t.Error("a record larger than the store was taken")
	}
	if !kept(t, s, 1) {
		t.Error("the record that fits was dropped for one that does not")
	}
}

func TestLimitIsReported(t *testing.T) {
	for given, want := range map[int]int{0: memory.DefaultRecords, 7: 7} {
		st, err := memory.New(given).Status(t.Context())
		if err != nil || st.Limit != want {
			t.Errorf("limit %d is reported as %d (%v), want %d", given, st.Limit, err, want)
		}
	}
}
