package lake

import (
	"cmp"
	"container/heap"
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"time"
)

// A driftGroup is a data file of drift as compaction sees it.
type driftGroup struct {
	dataFile
	dead int64 // superseded rows
	aged bool  // the oldest rows lost their reading by age at least agedFor ago
}

// agedFor is how much older than the age limit rows may become before a file is written anew without them: as in
// the other tables, where a file of a month goes when all of it is too old.
const agedFor = 31 * 24 * time.Hour

// planDrift picks the files to write anew next; nil when all is well. A merge makes fewer files, or larger ones, or
// files without superseded rows, so planning comes to an end. Files of which nothing stands go first and all at once: a fit of the
// cohorts supersedes every file there is.
func planDrift(files []driftGroup, all bool, full int64) []driftGroup {
	if void := slices.DeleteFunc(slices.Clone(files), func(f driftGroup) bool { return f.dead < f.rows }); len(void) > 0 {
		return void
	}
	sizes := map[int][]driftGroup{}
	var small []driftGroup
	for _, f := range files {
		if f.aged || f.dead > f.rows/4 && (f.rows >= full/2 || all) {
			return []driftGroup{f}
		}
		if f.rows < full/2 {
			k := group{rows: f.rows}.size()
			sizes[k] = append(sizes[k], f)
			small = append(small, f)
		}
	}
	for _, k := range slices.Sorted(maps.Keys(sizes)) {
		if len(sizes[k]) >= fanIn {
			return takeDrift(sizes[k])
		}
	}
	if all && len(small) > 1 {
		slices.SortStableFunc(small, func(a, b driftGroup) int { return cmp.Compare(a.rows, b.rows) })
		return takeDrift(small)
	}
	for _, f := range files {
		if f.dead > f.rows/4 || all && f.dead > 0 {
			return []driftGroup{f}
		}
	}
	return nil
}

func takeDrift(files []driftGroup) []driftGroup {
	groups := make([]group, len(files))
	for i := range files {
		groups[i] = group{rows: files[i].rows}
	}
	return files[:len(take(groups, 1<<62))]
}

// compactDrift merges files of drift and leaves out what is superseded, what lost its reading by age, and end marks
// that nothing older stands behind. The caller holds upkeep.
func (l *Lake) compactDrift(ctx context.Context, all bool, done *Compacted) error {
	for {
		s, err := l.settledSet()
		if err != nil {
			return err
		}
		head := s.heads[drift]
		l.folds.keep(head.files)
		runs, err := l.runs(ctx, head.files)
		if err != nil {
			return err
		}
		now, kept := newest(runs), s.heads[readings].kept
		files := make([]driftGroup, len(head.files))
		for i, f := range head.files {
			files[i] = driftGroup{f, dead(runs[f.path], now), f.bounded && f.readFrom < kept-agedFor.Microseconds()}
		}
		chosen := planDrift(files, all, l.full)
		if len(chosen) == 0 {
			return nil
		}
		old := map[string]bool{}
		for _, f := range chosen {
			old[f.group] = true
		}
		behind := map[string]int64{} // oldest fold of a unit in the other files
		for _, f := range files {
			if old[f.group] {
				continue
			}
			for _, r := range runs[f.path] {
				if at, ok := behind[r.unit]; !ok || r.fold < at {
					behind[r.unit] = r.fold
				}
			}
		}
		keep := func(d *Drift) bool {
			switch {
			case d.fold < now[d.Unit].fold:
				return false
			case d.mark():
				at, ok := behind[d.Unit]
				return now[d.Unit].mark && ok && at < d.fold
			default:
				return kept == 0 || micros(d.ReadAt) >= kept
			}
		}
		if err := l.mergeDrift(ctx, chosen, keep, done); err != nil {
			return err
		}
	}
}

// mergeDrift writes the rows of files that are kept into new files, and replaces the one by the other.
func (l *Lake) mergeDrift(ctx context.Context, chosen []driftGroup, keep func(*Drift) bool, done *Compacted) (err error) {
	var all, rows, bytes int64
	old := map[string]bool{}
	var files []dataFile // to read
	for _, f := range chosen {
		all, rows, bytes = all+f.rows, rows+f.rows-f.dead, bytes+f.bytes
		old[f.group] = true
		if f.dead < f.rows {
			files = append(files, f.dataFile)
		}
	}
	if rows > 0 {
		if err := l.room(bytes); err != nil {
			return err
		}
	}
	pin, err := l.Pin()
	if err != nil {
		return err
	}
	defer pin.Release()
	to := &driftTarget{l: l}
	defer to.abandon()
	n := 0
	err = l.mergedDrift(ctx, files, func(d *Drift) error {
		if n++; n%50_000 == 0 {
			if err := l.giveWay(); err != nil {
				return err
			}
		}
		if !keep(d) {
			return nil
		}
		return to.add(d)
	})
	if err == nil {
		err = to.end()
	}
	if err == nil {
		err = l.did("rewritten")
	}
	if err != nil {
		for _, s := range to.done {
			s.remove(l.fs)
		}
		return err
	}
	operation := "replace"
	if to.count != all {
		operation = "overwrite"
		if to.count == 0 {
			operation = "delete"
		}
	}
	held, err := l.replace(ctx, operation, [tableCount]map[string]bool{drift: old}, to.done, [tableCount]int64{})
	if err != nil {
		return err
	}
	done.Merges++
	done.Groups += len(chosen)
	done.Into += len(to.done)
	done.Rows += all
	done.Before += bytes
	for _, s := range to.done {
		done.After += s.files[drift].FileSizeBytes()
	}
	done.LongestPublish = max(done.LongestPublish, held)
	l.metrics.compacted(len(chosen), all, held, l.now())
	l.log.Info("compacted", "table", specs[drift].name, "files", len(chosen), "into", len(to.done), "rows", all, "kept", to.count)
	return nil
}

// A driftTarget is the files that a merge writes, one after the other.
type driftTarget struct {
	l     *Lake
	part  *sealing
	path  string
	unit  string
	runs  []streak
	held  []Drift // rows of the row group that is not written yet
	count int64   // rows over all files
	in    int64   // rows in this file
	done  []*sealed
}

func (w *driftTarget) add(d *Drift) error {
	if w.part != nil && w.in >= w.l.full && d.Unit != w.unit {
		if err := w.end(); err != nil {
			return err
		}
	}
	if w.part == nil {
		t := w.l.tables[drift]
		w.path = filepath.Join(t.dataDir(), newGroup()+".parquet")
		f, err := t.fs.newFile(w.path)
		if err != nil {
			return err
		}
		enc, err := t.encoder(f, w.l.mem, t.seal(true, false)) // the next fit supersedes it: it is not worth the encoders of zstd
		if err != nil {
			f.discard()
			return err
		}
		w.part, w.runs, w.in = &sealing{t, f, enc}, nil, 0
		w.held = slices.Grow(w.held[:0], enc.form.group)
	}
	if len(w.held) == w.part.enc.form.group { // written
		w.held = w.held[:0]
	}
	w.held = append(w.held, *d) // the encoder looks at it when the row group is whole
	if err := w.part.enc.add(row{d: &w.held[len(w.held)-1]}); err != nil {
		return err
	}
	w.runs = grow(w.runs, d, d.mark())
	w.unit = d.Unit
	w.count++
	w.in++
	return nil
}

// end writes the end of the open file and syncs it.
func (w *driftTarget) end() error {
	p := w.part
	if p == nil {
		return nil
	}
	w.part = nil
	if err := p.enc.close(); err != nil {
		p.f.discard()
		return err
	}
	size, err := p.f.finish()
	if err != nil {
		return err
	}
	s := &sealed{group: groupOf(w.path)}
	s.paths[drift] = w.path
	w.done = append(w.done, s)
	if err := errors.Join(p.t.fs.syncDir(p.t.dataDir()), p.t.did("sealed")); err != nil {
		return err
	}
	s.files[drift], err = p.t.measured(w.path, size)
	w.l.folds.put(w.path, w.runs, false)
	return err
}

func (w *driftTarget) abandon() {
	if p := w.part; p != nil {
		p.f.discard()
	}
}

// driftStretch is how many rows of each file a merge decodes at once: rows of drift are wide.
const driftStretch = 512

// A driftSource is a data file that is read in a merge, a few rows at a time.
type driftSource struct {
	c      *cursor
	group  int
	rows   []row
	drifts []Drift
	at     int
}

// next moves to the next row; false at the end.
func (s *driftSource) next(ctx context.Context, all []int) (bool, error) {
	if s.at++; s.at < len(s.drifts) {
		return true, nil
	}
	if s.group < 0 || s.c.to == s.c.end {
		if s.group++; s.group >= s.c.file.NumRowGroups() {
			return false, nil
		}
		if err := s.c.open(ctx, s.group, all); err != nil {
			return false, err
		}
	}
	if err := s.c.load(driftStretch); err != nil {
		return false, err
	}
	var err error
	if s.rows, s.drifts, err = s.c.drifts(s.rows, s.drifts); err != nil {
		return false, err
	}
	s.at = 0
	s.c.unload()
	return len(s.drifts) > 0, nil
}

// driftSources is a heap by the rows that they are at.
type driftSources []*driftSource

func (h driftSources) Len() int { return len(h) }
func (h driftSources) Less(i, j int) bool {
	return compareDrift(&h[i].drifts[h[i].at], &h[j].drifts[h[j].at]) < 0
}
func (h driftSources) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *driftSources) Push(x any)   { *h = append(*h, x.(*driftSource)) }
func (h *driftSources) Pop() any {
	last := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return last
}

// mergedDrift gives the rows of files in their order. A row holds until the next.
func (l *Lake) mergedDrift(ctx context.Context, files []dataFile, yield func(*Drift) error) error {
	s := l.specs[drift]
	all := s.own()
	var h driftSources
	defer func() {
		for _, src := range h {
			src.c.close()
		}
	}()
	texts := map[string]string{}
	for _, f := range files {
		c, err := s.cursor(f.path, l.mem, texts)
		if err != nil {
			return err
		}
		src := &driftSource{c: c, group: -1, at: -1}
		more, err := src.next(ctx, all)
		if err != nil || !more {
			c.close()
			if err != nil {
				return fmt.Errorf("data file %s: %w", f.path, err)
			}
			continue
		}
		h = append(h, src)
	}
	heap.Init(&h)
	for len(h) > 0 {
		src := h[0]
		if err := yield(&src.drifts[src.at]); err != nil {
			return err
		}
		more, err := src.next(ctx, all)
		switch {
		case err != nil:
			return err
		case more:
			heap.Fix(&h, 0)
		default:
			heap.Pop(&h).(*driftSource).c.close()
		}
	}
	return nil
}
