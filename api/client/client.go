// Package client asks a drawgear service from a Go program. Types and one
// method an operation are generated from the contract; this layer says who asks,
// tries again where that is safe, and makes problems errors.
//
//	c, err := client.New("https://drawgear.example", client.Options{Key: os.Getenv("DRAWGEAR_KEY")})
//	...
//	reply, err := c.CreateAssessmentWithBodyWithResponse(ctx, nil, "application/json", rig)
//	if errors.Is(err, client.ProblemInvalidRig) {
//
// What is not known is left out of a rig: fields that may be are pointers, and
// nil is not false or zero.
package client

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	mrand "math/rand/v2"
	"mime"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Options say how a service is asked. The zero value asks without a key and
// tries four times.
type Options struct {
	Key     string          // API key or token; sent as Authorization: Bearer
	HTTP    HttpRequestDoer // what sends requests; an http.Client that takes 30 seconds a try if nil
	Tries   int             // how often a request is sent at most; 4 if 0
	Backoff time.Duration   // about how long it waits before the second try, and twice as long each time after; 250 ms if 0
	MaxWait time.Duration   // longest wait; a service that asks for a longer one is not asked again; 30 s if 0
}

// New returns a client of the service at an address. Its methods fail with an
// *Error for every reply that is a problem.
func New(server string, o Options) (*ClientWithResponses, error) {
	if o.HTTP == nil {
		o.HTTP = &http.Client{Timeout: 30 * time.Second}
	}
	if o.Tries <= 0 {
		o.Tries = 4
	}
	if o.Backoff <= 0 {
		o.Backoff = 250 * time.Millisecond
	}
	if o.MaxWait <= 0 {
		o.MaxWait = 30 * time.Second
	}
	return NewClientWithResponses(server, WithHTTPClient(sender{o}))
}

// Error is a reply that is a problem (RFC 9457). Replies of what stands between,
// such as a proxy, have the type about:blank. errors.Is finds the type:
//
//	errors.Is(err, client.ProblemStale)
type Error struct {
	Problem
	RetryAfter time.Duration // how long the service asks to wait; 0 if it does not
}

// Error says what is wrong and what to do.
func (e *Error) Error() string {
	text := fmt.Sprintf("%d %s", e.Status, e.Title)
	for _, more := range []string{e.Detail, e.Advice} {
		if more != "" {
			text += ": " + strings.TrimSuffix(more, ".")
		}
	}
	return text
}

// Unwrap gives the type.
func (e *Error) Unwrap() error { return e.Type }

// Error makes a type of problem something that errors.Is looks for.
func (t ProblemType) Error() string { return string(t) }

// sender sends requests, again where that does nothing twice.
type sender struct{ Options }

// Do sends a request. It stands in for an http.Client in the generated client.
func (s sender) Do(req *http.Request) (*http.Response, error) {
	if s.Key != "" && req.Header.Get("Authorization") == "" {
		req.Header.Set("Authorization", "Bearer "+s.Key)
	}
	if takesKey(req) && req.Header.Get("Idempotency-Key") == "" {
		req.Header.Set("Idempotency-Key", rand.Text())
	}
	for try := 1; ; try++ {
		reply, err := s.HTTP.Do(req)
		if err == nil {
			err = problemOf(reply)
		}
		if err == nil {
			return reply, nil
		}
		wait, worth := s.wait(req, err, try)
		if !worth || try == s.Tries {
			return nil, err
		}
		next, bodyErr := rewound(req)
		if bodyErr != nil {
			return nil, errors.Join(err, bodyErr)
		}
		if sleep(req.Context(), wait) != nil {
			return nil, err
		}
		req = next
	}
}

// withKey are the operations that take an Idempotency-Key.
var withKey = []string{
	"/v1/assessments", "/v1/trips", "/v1/fittings", "/v1/fittings/{id}/proofs", "/v1/fittings/{id}/sign-off", "/v1/register-assessments", "/v1/rulesets",
	"/v1/rulesets/{id}/versions/{version}/approve", "/v1/rulesets/{id}/versions/{version}/publish", "/v1/rulesets/{id}/versions/{version}/withdraw",
}

var withKeyForm = regexp.MustCompile("(" + strings.Join(patterns(withKey), "|") + ")$") // the service may stand below a path

func patterns(paths []string) []string {
	out := make([]string, len(paths))
	for i, p := range paths {
		out[i] = regexp.MustCompile(`\{\w+\}`).ReplaceAllString(p, "[^/]+")
	}
	return out
}

// takesKey: only these operations promise to do nothing twice; elsewhere the
// header would promise what nobody keeps.
func takesKey(req *http.Request) bool {
	return req.Method == http.MethodPost && withKeyForm.MatchString(req.URL.Path)
}

// idempotent are the methods that do nothing twice (RFC 9110, section 9.2.2).
var idempotent = []string{http.MethodGet, http.MethodHead, http.MethodOptions, http.MethodPut, http.MethodDelete}

// passing are the statuses after which the same request may succeed.
var passing = []int{
	http.StatusRequestTimeout, http.StatusTooManyRequests, http.StatusBadGateway, http.StatusServiceUnavailable, http.StatusGatewayTimeout,
}

// wait says whether it is safe and worth while to send a request again, and
// after how long.
func (s sender) wait(req *http.Request, err error, try int) (time.Duration, bool) {
	if req.Context().Err() != nil || !slices.Contains(idempotent, req.Method) && req.Header.Get("Idempotency-Key") == "" {
		return 0, false
	}
	wait := time.Duration(min(float64(s.Backoff)*math.Exp2(float64(try-1)), float64(s.MaxWait)))
	wait = wait/2 + mrand.N(wait/2+1) // so that callers do not come back all at once
	if problem, ok := errors.AsType[*Error](err); ok {
		if !slices.Contains(passing, problem.Status) || problem.RetryAfter > s.MaxWait {
			return 0, false
		}
		wait = max(wait, problem.RetryAfter)
	}
	deadline, ends := req.Context().Deadline()
	return wait, !ends || time.Until(deadline) > wait
}

func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// rewound is a request whose body stands at its start again.
func rewound(req *http.Request) (*http.Request, error) {
	next := req.Clone(req.Context())
	if req.Body == nil || req.Body == http.NoBody {
		return next, nil
	}
	if req.GetBody == nil {
		return nil, errors.New("the body cannot be sent a second time: give it as a bytes.Reader or strings.Reader")
	}
	var err error
	if next.Body, err = req.GetBody(); err != nil {
		return nil, fmt.Errorf("read the body again: %w", err)
	}
	return next, nil
}

// maxProblem is the most bytes of a problem that are read.
const maxProblem = 1 << 20

// problemOf reads the problem that a reply is, if it is one. What fails as plain
// JSON is described in the contract and is no problem.
func problemOf(reply *http.Response) error {
	kind, _, _ := mime.ParseMediaType(reply.Header.Get("Content-Type"))
	if reply.StatusCode < http.StatusBadRequest || kind == "application/json" {
		return nil
	}
	defer reply.Body.Close()
	e := &Error{RetryAfter: retryAfter(reply.Header.Get("Retry-After"))}
	body, err := io.ReadAll(io.LimitReader(reply.Body, maxProblem))
	if err != nil || kind != "application/problem+json" || json.Unmarshal(body, &e.Problem) != nil {
		e.Problem = Problem{Type: "about:blank", Title: http.StatusText(reply.StatusCode)}
	}
	e.Status = reply.StatusCode
	return e
}

// retryAfter reads a Retry-After (RFC 9110, section 10.2.3): seconds, or a time.
func retryAfter(text string) time.Duration {
	if n, err := strconv.ParseUint(text, 10, 31); err == nil {
		return time.Duration(n) * time.Second
	}
	if at, err := http.ParseTime(text); err == nil {
		return max(0, time.Until(at))
	}
	return 0
}
