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

// parseJSON fills r from one JSON object. bad is the first field that is wrong.
func parseJSON(r *Report, body []byte) (bad *FieldError, err error) {
	scan := scanner{text: body}
	var seen [len(names)]bool // of a name that means nothing here, no two readers can differ
	err = scan.object(func(name string, value []byte) error {
		var e *FieldError
		at := slices.Index(names[:], name)
		switch {
		case at < 0:
			return nil
		case seen[at]:
			e = wrong(name, "given twice")
		case name == "messages":
			e = r.setMessages(value)
		default:
			e = r.set(name, value)
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
func (r *Report) set(name string, value []byte) *FieldError {
	if !given(value) {
		return nil
	}
	switch name {
	case "id", "device", "vin", "bus":
		text, err := parseText(name, value)
		if err != nil {
			return err
		}
		return r.setText(name, text)
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

// setMessages takes the array of messages. An element that is no message is kept with Fault set; the
// error is for the array as a whole.
func (r *Report) setMessages(value []byte) (bad *FieldError) {
	switch value[0] {
	case 'n':
		return nil
	case '[':
	default:
		return wrong("messages", "%s: want an array", kind(value))
	}
	// One piece of memory for the bytes of all messages: two digits of text make one.
	p := &elements{data: make([]byte, 0, len(value)/2)}
	p.each = p.member
	r.Messages = make([]Message, 0, min(bytes.Count(value, []byte(`"data"`)), MaxMessages))
	array := scanner{text: value}
	array.array(func(element []byte) error { // valid: it was passed as a whole before
		if len(r.Messages) == MaxMessages {
			bad = wrong("messages", "more than %d", MaxMessages)
			return bad
		}
		r.Messages = append(r.Messages, p.message(element))
		return nil
	})
	return bad
}

// elements reads one element of the array after the other.
type elements struct {
	data []byte                                // of all messages so far
	last string                                // sender of the message before: most come from one control unit
	each func(name string, value []byte) error // member

	from, pgn, value, broken, twice []byte // of the element at hand
}

func (p *elements) message(element []byte) Message {
	m := Message{PGN: series.None}
	fault := func(format string, args ...any) {
		if m.Fault == "" {
			m.Fault = "not a message: " + fmt.Sprintf(format, args...)
		}
	}
	p.from, p.pgn, p.value, p.broken, p.twice = nil, nil, nil, nil, nil
	if element[0] != '{' {
		fault("%s, want an object", kind(element))
	} else {
		object := scanner{text: element}
		object.object(p.each) // valid: it was passed as a whole before
		if p.twice != nil {
			fault("%s given twice", p.twice)
		}
		if !given(p.value) {
			fault("no data")
		}
	}
	if given(p.from) {
		from, err := parseText("from", p.from)
		if err != nil {
			fault("%v", err)
		} else if string(from) != p.last {
			p.last = string(from)
		}
		if err == nil {
			m.From = p.last
		}
	}
	var digits []byte
	if given(p.value) {
		var err *FieldError
		if digits, err = parseText("data", p.value); err != nil {
			fault("%v", err)
		}
	}
	if given(p.pgn) {
		n, err := strconv.ParseUint(string(p.pgn), 10, 32)
		if err != nil || n > maxPGN {
			fault("pgn %.20s, want a whole number from 0 to %d", p.pgn, maxPGN)
		} else {
			m.PGN = int32(n)
		}
	}
	var broken []byte
	if given(p.broken) {
		var err *FieldError
		if broken, err = parseText("broken", p.broken); err != nil {
			fault("%v", err)
		}
	}
	if m.Fault != "" {
		m.PGN, m.Raw = series.None, bytes.Clone(element)
		return m
	}
	start := len(p.data)
	all, err := appendHex(p.data, digits)
	if err != nil && len(broken) > 0 {
		m.setBroken(broken, digits)
		return m
	}
	if err != nil {
		m.Fault, m.Raw = err.Error(), bytes.Clone(digits)
		return m
	}
	p.data = all
	m.Data = all[start:len(all):len(all)]
	if len(broken) > 0 {
		m.setBroken(broken, digits)
	}
	return m
}

func (p *elements) member(name string, value []byte) error {
	var field *[]byte
	switch name {
	case "from":
		field = &p.from
	case "pgn":
		field = &p.pgn
	case "data":
		field = &p.value
	case "broken":
		field = &p.broken
	default:
		return nil
	}
	if *field != nil && p.twice == nil {
		p.twice = []byte(name)
	}
	*field = value
	return nil
}

// given says whether a field is there and not null.
func given(value []byte) bool { return value != nil && value[0] != 'n' }
