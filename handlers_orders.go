package main

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"marginline/alerts"
)

var orderColumns = []string{"id", "unit", "vin", "state", "created_at", "due", "shop", "alert_ids", "outcome", "note", "closed_at"}

// orderRows are orders as rows: due is the day that a person chose, else the earliest likely date.
func (a *app) orderRows(list []alerts.WorkOrder) [][]any {
	rows := [][]any{}
	for _, o := range list {
		due, depot, found, note := deref(o.DueBy), any(nil), any(nil), any(nil)
		if o.Slot != nil {
			due = o.Slot.Day.Time(time.UTC)
		}
		if u := a.roster.Load().Unit(o.Unit); u != nil {
			depot = text(u.Depot)
		}
		if x := o.Last(); x != nil {
			found, note = string(x.Found), text(strings.Trim(strings.Join([]string{x.Cause, x.Correction, x.Other}, "; "), "; "))
		}
		rows = append(rows, []any{o.ID, o.Unit, text(o.VIN), string(o.State), o.CreatedAt, due, depot, o.AlertIDs, found, note, deref(o.ClosedAt)})
	}
	return rows
}

func (a *app) listOrders(w http.ResponseWriter, r *http.Request) error {
	if err := a.watch.ready(r.Context()); err != nil {
		return err
	}
	list, err := a.book.Orders(r.Context())
	if err != nil {
		return err
	}
	return (&listing{columns: orderColumns, rows: a.orderRows(list)}).print(w, r.FormValue("form"))
}

func (a *app) showOrder(w http.ResponseWriter, r *http.Request) error {
	o, err := a.book.OrderByID(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	history, err := a.book.OrderHistory(r.Context(), o.ID)
	if err != nil {
		return err
	}
	if r.FormValue("form") == "json" {
		return writeJSON(w, orderWhole{o, o.Alerts, history, o.State.Steps()})
	}
	l := listing{columns: []string{"field", "value"}}
	l.add("id", o.ID)
	l.add("unit", o.Unit)
	l.add("vin", o.VIN)
	l.add("state", string(o.State))
	l.add("created_at", o.CreatedAt)
	l.add("created_by", o.CreatedBy)
	l.add("due", deref(o.DueBy))
	for _, x := range o.Alerts {
		l.add("alert", x.ID+": "+x.Reason)
	}
	addOutcome(&l, o)
	for _, h := range history {
		l.add("history", entryLine(h))
	}
	return l.print(w, r.FormValue("form"))
}

// printSheet writes the sheet for the shop as plain text.
func (a *app) printSheet(w http.ResponseWriter, r *http.Request) error {
	s, err := a.sheetOf(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	if form := r.FormValue("form"); form != "table" {
		return fmt.Errorf("a sheet is text for people: it has no form %s; see 'orders show -o %s'", form, form)
	}
	_, err = fmt.Fprintln(w, strings.TrimRight(s.Text(), "\n"))
	return err
}

func (a *app) openOrder(w http.ResponseWriter, r *http.Request) error {
	if err := a.watch.ready(r.Context()); err != nil {
		return err
	}
	o, err := a.floor.Open(r.Context(), r.FormValue("alert"), r.FormValue("by"), r.FormValue("propose") != "true")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(w, o.ID)
	return err
}
