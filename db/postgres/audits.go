package postgres

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"drawgear/service"
)

// CreateAudit keeps an audit that has no rows yet.
func (s *Store) CreateAudit(ctx context.Context, a service.AuditRecord) error {
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(createAudit, tenant, a.ID, a.CreatedAt, a.CreatedBy, blob(a.Ask))
	})
	if err != nil {
		return fmt.Errorf("create audit %s: %w", a.ID, err)
	}
	return nil
}

// PutAuditInput replaces what is there under the name.
func (s *Store) PutAuditInput(ctx context.Context, id, name string, data []byte) error {
	if err := s.inState(ctx, id, putAuditInput, name, blob(data)); err != nil {
		return fmt.Errorf("put input %s of audit %s: %w", name, id, err)
	}
	return nil
}

// GetAuditInput reads one row.
func (s *Store) GetAuditInput(ctx context.Context, id, name string) (data []byte, _ error) {
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		one(b, &data, pgx.RowTo[[]byte], getAuditInput, tenant, text(id), text(name))
	})
	if err != nil {
		return nil, fmt.Errorf("get input %s of audit %s: %w", name, id, err)
	}
	return data, nil
}

// PutAuditChunk adds one row.
func (s *Store) PutAuditChunk(ctx context.Context, id string, c service.AuditChunk) error {
	if err := s.inState(ctx, id, putAuditChunk, c.Number, c.First, c.Rows, blob(c.Input)); err != nil {
		return fmt.Errorf("put chunk %d of audit %s: %w", c.Number, id, err)
	}
	return nil
}

// StartAudit moves the audit and adds the jobs in one transaction.
func (s *Store) StartAudit(ctx context.Context, id string, chunks int, rows int64, at time.Time) error {
	err := s.step(ctx, func(tx pgx.Tx, inner *Store) error {
		tenant, err := service.TenantOf(ctx)
		if err != nil {
			return err
		}
		if err := inner.inState(ctx, id, startAudit, chunks, rows, at); err != nil {
			return err
		}
		// The state that it had lets nobody have added one before.
		return inner.addNewJobs(ctx, tx, service.JobAudit, tenant, id, chunks)
	})
	if err != nil {
		return fmt.Errorf("start audit %s: %w", id, err)
	}
	return nil
}

// EndAudit cancels an audit or gives it up.
func (s *Store) EndAudit(ctx context.Context, id string, to service.AuditState, note string, at time.Time) error {
	if err := s.inState(ctx, id, endAudit, string(to), note, at); err != nil {
		return fmt.Errorf("end audit %s: %w", id, err)
	}
	return nil
}

// inState runs a statement that touches a row if the audit is in the right state.
// Its first two parameters are the tenant and the id.
func (s *Store) inState(ctx context.Context, id, query string, args ...any) error {
	var moved bool
	var a service.AuditRecord
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(query, append([]any{tenant, text(id)}, args...)...).Exec(touched(&moved))
		one(b, &a, scanAudit, getAudit, tenant, text(id))
	})
	if err == nil && !moved {
		err = fmt.Errorf("it is %s: %w", a.State, service.ErrState)
	}
	return err
}

// FinishChunk keeps the outcome and counts it in one statement, and so both or
// neither. Those who finish chunks of one audit wait for each other from there to
// the commit.
func (s *Store) FinishChunk(ctx context.Context, id string, number int, o service.AuditOutcome, at time.Time) (service.AuditRecord, error) {
	var counted, there, kept bool
	var a service.AuditRecord
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(finishChunk, tenant, text(id), number, blob(o.Items), blob(o.Tally), at).Exec(touched(&counted))
		one(b, &a, scanAudit, getAudit, tenant, text(id))
		b.Queue(chunkKept, tenant, text(id), number).Query(func(rows pgx.Rows) error {
			_, err := pgx.ForEachRow(rows, []any{&kept}, func() error { there = true; return nil })
			return err
		})
	})
	switch {
	case err != nil:
	case counted:
	case a.State != service.AuditRunning && a.State != service.AuditDone:
		err = fmt.Errorf("it is %s: %w", a.State, service.ErrState)
	case !there:
		err = fmt.Errorf("the chunk: %w", service.ErrNotFound)
	case !kept:
		err = fmt.Errorf("it was not running: %w", service.ErrState)
	}
	if err != nil {
		return service.AuditRecord{}, fmt.Errorf("finish chunk %d of audit %s: %w", number, id, err)
	}
	return a, nil
}

// GetAudit reads one row.
func (s *Store) GetAudit(ctx context.Context, id string) (service.AuditRecord, error) {
	var a service.AuditRecord
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { one(b, &a, scanAudit, getAudit, tenant, text(id)) })
	if err != nil {
		return service.AuditRecord{}, fmt.Errorf("get audit %s: %w", id, err)
	}
	return a, nil
}

// ListAudits reads the newest audits, or those that follow the position.
func (s *Store) ListAudits(ctx context.Context, after *service.Position, limit int) ([]service.AuditRecord, error) {
	if after != nil && !storable(after.ID) {
		// No audit has such an id, so no list can have given it.
		return nil, fmt.Errorf("list audits: %w", service.ErrCursor)
	}
	var out []service.AuditRecord
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		query, args := listAudits, []any{tenant, limit}
		if after != nil {
			query, args = moreAudits, append(args, instant(after.CreatedAt), after.ID)
		}
		collect(b, &out, scanAudit, query, args...)
	})
	if err != nil {
		return nil, fmt.Errorf("list audits: %w", err)
	}
	return out, nil
}

// scanAudit reads auditColumns.
func scanAudit(row pgx.CollectableRow) (a service.AuditRecord, err error) {
	var started, ended pgtype.Timestamptz
	err = row.Scan(&a.ID, &a.CreatedAt, &a.CreatedBy, &a.Ask, (*string)(&a.State), &a.Chunks, &a.Rows, &a.ChunksDone, &a.RowsDone,
		&started, &ended, &a.Note)
	a.StartedAt, a.EndedAt = started.Time, ended.Time
	return a, err
}

// GetAuditChunk reads one row.
func (s *Store) GetAuditChunk(ctx context.Context, id string, number int) (service.AuditChunk, error) {
	var c service.AuditChunk
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		one(b, &c, func(row pgx.CollectableRow) (c service.AuditChunk, err error) {
			return c, row.Scan(&c.Number, &c.First, &c.Rows, &c.Input)
		}, getAuditChunk, tenant, text(id), number)
	})
	if err != nil {
		return service.AuditChunk{}, fmt.Errorf("get chunk %d of audit %s: %w", number, id, err)
	}
	return c, nil
}

// ListAuditOutcomes reads the chunks that are answered.
func (s *Store) ListAuditOutcomes(ctx context.Context, id string, from, limit int, items bool) ([]service.AuditOutcome, error) {
	var out []service.AuditOutcome
	var a service.AuditRecord
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		one(b, &a, scanAudit, getAudit, tenant, text(id))
		collect(b, &out, func(row pgx.CollectableRow) (o service.AuditOutcome, err error) {
			return o, row.Scan(&o.Number, &o.First, &o.Rows, &o.Tally, &o.Items)
		}, listAuditOutcomes, tenant, text(id), from, limit, items)
	})
	if err != nil {
		return nil, fmt.Errorf("list what came of audit %s: %w", id, err)
	}
	return out, nil
}

// DropAudits lets each transaction see what has ended of all tenants, and removes
// one audit with all that belongs to it, which may be much.
func (s *Store) DropAudits(ctx context.Context, ended, receiving time.Time, limit int) (gone int, _ error) {
	for gone < limit {
		var dropped bool
		err := s.run(ctx, "", func(b *pgx.Batch) {
			b.Queue(setExpire)
			b.Queue(lockExpiry)
			b.Queue(dropAudit, instant(ended), instant(receiving)).Exec(touched(&dropped))
		})
		if err != nil {
			return gone, fmt.Errorf("drop audits: %w", err)
		}
		if !dropped {
			break
		}
		gone++
	}
	return gone, nil
}
