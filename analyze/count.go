package analyze

import (
	"math"
	"slices"

	"marginline/ingest/series"
)

// A counter follows the number of events in a trip, such as the misfires of a cylinder, with or without a
// limit. Healthy counts are taken to be Poisson with a mean that is learnt (the conjugate gamma form), and
// the CUSUM is that of the likelihood ratio of a raised mean (Lucas 1985, Technometrics 27:129):
//
//	C = max(0, C + n ln(m1/m0) - (m1 - m0)),  m1 = max(3 m0, m0 + 3)
//
// The average run length to a chance excursion as high as c is at least e^c (Lorden 1971, Annals of
// Mathematical Statistics 42:1897), so that c is a score on the scale of the other scores.
type counter struct {
	shape, rate float64 // of the gamma distribution of the healthy mean
	c           float64
	level       float64 // moving average of the counts
	base        float64 // healthy mean: what had been learnt at the last zero
	zero        int64   // read_at (us) of the last result that left c at zero
	n           int
	run         int
	runAt       int64
	standing    bool
}

const (
	countShape  = 0.5  // prior of the healthy mean: about one event in a trip ...
	countRate   = 0.5  // ... with the weight of half a trip
	countWeight = 0.25 // of a result in the moving average
	countClip   = 4    // a result counts at most as so many times the raised mean
)

// raised is the mean that the CUSUM looks for.
func raised(m0 float64) float64 { return max(3*m0, m0+3) }

// stepCount is one step of the Poisson CUSUM.
func stepCount(c, n, m0, m1 float64) float64 { return max(0, c+n*math.Log(m1/m0)-(m1-m0)) }

func newCounter(at int64) *counter {
	return &counter{shape: countShape, rate: countRate, base: countShape / countRate, zero: at}
}

// mean is what is believed of the healthy mean, never nought.
func (k *counter) mean() float64 { return max(k.shape/k.rate, 0.05) }

// take takes the count of a trip in.
func (k *counter) take(n float64, at int64, set *Settings) {
	m0 := k.mean()
	m1 := raised(m0)
	clipped := min(n, countClip*m1)
	k.c = min(stepCount(k.c, clipped, m0, m1), set.Threshold+10)
	if k.n++; k.n == 1 {
		k.level = n
	}
	k.level = ewma(k.level, n, countWeight)
	if k.c == 0 {
		k.zero = at
	}
	if k.standing {
		return
	}
	k.shape += clipped
	k.rate++
	if k.c == 0 || k.n <= set.MinResults {
		k.base = k.mean()
	}
}

// gate is the level that a claim needs: far more than healthy, and more than a few in a trip.
func (k *counter) gate(set *Settings) float64 { return max(set.CountGate, 4*k.base) }

// count takes the count of a finished trip in and claims or takes back.
func (w *watch) count(r *series.Result, m moment, v *Vehicle) {
	if w.counts == nil {
		w.counts = newCounter(m.at)
	}
	k := w.counts
	k.take(r.Value, m.at, v.set)
	gate := k.gate(v.set)
	walk(&k.run, &k.runAt, m.at, r.Value >= gate/2, v.set.CountConfirm)
	switch {
	case w.open[claimDrift] == 0:
		if k.n >= v.set.MinResults && k.c >= v.set.Threshold && k.level >= gate && k.run >= v.set.CountConfirm &&
			k.level >= 3*v.siblings(w) {
			w.raiseCount(r, m, v)
		}
	case k.standing:
		tally(&w.well, &w.wellAt, m.at, r.Value <= max(k.base+2*math.Sqrt(k.base), gate/4))
		if w.well >= v.set.GoodInRow && spans(w.wellAt, m.at, v.set.GoodSpan) {
			s := &v.signals[w.open[claimDrift]-1]
			s.EndedAt, s.Ended = timeOf(m.at), "recovered"
			w.open[claimDrift], w.well = 0, 0
			k.c, k.zero, k.run, k.standing = 0, m.at, 0, false
		}
	}
}

func (w *watch) raiseCount(r *series.Result, m moment, v *Vehicle) {
	k := w.counts
	e := Evidence{
		Settings: v.set.Version, Parameters: Shipped, Epoch: w.epoch.n, Fresh: k.n, Baseline: k.base, Spread: math.Sqrt(k.base),
		Toward: toward[up], Value: r.Value, Limit: r.Max, UnitOfMeasure: r.UnitOfMeasure,
		Used: (k.level - k.base) / (r.Max - k.base), Score: k.c, Threshold: v.set.Threshold, Since: timeOf(k.zero), OdometerKm: v.km,
	}
	v.signals = append(v.signals, Signal{
		Key: v.key(w), VIN: v.vin, Family: w.family, Kind: Drift, RaisedAt: timeOf(m.at), Evidence: e,
	})
	w.open[claimDrift] = int32(len(v.signals))
	k.standing = true
	for i := range w.side {
		w.side[i].standing = true
	}
}

// siblings is the median level of the counters of the same test on that control unit: of the other
// cylinders. A claim needs three times that. What raises them all, such as fuel or a wet road, is not a cylinder's fault.
func (v *Vehicle) siblings(w *watch) float64 {
	var levels []float64
	for _, i := range v.live {
		if o := &v.watch[i]; o != w && o.counts != nil && o.ecu == w.ecu {
			levels = append(levels, o.counts.level)
		}
	}
	if len(levels) == 0 {
		return 0
	}
	slices.Sort(levels)
	return levels[(len(levels)-1)/2]
}
