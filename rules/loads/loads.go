// Package loads answers, part by part, whether a rig is built for its load: what
// each part must carry, for what it is rated, and where nothing can be said. It
// is mechanics and plates, not law; what the law asks it takes from the answer of
// package rules.
//
// # Two columns
//
// Every line is judged twice: now, as the rig is laden, and full, with the trailer
// loaded to its plated total. Full does not take the vehicle to its plate: it is
// as laden as now and carries the full coupling load.
//
// # Three values
//
// A line is met, not met or unknown, and an unknown one lists the JSON Pointers of
// what is missing. Of a bound only what it proves is said: a coupling load of at
// least 200 kg is too much for 150 kg, and not known to be within 350 kg. An
// estimate decides nothing; it is shown with its assumption and the line stays
// unknown.
//
// # Exactness
//
// Amounts are fractions of whole numbers from entry to comparison, lever arms and
// coupling values among them, so that a load exactly at its limit is met and one
// gram more is not. Only gradients (a sine) are rounded, and they decide nothing.
// Number and Utilisation are the nearest floating-point values, for pictures.
package loads

import (
	"drawgear/rules"
	"drawgear/rules/rig"
)

// Loads is what the rig carries and whether each part is rated for it. Lists are
// in a fixed order, so that equal rigs give equal bytes.
type Loads struct {
	Now      Column   `json:"now"`       // the capacity chain as laden today
	Full     Column   `json:"full"`      // the same with the trailer at its plated total
	Lines    []Line   `json:"lines"`     // every limit in the load path, from the vehicle back
	Unlisted []string `json:"unlisted"`  // roles in the load path of which the document names no part
	Static   Static   `json:"static"`    // where the load rests
	Braking  Braking  `json:"braking"`   // what stops and holds it
	Advice   []Advice `json:"advice"`    // practice; it moves nothing
	Faults   []Fault  `json:"faults"`    // figures that cannot stand together, or are unsafe
	MaxTotal MaxTotal `json:"max_total"` // the heaviest laden trailer by mechanics alone
	Cautions []string `json:"cautions"`
}

// Column sums one column of the lines up. Lines of practice move neither its status
// nor its weakest link.
type Column struct {
	Status    rules.Status `json:"status"`     // not_met if any line is, else unknown if any is, else met
	Weakest   []Link       `json:"weakest"`    // the judged lines nearest to, or furthest beyond, their limit; several on a tie
	Failing   []string     `json:"failing"`    // ids of the lines not met
	NotJudged []string     `json:"not_judged"` // ids of the lines that are unknown: any of them may be the true weakest link
	Advised   []string     `json:"advised"`    // ids of lines of practice that are not met: a warning that moves nothing
	Summary   string       `json:"summary"`
}

// Link is one line of a chain.
type Link struct {
	Line        string   `json:"line"` // its id
	Name        string   `json:"name"`
	Utilisation *float64 `json:"utilisation,omitempty"` // absent for what is beyond its limit without measure, such as a ball of the wrong size
}

// Relation says how a load is held against its limit.
type Relation string

// The relations.
const (
	AtMost  Relation = "at_most"  // the load may not exceed the limit
	AtLeast Relation = "at_least" // the load may not fall below the limit
	Below   Relation = "below"    // the load must be less than the limit
	Equal   Relation = "equal"    // the two must be the same
	Range   Relation = "range"    // practice: a range to work to
)

// The levels of a line.
const (
	LevelRating   = "rating"   // a plate or a maker's limit
	LevelLaw      = "law"      // what the law of the place asks
	LevelPractice = "practice" // advice: moves nothing in Column
)

// Line is one limit in the load path.
type Line struct {
	ID       string   `json:"id"`   // for example vehicle.rear_axle, parts.2.rated_mass
	Name     string   `json:"name"` // for people
	Level    string   `json:"level"`
	Relation Relation `json:"relation"`
	Rating   Figure   `json:"rating"` // the limit; unknown if it is not given
	Now      Held     `json:"now"`
	Full     Held     `json:"full"`
	Source   Source   `json:"source"` // where the comparison comes from
	Rules    []string `json:"rules,omitempty"`
	Note     string   `json:"note,omitempty"`
}

// Held is a load held against the limit of its line.
type Held struct {
	Status      rules.Status `json:"status"` // met, not_met, unknown or not_applicable
	Load        Figure       `json:"load"`
	Utilisation *float64     `json:"utilisation,omitempty"` // 1 is at the limit, more is beyond it; limit over load for at_least
	Margin      string       `json:"margin,omitempty"`      // how far inside; negative when beyond
	Missing     []string     `json:"missing,omitempty"`     // pointers of what would decide it
	Reason      string       `json:"reason,omitempty"`      // why it is unknown or does not apply
}

// Bound says how a figure stands to the true one.
type Bound string

// The bounds.
const (
	Exact    Bound = "exact"
	NoLess   Bound = "no_less"  // the true figure is this or more
	NoMore   Bound = "no_more"  // the true figure is this or less
	Estimate Bound = "estimate" // may be either; decides nothing
)

// Figure is an amount with its working. An unknown one has no Value.
type Figure struct {
	Value      string      `json:"value,omitempty"` // with unit; "about" where it was rounded for print
	Number     *float64    `json:"number,omitempty"`
	Unit       string      `json:"unit,omitempty"` // of Number: kg, m, kN, N, %, km/h, m/s2
	Bound      Bound       `json:"bound,omitempty"`
	Formula    string      `json:"formula,omitempty"`
	Inputs     []rig.Input `json:"inputs,omitempty"`
	Missing    []string    `json:"missing,omitempty"` // pointers without which it is unknown, or only estimated
	Assumption string      `json:"assumption,omitempty"`
	Reason     string      `json:"reason,omitempty"` // why it is unknown, where more is needed than what is missing
}

// Source says where a formula or table comes from and how that was verified.
type Source struct {
	Fact         string `json:"fact,omitempty"` // id of the fact in package mech
	Title        string `json:"title"`
	Clause       string `json:"clause,omitempty"`
	Verification string `json:"verification"` // text, second-hand or memory
	Confidence   string `json:"confidence,omitempty"`
	Note         string `json:"note,omitempty"`
}

// Static is where the load rests, standing on level ground.
type Static struct {
	Now        State       `json:"now"`
	Full       State       `json:"full"`
	Ball       Ball        `json:"ball"`
	BallLimits []BallLimit `json:"ball_limits"` // what the coupling load is held against
	Moves      []Move      `json:"moves"`       // what moving or adding a thing does
	Sources    []Source    `json:"sources"`
}

// State is the loads of one column.
type State struct {
	TrailerTotal     Figure `json:"trailer_total"`
	BallLoad         Figure `json:"ball_load"`
	BallShare        Figure `json:"ball_share"`     // of the trailer's total
	CentreOfMass     Figure `json:"centre_of_mass"` // behind the coupling
	TrailerAxles     Figure `json:"trailer_axles"`  // all together, coupled, before any load-levelling
	EachTrailerAxle  Figure `json:"each_trailer_axle"`
	VehicleUncoupled Figure `json:"vehicle_uncoupled"`
	VehicleCoupled   Figure `json:"vehicle_coupled"`
	FrontUncoupled   Figure `json:"front_uncoupled"`
	RearUncoupled    Figure `json:"rear_uncoupled"`
	FrontCoupled     Figure `json:"front_coupled"` // before any load-levelling
	RearCoupled      Figure `json:"rear_coupled"`
	Levelled         *Level `json:"levelled,omitempty"` // with a load-levelling hitch as set; absent if there is none
	Combination      Figure `json:"combination"`        // the coupling load counted once
	TrailerPayload   Figure `json:"trailer_payload"`    // left on the trailer's plate; negative when over
	VehiclePayload   Figure `json:"vehicle_payload"`    // left on the vehicle's plate when coupled
}

// Level is where the load rests with a load-levelling hitch as it is set.
type Level struct {
	Moment       Figure `json:"moment"` // of the bars about the coupling, in kg m
	Passed       Figure `json:"passed"` // vertical load passed to the vehicle
	Front        Figure `json:"front"`
	Rear         Figure `json:"rear"`
	TrailerAxles Figure `json:"trailer_axles"`
}

// Ball tells which coupling load was used, and how two ways to it agree.
type Ball struct {
	Used       string `json:"used"`       // measured, itemised or unknown
	Measured   Figure `json:"measured"`   // entered, or from total and axles
	Itemised   Figure `json:"itemised"`   // from the empty trailer and the things on it
	Difference Figure `json:"difference"` // measured less itemised
	Lifts      bool   `json:"lifts"`      // the trailer pulls the coupling up: unsafe
	Text       string `json:"text"`
}

// BallLimit is one bound of the coupling load.
type BallLimit struct {
	From     string       `json:"from"` // rating, law or practice
	Ref      string       `json:"ref"`  // id of the line, the rule or the advice
	Name     string       `json:"name"`
	Relation Relation     `json:"relation"`
	Value    string       `json:"value,omitempty"`
	Number   *float64     `json:"number,omitempty"` // kg
	Now      rules.Status `json:"now"`
	Lowest   bool         `json:"lowest,omitempty"` // the least of the known upper ratings
}

// Move is how the loads answer to one thing carried.
type Move struct {
	Pointer  string `json:"pointer"` // of the item
	Name     string `json:"name,omitempty"`
	Affects  string `json:"affects"`   // ball_load, or rear_axle for a thing on the vehicle
	PerMove  Figure `json:"per_move"`  // change for 100 mm forward
	PerAdded Figure `json:"per_added"` // change for 10 kg more at its place
}

// Braking is what stops and holds the rig.
type Braking struct {
	Required     []Required `json:"required"`      // what the law asks of braking, from its answer
	VehicleShare Figure     `json:"vehicle_share"` // of the vehicle's own retardation that is left if it alone brakes
	Unbraked     Figure     `json:"unbraked"`      // retardation with the vehicle alone braking, at the one assumed for it
	Thrust       Figure     `json:"thrust"`        // with which the unbraked trailer then pushes
	Stopping     []Stopping `json:"stopping"`
	Parking      []Parking  `json:"parking"`
	Sources      []Source   `json:"sources"`
}

// Required is one demand on braking.
type Required struct {
	Question string   `json:"question"`
	Level    string   `json:"level"` // law, rating or practice
	Value    string   `json:"value"`
	Rules    []string `json:"rules"`
}

// Stopping is one estimate of a stopping distance; it decides nothing.
type Stopping struct {
	Case        string   `json:"case"` // measured, as_asked or vehicle_alone
	Text        string   `json:"text"`
	From        Figure   `json:"from"`
	Rate        Figure   `json:"rate"`
	Reaction    Figure   `json:"reaction"` // distance before the brakes act
	Distance    Figure   `json:"distance"` // in all
	Assumptions []string `json:"assumptions"`
}

// Parking is the force that holds the trailer on a grade.
type Parking struct {
	Question string   `json:"question"` // of the law, which gives the grade
	Grade    string   `json:"grade"`
	Rules    []string `json:"rules"`
	Now      Figure   `json:"now"`
	Full     Figure   `json:"full"`
}

// Advice is practice: it moves nothing, and there is no score.
type Advice struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Range  string `json:"range,omitempty"`
	Figure Figure `json:"figure"`
	Stands string `json:"stands"` // within, outside, unknown or told
	Label  string `json:"label"`
	Source Source `json:"source"`
}

// Fault is figures that cannot stand together, or a state that is unsafe.
type Fault struct {
	ID       string   `json:"id"`
	Text     string   `json:"text"`
	Pointers []string `json:"pointers"`
	Unsafe   bool     `json:"unsafe"` // the rig as given is dangerous, not only the document wrong
}

// MaxTotal is the heaviest laden trailer by mechanics alone, with today's vehicle
// and today's share on the coupling.
type MaxTotal struct {
	Total     Figure     `json:"total"` // the least of Limits; with any limit not judged the true one may be less
	Share     Figure     `json:"share"` // on the coupling
	Limits    []MaxLimit `json:"limits"`
	Weakest   []string   `json:"weakest"` // ids of those that set Total
	NotJudged []Unjudged `json:"not_judged"`
	Source    Source     `json:"source"`
}

// MaxLimit is the heaviest trailer that one limit allows.
type MaxLimit struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	Total Figure `json:"total"`
}

// Unjudged is a limit that could not be worked out.
type Unjudged struct {
	ID      string   `json:"id"`
	Name    string   `json:"name"`
	Missing []string `json:"missing"`
	Reason  string   `json:"reason,omitempty"`
}
