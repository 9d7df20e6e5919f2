package analyze

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"
	"reflect"
	"slices"
	"sync"
	"unsafe"

	"marginline/ingest/series"
)

// A state at rest is packed: most units are read a few times a day, and a fleet's states are needed at once only
// to be counted. What a state consists of is found by reflection when the program starts, so that a new field
// cannot be forgotten. Packing loses nothing: unpacked, the state has the same digest.
//
// Each field costs a bit that says whether it is zero; what is not is written in as few bytes as it needs:
//
//	bool      nothing more
//	state     a bit where it is one
//	integer   zigzag varint
//	time      (int64, microseconds) two bits name one that came before it, or seconds before the newest of the unit
//	float64   five bits name one that came before it in the record, or three its leading bytes that are not zero
//	string    length and bytes, or its number where it is shared
//	slice     length and elements
//	pointer   what it points at
//
// A struct tag says what reflection cannot know: rest:"shared" is a value that many series have in common, kept
// once; rest:"-" is not kept, because it follows from the rest or belongs to the unit.
type packer struct {
	mu     sync.Mutex
	shared map[any]uint64
	values []any
}

func newPacker() *packer { return &packer{shared: map[any]uint64{}} }

// mostShared bounds the numbers kept once. Names and rules are few by nature.
const mostShared = 1 << 18

// number is the number of a shared value, from 1; 0 for a number that there is no room for.
func (p *packer) number(v any) uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	n, ok := p.shared[v]
	if _, bits := v.(uint64); !ok && bits && len(p.values) >= mostShared {
		return 0
	}
	if !ok {
		p.values = append(p.values, v)
		n = uint64(len(p.values))
		p.shared[v] = n
	}
	return n
}

func (p *packer) value(n uint64) any {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.values[n-1]
}

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

// A move brings one field, at a place in memory, into the record or out of it.
type move func(*record, unsafe.Pointer)

// moves are the moves by type.
var moves sync.Map // reflect.Type -> move

func moveOf(t reflect.Type, tag string) move {
	switch tag {
	case "-":
		return nil
	case "shared":
		return func(r *record, at unsafe.Pointer) {
			var n uint64
			if !r.out {
				n = r.number(valueOf(t, at))
			}
			r.varint(&n)
			if n == 0 {
				real64(r, at)
				return
			}
			if !r.out {
				return
			}
			if v := r.value(n); t.Kind() == reflect.Float64 {
				*(*uint64)(at) = v.(uint64)
			} else {
				reflect.NewAt(t, at).Elem().Set(reflect.ValueOf(v))
			}
		}
	}
	if m, ok := moves.Load(t); ok {
		return m.(move)
	}
	m := makeMove(t)
	moves.Store(t, m)
	return m
}

// valueOf is what lies at a place, as a key; of a float its bits, which tell NaNs and zeros apart.
func valueOf(t reflect.Type, at unsafe.Pointer) any {
	switch t.Kind() {
	case reflect.String:
		return *(*string)(at)
	case reflect.Float64:
		return *(*uint64)(at)
	}
	return reflect.NewAt(t, at).Elem().Interface()
}

func makeMove(t reflect.Type) move {
	switch t.Kind() {
	case reflect.Bool:
		return func(r *record, at unsafe.Pointer) { r.bit((*bool)(at)) }
	case reflect.Int:
		return whole[int]
	case reflect.Int8:
		return small[int8]
	case reflect.Int32:
		return whole[int32]
	case reflect.Uint8:
		return small[uint8]
	case reflect.Uint32:
		return whole[uint32]
	case reflect.Int64:
		return moment64
	case reflect.Float64:
		return real64
	case reflect.Float32:
		return func(r *record, at unsafe.Pointer) {
			f := float64(*(*float32)(at))
			real64(r, unsafe.Pointer(&f))
			*(*float32)(at) = float32(f)
		}
	case reflect.String:
		return text
	case reflect.Pointer:
		return pointer(t)
	case reflect.Slice:
		return slice(t)
	case reflect.Array:
		m, size, n := moveOf(t.Elem(), ""), t.Elem().Size(), t.Len()
		return orZero(t, func(r *record, at unsafe.Pointer) {
			for i := range n {
				m(r, unsafe.Add(at, uintptr(i)*size))
			}
		})
	case reflect.Struct:
		return structure(t)
	}
	panic(fmt.Sprintf("analyze: a state holds a %s, which cannot be packed", t))
}

// structure moves the fields one by one, and nothing but a bit where all are zero.
func structure(t reflect.Type) move {
	type field struct {
		m  move
		at uintptr
	}
	var fields []field
	for i := range t.NumField() {
		f := t.Field(i)
		if m := moveOf(f.Type, f.Tag.Get("rest")); m != nil {
			fields = append(fields, field{m, f.Offset})
		}
	}
	wakes := reflect.PointerTo(t).Implements(reflect.TypeFor[waker]())
	return orZero(t, func(r *record, at unsafe.Pointer) {
		for i := range fields {
			fields[i].m(r, unsafe.Add(at, fields[i].at))
		}
		if r.out && wakes {
			reflect.NewAt(t, at).Interface().(waker).wake()
		}
	})
}

// orZero spends one bit where all is zero.
func orZero(t reflect.Type, m move) move {
	zero := make([]byte, t.Size())
	return func(r *record, at unsafe.Pointer) {
		full := !r.out && string(unsafe.Slice((*byte)(at), t.Size())) != string(zero)
		if r.bit(&full); full {
			m(r, at)
		}
	}
}

// A waker works out what was not kept of it.
type waker interface{ wake() }

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

func pointer(t reflect.Type) move {
	var m move
	var once sync.Once
	return func(r *record, at unsafe.Pointer) {
		once.Do(func() { m = moveOf(t.Elem(), "") })
		p := (*unsafe.Pointer)(at)
		some := *p != nil
		if r.bit(&some); !some {
			return
		}
		if r.out {
			*p = reflect.New(t.Elem()).UnsafePointer()
		}
		m(r, *p)
	}
}

func slice(t reflect.Type) move {
	m, size := moveOf(t.Elem(), ""), t.Elem().Size()
	return func(r *record, at unsafe.Pointer) {
		v := reflect.NewAt(t, at).Elem()
		n := uint64(v.Len())
		r.varint(&n)
		if n == 0 {
			return
		}
		if r.out {
			v.Set(reflect.MakeSlice(t, int(n), int(n)))
		}
		first := v.Index(0).Addr().UnsafePointer()
		for i := range int(n) {
			r.forget()
			m(r, unsafe.Add(first, uintptr(i)*size))
		}
	}
}

// pack is the state of a unit in bytes, without its signals.
func (p *packer) pack(v *Vehicle) []byte {
	r := record{packer: p, newest: v.last}
	r.forget()
	moveOf(reflect.TypeFor[Vehicle](), "")(&r, unsafe.Pointer(v))
	out := make([]byte, 0, binary.MaxVarintLen64*2+len(r.bits)+len(r.bytes))
	out = binary.AppendVarint(out, v.last)
	out = binary.AppendUvarint(out, uint64(len(r.bits)))
	return append(append(out, r.bits...), r.bytes...)[: len(out)+len(r.bits)+len(r.bytes) : len(out)+len(r.bits)+len(r.bytes)]
}

// newestOf is the read_at (us) of the newest poll of a packed state.
func newestOf(b []byte) int64 {
	last, _ := binary.Varint(b)
	return last
}

// unpack fills the state of a unit that has none.
func (p *packer) unpack(b []byte, v *Vehicle) {
	last, k := binary.Varint(b)
	n, m := binary.Uvarint(b[k:])
	b = b[k+m:]
	r := record{packer: p, newest: last, out: true, bits: b[:n], bytes: b[n:]}
	r.forget()
	moveOf(reflect.TypeFor[Vehicle](), "")(&r, unsafe.Pointer(v))
	for i := range v.watch {
		w := &v.watch[i]
		v.index[testKey{w.ecu, w.test}] = int32(i)
		if w.live {
			v.live = append(v.live, int32(i))
		}
		if at := max(w.side[up].at, w.side[down].at); at != 0 { // what its cohorts say is taken from them again
			w.tune(at, v)
		}
	}
}
