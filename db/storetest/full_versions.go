package storetest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"drawgear/service"
)

// draft makes a version as its author hands it in.
func draft(ruleset string, number int) service.Version {
	document := fmt.Appendf(nil, "ruleset: %s\nversion: %d # \u00e9\r\n", ruleset, number)
	return service.Version{
		Tenant: tenantA, Ruleset: ruleset, Number: number, Jurisdiction: "AU-NSW", Title: "Rules of the house",
		State: service.Draft, Document: document, SHA256: sha(document), AuthoredBy: "first", CreatedAt: start,
	}
}

// shipped makes a version as it comes with the program.
func shipped(ruleset string, number int) service.Version {
	v := draft(ruleset, number)
	v.Tenant, v.State, v.AuthoredBy = "", service.Published, "the library"
	v.PublishedBy, v.PublishedAt = "the library", start.Add(time.Minute)
	return v
}

// steps are the moves of a life, in order.
var steps = []service.Version{
	{State: service.Approved, ApprovedBy: "second"},
	{State: service.Published, PublishedBy: "third", PublishedAt: start.Add(time.Hour + time.Microsecond)},
	{State: service.Withdrawn, WithdrawnAt: start.Add(2 * time.Hour), Reason: "It was “wrong”."},
}

func plain(v service.Version) service.Version {
	utc(&v.CreatedAt, &v.PublishedAt, &v.WithdrawnAt)
	return v
}

func getVersion(t *testing.T, s service.FullStore, ctx context.Context, id string, number int) service.Version {
	t.Helper()
	return plain(got[service.Version](t)(s.GetVersion(ctx, id, number)))
}

func putDraft(t *testing.T, s service.FullStore, ctx context.Context, v service.Version) service.Version {
	t.Helper()
	must(t, s.PutDraft(ctx, v, ""))
	return getVersion(t, s, ctx, v.Ruleset, v.Number)
}

// step takes a version one step on.
func step(t *testing.T, s service.FullStore, ctx context.Context, v service.Version) service.Version {
	t.Helper()
	to := steps[slices.Index([]service.State{service.Draft, service.Approved, service.Published}, v.State)]
	must(t, s.Move(ctx, v.Ruleset, v.Number, v.ETag(), v.State, to))
	return getVersion(t, s, ctx, v.Ruleset, v.Number)
}

func publish(t *testing.T, s service.FullStore, ctx context.Context, v service.Version) service.Version {
	t.Helper()
	return step(t, s, ctx, step(t, s, ctx, putDraft(t, s, ctx, v)))
}

// load gives what LoadVersions gives, in an order of its own.
func load(t *testing.T, s service.FullStore) ([]service.Version, string) {
	t.Helper()
	vs, mark, err := s.LoadVersions(t.Context())
	must(t, err)
	for i := range vs {
		vs[i] = plain(vs[i])
	}
	slices.SortFunc(vs, func(a, b service.Version) int {
		return cmp.Or(cmp.Compare(a.Ruleset, b.Ruleset), cmp.Compare(a.Number, b.Number), cmp.Compare(a.Tenant, b.Tenant))
	})
	return vs, mark
}

func versionsImported(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	must(t, s.ImportVersions(t.Context(), nil))
	must(t, s.ImportVersions(t.Context(), []service.Version{shipped("x", 1), shipped("y", 1)}))
	// Whoever imports, and in whatever state it is said to be: it is shipped.
	odd := shipped("x", 2)
	odd.Tenant, odd.State = tenantA, service.Draft
	later := shipped("y", 1)
	later.Document = append(later.Document, "# a comment, which is no part of the canonical form\n"...)
	later.PublishedAt = start.Add(time.Hour)
	must(t, s.ImportVersions(a, []service.Version{shipped("x", 1), odd, later}))
	all := []service.Version{shipped("x", 1), shipped("x", 2), shipped("y", 1)}
	vs, _ := load(t, s)
	same(t, "the versions loaded", vs, all)
	for _, want := range all {
		for _, ctx := range []context.Context{a, as(t, tenantB)} {
			same(t, "the version", getVersion(t, s, ctx, want.Ruleset, want.Number), want)
		}
	}
	// What was handed in and out is the caller's.
	given := shipped("z", 1)
	must(t, s.ImportVersions(t.Context(), []service.Version{given}))
	clear(given.Document)
	clear(getVersion(t, s, a, "z", 1).Document)
	vs, _ = load(t, s)
	clear(vs[3].Document)
	same(t, "the version", getVersion(t, s, a, "z", 1), shipped("z", 1))
	_, err := s.GetVersion(a, "z", 2)
	fails(t, "GetVersion of none", err, service.ErrNotFound)
}

func versionsImportedWhole(t *testing.T, s service.FullStore) {
	must(t, s.ImportVersions(t.Context(), []service.Version{shipped("x", 1)}))
	before, mark := load(t, s)
	other := shipped("x", 1)
	other.Document = []byte("another text")
	other.SHA256 = sha(other.Document)
	for name, vs := range map[string][]service.Version{
		"another text than there is": {shipped("y", 1), other},
		"two texts of one version":   {shipped("y", 1), differ(shipped("y", 1))},
	} {
		if err := s.ImportVersions(t.Context(), vs); err == nil || errors.Is(err, service.ErrUnavailable) {
			t.Errorf("%s: the error is %v, want one", name, err)
		}
		after, later := load(t, s)
		same(t, name+": the versions after it failed", after, before)
		same(t, name+": the mark", later, mark)
	}
}

// differ gives a version another text.
func differ(v service.Version) service.Version {
	v.Document = append(slices.Clone(v.Document), "title: other\n"...)
	v.SHA256 = sha(v.Document)
	return v
}

func versionsImportedBeside(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	mine := differ(draft("x", 1))
	mine = putDraft(t, s, a, mine)
	public := publish(t, s, a, differ(draft("x", 2)))
	must(t, s.ImportVersions(t.Context(), []service.Version{shipped("x", 1), shipped("x", 2)}))
	same(t, "the tenant's draft", getVersion(t, s, a, "x", 1), mine)
	same(t, "the tenant's version", getVersion(t, s, a, "x", 2), public)
	same(t, "what others see", getVersion(t, s, b, "x", 1), shipped("x", 1))
	same(t, "what others see", getVersion(t, s, b, "x", 2), shipped("x", 2))
	vs, _ := load(t, s)
	same(t, "the versions loaded", vs, []service.Version{shipped("x", 1), shipped("x", 2), public})
	// The tenant's own is still the tenant's to move.
	step(t, s, a, mine)
}

func versionsDrafted(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	given := draft("x", 1)
	// A draft holds nothing of what comes later, whatever is said.
	given.Tenant, given.State, given.ApprovedBy, given.PublishedBy = tenantB, service.Published, "x", "x"
	given.PublishedAt, given.WithdrawnAt, given.Reason = start, start, "x"
	first := putDraft(t, s, a, given)
	same(t, "the draft", first, draft("x", 1))
	clear(given.Document)
	clear(getVersion(t, s, a, "x", 1).Document)
	same(t, "the draft", getVersion(t, s, a, "x", 1), draft("x", 1))

	next := differ(draft("x", 1))
	next.Title, next.Jurisdiction, next.AuthoredBy, next.CreatedAt = "Anew", "AU-VIC", "another", start.Add(time.Second)
	for _, tag := range []string{"", `"0"`, next.ETag(), first.ETag()[1:]} {
		fails(t, "PutDraft for tag "+tag, s.PutDraft(a, next, tag), service.ErrStale)
	}
	fails(t, "PutDraft over none", s.PutDraft(a, draft("x", 2), first.ETag()), service.ErrStale)
	_, err := s.GetVersion(a, "x", 2)
	fails(t, "GetVersion of what was refused", err, service.ErrNotFound)
	same(t, "the draft that was not replaced", getVersion(t, s, a, "x", 1), first)

	// Replaced whole: who wrote the text that stands is its author.
	must(t, s.PutDraft(a, next, first.ETag()))
	second := getVersion(t, s, a, "x", 1)
	same(t, "the draft replaced", second, next)
	fails(t, "PutDraft twice for one tag", s.PutDraft(a, draft("x", 1), first.ETag()), service.ErrStale)
	// A new comment is a new text, although the canonical form is the same.
	next.Document, next.CreatedAt = append(next.Document, "# more\n"...), start.Add(2*time.Second)
	must(t, s.PutDraft(a, next, second.ETag()))
	third := getVersion(t, s, a, "x", 1)
	same(t, "the draft replaced again", third, next)
	if third.ETag() == second.ETag() {
		t.Error("a replaced draft has the ETag of the one before")
	}
	vs, _ := load(t, s)
	same(t, "the versions loaded", vs, nil)
}

func versionsMoved(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	beside := putDraft(t, s, a, draft("x", 2))
	want := putDraft(t, s, a, draft("x", 1))
	tags := []string{want.ETag()}
	for i, to := range steps {
		// Only what belongs to the step is taken.
		given := service.Version{
			Tenant: tenantB, Ruleset: "y", Number: 9, Title: "x", Document: []byte("x"), SHA256: sha(nil), AuthoredBy: "x",
			ApprovedBy: "x", PublishedBy: "x", CreatedAt: start.Add(-time.Hour), PublishedAt: start.Add(-time.Hour),
			WithdrawnAt: start.Add(-time.Hour), Reason: "x", State: to.State,
		}
		switch i {
		case 0:
			want.State, want.ApprovedBy = to.State, to.ApprovedBy
			given.ApprovedBy = to.ApprovedBy
		case 1:
			want.State, want.PublishedBy, want.PublishedAt = to.State, to.PublishedBy, to.PublishedAt
			given.PublishedBy, given.PublishedAt = to.PublishedBy, to.PublishedAt
		case 2:
			want.State, want.WithdrawnAt, want.Reason = to.State, to.WithdrawnAt, to.Reason
			given.WithdrawnAt, given.Reason = to.WithdrawnAt, to.Reason
		}
		must(t, s.Move(a, "x", 1, tags[i], []service.State{service.Draft, service.Approved, service.Published}[i], given))
		have := getVersion(t, s, a, "x", 1)
		same(t, "the version", have, want)
		if slices.Contains(tags, have.ETag()) {
			t.Errorf("%s, it has the ETag of a state before", have.State)
		}
		tags = append(tags, have.ETag())
	}
	same(t, "the version beside", getVersion(t, s, a, "x", 2), beside)
	fails(t, "Move of none", s.Move(a, "x", 3, tags[0], service.Draft, steps[0]), service.ErrNotFound)
}

// versionsMisled tries, at each state, all pairs of states but the one that is
// a step, and the right step for a tag that is not the version's.
func versionsMisled(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	v := putDraft(t, s, a, draft("x", 1))
	states := []service.State{service.Draft, service.Approved, service.Published, service.Withdrawn, ""}
	stale := `"00000000000000000000000000000000"`
	for at, is := range states[:4] {
		for _, from := range states {
			for _, to := range states {
				if from == is && at < len(steps) && to == steps[at].State {
					for _, tag := range []string{stale, ""} {
						fails(t, fmt.Sprintf("%s to %s for another tag", from, to), s.Move(a, "x", 1, tag, from, steps[at]), service.ErrStale)
					}
					continue
				}
				given := service.Version{
					State: to, ApprovedBy: "second", PublishedBy: "third", PublishedAt: start.Add(time.Hour),
					WithdrawnAt: start.Add(2 * time.Hour), Reason: "a reason",
				}
				fails(t, fmt.Sprintf("while %s, %s to %s", is, from, to), s.Move(a, "x", 1, v.ETag(), from, given), service.ErrState)
			}
		}
		same(t, "the version after all that", getVersion(t, s, a, "x", 1), v)
		if at < len(steps) {
			before := v.ETag()
			v = step(t, s, a, v)
			fails(t, "Move for the tag before", s.Move(a, "x", 1, before, v.State, service.Version{State: v.State.Next()}), service.ErrStale)
		}
	}
}

func versionsFixed(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	v := putDraft(t, s, a, draft("x", 1))
	for range steps {
		v = step(t, s, a, v)
		fails(t, "PutDraft while "+string(v.State), s.PutDraft(a, differ(draft("x", 1)), v.ETag()), service.ErrState)
		fails(t, "PutDraft while "+string(v.State), s.PutDraft(a, differ(draft("x", 1)), ""), service.ErrStale)
		same(t, "the version after that", getVersion(t, s, a, "x", 1), v)
		same(t, "its text", string(v.Document), string(draft("x", 1).Document))
	}
}

func versionsListed(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	same(t, "the list of an empty store", got[[]service.Version](t)(s.ListVersions(a)), nil)
	for _, v := range []service.Version{draft("b", 10), draft("b", 2), draft("a-b", 1), draft("ab", 1)} {
		putDraft(t, s, a, v)
	}
	publish(t, s, a, draft("b", 3))
	must(t, s.ImportVersions(t.Context(), []service.Version{shipped("b", 1), shipped("a", 7)}))
	list := got[[]service.Version](t)(s.ListVersions(a))
	var names []string
	for _, v := range list {
		names = append(names, fmt.Sprint(v.Ruleset, " ", v.Number))
		want := getVersion(t, s, a, v.Ruleset, v.Number)
		if want.ETag() != v.ETag() {
			t.Errorf("%s has another ETag in the list", names[len(names)-1])
		}
		want.Document = nil
		same(t, "listed", plain(v), want)
	}
	same(t, "the order", names, []string{"a 7", "a-b 1", "ab 1", "b 1", "b 2", "b 3", "b 10"})
}

func versionsLoaded(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	vs, _ := load(t, s)
	same(t, "loaded from an empty store", vs, nil)
	putDraft(t, s, a, draft("x", 1))
	step(t, s, a, putDraft(t, s, a, draft("x", 2)))
	mine := publish(t, s, a, draft("x", 3))
	theirs := publish(t, s, b, draft("x", 3))
	gone := step(t, s, b, publish(t, s, b, draft("x", 4)))
	must(t, s.ImportVersions(t.Context(), []service.Version{shipped("a", 1)}))
	vs, _ = load(t, s)
	same(t, "the versions loaded", vs, []service.Version{shipped("a", 1), mine, theirs, gone})
}

// versionsMarked: the mark changes with what is published, with nothing else,
// and never comes back.
func versionsMarked(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	var v service.Version
	seen := map[string]string{}
	_, mark := load(t, s)
	for _, event := range []struct {
		name    string
		changes bool
		do      func()
	}{
		{"an import", true, func() { must(t, s.ImportVersions(t.Context(), []service.Version{shipped("a", 1)})) }},
		{"an import of nothing new", false, func() { must(t, s.ImportVersions(t.Context(), []service.Version{shipped("a", 1)})) }},
		{"a draft", false, func() { v = putDraft(t, s, a, draft("x", 1)) }},
		{"a replaced draft", false, func() {
			must(t, s.PutDraft(a, differ(v), v.ETag()))
			v = getVersion(t, s, a, "x", 1)
		}},
		{"an approval", false, func() { v = step(t, s, a, v) }},
		{"a publication", true, func() { v = step(t, s, a, v) }},
		{"a refused move", false, func() {
			fails(t, "Move", s.Move(a, "x", 1, v.ETag(), service.Draft, steps[0]), service.ErrState)
		}},
		{"a withdrawal", true, func() { v = step(t, s, a, v) }},
		{"a record", false, func() { must(t, s.Put(a, record(1))) }},
		{"a key", false, func() { must(t, s.PutKey(a, key(1))) }},
		{"another tenant's publication", true, func() { publish(t, s, as(t, tenantB), draft("x", 1)) }},
		{"a second import", true, func() { must(t, s.ImportVersions(t.Context(), []service.Version{shipped("a", 2)})) }},
	} {
		seen[mark] = event.name
		event.do()
		_, next := load(t, s)
		if changed := next != mark; changed != event.changes {
			t.Errorf("%s changes the mark: %v, want %v", event.name, changed, event.changes)
		}
		if before, back := seen[next]; back && next != mark {
			t.Errorf("after %s the mark is that from before %s", event.name, before)
		}
		mark = next
	}
}

// versionsWatched: whoever loads when told misses nothing.
func versionsWatched(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	told, ended := make(chan string, 1000), make(chan error, 1)
	go func() {
		ended <- s.WatchVersions(ctx, func() {
			_, mark, err := s.LoadVersions(t.Context())
			if err != nil {
				t.Errorf("load when told: %v", err)
			}
			told <- mark
		})
	}()
	// hears waits until somebody who was told has loaded what there is now.
	hears := func(wait time.Duration) bool {
		_, now := load(t, s)
		for late := time.After(wait); ; {
			select {
			case mark := <-told:
				if mark == now {
					return true
				}
			case <-late:
				return false
			}
		}
	}
	// It takes a while until the watch is kept.
	var v service.Version
	for n := 1; ; n++ {
		if v = publish(t, s, a, draft("x", n)); hears(100 * time.Millisecond) {
			break
		}
		if n == 100 {
			t.Fatal("nobody was told of a hundred publications")
		}
	}
	for name, change := range map[string]func(){
		"a publication": func() { publish(t, s, as(t, tenantB), draft("x", 1)) },
		"a withdrawal":  func() { step(t, s, a, v) },
		"an import":     func() { must(t, s.ImportVersions(t.Context(), []service.Version{shipped("a", 1)})) },
	} {
		change()
		if !hears(10 * time.Second) {
			t.Errorf("nobody was told of %s", name)
		}
	}
	cancel()
	select {
	case err := <-ended:
		fails(t, "WatchVersions after its context", err, context.Canceled)
	case <-time.After(10 * time.Second):
		t.Fatal("WatchVersions goes on after its context has ended")
	}
	for len(told) > 0 {
		<-told
	}
	publish(t, s, a, draft("y", 1))
	if hears(50 * time.Millisecond) {
		t.Error("somebody was told after the context had ended")
	}
}
