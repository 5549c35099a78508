package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"

	"drawgear/service"
)

// errNoHooks: there is no store to keep webhooks in.
var errNoHooks = refuse(ProblemNotFound, "This service has no webhooks.")

// WebhookDocument is what is written of a webhook, as it was sent.
type WebhookDocument struct{ hook service.HookWrite }

func (d *WebhookDocument) fields() map[string]any {
	return map[string]any{"url": &d.hook.URL, "events": &d.hook.Events, "paused": &d.hook.Paused, "note": &d.hook.Note}
}

// hookReply sends a webhook with its tag.
type hookReply struct{ hook service.HookView }

func (r hookReply) write(w http.ResponseWriter, status int) error {
	body, err := json.Marshal(r.hook)
	if err != nil {
		return fmt.Errorf("write a webhook: %w", err)
	}
	w.Header().Set("ETag", r.hook.ETag())
	return writeJSON(w, status, append(body, '\n'))
}

// VisitCreateWebhookResponse says 201 and where.
func (r hookReply) VisitCreateWebhookResponse(w http.ResponseWriter) error {
	w.Header().Set("Location", "/v1/webhooks/"+r.hook.ID)
	return r.write(w, http.StatusCreated)
}

// VisitGetWebhookResponse says 200.
func (r hookReply) VisitGetWebhookResponse(w http.ResponseWriter) error {
	return r.write(w, http.StatusOK)
}

// VisitChangeWebhookResponse says 200.
func (r hookReply) VisitChangeWebhookResponse(w http.ResponseWriter) error {
	return r.write(w, http.StatusOK)
}

// VisitRotateWebhookResponse says 200.
func (r hookReply) VisitRotateWebhookResponse(w http.ResponseWriter) error {
	return r.write(w, http.StatusOK)
}

// sentReply sends a delivery that was just put on its way.
type sentReply struct {
	hook     string // id
	delivery service.DeliveryView
}

func (r sentReply) write(w http.ResponseWriter) error {
	body, err := json.Marshal(r.delivery)
	if err != nil {
		return fmt.Errorf("write a delivery: %w", err)
	}
	w.Header().Set("Location", "/v1/webhooks/"+r.hook+"/deliveries/"+r.delivery.ID)
	return writeJSON(w, http.StatusAccepted, append(body, '\n'))
}

// VisitPingWebhookResponse says 202 and where.
func (r sentReply) VisitPingWebhookResponse(w http.ResponseWriter) error { return r.write(w) }

// VisitReplayWebhookDeliveryResponse says 202 and where.
func (r sentReply) VisitReplayWebhookDeliveryResponse(w http.ResponseWriter) error { return r.write(w) }

// ListWebhooks lists the webhooks of the tenant.
func (h *handlers) ListWebhooks(ctx context.Context, _ ListWebhooksRequestObject) (ListWebhooksResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	items, err := h.hooks.List(ctx)
	if err != nil {
		return nil, err
	}
	return ListWebhooks200JSONResponse{Items: items}, nil
}

// CreateWebhook keeps a webhook.
func (h *handlers) CreateWebhook(ctx context.Context, r CreateWebhookRequestObject) (CreateWebhookResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	hook, err := h.hooks.Create(ctx, r.Body.hook)
	if err != nil {
		return nil, err
	}
	return hookReply{hook}, nil
}

// GetWebhook gives a webhook.
func (h *handlers) GetWebhook(ctx context.Context, r GetWebhookRequestObject) (GetWebhookResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	hook, err := h.hooks.Get(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return hookReply{hook}, nil
}

// ChangeWebhook replaces what is written of a webhook.
func (h *handlers) ChangeWebhook(ctx context.Context, r ChangeWebhookRequestObject) (ChangeWebhookResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	hook, err := h.hooks.Change(ctx, r.ID, r.Params.IfMatch, r.Body.hook)
	if err != nil {
		return nil, err
	}
	return hookReply{hook}, nil
}

// RemoveWebhook removes a webhook.
func (h *handlers) RemoveWebhook(ctx context.Context, r RemoveWebhookRequestObject) (RemoveWebhookResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	if err := h.hooks.Remove(ctx, r.ID); err != nil {
		return nil, err
	}
	return RemoveWebhook204Response{}, nil
}

// RotateWebhook gives a webhook a new secret.
func (h *handlers) RotateWebhook(ctx context.Context, r RotateWebhookRequestObject) (RotateWebhookResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	hook, err := h.hooks.Rotate(ctx, r.ID, r.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	return hookReply{hook}, nil
}

// PingWebhook sends a notice to try a webhook.
func (h *handlers) PingWebhook(ctx context.Context, r PingWebhookRequestObject) (PingWebhookResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	d, err := h.hooks.Ping(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return sentReply{r.ID, d}, nil
}

// ListWebhookDeliveries gives a page of deliveries.
func (h *handlers) ListWebhookDeliveries(ctx context.Context, r ListWebhookDeliveriesRequestObject) (ListWebhookDeliveriesResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	page, err := h.hooks.Deliveries(ctx, r.ID, r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	return ListWebhookDeliveries200JSONResponse(page), nil
}

// GetWebhookDelivery gives a delivery.
func (h *handlers) GetWebhookDelivery(ctx context.Context, r GetWebhookDeliveryRequestObject) (GetWebhookDeliveryResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	d, err := h.hooks.Delivery(ctx, r.ID, r.Delivery)
	if err != nil {
		return nil, err
	}
	return GetWebhookDelivery200JSONResponse(d), nil
}

// ReplayWebhookDelivery sends a notice again.
func (h *handlers) ReplayWebhookDelivery(ctx context.Context, r ReplayWebhookDeliveryRequestObject) (ReplayWebhookDeliveryResponseObject, error) {
	if h.hooks == nil {
		return nil, errNoHooks
	}
	d, err := h.hooks.Replay(ctx, r.ID, r.Delivery)
	if err != nil {
		return nil, err
	}
	return sentReply{r.ID, d}, nil
}
