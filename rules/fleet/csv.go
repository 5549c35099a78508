package fleet

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"drawgear/rules/rig"
)

// Options say what a table does not say itself. The zero Options leave terms
// that mean two things, and numbers that can be read in two ways, refused.
type Options struct {
	// Place is the jurisdiction whose terms the header uses, such as AU-NSW.
	// It does not become a fact of the rigs.
	Place string
	// Decimal is '.' or ',' if all numbers are written with it.
	Decimal byte
	// Extra are columns that the table may have beside those of the rig.
	Extra []Extra
}

// NewCSV reads the header of a table. The error is a *Bad if the file cannot
// be read as one, or wraps that of src.
func NewCSV(src io.Reader, o Options) (*Reader, error) {
	t, err := newTable(src, o)
	if err != nil {
		return nil, err
	}
	return &Reader{next: t.next, columns: t.columns}, nil
}

func newTable(src io.Reader, o Options) (*table, error) {
	t := &table{decimal: o.Decimal, splitter: &splitter{src: bufio.NewReaderSize(src, MaxRow), line: 1, told: map[string]bool{}}}
	if o.Decimal != 0 && o.Decimal != '.' && o.Decimal != ',' {
		return nil, bad(1, "numbers are written with a decimal point or a decimal comma", "Give '.' or ','.")
	}
	names, b, err := t.headerRow()
	if err != nil {
		return nil, readFault(1, err)
	}
	if b == nil {
		t.columns, b = header(names, o, 1)
	}
	if b == nil && o.Decimal == ',' && t.delim == ',' {
		b = bad(1, "the comma parts the columns and cannot be the decimal sign", "Part the columns by semicolons.")
	}
	if b != nil {
		return nil, b
	}
	t.ready()
	return t, nil
}

// ready readies a table whose columns are known for its rows.
func (t *table) ready() {
	t.width, t.skip = len(t.columns), func(i int) bool { return t.columns[i].slot.group == skipped }
	t.splitter.fault = func(f Fault) {
		f.Name = t.name(f.Column)
		t.faults = append(t.faults, f)
	}
	t.parts = partKeys(t.columns)
	t.here = make([]partHere, len(t.parts))
	for i := range t.columns {
		c := &t.columns[i]
		c.part = slices.Index(t.parts, partKey{c.slot.role, c.slot.n})
	}
}

// delimiter finds what parts the columns: the one candidate that stands
// outside quotes. A single column needs none.
func delimiter(header []byte) (byte, error) {
	inside, found := false, byte(0)
	for _, c := range header {
		switch c {
		case '"':
			inside = !inside
		case ',', ';', '\t':
			if inside || c == found {
				continue
			}
			if found != 0 {
				return 0, errors.New("the header is parted in two ways")
			}
			found = c
		}
	}
	if found == 0 {
		found = ','
	}
	return found, nil
}

// table makes rigs of the rows of a table.
type table struct {
	*splitter
	columns []column
	decimal byte
	parts   []partKey  // that columns tell of, in the order of the document
	here    []partHere // of the row at hand, one for each of parts
	faults  []Fault
}

// partKey is one entry of the parts list of a table.
type partKey struct {
	role string
	n    int
}

// partKeys lists the parts that the columns tell of, in order of role and
// number, so that the document does not hang on the order of columns.
func partKeys(columns []column) []partKey {
	var keys []partKey
	for _, c := range columns {
		if k := (partKey{c.slot.role, c.slot.n}); c.slot.group == parts && !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b partKey) int {
		if d := slices.Index(rig.PartRoles, a.role) - slices.Index(rig.PartRoles, b.role); d != 0 {
			return d
		}
		return a.n - b.n
	})
	return keys
}

func (t *table) name(column int) string {
	if column < 1 || column > len(t.columns) {
		return ""
	}
	return t.columns[column-1].name
}

func (t *table) next() (Row, error) {
	if err := t.scan(); err != nil {
		return Row{}, err
	}
	return t.make(), nil
}

// scan takes the next row that is not blank to hand.
func (t *table) scan() error {
	for {
		t.faults = nil
		if err := t.row(); err != nil {
			return readFault(t.line, err)
		}
		if t.faults != nil || !t.blank() {
			return nil
		}
	}
}

// formed reports whether the row at hand has the form of one; if not, row tells
// what is wrong with it.
func (t *table) formed(row *Row) bool {
	t.form()
	if t.faults == nil {
		return true
	}
	t.texts(row, nil)
	row.Faults = t.faults
	row.finish(nil)
	return false
}

// make turns the cells of the row at hand into a rig.
func (t *table) make() Row {
	row := Row{Line: t.begin}
	if !t.formed(&row) {
		return row
	}
	if r, ok := t.quickly(&row); ok {
		row.Rig = r
		return row
	}
	return t.slowly()
}

// slowly is make by way of a document, which knows the place of what is wrong.
func (t *table) slowly() Row {
	row := Row{Line: t.begin}
	b := builder{root: map[string]any{}, parts: map[partKey]map[string]any{}, items: map[group]map[int]map[string]any{}, at: map[partKey]int{}}
	t.texts(&row, &b)
	tree := b.tree(t.parts)
	if t.faults != nil {
		row.Faults = t.faults
		row.finish(nil)
		return row
	}
	r, err := rig.FromTree(tree)
	if is, ok := rig.AsIssues(err); ok {
		from := b.from()
		for _, x := range is {
			f := Fault{Line: t.begin, Pointer: x.Pointer, Message: x.Message, Advice: x.Advice}
			for at := x.Pointer; at != ""; at = at[:strings.LastIndexByte(at, '/')] {
				if i, ok := from[at]; ok {
					f.Line, f.Column, f.Name = t.cells[i].line, i+1, t.name(i+1)
					break
				}
			}
			row.Faults = append(row.Faults, f)
		}
	}
	row.finish(r)
	return row
}

// form tells what is wrong with the row as a row.
func (t *table) form() {
	if t.size <= MaxRow && t.n == t.width && t.sound() {
		return
	}
	add := func(line, col int, msg, advice string) {
		t.faults = append(t.faults, Fault{Line: line, Column: col, Name: t.name(col), Message: msg, Advice: advice})
	}
	if t.size > MaxRow {
		add(t.begin, 0, fmt.Sprintf("the row is longer than %d bytes", MaxRow), "No rig needs that much; look for a quote that is not closed.")
		return
	}
	switch {
	case t.n > t.width:
		add(t.begin, t.width+1, fmt.Sprintf("there are %d cells under %d columns", t.n, t.width), "Put a cell that holds the delimiter in quotes.")
	case t.n < t.width && t.last:
		add(t.begin, t.n, fmt.Sprintf("the file ends within the row, after %d of %d cells", t.n, t.width), "Send the file whole.")
	case t.n < t.width:
		add(t.begin, t.n, fmt.Sprintf("there are %d cells under %d columns", t.n, t.width), "Give every column a cell, empty if the fact is not known.")
	}
	for i, c := range t.cells {
		switch text := t.text[c.start:c.end]; {
		case c.long:
			add(c.line, i+1, fmt.Sprintf("the cell is longer than %d bytes", MaxCell), "No fact needs that much.")
		case bytes.IndexByte(text, 0) >= 0:
			add(c.line, i+1, "the cell holds a NUL byte", adviceUTF8)
		case !utf8.Valid(text):
			add(c.line, i+1, "the cell is not UTF-8", adviceUTF8)
		case bytes.IndexByte(text, '\r') >= 0:
			add(c.line, i+1, "the cell holds a carriage return", "Write the cell on one line.")
		}
		if len(t.faults) >= maxFaults {
			return
		}
	}
}

// sound reports whether the cells are ASCII of which nothing can be wrong.
func (t *table) sound() bool {
	for _, c := range t.text {
		if c == 0 || c == '\r' || c >= utf8.RuneSelf {
			return false
		}
	}
	return !slices.ContainsFunc(t.cells, func(c cell) bool { return c.long })
}

// texts puts the cells where they belong. Without a builder only the ids are
// read, so that a bad row can be named.
func (t *table) texts(row *Row, b *builder) {
	for i, c := range t.cells {
		col := &t.columns[i]
		if col.slot.group == skipped || b == nil && col.slot.group != ids {
			continue
		}
		text := string(t.text[c.start:c.end])
		trimmed := strings.TrimSpace(text)
		if trimmed == "" {
			continue
		}
		if col.slot.kind == rig.KindText {
			text = unguard(text)
		} else {
			text = trimmed
		}
		if col.slot.group == ids {
			if fault := idFault(trimmed); fault != nil {
				if b != nil {
					fault.Line, fault.Column, fault.Name = c.line, i+1, col.name
					t.faults = append(t.faults, *fault)
				}
				continue
			}
			row.name(col.slot.path, unguard(trimmed))
			continue
		}
		var v any
		var fault *Fault
		if col.slot.group == extras {
			v, fault = t.extraCell(&col.slot, trimmed)
		} else {
			v, fault = t.cell(col, text)
		}
		if fault != nil {
			fault.Line, fault.Column, fault.Name = c.line, i+1, col.name
			if col.slot.group == facts {
				fault.Pointer = "/" + strings.Join(col.slot.names, "/")
			}
			if len(t.faults) < maxFaults {
				t.faults = append(t.faults, *fault)
			}
			continue
		}
		if text, ok := v.(string); ok && col.slot.group == extras {
			if row.Extra == nil {
				row.Extra = map[string]string{}
			}
			row.Extra[col.slot.path] = text
			continue
		}
		b.put(i, &col.slot, v)
	}
}

// name gives the row the id of a column.
func (row *Row) name(path, id string) {
	switch path {
	case "id":
		row.ID = id
	case "vehicle.id":
		row.VehicleID = id
	default:
		row.TrailerID = id
	}
}

// idFault holds an id to what a text of a rig may be.
func idFault(id string) *Fault {
	switch {
	case !utf8.ValidString(id):
		return &Fault{Message: "the id is not UTF-8", Advice: adviceUTF8}
	case utf8.RuneCountInString(id) > rig.MaxText:
		return &Fault{Message: "the id is too long", Advice: fmt.Sprintf("At most %d characters.", rig.MaxText)}
	case strings.ContainsFunc(id, unicode.IsControl):
		return &Fault{Message: "the id holds a control character", Advice: "Use plain text."}
	}
	return nil
}

const listMark = "|" // between the entries of a list in one cell

// emptyList is the cell of a list that is known to have no entry.
const emptyList = "[]"

// cell reads one cell as a document would hold it. What it cannot be as a
// fact, rig.FromTree finds.
func (t *table) cell(col *column, text string) (any, *Fault) {
	switch col.slot.kind {
	case rig.KindQuantity:
		return t.amount(col, text)
	case rig.KindBool:
		if x, ok := truth(text); ok {
			return x, nil
		}
		return nil, &Fault{Message: "must be true or false", Advice: "Write true or false; leave the cell empty if it is not known."}
	case rig.KindCount:
		return whole(text)
	case rig.KindWords, rig.KindCounts, rig.KindMasses:
		list := []any{}
		if text == emptyList {
			return list, nil
		}
		for entry := range strings.SplitSeq(text, listMark) {
			entry = strings.TrimSpace(entry)
			var v any = entry
			var fault *Fault
			switch {
			case entry == "":
				fault = &Fault{Message: "an entry of the list is empty", Advice: "Write | between entries only; leave the cell empty if the list is not known."}
			case col.slot.kind == rig.KindCounts:
				v, fault = whole(entry)
			case col.slot.kind == rig.KindMasses:
				v, fault = t.amount(col, entry)
			}
			if fault != nil {
				return nil, fault
			}
			list = append(list, v)
		}
		return list, nil
	default:
		return text, nil
	}
}

func whole(text string) (any, *Fault) {
	if _, ok := number(text); !ok {
		return nil, &Fault{Message: "must be a whole number", Advice: "Write digits only; leave the cell empty if it is not known."}
	}
	return json.Number(text), nil
}

// amount reads a quantity: a plain number if the header has the unit, else a
// number with unit.
func (t *table) amount(col *column, text string) (any, *Fault) {
	n := strings.IndexFunc(text, func(r rune) bool { return (r < '0' || r > '9') && r != '.' && r != ',' })
	number, rest := text, ""
	if n >= 0 {
		number, rest = text[:n], text[n:]
	}
	number, fault := t.number(number)
	if fault != nil {
		return nil, fault
	}
	if col.unit != 0 {
		if rest != "" {
			return nil, &Fault{
				Message: fmt.Sprintf("%q is no plain number, and the column is in %s", shorten(text), col.unit),
				Advice:  "Write digits alone, or take the unit out of the header; leave the cell empty if it is not known.",
			}
		}
		rest = " " + col.unit.Symbol()
	}
	return number + rest, nil
}

// number writes a number with a decimal point. Where columns are not parted
// by commas, a sign before three last digits may part thousands or decimals:
// 1.500 t is one and a half tonnes to one reader and fifteen hundred to
// another. Such a number is refused unless the options say which is meant.
func (t *table) number(text string) (string, *Fault) {
	at := strings.IndexAny(text, ".,")
	if at < 0 {
		return text, nil
	}
	sign := text[at]
	switch {
	case strings.ContainsAny(text[at+1:], ".,"), sign == ',' && t.delim == ',', t.decimal != 0 && sign != t.decimal:
		return "", &Fault{Message: fmt.Sprintf("%q is not a plain decimal number", shorten(text)), Advice: "Write digits with one decimal sign at most, and nothing between thousands."}
	case t.decimal == 0 && t.delim != ',' && at >= 1 && at <= 3 && len(text)-at == 4 && text[0] != '0':
		return "", &Fault{
			Message: fmt.Sprintf("%q can be read in two ways, with thousands or with decimals", shorten(text)),
			Advice:  "Write it without the sign, or with another number of decimals, or say which decimal sign the file uses.",
		}
	}
	if sign == '.' {
		return text, nil
	}
	return text[:at] + "." + text[at+1:], nil
}

// shorten keeps a message readable.
func shorten(text string) string {
	if len(text) > rig.MaxText {
		return strings.ToValidUTF8(text[:rig.MaxText], "") + "…"
	}
	return text
}

// builder collects a row's facts as a rig document.
type builder struct {
	root  map[string]any
	parts map[partKey]map[string]any
	items map[group]map[int]map[string]any
	at    map[partKey]int // where each part, and each thing carried under vehicle or trailer, stands in its list
	cells []int           // columns that were given
	slots []*slot         // of those
}

func (b *builder) put(i int, s *slot, v any) {
	b.cells, b.slots = append(b.cells, i), append(b.slots, s)
	at := b.root
	switch s.group {
	case parts:
		k := partKey{s.role, s.n}
		if b.parts[k] == nil {
			b.parts[k] = map[string]any{}
			if s.role != "" {
				b.parts[k]["role"] = s.role
			}
		}
		at = b.parts[k]
	case vehicleItems, trailerItems:
		if b.items[s.group] == nil {
			b.items[s.group] = map[int]map[string]any{}
		}
		if b.items[s.group][s.n] == nil {
			b.items[s.group][s.n] = map[string]any{}
		}
		at = b.items[s.group][s.n]
	}
	set(at, s.names, v)
}

func set(at map[string]any, names []string, v any) {
	for _, name := range names[:len(names)-1] {
		m, ok := at[name].(map[string]any)
		if !ok {
			m = map[string]any{}
			at[name] = m
		}
		at = m
	}
	at[names[len(names)-1]] = v
}

// tree is the document. Parts and things carried that the row does not tell of
// leave no gap in their lists.
func (b *builder) tree(keys []partKey) map[string]any {
	var list []any
	for _, k := range keys {
		if p := b.parts[k]; p != nil {
			b.at[k] = len(list)
			list = append(list, p)
		}
	}
	if list != nil {
		b.root["parts"] = list
	}
	for _, side := range sides {
		var list []any
		for _, n := range slices.Sorted(maps.Keys(b.items[side.group])) {
			b.at[partKey{side.name, n}] = len(list)
			list = append(list, b.items[side.group][n])
		}
		if list != nil {
			set(b.root, []string{side.name, "items"}, list)
		}
	}
	return b.root
}

// from tells from which column each pointer into the tree came.
func (b *builder) from() map[string]int {
	from := make(map[string]int, len(b.cells))
	for j, i := range b.cells {
		s := b.slots[j]
		switch s.group {
		case parts:
			from["/parts/"+strconv.Itoa(b.at[partKey{s.role, s.n}])+"/"+s.names[0]] = i
		case vehicleItems, trailerItems:
			name, _, _ := strings.Cut(s.path, ".")
			from["/"+name+"/items/"+strconv.Itoa(b.at[partKey{name, s.n}])+"/"+s.names[0]] = i
		default:
			from["/"+strings.Join(s.names, "/")] = i
		}
	}
	return from
}

// A spreadsheet runs a cell that begins with one of these signs as a formula.
// Text that does is written behind an apostrophe, which is taken off again
// when it is read.
const formulaSigns = "=+-@"

func guarded(text string) bool {
	rest := strings.TrimLeft(text, "'")
	return rest != "" && strings.IndexByte(formulaSigns, rest[0]) >= 0
}

func guard(text string) string {
	if guarded(text) {
		return "'" + text
	}
	return text
}

func unguard(text string) string {
	if text != "" && text[0] == '\'' && guarded(text) {
		return text[1:]
	}
	return text
}
