package transport

import (
	"errors"
	"fmt"
	"iter"
	"time"
)

// A Frame is one data frame of a CAN bus.
type Frame struct {
	Time      time.Time // by the clock of whoever recorded it
	Interface string    // name of the bus in the recording
	ID        uint32    // 11 bits, or 29 when Extended
	Extended  bool
	FD        bool   // CAN FD
	Data      []byte // up to 8 bytes, CAN FD up to 64
}

// A Message is one complete message, or with Err set the frames of one that could not be completed.
type Message struct {
	Time        time.Time // of its last frame
	ID          uint32    // CAN id of its first frame
	Extended    bool
	PGN         int32 // J1939 parameter group number; series.None for ISO 15765, and for packets whose announcement is missing
	J1939       bool
	Source      byte   // J1939 source address
	Destination byte   // J1939 destination; FF is everybody
	Data        []byte // payload; with Err, what came in order before it broke
	Err         error  // a *BrokenError; nil when the message is complete

	raw []byte
}

// From names the sender as a report does: the CAN id, or the J1939 source address, in hex.
func (m *Message) From() string {
	if m.J1939 {
		return fmt.Sprintf("%02X", m.Source)
	}
	return idText(m.ID, m.Extended)
}

// Frames gives the data of the frames of a broken message, padding included, in the order they came.
// It gives nothing for a complete one.
func (m *Message) Frames() iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		if m.Err == nil {
			return
		}
		for raw := m.raw; len(raw) > 0; {
			n := 1 + int(raw[0])
			if !yield(raw[1:n:n]) {
				return
			}
			raw = raw[n:]
		}
	}
}

// Why a message could not be completed. Match with errors.Is.
var (
	ErrSequence    = errors.New("frames lost, repeated or out of order")
	ErrTimeout     = errors.New("the rest did not come in time")
	ErrUnfinished  = errors.New("the recording ends before the message does")
	ErrInterrupted = errors.New("another message began before this one was complete")
	ErrNoStart     = errors.New("the beginning of the message is missing")
	ErrAborted     = errors.New("given up by one of the two sides")
	ErrLength      = errors.New("length does not fit")
	ErrTooLong     = errors.New("longer than is taken")
	ErrFrame       = errors.New("no frame of this transport")
	ErrCrowded     = errors.New("given up: too many messages under way")
)

const none = -1 // no expectation

// A BrokenError says which message broke and how.
type BrokenError struct {
	Sender string // CAN id or, for J1939, source and destination address
	Err    error  // one of the errors above
	Want   int    // sequence number, packet or byte count that was due; -1 when that is not the point
	Got    int    // what came instead
	Detail string // more, in words; may be empty
}

// Error names the sender first.
func (e *BrokenError) Error() string {
	s := e.Sender + ": " + e.Err.Error()
	if e.Want != none {
		s += fmt.Sprintf(": expected %d, got %d", e.Want, e.Got)
	}
	if e.Detail != "" {
		s += " (" + e.Detail + ")"
	}
	return s
}

// Unwrap gives the kind.
func (e *BrokenError) Unwrap() error { return e.Err }

func idText(id uint32, extended bool) string {
	if extended {
		return fmt.Sprintf("%08X", id)
	}
	return fmt.Sprintf("%03X", id)
}
