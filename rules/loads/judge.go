package loads

import (
	"fmt"
	"slices"
	"strings"

	"drawgear/rules"
)

// judge holds a load against a limit. Bounds and estimates decide only what they
// prove.
func judge(rel Relation, load, limit amount) Held {
	h := Held{Status: rules.Unknown, Load: load.figure(), Missing: union(load.missing, limit.missing), Reason: joined(load.reason, limit.reason)}
	if !allKnown(load, limit) {
		return h
	}
	room := limit.v.sub(load.v)
	if rel == AtLeast {
		room = room.neg()
	}
	h.Utilisation = number0(utilisation(rel, load, limit))
	if rel != Equal {
		margin := limit
		margin.v = room
		h.Margin = margin.text()
	}
	inside := room.sign() >= 0
	switch rel {
	case Below:
		inside = room.sign() > 0
	case Equal:
		inside = room.sign() == 0
	}
	// What is known of the room that is left, from what is known of both sides.
	bound := limit.bound.join(load.bound.flip())
	if rel == AtLeast {
		bound = bound.flip()
	}
	switch {
	case bound == Exact, bound == NoLess && inside && rel != Equal, bound == NoMore && !inside && rel != Equal:
		h.Status, h.Missing, h.Reason = rules.Met, nil, ""
		if !inside {
			h.Status = rules.NotMet
		}
	default:
		h.Reason = joined(joined(load.assumption, limit.assumption), "an estimate decides nothing")
	}
	return h
}

// utilisation is the part of the limit that is used; no number where nothing is there
// to divide by.
func utilisation(rel Relation, load, limit amount) fraction {
	num, den := load.v, limit.v
	switch rel {
	case Equal:
		return fraction{}
	case AtLeast:
		num, den = den, num
	}
	if den.sign() <= 0 {
		return fraction{}
	}
	return num.quo(den)
}

func number0(v fraction) *float64 {
	if !v.known() {
		return nil
	}
	return number(v)
}

func notApplicable(why string) Held {
	return Held{Status: rules.NotApplicable, Reason: why}
}

// chain gathers the lines.
type chain struct {
	*load
	law, lawFull answers
	lines        []entry
	unlisted     []string
}

// entry is a line with what only the sums need.
type entry struct {
	Line
	use     [2]fraction // utilisation now and full; no number where there is none
	conduct bool        // about how the rig is driven: unknown holds nothing up
	limit   amount
	loads   [2]amount
}

// line adds a limit that holds a load in both columns.
func (c *chain) line(id, name string, rel Relation, limit, now, full amount, src Source) *entry {
	e := entry{limit: limit, loads: [2]amount{now, full}, Line: Line{
		ID: id, Name: name, Level: LevelRating, Relation: rel, Rating: limit.figure(), Source: src,
		Now: judge(rel, now, limit), Full: judge(rel, full, limit),
	}}
	for i, l := range e.loads {
		if allKnown(l, limit) {
			e.use[i] = utilisation(rel, l, limit)
		}
	}
	c.lines = append(c.lines, e)
	return &c.lines[len(c.lines)-1]
}

// column sums the lines up. Lines of practice move nothing; what they warn of, and
// what they could not judge, is listed.
func (c *chain) column(i int) Column {
	col := Column{Status: rules.Met, Weakest: []Link{}, Failing: []string{}, NotJudged: []string{}, Advised: []string{}}
	var most fraction
	judged, beyond := 0, false
	for _, e := range c.lines {
		h, practice := e.held(i), e.Level == LevelPractice
		switch {
		case h.Status == rules.Unknown:
			col.NotJudged = append(col.NotJudged, e.ID)
			if !e.conduct && !practice && col.Status == rules.Met {
				col.Status = rules.Unknown
			}
			continue
		case practice && h.Status == rules.NotMet:
			col.Advised = append(col.Advised, e.ID)
			continue
		case practice, h.Status == rules.NotApplicable:
			continue
		}
		judged++
		if h.Status == rules.NotMet {
			col.Status = rules.NotMet
			col.Failing = append(col.Failing, e.ID)
		}
		boundless := h.Status == rules.NotMet && !e.use[i].known() // nothing to divide by: worse than any
		switch order := compare(e.use[i], boundless, most, beyond); {
		case !e.use[i].known() && !boundless, order < 0:
			continue
		case order > 0:
			most, beyond, col.Weakest = e.use[i], boundless, nil
		}
		col.Weakest = append(col.Weakest, Link{Line: e.ID, Name: e.Name, Utilisation: number0(e.use[i])})
	}
	if judged == 0 && col.Status == rules.Met {
		col.Status = rules.Unknown
	}
	col.Summary = col.summary(judged, most)
	return col
}

// unranked keeps what is no load, a count or a speed, out of the ranking of loads.
func (e *entry) unranked() {
	e.use = [2]fraction{}
	e.Now.Utilisation, e.Full.Utilisation = nil, nil
}

func (e *entry) held(i int) *Held {
	if i == 0 {
		return &e.Now
	}
	return &e.Full
}

func (col Column) summary(judged int, most fraction) string {
	if judged == 0 {
		return "Nothing could be judged."
	}
	var s strings.Builder
	names := make([]string, len(col.Weakest))
	for i, w := range col.Weakest {
		names[i] = w.Name
	}
	who := strings.Join(names, " and ")
	switch {
	case most.known():
		fmt.Fprintf(&s, "Limits judged: %d. Nearest: %s, at %s.", judged, who, percentOf(most))
	case who != "":
		fmt.Fprintf(&s, "Limits judged: %d. Wholly beyond: %s.", judged, who)
	default:
		fmt.Fprintf(&s, "Limits judged: %d.", judged)
	}
	if n := len(col.Failing); n > 0 {
		fmt.Fprintf(&s, " Not met: %d.", n)
	}
	if n := len(col.NotJudged); n > 0 {
		fmt.Fprintf(&s, " Not judged: %d; any of them may be weaker.", n)
	}
	return s.String()
}

// percentOf writes a utilisation so that what is beyond its limit never reads as
// 100 %, nor what is within it as more.
func percentOf(u fraction) string {
	v := u.mul(hundred)
	s := v.rat().FloatString(1)
	if s == "100.0" {
		switch v.cmp(hundred) {
		case 1:
			return "just over 100 %"
		case -1:
			return "just under 100 %"
		}
	}
	return strings.TrimSuffix(s, ".0") + " %"
}

// compare orders two utilisations; a boundless one is above all others and one that
// is no number below.
func compare(u fraction, uBoundless bool, v fraction, vBoundless bool) int {
	switch {
	case uBoundless || vBoundless:
		return rank(uBoundless) - rank(vBoundless)
	case !v.known():
		return 1
	case !u.known():
		return -1
	}
	return u.cmp(v)
}

func rank(b bool) int {
	if b {
		return 1
	}
	return 0
}

// worst is the worst of several outcomes, as a chain of parts has it.
func worst(statuses ...rules.Status) rules.Status {
	for _, s := range []rules.Status{rules.NotMet, rules.Unknown, rules.Met} {
		if slices.Contains(statuses, s) {
			return s
		}
	}
	return rules.NotApplicable
}
