package postgres_test

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// BenchmarkCommit measures what a record costs on a server whose commits wait for
// the disk, each way with so many callers in a closed loop. First what the machine
// gives: rows of 3 kB in a table with a key and nothing else, a commit each, 64 a
// commit, and by COPY. Then records as they are kept, with the answer packed, the
// indexes of the lists and the entry in the tenant's log: a commit each, as if
// every one came alone, and as the store does it.
func BenchmarkCommit(b *testing.B) {
	const connections = 32
	url := pgtest.Durable(b).Database(b)
	ctx := home(b)
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		b.Fatal(err)
	}
	config.MaxConns = connections
	plain, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(plain.Close)
	exec(b, connect(b, url), "CREATE TABLE plain (id bigint PRIMARY KEY, body bytea NOT NULL)")
	exec(b, connect(b, url), "ALTER TABLE plain ALTER COLUMN body SET STORAGE EXTERNAL")
	body := noise(3 << 10)
	var n atomic.Int64
	next := func() int64 { return n.Add(1) }
	answers := assessed(b, 40)
	record := func() service.Record {
		n := next()
		return assessment(fmt.Sprint("R", n), "AU-NSW", answers[n%int64(len(answers))])
	}
	s := open(b, postgres.Config{URL: url, Connections: connections})

	for _, callers := range []int{1, 8, 32} {
		for _, way := range []struct {
			name string
			do   func(ctx context.Context) error
		}{
			{"plain row, a commit each", func(ctx context.Context) error {
				_, err := plain.Exec(ctx, "INSERT INTO plain VALUES ($1, $2)", next(), body)
				return err
			}},
			{"record, a commit each", func(ctx context.Context) error { return s.PutAlone(ctx, record()) }},
			{"record", func(ctx context.Context) error { return s.Put(ctx, record()) }},
		} {
			b.Run(fmt.Sprintf("%s/callers=%d", way.name, callers), func(b *testing.B) { loop(ctx, b, callers, way.do) })
		}
	}
	b.Run("plain row, 64 a commit/callers=8", func(b *testing.B) {
		const rows = 64
		loop(ctx, b, 8, func(ctx context.Context) error {
			var batch pgx.Batch
			for range rows {
				batch.Queue("INSERT INTO plain VALUES ($1, $2)", next(), body)
			}
			return plain.SendBatch(ctx, &batch).Close()
		})
		b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	})
	b.Run("plain row, COPY", func(b *testing.B) {
		_, err := plain.CopyFrom(ctx, pgx.Identifier{"plain"}, []string{"id", "body"}, pgx.CopyFromSlice(b.N, func(int) ([]any, error) { return []any{next(), body}, nil }))
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	})
	b.Logf("%d bytes a record with its indexes, of them %d in the log; the answers have %d",
		ask[int](b, connect(b, url), `SELECT (sum(pg_total_relation_size(relid)) / (SELECT count(*) FROM assessments))::bigint FROM pg_partition_tree('assessments')`)+
			ask[int](b, connect(b, url), "SELECT pg_total_relation_size('log_entries') / count(*) FROM log_entries"),
		ask[int](b, connect(b, url), "SELECT pg_total_relation_size('log_entries') / count(*) FROM log_entries"), len(answers[0]))
}

// loop calls with so many callers, each again as soon as it is answered.
func loop(ctx context.Context, b *testing.B, callers int, do func(context.Context) error) {
	for range 3 { // what is made once is made before the clock runs
		if err := do(ctx); err != nil {
			b.Fatal(err)
		}
	}
	took := make([][]time.Duration, callers)
	b.ResetTimer()
	var all sync.WaitGroup
	for k := range callers {
		all.Go(func() {
			for n := k; n < b.N; n += callers {
				began := time.Now()
				if err := do(ctx); err != nil {
					b.Error(err)
					return
				}
				took[k] = append(took[k], time.Since(began))
			}
		})
	}
	all.Wait()
	b.StopTimer()
	times := slices.Sorted(slices.Values(slices.Concat(took...)))
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "calls/s")
	b.ReportMetric(float64(times[len(times)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(times[len(times)*99/100].Microseconds()), "p99-µs")
}
