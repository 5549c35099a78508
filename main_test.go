package main

import (
	"bytes"
	"context"
	"encoding/json"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// rooms is the table of the contributor guide: what each may import of ours.
// "x/..." stands for x and everything in it.
var rooms = map[string][]string{
	"openapi":  {},
	"rules":    {"rules/..."},
	"service":  {"rules/..."},
	"api":      {"openapi", "service", "rules/..."},
	"db":       {"db/...", "service", "rules/..."},
	"testdata": {},
}

// inTests are rooms that tests may reach beside: the boundary cases run through
// every layer, and the edge is tested on both stores.
var inTests = map[string][]string{
	"rules":   {"testdata"},
	"service": {"testdata", "db/memory"},
	"api":     {"testdata", "db/memory", "db/postgres", "db/pgtest", "openapi/openapitest"},
	"db":      {"testdata"},
}

// TestRooms holds the import column of the table of rooms.
func TestRooms(t *testing.T) {
	seen := map[string]bool{}
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && path != "." {
			return fs.SkipDir
		}
		room := strings.Split(path, string(filepath.Separator))[0]
		if filepath.Ext(path) != ".go" || room == path {
			return nil // main.go may import everything
		}
		allowed, known := rooms[room]
		if !known {
			t.Errorf("%s: there is no room %s", path, room)
			return nil
		}
		seen[room] = true
		if strings.HasSuffix(path, "_test.go") || room == "db" && strings.Contains(path, "storetest") {
			allowed = append(slices.Clone(allowed), inTests[room]...)
		}
		return imports(t, path, room, allowed)
	})
	if err != nil {
		t.Fatal(err)
	}
	for room := range rooms {
		if !seen[room] {
			t.Errorf("the room %s holds no code", room)
		}
	}
}

func imports(t *testing.T, path, room string, allowed []string) error {
	file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
	if err != nil {
		return err
	}
	for _, spec := range file.Imports {
		name, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return err
		}
		ours, ok := strings.CutPrefix(name, "drawgear/")
		if !ok || ours == room || strings.HasPrefix(ours, room+"/") {
			continue
		}
		if !slices.ContainsFunc(allowed, func(a string) bool {
			tree, deep := strings.CutSuffix(a, "/...")
			return ours == a || deep && (ours == tree || strings.HasPrefix(ours, tree+"/"))
		}) {
			t.Errorf("%s imports %s, which the room %s may not", path, ours, room)
		}
	}
	return nil
}

// runCommand runs the command line as a user would.
func runCommand(t *testing.T, in string, args ...string) (code int, out, errOut string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = run(t.Context(), args, streams{strings.NewReader(in), &stdout, &stderr})
	return code, stdout.String(), stderr.String()
}

func TestEvaluate(t *testing.T) {
	code, out, errOut := runCommand(t, "", "evaluate", "testdata/rigs/horse-float.json")
	if code != exitOK {
		t.Fatalf("exit %d: %s", code, errOut)
	}
	var a struct {
		Answer struct{ Verdict string }
	}
	if err := json.Unmarshal([]byte(out), &a); err != nil || a.Answer.Verdict != "compliant" {
		t.Errorf("%v, verdict %q", err, a.Answer.Verdict)
	}
}

func TestCommandRefusals(t *testing.T) {
	for _, c := range []struct {
		name string
		in   string
		args []string
		code int
		says string
	}{
		{"no command", "", nil, exitUsage, "serve"},
		{"unknown flag", "", []string{"serve", "--lissten", "x"}, exitUsage, "lissten"},
		{"a rig that contradicts itself", `{"jurisdiction":"GB","trailer":{"rated":{"total":"1 t","axles":"2 t"}}}`, []string{"evaluate", "-"}, exitFailed, "/trailer/rated/axles"},
		{"a place without law", `{"jurisdiction":"ZZ"}`, []string{"evaluate", "-"}, exitFailed, "ZZ"},
		{"no such file", "", []string{"evaluate", "no-such-file.json"}, exitFailed, "no-such-file.json"},
		{"a ruleset with a fault", "ruleset: xx\nnonsense: 1\n", []string{"check", "-"}, exitFailed, "line 2"},
		{"an address that cannot be", "", []string{"serve", "--listen", "nowhere"}, exitFailed, "DRAWGEAR_LISTEN"},
		{"open to other machines", "", []string{"serve", "--listen", ":0"}, exitFailed, "drawgear key new"},
		{"open to another network", "", []string{"serve", "--listen", "192.0.2.1:0"}, exitFailed, "DRAWGEAR_BOOTSTRAP_KEY"},
		{"open to every address of IPv6", "", []string{"serve", "--listen", "[::]:0"}, exitFailed, "DRAWGEAR_BOOTSTRAP_KEY"},
		{"a bootstrap key that is none", "", []string{"serve", "--bootstrap-key", "dgk_hush"}, exitFailed, "DRAWGEAR_BOOTSTRAP_KEY"},
		{"a key where none is wanted", "", []string{"serve", "dgk_hush"}, exitUsage, "[secret]"},
		{"tokens of anybody", "", []string{"serve", "--oidc-audience", "drawgear"}, exitFailed, "issuer"},
		{"tokens for anybody", "", []string{"serve", "--oidc-issuer", "https://id.example"}, exitFailed, "audience"},
		{"nothing to keep", "", []string{"serve", "--keep", "0"}, exitFailed, "DRAWGEAR_KEEP"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, _, errOut := runCommand(t, c.in, c.args...)
			if strings.Contains(errOut, "hush") {
				t.Errorf("repeats a secret: %s", errOut)
			}
			if code != c.code || !strings.Contains(errOut, c.says) {
				t.Errorf("exit %d, says %q; want %d and %q", code, errOut, c.code, c.says)
			}
		})
	}
}

func TestCheckPasses(t *testing.T) {
	code, out, errOut := runCommand(t, "", "check", "rules/library/frames/makers-ratings.v1.yaml")
	if code != exitOK || !strings.Contains(out, "makers-ratings version 1") {
		t.Errorf("exit %d: %s%s", code, out, errOut)
	}
}

// TestServe starts the service on a free port, asks it, and stops it as
// SIGTERM does; the answer is byte for byte that of the command line.
func TestServe(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	listener.Close()

	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var stderr lockedBuffer
	done := make(chan int, 1)
	go func() { done <- run(ctx, []string{"serve", "--listen", address}, streams{nil, &stderr, &stderr}) }()

	body, err := os.ReadFile("testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	var resp *http.Response
	for range 100 { // it compiles the library first
		resp, err = http.Post("http://"+address+"/v1/assessments?record=false", "application/json", bytes.NewReader(body))
		if err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var served bytes.Buffer
	if _, err := served.ReadFrom(resp.Body); err != nil {
		t.Fatal(err)
	}
	_, out, _ := runCommand(t, "", "evaluate", "testdata/rigs/horse-float.json")
	if resp.StatusCode != http.StatusOK || served.String() != out {
		t.Errorf("status %d; the service and the command line differ:\n%s\n%s", resp.StatusCode, served.String(), out)
	}
	stop()
	select {
	case code := <-done:
		if code != exitOK || !strings.Contains(stderr.String(), "stopped") {
			t.Errorf("exit %d: %s", code, stderr.String())
		}
	case <-time.After(20 * time.Second):
		t.Fatal("does not stop")
	}
}

// lockedBuffer is a log that is read while it is written.
type lockedBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

// TestServeWithKeys runs a service that other machines can reach, with a key
// from the environment, through a whole session; no key gets into its log.
func TestServeWithKeys(t *testing.T) {
	code, out, errOut := runCommand(t, "", "key", "new")
	key, ended := strings.CutSuffix(out, "\n")
	if code != exitOK || !ended || len(key) != 73 || errOut != "" {
		t.Fatalf("drawgear key new: exit %d, %d bytes, %s", code, len(out), errOut)
	}
	if _, again, _ := runCommand(t, "", "key", "new"); again == out {
		t.Error("the same key twice")
	}
	t.Setenv("DRAWGEAR_BOOTSTRAP_KEY", key)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var log lockedBuffer
	done := make(chan int, 1)
	go func() { done <- run(ctx, []string{"serve", "--listen", "0.0.0.0:0"}, streams{nil, &log, &log}) }()

	address := ""
	for range 200 { // it compiles the library first
		if m := regexp.MustCompile(`"address":"http://[^"]*:(\d+)"`).FindStringSubmatch(log.String()); m != nil {
			address = "http://127.0.0.1:" + m[1]
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if address == "" {
		t.Fatalf("does not start: %s", log.String())
	}
	ask := func(method, path, body string, headers ...string) (int, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, address+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		req.Host = "yard.example"
		for _, h := range headers {
			req.Header.Add("Authorization", h)
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		reply, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return res.StatusCode, string(reply)
	}
	_, issued := ask("POST", "/v1/keys", `{"name":"Saltmarsh Yard","scopes":["assess"]}`, "Bearer "+key)
	var second struct{ ID, Key string }
	if err := json.Unmarshal([]byte(issued), &second); err != nil || second.Key == "" {
		t.Fatalf("issue a key: %s", issued)
	}
	for _, c := range []struct {
		method, path string
		headers      []string
		want         int
	}{
		{"GET", "/livez", nil, 200},
		{"GET", "/openapi.json", nil, 200},
		{"GET", "/v1/jurisdictions/GB", nil, 401}, // loopback or not, nothing is open
		{"GET", "/v1/jurisdictions/GB", []string{"Bearer " + second.Key}, 200},
		{"POST", "/v1/assessments?record=false", []string{"Bearer " + second.Key}, 200},
		{"GET", "/v1/assessments", []string{"Bearer " + second.Key}, 403},
		{"GET", "/v1/assessments?key=" + second.Key, nil, 401},
		{"GET", "/v1/" + second.Key, []string{"Bearer " + second.Key}, 404},
		{"GET", "/v1/assessments", []string{"Bearer " + second.Key, "Bearer " + key}, 401},
		{"DELETE", "/v1/keys/" + second.ID, []string{"Bearer " + key}, 204},
		{"GET", "/v1/jurisdictions/GB", []string{"Bearer " + second.Key}, 401},
	} {
		body := ""
		if c.method == "POST" {
			body = tryRig
		}
		if got, reply := ask(c.method, c.path, body, c.headers...); got != c.want {
			t.Errorf("%s %s: %d, want %d: %s", c.method, c.path[:min(len(c.path), 30)], got, c.want, reply)
		}
	}
	stop()
	if code := <-done; code != exitOK {
		t.Errorf("exit %d: %s", code, log.String())
	}
	for _, secret := range []string{"dgk_", key[21:], second.Key[21:]} {
		if strings.Contains(log.String(), secret) {
			t.Errorf("the log has %q:\n%s", secret, log.String())
		}
	}
	if n := strings.Count(log.String(), `"msg":"request"`); n != 12 {
		t.Errorf("%d requests are logged, want 12", n)
	}
}

// TestReadme: the answer that the README shows is a true extract of the answer.
func TestReadme(t *testing.T) {
	text, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "```json\n")
	block, _, found := strings.Cut(rest, "```")
	if !found {
		t.Fatal("the README shows no answer")
	}
	var shown, real any
	if err := json.Unmarshal([]byte(block), &shown); err != nil {
		t.Fatal(err)
	}
	_, out, _ := runCommand(t, "", "evaluate", "testdata/rigs/horse-float.json")
	if err := json.Unmarshal([]byte(out), &real); err != nil {
		t.Fatal(err)
	}
	extract(t, "", shown, real)
}

// extract reports where shown is not part of real. Objects of a list are found
// by their id.
func extract(t *testing.T, at string, shown, real any) {
	t.Helper()
	switch s := shown.(type) {
	case map[string]any:
		r, _ := real.(map[string]any)
		for k, v := range s {
			extract(t, at+"/"+k, v, r[k])
		}
	case []any:
		r, _ := real.([]any)
		for i, v := range s {
			obj, ok := v.(map[string]any)
			if !ok {
				if i >= len(r) || r[i] != v {
					t.Errorf("%s: the README shows %v, the answer has %v", at, s, r)
				}
				continue
			}
			j := slices.IndexFunc(r, func(x any) bool { m, _ := x.(map[string]any); return m["id"] == obj["id"] })
			if j < 0 {
				t.Errorf("%s: the answer has no %v", at, obj["id"])
				continue
			}
			extract(t, at+"/"+obj["id"].(string), v, r[j])
		}
	default:
		if shown != real {
			t.Errorf("%s: the README shows %v, the answer has %v", at, shown, real)
		}
	}
}

// TestReadmeCoverage: the table in the README is what the rulesets say.
func TestReadmeCoverage(t *testing.T) {
	text, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "<!-- coverage -->\n")
	shown, _, found := strings.Cut(rest, "<!-- /coverage -->")
	if !found {
		t.Fatal("the README has no table")
	}
	_, now, _ := runCommand(t, "", "coverage")
	if shown != now {
		t.Error("the table in the README is stale: put the output of `go run . coverage` between the marks")
	}
}
