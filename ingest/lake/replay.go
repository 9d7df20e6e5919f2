package lake

import (
	"container/heap"
	"context"
	"fmt"
	"runtime"
	"slices"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"marginline/ingest/series"
)

// Replay hands the committed polls of some units over, each unit's in the order of time.
//
// It looks through the reports table first and finds out in what order the polls of a unit stand in the lake
// and which of them have to wait for a late one. Then every worker takes a share of the units through all
// groups, the oldest first, and decodes of the other tables what belongs to them. In a lake that is in order
// nothing waits and nothing is copied. What does wait is bounded: when it would be too much, the units are
// taken in several passes.
func (l *Lake) Replay(ctx context.Context, q series.Replay) error {
	p, err := l.Pin()
	if err != nil {
		return err
	}
	defer p.Release()
	list, err := l.outlines(ctx, p.set, &q)
	if err != nil {
		return fmt.Errorf("read lake: %w", err)
	}
	shares, total := share(list, l.held)
	t := &teller{told: q.Progress, total: total}
	for _, pass := range shares {
		g, ctx := errgroup.WithContext(ctx)
		for _, units := range pass {
			g.Go(func() error {
				w := &worker{reader: l.reader(ctx, p.set, nil), each: q.Each, tell: t, units: units}
				for i := range list {
					if err := w.group(&list[i]); err != nil {
						return err
					}
				}
				return w.finish()
			})
		}
		if err := g.Wait(); err != nil {
			return fmt.Errorf("read lake: %w", err)
		}
	}
	t.tell(0)
	return nil
}

func workers() int { return runtime.GOMAXPROCS(0) }

// maxHeld is how many results may be held back at once, over all units of a pass: about 200 MB.
const maxHeld = 1 << 20

// share spreads units over passes and the workers of each. The units of a worker stand together in the files.
func share(list []outline, most int64) (passes [][]map[int]*queue, polls int64) {
	var order []int // units as they stand in the files
	rows := map[int]int64{}
	units := 0
	for i := range list {
		for k := range list[i].runs {
			r := &list[i].runs[k]
			if _, ok := rows[r.unit]; !ok {
				order = append(order, r.unit)
				units = max(units, r.unit+1)
			}
			for _, b := range r.polls {
				rows[r.unit] += int64(b.results)
			}
		}
	}
	held, polls := mark(list, units)
	for len(order) > 0 {
		n, sum, all := 0, int64(0), int64(0)
		for n < len(order) && (n == 0 || sum+held[order[n]] <= most) {
			sum, all = sum+held[order[n]], all+rows[order[n]]
			n++
		}
		pass, done := make([]map[int]*queue, workers()), int64(0)
		for _, u := range order[:n] {
			k := min(int(done*int64(len(pass))/max(all, 1)), len(pass)-1)
			if pass[k] == nil {
				pass[k] = map[int]*queue{}
			}
			pass[k][u] = &queue{}
			done += rows[u]
		}
		passes = append(passes, slices.DeleteFunc(pass, func(m map[int]*queue) bool { return m == nil }))
		order = order[n:]
	}
	return passes, polls
}

// A teller counts what was handed over.
type teller struct {
	told  func(done, total int64)
	done  atomic.Int64
	total int64
}

func (t *teller) tell(n int) {
	if done := t.done.Add(int64(n)); t.told != nil {
		t.told(done, t.total)
	}
}

// A queue is the polls of a unit that are held back, the oldest first.
type queue []*series.Poll

func (w queue) Len() int           { return len(w) }
func (w queue) Less(i, j int) bool { return w[i].Before(w[j]) }
func (w queue) Swap(i, j int)      { w[i], w[j] = w[j], w[i] }
func (w *queue) Push(p any)        { *w = append(*w, p.(*series.Poll)) }
func (w *queue) Pop() any {
	last := len(*w) - 1
	p := (*w)[last]
	(*w)[last] = nil
	*w = (*w)[:last]
	return p
}

// hold keeps a poll, which is lent, for later.
func (w *queue) hold(p *series.Poll) {
	own := *p
	own.Results = slices.Clone(p.Results)
	heap.Push(w, &own)
}

// A worker takes some units through the groups.
type worker struct {
	*reader
	each  func(int, *series.Poll) error
	tell  *teller
	units map[int]*queue

	batch []place
}

// A place is a poll whose results are about to be decoded.
type place struct {
	run  *run
	poll *series.Poll
	n    int // results
}

// group hands over what a group holds of the worker's units.
func (w *worker) group(o *outline) error {
	mine := false
	for i := range o.runs {
		mine = mine || w.units[o.runs[i].unit] != nil
	}
	if !mine {
		return nil
	}
	head, err := w.l.roll(w.ctx, o.file.path, w.texts)
	if err != nil {
		return err
	}
	defer head.close()
	found := w.codesOf(o.file)
	defer found.close()
	results := &results{worker: w, file: w.readings[o.file.group], aged: o.file.older(w.kept[readings])}
	defer results.close()

	loaded, from, rows, polls := -1, 0, []row(nil), []series.Poll(nil)
	for i := range o.runs {
		r := &o.runs[i]
		if w.units[r.unit] == nil {
			continue
		}
		at, codes := r.readings, r.codes
		for k, b := range r.polls {
			if b.wanted {
				i := r.from + k // in the row group
				if r.group != loaded || i >= from+len(rows) {
					if err := results.flush(); err != nil {
						return err
					}
					if r.group != loaded {
						head.enter(r.group, replayed)
					}
					if rows, polls, err = head.reports(r.group, i); err != nil {
						return err
					}
					loaded, from = r.group, i
				}
				p, row := &polls[i-from], &rows[i-from]
				row.p = p
				found.next = codes
				if err := found.read(row, int(b.codes)); err != nil {
					return err
				}
				if err := results.add(place{r, p, int(b.results)}, at); err != nil {
					return err
				}
			}
			at, codes = at+int64(b.results), codes+int64(b.codes)
		}
	}
	return results.flush()
}

// replayed are the columns of a report that a fold has a use for.
var replayed = slices.DeleteFunc(specs[reports].own(), func(i int) bool {
	switch specs[reports].columns[i].name {
	case "digest", "stream_seq", "received_at", "messages", "rejected", "cvns":
		return true
	}
	return false
})

// hand hands a poll over, or holds it back.
func (w *worker) hand(r *run, p *series.Poll) error {
	q := w.units[r.unit]
	if micros(p.ReadAt) >= r.later {
		q.hold(p)
		return nil
	}
	for len(*q) > 0 && (*q)[0].Before(p) {
		if err := w.each(r.unit, heap.Pop(q).(*series.Poll)); err != nil {
			return err
		}
	}
	return w.each(r.unit, p)
}

// finish hands over what is still held back.
func (w *worker) finish() error {
	for unit, q := range w.units {
		for len(*q) > 0 {
			if err := w.each(unit, heap.Pop(q).(*series.Poll)); err != nil {
				return err
			}
		}
	}
	return nil
}

// results decodes the results of the polls of one group, a stretch at a time.
type results struct {
	*worker
	file dataFile
	aged bool // the file may have been removed by age
	scan *scan
	from int64 // row of the file where the batch begins
	n    int   // rows in it
}

func (t *results) close() {
	if t.scan != nil {
		t.scan.close()
	}
}

// add takes a poll whose results begin at a row of the file.
func (t *results) add(p place, at int64) error {
	if len(t.batch) > 0 && (at != t.from+int64(t.n) || t.n+p.n > stretch) {
		if err := t.flush(); err != nil {
			return err
		}
	}
	if len(t.batch) == 0 {
		t.from, t.n = at, 0
	}
	t.batch, t.n = append(t.batch, p), t.n+p.n
	return nil
}

// flush decodes the polls that wait and hands them over.
func (t *results) flush() error {
	if len(t.batch) == 0 {
		return nil
	}
	var rows []series.Result
	if t.n > 0 && t.scan == nil && (t.file.path != "" || !t.aged) {
		if t.file.path == "" {
			return fmt.Errorf("report %s has rows in table %s, but no data file there holds them", t.batch[0].poll.ReportID, specs[readings].name)
		}
		var err error
		if t.scan, err = t.reader.scan(t.file.path); err != nil {
			return err
		}
	}
	if t.scan != nil {
		var err error
		if rows, err = t.scan.read(t.from, t.n); err != nil {
			return err
		}
	}
	at := 0
	for i := range t.batch {
		p := &t.batch[i]
		if rows != nil && p.n > 0 {
			if err := t.scan.belongs(at, p.n, p.poll.ReportID); err != nil {
				return err
			}
			p.poll.Results = rows[at : at+p.n : at+p.n]
			at += p.n
		}
		if err := t.hand(p.run, p.poll); err != nil {
			return err
		}
	}
	t.tell.tell(len(t.batch))
	t.batch = t.batch[:0]
	return nil
}
