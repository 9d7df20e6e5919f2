package lake

import (
	"context"
	"fmt"
	"iter"
	"maps"
	"slices"
	"time"
)

// Compacted is what a compaction did.
type Compacted struct {
	Merges         int
	Groups, Into   int   // groups that were replaced, and that replace them
	Rows           int64 // over all tables
	Before, After  int64 // bytes of the data files
	Took           time.Duration
	LongestPublish time.Duration // how long a commit can have waited at most
}

// Compact merges small groups into larger sorted ones until none is worth it; with all, until every month is
// in as few files as can be. Commits go on meanwhile. It stops between merges when ctx ends or the disk runs
// low; what was merged until then holds. The error of a merge leaves the lake as it was before it.
func (l *Lake) Compact(ctx context.Context, all bool) (done Compacted, err error) {
	l.upkeep.Lock()
	defer l.upkeep.Unlock()
	start := time.Now()
	defer func() { done.Took = time.Since(start) }()
	for {
		s, err := l.settledSet()
		if err != nil {
			return done, fmt.Errorf("compact lake: %w", err)
		}
		if err := l.refence(ctx, s); err != nil {
			return done, fmt.Errorf("compact lake: %w", err)
		}
		p := planner{now: l.now(), all: all, full: l.full, least: l.least, fences: l.fences}
		groups := p.plan(s.groups())
		if len(groups) == 0 {
			break
		}
		if err := l.merge(ctx, p, groups, &done); err != nil {
			return done, fmt.Errorf("compact lake: %w", err)
		}
	}
	if err := l.compactDrift(ctx, all, &done); err != nil {
		return done, fmt.Errorf("compact lake: table drift: %w", err)
	}
	return done, nil
}

// settledSet is the committed state, after an unsettled change of upkeep was settled.
func (l *Lake) settledSet() (*set, error) {
	l.writing.Lock()
	defer l.writing.Unlock()
	if err := l.usable(); err != nil {
		return nil, err
	}
	switch {
	case l.pending == nil:
	case !l.pending.upkeep:
		return nil, errLater
	default:
		if err := l.settle(); err != nil {
			return nil, err
		}
	}
	return l.set, nil
}

// merge replaces groups by sealed ones.
func (l *Lake) merge(ctx context.Context, p planner, groups []group, done *Compacted) error {
	var bytes, rows int64
	old := map[string]bool{}
	for _, g := range groups {
		bytes += g.bytes
		rows += g.rows
		old[g.name] = true
	}
	if err := l.room(bytes); err != nil {
		return err
	}
	into, err := l.rewrite(ctx, p, old, rows)
	if err == nil {
		err = l.did("rewritten")
	}
	if err != nil {
		for _, s := range into {
			s.remove(l.fs)
		}
		return err
	}
	held, err := l.replace(ctx, "replace", [tableCount]map[string]bool{readings: old, codes: old, reports: old}, into, [tableCount]int64{})
	if err != nil {
		return err
	}
	done.Merges++
	done.Groups += len(groups)
	done.Into += len(into)
	done.Rows += rows
	done.Before += bytes
	for _, s := range into {
		for _, f := range s.files {
			if f != nil {
				done.After += f.FileSizeBytes()
			}
		}
	}
	done.LongestPublish = max(done.LongestPublish, held)
	l.metrics.compacted(len(groups), rows, held, l.now())
	l.log.Info("compacted", "groups", len(groups), "into", len(into), "rows", rows, "bytes", bytes)
	return nil
}

// rewrite writes the reports of groups into new ones, one period each, and one cell where the merge is parted.
func (l *Lake) rewrite(ctx context.Context, p planner, old map[string]bool, rows int64) (into []*sealed, err error) {
	pin, err := l.Pin()
	if err != nil {
		return nil, err
	}
	defer pin.Release()
	open := map[int]*target{} // by period
	defer func() {
		for _, g := range open {
			g.abandon()
		}
	}()
	end := func(period int) error {
		g := open[period]
		delete(open, period)
		s, err := g.close()
		into = append(into, s)
		if err != nil {
			g.abandon()
		}
		return err
	}
	parts, cell := p.parts(rows), wide
	n := 0
	for w, err := range l.merged(ctx, pin.set, old) {
		if err != nil {
			return into, err
		}
		if n++; n%500 == 0 {
			if err := l.giveWay(); err != nil {
				return into, err
			}
		}
		if c := p.fences.cell(w.p.VIN); parts && c != cell {
			for _, m := range slices.Sorted(maps.Keys(open)) {
				if err := end(m); err != nil {
					return into, err
				}
			}
			cell = c
		}
		m, year := period(micros(w.p.ReadAt), p.now)
		if g := open[m]; g != nil && g.fullBefore(w.p.VIN) {
			if err := end(m); err != nil {
				return into, err
			}
		}
		if open[m] == nil {
			open[m] = l.target(year, rows)
		}
		if err := open[m].add(w); err != nil {
			return into, err
		}
	}
	for _, m := range slices.Sorted(maps.Keys(open)) {
		if err := end(m); err != nil {
			return into, err
		}
	}
	return into, nil
}

// giveWay waits while a commit runs, and says when the lake is closed.
func (l *Lake) giveWay() error {
	l.writing.Lock()
	defer l.writing.Unlock()
	return l.usable()
}

// merged gives the reports of groups in the order of reports.
func (l *Lake) merged(ctx context.Context, s *set, groups map[string]bool) iter.Seq2[*row, error] {
	return func(yield func(*row, error) bool) {
		type source struct {
			next func() (*row, error, bool)
			at   *row
		}
		r := l.reader(ctx, s, newWanted(nil, nil, time.Time{}))
		var sources []*source
		advance := func(src *source) (more bool, err error) {
			src.at, err, more = src.next()
			return more && err == nil, err
		}
		for _, f := range s.heads[reports].files {
			if !groups[f.group] {
				continue
			}
			next, stop := iter.Pull2(func(yield func(*row, error) bool) {
				if _, err := r.group(f, func(w *row) bool { return yield(w, nil) }); err != nil {
					yield(nil, err)
				}
			})
			defer stop()
			src := &source{next: next}
			more, err := advance(src)
			if err != nil {
				yield(nil, err)
				return
			}
			if more {
				sources = append(sources, src)
			}
		}
		for len(sources) > 0 {
			least := 0
			for i := 1; i < len(sources); i++ {
				if compare(sources[i].at.entry(), sources[least].at.entry()) < 0 {
					least = i
				}
			}
			src := sources[least]
			if !yield(src.at, nil) {
				return
			}
			more, err := advance(src)
			if err != nil {
				yield(nil, err)
				return
			}
			if !more {
				sources = slices.Delete(sources, least, least+1)
			}
		}
	}
}

func (w *row) entry() entry { return entry{w.p, w.seq} }
