package lake

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
)

// agrees compares the values of the loaded row group with the statistics that its footer has of them: number
// of nulls, least and greatest. Engines skip row groups by these, so a wrong one hides rows.
func (c *cursor) agrees() error {
	for k, i := range c.cols {
		col := &c.spec.columns[i]
		chunk, err := c.file.MetaData().RowGroup(c.group).ColumnChunk(c.place[col.id])
		if err != nil {
			return err
		}
		if set, err := chunk.StatsSet(); err != nil || !set {
			return fmt.Errorf("column %s has no statistics (%w)", col.name, err)
		}
		st, err := chunk.Statistics()
		if err != nil {
			return err
		}
		var x extremes
		for _, a := range c.data[k].Chunks() {
			if err := x.take(col, a); err != nil {
				return fmt.Errorf("column %s: %w", col.name, err)
			}
		}
		if x.nulls != st.NullCount() {
			return fmt.Errorf("column %s holds %d nulls, its statistics say %d", col.name, x.nulls, st.NullCount())
		}
		if col.required && x.nulls > 0 {
			return fmt.Errorf("column %s is required and holds %d nulls", col.name, x.nulls)
		}
		if !st.HasMinMax() {
			continue
		}
		if lo, hi := st.EncodeMin(), st.EncodeMax(); x.low == nil || !col.bounds(lo, x.low) || !col.bounds(x.high, hi) {
			return fmt.Errorf("column %s: its values are not what its statistics say", col.name)
		}
	}
	return nil
}

// bounds says whether one of two encoded values bounds the other, a from below, b from above, as tightly as
// can be expected: exactly, but where one is infinite; arrow v15 begins with the largest finite numbers there.
func (c *column) bounds(a, b []byte) bool {
	o := c.compare(a, b)
	if o == 0 || c.real == nil || len(a) != 8 || len(b) != 8 {
		return o == 0
	}
	inf := func(v []byte) bool { return math.IsInf(math.Float64frombits(binary.LittleEndian.Uint64(v)), 0) }
	return o < 0 && (inf(a) || inf(b))
}

// extremes are the nulls and the bounds of a column's values, in the plain encoding of statistics.
type extremes struct {
	nulls     int64
	low, high []byte
}

func (x *extremes) bound(col *column, b []byte) {
	if x.low == nil || col.compare(b, x.low) < 0 {
		x.low = bytes.Clone(b)
	}
	if x.high == nil || col.compare(b, x.high) > 0 {
		x.high = bytes.Clone(b)
	}
}

func (x *extremes) take(col *column, a arrow.Array) error {
	x.nulls += int64(a.NullN())
	if a.NullN() == a.Len() {
		return nil
	}
	switch a := a.(type) {
	case *array.String:
		last := "\xff" // no valid text
		for i := range a.Len() {
			if v := a.Value(i); a.IsValid(i) && v != last {
				x.bound(col, []byte(v))
				last = v
			}
		}
	case *array.Int32:
		lo, hi := least(a.Len(), a.IsValid, a.Value)
		x.bound(col, binary.LittleEndian.AppendUint32(nil, uint32(lo)))
		x.bound(col, binary.LittleEndian.AppendUint32(nil, uint32(hi)))
	case *array.Int64:
		lo, hi := least(a.Len(), a.IsValid, a.Value)
		x.bound(col, binary.LittleEndian.AppendUint64(nil, uint64(lo)))
		x.bound(col, binary.LittleEndian.AppendUint64(nil, uint64(hi)))
	case *array.Timestamp:
		lo, hi := least(a.Len(), a.IsValid, a.Value)
		x.bound(col, binary.LittleEndian.AppendUint64(nil, uint64(lo)))
		x.bound(col, binary.LittleEndian.AppendUint64(nil, uint64(hi)))
	case *array.Float64:
		lo, hi := least(a.Len(), a.IsValid, a.Value)
		x.bound(col, binary.LittleEndian.AppendUint64(nil, math.Float64bits(lo)))
		x.bound(col, binary.LittleEndian.AppendUint64(nil, math.Float64bits(hi)))
	case *array.Boolean:
		var seen [2]bool
		for i := range a.Len() {
			if a.IsValid(i) && a.Value(i) {
				seen[1] = true
			} else if a.IsValid(i) {
				seen[0] = true
			}
		}
		for b, yes := range seen {
			if yes {
				x.bound(col, []byte{byte(b)})
			}
		}
	default:
		return fmt.Errorf("stored as %s, expected %s", a.DataType(), col.iceberg())
	}
	return nil
}

// least gives the least and the greatest valid value; there is one.
func least[T int32 | int64 | float64 | arrow.Timestamp](n int, valid func(int) bool, value func(int) T) (lo, hi T) {
	first := true
	for i := range n {
		if !valid(i) {
			continue
		}
		v := value(i)
		if first {
			lo, hi, first = v, v, false
		}
		lo, hi = min(lo, v), max(hi, v)
	}
	return lo, hi
}
