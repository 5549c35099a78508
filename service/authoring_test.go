package service_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/rules"
	"drawgear/rules/compare"
	"drawgear/rules/law"
	"drawgear/service"
)

const (
	saltmarshYard = "00000000-0000-0000-0000-00000000005a"
	tarnValley    = "00000000-0000-0000-0000-00000000007a"
)

// shippedText is the law of a place that is not.
func shippedText(version, limit string) []byte {
	return []byte(strings.NewReplacer("VERSION", version, "LIMIT", limit).Replace(yard))
}

// houseText are house rules of the place.
const houseText = `ruleset: house-yard
version: 1
title: Saltmarsh Yard
jurisdiction: ZZ
effective: {from: 2020-01-01}
reviewed: 2026-11-25
extends: [zz-light-trailers]
sources:
  - {id: yard-book, title: Yard book, publisher: Saltmarsh Yard, edition: third, kind: practice, checked: {how: text, on: 2026-11-25}}
rules:
  - id: house.brakes
    says: Over 500 kg we fit brakes.
    level: practice
    when: trailer.rated.axles > kg(500)
    oblige: {service_brakes: {required: true}}
    cite: {source: yard-book, clause: "2", how: text}
examples:
  - name: the line
    rig: {trailer: {brakes: {kind: none}}}
    vary: trailer.rated.axles
    steps:
      - {at: 499.999 kg, expect: {findings: {house.brakes: not_applicable}}}
      - {at: 500 kg, expect: {findings: {house.brakes: not_applicable}}}
      - {at: 500.001 kg, expect: {findings: {house.brakes: not_met}}}
`

// house edits the house rules; every edit must find something.
func house(t testing.TB, edits ...string) []byte {
	t.Helper()
	text := houseText
	for i := 0; i < len(edits); i += 2 {
		if !strings.Contains(text, edits[i]) {
			t.Fatalf("there is no %q to edit", edits[i])
		}
		text = strings.Replace(text, edits[i], edits[i+1], 1)
	}
	return []byte(text)
}

// desk is one replica of the service over a store, with a clock of its own.
type desk struct {
	*service.Assessor
	*service.Authoring
	snapshots *service.Snapshots
	log       *bytes.Buffer
	clock     *atomic.Int64 // seconds after noon
}

func newDesk(t testing.TB, store service.FullStore, shipped ...[]byte) desk {
	t.Helper()
	d := desk{log: new(bytes.Buffer), clock: new(atomic.Int64)}
	now := func() time.Time { return noon.Add(time.Duration(d.clock.Load()) * time.Second) }
	d.snapshots = service.NewSnapshots(store, slog.New(slog.NewTextHandler(d.log, nil)), now)
	if err := d.snapshots.Start(t.Context(), shipped); err != nil {
		t.Fatal(err)
	}
	d.Assessor, d.Authoring = service.NewLive(d.snapshots, store, now), service.NewAuthoring(store, d.snapshots, now)
	return d
}

func who(t testing.TB, tenant, subject string) context.Context {
	return service.WithCaller(t.Context(), service.Caller{Tenant: tenant, Subject: subject, Scopes: service.Scopes})
}

// publish takes a document through its life, a second after what was before.
func (d desk) publish(t testing.TB, tenant string, document []byte) service.RulesetVersion {
	t.Helper()
	v, err := d.Draft(who(t, tenant, "anna"), document)
	if err != nil {
		t.Fatal(err)
	}
	if v, err = d.Approve(who(t, tenant, "ben"), v.ID, v.Version, v.ETag); err != nil {
		t.Fatal(err)
	}
	d.clock.Add(1)
	if v, err = d.Publish(who(t, tenant, "ben"), v.ID, v.Version, v.ETag); err != nil {
		t.Fatal(err)
	}
	return v
}

const unbraked = `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"600 kg"},"brakes":{"kind":"none"}}}`

func ask(t testing.TB, d desk, ctx context.Context, record bool) (service.Assessment, rules.Answer) {
	t.Helper()
	a, err := d.Assess(ctx, []byte(unbraked), record)
	if err != nil {
		t.Fatal(err)
	}
	return a, answer(t, a)
}

// statusOf is that of a rule in an answer; empty if the rule is not there.
func statusOf(a rules.Answer, rule string) rules.Status {
	for _, f := range a.Findings {
		if f.Rule == rule {
			return f.Status
		}
	}
	return ""
}

func TestLifeOfHouseRules(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	anna, ben, other := who(t, saltmarshYard, "anna"), who(t, saltmarshYard, "ben"), who(t, tarnValley, "cleo")
	v, err := d.Draft(anna, []byte(houseText))
	if err != nil || v.State != service.Draft || v.AuthoredBy != "anna" || v.ID != "house-yard" || v.Version != 1 || v.ETag == "" {
		t.Fatalf("the draft is %+v (%v)", v, err)
	}
	if _, a := ask(t, d, anna, false); statusOf(a, "house.brakes") != "" {
		t.Error("a draft answers")
	}
	for name, err := range map[string]error{
		"read":     second(d.RulesetVersion(other, "house-yard", 1)),
		"check":    second(d.Check(other, "house-yard", 1)),
		"replace":  second(d.Redraft(other, "house-yard", 1, v.ETag, []byte(houseText))),
		"approve":  second(d.Approve(other, "house-yard", 1, v.ETag)),
		"publish":  second(d.Publish(other, "house-yard", 1, v.ETag)),
		"withdraw": second(d.Withdraw(other, "house-yard", 1, v.ETag, "ours")),
		"compare":  second(d.Compare(other, "house-yard", 1, 1, "", "")),
	} {
		if !errors.Is(err, service.ErrNotFound) {
			t.Errorf("another tenant could %s it: %v", name, err)
		}
	}
	if _, err := d.Approve(anna, "house-yard", 1, v.ETag); !errors.Is(err, service.ErrOwnText) {
		t.Errorf("the author approves: %v", err)
	}
	if _, err := d.Publish(ben, "house-yard", 1, v.ETag); !errors.Is(err, service.ErrState) {
		t.Errorf("a draft is published: %v", err)
	}
	first := v.ETag
	if v, err = d.Redraft(anna, "house-yard", 1, first, house(t, "Over 500 kg we", "Above 500 kg we")); err != nil || v.ETag == first {
		t.Fatalf("replacing the draft: %v, tag %s after %s", err, v.ETag, first)
	}
	if _, err := d.Approve(ben, "house-yard", 1, first); !errors.Is(err, service.ErrStale) {
		t.Errorf("another text than was seen is approved: %v", err)
	}
	if v, err = d.Approve(ben, "house-yard", 1, v.ETag); err != nil || v.State != service.Approved || v.ApprovedBy != "ben" {
		t.Fatalf("approved: %+v (%v)", v, err)
	}
	if _, err := d.Redraft(anna, "house-yard", 1, v.ETag, []byte(houseText)); !errors.Is(err, service.ErrState) {
		t.Errorf("an approved text is replaced: %v", err)
	}
	d.clock.Add(1)
	if v, err = d.Publish(ben, "house-yard", 1, v.ETag); err != nil || v.State != service.Published || v.PublishedBy != "ben" || !v.PublishedAt.Equal(noon.Add(time.Second).Truncate(time.Microsecond)) {
		t.Fatalf("published: %+v (%v)", v, err)
	}

	kept, a := ask(t, d, anna, true)
	if statusOf(a, "house.brakes") != rules.NotMet || len(a.Rulesets) != 2 || a.Rulesets[1].SHA256 != v.SHA256 {
		t.Errorf("the published rules answer %s with %+v", statusOf(a, "house.brakes"), a.Rulesets)
	}
	if _, a := ask(t, d, other, false); statusOf(a, "house.brakes") != "" || len(a.Rulesets) != 1 {
		t.Error("house rules answer another tenant")
	}
	if page, err := d.Rulesets(other); err != nil || len(page.Items) != 1 {
		t.Errorf("another tenant sees %+v (%v)", page.Items, err)
	}

	if _, err := d.Withdraw(ben, "house-yard", 1, v.ETag, " \t"); !errors.As(err, new(service.Invalid)) {
		t.Errorf("withdrawn without a reason: %v", err)
	}
	if v, err = d.Withdraw(ben, "house-yard", 1, v.ETag, "The yard fits brakes to all."); err != nil || v.State != service.Withdrawn || v.Reason == "" || v.WithdrawnAt.IsZero() {
		t.Fatalf("withdrawn: %+v (%v)", v, err)
	}
	if _, a := ask(t, d, anna, false); statusOf(a, "house.brakes") != "" {
		t.Error("a withdrawn version answers")
	}
	if again, err := d.Replay(anna, kept.ID); err != nil || !again.Same {
		t.Errorf("an answer under a withdrawn version is replayed as the same: %v (%v)", again.Same, err)
	}
	read, err := d.RulesetVersion(anna, "house-yard", 1)
	if err != nil || read.Life != v.Life || read.ETag != v.ETag || !bytes.Equal(read.Document, v.Document) {
		t.Errorf("it reads as %+v (%v), want %+v", read.Life, err, v.Life)
	}
	rs, err := d.Ruleset(anna, "house-yard")
	if err != nil || len(rs.Versions) != 1 || rs.Versions[0].Life != v.Life || rs.Versions[0].Effective == nil || rs.Versions[0].Effective.From != "2020-01-01" {
		t.Errorf("it is listed as %+v (%v)", rs, err)
	}
	if _, err := d.Draft(anna, []byte(houseText)); !errors.Is(err, service.ErrExists) {
		t.Errorf("a number is used again: %v", err)
	}
}

func second[T any](_ T, err error) error { return err }

// TestScopes: who lacks the scope is told which, and nothing comes of it.
func TestScopesOfAuthoring(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	v, err := d.Draft(who(t, saltmarshYard, "anna"), []byte(houseText))
	if err != nil {
		t.Fatal(err)
	}
	with := func(s ...service.Scope) context.Context {
		return service.WithCaller(t.Context(), service.Caller{Tenant: saltmarshYard, Subject: "dora", Scopes: s})
	}
	all := func(ctx context.Context) map[service.Scope][]error {
		return map[service.Scope][]error{
			service.ScopeAuthor: {
				second(d.Draft(ctx, house(t, "version: 1", "version: 2"))), second(d.Redraft(ctx, v.ID, 1, "*", []byte(houseText))), second(d.Check(ctx, v.ID, 1)),
			},
			service.ScopeApprove: {
				second(d.Approve(ctx, v.ID, 1, "*")), second(d.Publish(ctx, v.ID, 1, "*")), second(d.Withdraw(ctx, v.ID, 1, "*", "why not")),
			},
		}
	}
	for scope, errs := range all(with(service.ScopeRead)) {
		for i, err := range errs {
			var missing *service.MissingScope
			if !errors.As(err, &missing) || missing.Scope != scope {
				t.Errorf("%s, step %d: %v", scope, i, err)
			}
		}
	}
	for scope, errs := range all(t.Context()) {
		for i, err := range errs {
			if !errors.Is(err, service.ErrUnauthenticated) {
				t.Errorf("nobody, %s, step %d: %v", scope, i, err)
			}
		}
	}
	if now, err := d.RulesetVersion(with(service.ScopeRead), v.ID, 1); err != nil || now.ETag != v.ETag {
		t.Errorf("it became %+v (%v)", now.Life, err)
	}
}

func TestIfMatch(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	anna := who(t, saltmarshYard, "anna")
	v, err := d.Draft(anna, []byte(houseText))
	if err != nil {
		t.Fatal(err)
	}
	for match, want := range map[string]error{
		"": service.ErrNoTag, " ": service.ErrNoTag, `"0"`: service.ErrStale, "W/" + v.ETag: service.ErrStale, strings.Trim(v.ETag, `"`): service.ErrStale,
		v.ETag: nil, `"0", ` + v.ETag: nil, "*": nil,
	} {
		// The same text by the same author at the same time has the same tag.
		if _, err := d.Redraft(anna, v.ID, 1, match, []byte(houseText)); !errors.Is(err, want) {
			t.Errorf("If-Match: %s gave %v, want %v", match, err, want)
		}
	}
	if _, err := d.Redraft(anna, "zz-light-trailers", 1, "*", []byte(houseText)); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("what ships is replaced: %v", err)
	}
}

// TestHouseRulesOnlyAdd: each edit makes of an addition something else, and is
// refused with its place.
func TestHouseRulesOnlyAdd(t *testing.T) {
	abroad := strings.NewReplacer("zz", "yy", "ZZ", "YY", "VERSION", "1", "LIMIT", "1000").Replace(yard)
	d := newDesk(t, memory.New(0), shippedText("1", "750"), []byte(abroad))
	anna := who(t, saltmarshYard, "anna")
	for _, c := range []struct {
		name    string
		edits   []string
		pointer string
		line    int
	}{
		{"the id of law", []string{"ruleset: house-yard", "ruleset: zz-light-trailers", "extends: [zz-light-trailers]", "extends: [yy-light-trailers]"}, "/ruleset", 1},
		{"another id", []string{"house-yard", "yard"}, "/ruleset", 1},
		{"an id too long for a path", []string{"house-yard", "house-" + strings.Repeat("y", 60)}, "/ruleset", 1},
		{"a version too high for a path", []string{"version: 1", "version: 1000001"}, "/version", 2},
		{"no place", []string{"jurisdiction: ZZ\n", ""}, "/jurisdiction", 1},
		{"a place without law", []string{"jurisdiction: ZZ", "jurisdiction: XX"}, "/jurisdiction", 4},
		{"nothing extended", []string{"extends: [zz-light-trailers]\n", ""}, "/extends", 1},
		{"nothing there extended", []string{"[zz-light-trailers]", "[zz-light-trailers, zz-heavy]"}, "/extends/1", 7},
		{"law of another place", []string{"[zz-light-trailers]", "[zz-light-trailers, yy-light-trailers]"}, "/extends/1", 7},
		{"words of the law", []string{"extends:", "terms: {trailer.rated.axles: tare}\nextends:"}, "/terms", 7},
		{"the id of a rule of law", []string{"id: house.brakes", "id: zz.brakes"}, "/rules/0/id", 11},
		{"law", []string{"level: practice", "level: law"}, "/rules/0/level", 13},
		{"law by leaving it out", []string{"    level: practice\n", ""}, "/rules/0/level", 11},
		{"an override of law", []string{"    oblige:", "    overrides: [zz.brakes]\n    oblige:"}, "/rules/0/overrides/0", 15},
		{"a relief", []string{"required: true", "required: false"}, "/rules/0/oblige", 15},
		{"a relief of another kind", []string{"service_brakes: {required: true}", "breakaway: {required: false}"}, "/rules/0/oblige", 15},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := d.Draft(anna, house(t, c.edits...))
			var fs law.Faults
			if !errors.As(err, &fs) {
				t.Fatalf("refused with %v", err)
			}
			if !slices.ContainsFunc(fs, func(f law.Fault) bool { return f.Pointer == c.pointer && f.Line == c.line && f.Column > 0 }) {
				t.Errorf("the faults are %+v, want one at %s, line %d", fs, c.pointer, c.line)
			}
		})
	}
	if page, err := d.Rulesets(anna); err != nil || len(page.Items) != 2 {
		t.Errorf("something refused was kept: %+v (%v)", page.Items, err)
	}

	// House rules rest on house rules, and stay where they are.
	d.publish(t, saltmarshYard, []byte(houseText))
	more := house(t, "house-yard", "house-more", "[zz-light-trailers]", "[house-yard]", "id: house.brakes", "id: house.more")
	more = bytes.ReplaceAll(more, []byte("{house.brakes:"), []byte("{house.more:"))
	d.publish(t, saltmarshYard, more)
	yard, err := d.RulesetVersion(anna, "house-yard", 1)
	if err != nil {
		t.Fatal(err)
	}
	var inUse *service.InUse
	if _, err := d.Withdraw(who(t, saltmarshYard, "ben"), "house-yard", 1, yard.ETag, "not wanted"); !errors.As(err, &inUse) || !strings.Contains(err.Error(), "house-more") {
		t.Errorf("withdrawn from under others: %v", err)
	}
	_, err = d.Draft(anna, house(t, "version: 1", "version: 2", "jurisdiction: ZZ", "jurisdiction: YY", "[zz-", "[yy-"))
	if fs, ok := errors.AsType[law.Faults](err); !ok || fs[0].Pointer != "/jurisdiction" {
		t.Errorf("house rules move to another place: %v", err)
	}
}

func TestCheckReport(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	anna, ben := who(t, saltmarshYard, "anna"), who(t, saltmarshYard, "ben")
	text := house(t,
		"edition: third, ", "",
		"      - {at: 500 kg, expect: {findings: {house.brakes: not_applicable}}}\n", "",
		"500.001 kg, expect: {findings: {house.brakes: not_met}}", "500.001 kg, expect: {findings: {house.brakes: met}}",
		"examples:", `  - id: house.electric
    says: We fit electric brakes.
    level: practice
    oblige: {service_brakes: {kinds: [electric]}}
    cite: {source: yard-book, clause: "3", how: text}
  - id: house.air
    says: We fit air brakes to heavy trailers.
    level: practice
    when: trailer.rated.axles > kg(2000)
    oblige: {service_brakes: {kinds: [air]}}
    cite: {source: yard-book, how: text}
examples:`)
	v, err := d.Draft(anna, text)
	if err != nil {
		t.Fatal(err)
	}
	r, err := d.Check(anna, v.ID, 1)
	if err != nil {
		t.Fatal(err)
	}
	if r.Passes || r.Rules != 3 || r.State != service.Draft || r.SHA256 != v.SHA256 || len(r.Faults) != 0 || r.Day != "2026-11-25" {
		t.Errorf("the report is %+v", r)
	}
	if r.Examples.Run != 2 || len(r.Examples.Failed) != 1 || !strings.Contains(r.Examples.Failed[0], "house.brakes is not_met, want met") {
		t.Errorf("examples: %+v", r.Examples)
	}
	if !slices.ContainsFunc(r.Untried, func(s string) bool { return strings.Contains(s, "500 kg has no example at the boundary") }) {
		t.Errorf("untried: %q", r.Untried)
	}
	want := map[string]string{"house.brakes": "edition_or_date", "house.electric": "edition_or_date", "house.air": "clause edition_or_date"}
	for _, c := range r.Citations {
		if strings.Join(c.Missing, " ") != want[c.Rule] {
			t.Errorf("the citation of %s wants %v", c.Rule, c.Missing)
		}
		delete(want, c.Rule)
	}
	if len(want) != 0 {
		t.Errorf("not told: %v", want)
	}
	// Over 2 t both kinds are asked for and nothing pleases both; below 500 kg
	// nobody asks for brakes, from 750 kg on the law does as well.
	if r.Conflicts != 1 || len(r.Survey) != 2 {
		t.Fatalf("%d conflicts in %+v", r.Conflicts, r.Survey)
	}
	brakes, kinds := r.Survey[0], r.Survey[1]
	if brakes.Question != "service_brakes.required" || brakes.Cells != 5 || brakes.Governed != 3 || len(brakes.Open) != 2 || len(brakes.Overlaps) != 1 || brakes.Overlaps[0].Conflict {
		t.Errorf("brakes: %+v", brakes)
	}
	if kinds.Question != "service_brakes.kinds" || len(kinds.Overlaps) != 1 || !kinds.Overlaps[0].Conflict || kinds.Overlaps[0].Where != "trailer.rated.axles > 2000 kg" {
		t.Errorf("kinds: %+v", kinds)
	}

	var failed *service.CheckFailed
	if _, err := d.Approve(ben, v.ID, 1, v.ETag); !errors.As(err, &failed) || failed.Report.Conflicts != 1 || len(failed.Report.Examples.Failed) != 1 {
		t.Errorf("approved: %v", err)
	}
	if now, err := d.RulesetVersion(anna, v.ID, 1); err != nil || now.ETag != v.ETag {
		t.Errorf("it became %+v (%v)", now.Life, err)
	}
	// Each alone keeps it back; what is only for the author to weigh does not.
	for name, c := range map[string]struct {
		edits []string
		fails bool
	}{
		"an example":    {[]string{"house.brakes: not_met", "house.brakes: met"}, true},
		"a bad example": {[]string{"vary: trailer.rated.axles", "vary: trailer.rated.axels"}, true},
		"a conflict": {[]string{"examples:", `  - id: house.a
    says: a
    level: practice
    oblige: {service_brakes: {kinds: [air]}}
    cite: {source: yard-book, how: text}
  - id: house.b
    says: b
    level: practice
    oblige: {service_brakes: {kinds: [surge]}}
    cite: {source: yard-book, how: text}
examples:`}, true},
		"an unknown override": {[]string{"    oblige:", "    overrides: [house.none]\n    oblige:"}, true},
		"nothing":             {[]string{"edition: third, ", "", `clause: "2", `, ""}, false},
	} {
		v, err := d.Redraft(anna, v.ID, 1, "*", house(t, c.edits...))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if r, err := d.Check(anna, v.ID, 1); err != nil || r.Passes == c.fails {
			t.Errorf("%s: %+v (%v)", name, r, err)
		}
	}
	// What ships can be checked, too.
	if r, err := d.Check(anna, "zz-light-trailers", 1); err != nil || !r.Passes || r.State != service.Published {
		t.Errorf("what ships: %+v (%v)", r, err)
	}
}

func TestDraftLimit(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	anna := who(t, saltmarshYard, "anna")
	for i := range service.MaxDrafts {
		if _, err := d.Draft(anna, house(t, "version: 1", fmt.Sprintf("version: %d", i+1))); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := d.Draft(anna, house(t, "version: 1", "version: 200")); !errors.Is(err, service.ErrDrafts) {
		t.Errorf("one more: %v", err)
	}
	if _, err := d.Draft(who(t, tarnValley, "cleo"), []byte(houseText)); err != nil {
		t.Errorf("one tenant's drafts count for another: %v", err)
	}
	// Those that were published are no drafts, and numbers only grow.
	one := func(n int, step func(context.Context, string, int, string) (service.RulesetVersion, error)) error {
		return second(step(who(t, saltmarshYard, "ben"), "house-yard", n, "*"))
	}
	if err := errors.Join(one(50, d.Approve), one(49, d.Approve), one(50, d.Publish)); err != nil {
		t.Fatal(err)
	}
	if err := one(49, d.Publish); !errors.Is(err, service.ErrExists) {
		t.Errorf("an older version is published after a newer: %v", err)
	}
	if _, err := d.Draft(anna, house(t, "version: 1", "version: 200")); err != nil {
		t.Errorf("there is room again: %v", err)
	}
}

func TestCompare(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"), shippedText("2", "1000"))
	anna := who(t, saltmarshYard, "anna")
	c, err := d.Compare(anna, "zz-light-trailers", 2, 1, "", "")
	if err != nil || c.Older != 1 || c.Newer != 2 || len(c.Changed) != 1 || c.Tried == 0 {
		t.Fatalf("%+v (%v)", c, err)
	}
	if !slices.ContainsFunc(c.Changed[0].Differences, func(x compare.Detail) bool { return x.Was == "> 750 kg" && x.Is == "> 1000 kg" }) {
		t.Errorf("the line that moved is not told: %+v", c.Changed)
	}
	if len(c.Rigs) == 0 || c.Rigs[0].Was == c.Rigs[0].Is {
		t.Errorf("rigs: %+v", c.Rigs)
	}
	// A draft can be compared before anybody approves it.
	d.publish(t, saltmarshYard, []byte(houseText))
	if _, err := d.Draft(anna, house(t, "version: 1", "version: 2", "kg(500)", "kg(600)")); err != nil {
		t.Fatal(err)
	}
	if c, err = d.Compare(anna, "house-yard", 1, 2, "", "2026-01-01"); err != nil || len(c.Changed) != 1 {
		t.Errorf("a draft: %+v (%v)", c, err)
	}
	var place *rules.UnknownJurisdiction
	if _, err := d.Compare(anna, "house-yard", 1, 2, "YY", ""); !errors.As(err, &place) {
		t.Errorf("a place without law: %v", err)
	}
	var invalid service.Invalid
	if _, err := d.Compare(anna, "house-yard", 1, 2, "", "2026-02-30"); !errors.As(err, &invalid) {
		t.Errorf("a day that is none: %v", err)
	}
	if _, err := d.Compare(anna, "house-yard", 1, 3, "", ""); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("a version that is not there: %v", err)
	}
}

// TestHouseRulesOfRating can fail a rig, and cover nothing.
func TestHouseRulesOfRating(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	before, was := ask(t, d, who(t, saltmarshYard, "anna"), false)
	text := house(t, "level: practice", "level: rating", "    oblige: {service_brakes: {required: true}}", "    oblige: {service_brakes: {required: true}, breakaway: {required: true}}")
	d.publish(t, saltmarshYard, text)
	after, is := ask(t, d, who(t, saltmarshYard, "anna"), false)
	if before.Verdict != rules.Undetermined || after.Verdict != rules.NonCompliant {
		t.Errorf("the verdict was %s and is %s", before.Verdict, after.Verdict)
	}
	if is.Answers.Breakaway.Covered || !slices.Equal(is.NotCovered, was.NotCovered) || is.Answers.Brakes.Required != was.Answers.Brakes.Required {
		t.Errorf("house rules answer for the law: %+v, was %+v", is.Answers, was.Answers)
	}
}
