package lake

import (
	"context"
	"fmt"
	"strings"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/pqarrow"

	"marginline/ingest/series"
)

// A cursor reads one data file forward: some columns of a row group, all its rows at once or a few thousand at a time.
// Columns are found by field id; one that an older file lacks reads as null.
type cursor struct {
	spec  *spec
	path  string
	file  *file.Reader
	rd    *pqarrow.FileReader
	place map[int]int // field id -> column in the file
	texts map[string]string

	group   int   // the row group that is open, -1 none
	end     int64 // row of the file where it ends
	from    int64
	to      int64 // rows of the file that are loaded
	cols    []int // of spec.columns, as in columns and data
	columns []*pqarrow.ColumnReader
	data    []*arrow.Chunked
	heads   *heads // where reports puts what it reads
}

func (s *spec) cursor(path string, mem memory.Allocator, texts map[string]string) (*cursor, error) {
	f, err := openParquet(path)
	if err != nil {
		return nil, err
	}
	rd, err := pqarrow.NewFileReader(f, pqarrow.ArrowReadProperties{}, mem)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("data file %s: %w", path, err)
	}
	c := &cursor{spec: s, path: path, file: f, rd: rd, place: places(f), texts: texts, group: -1}
	return c, nil
}

// places says where the columns of a file are, by field id.
func places(f *file.Reader) map[int]int {
	schema := f.MetaData().Schema
	place := make(map[int]int, schema.NumColumns())
	for i := range schema.NumColumns() {
		place[int(schema.Column(i).SchemaNode().FieldID())] = i
	}
	return place
}

// close ends a cursor, and with it the reports that it gave.
func (c *cursor) close() {
	c.shut()
	c.file.Close()
	if c.heads != nil {
		headSets.Put(c.heads)
		c.heads = nil
	}
}

// unload lets go of the rows that are loaded.
func (c *cursor) unload() {
	for _, d := range c.data {
		d.Release()
	}
	c.data = c.data[:0]
}

// shut closes the row group.
func (c *cursor) shut() {
	c.unload()
	for _, rd := range c.columns {
		rd.Release()
	}
	c.columns, c.cols, c.group = c.columns[:0], c.cols[:0], -1
}

// open opens the given columns of row group g.
func (c *cursor) open(ctx context.Context, g int, cols []int) (err error) {
	c.shut()
	defer func() { err = c.failed(recover(), g, err) }()
	c.from = 0
	for i := range g {
		c.from += c.file.MetaData().RowGroup(i).NumRows()
	}
	c.group, c.to, c.end = g, c.from, c.from+c.file.MetaData().RowGroup(g).NumRows()
	for _, i := range cols {
		at, ok := c.place[c.spec.columns[i].id]
		if !ok {
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		rd, err := c.rd.GetFieldReader(ctx, at, map[int]bool{at: true}, []int{g})
		if err != nil {
			return err
		}
		c.columns, c.cols = append(c.columns, rd), append(c.cols, i)
	}
	return nil
}

// whole reads the given columns of row group g.
func (c *cursor) whole(ctx context.Context, g int, cols []int) error {
	if err := c.open(ctx, g, cols); err != nil {
		return err
	}
	return c.load(c.end - c.from)
}

// load reads the next n rows of the open row group, or what is left of it. Columns are read one by one on this
// goroutine: a damaged page makes arrow panic, and a panic on a goroutine of arrow's own would end the program.
func (c *cursor) load(n int64) (err error) {
	c.unload()
	defer func() { err = c.failed(recover(), c.group, err) }()
	c.from, c.to = c.to, min(c.to+n, c.end)
	for k, rd := range c.columns {
		d, err := rd.NextBatch(c.to - c.from)
		if err != nil {
			return err
		}
		c.data = append(c.data, d)
		if int64(d.Len()) != c.to-c.from {
			return fmt.Errorf("column %s ends after %d rows, its footer says %d more", c.spec.columns[c.cols[k]].name, d.Len(), c.end-c.from)
		}
	}
	return nil
}

// failed shuts a row group that cannot be read and says why.
func (c *cursor) failed(panicked any, g int, err error) error {
	if panicked != nil {
		err = fmt.Errorf("%v", panicked)
	}
	if err != nil {
		c.shut()
		err = fmt.Errorf("data file %s, row group %d: %w", c.path, g, err)
	}
	return err
}

// fill sets what rows own from the loaded row group, beginning at row from of the file.
func (c *cursor) fill(rows []row, from int64) error {
	for k, i := range c.cols {
		col := &c.spec.columns[i]
		if !col.own {
			continue
		}
		at, rest := from-c.from, rows
		for _, chunk := range c.data[k].Chunks() {
			n := int64(chunk.Len())
			if at >= n {
				at -= n
				continue
			}
			take := min(n-at, int64(len(rest)))
			if err := c.set(col, chunk, int(at), rest[:take]); err != nil {
				return fmt.Errorf("data file %s, row group %d, column %s: %w", c.path, c.group, col.name, err)
			}
			at, rest = 0, rest[take:]
			if len(rest) == 0 {
				break
			}
		}
	}
	return nil
}

// reportAt is the report that a loaded row belongs to.
func (c *cursor) reportAt(row int64) string {
	for k, i := range c.cols {
		if c.spec.columns[i].name != "report_id" {
			continue
		}
		at := row - c.from
		for _, chunk := range c.data[k].Chunks() {
			if n := int64(chunk.Len()); at >= n {
				at -= n
				continue
			}
			if a, ok := chunk.(*array.String); ok {
				return a.Value(int(at))
			}
		}
	}
	return ""
}

func (c *cursor) set(col *column, chunk arrow.Array, from int, rows []row) (err error) {
	switch a := chunk.(type) {
	case *array.String:
		if col.text == nil {
			break
		}
		for i := range rows {
			if a.IsValid(from+i) && err == nil {
				err = col.text.set(&rows[i], c.text(a.Value(from+i)))
			}
		}
		return err
	case *array.Int32:
		if col.num == nil {
			break
		}
		for i := range rows {
			if a.IsValid(from+i) && err == nil {
				err = col.num.set(&rows[i], a.Value(from+i))
			}
		}
		return err
	case *array.Int64:
		if col.long == nil {
			break
		}
		for i := range rows {
			if a.IsValid(from+i) && err == nil {
				err = col.long.set(&rows[i], a.Value(from+i))
			}
		}
		return err
	case *array.Float64:
		if col.real == nil {
			break
		}
		for i := range rows {
			if a.IsValid(from+i) && err == nil {
				err = col.real.set(&rows[i], a.Value(from+i))
			}
		}
		return err
	case *array.Boolean:
		if col.flag == nil {
			break
		}
		for i := range rows {
			if a.IsValid(from+i) && err == nil {
				err = col.flag.set(&rows[i], series.TriOf(a.Value(from+i)))
			}
		}
		return err
	case *array.Timestamp:
		if col.when == nil {
			break
		}
		for i := range rows {
			if a.IsValid(from+i) && err == nil {
				err = col.when.set(&rows[i], fromMicros(int64(a.Value(from+i))))
			}
		}
		return err
	}
	return fmt.Errorf("stored as %s, expected %s", chunk.DataType(), col.iceberg())
}

// text gives a string that does not hold on to the file's memory; the few values that repeat are shared.
func (c *cursor) text(s string) string {
	if c.texts == nil {
		return strings.Clone(s)
	}
	if v, ok := c.texts[s]; ok {
		return v
	}
	v := strings.Clone(s)
	if len(c.texts) < maxTexts {
		c.texts[v] = v
	}
	return v
}

// maxTexts bounds the strings shared between rows.
const maxTexts = 1 << 16

// own are the columns that a poll's own row does not give.
func (s *spec) own(with ...string) (cols []int) {
	for i := range s.columns {
		if s.columns[i].own {
			cols = append(cols, i)
		}
	}
	for _, name := range with {
		cols = append(cols, s.column(name))
	}
	return cols
}

func (s *spec) named(names ...string) (cols []int) {
	for _, n := range names {
		cols = append(cols, s.column(n))
	}
	return cols
}
