package sql

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"
)

// The wire between the service and a worker process: frames of one byte that says what it is, four bytes
// of length (little endian), and the body. Small things are JSON, rows have a compact form of their own,
// and an answer is one Arrow IPC stream cut into frames.
//
//	service                worker
//	start (settings)  ->
//	                  <-   ready, or failed
//	ask (question)    ->
//	                  <-   pin, only when a view is read
//	tables            ->
//	                  <-   small NAME, once a small table
//	head, rows..., end ->
//	                  <-   arrow..., then done (summary); or failed (error) at any place
const (
	frameStart  = 's'
	frameReady  = 'r'
	frameAsk    = 'q'
	framePin    = 'p'
	frameTables = 't'
	frameSmall  = 'm'
	frameHead   = 'h'
	frameRows   = 'w'
	frameEnd    = 'e'
	frameArrow  = 'a'
	frameDone   = 'd'
	frameFailed = 'f'
)

// maxFrame bounds what one side believes of the other.
const maxFrame = 64 << 20

// A wire is one end of the connection. It is for one goroutine a direction.
type wire struct {
	r *bufio.Reader
	w *bufio.Writer
}

func newWire(r io.Reader, w io.Writer) *wire {
	return &wire{bufio.NewReaderSize(r, 256<<10), bufio.NewWriterSize(w, 256<<10)}
}

func (c *wire) put(kind byte, body []byte) error {
	var head [5]byte
	head[0] = kind
	binary.LittleEndian.PutUint32(head[1:], uint32(len(body)))
	if _, err := c.w.Write(head[:]); err != nil {
		return err
	}
	_, err := c.w.Write(body)
	return err
}

// send writes a value as JSON and sends what is buffered.
func (c *wire) send(kind byte, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	if err := c.put(kind, body); err != nil {
		return err
	}
	return c.w.Flush()
}

// head reads the start of a frame.
func (c *wire) head() (kind byte, length int, err error) {
	var head [5]byte
	if _, err := io.ReadFull(c.r, head[:]); err != nil {
		return 0, 0, err
	}
	n := binary.LittleEndian.Uint32(head[1:])
	if n > maxFrame {
		return 0, 0, fmt.Errorf("a frame of %d bytes", n)
	}
	return head[0], int(n), nil
}

func (c *wire) get() (kind byte, body []byte, err error) {
	kind, n, err := c.head()
	if err != nil {
		return 0, nil, err
	}
	body = make([]byte, n)
	_, err = io.ReadFull(c.r, body)
	return kind, body, err
}

// want reads a frame that must be of one kind.
func (c *wire) want(kind byte, into any) error {
	got, body, err := c.get()
	switch {
	case err != nil:
		return err
	case got != kind:
		return fmt.Errorf("got a frame %q: want %q", got, kind)
	case into == nil:
		return nil
	}
	return json.Unmarshal(body, into)
}

// arrowFrames is the writer of an answer: what is written goes out in frames.
type arrowFrames struct{ c *wire }

func (a arrowFrames) Write(p []byte) (int, error) {
	for n := 0; n < len(p); {
		k := min(len(p)-n, 1<<20)
		if err := a.c.put(frameArrow, p[n:n+k]); err != nil {
			return n, err
		}
		n += k
	}
	return len(p), nil
}

// An arrowReader is the reader of an answer; at its end it keeps the frame that ended it.
type arrowReader struct {
	c    *wire
	left int
	kind byte   // of the frame that ended the answer; 0 = not ended
	body []byte // of that frame
	err  error
}

func (a *arrowReader) Read(p []byte) (int, error) {
	for a.left == 0 {
		if a.err != nil {
			return 0, a.err
		}
		if a.kind != 0 {
			return 0, io.EOF
		}
		kind, n, err := a.c.head()
		if err != nil {
			a.err = cutOff(err)
			return 0, a.err
		}
		if kind == frameArrow {
			a.left = n
			continue
		}
		a.body = make([]byte, n)
		if _, err := io.ReadFull(a.c.r, a.body); err != nil {
			a.err = cutOff(err)
			return 0, a.err
		}
		a.kind = kind
	}
	n, err := a.c.r.Read(p[:min(len(p), a.left)])
	a.left -= n
	if err != nil {
		a.err = cutOff(err)
	}
	return n, a.err
}

// drain reads on to the end of an answer.
func (a *arrowReader) drain() error {
	_, err := io.Copy(io.Discard, a)
	return err
}

func cutOff(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// Tags of the values of a small table.
const (
	tagNull = iota
	tagText
	tagTrue
	tagFalse
	tagInt
	tagDouble
	tagTime
	tagList
)

// appendRow writes the values of a row as Rows gives them.
func appendRow(b []byte, row []any) ([]byte, error) {
	b = binary.AppendUvarint(b, uint64(len(row)))
	for _, v := range row {
		switch x := v.(type) {
		case nil:
			b = append(b, tagNull)
		case string:
			b = appendText(append(b, tagText), x)
		case bool:
			if x {
				b = append(b, tagTrue)
			} else {
				b = append(b, tagFalse)
			}
		case int:
			b = binary.AppendVarint(append(b, tagInt), int64(x))
		case int64:
			b = binary.AppendVarint(append(b, tagInt), x)
		case float64:
			b = binary.LittleEndian.AppendUint64(append(b, tagDouble), math.Float64bits(x))
		case time.Time:
			if x.IsZero() {
				b = append(b, tagNull)
			} else {
				b = binary.AppendVarint(append(b, tagTime), x.UnixMicro())
			}
		case []string:
			b = binary.AppendUvarint(append(b, tagList), uint64(len(x)))
			for _, s := range x {
				b = appendText(b, s)
			}
		default:
			return nil, fmt.Errorf("%T %v has no place in a small table", v, v)
		}
	}
	return b, nil
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// rowReader takes rows out of a frame.
type rowReader struct {
	b   []byte
	err error
}

var errFrame = errors.New("a frame of rows is cut off")

func (r *rowReader) uvarint() int {
	v, n := binary.Uvarint(r.b)
	if n <= 0 || v > maxFrame {
		r.err, r.b = errFrame, nil
		return 0
	}
	r.b = r.b[n:]
	return int(v)
}

func (r *rowReader) varint() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.err, r.b = errFrame, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *rowReader) take(n int) []byte {
	if n > len(r.b) {
		r.err, r.b = errFrame, nil
		return make([]byte, min(n, 8))
	}
	out := r.b[:n]
	r.b = r.b[n:]
	return out
}

// row is the next row, or nil at the end.
func (r *rowReader) row() []any {
	if len(r.b) == 0 || r.err != nil {
		return nil
	}
	row := make([]any, r.uvarint())
	for i := range row {
		switch r.take(1)[0] {
		case tagNull:
		case tagText:
			row[i] = string(r.take(r.uvarint()))
		case tagTrue:
			row[i] = true
		case tagFalse:
			row[i] = false
		case tagInt:
			row[i] = r.varint()
		case tagDouble:
			row[i] = math.Float64frombits(binary.LittleEndian.Uint64(r.take(8)))
		case tagTime:
			row[i] = time.UnixMicro(r.varint()).UTC()
		case tagList:
			list := make([]string, r.uvarint())
			for k := range list {
				list[k] = string(r.take(r.uvarint()))
			}
			row[i] = list
		default:
			r.err = errFrame
		}
		if r.err != nil {
			return nil
		}
	}
	return row
}
