package memory

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"drawgear/service"
)

// PutWebhook keeps a webhook if its revision is the next.
func (s *Store) PutWebhook(ctx context.Context, w service.Webhook) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		if _, known := d.tenants.get(tenant); !known {
			return fmt.Errorf("there is no tenant %s", tenant)
		}
		at := owned[string]{tenant, w.ID}
		old, _ := d.webhooks.get(at)
		if w.Revision != old.Revision+1 {
			return service.ErrStale
		}
		d.webhooks.put(at, copyWebhook(w))
		return nil
	})
	if err != nil {
		return fmt.Errorf("put webhook %s: %w", w.ID, err)
	}
	return nil
}

func copyWebhook(w service.Webhook) service.Webhook {
	w.Events = slices.Clone(w.Events)
	return w
}

// GetWebhook returns a copy of a webhook.
func (s *Store) GetWebhook(ctx context.Context, id string) (service.Webhook, error) {
	var w service.Webhook
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		kept, ok := d.webhooks.get(owned[string]{tenant, id})
		if !ok {
			return service.ErrNotFound
		}
		w = copyWebhook(kept)
		return nil
	})
	if err != nil {
		return service.Webhook{}, fmt.Errorf("webhook %s: %w", id, err)
	}
	return w, nil
}

// ListWebhooks lists, of webhooks of one time, the smaller id first.
func (s *Store) ListWebhooks(ctx context.Context) ([]service.Webhook, error) {
	var out []service.Webhook
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		for at, w := range d.webhooks.all() {
			if at.tenant == tenant {
				out = append(out, copyWebhook(w))
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list webhooks: %w", err)
	}
	slices.SortFunc(out, func(a, b service.Webhook) int {
		return cmp.Or(a.CreatedAt.Compare(b.CreatedAt), cmp.Compare(a.ID, b.ID))
	})
	return out, nil
}

// RemoveWebhook removes a webhook with its deliveries. Jobs that are about them
// will find nothing.
func (s *Store) RemoveWebhook(ctx context.Context, id string) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		at := owned[string]{tenant, id}
		if _, ok := d.webhooks.get(at); !ok {
			return service.ErrNotFound
		}
		d.webhooks.remove(at)
		d.removeDeliveries(func(e entry, v service.Delivery) bool { return e.tenant == tenant && v.Webhook == id })
		return nil
	})
	if err != nil {
		return fmt.Errorf("remove webhook %s: %w", id, err)
	}
	return nil
}

// telling names what a webhook is told of once.
type telling struct{ webhook, event string }

// deliveryCost is what a delivery or an attempt takes beside its texts.
const deliveryCost = 256

func deliverySize(v service.Delivery) int {
	n := deliveryCost + len(v.ID) + len(v.Event) + len(v.Body) + len(v.ReplayOf)
	for _, a := range v.Attempts {
		n += attemptSize(a)
	}
	return n
}

func attemptSize(a service.Attempt) int { return deliveryCost + len(a.Fault) }

// PutDelivery keeps a delivery with its job, unless its webhook was told already.
func (s *Store) PutDelivery(ctx context.Context, v service.Delivery) (added bool, err error) {
	err = s.writeOwn(ctx, func(tenant string, d *data) error {
		at, about := owned[string]{tenant, v.ID}, owned[telling]{tenant, telling{v.Webhook, v.Event}}
		if _, ok := d.webhooks.get(owned[string]{tenant, v.Webhook}); !ok {
			return fmt.Errorf("the webhook %s: %w", v.Webhook, service.ErrNotFound)
		}
		if v.ReplayOf == "" {
			if _, was := d.told.get(about); was {
				return nil
			}
		}
		if _, taken := d.deliveries.get(at); taken {
			return errors.New("the id is taken")
		}
		if n := deliverySize(v); n > s.bytes {
			return fmt.Errorf("%d bytes are more than the whole store may hold", n)
		}
		d.deliveries.put(at, copyDelivery(v))
		if v.ReplayOf == "" {
			d.told.put(about, v.ID)
		}
		place := entry{v.Position(), tenant}
		i, _ := slices.BinarySearchFunc(d.deliveryOrder, place, entry.compare)
		d.deliveryOrder = slices.Insert(d.deliveryOrder, i, place)
		d.delivered += deliverySize(v)
		d.addJobs(service.Job{Kind: service.JobDelivery, Tenant: tenant, ID: v.ID})
		added = true
		return nil
	})
	if err != nil {
		return false, fmt.Errorf("put delivery %s: %w", v.ID, err)
	}
	return added, nil
}

func copyDelivery(v service.Delivery) service.Delivery {
	v.Body, v.Attempts = bytes.Clone(v.Body), slices.Clone(v.Attempts)
	return v
}

// NoteAttempt adds an attempt behind those that are there.
func (s *Store) NoteAttempt(ctx context.Context, id string, a service.Attempt, state service.DeliveryState) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		at := owned[string]{tenant, id}
		v, ok := d.deliveries.get(at)
		if !ok {
			return service.ErrNotFound
		}
		v.Attempts = append(slices.Clip(v.Attempts), a) // clipped: what lies below must not change
		v.State = state
		d.deliveries.put(at, v)
		d.delivered += attemptSize(a)
		return nil
	})
	if err != nil {
		return fmt.Errorf("note an attempt of delivery %s: %w", id, err)
	}
	return nil
}

// GetDelivery returns a copy of a delivery.
func (s *Store) GetDelivery(ctx context.Context, id string) (service.Delivery, error) {
	var v service.Delivery
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		kept, ok := d.deliveries.get(owned[string]{tenant, id})
		if !ok {
			return service.ErrNotFound
		}
		v = copyDelivery(kept)
		return nil
	})
	if err != nil {
		return service.Delivery{}, fmt.Errorf("delivery %s: %w", id, err)
	}
	return v, nil
}

// ListDeliveries walks from the newest or from a position to the oldest.
func (s *Store) ListDeliveries(ctx context.Context, webhook string, after *service.Position, limit int) ([]service.Delivery, error) {
	var out []service.Delivery
	err := s.readOwn(ctx, func(tenant string, d *data) error {
		i := len(d.deliveryOrder)
		if after != nil {
			i, _ = slices.BinarySearchFunc(d.deliveryOrder, *after, func(e entry, p service.Position) int { return e.Compare(p) })
		}
		for i--; i >= 0 && len(out) < limit; i-- {
			if d.deliveryOrder[i].tenant != tenant {
				continue
			}
			kept, _ := d.deliveries.get(owned[string]{tenant, d.deliveryOrder[i].ID})
			if kept.Webhook == webhook {
				out = append(out, copyDelivery(kept))
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list deliveries of webhook %s: %w", webhook, err)
	}
	return out, nil
}

// DropDeliveries removes the oldest that are not pending.
func (s *Store) DropDeliveries(ctx context.Context, before time.Time, limit int) (gone int, _ error) {
	err := s.write(ctx, func(d *data) error {
		gone = d.removeDeliveries(func(e entry, v service.Delivery) bool {
			if limit == 0 || v.State == service.DeliveryPending || !e.CreatedAt.Before(before) {
				return false
			}
			limit--
			return true
		})
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("drop deliveries: %w", err)
	}
	return gone, nil
}

// removeDeliveries removes those that match, looking at the oldest first, and says
// how many went.
func (d *data) removeDeliveries(match func(e entry, v service.Delivery) bool) int {
	kept := make([]entry, 0, len(d.deliveryOrder)) // another list: what lies below must not change
	for _, e := range d.deliveryOrder {
		at := owned[string]{e.tenant, e.ID}
		v, _ := d.deliveries.get(at)
		if !match(e, v) {
			kept = append(kept, e)
			continue
		}
		d.deliveries.remove(at)
		if v.ReplayOf == "" {
			d.told.remove(owned[telling]{e.tenant, telling{v.Webhook, v.Event}})
		}
		d.delivered -= deliverySize(v)
	}
	gone := len(d.deliveryOrder) - len(kept)
	d.deliveryOrder = kept
	return gone
}

// trimDeliveries drops deliveries while there are too many, the oldest first: in
// the first place those that are not pending.
func (d *data) trimDeliveries(most, bytes int) {
	tooMany := len(d.deliveryOrder) - most
	full := func() bool { return tooMany > 0 || d.delivered > bytes }
	for _, pendingToo := range []bool{false, true} {
		if !full() {
			return
		}
		d.removeDeliveries(func(_ entry, v service.Delivery) bool {
			if !full() || v.State == service.DeliveryPending && !pendingToo {
				return false
			}
			tooMany--
			return true
		})
	}
}
