package fleet

import (
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// Writer writes rigs as a table that NewCSV reads back to the same documents,
// with parts in order of their roles.
type Writer struct {
	out     *csv.Writer
	columns []column
	at      map[string]int // column by path
	listed  bool           // parts stand in a list of their own
}

// NewWriter writes the header. The columns are named as in a file that is
// read, and may be extra ones; the error is a *Bad if they cannot be, or wraps
// that of out. Parts are written as a list of their own if a column is of one.
func NewWriter(out io.Writer, columns []string, extra ...Extra) (*Writer, error) {
	if len(columns) > MaxColumns {
		return nil, bad(1, "there are too many columns", "At most "+strconv.Itoa(MaxColumns)+".")
	}
	cs, b := header(columns, Options{Extra: extra}, 1)
	if b != nil {
		return nil, b
	}
	w := &Writer{out: csv.NewWriter(out), columns: cs, at: map[string]int{}, listed: lists(cs)}
	w.out.UseCRLF = true
	for i, c := range cs {
		if c.slot.group != skipped {
			w.at[c.slot.path] = i
		}
	}
	if err := w.out.Write(columns); err != nil {
		return nil, fmt.Errorf("write the header: %w", err)
	}
	return w, nil
}

// Write writes the ids and the rig of a row. A fact that has no column, or no
// exact number in the unit of its column, is an error and the row is not
// written: a table that leaves a fact out says something else.
func (w *Writer) Write(row Row) error {
	cells := make([]string, len(w.columns))
	filled := false
	for _, f := range entries(row, w.listed) {
		i, ok := w.at[f.path]
		if !ok {
			if f.implied {
				continue
			}
			return fmt.Errorf("write the rig of line %d: there is no column %s", row.Line, f.path)
		}
		text, err := f.text(w.columns[i].unit)
		if err != nil {
			return fmt.Errorf("write %s of the rig of line %d: %w", f.path, row.Line, err)
		}
		cells[i], filled = text, true
	}
	if !filled {
		return fmt.Errorf("write the rig of line %d: an empty row is none", row.Line)
	}
	if err := w.out.Write(cells); err != nil {
		return fmt.Errorf("write the rig of line %d: %w", row.Line, err)
	}
	return nil
}

// Flush hands on what was written.
func (w *Writer) Flush() error {
	w.out.Flush()
	if err := w.out.Error(); err != nil {
		return fmt.Errorf("write the fleet: %w", err)
	}
	return nil
}

// ColumnsOf names the columns that hold all that the rows say, without units:
// each cell then keeps the unit that was entered.
func ColumnsOf(rows ...Row) []string { return columnsOf(false, rows) }

func columnsOf(listed bool, rows []Row) []string {
	var paths []string
	seen := map[string]bool{}
	for _, row := range rows {
		for _, e := range entries(row, listed) {
			if !seen[e.path] {
				seen[e.path] = true
				paths = append(paths, e.path)
			}
		}
	}
	return paths
}

// entry is one cell to be written.
type entry struct {
	path    string
	words   string              // the cell, unless it holds quantities
	amounts []quantity.Quantity // the entries of the cell
	free    bool                // free text
	implied bool                // says nothing that a reader does not take for granted
}

func (e entry) text(unit quantity.Unit) (string, error) {
	if e.amounts == nil {
		if e.free && strings.TrimSpace(e.words) == "" {
			return "", fmt.Errorf("an empty text cannot be told from an unknown one")
		}
		return e.words, nil
	}
	texts := make([]string, len(e.amounts))
	for i, q := range e.amounts {
		if unit != 0 {
			q = q.In(unit)
		}
		if !q.Exact() {
			return "", fmt.Errorf("%s is no exact number of %s", e.amounts[i], unit)
		}
		texts[i] = q.String()
		if unit != 0 {
			texts[i] = strings.TrimSuffix(texts[i], " "+unit.Symbol())
		}
	}
	return strings.Join(texts, listMark), nil
}

// entries are the cells of a row, its parts in columns by role or as listed.
func entries(row Row, listed bool) []entry {
	var out []entry
	words := func(path, text string) { out = append(out, entry{path: path, words: text}) }
	free := func(path, text string) { out = append(out, entry{path: path, words: guard(text), free: true}) }
	amount := func(path string, q quantity.Quantity) {
		if !q.IsZero() {
			out = append(out, entry{path: path, amounts: []quantity.Quantity{q}})
		}
	}
	for i, id := range []string{row.ID, row.VehicleID, row.TrailerID} {
		if id != "" {
			free(idPaths[i], id)
		}
	}
	out = append(out, extraEntries(row.Extra)...)
	r := row.Rig
	if r == nil {
		return out
	}
	if r.Jurisdiction != "" {
		words("jurisdiction", r.Jurisdiction)
	}
	for _, f := range rig.Fields() {
		if !r.Entered(f.ID) {
			continue
		}
		switch f.Kind {
		case rig.KindQuantity:
			q, _ := r.Quantity(f.ID)
			amount(f.Path, q)
		case rig.KindMasses:
			out = append(out, entry{path: f.Path, amounts: r.Masses(f.ID)})
		case rig.KindBool:
			x, _ := r.Bool(f.ID)
			words(f.Path, strconv.FormatBool(x))
		case rig.KindText:
			free(f.Path, r.Get(f.ID).Word)
		case rig.KindWords, rig.KindCounts:
			text := strings.ReplaceAll(strings.ReplaceAll(r.Text(f.ID), ",", ""), " ", listMark)
			if text == "" {
				text = emptyList
			}
			words(f.Path, text)
		default:
			words(f.Path, r.Text(f.ID))
		}
	}
	out = append(out, partEntries(r.Parts, listed)...)
	for _, side := range sides {
		for i, it := range side.items(r) {
			at := side.name + ".items." + strconv.Itoa(i+1) + "."
			if it.Name != "" {
				free(at+"name", it.Name)
			}
			amount(at+"mass", it.Mass)
			amount(at+side.place, it.At)
			if it == (rig.Item{}) {
				free(at+"name", "") // refused: a thing of which nothing is known has no cell
			}
		}
	}
	return out
}

// example is a trailer of the Tarn Valley grounds-care fleet with its vehicle.
var example = []struct{ path, unit, cell string }{
	{"id", "", "TV-07"},
	{"vehicle.id", "", "TV ute 2"},
	{"trailer.id", "", "TV mower trailer 1"},
	{"jurisdiction", "", ""},
	{"vehicle.category", "", "light_truck"},
	{"vehicle.rated.total", "kg", "3100"},
	{"vehicle.rated.combination", "kg", "6000"},
	{"vehicle.rated.axles", "kg", "1450|1800"},
	{"vehicle.laden.axles", "kg", "1250|1400"},
	{"vehicle.towing.braked", "kg", "3500"},
	{"vehicle.towing.unbraked", "kg", "750"},
	{"vehicle.towing.ball", "kg", "350"},
	{"trailer.layout", "", "centre_axle"},
	{"trailer.purpose", "", "utility"},
	{"trailer.axle_count", "", "2"},
	{"trailer.built", "", "2024-06-01"},
	{"trailer.rated.total", "kg", "2000"},
	{"trailer.rated.axles", "kg", "1850"},
	{"trailer.tare", "kg", "620"},
	{"trailer.laden.total", "kg", "1540"},
	{"trailer.laden.ball", "kg", "130"},
	{"trailer.brakes.kind", "", "electric"},
	{"trailer.brakes.braked_axles", "", "2"},
	{"trailer.brakes.operable_from_cab", "", "true"},
	{"trailer.breakaway.kind", "", "automatic"},
	{"trailer.breakaway.hold", "min", "15"},
	{"ball.rated_mass", "kg", "3500"},
	{"coupling.rated_mass", "kg", "3500"},
	{"chain.rated_mass", "kg", "2500"},
	{"chain.count", "", "2"},
}

// Template is a file to fill in: the header and one example row for each
// place, in the terms that all of the places share. Without a place the
// header has paths and the example is of AU-NSW. The error says which place is
// none.
func Template(places ...string) (string, error) {
	terms := places
	if len(places) == 0 {
		places = []string{"AU-NSW"}
	}
	var text strings.Builder
	out := csv.NewWriter(&text)
	out.UseCRLF = true
	names := make([]string, len(example))
	for i, e := range example {
		names[i] = shared(e.path, terms)
		if e.unit != "" {
			names[i] += " [" + e.unit + "]"
		}
	}
	rows := [][]string{names}
	for _, place := range places {
		if !rig.ValidJurisdiction(place) {
			return "", fmt.Errorf("make a template: %q is not an ISO 3166 code", place)
		}
		cells := make([]string, len(example))
		for i, e := range example {
			cells[i] = e.cell
			if e.path == "jurisdiction" {
				cells[i] = place
			}
		}
		rows = append(rows, cells)
	}
	if err := out.WriteAll(rows); err != nil {
		return "", fmt.Errorf("make a template: %w", err)
	}
	return text.String(), nil
}

// shared is the term for a fact that every one of the places has and that
// means it alone, whatever place the reader is told; else its path.
func shared(path string, places []string) string {
	for _, a := range aliases {
		if a.path != path || a.place == "" || a.how != "library" || len(places) == 0 {
			continue
		}
		anywhere, _ := meanings(a.term, "")
		if len(anywhere) == 1 && !slices.ContainsFunc(places, func(place string) bool {
			here, _ := meanings(a.term, place)
			return !slices.Equal(here, anywhere)
		}) {
			return a.term
		}
	}
	return path
}
