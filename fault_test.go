package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"drawgear/db/pgtest"
	"drawgear/service"
)

// program builds the program as it is.
func program(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "drawgear")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		t.Fatalf("build the program: %v\n%s", err, out)
	}
	return path
}

// process is a service in a process of its own, which can be killed.
type process struct {
	path, address string
	env           []string
	client        http.Client
	cmd           *exec.Cmd
	log           *lockedBuffer
}

// newProcess gives one over a database; it is not started yet.
func newProcess(t *testing.T, path, database, key, logKey string) *process {
	t.Helper()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer free.Close()
	p := &process{path: path, address: free.Addr().String(), client: http.Client{Timeout: 30 * time.Second}}
	p.env = append(os.Environ(), "DRAWGEAR_LISTEN="+p.address, "DRAWGEAR_DATABASE_URL="+database, "DRAWGEAR_BOOTSTRAP_KEY="+key,
		"DRAWGEAR_LOG_KEY="+logKey, "DRAWGEAR_RATE=0", "DRAWGEAR_MIGRATE=true")
	p.client.Transport = bearing{key}
	t.Cleanup(func() {
		if p.cmd != nil {
			p.kill(t)
		}
	})
	return p
}

// bearing shows a key with every request, each over a connection of its own.
type bearing struct{ key string }

func (b bearing) RoundTrip(r *http.Request) (*http.Response, error) {
	r.Header.Set("Authorization", "Bearer "+b.key)
	r.Close = true
	return http.DefaultTransport.RoundTrip(r)
}

// start starts it and waits until it answers.
func (p *process) start(t *testing.T) {
	t.Helper()
	p.log = new(lockedBuffer)
	p.cmd = exec.Command(p.path, "serve")
	p.cmd.Env, p.cmd.Stderr = p.env, p.log
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
		if res, err := p.client.Get("http://" + p.address + "/livez"); err == nil {
			res.Body.Close()
			return
		}
		if time.Now().After(end) {
			t.Fatalf("does not start: %s", p.log.String())
		}
	}
}

// kill ends it as SIGKILL does.
func (p *process) kill(t *testing.T) {
	t.Helper()
	if err := p.cmd.Process.Kill(); err != nil {
		t.Errorf("kill the service: %v", err)
	}
	_ = p.cmd.Wait() // killed is no success
	p.cmd = nil
}

// ask sends a request; no status means that no reply came, or not all of it.
func (p *process) ask(t *testing.T, method, path, body, once string) (status int, reply []byte, where string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, "http://"+p.address+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	if once != "" {
		req.Header.Set("Idempotency-Key", once)
	}
	res, err := p.client.Do(req)
	if err != nil {
		return 0, nil, ""
	}
	defer res.Body.Close()
	if reply, err = io.ReadAll(res.Body); err != nil {
		return 0, nil, ""
	}
	return res.StatusCode, reply, strings.TrimPrefix(res.Header.Get("Location"), "/v1/assessments/")
}

// all lists the ids of what is kept of a place.
func (p *process) all(t *testing.T, place string) map[string]bool {
	t.Helper()
	ids := map[string]bool{}
	for next := ""; ; {
		status, body, _ := p.ask(t, "GET", "/v1/assessments?limit=100&jurisdiction="+place+next, "", "")
		var page struct {
			Items []struct{ ID string }
			Next  string
		}
		if err := json.Unmarshal(body, &page); err != nil || status != http.StatusOK {
			t.Fatalf("list: %d %s %v", status, body, err)
		}
		for _, it := range page.Items {
			ids[it.ID] = true
		}
		if page.Next == "" {
			return ids
		}
		next = "&cursor=" + page.Next
	}
}

// verify checks the exported log offline.
func (p *process) verify(t *testing.T, verifier note.Verifier, size int) {
	t.Helper()
	_, export, _ := p.ask(t, "GET", "/v1/log/export", "", "")
	if v, err := service.VerifyExport(bytes.NewReader(export), verifier); err != nil || v.Size != int64(size) || v.Records != size {
		t.Errorf("the log: %+v %v, want %d records", v, err, size)
	}
}

// logKeys gives a signer key and the verifier that goes with it.
func logKeys(t *testing.T) (string, note.Verifier) {
	t.Helper()
	secret, public, err := service.NewLogKey()
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := note.NewVerifier(public)
	if err != nil {
		t.Fatal(err)
	}
	return secret, verifier
}

// faultRounds is how often a fault is made: DRAWGEAR_FAULT_ROUNDS in a long run.
func faultRounds(t *testing.T) int {
	t.Helper()
	text := os.Getenv("DRAWGEAR_FAULT_ROUNDS")
	n, err := strconv.Atoi(text)
	switch {
	case text == "" && testing.Short():
		return 1
	case text == "":
		return 3
	case err != nil:
		t.Fatalf("DRAWGEAR_FAULT_ROUNDS: %v", err)
	}
	return n
}

// TestServiceKilled kills the service under load with SIGKILL, again and again,
// every third time with the database. What was acknowledged is there, what was
// repeated with an idempotency key until it was is there once, and the log
// verifies.
func TestServiceKilled(t *testing.T) {
	server := pgtest.Start(t)
	secret, verifier := logKeys(t)
	p := newProcess(t, program(t), server.Database(t), service.NewKeyText().Reveal(), secret)
	p.start(t)
	var mu sync.Mutex
	plain, repeated := map[string]bool{}, map[string]string{} // ids; keys to ids
	requests, failed := 0, 0
	rounds := faultRounds(t)
	for round := range rounds {
		before := len(plain) + len(repeated)
		stop := make(chan struct{})
		var writers sync.WaitGroup
		for w := range 4 {
			writers.Go(func() {
				for i := 0; ; i++ {
					select {
					case <-stop:
						return
					default:
					}
					if w%2 == 0 {
						status, _, id := p.ask(t, "POST", "/v1/assessments", `{"jurisdiction":"GB"}`, "")
						mu.Lock()
						if status == http.StatusCreated {
							plain[id] = true
						} else {
							failed++
						}
						mu.Unlock()
						time.Sleep(time.Millisecond)
						continue
					}
					key := fmt.Sprintf("%d-%d-%d", round, w, i)
					mu.Lock()
					requests++
					mu.Unlock()
					for done := false; !done && t.Context().Err() == nil; {
						status, _, id := p.ask(t, "POST", "/v1/assessments", `{"jurisdiction":"NZ"}`, key)
						mu.Lock()
						if done = status == http.StatusCreated; done {
							repeated[key] = id
						} else {
							failed++
						}
						mu.Unlock()
						if !done {
							time.Sleep(10 * time.Millisecond)
						}
					}
				}
			})
		}
		time.Sleep(time.Duration(100+rand.IntN(200)) * time.Millisecond)
		if round%3 == 2 {
			server.Kill(t)
		}
		p.kill(t)
		if round%3 == 2 {
			server.Restart(t)
		}
		p.start(t)
		close(stop)
		writers.Wait()
		if len(plain)+len(repeated) == before {
			t.Errorf("round %d: nothing was acknowledged: the test shows nothing", round)
		}
	}
	for end := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) { // until what was in progress is done or undone
		if status, _, id := p.ask(t, "POST", "/v1/assessments", `{"jurisdiction":"GB"}`, ""); status == http.StatusCreated {
			plain[id] = true
			break
		}
		if time.Now().After(end) {
			t.Fatal("nothing is kept any more")
		}
	}
	kept, once := p.all(t, "GB"), p.all(t, "NZ")
	for id := range plain {
		if !kept[id] {
			t.Errorf("%s was acknowledged and is lost", id)
		}
	}
	for key, id := range repeated {
		if !once[id] {
			t.Errorf("%s of key %s was acknowledged and is lost", id, key)
		}
	}
	if len(once) != requests || len(repeated) != requests {
		t.Errorf("%d requests with keys have %d records, and %d were acknowledged", requests, len(once), len(repeated))
	}
	if failed == 0 {
		t.Error("no request met a service that was gone: the test shows nothing")
	}
	p.verify(t, verifier, len(kept)+len(once))
	t.Logf("killed %d times: %d acknowledged without keys and %d with, %d requests failed", rounds, len(plain), len(repeated), failed)
}

// TestRollingUpgrade runs the program of an earlier release and this one on one
// database, as while replicas are replaced. The schema is brought up to date by
// the new one. An old one that does not know the schema takes itself out of the
// service and says so; one that does answers on, and each reads, replays and
// repeats what the other wrote.
//
// DRAWGEAR_OLD is the path of the old program; deploy/faults.sh builds one.
func TestRollingUpgrade(t *testing.T) {
	path := os.Getenv("DRAWGEAR_OLD")
	if path == "" {
		t.Skip("DRAWGEAR_OLD names no program of an earlier release; deploy/faults.sh builds one")
	}
	database, key := pgtest.Empty(t), service.NewKeyText().Reveal()
	secret, verifier := logKeys(t)
	old, now := newProcess(t, path, database, key, secret), newProcess(t, program(t), database, key, secret)
	old.start(t)
	kept := map[string]bool{}
	write := func(p *process, once string) string {
		t.Helper()
		status, body, id := p.ask(t, "POST", "/v1/assessments", `{"jurisdiction":"GB","as_of":"2026-11-25"}`, once)
		if status != http.StatusCreated {
			t.Fatalf("%d %s", status, body)
		}
		kept[id] = true
		return id
	}
	read := func(p *process) {
		t.Helper()
		for id := range kept {
			if status, body, _ := p.ask(t, "POST", "/v1/assessments/"+id+"/replay", "", ""); status != 200 || !regexp.MustCompile(`"same":true`).Match(body) {
				t.Errorf("replay of %s: %d %s", id, status, body)
			}
		}
		if got := p.all(t, "GB"); len(got) != len(kept) {
			t.Errorf("%d are listed, want %d", len(got), len(kept))
		}
		p.verify(t, verifier, len(kept))
	}
	first := write(old, "first")
	for range 5 {
		write(old, "")
	}
	now.start(t)
	if again := write(now, "first"); again != first {
		t.Errorf("the new one does again what the old one did: %s, %s", first, again)
	}
	read(now)
	status, body, _ := old.ask(t, "GET", "/readyz", "", "")
	if status == http.StatusServiceUnavailable && bytes.Contains(body, []byte("run a newer program")) {
		t.Logf("the old one leaves: %s", body)
		write(now, "")
		read(now)
		return
	}
	if status != http.StatusOK {
		t.Fatalf("the old one: %d %s", status, body)
	}
	t.Log("the old one stays: both answer")
	var both sync.WaitGroup
	var mu sync.Mutex
	for _, p := range []*process{old, now, old, now} {
		both.Go(func() {
			for range 25 {
				status, body, id := p.ask(t, "POST", "/v1/assessments", `{"jurisdiction":"GB","as_of":"2026-11-25"}`, "")
				mu.Lock()
				kept[id] = true
				mu.Unlock()
				if status != http.StatusCreated {
					t.Errorf("%d %s", status, body)
				}
			}
		})
	}
	both.Wait()
	second := write(now, "second")
	if again := write(old, "second"); again != second {
		t.Errorf("the old one does again what the new one did: %s, %s", second, again)
	}
	read(old)
	read(now)
}
