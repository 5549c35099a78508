package fleet

import (
	"maps"
	"slices"
)

// Extra is a column of which the rig knows nothing, such as a yard: its cells are
// handed through in Row.Extra.
type Extra struct {
	Name   string // of the column; case, and what parts its words, do not matter in a file
	Number bool   // cells are plain decimal numbers, handed on with a decimal point; otherwise they are free text
}

// extraSlot finds the extra column of a name.
func extraSlot(name string, extra []Extra) (slot, bool) {
	for _, x := range extra {
		if plain(x.Name) == plain(name) {
			return slot{path: x.Name, group: extras, number: x.Number}, true
		}
	}
	return slot{}, false
}

// extraCell reads the cell of an extra column.
func (t *table) extraCell(s *slot, trimmed string) (string, *Fault) {
	if s.number {
		return t.number(trimmed)
	}
	return unguard(trimmed), nil
}

// extraEntries are the cells of the extra columns of a row, by name.
func extraEntries(extra map[string]string) []entry {
	var out []entry
	for _, name := range slices.Sorted(maps.Keys(extra)) {
		if text := extra[name]; text != "" {
			out = append(out, entry{path: name, words: guard(text), free: true})
		}
	}
	return out
}

// Term is what the places call the fact, if all of them have one term that means
// it alone; else its path, which is also what it is without a place.
func Term(path string, places ...string) string { return shared(path, places) }
