package rig

import (
	"fmt"
	"maps"
	"slices"

	"drawgear/rules/quantity"
)

// Draft is a rig being changed, see With, or put together, see NewDraft. What is set
// is as if it had been entered, and what follows from it is worked out anew.
type Draft struct {
	rig    *Rig
	issues Issues
}

// With returns the rig with some of its entered figures changed. The rig itself
// is left as it is. What cannot be, alone or beside the rest, is refused as a
// document would be: the error is then Issues.
func (r *Rig) With(change func(*Draft)) (*Rig, error) {
	c := *r
	c.values, c.quantities = slices.Clone(r.values), slices.Clone(r.quantities)
	c.Sets, c.lists, c.counts = maps.Clone(r.Sets), maps.Clone(r.lists), maps.Clone(r.counts)
	c.Parts = slices.Clone(r.Parts)
	c.workings, c.derivedBy, c.told = nil, make([]uint8, len(fields)), new(telling)
	for id, by := range r.derivedBy {
		if by > 0 {
			c.values[id], c.quantities[id] = Value{}, quantity.Quantity{}
		}
	}
	draft := &Draft{rig: &c}
	change(draft)
	return draft.Rig()
}

// Entered reports whether the fact stands in the document, not worked out from
// others.
func (r *Rig) Entered(id ID) bool {
	return r.known(id) && !r.derived(id)
}

func (d *Draft) refuse(id ID, code, why string) {
	d.issues = append(d.issues, Issue{fields[id].Pointer, code, why, "Set it to what a document could hold."})
}

// fits holds a change to the table: facts that are only ever worked out cannot
// be set, and each is set as what it is.
func (d *Draft) fits(id ID, kinds ...Kind) bool {
	f := &fields[id]
	switch {
	case f.Derived():
		d.issues = append(d.issues, Issue{"", CodeUnknownField, f.Path + " is worked out, not entered", "Set what it follows from."})
	case !slices.Contains(kinds, f.Kind):
		d.refuse(id, CodeWrongType, f.Path+" is not of this kind")
	default:
		return true
	}
	return false
}

// Quantity sets an amount, of the field's dimension and within its range.
func (d *Draft) Quantity(id ID, q quantity.Quantity) {
	switch {
	case !d.fits(id, KindQuantity):
	case q.Dimension() != fields[id].Dim || q.Base() < 0 || q.Base() > fields[id].Dim.Max() || fields[id].NotZero && q.Base() == 0:
		d.refuse(id, CodeBadQuantity, fmt.Sprintf("%s cannot be %q", fields[id].Path, q))
	default:
		d.rig.set(id, q)
	}
}

// Bool sets a true-or-false fact.
func (d *Draft) Bool(id ID, x bool) {
	if d.fits(id, KindBool) {
		d.rig.setBool(id, x)
	}
}

// Word sets a word of the field's closed list.
func (d *Draft) Word(id ID, word string) {
	if d.fits(id, KindWord) {
		if i := d.permitted(id, word); i >= 0 {
			d.rig.values[id] = Value{Known: true, Word: fields[id].Words[i]}
		}
	}
}

// permitted is the place of a word in the field's closed list, or -1.
func (d *Draft) permitted(id ID, word string) int {
	i := slices.Index(fields[id].Words, word)
	if i < 0 {
		d.refuse(id, CodeBadValue, fmt.Sprintf("%q is not one of the permitted words", word))
	}
	return i
}

// Count sets a whole number.
func (d *Draft) Count(id ID, n int) {
	switch {
	case !d.fits(id, KindCount):
	case n < 0 || n > maxCount:
		d.refuse(id, CodeBadValue, fmt.Sprintf("%d is out of range", n))
	default:
		d.rig.values[id] = Value{Known: true, Num: int64(n)}
	}
}

// Counts sets a list of whole numbers.
func (d *Draft) Counts(id ID, ns []int) {
	switch {
	case !d.fits(id, KindCounts):
	case len(ns) > MaxList || slices.ContainsFunc(ns, func(n int) bool { return n < 0 || n > maxCount }):
		d.refuse(id, CodeBadValue, fmt.Sprintf("%v are too many, or out of range", ns))
	default:
		d.rig.setCounts(id, append([]int{}, ns...))
	}
}

// Forget takes figures out of the document; one that follows from others is
// worked out again.
func (d *Draft) Forget(ids ...ID) {
	for _, id := range ids {
		d.rig.values[id], d.rig.quantities[id] = Value{}, quantity.Quantity{}
		delete(d.rig.Sets, id)
		delete(d.rig.lists, id)
		delete(d.rig.counts, id)
	}
}

// Part changes an entry of the parts list in place.
func (d *Draft) Part(i int, change func(*Part)) { change(&d.rig.Parts[i]) }
