package memory_test

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/service"
)

// TestOldestDeliveriesGo: once there are too many deliveries, or too many bytes of
// them, the oldest go: those that are done before those that are still to be sent.
func TestOldestDeliveriesGo(t *testing.T) {
	type delivery struct {
		state service.DeliveryState
		bytes int
	}
	const pending, delivered, failed = service.DeliveryPending, service.DeliveryDelivered, service.DeliveryFailed
	for name, test := range map[string]struct {
		number, bytes int
		given         []delivery
		left          []string // newest first
	}{
		"as many as may be":     {3, 0, []delivery{{delivered, 1}, {failed, 1}, {pending, 1}}, []string{"2", "1", "0"}},
		"one too many":          {3, 0, []delivery{{delivered, 1}, {failed, 1}, {pending, 1}, {pending, 1}}, []string{"3", "2", "1"}},
		"the oldest is pending": {3, 0, []delivery{{pending, 1}, {failed, 1}, {delivered, 1}, {pending, 1}}, []string{"3", "2", "0"}},
		"all are pending":       {3, 0, []delivery{{pending, 1}, {pending, 1}, {pending, 1}, {pending, 1}}, []string{"3", "2", "1"}},
		"too many bytes":        {9, 10_000, []delivery{{pending, 3000}, {delivered, 3000}, {delivered, 100}, {pending, 5000}}, []string{"3", "2", "0"}},
		"pending by bytes":      {9, 10_000, []delivery{{pending, 6000}, {delivered, 1000}, {pending, 6000}}, []string{"2"}},
	} {
		s := memory.NewBounded(test.number, test.bytes)
		ctx := service.WithCaller(t.Context(), service.Local())
		when := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
		if err := s.PutWebhook(ctx, service.Webhook{ID: "hook", Revision: 1, CreatedAt: when}); err != nil {
			t.Fatal(err)
		}
		put := func(n int, d delivery) {
			t.Helper()
			v := service.Delivery{
				ID: fmt.Sprint(n), Webhook: "hook", Event: fmt.Sprint("event", n), CreatedAt: when.Add(time.Duration(n) * time.Second),
				Body: bytes.Repeat([]byte("x"), d.bytes), State: d.state,
			}
			if added, err := s.PutDelivery(ctx, v); err != nil || !added {
				t.Fatalf("%s: delivery %d: %v, %v", name, n, added, err)
			}
		}
		for n, d := range test.given {
			put(n, d)
		}
		list, err := s.ListDeliveries(ctx, "hook", nil, 100)
		if err != nil {
			t.Fatal(err)
		}
		var left []string
		for _, v := range list {
			left = append(left, v.ID)
		}
		if !slices.Equal(left, test.left) {
			t.Errorf("%s: %q are left, want %q", name, left, test.left)
		}
		// What went can be told again.
		for n, d := range test.given {
			if !slices.Contains(left, fmt.Sprint(n)) {
				put(n, d)
				break
			}
		}
	}
	s := memory.NewBounded(9, 10_000)
	ctx := service.WithCaller(t.Context(), service.Local())
	if err := s.PutWebhook(ctx, service.Webhook{ID: "hook", Revision: 1}); err != nil {
		t.Fatal(err)
	}
	if added, err := s.PutDelivery(ctx, service.Delivery{ID: "large", Webhook: "hook", Event: "e", Body: make([]byte, 10_001)}); err == nil || added {
		t.Errorf("a delivery larger than the store: %v, %v", added, err)
	}
}
