package service

import (
	"context"
)

// A step that must happen once travels in its context: the use cases below it
// need not know whether they run within one.
type stepKey struct{}

type step struct {
	store FullStore
	after []func(context.Context) // done when what was written stands
}

// afterStep does something that looks at what was written: when the step in the
// context has ended well, for nobody sees anything of it before, or at once if
// there is no step.
func afterStep(ctx context.Context, do func(context.Context)) {
	if s, ok := ctx.Value(stepKey{}).(*step); ok {
		s.after = append(s.after, do)
		return
	}
	do(ctx)
}

// InStep returns the store with its writes, and the reads that go with them,
// joined to the step in the context, if there is one (see Idempotency).
func InStep(store FullStore) FullStore { return inStep{store} }

type inStep struct{ FullStore }

func (s inStep) of(ctx context.Context) FullStore {
	if within, ok := ctx.Value(stepKey{}).(*step); ok {
		return within.store
	}
	return s.FullStore
}

func (s inStep) Put(ctx context.Context, r Record) error { return s.of(ctx).Put(ctx, r) }

func (s inStep) Get(ctx context.Context, id string) (Record, error) { return s.of(ctx).Get(ctx, id) }

func (s inStep) PutFitting(ctx context.Context, f FittingSummary, plan FittingEntry) error {
	return s.of(ctx).PutFitting(ctx, f, plan)
}

func (s inStep) AppendFitting(ctx context.Context, id string, e FittingEntry) error {
	return s.of(ctx).AppendFitting(ctx, id, e)
}

func (s inStep) GetFitting(ctx context.Context, id string) (FittingRecord, error) {
	return s.of(ctx).GetFitting(ctx, id)
}

func (s inStep) PutDraft(ctx context.Context, v Version, tag string) error {
	return s.of(ctx).PutDraft(ctx, v, tag)
}

func (s inStep) Move(ctx context.Context, id string, version int, tag string, from State, v Version) error {
	return s.of(ctx).Move(ctx, id, version, tag, from, v)
}

func (s inStep) GetVersion(ctx context.Context, id string, version int) (Version, error) {
	return s.of(ctx).GetVersion(ctx, id, version)
}

func (s inStep) ListVersions(ctx context.Context) ([]Version, error) {
	return s.of(ctx).ListVersions(ctx)
}

// Idempotency lets a caller repeat a request without doing its work twice: when
// a reply was lost on the way, the same key brings it back.
type Idempotency struct{ store FullStore }

// NewIdempotency keeps replies in the store. The use cases that it guards must
// work on InStep of the same store.
func NewIdempotency(store FullStore) *Idempotency { return &Idempotency{store} }

// Do runs do once for the key of the caller's tenant and keeps its reply, in
// one step with all that do wrote. again is true if the reply was kept before.
// If do fails nothing is kept and the key stays free. It fails with
// ErrKeyReused if the key came with another request before.
func (i *Idempotency) Do(ctx context.Context, key string, request [32]byte, do func(ctx context.Context) (Reply, error)) (reply Reply, again bool, err error) {
	var last *step // a store may begin again
	reply, again, err = i.store.Once(ctx, key, request, func(ctx context.Context, s FullStore) (Reply, error) {
		last = &step{store: s}
		return do(context.WithValue(ctx, stepKey{}, last))
	})
	if err == nil && last != nil {
		for _, do := range last.after {
			do(ctx)
		}
	}
	return reply, again, err
}
