package rig

import (
	"slices"
	"strings"

	"drawgear/rules/quantity"
)

// Notes is a rig with what is being written about it: how a fact prints is worked
// out once, and texts and lists share a few pieces of memory, which live as long as
// any of them. It serves one goroutine and must not be copied once it is written to.
type Notes struct {
	*Rig
	Term  func(ID) string // names a fact in the words of the place
	texts []string        // of known facts, by ID; empty if not asked for yet
	text  strings.Builder
	list  []Input
}

// Begin makes ready for another rig. What was written stays as it is.
func (n *Notes) Begin(r *Rig, term func(ID) string) {
	n.Rig, n.Term, n.text, n.list = r, term, strings.Builder{}, nil
	clear(n.texts)
}

// Pieces of memory are made for so much at a time.
const (
	textPiece = 8 << 10
	listPiece = 128
)

// Join writes the parts one after the other.
func (n *Notes) Join(parts ...string) string {
	size := 0
	for _, p := range parts {
		size += len(p)
	}
	n.room(size)
	from := n.text.Len()
	for _, p := range parts {
		n.text.WriteString(p)
	}
	return n.text.String()[from:]
}

// Amount writes an amount for people to read.
func (n *Notes) Amount(q quantity.Quantity) string {
	var buf [64]byte
	text := q.AppendReadable(buf[:0])
	n.room(len(text))
	from := n.text.Len()
	n.text.Write(text)
	return n.text.String()[from:]
}

// room begins another piece if the text does not fit into this one. What was
// written keeps the piece that it is in.
func (n *Notes) room(size int) {
	if n.text.Cap()-n.text.Len() < size {
		n.text = strings.Builder{}
		n.text.Grow(max(size, textPiece))
	}
}

// Text is the text of a fact, as Rig gives it.
func (n *Notes) Text(id ID) string {
	if n.texts == nil {
		n.texts = make([]string, len(fields))
	}
	if n.texts[id] == "" {
		if fields[id].Kind == KindQuantity && n.values[id].Known {
			n.texts[id] = n.Amount(n.quantities[id])
		} else {
			n.texts[id] = n.Rig.Text(id)
		}
	}
	return n.texts[id]
}

// With lists the inputs given and those on which the facts rest, of the latter each
// once.
func (n *Notes) With(given []Input, ids ...ID) []Input {
	if cap(n.list)-len(n.list) < len(given)+len(ids) || n.list == nil {
		n.list = make([]Input, 0, max(listPiece, 2*(len(given)+len(ids))))
	}
	from := len(n.list)
	n.list = append(n.list, given...)
	add := func(in Input) {
		if !slices.Contains(n.list[from:], in) {
			n.list = append(n.list, in)
		}
	}
	for _, id := range ids {
		if n.derived(id) {
			for _, in := range n.Inputs(id) {
				add(in)
			}
		} else if n.known(id) {
			add(Input{Pointer: fields[id].Pointer, Value: n.Text(id)})
		}
	}
	return n.list[from:len(n.list):len(n.list)]
}

// Initial is the first letter of a text as it begins a sentence.
func Initial(s string) string {
	const letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	if c := s[0]; 'a' <= c && c <= 'z' {
		return letters[c-'a' : c-'a'+1]
	} else if c < 0x80 {
		return s[:1]
	}
	return strings.ToUpper(s[:1])
}
