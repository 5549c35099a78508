package service

import (
	"errors"
	"strconv"
	"strings"
	"time"
)

// FittingState is where a fitting is in its life.
type FittingState string

// The states. A fitting is open while a proof that its plan asks for is wanting
// or failed, and proven once all have passed; more measurements can take it from
// either to the other. Nothing follows the signature.
const (
	FittingPlanned FittingState = "planned"
	FittingOpen    FittingState = "open"
	FittingProven  FittingState = "proven"
	FittingSigned  FittingState = "signed"
)

// FittingStates lists them all.
var FittingStates = []FittingState{FittingPlanned, FittingOpen, FittingProven, FittingSigned}

// ErrSigned: a fitting is signed off, and nothing can be added to it.
var ErrSigned = errors.New("the fitting is signed off")

// FittingSummary is a fitting in a list.
type FittingSummary struct {
	ID           string       `json:"id"`
	CreatedAt    time.Time    `json:"created_at"`
	Jurisdiction string       `json:"jurisdiction"`
	AsOf         string       `json:"as_of"`
	Assessment   string       `json:"assessment,omitempty"` // id of the one that the rig was taken from
	State        FittingState `json:"state"`                // after the last entry
	Revision     int          `json:"revision"`             // how many entries there are
}

// Position is its place in the list.
func (s FittingSummary) Position() Position { return Position{CreatedAt: s.CreatedAt, ID: s.ID} }

// FittingEntry is one thing that was written to a fitting: the plan first, then
// measurements, and the signature last. Given and Made are JSON whose bytes must
// come back as they were: the log holds their digests.
type FittingEntry struct {
	Revision int // its place among the entries, from 1
	At       time.Time
	By       string       // subject that wrote it
	State    FittingState // of the fitting from here on
	Engine   string       // version of the program that wrote it
	Given    []byte       // what was asked, measured or signed
	Made     []byte       // what the service made of it: plan, judgement, hand-over record
}

// FittingRecord is a fitting as a store keeps it.
type FittingRecord struct {
	FittingSummary
	Entries []FittingEntry // by revision
}

// FittingFilter picks summaries.
type FittingFilter struct {
	State FittingState // empty for all
	After *Position    // only what comes after it in the list, that is older; nil from the start
	Limit int          // at most so many; above 0
}

// Leaf is what the log of a tenant holds an entry of a fitting to, in the form
// that Record.Leaf describes. Its fields are, in this order:
//
//  1. the tag "drawgear-fitting-1"
//  2. the tenant, as it was told to the store
//  3. the id of the fitting
//  4. the revision, in decimal digits
//  5. when it was written, as created_at there
//  6. the subject that wrote it
//  7. the state of the fitting from there on
//  8. the version of the engine
//  9. SHA-256 of the bytes of what was given, 64 lower case hexadecimal digits
//  10. SHA-256 of the bytes of what was made of it, likewise
//
// Jurisdiction and day are within the rig that was given with the plan.
func (e FittingEntry) Leaf(tenant, fitting string) []byte {
	return fields("drawgear-fitting-1", tenant, fitting, strconv.Itoa(e.Revision), stamp(e.At), e.By,
		string(e.State), e.Engine, digest(e.Given), digest(e.Made))
}

// FittingLogID names an entry of a fitting in the log. Ids of assessments have
// no point in them.
func FittingLogID(fitting string, revision int) string {
	return fitting + "." + strconv.Itoa(revision)
}

// parseFittingLogID takes it apart again.
func parseFittingLogID(id string) (fitting string, revision int, ok bool) {
	fitting, digits, ok := strings.Cut(id, ".")
	revision, err := strconv.Atoi(digits)
	return fitting, revision, ok && err == nil
}
