package analyze

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
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

	happenings func(unit string) []Happening // what people told; nil: nothing

	params    atomic.Pointer[Parameters] // of the cohorts; nil until fitted
	surveying bool                       // only gather for a fit

	folding sync.Mutex // held by what folds from the history: one at a time

	mu      sync.RWMutex
	units   *shelf
	late    map[string]bool // units to be folded again from the history
	touched map[string]bool // units that changed since the last Settle
	newest  int64           // read_at (us) of the newest poll taken
	stale   bool            // a poll came for a day that had been fitted
}

// NewRunner returns a runner without state: Rebuild reads it from the history.
func NewRunner(h History, roster func() *fleet.Roster, m Monitors, s Settings, log *slog.Logger) *Runner {
	r := &Runner{
		history: h, roster: roster, monitors: m, set: s, log: log,
		late: map[string]bool{}, touched: map[string]bool{},
	}
	r.units = newShelf(func(unit string) *Vehicle {
		if u := r.roster().Unit(unit); u != nil {
			return r.vehicle(u, &r.set)
		}
		return NewVehicle(unit, "", m, &r.set) // it left the roster, and is dropped when the history is folded again
	})
	return r
}

// vehicle is a unit of the roster before its first poll.
func (r *Runner) vehicle(u *fleet.Unit, set *Settings) *Vehicle {
	m := r.monitors
	if f, ok := m.(ByFamily); ok {
		m = f.For(u.EngineFamily)
	}
	v := NewVehicle(u.Unit, u.VIN, m, set)
	v.engine, v.params = u.EngineFamily, r.params.Load()
	if r.happenings != nil {
		v.happenings = r.happenings(u.Unit)
	}
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
		for unit := range r.units.units {
			if !keep[unit] {
				r.touched[unit] = true
			}
		}
		r.units.drop(func(unit string) bool { return !keep[unit] })
	}
	return nil
}

// keep sets the state of a unit and notes whether it changed.
func (r *Runner) keep(built *Vehicle) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	old := r.units.at(built.unit)
	if old == nil && !built.any {
		return nil
	}
	built.trace = r.live()
	r.newest = max(r.newest, built.last)
	if old == nil || old.digest() != built.digest() {
		r.touched[built.unit] = true
	}
	r.units.put(built)
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
	type arrival struct {
		*fleet.Unit
		*series.Poll
	}
	list := make([]arrival, 0, len(polls))
	for _, p := range polls {
		if u := unitOf(roster, p.VIN, p.Device); u != nil && p.ClockOK {
			list = append(list, arrival{u, p})
		}
	}
	// Unit by unit, so that one at rest wakes once.
	slices.SortStableFunc(list, func(a, b arrival) int {
		return cmp.Or(strings.Compare(a.Unit.Unit, b.Unit.Unit), order(a.Poll, b.Poll))
	})
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, a := range list {
		if err := ctx.Err(); err != nil {
			return err
		}
		u, p := a.Unit, a.Poll
		at := p.ReadAt.UnixMicro()
		r.newest = max(r.newest, at)
		if fitted := r.params.Load(); fitted != nil && dayOf(at) < fitted.fitted {
			r.stale = true
		}
		if !alone || r.late[u.Unit] {
			r.late[u.Unit] = true
			continue
		}
		v := r.units.wake(u.Unit)
		if v == nil {
			v = r.vehicle(u, &r.set)
			v.trace = r.live()
			r.units.put(v)
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
	return r.units.names()
}

// Series is the newest state of each series of a unit.
func (r *Runner) Series(unit string) []Now {
	r.mu.RLock()
	defer r.mu.RUnlock()
	if v := r.units.at(unit); v != nil {
		return v.Series()
	}
	return nil
}

// Signals are the claims of a unit, in the order raised.
func (r *Runner) Signals(unit string) []Signal {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.units.signals(unit)
}

// LastPoll is the time of the newest poll of a unit; zero when there is none.
func (r *Runner) LastPoll(unit string) time.Time {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.units.last(unit)
}

// Digest is a digest of the state of all units, for tests of determinism.
func (r *Runner) Digest() [32]byte {
	r.mu.RLock()
	defer r.mu.RUnlock()
	h := sha256.New()
	for _, unit := range r.units.names() {
		d := r.units.at(unit).digest()
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
