package rig

import (
	"fmt"

	"drawgear/rules/quantity"
)

// NewDraft is a rig of which nothing is known yet, to be put together fact by fact,
// each of them once: what FromTree makes of a document, without the document.
func NewDraft() *Draft { return &Draft{rig: newRig()} }

// Rig is the rig as it was put together. It accepts what a document that says the
// same could hold, and nothing else; but only a document has places at which to say
// what is wrong. The draft must not be used again.
func (d *Draft) Rig() (*Rig, error) {
	dec := &decoder{rig: d.rig, issues: d.issues}
	return dec.finish()
}

// Place sets the jurisdiction.
func (d *Draft) Place(code string) {
	if !ValidJurisdiction(code) {
		d.issues = append(d.issues, Issue{"/jurisdiction", CodeBadValue, "not an ISO 3166 code", "For example AU-NSW, GB, US-CA."})
		return
	}
	d.rig.Jurisdiction = code
}

// Text sets free text.
func (d *Draft) Text(id ID, text string) {
	if d.fits(id, KindText) && d.plain(fields[id].Pointer, text) {
		d.rig.values[id] = Value{Known: true, Word: text}
	}
}

// plain holds a text to what a document may hold.
func (d *Draft) plain(pointer, text string) bool {
	if text == "" {
		return true
	}
	dec := decoder{rig: d.rig, issues: d.issues}
	_, ok := dec.text(pointer, text)
	d.issues = dec.issues
	return ok
}

// Day sets a day.
func (d *Draft) Day(id ID, day Day) {
	if d.fits(id, KindDate) {
		d.rig.values[id] = Value{Known: true, Num: int64(day)}
	}
}

// Words sets a list of words of the field's closed list.
func (d *Draft) Words(id ID, words []string) {
	switch {
	case !d.fits(id, KindWords):
		return
	case len(words) > MaxList:
		d.refuse(id, CodeLimit, "the list is too long")
		return
	}
	list := make([]string, 0, len(words))
	for _, word := range words {
		if i := d.permitted(id, word); i >= 0 {
			list = append(list, fields[id].Words[i])
		}
	}
	d.rig.setWords(id, list)
}

// Masses sets a list of amounts of the field's dimension, one at least.
func (d *Draft) Masses(id ID, list []quantity.Quantity) {
	if !d.fits(id, KindMasses) {
		return
	}
	if len(list) == 0 || len(list) > MaxList {
		d.refuse(id, CodeLimit, "the list is empty or too long")
		return
	}
	for _, q := range list {
		if q.Dimension() != fields[id].Dim || q.Base() < 0 || q.Base() > fields[id].Dim.Max() {
			d.refuse(id, CodeBadQuantity, fmt.Sprintf("%s cannot hold %q", fields[id].Path, q))
		}
	}
	d.rig.setMasses(id, append([]quantity.Quantity(nil), list...))
}

// AddPart adds an entry to the list of parts. Its amounts must be of their
// dimensions, as quantity.Parse gives them.
func (d *Draft) AddPart(p Part) {
	role, on := wordIn(PartRoles, p.Role), wordIn(PlaceWords, p.On)
	why := ""
	switch {
	case role == "":
		why = "a part must say what it is"
	case p.On != "" && on == "":
		why = "it sits on vehicle or trailer"
	case p.Count < 0 || p.Count > maxCount || p.Axle < 0 || p.Axle > maxCount || p.LoadIndex < 0 || p.LoadIndex > maxLoadIndex || p.LoadIndexDual < 0 || p.LoadIndexDual > maxLoadIndex:
		why = "a number is out of range"
	case !p.BreakingMass.IsZero() && !p.BreakingForce.IsZero():
		why = "breaking strength stands twice"
	case len(d.rig.Parts) == MaxParts:
		why = "the list is too long"
	case !d.plain("/parts", p.Grade), !d.plain("/parts", p.SpeedSymbol):
		return
	}
	if why != "" {
		d.issues = append(d.issues, Issue{"/parts", CodeBadValue, why, "Set it to what a document could hold."})
		return
	}
	if d.rig.Parts == nil {
		d.rig.Parts = make([]Part, 0, usualParts)
	}
	p.Role, p.On = role, on
	d.rig.Parts, d.rig.PartsKnown = append(d.rig.Parts, p), true
}

// usualParts is how many parts there is room for at first.
const usualParts = 6

// wordIn is the word as the list has it, or nothing.
func wordIn(list []string, word string) string {
	for _, w := range list {
		if w == word {
			return w
		}
	}
	return ""
}
