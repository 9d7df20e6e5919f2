package analyze

import (
	"encoding/binary"
	"math"
	"math/bits"
	"slices"
	"unsafe"

	"marginline/ingest/series"
)

// A record is one unit on its way into bytes or out of them.
type record struct {
	*packer
	bits   []byte
	bytes  []byte
	nbit   int
	floats [32]uint64 // seen in the innermost element of a slice, the newest over the oldest
	seen   int
	newest int64 // time that times are counted from
	times  [4]int64
	timed  int  // times seen; as for floats
	out    bool // of bytes
}

func (r *record) bit(on *bool) {
	i := r.nbit
	r.nbit++
	if r.out {
		*on = r.bits[i/8]>>(i%8)&1 != 0
		return
	}
	if i/8 == len(r.bits) {
		r.bits = append(r.bits, 0)
	}
	if *on {
		r.bits[i/8] |= 1 << (i % 8)
	}
}

func (r *record) few(n int, v *uint64) {
	for i := range n {
		on := *v>>i&1 != 0
		r.bit(&on)
		if r.out && on {
			*v |= 1 << i
		}
	}
}

func (r *record) varint(v *uint64) {
	if !r.out {
		r.bytes = binary.AppendUvarint(r.bytes, *v)
		return
	}
	n, k := binary.Uvarint(r.bytes)
	*v, r.bytes = n, r.bytes[k:]
}

func (r *record) signed(v *int64) {
	z := uint64(*v)<<1 ^ uint64(*v>>63)
	r.varint(&z)
	*v = int64(z>>1) ^ -int64(z&1)
}

// whole writes series.None as -1 and gives the numbers below it one more.
func whole[T int | int8 | int32 | uint8 | uint32](r *record, at unsafe.Pointer) {
	x := (*T)(at)
	some := *x != 0
	if r.bit(&some); !some {
		return
	}
	v := int64(*x)
	switch {
	case r.out:
	case v == int64(series.None):
		v = -1
	case v < 0:
		v--
	}
	if r.signed(&v); !r.out {
		return
	}
	switch {
	case v == -1:
		v = int64(series.None)
	case v < 0:
		v++
	}
	*x = T(v)
}

func small[T int8 | uint8](r *record, at unsafe.Pointer) {
	x := (*T)(at)
	one := *x == 1
	if r.bit(&one); !one {
		whole[T](r, at)
	} else {
		*x = 1
	}
}

func moment64(r *record, at unsafe.Pointer) {
	x := (*int64)(at)
	some, known, place := *x != 0, false, uint64(0)
	if r.bit(&some); !some {
		return
	}
	if !r.out {
		i := slices.Index(r.times[:], *x)
		known, place = i >= 0, uint64(max(i, 0))
	}
	if r.bit(&known); known {
		if r.few(2, &place); r.out {
			*x = r.times[place]
		}
		return
	}
	v, far, split := *x, false, false
	if d := r.newest - v; !r.out && d > -1<<50 && d < 1<<50 {
		far, v = true, d
		if split = d%1e6 != 0; !split {
			v /= 1e6
		}
	}
	if r.bit(&far); far {
		r.bit(&split)
	}
	if r.signed(&v); r.out {
		if far {
			if !split {
				v *= 1e6
			}
			v = r.newest - v
		}
		*x = v
	}
	r.times[1+r.timed%3] = *x
	r.timed++
}

func real64(r *record, at unsafe.Pointer) {
	x := (*uint64)(at)
	some := *x != 0
	if r.bit(&some); !some {
		return
	}
	known, place := false, uint64(0)
	if !r.out {
		for i, f := range r.floats {
			if f == *x {
				known, place = true, uint64(i)
				break
			}
		}
	}
	if r.bit(&known); known {
		if r.few(5, &place); r.out {
			*x = r.floats[place]
		}
		return
	}
	var size uint64
	if !r.out {
		size = uint64(8-bits.TrailingZeros64(*x)/8) - 1
	}
	r.few(3, &size)
	if n := int(size) + 1; r.out {
		var b [8]byte
		copy(b[:], r.bytes[:n])
		*x, r.bytes = binary.BigEndian.Uint64(b[:]), r.bytes[n:]
	} else {
		b := binary.BigEndian.AppendUint64(nil, *x)
		r.bytes = append(r.bytes, b[:n]...)
	}
	r.note(*x)
}

func (r *record) note(f uint64) {
	r.floats[constants+r.seen%(len(r.floats)-constants)] = f
	r.seen++
}

// constants are the floats known from the start.
const constants = 3

func (r *record) forget() {
	r.floats = [32]uint64{math.Float64bits(math.NaN()), math.Float64bits(1), math.Float64bits(-1)}
	r.times = [4]int64{r.newest}
	r.seen, r.timed = 0, 0
}

func text(r *record, at unsafe.Pointer) {
	s := (*string)(at)
	n := uint64(len(*s))
	r.varint(&n)
	if !r.out {
		r.bytes = append(r.bytes, *s...)
		return
	}
	*s, r.bytes = string(r.bytes[:n]), r.bytes[n:]
}
