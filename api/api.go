// Package api is the HTTP edge: it holds requests to the contract, hands them
// to the service and writes what comes back. Types and routes are generated
// from the contract; every error becomes a problem reply in one place.
package api

import (
	"cmp"
	"context"
	"io"
	"log/slog"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
	"go.opentelemetry.io/otel/trace/noop"

	"drawgear/openapi"
	"drawgear/service"
)

// DefaultTimeout is how long a request may take if Config does not say.
const DefaultTimeout = 10 * time.Second

// Config is what the edge needs.
type Config struct {
	Service   *service.Assessor
	Auth      Authenticator      // who asks; nil takes everybody on this machine for service.Local()
	Keys      *service.Keyring   // issued and revoked over HTTP; nil for a service without keys
	Authoring *service.Authoring // house rules; nil for a service whose law stays as it is
	Ledger    *service.Ledger    // proofs; nil for a service without
	Audits    *service.Auditor   // of whole fleets; nil for none
	Register  *service.Registry  // vehicles, trailers, parts and pairings; nil for a service without
	Hooks     *service.Hooks     // webhooks; nil for a service without
	Once      *service.Idempotency
	Logger    *slog.Logger  // access and faults; nil for none
	Timeout   time.Duration // for one request, body not counted; 0 for DefaultTimeout
	Limits    Limits        // what callers may take; none by default
	Telemetry *Telemetry    // what is measured; nil for nothing
	Draining  func() bool   // says that the service is about to stop; nil for never

	UploadBytes int64         // of a file of rigs; 0 for DefaultUploadBytes
	UploadTime  time.Duration // for a file to come, or an export to go; 0 for DefaultUploadTime
	Uploads     int           // files that come at a time; 0 for DefaultUploads
}

// New returns the service as an http.Handler. How long a request may take to
// arrive is for the http.Server to say; a body that is late is then answered
// as a problem too.
func New(cfg Config) *echo.Echo {
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Timeout <= 0 {
		cfg.Timeout = DefaultTimeout
	}
	if cfg.Telemetry == nil {
		cfg.Telemetry = NewTelemetry(prometheus.NewRegistry(), noop.NewTracerProvider())
	}
	if cfg.Draining == nil {
		cfg.Draining = func() bool { return false }
	}
	cfg.UploadBytes, cfg.UploadTime = cmp.Or(cfg.UploadBytes, DefaultUploadBytes), cmp.Or(cfg.UploadTime, DefaultUploadTime)
	cfg.Uploads = cmp.Or(cfg.Uploads, DefaultUploads)
	e := echo.New()
	e.Logger.SetOutput(io.Discard) // echo's own log; ours is cfg.Logger
	e.Binder = binder{}
	e.HTTPErrorHandler = problemHandler(cfg.Logger)
	gate, long := newGate(cfg.Limits, cfg.Auth == nil, cfg.Telemetry), lanes(cfg)
	addRegisterLanes(long, cfg)
	e.Use(nameRequest, cfg.Telemetry.observe, logAccess(cfg.Logger), secure, recovered(cfg.Telemetry), gate.bound, gate.byAddress, inTime(cfg.Timeout, long),
		authorize(openapi.Operations(), cfg.Auth, cfg.Logger), gate.byCaller, checkParameters(openapi.Operations()), gate.changeLane(long), once(openapi.Operations(), cfg.Once))
	RegisterHandlers(withHead{e}, NewStrictHandler(&handlers{service: cfg.Service, keys: cfg.Keys, authoring: cfg.Authoring, ledger: cfg.Ledger, register: cfg.Register, hooks: cfg.Hooks, audits: cfg.Audits, draining: cfg.Draining}, []StrictMiddlewareFunc{gate.inTurn(openapi.Operations(), long), readDraft, takeFile(cfg.UploadBytes, cfg.UploadTime), takeTable(cfg.UploadBytes, cfg.UploadTime), negotiate(openapi.Operations()), prefer(openapi.Operations()), cfg.Telemetry.countVerdicts, drain(cfg.Draining)}))
	return e
}

// withHead gives every path with GET a HEAD as well: the same handler, whose
// body net/http then leaves out.
type withHead struct{ *echo.Echo }

// GET registers both.
func (w withHead) GET(path string, h echo.HandlerFunc, m ...echo.MiddlewareFunc) *echo.Route {
	w.HEAD(path, func(c echo.Context) error {
		c.SetRequest(c.Request().WithContext(context.WithValue(c.Request().Context(), headKey{}, true)))
		return h(c)
	}, m...)
	return w.Echo.GET(path, h, m...)
}
