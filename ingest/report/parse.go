package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
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
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.Token() // the brace seen above
	seen := make([]string, 0, 12)
	for dec.More() {
		token, err := dec.Token()
		if err != nil {
			return nil, badJSON(err, dec)
		}
		name := token.(string) // names of an object are strings, or Token fails
		if slices.Contains(seen, name) {
			blame(wrong(name, "given twice"))
		}
		seen = append(seen, name)
		if name == "messages" {
			var e *FieldError
			if r.Messages, e, err = parseMessages(dec); err != nil {
				return nil, badJSON(err, dec)
			}
			blame(e)
			continue
		}
		var value json.RawMessage
		if err := dec.Decode(&value); err != nil {
			return nil, badJSON(err, dec)
		}
		blame(r.set(name, value))
	}
	if _, err := dec.Token(); err != nil { // the closing brace
		return nil, badJSON(err, dec)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("more text after the report, at byte %d", dec.InputOffset())
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
func (r *Report) set(name string, value json.RawMessage) *FieldError {
	if string(value) == "null" {
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
		if err != nil || value[0] == '"' {
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

func parseText(name string, value json.RawMessage) (string, *FieldError) {
	var s string
	if err := json.Unmarshal(value, &s); err != nil {
		return "", wrong(name, "%.40s: want a string", value)
	}
	return s, nil
}

// parseMessages reads the array of messages. An element that is JSON but no message is kept with Fault
// set; the FieldError is for the array as a whole.
func parseMessages(dec *json.Decoder) ([]Message, *FieldError, error) {
	token, err := dec.Token()
	if err != nil {
		return nil, nil, err
	}
	if token == nil {
		return nil, nil, nil
	}
	if token != json.Delim('[') {
		if token == json.Delim('{') {
			return nil, wrong("messages", "an object: want an array"), skipObject(dec)
		}
		return nil, wrong("messages", "want an array"), nil
	}
	msgs := []Message{}
	var bad *FieldError
	for dec.More() {
		var raw json.RawMessage
		if err := dec.Decode(&raw); err != nil {
			return nil, nil, err
		}
		if len(msgs) == MaxMessages {
			bad = wrong("messages", "more than %d", MaxMessages)
			continue
		}
		msgs = append(msgs, parseMessage(raw))
	}
	_, err = dec.Token() // the closing bracket
	return msgs, bad, err
}

func parseMessage(raw json.RawMessage) Message {
	var in struct {
		From string  `json:"from"`
		PGN  *int32  `json:"pgn"`
		Data *string `json:"data"`
	}
	m := Message{PGN: series.None}
	if err := json.Unmarshal(raw, &in); err != nil {
		m.Fault = "not a message: " + err.Error()
		if typ, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
			m.Fault = fmt.Sprintf("not a message: %s is a %s", orElement(typ.Field), typ.Value)
		}
	} else if in.Data == nil {
		m.Fault = "not a message: no data"
	} else if in.PGN != nil && (*in.PGN < 0 || *in.PGN > maxPGN) {
		m.Fault = fmt.Sprintf("not a message: pgn %d is not within 0 to %d", *in.PGN, maxPGN)
	}
	m.From = in.From
	if m.Fault != "" {
		m.Data = string(raw)
		return m
	}
	m.Data = *in.Data
	if in.PGN != nil {
		m.PGN = *in.PGN
	}
	return m
}

func orElement(field string) string {
	if field == "" {
		return "the element"
	}
	return field
}

func skipObject(dec *json.Decoder) error {
	for depth := 1; depth > 0; {
		token, err := dec.Token()
		if err != nil {
			return err
		}
		switch token {
		case json.Delim('{'), json.Delim('['):
			depth++
		case json.Delim('}'), json.Delim(']'):
			depth--
		}
	}
	return nil
}

func badJSON(err error, dec *json.Decoder) error {
	if errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return fmt.Errorf("JSON near byte %d: %w", dec.InputOffset(), err)
}
