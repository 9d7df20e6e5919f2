package analyze

import "math"

// stream follows one series toward one of its limits. All lengths are oriented: a greater number is
// nearer to the limit, so that a minimum is a maximum of the negated value.
type stream struct {
	on    bool
	n     int     // results since it began
	sign  float64 // +1 toward the maximum, -1 toward the minimum
	limit float64 // newest limit, oriented
	scale float64 // distance to the limit when the stream began
	floor float64 // smallest variance believed

	learnt normal
	bank   bank
	trend  trend
	base   float64 // healthy level and variance: what had been learnt at the last zero of the score
	baseV  float64
	prev   float64 // last result, oriented
	at     int64   // read_at (us) of it
	z      float64 // its residual

	run      int     // results in a row beyond the confirming share of the gate
	runAt    int64   // read_at (us) of the first of them
	far      int     // results in a row far out
	farAt    int64   // read_at (us) of the first of the results in a row that were
	farFrom  float64 // share used by the level before them
	before   float64 // share used by the level before the last result
	wild     float64 // results far out that came alone, fading in a month
	wide     float64 // evidence of a grown spread, log likelihood ratio
	low      int     // results in a row with hardly any margin, while learning
	lowAt    int64   // read_at (us) of the first of them
	least    float64 // smallest gate, where it is more than the usual: of the family, or because no ambient is read
	standing bool    // a claim stands: the healthy level is not learnt from what follows
	sick     bool    // ... and there was no healthy level to return to
}

const dayMicros = 24 * 60 * 60 * 1e6

// phiGap is how long a result says something about the next one, in days.
const phiGap = 4

// begin starts a stream with its first result.
func (s *stream) begin(sign, x, limit, natural, quantum float64, at int64, set *Settings) {
	*s = stream{on: true, n: 1, sign: sign, limit: limit, prev: x, at: at, base: x}
	s.scale = max(math.Abs(limit-x), natural/4)
	if s.scale == 0 {
		s.scale = max(quantum, 1)
	}
	sd := set.SpreadFloor * s.scale
	s.floor = max(sd*sd, quantum*quantum/12) // variance of rounding to a step
	sd = set.PriorSpread * s.scale
	v := max(sd*sd, s.floor)
	s.learnt = newNormal(x, 1, set.PriorWeight, v)
	s.baseV = v
	s.trend = trend{l: x, p11: v, p22: set.SlopePrior * set.SlopePrior * v}
	s.bank.zero = at
}

// take takes the next fresh result in.
func (s *stream) take(x, limit float64, at int64, rule *Rule, set *Settings) {
	dt := float64(at-s.at) / dayMicros
	s.limit = limit
	s.n++
	s.score(x, dt, at, rule, set)
	s.trend.follow(x, dt, s.noise(set))
	w := (1 - rule.Phi) / (1 + rule.Phi)
	if !s.standing {
		s.learnt.learn(x, w, learnClip, s.floor)
		if s.bank.c[middle] == 0 || s.n <= set.MinResults {
			s.base, s.baseV = s.learnt.m, s.variance()
		}
	}
	s.prev, s.at = x, at
}

// score adds the residual of x to the bank. Where successive results are correlated, the residual is
// that of the innovation: e = d - phi d', of variance s2 (1 - phi^2).
func (s *stream) score(x, dt float64, at int64, rule *Rule, set *Settings) {
	t := s.learnt.residual(x, s.floor)
	if phi := rule.Phi; phi > 0 && dt < phiGap {
		t = (t - phi*s.learnt.residual(s.prev, s.floor)) / math.Sqrt(1-phi*phi)
	}
	s.z = wallace(t, s.learnt.nu)
	s.bank.add(s.z, at, set.Threshold)
	s.wide = stepSpread(s.wide, s.z)
	if s.wild > 0 {
		s.wild *= math.Exp(-dt / wildDays)
	}
}

func (s *stream) variance() float64 { return s.learnt.variance(s.floor) }

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
