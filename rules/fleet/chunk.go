package fleet

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"

	"drawgear/rules/quantity"
)

// Cutter cuts a file into pieces at the ends of rows, in one pass and with one
// row and one piece in memory, so that workers can read the pieces on their own
// with NewPiece: together they give the rows, lines and faults that a Reader of
// the whole gives. What can be said of a row only while the file is read - that
// it is too long, that a quote is never closed - is said in the piece.
type Cutter struct {
	head  head
	scan  func() error
	write func(*bytes.Buffer) error
	piece bytes.Buffer
	err   error
}

// Piece is some rows of a file. Its data are for NewPiece alone.
type Piece struct {
	Rows int
	Data []byte // good until the next piece is cut
}

// head is what all pieces of a file share.
type head struct {
	Columns []Heading `json:"columns"` // none for NDJSON
	Decimal byte      `json:"decimal,omitempty"`
	Delim   byte      `json:"delim,omitempty"`
}

// A line of a piece is the number of the line in the file, one of these signs and
// what stands behind it: a row of a table as cells, a line of NDJSON as it is, or
// a Row with faults.
const (
	signRow   = ' '
	signFault = '!'
)

// CutCSV reads the header of a table to be cut. The errors are those of NewCSV.
func CutCSV(src io.Reader, o Options) (*Cutter, error) {
	t, err := newTable(src, o)
	if err != nil {
		return nil, err
	}
	c := &Cutter{scan: t.scan, head: head{Columns: headings(t.columns), Decimal: t.decimal, Delim: t.delim}}
	c.write = func(out *bytes.Buffer) error {
		row := Row{Line: t.begin}
		if !t.formed(&row) {
			return writeLine(out, row.Line, signFault, row)
		}
		return t.writeCells(out)
	}
	return c, nil
}

// CutNDJSON is CutCSV for a file that NewNDJSON reads.
func CutNDJSON(src io.Reader) (*Cutter, error) {
	l, err := newLines(src)
	if err != nil {
		return nil, err
	}
	return &Cutter{scan: l.scan, write: func(out *bytes.Buffer) error {
		if l.long || l.last { // a piece does not tell the last line from others
			if row := l.make(); row.Faults != nil {
				return writeLine(out, row.Line, signFault, row)
			}
		}
		writeMark(out, l.n, signRow)
		out.Write(l.line)
		out.WriteByte('\n')
		return nil
	}}, nil
}

// writeMark begins a line of a piece.
func writeMark(out *bytes.Buffer, line int, sign byte) {
	out.Write(append(strconv.AppendInt(out.AvailableBuffer(), int64(line), 10), sign))
}

func writeLine(out *bytes.Buffer, line int, sign byte, v any) error {
	writeMark(out, line, sign)
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("cut line %d of the fleet: %w", line, err)
	}
	return nil
}

// Headings lists the columns of a table in order; none for NDJSON.
func (c *Cutter) Headings() []Heading { return c.head.Columns }

// Head is what NewPiece needs beside a piece, the same for all.
func (c *Cutter) Head() []byte {
	data, err := json.Marshal(c.head)
	if err != nil {
		panic("fleet: a header that cannot be written: " + err.Error()) // it holds texts and numbers only
	}
	return data
}

// Next cuts a piece of at most so many rows, which ends with the row that reaches
// so many bytes, and io.EOF after the last. Any other error is final; it is that
// of the source, with the line at which it came.
func (c *Cutter) Next(rows, size int) (Piece, error) {
	c.piece.Reset()
	n := 0
	for c.err == nil && n < rows && c.piece.Len() < size {
		if c.err = c.scan(); c.err != nil {
			break
		}
		if c.err = c.write(&c.piece); c.err != nil {
			break
		}
		n++
	}
	if c.err != nil && (c.err != io.EOF || n == 0) {
		return Piece{}, c.err
	}
	return Piece{Rows: n, Data: c.piece.Bytes()}, nil
}

// NewPiece reads the rows of a piece that was cut from a file with that head.
func NewPiece(headData, piece []byte) (*Reader, error) {
	var h head
	if err := json.Unmarshal(headData, &h); err != nil {
		return nil, fmt.Errorf("read the head of a piece: %w", err)
	}
	p := &pieceReader{rest: piece}
	if len(h.Columns) == 0 {
		l := &lines{}
		p.row = func(line int, data []byte) (Row, error) {
			l.n, l.line = line, data
			return l.make(), nil
		}
		return &Reader{next: p.next}, nil
	}
	t := &table{decimal: h.Decimal, splitter: &splitter{delim: h.Delim}}
	for _, x := range h.Columns {
		c := column{name: x.Name}
		if x.Path != "" {
			var ok bool
			if c.slot, ok = slotOf(x.Path); ok && x.Unit != "" {
				c.unit, ok = quantity.LookupUnit(x.Unit, c.slot.dim)
			}
			if !ok {
				return nil, fmt.Errorf("read the head of a piece: there is no column %s", x.Header())
			}
		}
		t.columns = append(t.columns, c)
	}
	t.ready()
	p.row = func(line int, data []byte) (Row, error) {
		if err := t.take(line, data); err != nil {
			return Row{}, err
		}
		return t.make(), nil
	}
	return &Reader{next: p.next, columns: t.columns}, nil
}

var errPiece = errors.New("this is no piece of a fleet")

type pieceReader struct {
	rest []byte
	row  func(line int, data []byte) (Row, error)
}

func (p *pieceReader) next() (Row, error) {
	if len(p.rest) == 0 {
		return Row{}, io.EOF
	}
	var data []byte
	data, p.rest, _ = bytes.Cut(p.rest, []byte("\n"))
	at := bytes.IndexAny(data, string([]byte{signRow, signFault}))
	if at < 0 {
		return Row{}, errPiece
	}
	line, err := strconv.Atoi(string(data[:at]))
	if err != nil {
		return Row{}, errPiece
	}
	if data[at] == signRow {
		return p.row(line, data[at+1:])
	}
	var row Row
	if err := json.Unmarshal(data[at+1:], &row); err != nil || len(row.Faults) == 0 || row.Rig != nil {
		return Row{}, errPiece
	}
	return row, nil
}
