// Package series is the vocabulary of the project: what one test result is, which series it belongs
// to, what its limits mean, and how far it is from them. It holds no I/O, no clock and no goroutine and
// imports the standard library only, so that every other package can import it.
//
// Words, from the outside in:
//
//   - A Poll is all that one report tells of one vehicle at one moment: its test results, its codes, and
//     the conditions (fuel level, ambient temperature ...) under which they were read.
//   - A Result is one on-board test result: value, limits, and what they say (State, Passed, Margin).
//   - A Key names a series: the results of one test of one control unit in one vehicle, over time.
//
// Absent numbers are sentinels, not pointers: None for integers and NaN for floating point. A reading is
// a row of a column store before it is anything else, and millions of them pass through here.
//
// Judge, the rule that turns raw integers into a state and a margin, is the centre of the package. It
// works on raw integers after sign extension: all scales are positive, so the order of raw values is the
// order of physical values, and rounding in a scale factor can never turn a pass into a fail.
package series
