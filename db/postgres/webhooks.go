package postgres

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"drawgear/service"
)

// PutWebhook leaves it to the database to see that the revision is the next.
func (s *Store) PutWebhook(ctx context.Context, w service.Webhook) error {
	query := replaceWebhook
	if w.Revision == 1 {
		query = putWebhook
	}
	events := make([]string, len(w.Events))
	for i, e := range w.Events {
		events[i] = string(e)
	}
	var written bool
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(query, tenant, w.ID, w.Revision, w.CreatedAt, w.CreatedBy, w.URL, events, w.Paused, w.Note, w.Generation, w.RotatedAt).
			Exec(touched(&written))
	})
	if err == nil && !written {
		err = service.ErrStale
	}
	if err != nil {
		return fmt.Errorf("put webhook %s: %w", w.ID, err)
	}
	return nil
}

// GetWebhook reads one row.
func (s *Store) GetWebhook(ctx context.Context, id string) (service.Webhook, error) {
	var w service.Webhook
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { one(b, &w, scanWebhook, getWebhook, tenant, text(id)) })
	if err != nil {
		return service.Webhook{}, fmt.Errorf("webhook %s: %w", id, err)
	}
	return w, nil
}

// ListWebhooks lists, of webhooks of one time, the smaller id first.
func (s *Store) ListWebhooks(ctx context.Context) ([]service.Webhook, error) {
	var out []service.Webhook
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { collect(b, &out, scanWebhook, listWebhooks, tenant) })
	if err != nil {
		return nil, fmt.Errorf("list webhooks: %w", err)
	}
	return out, nil
}

// scanWebhook reads webhookColumns.
func scanWebhook(row pgx.CollectableRow) (w service.Webhook, err error) {
	var events []string
	err = row.Scan(&w.ID, &w.Revision, &w.CreatedAt, &w.CreatedBy, &w.URL, &events, &w.Paused, &w.Note, &w.Generation, &w.RotatedAt)
	for _, e := range events {
		w.Events = append(w.Events, service.EventType(e))
	}
	return w, err
}

// RemoveWebhook removes one row, and the database removes the deliveries with it.
// Jobs that are about them will find nothing.
func (s *Store) RemoveWebhook(ctx context.Context, id string) error {
	var there bool
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(removeWebhook, tenant, text(id)).Exec(touched(&there))
	})
	if err == nil && !there {
		err = service.ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("remove webhook %s: %w", id, err)
	}
	return nil
}

// PutDelivery writes the delivery and its job in one transaction, or neither if
// the webhook was told of the event before.
func (s *Store) PutDelivery(ctx context.Context, d service.Delivery) (added bool, _ error) {
	err := s.step(ctx, func(tx pgx.Tx, inner *Store) error {
		var there bool
		err := inner.own(ctx, func(tenant string, b *pgx.Batch) {
			b.Queue(putDelivery, tenant, d.ID, d.Webhook, d.Event, string(d.Type), d.CreatedAt, blob(d.Body), string(d.State), d.ReplayOf,
				attempts(d.Attempts)).Exec(touched(&added))
			one(b, &there, pgx.RowTo[bool], hasWebhook, tenant, d.Webhook)
		})
		switch {
		case err != nil:
			return err
		case !there:
			return fmt.Errorf("the webhook %s: %w", d.Webhook, service.ErrNotFound)
		case !added:
			return nil
		}
		tenant, err := service.TenantOf(ctx)
		if err != nil {
			return err
		}
		return inner.addJobs(ctx, tx, service.Job{Kind: service.JobDelivery, Tenant: tenant, ID: d.ID})
	})
	if err != nil {
		return false, fmt.Errorf("put delivery %s: %w", d.ID, err)
	}
	return added, nil
}

// attempts keeps no attempts from becoming null.
func attempts(as []service.Attempt) []service.Attempt {
	if as == nil {
		return []service.Attempt{}
	}
	return as
}

// NoteAttempt adds to what is there in one statement.
func (s *Store) NoteAttempt(ctx context.Context, id string, a service.Attempt, state service.DeliveryState) error {
	var there bool
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		b.Queue(noteAttempt, tenant, text(id), a, string(state)).Exec(touched(&there))
	})
	if err == nil && !there {
		err = service.ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("note an attempt of delivery %s: %w", id, err)
	}
	return nil
}

// GetDelivery reads one row.
func (s *Store) GetDelivery(ctx context.Context, id string) (service.Delivery, error) {
	var d service.Delivery
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { one(b, &d, scanDelivery, getDelivery, tenant, text(id)) })
	if err != nil {
		return service.Delivery{}, fmt.Errorf("delivery %s: %w", id, err)
	}
	return d, nil
}

// ListDeliveries reads the newest of a webhook, or those that follow the position.
func (s *Store) ListDeliveries(ctx context.Context, webhook string, after *service.Position, limit int) ([]service.Delivery, error) {
	if after != nil && !storable(after.ID) {
		// No delivery has such an id, so no list can have given it.
		return nil, fmt.Errorf("list deliveries of webhook %s: %w", webhook, service.ErrCursor)
	}
	var out []service.Delivery
	err := s.own(ctx, func(tenant string, b *pgx.Batch) {
		query, args := listDeliveries, []any{tenant, text(webhook), limit}
		if after != nil {
			query, args = moreDeliveries, append(args, instant(after.CreatedAt), after.ID)
		}
		collect(b, &out, scanDelivery, query, args...)
	})
	if err != nil {
		return nil, fmt.Errorf("list deliveries of webhook %s: %w", webhook, err)
	}
	return out, nil
}

// scanDelivery reads deliveryColumns.
func scanDelivery(row pgx.CollectableRow) (d service.Delivery, err error) {
	err = row.Scan(&d.ID, &d.Webhook, &d.Event, (*string)(&d.Type), &d.CreatedAt, &d.Body, (*string)(&d.State), &d.ReplayOf, &d.Attempts)
	for i := range d.Attempts {
		d.Attempts[i].At = d.Attempts[i].At.UTC()
	}
	return d, err
}

// DropDeliveries lets the transaction see what is not pending of all tenants, and
// removes the oldest.
func (s *Store) DropDeliveries(ctx context.Context, before time.Time, limit int) (gone int, _ error) {
	err := s.run(ctx, "", func(b *pgx.Batch) {
		b.Queue(setExpire)
		b.Queue(lockExpiry)
		b.Queue(dropDeliveries, instant(before), limit).Exec(func(tag pgconn.CommandTag) error {
			gone = int(tag.RowsAffected())
			return nil
		})
	})
	if err != nil {
		return 0, fmt.Errorf("drop deliveries: %w", err)
	}
	return gone, nil
}
