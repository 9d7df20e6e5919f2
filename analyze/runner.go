package analyze

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// History gives stored polls back, of each unit in order and with or without duplicates.
type History interface {
	Replay(context.Context, series.Replay) error
}

// A Runner keeps the state of the whole roster. Its methods may be called by many goroutines at once.
type Runner struct {
	history  History
	roster   func() *fleet.Roster
	monitors Monitors
	set      Settings
	log      *slog.Logger
	recorder Recorder // nil: nobody asks for points

	params    atomic.Pointer[Parameters] // of the cohorts; nil until fitted
	surveying bool                       // only gather for a fit

	folding sync.Mutex // held by what folds from the history: one at a time

	mu      sync.RWMutex
	units   map[string]*Vehicle
	late    map[string]bool // units to be folded again from the history
	touched map[string]bool // units that changed since the last Settle
	newest  int64           // read_at (us) of the newest poll taken
	stale   bool            // a poll came for a day that had been fitted
}

// NewRunner returns a runner without state: Rebuild reads it from the history.
func NewRunner(h History, roster func() *fleet.Roster, m Monitors, s Settings, log *slog.Logger) *Runner {
	return &Runner{
		history: h, roster: roster, monitors: m, set: s, log: log,
		units: map[string]*Vehicle{}, late: map[string]bool{}, touched: map[string]bool{},
	}
}

// vehicle is a unit of the roster before its first poll.
func (r *Runner) vehicle(u *fleet.Unit, set *Settings) *Vehicle {
	m := r.monitors
	if f, ok := m.(ByFamily); ok {
		m = f.For(u.EngineFamily)
	}
	v := NewVehicle(u.Unit, u.VIN, m, set)
	v.engine, v.params = u.EngineFamily, r.params.Load()
	if r.surveying {
		v.survey = &survey{unit: u.Unit, engine: u.EngineFamily}
	}
	return v
}

// Rebuild folds units from the history, the whole roster when units is nil; then units that left the
// roster are dropped.
func (r *Runner) Rebuild(ctx context.Context, units []string) error {
	r.folding.Lock()
	defer r.folding.Unlock()
	roster := r.roster()
	chosen := r.choose(roster, units)
	if units == nil {
		r.mu.Lock()
		r.stale = false
		r.mu.Unlock()
		p, err := r.Fit(ctx, time.Time{})
		if err != nil {
			return fmt.Errorf("rebuild: %w", err)
		}
		r.params.Store(p)
	}
	err := r.refold(ctx, chosen, folding{trace: r.begin}, r.keep)
	if err != nil {
		return fmt.Errorf("rebuild: %w", err)
	}
	if units == nil {
		keep := map[string]bool{}
		for i := range chosen {
			keep[chosen[i].Unit] = true
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		gone := func(unit string, _ *Vehicle) bool { return !keep[unit] }
		for unit := range r.units {
			if gone(unit, nil) {
				r.touched[unit] = true
			}
		}
		maps.DeleteFunc(r.units, gone)
	}
	return nil
}

// keep sets the state of a unit and notes whether it changed.
func (r *Runner) keep(built *Vehicle) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	old, had := r.units[built.unit]
	if !had && !built.any {
		return nil
	}
	built.trace = r.live()
	r.units[built.unit] = built
	r.newest = max(r.newest, built.last)
	if !had || old.digest() != built.digest() {
		r.touched[built.unit] = true
	}
	return nil
}

// Take folds newly committed polls. Those that come in order are folded at once; the unit of a late one,
// or of any poll that comes while the history is being read, is marked and folded again by Settle.
func (r *Runner) Take(ctx context.Context, polls []*series.Poll) error {
	roster := r.roster()
	alone := r.folding.TryLock()
	if alone {
		defer r.folding.Unlock()
	}
	polls = slices.Clone(polls)
	slices.SortStableFunc(polls, order)
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, p := range polls {
		if err := ctx.Err(); err != nil {
			return err
		}
		u := unitOf(roster, p.VIN, p.Device)
		if u == nil || !p.ClockOK {
			continue
		}
		at := p.ReadAt.UnixMicro()
		r.newest = max(r.newest, at)
		if fitted := r.params.Load(); fitted != nil && dayOf(at) < fitted.fitted {
			r.stale = true
		}
		if !alone || r.late[u.Unit] {
			r.late[u.Unit] = true
			continue
		}
		v, ok := r.units[u.Unit]
		if !ok {
			v = r.vehicle(u, &r.set)
			v.trace = r.live()
			r.units[u.Unit] = v
		}
		switch err := v.Apply(p); {
		case errors.Is(err, ErrOrder):
			r.late[u.Unit] = true
		case err != nil:
			return fmt.Errorf("fold unit %s: %w", u.Unit, err)
		default:
			r.touched[u.Unit] = true
		}
	}
	return nil
}

// Settle folds the marked units again and returns, sorted, the units that changed since the last Settle.
func (r *Runner) Settle(ctx context.Context) (changed []string, err error) {
	r.folding.Lock()
	defer r.folding.Unlock()
	r.mu.Lock()
	late := slices.Sorted(maps.Keys(r.late))
	clear(r.late)
	r.mu.Unlock()

	if len(late) > 0 { // else choose would take all
		err = r.refold(ctx, r.choose(r.roster(), late), folding{trace: r.begin}, r.keep)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if err != nil {
		for _, unit := range late {
			r.late[unit] = true
		}
		return nil, fmt.Errorf("settle: %w", err)
	}
	if r.due() {
		r.mu.Unlock()
		err = r.refit(ctx)
		r.mu.Lock()
		if err != nil {
			return nil, fmt.Errorf("settle: %w", err)
		}
	}
	changed = slices.Sorted(maps.Keys(r.touched))
	clear(r.touched)
	return changed, nil
}

// Units are the units with at least one folded poll, sorted.
func (r *Runner) Units() []string {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return slices.Sorted(maps.Keys(r.units))
}

// Series is the newest state of each series of a unit.
func (r *Runner) Series(unit string) []Now {
	r.mu.RLock()
	defer r.mu.RUnlock()
	if v, ok := r.units[unit]; ok {
		return v.Series()
	}
	return nil
}

// Signals are the claims of a unit, in the order raised.
func (r *Runner) Signals(unit string) []Signal {
	r.mu.RLock()
	defer r.mu.RUnlock()
	if v, ok := r.units[unit]; ok {
		return v.Signals()
	}
	return nil
}

// LastPoll is the time of the newest poll of a unit; zero when there is none.
func (r *Runner) LastPoll(unit string) time.Time {
	r.mu.RLock()
	defer r.mu.RUnlock()
	if v, ok := r.units[unit]; ok {
		return v.LastPoll()
	}
	return time.Time{}
}

// Digest is a digest of the state of all units, for tests of determinism.
func (r *Runner) Digest() [32]byte {
	r.mu.RLock()
	defer r.mu.RUnlock()
	h := sha256.New()
	for _, unit := range slices.Sorted(maps.Keys(r.units)) {
		d := r.units[unit].digest()
		h.Write(d[:])
	}
	return [32]byte(h.Sum(nil))
}

func order(a, b *series.Poll) int {
	switch {
	case a.Before(b):
		return -1
	case b.Before(a):
		return 1
	}
	return 0
}
