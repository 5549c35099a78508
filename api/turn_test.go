package api_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.opentelemetry.io/otel/trace/noop"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules"
	"drawgear/service"
)

// parked is a store in which whoever reads a record waits until it is let go, with
// the turn or, as over a network, without.
type parked struct {
	service.Store

	without bool
	entered chan string                  // ids
	leave   map[string]chan func() error // what is to come of a read
}

// Get parks.
func (p parked) Get(ctx context.Context, id string) (service.Record, error) {
	if p.without {
		defer service.Waiting(ctx)()
	}
	p.entered <- id
	select {
	case end := <-p.leave[id]:
		return service.Record{}, end()
	case <-ctx.Done():
		return service.Record{}, ctx.Err()
	}
}

// idOf is a good id.
func idOf(n int) string {
	return strings.Repeat("A", 24) + string([]rune{'A' + rune(n/26), 'A' + rune(n%26)})
}

// notFound is what comes of a read.
func notFound() error { return service.ErrNotFound }

// crowd asks a service of one turn many things at once, within a bubble.
type crowd struct {
	t    *testing.T
	h    http.Handler
	reg  *prometheus.Registry
	park parked
}

// inCrowd runs a test in a bubble, whose clock stands still while anybody has
// something to do.
func inCrowd(t *testing.T, without bool, test func(c *crowd)) {
	t.Helper()
	law := book(t) // compiled once for all tests, so outside
	synctest.Test(t, func(t *testing.T) { test(newCrowd(t, law, without)) })
}

func newCrowd(t *testing.T, law *rules.Book, without bool) *crowd {
	c := &crowd{t: t, reg: prometheus.NewRegistry(), park: parked{Store: memory.New(0), without: without, entered: make(chan string, 99), leave: map[string]chan func() error{}}}
	for n := range 99 {
		c.park.leave[idOf(n)] = make(chan func() error)
	}
	c.h = api.New(api.Config{
		Service: service.New(law, c.park, clock), Telemetry: api.NewTelemetry(c.reg, noop.NewTracerProvider()), Limits: api.Limits{Computing: 1},
	})
	return c
}

// ask sends a request and comes back when it is answered, parked or waits.
func (c *crowd) ask(ctx context.Context, method, path, body string) <-chan openapitest.Reply {
	c.t.Helper()
	req := httptest.NewRequestWithContext(ctx, method, path, strings.NewReader(body))
	req.Host = "localhost"
	req.Header.Set("Content-Type", "application/json")
	done := make(chan openapitest.Reply, 1)
	go func() {
		rec := httptest.NewRecorder()
		c.h.ServeHTTP(rec, req)
		done <- openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()}
	}()
	synctest.Wait()
	if len(done) > 0 {
		r := <-done
		openapitest.Check(c.t, req, []byte(body), r)
		done <- r
	}
	return done
}

// read asks for a record, quick or laid out on pages, which takes long.
func (c *crowd) read(n int) <-chan openapitest.Reply {
	c.t.Helper()
	return c.ask(c.t.Context(), "GET", "/v1/assessments/"+idOf(n), "")
}

func (c *crowd) report(n int) <-chan openapitest.Reply {
	c.t.Helper()
	return c.ask(c.t.Context(), "GET", "/v1/assessments/"+idOf(n)+"/report", "")
}

// assess asks what computes without a store.
func (c *crowd) assess() <-chan openapitest.Reply {
	c.t.Helper()
	return c.ask(c.t.Context(), "POST", "/v1/assessments?record=false", float)
}

// parks says who is the next to have got to the store.
func (c *crowd) parks(want ...int) {
	c.t.Helper()
	synctest.Wait()
	var got, ids []string
	for len(c.park.entered) > 0 {
		got = append(got, <-c.park.entered)
	}
	for _, n := range want {
		ids = append(ids, idOf(n))
	}
	if !slices.Equal(got, ids) {
		c.t.Errorf("%v got to the store, want %v", got, ids)
	}
}

// letGo ends the read of a record.
func (c *crowd) letGo(n int) {
	c.t.Helper()
	c.park.leave[idOf(n)] <- notFound
	synctest.Wait()
}

// comes holds the answer to a status; it must be there.
func (c *crowd) comes(what string, done <-chan openapitest.Reply, status int) {
	c.t.Helper()
	synctest.Wait()
	select {
	case r := <-done:
		if r.Status != status {
			c.t.Errorf("%s: status %d, want %d", what, r.Status, status)
		}
		if status == http.StatusServiceUnavailable && r.Header.Get("Retry-After") != "1" {
			c.t.Errorf("%s: Retry-After is %q", what, r.Header.Get("Retry-After"))
		}
	default:
		c.t.Errorf("%s is not answered", what)
	}
}

// waits looks that there is no answer yet.
func (c *crowd) waits(what string, done <-chan openapitest.Reply) {
	c.t.Helper()
	synctest.Wait()
	if len(done) > 0 {
		c.t.Errorf("%s does not wait: status %d", what, (<-done).Status)
	}
}

// counts holds the metrics of a limit.
func (c *crowd) counts(limit string, computing, waiting, refused int) {
	c.t.Helper()
	metrics := scrape(c.t, c.reg)
	hasLine(c.t, metrics, fmt.Sprintf(`drawgear_http_requests_computing{limit=%q} %d`, limit, computing))
	hasLine(c.t, metrics, fmt.Sprintf(`drawgear_http_requests_waiting{limit=%q} %d`, limit, waiting))
	hasLine(c.t, metrics, fmt.Sprintf(`drawgear_http_requests_limited_total{limit=%q} %d`, limit, refused))
}

// TestTurnsInOrder: who comes first computes first.
func TestTurnsInOrder(t *testing.T) {
	inCrowd(t, false, func(c *crowd) {
		var all []<-chan openapitest.Reply
		for n := range 5 {
			all = append(all, c.read(n))
		}
		c.counts("computing", 1, 4, 0)
		for n := range 5 {
			c.parks(n)
			c.letGo(n)
			c.comes("the one that was let go", all[n], http.StatusNotFound)
		}
		c.counts("computing", 0, 0, 0)
	})
}

// TestTurnsAreBounded: with 16 before it a request is refused at once, and those
// before it are answered nevertheless. What probes and explains the service is not
// held up.
func TestTurnsAreBounded(t *testing.T) {
	inCrowd(t, false, func(c *crowd) {
		var all []<-chan openapitest.Reply
		for n := range 17 {
			all = append(all, c.read(n))
		}
		more := <-c.assess()
		if p := more.Problem(c.t); more.Status != http.StatusServiceUnavailable || p.Type != "/problems/overloaded" || p.Advice == "" {
			c.t.Errorf("one more: %d %+v", more.Status, p)
		}
		c.comes("another", c.read(17), http.StatusServiceUnavailable)
		c.counts("computing", 1, 16, 2)
		for _, open := range []string{"/livez", "/readyz", "/openapi.json"} {
			c.comes(open, c.ask(c.t.Context(), "GET", open, ""), http.StatusOK)
		}
		for n := range 17 {
			c.letGo(n)
			c.comes("one that waited", all[n], http.StatusNotFound)
		}
		c.comes("afterwards", c.assess(), http.StatusOK)
		c.counts("computing", 0, 0, 2)
	})
}

// TestTurnDoesNotCome: nobody waits for a turn longer than a second, by the clock of
// the bubble.
func TestTurnDoesNotCome(t *testing.T) {
	inCrowd(t, false, func(c *crowd) {
		first := c.read(0)
		second := c.assess()
		time.Sleep(time.Second - time.Nanosecond)
		c.waits("the second", second)
		c.counts("computing", 1, 1, 0)
		time.Sleep(time.Nanosecond)
		c.comes("the second", second, http.StatusServiceUnavailable)
		c.counts("computing", 1, 0, 1)
		c.letGo(0)
		c.comes("the first", first, http.StatusNotFound)
		c.comes("afterwards", c.assess(), http.StatusOK)
	})
}

// TestCallerLeavesTheQueue: whoever goes away while it waits leaves its place to the
// next, and takes no turn with it.
func TestCallerLeavesTheQueue(t *testing.T) {
	inCrowd(t, false, func(c *crowd) {
		first := c.read(0)
		c.parks(0)
		ctx, goAway := context.WithCancel(c.t.Context())
		gone := c.ask(ctx, "GET", "/v1/assessments/"+idOf(1), "")
		third := c.read(2)
		goAway()
		c.comes("who goes away", gone, http.StatusServiceUnavailable) // nobody sees it
		c.counts("computing", 1, 1, 0)
		c.letGo(0)
		c.comes("the first", first, http.StatusNotFound)
		c.parks(2)
		c.letGo(2)
		c.comes("the third", third, http.StatusNotFound)
		c.counts("computing", 0, 0, 0)
	})
}

// TestPanicGivesItsTurnBack: what ends in a panic leaves its turn.
func TestPanicGivesItsTurnBack(t *testing.T) {
	for name, without := range map[string]bool{"with the turn": false, "while waiting": true} {
		t.Run(name, func(t *testing.T) {
			inCrowd(t, without, func(c *crowd) {
				first := c.read(0)
				c.park.leave[idOf(0)] <- func() error { panic("of a store") }
				c.comes("the first", first, http.StatusInternalServerError)
				c.counts("computing", 0, 0, 0)
				c.comes("afterwards", c.assess(), http.StatusOK)
			})
		})
	}
}

// TestLongBesideQuick: what takes long has turns of its own, so that neither keeps
// the other waiting.
func TestLongBesideQuick(t *testing.T) {
	inCrowd(t, false, func(c *crowd) {
		var all []<-chan openapitest.Reply
		for n := range 5 {
			all = append(all, c.report(n))
		}
		c.comes("limits when four wait", c.ask(c.t.Context(), "POST", "/v1/limits", float), http.StatusServiceUnavailable)
		c.counts("computing_long", 1, 4, 1)
		c.comes("an assessment meanwhile", c.assess(), http.StatusOK)
		for n := range 5 {
			c.parks(n)
			c.letGo(n)
			c.comes("a report", all[n], http.StatusNotFound)
		}
		quick := c.read(6)
		c.comes("limits while what is quick is held up", c.ask(c.t.Context(), "POST", "/v1/limits", float), http.StatusOK)
		c.letGo(6)
		c.comes("what was held up", quick, http.StatusNotFound)
		c.counts("computing", 0, 0, 0)
		c.counts("computing_long", 0, 0, 1)
	})
}

// TestSlowStoreHoldsNoTurn: however many wait for the store, what needs none is
// answered.
func TestSlowStoreHoldsNoTurn(t *testing.T) {
	inCrowd(t, true, func(c *crowd) {
		var all []<-chan openapitest.Reply
		for n := range 40 {
			all = append(all, c.read(n))
		}
		c.counts("computing", 0, 0, 0)
		c.comes("an assessment meanwhile", c.assess(), http.StatusOK)
		for n := range 40 {
			c.letGo(n)
			c.comes("a read", all[n], http.StatusNotFound)
		}
	})
}

// TestReturnersGoFirst: whose turn was interrupted goes on before others begin, and
// after its time it goes on without, to say that it is over.
func TestReturnersGoFirst(t *testing.T) {
	law := book(t)
	synctest.Test(t, func(t *testing.T) {
		c := newCrowd(t, law, false)
		// The first waits for a store over a network, the second holds the turn.
		var over func()
		first, resume := make(chan struct{}), make(chan struct{})
		late := c.park.leave
		h := api.New(api.Config{
			Service: service.New(law, reading{c.park.Store, func(ctx context.Context, id string) error {
				if id != idOf(0) && id != idOf(9) {
					return second(c.park.Get(ctx, id))
				}
				over = service.Waiting(ctx)
				c.park.entered <- id
				<-late[id]
				over()
				c.park.entered <- id
				if id == idOf(0) {
					close(first)
					<-resume
				}
				return ctx.Err()
			}}, clock),
			Telemetry: api.NewTelemetry(prometheus.NewRegistry(), noop.NewTracerProvider()), Limits: api.Limits{Computing: 1},
		})
		c.h = h
		a := c.read(0)
		b := c.read(1)
		d := c.read(2)
		c.parks(0, 1)
		c.park.leave[idOf(0)] <- notFound // it wants its turn again, behind b and before d
		c.parks()
		c.letGo(1)
		c.comes("the second", b, http.StatusNotFound)
		c.parks(0)
		<-first
		c.waits("the third", d)
		close(resume)
		c.parks(2)
		<-a
		c.letGo(2)
		c.comes("the third", d, http.StatusNotFound)

		// Time ends before the turn comes again: it goes on without one, and gives none back.
		ctx, goAway := context.WithCancel(t.Context())
		e := c.ask(ctx, "GET", "/v1/assessments/"+idOf(9), "")
		f := c.read(3)
		c.parks(9, 3)
		c.park.leave[idOf(9)] <- notFound
		c.parks()
		goAway()
		c.parks(9)
		c.comes("who went away", e, http.StatusServiceUnavailable)
		g := c.read(4)
		c.parks()
		c.letGo(3)
		c.comes("who held the turn", f, http.StatusNotFound)
		c.parks(4)
		c.letGo(4)
		c.comes("the last", g, http.StatusNotFound)
	})
}

// reading is a store whose records are read by a function.
type reading struct {
	service.Store
	get func(ctx context.Context, id string) error
}

// Get reads none.
func (r reading) Get(ctx context.Context, id string) (service.Record, error) {
	return service.Record{}, r.get(ctx, id)
}

func second[T any](_ T, err error) error { return err }

// TestTurnsAtOnce: whatever comes together, no more compute at a time than may, and
// in the end every turn is back.
func TestTurnsAtOnce(t *testing.T) {
	const turns, callers, each = 3, 24, 40
	var now, most atomic.Int64
	busy := func(work func()) {
		n := now.Add(1)
		for {
			if m := most.Load(); n <= m || most.CompareAndSwap(m, n) {
				break
			}
		}
		work()
		now.Add(-1)
	}
	reg := prometheus.NewRegistry()
	h := api.New(api.Config{
		Service: service.New(book(t), reading{memory.New(0), func(ctx context.Context, _ string) error {
			busy(func() { time.Sleep(time.Microsecond) })
			over := service.Waiting(ctx)
			time.Sleep(time.Microsecond)
			over()
			busy(func() { time.Sleep(time.Microsecond) })
			return service.ErrNotFound
		}}, clock),
		Telemetry: api.NewTelemetry(reg, noop.NewTracerProvider()), Limits: api.Limits{Computing: turns},
	})
	statuses := make(chan int, callers*each)
	for range callers {
		go func() {
			for n := range each {
				statuses <- askFrom(t, h, "192.0.2.1", "/v1/assessments/"+idOf(n)).Status
			}
		}()
	}
	for range callers * each {
		if s := <-statuses; s != http.StatusNotFound && s != http.StatusServiceUnavailable {
			t.Fatalf("status %d", s)
		}
	}
	if most.Load() > turns {
		t.Errorf("%d computed at a time, want at most %d", most.Load(), turns)
	}
	metrics := scrape(t, reg)
	hasLine(t, metrics, `drawgear_http_requests_computing{limit="computing"} 0`)
	hasLine(t, metrics, `drawgear_http_requests_waiting{limit="computing"} 0`)
}
