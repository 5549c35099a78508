package postgres_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"database/sql/driver"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// serve gives a connection that is what the service is to the database, for
// one tenant.
func serve(t testing.TB, url, tenant string) *pgx.Conn {
	t.Helper()
	conn := connect(t, url)
	exec(t, conn, "SET ROLE "+postgres.ServiceRole)
	exec(t, conn, "SELECT set_config('drawgear.tenant', $1, false)", tenant)
	return conn
}

// refused wants a statement to fail with a code.
func refused(t testing.TB, conn *pgx.Conn, code, sql string, args ...any) {
	t.Helper()
	tag, err := conn.Exec(t.Context(), sql, args...)
	var said *pgconn.PgError
	if !errors.As(err, &said) || said.Code != code {
		t.Errorf("%s: %v (%v), want SQLSTATE %s", sql, err, tag, code)
	}
}

const (
	noPrivilege = "42501" // of a grant or of a policy
	frozen      = "23001"
	brokenCheck = "23514"
	ownedBySelf = `SELECT relname FROM pg_class WHERE relkind IN ('r', 'p') AND NOT relispartition AND relnamespace = 'public'::regnamespace
		AND relname <> $1 AND relname NOT LIKE 'river\_%' ORDER BY 1` // the job queue belongs to its library, and to no tenant
	versionInSQL = `INSERT INTO ruleset_versions (tenant_id, ruleset, version, jurisdiction, title, state, document, sha256,
		authored_by, approved_by, published_by, created_at, published_at, reason)
		VALUES ($1, $2, 1, 'AU', 'House', $3, 'x', 'a', 'ann', $4, '', now(), $5, '')`
)

// schema migrates step by step to a version, and describes what is there.
func schema(t *testing.T, url string, version int64) string {
	t.Helper()
	if err := postgres.MigrateTo(t.Context(), url, version); err != nil {
		t.Fatalf("MigrateTo(%d): %v", version, err)
	}
	if has, wants, err := postgres.Version(t.Context(), url); err != nil || has != version || wants != postgres.SchemaVersion() {
		t.Fatalf("Version gave %d of %d (%v), want %d of %d", has, wants, err, version, postgres.SchemaVersion())
	}
	return ask[string](t, connect(t, url), `WITH ours AS (
		SELECT * FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relname NOT LIKE $1 || '%'
	)
	SELECT coalesce(string_agg(line, E'\n' ORDER BY line), '') FROM (
		SELECT concat_ws(' ', relname, relacl, relrowsecurity, relforcerowsecurity) FROM ours
		UNION ALL SELECT concat_ws(' ', relname, attname, format_type(atttypid, atttypmod), attnotnull, attacl)
			FROM pg_attribute JOIN ours ON ours.oid = attrelid WHERE attnum > 0 AND NOT attisdropped
		UNION ALL SELECT concat_ws(' ', relname, pg_get_indexdef(indexrelid)) FROM pg_index JOIN ours ON ours.oid = indrelid
		UNION ALL SELECT concat_ws(' ', relname, pg_get_constraintdef(c.oid)) FROM pg_constraint c JOIN ours ON ours.oid = conrelid
		UNION ALL SELECT concat_ws(' ', relname, pg_get_triggerdef(g.oid)) FROM pg_trigger g JOIN ours ON ours.oid = tgrelid WHERE NOT tgisinternal
		UNION ALL SELECT concat_ws(' ', pg_get_functiondef(oid), proacl) FROM pg_proc WHERE pronamespace = 'public'::regnamespace
		UNION ALL SELECT p::text FROM pg_policies p
	) AS lines (line)`, postgres.SchemaTable)
}

func TestMigrateForwardBackForward(t *testing.T) {
	url := pgtest.Empty(t)
	last := postgres.SchemaVersion()
	if last < 4 {
		t.Fatalf("there are %d migrations, want those that were here at first", last)
	}
	at := map[int64]string{}
	for v := range last + 1 {
		at[v] = schema(t, url, v)
		if v > 0 && at[v] == at[v-1] {
			t.Errorf("migration %d changes nothing", v)
		}
	}
	for v := last; v >= 0; v-- {
		if got := schema(t, url, v); got != at[v] {
			t.Errorf("back at version %d the schema is\n%s\nwhen it was\n%s", v, got, at[v])
		}
	}
	if got := schema(t, url, last); got != at[last] {
		t.Errorf("the second time the schema is\n%s\nwhen it was\n%s", got, at[last])
	}
}

func TestMigrateAtOnce(t *testing.T) {
	url := pgtest.Empty(t)
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			if err := postgres.Migrate(t.Context(), url); err != nil {
				t.Errorf("Migrate: %v", err)
			}
		})
	}
	wg.Wait()
	conn := connect(t, url)
	if n := ask[int64](t, conn, "SELECT count(*) FROM "+postgres.SchemaTable+" WHERE version_id > 0"); n != postgres.SchemaVersion() {
		t.Errorf("%d migrations are noted, want %d", n, postgres.SchemaVersion())
	}
	put(home(t), t, open(t, postgres.Config{URL: url}), record("A", day))
}

func TestReadyOnlyWithItsSchema(t *testing.T) {
	url := pgtest.Empty(t)
	s := open(t, postgres.Config{URL: url})
	ready := func(want bool, parts ...string) {
		t.Helper()
		st, err := s.Status(t.Context())
		if err != nil || st.Kind != "postgres" || !st.Durable || st.Available != want {
			t.Errorf("status is %+v (%v), want available %v", st, err, want)
		}
		for _, p := range parts {
			if !strings.Contains(st.Note, p) {
				t.Errorf("the note is %q, want it to say %q", st.Note, p)
			}
		}
	}
	wants := fmt.Sprintf("wants %d", postgres.SchemaVersion())
	ready(false, "migrate the database")
	if err := postgres.MigrateTo(t.Context(), url, 1); err != nil {
		t.Fatal(err)
	}
	ready(false, "version 1", wants, "migrate the database")
	if err := postgres.Migrate(t.Context(), url); err != nil {
		t.Fatal(err)
	}
	ready(true)
	exec(t, connect(t, url), "INSERT INTO "+postgres.SchemaTable+" (version_id, is_applied) VALUES (99, true)")
	ready(false, "version 99", wants, "newer program")
	if err := postgres.Migrate(t.Context(), url); err == nil || !strings.Contains(err.Error(), "newer program") {
		t.Errorf("a newer schema was migrated (%v)", err)
	}
}

// login makes a login that goes with the test, and gives the address of a
// database under it.
func login(t *testing.T, owner *pgx.Conn, url string) (name, address string) {
	t.Helper()
	name = "yard_" + strings.ToLower(rand.Text())
	exec(t, owner, "CREATE ROLE "+name+" LOGIN PASSWORD 'float'")
	t.Cleanup(func() {
		for _, sql := range []string{"REASSIGN OWNED BY " + name + " TO CURRENT_USER", "DROP OWNED BY " + name, "DROP ROLE " + name} {
			if _, err := owner.Exec(context.WithoutCancel(t.Context()), sql); err != nil {
				t.Errorf("%s: %v", sql, err)
			}
		}
	})
	config, err := pgx.ParseConfig(url)
	if err != nil {
		t.Fatal(err)
	}
	return name, fmt.Sprintf("user=%s password=float host=%s port=%d dbname=%s", name, config.Host, config.Port, config.Database)
}

// A login that may do no more than the service needs, as in a well run house.
func TestLoginOfTheService(t *testing.T) {
	url := pgtest.New(t)
	owner := connect(t, url)
	name, address := login(t, owner, url)
	stranger := open(t, postgres.Config{URL: address})
	if st, err := stranger.Status(t.Context()); err != nil || st.Available || !strings.Contains(st.Note, "grant "+postgres.ServiceRole) {
		t.Errorf("without the grant the status is %+v (%v), want a note of the grant", st, err)
	}
	if err := stranger.Put(home(t), record("A", day)); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("without the grant Put failed with %v, want ErrUnavailable", err)
	}
	stranger.Close()
	exec(t, owner, "GRANT "+postgres.ServiceRole+" TO "+name)
	s := open(t, postgres.Config{URL: address})
	put(home(t), t, s, record("A", day))
	if _, err := s.MakePartitions(t.Context(), 8); err != nil {
		t.Errorf("MakePartitions: %v", err)
	}
	if st, err := s.Status(t.Context()); err != nil || !st.Available {
		t.Errorf("with the grant the status is %+v (%v)", st, err)
	}
	s.Close()
}

// A store that is opened with a powerful login works without its powers, which
// no policy binds.
func TestRoleIsTakenOn(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	put(home(t), t, s, record("A", day))
	exec(t, connect(t, url), "REVOKE INSERT ON assessments FROM "+postgres.ServiceRole)
	if err := s.Put(home(t), record("B", day)); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("without the grant of its role, Put gave %v", err)
	}
}

// One login without any power beyond its own database migrates and serves.
func TestOwnerIsNoSuperuser(t *testing.T) {
	pgtest.New(t) // its migrations have made the role
	url := pgtest.Empty(t)
	super := connect(t, url)
	name, address := login(t, super, url)
	exec(t, super, "GRANT "+postgres.ServiceRole+" TO "+name)
	exec(t, super, "ALTER DATABASE "+super.Config().Database+" OWNER TO "+name)
	for _, version := range []int64{postgres.SchemaVersion(), 0, postgres.SchemaVersion()} {
		if err := postgres.MigrateTo(t.Context(), address, version); err != nil {
			t.Fatalf("MigrateTo(%d): %v", version, err)
		}
	}
	s := open(t, postgres.Config{URL: address})
	put(home(t), t, s, record("A", day), record("B", time.Date(2020, 5, 1, 0, 0, 0, 0, time.UTC)))
	if made, err := s.MakePartitions(t.Context(), 3); err != nil || len(made) != 1 {
		t.Errorf("MakePartitions made %v (%v), want that of B", made, err)
	}
	if _, err := s.Get(home(t), "B"); err != nil {
		t.Errorf("Get: %v", err)
	}
	s.Close()
	// FORCE: not even the owner of the tables sees what is no tenant's.
	owner := connect(t, address)
	if n := ask[int](t, owner, "SELECT count(*) FROM assessments"); n != 0 {
		t.Errorf("the owner sees %d records without a tenant", n)
	}
	if err := owner.Close(t.Context()); err != nil {
		t.Error(err)
	}
}

// Row-level security alone: statements that forget whose rows they want.
func TestForgottenWhere(t *testing.T) {
	url := pgtest.New(t)
	s, owner := open(t, postgres.Config{URL: url}), connect(t, url)
	fill := func(ctx context.Context, name string) {
		whole := record(name, day)
		whole.Answer = bytes.Repeat(whole.Answer, 100) // so that it is packed, and has a base
		put(ctx, t, s, whole)
		if err := s.PutKey(ctx, service.Key{ID: name, Name: name, Scopes: service.Scopes, CreatedAt: day}); err != nil {
			t.Fatal(err)
		}
		if err := s.PutDraft(ctx, service.Version{Ruleset: name, Number: 1, SHA256: "a", AuthoredBy: "ann", CreatedAt: day}, ""); err != nil {
			t.Fatal(err)
		}
		if _, _, err := s.Once(ctx, name, [32]byte{}, func(context.Context, service.FullStore) (service.Reply, error) {
			return service.Reply{Status: 201}, nil
		}); err != nil {
			t.Fatal(err)
		}
		if err := s.PutFitting(ctx, fitting(name), entry(1, service.FittingPlanned)); err != nil {
			t.Fatal(err)
		}
		if err := s.PutEntries(ctx, registered(service.EntryPairing, name, 1)); err != nil {
			t.Fatal(err)
		}
		if err := s.PutWebhook(ctx, webhook(name)); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(s.CreateAudit(ctx, service.AuditRecord{ID: name, CreatedAt: day}), s.PutAuditInput(ctx, name, "law", nil),
			s.PutAuditChunk(ctx, name, service.AuditChunk{})); err != nil {
			t.Fatal(err)
		}
		if _, err := s.PutDelivery(ctx, delivery(name, name)); err != nil {
			t.Fatal(err)
		}
		if err := s.NoteAttempt(ctx, name, service.Attempt{}, service.DeliveryFailed); err != nil {
			t.Fatal(err)
		}
		tenant, err := service.TenantOf(ctx)
		if err != nil {
			t.Fatal(err)
		}
		exec(t, serve(t, url, tenant), "INSERT INTO log_heads VALUES ($1, 1, sha256('x'), now(), 'k', 'x')", tenant)
	}
	makeTarn(t, s)
	fill(home(t), "saltmarsh")
	fill(as(t.Context(), tarn), "tarn")

	rows, err := owner.Query(t.Context(), ownedBySelf, postgres.SchemaTable)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(tables) < 8 {
		t.Fatalf("tables are %v (%v)", tables, err)
	}
	a, nobody := serve(t, url, saltmarsh), serve(t, url, "")
	for _, table := range tables {
		column := "tenant_id"
		if table == "tenants" {
			column = "id"
		}
		// The owner is a superuser here, whom no policy binds.
		if n := ask[int](t, owner, "SELECT count(DISTINCT "+column+") FROM "+table); n != 2 {
			t.Errorf("%s holds rows of %d tenants: the test shows nothing", table, n)
		}
		want := 1
		if table == "log_entries" { // the assessment and the fitting
			want = 2
		}
		if n := ask[int](t, a, "SELECT count(*) FROM "+table+" WHERE "+column+" IS NOT NULL"); n != want {
			t.Errorf("Saltmarsh Yard sees %d rows of %s, want its %d", n, table, want)
		}
		if n := ask[int](t, a, "SELECT count(*) FROM "+table+" WHERE "+column+" = $1", tarn); n != 0 {
			t.Errorf("Saltmarsh Yard sees %d rows of Tarn Valley in %s", n, table)
		}
		if n := ask[int](t, nobody, "SELECT count(*) FROM "+table+" WHERE "+column+" IS NOT NULL"); n != 0 {
			t.Errorf("without a tenant %d rows of %s are seen", n, table)
		}
		// FORCE: the policies hold for the owner of a table that is no superuser.
		if !ask[bool](t, owner, "SELECT relrowsecurity AND relforcerowsecurity FROM pg_class WHERE oid = $1::text::regclass", table) {
			t.Errorf("%s has no forced row-level security", table)
		}
	}
	// Nothing can be written into another's name.
	for _, sql := range []string{
		"INSERT INTO assessments SELECT $1, 'x', created_at, jurisdiction, as_of, known_at, verdict, answer_sha256, rig, answer, engine FROM assessments",
		"INSERT INTO log_entries SELECT $1, 7, hashes, 'x', created_at FROM log_entries",
		"INSERT INTO log_tails VALUES ($1, 1) ON CONFLICT (tenant_id) DO UPDATE SET size = 9",
		"INSERT INTO log_heads VALUES ($1, 2, sha256('x'), now(), 'k', 'x')",
		"INSERT INTO api_keys SELECT 'x', $1, name, secret_sha256, scopes FROM api_keys",
		"INSERT INTO idempotency_keys VALUES ($1, 'x', sha256('x'), 200, '', '', '')",
		"INSERT INTO fittings VALUES ($1, 'x', now(), 'AU', '2026-11-25', '', 'planned', 0)",
		"INSERT INTO audits SELECT $1, 'x', created_at, created_by, ask, state FROM audits",
		"INSERT INTO audit_inputs VALUES ($1, 'tarn', 'x', '')",
		"INSERT INTO audit_chunks VALUES ($1, 'tarn', 1, 1, 1, '')",
		"INSERT INTO webhooks SELECT $1, 'x', revision, created_at, created_by, url, events, paused, note, generation, rotated_at FROM webhooks",
		"INSERT INTO deliveries SELECT $1, 'x', 'tarn', 'x', type, created_at, body, state, replay_of, attempts FROM deliveries",
		"INSERT INTO tenants VALUES (gen_random_uuid(), $1::uuid::text)",
	} {
		refused(t, a, noPrivilege, sql, tarn)
	}
	tag, err := a.Exec(t.Context(), "INSERT INTO fitting_entries VALUES ($1, 'tarn', 2, now(), 'ann', 'proven', 'x', '', '')", tarn)
	if err != nil || tag.RowsAffected() != 0 || ask[int](t, owner, "SELECT revision FROM fittings WHERE id = 'tarn'") != 1 {
		t.Errorf("Saltmarsh Yard wrote to a fitting of Tarn Valley: %v (%v)", tag, err)
	}
	tag, err = a.Exec(t.Context(), "INSERT INTO register_entries SELECT $1, kind, 'tarn', 2, written_at, written_by, since, yard, fitted_kind, fitted_id, note, removed, document FROM register_entries", tarn)
	if err != nil || tag.RowsAffected() != 0 || ask[int](t, owner, "SELECT revision FROM register_heads WHERE id = 'tarn'") != 1 {
		t.Errorf("Saltmarsh Yard wrote into the register of Tarn Valley: %v (%v)", tag, err)
	}
	refused(t, a, noPrivilege, versionInSQL, tarn, "x", "draft", "", nil)
	refused(t, a, noPrivilege, versionInSQL, nil, "x", "published", "", day) // shipped
	// One key can be found by its id, whosever it is, and no more than that.
	exec(t, nobody, "SELECT set_config('drawgear.key', 'tarn', false)")
	if n := ask[int](t, nobody, "SELECT count(*) FROM api_keys"); n != 1 {
		t.Errorf("who asks for one key sees %d", n)
	}
	// Expiry sees what is no longer to be sent, and changes none of it.
	exec(t, nobody, "SELECT set_config('drawgear.expire', 'on', false)")
	if n := ask[int](t, nobody, "SELECT count(*) FROM deliveries"); n != 2 {
		t.Errorf("expiry sees %d deliveries, want 2", n)
	}
	refused(t, nobody, noPrivilege, "UPDATE deliveries SET state = 'pending'")
	if audits, chunks := ask[int](t, nobody, "SELECT count(*) FROM audits"), ask[int](t, nobody, "SELECT count(*) FROM audit_chunks"); audits != 2 || chunks != 0 {
		t.Errorf("expiry sees %d audits and %d chunks, want 2 and 0", audits, chunks)
	}
	refused(t, nobody, noPrivilege, "UPDATE audits SET note = 'x'")
	// Whose pairings there are can be looked up among all, and nothing of them.
	exec(t, nobody, "SELECT set_config('drawgear.paired', 'on', false)")
	if heads, entries := ask[int](t, nobody, "SELECT count(*) FROM register_heads"), ask[int](t, nobody, "SELECT count(*) FROM register_entries"); heads != 2 || entries != 0 {
		t.Errorf("who looks for pairings sees %d heads and %d entries, want 2 and 0", heads, entries)
	}
}

// The service's role can add to the record, and that is all.
func TestNothingIsChanged(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	put(home(t), t, s, record("A", day))
	if err := s.PutKey(home(t), service.Key{ID: "k", CreatedAt: day}); err != nil {
		t.Fatal(err)
	}
	conn := serve(t, url, saltmarsh)
	for _, sql := range []string{
		"UPDATE assessments SET verdict = 'non_compliant'", "DELETE FROM assessments", "TRUNCATE assessments",
		"SELECT * FROM assessments_default", "INSERT INTO assessments_default SELECT * FROM assessments",
		"UPDATE log_entries SET seq = 5", "DELETE FROM log_entries", "TRUNCATE log_entries",
		"UPDATE log_heads SET size = 5", "DELETE FROM log_heads",
		"DELETE FROM log_tails", "UPDATE log_tails SET tenant_id = tenant_id",
		"DELETE FROM ruleset_versions", "UPDATE ruleset_versions SET version = 2",
		"TRUNCATE idempotency_keys", "UPDATE idempotency_keys SET status = 500",
		"DELETE FROM api_keys", "UPDATE api_keys SET scopes = '{admin}'", "UPDATE api_keys SET expires_at = NULL",
		"TRUNCATE audits CASCADE", "UPDATE audits SET ask = 'x'", "UPDATE audits SET created_at = now()", "UPDATE audit_inputs SET name = 'x'", "DELETE FROM audit_inputs",
		"UPDATE audit_chunks SET input = 'x'", "UPDATE audit_chunks SET rows = 9", "DELETE FROM audit_chunks",
		"TRUNCATE deliveries", "UPDATE deliveries SET body = 'x'", "UPDATE deliveries SET webhook_id = 'x'", "UPDATE webhooks SET tenant_id = tenant_id",
		"UPDATE tenants SET name = 'x'", "DELETE FROM tenants",
		"UPDATE drawgear_schema SET is_applied = false", "ALTER TABLE assessments DISABLE ROW LEVEL SECURITY",
		"CREATE TABLE x ()",
	} {
		refused(t, conn, noPrivilege, sql)
	}
	// Nobody else can do anything at all.
	exec(t, conn, "RESET ROLE")
	if n := ask[int](t, conn, "SELECT count(*) FROM information_schema.role_table_grants WHERE table_schema = 'public' AND grantee = 'PUBLIC'"); n != 0 {
		t.Errorf("everybody has %d grants", n)
	}
}

// fitting and entry make what is written to a fitting.
func fitting(id string) service.FittingSummary {
	return service.FittingSummary{ID: id, CreatedAt: day, Jurisdiction: "AU-NSW", AsOf: "2026-11-25", State: service.FittingPlanned}
}

func entry(revision int, state service.FittingState) service.FittingEntry {
	return service.FittingEntry{Revision: revision, At: day, By: "ann", State: state, Engine: "test", Given: []byte("{}"), Made: []byte("{}")}
}

// What was written to a fitting stays, and nothing is written after the
// signature, even by the owner of the tables.
func TestFittingsAreKept(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	owner, conn := connect(t, url), serve(t, url, saltmarsh)
	for _, id := range []string{"planned", "signed"} {
		if err := s.PutFitting(home(t), fitting(id), entry(1, service.FittingPlanned)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.AppendFitting(home(t), "signed", entry(2, service.FittingSigned)); err != nil {
		t.Fatal(err)
	}
	contents := func() string {
		t.Helper()
		return ask[string](t, owner, `SELECT string_agg(line, E'\n' ORDER BY line) FROM (
			SELECT f::text FROM fittings f UNION ALL SELECT e::text FROM fitting_entries e) AS lines (line)`)
	}
	before := contents()
	for _, sql := range []string{
		"UPDATE fittings SET state = 'signed'", "UPDATE fittings SET revision = revision + 1", "UPDATE fittings SET as_of = '2026-11-26'",
		"DELETE FROM fittings", "TRUNCATE fittings CASCADE",
		"UPDATE fitting_entries SET given = 'x'", "UPDATE fitting_entries SET state = 'proven'", "DELETE FROM fitting_entries", "TRUNCATE fitting_entries",
		"INSERT INTO fittings SELECT tenant_id, 'x', created_at, jurisdiction, as_of, assessment_id, 'signed', 0 FROM fittings LIMIT 1",
		"INSERT INTO fittings SELECT tenant_id, 'x', created_at, jurisdiction, as_of, assessment_id, 'planned', 4 FROM fittings LIMIT 1",
		"ALTER TABLE fitting_entries DISABLE TRIGGER ALL",
	} {
		refused(t, conn, noPrivilege, sql)
	}
	for _, sql := range []string{
		"UPDATE fittings SET state = 'planned' WHERE id = 'signed'", "UPDATE fittings SET revision = revision + 1 WHERE id = 'signed'",
		"UPDATE fittings SET revision = 7 WHERE id = 'planned'", "UPDATE fittings SET state = 'proven' WHERE id = 'planned'",
		"UPDATE fittings SET revision = revision + 1, created_at = now() WHERE id = 'planned'", "UPDATE fittings SET tenant_id = gen_random_uuid(), revision = 2 WHERE id = 'planned'",
		"DELETE FROM fittings WHERE id = 'planned'", "DELETE FROM fitting_entries",
		"UPDATE fitting_entries SET given = 'x'", "UPDATE fitting_entries SET written_by = 'ben' WHERE fitting_id = 'planned'",
	} {
		refused(t, owner, frozen, sql)
	}
	// Entries that do not follow are left out, whoever writes them.
	const add = "INSERT INTO fitting_entries SELECT tenant_id, $1, $2, now(), 'ben', $3, engine, given, made FROM fitting_entries LIMIT 1"
	exec(t, owner, "SELECT set_config('drawgear.tenant', $1, false)", saltmarsh)
	for _, who := range []*pgx.Conn{conn, owner} {
		for _, e := range []struct {
			id       string
			revision int
			state    string
		}{
			{"signed", 1, "planned"},
			{"signed", 2, "proven"},
			{"signed", 3, "proven"},
			{"signed", 3, "signed"},
			{"planned", 1, "planned"},
			{"planned", 3, "proven"},
			{"none", 1, "planned"},
		} {
			tag, err := who.Exec(t.Context(), add, e.id, e.revision, e.state)
			if err != nil || tag.RowsAffected() != 0 {
				t.Errorf("entry %+v: %v (%v), want none written", e, tag, err)
			}
		}
		refused(t, who, brokenCheck, add, "planned", 2, "approved")
	}
	if after := contents(); after != before {
		t.Errorf("the fittings are\n%s\nand were\n%s", after, before)
	}
	// And the next one moves the fitting.
	exec(t, conn, add, "planned", 2, "proven")
	if got := ask[string](t, conn, "SELECT state || revision FROM fittings WHERE id = 'planned'"); got != "proven2" {
		t.Errorf("after its second entry the fitting is %s", got)
	}
}

// A schema that knows no fittings has keys without their scope.
func TestBackBeforeFittings(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	if err := s.PutKey(home(t), service.Key{ID: "all", Scopes: service.Scopes, CreatedAt: day}); err != nil {
		t.Fatal(err)
	}
	if err := postgres.MigrateTo(t.Context(), url, 5); err != nil {
		t.Fatal(err)
	}
	if got := ask[string](t, connect(t, url), "SELECT array_to_string(scopes, ' ') FROM api_keys"); got != "assess read audit author approve admin" {
		t.Errorf("the key has the scopes %s", got)
	}
}

// What was published stays as it was, even for the owner of the table.
func TestVersionsAreKept(t *testing.T) {
	url := pgtest.New(t)
	owner, conn := connect(t, url), serve(t, url, saltmarsh)
	exec(t, conn, versionInSQL, saltmarsh, "a", "approved", "ben", nil)
	for _, sql := range []string{
		"UPDATE ruleset_versions SET document = 'y'", "UPDATE ruleset_versions SET sha256 = 'b'",
		"UPDATE ruleset_versions SET state = 'draft', approved_by = ''", "UPDATE ruleset_versions SET approved_by = 'cid'",
		"UPDATE ruleset_versions SET state = 'withdrawn'", "UPDATE ruleset_versions SET state = 'published', document = 'y'",
	} {
		refused(t, conn, frozen, sql)
	}
	exec(t, conn, "UPDATE ruleset_versions SET state = 'published', published_by = 'ben', published_at = now()")
	for _, sql := range []string{
		"UPDATE ruleset_versions SET document = 'y'", "UPDATE ruleset_versions SET title = 'y'", "UPDATE ruleset_versions SET published_at = now() - interval '1 day'",
		"UPDATE ruleset_versions SET state = 'withdrawn', document = 'y'", "UPDATE ruleset_versions SET state = 'approved'",
	} {
		refused(t, conn, frozen, sql)
		refused(t, owner, frozen, sql)
	}
	refused(t, owner, frozen, "DELETE FROM ruleset_versions")
	exec(t, conn, "UPDATE ruleset_versions SET state = 'withdrawn', withdrawn_at = now(), reason = 'a typing error'")
	refused(t, owner, frozen, "UPDATE ruleset_versions SET reason = 'none'")
	refused(t, owner, frozen, "UPDATE ruleset_versions SET state = 'published'")
	refused(t, owner, frozen, "DELETE FROM ruleset_versions")

	refused(t, conn, brokenCheck, versionInSQL, saltmarsh, "b", "approved", "ann", nil) // by its own author
	refused(t, conn, brokenCheck, versionInSQL, saltmarsh, "b", "published", "", day)   // by nobody
	refused(t, conn, brokenCheck, versionInSQL, saltmarsh, "b", "draft", "", day)       // published before its time
}

func TestScopesOfKeys(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	if err := s.PutKey(home(t), service.Key{ID: "all", Scopes: service.Scopes, CreatedAt: day}); err != nil {
		t.Errorf("a key with every scope of the service: %v", err)
	}
	if err := s.PutKey(home(t), service.Key{ID: "odd", Scopes: []service.Scope{"everything"}, CreatedAt: day}); err == nil {
		t.Error("a scope that the service does not know was kept")
	}
}

// What a call may see must not be what the next on its connection may see.
func TestSettingsEndWithTheCall(t *testing.T) {
	url := pgtest.New(t)
	conn := serve(t, url, "")
	for setting, statement := range map[string]string{"tenant": "setTenant", "key": "setKey", "snapshot": "setSnapshot", "expire": "setExpire", "paired": "setPaired"} {
		var args []any
		if strings.Contains(postgres.Statements[statement], "$1") {
			args = append(args, tarn)
		}
		var b pgx.Batch
		var during string
		b.Queue(postgres.Statements[statement], args...)
		b.Queue("SELECT current_setting('drawgear.' || $1)", setting).QueryRow(func(row pgx.Row) error { return row.Scan(&during) })
		if err := conn.SendBatch(t.Context(), &b).Close(); err != nil {
			t.Fatal(err)
		}
		if after := ask[string](t, conn, "SELECT current_setting('drawgear.' || $1)", setting); during == "" || after != "" {
			t.Errorf("%s is %q during the call and %q after it", setting, during, after)
		}
	}
	// The same through the store, on a single connection.
	s := open(t, postgres.Config{URL: url, Connections: 1})
	put(home(t), t, s, record("A", day))
	valley := makeTarn(t, s)
	if _, err := s.Get(valley, "A"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("Get for the other tenant: %v, want ErrNotFound", err)
	}
	if _, err := s.Get(t.Context(), "A"); !errors.Is(err, service.ErrUnauthenticated) {
		t.Errorf("Get for nobody: %v, want ErrUnauthenticated", err)
	}
}

var startsLikeSQL = regexp.MustCompile(`(?i)^\s*(SELECT|INSERT|UPDATE|DELETE|WITH|LISTEN|LOCK|SET)\s`)

// TestStatements prepares every statement as the service, and sees to it that
// it is every one.
func TestStatements(t *testing.T) {
	fset := token.NewFileSet()
	files, err := fs.Glob(os.DirFS("."), "*.go")
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(fset, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.ValueSpec:
				if name != "sql.go" || strings.HasSuffix(n.Names[0].Name, "Columns") {
					return true
				}
				for _, id := range n.Names {
					named[id.Name] = true
				}
				return false
			case *ast.BasicLit:
				if name != "sql.go" && n.Kind == token.STRING && startsLikeSQL.MatchString(strings.Trim(n.Value, "`\"")) {
					t.Errorf("%s: a statement outside sql.go: %s", fset.Position(n.Pos()), n.Value)
				}
			}
			return true
		})
	}
	delete(named, "q") // the builder within list
	for name := range named {
		if _, listed := postgres.Statements[name]; !listed {
			t.Errorf("the statement %s is not in Statements of export_test.go", name)
		}
	}
	if len(named) < 30 || len(named) != len(postgres.Statements) {
		t.Errorf("sql.go names %d statements and %d are listed", len(named), len(postgres.Statements))
	}

	conn := serve(t, pgtest.New(t), saltmarsh)
	prepare := func(name, sql string) {
		t.Helper()
		if strings.HasPrefix(sql, "LISTEN") { // cannot be prepared
			exec(t, conn, sql)
			return
		}
		if _, err := conn.Prepare(t.Context(), name, sql); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, sql := range postgres.Statements {
		prepare(name, sql)
	}
	for i := range 4 {
		sql, args := postgres.ListFittings(saltmarsh, fittingFilter(i))
		prepare(fmt.Sprint("fittings", i), sql)
		if got := strings.Count(sql, "$"); got != len(args) {
			t.Errorf("%s has %d parameters and %d arguments", sql, got, len(args))
		}
	}
	for i := range 8 {
		sql, args := postgres.ListEntries(saltmarsh, entryFilter(i))
		prepare(fmt.Sprint("entries", i), sql)
		if got := strings.Count(sql, "$"); got != len(args) {
			t.Errorf("%s has %d parameters and %d arguments", sql, got, len(args))
		}
	}
	for i := range 8 {
		sql, args := postgres.List(saltmarsh, filter(i))
		prepare(fmt.Sprint("list", i), sql)
		if got := strings.Count(sql, "$"); got != len(args) {
			t.Errorf("%s has %d parameters and %d arguments", sql, got, len(args))
		}
	}
}

// filter makes the eight kinds of filter.
func filter(i int) service.Filter {
	f := service.Filter{Limit: 21}
	if i&1 != 0 {
		f.Jurisdiction = "AU-NSW"
	}
	if i&2 != 0 {
		f.Verdict = "compliant"
	}
	if i&4 != 0 {
		f.After = &service.Position{CreatedAt: day.Add(-time.Hour), ID: "M"}
	}
	return f
}

// fittingFilter makes the four kinds of filter of fittings.
func fittingFilter(i int) service.FittingFilter {
	f := service.FittingFilter{Limit: 21}
	if i&1 != 0 {
		f.State = service.FittingOpen
	}
	if i&2 != 0 {
		f.After = &service.Position{CreatedAt: day.Add(-time.Hour), ID: "M"}
	}
	return f
}

// entryFilter makes the eight kinds of filter of the register.
func entryFilter(i int) service.EntryFilter {
	f := service.EntryFilter{Kind: service.EntryPart, After: "R000000500", Limit: 21, Removed: i&4 != 0}
	if i&1 != 0 {
		f.Yard = "yard 1"
	}
	if i&2 != 0 {
		f.FittedTo = service.FittedTo{Kind: service.EntryTrailer, ID: "float-1"}
	}
	return f
}

// many writes rows of two tenants over months without going through the store.
func many(t testing.TB, url string, rows int) {
	t.Helper()
	s := open(t, postgres.Config{URL: url})
	makeTarn(t, s)
	owner := connect(t, url)
	exec(t, owner, `INSERT INTO assessments (tenant_id, id, created_at, jurisdiction, as_of, verdict, answer_sha256, rig, answer, engine)
		SELECT CASE n % 2 WHEN 0 THEN $2::uuid ELSE $3::uuid END, 'R' || lpad(n::text, 9, '0'), $4::timestamptz - n * interval '1 hour' / ($1 / 5000 + 1),
			(ARRAY['AU-NSW', 'AU-VIC', 'GB', 'NZ', 'DE'])[1 + n / 2 % 5], '2026-11-25', (ARRAY['compliant', 'non_compliant', 'undetermined'])[1 + n / 2 % 3],
			sha256('x'), convert_to(repeat('{"axles":"2200 kg"}', 40), 'UTF8'), convert_to(repeat(md5(n::text), 200), 'UTF8'), 'test'
		FROM generate_series(1, $1) n`, rows, saltmarsh, tarn, day)
	exec(t, owner, `INSERT INTO fittings SELECT tenant_id, id, created_at, jurisdiction, as_of, '', (ARRAY['planned', 'open', 'proven', 'signed'])[1 + ascii(right(id, 1)) / 2 % 4], 0 FROM assessments`)
	exec(t, owner, `INSERT INTO log_entries SELECT tenant_id, row_number() OVER (PARTITION BY tenant_id ORDER BY created_at) - 1, ARRAY[sha256('x')], id, created_at FROM assessments`)
	exec(t, owner, `INSERT INTO log_tails SELECT tenant_id, count(*) FROM log_entries GROUP BY 1`)
	if _, err := s.MakePartitions(t.Context(), 3); err != nil {
		t.Fatal(err)
	}
	// A quarter of each kind, in fifty yards; of the parts every fourth in stock, the
	// others fitted to one of a hundred trailers.
	exec(t, owner, `INSERT INTO register_heads SELECT tenant_id, (ARRAY['vehicles', 'trailers', 'parts', 'pairings'])[1 + n / 2 % 4], id, 1, 'yard ' || n / 8 % 50,
			CASE WHEN n / 2 % 4 = 2 AND n / 8 % 4 > 0 THEN 'trailers' ELSE '' END, CASE WHEN n / 2 % 4 = 2 AND n / 8 % 4 > 0 THEN 'float-' || n / 8 % 100 ELSE '' END, n / 8 % 10 = 0
		FROM (SELECT tenant_id, id, right(id, 9)::integer AS n FROM assessments) AS a`)
	exec(t, owner, "ALTER TABLE register_entries DISABLE TRIGGER move_register")
	exec(t, owner, `INSERT INTO register_entries SELECT tenant_id, kind, id, 1, now(), 'ann', '2026-11-25', yard, fitted_kind, fitted_id, '', removed, '{}' FROM register_heads`)
	exec(t, owner, "ALTER TABLE register_entries ENABLE TRIGGER move_register")
	// Ten webhooks a tenant, and every fourth delivery still to be sent.
	exec(t, owner, `INSERT INTO webhooks SELECT tenant_id, 'hook-' || n, 1, now(), 'ann', 'https://yard.example', '{audit.ended}', false, '', 1, now()
		FROM (SELECT DISTINCT tenant_id FROM assessments) AS t, generate_series(0, 9) n`)
	exec(t, owner, `INSERT INTO deliveries SELECT tenant_id, id, 'hook-' || n / 8 % 10, id, 'audit.ended', created_at, '{}', CASE n / 2 % 4 WHEN 0 THEN 'pending' ELSE 'delivered' END, '', '{}'
		FROM (SELECT tenant_id, id, created_at, right(id, 9)::integer AS n FROM assessments) AS a`)
	// Every fourth audit is receiving; one of each tenant has many chunks, three of four answered.
	exec(t, owner, `INSERT INTO audits SELECT tenant_id, id, created_at, 'ann', '{}', CASE n / 2 % 4 WHEN 0 THEN 'receiving' ELSE 'done' END, 0, 0, 0, 0, NULL,
			CASE WHEN n / 2 % 4 > 0 THEN created_at END, ''
		FROM (SELECT tenant_id, id, created_at, right(id, 9)::integer AS n FROM assessments) AS a`)
	exec(t, owner, `INSERT INTO audit_chunks SELECT tenant_id, id, n, 10 * n + 1, 10, 'x', CASE WHEN n % 4 > 0 THEN 'x'::bytea END, CASE WHEN n % 4 > 0 THEN 'x'::bytea END
		FROM (SELECT tenant_id, min(id) AS id FROM audits GROUP BY 1) AS a, generate_series(0, $1 / 4) n`, rows)
	exec(t, owner, "VACUUM ANALYZE assessments, fittings, log_entries, register_heads, register_entries, webhooks, deliveries, audits, audit_chunks")
}

// literal writes an argument into a statement. None holds a quote.
func literal(t testing.TB, arg any) string {
	t.Helper()
	if v, ok := arg.(driver.Valuer); ok {
		var err error
		if arg, err = v.Value(); err != nil {
			t.Fatal(err)
		}
	}
	if at, ok := arg.(time.Time); ok {
		arg = at.Format(time.RFC3339Nano)
	}
	return fmt.Sprintf("'%v'", arg)
}

// TestPlans looks at how the hot queries are carried out, under the role and
// the policies of the service.
func TestPlans(t *testing.T) {
	url := pgtest.New(t)
	many(t, url, 20_000)
	conn := serve(t, url, saltmarsh)
	exec(t, conn, "SET plan_cache_mode = force_generic_plan") // as the store has it
	explain := func(sql string, args ...any) string {
		t.Helper()
		exec(t, conn, "DEALLOCATE ALL")
		exec(t, conn, "PREPARE q AS "+sql)
		values := make([]string, len(args))
		for i, arg := range args {
			values[i] = literal(t, arg)
		}
		// Text alone: EXECUTE takes no parameters.
		rows, err := conn.Query(t.Context(), "EXPLAIN (ANALYZE, COSTS off, TIMING off, SUMMARY off) EXECUTE q ("+strings.Join(values, ", ")+")", pgx.QueryExecModeSimpleProtocol)
		if err != nil {
			t.Fatalf("explain %s: %v", sql, err)
		}
		lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			t.Fatalf("explain %s: %v", sql, err)
		}
		return strings.Join(lines, "\n")
	}
	check := func(name, plan string, index *regexp.Regexp) {
		t.Helper()
		// Months that are empty may be read whole.
		if regexp.MustCompile(`Seq Scan on .*\(actual rows=[1-9]`).MatchString(plan) {
			t.Errorf("%s reads a whole table:\n%s", name, plan)
			return
		}
		if !index.MatchString(plan) {
			t.Errorf("%s does not use %v:\n%s", name, index, plan)
		}
		// A page must not read its tenant's whole history to sort it.
		for _, m := range regexp.MustCompile(`actual rows=(\d+)`).FindAllStringSubmatch(plan, -1) {
			if len(m[1]) > 3 {
				t.Errorf("%s reads %s rows:\n%s", name, m[1], plan)
				return
			}
		}
	}
	check("get", explain(postgres.Statements["getAssessment"], saltmarsh, "R000000100"), regexp.MustCompile(`Index.*using log_entries_tenant_id_assessment_id`))
	if plan := explain(postgres.Statements["getAssessment"], saltmarsh, "R000000100"); !strings.Contains(plan, "(never executed)") {
		t.Errorf("get asks every month:\n%s", plan)
	}
	for i := range 8 {
		sql, args := postgres.List(saltmarsh, filter(i))
		index := []string{"pkey", "jurisdiction", "verdict", "(jurisdiction|verdict)"}[i%4]
		check(fmt.Sprint("list ", filter(i)), explain(sql, args...), regexp.MustCompile(`Index.*(using|on) assessments_2026_\d\d_.*`+index))
	}
	for i := range 4 {
		sql, args := postgres.ListFittings(saltmarsh, fittingFilter(i))
		index := []string{"fittings_listed", "fittings_by_state"}[i%2]
		check(fmt.Sprint("fittings ", fittingFilter(i)), explain(sql, args...), regexp.MustCompile(`Index.*(using|on) `+index))
	}
	for i := range 8 {
		sql, args := postgres.ListEntries(saltmarsh, entryFilter(i))
		index := []string{"register_heads_(there|pkey)", "register_heads_by_yard", "register_heads_by_fitted", "register_heads_by_(yard|fitted)"}[i%4]
		check(fmt.Sprint("entries ", entryFilter(i)), explain(sql, args...), regexp.MustCompile(`Index.*(using|on) `+index))
	}
	check("entries by ids", explain(postgres.Statements["getEntries"], saltmarsh, "parts", "{R000000100,R000000108}"), regexp.MustCompile(`Index.*using register_heads_pkey`))
	check("entry", explain(postgres.Statements["getEntry"], saltmarsh, "parts", "R000000100"), regexp.MustCompile(`Index.*using register_heads_pkey`))
	check("history of an entry", explain(postgres.Statements["entryHistory"], saltmarsh, "parts", "R000000100", 1000, 50), regexp.MustCompile(`Index.*using register_entries_pkey`))
	check("what was fitted", explain(postgres.Statements["fittedHistory"], saltmarsh, "trailers", "float-1", 500), regexp.MustCompile(`Index.*(using|on) register_entries_by_fitted`))
	check("audits", explain(postgres.Statements["listAudits"], saltmarsh, 21), regexp.MustCompile(`Index.*using audits_listed`))
	check("more audits", explain(postgres.Statements["moreAudits"], saltmarsh, 21, day.Add(-time.Hour), "M"), regexp.MustCompile(`Index.*using audits_listed`))
	check("chunk", explain(postgres.Statements["getAuditChunk"], saltmarsh, "R000000002", 1000), regexp.MustCompile(`Index.*using audit_chunks_pkey`))
	check("what came of chunks", explain(postgres.Statements["listAuditOutcomes"], saltmarsh, "R000000002", 1000, 50, false), regexp.MustCompile(`Index.*using audit_chunks_pkey`))
	check("deliveries", explain(postgres.Statements["listDeliveries"], saltmarsh, "hook-1", 21), regexp.MustCompile(`Index.*using deliveries_listed`))
	check("more deliveries", explain(postgres.Statements["moreDeliveries"], saltmarsh, "hook-1", 21, day.Add(-time.Hour), "M"), regexp.MustCompile(`Index.*using deliveries_listed`))
	check("delivery", explain(postgres.Statements["getDelivery"], saltmarsh, "R000000100"), regexp.MustCompile(`Index.*using deliveries_pkey`))
	check("fitting", explain(postgres.Statements["getFitting"], saltmarsh, "R000000100"), regexp.MustCompile(`Index.*using fittings_pkey`))
	check("index", explain(postgres.Statements["logIndex"], saltmarsh, "R000000100"), regexp.MustCompile(`Index.*using log_entries_tenant_id_assessment_id`))
	check("leaves", explain(postgres.Statements["logLeaves"], saltmarsh, int64(9000), 50), regexp.MustCompile(`Index.*using log_entries_pkey`))
	check("nodes", explain(postgres.Statements["logNodes"], saltmarsh, "{1,7,63}", "{1,1,1}"), regexp.MustCompile(`Index.*(using|on) log_entries_pkey`))
}
