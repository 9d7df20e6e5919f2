package dashboards

import (
	"cmp"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

type unitPage struct {
	Unit     fleet.Unit
	OnRoster bool
	Zone     *time.Location
	ZoneName string
	Facts    []fact
	State    condition
	Alerts   []alertRow // standing ones, most urgent first
	Past     []alertRow
	Axis     template.HTML
	Lane     template.HTML // what happened, on the axis of the trends
	Marks    []mark        // the same in words, the newest first
	NoFacts  bool          // nobody can tell what happened in the shop
	Orders   []orderLine
	Dates    []fact
	Ready    readiness
	Families []familyRows
	Idle     []seriesRow // series that cannot be watched: no limit, a constant, not run
	Codes    []codeRow
	NoCodes  bool // nobody can tell about codes
	VIN      string
}

// trendWidth is the width of the trends that share an axis, in units of the drawing.
const trendWidth = 320

type fact struct {
	Name  string
	Value any
}

type familyRows struct {
	Title string
	Worst float64
	Rows  []seriesRow
}

type seriesRow struct {
	analyze.Now
	Name     string
	Spark    template.HTML
	Left     float64
	Standing string
	Alerted  bool
	Fresh    moment
	Read     moment
	Window   string
}

type codeRow struct {
	Code
	First, Last moment
}

func (s *Server) unit(w http.ResponseWriter, r *http.Request) error {
	name, ctx := r.PathValue("unit"), r.Context()
	desk := s.deps.Desk(ctx)
	now := desk.Now
	u := s.deps.Roster.Unit(name)
	onRoster := u != nil
	states := s.deps.Series.Series(name)
	if !onRoster {
		if len(states) == 0 && s.deps.Series.LastPoll(name).IsZero() {
			return missing{"unit", name, "The list of units has every unit of the roster and every unit that reported."}
		}
		u = s.rostered(name)
	}
	all, err := s.deps.Book.List(ctx, true)
	if err != nil {
		return err
	}
	zone := s.zone(name)
	p := unitPage{Unit: *u, OnRoster: onRoster, Zone: zone, ZoneName: zone.String(), State: s.condition(name, now), VIN: u.VIN}
	alerted := map[series.Key]bool{}
	mine := slices.DeleteFunc(all, func(a alerts.Alert) bool { return a.Unit != name })
	for _, row := range s.rows(ctx, mine, desk) {
		if row.State == alerts.Closed || row.State == alerts.Withdrawn {
			p.Past = append(p.Past, row)
			continue
		}
		p.Alerts = append(p.Alerts, row)
		for _, t := range row.Tests {
			alerted[series.Key{Unit: name, ECU: row.ECU, Test: t}] = true
		}
	}
	traces, err := s.courses(ctx, name)
	if err != nil {
		return err
	}
	told, err := s.told(ctx, name)
	if err != nil {
		return err
	}
	p.NoCodes, p.NoFacts = s.deps.Codes == nil, s.deps.Facts == nil
	for _, c := range told.codes {
		p.Codes = append(p.Codes, codeRow{c, moment{c.First, zone}, moment{c.Last, zone}})
	}
	p.Marks = marksOf(told, traces, zone)
	p.Facts = s.unitFacts(u, told.use, moment{p.State.Last, zone}, now)
	p.Dates = unitDates(u, told.facts, desk)
	p.Ready = s.readyOf(u, states, traces, told, zone, now)
	if p.Orders, err = s.ordersOf(ctx, name, zone); err != nil {
		return err
	}
	axis := spark{From: now.Add(-trendLength), To: now, W: trendWidth, Label: "time axis of the trends"}
	p.Axis = axis.axis(zone)
	axis.Label, axis.Marks = "what happened to the unit, listed in words below", p.Marks
	p.Lane = axis.lane()
	s.families(&p, states, traces, alerted, now)
	return s.show(w, r, http.StatusOK, "unit", view{Title: "Unit " + name, Nav: "units", Live: name, Body: p})
}

// families groups the series of a unit by family, the worst first in both orders.
func (s *Server) families(p *unitPage, states []analyze.Now, traces map[series.Key]*analyze.Trace, alerted map[series.Key]bool, now time.Time) {
	groups := map[string]*familyRows{}
	for _, n := range states {
		row := seriesRow{
			Now: n, Name: s.testName(n.Key.Test), Left: leftNow(n), Standing: s.standing(n), Alerted: alerted[n.Key],
			Fresh: moment{n.LastFresh, p.Zone}, Read: moment{n.LastRead, p.Zone},
		}
		if n.State != series.StateOK {
			p.Idle = append(p.Idle, row)
			continue
		}
		if n.Crossing != nil {
			row.Window = window(limitOf(n.Crossing), p.Zone)
		}
		if tr := traces[n.Key]; tr != nil {
			var since time.Time
			if row.Alerted {
				since = n.Since
			}
			row.Spark = s.spark(tr, now, trendWidth, 40, since, p.Marks)
		}
		g := groups[n.Family]
		if g == nil {
			g = &familyRows{Title: familyTitle(n.Family), Worst: math.Inf(1)}
			groups[n.Family] = g
		}
		g.Rows = append(g.Rows, row)
		g.Worst = min(g.Worst, urgency(row))
	}
	for _, g := range groups {
		slices.SortFunc(g.Rows, func(a, b seriesRow) int {
			return cmp.Or(cmp.Compare(urgency(a), urgency(b)), strings.Compare(a.Key.String(), b.Key.String()))
		})
		p.Families = append(p.Families, *g)
	}
	slices.SortFunc(p.Families, func(a, b familyRows) int {
		return cmp.Or(cmp.Compare(a.Worst, b.Worst), strings.Compare(a.Title, b.Title))
	})
}

// urgency orders series: alerted ones first, then by what is left of the margin; unknown comes last.
func urgency(r seriesRow) float64 {
	u := r.Left
	if math.IsNaN(u) {
		u = 2
	}
	if r.Alerted {
		u -= 10
	}
	return u
}
