package analyze

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A filter's pressure loss is a saw-tooth: soot rises over some days and is burnt off, ash stays. Read at any phase, and
// with teeth that grow long when the vehicle idles, it raises nothing; a floor that rises is found well before the
// limit. That the floor is what tells of wear is common practice, no source.
func TestFloorOfASawtooth(t *testing.T) {
	early := 0
	for seed := range uint64(40) {
		for _, rises := range []bool{false, true} {
			rng := rand.New(rand.NewPCG(seed, 17))
			v := newTestVehicle(t)
			soot, tooth, height := rng.Float64(), 3+3*rng.Float64(), 0.3+0.15*rng.Float64()
			level, raised := 0.0, math.NaN()
			last := 0.0
			for d := 0.0; d < 150; d += 0.4 + rng.ExpFloat64() {
				idles := 1.0
				if d > 60 && d < 80 {
					idles = 0.6 // teeth get longer
				}
				soot = math.Mod(soot+(d-last)/tooth*idles, 1)
				last = d
				if level = 0; rises {
					level = max(0, d-70) / 70
				}
				u := height*soot + level + 0.05*rng.NormFloat64()
				apply(t, v, poll(d, result(0xB2, 0x80, 0.4+0.6*u, none, 1)))
				if len(v.signals) > 0 && math.IsNaN(raised) {
					raised = level
				}
			}
			switch {
			case !rises && len(v.signals) > 0:
				t.Errorf("seed %d: a healthy filter raises %s, %+v", seed, kindsOf(v.signals), v.signals[0].Evidence)
			case rises && !(raised > 0 && raised < 0.75):
				t.Errorf("seed %d: a rising floor is found at %.2f of its way", seed, raised)
			case rises && raised < 0.5:
				early++
			}
		}
	}
	if early < 20 {
		t.Errorf("%d of 40 rising floors are found in the first half of their way, want half of them", early)
	}
}

// Wear of seven weeks under short teeth is claimed from the results themselves, days before the least of the last eight
// has come as far.
func TestTeethAreLeftBehind(t *testing.T) {
	claimed := func(seed uint64, set *Settings) float64 {
		rng := rand.New(rand.NewPCG(seed, 23))
		v := NewVehicle("1", "V1", plain{}, set)
		soot, last := rng.Float64(), 0.0
		for d := 0.0; d < 120; d += 0.4 + 0.8*rng.ExpFloat64() {
			soot = math.Mod(soot+(d-last)/2.3, 1)
			last = d
			level := max(0, d-60) / 50
			u := 0.2*soot + level + 0.06*rng.NormFloat64()
			apply(t, v, poll(d, result(0xB2, 0x80, 0.4+0.6*u, none, 1)))
			if len(v.signals) > 0 {
				if d < 60 {
					t.Errorf("seed %d: a healthy filter raises %s on day %.0f", seed, kindsOf(v.signals), d)
				}
				return d - 60
			}
		}
		t.Errorf("seed %d: the wear is not claimed", seed)
		return 60
	}
	set, floors := DefaultSettings(), DefaultSettings()
	floors.FloorUsed = math.Inf(1)
	var with, without []float64
	for seed := range uint64(40) {
		with, without = append(with, claimed(seed, &set)), append(without, claimed(seed, &floors))
	}
	t.Logf("median days after the wear began: %.1f, by the floor alone %.1f", quantile(with, .5), quantile(without, .5))
	if quantile(with, .5) > quantile(without, .5)-2 {
		t.Errorf("claimed %.1f days after the wear began, by the floor alone after %.1f", quantile(with, .5), quantile(without, .5))
	}
}

// The floor is the least of the last results over about one tooth.
func TestFloorForgets(t *testing.T) {
	var f floor
	at := func(d float64) int64 { return int64(d * dayMicros) }
	for _, c := range []struct{ day, x, want float64 }{
		{1, 5, 5}, {2, 3, 3}, {3, 4, 3}, {4, 6, 3}, {9.5, 6, 3}, {10.5, 7, 4}, {30, 9, 9},
	} {
		if got := f.take(up, c.x, at(c.day)); got != c.want {
			t.Errorf("day %g: floor %g, want %g", c.day, got, c.want)
		}
	}
	for i := range 20 {
		f.take(down, float64(-i), at(float64(i)/10))
	}
	if got := f.take(down, 0, at(2)); got != -19 {
		t.Errorf("of the last eight: %g", got)
	}
}
