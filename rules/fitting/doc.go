// Package fitting plans and proves the brake side of a trailer on one rig: what
// the law asks, whether anything electrical is called for, the circuit, the
// order of work, what to measure, and whether what was measured proves the job.
// Where readings are off it ranks the faults that would explain them.
//
// Everything is pure. A plan is made from a rig, the answer of the law and a
// request, and holds all that Expect and Judge need: it may be written as JSON,
// kept, and judged years later with the same result.
//
// Three values hold throughout. What is not told is unknown, listed by JSON
// Pointer, and never passes or fails. No product is ever named: the plan says
// which characteristics a controller must have.
//
// Amounts are float64 in the unit of the name; they are engineering figures, not
// law. Orders of work, tolerances and set-up runs are common practice with no
// published source unless a source is named beside them.
package fitting
