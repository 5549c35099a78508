package service

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"drawgear/rules/rig"
)

// The text of a key is dgk_<id>_<secret>. The prefix lets people and scanners
// see what it is; the id finds the key and is no secret; the secret has 256
// random bits, which is why one round of SHA-256 is enough to keep it by.
const (
	keyPrefix    = "dgk_"
	keyIDLen     = 16
	keySecretLen = 52
	keyLetters   = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
)

// MaxKeyName is the most characters of the name of a key.
const MaxKeyName = 64

// Invalid is the error of a document other than a rig that does not follow the
// contract: at least one issue.
type Invalid []rig.Issue

// Error lists the issues on one line.
func (i Invalid) Error() string { return rig.Issues(i).Error() }

// MissingScope is the ErrForbidden that says which scope is wanting.
type MissingScope struct{ Scope Scope }

// Error names the scope.
func (m *MissingScope) Error() string { return fmt.Sprintf("the scope %s is wanting", m.Scope) }

// Unwrap gives ErrForbidden.
func (m *MissingScope) Unwrap() error { return ErrForbidden }

// Operator is the caller of a command of the program itself. Whoever may run it
// against the store may do everything there, and needs no key for it.
func Operator(tenant string) Caller {
	return Caller{Tenant: tenant, Subject: "operator", Scopes: Scopes}
}

// NewKeyText makes the text of a key that no store knows yet.
func NewKeyText() Secret {
	secret := make([]byte, 32)
	rand.Read(secret) // never fails
	return NewSecret(keyPrefix + rand.Text()[:keyIDLen] + "_" + base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(secret))
}

// splitKey takes the text of a key apart. It says no more of a text that is
// none, lest some of it be repeated.
func splitKey(text string) (id string, digest [32]byte, ok bool) {
	rest, found := strings.CutPrefix(text, keyPrefix)
	id, secret, _ := strings.Cut(rest, "_")
	if !found || len(id) != keyIDLen || len(secret) != keySecretLen || strings.Trim(id+secret, keyLetters) != "" {
		return "", digest, false
	}
	return id, sha256.Sum256([]byte(secret)), true
}

// Keyring issues the keys of tenants and tells by them who asks. It is safe for
// concurrent use.
//
// Nothing stops the last admin key from being revoked or from expiring: a key
// that leaked must be possible to end, whichever it is. Whoever runs the service
// makes another with a command, which works on the store and needs no key
// (Operator).
type Keyring struct {
	store  Keys
	now    func() time.Time
	recent recent[keyProof, Key]
}

// keyProof is what remembered keys are found by. It has the digest, so that a
// wrong secret is looked up in the store like an unknown id, whether or not the
// right one was just used.
type keyProof struct {
	id     string
	digest [32]byte
}

// NewKeyring returns the keyring over a store.
func NewKeyring(store Keys, now func() time.Time) *Keyring {
	return &Keyring{store: store, now: now}
}

// Issue makes a key of the caller's tenant and returns it with its text, which
// is not kept and cannot be had again. The caller needs ScopeAdmin and every
// scope that the key gets. A key without end has the zero time. What is wrong
// with the wishes is told as Invalid.
func (k *Keyring) Issue(ctx context.Context, name string, scopes []Scope, expires time.Time) (Key, Secret, error) {
	tenant, err := k.admin(ctx)
	if err != nil {
		return Key{}, Secret{}, err
	}
	now := storedTime(k.now()) // what stores keep
	expires = storedTime(expires)
	if faults := checkKey(name, scopes, expires, now); faults != nil {
		return Key{}, Secret{}, faults
	}
	for _, s := range scopes {
		if Allowed(ctx, s) != nil {
			return Key{}, Secret{}, fmt.Errorf("give a scope to a key: %w", &MissingScope{s})
		}
	}
	text := NewKeyText()
	id, digest, _ := splitKey(text.Reveal())
	key := Key{ID: id, Tenant: tenant, Name: name, Digest: digest, Scopes: slices.Clone(scopes), CreatedAt: now, ExpiresAt: expires}
	if err := k.store.PutKey(ctx, key); err != nil {
		return Key{}, Secret{}, fmt.Errorf("keep a key: %w", err)
	}
	return key, text, nil
}

func checkKey(name string, scopes []Scope, expires, now time.Time) (faults Invalid) {
	if name == "" || !oneLine(name, MaxKeyName) {
		faults = append(faults, rig.Issue{
			Pointer: "/name", Code: rig.CodeBadValue, Message: "the name is empty, too long, or has control characters",
			Advice: fmt.Sprintf("Say in 1 to %d characters whose key it is.", MaxKeyName),
		})
	}
	if len(scopes) == 0 {
		faults = append(faults, rig.Issue{
			Pointer: "/scopes", Code: rig.CodeBadValue, Message: "a key needs a scope", Advice: "Name at least one.",
		})
	}
	for i, s := range scopes {
		switch {
		case !slices.Contains(Scopes, s):
			faults = append(faults, rig.Issue{
				Pointer: fmt.Sprintf("/scopes/%d", i), Code: rig.CodeBadValue, Message: "there is no such scope", Advice: "Known are " + scopeWords(Scopes) + ".",
			})
		case slices.Contains(scopes[:i], s):
			faults = append(faults, rig.Issue{
				Pointer: fmt.Sprintf("/scopes/%d", i), Code: rig.CodeContradiction, Message: "the scope stands twice", Advice: "Name it once.",
			})
		}
	}
	if !expires.IsZero() && !expires.After(now) {
		faults = append(faults, rig.Issue{
			Pointer: "/expires_at", Code: rig.CodeBadValue, Message: "the key would have ended already", Advice: "Give a time to come, or leave it out.",
		})
	}
	return faults
}

func scopeWords(scopes []Scope) string {
	words := make([]string, len(scopes))
	for i, s := range scopes {
		words[i] = string(s)
	}
	return strings.Join(words, ", ")
}

// List returns the keys of the caller's tenant, newest first. The caller needs
// ScopeAdmin.
func (k *Keyring) List(ctx context.Context) ([]Key, error) {
	if _, err := k.admin(ctx); err != nil {
		return nil, err
	}
	keys, err := k.store.ListKeys(ctx)
	if err != nil {
		return nil, fmt.Errorf("list keys: %w", err)
	}
	return keys, nil
}

// Revoke ends a key of the caller's tenant, here at once and on other replicas
// within seconds. The caller needs ScopeAdmin and may revoke the key it uses.
func (k *Keyring) Revoke(ctx context.Context, id string) error {
	if _, err := k.admin(ctx); err != nil {
		return err
	}
	if err := k.store.RevokeKey(ctx, id, storedTime(k.now())); err != nil {
		return fmt.Errorf("revoke key %s: %w", id, err)
	}
	k.recent.forget(func(p keyProof) bool { return p.id == id })
	return nil
}

func (k *Keyring) admin(ctx context.Context) (tenant string, err error) {
	if tenant, err = TenantOf(ctx); err != nil {
		return "", err
	}
	if Allowed(ctx, ScopeAdmin) != nil {
		return "", &MissingScope{ScopeAdmin}
	}
	return tenant, nil
}

// Authenticate says who uses a key. Every text that opens nothing fails with
// ErrUnauthenticated alike, whether it is malformed, unknown, wrong, expired or
// revoked; another error means that it could not be looked up.
func (k *Keyring) Authenticate(ctx context.Context, text string) (Caller, error) {
	id, digest, ok := splitKey(text)
	if !ok {
		return Caller{}, ErrUnauthenticated
	}
	now := k.now()
	key, err := k.recent.get(ctx, keyProof{id, digest}, now, func(ctx context.Context) (Key, error) {
		key, err := k.store.FindKey(ctx, id)
		switch {
		// An unknown key has the zero digest, which nothing hashes to: it goes the
		// way of a wrong secret.
		case err != nil && !errors.Is(err, ErrNotFound):
			return Key{}, fmt.Errorf("find a key: %w", err)
		case subtle.ConstantTimeCompare(key.Digest[:], digest[:]) != 1 || !key.RevokedAt.IsZero():
			return Key{}, ErrUnauthenticated
		}
		return key, nil
	})
	if err != nil {
		return Caller{}, err
	}
	if !key.ExpiresAt.IsZero() && !now.Before(key.ExpiresAt) {
		return Caller{}, ErrUnauthenticated
	}
	return Caller{Tenant: key.Tenant, Subject: key.ID, Scopes: key.Scopes}, nil
}

// Bootstrap makes a key, whose text was made elsewhere, an admin key of the
// default tenant with every scope. One that is there already stays as it is, so
// that starting again does not bring back what was revoked.
func (k *Keyring) Bootstrap(ctx context.Context, text Secret) error {
	id, digest, ok := splitKey(text.Reveal())
	if !ok {
		return errors.New("the bootstrap key is not the text of a key; `drawgear key new` makes one")
	}
	now := storedTime(k.now())
	if err := k.store.PutTenant(ctx, Tenant{ID: DefaultTenant, Name: "default", CreatedAt: now}); err != nil {
		return fmt.Errorf("make the default tenant: %w", err)
	}
	key := Key{ID: id, Tenant: DefaultTenant, Name: "bootstrap", Digest: digest, Scopes: slices.Clone(Scopes), CreatedAt: now}
	there, err := k.store.FindKey(ctx, id)
	if errors.Is(err, ErrNotFound) {
		putErr := k.store.PutKey(WithCaller(ctx, Operator(DefaultTenant)), key)
		if putErr == nil {
			return nil
		}
		// Another replica may have been quicker.
		if there, err = k.store.FindKey(ctx, id); err != nil {
			return fmt.Errorf("keep the bootstrap key: %w", putErr)
		}
	}
	switch {
	case err != nil:
		return fmt.Errorf("find the bootstrap key: %w", err)
	case there.Digest != digest || there.Tenant != DefaultTenant:
		return fmt.Errorf("the id %s of the bootstrap key is that of another key", id)
	}
	return nil
}
