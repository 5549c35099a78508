package api

import (
	"context"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"drawgear/openapi"
)

// Header fields of preferences (RFC 7240).
const (
	headerPrefer  = "Prefer"
	headerApplied = "Preference-Applied"
)

// What a caller may prefer to get back (RFC 7240, section 4.2).
const (
	returnMinimal = "minimal"
	returnWhole   = "representation"
)

// preferredReturn is what the Prefer fields of a request want back; empty if they
// do not say, or say what is not known here, which is as if they did not (section
// 2). Of a preference that stands more than once the first counts.
func preferredReturn(h http.Header) string {
	for _, rest := range h[headerPrefer] {
		for rest != "" {
			var one string
			one, rest = cutUnquoted(rest, ',')
			preference, _ := cutUnquoted(one, ';') // what follows are parameters, of which this has none
			name, value, _ := strings.Cut(preference, "=")
			if !strings.EqualFold(trimBlanks(name), "return") {
				continue
			}
			value = trimBlanks(value)
			if n := len(value); n > 1 && value[0] == '"' && value[n-1] == '"' {
				value = value[1 : n-1]
			}
			for _, known := range [...]string{returnMinimal, returnWhole} {
				if strings.EqualFold(value, known) {
					return known
				}
			}
			return ""
		}
	}
	return ""
}

func trimBlanks(s string) string { return strings.Trim(s, " \t") }

// cutUnquoted is strings.Cut at a separator outside of quoted strings.
func cutUnquoted(s string, separator byte) (before, after string) {
	quoted := false
	for i := 0; i < len(s); i++ {
		switch {
		case s[i] == '"':
			quoted = !quoted
		case quoted && s[i] == '\\':
			i++
		case !quoted && s[i] == separator:
			return s[:i], s[i+1:]
		}
	}
	return s, ""
}

// tellPreference says in a reply that it depends on the preference, and which was
// followed.
func tellPreference(reply http.Header, want string) {
	reply.Add("Vary", headerPrefer)
	if want != "" {
		reply.Set(headerApplied, "return="+want)
	}
}

// takesPreference reports whether an operation follows the preference, as the
// contract says.
func takesPreference(op openapi.Operation) bool {
	for _, p := range op.Parameters {
		if p.In == "header" && p.Name == headerPrefer {
			return true
		}
	}
	return false
}

type minimalKey struct{}

// wantsMinimal reports whether the caller prefers the answer in little.
func wantsMinimal(ctx context.Context) bool { return ctx.Value(minimalKey{}) != nil }

// prefer tells the operations that follow it what the caller wants back, and the
// caller that it was followed.
func prefer(ops []openapi.Operation) StrictMiddlewareFunc {
	takes := map[string]bool{}
	for _, op := range ops {
		takes[strings.ToUpper(op.ID[:1])+op.ID[1:]] = takesPreference(op) // as the generated code calls it
	}
	return func(next StrictHandlerFunc, operation string) StrictHandlerFunc {
		if !takes[operation] {
			return next
		}
		return func(c echo.Context, request any) (any, error) {
			want := preferredReturn(c.Request().Header)
			if want == returnMinimal {
				c.SetRequest(c.Request().WithContext(context.WithValue(c.Request().Context(), minimalKey{}, true)))
			}
			response, err := next(c, request)
			if err == nil {
				tellPreference(c.Response().Header(), want)
			}
			return response, err
		}
	}
}
