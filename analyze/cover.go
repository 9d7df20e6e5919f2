package analyze

import "math"

// cover is what is known of the effect of the ambient temperature on one test, of either sign.
//
// It is learnt from the differences of successive results, d = b dw + e, by ridge regression toward b0:
//
//	b = (sum dw d + lambda b0) / (sum dw^2 + lambda),  lambda = 2 s2 / tau^2
//
// Differences carry neither the healthy level nor, to speak of, wear or a season, so that a wear that comes
// while the days grow warmer is not explained away. (Hoerl and Kennard 1970, Technometrics 12:55, for the
// ridge; first differences remove fixed effects: Wooldridge, Econometric Analysis of Cross Section and Panel
// Data, section 10.6.)
type cover struct {
	xx, xy float64         // sums of dw^2 and of dw d
	w      float64         // the last pair
	x      float64         `rest:"shared"`
	ref    [covers]float64 // conditions at which nothing is corrected: the means of the first results
	n      [covers]uint8   // results behind them, up to refResults
}

// ambientUnit is the unit of the regressor, in Cel.
const ambientUnit = 12

// refResults is after how many results the reference stands.
const refResults = 40

// coverGap is how many days two results may lie apart to be compared.
const coverGap = 8

// coverClip bounds a difference, in standard deviations of one.
const coverClip = 2.5

// effect is the value's change a unit of ambient, given the variance of a result and the prior b0, tau.
func (c *cover) effect(s2, b0, tau float64) float64 {
	lambda := 2 * s2 / (tau * tau)
	return (c.xy + lambda*b0) / (c.xx + lambda)
}

// note moves the references by the conditions of a result, in coverUnits.
func (c *cover) note(now [covers]float32) {
	for i, x := range now {
		if w := float64(x); w == w && c.n[i] < refResults {
			c.n[i]++
			c.ref[i] += (w - c.ref[i]) / float64(c.n[i])
		}
	}
}

// away is how far a condition is from where nothing is corrected; 0 where that is not known.
func (c *cover) away(i int, now [covers]float32) float64 {
	if w := float64(now[i]); w == w && c.n[i] > 0 {
		return w - c.ref[i]
	}
	return 0
}

// take takes a pair in: ambient in Cel (NaN when not read) and a value with variance s2, dt days after the
// pair before.
func (c *cover) take(ambient, x, dt, s2 float64) {
	if math.IsNaN(ambient) {
		return
	}
	w := ambient / ambientUnit
	if dt < coverGap && c.w == c.w && c.n[byAmbient] > 0 {
		most := coverClip * math.Sqrt(2*s2)
		dw, d := w-c.w, min(max(x-c.x, -most), most)
		c.xx += dw * dw
		c.xy += dw * d
	}
	c.w, c.x = w, x
}
