package obd

import (
	"testing"

	"marginline/ingest/series"
)

// sparkInOrder is the counters of InfoType 08 with the number 1 in the first place, 2 in the second and so on.
const sparkInOrder = "1C 0001 0002 0003 0004 0005 0006 0007 0008 0009 000A 000B 000C 000D 000E 000F 0010 0011 0012 0013 0014 0015 0016 0017 0018 0019 001A 001B 001C"

// A result that hangs on a code has the counter of the monitor that sets the code, where that is certain: the code
// ranges of SAE J2012 and the order of counters of SAE J1979 (from memory). Circuit codes have none.
func TestRunsOfCodeResults(t *testing.T) {
	for _, c := range []struct {
		code               string
		spark, compression int32 // the place of the counter in InfoType 08 and 0B
	}{
		{"0420", 3, 3}, {"0430", 5, 3}, {"0133", 7, 11}, {"0153", 9, 11}, {"0401", 11, 13}, {"0011", 11, 13}, {"0411", 13, series.None}, {"0455", 15, series.None},
		{"013A", 17, 11}, {"2A04", 19, 11}, {"219A", 21, series.None}, {"219B", 23, series.None}, {"2002", 25, 9}, {"2003", 27, 9},
		{"0299", series.None, 15}, {"20EE", series.None, 5}, {"2000", series.None, 7},
		{"0135", series.None, series.None}, {"0444", series.None, series.None}, {"0300", series.None, series.None}, {"1234", series.None, series.None}, {"C100", series.None, series.None},
	} {
		data := "7E8 59 06 " + c.code + "00 00 92 01 0020 0140 0080 FFFF"
		for counters, want := range map[string]int32{
			"7E8 62 F808 " + sparkInOrder: c.spark,
			"7E8 62 F80B 12 0001 0002 0003 0004 0005 0006 0007 0008 0009 000A 000B 000C 000D 000E 000F 0010 0011 0012": c.compression,
			"7E9 62 F808 " + sparkInOrder: series.None, // another control unit's
		} {
			for _, order := range [][]string{{data, counters}, {counters, data}} {
				if r := call(t, series.UDS, order...).Results(); len(r) != 1 || r[0].Runs != want {
					t.Errorf("%s with %.14s: %d, want %d", c.code, counters, r[0].Runs, want)
				}
			}
		}
	}
}

// The counter of each monitor (monitor ids of ISO 15031-5 Annex D and order of counters of SAE J1979, from memory): the
// place in InfoType 08 and in 0B. Heaters, fuel system and misfire have no ratio of their own.
func TestRunsOfMonitors(t *testing.T) {
	const none = series.None
	for _, c := range []struct {
		mid                string
		spark, compression int32
	}{
		{"01", 7, 11}, {"02", 17, 11}, {"04", 17, 11}, {"05", 9, 11}, {"06", 19, 11}, {"21", 3, 3}, {"22", 5, 3}, {"31", 11, 13}, {"35", 11, 13}, {"39", 15, none}, {"3C", 15, none},
		{"3D", 15, none}, {"41", none, none}, {"71", 13, none}, {"81", none, none}, {"85", none, 15}, {"90", none, 7}, {"98", none, 5}, {"A2", none, none}, {"B2", 25, 9}, {"B3", 27, 9},
	} {
		for counters, want := range map[string]int32{
			"49 08 " + sparkInOrder: c.spark,
			"49 0B 12 0001 0002 0003 0004 0005 0006 0007 0008 0009 000A 000B 000C 000D 000E 000F 0010 0011 0012": c.compression,
		} {
			if r := call(t, series.CAN, "7E8 "+counters, "7E8 46 "+c.mid+" 81 10 0005 0001 0009").Results(); len(r) != 1 || r[0].Runs != want {
				t.Errorf("monitor %s with %.5s: %d, want %d", c.mid, counters, r[0].Runs, want)
			}
		}
	}
	// Before rear sensors had their own counters there is none for them.
	short := "7E8 49 08 10 0001 0002 0003 0004 0005 0006 0007 0008 0009 000A 000B 000C 000D 000E 000F 0010"
	if r := call(t, series.CAN, short, "7E8 46 02 81 10 0005 0001 0009").Results()[0]; r.Runs != none {
		t.Error(r.Runs)
	}
}

// Every counter that a code or a monitor names exists, and every code stands once.
func TestRatiosTable(t *testing.T) {
	if len(ratios) < 50 {
		t.Errorf("%d codes", len(ratios))
	}
	seen := 0
	if err := each("ratios", "codes,spark,compression,source", func(row []string) error {
		return codeRanges(row[0], func(from, to int) { seen += to - from + 1 })
	}); err != nil || seen != len(ratios) {
		t.Errorf("%d codes in rows, %d in the table: %v", seen, len(ratios), err)
	}
	for code, want := range map[int]string{0x0420: "catalyst", 0x0133: "o2_sensor", 0x0401: "egr", 0x0011: "vvt", 0x0455: "evap", 0x0411: "secondary_air", 0x2002: "pm_filter"} {
		if got := CodeFamily(CodeText(byte(code>>8), byte(code))); got != want || ratios[code] == [2]string{} {
			t.Errorf("%04X: %s, want %s", code, got, want)
		}
	}
}

// Verification numbers by control unit, as calibration ids: in the order told, each once (SAE J1979 InfoType 06 and
// SAE J1939-73 DM19, from memory).
func TestVerificationNumbers(t *testing.T) {
	for _, c := range []struct {
		bus  series.Bus
		msgs []string
		ecu  string
		want string
	}{
		{series.CAN, []string{"7E8 49 06 02 1A2B3C4D 00C0FFEE", "7E9 49 06 01 00000001"}, "7e8", "1A2B3C4D+00C0FFEE"},
		{series.CAN, []string{"7E8 49 06 01 1A2B3C4D", "7E8 49 06 01 1A2B3C4D"}, "7e8", "1A2B3C4D"},
		{series.UDS, []string{"7E8 62 F806 01 1A2B3C4D"}, "7e8", "1A2B3C4D"},
		{series.ISO9141, []string{"10 49 06 02 00C0FFEE", "10 49 06 01 1A2B3C4D"}, "10", "1A2B3C4D+00C0FFEE"},
		{series.J1939, []string{"00/54016 4D3C2B1A 494E562D43414C2D3030303700000000"}, "00", "1A2B3C4D"},
	} {
		if rep := call(t, c.bus, c.msgs...); rep.CVNs[c.ecu] != c.want || len(rep.Errors()) > 0 {
			t.Errorf("%v: %q, want %q", c.msgs, rep.CVNs, c.want)
		}
	}
	if rep := call(t, series.CAN, "7E8 46 21 89 20 0140 0080 FFFF"); rep.CVNs != nil {
		t.Error(rep.CVNs)
	}
}

// Minutes since codes were cleared: PID 4E, and DM21 bytes 7 and 8 (SAE J1979-DA, J1939-73, from memory).
func TestMinutesSinceClear(t *testing.T) {
	for _, c := range []struct {
		bus  series.Bus
		msg  string
		want float64
	}{{series.CAN, "7E8 41 4E 001E", 30}, {series.UDS, "7E8 62 F44E 0102", 258}, {series.ISO14230, "10 41 4E FFFF", 65535}, {series.J1939, "00/49408 0000 2C01 0000 1E00", 30}, {series.J1939, "00/49408 0000 2C01 0000 FFFF", series.Absent()}} {
		if got := call(t, c.bus, c.msg).Context.MinutesSinceClear; !same(got, c.want) {
			t.Errorf("%s: %v, want %v", c.msg, got, c.want)
		}
	}
}
