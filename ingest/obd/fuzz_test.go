package obd

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

	"marginline/ingest/series"
)

// The fuzz input is a bus, then messages: a byte that picks the sender and the parameter group, a length, the data.
var (
	fuzzSenders = []string{"7E8", "7E9", "10", "18DAF110", "18A4F900", "00", "", "bad"}
	fuzzGroups  = []int32{
		series.None, series.None, pgnDM1, pgnDM5, pgnDM12, pgnDM19, pgnDM20, pgnDM21, pgnDM24, pgnDM26, pgnDM30, pgnVIN,
		pgnTemperature, pgnAmbient, pgnDash, pgnAck, pgnData,
	}
)

func fuzzMessages(b []byte) (series.Bus, []Message) {
	if len(b) == 0 {
		return series.CAN, nil
	}
	bus := series.Bus(b[0] % 8)
	var msgs []Message
	for b = b[1:]; len(b) > 2; {
		m := Message{From: fuzzSenders[int(b[0])%len(fuzzSenders)], PGN: fuzzGroups[int(b[0])/len(fuzzSenders)%len(fuzzGroups)]}
		n := min(int(b[1]), len(b)-2)
		m.Data = b[2 : 2+n]
		msgs = append(msgs, m)
		b = b[2+n:]
	}
	return bus, msgs
}

func FuzzDecode(f *testing.F) {
	seed := func(bus series.Bus, pick byte, data ...string) {
		b := []byte{byte(bus)}
		for _, s := range data {
			d, err := ParseHex(s)
			if err != nil {
				f.Fatal(err)
			}
			b = append(append(b, pick, byte(len(d))), d...)
		}
		f.Add(b)
	}
	seed(series.CAN, 0, "46 01 01 0A 0BB0 0BB0 0BB0 01 05 10 0048 0000 0060 01 85 24 0096 004B FFFF", "46 00 C0000001 20 80000509", "41 41 00 07 65 04 2F 80",
		"43 02 0420 0301", "49 02 01 39 5A 5A 54 45 53 54 37 34 52 41 30 30 30 31 32 33", "49 04 01 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00", "49 08 02 0001 0002", "7F 06 78")
	seed(series.ISO9141, 2, "46 03 04 0078 0190", "46 03 84 0078 003C", "46 61 80 00A6 000D", "45 05 02 20 00 40", "43 0420 0301 0000", "49 02 01 00000039", "49 02 02 5A5A5445", "7F 06 01 00 00 12")
	seed(series.UDS, 3, "62 F6 01 05 10 0024 0000 0089 F6 01 86 20 0140 0080 FFFF", "62 F6 01 05 10 0024 0000 0089 86 20 0140 0080 FFFF", "59 06 042000 00 92 01 0020 0140 0080 FFFF",
		"62 F4 05 82 F4 2F 80", "62 F8 06 01 1A2B3C4D", "59 42 33 FF FF 04 20 042000 0C", "59 55 33 FF 04 042000 08")
	seed(series.CAN, 0, "46 21 89 20 0140 0080 FFFF", "46 21 89 20 0141 0080 FFFF", "49 04 01 494E562D43414C2D3030303700000000", "49 06 01 1A2B3C4D", "41 4E 001E", "46 21 89 20 0142 0080 FFFF 20")
	seed(series.J1850, 2, "46 03 04 0078 0190", "46 03 84 0078 003C", "62 F6 01 05 10 0024 0000 0089 86 20 0140 0080 FFFF", "49 08 01 032C0607", "49 08 08 000B000C", "49 06 01 1A2B3C4D")
	seed(series.UDS, 0, "62 F8 00 54000000 F8 20 00000000", "62 F8 08 10 032C 0607 0192 02F3 0001 0002 0003 0004 0005 0006 0007 0008 0009 000A 000B 000C", "59 06 042000 00 92 01 0020 0140 0080 FFFF")
	for i := range fuzzGroups {
		seed(series.J1939, byte(8*i+5), "F7 AA0C10 4400 A047 605A FFFF", "4000 AA0C1001 FFFF", "5802 05 77 0004 0004", "0A00 0800 F80B00 0500 0700", "01020304 494E562D43414C2D3030303700000000", "395A5A2A")
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		bus, msgs := fuzzMessages(b)
		rep := Decode(bus, msgs, nil)
		if len(rep.Items) > len(b)+1 || len(rep.Results()) > len(b)/4+1 {
			t.Fatalf("%d items and %d results of %d bytes", len(rep.Items), len(rep.Results()), len(b))
		}
		bad := map[int]bool{}
		results, last := 0, 0
		for i := range rep.Items {
			it := &rep.Items[i]
			if it.Message < last || it.Message >= len(msgs) {
				t.Fatalf("item %d is of message %d after %d", i, it.Message, last)
			}
			last = it.Message
			switch it.Kind {
			case KindError:
				bad[it.Message] = true
				if e, ok := it.Err.(*FrameError); !ok || e.Offset < 0 || e.Offset > len(msgs[it.Message].Data) {
					t.Fatalf("error %v", it.Err)
				}
			case KindResult:
				check(t, it.Result)
				results++
			}
		}
		for i := range rep.Items { // a message that failed gives nothing else
			if it := &rep.Items[i]; bad[it.Message] && it.Kind != KindError {
				t.Fatalf("message %d failed and gave %s", it.Message, it.Kind)
			}
		}
		if results != len(rep.Results()) {
			t.Fatalf("%d items show %d results", results, len(rep.Results()))
		}
		for _, m := range msgs { // a refusal is never a fault
			if len(m.Data) > 0 && m.Data[0] == 0x7F && m.PGN == series.None && bus != series.J1939 && m.From != "bad" {
				found := false
				for i := range rep.Items {
					found = found || rep.Items[i].Kind == KindNegative
				}
				if !found {
					t.Fatalf("%x gave no negative item", m.Data)
				}
			}
		}
		if _, err := json.Marshal(rep); err != nil {
			t.Fatal(err)
		}
		var again Decoder
		for _, before := range [][]Message{msgs[len(msgs)/2:], msgs, msgs} { // a decoder that has read something gives the same
			if got := again.Decode(bus, before, nil); len(before) == len(msgs) && !alike(got, rep) {
				t.Fatalf("got %s\nwant %s", plain(got), plain(rep))
			}
		}
	})
}

// alike says whether two reports have the same items and results, NaN being like NaN.
func alike(a, b *Report) bool {
	return slices.EqualFunc(a.results, b.results, func(x, y series.Result) bool {
		for _, p := range [][2]*float64{{&x.Value, &y.Value}, {&x.Min, &y.Min}, {&x.Max, &y.Max}, {&x.Margin, &y.Margin}} {
			if !same(*p[0], *p[1]) {
				return false
			}
			*p[0], *p[1] = 0, 0
		}
		return x == y
	}) && slices.EqualFunc(a.Items, b.Items, func(x, y Item) bool {
		return x.Message == y.Message && x.Kind == y.Kind && x.ECU == y.ECU && x.Note == y.Note && len(x.Codes) == len(y.Codes) && len(x.Values) == len(y.Values)
	})
}

// check holds what is true of every result.
func check(t *testing.T, r *series.Result) {
	t.Helper()
	if (r.Passed != series.Unknown) != (r.State == series.StateOK) || r.Margin == r.Margin && r.State != series.StateOK {
		t.Fatalf("verdict without a state: %+v", r)
	}
	if r.Margin > 0 && r.Passed != series.True || r.Margin < 0 && r.Passed != series.False || r.Margin > 1 || math.IsInf(r.Margin, 0) {
		t.Fatalf("margin and verdict disagree: %+v", r)
	}
	if r.Test == "" || r.UnitOfMeasure == "" || Name(r) == "" || TestName(r.Test) == "" || Family(r) == "" || Explain(r) == "" || Group(r) >= groupCount {
		t.Fatalf("nameless: %+v", r)
	}
}
