package law_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"drawgear/rules/law"
)

// TestParseAll: many documents come out, and are refused, each as by itself and at
// its own place.
func TestParseAll(t *testing.T) {
	var documents [][]byte
	for n := range 40 {
		text := strings.Replace(small, "version: 1", fmt.Sprintf("version: %d", n+1), 1)
		if n%7 == 3 {
			text = strings.Replace(text, "version:", "no such key:", 1)
		}
		documents = append(documents, []byte(text))
	}
	rulesets, errs := law.ParseAll(documents)
	if len(rulesets) != len(documents) || len(errs) != len(documents) {
		t.Fatalf("%d rulesets and %d errors of %d documents", len(rulesets), len(errs), len(documents))
	}
	for n, doc := range documents {
		want, err := law.Parse(doc)
		if (err == nil) != (n%7 != 3) {
			t.Fatalf("document %d by itself: %v", n, err)
		}
		switch got := rulesets[n]; {
		case err != nil:
			if errs[n] == nil || errs[n].Error() != err.Error() || got != nil {
				t.Errorf("document %d: %v, want %v", n, errs[n], err)
			}
		case errs[n] != nil:
			t.Errorf("document %d: %v", n, errs[n])
		case got.Version != n+1 || got.SHA256 != want.SHA256 || !slices.Equal(got.Canonical, want.Canonical):
			t.Errorf("document %d came out as version %d", n, got.Version)
		}
	}
	if rulesets, errs := law.ParseAll(nil); len(rulesets) != 0 || len(errs) != 0 {
		t.Errorf("of none come %d and %d", len(rulesets), len(errs))
	}
}
