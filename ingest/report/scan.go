package report

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// maxDepth bounds the nesting of JSON, so that no payload can exhaust the stack.
const maxDepth = 100

// A scanner walks JSON (RFC 8259) by its values. It hands out parts of the text and copies nothing, and
// what it has passed is valid: a report is read several times faster than by way of reflection.
type scanner struct {
	text  []byte
	at    int
	depth int
}

var (
	errTooDeep = fmt.Errorf("nested more than %d deep", maxDepth)
	errText    = errors.New("not a valid string")
	errNumber  = errors.New("not a valid number")
)

func (s *scanner) space() {
	for s.at < len(s.text) {
		switch s.text[s.at] {
		case ' ', '\t', '\r', '\n':
			s.at++
		default:
			return
		}
	}
}

// next gives the next byte that is not white space, without passing it; 0 at the end.
func (s *scanner) next() byte {
	if s.space(); s.at < len(s.text) {
		return s.text[s.at]
	}
	return 0
}

func (s *scanner) expect(c byte) error {
	switch got := s.next(); {
	case s.at == len(s.text):
		return io.ErrUnexpectedEOF
	case got != c:
		return fmt.Errorf("%q where %q should be", got, c)
	}
	s.at++
	return nil
}

// members walks the members of the object that comes next. member passes the value, which comes next; it may not keep
// name beyond the life of the text.
func (s *scanner) members(member func(name string) error) error {
	return s.list('{', '}', func() error {
		start := s.at
		if err := s.string(); err != nil {
			return err
		}
		name, err := unquoteName(s.text[start:s.at])
		if err != nil {
			return err
		}
		if err := s.expect(':'); err != nil {
			return err
		}
		s.space()
		return member(name)
	})
}

// skip passes one value of any kind.
func (s *scanner) skip() error {
	_, err := s.value()
	return err
}

// list walks what stands between two brackets, separated by commas.
func (s *scanner) list(left, right byte, item func() error) error {
	if err := s.expect(left); err != nil {
		return err
	}
	if s.depth++; s.depth > maxDepth {
		return errTooDeep
	}
	defer func() { s.depth-- }()
	if s.next() == right {
		s.at++
		return nil
	}
	for {
		s.space()
		if err := item(); err != nil {
			return err
		}
		if s.next() == right {
			s.at++
			return nil
		}
		if err := s.expect(','); err != nil {
			return err
		}
	}
}

// value passes one value of any kind and gives its text.
func (s *scanner) value() ([]byte, error) {
	c := s.next()
	start := s.at
	var err error
	switch {
	case s.at == len(s.text):
		err = io.ErrUnexpectedEOF
	case c == '"':
		err = s.string()
	case c == '{':
		err = s.members(func(string) error { return s.skip() })
	case c == '[':
		err = s.list('[', ']', s.skip)
	case c == '-' || c >= '0' && c <= '9':
		err = s.number()
	default:
		err = s.word()
	}
	return s.text[start:s.at], err
}

func (s *scanner) word() error {
	for _, w := range [...]string{"null", "true", "false"} {
		if bytes.HasPrefix(s.text[s.at:], []byte(w)) {
			s.at += len(w)
			return nil
		}
	}
	return fmt.Errorf("%q begins no value", s.text[s.at])
}

func (s *scanner) number() error {
	digits := func() bool {
		start := s.at
		for s.at < len(s.text) && s.text[s.at] >= '0' && s.text[s.at] <= '9' {
			s.at++
		}
		return s.at > start
	}
	is := func(chars string) bool {
		if s.at < len(s.text) && strings.IndexByte(chars, s.text[s.at]) >= 0 {
			s.at++
			return true
		}
		return false
	}
	is("-")
	if !is("0") && !digits() {
		return errNumber
	}
	if is(".") && !digits() {
		return errNumber
	}
	if is("eE") {
		if is("+-"); !digits() {
			return errNumber
		}
	}
	return nil
}

// string passes a string in quotes.
func (s *scanner) string() error {
	if err := s.expect('"'); err != nil {
		return err
	}
	for s.ordinary(); s.at < len(s.text); {
		c := s.text[s.at]
		s.at++
		switch {
		case c == '"':
			return nil
		case c < ' ':
			return errText
		case c != '\\':
			continue
		case s.at == len(s.text):
			return io.ErrUnexpectedEOF
		}
		c = s.text[s.at]
		s.at++
		if c == 'u' {
			for range 4 {
				if s.at == len(s.text) || strings.IndexByte("0123456789abcdefABCDEF", s.text[s.at]) < 0 {
					return errText
				}
				s.at++
			}
		} else if strings.IndexByte(`"\/bfnrt`, c) < 0 {
			return errText
		}
	}
	return io.ErrUnexpectedEOF
}

// ordinary passes bytes of a string that mean themselves, eight at a time; some it leaves. Most of a report is long
// strings of digits.
func (s *scanner) ordinary() {
	const ones, tops = 0x0101010101010101, 0x8080808080808080
	for s.at+8 <= len(s.text) {
		w := binary.LittleEndian.Uint64(s.text[s.at:])
		quote, back := w^ones*'"', w^ones*'\\'
		// A byte of w-ones*n borrows its top bit where it is below n ("Bit Twiddling Hacks", S. E. Anderson).
		if ((w-ones*' ')&^w|(quote-ones)&^quote|(back-ones)&^back)&tops != 0 {
			return
		}
		s.at += 8
	}
}

// unquote gives what a valid string in quotes says, as part of it where that is possible. Bytes that are no
// UTF-8 become U+FFFD.
func unquote(quoted []byte) ([]byte, error) {
	inner := quoted[1 : len(quoted)-1]
	if bytes.IndexByte(inner, '\\') < 0 && utf8.Valid(inner) {
		return inner, nil
	}
	var out string
	err := json.Unmarshal(quoted, &out)
	return []byte(out), err
}

// names are the field names of a report, so that reading them allocates nothing.
var names = [...]string{"from", "data", "pgn", "broken", "id", "device", "vin", "time", "bus", "messages", "odometer_km", "engine_hours", "received"}

func unquoteName(quoted []byte) (string, error) {
	for _, n := range names {
		if string(quoted[1:len(quoted)-1]) == n {
			return n, nil
		}
	}
	name, err := unquote(quoted)
	return string(name), err
}

// kind names what a value is, for people.
func kind(value []byte) string {
	switch value[0] {
	case '"':
		return "a string"
	case '{':
		return "an object"
	case '[':
		return "an array"
	case 't', 'f':
		return "a truth value"
	case 'n':
		return "null"
	}
	return "a number"
}
