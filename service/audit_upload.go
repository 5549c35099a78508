package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"drawgear/rules/fleet"
	"drawgear/rules/rig"
)

// Names of what the chunks of an audit share.
const (
	inputHead     = "head"     // of a file, for fleet.NewPiece
	inputLaw      = "law"      // lawSums
	inputOffers   = "offers"   // parts in stock
	inputVehicles = "vehicles" // of all pairs
	inputTrailers = "trailers"
)

// Bounds of an ask.
const (
	maxAuditName   = 200 // characters
	maxAuditMonths = 120
)

// Upload takes the rows of a file as they come and starts an audit of them. Of
// the ask Name, Jurisdiction, AsOf, EveryDay and Source.Kind, Place and Decimal
// are read. The error is a *fleet.Bad if nothing of the file can be read, and then
// no audit is kept. A file that breaks off after its first rows, or that has too
// many, leaves an audit that failed.
func (a *Auditor) Upload(ctx context.Context, ask AuditAsk, file io.Reader) (Audit, error) {
	source := ask.Source
	ask = AuditAsk{
		Name: ask.Name, Jurisdiction: ask.Jurisdiction, AsOf: ask.AsOf, EveryDay: ask.EveryDay,
		Source: AuditSource{Kind: source.Kind, Place: source.Place, Decimal: source.Decimal},
	}
	if err := a.settle(ctx, &ask); err != nil {
		return Audit{}, err
	}
	cutter, err := cutterOf(ask.Source, file)
	if err != nil {
		return Audit{}, err
	}
	for _, h := range cutter.Headings() {
		ask.Source.Columns = append(ask.Source.Columns, AuditColumn(h))
	}
	return a.begin(ctx, a.answers.ids(), ask, map[string][]byte{inputHead: cutter.Head()}, func() (AuditChunk, error) {
		p, err := cutter.Next(AuditChunkRows, AuditChunkBytes)
		return AuditChunk{Rows: p.Rows, Input: p.Data}, err
	})
}

func cutterOf(s AuditSource, file io.Reader) (*fleet.Cutter, error) {
	if s.Kind == AuditNDJSON {
		return fleet.CutNDJSON(file)
	}
	o := fleet.Options{Place: s.Place}
	if s.Decimal != "" {
		o.Decimal = s.Decimal[0]
	}
	return fleet.CutCSV(file, o)
}

// begin keeps an audit with what its chunks share and the chunks that next gives,
// one in memory at a time, and starts it. next gives io.EOF after the last. If
// there is none, no audit is kept; if anything goes wrong on the way, what is kept
// is an audit that failed.
func (a *Auditor) begin(ctx context.Context, id string, ask AuditAsk, inputs map[string][]byte, next func() (AuditChunk, error)) (Audit, error) {
	chunk, err := next()
	if err == io.EOF {
		return Audit{}, ErrAuditEmpty
	}
	if err != nil {
		return Audit{}, err
	}
	if inputs[inputLaw], err = a.sumLaw(ctx, &ask); err != nil {
		return Audit{}, err
	}
	text, err := json.Marshal(ask)
	if err != nil {
		return Audit{}, fmt.Errorf("write what is asked: %w", err)
	}
	rec := AuditRecord{ID: id, CreatedAt: a.time(), CreatedBy: subject(ctx), Ask: text, State: AuditReceiving}
	if err := a.store.CreateAudit(ctx, rec); err != nil {
		return Audit{}, fmt.Errorf("keep an audit: %w", err)
	}
	if err := a.fill(ctx, id, &ask, inputs, chunk, next); err != nil {
		note := "Its rows could not be kept."
		switch {
		case errors.Is(err, ErrAuditRows):
			said := ErrAuditRows.Error()
			note = rig.Initial(said) + said[1:] + "."
		case errors.Is(err, errBrokenOff):
			note = "Its rows broke off before their end."
		}
		return Audit{}, errors.Join(err, a.endFailed(ctx, id, note))
	}
	return a.Get(ctx, id)
}

// errBrokenOff: the rows of an audit could not be read to their end.
var errBrokenOff = errors.New("the rows broke off")

func (a *Auditor) fill(ctx context.Context, id string, ask *AuditAsk, inputs map[string][]byte, chunk AuditChunk, next func() (AuditChunk, error)) error {
	offers, err := a.offers(ctx, a.registerDay(ask))
	if err != nil {
		return err
	}
	inputs[inputOffers] = offers
	for name, data := range inputs {
		if err := a.store.PutAuditInput(ctx, id, name, data); err != nil {
			return fmt.Errorf("keep the %s of an audit: %w", name, err)
		}
	}
	n, rows := 0, int64(0)
	for {
		if rows+int64(chunk.Rows) > MaxAuditRows {
			return ErrAuditRows
		}
		chunk.Number, chunk.First = n, rows+1
		if err := a.store.PutAuditChunk(ctx, id, chunk); err != nil {
			return fmt.Errorf("keep rows of an audit: %w", err)
		}
		n, rows = n+1, rows+int64(chunk.Rows)
		chunk, err = next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return fmt.Errorf("%w: %w", errBrokenOff, err)
		}
	}
	if err := a.store.StartAudit(ctx, id, n, rows, a.time()); err != nil {
		return fmt.Errorf("start an audit: %w", err)
	}
	return nil
}

// settle holds an ask to what one may be, and fills in what is taken for granted:
// today, and the law as it is known now. That is written down to the microsecond,
// so that every row has one law, whoever answers it and when.
func (a *Auditor) settle(ctx context.Context, ask *AuditAsk) error {
	now := a.time()
	var faults Invalid
	add := func(pointer, msg, advice string) {
		faults = append(faults, rig.Issue{Pointer: pointer, Code: rig.CodeBadValue, Message: msg, Advice: advice})
	}
	if !oneLine(ask.Name, maxAuditName) {
		add("/name", "the name is too long, or has control characters", fmt.Sprintf("At most %d characters.", maxAuditName))
	}
	for pointer, place := range map[string]string{"/jurisdiction": ask.Jurisdiction, "/source/place": ask.Source.Place} {
		if place != "" && !rig.ValidJurisdiction(place) {
			add(pointer, "this is no ISO 3166 code", "For example AU-NSW, GB, US-CA.")
		}
	}
	day := func(pointer, text string) {
		if _, err := rig.ParseDay(text); text != "" && err != nil {
			add(pointer, "this is no day", "Write it as 2026-11-25.")
		}
	}
	day("/as_of", ask.AsOf)
	day("/law/as_of", ask.Law.AsOf)
	if ask.Against != nil {
		day("/against/as_of", ask.Against.AsOf)
	}
	if !slices.Contains([]string{"", ".", ","}, ask.Source.Decimal) {
		add("/source/decimal", "numbers are written with a decimal point or a decimal comma", `Give "." or ",".`)
	}
	if ask.Source.Kind == AuditAssessments && (ask.Source.Months < 1 || ask.Source.Months > maxAuditMonths) {
		add("/source/months", "the number of months is out of range", fmt.Sprintf("1 to %d.", maxAuditMonths))
	}
	if !slices.Contains([]AuditSourceKind{AuditCSV, AuditNDJSON, AuditPairings, AuditAllPairs, AuditAssessments}, ask.Source.Kind) {
		add("/source/kind", "there is no such source", "csv, ndjson, pairings, all_pairs or assessments.")
	}
	if faults != nil {
		slices.SortFunc(faults, func(x, y rig.Issue) int { return strings.Compare(x.Pointer, y.Pointer) })
		return faults
	}
	if ask.AsOf == "" {
		ask.AsOf = rig.DayOf(now).String()
	}
	// What was published a moment ago, elsewhere, was published before the audit was asked.
	if err := a.answers.law.Refresh(ctx); err != nil {
		return fmt.Errorf("ask what is known: %w: %w", ErrUnavailable, err)
	}
	known := a.answers.law.known(ctx, now)
	for _, l := range []*AuditLaw{&ask.Law, ask.Against} {
		if l == nil {
			continue
		}
		if l.KnownAt.IsZero() {
			l.KnownAt = known
		}
		if l.KnownAt.After(known) {
			return fmt.Errorf("knowledge time %s: %w", stamp(l.KnownAt), ErrNotYet)
		}
		l.KnownAt = storedTime(l.KnownAt)
	}
	return nil
}
