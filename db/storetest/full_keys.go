package storetest

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"testing"
	"time"

	"drawgear/service"
)

// key makes the n-th key, a second younger than the one before.
func key(n int) service.Key {
	return service.Key{
		ID: fmt.Sprintf("key%05d", n), Tenant: tenantA, Name: fmt.Sprintf("till %d", n),
		Digest: sha256.Sum256([]byte{byte(n)}), Scopes: []service.Scope{service.ScopeAssess, service.ScopeRead},
		CreatedAt: start.Add(time.Duration(n) * time.Second), ExpiresAt: start.AddDate(1, 0, 0),
	}
}

func sameKey(t *testing.T, have, want service.Key) {
	t.Helper()
	utc(&have.CreatedAt, &have.ExpiresAt, &have.RevokedAt)
	utc(&want.CreatedAt, &want.ExpiresAt, &want.RevokedAt)
	same(t, "the key", have, want)
}

func keysRoundTrip(t *testing.T, s service.FullStore) {
	_, err := s.FindKey(t.Context(), key(1).ID)
	fails(t, "FindKey in an empty store", err, service.ErrNotFound)
	forever := key(2)
	forever.ExpiresAt, forever.Scopes = time.Time{}, []service.Scope{service.ScopeAdmin}
	for _, want := range []service.Key{key(1), forever} {
		given := want
		given.Scopes = slices.Clone(want.Scopes)
		must(t, s.PutKey(as(t, tenantA), given))
		clear(given.Scopes)
		have := got[service.Key](t)(s.FindKey(t.Context(), want.ID))
		sameKey(t, have, want)
		clear(have.Scopes)
		sameKey(t, got[service.Key](t)(s.FindKey(t.Context(), want.ID)), want)
	}
	for _, id := range []string{"", "KEY00001", "key0000%", "key00001' --", "\x00", "\xff"} {
		_, err := s.FindKey(t.Context(), id)
		fails(t, fmt.Sprintf("FindKey(%q)", id), err, service.ErrNotFound)
	}
}

func keysTaken(t *testing.T, s service.FullStore) {
	must(t, s.PutKey(as(t, tenantA), key(1)))
	other := key(2)
	other.ID = key(1).ID
	if s.PutKey(as(t, tenantA), other) == nil {
		t.Error("an id was taken twice")
	}
	sameKey(t, got[service.Key](t)(s.FindKey(t.Context(), key(1).ID)), key(1))
}

func keysRevoked(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	must(t, s.PutKey(a, key(1)))
	must(t, s.PutKey(a, key(2)))
	want := key(1)
	want.RevokedAt = start.Add(time.Hour + time.Microsecond)
	must(t, s.RevokeKey(a, want.ID, want.RevokedAt))
	sameKey(t, got[service.Key](t)(s.FindKey(t.Context(), want.ID)), want)
	must(t, s.RevokeKey(a, want.ID, start.Add(2*time.Hour)))
	sameKey(t, got[service.Key](t)(s.FindKey(t.Context(), want.ID)), want)
	sameKey(t, got[service.Key](t)(s.FindKey(t.Context(), key(2).ID)), key(2))
	for _, id := range []string{"", key(3).ID, "\x00"} {
		fails(t, fmt.Sprintf("RevokeKey(%q)", id), s.RevokeKey(a, id, start), service.ErrNotFound)
	}
}

func keysListed(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	for _, n := range []int{3, 1, 2} {
		must(t, s.PutKey(a, key(n)))
	}
	must(t, s.RevokeKey(a, key(2).ID, start))
	list := got[[]service.Key](t)(s.ListKeys(a))
	if len(list) != 3 {
		t.Fatalf("%d keys are listed, want 3", len(list))
	}
	revoked := key(2)
	revoked.RevokedAt = start
	for i, want := range []service.Key{key(3), revoked, key(1)} {
		sameKey(t, list[i], want)
	}
	clear(list[0].Scopes)
	sameKey(t, got[[]service.Key](t)(s.ListKeys(a))[0], key(3))
}

func tenantTwice(t *testing.T, s service.FullStore) {
	must(t, s.PutKey(as(t, tenantA), key(1)))
	must(t, s.PutTenant(t.Context(), service.Tenant{ID: tenantA, Name: "another name", CreatedAt: start.Add(time.Hour)}))
	sameKey(t, got[service.Key](t)(s.FindKey(t.Context(), key(1).ID)), key(1))
	must(t, s.PutTenant(t.Context(), service.Tenant{ID: nobody, Name: "somebody now", CreatedAt: start}))
	must(t, s.PutKey(as(t, nobody), key(2)))
}
