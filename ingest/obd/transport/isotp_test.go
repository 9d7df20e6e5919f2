package transport

import (
	"strings"
	"testing"
	"time"
)

// Frames of ISO 15765-2 on the ids of ISO 15765-4 (both from memory). The splits are the worked examples
// of the trade: a request for monitor 21, one record that straddles a frame edge, three tests of one
// monitor, a VIN, a calibration id; the padding differs on purpose.
func TestISO(t *testing.T) {
	for _, c := range []scene{
		{"single, padded", []string{"7E8 03 41 0D 20 55 55 55 55"}, []string{"7E8 410D20"}},
		{"single, not padded", []string{"7E8 03 41 0D 20"}, []string{"7E8 410D20"}},
		{"request", []string{"7DF 02 06 21 55 55 55 55 55"}, nil},
		{"a record straddles the frame edge", []string{
			"7DF 02 06 21 55 55 55 55 55",
			"7E8 10 0A 46 21 89 20 01 40", "7E0 30 00 00 55 55 55 55 55", "7E8 21 00 80 FF FF 55 55 55",
		}, []string{"7E8 4621892001400080FFFF"}},
		{"29-bit ids", []string{
			"18DB33F1 02 06 21 00 00 00 00 00",
			"18DAF110 10 0A 46 21 89 20 01 40", "18DA10F1 30 00 00 AA AA AA AA AA", "18DAF110 21 00 80 FF FF CC CC CC",
		}, []string{"18DAF110 4621892001400080FFFF"}},
		{"28 bytes, three tests", []string{
			"7E8 10 1C 46 01 01 0A 0E 66", "7E8 21 0E 66 0E 66 01 05 10", "7E8 22 00 24 00 00 00 89 01", "7E8 23 86 20 01 40 00 80 FF", "7E8 24 FF 55 55 55 55 55 55",
		}, []string{"7E8 4601010A0E660E660E66010510002400000089018620014000" + "80FFFF"}},
		{"VIN", []string{"7E8 10 14 49 02 01 39 5A 5A", "7E8 21 54 45 53 54 37 34 52", "7E8 22 41 30 30 30 31 32 33"},
			[]string{"7E8 490201395A5A54455354373452413030" + "30313233"}},
		{"calibration id", []string{"7E8 10 13 49 04 01 49 4E 56", "7E8 21 2D 43 41 4C 2D 30 30", "7E8 22 30 37 00 00 00 00 55"},
			[]string{"7E8 490401494E562D43414C2D3030303700000000"}},
		{"refused", []string{"7E8 03 7F 06 12 55 55 55 55"}, []string{"7E8 7F0612"}},
		{"two control units interleaved", []string{
			"7E8 10 0A 46 21 89 20 01 40", "7E9 10 0A 46 3C 96 FE 00 14", "7E9 21 FF 9C 00 C8 AA AA AA", "7E8 21 00 80 FF FF 00 00 00",
		}, []string{"7E9 463C96FE0014FF9C00C8", "7E8 4621892001400080FFFF"}},
		{"flow control: wait keeps it alive", []string{
			"7E8 10 0A 46 21 89 20 01 40", "+900ms", "7E0 31 00 00", "+900ms", "7E0 30 00 00", "7E8 21 00 80 FF FF 55 55 55",
		}, []string{"7E8 4621892001400080FFFF"}},
		{"flow control: overflow ends it", []string{"7E8 10 0A 46 21 89 20 01 40", "7E0 32 00 00"},
			[]string{"7E8 !7E8: given up by one of the two sides (the tester has no room for it, 6 of 10 bytes came) [1 frames]"}},
		{"flow control shows a first frame that was lost", []string{
			"7E8 10 0A 46 21 89 20 01 40", "7E0 30 00 00", "7E0 30 00 00", "7E8 21 00 80 FF FF 55 55 55", "7E8 03 41 0D 20",
		}, []string{"7E8 !7E8: frames lost, repeated or out of order (the tester answers a first frame that is missing) [2 frames]", "7E8 410D20"}},
		{"flow control by blocks", []string{
			"7E8 10 14 49 02 01 39 5A 5A", "7E0 30 01 00", "7E8 21 54 45 53 54 37 34 52", "7E0 30 01 00", "7E8 22 41 30 30 30 31 32 33",
		}, []string{"7E8 490201395A5A5445535437345241303030313233"}},
		{"flow control of another tester's session", []string{"7E8 10 0A 46 21 89 20 01 40", "7E1 32 00 00", "7E8 21 00 80 FF FF 55 55 55"},
			[]string{"7E8 4621892001400080FFFF"}},
		{"flow control of the control unit", []string{"7E8 30 00 00 55 55 55 55 55"}, nil},

		{"a lost frame drops the message, and its rest", []string{
			"7E8 10 1C 46 01 01 0A 0E 66", "7E8 22 00 24 00 00 00 89 01", "7E8 23 86 20 01 40 00 80 FF", "7E8 24 FF 55 55 55 55 55 55", "7E8 03 41 0D 20",
		}, []string{
			"7E8 !7E8: frames lost, repeated or out of order: expected 1, got 2 (consecutive frame) [4 frames]", "7E8 410D20",
		}},
		{"a repeated frame", []string{"7E8 10 14 49 02 01 39 5A 5A", "7E8 21 54 45 53 54 37 34 52", "7E8 21 54 45 53 54 37 34 52", "end"},
			[]string{"7E8 !7E8: frames lost, repeated or out of order: expected 2, got 1 (consecutive frame) [3 frames]"}},
		{"the sequence number wraps", wrapping(1), []string{"7E8 46" + strings.Repeat("01", 6+7*20-1)}},
		{"sixteen lost frames are not one turn of the number", wrapping(17), []string{"7E8 !7E8: the recording ends before the message does (34 of 146 bytes came) [5 frames]"}},
		{"no beginning", []string{"7E8 21 54 45 53 54 37 34 52", "7E8 22 41 30 30 30 31 32 33", "+2s"},
			[]string{"7E8 !7E8: the beginning of the message is missing (consecutive frame 1) [2 frames]"}},
		{"silence", []string{"7E8 10 0A 46 21 89 20 01 40", "+1100ms", "7E8 21 00 80 FF FF 55 55 55", "end"}, []string{
			"7E8 !7E8: the rest did not come in time (1s, 6 of 10 bytes came) [1 frames]",
			"7E8 !7E8: the beginning of the message is missing (consecutive frame 1) [1 frames]",
		}},
		{"a clock set back", []string{"7E8 10 0A 46 21 89 20 01 40", "+-1h", "end"},
			[]string{"7E8 !7E8: the rest did not come in time (1s, 6 of 10 bytes came) [1 frames]"}},
		{"another message before the end", []string{"7E8 10 0A 46 21 89 20 01 40", "7E8 03 41 0D 20", "7E8 10 0A 46 21 89 20 01 40", "7E8 10 0A 46 3C 96 FE 00 14", "7E8 21 FF 9C 00 C8"}, []string{
			"7E8 !7E8: another message began before this one was complete (6 of 10 bytes came) [1 frames]", "7E8 410D20",
			"7E8 !7E8: another message began before this one was complete (6 of 10 bytes came) [1 frames]", "7E8 463C96FE0014FF9C00C8",
		}},
		{"the recording ends", []string{"7E8 10 0A 46 21 89 20 01 40", "end"}, []string{"7E8 !7E8: the recording ends before the message does (6 of 10 bytes came) [1 frames]"}},
		{"a short consecutive frame", []string{"7E8 10 14 49 02 01 39 5A 5A", "7E8 21 54 45", "end"},
			[]string{"7E8 !7E8: length does not fit: expected 7, got 2 (bytes of a consecutive frame) [2 frames]"}},

		{"single of no length", []string{"7E8 00 41 0D 20"}, []string{"7E8 !7E8: length does not fit: expected 0, got 3 (single frame) [1 frames]"}},
		{"single longer than its frame", []string{"7E8 07 41 0D"}, []string{"7E8 !7E8: length does not fit: expected 7, got 2 (single frame) [1 frames]"}},
		{"first frame that would fit a single one", []string{"7E8 10 06 41 0D 20 00 00 00"}, []string{"7E8 !7E8: length does not fit (a first frame of 8 bytes announces 6) [1 frames]"}},
		{"first frame cut short", []string{"7E8 10 0A 46"}, []string{"7E8 !7E8: length does not fit: expected 8, got 3 (first frame) [1 frames]"}},
		{"an unknown type", []string{"7E8 50 00"}, []string{"7E8 !7E8: no frame of this transport (frame type 5) [1 frames]"}},
		{"no data", []string{"7E8 "}, []string{"7E8 !7E8: no frame of this transport (0 bytes) [1 frames]"}},
		{"a wrong single frame leaves the message under way alone", []string{"7E8 10 0A 46 21 89 20 01 40", "7E8 00", "7E8 21 00 80 FF FF"},
			[]string{"7E8 !7E8: length does not fit: expected 0, got 0 (single frame) [1 frames]", "7E8 4621892001400080FFFF"}},
		{"other traffic", []string{"123 10 0A 46 21 89 20 01 40", "700 21 00", "7F0 03 41 0D 20", "18DA4410 03 41 0D 20"}, nil},

		// CAN FD: a length byte of its own beyond 8 bytes, first and consecutive frames of up to 64.
		{"FD single", []string{"7E8 00 0A 46218920 0140 0080 FFFF AAAA"}, []string{"7E8 4621892001400080FFFF"}},
		{"FD single in the short form", []string{"7E8 07 46218920 0140 0080 FFFF AAAA"},
			[]string{"7E8 !7E8: length does not fit (a single frame of more than 8 bytes without the long form of the length) [1 frames]"}},
		{"FD first and consecutive", []string{"7E8 10 1C 46 01010A0E660E660E66", "7E8 21 01051000240000008901 55", "7E8 22 8620014000 80FFFF 5555"},
			[]string{"7E8 4601010A0E660E660E66010510002400000089" + "01558620014000" + "80FF"}},
		{"32-bit length within the 12-bit range", []string{"7E8 10 00 00 00 00 20 41 42"}, []string{"7E8 !7E8: length does not fit (a first frame of 8 bytes announces 32) [1 frames]"}},
		{"32-bit length beyond the bound", []string{"7E8 10 00 FF FF FF FF 41 42", "7E8 21 41 42 43 44 45 46 47", "end"},
			[]string{"7E8 !7E8: longer than is taken (4294967295 bytes announced, at most 4095) [2 frames]"}},
	} {
		c.run(t)
	}
}

// wrapping is a message of 146 bytes, with skip-1 frames lost after the fourth consecutive one.
func wrapping(skip int) []string {
	list := []string{"7E8 10 92 46 01 01 01 01 01"}
	for n := 1; n <= 20; n++ {
		if n > 4 && n < 4+skip {
			continue
		}
		list = append(list, "7E8 2"+string("0123456789ABCDEF"[n%16])+strings.Repeat("01", 7))
	}
	if skip == 1 {
		return list
	}
	return append(list[:5], "end")
}

// A message longer than 4095 bytes has 32 bits of length, and is taken where the bound allows it.
func TestISO_Long(t *testing.T) {
	data := make([]byte, 5000)
	for i := range data {
		data[i] = byte(i * 7)
	}
	var got []byte
	a := Assembler{Limit: 5000, Handle: func(m *Message) {
		if m.Err != nil {
			t.Error(m.Err)
		}
		got = append([]byte(nil), m.Data...)
	}}
	for _, f := range segmentISO(0x7E8, false, data, 8, 0x55) {
		f.Time = start
		a.Frame(&f)
	}
	if string(got) != string(data) {
		t.Errorf("%d bytes", len(got))
	}
}

// Separation times of ISO 15765-2 (from memory): 0 to 7F are milliseconds, F1 to F9 are 100 to 900 us,
// reserved ones count as 127 ms.
func TestParseFlowControl(t *testing.T) {
	for in, want := range map[byte]time.Duration{
		0x00: 0, 0x0A: 10 * time.Millisecond, 0x7F: 127 * time.Millisecond, 0xF1: 100 * time.Microsecond, 0xF3: 300 * time.Microsecond,
		0xF9: 900 * time.Microsecond, 0x80: 127 * time.Millisecond, 0xF0: 127 * time.Millisecond, 0xFA: 127 * time.Millisecond, 0xFF: 127 * time.Millisecond,
	} {
		if fc, ok := ParseFlowControl([]byte{0x30, 8, in}); !ok || fc.SeparationTime != want || fc.BlockSize != 8 || fc.Status != 0 {
			t.Errorf("%02X: %+v %v, want %v", in, fc, ok, want)
		}
	}
	for _, b := range [][]byte{nil, {0x30, 0}, {0x21, 0, 0}} {
		if _, ok := ParseFlowControl(b); ok {
			t.Errorf("%X is no flow control", b)
		}
	}
	if fc, _ := ParseFlowControl([]byte{0x32, 0, 0}); fc.Status != 2 {
		t.Errorf("%+v", fc)
	}
}

// The ids of ISO 15765-4 (from memory).
func TestRoleOf(t *testing.T) {
	for _, c := range []struct {
		id   uint32
		wide bool
		want Role
	}{
		{0x7DF, false, Request}, {0x7E0, false, Request}, {0x7E7, false, Request}, {0x7E8, false, Answer}, {0x7EF, false, Answer}, {0x7F0, false, Other}, {0x7DE, false, Other}, {0, false, Other},
		{0x18DB33F1, true, Request}, {0x18DA10F1, true, Request}, {0x18DAF110, true, Answer}, {0x18DAF1F1, true, Answer}, {0x18DB33F2, true, Other}, {0x18DA1002, true, Other},
		{0x18FECA00, true, Group}, {0x1CECF900, true, Group}, {0x7E8, true, Group},
	} {
		if got := RoleOf(c.id, c.wide); got != c.want {
			t.Errorf("%X: %v, want %v", c.id, got, c.want)
		}
	}
}
