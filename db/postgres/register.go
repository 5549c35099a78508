package postgres

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"

	"drawgear/service"
)

// PutEntries writes all entries in one statement. The database leaves out what is
// not the next revision; then nothing of it stays.
func (s *Store) PutEntries(ctx context.Context, es ...service.Entry) error {
	if err := s.putEntries(ctx, es); err != nil {
		return fmt.Errorf("put %d entries of the register: %w", len(es), err)
	}
	return nil
}

func (s *Store) putEntries(ctx context.Context, es []service.Entry) error {
	var left *service.Entry
	err := s.step(ctx, func(_ pgx.Tx, inner *Store) error {
		var written []entryRevision
		err := inner.own(ctx, func(tenant string, b *pgx.Batch) {
			collect(b, &written, scanRevision, putEntries, entryArrays(tenant, es)...)
		})
		if err != nil {
			return err
		}
		if left = leftOut(es, written); left != nil {
			return service.ErrStale
		}
		return nil
	})
	if left == nil {
		return err
	}
	stale := &service.StaleEntry{Kind: left.Kind, ID: left.ID}
	if stale.Has, err = s.revision(ctx, left.Kind, left.ID); err != nil {
		return err
	}
	return stale
}

// entryRevision names a revision of an entry.
type entryRevision struct {
	kind, id string
	revision int
}

func scanRevision(row pgx.CollectableRow) (r entryRevision, err error) {
	return r, row.Scan(&r.kind, &r.id, &r.revision)
}

// leftOut is the first entry that was not written, nil if all were.
func leftOut(es []service.Entry, written []entryRevision) *service.Entry {
	there := make(map[entryRevision]bool, len(written))
	for _, r := range written {
		there[r] = true
	}
	for i, e := range es {
		r := entryRevision{string(e.Kind), e.ID, e.Revision}
		if !there[r] {
			return &es[i]
		}
		delete(there, r) // the same once more was left out
	}
	return nil
}

// entryArrays turns entries into the parameters of putEntries, a column each.
func entryArrays(tenant string, es []service.Entry) []any {
	n := len(es)
	kinds, ids, by, since, yards := make([]string, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n)
	fittedKinds, fittedIDs, notes := make([]string, n), make([]string, n), make([]string, n)
	revisions, at, removed, documents := make([]int, n), make([]time.Time, n), make([]bool, n), make([][]byte, n)
	for i, e := range es {
		kinds[i], ids[i], revisions[i] = string(e.Kind), e.ID, e.Revision
		at[i], by[i], since[i] = e.WrittenAt, e.WrittenBy, e.Since
		yards[i], fittedKinds[i], fittedIDs[i] = e.Yard, string(e.FittedTo.Kind), e.FittedTo.ID
		notes[i], removed[i], documents[i] = e.Note, e.Removed, blob(e.Document)
	}
	return []any{tenant, kinds, ids, revisions, at, by, since, yards, fittedKinds, fittedIDs, notes, removed, documents}
}

// revision is that of the newest entry, 0 if there is none.
func (s *Store) revision(ctx context.Context, kind service.EntryKind, id string) (has int, _ error) {
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		one(b, &has, pgx.RowTo[int], entryRevisionNow, tenant, text(string(kind)), text(id))
	})
	return has, err
}

// GetEntry is led by the head to the newest revision.
func (s *Store) GetEntry(ctx context.Context, kind service.EntryKind, id string) (service.Entry, error) {
	var e service.Entry
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		one(b, &e, scanEntry, getEntry, tenant, text(string(kind)), text(id))
	})
	if err != nil {
		return service.Entry{}, fmt.Errorf("entry %s of the %s: %w", id, kind, err)
	}
	return e, nil
}

// GetEntries is led by the heads. No entry has an id that cannot be stored.
func (s *Store) GetEntries(ctx context.Context, kind service.EntryKind, ids ...string) ([]service.Entry, error) {
	known := make([]string, 0, len(ids))
	for _, id := range ids {
		if storable(id) {
			known = append(known, id)
		}
	}
	out, err := s.entries(ctx, func(tenant string) (string, []any) {
		return getEntries, []any{tenant, text(string(kind)), known}
	})
	if err != nil {
		return nil, fmt.Errorf("%d entries of the %s: %w", len(ids), kind, err)
	}
	return out, nil
}

// EntryHistory reads revisions backwards.
func (s *Store) EntryHistory(ctx context.Context, kind service.EntryKind, id string, below, limit int) ([]service.Entry, error) {
	if below <= 0 || below > math.MaxInt32 {
		below = math.MaxInt32
	}
	out, err := s.entries(ctx, func(tenant string) (string, []any) {
		return entryHistory, []any{tenant, text(string(kind)), text(id), below, limit}
	})
	if err != nil {
		return nil, fmt.Errorf("history of entry %s of the %s: %w", id, kind, err)
	}
	return out, nil
}

// ListEntries reads heads in the order of their ids and takes the newest revision
// of each.
func (s *Store) ListEntries(ctx context.Context, f service.EntryFilter) ([]service.Entry, error) {
	if !storable(f.After) {
		// No entry has such an id, so no list can have given it.
		return nil, fmt.Errorf("list the %s: %w", f.Kind, service.ErrCursor)
	}
	out, err := s.entries(ctx, func(tenant string) (string, []any) { return listEntries(tenant, f) })
	if err != nil {
		return nil, fmt.Errorf("list the %s: %w", f.Kind, err)
	}
	return out, nil
}

// FittedHistory finds by an index which parts were ever fitted there, and reads
// each from its first revision that says so.
func (s *Store) FittedHistory(ctx context.Context, to service.FittedTo, limit int) ([]service.Entry, error) {
	out, err := s.entries(ctx, func(tenant string) (string, []any) {
		return fittedHistory, []any{tenant, text(string(to.Kind)), text(to.ID), limit}
	})
	if err != nil {
		return nil, fmt.Errorf("what was fitted to %s of the %s: %w", to.ID, to.Kind, err)
	}
	return out, nil
}

// RegisterTenants lets the transaction see the pairings of all tenants, and looks
// at one of each.
func (s *Store) RegisterTenants(ctx context.Context) ([]string, error) {
	var out []string
	err := s.run(ctx, "", func(b *pgx.Batch) {
		b.Queue(setPaired)
		collect(b, &out, pgx.RowTo[string], registerTenants)
	})
	if err != nil {
		return nil, fmt.Errorf("list the tenants with pairings: %w", err)
	}
	return out, nil
}

// entries runs a query that gives entries of the caller's tenant.
func (s *Store) entries(ctx context.Context, query func(tenant string) (string, []any)) ([]service.Entry, error) {
	var out []service.Entry
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		sql, args := query(tenant)
		collect(b, &out, scanEntry, sql, args...)
	})
	return out, err
}

// scanEntry reads entryColumns.
func scanEntry(row pgx.CollectableRow) (e service.Entry, err error) {
	return e, row.Scan((*string)(&e.Kind), &e.ID, &e.Revision, &e.WrittenAt, &e.WrittenBy, &e.Since,
		&e.Yard, (*string)(&e.FittedTo.Kind), &e.FittedTo.ID, &e.Note, &e.Removed, &e.Document)
}
