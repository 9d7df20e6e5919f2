package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"marginline/alerts"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
)

// Try says what would become of the plan if a job came on a day. A visit that goes along with a PM service takes
// the service with it.
func (f *floor) Try(ctx context.Context, job string, day shop.Day, who, why string) (*schedule.Trial, error) {
	d, err := f.Desk(ctx, planDays, nil)
	if err != nil {
		return nil, err
	}
	in := d.Schedule()
	i := slices.IndexFunc(in.Jobs, func(j schedule.Job) bool { return strings.EqualFold(j.ID, job) })
	if i < 0 {
		return nil, fmt.Errorf("no proposal for %q: %w; see 'plan show'", job, alerts.ErrNotFound)
	}
	if day < in.Today || day >= in.Today+shop.Day(in.Days) {
		return nil, fmt.Errorf("%s: %w: choose a day of the plan, which begins %s and has %d days", day, alerts.ErrInput, in.Today, in.Days)
	}
	return schedule.Try(in, schedule.Fixed{ID: in.Jobs[i].ID, Day: day, Who: who, Why: why})
}

// Move takes a day for a job. Without room on that day it stays there all the same, as a clash.
func (f *floor) Move(ctx context.Context, job string, day shop.Day, who, why string) (*alerts.WorkOrder, error) {
	t, err := f.Try(ctx, job, day, who, why)
	if err != nil {
		return nil, err
	}
	slot := &alerts.Slot{Day: day}
	if t.Was != nil {
		slot.Service, slot.Hours = t.Was.Service != "", t.Was.Hours
	}
	id, err := f.ordered(ctx, t.Unit, t.ID, who)
	if err != nil {
		return nil, err
	}
	return f.app.book.Step(ctx, id, alerts.StepSchedule, alerts.StepNote{Who: who, Why: why, Slot: slot})
}
