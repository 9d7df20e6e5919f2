package report

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"marginline/ingest/series"
)

// ErrProtobuf is what Parse says of a payload that is not JSON.
var ErrProtobuf = errors.New("not a JSON object (first byte is not \"{\"): the protobuf form is not there yet")

// A FieldError is a field that makes the whole report unusable.
type FieldError struct {
	Field   string
	Missing bool // a required field is absent, null or empty; otherwise its content is wrong
	Problem string
}

// Error names the field first.
func (e *FieldError) Error() string { return fmt.Sprintf("field %q: %s", e.Field, e.Problem) }

func wrong(field, format string, args ...any) *FieldError {
	return &FieldError{Field: field, Problem: fmt.Sprintf(format, args...)}
}

// Parse reads one report in its JSON form.
//
// The error is a *FieldError where one field is to blame. The report returned beside a FieldError holds
// the fields that could be read, so that a quarantine entry can still name device and id; it is nil only
// where the payload is no JSON object at all.
func Parse(payload []byte) (*Report, error) {
	if len(payload) > MaxBytes {
		return nil, fmt.Errorf("report of %d bytes: at most %d", len(payload), MaxBytes)
	}
	body := bytes.TrimLeft(payload, " \t\r\n")
	if len(body) == 0 {
		return nil, errors.New("empty payload")
	}
	if body[0] != '{' {
		return nil, ErrProtobuf
	}
	r := &Report{OdometerKm: math.NaN(), EngineHours: math.NaN()}
	var bad *FieldError
	blame := func(e *FieldError) {
		if bad == nil && e != nil {
			bad = e
		}
	}
	scan := scanner{text: body}
	seen := make([]string, 0, 12)
	err := scan.object(func(name string, value []byte) error {
		if slices.Contains(seen, name) {
			blame(wrong(name, "given twice"))
		}
		seen = append(seen, name)
		if name == "messages" {
			blame(r.setMessages(value))
		} else {
			blame(r.set(name, value))
		}
		return nil
	})
	if scan.space(); err == nil && scan.at < len(body) {
		err = errors.New("more text after the report")
	}
	if err != nil {
		return nil, fmt.Errorf("JSON near byte %d: %w", scan.at, err)
	}
	if bad == nil {
		bad = r.missing()
	}
	if bad != nil {
		return r, bad
	}
	return r, nil
}

// missing finds the first required field that was not given.
func (r *Report) missing() *FieldError {
	for _, f := range []struct {
		name   string
		absent bool
	}{
		{"id", r.ID == ""}, {"device", r.Device == ""}, {"time", r.Time.IsZero()},
		{"bus", r.Bus == series.BusUnknown}, {"messages", r.Messages == nil},
	} {
		if f.absent {
			return &FieldError{Field: f.name, Missing: true, Problem: "required, and not given"}
		}
	}
	return nil
}

// set takes one field other than messages. A null is as good as an absent field.
func (r *Report) set(name string, value []byte) *FieldError {
	if !given(value) {
		return nil
	}
	switch name {
	case "id":
		id, err := parseText(name, value)
		if err == nil && len(id) > maxID {
			err = wrong(name, "%d bytes: at most %d", len(id), maxID)
		}
		if err != nil {
			return err
		}
		r.ID = id
	case "device":
		device, err := parseText(name, value)
		if err != nil || device == "" {
			return err
		}
		if !DeviceName(device) {
			return wrong(name, "%q: want 1 to 64 of A-Z a-z 0-9 _ -", device)
		}
		r.Device = device
	case "vin":
		vin, err := parseText(name, value)
		if err == nil && len(vin) > maxID {
			err = wrong(name, "%d bytes: at most %d", len(vin), maxID)
		}
		if err != nil {
			return err
		}
		r.VIN = strings.ToUpper(strings.TrimSpace(vin))
	case "time", "received":
		text, err := parseText(name, value)
		if err != nil || text == "" {
			return err
		}
		t, perr := time.Parse(time.RFC3339, text)
		if perr != nil {
			return wrong(name, "%q: want RFC 3339, such as 2026-03-02T06:14:09Z", text)
		}
		if t.IsZero() { // a clock that never ran; the zero Time means absent
			t = t.Add(time.Nanosecond)
		}
		if name == "time" {
			r.Time = t.UTC()
		} else {
			r.Received = t.UTC()
		}
	case "bus":
		text, err := parseText(name, value)
		if err != nil || text == "" {
			return err
		}
		bus, perr := series.ParseBus(text)
		if perr != nil {
			return wrong(name, "%v", perr)
		}
		r.Bus = bus
	case "odometer_km", "engine_hours":
		v, err := strconv.ParseFloat(string(value), 64)
		if err != nil || kind(value) != "a number" {
			return wrong(name, "%.40s: want a number", value)
		}
		if name == "odometer_km" {
			r.OdometerKm = v
		} else {
			r.EngineHours = v
		}
	}
	return nil
}

func parseText(name string, value []byte) (string, *FieldError) {
	if value[0] != '"' {
		return "", wrong(name, "%s: want a string", kind(value))
	}
	s, err := unquote(value)
	if err != nil {
		return "", wrong(name, "%v", err)
	}
	return s, nil
}

// setMessages takes the array of messages. An element that is no message is kept with Fault set; the
// error is for the array as a whole.
func (r *Report) setMessages(value []byte) (bad *FieldError) {
	switch value[0] {
	case 'n':
		return nil
	default:
		return wrong("messages", "%s: want an array", kind(value))
	case '[':
	}
	r.Messages = []Message{}
	array := scanner{text: value}
	array.array(func(element []byte) error { // valid: it was passed as a whole before
		if len(r.Messages) == MaxMessages {
			bad = wrong("messages", "more than %d", MaxMessages)
			return bad
		}
		r.Messages = append(r.Messages, parseMessage(element))
		return nil
	})
	return bad
}

func parseMessage(element []byte) Message {
	m := Message{PGN: series.None}
	fault := func(format string, args ...any) {
		if m.Fault == "" {
			m.Fault = "not a message: " + fmt.Sprintf(format, args...)
		}
	}
	var from, pgn, data []byte
	if element[0] != '{' {
		fault("%s, want an object", kind(element))
	} else {
		object := scanner{text: element}
		object.object(func(name string, value []byte) error { // valid: it was passed as a whole before
			var field *[]byte
			switch name {
			case "from":
				field = &from
			case "pgn":
				field = &pgn
			case "data":
				field = &data
			default:
				return nil
			}
			if *field != nil {
				fault("%s given twice", name)
			}
			*field = value
			return nil
		})
		if !given(data) {
			fault("no data")
		}
	}
	text := func(name string, value []byte) string {
		if !given(value) {
			return ""
		}
		s, err := parseText(name, value)
		if err != nil {
			fault("%v", err)
		}
		return s
	}
	m.From, m.Data = text("from", from), text("data", data)
	if given(pgn) {
		n, err := strconv.ParseUint(string(pgn), 10, 32)
		if err != nil || n > maxPGN {
			fault("pgn %.20s, want a whole number from 0 to %d", pgn, maxPGN)
		} else {
			m.PGN = int32(n)
		}
	}
	if m.Fault != "" {
		m.PGN, m.Data = series.None, string(element)
	}
	return m
}

// given says whether a field is there and not null.
func given(value []byte) bool { return value != nil && value[0] != 'n' }
