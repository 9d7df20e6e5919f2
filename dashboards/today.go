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
	"marginline/dashboards/people"
	"marginline/ingest/series"
)

// trendLength is how far back the small trends reach.
const trendLength = 26 * 7 * 24 * time.Hour

type todayPage struct {
	Now         time.Time
	Decide      []alertRow // open: somebody has to decide
	Changes     []news     // since yesterday
	Dates       []dateRow  // inspections ahead of units that are not fit for one
	Surprises   []alertRow
	InHand      []alertRow // acknowledged, ordered, being verified
	Aside       []alertRow // explained or muted
	Unprotected []watchRow // units of which no test runs, as the fleet page counts them
	Idle        []watchRow // single tests that do not run, of other units
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
	NoTrend  string // why there is no trend
	Brief    bool   // the first sentence is enough
}

// A watchRow is one unit about which there is something to say besides alerts.
type watchRow struct {
	Unit, Depot, Text, Hint string
	At                      moment
}

func (s *Server) today(w http.ResponseWriter, r *http.Request) error {
	if !people.From(r.Context()).May(people.Look) { // a shop has its orders
		http.Redirect(w, r, "/orders", http.StatusSeeOther)
		return nil
	}
	all, err := s.deps.Book.List(r.Context(), true)
	if err != nil {
		return err
	}
	desk := s.deps.Desk(r.Context())
	p := todayPage{Now: desk.Now}
	if p.Changes, err = s.lately(r.Context(), all, p.Now.Add(-dayBack)); err != nil {
		return err
	}
	list := slices.DeleteFunc(all, func(a alerts.Alert) bool { return !a.State.Standing() })
	named, trouble := map[string]bool{}, map[string]string{}
	for _, row := range s.rows(r.Context(), list, desk) {
		row.Brief = true
		if row.Consequence != alerts.Note && row.State != alerts.Explained && row.State != alerts.Muted && trouble[row.Unit] == "" {
			trouble[row.Unit] = "an alert stands: " + familyTitle(row.Family)
		}
		switch {
		case row.Kind == analyze.NotRunning:
			hint := "See which conditions the test needs, and whether the unit's use ever meets them."
			p.Idle = append(p.Idle, watchRow{Unit: row.Unit, Depot: row.Depot, Text: row.Reason, Hint: hint, At: row.Raised})
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
	s.survey(&p, named, trouble)
	p.Dates = s.ahead(p.Now, trouble)
	if s.deps.Health != nil {
		if p.Quarantined, err = s.deps.Health.Quarantined(r.Context()); err != nil {
			return err
		}
	}
	return s.show(w, r, http.StatusOK, "today", view{Title: "Today", Nav: "today", Live: "*", Body: p})
}

// A page must not wait for a whole fleet to be folded: only so many rows of a list have their trend, and
// after so long only those that are kept already. The page asks again for the others by itself.
const (
	trendRows = 60
	trendTime = 600 * time.Millisecond
)

// rows dresses alerts for a list: words, dates in the depot's zone, and the small trend.
func (s *Server) rows(ctx context.Context, list []alerts.Alert, desk *alerts.Desk) []alertRow {
	rows, end := make([]alertRow, len(list)), time.Now().Add(trendTime)
	var g errgroup.Group
	g.SetLimit(4)
	for i, a := range list {
		g.Go(func() error {
			rows[i] = s.row(a, desk)
			s.trend(ctx, &rows[i], desk.Now, i < trendRows, end)
			return nil
		})
	}
	_ = g.Wait() // a trend that cannot be drawn is said in its row
	return rows
}

func (s *Server) row(a alerts.Alert, desk *alerts.Desk) alertRow {
	now := desk.Now
	zone := s.zone(a.Unit)
	u := s.rostered(a.Unit)
	row := alertRow{
		Alert: a, Class: classOf(a.Consequence), Depot: u.Depot, Zone: zone,
		Window: window(a.LimitAt, zone), Due: due(a.LimitAt, now), Advice: advice(&a, u, desk), Wait: s.wait(a, u),
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
	return row
}

// trend draws the small trend of a row, or says why there is none.
func (s *Server) trend(ctx context.Context, row *alertRow, now time.Time, wanted bool, end time.Time) {
	switch {
	case row.Kind == analyze.Surprise:
		row.NoTrend = "no trend: it came without warning"
		return
	case len(row.Tests) == 0:
		row.NoTrend = "no trend: no test is behind it"
		return
	case !wanted:
		row.NoTrend = "the trend is on its page"
		return
	case time.Now().After(end) && !s.traces.kept(row.Unit):
		row.NoTrend = trendFollows
		return
	}
	row.NoTrend = "trend not available"
	by, err := s.courses(ctx, row.Unit)
	if err != nil {
		s.log.Warn("trend", "unit", row.Unit, "err", err)
		return
	}
	if tr := by[series.Key{Unit: row.Unit, ECU: row.ECU, Test: row.Tests[0]}]; tr != nil {
		row.Spark = s.spark(tr, now, 168, 52, row.Since.At, nil)
	}
}

// trendFollows is what stands in a row whose trend is not drawn yet; the script then asks again.
const trendFollows = "the trend follows"

// spark is the small trend of a series over the common stretch of time.
func (s *Server) spark(tr *analyze.Trace, now time.Time, w, h float64, since time.Time, marks []mark) template.HTML {
	ds := dots(tr)
	words := "no fresh result yet"
	if n := len(ds); n > 0 {
		words = "from " + percent(min(1, ds[0].Left)) + " to " + percent(min(1, ds[n-1].Left)) + " of the margin left, " + plural(n, "fresh result", "fresh results")
	}
	return spark{From: now.Add(-trendLength), To: now, W: w, H: h, Since: since, Marks: marks,
		Label: "Margin of " + s.testName(tr.Now.Key.Test) + ": " + words}.draw(ds)
}

// survey finds what is to be said of the units that no alert names, and counts the quiet ones.
func (s *Server) survey(p *todayPage, named map[string]bool, trouble map[string]string) {
	units := slices.Clone(s.deps.Series.Units())
	for _, u := range s.deps.Roster.Units() {
		units = append(units, u.Unit)
	}
	slices.SortFunc(units, strings.Compare)
	units = slices.Compact(units)
	p.Units = len(units)
	none := map[string]bool{} // units of which no test runs: their single tests need no word of their own
	for _, name := range units {
		u := s.rostered(name)
		zone := s.zone(name)
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
			trouble[name] = "the unit is silent"
			if fell := c.Last.Add(s.cfg.SilentAfter); !c.Last.IsZero() && fell.After(p.Now.Add(-dayBack)) {
				p.Changes = append(p.Changes, news{Unit: name, Depot: u.Depot, Word: "silent", Text: "Fell silent: " + c.Text + ".", Href: unitURL(name), At: moment{fell, zone}})
			}
		case c.Kind == unprotected:
			p.Unprotected = append(p.Unprotected, row)
			if trouble[name] == "" {
				trouble[name] = "its tests do not run"
			}
			none[name] = true
		case named[name]:
		case c.Kind == learning:
			p.Learning = append(p.Learning, row)
		default:
			p.Quiet++
			p.TestsRead += c.ReadToday
		}
	}
	p.Idle = slices.DeleteFunc(p.Idle, func(r watchRow) bool { return none[r.Unit] })
	sortNews(p.Changes)
	slices.SortStableFunc(p.Silent, func(a, b watchRow) int { return a.At.At.Compare(b.At.At) })
}
