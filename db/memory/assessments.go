package memory

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"drawgear/service"
)

// Put keeps a record and enters it into the log; records that are then too many
// are dropped, the oldest first, while the log stays whole. A record that would
// not fit an empty store is refused.
func (s *Store) Put(ctx context.Context, r service.Record) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		if n := size(r); n > s.bytes {
			return fmt.Errorf("%d bytes are more than the whole store may hold", n)
		}
		at := owned[string]{tenant, r.ID}
		if _, taken := d.places.get(at); taken {
			return errors.New("the id is taken")
		}
		place := entry{service.Position{CreatedAt: r.CreatedAt, ID: r.ID}, tenant}
		i, _ := slices.BinarySearchFunc(d.order, place, entry.compare)
		d.order = slices.Insert(d.order, i, place)
		d.records.put(at, copyRecord(r))
		d.size += size(r)
		d.enter(tenant, r.ID, r.Leaf(tenant))
		return nil
	})
	if err != nil {
		return fmt.Errorf("put record %s: %w", r.ID, err)
	}
	return nil
}

func copyRecord(r service.Record) service.Record {
	r.Rig, r.Answer = bytes.Clone(r.Rig), bytes.Clone(r.Answer)
	return r
}

// Get returns a copy of a record.
func (s *Store) Get(ctx context.Context, id string) (service.Record, error) {
	var r service.Record
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		kept, ok := d.records.get(owned[string]{tenant, id})
		if !ok {
			return service.ErrNotFound
		}
		r = copyRecord(kept)
		return nil
	})
	if err != nil {
		return service.Record{}, fmt.Errorf("record %s: %w", id, err)
	}
	return r, nil
}

// List walks from the newest or from the filter's position to the oldest.
func (s *Store) List(ctx context.Context, f service.Filter) ([]service.Summary, error) {
	var out []service.Summary
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		i := len(d.order)
		if f.After != nil {
			i, _ = slices.BinarySearchFunc(d.order, *f.After, func(e entry, p service.Position) int { return e.Compare(p) })
		}
		for i--; i >= 0 && len(out) < f.Limit; i-- {
			if d.order[i].tenant != tenant {
				continue
			}
			r, _ := d.records.get(owned[string]{tenant, d.order[i].ID})
			if f.Jurisdiction != "" && r.Jurisdiction != f.Jurisdiction || f.Verdict != "" && r.Verdict != f.Verdict {
				continue
			}
			out = append(out, r.Summary)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list records: %w", err)
	}
	return out, nil
}
