package analyze

import (
	"math"
	"math/rand/v2"
	"testing"

	"marginline/ingest/series"
)

// wear is a course of one test with a maximum of 1: healthy at 0.4 with noise, then from day onset on
// rising in a line that reaches the limit after length days. perDay results a day.
func wear(rng *rand.Rand, days, perDay int, noise, onset, length float64) []*series.Poll {
	var polls []*series.Poll
	for i := range days * perDay {
		d := float64(i) / float64(perDay)
		x := 0.4 + 0.6*(noise*rng.NormFloat64()+max(0, (d-onset)/length))
		polls = append(polls, poll(d, upTo(x)))
	}
	return polls
}

func TestSlowWear(t *testing.T) {
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 1))
		v := newTestVehicle(t)
		apply(t, v, wear(rng, 100, 1, 0.06, 30, 60)...)
		list := v.Signals()
		if len(list) == 0 || list[0].Kind != Drift {
			t.Fatalf("seed %d: signals %q, want drift first", seed, kindsOf(list))
		}
		raised := list[0].RaisedAt.Sub(epoch0).Hours() / 24
		since := list[0].Evidence.Since.Sub(epoch0).Hours() / 24
		if raised < 40 || raised > 72 {
			t.Errorf("seed %d: raised on day %.0f of a wear from day 30 to 90", seed, raised)
		}
		if since < 20 || since > 55 {
			t.Errorf("seed %d: began no later than day %.0f, want near 30", seed, since)
		}
	}
}

func TestHealthyIsQuiet(t *testing.T) {
	n := 0
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 2))
		v := newTestVehicle(t)
		apply(t, v, wear(rng, 180, 2, 0.09, math.Inf(1), 1)...)
		n += len(v.Signals())
	}
	if n > 0 {
		t.Errorf("%d signals from 200 healthy series over 180 days", n)
	}
}
