package api

import (
	"context"
	"net/http"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
)

// Bounds of what takes long.
const (
	maxStreams  = 256              // streams of events at a time of one replica
	maxExports  = 16               // exports of audits at a time
	streamTime  = 30 * time.Minute // after which a stream of events ends
	writeWait   = 30 * time.Second // that a caller may take to take what is written
	closingWait = time.Second      // for what is left of a request that is answered
)

// lane is for requests that take long. They have a time of their own, and a
// bound of their own in place of that on requests in flight, which they would
// fill for as long as they take.
type lane struct {
	name  string                     // of the limit
	time  time.Duration              // that a request may take
	takes func(r *http.Request) bool // nil for all of the route
	slots chan struct{}              // full while as many are answered as may be
}

// lanes are the lanes by route.
func lanes(c Config) map[string]*lane {
	return map[string]*lane{
		"POST /v1/audits":           {limitUploads, c.UploadTime + c.Timeout, hasFile, make(chan struct{}, c.Uploads)},
		"GET /v1/audits/:id/export": {limitExports, c.UploadTime, nil, make(chan struct{}, maxExports)},
		"GET /v1/audits/:id/events": {limitStreams, streamTime, nil, make(chan struct{}, maxStreams)},
	}
}

// laneOf is the lane of a request, or nil.
func laneOf(c echo.Context, lanes map[string]*lane) *lane {
	l := lanes[route(c)]
	if l == nil || l.takes != nil && !l.takes(c.Request()) {
		return nil
	}
	return l
}

// changeLane lets a request that takes long go on in its lane. It comes when it
// is known who asks: nobody else is to hold a place there, or a connection for
// that long.
func (g *gate) changeLane(lanes map[string]*lane) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			l := laneOf(c, lanes)
			if l == nil {
				return next(c)
			}
			select {
			case l.slots <- struct{}{}:
				defer func() { <-l.slots }()
			default:
				g.telemetry.refused.WithLabelValues(l.name).Inc()
				return refuse(ProblemOverloaded, "As many %s are going on as may be at a time.", l.name)
			}
			if leave, ok := c.Request().Context().Value(flightKey{}).(func()); ok {
				leave()
			}
			// A connection without deadlines, as in tests, says so; there is nothing to extend.
			conn := http.NewResponseController(c.Response())
			_ = conn.SetReadDeadline(time.Now().Add(l.time))
			_ = conn.SetWriteDeadline(time.Now().Add(l.time + writeWait))
			defer func() {
				// The reply waits until what is left of the body is there, or this is over.
				_ = conn.SetReadDeadline(time.Now().Add(closingWait))
				_ = conn.SetWriteDeadline(time.Now().Add(writeWait))
			}()
			return next(c)
		}
	}
}

// flightKey finds in a context how a request stops counting as one in flight.
type flightKey struct{}

// inFlight has a request count until it is answered or changes lanes.
func inFlight(c echo.Context, slots <-chan struct{}) (leave func()) {
	leave = sync.OnceFunc(func() { <-slots })
	c.SetRequest(c.Request().WithContext(context.WithValue(c.Request().Context(), flightKey{}, leave)))
	return leave
}

// steady writes to a caller who has to take every part within writeWait.
type steady struct {
	http.ResponseWriter
	conn *http.ResponseController
}

func steadily(w http.ResponseWriter) steady {
	return steady{w, http.NewResponseController(w)}
}

// Write gives the caller time for this part.
func (s steady) Write(p []byte) (int, error) {
	_ = s.conn.SetWriteDeadline(time.Now().Add(writeWait)) // as above
	return s.ResponseWriter.Write(p)
}

// headKey marks in a context a request for the header alone.
type headKey struct{}

// onlyHead says that nobody will see the body of the reply, so that one which
// takes long need not be written.
func onlyHead(ctx context.Context) bool { return ctx.Value(headKey{}) != nil }
