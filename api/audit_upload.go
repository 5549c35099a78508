package api

import (
	"errors"
	"io"
	"mime"
	"net"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"drawgear/service"
)

// Defaults of uploads.
const (
	DefaultUploadBytes = 512 << 20
	DefaultUploadTime  = 15 * time.Minute
	DefaultUploads     = 4
)

// A file that comes slower than uploadRate on average is given up; there is
// uploadPatience before that counts.
const (
	uploadRate     = 1 << 10 // bytes a second
	uploadPatience = 15 * time.Second
)

// fileKinds are the media types of files of rigs, and what they are to the
// service.
var fileKinds = map[string]service.AuditSourceKind{
	"text/csv":             service.AuditCSV,
	"application/x-ndjson": service.AuditNDJSON,
}

// kindOf is the media type of a body without its parameters, in lower case;
// empty if it cannot be told.
func kindOf(r *http.Request) string {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		return ""
	}
	return kind
}

// hasFile says whether a request comes with a file of rigs.
func hasFile(r *http.Request) bool { return fileKinds[kindOf(r)] != "" }

// takeFile hands the handler of uploads the file as it comes: no byte of it is
// read before the handler reads it. Whatever else the request has for a body is
// read as JSON, or refused.
func takeFile(most int64, within time.Duration) StrictMiddlewareFunc {
	return func(next StrictHandlerFunc, _ string) StrictHandlerFunc {
		return func(c echo.Context, request any) (any, error) {
			r, ok := request.(CreateAuditRequestObject)
			if !ok {
				return next(c, request)
			}
			kind := fileKinds[kindOf(c.Request())]
			if kind == "" {
				if r.JSONBody == nil { // the generated code sees to JSON in lower case only
					r.JSONBody = new(AuditDocument)
					if err := r.JSONBody.read(c); err != nil {
						return nil, err
					}
				}
				r.Body = nil
				return next(c, r)
			}
			if err := checkMediaType(c.Request().Header, []string{kindOf(c.Request())}); err != nil {
				return nil, err
			}
			file, err := newUpload(c, kind, most, within)
			if err != nil {
				return nil, err
			}
			r.JSONBody, r.Body = nil, file
			return next(c, r)
		}
	}
}

// upload is a file as it comes. Time counts only while it is waited for: a
// store that is slow is not the sender's fault.
type upload struct {
	kind   service.AuditSourceKind
	body   io.Reader
	conn   *http.ResponseController
	end    time.Time // until when all must be there
	read   int64     // bytes
	waited time.Duration
}

// newUpload is the body of a request, of at most so many bytes. One that says
// itself that it is larger is refused before a byte of it is read.
func newUpload(c echo.Context, kind service.AuditSourceKind, most int64, within time.Duration) (*upload, error) {
	if c.Request().ContentLength > most {
		return nil, &http.MaxBytesError{Limit: most}
	}
	return &upload{
		kind: kind,
		body: http.MaxBytesReader(c.Response(), c.Request().Body, most),
		conn: http.NewResponseController(c.Response()), end: time.Now().Add(within),
	}, nil
}

// Read reads on. What fails is the sender's connection, and comes as a problem.
func (u *upload) Read(p []byte) (int, error) {
	start := time.Now()
	until := start.Add(uploadPatience + time.Duration(u.read/uploadRate)*time.Second - u.waited)
	if until.After(u.end) {
		until = u.end
	}
	_ = u.conn.SetReadDeadline(until) // a connection without deadlines says so, as in tests
	n, err := u.body.Read(p)
	u.read += int64(n)
	u.waited += time.Since(start)
	var (
		tooBig  *http.MaxBytesError
		network net.Error
	)
	switch {
	case err == nil:
		return n, nil
	case errors.Is(err, io.EOF):
		// The connection is watched from here on, to see the caller leave; it must not seem so for want of time.
		_ = u.conn.SetReadDeadline(u.end.Add(closingWait))
		return n, io.EOF
	case errors.As(err, &tooBig):
		return n, err
	case errors.As(err, &network) && network.Timeout():
		return n, refuse(ProblemRequestTimeout, "The file took too long, or came slower than %d bytes a second.", uploadRate)
	default:
		return n, refuse(ProblemInvalidFile, "The file broke off.")
	}
}
