package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"runtime/pprof"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// controlHandler answers the commands. Answers are data in the form asked for; an error is its text, with
// a status that is not 2xx.
func (a *app) controlHandler() http.Handler {
	mux := http.NewServeMux()
	handle := func(pattern string, h func(w http.ResponseWriter, r *http.Request) error) {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			out := &begun{ResponseWriter: w}
			switch err := h(out, r); {
			case err == nil:
			case out.yes: // part of an answer is out: break it off, so that nobody takes it for the whole
				a.log.Error("an answer broke off", "request", pattern, "err", err)
				panic(http.ErrAbortHandler)
			default:
				http.Error(w, err.Error(), http.StatusUnprocessableEntity)
			}
		})
	}
	handle("POST /roster", a.takeRoster)
	handle("POST /backup", a.takeBackup)
	a.enrollHandlers(handle)
	handle("POST /import", a.takeReports)
	handle("POST /sql", a.answerSQL)
	handle("GET /alerts", a.listAlerts)
	handle("GET /alerts/{id}", a.showAlert)
	handle("POST /alerts/{id}/{verb}", a.decideAlert)
	handle("GET /orders", a.listOrders)
	handle("GET /orders/{id}", a.showOrder)
	handle("GET /sheets/{id}", a.printSheet)
	handle("POST /orders", a.openOrder)
	handle("POST /orders/{id}/{step}", a.stepOrder)
	handle("GET /plan", a.showPlan)
	handle("POST /plan", a.showPlan)
	handle("POST /plan/{job}", a.acceptPlan)
	handle("GET /deliveries", a.listDeliveries)
	handle("GET /receivers", a.listReceivers)
	handle("POST /deliveries/test", a.testDelivery)
	handle("GET /shop/facts", a.listFacts)
	handle("POST /shop/facts", a.dated(a.addFact))
	handle("POST /shop/facts/import", a.dated(a.importFacts))
	handle("POST /shop/facts/{id}/retract", a.dated(a.retractFact))
	handle("GET /shop/file", a.showShopFile)
	handle("POST /shop/file", a.takeShopFile)
	handle("GET /series", a.listSeries)
	handle("GET /common", a.listMovements)
	handle("GET /series/{unit}/{ecu}/{test}", a.showSeries)
	handle("GET /backtest", a.backtest)
	handle("GET /quarantine", a.listQuarantine)
	handle("GET /quarantine/{id}", a.showQuarantine)
	handle("POST /quarantine/replay", a.replayQuarantine)
	handle("POST /lake/compact", a.compactLake)
	handle("POST /lake/expire", a.expireLake)
	// What holds the memory, for go tool pprof; behind the private door only.
	handle("GET /debug/heap", func(w http.ResponseWriter, _ *http.Request) error { return pprof.Lookup("heap").WriteTo(w, 0) })
	a.peopleHandlers(handle)
	return fromCommand(mux)
}

// begun remembers whether an answer has begun.
type begun struct {
	http.ResponseWriter
	yes bool
}

func (b *begun) Write(p []byte) (int, error) {
	b.yes = true
	return b.ResponseWriter.Write(p)
}

func (a *app) takeRoster(w http.ResponseWriter, r *http.Request) error {
	roster, faults, err := fleet.ReadCSV(r.Body)
	if err != nil {
		return err
	}
	if len(roster.Units()) == 0 {
		return fmt.Errorf("no usable row; the roster was left as it was%s", firstFault(faults))
	}
	if err := a.setRoster(r.Context(), roster); err != nil {
		return err
	}
	t := rosterTaken{Units: len(roster.Units())}
	if err := a.note(r.Context(), "roster taken", "roster", fmt.Sprintf("%d units, %d rows left out", t.Units, len(faults))); err != nil {
		return err
	}
	for _, f := range faults {
		t.Errors = append(t.Errors, f.Error())
	}
	return json.NewEncoder(w).Encode(t)
}

func firstFault(faults []fleet.RowError) string {
	if len(faults) == 0 {
		return ""
	}
	return " (" + faults[0].Error() + ")"
}

func (a *app) takeReports(w http.ResponseWriter, r *http.Request) error {
	ctx, before := r.Context(), a.consumer.Counts()
	done := a.watch.importing()
	defer done()
	n, err := a.importLines(ctx, r.Body, nil)
	if err != nil {
		return fmt.Errorf("%w; %d reports are in the log and will be committed; run the import again for the rest", err, n.Reports)
	}
	if err := a.watch.refit(ctx); err != nil {
		return err
	}
	a.watch.writeDrift(ctx)
	open, err := a.book.List(ctx, false)
	if err != nil {
		return err
	}
	after := a.consumer.Counts()
	return json.NewEncoder(w).Encode(imported{
		Reports: n.Reports, Unreadable: n.Unreadable, Open: len(open),
		Duplicates: after.Duplicates - before.Duplicates, Quarantined: after.Quarantined - before.Quarantined,
		Readings: after.Readings - before.Readings,
	})
}

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

func (a *app) listSeries(w http.ResponseWriter, r *http.Request) error {
	rows, err := a.seriesRows(r.Context(), r.FormValue("unit"))
	if err != nil {
		return err
	}
	return (&listing{columns: seriesColumns, rows: rows}).print(w, r.FormValue("form"))
}

func (a *app) showSeries(w http.ResponseWriter, r *http.Request) error {
	if err := a.watch.ready(r.Context()); err != nil {
		return err
	}
	key := series.Key{Unit: r.PathValue("unit"), ECU: r.PathValue("ecu"), Test: r.PathValue("test")}
	trace, err := a.watch.runner.Trace(r.Context(), key, time.Time{})
	if err != nil {
		return err
	}
	l := listing{columns: []string{"read_at", "report_id", "epoch", "value", "min", "max", "margin", "baseline", "z", "score", "p_cross_30d", "limit_p10", "limit_p50", "limit_p90", "restart"}}
	for _, p := range trace.Points {
		var c analyze.Crossing
		if p.Crossing != nil {
			c = *p.Crossing
		}
		l.add(p.At, p.ReportID, p.Epoch, p.Value, p.Min, p.Max, p.Margin, p.Baseline, p.Z, p.Score, p.PCross30, c.P10, c.P50, c.P90, p.Restart)
	}
	if err := l.print(w, r.FormValue("form")); err != nil || r.FormValue("form") != "table" {
		return err
	}
	_, err = fmt.Fprintf(w, "\n%s\n", trace.Now.Cohort)
	return err
}

// listMovements tells what cohorts did together: no single unit is alarmed for it.
func (a *app) listMovements(w http.ResponseWriter, r *http.Request) error {
	if err := a.watch.ready(r.Context()); err != nil {
		return err
	}
	l := listing{columns: []string{"engine_family", "cal_id", "ecu", "test", "since", "until", "most", "units", "words"}}
	for _, m := range a.watch.runner.Movements() {
		l.add(m.Cohort.EngineFamily, m.Cohort.CalID, m.Cohort.ECU, m.Cohort.Test, m.Since, m.Until, m.Most, m.Units, m.String())
	}
	return l.print(w, r.FormValue("form"))
}
