package service_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/service"
)

func TestSnapshotsShareWhatIsTheSame(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	book := func(tenant string) *rules.Book {
		t.Helper()
		b, err := d.snapshots.BookOf(who(t, tenant, "anna"))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	shared := book(tarnValley)
	if shared != book(saltmarshYard) {
		t.Error("tenants without rulesets have books of their own")
	}
	d.publish(t, saltmarshYard, []byte(houseText))
	own := book(saltmarshYard)
	if own == shared || book(tarnValley) != shared {
		t.Error("one tenant's rulesets changed another's book, or not its own")
	}
	// The same text of another tenant is not compiled again.
	compiled := d.snapshots.Compiled()
	d.publish(t, tarnValley, []byte(houseText))
	if n := d.snapshots.Compiled(); n != compiled || compiled != 2 {
		t.Errorf("%d texts were compiled, then %d, want 2", compiled, n)
	}
	if book(saltmarshYard) != own || book(tarnValley) == own {
		t.Error("one tenant's publication linked another's book again, or they share house rules")
	}
}

// TestTwoReplicas: what is published on one answers on the other.
func TestTwoReplicas(t *testing.T) {
	store := memory.New(0)
	one, two := newDesk(t, store, shippedText("1", "750")), newDesk(t, store, shippedText("1", "750"))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); two.snapshots.Run(ctx) }()
	anna := who(t, saltmarshYard, "anna")
	v := one.publish(t, saltmarshYard, []byte(houseText))
	eventually(t, "the publication", func() bool { _, a := ask(t, two, anna, false); return statusOf(a, "house.brakes") == rules.NotMet })
	if _, err := one.Withdraw(who(t, saltmarshYard, "ben"), v.ID, 1, v.ETag, "not wanted"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the withdrawal", func() bool { _, a := ask(t, two, anna, false); return statusOf(a, "house.brakes") == "" })
	cancel()
	select {
	case <-done:
	case <-time.After(5 * time.Second):
		t.Error("it goes on when it should end")
	}
}

func eventually(t *testing.T, what string, there func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if there() {
			return
		}
	}
	t.Errorf("%s was not there after a minute", what)
}

// moody is a store of versions that can be away, can lie, and may not tell.
type moody struct {
	service.FullStore
	away atomic.Bool
	mute bool
	lie  func([]service.Version) // changes what is loaded
}

func (m *moody) gone() error {
	if m.away.Load() {
		return fmt.Errorf("moody: %w", service.ErrUnavailable)
	}
	return nil
}

func (m *moody) ImportVersions(ctx context.Context, vs []service.Version) error {
	if err := m.gone(); err != nil {
		return err
	}
	return m.FullStore.ImportVersions(ctx, vs)
}

func (m *moody) GetVersion(ctx context.Context, id string, n int) (service.Version, error) {
	if err := m.gone(); err != nil {
		return service.Version{}, err
	}
	return m.FullStore.GetVersion(ctx, id, n)
}

func (m *moody) ListVersions(ctx context.Context) ([]service.Version, error) {
	if err := m.gone(); err != nil {
		return nil, err
	}
	return m.FullStore.ListVersions(ctx)
}

func (m *moody) LoadVersions(ctx context.Context) ([]service.Version, string, error) {
	if err := m.gone(); err != nil {
		return nil, "", err
	}
	vs, mark, err := m.FullStore.LoadVersions(ctx)
	if m.lie != nil {
		m.lie(vs)
		mark += " and a lie"
	}
	return vs, mark, err
}

func (m *moody) WatchVersions(ctx context.Context, changed func()) error {
	if m.mute {
		return errors.New("moody: not today")
	}
	return m.FullStore.WatchVersions(ctx, changed)
}

// TestPolling: a store that does not tell is asked.
func TestPolling(t *testing.T) {
	store := memory.New(0)
	one, two := newDesk(t, store, shippedText("1", "750")), newDesk(t, &moody{FullStore: store, mute: true}, shippedText("1", "750"))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); two.snapshots.Run(ctx) }()
	one.publish(t, saltmarshYard, []byte(houseText))
	eventually(t, "the publication", func() bool {
		_, a := ask(t, two, who(t, saltmarshYard, "anna"), false)
		return statusOf(a, "house.brakes") == rules.NotMet
	})
	cancel()
	<-done
}

// TestLawWithStoreAway: the law of before goes on answering, from the first start on,
// and the ready page says what is wanting.
func TestLawWithStoreAway(t *testing.T) {
	store := &moody{FullStore: memory.New(0)}
	store.away.Store(true)
	d := newDesk(t, store, shippedText("1", "750"))
	anna := who(t, saltmarshYard, "anna")
	if _, a := ask(t, d, anna, false); len(a.Rulesets) != 1 {
		t.Errorf("started without the store it answers by %+v", a.Rulesets)
	}
	if r := d.Ready(anna); r.Held.Fault == "" || r.Held.Rulesets != 1 || !r.Held.AskedAt.IsZero() {
		t.Errorf("ready is %+v", r)
	}
	store.away.Store(false)
	if err := d.snapshots.Refresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	d.publish(t, saltmarshYard, []byte(houseText))
	if r := d.Ready(anna); r.Held.Fault != "" || r.Held.AskedAt.IsZero() {
		t.Errorf("ready is %+v", r)
	}
	kept, _ := ask(t, d, anna, true)

	store.away.Store(true)
	if err := d.snapshots.Refresh(t.Context()); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("refreshed from nowhere: %v", err)
	}
	if _, a := ask(t, d, anna, false); statusOf(a, "house.brakes") != rules.NotMet {
		t.Error("the law of before does not answer")
	}
	if again, err := d.Replay(anna, kept.ID); err != nil || !again.Same {
		t.Errorf("replay: %v (%v)", again.Same, err)
	}
	if v, err := d.RulesetVersion(anna, "house-yard", 1); err != nil || v.PublishedBy != "ben" {
		t.Errorf("a version reads as %+v (%v)", v.Life, err)
	}
	if page, err := d.Rulesets(anna); err != nil || len(page.Items) != 2 {
		t.Errorf("rulesets are %+v (%v)", page.Items, err)
	}
	for name, err := range map[string]error{
		"draft":   second(d.Draft(anna, house(t, "version: 1", "version: 2"))),
		"check":   second(d.Check(anna, "house-yard", 1)),
		"approve": second(d.Approve(anna, "house-yard", 1, "*")),
	} {
		if !errors.Is(err, service.ErrUnavailable) {
			t.Errorf("%s with the store away: %v", name, err)
		}
	}
	d.clock.Add(60)
	if _, err := d.AssessKnown(anna, []byte(unbraked), noon.Add(50*time.Second), false); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("what was known a moment ago cannot be said, and was: %v", err)
	}
}

var discard = slog.New(slog.DiscardHandler)

// edited is a lie about the versions of a tenant.
func edited(tenant string, edit func(v *service.Version)) func([]service.Version) {
	return func(vs []service.Version) {
		for i := range vs {
			if vs[i].Tenant == tenant {
				edit(&vs[i])
			}
		}
	}
}

func forge(v *service.Version) {
	v.Document = bytes.Replace(v.Document, []byte("kg("), []byte("kg(1"), 1)
	v.SHA256 = strings.Repeat("0", 64)
}

// instead puts another text, which is told by its own digest.
func instead(t *testing.T, document []byte) func(v *service.Version) {
	t.Helper()
	rs, err := law.Parse(document)
	if err != nil {
		t.Fatal(err)
	}
	return func(v *service.Version) { v.Document, v.SHA256 = document, rs.SHA256 }
}

// TestBadLibrary: what ships and cannot be read never replaces what could.
func TestBadLibrary(t *testing.T) {
	store := &moody{FullStore: memory.New(0)}
	d := newDesk(t, store, shippedText("1", "750"))
	anna := who(t, saltmarshYard, "anna")
	store.lie = edited("", forge)
	if err := d.snapshots.Refresh(t.Context()); err == nil {
		t.Error("another law than was shipped was taken")
	}
	if _, a := ask(t, d, anna, false); len(a.Rulesets) != 1 {
		t.Errorf("it answers by %+v", a.Rulesets)
	}
	if r := d.Ready(anna); r.Held.Fault == "" || !strings.Contains(d.log.String(), "not the one that was published") {
		t.Errorf("ready is %+v, the log says %s", r, d.log)
	}
	before := d.log.Len()
	if err := d.snapshots.Refresh(t.Context()); err == nil || d.log.Len() != before {
		t.Errorf("it is logged again and again: %s", d.log)
	}
	store.lie = nil
	if err := d.snapshots.Refresh(t.Context()); err != nil || d.Ready(anna).Held.Fault != "" {
		t.Errorf("when all is well again: %v", err)
	}
}

// TestBadTenant: somebody wrote past the service. One tenant's fault is no
// other's, and its own law of before answers.
func TestBadTenant(t *testing.T) {
	for name, edit := range map[string]func(v *service.Version){
		"forged":     forge,
		"relaxed":    instead(t, house(t, "level: practice", "level: law", "required: true", "required: false")),
		"not linked": instead(t, house(t, "[zz-light-trailers]", "[house-gone]")),
		"broken":     func(v *service.Version) { v.Document, v.SHA256 = []byte("{"), strings.Repeat("1", 64) },
	} {
		t.Run(name, func(t *testing.T) {
			store := &moody{FullStore: memory.New(0)}
			d := newDesk(t, store, shippedText("1", "750"))
			anna, cleo := who(t, saltmarshYard, "anna"), who(t, tarnValley, "cleo")
			d.publish(t, saltmarshYard, []byte(houseText))
			answers := func(d desk, ctx context.Context) bool {
				_, a := ask(t, d, ctx, false)
				return statusOf(a, "house.brakes") == rules.NotMet
			}
			store.lie = edited(saltmarshYard, edit)
			d.publish(t, tarnValley, []byte(houseText))
			if !answers(d, anna) {
				t.Error("the law of before does not answer any more")
			}
			if !answers(d, cleo) {
				t.Error("one tenant's fault kept back another's publication")
			}
			if r := d.Ready(anna); r.Held.Fault == "" || strings.Contains(r.Held.Fault, saltmarshYard) || !strings.Contains(d.log.String(), saltmarshYard) {
				t.Errorf("ready is %+v, the log says %s", r, d.log)
			}
			// A replica that starts now has no law of before for that tenant: it says so
			// rather than leave out what is stricter.
			late := newDesk(t, store, shippedText("1", "750"))
			if _, err := late.Assess(anna, []byte(unbraked), false); !errors.Is(err, service.ErrRulesetUnavailable) {
				t.Errorf("answered without house rules: %v", err)
			}
			if !answers(late, cleo) {
				t.Error("a late replica does not answer another tenant")
			}
			store.lie = nil
			for _, d := range []desk{d, late} {
				if err := d.snapshots.Refresh(t.Context()); err != nil || !answers(d, anna) || d.Ready(anna).Held.Fault != "" {
					t.Errorf("when all is well again: %v, %+v", err, d.Ready(anna))
				}
			}
		})
	}
}

// TestStartAgain: what ships is imported once; a new version is added, and
// another text under an old number is refused.
func TestStartAgain(t *testing.T) {
	store := memory.New(0)
	d := newDesk(t, store, shippedText("1", "750"))
	d.publish(t, saltmarshYard, []byte(houseText))
	anna := who(t, saltmarshYard, "anna")
	d = newDesk(t, store, shippedText("1", "750"), shippedText("2", "500"))
	rs, err := d.Ruleset(anna, "zz-light-trailers")
	if err != nil || len(rs.Versions) != 2 {
		t.Errorf("after an upgrade there are %+v (%v)", rs, err)
	}
	if _, a := ask(t, d, anna, false); statusOf(a, "house.brakes") != rules.NotMet || statusOf(a, "zz.brakes") != rules.NotMet {
		t.Error("after an upgrade the new law or the house rules do not answer")
	}
	if err := service.NewSnapshots(store, discard, at(noon)).Start(t.Context(), [][]byte{shippedText("1", "800")}); err == nil {
		t.Error("a published version got another text")
	}
	if err := service.NewSnapshots(store, discard, at(noon)).Start(t.Context(), [][]byte{[]byte("ruleset: x")}); err == nil {
		t.Error("what does not compile ships")
	}
}

func TestKnownAt(t *testing.T) {
	d := newDesk(t, memory.New(0), shippedText("1", "750"))
	anna := who(t, saltmarshYard, "anna")
	d.clock.Add(10)
	one := d.publish(t, saltmarshYard, []byte(houseText)) // at 11
	d.clock.Add(9)
	d.publish(t, saltmarshYard, house(t, "version: 1", "version: 2", "kg(500)", "kg(700)", // at 21
		"      - {at: 500.001 kg, expect: {findings: {house.brakes: not_met}}}\n", ""))
	d.clock.Add(9)
	if _, err := d.Withdraw(who(t, saltmarshYard, "ben"), "house-yard", 1, "*", "there is a newer one"); err != nil { // at 30
		t.Fatal(err)
	}
	d.clock.Add(30)
	after := func(seconds float64) time.Time { return noon.Add(time.Duration(seconds * float64(time.Second))) }
	for seconds, want := range map[float64]rules.Status{1: "", 10.9: "", 11: rules.NotMet, 20: rules.NotMet, 21: rules.NotApplicable, 29: rules.NotApplicable, 59: rules.NotApplicable} {
		a, err := d.AssessKnown(anna, []byte(unbraked), after(seconds), false)
		if err != nil {
			t.Fatal(err)
		}
		if got := statusOf(answer(t, a), "house.brakes"); got != want {
			t.Errorf("as known after %v s: %q, want %q", seconds, got, want)
		}
		if !a.KnownAt.Equal(after(seconds).Truncate(time.Microsecond)) {
			t.Errorf("asked for %v s it says %v", seconds, a.KnownAt)
		}
	}
	// Four sets of versions were known, however many times are asked for.
	if n := d.snapshots.PastBooks(); n != 4 {
		t.Errorf("%d books of former times are kept, want 4", n)
	}
	kept, err := d.AssessKnown(anna, []byte(unbraked), after(15), true)
	if err != nil {
		t.Fatal(err)
	}
	if refs := answer(t, kept).Rulesets; len(refs) != 2 || refs[1].SHA256 != one.SHA256 {
		t.Errorf("answered by %+v", refs)
	}
	read, err := d.Get(anna, kept.ID)
	if err != nil || !read.KnownAt.Equal(kept.KnownAt) || kept.KnownAt.IsZero() {
		t.Errorf("it reads as known at %v (%v), want %v", read.KnownAt, err, kept.KnownAt)
	}
	if line, err := read.Encode(); err != nil || !bytes.Contains(line, []byte(`"known_at":"2026-11-25T12:00:15.999999Z"`)) {
		t.Errorf("it is written as %s (%v)", line, err)
	}
	if again, err := d.Replay(anna, kept.ID); err != nil || !again.Same {
		t.Errorf("replayed: %v (%v)", again.Same, err)
	}
	var place *rules.UnknownJurisdiction
	if _, err := d.AssessKnown(anna, []byte(unbraked), after(-3600), false); !errors.As(err, &place) {
		t.Errorf("before anything was published: %v", err)
	}
	if _, err := d.AssessKnown(anna, []byte(unbraked), after(61), false); !errors.Is(err, service.ErrNotYet) {
		t.Errorf("what will be known: %v", err)
	}
}

// TestKnownAtElsewhere: a replica that has not heard yet of a publication does
// not answer as if there had been none.
func TestKnownAtElsewhere(t *testing.T) {
	store := memory.New(0)
	one, two := newDesk(t, store, shippedText("1", "750")), newDesk(t, store, shippedText("1", "750"))
	one.publish(t, saltmarshYard, []byte(houseText)) // at 1
	two.clock.Add(5)
	anna := who(t, saltmarshYard, "anna")
	if _, a := ask(t, two, anna, false); statusOf(a, "house.brakes") != "" {
		t.Fatal("it has heard of it already")
	}
	a, err := two.AssessKnown(anna, []byte(unbraked), noon.Add(3*time.Second), false)
	if err != nil || statusOf(answer(t, a), "house.brakes") != rules.NotMet {
		t.Errorf("as known when it was published elsewhere: %v", err)
	}
}
