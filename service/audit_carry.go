package service

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sync"
)

// Carry carries out a job of kind JobAudit or JobImpact.
func (a *Auditor) Carry(ctx context.Context, j Job) error {
	switch j.Kind {
	case JobAudit:
		return a.carryChunk(ctx, j)
	case JobImpact:
		return a.carryImpact(ctx, j)
	default:
		return fmt.Errorf("audits know no job of kind %s", j.Kind)
	}
}

// carryChunk answers a chunk. What will not go well another time ends the audit at
// once, what has not gone well MaxJobAttempts times ends it then: an audit never
// hangs, and none is done of which a row was not answered.
func (a *Auditor) carryChunk(ctx context.Context, j Job) error {
	rec, err := a.store.GetAudit(ctx, j.ID)
	if errors.Is(err, ErrNotFound) {
		return nil // it was dropped
	}
	if err == nil && !rec.State.Ended() {
		rec, err = a.answerChunk(ctx, rec, j.Number)
	}
	note := ""
	switch {
	case err == nil:
	case errors.Is(err, errDraftChanged):
		note = "The draft changed while rows were answered by it; start the audit again."
	case errors.Is(err, errLawChanged):
		note = "Law was published as the audit began that it did not know; start the audit again."
	case errors.Is(err, errChunk):
		note = fmt.Sprintf("The rows of chunk %d cannot be read.", j.Number)
	case j.Attempt >= MaxJobAttempts:
		note = fmt.Sprintf("The rows of chunk %d could not be answered.", j.Number)
	default:
		return err
	}
	if note != "" {
		if failed := a.endFailed(ctx, j.ID, note); failed != nil {
			return errors.Join(err, failed)
		}
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(context.WithoutCancel(ctx), endWait)
		defer cancel()
		var again error
		if rec, again = a.store.GetAudit(ctx, j.ID); again != nil {
			return errors.Join(err, again)
		}
	}
	if !rec.State.Ended() {
		return nil
	}
	// Whoever ended it may have gone before it was told.
	audit, told := auditOf(rec)
	if told == nil {
		told = a.tellEnd(ctx, audit)
	}
	if note != "" && told == nil {
		return nil // said in the audit, and no other attempt would go better
	}
	return errors.Join(err, told)
}

// answerChunk answers the rows of a chunk and keeps what came of them.
func (a *Auditor) answerChunk(ctx context.Context, rec AuditRecord, number int) (AuditRecord, error) {
	audit, err := auditOf(rec)
	if err != nil {
		return rec, err
	}
	chunk, err := a.store.GetAuditChunk(ctx, rec.ID, number)
	if err != nil {
		return rec, fmt.Errorf("get rows of an audit: %w", err)
	}
	out, err := a.outcome(ctx, rec.ID, &audit.Ask, chunk)
	if err != nil {
		return rec, err
	}
	after, err := a.store.FinishChunk(ctx, rec.ID, number, out, a.time())
	if errors.Is(err, ErrState) { // it was ended meanwhile
		after, err = a.store.GetAudit(ctx, rec.ID)
		if err == nil && !after.State.Ended() {
			err = fmt.Errorf("audit %s is %s: %w", rec.ID, after.State, ErrState)
		}
	}
	if err != nil {
		return rec, fmt.Errorf("keep what came of rows: %w", err)
	}
	return after, nil
}

// outcome answers the rows of a chunk; the same whenever it is asked.
func (a *Auditor) outcome(ctx context.Context, id string, ask *AuditAsk, chunk AuditChunk) (AuditOutcome, error) {
	j, err := a.judge(ctx, id, ask)
	if err != nil {
		return AuditOutcome{}, err
	}
	next, err := a.rows(ctx, id, ask, chunk)
	if err != nil {
		return AuditOutcome{}, err
	}
	pack := packers.Get().(*packer)
	defer packers.Put(pack)
	pack.begin()
	var sum tally
	n := 0
	for ; ; n++ {
		if err := ctx.Err(); err != nil {
			return AuditOutcome{}, fmt.Errorf("answer rows: %w", err)
		}
		row, err := next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return AuditOutcome{}, err
		}
		item, err := j.safely(&row)
		if err != nil {
			return AuditOutcome{}, err
		}
		if err := pack.add(&item.AuditItem); err != nil {
			return AuditOutcome{}, err
		}
		sum.add(&item.AuditItem, ask.Source.Kind == AuditAllPairs)
	}
	if n != chunk.Rows {
		return AuditOutcome{}, fmt.Errorf("%w: %d rows of %d", errChunk, n, chunk.Rows)
	}
	items, err := pack.end()
	if err != nil {
		return AuditOutcome{}, err
	}
	text, err := json.Marshal(&sum)
	if err != nil {
		return AuditOutcome{}, fmt.Errorf("write the sums of a chunk: %w", err)
	}
	return AuditOutcome{Number: chunk.Number, First: chunk.First, Rows: chunk.Rows, Items: items, Tally: text}, nil
}

// safely answers a row. A panic becomes an error that names the row: it must
// neither take the process down, nor be kept as if the row were at fault.
func (j *judge) safely(row *auditRow) (out judged, err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("answer row %d: %v", row.Row, fault)
		}
	}()
	return j.answer(row)
}

// packer writes the items of a chunk as lines of JSON, compressed. It is used again,
// for its tables are larger than what it writes.
type packer struct {
	out  bytes.Buffer
	zip  *gzip.Writer
	line []byte
}

// Lines are much alike: the first level of compression gets nearly all there is.
var packers = sync.Pool{New: func() any {
	p := &packer{}
	p.zip, _ = gzip.NewWriterLevel(&p.out, gzip.BestSpeed) // there is such a level
	return p
}}

func (p *packer) begin() {
	p.out.Reset()
	p.zip.Reset(&p.out)
}

func (p *packer) add(it *AuditItem) error {
	p.line = append(it.appendJSON(p.line[:0]), '\n')
	if _, err := p.zip.Write(p.line); err != nil {
		return fmt.Errorf("write row %d: %w", it.Row, err)
	}
	return nil
}

func (p *packer) end() ([]byte, error) {
	if err := p.zip.Close(); err != nil {
		return nil, fmt.Errorf("write rows: %w", err)
	}
	return bytes.Clone(p.out.Bytes()), nil
}

// unpack hands the items of a chunk to each.
func unpack(data []byte, each func(AuditItem) error) error {
	zip, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return fmt.Errorf("read rows: %w", err)
	}
	dec := json.NewDecoder(zip)
	for {
		var it AuditItem
		if err := dec.Decode(&it); err == io.EOF {
			return nil
		} else if err != nil {
			return fmt.Errorf("read rows: %w", err)
		}
		if err := each(it); err != nil {
			return err
		}
	}
}
