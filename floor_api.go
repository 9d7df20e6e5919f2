package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"time"

	"marginline/alerts"
	"marginline/alerts/api"
	"marginline/alerts/knowledge"
	"marginline/alerts/review"
	"marginline/alerts/shop"
	"marginline/ingest/fleet"
)

// The floor answers for the HTTP API; every change derives the unit again, so that open pages read it.
var _ api.Service = (*floor)(nil)

func (f *floor) Alerts(ctx context.Context, all bool) ([]alerts.Alert, error) {
	if err := f.app.watch.ready(ctx); err != nil {
		return nil, err
	}
	return f.app.book.List(ctx, all)
}

func (f *floor) Alert(ctx context.Context, id string) (*alerts.Alert, []alerts.AuditEntry, error) {
	return f.app.book.Get(ctx, id)
}

// Decide writes what a person decided about an alert.
func (f *floor) Decide(ctx context.Context, id, verb, who, why string, until time.Time) (*alerts.Alert, error) {
	a, _, err := f.app.book.Get(ctx, id)
	if err != nil {
		return nil, err
	}
	switch verb {
	case "acknowledge":
		err = f.app.book.Acknowledge(ctx, a.ID, who, why, until)
	case "explain":
		err = f.app.book.Explain(ctx, a.ID, who, why, until)
	case "mute":
		err = f.app.book.Mute(ctx, a.ID, who, why, until)
	case "close":
		err = f.app.book.Close(ctx, a.ID, who, why)
	default:
		err = fmt.Errorf("decision %q: %w", verb, alerts.ErrInput)
	}
	if err != nil {
		return nil, err
	}
	if err := f.app.watch.again(ctx, []string{a.Unit}); err != nil {
		return nil, err
	}
	a, _, err = f.app.book.Get(ctx, a.ID)
	return a, err
}

func (f *floor) Orders(ctx context.Context) ([]alerts.WorkOrder, error) {
	return f.app.book.Orders(ctx)
}

func (f *floor) Order(ctx context.Context, id string) (*alerts.WorkOrder, []alerts.OrderEntry, error) {
	o, err := f.app.book.OrderByID(ctx, id)
	if err != nil {
		return nil, nil, err
	}
	history, err := f.app.book.OrderHistory(ctx, o.ID)
	return o, history, err
}

// Open makes a work order, approved or proposed.
func (f *floor) Open(ctx context.Context, alert, who string, approved bool) (*alerts.WorkOrder, error) {
	open := f.app.book.Propose
	if approved {
		open = f.app.book.Order
	}
	o, err := open(ctx, alert, who, f.app.now())
	if err != nil {
		return nil, err
	}
	return o, f.app.watch.again(ctx, []string{o.Unit})
}

// Sheet is the sheet of an order as plain text.
func (f *floor) Sheet(ctx context.Context, id string) (string, error) {
	s, err := f.app.sheetOf(ctx, id)
	if err != nil {
		return "", err
	}
	return s.Text(), nil
}

// TakeFact checks one fact and keeps it.
func (f *floor) TakeFact(ctx context.Context, x shop.Fact) (shop.Fact, error) {
	if err := x.Check(f.app.now()); err != nil {
		return x, err
	}
	if x.Unit != "" && !f.known(x.Unit) {
		return x, fmt.Errorf("unit %q is not on the roster", x.Unit)
	}
	_, err := f.Take(ctx, []shop.Fact{x}, x.By)
	return x, err
}

// ImportFacts takes a CSV file of facts.
func (f *floor) ImportFacts(ctx context.Context, text []byte, by string) (api.Imported, error) {
	t := api.Imported{Errors: []string{}}
	facts, faults, err := shop.ReadCSV(bytes.NewReader(text), by, f.app.now(), f.known)
	if err != nil {
		return t, err
	}
	if t.Added, err = f.Take(ctx, facts, by); err != nil {
		return t, err
	}
	t.Known = len(facts) - t.Added
	for _, x := range faults {
		t.Errors = append(t.Errors, x.Error())
	}
	return t, nil
}

func (f *floor) ShopFile(ctx context.Context) (text string, version int, err error) {
	_, text, version, err = f.File(ctx)
	return text, version, err
}

// Review is what the alerts of a stretch of time were worth, at the prices of the settings.
func (f *floor) Review(ctx context.Context, from, until time.Time) (review.Review, error) {
	if !until.After(from) {
		return review.Review{}, fmt.Errorf("until %s is not after from %s", cell(until), cell(from))
	}
	all, err := f.Alerts(ctx, true)
	if err != nil {
		return review.Review{}, err
	}
	orders, err := f.app.book.Orders(ctx)
	if err != nil {
		return review.Review{}, err
	}
	r := review.Make(all, orders, from, until, f.app.cfg.prices())
	r.Campaigns = review.Campaigns(all, f.app.roster.Load().Units(), until)
	return r, nil
}

// Readiness foresees whether a unit whose codes were cleared will be ready for its inspection.
func (f *floor) Readiness(ctx context.Context, unit string) (*alerts.Forecast, error) {
	if err := f.app.watch.ready(ctx); err != nil {
		return nil, err
	}
	u, facts, err := f.worked(ctx, unit)
	if err != nil {
		return nil, err
	}
	if u == nil {
		return nil, fmt.Errorf("unit %q: %w", unit, alerts.ErrNotFound)
	}
	use, err := uses{f.app}.Use(ctx, unit)
	if err != nil {
		return nil, err
	}
	c := alerts.LastClear(facts, use.Clears, use.WarmupsSinceClear, use.KmSinceClear)
	if c.At.IsZero() {
		return nil, nil
	}
	courses, err := f.app.watch.runner.Traces(ctx, unit)
	if err != nil {
		return nil, err
	}
	return alerts.Foresee(*u, c, courses, f.app.now()), nil
}

// Records are everything kept of one unit.
func (f *floor) Records(ctx context.Context, unit string) (*api.Records, error) {
	if err := f.app.watch.ready(ctx); err != nil {
		return nil, err
	}
	u := f.unit(unit)
	if u == nil {
		return nil, fmt.Errorf("unit %q: %w on the roster", unit, alerts.ErrNotFound)
	}
	r := &api.Records{MadeAt: f.app.now().UTC(), Unit: rosterRow(u), Alerts: []api.AlertRecord{}, Orders: []api.OrderRecord{}}
	var err error
	if r.Facts, err = f.Facts(ctx, unit); err != nil {
		return nil, err
	}
	d := alerts.Desk{Now: f.app.now(), File: f.file.Load()}
	if s, ok := d.Service(u); ok {
		r.Service = &api.ServiceDue{Due: s.Due, Reason: "PM service every " + strconv.FormatFloat(s.IntervalDays, 'f', -1, 64) + " days or by use, whichever is first"}
	}
	all, err := f.app.book.List(ctx, true)
	if err != nil {
		return nil, err
	}
	for _, a := range all {
		if a.Unit != unit {
			continue
		}
		_, history, err := f.app.book.Get(ctx, a.ID)
		if err != nil {
			return nil, err
		}
		r.Alerts = append(r.Alerts, api.AlertRecord{Alert: a, History: history})
	}
	orders, err := f.app.book.Orders(ctx)
	if err != nil {
		return nil, err
	}
	for _, o := range slices.DeleteFunc(orders, func(o alerts.WorkOrder) bool { return o.Unit != unit }) {
		history, err := f.app.book.OrderHistory(ctx, o.ID)
		if err != nil {
			return nil, err
		}
		r.Orders = append(r.Orders, api.OrderRecord{WorkOrder: o, History: history, Steps: o.State.Steps()})
	}
	return r, nil
}

// sheetOf draws the sheet of an order up.
func (a *app) sheetOf(ctx context.Context, id string) (alerts.Sheet, error) {
	if err := a.watch.ready(ctx); err != nil { // the evidence is the present state
		return alerts.Sheet{}, err
	}
	o, err := a.book.OrderByID(ctx, id)
	if err != nil {
		return alerts.Sheet{}, err
	}
	u := a.floor.unit(o.Unit)
	if u == nil {
		return alerts.Sheet{}, fmt.Errorf("unit %s of order %s is no longer on the roster", o.Unit, o.ID)
	}
	return alerts.NewSheet(*o, *u, knowledge.Builtin()), nil
}

// rosterRow is a unit as a row of the roster file, by column.
func rosterRow(u *fleet.Unit) map[string]string {
	var b bytes.Buffer
	r, err := fleet.New([]fleet.Unit{*u})
	if err != nil || r.WriteCSV(&b) != nil {
		return map[string]string{"unit": u.Unit}
	}
	lines, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(lines) != 2 {
		return map[string]string{"unit": u.Unit}
	}
	row := map[string]string{}
	for i, name := range lines[0] {
		row[name] = lines[1][i]
	}
	return row
}
