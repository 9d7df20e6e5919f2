package lake

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"unicode/utf8"

	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/iceberg-go"
)

// longBound is the length from which a text bound is cut. A cut lower bound is still a lower bound; a cut
// upper bound is not an upper one, so it is left out.
const longBound = 64

// measures are what a manifest says about the columns of one data file, by field id: the metrics of
// "Manifests" in the Apache Iceberg table specification. Bounds are in its single-value binary form,
// which for our types is the plain encoding of Parquet's statistics.
type measures struct {
	sizes, values, nulls, nans map[int]int64
	lower, upper               map[int][]byte
	splits                     []int64
	rows                       int64
}

// measure adds up the footer of a data file over its row groups. It is read from what was written, so a
// bound can't differ from the file.
func (s *spec) measure(f *file.Reader) (measures, error) {
	m := measures{
		sizes: map[int]int64{}, values: map[int]int64{}, nulls: map[int]int64{}, nans: map[int]int64{},
		lower: map[int][]byte{}, upper: map[int][]byte{}, rows: f.NumRows(),
	}
	place := map[int]int{} // field id -> column in the file
	schema := f.MetaData().Schema
	for i := range schema.NumColumns() {
		place[int(schema.Column(i).SchemaNode().FieldID())] = i
	}
	for i := range s.columns {
		c := &s.columns[i]
		at, there := place[c.id]
		if !there { // a file older than the column
			continue
		}
		bounded := true
		for g := range f.NumRowGroups() {
			chunk, err := f.MetaData().RowGroup(g).ColumnChunk(at)
			if err != nil {
				return m, err
			}
			if i == 0 {
				m.splits = append(m.splits, start(chunk.DictionaryPageOffset(), chunk.DataPageOffset(), chunk.HasDictionaryPage()))
			}
			m.sizes[c.id] += chunk.TotalCompressedSize()
			m.values[c.id] += chunk.NumValues()
			if c.real != nil {
				m.nans[c.id] = 0 // NaN is stored as null
			}
			set, err := chunk.StatsSet()
			if err != nil {
				return m, err
			}
			if !set {
				bounded = false
				continue
			}
			st, err := chunk.Statistics()
			if err != nil {
				return m, err
			}
			if n := st.NullCount(); n < 0 || n > chunk.NumValues() {
				return m, fmt.Errorf("column %s: its statistics count %d nulls of %d values", c.name, n, chunk.NumValues())
			}
			m.nulls[c.id] += st.NullCount()
			if !st.HasMinMax() {
				if st.NullCount() < chunk.NumValues() {
					bounded = false
				}
				continue
			}
			lo, hi := bytes.Clone(st.EncodeMin()), bytes.Clone(st.EncodeMax())
			if old, ok := m.lower[c.id]; !ok || c.compare(lo, old) < 0 {
				m.lower[c.id] = lo
			}
			if old, ok := m.upper[c.id]; !ok || c.compare(hi, old) > 0 {
				m.upper[c.id] = hi
			}
		}
		if !bounded {
			delete(m.lower, c.id)
			delete(m.upper, c.id)
		}
		if lo := m.lower[c.id]; c.text != nil && len(lo) > longBound {
			m.lower[c.id] = shorten(lo)
		}
		if c.text != nil && len(m.upper[c.id]) > longBound {
			delete(m.upper, c.id)
		}
	}
	return m, nil
}

func start(dict, data int64, has bool) int64 {
	if has {
		return min(dict, data)
	}
	return data
}

// shorten cuts a text at a character's edge.
func shorten(b []byte) []byte {
	n := longBound
	for n > 0 && !utf8.RuneStart(b[n]) {
		n--
	}
	return b[:n]
}

// compare orders two bounds of the column.
func (c *column) compare(a, b []byte) int {
	switch {
	case c.text != nil || c.flag != nil:
		return bytes.Compare(a, b)
	case c.num != nil:
		return cmp.Compare(int32(binary.LittleEndian.Uint32(a)), int32(binary.LittleEndian.Uint32(b)))
	case c.real != nil:
		return cmp.Compare(math.Float64frombits(binary.LittleEndian.Uint64(a)), math.Float64frombits(binary.LittleEndian.Uint64(b)))
	default:
		return cmp.Compare(long(a), long(b))
	}
}

func long(b []byte) int64 { return int64(binary.LittleEndian.Uint64(b)) }

// dataFile is the manifest entry's data file.
func (m *measures) dataFile(path string, size int64) (iceberg.DataFile, error) {
	b, err := iceberg.NewDataFileBuilder(*iceberg.UnpartitionedSpec, iceberg.EntryContentData, path, iceberg.ParquetFile, nil, nil, nil, m.rows, size)
	if err != nil {
		return nil, err
	}
	return b.ColumnSizes(m.sizes).ValueCounts(m.values).NullValueCounts(m.nulls).NaNValueCounts(m.nans).
		LowerBoundValues(m.lower).UpperBoundValues(m.upper).SplitOffsets(m.splits).SortOrderID(1).Build(), nil
}
