package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Limits of audits.
const (
	AuditChunkRows  = 500       // rows of a chunk at most
	AuditChunkBytes = 256 << 10 // bytes of the input of a chunk, beyond which it ends with the row
	MaxAuditRows    = 1_000_000 // rows or pairs of an audit
	MaxPairSide     = 5_000     // vehicles, and trailers, of an audit of all pairs
)

// Errors of audits, beside *fleet.Bad for a file of which nothing can be read.
var (
	// ErrAuditRows: an audit would have more than MaxAuditRows rows.
	ErrAuditRows = errors.New("an audit has no more than 1,000,000 rows")
	// ErrAuditEmpty: there is nothing to audit.
	ErrAuditEmpty = errors.New("there is nothing to audit")
	// ErrAuditEnded: the audit has ended already.
	ErrAuditEnded = errors.New("the audit has ended")
	// ErrAuditOpen: what was asked for is there only when the audit has ended.
	ErrAuditOpen = errors.New("the audit has not ended")
)

// AuditSourceKind is where the rows of an audit come from.
type AuditSourceKind string

// The sources.
const (
	AuditCSV         AuditSourceKind = "csv"
	AuditNDJSON      AuditSourceKind = "ndjson"
	AuditPairings    AuditSourceKind = "pairings"    // of the register
	AuditAllPairs    AuditSourceKind = "all_pairs"   // each vehicle of the register with each trailer
	AuditAssessments AuditSourceKind = "assessments" // that were recorded
)

// AuditAsk is what an audit was asked, as it is kept and shown.
type AuditAsk struct {
	Name         string      `json:"name,omitempty"`         // in the caller's words
	Source       AuditSource `json:"source"`                 //
	Jurisdiction string      `json:"jurisdiction,omitempty"` // of rows that name none
	AsOf         string      `json:"as_of"`                  // day of rows that name none; today if it was left out
	EveryDay     bool        `json:"as_of_for_all"`          // the day holds for rows that name another, too
	Commercial   *bool       `json:"commercial,omitempty"`   // use.commercial of all pairs, if known
	Law          AuditLaw    `json:"law"`
	Against      *AuditLaw   `json:"against,omitempty"` // each row is answered by this as well, and what moves is told
}

// AuditLaw is the law by which rows are answered.
type AuditLaw struct {
	KnownAt time.Time `json:"known_at"`        // what had been published by then; never later than what was when the audit was asked, so that all its rows have one law
	AsOf    string    `json:"as_of,omitempty"` // for all rows in place of the audit's day
	Draft   *DraftLaw `json:"draft,omitempty"` // taken as if it were published
}

// DraftLaw is a version of a ruleset that is not published yet.
type DraftLaw struct {
	Ruleset string `json:"ruleset"`
	Version int    `json:"version"`
	SHA256  string `json:"sha256"` // of its text when the audit was asked; filled in
}

// AuditSource says where rows come from. Which fields mean something goes by Kind.
type AuditSource struct {
	Kind     AuditSourceKind `json:"kind"`
	Place    string          `json:"place,omitempty"`    // csv: whose terms the header uses
	Decimal  string          `json:"decimal,omitempty"`  // csv: "." or "," if all numbers are written with it
	Columns  []AuditColumn   `json:"columns,omitempty"`  // csv: as they were read; filled in
	Yard     string          `json:"yard,omitempty"`     // pairings, all_pairs: only what is kept there
	Vehicles []string        `json:"vehicles,omitempty"` // all_pairs: only these ids
	Trailers []string        `json:"trailers,omitempty"` // all_pairs: only these ids
	Months   int             `json:"months,omitempty"`   // assessments: of the last so many months; what was answered then is what rows are held against, unless Against is set
}

// AuditColumn is what a column of a table was read as.
type AuditColumn struct {
	Column int    `json:"column"` // 1 first
	Name   string `json:"name"`   // as the file writes it
	Path   string `json:"path"`   // of the fact; empty if the column is passed over
	Unit   string `json:"unit,omitempty"`
}

// Audit is an audit as it is shown.
type Audit struct {
	ID        string     `json:"id"`
	CreatedAt time.Time  `json:"created_at"`
	CreatedBy string     `json:"created_by"`
	Ask       AuditAsk   `json:"ask"`
	State     AuditState `json:"state"`
	Note      string     `json:"note,omitempty"`
	Rows      int64      `json:"rows"`      // in all; 0 until all are there
	RowsDone  int64      `json:"rows_done"` // answered
	StartedAt time.Time  `json:"started_at,omitzero"`
	EndedAt   time.Time  `json:"ended_at,omitzero"`
}

// AuditPage is a part of the list of audits.
type AuditPage struct {
	Items []Audit `json:"items"`
	Next  string  `json:"next,omitempty"`
}

// AuditItem is what an audit says of one row.
type AuditItem struct {
	Row          int64        `json:"row"`            // 1 first
	Line         int          `json:"line,omitempty"` // of the file
	ID           string       `json:"id,omitempty"`   // of the rig: the caller's own, or of the pairing or assessment
	Vehicle      string       `json:"vehicle,omitempty"`
	Trailer      string       `json:"trailer,omitempty"`
	Jurisdiction string       `json:"jurisdiction,omitempty"`
	AsOf         string       `json:"as_of,omitempty"`
	Outcome      Outcome      `json:"outcome"`
	Failing      []string     `json:"failing"`                // ids of law and rating findings that are not met
	Missing      []string     `json:"missing"`                // pointers of inputs that are missing
	Parts        []PartNeed   `json:"parts"`                  // to replace or to fit
	Faults       []AuditFault `json:"faults,omitempty"`       // of a refused row
	Before       Outcome      `json:"before,omitempty"`       // under the law it was held against
	Appearing    []string     `json:"appearing,omitempty"`    // findings not met that were met, or not there, under that law
	Disappearing []string     `json:"disappearing,omitempty"` // and the other way round
	Moved        bool         `json:"moved,omitempty"`        // any of it changed
}

// PartNeed is a part that is not up to its load, or is not there.
type PartNeed struct {
	Role  string     `json:"role"`
	Needs string     `json:"needs,omitempty"` // the least rating that would do, as a quantity; empty if it cannot be told
	Has   string     `json:"has,omitempty"`   // its rating
	Offer *PartOffer `json:"offer,omitempty"` // the cheapest that the register has in stock with a price
}

// PartOffer is a part of the register that would do.
type PartOffer struct {
	ID       string `json:"id"`
	Price    string `json:"price"`    // decimal, such as 18.50
	Currency string `json:"currency"` // ISO 4217
}

// AuditFault is one thing wrong with a row.
type AuditFault struct {
	Line    int    `json:"line,omitempty"`
	Column  int    `json:"column,omitempty"` // 1 first; absent if the fault is the row's
	Name    string `json:"name,omitempty"`   // of the column
	Pointer string `json:"pointer,omitempty"`
	Message string `json:"message"`
	Advice  string `json:"advice,omitempty"`
}

// AuditItemDetail is a row with the rig that was read and the whole answer, worked
// out again from what is kept.
type AuditItemDetail struct {
	AuditItem
	Rig    json.RawMessage `json:"rig,omitempty"`
	Answer json.RawMessage `json:"answer,omitempty"`
	Was    json.RawMessage `json:"was,omitempty"` // the answer under the law it was held against
}

// AuditItemQuery picks items.
type AuditItemQuery struct {
	Outcome Outcome // empty for all, as the rest
	Finding string  // not met
	Missing string  // pointer
	Part    string  // role
	ID      string
	Vehicle string
	Trailer string
	Moved   bool
	Cursor  string
	Limit   int
}

// AuditItemPage is a part of the items of an audit.
type AuditItemPage struct {
	Items []AuditItem `json:"items"`
	Next  string      `json:"next,omitempty"`
}

// AuditSummary sums an audit up: what is answered so far.
type AuditSummary struct {
	Audit    Audit             `json:"audit"`
	Outcomes map[Outcome]int64 `json:"outcomes"` // every outcome, also of none
	Failing  []AuditCount      `json:"failing"`  // by finding; most first, as the rest
	Missing  []AuditCount      `json:"missing"`  // by pointer
	Parts    []AuditPartCount  `json:"parts"`
	Cost     []AuditCost       `json:"cost"`               // of all offers, by currency
	Places   []AuditPlace      `json:"places"`             // by jurisdiction
	Vehicles []AuditSide       `json:"vehicles,omitempty"` // of all pairs: how each fares
	Trailers []AuditSide       `json:"trailers,omitempty"`
	Moves    []AuditMove       `json:"moves,omitempty"` // of an audit against another law
	Cautions []string          `json:"cautions"`
}

// AuditCount is how many rows something concerns.
type AuditCount struct {
	Key   string `json:"key"`             // id of a finding, or a pointer
	Title string `json:"title"`           // in words: what a finding says that is not met; what the fact is
	Level string `json:"level,omitempty"` // law or rating, of a finding
	Rows  int64  `json:"rows"`
}

// AuditPartCount is how many rows want a part.
type AuditPartCount struct {
	Role      string      `json:"role"`
	Rows      int64       `json:"rows"`
	Strongest string      `json:"strongest,omitempty"` // the greatest of the ratings that are needed
	Offered   int64       `json:"offered"`             // rows for which the register has one in stock
	Cost      []AuditCost `json:"cost"`
}

// AuditCost is an amount of money.
type AuditCost struct {
	Currency string `json:"currency"` // ISO 4217
	Amount   string `json:"amount"`   // decimal
}

// AuditPlace counts the rows of one place.
type AuditPlace struct {
	Jurisdiction string            `json:"jurisdiction"`
	Outcomes     map[Outcome]int64 `json:"outcomes"`
}

// AuditSide is how a vehicle fares with all trailers, or a trailer with all
// vehicles.
type AuditSide struct {
	ID       string            `json:"id"`
	Outcomes map[Outcome]int64 `json:"outcomes"`
	Why      []AuditCount      `json:"why"` // what fails most often, three at most
}

// AuditMove is how many rows went from one outcome to another.
type AuditMove struct {
	From Outcome `json:"from"`
	To   Outcome `json:"to"`
	Rows int64   `json:"rows"` // of which something moved, even if the outcome is the same
}

// AuditComparison is what differs between two audits, row by row of one id.
type AuditComparison struct {
	Before    string        `json:"before"` // ids of the audits
	After     string        `json:"after"`
	Same      int64         `json:"same"` // rows of which nothing moved
	Moves     []AuditMove   `json:"moves"`
	Changed   []AuditChange `json:"changed"`   // some of them, in order of their ids, MaxChanges at most
	Truncated bool          `json:"truncated"` // there are more
	Gone      int64         `json:"gone"`      // ids only the first has
	Come      int64         `json:"come"`      // ids only the second has
	Unmatched int64         `json:"unmatched"` // rows without an id, or with one that stands twice in one audit
}

// MaxChanges is how many changes a comparison lists.
const MaxChanges = 1000

// AuditChange is a row that moved between two audits.
type AuditChange struct {
	ID           string   `json:"id"` // of the rig, or vehicle and trailer with a " + " between
	From         Outcome  `json:"from"`
	To           Outcome  `json:"to"`
	Appearing    []string `json:"appearing"`
	Disappearing []string `json:"disappearing"`
	BeforeRow    int64    `json:"before_row"`
	AfterRow     int64    `json:"after_row"`
}

// AuditStore is what audits need of a store.
type AuditStore interface {
	Audits
	Register
	Assessments
	Versions
}

// Auditor carries out audits. It is safe for concurrent use.
type Auditor struct {
	answers *Assessor
	store   AuditStore
	events  *Events
	shared  lastAudits[*auditShared]
	sides   lastAudits[*pairSides]
	atOnce  int64 // rows that Compare holds in memory; compareAtOnce if 0
}

// NewAuditor returns the use cases over those of single questions, whose clock,
// ids and law they take. Events are told of audits that end; nil for nobody.
func NewAuditor(answers *Assessor, store AuditStore, events *Events) *Auditor {
	return &Auditor{answers: answers, store: store, events: events}
}

func (a *Auditor) time() time.Time { return storedTime(a.answers.now()) }

// Get returns an audit with its progress.
func (a *Auditor) Get(ctx context.Context, id string) (Audit, error) {
	rec, err := a.store.GetAudit(ctx, id)
	if err != nil {
		return Audit{}, fmt.Errorf("get an audit: %w", err)
	}
	return auditOf(rec)
}

// auditOf is what is shown of a record.
func auditOf(rec AuditRecord) (Audit, error) {
	out := Audit{
		ID: rec.ID, CreatedAt: rec.CreatedAt.UTC(), CreatedBy: rec.CreatedBy, State: rec.State, Note: rec.Note,
		Rows: rec.Rows, RowsDone: rec.RowsDone, StartedAt: rec.StartedAt.UTC(), EndedAt: rec.EndedAt.UTC(),
	}
	if err := json.Unmarshal(rec.Ask, &out.Ask); err != nil {
		return Audit{}, fmt.Errorf("read what audit %s was asked: %w", rec.ID, err)
	}
	return out, nil
}

// List returns audits, newest first.
func (a *Auditor) List(ctx context.Context, cursor string, limit int) (AuditPage, error) {
	page, err := paged(limit, cursor, func(after *Position, limit int) ([]AuditRecord, error) {
		recs, err := a.store.ListAudits(ctx, after, limit)
		if err != nil {
			return nil, fmt.Errorf("list audits: %w", err)
		}
		return recs, nil
	})
	if err != nil {
		return AuditPage{}, err
	}
	out := AuditPage{Items: make([]Audit, len(page.Items)), Next: page.Next}
	for i, rec := range page.Items {
		if out.Items[i], err = auditOf(rec); err != nil {
			return AuditPage{}, err
		}
	}
	return out, nil
}

// Cancel ends an audit; what is answered stays.
func (a *Auditor) Cancel(ctx context.Context, id string) (Audit, error) {
	err := a.store.EndAudit(ctx, id, AuditCancelled, "It was cancelled.", a.time())
	if errors.Is(err, ErrState) {
		return Audit{}, fmt.Errorf("cancel an audit: %w", ErrAuditEnded)
	}
	if err != nil {
		return Audit{}, fmt.Errorf("cancel an audit: %w", err)
	}
	out, err := a.Get(ctx, id)
	if err != nil {
		return Audit{}, err
	}
	return out, a.tellEnd(ctx, out)
}

// tellEnd tells of an audit that ended. It is the same event however often.
func (a *Auditor) tellEnd(ctx context.Context, audit Audit) error {
	if a.events == nil {
		return nil
	}
	sum, err := a.tallies(ctx, audit.ID)
	if err != nil {
		return err
	}
	typ := EventAuditEnded
	if audit.Ask.Against != nil {
		typ = EventImpactEnded
	}
	err = a.events.Tell(ctx, typ, audit.ID, struct {
		Audit    Audit             `json:"audit"`
		Outcomes map[Outcome]int64 `json:"outcomes"`
	}{audit, everyOutcome(sum.Outcomes)})
	if err != nil {
		return fmt.Errorf("tell that audit %s ended: %w", audit.ID, err)
	}
	return nil
}

// endFailed ends an audit that cannot go on, also when what asked for it is gone.
func (a *Auditor) endFailed(ctx context.Context, id, note string) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), endWait)
	defer cancel()
	err := a.store.EndAudit(ctx, id, AuditFailed, note, a.time())
	if err != nil && !errors.Is(err, ErrState) { // somebody ended it already
		return fmt.Errorf("end an audit that failed: %w", err)
	}
	return nil
}

// endWait bounds what is still done for an audit after its request or job is over.
const endWait = 10 * time.Second
