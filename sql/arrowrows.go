package sql

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/decimal128"
	"github.com/apache/arrow/go/v15/arrow/ipc"
)

// pourRows reads an answer and passes it to a sink, row by row.
func pourRows(in io.Reader, to Sink) error {
	r, err := ipc.NewReader(in)
	if err != nil {
		return fmt.Errorf("sql: answer: %w", err)
	}
	defer r.Release()
	fields := r.Schema().Fields()
	columns := make([]Column, len(fields))
	for i, f := range fields {
		columns[i] = Column{f.Name, typeName(f.Type)}
		if k := f.Metadata.FindKey(typeKey); k >= 0 {
			columns[i].Type = f.Metadata.Values()[k]
		}
	}
	if err := to.Columns(columns); err != nil {
		return err
	}
	row := make([]any, len(fields))
	for r.Next() {
		rec := r.Record()
		cells := make([]func(int) any, len(fields))
		for i := range cells {
			cells[i] = cellsOf(rec.Column(i))
			if columns[i].Type == "JSON" {
				cells[i] = parsed(cells[i])
			}
		}
		for i := range int(rec.NumRows()) {
			for k, cell := range cells {
				row[k] = cell(i)
			}
			if err := to.Row(row); err != nil {
				return err
			}
		}
	}
	if err := r.Err(); err != nil && err != io.EOF {
		return fmt.Errorf("sql: answer: %w", err)
	}
	return nil
}

// parsed makes values of JSON text; numbers keep their digits.
func parsed(cell func(int) any) func(int) any {
	return func(i int) any {
		v, ok := cell(i).(string)
		if !ok {
			return nil
		}
		dec := json.NewDecoder(strings.NewReader(v))
		dec.UseNumber()
		var out any
		if dec.Decode(&out) != nil {
			return v
		}
		return out
	}
}

// typeName is DuckDB's name of a column's type.
func typeName(t arrow.DataType) string {
	switch t := t.(type) {
	case *arrow.Decimal128Type:
		if t.Precision == 38 && t.Scale == 0 {
			return "HUGEINT"
		}
		return fmt.Sprintf("DECIMAL(%d,%d)", t.Precision, t.Scale)
	case *arrow.TimestampType:
		if t.TimeZone != "" {
			return "TIMESTAMP WITH TIME ZONE"
		}
		return "TIMESTAMP"
	case *arrow.ListType:
		return typeName(t.Elem()) + "[]"
	case *arrow.FixedSizeListType:
		return fmt.Sprintf("%s[%d]", typeName(t.Elem()), t.Len())
	case *arrow.StructType:
		var parts []string
		for _, f := range t.Fields() {
			parts = append(parts, ident(f.Name)+" "+typeName(f.Type))
		}
		return "STRUCT(" + strings.Join(parts, ", ") + ")"
	case *arrow.MapType:
		return "MAP(" + typeName(t.KeyType()) + ", " + typeName(t.ItemType()) + ")"
	}
	if name, ok := plainTypes[t.ID()]; ok {
		return name
	}
	return strings.ToUpper(t.Name())
}

var plainTypes = map[arrow.Type]string{
	arrow.BOOL: "BOOLEAN", arrow.INT8: "TINYINT", arrow.INT16: "SMALLINT", arrow.INT32: "INTEGER", arrow.INT64: "BIGINT",
	arrow.UINT8: "UTINYINT", arrow.UINT16: "USMALLINT", arrow.UINT32: "UINTEGER", arrow.UINT64: "UBIGINT",
	arrow.FLOAT32: "FLOAT", arrow.FLOAT64: "DOUBLE", arrow.STRING: "VARCHAR", arrow.LARGE_STRING: "VARCHAR",
	arrow.BINARY: "BLOB", arrow.LARGE_BINARY: "BLOB", arrow.DATE32: "DATE", arrow.TIME64: "TIME",
	arrow.INTERVAL_MONTH_DAY_NANO: "INTERVAL", arrow.DICTIONARY: "ENUM",
}

// cellsOf gives the values of a column as a Sink takes them.
func cellsOf(col arrow.Array) func(i int) any {
	value := valuesOf(col)
	if col.NullN() == 0 {
		return value
	}
	return func(i int) any {
		if col.IsNull(i) {
			return nil
		}
		return value(i)
	}
}

func valuesOf(col arrow.Array) func(i int) any {
	switch a := col.(type) {
	case *array.Boolean:
		return func(i int) any { return a.Value(i) }
	case *array.Int8:
		return func(i int) any { return a.Value(i) }
	case *array.Int16:
		return func(i int) any { return a.Value(i) }
	case *array.Int32:
		return func(i int) any { return a.Value(i) }
	case *array.Int64:
		return func(i int) any { return a.Value(i) }
	case *array.Uint8:
		return func(i int) any { return a.Value(i) }
	case *array.Uint16:
		return func(i int) any { return a.Value(i) }
	case *array.Uint32:
		return func(i int) any { return a.Value(i) }
	case *array.Uint64:
		return func(i int) any { return a.Value(i) }
	case *array.Float32:
		return func(i int) any { return a.Value(i) }
	case *array.Float64:
		return func(i int) any { return a.Value(i) }
	case *array.String:
		return func(i int) any { return a.Value(i) }
	case *array.LargeString:
		return func(i int) any { return a.Value(i) }
	case *array.Binary:
		return func(i int) any { return hex.EncodeToString(a.Value(i)) }
	case *array.LargeBinary:
		return func(i int) any { return hex.EncodeToString(a.Value(i)) }
	case *array.Decimal128:
		scale := a.DataType().(*arrow.Decimal128Type).Scale
		return func(i int) any { return json.Number(decimal(a.Value(i), int(scale))) }
	case *array.Date32:
		return func(i int) any { return a.Value(i).ToTime().Format(time.DateOnly) }
	case *array.Time64:
		unit := a.DataType().(*arrow.Time64Type).Unit
		return func(i int) any { return a.Value(i).ToTime(unit).Format("15:04:05.999999") }
	case *array.Timestamp:
		unit := a.DataType().(*arrow.TimestampType).Unit
		return func(i int) any { return timeOf(int64(a.Value(i)), unit) }
	case *array.MonthDayNanoInterval:
		return func(i int) any { return interval(a.Value(i)) }
	}
	return nestedOf(col)
}

// timeOf keeps DuckDB's infinity beyond what a calendar can say.
func timeOf(v int64, unit arrow.TimeUnit) time.Time {
	switch unit {
	case arrow.Second:
		return time.Unix(v, 0).UTC()
	case arrow.Millisecond:
		return time.UnixMilli(v).UTC()
	case arrow.Microsecond:
		return time.UnixMicro(v).UTC()
	}
	return time.Unix(0, v).UTC()
}

func nestedOf(col arrow.Array) func(i int) any {
	switch a := col.(type) {
	case *array.Map:
		keys, items := cellsOf(a.Keys()), cellsOf(a.Items())
		return func(i int) any {
			from, to := a.ValueOffsets(i)
			out := make(map[string]any, to-from)
			for k := from; k < to; k++ {
				out[text(keys(int(k)))] = items(int(k))
			}
			return out
		}
	case array.ListLike:
		items := cellsOf(a.ListValues())
		return func(i int) any {
			from, to := a.ValueOffsets(i)
			out := make([]any, 0, to-from)
			for k := from; k < to; k++ {
				out = append(out, items(int(k)))
			}
			return out
		}
	case *array.Struct:
		kind := a.DataType().(*arrow.StructType)
		fields := make([]func(int) any, a.NumField())
		for k := range fields {
			fields[k] = cellsOf(a.Field(k))
		}
		return func(i int) any {
			out := make(map[string]any, len(fields))
			for k, f := range fields {
				out[kind.Field(k).Name] = f(i)
			}
			return out
		}
	case *array.Dictionary:
		words := cellsOf(a.Dictionary())
		return func(i int) any { return words(a.GetValueIndex(i)) }
	}
	return func(i int) any { return col.ValueStr(i) }
}

// decimal writes a number with its decimal point.
func decimal(v decimal128.Num, scale int) string {
	digits, sign := v.BigInt().String(), ""
	if strings.HasPrefix(digits, "-") {
		digits, sign = digits[1:], "-"
	}
	if scale > 0 {
		if len(digits) <= scale {
			digits = strings.Repeat("0", scale-len(digits)+1) + digits
		}
		digits = digits[:len(digits)-scale] + "." + digits[len(digits)-scale:]
	}
	return sign + digits
}

// interval writes a span of time in words and a clock.
func interval(i arrow.MonthDayNanoInterval) string {
	var parts []string
	if i.Months != 0 {
		parts = append(parts, fmt.Sprintf("%d months", i.Months))
	}
	if i.Days != 0 {
		parts = append(parts, fmt.Sprintf("%d days", i.Days))
	}
	if us := i.Nanoseconds / 1000; us != 0 || len(parts) == 0 {
		sign := ""
		if us < 0 {
			us, sign = -us, "-"
		}
		s := fmt.Sprintf("%s%02d:%02d:%02d", sign, us/3_600_000_000, us/60_000_000%60, us/1_000_000%60)
		if us %= 1_000_000; us != 0 {
			s += fmt.Sprintf(".%06d", us)
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, " ")
}
