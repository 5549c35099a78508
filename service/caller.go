package service

import (
	"context"
	"errors"
	"slices"
)

// Scope is one thing that a caller may do.
type Scope string

// The scopes, from least to most.
const (
	ScopeAssess  Scope = "assess"  // ask, and keep what was answered
	ScopeRead    Scope = "read"    // read what the tenant kept, with its proofs
	ScopeFit     Scope = "fit"     // record what was measured at a fitting, and sign it off
	ScopeFleet   Scope = "fleet"   // write the register of vehicles, trailers, parts and pairings
	ScopeAudit   Scope = "audit"   // run audits, export the log
	ScopeAuthor  Scope = "author"  // write and check ruleset drafts
	ScopeApprove Scope = "approve" // approve, publish and withdraw versions
	ScopeAdmin   Scope = "admin"   // issue and revoke keys, set up webhooks
)

// Scopes lists them all.
var Scopes = []Scope{ScopeAssess, ScopeRead, ScopeFit, ScopeFleet, ScopeAudit, ScopeAuthor, ScopeApprove, ScopeAdmin}

// DefaultTenant owns what is kept where nobody has to say who they are: the
// embedded default on loopback.
const DefaultTenant = "00000000-0000-0000-0000-000000000001"

// Caller is who asks. Stores read the tenant from the context and show nothing
// of any other.
type Caller struct {
	Tenant  string // UUID
	Subject string // who, within the tenant: the id of a key, or the subject of a token
	Scopes  []Scope
}

// Local is the caller of the embedded default.
func Local() Caller { return Caller{Tenant: DefaultTenant, Subject: "local", Scopes: Scopes} }

// ErrForbidden: the caller is known and lacks the scope.
var ErrForbidden = errors.New("the caller may not do this")

// ErrUnauthenticated: it is not known who asks.
var ErrUnauthenticated = errors.New("it is not known who asks")

type callerKey struct{}

// WithCaller puts the caller into the context of a request.
func WithCaller(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// CallerOf returns the caller, and false if nobody was put into the context.
func CallerOf(ctx context.Context) (Caller, bool) {
	c, ok := ctx.Value(callerKey{}).(Caller)
	return c, ok
}

// TenantOf is the tenant that a store must keep to. It fails rather than fall
// back on a default: a forgotten caller must not see somebody's records.
func TenantOf(ctx context.Context) (string, error) {
	c, ok := CallerOf(ctx)
	if !ok || c.Tenant == "" {
		return "", ErrUnauthenticated
	}
	return c.Tenant, nil
}

// Allowed fails with ErrUnauthenticated or ErrForbidden unless the caller has
// the scope.
func Allowed(ctx context.Context, s Scope) error {
	c, ok := CallerOf(ctx)
	if !ok {
		return ErrUnauthenticated
	}
	if !slices.Contains(c.Scopes, s) {
		return ErrForbidden
	}
	return nil
}
