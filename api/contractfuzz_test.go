package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"regexp/syntax"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"drawgear/db/memory"
	"drawgear/openapi"
	"drawgear/openapi/openapitest"
	"drawgear/service"
)

// TestContractFuzz asks every operation of the contract again and again: what it
// takes, what it nearly takes and what nobody should send. Every reply is held
// to the contract, so is every request that was taken, and none is a fault of
// ours. The requests come from the schemas and examples of the document and from
// the requests of TestNeighbours, by a generator with a fixed seed: an operation
// that is new is asked as well. Where an operation needs something in a state that
// is soon used up, another is made. Every eighth time round, each is asked as it
// should be, so that all of them are taken.
//
// DRAWGEAR_FUZZ_REQUESTS says how many, DRAWGEAR_FUZZ_SEED by which seed.
func TestContractFuzz(t *testing.T) {
	requests, seed := fromEnvironment(t, "DRAWGEAR_FUZZ_REQUESTS", 2000), fromEnvironment(t, "DRAWGEAR_FUZZ_SEED", 1)
	if testing.Short() {
		requests = min(requests, 200)
	}
	doc, err := openapitest.Document()
	if err != nil {
		t.Fatal(err)
	}
	f := &fuzzer{rng: rand.New(rand.NewPCG(uint64(seed), 0)), doc: doc, ops: openapi.Operations(), taken: map[string]int{}}
	statuses := map[int]int{}
	for i := range requests {
		if i%lifetime == 0 {
			f.begin(t)
		}
		op := f.ops[i%len(f.ops)]
		ask := f.request
		if i/len(f.ops)%8 == 0 {
			ask = f.proper
		}
		req, body := ask(t, op)
		r := f.send(req, body)
		statuses[r.Status]++
		openapitest.Check(t, req, body, r)
		if r.Status >= 500 || t.Failed() {
			t.Fatalf("request %d by seed %d, %s: %s %s %v\n%.2000q\nwas answered with %d %.500q", i, seed, op.ID, req.Method, req.URL, req.Header, body, r.Status, r.Body)
		}
		f.learn(op, r)
		if r.Status == http.StatusNoContent { // something is gone, perhaps a key of those who ask
			f.awake(t)
		}
	}
	for _, status := range slices.Sorted(maps.Keys(statuses)) {
		t.Logf("%d: %d replies", status, statuses[status])
	}
	var never []string
	for _, op := range f.ops {
		if f.taken[op.ID] == 0 {
			never = append(never, op.ID)
		}
	}
	t.Logf("%d requests to %d operations", requests, len(f.ops))
	if len(never) > 0 && requests >= len(f.ops) {
		t.Errorf("%d of %d operations never took a request: %v", len(never), len(f.ops), never)
	}
}

// lifetime is how many requests a service is asked before another begins from new:
// what it keeps would make it slower and slower.
const lifetime = 5000

func fromEnvironment(t testing.TB, name string, otherwise int) int {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return n
}

// fuzzer makes requests.
type fuzzer struct {
	rng   *rand.Rand
	doc   *openapi3.T
	ops   []openapi.Operation
	n     neighbours
	seeds map[string]neighbourly

	learned map[string][]string // values of path parameters that replies told, by path and name
	tags    []string            // ETags that replies told
	version int                 // of the ruleset that is moved through its states; 0 for none yet
	taken   map[string]int      // successes by operation
}

// begin has the requests that follow go to a service of their own.
func (f *fuzzer) begin(t testing.TB) {
	f.n, f.learned, f.tags, f.version = newNeighbours(t, memory.New(0), ""), map[string][]string{}, nil, 0
	f.seeds = f.n.operations()
}

// chain is a ruleset whose versions are moved through their states, one at a time.
const chain = "house-chain"

// needs are the states of a version that operations want.
var needs = map[string]string{
	"replaceRulesetDraft": "draft", "checkRulesetVersion": "draft", "approveRulesetVersion": "draft",
	"publishRulesetVersion": "approved", "withdrawRulesetVersion": "published",
}

// start is where an operation finds what it needs, and the tag of that.
func (f *fuzzer) start(t testing.TB, op openapi.Operation) (seed neighbourly, tag string) {
	seed, tag = f.seeds[op.ID], anyTag.value
	if state := needs[op.ID]; state != "" {
		at := f.advance(t, state)
		path := fmt.Sprintf("/v1/rulesets/%s/versions/%d", chain, f.version)
		seed.target, tag = path+seed.target[strings.Index(seed.target, "/versions/")+len("/versions/1"):], at.Header.Get("ETag")
		if op.ID == "replaceRulesetDraft" {
			seed.body = f.chained()
		}
	}
	if op.ID == "signOffFitting" {
		made := wantStatus(t, "a fitting", call(t, f.n.h, "POST", "/v1/fittings", yardFitting, f.n.yard), 201)
		at := made.Header.Get("Location")
		proven := wantStatus(t, "its proof", call(t, f.n.h, "POST", at+"/proofs", floatReadings, f.n.yard, match(made)), 201)
		seed.target, tag = at+"/sign-off", proven.Header.Get("ETag")
	}
	return seed, tag
}

// chained is the text of the version that is moved.
func (f *fuzzer) chained() string {
	return strings.NewReplacer("house-yard", chain, "house.brakes", "house.chained", "version: 1", fmt.Sprintf("version: %d", f.version)).Replace(yardRules)
}

// advance moves the ruleset on until the last of its versions is in a state, and gives
// that version. Requests move it as well, and may leave one that cannot be moved on:
// then another follows.
func (f *fuzzer) advance(t testing.TB, to string) openapitest.Reply {
	for range 8 {
		at := fmt.Sprintf("/v1/rulesets/%s/versions/%d", chain, f.version)
		r := call(t, f.n.h, "GET", at, "", f.n.yard)
		var v service.RulesetVersion
		if r.Status == http.StatusOK {
			v = decode[service.RulesetVersion](t, r)
		}
		var moved openapitest.Reply
		switch {
		case string(v.State) == to:
			return r
		case v.State == service.Draft: // as it should be, and not by who approves
			moved = call(t, f.n.h, "PUT", at, f.chained(), f.n.yard, asYAML, anyTag)
			moved = call(t, f.n.h, "POST", at+"/approve", "", f.n.approver, match(moved))
		case v.State == service.Approved:
			moved = call(t, f.n.h, "POST", at+"/publish", "", f.n.approver, match(r))
		case v.State == service.Published:
			moved = call(t, f.n.h, "POST", at+"/withdraw", `{"reason":"Another follows."}`, f.n.approver, match(r))
		}
		if moved.Status != http.StatusOK {
			f.version++
			call(t, f.n.h, "POST", "/v1/rulesets", f.chained(), f.n.yard, asYAML)
		}
	}
	t.Fatalf("version %d of %s does not come to be %s", f.version, chain, to)
	return openapitest.Reply{}
}

// proper makes a request of an operation as it should be.
func (f *fuzzer) proper(t testing.TB, op openapi.Operation) (*http.Request, []byte) {
	seed, tag := f.start(t, op)
	req := httptest.NewRequest(op.Method, seed.target, strings.NewReader(seed.body))
	req.Host = "localhost"
	if seed.body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for _, h := range seed.headers {
		req.Header.Set(h.name, h.value)
	}
	if f.takesTag(op) {
		req.Header.Set("If-Match", tag)
	}
	key := f.n.yard
	if op.Scope == string(service.ScopeApprove) {
		key = f.n.approver
	}
	req.Header.Set(key.name, key.value)
	return req, []byte(seed.body)
}

func (f *fuzzer) takesTag(op openapi.Operation) bool {
	return slices.ContainsFunc(op.Parameters, func(p openapi.Parameter) bool { return p.Name == "If-Match" })
}

func (f *fuzzer) one(in int) bool { return f.rng.IntN(in) == 0 }

func pick[T any](f *fuzzer, from []T) T { return from[f.rng.IntN(len(from))] }

// hostileTexts are what breaks those who read texts.
var hostileTexts = []string{
	"", " ", "\x00", "\xff\xfe", "\u202e", "\u2028", "🛻", "e\u0301", "../../etc/passwd", "'; DROP TABLE assessments; --", "<script>alert(1)</script>",
	"{{7*7}}", "${x}", "%s%n", "=1+1", "\r\nX-A: b", "null", "true", "NaN", "-0", "1e999", "9223372036854775808", "-9223372036854775809", "0x10", "٣",
	"2026-02-30", "0000-01-01", "9999-12-31T23:59:60Z", "1970-01-01T00:00:00+99:99", "5 kg", "-5 kg", "1e9 t", "0.000000000001 kg", "GB", "AU-NSW", "ZZ",
	strings.Repeat("A", 65), strings.Repeat("9", 400), strings.Repeat("é", 5000),
}

// numbers are what breaks those who count.
var numbers = []any{0, -1, 1, 0.5, json.Number("-0.0"), 100, 101, math.MaxInt32 + 1, math.MaxInt64, 1e308, 1e-320, json.Number("1e999"), json.Number("00")}

// request makes one for an operation.
func (f *fuzzer) request(t testing.TB, op openapi.Operation) (*http.Request, []byte) {
	shape := f.doc.Paths.Value(op.Path).GetOperation(op.Method)
	seed, tag := f.start(t, op)
	target := f.path(op)
	if f.one(2) {
		target, _, _ = strings.Cut(seed.target, "?")
	}
	query := url.Values{}
	if _, given, ok := strings.Cut(seed.target, "?"); ok && !f.one(4) {
		query, _ = url.ParseQuery(given)
	}
	header := http.Header{}
	for _, p := range shape.Parameters {
		in, name := p.Value.In, p.Value.Name
		if in == "path" || !p.Value.Required && !f.one(3) {
			continue
		}
		text := f.parameter(p.Value.Schema)
		switch {
		case in == "query" && (!query.Has(name) || f.one(8)):
			query.Add(name, text) // twice now and then
		case in == "header" && name == "If-Match":
			if f.one(2) {
				tag = f.tag()
			}
			header.Set(name, tag)
		case in == "header" && printable(text):
			header.Set(name, text)
		}
	}
	if f.one(30) {
		query.Add(pick(f, hostileTexts), pick(f, hostileTexts))
	}
	if raw := query.Encode(); raw != "" {
		target += "?" + raw
	}
	method := op.Method
	if method == http.MethodGet && f.one(20) {
		method = http.MethodHead
	}
	body, kind := f.body(op, shape, seed)
	var in io.Reader
	if body != nil {
		in = bytes.NewReader(body)
	}
	req := httptest.NewRequest(method, target, in)
	req.Host, req.Header = "localhost", header
	if f.one(100) {
		req.URL.RawQuery = strings.ReplaceAll(pick(f, hostileTexts), "\r\n", "")
	}
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	if len(op.Kinds) > 1 && f.one(2) {
		req.Header.Set("Accept", pick(f, append(op.Kinds, "*/*", "text/*;q=0.1", "image/webp", ";;q=9", "")))
	}
	switch f.rng.IntN(40) {
	case 0:
	case 1:
		req.Header.Set("Authorization", "Bearer "+pick(f, []string{"a", "dgk_", strings.Repeat("a", 9000), "\u00e9", "a b"}))
	case 2:
		req.Header.Set("Authorization", f.n.tarn.value)
	default:
		req.Header.Set("Authorization", pick(f, []string{f.n.yard.value, f.n.approver.value}))
	}
	return req, body
}

// path fills in the parameters of a path.
func (f *fuzzer) path(op openapi.Operation) string {
	target := op.Path
	for _, p := range op.Parameters {
		if p.In != "path" {
			continue
		}
		var text string
		switch known := f.learned[parent(op.Path, p.Name)]; {
		case len(known) > 0 && !f.one(8):
			text = pick(f, known)
		case f.one(2):
			schema := f.doc.Paths.Value(op.Path).GetOperation(op.Method).Parameters.GetByInAndName("path", p.Name)
			text = fmt.Sprint(f.value(schema.Schema, 0))
		default:
			text = pick(f, hostileTexts)
		}
		target = strings.Replace(target, "{"+p.Name+"}", url.PathEscape(text), 1)
	}
	return target
}

// parent is the part of a path up to a parameter, under which its values are
// learned.
func parent(path, name string) string {
	before, _, _ := strings.Cut(path, "{"+name+"}")
	return before + name
}

func (f *fuzzer) parameter(s *openapi3.SchemaRef) string {
	if f.one(4) {
		return pick(f, hostileTexts)
	}
	return fmt.Sprint(f.value(s, 0))
}

func (f *fuzzer) tag() string {
	if f.one(3) {
		return "*"
	}
	if len(f.tags) > 0 && !f.one(3) {
		return pick(f, f.tags)
	}
	return pick(f, []string{"*", `"a"`, `W/"a"`, `"a", "b"`, "a", `"`, `""`, strings.Repeat("a", 2000)})
}

// printable says whether net/http would let a text through as a field of a header.
func printable(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool { return r < ' ' && r != '\t' || r == 0x7f })
}

// body makes what an operation reads, with its kind.
func (f *fuzzer) body(op openapi.Operation, shape *openapi3.Operation, seed neighbourly) (body []byte, kind string) {
	if shape.RequestBody == nil {
		if f.one(50) {
			return []byte(pick(f, hostileTexts)), "application/json"
		}
		return nil, ""
	}
	kinds := slices.Sorted(maps.Keys(shape.RequestBody.Value.Content))
	kind = pick(f, kinds)
	media := shape.RequestBody.Value.Content[kind]
	for _, h := range seed.headers {
		if seed.body != "" && http.CanonicalHeaderKey(h.name) == "Content-Type" {
			kind = h.value
		}
	}
	switch examples := examplesOf(media); {
	case seed.body != "" && f.one(2):
		body = []byte(seed.body)
	case len(examples) > 0 && f.one(2):
		body = text(pick(f, examples))
	default:
		body = text(f.value(media.Schema, 0))
	}
	for range f.rng.IntN(3) {
		body = f.mutate(body, media.Schema)
	}
	if f.one(10) {
		body = f.damage(body)
	}
	if f.one(50) {
		kind = pick(f, []string{"", "text/html", "application/json; charset=latin1", "application/json;;", "*/*", kinds[0] + "; charset=UTF-8"})
	}
	return body, kind
}

func examplesOf(m *openapi3.MediaType) (all []any) {
	if m.Example != nil {
		all = append(all, m.Example)
	}
	for _, name := range slices.Sorted(maps.Keys(m.Examples)) {
		all = append(all, m.Examples[name].Value.Value)
	}
	if m.Schema != nil && m.Schema.Value.Example != nil {
		all = append(all, m.Schema.Value.Example)
	}
	return all
}

// text writes a body: texts as they are, all else as JSON.
func text(v any) []byte {
	if s, ok := v.(string); ok {
		return []byte(s)
	}
	out, err := json.Marshal(v)
	if err != nil { // a number that is none
		return fmt.Append(nil, v)
	}
	return out
}

// value makes one that a schema takes, as far as its words tell.
func (f *fuzzer) value(ref *openapi3.SchemaRef, depth int) any {
	if ref == nil || ref.Value == nil || depth > 8 {
		return map[string]any{}
	}
	s := ref.Value
	for _, of := range []openapi3.SchemaRefs{s.OneOf, s.AnyOf} {
		if len(of) > 0 {
			return f.value(pick(f, of), depth+1)
		}
	}
	switch {
	case s.Example != nil && !f.one(3):
		return s.Example
	case len(s.Enum) > 0:
		return pick(f, s.Enum)
	case s.Type.Is("object") || len(s.Properties) > 0 || len(s.AllOf) > 0:
		out := map[string]any{}
		for _, part := range s.AllOf {
			switch v := f.value(part, depth+1).(type) {
			case map[string]any:
				maps.Copy(out, v)
			default:
				return v
			}
		}
		for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
			if slices.Contains(s.Required, name) || f.one(3) {
				out[name] = f.value(s.Properties[name], depth+1)
			}
		}
		return out
	case s.Type.Is("array"):
		most := uint64(3)
		if s.MaxItems != nil {
			most = min(most, *s.MaxItems)
		}
		out := []any{}
		for range max(s.MinItems, f.rng.Uint64N(most+1)) {
			out = append(out, f.value(s.Items, depth+1))
		}
		return out
	case s.Type.Is("boolean"):
		return f.one(2)
	case s.Type.Is("integer"), s.Type.Is("number"):
		low, high := 0.0, 100.0
		if s.Min != nil {
			low = *s.Min
		}
		if s.Max != nil {
			high = *s.Max
		}
		switch f.rng.IntN(4) {
		case 0:
			return low
		case 1:
			return high
		default:
			return math.Floor(low + f.rng.Float64()*min(high-low, 1000))
		}
	case s.Type.Is("string") && s.Format == "date-time":
		return pick(f, []string{"2026-11-25T09:00:00Z", "2030-01-01T00:00:00+01:00", "1999-12-31T23:59:59.999999Z"})
	case s.Type.Is("string") && s.Format == "date":
		return pick(f, []string{"2026-11-25", "2024-02-29", "1900-01-01"})
	case s.Type.Is("string") && s.Pattern != "":
		return f.matching(s.Pattern)
	case s.Type.Is("string"):
		return strings.Repeat("x", int(max(s.MinLength, f.rng.Uint64N(12))))
	default:
		return pick(f, numbers)
	}
}

// matching makes a text that a pattern takes.
func (f *fuzzer) matching(pattern string) string {
	re, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return pattern
	}
	var out strings.Builder
	f.spell(&out, re.Simplify())
	return out.String()
}

func (f *fuzzer) spell(out *strings.Builder, re *syntax.Regexp) {
	switch re.Op {
	case syntax.OpLiteral:
		out.WriteString(string(re.Rune))
	case syntax.OpCharClass:
		at := 2 * f.rng.IntN(len(re.Rune)/2)
		low, high := re.Rune[at], re.Rune[at+1]
		out.WriteRune(low + rune(f.rng.IntN(int(min(high-low, 60))+1)))
	case syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		out.WriteByte("aZ0 -"[f.rng.IntN(5)])
	case syntax.OpConcat, syntax.OpCapture:
		for _, sub := range re.Sub {
			f.spell(out, sub)
		}
	case syntax.OpAlternate:
		f.spell(out, pick(f, re.Sub))
	case syntax.OpQuest:
		if f.one(2) {
			f.spell(out, re.Sub[0])
		}
	case syntax.OpStar, syntax.OpPlus:
		least := 0
		if re.Op == syntax.OpPlus {
			least = 1
		}
		for range least + f.rng.IntN(4) {
			f.spell(out, re.Sub[0])
		}
	}
}

// mutate changes one thing in a body that is JSON, and a byte of any other.
func (f *fuzzer) mutate(body []byte, schema *openapi3.SchemaRef) []byte {
	in := json.NewDecoder(bytes.NewReader(body))
	in.UseNumber()
	var tree any
	if in.Decode(&tree) != nil {
		return f.damage(body)
	}
	var places []func(any)
	var walk func(v any, set func(any))
	walk = func(v any, set func(any)) {
		places = append(places, set)
		switch v := v.(type) {
		case map[string]any:
			for _, name := range slices.Sorted(maps.Keys(v)) {
				walk(v[name], func(to any) {
					if f.one(4) {
						delete(v, name)
						name = pick(f, append(hostileTexts, "jurisdiction", "name", "id"))
					}
					v[name] = to
				})
			}
		case []any:
			for i := range v {
				walk(v[i], func(to any) { v[i] = to })
			}
		}
	}
	walk(tree, func(to any) { tree = to })
	var to any
	switch f.rng.IntN(8) {
	case 0:
		to = nil
	case 1:
		to = pick(f, numbers)
	case 2, 3:
		to = pick(f, hostileTexts)
	case 4:
		to = f.one(2)
	case 5:
		to = slices.Repeat([]any{"x"}, f.rng.IntN(70))
	case 6:
		to = f.value(schema, 0)
	default:
		to = map[string]any{pick(f, hostileTexts): pick(f, hostileTexts)}
	}
	pick(f, places)(to)
	return text(tree)
}

// damage breaks the bytes of a body.
func (f *fuzzer) damage(body []byte) []byte {
	body = bytes.Clone(body)
	if len(body) == 0 {
		return []byte(pick(f, hostileTexts))
	}
	at := f.rng.IntN(len(body))
	switch f.rng.IntN(7) {
	case 0:
		return body[:at]
	case 1:
		body[at] = byte(f.rng.IntN(256))
		return body
	case 2:
		return slices.Insert(body, at, []byte(pick(f, hostileTexts))...)
	case 3:
		return append(body, body...)
	case 4: // a name twice
		return bytes.Replace(body, []byte("{"), []byte(`{"jurisdiction":"GB","name":"a",`), 1)
	case 5:
		return slices.Concat(bytes.Repeat([]byte(`{"a":`), 2000), body, bytes.Repeat([]byte("}"), 2000))
	default:
		return slices.Concat([]byte("\xef\xbb\xbf"), body)
	}
}

func (f *fuzzer) send(req *http.Request, body []byte) openapitest.Reply {
	rec := httptest.NewRecorder()
	if body != nil {
		req.Body = io.NopCloser(bytes.NewReader(body))
	}
	ctx, leave := context.WithCancel(req.Context())
	defer leave()
	f.n.h.ServeHTTP(leaver{rec, leave}, req.WithContext(ctx))
	r := openapitest.Reply{Status: rec.Code, Header: rec.Header(), Body: rec.Body.Bytes()}
	if req.Method == http.MethodHead {
		r.Body = nil
	}
	return r
}

// mostLearned bounds what is remembered of one kind.
const mostLearned = 64

func (f *fuzzer) remember(list []string, text string) []string {
	if len(list) < mostLearned {
		return append(list, text)
	}
	list[f.rng.IntN(len(list))] = text
	return list
}

// names finds the values of path parameters in a reply: where it says something
// is, and what is listed.
var names = regexp.MustCompile(`"(id|ruleset)":"([^"\\]+)"`)

func (f *fuzzer) learn(op openapi.Operation, r openapitest.Reply) {
	if tag := r.Header.Get("ETag"); tag != "" {
		f.tags = f.remember(f.tags, tag)
	}
	if r.Status < 200 || r.Status > 299 {
		return
	}
	f.taken[op.ID]++
	if where := r.Header.Get("Location"); where != "" {
		dir, text := where[:strings.LastIndexByte(where, '/')+1], where[strings.LastIndexByte(where, '/')+1:]
		f.learned[dir+"id"] = f.remember(f.learned[dir+"id"], text)
	}
	for i, m := range names.FindAllSubmatch(r.Body, 8) {
		if i == 0 || op.Method == http.MethodGet {
			under := op.Path + "/id"
			f.learned[under] = f.remember(f.learned[under], string(m[2]))
		}
	}
}

// awake gives those who ask new keys if theirs were revoked by a request, or all
// that follows would be refused.
func (f *fuzzer) awake(t testing.TB) {
	t.Helper()
	for _, key := range []*header{&f.n.yard, &f.n.approver} {
		if askFrom(t, f.n.h, "192.0.2.1", "/v1/jurisdictions", *key).Status == http.StatusUnauthorized {
			*key = f.n.tenant(t, saltmarshYard, "Saltmarsh Yard")
		}
	}
}

// leaver is a caller who leaves a stream of events after the first: one may have
// no end.
type leaver struct {
	*httptest.ResponseRecorder
	leave func()
}

// Flush tells that something was sent.
func (l leaver) Flush() {
	l.ResponseRecorder.Flush()
	if l.Header().Get("Content-Type") == "text/event-stream" {
		l.leave()
	}
}
