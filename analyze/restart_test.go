package analyze

import (
	"math/rand/v2"
	"strings"
	"testing"

	"marginline/ingest/series"
)

// What happens to a healthy series raises nothing, is told at the next fresh reading, and starts anew only what
// has to.
func TestRestarts(t *testing.T) {
	ran := func(r series.Result, runs int32) series.Result { r.Runs = runs; return r }
	for _, c := range []struct {
		name   string
		what   string // told
		epochs int
		event  func(d float64, i int, r *series.Result, p *series.Poll) // of the polls after it
	}{
		{"a clear", "cleared", 1, func(_ float64, i int, r *series.Result, _ *series.Poll) {
			if i == 0 {
				*r = notRun()
			}
		}},
		{"a reflash", "another calibration", 2, func(_ float64, _ int, r *series.Result, _ *series.Poll) { r.CalID = "B" }},
		{"other limits", "other limits", 2, func(_ float64, _ int, r *series.Result, _ *series.Poll) {
			*r = ran(withCal(result(0x21, 0x80, r.Value, none, 1.1), r.CalID), r.Runs)
		}},
		{"another control unit", "another control unit", 2, func(_ float64, i int, r *series.Result, _ *series.Poll) { r.Runs = int32(3 + i) }},
		{"another dongle", "another dongle", 1, func(_ float64, _ int, _ *series.Result, p *series.Poll) { p.Device = "d9" }},
		{"numerators halved at the top", "", 1, nil},
	} {
		rng := rand.New(rand.NewPCG(1, 15))
		v := newTestVehicle(t)
		v.trace = &tracer{points: map[series.Key][]Point{}}
		for i := range 80 {
			runs := int32(400 + i)
			if c.event == nil {
				if runs = int32(largestCounter - 40 + i); runs > largestCounter {
					runs /= 2
				}
			}
			r := ran(withCal(upTo(0.4+0.03*rng.NormFloat64()), "A"), runs)
			p := poll(float64(i), r)
			if i >= 40 && c.event != nil {
				c.event(float64(i), i-40, &r, p)
				p.Results = []series.Result{r}
			}
			apply(t, v, p)
		}
		if len(v.signals) > 0 {
			t.Errorf("%s: %s", c.name, kindsOf(v.signals))
		}
		tr := v.traces()[v.key(&v.watch[0])]
		var told []string
		for _, p := range tr.Points {
			if p.Restart != "" {
				told = append(told, p.Restart)
			}
		}
		if all := strings.Join(told, " | "); (c.what == "") != (all == "") || !strings.HasPrefix(all, c.what) && !strings.Contains(all, c.what) || len(told) > 1 {
			t.Errorf("%s: told %q, want %q once", c.name, all, c.what)
		}
		if tr.Now.Epoch != c.epochs {
			t.Errorf("%s: %d epochs, want %d", c.name, tr.Now.Epoch, c.epochs)
		}
		if kept := tr.Now.Fresh > 60; kept != (c.epochs == 1) {
			t.Errorf("%s: %d results in the epoch", c.name, tr.Now.Fresh)
		}
	}
}

// A repair is told too, and the level learnt before the wear stays.
func TestRepairIsTold(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 15))
	v := newTestVehicle(t)
	v.trace = &tracer{points: map[series.Key][]Point{}}
	for i := range 110 {
		u := 0.05 * rng.NormFloat64()
		if i > 40 && i < 80 {
			u += float64(i-40) / 45
		}
		apply(t, v, poll(float64(i), upTo(0.4+0.6*u)))
	}
	tr := v.traces()[v.key(&v.watch[0])]
	for _, p := range tr.Points {
		if p.Restart == restartRepair && p.At.After(epoch0.Add(80*day)) && p.Baseline > 0.37 && p.Baseline < 0.43 {
			return
		}
	}
	t.Errorf("no point tells of the repair; %s", kindsOf(v.signals))
}
