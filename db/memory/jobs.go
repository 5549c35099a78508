package memory

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"drawgear/service"
)

// jobID is what tells one job from another.
type jobID struct {
	kind   service.JobKind
	tenant string
	id     string
	number int
}

// work is a job with where it stands. Attempt counts those that failed.
type work struct {
	service.Job
	seq     int64 // in which it came
	running bool
	doneAt  time.Time // zero until it is done or given up
}

// again is how long a job that is done is remembered, so that it is not added
// again.
const again = 24 * time.Hour

// idle is after how long it is looked again for jobs, at the latest.
const idle = time.Second

// addJobs adds jobs that are not there yet.
func (d *data) addJobs(jobs ...service.Job) {
	for _, j := range jobs {
		at := jobID{j.Kind, j.Tenant, j.ID, j.Number}
		if _, there := d.jobs.get(at); there {
			continue
		}
		d.jobSeq++
		j.Attempt = 0
		d.jobs.put(at, work{Job: j, seq: d.jobSeq})
		d.waiting.put(at, struct{}{})
	}
}

// Enqueue adds jobs.
func (s *Store) Enqueue(ctx context.Context, jobs ...service.Job) error {
	err := s.write(ctx, func(d *data) error {
		d.addJobs(jobs...)
		return nil
	})
	if err != nil {
		return fmt.Errorf("enqueue %d jobs: %w", len(jobs), err)
	}
	return nil
}

// Backlog counts the jobs that are not done.
func (s *Store) Backlog(ctx context.Context) (map[service.JobKind]int64, error) {
	out := map[service.JobKind]int64{}
	err := s.read(ctx, func(d *data) error {
		for at, w := range d.jobs.all() {
			if w.doneAt.IsZero() {
				out[at.kind]++
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("count jobs: %w", err)
	}
	return out, nil
}

// Work carries out jobs in goroutines of this process.
func (s *Store) Work(ctx context.Context, workers int, do func(ctx context.Context, j service.Job) error) error {
	if workers < 1 {
		return errors.New("work with no workers")
	}
	free := make(chan struct{}, workers)
	var hands sync.WaitGroup
	defer hands.Wait()
	for {
		select {
		case free <- struct{}{}:
		case <-ctx.Done():
		}
		if ctx.Err() != nil {
			return nil
		}
		j, wait, ok := s.take()
		if ok {
			hands.Go(func() {
				defer func() { <-free }()
				limited, cancel := context.WithTimeout(ctx, service.JobTime)
				defer cancel()
				s.settleJob(j, j.Run(limited, do), ctx.Err() != nil)
			})
			continue
		}
		<-free
		look := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-look.C:
		case <-s.wake:
		}
		look.Stop()
	}
}

// take marks the job that is next as running: of those whose time has come the
// one that matters most, and of these the first that came. If there is none it
// says when to look again. What was done long ago it forgets.
func (s *Store) take() (_ service.Job, wait time.Duration, ok bool) {
	wait = idle
	var next *work
	var at jobID
	err := s.write(context.Background(), func(d *data) error {
		for len(d.finished) > 0 {
			w, _ := d.jobs.get(d.finished[0])
			if time.Since(w.doneAt) < again {
				break
			}
			d.jobs.remove(d.finished[0])
			d.finished = d.finished[1:]
		}
		for id := range d.waiting.all() {
			w, _ := d.jobs.get(id)
			if due := time.Until(w.RunAt); due > 0 {
				wait = min(wait, due)
				continue
			}
			if next == nil || cmp.Or(cmp.Compare(w.Priority(), next.Priority()), cmp.Compare(w.seq, next.seq)) < 0 {
				next, at = &w, id
			}
		}
		if next == nil {
			return nil
		}
		next.running = true
		d.jobs.put(at, *next)
		d.waiting.remove(at)
		return nil
	})
	if err != nil || next == nil {
		return service.Job{}, wait, false
	}
	j := next.Job
	j.Attempt++
	return j, 0, true
}

// rouse lets Work look for jobs.
func (s *Store) rouse() {
	select {
	case s.wake <- struct{}{}:
	default: // it will look anyway
	}
}

// settleJob keeps how an attempt went. One that was broken off does not count.
func (s *Store) settleJob(j service.Job, failed error, broken bool) {
	at := jobID{j.Kind, j.Tenant, j.ID, j.Number}
	_ = s.write(context.Background(), func(d *data) error { // only a store at its end fails, and then nothing is left to do
		w, ok := d.jobs.get(at)
		if !ok {
			return nil
		}
		w.running = false
		switch {
		case failed == nil:
			w.doneAt = time.Now()
		case broken:
		default:
			w.Attempt = j.Attempt
			if w.RunAt = time.Now().Add(s.backoff(j.Attempt)); j.Attempt >= service.MaxJobAttempts {
				w.doneAt = time.Now()
			}
			s.rouse() // to see when its time comes again
		}
		d.jobs.put(at, w)
		if w.doneAt.IsZero() {
			d.waiting.put(at, struct{}{})
		} else {
			d.finished = append(d.finished, at)
		}
		return nil
	})
}
