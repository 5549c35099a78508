package api

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"drawgear/openapi"
)

// checkParameters holds the path and the query of a request to the contract
// before its handler runs. A query parameter that the contract does not know
// is refused: a mistyped ?record=false must not keep what was not to be kept.
func checkParameters(ops []openapi.Operation) echo.MiddlewareFunc {
	checks := map[string]operationCheck{}
	for _, op := range ops {
		checks[routeOf(op)] = newOperationCheck(op)
	}
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			if check, ok := checks[route(c)]; ok {
				if err := check.run(c); err != nil {
					return err
				}
			}
			return next(c)
		}
	}
}

// routeOf names the route of an operation: GET /a/:b for GET /a/{b}.
func routeOf(op openapi.Operation) string {
	return op.Method + " " + strings.NewReplacer("{", ":", "}", "").Replace(op.Path)
}

// route names the route that a request took, in which HEAD is GET.
func route(c echo.Context) string {
	method := c.Request().Method
	if method == http.MethodHead {
		method = http.MethodGet
	}
	return method + " " + c.Path()
}

type operationCheck struct {
	path, query map[string]func(text string) (fault string)
}

func newOperationCheck(op openapi.Operation) operationCheck {
	c := operationCheck{path: map[string]func(string) string{}, query: map[string]func(string) string{}}
	for _, p := range op.Parameters {
		switch p.In { // what headers say is for the handlers to judge
		case "path":
			c.path[p.Name] = textCheck(p.Schema)
		case "query":
			c.query[p.Name] = textCheck(p.Schema)
		}
	}
	return c
}

// textCheck returns a check of the text of a parameter: what is wrong with it,
// or nothing.
func textCheck(s openapi.Schema) func(string) string {
	var pattern *regexp.Regexp
	if s.Pattern != "" {
		pattern = regexp.MustCompile(s.Pattern)
	}
	return func(text string) string {
		switch {
		case s.Type == "boolean" && text != "true" && text != "false":
			return "must be true or false"
		case s.Type == "integer":
			n, err := strconv.Atoi(text)
			if err != nil || strconv.Itoa(n) != text || s.Minimum != nil && n < *s.Minimum || s.Maximum != nil && n > *s.Maximum {
				return "must be a whole number" + bounds(s)
			}
		case s.Enum != nil && !slices.Contains(s.Enum, text):
			return "must be one of " + strings.Join(s.Enum, ", ")
		case s.MaxLength != nil && utf8.RuneCountInString(text) > *s.MaxLength:
			return fmt.Sprintf("must have at most %d characters", *s.MaxLength)
		case pattern != nil && !pattern.MatchString(text):
			return "must match " + s.Pattern
		}
		return ""
	}
}

func bounds(s openapi.Schema) string {
	switch {
	case s.Minimum != nil && s.Maximum != nil:
		return fmt.Sprintf(" from %d to %d", *s.Minimum, *s.Maximum)
	case s.Minimum != nil:
		return fmt.Sprintf(" of at least %d", *s.Minimum)
	default:
		return ""
	}
}

// maxFaults is the most faults that a problem lists, as the contract says.
const maxFaults = 25

func (o operationCheck) run(c echo.Context) error {
	for name, fault := range o.path {
		text := c.Param(name)
		if c.Request().URL.RawPath != "" { // the path is matched as it was sent
			if plain, err := url.PathUnescape(text); err == nil {
				text = plain
			}
		}
		if why := fault(text); why != "" {
			return refuse(ProblemNotFound, "There can be nothing at this path: %s %s.", name, why)
		}
	}
	query, err := url.ParseQuery(c.Request().URL.RawQuery)
	if err != nil {
		return refuse(ProblemBadQuery, "The query is not written as a URL writes one.")
	}
	var faults []Fault
	for _, name := range slices.Sorted(maps.Keys(query)) {
		if f, bad := o.queryFault(name, query[name]); bad {
			faults = append(faults, f)
		}
	}
	if faults == nil {
		return nil
	}
	r := refuse(ProblemBadQuery, "%d parameters of the query are wrong.", len(faults))
	if len(faults) == 1 {
		r.detail = "1 parameter of the query is wrong."
	}
	r.faults = faults[:min(len(faults), maxFaults)]
	return r
}

func (o operationCheck) queryFault(name string, values []string) (Fault, bool) {
	check, known := o.query[name]
	switch {
	case !known:
		advice := "This path takes no parameters in the query."
		if len(o.query) > 0 {
			advice = "Known here: " + strings.Join(slices.Sorted(maps.Keys(o.query)), ", ") + "."
		}
		return Fault{Parameter: short(name), Code: FaultCodeUnknownParameter, Message: "there is no such parameter", Advice: advice}, true
	case len(values) > 1:
		return Fault{Parameter: name, Code: FaultCodeRepeatedParameter, Message: "the parameter stands more than once", Advice: "Keep the one that is meant."}, true
	}
	if why := check(values[0]); why != "" {
		return Fault{Parameter: name, Code: FaultCodeBadValue, Message: why, Advice: "Correct it, or leave it out."}, true
	}
	return Fault{}, false
}

// short keeps a name that somebody made up from filling the reply.
func short(name string) string {
	name = strings.ToValidUTF8(name, "\uFFFD")
	if r := []rune(name); len(r) > 64 {
		return string(r[:64])
	}
	return name
}
