package fleet

import (
	"bytes"
	"encoding/json"
	"strings"
	"unicode/utf8"
)

// cells is a row of a table within a piece. Cells of columns that are passed over
// are empty.
type cells struct {
	Cells []string `json:"c"`
	Lines []int    `json:"l,omitempty"` // on which each cell begins, if that is not one line for all
}

// How a row of plain cells on one line is written.
const (
	cellsOpen  = `{"c":["`
	cellsPart  = `","`
	cellsClose = `"]}`
)

// writeCells writes the row at hand.
func (t *table) writeCells(out *bytes.Buffer) error {
	apart := false
	for i := range t.cells {
		apart = apart || t.cells[i].line != t.begin
	}
	if !apart && len(t.cells) > 0 && literal(t.text) {
		writeMark(out, t.begin, signRow)
		for i, at := range t.cells {
			if i == 0 {
				out.WriteString(cellsOpen)
			} else {
				out.WriteString(cellsPart)
			}
			out.Write(t.text[at.start:at.end])
		}
		out.WriteString(cellsClose)
		out.WriteByte('\n')
		return nil
	}
	var x cells
	for _, at := range t.cells {
		x.Cells = append(x.Cells, string(t.text[at.start:at.end]))
		if apart {
			x.Lines = append(x.Lines, at.line)
		}
	}
	return writeLine(out, t.begin, signRow, x)
}

// literal reports whether each byte stands for itself in a JSON string.
func literal(text []byte) bool {
	for _, c := range text {
		if c < ' ' || c >= utf8.RuneSelf || c == '"' || c == '\\' {
			return false
		}
	}
	return true
}

// take takes a row that was cut to hand.
func (t *table) take(line int, data []byte) error {
	t.begin, t.cells, t.faults = line, t.cells[:0], nil
	if t.takePlain(data) {
		t.n = len(t.cells)
	} else {
		var x cells
		if err := json.Unmarshal(data, &x); err != nil || x.Lines != nil && len(x.Lines) != len(x.Cells) {
			return errPiece
		}
		t.put(x)
	}
	if t.n != t.width {
		return errPiece
	}
	return nil
}

// takePlain takes a row to hand of which every byte stands for itself, as the text
// is.
func (t *table) takePlain(data []byte) bool {
	rest, opened := bytes.CutPrefix(data, []byte(cellsOpen))
	rest, closed := bytes.CutSuffix(rest, []byte(cellsClose))
	if !opened || !closed {
		return false
	}
	t.text, t.cells = rest, t.cells[:0]
	start := 0
	for i := 0; i < len(rest); i++ {
		switch c := rest[i]; {
		case c == '"' && bytes.HasPrefix(rest[i:], []byte(cellsPart)):
			t.cells = append(t.cells, cell{start: start, end: i, line: t.begin})
			i += len(cellsPart) - 1
			start = i + 1
		case c < ' ', c >= utf8.RuneSelf, c == '"', c == '\\':
			t.cells = t.cells[:0]
			return false
		}
	}
	t.cells = append(t.cells, cell{start: start, end: len(rest), line: t.begin})
	return true
}

// put takes cells to hand.
func (t *table) put(x cells) {
	t.text, t.n = []byte(strings.Join(x.Cells, "")), len(x.Cells)
	end := 0
	for i, text := range x.Cells {
		at := cell{start: end, end: end + len(text), line: t.begin}
		if x.Lines != nil {
			at.line = x.Lines[i]
		}
		t.cells, end = append(t.cells, at), at.end
	}
}
