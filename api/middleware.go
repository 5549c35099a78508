package api

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"drawgear/service"
)

const headerRequestID = echo.HeaderXRequestID

// requestID is the id that nameRequest gave.
func requestID(c echo.Context) string { return c.Response().Header().Get(headerRequestID) }

// nameRequest gives every request an id, the caller's own if it can safely
// stand in a header, a log and a URL. The context carries it to LogHandler.
func nameRequest(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		id := c.Request().Header.Get(headerRequestID)
		if !plainID(id) {
			var b [16]byte
			rand.Read(b[:]) // never fails
			id = hex.EncodeToString(b[:])
		}
		c.Response().Header().Set(headerRequestID, id)
		c.SetRequest(c.Request().WithContext(context.WithValue(c.Request().Context(), requestIDKey{}, id)))
		return next(c)
	}
}

type requestIDKey struct{}

func plainID(id string) bool {
	const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-"
	return id != "" && len(id) <= 64 && strings.Trim(id, letters) == ""
}

// logAccess writes a line a request: no bodies, no queries, and the route
// rather than the path, since the id of an assessment is nobody else's business.
// Who asks is told by tenant and by the id of the key, or the subject of the token,
// if it is known.
func logAccess(log *slog.Logger) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			start := time.Now()
			if err := next(c); err != nil {
				c.Error(err) // so that the status below is the one that was sent
			}
			attrs := []slog.Attr{
				slog.String("request_id", requestID(c)), slog.String("method", c.Request().Method), slog.String("route", template(c)),
				slog.Int("status", c.Response().Status), slog.Int64("bytes", c.Response().Size),
				slog.Float64("took_ms", float64(time.Since(start).Microseconds())/1000),
			}
			if who, known := service.CallerOf(c.Request().Context()); known {
				attrs = append(attrs, slog.String("tenant", who.Tenant), slog.String("caller", who.Subject))
			}
			log.LogAttrs(c.Request().Context(), slog.LevelInfo, "request", attrs...)
			return nil
		}
	}
}

// template names the route that a request took as the contract writes it; what
// took none has no name of its own, so that nobody can make names up.
func template(c echo.Context) string {
	if path := c.Path(); path != "" {
		return path
	}
	return "none"
}

// secure sets the headers that keep browsers from reading into a reply what is
// not there, and caches from keeping what is somebody's own.
func secure(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Content-Security-Policy", "default-src 'none'; base-uri 'none'; frame-ancestors 'none'")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if c.IsTLS() { // RFC 6797, section 7.2: not over plain HTTP
			h.Set("Strict-Transport-Security", "max-age=31536000; includeSubDomains")
		}
		return next(c)
	}
}

// recovered makes a panic an error, which the problem handler logs, once and
// with the stack, and answers without either.
func recovered(t *Telemetry) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) (err error) {
			response := c.Response()
			defer func() {
				switch p := recover(); p {
				case nil:
				case http.ErrAbortHandler:
					panic(p)
				default:
					t.panics.Inc()
					c.SetResponse(response) // a step that happens once puts another in its place
					err = fmt.Errorf("panic: %v\n%s", p, debug.Stack())
				}
			}()
			return next(c)
		}
	}
}

// inTime ends the context of a request after a while, or after the time of its
// lane.
func inTime(usual time.Duration, lanes map[string]*lane) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			d := usual
			if l := laneOf(c, lanes); l != nil {
				d = l.time
			}
			ctx, cancel := context.WithTimeout(c.Request().Context(), d)
			defer cancel()
			c.SetRequest(c.Request().WithContext(ctx))
			return next(c)
		}
	}
}
