package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"reflect"
	"sync"
	"sync/atomic"
	"testing"

	"drawgear/service"
)

var (
	errDo   = errors.New("the step failed")
	digest1 = [32]byte{1}
	digest2 = [32]byte{2}
	made    = service.Reply{Status: 201, Location: "/v1/things/1", ETag: `"e"`, Body: []byte("{\"a\": \"\u2028\x00\"}\n")}
	bare    = service.Reply{Status: 422} // a reply need not hold more
)

type do = func(ctx context.Context, s service.FullStore) (service.Reply, error)

// never fails a test in which it is run.
func never(t *testing.T) do {
	return func(context.Context, service.FullStore) (service.Reply, error) {
		t.Error("the step was taken again")
		return service.Reply{}, nil
	}
}

// replies gives a step that keeps a record and gives a copy of a reply.
func replies(r service.Reply, rec service.Record) do {
	return func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		r := r
		r.Body = bytes.Clone(r.Body)
		return r, s.Put(ctx, rec)
	}
}

// once takes a step and looks at what it gives.
func once(t *testing.T, s service.FullStore, tenant, key string, request [32]byte, f do, want service.Reply, wantAgain bool) {
	t.Helper()
	have, again, err := s.Once(soon(t, tenant), key, request, f)
	if err != nil {
		t.Fatalf("Once: %v", err)
	}
	if again != wantAgain {
		t.Errorf("again is %v, want %v", again, wantAgain)
	}
	if len(have.Body) == 0 && len(want.Body) == 0 {
		have.Body = want.Body
	}
	same(t, "the reply", have, want)
	clear(have.Body) // it is the caller's
}

func onceAgain(t *testing.T, s service.FullStore) {
	once(t, s, tenantA, "k", digest1, replies(made, record(0)), made, false)
	once(t, s, tenantA, "bare", digest1, replies(bare, record(1)), bare, false)
	for range 2 {
		once(t, s, tenantA, "k", digest1, never(t), made, true)
		once(t, s, tenantA, "bare", digest1, never(t), bare, true)
	}
	once(t, s, tenantA, "K", digest1, replies(made, record(2)), made, false)
	verifyLog(t, s, tenantA, records(3)...)
}

func onceReused(t *testing.T, s service.FullStore) {
	once(t, s, tenantA, "k", digest1, replies(made, record(0)), made, false)
	_, again, err := s.Once(soon(t, tenantA), "k", digest2, never(t))
	fails(t, "Once for another request", err, service.ErrKeyReused)
	if again {
		t.Error("it is said to be the same request")
	}
	once(t, s, tenantA, "k", digest1, never(t), made, true)
}

// onceVisible: within the step its writes are there, outside they are not yet.
func onceVisible(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	must(t, s.Put(a, record(0)))
	must(t, s.PutKey(a, key(0)))
	must(t, s.PutKey(a, key(2)))
	v := step(t, s, a, putDraft(t, s, a, draft("x", 1)))
	_, mark := load(t, s)
	_, again, err := s.Once(soon(t, tenantA), "k", digest1, func(ctx context.Context, in service.FullStore) (service.Reply, error) {
		must(t, everything(ctx, in, v))
		for name, see := range map[string]struct {
			s      service.FullStore
			ctx    context.Context
			list   []string
			log    int64
			keys   int
			good   bool
			states []service.State
			mark   bool
			err    error
		}{
			"inside":  {in, ctx, []string{record(1).ID, record(0).ID}, 2, 3, false, []service.State{service.Published, service.Draft}, true, nil},
			"outside": {s, soon(t, tenantA), []string{record(0).ID}, 1, 2, true, []service.State{service.Approved}, false, service.ErrNotFound},
		} {
			var ids []string
			for _, it := range got[[]service.Summary](t)(see.s.List(see.ctx, service.Filter{Limit: 9})) {
				ids = append(ids, it.ID)
			}
			same(t, name+": the list", ids, see.list)
			same(t, name+": the size of the log", got[int64](t)(see.s.LogSize(see.ctx)), see.log)
			same(t, name+": the leaves", len(got[[]service.LogLeaf](t)(see.s.LogLeaves(see.ctx, 0, 9))), int(see.log))
			same(t, name+": the number of keys", len(got[[]service.Key](t)(see.s.ListKeys(see.ctx))), see.keys)
			same(t, name+": the first key is good", got[service.Key](t)(see.s.FindKey(see.ctx, key(0).ID)).RevokedAt.IsZero(), see.good)
			var states []service.State
			for _, v := range got[[]service.Version](t)(see.s.ListVersions(see.ctx)) {
				states = append(states, v.State)
			}
			same(t, name+": the states of the versions", states, see.states)
			_, now, err := see.s.LoadVersions(see.ctx)
			must(t, err)
			same(t, name+": the mark has changed", now != mark, see.mark)
			_, err = see.s.Get(see.ctx, record(1).ID)
			fails(t, name+": Get", err, see.err)
			_, err = see.s.LogIndex(see.ctx, record(1).ID)
			fails(t, name+": LogIndex", err, see.err)
			_, err = see.s.LogNodes(see.ctx, []service.NodeID{{Level: 1}})
			fails(t, name+": LogNodes", err, see.err)
			_, err = see.s.FindKey(see.ctx, key(1).ID)
			fails(t, name+": FindKey", err, see.err)
			_, err = see.s.GetVersion(see.ctx, "x", 2)
			fails(t, name+": GetVersion", err, see.err)
		}
		return made, nil
	})
	if err != nil || again {
		t.Fatalf("Once: again %v, %v", again, err)
	}
	verifyLog(t, s, tenantA, records(2)...)
	sameRecord(t, got[service.Record](t)(s.Get(a, record(1).ID)), record(1))
	same(t, "the number of keys", len(got[[]service.Key](t)(s.ListKeys(a))), 3)
	same(t, "the state", getVersion(t, s, a, "x", 1).State, service.Published)
	same(t, "the state", getVersion(t, s, a, "x", 2).State, service.Draft)
	if _, now := load(t, s); now == mark {
		t.Error("the mark is that of before the step")
	}
	must(t, s.Put(a, record(2)))
	verifyLog(t, s, tenantA, records(3)...)
}

// everything writes something of each kind: the second record and key, an end
// of the first key, a publication of v, and another draft.
func everything(ctx context.Context, s service.FullStore, v service.Version) error {
	return errors.Join(
		s.Put(ctx, record(1)), s.PutKey(ctx, key(1)), s.RevokeKey(ctx, key(0).ID, start),
		s.Move(ctx, v.Ruleset, v.Number, v.ETag(), service.Approved, steps[1]), s.PutDraft(ctx, draft("x", 2), ""),
	)
}

// undone takes a step that writes something of each kind and does not come to
// a good end, and looks whether nothing of it is left and the key is free.
func undone(t *testing.T, s service.FullStore, take func(f do, v service.Version)) {
	a := as(t, tenantA)
	must(t, s.Put(a, record(0)))
	must(t, s.PutKey(a, key(0)))
	v := step(t, s, a, putDraft(t, s, a, draft("x", 1)))
	_, mark := load(t, s)
	ran := 0
	take(func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		ran++
		return made, everything(ctx, s, v)
	}, v)
	if ran != 1 {
		t.Fatalf("the step was taken %d times, want once", ran)
	}
	verifyLog(t, s, tenantA, record(0))
	_, err := s.Get(a, record(1).ID)
	fails(t, "Get", err, service.ErrNotFound)
	_, err = s.LogIndex(a, record(1).ID)
	fails(t, "LogIndex", err, service.ErrNotFound)
	list := got[[]service.Key](t)(s.ListKeys(a))
	if len(list) != 1 {
		t.Fatalf("%d keys are listed, want 1", len(list))
	}
	sameKey(t, list[0], key(0))
	same(t, "the version", getVersion(t, s, a, "x", 1), v)
	_, err = s.GetVersion(a, "x", 2)
	fails(t, "GetVersion", err, service.ErrNotFound)
	_, now := load(t, s)
	same(t, "the mark", now, mark)

	// The place in the log is free for another, and so is the key.
	must(t, s.Put(a, record(2)))
	once(t, s, tenantA, "k", digest2, replies(made, record(1)), made, false)
	verifyLog(t, s, tenantA, record(0), record(2), record(1))
}

func onceFailed(t *testing.T, s service.FullStore) {
	undone(t, s, func(f do, _ service.Version) {
		_, again, err := s.Once(soon(t, tenantA), "k", digest1, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			r, err := f(ctx, s)
			must(t, err)
			return r, fmt.Errorf("deep inside: %w", errDo)
		})
		fails(t, "Once", err, errDo)
		if again {
			t.Error("a failure is said to be a reply")
		}
	})
}

func oncePanicked(t *testing.T, s service.FullStore) {
	undone(t, s, func(f do, _ service.Version) {
		defer func() {
			if p := recover(); p != errDo {
				t.Errorf("the panic is %v, want %v", p, errDo)
			}
		}()
		_, _, err := s.Once(soon(t, tenantA), "k", digest1, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			_, err := f(ctx, s)
			must(t, err)
			panic(errDo)
		})
		t.Errorf("a panic became %v", err)
	})
}

func onceCancelled(t *testing.T, s service.FullStore) {
	undone(t, s, func(f do, _ service.Version) {
		ctx, cancel := context.WithCancel(soon(t, tenantA))
		_, _, err := s.Once(ctx, "k", digest1, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			r, err := f(ctx, s)
			must(t, err)
			cancel()
			return r, nil
		})
		fails(t, "Once", err, context.Canceled)
	})
}

func onceConcurrent(t *testing.T, s service.FullStore) {
	const callers = 32
	var ran, first atomic.Int32
	var wg sync.WaitGroup
	for range callers {
		wg.Go(func() {
			have, again, err := s.Once(soon(t, tenantA), "k", digest1, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
				ran.Add(1)
				return made, s.Put(ctx, record(0))
			})
			if err != nil || !reflect.DeepEqual(have, made) {
				t.Errorf("the reply is %+v (%v), want %+v", have, err, made)
			}
			if !again {
				first.Add(1)
			}
		})
	}
	wg.Wait()
	if ran.Load() != 1 || first.Load() != 1 {
		t.Errorf("the step was taken %d times, and %d callers were told that they were the first; want 1 and 1", ran.Load(), first.Load())
	}
	verifyLog(t, s, tenantA, record(0))
}

func onceSecondTry(t *testing.T, s service.FullStore) {
	const callers = 8
	var ran, failed atomic.Int32
	var wg sync.WaitGroup
	for range callers {
		wg.Go(func() {
			_, _, err := s.Once(soon(t, tenantA), "k", digest1, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
				if err := s.Put(ctx, record(0)); err != nil {
					return service.Reply{}, err
				}
				if ran.Add(1) == 1 {
					return service.Reply{}, errDo
				}
				return made, nil
			})
			if errors.Is(err, errDo) {
				failed.Add(1)
			} else if err != nil {
				t.Errorf("Once: %v", err)
			}
		})
	}
	wg.Wait()
	if ran.Load() != 2 || failed.Load() != 1 {
		t.Errorf("the step was taken %d times and failed for %d callers, want 2 and 1", ran.Load(), failed.Load())
	}
	verifyLog(t, s, tenantA, record(0))
}

func onceMany(t *testing.T, s service.FullStore) {
	const callers = 16
	var wg sync.WaitGroup
	for n := range callers {
		wg.Go(func() {
			if _, again, err := s.Once(soon(t, tenantA), fmt.Sprint("k", n), digest1, replies(made, record(n))); err != nil || again {
				t.Errorf("Once: again %v, %v", again, err)
			}
		})
		wg.Go(func() {
			if err := s.Put(soon(t, tenantA), record(callers+n)); err != nil {
				t.Errorf("Put: %v", err)
			}
		})
	}
	wg.Wait()
	byID := map[string]service.Record{}
	for _, r := range records(2 * callers) {
		byID[r.ID] = r
	}
	var order []service.Record
	for _, leaf := range got[[]service.LogLeaf](t)(s.LogLeaves(as(t, tenantA), 0, 3*callers)) {
		order = append(order, byID[leaf.ID])
		delete(byID, leaf.ID)
	}
	if len(byID) != 0 {
		t.Fatalf("%d of %d records are not in the log", len(byID), 2*callers)
	}
	verifyLog(t, s, tenantA, order...)
}

func onceTenants(t *testing.T, s service.FullStore) {
	other := made
	other.Body = []byte("{}")
	once(t, s, tenantA, "k", digest1, replies(made, record(0)), made, false)
	once(t, s, tenantB, "k", digest2, replies(other, record(0)), other, false)
	once(t, s, tenantA, "k", digest1, never(t), made, true)
	once(t, s, tenantB, "k", digest2, never(t), other, true)
}
