package api_test

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// clients ask at once, each again as soon as it is answered.
const clients = 8

// BenchmarkLoad asks over loopback connections that stay open, in a closed loop of
// so many clients: first a handler that reads the rig and writes 3 kB, which is
// what the loop itself costs, then the service. Clients and service share the
// machine.
func BenchmarkLoad(b *testing.B) {
	document, err := os.ReadFile("../testdata/rigs/horse-float.json")
	if err != nil {
		b.Fatal(err)
	}
	reply := []byte(strings.Repeat("0123456789abcdef", 3<<10/16))
	bare := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, err := io.Copy(io.Discard, r.Body); err == nil {
			_, _ = w.Write(reply)
		}
	})
	for _, x := range []struct {
		name, path string
		handler    http.Handler
	}{
		{"bare echo of 3 kB", "/", bare},
		{"assessment, not recorded", "/v1/assessments?record=false", newServer(b)},
		{"assessment, recorded in memory", "/v1/assessments", newServer(b)},
		{"loads", "/v1/loads", newServer(b)},
		{"limits", "/v1/limits", newServer(b)},
	} {
		b.Run(x.name, func(b *testing.B) {
			server := httptest.NewServer(x.handler)
			defer server.Close()
			load(b, server.URL+x.path, document)
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

func load(b *testing.B, url string, body []byte) {
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: clients}}
	defer client.CloseIdleConnections()
	ask := func() time.Duration {
		began := time.Now()
		r, err := client.Post(url, "application/json", bytes.NewReader(body))
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
