package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"drawgear/rules"
	"drawgear/rules/law"
)

// How often the store is asked whether versions changed, beside being told.
const (
	pollBeside = 10 * time.Second // while it tells
	pollAlone  = time.Second      // while it does not
	loadWait   = 10 * time.Second // for one answer of the store
)

// Snapshots holds the law by which questions are answered: for each tenant a
// book of what is published, linked in memory and replaced whole when a version
// is published or withdrawn. With the store away the last one goes on
// answering, and a set of versions that cannot be linked never replaces one
// that could. It is safe for concurrent use.
type Snapshots struct {
	store Versions // nil: the law stays as it is
	log   *slog.Logger
	now   func() time.Time

	busy chan struct{} // full while a check or a comparison runs

	current atomic.Pointer[snapshot]
	fault   atomic.Pointer[string] // why what the store holds is not what answers

	mu       sync.Mutex // one builds at a time; guards what is below
	shipped  []Version  // to be imported, until they are
	compiled map[string]*law.Ruleset

	impacts *impacts // nil: nobody is told what a change of law moves; guarded by mu

	pastMu sync.Mutex
	past   []pastBook   // most recent first
	draft  *law.Ruleset // the last that was tried
}

// snapshot is the law of all tenants at one time.
type snapshot struct {
	mark   string
	asked  time.Time // of the store: all that was published before is in it
	shared *shelf    // what ships, and all there is for tenants without rulesets of their own
	own    map[string]*shelf
}

// shelf is what a tenant adds, or what ships, with the book by which the tenant
// is answered.
type shelf struct {
	held []held // by ruleset and number
	sum  string // names held and what it was linked with
	book *rules.Book
	err  error // of a tenant that has no book
}

// held is a published or withdrawn version, without its document.
type held struct {
	Version
	text *law.Ruleset // nil for a withdrawn one that cannot be read any more
}

// live reports whether the version answers questions as of what was known at a
// time; the zero time is now.
func (h *held) live(at time.Time) bool {
	if at.IsZero() {
		return h.State == Published
	}
	return !h.PublishedAt.After(at) && (h.WithdrawnAt.IsZero() || h.WithdrawnAt.After(at))
}

// NewSnapshots returns snapshots of what a store holds. They are empty until
// Start.
func NewSnapshots(store Versions, log *slog.Logger, now func() time.Time) *Snapshots {
	s := &Snapshots{store: store, log: log, now: now, busy: make(chan struct{}, 1), compiled: map[string]*law.Ruleset{}}
	s.current.Store(&snapshot{shared: &shelf{book: emptyBook()}})
	return s
}

func emptyBook() *rules.Book {
	b, err := rules.NewBook(nil)
	if err != nil {
		panic("service: nothing cannot be linked: " + err.Error())
	}
	return b
}

// Fixed returns snapshots of a book that stays as it is, the same for everybody.
func Fixed(book *rules.Book) *Snapshots {
	s := NewSnapshots(nil, slog.New(slog.DiscardHandler), time.Now)
	all := &shelf{book: book}
	for _, rs := range book.Rulesets() {
		all.held = append(all.held, held{versionOf(rs, nil), rs})
	}
	s.current.Store(&snapshot{shared: all})
	return s
}

// versionOf is a shipped version as a store keeps it.
func versionOf(rs *law.Ruleset, document []byte) Version {
	return Version{
		Ruleset: rs.Ruleset, Number: rs.Version, Jurisdiction: rs.Jurisdiction, Title: rs.Title,
		State: Published, SHA256: rs.SHA256, Document: document,
	}
}

// Start compiles the documents that ship, answers by them, and imports them
// into the store as published versions. A store that is away does not keep it
// from starting: Run goes on trying. That a shipped version is there with
// another text is an error, and so is a document that does not compile.
func (s *Snapshots) Start(ctx context.Context, documents [][]byte) error {
	now := storedTime(s.now())
	all := &shelf{}
	texts, faults := law.ParseAll(documents)
	if err := errors.Join(faults...); err != nil {
		return fmt.Errorf("compile what ships: %w", err)
	}
	for i, rs := range texts {
		v := versionOf(rs, documents[i])
		v.CreatedAt, v.PublishedAt = now, now
		s.shipped = append(s.shipped, v)
		s.compiled[rs.SHA256] = rs
		all.held = append(all.held, held{v, rs})
	}
	var err error
	if all.book, err = rules.NewBook(texts); err != nil {
		return fmt.Errorf("link what ships: %w", err)
	}
	s.current.Store(&snapshot{shared: all})
	err = s.Refresh(ctx)
	if errors.Is(err, ErrUnavailable) || ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded) {
		return nil
	}
	return err
}

// Run keeps the snapshots fresh until the context ends.
func (s *Snapshots) Run(ctx context.Context) {
	if s.store == nil {
		return
	}
	var told atomic.Bool
	news := make(chan struct{}, 1)
	notice := func() {
		select {
		case news <- struct{}{}:
		default: // one is waiting already
		}
	}
	var watch sync.WaitGroup
	defer watch.Wait()
	watch.Go(func() {
		for ctx.Err() == nil {
			told.Store(true)
			err := s.store.WatchVersions(ctx, notice)
			told.Store(false)
			if ctx.Err() == nil {
				s.log.Warn("versions are not watched, only asked for", "error", err)
			}
			notice() // something may have been missed
			select {
			case <-ctx.Done():
			case <-time.After(pollAlone):
			}
		}
	})
	for {
		wait := pollBeside
		if !told.Load() {
			wait = pollAlone
		}
		select {
		case <-ctx.Done():
			return
		case <-news:
		case <-time.After(wait):
		}
		_ = s.Refresh(ctx) // it was logged, and is shown until it goes well
	}
}

// Refresh brings the snapshots up to what the store holds now.
func (s *Snapshots) Refresh(ctx context.Context) error {
	if s.store == nil {
		return nil
	}
	over := Waiting(ctx) // whoever is before may wait for the store, or for a turn
	s.mu.Lock()
	defer s.mu.Unlock()
	over()
	ctx, cancel := context.WithTimeout(ctx, loadWait)
	defer cancel()
	next, err := s.load(ctx)
	var why string
	switch {
	case err != nil:
		why = "The store cannot be asked, or what it holds cannot be linked; the law of before answers."
	case slices.ContainsFunc(mapped(next.own), func(o *shelf) bool { return o.err != nil }):
		why = "What some tenant published cannot be linked; that tenant's law of before answers, if there is any."
	}
	if old := s.fault.Swap(&why); err != nil && (old == nil || *old != why) {
		s.log.Error("the law was not refreshed", "error", err)
	}
	if err != nil {
		return fmt.Errorf("refresh the law: %w", err)
	}
	s.current.Store(next)
	if err := s.impacts.look(ctx, next, s.now()); err != nil {
		s.log.Error("a change of law was not looked into; it will be with the next refresh", "error", err)
	}
	return nil
}

func mapped[K comparable, V any](m map[K]V) []V {
	var out []V
	for _, v := range m {
		out = append(out, v)
	}
	return out
}

func (s *Snapshots) load(ctx context.Context) (*snapshot, error) {
	if s.shipped != nil {
		if err := s.store.ImportVersions(ctx, s.shipped); err != nil {
			return nil, fmt.Errorf("import what ships: %w", err)
		}
		s.shipped = nil
	}
	asked := s.now()
	vs, mark, err := s.store.LoadVersions(ctx)
	if err != nil {
		return nil, fmt.Errorf("load versions: %w", err)
	}
	old := s.current.Load()
	if old.mark == mark {
		return &snapshot{mark: mark, asked: asked, shared: old.shared, own: old.own}, nil
	}
	return s.build(old, vs, mark, asked)
}

// build links what the store holds, and takes over from the old snapshot what
// is the same.
func (s *Snapshots) build(old *snapshot, vs []Version, mark string, asked time.Time) (*snapshot, error) {
	byTenant := map[string][]Version{}
	for _, v := range vs {
		byTenant[v.Tenant] = append(byTenant[v.Tenant], v)
	}
	next := &snapshot{mark: mark, asked: asked, own: map[string]*shelf{}}
	var err error
	if next.shared, err = s.fill(byTenant[""], nil); err != nil {
		return nil, err
	}
	if old.shared.sum == next.shared.sum {
		next.shared = old.shared
	} else if next.shared.book, err = rules.NewBook(texts(next.shared.held, time.Time{})); err != nil {
		return nil, fmt.Errorf("link what ships: %w", err)
	}
	delete(byTenant, "")
	for tenant, vs := range byTenant {
		next.own[tenant] = s.tenant(tenant, vs, next.shared, old.own[tenant])
	}
	return next, nil
}

// tenant links what one tenant published. One tenant's fault is no other's.
func (s *Snapshots) tenant(tenant string, vs []Version, shared, old *shelf) *shelf {
	own, err := s.fill(vs, shared)
	if err == nil {
		if old != nil && old.sum == own.sum && old.err == nil {
			return old
		}
		own.book, err = linkHouse(shared, texts(own.held, time.Time{}))
	}
	if err == nil {
		return own
	}
	s.log.Error("what a tenant published cannot be linked", "tenant", tenant, "error", err)
	if old == nil {
		return &shelf{err: err}
	}
	stale := *old
	stale.err = err
	return &stale
}

// fill compiles versions, each text once.
func (s *Snapshots) fill(vs []Version, with *shelf) (*shelf, error) {
	out := &shelf{}
	var sum strings.Builder
	if with != nil {
		sum.WriteString(with.sum)
	}
	for _, v := range vs {
		text, err := s.compile(v)
		if err != nil && v.State == Published {
			return nil, fmt.Errorf("%s version %d: %w", v.Ruleset, v.Number, err)
		}
		v.Document = nil
		out.held = append(out.held, held{v, text})
		fmt.Fprintf(&sum, "\n%s %s", v.SHA256, v.ETag())
	}
	out.sum = digest([]byte(sum.String()))
	return out, nil
}

// compile reads a kept version, and makes sure that it is the text that was
// published.
func (s *Snapshots) compile(v Version) (*law.Ruleset, error) {
	rs, done := s.compiled[v.SHA256]
	if !done {
		var err error
		if rs, err = law.Parse(v.Document); err != nil {
			return nil, err
		}
	}
	if rs.SHA256 != v.SHA256 || rs.Ruleset != v.Ruleset || rs.Version != v.Number {
		return nil, errors.New("the text is not the one that was published")
	}
	s.compiled[v.SHA256] = rs
	return rs, nil
}

// texts are the versions that answer as of what was known at a time.
func texts(hs []held, at time.Time) []*law.Ruleset {
	var out []*law.Ruleset
	for i := range hs {
		if hs[i].live(at) && hs[i].text != nil {
			out = append(out, hs[i].text)
		}
	}
	return out
}

// linkHouse links house rules with what ships. That they only add is looked at
// here, too, where they begin to answer: what was checked when it was written
// may have met other law since.
func linkHouse(shared *shelf, house []*law.Ruleset) (*rules.Book, error) {
	if len(house) == 0 {
		return shared.book, nil
	}
	book, err := rules.NewBook(append(texts(shared.held, time.Time{}), house...))
	if err != nil {
		return nil, fmt.Errorf("link house rules: %w", err)
	}
	for _, rs := range house {
		if fs := book.CheckHouse(rs); fs != nil {
			return nil, fmt.Errorf("%s version %d: %w", rs.Ruleset, rs.Version, fs)
		}
	}
	return book, nil
}

// shelf is what a tenant adds; of a tenant that adds nothing, what ships.
func (n *snapshot) shelf(tenant string) *shelf {
	if own := n.own[tenant]; own != nil {
		return own
	}
	return n.shared
}

// held lists what answers or answered a tenant, by ruleset and number.
func (n *snapshot) held(tenant string) []held {
	own := n.shelf(tenant)
	if own == n.shared {
		return own.held
	}
	all := slices.Concat(own.held, n.shared.held)
	slices.SortStableFunc(all, func(a, b held) int {
		return cmp.Or(cmp.Compare(a.Ruleset, b.Ruleset), cmp.Compare(a.Number, b.Number))
	})
	return all
}

// find returns a version by its name.
func (n *snapshot) find(tenant, id string, number int) (*held, bool) {
	for _, hs := range [][]held{n.shelf(tenant).held, n.shared.held} {
		for i := range hs {
			if hs[i].Ruleset == id && hs[i].Number == number {
				return &hs[i], true
			}
		}
	}
	return nil, false
}

// tenantOf is the tenant of the caller. Who is nobody, as on the command line,
// is answered by what ships.
func tenantOf(ctx context.Context) string {
	c, _ := CallerOf(ctx)
	return c.Tenant
}

// book is the law that answers the caller now.
func (s *Snapshots) book(ctx context.Context) (*rules.Book, error) {
	own := s.current.Load().shelf(tenantOf(ctx))
	if own.book == nil {
		return nil, fmt.Errorf("%w: %w", ErrRulesetUnavailable, own.err)
	}
	return own.book, nil
}

// maxPast bounds how many books of former times are kept. There are as many as
// there were publications; linking one takes milliseconds.
const maxPast = 32

type pastBook struct {
	sum  string
	book *rules.Book
}

// bookAt is the law by which the caller would have been answered at a time: of
// what had been published to the service by then, and not withdrawn by then.
func (s *Snapshots) bookAt(ctx context.Context, at time.Time) (*rules.Book, error) {
	cur := s.current.Load()
	// What was published a moment ago, elsewhere, may not be here yet, and the
	// answer must not come out otherwise when it is.
	if s.store != nil && !at.Before(cur.asked) {
		if err := s.Refresh(ctx); err != nil {
			return nil, fmt.Errorf("ask what was known: %w: %w", ErrUnavailable, err)
		}
		cur = s.current.Load()
	}
	book, err := s.linked(texts(cur.held(tenantOf(ctx)), at))
	if err != nil {
		return nil, fmt.Errorf("link what was known at %s: %w", stamp(at), err)
	}
	return book, nil
}

// bookWith is bookAt with a version of the caller's that is not published, held to
// what house rules may be.
func (s *Snapshots) bookWith(ctx context.Context, at time.Time, v Version) (*rules.Book, error) {
	if _, err := s.bookAt(ctx, at); err != nil { // asks the store if need be
		return nil, err
	}
	s.pastMu.Lock()
	rs, err := s.draft, error(nil)
	if rs == nil || rs.SHA256 != v.SHA256 {
		rs, err = law.ParseDraft(v.Document)
	}
	if err == nil {
		s.draft = rs
	}
	s.pastMu.Unlock()
	if err != nil {
		return nil, fmt.Errorf("read %s version %d: %w", v.Ruleset, v.Number, err)
	}
	set := []*law.Ruleset{rs}
	for _, other := range texts(s.current.Load().held(tenantOf(ctx)), at) {
		if other.Ruleset != rs.Ruleset || other.Version != rs.Version {
			set = append(set, other)
		}
	}
	book, err := s.linked(set)
	if err != nil {
		return nil, fmt.Errorf("link %s version %d: %w", v.Ruleset, v.Number, err)
	}
	if fs := book.CheckHouse(rs); fs != nil {
		return nil, fmt.Errorf("%s version %d: %w", v.Ruleset, v.Number, fs)
	}
	return book, nil
}

// known is the time up to which it is known what the caller's law is: now by the
// clock, or if that was set back, or another replica's is ahead, when the last of it
// was published or withdrawn. As known at the clock's time it would be wanting.
func (s *Snapshots) known(ctx context.Context, now time.Time) time.Time {
	for _, h := range s.current.Load().held(tenantOf(ctx)) {
		now = slices.MaxFunc([]time.Time{now, h.PublishedAt, h.WithdrawnAt}, time.Time.Compare)
	}
	return now
}

// linked is a book of versions, linked or remembered.
func (s *Snapshots) linked(set []*law.Ruleset) (*rules.Book, error) {
	var names strings.Builder
	for _, rs := range set {
		names.WriteString(rs.SHA256)
	}
	sum := digest([]byte(names.String()))
	s.pastMu.Lock()
	defer s.pastMu.Unlock()
	if i := slices.IndexFunc(s.past, func(p pastBook) bool { return p.sum == sum }); i >= 0 {
		found := s.past[i]
		s.past = slices.Insert(slices.Delete(s.past, i, i+1), 0, found)
		return found.book, nil
	}
	book, err := rules.NewBook(set)
	if err != nil {
		return nil, err
	}
	s.past = slices.Insert(s.past, 0, pastBook{sum, book})
	s.past = s.past[:min(len(s.past), maxPast)]
	return book, nil
}

// alone waits until no other check or comparison runs. One keeps a processor
// busy, for seconds at worst; questions must go on, so that it takes none of their
// turns.
func (s *Snapshots) alone(ctx context.Context) (leave func(), err error) {
	over := Waiting(ctx)
	select {
	case s.busy <- struct{}{}:
		return func() { <-s.busy; over() }, nil
	case <-ctx.Done():
		over()
		return nil, fmt.Errorf("wait for other checks: %w", ctx.Err())
	}
}

// library counts what ships, for the ready page.
func (s *Snapshots) held() Held {
	cur := s.current.Load()
	l := Held{Jurisdictions: cur.shared.book.Places(), AskedAt: cur.asked.UTC()}
	last := ""
	for _, rs := range cur.shared.book.Rulesets() {
		if rs.Ruleset != last {
			last = rs.Ruleset
			l.Rulesets++
		}
	}
	if why := s.fault.Load(); why != nil {
		l.Fault = *why
	}
	return l
}

// under returns the versions that an answer was given under.
func (s *Snapshots) under(ctx context.Context, refs []rules.RulesetRef) ([]*law.Ruleset, error) {
	cur := s.current.Load()
	var out []*law.Ruleset
	for _, ref := range refs {
		h, ok := cur.find(tenantOf(ctx), ref.ID, ref.Version)
		if !ok || h.text == nil || h.text.SHA256 != ref.SHA256 {
			return nil, fmt.Errorf("%s version %d: %w", ref.ID, ref.Version, ErrRulesetUnavailable)
		}
		out = append(out, h.text)
	}
	return out, nil
}

// versions lists the versions that the caller may see, without documents: from
// the store, drafts and all, or while it is away those that answer or answered.
func (s *Snapshots) versions(ctx context.Context) ([]held, error) {
	cur := s.current.Load()
	known := cur.held(tenantOf(ctx))
	if s.store == nil || tenantOf(ctx) == "" {
		return known, nil
	}
	vs, err := s.store.ListVersions(ctx)
	switch {
	case errors.Is(err, ErrUnavailable):
		return known, nil
	case err != nil:
		return nil, fmt.Errorf("list versions: %w", err)
	}
	out := make([]held, len(vs))
	for i, v := range vs {
		out[i].Version = v
		if h, ok := cur.find(v.Tenant, v.Ruleset, v.Number); ok && h.SHA256 == v.SHA256 {
			out[i].text = h.text
		}
	}
	return out, nil
}

// version returns one version that the caller may see, with its text: that of
// the store, which is the newest, or while it is away one that answers or
// answered.
func (s *Snapshots) version(ctx context.Context, id string, number int) (held, error) {
	h, known := s.current.Load().find(tenantOf(ctx), id, number)
	if s.store != nil && tenantOf(ctx) != "" {
		v, err := s.store.GetVersion(ctx, id, number)
		switch {
		case err == nil && known && h.text != nil && h.SHA256 == v.SHA256:
			return held{v, h.text}, nil
		case err == nil:
			text, err := law.Parse(v.Document)
			if err != nil {
				return held{}, fmt.Errorf("read %s version %d: %w", id, number, err)
			}
			return held{v, text}, nil
		case !errors.Is(err, ErrUnavailable):
			return held{}, fmt.Errorf("get a version: %w", err)
		}
	}
	if !known || h.text == nil {
		return held{}, fmt.Errorf("ruleset %s version %d: %w", id, number, ErrNotFound)
	}
	return *h, nil
}
