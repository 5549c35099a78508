package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"drawgear/service"
)

// registered makes a revision of an entry with all that a revision can hold.
func registered(kind service.EntryKind, id string, revision int) service.Entry {
	return service.Entry{
		Kind: kind, ID: id, Revision: revision, WrittenAt: start.Add(time.Duration(revision) * time.Second), WrittenBy: "somebody",
		Since: start.AddDate(0, 0, revision).Format(time.DateOnly), Yard: "Saltmarsh", Note: fmt.Sprint("revision ", revision),
		Document: fmt.Appendf(nil, `{"b":%d, "a":"\u003c\ud800é"}`, revision),
	}
}

// fittedPart is a part that is fitted to something, or in stock.
func fittedPart(id string, revision int, to service.FittedTo) service.Entry {
	e := registered(service.EntryPart, id, revision)
	e.FittedTo = to
	return e
}

// gone is a revision that removes an entry.
func gone(kind service.EntryKind, id string, revision int) service.Entry {
	e := registered(kind, id, revision)
	e.Removed, e.Document = true, nil
	return e
}

// plainEntries gives entries the forms that compare: one zone, and one kind of
// empty document.
func plainEntries(es []service.Entry) []service.Entry {
	es = slices.Clone(es)
	for i := range es {
		utc(&es[i].WrittenAt)
		if len(es[i].Document) == 0 {
			es[i].Document = nil
		}
	}
	return es
}

func wantEntry(ctx context.Context, t *testing.T, s service.Register, want service.Entry) {
	t.Helper()
	have, err := s.GetEntry(ctx, want.Kind, want.ID)
	must(t, err)
	wantEntries(t, "the entry", []service.Entry{have}, want)
}

func wantEntries(t *testing.T, what string, have []service.Entry, want ...service.Entry) {
	t.Helper()
	if len(have) == 0 && len(want) == 0 {
		return
	}
	same(t, what, plainEntries(have), plainEntries(want))
}

// wantStale looks which entry is named as stale, and with which revision.
func wantStale(t *testing.T, what string, err error, kind service.EntryKind, id string, has int) {
	t.Helper()
	fails(t, what, err, service.ErrStale)
	var stale *service.StaleEntry
	if !errors.As(err, &stale) || *stale != (service.StaleEntry{Kind: kind, ID: id, Has: has}) {
		t.Errorf("%s: the error is %v, want that of %s %s, which has revision %d", what, err, kind, id, has)
	}
}

func registerLife(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	first, second := registered(service.EntryTrailer, "float-7", 1), registered(service.EntryTrailer, "float-7", 2)
	second.Yard, second.Note, second.WrittenBy = "", "", "somebody else"
	must(t, s.PutEntries(a, first))
	wantEntry(a, t, s, first)
	must(t, s.PutEntries(a, second))
	wantEntry(a, t, s, second)

	// The same id of another kind is something else.
	other := registered(service.EntryVehicle, "float-7", 1)
	must(t, s.PutEntries(a, other))
	wantEntry(a, t, s, other)
	wantEntry(a, t, s, second)

	// What is removed is still there to be seen, and can come again.
	removed, again := gone(service.EntryTrailer, "float-7", 3), registered(service.EntryTrailer, "float-7", 4)
	must(t, s.PutEntries(a, removed))
	wantEntry(a, t, s, removed)
	wantStale(t, "a first revision after the last", s.PutEntries(a, first), service.EntryTrailer, "float-7", 3)
	must(t, s.PutEntries(a, again))
	wantEntry(a, t, s, again)
	history := got[[]service.Entry](t)(s.EntryHistory(a, service.EntryTrailer, "float-7", 0, 10))
	wantEntries(t, "the history", history, again, removed, second, first)

	// Nothing is not an error.
	must(t, s.PutEntries(a))

	for _, id := range []string{"", "float-8", "FLOAT-7", "' OR 1=1 --", "\x00", "\xff"} {
		_, err := s.GetEntry(a, service.EntryTrailer, id)
		fails(t, fmt.Sprintf("GetEntry(%q)", id), err, service.ErrNotFound)
		wantEntries(t, "its history", got[[]service.Entry](t)(s.EntryHistory(a, service.EntryTrailer, id, 0, 10)))
	}
	for _, kind := range []service.EntryKind{"", "trailer", service.EntryPart, "\x00"} {
		_, err := s.GetEntry(a, kind, "float-7")
		fails(t, fmt.Sprintf("GetEntry of kind %q", kind), err, service.ErrNotFound)
		wantEntries(t, "its list", got[[]service.Entry](t)(s.ListEntries(a, service.EntryFilter{Kind: kind, Limit: 10})))
	}
}

func registerStale(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	const id = "float-7"
	for _, revision := range []int{-1, 0, 2} {
		wantStale(t, fmt.Sprint("revision ", revision, " of none"), s.PutEntries(a, registered(service.EntryTrailer, id, revision)), service.EntryTrailer, id, 0)
	}
	_, err := s.GetEntry(a, service.EntryTrailer, id)
	fails(t, "GetEntry of what was never written", err, service.ErrNotFound)
	must(t, s.PutEntries(a, registered(service.EntryTrailer, id, 1)))
	must(t, s.PutEntries(a, registered(service.EntryTrailer, id, 2)))
	for _, revision := range []int{-1, 0, 1, 2, 4} {
		wantStale(t, fmt.Sprint("revision ", revision, " after 2"), s.PutEntries(a, registered(service.EntryTrailer, id, revision)), service.EntryTrailer, id, 2)
	}
	wantEntry(a, t, s, registered(service.EntryTrailer, id, 2))
}

// registerWhole: all or none, and the first that is stale is named.
func registerWhole(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	must(t, s.PutEntries(a, registered(service.EntryTrailer, "m", 1)))
	err := s.PutEntries(a,
		registered(service.EntryVehicle, "z", 1), registered(service.EntryTrailer, "m", 2), registered(service.EntryTrailer, "n", 2),
		registered(service.EntryTrailer, "c", 3), registered(service.EntryPart, "a", 1))
	wantStale(t, "several", err, service.EntryTrailer, "n", 0)
	wantEntry(a, t, s, registered(service.EntryTrailer, "m", 1))
	for kind, id := range map[service.EntryKind]string{service.EntryVehicle: "z", service.EntryTrailer: "c", service.EntryPart: "a"} {
		_, err := s.GetEntry(a, kind, id)
		fails(t, "what was not written", err, service.ErrNotFound)
		wantEntries(t, "its list", got[[]service.Entry](t)(s.ListEntries(a, service.EntryFilter{Kind: kind, Limit: 1, After: "m"})))
	}
	wantStale(t, "one revision twice", s.PutEntries(a, registered(service.EntryPart, "a", 1), registered(service.EntryPart, "a", 1)), service.EntryPart, "a", 0)
	wantStale(t, "the second before the first", s.PutEntries(a, registered(service.EntryPart, "a", 2), registered(service.EntryPart, "a", 1)), service.EntryPart, "a", 0)

	// Revisions of one entry may come together if they come in their order.
	must(t, s.PutEntries(a, registered(service.EntryTrailer, "m", 2), registered(service.EntryPart, "a", 1), registered(service.EntryTrailer, "m", 3)))
	wantEntry(a, t, s, registered(service.EntryTrailer, "m", 3))
	wantEntry(a, t, s, registered(service.EntryPart, "a", 1))

	// As many as are written at once.
	var es []service.Entry
	for i := range 500 {
		es = append(es, registered(service.EntryVehicle, fmt.Sprintf("v%03d", 499-i), 1))
	}
	must(t, s.PutEntries(a, es...))
	have := got[[]service.Entry](t)(s.ListEntries(a, service.EntryFilter{Kind: service.EntryVehicle, Limit: 1000}))
	slices.Reverse(es)
	wantEntries(t, "all", have, es...)
}

// registerAtOnce: each revision is written by one of many who try.
func registerAtOnce(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	const writers, each = 8, 5
	var wg sync.WaitGroup
	taken := make(chan string, writers*each)
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				// Write, and if somebody was faster, what follows that. Half of them
				// name two entries in another order, and none may wait for ever.
				next := 1
				for {
					e, f := registered(service.EntryTrailer, "float-7", next), registered(service.EntryVehicle, "tug", next)
					e.WrittenBy, f.WrittenBy = fmt.Sprint(w, " ", i), fmt.Sprint(w, " ", i)
					pair := []service.Entry{e, f}
					if w%2 == 1 {
						slices.Reverse(pair)
					}
					err := s.PutEntries(a, pair...)
					if err == nil {
						taken <- e.WrittenBy
						break
					}
					var stale *service.StaleEntry
					if !errors.As(err, &stale) {
						t.Errorf("PutEntries: %v", err)
						return
					}
					if stale.Has < next {
						t.Errorf("revision %d was refused after %d", next, stale.Has)
						return
					}
					next = stale.Has + 1
				}
			}
		})
	}
	wg.Wait()
	close(taken)
	for kind, id := range map[service.EntryKind]string{service.EntryTrailer: "float-7", service.EntryVehicle: "tug"} {
		history := got[[]service.Entry](t)(s.EntryHistory(a, kind, id, 0, 1000))
		if len(history) != writers*each {
			t.Errorf("%s has %d revisions, want %d", id, len(history), writers*each)
		}
		by := map[string]bool{}
		for i, e := range history {
			if by[e.WrittenBy] = true; e.Revision != len(history)-i {
				t.Errorf("place %d of the history of %s is revision %d", i, id, e.Revision)
			}
		}
		if len(by) != writers*each {
			t.Errorf("%s was written by %d, want each of %d once", id, len(by), writers*each)
		}
	}
	if n := len(taken); n != writers*each {
		t.Errorf("%d were told that they had written, want %d", n, writers*each)
	}
}

// entryIDs lists with a filter and gives the ids.
func entryIDs(ctx context.Context, t *testing.T, s service.Register, f service.EntryFilter) []string {
	t.Helper()
	items, err := s.ListEntries(ctx, f)
	must(t, err)
	var out []string
	for _, e := range items {
		if e.Kind != f.Kind {
			t.Errorf("an entry of the %s is listed among the %s", e.Kind, f.Kind)
		}
		out = append(out, e.ID)
	}
	return out
}

func registerListed(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	trailer, vehicle := service.FittedTo{Kind: service.EntryTrailer, ID: "float-7"}, service.FittedTo{Kind: service.EntryVehicle, ID: "float-7"}
	at := func(yard string, e service.Entry) service.Entry { e.Yard = yard; return e }
	must(t, s.PutEntries(a,
		// In the order of their bytes: - before digits, capitals before the rest, é last.
		at("Saltmarsh", fittedPart("é", 1, trailer)), at("Saltmarsh", fittedPart("b", 1, trailer)), at("Tarn", fittedPart("B", 1, service.FittedTo{})),
		at("Tarn", fittedPart("a-1", 1, trailer)), at("", fittedPart("a1", 1, vehicle)), at("Saltmarsh", fittedPart("a", 1, service.FittedTo{})),
		registered(service.EntryTrailer, "float-7", 1)))
	// Where it is now counts, not where it was.
	must(t, s.PutEntries(a, at("Saltmarsh", fittedPart("a-1", 2, vehicle)), gone(service.EntryPart, "b", 2)))
	for _, tt := range []struct {
		filter service.EntryFilter
		want   []string
	}{
		{service.EntryFilter{}, []string{"B", "a", "a-1", "a1", "é"}},
		{service.EntryFilter{Removed: true}, []string{"B", "a", "a-1", "a1", "b", "é"}},
		{service.EntryFilter{Limit: 2}, []string{"B", "a"}},
		{service.EntryFilter{After: "a"}, []string{"a-1", "a1", "é"}},
		{service.EntryFilter{After: "a0"}, []string{"a1", "é"}},
		{service.EntryFilter{After: "é"}, nil},
		{service.EntryFilter{Yard: "Saltmarsh"}, []string{"a", "a-1", "é"}},
		{service.EntryFilter{Yard: "Saltmarsh", Removed: true}, []string{"a", "a-1", "b", "é"}},
		{service.EntryFilter{Yard: "Saltmarsh", After: "a", Limit: 1}, []string{"a-1"}},
		{service.EntryFilter{Yard: "Tarn"}, []string{"B"}},
		{service.EntryFilter{Yard: "tarn"}, nil},
		{service.EntryFilter{Yard: "\x00"}, nil},
		{service.EntryFilter{FittedTo: trailer}, []string{"é"}},
		{service.EntryFilter{FittedTo: vehicle}, []string{"a-1", "a1"}},
		{service.EntryFilter{FittedTo: vehicle, Yard: "Saltmarsh"}, []string{"a-1"}},
		{service.EntryFilter{FittedTo: vehicle, Removed: true, After: "a-1"}, []string{"a1"}},
		{service.EntryFilter{FittedTo: service.FittedTo{Kind: service.EntryTrailer, ID: "float-8"}}, nil},
		{service.EntryFilter{FittedTo: service.FittedTo{Kind: service.EntryTrailer, ID: "\x00"}}, nil},
	} {
		tt.filter.Kind = service.EntryPart
		if tt.filter.Limit == 0 {
			tt.filter.Limit = 10
		}
		if have := entryIDs(a, t, s, tt.filter); !slices.Equal(have, tt.want) {
			t.Errorf("%+v lists %q, want %q", tt.filter, have, tt.want)
		}
	}
	have := got[[]service.Entry](t)(s.ListEntries(a, service.EntryFilter{Kind: service.EntryPart, After: "a", Limit: 1}))
	wantEntries(t, "the newest revision", have, at("Saltmarsh", fittedPart("a-1", 2, vehicle)))
}

// registerPaged: pages hold together while entries come, change and go.
func registerPaged(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	const entries = 300
	var es []service.Entry
	var want []string
	for i := range entries {
		id := fmt.Sprintf("rig-%03d", i)
		es = append(es, registered(service.EntryPairing, id, 1))
		want = append(want, id)
	}
	for chunk := range slices.Chunk(es, 70) {
		must(t, s.PutEntries(a, chunk...))
	}
	var have []string
	for page := 0; ; page++ {
		f := service.EntryFilter{Kind: service.EntryPairing, Limit: 7}
		if len(have) > 0 {
			f.After = have[len(have)-1]
		}
		ids := entryIDs(a, t, s, f)
		if len(ids) > f.Limit {
			t.Fatalf("a page has %d entries", len(ids))
		}
		have = append(have, ids...)
		if len(ids) < f.Limit {
			break
		}
		if page%10 == 0 { // one that was passed goes, and another comes before it
			must(t, s.PutEntries(a, gone(service.EntryPairing, ids[0], 2), registered(service.EntryPairing, ids[0]+"-b", 1)))
			if f.After < ids[0]+"-b" && ids[0]+"-b" < ids[len(ids)-1] {
				continue // behind the position
			}
			t.Fatal("the entry that came is not behind the position: the test has lost its point")
		}
	}
	equal(t, have, want)
}

func registerHistory(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	const revisions = 40
	var want []service.Entry // newest first
	for n := 1; n <= revisions; n++ {
		e := registered(service.EntryVehicle, "tug", n)
		must(t, s.PutEntries(a, e))
		want = append([]service.Entry{e}, want...)
	}
	must(t, s.PutEntries(a, registered(service.EntryVehicle, "tug-2", 1)))
	var have []service.Entry
	for below := 0; ; {
		page := got[[]service.Entry](t)(s.EntryHistory(a, service.EntryVehicle, "tug", below, 7))
		have = append(have, page...)
		if len(page) < 7 {
			break
		}
		below = page[len(page)-1].Revision
	}
	wantEntries(t, "the history in pages", have, want...)
	for below, n := range map[int]int{1: 0, 2: 1, 3: 2, revisions: revisions - 1, revisions + 1: revisions, revisions + 2: revisions, 1 << 40: revisions} {
		page := got[[]service.Entry](t)(s.EntryHistory(a, service.EntryVehicle, "tug", below, 100))
		wantEntries(t, fmt.Sprint("below ", below), page, want[revisions-n:]...)
	}
}

// registerFitted: what was fitted somewhere is found with all that came after it,
// also when it was moved, mended, removed and put back.
func registerFitted(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	one, two := service.FittedTo{Kind: service.EntryTrailer, ID: "float-1"}, service.FittedTo{Kind: service.EntryTrailer, ID: "float-2"}
	stock := service.FittedTo{}
	lives := map[string][]service.Entry{}
	live := func(id string, places ...service.FittedTo) {
		for i, to := range places {
			e := fittedPart(id, i+1, to)
			must(t, s.PutEntries(a, e))
			lives[id] = append(lives[id], e)
		}
	}
	live("coupling-b", stock, one, one, two, stock, one)
	live("coupling-a", two, stock)
	live("hitch", service.FittedTo{Kind: service.EntryVehicle, ID: "float-1"})
	live("spare", stock)
	live("axle", one)
	scrapped := gone(service.EntryPart, "axle", 2)
	must(t, s.PutEntries(a, scrapped))
	lives["axle"] = append(lives["axle"], scrapped)

	var none []service.Entry
	for _, tt := range []struct {
		to    service.FittedTo
		limit int
		want  []service.Entry
	}{
		{one, 100, slices.Concat(lives["axle"], lives["coupling-b"][1:])},
		{one, 3, slices.Concat(lives["axle"], lives["coupling-b"][1:2])},
		{two, 100, slices.Concat(lives["coupling-a"], lives["coupling-b"][3:])},
		{service.FittedTo{Kind: service.EntryVehicle, ID: "float-1"}, 100, lives["hitch"]},
		{service.FittedTo{Kind: service.EntryTrailer, ID: "float-3"}, 100, none},
		{service.FittedTo{Kind: service.EntryTrailer, ID: "\x00"}, 100, none},
		{stock, 100, none},
	} {
		have := got[[]service.Entry](t)(s.FittedHistory(a, tt.to, tt.limit))
		wantEntries(t, fmt.Sprintf("at most %d fitted to %+v", tt.limit, tt.to), have, tt.want...)
	}
}

// registerPaired: tenants with a pairing that is still there.
func registerPaired(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	want := func(tenants ...string) {
		t.Helper()
		equal(t, got[[]string](t)(s.RegisterTenants(t.Context())), tenants)
	}
	must(t, s.PutEntries(b, registered(service.EntryVehicle, "tug", 1), registered(service.EntryTrailer, "float", 1)))
	want()
	must(t, s.PutEntries(b, registered(service.EntryPairing, "x", 1), registered(service.EntryPairing, "y", 1)))
	want(tenantB)
	must(t, s.PutEntries(a, registered(service.EntryPairing, "x", 1)))
	want(tenantA, tenantB)
	must(t, s.PutEntries(a, gone(service.EntryPairing, "x", 2)))
	must(t, s.PutEntries(b, gone(service.EntryPairing, "x", 2)))
	want(tenantB)
	must(t, s.PutEntries(a, registered(service.EntryPairing, "x", 3)))
	want(tenantA, tenantB)
}

func registerIsolated(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	given := registered(service.EntryTrailer, "float-7", 1)
	must(t, s.PutEntries(a, given))
	for _, look := range []func() service.Entry{
		func() service.Entry { return given },
		func() service.Entry { return got[service.Entry](t)(s.GetEntry(a, service.EntryTrailer, "float-7")) },
		func() service.Entry {
			return got[[]service.Entry](t)(s.EntryHistory(a, service.EntryTrailer, "float-7", 0, 1))[0]
		},
		func() service.Entry {
			return got[[]service.Entry](t)(s.ListEntries(a, service.EntryFilter{Kind: service.EntryTrailer, Limit: 1}))[0]
		},
	} {
		clear(look().Document)
		wantEntry(a, t, s, registered(service.EntryTrailer, "float-7", 1))
	}
}

func tenantsRegister(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	to := service.FittedTo{Kind: service.EntryTrailer, ID: "float"}
	mine := []service.Entry{registered(service.EntryTrailer, "float", 1), fittedPart("coupling", 1, to), registered(service.EntryPairing, "rig", 1)}
	must(t, s.PutEntries(a, mine...))
	for _, e := range mine {
		_, err := s.GetEntry(b, e.Kind, e.ID)
		fails(t, "GetEntry for the other tenant", err, service.ErrNotFound)
		wantEntries(t, "EntryHistory for the other tenant", got[[]service.Entry](t)(s.EntryHistory(b, e.Kind, e.ID, 0, 10)))
		equal(t, entryIDs(b, t, s, service.EntryFilter{Kind: e.Kind, Removed: true, Limit: 10}), nil)
		next := e
		next.Revision = 2
		wantStale(t, "the next revision by the other tenant", s.PutEntries(b, next), e.Kind, e.ID, 0)
	}
	wantEntries(t, "FittedHistory for the other tenant", got[[]service.Entry](t)(s.FittedHistory(b, to, 10)))
	// The same ids for another tenant are others.
	theirs := slices.Clone(mine)
	for i := range theirs {
		theirs[i].Note = "theirs"
	}
	must(t, s.PutEntries(b, theirs...))
	must(t, s.PutEntries(b, gone(service.EntryPart, "coupling", 2)))
	for _, e := range mine {
		wantEntry(a, t, s, e)
	}
	wantEntries(t, "FittedHistory", got[[]service.Entry](t)(s.FittedHistory(a, to, 10)), mine[1])
	if err := s.PutEntries(as(t, nobody), mine[0]); err == nil || errors.Is(err, service.ErrStale) {
		t.Errorf("an entry of a tenant that was never made: %v", err)
	}
}

// registerOnce: a step sees what it wrote, can go on after having been stale, and
// leaves nothing behind if it fails.
func registerOnce(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	must(t, s.PutEntries(a, registered(service.EntryPart, "m", 1)))
	no := errors.New("no")
	step := func(end error) func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		return func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			err := s.PutEntries(ctx, registered(service.EntryPart, "a", 1), registered(service.EntryPart, "m", 3))
			wantStale(t, "a revision too far", err, service.EntryPart, "m", 1)
			must(t, s.PutEntries(ctx, registered(service.EntryPart, "z", 1), registered(service.EntryPart, "m", 2)))
			equal(t, entryIDs(ctx, t, s, service.EntryFilter{Kind: service.EntryPart, Limit: 10}), []string{"m", "z"})
			return service.Reply{Status: 201}, end
		}
	}
	_, _, err := s.Once(a, "k", [32]byte{}, step(no))
	fails(t, "the step", err, no)
	equal(t, entryIDs(a, t, s, service.EntryFilter{Kind: service.EntryPart, Limit: 10}), []string{"m"})
	wantEntry(a, t, s, registered(service.EntryPart, "m", 1))
	_, _, err = s.Once(a, "k", [32]byte{}, step(nil))
	must(t, err)
	equal(t, entryIDs(a, t, s, service.EntryFilter{Kind: service.EntryPart, Limit: 10}), []string{"m", "z"})
	wantEntry(a, t, s, registered(service.EntryPart, "m", 2))
}

// registerGot: the newest of those that are there, once each, removed ones too.
func registerGot(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	v := service.EntryVehicle
	must(t, s.PutEntries(a, registered(v, "b", 1), registered(v, "B", 1), registered(v, "ä", 1), registered(v, "c", 1), registered(service.EntryTrailer, "d", 1)))
	must(t, s.PutEntries(a, registered(v, "b", 2), gone(v, "c", 2)))
	must(t, s.PutEntries(b, registered(v, "e", 1)))
	var many []string
	for n := range 500 {
		many = append(many, fmt.Sprint("none", n))
	}
	for _, tt := range []struct {
		ids  []string
		want []service.Entry
	}{
		{nil, nil},
		{[]string{"none", "", "\x00", "\xff", "' OR 1=1 --", "d", "e"}, nil},
		{[]string{"c", "ä", "b", "b", "B", "none"}, []service.Entry{registered(v, "B", 1), registered(v, "b", 2), gone(v, "c", 2), registered(v, "ä", 1)}},
		{append(many, "ä"), []service.Entry{registered(v, "ä", 1)}},
	} {
		wantEntries(t, fmt.Sprintf("of %d ids", len(tt.ids)), got[[]service.Entry](t)(s.GetEntries(a, v, tt.ids...)), tt.want...)
	}
	wantEntries(t, "of no such kind", got[[]service.Entry](t)(s.GetEntries(a, "boats", "b")))
	clear(got[[]service.Entry](t)(s.GetEntries(a, v, "b"))[0].Document)
	wantEntry(a, t, s, registered(v, "b", 2))
}
