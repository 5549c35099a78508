package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestNamedTests: every test that the threat model and the checklist name is
// there, so that neither claims what nothing shows. Names below a line
// "<!-- with FILE -->" are of a part that comes with that file, and are looked
// for once it is there.
func TestNamedTests(t *testing.T) {
	there := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz|Benchmark)[A-Z]\w*)\(`)
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		for _, m := range declared.FindAllSubmatch(text, -1) {
			there[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	named := regexp.MustCompile(`\b(?:Test|Fuzz|Benchmark)[A-Z]\w*`)
	for _, path := range []string{"deploy/threats.md", "deploy/asvs.md"} {
		text, err := os.ReadFile(filepath.FromSlash(path))
		if err != nil {
			t.Fatal(err)
		}
		seen := 0
		for i, part := range strings.Split(string(text), "<!-- with ") {
			if i > 0 {
				file, rest, closed := strings.Cut(part, " -->")
				if !closed {
					t.Fatalf("%s: a mark is not closed: %.40s", path, part)
				}
				part = rest
				if _, err := os.Stat(filepath.FromSlash(file)); errors.Is(err, fs.ErrNotExist) {
					continue
				}
			}
			for _, name := range named.FindAllString(part, -1) {
				seen++
				if !there[name] {
					t.Errorf("%s: there is no %s", path, name)
				}
			}
		}
		if seen < 20 {
			t.Errorf("%s names only %d tests", path, seen)
		}
	}
}
