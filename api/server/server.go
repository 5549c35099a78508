// Package server runs an http.Handler: it opens the ports, answers over HTTP or
// HTTPS, shows metrics and profiles on a port of their own, and stops without
// cutting anybody off.
package server

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"sync/atomic"
	"time"
)

// Bounds of a connection. What a request may take to be answered is for the
// handler to say, and lies below writeTimeout.
const (
	readHeaderTimeout = 5 * time.Second
	readTimeout       = 15 * time.Second
	writeTimeout      = 30 * time.Second
	idleTimeout       = 2 * time.Minute
	maxHeaderBytes    = 32 << 10
)

// Config says where to listen and how to stop.
type Config struct {
	Listen   string // host:port
	CertFile string // of a PEM certificate chain; none for plain HTTP
	KeyFile  string

	Private string       // host:port of metrics and, on loopback, profiles; none if empty
	Metrics http.Handler // shown there

	DrainWait    time.Duration // between saying that it is not ready and taking no more requests
	ShutdownWait time.Duration // for requests in progress after that
	Logger       *slog.Logger
}

// Server holds the open ports.
type Server struct {
	config          Config
	public, private net.Listener // private may be nil
	scheme          string
	draining        atomic.Bool
}

// Listen opens the ports, so that what is refused is refused before anything
// is said to be served.
func Listen(ctx context.Context, c Config) (*Server, error) {
	s := &Server{config: c, scheme: "http"}
	var err error
	if s.public, err = new(net.ListenConfig).Listen(ctx, "tcp", c.Listen); err != nil {
		return nil, fmt.Errorf("--listen (DRAWGEAR_LISTEN): %w", err)
	}
	if c.CertFile != "" {
		certificate, err := newCertificate(c.CertFile, c.KeyFile, c.Logger)
		if err != nil {
			s.Close()
			return nil, fmt.Errorf("--tls-cert, --tls-key (DRAWGEAR_TLS_CERT, DRAWGEAR_TLS_KEY): %w", err)
		}
		s.scheme = "https"
		s.public = tls.NewListener(s.public, &tls.Config{
			MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}, GetCertificate: certificate.get,
		})
	}
	if c.Private == "" {
		return s, nil
	}
	if s.private, err = new(net.ListenConfig).Listen(ctx, "tcp", c.Private); err != nil {
		s.Close()
		return nil, fmt.Errorf("--metrics-listen (DRAWGEAR_METRICS_LISTEN): %w", err)
	}
	return s, nil
}

// URL is where the service is reached.
func (s *Server) URL() string { return s.scheme + "://" + s.public.Addr().String() }

// PrivateURL is where metrics are shown; empty for nowhere.
func (s *Server) PrivateURL() string {
	if s.private == nil {
		return ""
	}
	return "http://" + s.private.Addr().String()
}

// Draining says that the service is about to stop.
func (s *Server) Draining() bool { return s.draining.Load() }

// Close closes the ports of a server that does not come to serve.
func (s *Server) Close() {
	s.public.Close()
	if s.private != nil {
		s.private.Close()
	}
}

// Serve answers until the context ends. Then it says that it is not ready and
// goes on answering for a while, so that whoever sends requests here has time to
// hear of it; then it takes no more, and waits for those in progress. What has
// not ended by then is cut off, and that is an error.
func (s *Server) Serve(ctx context.Context, handler http.Handler) error {
	failed := make(chan error, 2)
	public := s.server(handler)
	public.ReadTimeout, public.WriteTimeout = readTimeout, writeTimeout
	go func() { failed <- public.Serve(s.public) }()
	defer public.Close()
	if s.private != nil {
		private := s.server(s.privateHandler()) // without WriteTimeout: a profile takes as long as is asked for
		go func() { failed <- private.Serve(s.private) }()
		defer private.Close()
	}
	select {
	case err := <-failed:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	s.draining.Store(true)
	s.config.Logger.Info("stopping", "drain_wait", s.config.DrainWait.String(), "shutdown_wait", s.config.ShutdownWait.String())
	select {
	case err := <-failed:
		return fmt.Errorf("serve: %w", err)
	case <-time.After(s.config.DrainWait):
	}
	// The old context has ended: the requests in progress need one of their own.
	grace, done := context.WithTimeout(context.WithoutCancel(ctx), s.config.ShutdownWait)
	defer done()
	if err := public.Shutdown(grace); err != nil {
		return fmt.Errorf("requests were cut off that did not end within --shutdown-wait (DRAWGEAR_SHUTDOWN_WAIT): %w", err)
	}
	s.config.Logger.Info("stopped")
	return nil
}

func (s *Server) server(h http.Handler) *http.Server {
	return &http.Server{
		Handler: h, ReadHeaderTimeout: readHeaderTimeout, IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeaderBytes,
		ErrorLog: slog.NewLogLogger(s.config.Logger.Handler(), slog.LevelWarn),
	}
}

// privateHandler shows metrics and, to this machine only, profiles, which tell
// what is in the memory of the process and cost it time.
func (s *Server) privateHandler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", s.config.Metrics)
	if a, ok := s.private.Addr().(*net.TCPAddr); ok && a.IP.IsLoopback() {
		// Not the command line, which may hold secrets.
		mux.HandleFunc("GET /debug/pprof/", pprof.Index)
		mux.HandleFunc("GET /debug/pprof/profile", pprof.Profile)
		mux.HandleFunc("GET /debug/pprof/trace", pprof.Trace)
		mux.HandleFunc("GET /debug/pprof/symbol", pprof.Symbol)
	}
	return mux
}
