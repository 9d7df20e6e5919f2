package lake

import (
	"context"
	"fmt"
	"sync"
	"unsafe"

	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/file"

	"marginline/ingest/series"
)

// A scan reads the results in one file of the readings table, forward, a stretch of rows at a time: column by
// column into one buffer that is filled again and again. Where the cursor makes Arrow arrays of whole row
// groups, the scan takes the values as the decoder leaves them, so that a reading costs no memory of its own. Its buffers
// are 2 MB, and a history may be many small files, so each scan takes those of one that is closed.
type scan struct {
	ctx    context.Context
	path   string
	file   *file.Reader
	bounds []int64 // first row of each row group, and the end of the file
	group  int     // the row group that the lanes are in, -1 before the first
	next   int64   // row of the file that the lanes come to next
	lanes  []lane
	owner  lane // report_id: to check that rows are whose they should be

	results []series.Result
	rows    []row
	buffers []buffer // by column of the table
}

// scans are closed ones.
var scans = sync.Pool{New: func() any { return &scan{buffers: make([]buffer, len(specs[readings].columns))} }}

// A buffer takes what is decoded of one column. Each has one of the slices of values, by its type.
type buffer struct {
	given []int16 // 1 where the row has a value; not used in required columns
	texts []parquet.ByteArray
	nums  []int32
	reals []float64
	flags []bool
}

// A lane is one column of a scan.
type lane struct {
	col   *column
	at    int                    // column of the file
	chunk file.ColumnChunkReader // nil where the whole row group is null
	got   int                    // values decoded, nulls left out
	*buffer

	names map[string]string // shared between the lanes of a worker
	memo  [64]shown
}

// A shown is a text that the decoder has shown at a place in memory: values of one dictionary entry share it.
type shown struct {
	at   *byte
	size int
	text string
}

// stretch is how many rows a scan decodes at once: few enough that its columns stay in the cache, enough that
// the decoder's own start does not count.
const stretch = 4096

func (r *reader) scan(path string) (*scan, error) {
	f, err := openParquet(path)
	if err != nil {
		return nil, err
	}
	s := scans.Get().(*scan)
	*s = scan{ctx: r.ctx, path: path, file: f, group: -1, bounds: append(s.bounds[:0], 0), lanes: s.lanes[:0],
		results: s.results, rows: s.rows, buffers: s.buffers}
	for g := range f.NumRowGroups() {
		s.bounds = append(s.bounds, s.bounds[g]+f.MetaData().RowGroup(g).NumRows())
	}
	place := map[int]int{}
	schema := f.MetaData().Schema
	for i := range schema.NumColumns() {
		place[int(schema.Column(i).SchemaNode().FieldID())] = i
	}
	spec := &specs[readings]
	for i := range spec.columns {
		c := &spec.columns[i]
		at, ok := place[c.id]
		switch {
		case !ok:
		case c.name == "report_id":
			s.owner = lane{col: c, at: at, buffer: &s.buffers[i]}
		case c.own && c.name != "ord":
			s.lanes = append(s.lanes, lane{col: c, at: at, buffer: &s.buffers[i], names: r.texts})
		}
	}
	if s.owner.col == nil {
		s.close()
		return nil, fmt.Errorf("data file %s: no column report_id", path)
	}
	return s, nil
}

// close ends a scan and with it the results that it gave.
func (s *scan) close() {
	s.file.Close()
	clear(s.results) // nothing that was read is kept
	clear(s.lanes)
	s.owner, s.ctx, s.file = lane{}, nil, nil
	for i := range s.buffers {
		clear(s.buffers[i].texts)
	}
	scans.Put(s)
}

// read decodes n rows from a row of the file on, which is not before those of the last call. The results
// are good until the next call.
func (s *scan) read(from int64, n int) (results []series.Result, err error) {
	defer func() { // the decoder panics where it could return an error
		if r := recover(); r != nil {
			err = fmt.Errorf("%v", r)
		}
		if err != nil {
			err = fmt.Errorf("data file %s, row group %d: %w", s.path, s.group, err)
		}
	}()
	if len(s.results) < n {
		s.results = make([]series.Result, max(n, stretch))
		s.rows = make([]row, len(s.results))
		for i := range s.rows {
			s.rows[i].r = &s.results[i]
		}
	}
	blank := series.NewResult()
	for i := range s.results[:n] {
		s.results[i] = blank
	}
	s.owner.room(n)
	for at := 0; at < n; {
		if err := s.seek(from + int64(at)); err != nil {
			return nil, err
		}
		k := min(n-at, int(s.bounds[s.group+1]-s.next))
		for i := range s.lanes {
			l := &s.lanes[i]
			if err := l.take(k); err != nil {
				return nil, fmt.Errorf("column %s: %w", l.col.name, err)
			}
			if err := l.fill(s.rows[at : at+k]); err != nil {
				return nil, fmt.Errorf("column %s: %w", l.col.name, err)
			}
		}
		if err := s.owner.takeAt(at, k); err != nil {
			return nil, fmt.Errorf("column %s: %w", s.owner.col.name, err)
		}
		s.next += int64(k)
		at += k
	}
	return s.results[:n], nil
}

// belongs checks that rows of the last stretch, counted from its start, are those of a report.
func (s *scan) belongs(from, n int, report string) error {
	for _, i := range [...]int{from, from + n - 1} {
		if id := s.owner.texts[i]; string(id) != report {
			return fmt.Errorf("data file %s: a row belongs to report %q, expected %q", s.path, id, report)
		}
	}
	return nil
}

// seek brings the lanes to a row.
func (s *scan) seek(row int64) error {
	if row >= s.bounds[len(s.bounds)-1] {
		return fmt.Errorf("the file ends at row %d, expected more", s.bounds[len(s.bounds)-1])
	}
	if s.group < 0 || row >= s.bounds[s.group+1] {
		if err := s.ctx.Err(); err != nil {
			return err
		}
		for s.group++; row >= s.bounds[s.group+1]; s.group++ {
		}
		rows := s.file.RowGroup(s.group)
		for i := range s.lanes {
			if err := s.lanes[i].open(rows); err != nil {
				return fmt.Errorf("column %s: %w", s.lanes[i].col.name, err)
			}
		}
		if err := s.owner.open(rows); err != nil {
			return fmt.Errorf("column %s: %w", s.owner.col.name, err)
		}
		s.next = s.bounds[s.group]
	}
	for s.next < row {
		k := int(min(row-s.next, stretch))
		for i := range s.lanes {
			if err := s.lanes[i].take(k); err != nil {
				return fmt.Errorf("column %s: %w", s.lanes[i].col.name, err)
			}
		}
		if err := s.owner.takeAt(0, k); err != nil {
			return fmt.Errorf("column %s: %w", s.owner.col.name, err)
		}
		s.next += int64(k)
	}
	return nil
}

// open goes to the start of a row group. A column that is null throughout is not read.
func (l *lane) open(g *file.RowGroupReader) (err error) {
	l.memo = [64]shown{}
	l.chunk = nil
	meta, err := g.MetaData().ColumnChunk(l.at)
	if err != nil {
		return err
	}
	if set, err := meta.StatsSet(); err == nil && set && !l.col.required {
		if st, err := meta.Statistics(); err == nil && st.HasNullCount() && st.NullCount() == g.NumRows() {
			return nil
		}
	}
	l.chunk, err = g.Column(l.at)
	return err
}

// room makes the buffers of a lane large enough for n rows.
func (l *lane) room(n int) {
	if len(l.given) >= n {
		return
	}
	n = max(n, stretch)
	l.given = make([]int16, n)
	switch {
	case l.col.text != nil:
		l.texts = make([]parquet.ByteArray, n)
	case l.col.num != nil:
		l.nums = make([]int32, n)
	case l.col.real != nil:
		l.reals = make([]float64, n)
	case l.col.flag != nil:
		l.flags = make([]bool, n)
	}
}

// take decodes the next n rows.
func (l *lane) take(n int) error {
	l.room(n)
	return l.takeAt(0, n)
}

// takeAt decodes the next n rows into the buffers from a place on.
func (l *lane) takeAt(at, n int) (err error) {
	l.got = 0
	if l.chunk == nil {
		return nil
	}
	var rows int64
	given := l.given[at : at+n]
	switch c := l.chunk.(type) {
	case *file.ByteArrayColumnChunkReader:
		if l.col.text != nil {
			rows, l.got, err = c.ReadBatch(int64(n), l.texts[at:at+n], given, nil)
		}
	case *file.Int32ColumnChunkReader:
		if l.col.num != nil {
			rows, l.got, err = c.ReadBatch(int64(n), l.nums[at:at+n], given, nil)
		}
	case *file.Float64ColumnChunkReader:
		if l.col.real != nil {
			rows, l.got, err = c.ReadBatch(int64(n), l.reals[at:at+n], given, nil)
		}
	case *file.BooleanColumnChunkReader:
		if l.col.flag != nil {
			rows, l.got, err = c.ReadBatch(int64(n), l.flags[at:at+n], given, nil)
		}
	}
	switch {
	case err != nil:
		return err
	case rows != int64(n):
		return fmt.Errorf("stored as %s: %d rows of %d can be read: %v", l.chunk.Type(), rows, n, l.chunk.Err())
	}
	if l.chunk.Descriptor().MaxDefinitionLevel() == 0 {
		for i := range given {
			given[i] = 1
		}
	}
	return nil
}

// fill sets what the rows own from what was decoded last.
func (l *lane) fill(rows []row) error {
	if l.got == 0 {
		return nil
	}
	switch {
	case l.col.text != nil:
		return l.fillTexts(rows)
	case l.col.num != nil:
		return put(rows, l.given, l.nums[:l.got], l.col.num.set)
	case l.col.real != nil:
		return put(rows, l.given, l.reals[:l.got], l.col.real.set)
	default:
		return put(rows, l.given, l.flags[:l.got], func(r *row, b bool) error { return l.col.flag.set(r, series.TriOf(b)) })
	}
}

// put gives the rows that have a value the next one.
func put[T any](rows []row, given []int16, values []T, set func(*row, T) error) error {
	k := 0
	for i := range rows {
		if given[i] == 0 {
			continue
		}
		if err := set(&rows[i], values[k]); err != nil {
			return err
		}
		k++
	}
	return nil
}

func (l *lane) fillTexts(rows []row) error {
	var last shown
	k := 0
	for i := range rows {
		if l.given[i] == 0 {
			continue
		}
		b := l.texts[k]
		k++
		if at := unsafe.SliceData(b); at != last.at || len(b) != last.size {
			last = l.shown(b)
		}
		if err := l.col.text.set(&rows[i], last.text); err != nil {
			return err
		}
	}
	return nil
}

// shown is a text as a string of its own, found again by its place in the row group's memory.
func (l *lane) shown(b parquet.ByteArray) shown {
	at := unsafe.SliceData(b)
	m := &l.memo[uintptr(unsafe.Pointer(at))>>2%uintptr(len(l.memo))]
	if m.at == at && m.size == len(b) {
		return *m
	}
	text, ok := l.names[string(b)]
	if !ok {
		text = string(b)
		if len(l.names) < maxTexts {
			l.names[text] = text
		}
	}
	*m = shown{at, len(b), text}
	return *m
}
