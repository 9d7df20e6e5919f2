// Package analyze watches how far every test of every unit is from its limit, and says when one drifts
// toward it.
//
// It stands between the lake and the alert book. The lake hands it polls; it keeps the state of every
// series in memory and makes Signals (claims with their evidence), Now (the newest state of a series) and
// Trace (its whole course). It stores nothing: state is a pure fold over the polls of a unit in the order
// of (ReadAt, ReportID), so it is built from history at start, and a late poll makes its unit be folded
// again. The same polls in any arrival order, with any duplicates, end in the same state, byte for byte.
// Rejected: state kept in a database and changed in place. It is faster to start and impossible to correct.
//
// One result passes these steps, a file each:
//
//	freshness.go  is it new evidence, or a stored result read again?
//	epoch.go      do its limits, calibration and unit still compare with the earlier ones?
//	stream.go     one side: distance to one limit, healthy level, CUSUM, trend
//	baseline.go   level and spread learnt result by result, and the standardised residual
//	cusum.go      evidence of a lasting move toward the limit, and since when
//	trend.go      level and slope now, and the day they reach the limit
//	rule.go       which claims may be made of all this, and when they are taken back
//
// A claim of drift needs two things: a CUSUM score that chance rarely reaches, and a level that has
// really used up part of the healthy distance to the limit. The score alone would alarm on every season
// and every benign step; the level alone would alarm on a noisy series. Steps and failures do not wait
// for either.
//
// Failure cases. Readings without a good clock are not folded. A poll of a vehicle that is not on the
// roster, or whose VIN and dongle belong to different units, is not folded. A test without any real limit,
// as misfire counts often are, keeps its newest state, has no margin and is not watched. A test that runs
// rarely is watched by its few results; the state says Learning while there are too few for a baseline.
// What is not done yet: priors fitted to cohorts, effects of ambient temperature and of weeks common to a
// cohort, a Poisson form for counts, a growing spread (Intermittent), and tests that stopped running
// (NotRunning).
//
// A few units are folded from their whole history, sorted; a fleet in one pass over the history as it is
// read (pass.go), because sorting half a year of a whole fleet does not fit into memory.
//
// Runner is safe for use by many goroutines and starts none of its own that outlive a call.
package analyze
