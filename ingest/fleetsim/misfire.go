package fleetsim

import (
	"math"
	"math/rand/v2"
	"time"
)

// A cylinder counts its misfires: in the trip at hand (test id 0C) and as the average of ten trips (0B),
// new = 0.9 old + 0.1 count (SAE J1979, from memory).
type cylinder struct {
	key    string
	rng    *rand.Rand
	rate   float64 // healthy misfires a trip
	count  int     // of the trip at hand, at its end
	last   int     // of the trip before, or what has been counted of this one
	mean   float64
	code   *code
	faults []*wear
}

func (c *cylinder) start(t *trip) {
	rate := c.rate
	if t.wet {
		rate *= 1.5
	}
	for _, w := range c.faults {
		rate += w.level(t.start, t.wet) * misfireLimit * 1.02
	}
	c.count = poisson(c.rng, rate)
}

// end judges the count of the trip, whatever limit the average carries.
func (c *cylinder) end(at time.Time, t *trip) {
	c.last = c.count
	c.mean = 0.9*c.mean + 0.1*float64(c.count)
	if c.count > misfireLimit {
		c.code.fail(at, t.number, c.faults)
	} else {
		c.code.pass(t.number)
	}
}

// poisson draws a count: by multiplication (Knuth, The Art of Computer Programming 2, 3.4.1), by the
// normal approximation above 60.
func poisson(r *rand.Rand, rate float64) int {
	if rate > 60 {
		return max(0, int(math.Round(rate+math.Sqrt(rate)*r.NormFloat64())))
	}
	limit, p, n := math.Exp(-rate), r.Float64(), 0
	for p > limit {
		p *= r.Float64()
		n++
	}
	return n
}
