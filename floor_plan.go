package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

// planDays is how far a plan reaches where nothing else is asked for: 12 weeks.
const planDays = 84

// Desk gathers what a plan is made from. A file other than nil is planned with in the place of the one in
// force, to see what would be.
func (f *floor) Desk(ctx context.Context, days int, file *shop.File) (*alerts.Desk, error) {
	a := f.app
	if err := a.watch.ready(ctx); err != nil {
		return nil, err
	}
	d := &alerts.Desk{Now: a.now(), Days: days, File: f.file.Load(), Facts: f.of}
	if file != nil {
		d.File = file
	}
	if len(d.File.Depots) == 0 {
		return nil, fmt.Errorf("no shop file yet, so nobody knows bays and hours; put one in force with 'shop file'")
	}
	for _, u := range a.roster.Load().Units() {
		d.Units = append(d.Units, *f.unit(u.Unit))
	}
	var err error
	if d.Alerts, err = a.book.List(ctx, false); err != nil {
		return nil, err
	}
	if d.Orders, err = a.book.Orders(ctx); err != nil {
		return nil, err
	}
	usage, err := f.usage(ctx, 0)
	d.Usage = func(unit string) alerts.Usage { return usage[unit] }
	return d, err
}

// advice is a desk for advice about one unit at a time. A page does not wait for the history: the use of the units may be as old
// as usageKept, and where it cannot be had, the PM services count by days.
func (f *floor) advice(ctx context.Context) *alerts.Desk {
	d := &alerts.Desk{Now: f.app.now(), File: f.file.Load(), Facts: f.of}
	usage, err := f.usage(ctx, usageKept)
	if err != nil && ctx.Err() == nil {
		f.app.log.Warn("advice counts PM services by days alone", "err", err)
	}
	d.Usage = func(unit string) alerts.Usage { return usage[unit] }
	return d
}

// Plan makes the plan of the next days.
func (f *floor) Plan(ctx context.Context, days int, file *shop.File) (*schedule.Plan, error) {
	d, err := f.Desk(ctx, days, file)
	if err != nil {
		return nil, err
	}
	return d.Plan()
}

// Accept takes the proposal for a job: its order is made where there is none, all alerts of the unit that
// ask for a visit go on it, and the day is fixed.
func (f *floor) Accept(ctx context.Context, job, who string) (*alerts.WorkOrder, error) {
	p, err := f.Plan(ctx, planDays, nil)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(p.Visits, func(v schedule.Visit) bool { return v.Job != "" && strings.EqualFold(v.Job, job) })
	if i < 0 {
		return nil, fmt.Errorf("no proposal for %q: %w; see 'plan show'", job, alerts.ErrNotFound)
	}
	v := p.Visits[i]
	id, err := f.ordered(ctx, v.Unit, v.Job, who)
	if err != nil {
		return nil, err
	}
	slot := &alerts.Slot{Day: v.Day, Bay: v.Bay, Technician: v.Technician, Service: v.Service != "", Hours: v.Hours}
	return f.app.book.Step(ctx, id, alerts.StepSchedule, alerts.StepNote{Who: who, Why: "accepted: " + v.Reason, Slot: slot})
}

// ordered is the order of a job: made where there is none, and all alerts of the unit that ask for a visit go on it.
func (f *floor) ordered(ctx context.Context, unit, job, who string) (string, error) {
	id := job
	open, err := f.app.book.List(ctx, false)
	if err != nil {
		return "", err
	}
	for _, a := range open {
		if a.Unit == unit && (a.State == alerts.Open || a.State == alerts.Acknowledged) && (a.Kind != analyze.NotRunning || a.ID == job) {
			o, err := f.app.book.Order(ctx, a.ID, who, f.app.now())
			if err != nil {
				return "", err
			}
			id = o.ID
		}
	}
	return id, nil
}

// Step takes an order one step on; what follows for the unit is derived again.
func (f *floor) Step(ctx context.Context, id string, st alerts.Step, n alerts.StepNote) (*alerts.WorkOrder, error) {
	o, err := f.app.book.Step(ctx, id, st, n)
	if err != nil {
		return nil, err
	}
	return o, f.app.watch.again(ctx, []string{o.Unit})
}

// Finish writes the outcome of a visit; the work counts as a fact of the unit at once.
func (f *floor) Finish(ctx context.Context, id string, out alerts.Outcome) (*alerts.WorkOrder, error) {
	out.ReadKm = f.odometer(ctx, id, out.At)
	o, err := f.app.book.Finish(ctx, id, out)
	if err != nil {
		return nil, err
	}
	if err := f.changed(ctx, []string{o.Unit}); err != nil {
		return nil, err
	}
	return f.app.book.OrderByID(ctx, o.ID)
}

// odometerNear is how far from a visit a reading of the odometer may lie.
const odometerNear = 3 * 24 * time.Hour

// odometer is what the vehicle of an order last told near a time; nil where it told nothing. It is no more than a help
// to judge comebacks by, so a failure only takes it away.
func (f *floor) odometer(ctx context.Context, id string, at time.Time) *float64 {
	o, err := f.app.book.OrderByID(ctx, id)
	if err != nil {
		return nil
	}
	res, err := f.app.engine.Query(ctx, source{app: f.app}, fmt.Sprintf(
		"select arg_max(odometer_km, read_at) from reports where clock_ok and unit = '%s' and odometer_km is not null and read_at between timestamp '%s' and timestamp '%s'",
		quoted(o.Unit), at.UTC().Add(-odometerNear).Format(time.DateTime), at.UTC().Format(time.DateTime)))
	if err != nil || len(res.Rows) == 0 {
		return nil
	}
	if km, ok := res.Rows[0][0].(float64); ok {
		return &km
	}
	return nil
}

// worked is a unit with the facts of the shop floor and of its own orders.
func (f *floor) worked(ctx context.Context, name string) (u *fleet.Unit, facts []shop.Fact, err error) {
	if u = f.unit(name); u == nil {
		return nil, nil, nil
	}
	own, err := f.app.book.Facts(ctx, name)
	return u, append(own, f.of(name)...), err
}
