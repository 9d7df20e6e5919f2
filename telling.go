package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/delivery"
	"marginline/alerts/knowledge"
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
	now := w.floor.app.now()
	for _, x := range []struct {
		kind string
		ids  []string
	}{{delivery.Raised, ch.Raised}, {delivery.Reopened, ch.Reopened}, {delivery.Closed, ch.Closed}} {
		for _, id := range x.ids {
			a, history, err := w.book.Get(ctx, id)
			if err != nil {
				return err
			}
			at := a.RaisedAt
			if len(history) > 0 && x.kind != delivery.Raised {
				at = history[len(history)-1].At
			}
			if now.Sub(at) > freshFor || x.kind == delivery.Raised && !a.State.Standing() {
				continue
			}
			e, err := delivery.NewEvent(x.kind, *a, at)
			if err != nil {
				return err
			}
			if err := w.floor.app.outbox.Add(ctx, e); err != nil {
				return err
			}
		}
	}
	return nil
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
	return delivery.WriteCalendar(w, depot, orders, f.app.now(), func(o *alerts.WorkOrder) string {
		var titles []string
		for _, a := range o.Alerts {
			if t := knowledge.Builtin().For(a.Family, "").Title; !slices.Contains(titles, t) {
				titles = append(titles, t)
			}
		}
		return strings.Join(titles, "; ")
	})
}

// TestDelivery sends an event to see whether it arrives.
func (f *floor) TestDelivery(ctx context.Context, who string) ([]delivery.Sent, error) {
	if f.app.cfg.Webhook.URL == "" {
		return nil, fmt.Errorf("no webhook is set (webhook.url and webhook.secret): %w", alerts.ErrInput)
	}
	if err := f.app.outbox.Add(ctx, delivery.NewTest(who, f.app.now())); err != nil {
		return nil, err
	}
	return f.app.outbox.List(ctx, 20)
}

// Deliveries are the newest events with what became of them.
func (f *floor) Deliveries(ctx context.Context) ([]delivery.Sent, error) {
	return f.app.outbox.List(ctx, 100)
}

func (a *app) listDeliveries(w http.ResponseWriter, r *http.Request) error {
	list, err := a.floor.Deliveries(r.Context())
	if err != nil {
		return err
	}
	l := listing{columns: []string{"id", "type", "unit", "state", "tries", "error"}}
	for _, s := range list {
		l.add(s.ID, s.Type, s.Unit, s.State, s.Tries, s.Error)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) testDelivery(w http.ResponseWriter, r *http.Request) error {
	if _, err := a.floor.TestDelivery(r.Context(), r.FormValue("by")); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "sent to the outbox; see 'deliveries list'")
	return err
}
