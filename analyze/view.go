package analyze

import (
	"math"
	"slices"
	"time"

	"marginline/ingest/series"
)

// Series is the newest state of every series of the unit, by control unit and test.
func (v *Vehicle) Series() []Now {
	list := make([]Now, 0, len(v.watch))
	for i := range v.watch {
		list = append(list, v.now(&v.watch[i]))
	}
	slices.SortFunc(list, func(a, b Now) int { return compareKeys(a.Key, b.Key) })
	return list
}

// Signals are the claims of the unit in the order raised.
func (v *Vehicle) Signals() []Signal { return slices.Clone(v.signals) }

// LastPoll is the time of the newest poll folded; zero when there is none.
func (v *Vehicle) LastPoll() time.Time { return timeOf(v.last) }

func (v *Vehicle) now(w *watch) Now {
	n := Now{
		Key: v.key(w), VIN: v.vin, Family: w.family,
		LastRead: timeOf(w.last.at), LastFresh: timeOf(w.last.freshAt), State: w.last.state,
		Value: w.last.value, Min: w.last.min, Max: w.last.max, UnitOfMeasure: w.last.unit,
		Margin: w.last.margin, Passed: w.last.passed, CalID: v.calOf(w.ecu),
		Epoch: w.epoch.n, Fresh: w.epoch.fresh, Learning: true,
		Baseline: math.NaN(), Spread: math.NaN(), Used: math.NaN(), PCross30d: math.NaN(),
		Threshold: v.set.Threshold, Cohort: w.leaning(v),
	}
	side := w.worse()
	if k := w.counts; side < 0 && k != nil {
		n.Learning = k.n < v.set.LearnResults
		n.Toward, n.Score = toward[up], k.c
		if k.c > 0 {
			n.Since = timeOf(k.zero)
		}
		if !n.Learning {
			n.Baseline, n.Spread = k.base, math.Sqrt(k.base)
		}
	}
	if side < 0 {
		return n
	}
	st := &w.side[side]
	n.Learning = st.n < v.set.learnResults(w.tuned.cohort)
	n.Toward, n.Score, n.Since = toward[side], st.evidence(), timeOf(st.bank.since())
	if st.room() > 0 {
		n.Used = st.level()
	}
	if !n.Learning {
		n.Baseline, n.Spread = valueAt(st.base, side, &w.last, w.epoch.moving), w.spreadOf(side)
	}
	if st.n >= v.set.minResults(w.tuned.cohort) {
		n.PCross30d = st.trend.beyond(30, st.limit, st.noise(v.set))
		n.Crossing = st.crossing(v.set)
	}
	return n
}

// spreadOf is the healthy spread of a side in the unit of measure.
func (w *watch) spreadOf(side int) float64 {
	st := &w.side[side]
	moving := w.epoch.moving
	return math.Abs(valueAt(st.base+st.spread(), side, &w.last, moving) - valueAt(st.base, side, &w.last, moving))
}

// crossing is when the level reaches the limit. It is nil where the slope is not known well enough for a
// date: less than two standard deviations from level, or a level that chance explains.
func (s *stream) crossing(set *Settings) *Crossing {
	if s.trend.b < 1*math.Sqrt(s.trend.p22) || s.evidence() < set.Threshold/2 || !(s.level() > 0.1) {
		return nil
	}
	n := s.noise(set)
	on := func(q float64) time.Time {
		if days, ok := s.trend.cross(q, s.limit, n); ok {
			return timeOf(s.at + int64(days*dayMicros)).Truncate(time.Second)
		}
		return time.Time{}
	}
	return &Crossing{P10: on(-normalP90 * set.DateScale), P50: on(0), P90: on(normalP90 * set.DateScale)}
}

// tracer takes the course of every series of a vehicle as it is folded: it collects the points, or passes them on.
type tracer struct {
	points map[series.Key][]Point
	told   map[series.Key][]string // what happened since the last point
	device string
	record func(Row)
}

func (t *tracer) point(w *watch, r *series.Result, m moment, v *Vehicle) {
	p := Point{
		At: timeOf(m.at), ReportID: m.report, Epoch: w.epoch.n, CalID: w.epoch.cal,
		Value: r.Value, Min: r.Min, Max: r.Max, Margin: r.Margin,
		Baseline: math.NaN(), Spread: math.NaN(), PCross30: math.NaN(),
	}
	if side := w.worse(); side >= 0 {
		st := &w.side[side]
		p.Z, p.Score = st.z, st.evidence()
		if st.n >= v.set.learnResults(w.tuned.cohort) {
			p.Baseline, p.Spread = valueAt(st.base, side, &w.last, w.epoch.moving), w.spreadOf(side)
		}
		if st.n >= v.set.minResults(w.tuned.cohort) {
			p.PCross30 = st.trend.beyond(30, st.limit, st.noise(v.set))
			p.Crossing = st.crossing(v.set)
		}
	}
	if k := w.counts; k != nil && r.State == series.StateNoLimit {
		p.Score = k.c
		if k.n >= v.set.LearnResults {
			p.Baseline, p.Spread = k.base, math.Sqrt(k.base)
		}
	}
	k := v.key(w)
	p.Restart = t.since(k)
	if t.record != nil {
		t.record(Row{Key: k, VIN: v.vin, Family: w.family, UnitOfMeasure: r.UnitOfMeasure, Point: p})
		return
	}
	t.points[k] = append(t.points[k], p)
}

// traces are the courses of all series, by key.
func (v *Vehicle) traces() map[series.Key]*Trace {
	all := make(map[series.Key]*Trace, len(v.watch))
	for i := range v.watch {
		w := &v.watch[i]
		t := &Trace{Now: v.now(w), Points: v.trace.points[v.key(w)], Repeats: w.repeats}
		for _, s := range v.signals {
			if s.Key == t.Now.Key {
				t.Signals = append(t.Signals, s)
			}
		}
		all[t.Now.Key] = t
	}
	return all
}
