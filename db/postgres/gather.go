package postgres

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"drawgear/service"
)

// Appends to the log of a tenant go one after another, and each waits for a disk.
// So records that come while another of the tenant is being committed wait here and
// share the next commit; one that comes alone is committed at once.

// Bounds of what shares a commit.
const (
	gatherRows  = 64
	gatherBytes = 4 << 20
)

// gather holds the records that wait, by tenant and in the order they came. A
// tenant is there while a commit of its records is under way.
type gather struct {
	mu      sync.Mutex
	waiting map[string][]*entry
}

// entry is a record that waits for its commit.
type entry struct {
	row  row
	done chan error // holds what came of it, so that nobody has to wait to say so
}

// row is a record as the database takes it.
type row struct {
	service.Record
	digest []byte // of the answer
	leaf   []byte // hash of the record's leaf in the log
	kept   kept
}

func newRow(tenant string, r service.Record, k kept) (row, error) {
	digest, err := hex.DecodeString(r.AnswerSHA256)
	if err != nil {
		return row{}, fmt.Errorf("read the digest of the answer: %w", err)
	}
	leaf := sha256.Sum256(append([]byte{0}, r.Leaf(tenant)...)) // RFC 6962
	return row{Record: r, digest: digest, leaf: leaf[:], kept: k}, nil
}

func (r row) bytes() int { return len(r.Rig) + len(r.kept.plain) + len(r.kept.frame) }

// share writes a row with those of the tenant that come at the same time. A caller
// that gives up may find it written or not, as it may with a commit of its own; one
// that had given up before finds nothing written.
func (s *Store) share(ctx context.Context, tenant string, r row) error {
	if err := ctx.Err(); err != nil {
		return err // before anybody could commit it
	}
	e := &entry{row: r, done: make(chan error, 1)}
	if s.gather.add(tenant, e) {
		go s.commit(service.Apart(ctx), tenant)
	}
	late := time.NewTimer(s.timeout) // the wait for others is part of the call
	defer late.Stop()
	defer service.Waiting(ctx)()
	var err error
	select {
	case err := <-e.done:
		return err
	case <-ctx.Done():
		err = ctx.Err()
	case <-late.C:
		err = fmt.Errorf("%w: it took too long", service.ErrUnavailable)
	}
	s.gather.remove(tenant, e)
	return err
}

// add puts an entry in line. alone says that nobody is there to commit it.
func (g *gather) add(tenant string, e *entry) (alone bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	queue, busy := g.waiting[tenant]
	g.waiting[tenant] = append(queue, e)
	return !busy
}

// remove takes an entry out of line, if it still stands there.
func (g *gather) remove(tenant string, e *entry) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if queue, busy := g.waiting[tenant]; busy {
		g.waiting[tenant] = slices.DeleteFunc(queue, func(x *entry) bool { return x == e })
	}
}

// next takes the first of a line, so many as may share a commit. Where nobody
// waits, the line ends.
func (g *gather) next(tenant string) []*entry {
	g.mu.Lock()
	defer g.mu.Unlock()
	queue := g.waiting[tenant]
	if len(queue) == 0 {
		delete(g.waiting, tenant)
		return nil
	}
	n, bytes := 0, 0
	for n < min(len(queue), gatherRows) && (n == 0 || bytes+queue[n].row.bytes() <= gatherBytes) {
		bytes += queue[n].row.bytes()
		n++
	}
	g.waiting[tenant] = slices.Clone(queue[n:])
	return queue[:n:n]
}

// commit writes what waits until nothing does. Of those that share a commit only one
// may be at fault, so that each is tried by itself if the database would not take
// them together; where it is away, it is away for all.
func (s *Store) commit(ctx context.Context, tenant string) {
	for {
		entries := s.gather.next(tenant)
		if len(entries) == 0 {
			return
		}
		rows := make([]row, len(entries))
		for i, e := range entries {
			rows[i] = e.row
		}
		err := s.write(ctx, tenant, rows)
		apart := err != nil && len(rows) > 1 && !errors.Is(err, service.ErrUnavailable)
		for i, e := range entries {
			if apart {
				err = s.write(ctx, tenant, rows[i:i+1])
			}
			e.done <- err
		}
	}
}

// write writes rows and their entries in the log, all or none.
func (s *Store) write(ctx context.Context, tenant string, rows []row) error {
	n := len(rows)
	var (
		ids, places, days, verdicts, engines          = make([]string, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n)
		created                                       = make([]time.Time, n)
		known                                         = make([]pgtype.Timestamptz, n)
		digests, rigs, answers, bases, frames, leaves = make([][]byte, n), make([][]byte, n), make([][]byte, n), make([][]byte, n), make([][]byte, n), make([][]byte, n)
	)
	for i, r := range rows {
		ids[i], places[i], days[i], verdicts[i], engines[i] = r.ID, r.Jurisdiction, r.AsOf, string(r.Verdict), r.Engine
		created[i], known[i] = r.CreatedAt, maybe(r.KnownAt)
		digests[i], rigs[i], leaves[i] = r.digest, blob(r.Rig), r.leaf
		answers[i], bases[i], frames[i] = r.kept.plain, r.kept.base, r.kept.frame
	}
	return s.run(ctx, tenant, func(b *pgx.Batch) {
		b.Queue(putAssessments, tenant, ids, created, places, days, known, verdicts, digests, rigs, answers, engines, bases, frames)
		// Last, because appends to one log wait for each other from here on.
		b.Queue(appendToLog, leaves, ids, created)
	})
}
