package analyze

import (
	"cmp"
	"math"
	"slices"
)

// A gathering is a cohort while it is being fitted.
type gathering struct {
	key     CohortKey
	members []*member
	course  *parting
}

// fit makes the parameters of a fleet from the surveys of its units, up to the last whole week before until
// (us). It walks day by day along all series at once: common movement is fitted at each day's end, all else at
// each week's. The order of surveys does not matter.
func fit(surveys []*survey, until int64, set *Settings) *Parameters {
	var all []*member
	for _, s := range surveys {
		for _, x := range s.stretches {
			if len(x.list) > 0 {
				all = append(all, &member{stretch: x})
			}
		}
	}
	if len(all) == 0 {
		return &Parameters{}
	}
	first, last := int64(math.MaxInt64), int64(0)
	for _, m := range all {
		first, last = min(first, m.list[0].at), max(last, m.list[len(m.list)-1].at)
	}
	last = min(last, until-1)
	p := &Parameters{week0: weekOf(first), day0: dayOf(first), cohorts: map[CohortKey]*parting{}}
	groups := gather(all, p)
	lastDay := dayOf(last)
	p.fitted = lastDay
	for day := p.day0; day < lastDay; day++ { // a day that has ended
		end := (day + 1) * int64(dayMicros)
		for _, m := range all {
			for m.next < len(m.list) && m.list[m.next].at < end {
				s := &m.list[m.next]
				var courses [levels]*parting
				for i, g := range m.of {
					if g != nil {
						courses[i] = g.course
					}
				}
				centre, _ := p.centreAt(courses, s.at)
				m.take(s, p.cohortAt(courses, s.at), centre, set)
				m.next++
			}
		}
		for _, g := range groups {
			g.centre(end)
		}
		if weekOf(end) != weekOf(end-1) {
			p.close(groups, weekOf(end-1), set)
		}
	}
	p.movements = movementsOf(groups, p.day0)
	return p
}

// gather sorts the members into cohorts, in a fixed order.
func gather(all []*member, p *Parameters) []*gathering {
	by := map[CohortKey]*gathering{}
	for _, m := range all {
		for i := range levels {
			k := m.key.at(i)
			if i == 0 && k == m.key.at(1) {
				continue // no calibration was read
			}
			g := by[k]
			if g == nil {
				g = &gathering{key: k, course: &parting{}}
				by[k], p.cohorts[k] = g, g.course
			}
			m.of[i] = g
			g.members = append(g.members, m)
		}
	}
	groups := make([]*gathering, 0, len(by))
	for _, g := range by {
		groups = append(groups, g)
	}
	// The widest first: the narrower lean on them.
	slices.SortFunc(groups, func(a, b *gathering) int {
		return cmp.Or(cmp.Compare(a.key.ECU, b.key.ECU), cmp.Compare(a.key.Test, b.key.Test),
			cmp.Compare(a.key.EngineFamily, b.key.EngineFamily), cmp.Compare(a.key.CalID, b.key.CalID))
	})
	return groups
}

// fitResults is how many results a series needs to count in a fit.
const fitResults = 6

// close fits every cohort at the end of a week.
func (p *Parameters) close(groups []*gathering, week int64, set *Settings) {
	d := newDigester()
	for _, g := range groups {
		i := len(p.versions)
		for len(g.course.weeks) < i {
			g.course.weeks = append(g.course.weeks, nil)
		}
		wider := (*Cohort)(nil)
		for level := levels - 1; level > 0; level-- {
			if k := g.key.at(level); k != g.key {
				if w := p.cohorts[k]; w != nil && len(w.weeks) > i && w.weeks[i] != nil {
					wider = w.weeks[i]
				}
			}
		}
		c := g.fit(wider, set)
		g.course.weeks = append(g.course.weeks, c)
		if c != nil {
			c.digest(d)
		}
	}
	p.versions = append(p.versions, versionOf(week, d.sum()))
}

// How many series the figures of a wider cohort are worth, beside a cohort's own.
const (
	leanSpread = 20
	leanPhi    = 60
	leanEffect = 4
	leanNull   = 60
)

// fit is the cohort as its members tell so far, leaning on the wider one (nil: on the shipped figures). nil with
// fewer than leastSeries.
func (g *gathering) fit(wider *Cohort, set *Settings) *Cohort {
	var levels, logs, dof []float64
	var vario, pairs [4]float64
	var reg regression
	var apart []float64
	phi, s2 := 0.0, 0.0
	for _, m := range g.members {
		if m.n < fitResults || !m.healthy() {
			continue
		}
		reach := m.reach()
		levels = append(levels, m.learnt.m)
		nu := m.learnt.nu - m.prior.nu
		v := max(m.learnt.v-m.prior.v, 0) / nu / (reach * reach) // of its own results
		if v == 0 {
			v = 1e-8
		}
		logs = append(logs, math.Log(v))
		dof = append(dof, nu)
		s2 += v
		phi += m.phi
		for i := range vario {
			vario[i] += m.vario[i] / (reach * reach)
			pairs[i] += m.pairs[i]
		}
		reg.merge(&m.reg, reach)
		apart = append(apart, m.blocks.apart...)
	}
	n := len(logs)
	if n < leastSeries {
		return nil
	}
	base := shippedCohort(phi/float64(n), set)
	if wider == nil {
		wider = &base
	}
	own := float64(n)
	lean := func(x, wide, worth float64) float64 { return (own*x + worth*wide) / (own + worth) }
	c := &Cohort{Key: g.key, Series: n}
	c.Level, c.LevelSpread = middleAndSpread(levels)
	mean, spread := middleAndSpread(logs)
	c.Spread = math.Exp(lean(mean/2, math.Log(wider.Spread), leanSpread))
	c.Weight = min(max(lean(weightOf(spread, dof), wider.Weight, leanSpread), 2), 60)
	c.Phi = lean(phiOf(vario, pairs, wider.Phi), wider.Phi, leanPhi)
	s2 /= own
	between := set.AmbientPrior * set.AmbientPrior // variance of the effects of calibrations
	l := 2 * s2 / between
	c.Effect = reg.solve(wider.Effect, [covers]float64{l, l, l})
	if g.key != g.key.at(1) {
		between *= leanEffect / (own + leanEffect)
	}
	c.EffectSpread = math.Sqrt(unitEffect*unitEffect + between)
	c.Null = max(1, lean(nullOf(apart, wider.Null), wider.Null, leanNull))
	return c
}

// leastSeries is how many series are a cohort at all, and unitEffect how far the ambient effects of units lie from their
// cohort's.
const (
	leastSeries = 5
	unitEffect  = 0.02
)

// middleAndSpread are the median, and the spread by the median of absolute deviations, so that a few series that wear
// out do not count.
func middleAndSpread(x []float64) (mid, spread float64) {
	if len(x) == 0 {
		return math.NaN(), math.NaN()
	}
	x = slices.Clone(x)
	slices.Sort(x)
	mid = median(x)
	for i := range x {
		x[i] = math.Abs(x[i] - mid)
	}
	slices.Sort(x)
	return mid, median(x) / 0.6744897501960817
}

// median is that of a sorted list.
func median(x []float64) float64 { return (x[(len(x)-1)/2] + x[len(x)/2]) / 2 }

// weightOf is how many degrees of freedom a cohort's variance is worth to one of its series, from the spread of the logs of the
// members' variances (Smyth 2004, Statistical Applications in Genetics and Molecular Biology 3, article 3):
//
//	trigamma(nu0/2) = var(log s2) - mean trigamma(nu/2)
func weightOf(spread float64, dof []float64) float64 {
	within := 0.0
	for _, nu := range dof {
		within += trigamma(nu/2) / float64(len(dof))
	}
	left := spread*spread - within
	if left <= 0 {
		return 60
	}
	lo, hi := 0.5, 200.0
	for range 50 {
		if mid := (lo + hi) / 2; trigamma(mid/2) > left {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// trigamma is the second derivative of the log of the gamma function, by recursion and its asymptotic series
// (Abramowitz and Stegun 6.4.6 and 6.4.12).
func trigamma(x float64) float64 {
	sum := 0.0
	for ; x < 8; x++ {
		sum += 1 / (x * x)
	}
	y := 1 / (x * x)
	return sum + 1/x + y/2 + y/x*(1./6-y*(1./30-y/42))
}

// phiOf is the correlation of successive results from the variogram at lags 1, 2 and 4, which neither levels nor
// slow wear nor rounding bias:
//
//	r = (V4-V2)/(V2-V1),  phi = (-1 + sqrt(1+4r))/2
//
// other where there are too few pairs.
func phiOf(sums, pairs [4]float64, other float64) float64 {
	if pairs[0] < 200 || pairs[1] < 200 || pairs[3] < 200 {
		return other
	}
	v1, v2, v4 := sums[0]/pairs[0], sums[1]/pairs[1], sums[3]/pairs[3]
	if v2-v1 < 0.03*v1 {
		return 0
	}
	r := max(0, (v4-v2)/(v2-v1))
	return min((math.Sqrt(1+4*r)-1)/2, 0.9)
}
