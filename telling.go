package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/delivery"
	"marginline/alerts/knowledge"
	"marginline/ingest/fleet"
)

// freshFor is how old a happening may be and still be told: history that is taken in raises alerts in the
// past, of which nobody wants to be told now.
const freshFor = 48 * time.Hour

// tell puts what changed in the book into the outbox. Only a service tells; the commands of a quiet folder
// change the book without a word.
func (w *watch) tell(ctx context.Context, ch alerts.Changes) error {
	if !w.serving.Load() {
		return nil
	}
	return w.floor.tell(ctx, slices.Concat(ch.Raised, ch.Worsened, ch.Reopened, ch.Closed, ch.Withdrawn))
}

// tellMissed tells what the history of the last days holds and nobody was told: what happened while the service
// was down or was building its state, and what a crash left between the book and the outbox.
func (f *floor) tellMissed(ctx context.Context) error {
	ids, err := f.app.book.Since(ctx, f.app.now().Add(-freshFor))
	if err != nil {
		return err
	}
	return f.tell(ctx, ids)
}

// tell puts the fresh happenings of alerts into the outbox; what is in it stays as it is.
func (f *floor) tell(ctx context.Context, ids []string) error {
	now := f.app.now()
	for _, id := range ids {
		a, history, err := f.app.book.Get(ctx, id)
		if err != nil {
			return err
		}
		for _, h := range history {
			what := h.Happening()
			bad := what == alerts.WasRaised || what == alerts.HasWorsened || what == alerts.WasReopened
			if what == "" || now.Sub(h.At) > freshFor || bad && !a.State.Standing() {
				continue
			}
			e, err := delivery.NewEvent(what, *a, h.At)
			if err != nil {
				return err
			}
			if err := f.app.outbox.Add(ctx, e); err != nil {
				return err
			}
		}
	}
	return nil
}

// openOutbox opens the outbox with everyone that events go to.
func (a *app) openOutbox(ctx context.Context) error {
	hook, err := a.cfg.webhook()
	if err != nil {
		return err
	}
	a.cfg.Mail.Pages = a.cfg.Web.URL
	mailer, err := delivery.NewMailer(a.cfg.Mail)
	if err != nil {
		return err
	}
	var to []delivery.Target
	if hook != nil {
		to = append(to, hook.Target())
	}
	a.boxes = mailer.Boxes(places{a})
	for _, b := range a.boxes {
		to = append(to, mailer.Target(b))
	}
	if a.cfg.Broker.AlertAge > 0 {
		to = append(to, delivery.NewNATS(a.broker).Target(a.broker.Where()))
	}
	to = append(to, a.floor.fetched()...)
	a.outbox, err = delivery.OpenOutbox(ctx, a.db, to, a.log, a.reg)
	return err
}

// places know where units are: of the roster, and of the shop file.
type places struct{ app *app }

func (p places) Depot(unit string) string {
	if u := p.app.roster.Load().Unit(unit); u != nil {
		return u.Depot
	}
	return ""
}

func (p places) Zone(depot string) *time.Location {
	if d := p.app.floor.file.Load().Depot(depot); d != nil {
		return d.Zone()
	}
	units := p.app.roster.Load().Units()
	i := slices.IndexFunc(units, func(u *fleet.Unit) bool { return u.Depot == depot && u.TimeZone != "" })
	if i < 0 {
		return nil
	}
	z, err := time.LoadLocation(units[i].TimeZone)
	if err != nil {
		return nil
	}
	return z
}

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
	for _, id := range ids {
		a, history, err := f.app.book.Get(ctx, id)
		if err != nil {
			return m, err
		}
		for _, h := range history {
			if what := h.Happening(); what != "" {
				m.News = append(m.News, delivery.News{What: what, At: h.At, Alert: *a})
			}
		}
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

// Calendar writes the visits of a depot as iCalendar.
func (f *floor) Calendar(ctx context.Context, w io.Writer, depot string) error {
	orders, err := f.app.book.Orders(ctx)
	if err != nil {
		return err
	}
	orders = slices.DeleteFunc(orders, func(o alerts.WorkOrder) bool {
		u := f.app.roster.Load().Unit(o.Unit)
		return u == nil || u.Depot != depot
	})
	if len(orders) == 0 && f.file.Load().Depot(depot) == nil {
		return fmt.Errorf("depot %q: %w", depot, alerts.ErrNotFound)
	}
	return delivery.WriteCalendar(w, depot, orders, f.app.now(), about)
}

// depots are the names of those that the shop file or the roster knows, in order.
func (f *floor) depots() []string {
	var names []string
	if file := f.file.Load(); file != nil {
		names = slices.Collect(func(yield func(string) bool) {
			for _, d := range file.Depots {
				if !yield(d.Name) {
					return
				}
			}
		})
	}
	for _, u := range f.app.roster.Load().Units() {
		if u.Depot != "" {
			names = append(names, u.Depot)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}
