package report

import (
	"encoding/binary"
	"math"
	"strings"

	"github.com/cespare/xxhash/v2"
)

// Digest is a stable 64-bit hash (XXH64) of the content: the same for two reports that say the same,
// whatever their form, white space, field order, letter case of hex, and `received`.
func (r *Report) Digest() uint64 {
	var room [2048]byte
	c := content{b: room[:0]}
	c.report(r)
	return xxhash.Sum64(c.b)
}

// EarlierDigest is what Digest was in the releases that wrote the first lakes: FNV-1a in its 64-bit form (Fowler, Noll,
// Vo; RFC 9923), with what the messages hold spelled in hex. It takes ten times as long.
func (r *Report) EarlierDigest() uint64 {
	c := content{spelled: true}
	c.report(r)
	h := uint64(14695981039346656037)
	for _, b := range c.b {
		h = (h ^ uint64(b)) * 1099511628211
	}
	return h
}

// A content is a report as it is hashed: what carries nothing is left out.
type content struct {
	b       []byte
	spelled bool // bytes of messages are written in hex
}

func (c *content) report(r *Report) {
	c.text(r.ID)
	c.text(r.Device)
	c.text(r.VIN)
	c.number(uint64(r.Time.Unix()))
	c.number(uint64(r.Time.Nanosecond()))
	c.number(uint64(r.Bus))
	c.real(r.OdometerKm)
	c.real(r.EngineHours)
	c.number(uint64(len(r.Messages)))
	for i := range r.Messages {
		m := &r.Messages[i]
		c.hex(m.From)
		c.number(uint64(uint32(m.PGN)))
		if !c.spelled { // the bytes that a message holds are no text that it would be
			c.b = append(c.b, byte(min(len(m.Fault), 1)))
		}
		switch {
		case m.Fault == "":
			c.data(m.Data)
		case m.Broken:
			c.text(m.Fault)
			if c.data(m.Data); m.Data == nil {
				c.text(string(m.Raw))
			}
		case strings.HasPrefix(m.Fault, badHex):
			c.hex(string(m.Raw))
		default:
			c.text(string(m.Raw))
		}
	}
}

func (c *content) number(v uint64) { c.b = binary.LittleEndian.AppendUint64(c.b, v) }

// text closes with the length, so that neighbours cannot flow into each other.
func (c *content) text(s string) {
	c.b = append(c.b, s...)
	c.number(uint64(len(s)))
}

// hex leaves out white space and letter case, which carry nothing.
func (c *content) hex(s string) {
	n := uint64(0)
	for i := range len(s) {
		d := s[i]
		switch {
		case d == ' ' || d >= '\t' && d <= '\r':
			continue
		case d >= 'A' && d <= 'Z':
			d += 'a' - 'A'
		}
		c.b = append(c.b, d)
		n++
	}
	c.number(n)
}

// data is what a message holds; a report has one digest in both forms.
func (c *content) data(data []byte) {
	if !c.spelled {
		c.b = append(c.b, data...)
		c.number(uint64(len(data)))
		return
	}
	const lower = "0123456789abcdef"
	for _, b := range data {
		c.b = append(c.b, lower[b>>4], lower[b&15])
	}
	c.number(2 * uint64(len(data)))
}

func (c *content) real(v float64) {
	if math.IsNaN(v) {
		v = math.NaN() // one bit pattern
	}
	c.number(math.Float64bits(v))
}
