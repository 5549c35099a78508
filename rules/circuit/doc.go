// Package circuit designs the electrical side of trailer brakes: conductors,
// the voltage that reaches each magnet, protection, the breakaway battery, the
// stop signal and the pins of connectors.
//
// Amounts are float64 in the unit of the name or comment (V, A, ohm, m, mm2,
// degC, Ah, minutes); Volts, Amps and their like read them from exact
// quantities at the edge. Results are engineering figures, not law: each says
// what it assumes and to how many digits it holds, and carries the source of
// its figures with how that source was verified. A cable that passes here has
// been sized; an installation is approved by the fitter who tests it.
//
// A missing input is never taken as good: a check that lacks one answers
// unknown and lists the JSON Pointer, within the document asked about, of what
// it waits for.
package circuit
