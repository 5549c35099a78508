package api_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/getkin/kin-openapi/openapi3"

	"drawgear/db/memory"
	"drawgear/openapi"
	"drawgear/openapi/openapitest"
	"drawgear/rules/fitting"
	"drawgear/rules/rig"
)

// What bodies are held to: the decoders are strict themselves, and no schema
// validator stands before them. The tests here hold them to one. Whatever the
// schema of the contract refuses, the decoder refuses. What it takes the decoder may
// refuse for what a schema cannot say, and for nothing else.

// beyond is a reason to refuse a body that a schema cannot say, by the code of the
// issue and its message; holds looks whether the body gives that reason.
type beyond struct {
	code    string
	message *regexp.Regexp
	holds   func(body []byte) bool
}

func always([]byte) bool { return true }

// beyondSchemas are the only ones of rigs and of documents of a job.
var beyondSchemas = []beyond{
	{rig.CodeLimit, regexp.MustCompile(`^the document is larger than 65536 bytes$`), func(body []byte) bool { return len(body) > rig.MaxBytes }},
	// To schemas 2.0 and 2e0 are whole numbers; a document writes 2.
	{rig.CodeWrongType, regexp.MustCompile(`^must be a whole number$`), regexp.MustCompile(`[0-9][.eE]`).Match},
	// Of amounts a pattern can say how they are written, not how much they are.
	{rig.CodeBadQuantity, regexp.MustCompile(` is too large: the most accepted is | has too many decimals to be held exactly: `), always},
	{rig.CodeBadQuantity, regexp.MustCompile(` is below absolute zero, `), always},
	{rig.CodeBadValue, regexp.MustCompile(` is (more|less) than any rig has$`), always},
	{rig.CodeBadValue, regexp.MustCompile(`^must be a decimal in quotes, from 1 to 2$`), regexp.MustCompile(`[0-9.]{16}`).Match}, // too many digits
	// Sizes of conductors have names in several systems.
	{rig.CodeBadValue, regexp.MustCompile(`^".*" is not understood: |^is too long: write it as "6 mm2"`), always},
	// Days of the pattern that no calendar has.
	{rig.CodeBadValue, regexp.MustCompile(`^not a day$`), noDay},
	// What holds between fields.
	{rig.CodeContradiction, regexp.MustCompile(`^contradicts /`), always},
	{rig.CodeContradiction, regexp.MustCompile(`^breaking strength stands twice, |^the first braked axle has no jumper: `), always},
}

// repeats reports whether a name stands twice in an object.
func repeats(body []byte) bool {
	in := json.NewDecoder(bytes.NewReader(body))
	var value func() bool
	value = func() bool {
		token, err := in.Token()
		if err != nil {
			return false
		}
		twice := false
		switch token {
		case json.Delim('{'):
			seen := map[any]bool{}
			for in.More() {
				name, err := in.Token()
				if err != nil {
					return twice
				}
				twice = twice || seen[name]
				seen[name] = true
				twice = value() || twice
			}
		case json.Delim('['):
			for in.More() {
				twice = value() || twice
			}
		default:
			return false
		}
		_, _ = in.Token()
		return twice
	}
	return value()
}

var day = regexp.MustCompile(`"([0-9]{4}-[0-9]{2}-[0-9]{2})"`)

// noDay reports whether the body has a day that is none.
func noDay(body []byte) bool {
	for _, m := range day.FindAllSubmatch(body, -1) {
		if _, err := time.Parse(time.DateOnly, string(m[1])); err != nil {
			return true
		}
	}
	return false
}

// schemaTakes says whether a schema takes a body, and why not.
func schemaTakes(s *openapi3.Schema, body []byte) error {
	var tree any
	if err := json.Unmarshal(body, &tree); err != nil {
		return err
	}
	return s.VisitJSON(tree)
}

// decoder reads bodies of one schema.
type decoder struct {
	schema string
	read   func(body []byte) error
	seeds  []string // right ones
}

func decoders(t testing.TB) []decoder {
	t.Helper()
	read := func(pattern string) (out []string) {
		paths, err := filepath.Glob(pattern)
		if err != nil || len(paths) == 0 {
			t.Fatalf("nothing at %s: %v", pattern, err)
		}
		for _, path := range paths {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, string(data))
		}
		return out
	}
	fits := func(_ any, err error) error { return err }
	return []decoder{
		{"Rig", func(body []byte) error {
			r, err := rig.Decode(body)
			if err == nil && r.Jurisdiction == "" {
				err = errors.New("no place") // as the service says
			}
			return err
		}, append(read("../testdata/rigs/*.json"), read("../testdata/partner/rigs/*[a-z].json")...)},
		{"FittingRequest", func(body []byte) error { return fits(fitting.Decode(body)) }, []string{`{"actuator":{"kind":"magnets","count":2,"resistance":"3.2 ohm"},"wiring":{"supply":"13.8 V","feed":{"length":"4 m","conductor":"6 mm2"},"axles":[{"lead":"1 m","magnets":2}],"ambient":"40 degC","drop":{"share":"12 %"}},"breakaway":{"capacity":"7 Ah","peukert":"1.15","coldest":"-5 degC"},"controller":{"supply_most":"16 V","axles_served":2,"load_sensing":true}}`}},
		{"FittingMeasurements", func(body []byte) error { return fits(fitting.DecodeMeasurements(body)) }, append(read("../testdata/partner/fittings/float-readings.json"), `{"polarity":"correct","supply_rest":"12.6 V","output":[{"demand":"50 %","socket":"6 V"}],"axle_currents":["5 A"],"radio_noise":false,"breakaway":{"applies":true,"hold":"15 min"},"mechanical":{"reverses":true},"road":[{"speed":"30 km/h","surface":"gravel","distance":"7 m","pull":"left"}]}`)},
		{"FittingSignature", func(body []byte) error { return fits(fitting.DecodeRecord(body)) }, append(read("../testdata/partner/fittings/float-signature.json"), `{"job":{"reference":"SY-114","began":"2026-11-24"},"parts":[{"role":"controller","serial":"1"}],"sign_off":{"name":"A. Fitter","on":"2026-11-25","licence":"MVRL"}}`)},
	}
}

// agree holds a decoder to the schema of a body, and says where they part: in a few
// words, by which such places are told from others, and at length.
func agree(d decoder, s *openapi3.Schema, body []byte) (short, long string) {
	refused, taken := d.read(body), schemaTakes(s, body)
	switch {
	case ambiguous(body):
		if refused == nil {
			return "ambiguous", fmt.Sprintf("%s: taken although it is no UTF-8 or a name stands twice\n%.1000q", d.schema, body)
		}
	case taken != nil && refused == nil:
		return "taken", fmt.Sprintf("%s: the decoder takes what the schema refuses: %.300v\n%.1000q", d.schema, taken, body)
	case taken == nil && refused != nil:
		issues, ok := rig.AsIssues(refused)
		if !ok {
			return refused.Error(), fmt.Sprintf("%s: the schema takes it, and the decoder says %v\n%.1000q", d.schema, refused, body)
		}
		for _, is := range issues {
			if !among(beyondSchemas, is.Code, is.Message, body) {
				return is.Code + figures.ReplaceAllString(is.Message, ""),
					fmt.Sprintf("%s: the schema takes it, and the decoder refuses %s as %s, %s\n%.1000q", d.schema, is.Pointer, is.Code, is.Message, body)
			}
		}
	}
	return "", ""
}

// figures are what is told apart of messages and does not tell reasons apart.
var figures = regexp.MustCompile(`"[^"]*"|[0-9.]+ ?[a-zA-Z%]*|/.*`)

// ambiguous reports whether a reader of schemas sees other text than stands there,
// or of two fields the last.
func ambiguous(body []byte) bool { return !utf8.Valid(body) || repeats(body) }

// parted gathers where decoders and schemas part, each such place once.
type parted map[string]string

func (p parted) add(short, long string) {
	if _, known := p[short]; short != "" && !known {
		p[short] = long
	}
}

func (p parted) report(t *testing.T) {
	for _, long := range p {
		t.Error(long)
	}
}

// among reports whether the refusal of a body is for one of the reasons.
func among(reasons []beyond, code, message string, body []byte) bool {
	return slices.ContainsFunc(reasons, func(b beyond) bool {
		return b.code == code && b.message.MatchString(message) && b.holds(body)
	})
}

// spoiler makes documents that are nearly right out of right ones. Its choices come
// from a source of numbers.
type spoiler struct {
	pick  func(n int) int // one of so many
	names []string        // that documents have
}

// member is one of an object; names may stand twice, in any order.
type member struct {
	name  string
	value any
}

type raw string // JSON as it stands

// tree reads a document into members, lists and raw values.
func tree(t testing.TB, text string) any {
	t.Helper()
	in := json.NewDecoder(strings.NewReader(text))
	in.UseNumber()
	var value func() any
	value = func() any {
		token, err := in.Token()
		if err != nil {
			t.Fatalf("read a seed: %v in %s", err, text)
		}
		switch token {
		case json.Delim('{'):
			out := []member{}
			for in.More() {
				name, err := in.Token()
				if err != nil {
					t.Fatal(err)
				}
				out = append(out, member{name.(string), value()})
			}
			_, _ = in.Token()
			return out
		case json.Delim('['):
			out := []any{}
			for in.More() {
				out = append(out, value())
			}
			_, _ = in.Token()
			return out
		}
		text, err := json.Marshal(token)
		if err != nil {
			t.Fatal(err)
		}
		return raw(text)
	}
	return value()
}

// oddValues are what may stand in the place of a right value.
var oddValues = []raw{
	"null", "true", "false", "0", "1", "-0", "-1", "2", "100", "101", "279", "280", "2.0", "2e0", "0.5", "1e2", "1E400", "99999999999999999999", "0.1e1", `""`, `" "`, "[]", "{}", "[[]]", `[""]`, "[null]",
	`"none"`, `"other"`, `"GB"`, `"gb"`, `"AU-NSW"`, `"AU-"`, `"AU-NSWX"`, `"ZZ"`, `"chain"`, `"vehicle"`, `"ball"`, `"un-r13"`, `"magnets"`, `"text"`, `"1.5"`, `"0.99"`, `"2.01"`, `"1."`,
	`"2026-11-25"`, `"2026-02-30"`, `"2024-02-29"`, `"2023-02-29"`, `"1899-12-31"`, `"1900-01-01"`, `"2199-12-31"`, `"2200-01-01"`, `"2026-1-1"`, `"2026-11-25T00:00:00Z"`, `"2026-13-01"`, `"2026-00-10"`, `"2026-04-31"`,
	`"2000 kg"`, `"2000kg"`, `"  2000   kg  "`, `"2000 KG"`, `"2000"`, `"kg"`, `"-1 kg"`, `"+1 kg"`, `"0 kg"`, `"00 kg"`, `"0.0 kg"`, `".5 kg"`, `"5. kg"`, `"5,5 kg"`, `"1e3 kg"`, `"1 000 kg"`, `"100000 kg"`, `"100000.00000000001 kg"`,
	`"100001 kg"`, `"0.00000000001 kg"`, `"0.000000000001 kg"`, `"3000 lb"`, `"1.35 t"`, `"1 t"`, `"5 g"`, `"99999999999999999999 kg"`, `"2000\u0020kg"`, `"2000\tkg"`, `"2000\u00a0kg"`, `"٥ kg"`,
	`"3 m"`, `"0 m"`, `"50 mm"`, `"0 mm"`, `"1000 km"`, `"1001 km"`, `"3 ft"`, `"5 in"`, `"17.2 kN"`, `"0 N"`, `"1000001 N"`, `"90 km/h"`, `"0 km/h"`, `"56 mph"`, `"15 min"`, `"0 s"`, `"100001 h"`, `"12 V"`, `"0 V"`, `"61 V"`, `"0.5 V"`, `"7 Ah"`, `"0 Ah"`, `"10001 Ah"`,
	`"12 %"`, `"0 %"`, `"101 %"`, `"1001 %"`, `"5 m/s2"`, `"0 m/s2"`, `"21 m/s2"`, `"1 g"`, `"3.2 ohm"`, `"0 ohm"`, `"0.001 ohm"`, `"1001 ohm"`, `"3 Ω"`, `"5 A"`, `"0 A"`, `"501 A"`, `"40 degC"`, `"40 °C"`, `"-5 degC"`, `"-300 degC"`, `"-61 degC"`, `"151 degC"`, `"6 mm2"`, `"10 AWG"`,
	`"\u0000"`, `"a\nb"`, `"\u007f"`, `"\u0085"`, `"\u2028"`, `"é"`, `"\ud800"`, `"\ud83d\ude00"`, `"MFZWK43TNVQXEY3IN5ZGSZLTMU"`, `"2026-11-20T12:00:00Z"`, `"2026-02-30T12:00:00Z"`, `"https://hooks.saltmarsh.example/a"`, `"http://x"`, `"assess"`, `["assess","assess"]`,
	raw(`"` + strings.Repeat("x", 64) + `"`), raw(`"` + strings.Repeat("x", 65) + `"`), raw(`"` + strings.Repeat("é", 64) + `"`), raw(`"` + strings.Repeat("😀", 65) + `"`), raw(`"1` + strings.Repeat(" ", 61) + `kg"`), raw(`"1` + strings.Repeat(" ", 62) + `kg"`),
	raw(`[1` + strings.Repeat(",1", 12) + `]`), raw(`["1 t"` + strings.Repeat(`,"1 t"`, 11) + `]`), raw(`["1 t"` + strings.Repeat(`,"1 t"`, 12) + `]`), raw(`[{}` + strings.Repeat(",{}", 50) + `]`), raw(`[{"role":"ball"}` + strings.Repeat(`,{"role":"ball"}`, 64) + `]`),
	raw(strings.Repeat(`{"a":`, 9) + "1" + strings.Repeat("}", 9)), raw(strings.Repeat("[", 9) + strings.Repeat("]", 9)), "[1,2]", "[1,1]", "[0]", "[2,1]", `["1 t","2 t"]`, `{"role":"chain"}`, `{"kind":"none"}`, "\"\xff\"", "\"\xed\xa0\x80\"",
}

func (s *spoiler) odd() any { return oddValues[s.pick(len(oddValues))] }

// spoil changes a document in one place.
func (s *spoiler) spoil(v any) any {
	switch v := v.(type) {
	case []member:
		if len(v) > 0 && s.pick(8) > 0 {
			i := s.pick(len(v))
			out := slices.Clone(v)
			out[i].value = s.spoil(v[i].value)
			return out
		}
		switch s.pick(5) {
		case 0:
			return append(slices.Clone(v), member{s.names[s.pick(len(s.names))], s.odd()})
		case 1:
			if len(v) > 0 { // a second time, as it is or not
				again := v[s.pick(len(v))]
				if s.pick(2) == 0 {
					again.value = s.odd()
				}
				return append(slices.Clone(v), again)
			}
		case 2:
			if len(v) > 0 {
				i := s.pick(len(v))
				return slices.Delete(slices.Clone(v), i, i+1)
			}
		case 3:
			if len(v) > 0 {
				out := slices.Clone(v)
				out[s.pick(len(v))].name = s.names[s.pick(len(s.names))]
				return out
			}
		}
		return s.odd()
	case []any:
		out := slices.Clone(v)
		switch n := s.pick(6); {
		case len(v) == 0 || n == 0:
			return append(out, s.odd())
		case n == 1:
			return append(out, out[s.pick(len(out))])
		case n == 2:
			return out[1:]
		default:
			i := s.pick(len(out))
			out[i] = s.spoil(out[i])
			return out
		}
	}
	return s.odd()
}

func write(b []byte, v any) []byte {
	switch v := v.(type) {
	case []member:
		b = append(b, '{')
		for i, m := range v {
			if i > 0 {
				b = append(b, ',')
			}
			name, _ := json.Marshal(m.name) // a text can always be written
			b = write(append(append(b, name...), ':'), m.value)
		}
		return append(b, '}')
	case []any:
		b = append(b, '[')
		for i, x := range v {
			if i > 0 {
				b = append(b, ',')
			}
			b = write(b, x)
		}
		return append(b, ']')
	case raw:
		return append(b, v...)
	}
	panic(fmt.Sprintf("%T in a document", v))
}

// namesOf are those of a schema and of what it holds, and some that nothing has.
func namesOf(s *openapi3.Schema) []string {
	seen := map[string]bool{"": true, "x": true, "trailer.tare": true, "__proto__": true, "Jurisdiction": true}
	var visit func(*openapi3.SchemaRef)
	visit = func(ref *openapi3.SchemaRef) {
		if ref == nil {
			return
		}
		for name, p := range ref.Value.Properties {
			seen[name] = true
			visit(p)
		}
		visit(ref.Value.Items)
		for _, p := range ref.Value.AllOf {
			visit(p)
		}
	}
	visit(&openapi3.SchemaRef{Value: s})
	var names []string
	for name := range seen {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// spoilt makes a document of a decoder, spoilt in one to three places.
func spoilt(t testing.TB, d decoder, names []string, pick func(int) int) []byte {
	s := spoiler{pick, names}
	doc := tree(t, d.seeds[pick(len(d.seeds))])
	for range 1 + pick(3) {
		doc = s.spoil(doc)
	}
	return write(nil, doc)
}

// TestDecodersAgreeWithSchemas spoils right documents with a fixed seed.
func TestDecodersAgreeWithSchemas(t *testing.T) {
	rounds := 20000
	if testing.Short() {
		rounds = 1000
	}
	for k, d := range decoders(t) {
		t.Run(d.schema, func(t *testing.T) {
			s, found := schemas(t)[d.schema].Value, parted{}
			defer found.report(t)
			for _, seed := range d.seeds {
				found.add(agree(d, s, []byte(seed)))
			}
			for _, value := range oddValues { // each at the top, and in each field of the seeds
				found.add(agree(d, s, []byte(value)))
				for _, seed := range d.seeds[:1] {
					everywhere(tree(t, seed), value, func(v any) { found.add(agree(d, s, write(nil, v))) })
				}
			}
			rng := rand.New(rand.NewPCG(1, uint64(k)))
			names := namesOf(s)
			for range rounds {
				found.add(agree(d, s, spoilt(t, d, names, rng.IntN)))
			}
		})
	}
}

// everywhere puts a value into each place of a document in turn.
func everywhere(v any, value raw, each func(any)) {
	switch v := v.(type) {
	case []member:
		for i := range v {
			everywhere(v[i].value, value, func(x any) {
				out := slices.Clone(v)
				out[i].value = x
				each(out)
			})
		}
	case []any:
		for i := range v {
			everywhere(v[i], value, func(x any) {
				out := slices.Clone(v)
				out[i] = x
				each(out)
			})
		}
	}
	each(value)
}

// FuzzDecodersAgreeWithSchemas takes what it is given for a document, and for the
// choices by which one is spoilt.
func FuzzDecodersAgreeWithSchemas(f *testing.F) {
	all := decoders(f)
	var names [][]string
	for k, d := range all {
		for _, seed := range d.seeds {
			f.Add(uint8(k), []byte(seed))
		}
		names = append(names, namesOf(schemas(f)[d.schema].Value))
	}
	for _, value := range oddValues {
		f.Add(uint8(0), []byte(value))
	}
	f.Fuzz(func(t *testing.T, which uint8, data []byte) {
		k := int(which) % len(all)
		s := schemas(t)[all[k].schema].Value
		found := parted{}
		defer found.report(t)
		found.add(agree(all[k], s, data))
		left := data
		found.add(agree(all[k], s, spoilt(t, all[k], names[k], func(n int) int {
			if len(left) < 2 {
				return 0
			}
			x := int(left[0])<<8 | int(left[1])
			left = left[2:]
			return x % n
		})))
	})
}

// beyondOther are the reasons beside those of rigs and jobs for which bodies of
// other kinds are refused.
var beyondOther = []beyond{
	{rig.CodeWrongType, regexp.MustCompile(`^the value is of another form than the contract says$`), regexp.MustCompile(`[0-9][.eE]`).Match}, // 2.0, as above
	// What is to come, or past.
	{rig.CodeBadValue, regexp.MustCompile(`^the key would have ended already$|^the day is too far ahead$| lies before .*, from which the revision before it holds$`), always},
	// What is there, or not.
	{rig.CodeBadValue, regexp.MustCompile(`^the register has no |^there is none of this id in the register$|^the host, or its port, is not one that may be told$`), always},
	// Addresses without TLS are for services that allow them.
	{rig.CodeBadValue, regexp.MustCompile(`^the address does not start with https://$`), regexp.MustCompile(`"http://`).Match},
	// Spaces are taken off the ends of a text before it is looked at.
	{rig.CodeBadValue, regexp.MustCompile(`^the reason is empty, too long, or has control characters$`), blank},
	{rig.CodeBadValue, regexp.MustCompile(`^the text holds a control character or is not UTF-8$`), regexp.MustCompile(`\\[btnfru]`).Match},
	// What holds between fields.
	{rig.CodeBadValue, regexp.MustCompile(`^it is not said what is (meant|to be fitted to)$`), always},
	{rig.CodeBadValue, regexp.MustCompile(`^it is missing$`), onlyOneOfTwo},
	{rig.CodeContradiction, regexp.MustCompile(`^a pairing has a vehicle and a trailer of its own$`), always},
}

// onlyOneOfTwo reports whether a question about the register names a vehicle or a
// trailer, and not the other.
func onlyOneOfTwo(body []byte) bool {
	var q struct{ Vehicle, Trailer string }
	return json.Unmarshal(body, &q) == nil && (q.Vehicle == "") != (q.Trailer == "")
}

// blank reports whether a text of the body is nothing but space.
func blank(body []byte) bool {
	in := json.NewDecoder(bytes.NewReader(body))
	for {
		token, err := in.Token()
		if err != nil {
			return false
		}
		if text, is := token.(string); is && text != "" && strings.TrimSpace(text) == "" {
			return true
		}
	}
}

// TestBodiesAgreeWithSchemas sends right bodies, spoilt with a fixed seed, to the
// operations that read others than rigs and documents of a job alone.
func TestBodiesAgreeWithSchemas(t *testing.T) {
	rounds := 1500
	if testing.Short() {
		rounds = 100
	}
	doc, err := openapitest.Document()
	if err != nil {
		t.Fatal(err)
	}
	for k, id := range []string{
		"createKey", "withdrawRulesetVersion", "createAudit", "putRegisterEntry", "createRegisterAssessment", "createWebhook", "changeWebhook", "createFitting", "createAssessment",
	} {
		t.Run(id, func(t *testing.T) {
			n := newNeighbours(t, memory.New(0), "")
			at := slices.IndexFunc(openapi.Operations(), func(op openapi.Operation) bool { return op.ID == id })
			op, x := openapi.Operations()[at], n.operations()[id]
			s := doc.Paths.Value(op.Path).GetOperation(op.Method).RequestBody.Value.Content["application/json"].Schema.Value
			d := decoder{schema: id, seeds: moreSeeds[id]}
			if x.body != "" {
				d.seeds = append(d.seeds, x.body)
			}
			decided, found := 0, parted{}
			defer found.report(t)
			try := func(body []byte) {
				r := call(t, n.h, op.Method, x.target, string(body), append([]header{n.yard, anyTag}, x.headers...)...)
				taken := schemaTakes(s, body)
				switch {
				case r.Status < 400 && (taken != nil || ambiguous(body)):
					found.add("taken", fmt.Sprintf("taken although the schema refuses it, it is no UTF-8 or a name stands twice: %.300v\n%.1000q", taken, body))
				case r.Status < 400:
					decided++
				case taken == nil && !ambiguous(body):
					p := r.Problem(t)
					if !slices.Contains([]string{"/problems/malformed-json", "/problems/invalid-body", "/problems/invalid-rig"}, p.Type) {
						return // it was read, and refused for what is there or not
					}
					decided++
					if len(p.Errors) == 0 {
						found.add(p.Type, fmt.Sprintf("the schema takes it, and it is refused: %s\n%.1000q", r.Body, body))
					}
					for _, e := range p.Errors {
						if !strings.HasPrefix(*e.Pointer, "/document/") && !strings.HasPrefix(*e.Pointer, "/use/") && // of which schemas say that they are objects
							!among(beyondSchemas, e.Code, e.Message, body) && !among(beyondOther, e.Code, e.Message, body) {
							found.add(e.Code+figures.ReplaceAllString(e.Message, ""), fmt.Sprintf("the schema takes it, and %s is refused as %s, %s\n%.300q", *e.Pointer, e.Code, e.Message, body))
						}
					}
				}
			}
			for _, value := range oddValues {
				everywhere(tree(t, d.seeds[0]), value, func(v any) { try(write(nil, v)) })
			}
			rng := rand.New(rand.NewPCG(2, uint64(k)))
			names := namesOf(s)
			for range rounds {
				try(spoilt(t, d, names, rng.IntN))
			}
			t.Logf("%d bodies were taken or refused for what they say", decided)
			if decided == 0 {
				t.Error("no body came so far")
			}
		})
	}
}

// moreSeeds are right bodies with more in them than those of the neighbours.
var moreSeeds = map[string][]string{
	"createKey":                {`{"name":"desk","scopes":["assess","read"],"expires_at":"2027-11-25T00:00:00Z"}`},
	"createAudit":              {`{"name":"Spring","source":{"kind":"assessments","months":12},"jurisdiction":"GB","as_of":"2026-11-25","as_of_for_all":true,"known_at":"2026-11-20T12:00:00Z","against":{"as_of":"2026-06-30"}}`, `{"source":{"kind":"all_pairs","yard":"a","vehicles":["b"],"trailers":["c"]},"commercial":true}`},
	"putRegisterEntry":         {`{"since":"2026-11-20","yard":"North","note":"Why","document":{"axle_count":2,"rated":{"total":"2 t"}}}`},
	"createRegisterAssessment": {`{"vehicle":"UTE-7","trailer":"FLOAT-3","jurisdiction":"GB","as_of":"2026-11-25","use":{"commercial":true}}`},
	"createWebhook":            {`{"url":"https://hooks.valley.example/a","events":["audit.ended"],"paused":true,"note":"Office"}`},
}
