package obd

import (
	"encoding/hex"
	"fmt"
	"strconv"
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

// CanonicalECU gives the name of a responder in lower case: an 11-bit CAN id as three digits, a 29-bit id
// whole as eight, an ECU or J1939 source address as two. pgn is the parameter group number that a 29-bit
// id carries if it is a J1939 id, else series.None. An empty sender has an empty name.
func CanonicalECU(from string) (ecu string, pgn int32, err error) {
	if from == "" {
		return "", series.None, nil
	}
	digits := from
	if len(digits) > 2 && digits[0] == '0' && (digits[1] == 'x' || digits[1] == 'X') {
		digits = digits[2:]
	}
	n, err := strconv.ParseUint(digits, 16, 32)
	if err != nil || digits[0] == '+' {
		return "", series.None, fmt.Errorf("%w: %q", ErrSender, shorten(from))
	}
	switch {
	case len(digits) <= 2:
		return ids8[2*n : 2*n+2], series.None, nil
	case len(digits) < 8 && n < 0x800:
		return ids11[3*n : 3*n+3], series.None, nil
	case len(digits) > 3 && len(digits) <= 8 && n < 1<<29:
		return fmt.Sprintf("%08x", n), pgnOf(uint32(n)), nil
	}
	return "", series.None, fmt.Errorf("%w: %q is beyond 11 and 29 bits", ErrSender, shorten(from))
}

// pgnOf takes the parameter group number out of a 29-bit id. Below PF 240 the second byte is the
// destination and no part of the number (SAE J1939-21, from memory).
func pgnOf(id uint32) int32 {
	pgn := id >> 8 & 0x3FFFF
	if pgn>>8&0xFF < 240 {
		pgn &^= 0xFF
	}
	return int32(pgn)
}
