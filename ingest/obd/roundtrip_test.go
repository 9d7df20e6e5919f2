package obd

import (
	"encoding/binary"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// Every message that is encoded here, over the whole domain, decodes to what was put in. The encoders are
// written from the layouts, not from the decoder; the worked examples elsewhere are typed hex.

func word16(t *rapid.T, name string) uint16 {
	if rapid.Bool().Draw(t, name+" edge") {
		return rapid.SampledFrom([]uint16{0, 1, 0x7FFE, 0x7FFF, 0x8000, 0xFAFF, 0xFB00, 0xFFFE, 0xFFFF}).Draw(t, name)
	}
	return rapid.Uint16().Draw(t, name)
}

func resultID(t *rapid.T) byte { // a monitor or test id that is no support id
	return rapid.Custom(func(t *rapid.T) byte { return rapid.Byte().Draw(t, "id") }).Filter(func(b byte) bool { return b&0x1F != 0 }).Draw(t, "id")
}

func signedWord(w uint16, signed bool) int32 {
	if signed {
		return int32(int16(w))
	}
	return int32(w)
}

func TestRoundTripMonitors(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type in struct {
			mid, tid, uas byte
			v, lo, hi     uint16
		}
		mid := resultID(t)
		var all []in
		can, echoed, once := []byte{0x46}, []byte{0x62}, []byte{0x62, 0xF6, mid}
		for range rapid.IntRange(1, 50).Draw(t, "n") {
			x := in{mid, rapid.Byte().Draw(t, "tid"), rapid.Byte().Draw(t, "uas"), word16(t, "v"), word16(t, "lo"), word16(t, "hi")}
			all = append(all, x)
			tail := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16([]byte{x.tid, x.uas}, x.v), x.lo), x.hi)
			can = append(append(can, mid), tail...)
			echoed = append(append(echoed, 0xF6, mid), tail...)
			once = append(once, tail...)
		}
		for bus, data := range map[series.Bus][][]byte{series.CAN: {can}, series.UDS: {can, echoed, once}} {
			for _, b := range data {
				rep := Decode(bus, []Message{{From: "7E8", PGN: series.None, Data: b}}, nil)
				if len(rep.Results()) != len(all) {
					t.Fatalf("%x: %d results of %d: %v", b, len(rep.Results()), len(all), rep.Errors())
				}
				for i, r := range rep.Results() {
					x := all[i]
					signed := x.uas >= 0x80
					raw := series.Raw{Value: signedWord(x.v, signed), Min: signedWord(x.lo, signed), Max: signedWord(x.hi, signed)}
					if r.MID != int32(x.mid) || r.TID != int32(x.tid) || r.UAS != int32(x.uas) || r.Raw != raw || r.Test != fmt.Sprintf("m%02x.t%02x", x.mid, x.tid) {
						t.Fatalf("%x: %+v, want %+v", b, r, x)
					}
				}
			}
		}
	})
}

func TestRoundTripOlder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tid, cid, v, lo, hi := resultID(t), rapid.Byte().Draw(t, "cid")&0x7F, word16(t, "v"), word16(t, "lo"), word16(t, "hi")
		message := func(top byte, limit uint16) Message {
			b := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16([]byte{0x46, tid, cid | top}, v), limit)
			return Message{From: "10", PGN: series.None, Data: b}
		}
		pair := []Message{message(0, hi), message(0x80, lo)}
		if rapid.Bool().Draw(t, "minimum first") {
			pair[0], pair[1] = pair[1], pair[0]
		}
		rep := Decode(series.J1850, pair, nil)
		if len(rep.Results()) != 1 || len(rep.Items) != 1 {
			t.Fatalf("%d results", len(rep.Results()))
		}
		r := rep.Results()[0]
		if r.Raw != (series.Raw{Value: int32(v), Min: int32(lo), Max: int32(hi)}) || r.Test != fmt.Sprintf("t%02x.c%02x", tid, cid) {
			t.Fatalf("%+v", r)
		}
	})
}

func TestRoundTripScaled(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b []byte
		var want []string
		seen := map[string]int{}
		for range rapid.IntRange(1, 20).Draw(t, "n") {
			spn, fmi := rapid.Uint32Range(0, 1<<19-1).Draw(t, "spn"), rapid.ByteRange(0, 31).Draw(t, "fmi")
			if rapid.Bool().Draw(t, "again") {
				spn, fmi = 3242, 16
			}
			tid, slot := rapid.Byte().Draw(t, "tid"), rapid.Uint16().Draw(t, "slot")
			v, lo, hi := word16(t, "v"), word16(t, "lo"), word16(t, "hi")
			b = append(b, tid, byte(spn), byte(spn>>8), byte(spn>>16)<<5|fmi)
			for _, w := range []uint16{slot, v, hi, lo} {
				b = binary.LittleEndian.AppendUint16(b, w)
			}
			key := fmt.Sprintf("s%d.f%d.t%d", spn, fmi, tid)
			if seen[key]++; seen[key] > 1 {
				key = fmt.Sprintf("%s.n%d", key, seen[key])
			}
			want = append(want, fmt.Sprintf("%s %d %d %d %d", key, slot, v, lo, hi))
		}
		rep := Decode(series.J1939, []Message{{From: "00", PGN: pgnDM30, Data: b}}, nil)
		for i, r := range rep.Results() {
			if got := fmt.Sprintf("%s %d %d %d %d", r.Test, r.Slot, r.Raw.Value, r.Raw.Min, r.Raw.Max); got != want[i] {
				t.Fatalf("%s, want %s", got, want[i])
			}
		}
		if len(rep.Results()) != len(want) {
			t.Fatalf("%d results of %d", len(rep.Results()), len(want))
		}
	})
}

func TestRoundTripVIN(t *testing.T) {
	const letters = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
	rapid.Check(t, func(t *rapid.T) {
		b := make([]byte, 17)
		for i := range b {
			b[i] = letters[rapid.IntRange(0, len(letters)-1).Draw(t, "letter")]
		}
		want, _ := CheckDigit(string(b))
		b[8] = want
		vin := string(b)
		if got, ok := CheckDigit(vin); !ok || got != want {
			t.Fatalf("%s: %c", vin, got)
		}
		padded := append([]byte{0, 0, 0}, vin...)
		var parts []Message
		for i := range 5 {
			parts = append(parts, Message{From: "10", PGN: series.None, Data: append([]byte{0x49, 0x02, byte(i + 1)}, padded[4*i:4*i+4]...)})
		}
		for i, rep := range []*Report{
			Decode(series.CAN, []Message{{From: "7E8", PGN: series.None, Data: append([]byte{0x49, 0x02, 0x01}, vin...)}}, nil),
			Decode(series.UDS, []Message{{From: "7E8", PGN: series.None, Data: append([]byte{0x62, 0xF8, 0x02}, vin...)}}, nil),
			Decode(series.J1939, []Message{{From: "00", PGN: pgnVIN, Data: []byte(vin + "*")}}, nil),
			Decode(series.ISO9141, parts, nil),
		} {
			if len(rep.VINs) != 1 || rep.VINs[0] != vin {
				t.Fatalf("form %d: %v, want %s", i, rep.VINs, vin)
			}
		}
	})
}

func FuzzCatalogue(f *testing.F) {
	f.Add(invented)
	f.Add("test,applies_to\n61,*\n")
	f.Fuzz(func(t *testing.T, text string) {
		cat, err := ParseCatalogue(strings.NewReader(text))
		if err != nil {
			return
		}
		rep := Decode(series.ISO9141, messages(t, "10 46 61 80 00A6 000D", "10 46 62 05 00C8 012C"), cat)
		for i := range rep.Results() {
			check(t, &rep.Results()[i])
		}
	})
}
