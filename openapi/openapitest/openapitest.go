// Package openapitest holds requests and replies to the contract in tests.
package openapitest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"drawgear/openapi"
)

// Document is the contract as kin-openapi reads it, checked with its examples.
// It must not be changed.
var Document = sync.OnceValues(func() (*openapi3.T, error) {
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML())
	if err != nil {
		return nil, err
	}
	return doc, doc.Validate(context.Background(), openapi3.EnableExamplesValidation())
})

var router = sync.OnceValues(func() (routers.Router, error) {
	// Files to the contract, which says nothing of what is in them.
	openapi3filter.RegisterBodyDecoder("text/html", openapi3filter.FileBodyDecoder)
	openapi3filter.RegisterBodyDecoder("application/pdf", openapi3filter.FileBodyDecoder)
	for _, kind := range []string{"text/css", "text/javascript", "image/png"} {
		openapi3filter.RegisterBodyDecoder(kind, openapi3filter.FileBodyDecoder)
	}
	openapi3filter.RegisterBodyDecoder("application/x-ndjson", openapi3filter.PlainBodyDecoder) // lines are text to the contract
	openapi3filter.RegisterBodyDecoder("text/csv", openapi3filter.PlainBodyDecoder)             // as it is, however its rows are
	openapi3filter.RegisterBodyDecoder("text/event-stream", openapi3filter.PlainBodyDecoder)
	openapi3filter.RegisterBodyDecoder("image/svg+xml", openapi3filter.PlainBodyDecoder)
	doc, err := Document()
	if err != nil {
		return nil, err
	}
	return legacy.NewRouter(doc)
})

// request is a request as kin-openapi takes it. The error is *routers.RouteError if
// no operation of the contract is asked for.
func request(r *http.Request) (*openapi3filter.RequestValidationInput, error) {
	rt, err := router()
	if err != nil {
		return nil, fmt.Errorf("read the contract: %w", err)
	}
	route, params, err := rt.FindRoute(r)
	if err != nil {
		return nil, err
	}
	return &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route, Options: options}, nil
}

// CheckRequest returns what the contract has against a request, other than who asks.
// It reads the body and puts it back.
func CheckRequest(r *http.Request) error {
	in, err := request(r)
	if err != nil {
		return err
	}
	return openapi3filter.ValidateRequest(r.Context(), in)
}

// options leave who asks to the tests of that.
var options = &openapi3filter.Options{IncludeResponseStatus: true, SchemaValidationOptions: brief, AuthenticationFunc: openapi3filter.NoopAuthenticationFunc}

// brief keeps whole schemas and replies out of the messages.
var brief = []openapi3.SchemaValidationOption{openapi3.DisableSchemaErrorDetails()}

// Reply is what a server answered.
type Reply struct {
	Status int
	Header http.Header
	Body   []byte
}

// Problem is the part of a problem reply that tests look at.
type Problem struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance"`
	Advice   string `json:"advice"`
	Errors   []struct {
		Pointer   *string `json:"pointer"`
		Parameter string  `json:"parameter"`
		Line      int     `json:"line"`
		Column    int     `json:"column"`
		Code      string  `json:"code"`
		Message   string  `json:"message"`
		Advice    string  `json:"advice"`
	} `json:"errors"`
}

// Problem reads a problem reply and fails the test if it is none.
func (r Reply) Problem(t testing.TB) Problem {
	t.Helper()
	var p Problem
	if got := r.Header.Get("Content-Type"); got != "application/problem+json" {
		t.Fatalf("status %d came as %q, want a problem: %s", r.Status, got, r.Body)
	}
	if err := json.Unmarshal(r.Body, &p); err != nil {
		t.Fatalf("read the problem: %v in %s", err, r.Body)
	}
	return p
}

// Check fails the test if the reply is not one that the contract foresees for
// the request, or if a request that was accepted is none that it allows. body
// is the request's.
func Check(t testing.TB, req *http.Request, body []byte, r Reply) {
	t.Helper()
	if r.Status >= http.StatusBadRequest && r.Header.Get("Content-Type") != "application/json" {
		checkProblem(t, r)
	}
	// What no operation of the contract took can only be a problem; options are
	// below the contract.
	find := req.Clone(context.Background())
	if find.Method == http.MethodHead {
		find.Method = http.MethodGet
	}
	if find.Header.Get("Prefer") == "" {
		find.Header.Del("Prefer") // a list of nothing, which kin-openapi takes for a fault
	}
	find.Body = io.NopCloser(bytes.NewReader(body))
	in, err := request(find)
	var none *routers.RouteError
	if err != nil && !errors.As(err, &none) {
		t.Fatalf("find %s %s in the contract: %v", req.Method, req.URL, err)
	}
	if none != nil || strings.HasSuffix(find.URL.Path, "/") { // which the router looks past
		if r.Status < http.StatusBadRequest && req.Method != http.MethodOptions {
			t.Errorf("%s %s is not in the contract and was answered with %d", req.Method, req.URL, r.Status)
		}
		return
	}
	if r.Status < http.StatusBadRequest {
		if err := openapi3filter.ValidateRequest(context.Background(), in); err != nil {
			t.Errorf("%s %s was accepted with %d and the contract does not allow it: %v", req.Method, req.URL, r.Status, err)
		}
	}
	if req.Method == http.MethodHead {
		if len(r.Body) > 0 {
			t.Errorf("HEAD %s was answered with a body", req.URL)
		}
		return
	}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: r.Status, Header: r.Header, Options: options}
	out.SetBodyBytes(r.Body)
	if err := openapi3filter.ValidateResponse(context.Background(), out); err != nil {
		t.Errorf("the reply to %s %s is not as the contract says: %v", req.Method, req.URL, err)
	}
}

// checkProblem holds a problem to its schema, wherever it came from.
func checkProblem(t testing.TB, r Reply) {
	t.Helper()
	if len(r.Body) == 0 {
		return // to HEAD
	}
	p := r.Problem(t)
	var tree any
	if err := json.Unmarshal(r.Body, &tree); err != nil {
		t.Fatalf("read the problem: %v", err)
	}
	doc, err := Document()
	if err != nil {
		t.Fatalf("read the contract: %v", err)
	}
	if err := doc.Components.Schemas["Problem"].Value.VisitJSON(tree, brief...); err != nil {
		t.Errorf("the problem is not as the contract says: %v in %s", err, r.Body)
	}
	if p.Status != r.Status {
		t.Errorf("a problem of status %d came with status %d", p.Status, r.Status)
	}
	if id := r.Header.Get("X-Request-Id"); id == "" || !strings.HasSuffix(p.Instance, id) {
		t.Errorf("instance %q does not end with the request id %q", p.Instance, id)
	}
}
