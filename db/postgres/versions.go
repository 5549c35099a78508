package postgres

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"

	"drawgear/service"
)

// ImportVersions adds all that are missing, or none if one is there with
// another text: with another SHA-256, that is.
func (s *Store) ImportVersions(ctx context.Context, vs []service.Version) error {
	done := 0
	err := s.run(ctx, "", func(b *pgx.Batch) {
		for _, v := range vs {
			b.Queue(importVersion, v.Ruleset, v.Number, v.Jurisdiction, v.Title, blob(v.Document), v.SHA256,
				v.AuthoredBy, v.ApprovedBy, v.PublishedBy, v.CreatedAt, maybe(v.PublishedAt)).
				Exec(func(pgconn.CommandTag) error { done++; return nil })
		}
	})
	if err != nil && done < len(vs) {
		return fmt.Errorf("import %s version %d: %w", vs[done].Ruleset, vs[done].Number, err)
	}
	if err != nil {
		return fmt.Errorf("import versions: %w", err)
	}
	return nil
}

// PutDraft keeps of a version what belongs to a draft. Its author and time are
// those of the text, so that whoever wrote last cannot also approve it.
func (s *Store) PutDraft(ctx context.Context, v service.Version, tag string) error {
	err := s.putDraft(ctx, v, tag)
	if err != nil {
		return fmt.Errorf("put draft of %s version %d: %w", v.Ruleset, v.Number, err)
	}
	return nil
}

func (s *Store) putDraft(ctx context.Context, v service.Version, tag string) error {
	query, extra := putDraft, []any(nil)
	if tag != "" {
		old, there, err := s.ownVersion(ctx, v.Ruleset, v.Number)
		switch {
		case err != nil:
			return err
		case !there || tag != old.ETag():
			return service.ErrStale
		case old.State != service.Draft:
			return service.ErrState
		}
		query, extra = replaceDraft, []any{old.SHA256, old.AuthoredBy, old.CreatedAt}
	}
	var written bool
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		args := []any{tenant, v.Ruleset, v.Number, v.Jurisdiction, v.Title, blob(v.Document), v.SHA256, v.AuthoredBy, v.CreatedAt}
		b.Queue(query, append(args, extra...)...).Exec(touched(&written))
	})
	if err == nil && !written {
		err = service.ErrStale // somebody was faster
	}
	return err
}

// Move finds only the tenant's own: a shipped version is nobody's to move.
func (s *Store) Move(ctx context.Context, id string, version int, tag string, from service.State, v service.Version) error {
	if err := s.move(ctx, id, version, tag, from, v); err != nil {
		return fmt.Errorf("move %s version %d to %s: %w", id, version, v.State, err)
	}
	return nil
}

func (s *Store) move(ctx context.Context, id string, version int, tag string, from service.State, to service.Version) error {
	old, there, err := s.ownVersion(ctx, id, version)
	if err != nil {
		return err
	}
	if !there {
		return service.ErrNotFound
	}
	v, err := old.Moved(tag, from, to)
	if err != nil {
		return err
	}
	var written bool
	err = s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(moveVersion, tenant, id, version,
			string(v.State), v.ApprovedBy, v.PublishedBy, maybe(v.PublishedAt), maybe(v.WithdrawnAt), v.Reason,
			string(old.State), old.SHA256, old.AuthoredBy, old.CreatedAt).Exec(touched(&written))
	})
	if err == nil && !written {
		err = service.ErrStale // somebody was faster
	}
	return err
}

// ownVersion reads a version of the tenant itself, if it is there.
func (s *Store) ownVersion(ctx context.Context, id string, version int) (v service.Version, there bool, err error) {
	var found []service.Version
	err = s.own(ctx, func(tenant string, b *pgx.Batch) {
		collect(b, &found, scanWhole, getOwnVersion, tenant, text(id), version)
	})
	if err != nil || len(found) == 0 {
		return service.Version{}, false, err
	}
	return found[0], true, nil
}

// GetVersion prefers the tenant's own version to a shipped one of the same name.
func (s *Store) GetVersion(ctx context.Context, id string, version int) (service.Version, error) {
	var v service.Version
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		one(b, &v, scanWhole, getVersion, tenant, text(id), version)
	})
	if err != nil {
		return service.Version{}, fmt.Errorf("%s version %d: %w", id, version, err)
	}
	return v, nil
}

// ListVersions lists the tenant's own version before a shipped one of the same
// name.
func (s *Store) ListVersions(ctx context.Context) ([]service.Version, error) {
	var out []service.Version
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		collect(b, &out, func(row pgx.CollectableRow) (service.Version, error) { return scanVersion(row) }, listVersions, tenant)
	})
	if err != nil {
		return nil, fmt.Errorf("list versions: %w", err)
	}
	return out, nil
}

// LoadVersions lets the transaction see what is published, of all tenants.
func (s *Store) LoadVersions(ctx context.Context) ([]service.Version, string, error) {
	var out []service.Version
	var mark string
	err := s.run(ctx, "", func(b *pgx.Batch) {
		b.Queue(setSnapshot)
		// Read first, so that it is never newer than what it stands for.
		one(b, &mark, scanMark, markVersions)
		collect(b, &out, scanWhole, loadVersions)
	})
	if err != nil {
		return nil, "", fmt.Errorf("load versions: %w", err)
	}
	return out, mark, nil
}

func scanMark(row pgx.CollectableRow) (string, error) {
	var published, withdrawn int64
	err := row.Scan(&published, &withdrawn)
	return fmt.Sprintf("%d.%d", published, withdrawn), err
}

func scanWhole(row pgx.CollectableRow) (service.Version, error) {
	var document []byte
	v, err := scanVersion(row, &document)
	v.Document = document
	return v, err
}

// scanVersion reads versionColumns and what follows them.
func scanVersion(row pgx.CollectableRow, more ...any) (service.Version, error) {
	var v service.Version
	var published, withdrawn pgtype.Timestamptz
	err := row.Scan(append([]any{
		&v.Tenant, &v.Ruleset, &v.Number, &v.Jurisdiction, &v.Title, (*string)(&v.State), &v.SHA256,
		&v.AuthoredBy, &v.ApprovedBy, &v.PublishedBy, &v.CreatedAt, &published, &withdrawn, &v.Reason,
	}, more...)...)
	v.PublishedAt, v.WithdrawnAt = published.Time, withdrawn.Time
	return v, err
}

// blob keeps no bytes from becoming null.
func blob(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// How long a change may go unnoticed if the notice of it was lost, and how long
// a lost connection is left alone.
const (
	lookEvery = 10 * time.Second
	lostPause = time.Second
)

// WatchVersions listens on a connection of its own, and looks for itself from
// time to time in case a notice was lost. While the database is away it tries
// again and again.
func (s *Store) WatchVersions(ctx context.Context, changed func()) error {
	seen := "" // nothing yet: what is there at first is told, too
	for {
		err := s.door(ctx, s.listen(ctx, &seen, changed))
		if ctx.Err() != nil {
			return fmt.Errorf("watch versions: %w", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(lostPause):
		}
	}
}

// listen tells of changes for as long as the connection lasts.
func (s *Store) listen(ctx context.Context, seen *string, changed func()) error {
	conn, err := s.dial(ctx)
	if err != nil {
		return err
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_ = conn.Close(ctx) // it may be gone already
	}()
	// Before the first look, so that nothing falls between them.
	if err := s.subscribe(ctx, conn); err != nil {
		return err
	}
	for {
		mark, err := s.mark(ctx, conn)
		if err != nil {
			return err
		}
		if mark != *seen {
			*seen = mark
			changed()
		}
		wait, cancel := context.WithTimeout(ctx, lookEvery)
		_, err = conn.WaitForNotification(wait)
		cancel()
		if err != nil && (ctx.Err() != nil || !pgconn.Timeout(err)) {
			return err
		}
	}
}

func (s *Store) dial(ctx context.Context) (*pgx.Conn, error) {
	limited, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	return pgx.ConnectConfig(limited, s.pool.Config().ConnConfig)
}

func (s *Store) subscribe(ctx context.Context, conn *pgx.Conn) error {
	limited, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	_, err := conn.Exec(limited, listenVersions)
	return err
}

func (s *Store) mark(ctx context.Context, conn *pgx.Conn) (mark string, err error) {
	limited, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	var b pgx.Batch
	b.Queue(setSnapshot)
	one(&b, &mark, scanMark, markVersions)
	return mark, conn.SendBatch(limited, &b).Close()
}
