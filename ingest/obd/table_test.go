package obd

import (
	"encoding/csv"
	"encoding/hex"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"marginline/ingest/series"
)

// Every unit-and-scaling id at raw 0000, 0001, 7FFF, 8000 and FFFF against the printed range of the id (ISO
// 15031-5 Annex E / SAE J1979-DA, from memory), kept apart from the table of factors: an unsigned id runs
// from 0000 to FFFF, a signed one from 8000 to 7FFF, evenly.
func TestEveryUnit(t *testing.T) {
	f, err := os.Open("testdata/unit_ranges.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	ranges := map[byte][2]float64{}
	for _, row := range all[1:] {
		id, err := strconv.ParseUint(row[0], 16, 8)
		lo, err1 := strconv.ParseFloat(row[1], 64)
		hi, err2 := strconv.ParseFloat(row[2], 64)
		if err != nil || err1 != nil || err2 != nil {
			t.Fatal(row)
		}
		ranges[byte(id)] = [2]float64{lo, hi}
	}
	if len(ranges) != 92 {
		t.Fatalf("%d ids, want 92", len(ranges))
	}
	for i := range 256 {
		id := byte(i)
		want, known := ranges[id]
		if units[id].known != known {
			t.Errorf("id %02X: known %v", id, units[id].known)
		}
		signed := id >= 0x80
		if !known { // counts
			want = [2]float64{0, 65535}
			if signed {
				want = [2]float64{-32768, 32767}
			}
		}
		for _, raw := range []uint16{0, 1, 0x7FFF, 0x8000, 0xFFFF} {
			data := []byte{0x46, 0x21, 0x80, id, byte(raw >> 8), byte(raw), 0, 2, 0, 3} // limits that are none of them
			rep := Decode(series.CAN, []Message{{PGN: series.None, Data: data}}, nil)
			if len(rep.Results()) != 1 {
				t.Fatalf("%x: %v", data, rep.Errors())
			}
			r := rep.Results()[0]
			steps := float64(raw)
			if signed {
				steps = float64(int16(raw)) + 32768
			}
			value := want[0] + (want[1]-want[0])*steps/65535
			if tol := (want[1] - want[0]) * 1e-12; math.Abs(r.Value-value) > tol {
				t.Errorf("id %02X raw %04X: %v, want %v", id, raw, r.Value, value)
			}
			raws := int32(raw)
			if signed {
				raws = int32(int16(raw))
			}
			if r.Raw.Value != raws {
				t.Errorf("id %02X raw %04X: %d kept, want %d", id, raw, r.Raw.Value, raws)
			}
			if pass := raws >= 2 && raws <= 3; r.State != series.StateOK || r.Passed != series.TriOf(pass) {
				t.Errorf("id %02X raw %04X: %s %d", id, raw, r.State, r.Passed)
			}
		}
	}
}

// Ids that are easily mixed up (SAE J1979-DA, from memory): units beside their quantity, and pairs where
// the id plus 80 is no signed twin.
func TestUnitTraps(t *testing.T) {
	for _, c := range []struct {
		id                  byte
		raw                 uint16
		value               float64
		unit, why           string
		ratio, unlikeSigned bool
	}{
		{0x0A, 1000, 122, "mV", "millivolt; 0B and 0C are volt", true, false},
		{0x0B, 1000, 1, "V", "", true, false},
		{0x0C, 1000, 10, "V", "", true, false},
		{0x0D, 256, 1, "mA", "milliampere", true, false},
		{0x04, 1000, 1, "1", "1/1000, not 1/100", true, false},
		{0x09, 7, 7, "km/h", "speed, not rpm", true, false},
		{0x11, 1, 100, "ms", "100 ms, not 1 s", true, false},
		{0x16, 400, 0, "Cel", "offset -40", false, false},
		{0x96, 400, 40, "Cel", "no offset", false, false},
		{0x07, 4, 1, "{rev}/min", "", true, true},
		{0x87, 4, 4, "[ppm]", "not signed rpm", false, true},
		{0x19, 1000, 79, "kPa", "", true, true},
		{0x99, 1000, 100, "kPa", "0.1, not 0.079", false, true},
		{0x1E, 10000, 0.305, "1", "full scale 2", true, false},
		{0x33, 10000, 2.4414, "1", "eight times coarser than 1E", true, false},
		{0x20, 256, 0.9999872, "1", "0.0039062 as printed", true, false},
		{0x24, 9, 9, "{count}", "counts, not a ratio", true, false},
		{0x2A, 1000, 1, "kg/h", "per hour", true, false},
		{0x2E, 1, 1, "{bool}", "truth value", true, true},
		{0xAE, 10, 1, "mg/{stroke}", "not signed 2E", false, true},
		{0x30, 10000, 15.26, "%", "", true, true},
		{0xB0, 10000, 30.52, "%", "twice the step of 30", false, true},
		{0x31, 1000, 1, "L", "", true, true},
		{0xB1, 10, 20, "mV/s", "not signed volume", false, true},
		{0x32, 32768, 0.999424, "[in_i]", "inch", true, false},
		{0x39, 32768, 0, "%", "offset binary", false, false},
		{0xFE, 4, 1, "Pa", "pascal", false, false},
		{0xFD, 1000, 1, "kPa", "", false, false},
	} {
		data := []byte{0x46, 0x21, 0x80, c.id, byte(c.raw >> 8), byte(c.raw), 0, 0, 0x7F, 0xF0}
		if c.id >= 0x80 {
			data[6] = 0x80
		}
		r := Decode(series.CAN, []Message{{PGN: series.None, Data: data}}, nil).Results()[0]
		if math.Abs(r.Value-c.value) > 1e-9 || r.UnitOfMeasure != c.unit {
			t.Errorf("id %02X: %v %s, want %v %s (%s)", c.id, r.Value, r.UnitOfMeasure, c.value, c.unit, c.why)
		}
		if has := r.Margin == r.Margin; has != c.ratio {
			t.Errorf("id %02X: margin against one limit %v (%s)", c.id, r.Margin, c.why)
		}
	}
}

// Every row of every table is read, names its source, and can be looked up.
func TestEveryRow(t *testing.T) {
	rows := map[string]int{}
	table := func(name, columns string, check func(row []string) bool) {
		err := each(name, columns, func(row []string) error {
			rows[name]++
			if !check(row) || strings.TrimSpace(row[len(row)-1]) == "" {
				t.Errorf("%s: %v", name, row)
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
	confidence := func(s string) bool { return s == "high" || s == "medium" || s == "low" || s == "name_only" }
	table("units", "id,signed,scale,offset,ucum,quantity,confidence,source", func(row []string) bool {
		id, _ := hex.DecodeString(row[0])
		u := units[id[0]]
		return u.known && strconv.FormatFloat(u.scale, 'f', -1, 64) == row[2] && strconv.FormatFloat(u.offset, 'f', -1, 64) == row[3] &&
			u.ucum == row[4] && u.ucum != "" && u.quantity != "" && confidence(row[6])
	})
	ids := map[int]bool{}
	families := map[string]bool{}
	table("monitors", "id,name,family,codes,worsening,confidence,source", func(row []string) bool {
		from, to, err := span(row[0])
		for id := from; id <= to; id++ {
			if ids[id] {
				return false
			}
			ids[id] = true
		}
		families[row[2]] = true
		m := monitors[from]
		return err == nil && m.name == row[1] && m.family == row[2] && m.name != "" && m.family != "" && confidence(row[5]) &&
			(from&0x1F == 0) == (m.family == "support_bitmap")
	})
	if len(ids) != 256 {
		t.Errorf("%d of 256 monitor ids are named", len(ids))
	}
	named := map[int]bool{}
	table("tests", "id,name,family,worsening,confidence,source", func(row []string) bool {
		from, to, err := span(row[0])
		for id := from; id <= to; id++ {
			named[id] = true
		}
		return err == nil && tests[to].name == row[1] && confidence(row[4])
	})
	if len(named) != 256 {
		t.Errorf("%d of 256 test ids are named", len(named))
	}
	table("slots", "id,name,bytes,scale,offset,unit,quantity,confidence,source", func(row []string) bool {
		id, err := strconv.Atoi(row[0])
		s, ok := slots[int32(id)]
		return err == nil && ok && s.known == (row[3] != "") && (!s.known || s.unit != "") && confidence(row[7])
	})
	table("spns", "spn,name,family,group,source", func(row []string) bool {
		id, err := strconv.Atoi(row[0])
		s, ok := spns[int32(id)]
		return err == nil && ok && s.name == row[1] && families[s.family]
	})
	table("codes", "family,codes,source", func(row []string) bool { return families[row[0]] })
	for name, want := range map[string]int{"units": 92, "monitors": 108, "tests": 17, "slots": 63, "spns": 61, "codes": 13} {
		if rows[name] != want {
			t.Errorf("%s: %d rows, want %d", name, rows[name], want)
		}
	}
}
