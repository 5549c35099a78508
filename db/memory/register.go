package memory

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"slices"

	"drawgear/service"
)

// entryID names an entry of the register.
type entryID struct {
	kind service.EntryKind
	id   string
}

// entryCost is what a revision takes beside its texts.
const entryCost = 256

// registerSize is what the revision of an entry counts against the bytes that a
// store may hold.
func registerSize(e service.Entry) int {
	return entryCost + len(e.ID) + len(e.WrittenBy) + len(e.Since) + len(e.Yard) + len(e.FittedTo.ID) + len(e.Note) + len(e.Document)
}

// PutEntries writes all entries or none. What was written never goes to make
// room: once the store holds as many bytes as it may, it fails with ErrFull.
func (s *Store) PutEntries(ctx context.Context, es ...service.Entry) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		if _, known := d.tenants.get(tenant); !known {
			return fmt.Errorf("there is no tenant %s", tenant)
		}
		// All is looked at before anything is written.
		size, next := 0, map[entryID]int{}
		for _, e := range es {
			at := entryID{e.Kind, e.ID}
			has := len(d.revisions(tenant, at))
			if e.Revision != has+next[at]+1 {
				return &service.StaleEntry{Kind: e.Kind, ID: e.ID, Has: has}
			}
			next[at]++
			size += registerSize(e)
		}
		if d.registered+size > s.bytes {
			return service.ErrFull
		}
		fresh := map[service.EntryKind][]string{}
		for _, e := range es {
			at := entryID{e.Kind, e.ID}
			if e.Revision == 1 {
				fresh[e.Kind] = append(fresh[e.Kind], e.ID)
			}
			kept := slices.Clip(d.revisions(tenant, at)) // what lies below must not change
			d.register.put(owned[entryID]{tenant, at}, append(kept, copyRegistered(e)))
		}
		for kind, ids := range fresh {
			at := owned[service.EntryKind]{tenant, kind}
			old, _ := d.registerIDs.get(at)
			slices.Sort(ids)
			d.registerIDs.put(at, merge(old, ids))
		}
		d.registered += size
		return nil
	})
	if err != nil {
		return fmt.Errorf("put %d entries of the register: %w", len(es), err)
	}
	return nil
}

// revisions are those of an entry, oldest first, to be read only.
func (d *data) revisions(tenant string, at entryID) []service.Entry {
	kept, _ := d.register.get(owned[entryID]{tenant, at})
	return kept
}

// merge makes one sorted list of two that have nothing in common.
func merge(a, b []string) []string {
	out := make([]string, 0, len(a)+len(b))
	for len(a) > 0 && len(b) > 0 {
		if a[0] < b[0] {
			out, a = append(out, a[0]), a[1:]
		} else {
			out, b = append(out, b[0]), b[1:]
		}
	}
	return append(append(out, a...), b...)
}

func copyRegistered(e service.Entry) service.Entry {
	e.Document = bytes.Clone(e.Document)
	return e
}

// GetEntry returns a copy of the newest revision.
func (s *Store) GetEntry(ctx context.Context, kind service.EntryKind, id string) (service.Entry, error) {
	var e service.Entry
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		kept := d.revisions(tenant, entryID{kind, id})
		if len(kept) == 0 {
			return service.ErrNotFound
		}
		e = copyRegistered(kept[len(kept)-1])
		return nil
	})
	if err != nil {
		return service.Entry{}, fmt.Errorf("entry %s of the %s: %w", id, kind, err)
	}
	return e, nil
}

// GetEntries returns copies of the newest revisions.
func (s *Store) GetEntries(ctx context.Context, kind service.EntryKind, ids ...string) ([]service.Entry, error) {
	ids = slices.Compact(slices.Sorted(slices.Values(ids)))
	var out []service.Entry
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		for _, id := range ids {
			if kept := d.revisions(tenant, entryID{kind, id}); len(kept) > 0 {
				out = append(out, copyRegistered(kept[len(kept)-1]))
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("%d entries of the %s: %w", len(ids), kind, err)
	}
	return out, nil
}

// EntryHistory walks from a revision to the first.
func (s *Store) EntryHistory(ctx context.Context, kind service.EntryKind, id string, below, limit int) ([]service.Entry, error) {
	if below <= 0 {
		below = math.MaxInt
	}
	var out []service.Entry
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		kept := d.revisions(tenant, entryID{kind, id})
		for i := min(len(kept), below-1) - 1; i >= 0 && len(out) < limit; i-- {
			out = append(out, copyRegistered(kept[i]))
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("history of entry %s of the %s: %w", id, kind, err)
	}
	return out, nil
}

// ListEntries walks through the ids of a kind.
func (s *Store) ListEntries(ctx context.Context, f service.EntryFilter) ([]service.Entry, error) {
	var out []service.Entry
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		ids, _ := d.registerIDs.get(owned[service.EntryKind]{tenant, f.Kind})
		first, found := slices.BinarySearch(ids, f.After)
		if found {
			first++
		}
		for _, id := range ids[first:] {
			if len(out) >= f.Limit {
				break
			}
			kept := d.revisions(tenant, entryID{f.Kind, id})
			if e := kept[len(kept)-1]; picks(f, e) {
				out = append(out, copyRegistered(e))
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list the %s: %w", f.Kind, err)
	}
	return out, nil
}

// picks says whether a newest revision passes a filter.
func picks(f service.EntryFilter, e service.Entry) bool {
	return (f.Yard == "" || e.Yard == f.Yard) &&
		(f.FittedTo == service.FittedTo{} || e.FittedTo == f.FittedTo) &&
		(f.Removed || !e.Removed)
}

// FittedHistory looks through every revision of every part.
func (s *Store) FittedHistory(ctx context.Context, to service.FittedTo, limit int) ([]service.Entry, error) {
	var out []service.Entry
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		if to.Kind == "" {
			return nil // parts in stock are fitted to nothing
		}
		ids, _ := d.registerIDs.get(owned[service.EntryKind]{tenant, service.EntryPart})
		for _, id := range ids {
			kept := d.revisions(tenant, entryID{service.EntryPart, id})
			first := slices.IndexFunc(kept, func(e service.Entry) bool { return e.FittedTo == to })
			if first < 0 {
				continue
			}
			for _, e := range kept[first:] {
				if len(out) >= limit {
					return nil
				}
				out = append(out, copyRegistered(e))
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("what was fitted to %s of the %s: %w", to.ID, to.Kind, err)
	}
	return out, nil
}

// RegisterTenants looks for a pairing of each tenant.
func (s *Store) RegisterTenants(ctx context.Context) ([]string, error) {
	var out []string
	err := s.read(ctx, func(d *data) error {
		for at, ids := range d.registerIDs.all() {
			if at.key == service.EntryPairing && slices.ContainsFunc(ids, func(id string) bool {
				kept := d.revisions(at.tenant, entryID{at.key, id})
				return !kept[len(kept)-1].Removed
			}) {
				out = append(out, at.tenant)
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list the tenants with pairings: %w", err)
	}
	slices.Sort(out)
	return out, nil
}
