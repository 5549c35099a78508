package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// audited makes an audit of one chunk that is in a state.
func audited(ctx context.Context, t testing.TB, s *postgres.Store, id string, state service.AuditState) {
	t.Helper()
	err := errors.Join(
		s.CreateAudit(ctx, service.AuditRecord{ID: id, CreatedAt: day, CreatedBy: "ann", Ask: []byte("{}")}),
		s.PutAuditInput(ctx, id, "law", []byte("law")),
		s.PutAuditChunk(ctx, id, service.AuditChunk{First: 1, Rows: 1, Input: []byte("row")}),
	)
	if err == nil && state != service.AuditReceiving {
		err = s.StartAudit(ctx, id, 1, 1, day)
	}
	switch state {
	case service.AuditDone:
		_, finished := s.FinishChunk(ctx, id, 0, service.AuditOutcome{Items: []byte("item"), Tally: []byte("{}")}, day)
		err = errors.Join(err, finished)
	case service.AuditCancelled, service.AuditFailed:
		err = errors.Join(err, s.EndAudit(ctx, id, state, "", day))
	}
	if err != nil {
		t.Fatal(err)
	}
}

// What has ended, and what came of a chunk, stays as it is, and what runs is not
// removed: not even by a statement that forgets to ask.
func TestAuditsAreKept(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	states := []service.AuditState{service.AuditReceiving, service.AuditRunning, service.AuditDone, service.AuditCancelled, service.AuditFailed}
	for _, state := range states {
		audited(home(t), t, s, string(state), state)
	}
	owner, conn := connect(t, url), serve(t, url, saltmarsh)
	ids := func(sql string) string {
		t.Helper()
		return ask[string](t, conn, "WITH hit AS ("+sql+" RETURNING *) SELECT coalesce(string_agg(id, ' ' ORDER BY id), '') FROM hit")
	}
	if got := ids("UPDATE audits SET note = 'x'"); got != "receiving running" {
		t.Errorf("the audits %q were changed, want those that have not ended", got)
	}
	if tag, err := conn.Exec(t.Context(), "UPDATE audit_chunks SET tally = 'x', items = 'x'"); err != nil || tag.RowsAffected() != int64(len(states)-1) {
		t.Errorf("%v was changed (%v), want the chunks that were not answered", tag, err)
	}
	if n := ask[int](t, owner, "SELECT count(*) FROM audit_chunks WHERE tally = '{}'"); n != 1 {
		t.Errorf("%d chunks have their answer, want 1", n)
	}
	for _, sql := range []string{
		"INSERT INTO audits SELECT tenant_id, 'x', created_at, created_by, ask, 'done' FROM audits LIMIT 1",
		"INSERT INTO audit_chunks SELECT tenant_id, audit_id, 7, first, rows, input, 'x', 'x' FROM audit_chunks LIMIT 1",
		"ALTER TABLE audits DISABLE ROW LEVEL SECURITY",
	} {
		refused(t, conn, noPrivilege, sql)
	}
	for _, sql := range []string{
		"UPDATE audits SET state = 'done' WHERE id = 'running'", "UPDATE audits SET ended_at = now() WHERE id = 'running'",
		"UPDATE audits SET chunks_done = 2 WHERE id = 'running'", "UPDATE audits SET state = 'odd' WHERE id = 'running'",
		"UPDATE audit_chunks SET tally = NULL",
	} {
		refused(t, owner, brokenCheck, sql)
	}
	// With its inputs and chunks, whatever the setting.
	exec(t, conn, "SELECT set_config('drawgear.expire', 'on', false)")
	if got := ids("DELETE FROM audits"); got != "cancelled done failed receiving" {
		t.Errorf("the audits %q were removed, want those that do not run", got)
	}
	for _, table := range []string{"audit_inputs", "audit_chunks"} {
		if got := ask[string](t, owner, "SELECT string_agg(audit_id, ' ') FROM "+table); got != "running" {
			t.Errorf("%s is left of the audits %q", table, got)
		}
	}
}

// Whoever starts an audit while rows of it come in has all of them that were
// acknowledged.
func TestAuditStartsWhole(t *testing.T) {
	url := pgtest.New(t)
	s, owner, ctx := open(t, postgres.Config{URL: url}), connect(t, url), home(t)
	for round := range 10 {
		id := fmt.Sprint("audit-", round)
		if err := s.CreateAudit(ctx, service.AuditRecord{ID: id, CreatedAt: day}); err != nil {
			t.Fatal(err)
		}
		var wg sync.WaitGroup
		var mu sync.Mutex
		put := 0
		for n := range 8 {
			wg.Go(func() {
				switch err := s.PutAuditChunk(ctx, id, service.AuditChunk{Number: n}); {
				case err == nil:
					mu.Lock()
					put++
					mu.Unlock()
				case !errors.Is(err, service.ErrState):
					t.Errorf("PutAuditChunk: %v", err)
				}
			})
		}
		wg.Go(func() {
			if err := s.StartAudit(ctx, id, 8, 8, day); err != nil {
				t.Errorf("StartAudit: %v", err)
			}
		})
		wg.Wait()
		if n := ask[int](t, owner, "SELECT count(*) FROM audit_chunks WHERE audit_id = $1", id); n != put {
			t.Errorf("%s has %d chunks, and %d were acknowledged", id, n, put)
		}
	}
}
