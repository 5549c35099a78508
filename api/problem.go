package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"

	"github.com/labstack/echo/v4"

	"drawgear/rules"
	"drawgear/rules/rig"
	"drawgear/service"
)

// problem is what a kind of problem always says.
type problem struct {
	status int
	title  string
	advice string
}

// problems has every type of the contract.
var problems = map[ProblemType]problem{
	ProblemMalformedJSON:        {http.StatusBadRequest, "The body is not a JSON document", `Send one JSON object in UTF-8, for example {"jurisdiction": "AU-NSW"}.`},
	ProblemBadQuery:             {http.StatusBadRequest, "The query is refused", "Correct the parameters that are named in errors."},
	ProblemNotFound:             {http.StatusNotFound, "There is no such thing", "Check the path; /openapi.json lists them all. A kept assessment may have gone to make room."},
	ProblemMethodNotAllowed:     {http.StatusMethodNotAllowed, "The path has no such method", "Use one of the methods in the Allow header."},
	ProblemRequestTimeout:       {http.StatusRequestTimeout, "The body did not arrive in time", "Send the request again over a faster connection."},
	ProblemRulesetUnavailable:   {http.StatusConflict, "A ruleset version of then is not loaded", "Replay with a version of the service that holds the rulesets of the recorded answer."},
	ProblemBodyTooLarge:         {http.StatusRequestEntityTooLarge, "The body is too large", fmt.Sprintf("Send one rig a request, in at most %d bytes.", rig.MaxBytes)},
	ProblemUnsupportedMediaType: {http.StatusUnsupportedMediaType, "The body is of another kind than JSON", "Set Content-Type: application/json and send UTF-8 without compression."},
	ProblemInvalidRig:           {http.StatusUnprocessableEntity, "The rig is refused", "Correct the fields that are named in errors and send the rig again."},
	ProblemUnknownJurisdiction:  {http.StatusUnprocessableEntity, "No law of this place is held", "See /v1/jurisdictions for the places that are. That a place is not held does not mean that it has no rules."},
	ProblemInternal:             {http.StatusInternalServerError, "The service failed", "Try again; if it keeps failing, tell the operator the request id at the end of instance."},
	ProblemTimeout:              {http.StatusServiceUnavailable, "The service could not finish in time", "Try again a little later."},
}

// refusal is an error that already knows its problem.
type refusal struct {
	kind   ProblemType
	detail string
	faults []Fault
}

// Error gives the detail.
func (r *refusal) Error() string { return r.detail }

func refuse(kind ProblemType, format string, args ...any) *refusal {
	return &refusal{kind: kind, detail: fmt.Sprintf(format, args...)}
}

// refusalOf finds the problem of an error. Whatever is not known here is a
// fault of ours, and its text is for the log only.
func refusalOf(err error) *refusal {
	var (
		known   *refusal
		issues  rig.Issues
		place   *rules.UnknownJurisdiction
		tooBig  *http.MaxBytesError
		network net.Error
		routing *echo.HTTPError
	)
	switch {
	case errors.As(err, &known):
		return known
	case errors.As(err, &issues):
		return refusedRig(issues)
	case errors.As(err, &place):
		return refuse(ProblemUnknownJurisdiction, "No ruleset is held for %s.", place.Code)
	case errors.As(err, &tooBig):
		return refuse(ProblemBodyTooLarge, "The body is larger than %d bytes.", tooBig.Limit)
	case errors.Is(err, service.ErrNotFound):
		return refuse(ProblemNotFound, "There is nothing at this path, or no longer.")
	case errors.Is(err, service.ErrCursor):
		r := refuse(ProblemBadQuery, "The cursor is none that a list of this service gave.")
		r.faults = []Fault{{Parameter: "cursor", Code: FaultCodeBadValue, Message: "not a cursor of this list", Advice: "Use next of the page before, unchanged."}}
		return r
	case errors.Is(err, service.ErrRulesetUnavailable):
		return refuse(ProblemRulesetUnavailable, "The answer was given under a ruleset version that this service does not hold.")
	// context.DeadlineExceeded is a net.Error too, so it is looked for first.
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return refuse(ProblemTimeout, "The request took too long and was given up.")
	case errors.Is(err, service.ErrUnavailable):
		return refuse(ProblemTimeout, "The store does not answer. Questions with record=false do not need it.")
	case errors.As(err, &network) && network.Timeout():
		return refuse(ProblemRequestTimeout, "The body did not arrive in time.")
	case errors.As(err, &routing) && routing.Code == http.StatusNotFound:
		return refuse(ProblemNotFound, "The service has no such path.")
	case errors.As(err, &routing) && routing.Code == http.StatusMethodNotAllowed:
		return refuse(ProblemMethodNotAllowed, "The path has no such method.")
	default:
		return refuse(ProblemInternal, "Something went wrong that is not the fault of the request.")
	}
}

// refusedRig tells a text that is no JSON from a rig with faults.
func refusedRig(issues rig.Issues) *refusal {
	r := refuse(ProblemInvalidRig, "%d faults were found in the rig.", len(issues))
	if len(issues) == 1 {
		r.detail = "1 fault was found in the rig."
	}
	for _, is := range issues {
		pointer := is.Pointer
		r.faults = append(r.faults, Fault{Pointer: &pointer, Code: FaultCode(is.Code), Message: is.Message, Advice: is.Advice})
		if is.Code == rig.CodeSyntax {
			r.kind, r.detail = ProblemMalformedJSON, "The body cannot be read as JSON."
		}
	}
	return r
}

// problemHandler turns every error of the service into a problem reply; it is
// the only place that does.
func problemHandler(log *slog.Logger) echo.HTTPErrorHandler {
	return func(err error, c echo.Context) {
		r := refusalOf(err)
		p := problems[r.kind]
		id := requestID(c)
		if r.kind == ProblemInternal {
			log.LogAttrs(c.Request().Context(), slog.LevelError, "request failed", slog.String("request_id", id), slog.String("error", err.Error()))
		}
		if c.Response().Committed {
			return // too late to say it
		}
		body, err := json.Marshal(Problem{
			Type: r.kind, Title: p.title, Status: p.status, Detail: r.detail, Instance: "/requests/" + id, Advice: p.advice, Errors: r.faults,
		})
		if err != nil {
			log.Error("a problem could not be written", "request_id", id, "error", err)
			c.Response().WriteHeader(http.StatusInternalServerError)
			return
		}
		h := c.Response().Header()
		h.Set("Cache-Control", "no-store")
		if p.status == http.StatusServiceUnavailable {
			h.Set("Retry-After", "1")
		}
		if err := c.Blob(p.status, "application/problem+json", append(body, '\n')); err != nil {
			log.Info("a problem could not be sent", "request_id", id, "error", err)
		}
	}
}
