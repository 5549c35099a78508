package postgres_test

import (
	"bufio"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"os"
	osexec "os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/db/storetest"
	"drawgear/service"
)

func TestJobs(t *testing.T) {
	storetest.RunJobs(t, func(t *testing.T, again time.Duration) service.FullStore {
		s := open(t, postgres.Config{URL: pgtest.New(t)})
		s.Hurry(again, time.Minute)
		return s
	})
}

// patience is how long a test waits for what must come. It is no measure of time.
const patience = 2 * time.Minute

// until waits for something to become so.
func until(t testing.TB, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !is(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain until %s", what)
		}
	}
}

// work lets a store work until the test ends, or stop is called.
func work(t *testing.T, s *postgres.Store, workers int, do func(ctx context.Context, j service.Job) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := s.Work(ctx, workers, do); err != nil {
			t.Errorf("Work: %v", err)
		}
	})
	stop = func() { cancel(); wg.Wait() }
	t.Cleanup(stop)
	return stop
}

func left(t testing.TB, s *postgres.Store) int64 {
	t.Helper()
	n, err := s.Backlog(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return n[service.JobAudit] + n[service.JobImpact] + n[service.JobDelivery]
}

func impacts(n int) []service.Job {
	js := make([]service.Job, n)
	for i := range js {
		js[i] = service.Job{Kind: service.JobImpact, Tenant: saltmarsh, ID: "x", Number: i}
	}
	return js
}

// Replicas share the jobs, and none does what another has in hand.
func TestReplicasShareJobs(t *testing.T) {
	url := pgtest.New(t)
	const jobs = 40
	var mu sync.Mutex
	times := map[int]int{}
	busy := map[int]chan bool{0: make(chan bool), 1: make(chan bool)}
	for replica := range 2 {
		s := open(t, postgres.Config{URL: url})
		begun := sync.OnceFunc(func() { close(busy[replica]) })
		work(t, s, 2, func(ctx context.Context, j service.Job) error {
			mu.Lock()
			times[j.Number]++
			mu.Unlock()
			// Nobody goes on before the other has begun.
			begun()
			select {
			case <-busy[1-replica]:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}
	s := open(t, postgres.Config{URL: url})
	if err := s.Enqueue(t.Context(), impacts(jobs)...); err != nil {
		t.Fatal(err)
	}
	until(t, "all jobs are done", func() bool { return left(t, s) == 0 })
	mu.Lock()
	defer mu.Unlock()
	for n := range jobs {
		if times[n] != 1 {
			t.Errorf("job %d was done %d times", n, times[n])
		}
	}
}

// The work holds no connection while it waits, so that one is enough for it and
// for what it does.
func TestJobsOnOneConnection(t *testing.T) {
	s := open(t, postgres.Config{URL: pgtest.New(t), Connections: 1})
	put(home(t), t, s, record("A", day))
	if err := s.Enqueue(t.Context(), impacts(20)...); err != nil {
		t.Fatal(err)
	}
	work(t, s, 4, func(ctx context.Context, j service.Job) error {
		_, err := s.Get(ctx, "A")
		return err
	})
	until(t, "all jobs are done", func() bool { return left(t, s) == 0 })
}

// Work outlives the database: it begins when that comes, and goes on when it comes
// again.
func TestWorkOutlivesTheDatabase(t *testing.T) {
	server := pgtest.Start(t)
	s := open(t, postgres.Config{URL: server.Database(t)})
	s.Hurry(time.Millisecond, time.Minute)
	server.Kill(t)
	var done atomic.Int64
	work(t, s, 2, func(context.Context, service.Job) error { done.Add(1); return nil })
	time.Sleep(50 * time.Millisecond) // it meets a server that is gone
	server.Restart(t)
	for round := range 2 {
		js := impacts(10 * (round + 1))[10*round:]
		until(t, "jobs can be added", func() bool { return s.Enqueue(t.Context(), js...) == nil })
		until(t, "they are done", func() bool {
			n, err := s.Backlog(t.Context())
			return err == nil && n[service.JobImpact] == 0
		})
		if round == 0 {
			server.Kill(t)
			time.Sleep(50 * time.Millisecond)
			server.Restart(t)
		}
	}
	if n := done.Load(); n < 20 {
		t.Errorf("%d jobs were done, want 20", n)
	}
}

// A job that fails is for the one to tell of who does it. It is kept with its
// failure, and the log has neither that nor the daily life of the queue.
func TestWorkIsQuiet(t *testing.T) {
	url := pgtest.New(t)
	var text strings.Builder
	var mu sync.Mutex
	log := slog.New(slog.NewJSONHandler(writer(func(p []byte) (int, error) {
		mu.Lock()
		defer mu.Unlock()
		return text.Write(p)
	}), nil))
	s := open(t, postgres.Config{URL: url, Logger: log})
	s.Hurry(time.Millisecond, time.Minute)
	if err := s.Enqueue(t.Context(), impacts(1)...); err != nil {
		t.Fatal(err)
	}
	stop := work(t, s, 1, func(_ context.Context, j service.Job) error {
		if j.Attempt == 1 {
			return errors.New("the anchor\x00 dragged")
		}
		return nil
	})
	until(t, "the job is done", func() bool { return left(t, s) == 0 })
	stop()
	if text.Len() > 0 {
		t.Errorf("the log holds\n%s", text.String())
	}
	if got := ask[string](t, connect(t, url), "SELECT errors[1]->>'error' FROM river_job"); got != "the anchor dragged" {
		t.Errorf("the failure is kept as %q", got)
	}
}

type writer func(p []byte) (int, error)

func (w writer) Write(p []byte) (int, error) { return w(p) }

// The library has no migration that ours does not carry out.
func TestQueueIsUpToDate(t *testing.T) {
	url := pgtest.New(t)
	m, err := rivermigrate.New(riverpgxv5.New(nil), &rivermigrate.Config{Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	all := m.AllVersions()
	has := ask[int](t, connect(t, url), "SELECT max(version) FROM river_migration")
	if wants := all[len(all)-1].Version; has != wants {
		t.Errorf("the job queue has version %d and its library wants %d: add a migration", has, wants)
	}
}

// What of a tenant's is in the queue, which all of the service may read: ids.
func TestQueueHoldsIDsOnly(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	if err := s.Enqueue(t.Context(), impacts(1)...); err != nil {
		t.Fatal(err)
	}
	conn := serve(t, url, "")
	if got, want := ask[string](t, conn, "SELECT args::text FROM river_job"), `{"id": "x", "number": 0, "tenant": "`+saltmarsh+`"}`; got != want {
		t.Errorf("a job is %s, want %s", got, want)
	}
	for _, sql := range []string{
		"TRUNCATE river_job", "DROP TABLE river_job", "ALTER TABLE river_job ADD x text", "REINDEX TABLE river_job",
		"SELECT * FROM river_migration", "UPDATE river_migration SET version = 99", "SELECT * FROM river_notification",
	} {
		refused(t, conn, noPrivilege, sql)
	}
}

// later lets time pass for the queue: what is in hand was taken long ago, and the
// lease of whoever leads is over.
func later(t testing.TB, owner *pgx.Conn) {
	t.Helper()
	exec(t, owner, "UPDATE river_job SET attempted_at = attempted_at - interval '1 hour' WHERE state = 'running'")
	exec(t, owner, "UPDATE river_leader SET expires_at = now() - interval '1 second'")
}

// Of a test of killed workers.
const (
	workerURL    = "DRAWGEAR_TEST_WORKER_URL"
	workerFree   = "DRAWGEAR_TEST_WORKER_FREE" // so many chunks it finishes before it holds
	workerName   = "drawgear to be killed"
	workerHands  = 4
	killedChunks = 12 // of each audit
)

// answerChunk is what a worker does: it reads a chunk and keeps what comes of it.
func answerChunk(ctx context.Context, s *postgres.Store, j service.Job) error {
	c, err := s.GetAuditChunk(ctx, j.ID, j.Number)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(c.Input)
	_, err = s.FinishChunk(ctx, j.ID, j.Number, service.AuditOutcome{Items: sum[:], Tally: []byte("{}")}, day.Add(time.Minute))
	return err
}

// beKilled is the worker that is killed. When it has finished so many chunks it
// holds the next ones in its hands for ever, every second one after it was
// answered, and says so for each.
func beKilled(t *testing.T, url string) {
	var begun, held atomic.Int64
	var free int64
	if _, err := fmt.Sscan(os.Getenv(workerFree), &free); err != nil {
		t.Fatal(err)
	}
	s := open(t, postgres.Config{URL: url})
	work(t, s, workerHands, func(ctx context.Context, j service.Job) error {
		if begun.Add(1) > free {
			if held.Add(1)%2 == 0 {
				if err := answerChunk(ctx, s, j); err != nil {
					return err
				}
			}
			fmt.Println("holds a chunk")
			select {}
		}
		defer fmt.Println("finished a chunk")
		return answerChunk(ctx, s, j)
	})
	select {}
}

// killWorker starts a worker, kills it when it has said something so many times,
// and returns when it is dead and the server has done what it had still sent.
func killWorker(t *testing.T, owner *pgx.Conn, url string, free int, word string, times int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	cmd := osexec.CommandContext(ctx, os.Args[0], "-test.run=^TestKilledWorkers$", "-test.count=1")
	cmd.Env = append(os.Environ(), workerURL+"="+url, fmt.Sprint(workerFree, "=", free), "PGAPPNAME="+workerName)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var said []string
	for lines := bufio.NewScanner(out); times > 0 && lines.Scan(); {
		if said = append(said, lines.Text()); strings.HasPrefix(lines.Text(), word) {
			times--
		}
	}
	if err := cmd.Process.Kill(); err != nil { // SIGKILL
		t.Errorf("kill the worker: %v", err)
	}
	_ = cmd.Wait() // it was killed
	until(t, "its connections are gone", func() bool {
		return ask[int](t, owner, "SELECT count(*) FROM pg_stat_activity WHERE application_name = $1", workerName) == 0
	})
	if times > 0 {
		t.Fatalf("the worker did not come so far; it said\n%s", strings.Join(said, "\n"))
	}
}

// TestKilledWorkers kills workers again and again in the middle of an audit, some
// at any moment, some with every hand full. Others take up what was in their hands,
// and every chunk is answered once.
func TestKilledWorkers(t *testing.T) {
	if url := os.Getenv(workerURL); url != "" {
		beKilled(t, url)
	}
	rounds := 20
	if testing.Short() {
		rounds = 3
	}
	url := pgtest.New(t)
	owner := connect(t, url)
	s := open(t, postgres.Config{URL: url})
	ctx := home(t)
	var rows int64
	holding := 0
	for round := range rounds {
		id := fmt.Sprint("audit-", round)
		if err := s.CreateAudit(ctx, service.AuditRecord{ID: id, CreatedAt: day}); err != nil {
			t.Fatal(err)
		}
		rows = 0
		for n := range killedChunks {
			c := service.AuditChunk{Number: n, First: rows + 1, Rows: n + 1, Input: fmt.Appendf(nil, "%s/%d", id, n)}
			rows += int64(c.Rows)
			if err := s.PutAuditChunk(ctx, id, c); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.StartAudit(ctx, id, killedChunks, rows, day); err != nil {
			t.Fatal(err)
		}
		if round%2 == 0 {
			before := answered(ctx, t, s)
			killWorker(t, owner, url, round%7, "holds", workerHands)
			holding += workerHands
			// It finished what it should, and half of what was in its hands.
			if n := answered(ctx, t, s) - before; n != round%7+workerHands/2 {
				t.Errorf("round %d: %d chunks were answered, want %d", round, n, round%7+workerHands/2)
			}
		} else {
			killWorker(t, owner, url, 1000, "finished", 1+round%7)
		}
	}
	var mu sync.Mutex
	again := 0
	successor := open(t, postgres.Config{URL: url})
	successor.Hurry(time.Millisecond, time.Minute)
	do := func(ctx context.Context, j service.Job) error {
		mu.Lock()
		if j.Attempt > 1 {
			again++
		}
		mu.Unlock()
		return answerChunk(ctx, successor, j)
	}
	stop := work(t, successor, workerHands, do)
	until(t, "only what the dead held is left", func() bool {
		return ask[int](t, owner, "SELECT count(*) FROM river_job WHERE state = 'available'") == 0
	})
	stop()
	if n := left(t, s); n < int64(holding) {
		t.Errorf("%d jobs are left, want the %d that the dead held, and what they had not noted", n, holding)
	}
	later(t, owner)
	work(t, successor, workerHands, do)
	until(t, "nothing is left", func() bool { return left(t, s) == 0 })
	mu.Lock()
	defer mu.Unlock()
	if again < holding {
		t.Errorf("%d jobs were taken up again, want all %d that were in hand", again, holding)
	}
	for round := range rounds {
		id := fmt.Sprint("audit-", round)
		a, err := s.GetAudit(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		if a.State != service.AuditDone || a.ChunksDone != killedChunks || a.RowsDone != rows || a.EndedAt.IsZero() {
			t.Errorf("%s is %+v, want it done with %d rows", id, a, rows)
		}
		os, err := s.ListAuditOutcomes(ctx, id, 0, 2*killedChunks, true)
		if err != nil || len(os) != killedChunks {
			t.Fatalf("%s has %d outcomes (%v), want %d", id, len(os), err, killedChunks)
		}
		for n, o := range os {
			if want := sha256.Sum256(fmt.Appendf(nil, "%s/%d", id, n)); o.Number != n || o.Rows != n+1 || string(o.Items) != string(want[:]) {
				t.Errorf("outcome %d of %s is %+v", n, id, o)
			}
		}
	}
	t.Logf("%d workers killed, %d jobs taken up again", rounds, again)
}

// answered counts the chunks of all audits that are.
func answered(ctx context.Context, t testing.TB, s *postgres.Store) (n int) {
	t.Helper()
	as, err := s.ListAudits(ctx, nil, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range as {
		n += a.ChunksDone
	}
	return n
}
