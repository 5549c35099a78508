package service_test

import (
	"io"
	"runtime"
	"strings"
	"testing"

	"drawgear/rules/fleet"
	"drawgear/service"
)

// endless is a table that is never held: a head, and a row over and over until so
// many bytes are read. It notes how large the heap grows meanwhile.
type endless struct {
	head, row string
	left, at  int
	peak      uint64
	reads     int
}

func (e *endless) Read(p []byte) (int, error) {
	if e.reads++; e.reads%256 == 0 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		e.peak = max(e.peak, m.HeapAlloc)
	}
	if e.head != "" {
		n := copy(p, e.head)
		e.head = e.head[n:]
		return n, nil
	}
	if e.left <= 0 {
		return 0, io.EOF
	}
	n := 0
	for n < len(p) && e.left > 0 {
		k := copy(p[n:], e.row[e.at:])
		n, e.at, e.left = n+k, (e.at+k)%len(e.row), e.left-k
	}
	return n, nil
}

func TestUploadKeepsNoFile(t *testing.T) {
	size := 200 << 20
	if testing.Short() {
		size = 16 << 20
	}
	d := newAuditDesk(t)
	d.store.forget = true
	runtime.GC()
	var before runtime.MemStats
	runtime.ReadMemStats(&before)
	row := "A," + strings.TrimSuffix(zzGood, "\n") + "," + strings.Repeat("n", 2000) + "\n"
	file := &endless{head: strings.TrimSuffix(zzHead, "\n") + ",driver.licence\n", row: row, left: size / len(row) * len(row)}
	a, err := d.Upload(who(t, saltmarshYard, "anna"), service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV}}, file)
	if err != nil || a.Rows != int64(size/len(row)) {
		t.Fatalf("%+v %v", a, err)
	}
	if grown := int64(file.peak) - int64(before.HeapAlloc); grown > 16<<20 {
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
		_, err := d.Upload(who(t, saltmarshYard, "anna"), service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV}}, &endless{head: "id\n", row: row, left: test.rows * len(row)})
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
