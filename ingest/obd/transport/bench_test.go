package transport

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
)

// forty is a message of 40 results as frames.
func forty() []Frame {
	return segmentISO(0x7E8, false, append([]byte{0x46}, bytes.Repeat([]byte{0x21, 0x89, 0x20, 1, 0x40, 0, 0x80, 0xFF, 0xFF}, 40)...), 8, 0x55)
}

func BenchmarkAssembler(b *testing.B) {
	frames, got := forty(), 0
	a := Assembler{Handle: func(m *Message) { got += len(m.Data) }}
	b.SetBytes(int64(8 * len(frames)))
	b.ReportAllocs()
	for b.Loop() {
		got = 0
		for i := range frames {
			a.Frame(&frames[i])
		}
		if got != 361 {
			b.Fatal(got)
		}
	}
}

func BenchmarkLog(b *testing.B) {
	var s strings.Builder
	for i, f := range forty() {
		fmt.Fprintf(&s, "(1700000000.%06d) can0 %03X#%X\n", i, f.ID, f.Data)
	}
	r := strings.NewReader("")
	b.SetBytes(int64(s.Len()))
	b.ReportAllocs()
	for b.Loop() {
		r.Reset(s.String())
		l := NewLog(r)
		var f Frame
		for l.Next(&f) != io.EOF {
		}
		if l.Bad != 0 || l.Lines != 52 {
			b.Fatal(l.Lines, l.Bad)
		}
	}
}

// An assembler in steady state allocates nothing.
func TestSteadyStateAllocatesNothing(t *testing.T) {
	frames := append(forty(), segmentGroup(41984, 0, 0xF9, bytes.Repeat([]byte{1}, 120))...)
	a := Assembler{Handle: func(*Message) {}}
	run := func() {
		for i := range frames {
			a.Frame(&frames[i])
		}
	}
	run()
	if n := testing.AllocsPerRun(100, run); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
