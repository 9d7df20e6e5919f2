package analyze

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The threshold for a number of needless visits: the two worked figures of the bank's calibration (run length 60,000:
// 11.37; a million series with 14 results a week, 50 visits: 12.9), and a simulation of the product's bank.
func TestThresholdFor(t *testing.T) {
	for _, c := range []struct{ results, visits, want float64 }{{60000, 1, 11.37}, {14e6, 50, 12.9}} {
		if got := ThresholdFor(c.results, c.visits); math.Abs(got-c.want) > 0.06 {
			t.Errorf("%g results a week, %g visits: %.2f, want %.2f", c.results, c.visits, got, c.want)
		}
	}
	h := ThresholdFor(600, 1)
	rng, held := rand.New(rand.NewPCG(1, 16)), heldAt(100)
	const runs = 3000
	sum := 0.0
	for range runs {
		b, n := bank{}, 0.0
		for b.score() < h {
			b.add(rng.NormFloat64(), 1, &held)
			n++
		}
		sum += n
	}
	if mean := sum / runs; mean < 480 || mean > 760 {
		t.Errorf("threshold %.2f for a run length of 600: %.0f", h, mean)
	}
	if h := ThresholdFor(1000, 0); !math.IsInf(h, 1) {
		t.Errorf("no visits at all: threshold %g", h)
	}
}

// The break-even figures as worked out by hand: 200 wasted against 1,000, 100 saved, and 60 against 100.
func TestBreakEven(t *testing.T) {
	for _, c := range []struct{ wasted, saved, want float64 }{{200, 1000, 0.17}, {200, 100, 0.67}, {60, 100, 0.375}} {
		if got := (Worth{c.wasted, c.saved}).BreakEven(); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%g wasted, %g saved: %.3f, want %.2f", c.wasted, c.saved, got, c.want)
		}
	}
	for _, c := range []struct {
		followed, unfollowed int
		want                 string
	}{{30, 5, "yes"}, {1, 40, "no"}, {2, 2, "open"}, {0, 0, "open"}} {
		x := ClassTrial{Followed: c.followed, Unfollowed: c.unfollowed}
		if got := x.Pays(Worth{200, 1000}); got != c.want {
			t.Errorf("%d followed, %d not: %s, want %s", c.followed, c.unfollowed, got, c.want)
		}
	}
}
