package service

import (
	"context"
	"time"
)

// Webhooks keeps the addresses that a tenant wants to be told at, and what was
// sent to them.
type Webhooks interface {
	// PutWebhook keeps a webhook: revision 1 is a new one, a later one replaces what
	// is there. It fails with ErrStale unless the revision is the next.
	PutWebhook(ctx context.Context, w Webhook) error
	// GetWebhook returns a webhook, or an error that wraps ErrNotFound.
	GetWebhook(ctx context.Context, id string) (Webhook, error)
	// ListWebhooks returns the tenant's webhooks, oldest first. There are few.
	ListWebhooks(ctx context.Context) ([]Webhook, error)
	// RemoveWebhook removes a webhook with its deliveries; ErrNotFound if there is none.
	RemoveWebhook(ctx context.Context, id string) error
	// PutDelivery keeps something to be sent and adds its job in the same step. Of one
	// webhook and event there is one delivery, replays apart: if it is there already
	// nothing changes and added is false.
	PutDelivery(ctx context.Context, d Delivery) (added bool, err error)
	// NoteAttempt adds an attempt to a delivery and sets its state.
	NoteAttempt(ctx context.Context, id string, a Attempt, state DeliveryState) error
	// GetDelivery returns a delivery with its attempts, or an error that wraps
	// ErrNotFound.
	GetDelivery(ctx context.Context, id string) (Delivery, error)
	// ListDeliveries returns the deliveries of a webhook with their attempts, newest
	// first and, of one time, the greater id first; only what comes after the
	// position, if there is one.
	ListDeliveries(ctx context.Context, webhook string, after *Position, limit int) ([]Delivery, error)
	// DropDeliveries removes at most so many deliveries that are not pending and were
	// made before a time, of all tenants. It needs no caller.
	DropDeliveries(ctx context.Context, before time.Time, limit int) (int, error)
}

// Webhook is an address that is told of events.
type Webhook struct {
	ID         string
	Revision   int // 1 first
	CreatedAt  time.Time
	CreatedBy  string // subject
	URL        string
	Events     []EventType
	Paused     bool
	Note       string
	Generation int       // of its secret, 1 first
	RotatedAt  time.Time // when the secret became what it is
}

// EventType says what happened.
type EventType string

// The events.
const (
	EventAuditEnded  EventType = "audit.ended"  // an audit was done, cancelled, or failed
	EventLawChanged  EventType = "law.changed"  // rulesets were published or withdrawn
	EventImpactEnded EventType = "impact.ended" // what a change of law moves is known
	EventPing        EventType = "ping"         // somebody tries the webhook
)

// EventTypes lists those that a webhook can ask for; a ping goes to every one.
var EventTypes = []EventType{EventAuditEnded, EventLawChanged, EventImpactEnded}

// Delivery is one event on its way to one webhook.
type Delivery struct {
	ID        string
	Webhook   string // id
	Event     string // id; the same for all that are told of it, and for replays
	Type      EventType
	CreatedAt time.Time
	Body      []byte // JSON, as it is sent
	State     DeliveryState
	ReplayOf  string // id of a delivery; empty for a first one
	Attempts  []Attempt
}

// Position is its place in the list.
func (d Delivery) Position() Position { return Position{CreatedAt: d.CreatedAt, ID: d.ID} }

// DeliveryState is where a delivery is.
type DeliveryState string

// The states of a delivery.
const (
	DeliveryPending   DeliveryState = "pending"
	DeliveryDelivered DeliveryState = "delivered"
	DeliveryFailed    DeliveryState = "failed" // given up
)

// Attempt is one try to deliver.
type Attempt struct {
	At     time.Time     `json:"at"`
	Took   time.Duration `json:"took"`
	Status int           `json:"status"` // HTTP status; 0 if there was no reply
	Fault  string        `json:"fault"`  // what went wrong; empty if nothing
}
