package client_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/service"
)

const (
	partner = "../../testdata/partner"
	canned  = partner + "/rigs"
)

// index tells of the canned rigs, and for each type of problem how to get one.
type index struct {
	Rigs []struct {
		File, Shows string
		Status      int
		Verdict     rules.Verdict
		Problem     string
		Pointers    []string
	}
	Problems []struct {
		Type      string
		Situation string // that the service must be in
		Steps     []step
	}
}

// step is a request. Names in braces stand for what an earlier one kept.
type step struct {
	As      string // author unless said otherwise
	Send    string // method and target
	Headers map[string]string
	File    string
	Body    string
	Kind    string            // by the name of the file unless it is said
	Replace map[string]string // in the file; {n} is the number of the time
	Pad     int               // to so many bytes
	Times   int
	Status  int
	Keep    map[string]string // names, of headers of the reply
}

func readIndex(t testing.TB) index {
	t.Helper()
	f, err := os.Open(canned + "/index.json")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := json.NewDecoder(f)
	in.DisallowUnknownFields()
	var ix index
	if err := in.Decode(&ix); err != nil {
		t.Fatalf("read the index: %v", err)
	}
	return ix
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// verdictOf is that of the answer in a reply, if it is an assessment.
func verdictOf(t testing.TB, body []byte) rules.Verdict {
	t.Helper()
	var a struct {
		Answer struct{ Verdict rules.Verdict }
	}
	if err := json.Unmarshal(body, &a); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	return a.Answer.Verdict
}

// TestRigs: each canned rig is answered as the index says, no file is left out
// of it, and each verdict is there.
func TestRigs(t *testing.T) {
	r := serve(t, memory.New(0), nil, 0)
	key := r.tenant(t)["author"]
	left := map[string]bool{}
	files, err := filepath.Glob(canned + "/*.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		left[filepath.Base(f)] = true
	}
	delete(left, "index.json")
	verdicts := map[rules.Verdict]bool{}
	for _, c := range readIndex(t).Rigs {
		delete(left, c.File)
		verdicts[c.Verdict] = true
		got := send(t, "POST", r.url+"/v1/assessments?record=false", key, http.Header{"Content-Type": {"application/json"}}, read(t, canned+"/"+c.File), false)
		switch {
		case c.Shows == "" || (c.Verdict == "") == (c.Problem == ""):
			t.Errorf("%s: say what it shows, and either a verdict or a problem", c.File)
		case got.Status != c.Status:
			t.Errorf("%s: %d %s", c.File, got.Status, short(got.Body))
		case c.Verdict != "":
			if v := verdictOf(t, got.Body); v != c.Verdict {
				t.Errorf("%s is %s", c.File, v)
			}
		default:
			p := got.Problem(t)
			var pointers []string
			for _, e := range p.Errors {
				pointers = append(pointers, *e.Pointer)
			}
			if slices.Sort(pointers); p.Type != c.Problem || c.Pointers != nil && !slices.Equal(pointers, c.Pointers) {
				t.Errorf("%s: %s at %v", c.File, p.Type, pointers)
			}
		}
	}
	for f := range left {
		t.Errorf("%s is not in the index", f)
	}
	for _, v := range []rules.Verdict{rules.Compliant, rules.NonCompliant, rules.Undetermined} {
		if !verdicts[v] {
			t.Errorf("no rig is %s", v)
		}
	}
}

// TestProblems gets a problem of each type of the contract as the index says.
func TestProblems(t *testing.T) {
	doc, err := openapitest.Document()
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]bool{}
	for _, word := range doc.Components.Schemas["Problem"].Value.Properties["type"].Value.Enum {
		want[word.(string)] = true
	}
	store := memory.New(0)
	plain := serve(t, store, withAuthors(t, store), 0)
	used := map[string]bool{}
	for _, p := range readIndex(t).Problems {
		if !want[p.Type] {
			t.Errorf("%s is not in the contract, or twice in the index", p.Type)
		}
		delete(want, p.Type)
		t.Run(strings.TrimPrefix(p.Type, "/problems/"), func(t *testing.T) {
			r, stalls, after := plain, false, func(int) {}
			if p.Situation != "" {
				used[p.Situation] = true
				make, known := situations[p.Situation]
				if !known {
					t.Fatalf("this test does not know how %q comes about", p.Situation)
				}
				r, stalls, after = make(t)
			}
			keys, kept := r.tenant(t), map[string]string{}
			for i, s := range p.Steps {
				for n := range max(1, s.Times) {
					got := s.run(t, r.url, keys, kept, n, stalls)
					if got.Status != s.Status {
						t.Fatalf("%s: %d %s", s.Send, got.Status, short(got.Body))
					}
					if i == len(p.Steps)-1 && got.Problem(t).Type != p.Type {
						t.Errorf("%s: %s", s.Send, short(got.Body))
					}
				}
				after(i)
			}
		})
	}
	for kind := range want {
		t.Errorf("the index does not tell how to get %s", kind)
	}
	for s := range situations {
		if !used[s] {
			t.Errorf("nothing needs that %s", s)
		}
	}
}

var inBraces = regexp.MustCompile(`\{\w+\}`)

func (s step) run(t testing.TB, base string, keys, kept map[string]string, n int, stalls bool) openapitest.Reply {
	t.Helper()
	kept["n"] = strconv.Itoa(n)
	fill := func(text string) string {
		return inBraces.ReplaceAllStringFunc(text, func(name string) string {
			value, ok := kept[strings.Trim(name, "{}")]
			if !ok {
				t.Fatalf("%s: nothing kept %s", s.Send, name)
			}
			return value
		})
	}
	body, kind := []byte(s.Body), s.Kind
	if s.File != "" {
		text := string(read(t, canned+"/"+s.File))
		for old, new := range s.Replace {
			text = strings.ReplaceAll(text, old, fill(new))
		}
		body = []byte(text)
		if kind == "" {
			kind = map[string]string{".json": "application/json", ".yaml": "application/yaml", ".csv": "text/csv"}[filepath.Ext(s.File)]
		}
	}
	if s.Pad > len(body) {
		body = append(body, strings.Repeat(" ", s.Pad-len(body))...)
	}
	header := http.Header{}
	if kind != "" {
		header.Set("Content-Type", kind)
	}
	for name, value := range s.Headers {
		header.Set(name, fill(value))
	}
	who := s.As
	if who == "" {
		who = "author"
	}
	key, known := keys[who]
	if !known {
		t.Fatalf("%s: there is nobody called %s", s.Send, who)
	}
	method, target, _ := strings.Cut(s.Send, " ")
	got := send(t, method, base+fill(target), key, header, body, stalls)
	for name, from := range s.Keep {
		if kept[name] = got.Header.Get(from); kept[name] == "" {
			t.Fatalf("%s: the reply has no %s", s.Send, from)
		}
	}
	return got
}

// Put fails if it is to.
func (h hindered) Put(ctx context.Context, r service.Record) error {
	if h.err != nil {
		return h.err
	}
	return h.Store.Put(ctx, r)
}

// List waits the first time, if it is to.
func (h hindered) List(ctx context.Context, f service.Filter) ([]service.Summary, error) {
	if h.asked != nil {
		close(h.asked)
		<-h.leave
	}
	return h.Store.List(ctx, f)
}

// fullRegister is a register that has no room.
type fullRegister struct{ service.Register }

// PutEntries fails.
func (fullRegister) PutEntries(context.Context, ...service.Entry) error { return service.ErrFull }

// situations bring a service into a state in which a problem comes up that no
// request alone brings about: the service, whether bodies stall, and what
// happens after each step.
var situations = map[string]func(t *testing.T) (running, bool, func(step int)){
	"the body stops coming": func(t *testing.T) (running, bool, func(int)) {
		return serve(t, memory.New(0), nil, 200*time.Millisecond), true, func(int) {}
	},
	"the store fails":   withStoreError(errors.New("the disk is full")),
	"the store is away": withStoreError(fmt.Errorf("dial: %w", service.ErrUnavailable)),
	"the register has no room": func(t *testing.T) (running, bool, func(int)) {
		store := memory.New(0)
		return serve(t, store, func(c *api.Config) { c.Register = service.NewRegistry(c.Service, fullRegister{store}, clock) }, 0), false, func(int) {}
	},
	"no host may be told": func(t *testing.T) (running, bool, func(int)) {
		store := memory.New(0)
		return serve(t, store, func(c *api.Config) { c.Hooks = newHooks(t, store) }, 0), false, func(int) {}
	},
	"the record outlives the library": func(t *testing.T) (running, bool, func(int)) {
		r := serve(t, memory.New(0), nil, 0)
		return r, false, func(step int) {
			if step > 0 {
				return
			}
			rs, err := law.Parse([]byte(strings.ReplaceAll(string(read(t, partner+"/rulesets/yard.yaml")), "extends: [au-nsw-light-trailers]\n", "")))
			if err != nil {
				t.Fatal(err)
			}
			other, err := rules.NewBook([]*law.Ruleset{rs})
			if err != nil {
				t.Fatal(err)
			}
			r.become(api.New(api.Config{Service: service.New(other, r.store, clock), Auth: service.Bearers{Keys: r.keys}}))
		}
	},
	"one request is taken and no more": func(t *testing.T) (running, bool, func(int)) {
		return serve(t, memory.New(0), func(c *api.Config) { c.Limits = api.Limits{Rate: 0.001, Burst: 1} }, 0), false, func(int) {}
	},
	"another request is being answered, and one is all it takes": func(t *testing.T) (running, bool, func(int)) {
		store := memory.New(0)
		h := hindered{Store: store, asked: make(chan struct{}), leave: make(chan struct{})}
		r := serve(t, store, func(c *api.Config) {
			c.Limits, c.Service = api.Limits{InFlight: 1}, service.New(book(t), h, clock)
		}, 0)
		key, done := r.tenant(t)["reader"], make(chan int)
		go func() { done <- send(t, "GET", r.url+"/v1/assessments", key, nil, nil, false).Status }()
		<-h.asked
		return r, false, func(int) {
			close(h.leave)
			if status := <-done; status != http.StatusOK {
				t.Errorf("the other request ends with %d", status)
			}
		}
	},
}

func withStoreError(err error) func(t *testing.T) (running, bool, func(int)) {
	return func(t *testing.T) (running, bool, func(int)) {
		store := memory.New(0)
		return serve(t, store, func(c *api.Config) {
			c.Service = service.New(book(t), hindered{Store: store, err: err}, clock)
		}, 0), false, func(int) {}
	}
}

// TestRequestsFile sends every request of requests.http in turn, with what
// stands in it filled in, and looks for what the line "# expect" says.
func TestRequestsFile(t *testing.T) {
	r := serve(t, memory.New(0), nil, 0)
	vars := map[string]string{}
	set := regexp.MustCompile(`(?m)^@(\w+) *= *(.*)$`)
	text := string(read(t, partner+"/requests.http"))
	for _, m := range set.FindAllStringSubmatch(text, -1) {
		vars[m[1]] = m[2]
	}
	if slices.Sorted(maps.Keys(vars))[0] != "host" || len(vars) != 2 {
		t.Fatalf("the file sets %v, want host and key", vars)
	}
	vars["host"], vars["key"] = r.url, r.tenant(t)["author"]
	replies := map[string]http.Header{}
	fill := regexp.MustCompile(`\{\{([^}]+)\}\}`)
	blocks := strings.Split(text, "\n### ")[1:]
	for _, block := range blocks {
		title, block, _ := strings.Cut(block, "\n")
		block = fill.ReplaceAllStringFunc(block, func(m string) string {
			name := strings.Trim(m, "{}")
			if value, ok := vars[name]; ok {
				return value
			}
			of, header, _ := strings.Cut(name, ".response.headers.")
			value := replies[of].Get(header)
			if value == "" {
				t.Fatalf("%s: nothing gave %s", title, m)
			}
			return value
		})
		head, body, _ := strings.Cut(block, "\n\n")
		var named, method, target string
		var expect []string
		header := http.Header{}
		for line := range strings.Lines(head) {
			switch line = strings.TrimSpace(line); {
			case strings.HasPrefix(line, "# @name "):
				named = strings.TrimPrefix(line, "# @name ")
			case strings.HasPrefix(line, "# expect "):
				expect = strings.Fields(line)[2:]
			case method == "":
				method, target, _ = strings.Cut(line, " ")
			default:
				name, value, _ := strings.Cut(line, ": ")
				header.Set(name, value)
			}
		}
		data := []byte(strings.TrimSpace(body))
		if file, ok := strings.CutPrefix(string(data), "< "); ok {
			data = read(t, partner+"/"+file)
		}
		if len(expect) == 0 {
			t.Fatalf("%s: nothing is expected", title)
		}
		got := send(t, method, target, "", header, data, false)
		if strconv.Itoa(got.Status) != expect[0] {
			t.Fatalf("%s: %d %s", title, got.Status, short(got.Body))
		}
		if len(expect) == 2 && got.Status < 400 && string(verdictOf(t, got.Body)) != expect[1] {
			t.Errorf("%s: %s", title, verdictOf(t, got.Body))
		}
		if len(expect) == 2 && got.Status >= 400 && got.Problem(t).Type != expect[1] {
			t.Errorf("%s: %s", title, short(got.Body))
		}
		if named != "" {
			replies[named] = got.Header
		}
	}
	if len(blocks) < 20 {
		t.Errorf("only %d requests were found", len(blocks))
	}
}
