package storetest

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"drawgear/service"
)

// RunJobs holds a store to what service.Jobs promises. open gives an empty store
// that waits so long before it tries a job again that failed.
func RunJobs(t *testing.T, open func(t *testing.T, again time.Duration) service.FullStore) {
	const soon, late = time.Millisecond, time.Hour
	tests := []struct {
		name  string
		again time.Duration
		test  func(t *testing.T, s service.FullStore)
	}{
		{"carries out every job for its tenant", soon, jobsCarriedOut},
		{"carries out so many at a time", soon, jobsAtATime},
		{"tries a job again that failed", soon, jobsRetried},
		{"tries a job again that panicked", soon, jobsPanicking},
		{"gives up what fails again and again", soon, jobsGivenUp},
		{"keeps what failed for later and goes on", late, jobsNotHeldUp},
		{"adds a job once", soon, jobsUnique},
		{"does first what matters most", soon, jobsOrdered},
		{"waits for the time of a job", soon, jobsLater},
		{"breaks off what is in hand and keeps it", late, jobsStopped},
		{"adds jobs with the step that makes them", soon, jobsInStep},
		{"adds the jobs of an audit with its start", soon, jobsOfAudit},
		{"wants workers", soon, jobsWithoutWorkers},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel() // they wait more than they work
			s := open(t, tt.again)
			for _, id := range []string{tenantA, tenantB} {
				must(t, s.PutTenant(t.Context(), service.Tenant{ID: id, Name: "tenant " + id[:1], CreatedAt: start}))
			}
			tt.test(t, s)
		})
	}
}

// patience is how long a test waits for what must come. It is no measure of time.
const patience = 2 * time.Minute

// work lets a store work, and gives what ends that, which looks how it ended.
func work(t *testing.T, s service.FullStore, workers int, do func(ctx context.Context, j service.Job) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Work(ctx, workers, do) }()
	stop = sync.OnceFunc(func() {
		t.Helper()
		cancel()
		if err := wait(t, "Work to end", done); err != nil {
			t.Errorf("Work: %v", err)
		}
	})
	t.Cleanup(stop)
	return stop
}

// wait gives what comes next, and fails the test if nothing does.
func wait[T any](t *testing.T, what string, c <-chan T) (v T) {
	t.Helper()
	select {
	case v = <-c:
	case <-time.After(patience):
		t.Fatalf("waited in vain for %s", what)
	}
	return v
}

// job is one of a kind of tenant A.
func job(kind service.JobKind, id string, number int) service.Job {
	return service.Job{Kind: kind, Tenant: tenantA, ID: id, Number: number}
}

// wantBacklog waits until the store has noted what was done.
func wantBacklog(t *testing.T, s service.FullStore, want map[service.JobKind]int64) {
	t.Helper()
	var have map[service.JobKind]int64
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if have = got[map[service.JobKind]int64](t)(s.Backlog(t.Context())); reflect.DeepEqual(have, want) {
			return
		}
	}
	t.Fatalf("the backlog is %v, want %v", have, want)
}

func nothing() map[service.JobKind]int64 { return map[service.JobKind]int64{} }

func jobsCarriedOut(t *testing.T, s service.FullStore) {
	var want []service.Job
	for n := range 20 {
		for _, kind := range []service.JobKind{service.JobAudit, service.JobImpact, service.JobDelivery} {
			for _, tenant := range []string{tenantA, tenantB} {
				want = append(want, service.Job{Kind: kind, Tenant: tenant, ID: "x", Number: n})
			}
		}
	}
	must(t, s.Enqueue(t.Context(), want[:50]...))
	wantBacklog(t, s, map[service.JobKind]int64{service.JobAudit: 18, service.JobImpact: 16, service.JobDelivery: 16})
	seen := make(chan service.Job, 10*len(want))
	stop := work(t, s, 4, func(ctx context.Context, j service.Job) error {
		if tenant, err := service.TenantOf(ctx); err != nil || tenant != j.Tenant {
			t.Errorf("a job of %s is done for %s (%v)", j.Tenant, tenant, err)
		}
		if _, bounded := ctx.Deadline(); !bounded {
			t.Error("an attempt may take for ever")
		}
		seen <- j
		return nil
	})
	// Those that come while it works are done as well.
	must(t, s.Enqueue(t.Context(), want[50:]...))
	times := map[service.Job]int{}
	for len(times) < len(want) {
		j := wait(t, "all jobs", seen)
		if j.Attempt != 1 {
			t.Errorf("attempt %d of a job that was never tried", j.Attempt)
		}
		j.Attempt = 0
		times[j]++
	}
	wantBacklog(t, s, nothing())
	stop()
	for _, j := range want {
		if times[j] != 1 {
			t.Errorf("%+v was done %d times", j, times[j])
		}
	}
}

func jobsAtATime(t *testing.T, s service.FullStore) {
	const workers = 3
	for n := range 10 {
		must(t, s.Enqueue(t.Context(), job(service.JobImpact, "x", n)))
	}
	var mu sync.Mutex
	var now, most int
	begun, resume, done := make(chan int, 10), make(chan bool), make(chan int, 10)
	work(t, s, workers, func(_ context.Context, j service.Job) error {
		mu.Lock()
		now++
		most = max(most, now)
		mu.Unlock()
		begun <- j.Number
		<-resume
		mu.Lock()
		now--
		mu.Unlock()
		done <- j.Number
		return nil
	})
	// All hands are full at one time, and never more than there are.
	for range workers {
		wait(t, "a job for every hand", begun)
	}
	close(resume)
	for range 10 {
		wait(t, "all jobs", done)
	}
	wantBacklog(t, s, nothing())
	if most != workers {
		t.Errorf("%d jobs were in hand at a time, want %d", most, workers)
	}
}

// jobsRetried: an attempt is counted, and one that succeeds is the last.
func jobsRetried(t *testing.T, s service.FullStore) {
	must(t, s.Enqueue(t.Context(), job(service.JobDelivery, "x", 0)))
	attempts := make(chan int, 100)
	stop := work(t, s, 2, func(_ context.Context, j service.Job) error {
		attempts <- j.Attempt
		if j.Attempt < 3 {
			return fmt.Errorf("attempt %d fails: \x00 \xff", j.Attempt)
		}
		return nil
	})
	for want := range 3 {
		if have := wait(t, "an attempt", attempts); have != want+1 {
			t.Errorf("attempt %d comes as %d", want+1, have)
		}
	}
	wantBacklog(t, s, nothing())
	stop()
	if len(attempts) > 0 {
		t.Error("it was tried again after it had succeeded")
	}
}

func jobsPanicking(t *testing.T, s service.FullStore) {
	must(t, s.Enqueue(t.Context(), job(service.JobDelivery, "x", 0), job(service.JobDelivery, "y", 0)))
	seen := make(chan service.Job, 100)
	work(t, s, 1, func(_ context.Context, j service.Job) error {
		seen <- j
		if j.Attempt == 1 {
			panic("a fault in the work")
		}
		return nil
	})
	wantBacklog(t, s, nothing())
	var have []string
	for len(seen) > 0 {
		j := <-seen
		have = append(have, fmt.Sprint(j.ID, j.Attempt))
	}
	slices.Sort(have)
	same(t, "the attempts", have, []string{"x1", "x2", "y1", "y2"})
}

func jobsGivenUp(t *testing.T, s service.FullStore) {
	must(t, s.Enqueue(t.Context(), job(service.JobDelivery, "x", 0)))
	attempts := make(chan int, 100)
	stop := work(t, s, 2, func(_ context.Context, j service.Job) error {
		attempts <- j.Attempt
		return errors.New("it never succeeds")
	})
	for want := range service.MaxJobAttempts {
		if have := wait(t, "an attempt", attempts); have != want+1 {
			t.Errorf("attempt %d comes as %d", want+1, have)
		}
	}
	wantBacklog(t, s, nothing())
	// What was given up is remembered like what was done.
	must(t, s.Enqueue(t.Context(), job(service.JobDelivery, "x", 0)))
	wantBacklog(t, s, nothing())
	stop()
	if len(attempts) > 0 {
		t.Error("it was tried after it had been given up")
	}
}

func jobsNotHeldUp(t *testing.T, s service.FullStore) {
	for n := range 6 {
		must(t, s.Enqueue(t.Context(), job(service.JobImpact, "x", n)))
	}
	seen := make(chan service.Job, 100)
	stop := work(t, s, 1, func(_ context.Context, j service.Job) error {
		seen <- j
		if j.Number < 3 {
			return errors.New("not now")
		}
		return nil
	})
	wantBacklog(t, s, map[service.JobKind]int64{service.JobImpact: 3})
	stop()
	times := map[int]int{}
	for len(seen) > 0 {
		times[(<-seen).Number]++
	}
	same(t, "how often each was tried", times, map[int]int{0: 1, 1: 1, 2: 1, 3: 1, 4: 1, 5: 1})
}

// jobsUnique: a job is what its kind, tenant, id and number say.
func jobsUnique(t *testing.T, s service.FullStore) {
	one := job(service.JobImpact, "x", 0)
	others := []service.Job{
		job(service.JobDelivery, "x", 0), job(service.JobImpact, "X", 0), job(service.JobImpact, "x", 1),
		{Kind: service.JobImpact, Tenant: tenantB, ID: "x"},
	}
	must(t, s.Enqueue(t.Context(), one, one))
	must(t, s.Enqueue(t.Context()))
	again := one
	again.RunAt, again.Attempt = time.Now().Add(time.Hour), 7
	must(t, s.Enqueue(t.Context(), again))
	wantBacklog(t, s, map[service.JobKind]int64{service.JobImpact: 1})

	begun, resume := make(chan service.Job, 100), make(chan bool)
	stop := work(t, s, 1, func(_ context.Context, j service.Job) error {
		begun <- j
		<-resume
		return nil
	})
	if j := wait(t, "the job", begun); j != (service.Job{Kind: service.JobImpact, Tenant: tenantA, ID: "x", Attempt: 1}) {
		t.Errorf("the job is %+v", j)
	}
	must(t, s.Enqueue(t.Context(), one)) // while it runs
	wantBacklog(t, s, map[service.JobKind]int64{service.JobImpact: 1})
	close(resume)
	wantBacklog(t, s, nothing())
	must(t, s.Enqueue(t.Context(), one)) // when it is done
	wantBacklog(t, s, nothing())
	if len(begun) > 0 {
		t.Error("the job was done again")
	}
	must(t, s.Enqueue(t.Context(), append(others, one)...))
	for range others {
		if j := wait(t, "the others", begun); j == one {
			t.Error("the job was done again")
		}
	}
	wantBacklog(t, s, nothing())
	stop()

	// Many who add the same at once, in any order, add it once.
	var wg sync.WaitGroup
	for w := range 8 {
		wg.Go(func() {
			var js []service.Job
			for n := range 20 {
				js = append(js, job(service.JobAudit, "y", (n*7+w*3)%20))
			}
			if err := s.Enqueue(t.Context(), js...); err != nil {
				t.Errorf("Enqueue: %v", err)
			}
		})
	}
	wg.Wait()
	wantBacklog(t, s, map[service.JobKind]int64{service.JobAudit: 20})
}

func jobsOrdered(t *testing.T, s service.FullStore) {
	for n := range 4 {
		must(t, s.Enqueue(t.Context(), job(service.JobAudit, "x", n)))
		must(t, s.Enqueue(t.Context(), job(service.JobImpact, "x", n)))
		must(t, s.Enqueue(t.Context(), job(service.JobDelivery, "x", n)))
	}
	seen := make(chan service.JobKind, 100)
	work(t, s, 1, func(_ context.Context, j service.Job) error { seen <- j.Kind; return nil })
	wantBacklog(t, s, nothing())
	var have []service.JobKind
	for len(seen) > 0 {
		have = append(have, <-seen)
	}
	same(t, "the order", have, slices.Concat(
		slices.Repeat([]service.JobKind{service.JobDelivery}, 4), slices.Repeat([]service.JobKind{service.JobImpact}, 4), slices.Repeat([]service.JobKind{service.JobAudit}, 4)))
}

func jobsLater(t *testing.T, s service.FullStore) {
	soon, late := job(service.JobImpact, "soon", 0), job(service.JobDelivery, "late", 0)
	soon.RunAt, late.RunAt = time.Now().Add(300*time.Millisecond), time.Now().Add(time.Hour)
	must(t, s.Enqueue(t.Context(), late, soon))
	seen := make(chan service.Job, 100)
	work(t, s, 2, func(_ context.Context, j service.Job) error {
		if time.Now().Before(soon.RunAt) {
			t.Error("a job was done before its time")
		}
		seen <- j
		return nil
	})
	if j := wait(t, "the job whose time comes", seen); j.ID != "soon" {
		t.Errorf("the job %s was done", j.ID)
	}
	wantBacklog(t, s, map[service.JobKind]int64{service.JobDelivery: 1})
}

// jobsStopped: the work ends when it is told to, and what was in hand is neither
// lost nor counted as failed.
func jobsStopped(t *testing.T, s service.FullStore) {
	must(t, s.Enqueue(t.Context(), job(service.JobImpact, "x", 0), job(service.JobImpact, "x", 1), job(service.JobImpact, "x", 2)))
	begun := make(chan int, 100)
	stop := work(t, s, 2, func(ctx context.Context, j service.Job) error {
		begun <- j.Number
		<-ctx.Done()
		return errors.New("broken off")
	})
	wait(t, "a job", begun)
	wait(t, "a job", begun)
	stop()
	wantBacklog(t, s, map[service.JobKind]int64{service.JobImpact: 3})
	seen := make(chan service.Job, 100)
	work(t, s, 2, func(_ context.Context, j service.Job) error { seen <- j; return nil })
	for range 3 {
		if j := wait(t, "the jobs again", seen); j.Attempt != 1 {
			t.Errorf("job %d comes as attempt %d", j.Number, j.Attempt)
		}
	}
	wantBacklog(t, s, nothing())
}

func jobsInStep(t *testing.T, s service.FullStore) {
	a := as(t, tenantA)
	fault := errors.New("a fault")
	for _, fails := range []bool{true, false} {
		_, _, err := s.Once(a, "key", [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			if err := s.Enqueue(ctx, job(service.JobImpact, fmt.Sprint(fails), 0)); err != nil {
				return service.Reply{}, err
			}
			if fails {
				return service.Reply{}, fault
			}
			return service.Reply{Status: 201}, nil
		})
		if fails && !errors.Is(err, fault) || !fails && err != nil {
			t.Fatalf("Once: %v", err)
		}
	}
	seen := make(chan service.Job, 100)
	work(t, s, 1, func(_ context.Context, j service.Job) error { seen <- j; return nil })
	if j := wait(t, "the job", seen); j.ID != "false" {
		t.Errorf("the job of the step that failed is there: %+v", j)
	}
	wantBacklog(t, s, nothing())
}

func jobsOfAudit(t *testing.T, s service.FullStore) {
	const chunks = 5000 // more than go into one statement
	a := as(t, tenantA)
	must(t, s.CreateAudit(a, audit(1)))
	must(t, s.StartAudit(a, audit(1).ID, chunks, 7, start))
	wantBacklog(t, s, map[service.JobKind]int64{service.JobAudit: chunks})
	fails(t, "StartAudit again", s.StartAudit(a, audit(1).ID, chunks, 7, start), service.ErrState)
	wantBacklog(t, s, map[service.JobKind]int64{service.JobAudit: chunks})
	enough := make(chan bool)
	var mu sync.Mutex
	seen := map[int]bool{}
	stop := work(t, s, 4, func(_ context.Context, j service.Job) error {
		if j.Kind != service.JobAudit || j.Tenant != tenantA || j.ID != audit(1).ID || j.Number < 0 || j.Number >= chunks {
			t.Errorf("the job %+v is none of the audit", j)
		}
		mu.Lock()
		defer mu.Unlock()
		if seen[j.Number] = true; len(seen) == 50 {
			close(enough)
		}
		return nil
	})
	wait(t, "fifty chunks", enough)
	stop()
}

func jobsWithoutWorkers(t *testing.T, s service.FullStore) {
	if err := s.Work(t.Context(), 0, nil); err == nil {
		t.Error("nobody can work")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	must(t, s.Work(ctx, 1, func(context.Context, service.Job) error { return nil }))
}
