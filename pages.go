package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"marginline/alerts/api"
	"marginline/dashboards"
	"marginline/ingest/fleet"
)

// pages is the web server over the open stages.
func (a *app) pages() (*dashboards.Server, error) {
	cfg := dashboards.DefaultConfig()
	cfg.Version = version
	s, err := dashboards.New(cfg, dashboards.Deps{
		Book: a.book, Series: a.watch.runner, Roster: rosterNow{a}, Names: names{}, Codes: codes{a}, SQL: analyst{a}, Shelf: a.shelf, Health: health{a},
		API:     api.Handler(a.floor, version),
		Metrics: promhttp.HandlerFor(a.reg, promhttp.HandlerOpts{Registry: a.reg}), Now: time.Now,
	}, a.log)
	if err != nil {
		return nil, err
	}
	a.watch.notify = func(units []string) { s.Changed(units...) }
	return s, nil
}

// rosterNow is the roster of the moment: it is replaced while the pages are served.
type rosterNow struct{ app *app }

func (r rosterNow) Units() []*fleet.Unit         { return r.app.roster.Load().Units() }
func (r rosterNow) Unit(name string) *fleet.Unit { return r.app.roster.Load().Unit(name) }

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
