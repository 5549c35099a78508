// Package service holds the use cases: assess a rig, read and replay what was
// answered, and list the law that answers rest on. It is the only reader of the
// clock, and it says what it needs of a store.
package service

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"drawgear/rules"
	"drawgear/rules/rig"
)

// Errors that callers tell apart. Refused rigs are rig.Issues, a place without
// law is *rules.UnknownJurisdiction.
var (
	// ErrNotFound: there is no such thing, or no longer.
	ErrNotFound = errors.New("not found")
	// ErrCursor: a cursor that no list gave.
	ErrCursor = errors.New("not a cursor of this list")
	// ErrUnavailable: the store is away; the same call may work later.
	ErrUnavailable = errors.New("the store is away")
	// ErrRulesetUnavailable: a ruleset version that is needed is not loaded.
	ErrRulesetUnavailable = errors.New("a ruleset version that is needed is not loaded")
	// ErrNotYet: a knowledge time that is to come.
	ErrNotYet = errors.New("the time has not come")
)

// Assessor carries out the use cases. It is safe for concurrent use.
type Assessor struct {
	law   *Snapshots
	store Store
	now   func() time.Time
	ids   func() string
}

// New returns the use cases over a library that stays as it is and a store. The
// clock gives the day of rigs that name none, and the time of what is kept.
func New(book *rules.Book, store Store, now func() time.Time) *Assessor {
	return NewLive(Fixed(book), store, now)
}

// NewLive is New with law that changes as versions are published.
func NewLive(law *Snapshots, store Store, now func() time.Time) *Assessor {
	return &Assessor{law: law, store: store, now: now, ids: RandomID}
}

// Assessment is a rig and the answer to it. ID and CreatedAt are set only if
// it was kept, KnownAt only if a knowledge time was asked for.
type Assessment struct {
	ID        string          `json:"id,omitempty"`
	CreatedAt time.Time       `json:"created_at,omitzero"`
	KnownAt   time.Time       `json:"known_at,omitzero"`
	Rig       json.RawMessage `json:"rig"`    // as sent, without white space between values
	Answer    json.RawMessage `json:"answer"` // as rules gave it

	Jurisdiction string        `json:"-"` // of the answer, for callers that act on it, as the next
	Verdict      rules.Verdict `json:"-"`

	line []byte // what Encode gives, if it is written already
}

// Encode gives the one line of JSON in which an assessment travels, over HTTP
// and on the command line alike. Rig and answer are JSON already, and are put
// in as they are: reading them again would cost a third of a whole request. The
// bytes must not be changed.
func (a Assessment) Encode() ([]byte, error) {
	if a.line != nil {
		return a.line, nil
	}
	out, err := appendHead(make([]byte, 0, len(a.Rig)+len(a.Answer)+128), a.ID, a.CreatedAt, a.KnownAt)
	if err != nil {
		return nil, err
	}
	out = append(out, `"rig":`...)
	out = append(out, a.Rig...)
	out = append(out, `,"answer":`...)
	out = append(out, a.Answer...)
	return append(out, "}\n"...), nil
}

// appendHead begins the line of an assessment, up to what is said of the rig.
func appendHead(b []byte, id string, created, known time.Time) ([]byte, error) {
	b = append(b, '{')
	if id != "" {
		text, err := created.MarshalJSON()
		if err != nil {
			return nil, fmt.Errorf("write the time of an assessment: %w", err)
		}
		b = append(append(b, `"id":"`...), id...) // an id has nothing to escape
		b = append(append(b, `","created_at":`...), text...)
		b = append(b, ',')
	}
	if !known.IsZero() {
		text, err := known.MarshalJSON()
		if err != nil {
			return nil, fmt.Errorf("write the knowledge time of an assessment: %w", err)
		}
		b = append(append(b, `"known_at":`...), text...)
		b = append(b, ',')
	}
	return b, nil
}

// write puts the assessment of a document down as one line, in no more memory than
// it takes, since stores keep rig and answer, which are parts of it. Replay writes by
// encoding/json and so holds one to the other.
func (a *Assessment) write(document []byte, answer *rules.Answer) error {
	room := rooms.Get().(*[]byte)
	defer rooms.Put(room)
	line, err := appendHead((*room)[:0], a.ID, a.CreatedAt, a.KnownAt)
	if err != nil {
		return err
	}
	line = append(line, `"rig":`...)
	rigFrom := len(line)
	line = appendTight(line, document)
	rigTo := len(line)
	line = append(line, `,"answer":`...)
	from := len(line)
	line = answer.AppendJSON(line)
	to := len(line)
	*room = append(line, "}\n"...)
	a.line = bytes.Clone(*room)
	a.Rig, a.Answer = a.line[rigFrom:rigTo:rigTo], a.line[from:to:to]
	return nil
}

var rooms = sync.Pool{New: func() any { return new([]byte) }}

// appendTight appends a document, which is JSON, without the white space between
// its values.
func appendTight(b, document []byte) []byte {
	from, within := 0, false // a string
	for i := 0; i < len(document); i++ {
		switch c := document[i]; {
		case c == '"':
			within = !within
		case c == '\\': // only strings have one
			i++
		case !within && (c == ' ' || c == '\t' || c == '\n' || c == '\r'):
			b = append(b, document[from:i]...)
			from = i + 1
		}
	}
	return append(b, document[from:]...)
}

// Assess answers for a rig document and, if record is set, keeps both.
func (s *Assessor) Assess(ctx context.Context, document []byte, record bool) (Assessment, error) {
	return s.AssessKnown(ctx, document, time.Time{}, record)
}

// AssessKnown is Assess by what had been published to the service at a time,
// and not withdrawn by then; the zero time is now.
func (s *Assessor) AssessKnown(ctx context.Context, document []byte, known time.Time, record bool) (Assessment, error) {
	a, _, err := s.assess(ctx, document, known, record)
	return a, err
}

func (s *Assessor) assess(ctx context.Context, document []byte, known time.Time, record bool) (Assessment, *rules.Answer, error) {
	q, err := s.ask(ctx, document, known)
	if err != nil {
		return Assessment{}, nil, err
	}
	answer, err := q.book.Assess(q.rig, q.day)
	if err != nil {
		return Assessment{}, nil, fmt.Errorf("assess the rig: %w", err)
	}
	a := Assessment{KnownAt: q.known, Jurisdiction: answer.Jurisdiction, Verdict: answer.Verdict}
	if record {
		// Stores keep microseconds, so that is all the time that is claimed.
		a.ID, a.CreatedAt = s.ids(), q.now.Truncate(time.Microsecond)
	}
	if err := a.write(document, answer); err != nil || !record {
		return a, answer, err
	}
	err = s.store.Put(ctx, Record{
		Summary: Summary{
			ID: a.ID, CreatedAt: a.CreatedAt, Jurisdiction: answer.Jurisdiction, AsOf: answer.AsOf,
			Verdict: answer.Verdict, AnswerSHA256: digest(a.Answer),
		},
		Rig: a.Rig, Answer: a.Answer, Engine: Engine(), KnownAt: q.known,
	})
	if err != nil {
		return Assessment{}, nil, fmt.Errorf("keep the assessment: %w", err)
	}
	return a, answer, nil
}

// asked is a question about a rig: the day whose law is meant, the time it was
// put, and the law that answers, as it was known at a time if one was given.
type asked struct {
	rig   *rig.Rig
	day   rig.Day
	now   time.Time
	book  *rules.Book
	known time.Time
}

// ask takes a question. A rig that names no day is asked about today.
func (s *Assessor) ask(ctx context.Context, document []byte, known time.Time) (asked, error) {
	r, err := decode(document)
	if err != nil {
		return asked{}, err
	}
	q := asked{rig: r, now: s.now().UTC()}
	var given bool
	if q.day, given = r.AsOf(); !given {
		q.day = rig.DayOf(q.now)
	}
	q.book, q.known, err = s.bookKnown(ctx, known, q.now)
	return q, err
}

// bookKnown returns the law as it was known at a time, and that time to the
// microsecond, which is what stores keep of it.
func (s *Assessor) bookKnown(ctx context.Context, known, now time.Time) (*rules.Book, time.Time, error) {
	if known.IsZero() {
		book, err := s.law.book(ctx)
		return book, known, err
	}
	if known.After(s.law.known(ctx, now)) {
		return nil, known, fmt.Errorf("knowledge time %s: %w", stamp(known), ErrNotYet)
	}
	known = storedTime(known)
	book, err := s.law.bookAt(ctx, known)
	return book, known, err
}

// decode reads a rig that is asked about, which unlike the rig of a worked
// example must say whose law is meant.
func decode(document []byte) (*rig.Rig, error) {
	r, err := rig.Decode(document)
	if err != nil {
		return nil, fmt.Errorf("read the rig: %w", err)
	}
	if r.Jurisdiction == "" {
		return nil, rig.Issues{{
			Pointer: "/jurisdiction", Code: rig.CodeBadValue,
			Message: "it is not said whose law is meant", Advice: "Give an ISO 3166 code, for example AU-NSW, GB, US-CA.",
		}}
	}
	return r, nil
}

// Get returns what was kept under an id.
func (s *Assessor) Get(ctx context.Context, id string) (Assessment, error) {
	rec, err := s.store.Get(ctx, id)
	if err != nil {
		return Assessment{}, fmt.Errorf("get an assessment: %w", err)
	}
	return Assessment{ID: rec.ID, CreatedAt: rec.CreatedAt.UTC(), KnownAt: rec.KnownAt.UTC(), Rig: rec.Rig, Answer: rec.Answer, Jurisdiction: rec.Jurisdiction, Verdict: rec.Verdict}, nil
}

// Replay is a kept assessment evaluated again.
type Replay struct {
	Same           bool            `json:"same"` // to the byte
	RecordedSHA256 string          `json:"recorded_sha256"`
	ReplayedSHA256 string          `json:"replayed_sha256"`
	Answer         json.RawMessage `json:"answer"` // as it comes out now
}

// Replay evaluates what was kept under an id again, for the day and with the
// ruleset versions of then.
func (s *Assessor) Replay(ctx context.Context, id string) (Replay, error) {
	rec, err := s.store.Get(ctx, id)
	if err != nil {
		return Replay{}, fmt.Errorf("get an assessment: %w", err)
	}
	_, answer, err := s.again(ctx, rec)
	if err != nil {
		return Replay{}, err
	}
	out := Replay{RecordedSHA256: digest(rec.Answer)}
	if out.Answer, err = json.Marshal(answer); err != nil {
		return Replay{}, fmt.Errorf("write the answer: %w", err)
	}
	out.ReplayedSHA256 = digest(out.Answer)
	out.Same = bytes.Equal(rec.Answer, out.Answer)
	return out, nil
}

// again evaluates a record anew, for the day and with the ruleset versions of
// then.
func (s *Assessor) again(ctx context.Context, rec Record) (*rig.Rig, *rules.Answer, error) {
	var then struct {
		AsOf     string             `json:"as_of"`
		Rulesets []rules.RulesetRef `json:"rulesets"`
	}
	if err := json.Unmarshal(rec.Answer, &then); err != nil {
		return nil, nil, fmt.Errorf("read the recorded answer: %w", err)
	}
	return s.under(ctx, rec.Rig, then.AsOf, then.Rulesets)
}

// under evaluates a recorded rig for a day with ruleset versions.
func (s *Assessor) under(ctx context.Context, document []byte, asOf string, rulesets []rules.RulesetRef) (*rig.Rig, *rules.Answer, error) {
	day, err := rig.ParseDay(asOf)
	if err != nil {
		return nil, nil, fmt.Errorf("read the recorded day: %w", err)
	}
	r, err := decode(document)
	if err != nil {
		// Not wrapped: the fault is not in what the caller sent.
		return nil, nil, fmt.Errorf("read the recorded rig: %v", err)
	}
	versions, err := s.law.under(ctx, rulesets)
	if err != nil {
		return nil, nil, fmt.Errorf("find the rulesets of then: %w", err)
	}
	answer, err := rules.AssessUnder(r, day, versions)
	if err != nil {
		return nil, nil, fmt.Errorf("assess the recorded rig: %w: %w", ErrRulesetUnavailable, err)
	}
	return r, answer, nil
}
