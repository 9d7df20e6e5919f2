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
	key, tr, err := s.trace(r)
	if err != nil {
		return err
	}
	zone := s.zone(key.Unit)
	c, ds := s.chartOf(tr, zone), dots(tr)
	with, _ := s.surround(r.Context(), key.Unit, ds, lensOf(r, zone).With)
	lo, hi, showMin, showMax := c.values(ds)
	type point struct {
		At       time.Time  `json:"at"`
		Epoch    int        `json:"epoch"`
		Value    *float64   `json:"value"`
		Min      *float64   `json:"min"`
		Max      *float64   `json:"max"`
		Margin   *float64   `json:"margin"`
		Baseline *float64   `json:"baseline"`
		Spread   *float64   `json:"spread"`
		Score    *float64   `json:"score"`
		Failed   bool       `json:"failed"`
		Restart  string     `json:"restart,omitempty"`
		With     []*float64 `json:"with,omitempty"`
	}
	type condition struct {
		Column string `json:"column"`
		Name   string `json:"name"`
		Unit   string `json:"unit"`
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
		With      []condition   `json:"with"`
		Points    []point       `json:"points"`
	}{
		Unit: c.Unit, Name: s.testName(tr.Now.Key.Test), Zone: zone.String(), Toward: c.Toward, Now: c.Now, Low: lo, High: hi,
		ShowMin: showMin, ShowMax: showMax, Threshold: known(c.Threshold), Crossing: limitOf(c.Crossing), With: []condition{}, Points: make([]point, 0, len(ds)),
	}
	if !c.Since.IsZero() {
		out.Since = &c.Since
	}
	for _, q := range with {
		out.With = append(out.With, condition{q.Column, q.Name, unitSign(q.UCUM)})
	}
	for _, d := range ds {
		p := point{d.At, d.Epoch, known(d.Value), known(d.Min), known(d.Max), known(d.Margin),
			known(d.Baseline), known(d.Spread), known(d.Score), d.Failed, d.Restart, nil}
		for _, v := range d.With {
			p.With = append(p.With, known(v))
		}
		out.Points = append(out.Points, p)
	}
	return answerJSON(w, out)
}

// peersFile answers with the peers of a series, for the interactive drawing.
func (s *Server) peersFile(w http.ResponseWriter, r *http.Request) error {
	key, tr, err := s.trace(r)
	if err != nil {
		return err
	}
	type week struct {
		From  time.Time `json:"from"`
		Units int       `json:"units"`
		Low   float64   `json:"low"`
		Mid   float64   `json:"mid"`
		High  float64   `json:"high"`
	}
	out := []week{}
	for _, p := range s.peers(r.Context(), key, dots(tr)) {
		out = append(out, week(p))
	}
	return answerJSON(w, out)
}

// answerJSON writes what the script reads.
func answerJSON(w http.ResponseWriter, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("numbers for the script: %w", err)
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
	sign, ds := tr.Now.UnitOfMeasure, dots(tr)
	with, _ := s.surround(r.Context(), key.Unit, ds, lensOf(r, time.UTC).With)
	head := []string{"read_at", "unit", "ecu", "test", "epoch", "cal_id", "value [" + sign + "]", "min [" + sign + "]", "max [" + sign + "]",
		"margin", "baseline [" + sign + "]", "spread [" + sign + "]", "score", "failed"}
	for _, q := range with {
		head = append(head, q.Name+" ["+q.UCUM+"]")
	}
	_ = out.Write(head)
	for _, d := range ds {
		line := []string{
			d.At.UTC().Format(time.RFC3339), harmless(key.Unit), harmless(key.ECU), harmless(key.Test), strconv.Itoa(d.Epoch), harmless(d.CalID),
			plain(d.Value), plain(d.Min), plain(d.Max), plain(d.Margin), plain(d.Baseline), plain(d.Spread), plain(d.Score), strconv.FormatBool(d.Failed),
		}
		for _, v := range d.With {
			line = append(line, plain(v))
		}
		_ = out.Write(line)
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
