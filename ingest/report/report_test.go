package report

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/klauspost/compress/zstd"

	"marginline/ingest/series"
)

// full is a report with every field. Its VIN is invented and its check digit holds (49 CFR 565).
const full = `{"id":"b1c0","device":"dgl-0217","vin":"9ZZTEST74RA000123","time":"2026-03-02T06:14:09Z",
 "bus":"can","odometer_km":48211.4,"engine_hours":1830.5,"received":"2026-03-02T06:15:00.25+01:00",
 "messages":[{"from":"7E8","data":"41 41 00 07 65 04"},{"from":"00","pgn":41984,"data":"F7AA0C10"}]}`

func TestParse(t *testing.T) {
	got, err := Parse([]byte(full))
	if err != nil {
		t.Fatal(err)
	}
	want := &Report{
		ID: "b1c0", Device: "dgl-0217", VIN: "9ZZTEST74RA000123",
		Time:     time.Date(2026, 3, 2, 6, 14, 9, 0, time.UTC),
		Received: time.Date(2026, 3, 2, 5, 15, 0, 250e6, time.UTC),
		Bus:      series.CAN, OdometerKm: 48211.4, EngineHours: 1830.5,
		Messages: []Message{
			{From: "7E8", PGN: series.None, Data: []byte{0x41, 0x41, 0x00, 0x07, 0x65, 0x04}},
			{From: "00", PGN: 41984, Data: []byte{0xF7, 0xAA, 0x0C, 0x10}},
		},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestParse_Absent(t *testing.T) {
	got, err := Parse([]byte(`{"id":"a","device":"d","time":"0001-01-01T00:00:00Z","bus":"uds","messages":[],"vin":null,"odometer_km":null,"later":{"x":[1]}}`))
	if err != nil {
		t.Fatal(err)
	}
	if got.VIN != "" || !math.IsNaN(got.OdometerKm) || !math.IsNaN(got.EngineHours) || !got.Received.IsZero() || len(got.Messages) != 0 {
		t.Errorf("absent fields: %+v", got)
	}
	if got.Time.Year() != 1 {
		t.Errorf("a clock that never ran reads %v", got.Time)
	}
}

func TestParse_Failure(t *testing.T) {
	valid := `"id":"a","device":"d","time":"2026-03-02T06:14:09Z","bus":"can","messages":[]`
	for _, c := range []struct{ name, in, field, says string }{
		{"empty", "", "", "empty"},
		{"blank", " \n", "", "empty"},
		{"protobuf", "\x0a\x04b1c0", "", "protobuf"},
		{"array", "[]", "", "protobuf"},
		{"cut", full[:60], "", "JSON near byte"},
		{"cut in messages", full[:len(full)-4], "", "JSON near byte"},
		{"two objects", "{" + valid + "}{}", "", "more text"},
		{"NUL after", "{" + valid + "}\x00", "", "more text"},
		{"deep", "{" + valid + `,"x":` + strings.Repeat("[", 500_000), "", "nested more than"},
		{"twice", `{` + valid + `,"id":"b"}`, "id", "twice"},
		{"other case", strings.Replace("{"+valid+"}", `"id"`, `"ID"`, 1), "id", "not given"},
		{"number as id", `{"id":5}`, "id", "want a string"},
		{"long id", `{"id":"` + strings.Repeat("x", 257) + `"}`, "id", "257 bytes"},
		{"device", strings.Replace("{"+valid+"}", `"d"`, `"d.1"`, 1), "device", "want 1 to 64"},
		{"time", strings.Replace("{"+valid+"}", "T06:14:09Z", "", 1), "time", "RFC 3339"},
		{"bus", strings.Replace("{"+valid+"}", `"can"`, `"canfd"`, 1), "bus", "unknown bus"},
		{"odometer", "{" + valid + `,"odometer_km":"1"}`, "odometer_km", "want a number"},
		{"messages", strings.Replace("{"+valid+"}", `[]`, `{"a":[{}]}`, 1), "messages", "want an array"},
		{"messages number", strings.Replace("{"+valid+"}", `[]`, `7`, 1), "messages", "want an array"},
		{"many messages", strings.Replace("{"+valid+"}", `[]`, "["+strings.Repeat("{},", MaxMessages)+"{}]", 1), "messages", "more than 4096"},
		{"big", "{" + strings.Repeat(" ", MaxBytes) + "}", "", "at most 1048576"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse([]byte(c.in))
			if err == nil {
				t.Fatal("no error")
			}
			var field *FieldError
			if errors.As(err, &field) != (c.field != "") || field != nil && field.Field != c.field {
				t.Errorf("%v: want field %q", err, c.field)
			}
			if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v: does not say %q", err, c.says)
			}
		})
	}
}

// Every field that the schema requires is required by Parse, and only those; what could be read is kept.
func TestSchema(t *testing.T) {
	var schema struct {
		Required   []string                   `json:"required"`
		Properties map[string]json.RawMessage `json:"properties"`
	}
	if err := json.Unmarshal(Schema, &schema); err != nil {
		t.Fatal(err)
	}
	for name := range schema.Properties {
		fields := map[string]json.RawMessage{}
		if err := json.Unmarshal([]byte(full), &fields); err != nil {
			t.Fatal(err)
		}
		if _, ok := fields[name]; !ok {
			t.Errorf("%s: in the schema, not in the full report", name)
		}
		delete(fields, name)
		text, _ := json.Marshal(fields)
		r, err := Parse(text)
		var field *FieldError
		missing := errors.As(err, &field) && field.Missing && field.Field == name
		required := false
		for _, s := range schema.Required {
			required = required || s == name
		}
		if missing != required {
			t.Errorf("without %s: %v; the schema says required %v", name, err, required)
		}
		if r == nil || name != "id" && r.ID != "b1c0" || name != "device" && r.Device != "dgl-0217" {
			t.Errorf("without %s: kept %+v", name, r)
		}
	}
}

// One element that is no message keeps its place and spoils nothing else.
func TestParse_BadElement(t *testing.T) {
	r, err := Parse([]byte(`{"id":"a","device":"d","time":"2026-03-02T06:14:09Z","bus":"can","messages":[
		{"from":"7E8","data":"41"}, 5, {"data":7}, {"from":"7E9"}, {"pgn":262144,"data":"00"}, {"pgn":1.5,"data":"00"}, {"data":"zz"}, {"data":"41","data":"42"}]}`))
	if err != nil {
		t.Fatal(err)
	}
	var faults []string
	for _, m := range r.Messages {
		faults = append(faults, m.Fault)
	}
	want := []string{"", "not a message: a number, want an object", `not a message: field "data": a number: want a string`, "not a message: no data",
		"not a message: pgn 262144, want a whole number from 0 to 262143", "not a message: pgn 1.5, want a whole number from 0 to 262143", `hex: 'z' at place 0 is no digit`,
		"not a message: data given twice"}
	if diff := cmp.Diff(want, faults); diff != "" {
		t.Error(diff)
	}
	if string(r.Messages[2].Raw) != `{"data":7}` || string(r.Messages[6].Raw) != "zz" || r.Messages[3].From != "7E9" {
		t.Errorf("what was sent is not kept: %+v", r.Messages)
	}
}

func TestDigest(t *testing.T) {
	parse := func(s string) uint64 {
		t.Helper()
		r, err := Parse([]byte(s))
		if err != nil {
			t.Fatal(err)
		}
		return r.Digest()
	}
	base := parse(full)
	for _, same := range []string{
		strings.ReplaceAll(full, "41 41 00 07 65 04", "414100 076504"),
		strings.ReplaceAll(full, "F7AA0C10", "f7aa0c10"),
		strings.ReplaceAll(full, `"received":"2026-03-02T06:15:00.25+01:00",`, ""),
		strings.ReplaceAll(full, "06:14:09Z", "07:14:09+01:00"),
		strings.ReplaceAll(full, "48211.4", "4.82114e4"),
		strings.Replace(full, "{", `{"later":1,`, 1),
	} {
		if parse(same) != base {
			t.Errorf("says the same, has another digest: %s", same)
		}
	}
	for _, other := range []string{
		strings.ReplaceAll(full, "65 04", "65 05"),
		strings.ReplaceAll(full, "7E8", "7E9"),
		strings.ReplaceAll(full, "41984", "41985"),
		strings.ReplaceAll(full, "48211.4", "48211.5"),
		strings.ReplaceAll(full, `"can"`, `"uds"`),
		strings.ReplaceAll(full, "06:14:09Z", "06:14:10Z"),
		strings.ReplaceAll(full, "A000123", "A000124"),
		strings.ReplaceAll(full, `"engine_hours":1830.5,`, ""),
	} {
		if parse(other) == base {
			t.Errorf("says something else, has the same digest: %s", other)
		}
	}
	// What is no hex is not the bytes that are written so.
	if hold := func(data string) uint64 { return parse(strings.ReplaceAll(full, "41 41 00 07 65 04", data)) }; hold("7A7A") == hold("zz") {
		t.Error("a message has the digest of a text that is none")
	}
	// Fixed values: lakes written yesterday hold them.
	r, err := Parse([]byte(full))
	if err != nil {
		t.Fatal(err)
	}
	if earlier := r.EarlierDigest(); base != 0x1fd62f41447685f2 || earlier != 0x4d5519c8f1a677e3 {
		t.Errorf("digests %#x, %#x: stored ones would no longer match", base, earlier)
	}
}

func TestEncode(t *testing.T) {
	r, err := Parse([]byte(full))
	if err != nil {
		t.Fatal(err)
	}
	text, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	back, err := Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(r, back); diff != "" {
		t.Error(diff)
	}
	r.Device = "a b"
	if _, err := r.Encode(); err == nil || !strings.Contains(err.Error(), "device") {
		t.Errorf("encoded a device name nobody can publish under: %v", err)
	}
	if _, err := (&Report{ID: "x"}).Encode(); err == nil {
		t.Error("encoded an incomplete report")
	}
}

func TestReader(t *testing.T) {
	one := strings.ReplaceAll(full, "\n", "")
	plain := "\xEF\xBB\xBF" + one + "\r\n\n{\"id\":\n" + strings.Repeat("x", MaxBytes+10) + "\n" + one
	var zipped, zst bytes.Buffer
	g := gzip.NewWriter(&zipped)
	io.WriteString(g, plain[:100])
	g.Close()
	g.Reset(&zipped) // a second member, as from files joined end to end
	io.WriteString(g, plain[100:])
	g.Close()
	z, err := zstd.NewWriter(&zst)
	if err != nil {
		t.Fatal(err)
	}
	io.WriteString(z, plain)
	z.Close()
	for name, in := range map[string][]byte{"plain": []byte(plain), "gzip": zipped.Bytes(), "zstd": zst.Bytes()} {
		t.Run(name, func(t *testing.T) {
			r, err := NewReader(bytes.NewReader(in))
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			var got []string
			for {
				rep, err := r.Read()
				var bad *LineError
				switch {
				case errors.Is(err, io.EOF) && !errors.As(err, &bad):
					want := []string{"b1c0", "line 3: JSON near byte 6: unexpected EOF", "line 4: 1048586 bytes: at most 1048576", "b1c0"}
					if diff := cmp.Diff(want, got); diff != "" {
						t.Error(diff)
					}
					return
				case errors.As(err, &bad):
					got = append(got, err.Error())
				case err != nil:
					t.Fatal(err)
				default:
					got = append(got, rep.ID)
				}
			}
		})
	}
	cut := zipped.Bytes()[:zipped.Len()-20]
	r, err := NewReader(bytes.NewReader(cut))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for err == nil || errors.As(err, new(*LineError)) && !errors.Is(err, io.ErrUnexpectedEOF) {
		_, err = r.Next()
	}
	if errors.Is(err, io.EOF) || !strings.Contains(err.Error(), "after line") {
		t.Errorf("a file that ends early reads as complete: %v", err)
	}
}

// What the scanner takes for JSON is what the standard library takes for JSON.
func FuzzScanner(f *testing.F) {
	for _, s := range []string{full, `{"a":[1,-0.5e+10,true,false,null,"\u00e9\n",{}]}`, `[01]`, `[1.]`, `["\x"]`, "[\"\x01\"]", `[1,]`, `{"a":1,}`, `{"a"}`, `-`, `"\u12"`, ` 1 `, `nul`, `[}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		s := scanner{text: in}
		value, err := s.value()
		valid := err == nil && s.next() == 0 && s.at == len(in)
		if valid != json.Valid(in) && !errors.Is(err, errTooDeep) {
			t.Fatalf("%q: valid %v, %v", in, valid, err)
		}
		if valid && value[0] == '"' {
			var want string
			json.Unmarshal(in, &want)
			if got, err := unquote(value); err != nil || string(got) != want {
				t.Fatalf("%q: %q, %v", in, got, err)
			}
		}
	})
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(full))
	f.Add([]byte(`{"id":"a","device":"d","time":"2026-03-02T06:14:09+23:59","bus":"j1939","messages":[{"pgn":null,"data":""},{},[]]}`))
	f.Add([]byte(`{"messages":{"a":[]}}`))
	f.Fuzz(func(t *testing.T, in []byte) {
		r, err := Parse(in)
		if err != nil {
			var field *FieldError
			if (r != nil) != errors.As(err, &field) {
				t.Fatalf("report %v beside %v", r, err)
			}
			return
		}
		if !DeviceName(r.Device) || r.ID == "" || r.Bus == series.BusUnknown || len(r.Messages) > MaxMessages {
			t.Fatalf("unusable: %+v", r)
		}
		for _, m := range r.Messages {
			if m.Fault != "" {
				return
			}
		}
		text, err := r.Encode()
		if err != nil {
			if len(in) < MaxBytes/8 && r.Time.Year() <= 9999 {
				t.Fatal(err)
			}
			return
		}
		back, err := Parse(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if diff := cmp.Diff(r, back, cmpopts.EquateNaNs()); diff != "" {
			t.Fatal(diff)
		}
		if back.Digest() != r.Digest() {
			t.Fatal("digest changed")
		}
		for _, at := range []time.Time{r.Time, r.Received} { // what a Timestamp cannot say
			if at.Unix() < stampFirst || at.Unix() > stampLast {
				return
			}
		}
		b, err := r.EncodeProto()
		if err != nil {
			t.Fatal(err)
		}
		if back, err = Parse(b); err != nil {
			t.Fatalf("%x: %v", b, err)
		}
		if diff := cmp.Diff(r, back, cmpopts.EquateNaNs(), cmpopts.EquateEmpty()); diff != "" {
			t.Fatal(diff)
		}
		if back.Digest() != r.Digest() {
			t.Fatal("another digest in protobuf")
		}
	})
}

func BenchmarkParse(b *testing.B) {
	in := []byte(full)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := Parse(in)
		if err != nil {
			b.Fatal(err)
		}
		r.Digest()
	}
}
