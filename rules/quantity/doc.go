// Package quantity holds physical quantities as exact scaled integers.
//
// A quantity travels as text with its unit ("2000 kg", "3000 lb", "25 kN")
// and is held as a whole number of small base units of its dimension, chosen
// so that every accepted unit is a whole number of them. Two entries can
// therefore be compared exactly whatever unit each was written in: a limit of
// 3000 lb is neither met nor missed because of a rounding. Nothing in the
// package uses floating point.
//
// # Text form
//
// A quantity is digits, optionally a decimal point and more digits, at most
// one run of spaces, and a unit; spaces around it are ignored. The unit is
// always required. A leading minus is read for temperatures and refused for
// everything else. Exponents, thousands separators, decimal commas and a
// leading plus are refused, because each is read differently by different
// people or programs. Unit symbols are ASCII and case matters (mV is not MV);
// "°C" and "°F" are also read and are printed as degC and degF.
//
// # Scales
//
//	mass          1e-11 kg           (so that 0.001 lb is whole)
//	length        1e-9 m
//	force         1/2 of 1e-12 N     (so that 1 lbf is whole)
//	area          1e-9 mm2           (so that 1e-7 in2 is whole)
//	voltage       1e-6 V
//	current       1e-6 A
//	charge        1e-6 C
//	resistance    1e-9 ohm
//	duration      1e-6 s
//	temperature   1/9 of 1e-6 K, counted from absolute zero
//	angle         1e-9 deg
//	grade         1e-7 %
//	speed         1e-9 m/h
//	acceleration  1e-12 m/s2
//	percentage    1e-7 %
package quantity
