package service

import (
	"context"
	"errors"
	"time"

	"drawgear/rules"
)

// Store keeps what the service must not forget. Implementations pass the suite
// in db/storetest.
//
// Every method keeps to the tenant of the caller in its context (TenantOf) and
// neither shows nor changes anything of another; those that say otherwise in
// their comment are for the service itself. What a method takes or gives belongs
// to the caller of it: a store copies the bytes it keeps and the bytes it hands
// out. Every method fails with the error of its context once that has ended, and
// with an error that wraps ErrUnavailable if the store cannot be reached.
type Store interface {
	Assessments
	Fittings
	// Status says what kind of store this is and how it does. Next to an error
	// it still says the kind. It needs no caller.
	Status(ctx context.Context) (StoreStatus, error)
}

// FullStore is a Store with the roles that the record needs.
type FullStore interface {
	Store
	Keys
	Versions
	Log
	Register
	Webhooks
	Audits
	Jobs
	// Once runs do at most once for a key of the tenant, together with what do
	// writes through the store it is given: both stand or neither. The same key
	// with the same request digest gives the first reply again (again is true);
	// with another digest it fails with ErrKeyReused. Two at once: the second
	// waits for the first. A failed do leaves the key free.
	Once(ctx context.Context, key string, request [32]byte, do func(ctx context.Context, s FullStore) (Reply, error)) (reply Reply, again bool, err error)
}

// Assessments keeps rigs and the answers given to them. There is no way to
// change or remove one.
type Assessments interface {
	// Put keeps a record under a new id and enters it into the tenant's log in
	// the same step; it fails if the id is taken. CreatedAt is in whole
	// microseconds.
	Put(ctx context.Context, r Record) error
	// Get returns the record, or an error that wraps ErrNotFound.
	Get(ctx context.Context, id string) (Record, error)
	// List returns summaries that pass the filter, newest first and, of one
	// time, the greater id first.
	List(ctx context.Context, f Filter) ([]Summary, error)
}

// Fittings keeps fittings as what was written to them, one entry after another.
// An entry is never changed or removed, and none follows the signature.
type Fittings interface {
	// PutFitting keeps a fitting under a new id with its first entry, the plan, and
	// enters that into the tenant's log in the same step; it fails if the id is
	// taken. Times are in whole microseconds.
	PutFitting(ctx context.Context, f FittingSummary, plan FittingEntry) error
	// AppendFitting adds the entry that follows and enters it into the tenant's
	// log in the same step. It fails with ErrSigned if the fitting is signed, and
	// with ErrStale unless the revision of the entry is the next.
	AppendFitting(ctx context.Context, id string, e FittingEntry) error
	// GetFitting returns a fitting with all its entries in their order.
	GetFitting(ctx context.Context, id string) (FittingRecord, error)
	// ListFittings returns summaries that pass the filter, newest first and, of
	// one time, the greater id first.
	ListFittings(ctx context.Context, f FittingFilter) ([]FittingSummary, error)
}

// Reply is what was answered to a request that carried an idempotency key.
type Reply struct {
	Status   int    // HTTP status
	Location string // of what was made, if anything
	ETag     string
	Body     []byte
}

// ErrKeyReused: an idempotency key came again with another request.
var ErrKeyReused = errors.New("the idempotency key was used for another request")

// ErrFull: the store holds as much as it may of what never goes to make room.
var ErrFull = errors.New("the store has no room for it")

// Keys keeps the API keys of tenants, never their secrets.
type Keys interface {
	// PutTenant makes a tenant if there is none of that id. It needs no caller.
	PutTenant(ctx context.Context, t Tenant) error
	// PutKey keeps a new key of the caller's tenant; it fails if the id is taken.
	PutKey(ctx context.Context, k Key) error
	// FindKey returns a key of any tenant by its id, for authentication: it needs
	// no caller. It fails with an error that wraps ErrNotFound.
	FindKey(ctx context.Context, id string) (Key, error)
	// ListKeys returns the tenant's keys, newest first.
	ListKeys(ctx context.Context) ([]Key, error)
	// RevokeKey ends a key of the tenant; revoking again changes nothing.
	RevokeKey(ctx context.Context, id string, at time.Time) error
}

// Tenant is one customer of the service.
type Tenant struct {
	ID        string // UUID
	Name      string
	CreatedAt time.Time
}

// Key is an API key as it is kept: the digest of its secret only.
type Key struct {
	ID        string // looked up by; not secret
	Tenant    string
	Name      string // whose it is, in the tenant's words
	Digest    [32]byte
	Scopes    []Scope
	CreatedAt time.Time
	ExpiresAt time.Time // zero for never
	RevokedAt time.Time // zero while it is good
}

// Versions keeps ruleset versions through their life.
type Versions interface {
	// ImportVersions adds shipped versions that are not there yet, as published;
	// one that is there stays as it is, and no version of a tenant is touched. It
	// fails if a shipped version is there with another text. It needs no caller.
	ImportVersions(ctx context.Context, vs []Version) error
	// PutDraft makes or replaces a draft of the tenant. tag is the ETag of the
	// version replaced, or empty for a new one; ErrStale if it is not the one
	// there. It fails with ErrState if the version there is no draft.
	PutDraft(ctx context.Context, v Version, tag string) error
	// Move takes a version of the tenant from one state to the next, setting who
	// and when, and the reason of a withdrawal. It fails with ErrStale if tag is
	// not its ETag, and with ErrState unless it is in the state from.
	Move(ctx context.Context, id string, version int, tag string, from State, v Version) error
	// GetVersion returns a version of the tenant or a shipped one.
	GetVersion(ctx context.Context, id string, version int) (Version, error)
	// ListVersions returns the tenant's versions and the shipped ones, by id and
	// version, without their documents.
	ListVersions(ctx context.Context) ([]Version, error)
	// LoadVersions returns every published or withdrawn version of every tenant
	// with its document, and a mark that changes when any does. It needs no
	// caller: the service builds its snapshots from it.
	LoadVersions(ctx context.Context) (vs []Version, mark string, err error)
	// WatchVersions calls changed soon after any version anywhere is published or
	// withdrawn, until the context ends. It needs no caller.
	WatchVersions(ctx context.Context, changed func()) error
}

// State is where a ruleset version is in its life.
type State string

// The states, in order. A published version never changes; it may be withdrawn,
// and is kept.
const (
	Draft     State = "draft"
	Approved  State = "approved"
	Published State = "published"
	Withdrawn State = "withdrawn"
)

// Errors of versions.
var (
	ErrStale = errors.New("somebody changed it meanwhile")
	ErrState = errors.New("it is not in the state for this")
)

// Version is a ruleset version as it is kept.
type Version struct {
	Tenant       string // empty for a shipped one
	Ruleset      string
	Number       int
	Jurisdiction string
	Title        string
	State        State
	Document     []byte // the text as written, YAML or JSON
	SHA256       string // of the canonical form
	AuthoredBy   string // subjects
	ApprovedBy   string
	PublishedBy  string
	CreatedAt    time.Time
	PublishedAt  time.Time // zero until then
	WithdrawnAt  time.Time
	Reason       string // of the withdrawal
}

// Log is the append-only record of what was kept: one Merkle tree a tenant
// (RFC 6962 hashing), whose leaves Put, PutFitting and AppendFitting enter.
type Log interface {
	// LogSize is the number of leaves.
	LogSize(ctx context.Context) (int64, error)
	// LogIndex is the place of an assessment in the log, or of an entry of a
	// fitting (FittingLogID).
	LogIndex(ctx context.Context, id string) (int64, error)
	// LogNodes returns hashes of the tree, by level (0 for leaves) and index
	// within the level, of complete subtrees only.
	LogNodes(ctx context.Context, ids []NodeID) ([][]byte, error)
	// LogLeaves returns leaf hashes and ids from a place on, at most n.
	LogLeaves(ctx context.Context, from int64, n int) ([]LogLeaf, error)
}

// NodeID names a node of the tree.
type NodeID struct {
	Level uint
	Index uint64
}

// LogLeaf is an entry of the log.
type LogLeaf struct {
	Index int64
	ID    string // of the assessment, or FittingLogID of the entry
	Hash  []byte // RFC 6962 leaf hash of Record.Leaf or FittingEntry.Leaf
}

// Record is an assessment as a store keeps it. Rig and Answer are JSON whose
// bytes must come back as they were: their digests are compared.
type Record struct {
	Summary
	Rig    []byte
	Answer []byte
	Engine string // version of the program that answered
	// KnownAt is the knowledge time that was asked for: what had been published
	// by then. Zero for "as known now".
	KnownAt time.Time
}

// Summary is an assessment in a list.
type Summary struct {
	ID           string        `json:"id"`
	CreatedAt    time.Time     `json:"created_at"`
	Jurisdiction string        `json:"jurisdiction"`
	AsOf         string        `json:"as_of"`
	Verdict      rules.Verdict `json:"verdict"`
	AnswerSHA256 string        `json:"answer_sha256"`
}

// Position is its place in the list.
func (s Summary) Position() Position { return Position{CreatedAt: s.CreatedAt, ID: s.ID} }

// Position is a place in the list of assessments or fittings. It stays where it is while
// others come and go.
type Position struct {
	CreatedAt time.Time
	ID        string
}

// Compare orders positions from older to newer.
func (p Position) Compare(q Position) int {
	if c := p.CreatedAt.Compare(q.CreatedAt); c != 0 {
		return c
	}
	switch {
	case p.ID < q.ID:
		return -1
	case p.ID > q.ID:
		return 1
	default:
		return 0
	}
}

// Filter picks summaries.
type Filter struct {
	Jurisdiction string        // empty for all
	Verdict      rules.Verdict // empty for all
	After        *Position     // only what comes after it in the list, that is older; nil from the start
	Limit        int           // at most so many; above 0
}

// StoreStatus describes a store, for the ready page and the log.
type StoreStatus struct {
	Kind      string `json:"kind"` // memory or postgres
	Available bool   `json:"available"`
	Durable   bool   `json:"durable"` // records outlive the process
	Note      string `json:"note"`
	Kept      *int   `json:"kept,omitempty"`  // records now, if the store counts them
	Limit     int    `json:"limit,omitempty"` // the oldest go beyond this; 0 for never
}

// storedTime is a time as stores keep it: of UTC, in whole microseconds.
func storedTime(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }
