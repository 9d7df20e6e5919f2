package fleetsim

import (
	"math"
	"testing"
)

// The hard fleet is what its file says: cohorts differ from one another and units within them, noise has
// tails, some tests run rarely, and limits and codes are changed on healthy units.
func TestHardFleetIsHard(t *testing.T) {
	h, err := Hard()
	if err != nil {
		t.Fatal(err)
	}
	c := Config{Units: 200, Days: h.Days, Seed: 7, End: h.End, Scenario: "hard", Delivery: true}
	f, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	p := f.play(false)
	cohorts := map[string][]float64{} // calibration and test: ambient effects
	offsets, rare, steps, tests, reflashed := 0.0, 0, 0, 0, 0
	for _, v := range p.vehicles {
		for i, m := range v.tests {
			tests++
			key := v.cal + m.key
			cohorts[key] = append(cohorts[key], m.season)
			offsets += math.Abs(m.level0-m.healthy) / m.distance()
			if m.chance < v.family.tests[i].chance {
				rare++
			}
			if m.stepBy != 0 {
				steps++
			}
		}
		if len(v.events) > 0 {
			reflashed++
		}
	}
	between, positive, n := 0.0, 0, 0
	for _, list := range cohorts {
		mean := 0.0
		for _, x := range list {
			mean += x / float64(len(list))
		}
		between += mean * mean
		if n++; mean > 0 {
			positive++
		}
	}
	if sd := math.Sqrt(between / float64(n)); sd < 0.03 || sd > 0.08 {
		t.Errorf("ambient effects of cohorts have a spread of %.3f of the distance", sd)
	}
	if positive < n/3 || positive > 2*n/3 {
		t.Errorf("%d of %d cohorts move up with warmth, want either sign", positive, n)
	}
	if mean := offsets / float64(tests); mean < 0.05 {
		t.Errorf("levels lie only %.3f from the catalogue's", mean)
	}
	for what, share := range map[string]float64{"run rarely": float64(rare) / float64(tests), "step harmlessly": float64(steps) / float64(tests),
		"units with an event": float64(reflashed) / float64(c.Units)} {
		if share < 0.08 || share > 0.45 {
			t.Errorf("%s: %.2f", what, share)
		}
	}
	slow := 0
	for _, x := range f.Truth() {
		if x.Mode == Slow {
			slow++
		}
	}
	if slow < 15 {
		t.Errorf("%d slow faults in 200 units", slow)
	}
}
