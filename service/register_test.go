package service_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/rules/rig"
	"drawgear/service"
)

// registry is the register of Saltmarsh Yard, with a clock to turn.
type registry struct {
	*service.Registry
	store service.FullStore
	now   time.Time
	t     testing.TB
	ctx   context.Context
}

func newRegistry(t *testing.T) *registry {
	st := memory.New(0)
	r := &registry{store: st, now: noon, t: t, ctx: service.WithCaller(t.Context(), service.Local())}
	clock := func() time.Time { return r.now }
	answers := service.New(library(t, "1", "750"), st, clock)
	r.Registry = service.NewRegistry(answers, st, clock)
	return r
}

// day turns the clock to a day.
func (r *registry) day(text string) {
	r.t.Helper()
	var err error
	if r.now, err = time.Parse(time.DateOnly, text); err != nil {
		r.t.Fatal(err)
	}
}

func (r *registry) put(kind service.EntryKind, id string, w service.RegisterWrite) service.RegisterEntry {
	r.t.Helper()
	e, err := r.Put(r.ctx, kind, id, "", false, w)
	if err != nil {
		r.t.Fatalf("put %s/%s: %v", kind, id, err)
	}
	return e
}

func (r *registry) document(kind service.EntryKind, id, doc string) service.RegisterEntry {
	r.t.Helper()
	return r.put(kind, id, service.RegisterWrite{Document: []byte(doc)})
}

// rig is a ute, a float and their pairing under the law of the yard.
func (r *registry) rig() {
	r.t.Helper()
	r.document(service.EntryVehicle, "UTE-1", `{"rated":{"total":"3100 kg"}}`)
	r.document(service.EntryTrailer, "FLOAT-3", `{"rated":{"axles":"2200 kg"},"brakes":{"kind":"none"}}`)
	r.document(service.EntryPairing, "P-1", `{"vehicle":"UTE-1","trailer":"FLOAT-3","jurisdiction":"ZZ"}`)
}

func pointers(err error) []string {
	var out []string
	var invalid service.Invalid
	var issues rig.Issues
	switch {
	case errors.As(err, &invalid):
		issues = rig.Issues(invalid)
	case !errors.As(err, &issues):
		return nil
	}
	for _, is := range issues {
		out = append(out, is.Pointer)
	}
	return out
}

func TestRegisterWrite(t *testing.T) {
	r := newRegistry(t)
	first := r.put(service.EntryVehicle, "UTE-1", service.RegisterWrite{Yard: " Saltmarsh Yard ", Document: []byte(`{"unladen": "2050.0 kg", "category": "light_truck"}`)})
	if first.Revision != 1 || first.Since != "2026-11-25" || first.Yard != "Saltmarsh Yard" || first.WrittenBy != "local" || string(first.Document) != `{"category":"light_truck","unladen":"2050 kg"}` {
		t.Errorf("%+v", first)
	}
	r.day("2026-12-01")
	again := r.put(service.EntryVehicle, "UTE-1", service.RegisterWrite{Yard: "Saltmarsh Yard", Document: []byte(`{"category":"light_truck","unladen":"2050 kg"}`)})
	if again.Revision != 1 || again.Since != "2026-11-25" {
		t.Errorf("the same again is %+v", again)
	}
	write := func(match string, fresh bool, doc, since string) (service.RegisterEntry, error) {
		return r.Put(r.ctx, service.EntryVehicle, "UTE-1", match, fresh, service.RegisterWrite{Since: since, Document: []byte(doc)})
	}
	for _, test := range []struct {
		match string
		fresh bool
	}{{`"2"`, false}, {`W/"1"`, false}, {"*", true}, {"", true}} {
		if _, err := write(test.match, test.fresh, `{}`, ""); !errors.Is(err, service.ErrStale) {
			t.Errorf("%+v: %v", test, err)
		}
	}
	if _, err := r.Put(r.ctx, service.EntryVehicle, "UTE-2", "*", false, service.RegisterWrite{Document: []byte(`{}`)}); !errors.Is(err, service.ErrStale) {
		t.Errorf("an entry that is not there is replaced: %v", err)
	}
	second, err := write(first.ETag(), false, `{}`, "")
	if err != nil || second.Revision != 2 || second.Since != "2026-12-01" {
		t.Fatalf("%+v %v", second, err)
	}
	for _, test := range []struct{ since, why string }{
		{"2026-11-30", "before the last"}, {"2036-12-02", "too far ahead"}, {"2027-02-29", "no day"}, {"1.1.2027", "no day"},
	} {
		if _, err := write("", false, `{"abs":true}`, test.since); !slices.Equal(pointers(err), []string{"/since"}) {
			t.Errorf("%s: %v", test.why, err)
		}
	}
	if e, err := write("", false, `{"abs":true}`, "2036-12-01"); err != nil || e.Since != "2036-12-01" {
		t.Errorf("ten years ahead: %+v %v", e, err)
	}
	if _, err := write("", false, `{"abs":false}`, ""); !slices.Equal(pointers(err), []string{"/since"}) {
		t.Errorf("today lies before the last: %v", err)
	}
	page, err := r.History(r.ctx, service.EntryVehicle, "UTE-1", "", 2)
	if err != nil || len(page.Items) != 2 || page.Items[0].Revision != 3 || page.Next == "" {
		t.Fatalf("%+v %v", page, err)
	}
	page, err = r.History(r.ctx, service.EntryVehicle, "UTE-1", page.Next, 2)
	if err != nil || len(page.Items) != 1 || page.Items[0].Revision != 1 || page.Next != "" {
		t.Fatalf("%+v %v", page, err)
	}
	if _, err := r.History(r.ctx, service.EntryVehicle, "UTE-9", "", 2); !errors.Is(err, service.ErrNotFound) {
		t.Error(err)
	}
	for _, cursor := range []string{"!", "MDE", "LTE", "eA"} { // no base64, 01, -1, x
		if _, err := r.History(r.ctx, service.EntryVehicle, "UTE-1", cursor, 2); !errors.Is(err, service.ErrCursor) {
			t.Errorf("%s: %v", cursor, err)
		}
	}
}

func TestRegisterScopes(t *testing.T) {
	r := newRegistry(t)
	reader := service.Local()
	reader.Scopes = []service.Scope{service.ScopeRead, service.ScopeAssess}
	ctx := service.WithCaller(t.Context(), reader)
	_, put := r.Put(ctx, service.EntryVehicle, "UTE-1", "", false, service.RegisterWrite{Document: []byte(`{}`)})
	_, remove := r.Remove(ctx, service.EntryVehicle, "UTE-1", "", "")
	_, imported := r.Import(ctx, service.EntryVehicle, "", 0, strings.NewReader("id\nUTE-1\n"))
	for name, err := range map[string]error{"put": put, "remove": remove, "import": imported} {
		var missing *service.MissingScope
		if !errors.As(err, &missing) || missing.Scope != service.ScopeFleet {
			t.Errorf("%s: %v", name, err)
		}
	}
	if page, err := r.List(ctx, service.RegisterQuery{Kind: service.EntryVehicle}); err != nil || len(page.Items) != 0 {
		t.Errorf("%+v %v", page, err)
	}
}

func TestRegisterRemove(t *testing.T) {
	r := newRegistry(t)
	r.rig()
	r.put(service.EntryPart, "CHAIN-1", service.RegisterWrite{FittedTo: &service.RegisterFitted{Kind: service.EntryTrailer, ID: "FLOAT-3"}, Document: []byte(`{"role":"chain"}`)})
	for _, test := range []struct {
		kind service.EntryKind
		id   string
		by   []string
	}{
		{service.EntryVehicle, "UTE-1", []string{"pairings/P-1"}},
		{service.EntryTrailer, "FLOAT-3", []string{"parts/CHAIN-1", "pairings/P-1"}},
	} {
		_, err := r.Remove(r.ctx, test.kind, test.id, "", "")
		var used *service.EntryInUse
		if !errors.Is(err, service.ErrInUse) || !errors.As(err, &used) || !slices.Equal(used.By, test.by) {
			t.Errorf("%s: %v", test.id, err)
		}
	}
	if _, err := r.Remove(r.ctx, service.EntryPairing, "P-1", `"7"`, ""); !errors.Is(err, service.ErrStale) {
		t.Error(err)
	}
	if _, err := r.Remove(r.ctx, service.EntryPairing, "P-1", "", "sold\x00"); !slices.Equal(pointers(err), []string{"/note"}) {
		t.Error(err)
	}
	for _, e := range []struct {
		kind service.EntryKind
		id   string
	}{{service.EntryPairing, "P-1"}, {service.EntryPart, "CHAIN-1"}, {service.EntryVehicle, "UTE-1"}, {service.EntryTrailer, "FLOAT-3"}} {
		gone, err := r.Remove(r.ctx, e.kind, e.id, `"1"`, "sold")
		if err != nil || !gone.Removed || gone.Revision != 2 || gone.Note != "sold" || gone.Document != nil || gone.FittedTo != nil {
			t.Errorf("%s: %+v %v", e.id, gone, err)
		}
		if _, err := r.Remove(r.ctx, e.kind, e.id, "", ""); !errors.Is(err, service.ErrNotFound) {
			t.Errorf("%s is removed twice: %v", e.id, err)
		}
		if page, err := r.List(r.ctx, service.RegisterQuery{Kind: e.kind}); err != nil || len(page.Items) != 0 {
			t.Errorf("%+v %v", page, err)
		}
		if page, err := r.List(r.ctx, service.RegisterQuery{Kind: e.kind, Removed: true}); err != nil || len(page.Items) != 1 {
			t.Errorf("%+v %v", page, err)
		}
	}
	// What is gone can be named no more, and can come again.
	_, err := r.Put(r.ctx, service.EntryPairing, "P-2", "", false, service.RegisterWrite{Document: []byte(`{"vehicle":"UTE-1","trailer":"FLOAT-9"}`)})
	if !slices.Equal(pointers(err), []string{"/document/vehicle", "/document/trailer"}) {
		t.Error(err)
	}
	_, err = r.Put(r.ctx, service.EntryPart, "CHAIN-2", "", false, service.RegisterWrite{FittedTo: &service.RegisterFitted{Kind: service.EntryTrailer, ID: "FLOAT-3"}, Document: []byte(`{"role":"chain"}`)})
	if !slices.Equal(pointers(err), []string{"/fitted_to/id"}) {
		t.Error(err)
	}
	if e, err := r.Put(r.ctx, service.EntryVehicle, "UTE-1", "", true, service.RegisterWrite{Document: []byte(`{}`)}); err != nil || e.Revision != 3 || e.Removed {
		t.Errorf("%+v %v", e, err)
	}
}

func TestRegisterList(t *testing.T) {
	r := newRegistry(t)
	for _, id := range []string{"b", "B", "a 1", "ä", "c"} {
		yard := "Saltmarsh Yard"
		if id == "c" {
			yard = "Tarn Valley depot"
		}
		r.put(service.EntryTrailer, id, service.RegisterWrite{Yard: yard, Document: []byte(`{}`)})
	}
	var got []string
	q := service.RegisterQuery{Kind: service.EntryTrailer, Yard: "Saltmarsh Yard", Limit: 2}
	for {
		page, err := r.List(r.ctx, q)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.Items {
			got = append(got, e.ID)
		}
		if q.Cursor = page.Next; q.Cursor == "" {
			break
		}
	}
	if want := []string{"B", "a 1", "b", "ä"}; !slices.Equal(got, want) { // by their bytes
		t.Errorf("%q", got)
	}
	for _, cursor := range []string{"!", "Lw"} { // no base64, a slash
		if _, err := r.List(r.ctx, service.RegisterQuery{Kind: service.EntryTrailer, Cursor: cursor}); !errors.Is(err, service.ErrCursor) {
			t.Errorf("%s: %v", cursor, err)
		}
	}
	if _, err := r.List(r.ctx, service.RegisterQuery{Kind: "boats"}); !errors.Is(err, service.ErrNotFound) {
		t.Error(err)
	}
}

func TestRegisterFitted(t *testing.T) {
	r := newRegistry(t)
	r.rig()
	r.document(service.EntryTrailer, "FLOAT-4", `{}`)
	float := &service.RegisterFitted{Kind: service.EntryTrailer, ID: "FLOAT-3"}
	for _, step := range []struct {
		since, doc, note string
		to               *service.RegisterFitted
	}{
		{"2026-11-25", `{"role":"chain","rated_mass":"2000 kg"}`, "", nil},
		{"2026-12-01", `{"role":"chain","rated_mass":"2000 kg"}`, "", float},
		{"2026-12-03", `{"role":"chain","rated_mass":"2000 kg"}`, "looked at", float}, // says the same of the part
		{"2026-12-05", `{"role":"chain","rated_mass":"2500 kg"}`, "", float},          // another rating
		{"2026-12-08", `{"role":"chain","rated_mass":"2500 kg"}`, "", nil},
		{"2026-12-10", `{"role":"chain","rated_mass":"2500 kg"}`, "", float}, // a slip, put right on the same day
		{"2026-12-10", `{"role":"chain","rated_mass":"2500 kg"}`, "", &service.RegisterFitted{Kind: service.EntryTrailer, ID: "FLOAT-4"}},
		{"2026-12-12", `{"role":"chain","rated_mass":"2500 kg"}`, "", float},
	} {
		r.put(service.EntryPart, "CHAIN-1", service.RegisterWrite{Since: step.since, Note: step.note, FittedTo: step.to, Document: []byte(step.doc)})
	}
	want := []service.RegisterFit{
		{Part: "CHAIN-1", Role: "chain", Since: "2026-12-01", Until: "2026-12-05", Document: []byte(`{"rated_mass":"2000 kg","role":"chain"}`)},
		{Part: "CHAIN-1", Role: "chain", Since: "2026-12-05", Until: "2026-12-08", Document: []byte(`{"rated_mass":"2500 kg","role":"chain"}`)},
		{Part: "CHAIN-1", Role: "chain", Since: "2026-12-12", Document: []byte(`{"rated_mass":"2500 kg","role":"chain"}`)},
	}
	same := func(a, b service.RegisterFit) bool {
		return a.Part == b.Part && a.Role == b.Role && a.Since == b.Since && a.Until == b.Until && string(a.Document) == string(b.Document)
	}
	to := service.FittedTo{Kind: service.EntryTrailer, ID: "FLOAT-3"}
	for on, want := range map[string][]service.RegisterFit{
		"": want, "2026-11-30": nil, "2026-12-01": want[:1], "2026-12-04": want[:1], "2026-12-05": want[1:2], "2026-12-07": want[1:2], "2026-12-08": nil,
		"2026-12-10": nil, "2026-12-11": nil, "2026-12-12": want[2:], "2199-12-31": want[2:],
	} {
		if got, err := r.Fitted(r.ctx, to, on); err != nil || !slices.EqualFunc(got, want, same) {
			t.Errorf("on %q: %+v %v", on, got, err)
		}
	}
	if _, err := r.Fitted(r.ctx, to, "today"); !slices.Equal(pointers(err), []string{"/on"}) {
		t.Error(err)
	}
	for _, none := range []service.FittedTo{{Kind: service.EntryTrailer, ID: "FLOAT-9"}, {Kind: service.EntryPart, ID: "CHAIN-1"}, {}} {
		if _, err := r.Fitted(r.ctx, none, ""); !errors.Is(err, service.ErrNotFound) {
			t.Errorf("%+v: %v", none, err)
		}
	}
}

func TestRegisterAssess(t *testing.T) {
	r := newRegistry(t)
	r.rig()
	r.put(service.EntryPart, "CHAIN-1", service.RegisterWrite{FittedTo: &service.RegisterFitted{Kind: service.EntryTrailer, ID: "FLOAT-3"}, Document: []byte(`{"role":"chain","rated_mass":"2500 kg","price":{"amount":"18.50","currency":"AUD"}}`)})
	ask := func(q service.RegisterAsk) string {
		t.Helper()
		a, err := r.Assess(r.ctx, q, false)
		if err != nil {
			t.Fatalf("%+v: %v", q, err)
		}
		return string(a.Rig)
	}
	const sides = `"vehicle":{"rated":{"total":"3100 kg"}},"trailer":{"brakes":{"kind":"none"},"rated":{"axles":"2200 kg"}},"parts":[{"on":"trailer","rated_mass":"2500 kg","role":"chain"}]}`
	if got := ask(service.RegisterAsk{Pairing: "P-1"}); got != `{"jurisdiction":"ZZ",`+sides {
		t.Error(got)
	}
	if got := ask(service.RegisterAsk{Vehicle: "UTE-1", Trailer: "FLOAT-3", Jurisdiction: "ZZ", Use: []byte(`{"commercial":true}`)}); got != `{"jurisdiction":"ZZ","use":{"commercial":true},`+sides {
		t.Error(got)
	}
	kept, err := r.Assess(r.ctx, service.RegisterAsk{Pairing: "P-1", AsOf: "2020-01-01"}, true)
	if err != nil || kept.ID == "" || kept.Verdict != "non_compliant" || !strings.Contains(string(kept.Rig), `"as_of":"2020-01-01"`) {
		t.Fatalf("%+v %v", kept, err)
	}
	// What is answered stays answered when the register changes.
	r.document(service.EntryTrailer, "FLOAT-3", `{"rated":{"axles":"700 kg"},"brakes":{"kind":"none"}}`)
	answers := service.New(library(t, "1", "750"), r.store, at(noon))
	if again, err := answers.Replay(r.ctx, kept.ID); err != nil || !again.Same {
		t.Errorf("%+v %v", again, err)
	}
	// A change that is to come holds from its day.
	r.put(service.EntryTrailer, "FLOAT-3", service.RegisterWrite{Since: "2026-12-24", Document: []byte(`{"rated":{"axles":"900 kg"}}`)})
	for day, axles := range map[string]string{"": "700 kg", "2020-01-01": "700 kg", "2026-12-23": "700 kg", "2026-12-24": "900 kg"} {
		if got := ask(service.RegisterAsk{Pairing: "P-1", AsOf: day}); !strings.Contains(got, `"axles":"`+axles+`"`) {
			t.Errorf("on %q: %s", day, got)
		}
	}
	r.put(service.EntryVehicle, "UTE-2", service.RegisterWrite{Since: "2027-01-01", Document: []byte(`{}`)})
	r.document(service.EntryVehicle, "UTE-3", `{}`)
	if _, err := r.Remove(r.ctx, service.EntryVehicle, "UTE-3", "", ""); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		q  service.RegisterAsk
		at string
	}{
		{service.RegisterAsk{}, ""},
		{service.RegisterAsk{Vehicle: "UTE-1", Jurisdiction: "ZZ"}, "/trailer"},
		{service.RegisterAsk{Trailer: "FLOAT-3", Jurisdiction: "ZZ"}, "/vehicle"},
		{service.RegisterAsk{Pairing: "P-1", Vehicle: "UTE-1"}, "/pairing"},
		{service.RegisterAsk{Pairing: "P-9"}, "/pairing"},
		{service.RegisterAsk{Vehicle: "UTE-2", Trailer: "FLOAT-3", Jurisdiction: "ZZ"}, "/vehicle"},
		{service.RegisterAsk{Vehicle: "UTE-3", Trailer: "FLOAT-3", Jurisdiction: "ZZ"}, "/vehicle"},
		{service.RegisterAsk{Vehicle: "UTE-1", Trailer: "FLOAT-3"}, "/jurisdiction"},
		{service.RegisterAsk{Pairing: "P-1", AsOf: "soon"}, "/as_of"},
		{service.RegisterAsk{Pairing: "P-1", Use: []byte(`{"speed":"fast"}`)}, "/use/speed"},
		{service.RegisterAsk{Pairing: "P-1", Use: []byte(`{`)}, "/use"},
	} {
		if _, err := r.Assess(r.ctx, test.q, false); !slices.Equal(pointers(err), []string{test.at}) {
			t.Errorf("%+v: %v", test.q, err)
		}
	}
}

// A tenant sees and changes nothing of another's.
func TestRegisterTenants(t *testing.T) {
	r := newRegistry(t)
	r.rig()
	const other = "00000000-0000-0000-0000-000000000002"
	ctx := service.WithCaller(t.Context(), service.Operator(other))
	if _, err := r.Get(ctx, service.EntryVehicle, "UTE-1"); !errors.Is(err, service.ErrNotFound) {
		t.Error(err)
	}
	if _, err := r.Assess(ctx, service.RegisterAsk{Pairing: "P-1"}, false); !slices.Equal(pointers(err), []string{"/pairing"}) {
		t.Error(err)
	}
	var out strings.Builder
	if err := r.Export(ctx, service.EntryVehicle, "", &out); err != nil || out.String() != "id,yard,since,note\r\n" {
		t.Errorf("%q %v", out.String(), err)
	}
	if _, err := r.Get(t.Context(), service.EntryVehicle, "UTE-1"); !errors.Is(err, service.ErrUnauthenticated) {
		t.Error(err)
	}
}
