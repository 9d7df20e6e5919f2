package main

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// Worked example computed by hand: the slopes of (1,1) (2,2) (3,4) (4,4) are 1, 1.5, 1, 2, 1, 0.
func TestTrend(t *testing.T) {
	slope, low := trend([]float64{1, 2, 3, 4}, []float64{1, 2, 4, 4})
	if slope != 1 {
		t.Errorf("slope %g, want 1", slope)
	}
	if low > 0 {
		t.Errorf("four points prove nothing at 95 %%: low end %g", low)
	}
	var x, y []float64
	for i := range 60 {
		x, y = append(x, float64(i)), append(y, 5+0.25*float64(i))
	}
	y[17], y[50] = 900, -900 // outliers do not bend it
	if slope, low := trend(x, y); math.Abs(slope-0.25) > 1e-9 || low <= 0 {
		t.Errorf("slope %g low %g, want 0.25 and above 0", slope, low)
	}
}

func TestJudge(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	noise := func(sd float64) float64 { return sd * r.NormFloat64() }
	for _, c := range []struct {
		name  string
		value func(at, length float64) float64 // MiB of memory at a second of the run
		grows bool
	}{
		{"steady", func(at, _ float64) float64 { return 200 + noise(10) }, false},
		{"warm-up only", func(at, l float64) float64 { return 200 - 150*math.Exp(-at/(l/12)) + noise(3) }, false},
		{"leak", func(at, l float64) float64 { return 200 + 120*at/l + noise(10) }, true},
		{"slow leak inside the allowance", func(at, l float64) float64 { return 200 + 20*at/l + noise(10) }, false},
		{"saw-tooth of 15 minutes", func(at, _ float64) float64 { return 200 + 100*math.Mod(at, 900)/900 + noise(3) }, false},
		{"saw-tooth on a leak", func(at, l float64) float64 { return 200 + 300*at/l + 100*math.Mod(at, 900)/900 + noise(3) }, true},
		{"one peak near the end", func(at, l float64) float64 {
			if at > 0.9*l && at < 0.92*l {
				return 500
			}
			return 200 + noise(5)
		}, false},
		{"a step in the last quarter", func(at, l float64) float64 {
			if at > 0.76*l {
				return 320 + noise(5)
			}
			return 200 + noise(5)
		}, true},
	} {
		const length = 3600.0
		var samples []sample
		for at := 10.0; at <= length; at += 10 {
			values := make([]float64, len(quantities))
			for i := range values {
				values[i] = 100
			}
			values[0] = c.value(at, length)
			samples = append(samples, sample{after: time.Duration(at * float64(time.Second)), values: values})
		}
		for i, v := range judge(samples, time.Hour) {
			if want := c.grows && i == 0; v.growing != want {
				t.Errorf("%s: %s growing %v, want %v (rise %.1f low %.1f peaks %.1f allowed %.1f)", c.name, v.name, v.growing, want, v.rise, v.low, v.peaks, v.allowance)
			}
		}
	}
}

// A short run does not claim that the lake's files are flat.
func TestShortRunSaysSo(t *testing.T) {
	var samples []sample
	for i := range 120 {
		samples = append(samples, sample{after: time.Duration(i) * 10 * time.Second, values: make([]float64, len(quantities))})
	}
	for _, v := range judge(samples, time.Hour) {
		if v.notJudgable != v.swept {
			t.Errorf("%s: not judged %v, want %v", v.name, v.notJudgable, v.swept)
		}
	}
}
