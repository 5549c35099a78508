package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"drawgear/rules/rig"
)

// ErrInUse: something in the register needs it. The error is an *EntryInUse.
var ErrInUse = errors.New("it is in use")

// EntryInUse is the error of a vehicle or trailer that cannot be removed.
type EntryInUse struct {
	Kind EntryKind
	ID   string
	By   []string // pairings that name it and parts fitted to it, such as pairings/TV-07; some, if there are many
}

// Error names the entry and what uses it.
func (u *EntryInUse) Error() string {
	return string(u.Kind) + "/" + u.ID + ": " + ErrInUse.Error() + " by " + strings.Join(u.By, ", ")
}

// Unwrap is ErrInUse.
func (u *EntryInUse) Unwrap() error { return ErrInUse }

// RegisterEntry is an entry of the register as it is shown.
type RegisterEntry struct {
	Kind      EntryKind       `json:"kind"`
	ID        string          `json:"id"`
	Revision  int             `json:"revision"`
	WrittenAt time.Time       `json:"written_at"`
	WrittenBy string          `json:"written_by"`
	Since     string          `json:"since"`
	Yard      string          `json:"yard,omitempty"`
	FittedTo  *RegisterFitted `json:"fitted_to,omitempty"`
	Note      string          `json:"note,omitempty"`
	Removed   bool            `json:"removed"`
	Document  json.RawMessage `json:"document,omitempty"`
}

// ETag tells the entry from what it was before and will be.
func (e RegisterEntry) ETag() string { return fittingTag(e.Revision) }

// RegisterFitted names what a part is fitted to.
type RegisterFitted struct {
	Kind EntryKind `json:"kind"`
	ID   string    `json:"id"`
}

// RegisterWrite is what is written of an entry.
//
// The document of a vehicle is the object `vehicle` of a rig; of a trailer the
// object `trailer`; of a part an object of `parts`, with a `price` beside it
// ({"amount": "18.50", "currency": "AUD"}) if it is for sale; of a pairing
// {"vehicle": id, "trailer": id, "jurisdiction": ..., "use": {...}, "parts": [...]},
// of which vehicle and trailer must be in the register.
type RegisterWrite struct {
	Since    string          `json:"since,omitempty"` // today if left out
	Yard     string          `json:"yard,omitempty"`
	FittedTo *RegisterFitted `json:"fitted_to,omitempty"`
	Note     string          `json:"note,omitempty"`
	Document json.RawMessage `json:"document"`
}

// RegisterPage is a part of the register or of a history.
type RegisterPage struct {
	Items []RegisterEntry `json:"items"`
	Next  string          `json:"next,omitempty"`
}

// RegisterQuery picks entries.
type RegisterQuery struct {
	Kind     EntryKind
	Yard     string
	FittedTo FittedTo
	Removed  bool
	Cursor   string
	Limit    int
}

// RegisterFit is a time during which a part was fitted to something.
type RegisterFit struct {
	Part     string          `json:"part"` // id
	Role     string          `json:"role"`
	Since    string          `json:"since"`           // first day
	Until    string          `json:"until,omitempty"` // first day on which it was no longer there
	Document json.RawMessage `json:"document"`        // as it was then
}

// RegisterImport is what came of a file.
type RegisterImport struct {
	Rows      int          `json:"rows"`
	Written   int          `json:"written"` // entries that are new or changed
	Unchanged int          `json:"unchanged"`
	Refused   int          `json:"refused"`
	Faults    []AuditFault `json:"faults"` // the first MaxImportFaults of them
}

// MaxImportFaults is how many faults of a file are listed.
const MaxImportFaults = 200

// RegisterAsk is a question about what the register holds: a pairing, or a vehicle
// and a trailer.
type RegisterAsk struct {
	Pairing      string          `json:"pairing,omitempty"`
	Vehicle      string          `json:"vehicle,omitempty"`
	Trailer      string          `json:"trailer,omitempty"`
	Jurisdiction string          `json:"jurisdiction,omitempty"` // in place of the pairing's
	AsOf         string          `json:"as_of,omitempty"`
	Use          json.RawMessage `json:"use,omitempty"` // in place of the pairing's
}

// Registry carries out the use cases of the register. It is safe for concurrent
// use.
type Registry struct {
	answers *Assessor
	store   Register
	now     func() time.Time
}

// NewRegistry returns them over a store.
func NewRegistry(answers *Assessor, store Register, now func() time.Time) *Registry {
	return &Registry{answers: answers, store: store, now: now}
}

const (
	registerTries = 8   // of a write, as long as others are faster
	registerRows  = 200 // entries that are read or written at a time
	usersNamed    = 10  // by an EntryInUse
)

// Put writes an entry. match is the ETag of the revision that is replaced, "*"
// for any that is there, or empty for whatever is there or not; with fresh the
// entry must not be there, whatever match is. A removed entry is not there. It
// fails with ErrStale if that is not so, and with rig.Issues for what is wrong
// with the document, pointers from the body on. To write what is there already
// makes no revision; a day of since that is left out is then no change.
func (r *Registry) Put(ctx context.Context, kind EntryKind, id, match string, fresh bool, w RegisterWrite) (RegisterEntry, error) {
	if err := need(ctx, ScopeFleet); err != nil {
		return RegisterEntry{}, err
	}
	if err := knownKind(kind); err != nil {
		return RegisterEntry{}, err
	}
	d, issues := readEntry(kind, id, w)
	if issues != nil {
		return RegisterEntry{}, issues
	}
	anyhow := strings.TrimSpace(match) == "" && !fresh
	for try := 1; ; try++ {
		e, err := r.put(ctx, d, match, fresh)
		if anyhow && errors.Is(err, ErrStale) && try < registerTries && ctx.Err() == nil {
			continue // somebody was faster: what they wrote is replaced
		}
		return e, err
	}
}

func (r *Registry) put(ctx context.Context, d entryDraft, match string, fresh bool) (RegisterEntry, error) {
	has, err := r.newest(ctx, d.kind, d.id)
	if err != nil {
		return RegisterEntry{}, err
	}
	there := has.Revision > 0 && !has.Removed
	if match = strings.TrimSpace(match); fresh && there || !fresh && match != "" && (!matches(match, fittingTag(has.Revision)) || match == "*" && !there) {
		return RegisterEntry{}, fmt.Errorf("%s/%s: %w", d.kind, d.id, ErrStale)
	}
	found, err := r.named(ctx, &d)
	if err != nil {
		return RegisterEntry{}, err
	}
	e, changed, late := d.next(has, r.time(), subject(ctx))
	if issues := append(d.missing(found), late...); issues != nil {
		return RegisterEntry{}, issues
	}
	if !changed {
		return shownEntry(has), nil
	}
	if err := r.store.PutEntries(ctx, e); err != nil {
		return RegisterEntry{}, fmt.Errorf("write to the register: %w", err)
	}
	return shownEntry(e), nil
}

// Remove ends an entry from today, or from the day of its last revision if that is
// to come; its history stays. A vehicle or trailer that a pairing names, or a part
// is fitted to, is refused with an *EntryInUse. match is as for Put. What begins to use
// it at the same moment may be written still; Assess then says that it is gone.
func (r *Registry) Remove(ctx context.Context, kind EntryKind, id, match, note string) (RegisterEntry, error) {
	if err := need(ctx, ScopeFleet); err != nil {
		return RegisterEntry{}, err
	}
	note, issues := plainText("/note", note, MaxEntryNote)
	if issues != nil {
		return RegisterEntry{}, issues
	}
	match = strings.TrimSpace(match)
	for try := 1; ; try++ {
		e, err := r.remove(ctx, kind, id, match, note)
		if match == "" && errors.Is(err, ErrStale) && try < registerTries && ctx.Err() == nil {
			continue
		}
		return e, err
	}
}

func (r *Registry) remove(ctx context.Context, kind EntryKind, id, match, note string) (RegisterEntry, error) {
	has, err := r.there(ctx, kind, id)
	if err != nil {
		return RegisterEntry{}, err
	}
	if match != "" && !matches(match, fittingTag(has.Revision)) {
		return RegisterEntry{}, fmt.Errorf("%s/%s: %w", kind, id, ErrStale)
	}
	users, err := r.users(ctx, kind, id)
	if err != nil {
		return RegisterEntry{}, err
	}
	if users != nil {
		return RegisterEntry{}, &EntryInUse{kind, id, users}
	}
	now := r.time()
	e := Entry{
		Kind: kind, ID: id, Revision: has.Revision + 1, WrittenAt: now, WrittenBy: subject(ctx),
		Since: max(rig.DayOf(now).String(), has.Since), Yard: has.Yard, Note: note, Removed: true,
	}
	if err := r.store.PutEntries(ctx, e); err != nil {
		return RegisterEntry{}, fmt.Errorf("remove from the register: %w", err)
	}
	return shownEntry(e), nil
}

// users names what needs a vehicle or trailer, the first of them only.
func (r *Registry) users(ctx context.Context, kind EntryKind, id string) ([]string, error) {
	if kind != EntryVehicle && kind != EntryTrailer {
		return nil, nil
	}
	var out []string
	parts, err := r.store.ListEntries(ctx, EntryFilter{Kind: EntryPart, FittedTo: FittedTo{kind, id}, Limit: usersNamed})
	if err != nil {
		return nil, fmt.Errorf("look what is fitted to %s/%s: %w", kind, id, err)
	}
	for _, e := range parts {
		out = append(out, string(e.Kind)+"/"+e.ID)
	}
	err = r.each(ctx, EntryFilter{Kind: EntryPairing}, func(e Entry) error {
		p, err := readPairing(e)
		if err != nil {
			return err
		}
		if kind == EntryVehicle && p.Vehicle == id || kind == EntryTrailer && p.Trailer == id {
			out = append(out, string(e.Kind)+"/"+e.ID)
		}
		if len(out) >= usersNamed {
			return errEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, fmt.Errorf("look which pairings name %s/%s: %w", kind, id, err)
	}
	return out, nil
}

// errEnough ends a walk through the register.
var errEnough = errors.New("enough")

// each walks through the entries that pass a filter, by id, some at a time.
func (r *Registry) each(ctx context.Context, f EntryFilter, do func(Entry) error) error {
	f.Limit = registerRows
	for {
		es, err := r.store.ListEntries(ctx, f)
		if err != nil {
			return err
		}
		for _, e := range es {
			if err := do(e); err != nil {
				return err
			}
		}
		if len(es) < f.Limit {
			return nil
		}
		f.After = es[len(es)-1].ID
	}
}

// newest is the newest revision, or the zero Entry if there never was one.
func (r *Registry) newest(ctx context.Context, kind EntryKind, id string) (Entry, error) {
	e, err := r.store.GetEntry(ctx, kind, id)
	if errors.Is(err, ErrNotFound) {
		return Entry{}, nil
	}
	if err != nil {
		return Entry{}, fmt.Errorf("read the register: %w", err)
	}
	return e, nil
}

// there is the newest revision of an entry that is not removed.
func (r *Registry) there(ctx context.Context, kind EntryKind, id string) (Entry, error) {
	e, err := r.newest(ctx, kind, id)
	if err == nil && (e.Revision == 0 || e.Removed) {
		err = fmt.Errorf("%s/%s: %w", kind, id, ErrNotFound)
	}
	return e, err
}

// named looks which of what an entry names is in the register.
func (r *Registry) named(ctx context.Context, d *entryDraft) (map[FittedTo]bool, error) {
	found := map[FittedTo]bool{}
	for _, n := range d.names() {
		_, err := r.there(ctx, n.to.Kind, n.to.ID)
		if err != nil && !errors.Is(err, ErrNotFound) {
			return nil, err
		}
		found[n.to] = err == nil
	}
	return found, nil
}

// missing tells what an entry names and the register does not hold.
func (d *entryDraft) missing(found map[FittedTo]bool) (out rig.Issues) {
	for _, n := range d.names() {
		if !found[n.to] {
			out = append(out, rig.Issue{
				Pointer: n.pointer, Code: rig.CodeBadValue,
				Message: "the register has no " + string(n.to.Kind) + "/" + n.to.ID, Advice: "Write it first, or name one that is there.",
			})
		}
	}
	return out
}

// Get returns the newest revision, also of a removed entry, or an error that
// wraps ErrNotFound.
func (r *Registry) Get(ctx context.Context, kind EntryKind, id string) (RegisterEntry, error) {
	e, err := r.store.GetEntry(ctx, kind, id)
	if err != nil {
		return RegisterEntry{}, fmt.Errorf("read the register: %w", err)
	}
	return shownEntry(e), nil
}

func (r *Registry) time() time.Time { return storedTime(r.now()) }

func knownKind(kind EntryKind) error {
	for _, k := range EntryKinds {
		if k == kind {
			return nil
		}
	}
	return fmt.Errorf("the register has no %q: %w", kind, ErrNotFound)
}

func shownEntry(e Entry) RegisterEntry {
	out := RegisterEntry{
		Kind: e.Kind, ID: e.ID, Revision: e.Revision, WrittenAt: e.WrittenAt.UTC(), WrittenBy: e.WrittenBy,
		Since: e.Since, Yard: e.Yard, Note: e.Note, Removed: e.Removed, Document: e.Document,
	}
	if e.FittedTo.Kind != "" {
		out.FittedTo = &RegisterFitted{e.FittedTo.Kind, e.FittedTo.ID}
	}
	return out
}
