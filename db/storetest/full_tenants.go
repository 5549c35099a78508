package storetest

import (
	"context"
	"testing"
	"time"

	"drawgear/service"
)

func tenantsAssessments(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	must(t, s.Put(a, record(1)))
	_, err := s.Get(b, record(1).ID)
	fails(t, "Get of another's", err, service.ErrNotFound)
	for name, f := range map[string]service.Filter{
		"all": {Limit: 9}, "after a position": {Limit: 9, After: position(record(2))}, "of a place": {Limit: 9, Jurisdiction: record(1).Jurisdiction},
	} {
		same(t, "list of "+name, got[[]service.Summary](t)(s.List(b, f)), nil)
	}
	// An id that another has taken is free: its being taken would tell of it.
	theirs := record(1)
	theirs.Answer = []byte(`{"verdict":"compliant","of":"another"}`)
	must(t, s.Put(b, theirs))
	sameRecord(t, got[service.Record](t)(s.Get(b, theirs.ID)), theirs)
	sameRecord(t, got[service.Record](t)(s.Get(a, theirs.ID)), record(1))
	for _, ctx := range []context.Context{a, b} {
		if items := got[[]service.Summary](t)(s.List(ctx, service.Filter{Limit: 9})); len(items) != 1 {
			t.Errorf("%d records are listed, want the one of the tenant", len(items))
		}
	}
}

func tenantsKeys(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	must(t, s.PutKey(a, key(1)))
	want := got[service.Key](t)(s.FindKey(t.Context(), key(1).ID))
	same(t, "keys listed for another", got[[]service.Key](t)(s.ListKeys(b)), nil)
	fails(t, "RevokeKey of another's", s.RevokeKey(b, key(1).ID, start), service.ErrNotFound)
	if s.PutKey(b, key(1)) == nil {
		t.Error("the id of another's key was taken: it could not be told whose it is")
	}
	same(t, "the key after that", got[service.Key](t)(s.FindKey(t.Context(), key(1).ID)), want)

	// A key is of the tenant that made it, not of the one it names.
	k := key(2)
	k.Tenant = tenantA
	must(t, s.PutKey(b, k))
	if k = got[service.Key](t)(s.FindKey(t.Context(), k.ID)); k.Tenant != tenantB {
		t.Errorf("a key made by %s is one of %s", tenantB, k.Tenant)
	}
	if s.PutKey(as(t, nobody), key(3)) == nil {
		t.Error("a key of a tenant that does not exist was kept")
	}
}

func tenantsVersions(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	must(t, s.ImportVersions(t.Context(), []service.Version{shipped("shipped", 1)}))
	drafted := putDraft(t, s, a, draft("house", 1))
	publish(t, s, a, draft("house", 2))
	for n := range 3 {
		_, err := s.GetVersion(b, "house", n)
		fails(t, "GetVersion of another's", err, service.ErrNotFound)
	}
	list := got[[]service.Version](t)(s.ListVersions(b))
	if len(list) != 1 || list[0].Ruleset != "shipped" {
		t.Errorf("listed for another are %+v, want the shipped one only", list)
	}
	approve := service.Version{State: service.Approved, ApprovedBy: "second"}
	fails(t, "Move of another's", s.Move(b, "house", 1, drafted.ETag(), service.Draft, approve), service.ErrNotFound)
	changed := draft("house", 1)
	changed.Title = "Changed by another"
	fails(t, "PutDraft over another's", s.PutDraft(b, changed, drafted.ETag()), service.ErrStale)
	// The same name and number is free for each tenant.
	must(t, s.PutDraft(b, changed, ""))
	same(t, "the version of the one", getVersion(t, s, a, "house", 1), drafted)
	if v := getVersion(t, s, b, "house", 1); v.Title != changed.Title || v.Tenant != tenantB {
		t.Errorf("the version of the other is %+v", v)
	}
	// What is shipped is nobody's.
	mine := getVersion(t, s, a, "shipped", 1)
	gone := service.Version{State: service.Withdrawn, WithdrawnAt: start.Add(time.Hour), Reason: "no longer wanted"}
	fails(t, "Move of a shipped one", s.Move(a, "shipped", 1, mine.ETag(), service.Published, gone), service.ErrNotFound)
	same(t, "the shipped one after that", getVersion(t, s, b, "shipped", 1), mine)
}

func tenantsLog(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	must(t, s.Put(a, record(1)))
	must(t, s.Put(a, record(2)))
	if n := got[int64](t)(s.LogSize(b)); n != 0 {
		t.Errorf("another's log has %d entries, want none", n)
	}
	_, err := s.LogIndex(b, record(1).ID)
	fails(t, "LogIndex of another's", err, service.ErrNotFound)
	_, err = s.LogNodes(b, []service.NodeID{{}})
	fails(t, "LogNodes of another's", err, service.ErrNotFound)
	same(t, "another's leaves", got[[]service.LogLeaf](t)(s.LogLeaves(b, 0, 9)), nil)
	// The logs grow apart, and of one record make two leaves.
	must(t, s.Put(b, record(2)))
	verifyLog(t, s, tenantA, record(1), record(2))
	verifyLog(t, s, tenantB, record(2))
}
