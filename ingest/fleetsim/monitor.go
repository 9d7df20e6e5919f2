package fleetsim

import (
	"math"
	"math/rand/v2"
	"time"
)

// A monitor is one test in one vehicle: its level, limits and habits, and the result that the control
// unit holds until the test runs again.
type monitor struct {
	*test
	key  string
	from string
	rng  *rand.Rand
	scaling
	rawMin, rawMax int32 // limits as sent; absent ones are not looked at
	level0         float64
	lo, hi         float64 // limits as sent, in the unit; NaN where there is none
	spread         float64 // of one result, as a share of the healthy distance
	wander         float64 // correlated part
	season         float64 // share per 12 Cel
	newPart        float64 // wear-in
	newKm          float64
	newFrom        float64
	stepAt         time.Time // a small harmless step
	stepBy         float64
	ageing         float64 // benign, over the history
	tail           float64 // share of wild results, that many spreads away
	tailFrom       float64
	tailTo         float64
	tank           tank
	leak0, leak20  float64 // decay rates of the healthy tank and of the limit
	faults         []*wear
	codes          [2]*code // that failing at minimum and maximum sets

	raw   int32
	ran   bool // since codes were cleared
	cycle int  // trip in which it ran last
	runs  uint16
}

// limitRange is what a protocol can send as a value.
func (m *monitor) limitRange() (lo, hi int32) {
	switch {
	case m.signed:
		return -32767, 32766
	case m.id.slot != 0:
		return 1, 0xFA00
	}
	return 1, 0xFFFE
}

func (m *monitor) toRaw(v float64) int32 {
	lo, hi := m.limitRange()
	return int32(min(max(math.Round((v-m.offset)/m.step), float64(lo)), float64(hi)))
}

func (m *monitor) toUnit(raw int32) float64 { return float64(raw)*m.step + m.offset }

// setLimits fixes the limits, a factor away from the family's distance to the limit.
func (m *monitor) setLimits(factor float64) {
	set := func(limit float64) (int32, float64) {
		if math.IsNaN(limit) {
			return 0, no
		}
		raw := m.toRaw(m.healthy + (limit-m.healthy)*factor)
		return raw, m.toUnit(raw)
	}
	m.rawMin, m.lo = set(m.min)
	m.rawMax, m.hi = set(m.max)
	if m.shape == leakSmall {
		m.leak20 = m.hi
	}
}

// moveLimits moves the limits away from the level by a factor, as another calibration does.
func (m *monitor) moveLimits(factor float64) {
	if !math.IsNaN(m.lo) {
		m.rawMin = m.toRaw(m.level0 + (m.lo-m.level0)*factor)
		m.lo = m.toUnit(m.rawMin)
	}
	if !math.IsNaN(m.hi) {
		m.rawMax = m.toRaw(m.level0 + (m.hi-m.level0)*factor)
		m.hi = m.toUnit(m.rawMax)
	}
}

// room is the healthy distance to the nearer limit, signed toward it where there is only one.
func (m *monitor) room() float64 {
	switch {
	case math.IsNaN(m.lo):
		return m.hi - m.level0
	case math.IsNaN(m.hi):
		return m.lo - m.level0
	}
	return min(m.hi-m.level0, m.level0-m.lo)
}

// can says whether the test can run in a trip.
func (m *monitor) can(t *trip) bool {
	long := t.minutes()
	switch m.when {
	case coldStart:
		return t.cold
	case leakTest:
		return t.cold && t.fuel >= 15 && t.fuel <= 85 && t.ambient >= 4 && t.ambient <= 35
	case warm:
		return long >= 9
	case cruise:
		return t.highway && long >= 13
	case hotCruise:
		return t.highway && long >= 24
	}
	return true
}

// after is how far into a trip the result is there.
func (m *monitor) after(t *trip) time.Duration {
	from, to := 0.35, 0.92
	switch m.when {
	case coldStart:
		return time.Duration(between(m.rng, 25, 110)) * time.Second
	case leakTest:
		return time.Duration(between(m.rng, 40, 200)) * time.Second
	case warm:
		from = max(from, 6/t.minutes())
	case cruise, hotCruise:
		from = 0.5
	}
	return time.Duration(between(m.rng, from, to) * float64(t.length)).Truncate(time.Second)
}

// harmless is what moves a healthy result, as a share of the healthy distance.
func (m *monitor) harmless(at time.Time, t *trip, v *vehicle) float64 {
	r := m.rng
	m.wander = m.phi*m.wander + math.Sqrt(1-m.phi*m.phi)*r.NormFloat64()
	e := m.wander
	if r.Float64() < m.tail { // heavy tail
		e += math.Copysign(between(r, m.tailFrom, m.tailTo), r.NormFloat64())
	}
	s := m.spread*e + m.season*(t.ambient-v.drv.climate.mean)/12
	if m.newPart != 0 && v.km > m.newFrom {
		s += m.newPart * math.Exp(-(v.km-m.newFrom)/m.newKm)
	}
	if !m.stepAt.IsZero() && at.After(m.stepAt) {
		s += m.stepBy
	}
	if m.ageing != 0 {
		s += m.ageing * at.Sub(v.born).Hours() / 24 / 182
	}
	switch m.shape {
	case oilAge:
		s += v.oilSwing * (v.oilKm/v.drv.oilKm - 0.5)
	case soot:
		s += v.sootShare * (v.sootKm/v.regenKm - 0.35)
	case leakSmall, leakLarge, leakPump:
		s += m.vapour(t, v)
	}
	return s
}

// vapour is the excursion that fuel vapour makes: after an evening fill-up on a hot day often, otherwise
// rarely.
func (m *monitor) vapour(t *trip, v *vehicle) float64 {
	share, hot, u := 1.0, m.rng.Float64(), between(m.rng, 0.25, 0.6)
	if m.shape == leakLarge {
		share = 0.25
	}
	chance := 0.01
	if v.filledBefore && t.ambient > 22 && t.fuel > 55 {
		chance = 0.5
	}
	if hot < chance {
		return share * u
	}
	return 0
}

// run makes a result and tells whether it passes, and if not, on which side.
func (m *monitor) run(at time.Time, t *trip, v *vehicle) {
	s := min(max(m.harmless(at, t, v), -0.8), 0.8)
	var wears [2]float64
	for _, w := range m.faults {
		wears[w.side] += w.level(at, t.wet)
	}
	var x float64
	switch m.shape {
	case leakSmall, leakLarge:
		hole := m.tank.hole(m.leak0 + wears[1]*(m.leak20-m.leak0))
		x = m.tank.reported(hole, t.fuel) + s*m.room()
	default:
		x = m.level0 + s*m.room()
		if wears[0] != 0 {
			x += wears[0] * (m.lo - m.level0)
		}
		if wears[1] != 0 {
			x += wears[1] * (m.hi - m.level0)
		}
	}
	m.raw, m.ran, m.cycle = m.toRaw(x), true, t.number
	m.runs++
	side := -1
	switch {
	case !math.IsNaN(m.hi) && m.raw > m.rawMax:
		side = 1
	case !math.IsNaN(m.lo) && m.raw < m.rawMin:
		side = 0
	}
	if m.codes[0] == m.codes[1] && side == 0 {
		side = 1
	}
	for i, c := range m.codes {
		if c == nil || i == 0 && m.codes[1] == c {
			continue
		}
		if i == side {
			c.fail(at, t.number, m.faults)
		} else {
			c.pass(t.number)
		}
	}
}
