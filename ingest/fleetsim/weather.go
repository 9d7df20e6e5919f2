package fleetsim

import (
	"math"
	"math/rand/v2"
	"time"
)

// A climate is the weather of one depot: a yearly and a daily wave, and days that resemble the day before.
// Parameters are invented.
type climate struct {
	mean, year, day float64 // Cel
	wetShare        float64
	barometric      float64 // kPa
	heat            [2]time.Time
	heatMean        float64 // mean of a scripted hot week

	rng   *rand.Rand
	first time.Time // of anomaly[0]
	walk  float64
	odd   []float64 // Cel, by day
	wet   []bool
}

func newClimate(first time.Time, r *rand.Rand, mean, year, wetShare, barometric float64) *climate {
	return &climate{mean: mean, year: year, day: 5, wetShare: wetShare, barometric: barometric, rng: r, first: first}
}

// at extends the weather to t: AR(1) with phi 0.8 and a spread of 3.5 Cel.
func (c *climate) at(t time.Time) int {
	i := max(0, int(t.Sub(c.first)/day))
	for len(c.odd) <= i {
		c.walk = 0.8*c.walk + 3.5*math.Sqrt(1-0.8*0.8)*c.rng.NormFloat64()
		c.odd = append(c.odd, c.walk)
		c.wet = append(c.wet, c.rng.Float64() < c.wetShare)
	}
	return i
}

// seasonal is the mean of the day by the calendar: warmest in late July.
func (c *climate) seasonal(t time.Time) float64 {
	return c.mean + c.year*math.Cos(2*math.Pi*float64(t.YearDay()-205)/365)
}

// ambient is the air temperature, Cel.
func (c *climate) ambient(t time.Time) float64 {
	i := c.at(t)
	hour := t.Add(localOffset)
	h := float64(hour.Hour()) + float64(hour.Minute())/60
	wave := c.day * math.Cos(2*math.Pi*(h-15)/24)
	if t.After(c.heat[0]) && t.Before(c.heat[1]) {
		return c.heatMean + 0.3*c.odd[i] + wave
	}
	return c.seasonal(t) + c.odd[i] + wave
}

func (c *climate) isWet(t time.Time) bool { return c.wet[c.at(t)] }

// localOffset is the depots' time, taken as constant: an hour of daylight saving moves no test.
const localOffset = -7 * time.Hour
