package api

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"drawgear/openapi"
	"drawgear/service"
)

// Authenticator tells by the credential of a request who asks. It fails with
// service.ErrUnauthenticated if the credential opens nothing, and with
// service.ErrUnavailable if that cannot be found out now; service.Bearers is one.
type Authenticator interface {
	Authenticate(ctx context.Context, credential string) (service.Caller, error)
}

// maxCredential is the longest key or token that is looked at; tokens of
// providers that put a lot into them are half as long.
const maxCredential = 8 << 10

// authorize lets a request through to its handler only if the caller is known
// and has the scope that the contract asks for, and puts the caller into the
// context. A route of which the contract says neither is closed to all.
func authorize(ops []openapi.Operation, auth Authenticator, log *slog.Logger) echo.MiddlewareFunc {
	byRoute := map[string]openapi.Operation{}
	for _, op := range ops {
		byRoute[routeOf(op)] = op
	}
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			op, known := byRoute[route(c)]
			if !known || op.Open { // unknown is no operation at all, so 404 or 405
				return next(c)
			}
			caller, err := callerOf(c.Request(), auth)
			if errors.Is(err, service.ErrUnavailable) {
				log.Warn("it cannot be checked who asks", "request_id", requestID(c), "error", err)
				return refuse(ProblemTimeout, "It cannot be checked just now who asks.")
			}
			if err != nil {
				return err
			}
			// Before the scope is looked at: the log names whoever is refused for want of it.
			c.SetRequest(c.Request().WithContext(service.WithCaller(c.Request().Context(), caller)))
			if op.Scope != openapi.ScopeAny && !slices.Contains(caller.Scopes, service.Scope(op.Scope)) {
				return lacksScope(service.Scope(op.Scope))
			}
			return next(c)
		}
	}
}

func callerOf(r *http.Request, auth Authenticator) (service.Caller, error) {
	if auth == nil {
		if !onLoopback(r.Host) {
			return service.Caller{}, refuse(ProblemForbidden, "This service runs without keys and answers only at the addresses of the machine it runs on, such as localhost.")
		}
		return service.Local(), nil
	}
	text, err := credential(r)
	if err != nil {
		return service.Caller{}, err
	}
	return auth.Authenticate(r.Context(), text)
}

// onLoopback: whoever listens on loopback only can still be reached from
// elsewhere, through a page whose host name is made to point here, or through a
// proxy. Both show in the name that was asked for.
func onLoopback(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return strings.EqualFold(host, "localhost") || ip != nil && ip.IsLoopback()
}

// credential takes the key or token out of a request. Nothing of what it looks
// at gets into an error.
func credential(r *http.Request) (string, error) {
	if strings.Contains(r.URL.RawQuery, "dgk_") || r.URL.Query().Has("access_token") {
		return "", unauthenticated(badRequest, "A key or token is never taken from the query, where logs and histories keep it. Revoke the one that was sent.")
	}
	headers := r.Header.Values(echo.HeaderAuthorization)
	if len(headers) == 0 {
		return "", unauthenticated("", "There is no Authorization header.")
	}
	scheme, text, _ := strings.Cut(headers[0], " ")
	switch {
	case len(headers) > 1:
		return "", unauthenticated(badRequest, "There is more than one Authorization header.")
	case !strings.EqualFold(scheme, "Bearer"):
		return "", unauthenticated("", "The Authorization header is of another scheme than Bearer.")
	case len(text) > maxCredential:
		return "", unauthenticated(badToken, "The key or token is too long to be one.")
	case text == "" || strings.Trim(text, tokenLetters) != "":
		return "", unauthenticated(badRequest, "What follows Bearer cannot be a key or token.")
	}
	return text, nil
}

// tokenLetters are those of a bearer token (RFC 6750, section 2.1).
const tokenLetters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~+/="

// Error codes of challenges (RFC 6750, section 3.1).
const (
	badRequest = "invalid_request"
	badToken   = "invalid_token"
)

const challenge = `Bearer realm="drawgear"`

// unauthenticated is the refusal of a caller who is not known. Without a code
// nothing was sent that could be wrong.
func unauthenticated(code, detail string) *refusal {
	r := refuse(ProblemUnauthenticated, "%s", detail)
	r.challenge = challenge
	if code != "" {
		r.challenge += `, error="` + code + `"`
	}
	return r
}

func lacksScope(s service.Scope) *refusal {
	r := refuse(ProblemForbidden, "The scope %s is wanting.", s)
	r.challenge = challenge + `, error="insufficient_scope", scope="` + string(s) + `"`
	return r
}

// errNoKeys: the service takes everybody for its owner, and keys would be
// without effect.
var errNoKeys = refuse(ProblemNotFound, "This service runs without keys.")
