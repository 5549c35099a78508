// Package page holds printable documents: what a customer signs, a fitter ticks
// off or an inspector files. A Document says what is told; HTML and PDF tell it.
//
// HTML is the accessible form. The PDF has real text, a title, its language
// and an outline of its headings, but no tags, so that a screen reader has to guess
// its tables: of the Go libraries that write PDF, none that is kept up writes tags.
//
// Nothing is told by colour. A status is a word beside a shape, pictures are black and
// white, and cautions are never folded away.
package page

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strings"
	"time"

	"drawgear/api/figure"
)

// Limits of a document; beyond them it is refused.
const (
	MaxColumns = 12  // of a table: more cannot be read on upright paper
	MaxLevels  = 5   // of sections within sections: HTML has six headings, and the title is the first
	MaxID      = 100 // characters of an id
	MaxHash    = 200 // characters of a hash
	MaxPages   = 2000
)

// Document is a printable document.
type Document struct {
	Lang  string // language of all that it says, as in BCP 47: "en-AU"
	Words *Words // what the form itself says in that language; English if there are none

	Title    string
	Subtitle string // may be empty

	ID      string    // stands at the foot of every page
	Hash    string    // so does this, of the record that the document shows
	Created time.Time // what the PDF says that it was made at; given, so that equal input gives equal bytes

	Facts    []Pair   // the first lines: what it is about, days, numbers
	Cautions []string // shown before all else; if there are none, that is said
	Sections []Section
}

// Section is a part under a heading.
type Section struct {
	Heading  string
	Blocks   []Block
	Sections []Section // follow the blocks
}

// Block is one of Paragraph, List, Pairs, Table, Steps, Checks, Callout,
// Signatures, Picture and Sources.
type Block interface {
	check() error
	layOut(l *layout)
	template() string
}

// Paragraph is running text; a line feed breaks a line.
type Paragraph string

// List is a plain list.
type List []string

// Pairs is a list of names with what each stands for.
type Pairs []Pair

// Pair is a name and its value, with a status if it has one.
type Pair struct {
	Name, Value string
	Status      Status
}

// Table is a table. Its header is repeated on every sheet of paper.
type Table struct {
	Caption string
	Columns []Column
	Rows    [][]Cell // each as long as Columns; where there are none, that is said
	RowHead bool     // the first column names its row
}

// Column is a column of a table.
type Column struct {
	Head   string
	Width  float64 // its share of the whole beside the others; 0 is taken as 1
	Number bool    // set to the right
}

// Cell is a field of a table.
type Cell struct {
	Text   string
	Status Status
}

// Steps is work in its order.
type Steps struct {
	First int // number of the first step; 0 is taken as 1
	Items []Step
}

// Step is one step of work. All but Do may be empty.
type Step struct {
	Do      string // what is to be done
	Reason  string // why
	Hazard  string // what can hurt
	Measure string // what is done against it
	Record  string // what is to be written down
}

// Checks is a list of boxes to tick.
type Checks []Check

// Check is one box.
type Check struct {
	Text string
	Mark Mark
}

// Mark is what a box holds.
type Mark uint8

// The marks.
const (
	Open   Mark = iota // to be ticked by hand
	Done               // ticked
	Failed             // crossed
	marks
)

// Callout is a framed word of warning, or a note.
type Callout struct {
	Kind Kind
	Text []string // paragraphs
}

// Kind is how grave a callout is. Its word and symbol say so; the words are
// those of safety signs (danger, warning, caution and notice in descending order).
type Kind uint8

// The kinds.
const (
	Note    Kind = iota
	Caution      // may hurt lightly, or break something
	Warning      // may kill or hurt badly
	Danger       // will, if it is not avoided
	kinds
)

// Signatures is a list of places to sign at.
type Signatures []Signature

// Signature is one place. What is empty is a line to write on.
type Signature struct {
	Role string // as whom: "Fitter"
	Name string
	Mark string // how it was signed, if that was not by hand
	Date string
}

// Picture is a figure with words beneath.
type Picture struct {
	Figure  figure.Figure
	Caption string // may be empty
}

// Sources is a list of what a document rests on.
type Sources []Source

// Source is one publication. All but Title and Checked may be empty.
type Source struct {
	Key       string // how the document refers to it
	Title     string
	Publisher string
	Edition   string
	Clause    string
	URL       string
	Checked   string // how it was verified, and when
}

// Check refuses a document that lacks something, or holds what cannot be shown; it names the place.
func (d *Document) Check() error {
	switch {
	case !language.MatchString(d.Lang):
		return fmt.Errorf("the language %q is no tag of BCP 47", d.Lang)
	case blank(d.Title):
		return errors.New("the document has no title")
	case blank(d.ID) || len(d.ID) > MaxID || !oneLine.MatchString(d.ID):
		return fmt.Errorf("the id is not of 1 to %d printable ASCII characters", MaxID)
	case blank(d.Hash) || len(d.Hash) > MaxHash || !oneLine.MatchString(d.Hash):
		return fmt.Errorf("the hash is not of 1 to %d printable ASCII characters", MaxHash)
	case d.Created.IsZero():
		return errors.New("it is not said when the document was made")
	}
	if d.Words != nil {
		if err := d.Words.check(); err != nil {
			return err
		}
	}
	if err := Pairs(d.Facts).check(); err != nil {
		return fmt.Errorf("facts: %w", err)
	}
	if err := List(d.Cautions).check(); err != nil {
		return fmt.Errorf("cautions: %w", err)
	}
	return checkSections(d.Sections, "", 1)
}

// language is the shape of a language tag of BCP 47 (RFC 5646), not whether it is registered.
var language = regexp.MustCompile(`^[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*$`)

// oneLine is what the foot of a page takes, so that it cannot grow over the page.
var oneLine = regexp.MustCompile(`^[ -~]+$`)

func blank(s string) bool { return strings.TrimSpace(s) == "" }

func checkSections(sections []Section, above string, level int) error {
	if level > MaxLevels && len(sections) > 0 {
		return fmt.Errorf("section %s: sections lie more than %d deep", above, MaxLevels)
	}
	for i, s := range sections {
		place := fmt.Sprintf("%s%d", above, i+1)
		if blank(s.Heading) {
			return fmt.Errorf("section %s has no heading", place)
		}
		for k, b := range s.Blocks {
			if err := checkBlock(b); err != nil {
				return fmt.Errorf("section %s, block %d: %w", place, k+1, err)
			}
		}
		if err := checkSections(s.Sections, place+".", level+1); err != nil {
			return err
		}
	}
	return nil
}

func checkBlock(b Block) error {
	if b == nil {
		return errors.New("there is none")
	}
	if v := reflect.ValueOf(b); v.Kind() == reflect.Slice && v.Len() == 0 {
		return errors.New("it holds nothing")
	}
	return b.check()
}

func (p Paragraph) check() error {
	if blank(string(p)) {
		return errors.New("a paragraph is empty")
	}
	return nil
}

func (l List) check() error {
	for i, item := range l {
		if blank(item) {
			return fmt.Errorf("item %d is empty", i+1)
		}
	}
	return nil
}

func (p Pairs) check() error {
	for i, pair := range p {
		if blank(pair.Name) || blank(pair.Value) && pair.Status.Kind == NoStatus {
			return fmt.Errorf("pair %d has no name, or neither value nor status", i+1)
		}
		if err := pair.Status.check(); err != nil {
			return fmt.Errorf("pair %d: %w", i+1, err)
		}
	}
	return nil
}

func (t Table) check() error {
	if blank(t.Caption) || len(t.Columns) == 0 || len(t.Columns) > MaxColumns {
		return fmt.Errorf("a table needs a caption and 1 to %d columns", MaxColumns)
	}
	for i, c := range t.Columns {
		if blank(c.Head) || !(c.Width >= 0) || math.IsInf(c.Width, 1) {
			return fmt.Errorf("column %d needs a head, and a width that is not below 0", i+1)
		}
	}
	for i, row := range t.Rows {
		if len(row) != len(t.Columns) {
			return fmt.Errorf("row %d has %d fields for %d columns", i+1, len(row), len(t.Columns))
		}
		for k, c := range row {
			if err := c.Status.check(); err != nil {
				return fmt.Errorf("row %d, column %d: %w", i+1, k+1, err)
			}
		}
	}
	return nil
}

// shares are the columns' parts of the whole, together 1.
func (t Table) shares() []float64 {
	shares := make([]float64, len(t.Columns))
	largest := 0.0
	for i, c := range t.Columns {
		if shares[i] = c.Width; c.Width == 0 {
			shares[i] = 1
		}
		largest = max(largest, shares[i])
	}
	sum := 0.0
	for i := range shares {
		shares[i] /= largest // so that the sum cannot overflow
		sum += shares[i]
	}
	for i := range shares {
		shares[i] /= sum
	}
	return shares
}

func (s Steps) check() error {
	if s.First < 0 || len(s.Items) == 0 {
		return errors.New("steps count from 1, and there is one at least")
	}
	for i, step := range s.Items {
		if blank(step.Do) {
			return fmt.Errorf("step %d does not say what to do", i+1)
		}
	}
	return nil
}

func (c Checks) check() error {
	for i, item := range c {
		if blank(item.Text) || item.Mark >= marks {
			return fmt.Errorf("check %d has no text or no such mark", i+1)
		}
	}
	return nil
}

func (c Callout) check() error {
	if c.Kind >= kinds || len(c.Text) == 0 {
		return errors.New("a callout needs a kind and a text")
	}
	return List(c.Text).check()
}

func (s Signatures) check() error {
	for i, one := range s {
		if blank(one.Role) {
			return fmt.Errorf("signature %d does not say as whom", i+1)
		}
	}
	return nil
}

func (p Picture) check() error { return p.Figure.Check() }

func (s Sources) check() error {
	for i, source := range s {
		if blank(source.Title) || blank(source.Checked) {
			return fmt.Errorf("source %d has no title, or does not say how it was verified", i+1)
		}
	}
	return nil
}

// Paper is a size of paper.
type Paper uint8

// The papers.
const (
	A4     Paper = iota // ISO 216, 210 mm by 297 mm
	Letter              // 8.5 in by 11 in, 215.9 mm by 279.4 mm
	papers
)

// Papers has every paper.
var Papers = []Paper{A4, Letter}

// size is width and height in millimetres.
//
// Source: CSS Paged Media Module Level 3, section 7.1, page sizes A4 and letter (second-hand).
func (p Paper) size() (width, height float64) {
	if p == Letter {
		return 8.5 * 25.4, 11 * 25.4
	}
	return 210, 297
}

// String is the name of the paper.
func (p Paper) String() string {
	if p == Letter {
		return "Letter"
	}
	return "A4"
}

// ParsePaper reads a name, in upper or lower case.
func ParsePaper(name string) (Paper, error) {
	for _, p := range Papers {
		if strings.EqualFold(name, p.String()) {
			return p, nil
		}
	}
	return 0, fmt.Errorf("there is no paper %q: take A4 or Letter", name)
}

func (p Paper) check() error {
	if p >= papers {
		return errors.New("there is no such paper")
	}
	return nil
}

// check refuses words that leave one out.
func (w *Words) check() error {
	v := reflect.ValueOf(*w)
	for i := range v.NumField() {
		if blank(v.Field(i).String()) {
			return fmt.Errorf("the words of the form lack %s", v.Type().Field(i).Name)
		}
	}
	return nil
}

func (d *Document) words() *Words {
	if d.Words == nil {
		return &English
	}
	return d.Words
}

// String is the name of the kind, as the style sheet knows it.
func (k Kind) String() string {
	return [kinds]string{"note", "caution", "warning", "danger"}[k]
}
