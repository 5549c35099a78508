// Package pgtest gives tests a Postgres: one server a test process and a fresh
// database a test.
//
// The server is, in this order,
//   - the one at DRAWGEAR_TEST_DATABASE_URL, a postgres:// URL whose login is a
//     superuser;
//   - a container of the image DRAWGEAR_TEST_POSTGRES_IMAGE (postgres:17-alpine
//     if that is not set), where a Docker engine answers;
//   - a private one from server programs of this machine, found in PATH or
//     where Debian puts them, and thrown away with the process.
//
// DRAWGEAR_TEST_POSTGRES set to url, docker or local allows that one only.
// Where there is none, tests fail and say what to do.
package pgtest

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"drawgear/db/postgres"
)

// startWithin bounds the start of a server, with the pull of an image.
const startWithin = 3 * time.Minute

// host is a way to run a server.
type host interface {
	String() string // for the log
	// admin is the URL of a database that is always there.
	admin() string
	// kill ends the server at once, as a crash would.
	kill(ctx context.Context) error
	// start begins to start it again after that.
	start(ctx context.Context) error
	// durable has commits wait for the disk from the next start on.
	durable()
	// stop ends it for good.
	stop() error
}

// Server is a running Postgres.
type Server struct {
	host     host
	template func() (string, error)
}

func newServer(h host) *Server {
	s := &Server{host: h}
	s.template = sync.OnceValues(s.makeTemplate)
	return s
}

// shared is the server of this test process, started by the first test that
// asks.
var shared = sync.OnceValues(func() (*Server, error) {
	h, err := find(true)
	if err != nil {
		return nil, err
	}
	s := newServer(h)
	fmt.Fprintln(os.Stderr, "pgtest:", s.describe())
	return s, nil
})

// New gives the URL of a fresh database with the schema of the service. Its
// login owns the tables; the database is gone when the test has ended.
func New(t testing.TB) string {
	t.Helper()
	return get(t).Database(t)
}

// Empty is New without the schema.
func Empty(t testing.TB) string {
	t.Helper()
	return get(t).create(t, "template0")
}

func get(t testing.TB) *Server {
	t.Helper()
	s, err := shared()
	if err != nil {
		t.Fatal(err)
	}
	t.Log("Postgres:", s.host)
	return s
}

// Start gives a server of the test's own, which may be killed. It cannot be
// the one of DRAWGEAR_TEST_DATABASE_URL, which is not ours to kill.
func Start(t testing.TB) *Server {
	t.Helper()
	h, err := find(false)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.stop(); err != nil {
			t.Errorf("stop the server: %v", err)
		}
	})
	t.Log("Postgres of its own:", h)
	return newServer(h)
}

// Durable is Start with a server whose commits wait for the disk, as those of
// tests do not. It is for measurements.
func Durable(t testing.TB) *Server {
	t.Helper()
	s := Start(t)
	s.host.durable()
	s.Kill(t)
	s.Restart(t)
	return s
}

// Database gives the URL of a fresh database with the schema.
func (s *Server) Database(t testing.TB) string {
	t.Helper()
	template, err := s.template()
	if err != nil {
		t.Fatal(err)
	}
	return s.create(t, template)
}

// Kill ends the server at once, as a crash would: what it had not given to the
// operating system is lost.
func (s *Server) Kill(t testing.TB) {
	t.Helper()
	if err := s.host.kill(t.Context()); err != nil {
		t.Fatalf("kill the server: %v", err)
	}
}

// Restart starts a killed server and waits until it answers.
func (s *Server) Restart(t testing.TB) {
	t.Helper()
	if err := restart(t.Context(), s.host); err != nil {
		t.Fatalf("start the server again: %v", err)
	}
}

// restart tries again and again: what a killed server leaves behind may be in
// the way of the next for a moment.
func restart(ctx context.Context, h host) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	for {
		err := h.start(ctx)
		if err == nil {
			err = ping(ctx, h.admin())
		}
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func ping(ctx context.Context, url string) error {
	return with(ctx, url, func(c *pgx.Conn) error { return c.Ping(ctx) })
}

// with does something on a connection of its own.
func with(ctx context.Context, url string, do func(*pgx.Conn) error) (err error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer func() { err = errors.Join(err, conn.Close(context.WithoutCancel(ctx))) }()
	return do(conn)
}

// at gives the URL of a database beside the one of another URL.
func at(admin, database string) string {
	u, err := url.Parse(admin)
	if err != nil {
		panic(err) // find has parsed it
	}
	u.Path = "/" + database
	return u.String()
}

func (s *Server) create(t testing.TB, template string) string {
	t.Helper()
	name := "drawgear_test_" + strings.ToLower(rand.Text())
	sql := func(ctx context.Context, text string) error {
		ctx, cancel := context.WithTimeout(ctx, time.Minute)
		defer cancel()
		return with(ctx, s.host.admin(), func(c *pgx.Conn) error {
			_, err := c.Exec(ctx, text)
			return err
		})
	}
	if err := sql(t.Context(), "CREATE DATABASE "+name+" TEMPLATE "+template); err != nil {
		t.Fatalf("create a database for the test: %v", err)
	}
	t.Cleanup(func() {
		// The context of the test has ended by now.
		if err := sql(context.WithoutCancel(t.Context()), "DROP DATABASE "+name+" WITH (FORCE)"); err != nil {
			t.Errorf("drop the database of the test: %v", err)
		}
	})
	return at(s.host.admin(), name)
}

// makeTemplate migrates the database that others are copied from. Its name
// tells the migrations, so that on a server that stays it is made once; test
// processes that share the server wait for each other.
func (s *Server) makeTemplate() (string, error) {
	sum := sha256.New()
	fmt.Fprintln(sum, postgres.SchemaVersion()) // not every migration is a file
	if err := fs.WalkDir(postgres.Migrations(), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := fs.ReadFile(postgres.Migrations(), path)
		fmt.Fprintf(sum, "%s\n%s\n", path, text)
		return err
	}); err != nil {
		return "", fmt.Errorf("read the migrations: %w", err)
	}
	name := fmt.Sprintf("drawgear_template_%x", sum.Sum(nil)[:6])
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	err := with(ctx, s.host.admin(), func(c *pgx.Conn) error {
		// The lock goes with the connection.
		if _, err := c.Exec(ctx, "SELECT pg_advisory_lock(hashtextextended($1, 0))", name); err != nil {
			return err
		}
		var there bool
		err := c.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", name).Scan(&there)
		if err != nil || there {
			return err
		}
		making := name + "_making" // left by a process that died over it
		for _, sql := range []string{"DROP DATABASE IF EXISTS " + making + " WITH (FORCE)", "CREATE DATABASE " + making + " TEMPLATE template0"} {
			if _, err := c.Exec(ctx, sql); err != nil {
				return err
			}
		}
		if err := postgres.Migrate(ctx, at(s.host.admin(), making)); err != nil {
			return err
		}
		_, err = c.Exec(ctx, "ALTER DATABASE "+making+" RENAME TO "+name)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("make the template of the test databases: %w", err)
	}
	return name, nil
}

func (s *Server) describe() string {
	version := "of unknown version"
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	_ = with(ctx, s.host.admin(), func(c *pgx.Conn) error { // only for the log
		return c.QueryRow(ctx, "SHOW server_version").Scan(&version)
	})
	return fmt.Sprintf("PostgreSQL %s, %v", version, s.host)
}

// The variables of the environment.
const (
	envURL   = "DRAWGEAR_TEST_DATABASE_URL"
	envImage = "DRAWGEAR_TEST_POSTGRES_IMAGE"
	envWay   = "DRAWGEAR_TEST_POSTGRES"
)

const help = `no PostgreSQL for the tests. One of these gives them one:
  - set ` + envURL + ` to the postgres:// URL of a superuser on a server that is yours to play with
  - start a Docker engine that has or can pull the image (` + envImage + `, else ` + defaultImage + `)
  - install the server programs, on Debian: apt-get install postgresql
What was tried:
%w`

// find gives the first server to be had. The one of the URL is only for those
// who share.
func find(share bool) (host, error) {
	ctx, cancel := context.WithTimeout(context.Background(), startWithin)
	defer cancel()
	ways := []struct {
		name string
		try  func(context.Context) (host, error)
	}{
		{"url", fromURL}, {"docker", fromDocker}, {"local", fromLocal},
	}
	forced := os.Getenv(envWay)
	if !share {
		ways = ways[1:]
		if forced == "url" {
			forced = "" // such a server cannot be killed: any other will do
		}
	}
	var failed []error
	known := forced == ""
	for _, way := range ways {
		if forced != "" && way.name != forced {
			continue
		}
		known = true
		h, err := way.try(ctx)
		if err == nil {
			return h, nil
		}
		failed = append(failed, fmt.Errorf("  - %s: %w", way.name, err))
	}
	if !known {
		failed = append(failed, fmt.Errorf("  - %s is %q, which is none of url, docker, local", envWay, forced))
	}
	return nil, fmt.Errorf(help, errors.Join(failed...))
}

// given is the server of the URL.
type given struct{ url string }

func fromURL(ctx context.Context) (host, error) {
	text := os.Getenv(envURL)
	if text == "" {
		return nil, errors.New(envURL + " is not set")
	}
	u, err := url.Parse(text)
	if err != nil || !strings.HasPrefix(u.Scheme, "postgres") {
		return nil, errors.New(envURL + " is not a postgres:// URL") // it may hold a password, so it is not shown
	}
	if strings.Trim(u.Path, "/") == "" {
		u.Path = "/postgres"
	}
	if err := ping(ctx, u.String()); err != nil {
		return nil, err
	}
	return given{u.String()}, nil
}

func (g given) String() string            { return "the server of " + envURL }
func (g given) admin() string             { return g.url }
func (given) kill(context.Context) error  { return errors.ErrUnsupported }
func (given) start(context.Context) error { return errors.ErrUnsupported }
func (given) durable()                    {} // it is not ours
func (given) stop() error                 { return nil }
