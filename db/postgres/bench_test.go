package postgres_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/rules/library"
	"drawgear/service"
)

// The benchmarks run on a store of 100 000 records in twenty or so months,
// half of them another tenant's.
func BenchmarkStore(b *testing.B) {
	url := pgtest.New(b)
	many(b, url, 100_000)
	s := open(b, postgres.Config{URL: url})
	ctx := home(b)
	var n atomic.Int64
	b.Run("Put", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			put(ctx, b, s, large(n.Add(1)))
		}
	})
	b.Run("PutParallel", func(b *testing.B) {
		b.ReportAllocs()
		b.SetParallelism(4)
		b.RunParallel(func(pb *testing.PB) {
			for pb.Next() {
				if err := s.Put(ctx, large(n.Add(1))); err != nil {
					b.Error(err)
				}
			}
		})
	})
	b.Run("Get", func(b *testing.B) {
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			if _, err := s.Get(ctx, fmt.Sprintf("R%09d", 2+2*(i*7919%49_999))); err != nil {
				b.Fatal(err)
			}
		}
	})
	for i, name := range []string{"List", "ListJurisdiction", "ListVerdict", "ListBoth", "ListAfter"} {
		b.Run(name, func(b *testing.B) {
			f := filter(i)
			if f.After != nil {
				f.After = &service.Position{CreatedAt: day.AddDate(0, -1, 0), ID: "M"}
			}
			b.ReportAllocs()
			for b.Loop() {
				if items, err := s.List(ctx, f); err != nil || len(items) != f.Limit {
					b.Fatalf("%d items (%v)", len(items), err)
				}
			}
		})
	}
}

// large makes a record of a usual size.
func large(n int64) service.Record {
	r := record(fmt.Sprintf("P%d", n), day.Add(time.Duration(n)*time.Millisecond))
	r.Rig = bytes.Repeat([]byte(`{"axles":"2200 kg"}`), 60)
	r.Answer = bytes.Repeat(r.Answer, 200)
	return r
}

// BenchmarkAudit is a whole audit, from the first byte of a table of readable rigs of
// the demo in turn, until it has ended. The processor is that of this process alone.
func BenchmarkAudit(b *testing.B) {
	text, err := os.ReadFile("../../testdata/fleet/rigs.csv")
	if err != nil {
		b.Fatal(err)
	}
	lines := strings.Split(string(text), "\n")
	const rows = 20_000
	var table strings.Builder
	table.WriteString(lines[0] + "\n")
	for i := range rows {
		_, rest, _ := strings.Cut(lines[1+i%4], ",")
		fmt.Fprintf(&table, "R%d,%s\n", i, rest)
	}
	files, err := library.Files()
	if err != nil {
		b.Fatal(err)
	}
	var shipped [][]byte
	for _, f := range files {
		shipped = append(shipped, f.Data)
	}
	s := open(b, postgres.Config{URL: pgtest.New(b)})
	snapshots := service.NewSnapshots(s, slog.New(slog.DiscardHandler), time.Now)
	if err := snapshots.Start(b.Context(), shipped); err != nil {
		b.Fatal(err)
	}
	auditor := service.NewAuditor(service.NewLive(snapshots, s, time.Now), s, nil)
	working, stop := context.WithCancel(b.Context())
	ended := make(chan error)
	go func() { ended <- s.Work(working, runtime.GOMAXPROCS(0), auditor.Carry) }()
	ctx := home(b)
	processor := func() float64 {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e3
	}
	before := processor()
	b.ReportAllocs()
	for b.Loop() {
		a, err := auditor.Upload(ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV, Place: "AU-NSW"}}, strings.NewReader(table.String()))
		for err == nil && !a.State.Ended() {
			time.Sleep(5 * time.Millisecond)
			a, err = auditor.Get(ctx, a.ID)
		}
		if err != nil || a.State != service.AuditDone || a.RowsDone != rows {
			b.Fatalf("%+v %v", a, err)
		}
	}
	n := float64(rows * b.N)
	b.ReportMetric(n/b.Elapsed().Seconds(), "rows/s")
	b.ReportMetric((processor()-before)/n, "cpu-us/row")
	stop()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
}
