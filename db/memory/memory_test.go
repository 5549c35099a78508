package memory_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/db/storetest"
	"drawgear/service"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(*testing.T) service.Store { return memory.New(0) })
}

func record(n, size int) service.Record {
	return service.Record{
		Summary: service.Summary{ID: fmt.Sprint("R", n), CreatedAt: time.UnixMicro(int64(n))},
		Rig:     make([]byte, size/2), Answer: make([]byte, size-size/2),
	}
}

func kept(t *testing.T, s *memory.Store, n int) bool {
	t.Helper()
	_, err := s.Get(t.Context(), fmt.Sprint("R", n))
	if err != nil && !errors.Is(err, service.ErrNotFound) {
		t.Fatalf("Get: %v", err)
	}
	return err == nil
}

func TestOldestGo(t *testing.T) {
	for name, s := range map[string]*memory.Store{
		"by count": memory.New(3),
		"by size":  memory.NewBounded(0, 3*11+10),
	} {
		t.Run(name, func(t *testing.T) {
			for _, n := range []int{1, 2, 3, 4, 5} {
				if err := s.Put(t.Context(), record(n, 11)); err != nil {
					t.Fatalf("Put: %v", err)
				}
			}
			for n, want := range map[int]bool{1: false, 2: false, 3: true, 4: true, 5: true} {
				if got := kept(t, s, n); got != want {
					t.Errorf("record %d kept: %v, want %v", n, got, want)
				}
			}
			items, err := s.List(t.Context(), service.Filter{Limit: 10})
			if err != nil || len(items) != 3 || items[0].ID != "R5" || items[1].ID != "R4" || items[2].ID != "R3" {
				t.Errorf("listed are %v (%v), want R5, R4, R3", items, err)
			}
			if st, err := s.Status(t.Context()); err != nil || st.Kept == nil || *st.Kept != 3 || st.Durable {
				t.Errorf("status is %+v (%v), want 3 kept and not durable", st, err)
			}
		})
	}
}

func TestTooLargeForTheStore(t *testing.T) {
	s := memory.NewBounded(0, 20)
	if err := s.Put(t.Context(), record(1, 20)); err != nil {
		t.Fatalf("a record that just fits: %v", err)
	}
	if err := s.Put(t.Context(), record(2, 21)); err == nil {
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
