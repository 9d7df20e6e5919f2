package dashboards

import (
	"fmt"
	"html/template"
	"math"
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
	Score     bool // draw the panel of the score
}

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
	bottom := c.H - chartBottom
	if c.Score {
		bottom -= scoreHeight + scoreGap
	}
	shown := thin(ds, from, to, int(c.W))
	for _, t := range days(from, to, c.Zone, max(3, int(c.W/90))) {
		at := x.time(t.at)
		d.line("grid", at, chartTop, at, c.H-chartBottom)
		if at > chartLeft+10 && at < c.W-chartRight-14 {
			d.text("tick", "middle", at, c.H-7, t.label)
		}
	}
	c.results(&d, x, chartTop, bottom, shown)
	if c.Score {
		c.score(&d, x, bottom+scoreGap, c.H-chartBottom, shown)
	}
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

func (c chart) results(d *drawing, x span, top, bottom float64, ds []dot) {
	lo, hi, showMin, showMax := c.values(ds)
	y := span{lo, hi, bottom, top}
	right := x.to
	for _, v := range steps(lo, hi, max(3, int((bottom-top)/42))) {
		d.line("grid", chartLeft, y.at(v), right, y.at(v))
		d.text("tick", "end", chartLeft-5, y.at(v)+3.5, figure(v))
	}
	if c.Unit != "" {
		d.text("tick", "start", 2, top-8, c.Unit)
	}
	c.band(d, x, y, ds)
	if showMax {
		c.limit(d, x, y, ds, func(p dot) float64 { return p.Max }, top, "at most ")
	}
	if showMin {
		c.limit(d, x, y, ds, func(p dot) float64 { return p.Min }, bottom, "at least ")
	}
	c.marks(d, x, top, bottom, ds)
	c.forecast(d, x, y, ds)
	var run []xy
	epoch := 0
	for _, p := range ds {
		if p.Epoch != epoch {
			d.path("trend", run, false)
			run, epoch = nil, p.Epoch
		}
		if !math.IsNaN(p.Value) {
			run = append(run, xy{x.time(p.At), y.at(p.Value)})
		}
	}
	d.path("trend", run, false)
	size := 2.2
	if len(ds) > 400 {
		size = 1.3
	}
	for _, p := range ds {
		if !math.IsNaN(p.Value) {
			d.dot("reading", xy{x.time(p.At), y.at(p.Value)}, size, p.Failed)
		}
	}
	d.rect("frame", chartLeft, top, right-chartLeft, bottom-top)
}

// limit draws one limit as it was at each reading, shades the failed side, and carries the newest limit on
// to the end of the axis.
func (c chart) limit(d *drawing, x, y span, ds []dot, of func(dot) float64, edge float64, words string) {
	var step []xy
	last, first := math.NaN(), true
	flush := func(end float64) {
		if !math.IsNaN(last) {
			step = append(step, xy{end, y.held(last)})
			shade := append([]xy{{step[0].x, edge}}, step...)
			d.path("bad", append(shade, xy{end, edge}), true)
			d.path("limit", step, false)
		}
		step = nil
	}
	for _, p := range ds {
		v := of(p)
		if v == last || math.IsNaN(v) && math.IsNaN(last) {
			continue
		}
		at := x.time(p.At)
		if math.IsNaN(v) {
			flush(at)
		} else if !math.IsNaN(last) {
			step = append(step, xy{at, y.held(last)}, xy{at, y.held(v)})
		} else {
			if first {
				at = x.from
			}
			step = append(step, xy{at, y.held(v)})
		}
		last, first = v, false
	}
	if math.IsNaN(last) {
		return
	}
	flush(x.to)
	up := y.held(last) + 13
	if words == "at least " {
		up = y.held(last) - 6
	}
	d.text("word limitword", "start", chartLeft+6, up, "limit: "+words+figure(last))
}

// band shades the healthy level, two spreads to either side, epoch by epoch.
func (c chart) band(d *drawing, x, y span, ds []dot) {
	for i := 0; i < len(ds); {
		j := i
		var upper, lower []xy
		for ; j < len(ds) && ds[j].Epoch == ds[i].Epoch; j++ {
			p := ds[j]
			if math.IsNaN(p.Baseline) || math.IsNaN(p.Spread) {
				continue
			}
			upper = append(upper, xy{x.time(p.At), y.held(p.Baseline + 2*p.Spread)})
			lower = append(lower, xy{x.time(p.At), y.held(p.Baseline - 2*p.Spread)})
		}
		for k := len(lower) - 1; k >= 0; k-- {
			upper = append(upper, lower[k])
		}
		d.path("band", upper, true)
		i = j
	}
}

// marks draws where epochs begin, the change date, and today.
func (c chart) marks(d *drawing, x span, top, bottom float64, ds []dot) {
	for i, p := range ds {
		if i > 0 && p.Epoch != ds[i-1].Epoch {
			at := x.time(p.At)
			d.line("epoch", at, top, at, bottom)
			d.text("word", "start", at+3, bottom-5, fmt.Sprintf("epoch %d", p.Epoch))
		}
	}
	now := x.heldTime(c.Now)
	d.line("today", now, top, now, bottom)
	d.text("word", "middle", min(now, c.W-chartRight-14), top-6, "now")
	if !c.Since.IsZero() {
		at := x.heldTime(c.Since)
		d.line("since", at, top, at, bottom)
		words := "change no later than " + c.Since.In(c.Zone).Format("2 Jan")
		anchor, dx := "end", -4.0
		if at < chartLeft+150 {
			anchor, dx = "start", 4
		}
		if !(now-at < 30 && anchor == "start") {
			d.text("word sinceword", anchor, at+dx, top-6, words)
		}
	}
}

// forecast draws the interval in which the limit is likely to be reached, on the limit itself.
func (c chart) forecast(d *drawing, x, y span, ds []dot) {
	if c.Crossing == nil || c.Crossing.P10.IsZero() || len(ds) == 0 {
		return
	}
	newest := ds[len(ds)-1]
	limit := newest.Max
	if c.Toward == "min" || math.IsNaN(limit) {
		limit = newest.Min
	}
	if math.IsNaN(limit) {
		return
	}
	at := y.held(limit)
	early, late := x.heldTime(c.Crossing.P10), x.to
	if !c.Crossing.P90.IsZero() {
		late = x.heldTime(c.Crossing.P90)
	}
	d.rect("reach", early, at-5, max(late-early, 2), 10)
	d.line("reachend", early, at-9, early, at+9)
	if !c.Crossing.P90.IsZero() && c.Crossing.P90.Before(time.Unix(int64(x.hi), 0)) {
		d.line("reachend", late, at-9, late, at+9)
	}
	if !c.Crossing.P50.IsZero() && x.time(c.Crossing.P50) <= x.to {
		d.diamond("middle", xy{x.time(c.Crossing.P50), at}, 5)
	}
	if v := newest.Value; !math.IsNaN(v) {
		d.path("fan", []xy{{x.time(newest.At), y.at(v)}, {early, at}, {late, at}}, true)
	}
}

func (c chart) score(d *drawing, x span, top, bottom float64, ds []dot) {
	most := 1.0
	if !math.IsNaN(c.Threshold) {
		most = max(most, c.Threshold*1.25)
	}
	for _, p := range ds {
		if !math.IsNaN(p.Score) {
			most = max(most, p.Score*1.1)
		}
	}
	y := span{0, most, bottom, top}
	for _, v := range steps(0, most, 3) {
		d.line("grid", chartLeft, y.at(v), x.to, y.at(v))
		d.text("tick", "end", chartLeft-5, y.at(v)+3.5, figure(v))
	}
	var run []xy
	epoch := 0
	for _, p := range ds {
		if p.Epoch != epoch {
			d.path("trend", run, false)
			run, epoch = nil, p.Epoch
		}
		if !math.IsNaN(p.Score) {
			run = append(run, xy{x.time(p.At), y.at(p.Score)})
		}
	}
	d.path("trend", run, false)
	d.text("word", "start", chartLeft, top-5, "score")
	if c.Threshold > 0 {
		d.line("alarm", chartLeft, y.at(c.Threshold), x.to, y.at(c.Threshold))
		d.text("word alarmword", "end", x.to-2, top-5, "alarm line "+figure(c.Threshold))
	}
	d.rect("frame", chartLeft, top, x.to-chartLeft, bottom-top)
}
