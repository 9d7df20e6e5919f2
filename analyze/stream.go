package analyze

import "math"

// stream follows one series toward one of its limits. All lengths are oriented: a greater number is
// nearer to the limit, so that a minimum is a maximum of the negated value.
type stream struct {
	on    bool
	n     int     // results since it began
	sign  float64 `rest:"-"`      // +1 toward the maximum, -1 toward the minimum
	limit float64 `rest:"shared"` // newest limit, oriented
	scale float64 // distance to the limit when the stream began

	learnt normal
	bank   bank
	trend  trend
	base   float64 // healthy level and variance: what had been learnt at the last zero of the score
	baseV  float64
	null   float64 // what the score is divided by
	prev   float64 // last result, oriented
	past   [2]past // the two before it
	at     int64   // read_at (us) of it
	z      float64 `rest:"-"` // its residual
	echo   echo    `rest:"-"`

	farFrom float64 // share used by the level before them
	before  float64 // share used by the level before the last result
	least   float64 // smallest gate, where it is more than the usual: of the family, or because no ambient is read
	tallies
}

// tallies are what the rules count. All of it is zero while nothing happens.
type tallies struct {
	run      int     // results in a row beyond the confirming share of the gate
	runAt    int64   // read_at (us) of the first of them
	far      int     // results in a row far out
	farAt    int64   // read_at (us) of the first of the results in a row that were
	wild     float64 // results far out that came alone, fading in a month
	wide     sum     // evidence of a grown spread, log likelihood ratio
	low      int     // results in a row with hardly any margin, while learning
	lowAt    int64   // read_at (us) of the first of them
	standing bool    // a claim stands: the healthy level is not learnt from what follows
	sick     bool    // ... and there was no healthy level to return to
}

// past is an earlier result, oriented.
type past struct {
	x  float64
	at int64
}

const dayMicros = 24 * 60 * 60 * 1e6

// phiGap is how long a result says something about the next one, in days.
const phiGap = 4

// begin starts a stream with its first result, in a cohort.
func (s *stream) begin(sign, x, limit, natural, quantum float64, at int64, c *Cohort, set *Settings) {
	*s = stream{}
	s.on, s.n, s.sign, s.limit, s.prev, s.at, s.base, s.null = true, 1, sign, limit, x, at, x, c.Null
	s.scale = max(math.Abs(limit-x), natural/4)
	if s.scale == 0 {
		s.scale = max(quantum, 1)
	}
	sd := set.SpreadFloor * s.scale
	floor := max(sd*sd, quantum*quantum/12) // variance of rounding to a step
	sd = c.Spread * s.scale
	v := max(sd*sd, floor)
	s.learnt = newNormal(x, 1, c.Weight, v, floor)
	s.baseV = v
	s.trend = trend{l: x, p11: v, p22: set.SlopePrior * set.SlopePrior * v}
	s.bank.zero = at
}

// take takes the next fresh result in. Nearly every result is ordinary: the same steps as in parts are taken in one go
// then, in the order in which the processor gets through with them fastest: what it waits for longest, the divisions
// that need no residual, begins first.
func (s *stream) take(x, limit float64, at int64, c *Cohort, set *Settings) {
	n, t, h := &s.learnt, &s.trend, &s.echo
	dt := float64(at-s.at) * (1 / dayMicros)
	r := n.s2
	nu, grown := n.nu+h.weight, n.kappa+h.weight
	per := 1 / (nu * grown)

	// trend, as predict does
	qb := set.SlopeDrift * r
	if t.lag*t.lag > lagFrom*lagFrom {
		qb *= loosened(t.lag)
	}
	qb *= dt
	dt2 := dt * dt
	p11 := (t.p11 + dt2*(qb*(1./3))) + (2*dt*t.p12 + dt2*t.p22)
	p12 := t.p12 + dt*(t.p22+qb*0.5)
	p22 := t.p22 + qb
	l := t.l + t.b*dt
	of := p11 + r
	perOf := 1 / of

	// residual, as surprise and wallaceOf do
	m, kappa, sharp, perNu := n.m, n.kappa, n.sharp, n.perNu
	d := x - m
	e := d
	if dt < phiGap {
		e = (d - h.phi*(s.prev-m)) * h.scale
	}
	y := e * e * (sharp * perNu)
	if h.of != c || s.standing || s.wild > 0 || !(y < rootsTo) {
		s.parts(x, limit, at, c, set)
		return
	}
	z := e * n.inv * (roots[uint32(int32(y*rootsPer))%len32] * (1 - perNu*(1./4-perNu*(3./32-perNu*(9./256)))))

	// evidence, as raise and date do
	rise := clipped(z)
	c0, c1, c2 := (s.bank.c[0] + (rise - one/4)).positive(), (s.bank.c[1] + (rise - one/2)).positive(), (s.bank.c[2] + (rise - one)).positive()
	if c0 > h.held[2] {
		s.parts(x, limit, at, c, set)
		return
	}

	// level and spread, as learn does
	if d*d*sharp > learnClip*learnClip {
		d = math.Copysign(learnClip/n.inv, d)
	}
	perKappa, perNew := nu*per, grown*per
	share := h.weight * perKappa
	move := share * d
	v := n.v + move*(kappa*d)
	m += move
	s2 := v * perNew
	if s2 < n.floor {
		s2 = n.floor
	}
	sharp = 1 / (s2 * (1 + perKappa))
	n.m, n.kappa, n.nu, n.v, n.perNu, n.s2, n.sharp, n.inv = m, grown, nu, v, perNew, s2, sharp, math.Sqrt(sharp)

	// trend, as correct does
	far := x - l
	apart := far * perOf * math.Sqrt(of)
	if apart*apart > trendClip*trendClip {
		far, apart = cut(far, apart, trendClip)
	}
	k1, k2 := p11*perOf, p12*perOf
	t.l, t.b = l+k1*far, t.b+k2*far
	t.p11, t.p12, t.p22 = r*k1, r*k2, p22-k2*p12
	t.lag += lagWeight * (apart - t.lag)

	s.bank.c[0], s.bank.c[1], s.bank.c[2] = c0, c1, c2
	zero := s.bank.zero
	if c1 == 0 {
		zero = at
	}
	s.bank.zero = zero
	s.z, s.wide = z, stepSpread(s.wide, z)
	s.n++
	if c1 == 0 || s.n <= set.MinResults {
		s.base, s.baseV = m, s2
	}
	s.past[1], s.past[0] = s.past[0], past{s.prev, s.at}
	s.limit, s.prev, s.at = limit, x, at
}

// parts is take step by step.
func (s *stream) parts(x, limit float64, at int64, c *Cohort, set *Settings) {
	dt := float64(at-s.at) * (1 / dayMicros)
	if s.echo.of != c {
		s.echo.tune(c, set)
		s.null = c.Null
	}
	n, noise := &s.learnt, s.noise(set)
	perNu, e := n.perNu, s.surprise(x, dt)
	s.z = wallaceOf(e*n.inv, e*e*(n.sharp*perNu), perNu)
	s.bank.add(s.z, at, &s.echo.held)
	if !s.standing {
		n.learn(x, s.echo.weight, learnClip)
	}
	s.trend.follow(x, dt, noise)
	s.wide = stepSpread(s.wide, s.z)
	if s.wild > 0 {
		s.wild *= math.Exp(-dt / wildDays)
	}
	s.n++
	if !s.standing && (s.bank.c[middle] == 0 || s.n <= set.MinResults) {
		s.base, s.baseV = s.learnt.m, s.learnt.s2
	}
	s.past[1], s.past[0] = s.past[0], past{s.prev, s.at}
	s.limit, s.prev, s.at = limit, x, at
}

// surprise is how far x is from the level. Where successive results are correlated, it is the innovation
// e = d - phi d', of variance s2 (1 - phi^2), brought to that of d.
func (s *stream) surprise(x, dt float64) float64 {
	d := x - s.learnt.m
	if dt < phiGap {
		d = (d - s.echo.phi*(s.prev-s.learnt.m)) * s.echo.scale
	}
	return d
}

// echo is what follows from the cohort. It is kept because it takes long to work out, and is no state.
type echo struct {
	of     *Cohort
	phi    float64 // correlation of successive results
	weight float64 // of a result, in independent ones
	scale  float64 // of an innovation to the variance of a result
	held   sums    // how high the bank may rise
}

func (e *echo) tune(c *Cohort, set *Settings) {
	*e = echo{c, c.Phi, (1 - c.Phi) / (1 + c.Phi), 1 / math.Sqrt(1-c.Phi*c.Phi), heldAt(set.Threshold * c.Null)}
}

// round takes digits off that nothing depends on.
func (s *stream) round() {
	n, t := &s.learnt, &s.trend
	n.m, n.kappa, n.more, n.v, n.floor = fine(n.m), brief(n.kappa), rough(n.more), brief(n.v), rough(n.floor)
	n.wake()
	t.l, t.b, t.p11, t.p12, t.p22, t.lag = fine(t.l), rough(t.b), rough(t.p11), rough(t.p12), rough(t.p22), rough(t.lag)
	s.scale, s.base, s.baseV, s.prev = rough(s.scale), fine(s.base), rough(s.baseV), brief(s.prev)
	s.farFrom, s.before, s.wild = rough(s.farFrom), rough(s.before), rough(s.wild)
}

func (s *stream) variance() float64 { return s.learnt.s2 }

// evidence is the CUSUM score against the cohort's empirical null.
func (s *stream) evidence() float64 { return s.bank.score() / s.null }

// spread is the healthy standard deviation of one result.
func (s *stream) spread() float64 { return math.Sqrt(s.baseV) }

func (s *stream) noise(set *Settings) noise {
	v := s.variance()
	return noise{r: v, qb: set.SlopeDrift * v}
}

// room is the healthy distance to the limit.
func (s *stream) room() float64 { return s.limit - s.base }

// used is the share of the healthy distance that x has used up: 0 healthy, 1 at the limit. NaN when the
// healthy level is beyond the limit.
func (s *stream) used(x float64) float64 {
	if room := s.room(); room > 0 {
		return (x - s.base) / room
	}
	return math.NaN()
}

// level is the share used by the filtered level.
func (s *stream) level() float64 { return s.used(s.trend.l) }

// gate is the share that a drift must have used: more where the series is noisy. false when the noise
// leaves no share that would mean anything.
func (s *stream) gate(set *Settings) (float64, bool) {
	room := s.room()
	if room <= 0 {
		return 0, false
	}
	g := max(set.GateUsed, s.least, set.GateSpread*s.spread()/room)
	return g, g <= set.GateMost
}

// fastGate is the share from which a drift may be claimed by its forecast: the smaller, the smaller the gate.
func (s *stream) fastGate(set *Settings) float64 {
	return max(set.FastUsed*max(1, s.least/set.GateUsed), set.FastSpread*s.spread()/s.room())
}

// inherit takes over from the stream of the epoch before, of which a claim stands: the healthy level is
// still the old one, where the two epochs compare.
func (s *stream) inherit(old *stream, comparable bool) {
	s.standing, s.sick = true, old.sick || !old.on || !comparable
	if !s.sick {
		s.base, s.baseV = old.base, old.baseV
	}
}

// recover goes back to watching after the claims were taken back.
func (s *stream) recover(at int64) {
	s.bank = bank{zero: at}
	s.standing, s.sick, s.run, s.far, s.low, s.wild, s.wide = false, false, 0, 0, 0, 0, 0
}
