package postgres

import (
	"context"
	"crypto/sha256"
	"fmt"

	"github.com/jackc/pgx/v5"

	"drawgear/service"
)

// PutFitting writes the fitting, its plan and the entry in the log, all or none.
func (s *Store) PutFitting(ctx context.Context, f service.FittingSummary, plan service.FittingEntry) error {
	if plan.Revision != 1 { // the database would leave it out
		return fmt.Errorf("put fitting %s: its first entry has revision %d", f.ID, plan.Revision)
	}
	var written bool
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(putFitting, tenant, f.ID, f.CreatedAt, f.Jurisdiction, f.AsOf, f.Assessment)
		queueEntry(b, tenant, f.ID, plan, &written)
	})
	if err != nil {
		return fmt.Errorf("put fitting %s: %w", f.ID, err)
	}
	return nil
}

// AppendFitting leaves it to the database to see that the entry is the next.
// Whoever comes second waits for the first, and is then stale.
func (s *Store) AppendFitting(ctx context.Context, id string, e service.FittingEntry) error {
	if err := s.appendFitting(ctx, id, e); err != nil {
		return fmt.Errorf("append to fitting %s: %w", id, err)
	}
	return nil
}

func (s *Store) appendFitting(ctx context.Context, id string, e service.FittingEntry) error {
	if !storable(id) {
		return service.ErrNotFound
	}
	var written bool
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { queueEntry(b, tenant, id, e, &written) })
	if err != nil || written {
		return err
	}
	var state string
	err = s.own(ctx, func(tenant string, b *pgx.Batch) {
		one(b, &state, pgx.RowTo[string], fittingState, tenant, text(id))
	})
	switch {
	case err != nil:
		return err
	case state == string(service.FittingSigned):
		return service.ErrSigned
	default:
		return service.ErrStale
	}
}

func queueEntry(b *pgx.Batch, tenant, id string, e service.FittingEntry, written *bool) {
	leaf := sha256.Sum256(append([]byte{0}, e.Leaf(tenant, id)...)) // RFC 6962
	b.Queue(appendFitting, tenant, id, e.Revision, e.At, e.By, string(e.State), e.Engine, blob(e.Given), blob(e.Made),
		leaf[:], service.FittingLogID(id, e.Revision)).
		Exec(touched(written))
}

// GetFitting reads the fitting with its entries in one statement, so that they
// fit each other.
func (s *Store) GetFitting(ctx context.Context, id string) (service.FittingRecord, error) {
	var f service.FittingRecord
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		collect(b, &f.Entries, func(row pgx.CollectableRow) (e service.FittingEntry, err error) {
			err = row.Scan(append(fittingFields(&f.FittingSummary),
				&e.Revision, &e.At, &e.By, (*string)(&e.State), &e.Engine, &e.Given, &e.Made)...)
			return e, err
		}, getFitting, tenant, text(id))
	})
	if err == nil && len(f.Entries) == 0 {
		err = service.ErrNotFound
	}
	if err != nil {
		return service.FittingRecord{}, fmt.Errorf("fitting %s: %w", id, err)
	}
	return f, nil
}

// ListFittings reads the newest fittings, or those that follow the filter's
// position.
func (s *Store) ListFittings(ctx context.Context, f service.FittingFilter) ([]service.FittingSummary, error) {
	if f.After != nil && !storable(f.After.ID) {
		// No fitting has such an id, so no list can have given it.
		return nil, fmt.Errorf("list fittings: %w", service.ErrCursor)
	}
	var out []service.FittingSummary
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		query, args := listFittings(tenant, f)
		collect(b, &out, func(row pgx.CollectableRow) (s service.FittingSummary, err error) {
			err = row.Scan(fittingFields(&s)...)
			return s, err
		}, query, args...)
	})
	if err != nil {
		return nil, fmt.Errorf("list fittings: %w", err)
	}
	return out, nil
}

// fittingFields gives the places of the columns that fittingColumns names.
func fittingFields(s *service.FittingSummary) []any {
	return []any{&s.ID, &s.CreatedAt, &s.Jurisdiction, &s.AsOf, &s.Assessment, (*string)(&s.State), &s.Revision}
}
