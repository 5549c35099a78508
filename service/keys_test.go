package service_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/service"
)

// tarn is a second tenant.
const tarn = "00000000-0000-0000-0000-0000000000a7"

// tickingClock is a clock that tests move.
type tickingClock struct{ at atomic.Int64 }

func newClock() *tickingClock {
	c := new(tickingClock)
	c.at.Store(noon.UnixNano())
	return c
}

func (c *tickingClock) now() time.Time          { return time.Unix(0, c.at.Load()).UTC() }
func (c *tickingClock) advance(d time.Duration) { c.at.Add(int64(d)) }

// watchedKeys counts look-ups and can be away.
type watchedKeys struct {
	service.Keys
	finds atomic.Int64
	away  atomic.Bool
	hangs atomic.Bool
}

func (w *watchedKeys) FindKey(ctx context.Context, id string) (service.Key, error) {
	w.finds.Add(1)
	if w.hangs.Load() {
		<-ctx.Done()
		return service.Key{}, ctx.Err()
	}
	if w.away.Load() {
		return service.Key{}, fmt.Errorf("connect: %w", service.ErrUnavailable)
	}
	return w.Keys.FindKey(ctx, id)
}

// keyring returns a keyring over a memory store with two tenants.
func keyring(t *testing.T) (*service.Keyring, *watchedKeys, *tickingClock) {
	t.Helper()
	store, clock := &watchedKeys{Keys: memory.New(0)}, newClock()
	for _, id := range []string{service.DefaultTenant, tarn} {
		if err := store.PutTenant(t.Context(), service.Tenant{ID: id, Name: "Tarn Valley", CreatedAt: noon}); err != nil {
			t.Fatal(err)
		}
	}
	return service.NewKeyring(store, clock.now), store, clock
}

// with is a context of a caller of the default tenant.
func with(t *testing.T, scopes ...service.Scope) context.Context {
	t.Helper()
	return service.WithCaller(t.Context(), service.Caller{Tenant: service.DefaultTenant, Subject: "test", Scopes: scopes})
}

func operator(t *testing.T, tenant string) context.Context {
	t.Helper()
	return service.WithCaller(t.Context(), service.Operator(tenant))
}

func issue(t *testing.T, k *service.Keyring, expires time.Time, scopes ...service.Scope) (service.Key, string) {
	t.Helper()
	key, text, err := k.Issue(operator(t, service.DefaultTenant), "Saltmarsh Yard", scopes, expires)
	if err != nil {
		t.Fatal(err)
	}
	return key, text.Reveal()
}

func refused(t *testing.T, k *service.Keyring, text string) {
	t.Helper()
	if c, err := k.Authenticate(t.Context(), text); err != service.ErrUnauthenticated || !reflect.DeepEqual(c, service.Caller{}) {
		t.Errorf("authenticated as %+v, %v", c, err)
	}
}

func TestKeyText(t *testing.T) {
	seen := map[string]bool{}
	for range 200 {
		text := service.NewKeyText().Reveal()
		if !regexp.MustCompile(`^dgk_[A-Z2-7]{16}_[A-Z2-7]{52}$`).MatchString(text) {
			t.Fatalf("a key reads %q", text)
		}
		id, secret := text[4:20], text[21:]
		if seen[id] || seen[secret] {
			t.Fatal("an id or a secret came twice")
		}
		seen[id], seen[secret] = true, true
	}
}

func TestKeyOpens(t *testing.T) {
	k, store, clock := keyring(t)
	ends := clock.now().Add(time.Hour)
	key, text := issue(t, k, ends, service.ScopeAssess, service.ScopeRead)
	c, err := k.Authenticate(t.Context(), text)
	want := service.Caller{Tenant: service.DefaultTenant, Subject: key.ID, Scopes: []service.Scope{service.ScopeAssess, service.ScopeRead}}
	if err != nil || !reflect.DeepEqual(c, want) {
		t.Errorf("authenticated as %+v, %v; want %+v", c, err, want)
	}
	if key.ExpiresAt != ends.Truncate(time.Microsecond) || key.CreatedAt != clock.now().Truncate(time.Microsecond) || key.Name != "Saltmarsh Yard" {
		t.Errorf("issued %+v", key)
	}
	kept, err := store.FindKey(t.Context(), key.ID)
	if err != nil || strings.Contains(fmt.Sprintf("%+v %q", kept, kept.Digest), text[21:]) {
		t.Errorf("the store keeps the secret: %+v, %v", kept, err)
	}
	list, err := k.List(operator(t, service.DefaultTenant))
	if err != nil || len(list) != 1 || !reflect.DeepEqual(list[0], key) {
		t.Errorf("listed %+v, %v; want %+v", list, err, key)
	}
}

func TestKeyRefused(t *testing.T) {
	k, store, _ := keyring(t)
	_, text := issue(t, k, time.Time{}, service.ScopeAssess)
	other := service.NewKeyText().Reveal()
	flip := func(i int) string {
		letter := "A"
		if text[i] == 'A' {
			letter = "B"
		}
		return text[:i] + letter + text[i+1:]
	}
	// Whatever is wrong with it, a text that looks like a key costs one look-up,
	// also while the right one is remembered.
	if _, err := k.Authenticate(t.Context(), text); err != nil {
		t.Fatal(err)
	}
	for name, wrong := range map[string]string{
		"unknown": other, "the secret of another": text[:21] + other[21:], "the id of another": other[:21] + text[21:],
		"first letter": flip(21), "last letter": flip(72), "letter of the id": flip(4),
	} {
		before := store.finds.Load()
		refused(t, k, wrong)
		if n := store.finds.Load() - before; n != 1 {
			t.Errorf("%s: %d look-ups, want 1", name, n)
		}
	}
	before := store.finds.Load()
	for _, malformed := range []string{
		"", "dgk_", "dgk__", text + "A", text[:72], strings.ToLower(text), "DGK" + text[3:], " " + text, text + "\n", strings.Replace(text, "_", "-", 2), text[4:],
		text[:21] + strings.Repeat("=", 52), strings.Repeat("dgk_", 1<<16), "dgk_" + strings.Repeat("é", 8) + "_" + text[21:],
	} {
		refused(t, k, malformed)
	}
	if n := store.finds.Load() - before; n != 0 {
		t.Errorf("%d look-ups for texts that are no keys", n)
	}
}

// TestGuessesAreNotKept: a refused key that is made later works at once.
func TestGuessesAreNotKept(t *testing.T) {
	k, _, _ := keyring(t)
	text := service.NewKeyText()
	refused(t, k, text.Reveal())
	if err := k.Bootstrap(t.Context(), text); err != nil {
		t.Fatal(err)
	}
	if _, err := k.Authenticate(t.Context(), text.Reveal()); err != nil {
		t.Error(err)
	}
}

func TestKeyExpires(t *testing.T) {
	k, _, clock := keyring(t)
	_, text := issue(t, k, clock.now().Add(time.Second).Truncate(time.Microsecond), service.ScopeRead)
	clock.advance(time.Second - time.Microsecond)
	if _, err := k.Authenticate(t.Context(), text); err != nil {
		t.Errorf("a moment before its end: %v", err)
	}
	clock.advance(time.Microsecond) // while it is remembered
	refused(t, k, text)
}

func TestRevocation(t *testing.T) {
	here, store, clock := keyring(t)
	elsewhere := service.NewKeyring(store, clock.now)
	key, text := issue(t, here, time.Time{}, service.Scopes...)
	for _, k := range []*service.Keyring{here, elsewhere} {
		if _, err := k.Authenticate(t.Context(), text); err != nil {
			t.Fatal(err)
		}
	}
	before := store.finds.Load()
	clock.advance(2*time.Second - 1)
	if _, err := elsewhere.Authenticate(t.Context(), text); err != nil || store.finds.Load() != before {
		t.Errorf("not remembered for two seconds: %v", err)
	}
	caller := service.Caller{Tenant: service.DefaultTenant, Subject: key.ID, Scopes: service.Scopes}
	if err := here.Revoke(service.WithCaller(t.Context(), caller), key.ID); err != nil {
		t.Fatalf("a key revokes itself: %v", err)
	}
	refused(t, here, text) // at once
	clock.advance(1)
	refused(t, elsewhere, text) // after two seconds at most
	if err := here.Revoke(operator(t, service.DefaultTenant), key.ID); err != nil {
		t.Errorf("revoking again: %v", err)
	}
	list, err := here.List(operator(t, service.DefaultTenant))
	if err != nil || len(list) != 1 || list[0].RevokedAt.IsZero() {
		t.Errorf("a revoked key is listed as %+v, %v", list, err)
	}
	if err := here.Revoke(operator(t, service.DefaultTenant), "AAAAAAAAAAAAAAAA"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("revoking nothing: %v", err)
	}
}

func TestClockSetBack(t *testing.T) {
	k, store, clock := keyring(t)
	_, text := issue(t, k, time.Time{}, service.ScopeRead)
	for range 2 {
		if _, err := k.Authenticate(t.Context(), text); err != nil {
			t.Fatal(err)
		}
		clock.advance(-time.Hour)
	}
	if n := store.finds.Load(); n != 2 {
		t.Errorf("%d look-ups, want 2: what was found is believed for an hour", n)
	}
}

func TestKeysOfTenantsApart(t *testing.T) {
	k, _, _ := keyring(t)
	key, text := issue(t, k, time.Time{}, service.ScopeAdmin)
	if list, err := k.List(operator(t, tarn)); err != nil || len(list) != 0 {
		t.Errorf("another tenant sees %v, %v", list, err)
	}
	if err := k.Revoke(operator(t, tarn), key.ID); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("another tenant revokes: %v", err)
	}
	if c, err := k.Authenticate(t.Context(), text); err != nil || c.Tenant != service.DefaultTenant {
		t.Errorf("then: %+v, %v", c, err)
	}
	_, theirs, err := k.Issue(operator(t, tarn), "workshop", []service.Scope{service.ScopeRead}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	if c, err := k.Authenticate(t.Context(), theirs.Reveal()); err != nil || c.Tenant != tarn {
		t.Errorf("the key of the other: %+v, %v", c, err)
	}
}

func TestWhoMayIssue(t *testing.T) {
	k, _, _ := keyring(t)
	read := []service.Scope{service.ScopeRead}
	for name, tt := range map[string]struct {
		ctx    context.Context
		scopes []service.Scope
		want   error // nil for success
	}{
		"nobody":           {t.Context(), read, service.ErrUnauthenticated},
		"no admin":         {with(t, service.ScopeRead, service.ScopeApprove), read, service.ErrForbidden},
		"admin, not more":  {with(t, service.ScopeAdmin), read, service.ErrForbidden},
		"one of two":       {with(t, service.ScopeAdmin, service.ScopeRead), []service.Scope{service.ScopeRead, service.ScopeAssess}, service.ErrForbidden},
		"what it has":      {with(t, service.ScopeAdmin, service.ScopeRead), []service.Scope{service.ScopeRead, service.ScopeAdmin}, nil},
		"the operator":     {operator(t, tarn), service.Scopes, nil},
		"local, as tenant": {service.WithCaller(t.Context(), service.Local()), service.Scopes, nil},
	} {
		key, text, err := k.Issue(tt.ctx, "name", tt.scopes, time.Time{})
		if !errors.Is(err, tt.want) || (err == nil) != (text.Reveal() != "") || (err == nil) != (key.ID != "") {
			t.Errorf("%s: %+v, %v; want %v", name, key, err, tt.want)
		}
	}
	var missing *service.MissingScope
	if _, err := k.List(with(t, service.ScopeAssess)); !errors.As(err, &missing) || missing.Scope != service.ScopeAdmin {
		t.Errorf("listing without admin: %v", err)
	}
	if err := k.Revoke(with(t, service.ScopeAssess), "x"); !errors.As(err, &missing) || missing.Scope != service.ScopeAdmin {
		t.Errorf("revoking without admin: %v", err)
	}
	if _, _, err := k.Issue(with(t, service.ScopeAdmin), "name", read, time.Time{}); !errors.As(err, &missing) || missing.Scope != service.ScopeRead {
		t.Errorf("the refusal does not name the scope: %v", err)
	}
}

func TestBadWishes(t *testing.T) {
	k, _, clock := keyring(t)
	read := []service.Scope{service.ScopeRead}
	for name, tt := range map[string]struct {
		name    string
		scopes  []service.Scope
		expires time.Time
		at      []string
	}{
		"no name":         {"", read, time.Time{}, []string{"/name"}},
		"long name":       {strings.Repeat("é", 65), read, time.Time{}, []string{"/name"}},
		"control":         {"a\nb", read, time.Time{}, []string{"/name"}},
		"not UTF-8":       {"a\xff", read, time.Time{}, []string{"/name"}},
		"no scopes":       {"name", nil, time.Time{}, []string{"/scopes"}},
		"unknown scope":   {"name", []service.Scope{"read", "write", ""}, time.Time{}, []string{"/scopes/1", "/scopes/2"}},
		"scope twice":     {"name", []service.Scope{"read", "read"}, time.Time{}, []string{"/scopes/1"}},
		"ended already":   {"name", read, clock.now().Add(-time.Hour), []string{"/expires_at"}},
		"ends now":        {"name", read, clock.now(), []string{"/expires_at"}},
		"everything":      {"", nil, time.Unix(0, 0), []string{"/name", "/scopes", "/expires_at"}},
		"as long as goes": {strings.Repeat("é", 64), read, clock.now().Add(time.Second), nil},
	} {
		_, _, err := k.Issue(operator(t, service.DefaultTenant), tt.name, tt.scopes, tt.expires)
		var invalid service.Invalid
		errors.As(err, &invalid)
		var at []string
		for _, is := range invalid {
			at = append(at, is.Pointer)
		}
		if !slices.Equal(at, tt.at) || (err == nil) != (tt.at == nil) {
			t.Errorf("%s: %v at %v, want %v", name, err, at, tt.at)
		}
	}
}

// TestKeysWhileStoreAway: a key that was good goes on being good for a while, any other
// cannot be told.
func TestKeysWhileStoreAway(t *testing.T) {
	k, store, clock := keyring(t)
	_, text := issue(t, k, time.Time{}, service.ScopeAssess)
	_, fresh := issue(t, k, time.Time{}, service.ScopeAssess)
	if _, err := k.Authenticate(t.Context(), text); err != nil {
		t.Fatal(err)
	}
	store.away.Store(true)
	for range 10 {
		clock.advance(5 * time.Minute)
		if _, err := k.Authenticate(t.Context(), text); err != nil {
			t.Fatalf("the store is away: %v", err)
		}
		before := store.finds.Load()
		if _, err := k.Authenticate(t.Context(), text); err != nil || store.finds.Load() != before {
			t.Fatalf("a store that is away is asked each time: %v", err)
		}
	}
	if _, err := k.Authenticate(t.Context(), fresh); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("a key that was not seen: %v", err)
	}
	clock.advance(11 * time.Minute)
	if _, err := k.Authenticate(t.Context(), text); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("after more than an hour: %v", err)
	}
	store.away.Store(false)
	if _, err := k.Authenticate(t.Context(), text); err != nil {
		t.Errorf("the store is back: %v", err)
	}
	// One that hangs is given up, and never makes an impatient caller wait.
	store.hangs.Store(true)
	clock.advance(3 * time.Second)
	if _, err := k.Authenticate(t.Context(), text); err != nil {
		t.Errorf("the store hangs: %v", err)
	}
	clock.advance(3 * time.Second)
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := k.Authenticate(gone, text); !errors.Is(err, context.Canceled) {
		t.Errorf("the caller is gone: %v", err)
	}
	if _, err := k.Authenticate(t.Context(), text); err != nil {
		t.Errorf("after a caller that was gone: %v", err)
	}
}

func TestBootstrap(t *testing.T) {
	k, store, clock := keyring(t)
	text := service.NewKeyText()
	for range 2 { // again, as when the service starts again
		if err := k.Bootstrap(t.Context(), text); err != nil {
			t.Fatal(err)
		}
	}
	c, err := k.Authenticate(t.Context(), text.Reveal())
	if err != nil || c.Tenant != service.DefaultTenant || !slices.Equal(c.Scopes, service.Scopes) {
		t.Errorf("%+v, %v", c, err)
	}
	if err := k.Revoke(operator(t, service.DefaultTenant), c.Subject); err != nil {
		t.Fatal(err)
	}
	again := service.NewKeyring(store, clock.now)
	if err := again.Bootstrap(t.Context(), text); err != nil {
		t.Fatal(err)
	}
	refused(t, again, text.Reveal()) // what was revoked does not come back

	thief := service.NewSecret(text.Reveal()[:21] + service.NewKeyText().Reveal()[21:])
	for _, bad := range []service.Secret{{}, service.NewSecret("dgk_short"), thief} {
		if err := k.Bootstrap(t.Context(), bad); err == nil || bad.Reveal() != "" && strings.Contains(err.Error(), bad.Reveal()) {
			t.Errorf("a bad bootstrap key: %v", err)
		}
	}
	store.away.Store(true)
	if err := k.Bootstrap(t.Context(), service.NewKeyText()); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("the store is away: %v", err)
	}
}

func TestKeysAtOnce(t *testing.T) {
	k, _, clock := keyring(t)
	var texts []string
	var ids []string
	for range 20 {
		key, text := issue(t, k, time.Time{}, service.ScopeRead)
		texts, ids = append(texts, text), append(ids, key.ID)
	}
	var wg sync.WaitGroup
	for i, text := range texts {
		wg.Go(func() {
			for range 50 {
				if c, err := k.Authenticate(t.Context(), text); err != nil || c.Subject != ids[i] {
					t.Errorf("key %d: %+v, %v", i, c, err)
				}
				refused(t, k, service.NewKeyText().Reveal())
				clock.advance(100 * time.Millisecond)
			}
			if err := k.Revoke(operator(t, service.DefaultTenant), ids[i]); err != nil {
				t.Error(err)
			}
			refused(t, k, text)
		})
	}
	wg.Wait()
}

// TestSecretStaysSecret prints, logs and encodes one in every way.
func TestSecretStaysSecret(t *testing.T) {
	const text = "dgk_hush"
	s := service.NewSecret(text)
	type holder struct {
		Public service.Secret
		hidden service.Secret
		list   []service.Secret
	}
	h := holder{s, s, []service.Secret{s}}
	var out bytes.Buffer
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%X", "%d", "%t", "%p", "%c", "%T", "%!", "%10.3s"} {
		for _, v := range []any{s, &s, h, &h, []service.Secret{s}, map[string]service.Secret{"a": s}, fmt.Errorf("x: %v", s)} {
			fmt.Fprintf(&out, verb, v)
		}
	}
	for _, handler := range []slog.Handler{slog.NewJSONHandler(&out, nil), slog.NewTextHandler(&out, nil)} {
		slog.New(handler).Info("m", "s", s, "p", &s, "h", h, "l", []service.Secret{s})
	}
	enc, err := json.Marshal(map[string]any{"s": s, "h": h})
	if err != nil {
		t.Fatal(err)
	}
	out.Write(enc)
	func() {
		defer func() { fmt.Fprint(&out, recover()) }()
		panic(s)
	}()
	for _, form := range []string{"hush", fmt.Sprintf("%x", "hush"), fmt.Sprintf("%X", "hush"), "104 117"} {
		if strings.Contains(out.String(), form) {
			t.Errorf("the secret shows as %q in\n%s", form, out.String())
		}
	}
	if s.Reveal() != text || (service.Secret{}).Reveal() != "" {
		t.Error("Reveal does not")
	}
	var read service.Secret
	if err := read.UnmarshalText([]byte(text)); err != nil || read.Reveal() != text {
		t.Errorf("read %q, %v", read.Reveal(), err)
	}
}
