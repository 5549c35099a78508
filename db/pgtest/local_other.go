//go:build !unix

package pgtest

import (
	"context"
	"errors"
)

func fromLocal(context.Context) (host, error) {
	return nil, errors.New("a private server needs a Unix system")
}
