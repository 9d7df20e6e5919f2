package obd

import (
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
	// The bare loop reads the same fields and adds them up: the floor.
	b.Run("bare", func(b *testing.B) {
		data := msgs[0].Data
		b.SetBytes(int64(len(data)))
		b.ReportAllocs()
		var rows [40]series.Result
		for b.Loop() {
			for i, o := 0, 1; o < len(data); i, o = i+1, o+9 {
				r := &rows[i]
				r.MID, r.TID, r.UAS = int32(data[o]), int32(data[o+1]), int32(data[o+2])
				r.Raw = series.Raw{Value: word(false, data[o+3:]), Min: word(false, data[o+5:]), Max: word(false, data[o+7:])}
				r.Value = float64(r.Raw.Value) * units[data[o+2]].scale
			}
		}
	})
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
