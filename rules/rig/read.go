package rig

import (
	"encoding/json"
	"slices"
	"strings"
	"unicode/utf8"

	"drawgear/rules/quantity"
)

// read reads a document with which nothing is wrong, in one pass from its text into
// a rig. If ok is false something may be wrong with it; Decode then reads it as a
// tree, to say what. Words and texts of the rig share the memory of one copy of the
// document.
func read(data []byte) (r *Rig, ok bool) {
	if len(data) > MaxBytes || !utf8.Valid(data) {
		return nil, false
	}
	in := reader{text: string(data), rig: newRig()}
	in.section(document)
	in.next()
	if in.odd || in.at < len(in.text) {
		return nil, false
	}
	d := decoder{rig: in.rig}
	r, err := d.finish()
	return r, err == nil
}

// reader walks through the text of a document, and stops where it is not what a
// document may be.
type reader struct {
	text string
	at   int
	odd  bool // it is not, or may not be; nothing that was read counts then
	rig  *Rig
	seen [4]uint64 // the nodes that stand in the document, by number
}

// node is what a name leads to: a section, a field, or one of the lists that are
// read in a way of their own.
type node struct {
	number int
	names  map[string]*node // of a section
	field  *Field
	list   func(*reader)
}

// document is the section that holds all others.
var document = func() *node {
	count := 0
	enter := func(under *node, name string) *node {
		n := under.names[name]
		if n == nil {
			n = &node{number: count, names: map[string]*node{}}
			under.names[name] = n
			count++
		}
		return n
	}
	root := &node{names: map[string]*node{}}
	for i := range fields {
		if fields[i].Derived() {
			continue
		}
		n := root
		for name := range strings.SplitSeq(fields[i].Path, ".") {
			n = enter(n, name)
		}
		n.field = &fields[i]
	}
	enter(root, "jurisdiction").list = (*reader).jurisdiction
	enter(root, "parts").list = (*reader).parts
	enter(enter(root, "vehicle"), "items").list = func(r *reader) { r.rig.VehicleItems = r.items("behind_front_axle") }
	enter(enter(root, "trailer"), "items").list = func(r *reader) { r.rig.TrailerItems = r.items("behind_coupling") }
	if count > 64*len(reader{}.seen) {
		panic("rig: there are more fields than a reader can mark")
	}
	return root
}()

func (r *reader) section(n *node) {
	for more := r.open('{', '}'); more; more = r.more('}') {
		is := n.names[r.name()]
		if is == nil || r.odd {
			r.odd = true
			return
		}
		word, bit := is.number/64, uint64(1)<<(is.number%64)
		if r.seen[word]&bit != 0 {
			r.odd = true
			return
		}
		r.seen[word] |= bit
		switch {
		case is.field != nil:
			r.field(is.field)
		case is.list != nil:
			is.list(r)
		default:
			r.section(is)
		}
	}
}

func (r *reader) field(f *Field) {
	switch f.Kind {
	case KindQuantity:
		q := r.quantity(f.Dim)
		r.odd = r.odd || f.NotZero && q.Base() == 0
		r.rig.set(f.ID, q)
	case KindBool:
		r.rig.setBool(f.ID, r.truth())
	case KindCount:
		r.rig.values[f.ID] = Value{Known: true, Num: int64(r.count(maxCount))}
	case KindWord:
		r.rig.values[f.ID] = Value{Known: true, Word: r.oneOf(f.Words)}
	case KindText:
		r.rig.values[f.ID] = Value{Known: true, Word: r.plain()}
	case KindDate:
		day, err := ParseDay(r.plain())
		r.odd = r.odd || err != nil
		r.rig.values[f.ID] = Value{Known: true, Num: int64(day)}
	case KindWords:
		r.rig.setWords(f.ID, entries(r, MaxList, func() string { return r.oneOf(f.Words) }))
	case KindCounts:
		r.rig.setCounts(f.ID, entries(r, MaxList, func() int { return r.count(maxCount) }))
	case KindMasses:
		qs := entries(r, MaxList, func() quantity.Quantity { return r.quantity(f.Dim) })
		r.odd = r.odd || len(qs) == 0
		r.rig.setMasses(f.ID, qs)
	}
}

// entries reads a list of at most so many entries.
func entries[T any](r *reader, most int, one func() T) []T {
	out := []T{}
	for more := r.open('[', ']'); more; more = r.more(']') {
		if len(out) == most {
			r.odd = true
			break
		}
		if cap(out) == 0 {
			out = make([]T, 0, 8) // most lists are short
		}
		if out = append(out, one()); r.odd {
			break
		}
	}
	return out
}

func (r *reader) jurisdiction() {
	r.rig.Jurisdiction = r.plain()
	r.odd = r.odd || !ValidJurisdiction(r.rig.Jurisdiction)
}

func (r *reader) parts() {
	r.rig.PartsKnown = true
	if parts := entries(r, MaxParts, r.part); len(parts) > 0 {
		r.rig.Parts = parts
	}
}

func (r *reader) part() Part {
	p, seen := Part{Count: 1}, uint32(0)
	for more := r.open('{', '}'); more; more = r.more('}') {
		i, known := partByName[r.name()]
		if !known || seen>>i&1 != 0 {
			r.odd = true
			break
		}
		seen |= 1 << i
		switch f := &partTable[i]; {
		case f.amount != nil:
			*f.amount(&p) = r.quantity(f.dim)
		case f.count != nil:
			*f.count(&p) = r.count(f.most)
		case f.words != nil:
			*f.text(&p) = r.oneOf(f.words)
		default:
			*f.text(&p) = r.plain()
		}
	}
	r.odd = r.odd || p.Role == "" || p.strengthTwice()
	return p
}

func (r *reader) items(place string) []Item {
	return entries(r, maxItems, func() Item {
		var it Item
		var name, mass, at bool
		once := func(seen *bool) {
			r.odd = r.odd || *seen
			*seen = true
		}
		for more := r.open('{', '}'); more; more = r.more('}') {
			switch r.name() {
			case "name":
				once(&name)
				it.Name = r.plain()
			case "mass":
				once(&mass)
				it.Mass = r.quantity(quantity.Mass)
			case place:
				once(&at)
				it.At = r.quantity(quantity.Length)
			default:
				r.odd = true
			}
		}
		return it
	})
}

func (r *reader) quantity(dim quantity.Dimension) quantity.Quantity {
	q, err := quantity.Parse(dim, r.string())
	r.odd = r.odd || err != nil
	return q
}

// plain reads a text that is neither too long nor holds what cannot be shown.
func (r *reader) plain() string {
	s := r.string()
	fault, _ := unfit(s)
	r.odd = r.odd || fault != ""
	return s
}

func (r *reader) oneOf(words []string) string {
	s := r.string()
	r.odd = r.odd || !slices.Contains(words, s)
	return s
}

func (r *reader) truth() bool {
	for _, word := range [...]string{"true", "false"} {
		if r.next(); strings.HasPrefix(r.text[r.at:], word) {
			r.at += len(word) // what follows is looked at by more
			return word == "true"
		}
	}
	r.odd = true
	return false
}

// count reads a whole number of at most so much, below 1000.
func (r *reader) count(most int) int {
	if r.next() == '-' { // of zero alone
		r.at++
		most = 0
	}
	from, n := r.at, 0
	for r.at < len(r.text) && r.at < from+4 && '0' <= r.text[r.at] && r.text[r.at] <= '9' {
		n = 10*n + int(r.text[r.at]-'0')
		r.at++
	}
	r.odd = r.odd || r.at == from || n > most || r.at > from+1 && r.text[from] == '0'
	return n
}

// next skips space and gives the byte that follows it, 0 at the end.
func (r *reader) next() byte {
	for ; r.at < len(r.text); r.at++ {
		switch c := r.text[r.at]; c {
		case ' ', '\t', '\n', '\r':
		default:
			return c
		}
	}
	return 0
}

// open steps over what opens members, and reports whether there is one.
func (r *reader) open(opening, closing byte) bool {
	if r.next() != opening {
		r.odd = true
		return false
	}
	r.at++
	if r.next() == closing {
		r.at++
		return false
	}
	return true
}

// more steps over what parts or closes members, and reports whether one follows.
func (r *reader) more(closing byte) bool {
	c := r.next()
	r.odd = r.odd || c != ',' && c != closing
	r.at++
	return c == ',' && !r.odd
}

// name reads the name of a member, up to its value.
func (r *reader) name() string {
	s := r.string()
	r.odd = r.odd || r.next() != ':'
	r.at++
	return s
}

func (r *reader) string() string {
	if r.next() != '"' {
		r.odd = true
		return ""
	}
	from := r.at
	for r.at++; r.at < len(r.text); r.at++ {
		switch c := r.text[r.at]; {
		case c == '"':
			r.at++
			return r.text[from+1 : r.at-1]
		case c == '\\':
			return r.escaped(from)
		case c < ' ':
			r.odd = true
			return ""
		}
	}
	r.odd = true
	return ""
}

// escaped reads a string from its beginning, the first escape of which is come to.
func (r *reader) escaped(from int) string {
	for ; r.at < len(r.text); r.at++ {
		switch r.text[r.at] {
		case '\\':
			r.at++
		case '"':
			r.at++
			var s string
			r.odd = r.odd || json.Unmarshal([]byte(r.text[from:r.at]), &s) != nil
			return s
		}
	}
	r.odd = true
	return ""
}
