package fitting

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"drawgear/rules/circuit"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

const maxIssues = 25 // that are told at once

// jobForm is that of all documents here. The contract states it.
var jobForm = rig.Form{
	Depth: 6, TooDeep: "No field lies this deep.", TooLarge: "Send one job a request.", Sample: "Send one JSON object; {} is the least.",
}

// Decode reads a request. What is wrong with it is told as rig.Issues, each with
// the JSON Pointer of its field; a request with anything wrong is refused whole.
func Decode(data []byte) (Request, error) {
	return decode(data, func(q Request, d *decoder) { d.request(q) })
}

// DecodeMeasurements reads what a fitter measured, as Decode does a request.
func DecodeMeasurements(data []byte) (Measurements, error) {
	return decode(data, func(m Measurements, d *decoder) {
		seen := map[string]int{}
		for i, s := range m.Output {
			id := outputID(share(s.Demand))
			if j, twice := seen[id]; twice {
				d.clash(fmt.Sprintf("/output/%d/demand", j), fmt.Sprintf("/output/%d/demand", i), "one share of full output is read twice")
			}
			seen[id] = i
		}
	})
}

// DecodeRecord reads job, parts and sign-off, as Decode does a request.
func DecodeRecord(data []byte) (Record, error) {
	return decode(data, func(r Record, d *decoder) {
		if r.Job.Began != "" && r.Job.Ended != "" && r.Job.Ended < r.Job.Began {
			d.clash("/job/began", "/job/ended", "the work ended before it began")
		}
	})
}

// decode reads a document into a T and, if its fields are well formed, looks for
// contradictions between them.
func decode[T any](data []byte, check func(T, *decoder)) (T, error) {
	var doc, none T
	d := &decoder{}
	tree, issues := rig.ParseJSON(data, jobForm)
	if d.issues = issues; d.issues == nil {
		d.value("", tree, reflect.ValueOf(&doc).Elem(), "")
	}
	if d.issues == nil {
		check(doc, d)
	}
	if d.issues == nil {
		return doc, nil
	}
	slices.SortStableFunc(d.issues, func(a, b rig.Issue) int {
		if c := strings.Compare(a.Pointer, b.Pointer); c != 0 {
			return c
		}
		return strings.Compare(a.Message, b.Message)
	})
	return none, d.issues[:min(len(d.issues), maxIssues)]
}

type decoder struct{ issues rig.Issues }

func (d *decoder) add(ptr, code, msg, advice string) {
	d.issues = append(d.issues, rig.Issue{Pointer: ptr, Code: code, Message: msg, Advice: advice})
}

// clash reports two fields that cannot both hold, each naming the other.
func (d *decoder) clash(a, b, why string) {
	for _, x := range [2][2]string{{a, b}, {b, a}} {
		d.add(x[0], rig.CodeContradiction, "contradicts "+x[1]+": "+why, "Correct one of the two; leave out the one that is not certain.")
	}
}

var quantityType = reflect.TypeFor[quantity.Quantity]()

// value reads v into a field whose tags say what it takes.
func (d *decoder) value(at string, v any, into reflect.Value, tag reflect.StructTag) {
	switch {
	case into.Type() == quantityType:
		if q, ok := d.quantity(at, v, tag); ok {
			into.Set(reflect.ValueOf(q))
		}
	case into.Kind() == reflect.Struct:
		d.object(at, v, into)
	case into.Kind() == reflect.Slice:
		d.list(at, v, into, tag)
	case into.Kind() == reflect.Pointer: // only *bool
		b, ok := v.(bool)
		if !ok {
			d.add(at, rig.CodeWrongType, "must be true or false", "Leave the field out if it is not known.")
			return
		}
		into.Set(reflect.ValueOf(&b))
	case into.Kind() == reflect.Int:
		if n, ok := d.count(at, v, tag); ok {
			into.SetInt(int64(n))
		}
	default:
		if s, ok := d.text(at, v, tag); ok {
			into.SetString(s)
		}
	}
}

func (d *decoder) object(at string, v any, into reflect.Value) {
	m, ok := v.(map[string]any)
	if !ok {
		d.add(at, rig.CodeWrongType, "must be an object", "It holds "+strings.Join(names(into.Type()), ", ")+".")
		return
	}
	known := map[string]int{}
	for i := range into.NumField() {
		f := into.Type().Field(i)
		known[jsonName(f)] = i
		if _, given := m[jsonName(f)]; f.Tag.Get("required") != "" && !given {
			d.add(at+"/"+jsonName(f), rig.CodeBadValue, "is missing", "Without it the entry says nothing; leave the whole entry out.")
		}
	}
	for _, name := range sortedKeys(m) {
		ptr := at + "/" + rig.Escape(name)
		i, ok := known[name]
		if !ok {
			d.add(ptr, rig.CodeUnknownField, "there is no such field", "Remove it. The fields here are "+strings.Join(names(into.Type()), ", ")+".")
			continue
		}
		d.value(ptr, m[name], into.Field(i), into.Type().Field(i).Tag)
	}
}

func sortedKeys(m map[string]any) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

func jsonName(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	return name
}

func names(t reflect.Type) []string {
	var out []string
	for i := range t.NumField() {
		out = append(out, jsonName(t.Field(i)))
	}
	return out
}

func (d *decoder) list(at string, v any, into reflect.Value, tag reflect.StructTag) {
	items, ok := v.([]any)
	if !ok {
		d.add(at, rig.CodeWrongType, "must be a list", "Write it in square brackets.")
		return
	}
	if most, _ := strconv.Atoi(tag.Get("list")); len(items) > most {
		d.add(at, rig.CodeLimit, "the list is too long", fmt.Sprintf("At most %d entries.", most))
		return
	}
	out := reflect.MakeSlice(into.Type(), len(items), len(items))
	for i, item := range items {
		d.value(at+"/"+strconv.Itoa(i), item, out.Index(i), tag)
	}
	into.Set(out)
}

// dimension finds the dimension that a tag names.
func dimension(tag reflect.StructTag) quantity.Dimension {
	for _, dim := range quantity.Dimensions() {
		if dim.String() == tag.Get("dim") {
			return dim
		}
	}
	panic("fitting: no dimension " + tag.Get("dim"))
}

func (d *decoder) quantity(at string, v any, tag reflect.StructTag) (quantity.Quantity, bool) {
	dim := dimension(tag)
	advice := "For example \"10 " + dim.BaseUnit().Symbol() + "\"."
	s, ok := v.(string)
	if !ok {
		d.add(at, rig.CodeWrongType, "must be text with a unit", advice)
		return quantity.Quantity{}, false
	}
	q, err := quantity.Parse(dim, s)
	if err != nil {
		d.add(at, rig.CodeBadQuantity, err.Error(), advice)
		return q, false
	}
	if most := tag.Get("most"); most != "" && q.Cmp(quantity.MustParse(dim, most)) > 0 {
		d.add(at, rig.CodeBadValue, q.Text()+" is more than any rig has", "At most "+most+".")
		return q, false
	}
	if least := tag.Get("least"); least != "" && q.Cmp(quantity.MustParse(dim, least)) < 0 {
		d.add(at, rig.CodeBadValue, q.Text()+" is less than any rig has", "At least "+least+".")
		return q, false
	}
	if tag.Get("positive") != "" && q.Base() == 0 {
		d.add(at, rig.CodeBadValue, "it cannot be zero", "Measure it; leave the field out if it is not known.")
		return q, false
	}
	return q, true
}

func (d *decoder) count(at string, v any, tag reflect.StructTag) (int, bool) {
	least, most := 0, tag.Get("most")
	if tag.Get("positive") != "" {
		least = 1
	}
	advice := fmt.Sprintf("%d to %s.", least, most)
	num, ok := v.(json.Number)
	n, err := strconv.Atoi(num.String())
	if !ok || err != nil && !errors.Is(err, strconv.ErrRange) {
		d.add(at, rig.CodeWrongType, "must be a whole number", advice)
		return 0, false
	}
	if hi, _ := strconv.Atoi(most); err != nil || n < least || n > hi {
		d.add(at, rig.CodeBadValue, "out of range", advice)
		return 0, false
	}
	return n, true
}

func (d *decoder) text(at string, v any, tag reflect.StructTag) (string, bool) {
	s, ok := v.(string)
	if !ok {
		d.add(at, rig.CodeWrongType, "must be text", "Write it in quotes; leave the field out if it is not known.")
		return "", false
	}
	if utf8.RuneCountInString(s) > rig.MaxText {
		d.add(at, rig.CodeLimit, "the text is too long", fmt.Sprintf("At most %d characters.", rig.MaxText))
		return "", false
	}
	if strings.ContainsFunc(s, unicode.IsControl) {
		d.add(at, rig.CodeBadValue, "the text holds a control character", "Use plain text.")
		return "", false
	}
	return s, d.form(at, s, tag)
}

// form holds a text against what its tag asks of it.
func (d *decoder) form(at, s string, tag reflect.StructTag) bool {
	if words := strings.Fields(tag.Get("words")); len(words) > 0 && !slices.Contains(words, s) {
		d.add(at, rig.CodeBadValue, "not one of the permitted words", "One of "+strings.Join(words, ", ")+".")
		return false
	}
	if bounds := strings.Fields(tag.Get("decimal")); len(bounds) > 0 && !between(s, bounds[0], bounds[1]) {
		d.add(at, rig.CodeBadValue, "must be a decimal in quotes, from "+bounds[0]+" to "+bounds[1], "For example \"1.15\".")
		return false
	}
	if tag.Get("conductor") != "" {
		if _, err := circuit.ParseConductor(s); err != nil {
			d.add(at, rig.CodeBadValue, why(err), "For example \"6 mm2\" or \"10 AWG\"; leave it out if it is to be chosen.")
			return false
		}
	}
	if tag.Get("day") != "" {
		if _, err := rig.ParseDay(s); err != nil {
			d.add(at, rig.CodeBadValue, "not a day", err.Error())
			return false
		}
	}
	return true
}

// why is the reason in a circuit's refusal without its argument.
func why(err error) string {
	var bad *circuit.Bad
	if errors.As(err, &bad) {
		return bad.Why
	}
	return err.Error()
}

// between reports a plain decimal within two others, ends included. Exact, so
// that "2.0000000000000001" is above 2.
func between(s, low, high string) bool {
	if _, err := quantity.ParseRatio(s); err != nil {
		return false
	}
	x, ok := new(big.Rat).SetString(s)
	lo, okLow := new(big.Rat).SetString(low)
	hi, okHigh := new(big.Rat).SetString(high)
	return ok && okLow && okHigh && x.Cmp(lo) >= 0 && x.Cmp(hi) <= 0
}

// request finds fields that cannot stand together.
func (d *decoder) request(q Request) {
	a := q.Actuator
	both := func(x, y quantity.Quantity, px, py, why string) {
		if !x.IsZero() && !y.IsZero() {
			d.clash(px, py, why)
		}
	}
	order := func(low, high quantity.Quantity, pl, ph string) {
		if !low.IsZero() && !high.IsZero() && low.Cmp(high) > 0 {
			d.clash(pl, ph, low.Text()+" is more than "+high.Text())
		}
	}
	order(a.Resistance, a.ResistanceMost, "/actuator/resistance", "/actuator/resistance_most")
	order(q.Controller.SupplyLeast, q.Controller.SupplyMost, "/controller/supply_least", "/controller/supply_most")
	both(q.Wiring.Drop.Share, q.Wiring.Drop.Volts, "/wiring/drop/share", "/wiring/drop/volts", "a limit is given either way, not both")
	if q.Breakaway.Peukert != "" && !q.Breakaway.Capacity15.IsZero() {
		d.clash("/breakaway/peukert", "/breakaway/capacity_15min", "the 15-minute figure holds the rate already; with both it would count twice")
	}
	if a.Kind != ElectricHydraulic {
		both(a.Resistance, a.Current, "/actuator/resistance", "/actuator/current", "one follows from the other; give the one that was measured")
	} else if !a.Resistance.IsZero() {
		d.clash("/actuator/kind", "/actuator/resistance", "a pump is no magnet and has no such resistance")
	}
	if a.Kind == NoActuator && a.Count > 0 {
		d.clash("/actuator/kind", "/actuator/count", "there are magnets although nothing is worked electrically")
	}
	if len(q.Wiring.Axles) > 0 && !q.Wiring.Axles[0].Jumper.IsZero() && q.Wiring.Axles[0].Jumper.Base() > 0 {
		d.add("/wiring/axles/0/jumper", rig.CodeContradiction, "the first braked axle has no jumper: the trunk leads to it", "Add the length to /wiring/trunk/length.")
	}
	if q.Wiring.Return == ReturnConductor {
		if !q.Wiring.ChassisReturn.IsZero() {
			d.clash("/wiring/return", "/wiring/chassis_return", "the frame does not carry the current where a conductor does")
		}
	}
}
