package report

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"marginline/ingest/series"
)

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

// Parse reads one report in either form: a payload whose first byte is "{" is JSON, any other is protobuf.
// White space before the "{" is no harm, because no report in protobuf begins with it (see report.proto).
//
// The error is a *FieldError where one field is to blame. The report returned beside a FieldError holds
// the fields that could be read, so that a quarantine entry can still name device and id; it is nil only
// where the payload is no JSON object and no protobuf message at all. The report keeps no reference to the
// payload.
func Parse(payload []byte) (*Report, error) { return new(Parser).Parse(payload) }

// A Parser reads report after report into the same memory. It is for one goroutine at a time; the zero value is ready.
type Parser struct {
	report   Report
	messages []Message
	data     []byte            // of all messages
	sender   string            // of the message before: most come from one control unit
	names    map[string]string // devices and vehicles as they were sent, and as they are named
}

// Parse reads one report, as the function Parse does. The report is valid until the next call; texts may be kept.
func (p *Parser) Parse(payload []byte) (*Report, error) {
	if len(payload) > MaxBytes {
		return nil, fmt.Errorf("report of %d bytes: at most %d", len(payload), MaxBytes)
	}
	body := bytes.TrimLeft(payload, " \t\r\n")
	if len(body) == 0 {
		return nil, errors.New("empty payload")
	}
	parse := p.parseProto
	if body[0] == '{' {
		parse, payload = p.parseJSON, body
	}
	r := &p.report
	*r = Report{OdometerKm: math.NaN(), EngineHours: math.NaN()}
	bad, err := parse(payload)
	if err != nil {
		return nil, err
	}
	if bad == nil {
		bad = r.missing()
	}
	if bad != nil {
		return r, bad
	}
	return r, nil
}

// room makes room for the messages of a report, so many as far as is known, and for their bytes.
func (p *Parser) room(count, size int) {
	if cap(p.messages) < count || p.messages == nil {
		p.messages = make([]Message, 0, count)
	}
	if cap(p.data) < size {
		p.data = make([]byte, 0, size)
	}
	p.report.Messages, p.data = p.messages[:0], p.data[:0]
}

// from gives the name of a sender.
func (p *Parser) from(text []byte) string {
	if string(text) != p.sender {
		p.sender = string(text)
	}
	return p.sender
}

// namesKept is how many names a Parser remembers before it begins anew.
const namesKept = 1 << 15

// name gives a text in the form that made tells, and always the same memory for the same text: a fleet has few names.
func (p *Parser) name(text []byte, made func(string) string) string {
	if name, ok := p.names[string(text)]; ok {
		return name
	}
	if p.names == nil || len(p.names) >= namesKept {
		p.names = map[string]string{}
	}
	s := string(text)
	name := made(s)
	p.names[s] = name
	return name
}

func asSent(s string) string { return s }

func vehicle(s string) string { return strings.ToUpper(strings.TrimSpace(s)) }

// missing finds the first required field that was not given.
func (r *Report) missing() *FieldError {
	for _, f := range [...]struct {
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

// setText takes a field of text; an empty one is as good as an absent one.
func (p *Parser) setText(name string, text []byte) *FieldError {
	r := &p.report
	switch name {
	case "id":
		if len(text) > maxID {
			return wrong(name, "%d bytes: at most %d", len(text), maxID)
		}
		r.ID = string(text)
	case "device":
		if len(text) > 0 && !DeviceName(text) {
			return wrong(name, "%q: want 1 to 64 of A-Z a-z 0-9 _ -", text)
		}
		r.Device = p.name(text, asSent)
	case "vin":
		if len(text) > maxID {
			return wrong(name, "%d bytes: at most %d", len(text), maxID)
		}
		r.VIN = p.name(text, vehicle)
	case "bus":
		r.Bus = series.BusUnknown
		for b := series.CAN; b.String() != ""; b++ {
			if string(text) == b.String() {
				r.Bus = b
				return nil
			}
		}
		if len(text) > 0 {
			_, err := series.ParseBus(string(text))
			return wrong(name, "%v", err)
		}
	}
	return nil
}

func (r *Report) setTime(name string, t time.Time) {
	if t.IsZero() { // a clock that never ran; the zero Time means absent
		t = t.Add(time.Nanosecond)
	}
	if name == "time" {
		r.Time = t.UTC()
	} else {
		r.Received = t.UTC()
	}
}

func (r *Report) setReal(name string, v float64) {
	if name == "odometer_km" {
		r.OdometerKm = v
	} else {
		r.EngineHours = v
	}
}

// setBroken marks a message that its sender could not reassemble.
func (m *Message) setBroken(reason, sent []byte) {
	m.Broken, m.Fault, m.Raw = true, "not reassembled: "+string(reason), bytes.Clone(sent)
}
