package analyze

import (
	"math"
	"math/rand/v2"
	"testing"

	"marginline/ingest/series"
)

func withCal(r series.Result, cal string) series.Result { r.CalID = cal; return r }

func TestEpochs(t *testing.T) {
	a := upTo(0.4)
	other := a
	other.UAS = 0x06
	for _, c := range []struct {
		name    string
		results []series.Result
		epoch   int
		fresh   int
	}{
		{"the same", []series.Result{a, upTo(0.41), upTo(0.42)}, 1, 3},
		{"calibration not read at first", []series.Result{a, withCal(upTo(0.41), "A"), withCal(upTo(0.42), "A")}, 1, 3},
		{"calibration carried forward", []series.Result{withCal(a, "A"), upTo(0.41), withCal(upTo(0.42), "A")}, 1, 3},
		{"another calibration", []series.Result{withCal(a, "A"), upTo(0.41), withCal(upTo(0.42), "B"), upTo(0.43)}, 2, 2},
		{"another calibration, the same value", []series.Result{withCal(a, "A"), withCal(a, "B"), withCal(a, "B")}, 2, 1},
		{"another unit", []series.Result{a, other}, 2, 1},
		{"other limits", []series.Result{a, result(0x21, 0x80, 0.4, none, 1.12)}, 2, 1},
		{"a clear", []series.Result{a, notRun(), upTo(0.41)}, 1, 2},
	} {
		v := newTestVehicle(t)
		for i, r := range c.results {
			apply(t, v, poll(float64(i), r))
		}
		if n := now(t, v); n.Epoch != c.epoch || n.Fresh != c.fresh {
			t.Errorf("%s: epoch %d with %d fresh, want %d with %d", c.name, n.Epoch, n.Fresh, c.epoch, c.fresh)
		}
	}
}

// Limits that follow the operating point: the third pair within twenty results ends the opening of epochs,
// and the margin is followed from there on.
func TestMovingLimits(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 5))
	v := newTestVehicle(t)
	for i := range 120 {
		hi := 1 + 0.1*float64(rng.IntN(5))
		share := 0.4 + 0.03*rng.NormFloat64()
		if i >= 60 {
			share += 0.6 * float64(i-60) / 60
		}
		apply(t, v, poll(float64(i), result(0x21, 0x80, share*hi, none, hi)))
		if i == 59 {
			n := now(t, v)
			if n.Epoch > 3 || n.Learning || len(v.signals) > 0 {
				t.Fatalf("epoch %d, learning %v, signals %q after 60 healthy results", n.Epoch, n.Learning, kindsOf(v.signals))
			}
			if got := n.Baseline / n.Max; math.Abs(got-0.4) > 0.03 {
				t.Errorf("baseline is %.3f of the limit, want 0.4", got)
			}
		}
	}
	if got := kindsOf(v.signals); len(v.signals) == 0 || v.signals[0].Kind != Drift {
		t.Errorf("signals %q of a wear under moving limits, want drift first", got)
	}
}

func TestOneChangeOfLimitsDoesNotMove(t *testing.T) {
	v := newTestVehicle(t)
	for i := range 50 {
		hi := 1.0
		if i >= 30 {
			hi = 1.12
		}
		apply(t, v, poll(float64(i), result(0x21, 0x80, 0.4+0.01*float64(i%3), none, hi)))
	}
	if v.watch[0].epoch.moving || now(t, v).Epoch != 2 {
		t.Errorf("moving %v, epoch %d after one change of limits", v.watch[0].epoch.moving, now(t, v).Epoch)
	}
}

func TestDirections(t *testing.T) {
	for _, c := range []struct {
		name   string
		lo, hi float64
		slope  float64
		toward string
	}{
		{"maximum only", none, 1, 0.01, "max"},
		{"minimum only", 0.2, none, -0.01, "min"},
		{"both, rising", 0.2, 1.2, 0.01, "max"},
		{"both, falling", 0.2, 1.2, -0.01, "min"},
		{"maximum only, falling", none, 1, -0.005, ""},
		{"minimum only, rising", 0.2, none, 0.01, ""},
	} {
		rng := rand.New(rand.NewPCG(9, 9))
		v := newTestVehicle(t)
		for i := range 90 {
			apply(t, v, poll(float64(i), result(0x21, 0x80, 0.7+c.slope*max(0, float64(i)-30)+0.01*rng.NormFloat64(), c.lo, c.hi)))
		}
		got := ""
		if len(v.signals) > 0 {
			got = v.signals[0].Evidence.Toward
		}
		if got != c.toward {
			t.Errorf("%s: %q toward %q, want %q", c.name, kindsOf(v.signals), got, c.toward)
		}
	}
}
