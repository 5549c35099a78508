package service_test

import (
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/coreos/go-oidc/v3/oidc/oidctest"

	"drawgear/db/memory"
	"drawgear/service"
)

const audience = "drawgear-test"

// issuer is an OpenID provider for tests.
type issuer struct {
	url      string
	keys     map[string]*ecdsa.PrivateKey
	state    atomic.Pointer[http.Handler]
	requests atomic.Int64 // for keys
}

func newIssuer(t *testing.T) *issuer {
	t.Helper()
	i := &issuer{keys: map[string]*ecdsa.PrivateKey{}}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !strings.Contains(r.URL.Path, ".well-known") {
			i.requests.Add(1)
		}
		(*i.state.Load()).ServeHTTP(w, r)
	}))
	t.Cleanup(srv.Close)
	i.url = srv.URL
	i.publish(t, "one")
	return i
}

// publish makes keys where they are wanting, and lists these and no others.
func (i *issuer) publish(t *testing.T, kids ...string) {
	t.Helper()
	s := new(oidctest.Server)
	for _, kid := range kids {
		if i.keys[kid] == nil {
			key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
			if err != nil {
				t.Fatal(err)
			}
			i.keys[kid] = key
		}
		s.PublicKeys = append(s.PublicKeys, oidctest.PublicKey{PublicKey: i.keys[kid].Public(), KeyID: kid, Algorithm: oidc.ES256})
	}
	s.SetIssuer(i.url)
	i.answer(s)
}

func (i *issuer) answer(h http.Handler) { i.state.Store(&h) }

// claims are those of a good token, with changes: nil takes one away.
func (i *issuer) claims(now time.Time, changes map[string]any) string {
	c := map[string]any{
		"iss": i.url, "aud": []string{"other", audience}, "sub": "fitter-7", "exp": now.Add(time.Hour).Unix(), "iat": now.Unix(),
		"tenant": tarn, "scope": "openid read assess read",
	}
	maps.Copy(c, changes)
	maps.DeleteFunc(c, func(_ string, v any) bool { return v == nil })
	text, err := json.Marshal(c)
	if err != nil {
		panic(err)
	}
	return string(text)
}

func (i *issuer) token(now time.Time, changes map[string]any) string {
	return oidctest.SignIDToken(i.keys["one"], "one", oidc.ES256, i.claims(now, changes))
}

// someTenants is a store that can be away.
type someTenants struct {
	*memory.Store
	away atomic.Bool
}

func (s *someTenants) FindTenant(ctx context.Context, id string) (service.Tenant, error) {
	if s.away.Load() {
		return service.Tenant{}, fmt.Errorf("connect: %w", service.ErrUnavailable)
	}
	return s.Store.FindTenant(ctx, id)
}

func newTokens(t *testing.T, i *issuer, c *tickingClock) (*service.Tokens, *someTenants) {
	t.Helper()
	store := &someTenants{Store: memory.New(0)}
	if err := store.PutTenant(t.Context(), service.Tenant{ID: tarn, Name: "Tarn Valley"}); err != nil {
		t.Fatal(err)
	}
	tokens, err := service.NewTokens(service.TokenConfig{Issuer: i.url, Audience: audience, TenantClaim: "tenant", ScopesClaim: "scope"}, store, c.now)
	if err != nil {
		t.Fatal(err)
	}
	return tokens, store
}

func TestTokenOpens(t *testing.T) {
	i, clock := newIssuer(t), newClock()
	tokens, _ := newTokens(t, i, clock)
	for name, tt := range map[string]struct {
		changes map[string]any
		scopes  []service.Scope
	}{
		"words":         {nil, []service.Scope{service.ScopeRead, service.ScopeAssess}},
		"a list":        {map[string]any{"scope": []string{"audit", "x"}}, []service.Scope{service.ScopeAudit}},
		"no scopes":     {map[string]any{"scope": nil}, nil},
		"odd scopes":    {map[string]any{"scope": 7}, nil},
		"one audience":  {map[string]any{"aud": audience, "scope": ""}, nil},
		"just ended":    {map[string]any{"exp": clock.now().Add(-59 * time.Second).Unix(), "scope": ""}, nil},
		"almost begins": {map[string]any{"nbf": clock.now().Add(59 * time.Second).Unix(), "scope": ""}, nil},
	} {
		c, err := tokens.Authenticate(t.Context(), i.token(clock.now(), tt.changes))
		want := service.Caller{Tenant: tarn, Subject: "fitter-7", Scopes: tt.scopes}
		if err != nil || !reflect.DeepEqual(c, want) {
			t.Errorf("%s: %+v, %v; want %+v", name, c, err, want)
		}
	}
	if n := i.requests.Load(); n != 1 {
		t.Errorf("the provider was asked for its keys %d times", n)
	}
}

func TestTokenRefused(t *testing.T) {
	i, clock := newIssuer(t), newClock()
	tokens, _ := newTokens(t, i, clock)
	now := clock.now()
	good := i.token(now, nil)
	part := func(v string) string { return base64.RawURLEncoding.EncodeToString([]byte(v)) }
	stranger, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	public, err := i.keys["one"].PublicKey.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	shared := part(`{"alg":"HS256","kid":"one"}`) + "." + part(i.claims(now, nil))
	mac := hmac.New(sha256.New, public)
	mac.Write([]byte(shared))
	pieces := strings.Split(good, ".")
	for name, text := range map[string]string{
		"another audience":   i.token(now, map[string]any{"aud": "other"}),
		"no audience":        i.token(now, map[string]any{"aud": nil}),
		"another issuer":     i.token(now, map[string]any{"iss": "https://elsewhere.example"}),
		"ended":              i.token(now, map[string]any{"exp": now.Add(-61 * time.Second).Unix()}),
		"without end":        i.token(now, map[string]any{"exp": nil}),
		"not yet":            i.token(now, map[string]any{"nbf": now.Add(62 * time.Second).Unix()}),
		"no tenant":          i.token(now, map[string]any{"tenant": nil}),
		"empty tenant":       i.token(now, map[string]any{"tenant": ""}),
		"unknown tenant":     i.token(now, map[string]any{"tenant": "00000000-0000-0000-0000-0000000000ff"}),
		"a list of tenants":  i.token(now, map[string]any{"tenant": []string{tarn}}),
		"tenant in capitals": i.token(now, map[string]any{"tenant": strings.ToUpper(tarn)}),
		"no subject":         i.token(now, map[string]any{"sub": nil}),
		"long subject":       i.token(now, map[string]any{"sub": strings.Repeat("a", 256)}),
		"a stranger's key":   oidctest.SignIDToken(stranger, "one", oidc.ES256, i.claims(now, nil)),
		"unknown kid":        oidctest.SignIDToken(stranger, "none", oidc.ES256, i.claims(now, nil)),
		"not signed":         part(`{"alg":"none"}`) + "." + part(i.claims(now, nil)) + ".",
		"not signed, by kid": part(`{"alg":"none","kid":"one"}`) + "." + part(i.claims(now, nil)) + ".",
		"public key as HMAC": shared + "." + base64.RawURLEncoding.EncodeToString(mac.Sum(nil)),
		"claims exchanged":   pieces[0] + "." + part(i.claims(now, map[string]any{"scope": "admin"})) + "." + pieces[2],
		"signature cut off":  pieces[0] + "." + pieces[1] + ".",
		"two parts":          pieces[0] + "." + pieces[1],
		"nothing":            "",
		"dots":               "..",
		"no JSON":            part("x") + "." + part("y") + "." + part("z"),
	} {
		if c, err := tokens.Authenticate(t.Context(), text); !errors.Is(err, service.ErrUnauthenticated) || c.Tenant != "" || text != "" && strings.Contains(err.Error(), text) {
			t.Errorf("%s: %+v, %v", name, c, err)
		}
	}
	if n := i.requests.Load(); n > 2 {
		t.Errorf("bad tokens made %d requests to the provider", n)
	}
	if _, err := tokens.Authenticate(t.Context(), good); err != nil {
		t.Errorf("the good one: %v", err)
	}
}

// TestAlgorithms: only what is on the list may sign, even if the provider lists
// more.
func TestAlgorithms(t *testing.T) {
	i, clock := newIssuer(t), newClock()
	key, err := ecdsa.GenerateKey(elliptic.P521(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s := &oidctest.Server{Algorithms: []string{oidc.ES512}, PublicKeys: []oidctest.PublicKey{{PublicKey: crypto.PublicKey(key.Public()), KeyID: "big", Algorithm: oidc.ES512}}}
	s.SetIssuer(i.url)
	i.answer(s)
	tokens, _ := newTokens(t, i, clock)
	text := oidctest.SignIDToken(key, "big", oidc.ES512, i.claims(clock.now(), nil))
	if _, err := tokens.Authenticate(t.Context(), text); !errors.Is(err, service.ErrUnauthenticated) {
		t.Errorf("signed with ES512: %v", err)
	}
}

// soon gives the error that want looks for, or the last one. The provider's keys
// are fetched by the side, and a clock that leaps overtakes that.
func soon(try func() error, want func(error) bool) (err error) {
	for range 200 {
		if err = try(); want(err) {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	return err
}

func good(err error) bool { return err == nil }

func unknown(err error) bool { return errors.Is(err, service.ErrUnauthenticated) }

func TestRotatedKeys(t *testing.T) {
	i, clock := newIssuer(t), newClock()
	tokens, _ := newTokens(t, i, clock)
	opens := func(kid string) error {
		_, err := tokens.Authenticate(t.Context(), oidctest.SignIDToken(i.keys[kid], kid, oidc.ES256, i.claims(clock.now(), nil)))
		return err
	}
	if err := opens("one"); err != nil {
		t.Fatal(err)
	}
	i.publish(t, "one", "two")
	if err := opens("two"); !errors.Is(err, service.ErrUnauthenticated) {
		t.Errorf("within the pause: %v", err)
	}
	clock.advance(5 * time.Second)
	if err := soon(func() error { return errors.Join(opens("two"), opens("one")) }, good); err != nil {
		t.Errorf("both are listed: %v", err)
	}
	i.publish(t, "two") // the first is withdrawn, and nothing tells of it
	clock.advance(31 * time.Minute)
	// Keys are found anew while the old ones still serve.
	if err := soon(func() error { return opens("one") }, unknown); !unknown(err) {
		t.Errorf("signed with a key that was withdrawn: %v", err)
	}
	if err := opens("two"); err != nil {
		t.Errorf("the other: %v", err)
	}
}

func TestProviderAway(t *testing.T) {
	i, clock := newIssuer(t), newClock()
	tokens, store := newTokens(t, i, clock)
	i.answer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusBadGateway) }))
	ask := func() error {
		_, err := tokens.Authenticate(t.Context(), i.token(clock.now(), nil))
		return err
	}
	for range 2 {
		if err := ask(); !errors.Is(err, service.ErrUnavailable) {
			t.Errorf("it was never there: %v", err)
		}
	}
	i.publish(t, "one")
	clock.advance(5 * time.Second)
	// Found, and then its keys are away.
	working := *i.state.Load()
	i.answer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.Contains(r.URL.Path, ".well-known") {
			working.ServeHTTP(w, r)
			return
		}
		fmt.Fprint(w, "<html>")
	}))
	if err := ask(); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("its keys are no keys: %v", err)
	}
	i.publish(t, "one")
	clock.advance(5 * time.Second)
	if err := soon(ask, good); err != nil {
		t.Errorf("it is back: %v", err)
	}
	// What is known holds for a while; so does the tenant.
	i.answer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusBadGateway) }))
	store.away.Store(true)
	clock.advance(35 * time.Minute)
	if err := ask(); err != nil {
		t.Errorf("everything is away: %v", err)
	}
	clock.advance(time.Hour)
	if err := ask(); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("for more than an hour: %v", err)
	}
}

// TestProviderRedirects: a provider that says it is elsewhere is not found there, nor are
// its keys.
func TestProviderRedirects(t *testing.T) {
	for _, path := range []string{".well-known", "/keys"} {
		t.Run(path, func(t *testing.T) {
			i, clock := newIssuer(t), newClock()
			tokens, _ := newTokens(t, i, clock)
			var asked atomic.Int64
			working := *i.state.Load()
			elsewhere := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				asked.Add(1)
				working.ServeHTTP(w, r)
			}))
			defer elsewhere.Close()
			i.answer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if strings.Contains(r.URL.Path, path) {
					http.Redirect(w, r, elsewhere.URL+r.URL.Path, http.StatusFound)
					return
				}
				working.ServeHTTP(w, r)
			}))
			if _, err := tokens.Authenticate(t.Context(), i.token(clock.now(), nil)); !errors.Is(err, service.ErrUnavailable) {
				t.Errorf("%v, want ErrUnavailable", err)
			}
			if n := asked.Load(); n > 0 {
				t.Errorf("elsewhere is asked %d times", n)
			}
		})
	}
}

func TestTokenConfig(t *testing.T) {
	good := service.TokenConfig{Issuer: "https://id.example", Audience: audience, TenantClaim: "tenant", ScopesClaim: "scope"}
	for name, change := range map[string]func(*service.TokenConfig){
		"no issuer":         func(c *service.TokenConfig) { c.Issuer = "" },
		"no audience":       func(c *service.TokenConfig) { c.Audience = "" },
		"no tenant claim":   func(c *service.TokenConfig) { c.TenantClaim = "" },
		"no scopes claim":   func(c *service.TokenConfig) { c.ScopesClaim = "" },
		"without TLS":       func(c *service.TokenConfig) { c.Issuer = "http://id.example" },
		"no URL":            func(c *service.TokenConfig) { c.Issuer = "id.example" },
		"like this machine": func(c *service.TokenConfig) { c.Issuer = "http://127.0.0.1.example" },
	} {
		c := good
		change(&c)
		if _, err := service.NewTokens(c, new(someTenants), time.Now); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if _, err := service.NewTokens(good, new(someTenants), time.Now); err != nil {
		t.Errorf("a good one: %v", err)
	}
}

// TestBearers: the text tells a key from a token, and what is not configured
// opens nothing.
func TestBearers(t *testing.T) {
	i, clock := newIssuer(t), newClock()
	tokens, _ := newTokens(t, i, clock)
	k, _, _ := keyring(t)
	_, key := issue(t, k, time.Time{}, service.ScopeRead)
	token := i.token(clock.now(), nil)
	for name, tt := range map[string]struct {
		b    service.Bearers
		text string
		want string // subject
	}{
		"key of both": {service.Bearers{Keys: k, Tokens: tokens}, key, key[4:20]}, "token of both": {service.Bearers{Keys: k, Tokens: tokens}, token, "fitter-7"},
		"key alone": {service.Bearers{Keys: k}, key, key[4:20]}, "token of keys": {service.Bearers{Keys: k}, token, ""},
		"key of tokens": {service.Bearers{Tokens: tokens}, key, ""}, "nothing": {service.Bearers{}, key, ""},
	} {
		c, err := tt.b.Authenticate(t.Context(), tt.text)
		if c.Subject != tt.want || errors.Is(err, service.ErrUnauthenticated) != (tt.want == "") {
			t.Errorf("%s: %+v, %v", name, c, err)
		}
	}
}

func TestTokensAtOnce(t *testing.T) {
	i, clock := newIssuer(t), newClock()
	tokens, _ := newTokens(t, i, clock)
	var wg sync.WaitGroup
	for n := range 16 {
		text := i.token(clock.now(), map[string]any{"sub": fmt.Sprint("fitter-", n)})
		wg.Go(func() {
			for range 10 {
				c, err := tokens.Authenticate(t.Context(), text)
				if err != nil || c.Subject != fmt.Sprint("fitter-", n) || !slices.Contains(c.Scopes, service.ScopeRead) {
					t.Errorf("%d: %+v, %v", n, c, err)
				}
				clock.advance(time.Second)
			}
		})
	}
	wg.Wait()
}
