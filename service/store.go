package service

import (
	"context"
	"time"

	"drawgear/rules"
)

// Store keeps assessments. Implementations pass the suite in db/storetest.
//
// What a method takes or gives belongs to the caller: a store copies the bytes
// it keeps and the bytes it hands out. Every method fails with the error of its
// context once that has ended, and with an error that wraps ErrUnavailable if
// the store cannot be reached.
type Store interface {
	// Put keeps a record under a new id; it fails if the id is taken. CreatedAt
	// is in whole microseconds.
	Put(ctx context.Context, r Record) error
	// Get returns the record, or an error that wraps ErrNotFound.
	Get(ctx context.Context, id string) (Record, error)
	// List returns summaries that pass the filter, newest first and, of one
	// time, the greater id first.
	List(ctx context.Context, f Filter) ([]Summary, error)
	// Status says what kind of store this is and how it does. Next to an error
	// it still says the kind.
	Status(ctx context.Context) (StoreStatus, error)
}

// Record is an assessment as a store keeps it. Rig and Answer are JSON whose
// bytes must come back as they were: their digests are compared.
type Record struct {
	Summary
	Rig    []byte
	Answer []byte
}

// Summary is an assessment in a list.
type Summary struct {
	ID           string        `json:"id"`
	CreatedAt    time.Time     `json:"created_at"`
	Jurisdiction string        `json:"jurisdiction"`
	AsOf         string        `json:"as_of"`
	Verdict      rules.Verdict `json:"verdict"`
	AnswerSHA256 string        `json:"answer_sha256"`
}

func (s Summary) position() Position { return Position{CreatedAt: s.CreatedAt, ID: s.ID} }

// Position is a place in the list of assessments. It stays where it is while
// others come and go.
type Position struct {
	CreatedAt time.Time
	ID        string
}

// Compare orders positions from older to newer.
func (p Position) Compare(q Position) int {
	if c := p.CreatedAt.Compare(q.CreatedAt); c != 0 {
		return c
	}
	switch {
	case p.ID < q.ID:
		return -1
	case p.ID > q.ID:
		return 1
	default:
		return 0
	}
}

// Filter picks summaries.
type Filter struct {
	Jurisdiction string        // empty for all
	Verdict      rules.Verdict // empty for all
	After        *Position     // only what comes after it in the list, that is older; nil from the start
	Limit        int           // at most so many; above 0
}

// StoreStatus describes a store, for the ready page and the log.
type StoreStatus struct {
	Kind      string `json:"kind"` // memory or postgres
	Available bool   `json:"available"`
	Durable   bool   `json:"durable"` // records outlive the process
	Note      string `json:"note"`
	Kept      *int   `json:"kept,omitempty"`  // records now, if the store counts them
	Limit     int    `json:"limit,omitempty"` // the oldest go beyond this; 0 for never
}
