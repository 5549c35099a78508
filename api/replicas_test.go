package api_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/rules"
	"drawgear/service"
)

const replicaRig = `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"600 kg"},"brakes":{"kind":"none"}}}`

// within asks again and again until it is so, or fails the test.
func within(t *testing.T, d time.Duration, what string, so func() bool) {
	t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if so() {
			return
		}
	}
	t.Fatalf("not within %s: %s", d, what)
}

func openPostgres(t *testing.T, url string) *postgres.Store {
	t.Helper()
	st, err := postgres.Open(t.Context(), postgres.Config{URL: url})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	return st
}

// plain sends a request without holding the reply to the contract, for many at
// once; call does that for one of each.
func plain(h http.Handler, method, target, body string, hs ...header) *httptest.ResponseRecorder {
	req := httptest.NewRequest(method, target, strings.NewReader(body))
	req.Host = "localhost"
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for _, x := range hs {
		req.Header.Set(x.name, x.value)
	}
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, req)
	return rec
}

// TestReplicas runs two services over one database: what is published on one
// is law on the other, what is revoked on one is refused by the other, and one
// idempotency key sent to both keeps one record.
func TestReplicas(t *testing.T) {
	url := pgtest.New(t)
	signer := newSigner(t)
	a, b := newReplica(t, openPostgres(t, url), signer), newReplica(t, openPostgres(t, url), signer)
	author, approver := a.tenant(t, saltmarshYard, "Saltmarsh Yard"), a.tenant(t, saltmarshYard, "Saltmarsh Yard")

	yaml := header{"Content-Type", "application/yaml"}
	draft := call(t, a.h, "POST", "/v1/rulesets", yardRules, author, yaml)
	version := "/v1/rulesets/house-yard/versions/1"
	approved := call(t, b.h, "POST", version+"/approve", "", approver, header{"If-Match", draft.Header.Get("ETag")})
	published := call(t, a.h, "POST", version+"/publish", "", approver, header{"If-Match", approved.Header.Get("ETag")})
	if published.Status != http.StatusOK {
		t.Fatalf("%d %s", published.Status, published.Body)
	}
	within(t, 2*time.Second, "the other replica answers by what was published", func() bool {
		r := call(t, b.h, "POST", "/v1/assessments?record=false", replicaRig, author)
		return bytes.Contains(r.Body, []byte(`"house.brakes/service_brakes.required"`))
	})

	const at = 16
	replies := make([]*httptest.ResponseRecorder, at)
	var all sync.WaitGroup
	for i := range at {
		all.Go(func() {
			h := []http.Handler{a.h, b.h}[i%2]
			replies[i] = plain(h, "POST", "/v1/assessments", replicaRig, author, header{"Idempotency-Key", "once"})
		})
	}
	all.Wait()
	for _, r := range replies {
		if r.Code != http.StatusCreated || r.Body.String() != replies[0].Body.String() {
			t.Errorf("%d %s", r.Code, r.Body)
		}
	}
	page := decode[service.Page[service.Summary]](t, call(t, b.h, "GET", "/v1/assessments", "", author))
	if len(page.Items) != 1 {
		t.Errorf("%d records of one key", len(page.Items))
	}

	lost := a.tenant(t, saltmarshYard, "Saltmarsh Yard")
	if r := call(t, b.h, "GET", "/v1/assessments", "", lost); r.Status != http.StatusOK {
		t.Fatalf("%d %s", r.Status, r.Body)
	}
	id := strings.Split(strings.TrimPrefix(lost.value, "Bearer dgk_"), "_")[0]
	if r := call(t, a.h, "DELETE", "/v1/keys/"+id, "", author); r.Status != http.StatusNoContent {
		t.Fatalf("%d %s", r.Status, r.Body)
	}
	within(t, 3*time.Second, "the other replica refuses a revoked key", func() bool {
		return call(t, b.h, "GET", "/v1/assessments", "", lost).Status == http.StatusUnauthorized
	})
}

// TestDatabaseAway kills the server of the database under load, again and
// again: what needs no record goes on being answered, what does is told to come
// again, and in the end everything acknowledged is there, once, and the log
// verifies offline.
func TestDatabaseAway(t *testing.T) {
	rounds := 5
	if testing.Short() {
		rounds = 2
	}
	server := pgtest.Start(t)
	w := newReplica(t, openPostgres(t, server.Database(t)), newSigner(t))
	key := w.tenant(t, saltmarshYard, "Saltmarsh Yard")
	call(t, w.h, "GET", "/v1/assessments", "", key) // so that the key is known when the database is not

	var mu sync.Mutex
	acknowledged := map[string]bool{}
	for range rounds {
		stop := make(chan struct{})
		var load sync.WaitGroup
		for range 4 {
			load.Go(func() {
				for {
					select {
					case <-stop:
						return
					default:
					}
					r := plain(w.h, "POST", "/v1/assessments", replicaRig, key)
					var made service.Assessment
					switch {
					case r.Code == http.StatusCreated && json.Unmarshal(r.Body.Bytes(), &made) == nil:
						mu.Lock()
						acknowledged[made.ID] = true
						mu.Unlock()
					case r.Code != http.StatusServiceUnavailable:
						t.Errorf("%d %s", r.Code, r.Body)
						return
					}
				}
			})
		}
		time.Sleep(150 * time.Millisecond)
		server.Kill(t)
		unrecorded := call(t, w.h, "POST", "/v1/assessments?record=false", replicaRig, key)
		recorded := call(t, w.h, "POST", "/v1/assessments", replicaRig, key)
		ready := call(t, w.h, "GET", "/readyz", "")
		if unrecorded.Status != http.StatusOK || recorded.Status != http.StatusServiceUnavailable || recorded.Header.Get("Retry-After") == "" || ready.Status != http.StatusServiceUnavailable {
			t.Errorf("away: %d unrecorded, %d recorded, Retry-After %q, %d ready", unrecorded.Status, recorded.Status, recorded.Header.Get("Retry-After"), ready.Status)
		}
		server.Restart(t)
		within(t, 20*time.Second, "records are kept again", func() bool {
			r := call(t, w.h, "POST", "/v1/assessments", replicaRig, key)
			if r.Status == http.StatusCreated {
				mu.Lock()
				acknowledged[decode[service.Assessment](t, r).ID] = true
				mu.Unlock()
			}
			return r.Status == http.StatusCreated
		})
		close(stop)
		load.Wait()
	}

	stored := map[string]int{}
	cursor := ""
	for {
		target := "/v1/assessments?limit=100"
		if cursor != "" {
			target += "&cursor=" + cursor
		}
		page := decode[service.Page[service.Summary]](t, call(t, w.h, "GET", target, "", key))
		for _, item := range page.Items {
			stored[item.ID]++
			if item.Verdict == rules.Compliant {
				t.Errorf("%s is %s", item.ID, item.Verdict)
			}
		}
		if cursor = page.Next; cursor == "" {
			break
		}
	}
	for id := range acknowledged {
		if stored[id] != 1 {
			t.Errorf("%s was acknowledged and is stored %d times", id, stored[id])
		}
	}
	head := decode[service.Head](t, call(t, w.h, "GET", "/v1/log", "", key))
	verifier, err := note.NewVerifier(head.Key)
	if err != nil {
		t.Fatal(err)
	}
	export := call(t, w.h, "GET", "/v1/log/export", "", key)
	v, err := service.VerifyExport(bytes.NewReader(export.Body), verifier)
	if err != nil || v.Size != int64(len(stored)) || v.Records != len(stored) {
		t.Errorf("the log: %+v, %v; %d stored", v, err, len(stored))
	}
	t.Logf("%d acknowledged, %d stored in %d rounds", len(acknowledged), len(stored), rounds)
}
