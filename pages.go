package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"marginline/alerts/api"
	"marginline/alerts/shop"
	"marginline/dashboards"
	"marginline/ingest/broker"
	"marginline/ingest/fleet"
)

// pages is the web server over the open stages.
func (a *app) pages() (*dashboards.Server, error) {
	cfg := dashboards.DefaultConfig()
	cfg.Version = version
	if host := a.cfg.publicHost(); host != "" {
		cfg.Hosts = append(cfg.Hosts, host)
	}
	provider, err := a.provider()
	if err != nil {
		return nil, err
	}
	s, err := dashboards.New(cfg, dashboards.Deps{
		Book: signedBook{a.book, a.floor}, Series: a.watch.runner, Roster: rosterNow{a}, Names: names{}, Codes: codes{a}, Facts: told{a}, Uses: uses{a}, Background: around{a},
		Intakes: intake{a}, Reviews: a.floor, Trials: a.watch.runner, Worths: a.cfg.worths(), Currency: a.cfg.Cost.Currency, ClassOf: a.classOf, Quarantine: put{a}, SQL: analyst{a}, Shelf: a.shelf, Health: health{a},
		Desk: a.floor.advice, Floor: signed{a.floor}, Deliveries: signed{a.floor}, API: api.Handler(signed{a.floor}, version), People: a.people, Provider: provider,
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

// uses asks the history how a unit is used: of each quantity the newest value that was read, and the reports before which
// codes were cleared, by counters that began anew, or that came from another dongle than the one before. It is one question,
// since a question costs more to prepare than to answer.
type uses struct{ app *app }

func (u uses) Use(ctx context.Context, unit string) (dashboards.Use, error) {
	use := dashboards.Use{}
	of := []*float64{&use.OdometerKm, &use.EngineHours, &use.WarmupsSinceClear, &use.KmSinceClear}
	newest := ""
	for i, column := range []string{"odometer_km", "engine_hours", "warmups_since_clear", "distance_since_clear_km"} {
		*of[i] = math.NaN()
		newest += fmt.Sprintf(", arg_max(%s, read_at) filter (where %s is not null)", column, column)
	}
	res, err := u.app.engine.Query(ctx, source{app: u.app}, fmt.Sprintf(`
		with r as (select *, warmups_since_clear w, distance_since_clear_km k from reports where clock_ok and unit = '%s'),
		x as (select *, lag(device) over o as before, w < lag(w ignore nulls) over o or k < lag(k ignore nulls) over o - 1 as fell
			from r window o as (order by read_at))
		select max(read_at), list({at: read_at, fell: fell, before: before, device: device} order by read_at desc)
			filter (where fell or before <> device)[:50]%s from x`, quoted(unit), newest))
	if err != nil {
		return use, fmt.Errorf("use of unit %s: %w", unit, err)
	}
	for _, r := range res.Rows {
		use.At, _ = r[0].(time.Time)
		for i := range of {
			if v, ok := r[i+2].(float64); ok {
				*of[i] = v
			}
		}
		turns, _ := r[1].([]any)
		for _, x := range turns {
			turn, _ := x.(map[string]any)
			at, _ := turn["at"].(time.Time)
			if fell, _ := turn["fell"].(bool); fell {
				use.Clears = append(use.Clears, at)
			}
			from, _ := turn["before"].(string)
			if to, _ := turn["device"].(string); from != to && from != "" {
				use.Swaps = append(use.Swaps, dashboards.Swap{At: at, From: from, To: to})
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

// put is the quarantine as the pages see it.
type put struct{ app *app }

func (p put) Held(ctx context.Context) ([]dashboards.Held, error) {
	entries, err := p.app.broker.Quarantined(ctx, 0, 0)
	if err != nil {
		return nil, err
	}
	out := make([]dashboards.Held, len(entries))
	for i, e := range entries {
		out[i] = dashboards.Held{ID: quarantineID(e.Seq, e.Message), At: e.At, Device: e.Device, ReportID: e.ReportID,
			Message: e.Message, Reason: e.Reason, Detail: e.Detail, Raw: e.Raw}
	}
	return out, nil
}

func (p put) Replay(ctx context.Context, ids []string) ([]dashboards.Retried, error) {
	entries, err := p.app.broker.Quarantined(ctx, 0, 0)
	if err != nil {
		return nil, err
	}
	entries = slices.DeleteFunc(entries, func(e broker.Entry) bool { return !slices.Contains(ids, quarantineID(e.Seq, e.Message)) })
	done, err := p.app.consumer.Replay(ctx, entries)
	if err := errors.Join(err, p.app.note(ctx, "quarantine replayed", strings.Join(ids, " "), "")); err != nil {
		return nil, err
	}
	out := make([]dashboards.Retried, len(done))
	for i, d := range done {
		out[i] = dashboards.Retried{ID: quarantineID(d.Entry.Seq, d.Entry.Message), Taken: d.Taken, Report: d.Report, Why: d.Why}
	}
	return out, nil
}

// intake asks the history how reports came in.
type intake struct{ app *app }

func (n intake) Intake(ctx context.Context, since time.Time) (dashboards.Intake, error) {
	in := dashboards.Intake{Since: since}
	src, from := source{app: n.app}, since.UTC().Format("2006-01-02 15:04:05")
	res, err := n.app.engine.Query(ctx, src, fmt.Sprintf(`select count(*), coalesce(sum(results), 0), count(distinct unit), count(*) filter (where not clock_ok),
		coalesce(sum(rejected), 0), count(*) filter (where unit is null) from reports where received_at >= timestamp '%s'`, from))
	if err != nil {
		return in, fmt.Errorf("intake: %w", err)
	}
	for i, to := range []*int{&in.Reports, &in.Results, &in.Units, &in.WrongClock, &in.Rejected, &in.Unknown} {
		*to = counted(res.Rows[0][i])
	}
	if in.WrongClock == 0 {
		return in, nil
	}
	res, err = n.app.engine.Query(ctx, src, fmt.Sprintf(
		"select device, unit, count(*) from reports where not clock_ok and received_at >= timestamp '%s' group by all order by 3 desc, 1 limit 10", from))
	if err != nil {
		return in, fmt.Errorf("intake: %w", err)
	}
	for _, r := range res.Rows {
		c := dashboards.DeviceCount{Reports: counted(r[2])}
		c.Device, _ = r[0].(string)
		c.Unit, _ = r[1].(string)
		in.Clocks = append(in.Clocks, c)
	}
	return in, nil
}

// counted is a whole number of an answer, however wide the engine makes it.
func counted(v any) int {
	n, _ := strconv.Atoi(fmt.Sprint(v))
	return n
}
