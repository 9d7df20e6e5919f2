package dashboards

import (
	"slices"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// A readiness is how far the tests of a unit have run since codes were cleared, as its test results tell. The
// vehicle's own readiness bits are not kept; a monitor may be complete by them before a result is read.
type readiness struct {
	Since    string   // how long ago codes were cleared by the vehicle's counters; "" where it is not known
	Missing  []string // families with a test that has not run since
	Run      int      // families whose tests have all run
	Forecast *alerts.Forecast
	Waited   []readyFamily // those of the forecast that have not run, the earliest first
}

// A readyFamily is a family that has still to run, and by when it should have.
type readyFamily struct {
	Title    string
	Expected moment // zero where nobody can say
}

func (s *Server) readyOf(u *fleet.Unit, states []analyze.Now, courses map[series.Key]*analyze.Trace, t tale, zone *time.Location, now time.Time) readiness {
	var r readiness
	run := map[string]bool{}
	for _, n := range states {
		title := familyTitle(n.Family)
		switch n.State {
		case series.StateNotRun:
			run[title] = false
		case series.StateOK:
			if _, known := run[title]; !known {
				run[title] = true
			}
		}
	}
	for title, ok := range run {
		if ok {
			r.Run++
		} else {
			r.Missing = append(r.Missing, title)
		}
	}
	slices.Sort(r.Missing)
	switch use := t.use; {
	case use.WarmupsSinceClear >= 255: // the counter holds at its end (SAE J1979 PID 30, one byte)
		r.Since = "255 warm-up cycles ago or more"
	case use.WarmupsSinceClear >= 0:
		r.Since = plural(int(use.WarmupsSinceClear), "warm-up cycle ago", "warm-up cycles ago")
	}
	if t.use.KmSinceClear >= 0 {
		if r.Since != "" {
			r.Since += ", "
		}
		r.Since += s.measure(t.use.KmSinceClear, "km") + " ago"
	}
	r.Forecast = alerts.Foresee(*u, alerts.LastClear(t.facts, t.use.Clears, t.use.WarmupsSinceClear, t.use.KmSinceClear), courses, now)
	if r.Forecast != nil {
		for _, f := range r.Forecast.Families {
			if !f.Ran {
				w := readyFamily{Title: familyTitle(f.Family)}
				if f.Expected != nil {
					w.Expected = moment{*f.Expected, zone}
				}
				r.Waited = append(r.Waited, w)
			}
		}
		slices.SortStableFunc(r.Waited, func(a, b readyFamily) int {
			if a.Expected.IsZero() != b.Expected.IsZero() {
				if a.Expected.IsZero() {
					return 1
				}
				return -1
			}
			return a.Expected.At.Compare(b.Expected.At)
		})
	}
	return r
}
