package analyze

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// atOnce is how many units are folded in one go: it bounds the states that are being built beside those in use, some 90 kB
// each. Units that follow one another by VIN stand together in the history, so going through it in parts costs little.
const atOnce = 256

// A folding says how units are folded from the history.
type folding struct {
	until    time.Time                 // up to here; zero for all of it
	trace    func(unit string) *tracer // makes what takes the course of a unit's series; nil: nothing does
	sets     []*Settings               // each unit is folded with each of these; nil means with the runner's own
	progress func(share float64)
}

// refold folds units from the history and hands their states over.
func (r *Runner) refold(ctx context.Context, units []*fleet.Unit, f folding, done func(*Vehicle) error) error {
	if f.sets == nil {
		f.sets = []*Settings{&r.set}
	}
	// The history keeps vehicles by VIN: units that stand together there are read together.
	units = slices.SortedStableFunc(slices.Values(units), func(a, b *fleet.Unit) int { return strings.Compare(a.VIN, b.VIN) })
	for i := 0; i < len(units); i += atOnce {
		part := units[i:min(i+atOnce, len(units))]
		goes := f
		if f.progress != nil {
			goes.progress = func(share float64) {
				f.progress((float64(i) + share*float64(len(part))) / float64(len(units)))
			}
		}
		built, err := r.fold(ctx, part, goes)
		if err != nil {
			return err
		}
		for _, v := range built {
			if err := done(v); err != nil {
				return err
			}
		}
	}
	return nil
}

// fold returns the states of units, of each with every settings.
func (r *Runner) fold(ctx context.Context, units []*fleet.Unit, f folding) ([]*Vehicle, error) {
	roster, n := r.roster(), len(f.sets)
	built := make([]*Vehicle, 0, len(units)*n)
	place := make(map[string]int, len(units))
	q := series.Replay{Until: f.until}
	if f.progress != nil {
		q.Progress = func(done, total int64) { f.progress(float64(done) / float64(max(total, 1))) }
	}
	for i, u := range units {
		place[u.Unit] = i
		for _, set := range f.sets {
			v := r.vehicle(u, set)
			if f.trace != nil {
				v.trace = f.trace(u.Unit)
			}
			built = append(built, v)
		}
		if u.VIN != "" {
			q.VINs = append(q.VINs, u.VIN)
		}
		if u.Device != "" {
			q.Devices = append(q.Devices, u.Device)
		}
	}
	q.Unit = func(vin, device string) int {
		if u := unitOf(roster, vin, device); u != nil {
			if i, ok := place[u.Unit]; ok {
				return i
			}
		}
		return -1
	}
	q.Each = func(i int, p *series.Poll) error {
		for _, v := range built[i*n : (i+1)*n] {
			if err := v.Apply(p); err != nil {
				return err
			}
		}
		return nil
	}
	if err := r.history.Replay(ctx, q); err != nil {
		return nil, fmt.Errorf("read history: %w", err)
	}
	return built, nil
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
func unitOf(roster *fleet.Roster, vin, device string) *fleet.Unit {
	u, err := roster.Resolve(vin, device)
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
	err = r.refold(ctx, units, folding{until: until, trace: collect}, func(v *Vehicle) error {
		all = v.traces()
		return nil
	})
	return all, err
}

// AsOf folds the whole roster from readings up to t alone, apart from the runner's own state, and returns
// the claims by unit and the state of every series as they would have been then.
func (r *Runner) AsOf(ctx context.Context, t time.Time) (map[string][]Signal, []Now, error) {
	signals := map[string][]Signal{}
	var now []Now
	err := r.refold(ctx, r.choose(r.roster(), nil), folding{until: t}, func(v *Vehicle) error {
		if list := v.Signals(); len(list) > 0 {
			signals[v.unit] = list
		}
		now = append(now, v.Series()...)
		return nil
	})
	if err != nil {
		return nil, nil, fmt.Errorf("as of %s: %w", t.Format(time.RFC3339), err)
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
