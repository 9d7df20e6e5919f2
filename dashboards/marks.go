package dashboards

import (
	"cmp"
	"html/template"
	"slices"
	"time"

	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/series"
)

// A mark is something that happened to a unit, on the time axis of its trends. The letter stands in the
// drawing, the word in the list beneath it, so that neither colour nor shape has to be known.
type mark struct {
	At     time.Time
	Letter string
	Word   string
	Text   string
	Day    moment
}

// factMarks are the kinds of fact that are drawn; the others are no events of the vehicle.
var factMarks = map[shop.Kind]mark{
	shop.Service: {Letter: "S", Word: "service"}, shop.Repair: {Letter: "R", Word: "repair"}, shop.Clear: {Letter: "X", Word: "codes cleared"},
	shop.Reflash: {Letter: "F", Word: "reflash"}, shop.Dongle: {Letter: "D", Word: "dongle"}, shop.Report: {Letter: "N", Word: "noticed"},
}

// marksOf gathers what happened to a unit, the newest first: trouble codes when first read, facts of the shop
// floor, and what the reports show by themselves: counters that began anew, another dongle, and control units that
// came with another calibration from one reading to the next. What the shop told within two days is not said twice.
func marksOf(t tale, traces map[series.Key]*analyze.Trace, zone *time.Location) []mark {
	var out []mark
	codes, facts := t.codes, t.facts
	said := func(kind shop.Kind, at time.Time) bool {
		return slices.ContainsFunc(facts, func(f shop.Fact) bool { return f.Kind == kind && f.At.Sub(at).Abs() <= 2*dayBack })
	}
	for _, at := range t.use.Clears {
		if !said(shop.Clear, at) {
			out = append(out, mark{At: at, Letter: "X", Word: "codes cleared", Text: "the vehicle’s own counters began anew before this report; nobody told of it"})
		}
	}
	for _, w := range t.use.Swaps {
		if !said(shop.Dongle, w.At) {
			out = append(out, mark{At: w.At, Letter: "D", Word: "dongle", Text: "reports come from " + w.To + " instead of " + w.From})
		}
	}
	stored := map[string]bool{} // one mark for a code, however it is stored
	for _, c := range slices.SortedStableFunc(slices.Values(codes), func(a, b Code) int { return a.First.Compare(b.First) }) {
		if !stored[c.ECU+c.Code] {
			stored[c.ECU+c.Code] = true
			out = append(out, mark{At: c.First, Letter: "C", Word: "code", Text: c.Code + " was first read (" + c.Kind + ", control unit " + c.ECU + ")"})
		}
	}
	for _, f := range facts {
		if m, ok := factMarks[f.Kind]; ok {
			m.At, m.Text = f.At, f.Words()
			if m.At.Equal(m.At.UTC().Truncate(dayBack)) { // a date without a time of day means that day, in any zone
				m.Day = moment{m.At, time.UTC}
			}
			out = append(out, m)
		}
	}
	out = append(out, reflashes(traces)...)
	for i := range out {
		if out[i].Day.IsZero() {
			out[i].Day = moment{out[i].At, zone}
		}
	}
	slices.SortStableFunc(out, func(a, b mark) int { return cmp.Or(b.At.Compare(a.At), cmp.Compare(a.Letter, b.Letter)) })
	return out
}

// reflashes are the changes of calibration that readings show, one a control unit and change.
func reflashes(traces map[series.Key]*analyze.Trace) []mark {
	type switched struct{ ecu, from, to string }
	first := map[switched]time.Time{}
	for key, tr := range traces {
		for i := 1; i < len(tr.Points); i++ {
			a, b := tr.Points[i-1], tr.Points[i]
			if a.CalID == b.CalID || a.CalID == "" || b.CalID == "" {
				continue
			}
			s := switched{key.ECU, a.CalID, b.CalID}
			if at, ok := first[s]; !ok || b.At.Before(at) {
				first[s] = b.At
			}
		}
	}
	var out []mark
	for s, at := range first {
		out = append(out, mark{At: at, Letter: "F", Word: "reflash", Text: "control unit " + s.ecu + " reads calibration " + s.to + " instead of " + s.from})
	}
	return out
}

// lane draws the marks as letters in boxes on the axis of the trends beneath. Marks too close to stand side
// by side go one line lower, at most three; what does not fit is drawn over its neighbour and is in the list.
func (s spark) lane() template.HTML {
	const box, gap, lines = 11.0, 1.0, 3
	var d drawing
	x := timeSpan(s.From, s.To, 2, s.W-5)
	right := [lines]float64{-box, -box, -box}
	type placed struct {
		mark
		x    float64
		line int
	}
	var all []placed
	deepest := 0
	for _, m := range slices.Backward(s.Marks) {
		if m.At.Before(s.From) || m.At.After(s.To) {
			continue
		}
		at, line := x.time(m.At), 0
		for line < lines-1 && at-box/2 < right[line]+gap {
			line++
		}
		right[line] = at + box/2
		deepest = max(deepest, line)
		all = append(all, placed{m, at, line})
	}
	if len(all) == 0 {
		return ""
	}
	h := float64(deepest+1)*(box+gap) + 1
	d.begin("spark lane", s.W, h, s.Label)
	for _, p := range all {
		y := float64(p.line) * (box + gap)
		d.named(p.Word+": "+p.Text, func() {
			d.line("event", p.x, y+box, p.x, h)
			d.rect("flag flag-"+p.Letter, p.x-box/2, y+0.5, box, box)
			d.text("flagword", "middle", p.x, y+box-2, p.Letter)
		})
	}
	return d.end()
}
