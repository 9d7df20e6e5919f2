package main

import (
	"context"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
)

// A driftLog takes the points of the detector into the drift table of the lake. It is derived data: the
// readings are the truth, and what the table may lack is folded again from them. So a failure here holds nothing
// back but the table itself, and a query that needs it while it lags folds for itself.
//
// What the table was made of stands beside its rows: the place in the log, and the basis, which names the rules
// the roster, and what was fitted to the cohorts. From the difference to the present follows which units are folded
// again: all where the rules or the fit are others, those whose lines changed where the roster is another, and those
// that reported since.
type driftLog struct {
	lake   *lake.Lake
	to     *lake.DriftWriter
	rules  string // digest of settings, catalogue and release
	log    *slog.Logger
	params func() string                         // digest of what was fitted to the cohorts
	told   func(unit string) []analyze.Happening // what people told; nil: nothing

	made    string        // the basis that the table was made under
	covered lake.Position // what is folded in

	mu     sync.Mutex
	wanted map[string]bool // units whose rows are wanted of the fold under way; nil = all
	fresh  bool            // a build began: it fits first, and the fit may be another
	lost   error           // rows were lost: nothing is taken until the table was put right
}

func newDriftLog(l *lake.Lake, rules string, log *slog.Logger) *driftLog {
	return &driftLog{lake: l, to: l.DriftWriter(), rules: rules, log: log, lost: errNotFolded}
}

var errNotFolded = fmt.Errorf("nothing is folded yet")

// rulesOf names what the rows of drift follow from beside the readings and the roster.
func rulesOf(set analyze.Settings, catalogue string) (string, error) {
	var text []byte
	if catalogue != "" {
		var err error
		if text, err = os.ReadFile(catalogue); err != nil {
			return "", err
		}
	}
	return digestOf(fmt.Sprintf("%s\n%+v\n%s", version, set, text)), nil
}

func digestOf(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s)))[:16] }

// basisOf names the rules, what of a roster decides how readings are folded, and what people told.
func (d *driftLog) basisOf(r *fleet.Roster) string {
	var b strings.Builder
	for _, u := range r.Units() {
		b.WriteString(lineOf(u))
		if d.told != nil {
			for _, h := range d.told(u.Unit) {
				fmt.Fprintf(&b, "%d %q %q %q %q\n", h.At.UnixMicro(), h.Kind, h.Family, h.ECU, h.Device)
			}
		}
	}
	return d.rules + " " + digestOf(b.String())
}

func lineOf(u *fleet.Unit) string {
	return fmt.Sprintf("%q %q %q %q\n", u.Unit, u.VIN, u.Device, u.EngineFamily)
}

// Begin and Record are what the detector calls.
func (d *driftLog) Begin(unit string) bool {
	d.mu.Lock()
	if d.fresh {
		d.fresh = false
		if d.refit() {
			d.wanted = nil
		}
	}
	ok := d.lost == nil && (d.wanted == nil || d.wanted[unit])
	d.mu.Unlock()
	if ok {
		d.to.Begin(unit)
	}
	return ok
}

func (d *driftLog) Record(x analyze.Row) {
	d.mu.Lock()
	lost := d.lost
	d.mu.Unlock()
	if lost != nil {
		return
	}
	row := lake.Drift{Unit: x.Key.Unit, VIN: x.VIN, ECU: x.Key.ECU, Test: x.Key.Test, Family: x.Family, ReadAt: x.At, ReportID: x.ReportID,
		Epoch: int32(x.Epoch), Value: x.Value, Min: x.Min, Max: x.Max, UnitOfMeasure: x.UnitOfMeasure,
		Margin: x.Margin, Baseline: x.Baseline, Z: x.Z, Score: x.Score, PCross30d: x.PCross30}
	if c := x.Crossing; c != nil {
		row.LimitP10, row.LimitP50, row.LimitP90 = c.P10, c.P50, c.P90
	}
	if err := d.to.Add(row); err != nil {
		d.fail(err)
	}
}

// fail gives up what is not written. The table stays as it is until prepare puts it right.
func (d *driftLog) fail(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.lost == nil {
		d.log.Error("drift is not written; it is folded again from the readings, and reports are not held back", "err", err)
	}
	d.lost = err
}

// prepare compares what the table was made of with what it should be made of, and says which units have to be
// folded again: the fold that follows asks Begin for each. before is the roster that the table was made under, if it
// is known. What is not committed is dropped.
func (d *driftLog) prepare(ctx context.Context, now, before *fleet.Roster) (wanted map[string]bool, err error) {
	if err := d.to.Reset(ctx, analyze.DefaultSettings().Version); err != nil {
		d.fail(err)
		return nil, err
	}
	have, pos := d.lake.Folded(), d.lake.Position()
	wanted = map[string]bool{}
	switch made, _ := splitBasis(have.Basis); {
	case made == d.basisOf(now):
	case before != nil && made == d.basisOf(before):
		wanted = changed(before, now)
	default:
		wanted = nil
	}
	if wanted != nil && have.Position != pos {
		if have.Stream != pos.Stream {
			wanted = nil
		} else if err := d.reported(ctx, now, have.Seq, wanted); err != nil {
			d.fail(err)
			return nil, err
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.wanted, d.lost, d.fresh = wanted, nil, true
	d.made, d.covered = have.Basis, pos
	return wanted, nil
}

// refit says whether the cohorts were fitted otherwise when the table was made. The caller holds mu.
func (d *driftLog) refit() bool {
	_, params := splitBasis(d.made)
	return params != d.params()
}

func (d *driftLog) refitted() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.refit()
}

// splitBasis gives the rules and the roster of a basis, and the fit.
func splitBasis(basis string) (made, params string) {
	i := strings.LastIndexByte(basis, ' ')
	return basis[:max(i, 0)], basis[i+1:]
}

// reported adds the units that reported after a place in the log.
func (d *driftLog) reported(ctx context.Context, r *fleet.Roster, seq uint64, units map[string]bool) error {
	return d.lake.ReportedAfter(ctx, seq, func(vin, device string) {
		if u, err := r.Resolve(vin, device); err == nil && u != nil {
			units[u.Unit] = true
		}
	})
}

// changed are the units of either roster that may resolve otherwise now: their line is another, or they share a VIN
// or a device with one whose line is.
func changed(a, b *fleet.Roster) map[string]bool {
	out := map[string]bool{}
	vins, devices := map[string]bool{}, map[string]bool{}
	mark := func(a, b *fleet.Roster) {
		for _, u := range a.Units() {
			if o := b.Unit(u.Unit); o == nil || lineOf(o) != lineOf(u) {
				out[u.Unit] = true
				vins[u.VIN], devices[u.Device] = u.VIN != "", u.Device != ""
			}
		}
	}
	mark(a, b)
	mark(b, a)
	for _, r := range []*fleet.Roster{a, b} {
		for _, u := range r.Units() {
			if vins[u.VIN] || devices[u.Device] {
				out[u.Unit] = true
			}
		}
	}
	return out
}

func (d *driftLog) isLost() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.lost != nil
}

// all says that from now on the rows of every unit that is folded again are wanted.
func (d *driftLog) all() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.wanted = nil
}

// moveTo says how far readings are folded in.
func (d *driftLog) moveTo(pos lake.Position) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.covered = pos
}

// has says whether readings up to a place are folded in already.
func (d *driftLog) has(pos lake.Position) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.lost != errNotFolded && d.covered.Stream == pos.Stream && pos.Seq <= d.covered.Seq
}

// seal says that what was recorded is whole: no unit waits to be folded again.
func (d *driftLog) seal(r *fleet.Roster) {
	d.mu.Lock()
	c, lost := lake.Coverage{Position: d.covered, Basis: d.basisOf(r) + " " + d.params()}, d.lost
	d.mu.Unlock()
	if lost != nil {
		return
	}
	gone := slices.DeleteFunc(d.to.Units(), func(unit string) bool { return r.Unit(unit) != nil })
	d.to.Seal(c, gone...)
}

// commit writes what is sealed.
func (d *driftLog) commit(ctx context.Context) error {
	d.mu.Lock()
	lost := d.lost
	d.mu.Unlock()
	if lost != nil {
		return lost
	}
	err := d.lake.Room()
	if err == nil {
		err = d.to.Commit(ctx)
	}
	if err != nil && ctx.Err() == nil {
		d.log.Error("drift is not written; it is tried again, and reports are not held back", "err", err)
	}
	return err
}

// current says whether the table holds all that follows from the readings that are committed, whoever folded them.
// Before anything is folded here, the fit is taken to be that of the same readings.
func (d *driftLog) current(r *fleet.Roster, built bool) bool {
	have := d.lake.Folded()
	made, params := splitBasis(have.Basis)
	return made == d.basisOf(r) && (!built || params == d.params()) && have.Position == d.lake.Position()
}

// driftBeat is how often rows of drift are committed while serving; sooner where a query asks for drift, and
// where many rows wait. A commit costs the same few syncs whatever it holds (BenchmarkDriftCommit), so one for each
// flush of the readings would double what a commit costs, and make ten times the files.
const driftBeat = 30 * time.Second
