package obd

import (
	"encoding/binary"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// 59 06 code(3) status 92 N, then N records of a two-byte unit-and-scaling id, value, minimum and maximum: test
// results that hang on a code (SAE J1979-2, from memory).
func TestRoundTripCodeResults(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text, word := drawCode(t)
		kind, status := rapid.Byte().Draw(t, "failure type"), rapid.Byte().Draw(t, "status")
		n := rapid.IntRange(0, 255).Draw(t, "n")
		b := []byte{0x59, 0x06, byte(word >> 8), byte(word), kind, status, 0x92, byte(n)}
		var want []string
		for i := range n {
			uas := rapid.OneOf(rapid.Uint16Range(0, 0xFF), rapid.Uint16()).Draw(t, "uas")
			v, lo, hi := word16(t, "v"), word16(t, "lo"), word16(t, "hi")
			for _, w := range []uint16{uas, v, lo, hi} {
				b = binary.BigEndian.AppendUint16(b, w)
			}
			signed := uas&0x80 != 0
			want = append(want, fmt.Sprintf("d%04x%02x.n%d %s-%02X %d %d %d %d", word, kind, i+1, text, kind, uas, signedWord(v, signed), signedWord(lo, signed), signedWord(hi, signed)))
		}
		rep := Decode(series.UDS, []Message{{From: "7E8", PGN: series.None, Data: b}}, nil)
		if len(rep.Errors()) > 0 || len(rep.Results()) != n {
			t.Fatalf("%d results of %d: %v", len(rep.Results()), n, rep.Errors())
		}
		for i, r := range rep.Results() {
			if got := fmt.Sprintf("%s %s %d %d %d %d", r.Test, r.DTC, r.UAS, r.Raw.Value, r.Raw.Min, r.Raw.Max); got != want[i] || r.MID != series.None || r.TID != series.None {
				t.Fatalf("%s, want %s", got, want[i])
			}
		}
		if n == 0 && kinds(rep) != "support" {
			t.Fatalf("no results: %s", kinds(rep))
		}
	})
}

// Two codes with results in one report stay apart, and two answers of one code do too.
func TestGoldenCodeResults(t *testing.T) {
	rows(t, call(t, series.UDS, "7E8 59 06 042000 00 92 01 0020 0140 0080 FFFF", "7E8 59 06 030100 00 92 02 0024 0003 0000 FFFF 0096 0654 8000 06D6"),
		"7e8 d042000.n1 1.249984 [0.4999936 -] 1 ok pass 0.6",
		"7e8 d030100.n1 3 [- -] {count} no_limit - -",
		"7e8 d030100.n2 162 [- 175] Cel ok pass -")
}
