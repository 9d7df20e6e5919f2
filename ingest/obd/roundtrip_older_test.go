package obd

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// Service $05: test, oxygen sensor, value, and where the test has limits minimum and maximum, one byte each
// (SAE J1979, from memory).
func TestRoundTripOxygenSensor(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var msgs []Message
		var want []string
		for range rapid.IntRange(1, 12).Draw(t, "n") {
			tid, sensor, v := resultID(t), rapid.Byte().Draw(t, "sensor"), rapid.Byte().Draw(t, "value")
			lo, hi := rapid.Byte().Draw(t, "minimum"), rapid.Byte().Draw(t, "maximum")
			b := []byte{0x45, tid, sensor, v}
			raw := series.Raw{Value: int32(v), Min: series.None, Max: series.None}
			if rapid.Bool().Draw(t, "limits") {
				b, raw.Min, raw.Max = append(b, lo, hi), int32(lo), int32(hi)
			}
			msgs = append(msgs, Message{From: "10", PGN: series.None, Data: b})
			want = append(want, fmt.Sprintf("o%02x.s%02x %v %d", tid, sensor, raw, tid))
		}
		bus := rapid.SampledFrom([]series.Bus{series.J1850, series.ISO9141, series.ISO14230}).Draw(t, "bus")
		rep := Decode(bus, msgs, nil)
		if len(rep.Results()) != len(want) || len(rep.Items) != len(want) {
			t.Fatalf("%d results of %d: %v", len(rep.Results()), len(want), rep.Errors())
		}
		for i, r := range rep.Results() {
			if got := fmt.Sprintf("%s %v %d", r.Test, r.Raw, r.TID); got != want[i] || r.CID != series.None || r.MID != series.None || r.UAS != series.None {
				t.Fatalf("%s, want %s", got, want[i])
			}
			switch lo, hi := r.Raw.Min, r.Raw.Max; { // the pass rule, by hand
			case r.State == series.StateOK && (r.Passed == series.True) != ((lo == 0 || lo == series.None || r.Raw.Value >= lo) && (hi == 0xFF || hi == series.None || r.Raw.Value <= hi)):
				t.Fatalf("%+v", r)
			case r.State == series.StateNotRun && (r.Raw.Value != 0 || lo > 0 || hi > 0):
				t.Fatalf("%+v", r)
			}
		}
	})
}

// Results of an older bus in any order: pairs join, single limits stay, none is lost.
func TestRoundTripOlderShuffled(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var msgs []Message
		want := map[string]int{}
		for i := range rapid.IntRange(1, 12).Draw(t, "n") {
			tid, cid := byte(i%31+1), byte(rapid.IntRange(0, 127).Draw(t, "cid"))
			v, lo, hi := word16(t, "v"), int32(word16(t, "lo")), int32(word16(t, "hi"))
			sent := rapid.IntRange(1, 3).Draw(t, "sent")
			if sent&1 != 0 {
				msgs = append(msgs, Message{From: "10", PGN: series.None, Data: []byte{0x46, tid, cid, byte(v >> 8), byte(v), byte(hi >> 8), byte(hi)}})
			} else {
				hi = series.None
			}
			if sent&2 != 0 {
				msgs = append(msgs, Message{From: "10", PGN: series.None, Data: []byte{0x46, tid, cid | 0x80, byte(v >> 8), byte(v), byte(lo >> 8), byte(lo)}})
			} else {
				lo = series.None
			}
			want[fmt.Sprintf("t%02x.c%02x %d %d %d", tid, cid, v, lo, hi)]++
		}
		rep := Decode(series.ISO9141, rapid.Permutation(msgs).Draw(t, "order"), nil)
		if len(rep.Errors()) > 0 {
			t.Fatal(rep.Errors()[0].Err)
		}
		for _, r := range rep.Results() {
			key := fmt.Sprintf("%s %d %d %d", r.Test, r.Raw.Value, r.Raw.Min, r.Raw.Max)
			if want[key]--; want[key] < 0 {
				t.Fatalf("%s was not sent: %v", key, want)
			}
		}
		for key, n := range want {
			if n != 0 {
				t.Fatalf("%s is missing", key)
			}
		}
	})
}
