package analyze

import (
	"strings"

	"marginline/ingest/series"
)

// What happens to a series without any wear, and what the detector does about it. Each is told at the first
// fresh reading after it, so that a chart can show it:
//
//	codes cleared             the part is the same: the healthy level is kept, stored results are dropped (freshness.go)
//	another calibration       a new epoch: nothing that was learnt is taken over but the effect of the ambient
//	other limits              a new epoch, but see MovingWithin
//	another unit of measure   a new epoch, nothing is taken over
//	another control unit      a new epoch: its counters began anew, so its results may not compare
//	repaired                  claims are taken back after some good results: the sums start anew, the level is kept; one that
//	                          people tell (happening.go) starts the sums anew at once, and its claims wait for results
//	another dongle            nothing: results belong to the vehicle, not to who read them
const (
	restartClear   = "codes were cleared or the battery was off: the healthy level is kept"
	restartCal     = "another calibration: learnt anew"
	restartLimits  = "other limits: learnt anew"
	restartUnit    = "another unit of measure: learnt anew"
	restartECU     = "another control unit, or one programmed anew: learnt anew"
	restartTold    = "repaired: evidence and slope start anew, the healthy level is kept"
	restartRepair  = "well again: the healthy level is kept"
	restartNew     = "well again: learnt anew"
	restartDongle  = "another dongle reads the vehicle: nothing changes"
	swapShare      = 2   // a numerator that falls to less than one part in so many was not halved by an overflow
	swapLeast      = 20  // and is not that of a new vehicle
	swapOverflow   = 200 // ... or wraps: numerators are halved at 65,535 (SAE J1979, from memory) and some restart at 0
	largestCounter = 65535
)

// swapped says whether an in-use numerator shows that the control unit was replaced: it is kept over clears and flat
// batteries, and only a new control unit, or one programmed from scratch, begins anew.
func swapped(before, runs int32) bool {
	return before >= swapLeast && runs < before/swapShare && before < largestCounter-swapOverflow
}

// counted notes in-use numerators of a poll and tells a replaced control unit by them.
func (v *Vehicle) counted(w *watch, r *series.Result) {
	if r.Runs == series.None {
		return
	}
	if swapped(w.numerator, r.Runs) {
		c := v.calAt(r.ECU)
		if c.swapAt != v.polls {
			c.swapAt = v.polls
			if c.changedAt == 0 || v.last-c.changedAt > shownBefore.Microseconds() { // else somebody told of it
				c.swaps++
			}
			c.changedAt = v.last
		}
	}
	w.numerator = r.Runs
}

// tell notes for the course of a series what happened to it.
func (t *tracer) tell(k series.Key, words string) {
	if t == nil {
		return
	}
	if t.told == nil {
		t.told = map[series.Key][]string{}
	}
	for _, s := range t.told[k] {
		if s == words {
			return
		}
	}
	t.told[k] = append(t.told[k], words)
}

// since gives what was noted since the last point.
func (t *tracer) since(k series.Key) string {
	words := strings.Join(t.told[k], "; ")
	delete(t.told, k)
	return words
}
