package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"drawgear/rules"
	"drawgear/rules/fleet"
	"drawgear/rules/law"
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
	ProblemUnauthenticated:      {http.StatusUnauthorized, "It is not known who asks", "Send one header, Authorization: Bearer, with an API key or a token that this service takes."},
	ProblemForbidden:            {http.StatusForbidden, "The caller may not do this", "Use a key or token with the scope that is named, which a caller with the scope admin can issue, or the address that is named."},
	ProblemNotFound:             {http.StatusNotFound, "There is no such thing", "Check the path; /openapi.json lists them all. A kept assessment may have gone to make room."},
	ProblemMethodNotAllowed:     {http.StatusMethodNotAllowed, "The path has no such method", "Use one of the methods in the Allow header."},
	ProblemNotAcceptable:        {http.StatusNotAcceptable, "There is no reply of the kind asked for", "Set Accept to a kind that the contract lists for the operation, or leave it out."},
	ProblemRequestTimeout:       {http.StatusRequestTimeout, "The body did not arrive in time", "Send the request again over a faster connection."},
	ProblemRulesetUnavailable:   {http.StatusConflict, "A ruleset version that is needed is not loaded", "To replay, ask a service that holds the rulesets of the recorded answer. Otherwise tell the operator: what a tenant published cannot be linked."},
	ProblemRulesetState:         {http.StatusConflict, "The version is not in the state for this", "Read the version: a draft can be replaced and approved, an approved version published, a published one withdrawn. What was approved changes only as a new version."},
	ProblemRulesetExists:        {http.StatusConflict, "The version is there already, or a later one", "Take a number above those of the versions of the ruleset; a draft is replaced with PUT."},
	ProblemRulesetInUse:         {http.StatusConflict, "Other house rules rest on the version", "Withdraw the rulesets that extend or override it first, or publish versions of them that do not."},
	ProblemOwnText:              {http.StatusConflict, "The author of a text cannot approve it", "Have somebody else approve it, with a key or token of their own."},
	ProblemCheckFailed:          {http.StatusConflict, "The check found what keeps the version back", "Have it checked for the whole report, and mend what is named: a draft with PUT, an approved version as a new one."},
	ProblemTooManyDrafts:        {http.StatusConflict, "There are too many versions on their way", "Publish those that are approved and use the drafts there are."},
	ProblemFittingSigned:        {http.StatusConflict, "The fitting is signed off", "What is signed does not change. Plan another fitting for further work; the record of this one can be read."},
	ProblemFittingFull:          {http.StatusConflict, "The fitting takes no more measurements", "Sign it off if it is proven, or plan another fitting."},
	ProblemNotProven:            {http.StatusConflict, "The work is not proven", "Measure what is named, mend what failed, and sign off when every proof that the plan asks for is met."},
	ProblemAuditEnded:           {http.StatusConflict, "The audit has ended", "Read what it says, or ask for another."},
	ProblemAuditOpen:            {http.StatusConflict, "The audit has not ended", "Wait until it has; its progress is told at events."},
	ProblemStoreFull:            {http.StatusConflict, "The store has no room for it", "Remove what is not needed any more, or tell the operator."},
	ProblemInvalidFile:          {http.StatusUnprocessableEntity, "The file is refused", "Correct what is named in errors and send the file again; /v1/audit-columns lists the columns, /v1/audit-template is a file to fill in."},
	ProblemAuditSize:            {http.StatusUnprocessableEntity, "The audit has no row, or too many", "Ask for at least one row, and split what is more than an audit takes."},
	ProblemRegisterInUse:        {http.StatusConflict, "Something in the register still names it", "Remove the pairings that name it and the parts that are fitted to it first, or write them anew."},
	ProblemWebhooksOff:          {http.StatusConflict, "This service tells nobody", "Ask whoever runs the service to name the hosts that may be told."},
	ProblemTooManyWebhooks:      {http.StatusConflict, "There are too many webhooks", "Remove one, or change one that there is."},
	ProblemIdempotencyKeyReused: {http.StatusUnprocessableEntity, "The idempotency key was used for another request", "Make a new key for each request that is not a repeat of an earlier one."},
	ProblemStale:                {http.StatusPreconditionFailed, "Somebody changed it meanwhile", "Read it again, look at what changed, and send the new ETag in If-Match."},
	ProblemBodyTooLarge:         {http.StatusRequestEntityTooLarge, "The body is too large", "Send less: the contract says how much the operation takes."},
	ProblemUnsupportedMediaType: {http.StatusUnsupportedMediaType, "The body is of a kind that is not taken here", "Set Content-Type to a kind that the contract lists, such as application/json, and send UTF-8 without compression."},
	ProblemInvalidBody:          {http.StatusUnprocessableEntity, "The body is refused", "Correct the fields that are named in errors and send it again."},
	ProblemInvalidRig:           {http.StatusUnprocessableEntity, "The rig is refused", "Correct the fields that are named in errors and send the rig again."},
	ProblemUnknownJurisdiction:  {http.StatusUnprocessableEntity, "No law of this place is held", "See /v1/jurisdictions for the places that are. That a place is not held does not mean that it has no rules."},
	ProblemInvalidRuleset:       {http.StatusUnprocessableEntity, "The ruleset is refused", "Correct what is named in errors and send the document again."},
	ProblemPreconditionRequired: {http.StatusPreconditionRequired, "It is not said which version was seen", "Read the version and send its ETag in If-Match, so that nobody's change is lost."},
	ProblemRateLimited:          {http.StatusTooManyRequests, "The caller asks too often", "Wait as long as Retry-After says, and then keep to the rate that RateLimit-Policy names."},
	ProblemOverloaded:           {http.StatusServiceUnavailable, "The service is busy", "Send the request again in a moment, with the same Idempotency-Key if it has one."},
	ProblemInternal:             {http.StatusInternalServerError, "The service failed", "Try again; if it keeps failing, tell the operator the request id at the end of instance."},
	ProblemTimeout:              {http.StatusServiceUnavailable, "The service could not finish in time", "Try again a little later."},
}

// refusal is an error that already knows its problem.
type refusal struct {
	kind   ProblemType
	detail string
	faults []Fault
	// challenge is the WWW-Authenticate of a refusal that has to do with who asks.
	challenge string
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
		invalid service.Invalid
		missing *service.MissingScope
		place   *rules.UnknownJurisdiction
		tooBig  *http.MaxBytesError
		network net.Error
		routing *echo.HTTPError
		faults  law.Faults
		checked *service.CheckFailed
		inUse   *service.InUse
		used    *service.EntryInUse
		open    *service.NotProven
		entry   *service.StaleEntry
		file    *fleet.Bad
	)
	switch {
	case errors.As(err, &known):
		return known
	case errors.As(err, &faults):
		return refusedRuleset(faults)
	case errors.As(err, &checked):
		return failedCheck(checked.Report)
	case errors.As(err, &inUse):
		return refuse(ProblemRulesetInUse, "Without the version the rest cannot be linked: %s.", inUse)
	case errors.As(err, &used):
		return refuse(ProblemRegisterInUse, "It is named by %s.", strings.Join(used.By, ", "))
	case errors.As(err, &open):
		return unproven(open)
	case errors.Is(err, service.ErrSigned):
		return refuse(ProblemFittingSigned, "The fitting is signed off, and nothing can be added.")
	case errors.Is(err, service.ErrProofs):
		return refuse(ProblemFittingFull, "The fitting has measurements of %d times already.", service.MaxProofs)
	case errors.As(err, &file):
		return refusedFile(file)
	case errors.Is(err, service.ErrAuditEmpty):
		return refuse(ProblemAuditSize, "There is nothing to audit.")
	case errors.Is(err, service.ErrAuditRows):
		return refuse(ProblemAuditSize, "An audit has no more than %d rows.", service.MaxAuditRows)
	case errors.Is(err, service.ErrAuditEnded):
		return refuse(ProblemAuditEnded, "The audit has ended.")
	case errors.Is(err, service.ErrAuditOpen):
		return refuse(ProblemAuditOpen, "An audit has not ended.")
	case errors.Is(err, service.ErrFull):
		return refuse(ProblemStoreFull, "The store holds as much as it may of what never goes to make room.")
	case errors.Is(err, service.ErrHooksOff):
		return refuse(ProblemWebhooksOff, "No host is named that may be told.")
	case errors.Is(err, service.ErrHooksFull):
		return refuse(ProblemTooManyWebhooks, "The tenant has %d webhooks already.", service.MaxHooks)
	case errors.As(err, &entry) && entry.Has > 0:
		return refuse(ProblemStale, "The entry is at revision %d, and that is not the one that the request is for.", entry.Has)
	case errors.As(err, &entry):
		return refuse(ProblemStale, "There is no such entry yet.")
	case errors.Is(err, service.ErrNoTag):
		return refuse(ProblemPreconditionRequired, "There is no If-Match.")
	case errors.Is(err, service.ErrStale):
		return refuse(ProblemStale, "It is not as it was when the caller saw what If-Match names.")
	case errors.Is(err, service.ErrState):
		return refuse(ProblemRulesetState, "The version is not in the state for this.")
	case errors.Is(err, service.ErrExists):
		return refuse(ProblemRulesetExists, "The ruleset has this version already, or a later one.")
	case errors.Is(err, service.ErrDrafts):
		return refuse(ProblemTooManyDrafts, "%d versions are on their way.", service.MaxDrafts)
	case errors.Is(err, service.ErrOwnText):
		return refuse(ProblemOwnText, "The caller wrote the text.")
	case errors.Is(err, service.ErrNotYet):
		r := refuse(ProblemBadQuery, "The knowledge time is to come.")
		r.faults = []Fault{{Parameter: "known_at", Code: FaultCodeBadValue, Message: "what will be known cannot be said", Advice: "Give a time that is past, or leave it out."}}
		return r
	case errors.As(err, &issues):
		return refusedRig(issues)
	case errors.As(err, &invalid):
		r := refuse(ProblemInvalidBody, "%d faults were found in the body.", len(invalid))
		if len(invalid) == 1 {
			r.detail = "1 fault was found in the body."
		}
		r.faults = faultsOf(invalid[:min(len(invalid), maxFaults)])
		return r
	case errors.As(err, &missing):
		return lacksScope(missing.Scope)
	case errors.Is(err, service.ErrForbidden):
		return refuse(ProblemForbidden, "The caller is known and may not do this.")
	case errors.Is(err, service.ErrUnauthenticated):
		return unauthenticated(badToken, "The key or token is unknown, has ended or was revoked.")
	case errors.As(err, &place):
		return refuse(ProblemUnknownJurisdiction, "No ruleset is held for %s.", place.Code)
	case errors.As(err, &tooBig):
		return refuse(ProblemBodyTooLarge, "The body is larger than %d bytes.", tooBig.Limit)
	case errors.Is(err, service.ErrNotFound):
		return refuse(ProblemNotFound, "There is nothing at this path, or no longer.")
	case errors.Is(err, service.ErrKeyReused):
		return refuse(ProblemIdempotencyKeyReused, "The key came with another request before.")
	case errors.Is(err, service.ErrLogRange):
		r := refuse(ProblemBadQuery, "The log has no such sizes.")
		r.faults = []Fault{{Parameter: "to", Code: FaultCodeBadValue, Message: "from must not exceed to, and to not the size of the log", Advice: "See size in /v1/log."}}
		return r
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
	case errors.As(err, &routing) && routing.Code == http.StatusBadRequest:
		return refuse(ProblemBadQuery, "A parameter is not of the form that the contract says, or stands more than once.")
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
		if is.Code == rig.CodeSyntax {
			r.kind, r.detail = ProblemMalformedJSON, "The body cannot be read as JSON."
		}
	}
	r.faults = faultsOf(issues)
	return r
}

func faultsOf(issues []rig.Issue) []Fault {
	faults := make([]Fault, len(issues))
	for i, is := range issues {
		faults[i] = Fault{Pointer: &is.Pointer, Code: FaultCode(is.Code), Message: is.Message, Advice: is.Advice}
	}
	return faults
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
		if r.challenge != "" {
			h.Set("WWW-Authenticate", r.challenge)
		}
		if p.status == http.StatusServiceUnavailable {
			h.Set("Retry-After", "1")
		}
		if err := c.Blob(p.status, "application/problem+json", append(body, '\n')); err != nil {
			log.Info("a problem could not be sent", "request_id", id, "error", err)
		}
	}
}
