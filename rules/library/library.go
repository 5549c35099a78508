// Package library holds the rulesets that ship with the service: one folder a
// jurisdiction, and frames that several extend. Loading compiles every one and
// links them; worked examples are run by Verify.
package library

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"sync"

	"drawgear/rules"
	"drawgear/rules/law"
)

//go:embed */*.yaml
var files embed.FS

// File is one ruleset document of the library.
type File struct {
	Path string
	Data []byte
}

// Files lists the documents in order of path.
func Files() ([]File, error) {
	var out []File
	err := fs.WalkDir(files, ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := files.ReadFile(p)
		out = append(out, File{p, data})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list the library: %w", err)
	}
	return out, nil
}

// Compile compiles every document, without linking. All faults are reported,
// each under its file.
func Compile(fs []File) ([]*law.Ruleset, error) {
	documents := make([][]byte, len(fs))
	for i, f := range fs {
		documents[i] = f.Data
	}
	rulesets, errs := law.ParseAll(documents)
	var out []*law.Ruleset
	var faults []error
	for i, f := range fs {
		if err := errs[i]; err != nil {
			faults = append(faults, fmt.Errorf("%s: %w", f.Path, err))
			continue
		}
		if want := Path(rulesets[i]); want != f.Path {
			faults = append(faults, fmt.Errorf("%s: a newcomer looks for it at %s", f.Path, want))
		}
		out = append(out, rulesets[i])
	}
	return out, errors.Join(faults...)
}

// Path is where a ruleset belongs in the library.
func Path(rs *law.Ruleset) string {
	folder := "frames"
	if rs.Jurisdiction != "" {
		folder = strings.ToLower(rs.Jurisdiction)
	}
	return path.Join(folder, fmt.Sprintf("%s.v%d.yaml", rs.Ruleset, rs.Version))
}

// Book is the linked library. It is compiled once a process.
var Book = sync.OnceValues(func() (*rules.Book, error) {
	fs, err := Files()
	if err != nil {
		return nil, err
	}
	rulesets, err := Compile(fs)
	if err != nil {
		return nil, fmt.Errorf("compile the library: %w", err)
	}
	b, err := rules.NewBook(rulesets)
	if err != nil {
		return nil, fmt.Errorf("link the library: %w", err)
	}
	return b, nil
})
