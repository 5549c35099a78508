package page

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"net/url"
	"strconv"
	"strings"

	"drawgear/api/figure"
)

//go:embed style.css
var baseStyle string

//go:embed page.tmpl
var templateText string

var templates = template.Must(template.New("").Parse(templateText))

// HTML is the document as a page of its own: no script, nothing from
// elsewhere, one style sheet, which prints on the paper. It is to be served under
// the ContentSecurityPolicy of the same paper.
func (d *Document) HTML(p Paper) ([]byte, error) {
	if err := p.check(); err != nil {
		return nil, fmt.Errorf("write document: %w", err)
	}
	if err := d.Check(); err != nil {
		return nil, fmt.Errorf("write document: %w", err)
	}
	v := &view{Document: d, W: d.words(), Style: template.CSS(styleSheet(p))}
	out, err := v.run("document", v)
	if err != nil {
		return nil, fmt.Errorf("write document: %w", err)
	}
	return []byte(clean(string(out))), nil
}

// ContentSecurityPolicy is the value of the header of that name for the HTML on the paper:
// nothing is allowed but the one style sheet, known by its hash.
func ContentSecurityPolicy(p Paper) string {
	return "default-src 'none'; style-src '" + StyleHash(p) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}

// StyleHash is the hash of the style sheet, as a content security policy takes it.
func StyleHash(p Paper) string {
	sum := sha256.Sum256([]byte(styleSheet(p)))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

func styleSheet(p Paper) string {
	var b strings.Builder
	b.WriteString(baseStyle)
	for percent := shareStep; percent <= 100; percent += shareStep {
		fmt.Fprintf(&b, ".w%d { width: %[1]d%%; }\n", percent)
	}
	fmt.Fprintf(&b, "@page { size: %s; margin: 16mm 18mm 20mm; @bottom-right { content: counter(page) \" / \" counter(pages); font: 8pt sans-serif; } }\n", p)
	return b.String()
}

// shareStep is how finely the style sheet knows the widths of columns, in
// percent: a width on the element itself would be an inline style, which the policy forbids.
const shareStep = 5

// view is what the templates see of a document.
type view struct {
	*Document
	W     *Words
	Style template.CSS
	ids   int
}

// blockView is what they see of a block.
type blockView struct {
	*view
	It any
}

func (v *view) run(name string, data any) (template.HTML, error) {
	var out bytes.Buffer
	if err := templates.ExecuteTemplate(&out, name, data); err != nil {
		return "", err
	}
	return template.HTML(out.String()), nil
}

// Block writes a block with the template of its kind.
func (v *view) Block(b Block) (template.HTML, error) {
	it := any(b)
	if t, ok := b.(Table); ok {
		it = tableView{t}
	}
	return v.run(b.template(), blockView{v, it})
}

// Pairs writes pairs.
func (v *view) Pairs(p []Pair) (template.HTML, error) { return v.Block(Pairs(p)) }

func (Paragraph) template() string  { return "paragraph" }
func (List) template() string       { return "list" }
func (Pairs) template() string      { return "pairs" }
func (Table) template() string      { return "table" }
func (Steps) template() string      { return "steps" }
func (Checks) template() string     { return "checks" }
func (Callout) template() string    { return "callout" }
func (Signatures) template() string { return "signatures" }
func (Picture) template() string    { return "picture" }
func (Sources) template() string    { return "sources" }

// tableView adds the classes of the columns to a table.
type tableView struct{ Table }

// Shares are the widths of the columns in percent, as the style sheet knows them.
func (t tableView) Shares() []int {
	shares := t.shares()
	percents := make([]int, len(shares))
	for i, share := range shares {
		percents[i] = max(1, int(share*100/shareStep+0.5)) * shareStep
	}
	return percents
}

// sectionView is what the templates see of a section.
type sectionView struct {
	*view
	In      Section
	Heading template.HTML
	Below   int // level of the headings within
}

// Section writes a section whose heading is of the level.
func (v *view) Section(s Section, level int) (template.HTML, error) {
	tag := "h" + strconv.Itoa(level)
	heading := template.HTML("<" + tag + ">" + template.HTMLEscapeString(s.Heading) + "</" + tag + ">")
	return v.run("section", sectionView{v, s, heading, level + 1})
}

// NewID is an id that nothing else on the page has.
func (v *view) NewID() string {
	v.ids++
	return "n" + strconv.Itoa(v.ids)
}

type fieldView struct {
	Text   string
	Status *statusView
}

type statusView struct {
	Symbol template.HTML
	Word   string
}

// Field is a text with its status.
func (v *view) Field(text string, s Status) (fieldView, error) {
	if s.Kind == NoStatus {
		return fieldView{Text: text}, nil
	}
	symbol, err := symbolHTML(statusSymbols[s.Kind])
	return fieldView{text, &statusView{symbol, v.W.status(s)}}, err
}

// Mark is the box of a check, and MarkWord what it says.
func (v *view) Mark(m Mark) (template.HTML, error) { return symbolHTML(markSymbols[m]) }

// MarkWord is the word for a mark.
func (v *view) MarkWord(m Mark) string { return v.W.mark(m) }

// Kind is the symbol of a callout.
func (v *view) Kind(k Kind) (template.HTML, error) { return symbolHTML(kindSymbols[k]) }

// KindWord is its word.
func (v *view) KindWord(k Kind) string { return v.W.kind(k) }

// Beware is the symbol of hazards and cautions.
func (v *view) Beware() (template.HTML, error) { return symbolHTML(beware) }

type placeView struct{ Name, Value, ToFillIn string }

// Place is a place to write at.
func (v *view) Place(name, value string) placeView { return placeView{name, value, v.W.ToFillIn} }

// Linked says whether an address is one to make a link of.
func (v *view) Linked(address string) bool {
	u, err := url.Parse(address)
	return err == nil && (u.Scheme == "https" || u.Scheme == "http") && u.Host != ""
}

// Drawing is a figure with its title and description.
func (v *view) Drawing(f figure.Figure) (template.HTML, error) {
	drawn, err := f.Inline(v.NewID())
	return template.HTML(strings.TrimSpace(string(drawn))), err
}

// symbolHTML is a symbol that stands beside its word.
func symbolHTML(f *figure.Figure) (template.HTML, error) {
	drawn, err := f.Symbol()
	return template.HTML(strings.TrimSpace(string(drawn))), err
}
