package obd

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// A fault is a code as the tests draw it: J2012 letter and digits.
func drawCode(t *rapid.T) (text string, word int) {
	letter, digit, rest := rapid.IntRange(0, 3).Draw(t, "letter"), rapid.IntRange(0, 3).Draw(t, "digit"), rapid.IntRange(0, 0xFFF).Draw(t, "rest")
	if letter|digit|rest == 0 {
		rest = 0x420 // P0000 is filling, and no code
	}
	return fmt.Sprintf("%c%d%03X", "PCBU"[letter], digit, rest), letter<<14 | digit<<12 | rest
}

// read decodes one message and writes its codes as kind:code.
func readCodes(t *rapid.T, bus series.Bus, pgn int32, b []byte) (string, *Item) {
	rep := Decode(bus, []Message{{From: "10", PGN: pgn, Data: b}}, nil)
	if len(rep.Items) != 1 || rep.Items[0].Kind != KindCodes || rep.Items[0].ECU != "10" {
		t.Fatalf("%x: %s %v", b, kinds(rep), rep.Errors())
	}
	for _, c := range rep.Codes() {
		if c.ECU != "10" {
			t.Fatalf("%x: code of %q", b, c.ECU)
		}
	}
	return codes(rep), &rep.Items[0]
}

func kinded(kind string, list []string) string {
	var all []string
	for _, c := range list {
		all = append(all, kind+":"+c)
	}
	return strings.Join(all, " ")
}

// Services $03, $07 and $0A: on CAN a count byte and as many codes, before CAN three codes a message, filled
// with 0000, in as many messages as it takes (SAE J1979, from memory).
func TestRoundTripCodes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want []string
		var words []byte
		for range rapid.IntRange(0, 60).Draw(t, "n") {
			text, n := drawCode(t)
			want, words = append(want, text), append(words, byte(n>>8), byte(n))
		}
		service := rapid.SampledFrom([]byte{0x43, 0x47, 0x4A}).Draw(t, "service")
		kind := map[byte]string{0x43: "confirmed", 0x47: "pending", 0x4A: "permanent"}[service]
		for _, bus := range []series.Bus{series.CAN, series.UDS} {
			if got, _ := readCodes(t, bus, series.None, append([]byte{service, byte(len(want))}, words...)); got != kinded(kind, want) {
				t.Fatalf("%s: %s, want %s %v", bus, got, kind, want)
			}
		}
		for _, bus := range []series.Bus{series.J1850, series.ISO9141, series.ISO14230} {
			var got []string
			for rest := words; len(rest) > 0 || got == nil; {
				m := append([]byte{service}, rest[:min(6, len(rest))]...)
				rest = rest[min(6, len(rest)):]
				for len(m) < 7 {
					m = append(m, 0)
				}
				text, _ := readCodes(t, bus, series.None, m)
				got = append(got, strings.Fields(text)...)
				if got == nil {
					break
				}
			}
			if strings.Join(got, " ") != kinded(kind, want) {
				t.Fatalf("%s: %v, want %s %v", bus, got, kind, want)
			}
		}
	})
}

// The answers of service 19 that list codes: three bytes each, the third a failure type (SAE J1979-2 and ISO
// 14229-1, from memory). Status bit 2 is pending, bit 3 confirmed.
func TestRoundTripStatusCodes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var byMask, permanent, byGroup, permanentByGroup []byte
		var want, all []string
		for range rapid.IntRange(0, 30).Draw(t, "n") {
			text, n := drawCode(t)
			kind, status := rapid.Byte().Draw(t, "failure type"), rapid.Byte().Draw(t, "status")
			text = fmt.Sprintf("%s-%02X", text, kind)
			if status&0x08 != 0 {
				want = append(want, "confirmed:"+text)
			}
			if status&0x04 != 0 {
				want = append(want, "pending:"+text)
			}
			all = append(all, text)
			record := []byte{byte(n >> 8), byte(n), kind, status}
			byMask, permanent = append(byMask, record...), append(permanent, record...)
			byGroup = append(append(byGroup, rapid.Byte().Draw(t, "severity")), record...)
			permanentByGroup = append(permanentByGroup, record...)
		}
		for head, c := range map[string]struct {
			body []byte
			want string
		}{
			"\x59\x02\xFF": {byMask, strings.Join(want, " ")}, "\x59\x0A\xFF": {byMask, strings.Join(want, " ")},
			"\x59\x15\xFF": {permanent, kinded("permanent", all)}, "\x59\x42\x33\xFF\xFF\x04": {byGroup, strings.Join(want, " ")},
			"\x59\x55\x33\xFF\x04": {permanentByGroup, kinded("permanent", all)},
		} {
			if got, _ := readCodes(t, series.UDS, series.None, append([]byte(head), c.body...)); got != c.want {
				t.Fatalf("%x: %s, want %s", head, got, c.want)
			}
		}
	})
}

// DM1, DM2, DM6, DM12, DM23 and DM28: four lamps of two bits and their flashing, then codes of four bytes: SPN 19
// bits, FMI 5, conversion method 1, occurrence count 7. A message without codes has one with SPN 0 and FMI 0,
// and a single frame is filled with FF (SAE J1939-73, from memory).
func TestRoundTripTruckCodes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		group := rapid.SampledFrom([]int32{65226, 65227, 65231, 65236, 64949, 64896}).Draw(t, "group")
		kind := map[int32]string{65226: "active", 65227: "previous", 65231: "pending", 65236: "confirmed", 64949: "previous", 64896: "permanent"}[group]
		lamps, flashing := rapid.Byte().Draw(t, "lamps"), rapid.Byte().Draw(t, "flashing")
		b := []byte{lamps, flashing}
		var want []string
		older := 0
		for range rapid.IntRange(0, 20).Draw(t, "n") {
			spn, fmi := rapid.IntRange(0, 1<<19-1).Draw(t, "spn"), rapid.IntRange(0, 31).Draw(t, "fmi")
			method, count := rapid.IntRange(0, 1).Draw(t, "method"), rapid.IntRange(0, 127).Draw(t, "count")
			if spn == 0 && fmi == 0 || spn == 1<<19-1 && fmi == 31 {
				continue
			}
			older += method
			b = append(b, byte(spn&0xFF), byte(spn>>8&0xFF), byte(spn>>16<<5|fmi), byte(method<<7|count))
			want = append(want, fmt.Sprintf("s%d.f%d", spn, fmi))
		}
		if len(want) == 0 {
			b = append(b, 0, 0, 0, 0)
		}
		if len(b) < 8 {
			b = append(b, 0xFF, 0xFF)
		}
		got, it := readCodes(t, series.J1939, group, b)
		if got != kinded(kind, want) || (it.Note != "") != (older > 0) {
			t.Fatalf("%x: %s %q, want %s %v and %d by an older method", b, got, it.Note, kind, want, older)
		}
		for i, name := range []string{"lamp", "red_stop_lamp", "amber_lamp", "protect_lamp"} { // the lamp of the engine stands highest
			on := map[byte]any{0: false, 1: true}[lamps>>(6-2*i)&3]
			if it.Values.Get(name) != on {
				t.Fatalf("%02X: %s %v, want %v", lamps, name, it.Values.Get(name), on)
			}
		}
	})
}

// Answers typed by hand in the layouts of SAE J1979, J1979-2 and J1939-73 (from memory; codes of SAE J2012 /
// ISO 15031-6, from memory: 0420 is P0420, 4123 C0123, C100 U0100).
func TestGoldenCodes(t *testing.T) {
	for _, c := range []struct {
		bus        series.Bus
		data, want string
	}{
		{series.CAN, "7E8 43 02 0420 0301", "confirmed:P0420 confirmed:P0301"},
		{series.CAN, "7E8 47 01 0420", "pending:P0420"},
		{series.CAN, "7E8 4A 00", ""},
		{series.CAN, "7E8 4A 02 20EE 4123", "permanent:P20EE permanent:C0123"},
		{series.J1850, "10 43 0420 0301 0000", "confirmed:P0420 confirmed:P0301"},
		{series.ISO9141, "10 47 C100 0000 0000", "pending:U0100"},
		{series.ISO14230, "10 4A 0000 0000 0000", ""},
		{series.UDS, "7E8 59 42 33 0C FF 04 20 042000 08", "confirmed:P0420-00"},
		{series.UDS, "7E8 59 55 33 0C 04 042000 08", "permanent:P0420-00"},
		{series.J1939, "00/65226 40FF AA0C1001 FFFF", "active:s3242.f16"},
		{series.J1939, "00/65227 00FF AA0C1001 00F0EA02", "previous:s3242.f16 previous:s520192.f10"},
		{series.J1939, "00/65231 00FF 00000000 FFFF", ""},
		{series.J1939, "00/65236 44FF AA0C127F FFFF", "confirmed:s3242.f18"},
		{series.J1939, "00/64949 00FF AA0C1001 FFFF", "previous:s3242.f16"},
		{series.J1939, "00/64896 00FF AA0C1001 FFFF", "permanent:s3242.f16"},
		{series.J1939, "00/64896 00FF 00000000 0000", ""},
	} {
		rep := call(t, c.bus, c.data)
		if kinds(rep) != "codes" || codes(rep) != c.want {
			t.Errorf("%s: %s %q, want %q", c.data, kinds(rep), codes(rep), c.want)
		}
	}
	rep := call(t, series.J1939, "00/65226 44FF AA0C1001 FFFF")
	for name, want := range map[string]any{"lamp": true, "red_stop_lamp": false, "amber_lamp": true, "protect_lamp": false} {
		if got := rep.Items[0].Values.Get(name); got != want {
			t.Errorf("%s %v, want %v", name, got, want)
		}
	}
}
