package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io"
	"net/http"
	"regexp"

	"github.com/labstack/echo/v4"

	"drawgear/openapi"
	"drawgear/rules/law"
	"drawgear/service"
)

// headerIdempotencyKey names a request, so that a repeat is known for one.
const headerIdempotencyKey = "Idempotency-Key"

// headerReplayed marks a reply that was given before.
const headerReplayed = "Idempotency-Replayed"

var keyForm = regexp.MustCompile(`^[!-~]{1,200}$`)

// once gives the operations that take an idempotency key, as the contract says,
// their first reply again when a request is repeated. A nil keeper leaves the
// header unread: a service that cannot promise it must not seem to.
func once(ops []openapi.Operation, keeper *service.Idempotency) echo.MiddlewareFunc {
	takes, prefers := map[string]bool{}, map[string]bool{}
	for _, op := range ops {
		prefers[routeOf(op)] = takesPreference(op)
		for _, p := range op.Parameters {
			takes[routeOf(op)] = takes[routeOf(op)] || p.In == "header" && p.Name == headerIdempotencyKey
		}
	}
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			values := c.Request().Header.Values(headerIdempotencyKey)
			if keeper == nil || len(values) == 0 || !takes[route(c)] {
				return next(c)
			}
			if len(values) > 1 || !keyForm.MatchString(values[0]) {
				r := refuse(ProblemBadQuery, "The idempotency key is refused.")
				r.faults = []Fault{{Parameter: headerIdempotencyKey, Code: FaultCodeBadValue, Message: "must stand once and have 1 to 200 printable characters without spaces", Advice: "A random UUID does."}}
				return r
			}
			return keep(c, keeper, values[0], prefers[route(c)], next)
		}
	}
}

// notKept carries a reply that is no success out of the step, so that nothing
// of it is kept.
type notKept struct{ reply *captured }

// Error says so.
func (notKept) Error() string { return "the reply is no success" }

func keep(c echo.Context, keeper *service.Idempotency, key string, prefers bool, next echo.HandlerFunc) error {
	body, err := readAll(c, law.MaxBytes+1)
	if err != nil {
		return err
	}
	original, response := c.Request(), c.Response()
	want := ""
	if prefers {
		want = preferredReturn(original.Header)
	}
	reply, again, err := keeper.Do(original.Context(), key, digestOf(original, body, want), func(ctx context.Context) (service.Reply, error) {
		r := original.WithContext(ctx)
		r.Body = io.NopCloser(bytes.NewReader(body))
		got := &captured{header: http.Header{}}
		c.SetRequest(r)
		c.SetResponse(echo.NewResponse(got, c.Echo()))
		err := next(c)
		c.SetRequest(original)
		c.SetResponse(response)
		switch {
		case err != nil:
			return service.Reply{}, err
		case got.status >= http.StatusMultipleChoices:
			return service.Reply{}, notKept{got}
		}
		return service.Reply{Status: got.status, Location: got.header.Get("Location"), ETag: got.header.Get("ETag"), Body: got.body.Bytes()}, nil
	})
	var other notKept
	if errors.As(err, &other) {
		for name, values := range other.reply.header {
			response.Header()[name] = values
		}
		response.WriteHeader(other.reply.status)
		_, err = response.Write(other.reply.body.Bytes())
		return err
	}
	if err != nil {
		return err
	}
	for name, value := range map[string]string{"Location": reply.Location, "ETag": reply.ETag} {
		if value != "" {
			response.Header().Set(name, value)
		}
	}
	if prefers {
		tellPreference(response.Header(), want)
	}
	if again {
		response.Header().Set(headerReplayed, "true")
	}
	return writeJSON(response, reply.Status, reply.Body)
}

// digestOf is what makes two requests the same: method, address, what If-Match
// asks, body, and whether they want back the same.
func digestOf(r *http.Request, body []byte, want string) [32]byte {
	parts := [][]byte{[]byte(r.Method), []byte(r.URL.RequestURI()), []byte(r.Header.Get("If-Match")), []byte(r.Header.Get("Content-Type")), body}
	if want == returnMinimal { // all others get the whole, as before anybody could prefer
		parts = append(parts, []byte(want))
	}
	h := sha256.New()
	for _, part := range parts {
		var n [8]byte
		binary.BigEndian.PutUint64(n[:], uint64(len(part)))
		h.Write(n[:])
		h.Write(part)
	}
	return [32]byte(h.Sum(nil))
}

// captured is a reply that is not sent yet.
type captured struct {
	header http.Header
	status int
	body   bytes.Buffer
}

// Header is that of the reply.
func (r *captured) Header() http.Header { return r.header }

// WriteHeader keeps the status.
func (r *captured) WriteHeader(status int) { r.status = status }

// Write keeps the body.
func (r *captured) Write(b []byte) (int, error) {
	if r.status == 0 {
		r.status = http.StatusOK
	}
	return r.body.Write(b)
}
