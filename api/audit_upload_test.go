package api_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"strings"
	"testing"
	"time"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules/fleet/longfile"
	"drawgear/service"
)

// send sends a body as it comes, of so many bytes or, if that is negative, of
// nobody knows how many.
func (a auditing) send(t testing.TB, target string, body io.Reader, size int64, as header) openapitest.Reply {
	t.Helper()
	req := httptest.NewRequest("POST", target, body)
	req.ContentLength = size
	req.Header.Set(as.name, as.value)
	req.Header.Set(a.key.name, a.key.value)
	rec := httptest.NewRecorder()
	a.h.ServeHTTP(rec, req)
	r := openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()}
	openapitest.Check(t, req, []byte("a file"), r) // of which the contract says only that it is text
	return r
}

// TestHostileFiles: what is no file of rigs is refused and leaves nothing.
func TestHostileFiles(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	for name, file := range map[string]string{
		"nothing": "", "a mark alone": "\xef\xbb\xbf", "a workbook": "PK\x03\x04\x14\x00\x06\x00", "an old workbook": "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
		"compressed": "\x1f\x8b\x08\x00\x00\x00\x00\x00", "UTF-16": "\xff\xfei\x00d\x00\n\x00", "UTF-16 without a mark": "i\x00d\x00\n\x00",
		"no such column": "zebra\n1\n", "a column twice": "id,id\n1,2\n", "two ways to part": "id,trailer.tare;jurisdiction\n", "a page": "<!DOCTYPE html>\n<p>", "JSON": `{"jurisdiction":"GB"}`,
	} {
		p := wantProblem(t, name, a.call(t, "POST", "/v1/audits", file+" ", asCSV), 422, "invalid-file")
		if len(p.Errors) == 0 || p.Errors[0].Line != 1 || p.Errors[0].Advice == "" {
			t.Errorf("%s: refused with %+v", name, p)
		}
	}
	p := wantProblem(t, "three faults", a.call(t, "POST", "/v1/audits", "zebra,id,id,trailer.tare [m]\n", asCSV), 422, "invalid-file")
	if len(p.Errors) != 3 || p.Errors[0].Column != 1 || !strings.HasPrefix(p.Errors[0].Message, "zebra: ") || p.Errors[1].Column != 3 || p.Errors[2].Column != 4 {
		t.Errorf("three faults are told as %+v", p.Errors)
	}
	for name, file := range map[string]string{"a header": "id,trailer.tare\n", "empty rows": "id,trailer.tare\n,\n,\n"} {
		wantProblem(t, name, a.call(t, "POST", "/v1/audits", file, asCSV), 422, "audit-size")
	}
	wantProblem(t, "no lines", a.call(t, "POST", "/v1/audits", "\n\n", asNDJSON), 422, "audit-size")
	for name, as := range map[string]header{
		"another character set": {"Content-Type", "text/csv; charset=windows-1252"}, "a form": {"Content-Type", "multipart/form-data; boundary=x"},
		"no kind": {"Content-Type", ""}, "no such kind": {"Content-Type", "text/csvx"},
	} {
		wantProblem(t, name, a.call(t, "POST", "/v1/audits", "id\n1\n", as), 415, "unsupported-media-type")
	}
	wantProblem(t, "said to be compressed", a.call(t, "POST", "/v1/audits", "id\n1\n", asCSV, header{"Content-Encoding", "gzip"}), 415, "unsupported-media-type")
	for _, query := range []string{"as_of=2026-02-30", "as_of=soon", "decimal=x", "place=Victoria", "jurisdiction=nsw", "months=2", "as_of_for_all=perhaps", "name=" + strings.Repeat("x", 201)} {
		p := wantProblem(t, query, a.call(t, "POST", "/v1/audits?"+query, "id\n1\n", asCSV), 400, "bad-query")
		if name, _, _ := strings.Cut(query, "="); len(p.Errors) != 1 || p.Errors[0].Parameter != name {
			t.Errorf("%s: refused with %+v", query, p)
		}
	}
	if page := decode[service.AuditPage](t, a.call(t, "GET", "/v1/audits", "")); len(page.Items) != 0 {
		t.Errorf("what was refused left %+v", page.Items)
	}
	// A key of its own for a request that may be sent again is not taken: the file would have to be kept.
	if r := a.call(t, "POST", "/v1/audits", "id,jurisdiction\n1,GB\n", asCSV, onceKey("one")); r.Status != 202 || r.Header.Get("Idempotency-Replayed") != "" {
		t.Errorf("with a key: %d %s", r.Status, r.Body)
	}
}

// brokenOff is a body whose sender goes away.
type brokenOff struct{ io.Reader }

func (b brokenOff) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	if err == io.EOF {
		err = io.ErrUnexpectedEOF // as net/http has it
	}
	return n, err
}

// TestFileBreaksOff: no audit of part of a file is taken for one of all of it.
func TestFileBreaksOff(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		a := newAuditing(t, st, nil)
		row := "x,GB," + strings.Repeat("n", 1000) + "\n"
		for _, rows := range []int{0, 2, 1200} {
			p := wantProblem(t, fmt.Sprint(rows), a.send(t, "/v1/audits", brokenOff{strings.NewReader("id,jurisdiction,# notes\n" + strings.Repeat(row, rows) + "y,G")}, -1, asCSV), 422, "invalid-file")
			if !strings.Contains(p.Detail, "broke off") {
				t.Errorf("%d rows: refused with %+v", rows, p)
			}
		}
		a.work(t)
		for _, audit := range decode[service.AuditPage](t, a.call(t, "GET", "/v1/audits", "")).Items {
			if audit.State != service.AuditFailed || audit.Note == "" {
				t.Errorf("what broke off is %+v", audit)
			}
		}
	})
}

// sieve is a store that keeps no rows.
type sieve struct {
	recordStore
}

// PutAuditChunk lets rows through.
func (sieve) PutAuditChunk(context.Context, string, service.AuditChunk) error { return nil }

// TestGiantFiles: 1 GB that says how large it is is refused before a byte is
// read; one that does not, at the limit. In between no more than a part of it is
// in memory.
func TestGiantFiles(t *testing.T) {
	limit := int64(64 << 20)
	if testing.Short() {
		limit = 32 << 20
	}
	a := newAuditing(t, sieve{memory.New(0)}, func(c *api.Config) { c.UploadBytes = limit })
	row := "x,GB," + strings.Repeat("n", 4000) + "\n"
	for name, row := range map[string]string{"rows": row, "a row without end": `,"` + strings.Repeat("\n", 4000), "empty lines": "\n\n\n\n"} {
		file := func() *longfile.File {
			return &longfile.File{Head: "id,jurisdiction,# notes\n", Piece: row, Left: 1 << 30}
		}
		g := file()
		wantProblem(t, name, a.send(t, "/v1/audits", g, 1<<30, asCSV), 413, "body-too-large")
		if g.Given != 0 {
			t.Errorf("%s: %d bytes are read of what is too large", name, g.Given)
		}
		before := longfile.InUse()
		g = file()
		p := wantProblem(t, name, a.send(t, "/v1/audits", g, -1, asCSV), 413, "body-too-large")
		if !strings.Contains(p.Detail, fmt.Sprint(limit)) {
			t.Errorf("%s: refused with %+v", name, p)
		}
		if g.Given < limit || g.Given > limit+1<<20 {
			t.Errorf("%s: %d bytes are read up to a limit of %d", name, g.Given, limit)
		}
		if most := before + 8<<20; g.Most > most {
			t.Errorf("%s: %d MB are in memory, want no more than %d", name, g.Most>>20, most>>20)
		}
	}
	// The limit is what the file may have.
	head, line := "id,jurisdiction\n", "x,GB\n"
	a = newAuditing(t, memory.New(0), func(c *api.Config) { c.UploadBytes = int64(len(head) + 2*len(line)) })
	for rows, want := range map[int]int{2: 202, 3: 413} {
		file := head + strings.Repeat(line, rows)
		for _, size := range []int64{int64(len(file)), -1} {
			if r := a.send(t, "/v1/audits", strings.NewReader(file), size, asCSV); r.Status != want {
				t.Errorf("%d rows, size %d: %d %s", rows, size, r.Status, r.Body)
			}
		}
	}
}

// TestGiantFileOverConnection sends 1 GB that does not say how large it is over a
// connection: it is refused at the limit though the sender goes on, and neither
// end holds more than a part of it.
func TestGiantFileOverConnection(t *testing.T) {
	const limit = 32 << 20
	a := newAuditing(t, sieve{memory.New(0)}, func(c *api.Config) { c.UploadBytes = limit })
	srv := httptest.NewServer(a.h)
	defer srv.Close()
	conn, err := net.Dial("tcp", srv.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	before := longfile.InUse()
	file := &longfile.File{Head: "id,jurisdiction,# notes\n", Piece: "x,GB," + strings.Repeat("n", 4000) + "\n", Left: 1 << 30}
	fmt.Fprintf(conn, "POST /v1/audits HTTP/1.1\r\nHost: localhost\r\nContent-Type: text/csv\r\nTransfer-Encoding: chunked\r\n%s: %s\r\n\r\n", a.key.name, a.key.value)
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		_, _ = io.Copy(httputil.NewChunkedWriter(conn), file) // until the other end hangs up
	}()
	p := wantProblem(t, "1 GB", a.reply(t, conn), 413, "body-too-large")
	if !strings.Contains(p.Detail, fmt.Sprint(limit)) {
		t.Errorf("refused with %+v", p)
	}
	<-sent
	// Beyond the limit no more goes than the buffers of the connection take.
	if file.Given < limit || file.Given > 4*limit {
		t.Errorf("%d bytes are sent up to a limit of %d", file.Given, limit)
	}
	if most := before + 8<<20; file.Most > most {
		t.Errorf("%d MB are in memory, want no more than %d", file.Most>>20, most>>20)
	}
	for _, audit := range decode[service.AuditPage](t, a.call(t, "GET", "/v1/audits", "")).Items {
		if audit.State != service.AuditFailed || audit.Note == "" {
			t.Errorf("what was refused is %+v", audit)
		}
	}
}

// FuzzUpload: whatever is sent for a file, it is audited or refused as the contract
// says.
func FuzzUpload(f *testing.F) {
	for _, seed := range []string{
		"", "id,jurisdiction\nx,GB\n", "id;trailer.tare [t]\nx;1,5\n", "\xef\xbb\xbfid\r\n\"a\"\"b\"\r\n", "id,id\n", "id\x00\n", "\x1f\x8b\x08", "\xff\xfei\x00d\x00",
		"id\n\"", "{\"id\":\"x\",\"rig\":{\"jurisdiction\":\"GB\"}}\n", "{}\n[]\nnull\n", "{\"a\":", "\n\n", "{\"jurisdiction\":\"GB\"}\n{\"jurisdiction\":\"ZZ\"",
	} {
		f.Add(seed, true)
		f.Add(seed, false)
	}
	a := newAuditing(f, sieve{memory.New(0)}, nil)
	f.Fuzz(func(t *testing.T, file string, table bool) {
		as := asNDJSON
		if table {
			as = asCSV
		}
		r := a.send(t, "/v1/audits?jurisdiction=AU-NSW&as_of=2026-11-25", strings.NewReader(file), int64(len(file)), as)
		switch r.Status {
		case 202: // it goes to make room
			wantStatus(t, "cancel", a.call(t, "POST", r.Header.Get("Location")+"/cancel", ""), 200)
		case 422:
			r.Problem(t)
		default:
			t.Errorf("%d %s", r.Status, r.Body)
		}
	})
}

// dial sends the head of an upload over a connection of its own, and some of
// the body, and leaves the rest to the test.
func (a auditing) dial(t testing.TB, srv *httptest.Server, size int, begin string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", srv.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	fmt.Fprintf(conn, "POST /v1/audits HTTP/1.1\r\nHost: localhost\r\nContent-Type: text/csv\r\nContent-Length: %d\r\n%s: %s\r\n\r\n%s", size, a.key.name, a.key.value, begin)
	return conn
}

func (a auditing) reply(t testing.TB, conn net.Conn) openapitest.Reply {
	t.Helper()
	req, err := http.NewRequest("POST", "/v1/audits", nil)
	if err != nil {
		t.Fatal(err)
	}
	got, err := http.ReadResponse(bufio.NewReader(conn), req)
	if err != nil {
		t.Fatal(err)
	}
	defer got.Body.Close()
	body, err := io.ReadAll(got.Body)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "text/csv")
	r := openapitest.Reply{Status: got.StatusCode, Header: got.Header, Body: body}
	openapitest.Check(t, req, []byte("a file"), r)
	return r
}

// TestSlowFile: a file may take longer than other requests, but not for ever.
func TestSlowFile(t *testing.T) {
	const file = "id,jurisdiction\nx,GB\ny,GB\n"
	serve := func(within time.Duration) (auditing, *httptest.Server) {
		a := newAuditing(t, memory.New(0), func(c *api.Config) { c.UploadTime = within })
		srv := httptest.NewUnstartedServer(a.h)
		srv.Config.ReadTimeout, srv.Config.WriteTimeout = time.Second, time.Second
		srv.Start()
		t.Cleanup(srv.Close)
		return a, srv
	}
	a, srv := serve(0)
	conn := a.dial(t, srv, len(file), file[:20])
	time.Sleep(1500 * time.Millisecond) // beyond what the server gives others
	if _, err := io.WriteString(conn, file[20:]); err != nil {
		t.Fatal(err)
	}
	if r := a.reply(t, conn); r.Status != 202 || decode[service.Audit](t, r).Rows != 2 {
		t.Errorf("a slow file: %d %s", r.Status, r.Body)
	}

	a, srv = serve(time.Second)
	wantProblem(t, "a file that stalls", a.reply(t, a.dial(t, srv, len(file), file[:20])), 408, "request-timeout")
	if page := decode[service.AuditPage](t, a.call(t, "GET", "/v1/audits", "")); len(page.Items) != 0 {
		t.Errorf("what stalled left %+v", page.Items)
	}
}

// TestTrickledFile: a file that never stops coming is given up all the same if
// it comes slower than 1 KiB a second. The connection does not know the time of
// the test, so that the deadlines are looked at that it is given.
func TestTrickledFile(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	body := &trickle{rest: []byte("id,jurisdiction,# notes\n" + strings.Repeat("x,GB,"+strings.Repeat("n", 4091)+"\n", 16))}
	req := httptest.NewRequest("POST", "/v1/audits", body)
	req.ContentLength = int64(len(body.rest))
	req.Header.Set("Content-Type", "text/csv")
	req.Header.Set(a.key.name, a.key.value)
	conn := &timed{ResponseRecorder: httptest.NewRecorder(), body: body}
	begun := time.Now()
	a.h.ServeHTTP(conn, req)
	if conn.Code != 202 {
		t.Fatalf("%d %s", conn.Code, conn.Body)
	}
	// Before each read there is time for what came so far at 1 KiB a second, and 15 s.
	if len(conn.deadlines) < 16 {
		t.Fatalf("the deadline is set %d times", len(conn.deadlines))
	}
	slack := time.Since(begun)
	for _, d := range conn.deadlines {
		want := begun.Add(15*time.Second + time.Duration(d.read>>10)*time.Second)
		if d.until.Before(want.Add(-slack)) || d.until.After(want.Add(slack)) {
			t.Errorf("after %d bytes there is time until %s, want %s", d.read, d.until.Sub(begun), want.Sub(begun))
		}
	}
}

// trickle gives its bytes in parts of 4 KiB.
type trickle struct {
	rest []byte
	read int
}

func (r *trickle) Read(p []byte) (int, error) {
	n := copy(p, r.rest[:min(len(r.rest), 4<<10)])
	r.rest, r.read = r.rest[n:], r.read+n
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

// timed is a connection that keeps what deadlines it is given while its body
// comes.
type timed struct {
	*httptest.ResponseRecorder
	body      *trickle
	deadlines []deadline
}

type deadline struct {
	read  int
	until time.Time
}

// SetReadDeadline keeps it.
func (c *timed) SetReadDeadline(until time.Time) error {
	if len(c.body.rest) > 0 && time.Until(until) < 10*time.Minute { // before, it is that of the whole
		c.deadlines = append(c.deadlines, deadline{c.body.read, until})
	}
	return nil
}

// gated is a body that tells when it is first read and then waits.
type gated struct {
	asked, goOn chan struct{}
	rest        io.Reader
}

func (g *gated) Read(p []byte) (int, error) {
	if g.asked != nil {
		close(g.asked)
		g.asked = nil
		<-g.goOn
	}
	return g.rest.Read(p)
}

// TestManyUploads: so many files come at a time. They are not counted among
// requests in flight, and each gives its place back.
func TestManyUploads(t *testing.T) {
	a := newAuditing(t, memory.New(0), func(c *api.Config) { c.Uploads, c.Limits = 1, api.Limits{InFlight: 1} })
	const file = "id,jurisdiction\nx,GB\n"
	body := &gated{make(chan struct{}), make(chan struct{}), strings.NewReader(file)}
	asked, goOn, done := body.asked, body.goOn, make(chan openapitest.Reply)
	go func() { done <- a.send(t, "/v1/audits", body, -1, asCSV) }()
	<-asked
	r := a.call(t, "POST", "/v1/audits", file, asCSV)
	wantProblem(t, "one more", r, 503, "overloaded")
	if r.Header.Get("Retry-After") == "" {
		t.Error("it is not said when to try again")
	}
	wantStatus(t, "another request", a.call(t, "GET", "/v1/audits", ""), 200)
	wantProblem(t, "an ask", a.call(t, "POST", "/v1/audits", `{"source":{"kind":"pairings"}}`), 422, "audit-size")
	close(goOn)
	wantStatus(t, "the first", <-done, 202)
	wantStatus(t, "a file again", a.call(t, "POST", "/v1/audits", file, asCSV), 202)
	// Who may not send files holds no place.
	if r := call(t, a.h, "POST", "/v1/audits", file, asCSV); r.Status != 401 {
		t.Errorf("without a key: %d", r.Status)
	}
}

// TestExportBreaksOff: a store that fails on the way must not make part of the
// rows look like all.
func TestExportBreaksOff(t *testing.T) {
	st := &halting{recordStore: memory.New(0)}
	a := newAuditing(t, st, nil)
	at := a.upload(t, "?jurisdiction=AU-NSW&as_of=2026-11-25", floats(t), asCSV)
	a.work(t)
	a.ended(t, at)
	st.halt = errors.New("the disk is gone")
	srv := httptest.NewServer(a.h)
	defer srv.Close()
	req, err := http.NewRequestWithContext(t.Context(), "GET", srv.URL+at+"/export", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set(a.key.name, a.key.value)
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return // before the header went
	}
	defer r.Body.Close()
	if body, err := io.ReadAll(r.Body); err == nil {
		t.Errorf("%d %s is complete", r.StatusCode, bytes.TrimSpace(body))
	}
}

// halting is a store that fails to read rows once it is told to.
type halting struct {
	recordStore
	halt error
}

// ListAuditOutcomes fails if it is to.
func (h *halting) ListAuditOutcomes(ctx context.Context, id string, from, limit int, items bool) ([]service.AuditOutcome, error) {
	if h.halt != nil {
		return nil, h.halt
	}
	return h.recordStore.ListAuditOutcomes(ctx, id, from, limit, items)
}
