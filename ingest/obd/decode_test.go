package obd

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"marginline/ingest/series"
)

// call decodes messages given as "FROM HEX", or "FROM/PGN HEX", or "HEX" alone when FROM is "-".
func call(t testing.TB, bus series.Bus, msgs ...string) *Report {
	t.Helper()
	var in []Message
	for _, s := range msgs {
		from, hex, ok := strings.Cut(s, " ")
		if !ok {
			t.Fatalf("%q: want sender and hex", s)
		}
		m := Message{From: strings.TrimPrefix(from, "-"), PGN: series.None}
		if a, b, ok := strings.Cut(m.From, "/"); ok {
			var n json.Number = json.Number(b)
			pgn, err := n.Int64()
			if err != nil {
				t.Fatal(err)
			}
			m.From, m.PGN = a, int32(pgn)
		}
		data, err := ParseHex(hex)
		if err != nil {
			t.Fatal(err)
		}
		m.Data = data
		in = append(in, m)
	}
	return Decode(bus, in, nil)
}

var nan = math.NaN()

func equal(a, b float64) bool {
	return a != a && b != b || math.Abs(a-b) <= 1e-9*math.Max(1, math.Abs(b))
}

func TestFirst(t *testing.T) {
	rep := call(t, series.CAN, "7E8 46 01 01 0A 0BB0 0BB0 0BB0 01 05 10 0048 0000 0060 01 85 24 0096 004B FFFF")
	b, err := json.MarshalIndent(rep, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	t.Log(string(b))
	rep = call(t, series.ISO9141, "10 46 61 80 00A6 000D", "10 46 03 04 0078 0190", "10 46 03 84 0078 003C")
	for _, r := range rep.Results() {
		t.Log(Explain(&r), r.Margin)
	}
}
