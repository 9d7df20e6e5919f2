package obd

import (
	"testing"

	"marginline/ingest/series"
)

// DM30 in the layout of SAE J1939-73 (from memory); the pairings of SPN and SLOT are invented.
func TestScaledResults(t *testing.T) {
	for _, c := range []struct {
		name, data string
		want       []string
	}{
		{"SLOT 68, maximum first, no minimum", "00/41984 F7 AA0C10 4400 A047 605A FFFF", []string{"00 s3242.f16.t247 300 [- 450] Cel ok pass -"}},
		{"not completed", "00/41984 F7 AA0C12 4400 00FB FFFF FFFF", []string{"00 s3242.f18.t247 - [- -] Cel not_run - -"}},
		{"top bits of the SPN, SLOT 205, two-sided", "00/41984 F7 00F0EA CD00 5203 4C04 5802", []string{"00 s520192.f10.t247 85 [60 110] % ok pass 1"}},
		{"all zero is not run", "00/41984 F7 AA0C10 4400 0000 0000 0000", []string{"00 s3242.f16.t247 -273 [- -273] Cel not_run - -"}},
		{"FB00 with a limit is no value", "00/41984 F7 AA0C10 4400 00FB 605A FFFF", []string{"00 s3242.f16.t247 - [- 450] Cel invalid - -"}},
		{"FB01: cannot be performed", "00/41984 F7 AA0C10 4400 01FB FFFF FFFF", []string{"00 s3242.f16.t247 - [- -] Cel invalid - -"}},
		{"FE00: error", "00/41984 F7 AA0C10 CD00 00FE 4C04 5802", []string{"00 s3242.f16.t247 - [60 110] % invalid - -"}},
		{"FAFF is the last value", "00/41984 F7 AA0C10 CD00 FFFA FFFF 5802", []string{"00 s3242.f16.t247 6425.5 [60 -] % ok pass 0.990662205"}},
		{"above 7FFF is never negative", "00/41984 F7 AA0C10 CD00 00F0 00FA 0000", []string{"00 s3242.f16.t247 6144 [- 6400] % ok pass 0.04"}},
		{"no limit", "00/41984 F7 AA0C10 CD00 5203 FFFF FFFF", []string{"00 s3242.f16.t247 85 [- -] % no_limit - -"}},
		{"minimum 0000 is none", "00/41984 F7 AA0C10 CD00 5203 FFFF 0000", []string{"00 s3242.f16.t247 85 [- -] % no_limit - -"}},
		{"SLOT without a scale: raw, no margin against one limit", "00/41984 F7 AA0C10 5500 6400 C800 FFFF", []string{"00 s3242.f16.t247 100 [- 200] 1 ok pass -"}},
		{"SLOT not known: margin between two", "00/41984 F7 AA0C10 FF7F 6400 C800 3200", []string{"00 s3242.f16.t247 100 [50 200] 1 ok pass 0.666666667"}},
		{"repeats are numbered", "00/41984 F7 AA0C10 CD00 5203 4C04 5802 F7 AA0C10 CD00 5303 4C04 5802 F7 AA0C10 CD00 5403 4C04 5802 F7 AA0C12 CD00 5203 4C04 5802", []string{
			"00 s3242.f16.t247 85 [60 110] % ok pass 1", "00 s3242.f16.t247.n2 85.1 [60 110] % ok pass 0.996",
			"00 s3242.f16.t247.n3 85.2 [60 110] % ok pass 0.992", "00 s3242.f18.t247 85 [60 110] % ok pass 1"}},
	} {
		t.Run(c.name, func(t *testing.T) { rows(t, call(t, series.J1939, c.data), c.want...) })
	}
	r := call(t, series.J1939, "00/41984 F7 AA0C10 4400 A047 605A FFFF").Results()[0]
	if r.Raw != (series.Raw{Value: 0x47A0, Min: 0xFFFF, Max: 0x5A60}) || r.SPN != 3242 || r.FMI != 16 || r.TID != 247 || r.Slot != 68 || r.MID != series.None {
		t.Errorf("%+v", r)
	}
}

// The number of the parameter group: given, else from a 29-bit id, else DM30. A message with a number is
// SAE J1939 on any bus.
func TestGroupNumber(t *testing.T) {
	dm30 := "F7 AA0C10 CD00 5203 4C04 5802"
	for _, c := range []struct {
		bus  series.Bus
		from string
		want string
	}{
		{series.J1939, "00/41984", "00 s3242.f16.t247 85 [60 110] % ok pass 1"},
		{series.J1939, "00", "00 s3242.f16.t247 85 [60 110] % ok pass 1"},
		{series.J1939, "18A4F93D", "18a4f93d s3242.f16.t247 85 [60 110] % ok pass 1"},
		{series.CAN, "0/41984", "00 s3242.f16.t247 85 [60 110] % ok pass 1"},
		{series.UDS, "00/41984", "00 s3242.f16.t247 85 [60 110] % ok pass 1"},
	} {
		rows(t, call(t, c.bus, c.from+" "+dm30), c.want)
	}
	// Answers of ISO 15765-4 on the same wire begin with a service.
	rows(t, call(t, series.J1939, "18DAF100 46 21 89 20 0140 0080 FFFF"), "18daf100 m21.t89 1.249984 [0.4999936 -] 1 ok pass 0.6")
	rep := call(t, series.J1939, "18EBFF00 "+dm30, "00/41984 F7 AA0C10 CD00 5203 4C04", "00/65000 0102030405060708")
	if kinds(rep) != "error error error" {
		t.Error(kinds(rep))
	}
}

// Codes in the packing of SAE J1939-73: SPN 19 bits, FMI 5, conversion method 1, count 7 (from memory).
func TestTruckCodes(t *testing.T) {
	rep := call(t, series.J1939,
		"00/65226 4000 AA0C1001 FFFF",
		"00/65227 0000 AA0C1001 B30C0302",
		"00/65231 0000 00F0EA05 FFFF",
		"00/65236 0000 00000000 FFFF",
		"00/64949 00FF AA0C1001",
		"00/64896 00FF 000000000000")
	const want = "active:s3242.f16 previous:s3242.f16 previous:s3251.f3 pending:s520192.f10 previous:s3242.f16"
	if got := codes(rep); got != want || kinds(rep) != "codes codes codes codes codes codes" {
		t.Errorf("%s (%s), want %s", got, kinds(rep), want)
	}
	if rep.Items[0].Values.Get("lamp") != true || rep.Items[1].Values.Get("lamp") != false {
		t.Error("lamp")
	}
	bad := call(t, series.J1939, "00/65226 4000 AA0C10", "00/65226 4000", "00/65226 4000 AA0C1001 1234")
	if kinds(bad) != "error error error" {
		t.Error(kinds(bad))
	}
}

// Conditions, readiness, ratios and identity in the layouts of SAE J1939-71 and -73 (from memory).
func TestTruckContext(t *testing.T) {
	rep := call(t, series.J1939,
		"00/65269 C8 FFFF 8024 44 FFFF", // 100 kPa; 0x2480 = 9344 / 32 - 273 = 19 degrees; intake 28
		"00/65262 82 FFFFFFFFFFFFFF",    // 130 - 40
		"21/65276 FF 7D FFFFFFFFFFFF",   // 125 * 0.4
		"00/49408 0000 2C01 0000 1E00",  // 300 km, 30 min since clear
		"00/64952 5802 05 77 00F8 0000", // wrong order of the last bytes is caught below
		"00/65269 FF FFFF FFFF FF FFFF", // not available
		"00/54016 01020304 494E562D43414C2D3030303700000000 05060708 494E562D43414C2D3030303800000000",
		"00/65260 395A5A54455354373452413030303132332A",
		"00/41984 F7 AA0C10 CD00 5203 4C04 5802")
	c := rep.Context
	for _, x := range []struct {
		name      string
		got, want float64
	}{
		{"barometric", c.BarometricKPa, 100}, {"ambient", c.AmbientC, 19}, {"coolant", c.CoolantC, 90}, {"fuel", c.FuelLevelPct, 50},
		{"distance since clear", c.DistanceSinceClearKm, 300}, {"run time", c.RunTimeS, 600}, {"warm-ups", c.WarmupsSinceClear, 5},
	} {
		if x.got != x.want {
			t.Errorf("%s: %v, want %v", x.name, x.got, x.want)
		}
	}
	if len(rep.VINs) != 1 || rep.VINs[0] != "9ZZTEST74RA000123" {
		t.Error(rep.VINs)
	}
	r := rep.Results()[0]
	if r.CalID != "INV-CAL-0007+INV-CAL-0008" {
		t.Errorf("cal id %q", r.CalID)
	}
	if got := list(rep.Items[6].Values.Get("cvn")); got != "04030201, 08070605" {
		t.Error(got)
	}
}

// DM26: enabled bits, then completion bits where 0 is complete; DM20: numerators by SPN.
func TestTruckFreshness(t *testing.T) {
	dm26 := "00/64952 5802 05 77 0004 0004" // bit 10 is the particulate filter: enabled, incomplete
	dm30 := "00/41984 F7 B30C10 CD00 5203 4C04 5802"
	rep := call(t, series.J1939, dm26, dm30, "0B/41984 F7 B30C10 CD00 5203 4C04 5802")
	if r := rep.Results(); r[0].Done != series.False || r[1].Done != series.Unknown {
		t.Errorf("done %d %d, want incomplete and unknown", r[0].Done, r[1].Done)
	}
	dm20 := "00/49664 0A00 0800 F80B00 0500 0700 F20B00 0600 0900" // 3064 particulate filter, 3058 EGR
	rep = call(t, series.J1939, dm30, dm20, "00/64952 5802 05 77 0004 0000")
	r := rep.Results()[0]
	if r.Done != series.True || r.Runs != 5 {
		t.Errorf("done %d, runs %d; want complete, 5", r.Done, r.Runs)
	}
	monitors := rep.Items[1].Values.Get("monitors").([]Fields)
	if len(monitors) != 2 || monitors[1].Get("denominator") != int32(9) || rep.Items[1].Values.Get("ignition_cycles") != int32(10) {
		t.Error(rep.Items[1].Values)
	}
	// One controller by its source address, whatever the group's id.
	rep = call(t, series.J1939, "18FDB800 5802 05 77 0004 0000", "18A4F900 F7 B30C10 CD00 5203 4C04 5802")
	if r := rep.Results()[0]; r.Done != series.True || r.ECU != "18a4f900" {
		t.Errorf("%s done %d", r.ECU, r.Done)
	}
}

func TestTruckSupport(t *testing.T) {
	rep := call(t, series.J1939, "00/64950 AA0C 1B00 B30C 1C00 FFFFFFFF", "00/59392 01 FF FF FF FF 00 A4 00")
	if kinds(rep) != "support negative" {
		t.Fatal(kinds(rep))
	}
	if got := list(rep.Items[0].Values.Get("with_test_results")); got != "3242" {
		t.Error(got)
	}
	if rep.Items[1].Values.Get("reason") != "no_support" || rep.Items[1].Values.Get("pgn") != 41984 {
		t.Error(rep.Items[1].Values)
	}
}
