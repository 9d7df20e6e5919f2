package analyze

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"text/tabwriter"

	"marginline/ingest/fleetsim"
)

// A pairing is how two rules did on the same cases.
type pairing struct{ both, mine, theirs, neither int }

// pairedAt is how two rules did on the faults of one mode: claimed at least that many days before the code, or not.
func pairedAt(a, b *verdict, mode fleetsim.Mode, days float64) (p pairing) {
	other := map[*fleetsim.Fault]bool{}
	for _, o := range b.part(mode, nil) {
		other[o.fault] = o.lead >= days
	}
	for _, o := range a.part(mode, nil) {
		switch mine, theirs := o.lead >= days, other[o.fault]; {
		case mine && theirs:
			p.both++
		case mine:
			p.mine++
		case theirs:
			p.theirs++
		default:
			p.neither++
		}
	}
	return p
}

// difference is how much larger our share is than theirs, with its 95 % interval for paired shares (Newcombe 1998,
// Statistics in Medicine 17:2635, method 10): Wilson's intervals of the two, put together with their correlation.
func (p pairing) difference() Range {
	n := p.both + p.mine + p.theirs + p.neither
	a, b := wilson(p.both+p.mine, n), wilson(p.both+p.theirs, n)
	cross := float64(p.both*p.neither - p.mine*p.theirs)
	if cross > 0 {
		cross = max(0, cross-float64(n)/2)
	}
	phi := 0.0
	if square := float64(p.both+p.mine) * float64(p.theirs+p.neither) * float64(p.both+p.theirs) * float64(p.mine+p.neither); square > 0 {
		phi = cross / math.Sqrt(square)
	}
	apart := func(x, y float64) float64 { return math.Sqrt(max(0, x*x-2*phi*x*y+y*y)) }
	d := a.Value - b.Value
	return Range{d, d - apart(a.Value-a.Low, b.High-b.Value), d + apart(a.High-a.Value, b.Value-b.Low)}
}

// chance is how likely as uneven a split of the cases on which the two differ is where neither is better: the exact
// two-sided test of McNemar (1947, Psychometrika 12:153), as a sign test.
func (p pairing) chance() float64 {
	n, sum := p.mine+p.theirs, 0.0
	for k := range min(p.mine, p.theirs) + 1 {
		lead, _ := math.Lgamma(float64(n + 1))
		a, _ := math.Lgamma(float64(k + 1))
		b, _ := math.Lgamma(float64(n - k + 1))
		sum += math.Exp(lead - a - b - float64(n)*math.Ln2)
	}
	return min(1, 2*sum)
}

// compare is how far the first rule is ahead of the others on the same slow faults.
func compare(rows []row) string {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "slow faults, against\tdays ahead\tboth\tours alone\tit alone\tneither\tours less its share (95 %)\tby chance\t")
	for i := range rows[1:] {
		r := &rows[i+1]
		for _, days := range []float64{14, 30} {
			p := pairedAt(&rows[0].verdict, &r.verdict, fleetsim.Slow, days)
			d := p.difference()
			fmt.Fprintf(w, "%s\t%.0f\t%d\t%d\t%d\t%d\t%+.1f %% (%+.1f to %+.1f)\t%.2g\t\n", r.name, days, p.both, p.mine, p.theirs, p.neither, 100*d.Value, 100*d.Low, 100*d.High, p.chance())
		}
	}
	w.Flush()
	return b.String()
}

// The interval is that of a published worked example: response before and after consolidation therapy (Cavo and others
// 2012), in Fagerland, Lydersen and Laake 2017, Statistical Analysis of Contingency Tables, chapter 8, as the tests of its
// authors' R package contingencytables print it. The exact test is that of Armitage and Berry's sputum cultures (1994,
// Statistical Methods in Medical Research, 3rd edition, page 127), whose exact chance is published as 0.0129.
func TestPairedShares(t *testing.T) {
	d := pairing{59, 6, 16, 80}.difference()
	for _, x := range []struct {
		name      string
		got, want float64
	}{{"difference", d.Value, -0.0621}, {"low", d.Low, -0.1186}, {"high", d.High, -0.0046}, {"chance", pairing{20, 12, 2, 16}.chance(), 0.0129}} {
		if math.Abs(x.got-x.want) > 0.00005 {
			t.Errorf("%s: %.5f, want %.4f", x.name, x.got, x.want)
		}
	}
	if d := (pairing{both: 110}).difference(); d.Value != 0 || d.Low >= 0 || d.High <= 0 {
		t.Errorf("two rules that find all: %+v, want an interval around 0", d)
	}
}
