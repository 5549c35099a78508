package api_test

import (
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"go.opentelemetry.io/otel/trace/noop"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/service"
)

// scrape is what Prometheus would read.
func scrape(t testing.TB, reg *prometheus.Registry) string {
	t.Helper()
	rec := httptest.NewRecorder()
	promhttp.HandlerFor(reg, promhttp.HandlerOpts{}).ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
	return rec.Body.String()
}

func hasLine(t testing.TB, metrics, line string) {
	t.Helper()
	if !strings.Contains("\n"+metrics, "\n"+line+"\n") {
		t.Errorf("there is no line %s in\n%s", line, metrics)
	}
}

// TestMetrics: what is counted is counted by what the contract names, and by
// nothing that a caller can make up.
func TestMetrics(t *testing.T) {
	reg := prometheus.NewRegistry()
	h := api.New(api.Config{Service: service.New(book(t), memory.New(0), clock), Telemetry: api.NewTelemetry(reg, noop.NewTracerProvider())})
	a := decode[service.Assessment](t, call(t, h, "POST", "/v1/assessments", float))
	call(t, h, "GET", "/v1/assessments/"+a.ID, "")
	call(t, h, "POST", "/v1/assessments?record=false", float)
	call(t, h, "POST", "/v1/assessments", `{"jurisdiction":"ZZ"}`)
	call(t, h, "POST", "/v1/trips?through=GB,AU-VIC", float)
	call(t, h, "GET", "/no/such/path/"+a.ID, "")
	req := httptest.NewRequest("BREW", "/v1/assessments", nil)
	h.ServeHTTP(httptest.NewRecorder(), req)

	text := scrape(t, reg)
	for _, line := range []string{
		`drawgear_http_requests_total{method="POST",route="/v1/assessments",status="201"} 1`,
		`drawgear_http_requests_total{method="POST",route="/v1/assessments",status="200"} 1`,
		`drawgear_http_requests_total{method="POST",route="/v1/assessments",status="422"} 1`,
		`drawgear_http_requests_total{method="GET",route="/v1/assessments/:id",status="200"} 1`,
		`drawgear_http_requests_total{method="GET",route="none",status="404"} 1`,
		`drawgear_http_request_duration_seconds_count{method="POST",route="/v1/assessments"} 3`,
		`drawgear_http_requests_in_flight 0`,
		`drawgear_verdicts_total{jurisdiction="AU-NSW",verdict="` + string(verdictOf(t, a)) + `"} 2`,
		`drawgear_panics_total 0`,
		`drawgear_http_requests_limited_total{limit="key"} 0`,
	} {
		hasLine(t, text, line)
	}
	for _, place := range []string{"GB", "AU-VIC"} {
		if strings.Count(text, `drawgear_verdicts_total{jurisdiction="`+place+`",`) != 1 {
			t.Errorf("the trip through %s is not counted:\n%s", place, text)
		}
	}
	for _, madeUp := range []string{a.ID, "ZZ", "BREW", "such"} {
		if strings.Contains(text, madeUp) {
			t.Errorf("the metrics have %q:\n%s", madeUp, text)
		}
	}
}

func verdictOf(t testing.TB, a service.Assessment) string {
	t.Helper()
	var answer struct{ Verdict string }
	if err := json.Unmarshal(a.Answer, &answer); err != nil || answer.Verdict == "" {
		t.Fatalf("read the answer: %v", err)
	}
	return answer.Verdict
}

// TestTraces: a request goes on with the trace that it comes with, under the
// route of the contract.
func TestTraces(t *testing.T) {
	seen := tracetest.NewSpanRecorder()
	var log lockedBuffer
	h := api.New(api.Config{
		Service:   service.New(book(t), troubled{func(context.Context) error { panic("hunter2") }}, clock),
		Telemetry: api.NewTelemetry(prometheus.NewRegistry(), sdktrace.NewTracerProvider(sdktrace.WithSpanProcessor(seen))),
		Logger:    slog.New(api.LogHandler(slog.NewJSONHandler(&log, nil))),
	})
	const traceID, parent = "0af7651916cd43dd8448eb211c80319c", "b7ad6b7169203331" // of the examples of W3C Trace Context
	call(t, h, "POST", "/v1/assessments?record=false", float, header{"traceparent", "00-" + traceID + "-" + parent + "-01"}, header{"X-Request-Id", "yard-1"})
	call(t, h, "GET", "/v1/assessments/AAAAAAAAAAAAAAAAAAAAAAAAAA", "")

	spans := seen.Ended()
	if len(spans) != 2 {
		t.Fatalf("%d spans for 2 requests", len(spans))
	}
	first, second := spans[0], spans[1]
	if first.Name() != "POST /v1/assessments" || first.SpanContext().TraceID().String() != traceID || first.Parent().SpanID().String() != parent {
		t.Errorf("the span %s of trace %s has the parent %s", first.Name(), first.SpanContext().TraceID(), first.Parent().SpanID())
	}
	has := attribute.NewSet(first.Attributes()...)
	for key, want := range map[attribute.Key]string{
		"http.request.method": "POST", "http.route": "/v1/assessments", "http.response.status_code": "200", "drawgear.request_id": "yard-1",
	} {
		if v, ok := has.Value(key); !ok || v.String() != want {
			t.Errorf("%s is %q, want %q", key, v.String(), want)
		}
	}
	if second.SpanContext().TraceID().String() == traceID || second.Status().Code != codes.Error || strings.Contains(second.Status().Description, "hunter2") {
		t.Errorf("the span of the failure: trace %s, %+v", second.SpanContext().TraceID(), second.Status())
	}
	line, _, _ := strings.Cut(log.String(), "\n")
	if !strings.Contains(line, `"trace_id":"`+traceID+`"`) || strings.Count(line, "yard-1") != 1 {
		t.Errorf("the line of the first request is %s", line)
	}
}

// TestTraceWithoutCollector: without a collector the trace of the caller still
// reaches the log.
func TestTraceWithoutCollector(t *testing.T) {
	var log lockedBuffer
	h := api.New(api.Config{Service: service.New(book(t), memory.New(0), clock), Logger: slog.New(api.LogHandler(slog.NewJSONHandler(&log, nil)))})
	call(t, h, "GET", "/livez", "", header{"traceparent", "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-00"})
	call(t, h, "GET", "/livez", "", header{"traceparent", "nonsense"})
	if lines := log.String(); strings.Count(lines, `"trace_id":"0af7651916cd43dd8448eb211c80319c"`) != 1 || strings.Count(lines, "trace_id") != 1 {
		t.Errorf("the log is\n%s", lines)
	}
}

// TestPanicIsLoggedOnce: with its stack, and the reply has neither.
func TestPanicIsLoggedOnce(t *testing.T) {
	var log lockedBuffer
	reg := prometheus.NewRegistry()
	h := api.New(api.Config{
		Service: service.New(book(t), troubled{func(context.Context) error { panic("hunter2") }}, clock),
		Logger:  slog.New(slog.NewJSONHandler(&log, nil)), Telemetry: api.NewTelemetry(reg, noop.NewTracerProvider()),
	})
	r := call(t, h, "POST", "/v1/assessments", float)
	if r.Status != http.StatusInternalServerError || strings.Contains(string(r.Body), "hunter2") || strings.Contains(string(r.Body), "goroutine") {
		t.Errorf("the reply is %d %s", r.Status, r.Body)
	}
	text := log.String()
	if strings.Count(text, "hunter2") != 1 || strings.Count(text, "debug.Stack()") != 1 || !strings.Contains(text, "telemetry_test.go") {
		t.Errorf("the log is\n%s", text)
	}
	hasLine(t, scrape(t, reg), "drawgear_panics_total 1")
}

// breaking is a store that panics when it is to keep something.
type breaking struct{ service.FullStore }

func (breaking) Put(context.Context, service.Record) error { panic("hunter2") }

// Once has the step break too.
func (b breaking) Once(ctx context.Context, key string, request [32]byte, do func(context.Context, service.FullStore) (service.Reply, error)) (service.Reply, bool, error) {
	return b.FullStore.Once(ctx, key, request, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		return do(ctx, breaking{s})
	})
}

// TestPanicWithinStep: a request that is to happen once and panics is answered
// with 500 too, keeps nothing, and keeps nobody out.
func TestPanicWithinStep(t *testing.T) {
	kept := memory.New(0)
	broken := breaking{kept}
	h := api.New(api.Config{Service: service.New(book(t), service.InStep(broken), clock), Once: service.NewIdempotency(broken)})
	for range 2 {
		r := call(t, h, "POST", "/v1/assessments", float, onceKey("yard-1"))
		if p := r.Problem(t); r.Status != http.StatusInternalServerError || p.Type != "/problems/internal" {
			t.Errorf("%d %s", r.Status, r.Body)
		}
	}
	whole := api.New(api.Config{Service: service.New(book(t), service.InStep(kept), clock), Once: service.NewIdempotency(kept)})
	if r := call(t, whole, "POST", "/v1/assessments", float, onceKey("yard-1")); r.Status != http.StatusCreated || r.Header.Get("Idempotency-Replayed") != "" {
		t.Errorf("when it is mended: %d %s", r.Status, r.Body)
	}
}

// TestDraining: a service that is about to stop answers, and says that it is not ready.
func TestDraining(t *testing.T) {
	draining := false
	h := api.New(api.Config{Service: service.New(book(t), memory.New(0), clock), Draining: func() bool { return draining }})
	for _, want := range []int{http.StatusOK, http.StatusServiceUnavailable} {
		r := call(t, h, "GET", "/readyz", "")
		if r.Status != want || decode[service.Readiness](t, r).Ready != (want == http.StatusOK) {
			t.Errorf("readyz: %d %s, want %d", r.Status, r.Body, want)
		}
		for _, path := range []string{"/livez", "/v1/jurisdictions/GB"} {
			if r := call(t, h, "GET", path, ""); r.Status != http.StatusOK {
				t.Errorf("%s: %d", path, r.Status)
			}
		}
		draining = true
	}
}
