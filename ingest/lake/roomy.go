package lake

import "github.com/apache/arrow/go/v15/arrow/memory"

// roomy allocates from the garbage collector, as arrow's own default does, but leaves a buffer that grows room to grow
// on. The pooled buffers of arrow v15's encoders ask for a little more at every run of levels in a page of version 1, and
// the default copies the whole buffer each time: a third of the encoding of columns with scattered nulls.
type roomy struct{ memory.GoAllocator }

// Reallocate gives b another length, with its content.
func (r *roomy) Reallocate(size int, b []byte) []byte {
	if size <= cap(b) {
		return b[:size]
	}
	grown := r.Allocate(max(size, 2*cap(b)))
	copy(grown, b)
	return grown[:size]
}

func init() {
	// Those buffers can't be given another allocator than the default one.
	memory.DefaultAllocator = &roomy{}
}
