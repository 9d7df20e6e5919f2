package dashboards

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"marginline/alerts"
)

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
