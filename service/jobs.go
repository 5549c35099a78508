package service

import (
	"context"
	"fmt"
	"runtime/debug"
	"time"
)

// JobKind names what a job does.
type JobKind string

// The kinds of jobs.
const (
	JobAudit    JobKind = "audit"    // answer one chunk of an audit
	JobImpact   JobKind = "impact"   // look what a change of law moves, for one tenant
	JobDelivery JobKind = "delivery" // send one notice to a webhook
)

// Job is work that goes on after the reply to the request that asked for it.
// It names what there is to do; what it needs is in the store.
type Job struct {
	Kind   JobKind
	Tenant string    // UUID, on whose behalf
	ID     string    // of the audit or the delivery; of an impact, its mark
	Number int       // of the chunk, from 0
	RunAt  time.Time // not before; zero for at once

	Attempt int // which time it is tried, 1 first; set by who carries it out
}

// Priority orders jobs that could begin: 1 first. What is soon done does not wait
// for audits, which may have thousands.
func (j Job) Priority() int {
	switch j.Kind {
	case JobDelivery:
		return 1
	case JobImpact:
		return 2
	default:
		return 3
	}
}

// Run does a job for its tenant. That do panics is an error, with the stack.
func (j Job) Run(ctx context.Context, do func(ctx context.Context, j Job) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%s job %s/%d: panic: %v\n%s", j.Kind, j.ID, j.Number, p, debug.Stack())
		}
	}()
	return do(WithCaller(ctx, Caller{Tenant: j.Tenant, Subject: JobSubject, Scopes: Scopes}), j)
}

// Job limits. They hold for every runner.
const (
	MaxJobAttempts = 12               // after so many failures a job is given up
	JobTime        = 5 * time.Minute  // for one attempt; its context ends then
	JobRescue      = 6 * time.Minute  // after which a job whose worker is gone is taken up by another
	jobBackoff     = 5 * time.Second  // before the second attempt; doubled each time
	maxJobBackoff  = 30 * time.Minute // between attempts
)

// JobBackoff is how long a job waits after its attempt failed: 5 s after the
// first, twice as long each time, half an hour at most.
func JobBackoff(attempt int) time.Duration {
	wait := jobBackoff
	for ; attempt > 1 && wait < maxJobBackoff; attempt-- {
		wait *= 2
	}
	return min(wait, maxJobBackoff)
}

// Jobs is a queue that workers share. Jobs are added by the methods of a store
// that make work, in the same step as what they are about, so that neither is
// there without the other.
type Jobs interface {
	// Enqueue adds jobs that nothing else in the store is about. One of the same
	// kind, tenant, id and number that is waiting or running, or was done or given up
	// within the last day, is not added again. It needs no caller.
	Enqueue(ctx context.Context, jobs ...Job) error
	// Work carries out the jobs of all tenants, so many at a time, until the
	// context ends; then it waits for those in hand, whose contexts end too, and
	// returns nil. do is given a context that carries a Caller of the tenant of the
	// job. Every job is carried out at least once, and one that fails again after
	// JobBackoff, up to MaxJobAttempts; one whose worker was killed is taken up by
	// another after the rescue time of the store. What do does must therefore be
	// such that a second time changes nothing. It needs no caller.
	Work(ctx context.Context, workers int, do func(ctx context.Context, j Job) error) error
	// Backlog is how many jobs of each kind wait or run. It needs no caller.
	Backlog(ctx context.Context) (map[JobKind]int64, error)
}

// JobSubject is the subject of the caller on whose behalf a job runs.
const JobSubject = "job"
