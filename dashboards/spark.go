package dashboards

import (
	"html/template"
	"math"
	"time"
)

// sparkFloor and sparkTop bound what a margin trend shows: a little below the limit, up to the most that
// a margin can be; more where values are on their way from one limit to the other. Values beyond are held at the edge.
const (
	sparkFloor = -0.2
	sparkTop   = 1.0
)

// A spark is a small margin trend: the limit is the line near the bottom, the hatched strip below it is
// the failed side, and time runs over the given stretch, so that trends under each other share an axis.
type spark struct {
	From, To time.Time
	W, H     float64
	Since    time.Time // change date; zero draws none
	Label    string
	Marks    []mark // what happened to the unit meanwhile
}

func (s spark) draw(ds []dot) template.HTML {
	var d drawing
	d.begin("spark", s.W, s.H, s.Label)
	x := timeSpan(s.From, s.To, 2, s.W-5)
	top := sparkTop
	for _, p := range ds {
		if !math.IsNaN(p.Margin) {
			top = min(max(top, p.Left), 2)
		}
	}
	y := span{sparkFloor, top, s.H - 1, 2}
	limit := y.at(0)
	d.rect("bad", 0, limit, s.W, s.H-limit)
	d.line("limit", 0, limit, s.W, limit)
	for _, m := range s.Marks {
		if !m.At.Before(s.From) && !m.At.After(s.To) {
			d.line("event", x.time(m.At), 0, x.time(m.At), s.H)
		}
	}
	if !s.Since.IsZero() && s.Since.After(s.From) {
		d.line("since", x.heldTime(s.Since), 0, x.heldTime(s.Since), s.H)
	}
	var run []xy
	epoch, last, lastFailed, any := -1, xy{}, false, false
	for _, p := range thin(ds, s.From, s.To, int(s.W)/2) {
		if p.At.Before(s.From) || p.At.After(s.To) || math.IsNaN(p.Left) {
			continue
		}
		if p.Epoch != epoch {
			d.path("trend", run, false)
			if epoch >= 0 {
				d.line("epoch", x.time(p.At), 0, x.time(p.At), limit)
			}
			run, epoch = nil, p.Epoch
		}
		last, lastFailed, any = xy{x.time(p.At), y.held(p.Left)}, p.Failed, true
		run = append(run, last)
	}
	d.path("trend", run, false)
	if any {
		d.dot("newest", last, 2.6, lastFailed)
	}
	return d.end()
}

// axis draws the shared time axis of the sparks beneath it.
func (s spark) axis(zone *time.Location) template.HTML {
	var d drawing
	d.begin("spark axis", s.W, 16, s.Label)
	x := timeSpan(s.From, s.To, 2, s.W-5)
	d.line("frame", 0, 15.5, s.W, 15.5)
	for _, t := range days(s.From, s.To, zone, max(2, int(s.W/62))) {
		at := x.time(t.at)
		d.line("frame", at, 11, at, 16)
		if at < s.W-24 {
			d.text("tick", "start", at+2, 10, t.label)
		}
	}
	return d.end()
}
