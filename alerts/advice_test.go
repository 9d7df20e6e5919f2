package alerts

import (
	"strings"
	"testing"

	"marginline/analyze"
	"marginline/ingest/fleet"
)

// The table by which a visit is placed between the forecast and the PM service (common practice, no source).
// Now is day 0; a service is due on the given day, its interval is 90 days, so it may come 9 days early.
func TestAdvise(t *testing.T) {
	unit := func(service, inspection float64) fleet.Unit {
		u := fleet.NewUnit("217")
		if service != 0 {
			u.PMIntervalDays, u.PMLast = 90, on(service-90)
		}
		if inspection != 0 {
			u.InspectionDue = on(inspection)
		}
		return u
	}
	const none = 0
	for name, c := range map[string]struct {
		class               Consequence
		kind                analyze.Kind
		p10                 float64
		service, inspection float64
		want                Action
		words               string
		by                  float64 // 0 = nil
	}{
		"later than the service":            {RoadCall, analyze.Drift, 20, 9, none, RideAlong, "Inspect at the PM service due 2026-03-11, before the earliest likely date 2026-03-22.", 20},
		"later, cost":                       {Cost, analyze.Drift, 20, 9, none, RideAlong, "PM service due 2026-03-11", 20},
		"just later: three days are needed": {RoadCall, analyze.Drift, 12, 9, none, PullForward, "forward to before 2026-03-14", 12},
		"later by more than three days":     {RoadCall, analyze.Drift, 12.5, 9, none, RideAlong, "PM service due 2026-03-11", 12.5},
		"story: pulled forward":             {Compliance, analyze.Drift, 6, 9, 31, PullForward, "Pull the PM service due 2026-03-11 forward to before 2026-03-08", 6},
		"story: before a long run":          {RoadCall, analyze.Drift, 4, 31, none, OwnVisit, "Own visit before 2026-03-06.", 4},
		"edge of the early window":          {RoadCall, analyze.Drift, 22, 31, none, OwnVisit, "Own visit before 2026-03-24.", 22},
		"inside the early window":           {RoadCall, analyze.Drift, 22.5, 31, none, PullForward, "forward", 22.5},
		"no roster facts":                   {RoadCall, analyze.Drift, 4, none, none, OwnVisit, "Own visit before 2026-03-06.", 4},
		"cost, service too far":             {Cost, analyze.Drift, 4, 31, none, AcceptRisk, "knowingly accept the risk of a code until the PM service due 2026-04-02", 4},
		"cost, inside the window":           {Cost, analyze.Drift, 25, 31, none, PullForward, "forward", 25},
		"no bound, service near":            {Cost, analyze.Drift, none, 20, none, RideAlong, "Inspect at the PM service due 2026-03-22", 20},
		"no bound, service far":             {Cost, analyze.Drift, none, 60, none, Within30, "within 30 days or at the next PM service, whichever is first", 30},
		"no bound, no service":              {RoadCall, analyze.Jump, none, none, none, Within30, "within 30 days", 30},
		"overdue service":                   {RoadCall, analyze.Drift, 20, -5, none, RideAlong, "PM service due 2026-03-02", 20},
		"the date is reached":               {RoadCall, analyze.Drift, -1, 9, none, OwnVisit, "Bring it in now", -1},
		"inspection comes first":            {Compliance, analyze.Drift, 200, 60, 40, OwnVisit, "Own visit before 2026-03-28.", 26},
		"inspection, no bound":              {Compliance, analyze.Drift, none, none, 40, OwnVisit, "Own visit before 2026-03-28.", 26},
		"failed":                            {Cost, analyze.Failed, none, 9, none, RepairNow, "bring it in now", 0.001},
		"surprise":                          {Cost, analyze.Surprise, none, 9, none, RepairNow, "read and save the codes", 0.001},
		"stop":                              {Stop, analyze.Failed, none, 9, none, Hold, "Do not dispatch", 0.001},
		"not running":                       {Note, analyze.NotRunning, none, 9, none, FindOut, "why the test does not run", none},
		"note":                              {Note, analyze.Drift, 20, 9, none, Watch, "Watch", none},
	} {
		a := Alert{Consequence: c.class, Kind: c.kind}
		if c.p10 != none {
			a.LimitAt = &Limit{P10: ptr(on(c.p10))}
		}
		v := Advise(a, unit(c.service, c.inspection), on(0))
		if v.Action != c.want || !strings.Contains(v.Words, c.words) {
			t.Errorf("%s: %s, %q; want %s, %q", name, v.Action, v.Words, c.want, c.words)
		}
		switch {
		case (v.By == nil) != (c.by == none):
			t.Errorf("%s: by %v", name, v.By)
		case v.By != nil && c.by != 0.001 && !v.By.Equal(on(c.by)):
			t.Errorf("%s: by %v, want day %v", name, v.By, c.by)
		}
	}
}
