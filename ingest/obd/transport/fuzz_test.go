package transport

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"testing"
	"time"

	"marginline/ingest/series"
)

// The input is frames: a byte that picks the id, one of time (1/50 s steps, signed), one of length, the data.
var fuzzIDs = []Frame{
	{ID: 0x7E8}, {ID: 0x7E9}, {ID: 0x7E0}, {ID: 0x7DF}, {ID: 0x18DAF110, Extended: true}, {ID: 0x18DA10F1, Extended: true}, {ID: 0x1CECF900, Extended: true}, {ID: 0x1CEC00F9, Extended: true},
	{ID: 0x1CEBF900, Extended: true}, {ID: 0x1CECFF00, Extended: true}, {ID: 0x1CEBFF00, Extended: true}, {ID: 0x18FECA00, Extended: true}, {ID: 0x18E300F9, Extended: true}, {ID: 0x123},
}

// A message is made of frames that came, in their order, without padding; nothing is handed over twice; and
// memory is bounded by what came.
func FuzzAssembler(f *testing.F) {
	add := func(frames []Frame, id byte) {
		var b []byte
		for _, fr := range frames {
			b = append(append(b, id, 1, byte(len(fr.Data))), fr.Data...)
		}
		f.Add(b)
	}
	add(segmentISO(0x7E8, false, bytes.Repeat([]byte{0x46, 1}, 20), 8, 0x55), 0)
	add(segmentISO(0x7E8, false, bytes.Repeat([]byte{0x46, 1}, 60), 64, 0x55), 4)
	group := segmentGroup(41984, 0, 0xF9, bytes.Repeat([]byte{0xF7, 1}, 12))
	add(group[:1], 6)
	add(group, 8)
	f.Add([]byte{6, 1, 8, 0x10, 0x0C, 0, 2, 0xFF, 0, 0xA4, 0, 7, 1, 8, 0x11, 2, 1, 0xFF, 0xFF, 0, 0xA4, 0, 8, 1, 8, 1, 1, 2, 3, 4, 5, 6, 7, 8, 1, 8, 2, 1, 2, 3, 4, 5, 6, 7, 7, 1, 8, 0x11, 1, 2, 0xFF, 0xFF, 0, 0xA4, 0, 8, 1, 8, 2, 1, 2, 3, 4, 5, 6, 7})
	f.Fuzz(func(t *testing.T, in []byte) {
		payload, complete, broken := 0, 0, 0
		a := Assembler{Limit: 300, Open: 3}
		a.Handle = func(m *Message) {
			if m.Err == nil {
				complete += len(m.Data)
				if len(m.Data) > 300 || len(m.Data) == 0 && !m.J1939 {
					t.Fatalf("%d bytes", len(m.Data))
				}
				return
			}
			if _, ok := m.Err.(*BrokenError); !ok || m.Err.Error() == "" {
				t.Fatalf("%T", m.Err)
			}
			n := 0
			for fr := range m.Frames() {
				broken += len(fr)
				n++
			}
			if n == 0 {
				t.Fatal("a broken message without a frame")
			}
			if len(m.Data) > 300 {
				t.Fatalf("%d bytes", len(m.Data))
			}
			_ = m.From()
		}
		at := start
		for b := in; len(b) > 3; {
			fr := fuzzIDs[int(b[0])%len(fuzzIDs)]
			at = at.Add(time.Duration(int8(b[1])) * 20 * time.Millisecond)
			n := min(int(b[2])%65, len(b)-3)
			fr.Time, fr.Data, fr.FD = at, b[3:3+n], n > 8
			b = b[3+n:]
			payload += n
			a.Frame(&fr)
			if len(a.open) > 3 || len(a.free) > 3 {
				t.Fatalf("%d messages under way, %d kept", len(a.open), len(a.free))
			}
		}
		a.End()
		if len(a.open) > 0 {
			t.Fatal("not ended")
		}
		if complete+broken > payload {
			t.Fatalf("%d and %d bytes out of %d", complete, broken, payload)
		}
		if n := a.Counts; n.Frames != n.Payload+n.Requests+n.Controls+n.Other {
			t.Fatalf("%+v", n)
		}
	})
}

// Every line is counted, a frame that was read can be written and read again, and a line that is none is
// kept whole.
func FuzzLog(f *testing.F) {
	f.Add([]byte("(1700000000.123456) can0 7E8#0646010105000000\n(1.0) can0 18DAF110##1AB R\n\nx\n"))
	f.Add([]byte("(1.0) can0 7DF#R8\n(1.0) can0 20000004#00\n(1.0) can0 7E8#0102030405060708_9"))
	f.Add(append(bytes.Repeat([]byte("z"), 4100), '\n'))
	f.Fuzz(func(t *testing.T, in []byte) {
		l := NewLog(bytes.NewReader(in))
		var fr Frame
		frames := 0
		for {
			err := l.Next(&fr)
			if err == io.EOF {
				break
			}
			if bad, ok := errors.AsType[*LineError](err); ok {
				if bad.Line != l.Lines || !bytes.Contains(in, bad.Text) || len(bad.Text) > maxLine {
					t.Fatalf("%+v", bad)
				}
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			frames++
			sep := "#"
			if fr.FD {
				sep = "##0"
			}
			text := fmt.Sprintf("(%d.%09d) %s %s%s%X", fr.Time.Unix(), fr.Time.Nanosecond(), fr.Interface, idText(fr.ID, fr.Extended), sep, fr.Data)
			var back Frame
			if err := NewLog(bytes.NewReader([]byte(text))).Next(&back); err != nil || fmt.Sprint(back) != fmt.Sprint(fr) {
				t.Fatalf("%s: %v %v, want %v", text, back, err, fr)
			}
		}
		if frames+l.Bad+l.Remote+l.Errors > l.Lines {
			t.Fatalf("%d frames, %+v", frames, l)
		}
	})
}

func FuzzOlder(f *testing.F) {
	for bus, s := range map[series.Bus]string{series.J1850: "41 6B 10 46 02 02 0096 0064 A7 10", series.ISO9141: "48 6B 10 46 05 81 01F4 012C B1", series.ISO14230: "80 F1 10 07 46 06 01 0A3C 0C80 A7"} {
		f.Add(byte(bus), unhex(f, s))
	}
	f.Fuzz(func(t *testing.T, bus byte, in []byte) {
		m, err := ReadOlder(series.Bus(bus%8), in)
		if (err == nil) != (len(m.Data) > 0) || len(m.Data) > len(in) || err == nil && m.Role == Other {
			t.Fatalf("%+v %v", m, err)
		}
	})
}
