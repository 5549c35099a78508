package library_test

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"drawgear/rules/cases"
	"drawgear/rules/rig"
	"drawgear/testdata"
)

// record rewrites the lists of what was published and answered. Use it when a
// version is new, and read the difference: a line that changes is a published
// text or a recorded answer that changed, which must not be.
var record = flag.Bool("record", false, "rewrite testdata/published.txt and testdata/answers.txt")

const (
	publishedFile = "../../testdata/published.txt"
	answersFile   = "../../testdata/answers.txt"
)

// TestPublished: a published version never changes. Every version that ships is
// listed with the SHA-256 of its canonical form.
func TestPublished(t *testing.T) {
	var now []string
	for _, rs := range book(t).Rulesets() {
		now = append(now, fmt.Sprintf("%s %d %s", rs.Ruleset, rs.Version, rs.SHA256))
	}
	compareLines(t, publishedFile, now)
}

// TestAnswers replays recorded answers: for every jurisdiction a boundary case
// was answered and its digest kept, together with the versions it rests on. The
// engine of today must give the same bytes.
func TestAnswers(t *testing.T) {
	b := book(t)
	checks, err := cases.Load(testdata.Cases, "cases/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	var now []string
	for _, c := range checks {
		// The first, and then every twenty-fifth, of a place.
		if seen[c.Jurisdiction]++; seen[c.Jurisdiction]%25 != 1 {
			continue
		}
		a, err := c.Assess(b)
		if err != nil {
			t.Fatal(err)
		}
		r, err := rig.FromTree(c.Document())
		if err != nil {
			t.Fatal(err)
		}
		day, _ := r.AsOf()
		again, err := b.AssessWith(r, day, a.Rulesets)
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(again)
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(text)
		now = append(now, fmt.Sprintf("%s %s %s %s", c.Jurisdiction, c.AsOf, hex.EncodeToString(sum[:]), c.Name))
	}
	if len(seen) < 100 {
		t.Errorf("answers of only %d places", len(seen))
	}
	compareLines(t, answersFile, now)
}

func compareLines(t *testing.T, path string, now []string) {
	t.Helper()
	slices.Sort(now)
	if *record {
		if err := os.WriteFile(path, []byte(strings.Join(now, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var kept []string
	for in := bufio.NewScanner(f); in.Scan(); {
		kept = append(kept, in.Text())
	}
	for _, line := range kept {
		if !slices.Contains(now, line) {
			t.Errorf("%s: %q is not so any more", path, line)
		}
	}
	for _, line := range now {
		if !slices.Contains(kept, line) {
			t.Errorf("%s lacks %q: if it is new, record it with -record", path, line)
		}
	}
}
