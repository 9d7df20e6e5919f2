package report

import (
	"bytes"
	"errors"
	"fmt"
	"unicode/utf8"
)

// badHex begins the Fault of a message whose data is no hex.
const badHex = "hex: "

// What a character of hex is worth; other values mark what is none.
const (
	notHex = 0xFF
	blank  = 0xFE
)

var hexValue = func() (t [256]byte) {
	for i := range t {
		t[i] = notHex
	}
	for i, c := range []byte("0123456789abcdef") {
		t[c] = byte(i)
	}
	for i, c := range []byte("ABCDEF") {
		t[c] = byte(10 + i)
	}
	for _, c := range []byte(" \t\r\n\v\f") {
		t[c] = blank
	}
	return t
}()

// appendHex appends the bytes that text writes in hexadecimal, in either case; white space is ignored.
func appendHex(dst, text []byte) ([]byte, error) {
	out := dst
	high, half := byte(0), false
	for i, c := range text {
		v := hexValue[c]
		switch {
		case v == blank:
		case v == notHex:
			if plain := bytes.Join(bytes.Fields(text), nil); c >= utf8.RuneSelf && len(plain) < len(text) { // Unicode's white space, perhaps
				return appendHex(dst, plain)
			}
			r, _ := utf8.DecodeRune(text[i:])
			return dst, fmt.Errorf("%s%q at place %d is no digit", badHex, r, i)
		case half:
			out, half = append(out, high|v), false
		default:
			high, half = v<<4, true
		}
	}
	if half {
		return dst, errors.New(badHex + "an odd number of digits")
	}
	return out, nil
}
