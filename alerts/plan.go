package alerts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"marginline/alerts/knowledge"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

// Usage is how a unit is used, from its own odometer and hour meter. Zero is not known.
type Usage struct {
	OdometerKm, KmPerDay     float64
	EngineHours, HoursPerDay float64
	At                       time.Time // of the readings
}

// A Desk is everything that a plan is made from; advice about one unit needs no Units, Alerts, Orders and Days.
type Desk struct {
	Now       time.Time
	Days      int // how far to plan
	Units     []fleet.Unit
	Alerts    []Alert
	Orders    []WorkOrder
	File      *shop.File
	Facts     func(unit string) []shop.Fact
	Usage     func(unit string) Usage
	Knowledge *knowledge.Base // nil is the built-in one
}

// rideHours is what a check adds to a PM service (0.3 to 0.5 h, common practice, no source).
const rideHours = 0.5

// Schedule is the input of the schedule: one job a unit with open alerts or an order that asks for a visit,
// the next PM service of every unit, and what people decided. Its ids are the orders', or the gravest
// alert's where there is no order yet; services are named s: and the unit.
func (d *Desk) Schedule() schedule.Input {
	in := schedule.Input{Today: shop.DayOf(d.Now, time.UTC), Days: d.Days}
	if d.File != nil {
		in.Depots = d.File.Depots
		if len(in.Depots) > 0 {
			in.Today = shop.DayOf(d.Now, in.Depots[0].Zone())
		}
	}
	orders, alerts := map[string]*WorkOrder{}, map[string][]Alert{}
	for i := range d.Orders {
		if o := &d.Orders[i]; o.Open() {
			orders[o.Unit] = o
		}
	}
	for _, a := range d.Alerts {
		if asks(&a) {
			alerts[a.Unit] = append(alerts[a.Unit], a)
		}
	}
	for i := range d.Units {
		u := &d.Units[i]
		o := orders[u.Unit]
		if o != nil && slices.Contains(inShop, o.State) {
			continue // it is there
		}
		if s, ok := d.Service(u); ok {
			in.Services = append(in.Services, s)
		}
		if o == nil && len(alerts[u.Unit]) == 0 {
			continue
		}
		j := d.job(u, o, alerts[u.Unit])
		in.Jobs = append(in.Jobs, j)
		switch {
		case o == nil:
		case o.State == OrderDeferred && o.Deferred != nil:
			in.Deferrals = append(in.Deferrals, schedule.Deferral{ID: j.ID, Until: shop.DayOf(o.Deferred.Until, d.zone(u)), Who: o.Deferred.Who, Why: o.Deferred.Why})
		case o.Slot != nil:
			f := schedule.Fixed{ID: j.ID, Day: o.Slot.Day, Bay: o.Slot.Bay, Technician: o.Slot.Technician, Who: o.Slot.Who, Why: o.Slot.Why}
			if o.Slot.Service {
				f.Service = "s:" + u.Unit
			}
			in.Fixed = append(in.Fixed, f)
		}
	}
	return in
}

func (d *Desk) knowledge() *knowledge.Base {
	if d.Knowledge == nil {
		return knowledge.Builtin()
	}
	return d.Knowledge
}

// asks says whether an alert asks for a visit by itself.
func asks(a *Alert) bool {
	return a.Kind != analyze.NotRunning && (a.State == Open || a.State == Acknowledged || a.State == Ordered)
}

func (d *Desk) zone(u *fleet.Unit) *time.Location {
	if depot := d.File.Depot(u.Depot); depot != nil {
		return depot.Zone()
	}
	return zoneOf(u.TimeZone)
}

func (d *Desk) job(u *fleet.Unit, o *WorkOrder, list []Alert) schedule.Job {
	Rank(list)
	j := schedule.Job{Unit: u.Unit, Depot: u.Depot, Rank: schedule.Note, Hours: 1, RideHours: rideHours}
	if o != nil {
		j.ID, j.Rank, j.What = o.ID, schedule.Cost, "work order "+o.ID
		list = slices.Clone(list)
		for _, a := range o.Alerts {
			if onOrder(a.State) && !slices.ContainsFunc(list, func(x Alert) bool { return x.ID == a.ID }) {
				list = append(list, a)
			}
		}
	} else {
		j.ID = list[0].ID
	}
	if len(list) == 0 {
		return j
	}
	j.Rank, j.Hours, j.RideHours = schedule.Note, 0, 0
	zone := d.zone(u)
	var titles []string
	for i := range list {
		a := &list[i]
		e := d.knowledge().For(a.Family, first(a.Tests))
		j.Rank = min(j.Rank, max(0, slices.Index(worstFirst, a.Consequence)))
		j.Now = j.Now || a.Consequence == Stop || a.Kind == analyze.Surprise || a.Kind == analyze.Failed
		if by, why := d.bound(a, e, u); by != nil {
			if day := shop.DayOf(*by, zone); j.By == nil || day < *j.By {
				j.By, j.ByWhy = &day, why
			}
		}
		if slices.Contains(titles, e.Title) {
			continue
		}
		titles = append(titles, e.Title)
		j.Hours += e.Hours.Check[1]
		j.RideHours += rideHours
		j.Skills, j.Bay = once(j.Skills, e.Skills...), once(j.Bay, e.Bay...)
		j.ColdSoak, j.FuelWindow = j.ColdSoak || e.ColdSoak, j.FuelWindow || e.FuelWindow
	}
	j.What = strings.Join(titles, "; ")
	if depot := d.File.Depot(u.Depot); depot != nil { // a shop that lists no skills or kinds is not asked for them
		if !slices.ContainsFunc(depot.Technicians, func(t shop.Technician) bool { return len(t.Skills) > 0 }) {
			j.Skills = nil
		}
		if !slices.ContainsFunc(depot.Bays, func(b shop.Bay) bool { return len(b.Kinds) > 0 }) {
			j.Bay = nil
		}
	}
	if d.Facts != nil {
		for _, f := range d.Facts(u.Unit) {
			if f.Kind == shop.Needed && f.Until != nil {
				for day := shop.DayOf(f.At, zone); day <= shop.DayOf(*f.Until, zone); day++ {
					j.Blackout = append(j.Blackout, day)
				}
			}
		}
		slices.Sort(j.Blackout)
		j.Blackout = slices.Compact(j.Blackout)
	}
	return j
}

func first(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

// bound is the day before which a visit should be, and what gives it: the early end of the forecast, an
// inspection less the time of a repeated test, or the end of the emission warranty of the part class.
func (d *Desk) bound(a *Alert, e *knowledge.Entry, u *fleet.Unit) (by *time.Time, why string) {
	if by = a.earliest(); by != nil {
		why = "the earliest likely date"
	}
	if due := u.InspectionDue; a.Consequence == Compliance && due.After(d.Now) {
		if early := latest(d.Now, due.Add(-retestAhead)); by == nil || early.Before(*by) {
			by, why = &early, fmt.Sprintf("the inspection of %s less two weeks", due.Format(time.DateOnly))
		}
	}
	if end, ok := warrantyEnd(e, u); ok && end.After(d.Now) && !end.After(d.Now.Add(nearWarranty)) && (by == nil || end.Before(*by)) {
		by, why = &end, "the end of the emission warranty of this part class"
	}
	return by, why
}

// nearWarranty is how long before its end the warranty of a drifting part is a date to act on (assumption).
const nearWarranty = 90 * 24 * time.Hour

// warrantyEnd is when the federal emission cover of a light vehicle ends for a part class: 8 years or 80,000
// miles for the major parts, 2 years or 24,000 miles for others, whichever is first (40 CFR 85.2103, from
// memory). ok is false where it is not known or over by distance.
func warrantyEnd(e *knowledge.Entry, u *fleet.Unit) (end time.Time, ok bool) {
	years, miles := 2, 24_000.0
	if e.Warranty == "major" {
		years, miles = 8, 80_000
	}
	const kmPerMile = 1.609344
	light := u.WeightClass == "light" || u.WeightClass == "" && fuelOf(u) != "diesel"
	if !light || u.InService.IsZero() || u.OdometerKm >= miles*kmPerMile {
		return time.Time{}, false
	}
	return u.InService.AddDate(years, 0, 0), true
}

// Service is the next PM service of a unit: the earliest of its days, kilometres and engine hours, the last
// two by the unit's own use.
func (d *Desk) Service(u *fleet.Unit) (schedule.Service, bool) {
	if u.PMLast.IsZero() {
		return schedule.Service{}, false
	}
	var use Usage
	if d.Usage != nil {
		use = d.Usage(u.Unit)
	}
	days := math.Inf(1)
	if u.PMIntervalDays >= 1 {
		days = u.PMIntervalDays
	}
	since := use.At.Sub(u.PMLast).Hours() / 24
	for _, c := range []struct{ interval, last, now, perDay float64 }{
		{u.PMIntervalKm, u.PMLastKm, use.OdometerKm, use.KmPerDay}, {u.PMIntervalHours, u.PMLastHours, use.EngineHours, use.HoursPerDay},
	} {
		if c.interval > 0 && c.perDay > 0 && c.now >= c.last { // a meter that fell was changed: no guess
			days = min(days, since+(c.interval-(c.now-c.last))/c.perDay)
		}
	}
	if math.IsInf(days, 1) || math.IsNaN(days) {
		return schedule.Service{}, false
	}
	days = max(days, 0)
	interval := cmp.Or(nanTo0(u.PMIntervalDays), days)
	zone := d.zone(u)
	return schedule.Service{ID: "s:" + u.Unit, Unit: u.Unit, Depot: u.Depot, IntervalDays: interval,
		Due: shop.DayOf(u.PMLast.Add(time.Duration(days*24*float64(time.Hour))), zone)}, true
}

func nanTo0(v float64) float64 {
	if math.IsNaN(v) {
		return 0
	}
	return v
}

// Plan makes the plan.
func (d *Desk) Plan() (*schedule.Plan, error) { return schedule.Make(d.Schedule()) }
