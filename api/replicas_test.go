package api_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"golang.org/x/mod/sumdb/note"

	"drawgear/db/pgtest"
	"drawgear/openapi/openapitest"
	"drawgear/service"
)

// newPair gives two replicas over one database, and a key of Saltmarsh Yard
// with every scope.
func newPair(t testing.TB, url string, signer note.Signer) (pair [2]replica, yard header) {
	t.Helper()
	for i := range pair {
		pair[i] = newReplica(t, newPostgres(t, url), signer)
	}
	return pair, pair[0].tenant(t, saltmarshYard, "Saltmarsh Yard")
}

// within waits until something holds, and tells how long that took.
func within(t testing.TB, limit time.Duration, what string, holds func() bool) {
	t.Helper()
	began := time.Now()
	for !holds() {
		if time.Since(began) > limit {
			t.Fatalf("%s: not within %v", what, limit)
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Logf("%s: after %v", what, time.Since(began).Round(time.Millisecond))
}

// TestReplicaHearsOfPublish: what is published and withdrawn on one replica
// answers and ends on the other within two seconds.
func TestReplicaHearsOfPublish(t *testing.T) {
	pair, yard := newPair(t, pgtest.New(t), newSigner(t))
	approver := pair[0].tenant(t, saltmarshYard, "Saltmarsh Yard")
	answered := func(r replica) bool {
		reply := wantStatus(t, "assess", call(t, r.h, "POST", "/v1/assessments?record=false", yardRig, yard), 200)
		return bytes.Contains(reply.Body, []byte("house-yard"))
	}
	for i, key := range []header{{"X-Request-Id", "no-key"}, onceKey("publish")} {
		here, there := pair[i], pair[1-i]
		document := strings.Replace(yardRules, "version: 1", fmt.Sprintf("version: %d", i+1), 1)
		r := wantStatus(t, "draft", call(t, here.h, "POST", "/v1/rulesets", document, yard, asYAML), 201)
		path := r.Header.Get("Location")
		r = wantStatus(t, "approve", call(t, there.h, "POST", path+"/approve", "", approver, match(r)), 200)
		if answered(here) || answered(there) {
			t.Fatal("what is not published answers")
		}
		r = wantStatus(t, "publish", call(t, here.h, "POST", path+"/publish", "", approver, match(r), key), 200)
		if !answered(here) {
			t.Error("what was published does not answer at once where it was")
		}
		within(t, 2*time.Second, "the other replica answers by it", func() bool { return answered(there) })
		wantStatus(t, "withdraw", call(t, there.h, "POST", path+"/withdraw", `{"reason":"No more."}`, approver, match(r)), 200)
		if answered(there) {
			t.Error("what was withdrawn answers where it was")
		}
		within(t, 2*time.Second, "the other replica answers without it", func() bool { return !answered(here) })
	}
}

// TestWithdrawUnheard: a version can be withdrawn on a replica that has not
// heard of it yet, and does not answer by it later.
func TestWithdrawUnheard(t *testing.T) {
	for range 10 { // the other replica hears soon
		pair, yard := newPair(t, pgtest.New(t), newSigner(t))
		approver := pair[0].tenant(t, saltmarshYard, "Saltmarsh Yard")
		r := wantStatus(t, "draft", call(t, pair[0].h, "POST", "/v1/rulesets", yardRules, yard, asYAML), 201)
		r = wantStatus(t, "approve", call(t, pair[0].h, "POST", yardPath+"/approve", "", approver, match(r)), 200)
		r = wantStatus(t, "publish", call(t, pair[0].h, "POST", yardPath+"/publish", "", approver, match(r)), 200)
		wantStatus(t, "withdraw", call(t, pair[1].h, "POST", yardPath+"/withdraw", `{"reason":"No more."}`, approver, match(r)), 200)
		if r := call(t, pair[1].h, "POST", "/v1/assessments?record=false", yardRig, yard); bytes.Contains(r.Body, []byte("house-yard")) {
			t.Errorf("what was withdrawn answers: %s", r.Body)
		}
		if testing.Short() {
			return
		}
	}
}

// TestReplicaHearsOfRevocation: a key that is revoked on one replica ends on
// the other within three seconds, though that one has just used it.
func TestReplicaHearsOfRevocation(t *testing.T) {
	pair, yard := newPair(t, pgtest.New(t), newSigner(t))
	for i, here := range pair {
		there := pair[1-i]
		issued := decode[struct{ ID, Key string }](t, wantStatus(t, "key", call(t, here.h, "POST", "/v1/keys", `{"name":"Saltmarsh Yard","scopes":["read"]}`, yard), 201))
		read := func(r replica) int {
			return call(t, r.h, "GET", "/v1/assessments", "", bearer(issued.Key)).Status
		}
		if read(here) != 200 || read(there) != 200 {
			t.Fatal("the key does not work")
		}
		wantStatus(t, "revoke", call(t, here.h, "DELETE", "/v1/keys/"+issued.ID, "", yard), 204)
		if got := read(here); got != 401 {
			t.Errorf("where it was revoked the key gets %d", got)
		}
		within(t, 3*time.Second, "the other replica refuses the key", func() bool { return read(there) == 401 })
	}
}

// TestOneKeyOnBothReplicas: many send one request with one idempotency key to
// both replicas at once; it is done once, and all get the same reply.
func TestOneKeyOnBothReplicas(t *testing.T) {
	pair, yard := newPair(t, pgtest.New(t), newSigner(t))
	rounds := 10
	if testing.Short() {
		rounds = 2
	}
	for round := range rounds {
		replies := make([]openapitest.Reply, 16)
		var ready, done sync.WaitGroup
		ready.Add(len(replies))
		for i := range replies {
			done.Go(func() {
				ready.Done()
				ready.Wait()
				replies[i] = call(t, pair[i%2].h, "POST", "/v1/assessments", yardRig, yard, onceKey(fmt.Sprint("round-", round)))
			})
		}
		done.Wait()
		first := 0
		for i, r := range replies {
			wantStatus(t, fmt.Sprint("request ", i), r, 201)
			if !bytes.Equal(r.Body, replies[0].Body) || r.Header.Get("Location") != replies[0].Header.Get("Location") {
				t.Errorf("two replies to one key: %s\n%s", replies[0].Body, r.Body)
			}
			if r.Header.Get("Idempotency-Replayed") == "" {
				first++
			}
		}
		if kept := len(listAll(t, pair[round%2].h, yard)); first != 1 || kept != round+1 {
			t.Errorf("round %d: %d replies are said to be first, and %d records are kept", round, first, kept)
		}
	}
}

// listAll gives the ids of all that a tenant kept.
func listAll(t testing.TB, h http.Handler, key header) map[string]bool {
	t.Helper()
	all := map[string]bool{}
	for next := ""; ; {
		target := "/v1/assessments?limit=100"
		if next != "" {
			target += "&cursor=" + next
		}
		page := decode[service.Page[service.Summary]](t, wantStatus(t, "list", call(t, h, "GET", target, "", key), 200))
		for _, it := range page.Items {
			if all[it.ID] {
				t.Errorf("%s is listed twice", it.ID)
			}
			all[it.ID] = true
		}
		if next = page.Next; next == "" {
			return all
		}
	}
}

// gate is the way to a server, which can be shut: some servers come back by
// themselves sooner than a test can look what happens without them.
type gate struct {
	listener net.Listener
	network  string
	address  string

	mu   sync.Mutex
	shut bool
	open map[net.Conn]bool
}

// newGate gives a gate before a database, and the URL that leads through it.
func newGate(t testing.TB, database string) (*gate, string) {
	t.Helper()
	config, err := pgx.ParseConfig(database)
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	g := &gate{listener: listener, open: map[net.Conn]bool{}}
	g.network, g.address = pgconn.NetworkAddress(config.Host, config.Port)
	var running sync.WaitGroup
	running.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			running.Go(func() { g.pass(conn) })
		}
	})
	t.Cleanup(func() {
		if err := listener.Close(); err != nil {
			t.Errorf("close the gate: %v", err)
		}
		g.set(true)
		running.Wait()
	})
	u := url.URL{Scheme: "postgres", User: url.UserPassword(config.User, config.Password), Host: listener.Addr().String(), Path: "/" + config.Database, RawQuery: "sslmode=disable"}
	return g, u.String()
}

// set shuts the gate, which ends all connections through it, or opens it.
func (g *gate) set(shut bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.shut = shut
	if shut {
		for conn := range g.open {
			_ = conn.Close() // its other end may have gone first
		}
		clear(g.open)
	}
}

func (g *gate) enter(conn net.Conn) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.shut {
		g.open[conn] = true
	}
	return !g.shut
}

func (g *gate) pass(conn net.Conn) {
	defer conn.Close()
	if !g.enter(conn) {
		return
	}
	server, err := net.Dial(g.network, g.address)
	if err != nil {
		return
	}
	defer server.Close()
	go func() {
		_, _ = io.Copy(server, conn) // ends when either end does
		_ = server.Close()
	}()
	_, _ = io.Copy(conn, server)
}

// acknowledged is what the replicas said that they kept.
type acknowledged struct {
	mu    sync.Mutex
	ids   map[string]bool
	away  int // refusals because the store was
	fault string
}

// note takes a reply and says whether the request was done.
func (a *acknowledged) note(r openapitest.Reply) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case r.Status == 201:
		a.ids[strings.TrimPrefix(r.Header.Get("Location"), "/v1/assessments/")] = true
		return true
	case r.Status == 503 && r.Header.Get("Retry-After") != "":
		a.away++
	default:
		a.fault = fmt.Sprintf("%d %s", r.Status, r.Body)
	}
	return false
}

func (a *acknowledged) count() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return len(a.ids)
}

// TestReplicasWithoutDatabase kills the database under load, again and again.
// Without it questions that are not recorded are answered, others refused for
// the time being, and it is told what is wanting; when it is back all goes on by
// itself. Nothing that was acknowledged is lost, and what was repeated with an
// idempotency key until it was is there once.
func TestReplicasWithoutDatabase(t *testing.T) {
	rounds := 20
	if testing.Short() {
		rounds = 2
	}
	signer := newSigner(t)
	server := pgtest.Start(t)
	way, address := newGate(t, server.Database(t))
	pair, yard := newPair(t, address, signer)
	valley := pair[0].tenant(t, tarnValley, "Tarn Valley")
	for _, r := range pair { // who asks is known from then on, for the time without the database
		for _, key := range []header{yard, valley} {
			wantStatus(t, "ask", call(t, r.h, "POST", "/v1/assessments?record=false", yardRig, key), 200)
		}
	}
	plain, repeated := &acknowledged{ids: map[string]bool{}}, &acknowledged{ids: map[string]bool{}}
	requests := 0
	for round := range rounds {
		before := plain.count()
		stop, cancel := context.WithCancel(t.Context())
		var writers sync.WaitGroup
		for w := range 2 {
			writers.Go(func() {
				for i := 0; stop.Err() == nil; i++ {
					plain.note(call(t, pair[(w+i)%2].h, "POST", "/v1/assessments", yardRig, yard))
					time.Sleep(2 * time.Millisecond)
				}
			})
		}
		var mine [2]int
		for w := range mine {
			writers.Go(func() {
				for i := 0; stop.Err() == nil; i++ {
					mine[w]++
					key := onceKey(fmt.Sprintf("%d-%d-%d", round, w, i))
					for try := 0; !repeated.note(call(t, pair[try%2].h, "POST", "/v1/assessments", valleyRig, valley, key)); try++ {
						time.Sleep(5 * time.Millisecond)
						if t.Context().Err() != nil {
							return
						}
					}
				}
			})
		}
		time.Sleep(time.Duration(20+rand.IntN(50)) * time.Millisecond)
		server.Kill(t)
		way.set(true)
		for i, r := range pair {
			withoutDatabase(t, fmt.Sprintf("round %d, replica %d", round, i), r, yard)
		}
		server.Restart(t)
		way.set(false)
		for _, r := range pair {
			within(t, 20*time.Second, "it is kept again", func() bool {
				return plain.note(call(t, r.h, "POST", "/v1/assessments", yardRig, yard))
			})
			within(t, 20*time.Second, "ready again", func() bool { return call(t, r.h, "GET", "/readyz", "").Status == 200 })
		}
		cancel()
		writers.Wait()
		requests += mine[0] + mine[1]
		if plain.count() <= before+2 { // those two are of after the recovery
			t.Errorf("round %d: nothing was acknowledged under load: the test shows nothing", round)
		}
		if plain.fault != "" || repeated.fault != "" {
			t.Fatalf("round %d: neither kept nor refused for the time being: %s%s", round, plain.fault, repeated.fault)
		}
	}
	for i, r := range pair {
		stored := listAll(t, r.h, yard)
		for id := range plain.ids {
			if !stored[id] {
				t.Errorf("replica %d: %s was acknowledged and is lost", i, id)
			}
		}
		once := listAll(t, r.h, valley)
		for id := range repeated.ids {
			if !once[id] {
				t.Errorf("replica %d: %s was acknowledged and is lost", i, id)
			}
		}
		if len(once) != requests || len(repeated.ids) != requests {
			t.Errorf("replica %d: %d requests with keys have %d records, acknowledged are %d", i, requests, len(once), len(repeated.ids))
		}
		for key, size := range map[header]int{yard: len(stored), valley: len(once)} {
			verifyExport(t, r.h, key, signer, size)
		}
	}
	if plain.away == 0 || repeated.away == 0 {
		t.Error("nobody met a database that was gone: the test shows nothing")
	}
	t.Logf("%d rounds: %d acknowledged without keys and %d with, %d refused for the time being", rounds, plain.count(), repeated.count(), plain.away+repeated.away)
}

// withoutDatabase looks at a replica whose database is gone.
func withoutDatabase(t *testing.T, what string, r replica, key header) {
	t.Helper()
	wantStatus(t, what+": an answer that is not kept", call(t, r.h, "POST", "/v1/assessments?record=false", yardRig, key), 200)
	for _, hs := range [][]header{{key}, {key, onceKey("without")}} {
		refused := call(t, r.h, "POST", "/v1/assessments", yardRig, hs...)
		wantProblem(t, what+": to be kept", refused, 503, "timeout")
		if refused.Header.Get("Retry-After") == "" {
			t.Errorf("%s: it is not said when to try again", what)
		}
	}
	ready := call(t, r.h, "GET", "/readyz", "")
	state := decode[service.Readiness](t, ready)
	if ready.Status != 503 || state.Ready || state.Store.Available || state.Store.Kind != "postgres" || state.Held.Jurisdictions != 1 {
		t.Errorf("%s: ready says %d %s, want that the store is wanting and the law is there", what, ready.Status, ready.Body)
	}
	wantStatus(t, what+": alive", call(t, r.h, "GET", "/livez", ""), 200)
}

// verifyExport checks an exported log offline.
func verifyExport(t *testing.T, h http.Handler, key header, signer note.Signer, size int) {
	t.Helper()
	verifier, err := note.NewVerifier(service.VerifierKey(signer))
	if err != nil {
		t.Fatal(err)
	}
	export := wantStatus(t, "export", call(t, h, "GET", "/v1/log/export", "", key), 200)
	v, err := service.VerifyExport(bytes.NewReader(export.Body), verifier)
	if err != nil || v.Size != int64(size) || v.Records != size {
		t.Errorf("the exported log: %v, %+v, want %d records", err, v, size)
	}
}
