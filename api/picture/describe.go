package picture

import (
	"fmt"
	"strings"

	"drawgear/rules"
	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

// describe tells all that the picture of the whole shows, the gravest first.
func describe(r *rig.Rig, l *loads.Loads) string {
	out := describeRig(r, l)
	var done, open []string
	for i := range l.Lines {
		if n := &l.Lines[i]; drawn(n) {
			done = append(done, told(n))
		}
	}
	for _, n := range notJudged(l) {
		open = append(open, told(n))
	}
	if len(done) > 0 {
		out += " The limits, one by one. " + strings.Join(done, " ")
	}
	if len(open) > 0 {
		out += " Not judged. " + strings.Join(open, " ")
	}
	if text := unlisted(l); text != "" {
		out += " " + text
	}
	return out
}

// describeRig tells the views, and where the chain is weakest.
func describeRig(r *rig.Rig, l *loads.Loads) string {
	var out []string
	for _, text := range dangers(l) {
		out = append(out, "Unsafe: "+text)
	}
	out = append(out, "A towing vehicle, at the left, draws a trailer.",
		"Now: "+sentence(l.Now.Summary), "Trailer loaded to its plate: "+sentence(l.Full.Summary),
		weakest(now, l.Now, l), weakest(full, l.Full, l))
	rests := supports(r, l)
	if e, ok := each(r, l); ok {
		rests = append(rests, e)
	}
	for _, u := range rests {
		text := "On the " + u.name
		if strings.HasPrefix(u.name, "each") {
			text = "On " + u.name
		}
		text += " rests, coupled: now " + say(u.now) + ", full " + say(u.full)
		if u.alone {
			text += "; uncoupled " + say(u.solo)
		}
		if upward(u.now) || upward(u.full) {
			text += "; below zero is a pull upwards"
		}
		out = append(out, text+".")
	}
	if levelled(l) {
		out = append(out, "These are the loads with the load-levelling hitch as set.")
	}
	out = append(out, centre(l, "the coupling"))
	for _, g := range []struct {
		id   rig.ID
		what string
	}{{wheelbase, "Wheelbase"}, {overhang, "Overhang from rear axle to coupling"}, {ballToAxle, "From coupling to trailer axle"}, {axleCount, "Number of trailer axles"}} {
		value := "not given"
		if r.Known(g.id) {
			value = r.Text(g.id)
		}
		out = append(out, g.what+": "+value+".")
	}
	if given := givenWords(r); given != "" {
		out = append(out, given)
	}
	out = append(out, scaleWords(lay(r)))
	if all := things(r, "the front axle", "the coupling"); len(all) > 0 {
		out = append(out, "Things carried: "+strings.Join(all, "; ")+".")
	}
	return strings.Join(out, " ")
}

func sentence(s string) string {
	if s == "" {
		return "nothing is said."
	}
	return s
}

// told is one limit in words.
func told(n *loads.Line) string {
	text := capital(name(n))
	switch limit := say(n.Rating); {
	case n.Rating.Value == "":
		text += ": limit not known"
	case n.Relation == loads.AtLeast:
		text += ": at least " + limit
	case n.Relation == loads.Below:
		text += ": below " + limit
	case n.Relation == loads.Equal:
		text += ": the same as " + limit
	default:
		text += ": at most " + limit
	}
	text += column(now, n.Now, n.Relation) + column(full, n.Full, n.Relation)
	if n.Note != "" {
		text += ". " + strings.TrimSuffix(n.Note, ".")
	}
	return text + "."
}

// column is how one column of a limit stands, in words.
func column(when string, h loads.Held, rel loads.Relation) string {
	out := fmt.Sprintf("; %s %s, %s", when, say(h.Load), outcome(h, rel))
	switch {
	case h.Status == rules.NotApplicable:
		return fmt.Sprintf("; %s it does not apply", when)
	case judged(h) && h.Utilisation != nil:
		out += " at " + percent(h, rel)
	case h.Status == rules.Unknown && len(h.Missing) > 0:
		out += ", waits for " + strings.Join(h.Missing, ", ")
	}
	if h.Status == rules.Unknown && h.Reason != "" {
		out += " (" + h.Reason + ")"
	}
	return out
}
