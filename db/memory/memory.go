// Package memory is the store that needs no database. Its records end with the
// process, and the oldest go once it is full.
package memory

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"sync"

	"drawgear/service"
)

// Bounds of a store whose maker names none.
const (
	DefaultRecords = 10_000    // records kept
	DefaultBytes   = 256 << 20 // size of the rigs and answers kept
)

// Store keeps records in memory. It is safe for concurrent use.
type Store struct {
	records, bytes int

	mu    sync.RWMutex
	byID  map[string]service.Record
	order []service.Position // oldest first
	size  int                // bytes of all rigs and answers
}

// New returns an empty store that keeps so many records, or DefaultRecords if
// that is 0, and no more than DefaultBytes of them.
func New(records int) *Store { return NewBounded(records, 0) }

// NewBounded is New with the size of the rigs and answers kept; 0 is
// DefaultBytes.
func NewBounded(records, size int) *Store {
	s := &Store{records: records, bytes: size, byID: map[string]service.Record{}}
	if s.records <= 0 {
		s.records = DefaultRecords
	}
	if s.bytes <= 0 {
		s.bytes = DefaultBytes
	}
	return s
}

// Put keeps a record, and drops the oldest while there are too many. A record
// that would not fit an empty store is refused.
func (s *Store) Put(ctx context.Context, r service.Record) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if n := size(r); n > s.bytes {
		return fmt.Errorf("put record %s: %d bytes are more than the whole store may hold", r.ID, n)
	}
	r.Rig, r.Answer = bytes.Clone(r.Rig), bytes.Clone(r.Answer)
	at := service.Position{CreatedAt: r.CreatedAt, ID: r.ID}
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, taken := s.byID[r.ID]; taken {
		return fmt.Errorf("put record %s: the id is taken", r.ID)
	}
	i, _ := slices.BinarySearchFunc(s.order, at, service.Position.Compare)
	s.order = slices.Insert(s.order, i, at)
	s.byID[r.ID] = r
	s.size += size(r)
	for len(s.order) > s.records || s.size > s.bytes {
		oldest := s.order[0].ID
		s.size -= size(s.byID[oldest])
		delete(s.byID, oldest)
		s.order = s.order[1:]
	}
	return nil
}

func size(r service.Record) int { return len(r.Rig) + len(r.Answer) }

// Get returns a copy of a record.
func (s *Store) Get(ctx context.Context, id string) (service.Record, error) {
	if err := ctx.Err(); err != nil {
		return service.Record{}, err
	}
	s.mu.RLock()
	r, ok := s.byID[id]
	s.mu.RUnlock()
	if !ok {
		return service.Record{}, fmt.Errorf("record %s: %w", id, service.ErrNotFound)
	}
	// Kept bytes never change, so they can be copied outside the lock.
	r.Rig, r.Answer = bytes.Clone(r.Rig), bytes.Clone(r.Answer)
	return r, nil
}

// List walks from the newest or from the filter's position to the oldest.
func (s *Store) List(ctx context.Context, f service.Filter) ([]service.Summary, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	i := len(s.order)
	if f.After != nil {
		i, _ = slices.BinarySearchFunc(s.order, *f.After, service.Position.Compare)
	}
	var out []service.Summary
	for i--; i >= 0 && len(out) < f.Limit; i-- {
		r := s.byID[s.order[i].ID]
		if f.Jurisdiction != "" && r.Jurisdiction != f.Jurisdiction || f.Verdict != "" && r.Verdict != f.Verdict {
			continue
		}
		out = append(out, r.Summary)
	}
	return out, nil
}

// Status counts the records and says that they do not last.
func (s *Store) Status(ctx context.Context) (service.StoreStatus, error) {
	st := service.StoreStatus{Kind: "memory", Limit: s.records}
	if err := ctx.Err(); err != nil {
		return st, err
	}
	s.mu.RLock()
	n := len(s.order)
	s.mu.RUnlock()
	st.Available, st.Kept = true, &n
	st.Note = fmt.Sprintf("Records are kept in memory and end with the process; the oldest go once there are more than %d, or more than %d MiB of them.", s.records, s.bytes>>20)
	return st, nil
}
