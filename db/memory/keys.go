package memory

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"drawgear/service"
)

// PutTenant leaves a tenant that is there as it is.
func (s *Store) PutTenant(ctx context.Context, t service.Tenant) error {
	err := s.write(ctx, func(d *data) error {
		if _, there := d.tenants.get(t.ID); !there {
			d.tenants.put(t.ID, t)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("put tenant %s: %w", t.ID, err)
	}
	return nil
}

// FindTenant finds a tenant by its id. It needs no caller.
func (s *Store) FindTenant(ctx context.Context, id string) (service.Tenant, error) {
	var t service.Tenant
	err := s.read(ctx, func(d *data) error {
		kept, ok := d.tenants.get(id)
		if !ok {
			return service.ErrNotFound
		}
		t = kept
		return nil
	})
	if err != nil {
		return service.Tenant{}, fmt.Errorf("find a tenant: %w", err)
	}
	return t, nil
}

// PutKey keeps a key for the tenant of the caller, whatever tenant it names.
func (s *Store) PutKey(ctx context.Context, k service.Key) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		if _, known := d.tenants.get(tenant); !known {
			return fmt.Errorf("there is no tenant %s", tenant)
		}
		if _, taken := d.keys.get(k.ID); taken {
			return errors.New("the id is taken")
		}
		k := copyKey(k)
		k.Tenant = tenant
		d.keys.put(k.ID, k)
		return nil
	})
	if err != nil {
		return fmt.Errorf("put key %s: %w", k.ID, err)
	}
	return nil
}

func copyKey(k service.Key) service.Key {
	k.Scopes = slices.Clone(k.Scopes)
	return k
}

// FindKey looks among the keys of all tenants.
func (s *Store) FindKey(ctx context.Context, id string) (service.Key, error) {
	var k service.Key
	err := s.read(ctx, func(d *data) error {
		kept, ok := d.keys.get(id)
		if !ok {
			return service.ErrNotFound
		}
		k = copyKey(kept)
		return nil
	})
	if err != nil {
		return service.Key{}, fmt.Errorf("find a key: %w", err)
	}
	return k, nil
}

// ListKeys lists, of keys of one time, the greater id first.
func (s *Store) ListKeys(ctx context.Context) ([]service.Key, error) {
	var out []service.Key
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		for _, k := range d.keys.all() {
			if k.Tenant == tenant {
				out = append(out, copyKey(k))
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list keys: %w", err)
	}
	slices.SortFunc(out, func(a, b service.Key) int {
		return service.Position{CreatedAt: b.CreatedAt, ID: b.ID}.Compare(service.Position{CreatedAt: a.CreatedAt, ID: a.ID})
	})
	return out, nil
}

// RevokeKey keeps the time of the first revocation.
func (s *Store) RevokeKey(ctx context.Context, id string, at time.Time) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		k, ok := d.keys.get(id)
		if !ok || k.Tenant != tenant {
			return service.ErrNotFound
		}
		if k.RevokedAt.IsZero() {
			k.RevokedAt = at
			d.keys.put(id, k)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("revoke key %s: %w", id, err)
	}
	return nil
}
