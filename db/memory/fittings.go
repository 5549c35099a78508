package memory

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"drawgear/service"
)

// PutFitting keeps a fitting and enters its plan into the log. Fittings that are
// then too many are dropped, the oldest first, while the log stays whole.
func (s *Store) PutFitting(ctx context.Context, f service.FittingSummary, plan service.FittingEntry) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		at := owned[string]{tenant, f.ID}
		if _, taken := d.places.get(owned[string]{tenant, service.FittingLogID(f.ID, 1)}); taken {
			return errors.New("the id is taken")
		}
		f.State, f.Revision = service.FittingPlanned, 0
		if err := d.write(at, service.FittingRecord{FittingSummary: f}, plan, s.bytes); err != nil {
			return err
		}
		place := entry{f.Position(), tenant}
		i, _ := slices.BinarySearchFunc(d.fittingOrder, place, entry.compare)
		d.fittingOrder = slices.Insert(d.fittingOrder, i, place)
		return nil
	})
	if err != nil {
		return fmt.Errorf("put fitting %s: %w", f.ID, err)
	}
	return nil
}

// AppendFitting adds an entry if it is the next.
func (s *Store) AppendFitting(ctx context.Context, id string, e service.FittingEntry) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		at := owned[string]{tenant, id}
		f, ok := d.fittings.get(at)
		switch {
		case !ok:
			return service.ErrNotFound
		case f.State == service.FittingSigned:
			return service.ErrSigned
		}
		return d.write(at, f, e, s.bytes)
	})
	if err != nil {
		return fmt.Errorf("append to fitting %s: %w", id, err)
	}
	return nil
}

// write puts an entry to a fitting into the data and the log. One that would
// not fit an empty store is refused.
func (d *data) write(at owned[string], f service.FittingRecord, e service.FittingEntry, most int) error {
	if e.Revision != f.Revision+1 {
		return service.ErrStale
	}
	if n := fittingSize(f) + entrySize(e); n > most {
		return fmt.Errorf("%d bytes are more than the whole store may hold", n)
	}
	f.State, f.Revision = e.State, e.Revision
	f.Entries = append(slices.Clip(f.Entries), copyEntry(e)) // clipped: what lies below must not change
	d.fittings.put(at, f)
	d.fitted += entrySize(e)
	d.enter(at.tenant, service.FittingLogID(f.ID, e.Revision), e.Leaf(at.tenant, f.ID))
	return nil
}

func copyEntry(e service.FittingEntry) service.FittingEntry {
	e.Given, e.Made = bytes.Clone(e.Given), bytes.Clone(e.Made)
	return e
}

func entrySize(e service.FittingEntry) int { return len(e.Given) + len(e.Made) }

func fittingSize(f service.FittingRecord) (n int) {
	for _, e := range f.Entries {
		n += entrySize(e)
	}
	return n
}

// GetFitting returns a copy of a fitting.
func (s *Store) GetFitting(ctx context.Context, id string) (service.FittingRecord, error) {
	var f service.FittingRecord
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		kept, ok := d.fittings.get(owned[string]{tenant, id})
		if !ok {
			return service.ErrNotFound
		}
		f = kept
		f.Entries = make([]service.FittingEntry, len(kept.Entries))
		for i, e := range kept.Entries {
			f.Entries[i] = copyEntry(e)
		}
		return nil
	})
	if err != nil {
		return service.FittingRecord{}, fmt.Errorf("fitting %s: %w", id, err)
	}
	return f, nil
}

// ListFittings walks from the newest or from the filter's position to the oldest.
func (s *Store) ListFittings(ctx context.Context, f service.FittingFilter) ([]service.FittingSummary, error) {
	var out []service.FittingSummary
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		i := len(d.fittingOrder)
		if f.After != nil {
			i, _ = slices.BinarySearchFunc(d.fittingOrder, *f.After, func(e entry, p service.Position) int { return e.Compare(p) })
		}
		for i--; i >= 0 && len(out) < f.Limit; i-- {
			if d.fittingOrder[i].tenant != tenant {
				continue
			}
			kept, _ := d.fittings.get(owned[string]{tenant, d.fittingOrder[i].ID})
			if f.State == "" || kept.State == f.State {
				out = append(out, kept.FittingSummary)
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list fittings: %w", err)
	}
	return out, nil
}

func (e entry) compare(other entry) int {
	return cmp.Or(e.Compare(other.Position), cmp.Compare(e.tenant, other.tenant))
}
