package obd

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"marginline/ingest/series"
)

// messages reads messages written as "FROM HEX" or "FROM/PGN HEX"; FROM "-" is none.
func messages(t testing.TB, msgs ...string) []Message {
	t.Helper()
	var in []Message
	for _, s := range msgs {
		from, hex, _ := strings.Cut(s, " ")
		m := Message{From: strings.TrimPrefix(from, "-"), PGN: series.None}
		if a, b, ok := strings.Cut(m.From, "/"); ok {
			pgn, err := strconv.Atoi(b)
			if err != nil {
				t.Fatal(err)
			}
			m.From, m.PGN = a, int32(pgn)
		}
		var err error
		if m.Data, err = ParseHex(hex); err != nil {
			t.Fatal(err)
		}
		in = append(in, m)
	}
	return in
}

func call(t testing.TB, bus series.Bus, msgs ...string) *Report {
	t.Helper()
	return Decode(bus, messages(t, msgs...), nil)
}

// row writes what a test looks at: ecu test value [min max] unit state verdict margin.
func row(r *series.Result) string {
	n := func(v float64) string {
		if v != v {
			return "-"
		}
		return strconv.FormatFloat(math.Round(v*1e9)/1e9, 'g', 12, 64)
	}
	verdict := map[series.Tri]string{series.Unknown: "-", series.True: "pass", series.False: "FAIL"}[r.Passed]
	return fmt.Sprintf("%s %s %s [%s %s] %s %s %s %s", r.ECU, r.Test, n(r.Value), n(r.Min), n(r.Max), r.UnitOfMeasure, r.State, verdict, n(r.Margin))
}

// rows checks the results of a report, and that nothing went wrong.
func rows(t *testing.T, rep *Report, want ...string) {
	t.Helper()
	for _, it := range rep.Errors() {
		t.Errorf("message %d: %v", it.Message, it.Err)
	}
	got := rep.Results()
	for i := range max(len(got), len(want)) {
		g, w := "nothing", "nothing"
		if i < len(got) {
			g = row(&got[i])
		}
		if i < len(want) {
			w = want[i]
		}
		if g != w {
			t.Errorf("result %d\n got %s\nwant %s", i+1, g, w)
		}
	}
}

// kinds lists the kinds of the items.
func kinds(rep *Report) string {
	var k []string
	for i := range rep.Items {
		k = append(k, string(rep.Items[i].Kind))
	}
	return strings.Join(k, " ")
}

// codes lists the trouble codes as kind:code.
func codes(rep *Report) string {
	var k []string
	for _, c := range rep.Codes() {
		k = append(k, c.Kind.String()+":"+c.Code)
	}
	return strings.Join(k, " ")
}
