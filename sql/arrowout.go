package sql

import (
	"fmt"
	"io"
	"strings"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/ipc"
	"github.com/apache/arrow-go/v18/arrow/memory"
)

// An arrowOut writes one answer as an Arrow IPC stream. It is the worker's side and speaks the version of
// Arrow that DuckDB's driver is built with; what reads it need not.
type arrowOut struct {
	to io.Writer
	w  *ipc.Writer
}

// typeKey is the metadata of a column whose type Arrow has no word for.
const typeKey = "duckdb.type"

// begin writes the schema, each name made unique: the second of one name gets _2.
func (a *arrowOut) begin(schema *arrow.Schema, as []Column) *arrow.Schema {
	fields := schema.Fields()
	var names []string
	for i, f := range fields {
		if len(as) != len(fields) {
			names = append(names, f.Name)
			continue
		}
		names = append(names, as[i].Name)
		if as[i].Type == "JSON" {
			fields[i].Metadata = arrow.NewMetadata([]string{typeKey}, []string{"JSON"})
		}
	}
	for i, name := range unique(names) {
		fields[i].Name = name
	}
	schema = arrow.NewSchema(fields, nil)
	a.w = ipc.NewWriter(a.to, ipc.WithSchema(schema))
	return schema
}

// unique makes names differ: the second of one name gets _2.
func unique(names []string) []string {
	taken, used := map[string]bool{}, map[string]bool{}
	for _, n := range names {
		taken[n] = true
	}
	out := make([]string, len(names))
	for i, n := range names {
		name := n
		for k := 2; used[name]; k++ {
			if try := fmt.Sprintf("%s_%d", n, k); !taken[try] && !used[try] {
				name = try
			}
		}
		used[name] = true
		out[i] = name
	}
	return out
}

// pour writes up to most rows and says how many, and whether there were more. One goroutine takes rows out of
// DuckDB, another writes them: on two processors an answer of many rows takes little more than the longer of both.
func (a *arrowOut) pour(in array.RecordReader, as []Column, most int64) (n int64, more bool, err error) {
	schema := a.begin(in.Schema(), as)
	batches, written := make(chan arrow.RecordBatch, 8), make(chan error, 1)
	go func() {
		var failed error
		for rec := range batches {
			if failed == nil {
				failed = a.w.Write(rec)
			}
			rec.Release()
		}
		written <- failed
	}()
	for !more && in.Next() {
		rec := in.RecordBatch()
		rows := rec.NumRows()
		if n+rows > most {
			rows, more = most-n, true
		}
		if rows > 0 {
			cut := rec.NewSlice(0, rows)
			batches <- array.NewRecordBatch(schema, cut.Columns(), rows)
			cut.Release()
		}
		n += rows
	}
	close(batches)
	if err := <-written; err != nil {
		return n, more, fmt.Errorf("sql: after %d rows: %w", n, err)
	}
	if err := in.Err(); err != nil {
		return n, more, err
	}
	return n, more, a.w.Close()
}

// texts writes an answer of our own whose columns are all text.
func (a *arrowOut) texts(names []string, rows [][]string) error {
	fields := make([]arrow.Field, len(names))
	for i, n := range names {
		fields[i] = arrow.Field{Name: n, Type: arrow.BinaryTypes.String, Nullable: true}
	}
	schema := a.begin(arrow.NewSchema(fields, nil), nil)
	b := array.NewRecordBuilder(memory.DefaultAllocator, schema)
	defer b.Release()
	for _, row := range rows {
		for i, s := range row {
			b.Field(i).(*array.StringBuilder).Append(s)
		}
	}
	rec := b.NewRecordBatch()
	defer rec.Release()
	if err := a.w.Write(rec); err != nil {
		return err
	}
	return a.w.Close()
}

// plan writes the one cell of an EXPLAIN as a row a line.
func (a *arrowOut) plan(in array.RecordReader) (int64, error) {
	var rows [][]string
	for in.Next() {
		rec := in.RecordBatch()
		text, ok := rec.Column(int(rec.NumCols()) - 1).(*array.String)
		for i := 0; ok && i < text.Len(); i++ {
			for line := range strings.Lines(strings.TrimRight(text.Value(i), "\n")) {
				rows = append(rows, []string{strings.TrimRight(line, "\n")})
			}
		}
	}
	if err := in.Err(); err != nil {
		return 0, err
	}
	return int64(len(rows)), a.texts([]string{"plan"}, rows)
}

// listViews answers SHOW TABLES from the dictionary.
func listViews(to *arrowOut) error {
	var rows [][]string
	for _, v := range append(Views(), macros()...) {
		rows = append(rows, []string{v.Call(), v.Meaning})
	}
	return to.texts([]string{"name", "meaning"}, rows)
}
