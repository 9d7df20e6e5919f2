package analyze

import (
	"math"
	"time"

	"marginline/ingest/series"
)

// The claims a series can make, by index in watch.open.
const (
	claimDrift = iota
	claimJump
	claimNear
	claimFailed
	claimWild
	claims
)

var kinds = [claims]Kind{Drift, Jump, Imminent, Failed, Intermittent}

// judge makes the claims that a fresh result gives ground for, and takes standing ones back.
func (w *watch) judge(r *series.Result, m moment, s sides, v *Vehicle) {
	for i := range w.side {
		st := &w.side[i]
		if !st.on {
			continue
		}
		x := s.x[i]
		st.count(x, m.at, r.Margin, &w.rule, v.set)
		if r.Passed == series.False && s.raw[i] > s.limit[i] {
			w.raise(claimFailed, i, x, r, m, v)
		}
		switch {
		case st.lowLong(m.at, &w.rule):
			st.sick = true
			w.raise(claimNear, i, x, r, m, v)
		case st.n < v.set.minResults(w.tuned.cohort):
		default:
			far, onWay := st.jumped(v.set)
			far = far || st.steep(&w.rule, v.set)
			scored := st.evidence() >= v.set.Threshold
			if far && !(scored && onWay) {
				w.raise(claimJump, i, x, r, m, v)
			}
			slow := st
			if w.floor != nil {
				slow = &w.floor.side[i]
			}
			switch {
			case slow.drifts(m.at, max(slow.evidence(), st.evidence()), &w.rule, v.set):
				w.raiseOn(slow, claimDrift, i, x, r, m, v)
			case far && scored && onWay:
				w.raise(claimDrift, i, x, r, m, v)
			case w.floor != nil && slow.level() >= v.set.FloorUsed && st.aboveTeeth(v.set) && st.drifts(m.at, st.evidence(), &w.rule, v.set):
				w.raise(claimDrift, i, x, r, m, v)
			}
			if st.comesAndGoes(v.set) {
				w.raise(claimWild, i, x, r, m, v)
			}
			if st.near(m.at, &w.rule, v.set) {
				w.raise(claimNear, i, x, r, m, v)
			}
		}
	}
	w.explain(v)
	w.end(r, m, s, v)
}

// count keeps the counts that the rules look at.
func (s *stream) count(x float64, at int64, margin float64, rule *Rule, set *Settings) {
	u := s.used(x)
	if s.far == 0 {
		s.farFrom = s.before
	}
	s.before = s.level()
	gate, ok := s.gate(set)
	walk(&s.run, &s.runAt, at, ok && u >= set.HoldShare*min(gate, s.fastGate(set)), rule.Confirm)
	was := s.far
	tally(&s.far, &s.farAt, at, u >= rule.Jump && x-s.base >= set.JumpSpread*s.spread())
	if was > 0 && s.far == 0 { // it was there and is gone
		s.wild++
	}
	tally(&s.low, &s.lowAt, at, (s.n <= set.LearnResults || s.low > 0) && margin < set.LowMargin)
}

// tally counts how often in a row something is so, and since when.
func tally(n *int, since *int64, at int64, so bool) {
	switch {
	case !so:
		*n = 0
	case *n == 0:
		*n, *since = 1, at
	default:
		*n++
	}
}

// walk counts how often something is so, against how often it is not: one up, two down, never above most and
// a few. A level that is there is found though single results fall short of it; one that comes and goes is
// not.
func walk(n *int, since *int64, at int64, so bool, most int) {
	switch {
	case !so:
		*n = max(0, *n-2)
	case *n == 0:
		*n, *since = 1, at
	default:
		*n = min(*n+1, most+4)
	}
}

func spans(since, at int64, d time.Duration) bool { return at-since >= d.Microseconds() }

// jumped: some results in a row far from the healthy level and far along to the limit. They are the end of
// a drift rather than a jump when the level had been on its way before them.
func (s *stream) jumped(set *Settings) (far, onWay bool) {
	return s.far >= set.JumpInRow, s.farFrom >= set.GateUsed/2
}

// wildDays is how long a result far out is remembered, in days.
const wildDays = 30

// comesAndGoes: results far out, that came alone or a few in a row, with normal ones in between, more often
// than a healthy series throws them; and the spread has grown.
func (s *stream) comesAndGoes(set *Settings) bool {
	return s.wild >= set.WildResults && s.wide.float() >= set.Threshold
}

// lowLong: hardly any margin from the first results on; there is no healthy level to compare with.
func (s *stream) lowLong(at int64, r *Rule) bool {
	return s.low >= r.Confirm && spans(s.lowAt, at, r.Span)
}

// holds: the last results stayed well up to the gate, long enough. Where the test runs rarely one result less
// in twice the time will do.
func (s *stream) holds(at int64, r *Rule) bool {
	return s.run >= r.Confirm && spans(s.runAt, at, r.Span) || s.run >= r.Confirm-1 && spans(s.runAt, at, 2*r.Span)
}

// drifts: the score says that it is not chance, the level that it matters, and the last results agree.
func (s *stream) drifts(at int64, score float64, r *Rule, set *Settings) bool {
	gate, ok := s.gate(set)
	if !ok || score < set.Threshold || !s.holds(at, r) {
		return false
	}
	level := s.level()
	if s.soon(set) >= gate {
		return true
	}
	age := float64(at-s.bank.since()) / dayMicros
	return s.bank.since() > 0 && age >= set.FastAge && s.trend.b >= set.FastSlope*math.Sqrt(s.trend.p22) &&
		level >= s.fastGate(set) && s.trend.beyond(set.FastDays, s.limit, s.noise(set)) >= set.FastChance
}

// aboveTeeth: the level has left what the teeth of a saw-tooth, which are in the spread, explain. The results then tell of
// wear some days before their floor has come as far: the least of the last days lags behind a rise by those days.
func (s *stream) aboveTeeth(set *Settings) bool {
	return s.level() >= set.FloorSpread*s.spread()/s.room()
}

// soon is the share that the level uses, or will use GateAhead days on where its slope is beyond doubt: wear goes on,
// what is harmless mostly does not.
func (s *stream) soon(set *Settings) float64 {
	t := &s.trend
	if t.b <= 0 || t.b*t.b < set.GateSlope*set.GateSlope*t.p22 {
		return s.level()
	}
	return s.used(t.l + set.GateAhead*t.b)
}

// near: the level has come far and will probably be beyond the limit within two weeks.
func (s *stream) near(at int64, r *Rule, set *Settings) bool {
	if s.room() <= 0 || s.level() < set.NearSpread*s.spread()/s.room() {
		return false
	}
	return s.holds(at, r) && s.level() >= set.NearUsed &&
		s.trend.beyond(set.NearDays, s.limit, s.noise(set)) >= set.NearChance
}

// steep: three results in a row that are on their way so fast that the line through them is at the limit within
// two weeks. Fast wear leaves no time for more. The last two must both be far out: one alone is a wild result.
func (s *stream) steep(r *Rule, set *Settings) bool {
	if s.n < 3 || s.room() <= 0 || r.Jump > 0.7 || r.Used > 0.35 || r.Floor || s.evidence() < set.SteepScore {
		return false
	}
	a, b, c := s.used(s.past[1].x), s.used(s.past[0].x), s.used(s.prev)
	far := max(set.SteepFar*max(1, s.least/set.GateUsed), set.SteepSpread*s.spread()/s.room())
	if a < set.SteepLeast || min(b, c) < far || max(b, c) < set.SteepMost || b < c/2 {
		return false
	}
	days := float64(s.at-s.past[1].at) / dayMicros
	return c > a && c+(c-a)/max(days, 0.5)*set.NearDays >= 1
}

// raise makes a claim on a result, x in the stream's length, unless it stands already.
func (w *watch) raise(claim, side int, x float64, r *series.Result, m moment, v *Vehicle) {
	w.raiseOn(&w.side[side], claim, side, x, r, m, v)
}

// raiseOn is the same on what another stream of that side shows.
func (w *watch) raiseOn(st *stream, claim, side int, x float64, r *series.Result, m moment, v *Vehicle) {
	if w.open[claim] != 0 {
		return
	}
	e := Evidence{
		Settings: v.set.Version, Parameters: w.leaning(v).Parameters, Epoch: w.epoch.n, Fresh: w.epoch.fresh,
		Baseline: valueAt(st.base, side, &w.last, w.epoch.moving), Spread: w.spreadOf(side),
		Toward: toward[side], Value: r.Value, Limit: r.Max, UnitOfMeasure: r.UnitOfMeasure,
		Used: st.level(), Score: st.evidence(), Threshold: v.set.Threshold, OdometerKm: v.km,
	}
	if side == down {
		e.Limit = r.Min
	}
	since := st.bank.since()
	switch claim {
	case claimJump:
		if since, e.Used = st.farAt, st.used(x); st.far < v.set.JumpInRow { // a steep rise
			since = st.past[1].at
		}
	case claimFailed:
		e.Used = max(1, st.used(x))
		if e.Score < v.set.Threshold {
			since = 0
		}
	}
	if st.sick || math.IsNaN(e.Used) {
		e.Used = 1 - r.Margin // there is no healthy level: the share of the whole margin
	}
	e.Since = timeOf(since)
	if st.n < v.set.minResults(w.tuned.cohort) || st.room() <= 0 {
		st.sick = true
	}
	v.signals = append(v.signals, Signal{
		Key: v.key(w), VIN: v.vin, Family: w.family, Kind: kinds[claim], RaisedAt: timeOf(m.at), Evidence: e,
	})
	w.open[claim] = int32(len(v.signals))
	for i := range w.side {
		w.side[i].standing = true
		if w.floor != nil {
			w.floor.side[i].standing = true
		}
	}
}

// end takes the standing claims back after enough results near the healthy level.
func (w *watch) end(r *series.Result, m moment, s sides, v *Vehicle) {
	if !w.claimed() {
		return
	}
	well, sick := r.Passed == series.True, false
	for i := range w.side {
		st := &w.side[i]
		if !st.on {
			continue
		}
		sick = sick || st.sick
		well = well && st.wellAt(s.x[i], r.Margin, s.natural, v.set)
	}
	tally(&w.well, &w.wellAt, m.at, well)
	if w.well < v.set.GoodInRow || !spans(w.wellAt, m.at, v.set.GoodSpan) {
		return
	}
	ended, moved := "recovered", false
	for _, n := range w.open {
		moved = moved || n != 0 && v.signals[n-1].Evidence.Epoch != w.epoch.n
	}
	if moved {
		ended = "epoch"
	}
	for i, n := range w.open {
		if n != 0 {
			v.signals[n-1].EndedAt, v.signals[n-1].Ended = timeOf(m.at), ended
			w.open[i] = 0
		}
	}
	w.well = 0
	if sick || moved {
		v.trace.tell(v.key(w), restartNew)
	} else {
		v.trace.tell(v.key(w), restartRepair)
	}
	for i := range w.side {
		st := &w.side[i]
		if w.floor != nil {
			w.floor.again(i, s, m.at, sick || moved, w.tuned.cohort, v.set)
		}
		switch {
		case !st.on:
		case sick || moved: // what was learnt is not of the healthy part
			st.begin(st.sign, s.x[i], s.limit[i], s.natural, s.quantum, m.at, w.own(v), v.set)
		default:
			st.recover(m.at)
		}
	}
}

// wellAt says whether x is near the healthy level or, where there is none, has a good margin.
func (s *stream) wellAt(x, margin, natural float64, set *Settings) bool {
	u := s.used(x)
	if s.sick || math.IsNaN(u) {
		if math.IsNaN(margin) {
			margin = (s.limit - x) / natural
		}
		return margin >= set.GoodMargin
	}
	gate, _ := s.gate(set)
	return u < set.GoodShare*min(gate, set.GateMost)
}
