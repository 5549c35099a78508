package fleet

import (
	"strconv"
	"strings"

	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// partHere is a part of the row at hand, if there is one.
type partHere struct {
	rig.Part
	there bool
}

// quickly makes the rig of the row at hand straight from its cells, if nothing is
// wrong with them. If ok is false something may be, or there are cells that are not
// read in this way, and slowly goes on to say what.
func (t *table) quickly(row *Row) (r *rig.Rig, ok bool) {
	d, all := rig.NewDraft(), string(t.text)
	clear(t.here)
	for i := range t.cells {
		col, text := &t.columns[i], all[t.cells[i].start:t.cells[i].end]
		trimmed := strings.TrimSpace(text)
		if col.slot.group == skipped || trimmed == "" {
			continue
		}
		if col.slot.kind != rig.KindText {
			text = trimmed
		}
		switch col.slot.group {
		case ids:
			if ok = idFault(trimmed) == nil; ok {
				row.name(col.slot.path, unguard(trimmed))
			}
		case facts:
			ok = t.enter(d, col, text)
		case parts:
			p := &t.here[col.part]
			if !p.there {
				*p = partHere{rig.Part{Role: col.slot.role, Count: 1}, true}
			}
			ok = t.enterPart(&p.Part, col, text)
		default:
			ok = false
		}
		if !ok {
			return nil, false
		}
	}
	for i := range t.here {
		if t.here[i].there {
			d.AddPart(t.here[i].Part)
		}
	}
	r, err := d.Rig()
	return r, err == nil
}

// enter reads a fact; what it cannot be, the draft refuses.
func (t *table) enter(d *rig.Draft, col *column, text string) bool {
	id := col.slot.id
	switch col.slot.kind {
	case rig.KindQuantity:
		q, ok := t.quantity(col, text)
		if ok {
			d.Quantity(id, q)
		}
		return ok
	case rig.KindBool:
		x, ok := truth(text)
		d.Bool(id, x)
		return ok
	case rig.KindCount:
		n, ok := number(text)
		d.Count(id, n)
		return ok
	case rig.KindWord:
		if id < 0 {
			d.Place(text)
		} else {
			d.Word(id, text)
		}
		return true
	case rig.KindText:
		d.Text(id, unguard(text))
		return true
	case rig.KindDate:
		day, err := rig.ParseDay(text)
		d.Day(id, day)
		return err == nil
	default:
		return t.enterList(d, col, text)
	}
}

// enterList reads a fact that is a list.
func (t *table) enterList(d *rig.Draft, col *column, text string) bool {
	var words []string
	if text != emptyList {
		for entry := range strings.SplitSeq(text, listMark) {
			words = append(words, strings.TrimSpace(entry))
		}
	}
	switch col.slot.kind {
	case rig.KindWords:
		d.Words(col.slot.id, words)
	case rig.KindCounts:
		list := make([]int, len(words))
		for i, word := range words {
			n, ok := number(word)
			if !ok {
				return false
			}
			list[i] = n
		}
		d.Counts(col.slot.id, list)
	case rig.KindMasses:
		list := make([]quantity.Quantity, len(words))
		for i, word := range words {
			q, ok := t.quantity(col, word)
			if !ok {
				return false
			}
			list[i] = q
		}
		d.Masses(col.slot.id, list)
	default:
		return false
	}
	return true
}

// enterPart reads a field of a part.
func (t *table) enterPart(p *rig.Part, col *column, text string) (ok bool) {
	name := col.slot.names[0]
	switch col.slot.kind {
	case rig.KindQuantity:
		*amountOf(p, name), ok = t.quantity(col, text)
	case rig.KindCount:
		*countOf(p, name), ok = number(text)
	case rig.KindText:
		*wordOf(p, name), ok = unguard(text), true
	default:
		*wordOf(p, name), ok = text, true
	}
	return ok
}

// quantity reads what amount reads.
func (t *table) quantity(col *column, text string) (quantity.Quantity, bool) {
	n, sign := 0, false
	for n < len(text) && ('0' <= text[n] && text[n] <= '9' || text[n] == '.' || text[n] == ',') {
		sign = sign || text[n] < '0'
		n++
	}
	number := text[:n]
	var fault *Fault
	if sign {
		number, fault = t.number(number)
	}
	switch {
	case fault != nil, col.unit != 0 && n < len(text):
		return quantity.Quantity{}, false
	case col.unit != 0:
		q, err := quantity.ParseIn(col.unit, number)
		return q, err == nil
	case number != text[:n]:
		text = number + text[n:]
	}
	q, err := quantity.Parse(col.slot.dim, text)
	return q, err == nil
}

// truth reads yes or no.
func truth(text string) (x, ok bool) {
	switch strings.ToLower(text) {
	case "true", "yes":
		return true, true
	case "false", "no":
		return false, true
	}
	return false, false
}

// number reads a whole number.
func number(text string) (int, bool) {
	if len(text) > 9 || strings.Trim(text, "0123456789") != "" {
		return 0, false
	}
	n, err := strconv.Atoi(text)
	return n, err == nil
}
