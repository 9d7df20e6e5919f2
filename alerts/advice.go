package alerts

import (
	"fmt"
	"time"

	"marginline/alerts/schedule"
	"marginline/alerts/shop"
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

// Advice is a proposal for a visit from what is known of the unit alone. It counts the next PM service, its early window and
// the bound as the plan does; bays, hours and skills are the plan's.
type Advice struct {
	Action Action
	By     *shop.Day // be done before; nil when nothing gives a date
	At     *shop.Day // of the PM service it goes with
	Words  string
}

// retestAhead is how long before an inspection a repair has to be done so that the test can run again (common practice, no
// source).
const retestAhead = 14 * 24 * time.Hour

// Advise proposes a visit for one alert, by the rules of the plan:
//
//	stop                                    do not dispatch
//	a stored code, a failed test            repair now
//	bound after the PM service + 3 days     ride along
//	earlier, road call or compliance        pull the PM service forward when that is inside its early window,
//	                                        else an own visit
//	earlier, cost                           pull forward likewise, else accept the risk knowingly
//	no bound                                within 30 days or at the PM service, whichever is first
//
// The bound is that of the plan: the early end of the forecast, or an inspection or warranty date that is sooner.
func (d *Desk) Advise(a *Alert, u *fleet.Unit) Advice {
	today := shop.DayOf(d.Now, d.zone(u))
	switch {
	case a.Consequence == Stop:
		return Advice{Action: Hold, By: &today, Words: "Do not dispatch this unit; call the manager and the shop now."}
	case a.Kind == analyze.Surprise:
		return Advice{Action: RepairNow, By: &today, Words: "A code is stored, so this is a repair: read and save the codes, then book it now."}
	case a.Kind == analyze.Failed:
		return Advice{Action: RepairNow, By: &today, Words: "The next failed run sets the code, if it is not stored already: bring it in now."}
	case a.Kind == analyze.NotRunning:
		return Advice{Action: FindOut, Words: "Find out why the test does not run: fuel level, soak, kind of trips, or another fault that blocks it."}
	case a.Consequence == Note:
		return Advice{Action: Watch, Words: "Watch; nothing to do yet."}
	}
	var by *shop.Day
	t, why := d.bound(a, d.knowledge().For(a.Family, first(a.Tests)), u)
	if t != nil {
		day := shop.DayOf(*t, d.zone(u))
		by = &day
	}
	var due, early *shop.Day // of the PM service
	if s, ok := d.Service(u); ok {
		on, from := max(s.Due, today), s.Early(d.File.Depot(u.Depot))
		due, early = &on, &from
	}
	v := Advice{By: by, At: due}
	switch {
	case by == nil && due != nil && *due <= today+schedule.LookWithin:
		v.Action, v.By, v.Words = RideAlong, due, fmt.Sprintf("Inspect at the PM service due %s; there is not enough evidence for a date.", *due)
	case by == nil:
		end := today + schedule.LookWithin
		v.Action, v.At, v.By = Within30, nil, &end
		v.Words = "Inspect within 30 days or at the next PM service, whichever is first; there is not enough evidence for a date."
	case *by <= today:
		v.Action, v.At, v.Words = OwnVisit, nil, "Bring it in now: "+why+" is reached."
	case due != nil && *by > *due+schedule.ServicePad:
		v.Action, v.Words = RideAlong, fmt.Sprintf("Inspect at the PM service due %s, before %s, %s.", *due, *by, why)
	case due != nil && *early < *by:
		v.Action, v.Words = PullForward, fmt.Sprintf("Pull the PM service due %s forward to before %s, %s, and inspect along with it.", *due, *by, why)
	case due != nil && a.Consequence == Cost:
		v.Action, v.Words = AcceptRisk, fmt.Sprintf("Own visit before %s, %s, or knowingly accept the risk until the PM service due %s.", *by, why, *due)
	default:
		v.Action, v.At, v.Words = OwnVisit, nil, fmt.Sprintf("Own visit before %s, %s.", *by, why)
	}
	return v
}
