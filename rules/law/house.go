package law

import "strings"

// Ids of house rulesets, which a customer of the service adds to the law of a
// place, and of their rules. No id of the library begins so.
const (
	HousePrefix     = "house-"
	HouseRulePrefix = "house."
)

// House reports whether these are house rules and no law.
func (d *Document) House() bool { return strings.HasPrefix(d.Ruleset, HousePrefix) }
