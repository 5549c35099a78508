package memory

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"drawgear/service"
)

// chunkID names a chunk of an audit.
type chunkID struct {
	audit  string
	number int
}

// inputID names what the chunks of an audit share.
type inputID struct{ audit, name string }

// auditCost is what an audit, a chunk or an outcome takes beside its texts.
const auditCost = 256

// CreateAudit keeps an audit that has no rows yet.
func (s *Store) CreateAudit(ctx context.Context, a service.AuditRecord) error {
	return s.ofAudit(ctx, "create", a.ID, func(at owned[string], d *data) error {
		if _, taken := d.audits.get(at); taken {
			return errors.New("the id is taken")
		}
		if err := d.weigh(at, auditCost+len(a.Ask), s.bytes); err != nil {
			return err
		}
		a = copyAudit(a)
		a.State = service.AuditReceiving
		d.audits.put(at, a)
		return nil
	})
}

// PutAuditInput keeps a copy.
func (s *Store) PutAuditInput(ctx context.Context, id, name string, input []byte) error {
	return s.ofAudit(ctx, "put an input of", id, func(at owned[string], d *data) error {
		if _, err := d.audit(at, service.AuditReceiving); err != nil {
			return err
		}
		if err := d.weigh(at, auditCost+len(input), s.bytes); err != nil {
			return err
		}
		d.auditInputs.put(owned[inputID]{at.tenant, inputID{id, name}}, bytes.Clone(input))
		return nil
	})
}

// GetAuditInput returns a copy.
func (s *Store) GetAuditInput(ctx context.Context, id, name string) (out []byte, err error) {
	err = s.readOwn(ctx, func(tenant string, d *data) error {
		kept, ok := d.auditInputs.get(owned[inputID]{tenant, inputID{id, name}})
		if !ok {
			return service.ErrNotFound
		}
		out = bytes.Clone(kept)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("get input %s of audit %s: %w", name, id, err)
	}
	return out, nil
}

// PutAuditChunk keeps a copy.
func (s *Store) PutAuditChunk(ctx context.Context, id string, c service.AuditChunk) error {
	return s.ofAudit(ctx, "put a chunk of", id, func(at owned[string], d *data) error {
		if _, err := d.audit(at, service.AuditReceiving); err != nil {
			return err
		}
		to := owned[chunkID]{at.tenant, chunkID{id, c.Number}}
		if _, taken := d.auditChunks.get(to); taken {
			return errors.New("the chunk is there already")
		}
		if err := d.weigh(at, auditCost+len(c.Input), s.bytes); err != nil {
			return err
		}
		c.Input = bytes.Clone(c.Input)
		d.auditChunks.put(to, c)
		return nil
	})
}

// StartAudit adds the jobs of an audit and lets it run.
func (s *Store) StartAudit(ctx context.Context, id string, chunks int, rows int64, when time.Time) error {
	return s.ofAudit(ctx, "start", id, func(at owned[string], d *data) error {
		a, err := d.audit(at, service.AuditReceiving)
		if err != nil {
			return err
		}
		a.State, a.Chunks, a.Rows, a.StartedAt = service.AuditRunning, chunks, rows, when
		if chunks == 0 {
			a.State, a.EndedAt = service.AuditDone, when
		}
		d.audits.put(at, a)
		for n := range chunks {
			d.addJobs(service.Job{Kind: service.JobAudit, Tenant: at.tenant, ID: id, Number: n})
		}
		return nil
	})
}

// FinishChunk keeps what came of a chunk, unless something is kept already.
func (s *Store) FinishChunk(ctx context.Context, id string, number int, o service.AuditOutcome, when time.Time) (out service.AuditRecord, err error) {
	err = s.ofAudit(ctx, "finish a chunk of", id, func(at owned[string], d *data) error {
		a, err := d.audit(at, service.AuditRunning, service.AuditDone)
		if err != nil {
			return err
		}
		to := owned[chunkID]{at.tenant, chunkID{id, number}}
		c, ok := d.auditChunks.get(to)
		if !ok {
			return fmt.Errorf("chunk %d: %w", number, service.ErrNotFound)
		}
		if _, kept := d.auditOutcomes.get(to); !kept {
			if err := d.weigh(at, auditCost+len(o.Items)+len(o.Tally), s.bytes); err != nil {
				return err
			}
			d.auditOutcomes.put(to, service.AuditOutcome{
				Number: number, First: c.First, Rows: c.Rows, Items: bytes.Clone(o.Items), Tally: bytes.Clone(o.Tally),
			})
			a.ChunksDone, a.RowsDone = a.ChunksDone+1, a.RowsDone+int64(c.Rows)
			if a.ChunksDone == a.Chunks {
				a.State, a.EndedAt = service.AuditDone, when
			}
			d.audits.put(at, a)
		}
		out = copyAudit(a)
		return nil
	})
	return out, err
}

// EndAudit cancels an audit or gives it up.
func (s *Store) EndAudit(ctx context.Context, id string, to service.AuditState, note string, when time.Time) error {
	return s.ofAudit(ctx, "end", id, func(at owned[string], d *data) error {
		a, err := d.audit(at, service.AuditReceiving, service.AuditRunning)
		if err != nil {
			return err
		}
		if to != service.AuditCancelled && to != service.AuditFailed {
			return fmt.Errorf("to the state %s: %w", to, service.ErrState)
		}
		a.State, a.Note, a.EndedAt = to, note, when
		d.audits.put(at, a)
		return nil
	})
}

// GetAudit returns a copy.
func (s *Store) GetAudit(ctx context.Context, id string) (out service.AuditRecord, err error) {
	err = s.readOwn(ctx, func(tenant string, d *data) error {
		a, ok := d.audits.get(owned[string]{tenant, id})
		if !ok {
			return service.ErrNotFound
		}
		out = copyAudit(a)
		return nil
	})
	if err != nil {
		return service.AuditRecord{}, fmt.Errorf("get audit %s: %w", id, err)
	}
	return out, nil
}

// ListAudits sorts the audits of the tenant.
func (s *Store) ListAudits(ctx context.Context, after *service.Position, limit int) (out []service.AuditRecord, err error) {
	err = s.readOwn(ctx, func(tenant string, d *data) error {
		for at, a := range d.audits.all() {
			if at.tenant == tenant && (after == nil || a.Position().Compare(*after) < 0) {
				out = append(out, copyAudit(a))
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list audits: %w", err)
	}
	slices.SortFunc(out, func(a, b service.AuditRecord) int { return b.Position().Compare(a.Position()) })
	return out[:min(len(out), limit)], nil
}

// GetAuditChunk returns a copy.
func (s *Store) GetAuditChunk(ctx context.Context, id string, number int) (out service.AuditChunk, err error) {
	err = s.readOwn(ctx, func(tenant string, d *data) error {
		c, ok := d.auditChunks.get(owned[chunkID]{tenant, chunkID{id, number}})
		if !ok {
			return service.ErrNotFound
		}
		out = c
		out.Input = bytes.Clone(c.Input)
		return nil
	})
	if err != nil {
		return service.AuditChunk{}, fmt.Errorf("get chunk %d of audit %s: %w", number, id, err)
	}
	return out, nil
}

// ListAuditOutcomes goes through the chunks in their order.
func (s *Store) ListAuditOutcomes(ctx context.Context, id string, from, limit int, items bool) (out []service.AuditOutcome, err error) {
	err = s.readOwn(ctx, func(tenant string, d *data) error {
		a, ok := d.audits.get(owned[string]{tenant, id})
		if !ok {
			return service.ErrNotFound
		}
		for n := from; n < a.Chunks && len(out) < limit; n++ {
			o, done := d.auditOutcomes.get(owned[chunkID]{tenant, chunkID{id, n}})
			if !done {
				continue
			}
			o.Tally = bytes.Clone(o.Tally)
			if o.Items = bytes.Clone(o.Items); !items {
				o.Items = nil
			}
			out = append(out, o)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list what came of audit %s: %w", id, err)
	}
	return out, nil
}

// DropAudits removes audits of all tenants, the oldest first.
func (s *Store) DropAudits(ctx context.Context, ended, receiving time.Time, limit int) (n int, err error) {
	err = s.write(ctx, func(d *data) error {
		for _, at := range d.auditsByAge(func(a service.AuditRecord) bool {
			return a.State.Ended() && a.EndedAt.Before(ended) || a.State == service.AuditReceiving && a.CreatedAt.Before(receiving)
		}) {
			if n == limit {
				break
			}
			d.dropAudit(at)
			n++
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("drop audits: %w", err)
	}
	return n, nil
}

// ofAudit changes an audit of the caller's tenant.
func (s *Store) ofAudit(ctx context.Context, what, id string, change func(at owned[string], d *data) error) error {
	err := s.writeOwn(ctx, func(tenant string, d *data) error {
		if _, known := d.tenants.get(tenant); !known {
			return fmt.Errorf("there is no tenant %s", tenant)
		}
		return change(owned[string]{tenant, id}, d)
	})
	if err != nil {
		return fmt.Errorf("%s audit %s: %w", what, id, err)
	}
	return nil
}

// audit returns an audit that is in one of the states.
func (d *data) audit(at owned[string], states ...service.AuditState) (service.AuditRecord, error) {
	a, ok := d.audits.get(at)
	if !ok {
		return a, service.ErrNotFound
	}
	if !slices.Contains(states, a.State) {
		return a, fmt.Errorf("it is %s: %w", a.State, service.ErrState)
	}
	return a, nil
}

// weigh counts bytes for an audit. Audits that have ended go to make room, the
// oldest first; those that have not stay.
func (d *data) weigh(at owned[string], more, most int) error {
	open := more
	for other, size := range d.auditSizes.all() {
		if a, _ := d.audits.get(other); other == at || !a.State.Ended() {
			open += size
		}
	}
	if open > most {
		return service.ErrFull
	}
	size, _ := d.auditSizes.get(at)
	d.auditSizes.put(at, size+more)
	d.audited += more
	for _, old := range d.auditsByAge(func(a service.AuditRecord) bool { return a.State.Ended() }) {
		if d.audited <= most {
			break
		}
		if old != at {
			d.dropAudit(old)
		}
	}
	return nil
}

// auditsByAge lists audits that pass, the oldest first.
func (d *data) auditsByAge(pass func(service.AuditRecord) bool) []owned[string] {
	var found []entry
	for at, a := range d.audits.all() {
		if pass(a) {
			found = append(found, entry{a.Position(), at.tenant})
		}
	}
	slices.SortFunc(found, entry.compare)
	out := make([]owned[string], len(found))
	for i, e := range found {
		out[i] = owned[string]{e.tenant, e.ID}
	}
	return out
}

// dropAudit removes an audit with all that belongs to it. Its jobs find nothing.
func (d *data) dropAudit(at owned[string]) {
	size, _ := d.auditSizes.get(at)
	d.audited -= size
	d.auditSizes.remove(at)
	d.audits.remove(at)
	for in := range d.auditInputs.all() {
		if in.tenant == at.tenant && in.key.audit == at.key {
			d.auditInputs.remove(in)
		}
	}
	for n := 0; ; n++ {
		to := owned[chunkID]{at.tenant, chunkID{at.key, n}}
		if _, ok := d.auditChunks.get(to); !ok {
			return
		}
		d.auditChunks.remove(to)
		d.auditOutcomes.remove(to)
	}
}

func copyAudit(a service.AuditRecord) service.AuditRecord {
	a.Ask = bytes.Clone(a.Ask)
	return a
}
