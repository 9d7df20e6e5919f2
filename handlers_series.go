package main

import (
	"fmt"
	"net/http"
	"time"

	"marginline/analyze"
	"marginline/ingest/series"
)

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
