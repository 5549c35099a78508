package api

import (
	"context"
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"

	"drawgear/rules"
)

// Telemetry measures requests and follows them. No label and no attribute holds
// what a caller made up: routes are those of the contract, methods those of
// HTTP, places those whose law is held.
type Telemetry struct {
	requests *prometheus.CounterVec
	took     *prometheus.HistogramVec
	inFlight prometheus.Gauge

	computing, waiting *prometheus.GaugeVec
	verdicts           *prometheus.CounterVec
	refused            *prometheus.CounterVec
	panics             prometheus.Counter

	tracer trace.Tracer
}

// NewTelemetry registers the metrics of the edge, and follows requests by
// tracers of the provider.
func NewTelemetry(reg prometheus.Registerer, traces trace.TracerProvider) *Telemetry {
	t := &Telemetry{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "drawgear_http_requests_total", Help: "Requests answered, by route of the contract.",
		}, []string{"method", "route", "status"}),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "drawgear_http_request_duration_seconds", Help: "Time from the head of a request to the end of its reply.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10},
		}, []string{"method", "route"}),
		inFlight: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "drawgear_http_requests_in_flight", Help: "Requests being answered now.",
		}),
		computing: prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: "drawgear_http_requests_computing", Help: "Requests whose turn it is to compute, by the limit that bounds them.",
		}, []string{"limit"}),
		waiting: prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: "drawgear_http_requests_waiting", Help: "Requests that wait for their turn to compute, by the limit that bounds them.",
		}, []string{"limit"}),
		verdicts: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "drawgear_verdicts_total", Help: "Answers given, by place and verdict; a trip counts once a place.",
		}, []string{"jurisdiction", "verdict"}),
		refused: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "drawgear_http_requests_limited_total", Help: "Requests refused by a limit: key, address, credentials, in_flight, computing, computing_long, uploads, exports or streams.",
		}, []string{"limit"}),
		panics: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "drawgear_panics_total", Help: "Requests that ended in a panic and were answered with 500.",
		}),
		tracer: traces.Tracer("drawgear/api"),
	}
	for _, limit := range []string{limitKey, limitAddress, limitCredentials, limitInFlight, limitQuick, limitLong, limitUploads, limitExports, limitStreams} {
		t.refused.WithLabelValues(limit) // there from the start, so that a rise from none shows
	}
	reg.MustRegister(t.requests, t.took, t.inFlight, t.computing, t.waiting, t.verdicts, t.refused, t.panics)
	return t
}

// traceContext reads and writes the traceparent and tracestate headers (W3C
// Trace Context).
var traceContext propagation.TraceContext

// observe follows and measures a request. It stands outside of what writes the
// reply of an error, so that the status is the one that was sent.
func (t *Telemetry) observe(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		method, route := methodOf(r), template(c)
		ctx, span := t.tracer.Start(traceContext.Extract(r.Context(), propagation.HeaderCarrier(r.Header)), method+" "+route,
			trace.WithSpanKind(trace.SpanKindServer))
		defer span.End()
		if span.IsRecording() {
			span.SetAttributes(attribute.String("http.request.method", method), attribute.String("http.route", route),
				attribute.String("drawgear.request_id", requestID(c)))
		}
		c.SetRequest(r.WithContext(ctx))

		t.inFlight.Inc()
		defer t.inFlight.Dec()
		start := time.Now()
		err := next(c)
		status := c.Response().Status
		span.SetAttributes(attribute.Int("http.response.status_code", status))
		if status >= http.StatusInternalServerError {
			span.SetStatus(codes.Error, http.StatusText(status)) // never the text of the error
		}
		t.requests.WithLabelValues(method, route, strconv.Itoa(status)).Inc()
		took := t.took.WithLabelValues(method, route)
		if s := span.SpanContext(); s.IsSampled() {
			took.(prometheus.ExemplarObserver).ObserveWithExemplar(time.Since(start).Seconds(), prometheus.Labels{"trace_id": s.TraceID().String()})
		} else {
			took.Observe(time.Since(start).Seconds())
		}
		return err
	}
}

// methodOf names the method if it is one of HTTP.
func methodOf(r *http.Request) string {
	switch r.Method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return r.Method
	}
	return "other"
}

// countVerdicts counts what was answered. A reply that is given again to a
// repeated request does not come by here.
func (t *Telemetry) countVerdicts(next StrictHandlerFunc, operation string) StrictHandlerFunc {
	if operation != "CreateAssessment" && operation != "CreateTrip" {
		return next
	}
	return func(c echo.Context, request any) (any, error) {
		response, err := next(c, request)
		if err != nil {
			return response, err
		}
		for _, a := range answered(response) {
			t.verdicts.WithLabelValues(a.jurisdiction, string(a.verdict)).Inc()
		}
		return response, nil
	}
}

// placed is what is counted of an answer.
type placed struct {
	jurisdiction string
	verdict      rules.Verdict
}

func answered(response any) []placed {
	switch r := response.(type) {
	case assessmentReply:
		return []placed{r.answer}
	case minimalReply:
		return []placed{{r.Answer.Jurisdiction, r.Answer.Verdict}}
	case tripReply:
		return r.answers
	}
	return nil
}

// drain makes a service that is about to stop say that it is not ready, so that
// no new requests are sent to it; those that come are answered.
func drain(draining func() bool) StrictMiddlewareFunc {
	return func(next StrictHandlerFunc, operation string) StrictHandlerFunc {
		if operation != "GetReadiness" {
			return next
		}
		return func(c echo.Context, request any) (any, error) {
			response, err := next(c, request)
			if ready, ok := response.(GetReadiness200JSONResponse); ok && draining() {
				ready.Ready = false
				return GetReadiness503JSONResponse(ready), nil
			}
			return response, err
		}
	}
}

// LogHandler adds to each line that is logged within a request the id of the
// request and of its trace.
func LogHandler(to slog.Handler) slog.Handler { return logHandler{to} }

type logHandler struct{ slog.Handler }

// Handle adds what the line does not have already.
func (h logHandler) Handle(ctx context.Context, line slog.Record) error {
	named := false
	line.Attrs(func(a slog.Attr) bool {
		named = named || a.Key == "request_id"
		return !named
	})
	if id, ok := ctx.Value(requestIDKey{}).(string); ok && !named {
		line.AddAttrs(slog.String("request_id", id))
	}
	if s := trace.SpanContextFromContext(ctx); s.HasTraceID() {
		line.AddAttrs(slog.String("trace_id", s.TraceID().String()))
	}
	return h.Handler.Handle(ctx, line)
}

// WithAttrs keeps the additions.
func (h logHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return logHandler{h.Handler.WithAttrs(attrs)}
}

// WithGroup keeps the additions, within the group.
func (h logHandler) WithGroup(name string) slog.Handler { return logHandler{h.Handler.WithGroup(name)} }
