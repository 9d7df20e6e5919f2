package lake

import (
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/pqarrow"
)

// WriteSheet writes named columns of plain values as one Parquet file, for results that are no table of the lake.
// A column takes the type of its values: string, int, float64, bool or time.Time (UTC, microseconds). nil, NaN,
// infinities and the zero time are null; a column of nothing but nil is text. Values of two types in one column
// are an error.
func WriteSheet(w io.Writer, columns []string, rows [][]any) (err error) {
	defer func() { // arrow panics where it could return an error
		if r := recover(); r != nil {
			err = fmt.Errorf("write Parquet: %v", r)
		}
	}()
	mem := memory.NewGoAllocator()
	fields := make([]arrow.Field, len(columns))
	cols := make([]arrow.Array, len(columns))
	for i, name := range columns {
		if cols[i], err = sheetColumn(mem, i, rows); err != nil {
			return fmt.Errorf("write Parquet: column %s: %w", name, err)
		}
		fields[i] = arrow.Field{Name: name, Type: cols[i].DataType(), Nullable: true}
	}
	schema := arrow.NewSchema(fields, nil)
	props := parquet.NewWriterProperties(parquet.WithCompression(compress.Codecs.Snappy), parquet.WithCreatedBy("marginline"),
		parquet.WithRootRepetition(parquet.Repetitions.Required))
	out, err := pqarrow.NewFileWriter(schema, w, props, pqarrow.DefaultWriterProps())
	if err != nil {
		return fmt.Errorf("write Parquet: %w", err)
	}
	if err := out.Write(array.NewRecord(schema, cols, int64(len(rows)))); err != nil {
		return fmt.Errorf("write Parquet: %w", err)
	}
	return out.Close()
}

func sheetColumn(mem memory.Allocator, i int, rows [][]any) (arrow.Array, error) {
	var b array.Builder
	first := slices.IndexFunc(rows, func(r []any) bool { return r[i] != nil })
	var sample any = ""
	if first >= 0 {
		sample = rows[first][i]
	}
	switch sample.(type) {
	case string:
		b = array.NewStringBuilder(mem)
	case int:
		b = array.NewInt64Builder(mem)
	case float64:
		b = array.NewFloat64Builder(mem)
	case bool:
		b = array.NewBooleanBuilder(mem)
	case time.Time:
		b = array.NewTimestampBuilder(mem, stored)
	default:
		return nil, fmt.Errorf("a value of type %T", sample)
	}
	defer b.Release()
	for k, r := range rows {
		if r[i] == nil {
			b.AppendNull()
			continue
		}
		if err := appendValue(b, r[i]); err != nil {
			return nil, fmt.Errorf("row %d: %w", k+1, err)
		}
	}
	return b.NewArray(), nil
}

func appendValue(b array.Builder, v any) error {
	switch b := b.(type) {
	case *array.StringBuilder:
		if s, ok := v.(string); ok {
			b.Append(clean(s))
			return nil
		}
	case *array.Int64Builder:
		if n, ok := v.(int); ok {
			b.Append(int64(n))
			return nil
		}
	case *array.Float64Builder:
		if f, ok := v.(float64); ok {
			if math.IsNaN(f) || math.IsInf(f, 0) {
				b.AppendNull()
			} else {
				b.Append(f)
			}
			return nil
		}
	case *array.BooleanBuilder:
		if t, ok := v.(bool); ok {
			b.Append(t)
			return nil
		}
	case *array.TimestampBuilder:
		if t, ok := v.(time.Time); ok {
			if t.IsZero() {
				b.AppendNull()
			} else {
				b.Append(arrow.Timestamp(micros(t)))
			}
			return nil
		}
	}
	return fmt.Errorf("a value of type %T in a column of %s", v, b.Type())
}
