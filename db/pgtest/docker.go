package pgtest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/testcontainers/testcontainers-go"
	tclog "github.com/testcontainers/testcontainers-go/log"
	tcpostgres "github.com/testcontainers/testcontainers-go/modules/postgres"
)

const defaultImage = "postgres:17-alpine"

// inDocker is a server in a container.
type inDocker struct {
	*tcpostgres.PostgresContainer
	image string
	url   string
}

func fromDocker(ctx context.Context) (host, error) {
	tclog.SetDefault(tclog.NewNoopLogger()) // errors say enough
	if err := engine(ctx); err != nil {
		return nil, err
	}
	d := &inDocker{image: cmp.Or(os.Getenv(envImage), defaultImage)}
	var err error
	d.PostgresContainer, err = tcpostgres.Run(ctx, d.image,
		testcontainers.WithCmdArgs("-c", "max_connections=200"), tcpostgres.BasicWaitStrategies())
	if err == nil {
		d.url, err = d.ConnectionString(ctx, "sslmode=disable")
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("run the image %s: %w", d.image, err), testcontainers.TerminateContainer(d.PostgresContainer))
	}
	return d, nil
}

// engine fails at once where no Docker engine answers.
func engine(ctx context.Context) (err error) {
	defer func() { // that is how the library says that there is no socket
		if r := recover(); r != nil {
			err = fmt.Errorf("no Docker engine: %v", r)
		}
	}()
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	provider, err := testcontainers.NewDockerProvider()
	if err != nil {
		return fmt.Errorf("no Docker engine: %w", err)
	}
	defer provider.Close()
	if err := provider.Health(ctx); err != nil {
		return fmt.Errorf("no Docker engine: %w", err)
	}
	return nil
}

func (d *inDocker) String() string { return "a container of " + d.image }
func (d *inDocker) admin() string  { return d.url }

// kill ends all processes of the server but the first, which nothing inside a
// container can; that one takes it for the crash it is, drops all that was
// shared and recovers from the log.
func (d *inDocker) kill(ctx context.Context) error {
	code, _, err := d.Exec(ctx, []string{"sh", "-c", "kill -9 -1"})
	// The shell may be among those killed.
	if err == nil && code != 0 && code != 137 {
		err = fmt.Errorf("kill ended with code %d", code)
	}
	return err
}

func (d *inDocker) start(context.Context) error { return nil } // it does by itself

func (d *inDocker) durable() {} // it is

func (d *inDocker) stop() error { return testcontainers.TerminateContainer(d.PostgresContainer) }
