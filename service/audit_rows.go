package service

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"

	"drawgear/rules"
	"drawgear/rules/fleet"
	"drawgear/rules/rig"
)

// auditRow is a row to be answered: what is known of it beforehand, and its rig
// unless it has faults.
type auditRow struct {
	AuditItem
	rig  *rig.Rig
	day  string        // that it names, or on which it was assessed
	was  Outcome       // of a recorded assessment
	said *rules.Answer // then
}

// refuse makes it a row that cannot be answered.
func (r *auditRow) refuse(pointer, msg, advice string) {
	r.rig, r.Outcome = nil, OutcomeRefused
	r.Faults = append(r.Faults, AuditFault{Line: r.Line, Pointer: pointer, Message: msg, Advice: advice})
}

// decode takes its rig from a document.
func (r *auditRow) decode(document []byte) {
	got, err := rig.Decode(document)
	if is, ok := rig.AsIssues(err); ok {
		for _, x := range is {
			r.refuse(x.Pointer, x.Message, x.Advice)
		}
		return
	}
	r.rig = got
}

// errChunk: what a chunk holds is not what was written to it.
var errChunk = errors.New("the rows that were kept cannot be read")

// rows reads the rows of a chunk one by one, and io.EOF after the last.
func (a *Auditor) rows(ctx context.Context, id string, ask *AuditAsk, chunk AuditChunk) (func() (auditRow, error), error) {
	var next func() (auditRow, error)
	switch ask.Source.Kind {
	case AuditCSV, AuditNDJSON:
		shared, err := a.sharedBy(ctx, id, ask)
		if err != nil {
			return nil, err
		}
		if next, err = fileRows(shared.head, chunk.Input); err != nil {
			return nil, fmt.Errorf("%w: %w", errChunk, err)
		}
	case AuditAllPairs:
		sides, err := a.pairSides(ctx, id)
		if err != nil {
			return nil, err
		}
		next = pairRows(sides, ask, chunk)
	default:
		next = a.storedRows(ctx, chunk.Input)
	}
	n := int64(0)
	return func() (auditRow, error) {
		row, err := next()
		if err != nil {
			return auditRow{}, err
		}
		row.Row = chunk.First + n
		if n++; n > int64(chunk.Rows) {
			return auditRow{}, fmt.Errorf("%w: there are more than %d", errChunk, chunk.Rows)
		}
		return row, nil
	}, nil
}

func fileRows(head, piece []byte) (func() (auditRow, error), error) {
	r, err := fleet.NewPiece(head, piece)
	if err != nil {
		return nil, err
	}
	return func() (auditRow, error) {
		got, err := r.Next()
		if err == io.EOF {
			return auditRow{}, err
		}
		if err != nil {
			return auditRow{}, fmt.Errorf("%w: %w", errChunk, err)
		}
		row := auditRow{AuditItem: AuditItem{Line: got.Line, ID: got.ID, Vehicle: got.VehicleID, Trailer: got.TrailerID}, rig: got.Rig}
		for _, f := range got.Faults {
			row.Outcome = OutcomeRefused
			row.Faults = append(row.Faults, AuditFault(f))
		}
		return row, nil
	}, nil
}

// storedRows reads the lines that chunksOf wrote.
func (a *Auditor) storedRows(ctx context.Context, lines []byte) func() (auditRow, error) {
	dec := json.NewDecoder(bytes.NewReader(lines))
	return func() (auditRow, error) {
		var x storedRow
		if err := dec.Decode(&x); err == io.EOF {
			return auditRow{}, err
		} else if err != nil {
			return auditRow{}, fmt.Errorf("%w: %w", errChunk, err)
		}
		row := auditRow{AuditItem: AuditItem{ID: x.ID, Vehicle: x.Vehicle, Trailer: x.Trailer}, day: x.AsOf, was: x.Was}
		document := []byte(x.Rig)
		switch {
		case x.Fault != "":
			row.refuse("", x.Fault, x.Advice)
			return row, nil
		case document == nil:
			rec, err := a.store.Get(ctx, x.ID)
			if errors.Is(err, ErrNotFound) { // a store that forgets
				row.refuse("", "the assessment is no longer kept", "Ask about the rig again.")
				return row, nil
			}
			if err != nil {
				return auditRow{}, fmt.Errorf("get an assessment: %w", err)
			}
			document = rec.Rig
			if err := json.Unmarshal(rec.Answer, &row.said); err != nil {
				row.refuse("", "the answer that was kept cannot be read", "Ask about the rig again.")
				return row, nil
			}
		}
		row.decode(document)
		return row, nil
	}
}

// pairSides are the vehicles and trailers of an audit of all pairs.
type pairSides struct{ vehicles, trailers []side }

func (a *Auditor) pairSides(ctx context.Context, id string) (*pairSides, error) {
	return a.sides.get(ctx, id, func() (*pairSides, error) {
		out := &pairSides{}
		for name, to := range map[string]*[]side{inputVehicles: &out.vehicles, inputTrailers: &out.trailers} {
			lines, err := a.store.GetAuditInput(ctx, id, name)
			if err != nil {
				return nil, fmt.Errorf("get the %s of an audit: %w", name, err)
			}
			dec := json.NewDecoder(bytes.NewReader(lines))
			for {
				var x side
				if err := dec.Decode(&x); err == io.EOF {
					break
				} else if err != nil {
					return nil, fmt.Errorf("%w: %w", errChunk, err)
				}
				*to = append(*to, x)
			}
		}
		return out, nil
	})
}

// pairRows composes the pairs of a chunk: every trailer with the first vehicle,
// then with the second, and so on.
func pairRows(s *pairSides, ask *AuditAsk, chunk AuditChunk) func() (auditRow, error) {
	n, end := chunk.First-1, chunk.First-1+int64(chunk.Rows)
	var doc []byte
	return func() (auditRow, error) {
		if n >= end {
			return auditRow{}, io.EOF
		}
		per := int64(len(s.trailers))
		if per == 0 || n/per >= int64(len(s.vehicles)) {
			return auditRow{}, fmt.Errorf("%w: there is no pair %d", errChunk, n+1)
		}
		v, t := &s.vehicles[n/per], &s.trailers[n%per]
		n++
		row := auditRow{AuditItem: AuditItem{Vehicle: v.ID, Trailer: t.ID}}
		doc = appendPair(doc[:0], ask, v, t)
		row.decode(doc)
		return row, nil
	}
}

// appendPair appends the rig document of a pair: that of composeRig, of texts that
// are JSON already.
func appendPair(b []byte, ask *AuditAsk, v, t *side) []byte {
	open := len(b)
	b = appendGiven(b, `,"jurisdiction":`, ask.Jurisdiction)
	if ask.Commercial != nil {
		b = append(strconv.AppendBool(append(b, `,"use":{"commercial":`...), *ask.Commercial), '}')
	}
	for _, x := range [...]struct {
		key  string
		text json.RawMessage
	}{{`,"vehicle":`, v.Document}, {`,"trailer":`, t.Document}} {
		if len(x.text) > 0 {
			b = append(append(b, x.key...), x.text...)
		}
	}
	if len(v.Parts)+len(t.Parts) > 0 {
		b = append(b, `,"parts":`...)
		at := len(b)
		for _, list := range [...][]json.RawMessage{v.Parts, t.Parts} {
			for _, part := range list {
				b = append(append(b, ','), part...)
			}
		}
		b[at] = '[' // in place of the first comma
		b = append(b, ']')
	}
	if len(b) == open {
		b = append(b, ',')
	}
	b[open] = '{'
	return append(b, '}')
}
