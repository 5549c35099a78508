package postgres

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivertype"

	"drawgear/service"
)

// The jobs are in the tables of River, which all replicas share. They belong to
// no tenant there: a job names one, and nothing of a tenant's is in it but ids.

// queue is what River needs to know of jobs beside the database.
type queue struct {
	adder   *river.Client[pgx.Tx]
	backoff func(attempt int) time.Duration // before a job is tried again
	limit   time.Duration                   // for one attempt
	rescue  time.Duration                   // after which a job whose worker is gone is taken up; no less than limit
	look    time.Duration                   // how often it is looked for jobs of which no notice came
}

// keepJobs is how long a job that is done or given up is remembered, so that it
// is not added again.
const keepJobs = 24 * time.Hour

// fetchPause is the least time between two looks for jobs of one worker. It looks
// when hands are free, so that it bounds how many short jobs it gets done.
const fetchPause = 10 * time.Millisecond

// jobBatch bounds what goes to the database in one statement.
const jobBatch = 2000

func newQueue(driver *riverpgxv5.Driver, log *slog.Logger) (queue, error) {
	adder, err := river.NewClient(driver, &river.Config{Logger: quiet(log), FetchCooldown: fetchPause})
	if err != nil {
		return queue{}, fmt.Errorf("make a client of the job queue: %w", err)
	}
	return queue{adder: adder, backoff: service.JobBackoff, limit: service.JobTime, rescue: service.JobRescue, look: time.Second}, nil
}

// jobArgs is a job as River keeps it.
type jobArgs struct {
	kind   service.JobKind
	Tenant string `json:"tenant"`
	ID     string `json:"id"`
	Number int    `json:"number"`
}

// Kind is kept in a column of its own.
func (a jobArgs) Kind() string { return string(a.kind) }

// unique says which job keeps another of the same name out: any, in every state but
// cancelled, which nobody does.
var unique = river.UniqueOpts{ByArgs: true, ByState: []rivertype.JobState{
	rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateScheduled, rivertype.JobStateRetryable,
	rivertype.JobStateRunning, rivertype.JobStateCompleted, rivertype.JobStateDiscarded,
}}

func insertion(j service.Job, opts river.UniqueOpts) river.InsertManyParams {
	at := j.RunAt
	if at.Before(time.Now()) {
		at = time.Time{} // with a time River would look at it only every five seconds
	}
	return river.InsertManyParams{
		Args:       jobArgs{j.Kind, j.Tenant, j.ID, j.Number},
		InsertOpts: &river.InsertOpts{MaxAttempts: service.MaxJobAttempts, Priority: j.Priority(), ScheduledAt: at, UniqueOpts: opts},
	}
}

// Enqueue leaves it to the database to see which jobs are there.
func (s *Store) Enqueue(ctx context.Context, jobs ...service.Job) error {
	err := s.step(ctx, func(tx pgx.Tx, inner *Store) error { return inner.addJobs(ctx, tx, jobs...) })
	if err != nil {
		return fmt.Errorf("enqueue %d jobs: %w", len(jobs), err)
	}
	return nil
}

// addJobs adds jobs that are not there yet, in a transaction.
func (s *Store) addJobs(ctx context.Context, tx pgx.Tx, jobs ...service.Job) error {
	// In one order, so that two who add the same do not lock each other out, and
	// each once, which is all that one statement can do.
	jobs = slices.Clone(jobs)
	slices.SortStableFunc(jobs, byName)
	jobs = slices.CompactFunc(jobs, func(a, b service.Job) bool { return byName(a, b) == 0 })
	for part := range slices.Chunk(jobs, jobBatch) {
		var add []river.InsertManyParams
		for _, j := range part {
			if !storable(j.ID) {
				return errors.New("no job can have such an id")
			}
			add = append(add, insertion(j, unique))
		}
		if err := s.insert(ctx, func(ctx context.Context) error {
			_, err := s.queue.adder.InsertManyTx(ctx, tx, add)
			return err
		}); err != nil {
			return err
		}
	}
	return nil
}

func byName(a, b service.Job) int {
	return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Tenant, b.Tenant), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Number, b.Number))
}

// addNewJobs adds the jobs 0 to n - 1 of an id, none of which can be there yet.
// That need not be looked for, so that thousands are soon added.
func (s *Store) addNewJobs(ctx context.Context, tx pgx.Tx, kind service.JobKind, tenant, id string, n int) error {
	for first := 0; first < n; first += jobBatch {
		var add []river.InsertManyParams
		for i := first; i < min(first+jobBatch, n); i++ {
			add = append(add, insertion(service.Job{Kind: kind, Tenant: tenant, ID: id, Number: i}, river.UniqueOpts{}))
		}
		if err := s.insert(ctx, func(ctx context.Context) error {
			_, err := s.queue.adder.InsertManyFastTx(ctx, tx, add)
			return err
		}); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) insert(ctx context.Context, add func(ctx context.Context) error) error {
	limited, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	return s.door(ctx, add(limited))
}

// Backlog counts the jobs that are not done or given up.
func (s *Store) Backlog(ctx context.Context) (map[service.JobKind]int64, error) {
	out := map[service.JobKind]int64{}
	err := s.run(ctx, "", func(b *pgx.Batch) {
		b.Queue(backlog).Query(func(rows pgx.Rows) error {
			var kind string
			var n int64
			_, err := pgx.ForEachRow(rows, []any{&kind, &n}, func() error {
				out[service.JobKind(kind)] = n
				return nil
			})
			return err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("count jobs: %w", err)
	}
	return out, nil
}

// Work takes its share of the jobs. While the database is away at the start it
// tries again and again, and River does so later.
func (s *Store) Work(ctx context.Context, workers int, do func(ctx context.Context, j service.Job) error) error {
	for {
		client, err := s.worker(ctx, workers, do)
		if err != nil {
			return fmt.Errorf("work with %d workers: %w", workers, err)
		}
		// The end of the context ends the client with all that it does.
		err = client.Start(ctx)
		if err == nil {
			<-client.Stopped()
		}
		if ctx.Err() != nil {
			return nil
		}
		s.log.WarnContext(ctx, "the job queue could not be started", "error", err)
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(lostPause):
		}
	}
}

func (s *Store) worker(ctx context.Context, workers int, do func(ctx context.Context, j service.Job) error) (*river.Client[pgx.Tx], error) {
	hands := river.NewWorkers()
	for _, kind := range []service.JobKind{service.JobAudit, service.JobImpact, service.JobDelivery} {
		river.AddWorkerArgs(hands, jobArgs{kind: kind}, river.WorkFunc(func(limited context.Context, j *river.Job[jobArgs]) error {
			return s.carryOut(ctx, limited, service.Job{
				Kind: service.JobKind(j.Kind), Tenant: j.Args.Tenant, ID: j.Args.ID, Number: j.Args.Number, Attempt: j.Attempt,
			}, do)
		}))
	}
	return river.NewClient(riverpgxv5.New(s.pool), &river.Config{
		Logger:               quiet(s.log),
		Workers:              hands,
		Queues:               map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: workers}},
		FetchCooldown:        fetchPause,
		FetchPollInterval:    s.queue.look,
		JobTimeout:           s.queue.limit,
		RescueStuckJobsAfter: s.queue.rescue,
		RetryPolicy:          retries(s.queue.backoff),

		CompletedJobRetentionPeriod: keepJobs,
		DiscardedJobRetentionPeriod: keepJobs,
		// Before the server gives up: River then removes fewer at a time.
		JobCleanerTimeout: s.timeout * 4 / 5,
		// Its indexes belong to their owner, not to the role of the service.
		ReindexerIndexNames: []string{},
	})
}

// carryOut does one job within its time. One that is broken off because its worker
// stops, which ends the first context, has not failed: it is free again at once.
func (s *Store) carryOut(working, limited context.Context, j service.Job, do func(ctx context.Context, j service.Job) error) error {
	err := j.Run(limited, do)
	switch {
	case err == nil:
		return nil
	case working.Err() != nil:
		return river.JobSnooze(0)
	}
	// It is kept beside the job, where not every text can be.
	return errors.New(brief(err.Error()))
}

// brief is a text as the database can hold it, and not too long.
func brief(s string) string {
	const most = 4096
	s = strings.ReplaceAll(s, "\x00", "")
	if len(s) > most {
		s = s[:most]
	}
	return strings.ToValidUTF8(s, "�")
}

// retries is when River tries a job again.
type retries func(attempt int) time.Duration

// NextRetry counts from now, which is when the attempt failed or was found dead.
func (r retries) NextRetry(j *rivertype.JobRow) time.Time { return time.Now().Add(r(j.Attempt)) }

// quiet keeps to what somebody should look at: River also tells of its daily life.
func quiet(log *slog.Logger) *slog.Logger { return slog.New(warnings{log.Handler()}) }

type warnings struct{ slog.Handler }

// Enabled leaves out what is less than a warning.
func (w warnings) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelWarn && w.Handler.Enabled(ctx, l)
}

// WithAttrs stays quiet.
func (w warnings) WithAttrs(as []slog.Attr) slog.Handler { return warnings{w.Handler.WithAttrs(as)} }

// WithGroup stays quiet.
func (w warnings) WithGroup(name string) slog.Handler { return warnings{w.Handler.WithGroup(name)} }
