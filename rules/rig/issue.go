package rig

import (
	"fmt"
	"sort"
	"strings"
)

// Issue is one thing wrong with a rig document.
type Issue struct {
	Pointer string // JSON Pointer (RFC 6901) of the offending field
	Code    string // stable word: see the constants
	Message string // what is wrong
	Advice  string // what to do
}

// Codes of issues.
const (
	CodeSyntax        = "syntax"        // not a JSON document
	CodeUnknownField  = "unknown_field" // a name that is not in the contract
	CodeWrongType     = "wrong_type"    // for example a number where text is wanted
	CodeBadValue      = "bad_value"     // not one of the permitted words, a bad day, a count out of range
	CodeBadQuantity   = "bad_quantity"  // wrong dimension, unknown unit, negative, not a number, too precise, too large
	CodeContradiction = "contradiction" // two fields that cannot both hold
	CodeLimit         = "limit"         // too long, too deep, too many
)

// Issues is the error of a refused rig document: at least one issue, sorted by
// pointer. Nothing of a refused document is used.
type Issues []Issue

// Error lists the issues on one line.
func (is Issues) Error() string {
	var sb strings.Builder
	for i, x := range is {
		if i > 0 {
			sb.WriteString("; ")
		}
		fmt.Fprintf(&sb, "%s: %s", x.Pointer, x.Message)
	}
	return sb.String()
}

func (is Issues) sorted() Issues {
	sort.SliceStable(is, func(i, j int) bool {
		if is[i].Pointer != is[j].Pointer {
			return is[i].Pointer < is[j].Pointer
		}
		return is[i].Message < is[j].Message
	})
	return is
}
