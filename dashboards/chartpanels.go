package dashboards

import (
	"math"
)

// panelHeight and panelGap are those of one condition beneath the score.
const (
	panelHeight = 56.0
	panelGap    = 22.0
)

// panels draws the conditions under which the results were read, one panel each on the time axis of the rest.
func (c chart) panels(d *drawing, x span, top float64, ds []dot) {
	for k, q := range c.With {
		c.panel(d, x, top+float64(k)*(panelHeight+panelGap)+panelGap, ds, k, q)
	}
}

func (c chart) panel(d *drawing, x span, top float64, ds []dot, k int, q quantity) {
	bottom := top + panelHeight
	words := q.Name
	if sign := unitSign(q.UCUM); sign != "" {
		words += ", " + sign
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range ds {
		if k < len(p.With) && !math.IsNaN(p.With[k]) {
			lo, hi = min(lo, p.With[k]), max(hi, p.With[k])
		}
	}
	d.rect("frame", chartLeft, top, x.to-chartLeft, panelHeight)
	if math.IsInf(lo, 0) {
		d.text("word", "start", chartLeft, top-5, words+": not read with these results")
		return
	}
	d.text("word", "start", chartLeft, top-5, words)
	pad := max((hi-lo)*0.08, math.Abs(hi)*1e-3, 1e-6)
	y := span{lo - pad, hi + pad, bottom, top}
	for _, v := range steps(y.lo, y.hi, 2) {
		d.line("grid", chartLeft, y.at(v), x.to, y.at(v))
		d.text("tick", "end", chartLeft-5, y.at(v)+3.5, figure(v))
	}
	for _, p := range ds {
		if k < len(p.With) && !math.IsNaN(p.With[k]) {
			d.dot("condition", xy{x.time(p.At), y.at(p.With[k])}, 1.5, false)
		}
	}
}

// peers draws, behind everything, where the middle eight of ten units like this one lie, and their median.
// A week without enough of them leaves a gap.
func (c chart) peers(d *drawing, x, y span) {
	const week = 7 * dayBack
	var upper, lower, mid []xy
	flush := func() {
		for k := len(lower) - 1; k >= 0; k-- {
			upper = append(upper, lower[k])
		}
		d.path("peers", upper, true)
		d.path("peermid", mid, false)
		upper, lower, mid = nil, nil, nil
	}
	for i, w := range c.Peers {
		at := w.From.Add(week / 2)
		if at.Unix() < int64(x.lo) || at.Unix() > int64(x.hi) {
			continue
		}
		if i > 0 && w.From.Sub(c.Peers[i-1].From) > week+dayBack {
			flush()
		}
		h := x.time(at)
		upper, lower, mid = append(upper, xy{h, y.held(w.High)}), append(lower, xy{h, y.held(w.Low)}), append(mid, xy{h, y.held(w.Mid)})
	}
	flush()
}
