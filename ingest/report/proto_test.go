package report

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// descriptor reads the published schema, so that the library for protocol buffers speaks exactly that. It
// knows the part of the language that report.proto uses.
func descriptor(t testing.TB) protoreflect.MessageDescriptor {
	t.Helper()
	file := &descriptorpb.FileDescriptorProto{Name: proto.String("report.proto"), Syntax: proto.String("proto3"), Dependency: []string{"google/protobuf/timestamp.proto"}}
	_ = timestamppb.File_google_protobuf_timestamp_proto // registers it
	kinds := map[string]descriptorpb.FieldDescriptorProto_Type{
		"string": descriptorpb.FieldDescriptorProto_TYPE_STRING, "bytes": descriptorpb.FieldDescriptorProto_TYPE_BYTES,
		"double": descriptorpb.FieldDescriptorProto_TYPE_DOUBLE, "uint32": descriptorpb.FieldDescriptorProto_TYPE_UINT32,
		"google.protobuf.Timestamp": descriptorpb.FieldDescriptorProto_TYPE_MESSAGE, "Message": descriptorpb.FieldDescriptorProto_TYPE_MESSAGE,
	}
	var (
		field    = regexp.MustCompile(`^(optional |repeated )?([\w.]+) (\w+) = (\d+);$`)
		reserved = regexp.MustCompile(`^reserved (\d+), (\d+);$`)
		m        *descriptorpb.DescriptorProto
	)
	for line := range strings.Lines(string(Proto)) {
		line, _, _ = strings.Cut(line, "//")
		line = strings.TrimSpace(line)
		switch {
		case line == "", strings.HasPrefix(line, "import "), line == `syntax = "proto3";`:
		case strings.HasPrefix(line, "package "):
			file.Package = proto.String(strings.TrimSuffix(line[8:], ";"))
		case strings.HasPrefix(line, "message "):
			m = &descriptorpb.DescriptorProto{Name: proto.String(strings.TrimSuffix(line[8:], " {"))}
			file.MessageType = append(file.MessageType, m)
		case line == "}":
			m = nil
		case reserved.MatchString(line):
			for _, n := range reserved.FindStringSubmatch(line)[1:] {
				n, _ := strconv.Atoi(n)
				m.ReservedRange = append(m.ReservedRange, &descriptorpb.DescriptorProto_ReservedRange{Start: proto.Int32(int32(n)), End: proto.Int32(int32(n + 1))})
			}
		case field.MatchString(line):
			p := field.FindStringSubmatch(line)
			n, _ := strconv.Atoi(p[4])
			kind, known := kinds[p[2]]
			if !known {
				t.Fatalf("type %q is none that this test knows", p[2])
			}
			f := &descriptorpb.FieldDescriptorProto{Name: &p[3], Number: proto.Int32(int32(n)), Type: &kind, Label: descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum()}
			switch {
			case p[2] == "Message":
				f.TypeName = proto.String(".marginline.v1.Message")
			case kind == descriptorpb.FieldDescriptorProto_TYPE_MESSAGE:
				f.TypeName = proto.String("." + p[2])
			}
			switch p[1] {
			case "repeated ":
				f.Label = descriptorpb.FieldDescriptorProto_LABEL_REPEATED.Enum()
			case "optional ":
				f.Proto3Optional, f.OneofIndex = proto.Bool(true), proto.Int32(int32(len(m.OneofDecl)))
				m.OneofDecl = append(m.OneofDecl, &descriptorpb.OneofDescriptorProto{Name: proto.String("_" + p[3])})
			}
			m.Field = append(m.Field, f)
		default:
			t.Fatalf("report.proto: %q is no line that this test knows", line)
		}
	}
	d, err := protodesc.NewFile(file, protoregistry.GlobalFiles)
	if err != nil {
		t.Fatalf("report.proto: %v", err)
	}
	r := d.Messages().ByName("Report")
	if r == nil || r.FullName() != "marginline.v1.Report" {
		t.Fatalf("report.proto: no marginline.v1.Report")
	}
	return r
}

// byLibrary fills the library's message from a report.
func byLibrary(d protoreflect.MessageDescriptor, r *Report) *dynamicpb.Message {
	m := dynamicpb.NewMessage(d)
	f := func(name string) protoreflect.FieldDescriptor {
		return d.Fields().ByName(protoreflect.Name(name))
	}
	stamp := func(name string, t time.Time) {
		m.Set(f(name), protoreflect.ValueOfMessage(timestamppb.New(t).ProtoReflect()))
	}
	for name, s := range map[string]string{"id": r.ID, "device": r.Device, "bus": r.Bus.String(), "vin": r.VIN} {
		if s != "" {
			m.Set(f(name), protoreflect.ValueOfString(s))
		}
	}
	stamp("time", r.Time)
	if !r.Received.IsZero() {
		stamp("received", r.Received)
	}
	for name, v := range map[string]float64{"odometer_km": r.OdometerKm, "engine_hours": r.EngineHours} {
		if v == v {
			m.Set(f(name), protoreflect.ValueOfFloat64(v))
		}
	}
	list := m.Mutable(f("messages")).List()
	for i := range r.Messages {
		x := &r.Messages[i]
		e := list.NewElement()
		of := e.Message().Descriptor().Fields()
		e.Message().Set(of.ByName("from"), protoreflect.ValueOfString(x.From))
		e.Message().Set(of.ByName("data"), protoreflect.ValueOfBytes(x.Data))
		if x.PGN != series.None {
			e.Message().Set(of.ByName("pgn"), protoreflect.ValueOfUint32(uint32(x.PGN)))
		}
		list.Append(e)
	}
	return m
}

// fromLibrary is the other way round.
func fromLibrary(m protoreflect.Message) *Report {
	f := m.Descriptor().Fields()
	get := func(name string) protoreflect.Value { return m.Get(f.ByName(protoreflect.Name(name))) }
	stamp := func(name string) time.Time {
		if !m.Has(f.ByName(protoreflect.Name(name))) {
			return time.Time{}
		}
		s := get(name).Message()
		of := s.Descriptor().Fields()
		return time.Unix(s.Get(of.ByName("seconds")).Int(), s.Get(of.ByName("nanos")).Int()).UTC()
	}
	real := func(name string) float64 {
		if !m.Has(f.ByName(protoreflect.Name(name))) {
			return math.NaN()
		}
		return get(name).Float()
	}
	r := &Report{ID: get("id").String(), Device: get("device").String(), VIN: get("vin").String(), Time: stamp("time"), Received: stamp("received"),
		OdometerKm: real("odometer_km"), EngineHours: real("engine_hours"), Messages: []Message{}}
	r.Bus, _ = series.ParseBus(get("bus").String())
	list := get("messages").List()
	for i := range list.Len() {
		e := list.Get(i).Message()
		of := e.Descriptor().Fields()
		x := Message{From: e.Get(of.ByName("from")).String(), PGN: series.None, Data: e.Get(of.ByName("data")).Bytes()}
		if e.Has(of.ByName("pgn")) {
			x.PGN = int32(e.Get(of.ByName("pgn")).Uint())
		}
		r.Messages = append(r.Messages, x)
	}
	return r
}

func drawReport(t *rapid.T) *Report {
	stamp := func(name string) time.Time {
		return time.Unix(rapid.Int64Range(stampFirst, stampLast).Draw(t, name), rapid.Int64Range(1, 999_999_999).Draw(t, name+" ns")).UTC()
	}
	real := func(name string) float64 {
		return rapid.OneOf(rapid.Just(math.NaN()), rapid.Just(0.0), rapid.Just(math.Copysign(0, -1)), rapid.Float64()).Draw(t, name)
	}
	r := &Report{
		ID:     rapid.StringN(1, 40, 256).Draw(t, "id"),
		Device: rapid.StringMatching(`[A-Za-z0-9_-]{1,64}`).Draw(t, "device"),
		VIN:    rapid.StringMatching(`([A-Z0-9]{17})?`).Draw(t, "vin"),
		Time:   stamp("time"), Bus: series.Bus(rapid.IntRange(int(series.CAN), int(series.UDS)).Draw(t, "bus")),
		OdometerKm: real("odometer"), EngineHours: real("hours"),
	}
	if rapid.Bool().Draw(t, "relayed") {
		r.Received = stamp("received")
	}
	r.Messages = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Message {
		return Message{
			From: rapid.SampledFrom([]string{"", "7E8", "18DAF110", "00", "x"}).Draw(t, "from"),
			PGN:  rapid.OneOf(rapid.Just(series.None), rapid.Int32Range(0, maxPGN)).Draw(t, "pgn"),
			Data: rapid.SliceOfN(rapid.Byte(), 0, 200).Draw(t, "data"),
		}
	}), 0, 12).Draw(t, "messages")
	return r
}

var same = cmp.Options{cmpopts.EquateNaNs(), cmpopts.EquateEmpty()}

// The library for protocol buffers, given the published schema, is the oracle in both directions; the JSON
// form says the same and has the same digest.
func TestProto_Library(t *testing.T) {
	d := descriptor(t)
	rapid.Check(t, func(t *rapid.T) {
		want := drawReport(t)
		theirs, err := proto.MarshalOptions{Deterministic: rapid.Bool().Draw(t, "deterministic")}.Marshal(byLibrary(d, want))
		if err != nil {
			t.Fatal(err)
		}
		got, err := Parse(theirs)
		if err != nil {
			t.Fatalf("%x: %v", theirs, err)
		}
		if diff := cmp.Diff(want, got, same); diff != "" {
			t.Fatalf("library to Parse: %s", diff)
		}
		ours, err := want.EncodeProto()
		if err != nil {
			t.Fatal(err)
		}
		m := dynamicpb.NewMessage(d)
		if err := proto.Unmarshal(ours, m); err != nil {
			t.Fatalf("%x: %v", ours, err)
		}
		if diff := cmp.Diff(want, fromLibrary(m), same); diff != "" {
			t.Fatalf("EncodeProto to library: %s", diff)
		}
		if len(m.GetUnknown()) > 0 {
			t.Fatalf("the library does not know %x", m.GetUnknown())
		}
		text, err := want.Encode()
		if err != nil {
			t.Fatal(err)
		}
		said, err := Parse(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if diff := cmp.Diff(want, said, same); diff != "" {
			t.Fatalf("JSON: %s", diff)
		}
		if want.Digest() != got.Digest() || want.Digest() != said.Digest() {
			t.Fatalf("digests %x, protobuf %x, JSON %x", want.Digest(), got.Digest(), said.Digest())
		}
	})
}

// Whatever the order of the fields, however often they come and whatever stands between them: what the
// library reads is what Parse reads.
func TestProto_AnyOrder(t *testing.T) {
	d := descriptor(t)
	rapid.Check(t, func(t *rapid.T) {
		var parts [][]byte
		split := func(b []byte) {
			if err := walkRaw(b, func(field []byte) { parts = append(parts, field) }); err != nil {
				t.Fatal(err)
			}
		}
		for range rapid.IntRange(1, 3).Draw(t, "reports") {
			b, err := drawReport(t).EncodeProto()
			if err != nil {
				t.Fatal(err)
			}
			split(b)
		}
		for range rapid.IntRange(0, 5).Draw(t, "unknown") {
			num := protowire.Number(rapid.SampledFrom([]int{1, 11, 14, 15, 16, 300, int(protowire.MaxValidNumber)}).Draw(t, "number"))
			var b []byte
			switch rapid.IntRange(0, 4).Draw(t, "wire") {
			case 0:
				b = protowire.AppendVarint(protowire.AppendTag(nil, num, protowire.VarintType), rapid.Uint64().Draw(t, "n"))
			case 1:
				b = protowire.AppendFixed32(protowire.AppendTag(nil, num, protowire.Fixed32Type), 5)
			case 2:
				b = protowire.AppendFixed64(protowire.AppendTag(nil, num, protowire.Fixed64Type), 5)
			case 3:
				b = protowire.AppendBytes(protowire.AppendTag(nil, num, protowire.BytesType), rapid.SliceOf(rapid.Byte()).Draw(t, "bytes"))
			case 4:
				b = protowire.AppendTag(protowire.AppendVarint(protowire.AppendTag(protowire.AppendTag(nil, num, protowire.StartGroupType), 2, protowire.VarintType), 9), num, protowire.EndGroupType)
			}
			parts = append(parts, b)
		}
		parts = rapid.Permutation(parts).Draw(t, "order")
		// The first byte decides: nothing of a later version may begin with one that JSON begins with.
		if first := parts[0][0]; first == '{' || first == '\n' || first == ' ' || first == '\t' || first == '\r' {
			parts = append([][]byte{protowire.AppendString(protowire.AppendTag(nil, protoVIN, protowire.BytesType), "")}, parts...)
		}
		payload := bytes.Join(parts, nil)
		m := dynamicpb.NewMessage(d)
		if err := proto.Unmarshal(payload, m); err != nil {
			t.Fatalf("%x: %v", payload, err)
		}
		got, err := Parse(payload)
		if err != nil {
			t.Fatalf("%x: %v", payload, err)
		}
		if diff := cmp.Diff(fromLibrary(m), got, same); diff != "" {
			t.Fatalf("%x: %s", payload, diff)
		}
	})
}

// walkRaw hands out whole fields, tag and all.
func walkRaw(b []byte, field func([]byte)) error {
	for len(b) > 0 {
		_, _, n := protowire.ConsumeField(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		field(b[:n])
		b = b[n:]
	}
	return nil
}

// wire writes fields by hand: "2:abc" length-delimited, "7#8 bytes of hex" 64 bits, "4=5" varint, "9^4 bytes of hex" 32 bits;
// nested in brackets: "10:[1:7E8 3:x'41']".
func wire(t testing.TB, text string) []byte {
	t.Helper()
	b, rest := wireUntil(t, text)
	if rest != "" {
		t.Fatalf("%q is left", rest)
	}
	return b
}

func wireUntil(t testing.TB, text string) (b []byte, rest string) {
	for text != "" && text[0] != ']' {
		i := strings.IndexAny(text, ":#=^")
		num, err := strconv.Atoi(strings.TrimSpace(text[:i]))
		if err != nil {
			t.Fatal(err)
		}
		op := text[i]
		text = text[i+1:]
		if op == ':' && strings.HasPrefix(text, "[") {
			var in []byte
			in, text = wireUntil(t, text[1:])
			b = protowire.AppendBytes(protowire.AppendTag(b, protowire.Number(num), protowire.BytesType), in)
			text = strings.TrimLeft(text[1:], " ")
			continue
		}
		end := strings.IndexAny(text+" ", " ]")
		value := text[:end]
		text = strings.TrimLeft(text[end:], " ")
		raw := []byte(value)
		if x, is := strings.CutPrefix(value, "x'"); is || op == '#' || op == '^' {
			if raw, err = hex.DecodeString(strings.TrimSuffix(x, "'")); err != nil {
				t.Fatal(err)
			}
		}
		switch op {
		case ':':
			b = protowire.AppendBytes(protowire.AppendTag(b, protowire.Number(num), protowire.BytesType), raw)
		case '=':
			n, err := strconv.ParseInt(value, 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			b = protowire.AppendVarint(protowire.AppendTag(b, protowire.Number(num), protowire.VarintType), uint64(n))
		case '#':
			b = append(protowire.AppendTag(b, protowire.Number(num), protowire.Fixed64Type), raw...)
		case '^':
			b = append(protowire.AppendTag(b, protowire.Number(num), protowire.Fixed32Type), raw...)
		}
	}
	return b, text
}

// minimal is the least there can be, as bytes written out by hand from the encoding's rules (tag = number<<3
// | wire type; protobuf.dev, "Encoding"): id "a", device "d", time 1772432049 s = 2026-03-02T06:14:09Z, bus
// "can", one message from 7E8 with 41 2F 80.
const minimal = "12 01 61" + "1A 01 64" + "22 06 08 B1 D5 94 CD 06" + "2A 03 63 61 6E" + "52 0A 0A 03 37 45 38 1A 03 41 2F 80"

func TestProto_Bytes(t *testing.T) {
	payload, err := hex.DecodeString(strings.ReplaceAll(minimal, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	want := &Report{ID: "a", Device: "d", Time: time.Date(2026, 3, 2, 6, 14, 9, 0, time.UTC), Bus: series.CAN, OdometerKm: math.NaN(), EngineHours: math.NaN(),
		Messages: []Message{{From: "7E8", PGN: series.None, Data: []byte{0x41, 0x2F, 0x80}}}}
	got, err := Parse(payload)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got, same); diff != "" {
		t.Error(diff)
	}
	b, err := want.EncodeProto()
	if err != nil || !bytes.Equal(b, payload) {
		t.Errorf("%X, %v; want %X", b, err, payload)
	}
	clear(payload)
	if diff := cmp.Diff(want, got, same); diff != "" {
		t.Errorf("the report changes with the payload it was read from: %s", diff)
	}
}

func TestProto_Failure(t *testing.T) {
	const valid = "2:a 3:d 4:[1=1772432049] 5:can "
	for _, c := range []struct{ name, in, field, says string }{
		{"no id", "3:d 4:[1=1] 5:can", "id", "not given"},
		{"empty id", valid + "2:", "id", "not given"}, // the last one counts
		{"no device", "2:a 4:[1=1] 5:can", "device", "not given"},
		{"no time", "2:a 3:d 5:can", "time", "not given"},
		{"no bus", "2:a 3:d 4:[1=1]", "bus", "not given"},
		{"id as varint", "2=5 3:d", "id", "a varint: want length-delimited"},
		{"id as 64 bits", "2#0000000000000000 3:d", "id", "64 bits: want length-delimited"},
		{"device as 32 bits", "2:a 3^00000000", "device", "32 bits"},
		{"time as varint", "2:a 4=1772432049", "time", "a varint: want length-delimited"},
		{"time with wrong parts", "2:a 4:[1:x]", "time", "field 1 of the time is length-delimited: want a varint"},
		{"time cut", "2:a 4:x'08'", "time", "not a time"},
		{"bus as number", "2:a 5=1", "bus", "want length-delimited"},
		{"unknown bus", "2:a 5:tram", "bus", "unknown bus"},
		{"odometer as text", valid + "7:48211", "odometer_km", "length-delimited: want 64 bits"},
		{"odometer as float", valid + "7^00000000", "odometer_km", "32 bits: want 64 bits"},
		{"odometer packed", valid + "7:x'0000000000000000'", "odometer_km", "length-delimited: want 64 bits"},
		{"hours without end", valid + "8#000000000000f07f", "engine_hours", "+Inf: want a number"},
		{"messages as varint", valid + "10=5", "messages", "want length-delimited"},
		{"VIN no text", valid + "6:x'ff'", "vin", "not valid UTF-8"},
		{"year 10000", "2:a 3:d 4:[1=253402300800] 5:can", "time", "years 1 to 9999"},
		{"year 0", "2:a 3:d 4:[1=-62135596801] 5:can", "time", "years 1 to 9999"},
		{"negative nanoseconds", "2:a 3:d 4:[1=1 2=-1] 5:can", "time", "0 to 999999999"},
		{"a second of nanoseconds", "2:a 3:d 4:[1=1 2=1000000000] 5:can", "time", "0 to 999999999"},
		{"received", valid + "9:[2=-5]", "received", "0 to 999999999"},
		{"long id", valid + "2:" + strings.Repeat("x", 257), "id", "257 bytes"},
		{"device name", valid + "3:d.1", "device", "want 1 to 64"},
		{"many messages", valid + strings.Repeat("10: ", MaxMessages+1), "messages", "more than 4096"},
		{"nothing of ours", "1:x 77=5", "", "no field of a report"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Parse(wire(t, c.in))
			if err == nil {
				t.Fatal("no error")
			}
			var field *FieldError
			if errors.As(err, &field) != (c.field != "") || field != nil && field.Field != c.field {
				t.Errorf("%v: want field %q", err, c.field)
			}
			if field != nil && (r == nil || r.ID == "" && strings.HasPrefix(c.in, "2:a") && c.field != "id") {
				t.Errorf("%v: what could be read is not kept: %+v", err, r)
			}
			if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v: does not say %q", err, c.says)
			}
		})
	}
	whole := wire(t, valid+"10:[3:x'41']")
	for n := 1; n < len(whole); n++ { // cut anywhere: no panic, and nothing read from behind the end
		r, err := Parse(whole[:n])
		if err == nil && len(r.Messages) == 1 {
			t.Errorf("%x reads as the whole", whole[:n])
		}
	}
	for _, raw := range []string{"\x00", "\x12\x05a", "\x12\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01", "\x14", "\x13", "\x17", "text that is none", "[]"} {
		if r, err := Parse([]byte(raw)); err == nil || r != nil || !strings.Contains(err.Error(), "neither JSON") {
			t.Errorf("%q: %v, %v", raw, r, err)
		}
	}
}

// One element that is no message keeps its place and its bytes, and spoils nothing else.
func TestProto_BadElement(t *testing.T) {
	const head = "2:a 3:d 4:[1=1772432049] 5:can "
	elements := []struct{ in, fault string }{
		{"10:[1:7E8 3:x'41']", ""},
		{"10:[1:7E9 2=262144 3:x'41']", "not a message: pgn 262144, want a whole number from 0 to 262143"},
		{"10:[2:x'0a' 3:x'41']", "not a message: pgn is length-delimited, want a varint"}, // packed
		{"10:[2=4294967296 3:x'41']", "not a message: pgn 4294967296, want a whole number from 0 to 262143"},
		{"10:[1:7E8 3=65]", "not a message: data is a varint, want length-delimited"},
		{"10:[1=7 3:x'41']", "not a message: from is a varint, want length-delimited"},
		{"10:[1:x'ff' 3:x'41']", `not a message: from "\xff" is not valid UTF-8`},
		{"10:x'1a05'", "not a message: byte 0, field 3: unexpected EOF"},
		{"10:[]", ""}, // an empty message: the decoder says so
		{"10:[2=0 3:x'00' 9:more]", ""},
	}
	var in strings.Builder
	in.WriteString(head)
	for _, e := range elements {
		in.WriteString(e.in + " ")
	}
	r, err := Parse(wire(t, in.String()))
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Messages) != len(elements) {
		t.Fatalf("%d messages", len(r.Messages))
	}
	for i, m := range r.Messages {
		if m.Fault != elements[i].fault {
			t.Errorf("%s: %q, want %q", elements[i].in, m.Fault, elements[i].fault)
		}
		raw := wire(t, elements[i].in)
		_, _, n := protowire.ConsumeTag(raw)
		raw, _ = protowire.ConsumeBytes(raw[n:])
		if m.Fault != "" && (!bytes.Equal(m.Raw, raw) || m.Data != nil) {
			t.Errorf("%s: kept %x and %x", elements[i].in, m.Raw, m.Data)
		}
	}
	if last := r.Messages[len(r.Messages)-1]; last.PGN != 0 || !bytes.Equal(last.Data, []byte{0}) {
		t.Errorf("%+v", last)
	}
}

// A dongle that sends a report again in the other form sends the same report. The quiet parts too: no
// fraction of a second, a VIN in small letters, an unknown number that is "not a number".
func TestDigest_BothForms(t *testing.T) {
	a, err := Parse([]byte(full))
	if err != nil {
		t.Fatal(err)
	}
	b, err := Parse(wire(t, "10:[1:7E8 3:x'414100076504'] 10:[1:00 2=41984 3:x'f7aa0c10'] 9:[1=5] 8#"+le64(1830.5)+" 7#"+le64(48211.4)+
		" 6:9zztest74ra000123 5:can 4:[1=1772432049] 3:dgl-0217 2:b1c0"))
	if err != nil {
		t.Fatal(err)
	}
	if a.Digest() != b.Digest() {
		t.Errorf("JSON %x, protobuf %x", a.Digest(), b.Digest())
	}
	halves, err := Parse(wire(t, "4:[1=1772432049] 2:a 3:d 5:can 4:[2=5]")) // of two times, the parts are merged
	if err != nil || !halves.Time.Equal(time.Unix(1772432049, 5)) {
		t.Errorf("%+v, %v", halves, err)
	}
	nan, err := Parse(wire(t, "2:a 3:d 4:[1=1] 5:can 7#"+le64(math.NaN())))
	if err != nil || !math.IsNaN(nan.OdometerKm) {
		t.Errorf("%+v, %v", nan, err)
	}
}

func le64(v float64) string {
	return fmt.Sprintf("%x", protowire.AppendFixed64(nil, math.Float64bits(v)))
}

func TestEncodeProto_Failure(t *testing.T) {
	good := func() *Report {
		r, err := Parse([]byte(full))
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for says, spoil := range map[string]func(*Report){
		"device":              func(r *Report) { r.Device = "a b" },
		"required":            func(r *Report) { r.ID = "" },
		"years 1 to 9999":     func(r *Report) { r.Time = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) },
		"\"received\"":        func(r *Report) { r.Received = time.Date(0, 1, 1, 0, 0, 0, 0, time.UTC) },
		"want a number":       func(r *Report) { r.EngineHours = math.Inf(1) },
		"UTF-8":               func(r *Report) { r.Messages[0].From = "\xff" },
		"257 bytes":           func(r *Report) { r.VIN = strings.Repeat("x", 257) },
		"0 to 262143":         func(r *Report) { r.Messages[1].PGN = 262144 },
		"message 1: spoiled":  func(r *Report) { r.Messages[1].Fault = "spoiled" },
		"at most 4096 in":     func(r *Report) { r.Messages = make([]Message, MaxMessages+1) },
		"messages in 1048":    func(r *Report) { r.Messages[0].Data = make([]byte, MaxBytes) },
		"field \"messages\":": func(r *Report) { r.Messages = nil },
	} {
		r := good()
		spoil(r)
		b, err := r.EncodeProto()
		if err == nil || b != nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%x, %v: does not say %q", b, err, says)
		}
	}
}

func FuzzParseProto(f *testing.F) {
	whole, err := hex.DecodeString(strings.ReplaceAll(minimal, " ", ""))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Add(wire(f, "2:a 3:d 4:[1=1 2=5] 5:j1939 7#0000000000000000 8#000000000000f07f 9:[1=5] 10:[1:00 2=41984 3:x'f7aa0c10'] 10:[2:x'0a'] 10: 300=5"))
	d := descriptor(f)
	f.Fuzz(func(t *testing.T, in []byte) {
		if trimmed := bytes.TrimLeft(in, " \t\r\n"); len(trimmed) > 0 && trimmed[0] == '{' {
			return // JSON
		}
		r, err := Parse(in)
		if err != nil {
			var field *FieldError
			if (r != nil) != errors.As(err, &field) {
				t.Fatalf("report %v beside %v", r, err)
			}
			return
		}
		size := 0
		for _, m := range r.Messages {
			size += len(m.Data) + len(m.Raw) + len(m.From)
			if m.Fault != "" {
				return
			}
		}
		if size > len(in) || len(r.Messages) > MaxMessages || !DeviceName(r.Device) || r.ID == "" || r.Bus == series.BusUnknown {
			t.Fatalf("unusable, or more than was sent: %+v", r)
		}
		// What Parse takes, the library takes, and reads the same, but for what only we set right.
		m := dynamicpb.NewMessage(d)
		if err := proto.Unmarshal(in, m); err != nil {
			t.Fatalf("the library does not take it: %v", err)
		}
		want := fromLibrary(m)
		want.VIN = strings.ToUpper(strings.TrimSpace(want.VIN))
		for _, p := range []*time.Time{&want.Time, &want.Received} {
			if m.Has(d.Fields().ByName("received")) && p == &want.Received || p == &want.Time {
				if p.IsZero() {
					*p = p.Add(time.Nanosecond)
				}
			}
		}
		if diff := cmp.Diff(want, r, same); diff != "" {
			t.Fatal(diff)
		}
		b, err := r.EncodeProto()
		if err != nil {
			t.Fatal(err)
		}
		back, err := Parse(b)
		if err != nil {
			t.Fatalf("%x: %v", b, err)
		}
		if diff := cmp.Diff(r, back, same); diff != "" {
			t.Fatal(diff)
		}
		if back.Digest() != r.Digest() {
			t.Fatal("digest changed")
		}
	})
}
