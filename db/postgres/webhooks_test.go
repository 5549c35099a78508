package postgres_test

import (
	"fmt"
	"testing"
	"time"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
	"drawgear/service"
)

// webhook and delivery make one under an id.
func webhook(id string) service.Webhook {
	return service.Webhook{
		ID: id, Revision: 1, CreatedAt: day, CreatedBy: "ann", URL: "https://yard.example", Events: []service.EventType{service.EventAuditEnded},
		Generation: 1, RotatedAt: day,
	}
}

func delivery(id, webhook string) service.Delivery {
	return service.Delivery{
		ID: id, Webhook: webhook, Event: id, Type: service.EventAuditEnded, CreatedAt: day, Body: []byte("{}"), State: service.DeliveryPending,
	}
}

// What is still to be sent is not removed, not even by a statement that forgets
// to ask.
func TestPendingDeliveriesStay(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	if err := s.PutWebhook(home(t), webhook("hook")); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"pending", "sent"} {
		if _, err := s.PutDelivery(home(t), delivery(id, "hook")); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.NoteAttempt(home(t), "sent", service.Attempt{At: day, Status: 204}, service.DeliveryDelivered); err != nil {
		t.Fatal(err)
	}
	conn := serve(t, url, saltmarsh)
	exec(t, conn, "SELECT set_config('drawgear.expire', 'on', false)")
	if tag, err := conn.Exec(t.Context(), "DELETE FROM deliveries"); err != nil || tag.RowsAffected() != 1 {
		t.Errorf("%v was removed (%v), want what was sent", tag, err)
	}
	if _, err := s.GetDelivery(home(t), "pending"); err != nil {
		t.Errorf("what is pending: %v", err)
	}
}

// What is older than a time goes step by step, of all tenants, without a caller.
func TestOldDeliveriesGo(t *testing.T) {
	url := pgtest.New(t)
	s := open(t, postgres.Config{URL: url})
	valley := makeTarn(t, s)
	now := ask[time.Time](t, connect(t, url), "SELECT now()")
	put := func(tenant, state string, n int, age time.Duration) {
		t.Helper()
		exec(t, connect(t, url), `INSERT INTO deliveries SELECT $1, $2 || n, 'hook', $2 || n, 'ping', $3, '{}', $4, '' FROM generate_series(1, $5) n`,
			tenant, fmt.Sprint(state, age), now.Add(-age), state, n)
	}
	for _, tenant := range []string{saltmarsh, tarn} {
		if err := s.PutWebhook(as(t.Context(), tenant), webhook("hook")); err != nil {
			t.Fatal(err)
		}
		put(tenant, "delivered", 1200, 91*24*time.Hour)
		put(tenant, "failed", 1, 91*24*time.Hour)
		put(tenant, "pending", 1, 91*24*time.Hour)
		put(tenant, "delivered", 1, 89*24*time.Hour)
	}
	for _, want := range []int{1000, 1000, 402, 0} {
		if gone, err := s.DropDeliveries(t.Context(), now.Add(-90*24*time.Hour), 1000); err != nil || gone != want {
			t.Errorf("%d deliveries were removed (%v), want %d", gone, err, want)
		}
	}
	for tenant, ctx := range map[string]func() (int, error){
		saltmarsh: func() (int, error) { ds, err := s.ListDeliveries(home(t), "hook", nil, 10); return len(ds), err },
		tarn:      func() (int, error) { ds, err := s.ListDeliveries(valley, "hook", nil, 10); return len(ds), err },
	} {
		if n, err := ctx(); err != nil || n != 2 {
			t.Errorf("%s has %d deliveries left (%v), want the pending and the young", tenant, n, err)
		}
	}
}
