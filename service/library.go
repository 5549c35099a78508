package service

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"drawgear/rules"
)

// Jurisdictions lists the places whose law is encoded, by code.
func (s *Assessor) Jurisdictions(ctx context.Context) (All[rules.Jurisdiction], error) {
	book, err := s.law.book(ctx)
	if err != nil {
		return All[rules.Jurisdiction]{}, err
	}
	return whole(book.Jurisdictions()), nil
}

// Jurisdiction returns one place.
func (s *Assessor) Jurisdiction(ctx context.Context, code string) (rules.Jurisdiction, error) {
	book, err := s.law.book(ctx)
	if err != nil {
		return rules.Jurisdiction{}, err
	}
	j, ok := book.Jurisdiction(code)
	if !ok {
		return rules.Jurisdiction{}, fmt.Errorf("jurisdiction %s: %w", code, ErrNotFound)
	}
	return j, nil
}

// Ruleset is a body of rules on one matter, in versions.
type Ruleset struct {
	ID           string        `json:"id"`
	Title        string        `json:"title"` // as the newest version says
	Jurisdiction string        `json:"jurisdiction,omitempty"`
	Versions     []VersionLine `json:"versions"` // oldest first
}

// VersionLine is a version in a list.
type VersionLine struct {
	ID        string          `json:"id"`
	Version   int             `json:"version"`
	Title     string          `json:"title"`
	SHA256    string          `json:"sha256"`
	Effective *rules.Interval `json:"effective,omitempty"` // nil before it is published
	Reviewed  string          `json:"reviewed,omitempty"`
	Life
}

// Life is where a version is in its life, and who brought it there and when.
type Life struct {
	State       State     `json:"state"`
	AuthoredBy  string    `json:"authored_by,omitempty"`
	ApprovedBy  string    `json:"approved_by,omitempty"`
	PublishedBy string    `json:"published_by,omitempty"`
	CreatedAt   time.Time `json:"created_at,omitzero"`
	PublishedAt time.Time `json:"published_at,omitzero"`
	WithdrawnAt time.Time `json:"withdrawn_at,omitzero"`
	Reason      string    `json:"reason,omitempty"` // of the withdrawal
}

func lifeOf(v Version) Life {
	return Life{
		State: v.State, AuthoredBy: v.AuthoredBy, ApprovedBy: v.ApprovedBy, PublishedBy: v.PublishedBy,
		CreatedAt: v.CreatedAt.UTC(), PublishedAt: v.PublishedAt.UTC(), WithdrawnAt: v.WithdrawnAt.UTC(), Reason: v.Reason,
	}
}

// Rulesets lists all rulesets by id, with the tenant's drafts.
func (s *Assessor) Rulesets(ctx context.Context) (All[Ruleset], error) {
	vs, err := s.law.versions(ctx)
	if err != nil {
		return All[Ruleset]{}, err
	}
	var out []Ruleset
	for _, h := range vs {
		line := VersionLine{ID: h.Ruleset, Version: h.Number, Title: h.Title, SHA256: h.SHA256, Life: lifeOf(h.Version)}
		if h.text != nil {
			ref := rules.Ref(h.text)
			line.Effective, line.Reviewed = &ref.Effective, ref.Reviewed
		}
		if n := len(out); n == 0 || out[n-1].ID != h.Ruleset {
			out = append(out, Ruleset{ID: h.Ruleset})
		}
		rs := &out[len(out)-1]
		rs.Title, rs.Jurisdiction, rs.Versions = h.Title, h.Jurisdiction, append(rs.Versions, line)
	}
	return whole(out), nil
}

// Ruleset returns one ruleset with its versions.
func (s *Assessor) Ruleset(ctx context.Context, id string) (Ruleset, error) {
	all, err := s.Rulesets(ctx)
	if err != nil {
		return Ruleset{}, err
	}
	for _, rs := range all.Items {
		if rs.ID == id {
			return rs, nil
		}
	}
	return Ruleset{}, fmt.Errorf("ruleset %s: %w", id, ErrNotFound)
}

// RulesetVersion is one version in full.
type RulesetVersion struct {
	SHA256   string          `json:"sha256"` // over the bytes of Document
	Document json.RawMessage `json:"document"`
	Life

	ID      string `json:"-"` // as Document says them
	Version int    `json:"-"`
	ETag    string `json:"-"`
}

func rulesetVersion(h held) RulesetVersion {
	return RulesetVersion{
		SHA256: h.text.SHA256, Document: h.text.Canonical, Life: lifeOf(h.Version),
		ID: h.Ruleset, Version: h.Number, ETag: h.ETag(),
	}
}

// RulesetVersion returns one version in its canonical form, over whose bytes
// its identity is taken.
func (s *Assessor) RulesetVersion(ctx context.Context, id string, version int) (RulesetVersion, error) {
	h, err := s.law.version(ctx, id, version)
	if err != nil {
		return RulesetVersion{}, err
	}
	return rulesetVersion(h), nil
}

// Sources lists the publications that rules cite, by id.
func (s *Assessor) Sources(ctx context.Context) (All[rules.CitedSource], error) {
	book, err := s.law.book(ctx)
	if err != nil {
		return All[rules.CitedSource]{}, err
	}
	return whole(book.Sources()), nil
}

// Source returns one publication.
func (s *Assessor) Source(ctx context.Context, id string) (rules.CitedSource, error) {
	all, err := s.Sources(ctx)
	if err != nil {
		return rules.CitedSource{}, err
	}
	for _, src := range all.Items {
		if src.ID == id {
			return src, nil
		}
	}
	return rules.CitedSource{}, fmt.Errorf("source %s: %w", id, ErrNotFound)
}

// whole makes a list, empty rather than null.
func whole[T any](items []T) All[T] {
	if items == nil {
		items = []T{}
	}
	return All[T]{Items: items}
}

// Readiness says whether requests can be answered.
type Readiness struct {
	Ready bool        `json:"ready"`
	Held  Held        `json:"library"`
	Store StoreStatus `json:"store"`
}

// Held counts what ships and says how fresh the law is that answers.
type Held struct {
	Jurisdictions int       `json:"jurisdictions"`
	Rulesets      int       `json:"rulesets"`
	AskedAt       time.Time `json:"asked_at,omitzero"` // when the store last said what is published
	Fault         string    `json:"fault,omitempty"`   // why what it holds is not what answers
}

// Held counts what ships and says how fresh the law is that answers, without
// asking the store.
func (s *Assessor) Held() Held { return s.law.held() }

// Ready looks whether rules are loaded and the store answers.
func (s *Assessor) Ready(ctx context.Context) Readiness {
	r := Readiness{Held: s.law.held()}
	var err error
	if r.Store, err = s.store.Status(ctx); err != nil {
		r.Store.Available = false
		r.Store.Note = "The store does not answer."
	}
	r.Ready = r.Held.Jurisdictions > 0 && r.Store.Available
	return r
}
