package storetest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"reflect"
	"testing"
	"time"

	"drawgear/service"
)

// RunFull holds a store to what service.FullStore promises beyond
// service.Store, for which there is Run. open gives an empty store to each test
// and cleans up with t.
func RunFull(t *testing.T, open func(t *testing.T) service.FullStore) {
	tests := []struct {
		name string
		test func(t *testing.T, s service.FullStore)
	}{
		{"asks who calls", callers},
		{"obeys its context in every method", cancelledEverywhere},

		{"hides assessments from other tenants", tenantsAssessments},
		{"hides fittings from other tenants", tenantsFittings},
		{"hides keys from other tenants", tenantsKeys},
		{"hides versions from other tenants", tenantsVersions},
		{"hides the log from other tenants", tenantsLog},

		{"keeps keys", keysRoundTrip},
		{"refuses a key twice", keysTaken},
		{"revokes a key once", keysRevoked},
		{"lists keys newest first", keysListed},
		{"makes a tenant once", tenantTwice},

		{"imports shipped versions", versionsImported},
		{"imports all or nothing", versionsImportedWhole},
		{"imports beside the versions of tenants", versionsImportedBeside},
		{"keeps drafts", versionsDrafted},
		{"takes a version through its life", versionsMoved},
		{"refuses every other way through life", versionsMisled},
		{"never changes what was published", versionsFixed},
		{"lists versions in order", versionsListed},
		{"loads what was ever published", versionsLoaded},
		{"marks what is published", versionsMarked},
		{"tells of what is published", versionsWatched},

		{"keeps engine and knowledge time", recordsWhole},
		{"enters records in the order they came", logOrder},
		{"keeps a tree of RFC 6962", logTree},
		{"has no nodes of incomplete subtrees", logMissing},
		{"keeps the log to itself", logIsolation},
		{"has no gaps in the log after many at once", logConcurrency},

		{"enters what is written to a fitting into the log", fittingsLogged},
		{"goes on with a fitting within a step", fittingsOnce},

		{"hides the register from other tenants", tenantsRegister},
		{"takes an entry of the register through its life", registerLife},
		{"writes only the next revision of an entry", registerStale},
		{"writes all entries or none", registerWhole},
		{"takes one of many that write an entry at once", registerAtOnce},
		{"gives entries of the register by their ids", registerGot},
		{"lists the register by id", registerListed},
		{"pages through the register", registerPaged},
		{"pages through the history of an entry", registerHistory},
		{"knows what was ever fitted", registerFitted},
		{"knows who has pairings", registerPaired},
		{"keeps the bytes of the register to itself", registerIsolated},
		{"goes on with the register within a step", registerOnce},

		{"hides webhooks from other tenants", tenantsWebhooks},
		{"takes a webhook through its life", webhooksLife},
		{"takes one of many that write a webhook at once", webhooksAtOnce},
		{"tells a webhook once of an event", deliveriesOnce},
		{"keeps attempts in their order", deliveriesTried},
		{"lists deliveries newest first", deliveriesListed},
		{"drops old deliveries", deliveriesDropped},
		{"removes the deliveries of a webhook with it", deliveriesRemoved},
		{"keeps what webhooks hold to itself", webhooksIsolated},
		{"goes on with webhooks within a step", webhooksOnce},

		{"hides audits from other tenants", tenantsAudits},
		{"takes an audit through its life", auditLife},
		{"refuses every other way through an audit", auditMisled},
		{"keeps what came of a chunk first", auditFirst},
		{"counts every chunk once of many at once", auditAtOnce},
		{"cancels an audit while its chunks are finished", auditCancelledAtOnce},
		{"lists audits newest first", auditsListed},
		{"lists what came of chunks in order", auditOutcomes},
		{"drops audits of all tenants", auditsDropped},
		{"keeps the bytes of audits to itself", auditsIsolated},
		{"goes on with an audit within a step", auditStep},

		{"gives the first reply again", onceAgain},
		{"refuses a key for another request", onceReused},
		{"shows what a step writes when it is done", onceVisible},
		{"forgets what a failed step wrote", onceFailed},
		{"forgets what a step wrote that panicked", oncePanicked},
		{"forgets what a step wrote whose context ended", onceCancelled},
		{"takes a step once for many callers", onceConcurrent},
		{"takes a step again after the first failed", onceSecondTry},
		{"takes many steps at once", onceMany},
		{"keeps idempotency keys apart by tenant", onceTenants},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := open(t)
			for _, id := range []string{tenantA, tenantB} {
				must(t, s.PutTenant(t.Context(), service.Tenant{ID: id, Name: "tenant " + id[:1], CreatedAt: start}))
			}
			tt.test(t, s)
		})
	}
}

// The tenants of the suite.
const (
	tenantA = "aaaaaaaa-0000-4000-8000-00000000000a"
	tenantB = "bbbbbbbb-0000-4000-8000-00000000000b"
	nobody  = "cccccccc-0000-4000-8000-00000000000c" // is never made
)

// as is the context of a caller of a tenant.
func as(t *testing.T, tenant string) context.Context {
	return service.WithCaller(t.Context(), service.Caller{Tenant: tenant, Subject: "somebody", Scopes: service.Scopes})
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// got is must for calls that give something.
func got[T any](t *testing.T) func(v T, err error) T {
	return func(v T, err error) T {
		t.Helper()
		must(t, err)
		return v
	}
}

// fails looks whether a call failed for the reason it should.
func fails(t *testing.T, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("%s: the error is %v, want %v", what, err, want)
	}
}

// same compares everything, times as instants.
func same[T any](t *testing.T, what string, have, want T) {
	t.Helper()
	if !reflect.DeepEqual(have, want) {
		t.Errorf("%s:\n%+v\nwant\n%+v", what, have, want)
	}
}

// utc gives times one zone, so that instants compare as values.
func utc(ts ...*time.Time) {
	for _, t := range ts {
		if !t.IsZero() {
			*t = t.UTC()
		}
	}
}

func sha(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// method is a call of one method of the interface.
type method struct {
	name   string
	anyone bool // needs no caller
	call   func(ctx context.Context, s service.FullStore) error
}

var methods = []method{
	{"Put", false, func(ctx context.Context, s service.FullStore) error { return s.Put(ctx, record(1)) }},
	{"Get", false, func(ctx context.Context, s service.FullStore) error { _, err := s.Get(ctx, record(1).ID); return err }},
	{"List", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.List(ctx, service.Filter{Limit: 1})
		return err
	}},
	{"PutFitting", false, func(ctx context.Context, s service.FullStore) error {
		return s.PutFitting(ctx, fitting(1), plan(1))
	}},
	{"AppendFitting", false, func(ctx context.Context, s service.FullStore) error {
		return s.AppendFitting(ctx, fitting(1).ID, proven(1, 2))
	}},
	{"GetFitting", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetFitting(ctx, fitting(1).ID)
		return err
	}},
	{"ListFittings", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.ListFittings(ctx, service.FittingFilter{Limit: 1})
		return err
	}},
	{"Status", true, func(ctx context.Context, s service.FullStore) error { _, err := s.Status(ctx); return err }},
	{"PutTenant", true, func(ctx context.Context, s service.FullStore) error {
		return s.PutTenant(ctx, service.Tenant{ID: tenantA, Name: "A", CreatedAt: start})
	}},
	{"PutKey", false, func(ctx context.Context, s service.FullStore) error { return s.PutKey(ctx, key(1)) }},
	{"FindKey", true, func(ctx context.Context, s service.FullStore) error {
		if _, err := s.FindKey(ctx, "none"); !errors.Is(err, service.ErrNotFound) {
			return err
		}
		return nil
	}},
	{"ListKeys", false, func(ctx context.Context, s service.FullStore) error { _, err := s.ListKeys(ctx); return err }},
	{"RevokeKey", false, func(ctx context.Context, s service.FullStore) error { return s.RevokeKey(ctx, key(1).ID, start) }},
	{"ImportVersions", true, func(ctx context.Context, s service.FullStore) error {
		return s.ImportVersions(ctx, []service.Version{shipped("shipped", 1)})
	}},
	{"PutDraft", false, func(ctx context.Context, s service.FullStore) error { return s.PutDraft(ctx, draft("house", 1), "") }},
	{"Move", false, func(ctx context.Context, s service.FullStore) error {
		return s.Move(ctx, "house", 1, draft("house", 1).ETag(), service.Draft, service.Version{State: service.Approved, ApprovedBy: "second"})
	}},
	{"GetVersion", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetVersion(ctx, "house", 1)
		return err
	}},
	{"ListVersions", false, func(ctx context.Context, s service.FullStore) error { _, err := s.ListVersions(ctx); return err }},
	{"LoadVersions", true, func(ctx context.Context, s service.FullStore) error { _, _, err := s.LoadVersions(ctx); return err }},
	{"WatchVersions", true, func(ctx context.Context, s service.FullStore) error {
		brief, cancel := context.WithTimeout(ctx, 50*time.Millisecond)
		defer cancel()
		if err := s.WatchVersions(brief, func() {}); ctx.Err() != nil || !errors.Is(err, context.DeadlineExceeded) {
			return err
		}
		return nil
	}},
	{"LogSize", false, func(ctx context.Context, s service.FullStore) error { _, err := s.LogSize(ctx); return err }},
	{"LogIndex", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.LogIndex(ctx, record(1).ID)
		return err
	}},
	{"LogNodes", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.LogNodes(ctx, []service.NodeID{{}})
		return err
	}},
	{"LogLeaves", false, func(ctx context.Context, s service.FullStore) error { _, err := s.LogLeaves(ctx, 0, 1); return err }},
	{"PutEntries", false, func(ctx context.Context, s service.FullStore) error {
		return s.PutEntries(ctx, registered(service.EntryPart, "coupling", 1))
	}},
	{"GetEntry", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetEntry(ctx, service.EntryPart, "coupling")
		return err
	}},
	{"GetEntries", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetEntries(ctx, service.EntryPart, "coupling")
		return err
	}},
	{"EntryHistory", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.EntryHistory(ctx, service.EntryPart, "coupling", 0, 1)
		return err
	}},
	{"ListEntries", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.ListEntries(ctx, service.EntryFilter{Kind: service.EntryPart, Limit: 1})
		return err
	}},
	{"FittedHistory", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.FittedHistory(ctx, service.FittedTo{Kind: service.EntryTrailer, ID: "float"}, 1)
		return err
	}},
	{"RegisterTenants", true, func(ctx context.Context, s service.FullStore) error {
		_, err := s.RegisterTenants(ctx)
		return err
	}},
	{"PutWebhook", false, func(ctx context.Context, s service.FullStore) error { return s.PutWebhook(ctx, hook(1, 1)) }},
	{"GetWebhook", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetWebhook(ctx, hook(1, 1).ID)
		return err
	}},
	{"ListWebhooks", false, func(ctx context.Context, s service.FullStore) error { _, err := s.ListWebhooks(ctx); return err }},
	{"PutDelivery", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.PutDelivery(ctx, delivery(1, hook(1, 1).ID))
		return err
	}},
	{"GetDelivery", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetDelivery(ctx, delivery(1, "").ID)
		return err
	}},
	{"ListDeliveries", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.ListDeliveries(ctx, hook(1, 1).ID, nil, 1)
		return err
	}},
	{"NoteAttempt", false, func(ctx context.Context, s service.FullStore) error {
		return s.NoteAttempt(ctx, delivery(1, "").ID, attempt(1), service.DeliveryDelivered)
	}},
	{"DropDeliveries", true, func(ctx context.Context, s service.FullStore) error {
		_, err := s.DropDeliveries(ctx, start, 1)
		return err
	}},
	{"RemoveWebhook", false, func(ctx context.Context, s service.FullStore) error { return s.RemoveWebhook(ctx, hook(1, 1).ID) }},
	{"CreateAudit", false, func(ctx context.Context, s service.FullStore) error { return s.CreateAudit(ctx, audit(1)) }},
	{"PutAuditInput", false, func(ctx context.Context, s service.FullStore) error {
		return s.PutAuditInput(ctx, audit(1).ID, "law", nil)
	}},
	{"GetAuditInput", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetAuditInput(ctx, audit(1).ID, "law")
		return err
	}},
	{"PutAuditChunk", false, func(ctx context.Context, s service.FullStore) error {
		return s.PutAuditChunk(ctx, audit(1).ID, chunk(0))
	}},
	{"GetAuditChunk", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetAuditChunk(ctx, audit(1).ID, 0)
		return err
	}},
	{"StartAudit", false, func(ctx context.Context, s service.FullStore) error {
		return s.StartAudit(ctx, audit(1).ID, 2, 3, start)
	}},
	{"FinishChunk", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.FinishChunk(ctx, audit(1).ID, 0, answer(0), start)
		return err
	}},
	{"EndAudit", false, func(ctx context.Context, s service.FullStore) error {
		return s.EndAudit(ctx, audit(1).ID, service.AuditCancelled, "", start)
	}},
	{"GetAudit", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.GetAudit(ctx, audit(1).ID)
		return err
	}},
	{"ListAudits", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.ListAudits(ctx, nil, 1)
		return err
	}},
	{"ListAuditOutcomes", false, func(ctx context.Context, s service.FullStore) error {
		_, err := s.ListAuditOutcomes(ctx, audit(1).ID, 0, 1, false)
		return err
	}},
	{"DropAudits", true, func(ctx context.Context, s service.FullStore) error {
		_, err := s.DropAudits(ctx, time.Time{}, time.Time{}, 1)
		return err
	}},
	{"Enqueue", true, func(ctx context.Context, s service.FullStore) error {
		return s.Enqueue(ctx, job(service.JobImpact, "x", 0))
	}},
	// Work goes on until the context ends, which is not an error.
	{"Work", true, func(ctx context.Context, s service.FullStore) error {
		brief, cancel := context.WithTimeout(ctx, 50*time.Millisecond)
		defer cancel()
		if err := s.Work(brief, 1, func(context.Context, service.Job) error { return nil }); err != nil {
			return err
		}
		return ctx.Err()
	}},
	{"Backlog", true, func(ctx context.Context, s service.FullStore) error { _, err := s.Backlog(ctx); return err }},
	{"Once", false, func(ctx context.Context, s service.FullStore) error {
		_, _, err := s.Once(ctx, "once", [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			return service.Reply{Status: 201}, s.Put(ctx, record(2))
		})
		return err
	}},
}

// callers: what belongs to somebody is refused to nobody, and what does not
// goes on. In the order of the table every call succeeds for a caller.
func callers(t *testing.T, s service.FullStore) {
	full := reflect.TypeFor[service.FullStore]()
	tried := map[string]bool{}
	for _, m := range methods {
		tried[m.name] = true
	}
	for i := range full.NumMethod() {
		if name := full.Method(i).Name; !tried[name] {
			t.Errorf("%s is not in the table of methods", name)
		}
	}
	for _, m := range methods {
		if m.anyone {
			must(t, named(m, m.call(t.Context(), s)))
			continue
		}
		for name, ctx := range map[string]context.Context{"nobody": t.Context(), "a caller of no tenant": as(t, "")} {
			fails(t, m.name+" by "+name, m.call(ctx, s), service.ErrUnauthenticated)
		}
	}
	// Nothing was done that was refused, so that all can be done now.
	for _, m := range methods {
		must(t, named(m, m.call(as(t, tenantA), s)))
	}
}

func named(m method, err error) error {
	if err != nil {
		return fmt.Errorf("%s: %w", m.name, err)
	}
	return nil
}

func cancelledEverywhere(t *testing.T, s service.FullStore) {
	ctx, cancel := context.WithCancel(as(t, tenantA))
	cancel()
	for _, m := range methods {
		fails(t, m.name, m.call(ctx, s), context.Canceled)
	}
	for _, m := range methods {
		must(t, named(m, m.call(as(t, tenantA), s)))
	}
}
