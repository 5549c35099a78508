package memory

import (
	"bytes"
	"context"
	"fmt"

	"drawgear/service"
)

// outcome is what came of a request with an idempotency key.
type outcome struct {
	request [32]byte
	reply   service.Reply
}

// Once gives do a store that lies over this one, and takes over what was
// written there if do succeeds.
func (s *Store) Once(ctx context.Context, key string, request [32]byte, do func(ctx context.Context, s service.FullStore) (service.Reply, error)) (service.Reply, bool, error) {
	fail := func(err error) (service.Reply, bool, error) {
		return service.Reply{}, false, fmt.Errorf("once for key %q: %w", key, err)
	}
	tenant, err := service.TenantOf(ctx)
	if err != nil {
		return fail(err)
	}
	if err := s.enter(ctx); err != nil {
		return fail(err)
	}
	defer s.leave()
	at := owned[string]{tenant, key}
	var then outcome
	var again bool
	err = s.read(ctx, func(d *data) error { then, again = d.replies.get(at); return nil })
	switch {
	case err != nil:
		return fail(err)
	case again && then.request != request:
		return fail(service.ErrKeyReused)
	case again:
		return copyReply(then.reply), true, nil
	}
	inner, reply, err := s.try(ctx, do)
	if err == nil {
		err = ctx.Err() // nobody waits for the reply any more
	}
	if err != nil {
		return fail(err)
	}
	inner.kept.replies.put(at, outcome{request, copyReply(reply)})
	inner.kept.answered = append(inner.kept.answered, at)
	inner.kept.spoken += len(reply.Body)
	s.mu.Lock()
	defer s.mu.Unlock()
	err = s.settle(func(d *data) error { inner.kept.pour(d); return nil })
	return reply, false, err
}

// try runs do on a store over this one, which is of no use to anybody
// afterwards: what is under it will change.
func (s *Store) try(ctx context.Context, do func(ctx context.Context, s service.FullStore) (service.Reply, error)) (*Store, service.Reply, error) {
	inner := newStore()
	inner.inner, inner.records, inner.bytes, inner.kept = true, s.records, s.bytes, s.kept.over()
	defer func() { // even if do panics
		inner.mu.Lock()
		inner.ended = true
		inner.mu.Unlock()
	}()
	reply, err := do(ctx, inner)
	return inner, reply, err
}

func copyReply(r service.Reply) service.Reply {
	r.Body = bytes.Clone(r.Body)
	return r
}
