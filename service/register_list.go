package service

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"

	"drawgear/rules/rig"
)

// MaxFitHistory is the most revisions of parts that are looked through to tell
// what was fitted to one vehicle or trailer.
const MaxFitHistory = 5000

// registerPage cuts a page of entries; at is the place of one in the list.
func registerPage(limit int, find func(limit int) ([]Entry, error), at func(Entry) string) (RegisterPage, error) {
	if limit <= 0 {
		limit = DefaultLimit
	}
	limit = min(limit, MaxLimit)
	es, err := find(limit + 1) // one more tells whether a page follows
	if err != nil {
		return RegisterPage{}, err
	}
	page := RegisterPage{Items: make([]RegisterEntry, 0, min(len(es), limit))}
	for i, e := range es {
		if i == limit {
			page.Next = placeText(at(es[limit-1]))
			break
		}
		page.Items = append(page.Items, shownEntry(e))
	}
	return page, nil
}

// History returns revisions, newest first.
func (r *Registry) History(ctx context.Context, kind EntryKind, id, cursor string, limit int) (RegisterPage, error) {
	if err := knownKind(kind); err != nil {
		return RegisterPage{}, err
	}
	place, err := placeOf(cursor)
	if err != nil {
		return RegisterPage{}, err
	}
	below := 0
	if place != "" {
		if below, err = strconv.Atoi(place); err != nil || below < 1 || strconv.Itoa(below) != place {
			return RegisterPage{}, ErrCursor
		}
	}
	return registerPage(limit, func(limit int) ([]Entry, error) {
		es, err := r.store.EntryHistory(ctx, kind, id, below, limit)
		if err != nil {
			return nil, fmt.Errorf("read the register: %w", err)
		}
		if len(es) == 0 && below == 0 {
			return nil, fmt.Errorf("%s/%s: %w", kind, id, ErrNotFound)
		}
		return es, nil
	}, func(e Entry) string { return strconv.Itoa(e.Revision) })
}

// List returns entries by id.
func (r *Registry) List(ctx context.Context, q RegisterQuery) (RegisterPage, error) {
	if err := knownKind(q.Kind); err != nil {
		return RegisterPage{}, err
	}
	after, err := placeOf(q.Cursor)
	if err != nil || after != "" && entryID("", after) != nil {
		return RegisterPage{}, ErrCursor
	}
	return registerPage(q.Limit, func(limit int) ([]Entry, error) {
		es, err := r.store.ListEntries(ctx, EntryFilter{Kind: q.Kind, Yard: q.Yard, FittedTo: q.FittedTo, Removed: q.Removed, After: after, Limit: limit})
		if err != nil {
			return nil, fmt.Errorf("list the register: %w", err)
		}
		return es, nil
	}, func(e Entry) string { return e.ID })
}

// fit is a time during which a part was fitted, with the revision that says so.
type fit struct {
	entry        Entry
	since, until string // until is empty if it still is
}

// on reports whether the day lies in it.
func (f fit) on(day string) bool { return f.since <= day && (f.until == "" || day < f.until) }

// fits works out the times from what was written of the parts, by part and time.
// Each revision holds until the day of the next; what was put right on the same
// day never held. Revisions that say the same of the part make one time.
func fits(ctx context.Context, store Register, to FittedTo) ([]fit, error) {
	es, err := store.FittedHistory(ctx, to, MaxFitHistory+1)
	if err != nil {
		return nil, fmt.Errorf("read what was fitted: %w", err)
	}
	if len(es) > MaxFitHistory {
		return nil, Invalid{{Code: rig.CodeLimit, Message: "too much was written of the parts fitted to it", Advice: fmt.Sprintf("At most %d revisions are looked through.", MaxFitHistory)}}
	}
	var out []fit
	for i, e := range es {
		if e.Removed || e.FittedTo != to {
			continue
		}
		f := fit{entry: e, since: e.Since}
		if i+1 < len(es) && es[i+1].ID == e.ID {
			f.until = es[i+1].Since
		}
		if f.since == f.until {
			continue
		}
		if n := len(out) - 1; n >= 0 && out[n].entry.ID == e.ID && out[n].until == f.since && string(out[n].entry.Document) == string(e.Document) {
			out[n].until = f.until
			continue
		}
		out = append(out, f)
	}
	return out, nil
}

// Fitted returns which parts were fitted to a vehicle or trailer and when, by part
// and time; only on a day if one is given. Where the part itself changed while it
// was fitted there are two times, each with the document of its own. It fails with
// ErrNotFound if the register never held the vehicle or trailer.
func (r *Registry) Fitted(ctx context.Context, to FittedTo, on string) ([]RegisterFit, error) {
	if to.Kind != EntryVehicle && to.Kind != EntryTrailer {
		return nil, fmt.Errorf("nothing is fitted to %q: %w", to.Kind, ErrNotFound)
	}
	if on != "" {
		if _, err := rig.ParseDay(on); err != nil {
			return nil, Invalid{{Pointer: "/on", Code: rig.CodeBadValue, Message: "not a day", Advice: err.Error()}}
		}
	}
	if _, err := r.store.GetEntry(ctx, to.Kind, to.ID); err != nil {
		return nil, fmt.Errorf("read the register: %w", err)
	}
	all, err := fits(ctx, r.store, to)
	if err != nil {
		return nil, err
	}
	out := []RegisterFit{}
	for _, f := range all {
		if on != "" && !f.on(on) {
			continue
		}
		var part struct {
			Role string `json:"role"`
		}
		if err := json.Unmarshal(f.entry.Document, &part); err != nil {
			return nil, fmt.Errorf("read part %s: %w", f.entry.ID, err)
		}
		out = append(out, RegisterFit{Part: f.entry.ID, Role: part.Role, Since: f.since, Until: f.until, Document: f.entry.Document})
	}
	return out, nil
}
