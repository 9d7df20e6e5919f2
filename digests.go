package main

import (
	"context"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/delivery"
	"marginline/alerts/knowledge"
)

// digestBeat is how often it is looked whether a digest is due.
const digestBeat = 20 * time.Second

// runDigests makes each recipient's digest when its time has come, until ctx ends.
func (a *app) runDigests(ctx context.Context) error {
	tick := time.NewTicker(digestBeat)
	defer tick.Stop()
	made := map[string]bool{}
	for {
		if a.watch.serving.Load() {
			if err := a.digests(ctx, time.Now(), made); err != nil && ctx.Err() == nil {
				a.log.Error("digest", "err", err)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// digests puts the digests that are due into the outbox; made holds the ids of those that were.
func (a *app) digests(ctx context.Context, now time.Time, made map[string]bool) error {
	var matter *delivery.Matter
	for _, b := range a.boxes {
		r, due := b.Due(now)
		if !due || made[r.ID()] {
			continue
		}
		if matter == nil {
			m, err := a.floor.matter(ctx, now)
			if err != nil {
				return err
			}
			matter = &m
		}
		e, err := r.Event(*matter)
		if err != nil {
			return err
		}
		if err := a.outbox.AddTo(ctx, b.Name, e); err != nil {
			return err
		}
		made[r.ID()] = true
	}
	return nil
}

// matter is what digests tell from.
func (f *floor) matter(ctx context.Context, now time.Time) (m delivery.Matter, err error) {
	if m.Standing, err = f.app.book.List(ctx, false); err != nil {
		return m, err
	}
	ids, err := f.app.book.Since(ctx, now.Add(-freshFor-24*time.Hour))
	if err != nil {
		return m, err
	}
	if m.News, err = f.news(ctx, ids); err != nil {
		return m, err
	}
	orders, err := f.app.book.Orders(ctx)
	if err != nil {
		return m, err
	}
	for i := range orders {
		if o := &orders[i]; o.Slot != nil && o.Open() {
			m.Visits = append(m.Visits, delivery.Visit{Unit: o.Unit, Order: o.ID, Day: o.Slot.Day, Bay: o.Slot.Bay, Technician: o.Slot.Technician, What: about(o)})
		}
	}
	return m, nil
}

// about says in a few words what a work order is about.
func about(o *alerts.WorkOrder) string {
	var titles []string
	for _, a := range o.Alerts {
		if t := knowledge.Builtin().For(a.Family, "").Title; !slices.Contains(titles, t) {
			titles = append(titles, t)
		}
	}
	return strings.Join(titles, "; ")
}
