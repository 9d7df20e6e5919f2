package main

import (
	"context"
	"slices"
	"time"

	"marginline/alerts"
	"marginline/dashboards"
	"marginline/dashboards/people"
)

// A signedBook is the alert book as the pages reach it.
type signedBook struct {
	*alerts.Book
	floor *floor
}

var _ dashboards.Book = signedBook{}

func (b signedBook) List(ctx context.Context, all bool) ([]alerts.Alert, error) {
	list, err := b.Book.List(ctx, all)
	return slices.DeleteFunc(list, func(a alerts.Alert) bool { return !b.floor.mine(ctx, a.Unit) }), err
}

func (b signedBook) Get(ctx context.Context, id string) (*alerts.Alert, []alerts.AuditEntry, error) {
	return b.floor.ofAlert(ctx, id)
}

func (b signedBook) Orders(ctx context.Context) ([]alerts.WorkOrder, error) {
	return signed{b.floor}.Orders(ctx)
}

func (b signedBook) OrderByID(ctx context.Context, id string) (*alerts.WorkOrder, error) {
	return b.floor.ofOrder(ctx, id)
}

func (b signedBook) Acknowledge(ctx context.Context, id, who, reason string, until time.Time) error {
	return b.Book.Acknowledge(ctx, id, people.Who(ctx, who), reason, until)
}

func (b signedBook) Explain(ctx context.Context, id, who, reason string, until time.Time) error {
	return b.Book.Explain(ctx, id, people.Who(ctx, who), reason, until)
}

func (b signedBook) Mute(ctx context.Context, id, who, reason string, until time.Time) error {
	return b.Book.Mute(ctx, id, people.Who(ctx, who), reason, until)
}

func (b signedBook) Reopen(ctx context.Context, id, who, reason string) error {
	return b.Book.Reopen(ctx, id, people.Who(ctx, who), reason)
}

func (b signedBook) Order(ctx context.Context, alertID, who string, at time.Time) (*alerts.WorkOrder, error) {
	return b.Book.Order(ctx, alertID, people.Who(ctx, who), at)
}
