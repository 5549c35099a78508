package service

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"drawgear/rules/fleet"
	"drawgear/rules/rig"
)

// Limits of what is written of an entry.
const (
	MaxEntryID      = 64  // characters
	MaxEntryYard    = 64  // characters
	MaxEntryNote    = 500 // characters
	MaxPairingParts = 12  // parts of a pairing: those of many pairings still fit one table
	MaxYearsAhead   = 10  // of since
)

// entryDraft is what is to be written of an entry, as far as it can be read
// without the register.
type entryDraft struct {
	kind              EntryKind
	id                string
	since, yard, note string // since is empty if it is left out
	fittedTo          FittedTo
	document          []byte
	pairing           pairing // that the document of a pairing says
}

// naming is something that an entry names, and where.
type naming struct {
	pointer string
	to      FittedTo
}

// names lists what must be in the register with the entry.
func (d *entryDraft) names() []naming {
	switch {
	case d.kind == EntryPairing:
		return []naming{{"/document/vehicle", FittedTo{EntryVehicle, d.pairing.Vehicle}}, {"/document/trailer", FittedTo{EntryTrailer, d.pairing.Trailer}}}
	case d.fittedTo.Kind != "":
		return []naming{{"/fitted_to/id", d.fittedTo}}
	}
	return nil
}

// next is the revision that follows the one that is there, and whether it says
// anything else.
func (d *entryDraft) next(has Entry, now time.Time, by string) (Entry, bool, rig.Issues) {
	today := rig.DayOf(now).String()
	e := Entry{
		Kind: d.kind, ID: d.id, Revision: has.Revision + 1, WrittenAt: now, WrittenBy: by,
		Since: d.since, Yard: d.yard, FittedTo: d.fittedTo, Note: d.note, Document: d.document,
	}
	if has.Revision > 0 && !has.Removed && (e.Since == "" || e.Since == has.Since) && e.Yard == has.Yard &&
		e.FittedTo == has.FittedTo && e.Note == has.Note && bytes.Equal(e.Document, has.Document) {
		return has, false, nil
	}
	if e.Since == "" {
		e.Since = today
	}
	switch last := now.AddDate(MaxYearsAhead, 0, 0); {
	case e.Since < has.Since:
		return e, true, rig.Issues{{
			Pointer: "/since", Code: rig.CodeBadValue,
			Message: fmt.Sprintf("%s lies before %s, from which the revision before it holds", e.Since, has.Since), Advice: "Give that day or a later one.",
		}}
	case e.Since > rig.DayOf(last).String():
		return e, true, rig.Issues{{
			Pointer: "/since", Code: rig.CodeBadValue,
			Message: "the day is too far ahead", Advice: fmt.Sprintf("At most %d years.", MaxYearsAhead),
		}}
	}
	return e, true, nil
}

// readEntry reads what is to be written. All that is wrong is found at once.
func readEntry(kind EntryKind, id string, w RegisterWrite) (entryDraft, rig.Issues) {
	d := entryDraft{kind: kind, id: id, since: w.Since}
	issues := entryID("/id", id)
	add := func(pointer, msg, advice string) {
		issues = append(issues, rig.Issue{Pointer: pointer, Code: rig.CodeBadValue, Message: msg, Advice: advice})
	}
	if w.Since != "" {
		if _, err := rig.ParseDay(w.Since); err != nil {
			add("/since", "not a day", err.Error())
		}
	}
	var more rig.Issues
	d.yard, more = plainText("/yard", w.Yard, MaxEntryYard)
	issues = append(issues, more...)
	d.note, more = plainText("/note", w.Note, MaxEntryNote)
	issues = append(issues, more...)
	if to := w.FittedTo; to != nil {
		switch {
		case kind != EntryPart:
			add("/fitted_to", "only a part is fitted to something", "Leave it out.")
		case to.Kind != EntryVehicle && to.Kind != EntryTrailer:
			add("/fitted_to/kind", "a part is fitted to a vehicle or a trailer", "One of vehicles, trailers.")
		default:
			issues = append(issues, entryID("/fitted_to/id", to.ID)...)
			d.fittedTo = FittedTo(*to)
		}
	}
	d.document, d.pairing, more = readDocument(kind, w.Document)
	if issues = append(issues, more...); issues != nil {
		slices.SortStableFunc(issues, func(a, b rig.Issue) int { return strings.Compare(a.Pointer, b.Pointer) })
		return entryDraft{}, issues
	}
	return d, nil
}

// entryID says what keeps a text from being the id of an entry. It stands in
// paths and in cells of tables, and people compare it by eye.
func entryID(pointer, id string) rig.Issues {
	msg, advice := "", "1 to 64 letters, digits, spaces and signs other than / \\ and |."
	switch n := utf8.RuneCountInString(id); {
	case id == "":
		msg = "the id is missing"
	case n > MaxEntryID:
		msg = "the id is too long"
	case !utf8.ValidString(id), strings.ContainsFunc(id, func(c rune) bool { return !unicode.IsPrint(c) }):
		msg = "the id holds a character that cannot be printed"
	case strings.ContainsAny(id, `/\|`):
		msg = "the id holds a sign that it may not"
	case strings.TrimSpace(id) != id:
		msg, advice = "the id begins or ends in a space", "Take it off."
	case id == ".", id == "..":
		msg, advice = "the id means a place in a path", "Choose another."
	default:
		return nil
	}
	return rig.Issues{{Pointer: pointer, Code: rig.CodeBadValue, Message: msg, Advice: advice}}
}

// oneLine reports whether a text is UTF-8 of at most so many characters, none of
// them a control character.
func oneLine(text string, most int) bool {
	return utf8.ValidString(text) && utf8.RuneCountInString(text) <= most && !strings.ContainsFunc(text, unicode.IsControl)
}

// plainText takes the spaces around a text off and holds it to a length, in
// characters.
func plainText(pointer, text string, most int) (string, rig.Issues) {
	text = strings.TrimSpace(text)
	switch {
	case !utf8.ValidString(text), strings.ContainsFunc(text, unicode.IsControl):
		return "", rig.Issues{{Pointer: pointer, Code: rig.CodeBadValue, Message: "the text holds a control character or is not UTF-8", Advice: "Use plain text on one line."}}
	case utf8.RuneCountInString(text) > most:
		return "", rig.Issues{{Pointer: pointer, Code: rig.CodeLimit, Message: "the text is too long", Advice: fmt.Sprintf("At most %d characters.", most)}}
	}
	return text, nil
}

var documentForm = rig.Form{
	Depth: rig.MaxDepth, TooDeep: "No field lies this deep.", TooLarge: "Write one thing at a time.",
	Sample: "Send one JSON object.",
}

// inDocument moves issues of a rig, below a place of it, to the document that
// stands there.
func inDocument(at string, issues rig.Issues) rig.Issues {
	out := make(rig.Issues, len(issues))
	for i, is := range issues {
		is.Pointer = "/document" + strings.TrimPrefix(is.Pointer, at)
		is.Message = strings.ReplaceAll(is.Message, " "+at+"/", " /document/")
		out[i] = is
	}
	return out
}

// readDocument reads the document of a kind and gives its canonical form.
func readDocument(kind EntryKind, document []byte) ([]byte, pairing, rig.Issues) {
	none := func(is rig.Issues) ([]byte, pairing, rig.Issues) { return nil, pairing{}, is }
	if len(bytes.TrimSpace(document)) == 0 {
		return none(rig.Issues{{Pointer: "/document", Code: rig.CodeBadValue, Message: "it is missing", Advice: documentForm.Sample}})
	}
	tree, issues := rig.ParseJSON(document, documentForm)
	if issues != nil {
		return none(inDocument("", issues))
	}
	m, ok := tree.(map[string]any)
	if !ok {
		return none(rig.Issues{{Pointer: "/document", Code: rig.CodeWrongType, Message: "the document must be a JSON object", Advice: documentForm.Sample}})
	}
	var own rig.Issues         // of what is no fact of a rig
	beside := map[string]any{} // likewise, as it will be written
	at, of := "", map[string]any{}
	switch kind {
	case EntryVehicle:
		at, of = "/vehicle", map[string]any{"vehicle": m}
	case EntryTrailer:
		at, of = "/trailer", map[string]any{"trailer": m}
	case EntryPart:
		if price, given := m["price"]; given {
			own = checkPrice(price)
			beside["price"] = price
			delete(m, "price")
		}
		at, of = "/parts/0", map[string]any{"parts": []any{m}}
	default:
		for name, v := range m {
			switch name {
			case "vehicle", "trailer":
				beside[name] = v
			case "jurisdiction", "use", "parts":
				of[name] = v
			default:
				own = append(own, rig.Issue{
					Pointer: "/document/" + rig.Escape(name), Code: rig.CodeUnknownField, Message: "there is no such field",
					Advice: "A pairing has vehicle, trailer, jurisdiction, use and parts.",
				})
			}
		}
		own = append(own, checkPairing(m)...)
	}
	r, err := rig.FromTree(of)
	is, _ := rig.AsIssues(err)
	if issues = append(own, inDocument(at, is)...); len(issues) > 0 {
		return none(issues)
	}
	if issues = inDocument(at, blanks(r)); len(issues) > 0 {
		return none(issues)
	}
	doc, err := encode(canonical(kind, r, beside))
	if err != nil { // texts, numbers and lists only
		return none(rig.Issues{{Pointer: "/document", Code: rig.CodeSyntax, Message: "the document cannot be written: " + err.Error(), Advice: documentForm.Sample}})
	}
	p := pairing{}
	p.Vehicle, _ = beside["vehicle"].(string)
	p.Trailer, _ = beside["trailer"].(string)
	return doc, p, nil
}

// canonical is the document that says what was entered of a rig and what stands
// beside it. The same content always gives the same bytes.
func canonical(kind EntryKind, r *rig.Rig, beside map[string]any) map[string]any {
	var tree map[string]any
	in := json.NewDecoder(bytes.NewReader(fleet.Document(r)))
	in.UseNumber()
	if err := in.Decode(&tree); err != nil {
		panic("service: a canonical rig that cannot be read: " + err.Error()) // it was just written
	}
	doc := tree
	switch kind {
	case EntryVehicle:
		doc, _ = tree["vehicle"].(map[string]any)
	case EntryTrailer:
		doc, _ = tree["trailer"].(map[string]any)
	case EntryPart:
		doc, _ = tree["parts"].([]any)[0].(map[string]any)
	}
	if doc == nil { // nothing is known of it
		doc = map[string]any{}
	}
	maps.Copy(doc, beside)
	return doc
}

// blanks finds texts and things carried that say nothing. A table could not tell
// them from what is not known.
func blanks(r *rig.Rig) (out rig.Issues) {
	blank := func(text string) bool { return strings.TrimSpace(text) == "" }
	add := func(pointer, msg string) {
		out = append(out, rig.Issue{Pointer: pointer, Code: rig.CodeBadValue, Message: msg, Advice: "Leave it out if it is not known."})
	}
	for _, f := range rig.Fields() {
		if f.Kind == rig.KindText && r.Entered(f.ID) && blank(r.Get(f.ID).Word) {
			add(f.Pointer, "the text is empty")
		}
	}
	for i, p := range r.Parts {
		for _, text := range []struct{ name, value string }{{"grade", p.Grade}, {"speed_symbol", p.SpeedSymbol}} {
			if text.value != "" && blank(text.value) {
				add(fmt.Sprintf("/parts/%d/%s", i, text.name), "the text is empty")
			}
		}
	}
	for side, items := range map[string][]rig.Item{"vehicle": r.VehicleItems, "trailer": r.TrailerItems} {
		for i, it := range items {
			switch at := fmt.Sprintf("/%s/items/%d", side, i); {
			case it == rig.Item{}:
				add(at, "nothing is said of it")
			case it.Name != "" && blank(it.Name):
				add(at+"/name", "the text is empty")
			}
		}
	}
	return out
}

var (
	priceAmount   = regexp.MustCompile(`^(0|[1-9][0-9]{0,11})(\.[0-9]{1,4})?$`)
	priceCurrency = regexp.MustCompile(`^[A-Z]{3}$`)
)

// checkPrice holds a price to its form. Both amount and currency are wanted.
func checkPrice(v any) (out rig.Issues) {
	const at = "/document/price"
	m, ok := v.(map[string]any)
	if !ok {
		return rig.Issues{{Pointer: at, Code: rig.CodeWrongType, Message: "must be an object", Advice: `For example {"amount": "18.50", "currency": "AUD"}.`}}
	}
	for name := range m {
		if name != "amount" && name != "currency" {
			out = append(out, rig.Issue{Pointer: at + "/" + rig.Escape(name), Code: rig.CodeUnknownField, Message: "there is no such field", Advice: "A price has amount and currency."})
		}
	}
	for _, field := range []struct {
		name   string
		form   *regexp.Regexp
		advice string
	}{
		{"amount", priceAmount, `Text such as "18.50", with at most four decimals.`},
		{"currency", priceCurrency, `Three capitals as ISO 4217 lists them, such as "AUD".`},
	} {
		text, ok := m[field.name].(string)
		switch _, given := m[field.name]; {
		case !given:
			out = append(out, rig.Issue{Pointer: at + "/" + field.name, Code: rig.CodeBadValue, Message: "it is missing", Advice: field.advice})
		case !ok:
			out = append(out, rig.Issue{Pointer: at + "/" + field.name, Code: rig.CodeWrongType, Message: "must be text", Advice: field.advice})
		case !field.form.MatchString(text):
			out = append(out, rig.Issue{Pointer: at + "/" + field.name, Code: rig.CodeBadValue, Message: "not an " + field.name + " of a price", Advice: field.advice})
		}
	}
	return out
}

// checkPairing holds what is no fact of a rig to its form.
func checkPairing(m map[string]any) (out rig.Issues) {
	for _, name := range []string{"vehicle", "trailer"} {
		at := "/document/" + name
		switch id, ok := m[name].(string); {
		case m[name] == nil:
			out = append(out, rig.Issue{Pointer: at, Code: rig.CodeBadValue, Message: "it is missing", Advice: "Give the id of the " + name + " in the register."})
		case !ok:
			out = append(out, rig.Issue{Pointer: at, Code: rig.CodeWrongType, Message: "must be text", Advice: "Give the id of the " + name + " in the register."})
		default:
			out = append(out, entryID(at, id)...)
		}
	}
	if list, ok := m["parts"].([]any); ok && len(list) > MaxPairingParts {
		out = append(out, rig.Issue{Pointer: "/document/parts", Code: rig.CodeLimit, Message: "the list is too long", Advice: fmt.Sprintf("At most %d entries.", MaxPairingParts)})
	}
	return out
}
