package fleet

import (
	"bufio"
	"bytes"
	"io"
	"slices"
	"strconv"
	"unicode/utf8"
)

// splitter cuts a table into rows and cells as RFC 4180 says. A row is read
// through a buffer of fixed size, and of a cell or row that is too long only
// the beginning is kept, so that a line of any length costs no memory.
//
// encoding/csv would hold a whole record whatever its length.
type splitter struct {
	src   *bufio.Reader
	delim byte
	width int             // cells that a row may have; more are counted but not kept
	skip  func(int) bool  // cells that are passed over
	line  int             // of the byte to be read next
	eof   bool            // the source has ended
	chunk []byte          // read but not yet cut
	last  bool            // the row being read ended with the file, without a line break
	begin int             // line on which the row began
	text  []byte          // kept cells, one after another
	cells []cell          // of the row
	n     int             // cells of the row, kept or not
	size  int             // bytes of the row
	taken bool            // the cell is kept
	fault func(Fault)     // takes what is wrong with the row's form
	told  map[string]bool // faults of form told already of this row
}

type cell struct {
	start, end int // in text
	line       int
	long       bool
}

type state uint8

const (
	fresh  state = iota // at the beginning of a cell
	bare                // in a cell without quotes
	quoted              // inside quotes
	closed              // after a quote that may have closed the cell
	ended               // after the carriage return behind a closed cell
)

// fill makes sure that there are bytes to cut, unless the source has ended.
func (s *splitter) fill() error {
	for len(s.chunk) == 0 && !s.eof {
		if _, err := s.src.Peek(1); err != nil {
			if err != io.EOF {
				return err
			}
			s.eof = true
			return nil
		}
		s.chunk, _ = s.src.Peek(s.src.Buffered()) // all of it is there
		if _, err := s.src.Discard(len(s.chunk)); err != nil {
			return err
		}
	}
	return nil
}

func (s *splitter) tell(msg, advice string) {
	if !s.told[msg] {
		s.told[msg] = true
		s.fault(Fault{Line: s.line, Column: s.n + 1, Message: msg, Advice: advice})
	}
}

// row reads the next row into cells; io.EOF if there is none.
func (s *splitter) row() error {
	s.text, s.cells, s.n, s.size, s.begin, s.last = s.text[:0], s.cells[:0], 0, 0, s.line, false
	clear(s.told)
	st, opened := fresh, 0
	s.open()
	for {
		if err := s.fill(); err != nil {
			return err
		}
		if s.eof && len(s.chunk) == 0 {
			if s.size == 0 {
				return io.EOF
			}
			if st == quoted {
				at := s.line
				s.line = opened
				s.tell("a quote is opened and never closed", "Close it, or write a quote that is meant twice. What follows it in the file was not read as rows.")
				s.line = at
			}
			s.last = true
			s.close(st == bare)
			return nil
		}
		for i := 0; i < len(s.chunk); i++ {
			if st == bare || st == quoted {
				if n := s.stretch(s.chunk[i:]); n > 0 {
					i += n - 1
					continue
				}
			}
			c := s.chunk[i]
			s.size++
			switch st {
			case ended:
				if c == '\n' {
					break
				}
				fallthrough
			case closed:
				switch {
				case st == closed && c == '"':
					s.keep(c)
					st = quoted
					continue
				case st == closed && c == '\r':
					st = ended
					continue
				case st == closed && (c == s.delim || c == '\n'):
				default:
					s.tell("there is text after a closing quote", "Put the whole cell in quotes, and write a quote inside it twice.")
					st = bare
				}
			case fresh:
				if c == '"' {
					st, opened = quoted, s.line
					continue
				}
				st = bare
			case quoted:
				switch c {
				case '"':
					st = closed
				case '\n':
					s.line++
					s.keep(c)
				default:
					s.keep(c)
				}
				continue
			}
			switch c {
			case s.delim:
				s.close(false)
				s.open()
				st = fresh
			case '\n':
				s.close(st == bare)
				s.line++
				s.chunk = s.chunk[i+1:]
				return nil
			case '"':
				s.tell("there is a quote in a cell that does not begin with one", "Put the whole cell in quotes, and write a quote inside it twice.")
				s.keep(c)
			default:
				s.keep(c)
			}
		}
		s.chunk = nil
	}
}

// stretch keeps bytes that end neither a cell nor a row, as keep does one by one, and
// says how many they were.
func (s *splitter) stretch(chunk []byte) int {
	n := 0
	for n < len(chunk) && chunk[n] != s.delim && chunk[n] != '\n' && chunk[n] != '"' {
		n++
	}
	if s.taken {
		at := &s.cells[s.n]
		row := min(n, max(0, MaxRow-s.size))
		fits := min(row, MaxCell-(len(s.text)-at.start))
		at.long = at.long || fits < row
		s.text = append(s.text, chunk[:fits]...)
	}
	s.size += n
	return n
}

func (s *splitter) open() {
	s.taken = s.n < s.width && !s.skip(s.n)
	if s.n < s.width {
		s.cells = append(s.cells, cell{start: len(s.text), end: len(s.text), line: s.line})
	}
}

func (s *splitter) keep(c byte) {
	if !s.taken || s.size > MaxRow {
		return
	}
	at := &s.cells[s.n]
	if len(s.text)-at.start >= MaxCell {
		at.long = true
		return
	}
	s.text = append(s.text, c)
}

// close ends a cell. The carriage return of a line break belongs to no cell.
func (s *splitter) close(cr bool) {
	if s.n < s.width {
		at := &s.cells[s.n]
		if cr && len(s.text) > at.start && s.text[len(s.text)-1] == '\r' {
			s.text = s.text[:len(s.text)-1]
		}
		at.end = len(s.text)
	}
	s.n++
}

// blank reports whether the row holds nothing but spaces, as the rows below a
// sheet do.
func (s *splitter) blank() bool {
	return s.n <= s.width && s.size <= MaxRow && len(bytes.TrimSpace(s.text)) == 0 &&
		!slices.ContainsFunc(s.cells, func(c cell) bool { return c.long })
}

// headerRow reads the first line of the file and finds the delimiter in it.
func (s *splitter) headerRow() ([]string, *Bad, error) {
	head, err := s.src.Peek(len(bom) + 1)
	if err != nil && err != io.EOF {
		return nil, nil, err
	}
	if b := encodingFault(head); b != nil {
		return nil, b, nil
	}
	if bytes.HasPrefix(head, []byte(bom)) {
		if _, err := s.src.Discard(len(bom)); err != nil {
			return nil, nil, err
		}
	}
	line, err := s.src.ReadSlice('\n')
	switch {
	case err == bufio.ErrBufferFull:
		return nil, bad(1, "the header is too long", "The first row names the columns; rows end in a line feed."), nil
	case err != nil && err != io.EOF:
		return nil, nil, err
	case len(bytes.TrimSpace(line)) == 0:
		return nil, bad(1, "there is no header", "The first row names the columns."), nil
	case !utf8.Valid(line):
		return nil, bad(1, "the header is not UTF-8", adviceUTF8), nil
	}
	text := bytes.TrimRight(line, "\r\n")
	for i, c := range text {
		switch {
		case c == '\r':
			return nil, bad(1, "lines end in a carriage return alone", "End each row with a line feed, as \"CSV UTF-8\" does."), nil
		case c < ' ' && c != '\t' || c == 0x7f:
			return nil, &Bad{[]Fault{{Line: 1, Message: "the header holds a control character", Advice: "The first row names the columns; byte " + strconv.Itoa(i+1) + " of it is none of a name."}}}, nil
		}
	}
	if s.delim, err = delimiter(text); err != nil {
		return nil, bad(1, err.Error(), "Part all columns by a comma, a semicolon or a tab."), nil
	}
	var faults []Fault
	cut := &splitter{
		src: s.src, delim: s.delim, width: MaxColumns, skip: func(int) bool { return false }, line: 1, eof: true, chunk: text,
		fault: func(f Fault) { faults = append(faults, f) }, told: map[string]bool{},
	}
	if err := cut.row(); err != nil {
		return nil, nil, err
	}
	if cut.n > MaxColumns {
		return nil, bad(1, "there are too many columns", "At most "+strconv.Itoa(MaxColumns)+"."), nil
	}
	if faults != nil {
		return nil, &Bad{faults}, nil
	}
	names := make([]string, len(cut.cells))
	for i, c := range cut.cells {
		if c.long {
			return nil, &Bad{[]Fault{{Line: 1, Column: i + 1, Message: "the name is too long", Advice: "At most " + strconv.Itoa(MaxCell) + " bytes."}}}, nil
		}
		names[i] = string(cut.text[c.start:c.end])
	}
	s.line = 2
	return names, nil, nil
}
