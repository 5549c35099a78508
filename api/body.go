package api

import (
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"drawgear/rules/rig"
)

// RigDocument is a rig as it was sent. Its bytes go to rig.Decode untouched:
// only the text itself still has repeated names, and the place of each fault.
type RigDocument []byte

// rigBinder reads request bodies. It stands in for echo's own binder, which
// would stop after the first JSON value and take other kinds of body too.
type rigBinder struct{}

// Bind reads the whole body into a *RigDocument.
func (rigBinder) Bind(into any, c echo.Context) error {
	document, ok := into.(*RigDocument)
	if !ok {
		return fmt.Errorf("read a body into %T: only rigs are read", into)
	}
	r := c.Request()
	if err := checkMediaType(r.Header); err != nil {
		return err
	}
	if r.ContentLength > rig.MaxBytes {
		return &http.MaxBytesError{Limit: rig.MaxBytes} // before a byte of it is read
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), r.Body, rig.MaxBytes))
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return refuse(ProblemMalformedJSON, "The body broke off.")
	case err != nil:
		return fmt.Errorf("read the body: %w", err)
	case len(body) == 0:
		return refuse(ProblemMalformedJSON, "The body is empty.")
	}
	*document = body
	return nil
}

// checkMediaType lets through application/json, in UTF-8 and not compressed.
func checkMediaType(h http.Header) error {
	if enc := h.Get("Content-Encoding"); enc != "" && !strings.EqualFold(enc, "identity") {
		return refuse(ProblemUnsupportedMediaType, "The body is compressed.")
	}
	kind, params, err := mime.ParseMediaType(h.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		return refuse(ProblemUnsupportedMediaType, "The Content-Type is not application/json.")
	}
	if cs, ok := params["charset"]; ok && !strings.EqualFold(cs, "utf-8") {
		return refuse(ProblemUnsupportedMediaType, "The body is said to be in another character set than UTF-8.")
	}
	return nil
}
