package lake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"github.com/apache/iceberg-go"
)

// Bounds of what a DriftWriter holds in memory, in rows of some 350 bytes.
const (
	SpillRows = 32 << 10 // from here on a call of Spill, or a Commit of what is sealed, is worth it
	mostRows  = 64 << 10 // Add spills by itself
)

// A DriftWriter takes the rows of drift as they are made and commits them, together with what they are
// made of, so that nothing of a fold is seen before all of it. It keeps the versions of the folds:
//
//	Begin(unit), Add(row)...   rows of a new fold of the unit, which supersede the older ones once committed
//	Add(row)                   rows that go on from the unit's newest fold
//	Seal(coverage)             what was added so far is whole: it is the next Commit's
//	Commit                     writes and publishes what is sealed; after an error it can be repeated
//
// Begin, Add and Spill may be called from many goroutines at once, and beside Commit; Reset, Seal and Commit not
// beside each other, and Reset and Seal not beside Begin, Add and Spill.
type DriftWriter struct {
	l        *Lake
	settings string

	mu     sync.Mutex
	units  map[string]streak // the fold under which rows of a unit are added, and how many were
	had    map[string]bool   // units with rows, stored or on their way
	used   int64             // newest version given out
	open   pile
	sealed *pile
}

// A pile is rows that go into one commit.
type pile struct {
	rows  []Drift
	files []addedFile     // written and synced, not yet committed
	begun map[string]bool // units that were begun: older rows of theirs are void
	made  folded
}

// prune leaves out the rows that a newer Begin of their unit made void.
func (p *pile) prune(units map[string]streak) {
	p.rows = slices.DeleteFunc(p.rows, func(d Drift) bool { return d.fold < units[d.Unit].fold })
}

func (p *pile) count() (n int64) {
	n = int64(len(p.rows))
	for _, f := range p.files {
		n += f.file.Count()
	}
	return n
}

// DriftWriter gives the writer of drift. There is one a lake; Reset it before use.
func (l *Lake) DriftWriter() *DriftWriter { return &DriftWriter{l: l} }

// Reset forgets what is not committed and takes up the committed folds, under settings of a version.
func (w *DriftWriter) Reset(ctx context.Context, settings string) error {
	w.drop()
	s, err := w.l.settledSet()
	if err != nil {
		return fmt.Errorf("drift: %w", err)
	}
	runs, err := w.l.runs(ctx, s.heads[drift].files)
	if err != nil {
		return fmt.Errorf("drift: %w", err)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.settings, w.used = settings, s.folded.fold
	w.units, w.had = newest(runs), map[string]bool{}
	for unit, r := range w.units {
		if !r.mark {
			w.had[unit] = true
		}
	}
	return nil
}

func (w *DriftWriter) drop() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, p := range []*pile{&w.open, w.sealed} {
		if p == nil {
			continue
		}
		for _, f := range p.files {
			w.l.folds.release(f.path) // a sweep takes it, should it belong to nothing
		}
	}
	w.open, w.sealed = pile{begun: map[string]bool{}}, nil
	w.show()
}

// Units are the units that have rows, stored or on their way.
func (w *DriftWriter) Units() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Sorted(maps.Keys(w.had))
}

// Begin begins a fold of a unit from its first reading: once it is committed, its rows supersede all older ones. A
// fold that gets no rows leaves an end mark.
func (w *DriftWriter) Begin(unit string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.begin(unit)
}

// begin gives out the version: one for all units that are begun between two commits, but a unit begun twice gets
// a newer one.
func (w *DriftWriter) begin(unit string) {
	fold := max(w.l.foldBase(), w.units[unit].fold) + 1
	w.used = max(w.used, fold)
	w.open.begun[unit] = true
	w.units[unit] = streak{unit: unit, fold: fold, foldedAt: w.moment()}
	w.l.metrics.folds.Inc()
}

func (w *DriftWriter) moment() time.Time { return w.l.now().UTC().Truncate(time.Microsecond) }

// foldBase is the newest version of a committed fold.
func (l *Lake) foldBase() int64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.set.folded.fold
}

// Add takes a row of its unit's newest fold. Rows of a unit come in the order of the fold.
func (w *DriftWriter) Add(d Drift) error {
	w.mu.Lock()
	u, ok := w.units[d.Unit]
	if !ok {
		w.used = max(w.used, 1)
		u = streak{unit: d.Unit, fold: w.used, foldedAt: w.moment()}
	}
	u.rows++
	u.mark = false
	w.units[d.Unit] = u
	w.had[d.Unit] = true
	d.fold, d.foldedAt, d.settings = u.fold, u.foldedAt, w.settings
	w.open.rows = append(w.open.rows, d)
	full := len(w.open.rows) >= mostRows
	w.l.metrics.driftWaiting.Inc()
	w.mu.Unlock()
	if full {
		return w.Spill(context.Background())
	}
	return nil
}

// Waiting is the number of rows in memory: those that are not sealed, which Spill writes, and those that are, which
// Commit does.
func (w *DriftWriter) Waiting() (open, sealed int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.sealed != nil {
		sealed = len(w.sealed.rows)
	}
	return len(w.open.rows), sealed
}

// Spill writes the rows that wait in memory into a data file, which the next Commit names.
func (w *DriftWriter) Spill(ctx context.Context) error {
	w.mu.Lock()
	w.open.prune(w.units)
	rows := w.open.rows
	w.open.rows = nil
	w.mu.Unlock()
	f, err := w.write(ctx, rows)
	w.mu.Lock()
	defer w.mu.Unlock()
	if err != nil {
		w.open.rows = append(rows, w.open.rows...)
		return fmt.Errorf("drift: %w", err)
	}
	w.open.files = append(w.open.files, f...)
	return nil
}

// write writes rows into a data file, sorted.
func (w *DriftWriter) write(ctx context.Context, all []Drift) ([]addedFile, error) {
	rows := make([]row, 0, len(all))
	for i := range all {
		rows = append(rows, row{d: &all[i]})
	}
	if len(rows) == 0 {
		return nil, nil
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	slices.SortFunc(rows, func(a, b row) int { return compareDrift(a.d, b.d) })
	t := w.l.tables[drift]
	path := filepath.Join(t.dataDir(), newGroup()+".parquet")
	var runs []streak
	for i := range rows {
		runs = grow(runs, rows[i].d, rows[i].d.mark())
	}
	w.l.folds.put(path, runs, true)
	size, err := t.fs.writeFile(path, func(out io.Writer) error { return t.writeParquet(out, t.mem, rows) })
	if err == nil {
		err = errors.Join(t.fs.syncDir(t.dataDir()), t.did("data"))
	}
	var df iceberg.DataFile
	if err == nil {
		df, err = t.measured(path, size)
	}
	if err != nil {
		w.l.folds.release(path)
		t.fs.remove(path)
		return nil, fmt.Errorf("data file of table %s: %w", t.name, err)
	}
	return []addedFile{{path, df}}, nil
}

// Seal says that what was added until now is all that follows from the readings up to c, and leaves it to the
// next Commit, with what an earlier one could not write. gone are units that have no rows any more.
func (w *DriftWriter) Seal(c Coverage, gone ...string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, unit := range gone {
		if w.had[unit] {
			w.begin(unit)
		}
	}
	for unit := range w.open.begun {
		u := w.units[unit]
		if u.rows == 0 && !u.mark && w.had[unit] {
			d := endMark(unit)
			d.fold, d.foldedAt, d.settings = u.fold, u.foldedAt, w.settings
			w.open.rows = append(w.open.rows, d)
			u.mark = true
			w.units[unit] = u
			delete(w.had, unit)
		}
	}
	p := w.open
	w.open = pile{begun: map[string]bool{}}
	if s := w.sealed; s != nil {
		p.rows, p.files = append(s.rows, p.rows...), append(s.files, p.files...)
	}
	p.prune(w.units)
	p.files = slices.DeleteFunc(p.files, func(f addedFile) bool {
		void := dead(w.l.folds.of(f.path), w.units) == f.file.Count()
		if void {
			w.l.folds.release(f.path)
			w.l.fs.remove(f.path)
		}
		return void
	})
	p.made = folded{c, w.used}
	w.sealed = &p
}

// Commit makes what is sealed durable and visible. Without rows only what they are made of moves on. On error
// everything is kept for the next Commit.
func (w *DriftWriter) Commit(ctx context.Context) error {
	start := time.Now()
	w.mu.Lock()
	p := w.sealed
	w.mu.Unlock()
	if p == nil {
		return nil
	}
	if err := w.commit(ctx, p); err != nil {
		w.l.metrics.driftFailures.Inc()
		return fmt.Errorf("commit drift: %w", err)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, f := range p.files {
		w.l.folds.release(f.path)
	}
	w.sealed = nil
	w.show()
	if n := p.count(); n > 0 {
		w.l.metrics.rows.WithLabelValues(specs[drift].name).Add(float64(n))
		w.l.metrics.driftCommits.Observe(time.Since(start).Seconds())
	}
	return nil
}

// show tells how many rows wait. The caller holds mu.
func (w *DriftWriter) show() {
	n := w.open.count()
	if w.sealed != nil {
		n += w.sealed.count()
	}
	w.l.metrics.driftWaiting.Set(float64(n))
}

func (w *DriftWriter) commit(ctx context.Context, p *pile) error {
	files, err := w.write(ctx, p.rows)
	if err != nil {
		return err
	}
	p.files, p.rows = append(p.files, files...), nil
	l := w.l
	l.writing.Lock()
	defer l.writing.Unlock()
	if err := l.usable(); err != nil {
		return err
	}
	if l.pending != nil {
		if !l.pending.upkeep {
			return errLater
		}
		if err := l.settle(); err != nil {
			return err
		}
	}
	var into []addedFile
	there := byGroup(l.set.heads[drift].files)
	for _, f := range p.files {
		if _, ok := there[groupOf(f.path)]; !ok { // else an attempt that was not known to be durable has come to hold
			into = append(into, f)
		}
	}
	if len(into) == 0 && l.set.folded == p.made {
		return nil
	}
	now, group := l.now(), newGroup()
	return l.change(ctx, l.set.pos, now, &attempt{upkeep: true, folded: &p.made}, func(i int, props map[string]string) (*stage, error) {
		if i != drift || len(into) == 0 {
			return nil, nil
		}
		t := l.tables[drift]
		props = maps.Clone(props)
		p.made.tell(props)
		st, err := t.restage("append", nil, into, t.head.kept, group, props, now)
		if st != nil { // the data files are kept for another try
			st.files = slices.DeleteFunc(st.files, func(f string) bool {
				return slices.ContainsFunc(into, func(a addedFile) bool { return a.path == f })
			})
		}
		return st, err
	})
}
