package postgres_test

import (
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// registered makes a revision of an entry.
func registered(kind service.EntryKind, id string, revision int) service.Entry {
	return service.Entry{
		Kind: kind, ID: id, Revision: revision, WrittenAt: day, WrittenBy: "ann", Since: "2026-11-25", Yard: "Saltmarsh", Document: []byte("{}"),
	}
}

// What was written to the register stays, even for the owner of the tables, and
// heads move by entries alone.
func TestRegisterIsKept(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	owner, conn := connect(t, url), serve(t, url, saltmarsh)
	for revision := range 2 {
		if err := s.PutEntries(home(t), registered(service.EntryTrailer, "float", revision+1)); err != nil {
			t.Fatal(err)
		}
	}
	contents := func() string {
		t.Helper()
		return ask[string](t, owner, `SELECT string_agg(line, E'\n' ORDER BY line) FROM (
			SELECT h::text FROM register_heads h UNION ALL SELECT e::text FROM register_entries e) AS lines (line)`)
	}
	before := contents()
	for _, sql := range []string{
		"INSERT INTO register_heads SELECT tenant_id, kind, 'x', 1, '', '', '', false FROM register_heads",
		"UPDATE register_heads SET revision = revision + 1", "UPDATE register_heads SET removed = true", "DELETE FROM register_heads", "TRUNCATE register_heads CASCADE",
		"UPDATE register_entries SET document = 'x'", "DELETE FROM register_entries", "TRUNCATE register_entries",
		"ALTER TABLE register_entries DISABLE TRIGGER ALL",
	} {
		refused(t, conn, noPrivilege, sql)
	}
	for _, sql := range []string{
		"UPDATE register_heads SET yard = 'Tarn'", "UPDATE register_heads SET revision = 1", "UPDATE register_heads SET revision = 4",
		"UPDATE register_heads SET revision = 3, id = 'x'", "UPDATE register_heads SET revision = 3, tenant_id = gen_random_uuid()", "DELETE FROM register_heads",
		"UPDATE register_entries SET document = 'x'", "UPDATE register_entries SET since = '2020-01-01' WHERE revision = 1", "DELETE FROM register_entries",
	} {
		refused(t, owner, frozen, sql)
	}
	// Revisions that do not follow are left out, whoever writes them.
	const add = `INSERT INTO register_entries SELECT tenant_id, kind, $1, $2, now(), 'ben', since, yard, fitted_kind, fitted_id, note, removed, document
		FROM register_entries WHERE revision = 1`
	exec(t, owner, "SELECT set_config('drawgear.tenant', $1, false)", saltmarsh)
	for _, who := range []*pgx.Conn{conn, owner} {
		for _, e := range []struct {
			id       string
			revision int
		}{{"float", -1}, {"float", 0}, {"float", 1}, {"float", 2}, {"float", 4}, {"none", 0}, {"none", 2}} {
			tag, err := who.Exec(t.Context(), add, e.id, e.revision)
			if err != nil || tag.RowsAffected() != 0 {
				t.Errorf("entry %+v: %v (%v), want none written", e, tag, err)
			}
		}
	}
	if after := contents(); after != before {
		t.Errorf("the register is\n%s\nand was\n%s", after, before)
	}
	// And the next one moves the head.
	exec(t, conn, add, "float", 3)
	if got := ask[int](t, conn, "SELECT revision FROM register_heads"); got != 3 {
		t.Errorf("after its third revision the head is at %d", got)
	}
}

// What no entry can be is refused with nothing written.
func TestOddEntries(t *testing.T) {
	s := fresh(t)
	long := fmt.Sprintf("%065d", 0)
	for name, change := range map[string]func(e *service.Entry){
		"no id":              func(e *service.Entry) { e.ID = "" },
		"long id":            func(e *service.Entry) { e.ID = long },
		"id with a NUL":      func(e *service.Entry) { e.ID = "\x00" },
		"note of odd bytes":  func(e *service.Entry) { e.Note = "\xff" },
		"no kind":            func(e *service.Entry) { e.Kind = "" },
		"another kind":       func(e *service.Entry) { e.Kind = "boats" },
		"no day":             func(e *service.Entry) { e.Since = "" },
		"no day of the year": func(e *service.Entry) { e.Since = "2026-02-29" },
		"for ever":           func(e *service.Entry) { e.Since = "infinity" },
		"fitted to a part":   func(e *service.Entry) { e.FittedTo = service.FittedTo{Kind: service.EntryPart, ID: "x"} },
		"fitted to no id":    func(e *service.Entry) { e.FittedTo = service.FittedTo{Kind: service.EntryTrailer} },
		"a fitted trailer": func(e *service.Entry) {
			e.Kind, e.FittedTo = service.EntryTrailer, service.FittedTo{Kind: service.EntryTrailer, ID: "x"}
		},
	} {
		t.Run(name, func(t *testing.T) {
			good, odd := registered(service.EntryPart, "good", 1), registered(service.EntryPart, "odd", 1)
			change(&odd)
			if err := s.PutEntries(home(t), good, odd); err == nil {
				t.Error("it was written")
			}
			if es, err := s.ListEntries(home(t), service.EntryFilter{Kind: service.EntryPart, Limit: 1}); err != nil || len(es) != 0 {
				t.Errorf("after that there are %d entries (%v)", len(es), err)
			}
		})
	}
	es, err := s.ListEntries(home(t), service.EntryFilter{Kind: service.EntryPart, After: "\x00", Limit: 1})
	if err == nil {
		t.Errorf("a position that no list gives gave %d entries", len(es))
	}
}
