package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"marginline/alerts"
	"marginline/alerts/delivery"
	"marginline/dashboards"
	"marginline/sql/sheet"
)

// fetched are the ways that people fetch from: their test looks whether what they would get is in order.
func (f *floor) fetched() []delivery.Target {
	return []delivery.Target{
		{Name: delivery.WayCalendar, Way: delivery.WayCalendar, Where: "/api/v1/calendars/<depot>", When: "fetched by calendars that subscribe to it", Channel: delivery.Check(f.checkCalendars), Due: delivery.Never},
		{Name: delivery.WayFiles, Way: delivery.WayFiles, Where: "/alerts.xlsx, /orders.xlsx, /units/<unit>/record.xlsx, and .csv", When: "downloaded from the pages", Channel: delivery.Check(f.checkFiles), Due: delivery.Never},
	}
}

// checkCalendars writes the feed of every depot and reads it back.
func (f *floor) checkCalendars(ctx context.Context) (string, error) {
	var said []string
	for _, depot := range f.depots() {
		var b bytes.Buffer
		err := f.Calendar(ctx, &b, depot)
		if errors.Is(err, alerts.ErrNotFound) {
			continue // a depot of the roster without a visit or a shop file has no feed yet
		}
		if err != nil {
			return "", err
		}
		n, err := delivery.CountVisits(&b)
		if err != nil {
			return "", fmt.Errorf("calendar of %s: %w", depot, err)
		}
		said = append(said, fmt.Sprintf("%s: %d in the feed", depot, n))
	}
	if len(said) == 0 {
		return "", errors.New("no depot has a feed yet: put a shop file in force, or choose a day for a work order")
	}
	return "written and read back; visits with cancelled ones: " + strings.Join(said, ", "), nil
}

// checkFiles writes the lists as files.
func (f *floor) checkFiles(ctx context.Context) (string, error) {
	list, err := f.app.book.List(ctx, true)
	if err != nil {
		return "", err
	}
	orders, err := f.app.book.Orders(ctx)
	if err != nil {
		return "", err
	}
	var said []string
	for _, form := range []string{"xlsx", "csv"} {
		for _, t := range []sheet.Sheet{dashboards.AlertSheet(list), dashboards.OrderSheet(orders)} {
			var b bytes.Buffer
			if err := dashboards.WriteFile(&b, form, t); err != nil {
				return "", err
			}
			said = append(said, fmt.Sprintf("%s.%s with %d rows, %d bytes", t.Name, form, len(t.Rows), b.Len()))
		}
	}
	return "written: " + strings.Join(said, ", "), nil
}

// TestDelivery sends a test message to one receiver, and returns what came of it.
func (f *floor) TestDelivery(ctx context.Context, target, who string) (delivery.Sent, error) {
	if strings.TrimSpace(who) == "" {
		return delivery.Sent{}, fmt.Errorf("who sends the test message: %w", alerts.ErrInput)
	}
	s, err := f.app.outbox.Try(ctx, target, who)
	if errors.Is(err, delivery.ErrNoTarget) {
		return s, fmt.Errorf("receiver %q: %w; the settings webhook, mail and broker.alert_age say who there is", target, alerts.ErrNotFound)
	}
	return s, err
}

// Deliveries are the newest events with what became of them.
func (f *floor) Deliveries(ctx context.Context) ([]delivery.Sent, error) {
	return f.app.outbox.List(ctx, 100)
}

// Receivers are everyone that events go to, with their newest deliveries.
func (f *floor) Receivers(ctx context.Context) ([]delivery.Receiver, error) {
	return f.app.outbox.Receivers(ctx, 8)
}

func (a *app) listDeliveries(w http.ResponseWriter, r *http.Request) error {
	list, err := a.floor.Deliveries(r.Context())
	if err != nil {
		return err
	}
	l := listing{columns: []string{"target", "id", "type", "unit", "added_at", "state", "tries", "next_at", "said", "error"}}
	for _, s := range list {
		l.add(s.Target, s.ID, s.Type, s.Unit, s.Added, s.State, s.Tries, s.NextAt, s.Said, s.Error)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) listReceivers(w http.ResponseWriter, r *http.Request) error {
	list, err := a.floor.Receivers(r.Context())
	if err != nil {
		return err
	}
	l := listing{columns: []string{"name", "way", "where", "when", "waiting", "taken", "failed"}}
	for _, t := range list {
		l.add(t.Name, t.Way, t.Where, t.When, t.Waiting, t.Taken, t.Failed)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) testDelivery(w http.ResponseWriter, r *http.Request) error {
	s, err := a.floor.TestDelivery(r.Context(), r.FormValue("to"), r.FormValue("by"))
	if err != nil {
		return err
	}
	if s.State != "taken" {
		return fmt.Errorf("%s: %s", s.Target, s.Error)
	}
	_, err = fmt.Fprintf(w, "%s: %s\n", s.Target, s.Said)
	return err
}
