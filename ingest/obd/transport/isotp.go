package transport

import (
	"encoding/binary"
	"fmt"
	"time"

	"marginline/ingest/series"
)

// Frames of ISO 15765-2 (from memory), by the upper half of the first byte:
//
//	0  single        0L data                 L 1 to 7; CAN FD beyond 8 bytes: 00 LL data
//	1  first         1L LL data              12-bit length from 8; beyond 4095: 10 00 and 32 bits of length
//	2  consecutive   2S data                 S 1, 2 ... F, 0, 1 ...
//	3  flow control  3F BS ST                of the receiver
const (
	typeSingle = iota
	typeFirst
	typeConsecutive
	typeFlow
)

const classic = 8 // bytes of a CAN frame; more is CAN FD

// A FlowControl is what the receiver of a long message says to its sender.
type FlowControl struct {
	Status         byte          // 0 go on, 1 wait, 2 overflow: the message is given up; others are reserved
	BlockSize      int           // consecutive frames until the next flow control; 0 is all
	SeparationTime time.Duration // least time between consecutive frames
}

// ParseFlowControl reads a flow control frame; false when it is none. A reserved separation time counts as
// the longest, 127 ms (ISO 15765-2, from memory).
func ParseFlowControl(data []byte) (FlowControl, bool) {
	if len(data) < 3 || data[0]>>4 != typeFlow {
		return FlowControl{}, false
	}
	fc := FlowControl{Status: data[0] & 0xF, BlockSize: int(data[1])}
	switch st := data[2]; {
	case st <= 0x7F:
		fc.SeparationTime = time.Duration(st) * time.Millisecond
	case st >= 0xF1 && st <= 0xF9:
		fc.SeparationTime = time.Duration(st-0xF0) * 100 * time.Microsecond
	default:
		fc.SeparationTime = 127 * time.Millisecond
	}
	return fc, true
}

func isoKey(id uint32, extended bool) uint64 {
	if extended {
		return uint64(id) | 1<<32
	}
	return uint64(id)
}

// request sees what the tester says of an answer under way: a wait gives it more time, an overflow ends it.
func (a *Assembler) request(f *Frame) {
	fc, ok := ParseFlowControl(f.Data)
	if !ok || f.ID == 0x7DF || f.ID == 0x18DB33F1 {
		return
	}
	s := a.find(isoKey(answerTo(f.ID, f.Extended), f.Extended))
	switch {
	case s == nil:
	case fc.Status == 2:
		a.giveUp(s, ErrAborted, "the tester has no room for it")
	case s.broken != nil:
	case s.cleared && fc.Status == 0:
		s.spoil(ErrSequence, none, none, "the tester answers a first frame that is missing")
	case fc.Status <= 1:
		s.last = f.Time
		s.cleared = fc.Status == 0 && fc.BlockSize == 0
	}
}

// answer takes a frame of an ECU.
func (a *Assembler) answer(f *Frame) {
	d := f.Data
	if len(d) == 0 || len(d) > 64 {
		a.lone(f, false, ErrFrame, none, none, fmt.Sprintf("%d bytes", len(d)))
		return
	}
	switch d[0] >> 4 {
	case typeSingle:
		a.single(f)
	case typeFirst:
		a.first(f)
	case typeConsecutive:
		a.consecutive(f)
	case typeFlow: // of an ECU that receives a long request
		a.Counts.Controls++
	default:
		a.lone(f, false, ErrFrame, none, none, fmt.Sprintf("frame type %X", d[0]>>4))
	}
}

// single hands over a message of one frame. One with an impossible length is ignored by the protocol and
// does not disturb a message under way.
func (a *Assembler) single(f *Frame) {
	d := f.Data
	n, head := int(d[0]), 1
	if n == 0 && len(d) > classic {
		n, head = int(d[1]), 2
	} else if len(d) > classic {
		a.lone(f, false, ErrLength, none, none, "a single frame of more than 8 bytes without the long form of the length")
		return
	}
	if n == 0 || n > len(d)-head {
		a.lone(f, false, ErrLength, n, len(d)-head, "single frame")
		return
	}
	a.interrupt(isoKey(f.ID, f.Extended))
	a.Counts.Payload++
	m := &a.message
	*m = Message{Time: f.Time, ID: f.ID, Extended: f.Extended, PGN: series.None, Data: d[head : head+n : head+n]}
	a.hand(m)
}

func (a *Assembler) interrupt(key uint64) {
	if s := a.find(key); s != nil {
		a.giveUp(s, ErrInterrupted, "")
	}
}

func (a *Assembler) first(f *Frame) {
	d := f.Data
	if len(d) < classic {
		a.lone(f, false, ErrLength, classic, len(d), "first frame")
		return
	}
	size, head := int64(d[0]&0xF)<<8|int64(d[1]), 2
	long := size == 0
	if long {
		size, head = int64(binary.BigEndian.Uint32(d[2:])), 6
	}
	if long && size <= 4095 || size <= int64(len(d)-head) || size < classic {
		a.lone(f, false, ErrLength, none, none, fmt.Sprintf("a first frame of %d bytes announces %d", len(d), size))
		return
	}
	key := isoKey(f.ID, f.Extended)
	a.interrupt(key)
	a.Counts.Payload++
	s := a.begin(key, f, false)
	s.size, s.next, s.step = int(size), 1, len(d)-1
	s.buf = append(s.buf, d[head:]...)
	if size > int64(a.limit()) {
		s.spoil(ErrTooLong, none, none, fmt.Sprintf("%d bytes announced, at most %d", size, a.limit()))
	}
}

func (a *Assembler) consecutive(f *Frame) {
	a.Counts.Payload++
	d, key := f.Data, isoKey(f.ID, f.Extended)
	number := int(d[0] & 0xF)
	s := a.find(key)
	if s == nil || !a.record(s, f) {
		a.begin(key, f, false).spoil(ErrNoStart, none, none, fmt.Sprintf("consecutive frame %d", number))
		return
	}
	if s.broken != nil {
		return
	}
	if number != s.next {
		s.spoil(ErrSequence, s.next, number, "consecutive frame")
		return
	}
	part, rest := d[1:], s.size-len(s.buf)
	if due := min(rest, s.step); len(part) < due {
		s.spoil(ErrLength, due, len(part), "bytes of a consecutive frame")
		return
	}
	s.buf = append(s.buf, part[:min(len(part), rest)]...)
	s.next = (s.next + 1) & 0xF
	if len(s.buf) == s.size {
		a.finish(s)
	}
}
