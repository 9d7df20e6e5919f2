package fleetsim

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"time"

	"marginline/ingest/fleet"
	"marginline/ingest/report"
)

// A vehicle is one unit: how it is driven, its tests, its control units, and its dongle. It owes nothing
// to other vehicles but the weather.
type vehicle struct {
	n         int
	unit      fleet.Unit
	family    *family
	bus       string
	cal       string
	drv       driver
	tests     []*monitor
	cylinders []*cylinder
	codes     []*code
	faults    []*wear
	repairs   bool
	events    []event // scripted, in time order
	polls     *rand.Rand
	namesVIN  bool // the dongle knows the VIN
	swaps     []swap
	silent    []window

	km, hours    float64
	bornKm       float64 // when the play began
	bornHours    float64
	born         time.Time
	oilSwing     float64 // of tests that follow the oil, over its life
	clearKm      float64
	oilKm        float64
	sootKm       float64
	regenKm      float64
	sootShare    float64
	warmups      int
	ignitions    uint16
	conditions   uint16
	filledBefore bool      // filled up since the last cold soak
	told         time.Time // local day of the last report
}

// An event is something scripted that happens before the first trip after a time.
type event struct {
	at time.Time
	do func(v *vehicle, at time.Time)
}

type window struct{ from, to time.Time }

func (w window) holds(t time.Time) bool { return !t.Before(w.from) && t.Before(w.to) }

// A swap is a time in which another unit's dongle is plugged in here.
type swap struct {
	window
	device string
}

// A poll is what the dongle read at one moment.
type poll struct {
	at     time.Time
	report *report.Report // nil when only the truth is wanted
}

// A step is something that happens within a trip.
type step struct {
	at   time.Time
	test *monitor // nil for a poll
}

// drive lives one local day and tells what the dongle sends. With words false the reports are not written
// out, but everything else is the same. extra is a time from which the dongle polls every few minutes.
func (v *vehicle) drive(from time.Time, words bool, extra time.Time, send func(poll)) {
	trips := v.drv.plan(from)
	polls := v.pollPlan(trips)
	var steps []step
	for i := range trips {
		t := &trips[i]
		v.begin(t)
		steps = steps[:0]
		for _, m := range v.tests {
			can := m.can(t)
			if m.rng.Float64() < m.chance && can {
				if after := m.after(t); after < t.length-5*time.Second {
					steps = append(steps, step{t.start.Add(after), m})
				}
			}
		}
		for _, p := range polls {
			if p.trip == i {
				steps = append(steps, step{p.at, nil})
			}
		}
		if !extra.IsZero() {
			for at := t.start.Add(liveEvery); at.Before(t.end()); at = at.Add(liveEvery) {
				if at.After(extra) {
					steps = append(steps, step{at, nil})
				}
			}
		}
		slices.SortStableFunc(steps, func(a, b step) int { return cmp.Or(a.at.Compare(b.at), later(a, b)) })
		var last time.Time
		for _, s := range steps {
			switch {
			case s.test != nil:
				s.test.run(s.at, t, v)
			case !s.at.Equal(last):
				last = s.at
				v.poll(s.at, t, from, words, send)
			}
		}
		v.end(t)
	}
}

// later orders a poll after the results of the same second.
func later(a, b step) int {
	switch {
	case a.test == nil && b.test != nil:
		return 1
	case a.test != nil && b.test == nil:
		return -1
	}
	return 0
}

const liveEvery = 4 * time.Minute

type planned struct {
	trip int
	at   time.Time
}

// pollPlan chooses when the dongle reads the vehicle: soon after the first start, at the last key-off, and
// up to twice in between.
func (v *vehicle) pollPlan(trips []trip) []planned {
	r := v.polls
	if len(trips) == 0 {
		return nil
	}
	first, last := &trips[0], &trips[len(trips)-1]
	all := []planned{
		{0, first.start.Add(time.Duration(between(r, 150, 320)) * time.Second)},
		{len(trips) - 1, last.end().Add(-4 * time.Second)},
	}
	for range r.IntN(3) {
		i := r.IntN(len(trips))
		share := between(r, 0.55, 0.97)
		all = append(all, planned{i, trips[i].start.Add(time.Duration(share * float64(trips[i].length)).Truncate(time.Second))})
	}
	return all
}

// begin starts the engine.
func (v *vehicle) begin(t *trip) {
	for len(v.events) > 0 && !v.events[0].at.After(t.start) {
		v.events[0].do(v, t.start)
		v.events = v.events[1:]
	}
	v.shop(t.start)
	v.ignitions++
	for _, c := range v.cylinders {
		c.start(t)
	}
}

// end stops it.
func (v *vehicle) end(t *trip) {
	for _, c := range v.cylinders {
		c.end(t.end(), t)
	}
	v.km += t.km
	v.clearKm += t.km
	v.oilKm += t.km
	v.hours += t.length.Hours()
	if t.minutes() >= 8 {
		v.warmups = min(v.warmups+1, 255)
		for _, c := range v.codes {
			c.warmUp()
		}
	}
	if t.minutes() >= 10 {
		v.conditions++
	}
	if v.oilKm > v.drv.oilKm {
		v.oilKm = 0
	}
	if v.regenKm > 0 {
		if v.sootKm += t.km; v.sootKm > v.regenKm && t.highway {
			v.sootKm = 0
			v.regenKm = v.drv.regenKm * between(v.drv.rng, 0.8, 1.25)
		}
	}
	if t.cold {
		v.filledBefore = false
	}
	if t.refuel > 0 {
		v.filledBefore = true
	}
}

// clear erases codes and results, as service $04 does: results read zero until the test has run again. The
// in-use counters and permanent codes stay.
func (v *vehicle) clear() {
	for _, m := range v.tests {
		m.ran, m.raw = false, 0
	}
	for _, c := range v.cylinders {
		c.last, c.mean = 0, 0
	}
	for _, c := range v.codes {
		c.clear()
	}
	v.clearKm, v.warmups = 0, 0
}

// shop does the repairs that are due.
func (v *vehicle) shop(at time.Time) {
	for _, w := range v.faults {
		if w.repaired {
			continue
		}
		if v.repairs && w.repairAt.IsZero() && !w.CodeAt.IsZero() {
			w.repairAt = w.CodeAt.Add(days(between(w.rng, 3, 14)))
			how := w.rng.Float64()
			switch {
			case how < 0.85:
				w.left = between(w.rng, -0.03, 0.07)
			case how < 0.93:
				w.left = between(w.rng, 0.25, 0.5)
			default:
				w.wrong = true
			}
		}
		if w.repairAt.IsZero() || at.Before(w.repairAt) {
			continue
		}
		w.repaired = true
		if !w.wrong {
			w.Repaired = at
		}
		if w.rng.Float64() < 0.7 {
			v.clear()
		}
	}
}

// poll reads the vehicle.
func (v *vehicle) poll(at time.Time, t *trip, from time.Time, words bool, send func(poll)) {
	device := v.unit.Device
	for _, s := range v.silent {
		if s.holds(at) {
			return
		}
	}
	for _, s := range v.swaps {
		if s.holds(at) {
			device = s.device
		}
	}
	first := !v.told.Equal(from)
	v.told = from
	p := poll{at: at}
	if words {
		p.report = v.write(device, at, t, first)
	}
	send(p)
}
