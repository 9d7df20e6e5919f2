package lake

import (
	"errors"
	"fmt"
	"io"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/pqarrow"
)

// Snappy by measurement: arrow v15 makes a new zstd encoder for every page, which costs a flush of many
// small pages more than the bytes it saves.
const codecName = "snappy"

func (s *spec) properties(mem memory.Allocator) *parquet.WriterProperties {
	props := []parquet.WriterProperty{
		parquet.WithAllocator(mem),
		parquet.WithCompression(compress.Codecs.Snappy),
		parquet.WithRootRepetition(parquet.Repetitions.Required), // strict readers fail on arrow v15's default
		parquet.WithMaxRowGroupLength(int64(s.group)),
		// One batch, and so one page, a column chunk: arrow v15 slices the indices of a dictionary column
		// with nulls wrongly from the second batch on, and panics.
		parquet.WithBatchSize(int64(s.group)),
		parquet.WithCreatedBy("marginline"),
	}
	for i := range s.columns {
		c := &s.columns[i]
		if c.plain {
			props = append(props, parquet.WithDictionaryFor(c.name, false))
		}
	}
	return parquet.NewWriterProperties(props...)
}

// writeParquet writes rows, which are sorted, as row groups of s.group rows. A record is written whole
// with Write, one row group each: arrow v15 leaves the fast way for a second batch in a row group.
func (s *spec) writeParquet(w io.Writer, mem memory.Allocator, rows []row) (err error) {
	schema := s.arrowSchema()
	out, err := pqarrow.NewFileWriter(schema, w, s.properties(mem), pqarrow.NewArrowWriterProperties(pqarrow.WithAllocator(mem)))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	for len(rows) > 0 {
		n := min(len(rows), s.group)
		if err := s.writeGroup(out, schema, mem, rows[:n]); err != nil {
			return err
		}
		rows = rows[n:]
	}
	return nil
}

func (s *spec) writeGroup(out *pqarrow.FileWriter, schema *arrow.Schema, mem memory.Allocator, rows []row) (err error) {
	defer func() { // arrow panics where it could return an error
		if r := recover(); r != nil {
			err = fmt.Errorf("encode %d rows of %s: %v", len(rows), s.name, r)
		}
	}()
	rec := s.batch(mem, schema, rows)
	defer rec.Release()
	return out.Write(rec)
}

// openParquet opens a data file and reads its footer. Decoders take their scratch memory from the garbage
// collector, whatever the lake's allocator: arrow v15's delta decoder never gives its own back.
func openParquet(path string) (f *file.Reader, err error) {
	f, err = file.OpenParquetFile(path, false, file.WithReadProps(parquet.NewReaderProperties(memory.NewGoAllocator())))
	if err != nil {
		return nil, fmt.Errorf("data file %s: %w", path, err)
	}
	return f, nil
}
