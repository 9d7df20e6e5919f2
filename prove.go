package main

import (
	"context"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/series"
)

// prove judges the repairs of a unit that wait for their tests. The caller holds fold.
func (w *watch) prove(ctx context.Context, unit string) error {
	waiting, err := w.book.Unproven(ctx, unit)
	if err != nil || len(waiting) == 0 {
		return err
	}
	courses, err := w.runner.Traces(ctx, unit)
	if err != nil {
		return err
	}
	for i := range waiting {
		o := &waiting[i]
		if _, err := w.book.Judge(ctx, o.ID, alerts.Prove(w.repair(o, courses), o.FamilyOf, nil)); err != nil {
			return err
		}
	}
	return nil
}

func (w *watch) repair(o *alerts.WorkOrder, courses map[series.Key]*analyze.Trace) alerts.Repair {
	return alerts.Repair{At: o.Last().At, Tests: o.Tests(), Courses: courses, Unit: o.Unit, Newest: w.runner.LastPoll(o.Unit), Now: w.floor.app.now(), Names: names{}}
}
