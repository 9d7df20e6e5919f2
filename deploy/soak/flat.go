package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"text/tabwriter"
	"time"
)

// settled is how long a run must be for the lake's files to be judged: its second half begins when the first files
// have lived as long as a file lives that nothing refers to. That is 15 minutes until it is condemned at the next
// sweep, and 10 minutes of grace until it is deleted at the next. The service sweeps every 15 minutes and a little.
func (o options) settled() time.Duration {
	if o.expire == 0 || o.expire > 2*time.Minute {
		return 100 * time.Minute
	}
	return time.Hour
}

// A verdict is what became of one quantity.
type verdict struct {
	quantity
	first, middle, last  float64 // samples
	median               float64 // of the second half
	peak                 float64 // highest of the whole run
	rise, low, peaks     float64 // over the second half: trend, lower end of its interval; last quarter's peak above the third's
	allowance            float64
	growing, notJudgable bool
}

// judge applies the rule of the package comment.
func judge(samples []sample, settled time.Duration) []verdict {
	var out []verdict
	if len(samples) < 8 {
		return nil
	}
	half, quarter := len(samples)/2, len(samples)*3/4
	for i, q := range quantities {
		var x, y []float64
		for _, s := range samples[half:] {
			x, y = append(x, s.after.Seconds()), append(y, s.values[i])
		}
		v := verdict{quantity: q, first: samples[0].values[i], middle: samples[half].values[i], last: y[len(y)-1], median: median(y)}
		for _, s := range samples {
			v.peak = max(v.peak, s.values[i])
		}
		length := x[len(x)-1] - x[0]
		slope, low := trend(x, y)
		v.rise, v.low = slope*length, low*length
		v.peaks = slices.Max(y[quarter-half:]) - slices.Max(y[:quarter-half])
		v.allowance = max(q.least, q.share*v.median)
		v.growing = !q.told && v.rise > v.allowance && v.low > 0 && v.peaks > v.allowance/2
		if q.swept && samples[len(samples)-1].after < settled-time.Minute {
			v.growing, v.notJudgable = false, true
		}
		out = append(out, v)
	}
	return out
}

// trend is the Theil-Sen slope of y over x, and the lower end of its two-sided 95 % interval.
//
//	N = n(n-1)/2 slopes, sorted;  C = 1.96 * sqrt(n(n-1)(2n+5)/18);  lower end = slope number (N-C)/2
//
// Sen, Estimates of the regression coefficient based on Kendall's tau, JASA 63 (1968), without the correction for
// ties, which makes the interval wider.
func trend(x, y []float64) (slope, low float64) {
	n := len(x)
	slopes := make([]float64, 0, n*(n-1)/2)
	for i := range n {
		for j := i + 1; j < n; j++ {
			slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
		}
	}
	slices.Sort(slopes)
	c := 1.96 * math.Sqrt(float64(n*(n-1)*(2*n+5))/18)
	at := int(math.Floor((float64(len(slopes)) - c) / 2))
	if at < 0 {
		return median(slopes), math.Inf(-1)
	}
	return median(slopes), slopes[at]
}

func median(v []float64) float64 {
	s := slices.Sorted(slices.Values(v))
	if n := len(s); n%2 == 1 {
		return s[n/2]
	}
	return (s[len(s)/2-1] + s[len(s)/2]) / 2
}

func printTable(out io.Writer, o options, f *feed, stored int, verdicts []verdict) {
	fmt.Fprintf(out, "%v at %g reports a second: %d published and acknowledged (%d sent again), %d distinct, %d stored; the feed was at worst %v late\n\n",
		o.length, o.rate, f.sent.Load(), f.again.Load(), f.distinct(), stored, time.Duration(f.late.Load()).Round(time.Millisecond))
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "quantity\tfirst\tmiddle\tlast\tpeak\tmedian of 2nd half\ttrend over it\t(low end)\tpeak of last over third quarter\tallowed\tverdict")
	for _, v := range verdicts {
		word := "flat"
		switch {
		case v.growing:
			word = "GROWING"
		case v.told:
			word = "not judged"
		case v.notJudgable:
			word = "not judged: shorter than " + o.settled().String()
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", v.title(), figure(v.first), figure(v.middle), figure(v.last), figure(v.peak), figure(v.median),
			change(v.rise), change(v.low), change(v.peaks), figure(v.allowance), word)
	}
	w.Flush()
}

// figure shows a number with what can be compared of it.
func figure(v float64) string {
	if math.Abs(v) >= 100 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}

func change(v float64) string {
	if v < 0 {
		return figure(v)
	}
	return "+" + figure(v)
}
