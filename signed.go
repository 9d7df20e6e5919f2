package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/api"
	"marginline/alerts/delivery"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
	"marginline/dashboards"
	"marginline/dashboards/people"
)

// A signed floor is the floor as pages and API reach it: what is changed is in the name of whoever signed in, and a shop sees
// what belongs to its depots and nothing else. Where nobody has to sign in it changes nothing.
type signed struct{ *floor }

var (
	_ api.Service      = signed{}
	_ dashboards.Floor = signed{}
)

// mine says whether the caller may know of a unit.
func (f *floor) mine(ctx context.Context, unit string) bool {
	c := people.From(ctx)
	if !c.Bound() {
		return true
	}
	u := f.app.roster.Load().Unit(unit)
	return u != nil && c.Sees(u.Depot)
}

// missing is the answer for what is not there, and for what is another depot's: the two cannot be told apart.
func missing(what, id string) error { return fmt.Errorf("%s %q: %w", what, id, alerts.ErrNotFound) }

// ofAlert and ofOrder find the whole id of something that the caller may know of.
func (f *floor) ofAlert(ctx context.Context, id string) (*alerts.Alert, []alerts.AuditEntry, error) {
	a, history, err := f.app.book.Get(ctx, id)
	if err != nil {
		if people.From(ctx).Bound() { // how many begin like this is not told either
			return nil, nil, missing("alert", id)
		}
		return nil, nil, err
	}
	if !f.mine(ctx, a.Unit) {
		return nil, nil, missing("alert", id)
	}
	return a, history, nil
}

func (f *floor) ofOrder(ctx context.Context, id string) (*alerts.WorkOrder, error) {
	o, err := f.app.book.OrderByID(ctx, id)
	if err != nil {
		if people.From(ctx).Bound() {
			return nil, missing("work order", id)
		}
		return nil, err
	}
	if !f.mine(ctx, o.Unit) {
		return nil, missing("work order", id)
	}
	return o, nil
}

// may says no where the role does not include an ability. The routes say it before; a step of an order only says it here.
func may(ctx context.Context, a people.Ability) error {
	if people.From(ctx).May(a) {
		return nil
	}
	return api.ErrForbidden
}

func named(ctx context.Context, typed string) (string, error) {
	who := strings.TrimSpace(people.Who(ctx, typed))
	if who == "" {
		return "", fmt.Errorf("%w: a name is needed", alerts.ErrInput)
	}
	return who, nil
}

func (f signed) Alerts(ctx context.Context, all bool) ([]alerts.Alert, error) {
	list, err := f.floor.Alerts(ctx, all)
	return slices.DeleteFunc(list, func(a alerts.Alert) bool { return !f.mine(ctx, a.Unit) }), err
}

func (f signed) Alert(ctx context.Context, id string) (*alerts.Alert, []alerts.AuditEntry, error) {
	return f.ofAlert(ctx, id)
}

func (f signed) Decide(ctx context.Context, id, verb, typed, why string, until time.Time) (*alerts.Alert, error) {
	who, err := named(ctx, typed)
	if err != nil {
		return nil, err
	}
	return f.floor.Decide(ctx, id, verb, who, why, until)
}

func (f signed) Orders(ctx context.Context) ([]alerts.WorkOrder, error) {
	list, err := f.floor.Orders(ctx)
	return slices.DeleteFunc(list, func(o alerts.WorkOrder) bool { return !f.mine(ctx, o.Unit) }), err
}

func (f signed) Order(ctx context.Context, id string) (*alerts.WorkOrder, []alerts.OrderEntry, error) {
	o, err := f.ofOrder(ctx, id)
	if err != nil {
		return nil, nil, err
	}
	return f.floor.Order(ctx, o.ID)
}

func (f signed) Open(ctx context.Context, alert, typed string, approved bool) (*alerts.WorkOrder, error) {
	who, err := named(ctx, typed)
	if err != nil {
		return nil, err
	}
	return f.floor.Open(ctx, alert, who, approved)
}

func (f signed) Step(ctx context.Context, id string, st alerts.Step, n alerts.StepNote) (*alerts.WorkOrder, error) {
	o, err := f.ofOrder(ctx, id)
	if err != nil {
		return nil, err
	}
	if err := may(ctx, dashboards.ForStep(st)); err != nil {
		return nil, err
	}
	n.Who = people.Who(ctx, n.Who)
	return f.floor.Step(ctx, o.ID, st, n)
}

func (f signed) Finish(ctx context.Context, id string, out alerts.Outcome) (*alerts.WorkOrder, error) {
	o, err := f.ofOrder(ctx, id)
	if err != nil {
		return nil, err
	}
	out.Who = people.Who(ctx, out.Who)
	return f.floor.Finish(ctx, o.ID, out)
}

func (f signed) Sheet(ctx context.Context, id string) (string, error) {
	o, err := f.ofOrder(ctx, id)
	if err != nil {
		return "", err
	}
	return f.floor.Sheet(ctx, o.ID)
}

func (f signed) Plan(ctx context.Context, days int, file *shop.File) (*schedule.Plan, error) {
	p, err := f.floor.Plan(ctx, days, file)
	c := people.From(ctx)
	if err != nil || !c.Bound() {
		return p, err
	}
	p.Visits = slices.DeleteFunc(p.Visits, func(v schedule.Visit) bool { return !c.Sees(v.Depot) || !f.mine(ctx, v.Unit) })
	p.Clashes = slices.DeleteFunc(p.Clashes, func(x schedule.Clash) bool { return !c.Sees(x.Depot) || !f.mine(ctx, x.Unit) })
	p.Loads = slices.DeleteFunc(p.Loads, func(l schedule.Load) bool { return !c.Sees(l.Depot) })
	p.Waiting = slices.DeleteFunc(p.Waiting, func(w schedule.Waiting) bool { return !f.mine(ctx, w.Unit) })
	return p, nil
}

func (f signed) Accept(ctx context.Context, job, typed string) (*alerts.WorkOrder, error) {
	who, err := named(ctx, typed)
	if err != nil {
		return nil, err
	}
	return f.floor.Accept(ctx, job, who)
}

func (f signed) Try(ctx context.Context, job string, day shop.Day, typed, why string) (*schedule.Trial, error) {
	t, err := f.floor.Try(ctx, job, day, people.Who(ctx, typed), why)
	if err != nil {
		return nil, err
	}
	if !f.mine(ctx, t.Unit) {
		return nil, missing("proposal", job)
	}
	t.Moves = slices.DeleteFunc(t.Moves, func(m schedule.Moved) bool { return !f.mine(ctx, m.Unit) })
	t.Clashes = slices.DeleteFunc(t.Clashes, func(c schedule.Clash) bool { return !f.mine(ctx, c.Unit) })
	return t, nil
}

func (f signed) Move(ctx context.Context, job string, day shop.Day, typed, why string) (*alerts.WorkOrder, error) {
	who, err := named(ctx, typed)
	if err != nil {
		return nil, err
	}
	if people.From(ctx).Bound() {
		if _, err := f.Try(ctx, job, day, who, why); err != nil {
			return nil, err
		}
	}
	return f.floor.Move(ctx, job, day, who, why)
}

// theirs says whether the caller may know of a fact: it belongs to a unit or, a part, to a depot.
func (f signed) theirs(ctx context.Context, x shop.Fact) bool {
	if x.Unit == "" {
		return people.From(ctx).Sees(x.Depot)
	}
	return f.mine(ctx, x.Unit)
}

func (f signed) Facts(ctx context.Context, unit string) ([]shop.Fact, error) {
	list, err := f.floor.Facts(ctx, unit)
	return slices.DeleteFunc(list, func(x shop.Fact) bool { return !f.theirs(ctx, x) }), err
}

// TakeFact keeps who noticed it as it was told, and who wrote it down as they signed in.
func (f signed) TakeFact(ctx context.Context, x shop.Fact) (shop.Fact, error) {
	if !f.theirs(ctx, x) {
		return x, fmt.Errorf("unit %q is not on the roster", x.Unit)
	}
	var err error
	if x.By == "" {
		x.By, err = named(ctx, x.By)
	}
	if err != nil {
		return x, err
	}
	return f.floor.TakeFact(ctx, x)
}

func (f signed) ImportFacts(ctx context.Context, text []byte, typed string) (api.Imported, error) {
	by, err := named(ctx, typed)
	if err != nil {
		return api.Imported{Errors: []string{}}, err
	}
	return f.floor.ImportFacts(ctx, text, by)
}

func (f signed) Retract(ctx context.Context, id, typed, why string) error {
	return f.floor.Retract(ctx, id, people.Who(ctx, typed), why)
}

// ShopFile holds the bays, hours and skills of every depot, so it is not told to a shop.
func (f signed) ShopFile(ctx context.Context) (string, int, error) {
	if people.From(ctx).Bound() {
		return "", 0, nil
	}
	return f.floor.ShopFile(ctx)
}

func (f signed) Install(ctx context.Context, text, typed string) (*shop.File, error) {
	by, err := named(ctx, typed)
	if err != nil {
		return nil, err
	}
	return f.floor.Install(ctx, text, by)
}

func (f signed) Readiness(ctx context.Context, unit string) (*alerts.Forecast, error) {
	if !f.mine(ctx, unit) {
		return nil, missing("unit", unit)
	}
	return f.floor.Readiness(ctx, unit)
}

func (f signed) Records(ctx context.Context, unit string) (*api.Records, error) {
	if !f.mine(ctx, unit) {
		return nil, missing("unit", unit)
	}
	return f.floor.Records(ctx, unit)
}

func (f signed) Calendar(ctx context.Context, w io.Writer, depot string) error {
	if !people.From(ctx).Sees(depot) {
		return missing("depot", depot)
	}
	return f.floor.Calendar(ctx, w, depot)
}

func (f signed) TestDelivery(ctx context.Context, target, typed string) (delivery.Sent, error) {
	who, err := named(ctx, typed)
	if err != nil {
		return delivery.Sent{}, err
	}
	return f.floor.TestDelivery(ctx, target, who)
}
