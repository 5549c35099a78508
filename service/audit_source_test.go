package service_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"drawgear/rules"
	"drawgear/service"
)

// towingLaw is auditLaw with a limit of the vehicle.
const towingLaw = auditLaw + `  - id: zz.towing
    says: The vehicle may tow the laden trailer.
    level: rating
    oblige: {mass_limit: {of: trailer.laden.total, at_most: vehicle.towing.braked}}
    cite: {source: zz-code, clause: "5", how: text, confidence: high}
`

const (
	coupled = "zz.coupling/part_rating.coupling"
	towed   = "zz.towing/mass_limit.at_most"
)

// fill puts three vehicles and four trailers into the register. U1 may tow 750 kg,
// U2 2400 kg, U3 3500 kg. T1 is light, T2 has a coupling that is too weak, T3 is
// heavy, and of T4 it is not known how it is laden.
func (d auditDesk) fill(t testing.TB, ctx context.Context) {
	for id, kg := range map[string]string{"U1": "750", "U2": "2400", "U3": "3500"} {
		yard := ""
		if id == "U3" {
			yard = "hill"
		}
		d.put(t, ctx, service.Entry{Kind: service.EntryVehicle, ID: id, Yard: yard, Document: []byte(`{"towing":{"braked":"` + kg + ` kg"}}`)})
	}
	for id, x := range map[string]struct{ axles, laden, brakes, away, coupling string }{
		"T1": {"700", `,"laden":{"total":"700 kg"}`, "none", "none", "750"},
		"T2": {"1500", `,"laden":{"total":"1400 kg"}`, "electric", "none", "1200"},
		"T3": {"2500", `,"laden":{"total":"2400 kg"}`, "electric", "automatic", "3500"},
		"T4": {"1500", "", "electric", "none", "2000"},
	} {
		to := service.FittedTo{Kind: service.EntryTrailer, ID: id}
		d.put(t, ctx,
			service.Entry{Kind: service.EntryTrailer, ID: id, Document: fmt.Appendf(nil, `{"rated":{"axles":"%s kg"}%s,"brakes":{"kind":"%s"},"breakaway":{"kind":"%s"}}`, x.axles, x.laden, x.brakes, x.away)},
			part("coupling-"+id, to, `{"role":"coupling","rated_mass":"`+x.coupling+` kg","price":{"amount":"1","currency":"AUD"}}`),
			part("chain-"+id, to, `{"role":"chain"}`),
		)
	}
}

func (d auditDesk) start(t testing.TB, ctx context.Context, ask service.AuditAsk) service.Audit {
	t.Helper()
	a, err := d.Start(ctx, ask)
	if err != nil {
		t.Fatal(err)
	}
	d.run(t)
	if a, err = d.Auditor.Get(ctx, a.ID); err != nil || a.State != service.AuditDone {
		t.Fatalf("%+v %v", a, err)
	}
	return a
}

// told writes items short: what they are of, the outcome, what fails.
func told(items []service.AuditItem) (out []string) {
	for _, it := range items {
		text := strings.TrimSpace(it.ID+" "+it.Vehicle+it.Trailer) + " " + string(it.Outcome)
		for _, id := range it.Failing {
			text += " " + id
		}
		out = append(out, text)
	}
	return out
}

func hold(t testing.TB, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestAllPairs(t *testing.T) {
	d := newAuditDesk(t, []byte(towingLaw))
	ctx := who(t, saltmarshYard, "anna")
	d.fill(t, ctx)
	commercial := true
	a := d.start(t, ctx, service.AuditAsk{Jurisdiction: "ZZ", Commercial: &commercial, Source: service.AuditSource{Kind: service.AuditAllPairs}})
	if a.Rows != 12 {
		t.Fatalf("%+v", a)
	}
	hold(t, told(d.all(t, ctx, a.ID, service.AuditItemQuery{})), []string{
		"U1T1 compliant", "U1T2 non_compliant " + coupled + " " + towed, "U1T3 non_compliant " + towed, "U1T4 undetermined",
		"U2T1 compliant", "U2T2 non_compliant " + coupled, "U2T3 compliant", "U2T4 undetermined",
		"U3T1 compliant", "U3T2 non_compliant " + coupled, "U3T3 compliant", "U3T4 undetermined",
	})
	s, err := d.Summary(ctx, a.ID)
	if err != nil {
		t.Fatal(err)
	}
	var sides []string
	for _, x := range slices.Concat(s.Vehicles, s.Trailers) {
		text := fmt.Sprint(x.ID, " ", x.Outcomes[rules.Compliant], x.Outcomes[rules.NonCompliant], x.Outcomes[rules.Undetermined], x.Outcomes[service.OutcomeRefused])
		for _, why := range x.Why {
			text += fmt.Sprint(" ", why.Key, " ", why.Rows)
		}
		sides = append(sides, text)
	}
	hold(t, sides, []string{
		"U1 1 2 1 0 " + towed + " 2 " + coupled + " 1", "U2 2 1 1 0 " + coupled + " 1", "U3 2 1 1 0 " + coupled + " 1",
		"T1 3 0 0 0", "T2 0 3 0 0 " + coupled + " 3 " + towed + " 1", "T3 2 1 0 0 " + towed + " 1", "T4 0 0 3 0",
	})
	it, err := d.Item(ctx, a.ID, 7)
	const want = `{"jurisdiction":"ZZ","parts":[{"role":"chain"},{"rated_mass":"3500 kg","role":"coupling"}],`
	if err != nil || it.Vehicle != "U2" || it.Trailer != "T3" || !strings.HasPrefix(strings.ReplaceAll(string(it.Rig), `"on":"trailer",`, ""), want) || !strings.Contains(string(it.Rig), `"use":{"commercial":true}`) {
		t.Errorf("%s %v", it.Rig, err)
	}
	// A yard, and ids in their own order, once each.
	a = d.start(t, ctx, service.AuditAsk{Jurisdiction: "ZZ", Source: service.AuditSource{Kind: service.AuditAllPairs, Yard: "hill", Trailers: []string{"T3", "T1", "T3"}}})
	hold(t, told(d.all(t, ctx, a.ID, service.AuditItemQuery{})), []string{"U3T3 compliant", "U3T1 compliant"})
}

func TestAllPairsAreBounded(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	write := func(kind service.EntryKind, from, to int) {
		var es []service.Entry
		for i := from; i < to; i++ {
			es = append(es, service.Entry{Kind: kind, ID: fmt.Sprintf("%05d", i), Document: []byte("{}")})
		}
		d.put(t, ctx, es...)
	}
	write(service.EntryVehicle, 0, 1000)
	write(service.EntryTrailer, 0, 1000)
	ask := service.AuditAsk{Jurisdiction: "ZZ", Source: service.AuditSource{Kind: service.AuditAllPairs}}
	a, err := d.Start(ctx, ask)
	if err != nil || a.Rows != service.MaxAuditRows || len(d.store.jobs) != 2000 {
		t.Errorf("at the limit: %+v %v", a, err)
	}
	write(service.EntryTrailer, 1000, 1001)
	if _, err := d.Start(ctx, ask); !errors.Is(err, service.ErrAuditRows) {
		t.Errorf("above it: %v", err)
	}
	write(service.EntryTrailer, 1001, service.MaxPairSide+1)
	ask.Source.Vehicles = []string{"00000"}
	if _, err := d.Start(ctx, ask); !errors.Is(err, service.ErrAuditRows) {
		t.Errorf("too long a side: %v", err)
	}
}

// pair writes a pairing.
func (d auditDesk) pair(t testing.TB, ctx context.Context, id, document string) {
	d.put(t, ctx, service.Entry{Kind: service.EntryPairing, ID: id, Document: []byte(document)})
}

func (d auditDesk) pairUp(t testing.TB, ctx context.Context) {
	d.fill(t, ctx)
	d.pair(t, ctx, "P1", `{"vehicle":"U2","trailer":"T1","jurisdiction":"ZZ"}`)
	d.pair(t, ctx, "P2", `{"vehicle":"U1","trailer":"T3","jurisdiction":"ZZ"}`)
	d.pair(t, ctx, "P3", `{"vehicle":"U3","trailer":"T3","jurisdiction":"ZZ","parts":[{"role":"coupling","rated_mass":"2399.999 kg"}]}`)
	d.pair(t, ctx, "P4", `{"vehicle":"U3","trailer":"T1"}`)
	d.pair(t, ctx, "P5", `{"vehicle":"U3","trailer":"gone","jurisdiction":"ZZ"}`)
	d.pair(t, ctx, "P6", `{"vehicle":"U3","trailer":"T3","jurisdiction":"ZZ"}`)
}

var pairedWant = []string{
	"P1 U2T1 compliant", "P2 U1T3 non_compliant " + towed, "P3 U3T3 non_compliant " + coupled, "P4 U3T1 refused", "P5 U3gone refused", "P6 U3T3 compliant",
}

func TestPairings(t *testing.T) {
	d := newAuditDesk(t, []byte(towingLaw))
	ctx := who(t, saltmarshYard, "anna")
	d.pairUp(t, ctx)
	pairings := service.AuditSource{Kind: service.AuditPairings}
	a := d.start(t, ctx, service.AuditAsk{Source: pairings})
	items := d.all(t, ctx, a.ID, service.AuditItemQuery{})
	hold(t, told(items), pairedWant)
	if f := items[3].Faults; len(f) != 1 || f[0].Pointer != "/jurisdiction" {
		t.Errorf("%+v", f)
	}
	if f := items[4].Faults; len(f) != 1 || f[0].Message == "" || f[0].Advice == "" {
		t.Errorf("%+v", f)
	}
	a = d.start(t, ctx, service.AuditAsk{Source: pairings, Jurisdiction: "ZZ"})
	hold(t, told(d.all(t, ctx, a.ID, service.AuditItemQuery{ID: "P4"})), []string{"P4 U3T1 compliant"})
	// No one sees another's register.
	if _, err := d.Start(who(t, tarnValley, "cleo"), service.AuditAsk{Source: pairings}); !errors.Is(err, service.ErrAuditEmpty) {
		t.Errorf("%v", err)
	}
}

func TestRecordedAssessments(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	assess := func(day string) string {
		a, err := d.Assess(ctx, []byte(`{"jurisdiction":"ZZ"`+day+`,"trailer":{"rated":{"axles":"600 kg"},"laden":{"total":"500 kg"}},"parts":[{"role":"chain"},{"role":"coupling","rated_mass":"750 kg"}]}`), true)
		if err != nil || a.Verdict != rules.Compliant {
			t.Fatalf("%s %v", a.Verdict, err)
		}
		return a.ID
	}
	d.clock.Store(-40 * 86400) // 16 October
	old := assess("")
	d.clock.Store(-10 * 86400)
	first, second := assess(""), assess(`,"as_of":"2020-01-01"`)
	d.clock.Store(0)
	d.publish(t, saltmarshYard, []byte(couplingText))
	d.clock.Store(5)
	months := service.AuditSource{Kind: service.AuditAssessments, Months: 1}
	a := d.start(t, ctx, service.AuditAsk{Source: months})
	items := d.all(t, ctx, a.ID, service.AuditItemQuery{})
	slices.SortFunc(items, func(x, y service.AuditItem) int { return strings.Compare(x.AsOf, y.AsOf) })
	// The house rule is in force from 2021 on: the question of 2020 is not moved.
	if len(items) != 2 || items[0].ID != second || items[0].AsOf != "2020-01-01" || items[0].Moved || items[0].Before != rules.Compliant ||
		items[1].ID != first || items[1].AsOf != "2026-11-15" || !items[1].Moved || items[1].Before != rules.Compliant || items[1].Outcome != rules.NonCompliant ||
		strings.Join(items[1].Appearing, " ") != housed || items[1].Disappearing != nil {
		t.Errorf("%+v", items)
	}
	if it, err := d.Item(ctx, a.ID, items[1].Row); err != nil || !strings.Contains(string(it.Answer), "house.coupling") || len(it.Was) == 0 || strings.Contains(string(it.Was), "house.coupling") {
		t.Errorf("what was said then: %s %v", it.Was, err)
	}
	a = d.start(t, ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditAssessments, Months: 2}, AsOf: "2026-11-20", EveryDay: true})
	items = d.all(t, ctx, a.ID, service.AuditItemQuery{})
	if len(items) != 3 || items[2].ID != old || slices.ContainsFunc(items, func(it service.AuditItem) bool { return it.AsOf != "2026-11-20" || !it.Moved }) {
		t.Errorf("%+v", items)
	}
}

// couplingText is a house rule by which P1 of pairUp fails, and no other pairing
// that did not.
const couplingText = `ruleset: house-yard
version: 1
title: Couplings of Saltmarsh Yard
jurisdiction: ZZ
effective: {from: 2021-01-01}
reviewed: 2026-11-25
extends: [zz-light-trailers]
sources:
  - {id: yard-book, title: Yard book, publisher: Saltmarsh Yard, edition: third, kind: practice, checked: {how: text, on: 2026-11-25}}
rules:
  - id: house.coupling
    says: A coupling of ours is rated for 1500 kg.
    level: rating
    oblige: {part_rating: {roles: [coupling], at_least: kg(1500)}}
    cite: {source: yard-book, clause: "3", how: text}
examples:
  - name: the line
    rig: {parts: [{role: coupling, rated_mass: 1500 kg}]}
    expect: {findings: {house.coupling: met}}
`

const housed = "house.coupling/part_rating.coupling"

func TestDryRun(t *testing.T) {
	d := newAuditDesk(t, []byte(towingLaw))
	ctx := who(t, saltmarshYard, "anna")
	d.pairUp(t, ctx)
	v, err := d.Draft(ctx, []byte(couplingText))
	if err != nil {
		t.Fatal(err)
	}
	ask := service.AuditAsk{
		Source: service.AuditSource{Kind: service.AuditPairings}, Against: &service.AuditLaw{},
		Law: service.AuditLaw{Draft: &service.DraftLaw{Ruleset: "house-yard", Version: 1}},
	}
	a := d.start(t, ctx, ask)
	if a.Ask.Law.Draft.SHA256 != v.SHA256 {
		t.Errorf("%+v", a.Ask.Law)
	}
	items := d.all(t, ctx, a.ID, service.AuditItemQuery{Moved: true})
	hold(t, told(items), []string{"P1 U2T1 non_compliant " + housed})
	if it := items[0]; it.Before != rules.Compliant || strings.Join(it.Appearing, " ") != housed || it.Disappearing != nil || partText(it.Parts) != "coupling needs 1500 kg has 750 kg" {
		t.Errorf("%+v", it)
	}
	s, err := d.Summary(ctx, a.ID)
	if err != nil || len(s.Moves) != 1 || s.Moves[0] != (service.AuditMove{From: rules.Compliant, To: rules.NonCompliant, Rows: 1}) {
		t.Errorf("%+v %v", s, err)
	}
	if i := slices.IndexFunc(s.Failing, func(c service.AuditCount) bool { return c.Key == housed }); i < 0 || s.Failing[i].Title != "A coupling of ours is rated for 1500 kg." {
		t.Errorf("%+v", s.Failing)
	}
	it, err := d.Item(ctx, a.ID, 1)
	if err != nil || len(it.Answer) == 0 || len(it.Was) == 0 || strings.Contains(string(it.Was), "house.coupling") {
		t.Errorf("%s %v", it.Was, err)
	}
	if got := d.types(t, saltmarshYard); !slices.Equal(got, []service.EventType{service.EventImpactEnded}) {
		t.Errorf("told %v", got)
	}
	// Who may not see drafts, another tenant, and a version that is not there.
	reader := service.WithCaller(t.Context(), service.Caller{Tenant: saltmarshYard, Subject: "dan", Scopes: []service.Scope{service.ScopeAudit}})
	if _, err := d.Start(reader, ask); !errors.Is(err, service.ErrForbidden) {
		t.Errorf("without the scope: %v", err)
	}
	if _, err := d.Start(who(t, tarnValley, "cleo"), ask); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("of another tenant: %v", err)
	}
	// A draft that changes while rows wait.
	b, err := d.Start(ctx, ask)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Redraft(ctx, "house-yard", 1, v.ETag, []byte(strings.Replace(couplingText, "kg(1500)", "kg(1600)", 1))); err != nil {
		t.Fatal(err)
	}
	d.run(t)
	if b, err = d.Auditor.Get(ctx, b.ID); err != nil || b.State != service.AuditFailed || !strings.Contains(b.Note, "draft") {
		t.Errorf("%+v %v", b, err)
	}
	if it, err := d.Item(ctx, a.ID, 1); err != nil || it.Outcome != rules.NonCompliant || it.Answer != nil {
		t.Errorf("what was said before: %+v %v", it, err)
	}
}

// TestAgainstADay holds one day against another.
func TestAgainstADay(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	d.fill(t, ctx)
	d.pair(t, ctx, "P1", `{"vehicle":"U2","trailer":"T2","jurisdiction":"ZZ"}`)
	// Before the law of the place nothing is covered, and nothing fails.
	a := d.start(t, ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditPairings}, Against: &service.AuditLaw{AsOf: "2014-06-30"}})
	items := d.all(t, ctx, a.ID, service.AuditItemQuery{})
	if len(items) != 1 || items[0].Before != rules.Undetermined || items[0].Outcome != rules.NonCompliant || strings.Join(items[0].Appearing, " ") != coupled {
		t.Errorf("%+v", items)
	}
	a = d.start(t, ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditPairings}, Law: service.AuditLaw{AsOf: "2014-06-30"}, Against: &service.AuditLaw{}})
	items = d.all(t, ctx, a.ID, service.AuditItemQuery{})
	if len(items) != 1 || items[0].AsOf != "2014-06-30" || items[0].Outcome != rules.Undetermined || strings.Join(items[0].Disappearing, " ") != coupled {
		t.Errorf("%+v", items)
	}
}

func TestCompareAudits(t *testing.T) {
	row := func(id, vehicle, trailer, rest string) string {
		return id + "," + vehicle + "," + trailer + "," + rest + "\n"
	}
	const good, weak, open = "ZZ,750,700,none,none,750,1", "ZZ,750,700,none,none,650,1", "ZZ,750,,none,none,750,1"
	before := zzHead + row("same", "U", "T", good) + row("worse", "U", "T", good) + row("better", "U", "T", weak) + row("", "U", "T", good) + row("", "V", "T", open) +
		row("twice", "U", "T", good) + row("twice", "U", "T", weak) + row("gone", "U", "T", good) + row("", "", "", good) + row("ill", "U", "T", "ZZ,x,700,none,none,750,1")
	after := zzHead + row("come", "U", "T", good) + row("ill", "U", "T", "ZZ,x,700,none,none,750,1") + row("better", "U", "T", good) + row("worse", "U", "T", weak) + row("same", "U", "T", good) +
		row("", "U", "T", open) + row("", "V", "T", open) + row("twice", "U", "T", good) + row("U + T", "", "", good)
	for _, atOnce := range []int64{0, 1, 4} {
		d := newAuditDesk(t)
		ctx := who(t, saltmarshYard, "anna")
		a, b := d.upload(t, ctx, service.AuditAsk{}, before), d.upload(t, ctx, service.AuditAsk{}, after)
		if _, err := d.Auditor.Compare(ctx, a.ID, b.ID); !errors.Is(err, service.ErrAuditOpen) {
			t.Errorf("audits that run: %v", err)
		}
		d.run(t)
		d.HoldAtOnce(atOnce)
		got, err := d.Auditor.Compare(ctx, a.ID, b.ID)
		if err != nil {
			t.Fatal(err)
		}
		// The row of U and T without an id is not the row whose id reads like that.
		if got.Same != 3 || got.Gone != 1 || got.Come != 2 || got.Unmatched != 4 || got.Truncated || got.Before != a.ID || got.After != b.ID {
			t.Errorf("%d at once: %+v", atOnce, got)
		}
		if fmt.Sprint(got.Moves) != "[{compliant undetermined 1} {compliant non_compliant 1} {non_compliant compliant 1}]" {
			t.Errorf("%v", got.Moves)
		}
		want := "[{U + T compliant undetermined [] [] 4 6} {better non_compliant compliant [] [" + coupled + "] 3 3} {worse compliant non_compliant [" + coupled + "] [] 2 4}]"
		if fmt.Sprint(got.Changed) != want {
			t.Errorf("%v\nwant %s", got.Changed, want)
		}
	}
}

func TestComparisonIsBounded(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	const rows = service.MaxChanges + 1
	a, b := d.upload(t, ctx, service.AuditAsk{}, chunked(rows)), d.upload(t, ctx, service.AuditAsk{}, strings.ReplaceAll(chunked(rows), ",1\n", ",0\n"))
	d.run(t)
	d.HoldAtOnce(300)
	got, err := d.Auditor.Compare(ctx, a.ID, b.ID)
	if err != nil || !got.Truncated || len(got.Changed) != service.MaxChanges || len(got.Moves) != 1 || got.Moves[0].Rows != rows {
		t.Fatalf("%d %+v %v", len(got.Changed), got.Moves, err)
	}
	if !slices.IsSortedFunc(got.Changed, func(x, y service.AuditChange) int { return strings.Compare(x.ID, y.ID) }) || got.Changed[0].ID != "R0" || got.Changed[1].ID != "R1" {
		t.Error("they are not the first in order")
	}
}

// watching is a desk whose changes of law are looked into.
func watching(t *testing.T, store *auditStore, at time.Duration, law ...[]byte) auditDesk {
	t.Helper()
	d := auditDesk{desk: newDesk(t, newAuditStore()), store: store} // for its clock
	d.clock.Store(int64(at / time.Second))
	now := d.now
	d.snapshots = service.NewSnapshots(store, slog.New(slog.NewTextHandler(d.log, nil)), now).WithImpacts(store, store)
	if err := d.snapshots.Start(t.Context(), law); err != nil {
		t.Fatal(err)
	}
	d.Assessor, d.Authoring = service.NewLive(d.snapshots, store, now), service.NewAuthoring(store, d.snapshots, now)
	d.Auditor = service.NewAuditor(d.Assessor, store, service.NewEvents(store, now))
	return d
}

func kindsOf(jobs []service.Job) (out []string) {
	for _, j := range jobs {
		out = append(out, string(j.Kind)+" "+j.Tenant)
	}
	slices.Sort(out)
	return out
}

func TestAChangeOfLaw(t *testing.T) {
	base := newAuditDesk(t, []byte(towingLaw))
	store := base.store
	anna, cleo := who(t, saltmarshYard, "anna"), who(t, tarnValley, "cleo")
	base.pairUp(t, anna)
	d := watching(t, store, time.Minute, []byte(towingLaw))
	if len(store.jobs) > 0 {
		t.Fatalf("what shipped with the first start is no change: %v", store.jobs)
	}
	kept, err := d.Assess(anna, []byte(`{"jurisdiction":"ZZ","as_of":"2020-01-01","trailer":{"rated":{"axles":"600 kg"},"laden":{"total":"500 kg"}},"vehicle":{"towing":{"braked":"500 kg"}},"parts":[{"role":"chain"},{"role":"coupling","rated_mass":"750 kg"}]}`), true)
	if err != nil || kept.Verdict != rules.Compliant {
		t.Fatalf("%s %v", kept.Verdict, err)
	}
	v := d.publish(t, saltmarshYard, []byte(couplingText))
	hold(t, kindsOf(store.jobs), []string{"impact " + saltmarshYard})
	job := store.jobs[0]
	_ = d.snapshots.Refresh(t.Context())
	watching(t, store, 2*time.Minute, []byte(towingLaw)) // another replica
	hold(t, kindsOf(store.jobs), []string{"impact " + saltmarshYard})

	// The worker goes while the rows of the first audit come in, twice over.
	store.fail = func(method string) error {
		if method == "StartAudit" || method == "EndAudit" {
			return service.ErrUnavailable
		}
		return nil
	}
	if err := d.try(t, job, 1); !errors.Is(err, service.ErrUnavailable) {
		t.Fatalf("%v", err)
	}
	store.fail = func(string) error { return nil }
	d.run(t)
	d.carry(t, job)
	if len(store.jobs) > 0 {
		t.Errorf("carried out again it made %v", store.jobs)
	}
	page, err := d.Auditor.List(anna, "", 0)
	if err != nil || len(page.Items) != 3 {
		t.Fatalf("%+v %v", page, err)
	}
	done := map[service.AuditSourceKind]service.Audit{}
	for _, a := range page.Items {
		if a.State == service.AuditFailed {
			continue
		}
		done[a.Ask.Source.Kind] = a
		if a.State != service.AuditDone || a.Ask.AsOf != "2026-11-25" || !a.Ask.EveryDay || a.Ask.Against == nil || a.Ask.Law.KnownAt.Sub(a.Ask.Against.KnownAt) != time.Microsecond || a.CreatedBy != service.JobSubject || a.Ask.Name == "" {
			t.Errorf("%+v", a)
		}
	}
	hold(t, told(d.all(t, anna, done[service.AuditPairings].ID, service.AuditItemQuery{Moved: true})), []string{"P1 U2T1 non_compliant " + housed})
	hold(t, told(d.all(t, anna, done[service.AuditAssessments].ID, service.AuditItemQuery{Moved: true})), []string{kept.ID + " non_compliant " + housed})
	types := d.types(t, saltmarshYard)
	if !slices.Equal(types, []service.EventType{service.EventImpactEnded, service.EventImpactEnded, service.EventLawChanged}) {
		t.Errorf("told %v", types)
	}
	for _, x := range d.notices(t, saltmarshYard) {
		if x.Type == service.EventLawChanged && (!strings.Contains(string(x.Body), `"house-yard"`) || !strings.Contains(string(x.Body), done[service.AuditPairings].ID)) {
			t.Errorf("%s", x.Body)
		}
	}
	if page, err := d.Auditor.List(cleo, "", 0); err != nil || len(page.Items) > 0 {
		t.Errorf("another tenant has %v %v", page.Items, err)
	}

	// Withdrawn, what appeared disappears.
	d.clock.Add(1)
	if _, err := d.Withdraw(who(t, saltmarshYard, "ben"), v.ID, 1, v.ETag, "not wanted"); err != nil {
		t.Fatal(err)
	}
	d.run(t)
	page, err = d.Auditor.List(anna, "", 0)
	if err != nil || len(page.Items) != 5 {
		t.Fatalf("%+v %v", page, err)
	}
	for _, a := range page.Items[:2] {
		for _, it := range d.all(t, anna, a.ID, service.AuditItemQuery{Moved: true}) {
			if strings.Join(it.Disappearing, " ") != housed || it.Outcome != rules.Compliant {
				t.Errorf("%+v", it)
			}
		}
	}
}

// TestLawThatShips: a new version that ships concerns every tenant with pairings,
// for its first day if that is to come.
func TestLawThatShips(t *testing.T) {
	base := newAuditDesk(t, []byte(towingLaw))
	store := base.store
	anna, cleo := who(t, saltmarshYard, "anna"), who(t, tarnValley, "cleo")
	base.fill(t, anna)
	base.pair(t, anna, "P1", `{"vehicle":"U2","trailer":"T1","jurisdiction":"ZZ"}`)
	base.fill(t, cleo)
	base.pair(t, cleo, "P1", `{"vehicle":"U2","trailer":"T3","jurisdiction":"ZZ"}`)
	next := strings.NewReplacer("version: 1", "version: 2", "from: 2014-07-01", "from: 2027-07-01", "kg(750)", "kg(600)", "750 kg", "600 kg").Replace(towingLaw)
	d := watching(t, store, time.Hour, []byte(towingLaw), []byte(next))
	watching(t, store, 2*time.Hour, []byte(towingLaw), []byte(next))
	hold(t, kindsOf(store.jobs), []string{"impact " + saltmarshYard, "impact " + tarnValley})
	d.run(t)
	for ctx, want := range map[context.Context][]string{anna: {"P1 U2T1 non_compliant zz.brakes/service_brakes.required"}, cleo: nil} {
		page, err := d.Auditor.List(ctx, "", 0)
		if err != nil || len(page.Items) != 1 || page.Items[0].Ask.AsOf != "2027-07-01" {
			t.Fatalf("%+v %v", page, err)
		}
		hold(t, told(d.all(t, ctx, page.Items[0].ID, service.AuditItemQuery{Moved: true})), want)
	}
}

// TestRulesThatBegin: the day for which it is looked what a change of law moves is
// that on which the last of it begins, be it a rule alone.
func TestRulesThatBegin(t *testing.T) {
	const from = "from: 2014-07-01"
	later := func(day string) string {
		return strings.Replace(towingLaw, "    when: trailer.rated.axles > kg(750)\n", "    effective: {from: "+day+"}\n    when: trailer.rated.axles > kg(600)\n", 1)
	}
	second := func(text string) string { return strings.Replace(text, "version: 1", "version: 2", 1) }
	for name, test := range map[string]struct{ first, second, day string }{
		"a version in force already": {towingLaw, second(strings.Replace(towingLaw, "kg(750)", "kg(600)", 2)), "2026-11-25"},
		"a version to come":          {towingLaw, strings.Replace(second(towingLaw), from, "from: 2027-07-01", 1), "2027-07-01"},
		"a rule to come":             {towingLaw, second(later("2027-09-01")), "2027-09-01"},
		"a rule that was to come":    {later("2027-09-01"), second(later("2027-09-01")), "2026-11-25"},
		"a rule that comes sooner":   {later("2027-09-01"), second(later("2027-08-01")), "2027-08-01"},
	} {
		base := newAuditDesk(t, []byte(test.first))
		anna := who(t, saltmarshYard, "anna")
		base.fill(t, anna)
		base.pair(t, anna, "P1", `{"vehicle":"U2","trailer":"T1","jurisdiction":"ZZ"}`)
		d := watching(t, base.store, time.Hour, []byte(test.first), []byte(test.second))
		d.run(t)
		page, err := d.Auditor.List(anna, "", 0)
		if err != nil || len(page.Items) != 1 || page.Items[0].Ask.AsOf != test.day {
			t.Errorf("%s: %+v %v", name, page.Items, err)
		}
	}
}

// TestARegisterOfDaysToCome: an audit takes the register as a question about one
// pairing does: as it stands today, or on the day that is asked about if that is to
// come.
func TestARegisterOfDaysToCome(t *testing.T) {
	d := newAuditDesk(t, []byte(towingLaw))
	ctx := who(t, saltmarshYard, "anna")
	d.fill(t, ctx)
	d.stock(t, ctx)
	d.pair(t, ctx, "P1", `{"vehicle":"U2","trailer":"T1","jurisdiction":"ZZ"}`)
	d.pair(t, ctx, "P2", `{"vehicle":"U3","trailer":"T2","jurisdiction":"ZZ"}`)
	d.pair(t, ctx, "P3", `{"vehicle":"U3","trailer":"T3","jurisdiction":"ZZ"}`)
	d.pair(t, ctx, "P4", `{"vehicle":"U2","trailer":"T1","jurisdiction":"ZZ"}`)
	write := func(es ...service.Entry) {
		t.Helper()
		for i := range es {
			es[i].WrittenAt = noonKept
		}
		if err := d.store.PutEntries(ctx, es...); err != nil {
			t.Fatal(err)
		}
	}
	none := service.FittedTo{}
	write(
		// From the new year on T1 is rated for more, and P4 is no more.
		service.Entry{Kind: service.EntryTrailer, ID: "T1", Revision: 2, Since: "2027-01-01", Document: []byte(`{"rated":{"axles":"800 kg"},"laden":{"total":"700 kg"},"brakes":{"kind":"none"},"breakaway":{"kind":"none"}}`)},
		service.Entry{Kind: service.EntryPairing, ID: "P4", Revision: 2, Since: "2027-01-01", Removed: true},
		// The coupling of T3 is another from February on, and its yard.
		service.Entry{Kind: service.EntryPart, ID: "coupling-T3", Revision: 2, Since: "2027-02-01", FittedTo: service.FittedTo{Kind: service.EntryTrailer, ID: "T3"}, Document: []byte(`{"role":"coupling","rated_mass":"2000 kg"}`)},
		service.Entry{Kind: service.EntryPairing, ID: "P3", Revision: 2, Since: "2027-02-01", Yard: "hill", Document: []byte(`{"vehicle":"U3","trailer":"T3","jurisdiction":"ZZ"}`)},
		// P5 begins in March, and then the cheap coupling comes into stock.
		service.Entry{Kind: service.EntryPairing, ID: "P5", Revision: 1, Since: "2027-03-01", Document: []byte(`{"vehicle":"U3","trailer":"T3","jurisdiction":"ZZ","parts":[]}`)},
		service.Entry{Kind: service.EntryPart, ID: "c-0", Revision: 1, Since: "2027-03-01", FittedTo: none, Document: []byte(`{"role":"coupling","rated_mass":"1400 kg","price":{"amount":"5","currency":"AUD"}}`)},
	)
	const braked = "zz.brakes/service_brakes.required"
	now := []string{"P1 U2T1 compliant", "P2 U3T2 non_compliant " + coupled, "P3 U3T3 compliant", "P4 U2T1 compliant"}
	year := []string{"P1 U2T1 non_compliant " + braked, "P2 U3T2 non_compliant " + coupled, "P3 U3T3 compliant"}
	february := []string{year[0], year[1], "P3 U3T3 non_compliant " + coupled}
	march := append(slices.Clone(february), "P5 U3T3 non_compliant "+coupled)
	registry := service.NewRegistry(d.Assessor, d.store, d.now)
	for _, test := range []struct {
		day   string
		want  []string
		hill  int    // rows of that yard
		offer string // for P2
	}{
		{"", now, 0, "c-a"},
		{"2020-01-01", now, 0, "c-a"},
		{"2026-12-31", now, 0, "c-a"},
		{"2027-01-01", year, 0, "c-a"},
		{"2027-01-31", year, 0, "c-a"},
		{"2027-02-01", february, 1, "c-a"},
		{"2027-03-01", march, 1, "c-0"},
	} {
		for name, ask := range map[string]service.AuditAsk{"as_of": {AsOf: test.day}, "law": {Law: service.AuditLaw{AsOf: test.day}}} {
			ask.Source.Kind = service.AuditPairings
			items := d.all(t, ctx, d.start(t, ctx, ask).ID, service.AuditItemQuery{})
			t.Log(name, test.day)
			hold(t, told(items), test.want)
			if offer := items[1].Parts[0].Offer; offer == nil || offer.ID != test.offer {
				t.Errorf("%s on %s: the offer is %+v, want %s", name, test.day, offer, test.offer)
			}
			for _, it := range items {
				one, err := registry.Assess(ctx, service.RegisterAsk{Pairing: it.ID, AsOf: test.day}, false)
				if err != nil || one.Verdict != it.Outcome {
					t.Errorf("%s on %s: asked alone it is %s (%v)", it.ID, test.day, one.Verdict, err)
				}
			}
		}
		in := service.AuditAsk{AsOf: test.day, Source: service.AuditSource{Kind: service.AuditPairings, Yard: "hill"}}
		if a, err := d.Start(ctx, in); test.hill == 0 && !errors.Is(err, service.ErrAuditEmpty) || test.hill > 0 && (err != nil || a.Rows != int64(test.hill)) {
			t.Errorf("the yard on %s: %+v %v", test.day, a, err)
		}
		d.run(t)
		pairs := service.AuditAsk{AsOf: test.day, Jurisdiction: "ZZ", Source: service.AuditSource{Kind: service.AuditAllPairs, Vehicles: []string{"U2", "U3"}, Trailers: []string{"T1", "T3"}}}
		got := d.all(t, ctx, d.start(t, ctx, pairs).ID, service.AuditItemQuery{})
		if len(got) != 4 || "P1 "+told(got)[0] != test.want[0] || "P3 "+told(got)[3] != test.want[2] {
			t.Errorf("all pairs on %s: %q", test.day, told(got))
		}
	}
}

// TestPartsBeyondCounting: a trailer of whose parts too much was written is no
// reason to refuse the others.
func TestPartsBeyondCounting(t *testing.T) {
	d := newAuditDesk(t, []byte(towingLaw))
	ctx := who(t, saltmarshYard, "anna")
	d.fill(t, ctx)
	d.pair(t, ctx, "P1", `{"vehicle":"U2","trailer":"T1","jurisdiction":"ZZ"}`)
	d.pair(t, ctx, "P2", `{"vehicle":"U2","trailer":"T2","jurisdiction":"ZZ"}`)
	var es []service.Entry
	for n := range service.MaxFitHistory - 1 { // with the coupling and the chain one too many
		es = append(es, service.Entry{Kind: service.EntryPart, ID: "worn", Revision: n + 1, WrittenAt: noonKept, Since: "2026-01-01", FittedTo: service.FittedTo{Kind: service.EntryTrailer, ID: "T2"}, Document: []byte(`{"role":"shackle"}`)})
	}
	if err := d.store.PutEntries(ctx, es...); err != nil {
		t.Fatal(err)
	}
	items := d.all(t, ctx, d.start(t, ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditPairings}}).ID, service.AuditItemQuery{})
	hold(t, told(items), []string{"P1 U2T1 compliant", "P2 U2T2 refused"})
	if f := items[1].Faults; len(f) != 1 || f[0].Message == "" || f[0].Advice == "" {
		t.Errorf("%+v", f)
	}
	_, err := d.Start(ctx, service.AuditAsk{Jurisdiction: "ZZ", Source: service.AuditSource{Kind: service.AuditAllPairs}})
	if _, bad := errors.AsType[service.Invalid](err); !bad || !strings.Contains(err.Error(), "trailers/T2") {
		t.Errorf("all pairs: %v", err)
	}
}

// TestLawThatIsGone: a place whose law is not known under the law of an audit is
// refused, and it is told what was said of it before.
func TestLawThatIsGone(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	d.fill(t, ctx)
	d.pair(t, ctx, "P1", `{"vehicle":"U2","trailer":"T2","jurisdiction":"ZZ"}`)
	d.pair(t, ctx, "P2", `{"vehicle":"U2","trailer":"T2","jurisdiction":"QQ"}`)
	before := service.AuditLaw{KnownAt: noon.Add(-time.Hour)}
	a := d.start(t, ctx, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditPairings}, Law: before, Against: &service.AuditLaw{}})
	items := d.all(t, ctx, a.ID, service.AuditItemQuery{})
	hold(t, told(items), []string{"P1 U2T2 refused", "P2 U2T2 refused"})
	if it := items[0]; it.Before != rules.NonCompliant || !it.Moved || it.Appearing != nil || strings.Join(it.Disappearing, " ") != coupled || len(it.Faults) != 1 {
		t.Errorf("%+v", it)
	}
	if it := items[1]; it.Before != service.OutcomeRefused || it.Moved || it.Appearing != nil || it.Disappearing != nil {
		t.Errorf("%+v", it)
	}
	if s, err := d.Summary(ctx, a.ID); err != nil || fmt.Sprint(s.Moves) != "[{non_compliant refused 1}]" {
		t.Errorf("%v %v", s.Moves, err)
	}
}

// TestRecordedMoves: what fails besides is told, also if the verdict is the same.
func TestRecordedMoves(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	kept, err := d.Assess(ctx, []byte(`{"jurisdiction":"ZZ","trailer":{"rated":{"axles":"600 kg"},"laden":{"total":"800 kg"}},"parts":[{"role":"chain"},{"role":"coupling","rated_mass":"750 kg"}]}`), true)
	if err != nil || kept.Verdict != rules.NonCompliant {
		t.Fatalf("%s %v", kept.Verdict, err)
	}
	months := service.AuditAsk{Source: service.AuditSource{Kind: service.AuditAssessments, Months: 1}}
	items := d.all(t, ctx, d.start(t, ctx, months).ID, service.AuditItemQuery{})
	if len(items) != 1 || items[0].Moved || items[0].Before != rules.NonCompliant || items[0].Appearing != nil {
		t.Errorf("nothing changed: %+v", items)
	}
	d.publish(t, saltmarshYard, []byte(couplingText))
	d.clock.Add(1)
	items = d.all(t, ctx, d.start(t, ctx, months).ID, service.AuditItemQuery{Moved: true})
	if len(items) != 1 || items[0].Before != rules.NonCompliant || items[0].Outcome != rules.NonCompliant || strings.Join(items[0].Appearing, " ") != housed || items[0].Disappearing != nil {
		t.Errorf("%+v", items)
	}
}

// TestOneLaw: all rows of an audit have the law by which it began. A replica that
// has not heard of it asks, and law that comes under an earlier time ends the audit.
func TestOneLaw(t *testing.T) {
	d := newAuditDesk(t)
	ctx := who(t, saltmarshYard, "anna")
	rows := zzHead + "A," + zzGood

	// The clock of the other replica is an hour ahead, so that it thinks it knows.
	behind := deskOver(t, d.store, []byte(auditLaw))
	behind.clock.Store(3600)
	if err := behind.snapshots.Refresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	d.publish(t, saltmarshYard, []byte(couplingText))
	d.clock.Store(10)
	a := d.upload(t, ctx, service.AuditAsk{}, rows)
	behind.run(t)
	hold(t, told(d.all(t, ctx, a.ID, service.AuditItemQuery{})), []string{"A UT non_compliant " + housed})

	// Somebody whose clock is late publishes while rows wait.
	b := d.upload(t, ctx, service.AuditAsk{}, rows)
	late := deskOver(t, d.store, []byte(auditLaw))
	late.clock.Store(4)
	late.publish(t, saltmarshYard, []byte(strings.NewReplacer("house-yard", "house-second", "house.coupling", "house.second").Replace(couplingText)))
	late.run(t)
	if b, err := d.Auditor.Get(ctx, b.ID); err != nil || b.State != service.AuditFailed || !strings.Contains(b.Note, "Law was published") || b.RowsDone != 0 {
		t.Errorf("%+v %v", b, err)
	}
	// What was answered before stands, and is not given another answer.
	if it, err := late.Item(ctx, a.ID, 1); err != nil || strings.Join(it.Failing, " ") != housed || it.Answer != nil {
		t.Errorf("%+v %v", it.AuditItem, err)
	}
	d.clock.Store(11)
	c := d.upload(t, ctx, service.AuditAsk{}, rows)
	d.run(t)
	hold(t, told(d.all(t, ctx, c.ID, service.AuditItemQuery{})), []string{"A UT non_compliant " + housed + " house.second/part_rating.coupling"})
}
