package service_test

import (
	"context"
	"time"

	"drawgear/db/memory"
	"drawgear/service"
)

// auditStore is the store in memory, with what a test needs that no store does: it
// notes the jobs that are added, so that a test carries them out in an order of its
// own, forgets or spoils rows, and fails when it is told to.
type auditStore struct {
	*memory.Store
	jobs  []service.Job
	seen  map[service.Job]bool
	given []service.AuditOutcome // to FinishChunk

	forget bool   // rows are not kept
	lose   bool   // what came of rows is not kept, as if the worker had gone before
	spoilt []byte // what there is in place of rows, if anything
	fail   func(method string) error
}

func newAuditStore() *auditStore {
	return &auditStore{Store: memory.New(0), seen: map[service.Job]bool{}, fail: func(string) error { return nil }}
}

// note notes jobs that were not there before.
func (s *auditStore) note(jobs ...service.Job) {
	for _, j := range jobs {
		if !s.seen[j] {
			s.seen[j] = true
			s.jobs = append(s.jobs, j)
		}
	}
}

func (s *auditStore) Enqueue(ctx context.Context, jobs ...service.Job) error {
	if err := s.Store.Enqueue(ctx, jobs...); err != nil {
		return err
	}
	s.note(jobs...)
	return nil
}

func (s *auditStore) PutAuditChunk(ctx context.Context, id string, c service.AuditChunk) error {
	if s.forget {
		c.Input = nil
	}
	return s.Store.PutAuditChunk(ctx, id, c)
}

func (s *auditStore) GetAuditChunk(ctx context.Context, id string, number int) (service.AuditChunk, error) {
	if err := s.fail("GetAuditChunk"); err != nil {
		return service.AuditChunk{}, err
	}
	c, err := s.Store.GetAuditChunk(ctx, id, number)
	if s.spoilt != nil {
		c.Input = s.spoilt
	}
	return c, err
}

func (s *auditStore) StartAudit(ctx context.Context, id string, chunks int, rows int64, at time.Time) error {
	if err := s.fail("StartAudit"); err != nil {
		return err
	}
	if err := s.Store.StartAudit(ctx, id, chunks, rows, at); err != nil {
		return err
	}
	tenant, err := service.TenantOf(ctx)
	for n := range chunks {
		s.note(service.Job{Kind: service.JobAudit, Tenant: tenant, ID: id, Number: n})
	}
	return err
}

func (s *auditStore) FinishChunk(ctx context.Context, id string, number int, o service.AuditOutcome, at time.Time) (service.AuditRecord, error) {
	s.given = append(s.given, o)
	if s.lose {
		return s.GetAudit(ctx, id)
	}
	return s.Store.FinishChunk(ctx, id, number, o, at)
}

func (s *auditStore) EndAudit(ctx context.Context, id string, to service.AuditState, note string, at time.Time) error {
	if err := s.fail("EndAudit"); err != nil {
		return err
	}
	return s.Store.EndAudit(ctx, id, to, note, at)
}
