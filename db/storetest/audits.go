package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"drawgear/service"
)

// audit makes an audit as it comes to a store.
func audit(n int) service.AuditRecord {
	return service.AuditRecord{
		ID: fmt.Sprintf("audit-%02d", n), CreatedAt: start.Add(time.Duration(n) * time.Second), CreatedBy: "somebody",
		Ask: fmt.Appendf(nil, `{"n":%d, "a":"\u003c\ud800é"}`, n), State: service.AuditReceiving,
	}
}

// chunk makes rows of an audit: chunk n has n + 1 of them.
func chunk(n int) service.AuditChunk {
	return service.AuditChunk{Number: n, First: int64(n*(n+1)/2 + 1), Rows: n + 1, Input: fmt.Appendf(nil, "\x1f\x8b\x00 rows of %d", n)}
}

// rowsOf is how many rows are in the first n chunks.
func rowsOf(n int) int64 { return int64(n * (n + 1) / 2) }

// answer makes what comes of a chunk, as a use case gives it.
func answer(n int) service.AuditOutcome {
	return service.AuditOutcome{Items: fmt.Appendf(nil, "\x1f\x8b\x00 items of %d", n), Tally: fmt.Appendf(nil, `{"tally":%d}`, n)}
}

// outcome is what a store makes of an answer.
func outcome(n int) service.AuditOutcome {
	o, c := answer(n), chunk(n)
	o.Number, o.First, o.Rows = c.Number, c.First, c.Rows
	return o
}

// running makes an audit of so many chunks that runs.
func running(ctx context.Context, t *testing.T, s service.Audits, n, chunks int) service.AuditRecord {
	t.Helper()
	a := audit(n)
	must(t, s.CreateAudit(ctx, a))
	for c := range chunks {
		must(t, s.PutAuditChunk(ctx, a.ID, chunk(c)))
	}
	a.Chunks, a.Rows, a.State, a.StartedAt = chunks, rowsOf(chunks), service.AuditRunning, start.Add(time.Hour)
	must(t, s.StartAudit(ctx, a.ID, chunks, a.Rows, a.StartedAt))
	return a
}

func plainAudits(as []service.AuditRecord) []service.AuditRecord {
	as = slices.Clone(as)
	for i := range as {
		utc(&as[i].CreatedAt, &as[i].StartedAt, &as[i].EndedAt)
	}
	return as
}

func wantAudit(ctx context.Context, t *testing.T, s service.Audits, want service.AuditRecord) {
	t.Helper()
	have := got[service.AuditRecord](t)(s.GetAudit(ctx, want.ID))
	same(t, "the audit", plainAudits([]service.AuditRecord{have}), plainAudits([]service.AuditRecord{want}))
}

func wantOutcomes(ctx context.Context, t *testing.T, s service.Audits, id string, numbers ...int) {
	t.Helper()
	have := got[[]service.AuditOutcome](t)(s.ListAuditOutcomes(ctx, id, 0, 1000, true))
	var want []service.AuditOutcome
	for _, n := range numbers {
		want = append(want, outcome(n))
	}
	if len(have) > 0 || len(want) > 0 {
		same(t, "what came of the chunks", have, want)
	}
}

func auditLife(t *testing.T, s service.FullStore) {
	ctx := as(t, tenantA)
	a := audit(1)
	must(t, s.CreateAudit(ctx, a))
	wantAudit(ctx, t, s, a)
	if err := s.CreateAudit(ctx, a); err == nil {
		t.Error("an id was taken twice")
	}
	must(t, s.PutAuditInput(ctx, a.ID, "law", []byte("\x00old")))
	must(t, s.PutAuditInput(ctx, a.ID, "law", []byte("\x00new")))
	must(t, s.PutAuditInput(ctx, a.ID, "header", nil))
	for name, want := range map[string]string{"law": "\x00new", "header": ""} {
		if have := got[[]byte](t)(s.GetAuditInput(ctx, a.ID, name)); string(have) != want {
			t.Errorf("input %s is %q, want %q", name, have, want)
		}
	}
	for n := range 3 {
		must(t, s.PutAuditChunk(ctx, a.ID, chunk(n)))
		same(t, "the chunk", got[service.AuditChunk](t)(s.GetAuditChunk(ctx, a.ID, n)), chunk(n))
	}
	if err := s.PutAuditChunk(ctx, a.ID, chunk(2)); err == nil {
		t.Error("a chunk was put twice")
	}
	wantOutcomes(ctx, t, s, a.ID)

	a.Chunks, a.Rows, a.State, a.StartedAt = 3, rowsOf(3), service.AuditRunning, start.Add(time.Minute)
	must(t, s.StartAudit(ctx, a.ID, 3, a.Rows, a.StartedAt))
	wantAudit(ctx, t, s, a)
	wantOutcomes(ctx, t, s, a.ID)

	// In whatever order they are answered.
	finish := func(n int, at time.Time) {
		t.Helper()
		have := got[service.AuditRecord](t)(s.FinishChunk(ctx, a.ID, n, answer(n), at))
		same(t, "the audit that FinishChunk gives", plainAudits([]service.AuditRecord{have}), plainAudits([]service.AuditRecord{a}))
		wantAudit(ctx, t, s, a)
	}
	a.ChunksDone, a.RowsDone = 1, 3
	finish(2, start.Add(2*time.Minute))
	wantOutcomes(ctx, t, s, a.ID, 2)
	a.ChunksDone, a.RowsDone = 2, 4
	finish(0, start.Add(3*time.Minute))
	wantOutcomes(ctx, t, s, a.ID, 0, 2)
	a.ChunksDone, a.RowsDone, a.State, a.EndedAt = 3, 6, service.AuditDone, start.Add(4*time.Minute)
	finish(1, a.EndedAt)
	wantOutcomes(ctx, t, s, a.ID, 0, 1, 2)

	// One without rows is done as it starts.
	empty := audit(2)
	must(t, s.CreateAudit(ctx, empty))
	empty.State, empty.StartedAt, empty.EndedAt = service.AuditDone, start.Add(time.Minute), start.Add(time.Minute)
	must(t, s.StartAudit(ctx, empty.ID, 0, 0, empty.StartedAt))
	wantAudit(ctx, t, s, empty)
}

// auditMisled tries every step in every state it is not for.
func auditMisled(t *testing.T, s service.FullStore) {
	ctx := as(t, tenantA)
	steps := map[string]func(id string) error{
		"put an input": func(id string) error { return s.PutAuditInput(ctx, id, "late", nil) },
		"put a chunk":  func(id string) error { return s.PutAuditChunk(ctx, id, chunk(9)) },
		"start":        func(id string) error { return s.StartAudit(ctx, id, 2, 3, start) },
		"finish":       func(id string) error { _, err := s.FinishChunk(ctx, id, 1, answer(1), start); return err },
		"cancel":       func(id string) error { return s.EndAudit(ctx, id, service.AuditCancelled, "again", start) },
		"fail":         func(id string) error { return s.EndAudit(ctx, id, service.AuditFailed, "again", start) },
	}
	at := start.Add(2 * time.Hour)
	receiving := audit(1)
	must(t, s.CreateAudit(ctx, receiving))
	must(t, s.PutAuditChunk(ctx, receiving.ID, chunk(0)))
	must(t, s.PutAuditChunk(ctx, receiving.ID, chunk(1)))
	run := running(ctx, t, s, 2, 3)
	done := running(ctx, t, s, 3, 1)
	got[service.AuditRecord](t)(s.FinishChunk(ctx, done.ID, 0, answer(0), at))
	done.State, done.ChunksDone, done.RowsDone, done.EndedAt = service.AuditDone, 1, 1, at
	cancelled, failed := audit(4), running(ctx, t, s, 5, 2)
	must(t, s.CreateAudit(ctx, cancelled))
	must(t, s.EndAudit(ctx, cancelled.ID, service.AuditCancelled, "no longer wanted: é", at))
	must(t, s.EndAudit(ctx, failed.ID, service.AuditFailed, "a fault", at))
	cancelled.State, cancelled.Note, cancelled.EndedAt = service.AuditCancelled, "no longer wanted: é", at
	failed.State, failed.Note, failed.EndedAt = service.AuditFailed, "a fault", at
	for _, tt := range []struct {
		audit service.AuditRecord
		wrong []string
	}{
		{receiving, []string{"finish"}},
		{run, []string{"put an input", "put a chunk", "start"}},
		{done, []string{"put an input", "put a chunk", "start", "cancel", "fail"}},
		{cancelled, []string{"put an input", "put a chunk", "start", "finish", "cancel", "fail"}},
		{failed, []string{"put an input", "put a chunk", "start", "finish", "cancel", "fail"}},
	} {
		for _, name := range tt.wrong {
			fails(t, name+" when it is "+string(tt.audit.State), steps[name](tt.audit.ID), service.ErrState)
		}
		wantAudit(ctx, t, s, tt.audit)
	}
	wantOutcomes(ctx, t, s, failed.ID)
	for _, to := range []service.AuditState{service.AuditReceiving, service.AuditRunning, service.AuditDone, "", "odd"} {
		fails(t, "to end as "+string(to), s.EndAudit(ctx, run.ID, to, "", at), service.ErrState)
	}
	wantAudit(ctx, t, s, run)

	// What is not there is not found.
	for _, id := range []string{"", "none", "AUDIT-01", "' OR 1=1 --", "\x00", "\xff"} {
		for name, step := range steps {
			fails(t, fmt.Sprintf("%s %q", name, id), step(id), service.ErrNotFound)
		}
		_, err := s.GetAudit(ctx, id)
		fails(t, fmt.Sprintf("GetAudit %q", id), err, service.ErrNotFound)
		_, err = s.ListAuditOutcomes(ctx, id, 0, 1, false)
		fails(t, fmt.Sprintf("ListAuditOutcomes %q", id), err, service.ErrNotFound)
		_, err = s.GetAuditInput(ctx, run.ID, id)
		fails(t, fmt.Sprintf("GetAuditInput %q", id), err, service.ErrNotFound)
		_, err = s.GetAuditInput(ctx, id, "late")
		fails(t, fmt.Sprintf("GetAuditInput of %q", id), err, service.ErrNotFound)
	}
	for _, n := range []int{-1, 3, 1 << 30} {
		_, err := s.GetAuditChunk(ctx, run.ID, n)
		fails(t, fmt.Sprint("chunk ", n), err, service.ErrNotFound)
		_, err = s.FinishChunk(ctx, run.ID, n, answer(0), at)
		fails(t, fmt.Sprint("finish chunk ", n), err, service.ErrNotFound)
	}
	_, err := s.FinishChunk(ctx, done.ID, 1, answer(1), at)
	fails(t, "finish a chunk that a done audit never had", err, service.ErrNotFound)
	wantAudit(ctx, t, s, run)
	wantAudit(ctx, t, s, done)
}

// auditFirst: what came of a chunk first stands, also after the audit is done.
func auditFirst(t *testing.T, s service.FullStore) {
	ctx := as(t, tenantA)
	a := running(ctx, t, s, 1, 2)
	other := service.AuditOutcome{Number: 1, First: 77, Rows: 77, Items: []byte("others"), Tally: []byte("other")}
	a.ChunksDone, a.RowsDone = 1, 1
	for range 3 {
		got[service.AuditRecord](t)(s.FinishChunk(ctx, a.ID, 0, answer(0), start.Add(2*time.Hour)))
		wantAudit(ctx, t, s, a)
		got[service.AuditRecord](t)(s.FinishChunk(ctx, a.ID, 0, other, start.Add(3*time.Hour)))
		wantAudit(ctx, t, s, a)
		wantOutcomes(ctx, t, s, a.ID, 0)
	}
	a.ChunksDone, a.RowsDone, a.State, a.EndedAt = 2, 3, service.AuditDone, start.Add(4*time.Hour)
	got[service.AuditRecord](t)(s.FinishChunk(ctx, a.ID, 1, answer(1), a.EndedAt))
	for n := range 2 {
		got[service.AuditRecord](t)(s.FinishChunk(ctx, a.ID, n, other, start.Add(5*time.Hour)))
	}
	wantAudit(ctx, t, s, a)
	wantOutcomes(ctx, t, s, a.ID, 0, 1)
}

// auditAtOnce: many finish every chunk, and each counts once.
func auditAtOnce(t *testing.T, s service.FullStore) {
	const workers, chunks = 8, 30
	ctx := as(t, tenantA)
	a := running(ctx, t, s, 1, chunks)
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for i := range chunks {
				n := i
				if w%2 == 1 {
					n = chunks - 1 - i
				}
				have, err := s.FinishChunk(ctx, a.ID, n, answer(n), start.Add(2*time.Hour))
				if err != nil {
					t.Errorf("FinishChunk: %v", err)
					return
				}
				if have.ChunksDone <= i || (have.State == service.AuditDone) != (have.ChunksDone == chunks) {
					t.Errorf("after %d chunks the audit is %+v", i+1, have)
				}
			}
		})
	}
	wg.Wait()
	a.ChunksDone, a.RowsDone, a.State, a.EndedAt = chunks, rowsOf(chunks), service.AuditDone, start.Add(2*time.Hour)
	wantAudit(ctx, t, s, a)
	var all []int
	for n := range chunks {
		all = append(all, n)
	}
	wantOutcomes(ctx, t, s, a.ID, all...)
}

// auditCancelledAtOnce: what is counted is what is kept, whoever is faster.
func auditCancelledAtOnce(t *testing.T, s service.FullStore) {
	const rounds, chunks = 20, 6
	ctx := as(t, tenantA)
	for round := range rounds {
		a := running(ctx, t, s, round, chunks)
		var wg sync.WaitGroup
		done := make(chan int, chunks)
		for n := range chunks {
			wg.Go(func() {
				switch _, err := s.FinishChunk(ctx, a.ID, n, answer(n), start.Add(2*time.Hour)); {
				case err == nil:
					done <- n
				case !errors.Is(err, service.ErrState):
					t.Errorf("FinishChunk: %v", err)
				}
			})
		}
		var err error
		wg.Go(func() {
			err = s.EndAudit(ctx, a.ID, service.AuditCancelled, "enough", start.Add(3*time.Hour))
		})
		wg.Wait()
		close(done)
		var finished []int
		for n := range done {
			finished = append(finished, n)
			a.ChunksDone, a.RowsDone = a.ChunksDone+1, a.RowsDone+int64(n+1)
		}
		slices.Sort(finished)
		a.State, a.EndedAt = service.AuditDone, start.Add(2*time.Hour)
		if len(finished) < chunks {
			must(t, err)
			a.State, a.EndedAt, a.Note = service.AuditCancelled, start.Add(3*time.Hour), "enough"
		} else if err == nil {
			// After the last but before nothing: it cannot have been.
			t.Error("an audit was cancelled of which every chunk was finished")
		} else {
			fails(t, "EndAudit after the last chunk", err, service.ErrState)
		}
		wantAudit(ctx, t, s, a)
		wantOutcomes(ctx, t, s, a.ID, finished...)
	}
}

func auditsListed(t *testing.T, s service.FullStore) {
	ctx := as(t, tenantA)
	var want []service.AuditRecord
	for _, n := range []int{3, 0, 5, 1, 4, 2} {
		a := audit(n)
		a.CreatedAt = start.Add(time.Duration(n/2) * time.Second) // two of one time
		must(t, s.CreateAudit(ctx, a))
		want = append(want, a)
	}
	slices.SortFunc(want, func(a, b service.AuditRecord) int { return b.Position().Compare(a.Position()) })
	check := func(what string, have, want []service.AuditRecord) {
		t.Helper()
		if len(have) > 0 || len(want) > 0 {
			same(t, what, plainAudits(have), plainAudits(want))
		}
	}
	list := got[[]service.AuditRecord](t)
	check("all", list(s.ListAudits(ctx, nil, 100)), want)
	for size := range len(want) {
		var have []service.AuditRecord
		for after := (*service.Position)(nil); ; {
			page := list(s.ListAudits(ctx, after, size+1))
			if have = append(have, page...); len(page) < size+1 {
				break
			}
			last := page[size].Position()
			after = &last
		}
		check(fmt.Sprint("pages of ", size+1), have, want)
	}
	check("after a place between two", list(s.ListAudits(ctx, &service.Position{CreatedAt: want[2].CreatedAt, ID: want[2].ID + "x"}, 100)), want[2:])
	check("before the first", list(s.ListAudits(ctx, &service.Position{CreatedAt: start.Add(-time.Hour), ID: "z"}, 100)), nil)
}

func auditOutcomes(t *testing.T, s service.FullStore) {
	ctx := as(t, tenantA)
	a := running(ctx, t, s, 1, 9)
	for _, n := range []int{8, 1, 3, 4, 7} {
		got[service.AuditRecord](t)(s.FinishChunk(ctx, a.ID, n, answer(n), start.Add(2*time.Hour)))
	}
	for _, tt := range []struct {
		from, limit int
		want        []int
	}{
		{0, 100, []int{1, 3, 4, 7, 8}},
		{0, 2, []int{1, 3}},
		{1, 2, []int{1, 3}},
		{2, 2, []int{3, 4}},
		{4, 100, []int{4, 7, 8}},
		{8, 1, []int{8}},
		{9, 100, nil},
		{-5, 1, []int{1}},
	} {
		for _, items := range []bool{true, false} {
			var want []service.AuditOutcome
			for _, n := range tt.want {
				o := outcome(n)
				if !items {
					o.Items = nil
				}
				want = append(want, o)
			}
			have := got[[]service.AuditOutcome](t)(s.ListAuditOutcomes(ctx, a.ID, tt.from, tt.limit, items))
			if len(have) > 0 || len(want) > 0 {
				same(t, fmt.Sprintf("from %d at most %d, items %v", tt.from, tt.limit, items), have, want)
			}
		}
	}
}

// auditsDropped: what ended before a time goes, and what is still coming in since
// before another, of everybody; what runs stays.
func auditsDropped(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	ended, receiving := start.Add(10*time.Hour), start.Add(30*time.Second)
	ctxs := map[string]context.Context{}
	make := func(ctx context.Context, n int, end time.Time) {
		run := running(ctx, t, s, n, 2)
		ctxs[run.ID] = ctx
		if !end.IsZero() {
			must(t, s.EndAudit(ctx, run.ID, service.AuditCancelled, "", end))
		}
	}
	make(a, 1, ended.Add(-time.Microsecond)) // goes
	make(b, 2, ended.Add(-time.Hour))        // goes
	make(a, 3, ended)
	make(b, 4, ended.Add(time.Hour))
	make(a, 5, time.Time{})
	must(t, s.CreateAudit(b, audit(29))) // goes
	must(t, s.PutAuditInput(b, audit(29).ID, "law", []byte("x")))
	must(t, s.PutAuditChunk(b, audit(29).ID, chunk(0)))
	must(t, s.CreateAudit(a, audit(30)))
	ctxs[audit(29).ID], ctxs[audit(30).ID] = b, a

	there := func(want ...int) {
		t.Helper()
		var have []int
		for n := range 40 {
			ctx, known := ctxs[audit(n).ID]
			if !known {
				continue
			}
			if _, err := s.GetAudit(ctx, audit(n).ID); err == nil {
				have = append(have, n)
			} else if !errors.Is(err, service.ErrNotFound) {
				t.Errorf("GetAudit: %v", err)
			}
		}
		same(t, "the audits that are there", have, want)
	}
	drop := func(ended, receiving time.Time, limit, want int) {
		t.Helper()
		if n := got[int](t)(s.DropAudits(t.Context(), ended, receiving, limit)); n != want {
			t.Errorf("%d audits were dropped, want %d", n, want)
		}
	}
	drop(time.Time{}, time.Time{}, 10, 0)
	drop(ended, receiving, 0, 0)
	there(1, 2, 3, 4, 5, 29, 30)
	drop(ended, receiving, 2, 2) // the oldest first
	there(3, 4, 5, 29, 30)
	drop(ended, receiving, 100, 1)
	there(3, 4, 5, 30)
	drop(ended, receiving, 100, 0)
	wantAudit(a, t, s, audit(30))

	// Nothing of it is left, and its id is free again.
	_, err := s.GetAuditInput(b, audit(29).ID, "law")
	fails(t, "an input of what was dropped", err, service.ErrNotFound)
	_, err = s.GetAuditChunk(b, audit(29).ID, 0)
	fails(t, "a chunk of what was dropped", err, service.ErrNotFound)
	_, err = s.FinishChunk(a, audit(1).ID, 0, answer(0), start)
	fails(t, "to finish a chunk of what was dropped", err, service.ErrNotFound)
	running(a, t, s, 1, 3)
	wantOutcomes(a, t, s, audit(1).ID)
}

func tenantsAudits(t *testing.T, s service.FullStore) {
	a, b := as(t, tenantA), as(t, tenantB)
	mine := running(a, t, s, 1, 2)
	got[service.AuditRecord](t)(s.FinishChunk(a, mine.ID, 0, answer(0), start.Add(2*time.Hour)))
	mine.ChunksDone, mine.RowsDone = 1, 1
	open := audit(2)
	must(t, s.CreateAudit(a, open))
	must(t, s.PutAuditInput(a, open.ID, "law", []byte("mine")))
	for name, err := range map[string]error{
		"GetAudit":          second(s.GetAudit(b, mine.ID)),
		"GetAuditInput":     second(s.GetAuditInput(b, open.ID, "law")),
		"GetAuditChunk":     second(s.GetAuditChunk(b, mine.ID, 0)),
		"ListAuditOutcomes": second(s.ListAuditOutcomes(b, mine.ID, 0, 10, true)),
		"PutAuditInput":     s.PutAuditInput(b, open.ID, "law", []byte("theirs")),
		"PutAuditChunk":     s.PutAuditChunk(b, open.ID, chunk(0)),
		"StartAudit":        s.StartAudit(b, open.ID, 0, 0, start),
		"FinishChunk":       second(s.FinishChunk(b, mine.ID, 1, answer(1), start)),
		"EndAudit":          s.EndAudit(b, mine.ID, service.AuditCancelled, "", start),
	} {
		fails(t, name+" by another tenant", err, service.ErrNotFound)
	}
	if have := got[[]service.AuditRecord](t)(s.ListAudits(b, nil, 10)); len(have) != 0 {
		t.Errorf("another tenant sees %+v", have)
	}
	wantAudit(a, t, s, mine)
	wantAudit(a, t, s, open)
	wantOutcomes(a, t, s, mine.ID, 0)

	// The same ids of another are something else.
	theirs := running(b, t, s, 1, 3)
	got[service.AuditRecord](t)(s.FinishChunk(b, theirs.ID, 2, answer(2), start.Add(3*time.Hour)))
	theirs.ChunksDone, theirs.RowsDone = 1, 3
	wantAudit(b, t, s, theirs)
	wantOutcomes(b, t, s, theirs.ID, 2)
	wantAudit(a, t, s, mine)
	wantOutcomes(a, t, s, mine.ID, 0)
	if err := s.CreateAudit(as(t, nobody), audit(3)); err == nil {
		t.Error("an audit was made for a tenant that is not there")
	}
}

func second[T any](_ T, err error) error { return err }

func auditsIsolated(t *testing.T, s service.FullStore) {
	ctx := as(t, tenantA)
	a, c, o, input := audit(1), chunk(0), answer(0), []byte("law")
	must(t, s.CreateAudit(ctx, a))
	must(t, s.PutAuditInput(ctx, a.ID, "law", input))
	must(t, s.PutAuditChunk(ctx, a.ID, c))
	must(t, s.StartAudit(ctx, a.ID, 1, 1, start))
	got[service.AuditRecord](t)(s.FinishChunk(ctx, a.ID, 0, o, start))
	// What was given and what is handed out belong to the caller.
	for range 2 {
		for _, b := range [][]byte{a.Ask, c.Input, o.Items, o.Tally, input} {
			clear(b)
		}
		have := got[service.AuditRecord](t)(s.GetAudit(ctx, a.ID))
		a.Ask, c = have.Ask, got[service.AuditChunk](t)(s.GetAuditChunk(ctx, a.ID, 0))
		o = got[[]service.AuditOutcome](t)(s.ListAuditOutcomes(ctx, a.ID, 0, 1, true))[0]
		input = got[[]byte](t)(s.GetAuditInput(ctx, a.ID, "law"))
		if !bytes.Equal(a.Ask, audit(1).Ask) || string(input) != "law" {
			t.Errorf("the audit asks %q with the input %q", a.Ask, input)
		}
		same(t, "the chunk", c, chunk(0))
		same(t, "what came of it", o, outcome(0))
	}
}

// auditStep: a step that fails leaves nothing of an audit, nor its jobs.
func auditStep(t *testing.T, s service.FullStore) {
	ctx := as(t, tenantA)
	fault := errors.New("a fault")
	for _, fault := range []error{fault, nil} {
		_, _, err := s.Once(ctx, "audit", [32]byte{}, func(ctx context.Context, s service.FullStore) (service.Reply, error) {
			running(ctx, t, s, 1, 2)
			_, err := s.FinishChunk(ctx, audit(1).ID, 0, answer(0), start.Add(2*time.Hour))
			return service.Reply{Status: 201}, errors.Join(err, fault)
		})
		if !errors.Is(err, fault) {
			t.Fatalf("Once: %v", err)
		}
		if fault != nil {
			_, err := s.GetAudit(ctx, audit(1).ID)
			fails(t, "GetAudit after a step that failed", err, service.ErrNotFound)
			wantBacklog(t, s, nothing())
		}
	}
	wantOutcomes(ctx, t, s, audit(1).ID, 0)
	wantBacklog(t, s, map[service.JobKind]int64{service.JobAudit: 2})
}
