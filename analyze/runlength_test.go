package analyze

import (
	"math"
	"math/rand/v2"
	"testing"
)

// steadyState is the mean run length from the distribution over the nodes, and 0, of a CUSUM of in-control values that has run for long without
// passing h: the left eigenvector of its kernel. For spc's steady-state run length.
func steadyState(k, h, mu float64) float64 {
	const n = 64
	x, w := legendre(n)
	at := make([]float64, n+1)
	for i := range n {
		at[i] = h * (x[i] + 1) / 2
	}
	to := func(u float64, j int) float64 { // in control
		if j == n {
			return 0.5 * math.Erfc(-(k-u)/math.Sqrt2)
		}
		d := at[j] + k - u
		return math.Exp(-d*d/2) / math.Sqrt(2*math.Pi)
	}
	weight := func(i int) float64 {
		if i == n {
			return 1
		}
		return h / 2 * w[i]
	}
	p := make([]float64, n+1) // density at the nodes, mass at 0
	for i := range p {
		p[i] = 1
	}
	for range 150 {
		next, sum := make([]float64, n+1), 0.0
		for j := range next {
			for i := range p {
				next[j] += p[i] * weight(i) * to(at[i], j)
			}
			sum += next[j] * weight(j)
		}
		for j := range next {
			next[j] /= sum
		}
		p = next
	}
	l, mean := runLengths(k, h, mu), 0.0
	for i := range p {
		mean += p[i] * weight(i) * l(at[i])
	}
	return mean
}

// The steady-state column of the run length table, computed by R package spc (xcusum.ad).
func TestSteadyStateRunLengths(t *testing.T) {
	n := 0
	for _, r := range table(t, "arl_cusum.csv") {
		if r[0] != "one" {
			continue
		}
		k, h, shift, want := number(t, r[1]), number(t, r[2]), number(t, r[3]), number(t, r[6])
		if want > 1e4 || h > 6 || n%11 != 0 { // a part: each takes a while
			n++
			continue
		}
		n++
		if got := steadyState(k, h, shift); !near(got, want, 1e-6) {
			t.Errorf("k %g h %g shift %g: %.8g, the table has %.8g", k, h, shift, got, want)
		}
	}
}

// ewmaRunLength is the mean number of standard normal values with mean mu until the average of weight w is
// beyond +-c sqrt(w/(2-w)) (Crowder 1987, Technometrics 29:401):
//
//	L(u) = 1 + 1/w int_-h^h L(x) phi((x - (1-w) u)/w - mu) dx
func ewmaRunLength(w, c, mu float64) float64 {
	const n = 120
	h := c * math.Sqrt(w/(2-w))
	x, weight := legendre(n)
	kernel := func(u float64, j int) float64 {
		d := (h*x[j]-(1-w)*u)/w - mu
		return h * weight[j] / w * math.Exp(-d*d/2) / math.Sqrt(2*math.Pi)
	}
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n+1)
		for j := range n {
			a[i][j] = -kernel(h*x[i], j)
		}
		a[i][i]++
		a[i][n] = 1
	}
	sum := 1.0
	for j, l := range solve(a) {
		sum += kernel(0, j) * l
	}
	return sum
}

// The run lengths of the moving average against the tables of R package spc (xewma.arl, xewma.crit), which agree
// with Lucas and Saccucci 1990, Technometrics 32:1, to all the digits printed there; and the product's own
// recursion against both, by simulation.
func TestAverageRunLengths(t *testing.T) {
	for _, r := range table(t, "arl_ewma.csv") {
		w, c, shift, want := number(t, r[0]), number(t, r[1]), number(t, r[2]), number(t, r[3])
		got := ewmaRunLength(w, c, shift)
		if !near(got, want, 1e-6) {
			t.Errorf("weight %g limit %g shift %g: %.8g, the table has %.8g", w, c, shift, got, want)
		}
		if shift != 1 {
			continue
		}
		rng := rand.New(rand.NewPCG(7, uint64(w*1000)))
		const runs = 5000
		sum, squares := 0.0, 0.0
		for range runs {
			level, n := 0.0, 0.0
			for math.Abs(level) <= c*math.Sqrt(w/(2-w)) {
				level = ewma(level, shift+rng.NormFloat64(), w)
				n++
			}
			sum, squares = sum+n, squares+n*n
		}
		mean := sum / runs
		if se := math.Sqrt((squares/runs - mean*mean) / runs); math.Abs(mean-got) > 4*se {
			t.Errorf("weight %g shift %g: simulated %.3f, exact %.3f, error %.3f", w, shift, mean, got, se)
		}
	}
	for _, r := range table(t, "arl_ewma_critical_L.csv") {
		w, target, c := number(t, r[0]), number(t, r[1]), number(t, r[2])
		if got := ewmaRunLength(w, c, 0); !near(got, target, 1e-5) { // the limit is printed to six decimals
			t.Errorf("weight %g limit %g: run length %.8g, the table has %g", w, c, got, target)
		}
	}
}

// The thresholds for given run lengths (R package spc, xcusum.crit).
func TestCriticalThresholds(t *testing.T) {
	for _, r := range table(t, "arl_cusum_critical_h.csv") {
		k, target, h := number(t, r[1]), number(t, r[2]), number(t, r[3])
		of := runLength
		if r[0] == "two" {
			of = twoSided
		}
		if got := of(k, h, 0, 0); !near(got, target, 1e-5) { // the threshold is printed to six decimals
			t.Errorf("%s-sided k %g threshold %g: run length %.8g, the table has %g", r[0], k, h, got, target)
		}
	}
}

// NIST Statistical Reference Datasets, Pontius (certified values from memory): a quadratic in x of 3 million, whose plain
// normal equations lose all digits. The product's regression, fed from means as a fixed effect is, must give the
// certified slopes to eight digits; Norris' line too.
func TestRegressionOnCertifiedData(t *testing.T) {
	for _, c := range []struct {
		file string
		want [2]float64
	}{
		{"strd_pontius.csv", [2]float64{0.732059160401003e-6, -0.316081871345029e-14}},
		{"strd_norris.csv", [2]float64{1.00211681802045, 0}},
	} {
		var x [][covers]float64
		var y []float64
		var mx [covers]float64
		my := 0.0
		rows := table(t, c.file)
		for _, r := range rows {
			v := number(t, r[1])
			p := [covers]float64{v}
			if c.want[1] != 0 {
				p[1] = v * v
			}
			x, y = append(x, p), append(y, number(t, r[0]))
			for i := range mx {
				mx[i] += p[i] / float64(len(rows))
			}
			my += y[len(y)-1] / float64(len(rows))
		}
		var r regression
		for i := range x {
			for j := range mx {
				x[i][j] -= mx[j]
			}
			r.add(x[i], y[i]-my)
		}
		got := r.solve([covers]float64{}, [covers]float64{})
		for i, want := range c.want {
			if want != 0 && !near(got[i], want, 1e-8) {
				t.Errorf("%s: slope %d is %.15g, certified %.15g", c.file, i+1, got[i], want)
			}
		}
		if got[2] != 0 {
			t.Errorf("%s: a regressor that never moved has slope %g", c.file, got[2])
		}
	}
}
