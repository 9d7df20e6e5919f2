package dashboards

import (
	"context"
	"html/template"
	"net/http"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/series"
)

// trendLength is how far back the small trends reach.
const trendLength = 26 * 7 * 24 * time.Hour

type todayPage struct {
	Now         time.Time
	Decide      []alertRow // open: somebody has to decide
	Surprises   []alertRow
	InHand      []alertRow // acknowledged, ordered, being verified
	Aside       []alertRow // explained or muted
	Unprotected []watchRow
	Silent      []watchRow
	Learning    []watchRow
	Quiet       int // units with reports and without any of the above
	TestsRead   int // tests of the quiet units read in the last day
	Units       int
	Reporting   int
	Quarantined int
	Newest      time.Time
	NewestUnit  string
}

// An alertRow is one alert as the lists show it.
type alertRow struct {
	alerts.Alert
	Class    class
	Depot    string
	Zone     *time.Location
	Spark    template.HTML
	Window   string
	Due      string
	Advice   string
	Wait     string // what follows if nothing is done
	Raised   moment
	LastPoll moment
	Since    moment
	Left     string
	Silent   string // "last report 3 days ago" where the unit is silent
}

// A watchRow is one unit about which there is something to say besides alerts.
type watchRow struct {
	Unit, Depot, Text, Hint string
	At                      moment
}

func (s *Server) today(w http.ResponseWriter, r *http.Request) error {
	list, err := s.deps.Book.List(r.Context(), false)
	if err != nil {
		return err
	}
	p := todayPage{Now: s.deps.Now()}
	rows := s.rows(r.Context(), list)
	named := map[string]bool{}
	for _, row := range rows {
		switch {
		case row.Kind == analyze.NotRunning:
			hint := "See which conditions the test needs, and whether the unit's use ever meets them."
			p.Unprotected = append(p.Unprotected, watchRow{Unit: row.Unit, Depot: row.Depot, Text: row.Reason, Hint: hint, At: row.Raised})
		case row.State == alerts.Explained || row.State == alerts.Muted:
			p.Aside = append(p.Aside, row)
		case row.Kind == analyze.Surprise:
			p.Surprises = append(p.Surprises, row)
		case row.State == alerts.Open:
			p.Decide = append(p.Decide, row)
		default:
			p.InHand = append(p.InHand, row)
		}
		named[row.Unit] = true
	}
	s.survey(&p, named)
	if s.deps.Health != nil {
		if p.Quarantined, err = s.deps.Health.Quarantined(r.Context()); err != nil {
			return err
		}
	}
	return s.show(w, r, http.StatusOK, "today", view{Title: "Today", Nav: "today", Live: "*", Body: p})
}

// rows dresses alerts for a list: words, dates in the depot's zone, and the small trend.
func (s *Server) rows(ctx context.Context, list []alerts.Alert) []alertRow {
	now := s.deps.Now()
	rows := make([]alertRow, len(list))
	var g errgroup.Group
	g.SetLimit(4)
	for i, a := range list {
		g.Go(func() error {
			rows[i] = s.row(ctx, a, now)
			return nil
		})
	}
	_ = g.Wait() // a trend that cannot be drawn is said in its row
	return rows
}

func (s *Server) row(ctx context.Context, a alerts.Alert, now time.Time) alertRow {
	zone := s.zone(a.Unit)
	u := s.rostered(a.Unit)
	row := alertRow{
		Alert: a, Class: classOf(a.Consequence), Depot: u.Depot, Zone: zone,
		Window: window(a.LimitAt, zone), Due: due(a.LimitAt, now), Advice: s.advice(a, u, now), Wait: s.wait(a, u),
		Raised: moment{a.RaisedAt, zone}, LastPoll: moment{s.deps.Series.LastPoll(a.Unit), zone},
	}
	switch {
	case a.Kind == analyze.Surprise:
		row.Window, row.Due = "a code is stored already", ""
	case a.Kind == analyze.Failed:
		row.Window, row.Due = "the next failed run sets the code", ""
	}
	if a.DriftSince != nil {
		row.Since = moment{*a.DriftSince, zone}
	}
	if a.Margin != nil {
		row.Left = percent(*a.Margin)
	}
	if last := row.LastPoll.At; now.Sub(last) > s.cfg.SilentAfter {
		row.Silent = "last report " + ago(last, now)
	}
	if len(a.Tests) == 0 || a.Kind == analyze.Surprise {
		return row
	}
	by, err := s.courses(ctx, a.Unit)
	if err != nil {
		s.log.Warn("trend", "unit", a.Unit, "err", err)
		return row
	}
	if tr := by[series.Key{Unit: a.Unit, ECU: a.ECU, Test: a.Tests[0]}]; tr != nil {
		row.Spark = s.spark(tr, now, 168, 52, row.Since.At)
	}
	return row
}

// spark is the small trend of a series over the common stretch of time.
func (s *Server) spark(tr *analyze.Trace, now time.Time, w, h float64, since time.Time) template.HTML {
	ds := dots(tr)
	words := "no fresh result yet"
	if n := len(ds); n > 0 {
		words = "from " + percent(ds[0].Left) + " to " + percent(ds[n-1].Left) + " of the margin left, " + plural(n, "fresh result", "fresh results")
	}
	return spark{From: now.Add(-trendLength), To: now, W: w, H: h, Since: since,
		Label: "Margin of " + s.testName(tr.Now.Key.Test) + ": " + words}.draw(ds)
}

// survey finds what is to be said of the units that no alert names, and counts the quiet ones.
func (s *Server) survey(p *todayPage, named map[string]bool) {
	units := slices.Clone(s.deps.Series.Units())
	for _, u := range s.deps.Roster.Units() {
		units = append(units, u.Unit)
	}
	slices.SortFunc(units, strings.Compare)
	units = slices.Compact(units)
	p.Units = len(units)
	for _, name := range units {
		u := s.rostered(name)
		zone := s.zones.named(u.TimeZone)
		c := s.condition(name, p.Now)
		if c.Last.After(p.Newest) {
			p.Newest, p.NewestUnit = c.Last, name
		}
		row := watchRow{Unit: name, Depot: u.Depot, Text: c.Text, Hint: c.Hint, At: moment{c.Last, zone}}
		if c.Kind != silent {
			p.Reporting++
		}
		switch {
		case c.Kind == silent:
			p.Silent = append(p.Silent, row)
		case named[name]:
		case c.Kind == unprotected:
			p.Unprotected = append(p.Unprotected, row)
		case c.Kind == learning:
			p.Learning = append(p.Learning, row)
		default:
			p.Quiet++
			p.TestsRead += c.ReadToday
		}
	}
	slices.SortStableFunc(p.Silent, func(a, b watchRow) int { return a.At.At.Compare(b.At.At) })
}
