package lake

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"marginline/ingest/series"
)

// A streak is the rows of one fold of one unit in one data file of drift, where they stand together.
type streak struct {
	unit     string
	fold     int64
	foldedAt time.Time
	rows     int64
	mark     bool // they are end marks
}

// A foldIndex remembers the runs of each data file of the committed state, and of those on their way there. Files never
// change, so each is read for this once.
type foldIndex struct {
	mu    sync.Mutex
	known map[string][]streak // path -> runs, in the file's order
	held  map[string]bool     // files that are written and not yet committed: they are not strays
}

func (x *foldIndex) put(path string, runs []streak, held bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.known == nil {
		x.known, x.held = map[string][]streak{}, map[string]bool{}
	}
	x.known[path] = runs
	if held {
		x.held[path] = true
	}
}

func (x *foldIndex) of(path string) []streak {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.known[path]
}

func (x *foldIndex) release(paths ...string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, p := range paths {
		delete(x.held, p)
	}
}

// keep forgets all files but these and those that are held.
func (x *foldIndex) keep(files []dataFile) {
	live := make(map[string]bool, len(files))
	for _, f := range files {
		live[f.path] = true
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	maps.DeleteFunc(x.known, func(path string, _ []streak) bool { return !live[path] && !x.held[path] })
}

func (x *foldIndex) waiting() (paths []string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for p := range x.held {
		paths = append(paths, p)
	}
	return paths
}

// runs gives the runs of files and reads those that are not known yet.
func (l *Lake) runs(ctx context.Context, files []dataFile) (map[string][]streak, error) {
	out := make(map[string][]streak, len(files))
	for _, f := range files {
		l.folds.mu.Lock()
		r, ok := l.folds.known[f.path]
		l.folds.mu.Unlock()
		if !ok {
			var err error
			if r, err = l.readRuns(ctx, f.path); err != nil {
				return nil, err
			}
			l.folds.put(f.path, r, false)
		}
		out[f.path] = r
	}
	return out, nil
}

func (l *Lake) readRuns(ctx context.Context, path string) (runs []streak, err error) {
	s := l.specs[drift]
	c, err := s.cursor(path, l.mem, map[string]string{})
	if err != nil {
		return nil, err
	}
	defer c.close()
	cols := s.named("unit", "fold", "folded_at", "epoch")
	var rows []row
	var drifts []Drift
	for g := range c.file.NumRowGroups() {
		if err := c.whole(ctx, g, cols); err != nil {
			return nil, err
		}
		if rows, drifts, err = c.drifts(rows, drifts); err != nil {
			return nil, err
		}
		for i := range drifts {
			runs = grow(runs, &drifts[i], drifts[i].Epoch == series.None)
		}
	}
	return runs, nil
}

// grow adds a row to the runs of a file.
func grow(runs []streak, d *Drift, mark bool) []streak {
	if n := len(runs) - 1; n >= 0 && runs[n].fold == d.fold && runs[n].mark == mark && runs[n].unit == d.Unit {
		runs[n].rows++
		return runs
	}
	return append(runs, streak{unit: d.Unit, fold: d.fold, foldedAt: d.foldedAt, rows: 1, mark: mark})
}

// drifts makes rows of what is loaded, in the given room.
func (c *cursor) drifts(rows []row, drifts []Drift) ([]row, []Drift, error) {
	n := int(c.to - c.from)
	rows, drifts = slices.Grow(rows[:0], n)[:n], slices.Grow(drifts[:0], n)[:n]
	empty := emptyDrift()
	for i := range rows {
		drifts[i] = empty
		rows[i] = row{d: &drifts[i]}
	}
	return rows, drifts, c.fill(rows, c.from)
}

// newest gives the newest fold of every unit.
func newest(files map[string][]streak) map[string]streak {
	out := map[string]streak{}
	for _, runs := range files {
		for _, r := range runs {
			old, ok := out[r.unit]
			switch {
			case !ok || r.fold > old.fold:
				out[r.unit] = r
			case r.fold == old.fold: // rows of several files; one row is enough to be no mark
				old.rows += r.rows
				old.mark = old.mark && r.mark
				out[r.unit] = old
			}
		}
	}
	return out
}

// dead is how many rows of a file are superseded.
func dead(runs []streak, newest map[string]streak) (n int64) {
	for _, r := range runs {
		if r.fold < newest[r.unit].fold {
			n += r.rows
		}
	}
	return n
}
