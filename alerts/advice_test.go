package alerts

import (
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/alerts/schedule"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

func advised(a Alert, u fleet.Unit, now time.Time) Advice { return (&Desk{Now: now}).Advise(&a, &u) }

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
		"later than the service":            {RoadCall, analyze.Drift, 20, 9, none, RideAlong, "Inspect at the PM service due 2026-03-11, before 2026-03-22, the earliest likely date.", 20},
		"later, cost":                       {Cost, analyze.Drift, 20, 9, none, RideAlong, "PM service due 2026-03-11", 20},
		"just later: three days are needed": {RoadCall, analyze.Drift, 12, 9, none, PullForward, "forward to before 2026-03-14", 12},
		"later by more than three days":     {RoadCall, analyze.Drift, 13, 9, none, RideAlong, "PM service due 2026-03-11", 13},
		"story: pulled forward":             {Compliance, analyze.Drift, 6, 9, 31, PullForward, "Pull the PM service due 2026-03-11 forward to before 2026-03-08", 6},
		"story: before a long run":          {RoadCall, analyze.Drift, 4, 31, none, OwnVisit, "Own visit before 2026-03-06, the earliest likely date.", 4},
		"edge of the early window":          {RoadCall, analyze.Drift, 22, 31, none, OwnVisit, "Own visit before 2026-03-24, the earliest likely date.", 22},
		"inside the early window":           {RoadCall, analyze.Drift, 23, 31, none, PullForward, "forward", 23},
		"no roster facts":                   {RoadCall, analyze.Drift, 4, none, none, OwnVisit, "Own visit before 2026-03-06, the earliest likely date.", 4},
		"cost, service too far":             {Cost, analyze.Drift, 4, 31, none, AcceptRisk, "knowingly accept the risk until the PM service due 2026-04-02", 4},
		"cost, inside the window":           {Cost, analyze.Drift, 25, 31, none, PullForward, "forward", 25},
		"no bound, service near":            {Cost, analyze.Drift, none, 20, none, RideAlong, "Inspect at the PM service due 2026-03-22", 20},
		"no bound, service far":             {Cost, analyze.Drift, none, 60, none, Within30, "within 30 days or at the next PM service, whichever is first", 30},
		"no bound, no service":              {RoadCall, analyze.Jump, none, none, none, Within30, "within 30 days", 30},
		"overdue service":                   {RoadCall, analyze.Drift, 20, -5, none, RideAlong, "PM service due 2026-03-02", 20},
		"the date is reached":               {RoadCall, analyze.Drift, -1, 9, none, OwnVisit, "Bring it in now: the earliest likely date is reached", -1},
		"inspection comes first":            {Compliance, analyze.Drift, 200, 60, 40, OwnVisit, "Own visit before 2026-03-28, the inspection of 2026-04-11 less two weeks.", 26},
		"inspection, no bound":              {Compliance, analyze.Drift, none, none, 40, OwnVisit, "Own visit before 2026-03-28, the inspection of 2026-04-11 less two weeks.", 26},
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
		v := advised(a, unit(c.service, c.inspection), on(0))
		if v.Action != c.want || !strings.Contains(v.Words, c.words) {
			t.Errorf("%s: %s, %q; want %s, %q", name, v.Action, v.Words, c.want, c.words)
		}
		switch {
		case (v.By == nil) != (c.by == none):
			t.Errorf("%s: by %v", name, v.By)
		case v.By != nil && c.by != 0.001 && *v.By != shop.DayOf(on(c.by), time.UTC):
			t.Errorf("%s: by %v, want day %v", name, v.By, c.by)
		}
	}
}

// Advice and plan count the PM service alike: by the unit's own use where that comes first, with the early window of the shop
// file. The service is due on day 60 by days; 1,000 of 10,000 km are left at 100 km a day, so it is due on day 10.
func TestAdviceCountsAsThePlanDoes(t *testing.T) {
	u := fleet.NewUnit("217")
	u.Depot, u.PMIntervalDays, u.PMLast, u.PMIntervalKm, u.PMLastKm = "north", 90, on(-30), 10000, 50000
	a := Alert{Unit: "217", Consequence: RoadCall, Kind: analyze.Drift, LimitAt: &Limit{P10: ptr(on(8))}, State: Open, Tests: []string{"m3c.t01"}, ID: "a1"}
	always := map[string]float64{"sun": 8, "mon": 8, "tue": 8, "wed": 8, "thu": 8, "fri": 8, "sat": 8}
	file := &shop.File{Depots: []shop.Depot{{Name: "north", Bays: []shop.Bay{{Name: "1"}}, Technicians: []shop.Technician{{Name: "A"}}, Open: always, EarlyShare: 0.10, ServiceH: 2}}}
	use := Usage{OdometerKm: 59000, KmPerDay: 100, At: on(0)}
	for name, c := range map[string]struct {
		use   Usage
		early float64
		want  Action
		kind  schedule.Kind
	}{
		"by days":                        {Usage{}, 0.10, OwnVisit, schedule.OwnVisit},
		"by use":                         {use, 0.10, PullForward, schedule.PullForward},
		"by use, outside a small window": {use, 0.01, OwnVisit, schedule.OwnVisit},
		"by days, a wide window":         {Usage{}, 0.60, PullForward, schedule.PullForward},
	} {
		file.Depots[0].EarlyShare = c.early
		d := Desk{Now: on(0), Days: 84, Units: []fleet.Unit{u}, Alerts: []Alert{a}, File: file, Usage: func(string) Usage { return c.use }}
		p, err := d.Plan()
		if err != nil {
			t.Fatal(name, err)
		}
		i := slices.IndexFunc(p.Visits, func(v schedule.Visit) bool { return v.Job == "a1" })
		if i < 0 || p.Visits[i].Kind != c.kind {
			t.Errorf("%s: plan %+v", name, p)
		}
		if v := d.Advise(&a, &u); v.Action != c.want {
			t.Errorf("%s: advice %+v, want %s", name, v, c.want)
		}
	}
}
