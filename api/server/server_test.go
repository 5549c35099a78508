package server_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"drawgear/api/server"
)

// log is written by the server while a test reads it.
type log struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// running is a server that answers until it is stopped.
type running struct {
	*server.Server
	stop func()
	done chan error
	log  *log
}

func start(t *testing.T, c server.Config, h http.Handler) running {
	t.Helper()
	r := running{done: make(chan error, 1), log: new(log)}
	c.Logger = slog.New(slog.NewJSONHandler(r.log, nil))
	if c.Metrics == nil {
		c.Metrics = http.NotFoundHandler()
	}
	var err error
	if r.Server, err = server.Listen(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	r.stop = stop
	go func() { r.done <- r.Serve(ctx, h) }()
	t.Cleanup(stop)
	return r
}

func (r running) listen() string {
	_, address, _ := strings.Cut(r.URL(), "://")
	return address
}

func status(t *testing.T, client *http.Client, url string) int {
	t.Helper()
	res, err := client.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if _, err := io.Copy(io.Discard, res.Body); err != nil {
		t.Fatal(err)
	}
	return res.StatusCode
}

var fine = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusOK) })

// TestDrain: a service that is told to stop goes on answering for a while, says
// so, then takes no more and lets what is in progress finish.
func TestDrain(t *testing.T) {
	entered, leave := make(chan struct{}), make(chan struct{})
	r := start(t, server.Config{Listen: "127.0.0.1:0", DrainWait: 2 * time.Second, ShutdownWait: 10 * time.Second},
		http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
			if req.URL.Path == "/long" {
				close(entered)
				<-leave
			}
			io.WriteString(w, "whole")
		}))
	long := make(chan string, 1)
	go func() {
		res, err := http.Get(r.URL() + "/long")
		if err != nil {
			long <- err.Error()
			return
		}
		defer res.Body.Close()
		body, _ := io.ReadAll(res.Body)
		long <- string(body)
	}()
	<-entered
	if r.Draining() {
		t.Error("it is draining from the start")
	}
	r.stop()
	for !r.Draining() {
		time.Sleep(time.Millisecond)
	}
	if got := status(t, http.DefaultClient, r.URL()+"/short"); got != http.StatusOK {
		t.Errorf("a request while it drains: %d", got)
	}
	refused := func() bool {
		conn, err := net.DialTimeout("tcp", r.listen(), time.Second)
		if err == nil {
			conn.Close()
		}
		return err != nil
	}
	for begin := time.Now(); !refused(); time.Sleep(10 * time.Millisecond) {
		if time.Since(begin) > 20*time.Second {
			t.Fatal("it goes on taking requests")
		}
	}
	select {
	case err := <-r.done:
		t.Fatalf("it did not wait for what was in progress: %v", err)
	case <-time.After(50 * time.Millisecond):
	}
	close(leave)
	if body := <-long; body != "whole" {
		t.Errorf("what was in progress ended with %q", body)
	}
	if err := <-r.done; err != nil {
		t.Error(err)
	}
}

// TestDrainIsBounded: what does not end is cut off, and that is said.
func TestDrainIsBounded(t *testing.T) {
	entered := make(chan struct{})
	r := start(t, server.Config{Listen: "127.0.0.1:0", ShutdownWait: 50 * time.Millisecond},
		http.HandlerFunc(func(_ http.ResponseWriter, req *http.Request) {
			close(entered)
			<-req.Context().Done() // which the cut ends
		}))
	cut := make(chan error, 1)
	go func() {
		_, err := http.Get(r.URL())
		cut <- err
	}()
	<-entered
	r.stop()
	if err := <-r.done; !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "DRAWGEAR_SHUTDOWN_WAIT") {
		t.Errorf("it ends with %v", err)
	}
	if err := <-cut; err == nil {
		t.Error("the request was not cut off")
	}
}

// TestPrivatePort: metrics are shown on their own port and not on the other,
// profiles on loopback only.
func TestPrivatePort(t *testing.T) {
	metrics := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "up 1\n") })
	public := http.NotFoundHandler()
	for _, c := range []struct {
		private string
		profile int
	}{{"127.0.0.1:0", http.StatusOK}, {"0.0.0.0:0", http.StatusNotFound}} {
		r := start(t, server.Config{Listen: "127.0.0.1:0", Private: c.private, Metrics: metrics}, public)
		private := strings.Replace(r.PrivateURL(), "0.0.0.0", "127.0.0.1", 1)
		for path, want := range map[string]int{"/metrics": http.StatusOK, "/debug/pprof/": c.profile, "/debug/pprof/heap": c.profile, "/debug/pprof/cmdline": http.StatusNotFound, "/v1/assessments": http.StatusNotFound} {
			if got := status(t, http.DefaultClient, private+path); got != want {
				t.Errorf("%s on %s: %d, want %d", path, c.private, got, want)
			}
			if got := status(t, http.DefaultClient, r.URL()+path); got != http.StatusNotFound {
				t.Errorf("%s on the public port: %d", path, got)
			}
		}
	}
	if r := start(t, server.Config{Listen: "127.0.0.1:0"}, public); r.PrivateURL() != "" {
		t.Errorf("metrics are shown at %s, and were not asked for", r.PrivateURL())
	}
}

// TestPortsTaken: a port that is taken is refused under the name of its setting.
func TestPortsTaken(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	taken := l.Addr().String()
	for name, c := range map[string]server.Config{
		"DRAWGEAR_LISTEN": {Listen: taken}, "DRAWGEAR_METRICS_LISTEN": {Listen: "127.0.0.1:0", Private: taken},
		"DRAWGEAR_TLS_CERT": {Listen: "127.0.0.1:0", CertFile: "no-such-file", KeyFile: "no-such-file"},
	} {
		c.Logger = slog.New(slog.DiscardHandler)
		if _, err := server.Listen(t.Context(), c); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestTLS: over TLS from 1.2, HTTP/2 for those who can, and nothing in plain.
func TestTLS(t *testing.T) {
	certFile, keyFile := server.Issue(t, t.TempDir(), "yard.example")
	r := start(t, server.Config{Listen: "127.0.0.1:0", CertFile: certFile, KeyFile: keyFile}, fine)
	pemText, err := os.ReadFile(certFile)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(pemText)
	client := func(limit uint16) *http.Client {
		return &http.Client{Transport: &http.Transport{ForceAttemptHTTP2: true, TLSClientConfig: &tls.Config{
			RootCAs: roots, ServerName: "yard.example", MinVersion: tls.VersionTLS10, MaxVersion: limit,
		}}}
	}
	for limit, want := range map[uint16]bool{tls.VersionTLS10: false, tls.VersionTLS11: false, tls.VersionTLS12: true, tls.VersionTLS13: true} {
		res, err := client(limit).Get(r.URL())
		if (err == nil) != want {
			t.Errorf("%s: %v", tls.VersionName(limit), err)
		}
		if err == nil {
			res.Body.Close()
			if res.ProtoMajor != 2 {
				t.Errorf("%s: %s", tls.VersionName(limit), res.Proto)
			}
		}
	}
	if got := status(t, http.DefaultClient, strings.Replace(r.URL(), "https", "http", 1)); got != http.StatusBadRequest {
		t.Errorf("in plain: %d", got)
	}
}

// TestProbe: the probe tells a service that is ready from one that is not, is
// not there, hangs, or shows another certificate.
func TestProbe(t *testing.T) {
	certFile, keyFile := server.Issue(t, t.TempDir(), "yard.example")
	other, _ := server.Issue(t, t.TempDir(), "yard.example")
	ready := http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		switch req.URL.Path {
		case "/livez":
		case "/hang":
			<-req.Context().Done()
		default:
			w.WriteHeader(http.StatusServiceUnavailable)
		}
	})
	plain := start(t, server.Config{Listen: "127.0.0.1:0"}, ready).listen()
	secure := start(t, server.Config{Listen: "127.0.0.1:0", CertFile: certFile, KeyFile: keyFile}, ready).listen()
	_, port, _ := net.SplitHostPort(plain)
	gone := httptest.NewServer(fine)
	gone.Close()
	for _, c := range []struct {
		what, listen, cert, path string
		ok                       bool
	}{
		{"alive", plain, "", "/livez", true},
		{"alive, over TLS", secure, certFile, "/livez", true},
		{"not ready", plain, "", "/readyz", false},
		{"not ready, over TLS", secure, certFile, "/readyz", false},
		{"hangs", plain, "", "/hang", false},
		{"not there", gone.Listener.Addr().String(), "", "/livez", false},
		{"another certificate", secure, other, "/livez", false},
		{"TLS where there is none", plain, certFile, "/livez", false},
		{"no certificate", secure, "no-such-file", "/livez", false},
		{"no certificate in the file", secure, keyFile, "/livez", false},
		{"no address", "nowhere", "", "/livez", false},
		{"every address", "0.0.0.0:" + port, "", "/livez", true},
		{"every address, unsaid", ":" + port, "", "/livez", true},
	} {
		limit := 20 * time.Second
		if c.path == "/hang" {
			limit = 200 * time.Millisecond
		}
		ctx, cancel := context.WithTimeout(t.Context(), limit)
		if err := server.Probe(ctx, c.listen, c.cert, c.path); (err == nil) != c.ok {
			t.Errorf("%s: %v", c.what, err)
		}
		cancel()
	}
}

// TestTracing: spans reach a collector over OTLP when the provider is flushed,
// and what is no URL is refused.
func TestTracing(t *testing.T) {
	var got atomic.Int64
	collector := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, err := io.ReadAll(req.Body)
		if err == nil && req.URL.Path == "/v1/traces" && req.Header.Get("Content-Type") == "application/x-protobuf" && bytes.Contains(body, []byte("GET /livez")) {
			got.Add(1)
		}
		w.Header().Set("Content-Type", "application/x-protobuf")
	}))
	defer collector.Close()
	for _, share := range []float64{0, 1} {
		traces, flush, err := server.Tracing(t.Context(), collector.URL+"/v1/traces", "v1", share)
		if err != nil {
			t.Fatal(err)
		}
		_, span := traces.Tracer("test").Start(t.Context(), "GET /livez")
		span.End()
		if err := flush(t.Context()); err != nil {
			t.Error(err)
		}
		if got.Load() != int64(share) {
			t.Errorf("%d spans arrived at a share of %v", got.Load(), share)
		}
	}
	for _, endpoint := range []string{"nonsense", "ftp://127.0.0.1/", "http://"} {
		if _, _, err := server.Tracing(t.Context(), endpoint, "v1", 1); err == nil {
			t.Errorf("%q is taken", endpoint)
		}
	}
	if traces, flush, err := server.Tracing(t.Context(), "", "v1", 1); err != nil || flush(t.Context()) != nil {
		t.Errorf("without an endpoint: %v", err)
	} else if _, span := traces.Tracer("test").Start(t.Context(), "x"); span.IsRecording() {
		t.Error("without an endpoint it records")
	}
}
