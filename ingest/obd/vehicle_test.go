package obd

import (
	"testing"

	"marginline/ingest/series"
)

// Parameters of service $01, SAE J1979-DA (from memory).
func TestParameters(t *testing.T) {
	for _, c := range []struct {
		data  string
		value float64
		unit  string
	}{
		{"41 A6 0012D687", 123456.7, "km"}, {"41 31 012C", 300, "km"}, {"41 42 36B0", 14, "V"}, {"41 05 82", 90, "Cel"}, {"41 46 00", -40, "Cel"},
		{"41 0F 3C", 20, "Cel"}, {"41 1F 0258", 600, "s"}, {"41 21 0010", 16, "km"}, {"41 2F FF", 100, "%"}, {"41 30 FF", 255, "1"}, {"41 33 65", 101, "kPa"},
		{"41 4D 0102", 258, "min"}, {"41 4E FFFF", 65535, "min"}, {"41 04 FF", 100, "%"}, {"41 0D 64", 100, "km/h"},
	} {
		rep := call(t, series.CAN, "7E8 "+c.data)
		if kinds(rep) != "context" {
			t.Errorf("%s: %s", c.data, kinds(rep))
			continue
		}
		v := rep.Items[0].Values
		if v.Get("value") != c.value || v.Get("unit_of_measure") != c.unit {
			t.Errorf("%s: %v", c.data, v)
		}
	}
}

// Several parameters in one message; the lowest responding address wins each column.
func TestContext(t *testing.T) {
	rep := call(t, series.CAN, "7E9 41 05 50 2F 80", "7E8 41 05 82 1F 0258 33 65", "7EA 41 46 3C A6 0012D687 30 0A", "7E8 41 05 10")
	c := rep.Context
	if c.CoolantC != 90 || c.FuelLevelPct != 128*100/255.0 || c.RunTimeS != 600 || c.BarometricKPa != 101 || c.AmbientC != 20 || c.OdometerKm != 123456.7 ||
		c.WarmupsSinceClear != 10 || c.DistanceSinceClearKm == c.DistanceSinceClearKm || c.EngineHours == c.EngineHours {
		t.Errorf("%+v", c)
	}
	// A parameter whose length is not known takes the rest as read; it is no fault.
	if rep := call(t, series.CAN, "7E8 41 05 82 9D 01020304"); kinds(rep) != "context context" || rep.Items[1].Values.Get("raw") != "01020304" {
		t.Error(kinds(rep))
	}
	if rep := call(t, series.CAN, "7E8 41 00 BE3EB811 20 80000001", "7E8 49 00 54000000"); kinds(rep) != "support support support" {
		t.Error(kinds(rep))
	}
}

// Readiness, SAE J1979 (from memory): PID 01 since clear, PID 41 this cycle; a set bit is incomplete.
func TestReadiness(t *testing.T) {
	rep := call(t, series.CAN, "7E8 41 01 82 07 65 04")
	v := rep.Items[0].Values
	monitors := v.Get("monitors").(Fields)
	if v.Get("lamp") != true || v.Get("code_count") != 2 || v.Get("ignition") != "spark" || len(monitors) != 7 {
		t.Fatal(v)
	}
	for _, m := range monitors {
		want := "complete"
		if m.Name == "evap" {
			want = "incomplete"
		}
		if m.Value != want {
			t.Errorf("%s is %v", m.Name, m.Value)
		}
	}
	catalyst, evap := "7E8 46 21 89 20 0140 0080 FFFF", "7E8 46 3C 96 FE 0014 FF9C 00C8"
	done := func(readiness string) []series.Tri {
		var all []series.Tri
		for _, r := range call(t, series.CAN, catalyst, evap, "7E9"+catalyst[3:], readiness).Results() {
			all = append(all, r.Done)
		}
		return all
	}
	if got := done("7E8 41 41 00 07 65 05"); got[0] != series.False || got[1] != series.False || got[2] != series.Unknown {
		t.Error(got)
	}
	if got := done("7E8 41 41 00 07 65 04"); got[0] != series.True || got[1] != series.False {
		t.Error(got)
	}
	if got := done("7E8 41 01 82 07 65 04"); got[0] != series.Unknown { // since clear says nothing of this cycle
		t.Error(got)
	}
	// Compression: bit 6 is the particulate filter, not the oxygen sensor heater.
	rep = call(t, series.CAN, "7E8 41 41 00 0F 43 02", "7E8 46 B2 CA 96 0654 8000 06D6", "7E8 46 41 81 14 0005 0001 0009", "7E8 46 98 81 10 0005 0001 0009")
	if r := rep.Results(); r[0].Done != series.True || r[1].Done != series.Unknown || r[2].Done != series.False {
		t.Errorf("%d %d %d", r[0].Done, r[1].Done, r[2].Done)
	}
}

// Trouble codes, SAE J2012 / ISO 15031-6 (from memory).
func TestCodes(t *testing.T) {
	for raw, want := range map[uint16]string{0x0420: "P0420", 0x0301: "P0301", 0x20EE: "P20EE", 0x4123: "C0123", 0xC100: "U0100", 0x9234: "B1234", 0x3FFF: "P3FFF"} {
		if got := CodeText(byte(raw>>8), byte(raw)); got != want {
			t.Errorf("%04X: %s, want %s", raw, got, want)
		}
	}
	for _, c := range []struct {
		bus        series.Bus
		data, want string
	}{
		{series.CAN, "43 02 0420 0301", "confirmed:P0420 confirmed:P0301"},
		{series.CAN, "47 01 0420", "pending:P0420"},
		{series.CAN, "4A 00", ""},
		{series.ISO9141, "43 0420 0301 0000", "confirmed:P0420 confirmed:P0301"},
		{series.J1850, "47 0000 0000 0000", ""},
		{series.ISO14230, "4A 0420 0000 0000", "permanent:P0420"},
	} {
		rep := call(t, c.bus, "10 "+c.data)
		if kinds(rep) != "codes" || codes(rep) != c.want {
			t.Errorf("%s: %s %s", c.data, kinds(rep), codes(rep))
		}
	}
	if rep := call(t, series.CAN, "7E8 43 02 0420", "7E8 43 0420 0301 0000", "7E8 43"); kinds(rep) != "error error error" {
		t.Error(kinds(rep))
	}
}

// Service $09 on CAN, SAE J1979 (from memory); the invented VIN and ids.
func TestVehicleInfo(t *testing.T) {
	rep := call(t, series.CAN,
		"7E8 49 02 01 39 5A 5A 54 45 53 54 37 34 52 41 30 30 30 31 32 33",
		"7E8 49 04 01 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00",
		"7E8 49 06 01 1A 2B 3C 4D",
		"7E8 49 08 10 032C 0607 0192 02F3 0001 0002 0003 0004 0005 0006 0007 0008 0009 000A 000B 000C",
		"7E8 46 21 89 20 0140 0080 FFFF", "7E8 46 31 85 B0 F333 D99A 2666", "7E9 46 21 89 20 0140 0080 FFFF", "7E8 46 01 05 10 0024 0000 0089", "7E8 46 02 05 10 0024 0000 0089")
	if got, want := kinds(rep), "vin calibration calibration counters result result result result result"; got != want {
		t.Fatalf("%s, want %s", got, want)
	}
	if len(rep.VINs) != 1 || rep.VINs[0] != "9ZZTEST74RA000123" || rep.Items[0].Values.Get("check_digit_ok") != true || rep.Items[0].Note != "" {
		t.Error(rep.VINs, rep.Items[0])
	}
	if rep.CalIDs["7e8"] != "INV-CAL-0007" || list(rep.Items[2].Values.Get("cvn")) != "1A2B3C4D" {
		t.Error(rep.CalIDs, rep.Items[2].Values)
	}
	counters := rep.Items[3].Values.Get("counters").(Fields)
	for name, want := range map[string]int32{"OBDCOND": 812, "IGNCNTR": 1543, "CATCOMP1": 402, "CATCOND1": 755, "EVAPCOND": 12} {
		if counters.Get(name) != want {
			t.Errorf("%s: %v, want %d", name, counters.Get(name), want)
		}
	}
	for i, want := range []struct {
		runs int32
		cal  string
	}{{402, "INV-CAL-0007"}, {7, "INV-CAL-0007"}, {series.None, ""}, {3, "INV-CAL-0007"}, {series.None, "INV-CAL-0007"}} {
		if r := rep.Results()[i]; r.Runs != want.runs || r.CalID != want.cal {
			t.Errorf("%s of %s: runs %d cal id %q, want %v", r.Test, r.ECU, r.Runs, r.CalID, want)
		}
	}
	// Two calibrations; a compression engine's counters; rear sensors with their own counter.
	rep = call(t, series.CAN, "7E8 49 04 02 494E562D43414C2D3030303700000000 494E562D43414C2D3030303800000000",
		"7E8 49 0B 10 0001 0002 0003 0004 0005 0006 0007 0008 0009 000A 000B 000C 000D 000E 000F 0010", "7E8 46 B2 CA 96 0654 8000 06D6", "7E8 46 98 81 10 0005 0001 0009")
	if r := rep.Results(); r[0].CalID != "INV-CAL-0007+INV-CAL-0008" || r[0].Runs != 9 || r[1].Runs != 5 {
		t.Errorf("%+v", r)
	}
	if bad := call(t, series.CAN, "7E8 49 02 01 39", "7E8 49 04 02 494E56", "7E8 49 08 10 0001", "7E8 49"); kinds(bad) != "error error error error" {
		t.Error(kinds(bad))
	}
}

// Service $09 before CAN: numbered messages of four bytes (SAE J1979, from memory).
func TestVehicleInfoInParts(t *testing.T) {
	rep := call(t, series.ISO9141, "10 49 02 01 00000039", "10 49 02 02 5A5A5445", "10 49 02 04 52413030", "10 49 02 03 53543734", "10 49 02 05 30313233",
		"10 46 05 81 01F4 012C", "10 49 04 01 494E562D", "10 49 04 02 43414C2D", "10 49 04 03 30303037", "10 49 04 04 00000000", "10 49 06 01 1A2B3C4D",
		"10 49 00 01 54000000", "18 49 02 01 00000039")
	if got, want := kinds(rep), "vin result calibration calibration support vin"; got != want {
		t.Fatalf("%s, want %s", got, want)
	}
	if len(rep.VINs) != 1 || rep.VINs[0] != "9ZZTEST74RA000123" {
		t.Error(rep.VINs)
	}
	if r := rep.Results()[0]; r.CalID != "INV-CAL-0007" {
		t.Error(r.CalID)
	}
	if rep.Items[5].Note == "" || rep.Items[5].Values.Get("complete") != false {
		t.Error(rep.Items[5])
	}
}

// The check digit of 49 CFR 565: the sum 411 leaves 4 (worked by hand: 72 63 54 15 20 6 6 70 0 81 8 0 0 0 4 6 6), and
// a number whose remainder is 10.
func TestCheckDigit(t *testing.T) {
	for _, c := range []struct {
		vin  string
		want byte
		ok   bool
	}{
		{"9ZZTEST74RA000123", '4', true}, {"9ZZTEST7XRA000014", 'X', true}, {"9ZZTEST75RA000123", '4', false}, {"9ZZTEST7?RA000123", '4', false},
		{"11111111111111111", '1', true}, // sum of the weights 89 = 8*11 + 1: a well-known test number
		{"9ZZTEST74RA00012", 0, false}, {"9ZZTEST74RA00O123", 0, false}, {"", 0, false}, {"9zztest74ra000123", 0, false},
	} {
		if want, ok := CheckDigit(c.vin); want != c.want || ok != c.ok {
			t.Errorf("%s: %c %v, want %c %v", c.vin, want, ok, c.want, c.ok)
		}
	}
	for _, blank := range []string{"FF", "00", "20"} {
		data := "7E8 49 02 01"
		for range 17 {
			data += blank
		}
		rep := call(t, series.CAN, data)
		if kinds(rep) != "vin" || len(rep.VINs) != 0 || rep.Items[0].Note == "" {
			t.Errorf("%s: %v", blank, rep.Items[0])
		}
	}
	rep := call(t, series.CAN, "7E8 49 02 01 39 5A 5A 54 45 53 54 37 35 52 41 30 30 30 31 32 33")
	if len(rep.VINs) != 1 || rep.Items[0].Values.Get("check_digit_ok") != false || rep.Items[0].Note == "" {
		t.Error("a wrong check digit is a warning, no reject")
	}
}

// Negative answers, ISO 14229-1 (from memory): told apart, never a fault.
func TestNegative(t *testing.T) {
	for data, want := range map[string]string{
		"7F 06 11": "no_support", "7F 06 12": "no_support", "7F 22 31": "no_support", "7F 06 21": "busy", "7F 09 78": "pending", "7F 22 78": "pending",
		"7F 06 22": "conditions", "7F 06 10": "rejected", "7F 06 13": "rejected", "7F 06 99": "other", "7F 06": "unknown", "7F": "unknown",
	} {
		rep := call(t, series.CAN, "7E8 "+data)
		if kinds(rep) != "negative" || rep.Items[0].Values.Get("reason") != want {
			t.Errorf("%s: %v", data, rep.Items[0].Values)
		}
	}
	rep := call(t, series.J1850, "10 7F 06 01 00 00 12")
	if rep.Items[0].Values.Get("reason") != "no_support" || rep.Items[0].Values.Get("service") != "06" {
		t.Error(rep.Items[0].Values)
	}
}

func TestCanonicalECU(t *testing.T) {
	for _, c := range []struct {
		from, ecu string
		pgn       int32
	}{
		{"7E8", "7e8", series.None}, {"7e8", "7e8", series.None}, {"0x7E8", "7e8", series.None}, {"07E8", "7e8", series.None},
		{"18DAF110", "18daf110", 0xDA00}, {"18A4F900", "18a4f900", 41984}, {"18FECA3D", "18feca3d", 65226}, {"0CF00400", "0cf00400", 61444},
		{"0", "00", series.None}, {"3D", "3d", series.None}, {"10", "10", series.None}, {"", "", series.None},
	} {
		ecu, pgn, err := CanonicalECU(c.from)
		if err != nil || ecu != c.ecu || pgn != c.pgn {
			t.Errorf("%q: %q %d %v, want %q %d", c.from, ecu, pgn, err, c.ecu, c.pgn)
		}
	}
	for _, bad := range []string{"XYZ", "8E8", "7E8 ", "-7E", "+7E8", "18DAF11000", "FFFFFFFF", "0x"} {
		if ecu, _, err := CanonicalECU(bad); err == nil {
			t.Errorf("%q is %q", bad, ecu)
		}
	}
}

func TestParseHex(t *testing.T) {
	b, err := ParseHex(" 46 01\t0a\n0B b0")
	if err != nil || string(b) != "\x46\x01\x0a\x0b\xb0" {
		t.Error(b, err)
	}
	for _, bad := range []string{"4", "46 0", "zz", "46,01"} {
		if _, err := ParseHex(bad); err == nil {
			t.Errorf("%q is read", bad)
		}
	}
}
