package report

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"

	"marginline/ingest/series"
)

// Field numbers of marginline.v1.Report and its Message; report.proto is the schema.
const (
	protoID       = 2
	protoDevice   = 3
	protoTime     = 4
	protoBus      = 5
	protoVIN      = 6
	protoOdometer = 7
	protoHours    = 8
	protoReceived = 9
	protoMessages = 10

	protoFrom   = 1
	protoPGN    = 2
	protoData   = 3
	protoBroken = 4
)

// protoFields gives name and wire type of the fields of a report, by number.
var protoFields = [...]struct {
	name string
	wire protowire.Type
}{
	protoID: {"id", protowire.BytesType}, protoDevice: {"device", protowire.BytesType}, protoTime: {"time", protowire.BytesType},
	protoBus: {"bus", protowire.BytesType}, protoVIN: {"vin", protowire.BytesType},
	protoOdometer: {"odometer_km", protowire.Fixed64Type}, protoHours: {"engine_hours", protowire.Fixed64Type},
	protoReceived: {"received", protowire.BytesType}, protoMessages: {"messages", protowire.BytesType},
}

// The range of google.protobuf.Timestamp: years 1 to 9999.
var (
	stampFirst = time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC).Unix()
	stampLast  = time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC).Unix()
)

// A stamp is a google.protobuf.Timestamp as far as it was read.
type stamp struct {
	given          bool
	seconds, nanos int64
}

// parseProto fills the report from one protobuf message. bad is the first field that is wrong. As the encoding
// wants it, of a field that comes twice the last one counts, two halves of a time are merged, and unknown
// fields are skipped; a known field of another wire type is wrong.
func (p *Parser) parseProto(payload []byte) (bad *FieldError, err error) {
	r := &p.report
	blame := func(e *FieldError) {
		if bad == nil {
			bad = e
		}
	}
	count, size := 0, len(payload)
	if p.messages == nil { // no room yet, and perhaps there will be no other report
		count, size = measureProto(payload)
	}
	p.room(min(count, MaxMessages), size)
	var read, received stamp
	known := false
	err = walk(payload, func(num protowire.Number, wire protowire.Type, value []byte) {
		if num >= protowire.Number(len(protoFields)) || protoFields[num].name == "" {
			return
		}
		known = true
		f := &protoFields[num]
		if wire != f.wire {
			blame(wrong(f.name, "%s: want %s", wireName(wire), wireName(f.wire)))
			return
		}
		switch num {
		case protoID, protoDevice, protoBus, protoVIN:
			if !utf8.Valid(value) {
				blame(wrong(f.name, "%q: not valid UTF-8", shorten(value)))
				return
			}
			blame(p.setText(f.name, value))
		case protoTime:
			blame(read.read(f.name, value))
		case protoReceived:
			blame(received.read(f.name, value))
		case protoOdometer, protoHours:
			bits, _ := protowire.ConsumeFixed64(value)
			v := math.Float64frombits(bits)
			if math.IsInf(v, 0) {
				blame(wrong(f.name, "%v: want a number", v))
				return
			}
			r.setReal(f.name, v)
		case protoMessages:
			if len(r.Messages) == MaxMessages {
				blame(wrong(f.name, "more than %d", MaxMessages))
				return
			}
			r.Messages = append(r.Messages, p.protoMessage(value))
		}
	})
	p.messages = r.Messages
	if err != nil {
		return nil, fmt.Errorf("neither JSON (the first byte is no \"{\") nor protobuf: %w", err)
	}
	if !known {
		return nil, errors.New("neither JSON (the first byte is no \"{\") nor protobuf: no field of a report")
	}
	blame(read.set(r, "time"))
	blame(received.set(r, "received"))
	return bad, nil
}

// walk hands out the fields of a message: of length-delimited ones what they hold, of others the raw bytes.
func walk(b []byte, field func(num protowire.Number, wire protowire.Type, value []byte)) error {
	for at := 0; at < len(b); {
		num, wire, n := protowire.ConsumeTag(b[at:])
		if n < 0 {
			return fmt.Errorf("byte %d: %w", at, protowire.ParseError(n))
		}
		if num > protowire.MaxValidNumber {
			return fmt.Errorf("byte %d: field number %d is out of range", at, num)
		}
		start := at + n
		var value []byte
		if wire == protowire.BytesType {
			value, n = protowire.ConsumeBytes(b[start:])
		} else if n = protowire.ConsumeFieldValue(num, wire, b[start:]); n >= 0 {
			value = b[start : start+n]
		}
		if n < 0 {
			return fmt.Errorf("byte %d, field %d: %w", at, num, protowire.ParseError(n))
		}
		field(num, wire, value)
		at = start + n
	}
	return nil
}

// measureProto counts the messages and their bytes, so that each fits one allocation.
func measureProto(b []byte) (count, size int) {
	walk(b, func(num protowire.Number, wire protowire.Type, value []byte) {
		if num == protoMessages && wire == protowire.BytesType {
			count++
			size += len(value)
		}
	})
	return count, size
}

func (s *stamp) read(name string, value []byte) (bad *FieldError) {
	s.given = true
	err := walk(value, func(num protowire.Number, wire protowire.Type, value []byte) {
		if num != 1 && num != 2 || bad != nil {
			return
		}
		if wire != protowire.VarintType {
			bad = wrong(name, "field %d of the time is %s: want %s", num, wireName(wire), wireName(protowire.VarintType))
			return
		}
		n, _ := protowire.ConsumeVarint(value)
		if num == 1 {
			s.seconds = int64(n)
		} else {
			s.nanos = int64(int32(n))
		}
	})
	if err != nil {
		return wrong(name, "not a time: %v", err)
	}
	return bad
}

func (s *stamp) set(r *Report, name string) *FieldError {
	if !s.given {
		return nil
	}
	if s.seconds < stampFirst || s.seconds > stampLast || s.nanos < 0 || s.nanos > 999_999_999 {
		return wrong(name, "%d s and %d ns: want seconds since 1970 in the years 1 to 9999, and 0 to 999999999 ns", s.seconds, s.nanos)
	}
	r.setTime(name, time.Unix(s.seconds, s.nanos))
	return nil
}

// protoMessage reads one element of messages.
func (p *Parser) protoMessage(element []byte) Message {
	m := Message{PGN: series.None}
	fault := func(format string, args ...any) {
		if m.Fault == "" {
			m.Fault = "not a message: " + fmt.Sprintf(format, args...)
		}
	}
	var data, broken []byte
	err := walk(element, func(num protowire.Number, wire protowire.Type, value []byte) {
		switch {
		case num == protoFrom && wire == protowire.BytesType:
			if !utf8.Valid(value) {
				fault("from %q is not valid UTF-8", shorten(value))
				return
			}
			m.From = p.from(value)
		case num == protoPGN && wire == protowire.VarintType:
			n, _ := protowire.ConsumeVarint(value)
			if n > maxPGN {
				fault("pgn %d, want a whole number from 0 to %d", n, maxPGN)
				return
			}
			m.PGN = int32(n)
		case num == protoData && wire == protowire.BytesType:
			data = value
		case num == protoBroken && wire == protowire.BytesType:
			if !utf8.Valid(value) {
				fault("broken %q is not valid UTF-8", shorten(value))
				return
			}
			broken = value
		case num == protoFrom, num == protoData, num == protoBroken:
			fault("%s is %s, want %s", [...]string{protoFrom: "from", protoData: "data", protoBroken: "broken"}[num], wireName(wire), wireName(protowire.BytesType))
		case num == protoPGN:
			fault("pgn is %s, want %s", wireName(wire), wireName(protowire.VarintType))
		}
	})
	if err != nil {
		fault("%v", err)
	}
	if m.Fault != "" {
		m.PGN, m.Raw = series.None, bytes.Clone(element)
		return m
	}
	start := len(p.data)
	p.data = append(p.data, data...)
	m.Data = p.data[start:len(p.data):len(p.data)]
	if len(broken) > 0 {
		m.setBroken(broken, data)
	}
	return m
}

func wireName(t protowire.Type) string {
	switch t {
	case protowire.VarintType:
		return "a varint"
	case protowire.Fixed32Type:
		return "32 bits"
	case protowire.Fixed64Type:
		return "64 bits"
	case protowire.BytesType:
		return "length-delimited"
	}
	return "a group"
}

func shorten(b []byte) []byte { return b[:min(len(b), 40)] }

// EncodeProto writes the protobuf form. Absent fields are left out. A report that Parse would refuse is an
// error, so that nothing unreadable is published by us.
func (r *Report) EncodeProto() ([]byte, error) {
	if err := r.sendable(); err != nil {
		return nil, err
	}
	size := 256
	for i := range r.Messages {
		size += protoSize(&r.Messages[i]) + 8
	}
	b := make([]byte, 0, size)
	text := func(num protowire.Number, s string) {
		if s != "" {
			b = protowire.AppendString(protowire.AppendTag(b, num, protowire.BytesType), s)
		}
	}
	text(protoID, r.ID)
	text(protoDevice, r.Device)
	var err error
	if b, err = appendStamp(b, protoTime, r.Time); err != nil {
		return nil, fmt.Errorf("report %q: %w", r.ID, err)
	}
	text(protoBus, r.Bus.String())
	text(protoVIN, r.VIN)
	for _, f := range [...]struct {
		num protowire.Number
		v   float64
	}{{protoOdometer, r.OdometerKm}, {protoHours, r.EngineHours}} {
		if math.IsInf(f.v, 0) {
			return nil, fmt.Errorf("report %q: %w", r.ID, wrong(protoFields[f.num].name, "%v: want a number", f.v))
		}
		if f.v == f.v {
			b = protowire.AppendFixed64(protowire.AppendTag(b, f.num, protowire.Fixed64Type), math.Float64bits(f.v))
		}
	}
	if !r.Received.IsZero() {
		if b, err = appendStamp(b, protoReceived, r.Received); err != nil {
			return nil, fmt.Errorf("report %q: %w", r.ID, err)
		}
	}
	for i := range r.Messages {
		m := &r.Messages[i]
		b = protowire.AppendVarint(protowire.AppendTag(b, protoMessages, protowire.BytesType), uint64(protoSize(m)))
		text(protoFrom, m.From)
		if m.PGN != series.None {
			b = protowire.AppendVarint(protowire.AppendTag(b, protoPGN, protowire.VarintType), uint64(m.PGN))
		}
		if len(m.Data) > 0 {
			b = protowire.AppendBytes(protowire.AppendTag(b, protoData, protowire.BytesType), m.Data)
		}
	}
	if err := r.fits(len(b)); err != nil {
		return nil, err
	}
	return b, nil
}

// protoSize is how many bytes a message takes, without its tag and length.
func protoSize(m *Message) (n int) {
	if m.From != "" {
		n += protowire.SizeTag(protoFrom) + protowire.SizeBytes(len(m.From))
	}
	if m.PGN != series.None {
		n += protowire.SizeTag(protoPGN) + protowire.SizeVarint(uint64(m.PGN))
	}
	if len(m.Data) > 0 {
		n += protowire.SizeTag(protoData) + protowire.SizeBytes(len(m.Data))
	}
	return n
}

func appendStamp(b []byte, num protowire.Number, t time.Time) ([]byte, error) {
	seconds, nanos := t.Unix(), uint64(t.Nanosecond())
	if seconds < stampFirst || seconds > stampLast {
		return nil, wrong(protoFields[num].name, "%v is beyond the years 1 to 9999", t)
	}
	n := 0
	if seconds != 0 {
		n += protowire.SizeTag(1) + protowire.SizeVarint(uint64(seconds))
	}
	if nanos != 0 {
		n += protowire.SizeTag(2) + protowire.SizeVarint(nanos)
	}
	b = protowire.AppendVarint(protowire.AppendTag(b, num, protowire.BytesType), uint64(n))
	if seconds != 0 {
		b = protowire.AppendVarint(protowire.AppendTag(b, 1, protowire.VarintType), uint64(seconds))
	}
	if nanos != 0 {
		b = protowire.AppendVarint(protowire.AppendTag(b, 2, protowire.VarintType), nanos)
	}
	return b, nil
}
