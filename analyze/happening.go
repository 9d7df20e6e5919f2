package analyze

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// A Happening is something that people told of a unit and that its readings may not show. It is folded between the
// readings by its time, so the same happenings and readings, however they arrived, give the same state. Which series it
// starts anew, and how, stands in restart.go. Where readings showed the same within a day or two before, it does
// nothing more.
type Happening struct {
	At     time.Time
	Kind   HappeningKind
	Family string // of monitors: what a repair touched
	ECU    string // that was programmed anew; "" where nobody said which: all
	Device string // the dongle that is in the unit now
}

// HappeningKind is what happened.
type HappeningKind string

// The kinds of happening.
const (
	Repaired   HappeningKind = "repaired"   // a part of a family was repaired or replaced
	Cleared    HappeningKind = "cleared"    // codes were cleared, or the battery was off
	Programmed HappeningKind = "programmed" // a control unit was programmed anew or replaced
	Redongled  HappeningKind = "redongled"  // another dongle reads the vehicle
)

// shownBefore is how long before a happening its trace in the readings counts as the same one: people write down the
// day, rarely the hour.
const shownBefore = 2 * day

// SortHappenings puts happenings in the order in which they are folded.
func SortHappenings(list []Happening) {
	slices.SortFunc(list, func(a, b Happening) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(string(a.Kind), string(b.Kind)), strings.Compare(a.Family, b.Family),
			strings.Compare(a.ECU, b.ECU), strings.Compare(a.Device, b.Device))
	})
}

// SetHappenings sets what people told of each unit, in the order of SortHappenings. Call it before anything is folded;
// when what it gives of a unit changes, call Refold.
func (r *Runner) SetHappenings(of func(unit string) []Happening) { r.happenings = of }

// Refold has the next Settle fold units again from the history, and the cohorts be fitted again at the next occasion:
// what people told of the units is not what it was.
func (r *Runner) Refold(units ...string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, u := range units {
		r.late[u] = true
	}
	r.stale = r.stale || len(units) > 0
}

// happen takes in what happened up to a time.
func (v *Vehicle) happen(at int64) {
	for ; int(v.happened) < len(v.happenings); v.happened++ {
		h := &v.happenings[v.happened]
		when := h.At.UnixMicro()
		if when > at {
			return
		}
		if h.Kind == Programmed {
			v.program(h, when)
			continue
		}
		if h.Kind == Redongled && v.trace != nil && h.Device == v.trace.device {
			continue // it reads the vehicle already
		}
		for i := range v.watch {
			w := &v.watch[i]
			switch {
			case h.Kind == Redongled:
				v.trace.tell(v.key(w), restartDongle)
			case h.Kind == Cleared && w.live: // its newest count is of a trip, and no stored one
				v.trace.tell(v.key(w), restartClear)
			case h.Kind == Cleared && w.seen.any && !w.seen.notRun:
				w.seen.notRun = true // the next result is no stored one
				v.trace.tell(v.key(w), restartClear)
			case h.Kind == Repaired && h.Family != "" && h.Family == w.family && w.measured:
				w.repaired(when)
				v.trace.tell(v.key(w), restartTold)
			}
		}
	}
}

// program ends the epochs of a control unit that was programmed anew. Its calibration is not known until it is read.
func (v *Vehicle) program(h *Happening, when int64) {
	done := map[string]bool{} // whether it is news, by control unit
	for i := range v.watch {
		w := &v.watch[i]
		if h.ECU != "" && !strings.EqualFold(h.ECU, w.ecu) {
			continue
		}
		news, known := done[w.ecu]
		if !known {
			c := v.calAt(w.ecu)
			news = c.changedAt == 0 || when-c.changedAt > shownBefore.Microseconds()
			if done[w.ecu] = news; news {
				c.swaps++
				c.id, c.changedAt = "", when
			}
		}
		if news && w.counts != nil { // counts without a limit have no epochs
			if !w.counts.standing {
				w.counts = nil
			}
			v.trace.tell(v.key(w), restartECU)
		}
	}
}

// repaired starts the sums of a series anew. The healthy level stays, and so do the claims: only results take them back.
func (w *watch) repaired(at int64) {
	w.asides, w.well = nil, 0
	for i := range w.side {
		w.side[i].anew(at)
		if w.floor != nil {
			w.floor.side[i].anew(at)
			w.floor.n[i] = 0
		}
	}
	if k := w.counts; k != nil {
		k.c, k.zero, k.run, k.level = 0, at, 0, k.base
	}
}

// anew drops what a stream holds of the way to its limit: evidence, level and slope.
func (s *stream) anew(at int64) {
	if !s.on {
		return
	}
	v := s.variance()
	s.bank = bank{zero: at}
	s.trend = trend{l: s.trend.l, p11: max(v, s.scale*s.scale), p22: s.trend.p22}
	s.tallies = tallies{standing: s.standing, sick: s.sick}
	s.farFrom, s.before = 0, 0
}
