package fleet

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"drawgear/rules/rig"
)

// NewNDJSON reads one rig document a line, alone or beside its ids:
//
//	{"id": "TV-07", "vehicle_id": "UTE-2", "trailer_id": "MOW-1", "rig": {"jurisdiction": "AU-NSW"}}
//
// Empty lines are passed over. The error is a *Bad if the file is no UTF-8
// text, or wraps that of src.
func NewNDJSON(src io.Reader) (*Reader, error) {
	l, err := newLines(src)
	if err != nil {
		return nil, err
	}
	return &Reader{next: l.next}, nil
}

func newLines(src io.Reader) (*lines, error) {
	l := &lines{src: bufio.NewReaderSize(src, MaxRow+len("\r\n"))}
	head, err := l.src.Peek(len(bom) + 1)
	if err != nil && err != io.EOF {
		return nil, readFault(1, err)
	}
	if b := encodingFault(head); b != nil {
		return nil, b
	}
	if bytes.HasPrefix(head, []byte(bom)) {
		if _, err := l.src.Discard(len(bom)); err != nil {
			return nil, readFault(1, err)
		}
	}
	return l, nil
}

type lines struct {
	src  *bufio.Reader
	n    int
	line []byte // at hand; good until the next is read
	long bool   // it is longer than a line may be
	last bool   // it ended with the file, without a line break
}

func (l *lines) next() (Row, error) {
	if err := l.scan(); err != nil {
		return Row{}, err
	}
	return l.make(), nil
}

// scan takes the next line that is not blank to hand.
func (l *lines) scan() error {
	for {
		l.n++
		line, err := l.src.ReadSlice('\n')
		long := err == bufio.ErrBufferFull
		for err == bufio.ErrBufferFull {
			_, err = l.src.ReadSlice('\n')
		}
		if err != nil && err != io.EOF {
			return readFault(l.n, err)
		}
		l.last = err == io.EOF
		if l.last && len(line) == 0 {
			return io.EOF
		}
		l.line = bytes.TrimRight(line, "\r\n")
		l.long = long || len(l.line) > MaxRow
		if l.long || len(bytes.TrimSpace(l.line)) > 0 {
			return nil
		}
	}
}

// make reads the line at hand as a rig.
func (l *lines) make() Row {
	row := Row{Line: l.n}
	if l.long {
		row.fault("", fmt.Sprintf("the line is longer than %d bytes", MaxRow), "Put one rig on a line.")
		return row
	}
	row.decode(l.line)
	if l.last && len(row.Faults) > 0 && !json.Valid(l.line) {
		row.Faults[0].Advice = "The file ends with this line; send it whole."
	}
	return row
}

func (row *Row) fault(pointer, msg, advice string) {
	row.Faults = append(row.Faults, Fault{Line: row.Line, Pointer: pointer, Message: msg, Advice: advice})
}

func (row *Row) decode(line []byte) {
	doc, at := line, ""
	// Only a line that spells the name can be the form with ids: written any
	// other way it is an unknown field, and refused.
	if utf8.Valid(line) && bytes.Contains(line, []byte(`"rig"`)) {
		if inner, wrapped := row.unwrap(line); wrapped {
			doc, at = inner, "/rig"
		}
	}
	if len(row.Faults) > 0 {
		row.finish(nil)
		return
	}
	r, err := rig.Decode(doc)
	if is, ok := rig.AsIssues(err); ok {
		for _, x := range is {
			row.fault(at+x.Pointer, x.Message, x.Advice)
		}
	}
	row.finish(r)
}

// unwrap takes a line with ids apart. It is none if the object has no rig of
// its own; what is wrong with it then is for rig.Decode to say.
func (row *Row) unwrap(line []byte) (doc []byte, wrapped bool) {
	dec := json.NewDecoder(bytes.NewReader(line))
	if tok, err := dec.Token(); err != nil || tok != json.Delim('{') {
		return nil, false
	}
	fields := map[string]json.RawMessage{}
	var names, twice []string
	for dec.More() {
		tok, err := dec.Token()
		if err != nil {
			return nil, false
		}
		name, _ := tok.(string)
		if _, dup := fields[name]; dup {
			twice = append(twice, name)
		}
		var v json.RawMessage
		if err := dec.Decode(&v); err != nil {
			return nil, false
		}
		fields[name], names = v, append(names, name)
	}
	if doc, wrapped = fields["rig"]; !wrapped || !json.Valid(line) {
		return nil, false
	}
	for _, name := range twice {
		row.fault("/"+escape(name), "this name stands twice", "Keep the one that is meant.")
	}
	for _, name := range names {
		var to *string
		switch name {
		case "rig":
			continue
		case "id":
			to = &row.ID
		case "vehicle_id":
			to = &row.VehicleID
		case "trailer_id":
			to = &row.TrailerID
		default:
			row.fault("/"+escape(name), "there is no such name beside a rig", "Beside rig stand id, vehicle_id and trailer_id; facts belong inside rig.")
			continue
		}
		var text *string
		if err := json.Unmarshal(fields[name], &text); err != nil || text == nil {
			row.fault("/"+name, "must be text", "Write it in quotes.")
		} else if f := idFault(*text); f != nil {
			row.fault("/"+name, f.Message, f.Advice)
		} else {
			*to = strings.TrimSpace(*text)
		}
	}
	return doc, true
}

// escape writes a name as a JSON Pointer token (RFC 6901), cut to a length.
func escape(name string) string {
	if len(name) > rig.MaxText {
		name = strings.ToValidUTF8(name[:rig.MaxText], "")
	}
	return strings.ReplaceAll(strings.ReplaceAll(name, "~", "~0"), "/", "~1")
}
