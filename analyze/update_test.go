package analyze

import (
	"math/rand/v2"
	"testing"
)

// The update in one go ends in the state that its parts end in, bit for bit: with outliers, gaps, correlated
// results, a rise, a claim that stands and another cohort.
func TestUpdateIsItsParts(t *testing.T) {
	set := DefaultSettings()
	rng := rand.New(rand.NewPCG(2, 26))
	ordinary := 0
	for range 500 {
		var a, b stream
		c := shippedCohort(0.9*rng.Float64()*float64(rng.IntN(2)), &set)
		other := shippedCohort(0.2, &set)
		other.Null = 1.5
		in, at, rise := &c, int64(1), 0.02*rng.Float64()*float64(rng.IntN(2))
		for i := range 200 {
			x := 0.4 + 0.03*rng.NormFloat64() + rise*max(0, float64(i-60))
			if rng.IntN(25) == 0 {
				x += 0.4 * rng.NormFloat64()
			}
			if at += int64(rng.ExpFloat64() * dayMicros); rng.IntN(30) == 0 {
				at += 6 * int64(dayMicros)
			}
			switch {
			case i == 0:
				a.begin(1, x, 1, 1, 0.001, at, in, &set)
				b.begin(1, x, 1, 1, 0.001, at, in, &set)
				continue
			case i == 40 && rng.IntN(3) == 0:
				in = &other
			case i == 90 && rng.IntN(3) == 0:
				a.standing, b.standing = true, true
			case i == 120 && rng.IntN(3) == 0:
				a.wild, b.wild = 2, 2
			case i == 150:
				a.recover(at)
				b.recover(at)
			}
			a.take(x, 1, at, in, &set)
			b.parts(x, 1, at, in, &set)
			if a != b {
				t.Fatalf("result %d: another state\n%+v\n%+v", i, a, b)
			}
			if rng.IntN(2) == 0 { // as after a fresh result of the product
				a.round()
				b.round()
			}
			ordinary++
		}
	}
	t.Log(ordinary, "results")
}
