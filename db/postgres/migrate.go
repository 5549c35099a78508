package postgres

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"sync"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/rivermigrate"
)

//go:embed migrations/*.sql
var files embed.FS

// Migrations holds the SQL that makes the schema, a numbered file a step.
func Migrations() fs.FS {
	dir, err := fs.Sub(files, "migrations")
	if err != nil {
		panic(err) // the name is constant
	}
	return dir
}

// schemaTable is where the migrations that were applied are noted.
const schemaTable = "drawgear_schema"

// SchemaVersion is the version of the schema that this program works with: the
// number of the last migration.
var SchemaVersion = sync.OnceValue(func() int64 {
	names, err := fs.Glob(Migrations(), "*.sql")
	if err != nil {
		panic(err) // the pattern is constant
	}
	last := int64(queueMigration)
	for _, name := range names {
		n, err := goose.NumericComponent(name)
		if err != nil {
			panic(err) // a name that goose would refuse too
		}
		last = max(last, n)
	}
	return last
})

// Migrate brings the schema to SchemaVersion. It wants the login that owns the
// tables, or is to own them, and not that of the service. Any number of
// programs may start it at once: one works and the others wait.
func Migrate(ctx context.Context, url string) error { return MigrateTo(ctx, url, SchemaVersion()) }

// MigrateTo brings the schema up or down to a version. Down loses what the
// versions above hold. A schema that is newer than this program knows is left
// as it is, with an error.
func MigrateTo(ctx context.Context, url string, version int64) error {
	has, wants, err := Version(ctx, url)
	switch {
	case err != nil:
		return err
	case has > wants:
		return fmt.Errorf("the schema has version %d and this program knows only %d: run a newer program", has, wants)
	case has == version:
		return nil
	}
	g, err := open(url)
	if err != nil {
		return err
	}
	defer g.Close() // each step has closed its connection before
	// Under the lock both look again, and do nothing if another was faster.
	if has > version {
		_, err = g.DownTo(ctx, version)
	} else {
		_, err = g.UpTo(ctx, version)
	}
	if err != nil {
		return fmt.Errorf("migrate the schema from version %d to %d: %w", has, version, err)
	}
	return nil
}

// Version says which version the schema has, 0 for none, and which this
// program wants.
func Version(ctx context.Context, url string) (has, wants int64, err error) {
	wants = SchemaVersion()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return 0, wants, fmt.Errorf("connect to the database: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	err = conn.QueryRow(ctx, schemaVersion).Scan(&has)
	var said *pgconn.PgError
	if errors.As(err, &said) && said.Code == undefinedTable {
		return 0, wants, nil
	}
	if err != nil {
		return 0, wants, fmt.Errorf("read the version of the schema: %w", err)
	}
	return has, wants, nil
}

// open gives the migrations of a database, whose lock is looked for every
// second and held for as long as the connection lives.
func open(url string) (*goose.Provider, error) {
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("read the address of the database: %w", err)
	}
	config.RuntimeParams["timezone"] = "UTC" // of the times in schemaTable
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 600))
	if err != nil {
		return nil, fmt.Errorf("make the lock of the migrations: %w", err)
	}
	g, err := goose.NewProvider(goose.DialectPostgres, stdlib.OpenDB(*config), Migrations(),
		goose.WithSessionLocker(locker), goose.WithTableName(schemaTable), goose.WithDisableGlobalRegistry(true),
		goose.WithGoMigrations(goose.NewGoMigration(queueMigration, &goose.GoFunc{RunDB: makeQueue}, &goose.GoFunc{RunDB: dropQueue})))
	if err != nil {
		return nil, fmt.Errorf("read the migrations: %w", err)
	}
	return g, nil
}

// The tables of the job queue are River's, made by its own migrations. A newer
// River that has more of them needs another migration here. Each is a transaction
// by itself, since a value that is added to an enum can be used only after a
// commit; River notes which it has carried out, so that one that broke off in
// between goes on from there.
const (
	queueMigration = 7 // its number among ours
	queueVersion   = 8 // the last of River's that it carries out
)

// The service works with the jobs of all tenants, in which there are ids and
// nothing else of theirs, so no policy is on them.
const grantQueue = `GRANT SELECT, INSERT, UPDATE, DELETE ON river_job, river_leader, river_queue TO ` + ServiceRole + `;
GRANT USAGE ON SEQUENCE river_job_id_seq TO ` + ServiceRole

func makeQueue(ctx context.Context, db *sql.DB) error {
	if err := migrateQueue(ctx, db, rivermigrate.DirectionUp, queueVersion); err != nil {
		return err
	}
	if _, err := db.ExecContext(ctx, grantQueue); err != nil {
		return fmt.Errorf("let the service work with the job queue: %w", err)
	}
	return nil
}

func dropQueue(ctx context.Context, db *sql.DB) error {
	return migrateQueue(ctx, db, rivermigrate.DirectionDown, -1) // all of it
}

func migrateQueue(ctx context.Context, db *sql.DB, direction rivermigrate.Direction, version int) error {
	m, err := rivermigrate.New(riverdatabasesql.New(db), &rivermigrate.Config{Logger: slog.New(slog.DiscardHandler)})
	if err == nil {
		_, err = m.Migrate(ctx, direction, &rivermigrate.MigrateOpts{TargetVersion: version})
	}
	if err != nil {
		return fmt.Errorf("migrate the job queue %s: %w", direction, err)
	}
	return nil
}
