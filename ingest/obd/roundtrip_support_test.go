package obd

import (
	"encoding/binary"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// Support bitmaps: id base, then 32 bits, the highest for base+1, the lowest for base+20 (hexadecimal), which says
// that the next bitmap exists. Several in one message on CAN, each with the first byte of its identifier on UDS; before
// CAN one a message, with a fill byte FF (services 05 and 06) or a message number 01 (service 09). SAE J1979
// and J1979-2, from memory.
func TestRoundTripSupport(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var bases []byte
		var bits []uint32
		var want []string
		for _, base := range []byte{0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0, 0xE0} {
			if len(bases) == 6 || rapid.Bool().Draw(t, "left out") {
				continue
			}
			m := rapid.Uint32().Draw(t, "bits")
			ids := []string{}
			for i := 1; i <= 32; i++ {
				if id := int(base) + i; m>>(32-i)&1 == 1 && id <= 0xFF { // E0+20 is no id
					ids = append(ids, fmt.Sprintf("%02x", id))
				}
			}
			bases, bits, want = append(bases, base), append(bits, m), append(want, fmt.Sprintf("%02x %v", base, ids))
		}
		if len(bases) == 0 {
			return
		}
		records := func(head, each string, fill ...byte) []byte {
			b := []byte(head)
			for i, base := range bases {
				b = append(append(append(b, each...), base), fill...)
				b = binary.BigEndian.AppendUint32(b, bits[i])
			}
			return b
		}
		verify := func(of string, bus series.Bus, data ...[]byte) {
			var msgs []Message
			for _, b := range data {
				msgs = append(msgs, Message{From: "10", PGN: series.None, Data: b})
			}
			rep := Decode(bus, msgs, nil)
			var got []string
			for i := range rep.Items {
				v := rep.Items[i].Values
				if rep.Items[i].Kind != KindSupport || v.Get("of") != of {
					t.Fatalf("%s %x: %s of %v, %v", bus, data, rep.Items[i].Kind, v.Get("of"), rep.Errors())
				}
				got = append(got, fmt.Sprintf("%s %v", v.Get("base"), v.Get("supported")))
			}
			if strings.Join(got, ", ") != strings.Join(want, ", ") {
				t.Fatalf("%s %x: %v, want %v", bus, data, got, want)
			}
		}
		verify("parameter ids", series.CAN, records("\x41", ""))
		verify("monitor ids", series.CAN, records("\x46", ""))
		verify("info types", series.CAN, records("\x49", ""))
		verify("parameter ids", series.UDS, records("\x62", "\xF4"))
		verify("monitor ids", series.UDS, records("\x62", "\xF6"))
		verify("info types", series.UDS, records("\x62", "\xF8"))
		for of, form := range map[string]struct {
			service string
			fill    []byte
		}{"parameter ids": {"\x41", nil}, "oxygen sensor test ids": {"\x45", []byte{0xFF}}, "test ids": {"\x46", []byte{0xFF}}, "info types": {"\x49", []byte{0x01}}} {
			all := records("", form.service, form.fill...)
			size := len(all) / len(bases)
			var each [][]byte
			for o := 0; o < len(all); o += size {
				each = append(each, all[o:o+size])
			}
			verify(of, rapid.SampledFrom([]series.Bus{series.J1850, series.ISO9141, series.ISO14230}).Draw(t, "bus"), each...)
		}
	})
}

// DM24: four bytes an SPN; of the bits below the top of the SPN the lowest is for stored values, the next for the
// data stream, the third for scaled test results, 0 is yes; then the length of the data (SAE J1939-73, from memory).
func TestRoundTripTruckSupport(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b []byte
		all, with := []int32{}, []int32{}
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			id, no := rapid.Int32Range(0, 1<<19-2).Draw(t, "spn"), rapid.IntRange(0, 31).Draw(t, "not supported")
			b = append(b, byte(id), byte(id>>8), byte(id>>16<<5)|byte(no), rapid.Byte().Draw(t, "length"))
			all = append(all, id)
			if no>>2&1 == 0 {
				with = append(with, id)
			}
		}
		if rapid.Bool().Draw(t, "filled") {
			b = append(b, 0xFF, 0xFF, 0xFF, 0xFF)
		}
		rep := Decode(series.J1939, []Message{{From: "00", PGN: 64950, Data: b}}, nil)
		if kinds(rep) != "support" || fmt.Sprint(rep.Items[0].Values.Get("supported")) != fmt.Sprint(all) || fmt.Sprint(rep.Items[0].Values.Get("with_test_results")) != fmt.Sprint(with) {
			t.Fatalf("%x: %v, want %v, %v with results", b, rep.Items[0].Values, all, with)
		}
	})
}

// Bitmaps typed by hand (SAE J1979 and J1979-2, from memory): C0000001 is ids 1, 2 and the next bitmap.
func TestGoldenSupport(t *testing.T) {
	for _, c := range []struct {
		bus        series.Bus
		data, want string
	}{
		{series.CAN, "7E8 46 00 C0000001", "01, 02, 20"}, {series.CAN, "7E8 46 20 80000509", "21, 36, 38, 3D, 40"}, {series.CAN, "7E8 46 A0 7C000000", "A2, A3, A4, A5, A6"},
		{series.CAN, "7E8 49 00 54000000", "02, 04, 06"}, {series.CAN, "7E8 41 20 80000001", "21, 40"}, {series.UDS, "7E8 62 F8 00 54000000", "02, 04, 06"},
		{series.UDS, "7E8 62 F6 E0 00000003", "FF"}, {series.UDS, "7E8 62 F4 A0 04000000", "A6"}, {series.J1850, "10 46 00 FF C0000001", "01, 02, 20"},
		{series.J1850, "10 45 00 FF FF000000", "01, 02, 03, 04, 05, 06, 07, 08"}, {series.ISO9141, "10 49 00 01 54000000", "02, 04, 06"}, {series.ISO14230, "10 41 00 80000000", "01"},
	} {
		rep := call(t, c.bus, c.data)
		if kinds(rep) != "support" || list(rep.Items[0].Values.Get("supported")) != c.want {
			t.Errorf("%s: %s %v, want %s", c.data, kinds(rep), rep.Items[0].Values, c.want)
		}
	}
}
