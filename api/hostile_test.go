package api_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"drawgear/api"
	"drawgear/api/server"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules/rig"
	"drawgear/service"
)

// listening runs the service on a port, with the bounds of connections that
// package server sets and the limits that are the program's defaults. stop ends
// it and waits.
func listening(t *testing.T, limits api.Limits) (address string, stop func()) {
	t.Helper()
	store := memory.New(0)
	h := api.New(api.Config{Service: service.New(book(t), service.InStep(store), clock), Once: service.NewIdempotency(store), Limits: limits})
	srv, err := server.Listen(t.Context(), server.Config{Listen: "127.0.0.1:0", ShutdownWait: 10 * time.Second, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- srv.Serve(ctx, h) }()
	return strings.TrimPrefix(srv.URL(), "http://"), func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the server does not end well: %v", err)
		}
	}
}

// usual are the defaults of the settings.
var usual = api.Limits{Rate: 100, InFlight: 256, Computing: max(1, runtime.GOMAXPROCS(0)-1)}

// patience is how long anything may take before a test gives it up: far longer
// than any bound of the server, so that only what has no bound meets it.
const patience = 90 * time.Second

func connectTo(t testing.TB, address string) *net.TCPConn {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if err := conn.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return conn.(*net.TCPConn)
}

// replies reads what comes until the connection ends; it must not end by the
// deadline. A connection that is reset has ended too.
func replies(t testing.TB, conn net.Conn) (all []openapitest.Reply) {
	t.Helper()
	in := bufio.NewReader(conn)
	for {
		res, err := http.ReadResponse(in, nil)
		var late net.Error
		if errors.As(err, &late) && late.Timeout() {
			t.Fatalf("after %d replies the connection hangs", len(all))
		}
		if err != nil {
			return all
		}
		body, err := io.ReadAll(res.Body)
		if err != nil {
			return all // cut within a reply, as a reset does
		}
		res.Body.Close()
		all = append(all, openapitest.Reply{Status: res.StatusCode, Header: res.Header, Body: body})
	}
}

// last is a good request after which the server closes the connection: that it
// is answered shows that what came before left nothing behind.
const last = "GET /livez HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"

// post is a request with a body and these header fields.
func post(fields, body string) string {
	return "POST /v1/assessments?record=false HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n" + fields + "\r\n" + body
}

func sized(body string) string { return post(fmt.Sprintf("Content-Length: %d\r\n", len(body)), body) }

func get(path string, fields ...string) string {
	return "GET " + path + " HTTP/1.1\r\nHost: localhost\r\n" + strings.Join(fields, "") + "\r\n"
}

// bomb is 64 KiB or so that unpack to a thousand times as much.
var bomb = sync.OnceValue(func() string {
	var out bytes.Buffer
	w, zeros := gzip.NewWriter(&out), make([]byte, 1<<20)
	for range 1 << 6 {
		_, _ = w.Write(zeros) // a buffer takes everything
	}
	_ = w.Close()
	return out.String()
})

// hostile is something that nobody should send, and what comes of it. After it
// goes the last request, unless the connection is closed before.
type hostile struct {
	name string
	send string
	want []int // statuses of the replies, in order
	// plain: net/http refuses it before the service sees it, in words of its own.
	plain bool
	// broken: what follows the text is the end of the stream.
	broken bool
}

// try sends it over a connection of its own, and gives what comes.
func (c hostile) try(t *testing.T, address string) []openapitest.Reply {
	conn := connectTo(t, address)
	defer conn.Close()
	go func() { // the server may answer before all is sent
		if _, err := io.WriteString(conn, c.send); err == nil && c.broken {
			_ = conn.CloseWrite()
		} else if err == nil {
			_, _ = io.WriteString(conn, last)
		}
	}()
	return replies(t, conn)
}

// The statuses are those of RFC 9110 and 9112: a message that cannot be framed is
// refused with 400 and the connection closed (9112, sections 2.2, 6.3), an
// unknown transfer coding with 501 (9112, section 6.1), a version that is not
// spoken with 505, what is too large with 413 and 431 (RFC 6585, section 5).
func hostilities() []hostile {
	const (
		smuggled = "GET /v1/keys HTTP/1.1\r\nHost: localhost\r\n\r\n"
		rigText  = `{"jurisdiction":"GB"}`
	)
	chunked := func(body string) string { return post("Transfer-Encoding: chunked\r\n", body) }
	many := func(n int) (fields string) {
		var out strings.Builder
		for i := range n {
			fmt.Fprintf(&out, "X-%d: a\r\n", i)
		}
		return out.String()
	}
	return []hostile{
		{name: "a good request", send: sized(rigText), want: []int{200, 200}},
		{name: "pipelining", send: strings.Repeat(get("/livez"), 20), want: slices.Repeat([]int{200}, 21)},
		{name: "pipelining of what is refused", send: strings.Repeat(sized("{"), 5), want: []int{400, 400, 400, 400, 400, 200}},

		{name: "huge header", send: get("/livez", "X-A: "+strings.Repeat("a", 64<<10)+"\r\n"), want: []int{431}, plain: true},
		{name: "huge name of a header", send: get("/livez", strings.Repeat("a", 64<<10)+": a\r\n"), want: []int{431}, plain: true},
		{name: "too many header fields", send: get("/livez", many(10_000)), want: []int{431}, plain: true},
		{name: "as many header fields as fit", send: get("/livez", many(2_000)), want: []int{200, 200}},
		{name: "huge URL", send: get("/" + strings.Repeat("a", 64<<10)), want: []int{431}, plain: true},
		{name: "long URL", send: get("/v1/" + strings.Repeat("a", 30<<10)), want: []int{404, 200}},
		{name: "deep URL", send: get("/v1" + strings.Repeat("/a", 12<<10)), want: []int{404, 200}},
		{name: "long query", send: get("/v1/assessments?" + strings.Repeat("a=1&", 7<<10)), want: []int{400, 200}},
		{name: "long credential", send: get("/v1/jurisdictions", "Authorization: Bearer "+strings.Repeat("a", 30<<10)+"\r\n"), want: []int{200, 200}}, // nobody asks for one here

		{name: "compressed bomb", send: post(fmt.Sprintf("Content-Encoding: gzip\r\nContent-Length: %d\r\n", len(bomb())), bomb()), want: []int{415, 200}},
		{name: "small bomb", send: post("Content-Encoding: gzip\r\nContent-Length: 20\r\n", "\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff\x03\x00\x00\x00\x00\x00\x00\x00\x00\x00"), want: []int{415, 200}},
		{name: "compression of another kind", send: post("Content-Encoding: br, gzip\r\nContent-Length: 1\r\n", "{"), want: []int{415, 200}},
		{name: "deep JSON", send: sized(strings.Repeat("[", 60_000)), want: []int{422, 200}},
		{name: "deep JSON that ends", send: sized(strings.Repeat(`{"a":`, 10_000) + "1" + strings.Repeat("}", 10_000)), want: []int{422, 200}},
		{name: "double names", send: sized(`{"jurisdiction":"GB","jurisdiction":"NZ"}`), want: []int{422, 200}},
		{name: "double names, one escaped", send: sized(`{"jurisdiction":"GB","jurisdictio\u006e":"NZ"}`), want: []int{422, 200}},
		{name: "two documents", send: sized(rigText + rigText), want: []int{400, 200}},
		{name: "not UTF-8", send: sized("{\"jurisdiction\":\"G\xff\"}"), want: []int{400, 200}},
		{name: "half a surrogate pair", send: sized(`{"jurisdiction":"\ud800"}`), want: []int{422, 200}},
		{name: "a byte order mark", send: sized("\xef\xbb\xbf" + rigText), want: []int{400, 200}},
		{name: "NULs", send: sized("{\"jurisdiction\":\"G\x00B\"}"), want: []int{400, 200}},
		{name: "NULs written out", send: sized(`{"jurisdiction":"\u0000"}`), want: []int{422, 200}},
		{name: "a number without end", send: sized(`{"jurisdiction":` + strings.Repeat("9", 50_000) + `}`), want: []int{422, 200}},
		{name: "nothing", send: sized(""), want: []int{400, 200}},
		{name: "too large by its length", send: post("Content-Length: 9223372036854775807\r\n", "{"), want: []int{413}},
		{name: "too large in chunks", send: chunked(strings.Repeat(fmt.Sprintf("10000\r\n%s\r\n", strings.Repeat(" ", 1<<16)), 40)), want: []int{413}},

		{name: "chunks", send: chunked("15\r\n" + rigText + "\r\n0\r\n\r\n"), want: []int{200, 200}},
		{name: "a chunk of no length", send: chunked("ZZ\r\n{}\r\n0\r\n\r\n"), want: []int{400}},
		{name: "a chunk of no length, to be done once", send: strings.Replace(post("Idempotency-Key: a\r\nTransfer-Encoding: chunked\r\n", "ZZ\r\n{}\r\n0\r\n\r\n"), "?record=false", "", 1), want: []int{400}},
		{name: "a chunk of negative length", send: chunked("-1\r\n{}\r\n0\r\n\r\n"), want: []int{400}},
		{name: "a chunk longer than can be counted", send: chunked("fffffffffffffffff\r\n{}\r\n0\r\n\r\n"), want: []int{400}},
		{name: "a chunk that is longer than it says", send: chunked("1\r\n{}\r\n0\r\n\r\n"), want: []int{400}},
		{name: "a chunk with endless extensions", send: chunked("1;" + strings.Repeat("a", 64<<10) + "\r\n{\r\n0\r\n\r\n"), want: []int{400}},
		{name: "chunks of one byte", send: chunked(strings.Repeat("1;aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa\r\n \r\n", 1000) + "0\r\n\r\n"), want: []int{400}},
		{name: "chunks that break off", send: chunked("15\r\n{\"juris"), want: []int{400}, broken: true},
		{name: "a trailer that is a header", send: chunked("15\r\n" + rigText + "\r\n0\r\nAuthorization: Bearer x\r\n\r\n"), want: []int{200, 200}},

		{name: "less than the length", send: post("Content-Length: 100\r\n", rigText), want: []int{400}, broken: true},
		{name: "more than the length", send: post("Content-Length: 2\r\n", "{}"+rigText), want: []int{422, 400}, plain: true},
		{name: "two lengths", send: post("Content-Length: 2\r\nContent-Length: 21\r\n", rigText), want: []int{400}, plain: true},
		{name: "the same length twice", send: post("Content-Length: 21\r\nContent-Length: 21\r\n", rigText), want: []int{200, 200}},
		{name: "a list of lengths", send: post("Content-Length: 21, 21\r\n", rigText), want: []int{400}, plain: true},
		{name: "a signed length", send: post("Content-Length: +21\r\n", rigText), want: []int{400}, plain: true},
		{name: "a negative length", send: post("Content-Length: -1\r\n", rigText), want: []int{400}, plain: true},
		{name: "a length in hexadecimal", send: post("Content-Length: 0x15\r\n", rigText), want: []int{400}, plain: true},
		{name: "an empty length", send: post("Content-Length: \r\n", rigText), want: []int{400}, plain: true},

		// Smuggling: where two readers see the ends of messages in two places. The
		// hidden request must be refused with the rest, or be seen for what it is.
		{name: "length and chunks", send: post("Content-Length: 6\r\nTransfer-Encoding: chunked\r\n", "0\r\n\r\n"+smuggled), want: []int{400, 404, 200}},
		{name: "chunks and length", send: post("Transfer-Encoding: chunked\r\nContent-Length: 4\r\n", "15\r\n"+rigText+"\r\n0\r\n\r\n"), want: []int{200, 200}},
		{name: "two codings", send: post("Transfer-Encoding: chunked\r\nTransfer-Encoding: identity\r\n", "0\r\n\r\n"+smuggled), want: []int{501}, plain: true},
		{name: "a coding nobody knows", send: post("Transfer-Encoding: xchunked\r\n", "0\r\n\r\n"+smuggled), want: []int{501}, plain: true},
		{name: "chunked not last", send: post("Transfer-Encoding: chunked, gzip\r\n", "0\r\n\r\n"+smuggled), want: []int{501}, plain: true},
		{name: "chunked behind a tab", send: post("Transfer-Encoding:\tchunked\r\n", "15\r\n"+rigText+"\r\n0\r\n\r\n"), want: []int{200, 200}},
		{name: "chunked with a vertical tab", send: post("Transfer-Encoding: \x0bchunked\r\n", "0\r\n\r\n"+smuggled), want: []int{400}, plain: true},
		{name: "a blank before the colon", send: post("Transfer-Encoding : chunked\r\n", "0\r\n\r\n"+smuggled), want: []int{400}, plain: true},
		{name: "chunks in HTTP/1.0", send: strings.Replace(chunked("0\r\n\r\n"+smuggled), "HTTP/1.1", "HTTP/1.0", 1), want: []int{400}},
		{name: "a bare carriage return", send: get("/livez", "X-A: a\rTransfer-Encoding: chunked\r\n"), want: []int{400}, plain: true},
		{name: "a NUL in a header", send: get("/livez", "X-A: a\x00b\r\n"), want: []int{400}, plain: true},
		{name: "a header without a name", send: get("/livez", ": a\r\n"), want: []int{400}, plain: true},
		{name: "a header without a colon", send: get("/livez", "nonsense\r\n"), want: []int{400}, plain: true},
		{name: "a body to GET", send: get("/livez", "Content-Length: 5\r\n") + "GET /", want: []int{200, 200}},

		{name: "no host", send: "GET /livez HTTP/1.1\r\n\r\n", want: []int{400}, plain: true},
		{name: "two hosts", send: get("/livez", "Host: elsewhere.example\r\n"), want: []int{400}, plain: true},
		{name: "a host that is none", send: strings.Replace(get("/livez"), "localhost", "local host", 1), want: []int{400}, plain: true},
		{name: "a host elsewhere", send: strings.Replace(get("/v1/jurisdictions"), "localhost", "elsewhere.example", 1), want: []int{403, 200}},
		{name: "a target elsewhere", send: get("http://elsewhere.example/v1/jurisdictions"), want: []int{403, 200}},
		{name: "a host in the forwarding fields", send: strings.Replace(get("/v1/jurisdictions", "X-Forwarded-Host: localhost\r\nForwarded: host=localhost\r\n"), "localhost", "elsewhere.example", 1), want: []int{403, 200}},

		{name: "HTTP/1.0", send: "GET /livez HTTP/1.0\r\n\r\n", want: []int{200}},
		{name: "HTTP/1.0 without a host", send: "GET /v1/jurisdictions HTTP/1.0\r\n\r\n", want: []int{403}},
		{name: "HTTP/0.9", send: "GET /livez\r\n", want: []int{400}, plain: true},
		{name: "HTTP/2 without leave", send: "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\x00\x00\x00\x04\x00\x00\x00\x00\x00", want: []int{404}},
		{name: "HTTP/9", send: "GET /livez HTTP/9.1\r\nHost: localhost\r\n\r\n", want: []int{505}, plain: true},
		{name: "TLS", send: "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", want: []int{400}, plain: true},
		{name: "an upgrade", send: get("/livez", "Connection: Upgrade\r\nUpgrade: h2c\r\nHTTP2-Settings: AAMAAABkAARAAAAAAAIAAAAA\r\n"), want: []int{200, 200}},
		{name: "an expectation nobody meets", send: post("Expect: miracles\r\nContent-Length: 0\r\n", ""), want: []int{417}, plain: true},

		{name: "TRACE", send: "TRACE /livez HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer hush\r\n\r\n", want: []int{405, 200}},
		{name: "CONNECT", send: "CONNECT elsewhere.example:443 HTTP/1.1\r\nHost: elsewhere.example:443\r\n\r\n", want: []int{404, 200}},
		{name: "a method in small letters", send: "get /livez HTTP/1.1\r\nHost: localhost\r\n\r\n", want: []int{405, 200}},
		{name: "a method nobody knows", send: "DRAW /v1/assessments HTTP/1.1\r\nHost: localhost\r\n\r\n", want: []int{405, 200}},
		{name: "a method that is none", send: "G(T /livez HTTP/1.1\r\nHost: localhost\r\n\r\n", want: []int{400}, plain: true},
		{name: "a method over another", send: get("/v1/assessments", "X-HTTP-Method-Override: DELETE\r\nX-Method-Override: POST\r\n"), want: []int{200, 200}},

		{name: "a path upwards", send: get("/docs/../../../../etc/passwd"), want: []int{404, 200}},
		{name: "a path upwards, escaped", send: get("/docs/%2e%2e/%2e%2e/etc/passwd"), want: []int{404, 200}},
		{name: "a path upwards, slashes escaped", send: get("/docs/..%2f..%2f..%2fetc%2fpasswd"), want: []int{404, 200}},
		{name: "a path upwards, escaped twice", send: get("/docs/%252e%252e%252fetc%252fpasswd"), want: []int{404, 200}},
		{name: "a path upwards, backslashes", send: get("/docs/..%5c..%5cwindows%5cwin.ini"), want: []int{404, 200}},
		{name: "a path upwards, overlong", send: get("/docs/%c0%ae%c0%ae%c0%afetc"), want: []int{404, 200}},
		{name: "a path with a NUL", send: get("/docs/page.css%00.png"), want: []int{404, 200}},
		{name: "a path with two slashes", send: get("//etc/passwd"), want: []int{404, 200}},
		{name: "a path that is a folder", send: get("/docs/"), want: []int{404, 200}},
		{name: "a path with a raw NUL", send: get("/docs/\x00"), want: []int{400}, plain: true},
		{name: "a path that cannot be escaped", send: get("/docs/%zz"), want: []int{400}, plain: true},
		{name: "a new line in a path", send: get("/problems/%0d%0aSet-Cookie:%20a=b"), want: []int{404, 200}},
		{name: "a new line in an id", send: get("/livez", "X-Request-Id: a%0d%0ab\r\n"), want: []int{200, 200}},
	}
}

// TestHostileHTTP sends over a real connection what nobody should send. Each is
// answered as the table says, or the connection closed; none is a fault of ours,
// and nothing runs on afterwards.
func TestHostileHTTP(t *testing.T) {
	before := goleak.IgnoreCurrent()
	address, stop := listening(t, api.Limits{InFlight: usual.InFlight}) // the rate has tests of its own
	cases := hostilities()
	t.Run("all", func(t *testing.T) {
		for _, c := range cases {
			t.Run(c.name, func(t *testing.T) {
				t.Parallel()
				got := c.try(t, address)
				// What is sent after a refusal resets the connection, and that may
				// overtake the refusal.
				for range 20 {
					if len(got) >= len(c.want) {
						break
					}
					got = c.try(t, address)
				}
				statuses := make([]int, len(got))
				for i, r := range got {
					statuses[i] = r.Status
					if r.Status < 400 {
						continue
					}
					if p := bytes.Contains(r.Body, []byte(`"advice"`)); !p && !c.plain || bytes.Contains(r.Body, []byte("goroutine")) {
						t.Errorf("reply %d: %d %q", i, r.Status, r.Body)
					}
				}
				goesOn := c.want[len(c.want)-1] == http.StatusOK
				if !slices.Equal(statuses, c.want) && (goesOn || len(statuses) >= len(c.want) || !slices.Equal(statuses, c.want[:len(statuses)])) {
					t.Errorf("answered %v, want %v", statuses, c.want)
				}
			})
		}
	})
	stop()
	if err := goleak.Find(before); err != nil {
		t.Error(err)
	}
	t.Logf("%d hostile messages", len(cases))
}

// dribble sends a text, and then one letter after the other until the server has
// enough of it.
func dribble(t testing.TB, address, start string) []openapitest.Reply {
	t.Helper()
	conn := connectTo(t, address)
	done := make(chan struct{})
	go func() {
		defer close(done)
		if _, err := io.WriteString(conn, start); err != nil {
			return
		}
		for {
			time.Sleep(100 * time.Millisecond)
			if _, err := conn.Write([]byte("a")); err != nil {
				return
			}
		}
	}()
	got := replies(t, conn)
	conn.Close()
	<-done
	return got
}

// TestSlowConnections: who sends slowly, sends nothing or does not read is cut
// off by the bounds of a connection, however many they are, and others are
// answered meanwhile.
func TestSlowConnections(t *testing.T) {
	before := goleak.IgnoreCurrent()
	address, stop := listening(t, usual)
	t.Run("all", func(t *testing.T) {
		t.Run("headers", func(t *testing.T) {
			t.Parallel()
			ended := make(chan []openapitest.Reply)
			const attackers = 100
			for range attackers {
				go func() { ended <- dribble(t, address, "GET /livez HTTP/1.1\r\nHost: localhost\r\nX-A: ") }()
			}
			for range 10 {
				if res, err := http.Get("http://" + address + "/v1/jurisdictions/GB"); err != nil || res.StatusCode != 200 {
					t.Errorf("another caller meanwhile: %v %v", res, err)
				} else {
					res.Body.Close()
				}
			}
			for range attackers {
				if got := <-ended; len(got) > 0 {
					t.Errorf("half a request is answered: %d", got[0].Status)
				}
			}
		})
		t.Run("nothing", func(t *testing.T) {
			t.Parallel()
			if got := replies(t, connectTo(t, address)); len(got) > 0 {
				t.Errorf("nothing is answered: %d", got[0].Status)
			}
		})
		for name, start := range map[string]string{
			"a body":             post("Content-Length: 60000\r\n", `{"jurisdiction":"`),
			"a body in chunks":   post("Transfer-Encoding: chunked\r\n", "fffff\r\n{\"jurisdiction\":\""),
			"the size of chunks": post("Transfer-Encoding: chunked\r\n", "1;"),
		} {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				if testing.Short() {
					t.Skip("waits for the bound of 15 s")
				}
				got := dribble(t, address, start)
				if len(got) != 1 || got[0].Status != http.StatusRequestTimeout || got[0].Problem(t).Type != "/problems/request-timeout" {
					t.Errorf("answered %v, want one problem of status 408", got)
				}
			})
		}
		t.Run("replies that nobody reads", func(t *testing.T) {
			t.Parallel()
			if testing.Short() {
				t.Skip("waits for the bound of 30 s")
			}
			conn := connectTo(t, address)
			// More replies than the buffers on the way hold.
			_, err := io.WriteString(conn, strings.Repeat(get("/openapi.json"), 100))
			for err == nil {
				time.Sleep(100 * time.Millisecond)
				_, err = conn.Write([]byte("a"))
			}
			var late net.Error
			if errors.As(err, &late) && late.Timeout() {
				t.Error("the connection is kept for ever")
			}
		})
	})
	http.DefaultClient.CloseIdleConnections()
	stop()
	if err := goleak.Find(before); err != nil {
		t.Error(err)
	}
}

// TestHostileMemory: many who send without end make the service allocate no more
// than a few times the largest body each, whatever they send and announce.
func TestHostileMemory(t *testing.T) {
	const callers = 32
	address, stop := listening(t, api.Limits{InFlight: usual.InFlight})
	defer stop()
	packed := bomb()
	block := fmt.Appendf(nil, "10000\r\n%s\r\n", strings.Repeat(" ", 1<<16))
	for name, start := range map[string]string{
		"in chunks":       post("Transfer-Encoding: chunked\r\n", ""),
		"of a length":     post(fmt.Sprintf("Content-Length: %d\r\n", 1<<40), ""),
		"packed":          post("Content-Encoding: gzip\r\nTransfer-Encoding: chunked\r\n", fmt.Sprintf("%x\r\n%s\r\n", len(packed), packed)),
		"to no operation": "POST /nowhere HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n",
		"as a header":     "GET /livez HTTP/1.1\r\nHost: localhost\r\nX-A: ",
	} {
		t.Run(name, func(t *testing.T) {
			var was, is runtime.MemStats
			runtime.ReadMemStats(&was)
			ended := make(chan int64)
			for range callers {
				go func() {
					conn := connectTo(t, address)
					var sent int64
					n, err := io.WriteString(conn, start)
					for sent += int64(n); err == nil; sent += int64(n) {
						n, err = conn.Write(block)
					}
					var late net.Error
					if errors.As(err, &late) && late.Timeout() {
						t.Error("the server takes it for ever")
					}
					ended <- sent
				}()
			}
			var sent int64
			for range callers {
				sent += <-ended
			}
			runtime.ReadMemStats(&is)
			// Of all that was allocated, not only of what is left: reading doubles its
			// buffer, which comes to four times the body at most.
			allocated := int64(is.TotalAlloc - was.TotalAlloc)
			if most := int64(callers * (4*rig.MaxBytes + 1<<20)); allocated > most {
				t.Errorf("%d bytes were allocated, want at most %d", allocated, most)
			}
			t.Logf("%d callers sent %d KiB before they were cut off; %d KiB were allocated", callers, sent>>10, allocated>>10)
		})
	}
}

// TestOverload: with many times more callers than may be answered at a time, each
// gets its answer or is told at once to come again, no more than may be are
// worked for at a time, and all goes on when they are gone.
func TestOverload(t *testing.T) {
	const inFlight, callers = 4, 64
	entered, leave := make(chan struct{}, callers), make(chan struct{})
	h := api.New(api.Config{
		Service: service.New(book(t), troubled{func(context.Context) error {
			entered <- struct{}{}
			<-leave
			return service.ErrNotFound
		}}, clock),
		Limits: api.Limits{InFlight: inFlight},
	})
	srv := httptest.NewServer(h)
	defer srv.Close()
	statuses := make(chan int, callers)
	ask := func() {
		res, err := http.Get(srv.URL + "/v1/assessments/AAAAAAAAAAAAAAAAAAAAAAAAAA")
		if err != nil {
			t.Error(err)
			statuses <- 0
			return
		}
		defer res.Body.Close()
		if res.StatusCode == 503 && res.Header.Get("Retry-After") == "" {
			t.Error("it is not said when to come again")
		}
		statuses <- res.StatusCode
	}
	for range callers {
		go ask()
	}
	// Those who are refused do not wait for those who are not: nobody has left yet.
	for range callers - inFlight {
		if got := <-statuses; got != http.StatusServiceUnavailable {
			t.Errorf("refused with %d", got)
		}
	}
	for range inFlight {
		<-entered
	}
	if len(entered) > 0 {
		t.Errorf("%d more than may be are worked for", len(entered))
	}
	close(leave)
	for range inFlight {
		if got := <-statuses; got != http.StatusNotFound {
			t.Errorf("what was taken ends with %d", got)
		}
	}
	ask()
	if got := <-statuses; got != http.StatusNotFound {
		t.Errorf("afterwards: %d", got)
	}
}
