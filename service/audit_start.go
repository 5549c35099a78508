package service

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"

	"drawgear/rules/rig"
)

// Sizes of what is read of a store at once, and of what is remembered.
const (
	auditPage    = 200
	maxSideBytes = 16 << 20 // of the vehicles, and of the trailers, of an audit of all pairs
	maxComposed  = 500      // vehicles and trailers with their parts
)

// Start starts an audit of what the store holds: pairings, all pairs, or recorded
// assessments. A law with a draft asks for ScopeAuthor.
func (a *Auditor) Start(ctx context.Context, ask AuditAsk) (Audit, error) {
	return a.start(ctx, a.answers.ids(), ask)
}

func (a *Auditor) start(ctx context.Context, id string, ask AuditAsk) (Audit, error) {
	if err := a.settle(ctx, &ask); err != nil {
		return Audit{}, err
	}
	for _, l := range []*AuditLaw{&ask.Law, ask.Against} {
		if err := a.settleDraft(ctx, l); err != nil {
			return Audit{}, err
		}
	}
	inputs := map[string][]byte{}
	var next func() (AuditChunk, error)
	var err error
	switch ask.Source.Kind {
	case AuditPairings:
		next = chunksOf(a.pairings(ctx, &ask))
	case AuditAssessments:
		next = chunksOf(a.recorded(ctx, &ask))
	case AuditAllPairs:
		inputs, next, err = a.allPairs(ctx, &ask)
	default:
		err = Invalid{{Pointer: "/source/kind", Code: rig.CodeBadValue, Message: "this source is a file", Advice: "Send the file."}}
	}
	if err != nil {
		return Audit{}, err
	}
	return a.begin(ctx, id, ask, inputs, next)
}

// storedRow is a row of which the store holds all there is: a line of a chunk.
type storedRow struct {
	ID      string          `json:"id"`
	Vehicle string          `json:"vehicle,omitempty"`
	Trailer string          `json:"trailer,omitempty"`
	Rig     json.RawMessage `json:"rig,omitempty"`    // absent for a recorded assessment, which is kept already
	AsOf    string          `json:"as_of,omitempty"`  // of a recorded assessment
	Was     Outcome         `json:"was,omitempty"`    // likewise
	Fault   string          `json:"fault,omitempty"`  // why there is no rig
	Advice  string          `json:"advice,omitempty"` // likewise
}

// chunksOf cuts rows into chunks. next gives io.EOF after the last.
func chunksOf(next func() (storedRow, error)) func() (AuditChunk, error) {
	var lines bytes.Buffer
	return func() (AuditChunk, error) {
		lines.Reset()
		n := 0
		for n < AuditChunkRows && lines.Len() < AuditChunkBytes {
			row, err := next()
			if err == io.EOF {
				break
			}
			if err != nil {
				return AuditChunk{}, err
			}
			if err := json.NewEncoder(&lines).Encode(row); err != nil {
				return AuditChunk{}, fmt.Errorf("write row %s: %w", row.ID, err)
			}
			n++
		}
		if n == 0 {
			return AuditChunk{}, io.EOF
		}
		return AuditChunk{Rows: n, Input: bytes.Clone(lines.Bytes())}, nil
	}
}

// entries gives the entries that pass a filter one by one, and io.EOF after the
// last.
func (a *Auditor) entries(ctx context.Context, f EntryFilter) func() (Entry, error) {
	var page []Entry
	last := false
	f.Limit = auditPage
	return func() (Entry, error) {
		if len(page) == 0 && !last {
			var err error
			if page, err = a.store.ListEntries(ctx, f); err != nil {
				return Entry{}, fmt.Errorf("list %s: %w", f.Kind, err)
			}
			last = len(page) < f.Limit
			if len(page) > 0 {
				f.After = page[len(page)-1].ID
			}
		}
		if len(page) == 0 {
			return Entry{}, io.EOF
		}
		e := page[0]
		page = page[1:]
		return e, nil
	}
}

// registerDay is the day on which an audit looks at the register, as a question
// about one pairing does: today, or the day that is asked about if that is to come.
func (a *Auditor) registerDay(ask *AuditAsk) string {
	return max(rig.DayOf(a.time()).String(), cmp.Or(ask.Law.AsOf, ask.AsOf))
}

// standing gives the entries of a kind that are there on a day, of a yard unless
// that is empty, and io.EOF after the last.
func (a *Auditor) standing(ctx context.Context, kind EntryKind, yard, day string) func() (Entry, error) {
	next := a.entries(ctx, EntryFilter{Kind: kind, Removed: true}) // the newest may be of a day to come
	return func() (Entry, error) {
		for {
			e, err := next()
			if err != nil {
				return Entry{}, err
			}
			if e, err = revisionOn(ctx, a.store, e, day); err != nil {
				return Entry{}, err
			}
			if e.Since <= day && !e.Removed && (yard == "" || e.Yard == yard) {
				return e, nil
			}
		}
	}
}

// half is a vehicle or a trailer with the parts that are fitted to it.
type half struct {
	entry  Entry
	parts  []Entry
	gone   bool    // it is not in the register
	faults Invalid // why its parts cannot be told
}

// halves reads vehicles and trailers with their parts as they stand on a day, and
// remembers some.
func (a *Auditor) halves(ctx context.Context, day string) func(kind EntryKind, id string) (half, error) {
	known := map[FittedTo]half{}
	return func(kind EntryKind, id string) (half, error) {
		at := FittedTo{kind, id}
		if h, ok := known[at]; ok {
			return h, nil
		}
		h, err := a.half(ctx, at, day)
		if err != nil {
			return half{}, fmt.Errorf("get %s %s: %w", kind, id, err)
		}
		if len(known) >= maxComposed {
			clear(known)
		}
		known[at] = h
		return h, nil
	}
}

func (a *Auditor) half(ctx context.Context, at FittedTo, day string) (half, error) {
	e, err := a.store.GetEntry(ctx, at.Kind, at.ID)
	if errors.Is(err, ErrNotFound) {
		return half{gone: true}, nil
	}
	if err == nil {
		e, err = revisionOn(ctx, a.store, e, day)
	}
	h := half{entry: e, gone: e.Since > day || e.Removed}
	if err != nil || h.gone {
		return h, err
	}
	all, err := fits(ctx, a.store, at)
	if errors.As(err, &h.faults) {
		return h, nil
	}
	for _, f := range all {
		if f.on(day) {
			h.parts = append(h.parts, f.entry)
		}
	}
	return h, err
}

// pairings gives the pairings of the register as rows.
func (a *Auditor) pairings(ctx context.Context, ask *AuditAsk) func() (storedRow, error) {
	day := a.registerDay(ask)
	next, find := a.standing(ctx, EntryPairing, ask.Source.Yard, day), a.halves(ctx, day)
	return func() (storedRow, error) {
		e, err := next()
		if err != nil {
			return storedRow{}, err
		}
		p, err := readPairing(e)
		if err != nil {
			return storedRow{}, err
		}
		row := storedRow{ID: e.ID, Vehicle: p.Vehicle, Trailer: p.Trailer}
		vehicle, err := find(EntryVehicle, p.Vehicle)
		if err != nil {
			return storedRow{}, err
		}
		trailer, err := find(EntryTrailer, p.Trailer)
		if err != nil {
			return storedRow{}, err
		}
		if vehicle.gone || trailer.gone {
			row.Fault, row.Advice = "the vehicle or trailer of the pairing is not in the register", "Write it, or remove the pairing."
			return row, nil
		}
		if faults := slices.Concat(vehicle.faults, trailer.faults); len(faults) > 0 {
			row.Fault, row.Advice = faults[0].Message, faults[0].Advice
			return row, nil
		}
		row.Rig, err = composeRig(vehicle.entry, trailer.entry, slices.Concat(vehicle.parts, trailer.parts), p)
		return row, err
	}
}

// recorded gives the assessments of the last months as rows. What was assessed is
// kept for ever, so that a row need only name it.
func (a *Auditor) recorded(ctx context.Context, ask *AuditAsk) func() (storedRow, error) {
	from := a.time().AddDate(0, -ask.Source.Months, 0)
	var page []Summary
	var after *Position
	last := false
	return func() (storedRow, error) {
		if len(page) == 0 && !last {
			var err error
			if page, err = a.store.List(ctx, Filter{After: after, Limit: auditPage}); err != nil {
				return storedRow{}, fmt.Errorf("list assessments: %w", err)
			}
			last = len(page) < auditPage
			if len(page) > 0 {
				p := page[len(page)-1].Position()
				after = &p
			}
		}
		if len(page) == 0 || page[0].CreatedAt.Before(from) {
			page, last = nil, true
			return storedRow{}, io.EOF
		}
		s := page[0]
		page = page[1:]
		return storedRow{ID: s.ID, AsOf: s.AsOf, Was: s.Verdict}, nil
	}
}

// side is one vehicle or trailer of an audit of all pairs: a line of an input.
type side struct {
	ID       string            `json:"id"`
	Document json.RawMessage   `json:"document"`
	Parts    []json.RawMessage `json:"parts,omitempty"`
}

// allPairs gives what all pairs of the register are made of, and chunks that hold
// nothing: which pair a row is, its number says.
func (a *Auditor) allPairs(ctx context.Context, ask *AuditAsk) (map[string][]byte, func() (AuditChunk, error), error) {
	inputs, s, day := map[string][]byte{}, ask.Source, a.registerDay(ask)
	counts := [2]int{}
	for i, x := range []struct {
		kind  EntryKind
		name  string
		only  []string
		field string
	}{{EntryVehicle, inputVehicles, s.Vehicles, "/source/vehicles/"}, {EntryTrailer, inputTrailers, s.Trailers, "/source/trailers/"}} {
		var lines bytes.Buffer
		n, err := a.side(ctx, x.kind, s.Yard, day, x.only, x.field, &lines)
		if err != nil {
			return nil, nil, err
		}
		inputs[x.name], counts[i] = lines.Bytes(), n
	}
	left := counts[0] * counts[1]
	if left > MaxAuditRows {
		return nil, nil, ErrAuditRows
	}
	return inputs, func() (AuditChunk, error) {
		if left == 0 {
			return AuditChunk{}, io.EOF
		}
		n := min(left, AuditChunkRows)
		left -= n
		return AuditChunk{Rows: n, Input: []byte("{}")}, nil
	}, nil
}

// side writes the vehicles or trailers of an audit of all pairs, a line each.
func (a *Auditor) side(ctx context.Context, kind EntryKind, yard, day string, only []string, field string, out *bytes.Buffer) (int, error) {
	find := a.halves(ctx, day)
	n := 0
	write := func(id string) error {
		h, err := find(kind, id)
		if err != nil {
			return err
		}
		switch {
		case h.gone:
			return ErrNotFound
		case h.faults != nil:
			return fmt.Errorf("%s/%s: %w", kind, id, h.faults)
		}
		line := side{ID: id, Document: h.entry.Document}
		for _, e := range h.parts {
			part, err := rigPart(e)
			if err != nil {
				return err
			}
			line.Parts = append(line.Parts, part)
		}
		if err := json.NewEncoder(out).Encode(line); err != nil {
			return fmt.Errorf("write %s %s: %w", kind, id, err)
		}
		if n++; n > MaxPairSide || out.Len() > maxSideBytes {
			return fmt.Errorf("all pairs have no more than %d %s, and %d bytes of them: %w", MaxPairSide, kind, maxSideBytes, ErrAuditRows)
		}
		return nil
	}
	if only != nil {
		if len(only) > MaxPairSide {
			return 0, fmt.Errorf("all pairs have no more than %d %s: %w", MaxPairSide, kind, ErrAuditRows)
		}
		seen := map[string]bool{}
		for i, id := range only {
			if seen[id] {
				continue
			}
			seen[id] = true
			err := write(id)
			if errors.Is(err, ErrNotFound) {
				return 0, Invalid{{Pointer: field + strconv.Itoa(i), Code: rig.CodeBadValue, Message: "there is none of this id in the register", Advice: "Write it first, or leave it out."}}
			}
			if err != nil {
				return 0, err
			}
		}
		return n, nil
	}
	next := a.standing(ctx, kind, yard, day)
	for {
		e, err := next()
		if err == io.EOF {
			return n, nil
		}
		if err != nil {
			return 0, err
		}
		if err := write(e.ID); err != nil && !errors.Is(err, ErrNotFound) { // it may have been removed since it was listed
			return 0, err
		}
	}
}
