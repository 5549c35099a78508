package api

import (
	"container/list"
	"context"
	"fmt"
	"net/http"
	"runtime/debug"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"

	"drawgear/openapi"
	"drawgear/service"
)

// Bounds of those who wait for their turn to compute. With so many before it a
// request is answered after about so many times as long as one takes, and longer
// than that a caller had better come again.
const (
	waitQuick = 16          // for each turn
	waitLong  = 4           // for each turn of what takes long
	turnWait  = time.Second // however few they are
)

// takesLong are the operations that take the processor ten to a hundred times as
// long as an assessment: they solve, plan, lay out pages. They have turns of their
// own, so that they never keep all the others waiting.
var takesLong = map[string]bool{
	"CompareAudits": true, "CreateFitting": true, "CreateLimits": true, "GetAssessmentReport": true,
	"GetAuditSummary": true, "GetFittingRecord": true, "ReplayFitting": true,
}

// turns is a queue of requests before a number of turns to compute. Who comes first
// is first; only those whose turn was interrupted go before who had none yet. It is
// safe for concurrent use.
//
// Two things keep the queue where it is counted, rather than before the processors.
// There should be fewer turns than processors, so that one is left for those who come:
// what computes does not stop for them. And a turn is a goroutine that takes up one
// after the other: one that was woken for each would stand behind all who come.
type turns struct {
	most int // that may wait for their first turn

	computing, waiting prometheus.Gauge
	refused            prometheus.Counter

	mu       sync.Mutex
	free     int       // turns that nobody has; none while somebody waits
	newcomer list.List // of *turn
	returner list.List // of chan struct{}, closed when the turn has come again
}

func newTurns(limit string, number, most int, t *Telemetry) *turns {
	return &turns{
		most: number * most, free: number,
		computing: t.computing.WithLabelValues(limit), waiting: t.waiting.WithLabelValues(limit), refused: t.refused.WithLabelValues(limit),
	}
}

// turn is what one request computes.
type turn struct {
	of      *turns
	compute func()
	over    chan struct{} // closed when it is computed
	fault   any           // that it panicked with
	waits   bool          // among the newcomers; guarded by of.mu

	mu   sync.Mutex
	held bool
}

// errNoTurn is the refusal of a request that does not get a turn.
var errNoTurn = refuse(ProblemOverloaded, "As many requests compute, and wait to, as may be at a time.")

// do has something computed when its turn comes. It refuses at once if too many wait
// already, and later if the turn does not come; then nothing was computed. A panic
// comes out where it would without turns.
func (q *turns) do(ctx context.Context, compute func(t *turn)) error {
	t := &turn{of: q, over: make(chan struct{}), held: true}
	t.compute = func() { compute(t) }
	if err := q.enter(ctx, t); err != nil {
		if err == errNoTurn {
			q.refused.Inc()
		}
		return err
	}
	<-t.over
	if t.fault != nil {
		panic(t.fault)
	}
	return nil
}

// enter waits until a newcomer has its turn, or the end of the context, whose cause
// it gives then.
func (q *turns) enter(ctx context.Context, t *turn) error {
	q.mu.Lock()
	if q.free > 0 {
		q.free--
		q.computing.Inc()
		q.mu.Unlock()
		go q.work(t)
		return nil
	}
	if q.newcomer.Len() >= q.most {
		q.mu.Unlock()
		return errNoTurn
	}
	at := q.newcomer.PushBack(t)
	t.waits = true
	q.waiting.Inc()
	q.mu.Unlock()

	ctx, cancel := context.WithTimeoutCause(ctx, turnWait, errNoTurn)
	defer cancel()
	select {
	case <-t.over:
		return nil
	case <-ctx.Done():
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if !t.waits {
		return nil // it computes, and will be over
	}
	q.newcomer.Remove(at)
	q.waiting.Dec()
	return context.Cause(ctx)
}

// work computes for one after the other for as long as it has the turn.
func (q *turns) work(t *turn) {
	for t != nil {
		t.run()
		if !t.end() {
			return
		}
		t = q.next()
	}
}

// next gives a turn on: to one that had it before, to a newcomer for whom somebody
// must work now, or to nobody.
func (q *turns) next() *turn {
	q.mu.Lock()
	defer q.mu.Unlock()
	if first := q.returner.Front(); first != nil {
		close(q.returner.Remove(first).(chan struct{}))
		q.waiting.Dec()
		return nil
	}
	if first := q.newcomer.Front(); first != nil {
		t := q.newcomer.Remove(first).(*turn)
		t.waits = false
		q.waiting.Dec()
		return t
	}
	q.free++
	q.computing.Dec()
	return nil
}

// again waits until a turn that was given back has come again, or the context ends.
func (q *turns) again(ctx context.Context) bool {
	q.mu.Lock()
	if q.free > 0 {
		q.free--
		q.computing.Inc()
		q.mu.Unlock()
		return true
	}
	come := make(chan struct{})
	at := q.returner.PushBack(come)
	q.waiting.Inc()
	q.mu.Unlock()
	select {
	case <-come:
		return true
	case <-ctx.Done():
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	select {
	case <-come: // in the same instant
		return true
	default:
		q.returner.Remove(at)
		q.waiting.Dec()
		return false
	}
}

// run computes, and keeps a panic for who waits for it.
func (t *turn) run() {
	defer close(t.over)
	defer func() {
		switch p := recover(); p {
		case nil:
		case http.ErrAbortHandler:
			t.fault = p
		default:
			t.fault = fmt.Sprintf("%v\n%s", p, debug.Stack())
		}
	}()
	t.compute()
}

// end says whether the turn was held; it is not any more.
func (t *turn) end() (held bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	held, t.held = t.held, false
	return held
}

// pause gives the turn back until resume has it again. A request whose context
// ends meanwhile goes on without, for it has nothing left to compute.
func (t *turn) pause(ctx context.Context) (resume func()) {
	if !t.end() {
		return func() {}
	}
	if other := t.of.next(); other != nil {
		go t.of.work(other)
	}
	return func() {
		if !t.of.again(ctx) {
			return
		}
		t.mu.Lock()
		defer t.mu.Unlock()
		t.held = true
	}
}

// inTurn lets handlers compute so many at a time. It stands after the body is read
// and before the reply is written, so that nobody holds a turn who is slow to send or
// to read. What is open to everybody computes nothing, and lanes have bounds of
// their own.
func (g *gate) inTurn(ops []openapi.Operation, lanes map[string]*lane) StrictMiddlewareFunc {
	open := map[string]bool{}
	for _, op := range ops {
		open[nameOf(op)] = op.Open
	}
	return func(next StrictHandlerFunc, operation string) StrictHandlerFunc {
		of := g.quick
		if takesLong[operation] {
			of = g.long
		}
		if of == nil || open[operation] {
			return next
		}
		return func(c echo.Context, request any) (response any, err error) {
			if laneOf(c, lanes) != nil {
				return next(c, request)
			}
			ctx := c.Request().Context()
			refused := of.do(ctx, func(t *turn) {
				c.SetRequest(c.Request().WithContext(service.WithTurn(ctx, func() func() { return t.pause(ctx) })))
				response, err = next(c, request)
			})
			if refused != nil {
				return nil, refused
			}
			return response, err
		}
	}
}
