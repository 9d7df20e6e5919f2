package dashboards

import (
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/series"
)

// tableRows is how many readings the table beside the chart holds; the rest is in the file.
const tableRows = 250

type seriesPage struct {
	Key       series.Key
	Name      string
	Family    string
	Now       analyze.Now
	Zone      *time.Location
	ZoneName  string
	Left      float64
	Standing  string
	Sign      string
	Why       []string
	Raised    bool          // a claim stands or stood: the words explain it
	Chart     template.HTML // wide
	Narrow    template.HTML
	Caption   []string
	Rows      []pointRow
	Total     int
	Repeats   int
	HasSpan   bool
	Window    string
	Alerts    []alerts.Alert
	Points    string // address of the numbers for the interactive chart
	CSV       string
	LastRead  moment
	LastFresh moment
	Lens      lensFields
	With      []quantity // conditions laid beside the course
	Within    int        // fresh results in the stretch shown
	PeersAt   string     // address of the peers, for the script; "" where nobody can tell
	Around    bool       // somebody can tell of conditions and peers
}

type pointRow struct {
	dot
	When moment
}

// noPeers is said where peers were asked for and there are too few.
var noPeers = fmt.Sprintf("Fewer than %d other units of this engine family have run the test with these limits in any week, so no peers are drawn.", fewPeers)

// trace finds the course of the series that a request names.
func (s *Server) trace(r *http.Request) (series.Key, *analyze.Trace, error) {
	key := series.Key{Unit: r.PathValue("unit"), ECU: r.PathValue("ecu"), Test: r.PathValue("test")}
	by, err := s.courses(r.Context(), key.Unit)
	if err != nil {
		return key, nil, err
	}
	tr := by[key]
	if tr == nil {
		return key, nil, missing{"series", key.String(), "The unit's page lists every series that was read from it."}
	}
	return key, tr, nil
}

func (s *Server) series(w http.ResponseWriter, r *http.Request) error {
	key, tr, err := s.trace(r)
	if err != nil {
		return err
	}
	list, err := s.deps.Book.List(r.Context(), true)
	if err != nil {
		return err
	}
	zone, ds, n := s.zone(key.Unit), dots(tr), tr.Now
	p := seriesPage{
		Key: key, Name: s.testName(key.Test), Family: familyTitle(n.Family), Now: n, Zone: zone, ZoneName: zone.String(),
		Left: leftNow(n), Standing: s.standing(n), Sign: unitSign(n.UnitOfMeasure), Why: s.why(tr, zone), Raised: len(tr.Signals) > 0,
		Total: len(ds), Repeats: tr.Repeats, Window: window(limitOf(n.Crossing), zone),
		Points: seriesURL(key.Unit, key.ECU, key.Test) + "/points.json", CSV: seriesURL(key.Unit, key.ECU, key.Test) + "/readings.csv",
		LastRead: moment{n.LastRead, zone}, LastFresh: moment{n.LastFresh, zone},
	}
	l := lensOf(r, zone)
	p.Lens, p.Around = l.fields(zone), s.deps.Background != nil
	for _, a := range list {
		if a.Unit == key.Unit && a.ECU == key.ECU && slices.Contains(a.Tests, key.Test) {
			p.Alerts = append(p.Alerts, a)
		}
	}
	c := s.chartOf(tr, zone)
	c.Score, c.From, c.To = true, l.From, l.To
	c.With, p.Lens.Fault = s.surround(r.Context(), key.Unit, ds, l.With)
	p.Lens.Fault = strings.TrimSpace(l.Fault + " " + p.Lens.Fault)
	if l.Peers == "yes" {
		c.Peers = s.peers(r.Context(), key, ds)
		if len(c.Peers) == 0 {
			p.Lens.Fault = strings.TrimSpace(p.Lens.Fault + " " + noPeers)
		}
	}
	p.With = c.With
	p.Points, p.CSV = p.Points+l.query(), p.CSV+l.query()
	if p.Around {
		p.PeersAt = seriesURL(key.Unit, key.ECU, key.Test) + "/peers.json"
	}
	c.W, c.H = 900, c.height(430)
	p.Chart = c.draw(ds)
	c.W, c.H = 340, c.height(400)
	p.Narrow = c.draw(ds)
	p.Caption = append(chartCaption(c, ds), n.Cohort.String())
	for i := len(ds) - 1; i >= 0; i-- {
		if l.Shows(ds[i].At) {
			if p.Within++; p.Within <= tableRows {
				p.Rows = append(p.Rows, pointRow{ds[i], moment{ds[i].At, zone}})
			}
		}
	}
	return s.show(w, r, http.StatusOK, "series", view{
		Title: "Unit " + key.Unit + ": " + p.Name, Nav: "units", Live: key.Unit, Body: p,
	})
}

// chartOf is the drawing of a series with everything but its size.
func (s *Server) chartOf(tr *analyze.Trace, zone *time.Location) chart {
	n := tr.Now
	c := chart{
		Unit: unitSign(n.UnitOfMeasure), Toward: n.Toward, Now: s.deps.Now(), Zone: zone, Crossing: n.Crossing, Threshold: n.Threshold,
		Label: fmt.Sprintf("%s of unit %s over time with its limit; the numbers are in the table of readings", s.testName(n.Key.Test), n.Key.Unit),
	}
	if sig := lastClaim(tr); sig != nil && sig.EndedAt.IsZero() && !sig.Evidence.Since.IsZero() {
		c.Since = sig.Evidence.Since
	}
	return c
}

// chartCaption says in words what the marks of the chart mean, only those that are drawn.
func chartCaption(c chart, ds []dot) []string {
	out := []string{"Dots are fresh results; a cross is a failed one. Shaded beyond the line is the failed side of the limit."}
	band := false
	for _, d := range ds {
		band = band || !math.IsNaN(d.Baseline) && !math.IsNaN(d.Spread)
	}
	if band {
		out = append(out, "The grey band is the healthy level, two spreads to either side.")
	}
	if len(c.Peers) > 0 {
		most := slices.MaxFunc(c.Peers, func(a, b PeerWeek) int { return a.Units - b.Units }).Units
		out = append(out, fmt.Sprintf("Behind it, with a thin line for their median: where the middle eight of ten of up to %d other units of the engine family lie each week, with the same test and limits.", most))
	}
	if c.Crossing != nil && !c.Crossing.P10.IsZero() {
		out = append(out, "The bar on the limit is when it is likely to be reached: from the early end (1 in 10) over the middle (diamond) to the late end (9 in 10).")
	}
	seen := 0
	for i, d := range ds {
		if i > 0 && d.Epoch != ds[i-1].Epoch {
			seen++
			words := fmt.Sprintf("Epoch %d begins on %s", d.Epoch, d.At.In(c.Zone).Format("2 Jan 2006"))
			switch prev := ds[i-1]; {
			case d.CalID != prev.CalID && d.CalID != "":
				words += ": calibration " + d.CalID
			case d.Min != prev.Min || d.Max != prev.Max:
				words += ": the limits changed"
			}
			if seen <= 6 {
				out = append(out, words+".")
			}
		}
		if i > 0 && d.Restart != "" && d.Epoch == ds[i-1].Epoch {
			if seen++; seen <= 6 {
				out = append(out, fmt.Sprintf("%s (short line): %s.", d.At.In(c.Zone).Format("2 Jan 2006"), d.Restart))
			}
		}
	}
	if seen > 6 {
		out = append(out, fmt.Sprintf("%d more of these are in the table.", seen-6))
	}
	return out
}
