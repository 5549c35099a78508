package service_test

import (
	"testing"

	"drawgear/db/memory"
	"drawgear/service"
)

// newHookStore is a store with a tenant beside the default one.
func newHookStore(t testing.TB) *memory.Store {
	t.Helper()
	store := memory.New(0)
	if err := store.PutTenant(t.Context(), service.Tenant{ID: tarn, Name: "Tarn Valley", CreatedAt: noonKept}); err != nil {
		t.Fatal(err)
	}
	return store
}
