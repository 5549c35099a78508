package storetest

import (
	"bytes"
	"context"
	"fmt"
	"math/bits"
	"sync"
	"testing"
	"time"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"

	"drawgear/service"
)

// whole gives a record all that can be kept of one.
func whole(n int) service.Record {
	r := record(n)
	r.Engine, r.KnownAt = "1.2.3+é", start.AddDate(-1, 0, 0)
	return r
}

func recordsWhole(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	for i, want := range []service.Record{record(1), whole(2)} {
		must(t, s.Put(a, want))
		have := got[service.Record](t)(s.Get(a, want.ID))
		sameRecord(t, have, want)
		if have.Engine != want.Engine || !have.KnownAt.Equal(want.KnownAt) {
			t.Errorf("engine %q, known at %v, want %q and %v", have.Engine, have.KnownAt, want.Engine, want.KnownAt)
		}
		// Whoever has the record can make the leaf again.
		leaves := got[[]service.LogLeaf](t)(s.LogLeaves(a, int64(i), 1))
		if len(leaves) != 1 || !bytes.Equal(leaves[0].Hash, rfc6962.DefaultHasher.HashLeaf(have.Leaf(tenantA))) {
			t.Errorf("the leaf of what came back is not that in the log, %v", leaves)
		}
	}
}

// root is the hash of a tree as section 2.1 of RFC 6962 defines it.
func root(leaves [][]byte) []byte {
	switch n := len(leaves); n {
	case 0:
		return rfc6962.DefaultHasher.EmptyRoot()
	case 1:
		return leaves[0]
	default:
		k := 1 << (bits.Len(uint(n-1)) - 1) // the largest power of two below n
		return rfc6962.DefaultHasher.HashChildren(root(leaves[:k]), root(leaves[k:]))
	}
}

func hashes(tenant string, rs []service.Record) [][]byte {
	var out [][]byte
	for _, r := range rs {
		out = append(out, rfc6962.DefaultHasher.HashLeaf(r.Leaf(tenant)))
	}
	return out
}

// nodes asks for nodes by the names that the library has for them.
func nodes(t *testing.T, s service.FullStore, ctx context.Context, ids []compact.NodeID) [][]byte {
	t.Helper()
	var ours []service.NodeID
	for _, id := range ids {
		ours = append(ours, service.NodeID(id))
	}
	out := got[[][]byte](t)(s.LogNodes(ctx, ours))
	if len(out) != len(ids) {
		t.Fatalf("%d nodes for %d ids", len(out), len(ids))
	}
	return out
}

// verifyLog holds the log of a tenant to the records it should have, in order.
func verifyLog(t *testing.T, s service.FullStore, tenant string, want ...service.Record) {
	t.Helper()
	ctx, leaves := as(t, tenant), hashes(tenant, want)
	size := uint64(len(want))
	if n := got[int64](t)(s.LogSize(ctx)); uint64(n) != size {
		t.Fatalf("the log has %d entries, want %d", n, size)
	}
	entries := got[[]service.LogLeaf](t)(s.LogLeaves(ctx, 0, len(want)+1))
	if len(entries) != len(want) {
		t.Fatalf("%d leaves are given, want %d", len(entries), len(want))
	}
	for i, r := range want {
		same(t, "the leaf", entries[i], service.LogLeaf{Index: int64(i), ID: r.ID, Hash: leaves[i]})
		if at := got[int64](t)(s.LogIndex(ctx, r.ID)); at != int64(i) {
			t.Errorf("%s is said to be at %d, want %d", r.ID, at, i)
		}
	}
	if size == 0 {
		return
	}
	top := root(leaves)
	factory := compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}
	tree := got[*compact.Range](t)(factory.NewRange(0, size, nodes(t, s, ctx, compact.RangeNodes(0, size, nil))))
	if sum := got[[]byte](t)(tree.GetRootHash(nil)); !bytes.Equal(sum, top) {
		t.Errorf("the root of %d leaves is %x, want %x", size, sum, top)
	}
	for i := range size {
		path := got[proof.Nodes](t)(proof.Inclusion(i, size))
		hs := got[[][]byte](t)(path.Rehash(nodes(t, s, ctx, path.IDs), rfc6962.DefaultHasher.HashChildren))
		if err := proof.VerifyInclusion(rfc6962.DefaultHasher, i, size, leaves[i], hs, top); err != nil {
			t.Errorf("leaf %d of %d: %v", i, size, err)
		}
		// Of a shorter log, of i+1 leaves, this one is the continuation.
		path = got[proof.Nodes](t)(proof.Consistency(i+1, size))
		hs = got[[][]byte](t)(path.Rehash(nodes(t, s, ctx, path.IDs), rfc6962.DefaultHasher.HashChildren))
		if err := proof.VerifyConsistency(rfc6962.DefaultHasher, i+1, size, hs, root(leaves[:i+1]), top); err != nil {
			t.Errorf("from %d to %d leaves: %v", i+1, size, err)
		}
	}
}

func logTree(t *testing.T, s service.FullStore) {
	var all []service.Record
	verifyLog(t, s, tenantA)
	for n := range 18 {
		all = append(all, whole(n))
		must(t, s.Put(as(t, tenantA), whole(n)))
		verifyLog(t, s, tenantA, all...)
	}
}

// logOrder: places in the log are those of the arrivals, not of the clocks.
func logOrder(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	var all []service.Record
	for _, n := range []int{3, 1, 2, 5, 4} {
		must(t, s.Put(a, record(n)))
		all = append(all, record(n))
	}
	verifyLog(t, s, tenantA, all...)
	if s.Put(a, record(2)) == nil {
		t.Error("an id was taken twice")
	}
	verifyLog(t, s, tenantA, all...)

	entries := got[[]service.LogLeaf](t)(s.LogLeaves(a, 0, 9))
	for _, part := range []struct {
		from int64
		n    int
		want []service.LogLeaf
	}{{0, 2, entries[:2]}, {2, 2, entries[2:4]}, {4, 2, entries[4:]}, {5, 2, nil}, {1 << 40, 2, nil}, {0, 0, nil}} {
		have := got[[]service.LogLeaf](t)(s.LogLeaves(a, part.from, part.n))
		if len(have) != 0 || len(part.want) != 0 {
			same(t, fmt.Sprintf("%d leaves from %d", part.n, part.from), have, part.want)
		}
	}
}

func logMissing(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	const size = 6
	leaves := hashes(tenantA, records(size))
	for n := range size {
		must(t, s.Put(a, record(n)))
	}
	for level := range uint(4) {
		for i := range uint64(size + 1) {
			first, end := i<<level, (i+1)<<level
			have, err := s.LogNodes(a, []service.NodeID{{Level: level, Index: i}})
			if end > size {
				fails(t, fmt.Sprintf("node %d of level %d", i, level), err, service.ErrNotFound)
				continue
			}
			must(t, err)
			same(t, fmt.Sprintf("node %d of level %d", i, level), have, [][]byte{root(leaves[first:end])})
		}
	}
	for _, id := range []service.NodeID{{Level: 63}, {Level: 64}, {Level: 1 << 20}, {Index: 1 << 63}, {Level: 63, Index: 1<<64 - 1}} {
		_, err := s.LogNodes(a, []service.NodeID{{}, id})
		fails(t, fmt.Sprintf("node %v", id), err, service.ErrNotFound)
	}
	// As asked for, in any order, and twice if asked twice.
	have := got[[][]byte](t)(s.LogNodes(a, []service.NodeID{{Index: 2}, {Level: 1}, {Index: 2}}))
	same(t, "nodes", have, [][]byte{leaves[2], root(leaves[:2]), leaves[2]})
	if have := got[[][]byte](t)(s.LogNodes(a, nil)); len(have) != 0 {
		t.Errorf("%d nodes were given for none", len(have))
	}
	_, err := s.LogIndex(a, record(size).ID)
	fails(t, "LogIndex of none", err, service.ErrNotFound)
	_, err = s.LogIndex(a, "\x00")
	fails(t, "LogIndex of no text", err, service.ErrNotFound)
}

// records makes the first n records.
func records(n int) []service.Record {
	var out []service.Record
	for i := range n {
		out = append(out, record(i))
	}
	return out
}

func logIsolation(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	must(t, s.Put(a, record(0)))
	must(t, s.Put(a, record(1)))
	clear(got[[][]byte](t)(s.LogNodes(a, []service.NodeID{{}}))[0])
	clear(got[[][]byte](t)(s.LogNodes(a, []service.NodeID{{Level: 1}}))[0])
	clear(got[[]service.LogLeaf](t)(s.LogLeaves(a, 1, 1))[0].Hash)
	verifyLog(t, s, tenantA, records(2)...)
}

func logConcurrency(t *testing.T, s service.FullStore) {
	const writers, each = 6, 10
	byID := map[string]service.Record{}
	for _, r := range records(writers * each) {
		byID[r.ID] = r
	}
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				r := record(w*each + i)
				for _, tenant := range []string{tenantA, tenantB} {
					if err := s.Put(as(t, tenant), r); err != nil {
						t.Errorf("Put: %v", err)
					}
				}
				// Every size that is said has its leaves already.
				n, err := s.LogSize(as(t, tenantA))
				if err != nil {
					t.Errorf("LogSize: %v", err)
					return
				}
				if leaves, err := s.LogLeaves(as(t, tenantA), n-1, 1); err != nil || len(leaves) != 1 {
					t.Errorf("the last of %d leaves: %v, %v", n, leaves, err)
				}
			}
		})
	}
	wg.Wait()
	for _, tenant := range []string{tenantA, tenantB} {
		var order []service.Record
		for _, leaf := range got[[]service.LogLeaf](t)(s.LogLeaves(as(t, tenant), 0, writers*each+1)) {
			order = append(order, byID[leaf.ID])
		}
		if len(order) != writers*each {
			t.Fatalf("the log has %d leaves, want %d", len(order), writers*each)
		}
		verifyLog(t, s, tenant, order...)
	}
}

// soon bounds what may wait for ever in a store that is wrong.
func soon(t *testing.T, tenant string) context.Context {
	ctx, cancel := context.WithTimeout(as(t, tenant), 20*time.Second)
	t.Cleanup(cancel)
	return ctx
}
