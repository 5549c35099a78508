// Package mech is the mechanics of a light to medium tow rig: coupling values,
// ball and axle loads, weight distribution, tyres, chains, shackles and
// braking.
//
// # Units
//
// Arguments and results are float64: masses, and loads that a scale would show
// as a mass, in kg; lengths in m; small parts in mm; forces in N, coupling
// values in kN; speeds in km/h; accelerations in m/s2; gradients in percent.
// Tables printed in pounds keep them, as Pounds and PoundsForce. A moment that
// a load-levelling hitch applies is in kg m, that is N m divided by G.
//
// # Where figures come from
//
// Every formula and table is a Fact; Fact.Source tells the text, the clause,
// how that was verified (text, second-hand or memory) and how far to trust it.
// A result shown to a person has to carry that label.
//
// # Refusals
//
// An argument that cannot be computed with is refused with a *Bad, which names
// it. All functions are pure.
//
// # Limits
//
// A result that is exactly at its limit passes although binary fractions cannot
// hold most decimals: two amounts that differ by less than 1e-12 of themselves
// count as equal. Amounts in law are compared in package quantity.
package mech
