package api_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/openapi"
	"drawgear/service"
)

// anyStore is all that a whole service needs of one.
type anyStore interface {
	service.FullStore
	service.Tenants
}

// The tenants of these tests.
const (
	saltmarsh = "00000000-0000-4000-8000-00000000000a"
	tarn      = "00000000-0000-4000-8000-00000000000b"
)

// wired is a service as main wires it, over a store of its own connection.
type wired struct {
	h      http.Handler
	keys   *service.Keyring
	ledger *service.Ledger
}

func wire(t *testing.T, st anyStore) wired {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	snapshots := service.NewSnapshots(st, slog.New(slog.DiscardHandler), time.Now)
	if err := snapshots.Start(ctx, [][]byte{[]byte(zzLaw)}); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { defer close(done); snapshots.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	signer, err := service.LogSigner("")
	if err != nil {
		t.Fatal(err)
	}
	w := wired{keys: service.NewKeyring(st, time.Now), ledger: service.NewLedger(st, signer)}
	within := service.InStep(st)
	w.h = api.New(api.Config{
		Service: service.NewLive(snapshots, within, time.Now), Authoring: service.NewAuthoring(within, snapshots, time.Now),
		Auth: service.Bearers{Keys: w.keys}, Keys: w.keys, Ledger: w.ledger, Once: service.NewIdempotency(st),
	})
	return w
}

func (w wired) key(t *testing.T, tenant, name string) header {
	t.Helper()
	_, text, err := w.keys.Issue(service.WithCaller(t.Context(), service.Operator(tenant)), name, service.Scopes, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	return header{"Authorization", "Bearer " + text.Reveal()}
}

func tenants(t *testing.T, st anyStore) {
	t.Helper()
	for id, name := range map[string]string{saltmarsh: "Saltmarsh Yard", tarn: "Tarn Valley"} {
		if err := st.PutTenant(t.Context(), service.Tenant{ID: id, Name: name, CreatedAt: time.Now().UTC().Truncate(time.Microsecond)}); err != nil {
			t.Fatal(err)
		}
	}
}

func openPostgres(t *testing.T, url string) *postgres.Store {
	t.Helper()
	st, err := postgres.Open(t.Context(), postgres.Config{URL: url})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	return st
}

// TestIsolation asks every operation of the contract with the key of one tenant
// and the ids of another: what has an id is not found, what lists shows nothing
// of it, and afterwards everything of the other is as it was. An operation that
// is new has to be placed here before the test passes again.
func TestIsolation(t *testing.T) {
	for name, open := range map[string]func(t *testing.T) anyStore{
		"memory":   func(*testing.T) anyStore { return memory.New(0) },
		"postgres": func(t *testing.T) anyStore { return openPostgres(t, pgtest.New(t)) },
	} {
		t.Run(name, func(t *testing.T) { isolation(t, open(t)) })
	}
}

func isolation(t *testing.T, st anyStore) {
	tenants(t, st)
	w := wire(t, st)
	yard, second, valley := w.key(t, saltmarsh, "author"), w.key(t, saltmarsh, "approver"), w.key(t, tarn, "fleet")
	rig := `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"800 kg"}}}`

	// What Saltmarsh Yard has.
	once := header{"Idempotency-Key", "shared-by-chance"}
	made := call(t, w.h, "POST", "/v1/assessments", rig, yard, once)
	kept := decode[service.Assessment](t, made)
	yaml := header{"Content-Type", "application/yaml"}
	draft := call(t, w.h, "POST", "/v1/rulesets", yardRules, yard, yaml)
	if made.Status != http.StatusCreated || draft.Status != http.StatusCreated {
		t.Fatalf("%d %s\n%d %s", made.Status, made.Body, draft.Status, draft.Body)
	}
	version := "/v1/rulesets/house-yard/versions/1"
	approved := call(t, w.h, "POST", version+"/approve", "", second, header{"If-Match", draft.Header.Get("ETag")})
	published := call(t, w.h, "POST", version+"/publish", "", second, header{"If-Match", approved.Header.Get("ETag")})
	if published.Status != http.StatusOK {
		t.Fatalf("%d %s", published.Status, published.Body)
	}
	tag := header{"If-Match", published.Header.Get("ETag")}
	keyID := strings.Split(strings.TrimPrefix(yard.value, "Bearer dgk_"), "_")[0]
	view := func() string {
		var out bytes.Buffer
		for _, target := range []string{"/v1/assessments", "/v1/keys", "/v1/rulesets", version} {
			r := call(t, w.h, "GET", target, "", yard)
			fmt.Fprintf(&out, "%s %d %s\n", target, r.Status, r.Body)
		}
		return out.String()
	}
	before := view()

	ids := strings.NewReplacer("/v1/assessments/{id}", "/v1/assessments/"+kept.ID, "/v1/keys/{id}", "/v1/keys/"+keyID,
		"/v1/rulesets/{id}", "/v1/rulesets/house-yard", "{version}", "1")
	// Shared by all: what ships, and the state of the service.
	shared := map[string]bool{
		"listJurisdictions": true, "getJurisdiction": true, "listSources": true, "getSource": true,
		"getContract": true, "getLiveness": true, "getReadiness": true,
	}
	// Make something of the caller's own, or answer without an id.
	own := map[string]struct{ query, body string }{
		"createAssessment": {"", rig}, "createTrip": {"?through=ZZ", rig}, "createRuleset": {"", strings.ReplaceAll(yardRules, "house-yard", "house-valley")},
		"createKey": {"", `{"name":"x","scopes":["read"]}`}, "listAssessments": {"", ""}, "listKeys": {"", ""}, "listRulesets": {"", ""},
		"getLogHead": {"", ""}, "exportLog": {"", ""}, "getLogConsistency": {"?from=1&to=1", ""},
	}
	bodies := map[string]string{"replaceRulesetDraft": yardRules, "withdrawRulesetVersion": `{"reason":"not mine"}`}
	for _, op := range openapi.Operations() {
		target := ids.Replace(op.Path)
		hs := []header{valley, tag}
		if op.ID == "createAssessment" { // under the very key that the other used
			hs = append(hs, once)
		}
		if op.ID == "createRuleset" || op.ID == "replaceRulesetDraft" {
			hs = append(hs, yaml)
		}
		o, isOwn := own[op.ID]
		switch {
		case shared[op.ID]:
			continue
		case isOwn:
			r := call(t, w.h, op.Method, target+o.query, o.body, hs...)
			if r.Status >= http.StatusInternalServerError || r.Header.Get("Idempotency-Replayed") != "" {
				t.Errorf("%s: %d, replayed %q: %s", op.ID, r.Status, r.Header.Get("Idempotency-Replayed"), r.Body)
			}
			for _, mine := range []string{kept.ID, "house-yard", keyID, saltmarsh} {
				if bytes.Contains(r.Body, []byte(mine)) {
					t.Errorf("%s shows %s of another tenant: %s", op.ID, mine, r.Body)
				}
			}
		case target == op.Path:
			t.Errorf("%s is new: say here whether it is shared, makes something of the caller's own, or takes an id", op.ID)
		default:
			query := ""
			if op.ID == "compareRulesetVersions" {
				query = "?with=1"
			}
			if r := call(t, w.h, op.Method, target+query, bodies[op.ID], hs...); r.Status != http.StatusNotFound {
				t.Errorf("%s with another tenant's id: %d %s", op.ID, r.Status, r.Body)
			}
		}
	}
	if after := view(); after != before {
		t.Errorf("something changed:\n%s\nbefore:\n%s", after, before)
	}
}
