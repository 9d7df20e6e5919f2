package report

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"marginline/ingest/series"
)

// parseJSON fills the report from one JSON object. bad is the first field that is wrong.
func (p *Parser) parseJSON(body []byte) (bad *FieldError, err error) {
	scan := scanner{text: body}
	var seen [len(names)]bool // of a name that means nothing here, no two readers can differ
	err = scan.members(func(name string) error {
		at := slices.Index(names[:], name)
		if at < 0 {
			return scan.skip()
		}
		var e *FieldError
		if name == "messages" && !seen[at] && scan.next() == '[' {
			var err error
			if e, err = p.readMessages(&scan); err != nil {
				return err
			}
		} else {
			value, err := scan.value()
			switch {
			case err != nil:
				return err
			case seen[at]:
				e = wrong(name, "given twice")
			case name == "messages" && given(value):
				e = wrong(name, "%s: want an array", kind(value))
			default:
				e = p.set(name, value)
			}
		}
		seen[at] = true
		if bad == nil {
			bad = e
		}
		return nil
	})
	if scan.space(); err == nil && scan.at < len(body) {
		err = errors.New("more text after the report")
	}
	if err != nil {
		return nil, fmt.Errorf("JSON near byte %d: %w", scan.at, err)
	}
	return bad, nil
}

// set takes one field other than messages. A null is as good as an absent field.
func (p *Parser) set(name string, value []byte) *FieldError {
	if !given(value) {
		return nil
	}
	r := &p.report
	switch name {
	case "id", "device", "vin", "bus":
		text, err := parseText(name, value)
		if err != nil {
			return err
		}
		return p.setText(name, text)
	case "time", "received":
		text, err := parseText(name, value)
		if err != nil || len(text) == 0 {
			return err
		}
		t, perr := time.Parse(time.RFC3339, string(text))
		if perr != nil {
			return wrong(name, "%q: want RFC 3339, such as 2026-03-02T06:14:09Z", text)
		}
		r.setTime(name, t)
	case "odometer_km", "engine_hours":
		v, err := strconv.ParseFloat(string(value), 64)
		if err != nil || kind(value) != "a number" {
			return wrong(name, "%.40s: want a number", value)
		}
		r.setReal(name, v)
	}
	return nil
}

// parseText gives what a string says, as part of the text where that is possible.
func parseText(name string, value []byte) ([]byte, *FieldError) {
	if value[0] != '"' {
		return nil, wrong(name, "%s: want a string", kind(value))
	}
	s, err := unquote(value)
	if err != nil {
		return nil, wrong(name, "%v", err)
	}
	return s, nil
}

// readMessages takes the array of messages, which comes next. An element that is no message is kept with Fault set;
// bad is for the array as a whole.
func (p *Parser) readMessages(s *scanner) (bad *FieldError, err error) {
	rest, r := s.text[s.at:], &p.report
	count := 0
	if p.messages == nil { // no room yet, and perhaps there will be no other report
		count = min(bytes.Count(rest, []byte(`"data"`)), MaxMessages)
	}
	p.room(count, len(rest)/2) // two digits of text make one byte
	e := &elements{scan: s, p: p}
	e.each = e.member
	err = s.list('[', ']', func() error {
		if len(r.Messages) == MaxMessages {
			bad = wrong("messages", "more than %d", MaxMessages)
			return s.skip()
		}
		m, err := e.message()
		r.Messages = append(r.Messages, m)
		return err
	})
	p.messages = r.Messages
	return bad, err
}

// elements reads one element of the array after the other.
type elements struct {
	scan *scanner
	p    *Parser
	each func(name string) error // member

	from, pgn, value, broken, twice []byte // of the element at hand
}

// message reads the element that comes next.
func (e *elements) message() (Message, error) {
	m := Message{PGN: series.None}
	fault := func(format string, args ...any) {
		if m.Fault == "" {
			m.Fault = "not a message: " + fmt.Sprintf(format, args...)
		}
	}
	e.from, e.pgn, e.value, e.broken, e.twice = nil, nil, nil, nil, nil
	object := e.scan.next() == '{'
	start := e.scan.at
	var err error
	if object {
		err = e.scan.members(e.each)
	} else {
		err = e.scan.skip()
	}
	if err != nil {
		return m, err
	}
	element := e.scan.text[start:e.scan.at]
	if !object {
		fault("%s, want an object", kind(element))
	} else {
		if e.twice != nil {
			fault("%s given twice", e.twice)
		}
		if !given(e.value) {
			fault("no data")
		}
	}
	if given(e.from) {
		from, err := parseText("from", e.from)
		if err != nil {
			fault("%v", err)
		} else {
			m.From = e.p.from(from)
		}
	}
	var digits []byte
	if given(e.value) {
		var err *FieldError
		if digits, err = parseText("data", e.value); err != nil {
			fault("%v", err)
		}
	}
	if given(e.pgn) {
		n, err := strconv.ParseUint(string(e.pgn), 10, 32)
		if err != nil || n > maxPGN {
			fault("pgn %.20s, want a whole number from 0 to %d", e.pgn, maxPGN)
		} else {
			m.PGN = int32(n)
		}
	}
	var broken []byte
	if given(e.broken) {
		var err *FieldError
		if broken, err = parseText("broken", e.broken); err != nil {
			fault("%v", err)
		}
	}
	if m.Fault != "" {
		m.PGN, m.Raw = series.None, bytes.Clone(element)
		return m, nil
	}
	from := len(e.p.data)
	all, err := appendHex(e.p.data, digits)
	if err != nil && len(broken) > 0 {
		m.setBroken(broken, digits)
		return m, nil
	}
	if err != nil {
		m.Fault, m.Raw = err.Error(), bytes.Clone(digits)
		return m, nil
	}
	e.p.data = all
	m.Data = all[from:len(all):len(all)]
	if len(broken) > 0 {
		m.setBroken(broken, digits)
	}
	return m, nil
}

func (e *elements) member(name string) error {
	value, err := e.scan.value()
	if err != nil {
		return err
	}
	var field *[]byte
	switch name {
	case "from":
		field = &e.from
	case "pgn":
		field = &e.pgn
	case "data":
		field = &e.value
	case "broken":
		field = &e.broken
	default:
		return nil
	}
	if *field != nil && e.twice == nil {
		e.twice = []byte(name)
	}
	*field = value
	return nil
}

// given says whether a field is there and not null.
func given(value []byte) bool { return value != nil && value[0] != 'n' }
