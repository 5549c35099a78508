package service_test

import (
	"context"
	"os"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"drawgear/rules/fleet"
	"drawgear/rules/fleet/longfile"
	"drawgear/service"
)

func TestUploadKeepsNoFile(t *testing.T) {
	size := 200 << 20
	if testing.Short() {
		size = 16 << 20
	}
	d := newAuditDesk(t)
	d.store.forget = true
	before := longfile.InUse()
	row := "A," + strings.TrimSuffix(zzGood, "\n") + "," + strings.Repeat("n", 2000) + "\n"
	file := &longfile.File{Head: strings.TrimSuffix(zzHead, "\n") + ",driver.licence\n", Piece: row, Left: int64(size / len(row) * len(row))}
	a, err := d.Upload(who(t, saltmarshYard, "anna"), service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV}}, file)
	if err != nil || a.Rows != int64(size/len(row)) {
		t.Fatalf("%+v %v", a, err)
	}
	if grown := int64(file.Most) - int64(before); grown > 8<<20 {
		t.Errorf("the heap grew by %d bytes", grown)
	}
}

// TestTooManyRows: the row too many ends the audit as failed, before anything of
// it is answered.
func TestTooManyRows(t *testing.T) {
	d := newAuditDesk(t)
	d.store.forget = true
	const row = "A\n"
	for _, test := range []struct {
		rows int
		want error
	}{{service.MaxAuditRows, nil}, {service.MaxAuditRows + 1, service.ErrAuditRows}} {
		d.store.jobs = nil
		_, err := d.Upload(who(t, saltmarshYard, "anna"), service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV}}, &longfile.File{Head: "id\n", Piece: row, Left: int64(test.rows * len(row))})
		if (err == nil) != (test.want == nil) || err != nil && !strings.Contains(err.Error(), test.want.Error()) || (err == nil) != (len(d.store.jobs) == service.MaxAuditRows/service.AuditChunkRows) {
			t.Errorf("%d rows: %v, %d jobs", test.rows, err, len(d.store.jobs))
		}
	}
	page, err := d.Auditor.List(who(t, saltmarshYard, "anna"), "", 0)
	if err != nil || len(page.Items) != 2 {
		t.Fatalf("%+v %v", page, err)
	}
	for _, a := range page.Items {
		if failed := a.State == service.AuditFailed; failed != (a.Rows == 0) || failed != (a.Note != "") {
			t.Errorf("%+v", a)
		}
	}
}

// BenchmarkCarry answers a chunk of plain rows of New South Wales.
func BenchmarkCarry(b *testing.B) {
	d := newAuditDesk(b, shippedTexts(b)...)
	text, err := fleet.Template("AU-NSW")
	if err != nil {
		b.Fatal(err)
	}
	head, row, _ := strings.Cut(text, "\r\n")
	ctx := who(b, saltmarshYard, "anna")
	const rows = service.AuditChunkRows
	a := d.upload(b, ctx, service.AuditAsk{}, head+"\r\n"+strings.Repeat(row, rows))
	if a.Rows != rows || len(d.store.jobs) != 1 {
		b.Fatal(a.Rows, len(d.store.jobs))
	}
	d.store.lose = true // so that it is answered every time
	b.ReportAllocs()
	for b.Loop() {
		d.carry(b, d.store.jobs[0])
		d.store.given = nil
	}
	b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

// BenchmarkAudit is a whole audit with the store in memory, from the first byte of
// a table of readable rigs of the demo in turn, until it has ended.
func BenchmarkAudit(b *testing.B) {
	text, err := os.ReadFile("../testdata/fleet/rigs.csv")
	if err != nil {
		b.Fatal(err)
	}
	lines := strings.Split(string(text), "\n")
	const rows = 20_000
	var table strings.Builder
	table.WriteString(lines[0] + "\n")
	for i := range rows {
		_, rest, _ := strings.Cut(lines[1+i%4], ",")
		table.WriteString("R" + strconv.Itoa(i) + "," + rest + "\n")
	}
	d := newAuditDesk(b, shippedTexts(b)...)
	working, stop := context.WithCancel(b.Context())
	ended := make(chan error)
	go func() { ended <- d.store.Work(working, runtime.GOMAXPROCS(0), d.Carry) }()
	ctx := who(b, saltmarshYard, "anna")
	before := processor(b)
	b.ReportAllocs()
	for b.Loop() {
		a := d.upload(b, ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV, Place: "AU-NSW"}}, table.String())
		for !a.State.Ended() {
			time.Sleep(time.Millisecond)
			if a, err = d.Get(ctx, a.ID); err != nil {
				b.Fatal(err)
			}
		}
		if a.State != service.AuditDone || a.RowsDone != rows {
			b.Fatalf("%+v", a)
		}
	}
	n := float64(rows * b.N)
	b.ReportMetric(n/b.Elapsed().Seconds(), "rows/s")
	b.ReportMetric(float64((processor(b)-before).Microseconds())/n, "cpu-us/row")
	stop()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
}

// processor is the time that this process had of all processors.
func processor(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
