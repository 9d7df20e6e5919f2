package dashboards

import (
	"fmt"
	"math"
	"time"
)

// course draws what was read, a line for each epoch.
func (d *drawing) course(x, y span, ds []dot, of func(dot) float64) {
	var run []xy
	epoch := 0
	for _, p := range ds {
		if p.Epoch != epoch {
			d.path("trend", run, false)
			run, epoch = nil, p.Epoch
		}
		if v := of(p); !math.IsNaN(v) {
			run = append(run, xy{x.time(p.At), y.at(v)})
		}
	}
	d.path("trend", run, false)
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
		} else if i > 0 && p.Restart != "" {
			at := x.time(p.At)
			d.line("epoch", at, bottom-12, at, bottom)
		}
	}
	now := x.heldTime(c.Now)
	inside := func(t time.Time) bool { return t.Unix() >= int64(x.lo) && t.Unix() <= int64(x.hi) }
	if inside(c.Now) {
		d.line("today", now, top, now, bottom)
		d.text("word", "middle", min(now, c.W-chartRight-14), top-6, "now")
	}
	if !c.Since.IsZero() && (c.From.IsZero() && c.To.IsZero() || inside(c.Since)) {
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
	d.course(x, y, ds, func(p dot) float64 { return p.Score })
	d.text("word", "start", chartLeft, top-5, "score")
	if c.Threshold > 0 {
		d.line("alarm", chartLeft, y.at(c.Threshold), x.to, y.at(c.Threshold))
		d.text("word alarmword", "end", x.to-2, top-5, "alarm line "+figure(c.Threshold))
	}
	d.rect("frame", chartLeft, top, x.to-chartLeft, bottom-top)
}
