package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"marginline/alerts"
)

// usageDays is the stretch of reports that a unit's use is taken from, usageKept how old an answer a page may show.
const (
	usageDays = 60
	usageKept = 15 * time.Minute
)

// A usage is how the units were used when the history was last asked. Plan and pages have it from here, so that both count a PM
// service alike.
type usage struct {
	sync.Mutex
	asked time.Time
	of    map[string]alerts.Usage
}

// usage is the use of every unit, at most so old.
func (f *floor) usage(ctx context.Context, old time.Duration) (map[string]alerts.Usage, error) {
	f.used.Lock()
	defer f.used.Unlock()
	if len(f.used.of) > 0 && time.Since(f.used.asked) < old {
		return f.used.of, nil
	}
	at := time.Now()
	of, err := f.askUsage(ctx)
	if err != nil {
		return f.used.of, err
	}
	f.used.asked, f.used.of = at, of
	return of, nil
}

// askUsage asks the history how the units are used. A meter that fell was changed; the newest part counts.
func (f *floor) askUsage(ctx context.Context) (map[string]alerts.Usage, error) {
	res, err := f.app.engine.Query(ctx, source{app: f.app}, fmt.Sprintf(`
		with r as (select unit, read_at, odometer_km km, engine_hours h from reports where unit is not null and clock_ok
			and read_at > (select max(read_at) - interval %d day from reports where clock_ok))
		select unit, max(read_at), arg_max(km, read_at) filter (km is not null), arg_max(h, read_at) filter (h is not null),
			greatest(0, arg_max(km, read_at) filter (km is not null) - arg_min(km, read_at) filter (km is not null)) / greatest(1, date_diff('second', min(read_at), max(read_at)) / 86400.0),
			greatest(0, arg_max(h, read_at) filter (h is not null) - arg_min(h, read_at) filter (h is not null)) / greatest(1, date_diff('second', min(read_at), max(read_at)) / 86400.0)
		from r group by unit`, usageDays))
	if err != nil {
		return nil, fmt.Errorf("use of the units: %w", err)
	}
	number := func(v any) float64 { x, _ := v.(float64); return x }
	out := map[string]alerts.Usage{}
	for _, r := range res.Rows {
		unit, _ := r[0].(string)
		at, _ := r[1].(time.Time)
		out[unit] = alerts.Usage{At: at, OdometerKm: number(r[2]), EngineHours: number(r[3]), KmPerDay: number(r[4]), HoursPerDay: number(r[5])}
	}
	return out, nil
}
