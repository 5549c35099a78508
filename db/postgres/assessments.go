package postgres

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"

	"drawgear/service"
)

// Put writes the record and its entry in the log, both or neither, together with
// others of the tenant that come at the same time.
func (s *Store) Put(ctx context.Context, r service.Record) error {
	if err := s.put(ctx, r); err != nil {
		return fmt.Errorf("put record %s: %w", r.ID, err)
	}
	return nil
}

func (s *Store) put(ctx context.Context, r service.Record) error {
	tenant, err := service.TenantOf(ctx)
	if err != nil {
		return err
	}
	like := about{tenant, r.Jurisdiction}
	packs, err := s.mayPack(ctx)
	if err != nil {
		return err
	}
	k, renew := kept{plain: blob(r.Answer)}, false
	if packs {
		k, renew = s.packs.pack(like, r.Answer)
	}
	w, err := newRow(tenant, r, k)
	if err != nil {
		return err
	}
	if s.gather == nil {
		err = s.write(ctx, tenant, []row{w})
	} else {
		err = s.share(ctx, tenant, w)
	}
	if err == nil && renew {
		s.renew(ctx, renewal{like, r.Answer, r.CreatedAt})
	}
	return err
}

// Get reads a record from the month that the log knows for its id.
func (s *Store) Get(ctx context.Context, id string) (service.Record, error) {
	r, err := s.get(ctx, id)
	if err != nil {
		return service.Record{}, fmt.Errorf("record %s: %w", id, err)
	}
	return r, nil
}

func (s *Store) get(ctx context.Context, id string) (service.Record, error) {
	var r row
	var of string
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		of = tenant
		one(b, &r, scanRecord, getAssessment, tenant, text(id))
	})
	if err != nil {
		return service.Record{}, err
	}
	r.Answer, err = s.unpack(ctx, of, r.kept)
	return r.Record, err
}

// List reads the newest records, or those that follow the filter's position.
func (s *Store) List(ctx context.Context, f service.Filter) ([]service.Summary, error) {
	if f.After != nil && !storable(f.After.ID) {
		// No record has such an id, so no list can have given it.
		return nil, fmt.Errorf("list records: %w", service.ErrCursor)
	}
	var out []service.Summary
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		query, args := list(tenant, f)
		collect(b, &out, scanSummary, query, args...)
	})
	if err != nil {
		return nil, fmt.Errorf("list records: %w", err)
	}
	return out, nil
}

// fields gives the places of the columns that summaryColumns names.
func fields(s *service.Summary) []any {
	return []any{&s.ID, &s.CreatedAt, &s.Jurisdiction, &s.AsOf, (*string)(&s.Verdict), &s.AnswerSHA256}
}

func scanSummary(row pgx.CollectableRow) (service.Summary, error) {
	var s service.Summary
	return s, row.Scan(fields(&s)...)
}

func scanRecord(from pgx.CollectableRow) (row, error) {
	var r row
	var known pgtype.Timestamptz
	err := from.Scan(append(fields(&r.Summary), &r.Rig, &r.kept.plain, &r.kept.base, &r.kept.frame, &r.Engine, &known)...)
	r.KnownAt = known.Time
	return r, err
}

// MakePartitions makes the partitions of this month and of so many more, and
// sorts into months what had none. It gives the names of those that are new.
// Any replica may call it at any time; a service does so daily.
func (s *Store) MakePartitions(ctx context.Context, months int) ([]string, error) {
	var made []string
	err := s.run(ctx, "", func(b *pgx.Batch) {
		collect(b, &made, pgx.RowTo[string], makePartitions, months)
	})
	if err != nil {
		return nil, fmt.Errorf("make partitions: %w", err)
	}
	return made, nil
}

// Maintained is what Maintain has done.
type Maintained struct {
	Partitions []string // that were made
	Replies    int64    // to idempotency keys that were removed, being older than 48 hours
}

// How far ahead months are prepared, and how many replies go in one statement,
// which has to end within the time of a call.
const (
	monthsAhead   = 3
	repliesAtOnce = 1000
)

// Maintain prepares the coming months of the record and forgets idempotency
// keys whose time is over. Any replica may call it at any time, others at once
// too; a service does so daily. What fails does not keep the rest from being
// done, nor from being told.
func (s *Store) Maintain(ctx context.Context) (Maintained, error) {
	var m Maintained
	var madeErr, goneErr error
	m.Partitions, madeErr = s.MakePartitions(ctx, monthsAhead)
	m.Replies, goneErr = s.expireReplies(ctx)
	return m, errors.Join(madeErr, goneErr)
}

func (s *Store) expireReplies(ctx context.Context) (gone int64, _ error) {
	for {
		var n int64
		err := s.run(ctx, "", func(b *pgx.Batch) {
			b.Queue(setExpire)
			b.Queue(lockExpiry)
			b.Queue(expireReplies, repliesAtOnce).Exec(func(tag pgconn.CommandTag) error {
				n = tag.RowsAffected()
				return nil
			})
		})
		if err != nil {
			return gone, fmt.Errorf("expire idempotency keys: %w", err)
		}
		if gone += n; n < repliesAtOnce { // no more are old
			return gone, nil
		}
	}
}
