package lake

import (
	"context"
	"sync"

	"marginline/ingest/series"
)

// A roll reads the reports in one file of the reports table, a row group at a time.
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

// reports reads some columns of row group g, which is not before that of the last call. They are good until the next.
func (r *roll) reports(g int, cols []int) ([]row, []series.Poll, error) {
	r.lanes.lanes, r.group = r.lanes.lanes[:0], g-1
	for _, i := range cols {
		texts := r.texts
		if r.spec.columns[i].name == "report_id" {
			texts = nil
		}
		r.use(i, texts)
	}
	rows, polls := r.heads.of(int(r.bounds[g+1] - r.bounds[g]))
	return rows, polls, r.read(r.bounds[g], rows)
}
