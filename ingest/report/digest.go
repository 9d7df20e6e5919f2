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
	return xxhash.Sum64(r.appendContent(room[:0], false))
}

// EarlierDigest is what Digest was in the releases that wrote the first lakes: FNV-1a in its 64-bit form (Fowler, Noll,
// Vo; RFC 9923), with what the messages hold spelled in hex. It takes ten times as long.
func (r *Report) EarlierDigest() uint64 {
	h := uint64(14695981039346656037)
	for _, b := range r.appendContent(nil, true) {
		h = (h ^ uint64(b)) * 1099511628211
	}
	return h
}

// appendContent appends a report as it is hashed: what carries nothing is left out. spelled: bytes of messages are
// written in hex.
func (r *Report) appendContent(b []byte, spelled bool) []byte {
	b = appendText(b, r.ID)
	b = appendText(b, r.Device)
	b = appendText(b, r.VIN)
	b = appendNumber(b, uint64(r.Time.Unix()))
	b = appendNumber(b, uint64(r.Time.Nanosecond()))
	b = appendNumber(b, uint64(r.Bus))
	b = appendReal(b, r.OdometerKm)
	b = appendReal(b, r.EngineHours)
	b = appendNumber(b, uint64(len(r.Messages)))
	for i := range r.Messages {
		m := &r.Messages[i]
		b = appendDigits(b, m.From)
		b = appendNumber(b, uint64(uint32(m.PGN)))
		if !spelled { // the bytes that a message holds are no text that it would be
			b = append(b, byte(min(len(m.Fault), 1)))
		}
		switch {
		case m.Fault == "":
			b = appendData(b, m.Data, spelled)
		case m.Broken:
			b = appendText(b, m.Fault)
			if b = appendData(b, m.Data, spelled); m.Data == nil {
				b = appendText(b, m.Raw)
			}
		case strings.HasPrefix(m.Fault, badHex):
			b = appendDigits(b, string(m.Raw))
		default:
			b = appendText(b, m.Raw)
		}
	}
	return b
}

func appendNumber(b []byte, v uint64) []byte { return binary.LittleEndian.AppendUint64(b, v) }

// appendText closes with the length, so that neighbours cannot flow into each other.
func appendText[T string | []byte](b []byte, s T) []byte {
	return appendNumber(append(b, s...), uint64(len(s)))
}

// appendDigits leaves out white space and letter case of hex, which carry nothing.
func appendDigits(b []byte, s string) []byte {
	n := uint64(0)
	for i := range len(s) {
		d := s[i]
		switch {
		case d == ' ' || d >= '\t' && d <= '\r':
			continue
		case d >= 'A' && d <= 'Z':
			d += 'a' - 'A'
		}
		b = append(b, d)
		n++
	}
	return appendNumber(b, n)
}

// appendData appends what a message holds; a report has one digest in both forms.
func appendData(b, data []byte, spelled bool) []byte {
	if !spelled {
		return appendText(b, data)
	}
	const lower = "0123456789abcdef"
	for _, c := range data {
		b = append(b, lower[c>>4], lower[c&15])
	}
	return appendNumber(b, 2*uint64(len(data)))
}

func appendReal(b []byte, v float64) []byte {
	if math.IsNaN(v) {
		v = math.NaN() // one bit pattern
	}
	return appendNumber(b, math.Float64bits(v))
}
