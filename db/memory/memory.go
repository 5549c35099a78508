// Package memory is the store that needs no database. What it keeps ends with
// the process, and the oldest records go once it is full.
package memory

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"drawgear/service"
)

// Bounds of a store whose maker names none.
const (
	DefaultRecords = 10_000    // records kept
	DefaultBytes   = 256 << 20 // size of the rigs and answers kept
)

// Store keeps everything in memory. It is safe for concurrent use.
//
// One writes at a time, and Once is one write from beginning to end: within it
// only the store that it hands out can be written to. Reading waits for neither.
type Store struct {
	records, bytes int
	wake           chan struct{}                   // has one while there are jobs that Work has not looked for
	backoff        func(attempt int) time.Duration // before a job is tried again
	inner          bool                            // lies over another, for the length of a Once
	turn           chan struct{}                   // full while somebody writes

	mu      sync.RWMutex // guards all below; what is under an inner store changes only at the other's turn
	kept    data
	ended   bool          // the Once of an inner store is over
	changed chan struct{} // closed, and another put in its place, when the mark changes
}

var _ service.FullStore = (*Store)(nil)

// New returns an empty store that keeps so many records, or DefaultRecords if
// that is 0, and no more than DefaultBytes of them. The default tenant is there
// already.
func New(records int) *Store { return NewBounded(records, 0) }

// NewBounded is New with the size of the rigs and answers kept; 0 is
// DefaultBytes. Fittings, and the replies that Once gives again, are kept within
// the same bounds, each apart from the records.
func NewBounded(records, size int) *Store {
	s := newStore()
	s.records, s.bytes = records, size
	if s.records <= 0 {
		s.records = DefaultRecords
	}
	if s.bytes <= 0 {
		s.bytes = DefaultBytes
	}
	s.kept.tenants.put(service.DefaultTenant, service.Tenant{ID: service.DefaultTenant, Name: "default"})
	return s
}

func newStore() *Store {
	return &Store{turn: make(chan struct{}, 1), changed: make(chan struct{}), wake: make(chan struct{}, 1), backoff: service.JobBackoff}
}

// Status counts the records and says that they do not last.
func (s *Store) Status(ctx context.Context) (service.StoreStatus, error) {
	st := service.StoreStatus{Kind: "memory", Limit: s.records}
	var n int
	if err := s.read(ctx, func(d *data) error { n = len(d.order); return nil }); err != nil {
		return st, fmt.Errorf("status of the store: %w", err)
	}
	st.Available, st.Kept = true, &n
	st.Note = fmt.Sprintf("Records are kept in memory and end with the process; the oldest go once there are more than %d, or more than %d MiB of them.", s.records, s.bytes>>20)
	return st, nil
}

var errEnded = errors.New("the store was used after the step that it was made for")

// read lets look see what is kept.
func (s *Store) read(ctx context.Context, look func(d *data) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.ended {
		return errEnded
	}
	return look(&s.kept)
}

// write lets change have the store to itself. What fails must not have changed
// anything.
func (s *Store) write(ctx context.Context, change func(d *data) error) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.leave()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended {
		return errEnded
	}
	return s.settle(change)
}

// settle makes a change and what follows from it. It needs the turn and the lock.
func (s *Store) settle(change func(d *data) error) error {
	before, jobs := s.kept.mark, s.kept.jobSeq
	if err := change(&s.kept); err != nil {
		return err
	}
	if !s.inner {
		s.kept.trim(s.records, s.bytes)
	}
	if s.kept.jobSeq != jobs {
		s.rouse()
	}
	if s.kept.mark != before {
		close(s.changed)
		s.changed = make(chan struct{})
	}
	return nil
}

// readOwn is read for the tenant of the caller.
func (s *Store) readOwn(ctx context.Context, look func(tenant string, d *data) error) error {
	tenant, err := service.TenantOf(ctx)
	if err != nil {
		return err
	}
	return s.read(ctx, func(d *data) error { return look(tenant, d) })
}

// writeOwn is write for the tenant of the caller.
func (s *Store) writeOwn(ctx context.Context, change func(tenant string, d *data) error) error {
	tenant, err := service.TenantOf(ctx)
	if err != nil {
		return err
	}
	return s.write(ctx, func(d *data) error { return change(tenant, d) })
}

// enter waits for the turn to write.
func (s *Store) enter(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err // a select between two open doors takes either
	}
	select {
	case s.turn <- struct{}{}:
		return nil
	default:
	}
	defer service.Waiting(ctx)()
	select {
	case s.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *Store) leave() { <-s.turn }
