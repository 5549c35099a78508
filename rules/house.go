package rules

import (
	"fmt"
	"slices"
	"strings"

	"drawgear/rules/law"
)

// Bounds of what can be addressed: ids and numbers of versions stand in paths.
const (
	maxRulesetID = 64
	maxVersion   = 1_000_000
)

// CheckHouse holds house rules to what they may be: an addition to the law that
// the book holds for their place. They can make an answer say more and can fail
// a rig, and nothing in them can make an answer milder than the law alone is.
// The faults have pointers and no lines.
func (b *Book) CheckHouse(rs *law.Ruleset) law.Faults {
	h := &house{book: b, rs: rs}
	h.head()
	h.place()
	for i := range rs.Rules {
		h.rule(i, rs.Rules[i])
	}
	return h.faults
}

type house struct {
	book   *Book
	rs     *law.Ruleset
	faults law.Faults
}

func (h *house) fault(pointer, format string, args ...any) {
	h.faults = append(h.faults, law.Fault{Pointer: pointer, Message: fmt.Sprintf(format, args...)})
}

func (h *house) head() {
	if !h.rs.House() || len(h.rs.Ruleset) > maxRulesetID {
		h.fault("/ruleset", "the id of house rules begins with %s and has at most %d characters", law.HousePrefix, maxRulesetID)
	}
	if h.rs.Version > maxVersion {
		h.fault("/version", "there is no version above %d", maxVersion)
	}
	// Whoever renames a figure also renames it in the findings of the law.
	if len(h.rs.Terms) > 0 {
		h.fault("/terms", "what a place calls a figure is for its law to say")
	}
	for _, v := range h.book.byID[h.rs.Ruleset] {
		if v.Jurisdiction != h.rs.Jurisdiction {
			h.fault("/jurisdiction", "version %d is for %s, and a ruleset stays where it is", v.Version, v.Jurisdiction)
			break
		}
	}
}

// place asks that the rules extend the law of their place and bring in no law
// of another.
func (h *house) place() {
	var served []string // rulesets of the law of the place, with those they extend
	for _, rs := range h.book.rulesets {
		if rs.Jurisdiction == h.rs.Jurisdiction && !rs.House() && rs.Jurisdiction != "" {
			served = append(served, h.book.closure(rs)...)
		}
	}
	if served == nil {
		h.fault("/jurisdiction", "house rules are for one place whose law is held, and none is for %q", h.rs.Jurisdiction)
		return
	}
	extends := false
	for i, id := range h.rs.Extends {
		pointer := law.Pointer("extends", i)
		versions := h.book.byID[id]
		if versions == nil {
			h.fault(pointer, "there is no ruleset %s", id)
			continue
		}
		for _, below := range h.book.closure(versions[len(versions)-1]) {
			switch {
			case strings.HasPrefix(below, law.HousePrefix):
			case !slices.Contains(served, below):
				h.fault(pointer, "%s is no law of %s", below, h.rs.Jurisdiction)
			case h.book.byID[below][0].Jurisdiction == h.rs.Jurisdiction:
				extends = true
			}
		}
	}
	if !extends {
		h.fault("/extends", "house rules extend a ruleset of the law of %s", h.rs.Jurisdiction)
	}
}

func (h *house) rule(i int, r *law.Rule) {
	if !strings.HasPrefix(r.ID, law.HouseRulePrefix) {
		h.fault(law.Pointer("rules", i, "id"), "the id of a house rule begins with %s", law.HouseRulePrefix)
	}
	if r.Level == "law" {
		h.fault(law.Pointer("rules", i, "level"), "rule %s: a house rule is no law; say level: practice, or rating if it is a plate or a maker's limit", r.ID)
	}
	for k, id := range r.Overrides {
		if !strings.HasPrefix(id, law.HouseRulePrefix) {
			h.fault(law.Pointer("rules", i, "overrides", k), "rule %s: house rules switch off no rule of law, and %s is one", r.ID, id)
		}
	}
	for _, d := range r.Duties {
		if d.Relief {
			h.fault(law.Pointer("rules", i, "oblige"), "rule %s: house rules free from nothing, and %s: false would", r.ID, d.Question)
		}
	}
}
