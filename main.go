// Command drawgear answers, for a towing rig, what the law of a place and day
// requires, whether each part is rated for its load, and what is missing.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"regexp"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/db/postgres"
	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/rules/law"
	"drawgear/rules/library"
	"drawgear/service"
)

// commands is the command line; every flag has a DRAWGEAR_ variable.
type commands struct {
	Serve    serveCmd    `cmd:"" help:"Run the HTTP service."`
	Evaluate evaluateCmd `cmd:"" help:"Answer for one rig document: the same bytes as POST /v1/assessments?record=false."`
	Check    checkCmd    `cmd:"" help:"Check a ruleset file: compile it, run its examples, look for thresholds without one."`
	Coverage coverageCmd `cmd:"" help:"Print which questions are answered for which places, and how well verified."`
	Migrate  migrateCmd  `cmd:"" help:"Bring the schema of the database up to date."`
	Tenant   tenantCmd   `cmd:"" help:"Make tenants."`
	Key      keyCmd      `cmd:"" help:"Make keys."`
	Log      logCmd      `cmd:"" help:"Export and check the log of what was recorded."`
}

// streams are where a command reads and writes, so that tests can stand in.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(code)
}

// Exit codes: refused arguments and failed commands are told apart for scripts.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2
)

func run(ctx context.Context, args []string, std streams) int {
	var cli commands
	done := -1 // set by kong on --help
	parser, err := kong.New(&cli, kong.Name("drawgear"),
		kong.Description("What the law requires of a towing rig, and whether its parts are rated for it."),
		kong.Writers(std.out, std.err), kong.Exit(func(code int) { done = code }),
		kong.UsageOnError(), kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(std))
	if err != nil {
		fmt.Fprintln(std.err, "drawgear:", err)
		return exitFailed
	}
	command, err := parser.Parse(args)
	if done >= 0 {
		return done
	}
	if err != nil {
		fmt.Fprintf(std.err, "drawgear: %s (see drawgear --help)\n", aKey.ReplaceAllString(err.Error(), "[secret]"))
		return exitUsage
	}
	if err := command.Run(); err != nil {
		fmt.Fprintln(std.err, "drawgear:", err)
		return exitFailed
	}
	return exitOK
}

// aKey finds keys in refused arguments, which would be repeated: what goes to
// the terminal of one is the log of another.
var aKey = regexp.MustCompile(`dgk_\w*`)

// databaseFlags are those of every command that works on a database.
type databaseFlags struct {
	DatabaseURL service.Secret `placeholder:"postgres://..." env:"DRAWGEAR_DATABASE_URL" help:"Postgres database of the record. Give it by the variable: flags show in lists of processes."`
}

var errNoDatabase = errors.New("set DRAWGEAR_DATABASE_URL (--database-url): this command works on the record")

func (d databaseFlags) open(ctx context.Context, log *slog.Logger) (*postgres.Store, error) {
	if d.DatabaseURL.Reveal() == "" {
		return nil, errNoDatabase
	}
	store, err := postgres.Open(ctx, postgres.Config{URL: d.DatabaseURL.Reveal(), Logger: log})
	if err != nil {
		return nil, fmt.Errorf("--database-url (DRAWGEAR_DATABASE_URL): %w", err)
	}
	return store, nil
}

type serveCmd struct {
	databaseFlags

	Listen       string         `default:"127.0.0.1:8080" env:"DRAWGEAR_LISTEN" help:"Address to listen on."`
	Migrate      bool           `env:"DRAWGEAR_MIGRATE" help:"Bring the schema of the database up to date first; any number of replicas may start so at once."`
	LogKey       service.Secret `placeholder:"PRIVATE+KEY+..." env:"DRAWGEAR_LOG_KEY" help:"Key made by 'drawgear log key' that signs the heads of the logs; without it one that ends with the process."`
	Keep         int            `default:"10000" env:"DRAWGEAR_KEEP" help:"Assessments that the memory store keeps; the oldest go first."`
	ShutdownWait time.Duration  `default:"10s" env:"DRAWGEAR_SHUTDOWN_WAIT" help:"How long requests in progress may take when stopping."`

	BootstrapKey service.Secret `placeholder:"dgk_..." env:"DRAWGEAR_BOOTSTRAP_KEY" help:"A key made by 'drawgear key new', taken as an admin key; no request is open then. Give it by the variable: flags show in lists of processes."`

	OIDCIssuer      string `name:"oidc-issuer" placeholder:"URL" env:"DRAWGEAR_OIDC_ISSUER" help:"OpenID provider whose tokens are taken beside keys; no request is open then."`
	OIDCAudience    string `name:"oidc-audience" env:"DRAWGEAR_OIDC_AUDIENCE" help:"Audience that tokens must name; goes with --oidc-issuer."`
	OIDCTenantClaim string `name:"oidc-tenant-claim" default:"tenant" env:"DRAWGEAR_OIDC_TENANT_CLAIM" help:"Claim with the id of a tenant."`
	OIDCScopesClaim string `name:"oidc-scopes-claim" default:"scope" env:"DRAWGEAR_OIDC_SCOPES_CLAIM" help:"Claim with scopes, as words in a text or as a list."`
}

// store is all that the service needs of one.
type store interface {
	service.FullStore
	service.Tenants
}

// Run serves until the context ends, then lets requests in progress finish.
func (c *serveCmd) Run(ctx context.Context, std streams) error {
	if c.Keep < 1 {
		return errors.New("--keep (DRAWGEAR_KEEP) must be 1 or more")
	}
	log := slog.New(slog.NewJSONHandler(std.err, nil))
	started := time.Now()
	// What runs beside the requests ends with this function.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, describe, err := c.store(ctx, log)
	if err != nil {
		return err
	}
	edge, err := c.edge(ctx, st, log)
	if err != nil {
		return err
	}
	address, err := c.address(edge.Auth == nil)
	if err != nil {
		return err
	}
	server := &http.Server{
		Handler:           api.New(edge),
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", address)
	if err != nil {
		return fmt.Errorf("listen on %s (--listen, DRAWGEAR_LISTEN): %w", c.Listen, err)
	}
	url := "http://" + listener.Addr().String()
	ready := edge.Service.Ready(ctx)
	log.Info("serving", "address", url, "jurisdictions", ready.Library.Jurisdictions, "rulesets", ready.Library.Rulesets,
		"started_in", time.Since(started).Round(time.Millisecond).String(), "store", describe, "keys", edge.Auth != nil)
	bearer := ""
	if edge.Auth != nil {
		bearer = ` -H "Authorization: Bearer $DRAWGEAR_KEY"`
	}
	fmt.Fprintf(std.err, "try: curl -s '%s/v1/assessments?record=false'%s -H 'Content-Type: application/json' -d '%s'\n", url, bearer, tryRig)

	failed := make(chan error, 1)
	go func() { failed <- server.Serve(listener) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	log.Info("stopping", "wait", c.ShutdownWait.String())
	// The old context has ended: the requests in progress need one of their own.
	grace, done := context.WithTimeout(context.WithoutCancel(ctx), c.ShutdownWait)
	defer done()
	if err := server.Shutdown(grace); err != nil {
		return fmt.Errorf("stop: %w", err)
	}
	log.Info("stopped")
	return nil
}

// store opens the record: Postgres if an address is given, else memory.
func (c *serveCmd) store(ctx context.Context, log *slog.Logger) (s store, describe string, err error) {
	if c.DatabaseURL.Reveal() == "" {
		return memory.New(c.Keep), "memory: records end with this process", nil
	}
	if c.Migrate {
		if err := postgres.Migrate(ctx, c.DatabaseURL.Reveal()); err != nil {
			return nil, "", err
		}
	}
	pg, err := c.open(ctx, log)
	if err != nil {
		return nil, "", err
	}
	go upkeep(ctx, pg, log)
	return pg, "postgres", nil
}

// upkeepGap is how often the record is looked after. A month that is not
// prepared refuses nothing: its records go to a partition for the rest.
const upkeepGap = 24 * time.Hour

// upkeep prepares the coming months of the record and drops idempotency replies
// that are old, until the context ends; any number of replicas may do it.
func upkeep(ctx context.Context, pg *postgres.Store, log *slog.Logger) {
	for {
		done, err := pg.Maintain(ctx)
		if err != nil && ctx.Err() == nil {
			log.Warn("the record was not wholly looked after", "error", err)
		}
		if len(done.Partitions) > 0 || done.Replies > 0 {
			log.Info("looked after the record", "partitions", done.Partitions, "replies_dropped", done.Replies)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(upkeepGap):
		}
	}
}

// edge wires the use cases over a store.
func (c *serveCmd) edge(ctx context.Context, st store, log *slog.Logger) (api.Config, error) {
	files, err := library.Files()
	if err != nil {
		return api.Config{}, err
	}
	documents := make([][]byte, len(files))
	for i, f := range files {
		documents[i] = f.Data
	}
	law := service.NewSnapshots(st, log, time.Now)
	if err := law.Start(ctx, documents); err != nil {
		return api.Config{}, err
	}
	go law.Run(ctx)
	signer, err := service.LogSigner(c.LogKey.Reveal())
	if err != nil {
		return api.Config{}, fmt.Errorf("--log-key (DRAWGEAR_LOG_KEY): %w", err)
	}
	within := service.InStep(st)
	edge := api.Config{
		Service:   service.NewLive(law, within, time.Now),
		Authoring: service.NewAuthoring(within, law, time.Now),
		Ledger:    service.NewLedger(st, signer),
		Once:      service.NewIdempotency(st),
		Logger:    log,
	}
	edge.Auth, edge.Keys, err = c.callers(ctx, st)
	return edge, err
}

// callers says how it is told who asks: by nothing if neither a key nor a
// provider of tokens is configured, and then everybody is the owner. A database
// always asks for keys: it outlives this machine's loopback.
func (c *serveCmd) callers(ctx context.Context, store store) (api.Authenticator, *service.Keyring, error) {
	withKeys, withTokens := c.BootstrapKey.Reveal() != "", c.OIDCIssuer != "" || c.OIDCAudience != ""
	if !withKeys && !withTokens && c.DatabaseURL.Reveal() == "" {
		return nil, nil, nil
	}
	bearers := service.Bearers{Keys: service.NewKeyring(store, time.Now)}
	if withKeys {
		if err := bearers.Keys.Bootstrap(ctx, c.BootstrapKey); err != nil {
			return nil, nil, fmt.Errorf("--bootstrap-key (DRAWGEAR_BOOTSTRAP_KEY): %w", err)
		}
	}
	if withTokens {
		var err error
		bearers.Tokens, err = service.NewTokens(service.TokenConfig{
			Issuer: c.OIDCIssuer, Audience: c.OIDCAudience, TenantClaim: c.OIDCTenantClaim, ScopesClaim: c.OIDCScopesClaim,
		}, store, time.Now)
		if err != nil {
			return nil, nil, fmt.Errorf("--oidc-issuer (DRAWGEAR_OIDC_ISSUER), --oidc-audience (DRAWGEAR_OIDC_AUDIENCE): %w", err)
		}
	}
	return bearers, bearers.Keys, nil
}

// address resolves where to listen, once, so that what is checked is what is
// listened on. A service that is open to everybody who can reach it stays on
// this machine.
func (c *serveCmd) address(open bool) (string, error) {
	a, err := net.ResolveTCPAddr("tcp", c.Listen)
	if err != nil {
		return "", fmt.Errorf("listen on %s (--listen, DRAWGEAR_LISTEN): %w", c.Listen, err)
	}
	if open && !a.IP.IsLoopback() { // no IP at all is every address
		return "", fmt.Errorf("%s can be reached from other machines, and without keys everybody there could do everything: "+
			"make a key with `drawgear key new` and set it as DRAWGEAR_BOOTSTRAP_KEY, or listen on 127.0.0.1 (--listen, DRAWGEAR_LISTEN)", c.Listen)
	}
	return a.String(), nil
}

// printSurvey lists where the law of the ruleset's place says nothing on a
// question, and where rules contradict each other.
func printSurvey(std streams, book *rules.Book, rs *law.Ruleset) error {
	if rs.Jurisdiction == "" {
		return nil // a frame answers nowhere by itself
	}
	surveys, err := book.Survey(rs.Jurisdiction, rs.Reviewed.Day)
	if err != nil {
		return err
	}
	for _, s := range surveys {
		fmt.Fprintf(std.out, "%s: %d cells, %d governed\n", s.Question, s.Cells, s.Governed)
		for i, r := range s.Open {
			if i == maxRegions {
				fmt.Fprintf(std.out, "  not covered: %d more regions\n", len(s.Open)-i)
				break
			}
			fmt.Fprintln(std.out, "  not covered:", r.Where)
		}
		for _, o := range s.Overlaps {
			if o.Conflict {
				fmt.Fprintf(std.out, "  contradiction: %s, for example where %s\n", strings.Join(o.Rules, ", "), o.Where)
			}
		}
	}
	return nil
}

// maxRegions bounds what is printed of one question.
const maxRegions = 12

type keyCmd struct {
	New    keyNewCmd    `cmd:"" help:"Print a new key for DRAWGEAR_BOOTSTRAP_KEY. Nothing keeps it."`
	Create keyCreateCmd `cmd:"" help:"Make a key of a tenant in the database, and print it once."`
}

type keyNewCmd struct{}

// Run prints the text of a key that no store knows.
func (*keyNewCmd) Run(std streams) error { return printLine(std, service.NewKeyText().Reveal()) }

func printLine(std streams, text string) error {
	if _, err := fmt.Fprintln(std.out, text); err != nil {
		return fmt.Errorf("print: %w", err)
	}
	return nil
}

type keyCreateCmd struct {
	databaseFlags

	Tenant  string        `required:"" placeholder:"UUID" help:"Tenant whose key it is."`
	Name    string        `required:"" help:"Whose key it is, in words."`
	Scopes  []string      `default:"assess,read" help:"What it may do: assess, read, audit, author, approve, admin."`
	Expires time.Duration `help:"How long it is good; for ever if left out."`
}

// Run makes the key.
func (c *keyCreateCmd) Run(ctx context.Context, std streams) error {
	st, err := c.open(ctx, slog.New(slog.NewTextHandler(std.err, nil)))
	if err != nil {
		return err
	}
	defer st.Close()
	scopes := make([]service.Scope, len(c.Scopes))
	for i, s := range c.Scopes {
		scopes[i] = service.Scope(s)
	}
	var ends time.Time
	if c.Expires > 0 {
		ends = time.Now().Add(c.Expires)
	}
	ctx = service.WithCaller(ctx, service.Operator(c.Tenant))
	_, text, err := service.NewKeyring(st, time.Now).Issue(ctx, c.Name, scopes, ends)
	if err != nil {
		return err
	}
	return printLine(std, text.Reveal())
}

type tenantCmd struct {
	Create tenantCreateCmd `cmd:"" help:"Make a tenant in the database, and print its id."`
}

type tenantCreateCmd struct {
	databaseFlags

	Name string `arg:"" help:"Name of the tenant."`
}

// Run makes the tenant.
func (c *tenantCreateCmd) Run(ctx context.Context, std streams) error {
	st, err := c.open(ctx, slog.New(slog.NewTextHandler(std.err, nil)))
	if err != nil {
		return err
	}
	defer st.Close()
	t := service.Tenant{ID: uuid.NewString(), Name: c.Name, CreatedAt: time.Now().UTC().Truncate(time.Microsecond)}
	if err := st.PutTenant(ctx, t); err != nil {
		return err
	}
	return printLine(std, t.ID)
}

type migrateCmd struct {
	databaseFlags
}

// Run brings the schema up to date.
func (c *migrateCmd) Run(ctx context.Context, std streams) error {
	if c.DatabaseURL.Reveal() == "" {
		return errNoDatabase
	}
	if err := postgres.Migrate(ctx, c.DatabaseURL.Reveal()); err != nil {
		return err
	}
	return printLine(std, fmt.Sprintf("the schema is at version %d", postgres.SchemaVersion()))
}

type logCmd struct {
	Key    logKeyCmd    `cmd:"" help:"Print a new pair of log keys: the first for DRAWGEAR_LOG_KEY, the second to give away."`
	Export logExportCmd `cmd:"" help:"Write the log of a tenant from the database."`
	Verify logVerifyCmd `cmd:"" help:"Check an exported log offline."`
}

type logKeyCmd struct{}

// Run prints a pair of keys.
func (*logKeyCmd) Run(std streams) error {
	secret, public, err := service.NewLogKey()
	if err != nil {
		return err
	}
	return printLine(std, secret+"\n"+public)
}

type logExportCmd struct {
	databaseFlags

	Tenant string         `required:"" placeholder:"UUID" help:"Tenant whose log it is."`
	LogKey service.Secret `required:"" placeholder:"PRIVATE+KEY+..." env:"DRAWGEAR_LOG_KEY" help:"Key that signs the head."`
}

// Run writes the log to standard output.
func (c *logExportCmd) Run(ctx context.Context, std streams) error {
	st, err := c.open(ctx, slog.New(slog.NewTextHandler(std.err, nil)))
	if err != nil {
		return err
	}
	defer st.Close()
	signer, err := service.LogSigner(c.LogKey.Reveal())
	if err != nil {
		return err
	}
	return service.NewLedger(st, signer).Export(service.WithCaller(ctx, service.Operator(c.Tenant)), std.out)
}

type logVerifyCmd struct {
	File string `arg:"" help:"Exported log; - reads standard input."`
	Key  string `required:"" placeholder:"NAME+HASH+KEY" help:"Verifier key, as the operator gave it."`
}

// Run checks the file and says what it holds.
func (c *logVerifyCmd) Run(std streams) error {
	verifier, err := note.NewVerifier(c.Key)
	if err != nil {
		return fmt.Errorf("--key: %w", err)
	}
	in := std.in
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return err
		}
		defer f.Close()
		in = f
	}
	v, err := service.VerifyExport(in, verifier)
	if err != nil {
		return fmt.Errorf("%s does not hold: %w", c.File, err)
	}
	return printLine(std, fmt.Sprintf("the log holds: %d entries, %d with their records, %d by hash alone", v.Size, v.Records, v.Bare))
}

type coverageCmd struct{}

// Run prints the coverage of the shipped library as a Markdown table.
func (*coverageCmd) Run(std streams) error {
	book, err := library.Book()
	if err != nil {
		return err
	}
	return printLine(std, strings.TrimSpace(book.CoverageTable()))
}

// tryRig is a question that works when pasted: a tandem horse float.
const tryRig = `{"jurisdiction":"AU-NSW","as_of":"2026-11-25","trailer":{"axle_count":2,"built":"2024-06-01","rated":{"total":"2400 kg","axles":"2200 kg"},"brakes":{"kind":"overrun","braked_axles":2}}}`

type evaluateCmd struct {
	Rig string `arg:"" help:"File with a rig document in JSON; - reads standard input."`
}

// Run prints the assessment of one rig.
func (c *evaluateCmd) Run(ctx context.Context, std streams) error {
	document, err := read(c.Rig, std.in)
	if err != nil {
		return err
	}
	book, err := library.Book()
	if err != nil {
		return err
	}
	a, err := service.New(book, memory.New(1), time.Now).Assess(service.WithCaller(ctx, service.Local()), document, false)
	if err != nil {
		return err
	}
	line, err := a.Encode()
	if err != nil {
		return err
	}
	if _, err := std.out.Write(line); err != nil {
		return fmt.Errorf("write the answer: %w", err)
	}
	return nil
}

// read takes a file, or standard input for "-", up to the size of the largest
// document there is.
func read(path string, in io.Reader) ([]byte, error) {
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	data, err := io.ReadAll(io.LimitReader(in, law.MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	return data, nil
}

type checkCmd struct {
	File string `arg:"" help:"Ruleset file; - reads standard input."`
}

// Run checks one ruleset against the library, in which it takes the place of
// the version it names.
func (c *checkCmd) Run(std streams) error {
	data, err := read(c.File, std.in)
	if err != nil {
		return err
	}
	rs, err := law.Parse(data)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	shipped, err := library.Book()
	if err != nil {
		return err
	}
	list := []*law.Ruleset{rs}
	for _, x := range shipped.Rulesets() {
		if x.Ruleset != rs.Ruleset || x.Version != rs.Version {
			list = append(list, x)
		}
	}
	book, err := rules.NewBook(list)
	if err != nil {
		return fmt.Errorf("link %s: %w", c.File, err)
	}
	report, err := cases.Verify(book, rs, nil)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s version %d: %d rules, %d examples, sha256 %s\n", rs.Ruleset, rs.Version, len(rs.Rules), report.Checks, rs.SHA256)
	for _, f := range report.Failures {
		fmt.Fprintln(std.out, "fails:", f)
	}
	for _, u := range report.Uncovered {
		fmt.Fprintln(std.out, "untried:", u)
	}
	if err := printSurvey(std, book, rs); err != nil {
		return err
	}
	if len(report.Failures) > 0 {
		return fmt.Errorf("%d of %d examples came out otherwise", len(report.Failures), report.Checks)
	}
	return nil
}
