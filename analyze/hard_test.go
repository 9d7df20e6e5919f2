package analyze

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"marginline/ingest/series"
)

// A second opinion beside fleetsim: series drawn straight as results, without any ambient temperature to
// explain a season by. What the detector must live with, in shares of the
// distance from healthy to limit. The figures are assumptions of the trade (common practice, no source):
// healthy noise of .03 to .09 by family, half as correlated again where a filter or a slow state sits
// behind it, seasons of .03 to .12, benign ageing and small steps, heavy tails, hot weeks, tests that run
// from twice a day to twice a week.
var hardFamilies = []struct {
	mid   int32
	noise float64
	phi   float64
	wild  float64 // share of results that a hot day adds .25 to .6 to
	saw   float64 // height of a saw-tooth
}{
	{0x21, .05, 0, 0, 0}, {0x01, .06, 0, 0, 0}, {0x3A, .09, 0, .015, 0}, {0x3B, .09, 0, .015, 0},
	{0x81, .07, .5, 0, 0}, {0xB2, .08, .5, 0, .3}, {0x31, .07, 0, 0, 0}, {0x41, .03, 0, 0, 0}, {0x85, .06, 0, 0, 0},
}

type hardFault struct {
	mode                string
	onset, length, code float64 // days
	key                 series.Key
}

// hardUnit makes the polls of one unit, each with one fresh result, and the fault of it, if any.
func hardUnit(seed uint64, loud float64) ([]*series.Poll, *hardFault) {
	rng := rand.New(rand.NewPCG(seed, 77))
	const days = 182
	var polls []*series.Poll
	var fault *hardFault
	sick := -1
	if rng.Float64() < 0.35 {
		sick = rng.IntN(len(hardFamilies))
		fault = &hardFault{onset: 15 + 100*rng.Float64(), code: math.Inf(1)}
		switch m := rng.Float64(); {
		case m < .55:
			fault.mode, fault.length = "slow", 45+135*rng.Float64()
		case m < .75:
			fault.mode, fault.length = "fast", 5+15*rng.Float64()
		case m < .9:
			fault.mode = "step"
		default:
			fault.mode = "intermittent"
		}
	}
	bend := []float64{1, 1, 2, 0.7}[rng.IntN(4)]
	for k, f := range hardFamilies {
		rate := 0.3 + 1.7*rng.Float64() // results a day
		noise := loud * f.noise * math.Exp(0.3*rng.NormFloat64())
		season, phase := 0.12*rng.Float64(), 2*math.Pi*rng.Float64()
		ageing := 0.15 * rng.Float64() * rng.Float64()
		step, stepAt := 0.1*rng.NormFloat64()*rng.Float64(), 182*rng.Float64()
		hot := 182 * rng.Float64()
		ar, failed, on := 0.0, 0, false
		period := 3 + 5*rng.Float64()
		min := rng.IntN(3) == 0
		for d := rng.ExpFloat64() / rate; d < days; d += rng.ExpFloat64() / rate {
			e := rng.NormFloat64()
			if rng.Float64() < 0.02 {
				e *= 3
			}
			ar = f.phi*ar + math.Sqrt(1-f.phi*f.phi)*e
			u := noise*ar + season*math.Sin(2*math.Pi*d/365+phase) + ageing*d/days
			if d > stepAt {
				u += step
			}
			wild := f.wild
			if math.Abs(d-hot) < 4 {
				wild *= 15
			}
			if rng.Float64() < wild {
				u += .25 + .35*rng.Float64()
			}
			u += f.saw * (math.Mod(d, period)/period - .5)
			if sick == k && d > fault.onset {
				switch fault.mode {
				case "slow", "fast":
					u += math.Pow((d-fault.onset)/fault.length, bend)
				case "step":
					u += 1.3
				case "intermittent":
					if rng.Float64() < .3 {
						on = !on
					}
					if on {
						u += 1.1
					}
				}
			}
			u = max(u, -.6)
			r := result(f.mid, 0x80, 0.4+0.6*u, none, 1)
			if min {
				r = result(f.mid, 0x80, 2-1.2*u, 0.8, none)
			}
			p := poll(d, r)
			p.ReportID = fmt.Sprint(p.ReportID, k)
			if r.Passed == series.False {
				failed++
			} else {
				failed = 0
			}
			if sick == k && failed == 2 && math.IsInf(fault.code, 1) {
				fault.code = d
			}
			if sick == k {
				fault.key = series.Key{Unit: "1", ECU: r.ECU, Test: r.Test}
			}
			polls = append(polls, p)
		}
	}
	slices.SortFunc(polls, order)
	return polls, fault
}

type hardScore struct {
	faults, before   map[string]int
	leads            map[string][]float64
	needless, failed int // claims on healthy series: without and with a failing result
	needlessOf       map[string]int
	months           float64
}

func scoreHard(t testing.TB, from, units uint64, loud float64, set *Settings) hardScore {
	sc := hardScore{faults: map[string]int{}, before: map[string]int{}, leads: map[string][]float64{}, needlessOf: map[string]int{}}
	for u := range units {
		polls, f := hardUnit(from+u, loud)
		v := NewVehicle("1", "V1", plain{}, set)
		apply(t, v, polls...)
		sc.months += 6
		hit := math.Inf(1)
		told := map[series.Key]time.Time{}
		for _, s := range v.signals {
			d := s.RaisedAt.Sub(epoch0).Hours() / 24
			if f != nil && s.Key == f.key && d > f.onset {
				hit = min(hit, d)
				continue
			}
			if s.Kind == Failed { // twice the noise does fail healthy tests: a failed trip is a failed trip
				sc.failed++
				continue
			}
			if told[s.Key].IsZero() || s.RaisedAt.Sub(told[s.Key]) > 30*day {
				sc.needless++
				sc.needlessOf[s.Family+" "+string(s.Kind)]++
				told[s.Key] = s.RaisedAt
			}
		}
		if f == nil || math.IsInf(f.code, 1) {
			continue
		}
		sc.faults[f.mode]++
		if hit < f.code {
			sc.before[f.mode]++
			sc.leads[f.mode] = append(sc.leads[f.mode], f.code-hit)
		} else {
			sc.leads[f.mode] = append(sc.leads[f.mode], 0)
		}
	}
	return sc
}

func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Sorted(slices.Values(x))
	return x[int(q*float64(len(x)-1))]
}

// share is the share of the leads that are at least d days, in percent.
func share(leads []float64, d float64) float64 {
	n := 0
	for _, x := range leads {
		if x >= d {
			n++
		}
	}
	return 100 * float64(n) / float64(len(leads))
}

// Seeds 1 to 250 are another fleet than the settings were looked at with, made by a generator of its own: a second opinion.
// No ambient temperature is read in it and no cohort is known, so that seasons are not explained.
func TestHardFleet(t *testing.T) {
	set := DefaultSettings()
	for _, c := range []struct{ loud, needless, slow float64 }{{1, 1, 95}, {2, 3, 80}} {
		sc := scoreHard(t, 1, 250, c.loud, &set)
		needless := 100 * float64(sc.needless) / sc.months
		t.Logf("noise x%g: %.2f needless claims in 100 vehicle-months %v, %d failing results of healthy series", c.loud, needless, sc.needlessOf, sc.failed)
		for _, m := range []string{"slow", "fast", "step", "intermittent"} {
			l := sc.leads[m]
			t.Logf("  %-12s %3d faults; claimed before the code %.0f %%, 3 days before %.0f %%, 14 days %.0f %%, 30 days %.0f %%; median %.1f days",
				m, sc.faults[m], 100*float64(sc.before[m])/float64(sc.faults[m]), share(l, 3), share(l, 14), share(l, 30), quantile(l, .5))
		}
		if needless > c.needless {
			t.Errorf("noise x%g: %.2f needless claims in 100 vehicle-months, want at most %g", c.loud, needless, c.needless)
		}
		if got := share(sc.leads["slow"], 14); got < c.slow {
			t.Errorf("noise x%g: %.0f %% of slow wear claimed 14 days before its code, want %g", c.loud, got, c.slow)
		}
	}
}

// From half way on, the crossing dates of slow wear hold the day the wear itself reaches the limit about as
// often as they say, and they are there.
func TestDatesHold(t *testing.T) {
	set := DefaultSettings()
	var dated, undated, below, inside int
	for seed := range uint64(500) {
		polls, f := hardUnit(seed+1, 1)
		if f == nil || f.mode != "slow" || f.onset+f.length > 175 {
			continue
		}
		end := epoch0.Add(time.Duration((f.onset + f.length) * float64(day)))
		v := NewVehicle("1", "V1", plain{}, &set)
		looks := []float64{.5, .7, .85}
		for _, p := range polls {
			for len(looks) > 0 && p.ReadAt.Sub(epoch0).Hours()/24 > f.onset+looks[0]*f.length {
				looks = looks[1:]
				for _, n := range v.Series() {
					switch {
					case n.Key != f.key:
					case n.Crossing == nil:
						undated++
					default:
						dated++
						switch {
						case !n.Crossing.P10.IsZero() && !end.After(n.Crossing.P10):
							below++
						case n.Crossing.P90.IsZero() || !end.After(n.Crossing.P90):
							inside++
						}
					}
				}
			}
			apply(t, v, p)
		}
	}
	t.Logf("%d looks with dates, %d without; the limit is reached before p10 in %d, between p10 and p90 in %d", dated, undated, below, inside)
	if share := float64(inside) / float64(dated); share < 0.7 || share > 0.95 {
		t.Errorf("%.0f %% of the crossings lie within p10 and p90, want about 80", 100*share)
	}
	if undated > dated/3 {
		t.Errorf("no date in %d of %d looks at a slow wear from half way on", undated, dated+undated)
	}
}
