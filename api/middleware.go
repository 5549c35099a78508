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
)

const headerRequestID = echo.HeaderXRequestID

// requestID is the id that nameRequest gave.
func requestID(c echo.Context) string { return c.Response().Header().Get(headerRequestID) }

// nameRequest gives every request an id, the caller's own if it can safely
// stand in a header, a log and a URL.
func nameRequest(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		id := c.Request().Header.Get(headerRequestID)
		if !plainID(id) {
			var b [16]byte
			rand.Read(b[:]) // never fails
			id = hex.EncodeToString(b[:])
		}
		c.Response().Header().Set(headerRequestID, id)
		return next(c)
	}
}

func plainID(id string) bool {
	const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-"
	return id != "" && len(id) <= 64 && strings.Trim(id, letters) == ""
}

// logAccess writes a line a request: no bodies, no queries, and the route
// rather than the path, since the id of an assessment is nobody else's business.
func logAccess(log *slog.Logger) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			start := time.Now()
			if err := next(c); err != nil {
				c.Error(err) // so that the status below is the one that was sent
			}
			route := c.Path()
			if route == "" {
				route = "none"
			}
			log.LogAttrs(c.Request().Context(), slog.LevelInfo, "request",
				slog.String("request_id", requestID(c)), slog.String("method", c.Request().Method), slog.String("route", route),
				slog.Int("status", c.Response().Status), slog.Int64("bytes", c.Response().Size),
				slog.Float64("took_ms", float64(time.Since(start).Microseconds())/1000))
			return nil
		}
	}
}

// secure sets the headers that keep browsers from reading into a reply what is
// not there, and caches from keeping what is somebody's own.
func secure(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		return next(c)
	}
}

// recovered makes a panic an error, which the problem handler reports without
// its text. The stack goes to the log.
func recovered(log *slog.Logger) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) (err error) {
			defer func() {
				switch p := recover(); p {
				case nil:
				case http.ErrAbortHandler:
					panic(p)
				default:
					log.Error("panic", "request_id", requestID(c), "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
					err = fmt.Errorf("panic: %v", p)
				}
			}()
			return next(c)
		}
	}
}

// inTime ends the context of a request after a while.
func inTime(d time.Duration) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			ctx, cancel := context.WithTimeout(c.Request().Context(), d)
			defer cancel()
			c.SetRequest(c.Request().WithContext(ctx))
			return next(c)
		}
	}
}
