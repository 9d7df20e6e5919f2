package transport

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"time"
)

const maxLine = 4096 // bytes of a line; a CAN FD frame needs less than 200

// A Log reads a recording of CAN frames as text, one frame a line, in the form of the open CAN utilities
// of Linux:
//
//	(1700000000.123456) can0 7E8#0646010105000000    classic frame; 3 digits are an 11-bit id, 8 a 29-bit id
//	(1700000000.123456) can0 18DAF110##1000A46...    CAN FD frame: one digit of flags, then the data
//	(1700000000.123456) can0 7DF#R8                  remote frame: carries nothing, skipped and counted
//	(1700000000.123456) can0 20000004#0004000000...  error frame (id bit 29): skipped and counted
//
// Behind the data may stand the direction, R or T. Dots between bytes and the _N of a raw length code are
// allowed. Several buses may be interleaved. It holds one line at a time.
type Log struct {
	Lines  int // read so far, blank ones too
	Remote int // remote frames skipped
	Errors int // error frames skipped
	Bad    int // lines that are none of these

	in    *bufio.Reader
	fail  error // of the input, to be told by the next call
	data  [64]byte
	names map[string]string
}

// NewLog starts to read in, which stays the caller's.
func NewLog(in io.Reader) *Log {
	return &Log{in: bufio.NewReaderSize(in, maxLine), names: map[string]string{}}
}

// A LineError is a line that holds no frame. Reading can go on after it.
type LineError struct {
	Line int    // from 1
	Text []byte // the line, up to 4096 bytes of it
	Cut  int    // bytes left out of Text
	Err  error
}

// Error names the line first.
func (e *LineError) Error() string { return fmt.Sprintf("line %d: %v", e.Line, e.Err) }

// Unwrap is the reason.
func (e *LineError) Unwrap() error { return e.Err }

// Next reads the next data frame into f, whose data is valid until the next call. It returns a *LineError
// for a line that holds no frame, io.EOF at the end, and any other error of the input with the line it
// came after.
func (l *Log) Next(f *Frame) error {
	for {
		if l.fail != nil {
			return l.fail
		}
		line, err := l.in.ReadSlice('\n')
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) && !errors.Is(err, io.EOF) {
			l.fail = fmt.Errorf("after line %d: %w", l.Lines, err)
			return l.fail
		}
		if len(line) == 0 {
			return io.EOF
		}
		l.Lines++
		if errors.Is(err, bufio.ErrBufferFull) {
			bad := &LineError{Line: l.Lines, Text: bytes.Clone(line), Err: fmt.Errorf("longer than %d bytes", maxLine)}
			bad.Cut, l.fail = l.discard()
			l.Bad++
			return bad
		}
		text := bytes.TrimSpace(line)
		if l.Lines == 1 {
			text = bytes.TrimPrefix(text, []byte("\xEF\xBB\xBF"))
		}
		if len(text) == 0 {
			continue
		}
		switch err := l.parse(text, f); err {
		case nil:
			return nil
		case errRemote:
			l.Remote++
		case errErrorFrame:
			l.Errors++
		default:
			l.Bad++
			return &LineError{Line: l.Lines, Text: bytes.Clone(bytes.TrimRight(line, "\r\n")), Err: err}
		}
	}
}

// discard drops the rest of a line and counts it, without the line end.
func (l *Log) discard() (n int, err error) {
	for {
		part, err := l.in.ReadSlice('\n')
		n += len(bytes.TrimSuffix(part, []byte("\n")))
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
		case err == nil, errors.Is(err, io.EOF):
			return n, nil
		default:
			return n, fmt.Errorf("in line %d: %w", l.Lines, err)
		}
	}
}

// What a line may be instead of a frame, and what can be wrong with it.
var (
	errRemote     = errors.New("remote frame")
	errErrorFrame = errors.New("error frame")
	errTime       = errors.New("want a time such as (1700000000.123456) first")
	errInterface  = errors.New("want the name of an interface after the time, up to 16 bytes")
	errID         = errors.New("want an id of 3 or 8 hex digits and #")
	errData       = errors.New("want up to 8 bytes in hex, for CAN FD a digit of flags and up to 64")
	errRest       = errors.New("more text after the frame")
)

// parse reads one line without white space around it.
func (l *Log) parse(text []byte, f *Frame) error {
	at, rest, ok := parseTime(text)
	if !ok {
		return errTime
	}
	name, rest, ok := bytes.Cut(bytes.TrimLeft(rest, " \t"), []byte(" "))
	if !ok || len(name) == 0 || len(name) > 16 {
		return errInterface
	}
	body, rest, _ := bytes.Cut(bytes.TrimLeft(rest, " \t"), []byte(" "))
	if rest = bytes.TrimSpace(rest); len(rest) > 1 || len(rest) == 1 && rest[0] != 'R' && rest[0] != 'T' {
		return errRest
	}
	digits, body, ok := bytes.Cut(body, []byte("#"))
	id, valid := parseID(digits)
	extended := len(digits) == 8
	switch {
	case !ok || !valid:
		return errID
	case extended && id>>29 == 1:
		return errErrorFrame
	case extended && id>>29 != 0, !extended && id > 0x7FF:
		return errID
	}
	most, fd := classic, false
	switch {
	case len(body) > 0 && body[0] == '#':
		if len(body) < 2 || nibble(body[1]) < 0 {
			return errData
		}
		most, fd, body = 64, true, body[2:]
	case len(body) > 0 && body[0] == 'R':
		if body = body[1:]; len(body) > 0 && (nibble(body[0]) < 0 || nibble(body[0]) > 8 || len(body) > 1 && body[1] != '_') {
			return errData
		}
		return errRemote
	}
	data, ok := l.bytes(body, most)
	if !ok {
		return errData
	}
	*f = Frame{Time: at, Interface: l.name(name), ID: id, Extended: extended, FD: fd, Data: data}
	return nil
}

// parseTime reads "(seconds.fraction)", with up to nine digits of fraction.
func parseTime(b []byte) (at time.Time, rest []byte, ok bool) {
	if len(b) == 0 || b[0] != '(' {
		return at, nil, false
	}
	b = b[1:]
	seconds, n := int64(0), 0
	for ; n < len(b) && n < 12 && b[n] >= '0' && b[n] <= '9'; n++ {
		seconds = 10*seconds + int64(b[n]-'0')
	}
	if n == 0 || n == len(b) || b[n] != '.' || seconds > 253402300799 { // the year 9999 ends
		return at, nil, false
	}
	b = b[n+1:]
	nanos, n := int64(0), 0
	for ; n < len(b) && n < 9 && b[n] >= '0' && b[n] <= '9'; n++ {
		nanos = 10*nanos + int64(b[n]-'0')
	}
	if n == 0 || n == len(b) || b[n] != ')' {
		return at, nil, false
	}
	for i := n; i < 9; i++ {
		nanos *= 10
	}
	return time.Unix(seconds, nanos).UTC(), b[n+1:], true
}

func parseID(digits []byte) (id uint32, ok bool) {
	if len(digits) != 3 && len(digits) != 8 {
		return 0, false
	}
	for _, c := range digits {
		n := nibble(c)
		if n < 0 {
			return 0, false
		}
		id = id<<4 | uint32(n)
	}
	return id, true
}

// bytes reads hex, dots between bytes allowed, into the log's own memory.
func (l *Log) bytes(b []byte, most int) ([]byte, bool) {
	n := 0
	for len(b) > 0 {
		if n > 0 && b[0] == '.' {
			b = b[1:]
		}
		if n == classic && len(b) == 2 && b[0] == '_' && nibble(b[1]) > 8 { // a raw length code of 9 to F means 8
			break
		}
		if len(b) < 2 || n == most {
			return nil, false
		}
		high, low := nibble(b[0]), nibble(b[1])
		if high < 0 || low < 0 {
			return nil, false
		}
		l.data[n] = byte(high<<4 | low)
		b, n = b[2:], n+1
	}
	return l.data[:n], true
}

func nibble(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'A' && c <= 'F':
		return int(c-'A') + 10
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	}
	return -1
}

// name keeps one copy of each interface name. A recording with very many starts anew.
func (l *Log) name(b []byte) string {
	if s, ok := l.names[string(b)]; ok {
		return s
	}
	if len(l.names) >= 256 {
		clear(l.names)
	}
	s := string(b)
	l.names[s] = s
	return s
}
