package analyze

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

func happenedAt(d float64, h Happening) Happening {
	h.At = epoch0.Add(time.Duration(d * float64(day)))
	return h
}

// told folds eighty healthy days of two tests with what people told on day 40.
func told(t *testing.T, h Happening, event func(i int, r *series.Result, p *series.Poll)) *Vehicle {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, 51))
	v := newTestVehicle(t)
	v.trace = &tracer{points: map[series.Key][]Point{}}
	v.happenings = []Happening{happenedAt(39.5, h)}
	for i := range 80 {
		r := withCal(upTo(0.4+0.03*rng.NormFloat64()), "A")
		p := poll(float64(i), r, withCal(result(0x3B, 0x01, 0.3+0.02*rng.NormFloat64(), none, 1), "A"))
		if i >= 40 && event != nil {
			event(i-40, &p.Results[0], p)
		}
		apply(t, v, p)
	}
	return v
}

// What people tell is marked on the series that it touches, once, at the first result after it, and starts anew what
// restart.go says.
func TestHappeningsRestart(t *testing.T) {
	both := func(cal string) func(int, *series.Result, *series.Poll) {
		return func(_ int, _ *series.Result, p *series.Poll) {
			for i := range p.Results {
				p.Results[i].CalID = cal
			}
		}
	}
	for _, c := range []struct {
		name   string
		h      Happening
		event  func(int, *series.Result, *series.Poll)
		marked [2]string // of the catalyst's and the leak's series
		epochs int
	}{
		{"a repair", Happening{Kind: Repaired, Family: "catalyst"}, nil, [2]string{restartTold, ""}, 1},
		{"a repair of nobody knows what", Happening{Kind: Repaired}, nil, [2]string{}, 1},
		{"a clear", Happening{Kind: Cleared}, nil, [2]string{restartClear, restartClear}, 1},
		{"a clear that readings show too", Happening{Kind: Cleared}, func(i int, _ *series.Result, p *series.Poll) {
			if i == 0 {
				p.Results = []series.Result{notRun(), withCal(result(0x3B, 0x01, 0, none, none), "A")}
			}
		}, [2]string{restartClear, restartClear}, 1},
		{"a reflash", Happening{Kind: Programmed}, nil, [2]string{restartECU, restartECU}, 2},
		{"a reflash that readings show too", Happening{Kind: Programmed}, both("B"), [2]string{restartECU, restartECU}, 2},
		{"a reflash of another control unit", Happening{Kind: Programmed, ECU: "7e9"}, nil, [2]string{}, 1},
		{"another control unit", Happening{Kind: Programmed, ECU: "7E8"}, nil, [2]string{restartECU, restartECU}, 2},
		{"another dongle", Happening{Kind: Redongled, Device: "d9"}, func(_ int, _ *series.Result, p *series.Poll) { p.Device = "d9" },
			[2]string{restartDongle, restartDongle}, 1},
		{"another dongle, unread", Happening{Kind: Redongled, Device: "d9"}, func(_ int, _ *series.Result, p *series.Poll) { p.Device = "" },
			[2]string{restartDongle, restartDongle}, 1},
	} {
		v := told(t, c.h, c.event)
		if len(v.signals) > 0 {
			t.Errorf("%s raises %s", c.name, kindsOf(v.signals))
		}
		for i := range v.watch {
			tr := v.traces()[v.key(&v.watch[i])]
			var marks []string
			for _, p := range tr.Points {
				if p.Restart != "" {
					marks = append(marks, p.Restart)
					if d := p.At.Sub(epoch0); d < 39*day || d > 42*day {
						t.Errorf("%s: marked on day %.0f", c.name, d.Hours()/24)
					}
				}
			}
			if got := strings.Join(marks, " | "); got != c.marked[i] {
				t.Errorf("%s: %s is marked %q, want %q", c.name, tr.Now.Key.Test, got, c.marked[i])
			}
			if tr.Now.Epoch != c.epochs || c.epochs == 1 != (tr.Now.Fresh > 60) {
				t.Errorf("%s: epoch %d with %d results, want epoch %d", c.name, tr.Now.Epoch, tr.Now.Fresh, c.epochs)
			}
		}
	}
}

// A clear that the readings do not show: the same value again is a new result, since the stored one is gone.
func TestClearDropsStoredResults(t *testing.T) {
	v := newTestVehicle(t)
	v.happenings = []Happening{happenedAt(2.5, Happening{Kind: Cleared})}
	for i := range 5 {
		apply(t, v, poll(float64(i), upTo(0.4)))
	}
	if w := &v.watch[0]; w.epoch.fresh != 2 || w.repeats != 3 {
		t.Errorf("%d results, %d repeats; want 2 and 3", w.epoch.fresh, w.repeats)
	}
}

// A repair that somebody told of starts the evidence anew and keeps the healthy level. Good results take the claim
// back, results as bad as before leave it, and the wear that begins again is found again.
func TestRepairStartsEvidenceAnew(t *testing.T) {
	for _, works := range []bool{true, false} {
		rng := rand.New(rand.NewPCG(3, 52))
		v := newTestVehicle(t)
		v.happenings = []Happening{happenedAt(79.5, Happening{Kind: Repaired, Family: "catalyst"})}
		at := func(i int) float64 {
			u := 0.05 * rng.NormFloat64()
			switch {
			case i >= 40 && (i < 80 || !works):
				u += min(float64(i-40)/45, 0.85)
			case i >= 110:
				u += float64(i-110) / 45
			}
			return u
		}
		for i := range 82 {
			apply(t, v, poll(float64(i), upTo(0.4+0.6*at(i))))
		}
		n := v.Series()[0]
		if n.Baseline < 0.37 || n.Baseline > 0.43 {
			t.Errorf("works %v: the healthy level is %.2f, want 0.4", works, n.Baseline)
		}
		if works && (n.Score >= v.set.Threshold || n.Used > 0.3 || n.Crossing != nil) {
			t.Errorf("after two good results the score is %.1f, used %.2f, limit %v", n.Score, n.Used, n.Crossing)
		}
		if len(v.signals) == 0 || !v.signals[0].EndedAt.IsZero() {
			t.Fatalf("works %v: a fact takes no claim back: %+v", works, v.signals)
		}
		for i := 82; i < 150; i++ {
			apply(t, v, poll(float64(i), upTo(0.4+0.6*at(i))))
		}
		ended := slices.ContainsFunc(v.signals, func(s Signal) bool { return s.Kind == Drift && !s.EndedAt.IsZero() })
		again := slices.ContainsFunc(v.signals, func(s Signal) bool { return s.RaisedAt.After(epoch0.Add(110 * day)) })
		if ended != works || again != works {
			t.Errorf("works %v: ended %v, raised again %v: %+v", works, ended, again, v.signals)
		}
	}
}

// The same happenings and polls in any order, told before or after the polls came, give the same state.
func TestHappeningsInAnyOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 53))
	list := []Happening{
		happenedAt(20.5, Happening{Kind: Repaired, Family: "catalyst"}), happenedAt(30.2, Happening{Kind: Cleared}),
		happenedAt(30.2, Happening{Kind: Programmed}), happenedAt(45, Happening{Kind: Redongled, Device: "d1"}),
		happenedAt(99, Happening{Kind: Cleared}), // nothing was read after it
	}
	var polls []*series.Poll
	for i := range 80 {
		polls = append(polls, poll(float64(i), withCal(upTo(0.4+0.03*rng.NormFloat64()), "A")))
	}
	run := func(before bool, order []int) [32]byte {
		h := &store{}
		r := newTestRunner(t, h, 1)
		now := []Happening(nil)
		r.SetHappenings(func(string) []Happening { return now })
		tell := func() {
			now = slices.Clone(list)
			rng.Shuffle(len(now), func(i, j int) { now[i], now[j] = now[j], now[i] })
			SortHappenings(now)
			r.Refold("1")
		}
		if before {
			tell()
		}
		for _, i := range order {
			h.add(polls[i])
			if err := r.Take(t.Context(), polls[i:i+1]); err != nil {
				t.Fatal(err)
			}
		}
		if !before {
			tell()
		}
		changed, err := r.Settle(t.Context())
		if err != nil || !slices.Equal(changed, []string{"1"}) {
			t.Fatalf("changed %v, %v", changed, err)
		}
		return r.Digest()
	}
	straight, shuffled := make([]int, len(polls)), make([]int, len(polls))
	for i := range polls {
		straight[i], shuffled[i] = i, i
	}
	rng.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	want := run(true, straight)
	for _, c := range []struct {
		before bool
		order  []int
	}{{false, straight}, {true, shuffled}, {false, shuffled}} {
		if run(c.before, c.order) != want {
			t.Errorf("told before %v: another state", c.before)
		}
	}
}
