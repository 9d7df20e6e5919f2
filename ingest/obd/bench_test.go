package obd

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

// forty is one message with forty results: limits above, below and on both sides, signed and not, ratios,
// times and temperatures, a count without a limit, a constant and a test that has not run. Polls of one vehicle have
// the same tests and limits; their values differ. Vehicles of other kinds have other tests.
func forty(vehicle, poll int) []byte {
	kinds := [8][7]byte{
		{0x20, 0x01, 0x40, 0x00, 0x80, 0xFF, 0xFF}, {0x10, 0x00, 0x48, 0x00, 0x00, 0x00, 0x60}, {0xB0, 0xF3, 0x33, 0xD9, 0x9A, 0x26, 0x66},
		{0xFE, 0x00, 0x14, 0xFF, 0x9C, 0x00, 0xC8}, {0x96, 0x06, 0x54, 0x80, 0x00, 0x06, 0xD6}, {0x24, 0x00, 0x03, 0x00, 0x00, 0xFF, 0xFF},
		{0x0A, 0x0B, 0xB0, 0x0B, 0xB0, 0x0B, 0xB0}, {0x1E, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00},
	}
	b := []byte{0x46}
	for i := range 40 {
		kind := kinds[i*5%8]
		if kind[0] != 0x0A && kind[0] != 0x1E {
			kind[2] += byte(poll * 7 % 32)
		}
		b = append(append(b, byte(0x21+i%2), byte(0x80+i+vehicle)), kind[:]...)
	}
	return b
}

func BenchmarkDecode(b *testing.B) {
	msgs := []Message{{From: "7E8", PGN: series.None, Data: forty(0, 0)}}
	whole := append(messages(b, "7E8 41 41 00 07 65 04 2F 80 46 3C", "7E8 49 04 01 494E562D43414C2D3030303700000000", "7E8 49 06 01 1A2B3C4D",
		"7E8 49 08 10 032C 0607 0192 02F3 0001 0002 0003 0004 0005 0006 0007 0008 0009 000A 000B 000C", "7E8 43 01 0420"), msgs...)
	run := func(name string, msgs []Message, results func() []series.Result) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(msgs[len(msgs)-1].Data)))
			b.ReportAllocs()
			for b.Loop() {
				if len(results()) != 40 {
					b.Fatal("results")
				}
			}
		})
	}
	var d Decoder
	var rows []series.Result
	run("new", msgs, func() []series.Result { return Decode(series.CAN, msgs, nil).Results() })
	run("reused", msgs, func() []series.Result { return d.Decode(series.CAN, msgs, nil).Results() })
	run("whole", whole, func() []series.Result { return d.Decode(series.CAN, whole, nil).Results() })
	run("bare", msgs, func() []series.Result { rows = bare(msgs[0].Data, rows); return rows })
	run("bare_rows", msgs, func() []series.Result { rows = bareRows(msgs[0].Data, rows); return rows })
}

// How many times the cost of a bare loop decoding is, in one run: all take turns, so that what else the machine does
// falls on all of them. "held" is poll after poll of results that no test
// has replaced, as most are; "steady" the same tests with other values each time; "strange" a vehicle with other tests
// each time, so that no row is remembered.
func BenchmarkAgainstBare(b *testing.B) {
	const polls = 16
	var steady, strange [polls][]Message
	for i := range polls {
		steady[i] = []Message{{From: "7E8", PGN: series.None, Data: forty(0, i)}}
		strange[i] = []Message{{From: "7E8", PGN: series.None, Data: forty(i, i)}}
	}
	var c, d, e Decoder
	var rows []series.Result
	var best [6]time.Duration // the fastest turn of each: what else the machine does only slows
	turn := func(i int, f func(poll int)) {
		start := time.Now()
		for poll := range 4 * polls {
			f(poll % polls)
		}
		if took := time.Since(start); best[i] == 0 || took < best[i] {
			best[i] = took
		}
	}
	for b.Loop() {
		turn(0, func(i int) { d.Decode(series.CAN, steady[i], nil) })
		turn(1, func(i int) { e.Decode(series.CAN, strange[i], nil) })
		turn(2, func(i int) { rows = bare(steady[i][0].Data, rows) })
		turn(3, func(i int) { rows = bareRows(steady[i][0].Data, rows) })
		turn(5, func(int) { c.Decode(series.CAN, steady[0], nil) })
		turn(4, func(int) {
			for i := range rows {
				rows[i].Measure(0.5, 0, true)
			}
		})
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(best[2])/(4*polls), "bare-ns")
	b.ReportMetric(float64(best[5])/float64(best[2]), "held/bare")
	b.ReportMetric(float64(best[5])/float64(best[3]), "held/bare_rows")
	b.ReportMetric(float64(best[0])/float64(best[2]), "steady/bare")
	b.ReportMetric(float64(best[0])/float64(best[3]), "steady/bare_rows")
	b.ReportMetric(float64(best[1])/float64(best[2]), "strange/bare")
	b.ReportMetric(float64(best[1])/float64(best[3]), "strange/bare_rows")
	b.ReportMetric(float64(best[4])/float64(best[2]), "measure/bare")
}

// bare is the floor: it checks the length, reads the six fields of each record, sign-extends three of them
// by the unit id, and stores them in a slice of results that is used again. It neither names nor scales nor
// judges, makes no item, looks for no sender, and what else a result holds stays as it was: these are no
// results that anyone could use.
func bare(data []byte, rows []series.Result) []series.Result {
	rows = room(data, rows)
	for i := range rows {
		rec, r := data[1+9*i:10+9*i], &rows[i]
		r.MID, r.TID, r.UAS = int32(rec[0]), int32(rec[1]), int32(rec[2])
		v, lo, hi := binary.BigEndian.Uint16(rec[3:]), binary.BigEndian.Uint16(rec[5:]), binary.BigEndian.Uint16(rec[7:])
		if rec[2]&0x80 != 0 {
			r.Raw = series.Raw{Value: int32(int16(v)), Min: int32(int16(lo)), Max: int32(int16(hi))}
		} else {
			r.Raw = series.Raw{Value: int32(v), Min: int32(lo), Max: int32(hi)}
		}
	}
	return rows
}

// bareRows is bare, but each row is made anew, blank where the six fields are not: what the least code that
// gives a series.Result must write.
func bareRows(data []byte, rows []series.Result) []series.Result {
	rows = room(data, rows)
	for i := range rows {
		rec, r := data[1+9*i:10+9*i], &rows[i]
		*r = blank
		r.MID, r.TID, r.UAS = int32(rec[0]), int32(rec[1]), int32(rec[2])
		v, lo, hi := binary.BigEndian.Uint16(rec[3:]), binary.BigEndian.Uint16(rec[5:]), binary.BigEndian.Uint16(rec[7:])
		if rec[2]&0x80 != 0 {
			r.Raw = series.Raw{Value: int32(int16(v)), Min: int32(int16(lo)), Max: int32(int16(hi))}
		} else {
			r.Raw = series.Raw{Value: int32(v), Min: int32(lo), Max: int32(hi)}
		}
	}
	return rows
}

func room(data []byte, rows []series.Result) []series.Result {
	if (len(data)-1)%9 != 0 {
		return nil
	}
	n := (len(data) - 1) / 9
	if cap(rows) < n {
		rows = make([]series.Result, n)
	}
	return rows[:n]
}

// A decoder used again and again allocates nothing for results, whoever sends them.
func TestSteadyStateAllocatesNothing(t *testing.T) {
	uds := []byte{0x62, 0xF6, 0x21}
	for i := range 20 {
		uds = append(uds, byte(0x80+i), 0x20, 0x01, 0x40, 0x00, 0x80, 0xFF, 0xFF)
	}
	for _, from := range []string{"7E8", "18DAF110", "18daf110", "10", ""} {
		msgs := []Message{{From: from, PGN: series.None, Data: forty(0, 0)}, {From: from, PGN: series.None, Data: uds}}
		var d Decoder
		d.Decode(series.UDS, msgs, nil)
		if n := testing.AllocsPerRun(100, func() { d.Decode(series.UDS, msgs, nil) }); n != 0 {
			t.Errorf("%s: %v allocations", from, n)
		}
		if n := testing.AllocsPerRun(100, func() { Decode(series.CAN, msgs[:1], nil) }); n > 8 {
			t.Errorf("%s: %v allocations for a new report, want a handful", from, n)
		}
	}
}

// A decoder that has read anything reads the next report as a new one does, even where what it keeps for use
// again is full of rubbish.
func TestDecoderStartsAnew(t *testing.T) {
	reports := []struct {
		bus  series.Bus
		cat  bool
		msgs []string
	}{
		{series.CAN, false, []string{"7E8 41 2F 80", "7E8 49 04 01 494E562D43414C2D3030303700000000", "7E8 41 41 00 07 65 04", "7E8 55", "7E8 43 01 0420", "7E8 46 21 89 20 0140 0080 FFFF"}},
		{series.CAN, false, []string{"7E8 46 21 89 20 0140 0080 FFFF 22 89 20 0140 0080 FFFF 21 8A 20 0140 0080 FFFF"}},
		{series.CAN, true, []string{"7E8 46 21 89 20 0140 0080 FFFF", "7E9 46 21 89 20 0140 0080 FFFF 20"}},
		{series.CAN, false, []string{"7E9 46 21 89 20 0140 0080 FFFF 21 8A 20 0140 0080 FFFF 20 80 20 0140 0080 FFFF", "18DAF110 46 3C 96 FE 0014 FF9C 00C8"}},
		{series.J1850, true, []string{"10 46 03 04 0078 0190", "10 46 61 80 00A6 000D", "10 46 03 84 0078 003C", "10 45 05 02 20 00 40", "10 43 0420 0301 0000"}},
		{series.J1850, false, []string{"10 46 03 04 0078 0190", "10 46 61 80 00A6 000D"}},
		{series.J1939, false, []string{"00/49664 0A00 0800 F80B00 0500 0700", "00/41984 F7 AA0C10 CD00 5203 4C04 5802 F7 AA0C10 CD00 5303 4C04 5802", "00/65260 395A5A2A"}},
		{series.UDS, false, []string{"7E8 59 06 042000 00 92 02 0020 0140 0080 FFFF 0096 0654 8000 06D6", "7E8 62 F6 01 05 10 0024 0000 0089 86 20 0140 0080 FFFF"}},
	}
	cat, err := ParseCatalogue(strings.NewReader(invented))
	if err != nil {
		t.Fatal(err)
	}
	var d Decoder
	for j := range 2 * len(reports) * len(reports) {
		c := reports[j*7%len(reports)]
		if j%3 == 0 {
			c = reports[j/3%len(reports)]
		}
		var use *Catalogue
		if c.cat {
			use = cat
		}
		want, _ := json.Marshal(Decode(c.bus, messages(t, c.msgs...), use))
		if d.d.rep != nil {
			old := d.d.rep.results[:cap(d.d.rep.results)]
			for i := range old {
				if d.d.memory.rows != nil && (i+j)%3 != 0 { // what it remembers is its own
					continue
				}
				d.d.memory.forgetRow(i)
				old[i] = series.Result{ECU: "x", CalID: "x", Test: "x", DTC: "x", UnitOfMeasure: "x", Runs: 9, Done: series.True, State: 9, Coding: 9}
			}
		}
		rep := d.Decode(c.bus, messages(t, c.msgs...), use)
		fresh := Decode(c.bus, messages(t, c.msgs...), use)
		if got, _ := json.Marshal(rep); string(got) != string(want) {
			t.Fatalf("%v\n got %s\nwant %s", c.msgs, got, want)
		}
		if a, b := fmt.Sprint(rep.Results(), rep.Codes(), rep.VINs, rep.CalIDs), fmt.Sprint(fresh.Results(), fresh.Codes(), fresh.VINs, fresh.CalIDs); a != b {
			t.Fatalf("%v\n got %s\nwant %s", c.msgs, a, b)
		}
		for i := range rep.Items { // each item shows the result that the report has
			if it := &rep.Items[i]; it.Kind == KindResult && !slices.ContainsFunc(shown(rep), func(r *series.Result) bool { return r == it.Result }) {
				t.Fatalf("%v: item %d shows a result of another time", c.msgs, i)
			}
		}
	}
}

func shown(rep *Report) []*series.Result {
	var all []*series.Result
	for i := range rep.Results() {
		all = append(all, &rep.Results()[i])
	}
	return all
}
