// Package fleet reads a fleet's register of rigs row by row into rig
// documents, and writes rigs back as a table. It reads from and writes to
// what the caller gives it, keeps one row at a time and never more than
// MaxRow bytes of one, so that a file of any size is read in the same memory.
//
// # Table
//
// The first row names the columns: facts by their dotted paths
// (trailer.rated.axles), or by a term of the trade where that means one thing
// only (GTM). A unit may follow in square brackets, trailer.tare [kg]; cells
// are then plain numbers. Without it each cell carries its own unit. A column
// whose name begins with # is passed over. An empty cell is an unknown fact;
// nothing is filled in for it.
//
// Cells are comma-, semicolon- or tab-separated, and quoted as RFC 4180 says
// (section 2; verified: text). Spaces around a cell are taken off unless it is
// free text, and a row of empty cells is passed over. A quote that is never
// closed takes the rest of the file with it, which is told: to begin again at
// some later line would be to guess that it is a row. Lists stand in one cell, separated by |; a list known to be empty is [].
package fleet

import (
	"fmt"
	"io"
	"strings"

	"drawgear/rules/rig"
)

// Limits of a file. None of them is a limit on the number of rows.
const (
	MaxRow     = rig.MaxBytes // bytes of a row, or of a line of NDJSON
	MaxCell    = 2048         // bytes of a cell
	MaxColumns = 256          // columns of a table
	maxFaults  = 25           // faults reported of one row, or of the header
)

// Fault is one thing wrong with a row or with the header.
type Fault struct {
	Line    int    // in the file, 1 first
	Column  int    // of a table, 1 first; 0 if the fault is the row's
	Name    string // of the column, as the header writes it
	Pointer string // JSON Pointer into the row's rig document, or into the line of NDJSON; may be empty
	Message string // what is wrong
	Advice  string // what to do
}

// String tells the fault on one line.
func (f Fault) String() string {
	s := fmt.Sprintf("line %d", f.Line)
	if f.Column > 0 {
		s += fmt.Sprintf(", column %d", f.Column)
	}
	if f.Name != "" {
		s += fmt.Sprintf(" (%s)", f.Name)
	} else if f.Pointer != "" {
		s += ", " + f.Pointer
	}
	return s + ": " + f.Message
}

// Bad is the error of a file of which nothing can be read.
type Bad struct {
	Faults []Fault // at least one
}

// Error lists the faults on one line.
func (b *Bad) Error() string {
	texts := make([]string, len(b.Faults))
	for i, f := range b.Faults {
		texts[i] = f.String()
	}
	return strings.Join(texts, "; ")
}

func bad(line int, msg, advice string) *Bad {
	return &Bad{[]Fault{{Line: line, Message: msg, Advice: advice}}}
}

// Row is one rig of a file. A row with faults has no rig: nothing of it is
// used.
type Row struct {
	Line      int    // on which it begins, 1 first
	ID        string // of the rig, in the fleet's own words; may be empty, as may the next two
	VehicleID string
	TrailerID string
	Extra     map[string]string // texts of the extra columns, by name, without spaces around them; those that are not empty
	Rig       *rig.Rig          // see Document for it as canonical JSON
	Faults    []Fault
}

// Reader reads rows. It must not be used by two goroutines at once.
type Reader struct {
	next    func() (Row, error)
	columns []column
	err     error
}

// Next returns the next row, and io.EOF after the last. A bad row is returned
// with its faults and does not stop the rest; any other error is final. It is
// that of the source, with the line at which it came.
func (r *Reader) Next() (Row, error) {
	if r.err != nil {
		return Row{}, r.err
	}
	row, err := r.next()
	if err != nil {
		r.err = err
		return Row{}, err
	}
	return row, nil
}

// Heading is what a column of the file was read as, so that it can be shown
// to whoever sent the file.
type Heading struct {
	Column int    // 1 first
	Name   string // as the file writes it
	Path   string // of the fact, or id, vehicle.id, trailer.id, or name of an extra column; empty if the column is passed over
	Unit   string // of the cells; empty if each cell carries its own
}

// Header is the name under which NewWriter takes the column, whatever place's
// terms the file was read in.
func (h Heading) Header() string {
	switch {
	case h.Path == "":
		return h.Name
	case h.Unit == "":
		return h.Path
	}
	return h.Path + " [" + h.Unit + "]"
}

// Headings lists the columns of a table in order; none for NDJSON.
func (r *Reader) Headings() []Heading { return headings(r.columns) }

func headings(columns []column) []Heading {
	var out []Heading
	for i, c := range columns {
		h := Heading{Column: i + 1, Name: c.name, Path: c.slot.path}
		if c.unit != 0 {
			h.Unit = c.unit.Symbol()
		}
		out = append(out, h)
	}
	return out
}

// finish makes the rig of a row from what was decoded, or its faults.
func (row *Row) finish(r *rig.Rig) {
	if len(row.Faults) > 0 {
		row.Faults = row.Faults[:min(len(row.Faults), maxFaults)]
		return
	}
	row.Rig = r
}

// readFault says at which line the source failed.
func readFault(line int, err error) error {
	if err == io.EOF {
		return err
	}
	return fmt.Errorf("read line %d of the fleet: %w", line, err)
}

const (
	adviceUTF8  = "Save the file as UTF-8; spreadsheets call it \"CSV UTF-8\"."
	adviceTable = "Save the sheet as \"CSV UTF-8\" and send that file."
)

// encodingFault looks at the first bytes of a file for what is no UTF-8 text.
func encodingFault(head []byte) *Bad {
	has := func(prefix string) bool { return strings.HasPrefix(string(head), prefix) }
	switch {
	case has("\xff\xfe"), has("\xfe\xff"), has("\x00\x00\xfe\xff"):
		return bad(1, "the file is UTF-16 or UTF-32, not UTF-8", adviceUTF8)
	case has("PK\x03\x04"), has("\xd0\xcf\x11\xe0"):
		return bad(1, "the file is a workbook or an archive, not a table in text", adviceTable)
	case has("\x1f\x8b"):
		return bad(1, "the file is compressed", "Unpack it first.")
	case len(head) >= 2 && (head[0] == 0) != (head[1] == 0):
		return bad(1, "the file is UTF-16 without a mark, not UTF-8", adviceUTF8)
	}
	return nil
}

const bom = "\xef\xbb\xbf"
