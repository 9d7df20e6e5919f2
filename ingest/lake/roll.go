package lake

import (
	"context"
	"sync"

	"marginline/ingest/series"
)

// A roll reads the reports in one file of the reports table, forward, a stretch of rows at a time.
type roll struct {
	lanes
	heads heads
	texts map[string]string
}

// rolls are closed ones.
var rolls = sync.Pool{New: func() any { return &roll{} }}

// roll opens a file of reports. Texts that repeat are shared by way of texts.
func (l *Lake) roll(ctx context.Context, path string, texts map[string]string) (*roll, error) {
	r := rolls.Get().(*roll)
	if err := r.begin(ctx, &specs[reports], path); err != nil {
		rolls.Put(r)
		return nil, err
	}
	r.texts = texts
	return r, nil
}

// close ends a roll, and with it the reports that it gave.
func (r *roll) close() {
	r.end()
	clear(r.heads.rows) // nothing that was read is kept
	clear(r.heads.polls)
	r.texts = nil
	rolls.Put(r)
}

// enter goes to row group g, which is not before the one that the roll is in, for some columns. It gives the rows there are.
func (r *roll) enter(g int, cols []int) (rows int) {
	r.lanes.lanes, r.group = r.lanes.lanes[:0], g-1
	for _, i := range cols {
		texts := r.texts
		if r.spec.columns[i].name == "report_id" {
			texts = nil
		}
		r.use(i, texts)
	}
	return int(r.bounds[g+1] - r.bounds[g])
}

// reports reads the reports of the row group from one on, which is not before those of the last call: a stretch, or
// what is left. They are good until the next.
func (r *roll) reports(g, from int) ([]row, []series.Poll, error) {
	first := r.bounds[g] + int64(from)
	rows, polls := r.heads.of(int(min(stretch, r.bounds[g+1]-first)))
	return rows, polls, r.read(first, rows)
}
