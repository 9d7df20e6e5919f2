package sql

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/ipc"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/pqarrow"

	"marginline/sql/sheet"
)

// Forms are the forms that an answer can be written in.
var Forms = []string{"table", "json", "csv", "parquet", "arrow", "xlsx"}

// MediaType is the media type of a form.
func MediaType(form string) string {
	switch form {
	case "json":
		return "application/json"
	case "csv":
		return "text/csv; charset=utf-8"
	case "parquet":
		return "application/vnd.apache.parquet"
	case "arrow":
		return "application/vnd.apache.arrow.stream"
	case "xlsx":
		return sheet.MediaType
	}
	return "text/plain; charset=utf-8"
}

// Write runs a query and writes its answer in a form. A table holds at most Config.MaxRows rows: it is kept
// in memory to be aligned. The other forms are written as they come.
func (e *Engine) Write(ctx context.Context, src Source, r Request, form string, w io.Writer) (Summary, error) {
	switch form {
	case "arrow":
		return e.Arrow(ctx, src, r, func(in io.Reader) error { _, err := io.Copy(w, in); return err })
	case "parquet":
		return e.Arrow(ctx, src, r, func(in io.Reader) error { return writeParquet(in, w) })
	case "json":
		return e.writeRows(ctx, src, r, NewJSON(w))
	case "csv":
		return e.writeRows(ctx, src, r, NewCSV(w))
	case "xlsx":
		return e.writeRows(ctx, src, r, workbook{sheet.New(w)})
	case "table":
		if r.Rows <= 0 || r.Rows > e.config.MaxRows {
			r.Rows = e.config.MaxRows
		}
		res := &Result{}
		sum, err := e.Rows(ctx, src, r, keeper{res})
		if err == nil {
			err = res.WriteTable(w)
		}
		return sum, err
	}
	return Summary{}, fmt.Errorf("sql: form %q: want one of %s", form, strings.Join(Forms, ", "))
}

// writeParquet writes an answer as one Parquet file. Times are written as the lake writes them: UTC by
// convention, which DuckDB reads as TIMESTAMP.
func writeParquet(in io.Reader, w io.Writer) error {
	r, err := ipc.NewReader(in)
	if err != nil {
		return fmt.Errorf("sql: answer: %w", err)
	}
	defer r.Release()
	fields := slices.Clone(r.Schema().Fields())
	for i, f := range fields {
		if t, ok := f.Type.(*arrow.TimestampType); ok && t.TimeZone == "" {
			fields[i].Type = &arrow.TimestampType{Unit: t.Unit, TimeZone: "Etc/UTC"}
		}
		if f.Type.ID() == arrow.INTERVAL_MONTH_DAY_NANO {
			return &Error{Kind: KindInvalid, Message: "Parquet has no type for the column " + f.Name + " (INTERVAL)", Hint: "cast it to text, or take epoch() of it"}
		}
	}
	schema := arrow.NewSchema(fields, nil)
	props := parquet.NewWriterProperties(parquet.WithCompression(compress.Codecs.Zstd), parquet.WithRootRepetition(parquet.Repetitions.Required))
	out, err := pqarrow.NewFileWriter(schema, struct{ io.Writer }{w}, props, pqarrow.NewArrowWriterProperties(pqarrow.WithStoreSchema()))
	if err != nil {
		return fmt.Errorf("sql: parquet: %w", err)
	}
	for r.Next() {
		rec := r.Record()
		columns := make([]arrow.Array, len(fields))
		for i, c := range rec.Columns() {
			d := c.Data()
			columns[i] = array.MakeFromData(array.NewData(fields[i].Type, d.Len(), d.Buffers(), d.Children(), d.NullN(), d.Offset()))
			if t, ok := c.(*array.Dictionary); ok {
				columns[i] = t
			}
		}
		as := array.NewRecord(schema, columns, rec.NumRows())
		err := out.WriteBuffered(as)
		as.Release()
		if err != nil {
			return fmt.Errorf("sql: parquet: %w", err)
		}
	}
	if err := r.Err(); err != nil && err != io.EOF {
		return fmt.Errorf("sql: answer: %w", err)
	}
	return out.Close()
}

// writeRows runs a query and writes its rows, with what ends the form.
func (e *Engine) writeRows(ctx context.Context, src Source, r Request, to interface {
	Sink
	Close() error
}) (Summary, error) {
	sum, err := e.Rows(ctx, src, r, to)
	if err == nil {
		err = to.Close()
	}
	return sum, err
}

// A workbook is a Sink that writes an answer as XLSX, one sheet.
type workbook struct{ *sheet.Writer }

func (b workbook) Columns(columns []Column) error {
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = c.Name
	}
	return b.Begin("answer", names)
}
