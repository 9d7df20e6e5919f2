package dashboards

import (
	"math"
	"time"

	"marginline/analyze"
	"marginline/ingest/series"
)

// A dot is one fresh reading as charts, tables and exports show it. Absent numbers are NaN.
type dot struct {
	At       time.Time
	ReportID string
	Epoch    int
	CalID    string
	Restart  string // what happened before it
	Value    float64
	Min, Max float64
	Margin   float64
	Left     float64 // of the way to the limit, see left
	Baseline float64
	Spread   float64
	Score    float64
	Failed   bool
	With     []float64 // the conditions that the reader asked for, in that order
}

// dots turns a trace into what people see.
func dots(tr *analyze.Trace) []dot {
	if tr == nil {
		return nil
	}
	toward, claimed := tr.Now.Toward, false
	// The newest that stands and has a direction; that of lastClaim may be a test that no longer runs, which has none.
	for _, s := range tr.Signals {
		if s.EndedAt.IsZero() && s.Evidence.Toward != "" {
			toward, claimed = s.Evidence.Toward, true
		}
	}
	out := make([]dot, 0, len(tr.Points))
	for _, p := range tr.Points {
		out = append(out, dot{
			At: p.At, ReportID: p.ReportID, Epoch: p.Epoch, CalID: p.CalID, Restart: p.Restart, Value: p.Value, Min: p.Min, Max: p.Max, Margin: p.Margin,
			Left: left(p, toward, claimed), Baseline: p.Baseline, Spread: p.Spread, Score: p.Score,
			Failed: p.Value > p.Max || p.Value < p.Min,
		})
	}
	return out
}

// left is how much of the way to the limit is left: the margin, or where the quantity has no real zero
// the share of the distance from the healthy level to the limit.
//
//	left = (limit - value) / (limit - baseline)
//
// NaN while the healthy level is not known yet. The margin of a value between two limits is that to the nearer one, and
// grows at first while a value leaves the one for the other. Where it is claimed to be on its way to one of them, left is the
// margin to that one, above 1 on the far side of the middle.
func left(p analyze.Point, toward string, claimed bool) float64 {
	switch half := (p.Max - p.Min) / 2; {
	case claimed && half > 0 && toward == "max":
		return (p.Max - p.Value) / half
	case claimed && half > 0:
		return (p.Value - p.Min) / half
	case !math.IsNaN(p.Margin):
		return p.Margin
	}
	limit := p.Max
	if toward == "min" || math.IsNaN(limit) {
		limit = p.Min
	}
	return (limit - p.Value) / (limit - p.Baseline)
}

// leftNow is left for the newest state of a series.
func leftNow(n analyze.Now) float64 {
	if n.State != series.StateOK {
		return math.NaN()
	}
	if !math.IsNaN(n.Margin) {
		return n.Margin
	}
	return 1 - n.Used
}

// thin keeps at most about 2n dots: of each of n equal stretches of time the lowest and the highest, and
// always the newest. Failures are never dropped.
func thin(ds []dot, from, to time.Time, n int) []dot {
	if len(ds) <= 2*n {
		return ds
	}
	width := to.Sub(from) / time.Duration(n)
	if width <= 0 {
		return ds[len(ds)-1:]
	}
	var out []dot
	for i := 0; i < len(ds); {
		cell, j := ds[i].At.Sub(from)/width, i
		lo, hi := i, i
		for ; j < len(ds) && ds[j].At.Sub(from)/width == cell; j++ {
			if ds[j].Left < ds[lo].Left {
				lo = j
			}
			if ds[j].Left > ds[hi].Left {
				hi = j
			}
		}
		for k := i; k < j; k++ {
			if k == lo || k == hi || ds[k].Failed || k == len(ds)-1 {
				out = append(out, ds[k])
			}
		}
		i = j
	}
	return out
}
