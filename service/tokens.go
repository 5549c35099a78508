package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/coreos/go-oidc/v3/oidc"
)

// TokenConfig says whose tokens are taken and how they are read.
type TokenConfig struct {
	Issuer      string // URL of the OpenID provider, as in its tokens
	Audience    string // what tokens for this service name as theirs
	TenantClaim string // claim with the id of a tenant
	ScopesClaim string // claim with scopes: words in a text, or a list
}

// Tenants finds tenants by their id, for tokens: it needs no caller, and fails
// with an error that wraps ErrNotFound.
type Tenants interface {
	FindTenant(ctx context.Context, id string) (Tenant, error)
}

// tokenAlgorithms may sign tokens. All are asymmetric: with a shared secret
// everybody who can check a token could make one.
var tokenAlgorithms = []string{oidc.RS256, oidc.PS256, oidc.ES256, oidc.ES384, oidc.EdDSA}

const (
	// tokenSkew is how far the clocks of the provider and of this service may be apart.
	tokenSkew = time.Minute
	// providerLasts is when the provider is asked anew where its keys are, and
	// keys that it no longer lists are forgotten.
	providerLasts = 30 * time.Minute
	// providerPause keeps tokens that name made-up keys from becoming as many
	// requests to the provider.
	providerPause = 5 * time.Second
	providerWait  = 5 * time.Second
	maxProvider   = 1 << 20 // bytes of a reply of the provider
	maxSubject    = 255     // as OpenID Connect has it
)

// Tokens tells by the bearer tokens of an OpenID provider who asks. It is safe
// for concurrent use.
type Tokens struct {
	cfg     TokenConfig
	tenants Tenants
	now     func() time.Time
	client  *http.Client
	known   recent[string, Tenant]

	mu       sync.Mutex
	verifier *oidc.IDTokenVerifier // nil until the provider was reached
	reached  time.Time
	tried    time.Time
}

// NewTokens checks the configuration. The provider is asked with the first
// token: that it is away must not keep the service from starting.
func NewTokens(cfg TokenConfig, tenants Tenants, now func() time.Time) (*Tokens, error) {
	switch {
	case cfg.Issuer == "" || cfg.Audience == "":
		return nil, errors.New("tokens need both an issuer and an audience: without the audience, tokens for other services would be taken")
	case cfg.TenantClaim == "" || cfg.ScopesClaim == "":
		return nil, errors.New("tokens need the names of the claims for tenant and scopes")
	}
	if err := checkProviderURL(cfg.Issuer); err != nil {
		return nil, fmt.Errorf("issuer of tokens: %w", err)
	}
	return &Tokens{
		cfg: cfg, tenants: tenants, now: now,
		client: &http.Client{Transport: limited{http.DefaultTransport}, Timeout: providerWait, CheckRedirect: stay},
	}, nil
}

// stay follows no redirect: whoever gave an address gave that one, and another could lead
// inwards, or to where there is no TLS.
func stay(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }

// checkProviderURL asks for TLS, without which anybody on the way could put in
// keys of their own.
func checkProviderURL(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" {
		return fmt.Errorf("%q is not a URL", text)
	}
	ip := net.ParseIP(u.Hostname())
	if loopback := u.Hostname() == "localhost" || ip != nil && ip.IsLoopback(); u.Scheme != "https" && (u.Scheme != "http" || !loopback) {
		return fmt.Errorf("%s must start with https:// unless it is on this machine", text)
	}
	return nil
}

// Authenticate says who a token stands for. Every token that opens nothing fails
// with an error that wraps ErrUnauthenticated; ErrUnavailable means that the
// provider, or the store, is away.
func (t *Tokens) Authenticate(ctx context.Context, text string) (Caller, error) {
	verifier, err := t.provider(ctx)
	if err != nil {
		return Caller{}, err
	}
	var away error
	token, err := verifier.Verify(context.WithValue(ctx, awayKey{}, &away), text)
	switch {
	case away != nil:
		return Caller{}, fmt.Errorf("read the provider's keys: %w: %w", ErrUnavailable, away)
	case err != nil:
		// Not wrapped: what the verifier says may repeat parts of the token.
		return Caller{}, ErrUnauthenticated
	}
	caller, err := t.caller(token)
	if err != nil {
		return Caller{}, err
	}
	_, err = t.known.get(ctx, caller.Tenant, t.now(), func(ctx context.Context) (Tenant, error) {
		return t.tenants.FindTenant(ctx, caller.Tenant)
	})
	switch {
	case errors.Is(err, ErrNotFound):
		return Caller{}, ErrUnauthenticated
	case err != nil:
		return Caller{}, fmt.Errorf("find the tenant of a token: %w", err)
	}
	return caller, nil
}

// caller reads the claims of a token whose signature, issuer, audience and end
// were checked.
func (t *Tokens) caller(token *oidc.IDToken) (Caller, error) {
	var claims map[string]json.RawMessage
	if err := token.Claims(&claims); err != nil {
		return Caller{}, ErrUnauthenticated
	}
	// The verifier would let through five minutes.
	if raw, given := claims["nbf"]; given {
		var seconds float64
		if json.Unmarshal(raw, &seconds) != nil || seconds > float64(t.now().Add(tokenSkew).Unix()) {
			return Caller{}, ErrUnauthenticated
		}
	}
	c := Caller{Subject: token.Subject}
	if c.Subject == "" || len(c.Subject) > maxSubject || strings.ContainsFunc(c.Subject, unicode.IsControl) {
		return Caller{}, ErrUnauthenticated
	}
	if json.Unmarshal(claims[t.cfg.TenantClaim], &c.Tenant) != nil || !isUUID(c.Tenant) {
		return Caller{}, ErrUnauthenticated
	}
	for _, word := range scopeClaim(claims[t.cfg.ScopesClaim]) {
		// Tokens carry scopes of other services too.
		if s := Scope(word); slices.Contains(Scopes, s) && !slices.Contains(c.Scopes, s) {
			c.Scopes = append(c.Scopes, s)
		}
	}
	return c, nil
}

// scopeClaim reads words in a text (RFC 8693) or a list of words. Anything else
// gives none: the token still says who asks.
func scopeClaim(raw json.RawMessage) (words []string) {
	var text string
	if json.Unmarshal(raw, &text) == nil {
		return strings.Fields(text)
	}
	if json.Unmarshal(raw, &words) != nil {
		return nil
	}
	return words
}

// isUUID knows the canonical form only, so that one tenant has one name.
func isUUID(text string) bool {
	if len(text) != 36 {
		return false
	}
	for i, c := range text {
		if i == 8 || i == 13 || i == 18 || i == 23 {
			if c != '-' {
				return false
			}
		} else if !strings.ContainsRune("0123456789abcdef", c) {
			return false
		}
	}
	return true
}

// provider returns the verifier for the provider's tokens. The first request
// waits until it is found; later ones go on with the old while it is found anew,
// and if the provider is away.
func (t *Tokens) provider(ctx context.Context) (*oidc.IDTokenVerifier, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.now()
	old := t.verifier
	due := (old == nil || now.Sub(t.reached) >= providerLasts) && (t.tried.IsZero() || now.Sub(t.tried) >= providerPause)
	if due {
		t.tried = now
	}
	switch {
	case due && old == nil:
		v, err := t.discover(ctx)
		if err != nil {
			return nil, fmt.Errorf("find the provider of tokens: %w: %w", ErrUnavailable, err)
		}
		t.verifier, t.reached = v, now
	case due:
		go func() {
			if v, err := t.discover(ctx); err == nil {
				t.mu.Lock()
				defer t.mu.Unlock()
				t.verifier, t.reached = v, now
			}
		}()
	case old == nil:
		return nil, fmt.Errorf("find the provider of tokens: %w: it was away a moment ago", ErrUnavailable)
	}
	return t.verifier, nil
}

func (t *Tokens) discover(ctx context.Context) (*oidc.IDTokenVerifier, error) {
	// The request that happens to come first must not decide how long it takes.
	ctx = oidc.ClientContext(context.WithoutCancel(ctx), t.client)
	provider, err := oidc.NewProvider(ctx, t.cfg.Issuer)
	if err != nil {
		return nil, err
	}
	var about struct {
		Keys string `json:"jwks_uri"`
	}
	if err := provider.Claims(&about); err != nil {
		return nil, err
	}
	if err := checkProviderURL(about.Keys); err != nil {
		return nil, fmt.Errorf("jwks_uri: %w", err)
	}
	paced := &http.Client{Transport: &paced{next: t.client.Transport, now: t.now}, Timeout: providerWait}
	keys := oidc.NewRemoteKeySet(oidc.ClientContext(context.Background(), paced), about.Keys)
	return oidc.NewVerifier(t.cfg.Issuer, noteAway{keys}, &oidc.Config{
		ClientID: t.cfg.Audience, SupportedSigningAlgs: tokenAlgorithms,
		Now: func() time.Time { return t.now().Add(-tokenSkew) }, // for the end of a token
	}), nil
}

type awayKey struct{}

// noteAway notes in the context that the provider's keys could not be had, which
// the verifier would pass on as text only.
type noteAway struct{ oidc.KeySet }

// VerifySignature is KeySet's.
func (n noteAway) VerifySignature(ctx context.Context, jwt string) ([]byte, error) {
	payload, err := n.KeySet.VerifySignature(ctx, jwt)
	if errors.Is(err, errPaced) {
		// The keys may have come just after this request looked for them.
		payload, err = n.KeySet.VerifySignature(ctx, jwt)
	}
	// Keys that could not be fetched are an error that wraps why; a signature that
	// is none is one of its own.
	if note, ok := ctx.Value(awayKey{}).(*error); ok && errors.Unwrap(err) != nil && !errors.Is(err, errPaced) {
		*note = err
	}
	return payload, err
}

// limited keeps replies to a size.
type limited struct{ next http.RoundTripper }

// RoundTrip is RoundTripper's.
func (l limited) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := l.next.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	res.Body = struct {
		io.Reader
		io.Closer
	}{io.LimitReader(res.Body, maxProvider), res.Body}
	return res, nil
}

var errPaced = errors.New("the provider was asked a moment ago")

// paced lets a request through once in a while. In between it repeats the
// failure of the last one or, if that went well, says that there is nothing new.
type paced struct {
	next http.RoundTripper
	now  func() time.Time

	mu   sync.Mutex
	last time.Time
	err  error
}

// RoundTrip is RoundTripper's.
func (p *paced) RoundTrip(r *http.Request) (*http.Response, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if now := p.now(); p.last.IsZero() || now.Sub(p.last) >= providerPause {
		p.last, p.err = now, errPaced
		res, err := p.next.RoundTrip(r)
		if err == nil && res.StatusCode != http.StatusOK {
			res.Body.Close()
			err = fmt.Errorf("the provider answered %s", res.Status)
		}
		if err == nil {
			return res, nil
		}
		p.err = err
	}
	return nil, p.err
}

// Bearers tells by the credential of a request who asks, whichever of the two
// it is. One that is nil is not taken.
type Bearers struct {
	Keys   *Keyring
	Tokens *Tokens
}

// Authenticate fails as Keyring and Tokens do.
func (b Bearers) Authenticate(ctx context.Context, text string) (Caller, error) {
	isKey := strings.HasPrefix(text, keyPrefix)
	switch {
	case isKey && b.Keys != nil:
		return b.Keys.Authenticate(ctx, text)
	case !isKey && b.Tokens != nil:
		return b.Tokens.Authenticate(ctx, text)
	default:
		return Caller{}, ErrUnauthenticated
	}
}
