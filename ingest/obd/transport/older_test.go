package transport

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"testing"

	"marginline/ingest/series"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The check value of SAE J1850's CRC-8, of "123456789", stands in the catalogues of CRCs (from memory).
func TestCRC8(t *testing.T) {
	if got := CRC8([]byte("123456789")); got != 0x4B {
		t.Errorf("%02X, want 4B", got)
	}
	if got := CRC8(nil); got != 0x00 {
		t.Errorf("%02X of nothing", got)
	}
}

// Worked frames of the buses before CAN: headers of SAE J1979, checksum of ISO 9141-2 and ISO 14230-2,
// CRC-8 of SAE J1850 (all from memory).
func TestReadOlder(t *testing.T) {
	for _, c := range []struct {
		bus  series.Bus
		in   string
		want string
	}{
		{series.ISO14230, "C2 33 F1 06 06 F2", "request 0606"},
		{series.ISO14230, "87 F1 10 46 06 01 0A3C 0C80 A7", "answer 10 4606010A3C0C80"},
		{series.ISO14230, "80 F1 10 07 46 06 01 0A3C 0C80 A7", "answer 10 4606010A3C0C80"}, // the length in a byte of its own: the sum is the same
		{series.ISO14230, "82 10 F1 06 06 8F", "request 0606"},
		{series.ISO9141, "68 6A F1 06 05 CE", "request 0605"},
		{series.ISO9141, "48 6B 10 46 05 81 01F4 012C B1", "answer 10 46058101F4012C"},
		{series.J1850, "48 6B 10 46 02 02 0096 0064 E1", "answer 10 46020200960064"},
		{series.J1850, "41 6B 10 46 02 02 0096 0064 A7", "answer 10 46020200960064"},
		{series.J1850, "41 6B 10 46 02 02 0096 0064 A7 10", "answer 10 46020200960064"}, // and an in-frame response
		{series.J1850, "48 6B 10 46 03 04 0078 0190 18", "answer 10 46030400780190"},
		{series.J1850, "48 6B 10 46 03 84 0078 003C 4A", "answer 10 4603840078003C"},

		{series.ISO9141, "48 6B 10 46 05 81 01F4 012C B2", "checksum does not fit: expected B1, got B2"},
		{series.J1850, "48 6B 10 46 02 02 0096 0064 E2", "checksum does not fit: expected E1, got E2"},
		{series.ISO14230, "86 F1 10 46 06 01 0A3C 0C80 A7", "length does not fit: 8 bytes after the header, the header says 6 and a checksum"},
		{series.ISO14230, "80 F1 10 00 81", "length does not fit: 1 bytes after the header, the header says 0 and a checksum"},
		{series.ISO9141, "48 6B 10 B3", "length does not fit: 4 bytes: a header, one byte of data and a checksum are 5"},
		{series.ISO9141, "48 6B 10 0102030405060708 00", "length does not fit: 8 bytes of data, at most 7"},
		{series.ISO9141, "41 6B 10 46 02 02 0096 0064 F4", "no header of on-board diagnostics: 41 6B 10"},
		{series.ISO14230, "C2 34 F1 06 06 F3", "no header of on-board diagnostics: C2 34 F1"},
		{series.CAN, "48 6B 10 46 02 02 0096 0064 E1", "no header of on-board diagnostics: not a bus before CAN"},
	} {
		m, err := ReadOlder(c.bus, unhex(t, c.in))
		got := ""
		switch {
		case err != nil:
			got = strings.TrimPrefix(err.Error(), c.bus.String()+": ")
			if !errors.Is(err, ErrChecksum) && !errors.Is(err, ErrLength) && !errors.Is(err, ErrHeader) {
				t.Errorf("%s: an error of no kind: %v", c.in, err)
			}
		case m.Role == Request:
			got = fmt.Sprintf("request %X", m.Data)
		default:
			got = fmt.Sprintf("answer %s %X", m.From(), m.Data)
		}
		if got != c.want {
			t.Errorf("%v %s\n got %s\nwant %s", c.bus, c.in, got, c.want)
		}
	}
}

// No single bit that is flipped on the way goes unseen.
func TestReadOlder_Flipped(t *testing.T) {
	for bus, in := range map[series.Bus]string{
		series.J1850: "48 6B 10 46 02 02 0096 0064 E1", series.ISO9141: "48 6B 10 46 05 81 01F4 012C B1", series.ISO14230: "87 F1 10 46 06 01 0A3C 0C80 A7",
	} {
		b := unhex(t, in)
		for i := range 8 * len(b) {
			b[i/8] ^= 1 << (i % 8)
			if m, err := ReadOlder(bus, b); err == nil {
				t.Errorf("%v, bit %d: %X is taken for %X", bus, i, b, m.Data)
			}
			b[i/8] ^= 1 << (i % 8)
		}
	}
}
