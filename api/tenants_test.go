package api_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/note"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/openapi"
	"drawgear/openapi/openapitest"
	"drawgear/service"
)

// recordStore is all that a service needs of a store, with the queue of its work.
type recordStore interface {
	service.FullStore
	service.Tenants
	service.Jobs
}

// replica is a service wired as the program wires it, over a store that others
// may use as well. Its clock is that of the machine: it has to run on.
type replica struct {
	h     http.Handler
	store recordStore
	keys  *service.Keyring
	audit *service.Auditor
}

func newReplica(t testing.TB, st recordStore, signer note.Signer, more ...string) replica {
	t.Helper()
	snapshots := service.NewSnapshots(st, slog.New(slog.DiscardHandler), time.Now)
	law := [][]byte{[]byte(zzLaw)}
	for _, text := range more {
		law = append(law, []byte(text))
	}
	if err := snapshots.Start(t.Context(), law); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		snapshots.Run(ctx)
		close(done)
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	within, keys := service.InStep(st), service.NewKeyring(st, time.Now)
	answers := service.NewLive(snapshots, within, time.Now)
	audit := service.NewAuditor(answers, st, service.NewEvents(st, time.Now))
	return replica{store: st, keys: keys, audit: audit, h: api.New(api.Config{
		Service: answers, Authoring: service.NewAuthoring(within, snapshots, time.Now), Audits: audit,
		Register: service.NewRegistry(answers, within, time.Now), Hooks: newHooks(t, st, service.HookConfig{Allow: []string{hookHost}}),
		Ledger: service.NewLedger(st, signer), Once: service.NewIdempotency(st), Auth: service.Bearers{Keys: keys}, Keys: keys,
	})}
}

// working runs something while the chunks of audits are answered. Nobody is told
// anything meanwhile.
func (r replica) working(t testing.TB, run func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- r.store.Work(ctx, 2, func(ctx context.Context, j service.Job) error {
			if j.Kind != service.JobAudit {
				return nil
			}
			return r.audit.Carry(ctx, j)
		})
	}()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("work: %v", err)
		}
	}()
	run()
}

func newSigner(t testing.TB) note.Signer {
	t.Helper()
	s, err := service.LogSigner("")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func newPostgres(t testing.TB, url string) *postgres.Store {
	t.Helper()
	st, err := postgres.Open(t.Context(), postgres.Config{URL: url})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	return st
}

// eachStore runs a test over every kind of store; url is that of the database,
// if there is one.
func eachStore(t *testing.T, run func(t *testing.T, st recordStore, url string)) {
	t.Run("memory", func(t *testing.T) { run(t, memory.New(0), "") })
	t.Run("postgres", func(t *testing.T) {
		url := pgtest.New(t)
		run(t, newPostgres(t, url), url)
	})
}

const (
	saltmarshYard = "5a17a45b-0000-4000-8000-00000000005a"
	tarnValley    = "7a12aa11-0000-4000-8000-00000000007a"
)

// tenant makes a tenant, if it is not there yet, and a key of it with every scope.
func (r replica) tenant(t testing.TB, id, name string) header {
	t.Helper()
	if err := r.store.PutTenant(t.Context(), service.Tenant{ID: id, Name: name, CreatedAt: time.Now()}); err != nil {
		t.Fatal(err)
	}
	_, text, err := r.keys.Issue(service.WithCaller(t.Context(), service.Operator(id)), name, service.Scopes, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	return bearer(text.Reveal())
}

func onceKey(key string) header { return header{"Idempotency-Key", key} }

// anyTag takes a version as it is.
var anyTag = header{"If-Match", "*"}

// Versions of the yard's rules beside the first.
var (
	yardTwo   = strings.Replace(yardRules, "version: 1", "version: 2", 1)
	yardThree = strings.Replace(yardRules, "version: 1", "version: 3", 1)
)

// rigs of the two; the figures tell whose they are.
var (
	yardRig   = strings.Replace(light, "600 kg", "613 kg", 1)
	valleyRig = strings.Replace(light, "600 kg", "617 kg", 1)
)

// neighbours are two tenants of one service. Saltmarsh Yard has some of
// everything: a published version of house rules, an approved one and a draft,
// assessments, keys, and replies kept for idempotency keys.
type neighbours struct {
	replica
	url                  string // of the database, if there is one
	yard, approver, tarn header
	kept                 []string // ids of the yard's assessments
	key                  string   // id of a key of the yard
	fitting              string   // address of a fitting of the yard
	audits               []string // addresses of audits of the yard: the first two have ended, the last goes on
	hooks                []string // addresses of two webhooks of the yard
	delivery             string   // address of a delivery to the first
	valleyAudit          string   // address of one of the valley that has ended
	ids                  []string // nobody could know of these but from the yard
	words                []string // only the yard uses these
}

func newNeighbours(t testing.TB, st recordStore, url string) neighbours {
	t.Helper()
	n := neighbours{replica: newReplica(t, st, newSigner(t)), url: url}
	n.yard, n.approver = n.tenant(t, saltmarshYard, "Saltmarsh Yard"), n.tenant(t, saltmarshYard, "Saltmarsh Yard")
	n.tarn = n.tenant(t, tarnValley, "Tarn Valley")

	draft := wantStatus(t, "draft", call(t, n.h, "POST", "/v1/rulesets", yardRules, n.yard, asYAML, onceKey("draft")), 201)
	next := wantStatus(t, "approve", call(t, n.h, "POST", yardPath+"/approve", "", n.approver, match(draft), onceKey("approve")), 200)
	wantStatus(t, "publish", call(t, n.h, "POST", yardPath+"/publish", "", n.approver, match(next), onceKey("publish")), 200)
	draft = wantStatus(t, "second draft", call(t, n.h, "POST", "/v1/rulesets", yardTwo, n.yard, asYAML), 201)
	wantStatus(t, "approve", call(t, n.h, "POST", draft.Header.Get("Location")+"/approve", "", n.approver, match(draft)), 200)
	wantStatus(t, "third draft", call(t, n.h, "POST", "/v1/rulesets", yardThree, n.yard, asYAML), 201)

	r := wantStatus(t, "assess", call(t, n.h, "POST", "/v1/assessments", yardRig, n.yard, onceKey("assess")), 201)
	n.kept = append(n.kept, decode[service.Assessment](t, r).ID)
	r = wantStatus(t, "trip", call(t, n.h, "POST", "/v1/trips?through=ZZ", yardRig, n.yard, onceKey("trip")), 200)
	n.kept = append(n.kept, decode[service.TripAssessment](t, r).Kept...)
	r = wantStatus(t, "fit", call(t, n.h, "POST", "/v1/fittings", yardFitting, n.yard, onceKey("fit")), 201)
	n.fitting = r.Header.Get("Location")
	wantStatus(t, "proof", call(t, n.h, "POST", n.fitting+"/proofs", `{"polarity":"correct"}`, n.yard, onceKey("proof")), 201)
	r = wantStatus(t, "key", call(t, n.h, "POST", "/v1/keys", `{"name":"Saltmarsh Yard","scopes":["read"]}`, n.yard), 201)
	n.key = decode[api.IssuedKey](t, r).ID

	n.fill(t, n.yard, "SY", "613 kg")
	n.fill(t, n.tarn, "TV", "617 kg")
	r = wantStatus(t, "of the register", call(t, n.h, "POST", "/v1/register-assessments", aboutRun, n.yard, onceKey("register")), 201)
	n.kept = append(n.kept, decode[service.Assessment](t, r).ID)
	n.working(t, func() {
		for range 2 {
			n.audits = append(n.audits, n.audited(t, n.yard, "SY-1,ZZ,613\n"))
		}
		n.valleyAudit = n.audited(t, n.tarn, "TV-1,ZZ,617\n")
	})
	n.audits = append(n.audits, wantStatus(t, "audit", call(t, n.h, "POST", "/v1/audits", `{"source":{"kind":"pairings"}}`, n.yard), 202).Header.Get("Location"))
	for range 2 {
		n.hooks = append(n.hooks, wantStatus(t, "webhook", call(t, n.h, "POST", "/v1/webhooks", yardHook, n.yard), 201).Header.Get("Location"))
	}
	n.delivery = wantStatus(t, "ping", call(t, n.h, "POST", n.hooks[0]+"/ping", "", n.yard), 202).Header.Get("Location")
	hook := wantStatus(t, "webhook", call(t, n.h, "POST", "/v1/webhooks", valleyHook, n.tarn), 201).Header.Get("Location")
	wantStatus(t, "ping", call(t, n.h, "POST", hook+"/ping", "", n.tarn), 202)

	n.ids = append([]string{saltmarshYard, strings.TrimPrefix(n.fitting, "/v1/fittings/"), path.Base(n.delivery)}, n.kept...)
	for _, at := range slices.Concat(n.audits, n.hooks) {
		n.ids = append(n.ids, path.Base(at))
	}
	for _, k := range decode[api.KeyPage](t, call(t, n.h, "GET", "/v1/keys", "", n.yard)).Items {
		n.ids = append(n.ids, k.ID)
	}
	n.ids = append(n.ids, decode[service.Head](t, call(t, n.h, "GET", "/v1/log", "", n.yard)).Root)
	n.words = []string{"house-yard", "house.brakes", "yard-book", "Saltmarsh", "613 kg", "SY-"}
	if len(n.kept) != 3 || len(n.ids) != 15 {
		t.Fatalf("the yard has the assessments %v, and is told by %v", n.kept, n.ids)
	}

	// Tarn Valley has something too, so that its lists are not empty anyway.
	wantStatus(t, "assess", call(t, n.h, "POST", "/v1/assessments", valleyRig, n.tarn), 201)
	wantStatus(t, "fit", call(t, n.h, "POST", "/v1/fittings", valleyFitting, n.tarn), 201)
	return n
}

// What both have in the register, and what they ask about it.
const (
	aboutRun   = `{"pairing":"RUN-12"}`
	yardHook   = `{"url":"https://` + hookHost + `/yard","events":["audit.ended"],"note":"Saltmarsh Yard"}`
	valleyHook = `{"url":"https://` + hookHost + `/valley","events":["audit.ended"]}`
)

// fill writes something of each kind to the register of a tenant: some under ids of
// its own, which begin as they do, and some under such as others have as well.
func (n neighbours) fill(t testing.TB, key header, begin, axles string) {
	t.Helper()
	float := `{"document":{"rated":{"axles":"` + axles + `"},"brakes":{"kind":"none"}}}`
	for _, e := range [][2]string{
		{"vehicles/" + begin + "-UTE", `{"document":{"category":"light_truck"}}`},
		{"trailers/" + begin + "-FLOAT", float},
		{"trailers/" + begin + "-OLD", float},
		{"trailers/FLOAT-3", float},
		{"parts/" + begin + "-CHAIN", `{"fitted_to":{"kind":"trailers","id":"` + begin + `-FLOAT"},"document":{"role":"chain","rated_mass":"` + axles + `"}}`},
		{"pairings/RUN-12", `{"document":{"vehicle":"` + begin + `-UTE","trailer":"` + begin + `-FLOAT","jurisdiction":"ZZ"}}`},
	} {
		wantStatus(t, e[0], call(t, n.h, "PUT", "/v1/register/"+e[0], e[1], key), 201)
	}
}

// audited has a row of a table audited, and gives the address of the audit when it has ended.
func (n neighbours) audited(t testing.TB, key header, row string) string {
	t.Helper()
	at := wantStatus(t, "audit", call(t, n.h, "POST", "/v1/audits", "id,jurisdiction,trailer.rated.axles [kg]\n"+row, key, asCSV), 202).Header.Get("Location")
	wantStatus(t, "events", call(t, n.h, "GET", at+"/events", "", key), 200) // to the end
	if a := decode[service.Audit](t, call(t, n.h, "GET", at, "", key)); a.State != service.AuditDone {
		t.Fatalf("the audit is %+v", a)
	}
	return at
}

// neighbourly is how an operation is asked for what is the yard's.
type neighbourly struct {
	target  string
	body    string
	headers []header
	// theirs: the target or the body names something that is the yard's alone, and there is no such thing for
	// others. Other operations answer everybody out of what is their own.
	theirs bool
	// everybody's says of a path with an id that it names nothing of a tenant's.
	everybodys bool
	status     int // of the reply to the valley if it is not theirs
}

func (n neighbours) operations() map[string]neighbourly {
	const one, two, three = yardPath, "/v1/rulesets/house-yard/versions/2", "/v1/rulesets/house-yard/versions/3"
	kept := "/v1/assessments/" + n.kept[0]
	return map[string]neighbourly{
		"getAssessment":          {target: kept, theirs: true},
		"replayAssessment":       {target: kept + "/replay", theirs: true},
		"proveAssessment":        {target: kept + "/proof", theirs: true},
		"getAssessmentReport":    {target: kept + "/report", theirs: true},
		"getRuleset":             {target: "/v1/rulesets/house-yard", theirs: true},
		"listRulesetVersions":    {target: "/v1/rulesets/house-yard/versions", theirs: true},
		"getRulesetVersion":      {target: one, theirs: true},
		"compareRulesetVersions": {target: one + "/compare?with=2", theirs: true},
		"getSource":              {target: "/v1/sources/yard-book", theirs: true},
		"checkRulesetVersion":    {target: three + "/check", theirs: true},
		"replaceRulesetDraft":    {target: three, body: yardThree, headers: []header{asYAML}, theirs: true},
		"approveRulesetVersion":  {target: three + "/approve", theirs: true},
		"publishRulesetVersion":  {target: two + "/publish", theirs: true},
		"withdrawRulesetVersion": {target: one + "/withdraw", body: `{"reason":"No more."}`, theirs: true},
		"revokeKey":              {target: "/v1/keys/" + n.key, theirs: true},

		"getFitting":       {target: n.fitting, theirs: true},
		"addFittingProof":  {target: n.fitting + "/proofs", body: floatReadings, theirs: true},
		"getFittingRecord": {target: n.fitting + "/record", theirs: true},
		"replayFitting":    {target: n.fitting + "/replay", theirs: true},
		"proveFitting":     {target: n.fitting + "/log", theirs: true},
		"signOffFitting":   {target: n.fitting + "/sign-off", body: signature, theirs: true},

		"getAudit":          {target: n.audits[0], theirs: true},
		"cancelAudit":       {target: n.audits[2] + "/cancel", theirs: true},
		"streamAuditEvents": {target: n.audits[0] + "/events", theirs: true},
		"getAuditSummary":   {target: n.audits[0] + "/summary", theirs: true},
		"listAuditItems":    {target: n.audits[0] + "/items", theirs: true},
		"getAuditItem":      {target: n.audits[0] + "/items/1", theirs: true},
		"exportAudit":       {target: n.audits[0] + "/export", theirs: true},
		"compareAudits":     {target: n.audits[0] + "/compare?with=" + path.Base(n.audits[1]), theirs: true},
		"createAudit":       {target: "/v1/audits", body: `{"source":{"kind":"pairings"}}`, status: 202},
		"listAudits":        {target: "/v1/audits", status: 200},
		"listAuditColumns":  {target: "/v1/audit-columns", status: 200},
		"getAuditTemplate":  {target: "/v1/audit-template?place=GB", status: 200},

		"getRegisterEntry":         {target: "/v1/register/trailers/SY-FLOAT", theirs: true},
		"listRegisterHistory":      {target: "/v1/register/trailers/SY-FLOAT/history", theirs: true},
		"listRegisterFitted":       {target: "/v1/register/trailers/SY-FLOAT/fitted", theirs: true},
		"removeRegisterEntry":      {target: "/v1/register/trailers/SY-OLD", theirs: true},
		"putRegisterEntry":         {target: "/v1/register/trailers/FLOAT-3", body: `{"document":{"axle_count":2}}`, everybodys: true, status: 200},
		"listRegister":             {target: "/v1/register/trailers?removed=true", everybodys: true, status: 200},
		"importRegister":           {target: "/v1/register/trailers", body: "id,trailer.axle_count\nFLOAT-3,1\n", headers: []header{asCSV}, everybodys: true, status: 200},
		"getRegisterTemplate":      {target: "/v1/register-template/trailers", everybodys: true, status: 200},
		"createRegisterAssessment": {target: "/v1/register-assessments", body: aboutRun, status: 201},

		"getWebhook":            {target: n.hooks[0], theirs: true},
		"changeWebhook":         {target: n.hooks[0], body: yardHook, theirs: true},
		"removeWebhook":         {target: n.hooks[1], theirs: true},
		"rotateWebhook":         {target: n.hooks[0] + "/rotate", theirs: true},
		"pingWebhook":           {target: n.hooks[0] + "/ping", theirs: true},
		"listWebhookDeliveries": {target: n.hooks[0] + "/deliveries", theirs: true},
		"getWebhookDelivery":    {target: n.delivery, theirs: true},
		"replayWebhookDelivery": {target: n.delivery + "/replay", theirs: true},
		"listWebhooks":          {target: "/v1/webhooks", status: 200},
		"createWebhook":         {target: "/v1/webhooks", body: valleyHook, status: 201},

		"listFittings":      {target: "/v1/fittings?limit=100", status: 200},
		"listAssessments":   {target: "/v1/assessments?limit=100", status: 200},
		"getLogHead":        {target: "/v1/log", status: 200},
		"getLogConsistency": {target: "/v1/log/consistency?from=1&to=1", status: 200},
		"exportLog":         {target: "/v1/log/export", status: 200},
		"listJurisdictions": {target: "/v1/jurisdictions", status: 200},
		"getJurisdiction":   {target: "/v1/jurisdictions/ZZ", everybodys: true, status: 200},
		"listRulesets":      {target: "/v1/rulesets", status: 200},
		"listSources":       {target: "/v1/sources", status: 200},
		"listKeys":          {target: "/v1/keys", status: 200},

		"createAssessment": {target: "/v1/assessments", body: valleyRig, status: 201},
		"createLoads":      {target: "/v1/loads", body: valleyRig, status: 200},
		"createLimits":     {target: "/v1/limits", body: valleyRig, status: 200},
		"createFitting":    {target: "/v1/fittings", body: valleyFitting, status: 201},
		"createTrip":       {target: "/v1/trips?through=ZZ", body: valleyRig, status: 200},
		"createRuleset":    {target: "/v1/rulesets", body: strings.NewReplacer("house-yard", "house-tarn", "house.brakes", "house.tarn", "yard-book", "tarn-book", "Saltmarsh Yard", "Tarn Valley").Replace(yardRules), headers: []header{asYAML}, status: 201},
		"createKey":        {target: "/v1/keys", body: `{"name":"Tarn Valley","scopes":["read"]}`, status: 201},

		"getDocs":        {target: "/docs", status: 200},
		"getDocsAsset":   {target: "/docs/page.css", everybodys: true, status: 200},
		"getProblemKind": {target: "/problems/invalid-rig", everybodys: true, status: 200},

		"getContract":  {target: "/openapi.json", status: 200},
		"getLiveness":  {target: "/livez", status: 200},
		"getReadiness": {target: "/readyz", status: 200},
	}
}

// view is all that the yard can read, and, of a database, all rows that it has.
func (n neighbours) view(t testing.TB) string {
	t.Helper()
	var out strings.Builder
	read := func(method, target, body string) {
		r := call(t, n.h, method, target, body, n.yard)
		fmt.Fprintf(&out, "%s %s: %d %s %s\n", method, target, r.Status, r.Header.Get("ETag"), r.Body)
		if r.Status != 200 {
			t.Errorf("the yard reads %s: %d %s", target, r.Status, r.Body)
		}
	}
	ops := n.operations()
	for _, op := range openapi.Operations() {
		if op.Method == http.MethodGet && !op.Open {
			read("GET", ops[op.ID].target, "")
		}
	}
	for _, id := range n.kept {
		read("GET", "/v1/assessments/"+id, "")
		read("GET", "/v1/assessments/"+id+"/proof", "")
	}
	for v := range 3 {
		read("GET", fmt.Sprintf("/v1/rulesets/house-yard/versions/%d", v+1), "")
	}
	read("GET", "/v1/log/consistency?from=1&to=2", "")
	read("POST", "/v1/assessments?record=false", yardRig)
	if n.url != "" {
		conn := dial(t, n.url)
		for _, table := range tenantTables(t, conn) {
			out.WriteString(askOne[string](t, conn, "SELECT coalesce(string_agg(x::text, ' ' ORDER BY x::text), '') FROM "+table.name+" x WHERE "+table.column+" = $1", saltmarshYard))
		}
	}
	return out.String()
}

// tellTale is the first trace of the yard in a reply, or nothing.
func (n neighbours) tellTale(r openapitest.Reply, words bool) string {
	marks := n.ids
	if words {
		marks = slices.Concat(n.ids, n.words)
	}
	var all bytes.Buffer
	if err := r.Header.Write(&all); err != nil {
		return err.Error()
	}
	all.Write(r.Body)
	for _, mark := range marks {
		if bytes.Contains(all.Bytes(), []byte(mark)) {
			return mark
		}
	}
	return ""
}

// TestNeighbours goes through the contract: whatever one tenant asks for by the
// ids of another is not there for it, whatever it lists is its own, and nothing
// of the other's changes. An operation that is not in the table fails it.
func TestNeighbours(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, url string) {
		n := newNeighbours(t, st, url)
		ops := n.operations()
		before := n.view(t)
		seen := map[string]bool{}
		for _, op := range openapi.Operations() {
			seen[op.ID] = true
			c, known := ops[op.ID]
			switch named := strings.Contains(op.Path, "{"); {
			case !known:
				t.Errorf("%s is not covered: say in operations() how it is asked for what is another tenant's", op.ID)
				continue
			case named != (c.theirs || c.everybodys):
				t.Errorf("%s has the path %s: say whose that is", op.ID, op.Path)
				continue
			}
			t.Run(op.ID, func(t *testing.T) { n.ask(t, op, c) })
		}
		for id := range ops {
			if !seen[id] {
				t.Errorf("%s is not in the contract", id)
			}
		}
		if after := n.view(t); after != before {
			t.Errorf("something of the yard's has changed. Before:\n%s\nafter:\n%s", before, after)
		}
		if r := call(t, n.h, "GET", "/v1/log/consistency?from=1&to=1000", "", n.tarn); r.Status != 400 {
			t.Errorf("the valley's log has a size that it has not: %d %s", r.Status, r.Body)
		}
		with := "/compare?with="
		wantProblem(t, "its own audit with the yard's", call(t, n.h, "GET", n.valleyAudit+with+path.Base(n.audits[0]), "", n.tarn), 404, "not-found")
		wantStatus(t, "its own audit with itself", call(t, n.h, "GET", n.valleyAudit+with+path.Base(n.valleyAudit), "", n.tarn), 200)
		// Who may can: what was refused was refused for whose it is.
		for _, op := range openapi.Operations() {
			c := ops[op.ID]
			if !c.theirs {
				continue
			}
			key := n.yard
			if op.Scope == string(service.ScopeApprove) {
				key = n.approver
			}
			if r := call(t, n.h, op.Method, c.target, c.body, append(c.headers, key, anyTag)...); r.Status >= 300 {
				t.Errorf("%s by the yard itself: %d %s", op.ID, r.Status, r.Body)
			}
		}
	})
}

func (n neighbours) ask(t *testing.T, op openapi.Operation, c neighbourly) {
	hs := append(slices.Clone(c.headers), n.tarn)
	if op.Open {
		hs = slices.Clone(c.headers)
	}
	if !c.theirs {
		r := call(t, n.h, op.Method, c.target, c.body, hs...)
		if r.Status != c.status {
			t.Errorf("status %d, want %d: %s", r.Status, c.status, r.Body)
		}
		// The contract has examples, and so has a table to fill in.
		if mark := n.tellTale(r, !op.Open && op.ID != "getRegisterTemplate"); mark != "" {
			t.Errorf("the reply has %q, which is the yard's: %s", mark, r.Body)
		}
		return
	}
	tries := map[string][]header{"plain": hs}
	for _, p := range op.Parameters {
		if p.Name == "If-Match" { // with a tag or without, it cannot be told that there is something
			at := c.target
			for _, step := range []string{"/approve", "/publish", "/withdraw", "/proofs", "/sign-off", "/rotate"} {
				at = strings.TrimSuffix(at, step)
			}
			tries["its tag"] = append(slices.Clone(hs), match(wantStatus(t, at, call(t, n.h, "GET", at, "", n.yard), 200)))
			tries["any tag"] = append(slices.Clone(hs), anyTag)
			tries["another tag"] = append(slices.Clone(hs), header{"If-Match", `"gone"`})
		}
	}
	for _, p := range op.Parameters {
		if p.Name == "Idempotency-Key" {
			for _, key := range []string{"draft", "approve", "publish", "assess", "fit", "proof", "register"} {
				tries["key "+key] = append(slices.Clone(hs), anyTag, onceKey(key))
			}
		}
	}
	for name, hs := range tries {
		p := wantProblem(t, name, call(t, n.h, op.Method, c.target, c.body, hs...), 404, "not-found")
		for _, mark := range slices.Concat(n.ids, n.words) {
			if strings.Contains(fmt.Sprint(p), mark) {
				t.Errorf("%s: the refusal has %q: %+v", name, mark, p)
			}
		}
	}
	if op.Method == http.MethodGet {
		if r := call(t, n.h, http.MethodHead, c.target, "", hs...); r.Status != 404 {
			t.Errorf("HEAD: status %d, want 404", r.Status)
		}
	}
}

// TestNeighboursIdempotencyKeys: a key that another tenant used, with the very
// same request, is as good as new.
func TestNeighboursIdempotencyKeys(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, url string) {
		n := newNeighbours(t, st, url)
		before := n.view(t)
		tarnApprover := n.tenant(t, tarnValley, "Tarn Valley")
		asked := 0
		do := func(what, target, body string, status int, hs ...header) openapitest.Reply {
			t.Helper()
			asked++
			hs = append(hs, onceKey(what))
			first := wantStatus(t, what, call(t, n.h, "POST", target, body, hs...), status)
			if first.Header.Get("Idempotency-Replayed") != "" {
				t.Errorf("%s: the valley is given a reply that it had not got: %s", what, first.Body)
			}
			if mark := n.tellTale(first, false); mark != "" {
				t.Errorf("%s: the reply has %q, which is the yard's: %s", what, mark, first.Body)
			}
			again := wantStatus(t, what, call(t, n.h, "POST", target, body, hs...), status)
			if again.Header.Get("Idempotency-Replayed") != "true" || !bytes.Equal(again.Body, first.Body) {
				t.Errorf("%s: repeated by the valley it is %s, was %s", what, again.Body, first.Body)
			}
			return first
		}
		do("assess", "/v1/assessments", yardRig, 201, n.tarn)
		do("fit", "/v1/fittings", yardFitting, 201, n.tarn)
		own := wantStatus(t, "fit", call(t, n.h, "POST", "/v1/fittings", valleyFitting, n.tarn), 201).Header.Get("Location")
		proven := do("proof", own+"/proofs", floatReadings, 201, n.tarn)
		do("signature", own+"/sign-off", signature, 200, n.tarn, match(proven))
		do("trip", "/v1/trips?through=ZZ", yardRig, 200, n.tarn)
		do("register", "/v1/register-assessments", aboutRun, 201, n.tarn)
		draft := do("draft", "/v1/rulesets", yardRules, 201, n.tarn, asYAML)
		next := do("approve", yardPath+"/approve", "", 200, tarnApprover, match(draft))
		next = do("publish", yardPath+"/publish", "", 200, tarnApprover, match(next))
		if r := call(t, n.h, "POST", "/v1/assessments?record=false", valleyRig, n.tarn); !strings.Contains(string(r.Body), "house-yard") {
			t.Errorf("what was published with a key does not answer at once: %s", r.Body)
		}
		do("withdraw", yardPath+"/withdraw", `{"reason":"No more."}`, 200, tarnApprover, match(next))
		if after := n.view(t); after != before {
			t.Errorf("something of the yard's has changed. Before:\n%s\nafter:\n%s", before, after)
		}
		takes := 0
		for _, op := range openapi.Operations() {
			for _, p := range op.Parameters {
				if p.Name == "Idempotency-Key" {
					takes++
				}
			}
		}
		if asked != takes {
			t.Errorf("%d operations were tried and %d take an idempotency key", asked, takes)
		}
	})
}

// dial connects as the owner of the database, whom no policy binds.
func dial(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(context.Background()); err != nil { // the test's context has ended
			t.Errorf("close a connection: %v", err)
		}
	})
	return conn
}

func askOne[T any](t testing.TB, conn *pgx.Conn, sql string, args ...any) (v T) {
	t.Helper()
	if err := conn.QueryRow(t.Context(), sql, args...).Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

// tenantTable is a table of rows that belong to tenants.
type tenantTable struct{ name, column string }

func tenantTables(t testing.TB, conn *pgx.Conn) []tenantTable {
	t.Helper()
	rows, err := conn.Query(t.Context(), `SELECT relname FROM pg_class WHERE relkind IN ('r', 'p') AND NOT relispartition
		AND relnamespace = 'public'::regnamespace AND relname <> 'drawgear_schema' AND relname NOT LIKE 'river\_%' ORDER BY 1`) // those of migrations and the queue
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(names) < 8 {
		t.Fatalf("the tables are %v (%v)", names, err)
	}
	var out []tenantTable
	for _, name := range names {
		column := "tenant_id"
		if name == "tenants" {
			column = "id"
		}
		out = append(out, tenantTable{name, column})
	}
	return out
}

// TestForgottenWhereOverHTTP: row-level security is guard enough. A statement
// that says nothing of tenants sees, as the service for one of them, exactly
// what is that one's, after both have used the whole service.
func TestForgottenWhereOverHTTP(t *testing.T) {
	url := pgtest.New(t)
	n := newNeighbours(t, newPostgres(t, url), url)
	wantStatus(t, "draft", call(t, n.h, "POST", "/v1/rulesets", yardRules, n.tarn, asYAML, onceKey("draft")), 201)
	owner, valley, nobody := dial(t, url), dial(t, url), dial(t, url)
	for conn, tenant := range map[*pgx.Conn]string{valley: tarnValley, nobody: ""} {
		askOne[string](t, conn, "SELECT set_config('role', $1, false)", postgres.ServiceRole)
		askOne[string](t, conn, "SELECT set_config('drawgear.tenant', $1, false)", tenant)
		if got := askOne[string](t, conn, "SELECT current_user"); got != postgres.ServiceRole {
			t.Fatalf("the statements run as %s", got)
		}
	}
	for _, table := range tenantTables(t, owner) {
		// Nothing over HTTP keeps heads yet.
		if table.name == "log_heads" {
			for _, tenant := range []string{saltmarshYard, tarnValley} {
				askOne[int64](t, owner, "INSERT INTO log_heads VALUES ($1, 1, sha256('x'), now(), 'k', 'x') RETURNING size", tenant)
			}
		}
		count := func(conn *pgx.Conn, where string, args ...any) int {
			t.Helper()
			return askOne[int](t, conn, "SELECT count(*) FROM "+table.name+where, args...)
		}
		if count(owner, " WHERE "+table.column+" = $1", saltmarshYard) == 0 || count(owner, " WHERE "+table.column+" = $1", tarnValley) == 0 {
			t.Errorf("one of the tenants has nothing in %s: the test shows nothing", table.name)
		}
		shared := count(owner, " WHERE "+table.column+" IS NULL") // what ships is for all
		if got, want := count(valley, ""), shared+count(owner, " WHERE "+table.column+" = $1", tarnValley); got != want {
			t.Errorf("Tarn Valley sees %d rows of %s, want its %d", got, table.name, want)
		}
		if got := count(nobody, ""); got != shared {
			t.Errorf("without a tenant %d rows of %s are seen, want %d", got, table.name, shared)
		}
	}
}
