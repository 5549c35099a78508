package api_test

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/service"
)

// hookHost is a host that may be told.
const hookHost = "hooks.saltmarsh.example"

func newHooks(t testing.TB, st service.Webhooks, c service.HookConfig) *service.Hooks {
	t.Helper()
	hooks, err := service.NewHooks(st, c, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	return hooks
}

// telling is a service that tells webhooks.
type telling struct {
	auditing
	hooks *service.Hooks
}

func newTelling(t testing.TB, st recordStore, c service.HookConfig) telling {
	t.Helper()
	w := telling{hooks: newHooks(t, st, c)}
	w.auditing = newAuditing(t, st, func(cfg *api.Config) {
		cfg.Hooks = w.hooks
		cfg.Audits = service.NewAuditor(cfg.Service, st, service.NewEvents(st, time.Now))
	})
	return w
}

// hook sets one up that asks for all events.
func (w telling) hook(t testing.TB, at string) (path string, view service.HookView) {
	t.Helper()
	r := wantStatus(t, "set up", w.call(t, "POST", "/v1/webhooks", fmt.Sprintf(`{"url":%q,"events":["audit.ended","law.changed","impact.ended"]}`, at)), 201)
	return r.Header.Get("Location"), decode[service.HookView](t, r)
}

var allowed = service.HookConfig{Allow: []string{hookHost, "*.tarn.example:8443"}}

// TestWebhookLife takes a webhook from its first day to its last.
func TestWebhookLife(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		w := newTelling(t, st, allowed)
		made := wantStatus(t, "set up", w.call(t, "POST", "/v1/webhooks", `{"url":"https://hooks.saltmarsh.example/drawgear?yard=1","events":["audit.ended"],"note":"Office"}`), 201)
		first := decode[service.HookView](t, made)
		at := made.Header.Get("Location")
		if at != "/v1/webhooks/"+first.ID || made.Header.Get("ETag") != `"1"` || first.Revision != 1 || first.Paused || first.Note != "Office" ||
			!slices.Equal(first.Events, []service.EventType{service.EventAuditEnded}) || first.URL != "https://hooks.saltmarsh.example/drawgear?yard=1" {
			t.Errorf("set up at %s, %s, as %+v", at, made.Header.Get("ETag"), first)
		}
		if raw, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(first.Secret, "whsec_")); err != nil || len(raw) != 32 {
			t.Errorf("the secret %q is not 32 bytes in base64 after whsec_: %v", first.Secret, err)
		}
		read := wantStatus(t, "read", w.call(t, "GET", at, ""), 200)
		if v := decode[service.HookView](t, read); v.Secret != "" || read.Header.Get("ETag") != `"1"` || v.ID != first.ID {
			t.Errorf("read as %s, tag %s", read.Body, read.Header.Get("ETag"))
		}
		second, _ := w.hook(t, "https://a.tarn.example:8443/")
		list := wantStatus(t, "list", w.call(t, "GET", "/v1/webhooks", ""), 200)
		if items := decode[service.All[service.HookView]](t, list).Items; len(items) != 2 || items[0].ID != first.ID || "/v1/webhooks/"+items[1].ID != second || strings.Contains(string(list.Body), "whsec_") {
			t.Errorf("listed as %s", list.Body)
		}

		const other = `{"url":"https://hooks.saltmarsh.example/other","events":["law.changed","impact.ended"],"paused":true}`
		wantProblem(t, "change of another revision", w.call(t, "PUT", at, other, header{"If-Match", `"7"`}), 412, "stale")
		changed := wantStatus(t, "change", w.call(t, "PUT", at, other, match(read)), 200)
		if v := decode[service.HookView](t, changed); v.Revision != 2 || changed.Header.Get("ETag") != `"2"` || !v.Paused || v.Note != "" || v.Secret != "" || len(v.Events) != 2 {
			t.Errorf("changed to %s, tag %s", changed.Body, changed.Header.Get("ETag"))
		}
		wantProblem(t, "change of what was seen before", w.call(t, "PUT", at, other, match(read)), 412, "stale")
		wantProblem(t, "new secret of what was seen before", w.call(t, "POST", at+"/rotate", "", match(read)), 412, "stale")
		rotated := wantStatus(t, "new secret", w.call(t, "POST", at+"/rotate", "", match(changed)), 200)
		if v := decode[service.HookView](t, rotated); v.Revision != 3 || v.Secret == "" || v.Secret == first.Secret || v.URL != "https://hooks.saltmarsh.example/other" || !v.Paused {
			t.Errorf("with a new secret it is %s", rotated.Body)
		}
		wantStatus(t, "change without a tag", w.call(t, "PUT", at, other), 200)
		wantStatus(t, "remove", w.call(t, "DELETE", at, ""), 204)
		for target, method := range map[string]string{
			at: "GET", at + "?": "DELETE", at + "/deliveries": "GET", at + "/ping": "POST", at + "/rotate": "POST",
		} {
			wantProblem(t, method+" what is removed", w.call(t, method, target, ""), 404, "not-found")
		}
		wantProblem(t, "change what is removed", w.call(t, "PUT", at, other), 404, "not-found")
		if items := decode[service.All[service.HookView]](t, w.call(t, "GET", "/v1/webhooks", "")).Items; len(items) != 1 {
			t.Errorf("left are %+v", items)
		}
	})
}

// TestWebhookBodies refuses what may not be told, with the place of each fault, and
// changes nothing.
func TestWebhookBodies(t *testing.T) {
	w := newTelling(t, memory.New(0), allowed)
	at, _ := w.hook(t, "https://hooks.saltmarsh.example/drawgear")
	before := w.call(t, "GET", at, "").Body
	const events, address = `"events":["audit.ended"]`, `"url":"https://hooks.saltmarsh.example/"`
	for body, want := range map[string]string{
		`{}`:                          "/url /events",
		`{` + address + `}`:           "/events",
		`{` + events + `}`:            "/url",
		`{"url":7,` + events + `}`:    "/url",
		`{"url":null,` + events + `}`: "/url",
		`{"url":"http://hooks.saltmarsh.example/",` + events + `}`:                                   "/url",
		`{"url":"https://office@hooks.saltmarsh.example/",` + events + `}`:                           "/url",
		`{"url":"https://hooks.saltmarsh.example/#a",` + events + `}`:                                "/url",
		`{"url":"https://hooks.saltmarsh.example:8443/",` + events + `}`:                             "/url",
		`{"url":"https://hooks.saltmarsh.example.evil.example/",` + events + `}`:                     "/url",
		`{"url":"https://tarn.example:8443/",` + events + `}`:                                        "/url",
		`{"url":"https://127.0.0.1/",` + events + `}`:                                                "/url",
		`{"url":"https://[::1]/",` + events + `}`:                                                    "/url",
		`{"url":"https://169.254.169.254/latest",` + events + `}`:                                    "/url",
		`{"url":"https://localhost/",` + events + `}`:                                                "/url",
		`{"url":"file:///etc/passwd",` + events + `}`:                                                "/url",
		`{"url":"https://hooks.saltmarsh.example/` + strings.Repeat("x", 2048) + `",` + events + `}`: "/url",
		`{` + address + `,"events":[]}`:                                                              "/events",
		`{` + address + `,"events":"audit.ended"}`:                                                   "/events",
		`{` + address + `,"events":["ping"]}`:                                                        "/events/0",
		`{` + address + `,"events":["audit.ended","audit.ended"]}`:                                   "/events/1",
		`{` + address + `,"events":["audit.ended","audit.began"]}`:                                   "/events/1",
		`{` + address + `,` + events + `,"note":"a\u0000b"}`:                                         "/note",
		`{` + address + `,` + events + `,"note":"` + strings.Repeat("x", 201) + `"}`:                 "/note",
		`{` + address + `,` + events + `,"paused":"no"}`:                                             "/paused",
		`{` + address + `,` + events + `,"secret":"whsec_AAAA"}`:                                     "/secret",
		`{` + address + `,` + address + `,` + events + `}`:                                           "/url",
	} {
		for method, target := range map[string]string{"POST": "/v1/webhooks", "PUT": at} {
			p := wantProblem(t, method+" "+body, w.call(t, method, target, body), 422, "invalid-body")
			var pointers []string
			for _, e := range p.Errors {
				pointers = append(pointers, *e.Pointer)
				if e.Advice == "" {
					t.Errorf("%s: no advice: %+v", body, e)
				}
			}
			if got := strings.Join(pointers, " "); got != want {
				t.Errorf("%s %s: faults at %s, want %s", method, body, got, want)
			}
		}
	}
	if after := w.call(t, "GET", at, "").Body; string(after) != string(before) {
		t.Errorf("what was refused changed %s to %s", before, after)
	}
	if items := decode[service.All[service.HookView]](t, w.call(t, "GET", "/v1/webhooks", "")).Items; len(items) != 1 {
		t.Errorf("what was refused left %+v", items)
	}
}

// TestTooManyWebhooks: a tenant has ten at most, and room again when one is gone.
func TestTooManyWebhooks(t *testing.T) {
	w := newTelling(t, memory.New(0), allowed)
	last := ""
	for range 10 {
		last, _ = w.hook(t, "https://hooks.saltmarsh.example/")
	}
	const one = `{"url":"https://hooks.saltmarsh.example/","events":["audit.ended"]}`
	wantProblem(t, "one more", w.call(t, "POST", "/v1/webhooks", one), 409, "too-many-webhooks")
	wantStatus(t, "remove", w.call(t, "DELETE", last, ""), 204)
	wantStatus(t, "one in its place", w.call(t, "POST", "/v1/webhooks", one), 201)
}

// TestWebhooksOff: where no host may be told any more, what there was can be looked
// at and removed, and nothing is sent.
func TestWebhooksOff(t *testing.T) {
	st := memory.New(0)
	on := newTelling(t, st, allowed)
	at, _ := on.hook(t, "https://hooks.saltmarsh.example/")
	ping := wantStatus(t, "ping", on.call(t, "POST", at+"/ping", ""), 202).Header.Get("Location")
	off := newTelling(t, st, service.HookConfig{})
	const one = `{"url":"https://hooks.saltmarsh.example/","events":["audit.ended"]}`
	for target, method := range map[string]string{"/v1/webhooks": "POST", at: "PUT", at + "/ping": "POST", at + "/rotate": "POST", ping + "/replay": "POST"} {
		body := ""
		if target == at || target == "/v1/webhooks" {
			body = one
		}
		wantProblem(t, method+" "+target, off.call(t, method, target, body), 409, "webhooks-off")
	}
	for _, target := range []string{"/v1/webhooks", at, at + "/deliveries", ping} {
		wantStatus(t, target, off.call(t, "GET", target, ""), 200)
	}
	wantStatus(t, "remove", off.call(t, "DELETE", at, ""), 204)
}

// receiver is where notices go. It answers as it is told to.
type receiver struct {
	srv *httptest.Server

	mu     sync.Mutex
	status int
	got    []notice
}

type notice struct {
	header http.Header
	body   []byte
}

func newReceiver(t testing.TB) *receiver {
	t.Helper()
	r := &receiver{status: http.StatusNoContent}
	r.srv = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, err := io.ReadAll(req.Body)
		if err != nil {
			t.Errorf("read a notice: %v", err)
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		r.got = append(r.got, notice{req.Header, body})
		w.WriteHeader(r.status)
	}))
	t.Cleanup(r.srv.Close)
	return r
}

func (r *receiver) answer(status int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status = status
}

func (r *receiver) notices() []notice {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

// config lets the receiver be told.
func (r *receiver) config(t testing.TB) service.HookConfig {
	t.Helper()
	u, err := url.Parse(r.srv.URL)
	if err != nil {
		t.Fatal(err)
	}
	return service.HookConfig{Allow: []string{u.Host}, Networks: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, Plain: true}
}

// signed says whether a notice is signed with a secret, as Standard Webhooks 1.0.0
// has it.
func (n notice) signed(t testing.TB, secret string) bool {
	t.Helper()
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil {
		t.Fatal(err)
	}
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%s.%s", n.header.Get("Webhook-Id"), n.header.Get("Webhook-Timestamp"), n.body)
	return slices.Contains(strings.Fields(n.header.Get("Webhook-Signature")), "v1,"+base64.StdEncoding.EncodeToString(mac.Sum(nil)))
}

// tell has notices sent, and audits answered, until the test ends.
func (w telling) tell(t testing.TB) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- w.store.Work(ctx, 2, func(ctx context.Context, j service.Job) error {
			if j.Kind == service.JobDelivery {
				return w.hooks.Carry(ctx, j)
			}
			return w.auditor.Carry(ctx, j)
		})
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("work: %v", err)
		}
	})
}

// delivery reads a delivery once so many attempts were made.
func (w telling) delivery(t testing.TB, at string, attempts int) (d service.DeliveryView) {
	t.Helper()
	within(t, 20*time.Second, "attempts", func() bool {
		d = decode[service.DeliveryView](t, wantStatus(t, at, w.call(t, "GET", at, ""), 200))
		return len(d.Attempts) >= attempts
	})
	return d
}

// TestDeliveries: a ping and the end of an audit arrive, signed; with a new secret
// the old one counts still; what was sent can be sent again, byte for byte.
func TestDeliveries(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		to := newReceiver(t)
		w := newTelling(t, st, to.config(t))
		at, hook := w.hook(t, to.srv.URL+"/drawgear")
		w.tell(t)
		r := wantStatus(t, "ping", w.call(t, "POST", at+"/ping", ""), 202)
		ping := r.Header.Get("Location")
		begun := decode[service.DeliveryView](t, r)
		if ping != at+"/deliveries/"+begun.ID || begun.State != service.DeliveryPending || begun.Type != service.EventPing || len(begun.Attempts) != 0 || begun.ReplayOf != "" {
			t.Errorf("on its way at %s as %+v", ping, begun)
		}
		d := w.delivery(t, ping, 1)
		got := to.notices()
		if d.State != service.DeliveryDelivered || len(d.Attempts) != 1 || d.Attempts[0].Status != 204 || d.Attempts[0].Fault != "" || len(got) != 1 {
			t.Fatalf("delivered as %+v; %d notices arrived", d, len(got))
		}
		if string(got[0].body) != string(d.Body) || got[0].header.Get("Webhook-Id") != d.Event || !strings.HasPrefix(got[0].header.Get("Content-Type"), "application/json") {
			t.Errorf("arrived as %v %s, kept as %s", got[0].header, got[0].body, d.Body)
		}
		if !got[0].signed(t, hook.Secret) || got[0].signed(t, "whsec_"+base64.StdEncoding.EncodeToString(make([]byte, 32))) {
			t.Errorf("the signature is %s", got[0].header.Get("Webhook-Signature"))
		}

		rotated := decode[service.HookView](t, wantStatus(t, "new secret", w.call(t, "POST", at+"/rotate", ""), 200))
		r = wantStatus(t, "again", w.call(t, "POST", ping+"/replay", ""), 202)
		again := w.delivery(t, r.Header.Get("Location"), 1)
		got = to.notices()
		if again.ReplayOf != d.ID || again.ID == d.ID || again.Event != d.Event || string(again.Body) != string(d.Body) || len(got) != 2 || string(got[1].body) != string(got[0].body) {
			t.Errorf("sent again as %+v; %d notices arrived", again, len(got))
		}
		if !got[1].signed(t, hook.Secret) || !got[1].signed(t, rotated.Secret) {
			t.Errorf("with a new secret the signatures are %s", got[1].header.Get("Webhook-Signature"))
		}

		audit := w.upload(t, "?jurisdiction=AU-NSW&as_of=2026-11-25", floats(t), asCSV)
		w.ended(t, audit)
		within(t, 20*time.Second, "told of the end of the audit", func() bool { return len(to.notices()) == 3 })
		if body := string(to.notices()[2].body); !strings.Contains(body, `"type":"audit.ended"`) || !strings.Contains(body, strings.TrimPrefix(audit, "/v1/audits/")) {
			t.Errorf("the end of the audit is told as %s", body)
		}
		var listed []service.EventType
		for cursor, n := "", 0; ; n++ {
			page := decode[service.DeliveryPage](t, wantStatus(t, "list", w.call(t, "GET", at+"/deliveries?limit=1"+cursor, ""), 200))
			for _, d := range page.Items {
				listed = append(listed, d.Type)
			}
			if page.Next == "" || n > 5 {
				break
			}
			cursor = "&cursor=" + page.Next
		}
		if !slices.Equal(listed, []service.EventType{service.EventAuditEnded, service.EventPing, service.EventPing}) {
			t.Errorf("listed are %v", listed)
		}
	})
}

// TestFailedDeliveries: what is not taken is told with its status and sent again
// later; a receiver that is gone for good is told nothing more.
func TestFailedDeliveries(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		to := newReceiver(t)
		w := newTelling(t, st, to.config(t))
		at, _ := w.hook(t, to.srv.URL)
		w.tell(t)
		to.answer(http.StatusInternalServerError)
		d := w.delivery(t, wantStatus(t, "ping", w.call(t, "POST", at+"/ping", ""), 202).Header.Get("Location"), 1)
		if d.State != service.DeliveryPending || d.Attempts[0].Status != 500 || d.Attempts[0].Fault == "" {
			t.Errorf("refused it is %+v", d)
		}
		to.answer(http.StatusGone)
		d = w.delivery(t, wantStatus(t, "ping", w.call(t, "POST", at+"/ping", ""), 202).Header.Get("Location"), 1)
		if d.State != service.DeliveryFailed || d.Attempts[0].Status != 410 {
			t.Errorf("of a receiver that is gone it is %+v", d)
		}
		if v := decode[service.HookView](t, w.call(t, "GET", at, "")); !v.Paused {
			t.Errorf("the webhook of a receiver that is gone is %+v", v)
		}
	})
}

// TestWebhookNames: what is no id, or the id of something else, names nothing.
func TestWebhookNames(t *testing.T) {
	w := newTelling(t, memory.New(0), allowed)
	one, _ := w.hook(t, "https://hooks.saltmarsh.example/")
	other, _ := w.hook(t, "https://hooks.saltmarsh.example/")
	ping := wantStatus(t, "ping", w.call(t, "POST", one+"/ping", ""), 202).Header.Get("Location")
	elsewhere := strings.Replace(ping, one, other, 1)
	none := strings.Repeat("A", 26)
	for target, method := range map[string]string{
		"/v1/webhooks/" + none: "GET", "/v1/webhooks/x": "GET", "/v1/webhooks/%2E%2E": "DELETE", "/v1/webhooks/%00": "GET", "/v1/webhooks/" + strings.ToLower(none): "GET",
		one + "/deliveries/" + none: "GET", one + "/deliveries/x": "GET", elsewhere: "GET", elsewhere + "/replay": "POST", one + "/deliveries/" + none + "/replay": "POST",
		"/v1/webhooks/" + none + "/deliveries": "GET", "/v1/webhooks/" + none + "/ping": "POST", "/v1/webhooks/" + none + "/rotate": "POST",
	} {
		wantProblem(t, method+" "+target, w.call(t, method, target, ""), 404, "not-found")
	}
	p := wantProblem(t, "cursor", w.call(t, "GET", one+"/deliveries?cursor=xyz", ""), 400, "bad-query")
	if len(p.Errors) != 1 || p.Errors[0].Parameter != "cursor" {
		t.Errorf("a cursor of no list: %+v", p)
	}
	if items := decode[service.All[service.HookView]](t, w.call(t, "GET", "/v1/webhooks", "")).Items; len(items) != 2 {
		t.Errorf("left are %+v", items)
	}
}

// TestWithoutWebhooks: a service that has none says so.
func TestWithoutWebhooks(t *testing.T) {
	h, at := newServer(t), "/v1/webhooks/"+strings.Repeat("A", 26)
	const one = `{"url":"https://hooks.saltmarsh.example/","events":["audit.ended"]}`
	var replies []openapitest.Reply
	for target, method := range map[string]string{
		"/v1/webhooks": "GET", at: "GET", at + "?": "DELETE", at + "/rotate": "POST", at + "/ping": "POST", at + "/deliveries": "GET",
		at + "/deliveries/" + strings.Repeat("A", 26): "GET", at + "/deliveries/" + strings.Repeat("A", 26) + "/replay": "POST",
	} {
		replies = append(replies, call(t, h, method, target, ""))
	}
	replies = append(replies, call(t, h, "POST", "/v1/webhooks", one), call(t, h, "PUT", at, one))
	for _, r := range replies {
		if p := wantProblem(t, "without", r, 404, "not-found"); !strings.Contains(p.Detail, "no webhooks") {
			t.Errorf("refused with %+v", p)
		}
	}
}
