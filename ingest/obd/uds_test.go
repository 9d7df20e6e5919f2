package obd

import (
	"testing"

	"marginline/ingest/series"
)

// SAE J1979-2 / ISO 27145 on ISO 14229-1 (from memory): both record layouts of 62 F6xx give the same, and
// results that hang on a code.
func TestIdentifierResults(t *testing.T) {
	two := []string{"7e8 m01.t05 36 [- 137] ms ok pass 0.737226277", "7e8 m01.t86 1.249984 [0.4999936 -] 1 ok pass 0.6"}
	for _, c := range []struct {
		data string
		want []string
	}{
		{"62 F6 21 89 20 0140 0080 FFFF", []string{"7e8 m21.t89 1.249984 [0.4999936 -] 1 ok pass 0.6"}},
		{"62 F6 01 05 10 0024 0000 0089 F6 01 86 20 0140 0080 FFFF", two},
		{"62 F6 01 05 10 0024 0000 0089 86 20 0140 0080 FFFF", two},
		{"59 06 042000 00 92 01 0020 0140 0080 FFFF", []string{"7e8 d042000.n1 1.249984 [0.4999936 -] 1 ok pass 0.6"}},
		{"59 06 042000 00 92 02 0020 0140 0080 FFFF 0096 0654 8000 06D6", []string{
			"7e8 d042000.n1 1.249984 [0.4999936 -] 1 ok pass 0.6", "7e8 d042000.n2 162 [- 175] Cel ok pass -"}},
		{"59 06 042000 00 92 01 0120 0140 0080 FFFF", []string{"7e8 d042000.n1 320 [128 -] 1 ok pass 0.6"}}, // a two-byte unit id
	} {
		rows(t, call(t, series.UDS, "7E8 "+c.data), c.want...)
	}
	r := call(t, series.UDS, "7E8 59 06 042000 00 92 01 0020 0140 0080 FFFF").Results()[0]
	if r.DTC != "P0420-00" || r.UAS != 0x20 || r.MID != series.None || Family(&r) != "catalyst" || Group(&r) != groupCatalyst {
		t.Errorf("%+v", r)
	}
}

// 51 and 91 bytes fit both layouts: what decides is whether every record repeats the identifier.
func TestLayoutsOfOneLength(t *testing.T) {
	record := "%s 10 0024 0000 0089"
	build := func(head, each string, n int) string {
		s := "62 " + head
		for i := range n {
			s += each + hexByte(byte(0x80+i)) + record[2:]
		}
		return s
	}
	a, b := build("F601", "", 6), build("", "F601", 5)
	for _, c := range []struct {
		data string
		want int
	}{{a, 6}, {b, 5}} {
		m := messages(t, "7E8 "+c.data)
		if len(m[0].Data) != 51 {
			t.Fatalf("%d bytes", len(m[0].Data))
		}
		rep := Decode(series.UDS, m, nil)
		if got := len(rep.Results()); got != c.want {
			t.Errorf("%d results, want %d: %v", got, c.want, rep.Errors())
		}
		for i, r := range rep.Results() {
			if r.TID != int32(0x80+i) || r.MID != 1 {
				t.Errorf("%s", r.Test)
			}
		}
	}
}

func TestIdentifierContext(t *testing.T) {
	rep := call(t, series.UDS,
		"7E8 62 F4 05 82 F4 2F 80", "7E8 62 F8 02 395A5A54455354373452413030303132 33", "7E8 62 F8 04 01 494E562D43414C2D3030303700000000",
		"7E8 62 F8 06 01 1A2B3C4D", "7E8 62 F6 00 C0000001 F6 20 80000509", "7E8 62 F4 41 00 07 65 04", "7E8 62 F6 21 89 20 0140 0080 FFFF",
		"7E8 59 42 33 FF FF 04 20 042000 0C 20 030100 04 20 044200 10", "7E8 59 55 33 FF 04 042000 08", "7E8 59 02 FF 042000 08", "7E8 59 06 042000 08")
	if got, want := kinds(rep), "context context vin calibration calibration support support readiness result codes codes codes support"; got != want {
		t.Fatalf("%s\nwant %s", got, want)
	}
	if got, want := codes(rep), "confirmed:P0420-00 pending:P0420-00 pending:P0301-00 permanent:P0420-00 confirmed:P0420-00"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	r := rep.Results()[0]
	if r.CalID != "INV-CAL-0007" || r.Done != series.True || rep.Context.CoolantC != 90 || rep.VINs[0] != "9ZZTEST74RA000123" {
		t.Errorf("%+v", r)
	}
	bad := call(t, series.UDS, "7E8 62", "7E8 62 F6 21", "7E8 62 F6 21 89 20 0140", "7E8 62 F7 21 00", "7E8 62 F4 05", "7E8 62 F4 05 82 F4", "7E8 59", "7E8 59 06 0420", "7E8 59 06 042000 00 91 00",
		"7E8 59 06 042000 00 92 02 0020 0140 0080 FFFF", "7E8 59 77", "7E8 62 F6 00 C00000")
	for i := range bad.Items {
		if bad.Items[i].Kind != KindError {
			t.Errorf("message %d is %s", i, bad.Items[i].Kind)
		}
	}
	if len(bad.Items) != 12 {
		t.Errorf("%d items", len(bad.Items))
	}
}
