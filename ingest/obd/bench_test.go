package obd

import (
	"encoding/binary"
	"testing"

	"marginline/ingest/series"
)

// forty is one message with forty results.
func forty() []byte {
	b := []byte{0x46}
	for i := range 40 {
		b = append(b, byte(0x21+i%2), byte(0x80+i), 0x20, 0x01, byte(i), 0x00, 0x80, 0xFF, 0xFF)
	}
	return b
}

func BenchmarkDecode(b *testing.B) {
	msgs := []Message{{From: "7E8", PGN: series.None, Data: forty()}}
	b.Run("new", func(b *testing.B) {
		b.SetBytes(int64(len(msgs[0].Data)))
		b.ReportAllocs()
		for b.Loop() {
			if len(Decode(series.CAN, msgs, nil).Results()) != 40 {
				b.Fatal("results")
			}
		}
	})
	b.Run("reused", func(b *testing.B) {
		var d Decoder
		b.SetBytes(int64(len(msgs[0].Data)))
		b.ReportAllocs()
		for b.Loop() {
			if len(d.Decode(series.CAN, msgs, nil).Results()) != 40 {
				b.Fatal("results")
			}
		}
	})
	b.Run("bare", func(b *testing.B) {
		data := msgs[0].Data
		b.SetBytes(int64(len(data)))
		b.ReportAllocs()
		var rows []series.Result
		for b.Loop() {
			rows = bare(data, rows[:0])
			if len(rows) != 40 {
				b.Fatal("results")
			}
		}
	})
}

// bare is the floor that decoding is measured against: it checks the length, reads the six fields of each
// record, sign-extends three of them by the unit id, and stores them in a slice of results that is used
// again. It neither names nor scales nor judges, makes no item, looks for no sender, and leaves the other
// fields of a result as they were.
func bare(data []byte, rows []series.Result) []series.Result {
	n := (len(data) - 1) / 9
	if (len(data)-1)%9 != 0 {
		return nil
	}
	if cap(rows) < n {
		rows = make([]series.Result, n)
	}
	rows = rows[:n]
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

// A decoder used again and again allocates nothing for results.
func TestSteadyStateAllocatesNothing(t *testing.T) {
	msgs := []Message{{From: "7E8", PGN: series.None, Data: forty()}}
	var d Decoder
	d.Decode(series.CAN, msgs, nil)
	if n := testing.AllocsPerRun(100, func() { d.Decode(series.CAN, msgs, nil) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
	if n := testing.AllocsPerRun(100, func() { Decode(series.CAN, msgs, nil) }); n > 8 {
		t.Errorf("%v allocations for a new report, want a handful", n)
	}
}

// What one report told is not left over in the next of the same decoder.
func TestDecoderStartsAnew(t *testing.T) {
	var d Decoder
	d.Decode(series.CAN, messages(t, "7E8 41 2F 80", "7E8 49 04 01 494E562D43414C2D3030303700000000", "7E8 41 41 00 07 65 04", "7E8 55", "7E8 43 01 0420"), nil)
	rep := d.Decode(series.CAN, messages(t, "7E8 46 21 89 20 0140 0080 FFFF"), nil)
	r := rep.Results()[0]
	if kinds(rep) != "result" || r.CalID != "" || r.Done != series.Unknown || rep.Context.FuelLevelPct == rep.Context.FuelLevelPct || rep.CalIDs != nil || len(rep.Codes()) != 0 {
		t.Errorf("%+v %+v", rep, r)
	}
}
