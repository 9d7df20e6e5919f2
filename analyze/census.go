package analyze

import "math"

// A member is a stretch as a fit walks along it: a small detector of its own, that knows at each time only
// what was read before.
type member struct {
	*stretch
	of   [levels]*gathering
	next int // first sample not taken

	learnt normal
	prior  normal // what learnt began with
	n      int
	blocks blocks
	prev   float64 // residual before the last result's
	ref    [covers]float64
	refs   [covers]int
	dev    float64 // last result's distance from the healthy level, a share of the reach, common movement included
	devAt  int64

	last   [4]float64 // last results, newest first, corrected for conditions
	lastAt [4]int64
	vario  [4]float64 // sums of squared differences at lags 1, 2 and 4 (index lag-1)
	pairs  [4]float64
	reg    regression
}

// reach is the distance from the healthy level to the nearer limit.
func (m *member) reach() float64 {
	d := math.Inf(1)
	if !math.IsNaN(m.max) {
		d = m.max - m.learnt.m
	}
	if !math.IsNaN(m.min) {
		d = min(d, m.learnt.m-m.min)
	}
	return d
}

// healthyLeast is the smallest reach, in units of the limit, of a series that has one: a level beyond its
// limit has none.
const healthyLeast = 0.02

func (m *member) healthy() bool { return m.n > 0 && m.reach() > healthyLeast }

// take takes a sample in: c are its cohort's parameters (nil: shipped), centre its common movement by the day
// before, set the shipped figures.
func (m *member) take(s *sample, c *Cohort, centre float64, set *Settings) {
	shipped := Cohort{}
	if c == nil {
		shipped = shippedCohort(m.phi, set)
		c = &shipped
	}
	x := s.x
	if m.n > 0 {
		x -= m.effect(s, c) * m.reach()
	}
	m.conditions(s)
	if m.n++; m.n == 1 {
		m.learnt = newNormal(x, 1, 1, 1, 0)
		sd := c.Spread * max(m.reach(), healthyLeast)
		m.learnt = newNormal(x, 1, c.Weight, sd*sd, 0)
		m.prior = m.learnt
		m.shift(x, s)
		return
	}
	reach := max(m.reach(), healthyLeast)
	m.dev, m.devAt = (x-m.learnt.m)/reach, s.at
	m.vary(x, s)
	m.relate(s, math.Sqrt(m.learnt.v/m.learnt.nu))
	x -= centre * reach
	m.learnt.floor = set.SpreadFloor * reach * set.SpreadFloor * reach
	m.learnt.derive(1 / (m.learnt.nu * m.learnt.kappa))
	t := m.learnt.residual(x)
	e := t
	if float64(s.at-m.lastAt[0]) < phiGap*dayMicros {
		e = (t - c.Phi*m.prev) / math.Sqrt(1-c.Phi*c.Phi)
	}
	m.blocks.add(min(max(wallace(e, m.learnt.nu), -clipUp), clipUp))
	m.learnt.learn(x, (1-c.Phi)/(1+c.Phi), learnClip)
	m.prev = t
	m.shift(x+centre*reach, s)
}

// effect is what the conditions add to a sample, a share of the reach.
func (m *member) effect(s *sample, c *Cohort) (sum float64) {
	for i, e := range c.Effect {
		if w := float64(s.covers[i]); w == w && m.refs[i] > 0 {
			sum += e * (w - m.ref[i])
		}
	}
	return sum
}

// conditions moves the references: the means of the first results.
func (m *member) conditions(s *sample) {
	for i := range m.ref {
		if w := float64(s.covers[i]); w == w && m.refs[i] < refResults {
			m.refs[i]++
			m.ref[i] += (w - m.ref[i]) / float64(m.refs[i])
		}
	}
}

// shift remembers a corrected result.
func (m *member) shift(x float64, s *sample) {
	copy(m.last[1:], m.last[:3])
	copy(m.lastAt[1:], m.lastAt[:3])
	m.last[0], m.lastAt[0] = x, s.at
}

// vary adds to the variogram: half the mean square of differences at some lags.
func (m *member) vary(x float64, s *sample) {
	most := 4 * m.learnt.v / m.learnt.nu * 2
	for _, lag := range [...]int{1, 2, 4} {
		if at := m.lastAt[lag-1]; at != 0 && float64(s.at-at) < phiGap*dayMicros*float64(lag) {
			d := x - m.last[lag-1]
			m.vario[lag-1] += min(d*d, most) / 2
			m.pairs[lag-1]++
		}
	}
}

// relate adds to the regression on the conditions, by differences to the sample before.
func (m *member) relate(s *sample, sd float64) {
	if m.next == 0 {
		return
	}
	p := &m.list[m.next-1]
	if float64(s.at-p.at) > coverGap*dayMicros {
		return
	}
	var d [covers]float64
	for i := range d {
		if w := float64(s.covers[i]) - float64(p.covers[i]); w == w {
			d[i] = w
		}
	}
	most := coverClip * math.Sqrt2 * sd
	m.reg.add(d, min(max(s.x-p.x, -most), most))
}
