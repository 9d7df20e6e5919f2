package alerts

import (
	"fmt"
	"time"

	"marginline/analyze"
	"marginline/ingest/fleet"
)

// An Action is what to do about an alert.
type Action string

// The actions.
const (
	Hold        Action = "hold"         // do not dispatch
	RepairNow   Action = "repair_now"   // a code is stored, or the next failed run sets it
	OwnVisit    Action = "own_visit"    // before By
	PullForward Action = "pull_forward" // the PM service, to before By
	RideAlong   Action = "ride_along"   // with the PM service of At
	Within30    Action = "within_30"    // days, or at the PM service, whichever is first
	AcceptRisk  Action = "accept_risk"  // knowingly wait for the PM service of At
	FindOut     Action = "find_out"     // why the test does not run
	Watch       Action = "watch"
)

// Advice is a proposal for a visit from roster facts alone. Bays, hours and skills are no part of it.
type Advice struct {
	Action Action     `json:"action"`
	By     *time.Time `json:"by"` // be done before; nil when nothing gives a date
	At     *time.Time `json:"at"` // of the PM service it goes with
	Words  string     `json:"words"`
}

// Common practice, no source: how close to the early end of a forecast a PM service may lie, which part of
// its interval a service may come early, how soon to look when there is no date, and how long before an
// inspection a repair has to be done so that the test can run again.
const (
	servicePad  = 3 * 24 * time.Hour
	earlyShare  = 0.10
	lookWithin  = 30 * 24 * time.Hour
	retestAhead = 14 * 24 * time.Hour
)

// Advise proposes a visit:
//
//	stop                                    do not dispatch
//	a stored code, a failed test            repair now
//	early end after the PM service + 3 days ride along
//	earlier, road call or compliance        pull the PM service forward when that is inside the last tenth
//	                                        of its interval, else an own visit
//	earlier, cost                           pull forward likewise, else accept the risk knowingly
//	no date                                 within 30 days or at the PM service, whichever is first
//
// The early end is the forecast's, or for compliance the inspection less two weeks when that is sooner.
// The PM service is the next one by days. now is given, not read from a clock.
func Advise(a Alert, u fleet.Unit, now time.Time) Advice {
	zone := zoneOf(u.TimeZone)
	switch {
	case a.Consequence == Stop:
		return Advice{Action: Hold, By: &now, Words: "Do not dispatch this unit; call the manager and the shop now."}
	case a.Kind == analyze.Surprise:
		return Advice{Action: RepairNow, By: &now, Words: "A code is stored, so this is a repair: read and save the codes, then book it now."}
	case a.Kind == analyze.Failed:
		return Advice{Action: RepairNow, By: &now, Words: "The next failed run sets the code, if it is not stored already: bring it in now."}
	case a.Kind == analyze.NotRunning:
		return Advice{Action: FindOut, Words: "Find out why the test does not run: fuel level, soak, kind of trips, or another fault that blocks it."}
	case a.Consequence == Note:
		return Advice{Action: Watch, Words: "Watch; nothing to do yet."}
	}
	service, by := nextService(u, now), bound(a, u, now)
	v := Advice{By: by, At: service}
	on := func(t time.Time) string { return t.In(zone).Format(time.DateOnly) }
	switch {
	case by == nil && service != nil && !service.After(now.Add(lookWithin)):
		v.Action, v.By, v.Words = RideAlong, service, fmt.Sprintf("Inspect at the PM service due %s; there is not enough evidence for a date.", on(*service))
	case by == nil:
		end := now.Add(lookWithin)
		v.Action, v.At, v.By = Within30, nil, &end
		v.Words = "Inspect within 30 days or at the next PM service, whichever is first; there is not enough evidence for a date."
	case !by.After(now):
		v.Action, v.At, v.Words = OwnVisit, nil, "Bring it in now: the earliest likely date is reached."
	case service != nil && by.After(service.Add(servicePad)):
		v.Action, v.Words = RideAlong, fmt.Sprintf("Inspect at the PM service due %s, before the earliest likely date %s.", on(*service), on(*by))
	case service != nil && earliestService(u, *service).Before(*by):
		v.Action, v.Words = PullForward, fmt.Sprintf("Pull the PM service due %s forward to before %s and inspect along with it.", on(*service), on(*by))
	case service != nil && a.Consequence == Cost:
		v.Action, v.Words = AcceptRisk, fmt.Sprintf("Own visit before %s, or knowingly accept the risk of a code until the PM service due %s.", on(*by), on(*service))
	default:
		v.Action, v.At, v.Words = OwnVisit, nil, fmt.Sprintf("Own visit before %s.", on(*by))
	}
	return v
}

// bound is the day before which the visit should be; nil when there is none.
func bound(a Alert, u fleet.Unit, now time.Time) *time.Time {
	by := a.earliest()
	if a.Consequence == Compliance && u.InspectionDue.After(now) {
		if early := latest(now, u.InspectionDue.Add(-retestAhead)); by == nil || early.Before(*by) {
			by = &early
		}
	}
	return by
}

// nextService is the next PM service by days, today's included when it is overdue; nil where the roster
// does not tell.
func nextService(u fleet.Unit, now time.Time) *time.Time {
	if u.PMLast.IsZero() || !(u.PMIntervalDays >= 1) {
		return nil
	}
	t := latest(u.PMLast.AddDate(0, 0, int(u.PMIntervalDays)), now)
	return &t
}

// earliestService is how early a service due then may be done.
func earliestService(u fleet.Unit, due time.Time) time.Time {
	return due.Add(-time.Duration(earlyShare * u.PMIntervalDays * 24 * float64(time.Hour)))
}
