package transport

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The senders of both transports, written from the layouts of ISO 15765-2 and SAE J1939-21 (from memory)
// and not from the assembler.

func segmentISO(id uint32, extended bool, data []byte, size int, pad byte) (frames []Frame) {
	add := func(b []byte) {
		for len(b) < 8 {
			b = append(b, pad)
		}
		frames = append(frames, Frame{ID: id, Extended: extended, FD: size > 8, Data: b})
	}
	switch n := len(data); {
	case n <= 7:
		add(append([]byte{byte(n)}, data...))
		return frames
	case n <= size-2:
		add(append([]byte{0, byte(n)}, data...))
		return frames
	case n <= 4095:
		add(append([]byte{0x10 | byte(n>>8), byte(n)}, data[:size-2]...))
		data = data[size-2:]
	default:
		add(append(binary.BigEndian.AppendUint32([]byte{0x10, 0}, uint32(n)), data[:size-6]...))
		data = data[size-6:]
	}
	for s := 1; len(data) > 0; s++ {
		n := min(len(data), size-1)
		add(append([]byte{0x20 | byte(s&15)}, data[:n]...))
		data = data[n:]
	}
	return frames
}

func segmentGroup(pgn uint32, source, destination byte, data []byte) (frames []Frame) {
	add := func(id uint32, b ...byte) { frames = append(frames, Frame{ID: id, Extended: true, Data: b}) }
	if len(data) <= 8 {
		id := 6<<26 | pgn<<8 | uint32(source)
		if pgn>>8&0xFF < 240 {
			id |= uint32(destination) << 8
		}
		add(id, bytes.Clone(data)...)
		return frames
	}
	control := byte(0x10)
	if destination == 0xFF {
		control = 0x20
	}
	tail := uint32(destination)<<8 | uint32(source)
	packets := (len(data) + 6) / 7
	add(0x1CEC0000|tail, control, byte(len(data)), byte(len(data)>>8), byte(packets), 0xFF, byte(pgn), byte(pgn>>8), byte(pgn>>16))
	for i := range packets {
		b := append([]byte{byte(i + 1)}, data[7*i:min(7*i+7, len(data))]...)
		for len(b) < 8 {
			b = append(b, 0xFF)
		}
		add(0x1CEB0000|tail, b...)
	}
	return frames
}

// A sent is a message and its frames.
type sent struct {
	key    string
	frames []Frame
}

func draw(t *rapid.T, sender int) sent {
	if rapid.Bool().Draw(t, "j1939") {
		data := rapid.SliceOfN(rapid.Byte(), 1, 120).Draw(t, "data")
		if rapid.IntRange(0, 20).Draw(t, "longest") == 0 {
			data = bytes.Repeat([]byte{7, 1, 2}, 595)
		}
		to := rapid.SampledFrom([]byte{0xFF, 0xF9}).Draw(t, "to")
		pgn := rapid.SampledFrom([]uint32{41984, 65226, 49664, 64952}).Draw(t, "pgn")
		return sent{fmt.Sprintf("%02X/%d %X", sender, pgn, data), segmentGroup(pgn, byte(sender), to, data)}
	}
	data := rapid.SliceOfN(rapid.Byte(), 1, 150).Draw(t, "data")
	if rapid.IntRange(0, 20).Draw(t, "longest") == 0 {
		data = bytes.Repeat([]byte{7, 1, 2}, 1365)
	}
	id, extended := uint32(0x7E8+sender%8), rapid.Bool().Draw(t, "29 bit")
	if extended {
		id = 0x18DAF100 | uint32(sender)
	}
	size := rapid.SampledFrom([]int{8, 8, 8, 12, 16, 24, 64}).Draw(t, "size")
	return sent{fmt.Sprintf("%s %X", idText(id, extended), data), segmentISO(id, extended, data, size, rapid.Byte().Draw(t, "pad"))}
}

// Messages of several senders, their frames interleaved, come out as they went in, each sender's in order.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want, got := map[int][]string{}, map[int][]string{}
		bySender := map[int][]Frame{}
		senders := rapid.IntRange(1, 6).Draw(t, "senders")
		owner := map[string]int{}
		for s := range senders {
			for range rapid.IntRange(1, 4).Draw(t, "messages") {
				m := draw(t, s)
				want[s] = append(want[s], m.key)
				bySender[s] = append(bySender[s], m.frames...)
				owner[m.key] = s
			}
		}
		a := Assembler{Handle: func(m *Message) {
			key := said(m)
			got[owner[key]] = append(got[owner[key]], key)
		}}
		at := start
		for len(bySender) > 0 {
			s := rapid.IntRange(0, senders-1).Draw(t, "next")
			if len(bySender[s]) == 0 {
				delete(bySender, s)
				for s = range senders {
					if len(bySender[s]) > 0 {
						break
					}
				}
				if len(bySender[s]) == 0 {
					break
				}
			}
			at = at.Add(time.Millisecond / 4)
			f := bySender[s][0]
			f.Time = at
			bySender[s] = bySender[s][1:]
			a.Frame(&f)
		}
		a.End()
		if fmt.Sprint(want) != fmt.Sprint(got) {
			t.Fatalf("sent %v\n got %v", want, got)
		}
	})
}

// Whatever is lost or doubled behind a first frame or an announcement: what comes out as a message was sent,
// and each frame on the way is in a message, complete or broken. (CAN keeps the order of a sender's frames.)
func TestRoundTrip_Damaged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		good, frames := map[string]bool{}, []Frame{}
		keep := map[int]bool{}
		for range rapid.IntRange(1, 5).Draw(t, "messages") {
			// Payloads that tell each frame of each message apart, as no real one does: a splice shows.
			n := rapid.IntRange(9, 100).Draw(t, "length")
			data := make([]byte, n)
			for i := range data {
				data[i] = byte(len(frames)*31 + i*7 + 1)
			}
			keep[len(frames)] = true
			if rapid.Bool().Draw(t, "j1939") {
				good[fmt.Sprintf("00/65226 %X", data)] = true
				frames = append(frames, segmentGroup(65226, 0, 0xFF, data)...)
			} else {
				good[fmt.Sprintf("7E8 %X", data)] = true
				frames = append(frames, segmentISO(0x7E8, false, data, 8, 0xAA)...)
			}
		}
		fate := rapid.SliceOfN(rapid.IntRange(0, 9), len(frames), len(frames)).Draw(t, "fate")
		var way []Frame
		for i, f := range frames {
			if fate[i] == 0 && !keep[i] {
				continue // lost
			}
			way = append(way, f)
			if fate[i] == 1 && !keep[i] {
				way = append(way, f)
			}
		}
		gathered := 0
		a := Assembler{Handle: func(m *Message) {
			switch {
			case m.Err != nil:
				for range m.Frames() {
					gathered++
				}
			case !good[said(m)]:
				t.Fatalf("nobody sent %s", said(m))
			case m.J1939:
				gathered += 1 + (len(m.Data)+6)/7
			default:
				gathered += 1 + len(m.Data)/7
			}
		}}
		for i := range way {
			way[i].Time = start.Add(time.Duration(i) * time.Millisecond)
			a.Frame(&way[i])
		}
		a.End()
		if gathered != len(way) {
			t.Fatalf("%d of %d frames came out", gathered, len(way))
		}
	})
}
