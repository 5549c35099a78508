package service

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
)

// auditShared is what the chunks of an audit have in common. It stays as it was when
// the audit began, and so it is read once for many of them.
type auditShared struct {
	sums   lawSums
	offers offers
	head   []byte // of a file
}

func (a *Auditor) sharedBy(ctx context.Context, id string, ask *AuditAsk) (*auditShared, error) {
	return a.shared.get(ctx, id, func() (*auditShared, error) {
		out := &auditShared{}
		text, err := a.store.GetAuditInput(ctx, id, inputLaw)
		if err != nil {
			return nil, fmt.Errorf("get the law of an audit: %w", err)
		}
		if err := json.Unmarshal(text, &out.sums); err != nil {
			return nil, fmt.Errorf("%w: %w", errChunk, err)
		}
		if text, err = a.store.GetAuditInput(ctx, id, inputOffers); err != nil {
			return nil, fmt.Errorf("get the offers of an audit: %w", err)
		}
		if out.offers, err = readOffers(text); err != nil {
			return nil, err
		}
		if ask.Source.Kind == AuditCSV || ask.Source.Kind == AuditNDJSON {
			if out.head, err = a.store.GetAuditInput(ctx, id, inputHead); err != nil {
				return nil, fmt.Errorf("get the head of an audit: %w", err)
			}
		}
		return out, nil
	})
}

// lastAudits remembers something of the audits that were worked on last.
type lastAudits[T any] struct {
	mu   sync.Mutex
	last []lastAudit[T] // most recent first
}

type lastAudit[T any] struct {
	tenant, audit string
	what          T
}

const maxLastAudits = 2 // of pairs each has maxSideBytes twice at most

// get reads it, unless it is remembered. Workers do not all read it: one does, and
// the others wait.
func (r *lastAudits[T]) get(ctx context.Context, audit string, read func() (T, error)) (T, error) {
	var none T
	tenant, err := TenantOf(ctx)
	if err != nil {
		return none, err
	}
	over := Waiting(ctx) // others who read may wait for a turn
	r.mu.Lock()
	over()
	defer r.mu.Unlock()
	if i := slices.IndexFunc(r.last, func(x lastAudit[T]) bool { return x.tenant == tenant && x.audit == audit }); i >= 0 {
		return r.last[i].what, nil
	}
	what, err := read()
	if err != nil {
		return none, err
	}
	r.last = slices.Insert(r.last, 0, lastAudit[T]{tenant, audit, what})
	r.last = r.last[:min(len(r.last), maxLastAudits)]
	return what, nil
}
