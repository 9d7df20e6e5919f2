package main

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
	"marginline/ingest/obd"
	"marginline/ingest/series"
)

// A watch keeps the series state and the alert book in step with what is committed. State is a pure fold
// over the readings in the lake, so the watch may forget it at any time: it is built when first needed,
// followed commit by commit, and a unit that got a late reading is folded again.
type watch struct {
	runner *analyze.Runner
	book   *alerts.Book
	roster func() *fleet.Roster
	drift  *driftLog
	log    *slog.Logger
	floor  *floor
	notify func(units []string) // told after the book changed; may be nil

	steady sync.Mutex // held by what settles, builds, or writes drift: one at a time; taken before fold
	fold   sync.Mutex // guards the runner's state against a rebuild; held for the length of one fold
	built  bool
	took   time.Duration // by the last build
	since  time.Time     // when it ended
	wake   chan struct{}

	serving atomic.Bool // the state is built and the service takes reports

	hold    sync.Mutex
	imports int // imports under way: their end settles, not every commit
}

func newWatch(l *lake.Lake, book *alerts.Book, roster func() *fleet.Roster, cat *obd.Catalogue, rules string, log *slog.Logger) *watch {
	w := &watch{
		runner: analyze.NewRunner(l, roster, monitors{cat}, analyze.DefaultSettings(), log),
		book:   book, roster: roster, drift: newDriftLog(l, rules, log), log: log, wake: make(chan struct{}, 1),
	}
	w.drift.params = w.runner.Fitted
	w.runner.SetRecorder(w.drift)
	return w
}

// monitors gives the detector what the decoder and the fleet's test catalogue know about monitors.
type monitors struct{ catalogue *obd.Catalogue }

func (m monitors) For(engineFamily string) analyze.Monitors {
	return monitors{m.catalogue.For(engineFamily)}
}

func (m monitors) Family(r *series.Result) string { return known(m.catalogue.Family(r)) }
func (m monitors) CodeFamily(code string) string  { return known(obd.CodeFamily(code)) }
func (m monitors) Group(r *series.Result) int     { return obd.Group(r) }

// known is a family that says what is tested; "" for those that only say that nobody knows.
func known(family string) string {
	switch family {
	case "unknown", "reserved", "manufacturer":
		return ""
	}
	return family
}

// committed is the consumer's callback. Before the first build it has nothing to do: what is committed is
// in the lake, where the build reads it.
func (w *watch) committed(ctx context.Context, polls []*series.Poll) {
	w.fold.Lock()
	defer w.fold.Unlock()
	pos := w.drift.lake.Position() // of this commit: the next one waits for us
	if !w.built || w.drift.has(pos) {
		return
	}
	if err := w.runner.Take(ctx, polls); err != nil {
		w.log.Error("fold", "err", err)
		w.built = false // build again from the lake when next asked
	}
	w.drift.moveTo(pos)
	if len(polls) == 0 {
		return
	}
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// settlePause gathers the commits of a moment into one settling.
const settlePause = 300 * time.Millisecond

// refitEvery is how often cohorts are fitted again for late readings while serving. An import fits at its end.
const refitEvery = 24 * time.Hour

// run settles after commits, and writes drift now and then, until ctx ends.
func (w *watch) run(ctx context.Context) error {
	beat := time.NewTicker(driftBeat)
	defer beat.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
			w.beat(ctx)
			continue
		case <-w.wake:
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(settlePause):
		}
		w.hold.Lock()
		busy := w.imports > 0
		w.hold.Unlock()
		if busy {
			w.spill(ctx)
			continue
		}
		if err := w.settle(ctx); err != nil && ctx.Err() == nil {
			w.log.Error("settle", "err", err)
		}
		// Late readings change what was fitted to the cohorts. A fit folds the whole fleet again, and some dongle is
		// always late: it waits for its day. Until then the parameters stay those that their version names.
		if w.runner.Stale() && time.Since(w.since) > max(refitEvery, 20*w.took) {
			if err := w.refit(ctx); err != nil && ctx.Err() == nil {
				w.log.Error("fit cohorts", "err", err)
			}
		}
		if open, sealed := w.drift.to.Waiting(); open+sealed >= lake.SpillRows {
			w.writeDrift(ctx)
		}
	}
}

// beat writes drift, or puts the table right where rows were lost. An import does that at its end.
func (w *watch) beat(ctx context.Context) {
	w.hold.Lock()
	busy := w.imports > 0
	w.hold.Unlock()
	w.fold.Lock()
	built := w.built
	w.fold.Unlock()
	if !busy && built {
		w.writeDrift(ctx)
	}
}

// spill takes the rows of drift that many commits of an import have left in memory to the disk.
func (w *watch) spill(ctx context.Context) {
	w.steady.Lock()
	defer w.steady.Unlock()
	if open, _ := w.drift.to.Waiting(); open < lake.SpillRows {
		return
	}
	if err := w.drift.to.Spill(ctx); err != nil && ctx.Err() == nil {
		w.log.Warn("drift stays in memory for now", "err", err)
	}
}

// importing brackets an import: until the returned function is called, commits do not settle one by one.
func (w *watch) importing() (done func()) {
	w.hold.Lock()
	w.imports++
	w.hold.Unlock()
	return func() {
		w.hold.Lock()
		w.imports--
		w.hold.Unlock()
	}
}

// settle folds late readings in and brings the book up to date. It builds the state first when there is none.
func (w *watch) settle(ctx context.Context) error {
	w.steady.Lock()
	defer w.steady.Unlock()
	return w.settled(ctx)
}

// settled is settle for who holds steady.
func (w *watch) settled(ctx context.Context) error {
	w.fold.Lock()
	defer w.fold.Unlock()
	if !w.built {
		return w.build(ctx, nil)
	}
	changed, err := w.runner.Settle(ctx)
	if err != nil {
		w.built = false
		return err
	}
	w.drift.seal(w.roster())
	return w.sync(ctx, changed)
}

// refit settles or, where readings came late for days that the cohorts were fitted on, builds everything again.
func (w *watch) refit(ctx context.Context) error {
	if w.runner.Stale() {
		return w.rebuild(ctx, nil)
	}
	return w.settle(ctx)
}

// writeDrift makes the drift table hold all that follows from the readings that are committed. It says whether
// it does: a failure is told and tried again with the next beat.
func (w *watch) writeDrift(ctx context.Context) bool {
	w.steady.Lock()
	defer w.steady.Unlock()
	w.fold.Lock()
	built := w.built
	w.fold.Unlock()
	if w.drift.current(w.roster(), built) {
		return true
	}
	err := w.mend(ctx)
	if err == nil {
		err = w.settled(ctx)
	}
	if err == nil {
		err = w.drift.commit(ctx)
	}
	return err == nil
}

// mend folds again what the drift table lacks where rows were lost.
func (w *watch) mend(ctx context.Context) error {
	w.fold.Lock()
	defer w.fold.Unlock()
	if !w.built || !w.drift.isLost() {
		return nil
	}
	wanted, err := w.drift.prepare(ctx, w.roster(), nil)
	if err != nil {
		return err
	}
	if w.drift.refitted() {
		wanted = nil
	}
	if wanted == nil {
		err = w.runner.Rebuild(ctx, nil)
	} else {
		err = w.runner.Rebuild(ctx, slices.Collect(maps.Keys(wanted)))
	}
	w.drift.all()
	if err != nil {
		w.drift.fail(err)
	}
	return err
}

// ready makes sure that there is state to answer from.
func (w *watch) ready(ctx context.Context) error {
	w.steady.Lock()
	defer w.steady.Unlock()
	w.fold.Lock()
	defer w.fold.Unlock()
	if w.built {
		return nil
	}
	return w.build(ctx, nil)
}

// rebuild folds everything again, after a change of the roster.
func (w *watch) rebuild(ctx context.Context, before *fleet.Roster) error {
	w.steady.Lock()
	defer w.steady.Unlock()
	w.fold.Lock()
	err := w.build(ctx, before)
	w.fold.Unlock()
	if err == nil {
		w.drift.commit(ctx)
	}
	return err
}

// again derives the alerts of units again, after something was learnt of them that is no reading.
func (w *watch) again(ctx context.Context, units []string) error {
	w.steady.Lock()
	defer w.steady.Unlock()
	w.fold.Lock()
	defer w.fold.Unlock()
	if !w.built {
		return w.build(ctx, nil)
	}
	changed, err := w.runner.Settle(ctx) // those that have to be folded again
	if err != nil {
		w.built = false
		return err
	}
	w.drift.seal(w.roster())
	units = append(units, changed...)
	slices.Sort(units)
	units = slices.DeleteFunc(slices.Compact(units), func(u string) bool { return u == "" })
	return w.sync(ctx, units)
}

// build folds every unit from the lake and brings the whole book up to date. before is the roster until now, where
// it was another. The caller holds steady and fold.
func (w *watch) build(ctx context.Context, before *fleet.Roster) error {
	start := time.Now()
	if err := w.fromLake(ctx, before); err != nil {
		return fmt.Errorf("build series state: %w", err)
	}
	w.built, w.took, w.since = true, time.Since(start), time.Now()
	w.drift.seal(w.roster())
	units := make([]string, 0)
	for _, u := range w.roster().Units() {
		units = append(units, u.Unit)
	}
	known, err := w.book.Units(ctx)
	if err != nil {
		return err
	}
	units = append(units, known...) // units that left the roster lose their alerts
	slices.Sort(units)
	units = slices.Compact(units)
	w.log.Info("series state built", "units", len(units), "took", time.Since(start).Round(time.Millisecond))
	return w.sync(ctx, units)
}

// fromLake folds every unit from the lake, and what is committed meanwhile.
func (w *watch) fromLake(ctx context.Context, before *fleet.Roster) error {
	w.built = false
	w.drift.prepare(ctx, w.roster(), before) // where it fails there is a state, and no rows of drift
	if err := w.runner.Rebuild(ctx, nil); err != nil {
		return err
	}
	w.drift.all()
	for {
		at, pos := w.drift.covered, w.drift.lake.Position()
		if at == pos {
			break
		}
		// At most one commit came meanwhile: the consumer waits for us before it makes the next.
		units := map[string]bool{}
		if err := w.drift.reported(ctx, w.roster(), at.Seq, units); err != nil {
			return err
		}
		if err := w.runner.Rebuild(ctx, slices.AppendSeq([]string{}, maps.Keys(units))); err != nil {
			return err
		}
		w.drift.moveTo(pos)
	}
	_, err := w.runner.Settle(ctx)
	return err
}

// sync writes what is derived from the units' signals into the book.
func (w *watch) sync(ctx context.Context, units []string) error {
	if len(units) == 0 {
		return nil
	}
	for _, unit := range units {
		ch, err := w.book.Sync(ctx, unit, w.derive(unit, w.runner.Signals(unit), w.runner.Series(unit)))
		if err != nil {
			return fmt.Errorf("alert book: unit %s: %w", unit, err)
		}
		if err := w.tell(ctx, ch); err != nil {
			return err
		}
		if err := w.prove(ctx, unit); err != nil {
			return fmt.Errorf("proof of repair: unit %s: %w", unit, err)
		}
	}
	if w.notify != nil {
		w.notify(units)
	}
	return nil
}

// derive gives the alerts of one unit; none for a unit that is not on the roster.
func (w *watch) derive(unit string, signals []analyze.Signal, now []analyze.Now) []alerts.Alert {
	u, facts, err := w.floor.worked(context.Background(), unit)
	if err != nil {
		w.log.Error("facts of a unit", "unit", unit, "err", err) // its alerts come without recent work
	}
	if u == nil {
		return nil
	}
	return alerts.Derive(alerts.Case{Unit: *u, Signals: signals, Series: now, Facts: facts, Names: names{}})
}

// names gives tests the plain names that the decoder knows.
type names struct{}

func (names) Test(test string) string { return obd.TestName(test) }
