package postgres_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	osexec "os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/note"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// programs runs pg_dump and pg_restore against a server: those of this machine
// that have the server's major version, or those in the container that
// publishes the server's port.
type programs struct {
	dir       string // of the programs on this machine; empty for those of the container
	container string
}

const noPrograms = `no pg_dump and pg_restore of version %s, that of the server, so backup cannot be tested. One of these gives them:
  - install them, on Debian: apt-get install postgresql-client-%[1]s
  - run the server in a container of this machine whose port is published, with the docker command in PATH
What was tried: %[2]s`

// findPrograms looks where pgtest looks for a server. An older pg_dump refuses a
// newer server, and a newer one writes what an older server cannot read.
func findPrograms(t *testing.T, url string) programs {
	t.Helper()
	major := ask[string](t, connect(t, url), "SELECT (current_setting('server_version_num')::integer / 10000)::text")
	dirs, err := filepath.Glob("/usr/lib/postgresql/*/bin")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"pg_dump", "initdb"} {
		if path, err := osexec.LookPath(name); err == nil {
			dirs = append(dirs, filepath.Dir(path))
		}
	}
	var tried []string
	for _, dir := range dirs {
		fits := true
		for _, name := range []string{"pg_dump", "pg_restore"} {
			out, err := osexec.CommandContext(t.Context(), filepath.Join(dir, name), "--version").Output()
			_, version, _ := strings.Cut(string(out), ") ")
			if err != nil || !strings.HasPrefix(version, major+".") {
				tried = append(tried, fmt.Sprintf("%s in %s is %q (%v)", name, dir, version, err))
				fits = false
			}
		}
		if fits {
			t.Log("pg_dump and pg_restore of", dir)
			return programs{dir: dir}
		}
	}
	config, err := pgx.ParseConfig(url)
	if err != nil {
		t.Fatal(err)
	}
	out, err := osexec.CommandContext(t.Context(), "docker", "ps", "--quiet", "--filter", fmt.Sprint("publish=", config.Port)).Output()
	if ids := strings.Fields(string(out)); err == nil && len(ids) == 1 {
		t.Log("pg_dump and pg_restore of the container", ids[0])
		return programs{container: ids[0]}
	}
	tried = append(tried, fmt.Sprintf("docker ps gave %q (%v)", out, err))
	t.Fatalf(noPrograms, major, strings.Join(tried, "; "))
	return programs{}
}

// file names a dump where the programs run. It goes with the test.
func (p programs) file(t *testing.T) string {
	t.Helper()
	if p.container == "" {
		return filepath.Join(t.TempDir(), "drawgear.dump")
	}
	file := "/tmp/drawgear-" + rand.Text() + ".dump"
	t.Cleanup(func() {
		out, err := osexec.CommandContext(context.WithoutCancel(t.Context()), "docker", "exec", p.container, "rm", "-f", file).CombinedOutput()
		if err != nil {
			t.Errorf("remove the dump: %v\n%s", err, out)
		}
	})
	return file
}

// run runs a program on the database of an address, and gives what it said.
func (p programs) run(t *testing.T, address, name string, args ...string) (string, error) {
	t.Helper()
	config, err := pgx.ParseConfig(address)
	if err != nil {
		t.Fatal(err)
	}
	host, port := config.Host, config.Port
	command := []string{filepath.Join(p.dir, name)}
	if p.container != "" {
		host, port = "127.0.0.1", 5432 // as the server itself knows them
		command = []string{"docker", "exec", p.container, name}
	}
	command = append(command, "--dbname="+fmt.Sprintf("host=%s port=%d user=%s password='%s' dbname=%s", host, port, config.User, config.Password, config.Database))
	out, err := osexec.CommandContext(t.Context(), command[0], append(command[1:], args...)...).CombinedOutput()
	return string(out), err
}

// contents gives the rows of every table, in a text that tells them all.
func contents(t *testing.T, conn *pgx.Conn) map[string]string {
	t.Helper()
	rows, err := conn.Query(t.Context(), ownedBySelf, "")
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, table := range tables {
		out[table] = ask[string](t, conn, "SELECT coalesce(string_agg(r::text, E'\\n' ORDER BY r::text), '') FROM "+table+" r")
	}
	return out
}

// seen is what a tenant can ask the store for.
type seen struct {
	Records  []service.Record
	Keys     []service.Key
	Versions []service.Version
	Leaves   []service.LogLeaf
	Fittings []service.FittingRecord
	Entries  []service.Entry
	Audits   []service.AuditRecord
	Outcomes []service.AuditOutcome
	Webhooks []service.Webhook
	Sent     []service.Delivery
}

func look(ctx context.Context, t *testing.T, s *postgres.Store) seen {
	t.Helper()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	var v seen
	items, err := s.List(ctx, service.Filter{Limit: 1000})
	check(err)
	for _, item := range items {
		r, err := s.Get(ctx, item.ID)
		check(err)
		v.Records = append(v.Records, r)
	}
	v.Keys, err = s.ListKeys(ctx)
	check(err)
	listed, err := s.ListVersions(ctx)
	check(err)
	for _, l := range listed {
		r, err := s.GetVersion(ctx, l.Ruleset, l.Number)
		check(err)
		v.Versions = append(v.Versions, r)
	}
	v.Leaves, err = s.LogLeaves(ctx, 0, 1000)
	check(err)
	fittings, err := s.ListFittings(ctx, service.FittingFilter{Limit: 1000})
	check(err)
	for _, f := range fittings {
		r, err := s.GetFitting(ctx, f.ID)
		check(err)
		v.Fittings = append(v.Fittings, r)
	}
	v.Entries, err = s.ListEntries(ctx, service.EntryFilter{Kind: service.EntryPairing, Limit: 1000})
	check(err)
	v.Audits, err = s.ListAudits(ctx, nil, 1000)
	check(err)
	for _, a := range v.Audits {
		os, err := s.ListAuditOutcomes(ctx, a.ID, 0, 1000, true)
		check(err)
		v.Outcomes = append(v.Outcomes, os...)
	}
	v.Webhooks, err = s.ListWebhooks(ctx)
	check(err)
	for _, w := range v.Webhooks {
		ds, err := s.ListDeliveries(ctx, w.ID, nil, 1000)
		check(err)
		v.Sent = append(v.Sent, ds...)
	}
	return v
}

// noneAgain is the work of a request whose reply must be there already.
func noneAgain(context.Context, service.FullStore) (service.Reply, error) {
	return service.Reply{}, errors.New("the key is free")
}

// furnish writes something of everything for a tenant.
func furnish(ctx context.Context, t *testing.T, s *postgres.Store, name string) {
	t.Helper()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for i := range 23 {
		r := record(fmt.Sprintf("%s-%02d", name, i), day.AddDate(0, -(i%2), 0).Add(time.Duration(i)*time.Minute))
		r.KnownAt = day.Add(time.Duration(i%3) * time.Hour)
		if i%4 == 0 { // large enough to be packed
			r.Answer = bytes.Repeat(r.Answer, 100)
			sum := sha256.Sum256(r.Answer)
			r.AnswerSHA256 = hex.EncodeToString(sum[:])
		}
		put(ctx, t, s, r)
	}
	check(s.PutKey(ctx, service.Key{ID: name, Name: name, Digest: sha256.Sum256([]byte(name)), Scopes: service.Scopes, CreatedAt: day}))
	check(s.PutKey(ctx, service.Key{ID: name + "2", Name: name, Scopes: service.Scopes[:1], CreatedAt: day, ExpiresAt: day.AddDate(1, 0, 0)}))
	check(s.RevokeKey(ctx, name+"2", day))
	check(s.PutFitting(ctx, fitting(name+"-planned"), entry(1, service.FittingPlanned)))
	check(s.PutFitting(ctx, fitting(name+"-signed"), entry(1, service.FittingPlanned)))
	check(s.AppendFitting(ctx, name+"-signed", entry(2, service.FittingSigned)))
	check(s.PutEntries(ctx, registered(service.EntryPairing, name, 1)))
	check(s.PutWebhook(ctx, webhook(name)))
	_, err := s.PutDelivery(ctx, delivery(name, name))
	check(err)
	check(s.CreateAudit(ctx, service.AuditRecord{ID: name, CreatedAt: day, CreatedBy: "ann", Ask: []byte("{}")}))
	check(s.PutAuditInput(ctx, name, "law", []byte("\x00law")))
	for n := range 2 {
		check(s.PutAuditChunk(ctx, name, service.AuditChunk{Number: n, First: int64(n + 1), Rows: 1, Input: []byte("\x00row")}))
	}
	check(s.StartAudit(ctx, name, 2, 2, day))
	_, err = s.FinishChunk(ctx, name, 0, service.AuditOutcome{Items: []byte("\x00item"), Tally: []byte("{}")}, day)
	check(err)
	_, _, err = s.Once(ctx, "handover", [32]byte{1}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		r := record(name+"-once", day)
		return service.Reply{Status: 201, Location: r.ID, ETag: `"e"`, Body: r.Answer}, s.Put(ctx, r)
	})
	check(err)
}

// Versions of a tenant's rules, one published and one withdrawn.
const someVersions = `INSERT INTO ruleset_versions (tenant_id, ruleset, version, jurisdiction, title, state, document, sha256,
	authored_by, approved_by, published_by, created_at, published_at, withdrawn_at, reason) VALUES
	($1, 'house', 1, 'AU', 'House', 'published', 'one', 'a', 'ann', 'ben', 'ben', '2026-11-01Z', '2026-11-02Z', NULL, ''),
	($1, 'house', 2, 'AU', 'House', 'withdrawn', 'two', 'b', 'ann', 'ben', 'ben', '2026-11-03Z', '2026-11-04Z', '2026-11-05Z', 'a typing error')`

// TestBackup goes the way of the README: dumped by a login that may read past
// row-level security, restored by the one that is to own the tables.
func TestBackup(t *testing.T) {
	url, target := pgtest.New(t), pgtest.Empty(t)
	tools := findPrograms(t, url)
	s := open(t, postgres.Config{URL: url})
	valley := makeTarn(t, s)
	tenants := map[string]context.Context{saltmarsh: home(t), tarn: valley}
	names := map[string]string{saltmarsh: "saltmarsh", tarn: "tarn"}
	text, _, err := service.NewLogKey()
	if err != nil {
		t.Fatal(err)
	}
	signer, err := service.LogSigner(text)
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := note.NewVerifier(service.VerifierKey(signer))
	if err != nil {
		t.Fatal(err)
	}
	before, heads := map[string]seen{}, map[string]service.Head{}
	for tenant, ctx := range tenants {
		furnish(ctx, t, s, names[tenant])
		exec(t, serve(t, url, tenant), someVersions, tenant)
		before[tenant] = look(ctx, t, s)
		if heads[tenant], err = service.NewLedger(s, signer).Head(ctx); err != nil {
			t.Fatal(err)
		}
		if v := before[tenant]; len(v.Records) != 24 || len(v.Keys) != 2 || len(v.Versions) != 2 || len(v.Fittings) != 2 || len(v.Leaves) != 27 {
			t.Fatalf("before: %d records, %d keys, %d versions, %d fittings, %d leaves", len(v.Records), len(v.Keys), len(v.Versions), len(v.Fittings), len(v.Leaves))
		}
	}
	was, now := connect(t, url), connect(t, target)
	for table, rows := range contents(t, was) {
		if rows == "" && table != "log_heads" { // which nothing writes yet
			t.Errorf("%s is empty: its restore shows nothing", table)
		}
	}

	dumper, dumps := login(t, was, url)
	exec(t, was, "GRANT pg_read_all_data TO "+dumper)
	file := tools.file(t)
	// Without the right to read past the policies a dump must fail, not leave out.
	if out, err := tools.run(t, dumps, "pg_dump", "--format=custom", "--file="+file); err == nil || !strings.Contains(out, "row-level security") {
		t.Errorf("a dump that row-level security would have cut: %v\n%s", err, out)
	}
	exec(t, was, "ALTER ROLE "+dumper+" BYPASSRLS")
	if out, err := tools.run(t, dumps, "pg_dump", "--format=custom", "--file="+file); err != nil {
		t.Fatalf("pg_dump: %v\n%s", err, out)
	}
	keeper, restores := login(t, now, target)
	exec(t, now, "ALTER DATABASE "+now.Config().Database+" OWNER TO "+keeper)
	if out, err := tools.run(t, restores, "pg_restore", "--no-owner", "--single-transaction", file); err != nil {
		t.Fatalf("pg_restore: %v\n%s", err, out)
	}

	after := contents(t, now)
	for table, rows := range contents(t, was) {
		if got := after[table]; got != rows {
			t.Errorf("%s holds\n%s\nand held\n%s", table, got, rows)
		}
	}
	if has, wants, err := postgres.Version(t.Context(), restores); err != nil || has != wants {
		t.Errorf("the schema has version %d of %d (%v)", has, wants, err)
	}
	if err := postgres.Migrate(t.Context(), restores); err != nil {
		t.Errorf("Migrate: %v", err)
	}
	grants := `SELECT string_agg(concat_ws(' ', table_name, column_name, privilege_type), E'\n' ORDER BY table_name, column_name, privilege_type)
		FROM information_schema.column_privileges WHERE grantee = $1`
	if a, b := ask[string](t, was, grants, postgres.ServiceRole), ask[string](t, now, grants, postgres.ServiceRole); a != b {
		t.Errorf("grants are\n%s\nand were\n%s", b, a)
	}
	policies := "SELECT string_agg(p::text, E'\n' ORDER BY p::text) FROM pg_policies p"
	if a, b := ask[string](t, was, policies), ask[string](t, now, policies); a != b {
		t.Errorf("policies are\n%s\nand were\n%s", b, a)
	}

	restored := open(t, postgres.Config{URL: target})
	if st, err := restored.Status(t.Context()); err != nil || !st.Available {
		t.Errorf("the status is %+v (%v)", st, err)
	}
	// The jobs are still to be done, and their numbers go on.
	if n := left(t, restored); n != left(t, s) || n != 6 {
		t.Errorf("%d jobs are left, want 6", n)
	}
	if err := restored.Enqueue(t.Context(), impacts(1)...); err != nil {
		t.Errorf("Enqueue: %v", err)
	}
	ledger := service.NewLedger(restored, signer)
	for tenant, ctx := range tenants {
		if got := look(ctx, t, restored); !reflect.DeepEqual(got, before[tenant]) {
			t.Errorf("%s: after the restore there is\n%+v\nand there was\n%+v", names[tenant], got, before[tenant])
		}
		if head, err := ledger.Head(ctx); err != nil || head.Root != heads[tenant].Root || head.Size != heads[tenant].Size {
			t.Errorf("%s: the head is %+v (%v) and was %+v", names[tenant], head, err, heads[tenant])
		}
		reply, again, err := restored.Once(ctx, "handover", [32]byte{1}, noneAgain)
		if err != nil || !again || reply.Location != names[tenant]+"-once" {
			t.Errorf("%s: the reply to a repeated request is %+v (%v)", names[tenant], reply, err)
		}
		if k, err := restored.FindKey(t.Context(), names[tenant]); err != nil || k.Digest != sha256.Sum256([]byte(names[tenant])) || k.Tenant != tenant {
			t.Errorf("%s: the key is %+v (%v)", names[tenant], k, err)
		}
	}

	// What was forbidden is forbidden.
	if _, err := restored.Get(valley, "saltmarsh-00"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("Get for the other tenant: %v, want ErrNotFound", err)
	}
	conn := serve(t, target, saltmarsh)
	if n := ask[int](t, conn, "SELECT count(*) FROM assessments"); n != 24 {
		t.Errorf("without a WHERE %d records are seen, want those of the tenant", n)
	}
	for _, sql := range []string{
		"UPDATE assessments SET verdict = 'non_compliant'", "DELETE FROM assessments", "SELECT * FROM assessments_2026_11",
		"UPDATE log_entries SET seq = 5", "DELETE FROM log_entries", "DELETE FROM log_tails",
		"DELETE FROM ruleset_versions", "UPDATE idempotency_keys SET status = 500", "UPDATE tenants SET name = 'x'",
		"UPDATE fittings SET state = 'proven'", "DELETE FROM fitting_entries",
	} {
		refused(t, conn, noPrivilege, sql)
	}
	refused(t, now, frozen, "DELETE FROM fitting_entries")
	if err := restored.AppendFitting(home(t), "saltmarsh-signed", entry(3, service.FittingSigned)); !errors.Is(err, service.ErrSigned) {
		t.Errorf("AppendFitting after the signature: %v, want ErrSigned", err)
	}
	if err := restored.AppendFitting(home(t), "saltmarsh-planned", entry(3, service.FittingOpen)); !errors.Is(err, service.ErrStale) {
		t.Errorf("AppendFitting past the next: %v, want ErrStale", err)
	}
	refused(t, conn, frozen, "UPDATE ruleset_versions SET title = 'y'")
	refused(t, now, frozen, "DELETE FROM ruleset_versions")

	// The log goes on from where it was, and so do the months.
	if _, err := restored.MakePartitions(t.Context(), 8); err != nil {
		t.Errorf("MakePartitions: %v", err)
	}
	for tenant, ctx := range tenants {
		put(ctx, t, restored, record("new-1", day.Add(time.Hour)), record("new-2", day.AddDate(0, 1, 0)))
		c, err := ledger.Consistent(ctx, heads[tenant].Size, heads[tenant].Size+2)
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Verify(heads[tenant], verifier); err != nil {
			t.Errorf("%s: the log does not continue the one before: %v", names[tenant], err)
		}
	}
	verifyLog(home(t), t, restored)
	restored.Close()
}

// written is what is written at a version of the schema, frozen as that version
// wants it: the store writes as the newest does. $1 is the tenant.
var written = map[int64][]string{
	1: {
		"INSERT INTO tenants (id, name) VALUES ($1, 'Yard') ON CONFLICT DO NOTHING",
		"INSERT INTO api_keys VALUES ('key-' || $1::uuid, $1, 'Ann', sha256('secret'), '{assess,read}', '2026-11-25Z', '2027-11-25Z', NULL)",
	},
	2: {"INSERT INTO log_heads VALUES ($1, 1, sha256('root'), '2026-11-25Z', 'k', 's')"},
	3: {someVersions},
	4: {"INSERT INTO idempotency_keys VALUES ($1, 'handover', sha256('request'), 201, '/r', 'e', 'body', now())"},
	6: {
		"INSERT INTO fittings VALUES ($1, 'f', '2026-11-25Z', 'AU-NSW', '2026-11-25', '', 'planned', 0)",
		"INSERT INTO fitting_entries VALUES ($1, 'f', 1, '2026-11-25 12:00Z', 'ann', 'planned', 'test', '{}', '{}')",
	},
	7: {"INSERT INTO river_job (kind, max_attempts, args) VALUES ('impact', 12, jsonb_build_object('tenant', $1::uuid, 'id', 'x', 'number', 0))"},
	8: {
		"INSERT INTO audits VALUES ($1, 'a', '2026-11-25Z', 'ann', '{}', 'receiving')",
		"INSERT INTO audit_inputs VALUES ($1, 'a', 'law', 'x')",
		"INSERT INTO audit_chunks VALUES ($1, 'a', 0, 1, 1, 'x')",
	},
	9: {"INSERT INTO register_entries VALUES ($1, 'pairings', 'p', 1, '2026-11-25Z', 'ann', '2026-11-25', '', '', '', '', false, '{}')"},
	10: {
		"INSERT INTO webhooks VALUES ($1, 'w', 1, '2026-11-25Z', 'ann', 'https://yard.example/', '{}', false, '', 1, '2026-11-25Z')",
		"INSERT INTO deliveries VALUES ($1, 'd', 'w', 'e', 'audit', '2026-11-25Z', '{}', 'pending', '')",
	},
}

// widened is what the columns that a version adds hold in rows of before, as the
// text of a row ends with it.
var widened = map[int64]map[string]string{
	11: {"assessments": ",,"}, // base and packed
}

// TestUpgradeKeepsRecords writes at each version of the schema and goes up from
// there, a step at a time.
func TestUpgradeKeepsRecords(t *testing.T) {
	last := postgres.SchemaVersion()
	for from := int64(1); from < last; from++ {
		t.Run(fmt.Sprint("from ", from), func(t *testing.T) {
			url := pgtest.Empty(t)
			if err := postgres.MigrateTo(t.Context(), url, from); err != nil {
				t.Fatal(err)
			}
			for _, tenant := range []string{saltmarsh, tarn} {
				conn := serve(t, url, tenant)
				for v := int64(1); v <= from; v++ {
					for _, sql := range written[v] {
						exec(t, conn, sql, tenant)
					}
					for i := range 5 {
						if v != 2 {
							break
						}
						r := record(fmt.Sprint("R", i), day.AddDate(0, -i, 0))
						leaf := sha256.Sum256(append([]byte{0}, r.Leaf(tenant)...))
						exec(t, conn, `INSERT INTO assessments (tenant_id, id, created_at, jurisdiction, as_of, verdict, answer_sha256, rig, answer, engine)
							VALUES ($1, $2, $3, 'AU-NSW', '2026-11-25', 'compliant', decode($4, 'hex'), $5, $6, 'test')`,
							tenant, r.ID, r.CreatedAt, r.AnswerSHA256, r.Rig, r.Answer)
						exec(t, conn, "SELECT drawgear_append($1, $2, $3)", leaf[:], r.ID, r.CreatedAt)
					}
					if v == 6 {
						leaf := sha256.Sum256(append([]byte{0}, entry(1, service.FittingPlanned).Leaf(tenant, "f")...))
						exec(t, conn, "SELECT drawgear_append($1, $2, $3)", leaf[:], service.FittingLogID("f", 1), day)
					}
				}
			}
			owner := connect(t, url)
			before := contents(t, owner)
			delete(before, postgres.SchemaTable)
			for table, rows := range before {
				if strings.Count(rows, "\n") < 1 {
					t.Errorf("%s holds less than a row a tenant: write some for its version, or the upgrade shows nothing", table)
				}
			}
			for v := from + 1; v <= last; v++ {
				if err := postgres.MigrateTo(t.Context(), url, v); err != nil {
					t.Fatal(err)
				}
				after := contents(t, owner)
				for table, more := range widened[v] {
					before[table] = strings.ReplaceAll(before[table], ")\n", more+")\n")
					if rows, whole := strings.CutSuffix(before[table], ")"); whole {
						before[table] = rows + more + ")"
					}
				}
				for table, rows := range before {
					if after[table] != rows {
						t.Errorf("at version %d %s holds\n%s\nand held\n%s", v, table, after[table], rows)
					}
				}
			}
			s := open(t, postgres.Config{URL: url})
			for _, tenant := range []string{saltmarsh, tarn} {
				ctx := as(t.Context(), tenant)
				got := look(ctx, t, s)
				want := map[bool]int{true: 5}[from >= 2]
				leaves := want + map[bool]int{true: 1}[from >= 6]
				if len(got.Records) != want || len(got.Leaves) != leaves || len(got.Keys) != 1 || len(got.Versions) != map[bool]int{true: 2}[from >= 3] {
					t.Errorf("the store reads %+v", got)
				}
				for i, r := range got.Records {
					if !reflect.DeepEqual(r, record(fmt.Sprint("R", i), day.AddDate(0, -i, 0))) {
						t.Errorf("record %d is %+v", i, r)
					}
				}
				if reply, again, err := s.Once(ctx, "handover", sha256.Sum256([]byte("request")), noneAgain); from >= 4 && (err != nil || !again || string(reply.Body) != "body") {
					t.Errorf("the reply to a repeated request is %+v (%v)", reply, err)
				}
				put(ctx, t, s, record("new", day))
			}
			if n, want := left(t, s), map[bool]int64{true: 2}[from >= 7]; n != want {
				t.Errorf("%d jobs are left, want %d", n, want)
			}
			verifyLog(home(t), t, s)
		})
	}
}

// Replies go when they are old, of every tenant, and not before.
func TestRepliesExpire(t *testing.T) {
	url := pgtest.New(t)
	s, owner := open(t, postgres.Config{URL: url}), connect(t, url)
	valley := makeTarn(t, s)
	first := func(context.Context, service.FullStore) (service.Reply, error) {
		return service.Reply{Status: 201}, nil
	}
	for _, ctx := range []context.Context{home(t), valley} {
		for _, key := range []string{"old", "young"} {
			if _, _, err := s.Once(ctx, key, [32]byte{1}, first); err != nil {
				t.Fatal(err)
			}
		}
	}
	exec(t, owner, "UPDATE idempotency_keys SET created_at = now() - interval '48 hours 1 minute' WHERE key = 'old'")
	exec(t, owner, "UPDATE idempotency_keys SET created_at = now() - interval '47 hours 59 minutes' WHERE key = 'young'")
	// More than go in one statement.
	exec(t, owner, "INSERT INTO idempotency_keys SELECT $1, 'n' || n, sha256('x'), 200, '', '', '', now() - interval '3 days' FROM generate_series(1, 2500) n", tarn)

	// No statement of the service removes a young one, nor sees or removes what is another's.
	conn := serve(t, url, saltmarsh)
	if n := ask[int](t, conn, "SELECT count(*) FROM idempotency_keys"); n != 2 {
		t.Errorf("a tenant sees %d replies, want its 2", n)
	}
	exec(t, conn, "BEGIN")
	if tag, err := conn.Exec(t.Context(), "DELETE FROM idempotency_keys"); err != nil || tag.RowsAffected() != 1 {
		t.Errorf("a tenant removed %v (%v), want its old one", tag, err)
	}
	exec(t, conn, "ROLLBACK")

	var wg sync.WaitGroup
	var mu sync.Mutex
	var gone int64
	for range 3 { // replicas
		wg.Go(func() {
			m, err := s.Maintain(t.Context())
			if err != nil {
				t.Errorf("Maintain: %v", err)
			}
			mu.Lock()
			defer mu.Unlock()
			gone += m.Replies
		})
	}
	wg.Wait()
	if gone != 2502 {
		t.Errorf("%d replies were removed, want 2502", gone)
	}
	for _, ctx := range []context.Context{home(t), valley} {
		if _, again, err := s.Once(ctx, "young", [32]byte{1}, noneAgain); err != nil || !again {
			t.Errorf("a young reply is gone (%v)", err)
		}
		if _, again, err := s.Once(ctx, "old", [32]byte{2}, first); err != nil || again {
			t.Errorf("an old key is still taken (%v)", err)
		}
	}
	if m, err := s.Maintain(t.Context()); err != nil || m.Replies != 0 || len(m.Partitions) != 0 {
		t.Errorf("a second time did %+v (%v)", m, err)
	}
}
