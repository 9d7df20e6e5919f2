package analyze

import "math"

// trend is a local linear trend: a level and a slope per day that both wander, followed by a Kalman
// filter (West and Harrison 1997; Durbin and Koopman 2012, section 3.2).
type trend struct {
	l, b          float64 // level, slope per day
	p11, p12, p22 float64 // their covariance
	lag           float64 // moving average of the standardised innovations: how far the filter lags behind
}

// noise is what the filter expects: variance r of a result, ql of the level's and qb of the slope's
// random walk a day.
type noise struct{ r, ql, qb float64 }

// predict moves the state dt days on:
//
//	l += b dt,  P = F P F' + Q,  Q = [[ql dt + qb dt^3/3, qb dt^2/2], [., qb dt]]
func (t *trend) predict(dt float64, n noise) {
	t.l += t.b * dt
	q, dt2 := n.qb*dt, dt*dt
	t.p11 = (t.p11 + dt2*(q*(1./3))) + (2*dt*t.p12 + dt2*t.p22)
	t.p11 += n.ql * dt
	t.p12 += dt * (t.p22 + q*0.5)
	t.p22 += q
}

// update takes a result in and returns its standardised innovation. The innovation is cut to clip standard
// deviations; math.Inf(1) cuts nothing.
func (t *trend) update(x float64, n noise, clip float64) float64 {
	e, z, per := t.innovation(x, n.r, clip)
	t.correct(e, n.r, per)
	return z
}

// innovation is x against the level, the same in standard deviations, and one over its variance.
func (t *trend) innovation(x, r, clip float64) (e, z, per float64) {
	of := t.p11 + r
	per = 1 / of
	e = x - t.l
	z = e * per * math.Sqrt(of)
	if z*z > clip*clip {
		e, z = cut(e, z, clip)
	}
	return e, z, per
}

func cut(e, z, clip float64) (float64, float64) {
	return e * (clip / math.Abs(z)), math.Copysign(clip, z)
}

func (t *trend) correct(e, r, per float64) {
	k1, k2 := t.p11*per, t.p12*per
	t.l += k1 * e
	t.b += k2 * e
	t.p11, t.p12, t.p22 = r*k1, r*k2, t.p22-k2*t.p12
}

// How a filter that lags behind is loosened: lags of white noise have a standard deviation of 0.42.
const (
	lagWeight = 0.3
	lagFrom   = 0.8
	loosening = 2000
	trendClip = 3
)

// follow moves dt days on and takes a result in. A filter stiff enough for slow wear lags behind fast wear;
// innovations that keep one sign loosen its slope (automatic intervention, West and Harrison 1997,
// chapter 11).
func (t *trend) follow(x, dt float64, n noise) {
	if t.lag*t.lag > lagFrom*lagFrom {
		n.qb *= loosened(t.lag)
	}
	t.predict(dt, n)
	t.lag = ewma(t.lag, t.update(x, n, trendClip), lagWeight)
}

func loosened(lag float64) float64 {
	over := math.Abs(lag) - lagFrom
	return 1 + loosening*over*over
}

// lead is how many standard deviations the level is beyond limit h days ahead.
func (t *trend) lead(h, limit float64, n noise) float64 {
	v := t.p11 + 2*h*t.p12 + h*h*t.p22 + n.ql*h + n.qb*h*h*h/3
	return (t.l + t.b*h - limit) / math.Sqrt(v)
}

// beyond is the probability that the level is beyond limit h days ahead: Phi of lead. It is the level's
// probability on that day; that of a first passage by then is a little larger.
func (t *trend) beyond(h, limit float64, n noise) float64 {
	return 0.5 * math.Erfc(-t.lead(h, limit, n)/math.Sqrt2)
}

// yearDays is how far a forecast looks.
const yearDays = 365

// cross is the smallest number of days after which the level is beyond limit with the probability whose
// normal quantile is q; false when that is not so within a year.
func (t *trend) cross(q, limit float64, n noise) (days float64, ok bool) {
	if t.lead(0, limit, n) >= q {
		return 0, true
	}
	for h := 1.0; h <= yearDays; h++ {
		if t.lead(h, limit, n) < q {
			continue
		}
		lo, hi := h-1, h
		for range 40 {
			if mid := (lo + hi) / 2; t.lead(mid, limit, n) >= q {
				hi = mid
			} else {
				lo = mid
			}
		}
		return hi, true
	}
	return 0, false
}

// normalP90 is the 0.9 quantile of the standard normal distribution.
const normalP90 = 1.2815515655446004
