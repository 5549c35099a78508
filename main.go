// Command drawgear answers, for a towing rig, what the law of a place and day
// requires, whether each part is rated for its load, and what is missing.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/netip"
	"os"
	"os/signal"
	"reflect"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.yaml.in/yaml/v3"
	"golang.org/x/mod/sumdb/note"

	"drawgear/api"
	"drawgear/api/server"
	"drawgear/db/memory"
	"drawgear/db/postgres"
	"drawgear/openapi"
	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/rules/law"
	"drawgear/rules/library"
	"drawgear/service"
)

// commands is the command line. A setting is a flag that has a DRAWGEAR_
// variable; it can stand in the configuration file too.
type commands struct {
	ConfigFile string `name:"config" placeholder:"FILE" env:"DRAWGEAR_CONFIG" help:"Settings in YAML or JSON, by the names of the flags; flags and variables go first."`

	Serve    serveCmd    `cmd:"" help:"Run the HTTP service."`
	Config   configCmd   `cmd:"" help:"Print the settings of 'serve' as they come out, secrets masked; wrong ones are refused."`
	Health   healthCmd   `cmd:"" help:"Ask a service on this machine whether it is ready; exit 1 if not."`
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

// startGC is how much garbage, in percent of what is in use, a start may pile up
// before it is collected. Nearly all that a start makes stays.
const startGC = 400

// cushion is the size of a piece of memory that nobody touches: it takes up addresses
// and nothing else. The collector counts it as in use, and so lets as much garbage
// again pile up before it runs. What the service has in use is little, and would have
// it run all the time under load; of a percentage, a store of audits in memory would
// have it keep a multiple of what it holds.
const cushion = 32 << 20

// collectGarbage sets that for all that follows, unless the operator has (GOGC), and
// reports whether it did.
func collectGarbage(percent int) bool {
	ours := os.Getenv("GOGC") == ""
	if ours {
		debug.SetGCPercent(percent)
	}
	return ours
}

func main() {
	collectGarbage(startGC)
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
		kong.UsageOnError(), kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(std), kong.Resolvers(new(elsewhere)))
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
	DatabaseURL service.Secret `placeholder:"postgres://..." env:"DRAWGEAR_DATABASE_URL" help:"Postgres database of the record; without it records are kept in memory and end with the process."`
}

var errNoDatabase = errors.New("set DRAWGEAR_DATABASE_URL (--database-url): this command works on the record")

// open opens the store; the address of a configuration is that of the flags.
func (d databaseFlags) open(ctx context.Context, c postgres.Config) (*postgres.Store, error) {
	if d.DatabaseURL.Reveal() == "" {
		return nil, errNoDatabase
	}
	c.URL = d.DatabaseURL.Reveal()
	store, err := postgres.Open(ctx, c)
	if err != nil {
		return nil, fmt.Errorf("--database-url (DRAWGEAR_DATABASE_URL): %w", err)
	}
	return store, nil
}

type serveCmd struct {
	settings
}

// store is all that the service needs of one.
type store interface {
	service.FullStore
	service.Tenants
	service.Audits
	service.Webhooks
	service.Jobs
}

// Run serves until the context ends, then lets requests in progress finish.
func (c *serveCmd) Run(ctx context.Context, std streams) error {
	if err := c.check(); err != nil {
		return err
	}
	log := c.logger(std.err)
	started := time.Now()
	go openapi.Operations() // reading the contract takes a quarter as long as compiling the law, which is next
	// What runs beside the requests goes on until the last of them is answered.
	beside, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	traces, flush, err := server.Tracing(beside, c.OTLPEndpoint, service.Engine(), c.TraceShare)
	if err != nil {
		return fmt.Errorf("--otlp-endpoint (DRAWGEAR_OTLP_ENDPOINT): %w", err)
	}
	reg := prometheus.NewRegistry()
	st, describe, err := c.store(beside, reg, log)
	if err != nil {
		return err
	}
	edge, err := c.edge(beside, st, log)
	if err != nil {
		return err
	}
	measure(reg, edge.Service)
	reg.MustRegister(backlog{st})
	go c.upkeep(beside, st, log)
	address, err := c.address(edge.Auth == nil)
	if err != nil {
		return err
	}
	srv, err := server.Listen(ctx, server.Config{
		Listen: address, CertFile: c.TLSCert, KeyFile: c.TLSKey,
		Private: c.MetricsListen, Metrics: promhttp.HandlerFor(reg, promhttp.HandlerOpts{EnableOpenMetrics: true}),
		DrainWait: c.DrainWait, ShutdownWait: c.ShutdownWait, Logger: log,
	})
	if err != nil {
		return err
	}
	edge.Telemetry, edge.Limits, edge.Draining = api.NewTelemetry(reg, traces), c.limits(), srv.Draining
	if collectGarbage(100) { // as is usual, but for the cushion
		untouched := make([]byte, cushion)
		defer runtime.KeepAlive(untouched)
	}
	ready := edge.Service.Held()
	log.Info("serving", "address", srv.URL(), "metrics", srv.PrivateURL(), "jurisdictions", ready.Jurisdictions, "rulesets", ready.Rulesets,
		"started_in", time.Since(started).Round(time.Millisecond).String(), "store", describe, "keys", edge.Auth != nil, "version", service.Engine())
	bearer := ""
	if edge.Auth != nil {
		bearer = ` -H "Authorization: Bearer $DRAWGEAR_KEY"`
	}
	if c.readable(std.err) {
		fmt.Fprintf(std.err, "try: curl -s '%s/v1/assessments?record=false'%s -H 'Content-Type: application/json' -d '%s'\n", srv.URL(), bearer, tryRig)
	}
	stopWork := c.work(ctx, st, carrier(edge, reg, log), log)
	err = srv.Serve(ctx, api.New(edge))
	stopWork()
	last, done := context.WithTimeout(beside, flushWait)
	defer done()
	if lost := flush(last); lost != nil {
		log.Warn("the last traces were not sent", "error", lost)
	}
	return err
}

// How long, when the last request is answered, jobs may take to stop and the last
// traces to be sent.
const (
	stopWait  = 5 * time.Second
	flushWait = 3 * time.Second
)

// workPause is how long nobody works after the store could not be worked on.
const workPause = 5 * time.Second

// work carries out jobs beside the requests, until the context ends or it is told to
// stop; what is in hand then stops too, and is begun again by whoever works next. That
// the store is away ends nothing: it is tried again.
func (c *serveCmd) work(ctx context.Context, jobs service.Jobs, do func(context.Context, service.Job) error, log *slog.Logger) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	over := make(chan struct{})
	go func() {
		defer close(over)
		for workers := c.workers(); workers > 0 && ctx.Err() == nil; {
			if err := jobs.Work(ctx, workers, do); err != nil && ctx.Err() == nil {
				log.Error("nobody carries out jobs here; it is tried again", "error", err, "in", workPause.String())
			}
			select {
			case <-ctx.Done():
			case <-time.After(workPause):
			}
		}
	}()
	return func() {
		cancel()
		select {
		case <-over:
		case <-time.After(stopWait):
			log.Warn("jobs were cut off; they are begun again", "after", stopWait.String())
		}
	}
}

// carrier hands a job to the use cases that know its kind, counts it, and logs why it
// failed, which no store does.
func carrier(edge api.Config, reg prometheus.Registerer, log *slog.Logger) func(context.Context, service.Job) error {
	tried := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "drawgear_jobs_tried_total", Help: "Attempts at jobs that ended, by kind and result: done or failed.",
	}, []string{"kind", "result"})
	reg.MustRegister(tried)
	carry := map[service.JobKind]func(context.Context, service.Job) error{
		service.JobAudit: edge.Audits.Carry, service.JobImpact: edge.Audits.Carry, service.JobDelivery: edge.Hooks.Carry,
	}
	for kind := range carry {
		tried.WithLabelValues(string(kind), "done")
		tried.WithLabelValues(string(kind), "failed")
	}
	return func(ctx context.Context, j service.Job) error {
		do, known := carry[j.Kind]
		if !known { // of a program that is newer
			return fmt.Errorf("this program knows no job of kind %q", j.Kind)
		}
		err := j.Run(ctx, do)
		switch {
		case err == nil:
			tried.WithLabelValues(string(j.Kind), "done").Inc()
		case errors.Is(ctx.Err(), context.Canceled): // told to stop, which is no failure
		default:
			tried.WithLabelValues(string(j.Kind), "failed").Inc()
			log.Warn("a job failed", "kind", j.Kind, "tenant", j.Tenant, "id", j.ID, "number", j.Number, "attempt", j.Attempt, "error", err)
		}
		return err
	}
}

// backlog tells of the jobs of all replicas whenever it is collected; of none while
// the store is away.
type backlog struct{ jobs service.Jobs }

var jobsWaiting = prometheus.NewDesc("drawgear_jobs_waiting", "Jobs that wait or run, of all replicas together, by kind.", []string{"kind"}, nil)

// backlogWait is how long the store may take to count them.
const backlogWait = 2 * time.Second

// Describe names the metric.
func (backlog) Describe(out chan<- *prometheus.Desc) { out <- jobsWaiting }

// Collect asks the store.
func (b backlog) Collect(out chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), backlogWait)
	defer cancel()
	waiting, err := b.jobs.Backlog(ctx)
	if err != nil {
		return
	}
	for _, kind := range []service.JobKind{service.JobAudit, service.JobImpact, service.JobDelivery} {
		out <- prometheus.MustNewConstMetric(jobsWaiting, prometheus.GaugeValue, float64(waiting[kind]), string(kind))
	}
}

// measure adds what is told of the process and of the law that answers.
func measure(reg *prometheus.Registry, s *service.Assessor) {
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "drawgear_build_info", Help: "One, under the version of the program.", ConstLabels: prometheus.Labels{"version": service.Engine()},
		}, func() float64 { return 1 }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "drawgear_snapshot_age_seconds", Help: "Time since the store last said which ruleset versions are published; infinite if it never did.",
		}, func() float64 {
			if asked := s.Held().AskedAt; !asked.IsZero() {
				return time.Since(asked).Seconds()
			}
			return math.Inf(1)
		}),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "drawgear_snapshot_fault", Help: "One while what the store holds is not what answers.",
		}, func() float64 {
			if s.Held().Fault != "" {
				return 1
			}
			return 0
		}),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "drawgear_jurisdictions", Help: "Places whose law is held.",
		}, func() float64 { return float64(s.Held().Jurisdictions) }))
}

// store opens the record: Postgres if an address is given, else memory.
func (c *serveCmd) store(ctx context.Context, reg prometheus.Registerer, log *slog.Logger) (s store, describe string, err error) {
	if c.DatabaseURL.Reveal() == "" {
		return memory.New(c.Keep), "memory: records end with this process", nil
	}
	if c.Migrate {
		if err := postgres.Migrate(ctx, c.DatabaseURL.Reveal()); err != nil {
			return nil, "", err
		}
	}
	pg, err := c.open(ctx, postgres.Config{Connections: c.DatabaseConnections, PackAfter: c.PackAfter, Logger: log})
	if err != nil {
		return nil, "", err
	}
	reg.MustRegister(pg.Metrics())
	return pg, "postgres", nil
}

// upkeepGap is how often the record is looked after. A month that is not
// prepared refuses nothing: its records go to a partition for the rest.
const upkeepGap = 24 * time.Hour

// uploadGone is how long the rows of an audit may be coming in. Whoever sent them has
// gone by then: no upload may take so long.
const uploadGone = 24 * time.Hour

// dropAtOnce is how many audits, or deliveries, are dropped in one step.
const (
	dropAudits     = 5
	dropDeliveries = 1000
)

// upkeep prepares the coming months of the record and drops what need not be kept,
// until the context ends; any number of replicas may do it.
func (c *serveCmd) upkeep(ctx context.Context, st store, log *slog.Logger) {
	for {
		c.tidy(ctx, st, log)
		select {
		case <-ctx.Done():
			return
		case <-time.After(upkeepGap):
		}
	}
}

// tidy does all that upkeep has to do today, as far as it goes.
func (c *serveCmd) tidy(ctx context.Context, st store, log *slog.Logger) {
	var done postgres.Maintained
	var failed error
	if pg, ok := st.(*postgres.Store); ok {
		done, failed = pg.Maintain(ctx)
	}
	now := time.Now()
	ended := time.Time{} // before which none did
	if c.KeepAudits > 0 {
		ended = now.Add(-c.KeepAudits)
	}
	audits, err := dropAll(dropAudits, func(limit int) (int, error) { return st.DropAudits(ctx, ended, now.Add(-uploadGone), limit) })
	failed = errors.Join(failed, err)
	deliveries := 0
	if c.KeepDeliveries > 0 {
		deliveries, err = dropAll(dropDeliveries, func(limit int) (int, error) { return st.DropDeliveries(ctx, now.Add(-c.KeepDeliveries), limit) })
		failed = errors.Join(failed, err)
	}
	if failed != nil && ctx.Err() == nil {
		log.Warn("the record was not wholly looked after", "error", failed)
	}
	if len(done.Partitions)+audits+deliveries > 0 || done.Replies > 0 {
		log.Info("looked after the record", "partitions", done.Partitions, "replies_dropped", done.Replies, "audits_dropped", audits, "deliveries_dropped", deliveries)
	}
}

// dropAll drops step by step until there is no more, and counts.
func dropAll(limit int, drop func(limit int) (int, error)) (all int, err error) {
	for {
		n, err := drop(limit)
		all += n
		if err != nil || n < limit {
			return all, err
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
	law := service.NewSnapshots(st, log, time.Now).WithImpacts(st, st)
	if err := law.Start(ctx, documents); err != nil {
		return api.Config{}, err
	}
	go law.Run(ctx)
	signer, err := service.LogSigner(c.LogKey.Reveal())
	if err != nil {
		return api.Config{}, fmt.Errorf("--log-key (DRAWGEAR_LOG_KEY): %w", err)
	}
	now, err := c.clock()
	if err != nil {
		return api.Config{}, fmt.Errorf("--now (DRAWGEAR_NOW): %w", err)
	}
	within := service.InStep(st)
	assessor := service.NewLive(law, within, now)
	// A notice is signed with the time of its sending, which its receiver looks at.
	hooks, err := service.NewHooks(st, c.hooks(), time.Now)
	if err != nil {
		return api.Config{}, err
	}
	var events *service.Events // nobody may be told
	if len(c.WebhookAllow) > 0 {
		events = service.NewEvents(st, now)
	}
	if c.CountedIDs {
		assessor = assessor.WithIDs(service.CountedIDs())
		// Notices come when jobs are done, whose order is nobody's: they must not take ids of answers.
		ids := service.CountedIDs()
		hooks = hooks.WithIDs(ids)
		if events != nil {
			events = events.WithIDs(ids)
		}
	}
	edge := api.Config{
		Service:     assessor,
		Authoring:   service.NewAuthoring(within, law, time.Now),
		Ledger:      service.NewLedger(st, signer),
		Register:    service.NewRegistry(assessor, within, now),
		Audits:      service.NewAuditor(assessor, st, events),
		Hooks:       hooks,
		Once:        service.NewIdempotency(st),
		Logger:      log,
		UploadBytes: c.AuditUpload,
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

type healthCmd struct {
	Listen  string        `default:"127.0.0.1:8080" env:"DRAWGEAR_LISTEN" help:"Address that the service listens on."`
	TLSCert string        `name:"tls-cert" placeholder:"FILE" env:"DRAWGEAR_TLS_CERT" help:"Certificate that it shows, if it answers over TLS."`
	Live    bool          `help:"Ask only whether it answers at all."`
	Wait    time.Duration `default:"3s" help:"How long it may take."`
}

// Run asks, and says nothing if all is well.
func (c *healthCmd) Run(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, c.Wait)
	defer cancel()
	path := "/readyz"
	if c.Live {
		path = "/livez"
	}
	return server.Probe(ctx, c.Listen, c.TLSCert, path)
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
	Scopes  []string      `default:"assess,read" help:"What it may do: assess, read, fit, fleet, audit, author, approve, admin."`
	Expires time.Duration `help:"How long it is good; for ever if left out."`
}

// Run makes the key.
func (c *keyCreateCmd) Run(ctx context.Context, std streams) error {
	st, err := c.open(ctx, postgres.Config{Logger: slog.New(slog.NewTextHandler(std.err, nil))})
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
	st, err := c.open(ctx, postgres.Config{Logger: slog.New(slog.NewTextHandler(std.err, nil))})
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
	st, err := c.open(ctx, postgres.Config{Logger: slog.New(slog.NewTextHandler(std.err, nil))})
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

// settings are those of the service. What can be wrong with one by itself kong
// says when it reads it; what is wrong with them together check says.
type settings struct {
	databaseFlags

	Listen  string `default:"127.0.0.1:8080" env:"DRAWGEAR_LISTEN" help:"Address to listen on. Beyond this machine only with keys or tokens."`
	TLSCert string `name:"tls-cert" placeholder:"FILE" env:"DRAWGEAR_TLS_CERT" help:"Certificate chain in PEM to answer over TLS 1.2 or newer; read again when it changes."`
	TLSKey  string `name:"tls-key" placeholder:"FILE" env:"DRAWGEAR_TLS_KEY" help:"Its private key; goes with --tls-cert."`

	DatabaseConnections int32          `default:"16" env:"DRAWGEAR_DATABASE_CONNECTIONS" help:"Connections to the database at most, one more to listen, and one more to wait for jobs."`
	PackAfter           time.Duration  `default:"1h" env:"DRAWGEAR_PACK_AFTER" help:"How long after the schema learnt to hold packed answers they are kept whole, so that programs of before, which work on until they are replaced, can read them."`
	Migrate             bool           `env:"DRAWGEAR_MIGRATE" help:"Bring the schema of the database up to date first; any number of replicas may start so at once."`
	LogKey              service.Secret `placeholder:"PRIVATE+KEY+..." env:"DRAWGEAR_LOG_KEY" help:"Key made by 'drawgear log key' that signs the heads of the logs; without it one that ends with the process."`
	Keep                int            `default:"10000" env:"DRAWGEAR_KEEP" help:"Assessments that the memory store keeps; the oldest go first."`

	Now        string `placeholder:"TIME" env:"DRAWGEAR_NOW" help:"Time, as 2026-11-25T09:00:00Z, that answers and records take for now; for tests over the memory store."`
	CountedIDs bool   `name:"counted-ids" env:"DRAWGEAR_COUNTED_IDS" help:"Give ids that count up from one, the same in every run; for tests over the memory store."`

	BootstrapKey    service.Secret `placeholder:"dgk_..." env:"DRAWGEAR_BOOTSTRAP_KEY" help:"Key made by 'drawgear key new', taken as an admin key of the memory store; no request is open then."`
	OIDCIssuer      string         `name:"oidc-issuer" placeholder:"URL" env:"DRAWGEAR_OIDC_ISSUER" help:"OpenID provider whose tokens are taken beside keys; no request is open then."`
	OIDCAudience    string         `name:"oidc-audience" placeholder:"NAME" env:"DRAWGEAR_OIDC_AUDIENCE" help:"Audience that tokens must name; goes with --oidc-issuer."`
	OIDCTenantClaim string         `name:"oidc-tenant-claim" default:"tenant" env:"DRAWGEAR_OIDC_TENANT_CLAIM" help:"Claim with the id of a tenant."`
	OIDCScopesClaim string         `name:"oidc-scopes-claim" default:"scope" env:"DRAWGEAR_OIDC_SCOPES_CLAIM" help:"Claim with scopes, as words in a text or as a list."`

	Workers        *int          `placeholder:"N" env:"DRAWGEAR_WORKERS" help:"Jobs (chunks of audits, changes of law, notices to webhooks) carried out at a time by this replica; 0 for none, one a processor if left out."`
	AuditUpload    int64         `default:"536870912" env:"DRAWGEAR_AUDIT_UPLOAD" help:"Bytes of a file of rigs at most."`
	KeepAudits     time.Duration `default:"2160h" env:"DRAWGEAR_KEEP_AUDITS" help:"How long an audit is kept after its end; 0 for ever."`
	KeepDeliveries time.Duration `default:"720h" env:"DRAWGEAR_KEEP_DELIVERIES" help:"How long it is kept what webhooks were sent; 0 for ever."`

	WebhookKey      service.Secret `placeholder:"BASE64" env:"DRAWGEAR_WEBHOOK_KEY" help:"32 bytes in base64, as 'openssl rand -base64 32' writes them, from which the secrets of webhooks are derived; the same for all replicas. Over the memory store one that ends with the process if left out."`
	WebhookAllow    []string       `placeholder:"HOST,..." env:"DRAWGEAR_WEBHOOK_ALLOW" help:"Hosts that webhooks may be at: hooks.example.org, *.example.org for all below it, each with :port unless that is 443; without any there are no webhooks."`
	WebhookNetworks []netip.Prefix `placeholder:"CIDR,..." env:"DRAWGEAR_WEBHOOK_NETWORKS" help:"Networks that are not public but may be told, such as 10.20.0.0/16."`
	WebhookPlain    bool           `env:"DRAWGEAR_WEBHOOK_PLAIN" help:"Take http:// addresses of webhooks as well; on closed networks and in tests, for what is sent can be read on the way."`

	Rate           float64        `default:"100" env:"DRAWGEAR_RATE" help:"Requests a second that one key, or one address without a key, may make of a replica in the long run; 0 for any number."`
	Burst          int            `default:"0" env:"DRAWGEAR_BURST" help:"Requests at once after a pause; 0 for two seconds' worth of the rate."`
	InFlight       int            `default:"256" env:"DRAWGEAR_IN_FLIGHT" help:"Requests answered at a time, of all callers; what is more gets a 503 at once. 0 for any number."`
	Computing      *int           `placeholder:"N" env:"DRAWGEAR_COMPUTING" help:"Requests that compute at a time, and half as many of those that take long; 16 for each wait, a second at most, and what is more gets a 503 at once. 0 for any number, one less than there are processors if left out."`
	TrustedProxies []netip.Prefix `placeholder:"CIDR,..." env:"DRAWGEAR_TRUSTED_PROXIES" help:"Networks of proxies that are believed when X-Forwarded-For says whose request they pass on."`

	LogFormat     string  `default:"auto" enum:"auto,json,text" env:"DRAWGEAR_LOG_FORMAT" help:"Form of the log on standard error: json, text, or auto for text on a terminal and json elsewhere."`
	MetricsListen string  `placeholder:"127.0.0.1:9464" env:"DRAWGEAR_METRICS_LISTEN" help:"Address of /metrics (Prometheus) and, if it is one of loopback, /debug/pprof/; none if left out."`
	OTLPEndpoint  string  `name:"otlp-endpoint" placeholder:"URL" env:"DRAWGEAR_OTLP_ENDPOINT" help:"Collector that traces are sent to over OTLP (HTTP), such as http://127.0.0.1:4318/v1/traces; none if left out."`
	TraceShare    float64 `default:"1" env:"DRAWGEAR_TRACE_SHARE" help:"Share, from 0 to 1, of the requests without a traceparent that begin a trace."`

	DrainWait    time.Duration `default:"0s" env:"DRAWGEAR_DRAIN_WAIT" help:"How long to go on answering after SIGTERM while /readyz says that it is not ready: longer than it takes a load balancer to notice."`
	ShutdownWait time.Duration `default:"10s" env:"DRAWGEAR_SHUTDOWN_WAIT" help:"How long requests in progress may take after that."`
}

// check says all that is wrong with the settings, each by its name and with
// what to do.
func (s *settings) check() error {
	var faults []error
	refuse := func(wrong bool, flag, must string) {
		if wrong {
			faults = append(faults, fmt.Errorf("--%s (%s) %s", flag, variable(flag), must))
		}
	}
	refuse(s.Keep < 1, "keep", "must be 1 or more")
	refuse(s.DatabaseConnections < 1, "database-connections", "must be 1 or more")
	refuse(s.PackAfter < 0, "pack-after", "must be 0 or more")
	refuse(s.workers() < 0, "workers", "must be 0 or more")
	refuse(s.workers() == 0 && s.DatabaseURL.Reveal() == "", "workers", "must be 1 or more without a database: there is nobody else to carry out audits")
	refuse(s.AuditUpload < 1, "audit-upload", "must be 1 or more")
	refuse(s.KeepAudits < 0, "keep-audits", "must be 0 or more; 0 keeps them for ever")
	refuse(s.KeepDeliveries < 0, "keep-deliveries", "must be 0 or more; 0 keeps them for ever")
	refuse(len(s.WebhookAllow) > 0 && s.WebhookKey.Reveal() == "" && s.DatabaseURL.Reveal() != "", "webhook-key",
		"is wanting: receivers must know the signatures of every replica, now and after a new start; make one with `openssl rand -base64 32`")
	for _, part := range []struct {
		flag   string
		config service.HookConfig
	}{
		{"webhook-key", service.HookConfig{Key: s.WebhookKey}},
		{"webhook-allow", service.HookConfig{Allow: s.WebhookAllow}},
		{"webhook-networks", service.HookConfig{Networks: s.WebhookNetworks}},
	} {
		if _, err := service.NewHooks(nil, part.config, time.Now); err != nil {
			refuse(true, part.flag, "is refused: "+err.Error())
		}
	}
	refuse(!(s.Rate >= 0), "rate", "must be 0 or more; 0 sets no limit") // NaN too
	refuse(s.Burst < 0, "burst", "must be 0 or more")
	refuse(s.InFlight < 0, "in-flight", "must be 0 or more; 0 sets no limit")
	refuse(s.computing() < 0, "computing", "must be 0 or more; 0 sets no limit")
	refuse(!(s.TraceShare >= 0 && s.TraceShare <= 1), "trace-share", "must lie from 0 to 1")
	refuse(s.DrainWait < 0, "drain-wait", "must not be negative")
	refuse(s.ShutdownWait < 0, "shutdown-wait", "must not be negative")
	refuse(s.TLSCert != "" && s.TLSKey == "", "tls-key", "is wanting: it goes with --tls-cert (DRAWGEAR_TLS_CERT)")
	refuse(s.TLSKey != "" && s.TLSCert == "", "tls-cert", "is wanting: it goes with --tls-key (DRAWGEAR_TLS_KEY)")
	_, badTime := s.clock()
	refuse(badTime != nil, "now", "must be a time such as 2026-11-25T09:00:00Z")
	refuse(s.Now != "" && s.DatabaseURL.Reveal() != "", "now", "is for tests over the memory store: leave it out with a database, whose records tell the time")
	refuse(s.CountedIDs && s.DatabaseURL.Reveal() != "", "counted-ids", "is for tests over the memory store: leave it out with a database, where ids must not be guessed")
	refuse(s.Migrate && s.DatabaseURL.Reveal() == "", "migrate", "works on a database: set --database-url (DRAWGEAR_DATABASE_URL), or leave it out")
	return errors.Join(faults...)
}

// clock gives the time, or the one that stands for it in tests.
func (s *settings) clock() (func() time.Time, error) {
	if s.Now == "" {
		return time.Now, nil
	}
	fixed, err := time.Parse(time.RFC3339, s.Now)
	return func() time.Time { return fixed }, err
}

// workers is how many jobs are carried out at a time.
func (s *settings) workers() int {
	if s.Workers == nil {
		return runtime.GOMAXPROCS(0)
	}
	return *s.Workers
}

// computing is how many requests compute at a time. A processor is left for those
// who come meanwhile, so that they are counted, and refused if they are too many.
func (s *settings) computing() int {
	if s.Computing == nil {
		return max(1, runtime.GOMAXPROCS(0)-1)
	}
	return *s.Computing
}

// hooks says which webhooks there may be.
func (s *settings) hooks() service.HookConfig {
	return service.HookConfig{Key: s.WebhookKey, Allow: s.WebhookAllow, Networks: s.WebhookNetworks, Plain: s.WebhookPlain}
}

func (s *settings) limits() api.Limits {
	l := api.Limits{Rate: s.Rate, Burst: s.Burst, InFlight: s.InFlight, Computing: s.computing()}
	for _, p := range s.TrustedProxies {
		p = p.Masked()
		l.TrustedProxies = append(l.TrustedProxies, &net.IPNet{IP: p.Addr().AsSlice(), Mask: net.CIDRMask(p.Bits(), p.Addr().BitLen())})
	}
	return l
}

func (s *settings) logger(to io.Writer) *slog.Logger {
	if s.readable(to) {
		return slog.New(api.LogHandler(slog.NewTextHandler(to, nil)))
	}
	return slog.New(api.LogHandler(slog.NewJSONHandler(to, nil)))
}

// readable says whether somebody reads along, rather than a program.
func (s *settings) readable(to io.Writer) bool {
	if s.LogFormat != "auto" {
		return s.LogFormat == "text"
	}
	f, ok := to.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// variable is the environment variable of a flag.
func variable(flag string) string {
	return "DRAWGEAR_" + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

// elsewhere finds settings that stand neither in flags nor in variables: first
// secrets in files that DRAWGEAR_..._FILE names, then the configuration file.
type elsewhere struct {
	file map[string]string // nil until it is read
	path string
}

// Validate has nothing to look at: the configuration file is known only later.
func (*elsewhere) Validate(*kong.Application) error { return nil }

// Resolve gives the text of a setting, or nothing.
func (e *elsewhere) Resolve(k *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
	if len(flag.Envs) == 0 || flag.Name == "config" {
		return nil, nil
	}
	if e.file == nil {
		if err := e.read(k); err != nil {
			return nil, err
		}
	}
	_, inVariable := os.LookupEnv(flag.Envs[0])
	if isSecret(flag) {
		if path := os.Getenv(flag.Envs[0] + "_FILE"); path != "" && inVariable {
			return nil, fmt.Errorf("both %s and %[1]s_FILE are set: leave one out", flag.Envs[0])
		} else if path != "" {
			text, err := os.ReadFile(path)
			if err != nil {
				return nil, fmt.Errorf("%s_FILE: %w", flag.Envs[0], err)
			}
			return strings.TrimRight(string(text), "\r\n"), nil
		}
	}
	if text, ok := e.file[flag.Name]; ok && !inVariable {
		return text, nil
	}
	return nil, nil
}

func isSecret(flag *kong.Flag) bool { return flag.Target.Type() == reflect.TypeFor[service.Secret]() }

// read reads the configuration file. A name that is no setting is refused:
// mistyped, it would leave something as it is that was to be otherwise.
func (e *elsewhere) read(k *kong.Context) error {
	e.file = map[string]string{}
	known := map[string]bool{}
	err := kong.Visit(k.Model, func(node kong.Visitable, next kong.Next) error {
		if f, ok := node.(*kong.Flag); ok {
			if f.Name == "config" {
				e.path = k.FlagValue(f).(string)
			} else if len(f.Envs) > 0 {
				known[f.Name] = true
			}
		}
		return next(nil)
	})
	if err != nil || e.path == "" {
		return err
	}
	text, err := os.ReadFile(e.path)
	if err != nil {
		return fmt.Errorf("--config (DRAWGEAR_CONFIG): %w", err)
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return fmt.Errorf("--config (DRAWGEAR_CONFIG): read %s: %w", e.path, err)
	}
	if len(doc.Content) == 0 {
		return nil // an empty file sets nothing
	}
	return e.take(doc.Content[0], known)
}

func (e *elsewhere) take(root *yaml.Node, known map[string]bool) error {
	fault := func(n *yaml.Node, format string, args ...any) error {
		return fmt.Errorf("%s line %d: %s", e.path, n.Line, fmt.Sprintf(format, args...))
	}
	if root.Kind != yaml.MappingNode {
		return fault(root, "settings are a mapping of names to values")
	}
	for i := 0; i+1 < len(root.Content); i += 2 {
		name, value := root.Content[i], root.Content[i+1]
		if !known[name.Value] {
			return fault(name, "there is no setting %q; see drawgear config", name.Value)
		}
		if _, twice := e.file[name.Value]; twice {
			return fault(name, "%s stands more than once", name.Value)
		}
		switch value.Kind {
		case yaml.ScalarNode:
			e.file[name.Value] = value.Value
		case yaml.SequenceNode:
			items := make([]string, len(value.Content))
			for j, item := range value.Content {
				if item.Kind != yaml.ScalarNode {
					return fault(item, "the list of %s holds something else than texts", name.Value)
				}
				items[j] = item.Value
			}
			e.file[name.Value] = strings.Join(items, ",")
		default:
			return fault(value, "%s takes a text, a number, true, false or a list", name.Value)
		}
	}
	return nil
}

type configCmd struct {
	settings

	Markdown bool `help:"Print a table of all settings instead."`
}

// Run prints the settings as a configuration file, each with where it was set.
func (c *configCmd) Run(k *kong.Context, std streams) error {
	flags := settingsOf(k)
	if c.Markdown {
		return printLine(std, settingsTable(flags))
	}
	if err := c.check(); err != nil {
		return err
	}
	from := map[*kong.Flag]string{}
	for _, p := range k.Path {
		if p.Flag == nil {
			continue
		}
		from[p.Flag] = "flag"
		if p.Resolved {
			from[p.Flag] = "file"
		}
	}
	doc := &yaml.Node{Kind: yaml.MappingNode}
	for _, f := range flags {
		where := from[f]
		if _, ok := os.LookupEnv(f.Envs[0]); ok && where == "" {
			where = "variable"
		} else if where == "" {
			where = "default"
		}
		var value yaml.Node
		if err := value.Encode(shown(f)); err != nil {
			return fmt.Errorf("print %s: %w", f.Name, err)
		}
		value.LineComment, value.Style = where, value.Style|yaml.FlowStyle
		doc.Content = append(doc.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: f.Name}, &value)
	}
	text, err := yaml.Marshal(doc)
	if err != nil {
		return fmt.Errorf("print the settings: %w", err)
	}
	return printLine(std, strings.TrimSpace(string(text)))
}

// shown is the value of a setting as it may be seen.
func shown(f *kong.Flag) any {
	switch v := f.Target.Interface().(type) {
	case service.Secret:
		if v.Reveal() == "" {
			return ""
		}
		return v.String()
	case time.Duration:
		return v.String()
	default:
		return v
	}
}

// settingsOf lists the settings of a command, as declared.
func settingsOf(k *kong.Context) []*kong.Flag {
	return slices.DeleteFunc(slices.Clone(k.Selected().Flags), func(f *kong.Flag) bool { return len(f.Envs) == 0 })
}

// settingsTable is the reference of all settings.
func settingsTable(flags []*kong.Flag) string {
	var out strings.Builder
	out.WriteString("| flag, name in the file | variable | default | |\n| --- | --- | --- | --- |")
	for _, f := range flags {
		value := "none"
		if f.HasDefault {
			value = "`" + f.Default + "`"
		} else if f.IsBool() {
			value = "off"
		}
		env := "`" + f.Envs[0] + "`"
		if isSecret(f) {
			env += " or `…_FILE`"
		}
		fmt.Fprintf(&out, "\n| `--%s` | %s | %s | %s |", f.Name, env, value, f.Help)
	}
	return out.String()
}
