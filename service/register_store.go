package service

import (
	"context"
	"time"
)

// Register keeps the vehicles, trailers, parts and pairings of a tenant under the
// tenant's own ids, with every revision of each. A revision is never changed or
// removed.
type Register interface {
	// PutEntries writes the next revision of each entry, all or none: of one that is
	// not there yet revision 1. It fails with a *StaleEntry, which is ErrStale, if a
	// revision is not the next.
	PutEntries(ctx context.Context, es ...Entry) error
	// GetEntry returns the newest revision, also of a removed one, or an error that
	// wraps ErrNotFound.
	GetEntry(ctx context.Context, kind EntryKind, id string) (Entry, error)
	// GetEntries returns the newest revisions of those ids that are there, also of
	// removed ones, by id in the order of their bytes.
	GetEntries(ctx context.Context, kind EntryKind, ids ...string) ([]Entry, error)
	// EntryHistory returns revisions below one, newest first; below 0 is all.
	EntryHistory(ctx context.Context, kind EntryKind, id string, below, limit int) ([]Entry, error)
	// ListEntries returns the newest revisions that pass the filter, by id in the
	// order of their bytes.
	ListEntries(ctx context.Context, f EntryFilter) ([]Entry, error)
	// FittedHistory returns every revision of every part that said it was fitted to
	// something, and the revisions that followed it, by part and revision.
	FittedHistory(ctx context.Context, to FittedTo, limit int) ([]Entry, error)
	// RegisterTenants lists the tenants that hold a pairing. It needs no caller.
	RegisterTenants(ctx context.Context) ([]string, error)
}

// EntryKind is what an entry of the register describes.
type EntryKind string

// The kinds of entries.
const (
	EntryVehicle EntryKind = "vehicles"
	EntryTrailer EntryKind = "trailers"
	EntryPart    EntryKind = "parts"
	EntryPairing EntryKind = "pairings"
)

// EntryKinds lists them all.
var EntryKinds = []EntryKind{EntryVehicle, EntryTrailer, EntryPart, EntryPairing}

// Entry is one revision of something in the register.
type Entry struct {
	Kind      EntryKind
	ID        string // the tenant's own: 1 to 64 characters
	Revision  int    // 1 first
	WrittenAt time.Time
	WrittenBy string   // subject
	Since     string   // day from which it is so, as 2026-11-25
	Yard      string   // where it is kept, in the tenant's words; may be empty
	FittedTo  FittedTo // of a part; empty for one in stock
	Note      string
	Removed   bool   // it is no longer there
	Document  []byte // JSON of the kind's form; empty if removed
}

// FittedTo names what a part is fitted to: a vehicle or a trailer.
type FittedTo struct {
	Kind EntryKind // EntryVehicle or EntryTrailer; empty for nothing
	ID   string
}

// EntryFilter picks entries.
type EntryFilter struct {
	Kind     EntryKind
	Yard     string   // empty for all
	FittedTo FittedTo // of parts; empty for all
	Removed  bool     // removed ones too
	After    string   // only greater ids
	Limit    int      // above 0
}

// StaleEntry is the error of a revision that is not the next.
type StaleEntry struct {
	Kind EntryKind
	ID   string
	Has  int // the revision that is there; 0 for none
}

// Error names the entry.
func (e *StaleEntry) Error() string {
	return string(e.Kind) + " " + e.ID + ": " + ErrStale.Error()
}

// Unwrap is ErrStale.
func (e *StaleEntry) Unwrap() error { return ErrStale }
