package obd

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// Response codes of ISO 14229-1 Annex A and SAE J1979 (from memory) and what they come to for whoever asked: no
// support is final, busy and pending are worth another try, conditions pass.
var refused = map[byte]string{
	0x10: "rejected", 0x11: "no_support", 0x12: "no_support", 0x13: "rejected", 0x21: "busy", 0x22: "conditions", 0x31: "no_support", 0x33: "rejected", 0x78: "pending",
}

// 7F service code on CAN; before CAN the data of the request stand between, filled to three bytes, and the code
// is the last byte. A refusal is one item that says so, never a fault, and takes nothing from the answer after it.
func TestRoundTripNegative(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		service, code := rapid.Byte().Draw(t, "service"), rapid.Byte().Draw(t, "code")
		if rapid.Bool().Draw(t, "known") {
			code = rapid.SampledFrom([]byte{0x10, 0x11, 0x12, 0x13, 0x21, 0x22, 0x31, 0x33, 0x78}).Draw(t, "known code")
		}
		reason, known := refused[code]
		if !known && code != 0x7F {
			reason = "other"
		} else if code == 0x7F {
			reason = "conditions"
		}
		older := append(append([]byte{0x7F, service}, rapid.SliceOfN(rapid.Byte(), 0, 4).Draw(t, "request")...), code)
		answer := []byte{0x46, 0x21, 0x89, 0x20, 0x01, 0x40, 0x00, 0x80, 0xFF, 0xFF}
		for _, c := range []struct {
			bus  series.Bus
			data []byte
		}{{series.CAN, []byte{0x7F, service, code}}, {series.UDS, []byte{0x7F, service, code}}, {series.J1850, older}, {series.ISO9141, older}, {series.ISO14230, older}} {
			rep := Decode(c.bus, []Message{{From: "7E8", PGN: series.None, Data: c.data}}, nil)
			if kinds(rep) != "negative" || rep.Items[0].ECU != "7e8" {
				t.Fatalf("%s %x: %s", c.bus, c.data, kinds(rep))
			}
			v := rep.Items[0].Values
			if v.Get("service") != fmt.Sprintf("%02x", service) || v.Get("response_code") != fmt.Sprintf("%02x", code) || v.Get("reason") != reason || v.Get("meaning") == "" {
				t.Fatalf("%s %x: %v, want %s", c.bus, c.data, v, reason)
			}
			if c.bus.Older() {
				continue
			}
			rep = Decode(c.bus, []Message{{From: "7E8", PGN: series.None, Data: c.data}, {From: "7E8", PGN: series.None, Data: answer}}, nil)
			if kinds(rep) != "negative result" || rep.Results()[0].Raw != (series.Raw{Value: 0x140, Min: 0x80, Max: 0xFFFF}) {
				t.Fatalf("%s %x: %s", c.bus, c.data, kinds(rep))
			}
		}
	})
}

// Acknowledgment of SAE J1939-21 (from memory): control byte, group function, two bytes reserved, the address that
// is answered, and the number of the group, low byte first.
func TestRoundTripAcknowledgment(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		control, pgn := rapid.Byte().Draw(t, "control"), rapid.IntRange(0, 1<<18-1).Draw(t, "group")
		b := []byte{control, rapid.Byte().Draw(t, "function"), 0xFF, 0xFF, 0xF9, byte(pgn), byte(pgn >> 8), byte(pgn >> 16)}
		want := map[byte]string{0: "accepted", 1: "no_support", 2: "rejected", 3: "busy"}[control]
		if want == "" {
			want = "other"
		}
		rep := Decode(series.J1939, []Message{{From: "00", PGN: 59392, Data: b}}, nil)
		if kinds(rep) != "negative" || rep.Items[0].Values.Get("pgn") != pgn || rep.Items[0].Values.Get("reason") != want {
			t.Fatalf("%x: %v, want %s", b, rep.Items[0].Values, want)
		}
	})
}

// Refusals typed by hand: ISO 14229-1 on CAN and UDS, SAE J1979 before CAN (from memory).
func TestGoldenNegative(t *testing.T) {
	for _, c := range []struct {
		bus          series.Bus
		data, reason string
	}{
		{series.UDS, "7E8 7F 22 31", "no_support"}, {series.UDS, "7E8 7F 22 78", "pending"}, {series.CAN, "7E8 7F 06 11", "no_support"}, {series.CAN, "7E8 7F 06 21", "busy"},
		{series.CAN, "7E8 7F 09 78", "pending"}, {series.CAN, "7E8 7F 06 22", "conditions"}, {series.CAN, "7E8 7F 06 10", "rejected"}, {series.CAN, "7E8 7F 06 13", "rejected"},
		{series.ISO9141, "10 7F 06 05 00 00 11", "no_support"}, {series.ISO14230, "10 7F 06 21", "busy"}, {series.J1939, "00/59392 01 FF FF FF F9 00 A4 00", "no_support"},
	} {
		rep := call(t, c.bus, c.data)
		if kinds(rep) != "negative" || rep.Items[0].Values.Get("reason") != c.reason {
			t.Errorf("%s: %v, want %s", c.data, rep.Items[0].Values, c.reason)
		}
	}
	// The verification number takes its time: first pending, then the number.
	rep := call(t, series.CAN, "7E8 7F 09 78", "7E8 49 06 01 1A2B3C4D")
	if kinds(rep) != "negative calibration" || list(rep.Items[1].Values.Get("cvn")) != "1A2B3C4D" {
		t.Error(kinds(rep))
	}
}
