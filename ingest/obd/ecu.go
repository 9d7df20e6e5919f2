package obd

import (
	"encoding/hex"
	"fmt"
	"strings"
	"unicode"

	"marginline/ingest/series"
)

// ParseHex reads hexadecimal text in either case; white space between bytes is ignored.
func ParseHex(s string) ([]byte, error) {
	if strings.ContainsFunc(s, unicode.IsSpace) {
		s = strings.Join(strings.Fields(s), "")
	}
	b, err := hex.DecodeString(s)
	if err != nil {
		return nil, fmt.Errorf("hex %q: %w", shorten(s), err)
	}
	return b, nil
}

func shorten(s string) string {
	if len(s) > 40 {
		return s[:40] + "..."
	}
	return s
}

// All 11-bit CAN ids, and all two-digit addresses, as substrings of one text: no allocation for a sender.
var ids11, ids8 = func() (string, string) {
	var a, b strings.Builder
	for i := range 0x800 {
		fmt.Fprintf(&a, "%03x", i)
	}
	for i := range 0x100 {
		fmt.Fprintf(&b, "%02x", i)
	}
	return a.String(), b.String()
}()

// Lengths that sender gives.
const (
	shortID = 2 // an ECU or J1939 source address
	canID   = 3 // an 11-bit CAN id
	wideID  = 8 // a 29-bit CAN id
)

// CanonicalECU gives the name of a responder in lower case: an 11-bit CAN id as three digits, a 29-bit id
// whole as eight, an ECU or J1939 source address as two. pgn is the parameter group number that a 29-bit
// id carries if it is a J1939 id, else series.None. An empty sender has an empty name.
func CanonicalECU(from string) (ecu string, pgn int32, err error) {
	id, digits, err := sender(from)
	switch {
	case err != nil:
		return "", series.None, err
	case digits == wideID:
		return wideName(id), series.PGN(id), nil
	}
	return shortName(id, digits), series.None, nil
}

// sender reads who sent a message, and how many digits its name has; 0 for nobody.
func sender(from string) (id uint32, digits int, err error) {
	s := from
	if len(s) > 2 && s[0] == '0' && (s[1] == 'x' || s[1] == 'X') {
		s = s[2:]
	}
	var n uint64
	for i := range len(s) {
		v := hexDigit[s[i]]
		if v > 15 {
			return 0, 0, fmt.Errorf("%w: %q", ErrSender, shorten(from))
		}
		n = n<<4&(1<<40-1) | uint64(v)
	}
	switch {
	case s == "":
		return 0, 0, nil
	case len(s) <= 2:
		return uint32(n), shortID, nil
	case len(s) < 8 && n < 0x800:
		return uint32(n), canID, nil
	case len(s) > 3 && len(s) <= 8 && n < 1<<29:
		return uint32(n), wideID, nil
	}
	return 0, 0, fmt.Errorf("%w: %q is beyond 11 and 29 bits", ErrSender, shorten(from))
}

// hexDigit gives the value of a hexadecimal digit, FF for what is none.
var hexDigit = func() (v [256]byte) {
	for i := range v {
		v[i] = 0xFF
	}
	for i, c := range "0123456789abcdef" {
		v[c], v[unicode.ToUpper(c)] = byte(i), byte(i)
	}
	return v
}()

func shortName(id uint32, digits int) string {
	switch digits {
	case shortID:
		return ids8[2*id : 2*id+2]
	case canID:
		return ids11[3*id : 3*id+3]
	}
	return ""
}

func wideName(id uint32) string {
	var b [8]byte
	for i := range b {
		b[i] = "0123456789abcdef"[id>>(28-4*i)&15]
	}
	return string(b[:])
}
