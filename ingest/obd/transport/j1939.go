package transport

import (
	"bytes"
	"fmt"

	"marginline/ingest/series"
)

// Transport of SAE J1939-21 (from memory). Connection management, group EC00:
//
//	10 size(2) packets max group(3)     request to send, to one node
//	11 packets next FF FF group(3)      clear to send, of the receiver; 0 packets holds the connection
//	13 size(2) packets FF group(3)      end of message, of the receiver
//	20 size(2) packets FF group(3)      announcement to everybody
//	FF reason FF FF FF group(3)         abort, of either
//
// Data transfer, group EB00: packet number from 1, then seven bytes. Numbers are low byte first.
const (
	groupConnection = 0xEC00
	groupData       = 0xEB00

	requestToSend = 0x10
	clearToSend   = 0x11
	endOfMessage  = 0x13
	announce      = 0x20
	abort         = 0xFF

	everybody      = 0xFF
	packet         = 7    // payload bytes
	transportLeast = 9    // bytes: less fits one frame
	transportMost  = 1785 // bytes: 255 packets
)

func nodeKey(source, destination byte) uint64 {
	return 1<<40 | uint64(source)<<8 | uint64(destination)
}

// group takes a frame of a J1939 bus.
func (a *Assembler) group(f *Frame) {
	source, second := byte(f.ID), byte(f.ID>>8)
	switch pgn := series.PGN(f.ID); {
	case len(f.Data) > classic:
		a.lone(f, true, ErrFrame, none, none, fmt.Sprintf("%d bytes", len(f.Data)))
	case pgn == groupConnection:
		a.connection(f, source, second)
	case pgn == groupData:
		a.packet(f, source, second)
	default:
		a.Counts.Payload++
		m := &a.message
		*m = Message{Time: f.Time, ID: f.ID, Extended: true, PGN: pgn, J1939: true, Source: source, Destination: everybody, Data: f.Data}
		if pgn>>8&0xFF < 240 {
			m.Destination = second
		}
		a.hand(m)
	}
}

func (a *Assembler) connection(f *Frame, source, destination byte) {
	d := f.Data
	if len(d) < classic {
		a.lone(f, true, ErrLength, classic, len(d), "connection management")
		return
	}
	pgn := series.PGN(uint32(d[5])<<8 | uint32(d[6])<<16 | uint32(d[7])<<24)
	switch d[0] {
	case requestToSend, announce:
		a.announced(f, nodeKey(source, destination), pgn)
		return
	case clearToSend, endOfMessage, abort:
		a.Counts.Controls++
	default:
		a.lone(f, true, ErrFrame, none, none, fmt.Sprintf("connection control %02X", d[0]))
		return
	}
	if s := a.find(nodeKey(destination, source)); s != nil && s.pgn == pgn { // of the receiver
		switch d[0] {
		case clearToSend:
			s.last = f.Time
			if d[1] > 0 {
				s.resume(int(d[2]))
			}
		case endOfMessage:
			a.giveUp(s, ErrSequence, "the receiver has all of it")
		case abort:
			a.giveUp(s, ErrAborted, fmt.Sprintf("by the receiver, reason %d", d[1]))
		}
		return
	}
	if s := a.find(nodeKey(source, destination)); s != nil && s.pgn == pgn && !s.done && d[0] == abort {
		a.giveUp(s, ErrAborted, fmt.Sprintf("by the sender, reason %d", d[1]))
	}
}

func (a *Assembler) announced(f *Frame, key uint64, pgn int32) {
	a.interrupt(key)
	a.Counts.Payload++
	d := f.Data
	size, packets := int(d[1])|int(d[2])<<8, int(d[3])
	s := a.begin(key, f, true)
	s.pgn, s.size, s.next = pgn, size, 1
	switch {
	case (d[0] == announce) != (byte(key) == everybody):
		s.spoil(ErrFrame, none, none, fmt.Sprintf("connection control %02X to %02X", d[0], byte(key)))
	case size < transportLeast || size > transportMost || packets != (size+packet-1)/packet:
		s.spoil(ErrLength, (size+packet-1)/packet, packets, fmt.Sprintf("packets of %d bytes", size))
	case size > a.limit():
		s.spoil(ErrTooLong, none, none, fmt.Sprintf("%d bytes announced, at most %d", size, a.limit()))
	}
}

// resume goes on at the packet that the receiver asks for. It may ask again for what it has missed, and
// then the sequence is whole again.
func (s *session) resume(next int) {
	switch {
	case s.broken != nil && s.broken.Err != ErrSequence, next == 0:
	case s.done:
		s.next = next
	case next > s.next:
		s.spoil(ErrSequence, s.next, next, "packet that the receiver asks for")
	default:
		s.next, s.buf, s.broken = next, s.buf[:min(len(s.buf), (next-1)*packet)], nil
	}
}

func (a *Assembler) packet(f *Frame, source, destination byte) {
	d, key := f.Data, nodeKey(source, destination)
	if len(d) == 0 {
		a.lone(f, true, ErrLength, classic, 0, "packet")
		return
	}
	a.Counts.Payload++
	number := int(d[0])
	s := a.find(key)
	if s != nil && s.done {
		if s.again(number, d[1:]) {
			s.last = f.Time
			return
		}
		a.release(s)
		s = nil
	}
	if s == nil || !a.record(s, f) {
		a.begin(key, f, true).spoil(ErrNoStart, none, none, fmt.Sprintf("packet %d", number))
		return
	}
	if s.broken != nil {
		return
	}
	if number != s.next {
		s.spoil(ErrSequence, s.next, number, "packet")
		return
	}
	rest := s.size - len(s.buf)
	if due := min(rest, packet); len(d)-1 < due {
		s.spoil(ErrLength, due, len(d)-1, "bytes of a packet")
		return
	}
	s.buf = append(s.buf, d[1:1+min(rest, packet)]...)
	s.next++
	switch {
	case len(s.buf) < s.size:
	case destination == everybody:
		a.finish(s)
	default:
		s.done, s.next = true, 0
		a.deliver(s)
	}
}

// again says whether a packet of a message that is complete is one that the receiver asked for once more.
func (s *session) again(number int, data []byte) bool {
	if number != s.next || number == 0 || (number-1)*packet >= len(s.buf) {
		return false
	}
	part := s.buf[(number-1)*packet:]
	part = part[:min(len(part), packet)]
	s.next++
	return bytes.HasPrefix(data, part)
}
