package analyze

import (
	"math"

	"marginline/ingest/series"
)

// A survey gathers the fresh results of one unit for a fit, cut into stretches that compare.
type survey struct {
	unit      string
	engine    string // engine family of the unit
	stretches []*stretch
}

// A stretch is an epoch of one series: fresh results under one calibration and one pair of limits. Values are
// in units of the limit (or of half the distance between two), so that calibrations compare.
type stretch struct {
	key      CohortKey
	phi      float64 // the shipped correlation of its family
	min, max float64 // limits in those units; NaN where there is none
	list     []sample
	floor    *floor // where drift is looked for in it
}

// A sample is one fresh result.
type sample struct {
	at     int64
	x      float64
	covers [covers]float32 // ambient, fuel level, pressure, in coverUnits; NaN when not read
}

// add notes a fresh result that is in the epoch in hand.
func (s *survey) add(w *watch, m moment, r *series.Result, now sides, opened bool) {
	natural, lo, hi, x := now.natural, math.NaN(), math.NaN(), r.Value
	if natural == 0 {
		natural = 1
	}
	if w.epoch.moving {
		natural, hi, x = 1, 0, now.x[up]
		if !now.real[up] {
			x = now.x[down]
		}
	} else {
		if now.real[up] {
			hi = r.Max / natural
		}
		if now.real[down] {
			lo = r.Min / natural
		}
	}
	if math.IsNaN(lo) && math.IsNaN(hi) {
		return
	}
	if opened || w.stretch == nil {
		w.stretch = &stretch{
			key: CohortKey{s.engine, w.epoch.cal, w.ecu, w.test}, phi: w.followed(), min: lo, max: hi,
		}
		s.stretches = append(s.stretches, w.stretch)
	}
	w.stretch.key.CalID = w.epoch.cal // it may be read later than the first results
	x /= natural
	if w.rule.Floor { // toward the maximum, where there is one
		if w.stretch.floor == nil {
			w.stretch.floor = &floor{}
		}
		if math.IsNaN(hi) {
			x = -w.stretch.floor.take(down, -x, m.at)
		} else {
			x = w.stretch.floor.take(up, x, m.at)
		}
	}
	w.stretch.list = append(w.stretch.list, sample{m.at, x, m.covers()})
}

// covers are the conditions of a reading in coverUnits.
func (m *moment) covers() [covers]float32 {
	return [covers]float32{
		float32(m.ambient / coverUnits[byAmbient]), float32(m.fuel / coverUnits[byFuel]), float32(m.pressure / coverUnits[byPressure]),
	}
}
