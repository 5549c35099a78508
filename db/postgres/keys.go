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

// PutTenant leaves a tenant that is there as it is.
func (s *Store) PutTenant(ctx context.Context, t service.Tenant) error {
	err := s.run(ctx, t.ID, func(b *pgx.Batch) { b.Queue(putTenant, t.ID, t.Name, t.CreatedAt) })
	if err != nil {
		return fmt.Errorf("put tenant %s: %w", t.ID, err)
	}
	return nil
}

// FindTenant finds a tenant by its id. It needs no caller.
func (s *Store) FindTenant(ctx context.Context, id string) (service.Tenant, error) {
	var t service.Tenant
	err := s.run(ctx, id, func(b *pgx.Batch) {
		one(b, &t, func(row pgx.CollectableRow) (t service.Tenant, err error) {
			return t, row.Scan(&t.ID, &t.Name, &t.CreatedAt)
		}, findTenant, text(id))
	})
	if err != nil {
		return service.Tenant{}, fmt.Errorf("find a tenant: %w", err)
	}
	return t, nil
}

// PutKey keeps a key for the tenant of the caller, whatever tenant it names.
func (s *Store) PutKey(ctx context.Context, k service.Key) error {
	scopes := make([]string, len(k.Scopes))
	for i, scope := range k.Scopes {
		scopes[i] = string(scope)
	}
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(putKey, k.ID, tenant, k.Name, k.Digest[:], scopes, k.CreatedAt, maybe(k.ExpiresAt), maybe(k.RevokedAt))
	})
	if err != nil {
		return fmt.Errorf("put key %s: %w", k.ID, err)
	}
	return nil
}

// FindKey lets the transaction see the one key that was asked for.
func (s *Store) FindKey(ctx context.Context, id string) (service.Key, error) {
	var k service.Key
	err := s.run(ctx, "", func(b *pgx.Batch) {
		b.Queue(setKey, text(id))
		one(b, &k, scanKey, findKey, text(id))
	})
	if err != nil {
		return service.Key{}, fmt.Errorf("find a key: %w", err)
	}
	return k, nil
}

// ListKeys lists, of keys of one time, the greater id first.
func (s *Store) ListKeys(ctx context.Context) ([]service.Key, error) {
	var out []service.Key
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { collect(b, &out, scanKey, listKeys, tenant) })
	if err != nil {
		return nil, fmt.Errorf("list keys: %w", err)
	}
	return out, nil
}

// RevokeKey keeps the time of the first revocation.
func (s *Store) RevokeKey(ctx context.Context, id string, at time.Time) error {
	var there bool
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(revokeKey, tenant, text(id), at).Exec(touched(&there))
	})
	if err == nil && !there {
		err = service.ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("revoke key %s: %w", id, err)
	}
	return nil
}

// touched notes whether a statement found a row.
func touched(yes *bool) func(pgconn.CommandTag) error {
	return func(tag pgconn.CommandTag) error {
		*yes = tag.RowsAffected() > 0
		return nil
	}
}

func scanKey(row pgx.CollectableRow) (service.Key, error) {
	var k service.Key
	var digest []byte
	var scopes []string
	var expires, revoked pgtype.Timestamptz
	err := row.Scan(&k.ID, &k.Tenant, &k.Name, &digest, &scopes, &k.CreatedAt, &expires, &revoked)
	copy(k.Digest[:], digest)
	for _, scope := range scopes {
		k.Scopes = append(k.Scopes, service.Scope(scope))
	}
	k.ExpiresAt, k.RevokedAt = expires.Time, revoked.Time
	return k, err
}
