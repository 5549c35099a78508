package postgres

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"drawgear/service"
)

// Once gives do a store that is one transaction, which holds a lock for the key
// from its beginning to its end. A request that waits for another of the same
// key longer than a call may take fails as if the store were away.
func (s *Store) Once(ctx context.Context, key string, request [32]byte, do func(ctx context.Context, s service.FullStore) (service.Reply, error)) (service.Reply, bool, error) {
	reply, again, err := s.once(ctx, key, request, do)
	if err != nil {
		return service.Reply{}, false, fmt.Errorf("once for key %q: %w", key, err)
	}
	return reply, again, nil
}

func (s *Store) once(ctx context.Context, key string, request [32]byte, do func(ctx context.Context, s service.FullStore) (service.Reply, error)) (service.Reply, bool, error) {
	if !storable(key) {
		return service.Reply{}, false, errors.New("no such key can be kept")
	}
	var reply service.Reply
	again := false
	err := s.step(ctx, func(_ pgx.Tx, inner *Store) error {
		var earlier []answered
		err := inner.own(ctx, func(tenant string, b *pgx.Batch) {
			b.Queue(lockReply, tenant, key)
			// A statement of its own sees what was committed while it waited.
			collect(b, &earlier, scanAnswered, getReply, tenant, key)
		})
		switch {
		case err != nil:
			return err
		case len(earlier) > 0 && earlier[0].request != request:
			return service.ErrKeyReused
		case len(earlier) > 0:
			reply, again = earlier[0].Reply, true
			return nil
		}
		if reply, err = do(ctx, inner); err != nil {
			return err
		}
		return inner.own(ctx, func(tenant string, b *pgx.Batch) {
			b.Queue(putReply, tenant, key, request[:], reply.Status, reply.Location, reply.ETag, blob(reply.Body))
		})
	})
	return reply, again, err
}

// step gives do a store that is one transaction, or a part of the one that s is,
// and the transaction itself. What do writes stands only if it succeeds.
func (s *Store) step(ctx context.Context, do func(tx pgx.Tx, inner *Store) error) error {
	tx, err := s.begin(ctx)
	if err != nil {
		return err
	}
	defer func() { // nothing is left to undo after a commit; even if do panics
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.timeout)
		defer cancel()
		_ = tx.Rollback(ctx)
	}()
	inner := *s
	inner.conns, inner.gather, inner.renewals = tx, nil, nil
	if err := do(tx, &inner); err != nil {
		return err
	}
	limited, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	over := service.Waiting(ctx)
	err = tx.Commit(limited)
	over()
	if err != nil {
		return s.door(ctx, err)
	}
	for _, n := range inner.renewals {
		s.renew(ctx, n)
	}
	return nil
}

func (s *Store) begin(ctx context.Context) (pgx.Tx, error) {
	limited, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	defer service.Waiting(ctx)()
	tx, err := s.conns.Begin(limited)
	return tx, s.door(ctx, err)
}

// answered is what came of an earlier request with a key.
type answered struct {
	request [32]byte
	service.Reply
}

func scanAnswered(row pgx.CollectableRow) (answered, error) {
	var a answered
	var request []byte
	err := row.Scan(&request, &a.Status, &a.Location, &a.ETag, &a.Body)
	copy(a.request[:], request)
	return a, err
}
