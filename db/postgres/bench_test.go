package postgres_test

import (
	"bytes"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
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
