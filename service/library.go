package service

import (
	"context"
	"encoding/json"
	"fmt"

	"drawgear/rules"
	"drawgear/rules/law"
)

// Jurisdictions lists the places whose law is encoded, by code.
func (s *Assessor) Jurisdictions() All[rules.Jurisdiction] {
	return whole(s.book.Jurisdictions())
}

// Jurisdiction returns one place.
func (s *Assessor) Jurisdiction(code string) (rules.Jurisdiction, error) {
	j, ok := s.book.Jurisdiction(code)
	if !ok {
		return rules.Jurisdiction{}, fmt.Errorf("jurisdiction %s: %w", code, ErrNotFound)
	}
	return j, nil
}

// Ruleset is a body of rules on one matter, in versions.
type Ruleset struct {
	ID           string             `json:"id"`
	Title        string             `json:"title"` // as the newest version says
	Jurisdiction string             `json:"jurisdiction,omitempty"`
	Versions     []rules.RulesetRef `json:"versions"` // oldest first
}

func rulesetOf(versions []*law.Ruleset) Ruleset {
	newest := versions[len(versions)-1]
	r := Ruleset{ID: newest.Ruleset, Title: newest.Title, Jurisdiction: newest.Jurisdiction}
	for _, v := range versions {
		r.Versions = append(r.Versions, rules.Ref(v))
	}
	return r
}

// Rulesets lists all rulesets by id.
func (s *Assessor) Rulesets() All[Ruleset] {
	var out []Ruleset
	for _, rs := range s.book.Rulesets() {
		if n := len(out); n == 0 || out[n-1].ID != rs.Ruleset {
			out = append(out, rulesetOf(s.book.Versions(rs.Ruleset)))
		}
	}
	return whole(out)
}

// Ruleset returns one ruleset with its versions.
func (s *Assessor) Ruleset(id string) (Ruleset, error) {
	versions := s.book.Versions(id)
	if len(versions) == 0 {
		return Ruleset{}, fmt.Errorf("ruleset %s: %w", id, ErrNotFound)
	}
	return rulesetOf(versions), nil
}

// RulesetVersion is one version in full.
type RulesetVersion struct {
	SHA256   string          `json:"sha256"` // over the bytes of Document
	Document json.RawMessage `json:"document"`
}

// RulesetVersion returns one version in its canonical form, over whose bytes
// its identity is taken.
func (s *Assessor) RulesetVersion(id string, version int) (RulesetVersion, error) {
	rs, ok := s.book.Version(id, version)
	if !ok {
		return RulesetVersion{}, fmt.Errorf("ruleset %s version %d: %w", id, version, ErrNotFound)
	}
	return RulesetVersion{SHA256: rs.SHA256, Document: rs.Canonical}, nil
}

// Sources lists the publications that rules cite, by id.
func (s *Assessor) Sources() All[rules.CitedSource] { return whole(s.book.Sources()) }

// Source returns one publication.
func (s *Assessor) Source(id string) (rules.CitedSource, error) {
	for _, src := range s.book.Sources() {
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
	Ready   bool        `json:"ready"`
	Library Library     `json:"library"`
	Store   StoreStatus `json:"store"`
}

// Library counts what is loaded.
type Library struct {
	Jurisdictions int `json:"jurisdictions"`
	Rulesets      int `json:"rulesets"`
}

// Ready looks whether rules are loaded and the store answers.
func (s *Assessor) Ready(ctx context.Context) Readiness {
	r := Readiness{Library: Library{
		Jurisdictions: len(s.book.Jurisdictions()),
		Rulesets:      len(s.Rulesets().Items),
	}}
	var err error
	if r.Store, err = s.store.Status(ctx); err != nil {
		r.Store.Available = false
		r.Store.Note = "The store does not answer."
	}
	r.Ready = r.Library.Jurisdictions > 0 && r.Store.Available
	return r
}
