package api_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/coreos/go-oidc/v3/oidc/oidctest"
	"github.com/labstack/echo/v4"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi"
	"drawgear/openapi/openapitest"
	"drawgear/service"
)

// locked is a service with keys, a key with every scope, and what it logs.
type locked struct {
	h     *echo.Echo
	keys  *service.Keyring
	admin string
	log   *lockedBuffer
	skew  *atomic.Int64 // moves its clock
}

func newLocked(t testing.TB) locked {
	t.Helper()
	l := locked{log: new(lockedBuffer), skew: new(atomic.Int64)}
	now := func() time.Time { return clock().Add(time.Duration(l.skew.Load())) }
	store := memory.New(0)
	l.keys = service.NewKeyring(store, now)
	text := service.NewKeyText()
	if err := l.keys.Bootstrap(context.Background(), text); err != nil {
		t.Fatal(err)
	}
	l.admin = text.Reveal()
	answers := service.New(book(t), store, now)
	l.h = api.New(api.Config{
		Service: answers, Auth: service.Bearers{Keys: l.keys}, Keys: l.keys,
		Audits: service.NewAuditor(answers, store, nil), Register: service.NewRegistry(answers, store, now), Hooks: newHooks(t, store, service.HookConfig{Allow: []string{hookHost}}),
		Logger: slog.New(slog.NewJSONHandler(l.log, &slog.HandlerOptions{Level: slog.LevelDebug})),
	})
	return l
}

func bearer(text string) header { return header{"Authorization", "Bearer " + text} }

// key issues a key over HTTP.
func (l locked) key(t testing.TB, scopes ...service.Scope) api.IssuedKey {
	t.Helper()
	list := ""
	for _, s := range scopes {
		list += fmt.Sprintf(`%q,`, s)
	}
	r := call(t, l.h, "POST", "/v1/keys", fmt.Sprintf(`{"name":"Saltmarsh Yard","scopes":[%s]}`, strings.TrimSuffix(list, ",")), bearer(l.admin))
	if r.Status != http.StatusCreated {
		t.Fatalf("issue a key: %d %s", r.Status, r.Body)
	}
	return decode[api.IssuedKey](t, r)
}

// TestAccessLogNamesCaller: a line of the log says whose key it was, also where that lacks
// the scope, and nothing of the secret; of who is not known it says nothing.
func TestAccessLogNamesCaller(t *testing.T) {
	l := newLocked(t)
	reader := l.key(t, service.ScopeRead)
	for _, tt := range []struct {
		name, method, target string
		headers              []header
		status               int
		caller               string
	}{
		{"let in", "GET", "/v1/assessments", []header{bearer(reader.Key)}, 200, reader.ID},
		{"without the scope", "GET", "/v1/keys", []header{bearer(reader.Key)}, 403, reader.ID},
		{"not found", "GET", "/v1/assessments/AAAAAAAAAAAAAAAAAAAAAAAAAA", []header{bearer(reader.Key)}, 404, reader.ID},
		{"a wrong secret", "GET", "/v1/assessments", []header{bearer(reader.Key[:21] + l.admin[21:])}, 401, ""},
		{"no key", "GET", "/v1/assessments", nil, 401, ""},
		{"open to all", "GET", "/livez", []header{bearer(reader.Key)}, 200, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			before := len(l.log.String())
			wantStatus(t, tt.name, call(t, l.h, tt.method, tt.target, "", tt.headers...), tt.status)
			var line struct{ Msg, Tenant, Caller string }
			text := l.log.String()[before:]
			if err := json.Unmarshal([]byte(text), &line); err != nil {
				t.Fatalf("%v: %s", err, text)
			}
			tenant := ""
			if tt.caller != "" {
				tenant = service.DefaultTenant
			}
			if line.Msg != "request" || line.Caller != tt.caller || line.Tenant != tenant {
				t.Errorf("the line is %s, want the caller %q of %q", text, tt.caller, tenant)
			}
		})
	}
	for _, secret := range []string{reader.Key[21:], l.admin[21:]} {
		if strings.Contains(l.log.String(), secret) {
			t.Errorf("the log has a secret: %s", l.log.String())
		}
	}
}

// requestFor makes a request that an operation takes, as far as the contract
// tells; what it names need not be there.
func requestFor(op openapi.Operation) (target, body string) {
	target = op.Path
	for name, value := range map[string]string{"code": "GB", "version": "1", "name": "not-found", "row": "1", "asset": "page.css", "kind": "trailers", "delivery": "AAAAAAAAAAAAAAAAAAAAAAAAAA"} {
		target = strings.ReplaceAll(target, "{"+name+"}", value)
	}
	id := map[bool]string{true: "AAAAAAAAAAAAAAAA", false: "AAAAAAAAAAAAAAAAAAAAAAAAAA"}[strings.HasPrefix(target, "/v1/keys")]
	if strings.HasPrefix(target, "/v1/rulesets") || strings.HasPrefix(target, "/v1/sources") {
		id = "none"
	}
	target = strings.ReplaceAll(target, "{id}", id)
	switch op.ID {
	case "createAssessment":
		body = float
	case "createAudit":
		body = `{"source":{"kind":"pairings"}}`
	case "createRegisterAssessment":
		body = `{"pairing":"RUN-12"}`
	case "putRegisterEntry":
		body = `{"document":{}}`
	case "createWebhook", "changeWebhook":
		body = `{"url":"https://` + hookHost + `/drawgear","events":["audit.ended"]}`
	case "compareAudits":
		target += "?with=" + id
	case "createKey":
		body = `{"name":"Tarn Valley","scopes":["read"]}`
	}
	return target, body
}

// TestEveryOperationIsGuarded goes through the contract: who is not known gets
// nothing, who lacks the scope is told which, who has just that scope is let in.
func TestEveryOperationIsGuarded(t *testing.T) {
	l := newLocked(t)
	keys := map[service.Scope]string{}
	for _, s := range service.Scopes {
		keys[s] = l.key(t, s).Key
	}
	for _, op := range openapi.Operations() {
		t.Run(op.ID, func(t *testing.T) {
			target, body := requestFor(op)
			nobody := call(t, l.h, op.Method, target, body)
			if op.Open {
				if nobody.Status != http.StatusOK {
					t.Errorf("open to all, and answered %d: %s", nobody.Status, nobody.Body)
				}
				return
			}
			if p := nobody.Problem(t); nobody.Status != 401 || p.Type != "/problems/unauthenticated" || nobody.Header.Get("WWW-Authenticate") != `Bearer realm="drawgear"` {
				t.Errorf("without a key: %d %+v, challenge %q", nobody.Status, p, nobody.Header.Get("WWW-Authenticate"))
			}
			if op.Scope != openapi.ScopeAny && !slices.Contains(service.Scopes, service.Scope(op.Scope)) {
				t.Fatalf("the contract says no scope that there is: %q", op.Scope)
			}
			for scope, key := range keys {
				r := call(t, l.h, op.Method, target, body, bearer(key))
				if op.Scope == openapi.ScopeAny || scope == service.Scope(op.Scope) {
					// createKey with admin alone: it lacks the scope that it would give.
					if op.ID == "createKey" {
						if p := r.Problem(t); r.Status != 403 || !strings.Contains(p.Detail, "read") {
							t.Errorf("gives a scope that it lacks: %d %+v", r.Status, p)
						}
					} else if r.Status == 401 || r.Status == 403 {
						t.Errorf("with %s: %d %s", scope, r.Status, r.Body)
					}
					continue
				}
				want := fmt.Sprintf(`Bearer realm="drawgear", error="insufficient_scope", scope="%s"`, op.Scope)
				if p := r.Problem(t); r.Status != 403 || p.Type != "/problems/forbidden" || !strings.Contains(p.Detail, op.Scope) || r.Header.Get("WWW-Authenticate") != want {
					t.Errorf("with %s: %d %+v, challenge %q", scope, r.Status, p, r.Header.Get("WWW-Authenticate"))
				}
			}
			if r := call(t, l.h, op.Method, target, body, bearer(l.admin)); r.Status == 401 || r.Status == 403 {
				t.Errorf("with every scope: %d %s", r.Status, r.Body)
			}
			if op.Method == http.MethodGet {
				if r := call(t, l.h, http.MethodHead, target, ""); r.Status != 401 {
					t.Errorf("HEAD without a key: %d", r.Status)
				}
			}
		})
	}
	if text := l.log.String(); strings.Contains(text, "dgk_") {
		t.Errorf("the log has a key:\n%s", text)
	}
}

// TestEveryRouteIsInTheContract: what is not would be guarded by nothing.
func TestEveryRouteIsInTheContract(t *testing.T) {
	known := map[string]bool{}
	for _, op := range openapi.Operations() {
		path := strings.NewReplacer("{", ":", "}", "").Replace(op.Path)
		known[op.Method+" "+path] = true
		if op.Method == http.MethodGet {
			known["HEAD "+path] = true
		}
	}
	for _, r := range newLocked(t).h.Routes() {
		if !known[r.Method+" "+r.Path] {
			t.Errorf("%s %s is not in the contract", r.Method, r.Path)
		}
	}
}

// TestCredentials has every way to send a key or token that opens nothing.
func TestCredentials(t *testing.T) {
	l := newLocked(t)
	good := l.key(t, service.ScopeRead)
	revoked := l.key(t, service.ScopeRead)
	if r := call(t, l.h, "DELETE", "/v1/keys/"+revoked.ID, "", bearer(l.admin)); r.Status != http.StatusNoContent {
		t.Fatalf("revoke: %d %s", r.Status, r.Body)
	}
	r := call(t, l.h, "POST", "/v1/keys", `{"name":"for an hour","scopes":["read"],"expires_at":"2026-11-26T00:59:59Z"}`, bearer(l.admin))
	expired := decode[api.IssuedKey](t, r)
	if r := call(t, l.h, "GET", "/v1/assessments", "", bearer(expired.Key)); r.Status != 200 {
		t.Errorf("before its end: %d", r.Status)
	}
	l.skew.Store(int64(2 * time.Hour))
	const target = "/v1/assessments"
	for name, tt := range map[string]struct {
		target  string
		headers []string
		code    string // of the challenge
		good    bool
	}{
		"good":                {headers: []string{"Bearer " + good.Key}, good: true},
		"scheme in lower":     {headers: []string{"bearer " + good.Key}, good: true},
		"none":                {},
		"empty":               {headers: []string{""}},
		"another scheme":      {headers: []string{"Basic " + good.Key}},
		"no scheme":           {headers: []string{good.Key}},
		"scheme alone":        {headers: []string{"Bearer"}, code: "invalid_request"},
		"nothing after it":    {headers: []string{"Bearer "}, code: "invalid_request"},
		"two spaces":          {headers: []string{"Bearer  " + good.Key}, code: "invalid_request"},
		"a list":              {headers: []string{"Bearer " + good.Key + ", Bearer " + good.Key}, code: "invalid_request"},
		"two headers":         {headers: []string{"Bearer " + good.Key, "Bearer " + good.Key}, code: "invalid_request"},
		"a good and a bad":    {headers: []string{"Bearer " + good.Key, "Basic eDp5"}, code: "invalid_request"},
		"not ASCII":           {headers: []string{"Bearer dgk_é"}, code: "invalid_request"},
		"JSON":                {headers: []string{`Bearer {"payload":"","signatures":[]}`}, code: "invalid_request"},
		"expired":             {headers: []string{"Bearer " + expired.Key}, code: "invalid_token"},
		"revoked":             {headers: []string{"Bearer " + revoked.Key}, code: "invalid_token"},
		"unknown":             {headers: []string{"Bearer " + service.NewKeyText().Reveal()}, code: "invalid_token"},
		"cut off":             {headers: []string{"Bearer " + good.Key[:72]}, code: "invalid_token"},
		"wrong secret":        {headers: []string{"Bearer " + good.Key[:21] + l.admin[21:]}, code: "invalid_token"},
		"a token, where none": {headers: []string{"Bearer eyJhbGciOiJub25lIn0.e30."}, code: "invalid_token"},
		"oversized":           {headers: []string{"Bearer " + strings.Repeat("A", 8<<10+1)}, code: "invalid_token"},
		"in the query":        {target: target + "?key=" + good.Key, code: "invalid_request"},
		"as RFC 6750 has it":  {target: target + "?access_token=x", code: "invalid_request"},
		"in both":             {target: target + "?access_token=" + good.Key, headers: []string{"Bearer " + good.Key}, code: "invalid_request"},
	} {
		t.Run(name, func(t *testing.T) {
			if tt.target == "" {
				tt.target = target
			}
			req := httptest.NewRequest("GET", tt.target, nil)
			for _, h := range tt.headers {
				req.Header.Add("Authorization", h)
			}
			rec := httptest.NewRecorder()
			l.h.ServeHTTP(rec, req)
			r := openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()}
			openapitest.Check(t, req, nil, r)
			if tt.good {
				if r.Status != http.StatusOK {
					t.Errorf("%d %s", r.Status, r.Body)
				}
				return
			}
			want := `Bearer realm="drawgear"`
			if tt.code != "" {
				want += fmt.Sprintf(", error=%q", tt.code)
			}
			if p := r.Problem(t); r.Status != 401 || p.Type != "/problems/unauthenticated" || r.Header.Get("WWW-Authenticate") != want {
				t.Errorf("%d %+v, challenge %q, want %q", r.Status, p, r.Header.Get("WWW-Authenticate"), want)
			}
			if bytes.Contains(r.Body, []byte(good.Key[21:])) {
				t.Errorf("the reply repeats the key: %s", r.Body)
			}
		})
	}
	for name, key := range map[string]string{"good": good.Key, "revoked": revoked.Key, "expired": expired.Key, "admin": l.admin} {
		if strings.Contains(l.log.String(), key[21:]) {
			t.Errorf("the log has the %s key", name)
		}
	}
	if strings.Contains(l.log.String(), "eyJ") {
		t.Error("the log has a token")
	}
}

// TestOversizedHeader: what is larger than the server reads at all.
func TestOversizedHeader(t *testing.T) {
	srv := httptest.NewUnstartedServer(newLocked(t).h)
	srv.Config.MaxHeaderBytes = 32 << 10
	srv.Start()
	defer srv.Close()
	req, err := http.NewRequestWithContext(t.Context(), "GET", srv.URL+"/v1/assessments", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+strings.Repeat("A", 64<<10))
	res, err := srv.Client().Do(req)
	var reset *net.OpError
	if errors.As(err, &reset) {
		return // hung up before all was sent
	}
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("status %d", res.StatusCode)
	}
}

func TestKeysOverHTTP(t *testing.T) {
	l := newLocked(t)
	r := call(t, l.h, "POST", "/v1/keys", `{"name":"Tarn Valley","scopes":["assess","read"],"expires_at":"2027-01-01T01:00:00+01:00"}`, bearer(l.admin))
	k := decode[api.IssuedKey](t, r)
	if r.Status != 201 || r.Header.Get("Location") != "/v1/keys/"+k.ID || k.Name != "Tarn Valley" || !k.ExpiresAt.Equal(time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)) || r.Header.Get("Cache-Control") != "no-store" {
		t.Errorf("%d %+v, Location %q, Cache-Control %q", r.Status, k, r.Header.Get("Location"), r.Header.Get("Cache-Control"))
	}
	if r := call(t, l.h, "POST", "/v1/assessments", float, bearer(k.Key)); r.Status != 201 {
		t.Errorf("the key does not open: %d %s", r.Status, r.Body)
	}
	r = call(t, l.h, "GET", "/v1/keys", "", bearer(l.admin))
	list := decode[api.KeyPage](t, r).Items
	if len(list) != 2 || bytes.Contains(r.Body, []byte(k.Key[21:])) || bytes.Contains(r.Body, []byte("igest")) || bytes.Contains(r.Body, []byte("revoked_at")) {
		t.Errorf("listed as %s", r.Body)
	}
	for range 2 {
		if r := call(t, l.h, "DELETE", "/v1/keys/"+k.ID, "", bearer(l.admin)); r.Status != 204 || len(r.Body) > 0 {
			t.Errorf("revoke: %d %s", r.Status, r.Body)
		}
	}
	if r := call(t, l.h, "GET", "/v1/assessments", "", bearer(k.Key)); r.Status != 401 {
		t.Errorf("revoked, and answered %d", r.Status)
	}
	if r := call(t, l.h, "GET", "/v1/keys", "", bearer(l.admin)); !bytes.Contains(r.Body, []byte(`"revoked_at":"`)) {
		t.Errorf("listed as %s", r.Body)
	}
	for _, id := range []string{"AAAAAAAAAAAAAAAA", "x"} {
		if r := call(t, l.h, "DELETE", "/v1/keys/"+id, "", bearer(l.admin)); r.Status != 404 {
			t.Errorf("revoke %s: %d", id, r.Status)
		}
	}
}

func TestKeyRequests(t *testing.T) {
	l := newLocked(t)
	for name, tt := range map[string]struct {
		body   string
		status int
		faults []string
	}{
		"no JSON":       {`name`, 400, nil},
		"broken off":    {`{"name":"a"`, 400, nil},
		"two":           {`{"name":"a","scopes":["read"]}{}`, 400, nil},
		"not UTF-8":     {"{\"name\":\"\xff\",\"scopes\":[\"read\"]}", 400, nil},
		"a list":        {`[]`, 422, []string{" wrong_type"}},
		"null":          {`null`, 422, []string{" wrong_type"}},
		"empty":         {`{}`, 422, []string{"/name bad_value", "/scopes bad_value"}},
		"unknown":       {`{"name":"a","scopes":["read"],"tenant":"x","Name":"b","a/b~c":{"a":[1]}}`, 422, []string{"/Name unknown_field", "/a~1b~0c unknown_field", "/tenant unknown_field"}},
		"twice":         {`{"name":"a","name":"b","scopes":["read"]}`, 422, []string{"/name contradiction"}},
		"null field":    {`{"name":"a","scopes":["read"],"expires_at":null}`, 422, []string{"/expires_at wrong_type"}},
		"wrong types":   {`{"name":7,"scopes":"read","expires_at":"soon"}`, 422, []string{"/expires_at bad_value", "/name wrong_type", "/scopes wrong_type"}},
		"null scope":    {`{"name":"a","scopes":[null]}`, 422, []string{"/scopes/0 bad_value"}},
		"no such scope": {`{"name":"a","scopes":["read","write"]}`, 422, []string{"/scopes/1 bad_value"}},
		"year 1":        {`{"name":"a","scopes":["read"],"expires_at":"0001-01-01T00:00:00Z"}`, 422, []string{"/expires_at bad_value"}},
		"many scopes":   {`{"name":"a","scopes":[` + strings.Repeat(`"x",`, 1000) + `"x"]}`, 422, slices.Repeat([]string{""}, 25)},
		"too large":     {`{"name":"` + strings.Repeat("a", 1<<16) + `"}`, 413, nil},
		"deep":          {strings.Repeat(`{"name":`, 5000) + "1" + strings.Repeat("}", 5000), 422, []string{"/name wrong_type"}},
	} {
		t.Run(name, func(t *testing.T) {
			r := call(t, l.h, "POST", "/v1/keys", tt.body, bearer(l.admin))
			p := r.Problem(t)
			var faults []string
			for _, f := range p.Errors {
				faults = append(faults, *f.Pointer+" "+f.Code)
			}
			slices.Sort(faults)
			if r.Status != tt.status || len(faults) != len(tt.faults) || name != "many scopes" && !slices.Equal(faults, tt.faults) {
				t.Errorf("%d %s with %v; want %d with %v", r.Status, p.Type, faults, tt.status, tt.faults)
			}
		})
	}
	if list := decode[api.KeyPage](t, call(t, l.h, "GET", "/v1/keys", "", bearer(l.admin))).Items; len(list) != 1 {
		t.Errorf("%d keys, want the first alone", len(list))
	}
}

// TestTenantsApart: two tenants see nothing of each other over HTTP.
func TestTenantsApart(t *testing.T) {
	const tarn = "00000000-0000-0000-0000-0000000000a7"
	store := memory.New(0)
	keys := service.NewKeyring(store, clock)
	h := api.New(api.Config{Service: service.New(book(t), store, clock), Auth: service.Bearers{Keys: keys}, Keys: keys})
	var texts []string
	for _, tenant := range []string{service.DefaultTenant, tarn} {
		if err := store.PutTenant(t.Context(), service.Tenant{ID: tenant, Name: tenant}); err != nil {
			t.Fatal(err)
		}
		_, text, err := keys.Issue(service.WithCaller(t.Context(), service.Operator(tenant)), "all", service.Scopes, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		texts = append(texts, text.Reveal())
	}
	a := decode[service.Assessment](t, call(t, h, "POST", "/v1/assessments", float, bearer(texts[0])))
	id := texts[0][4:20]
	for _, c := range []struct{ method, target string }{
		{"GET", "/v1/assessments/" + a.ID}, {"POST", "/v1/assessments/" + a.ID + "/replay"}, {"DELETE", "/v1/keys/" + id},
	} {
		if r := call(t, h, c.method, c.target, "", bearer(texts[1])); r.Status != 404 {
			t.Errorf("%s %s of another tenant: %d", c.method, c.target, r.Status)
		}
		if r := call(t, h, c.method, c.target, "", bearer(texts[0])); r.Status >= 300 {
			t.Errorf("%s %s of one's own: %d", c.method, c.target, r.Status)
		}
	}
	if r := call(t, h, "GET", "/v1/assessments", "", bearer(texts[1])); len(decode[service.Page[service.Summary]](t, r).Items) != 0 {
		t.Errorf("lists what is another's: %s", r.Body)
	}
	if r := call(t, h, "GET", "/v1/keys", "", bearer(texts[1])); len(decode[api.KeyPage](t, r).Items) != 1 {
		t.Errorf("lists keys of another: %s", r.Body)
	}
}

// TestOpenOnLoopback: without keys the service answers only to the names of the
// machine itself, and nobody can issue keys.
func TestOpenOnLoopback(t *testing.T) {
	h := newServer(t)
	for host, want := range map[string]int{
		"localhost": 200, "LOCALHOST:8080": 200, "127.0.0.1": 200, "127.9.9.9:80": 200, "[::1]:8080": 200, "[::1]": 200,
		"": 403, "yard.example": 403, "localhost.example": 403, "127.0.0.1.example:8080": 403, "10.0.0.1": 403, "0.0.0.0": 403, "[::]": 403,
	} {
		for path, status := range map[string]int{"/v1/assessments": want, "/livez": 200} {
			req := httptest.NewRequest("GET", path, nil)
			req.Host = host
			rec := httptest.NewRecorder()
			h.ServeHTTP(rec, req)
			openapitest.Check(t, req, nil, openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()})
			if rec.Code != status {
				t.Errorf("GET %s of host %q: %d, want %d", path, host, rec.Code, status)
			}
		}
	}
	for _, c := range []struct{ method, target, body string }{
		{"POST", "/v1/keys", `{"name":"a","scopes":["read"]}`}, {"GET", "/v1/keys", ""}, {"DELETE", "/v1/keys/AAAAAAAAAAAAAAAA", ""},
	} {
		r := call(t, h, c.method, c.target, c.body)
		if p := r.Problem(t); r.Status != 404 || !strings.Contains(p.Detail, "without keys") {
			t.Errorf("%s %s: %d %+v", c.method, c.target, r.Status, p)
		}
	}
}

// away is an authenticator that cannot tell.
type away struct{ err error }

func (a away) Authenticate(context.Context, string) (service.Caller, error) {
	return service.Caller{}, a.err
}

func TestCannotTellWhoAsks(t *testing.T) {
	for _, tt := range []struct {
		err    error
		status int
		kind   string
	}{
		{fmt.Errorf("find a key: %w", service.ErrUnavailable), 503, "timeout"},
		{context.DeadlineExceeded, 503, "timeout"},
		{errors.New("hunter2"), 500, "internal"},
	} {
		h := api.New(api.Config{Service: service.New(book(t), memory.New(0), clock), Auth: away{tt.err}})
		r := call(t, h, "GET", "/v1/assessments", "", bearer("x"))
		if p := r.Problem(t); r.Status != tt.status || p.Type != "/problems/"+tt.kind || bytes.Contains(r.Body, []byte("hunter2")) {
			t.Errorf("%v: %d %+v", tt.err, r.Status, p)
		}
	}
}

// TestTokensOverHTTP: a token opens like a key does, and while its provider is
// away nothing of it is told, neither in the reply nor in the log.
func TestTokensOverHTTP(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	provider := &oidctest.Server{PublicKeys: []oidctest.PublicKey{{PublicKey: key.Public(), KeyID: "one", Algorithm: oidc.ES256}}}
	var down atomic.Bool
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if down.Load() {
			w.WriteHeader(http.StatusBadGateway)
			return
		}
		provider.ServeHTTP(w, r)
	}))
	defer srv.Close()
	provider.SetIssuer(srv.URL)
	store := memory.New(0)
	serve := func(log io.Writer) http.Handler {
		tokens, err := service.NewTokens(service.TokenConfig{Issuer: srv.URL, Audience: "drawgear", TenantClaim: "tenant", ScopesClaim: "scope"}, store, clock)
		if err != nil {
			t.Fatal(err)
		}
		return api.New(api.Config{Service: service.New(book(t), store, clock), Auth: service.Bearers{Tokens: tokens}, Logger: slog.New(slog.NewJSONHandler(log, nil))})
	}
	token := oidctest.SignIDToken(key, "one", oidc.ES256, fmt.Sprintf(`{"iss":%q,"aud":"drawgear","sub":"fitter-7","exp":%d,"tenant":%q,"scope":"openid read"}`,
		srv.URL, clock().Add(time.Hour).Unix(), service.DefaultTenant))
	var log lockedBuffer
	h := serve(&log)
	if r := call(t, h, "GET", "/v1/assessments", "", bearer(token)); r.Status != 200 {
		t.Errorf("with the scope: %d %s", r.Status, r.Body)
	}
	if r := call(t, h, "POST", "/v1/assessments", float, bearer(token)); r.Status != 403 {
		t.Errorf("without the scope: %d %s", r.Status, r.Body)
	}
	if r := call(t, h, "GET", "/v1/assessments", "", bearer(token[:len(token)-4])); r.Status != 401 || bytes.Contains(r.Body, []byte("eyJ")) {
		t.Errorf("cut off: %d %s", r.Status, r.Body)
	}
	down.Store(true)
	r := call(t, serve(&log), "GET", "/v1/assessments", "", bearer(token))
	if p := r.Problem(t); r.Status != 503 || r.Header.Get("Retry-After") == "" || strings.Contains(p.Detail, srv.URL) {
		t.Errorf("the provider is away: %d %+v", r.Status, p)
	}
	if text := log.String(); strings.Contains(text, "eyJ") || !strings.Contains(text, "502") {
		t.Errorf("the log has the token, or does not say what is wrong:\n%s", text)
	}
}

// FuzzAuthorization: no header but the right one opens anything, and none makes
// the service fail.
func FuzzAuthorization(f *testing.F) {
	l := newLocked(f)
	for _, seed := range []string{"", "Bearer", "Bearer x", "bearer dgk_", "Basic eDp5", "Bearer " + service.NewKeyText().Reveal(), "Bearer eyJhbGciOiJub25lIn0.e30.", "Bearer \x00\xff", "Bearer a b"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, value string) {
		if r := call(t, l.h, "GET", "/v1/keys", "", header{"Authorization", value}); r.Status != 401 {
			t.Errorf("%q: %d %s", value, r.Status, r.Body)
		}
	})
}

func TestManyKeysAtOnce(t *testing.T) {
	l := newLocked(t)
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			k := l.key(t, service.ScopeRead)
			for range 5 {
				if r := call(t, l.h, "GET", "/v1/assessments", "", bearer(k.Key)); r.Status != 200 {
					t.Errorf("%d %s", r.Status, r.Body)
				}
			}
			call(t, l.h, "DELETE", "/v1/keys/"+k.ID, "", bearer(l.admin))
			if r := call(t, l.h, "GET", "/v1/assessments", "", bearer(k.Key)); r.Status != 401 {
				t.Errorf("revoked: %d", r.Status)
			}
		})
	}
	wg.Wait()
	if strings.Contains(l.log.String(), "dgk_") {
		t.Error("the log has a key")
	}
}
