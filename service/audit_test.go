package service_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"drawgear/rules"
	"drawgear/rules/fleet"
	shipped "drawgear/rules/library"
	"drawgear/service"
)

// auditLaw is the law of a place that is not, in which every outcome can be
// worked out by hand: brakes over 750 kg on the axles, a breakaway device over
// 2000 kg, one chain, and a coupling rated for the laden trailer.
const auditLaw = `ruleset: zz-light-trailers
version: 1
title: Light trailers in Zz
jurisdiction: ZZ
effective: {from: 2014-07-01}
reviewed: 2026-11-25
sources:
  - {id: zz-code, title: Code, publisher: State of Zz, published: undated, kind: regulation, checked: {how: text, on: 2026-11-25}}
rules:
  - id: zz.brakes
    says: Over 750 kg a trailer is braked.
    when: trailer.rated.axles > kg(750)
    oblige: {service_brakes: {required: true}}
    cite: {source: zz-code, clause: "1", how: text, confidence: high}
  - id: zz.free
    says: To 750 kg a trailer needs no brakes.
    when: trailer.rated.axles <= kg(750)
    oblige: {service_brakes: {required: false}}
    cite: {source: zz-code, clause: "1", how: text, confidence: high}
  - id: zz.breakaway
    says: Over 2 t a trailer brakes itself when it breaks away.
    when: trailer.rated.axles > kg(2000)
    oblige: {breakaway: {required: true}}
    cite: {source: zz-code, clause: "2", how: text, confidence: high}
  - id: zz.tethered
    says: To 2 t a trailer need not brake itself.
    when: trailer.rated.axles <= kg(2000)
    oblige: {breakaway: {required: false}}
    cite: {source: zz-code, clause: "2", how: text, confidence: high}
  - id: zz.chain
    says: A trailer has a chain.
    oblige: {safety_chains: {count: 1}}
    cite: {source: zz-code, clause: "3", how: text, confidence: high}
  - id: zz.coupling
    says: The coupling is rated for the laden trailer.
    level: rating
    oblige: {part_rating: {roles: [coupling], at_least: trailer.laden.total}}
    cite: {source: zz-code, clause: "4", how: text, confidence: high}
`

// auditDesk is a desk at which audits are run.
type auditDesk struct {
	desk
	*service.Auditor
	store *auditStore
}

func newAuditDesk(t testing.TB, law ...[]byte) auditDesk {
	t.Helper()
	store := newAuditStore()
	for _, id := range []string{saltmarshYard, tarnValley} {
		if err := store.PutTenant(t.Context(), service.Tenant{ID: id, Name: id, CreatedAt: noon}); err != nil {
			t.Fatal(err)
		}
		hook := service.Webhook{ID: "HOOK", Revision: 1, CreatedAt: noonKept, URL: saltmarshHook, Events: service.EventTypes, Generation: 1, RotatedAt: noonKept}
		if err := store.PutWebhook(who(t, id, "anna"), hook); err != nil {
			t.Fatal(err)
		}
	}
	return deskOver(t, store, law...)
}

// deskOver is another replica over a store.
func deskOver(t testing.TB, store *auditStore, law ...[]byte) auditDesk {
	t.Helper()
	if law == nil {
		law = [][]byte{[]byte(auditLaw)}
	}
	d := auditDesk{desk: newDesk(t, store, law...), store: store}
	d.Auditor = service.NewAuditor(d.Assessor, store, service.NewEvents(store, d.now))
	return d
}

func (d auditDesk) now() time.Time { return noon.Add(time.Duration(d.clock.Load()) * time.Second) }

// notices are what the webhook of a tenant, which wants everything, was told.
func (d auditDesk) notices(t testing.TB, tenant string) []service.Delivery {
	t.Helper()
	list, err := d.store.ListDeliveries(who(t, tenant, "anna"), "HOOK", nil, 100)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// types are those of the notices, in order of their names.
func (d auditDesk) types(t testing.TB, tenant string) (out []service.EventType) {
	t.Helper()
	for _, n := range d.notices(t, tenant) {
		out = append(out, n.Type)
	}
	slices.Sort(out)
	return out
}

// run carries out the jobs that wait, in an order of its own: the last first.
func (d auditDesk) run(t testing.TB) {
	t.Helper()
	for len(d.store.jobs) > 0 {
		n := len(d.store.jobs) - 1
		j := d.store.jobs[n]
		d.store.jobs = d.store.jobs[:n]
		d.carry(t, j)
	}
}

func (d auditDesk) carry(t testing.TB, j service.Job) {
	t.Helper()
	if err := d.try(t, j, 1); err != nil {
		t.Fatalf("carry out %+v: %v", j, err)
	}
}

func (d auditDesk) try(t testing.TB, j service.Job, attempt int) error {
	j.Attempt = attempt
	return d.Carry(service.WithCaller(t.Context(), service.Caller{Tenant: j.Tenant, Subject: service.JobSubject}), j)
}

func (d auditDesk) upload(t testing.TB, ctx context.Context, ask service.AuditAsk, text string) service.Audit {
	t.Helper()
	if ask.Source.Kind == "" {
		ask.Source.Kind = service.AuditCSV
	}
	a, err := d.Upload(ctx, ask, strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// all returns every item of an audit, page by page.
func (d auditDesk) all(t testing.TB, ctx context.Context, id string, q service.AuditItemQuery) (out []service.AuditItem) {
	t.Helper()
	q.Limit = 3
	for {
		page, err := d.Items(ctx, id, q)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, page.Items...)
		if page.Next == "" {
			return out
		}
		q.Cursor = page.Next
	}
}

const (
	zzHead = "id,vehicle.id,trailer.id,jurisdiction,trailer.rated.axles [kg],trailer.laden.total [kg],trailer.brakes.kind,trailer.breakaway.kind,coupling.rated_mass [kg],chain.count\n"
	zzGood = "U,T,ZZ,750,700,none,none,750,1\n"
)

const zzRows = "A," + zzGood +
	"B,U,T,ZZ,750.001,700,none,none,750,1\n" +
	"C,U,T,ZZ,1500,1400,electric,none,1200,1\n" +
	"D,U,T,ZZ,1500,,electric,none,2000,1\n" +
	"E,U,T,ZZ,x,1400,electric,none,2000,1\n" +
	"\n" +
	"F,U,T,,1500,1400,electric,none,2000,1\n" +
	"G,U,T,QQ,1500,1400,electric,none,2000,1\n" +
	"H,U,T,ZZ,2000.001,1400,electric,none,1200,0\n"

// zzWant is what the law says of the rows, worked out by hand.
var zzWant = []struct {
	id                      string
	outcome                 service.Outcome
	failing, missing, parts string
}{
	{"A", rules.Compliant, "", "", ""},
	{"B", rules.NonCompliant, "zz.brakes/service_brakes.required", "", "brake"},
	{"C", rules.NonCompliant, "zz.coupling/part_rating.coupling", "", "coupling needs 1400 kg has 1200 kg offer c-a 49.9 AUD"},
	{"D", rules.Undetermined, "", "/trailer/laden/total", ""},
	{"E", service.OutcomeRefused, "", "", ""},
	{"F", service.OutcomeRefused, "", "", ""},
	{"G", service.OutcomeRefused, "", "", ""},
	{"H", rules.NonCompliant, "zz.breakaway/breakaway.any_of zz.breakaway/breakaway.required zz.chain/safety_chains.count zz.coupling/part_rating.coupling", "", "breakaway; chain; coupling needs 1400 kg has 1200 kg offer c-a 49.9 AUD"},
}

func partText(parts []service.PartNeed) string {
	var out []string
	for _, p := range parts {
		text := p.Role
		if p.Needs != "" {
			text += " needs " + p.Needs
		}
		if p.Has != "" {
			text += " has " + p.Has
		}
		if p.Offer != nil {
			text += fmt.Sprintf(" offer %s %s %s", p.Offer.ID, p.Offer.Price, p.Offer.Currency)
		}
		out = append(out, text)
	}
	return strings.Join(out, "; ")
}

func (d auditDesk) put(t testing.TB, ctx context.Context, es ...service.Entry) {
	t.Helper()
	for i := range es {
		es[i].Revision, es[i].WrittenAt, es[i].Since = 1, noon.Truncate(time.Microsecond), "2026-01-01"
	}
	if err := d.store.PutEntries(ctx, es...); err != nil {
		t.Fatal(err)
	}
}

func part(id string, to service.FittedTo, document string) service.Entry {
	return service.Entry{Kind: service.EntryPart, ID: id, FittedTo: to, Document: []byte(document)}
}

// stock is what the yard has for sale: of couplings for 1400 kg two are cheapest,
// one of 1399.999 kg is cheaper and will not do, one costs less in a currency that
// comes later, and one is fitted already.
func (d auditDesk) stock(t testing.TB, ctx context.Context) {
	none := service.FittedTo{}
	d.put(t, ctx,
		part("c-b", none, `{"role":"coupling","rated_mass":"1400 kg","price":{"amount":"49.90","currency":"AUD"}}`),
		part("c-a", none, `{"role":"coupling","rated_mass":"1.4 t","price":{"amount":"49.9","currency":"AUD"}}`),
		part("c-c", none, `{"role":"coupling","rated_mass":"1399.999 kg","price":{"amount":"10","currency":"AUD"}}`),
		part("c-d", none, `{"role":"coupling","rated_mass":"3500 kg","price":{"amount":"49.9001","currency":"AUD"}}`),
		part("c-e", none, `{"role":"coupling","rated_mass":"3500 kg","price":{"amount":"1","currency":"USD"}}`),
		part("c-f", none, `{"role":"coupling","rated_mass":"3500 kg"}`),
		part("c-g", service.FittedTo{Kind: service.EntryTrailer, ID: "T"}, `{"role":"coupling","rated_mass":"3500 kg","price":{"amount":"1","currency":"AUD"}}`),
		part("c-h", none, `{"role":"ball","rated_mass":"3500 kg","price":{"amount":"1","currency":"AUD"}}`),
	)
}

func TestAuditOfATable(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	d.stock(t, ctx)
	a := d.upload(t, ctx, service.AuditAsk{Name: "yard", Law: service.AuditLaw{AsOf: "1999-01-01"}}, zzHead+zzRows)
	if a.State != service.AuditRunning || a.Rows != 8 || a.CreatedBy != "anna" || a.Ask.AsOf != "2026-11-25" || a.Ask.Law.AsOf != "" || len(a.Ask.Source.Columns) != 10 {
		t.Fatalf("%+v", a)
	}
	if c := a.Ask.Source.Columns[4]; c != (service.AuditColumn{Column: 5, Name: "trailer.rated.axles [kg]", Path: "trailer.rated.axles", Unit: "kg"}) {
		t.Errorf("column %+v", c)
	}
	d.run(t)
	a, err := d.Auditor.Get(ctx, a.ID)
	if err != nil || a.State != service.AuditDone || a.RowsDone != 8 {
		t.Fatalf("%+v %v", a, err)
	}
	items := d.all(t, ctx, a.ID, service.AuditItemQuery{})
	if len(items) != len(zzWant) {
		t.Fatalf("%d items", len(items))
	}
	for i, want := range zzWant {
		it := items[i]
		if it.Row != int64(i+1) || it.ID != want.id || it.Vehicle != "U" || it.Trailer != "T" || it.Outcome != want.outcome ||
			strings.Join(it.Failing, " ") != want.failing || strings.Join(it.Missing, " ") != want.missing || partText(it.Parts) != want.parts || it.Before != "" || it.Moved {
			t.Errorf("want %+v\ngot  %+v with %s", want, it, partText(it.Parts))
		}
		if refused := want.outcome == service.OutcomeRefused; refused != (len(it.Faults) > 0) || refused == (it.AsOf == "2026-11-25") {
			t.Errorf("%s: %+v", it.ID, it)
		}
	}
	for i, want := range map[int]service.AuditFault{4: {Line: 6, Column: 5, Name: "trailer.rated.axles [kg]", Pointer: "/trailer/rated/axles"}, 5: {Line: 8, Pointer: "/jurisdiction"}, 6: {Line: 9, Pointer: "/jurisdiction"}} {
		got := items[i].Faults[0]
		if got.Message == "" || got.Advice == "" {
			t.Errorf("row %d: %+v", i+1, got)
		}
		got.Message, got.Advice = "", ""
		if got != want {
			t.Errorf("row %d: %+v, want %+v", i+1, got, want)
		}
	}
	d.holdSummary(t, ctx, a.ID)
	d.holdFilters(t, ctx, a.ID)
	d.holdItem(t, ctx, a.ID)
	if told := d.notices(t, saltmarshYard); len(told) != 1 || told[0].Type != service.EventAuditEnded || !bytes.Contains(told[0].Body, []byte(`"non_compliant":3`)) {
		t.Errorf("told %v", told)
	}
}

func (d auditDesk) holdSummary(t *testing.T, ctx context.Context, id string) {
	t.Helper()
	s, err := d.Summary(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	counts := map[service.Outcome]int64{rules.Compliant: 1, rules.NonCompliant: 3, rules.Undetermined: 1, service.OutcomeRefused: 3}
	if fmt.Sprint(s.Outcomes) != fmt.Sprint(counts) {
		t.Errorf("outcomes %v", s.Outcomes)
	}
	failing := []service.AuditCount{
		{Key: "zz.coupling/part_rating.coupling", Title: "The coupling is rated for the laden trailer.", Level: "rating", Rows: 2},
		{Key: "zz.brakes/service_brakes.required", Title: "Over 750 kg a trailer is braked.", Level: "law", Rows: 1},
		{Key: "zz.breakaway/breakaway.any_of", Title: "Over 2 t a trailer brakes itself when it breaks away.", Level: "law", Rows: 1}, // none is no kind that will do
		{Key: "zz.breakaway/breakaway.required", Title: "Over 2 t a trailer brakes itself when it breaks away.", Level: "law", Rows: 1},
		{Key: "zz.chain/safety_chains.count", Title: "A trailer has a chain.", Level: "law", Rows: 1},
	}
	if !slices.Equal(s.Failing, failing) {
		t.Errorf("failing %+v", s.Failing)
	}
	if len(s.Missing) != 1 || s.Missing[0].Key != "/trailer/laden/total" || s.Missing[0].Rows != 1 || s.Missing[0].Title == "" || s.Missing[0].Title == s.Missing[0].Key {
		t.Errorf("missing %+v", s.Missing)
	}
	if p := s.Parts; len(p) != 4 || p[0].Role != "coupling" || p[0].Rows != 2 || p[0].Strongest != "1400 kg" || p[0].Offered != 2 || fmt.Sprint(p[0].Cost) != "[{AUD 99.8}]" || p[1].Role != "brake" || p[1].Offered != 0 {
		t.Errorf("parts %+v", p)
	}
	if fmt.Sprint(s.Cost) != "[{AUD 99.8}]" || len(s.Places) != 1 || s.Places[0].Jurisdiction != "ZZ" || s.Places[0].Outcomes[rules.NonCompliant] != 3 || s.Vehicles != nil || s.Moves != nil || len(s.Cautions) == 0 {
		t.Errorf("%+v", s)
	}
}

func (d auditDesk) holdFilters(t *testing.T, ctx context.Context, id string) {
	t.Helper()
	for want, q := range map[string]service.AuditItemQuery{
		"BCH": {Outcome: rules.NonCompliant}, "CH": {Finding: "zz.coupling/part_rating.coupling"}, "D": {Missing: "/trailer/laden/total"}, "B": {Part: "brake"},
		"E": {ID: "E"}, "ABCDEFGH": {Vehicle: "U"}, "": {Moved: true}, "H": {Trailer: "T", Part: "chain"},
	} {
		var got strings.Builder
		for _, it := range d.all(t, ctx, id, q) {
			got.WriteString(it.ID)
		}
		if got.String() != want {
			t.Errorf("%+v gives %s, want %s", q, got.String(), want)
		}
		n := 0
		if err := d.Auditor.Export(ctx, id, q, func(service.AuditItem) error { n++; return nil }); err != nil || n != len(want) {
			t.Errorf("%+v exports %d, %v", q, n, err)
		}
	}
	for _, q := range []service.AuditItemQuery{{ID: "Z"}, {Vehicle: "A"}, {Finding: "zz.none"}, {Outcome: "x"}} {
		if got := d.all(t, ctx, id, q); len(got) > 0 {
			t.Errorf("%+v gives %v", q, got)
		}
	}
	for _, cursor := range []string{"x", "cm93LjA", "cm93Lg", "cm93LjAx", "cm93Li0x"} { // row.0, row., row.01, row.-1
		if _, err := d.Items(ctx, id, service.AuditItemQuery{Cursor: cursor}); !errors.Is(err, service.ErrCursor) {
			t.Errorf("cursor %s: %v", cursor, err)
		}
	}
	stop := errors.New("stop")
	if err := d.Auditor.Export(ctx, id, service.AuditItemQuery{}, func(service.AuditItem) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("an export does not stop: %v", err)
	}
}

func (d auditDesk) holdItem(t *testing.T, ctx context.Context, id string) {
	t.Helper()
	got, err := d.Item(ctx, id, 3)
	if err != nil {
		t.Fatal(err)
	}
	var a rules.Answer
	if err := json.Unmarshal(got.Answer, &a); err != nil || got.ID != "C" || a.Verdict != rules.NonCompliant || a.AsOf != "2026-11-25" || got.Was != nil {
		t.Errorf("%+v: %v", got, err)
	}
	// The rig is one that can be asked about, and the answer is what is said of it.
	again, err := d.Assess(ctx, got.Rig, false)
	if err != nil || !bytes.Equal(again.Answer, got.Answer) {
		t.Errorf("asked again: %v\n%s", err, again.Answer)
	}
	if got, err = d.Item(ctx, id, 5); err != nil || got.Outcome != service.OutcomeRefused || got.Rig != nil || got.Answer != nil {
		t.Errorf("a refused row: %+v %v", got, err)
	}
	for _, row := range []int64{0, 9, -1} {
		if _, err := d.Item(ctx, id, row); !errors.Is(err, service.ErrNotFound) {
			t.Errorf("row %d: %v", row, err)
		}
	}
}

// shippedTexts are the documents that ship.
func shippedTexts(t testing.TB) (out [][]byte) {
	t.Helper()
	files, err := shipped.Files()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		out = append(out, f.Data)
	}
	return out
}

// The lines of Australia are those of testdata/cases/au-states.yaml: Vehicle
// Standards Bulletin 1 Revision 5, section 15, and ADR 38 clause 5 (verified:
// second-hand): no brakes to 750 kg GTM for one axle, brakes above; a breakaway
// device above 2 t GTM.
func TestAuditByTheLawOfAustralia(t *testing.T) {
	d := newAuditDesk(t, shippedTexts(t)...)
	ctx := who(t, tarnValley, "cleo")
	a := d.upload(t, ctx, service.AuditAsk{Jurisdiction: "AU-NSW", Source: service.AuditSource{Place: "AU-NSW"}}, "id,GTM [kg],trailer.axle_count,trailer.built,trailer.brakes.kind,trailer.breakaway.kind\n"+
		"749.999,749.999,1,2020-01-01,none,none\n750,750,1,2020-01-01,none,none\n750.001,750.001,1,2020-01-01,none,none\n2000,2000,2,2020-01-01,electric,none\n2000.001,2000.001,2,2020-01-01,electric,none\n")
	d.run(t)
	for _, it := range d.all(t, ctx, a.ID, service.AuditItemQuery{}) {
		fails := func(question string) bool {
			return slices.ContainsFunc(it.Failing, func(id string) bool { return strings.HasSuffix(id, "/"+question) })
		}
		if fails("service_brakes.required") != (it.ID == "750.001") || fails("breakaway.required") != (it.ID == "2000.001") || it.Jurisdiction != "AU-NSW" {
			t.Errorf("%+v", it)
		}
	}
}

// chunked is a table of so many good rows.
func chunked(rows int) string {
	var text strings.Builder
	text.WriteString(zzHead)
	for i := range rows {
		fmt.Fprintf(&text, "R%d,%s", i, zzGood)
	}
	return text.String()
}

// TestCarryTwice: what a chunk gives is the same bytes whenever it is answered and
// by whichever replica, also when law was published since, and it counts once.
func TestCarryTwice(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	const rows = 2*service.AuditChunkRows + 7
	a := d.upload(t, ctx, service.AuditAsk{}, chunked(rows))
	jobs := slices.Clone(d.store.jobs)
	if len(jobs) != 3 || a.Rows != rows {
		t.Fatalf("%d jobs, %d rows", len(jobs), a.Rows)
	}
	d.store.lose = true
	d.carry(t, jobs[1])
	d.store.lose = false
	// The yard publishes a rule under which every row would fail.
	d.publish(t, saltmarshYard, house(t, "level: practice", "level: rating"))
	other := deskOver(t, d.store, []byte(auditLaw))
	other.clock.Store(3600)
	for _, j := range []int{1, 1, 2, 0, 2, 0} {
		other.carry(t, jobs[j])
	}
	first, again := d.store.given[0], 0
	for _, o := range d.store.given[1:] {
		if o.Number != 1 {
			continue
		}
		again++
		if !bytes.Equal(first.Items, o.Items) || !bytes.Equal(first.Tally, o.Tally) || len(first.Items) == 0 {
			t.Error("the same chunk gave other bytes")
		}
	}
	if again != 2 {
		t.Errorf("the chunk was answered again %d times, want 2: the test shows nothing", again)
	}
	got, err := d.Auditor.Get(ctx, a.ID)
	if err != nil || got.State != service.AuditDone || got.RowsDone != rows {
		t.Errorf("%+v %v", got, err)
	}
	s, err := d.Summary(ctx, a.ID)
	if err != nil || s.Outcomes[rules.Compliant] != rows {
		t.Errorf("%v %v", s.Outcomes, err)
	}
	if n := len(other.notices(t, saltmarshYard)); n != 1 {
		t.Errorf("it was told %d times", n)
	}
	// Rows are found by number and by name across chunks.
	for _, row := range []int64{1, 500, 501, 1000, 1001, rows} {
		it, err := d.Item(ctx, a.ID, row)
		if err != nil || it.Row != row || it.ID != fmt.Sprint("R", row-1) {
			t.Errorf("row %d: %+v %v", row, it.AuditItem, err)
		}
		if found := d.all(t, ctx, a.ID, service.AuditItemQuery{ID: it.ID}); len(found) != 1 || found[0].Row != row {
			t.Errorf("%s: %v", it.ID, found)
		}
	}
}

func TestCancel(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	a := d.upload(t, ctx, service.AuditAsk{}, chunked(service.AuditChunkRows+1))
	jobs := slices.Clone(d.store.jobs)
	d.carry(t, jobs[0])
	got, err := d.Cancel(ctx, a.ID)
	if err != nil || got.State != service.AuditCancelled || got.Note == "" || got.RowsDone != service.AuditChunkRows {
		t.Fatalf("%+v %v", got, err)
	}
	d.carry(t, jobs[1]) // does nothing
	if _, err := d.Cancel(ctx, a.ID); !errors.Is(err, service.ErrAuditEnded) {
		t.Errorf("cancelled twice: %v", err)
	}
	if s, err := d.Summary(ctx, a.ID); err != nil || s.Outcomes[rules.Compliant] != service.AuditChunkRows || s.Audit.State != service.AuditCancelled {
		t.Errorf("%+v %v", s.Outcomes, err)
	}
	if got := d.types(t, saltmarshYard); !slices.Equal(got, []service.EventType{service.EventAuditEnded}) {
		t.Errorf("told %v", got)
	}
	if _, err := d.Item(ctx, a.ID, service.AuditChunkRows+1); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("a row that was not answered: %v", err)
	}
}

// TestCancelWhileRowsComeIn: the rest of the file is not taken, and nothing is
// answered.
func TestCancelWhileRowsComeIn(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	cancel := readerFunc(func([]byte) (int, error) {
		page, err := d.Auditor.List(ctx, "", 0)
		if err != nil || len(page.Items) != 1 || page.Items[0].State != service.AuditReceiving || page.Items[0].Rows != 0 {
			t.Errorf("while rows come in: %+v %v", page, err)
			return 0, io.EOF
		}
		if a, err := d.Cancel(ctx, page.Items[0].ID); err != nil || a.State != service.AuditCancelled {
			t.Errorf("%+v %v", a, err)
		}
		return 0, io.EOF
	})
	ask := service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV}}
	if _, err := d.Upload(ctx, ask, io.MultiReader(strings.NewReader(chunked(3*service.AuditChunkRows)), cancel)); !errors.Is(err, service.ErrState) {
		t.Errorf("%v", err)
	}
	page, err := d.Auditor.List(ctx, "", 0)
	if err != nil || len(page.Items) != 1 || page.Items[0].State != service.AuditCancelled || len(d.store.jobs) > 0 {
		t.Errorf("%+v %v, %d jobs", page, err, len(d.store.jobs))
	}
	if got := d.types(t, saltmarshYard); !slices.Equal(got, []service.EventType{service.EventAuditEnded}) {
		t.Errorf("told %v", got)
	}
}

// TestAnAuditNeverHangs: what fails goes on failing until it is given up, and the
// audit then says so.
func TestAnAuditNeverHangs(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	a := d.upload(t, ctx, service.AuditAsk{}, chunked(1))
	j := d.store.jobs[0]
	away := fmt.Errorf("fake: %w", service.ErrUnavailable)
	d.store.fail = func(method string) error {
		if method == "GetAuditChunk" {
			return away
		}
		return nil
	}
	if err := d.try(t, j, service.MaxJobAttempts-1); !errors.Is(err, away) {
		t.Errorf("%v", err)
	}
	if got, err := d.Auditor.Get(ctx, a.ID); err != nil || got.State != service.AuditRunning {
		t.Errorf("%+v %v", got, err)
	}
	if err := d.try(t, j, service.MaxJobAttempts); err != nil {
		t.Errorf("%v", err)
	}
	if got, err := d.Auditor.Get(ctx, a.ID); err != nil || got.State != service.AuditFailed || !strings.Contains(got.Note, "chunk 0") {
		t.Errorf("%+v %v", got, err)
	}
	if got := d.types(t, saltmarshYard); !slices.Equal(got, []service.EventType{service.EventAuditEnded}) {
		t.Errorf("told %v", got)
	}
	// Rows that are not what was written fail at once.
	d.store.fail = func(string) error { return nil }
	b := d.upload(t, ctx, service.AuditAsk{}, chunked(1))
	d.store.spoilt = []byte("2 {}\n")
	d.run(t)
	if got, err := d.Auditor.Get(ctx, b.ID); err != nil || got.State != service.AuditFailed {
		t.Errorf("%+v %v", got, err)
	}
}

func TestTenantsSeeTheirOwnAudits(t *testing.T) {
	d := newAuditDesk(t)
	ctx, other := who(t, saltmarshYard, "anna"), who(t, tarnValley, "cleo")
	a := d.upload(t, ctx, service.AuditAsk{}, chunked(1))
	d.run(t)
	mine := d.upload(t, other, service.AuditAsk{}, chunked(1))
	d.run(t)
	for name, err := range map[string]error{
		"get": second(d.Auditor.Get(other, a.ID)), "cancel": second(d.Cancel(other, a.ID)), "summary": second(d.Summary(other, a.ID)), "item": second(d.Item(other, a.ID, 1)),
		"items": second(d.Items(other, a.ID, service.AuditItemQuery{})), "compare": second(d.Auditor.Compare(other, mine.ID, a.ID)),
		"export": d.Auditor.Export(other, a.ID, service.AuditItemQuery{}, func(service.AuditItem) error { return nil }),
	} {
		if !errors.Is(err, service.ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
	}
	page, err := d.Auditor.List(other, "", 0)
	if err != nil || len(page.Items) != 1 || page.Items[0].ID != mine.ID {
		t.Errorf("%+v %v", page, err)
	}
	for name, err := range map[string]error{"upload": second(d.Upload(t.Context(), service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV}}, strings.NewReader(chunked(1))))} {
		if !errors.Is(err, service.ErrUnauthenticated) {
			t.Errorf("%s by nobody: %v", name, err)
		}
	}
}

func TestListOfAudits(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	var want []string
	for range 5 {
		d.clock.Add(1)
		want = append(want, d.upload(t, ctx, service.AuditAsk{}, chunked(1)).ID)
	}
	slices.Reverse(want)
	var got []string
	for cursor := ""; ; {
		page, err := d.Auditor.List(ctx, cursor, 2)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range page.Items {
			got = append(got, a.ID)
		}
		if cursor = page.Next; cursor == "" {
			break
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// TestHostileFiles: a file of which nothing can be read leaves nothing, and rows
// that are wrong leave the rest alone.
func TestHostileFiles(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	columns := "id" + strings.Repeat(",# x", 299)
	for name, text := range map[string]string{
		"utf-16": "\xff\xfei\x00d\x00", "zip": "PK\x03\x04....", "gzip": "\x1f\x8b\x08....", "nul": "\x00\x00id\n", "300 columns": columns + "\n", "no header": "\n", "empty": "", "unknown column": "weight\n1\n",
		"a header of 10 MB": strings.Repeat("x", 10<<20),
	} {
		_, err := d.Upload(ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV}}, strings.NewReader(text))
		bad, ok := errors.AsType[*fleet.Bad](err)
		if !ok || len(bad.Faults) == 0 || bad.Faults[0].Advice == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, text := range map[string]string{"header alone": "id\n", "blank rows": "id\n\n \n", "ndjson": ""} {
		kind := service.AuditCSV
		if name == "ndjson" {
			kind = service.AuditNDJSON
		}
		if _, err := d.Upload(ctx, service.AuditAsk{Source: service.AuditSource{Kind: kind}}, strings.NewReader(text)); !errors.Is(err, service.ErrAuditEmpty) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if page, err := d.Auditor.List(ctx, "", 0); err != nil || len(page.Items) > 0 {
		t.Errorf("kept %v %v", page.Items, err)
	}
	for name, test := range map[string]struct {
		rows string
		want string // outcomes of all rows
	}{
		"a cell of 10 MB": {"X,U,T,ZZ," + strings.Repeat("9", 10<<20) + ",1,none,none,1,1\nA," + zzGood, "refused compliant"},
		"a NUL":           {"X\x00," + zzGood + "A," + zzGood, "refused compliant"},
		"an open quote":   {"A," + zzGood + "B,\"" + zzGood + "C," + zzGood, "compliant refused"},
		"a cut row":       {"A," + zzGood + "B,U,T", "compliant refused"},
	} {
		a := d.upload(t, ctx, service.AuditAsk{}, zzHead+test.rows)
		d.run(t)
		var got []string
		for _, it := range d.all(t, ctx, a.ID, service.AuditItemQuery{}) {
			got = append(got, string(it.Outcome))
			if it.Outcome == service.OutcomeRefused && (len(it.Faults) == 0 || it.Faults[0].Line == 0) {
				t.Errorf("%s: %+v", name, it)
			}
		}
		if strings.Join(got, " ") != test.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

func TestUploadThatBreaksOff(t *testing.T) {
	d := newAuditDesk(t)
	ctx, cancel := context.WithCancel(who(t, saltmarshYard, "anna"))
	gone := errors.New("the line is dead")
	csv := service.AuditAsk{Source: service.AuditSource{Kind: service.AuditCSV}}
	// The request is over before its audit is ended.
	_, err := d.Upload(ctx, csv, io.MultiReader(strings.NewReader(chunked(service.AuditChunkRows+1)), ended(cancel), iotest.ErrReader(gone)))
	if !errors.Is(err, gone) {
		t.Errorf("%v", err)
	}
	ctx = who(t, saltmarshYard, "anna")
	full := errors.New("full")
	d.store.fail = func(method string) error {
		if method == "StartAudit" {
			return full
		}
		return nil
	}
	if _, err := d.Upload(ctx, csv, strings.NewReader(chunked(1))); !errors.Is(err, full) {
		t.Errorf("%v", err)
	}
	page, err := d.Auditor.List(ctx, "", 0)
	if err != nil || len(page.Items) != 2 || len(d.store.jobs) > 0 {
		t.Fatalf("%+v %v, %d jobs", page, err, len(d.store.jobs))
	}
	for _, a := range page.Items {
		if a.State != service.AuditFailed || a.Note == "" {
			t.Errorf("%+v", a)
		}
	}
}

// ended ends a request when it is read.
func ended(cancel func()) io.Reader {
	return readerFunc(func([]byte) (int, error) { cancel(); return 0, io.EOF })
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

func TestBadAsks(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	pairs := service.AuditSource{Kind: service.AuditPairings}
	for pointer, ask := range map[string]service.AuditAsk{
		"/name": {Name: strings.Repeat("x", 201), Source: pairs}, "/jurisdiction": {Jurisdiction: "somewhere", Source: pairs}, "/as_of": {AsOf: "1 May", Source: pairs},
		"/source/kind": {}, "/source/months": {Source: service.AuditSource{Kind: service.AuditAssessments}}, "/source/decimal": {Source: service.AuditSource{Kind: service.AuditPairings, Decimal: "x"}},
		"/law/as_of": {Source: pairs, Law: service.AuditLaw{AsOf: "x"}}, "/against/as_of": {Source: pairs, Against: &service.AuditLaw{AsOf: "x"}},
		"/source/vehicles/0": {Source: service.AuditSource{Kind: service.AuditAllPairs, Vehicles: []string{"none"}}},
	} {
		_, err := d.Start(ctx, ask)
		bad, ok := errors.AsType[service.Invalid](err)
		if !ok || bad[0].Pointer != pointer || bad[0].Advice == "" {
			t.Errorf("%s: %v", pointer, err)
		}
	}
	if _, err := d.Start(ctx, service.AuditAsk{Source: pairs, Law: service.AuditLaw{KnownAt: noon.Add(time.Hour)}}); !errors.Is(err, service.ErrNotYet) {
		t.Errorf("tomorrow's law: %v", err)
	}
	if _, err := d.Start(ctx, service.AuditAsk{Source: pairs}); !errors.Is(err, service.ErrAuditEmpty) {
		t.Errorf("no pairing: %v", err)
	}
	if _, err := d.Start(ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditAllPairs}}); !errors.Is(err, service.ErrAuditEmpty) {
		t.Errorf("no pair: %v", err)
	}
}
