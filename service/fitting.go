package service

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"drawgear/rules"
	"drawgear/rules/fitting"
	"drawgear/rules/rig"
)

// MaxProofs is how many times measurements can be added to one fitting.
const MaxProofs = 50

// ErrProofs: a fitting holds as many measurements as it may.
var ErrProofs = errors.New("the fitting holds as many measurements as it may")

// NotProven is the error of a signature under work that is not proven.
type NotProven struct {
	Open []fitting.Proof // required ones that are not met or not measured, and others that failed
}

// Error counts them.
func (n *NotProven) Error() string {
	return fmt.Sprintf("%d proofs are open or failed", len(n.Open))
}

// FittingAsk is what a fitting is planned from: a rig, or the kept assessment of
// one, and what the fitter tells beside it.
type FittingAsk struct {
	Rig        json.RawMessage // as sent; nil if there is none
	Assessment string          // id; empty if there is none
	Request    json.RawMessage // of the form that fitting.Decode takes
}

// Fitting is a job with all that was written to it. ID, CreatedAt, State and
// Revision are there only if it is kept.
type Fitting struct {
	ID           string                `json:"id,omitempty"`
	CreatedAt    time.Time             `json:"created_at,omitzero"`
	State        FittingState          `json:"state,omitempty"`
	Revision     int                   `json:"revision,omitempty"`
	Jurisdiction string                `json:"jurisdiction"`
	AsOf         string                `json:"as_of"`
	Assessment   string                `json:"assessment,omitempty"`
	Engine       string                `json:"engine"`  // version of the program that planned it
	Rig          json.RawMessage       `json:"rig"`     // as sent, without white space between values
	Request      json.RawMessage       `json:"request"` // likewise
	Verdict      rules.Verdict         `json:"verdict"` // of the law
	Rulesets     []rules.RulesetRef    `json:"rulesets"`
	Plan         json.RawMessage       `json:"plan"` // as rules gave it
	PlanSHA256   string                `json:"plan_sha256"`
	Expects      []fitting.Expectation `json:"expects"` // what is to be measured
	Proofs       []FittingProof        `json:"proofs"`
	SignOff      *FittingSignOff       `json:"sign_off,omitempty"`
}

// ETag tells the fitting from what it was before and will be, in the quoted form
// of the HTTP header.
func (f Fitting) ETag() string { return fittingTag(f.Revision) }

func fittingTag(revision int) string { return strconv.Quote(strconv.Itoa(revision)) }

// FittingProof is what was measured at one time, and what all measurements up to
// then come to.
type FittingProof struct {
	Revision  int             `json:"revision"`
	At        time.Time       `json:"at"`
	By        string          `json:"by"` // id of a key, or subject of a token
	State     FittingState    `json:"state"`
	Measured  json.RawMessage `json:"measured"`  // as sent, without white space between values
	Judgement json.RawMessage `json:"judgement"` // as rules gave it
}

// FittingSignOff is the signature under a fitting.
type FittingSignOff struct {
	Revision     int             `json:"revision"`
	At           time.Time       `json:"at"`
	By           string          `json:"by"` // id of a key, or subject of a token
	Record       json.RawMessage `json:"record"`
	RecordSHA256 string          `json:"handover_sha256"` // of the hand-over record
}

// Encode gives the fitting as one line of JSON, in which what was sent and what
// rules gave stands byte for byte.
func (f Fitting) Encode() ([]byte, error) {
	out, err := encode(f)
	return append(out, '\n'), err
}

// encode writes JSON without touching the bytes of texts that are JSON already.
func encode(v any) ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), nil
}

// What the first entry of a fitting holds.
type (
	// plannedFrom is what it was planned from.
	plannedFrom struct {
		AsOf       string          `json:"as_of"`
		Assessment string          `json:"assessment,omitempty"`
		Rig        json.RawMessage `json:"rig"`
		Request    json.RawMessage `json:"request"`
	}
	// planned is what came of it. The answer of the law is kept, so that the
	// record can be written from it whatever is loaded then.
	planned struct {
		Plan    json.RawMessage       `json:"plan"`
		Expects []fitting.Expectation `json:"expects"`
		Answer  json.RawMessage       `json:"answer"`
	}
)

// PlanFitting plans a job and, if record is set, keeps it. Of an assessment it
// takes the rig, the day and the ruleset versions by which that was answered.
func (s *Assessor) PlanFitting(ctx context.Context, q FittingAsk, record bool) (Fitting, error) {
	request, err := fitting.Decode(q.Request)
	if err != nil {
		return Fitting{}, inBody("", err)
	}
	from, r, answer, err := s.answerFor(ctx, q)
	if err != nil {
		return Fitting{}, err
	}
	if from.Request, err = tighten(q.Request); err != nil {
		return Fitting{}, err
	}
	made, err := plan(r, answer, request)
	if err != nil {
		return Fitting{}, err
	}
	first := FittingEntry{Revision: 1, At: storedTime(s.now()), By: subject(ctx), State: FittingPlanned, Engine: Engine()}
	if first.Given, err = encode(from); err != nil {
		return Fitting{}, fmt.Errorf("write what the fitting is planned from: %w", err)
	}
	if first.Made, err = encode(made); err != nil {
		return Fitting{}, fmt.Errorf("write the plan: %w", err)
	}
	summary := FittingSummary{Jurisdiction: answer.Jurisdiction, AsOf: answer.AsOf, Assessment: q.Assessment}
	if record {
		summary.ID, summary.CreatedAt, summary.State, summary.Revision = s.ids(), first.At, first.State, first.Revision
		if err := s.store.PutFitting(ctx, summary, first); err != nil {
			return Fitting{}, fmt.Errorf("keep the fitting: %w", err)
		}
	}
	return fittingOf(FittingRecord{FittingSummary: summary, Entries: []FittingEntry{first}})
}

// answerFor finds the rig of a fitting and what the law answers for it.
func (s *Assessor) answerFor(ctx context.Context, q FittingAsk) (plannedFrom, *rig.Rig, *rules.Answer, error) {
	none := func(err error) (plannedFrom, *rig.Rig, *rules.Answer, error) {
		return plannedFrom{}, nil, nil, err
	}
	switch {
	case q.Rig == nil && q.Assessment == "":
		return none(Invalid{{Code: rig.CodeBadValue, Message: "it is not said what is to be fitted to", Advice: "Give rig, or assessment with the id of one that is kept."}})
	case q.Rig != nil && q.Assessment != "":
		return none(Invalid{
			{Pointer: "/assessment", Code: rig.CodeContradiction, Message: "contradicts /rig: an assessment has a rig of its own", Advice: "Leave out one of the two."},
			{Pointer: "/rig", Code: rig.CodeContradiction, Message: "contradicts /assessment, which has a rig of its own", Advice: "Leave out one of the two."},
		})
	case q.Assessment != "":
		rec, err := s.store.Get(ctx, q.Assessment)
		if errors.Is(err, ErrNotFound) {
			return none(Invalid{{Pointer: "/assessment", Code: rig.CodeBadValue, Message: "there is no such assessment, or no longer", Advice: "Give the id of one that was kept, or the rig itself."}})
		}
		if err != nil {
			return none(fmt.Errorf("get an assessment: %w", err))
		}
		r, answer, err := s.again(ctx, rec)
		if err != nil {
			return none(err)
		}
		return plannedFrom{AsOf: answer.AsOf, Assessment: q.Assessment, Rig: rec.Rig}, r, answer, nil
	}
	asked, err := s.ask(ctx, q.Rig, time.Time{})
	if err != nil {
		return none(inBody("/rig", err))
	}
	answer, err := asked.book.Assess(asked.rig, asked.day)
	if err != nil {
		return none(fmt.Errorf("assess the rig: %w", err))
	}
	text, err := tighten(q.Rig)
	return plannedFrom{AsOf: answer.AsOf, Rig: text}, asked.rig, answer, err
}

func tighten(document []byte) ([]byte, error) {
	var tight bytes.Buffer
	if err := json.Compact(&tight, document); err != nil {
		return nil, fmt.Errorf("tighten a document: %w", err)
	}
	return tight.Bytes(), nil
}

// inBody puts the pointers of refused fields below a place of the body. A text
// that is no JSON stays what it is.
func inBody(at string, err error) error {
	var issues rig.Issues
	if !errors.As(err, &issues) || slices.ContainsFunc(issues, func(i rig.Issue) bool { return i.Code == rig.CodeSyntax }) {
		return err
	}
	out := make([]rig.Issue, len(issues))
	for i, is := range issues {
		is.Pointer = at + is.Pointer
		out[i] = is
	}
	if at == "/rig" {
		return rig.Issues(out)
	}
	return Invalid(out)
}

// plan works out the job and what is to be measured.
func plan(r *rig.Rig, answer *rules.Answer, request fitting.Request) (planned, error) {
	p := fitting.NewPlan(r, answer, request)
	out := planned{Expects: append([]fitting.Expectation{}, fitting.Expect(p)...)} // a list, if an empty one
	var err error
	if out.Plan, err = json.Marshal(p); err != nil {
		return planned{}, fmt.Errorf("write the plan: %w", err)
	}
	if out.Answer, err = json.Marshal(answer); err != nil {
		return planned{}, fmt.Errorf("write the answer: %w", err)
	}
	return out, nil
}

// fittingOf reads the entries of a fitting.
func fittingOf(rec FittingRecord) (Fitting, error) {
	job, err := read(rec)
	if err != nil {
		return Fitting{}, err
	}
	f := Fitting{
		ID: rec.ID, CreatedAt: rec.CreatedAt.UTC(), State: rec.State, Revision: rec.Revision, Jurisdiction: rec.Jurisdiction, AsOf: rec.AsOf,
		Assessment: rec.Assessment, Engine: rec.Entries[0].Engine, Rig: job.from.Rig, Request: job.from.Request,
		Verdict: job.answer.Verdict, Rulesets: job.answer.Rulesets,
		Plan: job.made.Plan, PlanSHA256: digest(job.made.Plan), Expects: job.made.Expects, Proofs: []FittingProof{},
	}
	if rec.ID == "" {
		f.CreatedAt = time.Time{}
	}
	for _, e := range rec.Entries[1:] {
		if e.State == FittingSigned {
			f.SignOff = &FittingSignOff{Revision: e.Revision, At: e.At.UTC(), By: e.By, Record: e.Given, RecordSHA256: digest(e.Made)}
			continue
		}
		f.Proofs = append(f.Proofs, FittingProof{Revision: e.Revision, At: e.At.UTC(), By: e.By, State: e.State, Measured: e.Given, Judgement: e.Made})
	}
	return f, nil
}

// job is what the entries of a fitting say.
type job struct {
	from   plannedFrom
	made   planned
	plan   fitting.Plan
	answer rules.Answer
	// measured is all measurements laid over each other, an object.
	measured map[string]any
}

func read(rec FittingRecord) (job, error) {
	j := job{measured: map[string]any{}}
	for _, part := range []struct {
		text []byte
		into any
	}{{rec.Entries[0].Given, &j.from}, {rec.Entries[0].Made, &j.made}} {
		if err := json.Unmarshal(part.text, part.into); err != nil {
			return job{}, fmt.Errorf("read fitting %s: %w", rec.ID, err)
		}
	}
	for _, part := range []struct {
		text []byte
		into any
	}{{j.made.Plan, &j.plan}, {j.made.Answer, &j.answer}} {
		if err := json.Unmarshal(part.text, part.into); err != nil {
			return job{}, fmt.Errorf("read fitting %s: %w", rec.ID, err)
		}
	}
	for _, e := range rec.Entries[1:] {
		if e.State == FittingSigned {
			continue
		}
		if err := j.lay(e.Given); err != nil {
			return job{}, fmt.Errorf("read fitting %s: %w", rec.ID, err)
		}
	}
	return j, nil
}

// lay puts a document of measurements over those before: what was measured again
// counts as it was last measured. Objects are laid over each other likewise;
// lists are taken whole.
func (j *job) lay(document []byte) error {
	in := json.NewDecoder(bytes.NewReader(document))
	in.UseNumber()
	var more map[string]any
	if err := in.Decode(&more); err != nil {
		return fmt.Errorf("read measurements: %w", err)
	}
	over(j.measured, more)
	return nil
}

func over(base, more map[string]any) {
	for name, v := range more {
		inner, isObject := v.(map[string]any)
		below, wasObject := base[name].(map[string]any)
		if isObject && wasObject {
			over(below, inner)
			continue
		}
		base[name] = v
	}
}

// judge holds all that was measured against the plan.
func (j *job) judge() (*fitting.Judgement, error) {
	text, err := json.Marshal(j.measured)
	if err != nil {
		return nil, fmt.Errorf("write measurements: %w", err)
	}
	m, err := fitting.DecodeMeasurements(text)
	if err != nil {
		return nil, err
	}
	return fitting.Judge(&j.plan, m), nil
}

// FittingQuery picks fittings for a list. The zero one is the first page of all.
type FittingQuery struct {
	State  FittingState // only these; empty for all
	Limit  int          // 1 to MaxLimit; 0 for DefaultLimit
	Cursor string       // Next of the page before; empty for the first
}

// Fittings gives a page of the fittings that are kept, newest first.
func (s *Assessor) Fittings(ctx context.Context, q FittingQuery) (Page[FittingSummary], error) {
	return paged(q.Limit, q.Cursor, func(after *Position, limit int) ([]FittingSummary, error) {
		items, err := s.store.ListFittings(ctx, FittingFilter{State: q.State, After: after, Limit: limit})
		if err != nil {
			return nil, fmt.Errorf("list fittings: %w", err)
		}
		for i := range items {
			items[i].CreatedAt = items[i].CreatedAt.UTC()
		}
		return items, nil
	})
}

// Fitting returns a fitting that is kept.
func (s *Assessor) Fitting(ctx context.Context, id string) (Fitting, error) {
	rec, err := s.store.GetFitting(ctx, id)
	if err != nil {
		return Fitting{}, fmt.Errorf("get a fitting: %w", err)
	}
	return fittingOf(rec)
}

// Prove adds measurements to a fitting and judges all that it has. match names
// the revision that was seen, in the form of an If-Match header; if it is empty
// what was measured is added to whatever is there.
func (s *Assessor) Prove(ctx context.Context, id, match string, measured []byte) (Fitting, error) {
	if err := need(ctx, ScopeFit); err != nil {
		return Fitting{}, err
	}
	if _, err := fitting.DecodeMeasurements(measured); err != nil {
		return Fitting{}, inBody("", err)
	}
	given, err := tighten(measured)
	if err != nil {
		return Fitting{}, err
	}
	if string(given) == "{}" {
		return Fitting{}, Invalid{{Code: rig.CodeBadValue, Message: "nothing was measured", Advice: "Give at least one reading."}}
	}
	for {
		f, err := s.prove(ctx, id, match, given)
		if match == "" && errors.Is(err, ErrStale) && ctx.Err() == nil {
			continue // somebody was faster: what they measured counts as well
		}
		return f, err
	}
}

func (s *Assessor) prove(ctx context.Context, id, match string, given []byte) (Fitting, error) {
	rec, err := s.store.GetFitting(ctx, id)
	switch {
	case err != nil:
		return Fitting{}, fmt.Errorf("get a fitting: %w", err)
	case match != "" && !matches(match, fittingTag(rec.Revision)):
		return Fitting{}, fmt.Errorf("fitting %s: %w", id, ErrStale)
	case rec.State == FittingSigned:
		return Fitting{}, fmt.Errorf("fitting %s: %w", id, ErrSigned)
	case rec.Revision > MaxProofs:
		return Fitting{}, fmt.Errorf("fitting %s: %w", id, ErrProofs)
	}
	j, err := read(rec)
	if err != nil {
		return Fitting{}, err
	}
	if err := j.lay(given); err != nil {
		return Fitting{}, err
	}
	judgement, err := j.judge()
	if err != nil {
		return Fitting{}, inBody("", err)
	}
	e := FittingEntry{State: FittingOpen, Given: given}
	if judgement.Proven {
		e.State = FittingProven
	}
	if e.Made, err = json.Marshal(judgement); err != nil {
		return Fitting{}, fmt.Errorf("write the judgement: %w", err)
	}
	return s.write(ctx, rec, e)
}

// write adds an entry to a fitting as it was read.
func (s *Assessor) write(ctx context.Context, rec FittingRecord, e FittingEntry) (Fitting, error) {
	e.Revision, e.At, e.By, e.Engine = rec.Revision+1, storedTime(s.now()), subject(ctx), Engine()
	if err := s.store.AppendFitting(ctx, rec.ID, e); err != nil {
		return Fitting{}, fmt.Errorf("write to a fitting: %w", err)
	}
	rec.Entries, rec.Revision, rec.State = append(rec.Entries, e), e.Revision, e.State
	return fittingOf(rec)
}

// SignOffFitting puts a signature under a fitting, which match must name as it is.
// It fails with NotProven unless every proof that the plan asks for is met; where
// the plan asks for none, nothing electrical may be called for.
func (s *Assessor) SignOffFitting(ctx context.Context, id, match string, document []byte) (Fitting, error) {
	if err := need(ctx, ScopeFit); err != nil {
		return Fitting{}, err
	}
	record, err := fitting.DecodeRecord(document)
	if err != nil {
		return Fitting{}, inBody("", err)
	}
	rec, err := s.store.GetFitting(ctx, id)
	switch {
	case err != nil:
		return Fitting{}, fmt.Errorf("get a fitting: %w", err)
	case strings.TrimSpace(match) == "":
		return Fitting{}, ErrNoTag
	case !matches(match, fittingTag(rec.Revision)):
		return Fitting{}, fmt.Errorf("fitting %s: %w", id, ErrStale)
	case rec.State == FittingSigned:
		return Fitting{}, fmt.Errorf("fitting %s: %w", id, ErrSigned)
	}
	if faults := signature(record.SignOff); faults != nil {
		return Fitting{}, faults
	}
	if record.SignOff.On == "" {
		record.SignOff.On = rig.DayOf(s.now()).String()
	}
	j, err := read(rec)
	if err != nil {
		return Fitting{}, err
	}
	handover, judgement, err := j.handover(record)
	if err != nil {
		return Fitting{}, err
	}
	if !signable(&j.plan, judgement) {
		return Fitting{}, &NotProven{open(judgement)}
	}
	e := FittingEntry{State: FittingSigned}
	if e.Given, err = encode(record); err != nil {
		return Fitting{}, fmt.Errorf("write the signature: %w", err)
	}
	if e.Made, err = json.Marshal(handover); err != nil {
		return Fitting{}, fmt.Errorf("write the hand-over record: %w", err)
	}
	return s.write(ctx, rec, e)
}

// signature lists what keeps a signature from being one.
func signature(of fitting.SignOff) (faults Invalid) {
	for _, field := range []struct{ name, value, advice string }{
		{"name", of.Name, "Give the name of the person who answers for the work."},
		{"licence", of.Licence, "Give the reference of the licence, or say in words that none is needed for this work."},
	} {
		if strings.TrimSpace(field.value) == "" {
			faults = append(faults, rig.Issue{Pointer: "/sign_off/" + field.name, Code: rig.CodeBadValue, Message: "it is missing", Advice: field.advice})
		}
	}
	return faults
}

// signable: the work is proven. If no proof at all is asked for, that must be
// because nothing electrical is called for, and not because it is not known.
func signable(p *fitting.Plan, j *fitting.Judgement) bool {
	asked := slices.ContainsFunc(j.Proofs, func(p fitting.Proof) bool { return p.Required })
	return j.Proven && (asked || p.Electrical.Needed == rules.No)
}

func open(j *fitting.Judgement) (out []fitting.Proof) {
	for _, p := range j.Proofs {
		if p.Required && p.Status != rules.Met || p.Status == rules.NotMet {
			out = append(out, p)
		}
	}
	return out
}

// handover writes the record from all that a fitting holds.
func (j *job) handover(record fitting.Record) (*fitting.Handover, *fitting.Judgement, error) {
	r, err := decode(j.from.Rig)
	if err != nil {
		// Not wrapped: the fault is not in what the caller sent.
		return nil, nil, fmt.Errorf("read the recorded rig: %v", err)
	}
	judgement, err := j.judge()
	if err != nil {
		return nil, nil, fmt.Errorf("read the recorded measurements: %v", err)
	}
	return fitting.NewHandover(r, &j.answer, &j.plan, judgement, record), judgement, nil
}

// FittingHandover is the record that is handed over with the work. Before the
// signature it is a draft.
type FittingHandover struct {
	ID           string          `json:"id"` // of the fitting
	State        FittingState    `json:"state"`
	Revision     int             `json:"revision"`
	Jurisdiction string          `json:"jurisdiction"`
	AsOf         string          `json:"as_of"`
	At           time.Time       `json:"at"` // when the last entry was written
	By           string          `json:"by"` // who wrote it: id of a key, or subject of a token
	SHA256       string          `json:"sha256"`
	Handover     json.RawMessage `json:"handover"` // as rules gave it; of a signed fitting, as it was signed
}

// Handover gives the record of a fitting.
func (s *Assessor) Handover(ctx context.Context, id string) (FittingHandover, error) {
	rec, err := s.store.GetFitting(ctx, id)
	if err != nil {
		return FittingHandover{}, fmt.Errorf("get a fitting: %w", err)
	}
	last := rec.Entries[len(rec.Entries)-1]
	out := FittingHandover{ID: id, State: rec.State, Revision: rec.Revision, Jurisdiction: rec.Jurisdiction, AsOf: rec.AsOf, At: last.At.UTC(), By: last.By, Handover: last.Made}
	if rec.State != FittingSigned {
		j, err := read(rec)
		if err != nil {
			return FittingHandover{}, err
		}
		draft, _, err := j.handover(fitting.Record{})
		if err != nil {
			return FittingHandover{}, err
		}
		if out.Handover, err = json.Marshal(draft); err != nil {
			return FittingHandover{}, fmt.Errorf("write the hand-over record: %w", err)
		}
	}
	out.SHA256 = digest(out.Handover)
	return out, nil
}

// Encode gives the record as one line of JSON, in which what rules gave stands
// byte for byte.
func (h FittingHandover) Encode() ([]byte, error) {
	out, err := encode(h)
	return append(out, '\n'), err
}

// FittingReplay is a kept fitting worked out again, entry by entry.
type FittingReplay struct {
	Same    bool            `json:"same"` // all entries, to the byte
	Entries []ReplayedEntry `json:"entries"`
	Plan    json.RawMessage `json:"plan"` // as it comes out now
}

// ReplayedEntry is one of them.
type ReplayedEntry struct {
	Revision       int    `json:"revision"`
	Same           bool   `json:"same"`
	RecordedSHA256 string `json:"recorded_sha256"`
	ReplayedSHA256 string `json:"replayed_sha256"`
}

// ReplayFitting works out again what was made of each entry: the plan for the day
// and with the ruleset versions of then, judgements and record from the plan that
// is kept.
func (s *Assessor) ReplayFitting(ctx context.Context, id string) (FittingReplay, error) {
	rec, err := s.store.GetFitting(ctx, id)
	if err != nil {
		return FittingReplay{}, fmt.Errorf("get a fitting: %w", err)
	}
	out := FittingReplay{Same: true, Entries: []ReplayedEntry{}}
	for i, e := range rec.Entries {
		upTo := rec
		upTo.Entries = rec.Entries[:i+1]
		made, err := s.remade(ctx, upTo)
		if err != nil {
			return FittingReplay{}, fmt.Errorf("replay revision %d of fitting %s: %w", e.Revision, id, err)
		}
		if i == 0 {
			var now planned
			if err := json.Unmarshal(made, &now); err != nil {
				return FittingReplay{}, fmt.Errorf("read the plan: %w", err)
			}
			out.Plan = now.Plan
		}
		same := bytes.Equal(made, e.Made)
		out.Same = out.Same && same
		out.Entries = append(out.Entries, ReplayedEntry{Revision: e.Revision, Same: same, RecordedSHA256: digest(e.Made), ReplayedSHA256: digest(made)})
	}
	return out, nil
}

// remade is what the last entry of a fitting comes to now.
func (s *Assessor) remade(ctx context.Context, rec FittingRecord) ([]byte, error) {
	j, err := read(rec)
	if err != nil {
		return nil, err
	}
	switch last := rec.Entries[len(rec.Entries)-1]; {
	case last.Revision == 1:
		r, answer, err := s.under(ctx, j.from.Rig, j.answer.AsOf, j.answer.Rulesets)
		if err != nil {
			return nil, err
		}
		request, err := fitting.Decode(j.from.Request)
		if err != nil {
			return nil, fmt.Errorf("read the recorded request: %v", err)
		}
		made, err := plan(r, answer, request)
		if err != nil {
			return nil, err
		}
		return encode(made)
	case last.State == FittingSigned:
		record, err := fitting.DecodeRecord(last.Given)
		if err != nil {
			return nil, fmt.Errorf("read the recorded signature: %v", err)
		}
		handover, _, err := j.handover(record)
		if err != nil {
			return nil, err
		}
		return json.Marshal(handover)
	default:
		judgement, err := j.judge()
		if err != nil {
			return nil, fmt.Errorf("read the recorded measurements: %v", err)
		}
		return json.Marshal(judgement)
	}
}
