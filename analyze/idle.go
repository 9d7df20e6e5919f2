package analyze

import "marginline/ingest/series"

// idle is how a series knows that its test no longer runs at its own rate. Time is counted in days on which
// the unit reported, so that a parked unit or a dongle out of reach is no silence of the test.
type idle struct {
	from, last int32 // report days of the unit at the first and the newest fresh result
	longest    int32 // longest wait between two fresh results
	fresh      int32
	raw        [2]int32 // values of the last two
	again      int32    // fresh results with the value of the one before the last
	claim      int32    // 1 + index in the vehicle's signals of the claim that stands; 0 when none
}

// ran notes a fresh result on a report day.
func (i *idle) ran(day, raw int32) {
	if i.fresh > 1 && raw == i.raw[0] {
		i.again++
	}
	i.raw[0], i.raw[1] = i.raw[1], raw
	if i.fresh == 0 {
		i.from = day
	} else {
		i.longest = max(i.longest, day-i.last)
	}
	i.fresh++
	i.last = day
}

// overdue says whether the test has not run for much longer than it ever did. Runs taken as a Poisson
// process at the series' own rate r, none in d days has the chance exp(-r d).
func (i *idle) overdue(day int32, set *Settings) bool {
	d := day - i.last
	if d < int32(set.IdleDays) || int(i.fresh) < set.LearnResults || d < 2*i.longest {
		return false
	}
	if 4*i.again > i.fresh { // so coarse, as a counter that is nearly always zero, that a rerun looks like a repeat
		return false
	}
	return float64(i.fresh)/float64(i.last-i.from+1)*float64(d) >= set.IdleRuns
}

// wait claims that the test no longer runs.
func (w *watch) wait(r *series.Result, m moment, v *Vehicle) {
	if w.live || w.idle.claim != 0 || !w.idle.overdue(v.days, v.set) {
		return
	}
	e := v.noEvidence()
	e.Epoch, e.Fresh, e.UnitOfMeasure = w.epoch.n, w.epoch.fresh, r.UnitOfMeasure
	e.Since = timeOf(w.last.freshAt)
	v.signals = append(v.signals, Signal{
		Key: v.key(w), VIN: v.vin, Family: w.family, Kind: NotRunning, RaisedAt: timeOf(m.at), Evidence: e,
	})
	w.idle.claim = int32(len(v.signals))
}

// resume takes that back when it has run again.
func (w *watch) resume(r *series.Result, m moment, v *Vehicle) {
	w.idle.ran(v.days, r.Raw.Value)
	if n := w.idle.claim; n != 0 {
		v.signals[n-1].EndedAt, v.signals[n-1].Ended = timeOf(m.at), "recovered"
		w.idle.claim = 0
	}
}
