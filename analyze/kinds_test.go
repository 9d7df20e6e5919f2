package analyze

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"marginline/ingest/series"
)

// cylinders makes a poll of the misfire counts of four cylinders in one trip, as test id 0C without a limit.
func cylinders(days float64, counts [4]float64) *series.Poll {
	var list []series.Result
	for i, n := range counts {
		r := result(int32(0xA2+i), liveCounter, n/1000, none, none)
		r.Value = n
		list = append(list, r)
	}
	p := poll(days, list...)
	p.Context.RunTimeS = 600
	return p
}

func poissonDraw(rng *rand.Rand, mean float64) float64 {
	n, p := 0.0, rng.Float64()
	for limit := math.Exp(-mean); p > limit; n++ {
		p *= rng.Float64()
	}
	return n
}

// A cylinder whose misfires rise is claimed without any limit; fuel or weather that raises all of them is
// not, nor are counts that stay low.
func TestCountsWithoutLimit(t *testing.T) {
	for seed := range uint64(20) {
		for _, c := range []struct {
			name string
			mean func(day float64, cylinder int) float64
			want string
		}{
			{"healthy", func(float64, int) float64 { return 0.8 }, ""},
			{"one rises", func(d float64, c int) float64 {
				if c == 2 {
					return 0.8 + max(0, d-30)
				}
				return 0.8
			}, "drift"},
			{"all rise", func(d float64, _ int) float64 { return 0.8 + max(0, d-30)/2 }, ""},
			{"one has always a few", func(_ float64, c int) float64 { return 0.5 + 2*float64(c/3) }, ""},
		} {
			rng := rand.New(rand.NewPCG(seed, 11))
			v := newTestVehicle(t)
			for i := range 120 {
				d := float64(i) / 2
				var n [4]float64
				for k := range n {
					n[k] = poissonDraw(rng, c.mean(d, k))
				}
				apply(t, v, cylinders(d, n))
			}
			if got := kindsOf(v.signals); got != c.want {
				t.Errorf("%s, seed %d: %q, want %q", c.name, seed, got, c.want)
			}
			for _, s := range v.signals {
				if s.Key.Test != "ma4.t0c" || !math.IsNaN(s.Evidence.Limit) {
					t.Errorf("%s: claim on %s with limit %g", c.name, s.Key.Test, s.Evidence.Limit)
				}
				if d := s.RaisedAt.Sub(epoch0).Hours() / 24; d < 32 || d > 45 {
					t.Errorf("%s, seed %d: claimed on day %.0f of a rise from day 30", c.name, seed, d)
				}
			}
		}
	}
}

// The Poisson CUSUM against a run length worked out by hand of a Markov chain: m0 = ln 2, m1 such that the
// steps are whole numbers. With k = (m1-m0)/ln(m1/m0) the sum in units of ln(m1/m0) is max(0, C + n - k)
// (Lucas 1985, Technometrics 27:129).
func TestPoissonCusumIsLucas(t *testing.T) {
	m0, m1 := 1.0, 4.0
	k := (m1 - m0) / math.Log(m1/m0)
	c, l := 0.0, 0.0
	rng := rand.New(rand.NewPCG(5, 5))
	for range 1000 {
		n := poissonDraw(rng, 1.3)
		c, l = stepCount(c, n, m0, m1), max(0, l+n-k)
		if math.Abs(c-l*math.Log(m1/m0)) > 1e-9 {
			t.Fatalf("sum %.6f, Lucas' %.6f times ln(m1/m0)", c, l)
		}
	}
	// Lorden 1971: the run length to h is at least e^h.
	sum, runs := 0.0, 2000
	for range runs {
		for c := 0.0; c < 3; sum++ {
			c = stepCount(c, poissonDraw(rng, m0), m0, m1)
		}
	}
	if mean := sum / float64(runs); mean < math.Exp(3) {
		t.Errorf("run length to 3 is %.1f, want at least %.1f", mean, math.Exp(3))
	}
}

// A fault that comes and goes.
func TestComesAndGoes(t *testing.T) {
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 12))
		v := newTestVehicle(t)
		d := play(t, v, 0x21, 0, 1, shares(rng, 40, 0, 0.05)...)
		var list []float64
		for i := range 24 {
			x := 0.05 * rng.NormFloat64()
			if i%4 == 3 {
				x += 0.75
			}
			list = append(list, x)
		}
		play(t, v, 0x21, d, 1, list...)
		if got := kindsOf(v.signals); got != "intermittent" {
			t.Errorf("seed %d: %q, want intermittent", seed, got)
		}
	}
}

// The CUSUM of a grown spread finds noise three times as wide and leaves steady noise alone.
func TestGrownSpread(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 12))
	c, most := sum(0), 0.0
	for range 20000 {
		c = stepSpread(c, rng.NormFloat64())
		most = max(most, c.float())
	}
	if most > 10 {
		t.Errorf("steady noise reaches %.1f", most)
	}
	c = 0
	n := 0
	for ; c < 10*one && n < 100; n++ {
		c = stepSpread(c, 3*rng.NormFloat64())
	}
	if n > 25 {
		t.Errorf("%d results until noise three times as wide is found", n)
	}
}

// A test that ran daily and does not any more, while reports arrive; and what must not be taken for that.
func TestNoLongerRuns(t *testing.T) {
	for _, c := range []struct {
		name    string
		fresh   func(day int) bool
		reports func(day int) bool
		want    string
	}{
		{"stops on day 40", func(d int) bool { return d < 40 }, nil, "not_running"},
		{"runs on", func(int) bool { return true }, nil, ""},
		{"runs once a week", func(d int) bool { return d%7 == 0 }, nil, ""},
		{"has had long waits before", func(d int) bool { return d < 20 || d > 44 && d < 60 }, nil, ""},
		{"nothing reports", func(d int) bool { return d < 40 }, func(d int) bool { return d < 42 || d > 98 }, ""},
		{"stops and runs again", func(d int) bool { return d < 40 || d > 80 }, nil, "not_running recovered"},
	} {
		rng := rand.New(rand.NewPCG(9, 12))
		v := newTestVehicle(t)
		x := 0.4
		for d := range 100 {
			if c.reports != nil && !c.reports(d) {
				continue
			}
			if c.fresh(d) {
				x = 0.4 + 0.03*rng.NormFloat64()
			}
			apply(t, v, poll(float64(d), upTo(x)))
		}
		got := kindsOf(v.signals)
		for _, s := range v.signals {
			if s.Ended != "" {
				got += " " + s.Ended
			}
			if wait := s.RaisedAt.Sub(s.Evidence.Since).Hours() / 24; s.Kind == NotRunning && (wait < 28 || wait > 35) {
				t.Errorf("%s: claimed after %.0f days", c.name, wait)
			}
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// The ambient temperature is found from differences and taken out, though the level drifts; what is left
// of it does not alarm, and a wear on top of it does.
func TestAmbient(t *testing.T) {
	for seed := range uint64(20) {
		for _, wears := range []bool{false, true} {
			rng := rand.New(rand.NewPCG(seed, 13))
			v := newTestVehicle(t)
			warm := 10.0
			for i := range 150 {
				warm = 0.8*warm + 0.2*(8+float64(i)/8) + 2.5*rng.NormFloat64()
				u := 0.05*rng.NormFloat64() + 0.12*(warm-10)/ambientUnit
				if wears {
					u += max(0, float64(i-60)/60)
				}
				p := poll(float64(i), result(0x21, 0x80, 0.4+0.6*u, none, 1))
				p.Context.AmbientC = warm
				apply(t, v, p)
			}
			w := &v.watch[0]
			st := &w.side[up]
			if e := w.cover.effect(st.variance(), 0, v.set.AmbientPrior*st.scale) / 0.6; !wears && math.Abs(e-0.12) > 0.08 {
				t.Errorf("seed %d: effect %.3f a %d Cel, want 0.12", seed, e, ambientUnit)
			}
			if got := fmt.Sprint(len(v.signals) > 0); got != fmt.Sprint(wears) {
				t.Errorf("seed %d, wears %v: signals %q", seed, wears, kindsOf(v.signals))
			}
		}
	}
}

// A leak in a unit that fills up on hot evenings is claimed within five results of the same leak in one that
// does not, and the fill-ups alone are not claimed (that fill-up and heat move a leak test is common practice).
func TestLeakAmongHotFills(t *testing.T) {
	run := func(seed uint64, leaks, fills bool) (claimed int) {
		rng := rand.New(rand.NewPCG(seed, 14))
		v := newTestVehicle(t)
		for i := range 110 {
			u, hot := 0.09*rng.NormFloat64(), rng.Float64()
			up := 0.25 + 0.35*rng.Float64()
			if fills && i > 35 && i < 70 && hot < 0.25 {
				u += up
			}
			if leaks {
				u += max(0, float64(i-45)/55)
			}
			apply(t, v, poll(float64(i), result(0x3A, 0x80, 0.4+0.6*u, none, 1)))
			if claimed == 0 && len(v.signals) > 0 {
				claimed = i
			}
		}
		return claimed
	}
	var late []float64
	alone := 0
	for seed := range uint64(60) {
		if run(seed, false, true) > 0 {
			alone++
		}
		plain, among := run(seed, true, false), run(seed, true, true)
		if plain == 0 || among == 0 {
			t.Fatalf("seed %d: the leak is not claimed", seed)
		}
		late = append(late, float64(among-plain))
	}
	if q := quantile(late, .9); q > 5 {
		t.Errorf("nine of ten leaks are claimed up to %.0f results later among hot fill-ups, want 5", q)
	}
	if alone > 3 {
		t.Errorf("%d of 60 units are claimed for fill-ups in the heat alone", alone)
	}
}
