package report

import (
	_ "embed"
	"math"
	"strings"
	"time"

	"marginline/ingest/series"
)

// Limits of one report. They bound what a reader has to hold; a dongle that needs more sends two reports.
const (
	MaxBytes    = 1 << 20 // of the whole payload
	MaxMessages = 4096
	maxID       = 256 // bytes of an id
	maxPGN      = 1<<18 - 1
)

// Schema is the JSON Schema (draft 2020-12) of the JSON form.
//
//go:embed report.schema.json
var Schema []byte

// Proto is the schema (proto3) of the protobuf form, message marginline.v1.Report.
//
//go:embed report.proto
var Proto []byte

// A Report is one message of a dongle.
type Report struct {
	ID                      string
	Device                  string    // dongle; matches DeviceName
	VIN                     string    // upper case; "" when not given
	Time                    time.Time // device clock, UTC
	Received                time.Time // when a relay took it in, UTC; zero when not given
	Bus                     series.Bus
	OdometerKm, EngineHours float64 // NaN when not given
	Messages                []Message
}

// A Message is one complete diagnostic message after transport reassembly.
type Message struct {
	From  string // CAN id, ECU or source address, hex, as sent
	PGN   int32  // J1939 parameter group number; series.None when not given
	Data  []byte // service byte first; J1939: the payload of the parameter group. Nil when Fault is set
	Fault string // why it cannot be a message; "" when it can

	// Broken says that the sender could not reassemble the message; Fault holds its reason, Data what it got
	// of the frames; nil when that is no hex.
	Broken bool

	Raw []byte // as sent, when Fault is set: text that is no hex, else the JSON or protobuf of the element
}

// DeviceName says whether s can name a dongle: 1 to 64 letters, digits, underscores and hyphens, so that
// it is one token of a NATS subject and one level of an MQTT topic.
func DeviceName[T string | []byte](s T) bool {
	for i := range len(s) {
		switch c := s[i]; {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '_', c == '-':
		default:
			return false
		}
	}
	return len(s) >= 1 && len(s) <= 64
}

// Digest is a stable 64-bit FNV-1a hash of the content: the same for two reports that say the same,
// whatever their form, white space, field order, letter case of hex, and `received`.
func (r *Report) Digest() uint64 {
	h := digest(offset64)
	h.text(r.ID)
	h.text(r.Device)
	h.text(r.VIN)
	h.number(uint64(r.Time.Unix()))
	h.number(uint64(r.Time.Nanosecond()))
	h.number(uint64(r.Bus))
	h.real(r.OdometerKm)
	h.real(r.EngineHours)
	h.number(uint64(len(r.Messages)))
	for i := range r.Messages {
		m := &r.Messages[i]
		h.hex([]byte(m.From))
		h.number(uint64(uint32(m.PGN)))
		switch {
		case m.Fault == "":
			h.digits(m.Data)
		case m.Broken:
			h.text(m.Fault)
			if h.digits(m.Data); m.Data == nil {
				h.text(string(m.Raw))
			}
		case strings.HasPrefix(m.Fault, badHex):
			h.hex(m.Raw)
		default:
			h.text(string(m.Raw))
		}
	}
	return uint64(h)
}

// digest is FNV-1a in its 64-bit form (Fowler, Noll, Vo; RFC 9923). It is written out, because hashing
// hex without its white space needs no second copy this way.
type digest uint64

const (
	offset64 = 14695981039346656037
	prime64  = 1099511628211
)

func (h *digest) byte(b byte) { *h = (*h ^ digest(b)) * prime64 }

func (h *digest) number(v uint64) {
	for range 8 {
		h.byte(byte(v))
		v >>= 8
	}
}

// text closes with the length, so that neighbours cannot flow into each other.
func (h *digest) text(s string) {
	for i := range len(s) {
		h.byte(s[i])
	}
	h.number(uint64(len(s)))
}

// hex leaves out white space and letter case, which carry nothing.
func (h *digest) hex(s []byte) {
	n := uint64(0)
	for i := range len(s) {
		c := s[i]
		switch {
		case c == ' ' || c >= '\t' && c <= '\r':
			continue
		case c >= 'A' && c <= 'Z':
			c += 'a' - 'A'
		}
		h.byte(c)
		n++
	}
	h.number(n)
}

// digits is hex of what the bytes are written as, so that a report has one digest in both forms.
func (h *digest) digits(data []byte) {
	const lower = "0123456789abcdef"
	for _, b := range data {
		h.byte(lower[b>>4])
		h.byte(lower[b&15])
	}
	h.number(2 * uint64(len(data)))
}

func (h *digest) real(v float64) {
	if math.IsNaN(v) {
		v = math.NaN() // one bit pattern
	}
	h.number(math.Float64bits(v))
}
