package lake

import (
	"math"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/memory"

	"marginline/ingest/series"
)

// stored is the Arrow type of timestamps. The zone "Etc/UTC" is on purpose: arrow v15 marks the zones ""
// and "UTC" as "adjusted to UTC" in Parquet, which engines show as a timestamp with time zone. With this
// name the column is what Iceberg calls "timestamp".
var stored = &arrow.TimestampType{Unit: arrow.Microsecond, TimeZone: "Etc/UTC"}

// dictionary is the Arrow type of optional text. Required text is handed over as plain strings, which the
// Parquet encoder makes a dictionary of: of a required dictionary column arrow v15 writes a null count
// below zero into the statistics.
var dictionary = &arrow.DictionaryType{IndexType: arrow.PrimitiveTypes.Int32, ValueType: arrow.BinaryTypes.String}

func (c *column) arrow() arrow.DataType {
	switch {
	case c.text != nil && c.required:
		return arrow.BinaryTypes.String
	case c.text != nil:
		return dictionary
	case c.num != nil:
		return arrow.PrimitiveTypes.Int32
	case c.long != nil:
		return arrow.PrimitiveTypes.Int64
	case c.real != nil:
		return arrow.PrimitiveTypes.Float64
	case c.flag != nil:
		return arrow.FixedWidthTypes.Boolean
	default:
		return stored
	}
}

// arrowSchema carries the Iceberg field ids into the Parquet file.
func (s *spec) arrowSchema() *arrow.Schema {
	fields := make([]arrow.Field, len(s.columns))
	for i := range s.columns {
		c := &s.columns[i]
		fields[i] = arrow.Field{Name: c.name, Type: c.arrow(), Nullable: !c.required,
			Metadata: arrow.NewMetadata([]string{"PARQUET:field_id"}, []string{show(&c.id)})}
	}
	return arrow.NewSchema(fields, nil)
}

// batch makes one Arrow record of rows. A dictionary is made for the batch and holds no value twice:
// otherwise arrow v15 leaves the fast way.
func (s *spec) batch(mem memory.Allocator, schema *arrow.Schema, rows []row) arrow.Record {
	cols := make([]arrow.Array, len(s.columns))
	for i := range s.columns {
		cols[i] = s.columns[i].array(mem, rows)
	}
	defer func() {
		for _, c := range cols {
			c.Release()
		}
	}()
	return array.NewRecord(schema, cols, int64(len(rows)))
}

func (c *column) array(mem memory.Allocator, rows []row) arrow.Array {
	switch {
	case c.text != nil && c.required:
		return c.plainTexts(mem, rows)
	case c.text != nil:
		return c.texts(mem, rows)
	case c.num != nil:
		b := array.NewInt32Builder(mem)
		defer b.Release()
		b.Reserve(len(rows))
		for i := range rows {
			if v := c.num.get(&rows[i]); v != series.None || c.required {
				b.UnsafeAppend(v)
			} else {
				b.UnsafeAppendBoolToBitmap(false)
			}
		}
		return b.NewArray()
	case c.long != nil:
		b := array.NewInt64Builder(mem)
		defer b.Release()
		b.Reserve(len(rows))
		for i := range rows {
			b.UnsafeAppend(c.long.get(&rows[i]))
		}
		return b.NewArray()
	case c.real != nil:
		b := array.NewFloat64Builder(mem)
		defer b.Release()
		b.Reserve(len(rows))
		for i := range rows {
			if v := c.real.get(&rows[i]); !math.IsNaN(v) {
				b.UnsafeAppend(v)
			} else {
				b.UnsafeAppendBoolToBitmap(false)
			}
		}
		return b.NewArray()
	case c.flag != nil:
		b := array.NewBooleanBuilder(mem)
		defer b.Release()
		b.Reserve(len(rows))
		for i := range rows {
			if v := c.flag.get(&rows[i]); v != series.Unknown || c.required {
				b.UnsafeAppend(v == series.True)
			} else {
				b.UnsafeAppendBoolToBitmap(false)
			}
		}
		return b.NewArray()
	default:
		b := array.NewTimestampBuilder(mem, stored)
		defer b.Release()
		b.Reserve(len(rows))
		for i := range rows {
			if v := c.when.get(&rows[i]); !v.IsZero() || c.required {
				b.UnsafeAppend(arrow.Timestamp(micros(v)))
			} else {
				b.UnsafeAppendBoolToBitmap(false)
			}
		}
		return b.NewArray()
	}
}

// plainTexts lays the strings out in two buffers: a builder would copy each one twice.
func (c *column) plainTexts(mem memory.Allocator, rows []row) arrow.Array {
	offsets, values := memory.NewResizableBuffer(mem), memory.NewResizableBuffer(mem)
	defer offsets.Release()
	defer values.Release()
	offsets.Resize(arrow.Int32Traits.BytesRequired(len(rows) + 1))
	at := arrow.Int32Traits.CastFromBytes(offsets.Bytes())
	total := 0
	for i := range rows {
		at[i] = int32(total)
		total += len(clean(c.text.get(&rows[i])))
	}
	at[len(rows)] = int32(total)
	values.Resize(total)
	for i := range rows {
		copy(values.Bytes()[at[i]:], clean(c.text.get(&rows[i])))
	}
	data := array.NewData(arrow.BinaryTypes.String, len(rows), []*memory.Buffer{nil, offsets, values}, nil, 0, 0)
	defer data.Release()
	return array.NewStringData(data)
}

func (c *column) texts(mem memory.Allocator, rows []row) arrow.Array {
	index, values := array.NewInt32Builder(mem), array.NewStringBuilder(mem)
	defer index.Release()
	defer values.Release()
	index.Reserve(len(rows))
	places := map[string]int32{}
	last, place := "", int32(-1)
	for i := range rows {
		v := c.text.get(&rows[i])
		switch {
		case v == "":
			index.UnsafeAppendBoolToBitmap(false)
			continue
		case place < 0 || v != last:
			last = v
			v = clean(v)
			p, ok := places[v]
			if !ok {
				p = int32(len(places))
				places[v] = p
				values.Append(v)
			}
			place = p
		}
		index.UnsafeAppend(place)
	}
	at, dict := index.NewArray(), values.NewArray()
	defer at.Release()
	defer dict.Release()
	return array.NewDictionaryArray(dictionary, at, dict)
}
