package api_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/openapi/openapitest"
	"drawgear/rules/fleet"
	"drawgear/service"
)

// auditing is a service that runs audits. Nobody works on them until work is
// called.
type auditing struct {
	h       http.Handler
	auditor *service.Auditor
	store   recordStore
	key     header // of Saltmarsh Yard, with every scope
}

func newAuditing(t testing.TB, st recordStore, tune func(*api.Config)) auditing {
	t.Helper()
	a := auditing{store: st}
	answers := service.New(book(t), st, clock)
	keys := service.NewKeyring(st, clock)
	cfg := api.Config{Service: answers, Audits: service.NewAuditor(answers, a.store, nil), Auth: service.Bearers{Keys: keys}, Keys: keys}
	if tune != nil {
		tune(&cfg)
	}
	a.auditor, a.h = cfg.Audits, api.New(cfg)
	a.key = replica{store: st, keys: keys}.tenant(t, saltmarshYard, "Saltmarsh Yard")
	return a
}

// work has the rows answered until the test ends or stop is called.
func (a auditing) work(t testing.TB) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.store.Work(ctx, 2, a.auditor.Carry) }()
	end := func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("work: %v", err)
		}
		done <- nil
	}
	t.Cleanup(end)
	return end
}

func (a auditing) call(t testing.TB, method, target, body string, hs ...header) openapitest.Reply {
	t.Helper()
	return call(t, a.h, method, target, body, append(hs, a.key)...)
}

var (
	asCSV    = header{"Content-Type", "text/csv"}
	asNDJSON = header{"Content-Type", "application/x-ndjson"}
)

// upload starts an audit of a file and returns its address.
func (a auditing) upload(t testing.TB, query, file string, as header) string {
	t.Helper()
	r := wantStatus(t, "upload", a.call(t, "POST", "/v1/audits"+query, file, as), http.StatusAccepted)
	return r.Header.Get("Location")
}

// ended follows an audit to its end.
func (a auditing) ended(t testing.TB, at string) service.Audit {
	t.Helper()
	r := wantStatus(t, "events", a.call(t, "GET", at+"/events", ""), http.StatusOK)
	events := readEvents(t, bytes.NewReader(r.Body))
	if len(events) == 0 || events[len(events)-1].name != "ended" {
		t.Fatalf("the stream did not tell the end: %s", r.Body)
	}
	return events[len(events)-1].audit
}

// event is a server-sent event of an audit.
type event struct {
	name, id string
	audit    service.Audit
}

// nextEvent reads a stream as WHATWG HTML, section 9.2.6, has it read, up to
// the next event. comments counts those that are passed over.
func nextEvent(t testing.TB, in *bufio.Reader) (e event, comments int, more bool) {
	t.Helper()
	var data []string
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			if line != "" || data != nil {
				t.Errorf("the stream ends within an event: %q", line)
			}
			return event{}, comments, false
		}
		line = strings.TrimSuffix(line, "\n")
		name, value, _ := strings.Cut(line, ":")
		value = strings.TrimPrefix(value, " ")
		switch {
		case line == "" && data == nil:
		case line == "":
			if err := json.Unmarshal([]byte(strings.Join(data, "\n")), &e.audit); err != nil {
				t.Fatalf("the data of an event: %v in %q", err, data)
			}
			return e, comments, true
		case name == "":
			comments++
		case name == "event":
			e.name = value
		case name == "id":
			e.id = value
		case name == "data":
			data = append(data, value)
		default:
			t.Errorf("the stream has a line %q", line)
		}
	}
}

func readEvents(t testing.TB, in io.Reader) (events []event) {
	t.Helper()
	lines := bufio.NewReader(in)
	for {
		e, _, more := nextEvent(t, lines)
		if !more {
			return events
		}
		events = append(events, e)
	}
}

// floats are horse floats of Saltmarsh Yard. The first is up to the law, as
// testdata/rigs/horse-float.json has it. Of the others one thing is changed: the
// second is laden beyond its plates, of the third the GTM is not known, the fourth
// has a chain rated less than the trailer's mass, and the fifth cannot be read.
func floats(t testing.TB) string {
	t.Helper()
	head := "id,vehicle.id,trailer.id,vehicle.category,vehicle.kerb [kg],vehicle.unladen [kg],vehicle.modified,vehicle.rated.total [kg]," +
		"vehicle.rated.combination [kg],vehicle.rated.axles [kg],vehicle.laden.axles [kg],vehicle.towing.braked [kg],vehicle.towing.unbraked [kg]," +
		"vehicle.towing.ball [kg],vehicle.first_registered,vehicle.electrical.voltage [V],vehicle.electrical.stop_signal,vehicle.electrical.assisted_stability," +
		"trailer.layout,trailer.axle_count,trailer.hitch,trailer.purpose,trailer.built,trailer.first_registered,trailer.rated.total [kg],trailer.rated.axles [kg]," +
		"trailer.tare [kg],trailer.laden.total [kg],trailer.laden.axles [kg],trailer.laden.ball [kg],trailer.brakes.kind,trailer.brakes.braked_axles," +
		"trailer.brakes.magnets,trailer.brakes.operable_from_cab,trailer.brakes.working,trailer.breakaway.kind,trailer.breakaway.hold [min]," +
		"trailer.breakaway.battery [Ah],trailer.coupling.quick_release,trailer.coupling.positive_lock,trailer.coupling.secondary_lock,trailer.coupling.marked," +
		"trailer.connector,ball.rated_mass [kg],ball.size [mm],towbar.rated_mass [kg],towbar.d_value [kN],coupling.rated_mass [kg],chain.rated_mass [kg]," +
		"chain.count,shackle.rated_mass [kg],shackle.count"
	const row = "ID,SY-ute,SY-float,light_truck,2250,2150,false,3100,6000,1450|1800,1250|1400,3500,750,350,2022-03-01,12,switched,true," +
		"centre_axle,2,ball,livestock,2024-06-01,2024-06-20,2400,GTM,1300,2300,LADEN,200,electric,2,4,true,true,automatic,15,7,true,true,true,true," +
		"as4177.5-flat7,3500,50,3500,17.2,3500,CHAIN,1,2000,1"
	out := head + "\r\n"
	for _, r := range []struct{ id, gtm, laden, chain string }{
		{"SY-1", "2200", "2100", "2500"},
		{"SY-2", "2000", "2100", "2500"},
		{"SY-3", "", "2100", "2500"},
		{"SY-4", "2200", "2100", "1500"},
		{"=SY-5", "heavy", "2100", "2500"},
	} {
		out += strings.NewReplacer("ID", r.id, "GTM", r.gtm, "LADEN", r.laden, "CHAIN", r.chain).Replace(row) + "\r\n"
	}
	return out
}

// outcomes of the floats.
var floatOutcomes = []service.Outcome{"compliant", "non_compliant", "undetermined", "non_compliant", "refused"}

func outcomesOf(items []service.AuditItem) (out []service.Outcome) {
	for _, i := range items {
		out = append(out, i.Outcome)
	}
	return out
}

func rowsOf(items []service.AuditItem) (out []int64) {
	for _, i := range items {
		out = append(out, i.Row)
	}
	return out
}

// TestAuditOfATable takes a table through its whole life over HTTP.
func TestAuditOfATable(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		a := newAuditing(t, st, nil)
		r := wantStatus(t, "upload", a.call(t, "POST", "/v1/audits?name=Floats&jurisdiction=AU-NSW&as_of=2026-11-25", floats(t), asCSV), 202)
		begun := decode[service.Audit](t, r)
		at := r.Header.Get("Location")
		if at != "/v1/audits/"+begun.ID || begun.State != service.AuditRunning || begun.Rows != 5 || begun.RowsDone != 0 ||
			begun.Ask.Name != "Floats" || begun.Ask.Jurisdiction != "AU-NSW" || begun.Ask.AsOf != "2026-11-25" || begun.Ask.Source.Kind != service.AuditCSV {
			t.Fatalf("begun at %s as %+v", at, begun)
		}
		columns := begun.Ask.Source.Columns
		if len(columns) != 52 || columns[0] != (service.AuditColumn{Column: 1, Name: "id", Path: "id"}) ||
			columns[25] != (service.AuditColumn{Column: 26, Name: "trailer.rated.axles [kg]", Path: "trailer.rated.axles", Unit: "kg"}) {
			t.Errorf("the columns were read as %+v", columns)
		}
		if page := decode[service.AuditItemPage](t, a.call(t, "GET", at+"/items", "")); len(page.Items) != 0 {
			t.Errorf("nobody worked on it and it says %+v", page.Items)
		}
		for name, r := range map[string]openapitest.Reply{"begun": r, "read": a.call(t, "GET", at, "")} {
			if r.Header.Get("Retry-After") != "1" {
				t.Errorf("%s, it is worth another look after %q seconds", name, r.Header.Get("Retry-After"))
			}
		}
		a.work(t)
		done := a.ended(t, at)
		if done.State != service.AuditDone || done.RowsDone != 5 || done.EndedAt.IsZero() {
			t.Fatalf("ended as %+v", done)
		}
		read := a.call(t, "GET", at, "")
		if got := decode[service.Audit](t, read); got.State != service.AuditDone || got.RowsDone != 5 || got.ID != begun.ID || read.Header.Get("Retry-After") != "" {
			t.Errorf("read as %+v, to be asked again after %q seconds", got, read.Header.Get("Retry-After"))
		}
		if page := decode[service.AuditPage](t, a.call(t, "GET", "/v1/audits", "")); len(page.Items) != 1 || page.Items[0].ID != begun.ID {
			t.Errorf("listed %+v", page)
		}

		items := decode[service.AuditItemPage](t, a.call(t, "GET", at+"/items", "")).Items
		if got := outcomesOf(items); !slices.Equal(got, floatOutcomes) {
			t.Fatalf("outcomes are %v, want %v: %+v", got, floatOutcomes, items)
		}
		if i := items[4]; i.Line != 6 || i.ID != "=SY-5" || len(i.Faults) != 1 || i.Faults[0].Column != 26 || i.Faults[0].Name != "trailer.rated.axles [kg]" {
			t.Errorf("the row that cannot be read is %+v", i)
		}
		if !slices.Contains(items[2].Missing, "/trailer/rated/axles") || items[0].Jurisdiction != "AU-NSW" || items[0].Vehicle != "SY-ute" {
			t.Errorf("the rows are %+v", items)
		}
		for query, want := range map[string][]int64{
			"?outcome=compliant": {1}, "?outcome=non_compliant": {2, 4}, "?outcome=undetermined": {3}, "?outcome=refused": {5},
			"?missing=/trailer/rated/axles": {3}, "?part=chain": {4}, "?rig=SY-2": {2}, "?rig=%3DSY-5": {5}, "?vehicle=SY-ute&outcome=refused": {5}, "?trailer=nobody": nil,
			"?finding=" + items[1].Failing[0] + "&rig=SY-2": {2}, "?moved=true": nil, "?moved=false&outcome=compliant": {1}, "?vehicle=SY-ute": {1, 2, 3, 4, 5},
		} {
			if got := rowsOf(decode[service.AuditItemPage](t, a.call(t, "GET", at+"/items"+query, "")).Items); !slices.Equal(got, want) {
				t.Errorf("%s lists the rows %v, want %v", query, got, want)
			}
		}
		var paged []int64
		for next, n := "", 0; n == 0 || next != ""; n++ {
			target := at + "/items?limit=2"
			if next != "" {
				target += "&cursor=" + next
			}
			page := decode[service.AuditItemPage](t, a.call(t, "GET", target, ""))
			if len(page.Items) > 2 || n > 5 {
				t.Fatalf("page %d is %+v", n, page)
			}
			paged, next = append(paged, rowsOf(page.Items)...), page.Next
		}
		if !slices.Equal(paged, []int64{1, 2, 3, 4, 5}) {
			t.Errorf("page by page the rows are %v", paged)
		}

		// The whole answer of a row is that of the question by itself.
		detail := decode[service.AuditItemDetail](t, a.call(t, "GET", at+"/items/1", ""))
		alone := decode[service.Assessment](t, a.call(t, "POST", "/v1/assessments?record=false", string(detail.Rig)))
		if !bytes.Equal(detail.Answer, alone.Answer) {
			t.Errorf("the row is answered\n%s\nand its rig by itself\n%s", detail.Answer, alone.Answer)
		}
		if refused := decode[service.AuditItemDetail](t, a.call(t, "GET", at+"/items/5", "")); refused.Answer != nil || refused.Rig != nil || len(refused.Faults) != 1 {
			t.Errorf("the row that cannot be read is %+v", refused)
		}
		wantProblem(t, "no such row", a.call(t, "GET", at+"/items/6", ""), 404, "not-found")

		r = a.call(t, "GET", at+"/summary", "")
		sum := decode[service.AuditSummary](t, r)
		if want := map[service.Outcome]int64{"compliant": 1, "non_compliant": 2, "undetermined": 1, "refused": 1}; !maps.Equal(sum.Outcomes, want) || r.Header.Get("Vary") != "Accept" {
			t.Errorf("summed up as %v, want %v; Vary %q", sum.Outcomes, want, r.Header.Get("Vary"))
		}
		for kind, begins := range map[string]string{"text/html": "<!DOCTYPE html>", "application/pdf": "%PDF-"} {
			r := wantStatus(t, kind, a.call(t, "GET", at+"/summary?paper=letter", "", header{"Accept", kind}), 200)
			if !bytes.HasPrefix(r.Body, []byte(begins)) || !strings.HasPrefix(r.Header.Get("Content-Type"), kind) {
				t.Errorf("%s is %s, %.40q", kind, r.Header.Get("Content-Type"), r.Body)
			}
		}
		wantProblem(t, "another kind", a.call(t, "GET", at+"/summary", "", header{"Accept", "text/csv"}), 406, "not-acceptable")
		wantProblem(t, "cancel what has ended", a.call(t, "POST", at+"/cancel", ""), 409, "audit-ended")
	})
}

// TestAuditExport reads both kinds back.
func TestAuditExport(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	at := a.upload(t, "?jurisdiction=AU-NSW&as_of=2026-11-25", floats(t), asCSV)
	a.work(t)
	a.ended(t, at)
	items := decode[service.AuditItemPage](t, a.call(t, "GET", at+"/items", "")).Items

	r := a.call(t, "GET", at+"/export", "", header{"Accept", "application/x-ndjson"})
	if got := r.Header.Get("Content-Type"); got != "application/x-ndjson" {
		t.Errorf("the lines come as %q", got)
	}
	in := json.NewDecoder(bytes.NewReader(r.Body))
	var lines []service.AuditItem
	for in.More() {
		var i service.AuditItem
		if err := in.Decode(&i); err != nil {
			t.Fatal(err)
		}
		lines = append(lines, i)
	}
	if got, want := fmt.Sprintf("%+v", lines), fmt.Sprintf("%+v", items); got != want {
		t.Errorf("the lines are\n%s\nwant\n%s", got, want)
	}

	r = a.call(t, "GET", at+"/export", "")
	if got := r.Header.Get("Content-Type"); got != "text/csv; charset=utf-8" || r.Header.Get("Vary") != "Accept" {
		t.Errorf("the table comes as %q, Vary %q", got, r.Header.Get("Vary"))
	}
	table, err := csv.NewReader(bytes.NewReader(r.Body)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"row", "line", "id", "vehicle", "trailer", "jurisdiction", "as_of", "outcome", "failing", "missing", "parts", "faults", "before", "moved", "appearing", "disappearing"}
	if len(table) != 6 || !slices.Equal(table[0], want) {
		t.Fatalf("the table is %q", table)
	}
	for n, row := range table[1:] {
		i := items[n]
		id := i.ID
		if id == "=SY-5" {
			id = "'=SY-5" // which a spreadsheet would work out
		}
		begin := []string{fmt.Sprint(i.Row), fmt.Sprint(i.Line), id, i.Vehicle, i.Trailer, i.Jurisdiction, i.AsOf, string(i.Outcome), strings.Join(i.Failing, " | "), strings.Join(i.Missing, " | ")}
		if !slices.Equal(row[:10], begin) || row[12] != "" || row[13] != "" {
			t.Errorf("row %d is %q, want %q", n+1, row, begin)
		}
	}
	if part := table[4][10]; !strings.HasPrefix(part, "chain: needs ") || !strings.HasSuffix(part, ", has 1500 kg") {
		t.Errorf("the part is told as %q", part)
	}
	if fault := table[5][11]; !strings.HasPrefix(fault, "line 6, column 26 (trailer.rated.axles [kg]): ") {
		t.Errorf("the fault is told as %q", fault)
	}
	r = a.call(t, "GET", at+"/export?outcome=non_compliant", "")
	if table, err = csv.NewReader(bytes.NewReader(r.Body)).ReadAll(); err != nil || len(table) != 3 || table[1][0] != "2" || table[2][0] != "4" {
		t.Errorf("with a filter the table is %q (%v)", table, err)
	}
	if r := a.call(t, "HEAD", at+"/export", ""); r.Status != 200 {
		t.Errorf("HEAD: %d", r.Status)
	}
	wantProblem(t, "another kind", a.call(t, "GET", at+"/export", "", header{"Accept", "text/html"}), 406, "not-acceptable")
}

// TestExportIsHarmless: no text of a caller's becomes a formula.
func TestExportIsHarmless(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	want := map[string]string{"=1+1": "'=1+1", "+1": "'+1", "-1": "'-1", "@x": "'@x", "'=1": "''=1", "''+1": "'''+1", "it's": "it's", "'quoted'": "'quoted'", "a=1": "a=1"}
	ids := slices.Sorted(maps.Keys(want))
	var file strings.Builder
	for _, id := range ids {
		text, err := json.Marshal(map[string]any{"id": id, "rig": map[string]string{"jurisdiction": "AU-NSW"}})
		if err != nil {
			t.Fatal(err)
		}
		file.Write(append(text, '\n'))
	}
	at := a.upload(t, "", file.String(), asNDJSON)
	a.work(t)
	a.ended(t, at)
	table, err := csv.NewReader(bytes.NewReader(a.call(t, "GET", at+"/export", "").Body)).ReadAll()
	if err != nil || len(table) != len(ids)+1 {
		t.Fatalf("the table has %d rows (%v)", len(table), err)
	}
	for i, id := range ids {
		if got := table[i+1][2]; got != want[id] {
			t.Errorf("%q is written as %q, want %q", id, got, want[id])
		}
	}
}

// TestAuditOfLines: the rigs of the partner kit as NDJSON have the outcomes that
// the kit has them known for.
func TestAuditOfLines(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	var file, want bytes.Buffer
	for name, outcome := range map[string]string{
		"float-overloaded.json": "non_compliant", "utility-in-pounds.json": "non_compliant", "float-without-gtm.json": "undetermined", "field-mistyped.json": "refused",
	} {
		text, err := os.ReadFile("../testdata/partner/rigs/" + name)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Compact(&file, text); err != nil {
			t.Fatal(err)
		}
		file.WriteByte('\n')
		want.WriteString(outcome + " ")
	}
	at := a.upload(t, "", file.String(), header{"Content-Type", "Application/X-NDJSON; charset=utf-8"})
	a.work(t)
	if done := a.ended(t, at); done.Ask.Source.Kind != service.AuditNDJSON {
		t.Errorf("the audit is %+v", done)
	}
	var got strings.Builder
	for _, i := range decode[service.AuditItemPage](t, a.call(t, "GET", at+"/items", "")).Items {
		got.WriteString(string(i.Outcome) + " ")
	}
	if got.String() != want.String() {
		t.Errorf("outcomes are %s, want %s", got.String(), want.String())
	}
}

// TestAuditOfAssessments asks in JSON, and compares two audits.
func TestAuditOfAssessments(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	const ask = `{"name":"A year","source":{"kind":"assessments","months":12},"against":{"as_of":"2026-06-30"}}`
	wantProblem(t, "nothing is there", a.call(t, "POST", "/v1/audits", ask), 422, "audit-size")
	kept := decode[service.Assessment](t, a.call(t, "POST", "/v1/assessments", float))
	r := wantStatus(t, "ask", a.call(t, "POST", "/v1/audits", ask, header{"Content-Type", "Application/JSON"}), 202)
	at := r.Header.Get("Location")
	if got := decode[service.Audit](t, r); got.Ask.Against == nil || got.Ask.Against.AsOf != "2026-06-30" || got.Ask.Source.Months != 12 || got.Rows != 1 {
		t.Errorf("asked as %+v", got)
	}
	other := wantStatus(t, "ask", a.call(t, "POST", "/v1/audits", `{"source":{"kind":"assessments","months":1}}`), 202).Header.Get("Location")
	compare := at + "/compare?with=" + strings.TrimPrefix(other, "/v1/audits/")
	wantProblem(t, "compare what goes on", a.call(t, "GET", compare, ""), 409, "audit-open")
	a.work(t)
	a.ended(t, at)
	a.ended(t, other)
	items := decode[service.AuditItemPage](t, a.call(t, "GET", at+"/items", "")).Items
	if len(items) != 1 || items[0].ID != kept.ID || items[0].Before == "" {
		t.Errorf("the rows are %+v", items)
	}
	c := decode[service.AuditComparison](t, a.call(t, "GET", compare, ""))
	if c.Same != 1 || len(c.Changed) != 0 || c.Gone != 0 || c.Come != 0 || c.Truncated {
		t.Errorf("compared as %+v", c)
	}
	none := strings.Repeat("A", 26)
	wantProblem(t, "compare with none", a.call(t, "GET", at+"/compare?with="+none, ""), 404, "not-found")
	wantProblem(t, "compare with nothing", a.call(t, "GET", at+"/compare", ""), 400, "bad-query")
}

// TestAuditOfRegister asks who may tow what, and about the pairings, of what the
// register holds: the float that is up to the law is so with the parts that are
// fitted to it, one is laden beyond its plate, and one has a chain rated less than
// its mass, for which there is a better one in stock.
func TestAuditOfRegister(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		a := newAuditing(t, st, func(c *api.Config) { c.Register = service.NewRegistry(c.Service, st, clock) })
		file, err := os.ReadFile("../testdata/rigs/horse-float.json")
		if err != nil {
			t.Fatal(err)
		}
		var rig struct{ Vehicle, Trailer json.RawMessage }
		if err := json.Unmarshal(file, &rig); err != nil {
			t.Fatal(err)
		}
		put := func(path, yard, fitted, document string) {
			t.Helper()
			if fitted != "" {
				kind, id, _ := strings.Cut(fitted, "/")
				fitted = fmt.Sprintf(`,"fitted_to":{"kind":%q,"id":%q}`, kind, id)
			}
			wantStatus(t, path, a.call(t, "PUT", "/v1/register/"+path, fmt.Sprintf(`{"since":"2026-11-01","yard":%q%s,"document":%s}`, yard, fitted, document)), 201)
		}
		put("vehicles/UTE-7", "North", "", string(rig.Vehicle))
		put("vehicles/UTE-8", "South", "", string(rig.Vehicle))
		put("parts/BALL-7", "", "vehicles/UTE-7", `{"role":"ball","rated_mass":"3500 kg","size":"50 mm"}`)
		put("parts/BAR-7", "", "vehicles/UTE-7", `{"role":"towbar","rated_mass":"3500 kg","d_value":"17.2 kN"}`)
		for id, changed := range map[string][2]string{"FLOAT-1": {"", "2500 kg"}, "FLOAT-2": {`"axles": "2200 kg"`, "2500 kg"}, "FLOAT-3": {"", "1500 kg"}} {
			trailer := string(rig.Trailer)
			if changed[0] != "" {
				trailer = strings.Replace(trailer, changed[0], `"axles": "2000 kg"`, 1)
			}
			put("trailers/"+id, "North", "", trailer)
			put("parts/HEAD-"+id, "", "trailers/"+id, `{"role":"coupling","rated_mass":"3500 kg"}`)
			put("parts/CHAIN-"+id, "", "trailers/"+id, `{"role":"chain","rated_mass":"`+changed[1]+`","count":1}`)
			put("parts/SHACKLE-"+id, "", "trailers/"+id, `{"role":"shackle","rated_mass":"2000 kg","count":1}`)
		}
		put("parts/SHELF-1", "North", "", `{"role":"chain","rated_mass":"3500 kg","price":{"amount":"41.00","currency":"AUD"}}`)
		put("parts/SHELF-2", "North", "", `{"role":"chain","rated_mass":"2500 kg","price":{"amount":"18.50","currency":"AUD"}}`)
		put("parts/SHELF-3", "North", "", `{"role":"chain","rated_mass":"1000 kg","price":{"amount":"9.00","currency":"AUD"}}`)
		put("pairings/RUN-1", "", "", `{"vehicle":"UTE-7","trailer":"FLOAT-1","jurisdiction":"AU-NSW"}`)
		put("pairings/RUN-3", "", "", `{"vehicle":"UTE-7","trailer":"FLOAT-3","jurisdiction":"AU-NSW"}`)
		a.work(t)

		ask := func(body string) (at string, items []service.AuditItem) {
			t.Helper()
			at = wantStatus(t, body, a.call(t, "POST", "/v1/audits", body), 202).Header.Get("Location")
			a.ended(t, at)
			return at, decode[service.AuditItemPage](t, a.call(t, "GET", at+"/items", "")).Items
		}
		pairs := map[string]service.Outcome{}
		at, items := ask(`{"source":{"kind":"all_pairs","yard":"North"},"jurisdiction":"AU-NSW","as_of":"2026-11-25"}`)
		for _, i := range items {
			pairs[i.Vehicle+" "+i.Trailer] = i.Outcome
		}
		if want := map[string]service.Outcome{"UTE-7 FLOAT-1": "compliant", "UTE-7 FLOAT-2": "non_compliant", "UTE-7 FLOAT-3": "non_compliant"}; !maps.Equal(pairs, want) {
			t.Errorf("the pairs of the yard are %v, want %v", pairs, want)
		}
		sum := decode[service.AuditSummary](t, a.call(t, "GET", at+"/summary", ""))
		if len(sum.Vehicles) != 1 || sum.Vehicles[0].ID != "UTE-7" || sum.Vehicles[0].Outcomes["compliant"] != 1 || sum.Vehicles[0].Outcomes["non_compliant"] != 2 ||
			len(sum.Trailers) != 3 || sum.Trailers[0].ID != "FLOAT-1" || sum.Trailers[0].Outcomes["compliant"] != 1 || len(sum.Trailers[1].Why) == 0 {
			t.Errorf("vehicles fare as %+v, trailers as %+v", sum.Vehicles, sum.Trailers)
		}
		i := slices.IndexFunc(sum.Parts, func(p service.AuditPartCount) bool { return p.Role == "chain" })
		if i < 0 || sum.Parts[i].Rows != 1 || sum.Parts[i].Offered != 1 || !slices.Equal(sum.Parts[i].Cost, []service.AuditCost{{Currency: "AUD", Amount: "18.50"}}) {
			t.Errorf("the parts are %+v", sum.Parts)
		}
		for _, kind := range []string{"text/html", "application/pdf"} {
			wantStatus(t, kind, a.call(t, "GET", at+"/summary", "", header{"Accept", kind}), 200)
		}
		if _, items := ask(`{"source":{"kind":"all_pairs","vehicles":["UTE-8","UTE-7"],"trailers":["FLOAT-1"]},"jurisdiction":"AU-NSW","as_of":"2026-11-25"}`); len(items) != 2 {
			t.Errorf("two with one are %+v", items)
		}
		if _, items := ask(`{"source":{"kind":"pairings"},"as_of":"2026-11-25"}`); len(items) != 2 || items[0].ID != "RUN-1" || items[0].Outcome != "compliant" ||
			items[1].ID != "RUN-3" || items[1].Outcome != "non_compliant" || items[1].Parts[0].Offer == nil || items[1].Parts[0].Offer.ID != "SHELF-2" {
			t.Errorf("the pairings are %+v", items)
		}
	})
}

// TestAuditAsks refuses what is asked wrongly, with the place of each fault.
func TestAuditAsks(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	for body, want := range map[string]string{
		`{}`:                                                                                 "/source",
		`{"source":[]}`:                                                                      "/source",
		`{"source":null}`:                                                                    "/source",
		`{"source":{"kind":"csv"}}`:                                                          "/source/kind",
		`{"source":{"kind":"ndjson"}}`:                                                       "/source/kind",
		`{"source":{"kind":"zebras"}}`:                                                       "/source/kind",
		`{"source":{"kind":7}}`:                                                              "/source/kind",
		`{"source":{"kind":"assessments"}}`:                                                  "/source/months",
		`{"source":{"kind":"assessments","months":121}}`:                                     "/source/months",
		`{"source":{"kind":"pairings","place":"AU"}}`:                                        "/source/place",
		`{"source":{"kind":"pairings","yard":"a","yard":"b"}}`:                               "/source/yard",
		`{"source":{"kind":"pairings"},"zebra":1}`:                                           "/zebra",
		`{"source":{"kind":"pairings"},"as_of":"2026-02-30"}`:                                "/as_of",
		`{"source":{"kind":"pairings"},"jurisdiction":"New South Wales"}`:                    "/jurisdiction",
		`{"source":{"kind":"pairings"},"commercial":"yes"}`:                                  "/commercial",
		`{"source":{"kind":"pairings"},"known_at":"2027-01-01T00:00:00Z"}`:                   "/known_at",
		`{"source":{"kind":"pairings"},"known_at":"yesterday"}`:                              "/known_at",
		`{"source":{"kind":"pairings"},"against":{"known_at":"2027-01-01T00:00:00Z"}}`:       "/against/known_at",
		`{"source":{"kind":"pairings"},"against":{"as_of":"soon"}}`:                          "/against/as_of",
		`{"source":{"kind":"pairings"},"against":{"draft":{}}}`:                              "/against/draft",
		`{"source":{"kind":"pairings"},"draft":{"ruleset":"house-yard","version":"two"}}`:    "/draft/version",
		`{"source":{"kind":"pairings","zebra":1},"draft":{"zebra":2},"against":{"zebra":3}}`: "/source/zebra /draft/zebra /against/zebra",
		`{"source":{"kind":"pairings"},"name":"` + strings.Repeat("x", 201) + `"}`:           "/name",
		`{"source":{"kind":"all_pairs","vehicles":["nobody"]}}`:                              "/source/vehicles/0",
		`{"source":{"kind":"all_pairs","vehicles":"nobody"}}`:                                "/source/vehicles",
	} {
		p := wantProblem(t, body, a.call(t, "POST", "/v1/audits", body), 422, "invalid-body")
		var at []string
		for _, e := range p.Errors {
			at = append(at, *e.Pointer)
		}
		if got := strings.Join(at, " "); got != want {
			t.Errorf("%s: faults at %s, want %s", body, got, want)
		}
	}
	wantProblem(t, "no JSON", a.call(t, "POST", "/v1/audits", `{"source":`), 400, "malformed-json")
	wantProblem(t, "too large", a.call(t, "POST", "/v1/audits", `{"name":"`+strings.Repeat("x", 1<<20)+`"}`), 413, "body-too-large")
	wantProblem(t, "said twice", a.call(t, "POST", "/v1/audits?name=x", `{"source":{"kind":"pairings"}}`), 400, "bad-query")
	wantProblem(t, "another kind", a.call(t, "POST", "/v1/audits", "<rigs/>", header{"Content-Type", "application/xml"}), 415, "unsupported-media-type")
	wantProblem(t, "a list of a longer name", a.call(t, "POST", "/v1/audits", "{}", header{"Content-Type", "application/jsonx"}), 415, "unsupported-media-type")
	if page := decode[service.AuditPage](t, a.call(t, "GET", "/v1/audits", "")); len(page.Items) != 0 {
		t.Errorf("what was refused left %+v", page.Items)
	}
}

// TestDraftAuditNeedsItsScope: to see what a draft says is for its authors.
func TestDraftAuditNeedsItsScope(t *testing.T) {
	var keys *service.Keyring
	a := newAuditing(t, memory.New(0), func(c *api.Config) { keys = c.Keys })
	_, text, err := keys.Issue(service.WithCaller(t.Context(), service.Operator(saltmarshYard)), "auditor", []service.Scope{service.ScopeAudit}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	const ask = `{"source":{"kind":"assessments","months":1},"draft":{"ruleset":"house-yard","version":1}}`
	p := wantProblem(t, "draft", call(t, a.h, "POST", "/v1/audits", ask, bearer(text.Reveal())), 403, "forbidden")
	if !strings.Contains(p.Detail, "author") {
		t.Errorf("refused with %+v", p)
	}
	wantProblem(t, "draft", a.call(t, "POST", "/v1/audits", ask), 404, "not-found")
}

// TestDraftAudit tells what a draft would move among what was recorded, before it
// answers anybody; what it moved when it had been published is the same.
func TestDraftAudit(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		r := newReplica(t, st, newSigner(t))
		yard, approver := r.tenant(t, saltmarshYard, "Saltmarsh Yard"), r.tenant(t, saltmarshYard, "Saltmarsh Yard")
		kept := map[string]string{} // weight of the axles by the id of the assessment
		for _, axles := range []string{"500 kg", "501 kg"} {
			a := wantStatus(t, axles, call(t, r.h, "POST", "/v1/assessments", strings.Replace(light, "600 kg", axles, 1), yard), 201)
			kept[decode[service.Assessment](t, a).ID] = axles
		}
		moved := func(ask string) (at string) {
			t.Helper()
			at = wantStatus(t, ask, call(t, r.h, "POST", "/v1/audits", ask, yard), 202).Header.Get("Location")
			wantStatus(t, "events", call(t, r.h, "GET", at+"/events", "", yard), 200) // to the end
			items := decode[service.AuditItemPage](t, call(t, r.h, "GET", at+"/items?moved=true", "", yard)).Items
			if len(items) != 1 || kept[items[0].ID] != "501 kg" || items[0].Before != "undetermined" || items[0].Outcome != "non_compliant" ||
				!slices.Equal(items[0].Appearing, []string{"house.brakes/service_brakes.required"}) || len(items[0].Disappearing) != 0 {
				t.Errorf("%s moves %+v", ask, items)
			}
			detail := decode[service.AuditItemDetail](t, call(t, r.h, "GET", fmt.Sprintf("%s/items/%d", at, items[0].Row), "", yard))
			if !bytes.Contains(detail.Answer, []byte("house.brakes")) || bytes.Contains(detail.Was, []byte("house.brakes")) || detail.Was == nil {
				t.Errorf("%s: it is answered %s, and was %s", ask, detail.Answer, detail.Was)
			}
			sum := decode[service.AuditSummary](t, call(t, r.h, "GET", at+"/summary", "", yard))
			if len(sum.Moves) != 1 || sum.Moves[0] != (service.AuditMove{From: "undetermined", To: "non_compliant", Rows: 1}) {
				t.Errorf("%s moves in sum %+v", ask, sum.Moves)
			}
			return at
		}
		r.working(t, func() {
			draft := wantStatus(t, "draft", call(t, r.h, "POST", "/v1/rulesets", strings.Replace(yardRules, "level: practice", "level: rating", 1), yard, asYAML), 201)
			dry := moved(`{"source":{"kind":"assessments","months":1},"draft":{"ruleset":"house-yard","version":1},"against":{}}`)
			if got := call(t, r.h, "POST", "/v1/assessments?record=false", light, yard); bytes.Contains(got.Body, []byte("house-yard")) {
				t.Errorf("a draft answers: %s", got.Body)
			}
			next := wantStatus(t, "approve", call(t, r.h, "POST", yardPath+"/approve", "", approver, match(draft)), 200)
			next = wantStatus(t, "publish", call(t, r.h, "POST", yardPath+"/publish", "", approver, match(next)), 200)
			at := decode[service.RulesetVersion](t, next).PublishedAt
			wet := moved(`{"source":{"kind":"assessments","months":1},"against":{"known_at":"` + at.Add(-time.Microsecond).UTC().Format(time.RFC3339Nano) + `"}}`)
			c := decode[service.AuditComparison](t, call(t, r.h, "GET", dry+"/compare?with="+path.Base(wet), "", yard))
			if c.Same != 2 || len(c.Changed) != 0 {
				t.Errorf("tried and published differ: %+v", c)
			}
			p := wantProblem(t, "no draft any more", call(t, r.h, "POST", "/v1/audits", `{"source":{"kind":"assessments","months":1},"draft":{"ruleset":"house-yard","version":1}}`, yard), 409, "ruleset-state")
			if !strings.Contains(p.Detail, "no draft any more") {
				t.Errorf("refused with %+v", p)
			}
		})
	})
}

// TestAuditEvents reads a stream from beginning to end over a connection, whose
// usual time is over long before.
func TestAuditEvents(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		a := newAuditing(t, st, nil)
		srv := httptest.NewUnstartedServer(a.h)
		srv.Config.ReadTimeout, srv.Config.WriteTimeout = time.Second, time.Second
		srv.Start()
		defer srv.Close()
		at := a.upload(t, "?jurisdiction=AU-NSW&as_of=2026-11-25", floats(t), asCSV)
		in := a.open(t, srv.URL+at+"/events")
		first, _, more := nextEvent(t, in)
		if !more || first.name != "progress" || first.id != "0" || first.audit.State != service.AuditRunning {
			t.Fatalf("it begins with %+v", first)
		}
		time.Sleep(1500 * time.Millisecond) // beyond what the server gives others
		a.work(t)
		var last event
		for more {
			var e event
			if e, _, more = nextEvent(t, in); more {
				if last = e; e.name == "ended" != e.audit.State.Ended() {
					t.Errorf("%s tells of %+v", e.name, e.audit)
				}
			}
		}
		if last.name != "ended" || last.id != "5" || last.audit.State != service.AuditDone || last.audit.RowsDone != 5 {
			t.Errorf("it ends with %+v", last)
		}
		// Who comes late is told the end and no more.
		late := readEvents(t, a.open(t, srv.URL+at+"/events"))
		if len(late) != 1 || late[0].name != "ended" || late[0].audit.ID != last.audit.ID {
			t.Errorf("later it is told as %+v", late)
		}
		wantProblem(t, "of none", a.call(t, "GET", "/v1/audits/"+strings.Repeat("A", 26)+"/events", ""), 404, "not-found")
	})
}

// open opens a stream.
func (a auditing) open(t testing.TB, url string) *bufio.Reader {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "GET", url, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set(a.key.name, a.key.value)
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Body.Close() })
	if r.StatusCode != 200 || r.Header.Get("Content-Type") != "text/event-stream" || r.Header.Get("Cache-Control") != "no-store" {
		t.Fatalf("the stream opens with %d, %v", r.StatusCode, r.Header)
	}
	return bufio.NewReader(r.Body)
}

// TestAuditCancelled: whoever follows is told, what was answered stays, and
// nothing follows.
func TestAuditCancelled(t *testing.T) {
	eachStore(t, func(t *testing.T, st recordStore, _ string) {
		a := newAuditing(t, st, nil)
		srv := httptest.NewServer(a.h)
		defer srv.Close()
		at := a.upload(t, "?jurisdiction=AU-NSW&as_of=2026-11-25", floats(t), asCSV)
		in := a.open(t, srv.URL+at+"/events")
		nextEvent(t, in)
		got := decode[service.Audit](t, wantStatus(t, "cancel", a.call(t, "POST", at+"/cancel", ""), 200))
		if got.State != service.AuditCancelled || got.Note == "" || got.EndedAt.IsZero() {
			t.Errorf("cancelled as %+v", got)
		}
		if e, _, _ := nextEvent(t, in); e.name != "ended" || e.audit.State != service.AuditCancelled {
			t.Errorf("who follows is told %+v", e)
		}
		if _, _, more := nextEvent(t, in); more {
			t.Error("the stream goes on")
		}
		wantProblem(t, "again", a.call(t, "POST", at+"/cancel", ""), 409, "audit-ended")
		wantProblem(t, "of none", a.call(t, "POST", "/v1/audits/"+strings.Repeat("A", 26)+"/cancel", ""), 404, "not-found")
	})
}

// TestEventsWithoutNews: a stream of an audit on which nobody works keeps its
// connection alive, and ends after half an hour; a service that is about to
// stop ends it, and so does a caller who leaves. HEAD gives no stream.
func TestEventsWithoutNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var draining atomic.Bool
		a := newAuditing(t, memory.New(0), func(c *api.Config) { c.Draining = draining.Load })
		at := a.upload(t, "?jurisdiction=AU-NSW&as_of=2026-11-25", floats(t), asCSV)
		stream := func(ctx context.Context, method string) (body string, took time.Duration) {
			begun := time.Now()
			req := httptest.NewRequestWithContext(ctx, method, at+"/events", nil)
			req.Header.Set(a.key.name, a.key.value)
			rec := httptest.NewRecorder()
			a.h.ServeHTTP(rec, req)
			if rec.Code != 200 {
				t.Errorf("%s: %d %s", method, rec.Code, rec.Body)
			}
			return rec.Body.String(), time.Since(begun)
		}
		body, took := stream(t.Context(), "GET")
		comments := strings.Count(body, "\n:\n")
		if took != 30*time.Minute || comments < 119 || comments > 120 || strings.Count(body, "event: progress\n") != 1 {
			t.Errorf("after %s: %d comments in %.300s", took, comments, body)
		}
		if _, took := stream(t.Context(), "HEAD"); took != 0 {
			t.Errorf("HEAD takes %s", took)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 46500*time.Millisecond)
		defer cancel()
		if body, took := stream(ctx, "GET"); took != 46500*time.Millisecond || strings.Count(body, "\n:\n") != 3 {
			t.Errorf("who leaves leaves after %s: %s", took, body)
		}
		time.AfterFunc(90*time.Second+time.Millisecond, func() { draining.Store(true) })
		if _, took := stream(t.Context(), "GET"); took != 91*time.Second {
			t.Errorf("a service that is about to stop ends a stream after %s", took)
		}
	})
}

// TestManyStreams: there are so many at a time; they are not counted among
// requests in flight, and each gives its place back.
func TestManyStreams(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newAuditing(t, memory.New(0), func(c *api.Config) { c.Limits = api.Limits{InFlight: 2} })
		at := a.upload(t, "?jurisdiction=AU-NSW&as_of=2026-11-25", floats(t), asCSV)
		ctx, cancel := context.WithCancel(t.Context())
		for range 256 {
			go func() {
				req := httptest.NewRequestWithContext(ctx, "GET", at+"/events", nil)
				req.Header.Set(a.key.name, a.key.value)
				a.h.ServeHTTP(httptest.NewRecorder(), req)
			}()
			synctest.Wait()
		}
		r := a.call(t, "GET", at+"/events", "")
		wantProblem(t, "one more", r, 503, "overloaded")
		if r.Header.Get("Retry-After") == "" {
			t.Error("it is not said when to try again")
		}
		wantStatus(t, "another request", a.call(t, "GET", at, ""), 200)
		cancel()
		synctest.Wait()
		wantStatus(t, "cancel", a.call(t, "POST", at+"/cancel", ""), 200)
		wantStatus(t, "a stream again", a.call(t, "GET", at+"/events", ""), 200)
	})
}

// TestAuditColumns: every column that is listed is one that a file may have, by
// its name and by its terms.
func TestAuditColumns(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	page := decode[api.AuditColumnPage](t, a.call(t, "GET", "/v1/audit-columns", ""))
	if len(page.Items) < 100 {
		t.Fatalf("only %d columns are listed", len(page.Items))
	}
	for _, c := range page.Items {
		name := strings.NewReplacer("<part>", "chain", "<n>", "1").Replace(c.Name)
		if c.Units != "" {
			unit, _, _ := strings.Cut(c.Units, ", ")
			name += " [" + unit + "]"
		}
		if _, err := fleet.NewCSV(strings.NewReader(name+"\nx\n"), fleet.Options{}); err != nil {
			t.Errorf("the column %s is listed and refused: %v", name, err)
		}
		for _, term := range c.Aliases {
			term, place, _ := strings.Cut(term, " (")
			if _, err := fleet.NewCSV(strings.NewReader(`"`+term+"\"\nx\n"), fleet.Options{Place: strings.TrimSuffix(place, ")")}); err != nil {
				t.Errorf("the term %s is listed and refused: %v", term, err)
			}
		}
	}
}

// TestAuditTemplate: what is to be filled in is a file that is taken.
func TestAuditTemplate(t *testing.T) {
	a := newAuditing(t, memory.New(0), nil)
	for query, rows := range map[string]int64{"": 1, "?place=GB": 1, "?place=AU-NSW,AU-VIC,NZ": 3} {
		r := wantStatus(t, query, a.call(t, "GET", "/v1/audit-template"+query, ""), 200)
		if got := r.Header.Get("Content-Type"); got != "text/csv; charset=utf-8" {
			t.Errorf("%s comes as %q", query, got)
		}
		audit := decode[service.Audit](t, wantStatus(t, "upload", a.call(t, "POST", "/v1/audits", string(r.Body), asCSV), 202))
		if audit.Rows != rows {
			t.Errorf("%s has %d rows, want %d", query, audit.Rows, rows)
		}
	}
	for _, query := range []string{"?place=Victoria", "?place=AU-NSW,", "?place=", "?places=GB"} {
		wantProblem(t, query, a.call(t, "GET", "/v1/audit-template"+query, ""), 400, "bad-query")
	}
}

// TestWithoutAudits: a service that runs none says so.
func TestWithoutAudits(t *testing.T) {
	h, at := newServer(t), "/v1/audits/"+strings.Repeat("A", 26)
	for target, method := range map[string]string{
		"/v1/audits": "GET", at: "GET", at + "/cancel": "POST", at + "/events": "GET", at + "/summary": "GET", at + "/items": "GET", at + "/items/1": "GET",
		at + "/export": "GET", at + "/compare?with=" + strings.Repeat("A", 26): "GET",
	} {
		wantProblem(t, target, call(t, h, method, target, ""), 404, "not-found")
	}
	wantProblem(t, "upload", call(t, h, "POST", "/v1/audits", "id\nx\n", asCSV), 404, "not-found")
	wantProblem(t, "ask", call(t, h, "POST", "/v1/audits", `{"source":{"kind":"pairings"}}`), 404, "not-found")
}
