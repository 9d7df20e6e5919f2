package obd

import (
	"strings"
	"testing"

	"marginline/ingest/series"
)

// Codes and the monitors they belong to, SAE J2012 (from memory).
func TestCodeFamily(t *testing.T) {
	for code, want := range map[string]string{
		"P0420": "catalyst", "P0424": "catalyst", "P0430": "catalyst", "P0420-00": "catalyst", "P0425": "unknown",
		"P0300": "misfire", "P0301": "misfire", "P0312": "misfire", "P0316": "misfire",
		"P0131": "o2_sensor", "P013C": "o2_sensor", "P2270": "o2_sensor", "P2A00": "o2_sensor",
		"P0135": "o2_heater", "P0141": "o2_heater", "P0030": "o2_heater", "P0037": "o2_heater", "P0050": "o2_heater", "P0161": "o2_heater",
		"P0401": "egr", "P000B": "vvt", "P0018": "vvt", "P0022": "vvt",
		"P0455": "evap", "P0442": "evap", "P0456": "evap", "P0441": "evap", "P0446": "evap", "P0411": "secondary_air",
		"P0171": "fuel_system", "P219C": "fuel_system", "P0299": "boost", "P20EE": "nox_catalyst_scr", "P2000": "nox_adsorber", "P2002": "pm_filter", "P244A": "pm_filter",
		"P0128": "unknown", "C0123": "unknown", "U0100": "unknown", "P04": "unknown", "": "unknown", "P04200": "unknown",
		"s3251.f0": "pm_filter", "s4364.f18": "nox_catalyst_scr", "s1.f1": "unknown", "s.f": "unknown",
	} {
		if got := CodeFamily(code); got != want {
			t.Errorf("%s: %s, want %s", code, got, want)
		}
	}
}

func TestNamesFamiliesGroups(t *testing.T) {
	for _, c := range []struct {
		bus                series.Bus
		data, name, family string
		group              int
	}{
		{series.CAN, "- 46 21 89 20 0140 0080 FFFF", "Catalyst Monitor Bank 1, test $89", "catalyst", groupCatalyst},
		{series.CAN, "- 46 01 05 10 0024 0000 0089", "Oxygen Sensor Monitor Bank 1 - Sensor 1, rich to lean sensor switch time", "o2_sensor", groupOxygen},
		{series.CAN, "- 46 A2 0B 24 0003 0000 FFFF", "Misfire Cylinder 1 Data, EWMA misfire counts for last ten driving cycles", "misfire", groupMisfire},
		{series.CAN, "- 46 21 05 10 0024 0000 0089", "Catalyst Monitor Bank 1, test $05", "catalyst", groupCatalyst}, // 05 is an oxygen sensor's
		{series.CAN, "- 46 31 85 B0 F333 D99A 2666", "EGR Monitor Bank 1, test $85", "egr", groupEGR},
		{series.CAN, "- 46 35 85 10 0024 0000 0089", "VVT Monitor Bank 1, test $85", "vvt", groupEGR},
		{series.CAN, "- 46 3C 96 FE 0014 FF9C 00C8", `EVAP Monitor (0.020"), test $96`, "evap", groupEvap},
		{series.CAN, "- 46 E1 85 10 0024 0000 0089", "monitor $E1 (defined by the maker), test $85", "manufacturer", groupNone},
		{series.CAN, "- 46 12 85 10 0024 0000 0089", "monitor $12, test $85", "reserved", groupNone},
		{series.CAN, "- 46 B0 0B 24 0003 0000 FFFF", "PM Filter Monitor Bank 1 or Misfire Cylinder 15 Data, EWMA misfire counts for last ten driving cycles", "misfire", groupMisfire},
		{series.CAN, "- 46 B0 85 17 0003 0000 FFFF", "PM Filter Monitor Bank 1 or Misfire Cylinder 15 Data, test $85", "pm_filter_or_misfire", groupNone},
		{series.ISO9141, "- 45 05 02 20 00 40", "Oxygen sensor $02, rich to lean sensor switch time", "o2_sensor", groupOxygen},
		{series.ISO9141, "- 46 61 80 00A6 000D", "test $61, component $00", "unknown", groupNone},
		{series.J1939, "00 F7 AA0C10 4400 A047 605A FFFF", "Particulate filter intake temperature (SPN 3242), FMI 16, test 247", "pm_filter", groupFilter},
		{series.J1939, "00 F7 00F0EA CD00 5203 4C04 5802", "SPN 520192, FMI 10, test 247", "unknown", groupNone},
		{series.UDS, "- 59 06 042000 00 92 01 0020 0140 0080 FFFF", "test 1 of code P0420-00", "catalyst", groupCatalyst},
	} {
		r := call(t, c.bus, c.data).Results()[0]
		if got := Name(&r); got != c.name {
			t.Errorf("%s: %q, want %q", r.Test, got, c.name)
		}
		if got := TestName(r.Test); got != c.name && r.MID != 0xB0 {
			t.Errorf("%s by key: %q, want %q", r.Test, got, c.name)
		}
		if Family(&r) != c.family || Group(&r) != c.group {
			t.Errorf("%s: %s %d, want %s %d", r.Test, Family(&r), Group(&r), c.family, c.group)
		}
	}
	for _, key := range []string{"", "x", "mzz.t01", "m21", "t1", "s1.f2", "d0420.n1", "d042000xn1", "P0420"} {
		if got := TestName(key); got != key {
			t.Errorf("%q is named %q", key, got)
		}
	}
}

// Words for people: what was tested, value with unit, limits, margin, what no sample means.
func TestExplain(t *testing.T) {
	for _, c := range []struct {
		bus  series.Bus
		data string
		want []string
	}{
		{series.CAN, "- 46 01 05 10 0048 0000 0060", []string{"rich to lean sensor switch time", "72 ms", "at most 96 ms", "no lower limit", "Passed with margin 0.25", "P0130-P0135"}},
		{series.CAN, "- 46 21 89 20 0000 0000 0000", []string{"not run", "since codes were cleared", "no pass", "P0420"}},
		{series.CAN, "- 46 01 01 0A 0BB0 0BB0 0BB0", []string{"365.024 mV", "constant"}},
		{series.CAN, "- 46 A2 0C 24 0007 0000 FFFF", []string{"7 counts", "without a limit", "live counter"}},
		{series.CAN, "- 46 31 85 B0 F333 D99A 2666", []string{"allowed -30.0012 to 30.0012 %"}},
		{series.CAN, "- 46 B2 CA 96 0654 8000 06D6", []string{"162 °C", "no margin is defined"}},
		{series.CAN, "- 46 21 80 45 0001 0000 0002", []string{"unit id 45 is not known"}},
		{series.CAN, "- 46 21 80 24 0064 0000 7FFF", []string{"7FFF"}},
		{series.CAN, "- 46 21 80 10 0002 0003 0001", []string{"minimum 3 is above the maximum 1"}},
		{series.CAN, "- 46 21 80 10 0009 0000 0005", []string{"Failed with margin -0.8", "fail in the next trip too"}},
		{series.ISO9141, "- 46 61 00 FFFF FFFF", []string{"all ones"}},
		{series.J1939, "00 F7 AA0C10 4400 01FB FFFF FFFF", []string{"cannot be performed"}},
		{series.J1939, "00 F7 AA0C10 4400 00FE FFFF FFFF", []string{"FE00 is no measurement"}},
		{series.J1939, "00 F7 AA0C10 5500 6400 C800 FFFF", []string{"SLOT 85 is not known"}},
	} {
		r := call(t, c.bus, c.data).Results()[0]
		got := Explain(&r)
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s: %q lacks %q", c.data, got, want)
			}
		}
	}
}
