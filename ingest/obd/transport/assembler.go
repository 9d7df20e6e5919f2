package transport

import (
	"fmt"
	"slices"
	"time"

	"marginline/ingest/series"
)

// Bounds of an Assembler that sets none.
const (
	DefaultLimit = 4095 // bytes: the longest message of the 12-bit form
	DefaultOpen  = 64   // messages under way
)

// How long the next frame of a message may take. ISO 15765-2 N_Cr, and SAE J1939-21 T1 for packets to
// everybody, T2 and T3 between two nodes (all from memory).
const (
	waitISO       = time.Second
	waitBroadcast = 750 * time.Millisecond
	waitNode      = 1250 * time.Millisecond
)

// An Assembler joins the frames of one bus into messages.
type Assembler struct {
	// Handle is told of every message when it is complete or given up. The message and all it points to
	// are valid until Handle returns.
	Handle func(*Message)
	Limit  int // bytes of a message; 0 is DefaultLimit
	Open   int // messages under way at once; 0 is DefaultOpen

	Counts Counts

	open    []*session // in the order they began
	free    []*session
	message Message
	scratch []byte
}

// Counts is what became of the frames. Frames is the sum of the others.
type Counts struct {
	Frames   int
	Payload  int // carried a part of a message, or were meant to
	Requests int // of the tester
	Controls int // flow control, and connection management other than an announcement
	Other    int // the vehicle's own traffic
}

// A session is one message under way.
type session struct {
	key      uint64
	id       uint32
	extended bool
	j1939    bool
	pgn      int32
	buf      []byte // what came in order
	raw      []byte // every frame: a length byte, then the data
	size     int    // announced
	next     int    // sequence number or packet that is due
	step     int    // payload bytes of a consecutive frame
	last     time.Time
	broken   *BrokenError
	cleared  bool // the tester let all of it come (ISO 15765-2)
	done     bool // handed over, and kept for a receiver that asks for packets again (J1939)
}

// Frame takes the next frame. Its data is copied where it is needed.
func (a *Assembler) Frame(f *Frame) {
	a.Counts.Frames++
	a.Expire(f.Time)
	role := RoleOf(f.ID, f.Extended)
	switch {
	case role == Request:
		a.Counts.Requests++
		a.request(f)
	case role == Answer:
		a.answer(f)
	case role == Group && !f.FD:
		a.group(f)
	default:
		a.Counts.Other++
	}
}

// Expire gives up what has been silent for too long at the given time. A clock that was set back by as
// much says nothing of how long it took, and ends a message as well.
func (a *Assembler) Expire(now time.Time) {
	for i := 0; i < len(a.open); {
		s := a.open[i]
		wait := waitISO
		if s.j1939 {
			if wait = waitNode; s.id>>8&0xFF == everybody {
				wait = waitBroadcast
			}
		}
		if silent := now.Sub(s.last); silent > wait || -silent > wait {
			a.giveUp(s, ErrTimeout, fmt.Sprintf("%v", wait))
			continue
		}
		i++
	}
}

// End gives up what is under way: no more frames come.
func (a *Assembler) End() {
	for len(a.open) > 0 {
		a.giveUp(a.open[0], ErrUnfinished, "")
	}
}

func (a *Assembler) limit() int {
	if a.Limit > 0 {
		return a.Limit
	}
	return DefaultLimit
}

func (a *Assembler) find(key uint64) *session {
	for _, s := range a.open {
		if s.key == key {
			return s
		}
	}
	return nil
}

// begin opens a session with its first frame.
func (a *Assembler) begin(key uint64, f *Frame, j1939 bool) *session {
	limit := a.Open
	if limit <= 0 {
		limit = DefaultOpen
	}
	if len(a.open) >= limit {
		a.giveUp(slices.MinFunc(a.open, staler), ErrCrowded, "")
	}
	var s *session
	if n := len(a.free); n > 0 {
		s, a.free = a.free[n-1], a.free[:n-1]
	} else {
		s = new(session)
	}
	*s = session{key: key, id: f.ID, extended: f.Extended, j1939: j1939, pgn: series.None, buf: s.buf[:0], raw: s.raw[:0]}
	a.open = append(a.open, s)
	a.record(s, f)
	return s
}

// staler orders sessions by who goes first: those that are complete, then the one that was silent longest.
func staler(x, y *session) int {
	switch {
	case x.done && !y.done:
		return -1
	case y.done && !x.done:
		return 1
	}
	return x.last.Compare(y.last)
}

// record keeps a frame with its session. It says false when the session has ended because it holds more
// frames than any message needs; the frame is then the first of another session.
func (a *Assembler) record(s *session, f *Frame) bool {
	if len(s.raw)+1+len(f.Data) > 2*a.limit()+256 && len(s.raw) > 0 {
		a.giveUp(s, ErrTooLong, "")
		return false
	}
	s.raw = appendFrame(s.raw, f.Data)
	s.last = f.Time
	return true
}

func appendFrame(raw, data []byte) []byte {
	data = data[:min(len(data), 255)]
	return append(append(raw, byte(len(data))), data...)
}

// spoil marks a session as broken; its frames go on being gathered. The first reason stays.
func (s *session) spoil(kind error, want, got int, detail string) {
	if s.broken == nil {
		s.broken = &BrokenError{Sender: s.sender(), Err: kind, Want: want, Got: got, Detail: detail}
	}
}

func (s *session) sender() string { return senderText(s.id, s.extended, s.j1939) }

func senderText(id uint32, extended, j1939 bool) string {
	if j1939 {
		return fmt.Sprintf("%02X to %02X", id&0xFF, id>>8&0xFF)
	}
	return idText(id, extended)
}

// giveUp ends a session without a message. One whose message was handed over already just ends.
func (a *Assembler) giveUp(s *session, kind error, detail string) {
	if s.done {
		a.release(s)
		return
	}
	if s.size > 0 && s.broken == nil {
		progress := fmt.Sprintf("%d of %d bytes came", len(s.buf), s.size)
		if detail != "" {
			progress = detail + ", " + progress
		}
		detail = progress
	}
	s.spoil(kind, none, none, detail)
	a.finish(s)
}

// finish hands a session over, complete or broken, and takes its memory back.
func (a *Assembler) finish(s *session) {
	a.release(s)
	a.deliver(s)
}

// release ends a session. Its memory is used again by the next one to begin.
func (a *Assembler) release(s *session) {
	at := slices.Index(a.open, s)
	a.open = slices.Delete(a.open, at, at+1)
	if cap(s.buf)+cap(s.raw) <= 8*DefaultLimit {
		a.free = append(a.free, s)
	}
}

// deliver hands over what a session holds.
func (a *Assembler) deliver(s *session) {
	m := &a.message
	*m = Message{Time: s.last, ID: s.id, Extended: s.extended, PGN: s.pgn, J1939: s.j1939, Data: s.buf, raw: s.raw}
	if s.j1939 {
		m.Source, m.Destination = byte(s.id), byte(s.id>>8)
	}
	if s.broken != nil {
		m.Err = s.broken
	}
	a.hand(m)
}

// lone hands over a frame that belongs to no message.
func (a *Assembler) lone(f *Frame, j1939 bool, kind error, want, got int, detail string) {
	a.Counts.Payload++
	a.scratch = appendFrame(a.scratch[:0], f.Data)
	m := &a.message
	*m = Message{Time: f.Time, ID: f.ID, Extended: f.Extended, PGN: series.None, J1939: j1939, raw: a.scratch}
	if j1939 {
		m.Source, m.Destination = byte(f.ID), byte(f.ID>>8)
	}
	m.Err = &BrokenError{Sender: senderText(f.ID, f.Extended, j1939), Err: kind, Want: want, Got: got, Detail: detail}
	a.hand(m)
}

func (a *Assembler) hand(m *Message) {
	if a.Handle != nil {
		a.Handle(m)
	}
}
