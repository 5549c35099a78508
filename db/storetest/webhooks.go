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

// hook makes the n-th webhook, a second younger than the one before.
func hook(n, revision int) service.Webhook {
	return service.Webhook{
		ID: fmt.Sprint("HOOK", n), Revision: revision, CreatedAt: start.Add(time.Duration(n) * time.Second), CreatedBy: "somebody",
		URL: fmt.Sprint("https://yard.example/hook/", n, "/", revision), Events: []service.EventType{service.EventAuditEnded, service.EventLawChanged},
		Paused: revision%2 == 0, Note: fmt.Sprint("revision ", revision), Generation: revision, RotatedAt: start.Add(time.Duration(revision) * time.Minute),
	}
}

func wantHooks(t *testing.T, what string, have []service.Webhook, want ...service.Webhook) {
	t.Helper()
	if len(have) == 0 && len(want) == 0 {
		return
	}
	for _, ws := range [][]service.Webhook{have, want} {
		for i := range ws {
			utc(&ws[i].CreatedAt, &ws[i].RotatedAt)
		}
	}
	same(t, what, have, want)
}

func wantHook(ctx context.Context, t *testing.T, s service.Webhooks, want service.Webhook) {
	t.Helper()
	have, err := s.GetWebhook(ctx, want.ID)
	must(t, err)
	wantHooks(t, "the webhook", []service.Webhook{have}, want)
}

// delivery makes the n-th delivery to a webhook, of an event of its own.
func delivery(n int, webhook string) service.Delivery {
	return service.Delivery{
		ID: fmt.Sprintf("DELIVERY%04d", n), Webhook: webhook, Event: fmt.Sprint("event-", n), Type: service.EventAuditEnded,
		CreatedAt: start.Add(time.Duration(n) * time.Second), Body: fmt.Appendf(nil, `{"b":%d, "a":"\u003c\ud800é"}`, n), State: service.DeliveryPending,
	}
}

// replay makes a delivery that sends once more what another held.
func replay(n int, of service.Delivery) service.Delivery {
	d := delivery(n, of.Webhook)
	d.Event, d.Body, d.ReplayOf = of.Event, of.Body, of.ID
	return d
}

func attempt(n int) service.Attempt {
	return service.Attempt{At: start.Add(time.Duration(n) * time.Hour), Took: time.Duration(n) * 1_234_567, Status: 500 + n, Fault: fmt.Sprint("fault ", n)}
}

func plainDeliveries(ds []service.Delivery) []service.Delivery {
	ds = slices.Clone(ds)
	for i := range ds {
		utc(&ds[i].CreatedAt)
		as := slices.Clone(ds[i].Attempts)
		for j := range as {
			utc(&as[j].At)
		}
		if ds[i].Attempts = as; len(as) == 0 {
			ds[i].Attempts = nil
		}
	}
	return ds
}

func wantDeliveries(t *testing.T, what string, have []service.Delivery, want ...service.Delivery) {
	t.Helper()
	if len(have) == 0 && len(want) == 0 {
		return
	}
	same(t, what, plainDeliveries(have), plainDeliveries(want))
}

func wantDelivery(ctx context.Context, t *testing.T, s service.Webhooks, want service.Delivery) {
	t.Helper()
	have, err := s.GetDelivery(ctx, want.ID)
	must(t, err)
	wantDeliveries(t, "the delivery", []service.Delivery{have}, want)
}

func putHooks(ctx context.Context, t *testing.T, s service.Webhooks, ns ...int) {
	t.Helper()
	for _, n := range ns {
		must(t, s.PutWebhook(ctx, hook(n, 1)))
	}
}

// deliver keeps deliveries that are not there yet.
func deliver(ctx context.Context, t *testing.T, s service.Webhooks, ds ...service.Delivery) {
	t.Helper()
	for _, d := range ds {
		if added, err := s.PutDelivery(ctx, d); err != nil || !added {
			t.Fatalf("PutDelivery(%s) gave %v (%v), want it added", d.ID, added, err)
		}
	}
}

func webhooksLife(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	for _, revision := range []int{-1, 0, 2} {
		fails(t, fmt.Sprint("revision ", revision, " of none"), s.PutWebhook(a, hook(1, revision)), service.ErrStale)
	}
	wantHooks(t, "none", got[[]service.Webhook](t)(s.ListWebhooks(a)))
	putHooks(a, t, s, 3, 1, 2)
	wantHook(a, t, s, hook(1, 1))
	must(t, s.PutWebhook(a, hook(1, 2)))
	wantHook(a, t, s, hook(1, 2))
	for _, revision := range []int{-1, 0, 1, 2, 4} {
		fails(t, fmt.Sprint("revision ", revision, " after 2"), s.PutWebhook(a, hook(1, revision)), service.ErrStale)
	}
	must(t, s.PutWebhook(a, hook(1, 3)))
	bare := hook(2, 2)
	bare.Events, bare.Note = nil, ""
	must(t, s.PutWebhook(a, bare))
	twin := hook(0, 1) // of the time of another
	twin.CreatedAt = hook(3, 1).CreatedAt
	must(t, s.PutWebhook(a, twin))
	wantHooks(t, "oldest first", got[[]service.Webhook](t)(s.ListWebhooks(a)), hook(1, 3), bare, twin, hook(3, 1))

	must(t, s.RemoveWebhook(a, hook(1, 1).ID))
	fails(t, "to remove it again", s.RemoveWebhook(a, hook(1, 1).ID), service.ErrNotFound)
	fails(t, "the next revision of what was removed", s.PutWebhook(a, hook(1, 4)), service.ErrStale)
	for _, id := range []string{"", hook(1, 1).ID, "hook2", "' OR 1=1 --", "\x00"} {
		_, err := s.GetWebhook(a, id)
		fails(t, fmt.Sprintf("GetWebhook(%q)", id), err, service.ErrNotFound)
		fails(t, fmt.Sprintf("RemoveWebhook(%q)", id), s.RemoveWebhook(a, id), service.ErrNotFound)
	}
	wantHooks(t, "the others", got[[]service.Webhook](t)(s.ListWebhooks(a)), bare, twin, hook(3, 1))
	putHooks(a, t, s, 1) // it may come again
	wantHook(a, t, s, hook(1, 1))
}

// webhooksAtOnce: each revision is written by one of many who try.
func webhooksAtOnce(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	const writers = 8
	var wg sync.WaitGroup
	taken := make(chan int, 2*writers)
	for range writers {
		wg.Go(func() {
			for revision := 1; revision <= 2; revision++ {
				switch err := s.PutWebhook(a, hook(1, revision)); {
				case err == nil:
					taken <- revision
				case !errors.Is(err, service.ErrStale):
					t.Errorf("PutWebhook: %v", err)
				}
			}
		})
	}
	wg.Wait()
	close(taken)
	times := map[int]int{}
	for revision := range taken {
		times[revision]++
	}
	same(t, "how often each revision was written", times, map[int]int{1: 1, 2: 1})
	wantHook(a, t, s, hook(1, 2))
}

// deliveriesOnce: an event goes to a webhook once, and replays as often as asked.
func deliveriesOnce(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	putHooks(a, t, s, 1, 2)
	first := delivery(1, hook(1, 1).ID)
	deliver(a, t, s, first)
	wantDelivery(a, t, s, first)

	again := delivery(2, first.Webhook)
	again.Event = first.Event
	if added, err := s.PutDelivery(a, again); err != nil || added {
		t.Errorf("the event again: %v (%v), want nothing added", added, err)
	}
	_, err := s.GetDelivery(a, again.ID)
	fails(t, "what was not added", err, service.ErrNotFound)
	if added, err := s.PutDelivery(a, first); err != nil || added {
		t.Errorf("the delivery itself again: %v (%v), want nothing added", added, err)
	}
	wantDelivery(a, t, s, first)

	elsewhere := delivery(3, hook(2, 1).ID) // another webhook is told of the same event
	elsewhere.Event = first.Event
	deliver(a, t, s, elsewhere, replay(4, first), replay(5, first), replay(6, elsewhere))
	have := got[[]service.Delivery](t)(s.ListDeliveries(a, first.Webhook, nil, 10))
	wantDeliveries(t, "the deliveries", have, replay(5, first), replay(4, first), first)

	// A replay alone does not count as the first.
	deliver(a, t, s, replay(7, delivery(8, first.Webhook)), delivery(8, first.Webhook))
	taken := delivery(9, first.Webhook)
	taken.ID = first.ID
	if added, err := s.PutDelivery(a, taken); err == nil || added {
		t.Errorf("an id was taken twice: %v (%v)", added, err)
	}
	wantDelivery(a, t, s, first)

	_, err = s.PutDelivery(a, delivery(10, "none"))
	fails(t, "a delivery to no webhook", err, service.ErrNotFound)
	_, err = s.PutDelivery(a, replay(10, delivery(11, "none")))
	fails(t, "a replay to no webhook", err, service.ErrNotFound)

	// However many tell of it at once.
	var wg sync.WaitGroup
	won := make(chan string, 8)
	for w := range 8 {
		wg.Go(func() {
			d := delivery(20+w, first.Webhook)
			d.Event = "at once"
			added, err := s.PutDelivery(a, d)
			if err != nil {
				t.Errorf("PutDelivery: %v", err)
			}
			if added {
				won <- d.ID
			}
		})
	}
	wg.Wait()
	close(won)
	if len(won) != 1 {
		t.Fatalf("%d deliveries were added, want 1", len(won))
	}
	newest := got[[]service.Delivery](t)(s.ListDeliveries(a, first.Webhook, nil, 1))
	if len(newest) != 1 || newest[0].ID != <-won || newest[0].Event != "at once" {
		t.Errorf("the newest is %+v, want the one that was added", newest)
	}
}

func deliveriesTried(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	putHooks(a, t, s, 1)
	d, other := delivery(1, hook(1, 1).ID), delivery(2, hook(1, 1).ID)
	deliver(a, t, s, d, other)
	odd := service.Attempt{At: start, Fault: "a \x00 of \"quotes\"\n"}
	for _, step := range []struct {
		attempt service.Attempt
		state   service.DeliveryState
	}{
		{attempt(3), service.DeliveryPending},
		{attempt(1), service.DeliveryPending}, // in the order they are told, whatever the clocks say
		{odd, service.DeliveryFailed},
		{attempt(2), service.DeliveryDelivered},
	} {
		must(t, s.NoteAttempt(a, d.ID, step.attempt, step.state))
		d.Attempts, d.State = append(d.Attempts, step.attempt), step.state
		wantDelivery(a, t, s, d)
	}
	have := got[[]service.Delivery](t)(s.ListDeliveries(a, d.Webhook, nil, 10))
	wantDeliveries(t, "the deliveries", have, other, d)
	for _, id := range []string{"", "none", "\x00"} {
		fails(t, fmt.Sprintf("NoteAttempt(%q)", id), s.NoteAttempt(a, id, attempt(1), service.DeliveryFailed), service.ErrNotFound)
		_, err := s.GetDelivery(a, id)
		fails(t, fmt.Sprintf("GetDelivery(%q)", id), err, service.ErrNotFound)
	}

	// What is kept with attempts from the start is kept so.
	tried := delivery(3, d.Webhook)
	tried.Attempts, tried.State = []service.Attempt{attempt(1), attempt(2)}, service.DeliveryFailed
	deliver(a, t, s, tried)
	wantDelivery(a, t, s, tried)
}

func deliveriesListed(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	putHooks(a, t, s, 1, 2)
	var want []service.Delivery // newest first
	for n := range 30 {
		d := delivery(n, hook(1, 1).ID)
		d.CreatedAt = start.Add(time.Duration(n/3) * time.Second) // three of each time
		want = append([]service.Delivery{d}, want...)
		deliver(a, t, s, delivery(100+n, hook(2, 1).ID))
	}
	// Clocks of several writers are not in step.
	for i := range want {
		deliver(a, t, s, want[i*7%30])
	}
	var have []service.Delivery
	for {
		var after *service.Position
		if len(have) > 0 {
			p := have[len(have)-1].Position()
			after = &p
		}
		page := got[[]service.Delivery](t)(s.ListDeliveries(a, hook(1, 1).ID, after, 7))
		if have = append(have, page...); len(page) < 7 {
			break
		}
	}
	wantDeliveries(t, "in pages", have, want...)
	last := want[len(want)-1].Position()
	wantDeliveries(t, "after the last", got[[]service.Delivery](t)(s.ListDeliveries(a, hook(1, 1).ID, &last, 7)))
	for _, id := range []string{"", "none", "\x00"} {
		wantDeliveries(t, fmt.Sprintf("of webhook %q", id), got[[]service.Delivery](t)(s.ListDeliveries(a, id, nil, 7)))
	}
}

// deliveriesDropped: the oldest go, of all tenants, but for those still to be sent.
func deliveriesDropped(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	putHooks(a, t, s, 1)
	putHooks(b, t, s, 1)
	done := func(ctx context.Context, n int, state service.DeliveryState) service.Delivery {
		d := delivery(n, hook(1, 1).ID)
		deliver(ctx, t, s, d)
		if state != service.DeliveryPending {
			must(t, s.NoteAttempt(ctx, d.ID, attempt(1), state))
		}
		return d
	}
	done(a, 1, service.DeliveryDelivered)
	done(b, 2, service.DeliveryFailed)
	done(a, 3, service.DeliveryPending)
	third := done(a, 4, service.DeliveryFailed)
	done(a, 5, service.DeliveryDelivered)
	done(b, 6, service.DeliveryDelivered)
	ids := func(ctx context.Context) (out []string) {
		for _, d := range got[[]service.Delivery](t)(s.ListDeliveries(ctx, hook(1, 1).ID, nil, 10)) {
			out = append(out, d.ID[len(d.ID)-1:])
		}
		return out
	}
	at := func(n int) time.Time { return delivery(n, "").CreatedAt }
	for _, step := range []struct {
		before       time.Time
		limit, gone  int
		mine, theirs []string
	}{
		{at(1), 10, 0, []string{"5", "4", "3", "1"}, []string{"6", "2"}}, // before, not at
		{at(5), 2, 2, []string{"5", "4", "3"}, []string{"6"}},
		{at(5), 2, 1, []string{"5", "3"}, []string{"6"}},
		{at(5), 2, 0, []string{"5", "3"}, []string{"6"}},
		{at(9), 10, 2, []string{"3"}, nil},
	} {
		gone, err := s.DropDeliveries(t.Context(), step.before, step.limit)
		if err != nil || gone != step.gone {
			t.Errorf("%d were dropped (%v), want %d", gone, err, step.gone)
		}
		equal(t, ids(a), step.mine)
		equal(t, ids(b), step.theirs)
	}
	// What is forgotten can be told again.
	deliver(a, t, s, third)
}

func deliveriesRemoved(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	putHooks(a, t, s, 1, 2)
	putHooks(b, t, s, 1)
	mine, other, theirs := delivery(1, hook(1, 1).ID), delivery(2, hook(2, 1).ID), delivery(1, hook(1, 1).ID)
	deliver(a, t, s, mine, replay(3, mine), other)
	deliver(b, t, s, theirs)
	must(t, s.NoteAttempt(a, mine.ID, attempt(1), service.DeliveryFailed))
	must(t, s.RemoveWebhook(a, mine.Webhook))
	for _, id := range []string{mine.ID, replay(3, mine).ID} {
		_, err := s.GetDelivery(a, id)
		fails(t, "a delivery to a webhook that is gone", err, service.ErrNotFound)
		fails(t, "an attempt of it", s.NoteAttempt(a, id, attempt(1), service.DeliveryFailed), service.ErrNotFound)
	}
	wantDeliveries(t, "the deliveries of a webhook that is gone", got[[]service.Delivery](t)(s.ListDeliveries(a, mine.Webhook, nil, 10)))
	wantDelivery(a, t, s, other)
	wantDelivery(b, t, s, theirs)
	wantHook(b, t, s, hook(1, 1))
	// One that comes again under the id is told anew.
	putHooks(a, t, s, 1)
	wantDeliveries(t, "its deliveries", got[[]service.Delivery](t)(s.ListDeliveries(a, mine.Webhook, nil, 10)))
	deliver(a, t, s, mine)
}

func webhooksIsolated(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	given, sent := hook(1, 1), delivery(1, hook(1, 1).ID)
	must(t, s.PutWebhook(a, given))
	deliver(a, t, s, sent)
	must(t, s.NoteAttempt(a, sent.ID, attempt(1), service.DeliveryFailed))
	want := delivery(1, hook(1, 1).ID)
	want.Attempts, want.State = []service.Attempt{attempt(1)}, service.DeliveryFailed
	for _, spoil := range []func(){
		func() { clear(given.Events); clear(sent.Body) },
		func() { clear(got[service.Webhook](t)(s.GetWebhook(a, given.ID)).Events) },
		func() { clear(got[[]service.Webhook](t)(s.ListWebhooks(a))[0].Events) },
		func() {
			d := got[service.Delivery](t)(s.GetDelivery(a, sent.ID))
			clear(d.Body)
			clear(d.Attempts)
		},
		func() {
			d := got[[]service.Delivery](t)(s.ListDeliveries(a, given.ID, nil, 1))[0]
			clear(d.Body)
			clear(d.Attempts)
		},
	} {
		spoil()
		wantHook(a, t, s, hook(1, 1))
		wantDelivery(a, t, s, want)
	}
}

func tenantsWebhooks(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	putHooks(a, t, s, 1)
	d := delivery(1, hook(1, 1).ID)
	deliver(a, t, s, d)

	_, err := s.GetWebhook(b, hook(1, 1).ID)
	fails(t, "GetWebhook for the other tenant", err, service.ErrNotFound)
	fails(t, "PutWebhook for the other tenant", s.PutWebhook(b, hook(1, 2)), service.ErrStale)
	fails(t, "RemoveWebhook for the other tenant", s.RemoveWebhook(b, hook(1, 1).ID), service.ErrNotFound)
	wantHooks(t, "ListWebhooks for the other tenant", got[[]service.Webhook](t)(s.ListWebhooks(b)))
	_, err = s.GetDelivery(b, d.ID)
	fails(t, "GetDelivery for the other tenant", err, service.ErrNotFound)
	fails(t, "NoteAttempt for the other tenant", s.NoteAttempt(b, d.ID, attempt(1), service.DeliveryFailed), service.ErrNotFound)
	wantDeliveries(t, "ListDeliveries for the other tenant", got[[]service.Delivery](t)(s.ListDeliveries(b, d.Webhook, nil, 10)))
	_, err = s.PutDelivery(b, delivery(2, d.Webhook))
	fails(t, "PutDelivery to a webhook of the other tenant", err, service.ErrNotFound)

	// The same ids for another tenant are others.
	putHooks(b, t, s, 1)
	deliver(b, t, s, d)
	must(t, s.PutWebhook(b, hook(1, 2)))
	must(t, s.NoteAttempt(b, d.ID, attempt(1), service.DeliveryDelivered))
	wantHook(a, t, s, hook(1, 1))
	wantDelivery(a, t, s, d)
	must(t, s.RemoveWebhook(b, hook(1, 2).ID))
	wantHook(a, t, s, hook(1, 1))
	wantDelivery(a, t, s, d)
	if err := s.PutWebhook(as(t, nobody), hook(1, 1)); err == nil || errors.Is(err, service.ErrStale) {
		t.Errorf("a webhook of a tenant that was never made: %v", err)
	}
}

// webhooksOnce: a step sees what it wrote and removed, and leaves all as it was if
// it fails.
func webhooksOnce(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	putHooks(a, t, s, 1, 2)
	old := delivery(1, hook(1, 1).ID)
	deliver(a, t, s, old, delivery(2, hook(2, 1).ID))
	no := errors.New("no")
	step := func(end error) func(ctx context.Context, s service.FullStore) (service.Reply, error) {
		return func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			if added, err := s.PutDelivery(ctx, old); err != nil || added {
				t.Errorf("what was told before: %v (%v), want nothing added", added, err)
			}
			must(t, s.NoteAttempt(ctx, old.ID, attempt(1), service.DeliveryFailed))
			must(t, s.RemoveWebhook(ctx, hook(1, 1).ID))
			_, err := s.GetDelivery(ctx, old.ID)
			fails(t, "what was removed within the step", err, service.ErrNotFound)
			wantHooks(t, "webhooks within the step", got[[]service.Webhook](t)(s.ListWebhooks(ctx)), hook(2, 1))
			must(t, s.PutWebhook(ctx, hook(1, 1)))
			deliver(ctx, t, s, old)
			must(t, s.NoteAttempt(ctx, delivery(2, "").ID, attempt(2), service.DeliveryFailed))
			if gone, err := s.DropDeliveries(ctx, start.Add(time.Hour), 10); err != nil || gone != 1 {
				t.Errorf("%d were dropped within the step (%v), want 1", gone, err)
			}
			return service.Reply{Status: 201}, end
		}
	}
	_, _, err := s.Once(a, "k", [32]byte{}, step(no))
	fails(t, "the step", err, no)
	wantDelivery(a, t, s, old)
	wantDelivery(a, t, s, delivery(2, hook(2, 1).ID))
	_, _, err = s.Once(a, "k", [32]byte{}, step(nil))
	must(t, err)
	wantDelivery(a, t, s, old)
	_, err = s.GetDelivery(a, delivery(2, "").ID)
	fails(t, "what the step dropped", err, service.ErrNotFound)
	wantHooks(t, "webhooks after the step", got[[]service.Webhook](t)(s.ListWebhooks(a)), hook(1, 1), hook(2, 1))
}
