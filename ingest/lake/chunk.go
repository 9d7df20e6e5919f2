package lake

import (
	"cmp"
	"encoding/binary"
	"math"
	"math/bits"
	"slices"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/file"
	footer "github.com/apache/arrow/go/v15/parquet/metadata"
)

// A chunk is one column of a row group as it will stand in the file: a page of distinct values, where there is a
// dictionary, and one page of data. What a chunk was made in is used again for the next.
type chunk struct {
	rows, nulls int
	listed      bool   // by the places of a dictionary
	values      []byte // of the dictionary, in the plain encoding
	distinct    int
	plain       int    // bytes of the data page before compression
	data        []byte // of the data page, compressed

	lower, upper []byte // bounds as Parquet's statistics have them; nil where there are none

	body, text []byte
	levels     []int32
	dense      []int32
}

// longStatistic is the length from which on a bound is left out of the file, as arrow does.
const longStatistic = 4096

// finish encodes what was gathered.
func (l *packer) finish(codec compress.Compression) error {
	k := &l.chunk
	k.rows, k.nulls, k.lower, k.upper = len(l.spaced), 0, nil, nil
	k.body = k.body[:0]
	places := l.spaced
	if !l.c.required {
		places = k.presence(l.spaced)
	}
	switch {
	case l.c.flag != nil:
		k.listed = false
		k.flags(places)
	case l.c.text != nil:
		listing(k, l, places, &l.texts, k.texts(l.texts.values), textBounds)
	case l.c.num != nil:
		listing(k, l, places, &l.nums, arrow.Int32Traits.CastToBytes(l.nums.values), numBounds)
	case l.c.real != nil:
		listing(k, l, places, &l.reals, arrow.Uint64Traits.CastToBytes(l.reals.values), realBounds)
	default:
		listing(k, l, places, &l.longs, arrow.Int64Traits.CastToBytes(l.longs.values), longBounds)
	}
	k.plain = len(k.body)
	c, err := compress.GetCodec(codec)
	if err != nil {
		return err
	}
	room := int(c.CompressBound(int64(len(k.body))))
	k.data = slices.Grow(k.data[:0], room)[:room]
	k.data = c.EncodeLevel(k.data, k.body, compress.DefaultCompressionLevel)
	return nil
}

// presence appends which rows have a value and gives the places of those that have.
func (k *chunk) presence(spaced []int32) []int32 {
	for _, at := range spaced {
		k.nulls += int(uint32(at) >> 31) // none
	}
	size := len(k.body)
	k.body = append(k.body, 0, 0, 0, 0)
	switch k.nulls {
	case 0, len(spaced):
		all := int32(1)
		if k.nulls > 0 {
			all = 0
			spaced = nil
		}
		k.body = append(binary.AppendUvarint(k.body, uint64(k.rows)<<1), byte(all))
	default:
		k.levels = slices.Grow(k.levels[:0], len(spaced))[:len(spaced)]
		k.dense = slices.Grow(k.dense[:0], len(spaced))
		for i, at := range spaced {
			k.levels[i] = 1 - int32(uint32(at)>>31)
			if at != none {
				k.dense = append(k.dense, at)
			}
		}
		k.body = appendHybrid(k.body, k.levels, 1)
		spaced = k.dense
	}
	binary.LittleEndian.PutUint32(k.body[size:], uint32(len(k.body)-size-4))
	return spaced
}

// flags appends truth values as bits.
func (k *chunk) flags(values []int32) {
	if len(values) == 0 {
		return
	}
	at, any := len(k.body), [2]bool{}
	k.body = append(k.body, make([]byte, (len(values)+7)/8)...)
	for i, v := range values {
		k.body[at+i>>3] |= byte(v) << (i & 7)
		any[v&1] = true
	}
	k.lower, k.upper = []byte{0}, []byte{1}
	if !any[0] {
		k.lower = k.upper
	} else if !any[1] {
		k.upper = k.lower
	}
}

// listing appends values by their places in a dictionary, or as they are where the dictionary is loose. encoded is the
// dictionary in the plain encoding.
func listing[T comparable](k *chunk, l *packer, places []int32, d *dictionary[T], encoded []byte, bounds func([]T) (lo, hi []byte)) {
	k.listed = !d.loose && len(places) > 0
	if len(places) == 0 {
		return
	}
	k.lower, k.upper = bounds(d.values)
	if len(k.lower) > longStatistic {
		k.lower = nil
	}
	if len(k.upper) > longStatistic {
		k.upper = nil
	}
	if k.listed {
		k.values, k.distinct = encoded, len(d.values)
		width := max(bits.Len(uint(len(d.values)-1)), 1)
		k.body = appendHybrid(append(k.body, byte(width)), places, width)
		return
	}
	if len(encoded) == 4*len(d.values) {
		for _, at := range places {
			k.body = append(k.body, encoded[4*at:][:4]...)
		}
		return
	}
	for _, at := range places {
		k.body = append(k.body, encoded[8*at:][:8]...)
	}
}

// texts is a dictionary of texts in the plain encoding.
func (k *chunk) texts(values []string) []byte {
	k.text = k.text[:0]
	for _, v := range values {
		k.text = append(binary.LittleEndian.AppendUint32(k.text, uint32(len(v))), v...)
	}
	return k.text
}

func textBounds(v []string) (lo, hi []byte) { return []byte(slices.Min(v)), []byte(slices.Max(v)) }

func numBounds(v []int32) (lo, hi []byte) {
	return binary.LittleEndian.AppendUint32(nil, uint32(slices.Min(v))), binary.LittleEndian.AppendUint32(nil, uint32(slices.Max(v)))
}

func longBounds(v []int64) (lo, hi []byte) {
	return binary.LittleEndian.AppendUint64(nil, uint64(slices.Min(v))), binary.LittleEndian.AppendUint64(nil, uint64(slices.Max(v)))
}

// realBounds are of values given as bits, none of them NaN. A zero is told as the least or greatest of both zeros (Parquet format, order of
// floating-point statistics).
func realBounds(v []uint64) (lo, hi []byte) {
	least, most := math.Inf(1), math.Inf(-1)
	for _, bits := range v {
		x := math.Float64frombits(bits)
		least, most = min(least, x), max(most, x)
	}
	if least == 0 {
		least = math.Copysign(0, -1)
	}
	return binary.LittleEndian.AppendUint64(nil, math.Float64bits(least)), binary.LittleEndian.AppendUint64(nil, math.Float64bits(cmp.Or(most, 0)))
}

// write writes the pages of a chunk.
func (k *chunk) write(pages file.PageWriter, meta *footer.ColumnChunkMetaDataBuilder, props *parquet.WriterProperties, signed bool) error {
	meta.SetStats(footer.EncodedStatistics{
		HasMin: k.lower != nil, Min: k.lower, HasMax: k.upper != nil, Max: k.upper,
		HasNullCount: true, NullCount: int64(k.nulls), Signed: signed,
	})
	encoding := parquet.Encodings.Plain
	if k.listed {
		encoding = props.DictionaryIndexEncoding()
		page := file.NewDictionaryPage(memory.NewBufferBytes(k.values), int32(k.distinct), props.DictionaryPageEncoding())
		_, err := pages.WriteDictionaryPage(page)
		page.Release()
		if err != nil {
			return err
		}
	}
	page := file.NewDataPageV1(memory.NewBufferBytes(k.data), int32(k.rows), encoding, parquet.Encodings.RLE, parquet.Encodings.RLE, int32(k.plain))
	_, err := pages.WriteDataPage(page)
	page.Release()
	if err != nil {
		return err
	}
	return pages.Close(k.listed, false)
}
