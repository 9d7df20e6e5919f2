package obd

import (
	"testing"

	"marginline/ingest/series"
)

// Worked examples in the layout of SAE J1979 / ISO 15031-5 service $06 on CAN. Byte layout, unit ids and
// pass rule are from memory of the standard.
func TestMonitorResults(t *testing.T) {
	for _, c := range []struct {
		name, data string
		want       []string
	}{
		{"ISO 15031-5, remembered example", "46 01 01 0A 0BB0 0BB0 0BB0 01 05 10 0048 0000 0060 01 85 24 0096 004B FFFF", []string{
			"7e8 m01.t01 365.024 [365.024 365.024] mV constant - -",
			"7e8 m01.t05 72 [- 96] ms ok pass 0.25",
			"7e8 m01.t85 150 [75 -] {count} ok pass 0.5",
		}},
		{"constant, open minimum, open maximum", "46 01 01 0A 0E66 0E66 0E66 01 05 10 0024 0000 0089 01 86 20 0140 0080 FFFF", []string{
			"7e8 m01.t01 449.692 [449.692 449.692] mV constant - -",
			"7e8 m01.t05 36 [- 137] ms ok pass 0.737226277",
			"7e8 m01.t86 1.249984 [0.4999936 -] 1 ok pass 0.6",
		}},
		{"signed: 20 in [-100, 200] read unsigned would fail", "46 3C 96 FE 0014 FF9C 00C8", []string{
			"7e8 m3c.t96 5 [-25 50] Pa ok pass 0.8",
		}},
		{"not run since clear", "46 21 89 20 0000 0000 0000", []string{"7e8 m21.t89 0 [- 0] 1 not_run - -"}},
		{"misfire counts have no limit", "46 A2 0B 24 0003 0000 FFFF A2 0C 24 0007 0000 FFFF", []string{
			"7e8 ma2.t0b 3 [- -] {count} no_limit - -",
			"7e8 ma2.t0c 7 [- -] {count} no_limit - -",
		}},
		{"id 96 has no offset; signed minimum 8000 is none", "46 B2 CA 96 0654 8000 06D6", []string{
			"7e8 mb2.tca 162 [- 175] Cel ok pass -",
		}},
		{"two-sided, 0.003052 % a bit", "46 31 85 B0 F333 D99A 2666", []string{
			"7e8 m31.t85 -10.001404 [-30.00116 30.00116] % ok pass 0.666632757",
		}},
	} {
		t.Run(c.name, func(t *testing.T) { rows(t, call(t, series.CAN, "7E8 "+c.data), c.want...) })
	}
}

// Values that are none, and limits that cannot be limits: SAE J1979 / ISO 15031-5 Annex E, printed service
// information (not run, FFFF, 8000, 7FFF), 13 CCR 1968.2(g)(4.5); from memory.
func TestSpecialValues(t *testing.T) {
	for _, c := range []struct{ name, data, want string }{
		{"unsigned minimum 0000 is none", "21 80 10 0005 0000 000A", "m21.t80 5 [- 10] ms ok pass 0.5"},
		{"unsigned maximum FFFF is none", "21 80 10 0014 000A FFFF", "m21.t80 20 [10 -] ms ok pass 0.5"},
		{"signed minimum 8000 is none", "21 80 90 0005 8000 000A", "m21.t80 5 [- 10] ms ok pass -"},
		{"signed maximum 7FFF is none", "21 80 90 0005 0001 7FFF", "m21.t80 5 [1 -] ms ok pass -"},
		{"unsigned maximum 7FFF is a limit", "21 80 24 0064 0000 7FFF", "m21.t80 100 [- 32767] {count} ok pass 0.996948149"},
		{"signed maximum FFFF is the limit -1", "21 80 90 0005 8000 FFFF", "m21.t80 5 [- -1] ms ok FAIL -"},
		{"signed minimum 0000 is a limit", "21 80 90 0005 0000 000A", "m21.t80 5 [0 10] ms ok pass 1"},
		{"a clipped zero passes with the full margin", "21 80 20 0000 0000 0100", "m21.t80 0 [- 0.9999872] 1 ok pass 1"},
		{"minimum = maximum = value", "21 80 0A 0001 0001 0001", "m21.t80 0.122 [0.122 0.122] mV constant - -"},
		{"minimum = maximum other than value", "21 80 10 0002 0001 0001", "m21.t80 2 [1 1] ms ok FAIL -"},
		{"minimum above maximum", "21 80 10 0002 0003 0001", "m21.t80 2 [3 1] ms invalid - -"},
		{"both limits none", "21 80 10 0002 0000 FFFF", "m21.t80 2 [- -] ms no_limit - -"},
		{"both limits none, signed", "21 80 90 FFFE 8000 7FFF", "m21.t80 -2 [- -] ms no_limit - -"},
		{"at the maximum: passes with margin 0", "21 80 10 000A 0000 000A", "m21.t80 10 [- 10] ms ok pass 0"},
		{"at the minimum: passes with margin 0", "21 80 10 000A 000A FFFF", "m21.t80 10 [10 -] ms ok pass 0"},
		{"above the maximum", "21 80 10 000C 0000 000A", "m21.t80 12 [- 10] ms ok FAIL -0.2"},
		{"below the minimum", "21 80 10 0008 000A FFFF", "m21.t80 8 [10 -] ms ok FAIL -0.2"},
		{"zero below a minimum", "21 80 10 0000 000A FFFF", "m21.t80 0 [10 -] ms ok FAIL -1"},
		{"below both limits", "21 80 10 0000 000A 0014", "m21.t80 0 [10 20] ms ok FAIL -2"},
		{"offset of id 16: a share of the limit has no meaning", "21 80 16 0258 0000 0320", "m21.t80 20 [- 40] Cel ok pass -"},
		{"offset of id 16, two-sided", "21 80 16 0258 01F4 02BC", "m21.t80 20 [10 30] Cel ok pass 1"},
		{"id 39: 8000 is 0 %, and no missing limit", "21 80 39 8000 8000 FFFF", "m21.t80 0 [0 -] % ok pass -"},
		{"id not assigned: counts, sign of bit 7 (unsigned)", "21 80 45 8001 0000 FFFE", "m21.t80 32769 [- 65534] 1 ok pass 0.499969481"},
		{"id not assigned: counts, sign of bit 7 (signed)", "21 80 C5 FFFF FFFE 0003", "m21.t80 -1 [-2 3] 1 ok pass 0.4"},
		{"id 00", "21 80 00 0001 0000 0004", "m21.t80 1 [- 4] 1 ok pass 0.75"},
		{"id FF", "21 80 FF FFFF FFFE 0003", "m21.t80 -1 [-2 3] 1 ok pass 0.4"},
	} {
		t.Run(c.name, func(t *testing.T) { rows(t, call(t, series.CAN, "- 46"+c.data), " "+c.want) })
	}
}

// Raw fields stay as read in every state, after sign.
func TestRawIsKept(t *testing.T) {
	rep := call(t, series.CAN, "7E8 46 21 89 20 0000 0000 0000 3C 96 FE FFFF 8000 7FFF 21 8A 10 0002 0003 0001")
	want := []series.Raw{{Value: 0, Min: 0, Max: 0}, {Value: -1, Min: -32768, Max: 32767}, {Value: 2, Min: 3, Max: 1}}
	for i, r := range rep.Results() {
		if r.Raw != want[i] {
			t.Errorf("%s: %v, want %v", r.Test, r.Raw, want[i])
		}
		if r.CID != series.None || r.SPN != series.None || r.Slot != series.None || r.DTC != "" || r.MID == series.None || r.UAS == series.None {
			t.Errorf("%s: ids %+v", r.Test, r)
		}
	}
}

// Support bitmaps, SAE J1979 (from memory): 01, 02, next / 21, 36, 38, 3D, next / A2 to A6.
func TestMonitorSupport(t *testing.T) {
	rep := call(t, series.CAN, "7E8 46 00 C0000001 20 80000509 A0 7C000000")
	if kinds(rep) != "support support support" {
		t.Fatal(kinds(rep))
	}
	for i, want := range []string{"01, 02, 20", "21, 36, 38, 3D, 40", "A2, A3, A4, A5, A6"} {
		if got := list(rep.Items[i].Values.Get("supported")); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	// 46 bytes fit nine support records and five results: the first id decides.
	long := "7E8 46" + "00 00000001 20 00000001 40 00000001 60 00000001 80 00000001 A0 00000001 C0 00000001 E0 FFFFFFFF 00 00000000"
	if rep := call(t, series.CAN, long); kinds(rep) != "support support support support support support support support support" {
		t.Error(kinds(rep))
	}
	five := "7E8 46 0105100024000000890106100024000000890107100024000000890108100024000000890109100024000000 89"
	if rep := call(t, series.CAN, five); kinds(rep) != "result result result result result" {
		t.Error(kinds(rep))
	}
}

// A length that does not fit whole records gives no row, and the other messages stay.
func TestBadMessagesStandAlone(t *testing.T) {
	rep := call(t, series.CAN, "7E8 46 21 89 20 0140 0080 FFFF", "7E8 46 21 89 20 0140 0080 FFFF 21", "7E8 46 21 89 20 0140 0080 FFFF 20 89 20 0140 0080 FFFF",
		"7E8 46", "7E8", "7E8 55 00", "XYZ 46 21 89 20 0140 0080 FFFF", "7E8 41 2F 80 05", "7E8 46 22 89 20 0140 0080 FFFF")
	if got, want := kinds(rep), "result error error error error error error error result"; got != want {
		t.Fatalf("%s, want %s", got, want)
	}
	if len(rep.Results()) != 2 || rep.Context.FuelLevelPct == rep.Context.FuelLevelPct {
		t.Errorf("%d rows, context %v", len(rep.Results()), rep.Context)
	}
	for i, want := range map[int]string{
		1: "service 46, offset 10: length does not fit whole records: 10 bytes after a head of 1 are not whole records of 9",
		2: "service 46, offset 10: record does not fit its service: support monitor id 20 among results",
		3: "service 46, offset 1: length does not fit whole records: 1 bytes, want 1 and at least one record of 9",
		4: "offset 0: length does not fit whole records: the message is empty",
		5: "service 55, offset 0: no decoder for this service: 55",
		6: `service 46, offset 0: sender is no CAN id or ECU address: "XYZ"`,
		7: "service 41, offset 4: length does not fit whole records: parameter 05 has 0 bytes, want 1",
	} {
		if got := rep.Items[i].Err.Error(); got != want {
			t.Errorf("message %d\n got %s\nwant %s", i, got, want)
		}
	}
}

// A long message of lists of support costs a small multiple of its bytes, and not of the ids that they name.
func TestSupportIsBounded(t *testing.T) {
	data := []byte{0x46}
	for range 20_000 {
		data = append(data, 0x00, 0xFF, 0xFF, 0xFF, 0xFE)
	}
	msgs := []Message{{From: "7E8", PGN: series.None, Data: data}}
	res := testing.Benchmark(func(b *testing.B) {
		for b.Loop() {
			if rep := Decode(series.CAN, msgs, nil); len(rep.Items) != 20_000 {
				b.Fatal(len(rep.Items))
			}
		}
	})
	if per := res.AllocedBytesPerOp() / int64(len(data)); per > 200 {
		t.Errorf("%d bytes of memory a byte of the message", per)
	}
}
