package obd

import (
	"errors"
	"fmt"

	"marginline/ingest/series"
)

// What can be wrong with a message. Match with errors.Is.
var (
	ErrLength  = errors.New("length does not fit whole records")
	ErrService = errors.New("no decoder for this service")
	ErrRecord  = errors.New("record does not fit its service")
	ErrSender  = errors.New("sender is no CAN id or ECU address")
)

// A FrameError says where in a message decoding failed.
type FrameError struct {
	Service int // first byte of the message; -1 when there is none
	PGN     int32
	Offset  int // of the byte that did not fit
	Err     error
}

func (e *FrameError) Error() string {
	switch {
	case e.PGN != series.None:
		return fmt.Sprintf("PGN %d, offset %d: %v", e.PGN, e.Offset, e.Err)
	case e.Service < 0:
		return fmt.Sprintf("offset %d: %v", e.Offset, e.Err)
	}
	return fmt.Sprintf("service %02X, offset %d: %v", e.Service, e.Offset, e.Err)
}

// Unwrap gives the cause.
func (e *FrameError) Unwrap() error { return e.Err }

// fault is an error at an offset; the decoder adds service and PGN.
type fault struct {
	offset int
	err    error
}

func (f *fault) Error() string { return f.err.Error() }

func at(offset int, kind error, format string, args ...any) *fault {
	return &fault{offset, fmt.Errorf("%w: "+format, append([]any{kind}, args...)...)}
}

// whole checks that n bytes after a head of the given size are whole records; want says at least one.
func whole(n, head, record int) *fault {
	if n <= head {
		return at(n, ErrLength, "%d bytes, want %d and at least one record of %d", n, head, record)
	}
	if (n-head)%record != 0 {
		return at(n-(n-head)%record, ErrLength, "%d bytes after a head of %d are not whole records of %d", n-head, head, record)
	}
	return nil
}
