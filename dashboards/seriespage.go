package dashboards

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"strconv"
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
}

type pointRow struct {
	dot
	When moment
}

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
		Left: leftNow(n), Standing: standing(n), Sign: unitSign(n.UnitOfMeasure), Why: s.why(tr, zone),
		Total: len(ds), Repeats: tr.Repeats, Window: window(limitOf(n.Crossing), zone),
		Points: seriesURL(key.Unit, key.ECU, key.Test) + "/points.json", CSV: seriesURL(key.Unit, key.ECU, key.Test) + "/readings.csv",
		LastRead: moment{n.LastRead, zone}, LastFresh: moment{n.LastFresh, zone},
	}
	for _, a := range list {
		if a.Unit == key.Unit && a.ECU == key.ECU && contains(a.Tests, key.Test) {
			p.Alerts = append(p.Alerts, a)
		}
	}
	c := s.chartOf(tr, zone)
	c.Score = true
	c.W, c.H = 900, 430
	p.Chart = c.draw(ds)
	c.W, c.H = 340, 400
	p.Narrow = c.draw(ds)
	p.Caption = chartCaption(c, ds)
	for i := len(ds) - 1; i >= 0 && len(p.Rows) < tableRows; i-- {
		p.Rows = append(p.Rows, pointRow{ds[i], moment{ds[i].At, zone}})
	}
	return s.show(w, r, http.StatusOK, "series", view{
		Title: "Unit " + key.Unit + ": " + p.Name, Nav: "units", Live: key.Unit, Body: p,
	})
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
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
	}
	if seen > 6 {
		out = append(out, fmt.Sprintf("%d more epochs are in the table.", seen-6))
	}
	return out
}

// points answers with the numbers of the chart, as the interactive drawing takes them. The same dots fill
// the table; absent numbers are null.
func (s *Server) points(w http.ResponseWriter, r *http.Request) error {
	_, tr, err := s.trace(r)
	if err != nil {
		return err
	}
	zone := s.zone(tr.Now.Key.Unit)
	c, ds := s.chartOf(tr, zone), dots(tr)
	lo, hi, showMin, showMax := c.values(ds)
	type point struct {
		At       time.Time `json:"at"`
		Epoch    int       `json:"epoch"`
		Value    *float64  `json:"value"`
		Min      *float64  `json:"min"`
		Max      *float64  `json:"max"`
		Margin   *float64  `json:"margin"`
		Baseline *float64  `json:"baseline"`
		Spread   *float64  `json:"spread"`
		Score    *float64  `json:"score"`
		Failed   bool      `json:"failed"`
	}
	out := struct {
		Unit      string        `json:"unit"`
		Name      string        `json:"name"`
		Zone      string        `json:"zone"`
		Toward    string        `json:"toward"`
		Now       time.Time     `json:"now"`
		Since     *time.Time    `json:"since"`
		Low       float64       `json:"low"`
		High      float64       `json:"high"`
		ShowMin   bool          `json:"show_min"`
		ShowMax   bool          `json:"show_max"`
		Threshold *float64      `json:"threshold"`
		Crossing  *alerts.Limit `json:"crossing"`
		Points    []point       `json:"points"`
	}{
		Unit: c.Unit, Name: s.testName(tr.Now.Key.Test), Zone: zone.String(), Toward: c.Toward, Now: c.Now, Low: lo, High: hi,
		ShowMin: showMin, ShowMax: showMax, Threshold: known(c.Threshold), Crossing: limitOf(c.Crossing), Points: []point{},
	}
	if !c.Since.IsZero() {
		out.Since = &c.Since
	}
	for _, d := range ds {
		out.Points = append(out.Points, point{d.At, d.Epoch, known(d.Value), known(d.Min), known(d.Max), known(d.Margin),
			known(d.Baseline), known(d.Spread), known(d.Score), d.Failed})
	}
	b, err := json.Marshal(out)
	if err != nil {
		return fmt.Errorf("numbers of %s: %w", tr.Now.Key, err)
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-cache, private")
	_, _ = w.Write(b) // a reader that left is no failure of ours
	return nil
}

func known(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// readings answers with every fresh reading as CSV (RFC 4180), the oldest first, times in UTC. Text comes
// from outside: a cell that a spreadsheet would run as a formula gets an apostrophe in front.
func (s *Server) readings(w http.ResponseWriter, r *http.Request) error {
	key, tr, err := s.trace(r)
	if err != nil {
		return err
	}
	name := strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '.' || c == '-' {
			return c
		}
		return '_'
	}, key.Unit+"-"+key.ECU+"-"+key.Test) + ".csv"
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", "attachment; filename="+strconv.Quote(name)+"; filename*=UTF-8''"+url.PathEscape(name))
	out := csv.NewWriter(w)
	sign := tr.Now.UnitOfMeasure
	_ = out.Write([]string{"read_at", "unit", "ecu", "test", "epoch", "cal_id", "value [" + sign + "]", "min [" + sign + "]", "max [" + sign + "]",
		"margin", "baseline [" + sign + "]", "spread [" + sign + "]", "score", "failed"})
	for _, d := range dots(tr) {
		_ = out.Write([]string{
			d.At.UTC().Format(time.RFC3339), harmless(key.Unit), harmless(key.ECU), harmless(key.Test), strconv.Itoa(d.Epoch), harmless(d.CalID),
			plain(d.Value), plain(d.Min), plain(d.Max), plain(d.Margin), plain(d.Baseline), plain(d.Spread), plain(d.Score), strconv.FormatBool(d.Failed),
		})
	}
	out.Flush() // an error here means the reader left
	return nil
}

func harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

func plain(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}
