package main

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/analyze"
)

func (a *app) listAlerts(w http.ResponseWriter, r *http.Request) error {
	list, err := a.alertList(r)
	if err != nil {
		return err
	}
	if r.FormValue("form") == "json" {
		return writeJSON(w, list)
	}
	l := listing{columns: []string{"id", "unit", "consequence", "kind", "family", "tests", "state", "raised_at", "margin", "limit_p10", "limit_p90", "reason"}}
	for _, x := range list {
		var p10, p90 *time.Time
		if x.LimitAt != nil {
			p10, p90 = x.LimitAt.P10, x.LimitAt.P90
		}
		l.add(x.ID, x.Unit, string(x.Consequence), string(x.Kind), x.Family, strings.Join(x.Tests, " "), string(x.State), x.RaisedAt, x.Margin, p10, p90, x.Reason)
	}
	return l.print(w, r.FormValue("form"))
}

// alertList is the book, or with as-of the book as it would be from readings up to that time alone.
func (a *app) alertList(r *http.Request) ([]alerts.Alert, error) {
	ctx, all := r.Context(), r.FormValue("all") == "true"
	if err := a.watch.ready(ctx); err != nil {
		return nil, err
	}
	if r.FormValue("as-of") == "" {
		return a.book.List(ctx, all)
	}
	at, err := parseTime(r.FormValue("as-of"))
	if err != nil {
		return nil, err
	}
	signals, now, err := a.watch.runner.AsOf(ctx, at)
	if err != nil {
		return nil, err
	}
	byUnit := map[string][]analyze.Now{}
	for _, n := range now {
		byUnit[n.Key.Unit] = append(byUnit[n.Key.Unit], n)
	}
	list := []alerts.Alert{}
	for _, u := range a.roster.Load().Units() {
		for _, x := range a.watch.derive(u.Unit, signals[u.Unit], byUnit[u.Unit]) {
			if all || x.State.Standing() {
				list = append(list, x)
			}
		}
	}
	alerts.Rank(list)
	return list, nil
}

func (a *app) showAlert(w http.ResponseWriter, r *http.Request) error {
	x, history, err := a.book.Get(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	if r.FormValue("form") == "json" {
		return writeJSON(w, struct {
			*alerts.Alert
			History []alerts.AuditEntry `json:"history"`
		}{x, history})
	}
	l := listing{columns: []string{"field", "value"}}
	l.add("id", x.ID)
	l.add("unit", x.Unit)
	l.add("vin", x.VIN)
	l.add("ecu", x.ECU)
	l.add("tests", strings.Join(x.Tests, " "))
	l.add("family", x.Family)
	l.add("kind", string(x.Kind))
	l.add("consequence", string(x.Consequence))
	l.add("state", string(x.State))
	l.add("raised_at", x.RaisedAt)
	l.add("drift_since", x.DriftSince)
	l.add("margin", x.Margin)
	if x.LimitAt != nil {
		l.add("limit_p10", x.LimitAt.P10)
		l.add("limit_p50", x.LimitAt.P50)
		l.add("limit_p90", x.LimitAt.P90)
	} else {
		l.add("limit", "not enough evidence for a date")
	}
	for _, w := range x.RecentWork {
		l.add("recent_work", cell(w.At)+" "+w.Words)
	}
	l.add("reason", x.Reason)
	l.add("explained_by", x.ExplainedBy)
	if x.OneJob != "" {
		l.add("one_job", x.OneJob)
	}
	l.add("order_id", x.OrderID)
	for _, h := range history {
		l.add("history", fmt.Sprintf("%s %s: %s -> %s. %s", cell(h.At), h.Who, h.From, h.To, h.Why))
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) decideAlert(w http.ResponseWriter, r *http.Request) error {
	ctx, id, who, why := r.Context(), r.PathValue("id"), r.FormValue("by"), r.FormValue("reason")
	x, _, err := a.book.Get(ctx, id)
	if err != nil {
		return err
	}
	switch r.PathValue("verb") {
	case "ack":
		err = a.book.Acknowledge(ctx, x.ID, who, why, time.Time{})
	case "explain":
		err = a.book.Explain(ctx, x.ID, who, why, time.Time{})
	case "mute":
		var until time.Time
		if until, err = parseTime(r.FormValue("until")); err == nil {
			err = a.book.Mute(ctx, x.ID, who, why, until)
		}
	default:
		err = fmt.Errorf("unknown decision %q", r.PathValue("verb"))
	}
	if err != nil {
		return err
	}
	if x, _, err = a.book.Get(ctx, x.ID); err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s of unit %s is %s\n", x.ID, x.Unit, x.State)
	return err
}
