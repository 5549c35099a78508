package library_test

import (
	"strings"
	"testing"
)

// kept is how a legal instrument or standard is named and can be asked for
// even where no address is known.
func kept(kind string) bool {
	return kind == "legislation" || kind == "regulation" || kind == "standard"
}

// TestCitations: every rule cites a source that says what it is, who published
// it, in which edition or on which day, and how it was checked; where no address
// is known, the edition or clause must do.
func TestCitations(t *testing.T) {
	for _, rs := range book(t).Rulesets() {
		for _, r := range rs.Rules {
			s := r.Source
			where := rs.Ruleset + " rule " + r.ID + " source " + s.ID
			if s.Kind == "practice" {
				continue // common practice has no publication
			}
			if s.Title == "" || s.Publisher == "" || s.Edition == "" && s.Published == "" {
				t.Errorf("%s lacks title, publisher, or both edition and date", where)
			}
			if s.Checked.How != "memory" && !s.Checked.On.Valid {
				t.Errorf("%s was checked on no day", where)
			}
			if r.Cite.Clause == "" && r.Cite.How == "text" && kept(s.Kind) {
				t.Errorf("%s: read in the text, and no clause is given", where)
			}
			if r.Cite.How == "text" && s.Checked.How == "memory" {
				t.Errorf("%s: the rule claims the text of a source that is only remembered", where)
			}
		}
	}
}

// TestVocabulary: summaries use the terms of the place, and no rule names what
// must not be named.
func TestVocabulary(t *testing.T) {
	want := map[string]map[string]string{
		"AU":    {"trailer.rated.axles": "GTM", "trailer.rated.total": "ATM"},
		"GB":    {"trailer.rated.total": "MAM"},
		"US":    {"trailer.rated.total": "GVWR", "vehicle.rated.combination": "GCWR"},
		"US-TX": {"trailer.rated.total": "GVWR"},
	}
	b := book(t)
	for code, terms := range want {
		j, ok := b.Jurisdiction(code)
		if !ok {
			t.Fatalf("no %s", code)
		}
		for path, term := range terms {
			if got := j.Terms[path]; !strings.Contains(got, term) {
				t.Errorf("%s calls %s %q, want %s", code, path, got, term)
			}
		}
	}
}

// TestJurisdictions counts the places: at least a hundred.
func TestJurisdictions(t *testing.T) {
	js := book(t).Jurisdictions()
	if len(js) < 100 {
		t.Errorf("%d jurisdictions", len(js))
	}
	for _, j := range js {
		if len(j.Rulesets) == 0 || j.Earliest == "" || j.Reviewed == "" {
			t.Errorf("%+v", j)
		}
	}
	t.Logf("%d jurisdictions", len(js))
}
