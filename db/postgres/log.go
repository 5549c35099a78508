package postgres

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"drawgear/service"
)

// LogSize counts the records that were ever put.
func (s *Store) LogSize(ctx context.Context) (int64, error) {
	var n int64
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { one(b, &n, pgx.RowTo[int64], logSize, tenant) })
	if err != nil {
		return 0, fmt.Errorf("size of the log: %w", err)
	}
	return n, nil
}

// LogIndex finds a record in the log, even one that is no longer kept.
func (s *Store) LogIndex(ctx context.Context, id string) (int64, error) {
	var n int64
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { one(b, &n, pgx.RowTo[int64], logIndex, tenant, text(id)) })
	if err != nil {
		return 0, fmt.Errorf("place of record %s in the log: %w", id, err)
	}
	return n, nil
}

// LogNodes finds each node with the leaf that completed it.
func (s *Store) LogNodes(ctx context.Context, ids []service.NodeID) ([][]byte, error) {
	seqs, elements := make([]int64, len(ids)), make([]int32, len(ids))
	for i, id := range ids {
		// Beyond any log: -1 is the place of no leaf.
		seqs[i], elements[i] = -1, 1
		if id.Level < 63 && id.Index < 1<<(63-id.Level)-1 {
			seqs[i], elements[i] = int64((id.Index+1)<<id.Level)-1, int32(id.Level)+1
		}
	}
	out := make([][]byte, 0, len(ids))
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		collect(b, &out, pgx.RowTo[[]byte], logNodes, tenant, seqs, elements)
	})
	for i := 0; err == nil && i < len(ids); i++ {
		if out[i] == nil {
			err = fmt.Errorf("level %d, index %d: %w", ids[i].Level, ids[i].Index, service.ErrNotFound)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("nodes of the log: %w", err)
	}
	return out, nil
}

// LogLeaves reads the log in its order.
func (s *Store) LogLeaves(ctx context.Context, from int64, n int) ([]service.LogLeaf, error) {
	var out []service.LogLeaf
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		collect(b, &out, func(row pgx.CollectableRow) (l service.LogLeaf, err error) {
			return l, row.Scan(&l.Index, &l.ID, &l.Hash)
		}, logLeaves, tenant, from, n)
	})
	if err != nil {
		return nil, fmt.Errorf("leaves of the log: %w", err)
	}
	return out, nil
}
