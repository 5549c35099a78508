package loads

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules"
	"drawgear/rules/mech"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// kgf is standard gravity in m/s2, which makes a force one of kilograms; mech.GKgf.
var kgf = frac(980665, 100000)

// chainLines are the safety chains or cables and their shackles: what their marks
// say, and what the law of the place asks of them.
func (c *chain) chainLines() {
	chains := c.fitted("chain", "cable")
	c.chainCount(chains)
	c.lawOfChains(chains)
	for _, i := range chains {
		c.chainMark(i)
	}
	if len(chains) == 0 && !c.absent("chain", "cable") {
		if c.law.asks("safety_chains.required") == "true" {
			c.line("chain.rated_mass", "the safety chains", AtMost, unknown("", needPart).as("rated_mass"), c.now.total, c.full.total, plates)
		} else {
			c.unlisted = append(c.unlisted, "chain")
		}
	}
	shackles := c.fitted("shackle")
	for _, i := range shackles {
		c.shackle(i)
	}
	if len(chains) > 0 && len(shackles) == 0 && !c.absent("shackle") {
		c.unlisted = append(c.unlisted, "shackle")
	}
}

// chainCount holds the number of chains against the number that the law asks.
func (c *chain) chainCount(chains []int) {
	for _, question := range []string{"safety_chains.count", "safety_chains.required"} {
		ask, _ := c.law.ask(question)
		n, err := strconv.ParseInt(ask.Value, 10, 64)
		if ask.Value == "true" {
			n, err = 1, nil
		}
		if err != nil || len(chains) == 0 && !c.absent("chain", "cable") {
			continue
		}
		fitted := int64(0)
		var in []rig.Input
		for i, p := range c.r.Parts {
			if p.Role == "chain" || p.Role == "cable" {
				fitted += int64(p.Count)
				in = append(in, rig.Input{Pointer: partPointer(i, "count"), Value: fmt.Sprint(p.Count)})
			}
		}
		limit, asked := whole(fitted).as("chains fitted"), whole(n).as("chains asked")
		limit.inputs = in
		e := c.lawLine(question, "law."+question, "the number of chains that the law asks", AtMost, limit, asked, asked)
		e.unranked()
		return
	}
}

// chainMark holds the trailer mass that a chain is marked for against the whole
// trailer. Sources: plates; mech.FactAS4177 for a mark of that standard.
func (c *chain) chainMark(i int) {
	p, src := c.r.Parts[i], plates
	limit := partAmount(c.r, i, "rated_mass")
	if mark, ok := mech.SafetyChainMarked(p.Grade); ok && !limit.known() {
		limit = exact(ofFloat(mark.Mass), kilogram).as("mass of the mark " + mark.Mark)
		limit.inputs = []rig.Input{{Pointer: partPointer(i, "grade"), Value: p.Grade}}
		src = from(mech.FactAS4177)
	}
	asked := slices.ContainsFunc([]string{"each_breaking", "each_breaking_over", "together_breaking"}, func(k string) bool {
		return c.law.asks("safety_chains."+k) != ""
	})
	if !limit.known() && asked {
		return // the law of the place goes by breaking strength
	}
	if !limit.known() && breaking(c.r, i).known() {
		limit.reason = "only a breaking strength is given, and no rule held here asks for one"
	}
	c.line(partID(i, "rated_mass"), "the "+c.name(i), AtMost, limit, c.now.total, c.full.total, src)
}

func partPointer(i int, field string) string { return fmt.Sprintf("/parts/%d/%s", i, field) }

// breaking is the breaking strength of a part as a mass: as marked, or the force
// over standard gravity.
func breaking(r *rig.Rig, i int) amount {
	a := partAmount(r, i, "breaking_mass", "breaking_force")
	if a.known() && a.held == kilonewton {
		a = times(a, exact(frac(1000, 1).quo(kgf), bare)).in(kilogram).as("breaking_force / 9.80665 m/s2")
	}
	return a
}

// shackle holds a shackle by the one advice there is: six times its working load
// limit is at least one and a half times the plated trailer. It is practice and
// moves nothing. Source: mech.FactShackle.
func (c *chain) shackle(i int) {
	limit := times(partAmount(c.r, i, "working_load"), whole(4)).as("4 x working_load")
	rated := fact(c.r, trailerRatedTotal)
	e := c.line(partID(i, "working_load"), "the "+c.name(i), AtMost, limit, rated, rated, from(mech.FactShackle))
	e.Level = LevelPractice
	e.Note = "Advice for grade S (6) shackles pulled in line: 6 x working load limit at least 1.5 x the plated trailer, which is the plated trailer at most 4 x the limit; both columns hold the plate against it."
}

// answers is the law's answer; where none was given it asks nothing.
type answers struct {
	*rules.Answer
	given bool
}

func answersOf(a *rules.Answer) answers {
	if a == nil {
		return answers{Answer: &rules.Answer{}}
	}
	return answers{a, true}
}

// asks is what the law asks on a question, empty where it is silent.
func (a answers) asks(question string) string {
	ask, ok := a.ask(question)
	if !ok {
		return ""
	}
	return ask.Value
}

func (a answers) ask(question string) (rules.Ask, bool) {
	for _, ask := range a.Asks {
		if ask.Question == question {
			return ask, true
		}
	}
	return rules.Ask{}, false
}

// findings are those of the rules behind an ask.
func (a answers) findings(ask rules.Ask) []rules.Finding {
	var out []rules.Finding
	for _, f := range a.Findings {
		if f.Question == ask.Question && slices.Contains(ask.Rules, f.Rule) {
			out = append(out, f)
		}
	}
	return out
}

// demand is what the law asks on a question as an amount.
func (a answers) demand(question string) amount {
	ask, _ := a.ask(question)
	out := amount{formula: "what the law asks"}
	for _, f := range a.findings(ask) {
		// What a part has is no part of what is asked.
		out.missing = union(out.missing, slices.DeleteFunc(slices.Clone(f.WaitsFor), ofPart))
		out.inputs = union(out.inputs, slices.DeleteFunc(slices.Clone(f.Inputs), func(in rig.Input) bool { return ofPart(in.Pointer) }))
	}
	q, err := quantity.ParseAny(ask.Value)
	if err != nil || held[q.Dimension()].of == (fraction{}) {
		out.reason = "what the law asks here cannot be decided"
		return out
	}
	return ofQuantity(q, out.inputs...).as(out.formula)
}

func ofPart(pointer string) bool { return strings.HasPrefix(pointer, "/parts/") }

// laden reports whether a demand rests on what the rig weighs today.
func laden(a amount) bool {
	return slices.ContainsFunc(a.inputs, func(in rig.Input) bool {
		return strings.Contains(in.Pointer, "/laden/") || strings.Contains(in.Pointer, "/items/")
	})
}

// demands is the demand in each column.
func (c *chain) demands(question string) (now, full amount) {
	now = c.law.demand(question)
	switch {
	case c.lawFull.given:
		full = unknown("the law asks nothing here of the fully loaded rig")
		if _, ok := c.lawFull.ask(question); ok {
			full = c.lawFull.demand(question)
		}
	case now.known() && laden(now):
		full = unknown("what the law asks rests on what the rig weighs; ask again with the trailer at its plate").as(now.formula)
	default:
		full = now
	}
	return now, full
}

// lawOfChains are the lines that the law of the place adds for chains.
func (c *chain) lawOfChains(chains []int) {
	for _, q := range []struct {
		key, what string
		rel       Relation
		of        func(r *rig.Rig, i int) amount
	}{
		{"each_rated", "the mass that the law asks of the ", AtMost, func(r *rig.Rig, i int) amount { return partAmount(r, i, "rated_mass") }},
		{"each_breaking", "the strength that the law asks of the ", AtMost, breaking},
		{"each_breaking_over", "the strength that the law asks of the ", Below, breaking},
		{"size", "the size that the law asks of the ", AtMost, func(r *rig.Rig, i int) amount { return partAmount(r, i, "size") }},
	} {
		question := "safety_chains." + q.key
		if c.law.asks(question) == "" {
			continue
		}
		now, full := c.demands(question)
		for _, i := range chains {
			if q.key == "size" && c.r.Parts[i].Role == "cable" {
				continue // the law speaks of links
			}
			c.lawLine(question, "law."+question+"."+partID(i, ""), q.what+c.name(i), q.rel, q.of(c.r, i), now, full)
		}
		if len(chains) == 0 && !c.absent("chain", "cable") {
			c.lawLine(question, "law."+question, q.what+"chain", q.rel, unknown("", needPart), now, full)
		}
	}
	const together = "safety_chains.together_breaking"
	if c.law.asks(together) == "" || c.absent("chain", "cable") {
		return
	}
	now, full := c.demands(together)
	sum := []amount{}
	for _, i := range chains {
		sum = append(sum, times(breaking(c.r, i), whole(int64(c.r.Parts[i].Count))))
	}
	if len(sum) == 0 {
		sum = append(sum, unknown("", needPart))
	}
	c.lawLine(together, "law."+together, "the strength that the law asks of the chains together", AtMost, plus(sum...).as("sum of count x breaking strength"), now, full)
}

// lawLine adds a line of the law with the rules behind it.
func (c *chain) lawLine(question, id, name string, rel Relation, limit, now, full amount) *entry {
	ask, _ := c.law.ask(question)
	findings := c.law.findings(ask)
	f := governing(findings, now)
	src := Source{Title: f.Citation.Title, Clause: f.Citation.Clause, Verification: f.Citation.Verification, Confidence: f.Citation.Confidence}
	e := c.line(strings.TrimSuffix(id, "."), name, rel, limit, now, full, src)
	e.Level, e.Rules = f.Level, ask.Rules
	if tooClose(now, limit) {
		// The answer prints its demand to so many places; this near, its own findings are the finer.
		statuses := make([]rules.Status, len(findings))
		for i, f := range findings {
			statuses[i] = f.Status
		}
		if e.Now.Status = worst(statuses...); e.Now.Status != rules.Met {
			e.Now.Reason = "too near to tell from what the answer prints; as its finding has it"
		}
	}
	return e
}

// governing is the finding that sets a demand: one whose limit it is, of the law
// before a plate.
func governing(findings []rules.Finding, demand amount) rules.Finding {
	var best rules.Finding
	score := -1
	for _, f := range findings {
		n := 0
		if q, err := quantity.ParseAny(f.Limit); err == nil && demand.known() && q.Dimension().BaseUnit().Symbol() == demand.held.symbol && ofQuantity(q).v.cmp(demand.v) == 0 {
			n += 2
		}
		if f.Level == LevelLaw {
			n++
		}
		if n > score {
			best, score = f, n
		}
	}
	return best
}

// tooClose reports whether a demand that was printed in a unit other than the
// kilogram is within its last place of the limit: half of 0.001 lb.
func tooClose(demand, limit amount) bool {
	if !allKnown(demand, limit) || demand.shown.symbol == kilogram.symbol || demand.held != kilogram {
		return false
	}
	gap := demand.v.sub(limit.v)
	if gap.sign() < 0 {
		gap = gap.neg()
	}
	return gap.cmp(frac(45359237, 200_000_000_000)) <= 0
}

// partRatings are the lines of the law on the rated mass of single parts, where it
// asks for more than that each plate holds.
func (c *chain) partRatings() {
	for _, role := range rig.PartRoles {
		question := "part_rating." + role
		ask, ok := c.law.ask(question)
		lawful := slices.ContainsFunc(c.law.findings(ask), func(f rules.Finding) bool { return f.Level == LevelLaw })
		if !ok || !lawful || c.absent(role) {
			continue
		}
		now, full := c.demands(question)
		parts := c.fitted(role)
		for _, i := range parts {
			c.lawLine(question, "law."+question+"."+partID(i, ""), "the mass that the law asks of the "+c.name(i), AtMost, partAmount(c.r, i, "rated_mass"), now, full)
		}
		if len(parts) == 0 {
			c.lawLine(question, "law."+question, "the mass that the law asks of the "+strings.ReplaceAll(role, "_", " "), AtMost, unknown("", needPart), now, full)
		}
	}
}
