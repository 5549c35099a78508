package server

import (
	"context"
	"fmt"
	"net/url"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"
)

// Tracing sends traces to a collector over OTLP (HTTP), and without an endpoint
// none: the trace that a caller names is then only handed on to the log. share
// is how many of the requests that come without a trace begin one, from 0 to 1.
// flush sends what is left and ends it.
func Tracing(ctx context.Context, endpoint, version string, share float64) (traces trace.TracerProvider, flush func(context.Context) error, err error) {
	if endpoint == "" {
		return noop.NewTracerProvider(), func(context.Context) error { return nil }, nil
	}
	if u, err := url.Parse(endpoint); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, nil, fmt.Errorf("%q is no http or https URL such as http://127.0.0.1:4318/v1/traces", endpoint)
	}
	exporter, err := otlptracehttp.New(ctx, otlptracehttp.WithEndpointURL(endpoint))
	if err != nil {
		return nil, nil, fmt.Errorf("make the exporter of traces: %w", err)
	}
	provider := sdktrace.NewTracerProvider(sdktrace.WithBatcher(exporter),
		sdktrace.WithSampler(sdktrace.ParentBased(sdktrace.TraceIDRatioBased(share))),
		sdktrace.WithResource(resource.NewSchemaless(attribute.String("service.name", "drawgear"), attribute.String("service.version", version))))
	return provider, provider.Shutdown, nil
}
