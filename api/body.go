package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"mime"
	"net"
	"net/http"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"drawgear/rules/rig"
	"drawgear/service"
)

// RigDocument is a rig as it was sent. Its bytes go to rig.Decode untouched:
// only the text itself still has repeated names, and the place of each fault.
type RigDocument []byte

// document is what a body other than a rig is read into.
type document interface {
	// fields has, by the name in the contract, a pointer to what takes the value.
	fields() map[string]any
}

func (w *Withdrawal) fields() map[string]any { return map[string]any{"reason": &w.Reason} }

func (k *KeyRequest) fields() map[string]any {
	return map[string]any{"name": &k.Name, "scopes": &k.Scopes, "expires_at": &k.ExpiresAt}
}

// maxBody is the most bytes of a body of any kind.
const maxBody = rig.MaxBytes

// maxAhead is the most bytes for which room is made before they have come.
const maxAhead = 8 << 10

// binder reads request bodies. It stands in for echo's own, which would stop
// after the first JSON value, take other kinds of body, and quietly drop names
// that it does not know.
type binder struct{}

// Bind reads the whole body into a *RigDocument or a document.
func (binder) Bind(into any, c echo.Context) error {
	if into, ok := into.(*DraftDocument); ok {
		return into.read(c)
	}
	if into, ok := into.(*AuditDocument); ok {
		return into.read(c)
	}
	body, err := readBody(c, maxBody, "application/json")
	if err != nil {
		return err
	}
	switch into := into.(type) {
	case *RigDocument:
		*into = body
		return nil
	case *JobDocument:
		*into = body
		return nil
	case document:
		return readObject(body, into.fields())
	default:
		return fmt.Errorf("read a body into %T: it is no document", into)
	}
}

// readBody reads a body of one of the kinds, of at most so many bytes.
func readBody(c echo.Context, most int64, kinds ...string) ([]byte, error) {
	r := c.Request()
	if err := checkMediaType(r.Header, kinds); err != nil {
		return nil, err
	}
	if r.ContentLength > most {
		return nil, &http.MaxBytesError{Limit: most} // before a byte of it is read
	}
	body, err := readAll(c, most)
	if err == nil && len(body) == 0 {
		err = refuse(ProblemMalformedJSON, "The body is empty.")
	}
	return body, err
}

// readAll reads a body of at most so many bytes to its end.
func readAll(c echo.Context, most int64) ([]byte, error) {
	r := c.Request()
	// Room for what is said to come, as far as nobody can make much of it be had by saying so.
	room := bytes.NewBuffer(make([]byte, 0, min(max(r.ContentLength, 0), maxAhead)+bytes.MinRead))
	_, err := room.ReadFrom(http.MaxBytesReader(c.Response(), r.Body, most))
	body := room.Bytes()
	var tooBig *http.MaxBytesError
	var network net.Error
	switch {
	case err == nil:
		return body, nil
	case errors.As(err, &tooBig), errors.As(err, &network) && network.Timeout():
		return nil, fmt.Errorf("read the body: %w", err)
	default: // net/http has no error that tells chunks which are none from others
		return nil, refuse(ProblemMalformedJSON, "The body broke off, or is not framed as HTTP frames one.")
	}
}

// mayBeEmpty are the texts of which the contract says no least length.
var mayBeEmpty = map[string]bool{"yard": true, "note": true, "name": true}

// readObject reads a JSON object as strictly as a rig is read: no unknown name,
// no name twice, no null. What must be there is for the service to say.
func readObject(body []byte, fields map[string]any) error {
	if !utf8.Valid(body) || !json.Valid(body) {
		return refuse(ProblemMalformedJSON, "The body cannot be read as JSON.")
	}
	in := json.NewDecoder(bytes.NewReader(body))
	// The text is known to be JSON, so nothing below fails for its form.
	if start, _ := in.Token(); start != json.Delim('{') {
		return service.Invalid{{Code: rig.CodeWrongType, Message: "an object is wanted", Advice: "Send one JSON object."}}
	}
	var faults service.Invalid
	seen := map[string]bool{}
	for in.More() {
		token, err := in.Token()
		name, ok := token.(string)
		var value json.RawMessage
		if err = errors.Join(err, in.Decode(&value)); err != nil || !ok {
			return fmt.Errorf("read the body: %w", err)
		}
		is := rig.Issue{Pointer: "/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(short(name))}
		into, known := fields[name]
		var kind *json.UnmarshalTypeError
		switch {
		case !known:
			is.Code, is.Message = rig.CodeUnknownField, "there is no such field"
			is.Advice = "Known here: " + strings.Join(slices.Sorted(maps.Keys(fields)), ", ") + "."
		case seen[name]:
			is.Code, is.Message, is.Advice = rig.CodeContradiction, "the field stands more than once", "Keep the one that is meant."
		case string(value) == "null":
			is.Code, is.Message, is.Advice = rig.CodeWrongType, "null is no value", "Leave out what is not wanted."
		case string(value) == `""` && !mayBeEmpty[name]:
			is.Code, is.Message, is.Advice = rig.CodeBadValue, "the text is empty", "Leave out what is not wanted."
		default:
			seen[name] = true
			err := json.Unmarshal(value, into)
			if err == nil {
				continue
			}
			is.Code, is.Message, is.Advice = rig.CodeBadValue, "the value is of another form than the contract says", "See the contract, /openapi.json."
			if errors.As(err, &kind) {
				is.Code = rig.CodeWrongType
			}
		}
		faults = append(faults, is)
	}
	if faults != nil {
		return faults
	}
	return nil
}

// checkMediaType lets through the kinds, in UTF-8 and not compressed.
func checkMediaType(h http.Header, kinds []string) error {
	if enc := h.Get("Content-Encoding"); enc != "" && !strings.EqualFold(enc, "identity") {
		return refuse(ProblemUnsupportedMediaType, "The body is compressed.")
	}
	if slices.Contains(kinds, h.Get("Content-Type")) { // as most write it
		return nil
	}
	kind, params, err := mime.ParseMediaType(h.Get("Content-Type"))
	if err != nil || !slices.Contains(kinds, kind) {
		return refuse(ProblemUnsupportedMediaType, "The Content-Type is not %s.", strings.Join(kinds, " or "))
	}
	if cs, ok := params["charset"]; ok && !strings.EqualFold(cs, "utf-8") {
		return refuse(ProblemUnsupportedMediaType, "The body is said to be in another character set than UTF-8.")
	}
	return nil
}
