package lake

import (
	"encoding/binary"
	"slices"
)

// Parquet stores the places of a dictionary's values, and which rows have one, in a hybrid of run lengths and packed bits
// (Apache Parquet format, "Encodings", RLE = 3): a run is its length doubled and the value in whole bytes, other values
// come in groups of eight, twice the number of groups plus one before them.

// appendHybrid appends values of so many bits each, 1 to 32.
func appendHybrid(out []byte, values []int32, width int) []byte {
	least := max(8, 32/width) // shorter runs are smaller as bits
	written := 0
	for i := 0; i < len(values); {
		v, end := values[i], i+1
		for end < len(values) && values[end] == v {
			end++
		}
		// A run may lend what is missing to whole groups before it.
		if lent := -(i - written) & 7; end-i-lent >= least {
			out = appendPacked(out, values[written:i+lent], width)
			out = binary.AppendUvarint(out, uint64(end-i-lent)<<1)
			for b := 0; b < width; b += 8 {
				out = append(out, byte(v>>b))
			}
			written = end
		}
		i = end
	}
	return appendPacked(out, values[written:], width)
}

// appendPacked appends values as bits; zeros fill the last group.
func appendPacked(out []byte, values []int32, width int) []byte {
	if len(values) == 0 {
		return out
	}
	groups := (len(values) + 7) / 8
	out = binary.AppendUvarint(out, uint64(groups)<<1|1)
	end := len(out) + groups*width
	out = slices.Grow(out, groups*width+8)
	bits, n := uint64(0), 0
	for _, v := range values {
		bits |= uint64(uint32(v)) << n
		if n += width; n >= 32 {
			out = binary.LittleEndian.AppendUint32(out, uint32(bits))
			bits, n = bits>>32, n-32
		}
	}
	out = binary.LittleEndian.AppendUint64(out, bits)
	for len(out) < end {
		out = append(out, 0)
	}
	return out[:end]
}
