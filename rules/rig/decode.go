package rig

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"drawgear/rules/quantity"
)

// Decode reads a rig document in JSON. A document with anything wrong is
// refused whole: the error is then Issues.
func Decode(data []byte) (*Rig, error) {
	if r, ok := read(data); ok {
		return r, nil
	}
	tree, issues := parseJSON(data)
	if issues != nil {
		return nil, issues.sorted()
	}
	return FromTree(tree)
}

// FromTree reads a rig document already parsed into maps, lists, strings,
// json.Number or int, and bool, as the examples of a ruleset are.
func FromTree(tree map[string]any) (*Rig, error) {
	d := &decoder{rig: newRig()}
	d.object("", "", tree)
	return d.finish()
}

// finish works out what follows from what was entered, if that can stand together.
func (d *decoder) finish() (*Rig, error) {
	if d.issues == nil {
		d.contradictions()
	}
	if d.issues == nil {
		d.rig.derive()
		d.order()
	}
	if d.issues != nil {
		is := d.issues.sorted()
		return nil, is[:min(len(is), maxIssues)]
	}
	return d.rig, nil
}

type decoder struct {
	rig    *Rig
	issues Issues
}

func (d *decoder) add(ptr, code, msg, advice string) {
	d.issues = append(d.issues, Issue{ptr, code, msg, advice})
}

// sections are the objects of the document: every proper prefix of a path.
var sections = func() map[string][]string {
	m := map[string][]string{"": {"jurisdiction", "parts"}, "vehicle": {"items"}, "trailer": {"items"}}
	add := func(prefix, name string) {
		if !slices.Contains(m[prefix], name) {
			m[prefix] = append(m[prefix], name)
		}
	}
	for _, f := range fields {
		if f.Derived() {
			continue
		}
		names := strings.Split(f.Path, ".")
		for i := range names {
			add(strings.Join(names[:i], "."), names[i])
		}
	}
	return m
}()

func (d *decoder) object(path, ptr string, tree map[string]any) {
	names := make([]string, 0, len(tree))
	for name := range tree {
		names = append(names, name)
	}
	slices.Sort(names)
	var buf [64]byte
	for _, name := range names {
		// Most names are fields, of which place and path are in the table.
		key := append(buf[:0], path...)
		if path != "" {
			key = append(key, '.')
		}
		key = append(key, name...)
		if id, ok := byPath[string(key)]; ok && name != "" && !strings.Contains(name, ".") && !fields[id].Derived() && sections[string(key)] == nil {
			d.field(fields[id], fields[id].Pointer, tree[name])
			continue
		}
		v, at, full := tree[name], ptr+"/"+Escape(name), name
		if path != "" {
			full = path + "." + name
		}
		switch {
		case name == "" || strings.Contains(name, "."):
			// Either would be a second way to give a field, past the check for
			// repeats: an empty name looks like the document itself, a dotted
			// one like a path as rules write it.
			d.unknown(at, name, sections[path], false)
		case path == "" && name == "jurisdiction":
			d.jurisdiction(at, v)
		case path == "" && name == "parts":
			d.parts(at, v)
		case full == "vehicle.items":
			d.rig.VehicleItems = d.items(at, v, "behind_front_axle")
		case full == "trailer.items":
			d.rig.TrailerItems = d.items(at, v, "behind_coupling")
		case sections[full] != nil:
			m, ok := v.(map[string]any)
			if !ok {
				d.add(at, CodeWrongType, "must be an object", "It holds "+strings.Join(sections[full], ", ")+".")
				continue
			}
			d.object(full, at, m)
		default:
			f, ok := Lookup(full)
			if !ok || f.Derived() {
				d.unknown(at, name, sections[path], ok)
				continue
			}
			d.field(f, at, v)
		}
	}
}

func (d *decoder) unknown(at, name string, known []string, derived bool) {
	advice := "Remove it, or see the contract for the name that is meant."
	if derived {
		advice = "This figure is worked out, not entered."
	} else if near := closest(name, slices.Clone(known)); near != "" {
		advice = fmt.Sprintf("Did you mean %q?", near)
	}
	d.add(at, CodeUnknownField, "there is no such field", advice)
}

func (d *decoder) jurisdiction(at string, v any) {
	s, ok := d.text(at, v)
	if !ok {
		return
	}
	if !ValidJurisdiction(s) {
		d.add(at, CodeBadValue, "not an ISO 3166 code", "For example AU-NSW, GB, US-CA.")
		return
	}
	d.rig.Jurisdiction = s
}

// ValidJurisdiction reports whether the text has the form of an ISO 3166-1
// alpha-2 code, alone or with an ISO 3166-2 subdivision.
func ValidJurisdiction(s string) bool {
	country, sub, has := strings.Cut(s, "-")
	if len(country) != 2 || strings.Trim(country, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		return false
	}
	return !has || len(sub) >= 1 && len(sub) <= 3 && strings.Trim(sub, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789") == ""
}

func (d *decoder) text(at string, v any) (string, bool) {
	s, ok := v.(string)
	if !ok {
		d.add(at, CodeWrongType, "must be text", "Write it in quotes; leave the field out if it is not known.")
		return "", false
	}
	if code, why := unfit(s); code != "" {
		advice := "Use plain text."
		if code == CodeLimit {
			advice = fmt.Sprintf("At most %d characters.", MaxText)
		}
		d.add(at, code, why, advice)
		return "", false
	}
	return s, true
}

// unfit says what keeps a text from being one of a document, as the code of an
// issue and its message; nothing if it is fit.
func unfit(s string) (code, why string) {
	if len(s) > MaxText && utf8.RuneCountInString(s) > MaxText {
		return CodeLimit, "the text is too long"
	}
	for _, c := range s {
		if unicode.IsControl(c) {
			return CodeBadValue, "the text holds a control character"
		}
	}
	return "", ""
}

func (d *decoder) quantity(at string, dim quantity.Dimension, v any) (quantity.Quantity, bool) {
	s, ok := v.(string)
	if !ok {
		d.add(at, CodeWrongType, "must be text with a unit", fmt.Sprintf("For example \"%s\".", sample(dim)))
		return quantity.Quantity{}, false
	}
	q, err := quantity.Parse(dim, s)
	if err != nil {
		advice := fmt.Sprintf("For example \"%s\".", sample(dim))
		d.add(at, CodeBadQuantity, err.Error(), advice)
		return quantity.Quantity{}, false
	}
	return q, true
}

// sample is a well-formed text of the dimension, for advice.
func sample(dim quantity.Dimension) string {
	switch dim {
	case quantity.Mass:
		return "2000 kg"
	case quantity.Grade, quantity.Percentage:
		return "12 %"
	default:
		return "10 " + dim.BaseUnit().Symbol()
	}
}

func (d *decoder) count(at string, v any, most int) (int, bool) {
	var n int
	switch x := v.(type) {
	case int:
		n = x
	case json.Number:
		m, err := strconv.Atoi(x.String())
		if err != nil && !errors.Is(err, strconv.ErrRange) { // what is out of range is told below
			d.add(at, CodeWrongType, "must be a whole number", fmt.Sprintf("0 to %d.", most))
			return 0, false
		}
		n = m
	default:
		d.add(at, CodeWrongType, "must be a whole number", fmt.Sprintf("0 to %d.", most))
		return 0, false
	}
	if n < 0 || n > most {
		d.add(at, CodeBadValue, "out of range", fmt.Sprintf("0 to %d.", most))
		return 0, false
	}
	return n, true
}

func (d *decoder) oneOf(at string, v any, words []string) (string, bool) {
	s, ok := d.text(at, v)
	if !ok {
		return "", false
	}
	if !slices.Contains(words, s) {
		d.add(at, CodeBadValue, "not one of the permitted words", "One of "+strings.Join(words, ", ")+".")
		return "", false
	}
	return s, true
}

const maxCount = 100

func (d *decoder) field(f Field, at string, v any) {
	r := d.rig
	switch f.Kind {
	case KindQuantity:
		q, ok := d.quantity(at, f.Dim, v)
		if ok && f.NotZero && q.Base() == 0 {
			d.add(at, CodeBadValue, "it cannot be zero", "Measure it; leave the field out if it is not known.")
			return
		}
		if ok {
			r.set(f.ID, q)
		}
	case KindBool:
		x, ok := v.(bool)
		if !ok {
			d.add(at, CodeWrongType, "must be true or false", "Leave the field out if it is not known.")
			return
		}
		r.setBool(f.ID, x)
	case KindCount:
		if n, ok := d.count(at, v, maxCount); ok {
			r.values[f.ID] = Value{Known: true, Num: int64(n)}
		}
	case KindWord:
		if s, ok := d.oneOf(at, v, f.Words); ok {
			r.values[f.ID] = Value{Known: true, Word: s}
		}
	case KindText:
		if s, ok := d.text(at, v); ok {
			r.values[f.ID] = Value{Known: true, Word: s}
		}
	case KindDate:
		s, ok := d.text(at, v)
		if !ok {
			return
		}
		day, err := ParseDay(s)
		if err != nil {
			d.add(at, CodeBadValue, "not a day", err.Error())
			return
		}
		r.values[f.ID] = Value{Known: true, Num: int64(day)}
	default:
		d.list(f, at, v)
	}
}

func (d *decoder) list(f Field, at string, v any) {
	items, ok := v.([]any)
	if !ok {
		d.add(at, CodeWrongType, "must be a list", "Write it in square brackets.")
		return
	}
	if len(items) > MaxList {
		d.add(at, CodeLimit, "the list is too long", fmt.Sprintf("At most %d entries.", MaxList))
		return
	}
	r := d.rig
	switch f.Kind {
	case KindWords:
		words := []string{}
		for i, x := range items {
			if s, ok := d.oneOf(at+"/"+strconv.Itoa(i), x, f.Words); ok {
				words = append(words, s)
			}
		}
		r.setWords(f.ID, words)
	case KindCounts:
		ns := []int{}
		for i, x := range items {
			if n, ok := d.count(at+"/"+strconv.Itoa(i), x, maxCount); ok {
				ns = append(ns, n)
			}
		}
		r.setCounts(f.ID, ns)
	case KindMasses:
		if len(items) == 0 {
			d.add(at, CodeBadValue, "the list is empty", "Give one entry an axle, or leave the field out.")
			return
		}
		var qs []quantity.Quantity
		for i, x := range items {
			if q, ok := d.quantity(at+"/"+strconv.Itoa(i), f.Dim, x); ok {
				qs = append(qs, q)
			}
		}
		r.setMasses(f.ID, qs)
	}
}

// Facts that are looked at by name.
var (
	vehicleTotal, vehicleAxles            = must("vehicle.laden.total"), must("vehicle.laden.axles")
	brakedLimit, unbrakedLimit            = must("vehicle.towing.braked"), must("vehicle.towing.unbraked")
	makerRating                           = must("vehicle.towing.maker_rating")
	brakeKind, breakawayKind              = must("trailer.brakes.kind"), must("trailer.breakaway.kind")
	axleCount, brakedAxles, axlePositions = must("trailer.axle_count"), must("trailer.brakes.braked_axles"), must("trailer.brakes.axle_positions")
	bodyStarts, bodyEnds                  = must("trailer.body.starts"), must("trailer.body.ends")
)

// newRig is a rig of which nothing is known.
func newRig() *Rig {
	return &Rig{
		values: make([]Value, len(fields)), quantities: make([]quantity.Quantity, len(fields)),
		derivedBy: make([]uint8, len(fields)), told: new(telling),
	}
}

func (r *Rig) set(id ID, q quantity.Quantity) {
	r.values[id] = Value{Known: true, Num: q.Base()}
	r.quantities[id] = q
}

func (r *Rig) setWords(id ID, words []string) {
	if r.Sets == nil {
		r.Sets = map[ID][]string{}
	}
	r.Sets[id] = words
}

func (r *Rig) setCounts(id ID, ns []int) {
	if r.counts == nil {
		r.counts = map[ID][]int{}
	}
	r.counts[id] = ns
}

func (r *Rig) setMasses(id ID, qs []quantity.Quantity) {
	if r.lists == nil {
		r.lists = map[ID][]quantity.Quantity{}
	}
	r.lists[id] = qs
}

func (r *Rig) setBool(id ID, x bool) {
	v := Value{Known: true}
	if x {
		v.Num = 1
	}
	r.values[id] = v
}

const maxItems = 50

// items reads a list of things carried, each with a mass and a place.
func (d *decoder) items(at string, v any, place string) []Item {
	list, ok := v.([]any)
	if !ok {
		d.add(at, CodeWrongType, "must be a list", "One entry for each thing carried.")
		return nil
	}
	if len(list) > maxItems {
		d.add(at, CodeLimit, "the list is too long", fmt.Sprintf("At most %d entries.", maxItems))
		return nil
	}
	out := []Item{}
	for i, x := range list {
		ptr := at + "/" + strconv.Itoa(i)
		m, ok := x.(map[string]any)
		if !ok {
			d.add(ptr, CodeWrongType, "must be an object", "It holds name, mass, "+place+".")
			continue
		}
		var it Item
		for name, v := range m {
			field := ptr + "/" + Escape(name)
			switch name {
			case "name":
				it.Name, _ = d.text(field, v)
			case "mass":
				it.Mass, _ = d.quantity(field, quantity.Mass, v)
			case place:
				it.At, _ = d.quantity(field, quantity.Length, v)
			default:
				d.unknown(field, name, []string{"name", "mass", place}, false)
			}
		}
		out = append(out, it)
	}
	return out
}

func (d *decoder) parts(at string, v any) {
	items, ok := v.([]any)
	if !ok {
		d.add(at, CodeWrongType, "must be a list", "One entry a part.")
		return
	}
	if len(items) > MaxParts {
		d.add(at, CodeLimit, "the list is too long", fmt.Sprintf("At most %d entries.", MaxParts))
		return
	}
	d.rig.PartsKnown = true
	for i, x := range items {
		ptr := at + "/" + strconv.Itoa(i)
		m, ok := x.(map[string]any)
		if !ok {
			d.add(ptr, CodeWrongType, "must be an object", "It holds "+strings.Join(PartFields, ", ")+".")
			continue
		}
		d.rig.Parts = append(d.rig.Parts, d.part(ptr, m))
	}
}

// noMore are pairs of figures in which the first can never exceed the second.
var noMore = ids([][2]string{
	{"trailer.rated.axles", "trailer.rated.total"},
	{"trailer.rated.ball", "trailer.rated.total"},
	{"trailer.laden.axles", "trailer.laden.total"},
	{"trailer.laden.ball", "trailer.laden.total"},
	{"trailer.tare", "trailer.rated.total"},
	{"trailer.tare", "trailer.laden.total"},
	{"trailer.tare_ball", "trailer.tare"},
	{"trailer.body.starts", "trailer.body.ends"},
	{"vehicle.rated.front_minimum", "vehicle.rated.total"},
	{"trailer.brakes.braked_axles", "trailer.axle_count"},
	{"vehicle.kerb", "vehicle.rated.total"},
	{"vehicle.unladen", "vehicle.rated.total"},
	{"vehicle.rated.total", "vehicle.rated.combination"},
	{"vehicle.built", "vehicle.first_registered"},
	{"trailer.built", "trailer.first_registered"},
})

// sums are triples of entered figures that must add up: whole, part, part.
var sums = ids([][3]string{
	{"trailer.laden.total", "trailer.laden.axles", "trailer.laden.ball"},
	{"trailer.rated.total", "trailer.rated.axles", "trailer.rated.ball"},
})

// ids finds the facts of a table by their paths.
func ids[T [2]string | [3]string](table []T) [][]ID {
	out := make([][]ID, len(table))
	for i, row := range table {
		for k := range len(row) {
			out[i] = append(out[i], must(row[k]))
		}
	}
	return out
}

func (d *decoder) contradictions() {
	r := d.rig
	d.order()
	for _, s := range sums {
		whole, x, y := s[0], s[1], s[2]
		if r.values[whole].Known && r.values[x].Known && r.values[y].Known &&
			r.values[x].Num+r.values[y].Num != r.values[whole].Num {
			d.clash(y, whole, fmt.Sprintf("%s and %s do not add up to %s", r.Text(x), r.Text(y), r.Text(whole)))
		}
	}
	if r.values[vehicleTotal].Known {
		if sum, ok := r.sum(vehicleAxles); ok && sum.Base() != r.values[vehicleTotal].Num {
			d.clash(vehicleAxles, vehicleTotal, fmt.Sprintf("the axles add up to %s, not %s", sum.Text(), r.Text(vehicleTotal)))
		}
	}
	unbraked := r.values[brakeKind].Word == "none"
	if unbraked && r.values[brakedAxles].Num > 0 {
		d.clash(brakedAxles, brakeKind, "axles are braked although there are no brakes")
	}
	if unbraked && r.values[breakawayKind].Word == "automatic" {
		d.clash(breakawayKind, brakeKind, "the brakes cannot come on by themselves: there are none")
	}
	for _, limit := range [...]ID{brakedLimit, unbrakedLimit} {
		if r.values[makerRating].Known && r.values[makerRating].Num == 0 && r.values[limit].Known {
			d.clash(limit, makerRating, "a towing limit is given although the maker gives none")
		}
	}
	d.axlePositions()
	d.geometry()
}

// geometry finds things carried where there is nothing to carry them.
func (d *decoder) geometry() {
	r := d.rig
	for i, it := range r.TrailerItems {
		for _, end := range [...]struct {
			id  ID
			way int
			why string
		}{{bodyStarts, -1, "it lies ahead of the body"}, {bodyEnds, 1, "it lies behind the body"}} {
			if !it.At.IsZero() && r.values[end.id].Known && it.At.Cmp(r.quantities[end.id]) == end.way {
				d.clashAt(fmt.Sprintf("/trailer/items/%d/behind_coupling", i), fields[end.id].Pointer, end.why)
			}
		}
	}
}

func (d *decoder) axlePositions() {
	r, id, axles, kind, braked := d.rig, axlePositions, axleCount, brakeKind, brakedAxles
	positions, listed := r.counts[id]
	if !listed {
		return
	}
	for i, n := range positions {
		at := fields[id].Pointer + "/" + strconv.Itoa(i)
		switch {
		case n == 0:
			d.add(at, CodeBadValue, "there is no axle 0", "Count axles from the front, 1 first.")
		case slices.Contains(positions[:i], n):
			d.add(at, CodeBadValue, fmt.Sprintf("axle %d stands twice", n), "List each braked axle once.")
		case r.values[axles].Known && int64(n) > r.values[axles].Num:
			d.clashAt(at, fields[axles].Pointer, fmt.Sprintf("there is no axle %d among %d", n, r.values[axles].Num))
		}
	}
	if r.values[braked].Known && int64(len(positions)) != r.values[braked].Num {
		d.clash(id, braked, fmt.Sprintf("%d axles are listed and %d are said to be braked", len(positions), r.values[braked].Num))
	}
	if r.values[kind].Word == "none" && len(positions) > 0 {
		d.clash(id, kind, "axles are braked although there are no brakes")
	}
}

// order finds figures above those they can never exceed. It runs again once
// figures have been worked out: a tare may be above a laden total that was
// given as two parts.
func (d *decoder) order() {
	r := d.rig
	for _, pair := range noMore {
		a, b := pair[0], pair[1]
		va, vb := r.values[a], r.values[b]
		if va.Known && vb.Known && va.Num > vb.Num {
			d.clash(a, b, fmt.Sprintf("%s is more than %s", r.Text(a), r.Text(b)))
		}
	}
}

// clash reports both facts, each naming the other, so that a form can mark
// both. A fact that was worked out stands for the figures that were entered.
func (d *decoder) clash(a, b ID, why string) {
	for _, x := range d.entered(a) {
		for _, y := range d.entered(b) {
			d.clashAt(x, y, why)
		}
	}
}

func (d *decoder) entered(id ID) []string {
	if !d.rig.derived(id) {
		return []string{fields[id].Pointer}
	}
	var out []string
	for _, in := range d.rig.Inputs(id) {
		out = append(out, in.Pointer)
	}
	return out
}

func (d *decoder) clashAt(a, b, why string) {
	for _, x := range [2][2]string{{a, b}, {b, a}} {
		d.add(x[0], CodeContradiction, "contradicts "+x[1]+": "+why, "Correct one of the two; leave out the one that is not certain.")
	}
}

// AsIssues returns the issues in err, if that is what it is.
func AsIssues(err error) (Issues, bool) {
	var is Issues
	ok := errors.As(err, &is)
	return is, ok
}
