package lake

import (
	"bytes"
	"context"
	"fmt"
	"iter"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/apache/arrow/go/v15/parquet/file"

	"marginline/ingest/series"
)

// Reports tells the id and the digest of every committed report, in any order, until yield fails.
func (l *Lake) Reports(ctx context.Context, yield func(id string, digest uint64) error) error {
	p, err := l.Pin()
	if err != nil {
		return err
	}
	defer p.Release()
	s := &specs[reports]
	cols := s.named("report_id", "digest")
	for _, f := range p.set.heads[reports].files {
		err := l.reportRows(ctx, s, f, cols, func(w *row) error { return yield(w.p.ReportID, w.p.Digest) })
		if err != nil {
			return err
		}
	}
	return nil
}

// reportRows reads some columns of one reports file.
func (l *Lake) reportRows(ctx context.Context, s *spec, f dataFile, cols []int, yield func(*row) error) error {
	c, err := s.cursor(f.path, l.mem, nil)
	if err != nil {
		return err
	}
	defer c.close()
	for g := range c.file.NumRowGroups() {
		rows, _, err := c.reports(ctx, g, cols)
		if err != nil {
			return err
		}
		for i := range rows {
			if err := yield(&rows[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// heads are the reports of a row group. They are many bytes and one cursor follows another, so each takes those of one
// that is closed.
type heads struct {
	rows  []row
	polls []series.Poll
}

var headSets = sync.Pool{New: func() any { return &heads{} }}

// of makes room for n blank reports.
func (h *heads) of(n int) ([]row, []series.Poll) {
	h.rows, h.polls = slices.Grow(h.rows[:0], n)[:n], slices.Grow(h.polls[:0], n)[:n]
	for i := range h.rows {
		h.polls[i] = series.Poll{Context: series.NoContext()}
		h.rows[i] = row{p: &h.polls[i]}
	}
	return h.rows, h.polls
}

// reports reads a row group of a reports file. They are good until the next call, or until the cursor is closed.
func (c *cursor) reports(ctx context.Context, g int, cols []int) ([]row, []series.Poll, error) {
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	if err := c.whole(ctx, g, cols); err != nil {
		return nil, nil, err
	}
	if c.heads == nil {
		c.heads = headSets.Get().(*heads)
	}
	rows, polls := c.heads.of(int(c.to - c.from))
	err := c.fill(rows, c.from)
	c.shut()
	return rows, polls, err
}

// Polls gives the committed polls whose VIN or device is listed (all of them when both lists are nil) and
// that were read no later than until (zero: no bound), in any order, each complete with its results and
// codes in the report's order. It stops after an error. It holds one file of each table at a time.
//
// Files and row groups whose statistics exclude every listed vehicle are not read; the reports rows say
// which rows of the other tables are wanted, so those are read only there.
func (l *Lake) Polls(ctx context.Context, vins, devices []string, until time.Time) iter.Seq2[*series.Poll, error] {
	return func(yield func(*series.Poll, error) bool) {
		p, err := l.Pin()
		if err != nil {
			yield(nil, err)
			return
		}
		defer p.Release()
		w := newWanted(vins, devices, until)
		r := l.reader(ctx, p.set, w)
		for _, f := range p.set.heads[reports].files {
			if !w.file(f) {
				continue
			}
			if more, err := r.group(f, func(w *row) bool { return yield(w.p, nil) }); err != nil {
				yield(nil, fmt.Errorf("read lake: %w", err))
				return
			} else if !more {
				return
			}
		}
	}
}

func byGroup(files []dataFile) map[string]dataFile {
	m := make(map[string]dataFile, len(files))
	for _, f := range files {
		m[f.group] = f
	}
	return m
}

// A reader reads groups: the files that hold the same reports, one of each table.
type reader struct {
	l               *Lake
	ctx             context.Context
	wanted          *wanted
	texts           map[string]string
	readings, codes map[string]dataFile
	kept            [tableCount]int64 // as in heads
}

func (l *Lake) reader(ctx context.Context, s *set, w *wanted) *reader {
	r := &reader{l: l, ctx: ctx, wanted: w, texts: map[string]string{},
		readings: byGroup(s.heads[readings].files), codes: byGroup(s.heads[codes].files)}
	for i, h := range s.heads {
		r.kept[i] = h.kept
	}
	return r
}

// group yields the rows of the reports table that are wanted in one group, each poll complete. It says
// false when yield did.
func (r *reader) group(f dataFile, yield func(*row) bool) (more bool, err error) {
	s := &specs[reports]
	head, err := s.cursor(f.path, r.l.mem, nil)
	if err != nil {
		return false, err
	}
	defer head.close()
	results := r.resultsOf(f)
	defer results.close()
	found := r.codesOf(f)
	defer found.close()

	all, counts := s.own(), s.named("results", "codes")
	for g := range head.file.NumRowGroups() {
		pruned := !r.wanted.rowGroup(head.file, head.place, g)
		cols := all
		if pruned { // still needed: they say where the rows of later reports begin
			cols = counts
		}
		rows, polls, err := head.reports(r.ctx, g, cols)
		if err != nil {
			return false, err
		}
		for i := range rows {
			w := &rows[i]
			if pruned || !r.wanted.poll(&polls[i]) {
				results.next += int64(w.results)
				found.next += int64(w.codes)
				continue
			}
			p := polls[i] // a copy of its own: it must not hold the row group
			w.p = &p
			if err := results.read(w, int(w.results)); err != nil {
				return false, err
			}
			if err := found.read(w, int(w.codes)); err != nil {
				return false, err
			}
			if !yield(w) {
				return false, nil
			}
			w.p = nil // else the row group would hold every poll that was read
		}
	}
	return true, nil
}

// A part is the rows of one other table that belong to a reports file: report after report in the same
// order, as many each as its own row says.
type part struct {
	r    *reader
	spec *spec
	file dataFile
	aged bool // the file may have been removed by age
	cur  *cursor
	cols []int
	next int64 // row of the file where the next report begins
	set  func(w *row, n int) []row
}

func (r *reader) resultsOf(f dataFile) *part {
	var rows []row // used again for each report
	return &part{r: r, spec: &specs[readings], file: r.readings[f.group], aged: f.older(r.kept[readings]), set: func(w *row, n int) []row {
		w.p.Results = make([]series.Result, n)
		rows = slices.Grow(rows[:0], n)[:n]
		for i := range rows {
			w.p.Results[i] = series.NewResult()
			rows[i] = row{r: &w.p.Results[i]}
		}
		return rows
	}}
}

func (r *reader) codesOf(f dataFile) *part {
	return &part{r: r, spec: &specs[codes], file: r.codes[f.group], aged: f.older(r.kept[codes]), set: func(w *row, n int) []row {
		w.p.Codes = make([]series.Code, n)
		rows := make([]row, n)
		for i := range rows {
			rows[i] = row{c: &w.p.Codes[i]}
		}
		return rows
	}}
}

func (t *part) close() {
	if t.cur != nil {
		t.cur.close()
	}
}

// read gives the poll of w its next n rows.
func (t *part) read(w *row, n int) (err error) {
	if n == 0 {
		return nil
	}
	if t.cur == nil {
		if t.file.path == "" && t.aged {
			return nil
		}
		if t.file.path == "" {
			return fmt.Errorf("report %s has rows in table %s, but no data file there holds them", w.p.ReportID, t.spec.name)
		}
		if t.cur, err = t.spec.cursor(t.file.path, t.r.l.mem, t.r.texts); err != nil {
			return err
		}
		t.cols = t.spec.own("report_id")
	}
	rows := t.set(w, n)
	for len(rows) > 0 {
		if err := t.seek(); err != nil {
			return err
		}
		k := min(int64(len(rows)), t.cur.to-t.next)
		if err := t.cur.fill(rows[:k], t.next); err != nil {
			return err
		}
		for _, at := range [...]int64{t.next, t.next + k - 1} {
			if id := t.cur.reportAt(at); id != w.p.ReportID {
				return fmt.Errorf("data file %s, row %d: belongs to report %q, expected %q", t.file.path, at, id, w.p.ReportID)
			}
		}
		rows, t.next = rows[k:], t.next+k
	}
	return nil
}

// seek loads the rows that the next one is among.
func (t *part) seek() error {
	c := t.cur
	if c.group < 0 || t.next >= c.end {
		var from int64
		g, n := 0, c.file.NumRowGroups()
		for ; g < n && t.next >= from+c.file.MetaData().RowGroup(g).NumRows(); g++ {
			from += c.file.MetaData().RowGroup(g).NumRows()
		}
		if g == n {
			return fmt.Errorf("data file %s ends at row %d, expected more", t.file.path, from)
		}
		if err := c.open(t.r.ctx, g, t.cols); err != nil {
			return err
		}
	}
	for t.next >= c.to {
		if err := c.load(stretch); err != nil {
			return err
		}
	}
	return nil
}

// wanted says which polls are asked for.
type wanted struct {
	all           bool
	vins, devices map[string]bool
	vinList       [][]byte // sorted
	deviceList    [][]byte
	until         time.Time
}

func newWanted(vins, devices []string, until time.Time) *wanted {
	w := &wanted{all: vins == nil && devices == nil, vins: map[string]bool{}, devices: map[string]bool{}, until: until}
	for _, v := range vins {
		w.vins[v] = true
	}
	for _, d := range devices {
		w.devices[d] = true
	}
	for _, v := range slices.Sorted(maps.Keys(w.vins)) {
		w.vinList = append(w.vinList, []byte(v))
	}
	for _, d := range slices.Sorted(maps.Keys(w.devices)) {
		w.deviceList = append(w.deviceList, []byte(d))
	}
	return w
}

func (w *wanted) poll(p *series.Poll) bool {
	if !w.until.IsZero() && p.ReadAt.After(w.until) {
		return false
	}
	return w.all || p.VIN != "" && w.vins[p.VIN] || w.devices[p.Device]
}

// may says whether rows within the bounds can be wanted; a nil bound is open.
func (w *wanted) may(vinLow, vinHigh, deviceLow, deviceHigh []byte, from int64, bounded bool) bool {
	if bounded && !w.until.IsZero() && from > micros(w.until) {
		return false
	}
	return w.all || within(w.vinList, vinLow, vinHigh) || within(w.deviceList, deviceLow, deviceHigh)
}

func (w *wanted) file(f dataFile) bool {
	return w.may(f.vinLow, f.vinHigh, f.deviceLow, f.deviceHigh, f.readFrom, f.bounded)
}

// rowGroup judges a row group of a reports file, whose columns are at these places, by its statistics.
func (w *wanted) rowGroup(f *file.Reader, place map[int]int, g int) bool {
	s := &specs[reports]
	bounds := func(name string) (low, high []byte) {
		at, ok := place[s.columns[s.column(name)].id]
		if !ok {
			return nil, nil
		}
		chunk, err := f.MetaData().RowGroup(g).ColumnChunk(at)
		if err != nil {
			return nil, nil
		}
		if set, err := chunk.StatsSet(); err != nil || !set {
			return nil, nil
		}
		st, err := chunk.Statistics()
		if err != nil || !st.HasMinMax() {
			return nil, nil
		}
		return st.EncodeMin(), st.EncodeMax()
	}
	vinLow, vinHigh := bounds("vin")
	deviceLow, deviceHigh := bounds("device")
	from, _ := bounds("read_at")
	if len(from) != 8 {
		return w.may(vinLow, vinHigh, deviceLow, deviceHigh, 0, false)
	}
	return w.may(vinLow, vinHigh, deviceLow, deviceHigh, long(from), true)
}

// within says whether one of the sorted values lies between the bounds.
func within(sorted [][]byte, low, high []byte) bool {
	i, _ := slices.BinarySearchFunc(sorted, low, bytes.Compare)
	return i < len(sorted) && (high == nil || bytes.Compare(sorted[i], high) <= 0)
}
