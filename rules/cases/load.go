package cases

import (
	"fmt"
	"io/fs"
)

// Load reads every case file of a folder and expands the cases, in order of
// file and place.
func Load(files fs.FS, pattern string) ([]Check, error) {
	names, err := fs.Glob(files, pattern)
	if err != nil {
		return nil, fmt.Errorf("list the cases: %w", err)
	}
	var out []Check
	for _, name := range names {
		data, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("read the cases: %w", err)
		}
		f, err := Parse(data)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		cs, err := f.Checks()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		out = append(out, cs...)
	}
	return out, nil
}
