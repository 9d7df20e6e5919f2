package main

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"marginline/dashboards"
)

// around asks the history what stood around the results of a series.
type around struct{ app *app }

func (h around) Conditions(ctx context.Context, unit string, columns []string) (map[string][]float64, error) {
	res, err := h.app.engine.Query(ctx, source{app: h.app}, fmt.Sprintf("select report_id, %s from reports where unit = '%s'", strings.Join(columns, ", "), quoted(unit)))
	if err != nil {
		return nil, fmt.Errorf("conditions of unit %s: %w", unit, err)
	}
	out := make(map[string][]float64, len(res.Rows))
	for _, r := range res.Rows {
		id, _ := r[0].(string)
		row := make([]float64, len(columns))
		for i := range columns {
			v, ok := r[i+1].(float64)
			if row[i] = v; !ok {
				row[i] = math.NaN()
			}
		}
		out[id] = row
	}
	return out, nil
}

// Peers counts each unit once a week, with the median of that week.
func (h around) Peers(ctx context.Context, of dashboards.Peers) ([]dashboards.PeerWeek, error) {
	limit := func(column string, v float64) string {
		if math.IsNaN(v) {
			return column + " is null"
		}
		return fmt.Sprintf("abs(%s - %g) <= %g", column, v, 1e-9*max(1, math.Abs(v)))
	}
	res, err := h.app.engine.Query(ctx, source{app: h.app}, fmt.Sprintf(`
		with mine as (select engine_family as family from units where unit = '%[1]s'),
		weeks as (select r.unit, date_trunc('week', r.read_at)::timestamp as week, median(r.value) as value
			from readings r join units u on u.unit = r.unit
			where r.test = '%[3]s' and r.ecu = '%[2]s' and r.unit <> '%[1]s' and r.state = 'ok' and r.clock_ok
				and u.engine_family is not distinct from (select family from mine)
				and r.read_at >= timestamp '%[4]s' and %[5]s and %[6]s
			group by all)
		select week, count(*), quantile_cont(value, 0.1), median(value), quantile_cont(value, 0.9) from weeks group by week order by week`,
		quoted(of.Key.Unit), quoted(of.Key.ECU), quoted(of.Key.Test), of.Since.UTC().Add(-7*24*time.Hour).Format("2006-01-02 15:04:05"),
		limit("r.min", of.Min), limit("r.max", of.Max)))
	if err != nil {
		return nil, fmt.Errorf("peers of %s: %w", of.Key, err)
	}
	out := make([]dashboards.PeerWeek, 0, len(res.Rows))
	for _, r := range res.Rows {
		w := dashboards.PeerWeek{Units: counted(r[1])}
		w.From, _ = r[0].(time.Time)
		w.Low, _ = r[2].(float64)
		w.Mid, _ = r[3].(float64)
		w.High, _ = r[4].(float64)
		out = append(out, w)
	}
	return out, nil
}
