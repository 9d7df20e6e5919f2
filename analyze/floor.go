package analyze

// A floor follows the lower envelope of a saw-tooth, such as the pressure loss of a particulate filter: soot
// raises it and is burnt off, ash and wear stay. Each result counts as the least of the last ones, over about
// one tooth, so that the phase in which a result happens to be read moves nothing, and a floor that rises is
// drift. Fast claims (a jump, a limit that is near, a failure) look at the results themselves, and so does a drift of them that
// leaves the teeth behind, once the floor has begun to rise (stream.aboveTeeth).
type floor struct {
	side [2]stream
	last [2][floorMost]past
	n    [2]int
}

// The window of a floor: results, and days.
const (
	floorMost = 8
	floorDays = 8
	floorPhi  = 0.8 // correlation of successive floors
)

// take takes a fresh result of one side in and returns what the floor's stream was given.
func (f *floor) take(side int, x float64, at int64) float64 {
	last := &f.last[side]
	copy(last[1:], last[:])
	last[0] = past{x, at}
	f.n[side] = min(f.n[side]+1, floorMost)
	for i := 1; i < f.n[side]; i++ {
		if float64(at-last[i].at) > floorDays*dayMicros {
			f.n[side] = i
			break
		}
		x = min(x, last[i].x)
	}
	return x
}

// sink lets the floors of a saw-tooth follow a result that the sides have taken.
func (w *watch) sink(s *sides, opened bool, m moment, v *Vehicle) {
	if !w.rule.Floor {
		return
	}
	if w.floor == nil {
		w.floor = &floor{}
	}
	f := w.floor
	for i := range f.side {
		st := &f.side[i]
		switch {
		case !s.real[i]:
			st.on, st.sign, f.n[i] = false, 0, 0
			continue
		case opened || !st.on:
			f.n[i] = 0
			st.begin(1-2*float64(i), f.take(i, s.x[i], m.at), s.limit[i], s.natural, s.quantum, m.at, w.tuned.cohort, v.set)
			st.standing = w.side[i].standing
		default:
			st.take(f.take(i, s.x[i], m.at), s.limit[i], m.at, w.tuned.cohort, v.set)
		}
		st.least = w.side[i].least
		st.count(st.prev, m.at, 1, &w.rule, v.set)
	}
}

// again goes back to watching after the claims were taken back; anew where what was learnt is not of the healthy part.
func (f *floor) again(side int, s sides, at int64, anew bool, c *Cohort, set *Settings) {
	st := &f.side[side]
	switch {
	case !st.on:
	case anew:
		f.n[side] = 0
		st.begin(st.sign, f.take(side, s.x[side], at), s.limit[side], s.natural, s.quantum, at, c, set)
	default:
		st.recover(at)
	}
}
