package postgres

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"
)

// Of the 80 kB of an answer nearly all are the words of the law, which the
// answer before it has as well. So an answer is kept as a Zstandard frame (RFC
// 8878) whose dictionary is an earlier answer of the same tenant about the same
// place, its base: 3 kB, of which every byte comes back whatever the program
// that reads it knows of law. An answer for which there is no base yet is packed by
// itself.

const (
	packVersion = 11       // of the schema, the first that holds packed answers
	packFrom    = 1 << 10  // bytes from which an answer is packed: a small one gains nothing
	packWindow  = 1 << 18  // bytes that a frame refers back over; an answer and its base
	baseWorth   = 12       // a base is good while answers come to one part in so many
	baseTrial   = 64       // answers for which a base is kept even if it is not
	manyBases   = 16       // kept ready to pack with, about 1 MiB each
	manyReaders = 64       // kept ready to read with
	maxAnswer   = 64 << 20 // bytes of an answer that is read; more is no answer of ours
)

// baseID names a base.
type baseID struct {
	tenant string
	sum    [sha256.Size]byte // of the answer
}

// about is what answers that resemble each other share.
type about struct{ tenant, jurisdiction string }

// base is an answer that others are packed with.
type base struct {
	sum    [sha256.Size]byte
	writer *zstd.Encoder
	used   int // answers packed with it
}

// packs holds what answers are packed and read with. It is safe for concurrent use.
type packs struct {
	plain *zstd.Encoder // for an answer without base

	mu      sync.Mutex
	bases   map[about]*base // the newest of its kind that this replica knows
	making  map[about]bool  // a new base is on its way to the database
	readers map[baseID]*zstd.Decoder
	after   time.Duration // from the migration to the first packed answer
	from    time.Time     // of the first; zero while it is not known
}

func newPacks(after time.Duration) (*packs, error) {
	plain, err := packer()
	if err != nil {
		return nil, err
	}
	return &packs{plain: plain, after: after, bases: map[about]*base{}, making: map[about]bool{}, readers: map[baseID]*zstd.Decoder{}}, nil
}

func packer(more ...zstd.EOption) (*zstd.Encoder, error) {
	w, err := zstd.NewWriter(nil, append(more, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(packWindow))...)
	if err != nil {
		return nil, fmt.Errorf("make what packs answers: %w", err)
	}
	return w, nil
}

func unpacker(more ...zstd.DOption) (*zstd.Decoder, error) {
	r, err := zstd.NewReader(nil, append(more, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxAnswer))...)
	if err != nil {
		return nil, fmt.Errorf("make what unpacks answers: %w", err)
	}
	return r, nil
}

// kept is an answer as a row has it: as it is, or as a frame with or without a base.
type kept struct{ plain, base, frame []byte }

// mayPack says whether programs of before the schema held packed answers are gone. Until
// they are replaced they work on beside this one, would read a packed answer as none
// at all, and are what one goes back to if the upgrade fails. The database is asked once.
func (s *Store) mayPack(ctx context.Context) (bool, error) {
	p := s.packs
	if p.after == 0 {
		return true, nil
	}
	p.mu.Lock()
	from := p.from
	p.mu.Unlock()
	if from.IsZero() {
		var age int64
		err := s.own(ctx, func(_ string, b *pgx.Batch) { one(b, &age, pgx.RowTo[int64], migratedAgo, packVersion) })
		if err != nil {
			return false, fmt.Errorf("read since when answers may be packed: %w", err)
		}
		from = time.Now().Add(p.after - time.Duration(age)*time.Second)
		p.mu.Lock()
		p.from = from
		p.mu.Unlock()
	}
	return !time.Now().Before(from), nil
}

// pack packs an answer with what there is. renew says that a base made of this
// very answer would do better for those to come.
func (p *packs) pack(a about, answer []byte) (k kept, renew bool) {
	if len(answer) < packFrom {
		return kept{plain: blob(answer)}, false
	}
	p.mu.Lock()
	b := p.bases[a]
	tried := false
	if b != nil {
		b.used++
		tried = b.used > baseTrial
	}
	p.mu.Unlock()
	if b == nil {
		return kept{frame: p.plain.EncodeAll(answer, nil)}, true
	}
	frame := b.writer.EncodeAll(answer, make([]byte, 0, len(answer)/baseWorth))
	return kept{base: b.sum[:], frame: frame}, tried && len(frame) > len(answer)/baseWorth
}

// renewal is an answer that is to be the base of those to come.
type renewal struct {
	about
	answer []byte
	at     time.Time
}

// renew makes an answer a base, once what it belongs to stands: in a transaction
// nobody else would see it yet. Should it not come about, only room is lost.
func (s *Store) renew(ctx context.Context, n renewal) {
	if s.gather == nil {
		s.renewals = append(s.renewals, n)
		return
	}
	p := s.packs
	p.mu.Lock()
	busy := p.making[n.about]
	p.making[n.about] = true
	p.mu.Unlock()
	if busy {
		return
	}
	defer func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.making, n.about)
	}()
	n.answer = bytes.Clone(n.answer) // the caller's
	b := &base{sum: sha256.Sum256(n.answer)}
	err := s.own(ctx, func(tenant string, q *pgx.Batch) {
		q.Queue(putBase, tenant, b.sum[:], n.at, p.plain.EncodeAll(n.answer, nil))
	})
	if err == nil {
		b.writer, err = packer(zstd.WithEncoderDictRaw(1, n.answer))
	}
	if err != nil {
		return // what the database said is in the log, and the next answer tries again
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	room(p.bases, manyBases)
	p.bases[n.about] = b
}

// unpack gives an answer back to the byte; a frame holds a check sum of it.
func (s *Store) unpack(ctx context.Context, tenant string, k kept) ([]byte, error) {
	if k.frame == nil {
		return k.plain, nil
	}
	reader, err := s.reader(ctx, tenant, k.base)
	if err != nil {
		return nil, err
	}
	answer, err := reader.DecodeAll(k.frame, nil)
	if err != nil {
		return nil, fmt.Errorf("unpack an answer: %w", err)
	}
	return answer, nil
}

// reader gives what unpacks answers of a base, or of none.
func (s *Store) reader(ctx context.Context, tenant string, sum []byte) (*zstd.Decoder, error) {
	p, id := s.packs, baseID{tenant: tenant}
	copy(id.sum[:], sum)
	p.mu.Lock()
	reader := p.readers[id]
	p.mu.Unlock()
	if reader != nil {
		return reader, nil
	}
	var options []zstd.DOption
	if sum != nil {
		dictionary, err := s.base(ctx, sum)
		if err != nil {
			return nil, err
		}
		options = append(options, zstd.WithDecoderDictRaw(1, dictionary))
	}
	reader, err := unpacker(options...)
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	room(p.readers, manyReaders)
	p.readers[id] = reader
	return reader, nil
}

// base reads the answer that is a base.
func (s *Store) base(ctx context.Context, sum []byte) ([]byte, error) {
	var frame []byte
	err := s.own(ctx, func(tenant string, b *pgx.Batch) { one(b, &frame, pgx.RowTo[[]byte], getBase, tenant, sum) })
	if err != nil {
		return nil, fmt.Errorf("read the base of an answer: %w", err)
	}
	plain, err := s.reader(ctx, "", nil)
	if err != nil {
		return nil, err
	}
	answer, err := plain.DecodeAll(frame, nil)
	if err == nil && sha256.Sum256(answer) != [sha256.Size]byte(sum) {
		err = errors.New("it is another answer than its name says")
	}
	if err != nil {
		return nil, fmt.Errorf("unpack the base of an answer: %w", err)
	}
	return answer, nil
}

// room drops any one of a map that is full: it is made again when it is needed.
func room[K comparable, V any](m map[K]V, most int) {
	for k := range m {
		if len(m) < most {
			return
		}
		delete(m, k)
	}
}
