// Package rules answers, for a rig, the law of its place and a day: which
// obligations hold, which are met, and why. It is pure: no clock, no network,
// no files beyond the embedded library, no log. The same rig, rulesets and day
// give the same bytes.
package rules

import (
	"drawgear/rules/duty"
	"drawgear/rules/rig"
)

// Verdict is the outcome for the whole rig.
type Verdict string

// The verdicts.
const (
	Compliant    Verdict = "compliant"
	NonCompliant Verdict = "non_compliant"
	Undetermined Verdict = "undetermined"
)

// Status is the outcome of one finding.
type Status = duty.Status

// The statuses, from worst to least.
const (
	NotMet        = duty.NotMet
	Unknown       = duty.Unknown
	Met           = duty.Met
	NotApplicable = duty.NotApplicable
)

// Tri is a three-valued answer to a question.
type Tri string

// The three values.
const (
	Yes      Tri = "yes"
	No       Tri = "no"
	DontKnow Tri = "unknown"
)

// Answer is what the service says of a rig. Lists are in a fixed order, so that
// equal questions give equal bytes.
type Answer struct {
	Jurisdiction string           `json:"jurisdiction"`
	AsOf         string           `json:"as_of"`
	Verdict      Verdict          `json:"verdict"`
	Answers      Answers          `json:"answers"`
	Asks         []Ask            `json:"asks"` // what is asked of this rig, question by question
	Findings     []Finding        `json:"findings"`
	Conflicts    []Conflict       `json:"conflicts"`
	Notices      []Notice         `json:"notices"`
	Missing      []Missing        `json:"missing"`
	NotCovered   []string         `json:"not_covered"` // questions on which nothing is encoded for the place and day
	Loads        []rig.Derivation `json:"loads"`
	Rulesets     []RulesetRef     `json:"rulesets"`
	Sources      []Source         `json:"sources"` // every publication cited above
	Cautions     []string         `json:"cautions"`
}

// Answers are the questions that a sales desk asks.
type Answers struct {
	Brakes       Question `json:"brakes"`
	Breakaway    Question `json:"breakaway"`
	SafetyChains Question `json:"safety_chains"`
	ParkingBrake Question `json:"parking_brake"`
	PartsRated   Question `json:"parts_rated"`
}

// Question is one answer: is it required, does the rig hold to it.
type Question struct {
	Required  Tri      `json:"required"`
	Holds     Tri      `json:"holds"`
	Covered   bool     `json:"covered"`             // some rule in force speaks of it
	Permitted []string `json:"permitted,omitempty"` // what may be fitted, where the law lists it
	Findings  []string `json:"findings"`            // ids of the findings behind it
}

// Ask is what the rules that hold ask together on one question of the
// vocabulary: the strictest of them.
type Ask struct {
	Question  string   `json:"question"`            // for example breakaway.hold
	Value     string   `json:"value"`               // true, false, an amount with unit, a count, a word; unknown if it cannot be decided
	Permitted []string `json:"permitted,omitempty"` // where the law lists what may be fitted
	Rules     []string `json:"rules"`               // the rules behind it
}

// Finding is one duty of one rule, held against the rig.
type Finding struct {
	ID       string      `json:"id"`   // rule id, a slash, the key of the obligation
	Rule     string      `json:"rule"` // rule id
	Question string      `json:"question"`
	Level    string      `json:"level"` // law, rating or practice
	Status   Status      `json:"status"`
	Summary  string      `json:"summary"`
	Because  string      `json:"because"` // why the rule applies, does not, or cannot be decided
	Inputs   []rig.Input `json:"inputs"`
	Limit    string      `json:"limit,omitempty"`
	Margin   string      `json:"margin,omitempty"` // how far inside the limit; negative when beyond it
	Remedy   string      `json:"remedy,omitempty"`
	Replaced string      `json:"displaced_by,omitempty"` // rule whose overrides switch this one off
	Citation Citation    `json:"citation"`
	WaitsFor []string    `json:"waits_for,omitempty"` // pointers of missing inputs
}

// Citation says where a rule is published and how that was verified. The
// source itself is described once, in Answer.Sources.
type Citation struct {
	Ruleset         string `json:"ruleset"`
	Version         int    `json:"version"`
	Source          string `json:"source"` // id in Answer.Sources
	Title           string `json:"title"`
	Clause          string `json:"clause,omitempty"`
	Verification    string `json:"verification"` // text, second-hand or memory
	Confidence      string `json:"confidence"`
	NeedsConfirming bool   `json:"needs_confirming"` // true unless the source text itself was read
}

// Source is a publication that the answer cites.
type Source struct {
	ID        string `json:"id"`
	Title     string `json:"title"`
	Publisher string `json:"publisher"`
	Edition   string `json:"edition,omitempty"`
	Published string `json:"published,omitempty"`
	URL       string `json:"url,omitempty"`
	Kind      string `json:"kind"`
	Checked   string `json:"checked"`              // how it was last compared: text, second-hand or memory
	CheckedOn string `json:"checked_on,omitempty"` // the day of that; none if only remembered
}

// Conflict is two rules that hold together and cannot both be obeyed, or that
// one ruleset states against each other without saying which gives way.
type Conflict struct {
	Question  string     `json:"question"`
	Summary   string     `json:"summary"`
	Rules     []string   `json:"rules"`
	Citations []Citation `json:"citations"`
}

// Notice tells something that no field of the rig decides.
type Notice struct {
	Rule     string   `json:"rule"`
	About    string   `json:"about"`
	Text     string   `json:"text"`
	Applies  Tri      `json:"applies"`
	Citation Citation `json:"citation"`
}

// Missing is an input that would decide something.
type Missing struct {
	Pointer string   `json:"pointer"`
	Term    string   `json:"term,omitempty"` // what the place calls it
	Meaning string   `json:"meaning"`
	Rules   []string `json:"rules"` // rules waiting for it
}

// RulesetRef identifies the exact text of law that was applied.
type RulesetRef struct {
	ID        string   `json:"id"`
	Version   int      `json:"version"`
	Title     string   `json:"title"`
	SHA256    string   `json:"sha256"`
	Effective Interval `json:"effective"`
	Reviewed  string   `json:"reviewed"`
}

// Interval is a span of days, both included; an open end is left out.
type Interval struct {
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
}
