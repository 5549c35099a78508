package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"drawgear/service"
)

// door is the one way out for errors of the driver. Their text may name hosts,
// logins or values of rows: it goes to the log, and callers are given an error
// that they can tell from others.
func (s *Store) door(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if ended := ctx.Err(); ended != nil {
		return ended
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return service.ErrNotFound
	}
	s.log.WarnContext(ctx, "a call to the database failed", "error", err)
	return translate(err)
}

// refusal is an answer of the server that an operator must do something about.
// Until then the store is away.
type refusal struct{ why string }

func (r *refusal) Error() string { return r.why }
func (r *refusal) Unwrap() error { return service.ErrUnavailable }

func translate(err error) error {
	var (
		said       *pgconn.PgError
		network    net.Error
		connecting *pgconn.ConnectError
	)
	switch {
	case errors.As(err, &said):
		return byCode(said.Code, errors.As(err, &connecting))
	case errors.Is(err, context.DeadlineExceeded): // ours: the caller's was looked at before
		return fmt.Errorf("%w: it took too long", service.ErrUnavailable)
	case errors.As(err, &connecting), errors.As(err, &network), pgconn.SafeToRetry(err),
		errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, net.ErrClosed):
		return fmt.Errorf("%w: the connection was lost or not made", service.ErrUnavailable)
	default:
		return errors.New("the driver of the database failed")
	}
}

const undefinedTable = "42P01"

// byCode sorts what the server said by its SQLSTATE.
func byCode(code string, connecting bool) error {
	switch code {
	case "23505": // unique_violation
		return errors.New("the id is taken")
	case "23503": // foreign_key_violation
		return errors.New("there is no such tenant")
	case "23001": // restrict_violation
		return errors.New("it is there with another text, and does not change")
	case undefinedTable:
		return &refusal{"a table is missing: migrate the database"}
	case "42501": // insufficient_privilege
		return &refusal{"a grant is missing: grant " + ServiceRole + " to the login of the service"}
	case "22023", "42704": // invalid_parameter_value, undefined_object
		if connecting {
			return &refusal{"the role " + ServiceRole + " is missing: migrate the database"}
		}
	case "3D000": // invalid_catalog_name
		return &refusal{"there is no such database"}
	case "57014": // query_canceled
		return fmt.Errorf("%w: it took too long", service.ErrUnavailable)
	case "25006", "40001", "40P01", "55P03": // read_only_sql_transaction, serialization_failure, deadlock_detected, lock_not_available
		return fmt.Errorf("%w: it is busy (SQLSTATE %s)", service.ErrUnavailable, code)
	}
	switch code[:min(2, len(code))] {
	case "28": // invalid authorization
		return &refusal{"the login is not accepted"}
	case "08", "53", "57", "58": // connection, resources, operator intervention, system
		return fmt.Errorf("%w (SQLSTATE %s)", service.ErrUnavailable, code)
	}
	return fmt.Errorf("the database refused it (SQLSTATE %s)", code)
}
