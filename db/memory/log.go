package memory

import (
	"context"
	"crypto/sha256"
	"fmt"

	"github.com/transparency-dev/merkle/rfc6962"

	"drawgear/service"
)

// hash is a node of the tree; arrays take half the room of slices.
type hash = [sha256.Size]byte

// enter appends a leaf to the tenant's log. Only complete subtrees are kept,
// which never change: the new leaf, and every subtree that it completes.
func (d *data) enter(tenant, name string, leaf []byte) {
	length, _ := d.lengths.get(tenant)
	d.lengths.put(tenant, length+1)
	d.entered.put(owned[int64]{tenant, length}, name)
	d.places.put(owned[string]{tenant, name}, length)

	sum := hash(rfc6962.DefaultHasher.HashLeaf(leaf))
	id := service.NodeID{Index: uint64(length)}
	d.nodes.put(owned[service.NodeID]{tenant, id}, sum)
	for ; id.Index%2 == 1; d.nodes.put(owned[service.NodeID]{tenant, id}, sum) {
		left, _ := d.nodes.get(owned[service.NodeID]{tenant, service.NodeID{Level: id.Level, Index: id.Index - 1}})
		sum = hash(rfc6962.DefaultHasher.HashChildren(left[:], sum[:]))
		id = service.NodeID{Level: id.Level + 1, Index: id.Index / 2}
	}
}

// LogSize counts the records that were ever put.
func (s *Store) LogSize(ctx context.Context) (int64, error) {
	var n int64
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		n, _ = d.lengths.get(tenant)
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("size of the log: %w", err)
	}
	return n, nil
}

// LogIndex finds a record in the log, even one that is no longer kept.
func (s *Store) LogIndex(ctx context.Context, id string) (int64, error) {
	var n int64
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		var ok bool
		if n, ok = d.places.get(owned[string]{tenant, id}); !ok {
			return service.ErrNotFound
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("place of record %s in the log: %w", id, err)
	}
	return n, nil
}

// LogNodes returns copies of the hashes, as arrays come out of a map.
func (s *Store) LogNodes(ctx context.Context, ids []service.NodeID) ([][]byte, error) {
	out := make([][]byte, 0, len(ids))
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		for _, id := range ids {
			sum, ok := d.nodes.get(owned[service.NodeID]{tenant, id})
			if !ok {
				return fmt.Errorf("level %d, index %d: %w", id.Level, id.Index, service.ErrNotFound)
			}
			out = append(out, sum[:])
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("nodes of the log: %w", err)
	}
	return out, nil
}

// LogLeaves reads the log in its order.
func (s *Store) LogLeaves(ctx context.Context, from int64, n int) ([]service.LogLeaf, error) {
	var out []service.LogLeaf
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		length, _ := d.lengths.get(tenant)
		for i := max(from, 0); i < length && len(out) < n; i++ {
			id, _ := d.entered.get(owned[int64]{tenant, i})
			sum, _ := d.nodes.get(owned[service.NodeID]{tenant, service.NodeID{Index: uint64(i)}})
			out = append(out, service.LogLeaf{Index: i, ID: id, Hash: sum[:]})
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("leaves of the log: %w", err)
	}
	return out, nil
}
