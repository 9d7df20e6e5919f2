package analyze

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// chunk is how many units are read whole at once: it bounds the polls held in memory.
const chunk = 16

// replay reads the history of units, chunk by chunk, and hands each unit's polls over in order.
func (r *Runner) replay(ctx context.Context, units []*fleet.Unit, until time.Time, each func(*fleet.Unit, []*series.Poll) error) error {
	roster := r.roster()
	for part := range slices.Chunk(units, chunk) {
		polls := make(map[string][]*series.Poll, len(part))
		for _, u := range part {
			polls[u.Unit] = nil
		}
		vins, devices := vehicles(part)
		for p, err := range r.history.Polls(ctx, vins, devices, until) {
			if err != nil {
				return fmt.Errorf("read history of units %s: %w", names(part), err)
			}
			if u := unitOf(roster, p); u != nil && wanted(p, until) {
				if list, ok := polls[u.Unit]; ok {
					polls[u.Unit] = append(list, p)
				}
			}
		}
		g, ctx := errgroup.WithContext(ctx)
		g.SetLimit(runtime.GOMAXPROCS(0))
		for _, u := range part {
			g.Go(func() error {
				if err := ctx.Err(); err != nil {
					return err
				}
				slices.SortStableFunc(polls[u.Unit], order)
				return each(u, polls[u.Unit])
			})
		}
		if err := g.Wait(); err != nil {
			return err
		}
	}
	return nil
}

func (r *Runner) foldAll(u *fleet.Unit, polls []*series.Poll, t *tracer) (*Vehicle, error) {
	v := r.vehicle(u)
	v.trace = t
	for _, p := range polls {
		if err := v.Apply(p); err != nil {
			return nil, err
		}
	}
	return v, nil
}

// choose finds units on the roster, all of them when names is nil. Names that are not there are left out.
func (r *Runner) choose(roster *fleet.Roster, names []string) []*fleet.Unit {
	all := slices.Clone(roster.Units())
	if names != nil {
		all = slices.DeleteFunc(all, func(u *fleet.Unit) bool { return !slices.Contains(names, u.Unit) })
	}
	slices.SortFunc(all, func(a, b *fleet.Unit) int { return strings.Compare(a.Unit, b.Unit) })
	return all
}

// unitOf is the unit a poll belongs to; nil when it is not on the roster, or when VIN and dongle belong to
// different units: such a report is in the quarantine.
func unitOf(roster *fleet.Roster, p *series.Poll) *fleet.Unit {
	u, err := roster.Resolve(p.VIN, p.Device)
	if err != nil {
		return nil
	}
	return u
}

// Trace folds the unit of a series again, up to a time (zero: all of its history), and returns the course
// of that series. It is an error when the unit is not on the roster or has no such series by then.
func (r *Runner) Trace(ctx context.Context, key series.Key, until time.Time) (*Trace, error) {
	all, err := r.traces(ctx, key.Unit, until)
	if err != nil {
		return nil, err
	}
	if t, ok := all[key]; ok {
		return t, nil
	}
	return nil, fmt.Errorf("series %s: no such test was read from that unit", key)
}

// Traces folds a unit again and returns the course of all its series.
func (r *Runner) Traces(ctx context.Context, unit string) (map[series.Key]*Trace, error) {
	return r.traces(ctx, unit, time.Time{})
}

func (r *Runner) traces(ctx context.Context, unit string, until time.Time) (all map[series.Key]*Trace, err error) {
	units := r.choose(r.roster(), []string{unit})
	if len(units) == 0 {
		return nil, fmt.Errorf("unit %s is not on the roster", unit)
	}
	err = r.replay(ctx, units, until, func(u *fleet.Unit, polls []*series.Poll) error {
		v, err := r.foldAll(u, polls, &tracer{points: map[series.Key][]Point{}})
		if err == nil {
			all = v.traces()
		}
		return err
	})
	return all, err
}

// AsOf folds the whole roster from readings up to t alone, apart from the runner's own state, and returns
// the claims by unit and the state of every series as they would have been then.
func (r *Runner) AsOf(ctx context.Context, t time.Time) (map[string][]Signal, []Now, error) {
	type view struct {
		signals []Signal
		now     []Now
	}
	units := r.choose(r.roster(), nil)
	views := make(chan struct {
		unit string
		view
	}, len(units))
	err := r.refold(ctx, units, t, func(v *Vehicle) {
		views <- struct {
			unit string
			view
		}{v.unit, view{v.Signals(), v.Series()}}
	})
	if err != nil {
		return nil, nil, fmt.Errorf("as of %s: %w", t.Format(time.RFC3339), err)
	}
	close(views)
	signals := map[string][]Signal{}
	var now []Now
	for x := range views {
		if len(x.signals) > 0 {
			signals[x.unit] = x.signals
		}
		now = append(now, x.now...)
	}
	slices.SortFunc(now, func(a, b Now) int { return compareKeys(a.Key, b.Key) })
	return signals, now, nil
}

func compareKeys(a, b series.Key) int {
	if c := strings.Compare(a.Unit, b.Unit); c != 0 {
		return c
	}
	if c := strings.Compare(a.ECU, b.ECU); c != 0 {
		return c
	}
	return strings.Compare(a.Test, b.Test)
}

func names(units []*fleet.Unit) string {
	list := make([]string, len(units))
	for i := range units {
		list[i] = units[i].Unit
	}
	return strings.Join(list, ", ")
}
