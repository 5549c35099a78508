package rules

import (
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/duty"
	"drawgear/rules/law"
	"drawgear/rules/rig"
)

// Coverage says, for one question of a place, how many rules in force answer
// it and how well each was verified: those of the place itself, and how many it
// takes from a nation or a frame, which may bind only some rigs (as the federal
// rules of the United States bind only carriers).
type Coverage struct {
	Question   string `json:"question"`
	Answered   string `json:"answered"` // the best verification among them: text, second-hand, memory; or "not covered"
	Text       int    `json:"text"`
	SecondHand int    `json:"second_hand"`
	Memory     int    `json:"memory"`
	Inherited  int    `json:"inherited"`
}

// notCovered is the answer where no rule speaks.
const notCovered = "not covered"

// coverageQuestions are what a dealer or a fleet asks of a place, with the
// obligations or notices that answer each.
var coverageQuestions = []struct {
	name     string
	prefixes []string
	about    string // subject of a notice
}{
	{"brakes", []string{"service_brakes.required"}, ""},
	{"kinds", []string{"service_brakes.kinds", "service_brakes.operable_from_cab"}, ""},
	{"wheels", []string{"service_brakes.wheels"}, ""},
	{"breakaway", []string{"breakaway.required", "breakaway.any_of"}, ""},
	{"hold_time", []string{"breakaway.hold"}, ""},
	{"parking_brake", []string{"parking_brake."}, ""},
	{"chains", []string{"safety_chains."}, ""},
	{"coupling", []string{"coupling."}, ""},
	{"ratings", []string{"part_rating.", "mass_limit."}, ""},
	{"ratio", []string{"mass_ratio."}, ""},
	{"ball_load", []string{"ball_load."}, ""},
	{"performance", []string{"braking_performance."}, ""},
	{"speed", []string{"speed."}, ""},
	{"inspection", nil, "inspection"},
	{"licence", nil, "licence"},
}

// Coverage reports on every question for a place on a day. Advice does not
// count: only law, plates and notices answer.
func (b *Book) Coverage(code string, day rig.Day) ([]Coverage, bool) {
	plans, ok := b.plans[code]
	if !ok {
		return nil, false
	}
	var rules []*law.Rule
	for _, p := range plans {
		if !p.span.Contains(day) {
			continue
		}
		for _, r := range p.rules {
			// What a tenant asks of itself is no law of the place.
			if !r.Ruleset.House() && r.Effective.Contains(day) && (r.Level != "practice" || r.Oblige.Notice != nil) {
				rules = append(rules, r.Rule)
			}
		}
	}
	out := make([]Coverage, len(coverageQuestions))
	for i, q := range coverageQuestions {
		c := Coverage{Question: q.name, Answered: notCovered}
		for _, r := range rules {
			notice := q.about != "" && r.Oblige.Notice != nil && r.Oblige.Notice.About.Text == q.about
			if !notice && !slices.ContainsFunc(r.Duties, func(d duty.Duty) bool { return hasPrefix(d.Question, q.prefixes) }) {
				continue
			}
			c.Answered = better(c.Answered, r.Cite.How)
			switch {
			case r.Ruleset.Jurisdiction != code:
				c.Inherited++
			case r.Cite.How == "text":
				c.Text++
			case r.Cite.How == "second-hand":
				c.SecondHand++
			default:
				c.Memory++
			}
		}
		out[i] = c
	}
	return out, true
}

// better is the stronger of two labels of verification.
func better(a, b string) string {
	order := []string{"text", "second-hand", "memory", notCovered}
	if slices.Index(order, a) <= slices.Index(order, b) {
		return a
	}
	return b
}

// CoverageTable writes the coverage of every place as a Markdown table: t, s
// and m are rules of its own verified against the text, by second-hand reports
// and from memory, + those it takes from a nation or a frame.
func (b *Book) CoverageTable() string {
	var sb strings.Builder
	sb.WriteString("| place |")
	for _, q := range coverageQuestions {
		sb.WriteString(" " + strings.ReplaceAll(q.name, "_", " ") + " |")
	}
	sb.WriteString(" reviewed |\n|---|" + strings.Repeat("---|", len(coverageQuestions)) + "---|\n")
	for _, j := range b.Jurisdictions() {
		sb.WriteString("| " + j.Code)
		if j.Partial {
			sb.WriteString(" (part)")
		}
		sb.WriteString(" |")
		for _, c := range j.Coverage {
			sb.WriteString(" " + c.short() + " |")
		}
		sb.WriteString(" " + j.Reviewed + " |\n")
	}
	return sb.String()
}

func (c Coverage) short() string {
	var parts []string
	for _, x := range []struct {
		letter string
		n      int
	}{{"t", c.Text}, {"s", c.SecondHand}, {"m", c.Memory}} {
		if x.n > 0 {
			parts = append(parts, x.letter+strconv.Itoa(x.n))
		}
	}
	if c.Inherited > 0 {
		parts = append(parts, "+"+strconv.Itoa(c.Inherited))
	}
	if parts == nil {
		return "–"
	}
	return strings.Join(parts, " ")
}
