package service_test

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"

	"drawgear/db/memory"
	"drawgear/service"
)

// request is what a receiver got.
type request struct {
	method, path string
	header       http.Header
	body         []byte
}

// receiver is somebody who is told. It answers with the next of its statuses, and
// then 200.
type receiver struct {
	*httptest.Server
	mu       sync.Mutex
	statuses []int
	location string
	got      []request
	conns    map[net.Conn]http.ConnState
	opened   int
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got = append(r.got, request{req.Method, req.URL.RequestURI(), req.Header, body})
	status := http.StatusOK
	if len(r.statuses) > 0 {
		status, r.statuses = r.statuses[0], r.statuses[1:]
	}
	if r.location != "" {
		w.Header().Set("Location", r.location)
	}
	w.WriteHeader(status)
	io.WriteString(w, "10.20.0.7 says no")
}

func (r *receiver) requests() []request {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

func (r *receiver) port() string {
	u, _ := url.Parse(r.URL)
	return u.Port()
}

// receive starts a receiver on an address of this machine, with TLS unless plain.
func receive(t *testing.T, address string, plain bool, statuses ...int) *receiver {
	t.Helper()
	r := &receiver{statuses: statuses, conns: map[net.Conn]http.ConnState{}}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	r.Server = &httptest.Server{Listener: listener, Config: &http.Server{
		Handler: r, ErrorLog: log.New(io.Discard, "", 0), // handshakes that fail are meant to
		ConnState: func(c net.Conn, s http.ConnState) {
			r.mu.Lock()
			defer r.mu.Unlock()
			if s == http.StateNew {
				r.opened++
			}
			r.conns[c] = s
		},
	}}
	if plain {
		r.Start()
	} else {
		r.StartTLS()
	}
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) roots() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(r.Certificate())
	return pool
}

// names answers every look-up with the addresses there are at the time.
type names struct {
	mu    sync.Mutex
	addrs []netip.Addr
}

func (n *names) become(texts ...string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.addrs = nil
	for _, text := range texts {
		n.addrs = append(n.addrs, netip.MustParseAddr(text))
	}
}

// resolver asks them over a packet connection, as it would a server (RFC 1035).
func (n *names) resolver(t *testing.T) *net.Resolver {
	t.Helper()
	server, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Close() })
	go func() {
		for buf := make([]byte, 4096); ; {
			size, from, err := server.ReadFrom(buf)
			if err != nil {
				return
			}
			if reply := n.answer(buf[:size]); reply != nil {
				server.WriteTo(reply, from)
			}
		}
	}()
	return &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "udp", server.LocalAddr().String())
	}}
}

func (n *names) answer(query []byte) []byte {
	var m dnsmessage.Message
	if m.Unpack(query) != nil || len(m.Questions) != 1 {
		return nil
	}
	q := m.Questions[0]
	m = dnsmessage.Message{Header: dnsmessage.Header{ID: m.ID, Response: true, RecursionAvailable: true}, Questions: m.Questions}
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, addr := range n.addrs {
		head := dnsmessage.ResourceHeader{Name: q.Name, Type: q.Type, Class: q.Class}
		switch {
		case q.Type == dnsmessage.TypeA && addr.Is4():
			m.Answers = append(m.Answers, dnsmessage.Resource{Header: head, Body: &dnsmessage.AResource{A: addr.As4()}})
		case q.Type == dnsmessage.TypeAAAA && addr.Is6():
			m.Answers = append(m.Answers, dnsmessage.Resource{Header: head, Body: &dnsmessage.AAAAResource{AAAA: addr.As16()}})
		}
	}
	if len(n.addrs) == 0 {
		m.RCode = dnsmessage.RCodeNameError
	}
	reply, err := m.Pack()
	if err != nil {
		return nil
	}
	return reply
}

// loopback lets one address of this machine be told.
var loopback = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}

// round is a webhook that tells a receiver.
type round struct {
	*service.Hooks
	t     *testing.T
	ctx   context.Context
	store *memory.Store
	clock *tickingClock
	hook  service.HookView
	to    *receiver
}

func newRound(t *testing.T, to *receiver) *round {
	t.Helper()
	return newRoundWith(t, to, service.HookConfig{})
}

func newRoundWith(t *testing.T, to *receiver, c service.HookConfig) *round {
	t.Helper()
	c.Allow, c.Networks = append(c.Allow, "127.0.0.1:"+to.port(), "example.com:"+to.port()), loopback
	r := &round{t: t, ctx: operator(t, service.DefaultTenant), to: to}
	r.Hooks, r.store, r.clock = hooks(t, c)
	if to.Certificate() != nil {
		r.Trust(to.roots(), nil)
	}
	w := saltmarsh()
	w.URL = to.URL + "/in?yard=1"
	r.hook = create(t, r.ctx, r.Hooks, w)
	return r
}

// named has the webhook told by a name in place of an address.
func (r *round) named(n *names) {
	r.t.Helper()
	r.Trust(r.to.roots(), n.resolver(r.t))
	w := saltmarsh()
	w.URL = "https://example.com:" + r.to.port() + "/"
	if _, err := r.Change(r.ctx, r.hook.ID, "", w); err != nil {
		r.t.Fatal(err)
	}
}

// ping makes a delivery.
func (r *round) ping() string {
	r.t.Helper()
	d, err := r.Ping(r.ctx, r.hook.ID)
	if err != nil {
		r.t.Fatal(err)
	}
	return d.ID
}

// carry tries a delivery for the n-th time, as a worker does.
func (r *round) carry(delivery string, n int) error {
	ctx := service.WithCaller(r.t.Context(), service.Caller{Tenant: service.DefaultTenant, Subject: service.JobSubject})
	return r.Carry(ctx, service.Job{Kind: service.JobDelivery, Tenant: service.DefaultTenant, ID: delivery, Attempt: n})
}

// came is what came of a delivery: its state, and of each attempt the status and
// fault.
func (r *round) came(delivery string) string {
	r.t.Helper()
	d, err := r.Delivery(r.ctx, r.hook.ID, delivery)
	if err != nil {
		r.t.Fatal(err)
	}
	out := string(d.State)
	for _, a := range d.Attempts {
		out += fmt.Sprintf("; %d %s", a.Status, a.Fault)
		if strings.ContainsAny(a.Fault, ".:[") {
			r.t.Errorf("the fault %q could hold an address", a.Fault)
		}
	}
	return out
}

func (r *round) want(delivery, want string) {
	r.t.Helper()
	if got := r.came(delivery); got != want {
		r.t.Errorf("it came to %q, want %q", got, want)
	}
}

// once carries a new delivery, which must come to what is wanted.
func (r *round) once(want string) {
	r.t.Helper()
	d := r.ping()
	err := r.carry(d, 1)
	if again := strings.HasPrefix(want, "pending"); (err != nil) != again {
		r.t.Errorf("try again: %v, %v, want %v", err != nil, err, again)
	}
	r.want(d, want)
}

// signedWith says whether one of the signatures of a request is made with a
// secret, worked out from the formula of Standard Webhooks 1.0.0.
func signedWith(t *testing.T, q request, secret string) bool {
	t.Helper()
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil {
		t.Fatal(err)
	}
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%s.%s", q.header.Get("webhook-id"), q.header.Get("webhook-timestamp"), q.body)
	return slices.Contains(strings.Split(q.header.Get("webhook-signature"), " "), "v1,"+base64.StdEncoding.EncodeToString(mac.Sum(nil)))
}

func TestCarry(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	d := r.ping()
	r.clock.advance(time.Minute)
	if err := r.carry(d, 1); err != nil {
		t.Fatal(err)
	}
	r.want(d, "delivered; 200 ")
	if err := r.carry(d, 2); err != nil { // it was done, and the worker died before it could say so
		t.Fatal(err)
	}
	got := r.to.requests()
	if len(got) != 1 {
		t.Fatalf("%d requests, want 1", len(got))
	}
	view, err := r.Delivery(r.ctx, r.hook.ID, d)
	if err != nil {
		t.Fatal(err)
	}
	q := got[0]
	for name, want := range map[string]string{
		"Content-Type": "application/json", "User-Agent": "drawgear/" + service.Engine(), "Webhook-Id": view.Event,
		"Webhook-Timestamp": strconv.FormatInt(noon.Add(time.Minute).Unix(), 10), "Accept-Encoding": "",
	} {
		if got := q.header.Get(name); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
	if q.method != http.MethodPost || q.path != "/in?yard=1" || !bytes.Equal(q.body, view.Body) {
		t.Errorf("%s %s with %s", q.method, q.path, q.body)
	}
	if !signedWith(t, q, r.hook.Secret) {
		t.Error("it is not signed with the secret")
	}
	if at := view.Attempts[0].At; !at.Equal(noonKept.Add(time.Minute)) {
		t.Errorf("the attempt was at %v", at)
	}
}

// TestCarryAgain: what fails is tried again with the same id and body.
func TestCarryAgain(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false, 500, 500, 200))
	d := r.ping()
	for n := 1; n <= 3; n++ {
		if err := r.carry(d, n); (err != nil) != (n < 3) {
			t.Errorf("attempt %d: %v", n, err)
		}
		r.clock.advance(service.JobBackoff(n))
	}
	r.want(d, "delivered; 500 answered 500; 500 answered 500; 200 ")
	got := r.to.requests()
	if len(got) != 3 {
		t.Fatalf("%d requests, want 3", len(got))
	}
	for i, q := range got {
		if q.header.Get("Webhook-Id") != got[0].header.Get("Webhook-Id") || !bytes.Equal(q.body, got[0].body) || !signedWith(t, q, r.hook.Secret) {
			t.Errorf("attempt %d is of another event, or not signed", i+1)
		}
	}
	if got[0].header.Get("Webhook-Timestamp") == got[1].header.Get("Webhook-Timestamp") {
		t.Error("a later attempt has the time of the one before")
	}
}

func TestCarryStatuses(t *testing.T) {
	for _, tt := range []struct {
		status, attempt int
		want            string
	}{
		{200, 1, "delivered; 200 "},
		{202, 1, "delivered; 202 "},
		{204, service.MaxJobAttempts, "delivered; 204 "},
		{299, 1, "delivered; 299 "},
		{300, 1, "pending; 300 answered 300"},
		{304, 1, "pending; 304 answered 304"},
		{400, 1, "pending; 400 answered 400"},
		{404, 1, "pending; 404 answered 404"},
		{429, 1, "pending; 429 answered 429"},
		{503, 1, "pending; 503 answered 503"},
		{503, service.MaxJobAttempts - 1, "pending; 503 answered 503"},
		{503, service.MaxJobAttempts, "failed; 503 answered 503"},
		{410, 1, "failed; 410 answered 410"},
	} {
		r := newRound(t, receive(t, "127.0.0.1:0", false, tt.status))
		d := r.ping()
		if err := r.carry(d, tt.attempt); (err != nil) != strings.HasPrefix(tt.want, "pending") {
			t.Errorf("status %d: %v", tt.status, err)
		}
		r.want(d, tt.want)
		v, err := r.Get(r.ctx, r.hook.ID)
		if err != nil || v.Paused != (tt.status == http.StatusGone) {
			t.Errorf("status %d: paused is %v, %v", tt.status, v.Paused, err)
		}
	}
}

// TestGone: a receiver that is gone is not told again, until somebody says so.
func TestGone(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false, 410))
	before := r.ping()
	r.once("failed; 410 answered 410")
	if err := r.carry(before, 1); err != nil {
		t.Fatal(err)
	}
	r.want(before, "failed; 0 the webhook is paused")
	if err := service.NewEvents(r.store, r.clock.now).Tell(r.ctx, service.EventLawChanged, "1", nil); err != nil {
		t.Fatal(err)
	}
	if n := len(sentTo(t, r.ctx, r.Hooks, r.hook.ID)); n != 2 {
		t.Errorf("%d deliveries of a paused webhook, want the 2 from before", n)
	}
	if n := len(r.to.requests()); n != 1 {
		t.Errorf("%d requests, want 1", n)
	}
	w := saltmarsh()
	w.URL = r.hook.URL
	if _, err := r.Change(r.ctx, r.hook.ID, "", w); err != nil {
		t.Fatal(err)
	}
	again, err := r.Replay(r.ctx, r.hook.ID, before)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.carry(again.ID, 1); err != nil {
		t.Fatal(err)
	}
	r.want(again.ID, "delivered; 200 ")
}

// mover gives the webhook another address while the one before is being told.
type mover struct{ r *round }

func (m mover) RoundTrip(q *http.Request) (*http.Response, error) {
	w := saltmarsh()
	w.URL = m.r.hook.URL + "&moved"
	if _, err := m.r.Change(m.r.ctx, m.r.hook.ID, "", w); err != nil {
		return nil, err
	}
	return &http.Response{StatusCode: http.StatusGone, Body: http.NoBody, Request: q}, nil
}

// TestGoneMeanwhile: what an address that was left says pauses nothing.
func TestGoneMeanwhile(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	r.Through(mover{r})
	r.once("failed; 410 answered 410")
	if v, err := r.Get(r.ctx, r.hook.ID); err != nil || v.Paused || v.Revision != 2 {
		t.Errorf("the webhook is %+v, %v", v, err)
	}
}

func TestRemovedMeanwhile(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	d := r.ping()
	if err := r.Remove(r.ctx, r.hook.ID); err != nil {
		t.Fatal(err)
	}
	if err := r.carry(d, 1); err != nil {
		t.Errorf("a delivery that went with its webhook: %v", err)
	}
	if n := len(r.to.requests()); n != 0 {
		t.Errorf("%d requests", n)
	}
}

// lossy is a store that lost a webhook and kept its deliveries.
type lossy struct{ service.Webhooks }

func (lossy) GetWebhook(context.Context, string) (service.Webhook, error) {
	return service.Webhook{}, service.ErrNotFound
}

func TestOrphan(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	d := r.ping()
	if err := hooksOver(t, lossy{r.store}, r.clock, service.HookConfig{}).Carry(r.ctx, service.Job{ID: d, Attempt: 1}); err != nil {
		t.Fatal(err)
	}
	r.want(d, "failed; 0 the webhook was removed")
}

// TestCarryTenants: a delivery is not found, and so not sent, for another tenant.
func TestCarryTenants(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	d := r.ping()
	if err := r.Carry(operator(t, tarn), service.Job{ID: d, Attempt: 1}); err != nil {
		t.Error(err)
	}
	if err := r.Carry(t.Context(), service.Job{ID: d, Attempt: 1}); !errors.Is(err, service.ErrUnauthenticated) {
		t.Errorf("carried for nobody: %v", err)
	}
	r.want(d, "pending")
	if n := len(r.to.requests()); n != 0 {
		t.Errorf("%d requests", n)
	}
}

// TestAllowAgain: what may be told counts at the time of sending.
func TestAllowAgain(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	d := r.ping()
	for _, c := range []service.HookConfig{{Allow: []string{}, Networks: loopback}, {Allow: []string{"127.0.0.1:" + r.to.port()}}} {
		if err := hooksOver(t, r.store, r.clock, c).Carry(r.ctx, service.Job{ID: d, Attempt: 1}); err == nil {
			t.Error("carried where it may not be told")
		}
	}
	r.want(d, "pending; 0 the host is not one that may be told; 0 the host is not one that may be told")
	if n := len(r.to.requests()); n != 0 {
		t.Errorf("%d requests", n)
	}
}

// TestRedirect: a reply that points elsewhere is a failure, whichever it is.
func TestRedirect(t *testing.T) {
	inside := receive(t, "127.0.0.1:0", false) // could be reached
	for _, status := range []int{301, 302, 303, 307, 308} {
		to := receive(t, "127.0.0.1:0", false, status)
		to.location = inside.URL + "/admin"
		newRoundWith(t, to, service.HookConfig{Allow: []string{"127.0.0.1:" + inside.port()}}).once(fmt.Sprintf("pending; %d answered %[1]d", status))
	}
	if n := inside.opened; n != 0 {
		t.Errorf("%d connections to where a reply pointed", n)
	}
}

// TestRebinding: a name that stands for another address the next time is looked at
// again, and what it stands for is connected to only if it may be told.
func TestRebinding(t *testing.T) {
	inside := receive(t, "127.0.0.2:0", false)
	r := newRound(t, receiveOn(t, inside))
	n := new(names)
	r.named(n)

	n.become("127.0.0.1")
	r.once("delivered; 200 ")
	n.become("127.0.0.2")
	r.once("pending; 0 the address is not one that may be told")
	n.become("127.0.0.2", "127.0.0.1") // some may be told
	r.once("delivered; 200 ")
	for _, text := range []string{"10.0.0.1", "100.64.0.1", "169.254.169.254", "172.16.0.1", "192.168.0.1", "0.0.0.0", "224.0.0.1", "198.18.0.1"} {
		n.become(text)
		r.once("pending; 0 the address is not one that may be told")
	}
	n.become()
	r.once("pending; 0 the host was not found")
	if len(r.to.requests()) != 2 || inside.opened != 0 {
		t.Errorf("%d requests and %d connections inside, want 2 and 0", len(r.to.requests()), inside.opened)
	}
}

// receiveOn starts a receiver on 127.0.0.1 at the port of another.
func receiveOn(t *testing.T, other *receiver) *receiver {
	t.Helper()
	return receive(t, "127.0.0.1:"+other.port(), false)
}

// TestTrust: a receiver must show a certificate that is trusted, over TLS 1.2 at
// least.
func TestTrust(t *testing.T) {
	const untrusted = "pending; 0 no trusted TLS connection"
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	r.Trust(x509.NewCertPool(), nil)
	r.once(untrusted)

	old := receive(t, "127.0.0.1:0", false)
	old.TLS.MinVersion, old.TLS.MaxVersion = tls.VersionTLS10, tls.VersionTLS11
	newRound(t, old).once(untrusted)

	plain := receive(t, "127.0.0.1:0", true)
	r = newRound(t, r.to)
	w := saltmarsh()
	w.URL = "https://127.0.0.1:" + plain.port()
	h := hooksOver(t, r.store, r.clock, service.HookConfig{Allow: []string{"127.0.0.1:" + plain.port()}, Networks: loopback})
	v, err := h.Change(r.ctx, r.hook.ID, "", w)
	if err != nil {
		t.Fatal(err)
	}
	r.Hooks, r.hook = h, v
	r.once(untrusted)
	if n := len(r.to.requests()) + len(old.requests()) + len(plain.requests()); n != 0 {
		t.Errorf("%d requests", n)
	}
}

// TestPlain: without TLS only where that is allowed.
func TestPlain(t *testing.T) {
	to := receive(t, "127.0.0.1:0", true)
	r := newRoundWith(t, to, service.HookConfig{Plain: true})
	r.once("delivered; 200 ")
	d := r.ping()
	if err := hooksOver(t, r.store, r.clock, service.HookConfig{Allow: []string{"127.0.0.1:" + to.port()}, Networks: loopback}).Carry(r.ctx, service.Job{ID: d, Attempt: 1}); err == nil {
		t.Error("carried in the open")
	}
	r.want(d, "pending; 0 the host is not one that may be told")
}

func TestNobodyThere(t *testing.T) {
	to := receive(t, "127.0.0.1:0", false)
	r := newRound(t, to)
	to.Close()
	r.once("pending; 0 no connection, or no proper reply")
}

// TestSlowReceiver: one that does not answer holds nobody up for long.
func TestSlowReceiver(t *testing.T) {
	to := receive(t, "127.0.0.1:0", false)
	end := make(chan struct{})
	t.Cleanup(func() { close(end) }) // before the receiver is closed, which waits for it
	to.Config.Handler = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-end })
	newRoundWith(t, to, service.HookConfig{Timeout: 50 * time.Millisecond}).once("pending; 0 timed out")
}

// TestStopped: a delivery that is cut off by the end of the service is noted, and
// tried again.
func TestStopped(t *testing.T) {
	to := receive(t, "127.0.0.1:0", false)
	end, there := make(chan struct{}), make(chan struct{})
	t.Cleanup(func() { close(end) })
	to.Config.Handler = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { close(there); <-end })
	r := newRound(t, to)
	d := r.ping()
	ctx, stop := context.WithCancel(r.ctx)
	go func() { <-there; stop() }()
	if err := r.Carry(ctx, service.Job{ID: d, Attempt: 1}); err == nil {
		t.Error("a delivery that was cut off is not tried again")
	}
	r.want(d, "pending; 0 the service stopped meanwhile")
}

// stopping ends the job once the receiver has answered.
type stopping struct{ stop func() }

func (s stopping) RoundTrip(q *http.Request) (*http.Response, error) {
	s.stop()
	return &http.Response{StatusCode: http.StatusOK, Body: http.NoBody, Request: q}, nil
}

// TestNotedAtTheEnd: what arrived is noted although the time of the job is over.
func TestNotedAtTheEnd(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	ctx, stop := context.WithCancel(r.ctx)
	r.Through(stopping{stop})
	d := r.ping()
	if err := r.Carry(ctx, service.Job{ID: d, Attempt: 1}); err != nil {
		t.Fatal(err)
	}
	r.want(d, "delivered; 200 ")
}

// endlessReply is a reply that goes on for ever.
type endlessReply struct{ read atomic.Int64 }

func (e *endlessReply) Read(p []byte) (int, error) {
	e.read.Add(int64(len(p)))
	return len(p), nil
}

func (*endlessReply) Close() error { return nil }

func (e *endlessReply) RoundTrip(q *http.Request) (*http.Response, error) {
	return &http.Response{StatusCode: http.StatusOK, Body: e, Request: q}, nil
}

// TestLongReply: of a reply no more than 4 KiB is read.
func TestLongReply(t *testing.T) {
	to := receive(t, "127.0.0.1:0", false)
	r := newRound(t, to)
	to.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		for part := make([]byte, 64<<10); ; {
			if _, err := w.Write(part); err != nil {
				return
			}
		}
	})
	r.once("delivered; 200 ")
	reply := new(endlessReply)
	r.Through(reply)
	r.once("delivered; 200 ")
	if n := reply.read.Load(); n > 4096 {
		t.Errorf("%d bytes of a reply were read", n)
	}
}

// TestLongHeader: nor is a long header taken.
func TestLongHeader(t *testing.T) {
	to := receive(t, "127.0.0.1:0", false)
	to.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("X-Long", strings.Repeat("x", 1<<20))
	})
	newRound(t, to).once("pending; 0 no connection, or no proper reply")
}

// TestRotation: for a day after it was rotated, and no longer, the secret from
// before signs too.
func TestRotation(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	secrets := []string{r.hook.Secret}
	rotate := func() {
		t.Helper()
		v, err := r.Rotate(r.ctx, r.hook.ID, "")
		if err != nil {
			t.Fatal(err)
		}
		secrets = append(secrets, v.Secret)
	}
	signed := func(when string, want ...int) {
		t.Helper()
		r.once("delivered; 200 ")
		all := r.to.requests()
		q := all[len(all)-1]
		if n := len(strings.Fields(q.header.Get("Webhook-Signature"))); n != len(want) {
			t.Errorf("%s: %d signatures, want %d", when, n, len(want))
		}
		for i, s := range secrets {
			if got := signedWith(t, q, s); got != slices.Contains(want, i) {
				t.Errorf("%s: signed with secret %d: %v", when, i, got)
			}
		}
	}
	r.clock.advance(48 * time.Hour)
	signed("before", 0)
	rotate()
	signed("at once", 1, 0)
	r.clock.advance(24*time.Hour - time.Microsecond)
	signed("in the last moment of the day", 1, 0)
	r.clock.advance(time.Microsecond)
	signed("after a day", 1)
	rotate()
	r.clock.advance(time.Hour)
	rotate()
	signed("rotated twice", 3, 2)
}

// TestConnections: every sending has a connection of its own, which is closed with
// it, and no environment puts a proxy between.
func TestConnections(t *testing.T) {
	r := newRound(t, receive(t, "127.0.0.1:0", false))
	const n = 20
	var wg sync.WaitGroup
	for range n {
		d := r.ping()
		wg.Go(func() {
			if err := r.carry(d, 1); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	r.to.Close() // waits until every connection is closed
	if len(r.to.conns) != n || r.to.opened != n {
		t.Errorf("%d connections for %d deliveries", r.to.opened, n)
	}
	for _, state := range r.to.conns {
		if state != http.StateClosed {
			t.Errorf("a connection is left %v", state)
		}
	}
	if r.Transport().Proxy != nil || !r.Transport().DisableKeepAlives {
		t.Error("there is a proxy, or connections stay open")
	}
}
