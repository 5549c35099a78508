package api_test

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.opentelemetry.io/otel/trace/noop"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/service"
)

// askFrom sends a request from an address.
func askFrom(t testing.TB, h http.Handler, address, path string, hs ...header) openapitest.Reply {
	t.Helper()
	req := httptest.NewRequest("GET", path, nil)
	req.Host, req.RemoteAddr = "localhost", net.JoinHostPort(address, "40000")
	for _, x := range hs {
		req.Header.Set(x.name, x.value)
	}
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, req)
	return openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()}
}

// spend asks until it is refused, and says how often it was not.
func spend(t testing.TB, h http.Handler, address, path string, hs ...header) int {
	t.Helper()
	for n := range 100 {
		if r := askFrom(t, h, address, path, hs...); r.Status == http.StatusTooManyRequests {
			return n
		}
	}
	t.Fatalf("%s from %s is not limited", path, address)
	return 0
}

const place = "/v1/jurisdictions/GB"

// slow refills so slowly that a test does not see it.
const slow = 0.001

// TestRateLimitByAddress: who shows no key is told by address, in the header
// fields of draft-ietf-httpapi-ratelimit-headers-10 (sections 3 and 4: q is the
// quota, w its window; r is what is left, t the time until there is more).
func TestRateLimitByAddress(t *testing.T) {
	reg := prometheus.NewRegistry()
	h := api.New(api.Config{
		Service: service.New(book(t), memory.New(0), clock), Telemetry: api.NewTelemetry(reg, noop.NewTracerProvider()),
		Limits: api.Limits{Rate: slow, Burst: 3},
	})
	for left := 2; left >= 0; left-- {
		r := askFrom(t, h, "192.0.2.1", place)
		if r.Status != http.StatusOK || r.Header.Get("RateLimit-Policy") != `"address";q=3;w=3000` || !strings.HasPrefix(r.Header.Get("RateLimit"), `"address";r=`+strconv.Itoa(left)+`;t=`) {
			t.Errorf("%d %q %q", r.Status, r.Header.Get("RateLimit-Policy"), r.Header.Get("RateLimit"))
		}
	}
	r := askFrom(t, h, "192.0.2.1", place)
	p := r.Problem(t)
	wait, err := strconv.Atoi(r.Header.Get("Retry-After"))
	if err != nil || wait < 999 || wait > 1000 {
		t.Errorf("Retry-After is %q, want 1000 s: one token at %v a second", r.Header.Get("Retry-After"), slow)
	}
	if r.Status != http.StatusTooManyRequests || p.Type != "/problems/rate-limited" || p.Status != r.Status || p.Advice == "" ||
		r.Header.Get("RateLimit") != `"address";r=0;t=`+strconv.Itoa(wait) {
		t.Errorf("%d %+v %q", r.Status, p, r.Header.Get("RateLimit"))
	}
	// Others are not touched, nor is what probes the service.
	for _, c := range []struct{ address, path string }{{"192.0.2.2", place}, {"2001:db8::1", place}, {"192.0.2.1", "/livez"}, {"192.0.2.1", "/readyz"}} {
		if r := askFrom(t, h, c.address, c.path); r.Status != http.StatusOK {
			t.Errorf("%s from %s: %d", c.path, c.address, r.Status)
		}
	}
	// A network of IPv6 is one caller: 2 of its 3 are left.
	if n := spend(t, h, "2001:db8::ffff", place); n != 2 {
		t.Errorf("%d more from another address of the network, want 2", n)
	}
	if n := spend(t, h, "2001:db8:0:1::1", place); n != 3 {
		t.Errorf("%d from another network, want 3", n)
	}
	hasLine(t, scrape(t, reg), `drawgear_http_requests_limited_total{limit="address"} 3`)
}

// TestRateLimitByKey: a key is one caller wherever it comes from, and another
// key at the same address is another.
func TestRateLimitByKey(t *testing.T) {
	l := newLockedWith(t, api.Limits{Rate: slow, Burst: 3})
	first, second := bearer(l.key(t, service.ScopeAssess).Key), bearer(l.key(t, service.ScopeAssess).Key)
	if r := askFrom(t, l.h, "192.0.2.1", place, first); r.Header.Get("RateLimit-Policy") != `"key";q=3;w=3000` || r.Status != http.StatusOK {
		t.Errorf("%d %q", r.Status, r.Header.Get("RateLimit-Policy"))
	}
	if n := spend(t, l.h, "192.0.2.2", place, first); n != 2 {
		t.Errorf("%d more from elsewhere, want 2", n)
	}
	if n := spend(t, l.h, "192.0.2.1", place, second); n != 3 {
		t.Errorf("%d with another key, want 3", n)
	}
	// No key at all: by address, 401 until the limit.
	if n := spend(t, l.h, "192.0.2.1", place); n != 3 {
		t.Errorf("%d without a key, want 3", n)
	}
}

// TestRateLimitOfBadKeys: guessing is limited by address, whatever is guessed.
func TestRateLimitOfBadKeys(t *testing.T) {
	l := newLockedWith(t, api.Limits{Rate: slow, Burst: 3})
	good := bearer(l.key(t, service.ScopeAssess).Key)
	var statuses []int
	for range 5 {
		r := askFrom(t, l.h, "192.0.2.9", place, bearer(service.NewKeyText().Reveal()))
		statuses = append(statuses, r.Status)
	}
	for i, want := range []int{401, 401, 401, 429, 429} {
		if statuses[i] != want {
			t.Fatalf("statuses %v", statuses)
		}
	}
	if r := askFrom(t, l.h, "192.0.2.8", place, good); r.Status != http.StatusOK {
		t.Errorf("a good key from elsewhere: %d", r.Status)
	}
	// Where nobody looks at it, whatever is shown is no way around the limit.
	for i, path := range []string{"/openapi.json", "/no-such-path"} {
		from := fmt.Sprintf("192.0.2.%d", 20+i)
		if n := spend(t, l.h, from, path, bearer("made-up")); n != 3 {
			t.Errorf("%s: %d, want 3", path, n)
		}
	}
	if r := askFrom(t, l.h, "192.0.2.20", "/livez", bearer("made-up")); r.Status != http.StatusOK {
		t.Errorf("livez: %d", r.Status)
	}
}

// TestForwardedFor: only a proxy that is trusted may say whose request it is.
func TestForwardedFor(t *testing.T) {
	_, proxies, err := net.ParseCIDR("10.1.0.0/16")
	if err != nil {
		t.Fatal(err)
	}
	h := api.New(api.Config{
		Service: service.New(book(t), memory.New(0), clock),
		Limits:  api.Limits{Rate: slow, Burst: 1, TrustedProxies: []*net.IPNet{proxies}},
	})
	for _, c := range []struct {
		from, says string
		want       int
	}{
		{"10.1.2.3", "192.0.2.1", 200},
		{"10.1.9.9", "192.0.2.1", 429},             // the same caller through another proxy
		{"10.1.2.3", "192.0.2.2", 200},             // another caller
		{"10.1.2.3", "192.0.2.77, 192.0.2.2", 429}, // what the caller itself claims is not believed
		{"10.2.0.1", "192.0.2.3", 200},             // no proxy of ours: told by its own address
		{"10.2.0.1", "192.0.2.4", 429},
	} {
		if r := askFrom(t, h, c.from, place, header{"X-Forwarded-For", c.says}); r.Status != c.want {
			t.Errorf("from %s, which says %s: %d, want %d", c.from, c.says, r.Status, c.want)
		}
	}
}

// TestInFlight: what is too much at a time is refused at once, and health is not.
func TestInFlight(t *testing.T) {
	entered, leave := make(chan struct{}), make(chan struct{})
	h := api.New(api.Config{
		Service: service.New(book(t), troubled{func(context.Context) error {
			entered <- struct{}{}
			<-leave
			return service.ErrNotFound
		}}, clock),
		Limits: api.Limits{InFlight: 2},
	})
	const kept = "/v1/assessments/AAAAAAAAAAAAAAAAAAAAAAAAAA"
	done := make(chan int, 2)
	for range 2 {
		go func() { done <- askFrom(t, h, "192.0.2.1", kept).Status }()
		<-entered
	}
	start := time.Now()
	r := askFrom(t, h, "192.0.2.1", place)
	if p := r.Problem(t); r.Status != http.StatusServiceUnavailable || p.Type != "/problems/overloaded" || r.Header.Get("Retry-After") == "" {
		t.Errorf("%d %+v", r.Status, p)
	}
	if took := time.Since(start); took > time.Second {
		t.Errorf("it is refused after %s", took)
	}
	if r := askFrom(t, h, "192.0.2.1", "/livez"); r.Status != http.StatusOK {
		t.Errorf("livez: %d", r.Status)
	}
	close(leave)
	for range 2 {
		if status := <-done; status != http.StatusNotFound {
			t.Errorf("what was in flight ends with %d", status)
		}
	}
	if r := askFrom(t, h, "192.0.2.1", place); r.Status != http.StatusOK {
		t.Errorf("when there is room again: %d", r.Status)
	}
}

// TestRateRefills: a caller who keeps to the rate is never refused, and one who
// was refused is taken again after Retry-After.
func TestRateRefills(t *testing.T) {
	h := api.New(api.Config{Service: service.New(book(t), memory.New(0), clock), Limits: api.Limits{Rate: 0.8, Burst: 1}})
	if n := spend(t, h, "192.0.2.1", place); n != 1 {
		t.Fatalf("%d at once, want 1", n)
	}
	r := askFrom(t, h, "192.0.2.1", place)
	wait, err := strconv.Atoi(r.Header.Get("Retry-After"))
	if err != nil || wait < 1 || wait > 2 { // what is left of 1.25 s, in whole ones
		t.Fatalf("Retry-After is %q", r.Header.Get("Retry-After"))
	}
	time.Sleep(time.Duration(wait) * time.Second)
	if r := askFrom(t, h, "192.0.2.1", place); r.Status != http.StatusOK {
		t.Errorf("after Retry-After: %d", r.Status)
	}
}

// TestManyAddresses: what is remembered of callers is bounded; who was quiet
// longest is forgotten.
func TestManyAddresses(t *testing.T) {
	h := api.New(api.Config{Service: service.New(book(t), memory.New(0), clock), Limits: api.Limits{Rate: slow, Burst: 1}})
	for _, address := range []string{"192.0.2.1", "192.0.2.2"} {
		if n := spend(t, h, address, "/openapi.json"); n != 1 {
			t.Fatalf("%d from %s, want 1", n, address)
		}
	}
	for i := range 16383 { // one less than are remembered
		askFrom(t, h, fmt.Sprintf("10.0.%d.%d", i/256, i%256), "/no-such-path")
	}
	if r := askFrom(t, h, "192.0.2.2", place); r.Status != http.StatusTooManyRequests {
		t.Errorf("the last but 16383 is forgotten: %d", r.Status)
	}
	if r := askFrom(t, h, "192.0.2.1", place); r.Status != http.StatusOK {
		t.Errorf("the oldest is not forgotten: %d", r.Status)
	}
}

// newLockedWith is newLocked with limits.
func newLockedWith(t testing.TB, limits api.Limits) locked {
	t.Helper()
	l := newLocked(t)
	l.h = api.New(api.Config{
		Service: service.New(book(t), memory.New(0), clock), Auth: service.Bearers{Keys: l.keys}, Keys: l.keys, Limits: limits,
	})
	return l
}
