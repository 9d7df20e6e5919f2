package obd

import (
	"encoding/binary"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// numbered cuts data into the messages of an older bus: service, info type, number from 1, four bytes.
func numbered(kind byte, data []byte) (msgs []Message) {
	for i := 0; 4*i < len(data); i++ {
		msgs = append(msgs, Message{From: "10", PGN: series.None, Data: append([]byte{0x49, kind, byte(i + 1)}, data[4*i:4*i+4]...)})
	}
	return msgs
}

// infoForms gives the forms in which an info type comes: on CAN with a count, on UDS with and without one, before CAN
// in numbered messages in any order, some of them twice.
func infoForms(t *rapid.T, kind byte, count int, data []byte) map[string]*Report {
	one := func(bus series.Bus, head ...byte) *Report {
		return Decode(bus, []Message{{From: "10", PGN: series.None, Data: append(head, data...)}}, nil)
	}
	parts := numbered(kind, data)
	if rapid.Bool().Draw(t, "twice") {
		parts = append(parts, parts[rapid.IntRange(0, len(parts)-1).Draw(t, "again")])
	}
	parts = rapid.Permutation(parts).Draw(t, "order")
	return map[string]*Report{
		"CAN": one(series.CAN, 0x49, kind, byte(count)), "UDS": one(series.UDS, 0x62, 0xF8, kind, byte(count)), "UDS without a count": one(series.UDS, 0x62, 0xF8, kind),
		"before CAN": Decode(rapid.SampledFrom([]series.Bus{series.J1850, series.ISO9141, series.ISO14230}).Draw(t, "bus"), parts, nil),
	}
}

func infoItem(t *rapid.T, form string, rep *Report, kind Kind) Fields {
	if len(rep.Items) != 1 || rep.Items[0].Kind != kind || rep.Items[0].Note != "" {
		t.Fatalf("%s: %s %v", form, kinds(rep), rep.Errors())
	}
	return rep.Items[0].Values
}

// InfoType 04: calibration ids of 16 characters, filled with 00 on the right (SAE J1979, from memory).
func TestRoundTripCalibrations(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ids := rapid.SliceOfNDistinct(rapid.StringMatching(`[!-~]([ -~]{0,14}[!-~])?`), 1, 12, rapid.ID).Draw(t, "ids")
		var data []byte
		for _, id := range ids {
			data = append(append(data, id...), make([]byte, 16-len(id))...)
		}
		for form, rep := range infoForms(t, 0x04, len(ids), data) {
			if got := infoItem(t, form, rep, KindCalibration).Get("cal_ids").([]string); fmt.Sprintf("%q", got) != fmt.Sprintf("%q", ids) || rep.CalIDs["10"] != strings.Join(ids, "+") {
				t.Fatalf("%s: %q %q, want %q", form, got, rep.CalIDs, ids)
			}
		}
	})
}

// InfoType 06: verification numbers of four bytes in the order of the calibrations (SAE J1979, from memory).
func TestRoundTripVerification(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		numbers := rapid.SliceOfNDistinct(rapid.Uint32(), 1, 12, rapid.ID).Draw(t, "numbers")
		var data []byte
		var want []string
		for _, n := range numbers {
			data, want = binary.BigEndian.AppendUint32(data, n), append(want, fmt.Sprintf("%08X", n))
		}
		for form, rep := range infoForms(t, 0x06, len(numbers), data) {
			if got := infoItem(t, form, rep, KindCalibration).Get("cvn").([]string); strings.Join(got, " ") != strings.Join(want, " ") || rep.CVNs["10"] != strings.Join(want, "+") {
				t.Fatalf("%s: %v %q, want %v", form, got, rep.CVNs, want)
			}
		}
	})
}

// InfoTypes 08 and 0B: two bytes a counter; the legal numbers of counters, and the names in their order (SAE J1979,
// from memory).
func TestRoundTripCounters(t *testing.T) {
	spark := strings.Fields("OBDCOND IGNCNTR CATCOMP1 CATCOND1 CATCOMP2 CATCOND2 O2SCOMP1 O2SCOND1 O2SCOMP2 O2SCOND2 EGRCOMP EGRCOND AIRCOMP AIRCOND EVAPCOMP EVAPCOND " +
		"SO2SCOMP1 SO2SCOND1 SO2SCOMP2 SO2SCOND2 AFRICOMP1 AFRICOND1 AFRICOMP2 AFRICOND2 PFCOMP1 PFCOND1 PFCOMP2 PFCOND2")
	compression := strings.Fields("OBDCOND IGNCNTR HCCATCOMP HCCATCOND NCATCOMP NCATCOND NADSCOMP NADSCOND PMCOMP PMCOND EGSCOMP EGSCOND EGRCOMP EGRCOND BPCOMP BPCOND FUELCOMP FUELCOND")
	for _, c := range []struct {
		kind  byte
		n     int
		names []string
	}{{0x08, 16, spark}, {0x08, 20, spark}, {0x08, 28, spark}, {0x0B, 16, compression}, {0x0B, 18, compression}} {
		t.Run(fmt.Sprintf("%02X with %d", c.kind, c.n), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				var data []byte
				var want []string
				for i := range c.n {
					x := word16(t, "counter")
					data, want = binary.BigEndian.AppendUint16(data, x), append(want, fmt.Sprintf("%s %d", c.names[i], x))
				}
				for form, rep := range infoForms(t, c.kind, c.n, data) {
					var got []string
					v := infoItem(t, form, rep, KindCounters)
					for _, f := range v.Get("counters").(Fields) {
						got = append(got, fmt.Sprintf("%s %d", f.Name, f.Value))
					}
					if strings.Join(got, ", ") != strings.Join(want, ", ") || v.Get("info_type") != fmt.Sprintf("%02x", c.kind) {
						t.Fatalf("%s: %v, want %v", form, got, want)
					}
				}
			})
		})
	}
}

// InfoType 0A: the name of the control unit, 20 characters filled with 00 (SAE J1979, from memory). What is not known
// here stays as read.
func TestRoundTripName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[!-~]([ -~]{0,18}[!-~])?`).Draw(t, "name")
		for form, rep := range infoForms(t, 0x0A, 1, append([]byte(name), make([]byte, 20-len(name))...)) {
			if got := infoItem(t, form, rep, KindCalibration).Get("ecu_name"); got != name {
				t.Fatalf("%s: %q, want %q", form, got, name)
			}
		}
		kind, data := rapid.SampledFrom([]byte{0x0C, 0x14, 0x3F, 0xEE}).Draw(t, "info type"), rapid.SliceOfN(rapid.Byte(), 4, 40).Draw(t, "data")
		rep := Decode(series.CAN, []Message{{From: "7E8", PGN: series.None, Data: append([]byte{0x49, kind}, data...)}}, nil)
		if v := infoItem(t, "CAN", rep, KindContext); v.Get("info_type") != fmt.Sprintf("%02x", kind) || v.Get("raw") != fmt.Sprintf("%x", data) {
			t.Fatalf("%v, want %02x %x", v, kind, data)
		}
	})
}

// A message that did not come leaves no number half read: VIN, ids and counters say what is missing and give none.
func TestRoundTripPartsMissing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom([]byte{0x02, 0x04, 0x08, 0x0A, 0x0B}).Draw(t, "info type")
		n := map[byte]int{0x02: 5, 0x04: 4, 0x08: 8, 0x0A: 5, 0x0B: 8}[kind]
		parts := numbered(kind, rapid.SliceOfN(rapid.ByteRange('0', '9'), 4*n, 4*n).Draw(t, "data"))
		lost := rapid.IntRange(0, n-1).Draw(t, "lost")
		parts = append(parts[:lost:lost], parts[lost+1:]...)
		rep := Decode(series.ISO9141, parts, nil)
		if len(rep.Items) != 1 || rep.Items[0].Values.Get("complete") != false || rep.Items[0].Note == "" || len(rep.VINs) > 0 || len(rep.CalIDs) > 0 {
			t.Fatalf("%02X without message %d of %d: %v %v", kind, lost+1, n, rep.Items[0].Values, rep.Items[0].Note)
		}
	})
}

// Identity typed by hand (SAE J1979, from memory): 032C is 812, 0607 1543, and the catalyst ran 402 times in 755 trips.
func TestGoldenInfo(t *testing.T) {
	counters := []string{"032C0607", "019202F3", "00010002", "00030004", "00050006", "00070008", "0009000A", "000B000C"}
	older := []string{"10 49 04 01 494E562D", "10 49 04 02 43414C2D", "10 49 04 03 30303037", "10 49 04 04 00000000", "10 49 06 01 1A2B3C4D"}
	for i, c := range counters {
		older = append(older, fmt.Sprintf("10 49 08 %02X %s", i+1, c))
	}
	for _, rep := range []*Report{
		call(t, series.CAN, "10 49 04 01 494E562D43414C2D3030303700000000", "10 49 06 01 1A2B3C4D", "10 49 08 10 "+strings.Join(counters, " ")),
		call(t, series.UDS, "10 62 F804 01 494E562D43414C2D3030303700000000", "10 62 F806 01 1A2B3C4D", "10 62 F808 10 "+strings.Join(counters, " ")),
		call(t, series.J1850, older...),
	} {
		if kinds(rep) != "calibration calibration counters" || rep.CalIDs["10"] != "INV-CAL-0007" || list(rep.Items[1].Values.Get("cvn")) != "1A2B3C4D" {
			t.Errorf("%s %s: %q %v", rep.Bus, kinds(rep), rep.CalIDs, rep.Items)
		}
		v := rep.Items[2].Values.Get("counters").(Fields)
		if v.Get("OBDCOND") != int32(812) || v.Get("IGNCNTR") != int32(1543) || v.Get("CATCOMP1") != int32(402) || v.Get("CATCOND1") != int32(755) || v.Get("EVAPCOND") != int32(12) {
			t.Error(v)
		}
	}
}
