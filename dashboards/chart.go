package dashboards

import (
	"html/template"
	"math"
	"slices"
	"time"

	"marginline/analyze"
)

// A chart is the drawing of one series: results against their limit, the healthy band, epochs, the change
// date and the forecast, and below on the same time axis the score with its alarm line.
type chart struct {
	W, H      float64
	Label     string
	Unit      string // unit of measure as people write it
	Toward    string // which limit the series moves to
	Now       time.Time
	Zone      *time.Location
	Since     time.Time // change date, zero when there is none
	Crossing  *analyze.Crossing
	Threshold float64
	Score     bool       // draw the panel of the score
	From, To  time.Time  // the stretch asked for; zero for the whole
	With      []quantity // conditions, one panel each
	Peers     []PeerWeek // units like this one, behind the results
}

// height is how high the drawing becomes whose results and score take h.
func (c chart) height(h float64) float64 { return h + float64(len(c.With))*(panelHeight+panelGap) }

const (
	chartLeft   = 46.0
	chartRight  = 12.0
	chartTop    = 20.0
	chartBottom = 22.0
	scoreHeight = 74.0
	scoreGap    = 20.0
)

func (c chart) draw(ds []dot) template.HTML {
	var d drawing
	d.begin("chart", c.W, c.H, c.Label)
	from, to := c.reach(ds)
	x := timeSpan(from, to, chartLeft, c.W-chartRight)
	bottom := c.H - chartBottom - float64(len(c.With))*(panelHeight+panelGap)
	scored := bottom
	if c.Score {
		bottom -= scoreHeight + scoreGap
	}
	seen := ds
	if !c.From.IsZero() || !c.To.IsZero() {
		seen = slices.DeleteFunc(slices.Clone(ds), func(p dot) bool { return p.At.Before(from) || p.At.After(to) })
	}
	shown := thin(seen, from, to, int(c.W))
	for _, t := range days(from, to, c.Zone, max(3, int(c.W/90))) {
		at := x.time(t.at)
		d.line("grid", at, chartTop, at, c.H-chartBottom)
		if at > chartLeft+10 && at < c.W-chartRight-14 {
			d.text("tick", "middle", at, c.H-7, t.label)
		}
	}
	c.results(&d, x, chartTop, bottom, shown, ds)
	if c.Score {
		c.score(&d, x, bottom+scoreGap, scored, shown)
	}
	c.panels(&d, x, scored, shown)
	return d.end()
}

// reach is the stretch of time drawn: all readings, today, and the forecast up to half as much again.
func (c chart) reach(ds []dot) (from, to time.Time) {
	from, to = c.Now.Add(-7*24*time.Hour), c.Now
	if len(ds) > 0 {
		from = ds[0].At
		if ds[len(ds)-1].At.After(to) {
			to = ds[len(ds)-1].At
		}
	}
	to = to.Add(max(24*time.Hour, to.Sub(from)/40))
	if c.Crossing != nil {
		for _, t := range [...]time.Time{c.Crossing.P10, c.Crossing.P50, c.Crossing.P90} {
			if !t.IsZero() && t.After(to) {
				to = t.Add(24 * time.Hour)
			}
		}
	}
	if most := c.Now.Add(max(30*24*time.Hour, c.Now.Sub(from)/2)); to.After(most) {
		to = most
	}
	if !c.From.IsZero() && c.From.Before(to) {
		from = c.From
	}
	if !c.To.IsZero() && c.To.After(from) {
		to = c.To
	}
	return from, to
}

// values is the range of the value axis, and which limits lie in it. The limit that the series moves to is
// always shown; the other only where it does not flatten the readings to a line.
func (c chart) values(ds []dot) (lo, hi float64, showMin, showMax bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	put := func(v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	leastMin, mostMax := math.NaN(), math.NaN()
	for _, p := range ds {
		put(p.Value)
		put(p.Baseline - 2*p.Spread)
		put(p.Baseline + 2*p.Spread)
		if !math.IsNaN(p.Min) {
			leastMin, showMin = p.Min, true
		}
		if !math.IsNaN(p.Max) {
			mostMax, showMax = p.Max, true
		}
	}
	if math.IsInf(lo, 0) {
		return 0, 1, false, false
	}
	both := showMin && showMax
	if showMax && (!both || c.Toward == "max") {
		put(mostMax)
	}
	if showMin && (!both || c.Toward == "min") {
		put(leastMin)
	}
	if both {
		height := hi - lo
		if c.Toward != "max" {
			if showMax = mostMax-lo <= 2.5*height || c.Toward == ""; showMax {
				put(mostMax)
			}
		}
		if c.Toward != "min" {
			if showMin = hi-leastMin <= 2.5*height || c.Toward == ""; showMin {
				put(leastMin)
			}
		}
	}
	if hi == lo {
		pad := max(math.Abs(hi)*0.1, 1e-6)
		return lo - pad, hi + pad, showMin, showMax
	}
	pad := (hi - lo) * 0.09
	return lo - pad, hi + pad, showMin, showMax
}

// results draws ds; the value axis is that of the whole course, also where only a part of it is shown.
func (c chart) results(d *drawing, x span, top, bottom float64, ds, whole []dot) {
	lo, hi, showMin, showMax := c.values(whole)
	y := span{lo, hi, bottom, top}
	right := x.to
	for _, v := range steps(lo, hi, max(3, int((bottom-top)/42))) {
		d.line("grid", chartLeft, y.at(v), right, y.at(v))
		d.text("tick", "end", chartLeft-5, y.at(v)+3.5, figure(v))
	}
	if c.Unit != "" {
		d.text("tick", "start", 2, top-8, c.Unit)
	}
	c.peers(d, x, y)
	c.band(d, x, y, ds)
	if showMax {
		c.limit(d, x, y, ds, func(p dot) float64 { return p.Max }, top, "at most ")
	}
	if showMin {
		c.limit(d, x, y, ds, func(p dot) float64 { return p.Min }, bottom, "at least ")
	}
	c.marks(d, x, top, bottom, ds)
	if c.To.IsZero() || c.To.After(c.Now) {
		c.forecast(d, x, y, ds)
	}
	d.course(x, y, ds, func(p dot) float64 { return p.Value })
	size := 2.2
	if len(ds) > int(c.W/2.2) {
		size = 1.3
	}
	for _, p := range ds {
		if !math.IsNaN(p.Value) {
			d.dot("reading", xy{x.time(p.At), y.at(p.Value)}, size, p.Failed)
		}
	}
	d.rect("frame", chartLeft, top, right-chartLeft, bottom-top)
}
