package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules/fleet/longfile"
	"drawgear/service"
)

// registers is a service with a register, and keys of two tenants.
type registers struct {
	h          http.Handler
	yard, tarn header
}

func newRegisters(t testing.TB, st recordStore, change ...func(*api.Config)) registers {
	t.Helper()
	within, keys := service.InStep(st), service.NewKeyring(st, time.Now)
	answers := service.New(book(t), within, clock)
	cfg := api.Config{
		Service: answers, Register: service.NewRegistry(answers, within, clock), Once: service.NewIdempotency(st),
		Auth: service.Bearers{Keys: keys}, Keys: keys,
	}
	for _, c := range change {
		c(&cfg)
	}
	r := replica{store: st, keys: keys, h: api.New(cfg)}
	return registers{h: r.h, yard: r.tenant(t, saltmarshYard, "Saltmarsh Yard"), tarn: r.tenant(t, tarnValley, "Tarn Valley")}
}

func (r registers) put(t testing.TB, path, body string, hs ...header) openapitest.Reply {
	t.Helper()
	return call(t, r.h, "PUT", "/v1/register/"+path, body, append(hs, r.yard)...)
}

func (r registers) get(t testing.TB, path string, hs ...header) openapitest.Reply {
	t.Helper()
	return call(t, r.h, "GET", "/v1/register"+path, "", append(hs, r.yard)...)
}

// onlyNew writes only what is not there.
var (
	onlyNew = header{"If-None-Match", "*"}
	wantCSV = header{"Accept", "text/csv"}
)

func entryOf(t testing.TB, r openapitest.Reply) service.RegisterEntry {
	t.Helper()
	return decode[service.RegisterEntry](t, r)
}

func ids(p service.RegisterPage) (out []string) {
	for _, e := range p.Items {
		out = append(out, e.ID)
	}
	return out
}

// stock is what the yard has, in an order in which it can be written, and what
// changes of each.
var stock = []struct {
	kind, id, body, changed string
}{
	{"vehicles", "UTE-7", `{"yard":"North shed","document":{"category":"light_truck","kerb":"2250 kg","rated":{"total":"3100 kg"},"towing":{"braked":"3500 kg","ball":"350 kg"}}}`, `{"yard":"South shed","document":{"kerb":"2260 kg"}}`},
	{"trailers", "FLOAT-3", `{"yard":"North shed","note":"as delivered","document":{"axle_count":2,"rated":{"total":"2400 kg","axles":"2200 kg"},"brakes":{"kind":"electric","braked_axles":2}}}`, `{"document":{"axle_count":2}}`},
	{"parts", "CH-1", `{"since":"2026-11-01","fitted_to":{"kind":"trailers","id":"FLOAT-3"},"document":{"role":"chain","rated_mass":"2500 kg","count":2}}`, `{"since":"2026-11-01","document":{"role":"chain","rated_mass":"2500 kg","count":2,"price":{"amount":"18.50","currency":"AUD"}}}`},
	{"pairings", "RUN-12", `{"document":{"vehicle":"UTE-7","trailer":"FLOAT-3","jurisdiction":"AU-NSW","use":{"commercial":true}}}`, `{"note":"another place","document":{"vehicle":"UTE-7","trailer":"FLOAT-3","jurisdiction":"AU-VIC"}}`},
}

func (r registers) fill(t testing.TB) {
	t.Helper()
	for _, s := range stock {
		wantStatus(t, s.id, r.put(t, s.kind+"/"+url.PathEscape(s.id), s.body), 201)
	}
}

// TestRegisterLife takes an entry of each kind through its life.
func TestRegisterLife(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		r := newRegisters(t, st)
		for _, s := range stock {
			path := s.kind + "/" + s.id
			at := "/" + path
			wantProblem(t, "read before", r.get(t, at), 404, "not-found")
			wantProblem(t, "change before", r.put(t, path, s.body, anyTag), 412, "stale")
			first := wantStatus(t, "write", r.put(t, path, s.body, onlyNew), 201)
			if got := first.Header.Get("Location"); got != "/v1/register/"+path || first.Header.Get("ETag") != `"1"` {
				t.Errorf("%s: written at %q with tag %q", path, got, first.Header.Get("ETag"))
			}
			wantProblem(t, "write anew", r.put(t, path, s.body, onlyNew), 412, "stale")
			again := wantStatus(t, "write the same", r.put(t, path, s.body), 200)
			if e := entryOf(t, again); e.Revision != 1 {
				t.Errorf("%s: what is there already is revision %d", path, e.Revision)
			}
			read := wantStatus(t, "read", r.get(t, at), 200)
			if !bytes.Equal(read.Body, first.Body) {
				t.Errorf("%s: read as %s, written as %s", path, read.Body, first.Body)
			}
			wantProblem(t, "change of another revision", r.put(t, path, s.changed, header{"If-Match", `"7"`}), 412, "stale")
			second := wantStatus(t, "change", r.put(t, path, s.changed, match(first)), 200)
			if e := entryOf(t, second); e.Revision != 2 || second.Header.Get("ETag") != `"2"` {
				t.Errorf("%s: changed to revision %d, tag %q", path, e.Revision, second.Header.Get("ETag"))
			}
			wantProblem(t, "change of what was seen before", r.put(t, path, s.body, match(first)), 412, "stale")
			wantStatus(t, "change back", r.put(t, path, s.body), 200)
		}
		for _, s := range slices.Backward(stock) { // what names others goes before them
			path := s.kind + "/" + s.id
			at := "/" + path
			wantProblem(t, "remove what was seen before", call(t, r.h, "DELETE", "/v1/register/"+path, "", r.yard, header{"If-Match", `"2"`}), 412, "stale")
			gone := wantStatus(t, "remove", call(t, r.h, "DELETE", "/v1/register/"+path+"?note=Sold", "", r.yard, match(r.get(t, at))), 200)
			if e := entryOf(t, gone); !e.Removed || e.Revision != 4 || e.Note != "Sold" || e.Document != nil {
				t.Errorf("%s: removed as %s", path, gone.Body)
			}
			wantProblem(t, "remove again", call(t, r.h, "DELETE", "/v1/register/"+path, "", r.yard), 404, "not-found")
			if got := r.get(t, at); got.Status != 200 || !bytes.Equal(got.Body, gone.Body) {
				t.Errorf("%s: read after as %d %s", path, got.Status, got.Body)
			}
			if got := ids(decode[service.RegisterPage](t, r.get(t, "/"+s.kind))); got != nil {
				t.Errorf("%s are %v after all were removed", s.kind, got)
			}
			if got := ids(decode[service.RegisterPage](t, r.get(t, "/"+s.kind+"?removed=true"))); !slices.Equal(got, []string{s.id}) {
				t.Errorf("removed %s are %v", s.kind, got)
			}
			var revisions []int
			for cursor := ""; ; {
				page := decode[service.RegisterPage](t, wantStatus(t, "history", r.get(t, at+"/history?limit=3"+cursor), 200))
				for _, e := range page.Items {
					revisions = append(revisions, e.Revision)
				}
				if page.Next == "" {
					break
				}
				cursor = "&cursor=" + page.Next
			}
			if !slices.Equal(revisions, []int{4, 3, 2, 1}) {
				t.Errorf("the history of %s is %v", path, revisions)
			}
		}
		back := wantStatus(t, "write what was removed", r.put(t, "vehicles/UTE-7", stock[0].body, onlyNew), 201)
		if e := entryOf(t, back); e.Revision != 5 || e.Removed {
			t.Errorf("written again it is %s", back.Body)
		}
	})
}

func TestRegisterInUse(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		r := newRegisters(t, st)
		r.fill(t)
		for path, by := range map[string]string{"vehicles/UTE-7": "pairings/RUN-12", "trailers/FLOAT-3": "parts/CH-1"} {
			before := r.get(t, "/"+path)
			p := wantProblem(t, "remove "+path, call(t, r.h, "DELETE", "/v1/register/"+path, "", r.yard), 409, "register-in-use")
			if !strings.Contains(p.Detail, by) {
				t.Errorf("%s is used by %s, and the detail says %q", path, by, p.Detail)
			}
			if after := r.get(t, "/"+path); !bytes.Equal(after.Body, before.Body) {
				t.Errorf("%s is %s, was %s", path, after.Body, before.Body)
			}
		}
	})
}

func TestRegisterFitted(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		r := newRegisters(t, st)
		r.fill(t)
		wantStatus(t, "second float", r.put(t, "trailers/FLOAT-4", `{"document":{"axle_count":1}}`), 201)
		wantStatus(t, "move the chain", r.put(t, "parts/CH-1", `{"since":"2026-11-20","fitted_to":{"kind":"trailers","id":"FLOAT-4"},"document":{"role":"chain","rated_mass":"2500 kg","count":2}}`), 200)
		for query, want := range map[string]string{
			"trailers/FLOAT-3/fitted":               "CH-1 chain 2026-11-01-2026-11-20",
			"trailers/FLOAT-3/fitted?on=2026-10-31": "",
			"trailers/FLOAT-3/fitted?on=2026-11-01": "CH-1 chain 2026-11-01-2026-11-20",
			"trailers/FLOAT-3/fitted?on=2026-11-19": "CH-1 chain 2026-11-01-2026-11-20",
			"trailers/FLOAT-3/fitted?on=2026-11-20": "",
			"trailers/FLOAT-4/fitted?on=2026-11-20": "CH-1 chain 2026-11-20-",
			"vehicles/UTE-7/fitted":                 "",
		} {
			var got []string
			for _, f := range decode[service.All[service.RegisterFit]](t, wantStatus(t, query, r.get(t, "/"+query), 200)).Items {
				got = append(got, fmt.Sprintf("%s %s %s-%s", f.Part, f.Role, f.Since, f.Until))
			}
			if strings.Join(got, "; ") != want {
				t.Errorf("%s: %q, want %q", query, got, want)
			}
		}
		for query, want := range map[string]int{"fitted_to=trailers/FLOAT-3": 0, "fitted_to=trailers%2FFLOAT-4": 1, "fitted_to=vehicles/FLOAT-4": 0} {
			if got := decode[service.RegisterPage](t, wantStatus(t, query, r.get(t, "/parts?"+query), 200)).Items; len(got) != want {
				t.Errorf("%s: %d parts, want %d", query, len(got), want)
			}
		}
		p := wantProblem(t, "no day", r.get(t, "/trailers/FLOAT-3/fitted?on=2026-02-30"), 400, "bad-query")
		if len(p.Errors) != 1 || p.Errors[0].Parameter != "on" {
			t.Errorf("a day that there is not: %+v", p)
		}
		for _, path := range []string{"/parts/CH-1/fitted", "/pairings/RUN-12/fitted", "/trailers/FLOAT-9/fitted"} {
			wantProblem(t, path, r.get(t, path), 404, "not-found")
		}
	})
}

func TestRegisterList(t *testing.T) {
	r := newRegisters(t, memory.New(0))
	want := []string{"A 1", "A-2", "B", "Ä"} // in the order of their bytes
	for i, id := range []string{"B", "Ä", "A-2", "A 1"} {
		wantStatus(t, id, r.put(t, "trailers/"+url.PathEscape(id), fmt.Sprintf(`{"yard":"shed %d","document":{}}`, i%2)), 201)
	}
	var got []string
	for cursor := ""; ; {
		page := decode[service.RegisterPage](t, wantStatus(t, "page", r.get(t, "/trailers?limit=1"+cursor), 200))
		got = append(got, ids(page)...)
		if page.Next == "" {
			break
		}
		cursor = "&cursor=" + page.Next
	}
	if !slices.Equal(got, want) {
		t.Errorf("listed are %v, want %v", got, want)
	}
	if got := ids(decode[service.RegisterPage](t, r.get(t, "/trailers?yard=shed%200"))); !slices.Equal(got, []string{"A-2", "B"}) {
		t.Errorf("in shed 0 are %v", got)
	}
	if e := entryOf(t, wantStatus(t, "by id", r.get(t, "/trailers/%C3%84"), 200)); e.ID != "Ä" {
		t.Errorf("Ä is %q", e.ID)
	}
	p := wantProblem(t, "cursor", r.get(t, "/trailers/B/history?cursor=xyz"), 400, "bad-query")
	if len(p.Errors) != 1 || p.Errors[0].Parameter != "cursor" {
		t.Errorf("a cursor of no list: %+v", p)
	}
}

// TestRegisterTables: what one tenant exports another can import, and has then
// the same; to import it again changes nothing.
func TestRegisterTables(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		r := newRegisters(t, st)
		r.fill(t)
		wantStatus(t, "shelf", r.put(t, "parts/SH-9", `{"note":"=1+1, \"quoted\"","document":{"role":"shackle","rated_mass":"2000 kg","price":{"amount":"18.50","currency":"AUD"}}}`), 201)
		for _, kind := range []string{"vehicles", "trailers", "parts", "pairings"} {
			table := wantStatus(t, "export", r.get(t, "/"+kind, wantCSV), 200)
			if got := table.Header.Get("Content-Type"); got != "text/csv; charset=utf-8" {
				t.Errorf("a table comes as %q", got)
			}
			rows := len(decode[service.RegisterPage](t, r.get(t, "/"+kind)).Items)
			for i, want := range []service.RegisterImport{{Rows: rows, Written: rows, Faults: []service.AuditFault{}}, {Rows: rows, Unchanged: rows, Faults: []service.AuditFault{}}} {
				got := decode[service.RegisterImport](t, wantStatus(t, "import", call(t, r.h, "POST", "/v1/register/"+kind, string(table.Body), asCSV, r.tarn), 200))
				if !reflect.DeepEqual(got, want) {
					t.Errorf("import %d of %s: %+v, want %+v", i+1, kind, got, want)
				}
			}
			theirs := wantStatus(t, "export", call(t, r.h, "GET", "/v1/register/"+kind, "", wantCSV, r.tarn), 200)
			if !bytes.Equal(theirs.Body, table.Body) {
				t.Errorf("%s: exported as\n%s\nimported and exported again as\n%s", kind, table.Body, theirs.Body)
			}
			for _, e := range decode[service.RegisterPage](t, r.get(t, "/"+kind)).Items {
				path := "/v1/register/" + kind + "/" + url.PathEscape(e.ID)
				own, other := entryOf(t, call(t, r.h, "GET", path, "", r.yard)), entryOf(t, call(t, r.h, "GET", path, "", r.tarn))
				own.WrittenBy, own.Revision, own.WrittenAt = other.WrittenBy, other.Revision, other.WrittenAt
				if !reflect.DeepEqual(own, other) {
					t.Errorf("%s: %+v came over as %+v", path, own, other)
				}
			}
		}
		none := wantStatus(t, "export of nothing", r.get(t, "/trailers?yard=nowhere", wantCSV), 200)
		if rows := bytes.Count(none.Body, []byte("\n")); rows != 1 {
			t.Errorf("a table of nothing has %d lines: %s", rows, none.Body)
		}
	})
}

// TestRegisterImport: bad rows are told one by one and stop nothing; a file of
// which nothing can be read changes nothing.
func TestRegisterImport(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		r := newRegisters(t, st, func(c *api.Config) { c.UploadBytes = 2000 })
		send := func(query, body string, hs ...header) openapitest.Reply {
			t.Helper()
			return call(t, r.h, "POST", "/v1/register/trailers"+query, body, append([]header{asCSV, r.yard}, hs...)...)
		}
		table := "id,yard,trailer.rated.total\r\nFLOAT-3,North shed,2400 kg\r\nFLOAT-4,,heavy\r\nFLOAT-5,,1350 kg\r\n"
		got := decode[service.RegisterImport](t, wantStatus(t, "import", send("", table), 200))
		if got.Rows != 3 || got.Written != 2 || got.Refused != 1 || len(got.Faults) != 1 || got.Faults[0].Line != 3 || got.Faults[0].Column != 3 {
			t.Errorf("one of three rows is bad: %+v", got)
		}
		if got := ids(decode[service.RegisterPage](t, r.get(t, "/trailers"))); !slices.Equal(got, []string{"FLOAT-3", "FLOAT-5"}) {
			t.Errorf("imported are %v", got)
		}
		comma := "id;trailer.rated.total [t]\r\nFLOAT-6;1,350\r\n"
		wantStatus(t, "decimal comma", send("?decimal=,", comma), 200)
		if doc := string(entryOf(t, r.get(t, "/trailers/FLOAT-6")).Document); !strings.Contains(doc, `"1.35 t"`) {
			t.Errorf("1,350 t was read as %s", doc)
		}
		before := r.get(t, "/trailers").Body
		long := table + strings.Repeat("FLOAT-7,,1 t\r\n", 200)
		p := wantProblem(t, "no id", send("", "yard,trailer.rated.total\r\nNorth shed,2400 kg\r\n"), 422, "invalid-file")
		if len(p.Errors) != 1 || p.Errors[0].Line != 1 {
			t.Errorf("a table without ids: %+v", p)
		}
		wantProblem(t, "unknown column", send("", "id,wheelbarrow\r\nFLOAT-3,1\r\n"), 422, "invalid-file")
		wantProblem(t, "nothing", send("", ""), 422, "invalid-file")
		wantProblem(t, "too large", send("", long), 413, "body-too-large")
		wantProblem(t, "JSON", send("", `{}`, header{"Content-Type", "application/json"}), 415, "unsupported-media-type")
		wantProblem(t, "lines", send("", `{}`, header{"Content-Type", "application/x-ndjson"}), 415, "unsupported-media-type")
		wantProblem(t, "compressed", send("", table, header{"Content-Encoding", "gzip"}), 415, "unsupported-media-type")
		wantProblem(t, "another character set", send("", table, header{"Content-Type", "text/csv; charset=utf-16"}), 415, "unsupported-media-type")
		for query, parameter := range map[string]string{"?place=nowhere": "place", "?decimal=x": "decimal", "?places=AU": "places"} {
			p := wantProblem(t, query, send(query, table), 400, "bad-query")
			if len(p.Errors) != 1 || p.Errors[0].Parameter != parameter {
				t.Errorf("%s: %+v", query, p)
			}
		}
		if after := r.get(t, "/trailers").Body; !bytes.Equal(after, before) {
			t.Errorf("what was refused changed %s to %s", before, after)
		}
		// A table whose length is not said is held to the limit as it comes.
		wantProblem(t, "too large, in chunks", send("", long, header{"Transfer-Encoding", "chunked"}), 413, "body-too-large")
	})
}

// TestGiantTables: a table that does not say how large it is is refused at the
// limit, and no more than a part of it is in memory.
func TestGiantTables(t *testing.T) {
	const limit = 16 << 20
	r := newRegisters(t, memory.New(0), func(c *api.Config) { c.UploadBytes = limit })
	file := &longfile.File{Head: "id,yard,# notes\n", Piece: "FLOAT-3,North shed," + strings.Repeat("n", 4000) + "\n", Left: 1 << 30}
	before := longfile.InUse()
	wantProblem(t, "1 GB", auditing{h: r.h, key: r.yard}.send(t, "/v1/register/trailers", file, -1, asCSV), 413, "body-too-large")
	if file.Given < limit || file.Given > limit+1<<20 {
		t.Errorf("%d bytes are read up to a limit of %d", file.Given, limit)
	}
	if most := before + 8<<20; file.Most > most {
		t.Errorf("%d MB are in memory, want no more than %d", file.Most>>20, most>>20)
	}
}

func TestRegisterTableForms(t *testing.T) {
	r := newRegisters(t, memory.New(0))
	r.fill(t)
	if got := r.get(t, "/trailers"); got.Header.Get("Content-Type") != "application/json" || got.Header.Get("Vary") != "Accept" {
		t.Errorf("a list comes as %q, Vary %q", got.Header.Get("Content-Type"), got.Header.Get("Vary"))
	}
	wantProblem(t, "a page", r.get(t, "/trailers", header{"Accept", "text/html"}), 406, "not-acceptable")
	for _, query := range []string{"?limit=2", "?removed=true", "?fitted_to=trailers/FLOAT-3", "?cursor=QQ"} {
		wantProblem(t, query, r.get(t, "/parts"+query, wantCSV), 400, "bad-query")
	}
	if got := call(t, r.h, "HEAD", "/v1/register/trailers", "", wantCSV, r.yard); got.Status != 200 || got.Header.Get("Content-Type") != "text/csv; charset=utf-8" {
		t.Errorf("HEAD of a table: %d %q", got.Status, got.Header.Get("Content-Type"))
	}
	for _, kind := range service.EntryKinds {
		for _, query := range []string{"", "?place=AU-NSW", "?place=GB"} {
			template := wantStatus(t, "template", call(t, r.h, "GET", "/v1/register-template/"+string(kind)+query, "", r.yard), 200)
			if lines := bytes.Count(template.Body, []byte("\r\n")); lines != 2 {
				t.Errorf("the template of %s has %d lines: %s", kind, lines, template.Body)
			}
			// What it has is a table that is taken, where vehicle and trailer are there.
			got := decode[service.RegisterImport](t, wantStatus(t, "template", call(t, r.h, "POST", "/v1/register/"+string(kind)+query, string(template.Body), asCSV, r.tarn), 200))
			if got.Rows != 1 || got.Refused != 0 && kind != service.EntryPairing && kind != service.EntryPart {
				t.Errorf("the template of %s%s is read as %+v", kind, query, got)
			}
		}
	}
	wantProblem(t, "template", call(t, r.h, "GET", "/v1/register-template/horses", "", r.yard), 404, "not-found")
}

// TestRegisterAssessment: a question about what the register holds is answered
// like one about the same rig sent whole.
func TestRegisterAssessment(t *testing.T) {
	const whole = `{"jurisdiction":"AU-NSW","as_of":"2026-11-25","use":{"commercial":true},
		"vehicle":{"category":"light_truck","kerb":"2250 kg","rated":{"total":"3100 kg"},"towing":{"braked":"3500 kg","ball":"350 kg"}},
		"trailer":{"axle_count":2,"rated":{"total":"2400 kg","axles":"2200 kg"},"brakes":{"kind":"electric","braked_axles":2}},
		"parts":[{"role":"chain","rated_mass":"2500 kg","count":2,"on":"trailer"}]}`
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		r := newRegisters(t, st)
		r.fill(t)
		answer := func(target, body string, status int, hs ...header) service.Assessment {
			t.Helper()
			return decode[service.Assessment](t, wantStatus(t, target, call(t, r.h, "POST", target, body, append(hs, r.yard)...), status))
		}
		want := answer("/v1/assessments?record=false", whole, 200)
		var rig any
		if err := json.Unmarshal([]byte(whole), &rig); err != nil {
			t.Fatal(err)
		}
		for _, ask := range []string{
			`{"pairing":"RUN-12","as_of":"2026-11-25"}`,
			`{"vehicle":"UTE-7","trailer":"FLOAT-3","jurisdiction":"AU-NSW","as_of":"2026-11-25","use":{"commercial":true}}`,
		} {
			got := answer("/v1/register-assessments?record=false", ask, 200)
			var made any
			if err := json.Unmarshal(got.Rig, &made); err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(made, rig) {
				t.Errorf("%s: the rig is %s", ask, got.Rig)
			}
			if !bytes.Equal(got.Answer, want.Answer) {
				t.Errorf("%s is answered\n%s\nsent whole\n%s", ask, got.Answer, want.Answer)
			}
			if got.ID != "" {
				t.Errorf("%s was kept as %s", ask, got.ID)
			}
		}
		const pairing = `{"pairing":"RUN-12"}`
		kept := wantStatus(t, "record", call(t, r.h, "POST", "/v1/register-assessments", pairing, r.yard, onceKey("run")), 201)
		again := wantStatus(t, "repeat", call(t, r.h, "POST", "/v1/register-assessments", pairing, r.yard, onceKey("run")), 201)
		if !bytes.Equal(again.Body, kept.Body) || again.Header.Get("Idempotency-Replayed") != "true" {
			t.Errorf("repeated it is %s, was %s", again.Body, kept.Body)
		}
		if read := call(t, r.h, "GET", kept.Header.Get("Location"), "", r.yard); read.Status != 200 || !bytes.Equal(read.Body, kept.Body) {
			t.Errorf("kept as %s, read as %d %s", kept.Body, read.Status, read.Body)
		}
		for ask, pointer := range map[string]string{
			`{"pairing":"RUN-99"}`: "/pairing", `{"vehicle":"UTE-7"}`: "/trailer", `{"trailer":"FLOAT-3"}`: "/vehicle", `{}`: "",
			`{"pairing":"RUN-12","vehicle":"UTE-7"}`: "/pairing", `{"vehicle":"UTE-7","trailer":"FLOAT-9","jurisdiction":"AU-NSW"}`: "/trailer",
			`{"pairing":"RUN-12","as_of":"2026-02-30"}`: "/as_of", `{"pairing":null}`: "/pairing", `{"pairing":7}`: "/pairing", `{"float":"FLOAT-3"}`: "/float",
		} {
			p := wantProblem(t, ask, call(t, r.h, "POST", "/v1/register-assessments", ask, r.yard), 422, "invalid-body")
			if len(p.Errors) == 0 || p.Errors[0].Pointer == nil || *p.Errors[0].Pointer != pointer {
				t.Errorf("%s is wrong at %q: %+v", ask, pointer, p)
			}
		}
		wantProblem(t, "a place whose law is not held", call(t, r.h, "POST", "/v1/register-assessments", `{"pairing":"RUN-12","jurisdiction":"XX"}`, r.yard), 422, "unknown-jurisdiction")
		wantProblem(t, "a use that is none", call(t, r.h, "POST", "/v1/register-assessments", `{"pairing":"RUN-12","use":{"speeed":"3 km/h"}}`, r.yard), 422, "invalid-rig")
		// What another tenant keeps is as little there as what nobody keeps.
		own, none := call(t, r.h, "POST", "/v1/register-assessments", pairing, r.tarn), call(t, r.h, "POST", "/v1/register-assessments", `{"pairing":"RUN-98"}`, r.tarn)
		if strings.ReplaceAll(wantProblem(t, "theirs", own, 422, "invalid-body").Errors[0].Message, "12", "98") != wantProblem(t, "nobody's", none, 422, "invalid-body").Errors[0].Message {
			t.Errorf("it can be told that there is something: %s, %s", own.Body, none.Body)
		}
	})
}

// TestRegisterBodies: what is wrong with a document is told where it is, and
// changes nothing.
func TestRegisterBodies(t *testing.T) {
	r := newRegisters(t, memory.New(0))
	r.fill(t)
	for _, c := range []struct{ path, body, pointer string }{
		{"trailers/FLOAT-3", `{}`, "/document"},
		{"trailers/FLOAT-3", `{"document":null}`, "/document"},
		{"trailers/FLOAT-3", `{"document":[]}`, "/document"},
		{"trailers/FLOAT-3", `{"document":{},"color":"red"}`, "/color"},
		{"trailers/FLOAT-3", `{"document":{},"document":{}}`, "/document"},
		{"trailers/FLOAT-3", `{"document":{"tare":"1 t","tare":"2 t"}}`, "/document/tare"},
		{"trailers/FLOAT-3", `{"document":{"tare":null}}`, "/document/tare"},
		{"trailers/FLOAT-3", `{"document":{"rated":{"axles":"2200 m"}}}`, "/document/rated/axles"},
		{"trailers/FLOAT-3", `{"document":{"rated":{"axels":"2200 kg"}}}`, "/document/rated/axels"},
		{"trailers/FLOAT-3", `{"document":{},"since":"2026-02-30"}`, "/since"},
		{"trailers/FLOAT-3", `{"document":{},"since":7}`, "/since"},
		{"trailers/FLOAT-3", `{"document":{},"note":"a\u0000b"}`, "/note"},
		{"trailers/FLOAT-3", `{"document":{},"yard":"` + strings.Repeat("x", 65) + `"}`, "/yard"},
		{"trailers/FLOAT-3", `{"document":{},"fitted_to":{"kind":"vehicles","id":"UTE-7"}}`, "/fitted_to"},
		{"parts/CH-1", `{"document":{"role":"chain"},"fitted_to":{"kind":"trailers","id":"FLOAT-9"}}`, "/fitted_to/id"},
		{"parts/CH-1", `{"document":{"role":"chain"},"fitted_to":{"kind":"trailers","id":"FLOAT-3","at":"left"}}`, "/fitted_to/at"},
		{"parts/CH-1", `{"document":{"role":"chain"},"fitted_to":{"kind":"trailers","kind":"vehicles","id":"FLOAT-3"}}`, "/fitted_to/kind"},
		{"parts/CH-1", `{"document":{"role":"chain"},"fitted_to":"trailers/FLOAT-3"}`, "/fitted_to"},
		{"parts/CH-1", `{"document":{"role":"rope"}}`, "/document/role"},
		{"parts/CH-1", `{"document":{"role":"chain","price":{"amount":"1,50","currency":"AUD"}}}`, "/document/price/amount"},
		{"pairings/RUN-12", `{"document":{"vehicle":"UTE-7"}}`, "/document/trailer"},
		{"pairings/RUN-12", `{"document":{"vehicle":"UTE-9","trailer":"FLOAT-3"}}`, "/document/vehicle"},
	} {
		before := r.get(t, "/"+c.path).Body
		for _, hs := range [][]header{nil, {anyTag}} {
			p := wantProblem(t, c.body, r.put(t, c.path, c.body, hs...), 422, "invalid-body")
			if len(p.Errors) == 0 || p.Errors[0].Pointer == nil || *p.Errors[0].Pointer != c.pointer || p.Errors[0].Advice == "" {
				t.Errorf("%s is wrong at %q: %+v", c.body, c.pointer, p.Errors)
			}
		}
		if after := r.get(t, "/"+c.path).Body; !bytes.Equal(after, before) {
			t.Errorf("%s changed %s to %s", c.body, before, after)
		}
	}
	p := wantProblem(t, "both preconditions", r.put(t, "trailers/FLOAT-3", `{"document":{}}`, onlyNew, anyTag), 400, "bad-query")
	if len(p.Errors) != 1 || p.Errors[0].Parameter != "If-None-Match" {
		t.Errorf("both preconditions: %+v", p)
	}
	wantProblem(t, "a tag where none is taken", r.put(t, "trailers/FLOAT-3", `{"document":{}}`, header{"If-None-Match", `"1"`}), 400, "bad-query")
	for _, note := range []string{"a%00b", "a%0Ab", strings.Repeat("x", 501)} {
		p := wantProblem(t, "note", call(t, r.h, "DELETE", "/v1/register/parts/CH-1?note="+note, "", r.yard), 400, "bad-query")
		if len(p.Errors) != 1 || p.Errors[0].Parameter != "note" {
			t.Errorf("note %.20s: %+v", note, p)
		}
	}
}

// TestRegisterIDs: no id that somebody puts in a path gets anywhere it should
// not, and none is a fault of ours.
func TestRegisterIDs(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		r := newRegisters(t, st)
		r.fill(t)
		for _, id := range []string{
			"%2F", "a%2Fb", "a%2fhistory", "%00", "a%00b", "..", "%2e%2e", "%2E", "..%2f..%2fkeys", "%0A", "%0d%0aX-A:%20b", "%7F", "%E2%80%8F", "%FF", "%5C", "%7C", "%20x", "x%09",
			strings.Repeat("x", 65), strings.Repeat("%C3%A4", 65), strings.Repeat("x", 9000), strings.Repeat("%00", 64),
		} {
			for method, path := range map[string]string{"GET": "", "PUT": "", "DELETE": "", "HEAD": ""} {
				got := call(t, r.h, method, "/v1/register/trailers/"+id+path, map[string]string{"PUT": `{"document":{}}`}[method], r.yard)
				if got.Status != 404 && got.Status != 422 && got.Status != 400 {
					t.Errorf("%s %.60s: %d %s", method, id, got.Status, got.Body)
				}
			}
			for _, path := range []string{"/history", "/fitted", "/fitted?on=2026-11-25"} {
				if got := call(t, r.h, "GET", "/v1/register/trailers/"+id+path, "", r.yard); got.Status != 404 && got.Status != 422 && got.Status != 400 {
					t.Errorf("GET %.60s%s: %d %s", id, path, got.Status, got.Body)
				}
			}
			if got := call(t, r.h, "GET", "/v1/register/parts?fitted_to=trailers/"+id, "", r.yard); got.Status >= 500 {
				t.Errorf("fitted_to %.60s: %d %s", id, got.Status, got.Body)
			}
			if got := call(t, r.h, "GET", "/v1/register/parts?yard="+id, "", r.yard); got.Status >= 500 {
				t.Errorf("yard %.60s: %d %s", id, got.Status, got.Body)
			}
			text, err := url.PathUnescape(id)
			if err != nil {
				t.Fatal(err)
			}
			name, err := json.Marshal(text)
			if err != nil {
				t.Fatal(err)
			}
			for target, body := range map[string]string{
				"/v1/register/parts/CH-2":    fmt.Sprintf(`{"document":{"role":"chain"},"fitted_to":{"kind":"trailers","id":%s}}`, name),
				"/v1/register/pairings/R-2":  fmt.Sprintf(`{"document":{"vehicle":%s,"trailer":"FLOAT-3"}}`, name),
				"/v1/register-assessments":   fmt.Sprintf(`{"pairing":%s}`, name),
				"/v1/register-assessments?a": fmt.Sprintf(`{"vehicle":%s,"trailer":"FLOAT-3","jurisdiction":"AU-NSW"}`, name),
			} {
				method := "PUT"
				if strings.Contains(target, "assess") {
					method, target = "POST", strings.TrimSuffix(target, "?a")
				}
				if got := call(t, r.h, method, target, body, r.yard); got.Status != 422 {
					t.Errorf("%s %s: %d %s", target, body, got.Status, got.Body)
				}
			}
		}
		for _, kind := range []string{"horses", "Trailers", "%74railers%00", "keys", "..", "trailers%2FFLOAT-3"} {
			for _, method := range []string{"GET", "POST"} {
				if got := call(t, r.h, method, "/v1/register/"+kind, "", r.yard); got.Status != 404 {
					t.Errorf("%s %s: %d %s", method, kind, got.Status, got.Body)
				}
			}
		}
		for i, s := range stock {
			if got := ids(decode[service.RegisterPage](t, r.get(t, "/"+s.kind+"?removed=true"))); !slices.Equal(got, []string{s.id}) {
				t.Errorf("%s are %v, want only %s", s.kind, got, stock[i].id)
			}
		}
		// An id may look like a command and is just an id; escaped more than need be it is the same one.
		odd := `'; DROP TABLE entries; -- <b>%&?#`
		wantStatus(t, odd, r.put(t, "trailers/"+url.PathEscape(odd), `{"document":{}}`), 201)
		if e := entryOf(t, wantStatus(t, odd, r.get(t, "/trailers/"+url.PathEscape(odd)), 200)); e.ID != odd {
			t.Errorf("%s is %q", odd, e.ID)
		}
		if e := entryOf(t, wantStatus(t, "escaped letters", r.get(t, "/trailers/%46LOAT%2d3"), 200)); e.ID != "FLOAT-3" {
			t.Errorf("%%46LOAT%%2d3 is %q", e.ID)
		}
	})
}

// TestNoRegister: a service without a register has nothing at its paths.
func TestNoRegister(t *testing.T) {
	h := newServer(t)
	for target, body := range map[string]string{
		"GET /v1/register/trailers": "", "GET /v1/register/trailers/FLOAT-3": "", "GET /v1/register/trailers/FLOAT-3/history": "",
		"GET /v1/register/trailers/FLOAT-3/fitted": "", "GET /v1/register-template/trailers": "", "DELETE /v1/register/trailers/FLOAT-3": "",
		"PUT /v1/register/trailers/FLOAT-3": `{"document":{}}`, "POST /v1/register-assessments": `{"pairing":"RUN-12"}`,
	} {
		method, path, _ := strings.Cut(target, " ")
		wantProblem(t, target, call(t, h, method, path, body), 404, "not-found")
	}
	wantProblem(t, "import", call(t, h, "POST", "/v1/register/trailers", "id\r\nFLOAT-3\r\n", asCSV), 404, "not-found")
}
