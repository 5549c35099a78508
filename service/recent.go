package service

import (
	"context"
	"errors"
	"maps"
	"sync"
	"time"
)

// How long what was found out about a caller is believed.
const (
	// recentFor bounds how long a revoked key may go on working on a replica
	// that does not hear of the revocation.
	recentFor = 2 * time.Second
	// recentAway is how long what was last found out holds while the store is
	// away. Nothing can be recorded, read or revoked then; all that a caller gets
	// is answers that are not kept.
	recentAway = time.Hour
	// recentWait is how long the store is waited for where there is something to
	// fall back on.
	recentWait = time.Second
	recentSize = 4096
)

// recent remembers for a moment what a store said. It keeps nothing of what is
// not there, so that guessing can neither fill it nor profit by it.
type recent[K comparable, V any] struct {
	mu      sync.Mutex
	entries map[K]finding[V]
}

type finding[V any] struct {
	value   V
	found   time.Time // when the store said so
	checked time.Time // when it was last asked, if in vain
}

// get returns what find found a moment ago, or finds it.
func (r *recent[K, V]) get(ctx context.Context, key K, now time.Time, find func(context.Context) (V, error)) (V, error) {
	r.mu.Lock()
	last, known := r.entries[key]
	r.mu.Unlock()
	// A clock that was set back makes the entry old, not young.
	if age := now.Sub(last.checked); known && age >= 0 && age < recentFor {
		return last.value, nil
	}
	ask := ctx
	if known {
		var cancel context.CancelFunc
		ask, cancel = context.WithTimeout(ctx, recentWait)
		defer cancel()
	}
	value, err := find(ask)
	switch {
	case err == nil:
		// now is from before the store was asked: the answer is at least as young.
		r.put(key, finding[V]{value, now, now})
	case known && ctx.Err() == nil && (errors.Is(err, ErrUnavailable) || ask.Err() != nil) && now.Sub(last.found) < recentAway:
		last.checked = now
		r.put(key, last)
		return last.value, nil
	case errors.Is(err, ErrNotFound), errors.Is(err, ErrUnauthenticated):
		r.mu.Lock()
		delete(r.entries, key)
		r.mu.Unlock()
	}
	return value, err // an old finding stays for when the store comes to be away
}

func (r *recent[K, V]) put(key K, f finding[V]) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.entries == nil {
		r.entries = map[K]finding[V]{}
	}
	if _, there := r.entries[key]; !there && len(r.entries) >= recentSize {
		for k := range r.entries { // any one: it is found again when it is needed
			delete(r.entries, k)
			break
		}
	}
	r.entries[key] = f
}

// forget drops what matches.
func (r *recent[K, V]) forget(match func(K) bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	maps.DeleteFunc(r.entries, func(k K, _ finding[V]) bool { return match(k) })
}
