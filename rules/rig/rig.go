package rig

import (
	"fmt"
	"strings"
	"time"

	"drawgear/rules/quantity"
)

// Value is one fact as rules read it. The zero Value is an unknown fact.
type Value struct {
	Known bool
	Num   int64  // base units of a quantity, a count, 0 or 1, or a day number
	Word  string // for KindWord and KindText
}

// Day is a calendar day as the number of days since 1970-01-01.
type Day int32

// ParseDay reads a day written 2006-01-02 between the years 1900 and 2199.
func ParseDay(text string) (Day, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return 0, fmt.Errorf("write a day as year-month-day, for example 2026-11-25")
	}
	if y := t.Year(); y < 1900 || y > 2199 {
		return 0, fmt.Errorf("the year must lie between 1900 and 2199")
	}
	return DayOf(t), nil
}

// DayOf is the calendar day of a time in UTC.
func DayOf(t time.Time) Day { return Day(t.Unix() / 86400) }

// String writes the day as 2006-01-02.
func (d Day) String() string {
	return time.Unix(int64(d)*86400, 0).UTC().Format(time.DateOnly)
}

// Part is one rated thing in the load path or the brake system.
type Part struct {
	Role          string
	RatedMass     quantity.Quantity // working rating as a mass
	BreakingMass  quantity.Quantity // breaking strength as a mass
	BreakingForce quantity.Quantity // breaking strength as a force
	RatedBall     quantity.Quantity // static vertical rating
	DValue        quantity.Quantity // D-value, a force
	DcValue       quantity.Quantity // Dc-value, a force
	VValue        quantity.Quantity // V-value, a force
	WorkingLoad   quantity.Quantity // working load limit of a shackle or chain, a mass
	LeastMass     quantity.Quantity // the least trailer mass for which an overrun device is made
	Size          quantity.Quantity // ball diameter, link or wire diameter
	Grade         string            // marking or grade of steel
	LoadIndex     int               // of a tyre fitted singly; 0 if not given
	LoadIndexDual int               // of a tyre fitted in twins; 0 if not given
	SpeedSymbol   string            // of a tyre
	On            string            // vehicle or trailer; empty if not given
	Axle          int               // on which axle, counted from the front; 0 if not given
	Count         int               // how many alike; 1 if left out
}

// Item is something carried, with its place along the vehicle or trailer.
type Item struct {
	Name string
	Mass quantity.Quantity // zero if not given
	At   quantity.Quantity // distance back from the coupling, or from the front axle of the vehicle; zero if not given
}

// Rig is a decoded rig document. It is not changed after decoding and may be
// shared between goroutines.
type Rig struct {
	Jurisdiction string // ISO 3166 code as given; may be empty in examples
	Parts        []Part
	PartsKnown   bool   // the document has a parts list
	TrailerItems []Item // what is loaded on the empty trailer; its tare and these make its laden mass
	VehicleItems []Item // what is to be loaded on the vehicle beside what it weighs now
	Sets         map[ID][]string

	values     []Value
	quantities []quantity.Quantity // as entered, for print; indexed like values
	lists      map[ID][]quantity.Quantity
	counts     map[ID][]int
	workings   []working // of what was worked out, and of estimates
	derivedBy  []uint8   // indexed like values: the place of its working, counted from 1; 0 for what was not worked out
	told       *telling
}

// Get returns the fact, or an unknown Value.
func (r *Rig) Get(id ID) Value { return r.values[id] }

// Quantity returns the fact in the unit in which it was entered.
func (r *Rig) Quantity(id ID) (quantity.Quantity, bool) {
	return r.quantities[id], r.values[id].Known && !r.quantities[id].IsZero()
}

// Bool returns a true-or-false fact.
func (r *Rig) Bool(id ID) (value, known bool) {
	v := r.values[id]
	return v.Num != 0, v.Known
}

// Set returns a list of words, and whether it is known.
func (r *Rig) Set(id ID) ([]string, bool) {
	s, ok := r.Sets[id]
	return s, ok
}

// Masses returns the entries of a list of masses, in the units in which they were
// entered; none if it is not known.
func (r *Rig) Masses(id ID) []quantity.Quantity { return r.lists[id] }

// Text prints a known fact for people and for the inputs of a finding.
func (r *Rig) Text(id ID) string {
	f, v := &fields[id], r.values[id]
	if !r.known(id) {
		return "unknown"
	}
	switch f.Kind {
	case KindWords:
		return strings.Join(r.Sets[id], ", ")
	case KindCounts:
		return strings.Trim(fmt.Sprint(r.counts[id]), "[]")
	case KindMasses:
		texts := make([]string, len(r.lists[id]))
		for i, q := range r.lists[id] {
			texts[i] = q.Text()
		}
		return strings.Join(texts, ", ")
	case KindQuantity:
		return r.quantities[id].Text()
	case KindBool:
		if v.Num != 0 {
			return "yes"
		}
		return "no"
	case KindDate:
		return Day(v.Num).String()
	case KindWord, KindText:
		return v.Word
	default:
		return fmt.Sprint(v.Num)
	}
}

// Derivation is a figure worked out from others.
type Derivation struct {
	Figure     string  `json:"figure"`               // dotted path of the fact
	Value      string  `json:"value"`                // with unit
	Formula    string  `json:"formula"`              // in facts' names
	Inputs     []Input `json:"inputs"`               // what went in
	Assumption string  `json:"assumption,omitempty"` // set when the figure is only an estimate: it then decides nothing
}

// Input is one entered figure behind a result.
type Input struct {
	Pointer string `json:"pointer"`
	Value   string `json:"value"`
}

// Derivations lists the figures worked out for this rig, in table order of
// their formulas; estimates (with an assumption) come last. The result must not be
// changed.
func (r *Rig) Derivations() []Derivation {
	r.told.once.Do(func() { r.told.all = r.tell() })
	return r.told.all
}

// Inputs returns the entered figures on which a fact rests: itself if it was
// entered, the inputs of its formula if it was derived.
func (r *Rig) Inputs(id ID) []Input {
	if r.derived(id) {
		return r.Derivations()[r.derivedBy[id]-1].Inputs
	}
	return r.entry(id)
}

// derived reports whether the fact was worked out.
func (r *Rig) derived(id ID) bool { return r.derivedBy[id] > 0 }

// entry is a fact as it was entered, none if it is not known.
func (r *Rig) entry(id ID) []Input {
	if !r.known(id) {
		return nil
	}
	return []Input{{Pointer: fields[id].Pointer, Value: r.Text(id)}}
}

func (r *Rig) known(id ID) bool {
	switch fields[id].Kind {
	case KindWords:
		_, ok := r.Sets[id]
		return ok
	case KindMasses:
		_, ok := r.lists[id]
		return ok
	case KindCounts:
		_, ok := r.counts[id]
		return ok
	default:
		return r.values[id].Known
	}
}

// Known reports whether the fact was entered or derived.
func (r *Rig) Known(id ID) bool { return r.known(id) }

// WithDay returns the rig asked about another day.
func (r *Rig) WithDay(d Day) *Rig {
	if v := r.values[asOf]; v.Known && v.Num == int64(d) {
		return r
	}
	c := *r
	c.values = append([]Value(nil), r.values...)
	c.values[asOf] = Value{Known: true, Num: int64(d)}
	return &c
}

// AsOf returns the day whose law is asked for.
func (r *Rig) AsOf() (Day, bool) {
	v := r.values[asOf]
	return Day(v.Num), v.Known
}

var asOf = must("as_of")
