package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/fleet"
)

// Items returns what is said of rows, in their order. While an audit runs rows are
// there as they are answered, not all of them in their order.
func (a *Auditor) Items(ctx context.Context, id string, q AuditItemQuery) (AuditItemPage, error) {
	after, err := parseRowCursor(q.Cursor)
	if err != nil {
		return AuditItemPage{}, err
	}
	if q.Limit <= 0 {
		q.Limit = DefaultLimit
	}
	q.Limit = min(q.Limit, MaxLimit)
	rec, err := a.store.GetAudit(ctx, id)
	if err != nil {
		return AuditItemPage{}, fmt.Errorf("get an audit: %w", err)
	}
	page := AuditItemPage{Items: []AuditItem{}}
	err = a.eachItem(ctx, rec, q, after, func(it AuditItem) error {
		if len(page.Items) == q.Limit { // one more: a page follows
			page.Next = rowCursor(page.Items[q.Limit-1].Row)
			return errStop
		}
		page.Items = append(page.Items, it)
		return nil
	})
	if err != nil && !errors.Is(err, errStop) {
		return AuditItemPage{}, err
	}
	return page, nil
}

// errStop stops a walk that needs to go no further.
var errStop = errors.New("enough")

// Export hands every item that passes the query, cursor and limit apart, to each.
func (a *Auditor) Export(ctx context.Context, id string, q AuditItemQuery, each func(AuditItem) error) error {
	rec, err := a.store.GetAudit(ctx, id)
	if err != nil {
		return fmt.Errorf("get an audit: %w", err)
	}
	return a.eachItem(ctx, rec, q, 0, each)
}

// eachItem walks the items after a row that pass. Chunks whose sums say that they
// have none are not read.
func (a *Auditor) eachItem(ctx context.Context, rec AuditRecord, q AuditItemQuery, after int64, each func(AuditItem) error) error {
	from, err := a.chunkAt(ctx, rec, after+1)
	if err != nil {
		return err
	}
	return a.eachTally(ctx, rec.ID, from, func(o AuditOutcome, t *tally) error {
		if o.First+int64(o.Rows) <= after+1 || !q.may(t) {
			return nil
		}
		list, err := a.store.ListAuditOutcomes(ctx, rec.ID, o.Number, 1, true)
		if err != nil {
			return fmt.Errorf("read what came of an audit: %w", err)
		}
		if len(list) == 0 || list[0].Number != o.Number {
			return fmt.Errorf("read what came of chunk %d: %w", o.Number, ErrNotFound)
		}
		return unpack(list[0].Items, func(it AuditItem) error {
			if it.Row <= after || !q.passes(&it) {
				return nil
			}
			return each(it)
		})
	})
}

// chunkAt finds the chunk that holds a row: chunks follow one another, and the
// number of each is that of none before it.
func (a *Auditor) chunkAt(ctx context.Context, rec AuditRecord, row int64) (int, error) {
	if rec.Chunks == 0 {
		return 0, nil
	}
	// A chunk has no more than AuditChunkRows rows, and so it is not before this
	// one; if all have as many, it is this one.
	high := rec.Chunks - 1
	low := min(int((row-1)/AuditChunkRows), high)
	for mid := low; low < high; mid = (low + high + 1) / 2 {
		c, err := a.store.GetAuditChunk(ctx, rec.ID, mid)
		if err != nil {
			return 0, fmt.Errorf("get rows of an audit: %w", err)
		}
		switch {
		case c.First > row:
			high = mid - 1
		case row < c.First+int64(c.Rows):
			return mid, nil
		default:
			low = min(mid+1, high)
		}
	}
	return low, nil
}

// may says whether a chunk may have an item that passes.
func (q *AuditItemQuery) may(t *tally) bool {
	return (q.Outcome == "" || t.Outcomes[q.Outcome] > 0) &&
		(q.Finding == "" || t.Failing[q.Finding] > 0) &&
		(q.Missing == "" || t.Missing[q.Missing] > 0) &&
		(q.Part == "" || t.Parts[q.Part] != nil) &&
		(!q.Moved || len(t.Moves) > 0) &&
		(q.ID == "" || t.names(markID+q.ID)) &&
		(q.Vehicle == "" || t.names(markVehicle+q.Vehicle)) &&
		(q.Trailer == "" || t.names(markTrailer+q.Trailer))
}

func (q *AuditItemQuery) passes(it *AuditItem) bool {
	return (q.Outcome == "" || it.Outcome == q.Outcome) &&
		(q.Finding == "" || slices.Contains(it.Failing, q.Finding)) &&
		(q.Missing == "" || slices.Contains(it.Missing, q.Missing)) &&
		(q.Part == "" || slices.ContainsFunc(it.Parts, func(p PartNeed) bool { return p.Role == q.Part })) &&
		(!q.Moved || it.Moved) &&
		(q.ID == "" || it.ID == q.ID) && (q.Vehicle == "" || it.Vehicle == q.Vehicle) && (q.Trailer == "" || it.Trailer == q.Trailer)
}

// rowCursor writes a place in the list of rows so that it can stand in a URL.
func rowCursor(row int64) string {
	return placeText("row." + strconv.FormatInt(row, 10))
}

func parseRowCursor(text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	place, err := placeOf(text)
	if err != nil {
		return 0, err
	}
	digits, ok := strings.CutPrefix(place, "row.")
	row, err := strconv.ParseInt(digits, 10, 64)
	if !ok || err != nil || row < 1 || rowCursor(row) != text {
		return 0, ErrCursor
	}
	return row, nil
}

// Item returns one row with its whole answer. What is kept is read and answered
// again by the same law; a row that is not answered yet is not found.
func (a *Auditor) Item(ctx context.Context, id string, row int64) (AuditItemDetail, error) {
	rec, err := a.store.GetAudit(ctx, id)
	if err != nil {
		return AuditItemDetail{}, fmt.Errorf("get an audit: %w", err)
	}
	audit, err := auditOf(rec)
	if err != nil {
		return AuditItemDetail{}, err
	}
	if row < 1 || row > rec.Rows {
		return AuditItemDetail{}, fmt.Errorf("row %d of an audit: %w", row, ErrNotFound)
	}
	number, err := a.chunkAt(ctx, rec, row)
	if err != nil {
		return AuditItemDetail{}, err
	}
	kept, err := a.keptItem(ctx, id, number, row)
	if err != nil {
		return AuditItemDetail{}, err
	}
	chunk, err := a.store.GetAuditChunk(ctx, id, number)
	if err != nil {
		return AuditItemDetail{}, fmt.Errorf("get rows of an audit: %w", err)
	}
	next, err := a.rows(ctx, id, &audit.Ask, chunk)
	if err != nil {
		return AuditItemDetail{}, err
	}
	j, err := a.judge(ctx, id, &audit.Ask)
	if errors.Is(err, errDraftChanged) || errors.Is(err, errLawChanged) { // what was said stands, and the answer behind it is gone
		return AuditItemDetail{AuditItem: kept}, nil
	}
	if err != nil {
		return AuditItemDetail{}, err
	}
	for {
		r, err := next()
		if err == io.EOF {
			return AuditItemDetail{}, fmt.Errorf("row %d of an audit: %w", row, ErrNotFound)
		}
		if err != nil {
			return AuditItemDetail{}, err
		}
		if r.Row != row {
			continue
		}
		got, err := j.safely(&r)
		if err != nil {
			return AuditItemDetail{}, err
		}
		return j.detail(&got, kept)
	}
}

// keptItem is what was said of a row when it was answered.
func (a *Auditor) keptItem(ctx context.Context, id string, number int, row int64) (kept AuditItem, err error) {
	list, err := a.store.ListAuditOutcomes(ctx, id, number, 1, true)
	if err != nil {
		return AuditItem{}, fmt.Errorf("read what came of an audit: %w", err)
	}
	if len(list) > 0 && list[0].Number == number {
		err = unpack(list[0].Items, func(it AuditItem) error {
			if it.Row == row {
				kept = it
				return errStop
			}
			return nil
		})
	}
	if err != nil && !errors.Is(err, errStop) {
		return AuditItem{}, err
	}
	if kept.Row == 0 {
		return AuditItem{}, fmt.Errorf("row %d of an audit: %w", row, ErrNotFound)
	}
	return kept, nil
}

// detail puts the answers beside what was said of the row.
func (j *judge) detail(g *judged, kept AuditItem) (AuditItemDetail, error) {
	out := AuditItemDetail{AuditItem: kept}
	if g.rig == nil {
		return out, nil
	}
	answer, err := j.now.Assess(g.rig, g.day)
	was := g.said
	if err == nil && j.against != nil && g.Before != OutcomeRefused {
		was, err = j.against.Assess(g.rig, g.before)
	}
	if err != nil {
		return AuditItemDetail{}, fmt.Errorf("assess row %d: %w", g.Row, err)
	}
	out.Rig = fleet.Document(g.rig)
	if out.Answer, err = json.Marshal(answer); err != nil {
		return AuditItemDetail{}, fmt.Errorf("write the answer: %w", err)
	}
	if was != nil {
		if out.Was, err = json.Marshal(was); err != nil {
			return AuditItemDetail{}, fmt.Errorf("write the answer: %w", err)
		}
	}
	return out, nil
}
