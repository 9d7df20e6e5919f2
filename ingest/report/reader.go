package report

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/zstd"
)

// A Line is one line of a recorded file.
type Line struct {
	Number int    // from 1
	Data   []byte // without the line end; valid until the next call of Next
	Cut    int    // bytes left out of Data because the line is longer than MaxBytes
}

// A Reader takes reports out of a recorded file: one JSON object a line (NDJSON), plain, gzip or zstd,
// told apart by their first bytes (RFC 1952, RFC 8878) and not by a name, so that it works on a pipe too.
// Files joined end to end read as one. It holds one line at a time.
type Reader struct {
	lines  *bufio.Reader
	closer func()
	line   []byte
	number int
}

// NewReader starts to read in. Close it; in itself stays the caller's.
func NewReader(in io.Reader) (*Reader, error) {
	plain, err := Unpack(in)
	if err != nil {
		return nil, err
	}
	return &Reader{lines: bufio.NewReaderSize(plain, 64<<10), closer: func() { plain.Close() }}, nil
}

// Unpack gives what in holds, unpacked where it is gzip or zstd. Close it; in itself stays the caller's.
func Unpack(in io.Reader) (io.ReadCloser, error) {
	raw := bufio.NewReaderSize(in, 64<<10)
	magic, err := raw.Peek(4)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	switch {
	case bytes.HasPrefix(magic, []byte{0x1F, 0x8B}):
		z, err := gzip.NewReader(raw)
		if err != nil {
			return nil, fmt.Errorf("gzip: %w", err)
		}
		return z, nil
	case bytes.Equal(magic, []byte{0x28, 0xB5, 0x2F, 0xFD}):
		z, err := zstd.NewReader(raw, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(256<<20))
		if err != nil {
			return nil, fmt.Errorf("zstd: %w", err)
		}
		return z.IOReadCloser(), nil
	}
	return io.NopCloser(raw), nil
}

// Next returns the next line that is not blank, or io.EOF. A line longer than MaxBytes comes cut, with
// what was left out counted. Any other error is the input's own (a compressed file that ends early), and
// says after which line.
func (r *Reader) Next() (Line, error) {
	for {
		r.line = r.line[:0]
		cut, read := 0, 0
		var err error
		for {
			var part []byte
			part, err = r.lines.ReadSlice('\n')
			read += len(part)
			part = bytes.TrimSuffix(part, []byte("\n"))
			room := MaxBytes + 1 - len(r.line) // + a carriage return
			if len(part) > room {
				cut += len(part) - room
				part = part[:room]
			}
			r.line = append(r.line, part...)
			if !errors.Is(err, bufio.ErrBufferFull) {
				break
			}
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return Line{}, fmt.Errorf("after line %d: %w", r.number, err)
		}
		if read == 0 {
			return Line{}, io.EOF
		}
		r.number++
		data := bytes.TrimSuffix(r.line, []byte("\r"))
		if over := len(data) - MaxBytes; over > 0 {
			cut += over
			data = data[:MaxBytes]
		}
		if r.number == 1 {
			data = bytes.TrimPrefix(data, []byte("\xEF\xBB\xBF"))
		}
		if len(bytes.TrimSpace(data)) == 0 {
			continue
		}
		return Line{Number: r.number, Data: data, Cut: cut}, nil
	}
}

// A LineError is a line of a file that holds no usable report.
type LineError struct {
	Line int
	Err  error
}

// Error names the line first.
func (e *LineError) Error() string { return fmt.Sprintf("line %d: %v", e.Line, e.Err) }

// Unwrap is the reason.
func (e *LineError) Unwrap() error { return e.Err }

// Read returns the next report. A *LineError is a line that holds none: reading can go on after it.
func (r *Reader) Read() (*Report, error) {
	line, err := r.Next()
	if err != nil {
		return nil, err
	}
	if line.Cut > 0 {
		return nil, &LineError{line.Number, fmt.Errorf("%d bytes: at most %d", len(line.Data)+line.Cut, MaxBytes)}
	}
	rep, err := Parse(line.Data)
	if err != nil {
		return nil, &LineError{line.Number, err}
	}
	return rep, nil
}

// Close ends the decompressor.
func (r *Reader) Close() error {
	r.closer()
	return nil
}
