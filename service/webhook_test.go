package service_test

import (
	"context"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/netip"
	"reflect"
	"strings"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/service"
)

// hookKey is a master key for tests: 32 times the letter k.
var hookKey = service.NewSecret(base64.StdEncoding.EncodeToString([]byte(strings.Repeat("k", 32))))

// noonKept is noon as it is kept, and noonText as it is written.
var noonKept = noon.Truncate(time.Microsecond)

const noonText = "2026-11-25T12:00:00.999999Z"

const saltmarshHook = "https://hooks.saltmarsh.example/drawgear"

// hooks are the use cases over an empty store, with one host that may be told.
func hooks(t *testing.T, c service.HookConfig) (*service.Hooks, *memory.Store, *tickingClock) {
	t.Helper()
	store, clock := newHookStore(t), newClock()
	return hooksOver(t, store, clock, c), store, clock
}

func hooksOver(t *testing.T, store service.Webhooks, clock *tickingClock, c service.HookConfig) *service.Hooks {
	t.Helper()
	if c.Allow == nil {
		c.Allow = []string{"hooks.saltmarsh.example"}
	}
	c.Key = hookKey
	h, err := service.NewHooks(store, c, clock.now)
	if err != nil {
		t.Fatal(err)
	}
	return h.WithIDs(service.CountedIDs())
}

// saltmarsh is what the dealer writes of its webhook.
func saltmarsh() service.HookWrite {
	return service.HookWrite{URL: saltmarshHook, Events: []service.EventType{service.EventAuditEnded, service.EventLawChanged}, Note: "stock system of the yard"}
}

func create(t *testing.T, ctx context.Context, h *service.Hooks, w service.HookWrite) service.HookView {
	t.Helper()
	v, err := h.Create(ctx, w)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestHookConfig(t *testing.T) {
	good := []service.HookConfig{
		{},
		{Key: hookKey, Allow: []string{"hooks.example.org", "*.example.org", "HOOKS.example.org:8443", "10.20.0.7", "[fd00::7]:8443", "*.onsite"}},
		{Networks: []netip.Prefix{netip.MustParsePrefix("10.20.0.0/16"), netip.MustParsePrefix("fd00::/8")}, Timeout: service.MaxHookWait},
	}
	for i, c := range good {
		if _, err := service.NewHooks(newHookStore(t), c, newClock().now); err != nil {
			t.Errorf("good configuration %d: %v", i, err)
		}
	}
	secret := base64.StdEncoding.EncodeToString([]byte("thirty-one bytes are too few ..."))[1:]
	for name, c := range map[string]service.HookConfig{
		"short key":      {Key: service.NewSecret(secret)},
		"key no base64":  {Key: service.NewSecret("§" + secret)},
		"scheme":         {Allow: []string{"https://hooks.example.org"}},
		"path":           {Allow: []string{"hooks.example.org/in"}},
		"empty host":     {Allow: []string{""}},
		"every host":     {Allow: []string{"*"}},
		"star inside":    {Allow: []string{"hooks.*.org"}},
		"below nothing":  {Allow: []string{"*."}},
		"below address":  {Allow: []string{"*.10.20.0.7"}},
		"port nought":    {Allow: []string{"hooks.example.org:0"}},
		"port too large": {Allow: []string{"hooks.example.org:65536"}},
		"empty port":     {Allow: []string{"hooks.example.org:"}},
		"a zone":         {Allow: []string{"[fe80::1%25eth0]"}},
		"user":           {Allow: []string{"a@hooks.example.org"}},
		"no network":     {Networks: []netip.Prefix{{}}},
		"mapped network": {Networks: []netip.Prefix{netip.MustParsePrefix("::ffff:10.0.0.0/104")}},
		"negative time":  {Timeout: -1},
		"long time":      {Timeout: service.MaxHookWait + 1},
	} {
		_, err := service.NewHooks(newHookStore(t), c, newClock().now)
		if err == nil {
			t.Errorf("%s: taken", name)
		} else if strings.Contains(err.Error(), secret) {
			t.Errorf("%s: the message has the key: %v", name, err)
		}
	}
}

// TestHookKeyless: without a key every process has one of its own.
func TestHookKeyless(t *testing.T) {
	ctx, seen := operator(t, service.DefaultTenant), map[string]bool{}
	for range 2 {
		h, err := service.NewHooks(newHookStore(t), service.HookConfig{Allow: []string{"hooks.saltmarsh.example"}}, newClock().now)
		if err != nil {
			t.Fatal(err)
		}
		seen[create(t, ctx, h.WithIDs(service.CountedIDs()), saltmarsh()).Secret] = true
	}
	if len(seen) != 2 {
		t.Error("two processes without a key give the same secret")
	}
}

func TestHookRefused(t *testing.T) {
	h, store, _ := hooks(t, service.HookConfig{})
	ctx := operator(t, service.DefaultTenant)
	there := create(t, ctx, h, saltmarsh())
	for name, tt := range map[string]struct {
		change func(*service.HookWrite)
		at     []string
	}{
		"no address":       {func(w *service.HookWrite) { w.URL = "" }, []string{"/url"}},
		"host not allowed": {func(w *service.HookWrite) { w.URL = "https://hooks.tarnvalley.example/" }, []string{"/url"}},
		"no events":        {func(w *service.HookWrite) { w.Events = nil }, []string{"/events"}},
		"unknown event":    {func(w *service.HookWrite) { w.Events = []service.EventType{service.EventLawChanged, "law.mended"} }, []string{"/events/1"}},
		"a ping":           {func(w *service.HookWrite) { w.Events = []service.EventType{service.EventPing} }, []string{"/events/0"}},
		"twice": {func(w *service.HookWrite) {
			w.Events = []service.EventType{service.EventLawChanged, service.EventAuditEnded, service.EventLawChanged}
		}, []string{"/events/2"}},
		"very many":  {func(w *service.HookWrite) { w.Events = make([]service.EventType, 10_000) }, []string{"/events/0", "/events/1", "/events/2", "/events/3", "/events"}},
		"long note":  {func(w *service.HookWrite) { w.Note = strings.Repeat("é", service.MaxHookNote+1) }, []string{"/note"}},
		"two lines":  {func(w *service.HookWrite) { w.Note = "a\nb" }, []string{"/note"}},
		"no UTF-8":   {func(w *service.HookWrite) { w.Note = "\xff" }, []string{"/note"}},
		"everything": {func(w *service.HookWrite) { *w = service.HookWrite{Note: "\x00"} }, []string{"/url", "/events", "/note"}},
	} {
		w := saltmarsh()
		tt.change(&w)
		_, made := h.Create(ctx, w)
		_, changed := h.Change(ctx, there.ID, "", w)
		for _, err := range []error{made, changed} {
			var faults service.Invalid
			if !errors.As(err, &faults) {
				t.Errorf("%s: %v", name, err)
				continue
			}
			var at []string
			for _, f := range faults {
				at = append(at, f.Pointer)
				if f.Code == "" || f.Message == "" || f.Advice == "" {
					t.Errorf("%s: a fault without code, message or advice: %+v", name, f)
				}
			}
			if !reflect.DeepEqual(at, tt.at) {
				t.Errorf("%s: faults at %q, want %q", name, at, tt.at)
			}
		}
	}
	w := saltmarsh()
	w.Note = strings.Repeat("é", service.MaxHookNote)
	create(t, ctx, h, w)
	if list, err := store.ListWebhooks(ctx); err != nil || len(list) != 2 || list[0].ID != there.ID || list[0].Revision != 1 {
		t.Errorf("what was refused changed something: %+v %v", list, err)
	}
}

// TestHookLife creates, changes, rotates and removes a webhook.
func TestHookLife(t *testing.T) {
	h, _, clock := hooks(t, service.HookConfig{})
	ctx := operator(t, service.DefaultTenant)
	made := create(t, ctx, h, saltmarsh())
	if raw, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(made.Secret, "whsec_")); err != nil || len(raw) != 32 || !strings.HasPrefix(made.Secret, "whsec_") {
		t.Errorf("the secret is not whsec_ and the base64 of 32 bytes: %v", err)
	}
	want := service.HookView{ID: made.ID, Revision: 1, CreatedAt: noonKept, CreatedBy: "operator", URL: saltmarshHook, Events: saltmarsh().Events, Note: saltmarsh().Note, RotatedAt: noonKept, Secret: made.Secret}
	if !reflect.DeepEqual(made, want) {
		t.Errorf("made %+v\nwant %+v", made, want)
	}
	want.Secret = ""
	if got, err := h.Get(ctx, made.ID); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, %v\nwant %+v", got, err, want)
	}

	clock.advance(time.Hour)
	w := service.HookWrite{URL: saltmarshHook + "/2", Events: []service.EventType{service.EventImpactEnded}, Paused: true}
	if _, err := h.Change(ctx, made.ID, `"2"`, w); !errors.Is(err, service.ErrStale) {
		t.Errorf("changed what was not seen: %v", err)
	}
	changed, err := h.Change(ctx, made.ID, made.ETag(), w)
	want.Revision, want.URL, want.Events, want.Paused, want.Note = 2, w.URL, w.Events, true, ""
	if err != nil || !reflect.DeepEqual(changed, want) {
		t.Errorf("changed to %+v, %v\nwant %+v", changed, err, want)
	}
	if _, err := h.Rotate(ctx, made.ID, made.ETag()); !errors.Is(err, service.ErrStale) {
		t.Errorf("rotated what was not seen: %v", err)
	}
	rotated, err := h.Rotate(ctx, made.ID, "")
	want.Revision, want.RotatedAt = 3, noonKept.Add(time.Hour)
	if rotated.Secret == "" || rotated.Secret == made.Secret {
		t.Error("the secret is not new")
	}
	rotated.Secret = ""
	if err != nil || !reflect.DeepEqual(rotated, want) {
		t.Errorf("rotated to %+v, %v\nwant %+v", rotated, err, want)
	}

	clock.advance(time.Hour)
	second := create(t, ctx, h, saltmarsh())
	if second.Secret == made.Secret {
		t.Error("two webhooks have one secret")
	}
	second.Secret = ""
	if list, err := h.List(ctx); err != nil || !reflect.DeepEqual(list, []service.HookView{want, second}) {
		t.Errorf("listed %+v, %v", list, err)
	}
	if err := h.Remove(ctx, made.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := h.Get(ctx, made.ID); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("a removed webhook is there: %v", err)
	}
}

// racing is a store in which somebody else is faster a few times.
type racing struct {
	*memory.Store
	left int
}

func (r *racing) PutWebhook(ctx context.Context, w service.Webhook) error {
	if w.Revision > 1 && r.left > 0 {
		r.left--
		other := w
		other.Note = fmt.Sprintf("%d to come", r.left)
		if err := r.Store.PutWebhook(ctx, other); err != nil {
			return err
		}
	}
	return r.Store.PutWebhook(ctx, w)
}

// TestHookRace: without a match what is there is changed, whoever wrote it.
func TestHookRace(t *testing.T) {
	store := &racing{newHookStore(t), 3}
	h := hooksOver(t, store, newClock(), service.HookConfig{})
	ctx := operator(t, service.DefaultTenant)
	made := create(t, ctx, h, saltmarsh())
	got, err := h.Rotate(ctx, made.ID, "")
	if err != nil || got.Revision != 5 || got.Note != "0 to come" {
		t.Errorf("%+v, %v", got, err)
	}
	store.left = 1
	if _, err := h.Rotate(ctx, made.ID, got.ETag()); !errors.Is(err, service.ErrStale) {
		t.Errorf("somebody was faster: %v", err)
	}
}

func TestHooksFull(t *testing.T) {
	h, _, _ := hooks(t, service.HookConfig{})
	ctx := operator(t, service.DefaultTenant)
	for range service.MaxHooks {
		create(t, ctx, h, saltmarsh())
	}
	if _, err := h.Create(ctx, saltmarsh()); !errors.Is(err, service.ErrHooksFull) {
		t.Errorf("one too many: %v", err)
	}
	create(t, operator(t, tarn), h, saltmarsh()) // the other tenant has none
}

// asks are all use cases of callers on a webhook and one of its deliveries; on is
// whether they need webhooks to be set up.
var asks = map[string]struct {
	on bool
	do func(ctx context.Context, h *service.Hooks, id, delivery string) error
}{
	"create": {true, func(ctx context.Context, h *service.Hooks, _, _ string) error {
		_, err := h.Create(ctx, saltmarsh())
		return err
	}},
	"change": {true, func(ctx context.Context, h *service.Hooks, id, _ string) error {
		_, err := h.Change(ctx, id, "", saltmarsh())
		return err
	}},
	"get":    {false, func(ctx context.Context, h *service.Hooks, id, _ string) error { _, err := h.Get(ctx, id); return err }},
	"list":   {false, func(ctx context.Context, h *service.Hooks, _, _ string) error { _, err := h.List(ctx); return err }},
	"remove": {false, func(ctx context.Context, h *service.Hooks, id, _ string) error { return h.Remove(ctx, id) }},
	"rotate": {true, func(ctx context.Context, h *service.Hooks, id, _ string) error {
		_, err := h.Rotate(ctx, id, "")
		return err
	}},
	"ping": {true, func(ctx context.Context, h *service.Hooks, id, _ string) error { _, err := h.Ping(ctx, id); return err }},
	"deliveries": {false, func(ctx context.Context, h *service.Hooks, id, _ string) error {
		_, err := h.Deliveries(ctx, id, "", 0)
		return err
	}},
	"delivery": {false, func(ctx context.Context, h *service.Hooks, id, d string) error {
		_, err := h.Delivery(ctx, id, d)
		return err
	}},
	"replay": {true, func(ctx context.Context, h *service.Hooks, id, d string) error {
		_, err := h.Replay(ctx, id, d)
		return err
	}},
}

func TestHookScopes(t *testing.T) {
	for name, ask := range asks {
		h, store, clock := hooks(t, service.HookConfig{})
		admin := with(t, service.ScopeAdmin)
		id := create(t, admin, h, saltmarsh()).ID
		d, err := h.Ping(admin, id)
		if err != nil {
			t.Fatal(err)
		}
		var missing *service.MissingScope
		others := with(t, service.ScopeAssess, service.ScopeRead, service.ScopeFit, service.ScopeFleet, service.ScopeAudit, service.ScopeAuthor, service.ScopeApprove)
		if err := ask.do(others, h, id, d.ID); !errors.As(err, &missing) || missing.Scope != service.ScopeAdmin {
			t.Errorf("%s without admin: %v", name, err)
		}
		if err := ask.do(t.Context(), h, id, d.ID); !errors.Is(err, service.ErrUnauthenticated) {
			t.Errorf("%s by nobody: %v", name, err)
		}
		if err := ask.do(operator(t, tarn), h, id, d.ID); name != "create" && name != "list" && !errors.Is(err, service.ErrNotFound) {
			t.Errorf("%s by another tenant: %v", name, err)
		}
		off := hooksOver(t, store, clock, service.HookConfig{Allow: []string{}})
		if err := ask.do(admin, off, id, d.ID); errors.Is(err, service.ErrHooksOff) != ask.on || err != nil && !ask.on {
			t.Errorf("%s where nobody may be told: %v", name, err)
		}
		if name == "remove" {
			continue
		}
		if err := ask.do(admin, h, id, d.ID); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestHookTenants: nothing of one tenant is in the lists of another, and a webhook
// of the same id has another secret.
func TestHookTenants(t *testing.T) {
	store, clock := newHookStore(t), newClock()
	secrets := map[string]bool{}
	for _, tenant := range []string{service.DefaultTenant, tarn} {
		h := hooksOver(t, store, clock, service.HookConfig{}) // ids count from one
		secrets[create(t, operator(t, tenant), h, saltmarsh()).Secret] = true
		if list, err := h.List(operator(t, tenant)); err != nil || len(list) != 1 {
			t.Errorf("tenant %s has %d webhooks, %v", tenant, len(list), err)
		}
	}
	if len(secrets) != 2 {
		t.Error("two tenants have one secret")
	}
}

// sentTo are the deliveries of a webhook, newest first.
func sentTo(t *testing.T, ctx context.Context, h *service.Hooks, id string) []service.DeliveryView {
	t.Helper()
	page, err := h.Deliveries(ctx, id, "", service.MaxLimit)
	if err != nil {
		t.Fatal(err)
	}
	return page.Items
}

// TestEvents: an event goes once to each webhook that asks for its type.
func TestEvents(t *testing.T) {
	h, store, clock := hooks(t, service.HookConfig{})
	ctx, other := operator(t, service.DefaultTenant), operator(t, tarn)
	a := create(t, ctx, h, saltmarsh()).ID
	w := saltmarsh()
	w.Events = []service.EventType{service.EventImpactEnded}
	b := create(t, ctx, h, w).ID
	w = saltmarsh()
	w.Paused = true
	c := create(t, ctx, h, w).ID
	theirs := create(t, other, h, saltmarsh()).ID

	e := service.NewEvents(store, clock.now).WithIDs(func() func() string {
		next := service.CountedIDs()
		return func() string { return "D" + next()[1:] }
	}())
	anybody := service.WithCaller(t.Context(), service.Caller{Tenant: service.DefaultTenant, Subject: service.JobSubject})
	for range 3 {
		if err := e.Tell(anybody, service.EventAuditEnded, "Q1", map[string]string{"audit": "Q1 <A&B>"}); err != nil {
			t.Fatal(err)
		}
		clock.advance(time.Minute)
	}
	for id, n := range map[string]int{a: 1, b: 0, c: 0} {
		if got := len(sentTo(t, ctx, h, id)); got != n {
			t.Errorf("webhook %s was told %d times, want %d", id, got, n)
		}
	}
	if n := len(sentTo(t, other, h, theirs)); n != 0 {
		t.Errorf("another tenant was told %d times", n)
	}
	// The form of the text that is hashed: each part with its length.
	sum := sha256.Sum256([]byte("36:" + service.DefaultTenant + "\n11:audit.ended\n2:Q1\n"))
	event := base32.StdEncoding.EncodeToString(sum[:])[:26]
	want := service.DeliveryView{
		ID: sentTo(t, ctx, h, a)[0].ID, Event: event, Type: service.EventAuditEnded, CreatedAt: noonKept, State: service.DeliveryPending, Attempts: []service.AttemptView{},
		Body: json.RawMessage(`{"id":"` + event + `","type":"audit.ended","at":"` + noonText + `","data":{"audit":"Q1 <A&B>"}}`),
	}
	if got := sentTo(t, ctx, h, a)[0]; !reflect.DeepEqual(got, want) {
		t.Errorf("told %+v\n%s\nwant %+v\n%s", got, got.Body, want, want.Body)
	}

	// Another key, type or tenant is another event.
	for _, tell := range []struct {
		ctx context.Context
		typ service.EventType
		key string
	}{{ctx, service.EventAuditEnded, "Q2"}, {ctx, service.EventLawChanged, "Q1"}, {other, service.EventAuditEnded, "Q1"}} {
		if err := e.Tell(tell.ctx, tell.typ, tell.key, nil); err != nil {
			t.Fatal(err)
		}
	}
	ids := map[string]bool{}
	for _, d := range append(sentTo(t, ctx, h, a), sentTo(t, other, h, theirs)...) {
		ids[d.Event] = true
	}
	if len(ids) != 4 {
		t.Errorf("%d events, want 4", len(ids))
	}
}

func TestEventRefused(t *testing.T) {
	h, store, clock := hooks(t, service.HookConfig{})
	ctx := operator(t, service.DefaultTenant)
	id := create(t, ctx, h, saltmarsh()).ID
	e := service.NewEvents(store, clock.now)
	var none *service.Events
	if err := none.Tell(t.Context(), service.EventLawChanged, "1", nil); err != nil {
		t.Errorf("nobody to tell: %v", err)
	}
	if err := e.Tell(t.Context(), service.EventLawChanged, "1", nil); !errors.Is(err, service.ErrUnauthenticated) {
		t.Errorf("told by nobody: %v", err)
	}
	if err := e.Tell(ctx, service.EventLawChanged, "1", func() {}); err == nil {
		t.Error("told what is no JSON")
	}
	if err := e.Tell(ctx, service.EventLawChanged, "1", strings.Repeat("x", service.MaxEventBody)); err == nil {
		t.Error("told more than may be")
	}
	if n := len(sentTo(t, ctx, h, id)); n != 0 {
		t.Errorf("%d deliveries of what was refused", n)
	}
	// As much as may be: what stands around the data is counted here.
	around := len(`{"id":"","type":"law.changed","at":"` + noonText + `","data":""}`)
	room := service.MaxEventBody - around - 26
	if err := e.Tell(ctx, service.EventLawChanged, "1", strings.Repeat("x", room+1)); err == nil {
		t.Error("told one byte more than may be")
	}
	if err := e.Tell(ctx, service.EventLawChanged, "1", strings.Repeat("x", room)); err != nil {
		t.Errorf("as much as may be: %v", err)
	}
}

// failing is a store that cannot take deliveries of one webhook.
type failing struct {
	*memory.Store
	hook string
	err  error
}

func (f failing) PutDelivery(ctx context.Context, d service.Delivery) (bool, error) {
	if d.Webhook == f.hook {
		return false, f.err
	}
	return f.Store.PutDelivery(ctx, d)
}

// TestEventPartly: what one webhook cannot be told is told to the others, and the
// rest when it is told again.
func TestEventPartly(t *testing.T) {
	h, store, clock := hooks(t, service.HookConfig{})
	ctx := operator(t, service.DefaultTenant)
	a, b := create(t, ctx, h, saltmarsh()).ID, create(t, ctx, h, saltmarsh()).ID
	if err := service.NewEvents(failing{store, a, service.ErrUnavailable}, clock.now).Tell(ctx, service.EventLawChanged, "1", nil); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("the store is away: %v", err)
	}
	if err := service.NewEvents(failing{store, a, service.ErrNotFound}, clock.now).Tell(ctx, service.EventLawChanged, "1", nil); err != nil {
		t.Errorf("a webhook was removed meanwhile: %v", err)
	}
	if n, m := len(sentTo(t, ctx, h, a)), len(sentTo(t, ctx, h, b)); n != 0 || m != 1 {
		t.Errorf("told %d and %d times, want 0 and 1", n, m)
	}
	if err := service.NewEvents(store, clock.now).Tell(ctx, service.EventLawChanged, "1", nil); err != nil {
		t.Fatal(err)
	}
	if n, m := len(sentTo(t, ctx, h, a)), len(sentTo(t, ctx, h, b)); n != 1 || m != 1 {
		t.Errorf("told %d and %d times, want 1 and 1", n, m)
	}
}

func TestPingAndReplay(t *testing.T) {
	h, _, clock := hooks(t, service.HookConfig{})
	ctx := operator(t, service.DefaultTenant)
	a, b := create(t, ctx, h, saltmarsh()).ID, create(t, ctx, h, saltmarsh()).ID
	ping, err := h.Ping(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	body := `{"id":"` + ping.Event + `","type":"ping","at":"` + noonText + `","data":{"webhook":"` + a + `"}}`
	if ping.Type != service.EventPing || ping.State != service.DeliveryPending || string(ping.Body) != body {
		t.Errorf("a ping is %+v with %s", ping, ping.Body)
	}
	if another, err := h.Ping(ctx, a); err != nil || another.Event == ping.Event {
		t.Errorf("a second ping is the first: %v", err)
	}
	clock.advance(time.Minute)
	again, err := h.Replay(ctx, a, ping.ID)
	want := ping
	want.ID, want.ReplayOf, want.CreatedAt = again.ID, ping.ID, noonKept.Add(time.Minute)
	if err != nil || again.ID == ping.ID || !reflect.DeepEqual(again, want) {
		t.Errorf("replayed %+v, %v\nwant %+v", again, err, want)
	}
	if got, err := h.Delivery(ctx, a, again.ID); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("kept %+v, %v\nwant %+v", got, err, want)
	}
	if _, err := h.Replay(ctx, a, ping.ID); err != nil {
		t.Errorf("replayed twice: %v", err)
	}
	for _, id := range []string{b, "nobody"} {
		if _, err := h.Delivery(ctx, id, ping.ID); !errors.Is(err, service.ErrNotFound) {
			t.Errorf("the delivery of another webhook: %v", err)
		}
		if _, err := h.Replay(ctx, id, ping.ID); !errors.Is(err, service.ErrNotFound) {
			t.Errorf("replayed for another webhook: %v", err)
		}
	}
}

func TestDeliveryPages(t *testing.T) {
	h, _, clock := hooks(t, service.HookConfig{})
	ctx := operator(t, service.DefaultTenant)
	id := create(t, ctx, h, saltmarsh()).ID
	var want []string
	for i := range 7 {
		d, err := h.Ping(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		want = append([]string{d.ID}, want...)
		clock.advance(time.Duration(i%2) * time.Second) // some have one time
	}
	var got []string
	for next := ""; ; {
		page, err := h.Deliveries(ctx, id, next, 3)
		if err != nil || len(page.Items) > 3 {
			t.Fatalf("a page of %d, %v", len(page.Items), err)
		}
		for _, d := range page.Items {
			got = append(got, d.ID)
		}
		if next = page.Next; next == "" {
			break
		}
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("paged %q\nwant  %q", got, want)
	}
	if _, err := h.Deliveries(ctx, id, "?", 3); !errors.Is(err, service.ErrCursor) {
		t.Errorf("no cursor: %v", err)
	}
	if _, err := h.Deliveries(ctx, "nobody", "", 3); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("no webhook: %v", err)
	}
}
