package service

import (
	"cmp"
	"context"
	"fmt"
	"hash/fnv"
	"slices"
)

// compareAtOnce bounds the rows that are held in memory while audits are compared.
// Larger audits are read several times, each time for another part of their ids.
const compareAtOnce = 100_000

// Compare holds two audits that have ended against each other, row by row of one
// id. Rows without an id go by vehicle and trailer. Of an audit that was cancelled or
// failed there are those rows that were answered.
func (a *Auditor) Compare(ctx context.Context, before, after string) (AuditComparison, error) {
	out := AuditComparison{Before: before, After: after, Moves: []AuditMove{}, Changed: []AuditChange{}}
	var recs [2]AuditRecord
	rows := int64(0)
	for i, id := range []string{before, after} {
		rec, err := a.store.GetAudit(ctx, id)
		if err != nil {
			return AuditComparison{}, fmt.Errorf("get an audit: %w", err)
		}
		if !rec.State.Ended() {
			return AuditComparison{}, fmt.Errorf("audit %s: %w", id, ErrAuditOpen)
		}
		recs[i], rows = rec, rows+rec.RowsDone
	}
	moved := map[Outcome]counts{}
	passes := uint64(rows/a.compareAtOnce() + 1)
	for pass := range passes {
		if err := a.comparePart(ctx, recs, &out, moved, func(hash uint64) bool { return hash%passes == pass }, pass == 0); err != nil {
			return AuditComparison{}, err
		}
	}
	if list := moves(moved); list != nil {
		out.Moves = list
	}
	return out, nil
}

func (a *Auditor) compareAtOnce() int64 {
	if a.atOnce > 0 {
		return a.atOnce
	}
	return compareAtOnce
}

// matched is what two audits say of one id.
type matched struct {
	rows    [2]int // how many rows of each have the id
	outcome [2]Outcome
	failing [2][]string
	row     [2]int64
}

// comparePart compares the rows whose ids are in a part. Rows without an id are in
// none, and are counted if unnamed is set.
func (a *Auditor) comparePart(ctx context.Context, recs [2]AuditRecord, out *AuditComparison, moved map[Outcome]counts, in func(hash uint64) bool, unnamed bool) error {
	met := map[rowKey]*matched{}
	names := map[string]string{} // of findings: each is kept once
	for i, rec := range recs {
		err := a.eachItem(ctx, rec, AuditItemQuery{}, 0, func(it AuditItem) error {
			key, ok := keyOf(&it)
			if !ok {
				if unnamed {
					out.Unmatched++
				}
				return nil
			}
			if !in(key.hash()) {
				return nil
			}
			m := met[key]
			if m == nil {
				m = &matched{}
				met[key] = m
			}
			m.rows[i]++
			m.outcome[i], m.row[i], m.failing[i] = it.Outcome, it.Row, it.Failing
			for k, id := range it.Failing {
				if _, known := names[id]; !known {
					names[id] = id
				}
				it.Failing[k] = names[id]
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	for key, m := range met {
		switch {
		case m.rows[0] > 1 || m.rows[1] > 1:
			out.Unmatched += int64(m.rows[0] + m.rows[1])
		case m.rows[0] == 0:
			out.Come++
		case m.rows[1] == 0:
			out.Gone++
		case m.outcome[0] == m.outcome[1] && slices.Equal(m.failing[0], m.failing[1]):
			out.Same++
		default:
			countIn(&moved, m.outcome[0], m.outcome[1], 1)
			out.Changed = append(out.Changed, AuditChange{
				ID: key.String(), From: m.outcome[0], To: m.outcome[1], BeforeRow: m.row[0], AfterRow: m.row[1],
				Appearing: notNil(without(m.failing[1], m.failing[0])), Disappearing: notNil(without(m.failing[0], m.failing[1])),
			})
		}
	}
	slices.SortFunc(out.Changed, func(x, y AuditChange) int {
		return cmp.Or(cmp.Compare(x.ID, y.ID), cmp.Compare(x.BeforeRow, y.BeforeRow))
	})
	if len(out.Changed) > MaxChanges {
		out.Changed, out.Truncated = out.Changed[:MaxChanges:MaxChanges], true
	}
	return nil
}

// notNil makes an empty list of none, for one that is always shown.
func notNil[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// rowKey tells a row of an audit from others: its id, or its vehicle and trailer.
type rowKey struct{ id, vehicle, trailer string }

func keyOf(it *AuditItem) (rowKey, bool) {
	if it.ID != "" {
		return rowKey{id: it.ID}, true
	}
	return rowKey{vehicle: it.Vehicle, trailer: it.Trailer}, it.Vehicle != "" || it.Trailer != ""
}

func (k rowKey) String() string {
	if k.id != "" {
		return k.id
	}
	return k.vehicle + " + " + k.trailer
}

func (k rowKey) hash() uint64 {
	h := fnv.New64a()
	_, _ = h.Write(fields(k.id, k.vehicle, k.trailer)) // never fails
	return h.Sum64()
}
