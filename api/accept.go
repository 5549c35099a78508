package api

import (
	"context"
	"strings"

	"github.com/elnormous/contenttype"
	"github.com/labstack/echo/v4"

	"drawgear/openapi"
)

type kindKey struct{}

// chosenKind is the media type in which the caller wants the reply: one of
// those that the contract lists for the operation, which has several.
func chosenKind(ctx context.Context) string {
	kind, _ := ctx.Value(kindKey{}).(string)
	return kind
}

// negotiate chooses the kind of the reply for operations that the contract lets
// answer in several (RFC 9110, section 12.5.1); the first listed is for callers
// who do not say.
func negotiate(ops []openapi.Operation) StrictMiddlewareFunc {
	offers := map[string][]contenttype.MediaType{}
	for _, op := range ops {
		if len(op.Kinds) < 2 {
			continue
		}
		name := nameOf(op)
		for _, kind := range op.Kinds {
			offers[name] = append(offers[name], contenttype.NewMediaType(kind))
		}
	}
	return func(next StrictHandlerFunc, operation string) StrictHandlerFunc {
		kinds := offers[operation]
		if kinds == nil {
			return next
		}
		return func(c echo.Context, request any) (any, error) {
			kind, _, err := contenttype.GetAcceptableMediaType(c.Request(), kinds)
			if err != nil {
				return nil, refuse(ProblemNotAcceptable, "The reply can be had as %s.", joined(kinds))
			}
			c.Response().Header().Add("Vary", "Accept")
			c.SetRequest(c.Request().WithContext(context.WithValue(c.Request().Context(), kindKey{}, kind.MIME())))
			return next(c, request)
		}
	}
}

// nameOf is what the generated code calls an operation.
func nameOf(op openapi.Operation) string { return strings.ToUpper(op.ID[:1]) + op.ID[1:] }

func joined(kinds []contenttype.MediaType) string {
	out := make([]string, len(kinds))
	for i, k := range kinds {
		out[i] = k.MIME()
	}
	return strings.Join(out, " or ")
}
