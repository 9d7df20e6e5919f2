package dashboards

import (
	"context"
	"fmt"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/knowledge"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// The conditions a unit can be in, apart from its alerts. No data is never good news: a unit that sends
// nothing is silent, one whose tests do not run is not protected.
const (
	silent      = "silent"
	unprotected = "not protected"
	learning    = "learning"
	watched     = "watched"
)

type condition struct {
	Kind       string
	Text, Hint string
	Last       time.Time // newest report
	ReadToday  int       // tests read in the last 24 hours
	Watched    int       // series with a limit and a known healthy level
	Learning   int
	NotRun     int
}

// condition says how well a unit can be watched now.
func (s *Server) condition(unit string, now time.Time) condition {
	c := condition{Kind: watched, Last: s.deps.Series.LastPoll(unit)}
	if c.Last.IsZero() {
		c.Kind, c.Text, c.Hint = silent, "never reported", "Check that the dongle is plugged in, and that the roster names it for this unit."
		return c
	}
	var newestFresh time.Time
	for _, n := range s.deps.Series.Series(unit) {
		if now.Sub(n.LastRead) <= 24*time.Hour {
			c.ReadToday++
		}
		switch {
		case n.State == series.StateNotRun:
			c.NotRun++
		case n.State != series.StateOK:
		case n.Learning:
			c.Learning++
		default:
			c.Watched++
		}
		if n.LastFresh.After(newestFresh) {
			newestFresh = n.LastFresh
		}
	}
	limited := c.Watched + c.Learning + c.NotRun
	switch {
	case now.Sub(c.Last) > s.cfg.SilentAfter:
		c.Kind, c.Text = silent, "last report "+ago(c.Last, now)
		c.Hint = "Nothing is known of it since. Have the driver check that the dongle is seated."
	case limited == 0:
		c.Kind, c.Text = unprotected, "reports arrive, but no test of it carries a limit"
		c.Hint = "Its control units report no test results that can be watched."
	case c.Watched+c.Learning == 0:
		c.Kind, c.Text = unprotected, fmt.Sprintf("none of its %s has run since codes were cleared", plural(c.NotRun, "test", "tests"))
		c.Hint = "Readiness is lost too: keep it away from an inspection until the tests have run."
	case now.Sub(newestFresh) > s.cfg.QuietAfter:
		c.Kind, c.Text = unprotected, "reports arrive, but its newest test result is "+ago(newestFresh, now)
		c.Hint = "Its use may never meet the conditions of the tests: cold starts, fuel level, steady driving."
	case c.Watched == 0:
		c.Kind = learning
		c.Text = fmt.Sprintf("%s still learning the healthy level, none is watched yet", plural(c.Learning, "test is", "tests are"))
	}
	return c
}

// rostered is a unit as the roster knows it, or just its name where the roster does not.
func (s *Server) rostered(name string) *fleet.Unit {
	if u := s.deps.Roster.Unit(name); u != nil {
		return u
	}
	u := fleet.NewUnit(name)
	return &u
}

// courses are the series of a unit in the units of the reader; none where the roster does not have it, since only units of the roster
// are watched.
func (s *Server) courses(ctx context.Context, unit string) (map[series.Key]*analyze.Trace, error) {
	if s.deps.Roster.Unit(unit) == nil {
		return nil, nil
	}
	by, err := s.traces.unit(ctx, unit)
	return s.allShown(by), err
}

// advice is what to do about an alert, in words.
func advice(a *alerts.Alert, u *fleet.Unit, desk *alerts.Desk) string {
	switch a.State {
	case alerts.Ordered:
		return "The work order is made: see that the unit gets to the shop."
	case alerts.Verifying:
		return "Repaired; waiting for the test to run again."
	case alerts.Closed, alerts.Withdrawn:
		return "Nothing: it is over."
	}
	return plainDays(desk.Advise(a, u).Words)
}

// wait is what follows if nothing is done, in the words of the trade for that family.
func (s *Server) wait(a alerts.Alert, u *fleet.Unit) string {
	e := knowledge.Builtin().For(a.Family, first(a.Tests))
	words := e.Wait
	if strings.EqualFold(u.Fuel, "diesel") && e.WaitDiesel != "" {
		words = e.WaitDiesel
	}
	if words == "" || a.Consequence == alerts.Stop || a.Kind == analyze.NotRunning || strings.Contains(a.Reason, words) {
		return classOf(a.Consequence).Wait
	}
	return words
}

// first is the test that raised an alert.
func first(tests []string) string {
	if len(tests) == 0 {
		return ""
	}
	return tests[0]
}
