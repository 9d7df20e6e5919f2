package analyze

import (
	"math"

	"marginline/ingest/series"
)

// latest is the newest reading of a test, fresh or not.
type latest struct {
	at      int64 // read_at (us)
	state   series.State
	value   float64 `rest:"shared"`
	min     float64 `rest:"shared"`
	max     float64 `rest:"shared"`
	margin  float64 `rest:"shared"`
	passed  series.Tri
	unit    string `rest:"shared"` // of measure
	freshAt int64  // read_at (us) of the newest fresh result
}

// kin is what many series have in common.
type kin struct {
	ecu, test string
	family    string
	rule      Rule
	live      bool
}

// watch is the state of one series: what was seen of it, its epoch, a stream for each of its limits, and
// the claims that stand.
type watch struct {
	kin      `rest:"shared"`
	group    int  // index in the vehicle's groups
	measured bool // it gave a value, with or without a limit

	tuned   tuned    `rest:"-"`
	stretch *stretch `rest:"-"` // of a survey; nil otherwise
	seen    seen
	epoch   epoch
	side    [2]stream
	cover   cover
	idle    idle
	last    latest
	held    *held
	counts  *counter // of a live counter
	floor   *floor   // of a saw-tooth
	claimState
	numerator int32 // in-use numerator last read
	repeats   int   // readings that were no new evidence
	poll      int64 `rest:"-"` // ordinal of the poll it was last read in: to know a test that comes twice in one
}

// claimState is what belongs to claims. All of it is zero while nothing happens.
type claimState struct {
	open   [claims]int32 // 1 + index in the vehicle's signals of the claim that stands; 0 when none
	asides []aside       // the last results, while one of them lies far out
	aside  Circumstance  // what explains the claims that stand; 0 when nothing does
	well   int           // results in a row near the healthy level, while claims stand
	wellAt int64
}

// held is the newest reading of a live counter in a trip that may not have ended.
type held struct {
	moment
	result series.Result
}

func newWatch(r *series.Result, bus series.Bus, m Monitors, set *Settings) *watch {
	w := &watch{kin: kin{ecu: r.ECU, test: r.Test, family: m.Family(r), live: isLive(r, bus)}}
	w.rule, w.cover.w = set.rule(w.family, r), math.NaN()
	w.rule.Explains = set.confounded(w.family, r)
	w.numerator = series.None
	w.seen.runs, w.seen.done = series.None, series.Unknown
	w.last.value, w.last.min, w.last.max, w.last.margin = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	w.last.passed = series.Unknown
	return w
}

// A moment is where a reading was made.
type moment struct {
	at             int64 // read_at (us)
	report         string
	trip           uint32
	swaps          int32   // how often the control unit was replaced
	cal            string  // the control unit's calibration, the last known one
	ambient        float64 // Cel; NaN when not read
	fuel, pressure float64 // fuel level in %, barometric pressure in kPa; NaN when not read
	alone          bool    // the reading's group has one monitor on that control unit
}

// read takes a reading in.
func (w *watch) read(r *series.Result, m moment, v *Vehicle) {
	w.last.set(r, m.at)
	w.measured = w.measured || r.State == series.StateOK || r.State == series.StateNoLimit
	switch {
	case r.State != series.StateOK && !(w.live && r.State == series.StateNoLimit):
		if r.State == series.StateNotRun && !w.seen.notRun && w.seen.any {
			v.trace.tell(v.key(w), restartClear)
		}
		w.seen.notRun = w.seen.notRun || r.State == series.StateNotRun
		w.seen.note(r, m.trip)
		w.wait(r, m, v)
	case w.live:
		if w.held != nil {
			w.repeats++ // the newest reading of a trip takes the place of the one before
		}
		w.held = &held{moment: m, result: *r}
	case w.seen.fresh(r, m.trip, m.alone) || w.renewed(r, m):
		w.take(r, m, v)
	default:
		w.repeats++
		w.wait(r, m, v)
	}
}

// renewed says whether a result that looks like a repeat belongs to another epoch.
func (w *watch) renewed(r *series.Result, m moment) bool { return w.epoch.strange(r, m.cal, m.swaps) }

// release takes the held reading of a live counter as a result when its trip is over.
func (w *watch) release(trip uint32, v *Vehicle) {
	if h := w.held; h != nil && h.trip != trip {
		w.held = nil
		if h.result.State == series.StateOK {
			w.take(&h.result, h.moment, v)
		} else {
			w.last.freshAt = h.at
			w.epoch.fresh++
			if v.trace != nil {
				defer v.trace.point(w, &h.result, h.moment, v)
			}
		}
		w.count(&h.result, h.moment, v)
	}
}

// take takes a fresh result in.
func (w *watch) take(r *series.Result, m moment, v *Vehicle) {
	w.last.freshAt = m.at
	w.resume(r, m, v)
	before := w.epoch
	opened := w.epoch.opens(r, m.cal, m.swaps, v.set)
	if opened && before.n > 0 && v.trace != nil {
		v.trace.tell(v.key(w), before.why(r, m))
	}
	comparable := before.unit == w.epoch.unit && before.moving == w.epoch.moving
	s := sidesOf(r, w.epoch.moving)
	w.tune(m.at, v)
	w.correct(&s, r, m, opened, comparable, v.set)
	own := w.own(v)
	for i := range w.side {
		st := &w.side[i]
		switch {
		case !s.real[i]:
			st.on = false
		case opened || !st.on:
			old := *st
			st.begin(1-2*float64(i), s.x[i], s.limit[i], s.natural, s.quantum, m.at, own, v.set)
			if w.claimed() {
				st.inherit(&old, comparable)
			}
		default:
			st.take(s.x[i], s.limit[i], m.at, own, v.set)
		}
	}
	w.sink(&s, opened, m, v)
	if v.survey != nil {
		v.survey.add(w, m, r, s, opened)
	}
	w.note(&s, m, opened, v)
	w.judge(r, m, s, v)
	w.round()
	if v.trace != nil {
		v.trace.point(w, r, m, v)
	}
}

// round takes digits off the state that no rule can tell, so that it packs into less.
func (w *watch) round() {
	for i := range w.side {
		if st := &w.side[i]; st.on {
			st.round()
		}
	}
	c := &w.cover
	c.xx, c.xy, c.w = rough(c.xx), rough(c.xy), rough(c.w)
	for i := range c.ref {
		c.ref[i] = rough(c.ref[i])
	}
	if w.floor != nil {
		for i := range w.floor.side {
			if st := &w.floor.side[i]; st.on {
				st.round()
			}
		}
	}
}

// rough is x to three digits, in the leading three bytes of its eight.
func rough(x float64) float64 {
	return math.Float64frombits((math.Float64bits(x) + 1<<39) &^ (1<<40 - 1))
}

// brief is x to six digits, in the leading four bytes: for sums that grow by little.
func brief(x float64) float64 {
	return math.Float64frombits((math.Float64bits(x) + 1<<31) &^ (1<<32 - 1))
}

// fine is x to eight digits, in the leading five bytes: for levels, which may be large against their spread.
func fine(x float64) float64 {
	return math.Float64frombits((math.Float64bits(x) + 1<<23) &^ (1<<24 - 1))
}

// correct takes out of the sides what the ambient temperature, the fuel level and the pressure add, and what the whole
// cohort did. What was learnt of it in an earlier epoch goes on where the epochs compare.
func (w *watch) correct(s *sides, r *series.Result, m moment, opened, comparable bool, set *Settings) {
	if opened && !comparable {
		w.cover = cover{w: math.NaN()}
	}
	now := m.covers()
	c := w.tuned.cohort
	for i := range w.side {
		st := &w.side[i]
		if !st.on {
			continue
		}
		if st.least = w.rule.Used; w.cover.n[byAmbient] == 0 && math.IsNaN(m.ambient) && w.tuned.centres == 0 {
			st.least = max(st.least, set.GateBlind)
		}
	}
	defer w.cover.note(now)
	if w.epoch.moving {
		return
	}
	reach, near := math.Inf(1), -1
	for i := range w.side {
		if !s.real[i] {
			continue
		}
		d := math.Abs(s.limit[i] - s.x[i])
		if st := &w.side[i]; !opened && st.on {
			d = st.scale
		}
		if d < reach {
			reach, near = d, i
		}
	}
	if near < 0 {
		return
	}
	fix := w.tuned.centre + c.Effect[byFuel]*w.cover.away(byFuel, now) + c.Effect[byPressure]*w.cover.away(byPressure, now)
	fix *= reach
	sd := c.Spread * reach
	s2 := sd * sd
	if st := &w.side[near]; !opened && st.on {
		s2 = st.variance()
	}
	b0, tau := c.Effect[byAmbient]*reach, c.EffectSpread*reach
	if w.cover.n[byAmbient] > 0 {
		fix += w.cover.effect(s2, b0, tau) * w.cover.away(byAmbient, now)
	}
	dt := math.Inf(1)
	if st := &w.side[near]; !opened && st.on {
		dt = float64(m.at-st.at) / dayMicros
	}
	w.cover.take(m.ambient, r.Value, dt, s2)
	s.x[up] -= fix
	s.x[down] += fix
}

// claimed says whether any claim of the series stands.
func (w *watch) claimed() bool { return w.open != [claims]int32{} }

func (l *latest) set(r *series.Result, at int64) {
	l.at, l.state, l.value, l.min, l.max = at, r.State, r.Value, r.Min, r.Max
	l.margin, l.passed, l.unit = r.Margin, r.Passed, r.UnitOfMeasure
}

// worse is the side that has used more of its healthy distance; -1 when no side is on.
func (w *watch) worse() int {
	best, side := math.Inf(-1), -1
	for i := range w.side {
		if st := &w.side[i]; st.on {
			u := st.level()
			if math.IsNaN(u) {
				u = math.Inf(1) // healthy level beyond the limit: nothing is worse
			}
			if side < 0 || u > best {
				best, side = u, i
			}
		}
	}
	return side
}
