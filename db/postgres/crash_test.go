package postgres_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"testing"
	"time"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// ledger is what the store has acknowledged, by id.
type ledger struct {
	mu      sync.Mutex
	records map[string]service.Record
	replies map[string]string // idempotency key to the record of its reply
	failed  int
}

func (l *ledger) note(r service.Record, key string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.records[r.ID] = r
	if key != "" {
		l.replies[key] = r.ID
	}
}

func (l *ledger) fail() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.failed++
}

// faultRounds says how often a fault is made: DRAWGEAR_FAULT_ROUNDS in a long run.
func faultRounds(t *testing.T, usual, short int) int {
	t.Helper()
	text := os.Getenv("DRAWGEAR_FAULT_ROUNDS")
	switch n, err := strconv.Atoi(text); {
	case text == "" && testing.Short():
		return short
	case text == "":
		return usual
	case err != nil:
		t.Fatalf("DRAWGEAR_FAULT_ROUNDS: %v", err)
		return 0
	default:
		return n
	}
}

// TestCrash kills the server again and again while many write. What was
// acknowledged is there afterwards, a repeated request has no second effect,
// and the log holds together. It proves survival of the server's death; the
// death of the machine would need fsync, which test servers run without.
func TestCrash(t *testing.T) {
	rounds, writers := faultRounds(t, 20, 3), 8
	noneLeft(t) // of the server neither
	server := pgtest.Start(t)
	s := open(t, postgres.Config{URL: server.Database(t), Connections: 12})
	ctx := home(t)
	known := &ledger{records: map[string]service.Record{}, replies: map[string]string{}}
	for round := range rounds {
		before := len(known.records)
		stop, cancel := context.WithCancel(ctx)
		var wg sync.WaitGroup
		for w := range writers {
			wg.Go(func() {
				for i := 0; stop.Err() == nil; i++ {
					write(ctx, t, s, known, fmt.Sprintf("%02d-%d-%04d", round, w, i), w%4 == 0)
				}
			})
		}
		time.Sleep(time.Duration(30+rand.IntN(100)) * time.Millisecond)
		server.Kill(t)
		time.Sleep(20 * time.Millisecond) // writers meet a server that is gone
		server.Restart(t)
		recover := time.Now()
		for err := s.Put(ctx, record(fmt.Sprint("probe-", round), day)); err != nil; {
			if time.Since(recover) > 20*time.Second {
				t.Fatalf("round %d: the store does not recover: %v", round, err)
			}
			time.Sleep(5 * time.Millisecond)
			err = s.Put(ctx, record(fmt.Sprint("probe-", round, "-", time.Now().UnixNano()), day))
		}
		time.Sleep(20 * time.Millisecond) // writers meet one that is back
		cancel()
		wg.Wait()
		if len(known.records) == before {
			t.Errorf("round %d: nothing was acknowledged: the test shows nothing", round)
		}
		for id, want := range known.records {
			got, err := s.Get(ctx, id)
			if err != nil || !bytes.Equal(got.Answer, want.Answer) || !bytes.Equal(got.Rig, want.Rig) {
				t.Errorf("round %d: the acknowledged record %s: %v", round, id, err)
			}
		}
		if t.Failed() {
			return
		}
	}
	if known.failed == 0 {
		t.Error("no call met a server that was gone: the test shows nothing")
	}
	stored := verifyLog(ctx, t, s)
	for key, id := range maps.All(known.replies) {
		if n := stored[key]; n != 1 {
			t.Errorf("key %s has %d records, the acknowledged one being %s", key, n, id)
		}
	}
	t.Logf("%d rounds: %d records and %d replies acknowledged, %d calls failed", rounds, len(known.records), len(known.replies), known.failed)
}

// write puts one record, by itself or in a step that is repeated under its key
// until it is acknowledged, each time with another record.
func write(ctx context.Context, t *testing.T, s *postgres.Store, known *ledger, name string, once bool) {
	check := func(err error) {
		known.fail()
		if !errors.Is(err, service.ErrUnavailable) {
			t.Errorf("%s: %v, want ErrUnavailable", name, err)
		}
		time.Sleep(time.Millisecond)
	}
	if !once {
		r := record("put-"+name, day.Add(time.Duration(rand.IntN(1e6))*time.Millisecond))
		if err := s.Put(ctx, r); err != nil {
			check(err)
			return
		}
		known.note(r, "")
		return
	}
	for try := 0; ctx.Err() == nil; try++ {
		reply, _, err := s.Once(ctx, name, sha256.Sum256([]byte(name)), func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			r := record(fmt.Sprint("once-", name, "/", try), day)
			return service.Reply{Status: 201, Location: r.ID}, s.Put(ctx, r)
		})
		if err == nil {
			known.note(record(reply.Location, day), name)
			return
		}
		check(err)
	}
}

// verifyLog reads the whole log, compares it with the records and its nodes
// with its leaves, and counts the records of each idempotency key. What a caller
// gave up the server may still carry out meanwhile: so the records are listed
// first, and the log may have more.
func verifyLog(ctx context.Context, t *testing.T, s *postgres.Store) map[string]int {
	t.Helper()
	const all = 1 << 20
	listed := map[string]bool{}    // that must be in the log
	entries := map[string][]byte{} // leaves of fittings; all others are assessments
	fittings, err := s.ListFittings(ctx, service.FittingFilter{Limit: all})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range fittings {
		r, err := s.GetFitting(ctx, f.ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range r.Entries {
			id := service.FittingLogID(f.ID, e.Revision)
			entries[id], listed[id] = e.Leaf(saltmarsh, f.ID), true
		}
	}
	items, err := s.List(ctx, service.Filter{Limit: all})
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range items {
		listed[it.ID] = true
	}
	size, err := s.LogSize(ctx)
	if err != nil {
		t.Fatal(err)
	}
	leaves, err := s.LogLeaves(ctx, 0, int(size))
	if err != nil || int64(len(leaves)) != size {
		t.Fatalf("the log of size %d has %d leaves (%v)", size, len(leaves), err)
	}
	keys := map[string]int{}
	level := make([][]byte, size)
	for i, l := range leaves {
		delete(listed, l.ID)
		leaf, there := entries[l.ID]
		if !there {
			r, err := s.Get(ctx, l.ID)
			if err != nil {
				t.Fatal(err)
			}
			leaf = r.Leaf(saltmarsh)
		}
		sum := sha256.Sum256(append([]byte{0}, leaf...))
		if l.Index != int64(i) || !bytes.Equal(l.Hash, sum[:]) {
			t.Errorf("leaf %d (of %d) is not that of its record or entry %s", i, l.Index, l.ID)
		}
		level[i] = l.Hash
		if name, _, found := bytes.Cut([]byte(l.ID), []byte("/")); found {
			keys[string(bytes.TrimPrefix(name, []byte("once-")))]++
		}
	}
	if len(listed) > 0 {
		t.Errorf("%d records and entries are not in the log of %d", len(listed), size)
	}
	for n := uint(0); len(level) > 0; n++ {
		ids := make([]service.NodeID, len(level))
		for i := range ids {
			ids[i] = service.NodeID{Level: n, Index: uint64(i)}
		}
		nodes, err := s.LogNodes(ctx, ids)
		if err != nil {
			t.Fatal(err)
		}
		var above [][]byte
		for i := range level {
			if !bytes.Equal(nodes[i], level[i]) {
				t.Errorf("node %d of level %d is not the hash of what is under it", i, n)
			}
			if i%2 == 1 {
				sum := sha256.Sum256(bytes.Join([][]byte{{1}, level[i-1], level[i]}, nil))
				above = append(above, sum[:])
			}
		}
		level = above
	}
	return keys
}
