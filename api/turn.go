package api

import (
	"container/list"
	"context"
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
// There should be fewer turns than processors. What only computes runs from its
// beginning to its end as soon as a processor gets to it; if all of them may compute,
// too many requests wait for the processors, where nobody counts them, and none here.
type turns struct {
	limit string // its name
	most  int    // that may wait for their first turn

	computing, waiting prometheus.Gauge
	refused            prometheus.Counter

	mu       sync.Mutex
	free     int       // turns that nobody has; none while somebody waits
	newcomer list.List // of chan struct{}, closed when the turn has come
	returner list.List // likewise
}

func newTurns(limit string, number, most int, t *Telemetry) *turns {
	return &turns{
		limit: limit, most: number * most, free: number,
		computing: t.computing.WithLabelValues(limit), waiting: t.waiting.WithLabelValues(limit), refused: t.refused.WithLabelValues(limit),
	}
}

// turn is what a request computes in. It is safe for concurrent use.
type turn struct {
	of *turns

	mu   sync.Mutex
	held bool
}

// take waits for a turn. It refuses at once if too many wait already, or later if
// none has come.
func (q *turns) take(ctx context.Context) (*turn, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, turnWait, errNoTurn)
	defer cancel()
	switch err := q.enter(ctx, &q.newcomer, q.most); err {
	case nil:
		return &turn{of: q, held: true}, nil
	case errNoTurn:
		q.refused.Inc()
		return nil, err
	default:
		return nil, err
	}
}

// errNoTurn is the refusal of a request that does not get a turn.
var errNoTurn = refuse(ProblemOverloaded, "As many requests compute, and wait to, as may be at a time.")

// enter waits in a list of at most so many until a turn has come or the context
// ends, and then gives its cause.
func (q *turns) enter(ctx context.Context, line *list.List, most int) error {
	q.mu.Lock()
	if q.free > 0 {
		q.free--
		q.computing.Inc()
		q.mu.Unlock()
		return nil
	}
	if line.Len() >= most {
		q.mu.Unlock()
		return errNoTurn
	}
	come := make(chan struct{})
	at := line.PushBack(come)
	q.waiting.Inc()
	q.mu.Unlock()
	select {
	case <-come:
		return nil
	case <-ctx.Done():
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	select {
	case <-come: // in the same instant
		return nil
	default:
		line.Remove(at)
		q.waiting.Dec()
		return context.Cause(ctx)
	}
}

// leave gives a turn to who is next.
func (q *turns) leave() {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, line := range []*list.List{&q.returner, &q.newcomer} {
		if first := line.Front(); first != nil {
			close(line.Remove(first).(chan struct{}))
			q.waiting.Dec()
			return
		}
	}
	q.free++
	q.computing.Dec()
}

// end gives the turn back, if it is held.
func (t *turn) end() (held bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	held, t.held = t.held, false
	if held {
		t.of.leave()
	}
	return held
}

// pause gives the turn back until resume has it again. A request whose context
// ends meanwhile goes on without, for it has nothing left to compute.
func (t *turn) pause(ctx context.Context) (resume func()) {
	if !t.end() {
		return func() {}
	}
	return func() {
		if t.of.enter(ctx, &t.of.returner, maxReturners) != nil {
			return
		}
		t.mu.Lock()
		defer t.mu.Unlock()
		t.held = true
	}
}

// maxReturners is no bound: they were let in before.
const maxReturners = int(^uint(0) >> 1)

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
		return func(c echo.Context, request any) (any, error) {
			if laneOf(c, lanes) != nil {
				return next(c, request)
			}
			ctx := c.Request().Context()
			mine, err := of.take(ctx)
			if err != nil {
				return nil, err
			}
			defer mine.end()
			c.SetRequest(c.Request().WithContext(service.WithTurn(ctx, func() func() { return mine.pause(ctx) })))
			return next(c, request)
		}
	}
}
