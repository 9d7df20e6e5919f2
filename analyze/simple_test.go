package analyze

import (
	"math"
	"slices"
	"time"

	"marginline/ingest/series"
)

// obs is one fresh result, as the simpler rules see it.
type obs struct {
	at             int64
	epoch          int32
	x, limit       [2]float64 // oriented, by side; the limit is NaN where there is none
	margin         float64
	failed         bool
	mean, sd, used [2]float64 // of the first results of the epoch, and the share used against their mean
	z              [2]float64 // residual of the product's self-starting baseline
	ready          bool       // the first results are behind
}

// seriesObs is a series of them.
type seriesObs struct {
	key    series.Key
	family string
	list   []obs
}

// observe turns traced states into what the simpler rules see. They get the same fresh results, epochs and
// limits; their baseline is the mean and spread of the first twelve results of an epoch.
func observe(all []*Vehicle) (out []seriesObs) {
	const first = 12
	for _, v := range all {
		for i := range v.watch {
			w := &v.watch[i]
			s := seriesObs{key: v.key(w), family: w.family}
			var sums [2][]float64
			var learnt [2]normal
			epoch := int32(0)
			for _, p := range v.trace.points[s.key] {
				if math.IsNaN(p.Min) && math.IsNaN(p.Max) {
					continue
				}
				o := obs{at: micros(p.At), epoch: int32(p.Epoch), margin: p.Margin, x: [2]float64{p.Value, -p.Value}, limit: [2]float64{p.Max, -p.Min},
					failed: p.Value > p.Max || p.Value < p.Min}
				if o.epoch != epoch {
					epoch, sums, learnt = o.epoch, [2][]float64{}, [2]normal{}
				}
				for k := range o.x {
					room := o.limit[k] - o.x[k]
					if math.IsNaN(room) {
						continue
					}
					if learnt[k].nu == 0 {
						sd := 0.08 * math.Abs(room)
						learnt[k] = newNormal(o.x[k], 1, 6, max(sd*sd, 1e-12), 0)
					} else {
						o.z[k] = min(max(wallace(learnt[k].residual(o.x[k]), learnt[k].nu), clipDown), clipUp)
						learnt[k].learn(o.x[k], 1, learnClip)
					}
					if len(sums[k]) < first {
						sums[k] = append(sums[k], o.x[k])
						continue
					}
					o.ready = true
					o.mean[k], o.sd[k] = meanAndSpread(sums[k])
					room = o.limit[k] - o.mean[k]
					o.sd[k] = max(o.sd[k], 0.02*math.Abs(room))
					o.used[k] = (o.x[k] - o.mean[k]) / room
					if room <= 0 {
						o.used[k] = 0
					}
				}
				s.list = append(s.list, o)
			}
			if len(s.list) > 0 {
				out = append(out, s)
			}
		}
	}
	return out
}

func meanAndSpread(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// A simpleRule says at which results of a series it alarms, given its threshold; a greater threshold alarms
// less. All of them also alarm at a failing result, as the detector does.
type simpleRule struct {
	name     string
	lo, hi   float64 // where its threshold is looked for
	fixed    float64 // the threshold as the rule is usually stated; NaN when there is none
	alarming func(s []obs, threshold float64, alarm func(i int))
}

// perSide runs a recursion over each side of a series, started anew in every epoch.
func perSide(s []obs, alarm func(i int), next func(state *float64, o *obs, k int) bool) {
	for k := range 2 {
		state, epoch := 0.0, int32(0)
		for i := range s {
			o := &s[i]
			if o.epoch != epoch {
				state, epoch = 0, o.epoch
			}
			if !math.IsNaN(o.limit[k]) && next(&state, o, k) {
				alarm(i)
			}
		}
	}
}

// twice is a share used of at least threshold, two results in a row.
func twice(s []obs, threshold float64, alarm func(i int)) {
	perSide(s, alarm, func(run *float64, o *obs, k int) bool {
		if !o.ready || o.used[k] < threshold {
			*run = 0
			return false
		}
		*run++
		return *run >= 2
	})
}

var simpleRules = []simpleRule{
	{"fixed margin, twice", 0, 1, math.NaN(), func(s []obs, threshold float64, alarm func(i int)) {
		perSide(s, alarm, func(run *float64, o *obs, k int) bool {
			if !(o.margin < 1-threshold) {
				*run = 0
				return false
			}
			*run++
			return *run >= 2
		})
	}},
	{"Shewhart on own baseline", 2, 60, math.NaN(), func(s []obs, threshold float64, alarm func(i int)) {
		perSide(s, alarm, func(_ *float64, o *obs, k int) bool {
			return o.ready && o.x[k]-o.mean[k] >= threshold*o.sd[k]
		})
	}},
	{"CUSUM k 0.5 (textbook)", 3, 2000, 5, func(s []obs, threshold float64, alarm func(i int)) {
		perSide(s, alarm, func(c *float64, o *obs, k int) bool {
			if o.ready {
				*c = max(0, *c+(o.x[k]-o.mean[k])/o.sd[k]-0.5)
			}
			return *c >= threshold
		})
	}},
	{"EWMA 0.1 on z", 0.3, 2.6, math.NaN(), func(s []obs, threshold float64, alarm func(i int)) {
		perSide(s, alarm, func(a *float64, o *obs, k int) bool {
			*a += 0.1 * (o.z[k] - *a)
			return *a >= threshold
		})
	}},
	{"share used, twice", 0.1, 1, math.NaN(), twice},
	{"50 % used, twice", 0, 0, 0.5, twice},
	{"60 % used, twice", 0, 0, 0.6, twice},
}

// claimsBy are the claims of a simple rule, by unit and in order of time.
func (r *simpleRule) claimsBy(all []seriesObs, threshold float64) map[string][]claim {
	out := map[string][]claim{}
	for i := range all {
		s := &all[i]
		last := int64(math.MinInt64)
		var times []int64
		say := func(i int) { times = append(times, s.list[i].at) }
		r.alarming(s.list, threshold, say)
		for i := range s.list {
			if s.list[i].failed {
				say(i)
			}
		}
		slices.Sort(times)
		for _, at := range times {
			if at-last > 10*int64(dayMicros) || last == math.MinInt64 { // a claim stands for a while
				out[s.key.Unit] = append(out[s.key.Unit], claim{key: s.key, family: s.family, kind: Drift, at: time.UnixMicro(at).UTC()})
				last = at
			}
		}
	}
	for _, list := range out {
		slices.SortStableFunc(list, func(a, b claim) int { return a.at.Compare(b.at) })
	}
	return out
}

// A field is the fleets of a score with what the simpler rules see of them.
type field struct {
	in    *invention
	obs   []seriesObs
	fresh map[series.Key][]time.Time
}

// at scores a rule with a threshold over all fleets.
func (r *simpleRule) at(fields []field, threshold float64) (y verdict) {
	parts := make([]verdict, len(fields))
	inParallel(len(fields), func(i int) {
		parts[i] = judgeClaims(fields[i].in, r.claimsBy(fields[i].obs, threshold), fields[i].fresh)
	})
	for _, p := range parts {
		y.add(p)
	}
	return y
}

// equal scores a rule with the threshold that makes it as needless as wanted: the smallest whose rate is not
// above it.
func (r *simpleRule) equal(fields []field, rate float64) (verdict, float64) {
	lo, hi := r.lo, r.hi
	for range 14 {
		if mid := (lo + hi) / 2; r.lo > 0 && r.hi > 100 {
			mid = math.Sqrt(lo * hi)
			if y := r.at(fields, mid); y.rate() > rate {
				lo = mid
			} else {
				hi = mid
			}
		} else if y := r.at(fields, mid); y.rate() > rate {
			lo = mid
		} else {
			hi = mid
		}
	}
	return r.at(fields, hi), hi
}
