package law

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"go.yaml.in/yaml/v3"

	"drawgear/rules/duty"
)

// maxFaults bounds the faults that are reported of one document.
const maxFaults = 50

// maxNesting is deeper than any ruleset needs, and low enough for every reader.
const maxNesting = 32

// maxNames bounds the names in one mapping: the YAML reader compares each with
// every other.
const maxNames = 400

// Fault is one thing wrong with a ruleset document.
type Fault struct {
	Pointer string `json:"pointer,omitempty"` // JSON Pointer (RFC 6901), where it can be given
	Line    int    `json:"line,omitempty"`    // from 1; 0 where it is not known
	Column  int    `json:"column,omitempty"`
	Message string `json:"message"`
}

// Faults is the error of a refused document: at least one fault, in the order
// of the text as far as it was read.
type Faults []Fault

// Error lists the faults, a line each.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Message
		if f.Line > 0 {
			lines[i] = fmt.Sprintf("%d:%d: %s", f.Line, f.Column, f.Message)
		}
	}
	return strings.Join(lines, "\n")
}

// Pointer makes a JSON Pointer of keys and places in lists.
func Pointer(path ...any) string {
	var out strings.Builder
	for _, p := range path {
		out.WriteByte('/')
		out.WriteString(strings.NewReplacer("~", "~0", "/", "~1").Replace(fmt.Sprint(p)))
	}
	return out.String()
}

// placed is a fault that knows where in the document it is.
type placed struct {
	pointer string
	error
}

// Unwrap gives the fault without its place.
func (p *placed) Unwrap() error { return p.error }

// ParseDraft is Parse for a document that somebody just sent: whatever is wrong
// with it is told as Faults. Besides what Parse refuses it refuses anchors and
// aliases, which can make a short text a huge one, tags, and control characters,
// which no text of a ruleset needs and not every store and screen can take.
func ParseDraft(data []byte) (*Ruleset, error) {
	if len(data) > MaxBytes {
		return nil, Faults{{Message: fmt.Sprintf("the document is larger than %d bytes", MaxBytes)}}
	}
	var root yaml.Node
	if err := yaml.NewDecoder(bytes.NewReader(data)).Decode(&root); err != nil && !errors.Is(err, io.EOF) {
		return nil, faultsOf(err, nil)
	}
	if fs := plain(&root, 0, nil); fs != nil {
		return nil, fs
	}
	rs, err := Parse(data)
	if err != nil {
		return nil, faultsOf(err, &root)
	}
	return rs, nil
}

// Locate gives the faults their lines in the document that their pointers lead
// into.
func (fs Faults) Locate(data []byte) {
	var root yaml.Node
	if yaml.Unmarshal(data, &root) != nil {
		return
	}
	for i := range fs {
		fs[i].Line, fs[i].Column = find(&root, fs[i].Pointer)
	}
}

func plain(n *yaml.Node, depth int, fs Faults) Faults {
	fault := func(message string) {
		if len(fs) < maxFaults {
			fs = append(fs, Fault{Line: n.Line, Column: n.Column, Message: message})
		}
	}
	switch {
	case depth > maxNesting:
		fault("nested too deep")
		return fs
	case n.Kind == yaml.AliasNode || n.Anchor != "":
		fault("anchors and aliases are not used here")
		return fs
	case n.Style&yaml.TaggedStyle != 0:
		fault("tags are not used here")
	case n.Kind == yaml.MappingNode && len(n.Content) > 2*maxNames:
		fault(fmt.Sprintf("more than %d names in one place", maxNames))
		return fs
	case n.Kind == yaml.ScalarNode && strings.ContainsFunc(n.Value, forbidden):
		fault("control characters are not used here")
	}
	for _, k := range n.Content {
		fs = plain(k, depth+1, fs)
	}
	return fs
}

func forbidden(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }

// find follows a pointer as far as the document has what it names.
func find(root *yaml.Node, pointer string) (line, column int) {
	if root == nil || len(root.Content) == 0 {
		return 0, 0
	}
	n := root.Content[0]
	line, column = n.Line, n.Column
	for _, step := range strings.Split(pointer, "/")[1:] {
		step = strings.NewReplacer("~1", "/", "~0", "~").Replace(step)
		var next *yaml.Node
		switch n.Kind {
		case yaml.MappingNode:
			for i := 0; i+1 < len(n.Content); i += 2 {
				if n.Content[i].Value == step {
					line, column, next = n.Content[i].Line, n.Content[i].Column, n.Content[i+1]
				}
			}
		case yaml.SequenceNode:
			if i, err := strconv.Atoi(step); err == nil && i >= 0 && i < len(n.Content) {
				next = n.Content[i]
				line, column = next.Line, next.Column
			}
		}
		if next == nil {
			break
		}
		n = next
	}
	return line, column
}

var (
	lineForm = regexp.MustCompile(`^(?:yaml: )?line (\d+): `)
	// Of these, which its parser finds and not its scanner, the reader counts lines
	// from 0.
	parserForm = regexp.MustCompile(`^did not find expected (?:'[,-]|key|node content|<document)`)
	// What the reader calls our types is nobody's business.
	typeForm = regexp.MustCompile(` (?:in|into) (?:type )?[a-z]+\.[A-Z]\w*`)
)

// faultsOf takes the error of Parse apart.
func faultsOf(err error, root *yaml.Node) Faults {
	var several interface{ Unwrap() []error }
	var types *yaml.TypeError
	var at *placed
	switch {
	case errors.As(err, &at):
	case errors.As(err, &types):
		var fs Faults
		for _, text := range types.Errors {
			fs = append(fs, lineFault(text))
		}
		return fs
	default:
		return Faults{lineFault(err.Error())}
	}
	if !errors.As(err, &several) {
		return Faults{at.fault(root)}
	}
	var fs Faults
	for _, err := range several.Unwrap() {
		if errors.As(err, &at) {
			fs = append(fs, at.fault(root))
		}
	}
	return fs
}

func (p *placed) fault(root *yaml.Node) Fault {
	f := Fault{Pointer: p.pointer, Message: strings.ReplaceAll(p.Error(), "\n", "; ")}
	var own *duty.Error
	if errors.As(p.error, &own) && own.Line > 0 {
		f.Line, f.Column = own.Line, own.Column
		f.Message = strings.Replace(f.Message, fmt.Sprintf("%d:%d: ", own.Line, own.Column), "", 1)
		return f
	}
	f.Line, f.Column = find(root, p.pointer)
	return f
}

// lineFault reads the line out of a message of the YAML reader.
func lineFault(text string) Fault {
	text = strings.TrimPrefix(text, "read the ruleset: ")
	f := Fault{Message: typeForm.ReplaceAllString(text, "")}
	if m := lineForm.FindStringSubmatch(f.Message); m != nil {
		f.Line, _ = strconv.Atoi(m[1]) // digits, by the form
		f.Column = 1
		f.Message = f.Message[len(m[0]):]
		if parserForm.MatchString(f.Message) {
			f.Line++
		}
	}
	return f
}
