package obd

import (
	"strings"
	"testing"

	"marginline/ingest/series"
)

// Payloads after the header of the framing examples of ISO 14230-4, ISO 9141-2 and SAE J1850 (SAE J1979
// layout, from memory), and one message that is common practice (no source).
func TestOlderResults(t *testing.T) {
	for _, c := range []struct {
		name string
		bus  series.Bus
		data []string
		want []string
	}{
		{"ISO 14230-4: maximum", series.ISO14230, []string{"10 46 06 01 0A3C 0C80"}, []string{"10 t06.c01 2620 [- 3200] 1 ok pass 0.18125"}},
		{"ISO 9141-2: minimum", series.ISO9141, []string{"10 46 05 81 01F4 012C"}, []string{"10 t05.c01 500 [300 -] 1 ok pass 0.4"}},
		{"SAE J1850: beyond its maximum", series.J1850, []string{"10 46 02 02 0096 0064"}, []string{"10 t02.c02 150 [- 100] 1 ok FAIL -0.5"}},
		{"two limits of one test join", series.J1850, []string{"10 46 03 04 0078 0190", "10 46 03 84 0078 003C"}, []string{"10 t03.c04 120 [60 400] 1 ok pass 0.352941176"}},
		{"in either order, and not only neighbours", series.J1850, []string{"10 46 03 84 0078 003C", "10 46 06 01 0A3C 0C80", "10 46 03 04 0078 0190"}, []string{
			"10 t03.c04 120 [60 400] 1 ok pass 0.352941176", "10 t06.c01 2620 [- 3200] 1 ok pass 0.18125"}},
		{"different values stay two rows", series.J1850, []string{"10 46 03 04 0078 0190", "10 46 03 84 0079 003C"}, []string{
			"10 t03.c04 120 [- 400] 1 ok pass 0.7", "10 t03.c04 121 [60 -] 1 ok pass 0.504132231"}},
		{"different senders stay two rows", series.J1850, []string{"10 46 03 04 0078 0190", "18 46 03 84 0078 003C"}, []string{
			"10 t03.c04 120 [- 400] 1 ok pass 0.7", "18 t03.c04 120 [60 -] 1 ok pass 0.5"}},
		{"the same limit twice stays two rows", series.J1850, []string{"10 46 03 04 0078 0190", "10 46 03 04 0078 0190"}, []string{
			"10 t03.c04 120 [- 400] 1 ok pass 0.7", "10 t03.c04 120 [- 400] 1 ok pass 0.7"}},
		{"test $61, component byte $80: a minimum (common practice)", series.ISO9141, []string{"10 46 61 80 00 A6 00 0D"}, []string{"10 t61.c00 166 [13 -] 1 ok pass 0.921686747"}},
		{"not run", series.ISO9141, []string{"10 46 61 80 0000 0000", "10 46 62 01 0000 0000"}, []string{
			"10 t61.c00 0 [- -] 1 not_run - -", "10 t62.c01 0 [- 0] 1 not_run - -"}},
		{"value and limit all ones", series.ISO9141, []string{"10 46 61 00 FFFF FFFF"}, []string{"10 t61.c00 - [- -] 1 invalid - -"}},
		{"a limit that cannot be one", series.ISO9141, []string{"10 46 61 00 0005 FFFF", "10 46 62 80 0005 0000"}, []string{
			"10 t61.c00 5 [- -] 1 no_limit - -", "10 t62.c00 5 [- -] 1 no_limit - -"}},
		{"limits of a pair that contradict each other", series.J1850, []string{"10 46 03 04 0078 000A", "10 46 03 84 0078 003C"}, []string{"10 t03.c04 120 [60 10] 1 invalid - -"}},
	} {
		t.Run(c.name, func(t *testing.T) { rows(t, call(t, c.bus, c.data...), c.want...) })
	}
}

// Limits that were not sent are absent, not zero.
func TestOlderRaw(t *testing.T) {
	r := call(t, series.J1850, "10 46 05 81 01F4 012C").Results()[0]
	if r.Raw != (series.Raw{Value: 500, Min: 300, Max: series.None}) || r.MID != series.None || r.UAS != series.None || r.TID != 5 || r.CID != 1 {
		t.Errorf("%+v", r)
	}
}

// Service $05 (SAE J1979, from memory; 0.005 V a bit also in printed service information).
func TestOxygenSensor(t *testing.T) {
	rows(t, call(t, series.ISO9141, "10 45 01 01 5A", "10 45 05 02 20 00 40", "10 45 07 01 28 00 C8", "10 45 08 01 A0 50 FF", "10 45 09 01 0A 05 14", "10 45 81 01 0A 05 14"),
		"10 o01.s01 90 [- -] 1 no_limit - -",
		"10 o05.s02 32 [- 64] 1 ok pass 0.5",
		"10 o07.s01 40 [- 200] 1 ok pass 0.8",
		"10 o08.s01 160 [80 -] 1 ok pass 0.5",
		"10 o09.s01 10 [5 20] 1 ok pass 0.666666667",
		"10 o81.s01 10 [5 20] 1 ok pass 0.666666667")
	// 0.005 V a bit for test 01 (SAE J1979, from memory): 90 counts are 0.45 V.
	if r := call(t, series.ISO9141, "10 45 01 01 5A").Results()[0]; !strings.Contains(Explain(&r), "0.45 V") {
		t.Error(Explain(&r))
	}
	rep := call(t, series.ISO9141, "10 45 05 02 20 00", "10 45 00 01 FF000000")
	if kinds(rep) != "error support" {
		t.Error(kinds(rep))
	}
}

func TestOlderSupport(t *testing.T) {
	rep := call(t, series.ISO9141, "10 46 00 FF C0000001", "10 46 20 FF 80000000", "10 46 05 81 01F4 012C 00")
	if kinds(rep) != "support support error" {
		t.Fatal(kinds(rep))
	}
	if got := list(rep.Items[0].Values.Get("supported")); got != "01, 02, 20" {
		t.Error(got)
	}
}

// On an older bus a test id is the maker's: it never takes the name of a CAN monitor or test.
func TestOlderNamesAreNotThoseOfCAN(t *testing.T) {
	r := call(t, series.J1850, "10 46 05 01 01F4 0FFF").Results()[0]
	if got := Name(&r); got != "test $05, component $01" {
		t.Error(got)
	}
	if Family(&r) != "unknown" || Group(&r) != -1 {
		t.Errorf("family %s, group %d", Family(&r), Group(&r))
	}
	if s := Explain(&r); !strings.Contains(s, "Raw counts") {
		t.Error(s)
	}
}
