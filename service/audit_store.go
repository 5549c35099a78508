package service

import (
	"context"
	"time"

	"drawgear/rules"
)

// Audits keeps audits: what was asked, the rows in chunks as they came, and what
// came of each chunk. What is in them is for the use cases alone to read; a store
// knows states and numbers.
//
// A chunk is answered once: what is kept of it first stands, and it counts once.
type Audits interface {
	// CreateAudit keeps an audit in the state AuditReceiving under a new id.
	CreateAudit(ctx context.Context, a AuditRecord) error
	// PutAuditInput keeps what all chunks of an audit share, under a name; it fails
	// with ErrState unless the audit is AuditReceiving.
	PutAuditInput(ctx context.Context, id, name string, data []byte) error
	// GetAuditInput returns it, or an error that wraps ErrNotFound.
	GetAuditInput(ctx context.Context, id, name string) ([]byte, error)
	// PutAuditChunk keeps rows of an audit. Chunks come in order from number 0. It
	// fails with ErrState unless the audit is AuditReceiving.
	PutAuditChunk(ctx context.Context, id string, c AuditChunk) error
	// StartAudit takes an audit from AuditReceiving to AuditRunning with its number
	// of chunks and rows, and adds a job for every chunk in the same step. One
	// without chunks is AuditDone at once. It fails with ErrState in any other state.
	StartAudit(ctx context.Context, id string, chunks int, rows int64, at time.Time) error
	// FinishChunk keeps what came of a chunk. The last one takes the audit to
	// AuditDone. If it was kept before, nothing changes and that is no error; it
	// fails with ErrState if the audit is neither AuditRunning nor AuditDone. It
	// returns the audit as it is then.
	FinishChunk(ctx context.Context, id string, number int, o AuditOutcome, at time.Time) (AuditRecord, error)
	// EndAudit takes an audit that is AuditReceiving or AuditRunning to
	// AuditCancelled or AuditFailed, with a note; otherwise it fails with ErrState.
	EndAudit(ctx context.Context, id string, to AuditState, note string, at time.Time) error
	// GetAudit returns an audit, or an error that wraps ErrNotFound.
	GetAudit(ctx context.Context, id string) (AuditRecord, error)
	// ListAudits returns audits, newest first and, of one time, the greater id
	// first; only what comes after the position, if there is one.
	ListAudits(ctx context.Context, after *Position, limit int) ([]AuditRecord, error)
	// GetAuditChunk returns a chunk with its input, or an error that wraps
	// ErrNotFound.
	GetAuditChunk(ctx context.Context, id string, number int) (AuditChunk, error)
	// ListAuditOutcomes returns what came of the chunks from a number on, in order,
	// those that are answered only, at most so many; without the items unless they
	// are asked for.
	ListAuditOutcomes(ctx context.Context, id string, from, limit int, items bool) ([]AuditOutcome, error)
	// DropAudits removes at most so many audits that ended before a time, and those
	// that were AuditReceiving since before another, of all tenants, and says how
	// many went. It needs no caller.
	DropAudits(ctx context.Context, ended, receiving time.Time, limit int) (int, error)
}

// AuditState is where an audit is.
type AuditState string

// The states of an audit. The last three are final.
const (
	AuditReceiving AuditState = "receiving" // its rows are coming in
	AuditRunning   AuditState = "running"
	AuditDone      AuditState = "done"
	AuditCancelled AuditState = "cancelled"
	AuditFailed    AuditState = "failed" // could not be read, or not be carried out
)

// Ended says whether nothing more will happen.
func (s AuditState) Ended() bool { return s == AuditDone || s == AuditCancelled || s == AuditFailed }

// AuditRecord is an audit as a store keeps it.
type AuditRecord struct {
	ID         string
	CreatedAt  time.Time // whole microseconds, as all times here
	CreatedBy  string    // subject
	Ask        []byte    // JSON, for the use cases
	State      AuditState
	Chunks     int   // in all; 0 until it starts
	Rows       int64 // in all; 0 until it starts
	ChunksDone int
	RowsDone   int64 // the rows of the chunks that are done
	StartedAt  time.Time
	EndedAt    time.Time // zero until then
	Note       string    // why it was cancelled or failed
}

// Position is its place in the list.
func (a AuditRecord) Position() Position { return Position{CreatedAt: a.CreatedAt, ID: a.ID} }

// AuditChunk is some rows of an audit.
type AuditChunk struct {
	Number int
	First  int64  // number of its first row in the audit, 1 first
	Rows   int    // how many
	Input  []byte // for the use cases
}

// AuditOutcome is what came of a chunk.
type AuditOutcome struct {
	Number int    // of the chunk
	First  int64  // as of the chunk; a store fills it in
	Rows   int    // likewise
	Items  []byte // one for every row, for the use cases
	Tally  []byte // their sums, JSON, for the use cases
}

// Outcome is what an audit says of a row: a verdict, or that it could not be read.
type Outcome = rules.Verdict

// OutcomeRefused is the outcome of a row that could not be read as a rig.
const OutcomeRefused Outcome = "refused"
