package main

import (
	"context"
	"slices"
	"time"

	"marginline/alerts/delivery"
	"marginline/ingest/fleet"
)

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
