package picture

import (
	"fmt"
	"strconv"
	"strings"

	"drawgear/rules"
	"drawgear/rules/loads"
	"drawgear/rules/rig"
)

func number(n int) string { return strconv.Itoa(n) }

const notKnown = "not known"

// say prints a figure so that a bound or an estimate is seen to be one.
func say(f loads.Figure) string {
	switch {
	case f.Value == "":
		return notKnown
	case f.Bound == loads.NoLess:
		return "at least " + f.Value
	case f.Bound == loads.NoMore:
		return "at most " + f.Value
	case f.Bound == loads.Estimate:
		return "estimated " + f.Value
	}
	return f.Value
}

// judged reports whether a load was held against its limit with an outcome.
func judged(h loads.Held) bool { return h.Status == rules.Met || h.Status == rules.NotMet }

// drawn reports whether a line has an outcome in either column.
func drawn(l *loads.Line) bool { return judged(l.Now) || judged(l.Full) }

// percent prints a utilisation in such a way that what is beyond its limit never
// reads as within it, nor what is within as beyond.
func percent(h loads.Held, rel loads.Relation) string {
	switch {
	case h.Status == rules.NotApplicable:
		return "n/a"
	case !judged(h):
		return "?"
	case h.Utilisation == nil && rel == loads.Equal && h.Status == rules.Met:
		return "same"
	case h.Utilisation == nil && h.Status == rules.NotMet:
		return "beyond"
	case h.Utilisation == nil:
		return "met"
	}
	v := *h.Utilisation * 100
	s := strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
	switch {
	case v >= 10000:
		s = ">9999"
	case v <= -1000:
		s = "<-999"
	case v >= 1000:
		s = strconv.FormatFloat(v, 'f', 0, 64)
	case s == "-0":
		s = "0"
	case s == "100" && rel != loads.Below && h.Status == rules.NotMet:
		s = ">100"
	case s == "100" && v < 100:
		s = "<100"
	}
	return s + " %"
}

// outcome says in words how a load stands to its limit.
func outcome(h loads.Held, rel loads.Relation) string {
	switch {
	case h.Status == rules.NotApplicable:
		return "does not apply"
	case !judged(h):
		return "not judged"
	case h.Status == rules.Met:
		return "within"
	}
	return beyond(rel)
}

// beyond is the word for a limit that is not kept.
func beyond(rel loads.Relation) string {
	switch rel {
	case loads.AtLeast:
		return "LOW"
	case loads.Equal:
		return "DIFFERS"
	}
	return "OVER"
}

// verdict is how both columns of a line stand, and whether either is beyond its limit.
func verdict(l *loads.Line) (words string, bad bool) {
	now, full := l.Now.Status == rules.NotMet, l.Full.Status == rules.NotMet
	switch {
	case now && full, (now || full) && l.Relation == loads.Equal:
		return beyond(l.Relation), true
	case now:
		return beyond(l.Relation) + " now", true
	case full:
		return beyond(l.Relation) + " full", true
	case l.Full.Status == rules.Unknown:
		return "within now", false
	case l.Now.Status == rules.Unknown:
		return "within full", false
	}
	return "within", false
}

// name is a line's name without its article.
func name(l *loads.Line) string {
	n := strings.TrimPrefix(l.Name, "the ")
	if l.Level == loads.LevelPractice {
		n = "advice: " + n
	}
	return n
}

// notJudged are the lines without an outcome in either column, but for those that
// do not apply.
func notJudged(l *loads.Loads) []*loads.Line {
	var out []*loads.Line
	for i := range l.Lines {
		n := &l.Lines[i]
		if !drawn(n) && (n.Now.Status == rules.Unknown || n.Full.Status == rules.Unknown) {
			out = append(out, n)
		}
	}
	return out
}

// weakest says which links are the weakest of a column.
func weakest(when string, c loads.Column, l *loads.Loads) string {
	if len(c.Weakest) == 0 {
		return "Weakest link " + when + ": not known, as nothing could be judged."
	}
	var names []string
	for _, w := range c.Weakest {
		names = append(names, strings.TrimPrefix(w.Name, "the "))
	}
	out := "Weakest link " + when + ": " + list(names)
	if h, rel, ok := held(l, c.Weakest[0].Line, when); ok {
		switch {
		case h.Status == rules.NotMet && h.Utilisation == nil:
			out += ", NOT MET"
		case h.Status == rules.NotMet:
			out += ", " + percent(h, rel) + ", " + beyond(rel)
		default:
			out += ", " + percent(h, rel)
		}
	}
	return out + "."
}

func held(l *loads.Loads, id, when string) (loads.Held, loads.Relation, bool) {
	for _, n := range l.Lines {
		switch {
		case n.ID == id && when == now:
			return n.Now, n.Relation, true
		case n.ID == id:
			return n.Full, n.Relation, true
		}
	}
	return loads.Held{}, "", false
}

// The columns.
const (
	now  = "now"
	full = "full"
)

func list(names []string) string {
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return strings.Join(names, "")
}

// support is a place where load rests.
type support struct {
	letter, name string
	solo         loads.Figure // uncoupled, where that means anything
	now, full    loads.Figure // coupled
	alone        bool         // solo means something
}

// supports are the places where load rests, as the rig stands: with the
// load-levelling hitch as it is set, if it has one.
func supports(r *rig.Rig, l *loads.Loads) []support {
	n, f := &l.Static.Now, &l.Static.Full
	out := []support{
		{"A", "front axle", n.FrontUncoupled, n.FrontCoupled, f.FrontCoupled, true},
		{"B", "rear axle", n.RearUncoupled, n.RearCoupled, f.RearCoupled, true},
		{"C", "coupling", loads.Figure{}, n.BallLoad, f.BallLoad, false},
		{"D", "trailer axles", loads.Figure{}, n.TrailerAxles, f.TrailerAxles, false},
	}
	if n.Levelled != nil {
		out[0].now, out[1].now, out[3].now = n.Levelled.Front, n.Levelled.Rear, n.Levelled.TrailerAxles
	}
	if f.Levelled != nil {
		out[0].full, out[1].full, out[3].full = f.Levelled.Front, f.Levelled.Rear, f.Levelled.TrailerAxles
	}
	if r.Get(axleCount).Num == 1 {
		out[3].name = "trailer axle"
	}
	return out
}

// each is the row of the single axle of the trailer, where there are several.
func each(r *rig.Rig, l *loads.Loads) (support, bool) {
	n := r.Get(axleCount)
	return support{name: "each trailer axle", now: l.Static.Now.EachTrailerAxle, full: l.Static.Full.EachTrailerAxle}, !n.Known || n.Num > 1
}

// upward reports whether a support is pulled up by what should rest on it.
func upward(f loads.Figure) bool { return f.Number != nil && *f.Number < 0 }

// levelled reports whether the loads are those with a load-levelling hitch.
func levelled(l *loads.Loads) bool {
	return l.Static.Now.Levelled != nil || l.Static.Full.Levelled != nil
}

// dangers are the faults that make the rig dangerous as it is given.
func dangers(l *loads.Loads) []string {
	var out []string
	for _, f := range l.Faults {
		if f.Unsafe {
			out = append(out, f.Text)
		}
	}
	return out
}

// thing names a thing carried.
func thing(n int, it rig.Item, behind string) string {
	what := it.Name
	if strings.TrimSpace(what) == "" {
		what = "unnamed"
	}
	mass, at := "mass not given", "place not given"
	if !it.Mass.IsZero() {
		mass = it.Mass.Text()
	}
	if !it.At.IsZero() {
		at = it.At.Text() + " behind " + behind
	}
	return fmt.Sprintf("%d %s, %s, %s", n, what, mass, at)
}

// things are all that is carried, numbered as drawn; their places are behind
// the front axle or the coupling, whose names are given.
func things(r *rig.Rig, front, coupling string) []string {
	var out []string
	for _, it := range r.VehicleItems {
		out = append(out, thing(len(out)+1, it, front))
	}
	for _, it := range r.TrailerItems {
		out = append(out, thing(len(out)+1, it, coupling))
	}
	return out
}

// centre says where the centre of mass of the trailer lies.
func centre(l *loads.Loads, coupling string) string {
	n, f := l.Static.Now.CentreOfMass, l.Static.Full.CentreOfMass
	return "Centre of mass of the trailer behind " + coupling + ": " + say(n) + " now, " + say(f) + " full."
}

// unlisted says for which roles no part is listed.
func unlisted(l *loads.Loads) string {
	if len(l.Unlisted) == 0 {
		return ""
	}
	names := make([]string, len(l.Unlisted))
	for i, role := range l.Unlisted {
		names[i] = strings.ReplaceAll(role, "_", " ")
	}
	return "No part listed, so nothing judged: " + strings.Join(names, ", ") + "."
}
