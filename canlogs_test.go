package main

import (
	"compress/gzip"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A morning of one vehicle as its dongle recorded it: a VIN, one result whose record straddles a frame edge,
// one message that lost a frame, one line that is no frame, and the lamp of another bus. Worked frames of
// ISO 15765-2 (from memory); the VIN is invented, its check digit holds (49 CFR 565).
const canLog = `(1700000000.000000) can0 7DF#0209020000000000
(1700000000.010000) can0 7E8#10144902013 95A5A
(1700000000.010000) can0 7E8#1014490201395A5A
(1700000000.020000) can0 7E0#3000000000000000
(1700000000.030000) can0 7E8#2154455354373452
(1700000000.040000) can0 7E8#2241303030313233
(1700000000.100000) can0 7DF#0206210000000000
(1700000000.110000) can0 7E8#100A462189200140
(1700000000.120000) can0 7E0#3000000000000000
(1700000000.130000) can0 7E8#210080FFFF555555
(1700000000.200000) can0 7E9#101C460101 0A0E66
(1700000000.210000) can0 7E9#101C4601010A0E66
(1700000000.230000) can0 7E9#220024000000890
(1700000000.240000) can0 7E9#2200240000008901
(1700000000.250000) can0 7E9#2386200140008000
(1700000005.000000) can1 18FECA00#40FFAA0C1001FFFF
(1700000005.000000) can0 123#DEADBEEF
`

func TestImportCANLog(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	roster := write(t, "roster.csv", "unit,vin,device\nU1,9ZZTEST74RA000123,dgl-1\n")
	plain := write(t, "morning.log", canLog)
	packed := filepath.Join(t.TempDir(), "noon.candump.gz")
	f, err := os.Create(packed)
	if err != nil {
		t.Fatal(err)
	}
	z := gzip.NewWriter(f)
	z.Write([]byte(strings.ReplaceAll(canLog, "(17000000", "(17000100")))
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	f.Close()

	_, errs, code := try(t, "import", "--data", data, "--roster", roster, "--device", "dgl-1", plain, packed)
	if code != exitOK {
		t.Fatal(errs)
	}
	for _, want := range []string{"morning.log: 14 frames: 3 messages in 2 reports", "1 messages could not be reassembled", "3 lines are no frames", "line 2: ", "4 frames of the tester", "1 of other traffic"} {
		if !strings.Contains(errs, want) {
			t.Errorf("not told: %s\n%s", want, errs)
		}
	}
	r := rows(t, data, "select unit, vin, device, bus, ecu, test, raw_value, raw_min, passed, strftime(read_at, '%H:%M:%S') as t from readings order by read_at")
	if len(r) != 2 {
		t.Fatalf("%v", r)
	}
	for k, want := range map[string]any{"unit": "U1", "vin": "9ZZTEST74RA000123", "device": "dgl-1", "bus": "can", "ecu": "7e8", "test": "m21.t89", "raw_value": 320.0, "raw_min": 128.0, "passed": true, "t": "22:13:20"} {
		if r[0][k] != want {
			t.Errorf("%s: %v, want %v", k, r[0][k], want)
		}
	}
	if c := rows(t, data, "select code, kind from codes"); len(c) == 0 || c[0]["code"] != "s3242.f16" || c[0]["kind"] != "active" {
		t.Errorf("%v", c)
	}
	list := must(t, "quarantine", "list", "--data", data, "-o", "csv")
	if strings.Count(list, "not_reassembled") != 8 || strings.Count(list, "line ") != 6 || !strings.Contains(list, "expected 1, got 2 (consecutive frame)") {
		t.Errorf("%s", list)
	}
	// The same recording again changes nothing.
	must(t, "import", "--data", data, "--device", "dgl-1", plain)
	if n := one(t, data, "select count(*) from reports"); n != 4 {
		t.Errorf("%v reports after the same recording again, want 4", n)
	}
	for _, c := range []struct{ args, want string }{
		{plain, "give --device"},
		{"--device a.b " + plain, "--device"},
		{"--device a --vin 123 " + plain, "--vin"},
		{"--device a x.ndjson", "are for CAN logs"},
	} {
		if _, errs, code := try(t, append([]string{"import", "--data", data}, strings.Fields(c.args)...)...); code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit %d, %s", c.args, code, errs)
		}
	}
}
