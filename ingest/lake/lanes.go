package lake

import (
	"context"
	"fmt"
	"io"
	"os"
	"unsafe"

	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/file"

	"marginline/ingest/series"
)

// lanes read some columns of one data file forward, a stretch of rows at a time: column by column into buffers that are
// filled again and again. Where the cursor makes Arrow arrays of whole row groups, they take the values as the
// decoder leaves them, so that a row costs no memory of its own. Their buffers are large, and a history may be many small
// files, so whoever has lanes keeps them for the next file.
type lanes struct {
	spec    *spec
	ctx     context.Context
	path    string
	raw     *os.File
	bytes   *io.SectionReader // the whole of it
	file    *file.Reader
	place   map[int]int // field id -> column in the file
	bounds  []int64     // first row of each row group, and the end of the file
	group   int         // the row group that the lanes are in, -1 before the first
	next    int64       // row of the file that the lanes come to next
	lanes   []lane
	buffers []buffer // by column of the table
}

// A buffer takes what is decoded of one column. Each has one of the slices of values, by its type.
type buffer struct {
	given []int16 // 1 where the row has a value; not used in required columns
	texts []parquet.ByteArray
	used  int // of texts, since the file was opened
	nums  []int32
	longs []int64
	reals []float64
	flags []bool
	pages *pager
}

// A lane is one column that is read.
type lane struct {
	col   *column
	at    int                    // column of the file
	keep  bool                   // the values of all stretches of a read stay in the buffer, and no row takes them
	chunk file.ColumnChunkReader // nil where the whole row group is null
	got   int                    // values decoded, nulls left out
	*buffer

	names map[string]string // where texts that repeat are found again; nil for those that do not
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

// begin opens a data file.
func (s *lanes) begin(ctx context.Context, t *spec, path string) (err error) {
	raw, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("data file %s: %w", path, err)
	}
	defer func() {
		if r := recover(); r != nil { // a damaged footer
			err = fmt.Errorf("%v", r)
		}
		if err != nil {
			raw.Close()
			err = fmt.Errorf("data file %s: %w", path, err)
		}
	}()
	f, err := file.NewParquetReader(raw, file.WithReadProps(parquet.NewReaderProperties(memory.NewGoAllocator())))
	if err != nil {
		return err
	}
	size, err := raw.Seek(0, io.SeekEnd)
	if err != nil {
		return err
	}
	*s = lanes{spec: t, ctx: ctx, path: path, raw: raw, bytes: io.NewSectionReader(raw, 0, size), file: f, place: places(f),
		bounds: append(s.bounds[:0], 0), group: -1, lanes: s.lanes[:0], buffers: s.buffers}
	if s.buffers == nil {
		s.buffers = make([]buffer, len(t.columns))
	}
	for g := range f.NumRowGroups() {
		s.bounds = append(s.bounds, s.bounds[g]+f.MetaData().RowGroup(g).NumRows())
	}
	return nil
}

// use adds a lane for a column; false where the file lacks it, which then reads as null.
func (s *lanes) use(i int, names map[string]string) (l *lane, ok bool) {
	c := &s.spec.columns[i]
	at, ok := s.place[c.id]
	if !ok {
		return nil, false
	}
	if s.buffers[i].pages == nil {
		s.buffers[i].pages = &pager{}
	}
	s.lanes = append(s.lanes, lane{col: c, at: at, buffer: &s.buffers[i], names: names})
	return &s.lanes[len(s.lanes)-1], true
}

// end closes the file and keeps the buffers, without what was read.
func (s *lanes) end() {
	s.raw.Close()
	clear(s.lanes)
	for i := range s.buffers {
		b := &s.buffers[i]
		clear(b.texts[:b.used])
		b.used = 0
	}
	s.lanes, s.ctx, s.raw, s.bytes, s.file, s.place = s.lanes[:0], nil, nil, nil, nil, nil
}

// read decodes the rows of the file from one on, which is not before those of the last call, into rows.
func (s *lanes) read(from int64, rows []row) (err error) {
	defer func() { // the decoder panics where it could return an error
		if r := recover(); r != nil {
			err = fmt.Errorf("%v", r)
		}
		if err != nil {
			err = fmt.Errorf("data file %s, row group %d: %w", s.path, s.group, err)
		}
	}()
	for i := range s.lanes {
		if l := &s.lanes[i]; l.keep {
			l.room(len(rows))
		}
	}
	for at := 0; at < len(rows); {
		if err := s.seek(from + int64(at)); err != nil {
			return err
		}
		k := min(len(rows)-at, stretch, int(s.bounds[s.group+1]-s.next))
		for i := range s.lanes {
			l := &s.lanes[i]
			if l.keep {
				err = l.takeAt(at, k)
			} else if err = l.take(k); err == nil {
				err = l.fill(rows[at : at+k])
			}
			if err != nil {
				return fmt.Errorf("column %s: %w", l.col.name, err)
			}
		}
		s.next += int64(k)
		at += k
	}
	return nil
}

// seek brings the lanes to a row.
func (s *lanes) seek(row int64) error {
	if row >= s.bounds[len(s.bounds)-1] {
		return fmt.Errorf("the file ends at row %d, expected more", s.bounds[len(s.bounds)-1])
	}
	if s.group < 0 || row >= s.bounds[s.group+1] {
		if err := s.ctx.Err(); err != nil {
			return err
		}
		for s.group++; row >= s.bounds[s.group+1]; s.group++ {
		}
		for i := range s.lanes {
			if err := s.lanes[i].open(s); err != nil {
				return fmt.Errorf("column %s: %w", s.lanes[i].col.name, err)
			}
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
		s.next += int64(k)
	}
	return nil
}

// open goes to the start of the row group that s is in. A column that is null throughout is not read.
func (l *lane) open(s *lanes) (err error) {
	l.memo = [64]shown{}
	l.chunk = nil
	rows := s.file.MetaData().RowGroup(s.group)
	meta, err := rows.ColumnChunk(l.at)
	if err != nil {
		return err
	}
	if set, err := meta.StatsSet(); err == nil && set && !l.col.required {
		if st, err := meta.Statistics(); err == nil && st.HasNullCount() && st.NullCount() == rows.NumRows() {
			return nil
		}
	}
	l.chunk, err = l.pages.open(s.bytes, s.file, l.at, meta)
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
	case l.col.long != nil || l.col.when != nil:
		l.longs = make([]int64, n)
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
			l.used = max(l.used, at+n)
			rows, l.got, err = c.ReadBatch(int64(n), l.texts[at:at+n], given, nil)
		}
	case *file.Int32ColumnChunkReader:
		if l.col.num != nil {
			rows, l.got, err = c.ReadBatch(int64(n), l.nums[at:at+n], given, nil)
		}
	case *file.Int64ColumnChunkReader:
		if l.col.long != nil || l.col.when != nil {
			rows, l.got, err = c.ReadBatch(int64(n), l.longs[at:at+n], given, nil)
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
	case l.col.long != nil:
		return put(rows, l.given, l.longs[:l.got], l.col.long.set)
	case l.col.when != nil:
		return put(rows, l.given, l.longs[:l.got], func(r *row, us int64) error { return l.col.when.set(r, fromMicros(us)) })
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
	texts, set := l.texts[:l.got], l.col.text.set
	if l.names == nil {
		return put(rows, l.given, texts, func(r *row, b parquet.ByteArray) error { return set(r, string(b)) })
	}
	var last shown
	return put(rows, l.given, texts, func(r *row, b parquet.ByteArray) error {
		if at := unsafe.SliceData(b); at != last.at || len(b) != last.size {
			last = l.shown(b)
		}
		return set(r, last.text)
	})
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
