package analyze

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// twoSided is the run length of a pair of one-sided CUSUMs that start at u (Lucas and Crosier 1982,
// Technometrics 24:199; Kemp 1961).
func twoSided(k, h, mu, u float64) float64 {
	up, down := runLengths(k, h, mu), runLengths(k, h, -mu)
	a, b, a0, b0 := up(u), down(u), up(0), down(0)
	return (a*b0 + b*a0 - a0*b0) / (a0 + b0)
}

// near says whether two numbers agree to a relative tolerance.
func near(a, b, tol float64) bool { return math.Abs(a-b) <= tol*math.Abs(b) }

// Every run length of the table (R package spc 0.6.7) is met to 1e-6 by the solver that the product's CUSUM
// is checked with by simulation (TestRunLengths). The table prints eight digits; above a million both lose
// some.
func TestRunLengthTables(t *testing.T) {
	n := 0
	for _, r := range table(t, "arl_cusum.csv") {
		k, h, shift := number(t, r[1]), number(t, r[2]), number(t, r[3])
		of := runLength
		if r[0] == "two" {
			of = twoSided
		}
		for i, start := range []float64{0, h / 2} {
			want := number(t, r[4+i])
			tol := 1e-6
			if want > 1e6 {
				tol = 1e-3
			}
			if want > 1e9 || k*h > 15 {
				continue
			}
			n++
			if got := of(k, h, shift, start); !near(got, want, tol) {
				t.Errorf("%s-sided k %g h %g shift %g start %g: %.9g, the table has %.9g", r[0], k, h, shift, start, got, want)
			}
		}
	}
	if n < 500 {
		t.Errorf("%d run lengths compared", n)
	}
}

// The published figures, each to the digits that are printed.
func TestPublishedRunLengths(t *testing.T) {
	for _, r := range table(t, "arl_published.csv") {
		in := map[string]float64{}
		for _, f := range strings.FieldsFunc(r[1], func(c rune) bool { return c == ' ' || c == ',' }) {
			k, v, _ := strings.Cut(f, "=")
			in[k] = number(t, v)
		}
		want := number(t, r[2])
		_, decimals, _ := strings.Cut(r[2], ".")
		step := math.Pow(10, -float64(len(decimals)))
		var got float64
		switch {
		case strings.Contains(r[0], "FIR"):
			got = twoSided(in["k"], in["h"], in["shift"], in["h"]/2)
		case strings.Contains(r[0], "one-sided"):
			got = runLength(in["k"], in["h"], in["shift"], 0)
		case strings.Contains(r[0], "Hawkins"):
			lo, hi := 0.5, 12.0
			for range 50 {
				if mid := (lo + hi) / 2; twoSided(in["k"], mid, 0, 0) < 370 {
					lo = mid
				} else {
					hi = mid
				}
			}
			got = hi
		case strings.Contains(r[0], "Siegmund"): // with the terms that our score leaves out
			b := -2 * in["D"] * in["b"]
			got = (math.Exp(b) - b - 1) / (2 * in["D"] * in["D"]) / 2
			k := -in["D"]
			score := logRun(in["b"]-overshoot, k)
			if exact := math.Log(2 * got); math.Abs(score-exact) > 0.02 {
				t.Errorf("score %.4f, log of Siegmund's %.4f", score, exact)
			}
		default:
			got = twoSided(in["k"], in["h"], in["shift"], 0)
		}
		if math.Abs(got-want) > step*1.01 {
			t.Errorf("%s, %s: %.5g, published %s", r[0], r[1], got, r[2])
		}
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: weight 0.3, target 50; printed to two decimals.
func TestAverageOfTheHandbook(t *testing.T) {
	level := 50.0
	for i, r := range table(t, "nist_ewma.csv") {
		level = ewma(level, number(t, r[1]), 0.3)
		if math.Abs(level-number(t, r[3])) > 0.0101 {
			t.Errorf("value %d: average %.4f, the page prints %s", i+1, level, r[3])
		}
	}
}

// Montgomery, Introduction to Statistical Quality Control, chapter 9 (answers from memory): mean 10, sigma 1,
// k 0.5. The sum passes 5 at the 29th value with 5.28, and the change came after the 22nd.
func TestExampleOfTheTextbook(t *testing.T) {
	var b bank
	b.zero = time.Unix(0, 0).UnixMicro()
	average, crossed, held := 10.0, 0, heldAt(100)
	for i, r := range table(t, "montgomery_cusum.csv") {
		x := number(t, r[1])
		b.add(x-10, int64(i+1), &held)
		if math.Abs(b.c[middle].float()-number(t, r[2])) > 5e-5 {
			t.Errorf("value %d: sum %.4f, want %s", i+1, b.c[middle].float(), r[2])
		}
		if average = ewma(average, x, 0.1); math.Abs(average-number(t, r[6])) > 5e-5 {
			t.Errorf("value %d: average %.5f, want %s", i+1, average, r[6])
		}
		if crossed == 0 && b.c[middle] > 5*one {
			crossed = i + 1
			if math.Abs(b.c[middle].float()-5.28) > 0.005 || b.since() != 22 {
				t.Errorf("sum %.3f, last zero at value %d; the book has 5.28 and a change after 22", b.c[middle].float(), b.since())
			}
		}
	}
	if crossed != 29 {
		t.Errorf("out of control at %d, the book says 29", crossed)
	}
}

// Hawkins 1987, The Statistician 36:299: the self-starting CUSUM. Without a prior the first two values are
// the start; figures computed with the exact t distribution.
func TestSelfStarting(t *testing.T) {
	w := worked(t, "W11")
	x := w.list("x")
	mean, d := (x[0]+x[1])/2, x[0]-x[1]
	n := newNormal(mean, 2, 1, d*d/2, 0)
	c, most := 0.0, 0.0
	for _, v := range x[2:] {
		// The sum of squares takes kappa/(kappa+1) d^2, Hawkins' recursion for n = kappa+1 values.
		z := wallace(n.residual(v), n.nu)
		c = step(c, z, w.f("k"))
		most = max(most, c)
		n.learn(v, 1, math.Inf(1))
	}
	w.check("last sum", c)
	w = worked(t, "W12")
	w.check("largest sum", most)
}

// NIST Statistical Reference Datasets, Norris: certified slope 1.00211681802045 with a standard deviation of
// 0.000430 (from memory). The product regresses differences of successive pairs, which a level that wanders
// cannot bias; it must find the slope within three of its own standard deviations.
func TestRegressionOnReferenceData(t *testing.T) {
	const certified, residual = 1.00211681802045, 0.884796396144373
	var c cover
	for i, r := range table(t, "strd_norris.csv") {
		c.take(number(t, r[1])*ambientUnit, number(t, r[0]), float64(i%2), 1e12) // no clipping
		c.n[byAmbient]++
	}
	got := c.effect(0, 0, 1)
	if sd := residual * math.Sqrt(2/c.xx); math.Abs(got-certified) > 3*sd {
		t.Errorf("slope %.6f, certified %.6f, %.1f standard deviations away", got, certified, (got-certified)/sd)
	}
	// A prior holds it back by its weight.
	if half := c.effect(c.xx/2, 0, 1); !near(half, got/2, 1e-9) {
		t.Errorf("slope with a prior of equal weight %.6f, want half of %.6f", half, got)
	}
}

// Durbin and Koopman 2012, section 2, local level model of the Nile: the log likelihood from the second
// value on with variances 15099 and 1469.1 is -632.544 (as StructTS in R computes it).
func TestLikelihoodOfTheNile(t *testing.T) {
	f := trend{p11: 1e7}
	n := noise{r: 15099, ql: 1469.1}
	sum := 0.0
	for i, r := range table(t, "nile.csv") {
		if i > 0 {
			f.predict(1, n)
		}
		s := f.p11 + n.r
		z := f.update(number(t, r[1]), n, math.Inf(1))
		if i > 0 {
			sum -= (math.Log(2*math.Pi*s) + z*z) / 2
		}
	}
	if math.Abs(sum+632.544) > 0.01 {
		t.Errorf("log likelihood %.3f, want -632.544", sum)
	}
}

// Meeker and Escobar 1998: lasers fail when their current has risen by 10 percent; 3 of 15 do within 4,000 h.
// From readings to 2,000 h, the product's dates p10 to p90 hold the true crossing of at least 2 of the 3. An
// hour is taken as an hour; the lasers are new at the start, so that wear runs from the first reading on.
func TestDatesOfLasers(t *testing.T) {
	set := DefaultSettings()
	type reading struct{ x, hours float64 }
	units := map[string][]reading{}
	var order []string
	for _, r := range table(t, "laser.csv") {
		if units[r[1]] == nil {
			order = append(order, r[1])
		}
		units[r[1]] = append(units[r[1]], reading{number(t, r[0]), number(t, r[2])})
	}
	crossed, held := 0, 0
	var said []string
	for _, u := range order {
		list := units[u]
		truth := math.Inf(1)
		for i := 1; i < len(list); i++ {
			if a, b := list[i-1], list[i]; a.x < 10 && b.x >= 10 {
				truth = a.hours + (10-a.x)/(b.x-a.x)*(b.hours-a.hours)
			}
		}
		if math.IsInf(truth, 1) {
			continue
		}
		crossed++
		var s stream
		for i, x := range list {
			at := epoch0.Add(time.Duration(x.hours * float64(time.Hour))).UnixMicro()
			if x.hours > 2000 {
				break
			}
			if i == 0 {
				s.begin(1, x.x, 10, 10, 0.0001, at, usual(&set), &set)
			} else {
				s.take(x.x, 10, at, usual(&set), &set)
			}
		}
		c := s.crossing(&set)
		if c == nil {
			t.Errorf("laser %s: no dates at 2,000 h", u)
			continue
		}
		end := epoch0.Add(time.Duration(truth * float64(time.Hour)))
		hours := func(x time.Time) string {
			if x.IsZero() {
				return "beyond a year"
			}
			return fmt.Sprintf("%.0f h", x.Sub(epoch0).Hours())
		}
		said = append(said, fmt.Sprintf("laser %s crosses at %.0f h; p10 %s, p50 %s, p90 %s", u, truth, hours(c.P10), hours(c.P50), hours(c.P90)))
		if !end.Before(c.P10) && (c.P90.IsZero() || !end.After(c.P90)) {
			held++
		}
	}
	t.Log(strings.Join(said, "\n"))
	if crossed != 3 {
		t.Errorf("%d lasers cross, the book says 3", crossed)
	}
	if held < 2 {
		t.Errorf("the dates hold %d of %d crossings, want 2", held, crossed)
	}
}
