package service

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"

	"drawgear/rules/rig"
)

// Limits of webhooks.
const (
	MaxHooks     = 10          // webhooks of a tenant
	MaxHookURL   = 2048        // bytes of an address
	MaxHookNote  = 200         // characters of a note
	MaxEventBody = 16 << 10    // bytes of what is sent
	MaxHookWait  = time.Minute // longest HookConfig.Timeout

	hookWait = 10 * time.Second // HookConfig.Timeout if none is given
)

// Errors of webhooks.
var (
	// ErrHooksOff: no host may be told, so there are no webhooks here.
	ErrHooksOff = errors.New("webhooks are not set up here")
	// ErrHooksFull: the tenant has MaxHooks webhooks.
	ErrHooksFull = errors.New("the tenant has as many webhooks as it may")
)

// HookConfig says how webhooks are told, and which hosts may be.
type HookConfig struct {
	// Key is what the secrets of webhooks are derived from: 32 bytes in base64. If
	// it is empty one is made that ends with the process, and with it all secrets:
	// that is for a store that ends with the process, too.
	Key Secret
	// Allow lists the hosts that may be told: hooks.example.org, or *.example.org
	// for every name below it, each with :port unless that is 443. Nobody is told if
	// it is empty.
	Allow []string
	// Networks are addresses that may be told beside public ones.
	Networks []netip.Prefix
	// Plain lets addresses be http://, on closed networks and in tests. What is sent
	// can be read on the way then.
	Plain bool
	// Timeout is for one sending as a whole, MaxHookWait at most; 10 s if 0.
	Timeout time.Duration
}

// HookView is a webhook as it is shown. Secret is there only when it is new.
type HookView struct {
	ID        string      `json:"id"`
	Revision  int         `json:"revision"`
	CreatedAt time.Time   `json:"created_at"`
	CreatedBy string      `json:"created_by"`
	URL       string      `json:"url"`
	Events    []EventType `json:"events"`
	Paused    bool        `json:"paused"`
	Note      string      `json:"note,omitempty"`
	RotatedAt time.Time   `json:"rotated_at"`
	Secret    string      `json:"secret,omitempty"`
}

// ETag tells the webhook from what it was before and will be.
func (h HookView) ETag() string { return fittingTag(h.Revision) }

// HookWrite is what is written of a webhook.
type HookWrite struct {
	URL    string      `json:"url"`
	Events []EventType `json:"events"`
	Paused bool        `json:"paused,omitempty"`
	Note   string      `json:"note,omitempty"`
}

// DeliveryView is a delivery as it is shown.
type DeliveryView struct {
	ID        string          `json:"id"`
	Event     string          `json:"event"`
	Type      EventType       `json:"type"`
	CreatedAt time.Time       `json:"created_at"`
	State     DeliveryState   `json:"state"`
	ReplayOf  string          `json:"replay_of,omitempty"`
	Attempts  []AttemptView   `json:"attempts"`
	Body      json.RawMessage `json:"body"`
}

// AttemptView is an attempt as it is shown.
type AttemptView struct {
	At     time.Time `json:"at"`
	TookMS int64     `json:"took_ms"`
	Status int       `json:"status,omitempty"`
	Fault  string    `json:"fault,omitempty"`
}

// DeliveryPage is a part of the deliveries of a webhook.
type DeliveryPage struct {
	Items []DeliveryView `json:"items"`
	Next  string         `json:"next,omitempty"`
}

// Hooks carries out the use cases of webhooks. It is safe for concurrent use.
//
// Callers need ScopeAdmin for everything but Carry, which is for workers.
type Hooks struct {
	store  Webhooks
	key    []byte
	may    hookRules
	client *http.Client
	now    func() time.Time
	ids    func() string
}

// NewHooks returns the use cases over a store. It fails if the configuration
// cannot be meant.
func NewHooks(store Webhooks, c HookConfig, now func() time.Time) (*Hooks, error) {
	key, err := hookKey(c.Key)
	if err != nil {
		return nil, err
	}
	may, err := newHookRules(c)
	if err != nil {
		return nil, err
	}
	if c.Timeout == 0 {
		c.Timeout = hookWait
	}
	if c.Timeout < 0 || c.Timeout > MaxHookWait {
		return nil, fmt.Errorf("the time for telling a webhook is %v: it must be above 0 and at most %v", c.Timeout, MaxHookWait)
	}
	client := hookClient(may, new(net.Dialer), c.Timeout)
	return &Hooks{store: store, key: key, may: may, client: client, now: now, ids: RandomID}, nil
}

func hookKey(text Secret) ([]byte, error) {
	if text.Reveal() == "" {
		key := make([]byte, hookKeyLen)
		rand.Read(key) // never fails
		return key, nil
	}
	key, err := base64.StdEncoding.Strict().DecodeString(text.Reveal())
	if err != nil || len(key) != hookKeyLen { // the text is not for messages
		return nil, fmt.Errorf("the key of webhooks is not %d bytes in base64, as `openssl rand -base64 %d` writes them", hookKeyLen, hookKeyLen)
	}
	return key, nil
}

// WithIDs returns the use cases with ids from elsewhere than RandomID.
func (h *Hooks) WithIDs(next func() string) *Hooks {
	other := *h
	other.ids = next
	return &other
}

// admin fails unless the caller may set up webhooks; with on, also if there are
// none here.
func (h *Hooks) admin(ctx context.Context, on bool) error {
	if err := need(ctx, ScopeAdmin); err != nil {
		return err
	}
	if on && len(h.may.hosts) == 0 {
		return ErrHooksOff
	}
	return nil
}

// Create keeps a webhook and gives its secret, this once. What is wrong with it
// is told as Invalid. It fails with ErrHooksFull if the tenant has MaxHooks.
func (h *Hooks) Create(ctx context.Context, w HookWrite) (HookView, error) {
	if err := h.admin(ctx, true); err != nil {
		return HookView{}, err
	}
	if faults := h.check(w); faults != nil {
		return HookView{}, faults
	}
	there, err := h.store.ListWebhooks(ctx)
	if err != nil {
		return HookView{}, fmt.Errorf("count webhooks: %w", err)
	}
	if len(there) >= MaxHooks {
		return HookView{}, ErrHooksFull
	}
	now := h.time()
	kept := Webhook{ID: h.ids(), Revision: 1, CreatedAt: now, CreatedBy: subject(ctx), Generation: 1, RotatedAt: now}
	w.into(&kept)
	if err := h.store.PutWebhook(ctx, kept); err != nil {
		return HookView{}, fmt.Errorf("keep a webhook: %w", err)
	}
	return h.withSecret(ctx, kept)
}

// check finds what is wrong with what is written of a webhook.
func (h *Hooks) check(w HookWrite) (faults Invalid) {
	if _, fault := h.may.target(w.URL); fault != nil {
		faults = append(faults, *fault)
	}
	if len(w.Events) == 0 {
		faults = append(faults, rig.Issue{Pointer: "/events", Code: rig.CodeBadValue, Message: "the webhook asks for no events", Advice: "Name at least one of " + eventWords() + "."})
	}
	for i, e := range w.Events {
		switch at := fmt.Sprintf("/events/%d", i); {
		case i > len(EventTypes): // more faults would tell nothing new
			return append(faults, rig.Issue{Pointer: "/events", Code: rig.CodeLimit, Message: "there are more events than kinds of them", Advice: "Name each once."})
		case !slices.Contains(EventTypes, e):
			faults = append(faults, rig.Issue{Pointer: at, Code: rig.CodeBadValue, Message: "there is no such event to ask for", Advice: "Known are " + eventWords() + "."})
		case slices.Contains(w.Events[:i], e):
			faults = append(faults, rig.Issue{Pointer: at, Code: rig.CodeContradiction, Message: "the event stands twice", Advice: "Name it once."})
		}
	}
	if !oneLine(w.Note, MaxHookNote) {
		faults = append(faults, rig.Issue{
			Pointer: "/note", Code: rig.CodeBadValue, Message: "the note is too long, or has control characters",
			Advice: fmt.Sprintf("Say in at most %d characters on one line what the webhook is for.", MaxHookNote),
		})
	}
	return faults
}

func eventWords() string {
	words := make([]string, len(EventTypes))
	for i, e := range EventTypes {
		words[i] = string(e)
	}
	return strings.Join(words, ", ")
}

// into writes it over what is kept.
func (w HookWrite) into(kept *Webhook) {
	kept.URL, kept.Events, kept.Paused, kept.Note = w.URL, slices.Clone(w.Events), w.Paused, w.Note
}

// time is now, in what stores keep.
func (h *Hooks) time() time.Time { return storedTime(h.now()) }

// Change replaces what is written of a webhook; match is its ETag, or empty. The
// secret stays. It fails with ErrStale if match is of a revision before.
func (h *Hooks) Change(ctx context.Context, id, match string, w HookWrite) (HookView, error) {
	if err := h.admin(ctx, true); err != nil {
		return HookView{}, err
	}
	if faults := h.check(w); faults != nil {
		return HookView{}, faults
	}
	kept, err := h.revise(ctx, id, match, func(kept *Webhook) bool {
		w.into(kept)
		return true
	})
	if err != nil {
		return HookView{}, err
	}
	return viewOf(kept), nil
}

// Rotate gives a new secret. For a day signatures are made with the old one too;
// rotating again within that day ends the one before it at once.
func (h *Hooks) Rotate(ctx context.Context, id, match string) (HookView, error) {
	if err := h.admin(ctx, true); err != nil {
		return HookView{}, err
	}
	kept, err := h.revise(ctx, id, match, func(w *Webhook) bool {
		w.Generation++
		w.RotatedAt = h.time()
		return true
	})
	if err != nil {
		return HookView{}, err
	}
	return h.withSecret(ctx, kept)
}

// revise keeps the next revision of a webhook unless change says that there is
// nothing to change. Without match it is made of whatever is there.
func (h *Hooks) revise(ctx context.Context, id, match string, change func(*Webhook) bool) (Webhook, error) {
	for {
		w, err := h.store.GetWebhook(ctx, id)
		if err != nil {
			return Webhook{}, fmt.Errorf("get a webhook: %w", err)
		}
		if match != "" && !matches(match, fittingTag(w.Revision)) {
			return Webhook{}, fmt.Errorf("webhook %s: %w", id, ErrStale)
		}
		if !change(&w) {
			return w, nil
		}
		w.Revision++
		err = h.store.PutWebhook(ctx, w)
		switch {
		case err == nil:
			return w, nil
		case match != "" || !errors.Is(err, ErrStale) || ctx.Err() != nil:
			return Webhook{}, fmt.Errorf("keep a webhook: %w", err)
		}
	}
}

func viewOf(w Webhook) HookView {
	return HookView{
		ID: w.ID, Revision: w.Revision, CreatedAt: w.CreatedAt.UTC(), CreatedBy: w.CreatedBy, URL: w.URL, Events: w.Events,
		Paused: w.Paused, Note: w.Note, RotatedAt: w.RotatedAt.UTC(),
	}
}

func (h *Hooks) withSecret(ctx context.Context, w Webhook) (HookView, error) {
	tenant, err := TenantOf(ctx)
	if err != nil {
		return HookView{}, err
	}
	v := viewOf(w)
	v.Secret = secretText(hookSecret(h.key, tenant, w.ID, w.Generation))
	return v, nil
}

// Get returns a webhook.
func (h *Hooks) Get(ctx context.Context, id string) (HookView, error) {
	if err := h.admin(ctx, false); err != nil {
		return HookView{}, err
	}
	w, err := h.store.GetWebhook(ctx, id)
	if err != nil {
		return HookView{}, fmt.Errorf("get a webhook: %w", err)
	}
	return viewOf(w), nil
}

// List returns the webhooks of the tenant, oldest first.
func (h *Hooks) List(ctx context.Context) ([]HookView, error) {
	if err := h.admin(ctx, false); err != nil {
		return nil, err
	}
	kept, err := h.store.ListWebhooks(ctx)
	if err != nil {
		return nil, fmt.Errorf("list webhooks: %w", err)
	}
	out := make([]HookView, len(kept))
	for i, w := range kept {
		out[i] = viewOf(w)
	}
	return out, nil
}

// Remove removes a webhook and its deliveries.
func (h *Hooks) Remove(ctx context.Context, id string) error {
	if err := h.admin(ctx, false); err != nil {
		return err
	}
	if err := h.store.RemoveWebhook(ctx, id); err != nil {
		return fmt.Errorf("remove a webhook: %w", err)
	}
	return nil
}

// Ping sends an event of type EventPing.
func (h *Hooks) Ping(ctx context.Context, id string) (DeliveryView, error) {
	if err := h.admin(ctx, true); err != nil {
		return DeliveryView{}, err
	}
	w, err := h.store.GetWebhook(ctx, id)
	if err != nil {
		return DeliveryView{}, fmt.Errorf("get a webhook: %w", err)
	}
	now, event := h.time(), h.ids()
	body, err := eventBody(event, EventPing, now, map[string]string{"webhook": w.ID})
	if err != nil {
		return DeliveryView{}, err
	}
	return h.put(ctx, Delivery{ID: h.ids(), Webhook: w.ID, Event: event, Type: EventPing, CreatedAt: now, Body: body, State: DeliveryPending})
}

func (h *Hooks) put(ctx context.Context, d Delivery) (DeliveryView, error) {
	if _, err := h.store.PutDelivery(ctx, d); err != nil {
		return DeliveryView{}, fmt.Errorf("keep a delivery: %w", err)
	}
	return deliveryView(d), nil
}

// Deliveries returns what was sent or is to be, newest first. limit is 1 to
// MaxLimit, or 0 for DefaultLimit; cursor is Next of the page before, or empty.
func (h *Hooks) Deliveries(ctx context.Context, id, cursor string, limit int) (DeliveryPage, error) {
	if err := h.admin(ctx, false); err != nil {
		return DeliveryPage{}, err
	}
	if _, err := h.store.GetWebhook(ctx, id); err != nil {
		return DeliveryPage{}, fmt.Errorf("get a webhook: %w", err)
	}
	page, err := paged(limit, cursor, func(after *Position, limit int) ([]Delivery, error) {
		items, err := h.store.ListDeliveries(ctx, id, after, limit)
		if err != nil {
			return nil, fmt.Errorf("list deliveries: %w", err)
		}
		return items, nil
	})
	if err != nil {
		return DeliveryPage{}, err
	}
	out := DeliveryPage{Items: make([]DeliveryView, len(page.Items)), Next: page.Next}
	for i, d := range page.Items {
		out.Items[i] = deliveryView(d)
	}
	return out, nil
}

func deliveryView(d Delivery) DeliveryView {
	v := DeliveryView{
		ID: d.ID, Event: d.Event, Type: d.Type, CreatedAt: d.CreatedAt.UTC(), State: d.State, ReplayOf: d.ReplayOf,
		Attempts: make([]AttemptView, len(d.Attempts)), Body: d.Body,
	}
	for i, a := range d.Attempts {
		v.Attempts[i] = AttemptView{At: a.At.UTC(), TookMS: a.Took.Milliseconds(), Status: a.Status, Fault: a.Fault}
	}
	return v
}

// Delivery returns one.
func (h *Hooks) Delivery(ctx context.Context, id, delivery string) (DeliveryView, error) {
	if err := h.admin(ctx, false); err != nil {
		return DeliveryView{}, err
	}
	d, err := h.delivery(ctx, id, delivery)
	if err != nil {
		return DeliveryView{}, err
	}
	return deliveryView(d), nil
}

// delivery is one of the webhook that is named.
func (h *Hooks) delivery(ctx context.Context, id, delivery string) (Delivery, error) {
	d, err := h.store.GetDelivery(ctx, delivery)
	if err == nil && d.Webhook != id {
		err = ErrNotFound
	}
	if err != nil {
		return Delivery{}, fmt.Errorf("get a delivery: %w", err)
	}
	return d, nil
}

// Replay sends what a delivery held once more, as a new delivery of the same
// event, byte for byte.
func (h *Hooks) Replay(ctx context.Context, id, delivery string) (DeliveryView, error) {
	if err := h.admin(ctx, true); err != nil {
		return DeliveryView{}, err
	}
	d, err := h.delivery(ctx, id, delivery)
	if err != nil {
		return DeliveryView{}, err
	}
	return h.put(ctx, Delivery{
		ID: h.ids(), Webhook: d.Webhook, Event: d.Event, Type: d.Type, CreatedAt: h.time(), Body: d.Body, State: DeliveryPending, ReplayOf: d.ID,
	})
}

// Events tells the webhooks of a tenant what happened.
type Events struct {
	store Webhooks
	now   func() time.Time
	ids   func() string
}

// NewEvents returns them over a store.
func NewEvents(store Webhooks, now func() time.Time) *Events { return &Events{store, now, RandomID} }

// WithIDs returns them with ids of deliveries from elsewhere than RandomID.
func (e *Events) WithIDs(next func() string) *Events { return &Events{e.store, e.now, next} }

// Tell puts an event on its way to every webhook of the caller's tenant that asks
// for its type. key names what happened: the same key again changes nothing, so
// that it can be told again by whoever does not know whether it was. data is
// encoded as JSON, and fails if that is more than MaxEventBody with what stands
// around it. On nil it does nothing.
func (e *Events) Tell(ctx context.Context, typ EventType, key string, data any) error {
	if e == nil {
		return nil
	}
	tenant, err := TenantOf(ctx)
	if err != nil {
		return err
	}
	hooks, err := e.store.ListWebhooks(ctx)
	if err != nil {
		return fmt.Errorf("list webhooks: %w", err)
	}
	hooks = slices.DeleteFunc(hooks, func(w Webhook) bool { return w.Paused || !slices.Contains(w.Events, typ) })
	now, event := storedTime(e.now()), eventID(tenant, typ, key)
	body, err := eventBody(event, typ, now, data)
	if err != nil {
		return err
	}
	var failed []error
	for _, w := range hooks {
		_, err := e.store.PutDelivery(ctx, Delivery{ID: e.ids(), Webhook: w.ID, Event: event, Type: typ, CreatedAt: now, Body: body, State: DeliveryPending})
		if err != nil && !errors.Is(err, ErrNotFound) { // one that was removed meanwhile asks for nothing
			failed = append(failed, fmt.Errorf("tell webhook %s: %w", w.ID, err))
		}
	}
	return errors.Join(failed...)
}

// eventID is the id of what happened to a tenant, of the form of RandomID: the
// same however often it is told.
func eventID(tenant string, typ EventType, key string) string {
	sum := sha256.Sum256(fields(tenant, string(typ), key))
	return base32.StdEncoding.EncodeToString(sum[:])[:eventIDLen]
}

const eventIDLen = 26 // letters of five bits each

// eventBody is what a receiver gets.
func eventBody(id string, typ EventType, at time.Time, data any) ([]byte, error) {
	body, err := encode(struct {
		ID   string    `json:"id"`
		Type EventType `json:"type"`
		At   time.Time `json:"at"`
		Data any       `json:"data"`
	}{id, typ, at, data})
	if err != nil {
		return nil, fmt.Errorf("write an event %s: %w", typ, err)
	}
	if len(body) > MaxEventBody {
		return nil, fmt.Errorf("write an event %s: it has %d bytes, more than %d", typ, len(body), MaxEventBody)
	}
	return body, nil
}
