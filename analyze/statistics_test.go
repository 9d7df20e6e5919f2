package analyze

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// table reads a CSV file of testdata/statistics without its header.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "testdata", "statistics", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// A worked row of worked.csv: its inputs by name, the expected value and how near it must be.
type workedRow struct {
	t         *testing.T
	in        map[string]string
	want, tol float64
}

func worked(t *testing.T, id string) workedRow {
	t.Helper()
	for _, r := range table(t, "worked.csv") {
		if r[0] != id {
			continue
		}
		w := workedRow{t: t, in: map[string]string{}, want: number(t, r[3])}
		for _, kv := range strings.Split(r[2], ";") {
			k, v, _ := strings.Cut(kv, "=")
			w.in[k] = strings.TrimSuffix(v, "d")
		}
		kind, n, _ := strings.Cut(r[4], " ")
		w.tol = number(t, n)
		if kind == "rel" {
			w.tol *= math.Abs(w.want)
		}
		return w
	}
	t.Fatalf("no row %s", id)
	return workedRow{}
}

func (w workedRow) f(name string) float64 { w.t.Helper(); return number(w.t, w.in[name]) }

func (w workedRow) list(name string) (x []float64) {
	w.t.Helper()
	for _, s := range strings.Fields(w.in[name]) {
		x = append(x, number(w.t, s))
	}
	return x
}

func (w workedRow) check(what string, got float64) {
	w.t.Helper()
	if math.Abs(got-w.want) > w.tol {
		w.t.Errorf("%s = %.8g, want %.8g within %.2g", what, got, w.want, w.tol)
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: target 325, k 0.3175; the page prints the
// sums to two decimals.
func TestCusumOfTheHandbook(t *testing.T) {
	hi, lo := 0.0, 0.0
	signal := 0
	for i, r := range table(t, "nist_cusum.csv") {
		x := number(t, r[1])
		hi, lo = step(hi, x-325, 0.3175), step(lo, 325-x, 0.3175)
		if math.Abs(hi-number(t, r[2])) > 0.0051 || math.Abs(lo-number(t, r[3])) > 0.0051 {
			t.Errorf("group %d: sums %.4f and %.4f, the page prints %s and %s", i+1, hi, lo, r[2], r[3])
		}
		if signal == 0 && hi > 4.1959 {
			signal = i + 1
		}
	}
	if signal != 14 {
		t.Errorf("out of control at group %d, the page says 14", signal)
	}
}

// Run lengths of the product's CUSUM by simulation against the exact ones, which the test solves itself.
// The exact solver is checked against published and computed figures.
func TestRunLengths(t *testing.T) {
	for _, id := range []string{"W01", "W02"} {
		w := worked(t, id)
		w.check("run length", runLength(w.f("k"), w.f("h"), w.f("shift"), w.f("headstart")))
	}
	w := worked(t, "W03")
	lo, hi := 1.0, 20.0
	for range 60 {
		if mid := (lo + hi) / 2; runLength(w.f("k"), mid, 0, 0) < w.f("arl0") {
			lo = mid
		} else {
			hi = mid
		}
	}
	w.check("threshold", hi)
	// Montgomery, Introduction to Statistical Quality Control, and NIST/SEMATECH 6.3.2.3 (from memory),
	// one-sided, k 0.5: 336 and 8.38 at h 4, 930 and 10.4 at h 5, for no shift and for one of a sigma.
	for _, c := range []struct{ h, shift, want, tol float64 }{{4, 0, 336, 1}, {5, 0, 930, 1}, {4, 1, 8.38, 0.01}, {5, 1, 10.4, 0.05}} {
		if got := runLength(0.5, c.h, c.shift, 0); math.Abs(got-c.want) > c.tol {
			t.Errorf("run length at h %g and shift %g = %.3f, published %g", c.h, c.shift, got, c.want)
		}
	}
	const runs = 6000
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct{ k, h, shift float64 }{{0.5, 4, 0}, {0.5, 5, 1}, {0.25, 6, 0.5}, {1, 3, 2}} {
		sum, squares := 0.0, 0.0
		for range runs {
			s, n := 0.0, 0.0
			for s < c.h {
				s = step(s, rng.NormFloat64()+c.shift, c.k)
				n++
			}
			sum += n
			squares += n * n
		}
		mean := sum / runs
		se := math.Sqrt((squares/runs - mean*mean) / runs)
		if exact := runLength(c.k, c.h, c.shift, 0); math.Abs(mean-exact) > 4*se {
			t.Errorf("k %g h %g shift %g: simulated %.2f +- %.2f, exact %.2f", c.k, c.h, c.shift, mean, se, exact)
		}
	}
}

// runLength is the exact mean run length of a one-sided CUSUM that starts at u, by the method of Nystrom
// with Gauss-Legendre nodes:
//
//	L(u) = 1 + L(0) Phi(k-u-mu) + int_0^h L(x) phi(x+k-u-mu) dx
func runLength(k, h, mu, u float64) float64 { return runLengths(k, h, mu)(u) }

// runLengths is the same for all starts, from one solution.
func runLengths(k, h, mu float64) func(u float64) float64 {
	const n = 64
	x, w := legendre(n)
	at := make([]float64, n+1) // the nodes, then 0
	for i := range n {
		at[i] = h * (x[i] + 1) / 2
	}
	kernel := func(u float64, j int) float64 {
		if j == n {
			return 0.5 * math.Erfc(-(k-u-mu)/math.Sqrt2)
		}
		d := at[j] + k - u - mu
		return h / 2 * w[j] * math.Exp(-d*d/2) / math.Sqrt(2*math.Pi)
	}
	a := make([][]float64, n+1)
	for i := range a {
		a[i] = make([]float64, n+2)
		for j := range n + 1 {
			a[i][j] = -kernel(at[i], j)
		}
		a[i][i]++
		a[i][n+1] = 1
	}
	l := solve(a)
	return func(u float64) float64 {
		sum := 1.0
		for j := range l {
			sum += kernel(u, j) * l[j]
		}
		return sum
	}
}

// legendre gives the nodes and weights of Gauss-Legendre quadrature on [-1, 1].
func legendre(n int) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	for i := range n {
		z := math.Cos(math.Pi * (float64(i) + 0.75) / (float64(n) + 0.5))
		var d float64
		for range 100 {
			p, q := 1.0, 0.0
			for j := range n {
				p, q = ((2*float64(j)+1)*z*p-float64(j)*q)/float64(j+1), p
			}
			d = float64(n) * (z*p - q) / (z*z - 1)
			z -= p / d
		}
		x[i], w[i] = z, 2/((1-z*z)*d*d)
	}
	return x, w
}

// solve solves a system of linear equations given with its right side as the last column.
func solve(a [][]float64) []float64 {
	n := len(a)
	for i := range n {
		best := i
		for r := i; r < n; r++ {
			if math.Abs(a[r][i]) > math.Abs(a[best][i]) {
				best = r
			}
		}
		a[i], a[best] = a[best], a[i]
		for r := i + 1; r < n; r++ {
			f := a[r][i] / a[i][i]
			for c := i; c <= n; c++ {
				a[r][c] -= f * a[i][c]
			}
		}
	}
	x := make([]float64, n)
	for i := n - 1; i >= 0; i-- {
		x[i] = a[i][n]
		for c := i + 1; c < n; c++ {
			x[i] -= a[i][c] * x[c]
		}
		x[i] /= a[i][i]
	}
	return x
}

// The stationary tail of the CUSUM, used as a chance of a score: P(C >= s) ~ exp(-2k(s+0.583)); the
// simulated share of time above s must agree with the exact value of a Markov chain.
func TestTailOfTheScore(t *testing.T) {
	w := worked(t, "W04")
	rng := rand.New(rand.NewPCG(3, 4))
	const steps = 4_000_000
	c, above, k, s := 0.0, 0, w.f("k"), w.f("s")
	for range steps {
		if c = step(c, rng.NormFloat64(), k); c >= s {
			above++
		}
	}
	w.check("share of time", float64(above)/steps)
	w.check("formula", math.Exp(-2*k*(s+0.583)))
}

// The score is Siegmund's log run length (Siegmund 1985): near the log of the exact run
// length, from where it matters on.
func TestScoreIsLogRunLength(t *testing.T) {
	for _, k := range allowances {
		for _, h := range []float64{4, 6, 8} {
			if 2*k*h < 4 {
				continue // the terms left out still matter
			}
			got, exact := logRun(h, k), math.Log(runLength(k, h, 0, 0))
			if math.Abs(got-exact) > 0.15 {
				t.Errorf("k %g h %g: score %.3f, exact log run length %.3f", k, h, got, exact)
			}
		}
	}
	w := worked(t, "W14")
	c := 0.0
	for _, z := range w.list("z") {
		c = step(c, z, w.f("k"))
	}
	w.check("score", logRun(c, w.f("k")))
}

// The bank's score is the largest of its members'.
func TestScoreOfTheBank(t *testing.T) {
	b := bank{c: [len(allowances)]sum{3 * one, 4 * one, 3 * one / 2}}
	want := 0.0
	for i, k := range allowances {
		want = max(want, logRun(b.c[i].float(), k))
	}
	if got := b.score(); math.Abs(got-want) > 1e-12 {
		t.Errorf("score %.12g, want %.12g", got, want)
	}
}

func TestNormalInverseGamma(t *testing.T) {
	learn := func(w workedRow) normal {
		n := newNormal(w.f("m0"), w.f("kappa0"), w.f("nu0"), w.f("s0sq"), 0)
		for _, x := range w.list("x") {
			n.learn(x, 1, math.Inf(1))
		}
		return n
	}
	w := worked(t, "W07")
	n := learn(w)
	w.check("level", n.m)
	w = worked(t, "W08")
	n = learn(w)
	w.check("variance", n.s2)
	w = worked(t, "W09")
	n = learn(w)
	w.check("residual", n.residual(w.f("next")))
	w = worked(t, "W10")
	n = learn(w)
	w.check("z", wallace(n.residual(w.f("next")), n.nu))
	for _, id := range []string{"W05", "W06"} {
		w := worked(t, id)
		w.check("z", wallace(w.f("T"), w.f("nu")))
	}
}

func TestLocalLinearTrend(t *testing.T) {
	run := func(w workedRow) (trend, noise) {
		f := trend{l: w.f("m0"), p11: w.f("P11"), p22: w.f("P22")}
		n := noise{r: w.f("R"), ql: w.f("ql"), qb: w.f("qb")}
		for i, x := range w.list("x") {
			if i > 0 {
				f.predict(w.f("dt"), n)
			}
			f.update(x, n, math.Inf(1))
		}
		return f, n
	}
	w := worked(t, "W15")
	f, _ := run(w)
	w.check("level", f.l)
	w = worked(t, "W16")
	f, _ = run(w)
	w.check("slope", f.b)
	for id, q := range map[string]float64{"W17": -normalP90, "W18": 0, "W19": normalP90} {
		w := worked(t, id)
		f, n := run(w)
		days, ok := f.cross(q, w.f("limit"), n)
		if !ok {
			t.Fatalf("%s: no crossing within a year", id)
		}
		w.check("days", days)
	}
}

// Durbin and Koopman 2012, Time Series Analysis by State Space Methods, section 2: the local level model
// of the Nile with variances 15099 and 1469.1 (figures from memory; the filtered values recomputed).
func TestLocalLevelOfTheNile(t *testing.T) {
	f := trend{p11: 1e7}
	n := noise{r: 15099, ql: 1469.1}
	want := map[int]float64{1: 1118.31, 28: 1133.13, 100: 798.37}
	for i, r := range table(t, "nile.csv") {
		if i > 0 {
			f.predict(1, n)
		}
		f.update(number(t, r[1]), n, math.Inf(1))
		if level, ok := want[i+1]; ok && math.Abs(f.l-level) > 0.005 {
			t.Errorf("level after year %d = %.3f, want %.2f", i+1, f.l, level)
		}
	}
	if math.Abs(f.p11-4032.16) > 0.005 {
		t.Errorf("variance at the end %.3f, want 4032.16", f.p11)
	}
}

// Cobb 1978, Biometrika 65:243: the flow of the Nile fell after 1898.
func TestChangeDateOfTheNile(t *testing.T) {
	set := DefaultSettings()
	var s stream
	for i, r := range table(t, "nile.csv") {
		at := time.Date(int(number(t, r[0])), 1, 1, 0, 0, 0, 0, time.UTC).UnixMicro()
		x := -number(t, r[1]) // toward a minimum
		if i == 0 {
			s.begin(-1, x, -300, 300, 1, at, usual(&set), &set)
		} else {
			s.take(x, -300, at, usual(&set), &set)
		}
		if s.bank.score() >= set.Threshold {
			if since := timeOf(s.bank.since()).Year(); since != 1898 {
				t.Errorf("began no later than %d, want 1898", since)
			}
			return
		}
	}
	t.Error("no change found")
}
