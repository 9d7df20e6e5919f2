package analyze

import (
	"math"

	"marginline/ingest/series"
)

// pair is a pair of limits as read; None where absent.
type pair struct{ min, max int32 }

// epoch is a stretch of a series within which results compare: one calibration, one unit, one pair of
// limits. A clear of codes does not end it: the part is the same, and so is its healthy level.
type epoch struct {
	n       int    // ordinal from 1
	swaps   int32  // how often the control unit had been replaced
	cal     string `rest:"shared"` // calibration id, the last known one; "" until one was read
	unit    int32  // unit-and-scaling id or SLOT; None where the protocol has none
	limits  pair   `rest:"shared"`
	fresh   int    // results taken
	moving  bool   // the limits follow the operating point: the margin is followed
	total   int    // results of the series, all epochs
	changes int    // changes of the limits alone, under one calibration
	turns   [2]int // total at the last two of them
}

// opens says whether a result opens a new epoch, and enters it.
//
// A pair of limits that keeps moving (the third of three pairs within twenty results; a pair that comes
// back counts again) stops opening epochs: from then on the normalised margin is followed, until the
// calibration changes.
func (e *epoch) opens(r *series.Result, cal string, swaps int32, set *Settings) bool {
	limits := pair{r.Raw.Min, r.Raw.Max}
	strange := e.n == 0 || e.strange(r, cal, swaps)
	turned := !strange && limits != e.limits
	e.total++
	if strange {
		e.moving, e.changes = false, 0
	}
	if turned {
		e.changes++
		e.turns[0], e.turns[1] = e.turns[1], e.total
	}
	opened := strange || turned && !e.moving
	if opened {
		e.n, e.fresh, e.unit = e.n+1, 0, unitID(r)
		e.moving = turned && e.changes >= 2 && e.total-e.turns[0]+2 <= set.MovingWithin
	}
	if cal != "" || swaps != e.swaps {
		e.cal = cal
	}
	e.swaps = swaps
	e.limits = limits
	e.fresh++
	return opened
}

// strange says whether a result does not compare with those of the epoch: another calibration, another control
// unit, or another unit of measure. A calibration that was not read is taken to be the last known one.
func (e *epoch) strange(r *series.Result, cal string, swaps int32) bool {
	return e.n > 0 && (e.cal != "" && cal != "" && e.cal != cal || unitID(r) != e.unit || swaps != e.swaps)
}

// why says in words what ended the epoch.
func (e *epoch) why(r *series.Result, m moment) string {
	switch {
	case m.swaps != e.swaps:
		return restartECU
	case e.cal != "" && m.cal != "" && e.cal != m.cal:
		return restartCal
	case unitID(r) != e.unit:
		return restartUnit
	}
	return restartLimits
}

// unitID is the unit-and-scaling id or SLOT.
func unitID(r *series.Result) int32 {
	if r.UAS != series.None {
		return r.UAS
	}
	return r.Slot
}

// sides are the limits of a result as the streams see them.
type sides struct {
	raw      [2]float64 // oriented value
	x, limit [2]float64 // the same, corrected for the ambient, and limit toward the maximum and the minimum
	real     [2]bool
	natural  float64 // a length that goes with the quantity itself, for a scale
	quantum  float64 // step of the value
}

// The two sides.
const (
	up   = 0 // toward the maximum
	down = 1 // toward the minimum
)

var toward = [2]string{up: "max", down: "min"}

// sidesOf turns a result into oriented lengths. In an epoch with moving limits they are normalised: the
// limit is 0 and the value is minus the margin, so that 0.3 of margin lost is the same everywhere.
func sidesOf(r *series.Result, moving bool) sides {
	lo, hi := !math.IsNaN(r.Min), !math.IsNaN(r.Max)
	s := sides{real: [2]bool{hi, lo}, quantum: quantumOf(r)}
	s.x = [2]float64{r.Value, -r.Value}
	s.limit = [2]float64{r.Max, -r.Min}
	switch {
	case lo && hi:
		s.natural = (r.Max - r.Min) / 2
	case hi:
		s.natural = math.Abs(r.Max)
	case lo:
		s.natural = math.Abs(r.Min)
	}
	if !moving {
		s.raw = s.x
		return s
	}
	scale := s.natural
	if scale == 0 {
		scale = 1
	}
	if lo != hi && !math.IsNaN(r.Margin) {
		s.x = [2]float64{-r.Margin, -r.Margin}
	} else {
		s.x = [2]float64{(r.Value - r.Max) / scale, (r.Min - r.Value) / scale}
	}
	s.limit, s.natural, s.quantum = [2]float64{}, 1, s.quantum/scale
	s.raw = s.x
	return s
}

// valueAt turns an oriented length back into the unit of measure, under the limits of r.
func valueAt(x float64, side int, r *latest, moving bool) float64 {
	lo, hi := !math.IsNaN(r.min), !math.IsNaN(r.max)
	switch {
	case !moving && side == up:
		return x
	case !moving:
		return -x
	case side == up && lo && hi:
		return r.max + x*(r.max-r.min)/2
	case side == up:
		return r.max + x*math.Abs(r.max)
	case lo && hi:
		return r.min - x*(r.max-r.min)/2
	case x >= 0 || math.IsNaN(r.margin):
		return r.min - x*math.Abs(r.min)
	default:
		return r.min / max(1+x, 0.01)
	}
}

// quantumOf is the step of the value, from the raw integers; 0 when they do not tell.
func quantumOf(r *series.Result) float64 {
	switch {
	case !math.IsNaN(r.Max) && r.Raw.Max != series.None && r.Raw.Max != r.Raw.Value:
		return (r.Max - r.Value) / float64(r.Raw.Max-r.Raw.Value)
	case !math.IsNaN(r.Min) && r.Raw.Min != series.None && r.Raw.Min != r.Raw.Value:
		return (r.Value - r.Min) / float64(r.Raw.Value-r.Raw.Min)
	case r.Raw.Value != 0 && r.Raw.Value != series.None:
		return math.Abs(r.Value / float64(r.Raw.Value))
	}
	return 0
}
