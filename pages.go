package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"marginline/alerts/api"
	"marginline/alerts/shop"
	"marginline/dashboards"
	"marginline/ingest/fleet"
)

// pages is the web server over the open stages.
func (a *app) pages() (*dashboards.Server, error) {
	cfg := dashboards.DefaultConfig()
	cfg.Version = version
	s, err := dashboards.New(cfg, dashboards.Deps{
		Book: a.book, Series: a.watch.runner, Roster: rosterNow{a}, Names: names{}, Codes: codes{a}, Facts: told{a}, Uses: uses{a}, SQL: analyst{a}, Shelf: a.shelf, Health: health{a},
		Floor: a.floor, API: api.Handler(a.floor, version),
		Metrics: promhttp.HandlerFor(a.reg, promhttp.HandlerOpts{Registry: a.reg}), Now: time.Now,
	}, a.log)
	if err != nil {
		return nil, err
	}
	a.watch.notify = func(units []string) { s.Changed(units...) }
	return s, nil
}

// rosterNow is the roster of the moment, which is replaced while the pages are served; a unit comes with the
// services that the shop floor told.
type rosterNow struct{ app *app }

func (r rosterNow) Units() []*fleet.Unit         { return r.app.roster.Load().Units() }
func (r rosterNow) Unit(name string) *fleet.Unit { return r.app.floor.unit(name) }

// codes asks the history for the trouble codes of a unit.
type codes struct{ app *app }

func (c codes) Codes(ctx context.Context, unit string) ([]dashboards.Code, error) {
	res, err := c.app.engine.Query(ctx, source{app: c.app}, fmt.Sprintf(
		"select ecu, kind, code, min(first_seen), max(last_seen) from codes where unit = '%s' group by all order by 5 desc, 3, 2",
		quoted(unit)))
	if err != nil {
		return nil, fmt.Errorf("codes of unit %s: %w", unit, err)
	}
	out := make([]dashboards.Code, 0, len(res.Rows))
	for _, r := range res.Rows {
		code := dashboards.Code{}
		code.ECU, _ = r[0].(string)
		code.Kind, _ = r[1].(string)
		code.Code, _ = r[2].(string)
		code.First, _ = r[3].(time.Time)
		code.Last, _ = r[4].(time.Time)
		out = append(out, code)
	}
	return out, nil
}

// told is what the shop floor and the work orders tell of a unit.
type told struct{ app *app }

func (t told) Facts(ctx context.Context, unit string) ([]shop.Fact, error) {
	_, facts, err := t.app.floor.worked(ctx, unit)
	if err != nil {
		return nil, fmt.Errorf("facts of unit %s: %w", unit, err)
	}
	return facts, nil
}

// uses asks the history how a unit is used: of each quantity the newest value that was read.
type uses struct{ app *app }

func (u uses) Use(ctx context.Context, unit string) (dashboards.Use, error) {
	use := dashboards.Use{}
	of := []*float64{&use.OdometerKm, &use.EngineHours, &use.WarmupsSinceClear, &use.KmSinceClear}
	text := "select max(read_at)"
	for i, column := range []string{"odometer_km", "engine_hours", "warmups_since_clear", "distance_since_clear_km"} {
		*of[i] = math.NaN()
		text += fmt.Sprintf(", arg_max(%s, read_at) filter (where %s is not null)", column, column)
	}
	res, err := u.app.engine.Query(ctx, source{app: u.app}, fmt.Sprintf("%s from reports where clock_ok and unit = '%s'", text, quoted(unit)))
	if err != nil {
		return use, fmt.Errorf("use of unit %s: %w", unit, err)
	}
	for _, r := range res.Rows {
		use.At, _ = r[0].(time.Time)
		for i := range of {
			if v, ok := r[i+1].(float64); ok {
				*of[i] = v
			}
		}
	}
	return use, nil
}

// health says how the service is doing.
type health struct{ app *app }

// Ready is nil once the state is built and reports are taken in; a full disk holds that up.
func (h health) Ready(context.Context) error {
	if !h.app.watch.serving.Load() {
		return errors.New("the series state is being built from the lake, or the service is stopping")
	}
	return h.app.consumer.Held()
}

func (h health) Quarantined(ctx context.Context) (int, error) {
	n, err := h.app.broker.QuarantineSize(ctx)
	return int(n), err
}
