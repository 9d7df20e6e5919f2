package lake

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/bitutil"
	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/file"
	statistics "github.com/apache/arrow/go/v15/parquet/metadata"

	"marginline/ingest/series"
)

// A packer packs one column of sorted rows into the column chunks of a file, one row group after the other.
//
// It hands arrow v15 finished dictionaries and places in them, as arrow's own writer of dictionary arrays does,
// for every type. Given plain values, arrow boxes and hashes each one, which costs four times as much: most values
// of a row repeat those of the row before, or of the same test in the report before, and that is seen with one
// comparison. What a packer made for a row group it uses again for the next.
type packer struct {
	c      *column
	spaced []int32 // for each row its value's place in the dictionary, or none
	levels []int16 // for each row 1, or 0 where it has no value; unused in required columns
	valid  []byte  // the same as bits; only filled where a value is missing
	nulls  int
	flags  []bool // of the rows that have one: flags have no dictionary

	texts dictionary[string]
	nums  dictionary[int32]
	longs dictionary[int64]  // times too, as stored
	reals dictionary[uint64] // as bits
}

// packerSets are packers that no encoder uses: a flush takes those of one before.
var packerSets = sync.Pool{New: func() any { return new([]packer) }}

// packersOf gives packers for the columns of a table in a form.
func packersOf(s *spec, f form) []packer {
	packers := *packerSets.Get().(*[]packer)
	for len(packers) < len(s.columns) {
		packers = append(packers, packer{})
	}
	packers = packers[:len(s.columns)]
	for i := range packers {
		p, c := &packers[i], &s.columns[i]
		p.c = c
		p.nums.loose, p.longs.loose, p.reals.loose = c.bare(f.codec), c.bare(f.codec), c.bare(f.codec)
	}
	return packers
}

// keepPackers gives back the packers of an encoder that is done, without what they refer to.
func keepPackers(e *encoder) {
	kept := e.packers
	e.packers = nil
	for i := range kept {
		kept[i].begin(0)
	}
	packerSets.Put(&kept)
}

// none is the place of what is missing.
const none = int32(-1)

// begin makes a packer ready for a row group.
func (l *packer) begin(n int) {
	l.spaced = slices.Grow(l.spaced[:0], n)[:n]
	if n > 0 {
		l.spaced[0] = none // its own twin
	}
	l.nulls, l.flags = 0, l.flags[:0]
	l.texts.reset()
	l.nums.reset()
	l.longs.reset()
	l.reals.reset()
}

// take takes the reports from to to of a layout.
func (l *packer) take(rows []row, o *layout, from, to int) {
	if l.c.report && l.c.flag == nil {
		for i := from; i < to; i++ {
			first, end := o.reports[i], o.reports[i+1]
			l.rows(rows, o.twin, first, first+1)
			for k := first + 1; k < end; k++ {
				l.spaced[k] = l.spaced[first]
			}
		}
		return
	}
	l.rows(rows, o.twin, o.reports[from], o.reports[to])
}

// rows finds the places of some rows' values.
func (l *packer) rows(rows []row, twin []int32, from, to int32) {
	c, spaced := l.c, l.spaced
	switch {
	case c.text != nil:
		for k := from; k < to; k++ {
			v := c.text.of(&rows[k])
			if v == "" && !c.required {
				spaced[k] = none
			} else if g := spaced[twin[k]]; g >= 0 && l.texts.values[g] == v {
				spaced[k] = g
			} else {
				spaced[k] = l.texts.at(v, clean)
			}
		}
	case c.num != nil:
		for k := from; k < to; k++ {
			v := c.num.of(&rows[k])
			if v == series.None && !c.required {
				spaced[k] = none
			} else if g := spaced[twin[k]]; g >= 0 && l.nums.values[g] == v {
				spaced[k] = g
			} else {
				spaced[k] = l.nums.at(v, nil)
			}
		}
	case c.real != nil:
		for k := from; k < to; k++ {
			v := c.real.of(&rows[k])
			if bits := math.Float64bits(v); v != v {
				spaced[k] = none
			} else if g := spaced[twin[k]]; g >= 0 && l.reals.values[g] == bits {
				spaced[k] = g
			} else {
				spaced[k] = l.reals.at(bits, nil)
			}
		}
	case c.flag != nil:
		for k := from; k < to; k++ {
			v := c.flag.of(&rows[k])
			if v == series.Unknown && !c.required {
				spaced[k] = none
				continue
			}
			spaced[k] = 0
			l.flags = append(l.flags, v == series.True)
		}
	case c.long != nil:
		for k := from; k < to; k++ {
			spaced[k] = l.longs.at(c.long.of(&rows[k]), nil)
		}
	default:
		for k := from; k < to; k++ {
			if v := c.when.of(&rows[k]); v.IsZero() && !c.required {
				spaced[k] = none
			} else {
				spaced[k] = l.longs.at(micros(v), nil)
			}
		}
	}
}

// level says which rows have a value.
func (l *packer) level() {
	if l.c.required {
		return
	}
	l.levels = slices.Grow(l.levels[:0], len(l.spaced))[:len(l.spaced)]
	for i, at := range l.spaced {
		if at == none {
			l.levels[i] = 0
			l.nulls++
		} else {
			l.levels[i] = 1
		}
	}
	if l.nulls == 0 || l.c.flag != nil {
		return
	}
	n := int(bitutil.BytesForBits(int64(len(l.spaced))))
	l.valid = slices.Grow(l.valid[:0], n)[:n]
	clear(l.valid)
	for i, has := range l.levels {
		l.valid[i>>3] |= byte(has) << (i & 7)
	}
}

// A seeded encoder is one of arrow's that takes a dictionary from outside.
type seeded interface {
	PutDictionary(arrow.Array) error
	NumEntries() int
}

// write writes what was gathered as one column chunk.
func (l *packer) write(cw file.ColumnChunkWriter) error {
	l.level()
	levels := l.levels
	if l.c.required {
		levels = nil
	}
	if flags, ok := cw.(*file.BooleanColumnChunkWriter); ok {
		_, err := flags.WriteBatch(l.flags, levels, nil)
		return err
	}
	enc, ok := cw.CurrentEncoder().(seeded)
	if !ok {
		return l.writePlain(cw, levels)
	}
	dict := l.dictionary()
	defer dict.Release()
	if err := enc.PutDictionary(dict); err != nil {
		return err
	}
	if enc.NumEntries() != dict.Len() {
		return fmt.Errorf("column %s: arrow finds %d values among %d", l.c.name, enc.NumEntries(), dict.Len())
	}
	places := l.places()
	defer places.Release()
	if err := l.count(cw.PageStatistics(), dict); err != nil {
		return err
	}
	return cw.WriteDictIndices(places, levels, nil)
}

// count tells the statistics of a column chunk what is in it.
func (l *packer) count(st statistics.TypedStatistics, dict arrow.Array) error {
	if texts, ok := st.(*statistics.ByteArrayStatistics); ok { // from an array it leaves out the empty text
		values := make([]parquet.ByteArray, len(l.texts.values))
		for i, v := range l.texts.values {
			values[i] = parquet.ByteArray(v)
		}
		texts.Update(values, int64(l.nulls))
		return nil
	}
	st.IncNulls(int64(l.nulls))
	st.IncNumValues(int64(len(l.spaced) - l.nulls))
	return st.UpdateFromArrow(dict, false)
}

// writePlain writes a column of numbers without a dictionary.
func (l *packer) writePlain(cw file.ColumnChunkWriter, levels []int16) (err error) {
	n := len(l.spaced) - l.nulls
	switch out := cw.(type) {
	case *file.Int32ColumnChunkWriter:
		_, err = out.WriteBatch(listed(l.spaced, n, l.nums.values), levels, nil)
	case *file.Int64ColumnChunkWriter:
		_, err = out.WriteBatch(listed(l.spaced, n, l.longs.values), levels, nil)
	case *file.Float64ColumnChunkWriter:
		_, err = out.WriteBatch(arrow.Float64Traits.CastFromBytes(arrow.Uint64Traits.CastToBytes(listed(l.spaced, n, l.reals.values))), levels, nil)
	default:
		err = fmt.Errorf("column %s: no plain form of this type", l.c.name)
	}
	return err
}

// listed gives the n values of the rows that have one, in their order.
func listed[T any](spaced []int32, n int, values []T) []T {
	list := make([]T, 0, n)
	for _, at := range spaced {
		if at != none {
			list = append(list, values[at])
		}
	}
	return list
}

func (l *packer) dictionary() arrow.Array {
	switch c := l.c; {
	case c.text != nil:
		b := array.NewStringBuilder(memory.DefaultAllocator)
		defer b.Release()
		b.AppendValues(l.texts.values, nil)
		return b.NewArray()
	case c.num != nil:
		return fixed(arrow.PrimitiveTypes.Int32, len(l.nums.values), nil, 0, arrow.Int32Traits.CastToBytes(l.nums.values))
	case c.real != nil:
		return fixed(arrow.PrimitiveTypes.Float64, len(l.reals.values), nil, 0, arrow.Uint64Traits.CastToBytes(l.reals.values))
	default:
		return fixed(arrow.PrimitiveTypes.Int64, len(l.longs.values), nil, 0, arrow.Int64Traits.CastToBytes(l.longs.values))
	}
}

func (l *packer) places() arrow.Array {
	var valid []byte
	if l.nulls > 0 {
		valid = l.valid
	}
	return fixed(arrow.PrimitiveTypes.Int32, len(l.spaced), valid, l.nulls, arrow.Int32Traits.CastToBytes(l.spaced))
}

// fixed makes an array of memory that is there.
func fixed(t arrow.DataType, n int, valid []byte, nulls int, values []byte) arrow.Array {
	buffers := []*memory.Buffer{nil, memory.NewBufferBytes(values)}
	if valid != nil {
		buffers[0] = memory.NewBufferBytes(valid)
	}
	data := array.NewData(t, n, buffers, nil, nulls, 0)
	defer data.Release()
	return array.MakeFromData(data)
}
