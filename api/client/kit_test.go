package client_test

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync/atomic"
	"testing"
	"time"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules"
	"drawgear/rules/library"
	"drawgear/service"
)

func clock() time.Time { return time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC) }

func book(t testing.TB) *rules.Book {
	t.Helper()
	b, err := library.Book()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// running is a service that listens, with keys for whoever asks.
type running struct {
	url     string
	handler *atomic.Pointer[http.Handler] // can be put another in the place of
	keys    *service.Keyring
	store   *memory.Store
}

// serve runs a service with keys over the store; tune changes how it is wired.
func serve(t testing.TB, store *memory.Store, tune func(*api.Config), timeout time.Duration) running {
	t.Helper()
	keys := service.NewKeyring(store, clock)
	cfg := api.Config{
		Service: service.New(book(t), service.InStep(store), clock), Once: service.NewIdempotency(store),
		Auth: service.Bearers{Keys: keys}, Keys: keys,
	}
	signer, err := service.LogSigner("")
	if err != nil {
		t.Fatal(err)
	}
	cfg.Ledger = service.NewLedger(store, signer)
	if tune != nil {
		tune(&cfg)
	}
	cfg.Audits = service.NewAuditor(cfg.Service, store, nil)
	if cfg.Register == nil {
		cfg.Register = service.NewRegistry(cfg.Service, service.InStep(store), clock)
	}
	if cfg.Hooks == nil {
		cfg.Hooks = newHooks(t, store, hookHost)
	}
	r := running{handler: new(atomic.Pointer[http.Handler]), keys: keys, store: store}
	r.become(api.New(cfg))
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) { (*r.handler.Load()).ServeHTTP(w, req) }))
	srv.Config.ReadTimeout = timeout
	srv.Start()
	t.Cleanup(srv.Close)
	r.url = srv.URL
	return r
}

// become puts another handler in the place of the one there is.
func (r running) become(h http.Handler) { r.handler.Store(&h) }

// withAuthors wires a service whose law changes as the program does.
func withAuthors(t testing.TB, store *memory.Store) func(*api.Config) {
	t.Helper()
	files, err := library.Files()
	if err != nil {
		t.Fatal(err)
	}
	documents := make([][]byte, len(files))
	for i, f := range files {
		documents[i] = f.Data
	}
	snapshots := service.NewSnapshots(store, slog.New(slog.DiscardHandler), clock)
	if err := snapshots.Start(t.Context(), documents); err != nil {
		t.Fatal(err)
	}
	return func(cfg *api.Config) {
		within := service.InStep(store)
		cfg.Service, cfg.Authoring = service.NewLive(snapshots, within, clock), service.NewAuthoring(within, snapshots, clock)
	}
}

// hookHost is a host that may be told.
const hookHost = "hooks.saltmarsh.example"

func newHooks(t testing.TB, store service.Webhooks, hosts ...string) *service.Hooks {
	t.Helper()
	hooks, err := service.NewHooks(store, service.HookConfig{Allow: hosts}, clock)
	if err != nil {
		t.Fatal(err)
	}
	return hooks
}

var tenants atomic.Int64

// tenant makes a tenant and gives its keys by who they are for.
func (r running) tenant(t testing.TB) map[string]string {
	t.Helper()
	id := fmt.Sprintf("5a17a45b-0000-4000-8000-%012d", tenants.Add(1))
	if err := r.store.PutTenant(t.Context(), service.Tenant{ID: id, Name: "Saltmarsh Yard", CreatedAt: clock()}); err != nil {
		t.Fatal(err)
	}
	keys := map[string]string{"nobody": ""}
	for who, scopes := range map[string][]service.Scope{"author": service.Scopes, "approver": service.Scopes, "reader": {service.ScopeRead}} {
		_, text, err := r.keys.Issue(service.WithCaller(t.Context(), service.Operator(id)), who, scopes, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		keys[who] = text.Reveal()
	}
	return keys
}

// send sends a request and holds the reply to the contract.
func send(t testing.TB, method, target, key string, header http.Header, body []byte, stalls bool) openapitest.Reply {
	t.Helper()
	var in io.Reader = bytes.NewReader(body)
	if stalls {
		in = &stalling{body: body[:len(body)/2], ends: t.Context().Done()}
	}
	req, err := http.NewRequestWithContext(t.Context(), method, target, in)
	if err != nil {
		t.Fatal(err)
	}
	req.ContentLength = int64(len(body))
	for name, values := range header {
		req.Header[name] = values
	}
	if key != "" {
		req.Header.Set("Authorization", "Bearer "+key)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatalf("%s %s: %v", method, target, err)
	}
	defer res.Body.Close()
	out := openapitest.Reply{Status: res.StatusCode, Header: res.Header}
	if out.Body, err = io.ReadAll(res.Body); err != nil {
		t.Fatal(err)
	}
	asked := req.Clone(t.Context())
	asked.URL = &url.URL{Path: req.URL.Path, RawPath: req.URL.RawPath, RawQuery: req.URL.RawQuery}
	openapitest.Check(t, asked, body, out)
	return out
}

// stalling is a body that stops coming.
type stalling struct {
	body []byte
	ends <-chan struct{}
}

func (s *stalling) Read(p []byte) (int, error) {
	if len(s.body) == 0 {
		<-s.ends
		return 0, io.ErrUnexpectedEOF
	}
	n := copy(p, s.body)
	s.body = s.body[n:]
	return n, nil
}

// hindered is a store on which something goes wrong.
type hindered struct {
	service.Store
	err   error         // of Put
	asked chan struct{} // List says here that it was called
	leave chan struct{} // and waits here
}

// short keeps whole records out of the messages.
func short(body []byte) string { return string(body[:min(len(body), 400)]) }
