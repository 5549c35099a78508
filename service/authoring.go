package service

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// Bounds of what a tenant writes.
const (
	// MaxDrafts is how many versions of a tenant may be on their way, drafts and
	// approved ones together. It is a bound on waste, not a promise: two that come
	// at once may exceed it by one.
	MaxDrafts = 100
	MaxReason = 500 // characters of the reason of a withdrawal
)

// Errors of the life of a version, beside ErrStale and ErrState.
var (
	// ErrNoTag: a change that does not say which version it saw.
	ErrNoTag = errors.New("it is not said which version was seen")
	// ErrExists: a version of that number was begun, or a later one is in force.
	ErrExists = errors.New("the version is there already, or a later one")
	// ErrDrafts: the tenant has MaxDrafts on their way.
	ErrDrafts = errors.New("too many drafts")
	// ErrOwnText: the author of a text cannot approve it.
	ErrOwnText = errors.New("the author cannot approve what they wrote")
)

// CheckFailed is the error of a step for which the version is not fit.
type CheckFailed struct{ Report Report }

// Error counts what is wrong.
func (c *CheckFailed) Error() string {
	return fmt.Sprintf("the check found %d faults, %d failed examples and %d conflicts", len(c.Report.Faults), len(c.Report.Examples.Failed), c.Report.Conflicts)
}

// InUse is the error of a withdrawal without which other house rules of the
// tenant could not stand.
type InUse struct{ err error }

// Error says what would not stand.
func (u *InUse) Error() string { return u.err.Error() }

// Authoring takes the house rules of tenants through their life: draft,
// approved by a second person, published, withdrawn. It is safe for concurrent
// use.
type Authoring struct {
	store Versions
	law   *Snapshots
	now   func() time.Time
}

// NewAuthoring returns the use cases over a store, whose published versions the
// snapshots hold.
func NewAuthoring(store Versions, law *Snapshots, now func() time.Time) *Authoring {
	return &Authoring{store: store, law: law, now: now}
}

// Draft keeps the first text of a version. What is wrong with the document is
// told as law.Faults; then nothing is kept.
func (a *Authoring) Draft(ctx context.Context, document []byte) (RulesetVersion, error) {
	if err := need(ctx, ScopeAuthor); err != nil {
		return RulesetVersion{}, err
	}
	rs, err := a.read(ctx, document)
	if err != nil {
		return RulesetVersion{}, err
	}
	vs, err := a.store.ListVersions(ctx)
	if err != nil {
		return RulesetVersion{}, fmt.Errorf("list versions: %w", err)
	}
	drafts := 0
	for _, v := range vs {
		moving := v.State == Draft || v.State == Approved
		if moving {
			drafts++
		}
		if v.Ruleset == rs.Ruleset && (v.Number == rs.Version || !moving && v.Number > rs.Version) {
			return RulesetVersion{}, fmt.Errorf("%s version %d: %w", rs.Ruleset, rs.Version, ErrExists)
		}
	}
	if drafts >= MaxDrafts {
		return RulesetVersion{}, ErrDrafts
	}
	return a.keep(ctx, rs, document, "", ErrExists)
}

// Redraft replaces the text of a draft. match is the If-Match of the request.
func (a *Authoring) Redraft(ctx context.Context, id string, version int, match string, document []byte) (RulesetVersion, error) {
	if err := need(ctx, ScopeAuthor); err != nil {
		return RulesetVersion{}, err
	}
	v, err := a.seen(ctx, id, version, match)
	if err != nil {
		return RulesetVersion{}, err
	}
	if v.State != Draft {
		return RulesetVersion{}, fmt.Errorf("%s version %d is %s: %w", id, version, v.State, ErrState)
	}
	rs, err := a.read(ctx, document)
	if err != nil {
		return RulesetVersion{}, err
	}
	var fs law.Faults
	if rs.Ruleset != id {
		fs = append(fs, law.Fault{Pointer: "/ruleset", Message: "the document is of another ruleset than the path"})
	}
	if rs.Version != version {
		fs = append(fs, law.Fault{Pointer: "/version", Message: "the document is of another version than the path"})
	}
	if fs != nil {
		fs.Locate(document)
		return RulesetVersion{}, fs
	}
	return a.keep(ctx, rs, document, v.ETag(), ErrStale)
}

// read compiles a document of the caller's and holds it to what house rules may
// be.
func (a *Authoring) read(ctx context.Context, document []byte) (*law.Ruleset, error) {
	rs, err := law.ParseDraft(document)
	if err != nil {
		return nil, fmt.Errorf("read the draft: %w", err)
	}
	book, err := a.law.book(ctx)
	if err != nil {
		return nil, err
	}
	if fs := book.CheckHouse(rs); fs != nil {
		fs.Locate(document)
		return nil, fmt.Errorf("read the draft: %w", fs)
	}
	return rs, nil
}

func (a *Authoring) keep(ctx context.Context, rs *law.Ruleset, document []byte, tag string, stale error) (RulesetVersion, error) {
	v := versionOf(rs, document)
	v.State, v.AuthoredBy, v.CreatedAt = Draft, subject(ctx), a.time()
	err := a.store.PutDraft(ctx, v, tag)
	if errors.Is(err, ErrStale) {
		err = stale
	}
	if err != nil {
		return RulesetVersion{}, fmt.Errorf("keep the draft of %s version %d: %w", v.Ruleset, v.Number, err)
	}
	return rulesetVersion(held{v, rs}), nil
}

// Approve has a second person stand by the text of a draft.
func (a *Authoring) Approve(ctx context.Context, id string, version int, match string) (RulesetVersion, error) {
	return a.move(ctx, id, version, match, Version{State: Approved, ApprovedBy: subject(ctx)}, func(v Version, _ []Version) error {
		if v.AuthoredBy == subject(ctx) {
			return ErrOwnText
		}
		return a.fit(ctx, v)
	})
}

// Publish puts an approved version in force on the days that it says. From then
// on it answers, here at once and on other replicas within seconds, and never
// changes. Its days may lie in the past: answers that were given name the
// versions they were given under, and are replayed by them.
func (a *Authoring) Publish(ctx context.Context, id string, version int, match string) (RulesetVersion, error) {
	return a.move(ctx, id, version, match, Version{State: Published, PublishedBy: subject(ctx)}, func(v Version, all []Version) error {
		for _, other := range all {
			if other.Ruleset == id && other.Number > version && !other.PublishedAt.IsZero() {
				return ErrExists
			}
		}
		return a.fit(ctx, v) // law may have been published since it was approved
	})
}

// Withdraw takes a published version out of force. It is kept, and answers that
// were given under it can be replayed.
func (a *Authoring) Withdraw(ctx context.Context, id string, version int, match, reason string) (RulesetVersion, error) {
	reason = strings.TrimSpace(reason)
	if reason == "" || !oneLine(reason, MaxReason) {
		return RulesetVersion{}, Invalid{{
			Pointer: "/reason", Code: rig.CodeBadValue, Message: "the reason is empty, too long, or has control characters",
			Advice: fmt.Sprintf("Say in 1 to %d characters why.", MaxReason),
		}}
	}
	return a.move(ctx, id, version, match, Version{State: Withdrawn, Reason: reason}, func(v Version, _ []Version) error {
		if err := a.law.without(ctx, v); err != nil {
			return &InUse{err}
		}
		return nil
	})
}

// move takes a version to the state of to if it is in the one before and fit among all
// that the tenant sees. When it is published or withdrawn is said here.
func (a *Authoring) move(ctx context.Context, id string, version int, match string, to Version, fit func(v Version, all []Version) error) (RulesetVersion, error) {
	if err := need(ctx, ScopeApprove); err != nil {
		return RulesetVersion{}, err
	}
	v, err := a.seen(ctx, id, version, match)
	if err != nil {
		return RulesetVersion{}, err
	}
	all, err := a.store.ListVersions(ctx)
	if err != nil {
		return RulesetVersion{}, fmt.Errorf("list versions: %w", err)
	}
	switch to.State {
	case Published:
		to.PublishedAt = a.after(all)
	case Withdrawn:
		to.WithdrawnAt = a.after(all)
	}
	moved, err := v.Moved(v.ETag(), v.State, to)
	if err != nil {
		return RulesetVersion{}, fmt.Errorf("%s version %d is %s: %w", id, version, v.State, err)
	}
	if err := fit(v, all); err != nil {
		return RulesetVersion{}, fmt.Errorf("%s version %d cannot become %s: %w", id, version, to.State, err)
	}
	if err := a.store.Move(ctx, id, version, v.ETag(), v.State, to); err != nil {
		return RulesetVersion{}, fmt.Errorf("move a version: %w", err)
	}
	if to.State != Approved {
		// It stands whether or not this goes well; Run will see to it.
		afterStep(ctx, func(ctx context.Context) { _ = a.law.Refresh(ctx) })
	}
	text, err := law.Parse(v.Document)
	if err != nil {
		return RulesetVersion{}, fmt.Errorf("read %s version %d: %w", id, version, err)
	}
	return rulesetVersion(held{moved, text}), nil
}

// seen returns the tenant's own version if it is one that match names, in the
// form of an If-Match header (RFC 9110).
func (a *Authoring) seen(ctx context.Context, id string, version int, match string) (Version, error) {
	v, err := a.store.GetVersion(ctx, id, version)
	if err != nil {
		return Version{}, fmt.Errorf("get a version: %w", err)
	}
	if v.Tenant == "" { // it ships, and is nobody's to change
		return Version{}, fmt.Errorf("%s version %d: %w", id, version, ErrNotFound)
	}
	if strings.TrimSpace(match) == "" {
		return Version{}, ErrNoTag
	}
	if !matches(match, v.ETag()) {
		return Version{}, fmt.Errorf("%s version %d: %w", id, version, ErrStale)
	}
	return v, nil
}

// matches says whether an If-Match header (RFC 9110) names a tag.
func matches(match, tag string) bool {
	for one := range strings.SplitSeq(match, ",") {
		if one = strings.TrimSpace(one); one == "*" || one == tag {
			return true
		}
	}
	return false
}

// fit fails unless the check passes.
func (a *Authoring) fit(ctx context.Context, v Version) error {
	r, err := a.check(ctx, v)
	if err != nil {
		return err
	}
	if !r.Passes {
		return &CheckFailed{r}
	}
	return nil
}

func (a *Authoring) time() time.Time { return storedTime(a.now()) }

// after is now, and if the clock was set back, or another replica's is ahead, the first
// moment after all that was published and withdrawn: what was known at a time stays what
// it was, and what comes later is never known earlier.
func (a *Authoring) after(all []Version) time.Time {
	at := a.time()
	for _, v := range all {
		for _, past := range []time.Time{v.PublishedAt, v.WithdrawnAt} {
			if !at.After(past) {
				at = past.Add(time.Microsecond)
			}
		}
	}
	return at
}

func subject(ctx context.Context) string {
	c, _ := CallerOf(ctx)
	return c.Subject
}

// need fails unless the caller has the scope.
func need(ctx context.Context, s Scope) error {
	err := Allowed(ctx, s)
	if errors.Is(err, ErrForbidden) {
		return &MissingScope{s}
	}
	return err
}

// without links the caller's law without one version.
func (s *Snapshots) without(ctx context.Context, v Version) error {
	cur := s.current.Load()
	var rest []held
	own := cur.own[v.Tenant]
	if own == nil { // this replica has not heard of the version yet
		return nil
	}
	for _, h := range own.held {
		if h.Ruleset != v.Ruleset || h.Number != v.Number {
			rest = append(rest, h)
		}
	}
	_, err := linkHouse(cur.shared, texts(rest, time.Time{}))
	return err
}

// with links the caller's law with a version that may not be published yet.
func (s *Snapshots) with(ctx context.Context, rs *law.Ruleset) (*rules.Book, error) {
	cur := s.current.Load()
	list := []*law.Ruleset{rs}
	for _, other := range texts(cur.held(tenantOf(ctx)), time.Time{}) {
		if other.Ruleset != rs.Ruleset || other.Version != rs.Version {
			list = append(list, other)
		}
	}
	return rules.NewBook(list)
}
