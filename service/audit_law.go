package service

import (
	"context"
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// impactMonths is how far back recorded assessments are looked at when law changes.
const impactMonths = 12

// impactMark names a change of law: the microsecond at which it was published or
// withdrawn. What changed then is in the store.
func impactMark(at time.Time) string { return strconv.FormatInt(at.UnixMicro(), 10) }

// lawChange is a change of law as it is told.
type lawChange struct {
	At       time.Time        `json:"at"`
	Versions []changedVersion `json:"versions"`
	Day      string           `json:"day"`    // for which it is looked what moves
	Audits   []string         `json:"audits"` // ids of those that look
}

// changedVersion is a version that was published or withdrawn.
type changedVersion struct {
	Ruleset      string `json:"ruleset"`
	Version      int    `json:"version"`
	Title        string `json:"title"`
	Jurisdiction string `json:"jurisdiction,omitempty"`
	State        State  `json:"state"` // published or withdrawn
	SHA256       string `json:"sha256"`
	From         string `json:"effective_from,omitempty"`
}

// carryImpact begins the audits that tell a tenant what a change of law moves: of
// its pairings, and of what it recorded of late. Their ids follow from the change,
// so that however often it is carried out they are begun once.
func (a *Auditor) carryImpact(ctx context.Context, j Job) error {
	micros, err := strconv.ParseInt(j.ID, 10, 64)
	if err != nil {
		return fmt.Errorf("read the mark of a change of law: %w", err)
	}
	at := time.UnixMicro(micros).UTC()
	change, err := a.changed(ctx, at)
	if err != nil || len(change.Versions) == 0 {
		return err
	}
	for _, source := range []AuditSource{{Kind: AuditPairings}, {Kind: AuditAssessments, Months: impactMonths}} {
		id, err := a.beginImpact(ctx, j, source, change)
		if err != nil {
			return err
		}
		if id != "" {
			change.Audits = append(change.Audits, id)
		}
	}
	if err := a.events.Tell(ctx, EventLawChanged, j.ID, change); err != nil {
		return fmt.Errorf("tell that law changed: %w", err)
	}
	return nil
}

// changed finds what was published or withdrawn at a time, as far as it concerns
// the caller's tenant, and the day that matters: today, or if the new law comes
// later, the first day of all of it.
func (a *Auditor) changed(ctx context.Context, at time.Time) (lawChange, error) {
	out := lawChange{At: at, Audits: []string{}}
	if err := a.answers.law.Refresh(ctx); err != nil { // another replica may have seen it first
		return lawChange{}, err
	}
	day := rig.DayOf(at)
	var before *law.Ruleset // the version before, of the same ruleset
	for _, h := range a.answers.law.current.Load().held(tenantOf(ctx)) {
		last := before
		if h.text != nil {
			before = h.text
		}
		if last != nil && last.Ruleset != h.Ruleset {
			last = nil
		}
		state := Published
		switch {
		case h.WithdrawnAt.Equal(at):
			state = Withdrawn
		case !h.PublishedAt.Equal(at):
			continue
		}
		v := changedVersion{Ruleset: h.Ruleset, Version: h.Number, Title: h.Title, Jurisdiction: h.Jurisdiction, State: state, SHA256: h.SHA256}
		if h.text != nil && h.text.Effective.From.Valid {
			v.From = h.text.Effective.From.String()
		}
		if h.text != nil && state == Published {
			day = max(day, begins(h.text, last))
		}
		out.Versions = append(out.Versions, v)
	}
	out.Day = day.String()
	return out, nil
}

// begins is the last day on which something begins that a version brings: the
// version itself, or a rule of it that did not begin then in the version before.
func begins(rs, before *law.Ruleset) rig.Day {
	known := map[string]law.Day{}
	if before != nil {
		for _, r := range before.Rules {
			known[r.ID] = r.Effective.From
		}
	}
	day := rig.Day(0)
	if from := rs.Effective.From; from.Valid {
		day = from.Day
	}
	for _, r := range rs.Rules {
		if was, there := known[r.ID]; r.Effective.From.Valid && (!there || was != r.Effective.From) {
			day = max(day, r.Effective.From.Day)
		}
	}
	return day
}

// beginImpact begins the audit of one source, or finds it begun, and gives its id;
// empty if there is nothing to audit. An audit whose rows were still coming in when
// its worker went is given up for another.
func (a *Auditor) beginImpact(ctx context.Context, j Job, source AuditSource, change lawChange) (string, error) {
	for again := range MaxJobAttempts + 1 {
		id := impactID(j, source.Kind, again)
		rec, err := a.store.GetAudit(ctx, id)
		switch {
		case errors.Is(err, ErrNotFound):
			_, err := a.start(ctx, id, AuditAsk{
				Name: impactName(change), Source: source, AsOf: change.Day, EveryDay: true,
				Law: AuditLaw{KnownAt: change.At}, Against: &AuditLaw{KnownAt: change.At.Add(-time.Microsecond)},
			})
			if errors.Is(err, ErrAuditEmpty) {
				return "", nil
			}
			return id, err
		case err != nil:
			return "", fmt.Errorf("get an audit: %w", err)
		case rec.State == AuditReceiving:
			if err := a.endFailed(ctx, id, "It was begun again."); err != nil {
				return "", err
			}
		case rec.State != AuditFailed || rec.Chunks > 0: // it did start
			return id, nil
		}
	}
	return "", fmt.Errorf("begin the audit of %s: it was begun %d times", source.Kind, MaxJobAttempts+1)
}

// impactID is the id of an audit of a change of law, in the form of RandomID.
func impactID(j Job, kind AuditSourceKind, again int) string {
	sum := sha256.Sum256(fields("drawgear-impact-1", j.Tenant, j.ID, string(kind), strconv.Itoa(again)))
	return base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(sum[:])[:len(RandomID())]
}

func impactName(c lawChange) string {
	v := c.Versions[0]
	name := fmt.Sprintf("What changes: %s version %d %s", v.Ruleset, v.Version, v.State)
	if more := len(c.Versions) - 1; more > 0 {
		name += fmt.Sprintf(", and %d more", more)
	}
	return name
}

// impactWindow is how long after a change of law it is still looked for, well within
// the day for which a queue remembers a job.
const impactWindow = 20 * time.Hour

// impacts puts a job on its way for every tenant that a change of law concerns. It
// is looked for wherever law is refreshed, so that a change is seen by somebody
// even if whoever published it was killed in that moment; the queue adds each job
// once.
type impacts struct {
	jobs     Jobs
	register interface {
		RegisterTenants(ctx context.Context) ([]string, error)
	}
	told map[Job]bool
}

// WithImpacts has the snapshots put a job on its way for every tenant with pairings
// when versions that answer it are published or withdrawn. It is to be called
// before Start.
func (s *Snapshots) WithImpacts(jobs Jobs, register Register) *Snapshots {
	s.impacts = &impacts{jobs: jobs, register: register, told: map[Job]bool{}}
	return s
}

// look puts jobs on their way for what changed in the window before now.
func (i *impacts) look(ctx context.Context, n *snapshot, now time.Time) error {
	if i == nil {
		return nil
	}
	from := now.Add(-impactWindow)
	for j := range i.told { // what is past the window is not found again
		if micros, err := strconv.ParseInt(j.ID, 10, 64); err == nil && time.UnixMicro(micros).Before(from) {
			delete(i.told, j)
		}
	}
	shared := changesOf(n.shared.held, from)
	if len(n.shared.held) > 0 { // what came with the first start is no change
		first := slices.MinFunc(n.shared.held, func(x, y held) int { return x.PublishedAt.Compare(y.PublishedAt) })
		shared = slices.DeleteFunc(shared, first.PublishedAt.Equal)
	}
	own := map[string][]time.Time{}
	fresh := len(shared) > 0
	for tenant, sh := range n.own {
		own[tenant] = changesOf(sh.held, from)
		fresh = fresh || len(own[tenant]) > 0
	}
	if !fresh {
		return nil
	}
	tenants, err := i.register.RegisterTenants(ctx)
	if err != nil {
		return fmt.Errorf("find whom a change of law concerns: %w", err)
	}
	var jobs []Job
	for _, tenant := range tenants {
		for _, at := range slices.Concat(shared, own[tenant]) {
			if j := (Job{Kind: JobImpact, Tenant: tenant, ID: impactMark(at)}); !i.told[j] {
				jobs = append(jobs, j)
			}
		}
	}
	if len(jobs) == 0 {
		return nil
	}
	if err := i.jobs.Enqueue(ctx, jobs...); err != nil {
		return fmt.Errorf("put on its way what a change of law moves: %w", err)
	}
	for _, j := range jobs {
		i.told[j] = true
	}
	return nil
}

// changesOf lists when versions were published or withdrawn since a time.
func changesOf(hs []held, from time.Time) []time.Time {
	var out []time.Time
	for i := range hs {
		for _, at := range []time.Time{hs[i].PublishedAt, hs[i].WithdrawnAt} {
			if !at.Before(from) && !slices.ContainsFunc(out, at.Equal) {
				out = append(out, at.UTC())
			}
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return out
}
