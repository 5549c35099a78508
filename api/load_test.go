package api_test

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"drawgear/openapi/openapitest"
)

// clients ask at once, each again as soon as it is answered.
const clients = 8

// BenchmarkLoad asks over loopback connections that stay open, in a closed loop of
// so many clients: first handlers that read the rig and write as much as an answer
// in little has, and a whole one, which is what the loop itself costs, and one that
// also has a schema validator hold the request to the contract; then the service.
// Clients and service share the machine.
func BenchmarkLoad(b *testing.B) {
	document, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		b.Fatal(err)
	}
	echo := func(size int) http.Handler {
		reply := bytes.Repeat([]byte("0123456789abcdef"), size/16)
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if _, err := io.Copy(io.Discard, r.Body); err == nil {
				_, _ = w.Write(reply)
			}
		})
	}
	checked := func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if err := openapitest.CheckRequest(r); err != nil {
				http.Error(w, err.Error(), http.StatusBadRequest)
				return
			}
			next.ServeHTTP(w, r)
		})
	}
	for _, x := range []struct {
		name, path string
		prefer     string
		handler    http.Handler
	}{
		{"bare echo of 3 kB", "/", "", echo(3 << 10)},
		{"echo of 3 kB behind a schema validator", "/v1/assessments?record=false", "return=minimal", checked(echo(3 << 10))},
		{"assessment in little", "/v1/assessments?record=false", "return=minimal", newServer(b)},
		{"bare echo of 80 kB", "/", "", echo(80 << 10)},
		{"assessment, not recorded", "/v1/assessments?record=false", "", newServer(b)},
		{"assessment, recorded in memory", "/v1/assessments", "", newServer(b)},
		{"loads", "/v1/loads", "", newServer(b)},
		{"limits", "/v1/limits", "", newServer(b)},
	} {
		b.Run(x.name, func(b *testing.B) {
			server := httptest.NewServer(x.handler)
			defer server.Close()
			load(b, server.URL+x.path, x.prefer, document)
		})
	}
}

// cpu is what this process has spent of processors, clients included. Unlike the
// rate it hardly depends on who else uses the machine.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func load(b *testing.B, url, prefer string, body []byte) {
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: clients}}
	defer client.CloseIdleConnections()
	ask := func() time.Duration {
		began := time.Now()
		req, err := http.NewRequest(http.MethodPost, url, bytes.NewReader(body))
		if err != nil {
			b.Error(err)
			return 0
		}
		req.Header.Set("Content-Type", "application/json")
		if prefer != "" {
			req.Header.Set("Prefer", prefer)
		}
		r, err := client.Do(req)
		if err != nil {
			b.Error(err)
			return 0
		}
		defer func() { _ = r.Body.Close() }()
		if _, err := io.Copy(io.Discard, r.Body); err != nil || r.StatusCode >= 300 {
			b.Errorf("status %d: %v", r.StatusCode, err)
		}
		return time.Since(began)
	}
	ask() // what is made once is made before the clock runs
	took := make([][]time.Duration, clients)
	b.ResetTimer()
	spent, began := cpu(b), time.Now()
	var all sync.WaitGroup
	for k := range clients {
		all.Go(func() {
			for n := k; n < b.N; n += clients {
				took[k] = append(took[k], ask())
			}
		})
	}
	all.Wait()
	rate := float64(b.N) / time.Since(began).Seconds()
	b.ReportMetric(float64((cpu(b)-spent).Microseconds())/float64(b.N), "cpu-µs/req")
	b.StopTimer()
	times := slices.Sorted(slices.Values(slices.Concat(took...)))
	b.ReportMetric(rate, "req/s")
	b.ReportMetric(float64(times[len(times)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(times[len(times)*99/100].Microseconds()), "p99-µs")
}
