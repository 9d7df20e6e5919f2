package analyze

import (
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// A herd is a fleet of units of one engine family and calibration, each with one test.
type herd struct {
	units, days int
	rate        float64 // results a day
	noise       float64 // of the distance to the limit
	phi         float64 // of successive results
	ambient     float64 // effect of coverUnits[byAmbient], of the distance
	fuel        float64 // effect of coverUnits[byFuel]
	common      func(day float64) float64
	own         func(unit int, day float64) float64
}

func (h herd) polls(seed uint64) (all []*series.Poll) {
	rng := rand.New(rand.NewPCG(seed, 21))
	for u := range h.units {
		level, ar := 0.4+0.03*rng.NormFloat64(), 0.0
		for i := range int(float64(h.days) * h.rate) {
			d := (float64(i) + 0.8*rng.Float64()) / h.rate
			p := poll(d)
			p.VIN, p.Device = fmt.Sprintf("V%d", u+1), fmt.Sprintf("d%d", u+1)
			p.ReportID += p.VIN
			p.Context.AmbientC = 12 + 10*math.Sin(d/25) + 4*rng.NormFloat64()
			p.Context.FuelLevelPct = 20 + 60*rng.Float64()
			ar = h.phi*ar + math.Sqrt(1-h.phi*h.phi)*rng.NormFloat64()
			x := h.noise*ar + h.ambient*(p.Context.AmbientC-12)/12 + h.fuel*(p.Context.FuelLevelPct-50)/30
			if h.common != nil {
				x += h.common(d)
			}
			if h.own != nil {
				x += h.own(u+1, d)
			}
			r := upTo(level + x*(1-level))
			r.CalID = "C1"
			p.Results = append(p.Results, r)
			all = append(all, p)
		}
	}
	slices.SortStableFunc(all, order)
	return all
}

// runner folds the polls of a herd.
func (h herd) runner(t testing.TB, s *store) *Runner {
	t.Helper()
	list := make([]fleet.Unit, h.units)
	for i := range list {
		list[i] = fleet.NewUnit(fmt.Sprint(i + 1))
		list[i].VIN, list[i].Device, list[i].EngineFamily = fmt.Sprintf("V%d", i+1), fmt.Sprintf("d%d", i+1), "E1"
	}
	roster, err := fleet.New(list)
	if err != nil {
		t.Fatal(err)
	}
	return NewRunner(s, func() *fleet.Roster { return roster }, plain{}, DefaultSettings(), slog.New(slog.NewTextHandler(io.Discard, nil)))
}

func (h herd) rebuilt(t testing.TB, seed uint64) *Runner {
	t.Helper()
	r := h.runner(t, &store{polls: h.polls(seed)})
	if err := r.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	return r
}

var herdKey = CohortKey{"E1", "C1", "7e8", "m21.t80"}

// newest is the last week's fit of a cohort.
func (p *Parameters) newest(k CohortKey) *Cohort {
	c := p.cohorts[k]
	if c == nil || len(c.weeks) == 0 {
		return nil
	}
	return c.weeks[len(c.weeks)-1]
}

// What was put in is found: the more series, the less the shipped figures count.
func TestFitFindsWhatIsThere(t *testing.T) {
	for _, c := range []struct {
		units int
		tol   float64 // of the part that leans
	}{{240, 0.1}, {40, 0.45}} {
		h := herd{units: c.units, days: 90, rate: 1.5, noise: 0.05, phi: 0.6, ambient: 0.05, fuel: -0.03}
		r := h.rebuilt(t, 1)
		got := r.params.Load().newest(herdKey)
		if got == nil || got.Series < c.units-c.units/20 || got.Leans() != (c.units < EnoughSeries) {
			t.Fatalf("%d units: %+v", c.units, got)
		}
		set := DefaultSettings()
		within := func(what string, got, want, shipped float64) {
			if math.Abs(got-want) > c.tol*math.Abs(shipped-want)+0.05*math.Abs(want) {
				t.Errorf("%d units: %s %.4f, put in %.4f, shipped %.4f", c.units, what, got, want, shipped)
			}
		}
		within("spread", got.Spread, h.noise, set.PriorSpread)
		within("correlation", got.Phi, h.phi, set.Usual.Phi)
		within("effect of ambient", got.Effect[byAmbient], h.ambient, 0)
		within("effect of fuel level", got.Effect[byFuel], h.fuel, 0)
		if got.Effect[byPressure] != 0 {
			t.Errorf("effect of a pressure that was never read: %g", got.Effect[byPressure])
		}
		for _, n := range r.Series("1") {
			if n.Cohort.Series != got.Series || n.Cohort.Leans != got.Leans() || !strings.Contains(n.Cohort.String(), "calibration C1") {
				t.Errorf("the series says of its cohort %+v: %s", n.Cohort, n.Cohort)
			}
		}
	}
	if r := (herd{units: leastSeries - 1, days: 40, rate: 1, noise: 0.05}).rebuilt(t, 1); r.Series("1")[0].Cohort.Parameters != Shipped {
		t.Errorf("%d units are no cohort: %+v", leastSeries-1, r.Series("1")[0].Cohort)
	}
}

// Parameters in force at a time come from readings before it: what follows, and the order of units, changes
// nothing of them.
func TestFitLooksBackOnly(t *testing.T) {
	h := herd{units: 20, days: 60, rate: 1, noise: 0.05, ambient: 0.05, common: func(d float64) float64 { return 0.3 * max(0, d-20) / 40 }}
	polls := h.polls(2)
	whole := h.rebuilt(t, 2).params.Load()
	cut := epoch0.Add(37 * day)
	part := &store{}
	for _, p := range polls {
		if p.ReadAt.Before(cut) {
			part.add(p)
		}
	}
	slices.Reverse(part.polls)
	r := h.runner(t, part)
	if err := r.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	early := r.params.Load()
	if len(early.versions) == 0 || !slices.Equal(early.versions, whole.versions[:len(early.versions)]) {
		t.Errorf("versions %v, from the whole history %v", early.versions, whole.versions)
	}
	for k, c := range early.cohorts {
		if all := whole.cohorts[k]; !slices.Equal(c.centre, all.centre[:len(c.centre)]) {
			t.Errorf("%s: common movement %v, from the whole history %v", k, c.centre, all.centre)
		}
	}
	if v := early.versionAt(epoch0.Add(day).UnixMicro()); v != Shipped {
		t.Errorf("in the first week %s is in force", v)
	}
}

// A whole cohort moves, slowly or from one day to the next: nobody is alarmed, the movement is told once, and
// the one unit that really leaks is alarmed all the same.
func TestCohortMovesTogether(t *testing.T) {
	const leaker = 7
	for name, common := range map[string]func(float64) float64{
		"in two weeks":    func(d float64) float64 { return 0.45 * min(1, max(0, d-50)/14) },
		"from day to day": func(d float64) float64 { return 0.45 * min(1, max(0, math.Ceil(d-50))) },
	} {
		h := herd{units: 30, days: 100, rate: 2, noise: 0.05, common: common, own: func(u int, d float64) float64 {
			if u == leaker {
				return 0.5 * min(1, max(0, d-45)/30)
			}
			return 0
		}}
		r := h.rebuilt(t, 3)
		alarmed := 0
		for _, unit := range r.Units() {
			found := false
			for _, s := range r.Signals(unit) {
				switch {
				case s.Key.Unit == fmt.Sprint(leaker):
					found = found || s.Explained == "" && s.RaisedAt.After(epoch0.Add(45*day))
				case s.Explained == "":
					alarmed++
					t.Errorf("%s: unit %s: %s at %s, used %.2f", name, unit, s.Kind, s.RaisedAt.Format(time.DateOnly), s.Evidence.Used)
				case !strings.Contains(s.Explained, "units moved up together"):
					t.Errorf("%s: unit %s is explained by %q", name, unit, s.Explained)
				}
			}
			if unit == fmt.Sprint(leaker) && !found {
				t.Errorf("%s: the unit that leaks is not alarmed: %+v", name, r.Signals(unit))
			}
		}
		list := r.Movements()
		if len(list) != 1 || list[0].Cohort != herdKey || list[0].Units < 25 || list[0].Most < 0.35 || list[0].Most > 0.55 || !list[0].Until.IsZero() {
			t.Errorf("%s: movements %+v, want one", name, list)
		}
	}
}

// The herd above without common movement and leak is quiet, so that the leak is what is found.
func TestHerdIsQuiet(t *testing.T) {
	r := herd{units: 30, days: 100, rate: 2, noise: 0.05, ambient: 0.08}.rebuilt(t, 3)
	for _, unit := range r.Units() {
		if s := r.Signals(unit); len(s) > 0 {
			t.Errorf("unit %s: %+v", unit, s)
		}
	}
	if m := r.Movements(); len(m) > 0 {
		t.Errorf("movements %v", m)
	}
}

// However polls arrive, once all are there and the fit is done again the state is that of the history in order.
func TestFitInAnyOrder(t *testing.T) {
	h := herd{units: 10, days: 40, rate: 1, noise: 0.06, ambient: 0.1, common: func(d float64) float64 { return 0.3 * min(1, max(0, d-20)/10) }}
	polls := h.polls(4)
	want := h.rebuilt(t, 4)
	if want.params.Load().newest(herdKey) == nil {
		t.Fatal("no cohort was fitted")
	}
	for seed := range uint64(3) {
		rng := rand.New(rand.NewPCG(seed, 5))
		sent := slices.Concat(polls, polls[:50])
		for i := 0; i < len(sent); i += 60 {
			part := sent[i:min(i+60, len(sent))]
			rng.Shuffle(len(part), func(a, b int) { part[a], part[b] = part[b], part[a] })
		}
		s := &store{}
		r := h.runner(t, s)
		for part := range slices.Chunk(sent, 40) {
			s.add(part...)
			if err := r.Take(t.Context(), part); err != nil {
				t.Fatal(err)
			}
			if _, err := r.Settle(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if r.Stale() {
			if err := r.Rebuild(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
		}
		if r.Digest() != want.Digest() {
			t.Errorf("seed %d: another state than from the history in order", seed)
		}
	}
}

// A new unit of a known cohort is watched after a few results: its spread is the cohort's.
func TestNewUnitOfACohort(t *testing.T) {
	h := herd{units: 40, days: 80, rate: 1, noise: 0.03}
	polls := h.polls(6)
	first := epoch0.Add(74 * day)
	polls = slices.DeleteFunc(polls, func(p *series.Poll) bool { return p.VIN == "V1" && p.ReadAt.Before(first) })
	r := h.runner(t, &store{polls: polls})
	if err := r.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	n := r.Series("1")[0]
	if n.Fresh > 7 || n.Learning || math.Abs(n.Spread/0.6-0.03) > 0.012 {
		t.Errorf("after %d results: learning %v, spread %.4f of the distance, put in 0.03", n.Fresh, n.Learning, n.Spread/0.6)
	}
}

// Known values: trigamma(1) = pi^2/6 and trigamma(1/2) = pi^2/2 (Abramowitz and Stegun 6.4.2, 6.4.4).
func TestTrigamma(t *testing.T) {
	for x, want := range map[float64]float64{1: math.Pi * math.Pi / 6, 0.5: math.Pi * math.Pi / 2} {
		if got := trigamma(x); math.Abs(got-want) > 1e-9 {
			t.Errorf("trigamma(%g) = %.12f, want %.12f", x, got, want)
		}
	}
}

// The variogram finds the correlation that an autoregression was made with, under rounding and wild results
// too; the usual moment of first differences would give 0.3 and 0.25 there.
func TestCorrelationByVariogram(t *testing.T) {
	for name, spoil := range map[string]func(rng *rand.Rand, x float64) float64{
		"plain":                  func(_ *rand.Rand, x float64) float64 { return x },
		"rounded to one spread":  func(_ *rand.Rand, x float64) float64 { return math.Round(x) },
		"one in a hundred wild":  func(rng *rand.Rand, x float64) float64 { return x + 8*math.Floor(rng.Float64()+0.01) },
		"level and slow wear on": nil,
	} {
		rng := rand.New(rand.NewPCG(9, 9))
		var sums, pairs [4]float64
		for unit := range 400 {
			var list []float64
			ar := rng.NormFloat64()
			for i := range 60 {
				ar = 0.6*ar + 0.8*rng.NormFloat64()
				x := ar
				if spoil != nil {
					x = spoil(rng, ar)
				} else {
					x += float64(unit) + 0.02*float64(i)
				}
				list = append(list, x)
				for _, lag := range []int{1, 2, 4} {
					if i >= lag {
						d := x - list[i-lag]
						sums[lag-1] += d * d / 2
						pairs[lag-1]++
					}
				}
			}
		}
		if phi := phiOf(sums, pairs, 0); math.Abs(phi-0.6) > 0.06 {
			t.Errorf("%s: %.3f, made with 0.6", name, phi)
		}
	}
}

// The empirical null of independent residuals is 1; of residuals that nobody whitened, with a correlation of 0.6, their long-run
// variance is 4 (1+phi over 1-phi: Box and Jenkins 1976, Time Series Analysis), and the tail of their scores was found to
// ask for 3.93 (a simulation of its own: sim_empirical_null), of which blocks of twelve see three. Neither a lasting step
// nor benign ageing of every series moves it, nor does a part of them that wears out.
func TestEmpiricalNull(t *testing.T) {
	for _, c := range []struct {
		phi, step, age, wear float64
		lo, hi               float64
	}{{0, 0, 0, 0, 0.9, 1.1}, {0.6, 0, 0, 0, 2.7, 4.2}, {0, 1.5, 0, 0, 0.9, 1.25}, {0, 0, 2, 0, 0.9, 1.1}, {0, 0, 0, 0.1, 0.9, 1.15}} {
		rng := rand.New(rand.NewPCG(10, 10))
		var apart []float64
		for k := range 400 {
			var b blocks
			ar, at := 0.0, rng.IntN(180)
			for i := range 180 {
				ar = c.phi*ar + math.Sqrt(1-c.phi*c.phi)*rng.NormFloat64()
				x := ar + c.age*float64(i)/180
				if i > at {
					x += c.step
				}
				if float64(k) < 400*c.wear {
					x += 0.1 * max(0, float64(i-100))
				}
				b.add(min(max(x, -clipUp), clipUp))
			}
			apart = append(apart, b.apart...)
		}
		if got := nullOf(apart, 7); got < c.lo || got > c.hi {
			t.Errorf("%+v: null %.2f", c, got)
		}
		if got := nullOf(apart[:nullLeast-1], 7); got != 7 {
			t.Errorf("an empirical null from too few series: %.2f", got)
		}
	}
}
