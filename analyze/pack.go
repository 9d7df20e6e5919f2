package analyze

import (
	"encoding/binary"
	"reflect"
	"slices"
	"sync"
	"unsafe"
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

// pack is the state of a unit in bytes, without its signals.
func (p *packer) pack(v *Vehicle) []byte {
	r := record{packer: p, newest: v.last}
	r.forget()
	moveOf(reflect.TypeFor[Vehicle](), "")(&r, unsafe.Pointer(v))
	out := make([]byte, 0, binary.MaxVarintLen64*2+len(r.bits)+len(r.bytes))
	out = binary.AppendVarint(out, v.last)
	out = binary.AppendUvarint(out, uint64(len(r.bits)))
	return slices.Clip(append(append(out, r.bits...), r.bytes...))
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
		signed(&w.side)
		if w.floor != nil {
			signed(&w.floor.side)
		}
		if at := max(w.side[up].at, w.side[down].at); at != 0 { // what its cohorts say is taken from them again
			w.tune(at, v)
		}
	}
}

// signed tells streams which side they watch.
func signed(side *[2]stream) {
	for i := range side {
		if st := &side[i]; st.on {
			st.sign = float64(1 - 2*i)
		}
	}
}
