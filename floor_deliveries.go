package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
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
