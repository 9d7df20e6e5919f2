package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/lake"
	query "marginline/sql"
)

// A source gives a query the lake at one snapshot and the small tables beside it.
type source struct {
	app   *app
	asOf  query.AsOf
	notes *[]string // what has to be told beside an answer from the past; may be nil
}

// Pin first brings the drift table up to date, where it is asked for. Should that fail, the pinned state is
// without it, and Small folds instead.
func (s source) Pin(ctx context.Context, views []string) (query.Snapshot, error) {
	pin, lags := s.app.lake.Pin, false
	notes, err := s.asOf.MayGoBack(views)
	if err != nil {
		return nil, err
	}
	if s.notes != nil {
		*s.notes = notes
	}
	if !s.asOf.IsZero() {
		pin, lags = s.pinPast, true
	} else if slices.Contains(views, "drift") {
		lags = !s.app.watch.writeDrift(ctx)
	}
	p, err := pin()
	if err != nil {
		return nil, err
	}
	return &pinned{source: s, lake: p, lags: lags}, nil
}

type pinned struct {
	source
	lake *lake.Pinned
	lags bool // the drift table does not hold all that follows from the readings
}

func (p *pinned) Release() { p.lake.Release() }

func (p *pinned) Tables() []query.Table {
	var out []query.Table
	for _, t := range p.lake.Tables() {
		if t.Name == "drift" && p.lags {
			continue
		}
		q := query.Table{Name: t.Name, SnapshotID: t.SnapshotID, CommittedAt: t.CommittedAt, Rows: t.Rows}
		for _, f := range t.Files {
			q.Files = append(q.Files, query.File{Path: f.Path, VIN: bounds(f.VINs), Device: bounds(f.Devices), VINs: !f.WithoutVIN, From: f.From, To: f.To})
		}
		for _, c := range t.Columns {
			q.Fields = append(q.Fields, query.Field{ID: c.FieldID, Name: c.Name, Type: c.Type})
		}
		out = append(out, q)
	}
	return out
}

func bounds(b *lake.Bounds) query.Bounds {
	if b == nil {
		return query.Bounds{}
	}
	return query.Bounds{Known: true, Low: b.Low, High: b.High}
}

// Small answers for what is not in the lake.
func (p *pinned) Small(ctx context.Context, name string) (query.Rows, error) {
	if name == "units" {
		return p.units(), nil
	}
	switch name {
	case "series":
		rows, err := p.app.seriesRows(ctx, "")
		return query.Rows{Columns: seriesColumns, Rows: slices.Values(rows)}, err
	case "drift":
		return p.drift(ctx)
	case "alerts":
		return p.alerts(ctx)
	case "work_orders":
		return p.orders(ctx)
	}
	return query.Rows{}, fmt.Errorf("no table %q", name)
}

// drift folds the whole roster again and gives every point of it: for when the table lags behind the readings.
func (p *pinned) drift(ctx context.Context) (query.Rows, error) {
	if err := p.app.watch.ready(ctx); err != nil {
		return query.Rows{}, err
	}
	var failed error
	runner := p.app.watch.runner
	rows := func(yield func([]any) bool) {
		failed = runner.Courses(ctx, func(x *analyze.Row) error {
			var c analyze.Crossing
			if x.Crossing != nil {
				c = *x.Crossing
			}
			if !yield([]any{x.Key.Unit, text(x.VIN), x.Key.ECU, x.Key.Test, text(x.Family), x.At, x.ReportID, x.Epoch, x.Value, x.Min, x.Max, x.UnitOfMeasure,
				x.Margin, x.Baseline, x.Z, x.Score, x.PCross30, c.P10, c.P50, c.P90, runner.Version()}) {
				return errStopped
			}
			return nil
		})
		if errors.Is(failed, errStopped) {
			failed = nil
		}
	}
	return query.Rows{Columns: driftColumns, Rows: rows, Err: func() error { return failed }}, nil
}

// errStopped ends a fold whose reader has had enough.
var errStopped = errors.New("stopped")

var driftColumns = []string{"unit", "vin", "ecu", "test", "family", "read_at", "report_id", "epoch", "value", "min", "max", "unit_of_measure",
	"margin", "baseline", "z", "score", "p_cross_30d", "limit_p10", "limit_p50", "limit_p90", "settings"}

// quoted is a text inside the quotes of a query.
func quoted(s string) string { return strings.ReplaceAll(s, "'", "''") }

func (p *pinned) units() query.Rows {
	r := query.Rows{Columns: []string{"unit", "vin", "device", "depot", "time_zone", "engine_family", "fuel", "weight_class", "gvwr_kg", "state", "tank_l",
		"in_service_date", "odometer_km", "engine_hours", "pm_interval_km", "pm_interval_days", "pm_interval_hours", "pm_last_date", "pm_last_km", "pm_last_hours", "inspection_due"}}
	var rows [][]any
	for _, u := range p.app.roster.Load().Units() {
		rows = append(rows, []any{u.Unit, text(u.VIN), text(u.Device), text(u.Depot), text(u.TimeZone), text(u.EngineFamily), text(u.Fuel), text(u.WeightClass),
			u.GVWRKg, text(u.State), u.TankL, u.InService, u.OdometerKm, u.EngineHours, u.PMIntervalKm, u.PMIntervalDays, u.PMIntervalHours,
			u.PMLast, u.PMLastKm, u.PMLastHours, u.InspectionDue})
	}
	r.Rows = slices.Values(rows)
	return r
}

// text is a string that reads NULL when empty.
func text(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func (p *pinned) alerts(ctx context.Context) (query.Rows, error) {
	if err := p.app.watch.ready(ctx); err != nil {
		return query.Rows{}, err
	}
	list, err := p.app.book.List(ctx, true)
	if err != nil {
		return query.Rows{}, err
	}
	var rows [][]any
	for _, a := range list {
		limit := alerts.Limit{}
		if a.LimitAt != nil {
			limit = *a.LimitAt
		}
		rows = append(rows, []any{a.ID, a.Unit, text(a.VIN), text(a.ECU), a.Tests, text(a.Family), string(a.Kind), string(a.Consequence), string(a.State), a.RaisedAt,
			deref(a.DriftSince), deref(a.Margin), deref(limit.P10), deref(limit.P50), deref(limit.P90), a.Reason, deref(a.ExplainedBy), deref(a.OrderID)})
	}
	return query.Rows{Columns: []string{"id", "unit", "vin", "ecu", "tests", "family", "kind", "consequence", "state", "raised_at", "drift_since", "margin",
		"limit_p10", "limit_p50", "limit_p90", "reason", "explained_by", "order_id"}, Rows: slices.Values(rows)}, nil
}

// deref is what a pointer points at, or NULL.
func deref[T any](p *T) any {
	if p == nil {
		return nil
	}
	return *p
}

func (p *pinned) orders(ctx context.Context) (query.Rows, error) {
	list, err := p.app.book.Orders(ctx)
	if err != nil {
		return query.Rows{}, err
	}
	return query.Rows{Columns: orderColumns, Rows: slices.Values(p.app.orderRows(list))}, nil
}

var seriesColumns = []string{"unit", "vin", "ecu", "test", "family", "last_read", "last_fresh", "state", "value", "min", "max", "unit_of_measure", "margin", "passed",
	"cal_id", "epoch", "fresh", "baseline", "spread", "toward", "used", "score", "threshold", "since", "p_cross_30d", "limit_p10", "limit_p50", "limit_p90", "learning"}

// seriesRows is the present state of every series of a unit, or of all.
func (a *app) seriesRows(ctx context.Context, unit string) ([][]any, error) {
	if err := a.watch.ready(ctx); err != nil {
		return nil, err
	}
	units := a.watch.runner.Units()
	if unit != "" {
		if a.roster.Load().Unit(unit) == nil {
			return nil, fmt.Errorf("unit %q is not on the roster", unit)
		}
		units = []string{unit}
	}
	rows := [][]any{}
	for _, u := range units {
		for _, n := range a.watch.runner.Series(u) {
			rows = append(rows, seriesRow(n))
		}
	}
	return rows, nil
}

func seriesRow(n analyze.Now) []any {
	var c analyze.Crossing
	if n.Crossing != nil {
		c = *n.Crossing
	}
	var passed any
	if n.Passed >= 0 {
		passed = n.Passed == 1
	}
	return []any{n.Key.Unit, text(n.VIN), n.Key.ECU, n.Key.Test, text(n.Family), n.LastRead, n.LastFresh, n.State.String(), n.Value, n.Min, n.Max, n.UnitOfMeasure,
		n.Margin, passed, text(n.CalID), n.Epoch, n.Fresh, n.Baseline, n.Spread, text(n.Toward), n.Used, n.Score, n.Threshold, n.Since, n.PCross30d,
		c.P10, c.P50, c.P90, n.Learning}
}
